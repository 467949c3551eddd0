//! Prints what the check costs: `speed`, `speed smoke`, or `speed stages copies|different|engraved COUNT` and
//! `speed stages SAMPLE` for the CPU seconds of each stage of one job.
#![allow(clippy::print_stdout, reason = "a bench prints")]

use grainway_tests::speed::{copies, cost, different, engraved, lines};
use grainway_tests::{load, sample};

fn main() -> Result<(), String> {
    let words: Vec<String> = std::env::args().skip(1).collect();
    let words: Vec<&str> = words.iter().map(String::as_str).collect();
    let loaded = match words.as_slice() {
        [] | ["smoke"] => {
            return lines(!words.is_empty(), &mut |line| println!("{line}"));
        }
        ["stages", name] => load(&sample(name))?,
        ["stages", what, count] => {
            let count = count.parse().map_err(|e| format!("{count:?}: {e}"))?;
            match *what {
                "copies" => copies(count)?,
                "different" => different(count)?,
                "engraved" => engraved(count)?,
                _ => return Err(format!("{what:?} is none of copies, different, engraved")),
            }
        }
        _ => return Err("usage: speed [smoke | stages SAMPLE | stages WHAT COUNT]".to_string()),
    };
    for (name, seconds) in cost(loaded)?.stages() {
        println!("{name:>10} {seconds:9.3} s");
    }
    Ok(())
}
