//! The service and its client as people run them: the real binary, and other programs beside it.

// The whole binary is a test; the lints' leave for tests covers marked functions only.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]
// Tests write files and read the clock.
#![allow(clippy::disallowed_methods)]
// A test that is skipped says so, one with seeds says which.
#![allow(clippy::print_stdout)]

// What the tests of the service crate share; these need a part of it.
#[allow(dead_code)]
#[path = "../../../service/tests/service/databases.rs"]
mod databases;
#[allow(dead_code)]
#[path = "../../../service/tests/service/help.rs"]
mod help;
#[allow(dead_code)]
#[path = "../../../service/tests/service/http_help.rs"]
mod http_help;
#[path = "../../../service/tests/service/in_process.rs"]
mod in_process;
#[allow(dead_code)]
#[path = "../../../service/tests/service/postgres.rs"]
mod postgres;

mod backup;
mod client;
mod http_page;
mod killed;
mod load;
mod operations;
mod page;
mod readme;
mod security;
mod security_told;
mod settings;
