//! A PostgreSQL server that goes away and comes back, and a line to it that goes dead without a word.

use super::databases::new_job;
use super::help::Fresh;
use super::http_help::{Server as Http, stool_document};
use super::postgres::Server;
use super::store_cases::{all_jobs, claim, end, sound};
use super::sweep::launcher;
use grainway_service::config::Config;
use grainway_service::model::{JobId, JobState};
use grainway_service::store::{Store, StoreProblem, StoreUrl, Submitted};
use std::collections::BTreeSet;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU32, Ordering};
use std::time::{Duration, Instant};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::watch;

/// Works on until told to stop. What it was answered for: jobs that came in, jobs that ended; and how often the store was away.
async fn at_work(store: Store, stop: watch::Receiver<bool>) -> (Vec<JobId>, Vec<JobId>, u32) {
    let (mut came, mut ended, mut away) = (Vec::new(), Vec::new(), 0);
    let mut lost = |problem: StoreProblem| match problem {
        StoreProblem::Away(_) => away += 1,
        other => panic!("away is what it is, not: {other:?}"),
    };
    while !*stop.borrow() {
        let job = new_job("bench", 1);
        let id = job.id;
        match store.submit(&[job], None, 1_000_000).await {
            Ok(Submitted::New(_)) => came.push(id),
            Ok(other) => panic!("{other:?}"),
            Err(problem) => {
                lost(problem);
                tokio::time::sleep(Duration::from_millis(20)).await;
            }
        }
        match store.claim(uuid::Uuid::new_v4(), 10, 30_000, true).await {
            Ok(Some(claimed)) => match store
                .complete(&claimed.claim, &end(JobState::Ready), 11)
                .await
            {
                Ok(true) => ended.push(claimed.job.id),
                Ok(false) => panic!("nobody took it away"),
                Err(problem) => lost(problem),
            },
            Ok(None) => {}
            Err(problem) => lost(problem),
        }
    }
    (came, ended, away)
}

#[tokio::test(flavor = "multi_thread", worker_threads = 4)]
async fn a_server_that_stops_in_the_middle_and_comes_back() {
    let Some(server) = Server::start() else {
        return;
    };
    let store = Store::open(&StoreUrl::Postgres(server.database().await))
        .await
        .unwrap();
    let (stop, stopped) = watch::channel(false);
    let workers: Vec<_> = (0..6)
        .map(|_| tokio::spawn(at_work(store.clone(), stopped.clone())))
        .collect();
    for _ in 0..2 {
        tokio::time::sleep(Duration::from_millis(600)).await;
        tokio::task::block_in_place(|| server.down());
        let asked = Instant::now();
        let problem = store.counts().await.unwrap_err();
        assert!(matches!(problem, StoreProblem::Away(_)), "{problem:?}");
        assert!(asked.elapsed() < Duration::from_secs(12));
        println!("{problem}");
        tokio::task::block_in_place(|| server.up());
        let back = Instant::now();
        while let Err(problem) = store.probe(1).await {
            assert!(matches!(problem, StoreProblem::Away(_)), "{problem:?}");
            assert!(
                back.elapsed() < Duration::from_secs(5),
                "it does not find back: {problem}"
            );
            tokio::time::sleep(Duration::from_millis(50)).await;
        }
    }
    tokio::time::sleep(Duration::from_millis(600)).await;
    stop.send(true).unwrap();
    let (mut came, mut ended, mut away) = (BTreeSet::new(), 0, 0);
    for worker in workers {
        let (c, e, a) = worker.await.unwrap();
        ended += e.len();
        for id in e {
            assert_eq!(store.job(id).await.unwrap().unwrap().state, JobState::Ready);
        }
        came.extend(c);
        away += a;
    }
    println!("{} came in, {ended} ended, away {away} times", came.len());
    assert!(away > 0 && ended > 0);
    sound(&store).await;
    let there: BTreeSet<JobId> = all_jobs(&store).await.iter().map(|j| j.id).collect();
    assert!(came.is_subset(&there), "what was answered for is lost");
    // What was claimed when it broke off runs out and is made again.
    store.take_up(100_000, false).await.unwrap();
    while let Some(claimed) = claim(&store, 100_000).await {
        assert!(
            store
                .complete(&claimed.claim, &end(JobState::Ready), 100_001)
                .await
                .unwrap()
        );
    }
    assert_eq!(
        store.counts().await.unwrap()[&JobState::Ready],
        there.len() as u64
    );
    sound(&store).await;
}

/// A line between store and server. Once it is dead, bytes of all connections that there are go nowhere, for ever; new ones get no
/// answer until it is mended.
struct Line {
    port: u16,
    state: Arc<LineState>,
}

#[derive(Default)]
struct LineState {
    dead: AtomicBool,
    /// How many connections were made, and up to which of them all are dead.
    made: AtomicU32,
    buried: AtomicU32,
}

impl Line {
    async fn to(port: u16) -> Line {
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let line = Line {
            port: listener.local_addr().unwrap().port(),
            state: Arc::default(),
        };
        let state = line.state.clone();
        tokio::spawn(async move {
            while let Ok((near, _)) = listener.accept().await {
                let far = TcpStream::connect(("127.0.0.1", port)).await.unwrap();
                let (near_in, near_out) = near.into_split();
                let (far_in, far_out) = far.into_split();
                let number = state.made.fetch_add(1, Ordering::SeqCst) + 1;
                tokio::spawn(carry(near_in, far_out, state.clone(), number));
                tokio::spawn(carry(far_in, near_out, state.clone(), number));
            }
        });
        line
    }

    /// How many connections there are no more.
    fn dies(&self) -> u32 {
        self.state.dead.store(true, Ordering::SeqCst);
        let made = self.state.made.load(Ordering::SeqCst);
        self.state.buried.store(made, Ordering::SeqCst);
        made
    }

    fn is_mended(&self) {
        self.state.dead.store(false, Ordering::SeqCst);
    }
}

async fn carry(
    mut from: impl AsyncReadExt + Unpin,
    mut to: impl AsyncWriteExt + Unpin,
    line: Arc<LineState>,
    number: u32,
) {
    let mut piece = vec![0; 16_384];
    let mut lost = false;
    while let Ok(n @ 1..) = from.read(&mut piece).await {
        lost |= line.dead.load(Ordering::SeqCst) || number <= line.buried.load(Ordering::SeqCst);
        if !lost && to.write_all(&piece[..n]).await.is_err() {
            return;
        }
    }
    if lost || number <= line.buried.load(Ordering::SeqCst) {
        // Nothing is said to the other end either.
        std::future::pending::<()>().await;
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 4)]
async fn slow_a_line_that_goes_dead_without_a_word() {
    let Some(server) = Server::start() else {
        return;
    };
    let address = server.database().await;
    let line = Line::to(server.port()).await;
    let through = address.replace(&format!(":{}/", server.port()), &format!(":{}/", line.port));
    let store = Store::open(&StoreUrl::Postgres(through)).await.unwrap();
    let (stop, stopped) = watch::channel(false);
    // Enough to have every connection in use.
    let workers: Vec<_> = (0..12)
        .map(|_| tokio::spawn(at_work(store.clone(), stopped.clone())))
        .collect();
    tokio::time::sleep(Duration::from_millis(500)).await;
    let dead = line.dies();
    assert!(dead >= 8, "{dead}");
    let asked = Instant::now();
    let problem = store.probe(1).await.unwrap_err();
    println!(
        "{dead} connections dead, after {:?}: {problem}",
        asked.elapsed()
    );
    assert!(matches!(problem, StoreProblem::Away(_)), "{problem:?}");
    assert!(asked.elapsed() < Duration::from_secs(14));
    line.is_mended();
    let back = Instant::now();
    while store.probe(1).await.is_err() {
        assert!(
            back.elapsed() < Duration::from_secs(20),
            "dead connections keep their places"
        );
    }
    println!("back after {:?}", back.elapsed());
    // Others on the same queue are not kept waiting by what the dead ones held.
    let other = Store::open(&StoreUrl::Postgres(address)).await.unwrap();
    other
        .submit(&[new_job("bench", 1)], None, 1_000_000)
        .await
        .unwrap();
    stop.send(true).unwrap();
    for worker in workers {
        worker.await.unwrap();
    }
    sound(&other).await;
}

/// After a power cut the database may come up later than the service.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_start_while_the_queue_is_away_waits_for_it() {
    let Some(server) = Server::start() else {
        return;
    };
    let (place, address) = (Fresh::new(), server.database().await);
    tokio::task::block_in_place(|| server.down());
    let config = Config {
        data: place.to_path_buf(),
        store: Some(address),
        ..Config::default()
    };
    let opening = tokio::spawn(grainway_service::run::open(config, launcher()));
    tokio::time::sleep(Duration::from_secs(3)).await;
    assert!(!opening.is_finished(), "it gave up");
    tokio::task::block_in_place(|| server.up());
    let opened = tokio::time::timeout(Duration::from_secs(20), opening).await;
    let shared = opened.expect("it finds the queue").unwrap().unwrap();
    shared.store.probe(1).await.unwrap();
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_submission_while_the_queue_is_away_is_answered_within_three_seconds() {
    let Some(server) = Server::start() else {
        return;
    };
    let line = Line::to(server.port()).await;
    let address = server.database().await;
    let through = address.replace(&format!(":{}/", server.port()), &format!(":{}/", line.port));
    for (url, dead_line) in [(address, false), (through, true)] {
        let store = Store::open(&StoreUrl::Postgres(url)).await.unwrap();
        let http = Http::around(Fresh::new(), store, |_| {});
        http.stool("").await;
        match dead_line {
            true => drop(line.dies()),
            false => tokio::task::block_in_place(|| server.down()),
        }
        let asked = Instant::now();
        let told = http.post_json("/v1/jobs", stool_document()).await;
        let took = asked.elapsed();
        println!("answered after {took:?}, {}", told.status);
        assert_eq!(told.status, 503, "{}", told.text());
        assert!(took < Duration::from_secs(3), "{took:?}");
        if !dead_line {
            tokio::task::block_in_place(|| server.up());
        }
    }
}
