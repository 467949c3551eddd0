//! Whole-job tests in one binary: one link instead of a dozen.
//!
//! Tests whose names hold `slow` are left out of `./test quick`.

mod cutting_sheet;
mod holding;
mod samples;
