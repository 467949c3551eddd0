//! Small jobs that once went wrong, each in a folder of `tests/cases`: what the chain makes of them now.

// The whole binary is a test; the lints' leave for tests covers marked functions only.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::disallowed_methods
)]

mod bands;
mod clearing;
mod documents;
mod holds;
mod piece_holds;
mod placing;
