//! The worker itself, with a process of its own for the job.

use super::help::{Fresh, example};
use grainway::Launcher;
use grainway::service::config::Config;
use grainway::service::faults::{Fault, Faults};
use grainway::service::files::{Files, FilesUrl};
use grainway::service::intake::{Handed, take};
use grainway::service::model::JobState;
use grainway::service::store::{Store, StoreUrl};
use grainway::service::{Shared, worker};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};
use tokio::sync::{Notify, watch};

/// The first calls of one kind fail; all calls are noted.
struct First {
    call: &'static str,
    times: usize,
    seen: Mutex<Vec<&'static str>>,
}

impl Faults for First {
    fn before(&self, call: &'static str) -> Option<Fault> {
        let mut seen = self.seen.lock().unwrap();
        seen.push(call);
        let n = seen.iter().filter(|c| **c == self.call).count();
        (call == self.call && n <= self.times).then_some(Fault::NotDone)
    }
}

/// A store of files that is slow or away for a while costs no job its worker: otherwise a large job would be made again and again.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_lease_is_renewed_while_files_are_put_away() {
    let place = Fresh::new();
    // Five tries with pauses of 0.1 to 1.6 s: three seconds, three renewals.
    let faults = Arc::new(First {
        call: "put_file",
        times: 5,
        seen: Mutex::default(),
    });
    let store = Store::open(&StoreUrl::Sqlite(place.join("queue.sqlite")))
        .await
        .unwrap();
    let files = Files::open(&FilesUrl::Folder(place.join("files"))).unwrap();
    let shared = Arc::new(Shared {
        config: Config {
            data: place.to_path_buf(),
            workers: Some(1),
            ..Config::default()
        },
        store: store.failing(faults.clone()),
        files: files.failing(faults.clone()),
        launcher: Launcher {
            program: env!("CARGO_BIN_EXE_grainway").into(),
            clock: || 0,
        },
        owner: uuid::Uuid::new_v4(),
        work: Notify::new(),
        events: watch::channel(0).0,
        stop: watch::channel(false).0,
    });
    let file = |name: &str| {
        let bytes = std::fs::read(example("step-stool").join(name)).unwrap();
        (name.to_string(), bytes.into())
    };
    let handed = Handed {
        files: ["job.json", "shop.json"].map(file).into(),
        ..Handed::default()
    };
    let taken = take(&shared, vec![handed], None, false).await.unwrap();
    let working = tokio::spawn(worker::work(Arc::clone(&shared)));
    let until = Instant::now() + Duration::from_secs(120);
    let job = loop {
        let job = shared.store.job(taken.jobs[0].id).await.unwrap().unwrap();
        if job.state.is_end() {
            break job;
        }
        assert!(Instant::now() < until, "{job:?}");
        tokio::time::sleep(Duration::from_millis(50)).await;
    };
    shared.stop.send_replace(true);
    working.await.unwrap();
    assert_eq!((job.state, job.attempts), (JobState::Ready, 0));
    let seen = faults.seen.lock().unwrap();
    let first = seen.iter().position(|c| *c == "put_file").unwrap();
    let ended = seen.iter().position(|c| *c == "complete").unwrap();
    let renewed = seen[first..ended].iter().filter(|c| **c == "renew").count();
    assert!(renewed >= 2, "{renewed} renewals in {seen:?}");
    assert_eq!(seen.iter().filter(|c| **c == "complete").count(), 1);
}
