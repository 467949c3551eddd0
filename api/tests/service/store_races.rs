//! Two transactions at a time on PostgreSQL, each case held open at the moment that matters.

use super::databases::new_job;
use super::postgres::Server;
use super::store_cases::{claim, end, submit};
use grainway::service::model::JobState;
use grainway::service::store::{Store, StoreUrl};
use sqlx::{AnyConnection, Connection};
use std::time::Duration;

/// Somebody puts a job back while old jobs are forgotten: a DELETE that waits for the row looks at its own words again once it has it,
/// and not at those of the query inside (PostgreSQL manual, "Read Committed Isolation Level").
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_job_that_is_put_back_just_now_is_not_forgotten() {
    let Some(server) = Server::start() else {
        return;
    };
    let address = server.database().await;
    let store = Store::open(&StoreUrl::Postgres(address.clone()))
        .await
        .unwrap();
    let id = submit(&store, new_job("bench", 1)).await.id;
    let held = claim(&store, 2).await.unwrap().claim;
    assert!(
        store
            .complete(&held, &end(JobState::Failed), 3)
            .await
            .unwrap()
    );
    let mut other = AnyConnection::connect(&address).await.unwrap();
    let mut retry = other.begin().await.unwrap();
    sqlx::query("UPDATE job SET state = 'queued', ended = NULL WHERE id = $1")
        .bind(id.to_string())
        .execute(&mut *retry)
        .await
        .unwrap();
    let pruning = tokio::spawn({
        let store = store.clone();
        async move { store.prune(100, 10).await }
    });
    tokio::time::sleep(Duration::from_millis(500)).await;
    retry.commit().await.unwrap();
    assert_eq!(pruning.await.unwrap().unwrap(), []);
    assert!(store.job(id).await.unwrap().is_some(), "the job is lost");
    store.close().await;
}
