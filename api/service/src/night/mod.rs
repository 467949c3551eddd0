//! The night report: on one page, or in one table, what the morning needs to know. What is ready, what needs a decision and why, which
//! wood to fetch, how long each machine will run.
//!
//! [`report`] is a function of jobs and a window; the page and the table are functions of the report. The same jobs give the same bytes.

mod page;
mod table;
mod window;

pub use page::page;
pub use table::table;
pub use window::{Window, WindowProblem, last_night, parse_time};

use super::model::{Job, JobId, JobState, Millis};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::collections::{BTreeMap, BTreeSet};

/// The format word of the report as JSON.
pub const NIGHT_FORMAT: &str = "grainway.night/1";

/// What happened between two times.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub struct NightReport {
    /// Always "grainway.night/1".
    pub format: String,
    /// Jobs that ended at or after this time, in local time with its offset (RFC 3339).
    pub from: String,
    /// And before this one.
    pub to: String,
    /// The time zone.
    pub time_zone: String,
    /// What a ready job means.
    pub means: String,
    /// Jobs that need somebody's decision.
    pub withheld: Vec<NightJob>,
    /// Jobs that failed for a reason that is not in their documents.
    pub failed: Vec<NightJob>,
    /// Jobs whose programs passed.
    pub ready: Vec<NightJob>,
    /// Jobs that somebody stopped.
    pub cancelled: Vec<NightJob>,
    /// Jobs that still wait or run: the newest thousand of them.
    pub waiting: Vec<NightJob>,
    /// How many wait or run in all.
    pub waiting_in_all: u64,
    /// Wood for the jobs that are ready, by stock.
    pub wood: Vec<NightWood>,
    /// Work for each machine, of the jobs that are ready.
    pub machines: Vec<NightMachine>,
}

/// A job of the night.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub struct NightJob {
    /// Its id.
    pub job: JobId,
    /// What people call it.
    pub name: String,
    /// The code on its sheets and in its programs.
    pub code: String,
    /// Its state.
    pub state: JobState,
    /// Its batch.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub batch: Option<String>,
    /// Why it was withheld, what failed, or what was made.
    pub sentence: String,
    /// The machine.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub machine: Option<String>,
    /// Pieces.
    pub parts: u32,
    /// Boards and blanks.
    pub boards: u32,
    /// Programs.
    pub programs: u32,
    /// Machine time, seconds.
    pub machine_seconds: f64,
    /// Warnings: to be looked at before cutting.
    pub warnings: u32,
    /// When it ended, local time with its offset.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub ended: Option<String>,
    /// The newer job that is to be used instead; its programs are stale.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub replaced_by: Option<JobId>,
}

/// Wood of one stock.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub struct NightWood {
    /// The stock's id.
    pub stock: String,
    /// Its kind of wood.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub wood: Option<String>,
    /// Thickness, mm.
    pub thickness_mm: f64,
    /// Boards or blanks.
    pub boards: u32,
    /// Their area, m².
    pub area_m2: f64,
    /// For so many jobs.
    pub jobs: u32,
}

/// Work of one machine.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub struct NightMachine {
    /// The machine's id.
    pub machine: String,
    /// Jobs.
    pub jobs: u32,
    /// Boards and blanks.
    pub boards: u32,
    /// Programs.
    pub programs: u32,
    /// Machine time, seconds.
    pub machine_seconds: f64,
}

/// The report of some jobs: those that ended in the window, and those that have not ended. Others are passed over. Who does not give all
/// that wait sets `waiting_in_all`.
pub fn report(jobs: &[Job], window: &Window) -> NightReport {
    let mut told: Vec<NightJob> = jobs
        .iter()
        .filter(|job| match job.ended {
            Some(ended) => (window.from..window.to).contains(&ended),
            None => !job.state.is_end(),
        })
        .map(|job| night_job(job, window))
        .collect();
    told.sort_by(|a, b| {
        (&a.machine, &a.batch, &a.name, a.job).cmp(&(&b.machine, &b.batch, &b.name, b.job))
    });
    let of = |wanted: &[JobState]| -> Vec<NightJob> {
        told.iter()
            .filter(|j| wanted.contains(&j.state))
            .cloned()
            .collect()
    };
    let in_window: BTreeSet<JobId> = told.iter().map(|t| t.job).collect();
    let counted: Vec<&Job> = jobs
        .iter()
        .filter(|job| {
            job.state == JobState::Ready && job.replaced_by.is_none() && in_window.contains(&job.id)
        })
        .collect();
    let not_ended = of(&[JobState::Queued, JobState::Running]);
    NightReport {
        format: NIGHT_FORMAT.to_string(),
        from: window.told(window.from),
        to: window.told(window.to),
        time_zone: window.zone_name(),
        means: grainway_stages::report::MEANS.to_string(),
        withheld: of(&[JobState::Withheld]),
        failed: of(&[JobState::Failed]),
        ready: of(&[JobState::Ready]),
        cancelled: of(&[JobState::Cancelled]),
        waiting_in_all: not_ended.len() as u64,
        waiting: not_ended,
        wood: wood(&counted),
        machines: machines(&counted),
    }
}

impl NightReport {
    /// What is not told of the jobs that wait; empty when all are told.
    fn others_waiting(&self) -> String {
        match self
            .waiting_in_all
            .saturating_sub(self.waiting.len() as u64)
        {
            0 => String::new(),
            n => format!("{n} jobs more wait or run; the newest are listed."),
        }
    }
}

fn night_job(job: &Job, window: &Window) -> NightJob {
    let summary = job.summary.clone().unwrap_or_default();
    NightJob {
        job: job.id,
        name: job.name.clone(),
        code: job.code.clone(),
        state: job.state,
        batch: job.batch.clone(),
        sentence: summary.sentence,
        machine: summary.machine,
        parts: summary.parts,
        boards: summary.boards,
        programs: summary.programs,
        machine_seconds: summary.machine_seconds,
        warnings: summary.findings[1],
        ended: job.ended.map(|at: Millis| window.told(at)),
        replaced_by: job.replaced_by,
    }
}

fn wood(jobs: &[&Job]) -> Vec<NightWood> {
    let mut all: BTreeMap<(String, Option<String>, i64), NightWood> = BTreeMap::new();
    for summary in jobs.iter().filter_map(|j| j.summary.as_ref()) {
        for used in &summary.stocks {
            // Two shops may mean different wood by the same id.
            let thousandths = (used.thickness_mm * 1000.0).round() as i64;
            let key = (used.stock.clone(), used.wood.clone(), thousandths);
            let sum = all.entry(key).or_insert_with(|| NightWood {
                stock: used.stock.clone(),
                wood: used.wood.clone(),
                thickness_mm: thousandths as f64 / 1000.0,
                boards: 0,
                area_m2: 0.0,
                jobs: 0,
            });
            sum.boards = sum.boards.saturating_add(used.boards);
            sum.area_m2 += used.area_m2;
            sum.jobs += 1;
        }
    }
    let mut all: Vec<NightWood> = all.into_values().collect();
    for sum in &mut all {
        sum.area_m2 = rounded(sum.area_m2, 1000.0);
    }
    all
}

fn machines(jobs: &[&Job]) -> Vec<NightMachine> {
    let mut all: BTreeMap<String, NightMachine> = BTreeMap::new();
    for summary in jobs.iter().filter_map(|j| j.summary.as_ref()) {
        let Some(machine) = &summary.machine else {
            continue;
        };
        let sum = all.entry(machine.clone()).or_insert_with(|| NightMachine {
            machine: machine.clone(),
            jobs: 0,
            boards: 0,
            programs: 0,
            machine_seconds: 0.0,
        });
        sum.jobs += 1;
        sum.boards = sum.boards.saturating_add(summary.boards);
        sum.programs = sum.programs.saturating_add(summary.programs);
        sum.machine_seconds += summary.machine_seconds;
    }
    let mut all: Vec<NightMachine> = all.into_values().collect();
    for sum in &mut all {
        sum.machine_seconds = rounded(sum.machine_seconds, 10.0);
    }
    all
}

/// Sums of many numbers depend on their order in the last digits; these are cut off.
fn rounded(n: f64, parts: f64) -> f64 {
    (n * parts).round() / parts
}

/// Minutes, begun ones whole: what a person plans with.
fn minutes(seconds: f64) -> u64 {
    match seconds.is_finite() && seconds > 0.0 {
        true => (seconds / 60.0).ceil() as u64,
        false => 0,
    }
}
