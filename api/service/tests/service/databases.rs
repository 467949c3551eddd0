//! Databases for the tests of the queue: files in folders of their own. `postgres` has a server.

use super::help::Fresh;
use grainway_service::model::{JobFile, JobId, NewJob, Source, When};
use grainway_service::store::{Store, StoreUrl};
use std::path::Path;

/// A job for the queue; its files are names only.
pub fn new_job(name: &str, now: i64) -> NewJob {
    NewJob {
        id: JobId::fresh(),
        name: name.to_string(),
        document: "job.json".to_string(),
        files: vec![JobFile {
            name: "job.json".to_string(),
            sha256: "5a".repeat(32),
            bytes: 2,
        }],
        priority: 0,
        not_before: None,
        when: When::Any,
        source: Source::Api,
        batch: None,
        replaces: None,
        code: "LB1234".to_string(),
        by: None,
        now,
    }
}

/// A queue in a file.
pub async fn sqlite(folder: &Path) -> Store {
    Store::open(&StoreUrl::Sqlite(folder.join("queue.sqlite")))
        .await
        .unwrap()
}

/// A folder in memory where the system has one: for tests of logic, not of disks.
pub fn in_memory() -> Fresh {
    match Path::new("/dev/shm").is_dir() {
        true => Fresh::below(Path::new("/dev/shm")),
        false => Fresh::new(),
    }
}
