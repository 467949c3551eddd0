//! The queue against a model of it in memory: seeded random days of a few servers, every answer and every row compared after each step.
//!
//! The model says in plain words what the queue promises; it knows no SQL. A seed that fails can be run again alone.

use super::databases::{in_memory, new_job, sqlite};
use super::help::Dice;
use super::postgres::Server;
use super::store_cases::end;
use futures_util::{FutureExt, StreamExt, stream};
use grainway_service::model::{Claim, EventKind, Job, JobId, JobState, NewJob, When};
use grainway_service::store::{
    Changed, Idempotency, JobFilter, Renewed, Store, StoreUrl, Submitted,
};
use std::collections::BTreeMap;
use std::panic::AssertUnwindSafe;
use uuid::Uuid;

/// A job and what only the queue knows of it.
#[derive(Clone)]
struct ModelJob {
    job: Job,
    /// Who works on it, the try's number and the lease.
    held: Option<(Uuid, i64, i64)>,
    tries: i64,
    losses: u32,
}

#[derive(Default)]
struct Model {
    rows: BTreeMap<JobId, ModelJob>,
    told: Vec<(JobId, i64, EventKind, JobState)>,
    keys: BTreeMap<String, (String, Vec<JobId>, i64)>,
}

impl Model {
    fn tell(&mut self, id: JobId, now: i64, what: EventKind) {
        let row = self.rows.get_mut(&id).unwrap();
        if what != EventKind::Submitted {
            row.job.version += 1;
        }
        self.told.push((id, now, what, row.job.state));
    }

    fn open(&self) -> u64 {
        self.rows.values().filter(|r| !r.job.state.is_end()).count() as u64
    }

    fn submit(&mut self, job: &NewJob, key: Option<&Idempotency>, most: u64) -> &'static str {
        if let Some(key) = key
            && let Some((request, _, _)) = self.keys.get(&key.key)
        {
            return if *request == key.request_sha256 {
                "before"
            } else {
                "other"
            };
        }
        if self.open() + 1 > most {
            return "full";
        }
        if let Some(key) = key {
            let entry = (key.request_sha256.clone(), vec![job.id], job.now);
            self.keys.insert(key.key.clone(), entry);
        }
        let shown = Job {
            id: job.id,
            name: job.name.clone(),
            state: JobState::Queued,
            document: job.document.clone(),
            priority: job.priority,
            not_before: job.not_before,
            when: job.when,
            source: job.source,
            batch: None,
            code: job.code.clone(),
            replaces: job.replaces,
            replaced_by: None,
            created: job.now,
            started: None,
            ended: None,
            attempts: 0,
            spent: 0,
            cancel_wanted: false,
            stage: None,
            summary: None,
            version: 1,
            output: None,
        };
        let row = ModelJob {
            job: shown,
            held: None,
            tries: 0,
            losses: 0,
        };
        self.rows.insert(job.id, row);
        self.tell(job.id, job.now, EventKind::Submitted);
        "new"
    }

    fn claim(&mut self, owner: Uuid, now: i64, until: i64, hours: bool) -> Option<Claim> {
        let free = |r: &&ModelJob| {
            r.job.state == JobState::Queued
                && r.job.not_before.is_none_or(|t| t <= now)
                && (hours || r.job.when == When::Any)
        };
        let id = self
            .rows
            .values()
            .filter(free)
            .min_by_key(|r| (-r.job.priority, r.job.id))
            .map(|r| r.job.id)?;
        let row = self.rows.get_mut(&id)?;
        row.tries += 1;
        row.held = Some((owner, row.tries, until));
        let attempt = row.tries;
        (row.job.state, row.job.started) = (JobState::Running, Some(now));
        self.tell(id, now, EventKind::Started);
        Some(Claim {
            job: id,
            owner,
            attempt,
        })
    }

    fn holds(&self, claim: &Claim) -> bool {
        let held = self.rows.get(&claim.job).and_then(|r| r.held);
        held.is_some_and(|(owner, attempt, _)| owner == claim.owner && attempt == claim.attempt)
    }

    fn let_go(&mut self, id: JobId, state: JobState) -> &mut ModelJob {
        let row = self.rows.get_mut(&id).unwrap();
        (row.held, row.job.stage, row.job.state) = (None, None, state);
        row
    }

    fn cancelled(&mut self, id: JobId, now: i64) {
        let row = self.let_go(id, JobState::Cancelled);
        (row.job.ended, row.job.summary) = (Some(now), Some(Default::default()));
        self.tell(id, now, EventKind::Ended);
    }

    fn renew(&mut self, claim: &Claim, until: i64, stage: &str) -> Renewed {
        if !self.holds(claim) {
            return Renewed::Replaced;
        }
        let row = self.rows.get_mut(&claim.job).unwrap();
        row.held = row.held.map(|(owner, attempt, _)| (owner, attempt, until));
        row.job.stage = Some(stage.to_string());
        Renewed::Held {
            cancel_wanted: row.job.cancel_wanted,
        }
    }

    fn complete(&mut self, claim: &Claim, state: JobState, now: i64) -> bool {
        if !self.holds(claim) {
            return false;
        }
        let end = end(state);
        let job = &mut self.let_go(claim.job, state).job;
        (job.ended, job.summary, job.output) = (Some(now), Some(end.summary), end.output);
        let replaces = job.replaces;
        self.tell(claim.job, now, EventKind::Ended);
        if let Some(old) = replaces.filter(|_| state == JobState::Ready) {
            self.replace(old, claim.job, now);
        }
        true
    }

    /// The later of all that were made in place of a job counts.
    fn replace(&mut self, mut old: JobId, mut new: JobId, now: i64) {
        while let Some(row) = self.rows.get_mut(&old) {
            match row.job.replaced_by {
                None => {
                    row.job.replaced_by = Some(new);
                    return self.tell(old, now, EventKind::Stale);
                }
                Some(other) if other == new => return,
                Some(other) => (old, new) = (other.min(new), other.max(new)),
            }
        }
    }

    fn give_back(&mut self, claim: &Claim, spent: bool, not_before: Option<i64>, now: i64) -> bool {
        if !self.holds(claim) {
            return false;
        }
        let row = self.let_go(claim.job, JobState::Queued);
        row.job.attempts += u32::from(spent);
        row.job.spent += u32::from(spent);
        row.job.not_before = not_before;
        let wanted = row.job.cancel_wanted;
        self.tell(
            claim.job,
            now,
            if spent {
                EventKind::Lost
            } else {
                EventKind::Returned
            },
        );
        if wanted {
            self.cancelled(claim.job, now);
        }
        true
    }

    fn take_up(&mut self, now: i64, all: bool) -> Vec<JobId> {
        let over = |r: &&ModelJob| r.held.is_some_and(|(_, _, until)| until < now || all);
        let ids: Vec<JobId> = self.rows.values().filter(over).map(|r| r.job.id).collect();
        let mut lost = Vec::new();
        for id in ids {
            if self.rows[&id].job.cancel_wanted {
                self.cancelled(id, now);
                continue;
            }
            let row = self.let_go(id, JobState::Queued);
            let wait = match row.losses {
                0 => 0,
                n => (1000_i64 << n.min(10)).min(60_000),
            };
            row.losses += 1;
            row.job.attempts += 1;
            row.job.not_before = Some(now + wait);
            self.tell(id, now, EventKind::Lost);
            lost.push(id);
        }
        lost
    }

    fn change(&mut self, id: JobId, version: Option<i64>, now: i64, retry: bool) -> &'static str {
        let Some(row) = self.rows.get_mut(&id) else {
            return "none";
        };
        if version.is_some_and(|v| v != row.job.version) {
            return "version";
        }
        match (retry, row.job.state) {
            (false, JobState::Queued) => self.cancelled(id, now),
            (false, JobState::Running) if row.job.cancel_wanted => {}
            (false, JobState::Running) => {
                row.job.cancel_wanted = true;
                self.tell(id, now, EventKind::CancelWanted);
            }
            (true, JobState::Failed | JobState::Withheld | JobState::Cancelled) => {
                row.losses = 0;
                let job = &mut row.job;
                (job.state, job.attempts, job.cancel_wanted) = (JobState::Queued, 0, false);
                job.spent = 0;
                (job.started, job.ended, job.summary, job.output) = (None, None, None, None);
                self.tell(id, now, EventKind::Returned);
            }
            _ => return "not now",
        }
        "yes"
    }

    fn prune(&mut self, before: i64) -> Vec<JobId> {
        let over = |r: &&ModelJob| r.job.ended.is_some_and(|t| t < before);
        let gone: Vec<JobId> = self.rows.values().filter(over).map(|r| r.job.id).collect();
        self.rows.retain(|id, _| !gone.contains(id));
        self.told.retain(|(id, ..)| !gone.contains(id));
        let rows = &self.rows;
        self.keys.retain(|_, (_, jobs, created)| {
            *created >= before || jobs.iter().any(|id| rows.contains_key(id))
        });
        gone
    }
}

fn changed_word(changed: &Changed) -> &'static str {
    match changed {
        Changed::Yes(_) => "yes",
        Changed::NoSuchJob => "none",
        Changed::OtherVersion(_) => "version",
        Changed::NotNow(_) => "not now",
    }
}

/// One step on both.
async fn step(
    dice: &mut Dice,
    model: &mut Model,
    store: &Store,
    now: i64,
    claims: &mut Vec<Claim>,
) {
    let ids: Vec<JobId> = model.rows.keys().copied().collect();
    match dice.roll(20) {
        0..=4 => {
            let mut job = new_job("bench", now);
            job.priority = dice.roll(5) as i32 - 2;
            job.not_before = (dice.roll(4) == 0).then(|| now + dice.roll(40_000) as i64);
            job.when = if dice.roll(4) == 0 {
                When::Hours
            } else {
                When::Any
            };
            job.replaces = dice.pick(&ids).filter(|_| dice.roll(3) == 0);
            let key = (dice.roll(2) == 0).then(|| Idempotency {
                key: format!("k{}", dice.roll(6)),
                caller: "c".to_string(),
                request_sha256: format!("r{}", dice.roll(2)),
            });
            let most = 4 + dice.roll(8);
            let known = key
                .as_ref()
                .and_then(|k| model.keys.get(&k.key))
                .map(|(_, ids, _)| ids.clone());
            let wanted = model.submit(&job, key.as_ref(), most);
            let told = match store.submit(&[job], key.as_ref(), most).await.unwrap() {
                Submitted::New(jobs) => (jobs.len() == 1, "new"),
                Submitted::Before(jobs) => {
                    let there: Vec<JobId> = known
                        .unwrap()
                        .into_iter()
                        .filter(|id| model.rows.contains_key(id))
                        .collect();
                    (
                        jobs.iter().map(|j| j.id).collect::<Vec<_>>() == there,
                        "before",
                    )
                }
                Submitted::OtherRequest => (true, "other"),
                Submitted::Full { waiting } => (waiting == model.open(), "full"),
            };
            assert_eq!(told, (true, wanted));
        }
        5..=8 => {
            let (owner, hours) = (Uuid::from_u64_pair(7, dice.roll(3)), dice.roll(2) == 0);
            let until = now + dice.roll(30_000) as i64;
            let wanted = model.claim(owner, now, until, hours);
            let told = store.claim(owner, now, until, hours).await.unwrap();
            assert_eq!(told.map(|c| c.claim), wanted);
            claims.extend(wanted);
        }
        // A server that crashed says nothing more: its claims are simply not used again, and what is left of them comes late.
        9 | 10 => {
            let Some(claim) = dice.pick(claims) else {
                return;
            };
            let until = now + dice.roll(30_000) as i64;
            let wanted = model.renew(&claim, until, "pocket");
            assert_eq!(
                store.renew(&claim, until, Some("pocket")).await.unwrap(),
                wanted
            );
        }
        11..=13 => {
            let Some(claim) = dice.pick(claims) else {
                return;
            };
            let ends = [
                JobState::Ready,
                JobState::Ready,
                JobState::Withheld,
                JobState::Failed,
                JobState::Cancelled,
            ];
            let state = dice.pick(&ends).unwrap();
            let wanted = model.complete(&claim, state, now);
            assert_eq!(
                store.complete(&claim, &end(state), now).await.unwrap(),
                wanted
            );
        }
        14 => {
            let Some(claim) = dice.pick(claims) else {
                return;
            };
            let not_before = (dice.roll(2) == 0).then_some(now + 5000);
            let spent = dice.roll(2) == 0;
            let wanted = model.give_back(&claim, spent, not_before, now);
            assert_eq!(
                store
                    .give_back(&claim, spent, not_before, now)
                    .await
                    .unwrap(),
                wanted
            );
        }
        15 | 16 => {
            let at_start = dice.roll(8) == 0;
            let wanted = model.take_up(now, at_start && store.is_embedded());
            assert_eq!(store.take_up(now, at_start).await.unwrap(), wanted);
        }
        17 | 18 => {
            let stranger = JobId(Uuid::from_u64_pair(1, 1));
            let id = dice.pick(&ids).unwrap_or(stranger);
            let version = match (dice.roll(3), model.rows.get(&id)) {
                (0, Some(row)) => Some(row.job.version),
                (1, Some(row)) => Some(row.job.version - 1),
                _ => None,
            };
            let retry = dice.roll(2) == 0;
            let wanted = model.change(id, version, now, retry);
            let told = match retry {
                true => store.retry(id, version, now).await.unwrap(),
                false => store.cancel(id, version, now).await.unwrap(),
            };
            assert_eq!(changed_word(&told), wanted);
        }
        _ => {
            let before = now - dice.roll(200_000) as i64;
            let mut wanted = model.prune(before);
            let mut told = store.prune(before, 1000).await.unwrap();
            wanted.sort();
            told.sort();
            assert_eq!(told, wanted);
        }
    }
}

/// Rows and events of both are the same.
async fn compare(model: &Model, store: &Store, numbers: &mut BTreeMap<i64, JobId>) {
    let filter = JobFilter {
        limit: 1000,
        ..JobFilter::default()
    };
    let mut jobs = store.jobs(&filter).await.unwrap();
    for job in &mut jobs {
        // Its words are the queue's own.
        if job.state == JobState::Cancelled && job.output.is_none() {
            job.summary = Some(Default::default());
        }
    }
    let wanted: Vec<Job> = model.rows.values().rev().map(|r| r.job.clone()).collect();
    assert_eq!(jobs, wanted);
    let events = store.events(0, None, 10_000).await.unwrap();
    let told: Vec<_> = events
        .iter()
        .map(|e| (e.job, e.at, e.what, e.state))
        .collect();
    assert_eq!(told, model.told);
    // An event keeps its number, and no number is used twice.
    for event in &events {
        assert_eq!(*numbers.entry(event.seq).or_insert(event.job), event.job);
    }
}

async fn day(seed: u64, steps: u32, store: &Store) {
    let mut dice = Dice(seed);
    let (mut model, mut claims, mut numbers) = (Model::default(), Vec::new(), BTreeMap::new());
    let mut now = 1_000_000;
    for n in 0..steps {
        println!("seed {seed}, step {n}, time {now}");
        step(&mut dice, &mut model, store, now, &mut claims).await;
        compare(&model, store, &mut numbers).await;
        now += dice.roll(12_000) as i64;
    }
}

/// A failure names its seed.
async fn named_day(seed: u64, store: Store) {
    let day = AssertUnwindSafe(day(seed, 60, &store)).catch_unwind().await;
    assert!(day.is_ok(), "GRAINWAY_SEED={seed} shows that day alone");
    store.close().await;
}

#[tokio::test]
async fn three_hundred_days_on_sqlite() {
    let one: Option<u64> = std::env::var("GRAINWAY_SEED")
        .ok()
        .map(|s| s.parse().unwrap());
    let seeds = one.map_or(0..300, |seed| seed..seed + 1);
    // A few at a time: each waits for its database most of the time.
    let days = stream::iter(seeds).map(|seed| async move {
        let folder = in_memory();
        named_day(seed, sqlite(&folder).await).await;
    });
    days.buffer_unordered(4).collect::<()>().await;
}

#[tokio::test]
async fn twenty_days_on_postgresql() {
    let Some(server) = Server::start() else {
        return;
    };
    for seed in 1000..1020 {
        let store = Store::open(&StoreUrl::Postgres(server.database().await))
            .await
            .unwrap();
        named_day(seed, store).await;
    }
}
