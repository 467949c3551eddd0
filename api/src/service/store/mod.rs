//! The queue: one table of jobs with leases, in SQLite or PostgreSQL, the same code for both.
//!
//! Every write that belongs to a claim says `WHERE id AND state = 'running' AND attempt AND owner`; no row changed means that another
//! process has the job now, and what was made is dropped. Times are given by the caller.

pub mod webhooks;

use super::model::{Claim, Event, Job, JobEnd, JobFile, JobId, JobState, Millis, NewJob, Side};
use std::collections::BTreeMap;
use uuid::Uuid;

/// Where the queue is kept.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum StoreUrl {
    /// A file on this machine; only one server may have it open.
    Sqlite(std::path::PathBuf),
    /// `postgres://…`: several machines may share it.
    Postgres(String),
}

/// Why the queue could not answer.
#[derive(Debug, thiserror::Error)]
pub enum StoreProblem {
    /// It could not be reached, or broke off: whether a write took place is not known. Asking again may help.
    #[error("the job store cannot be reached: {0}")]
    Away(String),
    /// It is held by another server.
    #[error(
        "{0} is in use by another grainway server; stop that one first, or give this one a store of its own"
    )]
    InUse(String),
    /// It was made by a newer grainway.
    #[error(
        "the job store has format {found}, this grainway knows up to {known}; use a newer grainway"
    )]
    TooNew {
        /// Its format.
        found: i64,
        /// The newest that is known.
        known: i64,
    },
    /// The disk is full or cannot be written.
    #[error("the job store cannot be written: {0}")]
    Disk(String),
    /// Something of ours.
    #[error("the job store failed: {0}")]
    Failed(String),
}

/// An answer that is given again to the same request.
#[derive(Clone, Debug)]
pub struct Idempotency {
    /// The caller's key; keys of different callers do not meet.
    pub key: String,
    /// The caller: a token's id, or a word for those without.
    pub caller: String,
    /// SHA-256 of what was asked.
    pub request_sha256: String,
}

/// What became of a submission.
#[derive(Clone, Debug)]
pub enum Submitted {
    /// They are in the queue now.
    New(Vec<Job>),
    /// The same request came before: these jobs, as they are now.
    Before(Vec<Job>),
    /// The key was used for another request.
    OtherRequest,
    /// The queue holds as many jobs as it may.
    Full {
        /// How many wait or run.
        waiting: u64,
    },
}

/// Which jobs to list, newest first.
#[derive(Clone, Debug, Default)]
pub struct JobFilter {
    /// In these states; all when empty.
    pub states: Vec<JobState>,
    /// Of this batch.
    pub batch: Option<String>,
    /// Ended at or after.
    pub ended_from: Option<Millis>,
    /// Ended before.
    pub ended_to: Option<Millis>,
    /// Older than this job: the last of the page before.
    pub before: Option<JobId>,
    /// At most so many, 1 to 1000.
    pub limit: u32,
}

/// What a renewal found.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Renewed {
    /// The claim holds.
    Held {
        /// Somebody wants the job stopped.
        cancel_wanted: bool,
    },
    /// Another process has the job: stop, and drop what was made.
    Replaced,
}

/// What became of a change that a person asked for.
#[derive(Clone, Debug)]
pub enum Changed {
    /// Done; the job as it is now.
    Yes(Box<Job>),
    /// There is no such job.
    NoSuchJob,
    /// It has another version than the caller saw; the job as it is now.
    OtherVersion(Box<Job>),
    /// Its state does not allow it; the job as it is now.
    NotNow(Box<Job>),
}

/// A job that was claimed.
#[derive(Clone, Debug)]
pub struct Claimed {
    /// The right to work on it.
    pub claim: Claim,
    /// The job.
    pub job: Job,
    /// Its files.
    pub files: Vec<JobFile>,
}

/// The queue.
#[derive(Clone)]
pub struct Store {}

impl Store {
    /// Opens it, makes or brings up to date its tables, and holds it: an SQLite file is locked for as long as the store is open.
    pub async fn open(_url: &StoreUrl) -> Result<Store, StoreProblem> {
        Err(unbuilt())
    }

    /// A short word for the log, without passwords.
    pub fn shown(&self) -> String {
        String::new()
    }

    /// Only this process can have it open, so what runs at the start is lost.
    pub fn is_embedded(&self) -> bool {
        true
    }

    /// Puts jobs into the queue, all or none, with their files, events and the answer's key in one transaction. Jobs that they
    /// replace become stale in the same transaction. At most `most` jobs may wait or run.
    pub async fn submit(
        &self,
        _jobs: &[NewJob],
        _idempotency: Option<&Idempotency>,
        _most: u64,
    ) -> Result<Submitted, StoreProblem> {
        Err(unbuilt())
    }

    /// One job.
    pub async fn job(&self, _id: JobId) -> Result<Option<Job>, StoreProblem> {
        Err(unbuilt())
    }

    /// Jobs, newest first.
    pub async fn jobs(&self, _filter: &JobFilter) -> Result<Vec<Job>, StoreProblem> {
        Err(unbuilt())
    }

    /// How many jobs are in each state.
    pub async fn counts(&self) -> Result<BTreeMap<JobState, u64>, StoreProblem> {
        Err(unbuilt())
    }

    /// A job's files of one side, by name.
    pub async fn files(&self, _id: JobId, _side: Side) -> Result<Vec<JobFile>, StoreProblem> {
        Err(unbuilt())
    }

    /// Takes the next job: highest priority first, then oldest. Jobs for the operator's hours only when `hours` is true.
    pub async fn claim(
        &self,
        _owner: Uuid,
        _now: Millis,
        _lease_until: Millis,
        _hours: bool,
    ) -> Result<Option<Claimed>, StoreProblem> {
        Err(unbuilt())
    }

    /// Renews a lease and notes the stage at work.
    pub async fn renew(
        &self,
        _claim: &Claim,
        _lease_until: Millis,
        _stage: Option<&str>,
    ) -> Result<Renewed, StoreProblem> {
        Err(unbuilt())
    }

    /// Ends a claimed job: state, files, summary and event in one transaction. `false`: the claim no longer held, nothing changed.
    pub async fn complete(
        &self,
        _claim: &Claim,
        _end: &JobEnd,
        _now: Millis,
    ) -> Result<bool, StoreProblem> {
        Err(unbuilt())
    }

    /// Puts a claimed job back. `spent` counts the attempt against it.
    pub async fn give_back(
        &self,
        _claim: &Claim,
        _spent: bool,
        _not_before: Option<Millis>,
        _now: Millis,
    ) -> Result<bool, StoreProblem> {
        Err(unbuilt())
    }

    /// Puts running jobs back that nobody works on any more: all of them on an embedded store at the start (`at_start`), else those
    /// whose lease ran out. Nothing is spent; a job lost more than once waits longer each time, up to a minute.
    pub async fn take_up(&self, _now: Millis, _at_start: bool) -> Result<Vec<JobId>, StoreProblem> {
        Err(unbuilt())
    }

    /// Stops a job: one that waits ends at once, one that runs is stopped by its worker.
    pub async fn cancel(
        &self,
        _id: JobId,
        _version: Option<i64>,
        _now: Millis,
    ) -> Result<Changed, StoreProblem> {
        Err(unbuilt())
    }

    /// Puts a failed, withheld or cancelled job back with its attempts forgotten. What it made before is dropped.
    pub async fn retry(
        &self,
        _id: JobId,
        _version: Option<i64>,
        _now: Millis,
    ) -> Result<Changed, StoreProblem> {
        Err(unbuilt())
    }

    /// Events after `seq`, in order, of one job or of all.
    pub async fn events(
        &self,
        _after: i64,
        _job: Option<JobId>,
        _limit: u32,
    ) -> Result<Vec<Event>, StoreProblem> {
        Err(unbuilt())
    }

    /// The last event's number; 0 when there is none.
    pub async fn last_event(&self) -> Result<i64, StoreProblem> {
        Err(unbuilt())
    }

    /// Forgets up to `limit` jobs that ended before `before`, with their events and keys. Their files are to be removed afterwards.
    pub async fn prune(&self, _before: Millis, _limit: u32) -> Result<Vec<JobId>, StoreProblem> {
        Err(unbuilt())
    }

    /// Which of these jobs there are, each with the folder of its output. For sweeping the file store.
    pub async fn known(&self, _ids: &[JobId]) -> Result<BTreeMap<JobId, KnownJob>, StoreProblem> {
        Err(unbuilt())
    }

    /// Writes and reads back a row of its own: for readiness and `doctor`.
    pub async fn probe(&self, _now: Millis) -> Result<(), StoreProblem> {
        Err(unbuilt())
    }

    /// Lets go of it in good order.
    pub async fn close(self) {}
}

/// What a sweep needs to know of a job.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct KnownJob {
    /// Its state.
    pub state: JobState,
    /// The folder of its output.
    pub output: Option<String>,
}

fn unbuilt() -> StoreProblem {
    StoreProblem::Failed("not built in yet".to_string())
}
