//! A folder of this machine, seen as what it is: half-written files and empty folders that the store's own list does not show.

use super::{Found, Result};
use crate::files::FilesProblem;
use crate::model::{JobId, Millis};
use grainway_client::names::safe_name;
use std::io::ErrorKind;
use std::path::{Path, PathBuf};
use std::time::UNIX_EPOCH;

/// Does something with the folder where it holds up nothing else.
pub(super) async fn blocking<T: Send + 'static>(
    folder: PathBuf,
    work: impl FnOnce(&Path) -> std::io::Result<T> + Send + 'static,
) -> Result<T> {
    let shown = folder.display().to_string();
    match tokio::task::spawn_blocking(move || work(&folder)).await {
        Ok(Ok(done)) => Ok(done),
        Ok(Err(e)) => Err(FilesProblem::Disk(format!("{shown}: {e}"))),
        Err(e) => Err(FilesProblem::Disk(format!("{shown}: {e}"))),
    }
}

/// Entries of a folder; none when it is not there, or went just now.
fn entries(folder: &Path) -> std::io::Result<Vec<std::fs::DirEntry>> {
    match std::fs::read_dir(folder) {
        Ok(entries) => entries.collect(),
        Err(e) if e.kind() == ErrorKind::NotFound => Ok(Vec::new()),
        Err(e) => Err(e),
    }
}

/// Every folder of a job below `jobs`, with anything in it or nothing.
pub(super) fn found(jobs: &Path) -> std::io::Result<Vec<Found>> {
    let mut found = Vec::new();
    for entry in entries(jobs)? {
        let name = entry.file_name();
        let Some(Ok(job)) = name.to_str().map(str::parse::<JobId>) else {
            continue;
        };
        if !entry.file_type()?.is_dir() {
            continue;
        }
        let mut attempts = Vec::new();
        for attempt in entries(&entry.path().join("out"))? {
            let name = attempt.file_name().to_string_lossy().into_owned();
            if attempt.file_type()?.is_dir() && safe_name(&name) {
                attempts.push(name);
            }
        }
        attempts.sort();
        found.push(Found {
            job,
            attempts,
            newest: newest(&entry.path())?,
        });
    }
    found.sort_by_key(|f| f.job);
    Ok(found)
}

/// When something in a folder was last written, made or removed.
fn newest(path: &Path) -> std::io::Result<Millis> {
    let about = match path.symlink_metadata() {
        Ok(about) => about,
        Err(e) if e.kind() == ErrorKind::NotFound => return Ok(0),
        Err(e) => return Err(e),
    };
    let since = about.modified()?.duration_since(UNIX_EPOCH);
    let own = since.map_or(0, |d| {
        Millis::try_from(d.as_millis()).unwrap_or(Millis::MAX)
    });
    if !about.is_dir() {
        return Ok(own);
    }
    entries(path)?
        .iter()
        .try_fold(own, |most, entry| Ok(most.max(newest(&entry.path())?)))
}

/// Removes staged files, whose names have a `#` that no name of ours has, and empty folders below.
pub(super) fn clean(folder: &Path) -> std::io::Result<u64> {
    let entries = match std::fs::read_dir(folder) {
        Ok(entries) => entries,
        Err(e) if e.kind() == std::io::ErrorKind::NotFound => return Ok(0),
        Err(e) => return Err(e),
    };
    let mut gone = 0;
    for entry in entries {
        let entry = entry?;
        let path = entry.path();
        if entry.file_type()?.is_dir() {
            gone += clean(&path)?;
            // Fails when something is in it.
            let _ = std::fs::remove_dir(&path);
        } else if entry.file_name().to_string_lossy().contains('#') {
            std::fs::remove_file(&path)?;
            gone += 1;
        }
    }
    Ok(gone)
}
