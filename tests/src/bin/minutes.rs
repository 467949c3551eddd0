//! Prints the time below the safe height of the samples and of cutting sheets against its bound, without building the service.
#![allow(clippy::print_stdout, reason = "a bench prints")]

fn main() -> Result<(), String> {
    for line in grainway_tests::minutes::lines()? {
        println!("{line}");
    }
    Ok(())
}
