//! The output folder: written to a sibling and swapped in whole, so that yesterday's good programs never stand beside today's
//! refusal. A folder that grainway did not write is never replaced.

use crate::spool::fresh_folder;
use grainway_stages::report::{REPORT_FILE, REPORT_FORMAT};
use serde_json::Value;
use std::path::{Component, Path, PathBuf};

/// Why a folder cannot be the output folder.
#[derive(Debug, thiserror::Error)]
pub enum OutputProblem {
    /// It holds something that grainway did not write.
    #[error(
        "{folder} holds {what}, which grainway did not write; choose another folder or move it away"
    )]
    NotOurs {
        /// The folder.
        folder: String,
        /// What it holds.
        what: String,
    },
    /// It is where the job itself is.
    #[error("{0} is or holds the job's own folder; choose another folder for the output")]
    HoldsJob(String),
    /// It is not a folder, or has no name.
    #[error("{0} cannot be an output folder")]
    NotAFolder(String),
    /// The disk refused.
    #[error("{what}: {error}")]
    Disk {
        /// What was tried.
        what: String,
        /// The system's words.
        error: std::io::Error,
    },
}

fn disk(what: impl Into<String>) -> impl FnOnce(std::io::Error) -> OutputProblem {
    let what = what.into();
    move |error| OutputProblem::Disk { what, error }
}

/// A folder that will be replaced whole.
#[derive(Debug)]
pub struct OutputFolder {
    /// Where it will stand, links resolved.
    target: PathBuf,
    /// The folder it stands in.
    parent: PathBuf,
    /// Its name.
    name: String,
}

impl OutputFolder {
    /// Checks that `folder` may be replaced by a job whose own folder is `job_folder`, and makes the folders above it.
    pub fn claim(folder: &Path, job_folder: &Path) -> Result<OutputFolder, OutputProblem> {
        let shown = folder.display().to_string();
        let target = if folder.exists() {
            let target = folder
                .canonicalize()
                .map_err(disk(format!("{shown} cannot be found")))?;
            if !target.is_dir() {
                return Err(OutputProblem::NotAFolder(shown));
            }
            target
        } else {
            if !matches!(folder.components().next_back(), Some(Component::Normal(_))) {
                return Err(OutputProblem::NotAFolder(shown));
            }
            let parent = match folder.parent() {
                Some(p) if !p.as_os_str().is_empty() => p,
                _ => Path::new("."),
            };
            std::fs::create_dir_all(parent)
                .map_err(disk(format!("{} cannot be made", parent.display())))?;
            let parent = parent
                .canonicalize()
                .map_err(disk(format!("{} cannot be found", parent.display())))?;
            parent.join(folder.file_name().unwrap_or_default())
        };
        let (Some(parent), Some(name)) = (target.parent(), target.file_name()) else {
            return Err(OutputProblem::NotAFolder(shown));
        };
        if job_folder.starts_with(&target) {
            return Err(OutputProblem::HoldsJob(shown));
        }
        if target.exists() {
            refuse_foreign(&target, &shown)?;
        }
        Ok(OutputFolder {
            parent: parent.to_path_buf(),
            name: name.to_string_lossy().into_owned(),
            target: target.clone(),
        })
    }

    /// The folder it stands in, for temporary siblings.
    pub fn parent(&self) -> &Path {
        &self.parent
    }

    /// A stem for names of temporary siblings.
    pub fn stem(&self, what: &str) -> String {
        format!(".{}.{what}", self.name)
    }

    /// Fills a new sibling through `fill` and puts it in the place of the folder. Nothing changes when `fill` fails.
    pub fn replace(
        &self,
        fill: impl FnOnce(&Path) -> Result<(), OutputProblem>,
    ) -> Result<(), OutputProblem> {
        let fresh = fresh_folder(&self.parent, &self.stem("new"))
            .map_err(disk("the output cannot be written"))?;
        let done = fill(&fresh).and_then(|()| self.swap(&fresh));
        if done.is_err() {
            let _ = std::fs::remove_dir_all(&fresh);
        }
        done
    }

    /// Two renames: between them the folder is absent, which is safe; old programs are gone before new words are there.
    fn swap(&self, fresh: &Path) -> Result<(), OutputProblem> {
        let failed = || disk(format!("{} cannot be replaced", self.target.display()));
        if !self.target.exists() {
            return std::fs::rename(fresh, &self.target).map_err(failed());
        }
        let old = fresh_folder(&self.parent, &self.stem("old")).map_err(failed())?;
        // An empty folder gives way to a rename.
        std::fs::rename(&self.target, &old).map_err(failed())?;
        if let Err(e) = std::fs::rename(fresh, &self.target) {
            let _ = std::fs::rename(&old, &self.target);
            return Err(failed()(e));
        }
        std::fs::remove_dir_all(&old).map_err(disk(format!(
            "the former output cannot be removed from {}",
            old.display()
        )))
    }
}

/// Refuses a folder that holds anything which its own report does not list. Plain files whose names begin with a point (left
/// behind by file managers) do not count.
fn refuse_foreign(target: &Path, shown: &str) -> Result<(), OutputProblem> {
    let not_ours = |what: String| OutputProblem::NotOurs {
        folder: shown.to_string(),
        what,
    };
    let mut found = Vec::new();
    list(target, "", &mut found).map_err(disk(format!("{shown} cannot be read")))?;
    found.sort();
    let listed: Option<Vec<String>> = std::fs::read(target.join(REPORT_FILE))
        .ok()
        .and_then(|bytes| serde_json::from_slice::<Value>(&bytes).ok())
        .filter(|v| v.get("format").and_then(Value::as_str) == Some(REPORT_FORMAT))
        .and_then(|v| Some(v.get("files")?.as_object()?.keys().cloned().collect()));
    let Some(mut listed) = listed else {
        return match found.into_iter().next() {
            Some(what) => Err(not_ours(what)),
            None => Ok(()),
        };
    };
    listed.push(REPORT_FILE.to_string());
    match found.into_iter().find(|f| !listed.contains(f)) {
        Some(what) => Err(not_ours(what)),
        None => Ok(()),
    }
}

/// All files under `folder` by their names with `/`; a link or an empty folder counts as a file.
pub fn list(folder: &Path, prefix: &str, found: &mut Vec<String>) -> std::io::Result<()> {
    for entry in std::fs::read_dir(folder)? {
        let entry = entry?;
        let kind = entry.file_type()?;
        let own = entry.file_name().to_string_lossy().into_owned();
        let name = format!("{prefix}{own}");
        if kind.is_dir() {
            let before = found.len();
            list(&entry.path(), &format!("{name}/"), found)?;
            if found.len() == before && own.starts_with('.') {
                found.push(name);
            }
        } else if !(kind.is_file() && own.starts_with('.')) {
            found.push(name);
        }
    }
    Ok(())
}
