//! Webhooks and their messages, in the queue's own store.
//!
//! Each webhook remembers the last event that was turned into messages for it; messages and that number are written together, so no
//! event is left out and none is sent as two messages. A message that is being sent is only lent: if its sender dies, it is due again.

mod sql;

use super::{Result, Store};
use crate::model::{Event, EventKind, Job, JobId, Millis};
use crate::webhook_rules::schedule::Outcome;
use crate::webhook_rules::sign::Secret;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// A webhook as its owner sees it. Times are milliseconds since 1970.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub struct Webhook {
    /// Its id.
    pub id: String,
    /// Where messages go.
    pub url: String,
    /// Of which events: `job.ended` and others.
    pub events: Vec<String>,
    /// Why no messages are sent; absent while they are.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub off: Option<String>,
    /// Since when no message got through.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub failing_since: Option<Millis>,
    /// Until when messages are signed with the former secret too.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub former_secret_until: Option<Millis>,
    /// When it was made.
    pub created: Millis,
    /// The last event that was turned into messages.
    #[serde(skip)]
    pub seen: i64,
}

impl Webhook {
    /// Wants messages about such events.
    pub fn wants(&self, kind: EventKind) -> bool {
        self.events.iter().any(|e| e == kind_word(kind))
    }
}

/// The word for an event in messages.
pub fn kind_word(kind: EventKind) -> &'static str {
    match kind {
        EventKind::Submitted => "job.submitted",
        EventKind::Started => "job.started",
        EventKind::Lost => "job.lost",
        EventKind::Returned => "job.returned",
        EventKind::CancelWanted => "job.cancel_wanted",
        EventKind::Ended => "job.ended",
        EventKind::Stale => "job.stale",
    }
}

/// Every word that a webhook may ask for.
pub const KIND_WORDS: [&str; 7] = [
    "job.submitted",
    "job.started",
    "job.lost",
    "job.returned",
    "job.cancel_wanted",
    "job.ended",
    "job.stale",
];

/// A message to be queued.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct NewMessage {
    /// Its id, the same however often it is sent.
    pub id: String,
    /// The event's number; absent for one that somebody asked for.
    pub seq: Option<i64>,
    /// `job.ended` and others.
    pub kind: String,
    /// The body, sent as it is here.
    pub body: String,
}

/// A message and what became of it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub struct Delivery {
    /// The message's id, as the receiver sees it in `webhook-id`.
    pub id: String,
    /// `job.ended` and others.
    pub event: String,
    /// `waiting`, `delivered` or `failed`.
    pub state: String,
    /// How often it was sent.
    pub attempts: i64,
    /// When it is sent next, while it waits.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub due: Option<Millis>,
    /// When it was queued.
    pub created: Millis,
    /// When it arrived or was given up.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub ended: Option<Millis>,
    /// What the receiver answered last.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub status: Option<u16>,
    /// What went wrong last.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub why: Option<String>,
}

/// A message lent to a sender.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Lent {
    /// The message's id.
    pub id: String,
    /// Its webhook.
    pub webhook: String,
    /// Counts up with every time it is sent; who settles with another number was replaced.
    pub attempts: i64,
    /// Where it goes.
    pub url: String,
    /// The body.
    pub body: String,
    /// One, or two during a rotation.
    pub secrets: Vec<Secret>,
}

/// What became of a webhook when a message was settled.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Settled {
    /// It goes on.
    Noted,
    /// It was switched off, for this reason.
    Off(String),
    /// Another sender has the message, or it is gone; nothing changed.
    Replaced,
}

impl Store {
    /// All webhooks, oldest first.
    pub async fn webhooks(&self) -> Result<Vec<Webhook>> {
        self.call("webhooks", async {
            let mut connection = self.inner.read.acquire().await?;
            Ok(sql::all(&mut connection).await?)
        })
        .await
    }

    /// One.
    pub async fn webhook(&self, id: &str) -> Result<Option<Webhook>> {
        self.call("webhook", async {
            let mut connection = self.inner.read.acquire().await?;
            Ok(sql::one(&mut connection, id).await?)
        })
        .await
    }

    /// Adds one; it hears of what happens from now on. `false`: there are `most` already.
    pub async fn add_webhook(
        &self,
        webhook: &Webhook,
        secret: &Secret,
        most: usize,
    ) -> Result<bool> {
        self.call("add_webhook", async {
            let mut write = self.begin().await?;
            if sql::all(write.on()).await?.len() >= most {
                return write.undone(false).await;
            }
            let webhook = Webhook {
                seen: sql::last_event(write.on()).await?,
                ..webhook.clone()
            };
            sql::add(write.on(), &webhook, secret).await?;
            write.done().await?;
            Ok(true)
        })
        .await
    }

    /// Removes one with its messages. `false`: there was none.
    pub async fn remove_webhook(&self, id: &str) -> Result<bool> {
        self.call("remove_webhook", async {
            let mut write = self.begin().await?;
            let was = sql::remove(write.on(), id).await?;
            write.done().await?;
            Ok(was)
        })
        .await
    }

    /// Gives one a new secret; the former one signs too until `until`. `false`: there is none.
    pub async fn rotate_webhook(&self, id: &str, secret: &Secret, until: Millis) -> Result<bool> {
        self.call("rotate_webhook", async {
            let mut write = self.begin().await?;
            let is = sql::rotate(write.on(), id, secret, until).await?;
            write.done().await?;
            Ok(is)
        })
        .await
    }

    /// Switches one on that was switched off; it hears of what happens from now on. `false`: there is none.
    pub async fn switch_webhook_on(&self, id: &str) -> Result<bool> {
        self.call("switch_webhook_on", async {
            let mut write = self.begin().await?;
            let seen = sql::last_event(write.on()).await?;
            let is = sql::switch_on(write.on(), id, seen).await?;
            write.done().await?;
            Ok(is)
        })
        .await
    }

    /// Queues one message that is about no event. `false`: there is no such webhook, or it is off.
    pub async fn queue_message(&self, id: &str, message: &NewMessage, now: Millis) -> Result<bool> {
        self.call("queue_message", async {
            let mut write = self.begin().await?;
            // A number that the sender moves meanwhile would look like a webhook that is off.
            sql::hold(write.on(), id).await?;
            let Some(webhook) = sql::one(write.on(), id).await? else {
                return write.undone(false).await;
            };
            let messages = std::slice::from_ref(message);
            let queued = sql::queue(write.on(), &webhook, messages, webhook.seen, now).await?;
            write.done().await?;
            Ok(queued)
        })
        .await
    }

    /// The last messages of a webhook, newest first.
    pub async fn messages(&self, id: &str, limit: u32) -> Result<Vec<Delivery>> {
        self.call("messages", async {
            let mut connection = self.inner.read.acquire().await?;
            Ok(sql::deliveries(&mut connection, id, limit).await?)
        })
        .await
    }
}

/// What the sender needs of the store. Writes may be reported as failed and have happened all the same.
pub trait Ledger: Send + Sync + 'static {
    /// All webhooks.
    fn webhooks(&self) -> impl Future<Output = Result<Vec<Webhook>>> + Send;
    /// Those that have messages due.
    fn webhooks_due(&self, now: Millis) -> impl Future<Output = Result<Vec<String>>> + Send;
    /// Events after `seq`, in order, none left out.
    fn events_after(&self, seq: i64, limit: u32)
    -> impl Future<Output = Result<Vec<Event>>> + Send;
    /// A job.
    fn job_now(&self, id: JobId) -> impl Future<Output = Result<Option<Job>>> + Send;
    /// Queues messages and moves the webhook's number to `seen`, both or neither. `false`: somebody else did.
    fn queue_messages(
        &self,
        webhook: &Webhook,
        messages: &[NewMessage],
        seen: i64,
        now: Millis,
    ) -> impl Future<Output = Result<bool>> + Send;
    /// Lends the next message of a webhook.
    fn lend(
        &self,
        webhook: &str,
        now: Millis,
        until: Millis,
    ) -> impl Future<Output = Result<Option<Lent>>> + Send;
    /// Notes what became of one.
    fn settle(
        &self,
        lent: &Lent,
        outcome: &Outcome,
        chance: u64,
        now: Millis,
    ) -> impl Future<Output = Result<Settled>> + Send;
    /// Forgets messages that were over before `before`.
    fn forget(&self, before: Millis) -> impl Future<Output = Result<u64>> + Send;
}

impl Ledger for Store {
    async fn webhooks(&self) -> Result<Vec<Webhook>> {
        Store::webhooks(self).await
    }

    async fn webhooks_due(&self, now: Millis) -> Result<Vec<String>> {
        self.call("webhooks_due", async {
            let mut connection = self.inner.read.acquire().await?;
            Ok(sql::due_now(&mut connection, now).await?)
        })
        .await
    }

    async fn events_after(&self, seq: i64, limit: u32) -> Result<Vec<Event>> {
        self.events(seq, None, limit).await
    }

    async fn job_now(&self, id: JobId) -> Result<Option<Job>> {
        self.job(id).await
    }

    async fn queue_messages(
        &self,
        webhook: &Webhook,
        messages: &[NewMessage],
        seen: i64,
        now: Millis,
    ) -> Result<bool> {
        self.call("queue_messages", async {
            let mut write = self.begin().await?;
            let queued = sql::queue(write.on(), webhook, messages, seen, now).await?;
            write.done().await?;
            Ok(queued)
        })
        .await
    }

    async fn lend(&self, webhook: &str, now: Millis, until: Millis) -> Result<Option<Lent>> {
        self.call("lend", async {
            let mut write = self.begin().await?;
            let lent = sql::lend(write.on(), webhook, now, until).await?;
            write.done().await?;
            Ok(lent)
        })
        .await
    }

    async fn settle(
        &self,
        lent: &Lent,
        outcome: &Outcome,
        chance: u64,
        now: Millis,
    ) -> Result<Settled> {
        self.call("settle", async {
            let mut write = self.begin().await?;
            let settled = sql::settle(write.on(), lent, outcome, chance, now).await?;
            write.done().await?;
            Ok(settled)
        })
        .await
    }

    async fn forget(&self, before: Millis) -> Result<u64> {
        self.call("forget", async {
            let mut write = self.begin().await?;
            let forgotten = sql::forget(write.on(), before).await?;
            write.done().await?;
            Ok(forgotten)
        })
        .await
    }
}
