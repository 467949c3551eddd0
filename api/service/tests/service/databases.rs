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

/// Random numbers of a seed (SplitMix64, from memory).
pub struct Dice(pub u64);

impl Dice {
    /// 0 up to one less than `sides`.
    pub fn roll(&mut self, sides: u64) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        (z ^ (z >> 31)) % sides
    }

    /// One of them.
    pub fn pick<T: Clone>(&mut self, from: &[T]) -> Option<T> {
        match from.len() {
            0 => None,
            n => Some(from[self.roll(n as u64) as usize].clone()),
        }
    }
}
