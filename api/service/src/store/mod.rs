//! The queue: one table of jobs with leases, in SQLite or PostgreSQL, the same code for both.
//!
//! Every write that belongs to a claim says `WHERE id AND state = 'running' AND attempt AND owner`; no row changed means that another
//! process has the job now, and what was made is dropped. Times are given by the caller.

mod commands;
mod open;
mod read;
mod rows;
mod schema;
pub mod tokens;
pub mod webhooks;
mod work;

use super::faults::{FaultPlan, Faults};
use super::model::{Claim, EventKind, Job, JobFile, JobId, JobState, Millis};
use rows::{JOB_COLUMNS, job_of};
use sqlx::{AnyConnection, AnyPool, AssertSqlSafe, Row};
use std::sync::Arc;
use std::time::Duration;

/// The longest that a call may take before the store counts as away. A renewal that hangs leaves time for another within a lease of
/// 30 s.
const LONGEST_CALL: Duration = Duration::from_secs(12);
/// The longest that a database may take to answer at all: a submission is answered within 3 s while it is away.
const LONGEST_REACH: Duration = Duration::from_millis(2_200);
/// Held by transactions of PostgreSQL that write events, so that their numbers become visible in order.
const EVENT_LOCK: &str = "SELECT pg_advisory_xact_lock(4750170219)";

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
pub struct Store {
    inner: Arc<Inner>,
    faults: FaultPlan,
}

struct Inner {
    /// One connection for SQLite, several for PostgreSQL.
    write: AnyPool,
    /// The same pool for PostgreSQL.
    read: AnyPool,
    embedded: bool,
    shown: String,
    /// Locked for as long as the store is open.
    _lock: Option<std::fs::File>,
}

type Result<T> = std::result::Result<T, StoreProblem>;

/// One write: all of it or nothing.
struct Write {
    tx: sqlx::Transaction<'static, sqlx::Any>,
    embedded: bool,
    locked: bool,
}

impl Write {
    fn on(&mut self) -> &mut AnyConnection {
        &mut self.tx
    }

    async fn done(self) -> Result<()> {
        Ok(self.tx.commit().await?)
    }

    async fn lock_events(&mut self) -> Result<()> {
        if !self.embedded && !self.locked {
            sqlx::query(EVENT_LOCK).execute(self.on()).await?;
            self.locked = true;
        }
        Ok(())
    }

    /// Tells what happened. On PostgreSQL the first event of a transaction takes a lock that is held to its end: what reads events
    /// after a number never misses one that was given its number earlier and became visible later.
    async fn event(
        &mut self,
        job: JobId,
        at: Millis,
        what: EventKind,
        state: JobState,
    ) -> Result<()> {
        self.lock_events().await?;
        sqlx::query("INSERT INTO event (job, at, what, state) VALUES ($1, $2, $3, $4)")
            .bind(job.to_string())
            .bind(at)
            .bind(rows::word(&what)?)
            .bind(state.word())
            .execute(self.on())
            .await?;
        Ok(())
    }

    /// Answers without a change. What was locked is free before the answer is out, not some time later.
    async fn undone<T>(self, answer: T) -> Result<T> {
        // A connection that cannot do this is dropped, which comes to the same.
        let _ = self.tx.rollback().await;
        Ok(answer)
    }

    async fn job(&mut self, id: JobId) -> Result<Option<Job>> {
        let sql = format!("SELECT {JOB_COLUMNS} FROM job WHERE id = $1");
        let row = sqlx::query(AssertSqlSafe(sql))
            .bind(id.to_string())
            .fetch_optional(self.on())
            .await?;
        row.as_ref().map(job_of).transpose()
    }
}

impl Store {
    /// Opens it, makes or brings up to date its tables, and holds it: an SQLite file is locked for as long as the store is open.
    pub async fn open(url: &StoreUrl) -> Result<Store> {
        open::open(url).await
    }

    /// The format of a store and the newest that is known, with nothing changed or made. 0: there are no tables yet.
    pub async fn format(url: &StoreUrl) -> Result<(i64, i64)> {
        Ok((open::format(url).await?, schema::MIGRATIONS.len() as i64))
    }

    /// The same store, whose calls fail as a test wants.
    pub fn failing(mut self, faults: Arc<dyn Faults>) -> Store {
        self.faults = FaultPlan(Some(faults));
        self
    }

    /// A call that does not come back in time leaves the store for away.
    async fn call<T>(
        &self,
        name: &'static str,
        call: impl Future<Output = Result<T>>,
    ) -> Result<T> {
        let within = async {
            tokio::time::timeout(LONGEST_CALL, call)
                .await
                .unwrap_or_else(|_| {
                    let seconds = LONGEST_CALL.as_secs();
                    Err(StoreProblem::Away(format!("no answer within {seconds} s")))
                })
        };
        self.faults.around(name, StoreProblem::Away, within).await
    }

    /// A short word for the log, without passwords.
    pub fn shown(&self) -> String {
        self.inner.shown.clone()
    }

    /// Only this process can have it open, so what runs at the start is lost.
    pub fn is_embedded(&self) -> bool {
        self.inner.embedded
    }

    async fn begin(&self) -> Result<Write> {
        let tx = match self.inner.embedded {
            // A transaction that reads first and then wants to write would fail busy in spite of the time-out.
            true => self.inner.write.begin_with("BEGIN IMMEDIATE").await?,
            false => self.inner.write.begin().await?,
        };
        Ok(Write {
            tx,
            embedded: self.inner.embedded,
            locked: false,
        })
    }

    /// Writes and reads back a row of its own: for readiness and `doctor`.
    pub async fn probe(&self, now: Millis) -> Result<()> {
        self.call("probe", async {
            let mut write = self.begin().await?;
            sqlx::query(
                "INSERT INTO meta (key, value) VALUES ('probe', $1) ON CONFLICT (key) DO UPDATE SET value = excluded.value",
            )
            .bind(now.to_string())
            .execute(write.on())
            .await?;
            write.done().await
        })
        .await
    }

    /// Whether a database elsewhere answers at all, found out in little time: for callers that would do much before they find it away.
    pub async fn reach(&self) -> Result<()> {
        if self.inner.embedded {
            return Ok(());
        }
        let word = sqlx::query("SELECT 1").fetch_one(&self.inner.read);
        match tokio::time::timeout(LONGEST_REACH, word).await {
            Ok(answer) => Ok(answer.map(|_| ())?),
            Err(_) => Err(StoreProblem::Away("it does not answer".to_string())),
        }
    }

    /// The queue's own name, a UUID that it keeps wherever it is moved.
    pub async fn id(&self) -> Result<String> {
        let fresh = uuid::Uuid::new_v4().to_string();
        self.call("id", async {
            let mut write = self.begin().await?;
            sqlx::query("INSERT INTO meta (key, value) VALUES ('id', $1) ON CONFLICT DO NOTHING")
                .bind(fresh)
                .execute(write.on())
                .await?;
            let id = sqlx::query("SELECT value FROM meta WHERE key = 'id'")
                .fetch_one(write.on())
                .await?
                .try_get("value")?;
            write.done().await?;
            Ok(id)
        })
        .await
    }

    /// Notes that there are files with this queue's name.
    pub async fn note_files(&self) -> Result<()> {
        self.call("note_files", async {
            let mut write = self.begin().await?;
            sqlx::query(
                "INSERT INTO meta (key, value) VALUES ('files', 'named') ON CONFLICT DO NOTHING",
            )
            .execute(write.on())
            .await?;
            write.done().await
        })
        .await
    }

    /// There are, or were, files with this queue's name.
    pub async fn has_files(&self) -> Result<bool> {
        self.call("has_files", async {
            let row = sqlx::query("SELECT 1 FROM meta WHERE key = 'files'")
                .fetch_optional(&self.inner.read)
                .await?;
            Ok(row.is_some())
        })
        .await
    }

    /// Lets go of it in good order.
    pub async fn close(self) {
        self.inner.write.close().await;
        self.inner.read.close().await;
    }
}

/// What a sweep needs to know of a job.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct KnownJob {
    /// Its state.
    pub state: JobState,
    /// The folder of its output.
    pub output: Option<String>,
}
