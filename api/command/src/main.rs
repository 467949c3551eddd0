//! The command line. Results go to standard output, findings and progress to standard error; the exit code says how it ended.

mod client;
mod dialects;
mod operate;
mod plugins;
mod progress;
mod quote;
mod service;
mod text;
mod token;
mod watch;

use crate::progress::TerminalProgress;
use clap::{Parser, Subcommand, ValueEnum};
use grainway_pipeline::doc::{Unit, schema_job, schema_night, schema_shop};
use grainway_pipeline::finding::Finding;
use grainway_pipeline::stage::Cancel;
use grainway_runner::{
    Failure, JOB_PROCESS, MadeJob, MakeRequest, Registries, VerifyRequest, job_process, make,
    verify,
};
use grainway_stages::report::{JobVerdict, schema_report};
use serde_json::{Value, json};
use std::io::Write;
use std::path::PathBuf;
use std::process::ExitCode;
use std::sync::Arc;

/// Turns job documents into verified router programs, setup sheets and lists.
///
/// Exit codes: 0 ready; 1 the user must act; 2 bad usage; 3 failed; 130 cancelled.
#[derive(Parser, Debug)]
#[command(name = "grainway", version, about)]
struct Cli {
    /// Print one JSON document on standard output instead of text.
    #[arg(long, global = true)]
    json: bool,
    /// Number of threads; one for each processor when left out.
    #[arg(long, global = true, value_name = "N", value_parser = clap::value_parser!(u16).range(1..=256))]
    threads: Option<u16>,
    /// The folder of installed plugins. Native libraries are loaded from there only.
    #[arg(long, global = true, value_name = "DIR", env = "GRAINWAY_PLUGINS")]
    plugins: Option<PathBuf>,
    #[command(subcommand)]
    command: Command,
}

#[derive(Subcommand, Debug)]
enum Command {
    /// Make programs, sheets and lists of a job, or of a night: jobs that share boards.
    Make {
        /// The job or night document.
        job: PathBuf,
        /// The output folder; what it held before is removed.
        #[arg(long, value_name = "DIR")]
        out: PathBuf,
        /// Keep the boards of a night that was made in this folder, where no piece on them changed: their layout and their programs.
        #[arg(long, value_name = "DIR")]
        keep: Option<PathBuf>,
        /// Save the work after every stage into this folder.
        #[arg(long, value_name = "DIR")]
        save_work: Option<PathBuf>,
        /// Continue from a state that --save-work wrote.
        #[arg(long, value_name = "STATE")]
        from: Option<PathBuf>,
    },
    /// Plan and verify a job or a night, print its findings and write no files.
    Check {
        /// The job or night document.
        job: PathBuf,
    },
    /// Print what a job, or the jobs of a parts list, cost by the shop's prices: wood, boards, hours, price.
    ///
    /// Everything is planned and checked as `check` does, and no files are written. Exit code 1 also where there is no price.
    Quote(quote::Quote),
    /// Make a job again whenever a file of it changes, tell what changed, and show its setup sheet on a page of this machine.
    ///
    /// For looking while the job is written: what is made goes when the watch ends, by an interrupt. Programs for the machine come from
    /// `grainway make`. With --json each make is one line.
    Watch {
        /// The job document.
        job: PathBuf,
        /// The port of the page, on 127.0.0.1 alone; 0 takes a free one.
        #[arg(long, value_name = "PORT", default_value_t = 0)]
        port: u16,
    },
    /// Check program texts against a job.
    Verify {
        /// The program files; those of one setup in the order in which they run.
        #[arg(required = true, value_name = "PROGRAM")]
        programs: Vec<PathBuf>,
        /// The job document.
        #[arg(long)]
        job: PathBuf,
        /// The setup that the programs belong to, when their file names are not the planned ones.
        #[arg(long, value_name = "ID")]
        setup: Option<String>,
        /// The programs were edited by hand: check that they are safe, not that they equal the plan.
        #[arg(long)]
        edited: bool,
    },
    /// List the stages with their settings.
    Stages,
    /// List the dialects with the properties each asks of a controller.
    Dialects {
        #[command(subcommand)]
        which: Option<dialects::Which>,
    },
    /// Add, list, remove and roll back plugins.
    #[command(subcommand)]
    Plugins(plugins::Plugins),
    #[command(flatten)]
    Client(client::Client),
    #[command(flatten)]
    Operate(operate::Operate),
    #[command(flatten)]
    Service(service::Service),
    /// Make, list and remove access tokens of the service.
    #[command(subcommand)]
    Token(token::Token),
    /// Print the JSON Schema of a document.
    Schema {
        /// Which document.
        document: Document,
    },
}

#[derive(Clone, Copy, Debug, ValueEnum)]
enum Document {
    Job,
    Night,
    Shop,
    Report,
    Dialect,
    List,
    Openapi,
    Serve,
}

const READY: u8 = 0;
const ACT: u8 = 1;
const USAGE: u8 = 2;
const FAILED: u8 = 3;
const CANCELLED: u8 = 130;

fn main() -> ExitCode {
    let mut arguments = std::env::args_os().skip(1);
    if arguments.next().is_some_and(|a| a == JOB_PROCESS) {
        return job_process(arguments);
    }
    // Panics end as findings; their text helps nobody at the machine. Developers ask for it.
    if std::env::var_os("RUST_BACKTRACE").is_none() {
        std::panic::set_hook(Box::new(|_| {}));
    }
    let cli = match Cli::try_parse() {
        Ok(cli) => cli,
        Err(e) => {
            let _ = e.print();
            return ExitCode::from(if e.use_stderr() { USAGE } else { READY });
        }
    };
    // Commands on plugins must work when a plugin does not.
    let registries = match &cli.command {
        Command::Plugins(_)
        | Command::Client(_)
        | Command::Operate(_)
        | Command::Service(_)
        | Command::Token(_) => Ok(Registries::built_in()),
        _ => plugins::registries(&cli),
    };
    ExitCode::from(match registries {
        Ok(registries) => run(&cli, &registries),
        Err(problem) => plugins::complain_of(&cli, &problem),
    })
}

fn run(cli: &Cli, registries: &Registries) -> u8 {
    // A service makes its jobs elsewhere.
    if let Command::Service(command) = &cli.command {
        return service::main(cli, command);
    }
    let mut pool = rayon::ThreadPoolBuilder::new();
    if let Some(n) = cli.threads {
        pool = pool.num_threads(usize::from(n));
    }
    match pool.build() {
        Ok(pool) => {
            let run = std::panic::AssertUnwindSafe(|| pool.install(|| dispatch(cli, registries)));
            std::panic::catch_unwind(run).unwrap_or_else(|_| {
                complain(cli, "grainway failed inside; nothing was released", FAILED);
                FAILED
            })
        }
        Err(e) => {
            complain(cli, &format!("threads cannot be started: {e}"), FAILED);
            FAILED
        }
    }
}

fn dispatch(cli: &Cli, registries: &Registries) -> u8 {
    match &cli.command {
        Command::Make {
            job,
            out,
            keep,
            save_work,
            from,
        } => made(
            cli,
            registries,
            &MakeRequest {
                job: job.clone(),
                out: Some(out.clone()),
                keep: keep.clone(),
                save_work: save_work.clone(),
                from: from.clone(),
                ..MakeRequest::default()
            },
        ),
        Command::Check { job } => made(
            cli,
            registries,
            &MakeRequest {
                job: job.clone(),
                ..MakeRequest::default()
            },
        ),
        Command::Quote(quote) => quote::run(cli, registries, quote),
        Command::Watch { job, port } => watch::run(cli, registries, job, *port),
        Command::Verify {
            programs,
            job,
            setup,
            edited,
        } => verified(
            cli,
            registries,
            &VerifyRequest {
                programs: programs.clone(),
                job: job.clone(),
                setup: setup.clone(),
                edited: *edited,
            },
        ),
        Command::Plugins(command) => plugins::run(cli, command),
        Command::Client(command) => client::run(cli, command),
        Command::Operate(command) => operate::run(cli, command),
        Command::Service(command) => service::main(cli, command),
        Command::Token(command) => token::run(cli, command),
        Command::Stages => show(cli, &stages(registries), text::stages),
        Command::Dialects { which } => dialects::run(cli, registries, which.as_ref()),
        Command::Schema { document } => {
            let schema = match document {
                Document::Job => schema_job(),
                Document::Night => schema_night(),
                Document::Shop => schema_shop(),
                Document::Report => schema_report(),
                Document::Dialect => grainway_dialects::schema(),
                Document::Openapi => grainway_service::http::openapi_document(),
                Document::Serve => grainway_service::config::schema_serve(),
                Document::List => grainway_service::parts_list::schema_list(),
            };
            show(cli, &schema, text::pretty)
        }
    }
}

/// Writes to standard output; a reader that went away is no failure.
fn say(text: &str) {
    let _ = std::io::stdout().write_all(text.as_bytes());
}

fn show(cli: &Cli, value: &Value, as_text: fn(&Value) -> String) -> u8 {
    say(&if cli.json {
        text::pretty(value)
    } else {
        as_text(value)
    });
    READY
}

fn complain(cli: &Cli, message: &str, exit: u8) {
    if cli.json {
        say(&text::pretty(&json!({ "exit": exit, "error": message })));
    } else {
        let _ = writeln!(std::io::stderr(), "grainway: {message}");
    }
}

/// Several things that are wrong with what was given.
fn complain_all(cli: &Cli, message: &str, findings: &[Finding], exit: u8) {
    if cli.json {
        say(&text::pretty(
            &json!({ "exit": exit, "error": message, "findings": findings }),
        ));
        return;
    }
    complain(cli, message, exit);
    for finding in findings {
        let _ = writeln!(std::io::stderr(), "  {finding}");
    }
}

/// A flag that an interrupt sets.
fn interrupted() -> Arc<Cancel> {
    let cancel = Arc::new(Cancel::default());
    let flag = Arc::clone(&cancel);
    // Only the first handler of a process counts; a second run in the same process keeps it.
    let _ = ctrlc::set_handler(move || flag.set());
    cancel
}

fn failed(cli: &Cli, failure: &Failure) -> u8 {
    let exit = match failure {
        Failure::Usage(_) => USAGE,
        Failure::Cancelled => CANCELLED,
        Failure::Failed(_) | Failure::NoProcess(_) => FAILED,
    };
    complain(cli, &failure.to_string(), exit);
    exit
}

fn verified(cli: &Cli, registries: &Registries, request: &VerifyRequest) -> u8 {
    let cancel = interrupted();
    let progress = TerminalProgress::new();
    let verified = verify(request, registries, &progress, &cancel);
    progress.clear();
    match verified {
        Ok(verified) => {
            let exit = if verified.passed { READY } else { ACT };
            if cli.json {
                say(&text::pretty(
                    &json!({ "exit": exit, "verified": verified }),
                ));
            } else {
                say(&text::verified(&verified));
            }
            exit
        }
        Err(failure) => failed(cli, &failure),
    }
}

fn made(cli: &Cli, registries: &Registries, request: &MakeRequest) -> u8 {
    let cancel = interrupted();
    let progress = TerminalProgress::new();
    let made = make(request, registries, &progress, &cancel);
    progress.clear();
    match made {
        Ok(made) => {
            let exit = exit_of(&made);
            if cli.json {
                let out = request.out.as_ref().filter(|_| made.replaced);
                let out = out.map(|o| o.display().to_string());
                say(&text::pretty(
                    &json!({ "exit": exit, "out": out, "report": made.report }),
                ));
            } else {
                let machine = made.report.machine.as_ref();
                let unit = machine.map_or(Unit::Mm, |m| m.program_unit);
                for finding in &made.report.findings {
                    let _ = writeln!(std::io::stderr(), "{}", finding.line_in(unit));
                }
                let out = request.out.as_deref().filter(|_| made.replaced);
                say(&text::summary(&made.report, out));
                if let (Some(out), false) = (&request.out, made.replaced) {
                    say(&format!("{} is as it was.\n", out.display()));
                }
            }
            exit
        }
        Err(failure) => failed(cli, &failure),
    }
}

fn exit_of(made: &MadeJob) -> u8 {
    match made.report.verdict {
        JobVerdict::Ready => READY,
        JobVerdict::Withheld | JobVerdict::Refused => ACT,
        JobVerdict::Failed => FAILED,
    }
}

fn stages(registries: &Registries) -> Value {
    registries
        .stages
        .iter()
        .map(|s| {
            let a = s.about();
            json!({
                "name": a.name, "version": a.version, "summary": a.summary, "needs": a.needs, "gives": a.gives,
                "spoils": a.spoils, "settings": a.example, "schema": a.schema,
            })
        })
        .collect()
}
