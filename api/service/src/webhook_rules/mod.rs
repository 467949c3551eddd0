//! The rules of webhooks that need neither store nor network: when a message is sent again, and how it is signed.

pub mod schedule;
pub mod sign;
