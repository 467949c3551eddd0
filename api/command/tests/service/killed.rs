//! The real server and its job processes, killed at random moments: nothing that was answered for is lost, nothing is there twice,
//! nothing stays behind.
//!
//! `GRAINWAY_KILLS` and `GRAINWAY_KILL_JOBS` make the run longer (`./test kill`), `GRAINWAY_KILL_SEED` repeats one. The moments differ
//! from run to run all the same, since the machine's own pace decides what a kill hits.

use super::help::{Dice, Fresh, example};
use super::in_process::shared;
use grainway_service::config::Config;
use grainway_service::files::{Files, FilesUrl};
use grainway_service::model::{EventKind, JobId, JobState, Side, Source};
use grainway_service::store::{JobFilter, Store, StoreUrl};
use grainway_service::sweep;
use nix::sys::signal::{Signal, kill};
use nix::unistd::Pid;
use serde_json::{Value, json};
use std::collections::BTreeMap;
use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

/// Longest time for all jobs to end once nothing is killed any more, for each job.
const PATIENCE: Duration = Duration::from_secs(5);

/// A size of these tests, from the environment.
pub fn number(name: &str, or: u64) -> u64 {
    std::env::var(name)
        .ok()
        .and_then(|v| v.parse().ok())
        .unwrap_or(or)
}

pub struct Server {
    process: Child,
    /// Where it is.
    pub url: String,
}

impl Server {
    /// Its process.
    pub fn id(&self) -> u32 {
        self.process.id()
    }
}

impl Drop for Server {
    /// A test that fails leaves no server behind.
    fn drop(&mut self) {
        let _ = self.process.kill();
        let _ = self.process.wait();
    }
}

/// Starts the server, which must come up.
pub fn start(config: &Path) -> Server {
    let mut process = Command::new(env!("CARGO_BIN_EXE_grainway"))
        .args(["serve", "--listen", "127.0.0.1:0", "--config"])
        .arg(config)
        .env("GRAINWAY_LOG", "error")
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    let mut line = String::new();
    BufReader::new(process.stdout.take().unwrap())
        .read_line(&mut line)
        .unwrap();
    let url = line.trim().strip_prefix("listening on ");
    let url = url.unwrap_or_else(|| panic!("the server said {line:?}"));
    Server {
        url: url.to_string(),
        process,
    }
}

/// Processes whose working folder is in ours: keepers and workers of jobs.
fn job_processes(data: &Path) -> Vec<i32> {
    let data = data.canonicalize().unwrap();
    let entries = std::fs::read_dir("/proc").unwrap().flatten();
    let ids = entries.filter_map(|e| e.file_name().to_str()?.parse::<i32>().ok());
    ids.filter(|id| {
        std::fs::read_link(format!("/proc/{id}/cwd")).is_ok_and(|cwd| cwd.starts_with(&data))
    })
    .collect()
}

/// A small job that the shop `workshop` can make.
pub fn job(n: u64) -> Value {
    json!({
        "format": "grainway.job/1", "name": format!("Drawer bottom {n}"), "unit": "mm", "shop": "workshop",
        "parts": [{
            "id": "bottom", "stock": "oak-19", "blank": { "length": 200.0 + (n % 50) as f64, "width": 120, "dimensioned": true },
            "features": [{ "id": "peg", "kind": "hole", "shape": { "circle": { "at": [60, 60], "diameter": 5 } }, "depth": 8 }],
        }],
    })
}

/// The client of these tests.
pub fn client() -> reqwest::Client {
    let _ = rustls::crypto::ring::default_provider().install_default();
    reqwest::Client::new()
}

/// Hands jobs in until all are answered for; a broken line is tried again with the same key.
async fn hand_in(
    jobs: u64,
    url: Arc<Mutex<String>>,
    taken: Arc<AtomicU64>,
) -> BTreeMap<String, u64> {
    let client = client();
    let mut ids = BTreeMap::new();
    for n in 0..jobs {
        loop {
            let at = format!("{}/v1/jobs", url.lock().unwrap());
            let asked = client
                .post(at)
                .header("Idempotency-Key", format!("job-{n}"))
                .json(&job(n))
                .timeout(Duration::from_secs(20))
                .send()
                .await;
            if let Ok(answer) = asked {
                let status = answer.status().as_u16();
                match (status, answer.json::<Value>().await) {
                    (200 | 201, Ok(body)) => {
                        let id = body["id"].as_str().or(body["job"]["id"].as_str());
                        let id = id.unwrap_or_else(|| panic!("{body}")).to_string();
                        assert_eq!(ids.insert(id, n), None, "one id for two keys");
                        taken.store(n + 1, Ordering::Relaxed);
                        break;
                    }
                    (409 | 429 | 503, _) | (200 | 201, Err(_)) => {}
                    (status, body) => panic!("job {n}: {status} {body:?}"),
                }
            }
            tokio::time::sleep(Duration::from_millis(30)).await;
        }
    }
    ids
}

/// Puts jobs into a watched folder as a careful copier does, under another name first.
async fn drop_in(jobs: u64, folder: PathBuf) {
    for n in 0..jobs {
        let mut job = job(n);
        job["name"] = format!("Dropped {n}").into();
        let part = folder.join(format!("dropped-{n}.part"));
        std::fs::write(&part, job.to_string()).unwrap();
        std::fs::rename(&part, folder.join(format!("dropped-{n}.json"))).unwrap();
        tokio::time::sleep(Duration::from_millis(40)).await;
    }
}

/// Names in a folder, without those that begin with a point.
fn names_in(folder: &Path) -> Vec<String> {
    let entries = std::fs::read_dir(folder).into_iter().flatten().flatten();
    let names = entries.map(|e| e.file_name().into_string().unwrap());
    names.filter(|n| !n.starts_with('.')).collect()
}

fn stop(mut server: Server) {
    kill(Pid::from_raw(server.process.id() as i32), Signal::SIGTERM).unwrap();
    let status = server.process.wait().unwrap();
    assert!(status.success(), "a server that is asked to stop: {status}");
}

/// Starts a process that only makes jobs.
fn start_worker(config: &Path) -> Server {
    let mut process = Command::new(env!("CARGO_BIN_EXE_grainway"))
        .args(["work", "--workers", "1", "--config"])
        .arg(config)
        .env("GRAINWAY_LOG", "error")
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    let mut line = String::new();
    BufReader::new(process.stdout.take().unwrap())
        .read_line(&mut line)
        .unwrap();
    assert_eq!(line, "working on the queue\n");
    Server {
        url: String::new(),
        process,
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn killed_at_any_moment_nothing_is_lost_or_there_twice() {
    let place = Fresh::new();
    let data = place.join("data");
    let store = StoreUrl::Sqlite(data.join("queue.sqlite"));
    killed(&place, &data, &store, json!({ "workers": 2 }), 0).await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn killed_with_two_workers_on_postgresql_nothing_is_lost_slow() {
    let Some(server) = super::postgres::Server::start() else {
        return;
    };
    let url = server.database().await;
    let place = Fresh::new();
    let data = place.join("data");
    let settings = json!({ "workers": 0, "store": url });
    killed(&place, &data, &StoreUrl::Postgres(url), settings, 2).await;
}

/// Kills the server, its `workers` other processes and processes of jobs while jobs come in, and looks at what is there in the end.
async fn killed(place: &Path, data: &Path, store: &StoreUrl, more: Value, workers: usize) {
    let (kills, jobs) = (
        number("GRAINWAY_KILLS", 6),
        number("GRAINWAY_KILL_JOBS", 30),
    );
    let seed = number("GRAINWAY_KILL_SEED", 20_261_125);
    let begun = Instant::now();
    std::fs::create_dir_all(data).unwrap();
    let config = place.join("serve.json");
    let mut settings = json!({
        "format": "grainway.serve/1", "data": data, "shops": { "workshop": example("step-stool/shop.json") },
        "limits": { "requests-per-second": 10_000 },
    });
    // A watched folder as well, where one server is killed.
    let (drop, dropped) = (place.join("drop"), if workers == 0 { jobs / 5 } else { 0 });
    if dropped > 0 {
        std::fs::create_dir(&drop).unwrap();
        settings["watched-folders"] = json!([{ "folder": drop, "settle-seconds": 1 }]);
    }
    for (key, value) in more.as_object().unwrap() {
        settings[key] = value.clone();
    }
    std::fs::write(&config, settings.to_string()).unwrap();

    let mut server = start(&config);
    let mut others: Vec<Server> = (0..workers).map(|_| start_worker(&config)).collect();
    let url = Arc::new(Mutex::new(server.url.clone()));
    let taken = Arc::new(AtomicU64::new(0));
    let handing = tokio::spawn(hand_in(jobs, Arc::clone(&url), Arc::clone(&taken)));
    let dropping = tokio::spawn(drop_in(dropped, drop.clone()));
    let mut dice = Dice(seed);
    let (mut servers, mut processes) = (0_u64, 0_u64);
    while servers + processes < kills {
        tokio::time::sleep(Duration::from_millis(20 + dice.roll(400))).await;
        // The kills are spread over the jobs.
        while taken.load(Ordering::Relaxed) * kills < (servers + processes) * jobs {
            tokio::time::sleep(Duration::from_millis(1 + dice.roll(10))).await;
        }
        let victims = job_processes(data);
        if dice.roll(2) == 0 && !victims.is_empty() {
            let victim = victims[dice.roll(victims.len() as u64) as usize];
            // It may have ended by itself just now.
            if kill(Pid::from_raw(victim), Signal::SIGKILL).is_ok() {
                processes += 1;
            }
            continue;
        }
        servers += 1;
        match dice.roll(workers as u64 + 1) as usize {
            0 => {
                server.process.kill().unwrap();
                server.process.wait().unwrap();
                server = start(&config);
                url.lock().unwrap().clone_from(&server.url);
            }
            n => {
                others[n - 1].process.kill().unwrap();
                others[n - 1].process.wait().unwrap();
                others[n - 1] = start_worker(&config);
            }
        }
    }
    let ids = handing.await.unwrap();
    assert_eq!(ids.len() as u64, jobs);
    dropping.await.unwrap();

    // Nothing is killed any more: all must end.
    let client = client();
    let until = Instant::now() + PATIENCE * u32::try_from(jobs).unwrap();
    loop {
        let at = format!("{}/v1/jobs?state=queued,running&limit=1", server.url);
        let open: Value = client.get(at).send().await.unwrap().json().await.unwrap();
        let list = open["jobs"].as_array().or(open.as_array());
        let told = names_in(&drop.join("done"));
        let told = told.iter().filter(|n| n.ends_with(".txt")).count() as u64;
        if list.unwrap_or_else(|| panic!("{open}")).is_empty() && told == dropped {
            break;
        }
        assert!(
            Instant::now() < until,
            "{told} of {dropped} dropped jobs are told of, still waiting: {open}"
        );
        tokio::time::sleep(Duration::from_millis(100)).await;
    }
    stop(server);
    others.into_iter().for_each(stop);

    let stands = looked_at(data, store, &ids, dropped).await;
    if dropped > 0 {
        put_back(&drop, &stands.dropped);
    }
    println!(
        "{servers} kills of the service's processes, {processes} of job processes, {jobs} jobs and {dropped} of a watched folder (seed {seed}): {} ready, {} failed, {} files whole, in {:.0} s",
        stands.ready,
        stands.failed,
        stands.files,
        begun.elapsed().as_secs_f64()
    );
}

#[derive(Default)]
struct Stands {
    ready: usize,
    failed: usize,
    files: usize,
    /// Jobs of the watched folder by name, and whether they are ready.
    dropped: BTreeMap<String, bool>,
}

/// What lies in the watched folder after all: an outcome for every job, its files when it is ready, and nothing else.
fn put_back(folder: &Path, dropped: &BTreeMap<String, bool>) {
    let mut there = names_in(folder);
    there.sort();
    there.retain(|n| n != "taken" && n != "refused");
    assert_eq!(there, ["done"], "only outcomes are left");
    for below in ["taken", "refused"] {
        assert_eq!(names_in(&folder.join(below)), Vec::<String>::new());
    }
    for (n, (name, ready)) in dropped.iter().enumerate() {
        let number = name.strip_prefix("Dropped ").unwrap();
        let made = folder.join("done").join(format!("dropped-{number}"));
        for ending in ["txt", "json"] {
            assert!(made.with_extension(ending).is_file(), "{name}: {ending}");
        }
        assert_eq!(made.join("report.json").is_file(), *ready, "{name} ({n})");
    }
}

/// What is there after all: every job once, ended once, its files whole, and nothing else.
async fn looked_at(
    data: &Path,
    url: &StoreUrl,
    ids: &BTreeMap<String, u64>,
    dropped: u64,
) -> Stands {
    assert_eq!(job_processes(data), Vec::<i32>::new(), "processes stay");
    let work: Vec<PathBuf> = std::fs::read_dir(data.join("work"))
        .unwrap()
        .map(|e| e.unwrap().path())
        .collect();
    assert_eq!(work, Vec::<PathBuf>::new(), "folders of jobs at work stay");
    let store = Store::open(url).await.unwrap();
    let files = Files::open(&FilesUrl::Folder(data.join("files"))).unwrap();
    let mut all = Vec::new();
    let mut filter = JobFilter {
        limit: 1000,
        ..JobFilter::default()
    };
    loop {
        let page = store.jobs(&filter).await.unwrap();
        let Some(last) = page.last() else { break };
        filter.before = Some(last.id);
        all.extend(page);
    }
    let mut stands = Stands::default();
    let mut outputs: BTreeMap<JobId, Vec<String>> = BTreeMap::new();
    let fetched = Fresh::new();
    for job in &all {
        if job.source == Source::Folder {
            let ready = job.state == JobState::Ready;
            let before = stands.dropped.insert(job.name.clone(), ready);
            assert_eq!(before, None, "{} was made twice", job.name);
        } else {
            assert!(
                ids.contains_key(&job.id.to_string()),
                "{} was never answered for",
                job.id
            );
        }
        let told = store.events(0, Some(job.id), 10_000).await.unwrap();
        let ends = told.iter().filter(|e| e.what == EventKind::Ended).count();
        assert_eq!(ends, 1, "{job:?}");
        let sentence = &job.summary.as_ref().unwrap().sentence;
        match job.state {
            JobState::Ready => stands.ready += 1,
            // Only a job whose own process was killed as often as it may be.
            JobState::Failed if sentence.contains("process was lost") => stands.failed += 1,
            _ => panic!("{job:?}"),
        }
        for (side, attempt) in [(Side::In, None), (Side::Out, job.output.as_deref())] {
            let list = store.files(job.id, side).await.unwrap();
            assert_eq!(
                list.is_empty(),
                side == Side::Out && job.state != JobState::Ready
            );
            let into = fetched.join(format!("{}-{}", job.id, side.word()));
            std::fs::create_dir(&into).unwrap();
            files
                .fetch(job.id, side, attempt, &list, &into)
                .await
                .unwrap();
            stands.files += list.len();
        }
        outputs.insert(job.id, job.output.clone().into_iter().collect());
    }
    assert_eq!(stands.dropped.len() as u64, dropped);
    assert_eq!(
        all.len() - stands.dropped.len(),
        ids.len(),
        "as many jobs as keys"
    );
    if !store.is_embedded() {
        // Several machines may write: what is younger than an hour is left alone, and swept here all the same.
        files.clean().await.unwrap();
        let shared = shared(Config::default(), store.clone(), files.clone(), "/nowhere");
        sweep::files(&shared, 0).await.unwrap();
    }
    let found: BTreeMap<JobId, Vec<String>> = files
        .found()
        .await
        .unwrap()
        .into_iter()
        .map(|f| (f.job, f.attempts))
        .collect();
    assert_eq!(
        found, outputs,
        "files of no job, or of no attempt that counts"
    );
    assert_eq!(files.clean().await.unwrap(), 0, "half-written files stay");
    store.close().await;
    stands
}

/// A server that is asked to stop gives back what it does not finish, and the next one makes it.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_server_that_stops_gives_its_jobs_back_unspent() {
    let place = Fresh::new();
    let data = place.join("data");
    std::fs::create_dir_all(&data).unwrap();
    let config = place.join("serve.json");
    let settings = json!({
        "format": "grainway.serve/1", "data": data, "workers": 1, "shops": { "workshop": example("step-stool/shop.json") },
        "limits": { "drain-seconds": 0 },
    });
    std::fs::write(&config, settings.to_string()).unwrap();
    let server = start(&config);
    let url = Arc::new(Mutex::new(server.url.clone()));
    let ids = hand_in(6, url, Arc::new(AtomicU64::new(0))).await;
    stop(server);
    let gone = AtomicBool::new(false);
    let until = Instant::now() + PATIENCE * 6;
    let server = start(&config);
    let client = client();
    while !gone.load(Ordering::Relaxed) && Instant::now() < until {
        let at = format!("{}/v1/jobs?state=ready&limit=100", server.url);
        let ready: Value = client.get(at).send().await.unwrap().json().await.unwrap();
        let list = ready["jobs"].as_array().or(ready.as_array()).unwrap();
        for job in list {
            assert_eq!(job["attempts"], 0, "{job}");
        }
        gone.store(list.len() == ids.len(), Ordering::Relaxed);
        tokio::time::sleep(Duration::from_millis(50)).await;
    }
    stop(server);
    let store = StoreUrl::Sqlite(data.join("queue.sqlite"));
    let stands = looked_at(&data, &store, &ids, 0).await;
    assert_eq!((stands.ready, stands.failed), (6, 0));
}

/// Whether the process catches SIGTERM, by the mask that the kernel shows (proc(5), `SigCgt`).
fn catches_term(id: u32) -> bool {
    let status = std::fs::read_to_string(format!("/proc/{id}/status")).unwrap();
    let line = status.lines().find_map(|l| l.strip_prefix("SigCgt:"));
    let mask = u64::from_str_radix(line.unwrap().trim(), 16).unwrap();
    mask & (1 << (Signal::SIGTERM as u64 - 1)) != 0
}

#[test]
fn a_server_that_waits_for_its_queue_can_be_stopped() {
    // A database that takes the connection and says nothing.
    let silent = std::net::TcpListener::bind("127.0.0.1:0").unwrap();
    let place = Fresh::new();
    let config = place.join("serve.json");
    let settings = json!({
        "format": "grainway.serve/1", "data": place.join("data"),
        "store": format!("postgres://a@{}/b", silent.local_addr().unwrap()),
    });
    std::fs::write(&config, settings.to_string()).unwrap();
    let process = Command::new(env!("CARGO_BIN_EXE_grainway"))
        .args(["work", "--config"])
        .arg(&config)
        .stdout(Stdio::null())
        .spawn()
        .unwrap();
    let server = Server {
        url: String::new(),
        process,
    };
    let until = Instant::now() + PATIENCE;
    while !catches_term(server.id()) {
        assert!(Instant::now() < until, "it takes no notice of SIGTERM");
        std::thread::sleep(Duration::from_millis(5));
    }
    let (_held, _) = silent.accept().unwrap();
    let asked = Instant::now();
    stop(server);
    assert!(asked.elapsed() < PATIENCE, "{:?}", asked.elapsed());
}
