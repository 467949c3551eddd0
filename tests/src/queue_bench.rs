//! The queue's own speed: jobs put in, and jobs claimed and ended, a second. No job is made.
//!
//! The reference is what the same database does with bare transactions of one statement, as many as a job takes, one after another.

use grainway_service::model::{JobEnd, JobFile, JobId, JobState, NewJob, Source, Summary, When};
use grainway_service::store::{Store, StoreUrl};
use sqlx::{AnyConnection, Connection, Executor};
use std::time::Instant;
use uuid::Uuid;

#[path = "../../api/service/tests/service/postgres.rs"]
#[allow(
    dead_code,
    clippy::unwrap_used,
    clippy::print_stdout,
    clippy::disallowed_methods
)]
mod postgres;

type Failure = Box<dyn std::error::Error + Send + Sync>;

/// Callers and workers at a time.
const AT_A_TIME: usize = 4;

/// Runs it with so many jobs, on SQLite and, where it is installed, on PostgreSQL. One line for each.
///
/// # Errors
/// What the database says.
pub fn lines(jobs: usize) -> Result<Vec<String>, Failure> {
    let folder = crate::root().join(format!("target/queue-bench-{}", std::process::id()));
    std::fs::create_dir_all(&folder)?;
    let runtime = tokio::runtime::Builder::new_multi_thread()
        .worker_threads(2)
        .enable_all()
        .build()?;
    let lines = runtime.block_on(async {
        let file = folder.join("queue.sqlite");
        let begins = "PRAGMA journal_mode = WAL; PRAGMA synchronous = FULL;";
        let bare = format!("sqlite://{}?mode=rwc", folder.join("bare.sqlite").display());
        let mut lines = vec![line("SQLite", &StoreUrl::Sqlite(file), &bare, begins, jobs).await?];
        if let Some(server) = tokio::task::spawn_blocking(postgres::Server::start).await? {
            let url = StoreUrl::Postgres(server.database().await);
            let bare = server.database().await;
            lines.push(line("PostgreSQL", &url, &bare, "SELECT 1", jobs).await?);
            tokio::task::spawn_blocking(|| drop(server)).await?;
        }
        Ok(lines)
    });
    std::fs::remove_dir_all(&folder)?;
    lines
}

async fn line(
    name: &str,
    url: &StoreUrl,
    bare: &str,
    begins: &'static str,
    jobs: usize,
) -> Result<String, Failure> {
    let store = Store::open(url).await?;
    let submitted = at_once(jobs, || {
        let store = store.clone();
        async move { store.submit(&[job()], None, u64::MAX).await.map(|_| ()) }
    })
    .await?;
    let ended = at_once(jobs, || {
        let store = store.clone();
        async move {
            if let Some(claimed) = store.claim(Uuid::new_v4(), 1, 30_000, true).await? {
                store.complete(&claimed.claim, &end(), 2).await?;
            }
            Ok(())
        }
    })
    .await?;
    let counts = store.counts().await?;
    if counts.get(&JobState::Ready) != Some(&(jobs as u64)) {
        return Err(format!("{jobs} jobs were to end, the queue counts {counts:?}").into());
    }
    store.close().await;
    let plain = plain(bare, begins, 2 * jobs).await? / 2.0;
    Ok(format!(
        "queue on {name}: {submitted:.0} submissions/s, {ended:.0} claims and ends/s | bare transactions, two a job: {plain:.0} jobs/s | ratio {:.2}",
        ended / plain
    ))
}

/// So many calls, a few at a time: how many a second.
async fn at_once<F>(calls: usize, call: impl Fn() -> F) -> Result<f64, Failure>
where
    F: Future<Output = Result<(), grainway_service::store::StoreProblem>> + Send + 'static,
{
    let started = Instant::now();
    let mut running = tokio::task::JoinSet::new();
    for _ in 0..calls {
        if running.len() == AT_A_TIME
            && let Some(done) = running.join_next().await
        {
            done??;
        }
        running.spawn(call());
    }
    while let Some(done) = running.join_next().await {
        done??;
    }
    Ok(calls as f64 / started.elapsed().as_secs_f64())
}

async fn plain(address: &str, begins: &'static str, transactions: usize) -> Result<f64, Failure> {
    let mut connection = AnyConnection::connect(address).await?;
    connection.execute(begins).await?;
    connection
        .execute("CREATE TABLE bare (n INTEGER NOT NULL)")
        .await?;
    connection.execute("INSERT INTO bare VALUES (0)").await?;
    let started = Instant::now();
    for _ in 0..transactions {
        connection.execute("UPDATE bare SET n = n + 1").await?;
    }
    let seconds = started.elapsed().as_secs_f64();
    connection.close().await?;
    Ok(transactions as f64 / seconds)
}

fn job() -> NewJob {
    NewJob {
        id: JobId::fresh(),
        name: "Reading bench for the window".to_string(),
        document: "job.json".to_string(),
        files: files(3),
        priority: 0,
        not_before: None,
        when: When::Any,
        source: Source::Api,
        batch: None,
        replaces: None,
        code: "LB1234".to_string(),
        by: None,
        now: 1,
    }
}

fn end() -> JobEnd {
    JobEnd {
        state: JobState::Ready,
        summary: Summary::default(),
        files: files(12),
        output: Some("try".to_string()),
        lost: false,
    }
}

fn files(count: u64) -> Vec<JobFile> {
    (0..count)
        .map(|n| JobFile {
            name: format!("programs/{n:02}-board.ngc"),
            sha256: "5a".repeat(32),
            bytes: 40_000 + n,
        })
        .collect()
}
