//! Every call to queue and files fails once, in both forms: not carried out, and carried out with its answer lost. Whatever fails, the
//! job that was handed in is there once, ends once, and its files are whole; the sweep leaves nothing else.
//!
//! Submission is the service's own; the worker here keeps to the rules of the store's documentation and does no work.

use super::databases::{in_memory, sqlite};
use super::help::{Dice, Fresh, example};
use super::in_process;
use super::store_cases::{all_events, all_jobs, sound};
use futures_util::{StreamExt, stream};
use grainway_service::Shared;
use grainway_service::config::Config;
use grainway_service::faults::{Faults, InjectedFault};
use grainway_service::files::{FilePlace, Files, FilesProblem, FilesUrl};
use grainway_service::intake::{Handed, Refusal, take};
use grainway_service::model::{EventKind, JobEnd, JobFile, JobId, JobState, Side, Summary};
use grainway_service::store::{Claimed, Idempotency, Store, StoreProblem};
use std::path::Path;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex};

/// Which calls fail.
enum When {
    /// This one, counted from 1.
    Nth(u64),
    /// One of four, by a seed.
    Storm(u64),
}

struct FaultSchedule {
    when: When,
    fault: InjectedFault,
    calls: AtomicU64,
    failed: Mutex<Vec<&'static str>>,
}

impl Faults for FaultSchedule {
    fn before(&self, call: &'static str) -> Option<InjectedFault> {
        let n = self.calls.fetch_add(1, Ordering::Relaxed) + 1;
        let fault = match self.when {
            When::Nth(wanted) => (n == wanted).then_some(self.fault)?,
            When::Storm(seed) => match Dice(seed << 32 | n).roll(8) {
                0 => InjectedFault::NotDone,
                1 => InjectedFault::DoneButLost,
                _ => return None,
            },
        };
        self.failed.lock().unwrap().push(call);
        Some(fault)
    }
}

fn plan(when: When, fault: InjectedFault) -> Arc<FaultSchedule> {
    Arc::new(FaultSchedule {
        when,
        fault,
        calls: AtomicU64::new(0),
        failed: Mutex::new(Vec::new()),
    })
}

fn shared(store: Store, files: Files) -> Shared {
    in_process::shared(Config::default(), store, files, "grainway")
}

fn handed() -> Handed {
    let file = |name: &str| {
        let bytes = std::fs::read(example("step-stool").join(name)).unwrap();
        (name.to_string(), bytes.into())
    };
    Handed {
        files: ["job.json", "shop.json"].map(file).into(),
        ..Handed::default()
    }
}

/// What a client does: asks again with the same key until it has an answer.
async fn hand_in(shared: &Shared) -> JobId {
    let key = Idempotency {
        key: "stools for the library".to_string(),
        caller: "c".to_string(),
        request_sha256: "r".to_string(),
    };
    for _ in 0..40 {
        match take(shared, vec![handed()], Some(key.clone()), false).await {
            Ok(taken) => return taken.jobs[0].id,
            Err(Refusal::Store(StoreProblem::Away(_)) | Refusal::Files(FilesProblem::Away(_))) => {}
            Err(other) => panic!("{other}"),
        }
    }
    panic!("no answer in forty tries")
}

const SMALL: &[u8] = b"G21 G90\n";

/// What a worker does with a job: inputs in, outputs into a folder of the attempt's own.
async fn work(
    shared: &Shared,
    claimed: &Claimed,
    attempt: &str,
    folder: &Path,
) -> Result<Vec<JobFile>, FilesProblem> {
    let job = claimed.job.id;
    shared
        .files
        .fetch(job, Side::In, None, &claimed.files, folder)
        .await?;
    // One that goes up in a piece and one that is streamed.
    let made = [
        ("programs/01.ngc", SMALL.to_vec()),
        ("pictures/board.svg", vec![b'x'; 600_000]),
    ];
    let mut files = Vec::new();
    for (name, bytes) in made {
        std::fs::write(folder.join("made"), bytes).unwrap();
        let place = FilePlace {
            job,
            side: Side::Out,
            attempt: Some(attempt),
            name,
        };
        files.push(shared.files.put_file(&place, &folder.join("made")).await?);
    }
    Ok(files)
}

/// Ends a job. An answer that got lost is no answer: the row says whether it is ours.
async fn complete(shared: &Shared, claimed: &Claimed, end: &JobEnd, now: i64) -> bool {
    for _ in 0..10 {
        match shared.store.complete(&claimed.claim, end, now).await {
            Ok(true) => return true,
            Ok(false) => match shared.store.job(claimed.job.id).await {
                Ok(job) => {
                    return job.is_some_and(|j| j.state == end.state && j.output == end.output);
                }
                Err(_) => continue,
            },
            Err(_) => continue,
        }
    }
    false
}

async fn work_until_it_ends(shared: &Shared, id: JobId, plain: &Store, folder: &Path) {
    let mut now = shared.now();
    for round in 0..200 {
        if plain.job(id).await.unwrap().unwrap().state.is_end() {
            return;
        }
        // A later look: what was lost on the way has run out by then.
        now += 100_000;
        let _ = shared.store.take_up(now, false).await;
        let Ok(Some(claimed)) = shared
            .store
            .claim(shared.owner, now, now + 30_000, true)
            .await
        else {
            continue;
        };
        let attempt = format!("try-{round}");
        let into = folder.join(&attempt);
        std::fs::create_dir(&into).unwrap();
        let made = work(shared, &claimed, &attempt, &into).await;
        let _ = shared
            .store
            .renew(&claimed.claim, now + 60_000, Some("verify"))
            .await;
        let Ok(files) = made else {
            let _ = shared
                .store
                .give_back(&claimed.claim, false, None, now)
                .await;
            continue;
        };
        let end = JobEnd {
            state: JobState::Ready,
            summary: Summary::default(),
            files,
            output: Some(attempt.clone()),
            lost: false,
        };
        if !complete(shared, &claimed, &end, now + 1).await {
            let _ = shared.files.remove_attempt(id, &attempt).await;
        }
    }
    let (job, events) = (
        plain.job(id).await.unwrap(),
        plain.events(0, None, 10_000).await.unwrap(),
    );
    panic!("it does not end: {job:?}, {events:?}");
}

/// Removes what no job names, as the service does from time to time. `false`: not all of it.
async fn sweep(shared: &Shared) -> bool {
    let Ok(found) = shared.files.found().await else {
        return false;
    };
    let ids: Vec<JobId> = found.iter().map(|f| f.job).collect();
    let Ok(known) = shared.store.known(&ids).await else {
        return false;
    };
    let mut all = true;
    for one in found {
        let Some(job) = known.get(&one.job) else {
            all &= shared.files.remove_job(one.job).await.is_ok();
            continue;
        };
        for attempt in one
            .attempts
            .iter()
            .filter(|a| job.output.as_ref() != Some(a))
        {
            all &= shared.files.remove_attempt(one.job, attempt).await.is_ok();
        }
    }
    all
}

async fn whole(store: &Store, files: &Files, id: JobId, folder: &Fresh) {
    sound(store).await;
    let jobs = all_jobs(store).await;
    assert_eq!(
        jobs.iter().map(|j| (j.id, j.state)).collect::<Vec<_>>(),
        [(id, JobState::Ready)]
    );
    let events = all_events(store).await;
    let of = |kind| events.iter().filter(|e| e.what == kind).count();
    assert_eq!((of(EventKind::Submitted), of(EventKind::Ended)), (1, 1));
    assert!(files.clean().await.is_ok());
    let attempt = jobs[0].output.as_deref();
    let (given, made) = (
        store.files(id, Side::In).await.unwrap(),
        store.files(id, Side::Out).await.unwrap(),
    );
    assert_eq!((given.len(), made.len()), (2, 2));
    let into = folder.join("whole");
    files
        .fetch(id, Side::In, None, &given, &into)
        .await
        .unwrap();
    files
        .fetch(id, Side::Out, attempt, &made, &into)
        .await
        .unwrap();
    assert_eq!(std::fs::read(into.join("programs/01.ngc")).unwrap(), SMALL);
    let found = files.found().await.unwrap();
    assert_eq!(found.len(), 1, "files of other jobs are left");
    assert_eq!(
        found[0]
            .attempts
            .iter()
            .map(String::as_str)
            .collect::<Vec<_>>(),
        [attempt.unwrap()]
    );
}

/// A job from hand to end. How many calls it took, and which of them failed.
async fn cycle(plan: Arc<FaultSchedule>) -> (u64, Vec<&'static str>) {
    let folder = in_memory();
    let store = sqlite(&folder).await;
    let files = Files::open(&FilesUrl::Folder(folder.join("files"))).unwrap();
    let shared = shared(
        store.clone().failing(plan.clone()),
        files.clone().failing(plan.clone()),
    );
    let id = hand_in(&shared).await;
    work_until_it_ends(&shared, id, &store, &folder).await;
    let mut rounds = 0;
    while !sweep(&shared).await {
        rounds += 1;
        assert!(rounds < 100, "it is never swept");
    }
    whole(&store, &files, id, &folder).await;
    let failed = plan.failed.lock().unwrap().clone();
    (plan.calls.load(Ordering::Relaxed), failed)
}

#[tokio::test(flavor = "multi_thread", worker_threads = 4)]
async fn whichever_call_fails_the_job_is_there_once_and_whole() {
    let (calls, none) = cycle(plan(When::Nth(0), InjectedFault::NotDone)).await;
    assert!(calls > 10 && none.is_empty());
    let all =
        (1..=calls).flat_map(|n| [(n, InjectedFault::NotDone), (n, InjectedFault::DoneButLost)]);
    let runs = stream::iter(all)
        .map(|(n, fault)| tokio::spawn(async move { cycle(plan(When::Nth(n), fault)).await.1 }));
    // Most of the time of a run is a wait for the store to come back.
    let failed: Vec<_> = runs.buffer_unordered(8).map(|r| r.unwrap()).collect().await;
    let mut names: Vec<_> = failed.iter().flatten().copied().collect();
    assert_eq!(names.len() as u64, 2 * calls, "each failed in its run");
    names.sort_unstable();
    names.dedup();
    println!(
        "{calls} calls, each failed in both forms: {}",
        names.join(", ")
    );
    for name in [
        "submit", "claim", "renew", "complete", "take_up", "put", "put_file", "fetch", "found",
        "known",
    ] {
        assert!(names.contains(&name), "{name} was never made to fail");
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 4)]
async fn when_one_call_in_four_fails_the_job_is_there_once_and_whole() {
    let runs = stream::iter(0..40).map(|seed| {
        tokio::spawn(async move {
            let storm = cycle(plan(When::Storm(seed), InjectedFault::NotDone)).await;
            (seed, storm)
        })
    });
    let all: Vec<_> = runs
        .buffer_unordered(16)
        .map(|r| r.unwrap())
        .collect()
        .await;
    let failed: usize = all.iter().map(|(_, (_, failed))| failed.len()).sum();
    println!(
        "{} calls, {failed} failed",
        all.iter().map(|(_, (calls, _))| calls).sum::<u64>()
    );
    assert!(failed > 100);
}
