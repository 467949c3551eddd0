//! Loads, each beside a reference in the same run. They print figures and fail only when something is wrong, not when it is slow.
//! An ordinary run is a small one, whose figures say little; `./test load` makes it large.

use super::databases::new_job;
use super::help::{Fresh, example};
use super::in_process::{Nothing, service as in_process, stopped, until};
use super::killed::{Server, client, job, number};
use super::security::service;
use bytes::Bytes;
use grainway_service::files::{FilePlace, Files, FilesUrl};
use grainway_service::model::{JobEnd, JobFile, JobId, JobState, Side, Summary};
use grainway_service::store::{JobFilter, Store, StoreUrl};
use grainway_service::worker;
use serde_json::{Value, json};
use std::process::Command;
use std::sync::Arc;
use std::time::{Duration, Instant};

/// A service with so many workers, and a data folder of its own.
fn served(place: &Fresh, workers: u32) -> Server {
    let settings = json!({
        "data": place.join(format!("data-{workers}")), "workers": workers, "limits": { "requests-per-second": 100_000 },
    });
    service(place, &settings)
}

/// Memory that a process holds, MiB.
fn held(id: u32) -> f64 {
    let text = std::fs::read_to_string(format!("/proc/{id}/status")).unwrap();
    let line = text.lines().find(|l| l.starts_with("VmRSS:")).unwrap();
    let kib: f64 = line.split_whitespace().nth(1).unwrap().parse().unwrap();
    kib / 1024.0
}

/// Hands `jobs` in with so many callers at a time; seconds of each request, in order.
async fn submitted(url: &str, jobs: u64, callers: u64, every: Option<Duration>) -> Vec<f64> {
    let mut tasks = tokio::task::JoinSet::new();
    let began = Instant::now();
    for caller in 0..callers {
        let (url, client) = (format!("{url}/v1/jobs"), client());
        tasks.spawn(async move {
            let mut times = Vec::new();
            for n in (caller..jobs).step_by(callers as usize) {
                let due = every.map_or(began, |e| began + e * u32::try_from(n).unwrap());
                tokio::time::sleep_until(due.into()).await;
                // A request that could not begin in time has waited.
                let from = if every.is_some() { due } else { Instant::now() };
                let answer = client.post(&url).json(&job(n)).send().await.unwrap();
                assert_eq!(answer.status().as_u16(), 201);
                times.push(from.elapsed().as_secs_f64());
            }
            times
        });
    }
    let mut all: Vec<f64> = tasks.join_all().await.into_iter().flatten().collect();
    all.sort_by(f64::total_cmp);
    all
}

/// Jobs a second that the two stores take, eight callers at a time, each job with its document and its shop on disk first.
async fn stores_alone(place: &Fresh, jobs: u64) -> f64 {
    const CALLERS: u64 = 8;
    let store = Store::open(&StoreUrl::Sqlite(place.join("both.sqlite")))
        .await
        .unwrap();
    let files = Files::open(&FilesUrl::Folder(place.join("both"))).unwrap();
    let shop = Bytes::from(std::fs::read(example("step-stool/shop.json")).unwrap());
    let began = Instant::now();
    let mut tasks = tokio::task::JoinSet::new();
    for caller in 0..CALLERS {
        let (store, files, shop) = (store.clone(), files.clone(), shop.clone());
        tasks.spawn(async move {
            for n in (caller..jobs).step_by(CALLERS as usize) {
                let mut new = new_job("Drawer bottom", 1);
                let put = async |name, bytes| {
                    let place = FilePlace {
                        job: new.id,
                        side: Side::In,
                        attempt: None,
                        name,
                    };
                    files.put(&place, bytes).await.unwrap()
                };
                let document = put("job.json", Bytes::from(job(n).to_string())).await;
                let shop = put("workshop", shop.clone()).await;
                new.files = vec![document, shop];
                store.submit(&[new], None, 1_000_000).await.unwrap();
            }
        });
    }
    tasks.join_all().await;
    let took = began.elapsed().as_secs_f64();
    store.close().await;
    jobs as f64 / took
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn load_of_submissions_and_memory() {
    let place = Fresh::new();
    // The stores alone, without HTTP and without looking at documents: the queue, and the queue with a job's two files.
    let store = Store::open(&StoreUrl::Sqlite(place.join("alone.sqlite")))
        .await
        .unwrap();
    let jobs = number("GRAINWAY_LOAD_JOBS", 20);
    let began = Instant::now();
    for _ in 0..jobs {
        store
            .submit(&[new_job("Drawer bottom", 1)], None, 1_000_000)
            .await
            .unwrap();
    }
    let alone = jobs as f64 / began.elapsed().as_secs_f64();
    let both = stores_alone(&place, jobs).await;
    store.close().await;

    let server = served(&place, 0);
    let rest = held(server.id());
    let began = Instant::now();
    submitted(&server.url, jobs, 8, None).await;
    let whole = jobs as f64 / began.elapsed().as_secs_f64();
    let times = submitted(&server.url, jobs, 32, Some(Duration::from_millis(5))).await;
    let at = |share: f64| times[((times.len() - 1) as f64 * share) as usize] * 1000.0;
    submitted(&server.url, 3 * jobs, 8, None).await;
    println!(
        "load: {whole:.0} submissions/s over HTTP with two files each | queue and files alone {both:.0}/s | {:.2} of it (target 0.5) | queue alone {alone:.0}/s | {:.2} of it",
        whole / both,
        whole / alone
    );
    println!(
        "load: {jobs} submissions at 200/s: p50 {:.1} ms, p99 {:.1} ms",
        at(0.5),
        at(0.99)
    );
    println!(
        "load: memory at rest {rest:.0} MiB (target under 60), with {} jobs queued {:.0} MiB",
        5 * jobs,
        held(server.id())
    );
}

/// A queue of jobs whose only file is not there.
async fn queue(store: &Store, jobs: u64) -> Vec<JobId> {
    let mut ids = Vec::new();
    for _ in 0..jobs {
        let mut new = new_job("Drawer bottom", 1);
        new.files = vec![JobFile {
            name: "job.json".to_string(),
            bytes: 2,
            sha256: "0".repeat(64),
        }];
        ids.push(new.id);
        store.submit(&[new], None, 1_000_000).await.unwrap();
    }
    ids
}

/// Claims and ends a second: by the store alone, and by a worker that is given jobs of which it makes nothing, since what was handed in
/// with them is gone. Then jobs a second of the whole service, beside the command for the same jobs.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn load_of_claims_and_ends() {
    let (place, jobs) = (Fresh::new(), number("GRAINWAY_LOAD_JOBS", 20));
    let store = Store::open(&StoreUrl::Sqlite(place.join("alone.sqlite")))
        .await
        .unwrap();
    queue(&store, jobs).await;
    let (owner, began) = (uuid::Uuid::new_v4(), Instant::now());
    for _ in 0..jobs {
        let claimed = store.claim(owner, 2, 30_000, true).await.unwrap().unwrap();
        let end = JobEnd {
            state: JobState::Ready,
            summary: Summary::default(),
            files: claimed.files.clone(),
            output: None,
            lost: false,
        };
        assert!(store.complete(&claimed.claim, &end, 3).await.unwrap());
    }
    let alone = jobs as f64 / began.elapsed().as_secs_f64();
    store.close().await;

    let shared = in_process(&place, &place.join("work"), Arc::new(Nothing)).await;
    std::fs::create_dir_all(place.join("files/jobs")).unwrap();
    let ids = queue(&shared.store, jobs).await;
    let began = Instant::now();
    let working = tokio::spawn(worker::work(Arc::clone(&shared)));
    until(&shared, *ids.last().unwrap(), |j| j.state.is_end()).await;
    let by_worker = jobs as f64 / began.elapsed().as_secs_f64();
    stopped(&shared, working).await;
    for id in ids {
        let job = shared.store.job(id).await.unwrap().unwrap();
        assert_eq!((job.state, job.attempts), (JobState::Failed, 0), "{job:?}");
    }
    println!(
        "load: {by_worker:.0} claims and ends/s by a worker that makes nothing | store alone {alone:.0}/s | {:.2} of it (target 0.5)",
        by_worker / alone
    );
    whole_jobs(number("GRAINWAY_NIGHT_JOBS", 6)).await;
}

/// Jobs a second from the first claim to the last end with two workers, beside the command twice at a time.
async fn whole_jobs(jobs: u64) {
    let place = Fresh::new();
    let began = Instant::now();
    std::thread::scope(|scope| {
        for caller in 0..2 {
            let place = Fresh::new();
            scope.spawn(move || {
                for n in (caller..jobs).step_by(2) {
                    make(&place, n);
                }
            });
        }
    });
    let alone = jobs as f64 / began.elapsed().as_secs_f64();
    let idle = served(&place, 0);
    submitted(&idle.url, jobs, 8, None).await;
    drop(idle);
    std::fs::rename(place.join("data-0"), place.join("data-2")).unwrap();
    let began = Instant::now();
    let server = served(&place, 2);
    ended(&server).await;
    let whole = jobs as f64 / began.elapsed().as_secs_f64();
    println!(
        "load: {whole:.1} jobs/s by two workers, start of the service included | the command twice at a time {alone:.1}/s | {:.2} of it",
        whole / alone
    );
}

/// Makes a job by the command; seconds.
fn make(place: &Fresh, n: u64) -> f64 {
    std::fs::write(place.join("job.json"), job(n).to_string()).unwrap();
    std::fs::copy(example("step-stool/shop.json"), place.join("workshop")).unwrap();
    let began = Instant::now();
    let ran = Command::new(env!("CARGO_BIN_EXE_grainway"))
        .args(["--threads", "1", "make", "job.json", "--out", "out"])
        .current_dir(&**place)
        .output()
        .unwrap();
    assert!(ran.status.success());
    began.elapsed().as_secs_f64()
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn load_of_the_smallest_job() {
    let place = Fresh::new();
    let alone = (0..5)
        .map(|_| make(&place, 0))
        .fold(f64::INFINITY, f64::min);
    let server = served(&place, 1);
    let client = client();
    let mut least = f64::INFINITY;
    for n in 0..10 {
        let began = Instant::now();
        let asked = client.post(format!("{}/v1/jobs", server.url)).json(&job(n));
        let taken: Value = asked.send().await.unwrap().json().await.unwrap();
        let at = format!(
            "{}/v1/jobs/{}?wait=30",
            server.url,
            taken["id"].as_str().unwrap()
        );
        let ended: Value = client.get(at).send().await.unwrap().json().await.unwrap();
        assert_eq!(ended["state"], "ready", "{ended}");
        least = least.min(began.elapsed().as_secs_f64());
    }
    println!(
        "load: smallest job ready {:.0} ms after it was handed in | by the command alone {:.0} ms | {:.0} ms over (target under 150)",
        least * 1000.0,
        alone * 1000.0,
        (least - alone) * 1000.0
    );
}

fn list(jobs: u32) -> String {
    let mut list = "job,part,name,count,stock,length,width,dimensioned,holes\n".to_string();
    for n in 0..jobs {
        let (length, width) = (200 + n % 97, 100 + n % 31);
        list.push_str(&format!(
            "drawer-{n},bottom,Drawer bottom,{},oak-19,{length},{width},yes,5 deep 8 at 60 x 50\n",
            1 + n % 3
        ));
    }
    list
}

/// Waits until no job waits or runs.
async fn ended(server: &Server) {
    let (client, open) = (
        client(),
        format!("{}/v1/jobs?state=queued,running&limit=1", server.url),
    );
    loop {
        let list = client.get(&open).send().await.unwrap();
        let list: Value = list.json().await.unwrap();
        if list.as_array().unwrap().is_empty() {
            return;
        }
        tokio::time::sleep(Duration::from_millis(50)).await;
    }
}

/// Hands a night's list in and waits for its end; seconds.
async fn night(server: &Server, jobs: u32) -> f64 {
    let client = client();
    let began = Instant::now();
    let taken = client
        .post(format!("{}/v1/lists?shop=workshop&batch=night", server.url))
        .header("Content-Type", "text/csv")
        .body(list(jobs))
        .send()
        .await
        .unwrap();
    let status = taken.status();
    let taken: Value = taken.json().await.unwrap();
    assert_eq!(status.as_u16(), 201, "{taken}");
    ended(server).await;
    let took = began.elapsed().as_secs_f64();
    let at = format!("{}/v1/jobs?batch=night&state=ready&limit=1000", server.url);
    let ready: Value = client.get(at).send().await.unwrap().json().await.unwrap();
    let ready = ready.as_array().unwrap();
    assert_eq!(ready.len(), jobs as usize, "all are ready");
    let programs: u64 = ready
        .iter()
        .map(|j| j["summary"]["programs"].as_u64().unwrap())
        .sum();
    assert!(programs >= u64::from(jobs));
    // The night report's figures are the sums of the jobs'.
    let at = format!("{}/v1/night-report?as=json&from=2026-01-01", server.url);
    let report: Value = client.get(at).send().await.unwrap().json().await.unwrap();
    let machine: f64 = ready
        .iter()
        .map(|j| j["summary"]["machine-seconds"].as_f64().unwrap())
        .sum();
    let told: f64 = report["machines"]
        .as_array()
        .unwrap_or_else(|| panic!("{report}"))
        .iter()
        .map(|m| {
            m["seconds"]
                .as_f64()
                .or(m["machine-seconds"].as_f64())
                .unwrap_or_else(|| panic!("{m}"))
        })
        .sum();
    assert!(
        (machine - told).abs() < 1.0,
        "{machine} s and {told} s: {report}"
    );
    took
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn load_of_a_night() {
    let place = Fresh::new();
    let jobs = u32::try_from(number("GRAINWAY_NIGHT_JOBS", 6)).unwrap();
    let one = night(&served(&place, 1), jobs).await;
    let two = night(&served(&place, 2), jobs).await;
    println!(
        "load: a night of {jobs} jobs from a list: one worker {one:.1} s, two workers {two:.1} s, {:.2} times as fast",
        one / two
    );
}

/// Lists of a long queue by state, as the page asks for them.
#[tokio::test]
async fn load_of_listing_by_states() {
    let (place, jobs) = (Fresh::new(), number("GRAINWAY_LOAD_WAITING", 2_000));
    let store = Store::open(&StoreUrl::Sqlite(place.join("queue.sqlite")))
        .await
        .unwrap();
    let queue: Vec<_> = (0..jobs).map(|_| new_job("Drawer bottom", 1)).collect();
    for some in queue.chunks(5_000) {
        store.submit(some, None, 1_000_000).await.unwrap();
    }
    let filter = JobFilter {
        states: vec![JobState::Queued, JobState::Running],
        limit: 100,
        ..JobFilter::default()
    };
    let began = Instant::now();
    let listed = store.jobs(&filter).await.unwrap();
    let list = began.elapsed();
    let counts = store.counts().await.unwrap();
    let newest = queue.iter().map(|j| j.id).max();
    assert_eq!((listed.len(), listed.first().map(|j| j.id)), (100, newest));
    assert_eq!(counts[&JobState::Queued], jobs);
    println!(
        "load: {jobs} jobs wait | a page of 100 by states after {list:.1?} (target 50 ms) | counted after {:.1?}",
        began.elapsed() - list
    );
}
