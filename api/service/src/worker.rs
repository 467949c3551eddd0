//! Workers: claim a job, let a process of its own make it, put its files away, end it. One task for each of the operator's workers.
//!
//! A worker holds a job by its lease. While the job's process runs the lease is renewed; a renewal that finds another owner stops the
//! process and drops what it made. Files are put away complete before the one transaction that ends the job, under a folder name of
//! this attempt alone. If the server or a job's process is killed, a job still has all files of one attempt or none.

mod attempt_end;

use super::Shared;
use super::files::FilesProblem;
use super::model::{Claim, JobFile, JobPrice, JobState, Millis, Side, StockUse, Summary};
use super::store::{Claimed, Renewed};
use attempt_end::{back, end, kept};
use futures_util::FutureExt;
use grainway_pipeline::finding::Severity;
use grainway_pipeline::stage::{Cancel, Progress};
use grainway_runner::{
    Failure, MakeRequest, ProcessEnd, make, make_in_process, uses_native_plugins,
};
use grainway_stages::report::{JobVerdict, ReportDocument};
use nix::sys::statvfs::statvfs;
use std::collections::BTreeMap;
use std::os::unix::fs::MetadataExt;
use std::panic::AssertUnwindSafe;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;
use uuid::Uuid;

/// How long a lease lasts, ms.
const LEASE: Millis = 30_000;
/// How often it is renewed, and how often a wish to cancel is noticed at the latest.
const RENEW: Duration = Duration::from_secs(1);
/// How often a worker looks without being told.
const LOOK: Duration = Duration::from_secs(2);
/// The wait before a job whose process was lost is tried again, ms.
const AGAIN: Millis = 1_000;
/// Longest pause between tries of a store that cannot be reached.
const LONGEST_PAUSE: Duration = Duration::from_secs(5);
/// Less free room than this under jobs at work is none.
const LEAST_ROOM: u64 = 16 << 20;
/// More than a job at work holds; one that holds it filled the disk itself, and would do so for ever.
const MOST_HELD: u64 = 256 << 20;
/// What was handed in, in the folder of a job at work.
const HANDED: &str = "in";
/// Why a job was lost that made this process panic.
const INSIDE: &str = "the service failed inside while it held the job; its log says more";

/// Works until `shared.stop` is set and what runs has ended or was given back.
pub async fn work(shared: Arc<Shared>) {
    let half = std::thread::available_parallelism().map_or(1, |n| n.get().div_ceil(2));
    let workers = shared.config.workers.map_or(half, |n| n as usize);
    let mut tasks = tokio::task::JoinSet::new();
    for _ in 0..workers {
        tasks.spawn(one(Arc::clone(&shared)));
    }
    super::tasks::all(tasks).await;
}

/// One worker.
async fn one(shared: Arc<Shared>) {
    let mut stop = shared.stop.subscribe();
    let mut pause = Duration::from_millis(100);
    while !*stop.borrow() {
        let now = shared.now();
        let hours = super::hours::open(&shared.config, now);
        match shared
            .store
            .claim(shared.owner, now, now + LEASE, hours)
            .await
        {
            Ok(Some(claimed)) => {
                pause = Duration::from_millis(100);
                // There may be more: another worker looks while this one is at work.
                shared.stir();
                hold(&shared, claimed).await;
                shared.stir();
            }
            Ok(None) => {
                tokio::select! {
                    () = shared.work.notified() => {}
                    () = tokio::time::sleep(LOOK) => {}
                    _ = stop.wait_for(|s| *s) => {}
                }
            }
            Err(problem) => {
                tracing::warn!("no job can be claimed: {problem}");
                tokio::select! {
                    () = tokio::time::sleep(pause) => {}
                    _ = stop.wait_for(|s| *s) => {}
                }
                pause = (pause * 2).min(LONGEST_PAUSE);
            }
        }
    }
}

/// What became of a job that was worked on.
enum Done {
    /// It ends so; the files stand in the folder.
    End(JobState, Summary, Option<PathBuf>),
    /// Its process was lost.
    Lost(String),
    /// This service stops; the job goes back unspent.
    Stopped,
    /// Another process has the job.
    Replaced,
}

async fn hold(shared: &Arc<Shared>, claimed: Claimed) {
    let place = shared
        .config
        .work_folder()
        .join(shared.owner.to_string())
        .join(Uuid::new_v4().to_string());
    let work = AssertUnwindSafe(worked(shared, &claimed, &place));
    if let Err(panic) = work.catch_unwind().await {
        let words = super::tasks::said(panic.as_ref());
        tracing::error!(job = %claimed.claim.job, "this service failed inside at a job: {words}");
        let spent = AssertUnwindSafe(lost(shared, &claimed, INSIDE));
        let _ = spent.catch_unwind().await;
    }
    if let Err(e) = tokio::fs::remove_dir_all(&place).await
        && e.kind() != std::io::ErrorKind::NotFound
    {
        tracing::warn!("{} stays: {e}", place.display());
    }
}

async fn worked(shared: &Arc<Shared>, claimed: &Claimed, place: &Path) {
    let Claimed { claim, job, files } = claimed;
    match tried(shared, claim, &job.document, files, place).await {
        Ok(Done::Lost(_) | Done::End(JobState::Failed, ..)) if is_full(place) => {
            tracing::error!(job = %claim.job, "{}: the disk is full; the job waits", place.display());
            back(shared, claim, false, Some(shared.now() + 10 * AGAIN)).await;
        }
        Ok(Done::End(state, summary, made)) => {
            end(shared, claim, state, summary, made.as_deref()).await;
        }
        Ok(Done::Lost(why)) => lost(shared, claimed, &why).await,
        Ok(Done::Stopped) => back(shared, claim, false, None).await,
        Ok(Done::Replaced) => {
            tracing::warn!(job = %claim.job, "another process has the job; what was made here is dropped");
        }
        Err(Trouble::Damaged(why)) => {
            let summary = said(format!("What was handed in can no longer be read: {why}."));
            end(shared, claim, JobState::Failed, summary, None).await;
        }
        Err(Trouble::Ours(why)) => {
            tracing::error!(job = %claim.job, "the job could not be worked on and waits: {why}");
            back(shared, claim, false, Some(shared.now() + 10 * AGAIN)).await;
        }
    }
}

/// Spends an attempt; the last one ends the job.
async fn lost(shared: &Shared, claimed: &Claimed, why: &str) {
    let Claimed { claim, job, .. } = claimed;
    let times = job.spent + 1;
    if times < shared.config.limits.attempts {
        tracing::warn!(job = %claim.job, "the job's process was lost and is repeated: {why}");
        return back(shared, claim, true, Some(shared.now() + AGAIN)).await;
    }
    let summary = said(format!(
        "Its process was lost {times} times, the last time because {why}. Divide the job, or raise the limits of this server."
    ));
    attempt_end::end_lost(shared, claim, summary).await;
}

/// So little room is left where jobs are at work that a job may have failed for want of it, which is not its own doing.
fn is_full(place: &Path) -> bool {
    let full = statvfs(place).is_ok_and(|about| {
        let free = about
            .blocks_available()
            .saturating_mul(about.fragment_size());
        // File systems without a table of files report none.
        free < LEAST_ROOM || (about.files() != 0 && about.files_available() == 0)
    });
    full && added(place) < MOST_HELD
}

/// What a job at work takes of the disk beside what was handed in, which the service has taken.
fn added(place: &Path) -> u64 {
    held(place).saturating_sub(held(&place.join(HANDED)))
}

/// Bytes of the disk that a folder's files take, as far as it can be read.
fn held(place: &Path) -> u64 {
    let entries = std::fs::read_dir(place).into_iter().flatten().flatten();
    let taken = entries.map(|entry| match entry.metadata() {
        Ok(about) if about.is_dir() => held(&entry.path()),
        Ok(about) => about.blocks() * 512,
        Err(_) => 0,
    });
    taken.sum()
}

/// Why a job could not be worked on.
enum Trouble {
    /// Its own files.
    Damaged(String),
    /// The disk or the stores of this service.
    Ours(String),
}

impl From<FilesProblem> for Trouble {
    fn from(problem: FilesProblem) -> Trouble {
        match problem {
            FilesProblem::Missing(_) | FilesProblem::Damaged { .. } | FilesProblem::Name(_) => {
                Trouble::Damaged(problem.to_string())
            }
            _ => Trouble::Ours(problem.to_string()),
        }
    }
}

async fn tried(
    shared: &Arc<Shared>,
    claim: &Claim,
    document: &str,
    files: &[JobFile],
    place: &Path,
) -> Result<Done, Trouble> {
    let (handed, held) = (place.join(HANDED), place.join("held"));
    for folder in [&handed, &held] {
        tokio::fs::create_dir_all(folder)
            .await
            .map_err(|e| Trouble::Ours(format!("{}: {e}", folder.display())))?;
    }
    let fetched = shared
        .files
        .fetch(claim.job, Side::In, None, files, &handed);
    kept(shared, claim, None, fetched).await?;
    let cancel = Arc::new(Cancel::default());
    // However this ends, the job's process does not go on without it.
    let _ends = CancelAtEnd(Arc::clone(&cancel));
    let stage = Arc::new(Stage::default());
    let mut run = {
        let (shared, cancel, stage) = (Arc::clone(shared), Arc::clone(&cancel), Arc::clone(&stage));
        let job = handed.join(document);
        tokio::task::spawn_blocking(move || made(&shared, &job, &held, &stage, &cancel))
    };
    let mut why: Option<Done> = None;
    let mut stop = shared.stop.subscribe();
    let drain = Duration::from_secs(shared.config.limits.drain_seconds);
    let drained = async {
        let _ = stop.wait_for(|s| *s).await;
        tokio::time::sleep(drain).await;
    };
    tokio::pin!(drained);
    let mut beat = attempt_end::beat();
    let ran = loop {
        tokio::select! {
            ran = &mut run => break ran,
            () = &mut drained, if why.is_none() => {
                why = Some(Done::Stopped);
                cancel.set();
            }
            _ = beat.tick(), if why.is_none() => {
                let until = shared.now() + LEASE;
                match shared.store.renew(claim, until, stage.now().as_deref()).await {
                    Ok(Renewed::Held { cancel_wanted: false }) => {}
                    Ok(Renewed::Held { cancel_wanted: true }) => {
                        why = Some(Done::End(JobState::Cancelled, said("Cancelled while it ran."), None));
                        cancel.set();
                    }
                    Ok(Renewed::Replaced) => {
                        why = Some(Done::Replaced);
                        cancel.set();
                    }
                    // The lease may hold for a while; the end of the job tells.
                    Err(problem) => tracing::warn!(job = %claim.job, "the lease is not renewed: {problem}"),
                }
            }
        }
    };
    match (why, ran) {
        // Made before it could be stopped: what is done is done.
        (None | Some(Done::Stopped), Ok(Ran::Done(done))) => Ok(done),
        (Some(why), _) => Ok(why),
        (None, Ok(Ran::Cancelled)) => Ok(Done::Stopped),
        (None, Ok(Ran::NoProcess(why))) => Err(Trouble::Ours(why)),
        (None, Err(e)) if e.is_panic() => Ok(Done::Lost(INSIDE.to_string())),
        (None, Err(e)) => Err(Trouble::Ours(e.to_string())),
    }
}

struct CancelAtEnd(Arc<Cancel>);

impl Drop for CancelAtEnd {
    fn drop(&mut self) {
        self.0.set();
    }
}

/// The stage at work.
#[derive(Default)]
struct Stage(Mutex<Option<String>>);

impl Stage {
    fn now(&self) -> Option<String> {
        self.0
            .lock()
            .unwrap_or_else(PoisonError::into_inner)
            .clone()
    }
}

impl Progress for Stage {
    fn at(&self, stage: &str, _: usize, _: usize) {
        let mut now = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        if now.as_deref() != Some(stage) {
            *now = Some(stage.to_string());
        }
    }
}

enum Ran {
    Done(Done),
    Cancelled,
    /// The machine has no room for a process now.
    NoProcess(String),
}

/// Lets a process make the job. Blocks.
fn made(shared: &Shared, job: &Path, held: &Path, stage: &Stage, cancel: &Cancel) -> Ran {
    let failed = |why: String| Ran::Done(Done::End(JobState::Failed, said(why), None));
    let registries = match super::intake::registries(&shared.config, &shared.launcher) {
        Ok(registries) => registries,
        Err(why) => return failed(why.to_string()),
    };
    match uses_native_plugins(job, &registries) {
        Ok(false) => {
            let threads = shared.config.job_threads.max(1) as usize;
            let limits = &shared.config.limits.job;
            let ended = make_in_process(
                &shared.launcher,
                registries.plugins.as_ref(),
                job,
                held,
                (threads, limits),
                stage,
                cancel,
            );
            match ended {
                ProcessEnd::Made(report, folder) => ready(&report, Some(folder)),
                ProcessEnd::Lost(why) => Ran::Done(Done::Lost(why)),
                ProcessEnd::NoProcess(why) => Ran::NoProcess(why),
                ProcessEnd::Failed(why) => failed(why),
                ProcessEnd::Cancelled => Ran::Cancelled,
            }
        }
        Ok(true) => {
            let out = held.join("out");
            let request = MakeRequest {
                job: job.to_path_buf(),
                out: Some(out.clone()),
                ..MakeRequest::default()
            };
            match make(&request, &registries, stage, cancel) {
                Ok(made) => ready(&made.report, made.replaced.then_some(out)),
                Err(Failure::Cancelled) => Ran::Cancelled,
                Err(Failure::NoProcess(why)) => Ran::NoProcess(why),
                Err(failure) => failed(failure.to_string()),
            }
        }
        Err(why) => failed(why),
    }
}

fn ready(report: &ReportDocument, folder: Option<PathBuf>) -> Ran {
    let state = match report.verdict {
        JobVerdict::Ready => JobState::Ready,
        JobVerdict::Withheld | JobVerdict::Refused => JobState::Withheld,
        JobVerdict::Failed => JobState::Failed,
    };
    Ran::Done(Done::End(state, summary(report), folder))
}

fn said(sentence: impl Into<String>) -> Summary {
    Summary {
        sentence: sentence.into(),
        ..Summary::default()
    }
}

/// A report in figures.
pub fn summary(report: &ReportDocument) -> Summary {
    let mut findings = [0; 3];
    for finding in &report.findings {
        let row = match finding.severity {
            Severity::Error => 0,
            Severity::Warning => 1,
            Severity::Note => 2,
        };
        findings[row] += 1;
    }
    let first = report
        .findings
        .iter()
        .find(|f| f.severity == Severity::Error)
        .or(report.findings.first());
    let sentence = match (report.verdict, first) {
        (JobVerdict::Ready, _) => "Programs are ready.".to_string(),
        (_, Some(finding)) => finding.message.clone(),
        (_, None) => "Programs did not pass.".to_string(),
    };
    let mut thickness: BTreeMap<&str, f64> = BTreeMap::new();
    for setup in &report.setups {
        thickness.entry(&setup.stock).or_insert(setup.thickness[1]);
    }
    let count = |n: usize| u32::try_from(n).unwrap_or(u32::MAX);
    Summary {
        sentence,
        machine: report.machine.as_ref().map(|m| m.id.clone()),
        parts: report.parts.iter().map(|p| p.count).sum(),
        boards: report.wood.iter().map(|w| w.boards).sum(),
        programs: count(report.programs.len()),
        machine_seconds: report.times.total,
        findings,
        stocks: report
            .wood
            .iter()
            .map(|w| StockUse {
                stock: w.stock.clone(),
                wood: Some(w.wood.clone()),
                thickness_mm: thickness.get(w.stock.as_str()).copied().unwrap_or(0.0),
                boards: w.boards,
                area_m2: w.area,
            })
            .collect(),
        price: report.costs.as_ref().map(|c| JobPrice {
            total: c.total,
            currency: c.currency.clone(),
            complete: c.missing.is_empty(),
        }),
    }
}

#[cfg(test)]
mod tests {
    use super::{HANDED, MOST_HELD, added, held};
    use std::fs::{File, create_dir};
    use std::io::Write;

    /// What a file takes of the disk counts, not how long it says it is.
    #[test]
    fn bytes_that_a_job_at_work_holds() {
        let place = std::env::temp_dir().join(format!("grainway-held-{}", uuid::Uuid::new_v4()));
        assert_eq!(held(&place), 0);
        create_dir(&place).unwrap();
        create_dir(place.join("out")).unwrap();
        for (name, bytes) in [("out/a.ngc", 100_000), ("b.json", 50_000)] {
            let mut file = File::create(place.join(name)).unwrap();
            file.write_all(&vec![b'G'; bytes]).unwrap();
        }
        let sparse = File::create(place.join("c")).unwrap();
        sparse.set_len(MOST_HELD * 2).unwrap();
        let bytes = held(&place);
        assert!((150_000..400_000).contains(&bytes), "{bytes}");
        // What was handed in is not the job's doing, however much it is.
        create_dir(place.join(HANDED)).unwrap();
        let mut file = File::create(place.join(HANDED).join("a.dxf")).unwrap();
        file.write_all(&vec![b'0'; 900_000]).unwrap();
        assert!(held(&place) > 900_000);
        assert_eq!(added(&place), bytes);
        std::fs::remove_dir_all(&place).unwrap();
    }
}
