//! The command as people run it: the real binary in a fresh folder, and runs in process where a moment must be met.

// The whole binary is a test; the lints' leave for tests covers marked functions only.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod bench;
mod dialects;
mod documents;
mod folders;
mod formats;
mod labels;
mod lengths;
mod nights;
mod plugins;
mod quote;
mod refused;
mod runs;
mod samples;
mod watch;
