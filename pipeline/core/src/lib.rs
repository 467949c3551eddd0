//! The pipeline of grainway: documents, the work that a chain of stages transforms, motions, and the traits that stages and
//! dialects implement.
//!
//! This crate does no I/O, reads no clock, uses no randomness, and names no stage and no dialect.

pub mod chain;
pub mod dialect;
pub mod doc;
pub mod finding;
mod hash;
mod length;
pub mod motion;
mod pointer;
pub mod spelling;
pub mod spool;
pub mod stage;
pub mod tolerance;
pub mod work;
