//! Runs the conformance run over one library, in this process, and prints what it found:
//!
//!     cargo run --release -p grainway-host --example conformance -- LIBRARY [--json] [--seconds N]
//!
//! Ends with 0 when no check failed, with 1 when one did. A library that takes this process along has failed as well.
#![allow(clippy::print_stdout, clippy::print_stderr, reason = "a command")]

use grainway_host::{Verdict, conformance};
use std::path::Path;
use std::process::ExitCode;
use std::time::Duration;

fn main() -> ExitCode {
    let (mut json, mut deadline, mut paths) = (false, conformance::DEADLINE, Vec::new());
    let mut arguments = std::env::args().skip(1);
    while let Some(a) = arguments.next() {
        match a.as_str() {
            "--json" => json = true,
            "--seconds" => match arguments.next().and_then(|n| n.parse().ok()) {
                Some(n) => deadline = Duration::from_secs(n),
                None => return usage(),
            },
            _ => paths.push(a),
        }
    }
    let [path] = paths.as_slice() else {
        return usage();
    };
    let found = conformance::run(Path::new(path), deadline);
    if !json {
        for row in &found.rows {
            let verdict = match row.verdict {
                Verdict::Passed => "passed ",
                Verdict::Failed => "FAILED ",
                Verdict::Skipped => "skipped",
            };
            println!(
                "{verdict} {:24} {:16} {}",
                row.subject, row.check, row.detail
            );
        }
        println!("digest {}", found.digest);
    } else {
        match serde_json::to_string(&found) {
            Ok(text) => println!("{text}"),
            Err(e) => eprintln!("the result cannot be printed: {e}"),
        }
    }
    // Not by returning: a thread that hangs in a library would be waited for by nobody, but its destructors might run.
    std::process::exit(i32::from(!found.passed()))
}

fn usage() -> ExitCode {
    eprintln!("usage: conformance LIBRARY [--json] [--seconds N]");
    ExitCode::from(2)
}
