//! What a queue must do, the same on every database: claims, leases, ends. [`store_commands`](super::store_commands) has what people ask of it.

use super::databases::new_job;
use grainway_service::model::{
    Claim, Event, EventKind, Job, JobEnd, JobFile, JobId, JobState, NewJob, Side, Summary, When,
};
use grainway_service::store::{Changed, Claimed, JobFilter, Renewed, Store, Submitted};
use std::collections::{BTreeMap, BTreeSet};
use uuid::Uuid;

/// Two servers on one queue. On an embedded store both are the same.
#[derive(Clone)]
pub struct Two {
    /// One.
    pub a: Store,
    /// The other.
    pub b: Store,
}

/// Tests of this file as a list.
#[macro_export]
macro_rules! cases {
    ($($name:ident),* $(,)?) => {
        /// The cases of this file.
        pub const CASES: &[(&str, fn($crate::store_cases::Two) -> futures_util::future::BoxFuture<'static, ()>)] =
            &[$((stringify!($name), |two| Box::pin($name(two)))),*];
    };
}

cases!(
    claims_never_give_one_job_to_two,
    an_outdated_claim_changes_nothing,
    leases_run_out_and_lost_jobs_wait_longer_each_time,
    a_start_takes_up_what_the_dead_process_had_on_an_embedded_store_only,
    higher_priority_first_then_older_none_too_early_none_outside_its_hours,
    a_job_that_is_given_back,
    old_programs_are_stale_once_the_new_ones_are_ready_and_no_sooner,
    of_two_that_replace_one_job_the_later_counts,
    callers_that_go_away_leave_nothing_half_done,
);

/// Puts one job in.
pub async fn submit(store: &Store, job: NewJob) -> Job {
    match store.submit(&[job], None, 100_000).await.unwrap() {
        Submitted::New(mut jobs) => jobs.remove(0),
        other => panic!("not taken: {other:?}"),
    }
}

/// Takes the next one.
pub async fn claim(store: &Store, now: i64) -> Option<Claimed> {
    store
        .claim(Uuid::new_v4(), now, now + 30_000, true)
        .await
        .unwrap()
}

/// How a job may end.
pub fn end(state: JobState) -> JobEnd {
    let file = |n: &str| JobFile {
        name: n.to_string(),
        sha256: "c3".repeat(32),
        bytes: 7,
    };
    JobEnd {
        state,
        summary: Summary {
            sentence: format!("It is {state}: 'quoted' \"twice\", ½ – ✓."),
            machine_seconds: 0.1 + 0.2,
            ..Summary::default()
        },
        files: vec![file("programs/01-board-1.ngc"), file("report.json")],
        output: Some("a1".to_string()),
        lost: false,
    }
}

/// The job as it is now.
pub async fn now(store: &Store, id: JobId) -> Job {
    store.job(id).await.unwrap().unwrap()
}

/// All events.
pub async fn all_events(store: &Store) -> Vec<Event> {
    let mut all: Vec<Event> = Vec::new();
    loop {
        let more = store
            .events(all.last().map_or(0, |e| e.seq), None, 1000)
            .await
            .unwrap();
        match more.is_empty() {
            true => return all,
            false => all.extend(more),
        }
    }
}

/// All jobs, newest first.
pub async fn all_jobs(store: &Store) -> Vec<Job> {
    let mut filter = JobFilter {
        limit: 100,
        ..JobFilter::default()
    };
    let mut all: Vec<Job> = Vec::new();
    loop {
        filter.before = all.last().map(|j| j.id);
        let more = store.jobs(&filter).await.unwrap();
        match more.is_empty() {
            true => return all,
            false => all.extend(more),
        }
    }
}

/// What holds at every moment: each change of a job was told once, the last one told is its state, and what its state implies.
pub async fn sound(store: &Store) {
    let mut told: BTreeMap<JobId, Vec<Event>> = BTreeMap::new();
    let mut last = 0;
    for event in all_events(store).await {
        assert!(event.seq > last, "{event:?} after {last}");
        last = event.seq;
        told.entry(event.job).or_default().push(event);
    }
    assert_eq!(store.last_event().await.unwrap(), last);
    for job in all_jobs(store).await {
        let events = told.remove(&job.id).unwrap_or_default();
        assert_eq!(job.version, events.len() as i64, "{job:?}\n{events:?}");
        assert_eq!(
            events.last().map(|e| e.state),
            Some(job.state),
            "{job:?}\n{events:?}"
        );
        assert_eq!(events[0].what, EventKind::Submitted);
        assert_eq!(job.state.is_end(), job.ended.is_some(), "{job:?}");
        assert_eq!(job.state.is_end(), job.summary.is_some(), "{job:?}");
        let out = store.files(job.id, Side::Out).await.unwrap();
        assert_eq!(job.output.is_some(), !out.is_empty(), "{job:?}");
    }
    assert!(
        told.is_empty(),
        "events of jobs that are not there: {told:?}"
    );
}

async fn claims_never_give_one_job_to_two(two: Two) {
    let jobs: Vec<NewJob> = (0..120).map(|n| new_job(&format!("n{n}"), n)).collect();
    let ids: BTreeSet<JobId> = jobs.iter().map(|j| j.id).collect();
    assert!(matches!(
        two.a.submit(&jobs, None, 120).await,
        Ok(Submitted::New(_))
    ));
    let workers = (0..16).map(|n| {
        let store = if n % 2 == 0 {
            two.a.clone()
        } else {
            two.b.clone()
        };
        tokio::spawn(async move {
            let owner = Uuid::new_v4();
            let mut mine: Vec<Claim> = Vec::new();
            while let Some(claimed) = store.claim(owner, 1000, 31_000, false).await.unwrap() {
                assert_eq!(claimed.job.state, JobState::Running);
                assert_eq!(claimed.files.len(), 1);
                if mine.len().is_multiple_of(2) {
                    assert!(
                        store
                            .complete(&claimed.claim, &end(JobState::Ready), 1001)
                            .await
                            .unwrap()
                    );
                }
                mine.push(claimed.claim);
            }
            mine
        })
    });
    let mut all = Vec::new();
    for worker in workers.collect::<Vec<_>>() {
        all.extend(worker.await.unwrap());
    }
    assert_eq!(all.len(), ids.len(), "a job was given twice, or not at all");
    assert_eq!(all.iter().map(|c| c.job).collect::<BTreeSet<_>>(), ids);
    let counts = two.b.counts().await.unwrap();
    assert_eq!(counts[&JobState::Ready] + counts[&JobState::Running], 120);
    assert_eq!(counts[&JobState::Queued], 0);
}

async fn an_outdated_claim_changes_nothing(two: Two) {
    let id = submit(&two.a, new_job("bench", 1)).await.id;
    let old = claim(&two.a, 10).await.unwrap().claim;
    assert_eq!(two.b.take_up(30_011, false).await.unwrap(), [id]);
    let unchanged = |claim: Claim| {
        let two = two.clone();
        async move {
            let before = (now(&two.a, id).await, all_events(&two.a).await);
            for store in [&two.a, &two.b] {
                assert_eq!(
                    store.renew(&claim, 99_000, Some("pocket")).await.unwrap(),
                    Renewed::Replaced
                );
                assert!(
                    !store
                        .complete(&claim, &end(JobState::Ready), 40)
                        .await
                        .unwrap()
                );
                assert!(!store.give_back(&claim, true, Some(5), 40).await.unwrap());
            }
            assert_eq!((now(&two.a, id).await, all_events(&two.a).await), before);
            assert!(two.a.files(id, Side::Out).await.unwrap().is_empty());
        }
    };
    unchanged(old.clone()).await;
    let new = claim(&two.b, 30_020).await.unwrap().claim;
    assert_eq!(new.job, id);
    unchanged(old.clone()).await;
    // The right try with another owner, the right owner with another try, another job.
    unchanged(Claim {
        owner: old.owner,
        ..new.clone()
    })
    .await;
    unchanged(Claim {
        attempt: old.attempt,
        ..new.clone()
    })
    .await;
    unchanged(Claim {
        job: JobId::fresh(),
        ..new.clone()
    })
    .await;
    // The lease that the dead one asked for did not become the living one's.
    assert!(two.a.take_up(60_020, false).await.unwrap().is_empty());
    assert!(
        two.b
            .complete(&new, &end(JobState::Withheld), 60_021)
            .await
            .unwrap()
    );
    let before = (now(&two.a, id).await, all_events(&two.a).await);
    assert!(
        !two.a
            .complete(&new, &end(JobState::Ready), 60_022)
            .await
            .unwrap()
    );
    assert!(!two.a.give_back(&new, false, None, 60_022).await.unwrap());
    assert_eq!((now(&two.a, id).await, all_events(&two.a).await), before);
}

async fn leases_run_out_and_lost_jobs_wait_longer_each_time(two: Two) {
    let id = submit(&two.a, new_job("bench", 1)).await.id;
    let mut time = 100;
    let mut waits = Vec::new();
    for round in 0..12 {
        let claimed = claim(&two.a, time).await.unwrap();
        let held = Renewed::Held {
            cancel_wanted: false,
        };
        assert_eq!(
            two.a
                .renew(&claimed.claim, time + 40_000, Some("drill"))
                .await
                .unwrap(),
            held
        );
        assert_eq!(now(&two.b, id).await.stage.as_deref(), Some("drill"));
        assert!(
            two.b
                .take_up(time + 40_000, false)
                .await
                .unwrap()
                .is_empty(),
            "until then it holds"
        );
        time += 40_001;
        assert_eq!(two.b.take_up(time, false).await.unwrap(), [id]);
        assert!(
            two.a.take_up(time, false).await.unwrap().is_empty(),
            "it is taken up once"
        );
        let job = now(&two.a, id).await;
        assert_eq!(
            (job.state, job.attempts, job.spent, job.stage),
            (JobState::Queued, 2 * round + 1, 0, None),
            "each loss is counted, and spends nothing"
        );
        let start = time;
        while claim(&two.a, time).await.is_none() {
            time += 500;
            assert!(time < start + 70_000);
        }
        waits.push(time - start);
        assert_eq!(two.b.take_up(time + 30_001, false).await.unwrap(), [id]);
        time += 100_000;
    }
    assert_eq!(waits[0], 0, "the first loss is the machine's fault");
    assert!(
        waits.is_sorted() && waits[1] >= 1000 && waits[11] == 60_000,
        "{waits:?}"
    );
}

async fn a_start_takes_up_what_the_dead_process_had_on_an_embedded_store_only(two: Two) {
    for n in 0..3 {
        submit(&two.a, new_job("bench", n)).await;
    }
    let (one, other) = (
        claim(&two.a, 10).await.unwrap(),
        claim(&two.a, 10).await.unwrap(),
    );
    assert!(matches!(
        two.a.cancel(other.job.id, None, 11).await,
        Ok(Changed::Yes(_))
    ));
    let lost = two.b.take_up(12, true).await.unwrap();
    match two.b.is_embedded() {
        true => {
            assert_eq!(lost, [one.job.id]);
            assert_eq!(
                now(&two.a, other.job.id).await.state,
                JobState::Cancelled,
                "nobody is there to stop it"
            );
        }
        false => assert!(lost.is_empty(), "others may be at work on them"),
    }
}

async fn higher_priority_first_then_older_none_too_early_none_outside_its_hours(two: Two) {
    let mut wanted = Vec::new();
    for (name, priority, not_before, when) in [
        ("e", 0, None, When::Any),
        ("f", 0, Some(50), When::Any),
        ("b", 100, None, When::Hours),
        ("a", 100, None, When::Any),
        ("h", -100, None, When::Any),
        ("c", 5, Some(200), When::Any),
        ("g", -1, None, When::Any),
        ("d", 5, Some(200), When::Hours),
    ] {
        let mut job = new_job(name, 1);
        (job.priority, job.not_before, job.when) = (priority, not_before, when);
        wanted.push((name, submit(&two.a, job).await));
    }
    let job = now(&two.a, wanted[7].1.id).await;
    assert_eq!(
        (job.when, job.not_before, job.priority),
        (When::Hours, Some(200), 5)
    );
    let mut got = String::new();
    let take = async |now: i64, hours: bool, got: &mut String| {
        let claimed = two
            .b
            .claim(Uuid::new_v4(), now, now + 9, hours)
            .await
            .unwrap();
        got.push_str(&claimed.map_or("-".to_string(), |c| c.job.name));
    };
    // At 49 only those that may run at any time, then the hour of f comes, then the operator's hours, then 200.
    for (now, hours) in [
        (49, false),
        (49, false),
        (49, false),
        (50, false),
        (199, true),
        (199, true),
        (199, true),
    ] {
        take(now, hours, &mut got).await;
    }
    for hours in [false, false, true, true] {
        take(200, hours, &mut got).await;
    }
    assert_eq!(got, "aegfbh-c-d-");
}

async fn a_job_that_is_given_back(two: Two) {
    let id = submit(&two.a, new_job("bench", 1)).await.id;
    let first = claim(&two.a, 10).await.unwrap().claim;
    assert!(two.a.give_back(&first, true, Some(500), 20).await.unwrap());
    let job = now(&two.b, id).await;
    assert_eq!(
        (job.state, job.attempts, job.not_before),
        (JobState::Queued, 1, Some(500))
    );
    assert!(claim(&two.b, 499).await.is_none());
    let second = claim(&two.b, 500).await.unwrap();
    assert!(second.claim.attempt > first.attempt);
    assert!(
        two.b
            .give_back(&second.claim, false, None, 510)
            .await
            .unwrap()
    );
    assert_eq!(
        now(&two.a, id).await.attempts,
        1,
        "a worker that stops spends nothing"
    );
    let kinds: Vec<EventKind> = all_events(&two.a).await.iter().map(|e| e.what).collect();
    use EventKind::{Lost, Returned, Started, Submitted};
    assert_eq!(kinds, [Submitted, Started, Lost, Started, Returned]);
    // Somebody wants it stopped, and its worker stops for a reason of its own: it is not begun again.
    let third = claim(&two.a, 600).await.unwrap().claim;
    assert!(matches!(
        two.b.cancel(id, None, 601).await,
        Ok(Changed::Yes(_))
    ));
    assert!(two.a.give_back(&third, false, None, 602).await.unwrap());
    assert_eq!(now(&two.a, id).await.state, JobState::Cancelled);
    assert!(claim(&two.a, 700).await.is_none());
}

async fn old_programs_are_stale_once_the_new_ones_are_ready_and_no_sooner(two: Two) {
    let old = submit(&two.a, new_job("old", 1)).await.id;
    let c = claim(&two.a, 2).await.unwrap().claim;
    assert!(two.a.complete(&c, &end(JobState::Ready), 3).await.unwrap());
    let again = |name: &str| NewJob {
        replaces: Some(old),
        ..new_job(name, 4)
    };
    submit(&two.a, again("withheld")).await;
    assert_eq!(now(&two.a, old).await.replaced_by, None);
    let c = claim(&two.a, 5).await.unwrap().claim;
    assert!(
        two.b
            .complete(&c, &end(JobState::Withheld), 6)
            .await
            .unwrap()
    );
    assert_eq!(
        now(&two.a, old).await.replaced_by,
        None,
        "the old ones are still the best there are"
    );
    let new = submit(&two.a, again("ready")).await;
    assert_eq!(new.replaces, Some(old));
    let c = claim(&two.a, 7).await.unwrap().claim;
    let seen = two.a.last_event().await.unwrap();
    assert!(two.b.complete(&c, &end(JobState::Ready), 8).await.unwrap());
    assert_eq!(now(&two.a, old).await.replaced_by, Some(new.id));
    let told = two.a.events(seen, None, 10).await.unwrap();
    let told: Vec<_> = told.iter().map(|e| (e.job, e.what, e.state)).collect();
    assert_eq!(
        told,
        [
            (new.id, EventKind::Ended, JobState::Ready),
            (old, EventKind::Stale, JobState::Ready)
        ]
    );
}

/// The wood was measured, and measured again because the first figure was wrong, before anything was made. Whichever is ready first:
/// the programs of the first figure must not look like those to use.
async fn of_two_that_replace_one_job_the_later_counts(two: Two) {
    for later_first in [false, true] {
        let old = submit(&two.a, new_job("old", 1)).await.id;
        let c = claim(&two.a, 2).await.unwrap().claim;
        assert!(two.a.complete(&c, &end(JobState::Ready), 3).await.unwrap());
        let again = |priority| NewJob {
            replaces: Some(old),
            priority,
            ..new_job("again", 4)
        };
        let earlier = submit(&two.a, again(0)).await.id;
        let later = submit(&two.a, again(i32::from(later_first))).await.id;
        let first = claim(&two.a, 5).await.unwrap().claim;
        let second = claim(&two.b, 5).await.unwrap().claim;
        assert_eq!(first.job == later, later_first);
        let ready = end(JobState::Ready);
        assert!(two.a.complete(&first, &ready, 6).await.unwrap());
        assert_eq!(now(&two.a, old).await.replaced_by, Some(first.job));
        let seen = two.a.last_event().await.unwrap();
        assert!(two.b.complete(&second, &ready, 7).await.unwrap());
        assert_eq!(now(&two.a, later).await.replaced_by, None);
        assert_eq!(now(&two.a, earlier).await.replaced_by, Some(later));
        let told = two.a.events(seen, None, 10).await.unwrap();
        let told: Vec<_> = told.iter().map(|e| (e.job, e.what)).collect();
        let wanted = [(second.job, EventKind::Ended), (earlier, EventKind::Stale)];
        assert_eq!(told, wanted);
    }
}

/// A browser that is closed, a request that takes too long: the call is dropped wherever it is.
async fn callers_that_go_away_leave_nothing_half_done(two: Two) {
    for n in 0..400_u64 {
        let store = if n % 2 == 0 {
            two.a.clone()
        } else {
            two.b.clone()
        };
        let call = tokio::spawn(async move {
            let _ = store
                .submit(&[new_job("x", 1), new_job("y", 1)], None, 100_000)
                .await;
            if let Ok(Some(claimed)) = store.claim(Uuid::new_v4(), 10, 20, true).await {
                let _ = store
                    .complete(&claimed.claim, &end(JobState::Ready), 11)
                    .await;
            }
        });
        tokio::time::sleep(std::time::Duration::from_micros((n * 7919) % 3000)).await;
        call.abort();
        let _ = call.await;
    }
    // Both answer still, to reads and writes, and what is there is whole.
    for store in [&two.a, &two.b] {
        submit(store, new_job("last", 1)).await;
        store.probe(1).await.unwrap();
        let jobs = all_jobs(store).await;
        let of = |name: &str| jobs.iter().filter(|j| j.name == name).count();
        assert!(of("x") == of("y") && of("x") > 0, "{} {}", of("x"), of("y"));
    }
}
