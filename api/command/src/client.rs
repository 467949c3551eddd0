//! `grainway send`, `follow`, `fetch`, `cancel`, `measured`, `remake`: the service from elsewhere.

use super::{ACT, CANCELLED, Cli, FAILED, READY, USAGE, complain, interrupted, say, text};
use crate::progress::TerminalProgress;
use clap::{Args, Subcommand, ValueEnum};
use grainway_client::model::{JobFile, JobId, JobState, PRIORITIES, When};
use grainway_client::{ClientProblem, SERVER, Seen, SendOptions, Server, collect, fetch};
use grainway_pipeline::stage::Cancel;
use grainway_runner::OutputProblem;
use serde_json::{Value, json};
use std::future::Future;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

/// Which server, and who asks.
#[derive(Args, Debug)]
pub(super) struct Where {
    /// The service's address.
    #[arg(long, value_name = "URL", env = "GRAINWAY_SERVER", default_value = SERVER)]
    server: String,
    /// An access token of the server. Other users see command lines; the environment variable hides it from them.
    #[arg(
        long,
        value_name = "TOKEN",
        env = "GRAINWAY_TOKEN",
        hide_env_values = true
    )]
    token: Option<String>,
}

#[derive(Subcommand, Debug)]
pub(super) enum Client {
    /// Hand a job to the service, with its shop and drawings. Files that are missing beside the job are looked up on the server.
    Send {
        /// The job document.
        job: PathBuf,
        #[command(flatten)]
        at: Where,
        /// Priority, -100 to 100; higher runs first.
        #[arg(long, value_name = "N", allow_negative_numbers = true, value_parser = clap::value_parser!(i32).range(*PRIORITIES.start() as i64..=*PRIORITIES.end() as i64))]
        priority: Option<i32>,
        /// When it may run: as soon as there is room, or in the operator's hours.
        #[arg(long, value_name = "WHEN", default_value = "any")]
        when: Moment,
        /// A name shared by jobs that belong together.
        #[arg(long, value_name = "WORD")]
        batch: Option<String>,
        /// The job whose programs become stale once this one is ready.
        #[arg(long, value_name = "ID")]
        replaces: Option<JobId>,
        #[command(flatten)]
        then: Then,
    },
    /// Wait for the end of a job of the service.
    Follow {
        /// The job's id.
        id: JobId,
        #[command(flatten)]
        at: Where,
    },
    /// Fetch what a job of the service made.
    Fetch {
        /// The job's id.
        id: JobId,
        #[command(flatten)]
        at: Where,
        /// The output folder; what it held before is removed.
        #[arg(long, value_name = "DIR")]
        out: PathBuf,
    },
    /// Make a job again with the wood as measured at the machine; the new job replaces the old one once it is ready.
    Measured {
        /// The job's id.
        id: JobId,
        #[command(flatten)]
        at: Where,
        #[command(flatten)]
        wood: WoodMeasured,
        /// The readings are right although they were refused as unlikely.
        #[arg(long)]
        confirmed: bool,
        #[command(flatten)]
        then: Then,
    },
    /// Make parts of a job again, such as a spoiled one; its other programs stay as they are.
    Remake {
        /// The job's id.
        id: JobId,
        #[command(flatten)]
        at: Where,
        /// A part and how many of it, 1 when left out: `tread=2`. May be given for several parts.
        #[arg(long, value_name = "PART[=COUNT]", required = true, value_parser = part)]
        part: Vec<(String, u32)>,
        #[command(flatten)]
        then: Then,
    },
    /// Stop a job of the service.
    Cancel {
        /// The job's id.
        id: JobId,
        #[command(flatten)]
        at: Where,
    },
}

/// What is done with a job once it is handed in.
#[derive(Args, Debug)]
pub(super) struct Then {
    /// Only check the job; the server keeps nothing.
    #[arg(long, conflicts_with_all = ["follow", "out"])]
    dry_run: bool,
    /// Wait until the job has ended and print the result.
    #[arg(long)]
    follow: bool,
    /// Wait until the job has ended and write its files into this folder; what it held before is removed.
    #[arg(long, value_name = "DIR")]
    out: Option<PathBuf>,
}

/// What was measured. Numbers are in the job document's unit, or have one.
#[derive(Args, Debug)]
#[group(required = true, multiple = true)]
pub(super) struct WoodMeasured {
    /// A stock, one of its boards, or the blank of a part, and its readings: `oak-19=19.1,19.2mm`, `oak-19@a=18.8`, `oak-19:top=18.6`. May be
    /// given several times, as all below.
    #[arg(long, value_name = "STOCK[@BOARD|:PART]=READING[,READING]", value_parser = readings)]
    thickness: Vec<(String, Vec<String>)>,
    /// The dimensioned blank of a part, and how long it is: `top=998`.
    #[arg(long, value_name = "PART=LENGTH", value_parser = length)]
    length: Vec<(String, String)>,
    /// The dimensioned blank of a part, and how wide it is: `top=612mm`.
    #[arg(long, value_name = "PART=WIDTH", value_parser = length)]
    width: Vec<(String, String)>,
    /// A part, and how many of its pieces are to be of the other hand, since their good face is the other one: `side=1`.
    #[arg(long, value_name = "PART[=COUNT]", value_parser = part)]
    mirrored: Vec<(String, u32)>,
}

impl WoodMeasured {
    fn document(&self, confirmed: bool) -> Value {
        let all = |readings: &[String]| -> Value {
            readings.iter().map(|r| reading(r, confirmed)).collect()
        };
        let mut thickness = serde_json::Map::new();
        for (wood, readings) in &self.thickness {
            thickness.insert(wood.clone(), all(readings));
        }
        let mut pieces = serde_json::Map::new();
        let mut tell = |part: &str, key: &str, value: Value| {
            let piece = pieces.entry(part).or_insert_with(|| json!({}));
            piece[key] = value;
        };
        for (key, lengths) in [("length", &self.length), ("width", &self.width)] {
            for (part, length) in lengths {
                tell(part, key, reading(length, false));
            }
        }
        for (part, count) in &self.mirrored {
            tell(part, "mirrored", json!(count));
        }
        json!({ "thickness": thickness, "pieces": pieces })
    }
}

/// `oak-19=19.1,19.2mm`
fn readings(text: &str) -> Result<(String, Vec<String>), String> {
    let (what, readings) = text
        .split_once('=')
        .ok_or("write what was measured, `=` and its readings, such as oak-19=19.1,19.2")?;
    let readings: Vec<String> = readings.split(',').map(|r| r.trim().to_string()).collect();
    if what.is_empty() || readings.iter().any(String::is_empty) {
        return Err("a name or a reading is empty; write oak-19=19.1,19.2".to_string());
    }
    Ok((what.to_string(), readings))
}

/// `top=998mm`
fn length(text: &str) -> Result<(String, String), String> {
    match text.split_once('=') {
        Some((part, length)) if !part.is_empty() && !length.trim().is_empty() => {
            Ok((part.to_string(), length.trim().to_string()))
        }
        _ => Err("write a part, `=` and a length, such as top=998mm".to_string()),
    }
}

/// A number as a number, a length with its unit as a text.
fn reading(text: &str, confirmed: bool) -> Value {
    let length = match text.parse::<f64>() {
        Ok(number) if number.is_finite() => json!(number),
        _ => json!(text),
    };
    match confirmed {
        true => json!({ "thickness": length, "confirmed": true }),
        false => length,
    }
}

/// `tread` or `tread=2`
fn part(text: &str) -> Result<(String, u32), String> {
    let (id, count) = text.split_once('=').unwrap_or((text, "1"));
    let count = count
        .parse()
        .map_err(|_| format!("{count:?} is no count; write tread=2"))?;
    Ok((id.to_string(), count))
}

#[derive(Clone, Copy, Debug, ValueEnum)]
pub(super) enum Moment {
    Any,
    Hours,
}

/// What waits, shows and is interrupted.
struct Desk<'c> {
    cli: &'c Cli,
    runtime: tokio::runtime::Runtime,
    cancel: Arc<Cancel>,
    progress: TerminalProgress,
}

impl Desk<'_> {
    /// Waits for `work`, or for an interrupt.
    fn wait<T>(
        &self,
        work: impl Future<Output = Result<T, ClientProblem>>,
    ) -> Result<T, ClientProblem> {
        self.runtime.block_on(async {
            tokio::select! {
                done = work => done,
                () = self.interrupt() => Err(ClientProblem::Cancelled),
            }
        })
    }

    async fn interrupt(&self) {
        while !self.cancel.is_set() {
            tokio::time::sleep(Duration::from_millis(50)).await;
        }
    }

    fn fetch(
        &self,
        server: &Server,
        id: JobId,
        out: &Path,
        job_folder: &Path,
    ) -> Result<Vec<JobFile>, ClientProblem> {
        let look = |done: usize, all: usize| {
            self.progress
                .line(&format!("fetching, {done} of {all} files"));
        };
        let files = fetch(
            server,
            id,
            out,
            job_folder,
            |download| self.wait(download),
            look,
        );
        self.progress.clear();
        files
    }

    fn follow(&self, server: &Server, id: JobId) -> Result<Seen, ClientProblem> {
        let look = |seen: &Seen| {
            let stage = seen.stage.as_deref().map(|s| format!(": {s}"));
            self.progress.line(&format!(
                "{} {}{}",
                seen.name,
                seen.state,
                stage.unwrap_or_default()
            ));
        };
        let seen = self.wait(server.follow(id, look));
        self.progress.clear();
        if matches!(seen, Err(ClientProblem::Cancelled)) && !self.cli.json {
            let _ = writeln!(
                std::io::stderr(),
                "grainway: job {id} goes on; `grainway follow {id}` looks again, `grainway cancel {id}` stops it"
            );
        }
        seen
    }
}

pub(super) fn run(cli: &Cli, command: &Client) -> u8 {
    let runtime = match tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
    {
        Ok(runtime) => runtime,
        Err(e) => {
            complain(cli, &format!("nothing can be sent from here: {e}"), FAILED);
            return FAILED;
        }
    };
    let desk = Desk {
        cli,
        runtime,
        cancel: interrupted(),
        progress: TerminalProgress::new(),
    };
    match done(&desk, command) {
        Ok(exit) => exit,
        Err(problem) => told(cli, &problem),
    }
}

fn done(desk: &Desk<'_>, command: &Client) -> Result<u8, ClientProblem> {
    let cli = desk.cli;
    let server = |at: &Where| Server::new(&at.server, at.token.clone().filter(|t| !t.is_empty()));
    match command {
        Client::Send {
            job,
            at,
            priority,
            when,
            batch,
            replaces,
            then,
        } => {
            let server = server(at)?;
            let options = SendOptions {
                priority: *priority,
                when: match when {
                    Moment::Any => When::Any,
                    Moment::Hours => When::Hours,
                },
                batch: batch.clone(),
                replaces: *replaces,
                dry_run: then.dry_run,
            };
            send(desk, &server, job, &options, then)
        }
        Client::Measured {
            id,
            at,
            wood,
            confirmed,
            then,
        } => {
            let server = server(at)?;
            let measured = wood.document(*confirmed);
            let here = claimed(then, None)?;
            let answer = desk.wait(server.measured(*id, &measured, then.dry_run))?;
            handed_in(desk, &server, answer, then, &here)
        }
        Client::Remake { id, at, part, then } => {
            let server = server(at)?;
            let parts = part.iter().map(|(id, n)| (id.clone(), json!(n)));
            let parts = Value::Object(parts.collect());
            let here = claimed(then, None)?;
            let answer = desk.wait(server.remake(*id, &parts, then.dry_run))?;
            handed_in(desk, &server, answer, then, &here)
        }
        Client::Follow { id, at } => {
            let seen = desk.follow(&server(at)?, *id)?;
            Ok(ended(cli, &seen, None))
        }
        Client::Fetch { id, at, out } => {
            let here = std::env::current_dir().unwrap_or_default();
            let files = desk.fetch(&server(at)?, *id, out, &here)?;
            if cli.json {
                say(&text::pretty(
                    &json!({ "exit": READY, "out": out.display().to_string(), "files": files }),
                ));
            } else {
                say(&format!("{} files in {}\n", files.len(), out.display()));
            }
            Ok(READY)
        }
        Client::Cancel { id, at } => {
            let seen = desk.wait(server(at)?.cancel(*id))?;
            if cli.json {
                say(&text::pretty(&json!({ "exit": READY, "job": seen.told })));
            } else if seen.state.is_end() {
                say(&format!("{id} is {}\n", seen.state));
            } else {
                say(&format!("{id} will be stopped\n"));
            }
            Ok(READY)
        }
    }
}

/// The folder that `then` is to write is looked at before the work and not after it. Gives the folder that it may not be: the job's,
/// or the one where the command runs.
fn claimed(then: &Then, job_folder: Option<&Path>) -> Result<PathBuf, ClientProblem> {
    let here = std::env::current_dir().unwrap_or_default();
    let folder = job_folder.map_or(here, Path::to_path_buf);
    if let Some(out) = &then.out {
        grainway_runner::OutputFolder::claim(out, &folder)?;
    }
    Ok(folder)
}

fn send(
    desk: &Desk<'_>,
    server: &Server,
    job: &Path,
    options: &SendOptions,
    then: &Then,
) -> Result<u8, ClientProblem> {
    let collected = collect(job)?;
    let folder = claimed(then, Some(&collected.folder))?;
    let bytes: usize = collected.files.values().map(|b| b.len()).sum();
    desk.progress.line(&format!(
        "sending {} files, {} KiB",
        collected.files.len(),
        bytes.div_ceil(1024)
    ));
    let answer = desk.wait(server.send(&collected, options));
    desk.progress.clear();
    handed_in(desk, server, answer?, then, &folder)
}

/// What the service answered to a job that was handed in; its end and its files, where they are asked for.
fn handed_in(
    desk: &Desk<'_>,
    server: &Server,
    answer: Value,
    then: &Then,
    folder: &Path,
) -> Result<u8, ClientProblem> {
    let cli = desk.cli;
    if then.dry_run {
        if cli.json {
            say(&text::pretty(&json!({ "exit": READY, "checked": answer })));
        } else {
            for finding in answer
                .get("findings")
                .and_then(Value::as_array)
                .into_iter()
                .flatten()
            {
                let message = finding
                    .get("message")
                    .and_then(Value::as_str)
                    .unwrap_or_default();
                let _ = writeln!(std::io::stderr(), "{message}");
            }
            say("the service would take this job\n");
        }
        return Ok(READY);
    }
    let seen = server.job_of(answer)?;
    if !then.follow && then.out.is_none() {
        if cli.json {
            say(&text::pretty(&json!({ "exit": READY, "job": seen.told })));
        } else {
            say(&format!("{}\n", seen.id));
        }
        return Ok(READY);
    }
    if !cli.json {
        let _ = writeln!(std::io::stderr(), "job {}", seen.id);
    }
    let seen = desk.follow(server, seen.id)?;
    let fetched = match then.out.as_deref() {
        Some(out) if has_files(desk, server, &seen)? => {
            desk.fetch(server, seen.id, out, folder)?;
            Some((out, true))
        }
        Some(out) => Some((out, false)),
        None => None,
    };
    Ok(ended(cli, &seen, fetched))
}

fn has_files(desk: &Desk<'_>, server: &Server, seen: &Seen) -> Result<bool, ClientProblem> {
    Ok(!desk.wait(server.files(seen.id))?.is_empty())
}

fn ended(cli: &Cli, seen: &Seen, out: Option<(&Path, bool)>) -> u8 {
    let exit = match seen.replaced_by {
        Some(_) => ACT,
        None => exit_of(seen.state),
    };
    if cli.json {
        let out = out.filter(|(_, replaced)| *replaced);
        let out = out.map(|(out, _)| out.display().to_string());
        say(&text::pretty(
            &json!({ "exit": exit, "job": seen.told, "out": out }),
        ));
        return exit;
    }
    let sentence = seen.sentence.as_deref().filter(|s| !s.is_empty());
    let sentence = sentence.map(|s| format!(": {s}")).unwrap_or_default();
    say(&format!("{} is {}{sentence}\n", seen.name, seen.state));
    if let Some(newer) = seen.replaced_by {
        say(&format!(
            "It was replaced by {newer}: its programs are stale, do not run them.\n"
        ));
    }
    match out {
        Some((out, true)) => say(&format!("written to {}\n", out.display())),
        Some((out, false)) => say(&format!("{} is as it was.\n", out.display())),
        None => {}
    }
    exit
}

fn exit_of(state: JobState) -> u8 {
    match state {
        JobState::Ready | JobState::Queued | JobState::Running => READY,
        JobState::Withheld => ACT,
        JobState::Failed => FAILED,
        JobState::Cancelled => CANCELLED,
    }
}

fn told(cli: &Cli, problem: &ClientProblem) -> u8 {
    let exit = match problem {
        ClientProblem::Usage(_) => USAGE,
        // A token that is missing or not good enough.
        ClientProblem::Refused {
            status: 401 | 403, ..
        } => USAGE,
        ClientProblem::Refused { .. } | ClientProblem::Input(_) | ClientProblem::Stale { .. } => {
            ACT
        }
        ClientProblem::Output(OutputProblem::Disk { .. }) => FAILED,
        ClientProblem::Output(_) => USAGE,
        ClientProblem::Cancelled => CANCELLED,
        ClientProblem::Away { .. }
        | ClientProblem::Server { .. }
        | ClientProblem::Damaged { .. } => FAILED,
    };
    let ClientProblem::Refused {
        detail, problems, ..
    } = problem
    else {
        complain(cli, &problem.to_string(), exit);
        return exit;
    };
    if cli.json {
        say(&text::pretty(
            &json!({ "exit": exit, "error": detail, "problems": problems }),
        ));
        return exit;
    }
    complain(cli, detail, exit);
    for problem in problems {
        let _ = writeln!(std::io::stderr(), "  {problem}");
    }
    exit
}
