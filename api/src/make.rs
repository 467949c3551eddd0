//! One run: documents in, findings and an output folder out.

use crate::Registries;
use crate::folder::JobFolder;
use crate::load::load;
use crate::output::{OutputFolder, OutputProblem};
use crate::spool::FolderSpool;
use grainway_pipeline::chain::{Chain, KeepNothing};
use grainway_pipeline::finding::{Finding, code};
use grainway_pipeline::stage::{Cancel, Cx, Fault, MemorySpool, Progress, Spool, SpoolId, Stop};
use grainway_pipeline::work::{Documents, Work};
use grainway_stages::report::{JobVerdict, REPORT_FILE, ReportDocument, report_without_sheets};
use std::collections::BTreeMap;
use std::io::Read;
use std::path::{Path, PathBuf};

/// What is asked for.
#[derive(Clone, Debug, Default)]
pub struct MakeRequest {
    /// The job document.
    pub job: PathBuf,
    /// The output folder; nothing is written without one.
    pub out: Option<PathBuf>,
    /// Save the work after every stage into this folder.
    pub save_work: Option<PathBuf>,
    /// Go on from this saved state.
    pub from: Option<PathBuf>,
}

/// How a run ended.
pub struct MadeJob {
    /// The whole report, as in `report.json`.
    pub report: ReportDocument,
}

/// Why a run made nothing.
#[derive(Debug, thiserror::Error)]
pub enum Failure {
    /// The request makes no sense.
    #[error("{0}")]
    Usage(String),
    /// The user stopped it; the output folder is as it was.
    #[error("cancelled")]
    Cancelled,
    /// Something of ours, a plugin's or the disk's failed.
    #[error("{0}")]
    Failed(String),
}

impl From<OutputProblem> for Failure {
    fn from(problem: OutputProblem) -> Self {
        match problem {
            OutputProblem::Disk { .. } => Failure::Failed(problem.to_string()),
            _ => Failure::Usage(problem.to_string()),
        }
    }
}

/// Runs the chain over a job. With an output folder, the folder is replaced whole, also by a refusal.
pub fn make(
    request: &MakeRequest,
    registries: &Registries,
    progress: &dyn Progress,
    cancel: &Cancel,
) -> Result<MadeJob, Failure> {
    let (folder, job_file) = open(&request.job)?;
    let out = match &request.out {
        Some(out) => Some(OutputFolder::claim(out, folder.root())?),
        None => None,
    };
    let spool: Box<dyn Spool> = match &out {
        Some(out) => Box::new(
            FolderSpool::new(out.parent(), &out.stem("spool"))
                .map_err(|e| Failure::Failed(format!("no room for temporary files: {e}")))?,
        ),
        None => Box::new(MemorySpool::default()),
    };
    let cx = Cx {
        files: &folder,
        dialects: &registries.dialects,
        spool: spool.as_ref(),
        progress,
        cancel,
    };
    let loaded = load(&folder, &job_file, &registries.dialects);
    let (report, files) = match loaded.documents {
        Some(documents) => match work_on(documents, loaded.findings, registries, &cx) {
            Ok(work) => reported(&work, &cx)?,
            Err(Stop::Cancelled) => return Err(Failure::Cancelled),
            Err(Stop::Fault(fault)) => failed(&loaded.name, &fault),
        },
        None => (
            ReportDocument::bare(&loaded.name, JobVerdict::Refused, loaded.findings),
            BTreeMap::new(),
        ),
    };
    if cancel.is_set() {
        return Err(Failure::Cancelled);
    }
    if let Some(out) = &out {
        out.replace(|fresh| write_files(fresh, &report, &files, &cx))?;
    }
    Ok(MadeJob { report })
}

/// The job's folder and the job's name in it.
fn open(job: &Path) -> Result<(JobFolder, String), Failure> {
    let parent = match job.parent() {
        Some(p) if !p.as_os_str().is_empty() => p,
        _ => Path::new("."),
    };
    let Some(name) = job.file_name() else {
        return Err(Failure::Usage(format!("{} is not a file", job.display())));
    };
    let folder = JobFolder::new(parent)
        .map_err(|e| Failure::Usage(format!("{} cannot be read: {e}", parent.display())))?;
    Ok((folder, name.to_string_lossy().into_owned()))
}

/// Runs the chain; a panic of ours ends as a fault.
fn work_on(
    documents: Documents,
    findings: Vec<Finding>,
    registries: &Registries,
    cx: &Cx<'_>,
) -> Result<Work, Stop> {
    let mut work = Work::new(documents);
    work.findings = findings;
    let run = std::panic::AssertUnwindSafe(|| -> Result<Work, Stop> {
        match Chain::plan(&registries.stages, &work) {
            Ok(chain) => chain.run(&mut work, 0, cx, &mut KeepNothing)?,
            Err(findings) => work.findings.extend(findings),
        }
        if !work.facts.contains("reported") {
            report_without_sheets(&mut work, cx)?;
        }
        Ok(work)
    });
    std::panic::catch_unwind(run).unwrap_or_else(|payload| {
        let said = payload
            .downcast_ref::<&str>()
            .map(|s| (*s).to_string())
            .or_else(|| payload.downcast_ref::<String>().cloned())
            .unwrap_or_default();
        Err(Stop::Fault(Fault::new(format!(
            "grainway failed inside: {said}"
        ))))
    })
}

/// The report that the report stage made, and the files beside it.
fn reported(
    work: &Work,
    cx: &Cx<'_>,
) -> Result<(ReportDocument, BTreeMap<String, SpoolId>), Failure> {
    let broken = |e: String| Failure::Failed(format!("the report cannot be read back: {e}"));
    let id = work
        .files
        .get(REPORT_FILE)
        .ok_or_else(|| broken("there is none".to_string()))?;
    let mut text = String::new();
    cx.spool
        .open(id)
        .and_then(|mut t| t.read_to_string(&mut text))
        .map_err(|e| broken(e.to_string()))?;
    let report: ReportDocument = serde_json::from_str(&text).map_err(|e| broken(e.to_string()))?;
    // Whatever the chain and its stages are: programs are offered only out of work that is verified now.
    let offered = |name: &String| {
        !name.starts_with("programs/")
            || (work.facts.contains("verified") && report.verdict == JobVerdict::Ready)
    };
    if let Some(name) = work.files.keys().find(|name| !offered(name)) {
        return Err(Failure::Failed(format!(
            "{name} would be released although it is not verified"
        )));
    }
    Ok((report, work.files.clone()))
}

fn failed(name: &str, fault: &Fault) -> (ReportDocument, BTreeMap<String, SpoolId>) {
    let finding = Finding::new(&code::INTERNAL, fault.to_string());
    (
        ReportDocument::bare(name, JobVerdict::Failed, vec![finding]),
        BTreeMap::new(),
    )
}

/// Copies everything out of the spool; a report that no stage wrote is written here.
fn write_files(
    fresh: &Path,
    report: &ReportDocument,
    files: &BTreeMap<String, SpoolId>,
    cx: &Cx<'_>,
) -> Result<(), OutputProblem> {
    let disk = |what: &str, error: std::io::Error| OutputProblem::Disk {
        what: format!("{what} cannot be written"),
        error,
    };
    for (name, id) in files {
        let path = fresh.join(name);
        let copy = || -> std::io::Result<()> {
            if let Some(parent) = path.parent() {
                std::fs::create_dir_all(parent)?;
            }
            let mut out = std::fs::File::create_new(&path)?;
            std::io::copy(&mut cx.spool.open(id)?, &mut out)?;
            Ok(())
        };
        copy().map_err(|e| disk(name, e))?;
    }
    if !files.contains_key(REPORT_FILE) {
        let text = report
            .to_text()
            .map_err(|e| disk(REPORT_FILE, std::io::Error::other(e)))?;
        std::fs::File::create_new(fresh.join(REPORT_FILE))
            .and_then(|mut f| std::io::Write::write_all(&mut f, text.as_bytes()))
            .map_err(|e| disk(REPORT_FILE, e))?;
    }
    Ok(())
}
