//! Several at a time: workers, people who stop and put back, those who take up and forget. Then two transactions on PostgreSQL, held open
//! at the moment that matters.

use super::databases::{in_memory, new_job, sqlite};
use super::help::Dice;
use super::postgres::Server;
use super::store_cases::{all_events, all_jobs, claim, end, sound, submit};
use grainway_service::model::{EventKind, JobId, JobState, NewJob};
use grainway_service::store::{Changed, Renewed, Store, StoreUrl};
use sqlx::{AnyConnection, Connection};
use std::collections::BTreeMap;
use std::sync::Arc;
use std::sync::atomic::{AtomicI64, Ordering};
use std::time::{Duration, Instant};
use uuid::Uuid;

/// How long the crowd works.
const CROWD: Duration = Duration::from_secs(4);

/// Ends of jobs that were answered with "done".
type Ends = BTreeMap<JobId, usize>;

/// A worker that renews late, ends, gives back, or is lost. The clock is shared and runs on with every look.
async fn works(store: Store, clock: Arc<AtomicI64>, seed: u64) -> Ends {
    let (mut dice, mut ends) = (Dice(seed), Ends::new());
    let until = Instant::now() + CROWD;
    let owner = Uuid::new_v4();
    while Instant::now() < until {
        let now = clock.fetch_add(1, Ordering::Relaxed);
        let Some(held) = store.claim(owner, now, now + 60, true).await.unwrap() else {
            tokio::time::sleep(Duration::from_millis(2)).await;
            continue;
        };
        let held = held.claim;
        for _ in 0..dice.roll(3) {
            let now = clock.fetch_add(10, Ordering::Relaxed);
            match store.renew(&held, now + 60, Some("place")).await.unwrap() {
                Renewed::Held { .. } => {}
                Renewed::Replaced => break,
            }
        }
        let now = clock.fetch_add(1, Ordering::Relaxed);
        match dice.roll(6) {
            0 => drop(
                store
                    .give_back(&held, true, Some(now + 20), now)
                    .await
                    .unwrap(),
            ),
            1 => drop(store.give_back(&held, false, None, now).await.unwrap()),
            // Lost: somebody takes it up.
            2 => {}
            n => {
                let states = [JobState::Ready, JobState::Withheld, JobState::Failed];
                let end = end(states[n as usize - 3]);
                if store.complete(&held, &end, now).await.unwrap() {
                    *ends.entry(held.job).or_default() += 1;
                }
            }
        }
    }
    ends
}

/// A person who hands in, stops and puts back, and the service that takes up.
async fn asks(store: Store, clock: Arc<AtomicI64>, seed: u64) -> (Vec<JobId>, Ends) {
    let (mut dice, mut mine, mut ends) = (Dice(seed), Vec::new(), Ends::new());
    let until = Instant::now() + CROWD;
    while Instant::now() < until {
        let now = clock.fetch_add(1, Ordering::Relaxed);
        let picked = dice.pick(&mine);
        match (dice.roll(5), picked) {
            (0, Some(id)) => {
                let told = store.cancel(id, None, now).await.unwrap();
                // One that runs is ended by whoever gives it back or takes it up.
                if matches!(&told, Changed::Yes(job) if job.state == JobState::Cancelled) {
                    *ends.entry(id).or_default() += 1;
                }
            }
            (1, Some(id)) => drop(store.retry(id, None, now).await.unwrap()),
            (2, _) => drop(store.take_up(now, false).await.unwrap()),
            _ => {
                let priority = dice.roll(5) as i32 - 2;
                let replaces = picked.filter(|_| dice.roll(3) == 0);
                let job = NewJob {
                    priority,
                    replaces,
                    ..new_job("bench", now)
                };
                mine.push(submit(&store, job).await.id);
            }
        }
    }
    (mine, ends)
}

/// Eight workers and four people on two connections to one queue: nothing is lost, and no job ends more often than it was told to.
async fn crowd(a: Store, b: Store) {
    let clock = Arc::new(AtomicI64::new(1000));
    let of = |n: u64| {
        if n.is_multiple_of(2) {
            a.clone()
        } else {
            b.clone()
        }
    };
    let workers: Vec<_> = (0..8)
        .map(|n| tokio::spawn(works(of(n), Arc::clone(&clock), n)))
        .collect();
    let people: Vec<_> = (0..4)
        .map(|n| tokio::spawn(asks(of(n), Arc::clone(&clock), 100 + n)))
        .collect();
    let mut told = Ends::new();
    let mut handed = Vec::new();
    for worker in workers {
        for (id, n) in worker.await.unwrap() {
            *told.entry(id).or_default() += n;
        }
    }
    for person in people {
        let (ids, ends) = person.await.unwrap();
        handed.extend(ids);
        for (id, n) in ends {
            *told.entry(id).or_default() += n;
        }
    }
    sound(&a).await;
    let mut there: Vec<JobId> = all_jobs(&b).await.iter().map(|j| j.id).collect();
    there.sort();
    handed.sort();
    assert_eq!(there, handed);
    // Each job's events alternate as its states do; ends that nobody was told of are those of running jobs that were to be stopped.
    let mut before: BTreeMap<JobId, (JobState, bool)> = BTreeMap::new();
    let mut ends = Ends::new();
    let (mut starts, mut lost) = (0, 0);
    for event in all_events(&a).await {
        let (state, wanted) = before
            .get(&event.job)
            .copied()
            .unwrap_or((JobState::Queued, false));
        let mut wants = wanted;
        match event.what {
            EventKind::Submitted | EventKind::Stale => {}
            EventKind::Started => {
                assert_eq!(state, JobState::Queued, "{event:?}");
                starts += 1;
            }
            EventKind::Lost => {
                assert_eq!(state, JobState::Running, "{event:?}");
                lost += 1;
            }
            EventKind::Returned => {
                assert!(
                    state != JobState::Queued && state != JobState::Ready,
                    "{event:?}"
                );
                wants = wanted && state == JobState::Running;
            }
            EventKind::CancelWanted => {
                assert_eq!((state, wanted), (JobState::Running, false), "{event:?}");
                wants = true;
            }
            EventKind::Ended => {
                assert!(!state.is_end(), "{event:?} after an end");
                if !(event.state == JobState::Cancelled && wanted) {
                    *ends.entry(event.job).or_default() += 1;
                }
            }
        }
        before.insert(event.job, (event.state, wants));
    }
    assert_eq!(ends, told);
    let all: usize = ends.values().sum();
    println!(
        "{} jobs, {starts} claims, {lost} lost, {all} ends",
        there.len()
    );
    // How many depends on who is served first; that there are some is what the rest is about.
    assert!(all > 20 && lost > 0, "{all} ends, {lost} lost");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 4)]
async fn a_crowd_on_sqlite() {
    let folder = in_memory();
    let store = sqlite(&folder).await;
    let url = StoreUrl::Sqlite(folder.join("queue.sqlite"));
    let beside = Store::open_beside(&url).await.unwrap();
    crowd(store.clone(), beside.clone()).await;
    beside.close().await;
    store.close().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 4)]
async fn a_crowd_on_postgresql() {
    let Some(server) = Server::start() else {
        return;
    };
    let url = StoreUrl::Postgres(server.database().await);
    let (a, b) = tokio::join!(Store::open(&url), Store::open(&url));
    let (a, b) = (a.unwrap(), b.unwrap());
    crowd(a.clone(), b.clone()).await;
    a.close().await;
    b.close().await;
}

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
