//! The sender: turns events into messages, sends what is due, notes what became of it.

use super::super::model::{Job, JobId, Millis};
use super::super::store::StoreProblem;
use super::super::store::webhooks::{Lent, Settled, Webhook};
use super::Ledger;
use super::message::message;
use super::schedule::judge;
use super::sign;
use bytes::Bytes;
use grainway_client::outgoing::Outgoing;
use std::collections::btree_map::Entry;
use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;
use std::time::Duration;
use tokio::sync::{Semaphore, watch};
use tokio::task::{Id, JoinSet};

/// Requests to receivers at a time; each webhook has one of them at most, so a slow receiver keeps no other waiting.
const AT_A_TIME: usize = 16;
/// A message whose sender died is due again after this. Longer than a request may take.
const LENT_FOR: Millis = 60_000;
/// Events turned into messages in one transaction.
const EVENTS: u32 = 200;
/// The store is looked into at least so often: other servers write events too, and messages become due.
const LOOK: Duration = Duration::from_secs(2);
/// Between two rounds, so that many events in a row are one.
const PAUSE: Duration = Duration::from_millis(50);
/// Messages that are over are kept for a look back.
const KEPT: Millis = 14 * 86_400_000;
const HOUR: Millis = 3_600_000;
/// How long a sender that stops waits for requests on their way.
const LAST_WORDS: Duration = Duration::from_secs(5);

type Answer<T> = Result<T, StoreProblem>;

/// Sends messages.
pub struct Sender<L> {
    ledger: Arc<L>,
    outgoing: Outgoing,
    clock: fn() -> Millis,
    permits: Arc<Semaphore>,
}

impl<L> Clone for Sender<L> {
    fn clone(&self) -> Sender<L> {
        Sender {
            ledger: Arc::clone(&self.ledger),
            outgoing: self.outgoing.clone(),
            clock: self.clock,
            permits: Arc::clone(&self.permits),
        }
    }
}

/// Which webhooks a task sends for.
#[derive(Default)]
struct Tasks {
    set: JoinSet<()>,
    of: BTreeMap<Id, String>,
    busy: BTreeSet<String>,
}

impl<L: Ledger> Sender<L> {
    /// A sender on this store, through this client.
    pub fn new(ledger: Arc<L>, outgoing: Outgoing, clock: fn() -> Millis) -> Sender<L> {
        Sender {
            ledger,
            outgoing,
            clock,
            permits: Arc::new(Semaphore::new(AT_A_TIME)),
        }
    }

    /// Works until `stop` is set; looks at once when `events` changes.
    pub async fn run(&self, mut events: watch::Receiver<i64>, mut stop: watch::Receiver<bool>) {
        let mut tasks = Tasks::default();
        let mut forgotten = (self.clock)();
        while !*stop.borrow_and_update() {
            events.mark_unchanged();
            if let Err(problem) = self.round(&mut tasks, &stop).await {
                tracing::warn!("webhooks wait for the store: {problem}");
            }
            let now = (self.clock)();
            if now - forgotten >= HOUR {
                forgotten = now;
                if let Err(problem) = self.ledger.forget(now - KEPT).await {
                    tracing::warn!("old webhook messages stay: {problem}");
                }
            }
            tokio::select! {
                _ = stop.changed() => break,
                _ = events.changed() => {}
                Some(ended) = tasks.set.join_next_with_id() => {
                    let id = match ended {
                        Ok((id, ())) => id,
                        Err(problem) => {
                            tracing::error!("sending a webhook message failed inside: {problem}");
                            problem.id()
                        }
                    };
                    if let Some(webhook) = tasks.of.remove(&id) {
                        tasks.busy.remove(&webhook);
                    }
                }
                () = tokio::time::sleep(LOOK) => {}
            }
            tokio::time::sleep(PAUSE).await;
        }
        let _ = tokio::time::timeout(LAST_WORDS, async {
            while tasks.set.join_next().await.is_some() {}
        })
        .await;
    }

    /// Turns new events into messages and starts a task for each webhook that has messages due.
    async fn round(&self, tasks: &mut Tasks, stop: &watch::Receiver<bool>) -> Answer<()> {
        for webhook in self.ledger.webhooks().await? {
            if webhook.off.is_none() {
                self.spread(webhook).await?;
            }
        }
        for webhook in self.ledger.webhooks_due((self.clock)()).await? {
            if tasks.busy.insert(webhook.clone()) {
                let (sender, stop, own) = (self.clone(), stop.clone(), webhook.clone());
                let task = tasks
                    .set
                    .spawn(async move { sender.send_due(&own, &stop).await });
                tasks.of.insert(task.id(), webhook);
            }
        }
        Ok(())
    }

    /// Turns the events that a webhook was not told of into messages.
    async fn spread(&self, mut webhook: Webhook) -> Answer<()> {
        loop {
            let events = self.ledger.events_after(webhook.seen, EVENTS).await?;
            let Some(last) = events.last().map(|e| e.seq) else {
                return Ok(());
            };
            let mut jobs: BTreeMap<JobId, Option<Job>> = BTreeMap::new();
            let mut messages = Vec::new();
            for event in events.iter().filter(|e| webhook.wants(e.what)) {
                if let Entry::Vacant(place) = jobs.entry(event.job) {
                    place.insert(self.ledger.job_now(event.job).await?);
                }
                // A job that was forgotten since has nothing more to tell.
                if let Some(Some(job)) = jobs.get(&event.job) {
                    messages.push(message(event, job));
                }
            }
            let now = (self.clock)();
            if !self
                .ledger
                .queue_messages(&webhook, &messages, last, now)
                .await?
            {
                return Ok(());
            }
            webhook.seen = last;
        }
    }

    /// Sends what is due of one webhook, one message after the other.
    async fn send_due(&self, webhook: &str, stop: &watch::Receiver<bool>) {
        while !*stop.borrow() {
            let Ok(_permit) = self.permits.acquire().await else {
                return;
            };
            let now = (self.clock)();
            match self.ledger.lend(webhook, now, now + LENT_FOR).await {
                Ok(Some(lent)) => self.send(&lent).await,
                Ok(None) => return,
                Err(problem) => {
                    tracing::warn!(webhook, "webhook messages wait for the store: {problem}");
                    return;
                }
            }
        }
    }

    async fn send(&self, lent: &Lent) {
        let seconds = (self.clock)().div_euclid(1000);
        let fields = sign::headers(&lent.id, seconds, lent.body.as_bytes(), &lent.secrets);
        let body = Bytes::from(lent.body.clone());
        let answer = self.outgoing.post(&lent.url, fields, body).await;
        let now = (self.clock)();
        let outcome = judge(&answer, now);
        tracing::debug!(
            webhook = lent.webhook,
            message = lent.id,
            attempt = lent.attempts,
            ?outcome,
            "webhook message"
        );
        // Without chance the waits are not spread, and that is all.
        let chance = getrandom::u64().unwrap_or(0);
        match self.ledger.settle(lent, &outcome, chance, now).await {
            Ok(Settled::Off(why)) => {
                tracing::warn!(webhook = lent.webhook, "webhook switched off: {why}");
            }
            Ok(Settled::Noted | Settled::Replaced) => {}
            // The message is due again when its loan is over: it arrives twice.
            Err(problem) => {
                tracing::warn!(
                    webhook = lent.webhook,
                    message = lent.id,
                    "not noted: {problem}"
                );
            }
        }
    }
}
