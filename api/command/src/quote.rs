//! `grainway quote`: what a job, or the jobs of a parts list, cost by the shop's prices. They are planned and checked, and no file is
//! written.

use super::{ACT, Cli, READY, USAGE, complain, exit_of, failed, interrupted, say, text};
use crate::progress::TerminalProgress;
use bytes::Bytes;
use grainway_pipeline::doc::{Money, NIGHT_FORMAT, Unit};
use grainway_pipeline::finding::Finding;
use grainway_runner::{MadeJob, MakeRequest, Registries, make};
use grainway_service::parts_list::{ListJob, ListKind, RowProblem, options_beside, read};
use grainway_stages::report::{JobVerdict, ReportDocument, cost_lines};
use serde_json::{Value, json};
use std::collections::BTreeMap;
use std::fmt::Write;
use std::path::{Path, PathBuf};

/// What is asked.
#[derive(clap::Args, Debug)]
pub(super) struct Quote {
    /// The job or night document, or a parts list (.csv or .xlsx) with its options and drawings beside it.
    #[arg(value_name = "JOB_NIGHT_OR_LIST")]
    of: PathBuf,
    /// Take this shop document, with its prices, instead of the one that the job or the list's options name.
    #[arg(long, value_name = "SHOP")]
    shop: Option<PathBuf>,
    /// Make so many sets of each job, whatever the documents say; not of a night, which gives the sets of each of its jobs.
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u32).range(1..=10_000))]
    sets: Option<u32>,
    /// Price the jobs of a list as one night that shares its boards, instead of each alone.
    #[arg(long)]
    pooled: bool,
}

/// Why there is no quote.
enum Wrong {
    /// A file that is asked for cannot be used.
    Usage(String),
    /// Rows of the list.
    Rows(Vec<RowProblem>),
}

/// A job or a night to be made, and the jobs of a list that it comes from.
struct Asked {
    request: MakeRequest,
    list: Vec<ListJob>,
}

pub(super) fn run(cli: &Cli, registries: &Registries, quote: &Quote) -> u8 {
    let asked = match ListKind::of(&quote.of.to_string_lossy()) {
        Some(kind) => of_list(quote, kind),
        None => of_job(quote).map(|asked| vec![asked]),
    };
    let asked = match asked {
        Ok(asked) => asked,
        Err(Wrong::Usage(message)) => {
            complain(cli, &message, USAGE);
            return USAGE;
        }
        Err(Wrong::Rows(problems)) => return tell_rows(cli, quote, &problems),
    };
    let cancel = interrupted();
    let mut made = Vec::new();
    for asked in &asked {
        let progress = TerminalProgress::new();
        let one = make(&asked.request, registries, &progress, &cancel);
        progress.clear();
        match one {
            Ok(one) => made.push(one),
            Err(failure) => return failed(cli, &failure),
        }
    }
    let exit = made.iter().map(exit_of_quote).max().unwrap_or(READY);
    if cli.json {
        say(&text::pretty(&document(&made, exit)));
        return exit;
    }
    for (asked, made) in asked.iter().zip(&made) {
        tell_findings(asked, &made.report);
        say(&of_report(&made.report));
    }
    if made.len() > 1 {
        say(&of_all(&made));
    }
    exit
}

/// As of every make; somebody must also act where a price is not whole.
fn exit_of_quote(made: &MadeJob) -> u8 {
    let costs = made.report.costs.as_ref();
    match costs.is_some_and(|c| c.missing.is_empty()) {
        true => exit_of(made),
        false => exit_of(made).max(ACT),
    }
}

fn of_job(quote: &Quote) -> Result<Asked, Wrong> {
    let mut instead = BTreeMap::new();
    let text = file(&quote.of)?;
    if quote.pooled {
        let why = "--pooled is for parts lists; a night document names jobs that share boards";
        return Err(Wrong::Usage(why.to_string()));
    }
    // What is no JSON document is told as by every other command.
    if let Ok(mut job) = serde_json::from_slice::<Value>(without_mark(&text))
        && job.is_object()
    {
        if let Some(shop) = &quote.shop {
            let name = shop_name(shop);
            job["shop"] = json!(name);
            instead.insert(name, words(&file(shop)?));
        }
        if quote.sets.is_some() && job["format"] == NIGHT_FORMAT {
            let why = "--sets is for jobs; a night gives the sets of each of its jobs";
            return Err(Wrong::Usage(why.to_string()));
        }
        if let Some(sets) = quote.sets {
            job["sets"] = json!(sets);
        }
        if quote.shop.is_some() || quote.sets.is_some() {
            let name = quote.of.file_name().unwrap_or_default();
            instead.insert(name.to_string_lossy().into_owned(), job.to_string());
        }
    }
    Ok(Asked {
        request: MakeRequest {
            job: quote.of.clone(),
            instead,
            ..MakeRequest::default()
        },
        list: Vec::new(),
    })
}

fn of_list(quote: &Quote, kind: ListKind) -> Result<Vec<Asked>, Wrong> {
    let bytes = file(&quote.of)?;
    let folder = match quote.of.parent() {
        Some(folder) if !folder.as_os_str().is_empty() => folder,
        _ => Path::new("."),
    };
    let name = quote.of.file_name().unwrap_or_default().to_string_lossy();
    let mut beside = |name: &str| std::fs::read(folder.join(name)).ok().map(Bytes::from);
    let mut options = options_beside(&name, None, &mut beside).map_err(Wrong::Rows)?;
    let mut shops = BTreeMap::new();
    match &quote.shop {
        Some(shop) => {
            let name = shop_name(shop);
            shops.insert(name.clone(), words(&file(shop)?));
            options.shop = Some(name);
        }
        // The shop beside the list, where nothing names another.
        None if options.shop.is_none() && folder.join("shop.json").is_file() => {
            options.shop = Some("shop.json".to_string());
        }
        None => {}
    }
    let stem = name.rsplit_once('.').map_or(&*name, |(stem, _)| stem);
    let jobs = read(&bytes, kind, stem, &options).map_err(Wrong::Rows)?;
    let document_of = |job: &ListJob| {
        let mut document: Value = serde_json::from_slice(&job.document).unwrap_or_default();
        if let Some(sets) = quote.sets {
            document["sets"] = json!(sets);
        }
        document
    };
    if quote.pooled {
        let mut instead = shops;
        let documents: Vec<Value> = jobs.iter().map(document_of).collect();
        let night = night_of(stem, &jobs, &documents);
        for (job, document) in jobs.iter().zip(&documents) {
            instead.insert(job.document_name.clone(), document.to_string());
        }
        instead.insert(POOLED.to_string(), night.to_string());
        return Ok(vec![Asked {
            request: MakeRequest {
                job: folder.join(POOLED),
                instead,
                ..MakeRequest::default()
            },
            list: jobs,
        }]);
    }
    let asked = jobs.into_iter().map(|job| {
        let document = document_of(&job);
        let mut instead = shops.clone();
        instead.insert(job.document_name.clone(), document.to_string());
        Asked {
            request: MakeRequest {
                job: folder.join(&job.document_name),
                instead,
                ..MakeRequest::default()
            },
            list: vec![job],
        }
    });
    Ok(asked.collect())
}

/// What the night of a list is called among its files: no file of a folder has this name.
const POOLED: &str = "--pooled";

/// The night of the jobs of a list. They are called by their numbers, and have the shop and the settings of the list in common.
fn night_of(name: &str, jobs: &[ListJob], documents: &[Value]) -> Value {
    let of = |key: &str| documents.first().map(|d| d[key].clone());
    let named = jobs.iter().zip(1..).map(|(job, n)| {
        let word = job.word.as_deref().unwrap_or_default();
        let plain = |c: char| c.is_ascii_alphanumeric() || "-_".contains(c);
        let word: String = word
            .chars()
            .map(|c| if plain(c) { c } else { '-' })
            .collect();
        let id = format!("{n}-{word}");
        let id: String = id.trim_end_matches('-').chars().take(LONGEST_ID).collect();
        json!({ "id": id, "file": job.document_name })
    });
    let mut night = json!({
        "format": NIGHT_FORMAT, "name": name, "unit": of("unit"), "shop": of("shop"), "jobs": named.collect::<Vec<_>>()
    });
    for key in ["machine", "settings"] {
        if let Some(value) = of(key).filter(|v| !v.is_null()) {
            night[key] = value;
        }
    }
    if night["unit"].is_null() {
        night["unit"] = json!("mm");
    }
    night
}

/// Ids have at most so many letters.
const LONGEST_ID: usize = 80;

fn file(path: &Path) -> Result<Vec<u8>, Wrong> {
    std::fs::read(path).map_err(|e| Wrong::Usage(format!("{} cannot be read: {e}", path.display())))
}

fn without_mark(bytes: &[u8]) -> &[u8] {
    bytes.strip_prefix("\u{feff}".as_bytes()).unwrap_or(bytes)
}

fn words(bytes: &[u8]) -> String {
    String::from_utf8_lossy(bytes).into_owned()
}

/// What the shop that was given on the command line is called among the job's files: no file of a folder has this name.
fn shop_name(shop: &Path) -> String {
    let name = shop.file_name().unwrap_or_default().to_string_lossy();
    format!("--shop {name}")
}

fn tell_rows(cli: &Cli, quote: &Quote, problems: &[RowProblem]) -> u8 {
    let list = quote.of.display();
    if cli.json {
        say(&text::pretty(
            &json!({ "exit": ACT, "error": format!("{list} has faults"), "rows": problems }),
        ));
        return ACT;
    }
    complain(cli, &format!("{list} has faults; there is no quote"), ACT);
    for problem in problems {
        eprint(&row_line(problem));
    }
    ACT
}

fn eprint(line: &str) {
    use std::io::Write;
    let _ = writeln!(std::io::stderr(), "{line}");
}

/// "row 4, length: …", for what a row is at fault for.
fn row_line(problem: &RowProblem) -> String {
    let column = problem.column.as_ref();
    let place = match problem.row {
        Some(row) => format!(
            "row {row}{}: ",
            column.map_or(String::new(), |c| format!(", {c}"))
        ),
        None => String::new(),
    };
    format!("{place}{} {}", problem.message, problem.remedy)
}

fn tell_findings(asked: &Asked, report: &ReportDocument) {
    let machine = report.machine.as_ref();
    let unit = machine.map_or(Unit::Mm, |m| m.program_unit);
    for finding in &report.findings {
        eprint(&match place_in_list(asked, finding) {
            Some(place) => {
                let plain = Finding {
                    pointer: None,
                    ..finding.clone()
                };
                format!("{place}: {}", plain.line_in(unit))
            }
            None => finding.line_in(unit),
        });
    }
}

/// The row and column of the list that a finding of the job's document comes from.
fn place_in_list(asked: &Asked, finding: &Finding) -> Option<String> {
    let pointer = finding.pointer.as_ref()?;
    let alone = asked.list.len() == 1 && pointer.document() == "job";
    let mut jobs = asked.list.iter();
    let job = jobs.find(|j| alone || j.document_name == pointer.document())?;
    let place = job.place(pointer)?;
    Some(format!("row {}, {}", place.row, place.column))
}

/// The quote of one job.
fn of_report(report: &ReportDocument) -> String {
    let mut out = String::new();
    let _ = writeln!(out, "{}", report.job);
    let Some(costs) = &report.costs else {
        let why = match report.verdict {
            JobVerdict::Ready => {
                "No price: the shop has no `prices`; docs/costs.md tells how to write them."
            }
            _ => {
                "No price: not everything could be planned. Act on the errors, and see that the shop has `prices`."
            }
        };
        let _ = writeln!(out, "  {why}");
        return out;
    };
    for [what, much, amount] in cost_lines(report) {
        let space = if much.is_empty() { "" } else { ": " };
        let _ = writeln!(out, "  {amount:>16}  {what}{space}{much}");
    }
    for missing in &costs.missing {
        let _ = writeln!(out, "  Not in the price: {missing}");
    }
    for job in &costs.jobs {
        let _ = writeln!(
            out,
            "  {:>16}  job {}, {} a set",
            format!("{} {}", job.total, costs.currency),
            job.job,
            job.per_set
        );
    }
    let _ = writeln!(out, "  Shares of the parts:");
    for part in &costs.parts {
        let name = report.part_called(&part.part);
        let _ = writeln!(
            out,
            "  {:>16}  {} × {name}, {} each",
            format!("{} {}", part.total, costs.currency),
            part.count,
            part.each
        );
    }
    let _ = writeln!(out, "  {}", costs.basis);
    let _ = writeln!(
        out,
        "  {}",
        match report.verdict {
            JobVerdict::Ready => format!("The job is ready to be made. {}", report.means),
            _ =>
                "This is the price of a job that cannot be cut yet: act on the errors.".to_string(),
        }
    );
    out
}

/// The sum over the jobs of a list, where all have a price in one currency.
fn sum(made: &[MadeJob]) -> Option<(Money, &str)> {
    let costs: Option<Vec<_>> = made.iter().map(|m| m.report.costs.as_ref()).collect();
    let costs = costs?;
    let currency = costs.first()?.currency.as_str();
    let sum = costs.iter().map(|c| c.total).sum();
    costs
        .iter()
        .all(|c| c.currency == currency)
        .then_some((sum, currency))
}

/// How the jobs of a list are priced together.
const EACH_ALONE: &str =
    "Each job is priced as if it alone had the boards: none uses what another leaves.";

fn of_all(made: &[MadeJob]) -> String {
    match sum(made) {
        Some((sum, currency)) => format!(
            "All {} jobs: {sum} {currency}\n  {EACH_ALONE}\n",
            made.len()
        ),
        None => "No sum of the jobs: one at least has no price.\n".to_string(),
    }
}

fn document(made: &[MadeJob], exit: u8) -> Value {
    let jobs = made.iter().map(|m| {
        let r = &m.report;
        json!({ "job": r.job, "verdict": r.verdict, "costs": r.costs, "findings": r.findings })
    });
    let jobs: Vec<Value> = jobs.collect();
    let mut document = json!({ "exit": exit, "jobs": jobs });
    if let (Some((sum, currency)), true) = (sum(made), made.len() > 1) {
        document["sum"] = json!({ "total": sum, "currency": currency, "basis": EACH_ALONE });
    }
    document
}
