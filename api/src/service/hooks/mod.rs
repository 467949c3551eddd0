//! Webhooks: messages about jobs, signed, sent to receivers until they have them.

pub mod schedule;
pub mod sign;
