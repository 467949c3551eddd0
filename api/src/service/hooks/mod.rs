//! Webhooks: messages about jobs, signed, sent to receivers until they have them.
//!
//! Messages are made from the queue's events: each webhook remembers the last event that it was told of, and that number moves in the
//! same transaction in which the messages are queued. A server that is killed at any moment goes on from there. A message may arrive
//! twice, with the same `webhook-id`, and never not at all unless its receiver is given up.

mod message;
pub mod schedule;
mod sender;
pub mod sign;

pub use message::{body, test_message};
pub use sender::{Ledger, Sender};
