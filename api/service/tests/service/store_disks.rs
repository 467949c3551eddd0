//! Disks that are full or cannot be written: the caller is told so, nothing that was answered for is lost, and all goes on once there is
//! room again.

use super::databases::new_job;
use super::help::Fresh;
use super::postgres::root;
use super::store_cases::{all_jobs, claim, end, sound, submit};
use bytes::Bytes;
use grainway_service::files::{FilePlace, Files, FilesProblem, FilesUrl};
use grainway_service::model::{JobId, JobState, NewJob, Side};
use grainway_service::store::{Store, StoreProblem, StoreUrl, Submitted};
use std::path::Path;
use std::process::Command;

/// A small file system in memory, gone when dropped.
pub struct Small(Fresh);

impl Small {
    /// `None` with a line where it may not be mounted.
    pub fn mounted(size: &str) -> Option<Small> {
        let folder = Fresh::new();
        let path = folder.to_str().unwrap();
        let options = format!("size={size}");
        let mount = ["-t", "tmpfs", "-o", &options, "grainway-test", path];
        if !root()
            || !Command::new("mount")
                .args(mount)
                .status()
                .is_ok_and(|s| s.success())
        {
            println!("skipped: a small file system can be mounted by root only");
            return None;
        }
        Some(Small(folder))
    }

    pub fn now(&self, options: &str) {
        let options = format!("remount,{options}");
        let remount = Command::new("mount")
            .args(["-o", &options])
            .arg(self.path())
            .status();
        assert!(remount.unwrap().success());
    }

    pub fn path(&self) -> &Path {
        &self.0
    }
}

impl Drop for Small {
    fn drop(&mut self) {
        let _ = Command::new("umount").arg("-l").arg(self.path()).status();
    }
}

fn big_job(n: i64) -> NewJob {
    new_job(&"bench ".repeat(2000), n)
}

#[tokio::test]
async fn a_full_disk_under_the_queue() {
    let Some(small) = Small::mounted("1m") else {
        return;
    };
    let url = StoreUrl::Sqlite(small.path().join("queue.sqlite"));
    let store = Store::open(&url).await.unwrap();
    let mut taken = Vec::new();
    let full = loop {
        assert!(taken.len() < 200, "it is never full");
        let job = big_job(taken.len() as i64);
        let id = job.id;
        match store.submit(&[job], None, 1000).await {
            Ok(Submitted::New(_)) => taken.push(id),
            Ok(other) => panic!("{other:?}"),
            Err(problem) => break problem,
        }
    };
    assert!(matches!(full, StoreProblem::Disk(_)), "{full:?}");
    println!("{} jobs, then: {full}", taken.len());
    for _ in 0..5 {
        let problem = store.submit(&[big_job(1)], None, 1000).await.unwrap_err();
        assert!(matches!(problem, StoreProblem::Disk(_)), "{problem:?}");
    }
    // What was answered for is there, and can be read meanwhile.
    let there = |jobs: Vec<grainway_service::model::Job>| {
        jobs.iter().rev().map(|j| j.id).collect::<Vec<_>>()
    };
    assert_eq!(there(all_jobs(&store).await), taken);
    sound(&store).await;
    small.now("size=4m");
    let claimed = claim(&store, 1000).await.unwrap();
    assert!(
        store
            .complete(&claimed.claim, &end(JobState::Ready), 1001)
            .await
            .unwrap()
    );
    taken.push(submit(&store, big_job(1)).await.id);
    assert_eq!(there(all_jobs(&store).await), taken);
    sound(&store).await;
    store.close().await;
    let store = Store::open(&url).await.unwrap();
    assert_eq!(there(all_jobs(&store).await), taken);
}

#[tokio::test]
async fn a_read_only_disk() {
    let Some(small) = Small::mounted("4m") else {
        return;
    };
    let url = StoreUrl::Sqlite(small.path().join("queue.sqlite"));
    let folder = FilesUrl::Folder(small.path().join("files"));
    let (store, files) = (
        Store::open(&url).await.unwrap(),
        Files::open(&folder).unwrap(),
    );
    let job = submit(&store, new_job("bench", 1)).await.id;
    let place = FilePlace {
        job,
        side: Side::In,
        attempt: None,
        name: "job.json",
    };
    files.put(&place, Bytes::from_static(b"{}")).await.unwrap();
    store.close().await;
    small.now("ro");
    let Err(problem) = Store::open(&url).await else {
        panic!("it was opened")
    };
    assert!(matches!(problem, StoreProblem::Disk(_)), "{problem:?}");
    println!("{problem}");
    let problem = files
        .put(&place, Bytes::from_static(b"{}"))
        .await
        .unwrap_err();
    assert!(matches!(problem, FilesProblem::Disk(_)), "{problem:?}");
    println!("{problem}");
    assert!(matches!(files.probe().await, Err(FilesProblem::Disk(_))));
    assert!(matches!(
        files.remove_job(job).await,
        Err(FilesProblem::Disk(_))
    ));
    // Reading goes on.
    assert_eq!(files.read(&place, None).await.unwrap().bytes, 2);
    small.now("rw");
    let store = Store::open(&url).await.unwrap();
    assert_eq!(all_jobs(&store).await.len(), 1);
    files.probe().await.unwrap();
}

#[tokio::test]
async fn a_full_disk_under_the_files() {
    let Some(small) = Small::mounted("1m") else {
        return;
    };
    let files = Files::open(&FilesUrl::Folder(small.path().to_path_buf())).unwrap();
    let (job, from) = (JobId::fresh(), Fresh::new());
    std::fs::write(from.join("made"), vec![b'x'; 400_000]).unwrap();
    let place = |name: &'static str| FilePlace {
        job,
        side: Side::Out,
        attempt: Some("a"),
        name,
    };
    let small_file = files
        .put(&place("report.json"), Bytes::from(vec![b'y'; 300_000]))
        .await
        .unwrap();
    let one = files
        .put_file(&place("one.svg"), &from.join("made"))
        .await
        .unwrap();
    // Once in a piece, once streamed.
    let put = files
        .put(&place("two.svg"), Bytes::from(vec![b'z'; 390_000]))
        .await
        .unwrap_err();
    let streamed = files
        .put_file(&place("two.svg"), &from.join("made"))
        .await
        .unwrap_err();
    for problem in [put, streamed] {
        assert!(matches!(problem, FilesProblem::Disk(_)), "{problem:?}");
        println!("{problem}");
    }
    assert!(
        matches!(
            files.read(&place("two.svg"), None).await,
            Err(FilesProblem::Missing(_))
        ),
        "half a file shows"
    );
    let into = Fresh::new();
    files
        .fetch(job, Side::Out, Some("a"), &[small_file, one], &into)
        .await
        .unwrap();
    println!(
        "{} half-written files were left",
        files.clean().await.unwrap()
    );
    // What the failed ones took is free again.
    let left = std::fs::read_dir(small.path().join(format!("jobs/{job}/out/a")))
        .unwrap()
        .count();
    assert_eq!(left, 2);
    files.remove_attempt(job, "a").await.unwrap();
    files
        .put_file(&place("two.svg"), &from.join("made"))
        .await
        .unwrap();
}
