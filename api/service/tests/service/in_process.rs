//! A service in the test's own process, and waiting for what its worker does.

use super::help::job_program;
use grainway_runner::Launcher;
use grainway_service::Shared;
use grainway_service::config::Config;
use grainway_service::faults::{Faults, InjectedFault};
use grainway_service::files::{Files, FilesUrl};
use grainway_service::model::{Job, JobId};
use grainway_service::store::{Store, StoreUrl};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::{Duration, Instant};
use tokio::sync::{Notify, watch};
use tokio::task::JoinHandle;

/// Nothing fails.
pub struct Nothing;

impl Faults for Nothing {
    fn before(&self, _: &'static str) -> Option<InjectedFault> {
        None
    }
}

/// What the parts of a service share, around a queue and its files. The program holds the jobs' processes.
pub fn shared(config: Config, store: Store, files: Files, program: impl Into<PathBuf>) -> Shared {
    Shared {
        config,
        store,
        files,
        launcher: Launcher {
            program: program.into(),
            clock: || 0,
        },
        owner: uuid::Uuid::new_v4(),
        work: Notify::new(),
        events: watch::Sender::new(0),
        stop: watch::Sender::new(false),
    }
}

/// A service in this process with one worker, whose jobs at work are in `work`.
pub async fn service(place: &Path, work: &Path, faults: Arc<dyn Faults>) -> Arc<Shared> {
    let program = job_program();
    service_of(place, work, faults, program).await
}

/// The same, with another program for the jobs' processes.
pub async fn service_of(
    place: &Path,
    work: &Path,
    faults: Arc<dyn Faults>,
    program: PathBuf,
) -> Arc<Shared> {
    let store = Store::open(&StoreUrl::Sqlite(place.join("queue.sqlite")))
        .await
        .unwrap();
    let files = Files::open(&FilesUrl::Folder(place.join("files"))).unwrap();
    let config = Config {
        data: place.to_path_buf(),
        work: Some(work.to_path_buf()),
        workers: Some(1),
        ..Config::default()
    };
    Arc::new(shared(
        config,
        store.failing(faults.clone()),
        files.failing(faults),
        program,
    ))
}

/// Waits for something of a job.
pub async fn until(shared: &Shared, id: JobId, wanted: impl Fn(&Job) -> bool) -> Job {
    let last = Instant::now() + Duration::from_secs(120);
    loop {
        let job = shared.store.job(id).await.unwrap().unwrap();
        if wanted(&job) {
            return job;
        }
        assert!(Instant::now() < last, "{job:?}");
        tokio::time::sleep(Duration::from_millis(50)).await;
    }
}

pub async fn stopped(shared: &Shared, working: JoinHandle<()>) {
    shared.stop.send_replace(true);
    working.await.unwrap();
}
