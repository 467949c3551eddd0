//! `grainway send`, `follow`, `fetch`, `cancel`: the service from elsewhere.

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
    /// A token of the service, where it wants one. The environment hides it from lists of processes.
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
    /// Hand a job to the service, with its shop and the drawings it names; what the folder does not have the service may.
    Send {
        /// The job document.
        job: PathBuf,
        #[command(flatten)]
        at: Where,
        /// -100 to 100; higher runs first.
        #[arg(long, value_name = "N", allow_negative_numbers = true, value_parser = clap::value_parser!(i32).range(*PRIORITIES.start() as i64..=*PRIORITIES.end() as i64))]
        priority: Option<i32>,
        /// When it may run: as soon as there is room, or in the operator's hours.
        #[arg(long, value_name = "WHEN", default_value = "any")]
        when: Moment,
        /// A word for jobs that belong together.
        #[arg(long, value_name = "WORD")]
        batch: Option<String>,
        /// The job whose programs become stale once this one is ready.
        #[arg(long, value_name = "ID")]
        replaces: Option<JobId>,
        /// Check only; nothing is kept.
        #[arg(long, conflicts_with_all = ["follow", "out"])]
        dry_run: bool,
        /// Wait for its end and tell it.
        #[arg(long)]
        follow: bool,
        /// Wait for its end and fetch what it made into this folder, which is replaced whole.
        #[arg(long, value_name = "DIR")]
        out: Option<PathBuf>,
    },
    /// Wait for the end of a job of the service.
    Follow {
        /// The job.
        id: JobId,
        #[command(flatten)]
        at: Where,
    },
    /// Fetch what a job of the service made.
    Fetch {
        /// The job.
        id: JobId,
        #[command(flatten)]
        at: Where,
        /// The folder to write; it is replaced whole.
        #[arg(long, value_name = "DIR")]
        out: PathBuf,
    },
    /// Stop a job of the service.
    Cancel {
        /// The job.
        id: JobId,
        #[command(flatten)]
        at: Where,
    },
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
            dry_run,
            follow,
            out,
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
                dry_run: *dry_run,
            };
            send(desk, &server, job, &options, *follow, out.as_deref())
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

fn send(
    desk: &Desk<'_>,
    server: &Server,
    job: &Path,
    options: &SendOptions,
    follow: bool,
    out: Option<&Path>,
) -> Result<u8, ClientProblem> {
    let cli = desk.cli;
    let collected = collect(job)?;
    if let Some(out) = out {
        // A folder that cannot be written is told before the work and not after it.
        grainway_runner::OutputFolder::claim(out, &collected.folder)?;
    }
    let bytes: usize = collected.files.values().map(|b| b.len()).sum();
    desk.progress.line(&format!(
        "sending {} files, {} KiB",
        collected.files.len(),
        bytes.div_ceil(1024)
    ));
    let answer = desk.wait(server.send(&collected, options));
    desk.progress.clear();
    let answer = answer?;
    if options.dry_run {
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
    if !follow && out.is_none() {
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
    let fetched = match out {
        Some(out) if has_files(desk, server, &seen)? => {
            desk.fetch(server, seen.id, out, &collected.folder)?;
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
    let exit = exit_of(seen.state);
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
        ClientProblem::Refused { .. } | ClientProblem::Input(_) => ACT,
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
