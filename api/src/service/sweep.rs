//! What nobody needs any more: folders of dead processes, files of jobs that the queue does not know, attempts that are no job's
//! output, and jobs that ended long ago.

use super::Shared;
use super::files::FilesProblem;
use super::model::{JobId, Millis};
use super::store::StoreProblem;
use std::path::PathBuf;

/// Files younger than this may belong to a job that is just being handed in or ended, on any machine. An hour, ms.
const YOUNG: Millis = 3_600_000;
/// Jobs forgotten at a time.
const AT_A_TIME: u32 = 500;
const DAY: Millis = 86_400_000;

/// Why a sweep ended.
#[derive(Debug, thiserror::Error)]
pub enum SweepProblem {
    /// The queue.
    #[error(transparent)]
    Store(#[from] StoreProblem),
    /// The files.
    #[error(transparent)]
    Files(#[from] FilesProblem),
}

impl From<SweepProblem> for super::run::Trouble {
    fn from(problem: SweepProblem) -> super::run::Trouble {
        match problem {
            SweepProblem::Store(p) => p.into(),
            SweepProblem::Files(p) => p.into(),
        }
    }
}

fn own(shared: &Shared) -> PathBuf {
    shared.config.work_folder().join(shared.owner.to_string())
}

/// Makes this process's folder for jobs at work and removes those of processes that are gone. The lock file beside each says who lives.
pub fn work_folders(shared: &Shared) -> std::io::Result<()> {
    let root = shared.config.work_folder();
    std::fs::create_dir_all(&root)?;
    let mine = root.join(format!("{}.lock", shared.owner));
    let lock = std::fs::File::create_new(&mine)?;
    lock.try_lock().map_err(std::io::Error::from)?;
    // Held to the end of this process, however it ends.
    std::mem::forget(lock);
    std::fs::create_dir_all(own(shared))?;
    for entry in std::fs::read_dir(&root)? {
        let path = entry?.path();
        let Some(owner) = path
            .file_name()
            .and_then(|n| n.to_str()?.strip_suffix(".lock"))
            .filter(|o| *o != shared.owner.to_string() && uuid::Uuid::try_parse(o).is_ok())
        else {
            continue;
        };
        let file = std::fs::File::open(&path)?;
        if file.try_lock().is_ok() {
            match std::fs::remove_dir_all(root.join(owner)) {
                Err(e) if e.kind() != std::io::ErrorKind::NotFound => return Err(e),
                _ => std::fs::remove_file(&path)?,
            }
        }
    }
    Ok(())
}

/// Removes this process's own folder at its end.
pub fn own_folder(shared: &Shared) {
    let _ = std::fs::remove_dir_all(own(shared));
    let lock = shared
        .config
        .work_folder()
        .join(format!("{}.lock", shared.owner));
    let _ = std::fs::remove_file(lock);
}

/// Removes files that belong to no job, when the newest of them is older than `age` ms.
pub async fn files(shared: &Shared, age: Millis) -> Result<u64, SweepProblem> {
    let before = shared.now() - age;
    let found = shared.files.found().await?;
    let ids: Vec<JobId> = found.iter().map(|f| f.job).collect();
    let known = shared.store.known(&ids).await?;
    let mut removed = 0;
    for one in found.iter().filter(|f| f.newest <= before) {
        match known.get(&one.job) {
            None => {
                shared.files.remove_job(one.job).await?;
                removed += 1;
            }
            // One that runs may be writing its attempt.
            Some(job) if age == 0 || job.state.is_end() => {
                for attempt in &one.attempts {
                    if job.output.as_ref() != Some(attempt) {
                        shared.files.remove_attempt(one.job, attempt).await?;
                        removed += 1;
                    }
                }
            }
            Some(_) => {}
        }
    }
    if removed > 0 {
        tracing::info!("{removed} folders of files that no job has were removed");
    }
    Ok(removed)
}

/// Forgets jobs that ended long ago, and sweeps.
pub async fn all(shared: &Shared) -> Result<(), SweepProblem> {
    if let Some(days) = shared.config.keep_days {
        let before = shared.now() - Millis::from(days) * DAY;
        loop {
            let gone = shared.store.prune(before, AT_A_TIME).await?;
            for id in &gone {
                shared.files.remove_job(*id).await?;
            }
            if gone.len() < AT_A_TIME as usize {
                break;
            }
        }
    }
    files(shared, YOUNG).await?;
    Ok(())
}
