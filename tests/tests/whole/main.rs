//! Whole-job tests in one binary: one link instead of a dozen.
//!
//! Tests whose names hold `slow` are left out of `./test quick`.

mod cutting_sheet;
mod dxf_against_ezdxf;
mod failing_shapes;
mod holding;
mod regions_against_geos;
mod sabotage;
mod samples;
