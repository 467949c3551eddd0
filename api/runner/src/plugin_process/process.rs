//! One process of a job: started in a folder of its own, waited for, and its answer read.

use crate::registries::Launcher;
use crate::request::Failure;
use crate::task::{JOB_PROCESS, OUTCOME_FILE, Outcome, Task};
use grainway_host::child::{Ended, NotStarted};
use grainway_host::{End, Frame, Limits, Spec};
use grainway_pipeline::stage::{Cancel, Progress};
use std::ffi::OsString;
use std::io::Write;
use std::path::{Path, PathBuf};

/// A folder that is gone when dropped.
pub(super) struct TemporaryFolder(pub(super) PathBuf);

impl Drop for TemporaryFolder {
    fn drop(&mut self) {
        let _ = std::fs::remove_dir_all(&self.0);
    }
}

pub(super) fn no_room(e: std::io::Error) -> Failure {
    Failure::Failed(format!("no room for the job's files: {e}"))
}

/// What one process left.
pub(super) struct Left {
    pub(super) ended: Ended,
    pub(super) outcome: Option<Outcome>,
}

/// Starts a process for the task in a folder and waits for its end.
pub(super) fn run_task(
    launcher: &Launcher,
    folder: &Path,
    task: &Task,
    limits: &Limits,
    progress: &dyn Progress,
    cancel: &Cancel,
) -> Result<Left, Failure> {
    let name = "task.json";
    serde_json::to_vec(task)
        .map_err(std::io::Error::from)
        .and_then(|text| std::fs::File::create_new(folder.join(name))?.write_all(&text))
        .map_err(no_room)?;
    let own = |role: &str| -> Vec<OsString> {
        vec![
            launcher.program.clone().into(),
            JOB_PROCESS.into(),
            role.into(),
        ]
    };
    let mut worker = own("work");
    worker.push(name.into());
    let spec = Spec {
        keeper: own("keep"),
        worker,
        // Nothing of the caller's. Numbers are printed with points whatever the shop's language is, and threads share their
        // reserves of memory, which count against the limit.
        env: vec![
            ("LC_ALL".into(), "C".into()),
            ("MALLOC_ARENA_MAX".into(), "4".into()),
            ("TMPDIR".into(), folder.into()),
        ],
        folder: folder.to_path_buf(),
        limits: limits.clone(),
    };
    let ended = grainway_host::run(&spec, &|| cancel.is_set(), &mut |frame| match frame {
        Frame::Stage { name, .. } => progress.at(name, 0, 1),
        Frame::Progress { stage, done, total } => progress.at(stage, *done, *total),
        _ => {}
    })
    .map_err(|e| match e {
        NotStarted::Machine(_) => Failure::NoProcess(e.to_string()),
        NotStarted::Lost(_) => Failure::Failed(e.to_string()),
    })?;
    let outcome = match ended.end {
        End::Ok => std::fs::read(folder.join(OUTCOME_FILE))
            .ok()
            .and_then(|bytes| serde_json::from_slice(&bytes).ok()),
        _ => None,
    };
    Ok(Left { ended, outcome })
}
