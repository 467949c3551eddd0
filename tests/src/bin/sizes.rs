//! Prints seconds and greatest memory of outlines of very many lines and of parts with very many holes, each in a process of its own:
//! `sizes`, or `sizes lines|holes COUNT` for one of them.
#![allow(clippy::print_stdout, reason = "a bench prints")]

use grainway_tests::sizes::{peak_kb, seconds};
use std::process::Command;

const SIZES: [(&str, usize); 6] = [
    ("lines", 1_250),
    ("lines", 5_000),
    ("lines", 20_000),
    ("holes", 1_250),
    ("holes", 5_000),
    ("holes", 10_000),
];

fn main() -> Result<(), String> {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    if let [what, count] = arguments.as_slice() {
        let count = count.parse().map_err(|e| format!("{count:?}: {e}"))?;
        let seconds = seconds(what, count)?;
        let memory = peak_kb() / 1000;
        println!("{count} {what}: {seconds:.2} s, {memory} MB at most");
        return Ok(());
    }
    let own = std::env::current_exe().map_err(|e| e.to_string())?;
    for (what, count) in SIZES {
        let mut child = Command::new(&own);
        let ended = child.args([what, &count.to_string()]).status();
        if !ended.map_err(|e| e.to_string())?.success() {
            return Err(format!("{count} {what} failed"));
        }
    }
    Ok(())
}
