//! What people and programs ask of the queue: jobs put in, stopped, put back, forgotten.

use super::rows::{self, strings};
use super::work::end_cancelled;
use super::{Changed, Idempotency, Result, Store, StoreProblem, Submitted, Write};
use crate::model::{EventKind, Job, JobId, JobState, Millis, NewJob, When};
use sqlx::{AssertSqlSafe, Row};

/// Old keys looked at by one call. Those of jobs that are still there are looked at each time: they must leave room for others.
const KEYS_AT_A_TIME: u32 = 20_000;

impl Store {
    /// Puts jobs into the queue, all or none, with their files, events and the answer's key in one transaction. At most `most` jobs
    /// may wait or run.
    pub async fn submit(
        &self,
        jobs: &[NewJob],
        idempotency: Option<&Idempotency>,
        most: u64,
    ) -> Result<Submitted> {
        self.call("submit", async {
            let mut write = self.begin().await?;
            if let Some(i) = idempotency {
                let ids: Vec<String> = jobs.iter().map(|j| j.id.to_string()).collect();
                let new = sqlx::query(
                    "INSERT INTO answer (caller, idempotency_key, request_sha256, jobs, created)
                     VALUES ($1, $2, $3, $4, $5) ON CONFLICT DO NOTHING",
                )
                .bind(&i.caller)
                .bind(&i.key)
                .bind(&i.request_sha256)
                .bind(rows::json(&ids)?)
                .bind(jobs.first().map_or(0, |j| j.now))
                .execute(write.on())
                .await?
                .rows_affected();
                if new == 0 {
                    let answer = before(&mut write, i).await?;
                    return write.undone(answer).await;
                }
            }
            // Before the count, so that two submissions at a time do not both take the last place.
            write.lock_events().await?;
            let waiting: i64 =
                sqlx::query("SELECT count(*) AS n FROM job WHERE state IN ('queued', 'running')")
                    .fetch_one(write.on())
                    .await?
                    .try_get("n")?;
            let waiting = u64::try_from(waiting).unwrap_or(0);
            if waiting + jobs.len() as u64 > most {
                return write.undone(Submitted::Full { waiting }).await;
            }
            let mut new = Vec::with_capacity(jobs.len());
            for job in jobs {
                insert(&mut write, job).await?;
                write
                    .event(job.id, job.now, EventKind::Submitted, JobState::Queued)
                    .await?;
                let job = write.job(job.id).await?;
                new.extend(job);
            }
            write.done().await?;
            Ok(Submitted::New(new))
        })
        .await
    }

    /// The first answer to this key, when there was one: looked up before the work of another.
    pub async fn answered(&self, idempotency: &Idempotency) -> Result<Option<Submitted>> {
        self.call("answered", async {
            let mut write = self.begin().await?;
            let known = sqlx::query(
                "SELECT created FROM answer WHERE caller = $1 AND idempotency_key = $2",
            )
            .bind(&idempotency.caller)
            .bind(&idempotency.key)
            .fetch_optional(write.on())
            .await?
            .is_some();
            let answer = match known {
                true => Some(before(&mut write, idempotency).await?),
                false => None,
            };
            write.undone(answer).await
        })
        .await
    }

    /// Stops a job: one that waits ends at once, one that runs is stopped by its worker.
    pub async fn cancel(&self, id: JobId, version: Option<i64>, now: Millis) -> Result<Changed> {
        self.call("cancel", async {
            let mut write = self.begin().await?;
            let job = match self.to_change(&mut write, id, version).await? {
                Ok(job) => job,
                Err(not) => return write.undone(not).await,
            };
            match job.state {
                JobState::Queued => {
                    end_cancelled(&mut write, id, now, "Cancelled before it began.").await?
                }
                JobState::Running if job.cancel_wanted => {
                    return write.undone(Changed::Yes(job)).await;
                }
                JobState::Running => {
                    sqlx::query(
                        "UPDATE job SET cancel_wanted = 1, version = version + 1 WHERE id = $1",
                    )
                    .bind(id.to_string())
                    .execute(write.on())
                    .await?;
                    write
                        .event(id, now, EventKind::CancelWanted, JobState::Running)
                        .await?;
                }
                _ => return write.undone(Changed::NotNow(job)).await,
            }
            changed(write, id).await
        })
        .await
    }

    /// Puts a failed, withheld or cancelled job back with its attempts forgotten; what was for later stays for later. What it made
    /// before is dropped.
    pub async fn retry(&self, id: JobId, version: Option<i64>, now: Millis) -> Result<Changed> {
        self.call("retry", async {
            let mut write = self.begin().await?;
            let job = match self.to_change(&mut write, id, version).await? {
                Ok(job) => job,
                Err(not) => return write.undone(not).await,
            };
            if !matches!(
                job.state,
                JobState::Failed | JobState::Withheld | JobState::Cancelled
            ) {
                return write.undone(Changed::NotNow(job)).await;
            }
            sqlx::query(
                "UPDATE job SET state = 'queued', attempts = 0, losses = 0, cancel_wanted = 0, ended = NULL,
                        started = NULL, summary = NULL, output = NULL, files_out = '[]', version = version + 1 WHERE id = $1",
            )
            .bind(id.to_string())
            .execute(write.on())
            .await?;
            write
                .event(id, now, EventKind::Returned, JobState::Queued)
                .await?;
            changed(write, id).await
        })
        .await
    }

    /// The job to change, held to the end of the transaction; or why not.
    async fn to_change(
        &self,
        write: &mut Write,
        id: JobId,
        version: Option<i64>,
    ) -> Result<std::result::Result<Box<Job>, Changed>> {
        if !self.inner.embedded {
            sqlx::query("SELECT id FROM job WHERE id = $1 FOR UPDATE")
                .bind(id.to_string())
                .fetch_optional(write.on())
                .await?;
        }
        Ok(match write.job(id).await? {
            None => Err(Changed::NoSuchJob),
            Some(job) if version.is_some_and(|v| v != job.version) => {
                Err(Changed::OtherVersion(Box::new(job)))
            }
            Some(job) => Ok(Box::new(job)),
        })
    }

    /// Forgets up to `limit` jobs that ended before `before`, with their events, and keys none of whose jobs is left. Their files are to
    /// be removed afterwards.
    pub async fn prune(&self, before: Millis, limit: u32) -> Result<Vec<JobId>> {
        let limit = limit.clamp(1, 10_000);
        // The row that is deleted is looked at too: PostgreSQL asks it again when somebody put the job back just now, and not the query
        // inside.
        let sql = format!(
            "DELETE FROM job WHERE id IN (SELECT id FROM job WHERE ended < $1 ORDER BY ended, id LIMIT {limit}) AND ended < $2
             RETURNING id"
        );
        self.call("prune", async {
            let mut write = self.begin().await?;
            let rows = sqlx::query(AssertSqlSafe(sql))
                .bind(before)
                .bind(before)
                .fetch_all(write.on())
                .await?;
            let mut gone: Vec<JobId> = Vec::with_capacity(rows.len());
            for id in strings(&rows, "id")? {
                sqlx::query("DELETE FROM event WHERE job = $1")
                    .bind(&id)
                    .execute(write.on())
                    .await?;
                gone.push(rows::parsed(&id)?);
            }
            forget_keys(&mut write, before).await?;
            write.done().await?;
            Ok(gone)
        })
        .await
    }
}

/// Forgets old keys. One whose job waits, runs or is kept stays: the same request must not make the job twice.
async fn forget_keys(write: &mut Write, before: Millis) -> Result<()> {
    let sql = format!(
        "SELECT caller, idempotency_key, jobs FROM answer WHERE created < $1 ORDER BY created LIMIT {KEYS_AT_A_TIME}"
    );
    let old = sqlx::query(AssertSqlSafe(sql))
        .bind(before)
        .fetch_all(write.on())
        .await?;
    for row in &old {
        let ids: Vec<String> = rows::read_json(&row.try_get::<String, _>("jobs")?)?;
        let mut left = false;
        for id in ids {
            left = left
                || sqlx::query("SELECT 1 FROM job WHERE id = $1")
                    .bind(id)
                    .fetch_optional(write.on())
                    .await?
                    .is_some();
        }
        if !left {
            sqlx::query("DELETE FROM answer WHERE caller = $1 AND idempotency_key = $2")
                .bind(row.try_get::<String, _>("caller")?)
                .bind(row.try_get::<String, _>("idempotency_key")?)
                .execute(write.on())
                .await?;
        }
    }
    Ok(())
}

/// The first answer to a key that was used before.
async fn before(write: &mut Write, i: &Idempotency) -> Result<Submitted> {
    let row = sqlx::query(
        "SELECT request_sha256, jobs FROM answer WHERE caller = $1 AND idempotency_key = $2",
    )
    .bind(&i.caller)
    .bind(&i.key)
    .fetch_optional(write.on())
    .await?;
    let Some(row) = row else {
        return Err(StoreProblem::Away(
            "the first answer to this key was forgotten just now".to_string(),
        ));
    };
    if row.try_get::<String, _>("request_sha256")? != i.request_sha256 {
        return Ok(Submitted::OtherRequest);
    }
    let ids: Vec<JobId> = rows::read_json(&row.try_get::<String, _>("jobs")?)?;
    let mut jobs = Vec::with_capacity(ids.len());
    for id in ids {
        jobs.extend(write.job(id).await?);
    }
    Ok(Submitted::Before(jobs))
}

async fn insert(write: &mut Write, job: &NewJob) -> Result<()> {
    sqlx::query(
        "INSERT INTO job (id, name, state, document, priority, not_before, in_hours, source, batch, code, handed_by, replaces,
                          created, files_in)
         VALUES ($1, $2, 'queued', $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13)",
    )
    .bind(job.id.to_string())
    .bind(&job.name)
    .bind(&job.document)
    .bind(i64::from(job.priority))
    .bind(job.not_before.unwrap_or(0))
    .bind(i64::from(job.when == When::Hours))
    .bind(rows::word(&job.source)?)
    .bind(job.batch.clone())
    .bind(&job.code)
    .bind(job.by.clone())
    .bind(job.replaces.map(|id| id.to_string()))
    .bind(job.now)
    .bind(rows::json(&job.files)?)
    .execute(write.on())
    .await?;
    Ok(())
}

async fn changed(mut write: Write, id: JobId) -> Result<Changed> {
    let job = write.job(id).await?;
    write.done().await?;
    Ok(job.map_or(Changed::NoSuchJob, |job| Changed::Yes(Box::new(job))))
}
