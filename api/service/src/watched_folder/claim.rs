//! Files that are claimed, and how their jobs come into the queue once.

use super::gather::gather;
use super::look::{MOST_BYTES, Settled};
use super::plain::{self, said};
use super::{Watcher, apart};
use crate::Shared;
use crate::intake::{Refusal, take};
use crate::model::{Job, JobId};
use crate::parts_list::{RowProblem, retold};
use crate::store::{Idempotency, Submitted};
use grainway_pipeline::finding::{Finding, Severity};
use sha2::{Digest, Sha256};
use std::fs::File;
use std::path::{Path, PathBuf};
use uuid::Uuid;

/// Where claimed files are, and where they come to lie.
pub(super) const TAKEN: &str = "taken";
pub(super) const DONE: &str = "done";
pub(super) const REFUSED: &str = "refused";
/// Locked for as long as the folder is watched.
const LOCK: &str = ".watched";
/// Keys of watched folders do not meet those of requests.
const CALLER: &str = "watched-folder";

/// A file that was claimed.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Claim {
    /// Its name in `taken`: the key, a point, and the name that it had.
    pub name: String,
    pub(super) id: Uuid,
    /// The name that it had.
    pub file: String,
}

/// What became of handing a claim in.
#[derive(Clone, Debug)]
pub enum Handing {
    /// These jobs are in the queue, from now or from before.
    Jobs(Vec<JobId>),
    /// It is wrong, in these ways.
    Refused(Vec<RowProblem>),
}

impl Claim {
    fn of(name: &str) -> Option<Claim> {
        let (id, file) = name.split_at_checked(36)?;
        let file = file.strip_prefix('.').filter(|f| !f.is_empty())?;
        Some(Claim {
            name: name.to_string(),
            id: Uuid::try_parse(id).ok()?,
            file: file.to_string(),
        })
    }

    fn key(&self) -> Idempotency {
        let told = Sha256::digest(self.name.as_bytes());
        Idempotency {
            key: self.id.to_string(),
            caller: CALLER.to_string(),
            request_sha256: told.iter().map(|b| format!("{b:02x}")).collect(),
        }
    }
}

fn ids(jobs: &[Job]) -> Vec<JobId> {
    jobs.iter().map(|j| j.id).collect()
}

impl Watcher {
    pub(super) fn taken(&self) -> PathBuf {
        self.settings.folder.join(TAKEN)
    }

    /// The folder is there, can be written, and nobody else watches it.
    pub(super) async fn prepare(&mut self) -> Result<(), String> {
        if self.lock.is_some() {
            return Ok(());
        }
        let (folder, taken) = (self.folder(), self.taken());
        self.lock = Some(
            apart(move || {
                plain::folder(&taken)?;
                let path = taken.join(LOCK);
                let file = File::options()
                    .create(true)
                    .truncate(false)
                    .write(true)
                    .open(&path)
                    .map_err(said(&path))?;
                match file.try_lock() {
                    Err(std::fs::TryLockError::WouldBlock) => {
                        return Err("another grainway server watches this folder".to_string());
                    }
                    // Drives without locks: renames alone keep files from being taken twice.
                    Ok(()) | Err(std::fs::TryLockError::Error(_)) => {}
                }
                clean(&folder)?;
                undo(&folder, &taken)?;
                Ok(file)
            })
            .await?,
        );
        Ok(())
    }

    /// What is claimed, the oldest first.
    pub async fn claims(&self) -> Result<Vec<Claim>, String> {
        let taken = self.taken();
        apart(move || {
            let entries = match std::fs::read_dir(&taken) {
                Ok(entries) => entries,
                Err(e) if e.kind() == std::io::ErrorKind::NotFound => return Ok(Vec::new()),
                Err(e) => return Err(said(&taken)(e)),
            };
            let mut claims = Vec::new();
            for entry in entries {
                let entry = entry.map_err(said(&taken))?;
                let name = entry.file_name().to_string_lossy().into_owned();
                if entry.file_type().is_ok_and(|t| t.is_file()) {
                    claims.extend(Claim::of(&name));
                }
            }
            claims.sort();
            Ok(claims)
        })
        .await
    }

    /// Claims a file. Nothing when it went away, or changed just now: it is looked at again then.
    pub async fn claim(&mut self, settled: &Settled) -> Result<Option<Claim>, String> {
        self.prepare().await?;
        let id = Uuid::now_v7();
        let claim = Claim {
            name: format!("{id}.{}", settled.name),
            id,
            file: settled.name.clone(),
        };
        let from = self.folder().join(&settled.name);
        let to = self.taken().join(&claim.name);
        let stamp = settled.stamp;
        let claimed = apart(move || {
            match std::fs::rename(&from, &to) {
                Ok(()) => {}
                Err(e) if e.kind() == std::io::ErrorKind::NotFound => return Ok(false),
                Err(e) => return Err(said(&from)(e)),
            }
            if plain::stamp(&to) == Some(stamp) {
                // A power cut must not bring the old name back once the queue has the job.
                for folder in [to.parent(), from.parent()].into_iter().flatten() {
                    let _ = File::open(folder).and_then(|f| f.sync_all());
                }
                return Ok(true);
            }
            // Somebody writes to it still. Where another has its name by now it stays claimed, as it is.
            match std::fs::hard_link(&to, &from) {
                Ok(()) => std::fs::remove_file(&to).map_err(said(&to)).map(|()| false),
                Err(e) if e.kind() == std::io::ErrorKind::AlreadyExists => Ok(true),
                // A drive without second names for a file.
                Err(_) if from.symlink_metadata().is_ok() => Ok(true),
                Err(_) => std::fs::rename(&to, &from)
                    .map_err(said(&to))
                    .map(|()| false),
            }
        })
        .await?;
        self.seen.remove(&settled.name);
        Ok(claimed.then_some(claim))
    }

    /// Hands a claim in. It may be asked again and again: the first answer stays.
    pub async fn hand_in(&self, shared: &Shared, claim: &Claim) -> Result<Handing, String> {
        let key = claim.key();
        match shared.store.answered(&key).await {
            Ok(Some(Submitted::Before(jobs))) => return Ok(Handing::Jobs(ids(&jobs))),
            Ok(_) => {}
            Err(e) => return Err(e.to_string()),
        }
        let (folder, settings, config) =
            (self.folder(), self.settings.clone(), shared.config.clone());
        let (path, file) = (self.taken().join(&claim.name), claim.file.clone());
        let gathered = apart(move || {
            let (bytes, _) = match plain::read(&path, MOST_BYTES) {
                Ok(read) => read,
                Err(why) if plain::stamp(&path).is_some() && refusable(&path) => {
                    return Ok(Err(why));
                }
                Err(why) => return Err(why),
            };
            Ok(Ok(gather(&folder, &file, &bytes, &settings, &config)))
        })
        .await?;
        let gathered = match gathered {
            Ok(gathered) => gathered,
            Err(_) => {
                return Ok(Handing::Refused(vec![RowProblem::new(
                    "unreadable-file",
                    format!(
                        "The file is larger than {} MiB, or the service may not read it.",
                        MOST_BYTES >> 20
                    ),
                    "Divide it, or give the service the right to read what is put into this folder.",
                )]));
            }
        };
        if !gathered.problems.is_empty() {
            return Ok(Handing::Refused(gathered.problems));
        }
        match take(shared, gathered.handed, Some(key), false).await {
            Ok(taken) => Ok(Handing::Jobs(ids(&taken.jobs))),
            Err(Refusal::Documents(findings)) => {
                Ok(Handing::Refused(match gathered.list.is_empty() {
                    true => told(&findings),
                    false => retold(&gathered.list, &findings),
                }))
            }
            Err(Refusal::Request { at, message }) => Ok(Handing::Refused(vec![RowProblem::new(
                "bad-request",
                format!("{at}: {message}."),
                "Correct it and put it into the folder again.",
            )])),
            Err(other) => Err(other.to_string()),
        }
    }
}

/// Takes away what a process that was killed left half-written or had not yet taken away.
fn clean(folder: &Path) -> Result<(), String> {
    for place in [DONE, REFUSED] {
        let place = folder.join(place);
        // A link in its place is told when something is to be put there.
        if !place.symlink_metadata().is_ok_and(|about| about.is_dir()) {
            continue;
        }
        for entry in std::fs::read_dir(&place).map_err(said(&place))? {
            let entry = entry.map_err(said(&place))?;
            let name = entry.file_name().to_string_lossy().into_owned();
            let ours = name.strip_prefix('.').is_some_and(|rest| {
                rest.ends_with(".new")
                    || rest.get(..36).is_some_and(|id| Uuid::try_parse(id).is_ok())
            });
            if ours {
                plain::remove(&entry.path())?;
            }
        }
    }
    Ok(())
}

/// A process that was killed while it put a claim back left the file under both names: it is not claimed.
fn undo(folder: &Path, taken: &Path) -> Result<(), String> {
    for entry in std::fs::read_dir(taken).map_err(said(taken))? {
        let path = entry.map_err(said(taken))?.path();
        let name = path.file_name().and_then(|n| n.to_str());
        let Some(claim) = name.and_then(Claim::of) else {
            continue;
        };
        let stamp = plain::stamp(&path);
        if stamp.is_some() && stamp == plain::stamp(&folder.join(&claim.file)) {
            plain::remove(&path)?;
        }
    }
    Ok(())
}

/// No later try can read it either.
fn refusable(path: &Path) -> bool {
    let large = path
        .symlink_metadata()
        .is_ok_and(|about| about.len() > MOST_BYTES);
    let shut = File::open(path).is_err_and(|e| e.kind() == std::io::ErrorKind::PermissionDenied);
    large || shut
}

/// Findings on a job document, each with its place.
fn told(findings: &[Finding]) -> Vec<RowProblem> {
    findings
        .iter()
        .filter(|f| f.severity == Severity::Error)
        .map(|f| {
            let at = f
                .pointer
                .as_ref()
                .map(|p| format!("{p}: "))
                .unwrap_or_default();
            RowProblem::new(
                grainway_pipeline::finding::info(&f.code).map_or("document-invalid", |i| i.word),
                format!("{at}{}", f.message),
                f.remedy.clone(),
            )
        })
        .collect()
}
