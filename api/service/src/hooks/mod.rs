//! Webhooks: messages about jobs, signed, sent to receivers until they have them.
//!
//! Messages are made from the queue's events: each webhook remembers the last event that it was told of, and that number moves in the
//! same transaction in which the messages are queued. A server that is killed at any moment goes on from there. A message may arrive
//! twice, with the same `webhook-id`, and never not at all unless its receiver is given up.

pub mod manage;
mod message;
mod sender;

pub use crate::store::webhooks::Ledger;
pub use crate::webhook_rules::{schedule, sign};
pub use message::{body, test_message};
pub use sender::Sender;

use super::Shared;
use grainway_client::outgoing::Outgoing;
use std::sync::Arc;

/// Sends messages for a running service until `shared.stop` is set.
pub async fn send(shared: Arc<Shared>) {
    let outgoing = match Outgoing::new(&shared.config.webhook_private_targets) {
        Ok(outgoing) => outgoing,
        Err(problem) => {
            tracing::error!("webhooks are not sent: {problem}");
            return;
        }
    };
    let clock = || jiff::Timestamp::now().as_millisecond();
    let sender = Sender::new(Arc::new(shared.store.clone()), outgoing, clock);
    sender
        .run(shared.events.subscribe(), shared.stop.subscribe())
        .await;
}
