//! The targets' functions, taken in as a file from the tests' crate, which itself depends on far more than they need.

#[path = "../../src/fuzz.rs"]
mod fuzz;

pub use fuzz::{TARGETS, dialect_file, drawing, job_json, plugin_boundary, program_reader};
