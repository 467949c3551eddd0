//! A job that is made again when a file of it changes. What was made stands in a folder that goes when the watch ends, so that no program
//! for the machine comes out of a job in the making.

use crate::dispatch::make;
use crate::folder::{JobFolder, open};
use crate::registries::Registries;
use crate::request::{Failure, MakeRequest};
use crate::spool::fresh_folder;
use grainway_pipeline::doc::MAX_DOCUMENT_BYTES;
use grainway_pipeline::finding::Finding;
use grainway_pipeline::stage::{Cancel, Progress};
use grainway_stages::report::{JobVerdict, ReportDocument};
use serde::Deserialize;
use std::os::unix::fs::MetadataExt;
use std::path::{Path, PathBuf};

/// A job whose files are looked at, and the folder of what was made of it.
pub struct Watch {
    job: PathBuf,
    folder: PathBuf,
    /// How often it was made.
    makes: u32,
    /// The job, its shop and its drawings, as far as the job could last be read.
    files: Vec<PathBuf>,
    /// Their stamps before the last make.
    made_of: Vec<Option<Stamp>>,
    /// Their stamps at the last look.
    seen: Vec<Option<Stamp>>,
    last: Option<ReportDocument>,
    shown: Option<PathBuf>,
}

/// What changes when somebody writes to a file, or puts another in its place: length, time, inode.
type Stamp = (u64, i64, i64, u64);

/// A make, and what is different from the one before.
pub struct Remade {
    /// Counted from 1.
    pub number: u32,
    /// The report of this make, as `report.json` has it.
    pub report: ReportDocument,
    /// Where its sheets stand, until the next one that has some; `None` when it has none: the former ones are stale.
    pub folder: Option<PathBuf>,
    /// Findings that the one before did not have; all of them in the first.
    pub appeared: Vec<Finding>,
    /// Findings that only the one before had.
    pub gone: Vec<Finding>,
    /// Seconds at the machine of the one before, where it had programs.
    pub seconds_before: Option<f64>,
}

/// The files that a job names, in whatever else it is wrong.
#[derive(Default, Deserialize)]
#[serde(default)]
struct Named {
    shop: String,
    drawings: Vec<NamedDrawing>,
}

#[derive(Default, Deserialize)]
#[serde(default)]
struct NamedDrawing {
    file: String,
}

impl Watch {
    /// Begins to watch the job at this path. Nothing is made yet.
    pub fn new(job: &Path) -> Result<Watch, Failure> {
        open(job)?;
        let folder = fresh_folder(&std::env::temp_dir(), "grainway-watch")
            .map_err(|e| Failure::Failed(format!("no room for what is made: {e}")))?;
        let files = vec![job.to_path_buf()];
        Ok(Watch {
            made_of: stamps(&files),
            seen: stamps(&files),
            job: job.to_path_buf(),
            folder,
            makes: 0,
            files,
            last: None,
            shown: None,
        })
    }

    /// A file is another than at the last make, and none has changed since the last look.
    pub fn has_changed(&mut self) -> bool {
        let now = stamps(&self.files);
        let at_rest = now == self.seen;
        self.seen = now;
        at_rest && self.seen != self.made_of
    }

    /// Makes the job and compares it with the last time.
    pub fn make(
        &mut self,
        registries: &Registries,
        progress: &dyn Progress,
        cancel: &Cancel,
    ) -> Result<Remade, Failure> {
        self.look_up_files();
        self.makes += 1;
        let out = self.folder.join(self.makes.to_string());
        let request = MakeRequest {
            job: self.job.clone(),
            out: Some(out.clone()),
            ..MakeRequest::default()
        };
        let report = make(&request, registries, progress, cancel)?.report;
        let has_sheets = report.files.contains_key("setup-sheet.html");
        let old = match has_sheets {
            true => self.shown.replace(out.clone()),
            false => Some(out.clone()),
        };
        if let Some(old) = old {
            let _ = std::fs::remove_dir_all(old);
        }
        let before = self.last.replace(report.clone());
        let only_in = |a: &[Finding], b: &[Finding]| -> Vec<Finding> {
            a.iter().filter(|f| !b.contains(f)).cloned().collect()
        };
        let former = before.as_ref().map_or(&[][..], |b| &b.findings);
        Ok(Remade {
            number: self.makes,
            folder: has_sheets.then_some(out),
            appeared: only_in(&report.findings, former),
            gone: only_in(former, &report.findings),
            seconds_before: before.and_then(|b| machine_seconds(&b)),
            report,
        })
    }

    /// What is written from here on is another change. A document that cannot be read now, half-saved perhaps, keeps the files that it
    /// named before.
    fn look_up_files(&mut self) {
        let job = stamps(&self.files[..1]);
        self.name_files();
        self.made_of = [job, stamps(&self.files[1..])].concat();
        self.seen.clone_from(&self.made_of);
    }

    fn name_files(&mut self) {
        let Ok((folder, job_file)) = open(&self.job) else {
            return;
        };
        let named = folder
            .read_within(&job_file, MAX_DOCUMENT_BYTES as u64)
            .ok()
            .and_then(|bytes| serde_json::from_slice::<Named>(&bytes).ok());
        if let Some(named) = named {
            let drawings = named.drawings.into_iter().map(|d| d.file);
            let beside = std::iter::once(named.shop).chain(drawings);
            self.files = std::iter::once(self.job.clone())
                .chain(beside.filter_map(|f| inside(&folder, &f)))
                .collect();
        }
    }
}

impl Drop for Watch {
    fn drop(&mut self) {
        let _ = std::fs::remove_dir_all(&self.folder);
    }
}

/// Seconds at the machine; `None` without programs.
pub fn machine_seconds(report: &ReportDocument) -> Option<f64> {
    let planned = matches!(report.verdict, JobVerdict::Ready | JobVerdict::Withheld);
    (planned && !report.programs.is_empty()).then_some(report.times.total)
}

/// The path of a file of the job's folder; a name that leads out of it is refused by the make and not looked at.
fn inside(folder: &JobFolder, name: &str) -> Option<PathBuf> {
    let steps = Path::new(name).components();
    let plain = |c| matches!(c, std::path::Component::Normal(_));
    (!name.is_empty() && steps.clone().all(plain)).then(|| folder.root().join(name))
}

fn stamps(files: &[PathBuf]) -> Vec<Option<Stamp>> {
    let stamp = |path: &PathBuf| {
        let about = std::fs::metadata(path).ok()?;
        Some((about.len(), about.mtime(), about.mtime_nsec(), about.ino()))
    };
    files.iter().map(stamp).collect()
}
