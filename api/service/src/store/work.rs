//! What workers do with the queue: claims, leases, ends.

use super::rows::{self, JOB_COLUMNS, files_of, job_of};
use super::{Claimed, Renewed, Result, Store, Write};
use crate::model::{Claim, EventKind, JobEnd, JobId, JobState, Millis, Summary};
use sqlx::{AssertSqlSafe, Row};
use uuid::Uuid;

/// The longest wait of a job that is lost again and again, ms.
const LONGEST_WAIT: Millis = 60_000;
/// Jobs in a row, each in place of the one before, that are looked through.
const LONGEST_ROW: u32 = 1000;
/// Why a job ended that was to be stopped and whose worker is gone.
const CANCELLED_AT_WORK: &str = "Cancelled while it ran.";

impl Store {
    /// Takes the next job: highest priority first, then oldest. Jobs for the operator's hours only when `hours` is true.
    pub async fn claim(
        &self,
        owner: Uuid,
        now: Millis,
        lease_until: Millis,
        hours: bool,
    ) -> Result<Option<Claimed>> {
        let skip = match self.inner.embedded {
            true => "",
            false => " FOR UPDATE SKIP LOCKED",
        };
        let sql = format!(
            "UPDATE job SET state = 'running', owner = $1, lease_until = $2, started = $3, claims = claims + 1,
                    version = version + 1, stage = NULL
             WHERE id = (SELECT id FROM job WHERE state = 'queued' AND not_before <= $4 AND in_hours <= $5
                         ORDER BY priority DESC, id LIMIT 1{skip})
             RETURNING {JOB_COLUMNS}, claims, files_in"
        );
        self.call("claim", async {
            let mut write = self.begin().await?;
            let row = sqlx::query(AssertSqlSafe(sql))
                .bind(owner.to_string())
                .bind(lease_until)
                .bind(now)
                .bind(now)
                .bind(i64::from(hours))
                .fetch_optional(write.on())
                .await?;
            let Some(row) = row else {
                return write.undone(None).await;
            };
            let job = job_of(&row)?;
            let claim = Claim {
                job: job.id,
                owner,
                attempt: row.try_get("claims")?,
            };
            let files = files_of(&row, "files_in")?;
            write
                .event(job.id, now, EventKind::Started, JobState::Running)
                .await?;
            write.done().await?;
            Ok(Some(Claimed { claim, job, files }))
        })
        .await
    }

    /// Renews a lease and notes the stage at work.
    pub async fn renew(
        &self,
        claim: &Claim,
        lease_until: Millis,
        stage: Option<&str>,
    ) -> Result<Renewed> {
        self.call("renew", async {
            let mut write = self.begin().await?;
            let row = sqlx::query(
                "UPDATE job SET lease_until = $1, stage = $2
                 WHERE id = $3 AND state = 'running' AND claims = $4 AND owner = $5
                 RETURNING cancel_wanted",
            )
            .bind(lease_until)
            .bind(stage.map(str::to_string))
            .bind(claim.job.to_string())
            .bind(claim.attempt)
            .bind(claim.owner.to_string())
            .fetch_optional(write.on())
            .await?;
            let renewed = match row {
                Some(row) => Renewed::Held {
                    cancel_wanted: row.try_get::<i64, _>("cancel_wanted")? != 0,
                },
                None => Renewed::Replaced,
            };
            write.done().await?;
            Ok(renewed)
        })
        .await
    }

    /// Ends a claimed job: state, files, summary and event in one transaction, and what it replaces becomes stale when it ends
    /// ready. `false`: the claim no longer held, nothing changed.
    pub async fn complete(&self, claim: &Claim, end: &JobEnd, now: Millis) -> Result<bool> {
        self.call("complete", async {
            let mut write = self.begin().await?;
            let row = sqlx::query(
                "UPDATE job SET state = $1, ended = $2, summary = $3, files_out = $4, output = $5, attempts = attempts + $9, owner = NULL,
                        lease_until = NULL, stage = NULL, version = version + 1
                 WHERE id = $6 AND state = 'running' AND claims = $7 AND owner = $8
                 RETURNING replaces",
            )
            .bind(end.state.word())
            .bind(now)
            .bind(rows::json(&end.summary)?)
            .bind(rows::json(&end.files)?)
            .bind(end.output.clone())
            .bind(claim.job.to_string())
            .bind(claim.attempt)
            .bind(claim.owner.to_string())
            .bind(i64::from(end.lost))
            .fetch_optional(write.on())
            .await?;
            let Some(row) = row else {
                return write.undone(false).await;
            };
            // Rows first, events last: who waits for a row never holds the events' lock.
            let replaces: Option<String> = row.try_get("replaces")?;
            let stale = match (end.state, replaces) {
                (JobState::Ready, Some(old)) => {
                    replace(&mut write, rows::parsed(&old)?, claim.job).await?
                }
                _ => None,
            };
            write
                .event(claim.job, now, EventKind::Ended, end.state)
                .await?;
            if let Some((old, state)) = stale {
                write.event(old, now, EventKind::Stale, state).await?;
            }
            write.done().await?;
            Ok(true)
        })
        .await
    }

    /// Puts a claimed job back. `spent` counts the attempt against it. A job that somebody wanted stopped ends as cancelled instead.
    pub async fn give_back(
        &self,
        claim: &Claim,
        spent: bool,
        not_before: Option<Millis>,
        now: Millis,
    ) -> Result<bool> {
        self.call("give_back", async {
            let mut write = self.begin().await?;
            let row = sqlx::query(
                "UPDATE job SET state = 'queued', attempts = attempts + $1, not_before = $2, owner = NULL,
                        lease_until = NULL, stage = NULL, version = version + 1
                 WHERE id = $3 AND state = 'running' AND claims = $4 AND owner = $5
                 RETURNING cancel_wanted",
            )
            .bind(i64::from(spent))
            .bind(not_before.unwrap_or(0))
            .bind(claim.job.to_string())
            .bind(claim.attempt)
            .bind(claim.owner.to_string())
            .fetch_optional(write.on())
            .await?;
            let Some(row) = row else {
                return write.undone(false).await;
            };
            let what = match spent {
                true => EventKind::Lost,
                false => EventKind::Returned,
            };
            write.event(claim.job, now, what, JobState::Queued).await?;
            if row.try_get::<i64, _>("cancel_wanted")? != 0 {
                end_cancelled(&mut write, claim.job, now, CANCELLED_AT_WORK).await?;
            }
            write.done().await?;
            Ok(true)
        })
        .await
    }

    /// Puts running jobs back that nobody works on any more: all of them on an embedded store at the start (`at_start`), else those
    /// whose lease ran out. Nothing is spent; a job lost more than once waits longer each time, up to a minute. Those that somebody
    /// wanted stopped end as cancelled.
    pub async fn take_up(&self, now: Millis, at_start: bool) -> Result<Vec<JobId>> {
        let all = at_start && self.inner.embedded;
        let skip = match self.inner.embedded {
            true => "",
            false => " FOR UPDATE SKIP LOCKED",
        };
        let sql = format!(
            "SELECT id, losses, cancel_wanted FROM job WHERE state = 'running' AND (lease_until < $1 OR $2 = 1) ORDER BY id{skip}"
        );
        self.call("take_up", async {
            let mut write = self.begin().await?;
            let rows = sqlx::query(AssertSqlSafe(sql))
                .bind(now)
                .bind(i64::from(all))
                .fetch_all(write.on())
                .await?;
            let mut lost = Vec::with_capacity(rows.len());
            for row in &rows {
                let id: JobId = rows::parsed(&row.try_get::<String, _>("id")?)?;
                if row.try_get::<i64, _>("cancel_wanted")? != 0 {
                    end_cancelled(&mut write, id, now, CANCELLED_AT_WORK).await?;
                    continue;
                }
                let losses: i64 = row.try_get("losses")?;
                // The first loss is the machine's; a job that takes the server down with it must not do so without end.
                let wait = match losses {
                    0 => 0,
                    n => LONGEST_WAIT.min(1000 << n.min(10)),
                };
                sqlx::query(
                    "UPDATE job SET state = 'queued', losses = losses + 1, not_before = $1, owner = NULL,
                            lease_until = NULL, stage = NULL, version = version + 1 WHERE id = $2",
                )
                .bind(now + wait)
                .bind(id.to_string())
                .execute(write.on())
                .await?;
                write.event(id, now, EventKind::Lost, JobState::Queued).await?;
                lost.push(id);
            }
            write.done().await?;
            Ok(lost)
        })
        .await
    }
}

/// Makes `old` stale by `new`. Of several that were made in its place the one that was handed in last counts, whichever is ready first:
/// ids grow with time. Gives the job that is stale now, with its state.
async fn replace(
    write: &mut Write,
    mut old: JobId,
    mut new: JobId,
) -> Result<Option<(JobId, JobState)>> {
    for _ in 0..LONGEST_ROW {
        let stale = sqlx::query(
            "UPDATE job SET replaced_by = $1, version = version + 1
             WHERE id = $2 AND replaced_by IS NULL RETURNING state",
        )
        .bind(new.to_string())
        .bind(old.to_string())
        .fetch_optional(write.on())
        .await?;
        if let Some(row) = stale {
            let state: String = row.try_get("state")?;
            return Ok(Some((old, rows::parsed(&state)?)));
        }
        let other = write.job(old).await?.and_then(|job| job.replaced_by);
        match other.filter(|other| *other != new) {
            None => break,
            Some(other) => (old, new) = (other.min(new), other.max(new)),
        }
    }
    Ok(None)
}

/// Ends a job that nobody works on.
pub(super) async fn end_cancelled(
    write: &mut Write,
    id: JobId,
    now: Millis,
    sentence: &str,
) -> Result<()> {
    let summary = Summary {
        sentence: sentence.to_string(),
        ..Summary::default()
    };
    sqlx::query(
        "UPDATE job SET state = 'cancelled', ended = $1, summary = $2, owner = NULL, lease_until = NULL, stage = NULL,
                version = version + 1 WHERE id = $3",
    )
    .bind(now)
    .bind(rows::json(&summary)?)
    .bind(id.to_string())
    .execute(write.on())
    .await?;
    write
        .event(id, now, EventKind::Ended, JobState::Cancelled)
        .await
}
