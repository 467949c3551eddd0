//! Prints the time below the safe height of the samples and of cutting sheets against its bound, without building the service.
#![allow(clippy::print_stdout, reason = "a bench prints")]

use grainway_tests::minutes;

fn main() -> Result<(), String> {
    for line in minutes::lines()?.into_iter().chain(minutes::order_lines()) {
        println!("{line}");
    }
    Ok(())
}
