//! What nobody needs goes, what somebody needs stays: folders of processes, files of jobs, files of another queue.

use super::databases::{new_job, sqlite};
use super::help::Fresh;
use super::in_process;
use super::store_cases::submit;
use bytes::Bytes;
use grainway_runner::Launcher;
use grainway_service::config::Config;
use grainway_service::doctor::{Health, examine};
use grainway_service::files::{FilePlace, Files, FilesProblem, FilesUrl};
use grainway_service::model::{JobId, Side};
use grainway_service::run::{Trouble, open};
use grainway_service::store::Store;
use grainway_service::{Shared, sweep};
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;
use uuid::Uuid;

pub fn launcher() -> Launcher {
    Launcher {
        program: "grainway".into(),
        clock: || 0,
    }
}

/// A process that works in `work`.
fn process(store: &Store, files: &Files, work: &Path) -> Shared {
    let config = Config {
        work: Some(work.to_path_buf()),
        ..Config::default()
    };
    in_process::shared(config, store.clone(), files.clone(), "/nowhere")
}

fn names(folder: &Path) -> Vec<String> {
    let entries = std::fs::read_dir(folder).unwrap();
    let names = entries.map(|e| e.unwrap().file_name().into_string().unwrap());
    let mut names: Vec<String> = names.collect();
    names.sort();
    names
}

fn given(job: JobId) -> FilePlace<'static> {
    FilePlace {
        job,
        side: Side::In,
        attempt: None,
        name: "job.json",
    }
}

async fn put(files: &Files, job: JobId) {
    let bytes = Bytes::from_static(b"{}");
    files.put(&given(job), bytes).await.unwrap();
}

/// Several processes begin and end at a time on one machine: none fails to start, and none loses what it works in.
#[tokio::test]
async fn processes_that_begin_and_end_at_a_time_leave_each_other_alone() {
    let place = Fresh::new();
    let store = sqlite(&place).await;
    let files = Files::open(&FilesUrl::Folder(place.join("files"))).unwrap();
    let work = place.join("work");
    std::thread::scope(|scope| {
        for _ in 0..4 {
            scope.spawn(|| {
                for _ in 0..150 {
                    let one = process(&store, &files, &work);
                    sweep::work_folders(&one).unwrap();
                    let mine = work.join(one.owner.to_string());
                    std::fs::write(mine.join("job.json"), "{}").unwrap();
                    std::thread::yield_now();
                    assert!(mine.join("job.json").is_file());
                    assert!(work.join(format!("{}.lock", one.owner)).is_file());
                    sweep::own_folder(&one);
                }
            });
        }
    });
    assert_eq!(names(&work), Vec::<String>::new());
}

/// A process was killed; what it had started goes on for a moment and writes into its folder.
#[tokio::test]
async fn a_dead_process_s_folder_that_is_still_written_to_stops_no_start() {
    let place = Fresh::new();
    let store = sqlite(&place).await;
    let files = Files::open(&FilesUrl::Folder(place.join("files"))).unwrap();
    let work = place.join("work");
    // One with its lock, and one whose lock went before its last files came.
    let (dead, orphan) = (Uuid::new_v4().to_string(), Uuid::new_v4().to_string());
    for folder in [&dead, &orphan] {
        std::fs::create_dir_all(work.join(folder)).unwrap();
    }
    std::fs::write(work.join(format!("{dead}.lock")), "").unwrap();
    std::fs::write(work.join("notes of the operator.txt"), "").unwrap();
    let over = AtomicBool::new(false);
    let one = process(&store, &files, &work);
    std::thread::scope(|scope| {
        for folder in [&dead, &orphan] {
            let (work, over) = (&work, &over);
            scope.spawn(move || {
                for n in 0.. {
                    if over.load(Ordering::Relaxed) {
                        break;
                    }
                    let folder = work.join(folder).join(format!("try-{}", n % 7));
                    let _ = std::fs::create_dir_all(&folder);
                    let _ = std::fs::write(folder.join(n.to_string()), "G0");
                }
            });
        }
        std::thread::sleep(Duration::from_millis(20));
        let started = sweep::work_folders(&one);
        over.store(true, Ordering::Relaxed);
        started.unwrap();
    });
    sweep::own_folder(&one);
    // The next start finds it quiet.
    let next = process(&store, &files, &work);
    sweep::work_folders(&next).unwrap();
    sweep::own_folder(&next);
    assert_eq!(names(&work), ["notes of the operator.txt"]);
}

/// A process of several was killed while it wrote the very first file of a job: no other ever cleans, so the sweep must see it.
#[tokio::test]
async fn half_written_files_and_empty_folders_of_no_job_go() {
    let place = Fresh::new();
    let store = sqlite(&place).await;
    let files = Files::open(&FilesUrl::Folder(place.join("files"))).unwrap();
    let shared = process(&store, &files, &place.join("work"));
    let known = submit(&store, new_job("bench", 1)).await.id;
    put(&files, known).await;
    let jobs = place.join("files/jobs");
    let (torn, empty) = (JobId::fresh(), JobId::fresh());
    std::fs::create_dir_all(jobs.join(format!("{torn}/in"))).unwrap();
    std::fs::write(jobs.join(format!("{torn}/in/job.json#1")), "{").unwrap();
    std::fs::create_dir_all(jobs.join(format!("{empty}/in"))).unwrap();
    std::fs::create_dir_all(jobs.join("notes of the operator")).unwrap();
    sweep::files(&shared, 3_600_000).await.unwrap();
    assert_eq!(
        names(&jobs).len(),
        4,
        "they may be of a job that comes in now"
    );
    sweep::files(&shared, -2000).await.unwrap();
    let mut left = [known.to_string(), "notes of the operator".to_string()];
    left.sort();
    assert_eq!(names(&jobs), left);
}

/// The drive of the file store is not there: its folder is empty. Files are away then, not missing, and no job fails for it.
#[tokio::test]
async fn a_file_store_whose_drive_is_gone_is_away() {
    let place = Fresh::new();
    let files = Files::open(&FilesUrl::Folder(place.join("files"))).unwrap();
    let job = JobId::fresh();
    put(&files, job).await;
    std::fs::rename(place.join("files/jobs"), place.join("elsewhere")).unwrap();
    for problem in [
        files.read(&given(job), None).await.err(),
        files.read(&given(job), Some(0..1)).await.err(),
    ] {
        assert!(
            matches!(&problem, Some(FilesProblem::Away(why)) if why.contains("drive")),
            "{problem:?}"
        );
    }
    std::fs::rename(place.join("elsewhere"), place.join("files/jobs")).unwrap();
    files.read(&given(job), None).await.unwrap();
    let other = files.read(&given(JobId::fresh()), None).await.err();
    assert!(matches!(other, Some(FilesProblem::Missing(_))), "{other:?}");
}

/// A queue that was begun anew, or another one by a mistake in the settings: it knows no job of the files there and would remove all.
#[tokio::test]
async fn files_of_another_queue_are_left_alone() {
    let place = Fresh::new();
    let config = |queue: &str| Config {
        data: place.join("data"),
        store: Some(place.join(queue).display().to_string()),
        ..Config::default()
    };
    let start = async |queue: &str| open(config(queue), launcher()).await;
    let first = start("first.sqlite").await.unwrap();
    let job = new_job("bench", 1);
    put(&first.files, job.id).await;
    submit(&first.store, job.clone()).await;
    sweep::own_folder(&first);
    let files = first.files.clone();
    Arc::into_inner(first).unwrap().store.close().await;
    let Err(Trouble::Usage(why)) = start("second.sqlite").await else {
        panic!("it was started")
    };
    assert!(why.contains("another queue"), "{why}");
    files.read(&given(job.id), None).await.unwrap();
    // Its own queue has them still.
    let again = start("first.sqlite").await.unwrap();
    again.files.read(&given(job.id), None).await.unwrap();
    // Who is sure takes them over as the message says.
    let marker = place.join("data/files").join(why_names(&why));
    std::fs::remove_file(marker).unwrap();
    let taken = start("second.sqlite").await.unwrap();
    let gone = taken.files.read(&given(job.id), None).await.err();
    assert!(gone.is_some());
}

/// The marker's name as the message has it, between quotes.
fn why_names(why: &str) -> &str {
    why.split('"').nth(1).unwrap()
}

/// The drive of the files is not there when the service starts: what stands in its place must not be taken for a fresh store, or
/// every job that waits would fail.
#[tokio::test]
async fn a_queue_does_not_start_without_the_files_that_it_had() {
    let place = Fresh::new();
    let config = || Config {
        data: place.join("data"),
        ..Config::default()
    };
    let first = open(config(), launcher()).await.unwrap();
    sweep::own_folder(&first);
    Arc::into_inner(first).unwrap().store.close().await;
    std::fs::rename(place.join("data/files"), place.join("drive")).unwrap();
    let Err(Trouble::Usage(why)) = open(config(), launcher()).await else {
        panic!("it was started")
    };
    assert!(why.contains("drive"), "{why}");
    std::fs::remove_dir_all(place.join("data/files")).unwrap();
    std::fs::rename(place.join("drive"), place.join("data/files")).unwrap();
    let again = open(config(), launcher()).await.unwrap();
    sweep::own_folder(&again);
    Arc::into_inner(again).unwrap().store.close().await;
    // Doctor says so too, when something stands in the drive's place.
    let files = async || {
        let now = || jiff::Timestamp::now().as_millisecond() as f64 / 1000.0;
        let checks = examine(&config(), now).await;
        checks.into_iter().find(|c| c.what == "files").unwrap()
    };
    assert_eq!(files().await.health, Health::Good);
    std::fs::rename(place.join("data/files"), place.join("drive")).unwrap();
    assert_eq!(files().await.health, Health::Wrong);
    std::fs::rename(place.join("drive"), place.join("data/files")).unwrap();
    std::fs::remove_file(place.join("data/files/queue-id")).unwrap();
    let told = files().await;
    assert!(
        told.health == Health::Wrong && told.found.contains("drive"),
        "{told:?}"
    );
    // Files that are lost for good: the message says how to go on without.
    std::fs::remove_dir_all(place.join("data/files")).unwrap();
    let Err(Trouble::Usage(why)) = open(config(), launcher()).await else {
        panic!("it was started")
    };
    let (name, id) = (why_names(&why), why.split('"').nth(3).unwrap());
    std::fs::write(place.join("data/files").join(name), id).unwrap();
    open(config(), launcher()).await.unwrap();
}
