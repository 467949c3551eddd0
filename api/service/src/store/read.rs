//! What is read of the queue: jobs, files, events.

use super::rows::{self, JOB_COLUMNS, event_of, files_of, job_of};
use super::{JobFilter, KnownJob, Result, Store};
use crate::model::{Event, Job, JobFile, JobId, JobState, Millis, Side};
use sqlx::{AssertSqlSafe, Row};
use std::collections::BTreeMap;

impl Store {
    /// One job.
    pub async fn job(&self, id: JobId) -> Result<Option<Job>> {
        self.call("job", async {
            let sql = format!("SELECT {JOB_COLUMNS} FROM job WHERE id = $1");
            let row = sqlx::query(AssertSqlSafe(sql))
                .bind(id.to_string())
                .fetch_optional(&self.inner.read)
                .await?;
            row.as_ref().map(job_of).transpose()
        })
        .await
    }

    /// Jobs, newest first.
    pub async fn jobs(&self, filter: &JobFilter) -> Result<Vec<Job>> {
        if filter.batch.as_ref().is_some_and(|b| b.contains('\0')) {
            // PostgreSQL has no such texts and would call it an error of ours.
            return Ok(Vec::new());
        }
        let mut such = String::new();
        let mut texts: Vec<String> = Vec::new();
        let mut numbers: Vec<Millis> = Vec::new();
        // Only words of ours stand in the text; what callers say is bound.
        if let Some(batch) = &filter.batch {
            texts.push(batch.clone());
            such.push_str(&format!(" AND batch = ${}", texts.len()));
        }
        if let Some(id) = filter.before {
            texts.push(id.to_string());
            such.push_str(&format!(" AND id < ${}", texts.len()));
        }
        for (time, sign) in [(filter.ended_from, ">="), (filter.ended_to, "<")] {
            if let Some(time) = time {
                numbers.push(time);
                such.push_str(&format!(
                    " AND ended {sign} ${}",
                    texts.len() + numbers.len()
                ));
            }
        }
        let order = format!("ORDER BY id DESC LIMIT {}", filter.limit.clamp(1, 1000));
        let sql = match filter.states.as_slice() {
            [] => format!("SELECT {JOB_COLUMNS} FROM job WHERE 1 = 1{such} {order}"),
            // The newest of each state come in order out of the index; of several states at once they do not.
            states => {
                let of_one = |s: &JobState| {
                    format!(
                        "SELECT * FROM (SELECT id FROM job WHERE state = '{s}'{such} {order}) AS {s}"
                    )
                };
                let of_all: Vec<String> = states.iter().map(of_one).collect();
                let ids = of_all.join(" UNION ALL ");
                format!("SELECT {JOB_COLUMNS} FROM job WHERE id IN ({ids}) {order}")
            }
        };
        self.call("jobs", async {
            let mut query = sqlx::query(AssertSqlSafe(sql));
            for text in texts {
                query = query.bind(text);
            }
            for number in numbers {
                query = query.bind(number);
            }
            let rows = query.fetch_all(&self.inner.read).await?;
            rows.iter().map(job_of).collect()
        })
        .await
    }

    /// How many jobs are in each state.
    pub async fn counts(&self) -> Result<BTreeMap<JobState, u64>> {
        self.call("counts", async {
            let rows = sqlx::query("SELECT state, count(*) AS n FROM job GROUP BY state")
                .fetch_all(&self.inner.read)
                .await?;
            let mut counts: BTreeMap<JobState, u64> = JobState::ALL.map(|s| (s, 0)).into();
            for row in &rows {
                let (state, n): (String, i64) = (row.try_get("state")?, row.try_get("n")?);
                counts.insert(rows::parsed(&state)?, u64::try_from(n).unwrap_or(0));
            }
            Ok(counts)
        })
        .await
    }

    /// When the oldest job came in that waits and may run.
    pub async fn oldest_waiting(&self, now: Millis) -> Result<Option<Millis>> {
        self.call("oldest_waiting", async {
            let row = sqlx::query(
                "SELECT min(created) AS created FROM job WHERE state = 'queued' AND not_before <= $1",
            )
            .bind(now)
            .fetch_one(&self.inner.read)
            .await?;
            Ok(row.try_get("created")?)
        })
        .await
    }

    /// A job's files of one side, by name.
    pub async fn files(&self, id: JobId, side: Side) -> Result<Vec<JobFile>> {
        let sql = match side {
            Side::In => "SELECT files_in AS files FROM job WHERE id = $1",
            Side::Out => "SELECT files_out AS files FROM job WHERE id = $1",
        };
        self.call("files", async {
            let row = sqlx::query(sql)
                .bind(id.to_string())
                .fetch_optional(&self.inner.read)
                .await?;
            row.as_ref()
                .map_or(Ok(Vec::new()), |r| files_of(r, "files"))
        })
        .await
    }

    /// Events after `seq`, in order, of one job or of all.
    pub async fn events(&self, after: i64, job: Option<JobId>, limit: u32) -> Result<Vec<Event>> {
        let of = match job {
            Some(_) => " AND job = $2",
            None => "",
        };
        let limit = limit.clamp(1, 10_000);
        let sql = format!(
            "SELECT seq, job, at, what, state FROM event WHERE seq > $1{of} ORDER BY seq LIMIT {limit}"
        );
        self.call("events", async {
            let mut query = sqlx::query(AssertSqlSafe(sql)).bind(after);
            if let Some(job) = job {
                query = query.bind(job.to_string());
            }
            let rows = query.fetch_all(&self.inner.read).await?;
            rows.iter().map(event_of).collect()
        })
        .await
    }

    /// The last event's number; 0 when there is none.
    pub async fn last_event(&self) -> Result<i64> {
        self.call("last_event", async {
            let row = sqlx::query("SELECT coalesce(max(seq), 0) AS seq FROM event")
                .fetch_one(&self.inner.read)
                .await?;
            Ok(row.try_get("seq")?)
        })
        .await
    }

    /// Which of these jobs there are, each with the folder of its output. For sweeping the file store.
    pub async fn known(&self, ids: &[JobId]) -> Result<BTreeMap<JobId, KnownJob>> {
        self.call("known", async {
            let mut known = BTreeMap::new();
            for some in ids.chunks(500) {
                let marks: Vec<String> = (1..=some.len()).map(|i| format!("${i}")).collect();
                let sql = format!(
                    "SELECT id, state, output FROM job WHERE id IN ({})",
                    marks.join(", ")
                );
                let mut query = sqlx::query(AssertSqlSafe(sql));
                for id in some {
                    query = query.bind(id.to_string());
                }
                for row in query.fetch_all(&self.inner.read).await? {
                    let (id, state): (String, String) = (row.try_get("id")?, row.try_get("state")?);
                    let job = KnownJob {
                        state: rows::parsed(&state)?,
                        output: row.try_get("output")?,
                    };
                    known.insert(rows::parsed(&id)?, job);
                }
            }
            Ok(known)
        })
        .await
    }
}
