//! The service: a queue of jobs behind an HTTP API, workers that make them, a watched folder, and what an operator needs.
//!
//! [`model`] has the words, [`store`] the queue, [`files`] the files; [`intake`] takes jobs in, [`worker`] makes them, [`http`] answers.
//! Only [`worker`] starts processes; nothing here loads a plugin.

pub mod backup;
pub mod config;
pub mod doctor;
pub mod faults;
pub mod files;
pub mod hooks;
pub mod hours;
pub mod http;
pub mod intake;
pub mod model;
pub mod night;
pub mod parts_list;
pub mod rework;
pub mod run;
pub mod store;
pub mod sweep;
mod tasks;
pub mod watched_folder;
mod webhook_rules;
pub mod worker;

use config::Config;
use files::Files;
use std::sync::Arc;
use store::Store;
use tokio::sync::{Notify, watch};

/// What all parts of a running service share.
pub struct Shared {
    /// What the operator decided.
    pub config: Config,
    /// The queue.
    pub store: Store,
    /// The files.
    pub files: Files,
    /// How a job's process is started.
    pub launcher: grainway_runner::Launcher,
    /// This process: a fresh UUID a start.
    pub owner: uuid::Uuid,
    /// A job came in, or came back: a worker looks at once.
    pub work: Notify,
    /// Something happened to some job: followers look at once. Holds the number of the newest event that is known.
    pub events: watch::Sender<i64>,
    /// Set when the service is to stop: nothing new is claimed.
    pub stop: watch::Sender<bool>,
}

impl Shared {
    /// Milliseconds since 1970, UTC.
    pub fn now(&self) -> model::Millis {
        jiff::Timestamp::now().as_millisecond()
    }

    /// Tells workers and followers that jobs came in or changed.
    pub fn stir(&self) {
        self.work.notify_one();
        self.events.send_modify(|n| *n += 1);
    }
}

/// Everything shared, in an [`Arc`].
pub type SharedArc = Arc<Shared>;
