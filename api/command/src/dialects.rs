//! `grainway dialects`: what is installed, and help for who adds one as a data file.

use super::{ACT, Cli, FAILED, READY, USAGE, complain, say, show, text};
use clap::Subcommand;
use grainway_dialects::conformance::{Conformance, Outcome, conformance};
use grainway_host::{Limits, Verdict};
use grainway_pipeline::chain::{Chain, KeepNothing, nearest};
use grainway_pipeline::dialect::Dialect;
use grainway_pipeline::stage::{Cancel, Cx, Dialects, MemorySpool, Silent, Spool};
use grainway_pipeline::work::Work;
use grainway_runner::{Registries, conform, load, open};
use serde_json::{Value, json};
use std::io::Read;
use std::path::{Path, PathBuf};
use std::sync::Arc;

/// Characters of a line that `try` shows in each column.
const COLUMN: usize = 48;

#[derive(Subcommand, Debug)]
pub(super) enum Which {
    /// List them with the properties each asks of a controller.
    List,
    /// Show a dialect's description and, where it is data, all of its keys.
    Show {
        /// The dialect.
        name: String,
    },
    /// Write a data file to start from, with a remark on every key.
    New {
        /// The new dialect's name; the file is NAME.json in the present folder.
        name: String,
        /// The built-in dialect to build on.
        #[arg(long, value_name = "OTHER")]
        from: String,
    },
    /// Run the conformance checks on a data file or a native library, one verdict a line.
    Check {
        /// The data file, the library, or the name of a built-in dialect.
        file: PathBuf,
    },
    /// Show a job's programs in a data file's dialect beside those of the dialect it builds on.
    Try {
        /// The data file.
        file: PathBuf,
        /// The job document.
        #[arg(long)]
        job: PathBuf,
    },
}

pub(super) fn run(cli: &Cli, registries: &Registries, which: Option<&Which>) -> u8 {
    match which {
        None | Some(Which::List) => show(cli, &list(&registries.dialects), text::dialects),
        Some(Which::Show { name }) => match registries.dialects.get(name) {
            Some(dialect) => {
                let mut value = json!({ "about": dialect.about() });
                if let (Some(map), Some(keys)) =
                    (value.as_object_mut(), grainway_dialects::keys_of(name))
                {
                    map.insert("keys".to_string(), keys);
                }
                show(cli, &value, text::pretty)
            }
            None => unknown(cli, name, registries),
        },
        Some(Which::New { name, from }) => new(cli, name, from, registries),
        Some(Which::Check { file }) => check(cli, file),
        Some(Which::Try { file, job }) => try_out(cli, file, job, registries),
    }
}

fn list(dialects: &Dialects) -> Value {
    dialects
        .names()
        .filter_map(|n| dialects.get(n))
        .map(|d| {
            let mut value = serde_json::to_value(d.about()).unwrap_or_default();
            if let Some(map) = value.as_object_mut() {
                map.insert("read-back".to_string(), d.reader().is_some().into());
            }
            value
        })
        .collect()
}

fn unknown(cli: &Cli, name: &str, registries: &Registries) -> u8 {
    let near = nearest(name, registries.dialects.names())
        .map(|n| format!("; did you mean \"{n}\"?"))
        .unwrap_or_default();
    complain(
        cli,
        &format!("no dialect is called \"{name}\"{near}"),
        USAGE,
    );
    USAGE
}

fn new(cli: &Cli, name: &str, from: &str, registries: &Registries) -> u8 {
    let plain = |c: char| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '-';
    if name.is_empty() || !name.chars().all(plain) {
        complain(
            cli,
            "a dialect's name is lower-case letters, digits and hyphens",
            USAGE,
        );
        return USAGE;
    }
    let Some(starter) = grainway_dialects::starter(name, from) else {
        return unknown(cli, from, registries);
    };
    let file = PathBuf::from(format!("{name}.json"));
    let written = std::fs::File::create_new(&file)
        .and_then(|mut f| std::io::Write::write_all(&mut f, starter.as_bytes()));
    match written {
        Ok(()) => {
            if cli.json {
                say(&text::pretty(&json!({ "exit": READY, "file": file })));
            } else {
                say(&format!(
                    "{} is written. It says what {from} says; change the keys that differ, then run\n  grainway dialects check {}\n",
                    file.display(),
                    file.display()
                ));
            }
            READY
        }
        Err(e) if e.kind() == std::io::ErrorKind::AlreadyExists => {
            complain(
                cli,
                &format!("{} exists; it was left as it is", file.display()),
                USAGE,
            );
            USAGE
        }
        Err(e) => {
            complain(
                cli,
                &format!("{} cannot be written: {e}", file.display()),
                FAILED,
            );
            FAILED
        }
    }
}

/// A dialect from its data file; the problems are told.
fn from_file(cli: &Cli, file: &Path) -> Result<(Arc<dyn Dialect>, String), u8> {
    let text = std::fs::read_to_string(file).map_err(|e| {
        complain(
            cli,
            &format!("{} cannot be read: {e}", file.display()),
            USAGE,
        );
        USAGE
    })?;
    match grainway_dialects::from_json(&text) {
        Ok(dialect) => Ok((dialect, text)),
        Err(problems) => {
            let lines: Vec<String> = problems
                .iter()
                .map(|p| format!("{}#{}: {}", file.display(), p.pointer, p.message))
                .collect();
            if cli.json {
                say(&text::pretty(&json!({ "exit": ACT, "problems": lines })));
            } else {
                say(&(lines.join("\n") + "\n"));
            }
            Err(ACT)
        }
    }
}

fn check(cli: &Cli, file: &Path) -> u8 {
    let built_in = grainway_dialects::built_in();
    let named = file.to_str().and_then(|name| built_in.get(name));
    let table = match named {
        Some(dialect) if !file.exists() => conformance(dialect),
        _ if is_library(file) => return check_library(cli, file),
        _ => match from_file(cli, file) {
            Ok((dialect, _)) => conformance(dialect.as_ref()),
            Err(exit) => return exit,
        },
    };
    let exit = if table.passed() { READY } else { ACT };
    if cli.json {
        say(&text::pretty(
            &json!({ "exit": exit, "conformance": table }),
        ));
    } else {
        say(&as_lines(&table));
    }
    exit
}

/// A file that is no text: data files are JSON.
fn is_library(file: &Path) -> bool {
    let mut first = [0; 4];
    let read = std::fs::File::open(file).and_then(|mut f| f.read_exact(&mut first));
    read.is_ok() && first == *b"\x7fELF"
}

/// A native library is loaded in processes of its own.
fn check_library(cli: &Cli, file: &Path) -> u8 {
    let table = match conform(file, &super::plugins::launcher(), &Limits::default()) {
        Ok(table) => table,
        Err(why) => {
            complain(cli, &format!("{}: {why}", file.display()), ACT);
            return ACT;
        }
    };
    let exit = if table.passed() { READY } else { ACT };
    if cli.json {
        say(&text::pretty(
            &json!({ "exit": exit, "conformance": table }),
        ));
        return exit;
    }
    let mut out = format!("{} {}\n", table.library, table.version);
    for row in &table.rows {
        let verdict = match row.verdict {
            Verdict::Passed => "passed",
            Verdict::Failed => "FAILED",
            Verdict::Skipped => "skipped",
        };
        out.push_str(&format!(
            "  {verdict:<7}  {:<24} {:<22} {}\n",
            row.subject, row.check, row.detail
        ));
    }
    out.push_str(&counted(table.rows.len(), table.failed().count()));
    say(&out);
    exit
}

/// "27 checks, none failed".
fn counted(checks: usize, failed: usize) -> String {
    match failed {
        0 => format!("{checks} checks, none failed\n"),
        n => format!("{checks} checks, {n} failed\n"),
    }
}

fn as_lines(table: &Conformance) -> String {
    let mut out = format!("{}\n", table.dialect);
    for row in &table.rows {
        let verdict = match row.outcome {
            Outcome::Passed => "passed",
            Outcome::Failed => "FAILED",
            Outcome::Absent => "absent",
        };
        out.push_str(&format!("  {verdict}  {:<16} {}\n", row.check, row.detail));
    }
    out.push_str(&counted(table.rows.len(), table.failed().len()));
    out
}

fn try_out(cli: &Cli, file: &Path, job: &Path, registries: &Registries) -> u8 {
    let (dialect, source) = match from_file(cli, file) {
        Ok(found) => found,
        Err(exit) => return exit,
    };
    let parent = serde_json::from_str::<Value>(&source)
        .ok()
        .and_then(|v| v.get("extends").and_then(Value::as_str).map(str::to_string));
    let name = dialect.about().name.clone();
    let mut dialects = grainway_dialects::built_in();
    dialects.add(dialect);
    let other = parent.unwrap_or_else(|| "rs274-ngc".to_string());
    let both = (
        programs(job, &name, &dialects, registries),
        programs(job, &other, &dialects, registries),
    );
    match both {
        (Ok(own), Ok(others)) => {
            if cli.json {
                say(&text::pretty(
                    &json!({ "exit": READY, "dialect": name, "programs": own, "beside": other, "others": others }),
                ));
            } else {
                say(&beside(&name, &own, &other, &others));
            }
            READY
        }
        (Err(e), _) | (_, Err(e)) => {
            complain(cli, &e, ACT);
            ACT
        }
    }
}

/// The job's programs, name and text, in a dialect: as far as they are written, verified or not.
fn programs(
    job: &Path,
    dialect: &str,
    dialects: &Dialects,
    registries: &Registries,
) -> Result<Vec<(String, String)>, String> {
    let (folder, job_file) = open(job).map_err(|e| e.to_string())?;
    let mut loaded = load(&folder, &job_file, dialects);
    let first = |f: &[grainway_pipeline::finding::Finding]| {
        f.first().map_or_else(String::new, ToString::to_string)
    };
    let documents = match loaded.documents.take() {
        Some(d) if loaded.sound => d,
        _ => return Err(format!("the job is refused: {}", first(&loaded.findings))),
    };
    let mut work = Work::new(documents);
    for machine in work.documents.shop.machines.values_mut() {
        machine.dialect = dialect.to_string();
    }
    let spool = MemorySpool::default();
    let cancel = Cancel::default();
    let cx = Cx {
        files: &folder,
        dialects,
        spool: &spool,
        progress: &Silent,
        cancel: &cancel,
    };
    let chain = Chain::plan(&registries.stages, &work).map_err(|f| first(&f))?;
    chain
        .run(&mut work, 0, &cx, &mut KeepNothing)
        .map_err(|e| e.to_string())?;
    if work.programs.is_empty() {
        return Err(format!("no program was written: {}", first(&work.findings)));
    }
    work.programs
        .iter()
        .map(|p| {
            let mut text = String::new();
            spool
                .open(&p.text)
                .and_then(|mut t| t.read_to_string(&mut text))
                .map_err(|e| e.to_string())?;
            Ok((p.name.clone(), text))
        })
        .collect()
}

/// Two columns, line by line; a bar marks lines that differ.
fn beside(
    name: &str,
    own: &[(String, String)],
    other: &str,
    others: &[(String, String)],
) -> String {
    let cut = |s: &str| -> String {
        let mut t: String = s.chars().take(COLUMN).collect();
        while t.chars().count() < COLUMN {
            t.push(' ');
        }
        t
    };
    let mut out = String::new();
    for i in 0..own.len().max(others.len()) {
        let (a, b) = (own.get(i), others.get(i));
        let title = |p: Option<&(String, String)>, d: &str| {
            p.map_or_else(
                || format!("({d} has no more)"),
                |p| format!("{} in {d}", p.0),
            )
        };
        out.push_str(&format!("{} | {}\n", cut(&title(a, name)), title(b, other)));
        let mut left = a.map_or("", |p| p.1.as_str()).lines();
        let mut right = b.map_or("", |p| p.1.as_str()).lines();
        loop {
            let (l, r) = match (left.next(), right.next()) {
                (None, None) => break,
                (l, r) => (l.unwrap_or(""), r.unwrap_or("")),
            };
            let mark = if l == r { ' ' } else { '|' };
            out.push_str(format!("{} {mark} {r}", cut(l)).trim_end());
            out.push('\n');
        }
    }
    out
}
