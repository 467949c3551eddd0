//! Native plugins' process and store: every way of going wrong ends within its limit, in its own word, and leaves nothing behind.

// The whole binary is a test; the lints' leave for tests covers marked functions only.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod child;
mod store;
