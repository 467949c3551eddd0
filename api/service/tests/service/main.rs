//! The service, without the command: in this process, with the process of a job from `job_process.rs`.

// The whole binary is a test; the lints' leave for tests covers marked functions only.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]
// Tests write files and read the clock.
#![allow(clippy::disallowed_methods)]
// A test that is skipped says so, one with seeds says which.
#![allow(clippy::print_stdout)]

mod databases;
mod files_run;
mod help;
mod hooks;
mod http;
mod http_contents;
mod http_events;
mod http_files;
mod http_fuzz;
mod http_help;
mod http_openapi;
mod http_security;
mod http_socket;
mod in_process;
mod manage;
mod night;
mod parts_list;
mod parts_list_http;
mod parts_list_office;
mod parts_list_workbook;
mod postgres;
mod sender;
mod store_cases;
mod store_commands;
mod store_disks;
mod store_faults;
mod store_model;
mod store_open;
mod store_outages;
mod store_races;
mod store_run;
mod store_tokens;
mod sweep;
mod watched_folder;
mod worker;
