//! The service and its client.

// The whole binary is a test; the lints' leave for tests covers marked functions only.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]
// Tests write files and read the clock.
#![allow(clippy::disallowed_methods)]

mod client;
mod help;
mod hooks;
mod operations;
mod sender;
