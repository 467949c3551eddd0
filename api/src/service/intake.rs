//! What is handed in becomes jobs: files checked, missing ones taken from the operator's folders, documents read, all problems told
//! at once, files stored first and then the rows.

use super::Shared;
use super::model::{Job, JobId, Source, When};
use super::store::Idempotency;
use grainway_pipeline::finding::Finding;
use std::collections::BTreeMap;

/// A job as handed in.
#[derive(Clone, Debug, Default)]
pub struct Handed {
    /// File name → bytes. Names obey [`safe_name`] in each of their parts.
    pub files: BTreeMap<String, bytes::Bytes>,
    /// Which of them is the job document; `job.json` when not said, or the only `.json` that has the job's format.
    pub document: Option<String>,
    /// -100 to 100.
    pub priority: i32,
    /// Not before, milliseconds since 1970.
    pub not_before: Option<i64>,
    /// In which hours.
    pub when: When,
    /// Jobs handed in together carry the same word.
    pub batch: Option<String>,
    /// The job whose programs become stale.
    pub replaces: Option<JobId>,
    /// How it came in.
    pub source: Option<Source>,
    /// Who handed it in: a token's id.
    pub by: Option<String>,
}

/// Why something was not taken.
#[derive(Debug, thiserror::Error)]
pub enum Refusal {
    /// The documents have faults: all of them.
    #[error("the job's documents have {} faults", .0.len())]
    Documents(Vec<Finding>),
    /// Something else of the request is wrong: one sentence with a pointer.
    #[error("{message}")]
    Request {
        /// JSON Pointer or file name.
        at: String,
        /// What and what to do.
        message: String,
    },
    /// The idempotency key was used for another request.
    #[error("the key was used for another request")]
    OtherRequest,
    /// The queue is full.
    #[error("{waiting} jobs wait or run, as many as this server takes")]
    Full {
        /// How many.
        waiting: u64,
    },
    /// The store.
    #[error(transparent)]
    Store(#[from] super::store::StoreProblem),
    /// The files.
    #[error(transparent)]
    Files(#[from] super::files::FilesProblem),
}

/// What was taken.
#[derive(Clone, Debug)]
pub struct Taken {
    /// The jobs, in the order handed in.
    pub jobs: Vec<Job>,
    /// The same request had come before.
    pub before: bool,
    /// Warnings and notes on the documents, by job.
    pub findings: Vec<Vec<Finding>>,
}

/// Checks and takes jobs, all or none. With `dry_run` nothing is stored and `jobs` is empty.
pub async fn take(
    _shared: &Shared,
    _handed: Vec<Handed>,
    _idempotency: Option<Idempotency>,
    _dry_run: bool,
) -> Result<Taken, Refusal> {
    Err(Refusal::Request {
        at: String::new(),
        message: "not built in yet".to_string(),
    })
}

/// One part of a name that a client may give: `[A-Za-z0-9._-]{1,80}`, no leading point.
pub fn safe_name(name: &str) -> bool {
    (1..=80).contains(&name.len())
        && !name.starts_with('.')
        && name
            .bytes()
            .all(|b| b.is_ascii_alphanumeric() || matches!(b, b'.' | b'_' | b'-'))
}
