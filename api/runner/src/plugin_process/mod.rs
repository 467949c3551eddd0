//! Jobs with native plugins, seen from the process that asked: each runs in a process of its own, whose end becomes a finding.
//!
//! A job that kills its process is repeated once, from the last state it saved. One that does it twice has failed, and the plugin at
//! work gets a strike. What a process leaves is checked against its own report before any of it is released.

mod ends;
mod library;
mod process;
mod result;
mod without_plugins;

pub use library::{conform, describe};
pub use without_plugins::{ProcessEnd, make_in_process};

use crate::output::OutputFolder;
use crate::registries::UsedPlugins;
use crate::request::{Failure, MadeJob, MakeRequest, Verified, VerifyRequest};
use crate::spool::fresh_folder;
use crate::state::last_state;
use crate::task::{Order, Outcome, RESULT_FOLDER, Task};
use ends::{finding_of, repeated, strike};
use grainway_host::End;
use grainway_host::child::Ended;
use grainway_pipeline::finding::{Finding, code};
use grainway_pipeline::stage::{Cancel, Progress};
use grainway_stages::report::{JobVerdict, ReportDocument};
use process::{TemporaryFolder, no_room, run_task};
use result::{read_result, take_over};
use std::path::{Path, PathBuf};

/// The answer of a process that came to its end.
struct Completed {
    outcome: Outcome,
    /// The process's own folder.
    folder: PathBuf,
    /// Says that a first process was lost.
    lost: Option<Finding>,
}

/// How a job ended in its own process, or in a second one when the first was lost.
enum Ending {
    /// It answered.
    Done(Box<Completed>),
    /// A plugin killed it, or refused it.
    Lost(Vec<Finding>, JobVerdict),
}

/// Runs the order in a process of its own, and a second time when the process is lost. `order` gets the number of the attempt (0 or 1)
/// and, for the second, the last state that the first saved.
fn run_with_one_repeat(
    used: &UsedPlugins<'_>,
    job: &str,
    place: &Path,
    states: Option<&Path>,
    order: impl Fn(usize, Option<PathBuf>) -> Order,
    progress: &dyn Progress,
    cancel: &Cancel,
) -> Result<Ending, Failure> {
    let Some((installed, launcher)) = used.own_process() else {
        return Err(Failure::Failed(
            "the job needs no process of its own".to_string(),
        ));
    };
    let mut lost: Option<Finding> = None;
    for attempt in 0..2 {
        let folder = place.join(format!("try-{}", attempt + 1));
        std::fs::create_dir(&folder).map_err(no_room)?;
        let state = (attempt > 0).then(|| states.and_then(last_state)).flatten();
        let task = Task {
            store: Some(installed.store().root().to_path_buf()),
            pins: installed.pins(),
            native: used.native().map(|p| p.name.clone()).collect(),
            dialect: used.native_dialect().map(|p| p.name.clone()),
            threads: rayon::current_num_threads(),
            order: order(attempt, state),
        };
        let left = run_task(
            launcher,
            &folder,
            &task,
            installed.limits(),
            progress,
            cancel,
        )?;
        let end = match (&left.ended.end, left.outcome) {
            (End::Cancelled, _) => return Err(Failure::Cancelled),
            (End::Ok, Some(Outcome::Usage(why))) => return Err(Failure::Usage(why)),
            (End::Ok, Some(Outcome::Failed(why))) => return Err(Failure::Failed(why)),
            (End::Ok, Some(Outcome::NotLoaded { plugin, why })) => {
                let text = format!("Plugin {plugin} cannot be loaded: {why}.");
                let finding = Finding::new(&code::PLUGIN_DAMAGED, text);
                return Ok(Ending::Lost(vec![finding], JobVerdict::Failed));
            }
            (End::Ok, Some(outcome)) => {
                let completed = Completed {
                    outcome,
                    folder,
                    lost,
                };
                return Ok(Ending::Done(Box::new(completed)));
            }
            (End::Ok, None) => End::Protocol("it left no outcome".to_string()),
            (other, _) => other.clone(),
        };
        let ended = Ended { end, ..left.ended };
        let finding = finding_of(&ended, used);
        let lost_for_good = |ended: &Ended| {
            let findings = std::iter::once(finding.clone()).chain(strike(ended, used, job));
            Ending::Lost(findings.collect(), JobVerdict::Failed)
        };
        match ended.end {
            End::Refused(_) => return Ok(Ending::Lost(vec![finding], JobVerdict::Refused)),
            // Deterministic failures are not repeated, and nothing is repeated twice.
            End::Panicked(_) | End::Broke(_) => return Ok(lost_for_good(&ended)),
            _ if attempt > 0 => return Ok(lost_for_good(&ended)),
            _ => lost = Some(repeated(finding)),
        }
        // A dead process's half-made files are in nobody's way, but may be large.
        std::fs::remove_dir_all(&folder).map_err(no_room)?;
    }
    Err(Failure::Failed("the job was tried twice".to_string()))
}

/// Makes a job in a process of its own.
pub(crate) fn make(
    request: &MakeRequest,
    used: &UsedPlugins<'_>,
    job: &str,
    out: Option<&OutputFolder>,
    progress: &dyn Progress,
    cancel: &Cancel,
) -> Result<MadeJob, Failure> {
    let place = match out {
        Some(out) => fresh_folder(out.parent(), &out.stem("job")),
        None => fresh_folder(&std::env::temp_dir(), "grainway-job"),
    };
    let place = TemporaryFolder(place.map_err(no_room)?);
    let whole = |path: &Path| std::path::absolute(path).map_err(no_room);
    let job_file = whole(&request.job)?;
    let states = match &request.save_work {
        Some(folder) => whole(folder)?,
        None => whole(&place.0)?.join("states"),
    };
    let from = request.from.as_deref().map(whole).transpose()?;
    let keep = request.keep.as_deref().map(whole).transpose()?;
    let order = |attempt: usize, state: Option<PathBuf>| {
        Order::Make(MakeRequest {
            job: job_file.clone(),
            out: None,
            save_work: Some(states.clone()),
            goes_on: attempt > 0,
            instead: request.instead.clone(),
            keep: keep.clone(),
            from: state.or_else(|| from.clone()),
        })
    };
    let ending = run_with_one_repeat(
        used,
        job,
        &whole(&place.0)?,
        Some(&states),
        order,
        progress,
        cancel,
    )?;
    let (folder, lost) = match ending {
        Ending::Done(completed) if matches!(completed.outcome, Outcome::Made) => {
            (completed.folder.join(RESULT_FOLDER), completed.lost)
        }
        Ending::Done(_) => return Err(Failure::Failed("the job was not made".to_string())),
        Ending::Lost(findings, verdict) => {
            let mut report = ReportDocument::bare(job, verdict, findings);
            report.amend(used.rows(), Vec::new());
            return Ok(MadeJob {
                report,
                replaced: false,
            });
        }
    };
    let mut report = read_result(&folder)?;
    report.amend(used.rows(), lost.into_iter().collect());
    if let Some(out) = out {
        out.replace(|fresh| take_over(&folder, fresh, &report))?;
    }
    Ok(MadeJob {
        report,
        replaced: out.is_some(),
    })
}

/// Checks texts against a job in a process of its own. The inner `Err` is what a plugin refused.
pub(crate) fn verify(
    request: &VerifyRequest,
    used: &UsedPlugins<'_>,
    job: &str,
    progress: &dyn Progress,
    cancel: &Cancel,
) -> Result<Result<Verified, Vec<Finding>>, Failure> {
    let place = fresh_folder(&std::env::temp_dir(), "grainway-job").map_err(no_room)?;
    let place = TemporaryFolder(place);
    let whole = |path: &Path| std::path::absolute(path).map_err(no_room);
    let programs: Result<Vec<PathBuf>, Failure> =
        request.programs.iter().map(|p| whole(p)).collect();
    let absolute = VerifyRequest {
        programs: programs?,
        job: whole(&request.job)?,
        ..request.clone()
    };
    let order = |_, _| Order::Verify(absolute.clone());
    match run_with_one_repeat(used, job, &place.0, None, order, progress, cancel)? {
        Ending::Done(completed) => {
            let Outcome::Verified(mut verified) = completed.outcome else {
                return Err(Failure::Failed("the texts were not checked".to_string()));
            };
            verified.job_findings.extend(completed.lost);
            name_as_asked(&mut verified, request, &absolute);
            Ok(Ok(verified))
        }
        Ending::Lost(findings, JobVerdict::Failed) => {
            let all: Vec<String> = findings.iter().map(Finding::to_string).collect();
            Err(Failure::Failed(all.join("\n")))
        }
        Ending::Lost(findings, _) => Ok(Err(findings)),
    }
}

/// Texts are told under the names by which the user called them.
fn name_as_asked(verified: &mut Verified, request: &VerifyRequest, absolute: &VerifyRequest) {
    for setup in &mut verified.setups {
        for name in &mut setup.programs {
            let at = absolute
                .programs
                .iter()
                .position(|p| p.display().to_string() == *name);
            if let Some(path) = at.and_then(|i| request.programs.get(i)) {
                *name = path.display().to_string();
            }
        }
    }
}
