//! The documents of the HTTP API: jobs, their states, files and events. Times are milliseconds since 1970 in UTC.

use grainway_pipeline::doc::Money;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::fmt;
use std::str::FromStr;
use uuid::Uuid;

/// Milliseconds since 1970, UTC.
pub type Millis = i64;

/// The least and the greatest priority of a job; higher runs first.
pub const PRIORITIES: std::ops::RangeInclusive<i32> = -100..=100;

/// A job's id: a UUID whose text sorts by the time it was made (RFC 9562, version 7).
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(transparent)]
pub struct JobId(#[schemars(with = "String", extend("format" = "uuid"))] pub Uuid);

impl JobId {
    /// A fresh one.
    pub fn fresh() -> JobId {
        JobId(Uuid::now_v7())
    }
}

impl fmt::Display for JobId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.fmt(f)
    }
}

impl fmt::Debug for JobId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.fmt(f)
    }
}

impl FromStr for JobId {
    type Err = NotOne;

    fn from_str(text: &str) -> Result<JobId, NotOne> {
        Uuid::try_parse(text)
            .map(JobId)
            .map_err(|_| NotOne { what: "job id" })
    }
}

/// A text that is not what it should be.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
#[error("it is not a {what}")]
pub struct NotOne {
    /// What it should be.
    pub what: &'static str,
}

/// Where a job is. The last four are ends: a job enters one of them once and stays, unless a person retries it.
#[derive(
    Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema,
)]
#[serde(rename_all = "kebab-case")]
pub enum JobState {
    /// Waiting for a worker.
    Queued,
    /// A worker has it.
    Running,
    /// Its programs passed.
    Ready,
    /// Programs did not pass, or the job was refused: the user must act.
    Withheld,
    /// Something of ours, a plugin's or the disk's failed.
    Failed,
    /// Somebody stopped it.
    Cancelled,
}

impl JobState {
    /// All, in order.
    pub const ALL: [JobState; 6] = [
        JobState::Queued,
        JobState::Running,
        JobState::Ready,
        JobState::Withheld,
        JobState::Failed,
        JobState::Cancelled,
    ];

    /// Its word.
    pub fn word(self) -> &'static str {
        match self {
            JobState::Queued => "queued",
            JobState::Running => "running",
            JobState::Ready => "ready",
            JobState::Withheld => "withheld",
            JobState::Failed => "failed",
            JobState::Cancelled => "cancelled",
        }
    }

    /// Nothing more happens to it by itself.
    pub fn is_end(self) -> bool {
        !matches!(self, JobState::Queued | JobState::Running)
    }
}

impl fmt::Display for JobState {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.word())
    }
}

impl FromStr for JobState {
    type Err = NotOne;

    fn from_str(text: &str) -> Result<JobState, NotOne> {
        JobState::ALL
            .into_iter()
            .find(|s| s.word() == text)
            .ok_or(NotOne { what: "job state" })
    }
}

/// Which of a job's files.
#[derive(
    Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema,
)]
#[serde(rename_all = "kebab-case")]
pub enum Side {
    /// What was handed in.
    In,
    /// What was made.
    Out,
}

impl Side {
    /// Its word.
    pub fn word(self) -> &'static str {
        match self {
            Side::In => "in",
            Side::Out => "out",
        }
    }
}

/// One file of a job.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub struct JobFile {
    /// Name with `/` between folders, relative to the job: `programs/01-board-1.ngc`.
    pub name: String,
    /// Lower-case hexadecimal SHA-256 of its bytes.
    pub sha256: String,
    /// How many bytes.
    pub bytes: u64,
}

/// How a job came in.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Source {
    /// By a request with a job document.
    Api,
    /// From a parts list.
    List,
    /// From a watched folder.
    Folder,
    /// Made from another job of the queue: measured again, or parts remade.
    Again,
}

/// When a job may run.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum When {
    /// As soon as a worker is free.
    #[default]
    Any,
    /// In the operator's hours only.
    Hours,
}

/// A job of the queue.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub struct Job {
    /// Its id.
    pub id: JobId,
    /// What people call it.
    pub name: String,
    /// Where it is.
    pub state: JobState,
    /// The job document among its files.
    pub document: String,
    /// -100 to 100; higher runs first.
    pub priority: i32,
    /// Not before this time.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub not_before: Option<Millis>,
    /// In which hours.
    pub when: When,
    /// How it came in.
    pub source: Source,
    /// Jobs handed in together carry the same word.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub batch: Option<String>,
    /// The short code that stands on its sheets and in its programs.
    pub code: String,
    /// The job that this one replaces.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub replaces: Option<JobId>,
    /// The newer job whose programs are to be used instead: this one's are stale.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub replaced_by: Option<JobId>,
    /// When it came in.
    pub created: Millis,
    /// When a worker last took it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub started: Option<Millis>,
    /// When it ended.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub ended: Option<Millis>,
    /// How often its process was lost: it crashed, took too long, was killed, or its server ended without giving it back.
    pub attempts: u32,
    /// Those of them that count against the server's limit.
    #[serde(skip)]
    pub spent: u32,
    /// Somebody wants it stopped.
    pub cancel_wanted: bool,
    /// The stage at work, while it runs.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub stage: Option<String>,
    /// How it ended, in figures.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub summary: Option<Summary>,
    /// Counts up with every change: the entity tag.
    pub version: i64,
    /// The attempt whose files are the job's: a folder name in the file store.
    #[serde(skip)]
    pub output: Option<String>,
}

/// How a job ended, in figures and one sentence.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub struct Summary {
    /// One sentence for a list: why it was withheld, what failed, or what was made.
    pub sentence: String,
    /// The machine.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub machine: Option<String>,
    /// Pieces.
    #[serde(default)]
    pub parts: u32,
    /// Boards and blanks.
    #[serde(default)]
    pub boards: u32,
    /// Programs.
    #[serde(default)]
    pub programs: u32,
    /// Machine time, seconds.
    #[serde(default)]
    pub machine_seconds: f64,
    /// Findings: errors, warnings, notes.
    #[serde(default)]
    pub findings: [u32; 3],
    /// Wood by stock.
    #[serde(default)]
    pub stocks: Vec<StockUse>,
    /// What it costs; absent when its shop has no prices, or when not every piece could be planned. `costs` in report.json says of what.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub price: Option<JobPrice>,
}

/// The estimated price of a job.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub struct JobPrice {
    /// Amount, with two decimals at most.
    pub total: Money,
    /// The word that stands behind it, as the shop has it.
    pub currency: String,
    /// Everything that the job needs has a price; otherwise the amount is too low.
    pub complete: bool,
}

/// Wood that a job needs of one stock.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub struct StockUse {
    /// The stock's id.
    pub stock: String,
    /// Its kind of wood, where the documents say.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub wood: Option<String>,
    /// Thickness, mm.
    pub thickness_mm: f64,
    /// Boards or blanks.
    pub boards: u32,
    /// Their area, m².
    pub area_m2: f64,
}

/// What happened, for those who follow.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub struct Event {
    /// Counts up over all jobs; events are seen in this order, none is skipped.
    pub seq: i64,
    /// The job.
    pub job: JobId,
    /// When.
    pub at: Millis,
    /// What.
    pub what: EventKind,
    /// The state that it is in now.
    pub state: JobState,
}

/// Kinds of events.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum EventKind {
    /// It came in.
    Submitted,
    /// A worker took it.
    Started,
    /// Its process or its worker was lost; it will be repeated.
    Lost,
    /// It went back into the queue: a worker stopped, or somebody retried it.
    Returned,
    /// Somebody wants it stopped.
    CancelWanted,
    /// It ended.
    Ended,
    /// A newer job replaced it: its programs are stale.
    Stale,
}
