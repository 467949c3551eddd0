//! The words of the queue: what the API says of jobs, and what only the service says of them. Times are given by the caller.

pub use grainway_client::model::*;

use uuid::Uuid;

/// A job to be put into the queue. Its files are in the file store already.
#[derive(Clone, Debug)]
pub struct NewJob {
    /// Its id.
    pub id: JobId,
    /// What people call it.
    pub name: String,
    /// The job document among `files`.
    pub document: String,
    /// What was handed in.
    pub files: Vec<JobFile>,
    /// -100 to 100; higher runs first.
    pub priority: i32,
    /// Not before this time.
    pub not_before: Option<Millis>,
    /// In which hours.
    pub when: When,
    /// How it came in.
    pub source: Source,
    /// Jobs handed in together carry the same word.
    pub batch: Option<String>,
    /// The job whose programs are stale once this one is there.
    pub replaces: Option<JobId>,
    /// The short code that stands on its sheets and in its programs.
    pub code: String,
    /// Who handed it in: the token's id.
    pub by: Option<String>,
    /// Now.
    pub now: Millis,
}

/// The right to work on a job: valid while the row says the same owner and try.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Claim {
    /// The job.
    pub job: JobId,
    /// The process: a fresh UUID a start.
    pub owner: Uuid,
    /// Counts up with every claim.
    pub attempt: i64,
}

/// What became of a job.
#[derive(Clone, Debug)]
pub struct JobEnd {
    /// Ready, withheld, failed or cancelled.
    pub state: JobState,
    /// In figures.
    pub summary: Summary,
    /// The files, complete in the file store under `output`.
    pub files: Vec<JobFile>,
    /// Their folder's name, when there are any.
    pub output: Option<String>,
    /// It ended because its process was lost, once more.
    pub lost: bool,
}
