//! The worker itself, with a process of its own for the job.

use super::help::{Fresh, example};
use super::in_process::{Nothing, service, service_of, stopped, until};
use super::store_disks::Small;
use grainway_pipeline::finding::Finding;
use grainway_service::faults::{Faults, InjectedFault};
use grainway_service::intake::{Handed, Refusal, take};
use grainway_service::model::{EventKind, Job, JobId, JobState, Side};
use grainway_service::{Shared, sweep, worker};
use std::collections::BTreeMap;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Arc, Mutex};
use std::time::Duration;

/// The first calls of one kind fail; all calls are noted.
struct First {
    call: &'static str,
    times: usize,
    seen: Mutex<Vec<&'static str>>,
}

impl Faults for First {
    fn before(&self, call: &'static str) -> Option<InjectedFault> {
        let mut seen = self.seen.lock().unwrap();
        seen.push(call);
        let n = seen.iter().filter(|c| **c == self.call).count();
        (call == self.call && n <= self.times).then_some(InjectedFault::NotDone)
    }
}

/// The first calls of one kind panic, as a fault of ours in the middle of a job would.
struct Panics {
    call: &'static str,
    times: AtomicUsize,
}

impl Faults for Panics {
    fn before(&self, call: &'static str) -> Option<InjectedFault> {
        let left = |n: usize| n.checked_sub(1);
        let more = Ordering::Relaxed;
        let counts = call == self.call && self.times.fetch_update(more, more, left).is_ok();
        assert!(!counts, "on purpose: {call}");
        None
    }
}

async fn handed_in(shared: &Shared) -> JobId {
    try_to_hand_in(shared).await.unwrap()
}

async fn try_to_hand_in(shared: &Shared) -> Result<JobId, Refusal> {
    let file = |name: &str| {
        let bytes = std::fs::read(example("step-stool").join(name)).unwrap();
        (name.to_string(), bytes.into())
    };
    let handed = Handed {
        files: ["job.json", "shop.json"].map(file).into(),
        ..Handed::default()
    };
    let taken = take(shared, vec![handed], None, false).await?;
    Ok(taken.jobs[0].id)
}

/// Files that the job makes beside its report; each try stores them side by side.
const BESIDE_REPORT: usize = 19;

/// A store of files that is slow or away for a while costs no job its worker: otherwise a large job would be made again and again.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_lease_is_renewed_while_files_are_put_away() {
    let place = Fresh::new();
    // Five tries with pauses of 0.1 to 1.6 s: three seconds, three renewals.
    let faults = Arc::new(First {
        call: "put_file",
        times: 5 * BESIDE_REPORT,
        seen: Mutex::default(),
    });
    let shared = service(&place, &place.join("work"), faults.clone()).await;
    let id = handed_in(&shared).await;
    let working = tokio::spawn(worker::work(Arc::clone(&shared)));
    let job = until(&shared, id, |j| j.state.is_end()).await;
    stopped(&shared, working).await;
    assert_eq!((job.state, job.attempts), (JobState::Ready, 0));
    let seen = faults.seen.lock().unwrap();
    let first = seen.iter().position(|c| *c == "put_file").unwrap();
    let ended = seen.iter().position(|c| *c == "complete").unwrap();
    let renewed = seen[first..ended].iter().filter(|c| **c == "renew").count();
    assert!(renewed >= 2, "{renewed} renewals in {seen:?}");
    assert_eq!(seen.iter().filter(|c| **c == "complete").count(), 1);
}

/// Whoever sees the report in the file store sees all that it tells of.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_report_is_put_away_last() {
    let place = Fresh::new();
    let shared = service(&place, &place.join("work"), Arc::new(Nothing)).await;
    let id = handed_in(&shared).await;
    let working = tokio::spawn(worker::work(Arc::clone(&shared)));
    let job = until(&shared, id, |j| j.state.is_end()).await;
    stopped(&shared, working).await;
    let attempt = job.output.unwrap();
    let made = shared.store.files(id, Side::Out).await.unwrap();
    let folder = place.join(format!("files/jobs/{id}/out/{attempt}"));
    let written = |name: &str| folder.join(name).metadata().unwrap().modified().unwrap();
    let report = written("report.json");
    assert_eq!(made.len(), BESIDE_REPORT + 1);
    for file in made.iter().filter(|f| f.name != "report.json") {
        assert!(written(&file.name) <= report, "{}", file.name);
    }
}

/// A panic would otherwise end the worker without a word: the job would be taken up again and again, until no worker is left.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_panic_spends_an_attempt_and_no_worker() {
    for (times, wanted) in [(1, (JobState::Ready, 1)), (2, (JobState::Failed, 2))] {
        let place = Fresh::new();
        let faults = Arc::new(Panics {
            call: "put_file",
            times: times.into(),
        });
        let shared = service(&place, &place.join("work"), faults).await;
        let id = handed_in(&shared).await;
        let working = tokio::spawn(worker::work(Arc::clone(&shared)));
        let job = until(&shared, id, |j| j.state.is_end()).await;
        assert_eq!((job.state, job.attempts), wanted, "{job:?}");
        // The worker is still there.
        let next = handed_in(&shared).await;
        let next = until(&shared, next, |j| j.state.is_end()).await;
        assert_eq!(next.state, JobState::Ready);
        stopped(&shared, working).await;
    }
}

/// A disk for jobs at work that is full for a while makes jobs wait and fails none.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_full_disk_under_jobs_at_work_fails_no_job() {
    let Some(small) = Small::mounted("2m") else {
        return;
    };
    let place = Fresh::new();
    let none = Arc::new(Nothing);
    let shared = service(&place, small.path(), none).await;
    let id = handed_in(&shared).await;
    // Room for what was handed in and not for what is made of it.
    let room = 40 << 10;
    std::fs::write(small.path().join("ballast"), vec![0; (2 << 20) - room]).unwrap();
    let working = tokio::spawn(worker::work(Arc::clone(&shared)));
    let waits = |j: &Job| j.state == JobState::Queued && j.started.is_some();
    let job = until(&shared, id, |j| j.state.is_end() || waits(j)).await;
    assert_eq!((job.state, job.attempts), (JobState::Queued, 0), "{job:?}");
    small.now("size=64m");
    let job = until(&shared, id, |j| j.state.is_end()).await;
    assert_eq!((job.state, job.attempts), (JobState::Ready, 0), "{job:?}");
    stopped(&shared, working).await;
}

/// One disk under everything, with so much room: what is taken there, or after there is room again, is made once and is whole.
async fn on_a_disk_with(room: usize) -> Option<&'static str> {
    let small = Small::mounted("16m")?;
    let none = Arc::new(Nothing);
    let shared = service(small.path(), &small.path().join("work"), none).await;
    let ballast = small.path().join("ballast");
    let free = nix::sys::statvfs::statvfs(small.path()).unwrap();
    let free = (free.blocks_available() * free.fragment_size()) as usize;
    std::fs::write(&ballast, vec![0; free - room]).unwrap();
    let working = tokio::spawn(worker::work(Arc::clone(&shared)));
    let first = try_to_hand_in(&shared).await;
    tokio::time::sleep(Duration::from_secs(6)).await;
    let filled = match &first {
        Err(_) => "when it was handed in",
        Ok(id) => match shared.store.job(*id).await {
            Ok(Some(job)) if job.state.is_end() => "never",
            _ => "while it was made",
        },
    };
    std::fs::remove_file(ballast).unwrap();
    let id = match first {
        Ok(id) => id,
        Err(_) => handed_in(&shared).await,
    };
    let job = until(&shared, id, |j| j.state.is_end()).await;
    assert_eq!(
        (job.state, job.attempts),
        (JobState::Ready, 0),
        "{room}: {job:?}"
    );
    stopped(&shared, working).await;
    let ends = shared.store.events(0, Some(id), 1000).await.unwrap();
    let ends = ends.iter().filter(|e| e.what == EventKind::Ended).count();
    assert_eq!(ends, 1, "{room}");
    let made = shared.store.files(id, Side::Out).await.unwrap();
    let into = Fresh::new();
    let fetched = shared
        .files
        .fetch(id, Side::Out, job.output.as_deref(), &made, &into);
    fetched.await.unwrap();
    // Nothing else is left once it was swept.
    shared.files.clean().await.unwrap();
    sweep::files(&shared, 0).await.unwrap();
    let found = shared.files.found().await.unwrap();
    let found: Vec<_> = found.into_iter().map(|f| (f.job, f.attempts)).collect();
    assert_eq!(found, [(id, vec![job.output.unwrap()])], "{room}");
    let work = small.path().join("work").join(shared.owner.to_string());
    assert_eq!(std::fs::read_dir(work).unwrap().count(), 0, "{room}");
    Some(filled)
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_disk_that_fills_at_any_step_loses_no_job_slow() {
    let rooms = [
        0, 16, 40, 64, 96, 128, 192, 256, 320, 400, 500, 640, 800, 1000, 1300,
    ];
    let disks = rooms.map(|kib| on_a_disk_with(kib << 10));
    let filled = futures_util::future::join_all(disks).await;
    println!("full: {filled:?}");
    if filled.contains(&None) {
        return;
    }
    let kinds: std::collections::BTreeSet<_> = filled.iter().flatten().collect();
    assert!(kinds.len() > 1, "{filled:?}");
}

/// Want of processes or open files is the machine's and passes; no job is spent or failed by it.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_machine_that_can_start_no_process_fails_no_job() {
    let place = Fresh::new();
    let none = Arc::new(Nothing);
    let program = place.join("grainway");
    let shared = service_of(&place, &place.join("work"), none, program.clone()).await;
    let id = handed_in(&shared).await;
    let working = tokio::spawn(worker::work(Arc::clone(&shared)));
    let waits = |j: &Job| j.state == JobState::Queued && j.started.is_some();
    let job = until(&shared, id, |j| j.state.is_end() || waits(j)).await;
    assert_eq!((job.state, job.attempts), (JobState::Queued, 0), "{job:?}");
    std::os::unix::fs::symlink(super::help::job_program(), program).unwrap();
    let job = until(&shared, id, |j| j.state.is_end()).await;
    assert_eq!((job.state, job.attempts), (JobState::Ready, 0), "{job:?}");
    stopped(&shared, working).await;
}

/// A job document in a folder names what lies beside it, as `grainway make` reads it; files beside the folder are in nobody's way.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_document_in_a_folder_is_taken_as_it_is_made() {
    let place = Fresh::new();
    let none = Arc::new(Nothing);
    let shared = service(&place, &place.join("work"), none).await;
    let mut shared = Arc::into_inner(shared).unwrap();
    let shop = example("step-stool").join("shop.json");
    shared.config.shops.insert("workshop".into(), shop.clone());
    let shared = Arc::new(shared);
    let job = std::fs::read_to_string(example("step-stool").join("job.json")).unwrap();
    let of_ours = job.replace("\"shop.json\"", "\"workshop\"");
    assert_ne!(job, of_ours);
    let working = tokio::spawn(worker::work(Arc::clone(&shared)));
    for (job, with_shop) in [(job, true), (of_ours, false)] {
        let mut handed = Handed {
            files: BTreeMap::from([
                ("notes.txt".to_string(), "By Friday.".into()),
                ("stool/job.json".to_string(), job.into()),
            ]),
            ..Handed::default()
        };
        if with_shop {
            let bytes = std::fs::read(&shop).unwrap();
            handed.files.insert("stool/shop.json".into(), bytes.into());
        }
        let taken = take(&shared, vec![handed], None, false).await.unwrap();
        let job = until(&shared, taken.jobs[0].id, |j| j.state.is_end()).await;
        assert_eq!(job.state, JobState::Ready, "{job:?}");
    }
    // What is wrong is told by the names that were handed in.
    let handed = Handed {
        files: BTreeMap::from([
            ("notes.txt".to_string(), "By Friday.".into()),
            (
                "stool/job.json".to_string(),
                r#"{ "format": "grainway.job/1" }"#.into(),
            ),
        ]),
        ..Handed::default()
    };
    let refused = take(&shared, vec![handed], None, false).await;
    let Err(Refusal::Documents(wrong)) = refused else {
        panic!("{refused:?}")
    };
    let at_home = |f: &Finding| f.pointer.as_ref().unwrap().document() == "stool/job.json";
    assert!(!wrong.is_empty() && wrong.iter().all(at_home), "{wrong:?}");
    stopped(&shared, working).await;
}
