//! Jobs with native plugins, seen from the process that asked: each is held by a process of its own, whose end is told in a finding.
//!
//! A job that kills its process is repeated once, from the last state it saved. One that does it twice has failed, and the plugin at
//! work gets a strike. What a process leaves is checked against its own report before any of it is released.

use crate::job_process::{JOB_PROCESS, OUTCOME_FILE, Order, Outcome, RESULT_FOLDER, Task};
use crate::make::{Failure, MadeJob, MakeRequest};
use crate::output::{OutputFolder, OutputProblem};
use crate::plugins::Used;
use crate::spool::fresh_folder;
use crate::state::last_state;
use crate::verify::{Verified, VerifyRequest};
use grainway_host::child::{Ended, NotStarted};
use grainway_host::store::{Description, Strike};
use grainway_host::{Conformance, End, Frame, Limits, Row, Spec, Verdict};
use grainway_pipeline::finding::{CodeInfo, Finding, Severity, code};
use grainway_pipeline::stage::{Cancel, Progress, Silent};
use grainway_stages::report::{JobVerdict, REPORT_FILE, ReportDocument};
use sha2::{Digest, Sha256};
use std::ffi::OsString;
use std::io::{Read, Write};
use std::path::{Path, PathBuf};

/// How to start a job's process.
#[derive(Clone)]
pub struct Launcher {
    /// The grainway binary.
    pub program: PathBuf,
    /// Seconds since 1970, for strikes.
    pub clock: fn() -> u64,
}

/// A folder that is gone when dropped.
struct Passing(PathBuf);

impl Drop for Passing {
    fn drop(&mut self) {
        let _ = std::fs::remove_dir_all(&self.0);
    }
}

fn no_room(e: std::io::Error) -> Failure {
    Failure::Failed(format!("no room for the job's files: {e}"))
}

/// What one process left.
struct Left {
    ended: Ended,
    outcome: Option<Outcome>,
}

impl Launcher {
    /// Starts a process in a folder and stays with it.
    fn hold(
        &self,
        folder: &Path,
        task: &Task,
        limits: &Limits,
        progress: &dyn Progress,
        cancel: &Cancel,
    ) -> Result<Left, Failure> {
        let name = "task.json";
        serde_json::to_vec(task)
            .map_err(std::io::Error::from)
            .and_then(|text| std::fs::File::create_new(folder.join(name))?.write_all(&text))
            .map_err(no_room)?;
        let own = |role: &str| -> Vec<OsString> {
            vec![self.program.clone().into(), JOB_PROCESS.into(), role.into()]
        };
        let mut worker = own("work");
        worker.push(name.into());
        let spec = Spec {
            keeper: own("keep"),
            worker,
            // Nothing of the caller's. Numbers are printed with points whatever the shop's language is, and threads share their
            // reserves of memory, which count against the limit.
            env: vec![
                ("LC_ALL".into(), "C".into()),
                ("MALLOC_ARENA_MAX".into(), "4".into()),
                ("TMPDIR".into(), folder.into()),
            ],
            folder: folder.to_path_buf(),
            limits: limits.clone(),
        };
        let ended = grainway_host::run(&spec, &|| cancel.is_set(), &mut |frame| match frame {
            Frame::Stage { name, .. } => progress.at(name, 0, 1),
            Frame::Progress { stage, done, total } => progress.at(stage, *done, *total),
            _ => {}
        })
        .map_err(|e| match e {
            NotStarted::Machine(_) => Failure::NoProcess(e.to_string()),
            NotStarted::Lost(_) => Failure::Failed(e.to_string()),
        })?;
        let outcome = match ended.end {
            End::Ok => std::fs::read(folder.join(OUTCOME_FILE))
                .ok()
                .and_then(|bytes| serde_json::from_slice(&bytes).ok()),
            _ => None,
        };
        Ok(Left { ended, outcome })
    }
}

/// What a process that did well left.
struct Held {
    outcome: Outcome,
    /// The process's own folder.
    folder: PathBuf,
    /// Tells of a process that was lost before.
    lost: Option<Finding>,
}

/// How a job ended that was held by one process, or by two.
enum Settled {
    /// It left this.
    Done(Box<Held>),
    /// A plugin killed it, or refused it.
    Lost(Vec<Finding>, JobVerdict),
}

/// Lets a process do what `order` says for a try (0, 1) and for the state to go on from; once more when the process is lost.
fn settle(
    used: &Used<'_>,
    job: &str,
    place: &Path,
    states: Option<&Path>,
    order: impl Fn(usize, Option<PathBuf>) -> Order,
    progress: &dyn Progress,
    cancel: &Cancel,
) -> Result<Settled, Failure> {
    let Some((installed, launcher)) = used.apart() else {
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
        let left = launcher.hold(&folder, &task, installed.limits(), progress, cancel)?;
        let end = match (&left.ended.end, left.outcome) {
            (End::Cancelled, _) => return Err(Failure::Cancelled),
            (End::Ok, Some(Outcome::Usage(why))) => return Err(Failure::Usage(why)),
            (End::Ok, Some(Outcome::Failed(why))) => return Err(Failure::Failed(why)),
            (End::Ok, Some(Outcome::NotLoaded { plugin, why })) => {
                let text = format!("Plugin {plugin} cannot be loaded: {why}.");
                let finding = Finding::new(&code::PLUGIN_DAMAGED, text);
                return Ok(Settled::Lost(vec![finding], JobVerdict::Failed));
            }
            (End::Ok, Some(outcome)) => {
                let held = Held {
                    outcome,
                    folder,
                    lost,
                };
                return Ok(Settled::Done(Box::new(held)));
            }
            (End::Ok, None) => End::Protocol("it left no outcome".to_string()),
            (other, _) => other.clone(),
        };
        let ended = Ended { end, ..left.ended };
        let finding = told(&ended, used);
        match ended.end {
            End::Refused(_) => return Ok(Settled::Lost(vec![finding], JobVerdict::Refused)),
            // It would do so again; its process was not lost.
            End::Panicked(_) | End::Broke(_) => return Ok(struck(&ended, finding, used, job)),
            _ if attempt > 0 => return Ok(struck(&ended, finding, used, job)),
            _ => lost = Some(repeated(finding)),
        }
        // A dead process's half-made files are in nobody's way, but may be large.
        std::fs::remove_dir_all(&folder).map_err(no_room)?;
    }
    Err(Failure::Failed("the job was tried twice".to_string()))
}

/// A finding of a process that was lost, when the second did well.
fn repeated(finding: Finding) -> Finding {
    let message = format!(
        "{} The job went on from the last state it had saved, and came to its end.",
        finding.message
    );
    Finding { message, ..finding }
        .severity(Severity::Warning)
        .remedy("Nothing for this job; report it to the plugin's author.")
}

fn code_of(end: &End) -> &'static CodeInfo {
    match end {
        End::Panicked(_) => &code::PLUGIN_PANICKED,
        End::Refused(_) => &code::PLUGIN_REFUSED,
        End::TimeOut { .. } => &code::PLUGIN_TIMED_OUT,
        End::Memory { .. } => &code::PLUGIN_MEMORY,
        End::Signal(_) | End::Exit(_) => &code::PLUGIN_CRASHED,
        End::Broke(_) | End::Protocol(_) | End::Ok | End::Cancelled => &code::PLUGIN_PROTOCOL,
    }
}

/// The finding of an end: where it was, whose code ran there, what happened, and what it last printed.
fn told(ended: &Ended, used: &Used<'_>) -> Finding {
    let names: Vec<&str> = used.native().map(|p| p.name.as_str()).collect();
    let with = format!(
        "plugin{} {}",
        if names.len() == 1 { "" } else { "s" },
        names.join(", ")
    );
    let place = match &ended.stage {
        None => format!("The process for {with}, before it began"),
        Some(stage) => match (stage.name.as_str(), &stage.plugin) {
            ("load", Some(plugin)) => format!("Plugin {plugin}, while it was loaded"),
            (name, Some(plugin)) => format!("Plugin {plugin} in stage {name}"),
            (name, None) => format!("Stage {name}, which is built in, beside {with}"),
        },
    };
    let mut message = format!("{place}: {}.", ended.end.sentence().trim_end_matches('.'));
    let last = ended.printed.lines().rev().find(|l| !l.trim().is_empty());
    if let Some(last) = last {
        let shown: String = last.trim().chars().take(160).collect();
        message.push_str(&format!(" It last printed \"{}\".", shown.escape_debug()));
    }
    Finding::new(code_of(&ended.end), message)
}

/// A job that its process lost for good: the plugin at work is remembered, and switched off when it does so often.
fn struck(ended: &Ended, finding: Finding, used: &Used<'_>, job: &str) -> Settled {
    let mut findings = vec![finding];
    let at_work = ended.stage.as_ref().and_then(|s| s.plugin.as_deref());
    let mut native = used.native();
    let guilty = match (at_work, native.next(), native.next()) {
        (Some(name), ..) => used.native().find(|p| p.name == name),
        (None, only, None) => only,
        _ => None,
    };
    if let (Some(plugin), Some((installed, launcher))) = (guilty, used.apart()) {
        let strike = Strike {
            at: (launcher.clock)(),
            job: job.to_string(),
            end: ended.end.sentence(),
        };
        let store = installed.store();
        match store.strike(&plugin.name, &plugin.sha256, strike) {
            Ok(None) => {}
            Ok(Some(off)) => findings.push(Finding::new(
                &code::PLUGIN_OFF,
                format!("P{}.", off.strip_prefix('p').unwrap_or(&off)),
            )),
            Err(e) => findings.push(
                Finding::new(
                    &code::PLUGIN_OFF,
                    format!(
                        "That plugin {} killed a job could not be noted: {e}.",
                        plugin.name
                    ),
                )
                .severity(Severity::Warning)
                .remedy("Make the plugin folder writable for this user."),
            ),
        }
    }
    Settled::Lost(findings, JobVerdict::Failed)
}

/// Makes a job in a process of its own.
pub(crate) fn make(
    request: &MakeRequest,
    used: &Used<'_>,
    job: &str,
    out: Option<&OutputFolder>,
    progress: &dyn Progress,
    cancel: &Cancel,
) -> Result<MadeJob, Failure> {
    let place = match out {
        Some(out) => fresh_folder(out.parent(), &out.stem("job")),
        None => fresh_folder(&std::env::temp_dir(), "grainway-job"),
    };
    let place = Passing(place.map_err(no_room)?);
    let whole = |path: &Path| std::path::absolute(path).map_err(no_room);
    let job_file = whole(&request.job)?;
    let states = match &request.save_work {
        Some(folder) => whole(folder)?,
        None => whole(&place.0)?.join("states"),
    };
    let from = request.from.as_deref().map(whole).transpose()?;
    let order = |attempt: usize, state: Option<PathBuf>| {
        Order::Make(MakeRequest {
            job: job_file.clone(),
            out: None,
            save_work: Some(states.clone()),
            goes_on: attempt > 0,
            from: state.or_else(|| from.clone()),
        })
    };
    let settled = settle(
        used,
        job,
        &whole(&place.0)?,
        Some(&states),
        order,
        progress,
        cancel,
    )?;
    let (folder, lost) = match settled {
        Settled::Done(held) if matches!(held.outcome, Outcome::Made) => {
            (held.folder.join(RESULT_FOLDER), held.lost)
        }
        Settled::Done(_) => return Err(Failure::Failed("the job was not made".to_string())),
        Settled::Lost(findings, verdict) => {
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

/// What became of a job without native plugins that a process of its own was to make.
pub enum Alone {
    /// It made this; the files stand in the folder.
    Made(Box<ReportDocument>, PathBuf),
    /// Its process was lost: what happened, and where.
    Lost(String),
    /// The machine has no room for a process now.
    NoProcess(String),
    /// Something of ours, the request's or the disk's failed.
    Failed(String),
    /// It was cancelled.
    Cancelled,
}

/// Makes a job that needs no native plugin in a process of its own, in `place`, which must exist and be empty.
pub fn make_alone(
    launcher: &Launcher,
    store: Option<&grainway_host::Installed>,
    job: &Path,
    place: &Path,
    (threads, limits): (usize, &Limits),
    progress: &dyn Progress,
    cancel: &Cancel,
) -> Alone {
    let task = Task {
        store: store.map(|i| i.store().root().to_path_buf()),
        pins: store
            .map(grainway_host::Installed::pins)
            .unwrap_or_default(),
        native: Vec::new(),
        dialect: None,
        threads,
        order: Order::Make(MakeRequest {
            job: job.to_path_buf(),
            ..MakeRequest::default()
        }),
    };
    let left = match launcher.hold(place, &task, limits, progress, cancel) {
        Ok(left) => left,
        Err(Failure::NoProcess(why)) => return Alone::NoProcess(why),
        // Its keeper may have been killed before it began.
        Err(failure) => return Alone::Lost(failure.to_string()),
    };
    match (left.ended.end, left.outcome) {
        (End::Cancelled, _) => Alone::Cancelled,
        (End::Ok, Some(Outcome::Made)) => {
            let folder = place.join(RESULT_FOLDER);
            match read_result(&folder) {
                Ok(report) => Alone::Made(Box::new(report), folder),
                Err(failure) => Alone::Failed(failure.to_string()),
            }
        }
        (End::Ok, Some(Outcome::Usage(why) | Outcome::Failed(why))) => Alone::Failed(why),
        (End::Ok, _) => Alone::Lost("it left no outcome".to_string()),
        (end, _) => {
            let at = left
                .ended
                .stage
                .map(|s| format!(" in stage {}", s.name))
                .unwrap_or_default();
            Alone::Lost(format!("{}{at}", end.sentence()))
        }
    }
}

/// Checks texts against a job in a process of its own. The inner `Err` is what a plugin refused.
pub(crate) fn verify(
    request: &VerifyRequest,
    used: &Used<'_>,
    job: &str,
    progress: &dyn Progress,
    cancel: &Cancel,
) -> Result<Result<Verified, Vec<Finding>>, Failure> {
    let place = fresh_folder(&std::env::temp_dir(), "grainway-job").map_err(no_room)?;
    let place = Passing(place);
    let whole = |path: &Path| std::path::absolute(path).map_err(no_room);
    let programs: Result<Vec<PathBuf>, Failure> =
        request.programs.iter().map(|p| whole(p)).collect();
    let asked = VerifyRequest {
        programs: programs?,
        job: whole(&request.job)?,
        ..request.clone()
    };
    let order = |_, _| Order::Verify(asked.clone());
    match settle(used, job, &place.0, None, order, progress, cancel)? {
        Settled::Done(held) => {
            let Outcome::Verified(mut verified) = held.outcome else {
                return Err(Failure::Failed("the texts were not checked".to_string()));
            };
            verified.job_findings.extend(held.lost);
            name_as_asked(&mut verified, request, &asked);
            Ok(Ok(verified))
        }
        Settled::Lost(findings, JobVerdict::Failed) => {
            let all: Vec<String> = findings.iter().map(Finding::to_string).collect();
            Err(Failure::Failed(all.join("\n")))
        }
        Settled::Lost(findings, _) => Ok(Err(findings)),
    }
}

/// Texts are told under the names by which the user called them.
fn name_as_asked(verified: &mut Verified, request: &VerifyRequest, asked: &VerifyRequest) {
    for setup in &mut verified.setups {
        for name in &mut setup.programs {
            let at = asked
                .programs
                .iter()
                .position(|p| p.display().to_string() == *name);
            if let Some(path) = at.and_then(|i| request.programs.get(i)) {
                *name = path.display().to_string();
            }
        }
    }
}

/// Loads a library in a process of its own and gives what it says of itself. The error is one sentence without a point.
pub fn describe(
    library: &Path,
    launcher: &Launcher,
    limits: &Limits,
) -> Result<Description, String> {
    // To describe itself is a plugin's quickest work.
    let limits = Limits {
        stage_seconds: limits.stage_seconds.min(10),
        cpu_seconds: limits.cpu_seconds.min(10),
        ..limits.clone()
    };
    match asked(library, Order::Describe, launcher, &limits)? {
        (End::Ok, Some(Outcome::Described(description))) => Ok(description),
        (End::Ok, Some(Outcome::NotLoaded { why, .. } | Outcome::Failed(why))) => Err(why),
        (End::Ok, _) => Err("its process left no description".to_string()),
        (end, _) => Err(format!("while it was loaded, {}", end.sentence())),
    }
}

/// Runs the conformance checks on a library, twice, each in a process of its own; both must write the same. The error is one
/// sentence without a point.
pub fn conform(
    library: &Path,
    launcher: &Launcher,
    limits: &Limits,
) -> Result<Conformance, String> {
    let once = || match asked(library, Order::Conform, launcher, limits)? {
        (End::Ok, Some(Outcome::Conformed(found))) => Ok(found),
        (End::Ok, _) => Err("its process left no table".to_string()),
        (end, _) => Err(format!("while it was checked, {}", end.sentence())),
    };
    let mut found = once()?;
    let again = once()?;
    let same = found.digest == again.digest;
    found.rows.push(Row {
        subject: "library".to_string(),
        check: "same-in-two-processes".to_string(),
        verdict: if same {
            Verdict::Passed
        } else {
            Verdict::Failed
        },
        detail: match same {
            true => "two processes wrote the same".to_string(),
            false => "two processes wrote different texts for the same input".to_string(),
        },
    });
    Ok(found)
}

/// One question about a library, answered in a process of its own.
fn asked(
    library: &Path,
    order: fn(PathBuf) -> Order,
    launcher: &Launcher,
    limits: &Limits,
) -> Result<(End, Option<Outcome>), String> {
    let place =
        fresh_folder(&std::env::temp_dir(), "grainway-describe").map_err(|e| e.to_string())?;
    let place = Passing(place);
    let task = Task {
        store: None,
        pins: Vec::new(),
        native: Vec::new(),
        dialect: None,
        threads: 1,
        order: order(std::path::absolute(library).map_err(|e| e.to_string())?),
    };
    let left = launcher
        .hold(&place.0, &task, limits, &Silent, &Cancel::default())
        .map_err(|e| e.to_string())?;
    Ok((left.ended.end, left.outcome))
}

/// The report that the process left, if everything it lists is there as it says, and nothing else. A process that a plugin ran in
/// can have left anything.
fn read_result(folder: &Path) -> Result<ReportDocument, Failure> {
    let wrong = |why: String| {
        Failure::Failed(format!(
            "the job's process left a result that cannot be used: {why}"
        ))
    };
    let text = std::fs::read(folder.join(REPORT_FILE)).map_err(|e| wrong(e.to_string()))?;
    let report: ReportDocument = serde_json::from_slice(&text).map_err(|e| wrong(e.to_string()))?;
    let mut found = Vec::new();
    crate::output::list(folder, "", &mut found).map_err(|e| wrong(e.to_string()))?;
    found.retain(|name| name != REPORT_FILE);
    found.sort();
    if !found.iter().eq(report.files.keys()) {
        return Err(wrong("its files are not those of its report".to_string()));
    }
    for (name, sha256) in &report.files {
        if name.starts_with("programs/") && report.verdict != JobVerdict::Ready {
            return Err(wrong(format!(
                "{name} would be released although it is not verified"
            )));
        }
        let path = folder.join(name);
        let plain = std::fs::symlink_metadata(&path).is_ok_and(|a| a.is_file());
        if !plain || hash_of(&path).map_err(|e| wrong(e.to_string()))? != *sha256 {
            return Err(wrong(format!("{name} is not what was checked")));
        }
    }
    Ok(report)
}

fn hash_of(path: &Path) -> std::io::Result<String> {
    let mut hash = Sha256::new();
    let mut file = std::fs::File::open(path)?;
    let mut bytes = vec![0; 64 * 1024];
    loop {
        match file.read(&mut bytes)? {
            0 => break,
            n => hash.update(&bytes[..n]),
        }
    }
    Ok(hash.finalize().iter().map(|b| format!("{b:02x}")).collect())
}

/// Moves what was made into the new output folder and writes the report beside it.
fn take_over(folder: &Path, fresh: &Path, report: &ReportDocument) -> Result<(), OutputProblem> {
    let disk = |what: &str, error: std::io::Error| OutputProblem::Disk {
        what: format!("{what} cannot be written"),
        error,
    };
    for name in report.files.keys() {
        let path = fresh.join(name);
        let parent = path.parent().unwrap_or(fresh);
        std::fs::create_dir_all(parent)
            .and_then(|()| std::fs::rename(folder.join(name), &path))
            .map_err(|e| disk(name, e))?;
    }
    let text = report
        .to_text()
        .map_err(|e| disk(REPORT_FILE, std::io::Error::other(e)))?;
    std::fs::File::create_new(fresh.join(REPORT_FILE))
        .and_then(|mut f| f.write_all(text.as_bytes()))
        .map_err(|e| disk(REPORT_FILE, e))
}
