//! The files of jobs: what a file store must do, in a folder and behind an S3-style API.
//!
//! The API is served by two others, so that it is not our own reading of it: s3s-fs, a server over a folder that checks signatures, and
//! the server of the Python library moto, a stub written to test programs that use S3, which keeps objects in memory and checks none.

use super::help::Fresh;
use bytes::Bytes;
use futures_util::{StreamExt, TryStreamExt, stream};
use grainway_service::files::{FilePlace, Files, FilesProblem, FilesUrl};
use grainway_service::model::{JobFile, JobId, Side};
use std::collections::BTreeSet;
use std::net::TcpListener;
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

/// FIPS 180-4 (from its published example): the SHA-256 of "abc".
const ABC: &str = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad";

fn given(job: JobId, name: &str) -> FilePlace<'_> {
    FilePlace {
        job,
        side: Side::In,
        attempt: None,
        name,
    }
}

fn made<'n>(job: JobId, attempt: &'n str, name: &'n str) -> FilePlace<'n> {
    FilePlace {
        job,
        side: Side::Out,
        attempt: Some(attempt),
        name,
    }
}

async fn bytes_of(
    files: &Files,
    place: &FilePlace<'_>,
    range: Option<std::ops::Range<u64>>,
) -> Vec<u8> {
    let reading = files.read(place, range).await.unwrap();
    let pieces: Vec<Bytes> = reading.stream.try_collect().await.unwrap();
    pieces.concat()
}

async fn put_and_read(files: &Files) {
    let job = JobId::fresh();
    let place = given(job, "drawings/library_seat-1.dxf");
    let file = files.put(&place, Bytes::from_static(b"abc")).await.unwrap();
    let wanted = JobFile {
        name: "drawings/library_seat-1.dxf".to_string(),
        sha256: ABC.to_string(),
        bytes: 3,
    };
    assert_eq!(file, wanted);
    assert_eq!(bytes_of(files, &place, None).await, b"abc");
    assert_eq!(bytes_of(files, &place, Some(1..3)).await, b"bc");
    let reading = files.read(&place, Some(1..2)).await.unwrap();
    assert_eq!((reading.bytes, reading.range), (3, 1..2));
    for range in [3..4, 1..4, 2..2, 0..u64::MAX] {
        let problem = files.read(&place, Some(range)).await.err().unwrap();
        assert!(
            matches!(problem, FilesProblem::Range { bytes: 3 }),
            "{problem:?}"
        );
    }
    let empty = given(job, "empty.csv");
    assert_eq!(files.put(&empty, Bytes::new()).await.unwrap().bytes, 0);
    assert_eq!(bytes_of(files, &empty, None).await, b"");
    for missing in [
        given(job, "none.json"),
        made(job, "a", "empty.csv"),
        given(JobId::fresh(), "empty.csv"),
    ] {
        let problem = files.read(&missing, None).await.err().unwrap();
        assert!(matches!(&problem, FilesProblem::Missing(_)), "{problem:?}");
    }
    files.probe().await.unwrap();
    let found = files.found().await.unwrap();
    assert_eq!(
        found.iter().map(|f| f.job).collect::<Vec<_>>(),
        [job],
        "the probe leaves nothing"
    );
    files.remove_job(job).await.unwrap();
}

async fn names_stay_inside(files: &Files) {
    let job = JobId::fresh();
    let long = "n".repeat(81);
    for name in [
        "",
        "/a",
        "a/",
        "a//b",
        "../a",
        "a/../../b",
        ".a",
        "a/.b",
        "a\\b",
        "a b",
        "ä",
        "a#1",
        "a\0",
        "a%2e",
        &long,
    ] {
        let problem = files
            .put(&given(job, name), Bytes::new())
            .await
            .unwrap_err();
        assert!(
            matches!(problem, FilesProblem::Name(_)),
            "{name:?}: {problem:?}"
        );
        assert!(
            matches!(
                files.read(&made(job, name, "a"), None).await,
                Err(FilesProblem::Name(_))
            ),
            "{name:?}"
        );
        assert!(
            matches!(
                files.remove_attempt(job, name).await,
                Err(FilesProblem::Name(_))
            ),
            "{name:?}"
        );
        let listed = [JobFile {
            name: name.to_string(),
            sha256: ABC.to_string(),
            bytes: 0,
        }];
        let into = Fresh::new();
        assert!(
            matches!(
                files.fetch(job, Side::In, None, &listed, &into).await,
                Err(FilesProblem::Name(_))
            ),
            "{name:?}"
        );
    }
    let no_attempt = FilePlace {
        job,
        side: Side::Out,
        attempt: None,
        name: "a",
    };
    assert!(matches!(
        files.put(&no_attempt, Bytes::new()).await,
        Err(FilesProblem::Name(_))
    ));
    assert!(files.found().await.unwrap().is_empty());
}

/// In a piece and in parts, and what is not a whole number of parts.
async fn large_files(files: &Files) {
    let (job, from) = (JobId::fresh(), Fresh::new());
    let mut listed = Vec::new();
    for (n, size) in [
        (0, 0_usize),
        (1, 8 << 20),
        (2, (8 << 20) + 1),
        (3, 20_000_003),
    ] {
        let bytes: Vec<u8> = (0..size).map(|i| (i * 31 + i / 997) as u8).collect();
        let name = format!("programs/{n}.ngc");
        std::fs::write(from.join("made"), &bytes).unwrap();
        let file = files
            .put_file(&made(job, "try-1", &name), &from.join("made"))
            .await
            .unwrap();
        assert_eq!(file.bytes, size as u64);
        if size > 100 {
            let at = size as u64 - 100;
            assert_eq!(
                bytes_of(files, &made(job, "try-1", &name), Some(at..at + 90)).await,
                bytes[size - 100..size - 10]
            );
        }
        listed.push(file);
    }
    let into = Fresh::new();
    files
        .fetch(job, Side::Out, Some("try-1"), &listed, &into)
        .await
        .unwrap();
    for file in &listed {
        assert_eq!(
            std::fs::metadata(into.join(&file.name)).unwrap().len(),
            file.bytes
        );
    }
    // Another content in its place, and a sum that was noted for another file.
    let first = made(job, "try-1", &listed[2].name);
    files.put(&first, Bytes::from_static(b"abc")).await.unwrap();
    let problem = files
        .fetch(job, Side::Out, Some("try-1"), &listed, &Fresh::new())
        .await
        .unwrap_err();
    assert!(
        matches!(&problem, FilesProblem::Damaged { name } if *name == listed[2].name),
        "{problem:?}"
    );
    let none = files
        .put_file(&first, &from.join("none"))
        .await
        .unwrap_err();
    assert!(none.to_string().contains("none"), "{none}");
    files.remove_job(job).await.unwrap();
}

async fn removed_and_found(files: &Files) {
    let (one, other) = (JobId::fresh(), JobId::fresh());
    let before = jiff::Timestamp::now().as_millisecond();
    for place in [
        given(one, "job.json"),
        made(one, "a", "report.json"),
        made(one, "ab", "report.json"),
        made(one, "ab", "programs/01.ngc"),
        given(other, "job.json"),
    ] {
        files.put(&place, Bytes::from_static(b"{}")).await.unwrap();
    }
    let found = files.found().await.unwrap();
    let attempts: Vec<(JobId, Vec<&str>)> = found
        .iter()
        .map(|f| (f.job, f.attempts.iter().map(String::as_str).collect()))
        .collect();
    assert_eq!(attempts, [(one, vec!["a", "ab"]), (other, vec![])]);
    // Whole seconds is all that some stores know.
    assert!(
        found
            .iter()
            .all(|f| f.newest >= before - 2000 && f.newest <= before + 60_000),
        "{found:?}"
    );
    files.remove_attempt(one, "a").await.unwrap();
    assert!(matches!(
        files.read(&made(one, "a", "report.json"), None).await,
        Err(FilesProblem::Missing(_))
    ));
    assert_eq!(
        bytes_of(files, &made(one, "ab", "report.json"), None).await,
        b"{}",
        "its name only begins like it"
    );
    files.remove_attempt(one, "a").await.unwrap();
    files.remove_job(other).await.unwrap();
    files.remove_job(other).await.unwrap();
    files.remove_job(JobId::fresh()).await.unwrap();
    let found = files.found().await.unwrap();
    assert_eq!(
        (found.len(), found[0].job, found[0].attempts.as_slice()),
        (1, one, ["ab".to_string()].as_slice())
    );
    assert_eq!(bytes_of(files, &given(one, "job.json"), None).await, b"{}");
    files.remove_job(one).await.unwrap();
    assert!(files.found().await.unwrap().is_empty());
}

/// More than a store lists or removes in one request.
async fn many_files(files: &Files) {
    let job = JobId::fresh();
    let names: Vec<String> = (0..1100).map(|n| format!("programs/{n:04}.ngc")).collect();
    let puts = stream::iter(&names).map(|name| async move {
        files
            .put(&made(job, "a", name), Bytes::from_static(b"abc"))
            .await
            .unwrap()
    });
    let listed: Vec<JobFile> = puts.buffer_unordered(16).collect().await;
    let into = Fresh::new();
    files
        .fetch(job, Side::Out, Some("a"), &listed[..50], &into)
        .await
        .unwrap();
    let unique: BTreeSet<&str> = listed.iter().map(|f| f.name.as_str()).collect();
    assert_eq!(unique.len(), 1100);
    assert_eq!(files.found().await.unwrap().len(), 1);
    files.remove_job(job).await.unwrap();
    assert!(files.found().await.unwrap().is_empty());
}

async fn one_queue_has_them(files: &Files) {
    assert_eq!(files.queue().await.unwrap(), None);
    for name in ["first", "second"] {
        files.belong_to(name).await.unwrap();
        assert_eq!(files.queue().await.unwrap().as_deref(), Some(name));
    }
    assert!(files.found().await.unwrap().is_empty());
}

async fn all_cases(files: &Files) {
    one_queue_has_them(files).await;
    put_and_read(files).await;
    names_stay_inside(files).await;
    large_files(files).await;
    removed_and_found(files).await;
    many_files(files).await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn in_a_folder() {
    let folder = Fresh::new();
    let files = Files::open(&FilesUrl::Folder(folder.join("not/there/yet"))).unwrap();
    all_cases(&files).await;
}

#[tokio::test]
async fn what_a_killed_process_left_in_a_folder() {
    let folder = Fresh::new();
    let files = Files::open(&FilesUrl::Folder(folder.to_path_buf())).unwrap();
    let job = JobId::fresh();
    files
        .put(&made(job, "a", "report.json"), Bytes::from_static(b"{}"))
        .await
        .unwrap();
    let of = |name: &str| folder.join(format!("jobs/{job}/out/{name}"));
    // Names as the store gives them while it writes, an empty folder, a stranger that is not ours to remove.
    std::fs::write(of("a/report.json#1"), b"{").unwrap();
    std::fs::create_dir(of("b")).unwrap();
    std::fs::write(of("b/01.ngc#22"), b"G0").unwrap();
    std::fs::create_dir(of("c")).unwrap();
    std::fs::write(folder.join("notes of the operator.txt"), b"!").unwrap();
    assert_eq!(
        files.found().await.unwrap()[0].attempts,
        ["a", "b", "c"],
        "a sweep sees attempts without a whole file"
    );
    assert_eq!(files.clean().await.unwrap(), 2);
    assert_eq!(
        std::fs::read_dir(folder.join(format!("jobs/{job}/out")))
            .unwrap()
            .count(),
        1
    );
    assert_eq!(
        bytes_of(&files, &made(job, "a", "report.json"), None).await,
        b"{}"
    );
    assert!(folder.join("notes of the operator.txt").is_file());
    assert_eq!(files.clean().await.unwrap(), 0);
}

#[tokio::test]
async fn a_link_in_the_folder_leads_nowhere() {
    let (folder, outside) = (Fresh::new(), Fresh::new());
    let files = Files::open(&FilesUrl::Folder(folder.to_path_buf())).unwrap();
    let job = JobId::fresh();
    std::fs::write(outside.join("secret"), b"key").unwrap();
    files
        .put(&given(job, "job.json"), Bytes::from_static(b"{}"))
        .await
        .unwrap();
    let inside = folder.join(format!("jobs/{job}/in"));
    std::os::unix::fs::symlink(outside.join("secret"), inside.join("link")).unwrap();
    std::os::unix::fs::symlink(&*outside, inside.join("folder")).unwrap();
    for name in ["link", "folder/secret"] {
        let read = files.read(&given(job, name), None).await;
        assert!(read.is_err(), "{name} was read through a link");
    }
    assert!(
        files
            .put(&given(job, "folder/new"), Bytes::from_static(b"!"))
            .await
            .is_err(),
        "written through a link"
    );
    // Nor one among what a job's process made, nor a pipe, which would be waited for.
    std::os::unix::fs::symlink(outside.join("secret"), folder.join("made")).unwrap();
    let pipe = Command::new("mkfifo").arg(folder.join("pipe")).status();
    assert!(pipe.unwrap().success());
    for name in ["made", "pipe"] {
        let place = made(job, "a", name);
        let problem = files
            .put_file(&place, &folder.join(name))
            .await
            .unwrap_err();
        assert!(problem.to_string().contains(name), "{problem}");
    }
    files.remove_job(job).await.unwrap();
    assert_eq!(
        std::fs::read_dir(&*outside).unwrap().count(),
        1,
        "what a link leads to is not ours"
    );
}

/// The stub, on a free port of 127.0.0.1; ended when dropped.
struct Stub {
    child: Child,
    port: u16,
}

impl Drop for Stub {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

fn stub() -> Option<Stub> {
    let python = super::help::python_with("moto.server, flask_cors")?;
    let port = TcpListener::bind("127.0.0.1:0")
        .and_then(|l| l.local_addr())
        .unwrap()
        .port();
    let child = Command::new(&python)
        .args([
            "-m",
            "moto.server",
            "-H",
            "127.0.0.1",
            "-p",
            &port.to_string(),
        ])
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .unwrap();
    Some(Stub { child, port })
}

/// The key of the bucket.
const SECRET: &str = "not-a-secret";

/// Settings come from the environment, so the cases run in a process of their own.
fn with_settings(test: &str, port: u16, secret: &str) {
    let output = Command::new(std::env::current_exe().unwrap())
        .args([test, "--exact", "--nocapture", "--ignored"])
        .env("AWS_ENDPOINT", format!("http://127.0.0.1:{port}"))
        .env("AWS_ALLOW_HTTP", "true")
        .env("AWS_REGION", "eu-central-1")
        .env("AWS_ACCESS_KEY_ID", "workshop")
        .env("AWS_SECRET_ACCESS_KEY", secret)
        .output()
        .unwrap();
    let said = String::from_utf8_lossy(&output.stdout);
    print!("{said}");
    assert!(
        output.status.success() && said.contains("1 passed"),
        "{}",
        String::from_utf8_lossy(&output.stderr)
    );
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn behind_an_s3_style_api() {
    let Some(mut stub) = stub() else { return };
    let _ = rustls::crypto::ring::default_provider().install_default();
    let bucket = format!("http://127.0.0.1:{}/library", stub.port);
    let started = Instant::now();
    // The stub asks for a region that is not its own in every new bucket.
    let place = "<CreateBucketConfiguration><LocationConstraint>eu-central-1</LocationConstraint></CreateBucketConfiguration>";
    let region = "AWS4-HMAC-SHA256 Credential=workshop/20260101/eu-central-1/s3/aws4_request, SignedHeaders=host, Signature=0";
    loop {
        let made = reqwest::Client::new()
            .put(&bucket)
            .header("authorization", region)
            .body(place)
            .send()
            .await;
        if made.is_ok_and(|r| r.status().is_success()) {
            break;
        }
        assert!(
            started.elapsed() < Duration::from_secs(60),
            "the stub does not start"
        );
        tokio::time::sleep(Duration::from_millis(100)).await;
    }
    let port = stub.port;
    for test in [
        "files_run::in_a_bucket",
        "files_run::in_a_bucket_that_is_not_there",
    ] {
        let asked = move || with_settings(test, port, SECRET);
        tokio::task::spawn_blocking(asked).await.unwrap();
    }
    stub.child.kill().unwrap();
    stub.child.wait().unwrap();
    let away = move || with_settings("files_run::in_a_bucket_that_is_away", port, SECRET);
    tokio::task::spawn_blocking(away).await.unwrap();
}

/// Serves a folder whose folders are buckets, to those who sign with the key.
async fn serve_signed(folder: &Path) -> u16 {
    let mut service = s3s::service::S3ServiceBuilder::new(s3s_fs::FileSystem::new(folder).unwrap());
    service.set_auth(s3s::auth::SimpleAuth::from_single("workshop", SECRET));
    let service = service.build();
    let listener = tokio::net::TcpListener::bind("127.0.0.1:0").await.unwrap();
    let port = listener.local_addr().unwrap().port();
    tokio::spawn(async move {
        loop {
            let (line, _) = listener.accept().await.unwrap();
            let service = service.clone();
            tokio::spawn(async move {
                let line = hyper_util::rt::TokioIo::new(line);
                let _ = hyper::server::conn::http1::Builder::new()
                    .serve_connection(line, service)
                    .await;
            });
        }
    });
    port
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn behind_a_server_that_checks_signatures() {
    let folder = Fresh::new();
    std::fs::create_dir(folder.join("library")).unwrap();
    let port = serve_signed(&folder).await;
    for (test, secret) in [
        ("files_run::in_a_bucket", SECRET),
        ("files_run::in_a_bucket_with_a_wrong_key", "no-secret"),
    ] {
        let asked = move || with_settings(test, port, secret);
        tokio::task::spawn_blocking(asked).await.unwrap();
    }
}

#[tokio::test]
#[ignore = "started by behind_a_server_that_checks_signatures, with its settings"]
async fn in_a_bucket_with_a_wrong_key() {
    let files = Files::open(&FilesUrl::S3("s3://library".to_string())).unwrap();
    let place = given(JobId::fresh(), "job.json");
    let put = files.put(&place, Bytes::from_static(b"abc")).await;
    let read = files.read(&place, None).await;
    for problem in [put.err(), read.err()] {
        println!("{problem:?}");
        assert!(
            matches!(&problem, Some(FilesProblem::Away(why)) if !why.contains("no-secret")),
            "{problem:?}"
        );
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
#[ignore = "started by those above, with their settings"]
async fn in_a_bucket() {
    for address in ["s3://library", "s3://library/shelf/shop-1"] {
        let files = Files::open(&FilesUrl::S3(address.to_string())).unwrap();
        assert_eq!(files.shown(), address);
        all_cases(&files).await;
        assert_eq!(files.clean().await.unwrap(), 0);
    }
    // Two of them in one bucket do not see each other.
    let [one, other] = ["s3://library/one", "s3://library/other"]
        .map(|a| Files::open(&FilesUrl::S3(a.to_string())).unwrap());
    let job = JobId::fresh();
    one.put(&given(job, "job.json"), Bytes::from_static(b"abc"))
        .await
        .unwrap();
    assert!(other.found().await.unwrap().is_empty());
    assert!(matches!(
        other.read(&given(job, "job.json"), None).await,
        Err(FilesProblem::Missing(_))
    ));
    assert_eq!(one.found().await.unwrap().len(), 1);
    for address in [
        "",
        "s3:/library",
        "http://library",
        "s3://",
        "s3:///work",
        "s3://library/a//b",
    ] {
        assert!(
            Files::open(&FilesUrl::S3(address.to_string())).is_err(),
            "{address:?}"
        );
    }
}

/// Said as what it is, not as a missing file of the job. The server over a folder makes it, so only the stub is asked.
#[tokio::test]
#[ignore = "started by behind_an_s3_style_api, with its settings"]
async fn in_a_bucket_that_is_not_there() {
    let none = Files::open(&FilesUrl::S3("s3://none".to_string())).unwrap();
    let problem = none
        .put(
            &given(JobId::fresh(), "job.json"),
            Bytes::from_static(b"abc"),
        )
        .await
        .unwrap_err();
    println!("{problem}");
    assert!(matches!(problem, FilesProblem::Away(_)), "{problem:?}");
}

#[tokio::test]
#[ignore = "started by behind_an_s3_style_api, with its settings"]
async fn in_a_bucket_that_is_away() {
    let files = Files::open(&FilesUrl::S3("s3://library".to_string())).unwrap();
    let asked = Instant::now();
    let problem = files
        .put(
            &given(JobId::fresh(), "job.json"),
            Bytes::from_static(b"abc"),
        )
        .await
        .unwrap_err();
    println!("after {:?}: {problem}", asked.elapsed());
    assert!(matches!(problem, FilesProblem::Away(_)), "{problem:?}");
    assert!(asked.elapsed() < Duration::from_secs(25));
    let place = made(JobId::fresh(), "a", "big");
    let big = Fresh::new();
    std::fs::write(big.join("big"), vec![0; 9 << 20]).unwrap();
    assert!(matches!(
        files.put_file(&place, &big.join("big")).await,
        Err(FilesProblem::Away(_))
    ));
    assert!(matches!(files.found().await, Err(FilesProblem::Away(_))));
}
