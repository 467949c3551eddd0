//! What the process of a job is told to do and what it answers: two files in its folder.

use crate::request::{MakeRequest, Verified, VerifyRequest};
use grainway_host::Pin;
use grainway_host::store::Description;
use serde::{Deserialize, Serialize};
use std::path::PathBuf;

/// The first argument of a job's process.
pub const JOB_PROCESS: &str = "job-process";
/// What the worker leaves in its folder.
pub(crate) const OUTCOME_FILE: &str = "outcome.json";
/// The folder, in the worker's own, for what the job makes.
pub(crate) const RESULT_FOLDER: &str = "result";

/// What a worker is to do.
#[derive(Debug, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub(crate) struct Task {
    /// The plugin folder, when the work needs plugins.
    pub(crate) store: Option<PathBuf>,
    /// What its names stood for when the job began.
    pub(crate) pins: Vec<Pin>,
    /// The plugins to load.
    pub(crate) native: Vec<String>,
    /// The one among them that the machine's dialect comes from.
    pub(crate) dialect: Option<String>,
    /// Threads to work with.
    pub(crate) threads: usize,
    /// The work.
    pub(crate) order: Order,
}

/// The kinds of work.
#[derive(Debug, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub(crate) enum Order {
    /// Make a job; what it makes comes into the result folder.
    Make(MakeRequest),
    /// Check texts.
    Verify(VerifyRequest),
    /// Load a library and say what it says of itself.
    Describe(PathBuf),
    /// Run the conformance checks on a library.
    Conform(PathBuf),
}

/// What became of it.
#[derive(Debug, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub(crate) enum Outcome {
    /// The report and all files are in the result folder.
    Made,
    /// Texts were checked.
    Verified(Verified),
    /// A library was loaded.
    Described(Description),
    /// A library was checked.
    Conformed(grainway_host::Conformance),
    /// A plugin cannot be loaded.
    NotLoaded {
        /// Its name or file.
        plugin: String,
        /// Why.
        why: String,
    },
    /// The request makes no sense.
    Usage(String),
    /// Something of ours or the disk's failed.
    Failed(String),
}
