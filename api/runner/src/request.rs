//! What one run is asked for and how it ends.

use crate::output::OutputProblem;
use crate::state::StateProblem;
use grainway_pipeline::doc::Unit;
use grainway_pipeline::finding::Finding;
use grainway_pipeline::work::Verdict;
use grainway_stages::report::ReportDocument;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use std::path::PathBuf;

/// A job to make.
#[derive(Clone, Debug, Default, Serialize, Deserialize)]
pub struct MakeRequest {
    /// The job document.
    pub job: PathBuf,
    /// The output folder; nothing is written without one.
    pub out: Option<PathBuf>,
    /// The output folder of a former night: boards on which no piece changed are kept as they are there.
    #[serde(default)]
    pub keep: Option<PathBuf>,
    /// Save the work after every stage into this folder.
    pub save_work: Option<PathBuf>,
    /// Go on from this saved state.
    pub from: Option<PathBuf>,
    /// The states in `save_work` are this run's own, as far as it came before its process was lost: they stay.
    pub goes_on: bool,
    /// Documents that stand for the files of these names in the job's folder, which need not be there.
    #[serde(default)]
    pub instead: BTreeMap<String, String>,
}

/// How a run ended.
pub struct MadeJob {
    /// The whole report, as in `report.json`.
    pub report: ReportDocument,
    /// The output folder was replaced. Otherwise there was none, or it is as it was: a plugin killed the job.
    pub replaced: bool,
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
    /// The machine has no room for a process now.
    #[error("{0}")]
    NoProcess(String),
}

impl From<OutputProblem> for Failure {
    fn from(problem: OutputProblem) -> Self {
        match problem {
            OutputProblem::Disk { .. } => Failure::Failed(problem.to_string()),
            _ => Failure::Usage(problem.to_string()),
        }
    }
}

impl From<StateProblem> for Failure {
    fn from(problem: StateProblem) -> Self {
        match problem {
            StateProblem::Disk(_) => Failure::Failed(problem.to_string()),
            _ => Failure::Usage(problem.to_string()),
        }
    }
}

/// Program texts to check against a job.
#[derive(Clone, Debug, Default, Serialize, Deserialize)]
pub struct VerifyRequest {
    /// The texts, those of a setup in running order.
    pub programs: Vec<PathBuf>,
    /// The job that they are checked against.
    pub job: PathBuf,
    /// The setup that they belong to, where their names do not say.
    pub setup: Option<String>,
    /// They were edited: they need not be as planned.
    pub edited: bool,
}

/// What a check of program texts found.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct Verified {
    /// One entry a setup.
    pub setups: Vec<SetupResult>,
    /// What is wrong with the job itself, or with its plan; nothing is checked against a job with errors.
    pub job_findings: Vec<Finding>,
    /// All passed that must.
    pub passed: bool,
    /// The unit of the programs: findings' messages are in it, their places in mm.
    pub program_unit: Unit,
}

impl Verified {
    /// Nothing was checked, for these reasons.
    pub(crate) fn refused(job_findings: Vec<Finding>) -> Verified {
        Verified {
            setups: Vec::new(),
            job_findings,
            passed: false,
            program_unit: Unit::Mm,
        }
    }
}

/// The verdicts over the texts of a setup.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct SetupResult {
    /// The setup.
    pub setup: String,
    /// The texts, as they were named.
    pub programs: Vec<String>,
    /// The texts, taken alone, cut the parts and nothing else.
    pub safe: Verdict,
    /// One a text; none for edited texts and for texts that the plan does not know.
    pub as_planned: Vec<Option<Verdict>>,
    /// The dialect cannot be read back: nothing was checked.
    pub unverified: bool,
}
