//! `grainway watch`: a job made again with every change of its files, told here and shown on a page of this machine.

use super::{CANCELLED, Cli, FAILED, complain, failed, interrupted, say, text};
use crate::progress::TerminalProgress;
use grainway_pipeline::doc::Unit;
use grainway_pipeline::finding::Finding;
use grainway_runner::{Failure, Registries, Remade, Watch, machine_seconds};
use grainway_service::http::{Shown, ShownFolder, listen_here, serve_made};
use grainway_stages::report::JobVerdict;
use serde_json::json;
use std::path::Path;
use std::time::Duration;
use tokio::sync::watch;

/// How often the job's files are looked at. A change is taken up when it is as old as one look: savers write within less.
const LOOK: Duration = Duration::from_millis(250);

pub(super) fn run(cli: &Cli, registries: &Registries, job: &Path, port: u16) -> u8 {
    let cancel = interrupted();
    let mut watched = match Watch::new(job) {
        Ok(watched) => watched,
        Err(failure) => return failed(cli, &failure),
    };
    let (page, shown) = watch::channel(Shown::default());
    // The server ends with its runtime.
    let _runtime = match serve(cli, port, shown) {
        Ok(runtime) => runtime,
        Err(why) => {
            complain(cli, &format!("the page cannot be served: {why}"), FAILED);
            return FAILED;
        }
    };
    loop {
        let progress = TerminalProgress::new();
        let made = watched.make(registries, &progress, &cancel);
        progress.clear();
        match made {
            Ok(made) => {
                tell(cli, &made);
                page.send_modify(|shown| show(shown, &made));
            }
            Err(Failure::Cancelled) => return cancelled(cli),
            // The disk, or a plugin: what is changed next may go well.
            Err(failure) => {
                wrong(cli, &failure.to_string(), FAILED);
                page.send_modify(|shown| shown.stale = Some(format!("{failure}.")));
            }
        }
        while !watched.has_changed() {
            if cancel.is_set() {
                return cancelled(cli);
            }
            std::thread::sleep(LOOK);
        }
        page.send_modify(|shown| {
            shown.stale = Some("a file of the job has changed, and it is being made again.".into());
        });
    }
}

fn cancelled(cli: &Cli) -> u8 {
    wrong(cli, "cancelled", CANCELLED);
    CANCELLED
}

/// Told as elsewhere, but on one line.
fn wrong(cli: &Cli, message: &str, exit: u8) {
    match cli.json {
        true => say(&format!("{}\n", json!({ "exit": exit, "error": message }))),
        false => complain(cli, message, exit),
    }
}

fn serve(
    cli: &Cli,
    port: u16,
    shown: watch::Receiver<Shown>,
) -> std::io::Result<tokio::runtime::Runtime> {
    let runtime = tokio::runtime::Builder::new_multi_thread()
        .worker_threads(1)
        .enable_all()
        .build()?;
    let listener = runtime.block_on(listen_here(port))?;
    let address = format!("http://{}", listener.local_addr()?);
    say(&match cli.json {
        true => format!("{}\n", json!({ "listening": address })),
        false => format!("showing what is made on {address}\n"),
    });
    runtime.spawn(serve_made(listener, shown));
    Ok(runtime)
}

/// One line of what became of a make.
fn line(made: &Remade) -> String {
    let report = &made.report;
    let verdict = match report.verdict {
        JobVerdict::Ready => "ready",
        JobVerdict::Withheld => "withheld: act on the errors",
        JobVerdict::Refused => "refused: act on the errors",
        JobVerdict::Failed => "failed",
    };
    let counts = report.counts;
    let mut line = format!(
        "{}, make {}: {verdict}; {} errors, {} warnings, {} notes",
        report.job, made.number, counts.errors, counts.warnings, counts.notes
    );
    if let Some(now) = machine_seconds(report) {
        line += &format!("; about {} at the machine", text::duration(now));
        let more = now - made.seconds_before.unwrap_or(now);
        let by = text::duration(more.abs());
        match more.round() {
            m if m > 0.0 => line += &format!(", {by} more"),
            m if m < 0.0 => line += &format!(", {by} less"),
            _ => {}
        }
    }
    line
}

/// What is different from the make before, a line each.
fn changes(made: &Remade) -> Vec<String> {
    let machine = made.report.machine.as_ref();
    let unit = machine.map_or(Unit::Mm, |m| m.program_unit);
    let told = |word: &'static str| move |f: &Finding| format!("{word}: {}", f.line_in(unit));
    let appeared = made.appeared.iter().map(told("new"));
    appeared.chain(made.gone.iter().map(told("gone"))).collect()
}

fn tell(cli: &Cli, made: &Remade) {
    if !cli.json {
        let lines = std::iter::once(line(made)).chain(changes(made));
        return say(&lines.map(|l| l + "\n").collect::<String>());
    }
    let line = json!({
        "make": made.number, "verdict": made.report.verdict, "counts": made.report.counts,
        "seconds": machine_seconds(&made.report), "seconds-before": made.seconds_before,
        "new": made.appeared, "gone": made.gone,
    });
    say(&format!("{line}\n"));
}

fn show(shown: &mut Shown, made: &Remade) {
    shown.make = made.number;
    shown.line = line(made);
    shown.changes = changes(made);
    match &made.folder {
        Some(folder) => {
            shown.stale = None;
            shown.shown = Some(ShownFolder {
                make: made.number,
                files: made.report.files.keys().cloned().collect(),
                folder: folder.clone(),
            });
        }
        None => {
            shown.stale = Some(match &shown.shown {
                Some(former) => format!(
                    "make {} has nothing to show; what is shown is make {}, of files as they were before.",
                    made.number, former.make
                ),
                None => "there is nothing to show yet.".to_string(),
            });
        }
    }
}
