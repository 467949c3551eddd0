//! The sweeper. It deletes working folders of processes that ended, files that no job of the queue references, attempts that are not a
//! job's output, and jobs that ended before the operator's limit of days.

use super::Shared;
use super::files::FilesProblem;
use super::model::{JobId, Millis};
use super::store::StoreProblem;
use std::collections::BTreeSet;
use std::io::ErrorKind;
use std::path::{Path, PathBuf};
use std::time::Duration;

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

fn own(shared: &Shared) -> PathBuf {
    shared.config.work_folder().join(shared.owner.to_string())
}

/// Makes this process's folder for jobs at work and removes those of processes that are gone. The lock file beside each says who lives.
pub fn work_folders(shared: &Shared) -> std::io::Result<()> {
    let root = shared.config.work_folder();
    std::fs::create_dir_all(&root)?;
    // Processes that start at a time come one after the other: a lock file that is not locked yet is not a dead process's.
    let turn = std::fs::File::open(&root)?;
    if let Err(e) = turn.lock() {
        tracing::warn!("{} cannot be locked: {e}", root.display());
    }
    let lock = std::fs::File::create_new(lock_of(&root, &shared.owner.to_string()))?;
    lock.try_lock().map_err(std::io::Error::from)?;
    // Held to the end of this process, however it ends.
    std::mem::forget(lock);
    std::fs::create_dir_all(own(shared))?;
    let mut owners = BTreeSet::new();
    for entry in std::fs::read_dir(&root)? {
        let name = entry?.file_name().to_string_lossy().into_owned();
        let owner = name.strip_suffix(".lock").unwrap_or(&name);
        if uuid::Uuid::try_parse(owner).is_ok() && owner != shared.owner.to_string() {
            owners.insert(owner.to_string());
        }
    }
    for owner in owners {
        // A folder without a lock is one whose process ended while something still wrote there.
        let lock = match std::fs::File::open(lock_of(&root, &owner)) {
            Err(e) if e.kind() == ErrorKind::NotFound => None,
            file => Some(file?),
        };
        if lock.as_ref().is_none_or(|lock| lock.try_lock().is_ok()) {
            remove_folder(&root, &owner);
        }
    }
    drop(turn);
    Ok(())
}

fn lock_of(root: &Path, owner: &str) -> PathBuf {
    root.join(format!("{owner}.lock"))
}

/// Removes a dead process's folder, and its lock last. What that process had started may go on for a moment and write there.
fn remove_folder(root: &Path, owner: &str) {
    let folder = root.join(owner);
    for pause in [0, 20, 80, 300] {
        std::thread::sleep(Duration::from_millis(pause));
        match std::fs::remove_dir_all(&folder) {
            Err(e) if e.kind() != ErrorKind::NotFound => {
                tracing::debug!("{}: {e}", folder.display());
            }
            _ => {
                let _ = std::fs::remove_file(lock_of(root, owner));
                return;
            }
        }
    }
    tracing::warn!("{} stays until the next start", folder.display());
}

/// Removes this process's own folder at its end.
pub fn own_folder(shared: &Shared) {
    remove_folder(&shared.config.work_folder(), &shared.owner.to_string());
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
