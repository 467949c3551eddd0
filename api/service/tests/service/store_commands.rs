//! What people and programs ask of a queue, the same on every database: keys, limits, changes, lists, events, forgetting.

use super::databases::new_job;
use super::store_cases::{Two, all_events, all_jobs, claim, end, now, submit};
use crate::cases;
use grainway_service::model::{Event, JobId, JobState, NewJob, Side};
use grainway_service::store::{Changed, Idempotency, JobFilter, Store, Submitted};
use std::collections::{BTreeMap, BTreeSet};
use std::time::Duration;

cases!(
    the_same_request_is_answered_once,
    one_of_many_same_requests_at_a_time_wins,
    no_more_jobs_than_the_queue_may_hold,
    followers_miss_no_event,
    of_two_people_who_change_a_job_one_is_told_of_the_other,
    cancelled_and_retried,
    lists_in_pages,
    what_ended_long_ago_is_forgotten,
    a_key_stays_as_long_as_its_jobs,
    odd_words,
);

fn key(key: &str, request: &str) -> Idempotency {
    Idempotency {
        key: key.to_string(),
        caller: "token-1".to_string(),
        request_sha256: request.to_string(),
    }
}

async fn ask(store: &Store, name: &str, key: &Idempotency, most: u64) -> Submitted {
    store
        .submit(&[new_job(name, 5)], Some(key), most)
        .await
        .unwrap()
}

async fn the_same_request_is_answered_once(two: Two) {
    let Submitted::New(first) = ask(&two.a, "rack", &key("k", "r"), 2).await else {
        panic!("not new")
    };
    claim(&two.a, 10).await.unwrap();
    let Submitted::Before(before) = ask(&two.b, "rack", &key("k", "r"), 2).await else {
        panic!("not before")
    };
    assert_eq!(
        (before.len(), before[0].id, before[0].state),
        (1, first[0].id, JobState::Running)
    );
    assert!(matches!(
        ask(&two.b, "rack", &key("k", "other"), 2).await,
        Submitted::OtherRequest
    ));
    let stranger = Idempotency {
        caller: "token-2".to_string(),
        ..key("k", "other")
    };
    assert!(matches!(
        ask(&two.b, "rack", &stranger, 2).await,
        Submitted::New(_)
    ));
    // A key whose request was not taken is free.
    assert!(matches!(
        ask(&two.a, "stool", &key("full", "r"), 2).await,
        Submitted::Full { waiting: 2 }
    ));
    assert!(matches!(
        ask(&two.a, "stool", &key("full", "r"), 3).await,
        Submitted::New(_)
    ));
    // An answer that was given counts even when the queue is full now.
    assert!(matches!(
        ask(&two.a, "rack", &key("k", "r"), 0).await,
        Submitted::Before(_)
    ));
}

async fn one_of_many_same_requests_at_a_time_wins(two: Two) {
    for round in 0..10 {
        let asked = (0..12).map(|n| {
            let store = if n % 2 == 0 {
                two.a.clone()
            } else {
                two.b.clone()
            };
            tokio::spawn(async move {
                ask(&store, "rack", &key(&format!("k{round}"), "r"), 100_000).await
            })
        });
        let (mut new, mut before) = (Vec::new(), Vec::new());
        for answer in asked.collect::<Vec<_>>() {
            match answer.await.unwrap() {
                Submitted::New(jobs) => new.push(jobs[0].id),
                Submitted::Before(jobs) => before.push(jobs[0].id),
                other => panic!("{other:?}"),
            }
        }
        assert_eq!((new.len(), before.len()), (1, 11));
        assert!(before.iter().all(|id| *id == new[0]));
    }
    assert_eq!(all_jobs(&two.a).await.len(), 10);
}

async fn no_more_jobs_than_the_queue_may_hold(two: Two) {
    let asked = (0..30).map(|n| {
        let store = if n % 2 == 0 {
            two.a.clone()
        } else {
            two.b.clone()
        };
        tokio::spawn(async move {
            store
                .submit(&[new_job("one", 1), new_job("two", 1)], None, 11)
                .await
                .unwrap()
        })
    });
    let mut taken = 0;
    for answer in asked.collect::<Vec<_>>() {
        match answer.await.unwrap() {
            Submitted::New(jobs) => taken += jobs.len(),
            Submitted::Full { waiting } => assert!(waiting <= 11),
            other => panic!("{other:?}"),
        }
    }
    assert_eq!(taken, 10, "all or none, and eleven at most");
    assert_eq!(all_jobs(&two.b).await.len(), 10);
    let running = claim(&two.a, 10).await.unwrap().claim;
    let one = [new_job("one", 1)];
    let two_more = [new_job("one", 1), new_job("two", 1)];
    assert!(
        matches!(
            two.a.submit(&two_more, None, 11).await,
            Ok(Submitted::Full { waiting: 10 })
        ),
        "what runs counts"
    );
    assert!(
        two.a
            .complete(&running, &end(JobState::Failed), 11)
            .await
            .unwrap()
    );
    assert!(
        matches!(
            two.a.submit(&two_more, None, 11).await,
            Ok(Submitted::New(_))
        ),
        "what ended does not"
    );
    assert!(matches!(
        two.b.submit(&one, None, 11).await,
        Ok(Submitted::Full { waiting: 11 })
    ));
}

/// Reads on from the last event it saw until `done` events are there, as every follower does.
async fn follow(store: Store, done: usize) -> Vec<Event> {
    let mut seen: Vec<Event> = Vec::new();
    while seen.len() < done {
        let after = seen.last().map_or(0, |e| e.seq);
        let more = store.events(after, None, 7).await.unwrap();
        if more.is_empty() {
            tokio::time::sleep(Duration::from_millis(1)).await;
        }
        seen.extend(more);
    }
    seen
}

async fn followers_miss_no_event(two: Two) {
    let (writers, each) = (8, 15);
    let total = writers * each * 3;
    let followers = [&two.a, &two.b, &two.a].map(|s| tokio::spawn(follow(s.clone(), total)));
    let writing = (0..writers).map(|n| {
        let store = if n % 2 == 0 {
            two.a.clone()
        } else {
            two.b.clone()
        };
        tokio::spawn(async move {
            for n in 0..each {
                submit(&store, new_job("bench", n as i64)).await;
                let claimed = claim(&store, 50).await.unwrap();
                assert!(
                    store
                        .complete(&claimed.claim, &end(JobState::Ready), 60)
                        .await
                        .unwrap()
                );
            }
        })
    });
    for one in writing.collect::<Vec<_>>() {
        one.await.unwrap();
    }
    let all = all_events(&two.a).await;
    assert_eq!(all.len(), total);
    for follower in followers {
        let seen = tokio::time::timeout(Duration::from_secs(10), follower)
            .await
            .expect("a follower missed an event");
        assert_eq!(seen.unwrap(), all);
    }
    let job = all[0].job;
    let of_one: Vec<Event> = all.iter().filter(|e| e.job == job).cloned().collect();
    assert_eq!(two.a.events(0, Some(job), 100).await.unwrap(), of_one);
    assert_eq!(
        two.a.events(of_one[0].seq, Some(job), 1).await.unwrap(),
        of_one[1..2]
    );
    assert!(
        two.a
            .events(two.b.last_event().await.unwrap(), None, 9)
            .await
            .unwrap()
            .is_empty()
    );
}

async fn of_two_people_who_change_a_job_one_is_told_of_the_other(two: Two) {
    let job = submit(&two.a, new_job("bench", 1)).await;
    claim(&two.a, 2).await.unwrap();
    let Changed::OtherVersion(seen) = two.b.cancel(job.id, Some(job.version), 3).await.unwrap()
    else {
        panic!("it was claimed meanwhile")
    };
    assert_eq!(*seen, now(&two.a, job.id).await);
    let version = Some(seen.version);
    let both = [&two.a, &two.b, &two.a, &two.b].map(|s| {
        let store = s.clone();
        tokio::spawn(async move { store.cancel(job.id, version, 4).await.unwrap() })
    });
    let mut done = 0;
    for one in both {
        match one.await.unwrap() {
            Changed::Yes(job) => {
                assert!(job.cancel_wanted && job.version == seen.version + 1);
                done += 1;
            }
            Changed::OtherVersion(job) => assert_eq!(job.version, seen.version + 1),
            other => panic!("{other:?}"),
        }
    }
    assert_eq!(done, 1);
    let before = all_events(&two.a).await;
    assert!(matches!(
        two.b.retry(job.id, version, 5).await,
        Ok(Changed::OtherVersion(_))
    ));
    assert!(
        matches!(two.b.retry(job.id, None, 5).await, Ok(Changed::NotNow(_))),
        "it runs"
    );
    assert!(
        matches!(two.b.cancel(job.id, None, 5).await, Ok(Changed::Yes(_))),
        "it is wanted already"
    );
    assert!(matches!(
        two.b.cancel(JobId::fresh(), None, 5).await,
        Ok(Changed::NoSuchJob)
    ));
    assert_eq!(all_events(&two.a).await, before);
}

async fn cancelled_and_retried(two: Two) {
    let id = submit(
        &two.a,
        NewJob {
            not_before: Some(100),
            ..new_job("bench", 1)
        },
    )
    .await
    .id;
    let Changed::Yes(job) = two.a.cancel(id, None, 2).await.unwrap() else {
        panic!("not cancelled")
    };
    assert_eq!((job.state, job.ended), (JobState::Cancelled, Some(2)));
    assert!(matches!(
        two.b.cancel(id, None, 3).await,
        Ok(Changed::NotNow(_))
    ));
    assert!(matches!(
        two.a.retry(id, None, 4).await,
        Ok(Changed::Yes(_))
    ));
    assert!(claim(&two.a, 99).await.is_none(), "it was for later");
    let c = claim(&two.a, 200).await.unwrap().claim;
    assert!(two.a.give_back(&c, true, None, 201).await.unwrap());
    let c = claim(&two.a, 202).await.unwrap().claim;
    assert!(
        two.a
            .complete(&c, &end(JobState::Withheld), 203)
            .await
            .unwrap()
    );
    let ended = now(&two.b, id).await;
    assert_eq!(
        (ended.summary.as_ref(), ended.output.as_deref()),
        (Some(&end(JobState::Withheld).summary), Some("a1"))
    );
    assert_eq!(
        two.b.files(id, Side::Out).await.unwrap(),
        end(JobState::Withheld).files
    );
    assert_eq!(
        two.b.known(&[id]).await.unwrap()[&id].output.as_deref(),
        Some("a1")
    );
    let Changed::Yes(job) = two.b.retry(id, Some(ended.version), 204).await.unwrap() else {
        panic!("not retried")
    };
    assert_eq!(
        (job.state, job.attempts, job.cancel_wanted),
        (JobState::Queued, 0, false)
    );
    assert_eq!((job.summary, job.output, job.ended), (None, None, None));
    assert!(
        two.a.files(id, Side::Out).await.unwrap().is_empty(),
        "what was made before is no longer the job's"
    );
    assert_eq!(
        two.a.files(id, Side::In).await.unwrap(),
        new_job("bench", 1).files
    );
    let c = claim(&two.a, 300).await.unwrap().claim;
    assert!(
        two.a
            .complete(&c, &end(JobState::Ready), 301)
            .await
            .unwrap()
    );
    assert!(
        matches!(two.a.retry(id, None, 302).await, Ok(Changed::NotNow(_))),
        "what is ready stays"
    );
}

async fn lists_in_pages(two: Two) {
    let jobs: Vec<NewJob> = (0..250)
        .map(|n| NewJob {
            batch: Some(format!("b{}", n % 5)),
            ..new_job(&n.to_string(), n)
        })
        .collect();
    for some in jobs.chunks(50) {
        assert!(matches!(
            two.a.submit(some, None, 250).await,
            Ok(Submitted::New(_))
        ));
    }
    for n in 0..40 {
        let c = claim(&two.a, 1000).await.unwrap().claim;
        let state = if n % 2 == 0 {
            JobState::Ready
        } else {
            JobState::Failed
        };
        assert!(two.a.complete(&c, &end(state), 2000 + n).await.unwrap());
    }
    let ids = |jobs: &[grainway_service::model::Job]| jobs.iter().map(|j| j.id).collect::<Vec<_>>();
    let all = all_jobs(&two.b).await;
    let mut wanted: Vec<JobId> = jobs.iter().map(|j| j.id).collect();
    wanted.reverse();
    assert_eq!(ids(&all), wanted, "newest first, each once");
    let filter = JobFilter {
        states: vec![JobState::Ready, JobState::Queued],
        batch: Some("b2".to_string()),
        limit: 1000,
        ..JobFilter::default()
    };
    let wanted: Vec<_> = all
        .iter()
        .filter(|j| j.batch.as_deref() == Some("b2") && j.state != JobState::Failed)
        .cloned()
        .collect();
    assert_eq!(two.b.jobs(&filter).await.unwrap(), wanted);
    assert!(wanted.len() > 40 && wanted.iter().any(|j| j.state == JobState::Ready));
    let night = JobFilter {
        ended_from: Some(2010),
        ended_to: Some(2020),
        before: Some(all[20].id),
        limit: 4,
        ..JobFilter::default()
    };
    let wanted: Vec<_> = all
        .iter()
        .filter(|j| j.ended.is_some_and(|t| (2010..2020).contains(&t)))
        .take(4)
        .cloned()
        .collect();
    assert_eq!(two.b.jobs(&night).await.unwrap(), wanted);
    let counts: BTreeMap<JobState, u64> = two.a.counts().await.unwrap();
    use JobState::{Cancelled, Failed, Queued, Ready, Running, Withheld};
    let wanted = [
        (Queued, 210),
        (Running, 0),
        (Ready, 20),
        (Withheld, 0),
        (Failed, 20),
        (Cancelled, 0),
    ];
    assert_eq!(counts, wanted.into());
    // More at a time than one statement takes, half of them strangers.
    let many: Vec<JobId> = ids(&all)
        .into_iter()
        .chain((0..1200).map(|_| JobId::fresh()))
        .collect();
    let known = two.b.known(&many).await.unwrap();
    assert_eq!(known.len(), 250);
    assert!(
        all.iter()
            .all(|j| known[&j.id].state == j.state && known[&j.id].output == j.output)
    );
    assert!(two.a.known(&[]).await.unwrap().is_empty());
    assert_eq!(two.a.job(JobId::fresh()).await.unwrap(), None);
    assert!(
        two.a
            .files(JobId::fresh(), Side::In)
            .await
            .unwrap()
            .is_empty()
    );
}

async fn what_ended_long_ago_is_forgotten(two: Two) {
    for n in 0..6 {
        assert!(matches!(
            ask(&two.a, "bench", &key(&format!("k{n}"), "r"), 100).await,
            Submitted::New(_)
        ));
    }
    let mut ended = Vec::new();
    for n in 0..5 {
        let c = claim(&two.a, 10).await.unwrap().claim;
        if n < 4 {
            assert!(
                two.a
                    .complete(&c, &end(JobState::Ready), 100 + n)
                    .await
                    .unwrap()
            );
            ended.push(c.job);
        }
    }
    let (first, second) = (ended[0], ended[1]);
    assert!(two.b.prune(100, 10).await.unwrap().is_empty());
    assert_eq!(
        two.b
            .prune(103, 2)
            .await
            .unwrap()
            .into_iter()
            .collect::<BTreeSet<_>>(),
        [first, second].into()
    );
    assert_eq!(two.a.prune(103, 10).await.unwrap(), [ended[2]]);
    assert!(two.a.prune(103, 10).await.unwrap().is_empty());
    assert_eq!(
        all_jobs(&two.a).await.len(),
        3,
        "one that ended at the border, one that runs, one that waits"
    );
    assert!(two.a.events(0, Some(first), 10).await.unwrap().is_empty());
    assert!(two.a.known(&[first]).await.unwrap().is_empty());
    let last = two.a.last_event().await.unwrap();
    assert!(
        matches!(
            ask(&two.a, "bench", &key("k0", "r"), 100).await,
            Submitted::New(_)
        ),
        "its key is free again"
    );
    assert!(
        two.a.last_event().await.unwrap() > last,
        "numbers are never used again"
    );
    // Nothing ends in the future: everything that ended goes, what waits and runs stays.
    assert_eq!(two.a.prune(i64::MAX, 100).await.unwrap(), [ended[3]]);
    assert_eq!(all_jobs(&two.a).await.len(), 3);
}

/// Jobs that wait over a weekend, or that a watched folder has not put back yet: handed in again they must be known.
async fn a_key_stays_as_long_as_its_jobs(two: Two) {
    let both = [new_job("waits", 5), new_job("ends", 5)];
    let k = key("k", "r");
    let new = two.a.submit(&both, Some(&k), 100).await.unwrap();
    assert!(matches!(new, Submitted::New(_)));
    ask(&two.a, "gone", &key("gone", "r"), 100).await;
    let is_known = async |word: &str| {
        let known = two.b.answered(&key(word, "r")).await.unwrap();
        known.is_some()
    };
    for n in 0..3 {
        let c = claim(&two.a, 10).await.unwrap().claim;
        // The last to end is one of the two.
        let at = if c.job == both[0].id { 200 } else { 100 + n };
        assert!(two.a.complete(&c, &end(JobState::Ready), at).await.unwrap());
        two.b.prune(50, 100).await.unwrap();
        assert!(is_known("k").await, "jobs wait, run and are kept");
    }
    two.b.prune(150, 100).await.unwrap();
    assert!(is_known("k").await, "one of its jobs is there");
    assert!(!is_known("gone").await);
    two.b.prune(300, 100).await.unwrap();
    assert!(!is_known("k").await);
}

async fn odd_words(two: Two) {
    let name = "Lesebank'); DROP TABLE job; -- \"½\" 🪑 \\ % _ $1 ?";
    let job = NewJob {
        batch: Some(name.to_string()),
        by: Some(name.to_string()),
        code: name.to_string(),
        not_before: Some(i64::MAX),
        ..new_job(name, i64::MAX - 1)
    };
    let job = submit(&two.a, job).await;
    assert_eq!(
        (job.name.as_str(), job.batch.as_deref(), job.code.as_str()),
        (name, Some(name), name)
    );
    assert_eq!(
        (job.created, job.not_before),
        (i64::MAX - 1, Some(i64::MAX))
    );
    let of = |batch: &str| JobFilter {
        batch: Some(batch.to_string()),
        limit: 9,
        ..JobFilter::default()
    };
    assert_eq!(
        two.b.jobs(&of(name)).await.unwrap(),
        std::slice::from_ref(&job)
    );
    // PostgreSQL has no texts with this sign: no job has such a batch.
    assert!(two.b.jobs(&of("a\0b")).await.unwrap().is_empty());
    assert!(two.b.jobs(&of("%")).await.unwrap().is_empty());
    assert_eq!(
        two.a
            .submit(&[], None, 9)
            .await
            .map(|s| matches!(s, Submitted::New(j) if j.is_empty()))
            .ok(),
        Some(true)
    );
}
