//! What becomes of a claim: results beside what was handed in, or a text that says what is wrong with it.

use super::claim::{Claim, DONE, REFUSED};
use super::gather::stem;
use super::plain::{self, said};
use super::{Watcher, apart};
use crate::Shared;
use crate::model::{Job, JobId, JobState, Side};
use crate::parts_list::RowProblem;
use std::fmt::Write;
use std::path::Path;

/// Endings of what may have been handed in under a name.
pub(super) const ENDINGS: [&str; 4] = ["json", "zip", "csv", "xlsx"];

/// Takes away what earlier files of the name came to.
fn forget(folder: &Path, name: &str) -> Result<(), String> {
    for ending in ENDINGS {
        plain::remove(&folder.join(REFUSED).join(format!("{name}.{ending}.txt")))?;
        plain::remove(&folder.join(REFUSED).join(format!("{name}.{ending}")))?;
        plain::remove(&folder.join(DONE).join(format!("{name}.{ending}")))?;
    }
    plain::remove(&folder.join(DONE).join(format!("{name}.txt")))
}

impl Watcher {
    /// Puts a claim away as wrong.
    pub async fn refuse(&self, claim: &Claim, problems: &[RowProblem]) -> Result<(), String> {
        let (folder, claim) = (self.folder(), claim.clone());
        let taken = self.taken().join(&claim.name);
        let mut text = format!(
            "{} was not taken. Correct what is listed here and put it into the folder again.\n\n",
            claim.file
        );
        for problem in problems {
            let _ = writeln!(text, "- {problem}");
        }
        apart(move || {
            let refused = folder.join(REFUSED);
            plain::folder(&refused)?;
            forget(&folder, stem(&claim.file))?;
            plain::remove(&folder.join(DONE).join(stem(&claim.file)))?;
            plain::write(&refused, &format!("{}.txt", claim.file), &text)?;
            std::fs::rename(&taken, refused.join(&claim.file)).map_err(said(&taken))
        })
        .await
    }

    /// Puts results away once all jobs of a claim have ended; false until then. A test may have it stop after so many steps.
    pub async fn put_away(
        &self,
        shared: &Shared,
        claim: &Claim,
        ids: &[JobId],
        steps: usize,
    ) -> Result<bool, String> {
        let mut jobs = Vec::with_capacity(ids.len());
        for id in ids {
            // A job that is no longer known was ended and forgotten.
            if let Some(job) = shared.store.job(*id).await.map_err(|e| e.to_string())? {
                if !job.state.is_end() {
                    return Ok(false);
                }
                jobs.push(job);
            }
        }
        let name = stem(&claim.file).to_string();
        let done = self.folder().join(DONE);
        let fresh = done.join(format!(".{}", claim.id));
        let any = self.results(shared, &jobs, &fresh).await?;
        let (folder, claim, text) = (self.folder(), claim.clone(), text(&claim.file, &jobs));
        let taken = self.taken().join(&claim.name);
        apart(move || {
            plain::settle(&fresh);
            let place = done.join(&name);
            let old = done.join(format!(".{}.old", claim.id));
            let all: [&dyn Fn() -> Result<(), String>; 7] = [
                &|| forget(&folder, &name),
                &|| plain::remove(&old),
                &|| away(&place, &old),
                &|| match any {
                    true => std::fs::rename(&fresh, &place).map_err(said(&fresh)),
                    false => plain::remove(&fresh),
                },
                // Whoever waits for the text finds everything else there.
                &|| plain::write(&done, &format!("{name}.txt"), &text),
                &|| std::fs::rename(&taken, done.join(&claim.file)).map_err(said(&taken)),
                &|| plain::remove(&old),
            ];
            for step in all.iter().take(steps) {
                step()?;
            }
            Ok(())
        })
        .await?;
        Ok(true)
    }
}

impl Watcher {
    /// Fetches what jobs made into the folder `fresh`, which is made anew; false when they made nothing.
    pub(super) async fn results(
        &self,
        shared: &Shared,
        jobs: &[Job],
        fresh: &Path,
    ) -> Result<bool, String> {
        let (folder, place) = (self.folder().join(DONE), fresh.to_path_buf());
        apart(move || {
            plain::folder(&folder)?;
            plain::remove(&place)?;
            plain::folder(&place)
        })
        .await?;
        let mut any = false;
        for job in jobs {
            let files = shared
                .store
                .files(job.id, Side::Out)
                .await
                .map_err(|e| e.to_string())?;
            if files.is_empty() {
                continue;
            }
            any = true;
            let into = match jobs.len() {
                1 => fresh.to_path_buf(),
                _ => fresh.join(part(job)),
            };
            shared
                .files
                .fetch(job.id, Side::Out, job.output.as_deref(), &files, &into)
                .await
                .map_err(|e| e.to_string())?;
        }
        Ok(any)
    }
}

/// Moves a folder aside, if it is there.
pub(super) fn away(from: &Path, to: &Path) -> Result<(), String> {
    match std::fs::rename(from, to) {
        Err(e) if e.kind() != std::io::ErrorKind::NotFound => Err(said(from)(e)),
        _ => Ok(()),
    }
}

/// The folder of one job of several.
fn part(job: &Job) -> String {
    let name = stem(&job.document);
    name.strip_prefix("job-").unwrap_or(name).to_string()
}

/// Stands before a job's id in the text about it.
const JOB: &str = ", job ";

/// The jobs that a text tells of.
pub(super) fn jobs_of(text: &str) -> Vec<JobId> {
    let of_line = |line: &str| {
        let rest = line.strip_prefix("Code ")?.split_once(JOB)?.1;
        rest.strip_suffix('.')?.parse().ok()
    };
    text.lines().filter_map(of_line).collect()
}

/// How it ended, in words.
pub(super) fn text(file: &str, jobs: &[Job]) -> String {
    let mut text = String::new();
    if jobs.is_empty() {
        let _ = writeln!(
            text,
            "{file} was made, and the service has forgotten how it ended. Put it into the folder again when it is wanted."
        );
    }
    for job in jobs {
        let summary = job.summary.clone().unwrap_or_default();
        let _ = writeln!(text, "{}: {}", job.name, job.state);
        if !summary.sentence.is_empty() {
            let _ = writeln!(text, "{}", summary.sentence);
        }
        let next = match job.state {
            JobState::Ready => {
                "Checked against the parts, not run on your machine: prove every program there before you cut."
            }
            JobState::Withheld => {
                "Act on the findings in the setup sheet or in report.json, and put the corrected file into the folder again."
            }
            JobState::Failed => {
                "Tell whoever looks after the service; the job can be tried again there."
            }
            _ => "Put the file into the folder again when it is wanted.",
        };
        let _ = writeln!(text, "{next}");
        if job.state == JobState::Ready {
            let _ = writeln!(
                text,
                "Programs: {}, boards and blanks: {}, machine time: {} min.",
                summary.programs,
                summary.boards,
                (summary.machine_seconds / 60.0).ceil()
            );
        }
        if jobs.len() > 1 && job.output.is_some() {
            let _ = writeln!(text, "Its files: {}", part(job));
        }
        if let Some(old) = job.replaces {
            let _ = writeln!(
                text,
                "Made again with the wood as measured. The programs of job {old} are stale: do not run copies of them."
            );
        }
        let _ = writeln!(text, "Code {}{JOB}{}.\n", job.code, job.id);
    }
    text
}
