//! A job without native plugins in a process of its own: a service does not let one job's crash or memory cost another.

use super::process::run_task;
use super::result::read_result;
use crate::registries::{Launcher, Plugins};
use crate::request::{Failure, MakeRequest};
use crate::task::{Order, Outcome, RESULT_FOLDER, Task};
use grainway_host::{End, Limits};
use grainway_pipeline::stage::{Cancel, Progress};
use grainway_stages::report::ReportDocument;
use std::path::{Path, PathBuf};

/// What became of a job without native plugins that a process of its own was to make.
pub enum ProcessEnd {
    /// It made this; the files stand in the folder.
    Made(Box<ReportDocument>, PathBuf),
    /// Its process was lost: what happened, and where.
    Lost(String),
    /// The machine has no room for a process now.
    NoProcess(String),
    /// Something of ours, the request's or the disk's failed.
    Failed(String),
    /// It was cancelled.
    Cancelled,
}

/// Makes a job that needs no native plugin in a process of its own, in `place`, which must exist and be empty.
pub fn make_in_process(
    launcher: &Launcher,
    plugins: Option<&Plugins>,
    job: &Path,
    place: &Path,
    (threads, limits): (usize, &Limits),
    progress: &dyn Progress,
    cancel: &Cancel,
) -> ProcessEnd {
    let store = plugins.map(|p| &p.installed);
    let task = Task {
        store: store.map(|i| i.store().root().to_path_buf()),
        pins: store
            .map(grainway_host::Installed::pins)
            .unwrap_or_default(),
        native: Vec::new(),
        dialect: None,
        threads,
        order: Order::Make(MakeRequest {
            job: job.to_path_buf(),
            ..MakeRequest::default()
        }),
    };
    let left = match run_task(launcher, place, &task, limits, progress, cancel) {
        Ok(left) => left,
        Err(Failure::NoProcess(why)) => return ProcessEnd::NoProcess(why),
        // Its keeper may have been killed before it began.
        Err(failure) => return ProcessEnd::Lost(failure.to_string()),
    };
    match (left.ended.end, left.outcome) {
        (End::Cancelled, _) => ProcessEnd::Cancelled,
        (End::Ok, Some(Outcome::Made)) => {
            let folder = place.join(RESULT_FOLDER);
            match read_result(&folder) {
                Ok(report) => ProcessEnd::Made(Box::new(report), folder),
                Err(failure) => ProcessEnd::Failed(failure.to_string()),
            }
        }
        (End::Ok, Some(Outcome::Usage(why) | Outcome::Failed(why))) => ProcessEnd::Failed(why),
        (End::Ok, _) => ProcessEnd::Lost("it left no outcome".to_string()),
        (end, _) => {
            let at = left
                .ended
                .stage
                .map(|s| format!(" in stage {}", s.name))
                .unwrap_or_default();
            ProcessEnd::Lost(format!("{}{at}", end.sentence()))
        }
    }
}
