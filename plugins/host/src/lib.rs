//! Native plugins: loading them, calling them, and the run that shows whether one behaves.
//!
//! Native code belongs in a process that holds one job: what is here loads into the process that calls it.

pub mod conformance;
pub mod library;
pub(crate) mod native;
pub mod programs;

pub use conformance::{Conformance, Row, Verdict};
pub use library::{Library, LibraryAbout, LoadError, load};
