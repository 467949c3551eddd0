//! Whole-job tests in one binary: one link instead of a dozen.
//!
//! Tests whose names hold `slow` are left out of `./test quick`.

// The whole binary is a test; the lints' leave for tests covers marked functions only.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::print_stdout
)]

mod altered;
mod claims;
mod cutting_sheet;
mod density;
mod dxf_against_ezdxf;
mod failing_shapes;
#[cfg(feature = "service")]
mod fuzz_smoke;
mod hand_changes;
mod holding;
mod joints;
mod layouts;
mod manuals;
mod minutes;
mod mutants;
mod named_lengths;
mod nights;
mod nist_rules;
mod numbers;
mod paper;
mod pen;
mod regions_against_geos;
mod restarts;
mod sabotage;
mod samples;
mod sets;
mod told;
mod turned;
