//! Backup and restore with the real commands: of a queue at work, of damaged files, and of archives that somebody changed.

use super::databases::{new_job, sqlite};
use super::help::Fresh;
use bytes::Bytes;
use grainway_runner::Launcher;
use grainway_service::config::Config;
use grainway_service::files::{FilePlace, Files, FilesUrl};
use grainway_service::hooks::sign::Secret;
use grainway_service::model::{Job, JobEnd, JobFile, JobId, JobState, Side, Summary};
use grainway_service::store::webhooks::Webhook;
use grainway_service::store::{JobFilter, Store};
use serde_json::Value;
use std::os::unix::fs::PermissionsExt;
use std::path::Path;
use std::process::{Command, Output};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use uuid::Uuid;

const T0: i64 = 1_700_000_000_000;

/// A job with a file handed in and, when it ended, two that it made.
async fn job(store: &Store, files: &Files, n: u32, ends: bool) -> JobId {
    let mut new = new_job(&format!("bench {n}"), T0);
    let put = async |side, attempt, name, text: String| {
        let place = FilePlace {
            job: new.id,
            side,
            attempt,
            name,
        };
        files.put(&place, Bytes::from(text)).await.unwrap()
    };
    new.files = vec![put(Side::In, None, "job.json", format!("{{\"n\":{n}}}")).await];
    store.submit(&[new.clone()], None, 100_000).await.unwrap();
    if ends {
        let claimed = store
            .claim(Uuid::new_v4(), T0, T0 + 30_000, false)
            .await
            .unwrap()
            .unwrap();
        let made = vec![
            put(
                Side::Out,
                Some("a1"),
                "programs/01-board-1.ngc",
                "G21\n".repeat(500 + n as usize),
            )
            .await,
            put(
                Side::Out,
                Some("a1"),
                "report.json",
                format!("{{\"report\":{n}}}"),
            )
            .await,
        ];
        let end = JobEnd {
            state: JobState::Ready,
            summary: Summary::default(),
            files: made,
            output: Some("a1".to_string()),
            lost: false,
        };
        assert_eq!(claimed.job.id, new.id);
        assert!(store.complete(&claimed.claim, &end, T0 + 1).await.unwrap());
    }
    new.id
}

async fn service(folder: &Path) -> (Store, Files) {
    std::fs::create_dir_all(folder).unwrap();
    let files = Files::open(&FilesUrl::Folder(folder.join("files"))).unwrap();
    (sqlite(folder).await, files)
}

/// All that a queue has: its jobs, and each with its files.
async fn all(store: &Store) -> Vec<(Job, Vec<JobFile>, Vec<JobFile>)> {
    let filter = JobFilter {
        limit: 1000,
        ..JobFilter::default()
    };
    let mut all = Vec::new();
    for job in store.jobs(&filter).await.unwrap() {
        let files = store.files(job.id, Side::In).await.unwrap();
        let made = store.files(job.id, Side::Out).await.unwrap();
        all.push((job, files, made));
    }
    all
}

fn run(what: &str, file: &Path, data: &Path) -> Output {
    let mut command = Command::new(env!("CARGO_BIN_EXE_grainway"));
    command
        .env_remove("GRAINWAY_CONFIG")
        .env_remove("GRAINWAY_DATA");
    command
        .args(["--json", what])
        .arg(file)
        .arg("--data")
        .arg(data);
    command.output().unwrap()
}

fn told(output: &Output, exit: i32) -> Value {
    let text = String::from_utf8_lossy(&output.stdout);
    assert_eq!(output.status.code(), Some(exit), "{text}");
    serde_json::from_str(&text).unwrap()
}

/// Every file of every job is there and right.
async fn whole(store: &Store, files: &Files, scratch: &Path) -> usize {
    let mut count = 0;
    for (job, handed, made) in all(store).await {
        for (side, attempt, list) in [
            (Side::In, None, handed),
            (Side::Out, job.output.as_deref(), made),
        ] {
            let into = scratch.join(format!("{}-{}", job.id, side.word()));
            files
                .fetch(job.id, side, attempt, &list, &into)
                .await
                .unwrap();
            count += list.len();
        }
    }
    count
}

#[tokio::test(flavor = "multi_thread", worker_threads = 3)]
async fn a_queue_at_work_is_backed_up_and_comes_back_as_it_was() {
    let fresh = Fresh::new();
    let data = fresh.join("data");
    let (store, files) = service(&data).await;
    for n in 0..40 {
        job(&store, &files, n, n < 30).await;
    }
    let secret = Secret::fresh().unwrap();
    let webhook = Webhook {
        id: "hook".to_string(),
        url: "https://library.example/".to_string(),
        events: vec!["job.ended".to_string()],
        off: None,
        failing_since: None,
        former_secret_until: None,
        created: T0,
        seen: 0,
    };
    assert!(store.add_webhook(&webhook, &secret, 9).await.unwrap());

    // Jobs come in and old ones are forgotten while the backup is written.
    let stop = Arc::new(AtomicBool::new(false));
    let busy = {
        let (store, files, stop) = (store.clone(), files.clone(), Arc::clone(&stop));
        tokio::spawn(async move {
            let mut n = 100;
            while !stop.load(Ordering::SeqCst) {
                job(&store, &files, n, false).await;
                n += 1;
            }
            n - 100
        })
    };
    let zip = fresh.join("monday.zip");
    let (to, from) = (zip.clone(), data.clone());
    let output = tokio::task::spawn_blocking(move || run("backup", &to, &from))
        .await
        .unwrap();
    stop.store(true, Ordering::SeqCst);
    let came = busy.await.unwrap();
    let said = told(&output, 0);
    let jobs = said["jobs"].as_u64().unwrap();
    assert!((40..=40 + u64::from(came)).contains(&jobs), "{said}");
    let mode = std::fs::metadata(&zip).unwrap().permissions().mode();
    assert_eq!(mode & 0o777, 0o600, "it holds secrets");
    assert_eq!(
        std::fs::read_dir(&*fresh).unwrap().count(),
        2,
        "nothing half-done is left"
    );

    // The same name again is refused, and so is a place where something is.
    let before = std::fs::read(&zip).unwrap();
    told(&run("backup", &zip, &data), 2);
    assert_eq!(std::fs::read(&zip).unwrap(), before);
    told(&run("restore", &zip, &data), 2);

    let again = fresh.join("again");
    let said = told(&run("restore", &zip, &again), 0);
    assert_eq!(said["jobs"].as_u64(), Some(jobs));
    let (copy, copied) = service(&again).await;
    let there = all(&copy).await;
    assert_eq!(there.len() as u64, jobs);
    let now = all(&store).await;
    for one in &there {
        assert!(now.contains(one), "{one:?}");
    }
    let count = whole(&copy, &copied, &fresh.join("scratch")).await;
    assert_eq!(count as u64, said["files"].as_u64().unwrap());
    assert_eq!(count as u64, jobs + 30 * 2);
    assert_eq!(
        copy.webhooks().await.unwrap(),
        store.webhooks().await.unwrap()
    );
    // It works on.
    job(&copy, &copied, 900, false).await;
}

#[tokio::test]
async fn files_that_are_missing_or_damaged_are_named_and_the_rest_is_kept() {
    let fresh = Fresh::new();
    let data = fresh.join("data");
    let (store, files) = service(&data).await;
    let (first, second) = (
        job(&store, &files, 1, true).await,
        job(&store, &files, 2, true).await,
    );
    let (missing, damaged) = (
        format!("jobs/{first}/in/job.json"),
        format!("jobs/{second}/out/a1/report.json"),
    );
    std::fs::remove_file(data.join("files").join(&missing)).unwrap();
    std::fs::write(data.join("files").join(&damaged), "{}").unwrap();
    let zip = fresh.join("x.zip");
    let said = told(&run("backup", &zip, &data), 1);
    assert_eq!(said["missing"], serde_json::json!([missing]));
    assert_eq!(said["damaged"], serde_json::json!([damaged]));
    told(&run("restore", &zip, &fresh.join("again")), 0);
    let program = format!("files/jobs/{first}/out/a1/programs/01-board-1.ngc");
    assert_eq!(
        std::fs::read(data.join(&program)).unwrap(),
        std::fs::read(fresh.join("again").join(&program)).unwrap()
    );
}

#[tokio::test]
async fn an_archive_that_was_changed_anywhere_restores_nothing() {
    let fresh = Fresh::new();
    let data = fresh.join("data");
    let (store, files) = service(&data).await;
    job(&store, &files, 1, true).await;
    store.close().await;
    let zip = fresh.join("x.zip");
    told(&run("backup", &zip, &data), 0);
    let good = std::fs::read(&zip).unwrap();
    let (bad, again) = (fresh.join("bad.zip"), fresh.join("again"));
    let original = contents(&data);
    let mut state = 0x2545_f491_4f6c_dd1d_u64;
    let mut refused = 0;
    for _ in 0..60 {
        state ^= state << 13;
        state ^= state >> 7;
        state ^= state << 17;
        let mut bytes = good.clone();
        match state % 8 {
            0 => bytes.truncate((state >> 8) as usize % good.len()),
            _ => bytes[(state >> 8) as usize % good.len()] ^= 1 << (state >> 40 & 7),
        }
        std::fs::write(&bad, &bytes).unwrap();
        let output = run("restore", &bad, &again);
        match output.status.code() {
            // Bytes that mean nothing: dates, rights. What is restored is the same.
            Some(0) => assert_eq!(contents(&again), original),
            Some(1 | 3) => {
                refused += 1;
                let left = std::fs::read_dir(&again).map_or(0, Iterator::count);
                assert_eq!(left, 0, "{}", String::from_utf8_lossy(&output.stdout));
            }
            other => panic!("{other:?}: {}", String::from_utf8_lossy(&output.stdout)),
        }
        let _ = std::fs::remove_dir_all(&again);
    }
    assert!(refused > 40, "{refused}");
    std::fs::write(&bad, "no zip").unwrap();
    told(&run("restore", &bad, &again), 1);
    told(&run("restore", &fresh.join("nowhere.zip"), &again), 3);
    told(
        &run("backup", &fresh.join("y.zip"), &fresh.join("nowhere")),
        2,
    );
}

/// The files of jobs, by name.
fn contents(data: &Path) -> std::collections::BTreeMap<String, Vec<u8>> {
    fn walk(folder: &Path, prefix: &str, found: &mut std::collections::BTreeMap<String, Vec<u8>>) {
        for entry in std::fs::read_dir(folder).unwrap() {
            let path = entry.unwrap().path();
            let name = format!("{prefix}/{}", path.file_name().unwrap().to_string_lossy());
            match path.is_dir() {
                true => walk(&path, &name, found),
                false => {
                    found.insert(name, std::fs::read(&path).unwrap());
                }
            }
        }
    }
    let mut found = std::collections::BTreeMap::new();
    walk(&data.join("files"), "", &mut found);
    // Whose they are is no file of a job.
    found.remove("/queue-id");
    found
}

/// Archives that name places outside, hold more than they say, or the same twice.
#[tokio::test]
async fn an_archive_made_by_somebody_else_writes_nowhere_else() {
    let fresh = Fresh::new();
    let bad = fresh.join("bad.zip");
    let holding = |named: &[&str], held: &[&str], content: &[u8]| {
        use std::io::Write;
        let mut zip = zip::ZipWriter::new(std::fs::File::create(&bad).unwrap());
        let options = zip::write::SimpleFileOptions::default();
        for name in held {
            zip.start_file(*name, options).unwrap();
            zip.write_all(content).unwrap();
        }
        // SHA-256 of "x", from `sha256sum`.
        let sum = "2d711642b726b04401627ca9fbac32f5c8530fb1903cc4db02258717921a4881";
        let files: Vec<Value> = named
            .iter()
            .map(|n| serde_json::json!({ "name": n, "sha256": sum, "bytes": 1 }))
            .collect();
        let contents = serde_json::json!({
            "format": "grainway.backup/1", "version": "0", "made": "now", "jobs": 0, "files": files,
        });
        zip.start_file("backup.json", options).unwrap();
        zip.write_all(contents.to_string().as_bytes()).unwrap();
        zip.finish().unwrap();
    };
    let made = |named: &[&str], held: &[&str]| holding(named, held, b"x");
    let again = fresh.join("again");
    let refused = |exit: i32, wanted: &str| {
        let said = told(&run("restore", &bad, &again), exit);
        assert!(said["error"].as_str().unwrap().contains(wanted), "{said}");
        assert_eq!(std::fs::read_dir(&again).map_or(0, Iterator::count), 0);
    };
    for name in [
        "../outside",
        "files/../../outside",
        "/etc/outside",
        "files//outside",
        "files/.hidden",
        "other",
    ] {
        made(&[name], &[name]);
        refused(1, "is not a name of its files");
    }
    made(&["files/a"], &["files/a"]);
    refused(1, "has no queue");
    for content in [&b"y"[..], b"", b"xx"] {
        holding(&["files/a"], &["files/a"], content);
        refused(1, "its sum is not the one noted");
    }
    made(&["files/a"], &[]);
    refused(1, "is missing");
    made(&["files/a", "files/a"], &["files/a"]);
    refused(1, "twice");
    made(&["store.sqlite"], &["store.sqlite", "files/more"]);
    refused(1, "does not name");
    // A queue that is none.
    made(&["store.sqlite"], &["store.sqlite"]);
    refused(1, "is no queue");
    assert!(!fresh.join("outside").exists());
}

/// What was restored is one: the service takes queue and files for each other's, and a restore that broke off before the queue came
/// leaves files that no other queue takes for its own.
#[tokio::test]
async fn a_service_starts_from_what_was_restored() {
    let place = Fresh::new();
    let start = async |data: &str| {
        let config = Config {
            data: place.join(data),
            ..Config::default()
        };
        let launcher = Launcher {
            program: "grainway".into(),
            clock: || 0,
        };
        grainway_service::run::open(config, launcher).await
    };
    let first = start("first").await.unwrap();
    let id = job(&first.store, &first.files, 1, true).await;
    Arc::into_inner(first).unwrap().store.close().await;
    let file = place.join("backup.zip");
    told(&run("backup", &file, &place.join("first")), 0);
    for data in ["second", "third"] {
        told(&run("restore", &file, &place.join(data)), 0);
    }
    let second = start("second").await.unwrap();
    let found = second.files.found().await.unwrap();
    assert_eq!((found.len(), found[0].job), (1, id));
    let jobs = place.join("third/files/jobs");
    std::fs::remove_file(place.join("third/queue.sqlite")).unwrap();
    assert!(start("third").await.is_err());
    assert_eq!(std::fs::read_dir(jobs).unwrap().count(), 1);
}
