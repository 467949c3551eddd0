//! The grainway command.
fn main() {}
