//! The end of an attempt: its files are stored and the job ends, or the job goes back into the queue. The lease is renewed meanwhile.

use super::{AGAIN, LEASE, LONGEST_PAUSE, RENEW};
use crate::Shared;
use crate::files::{FilePlace, FilesProblem, together};
use crate::model::{Claim, JobEnd, JobFile, JobState, Millis, Side, Summary};
use crate::store::{Renewed, StoreProblem};
use futures_util::FutureExt;
use grainway_stages::report::REPORT_FILE;
use std::path::Path;
use std::time::Duration;
use tokio::time::{Instant, Interval, interval_at};
use uuid::Uuid;

/// Attempts to write the end of a job. The lease may have expired by then; another worker then repeats the job.
const TRIES: u32 = 8;
/// Shown as the job's stage while its files are stored.
const STORING: &str = "storing the files";

/// Ticks when a lease is to be renewed. The first tick comes after a full interval, because the lease is fresh.
pub(super) fn beat() -> Interval {
    interval_at(Instant::now() + RENEW, RENEW)
}

/// Does `work` for a claimed job and renews its lease meanwhile.
pub(super) async fn kept<T>(
    shared: &Shared,
    claim: &Claim,
    stage: Option<&str>,
    work: impl Future<Output = T>,
) -> T {
    let renewed = async {
        let mut beat = beat();
        loop {
            beat.tick().await;
            let until = shared.now() + LEASE;
            match shared.store.renew(claim, until, stage).await {
                Ok(Renewed::Held { .. }) => {}
                // The end of the job tells.
                Ok(Renewed::Replaced) => break,
                Err(problem) => {
                    tracing::warn!(job = %claim.job, "the lease is not renewed: {problem}");
                }
            }
        }
    };
    tokio::pin!(work);
    tokio::select! {
        done = &mut work => done,
        () = renewed => work.await,
    }
}

/// Ends a job; its lease is renewed meanwhile.
pub(super) async fn end(
    shared: &Shared,
    claim: &Claim,
    state: JobState,
    summary: Summary,
    made: Option<&Path>,
) {
    let ended = put_away(shared, claim, state, summary, made, false);
    kept(shared, claim, Some(STORING), ended).await;
}

/// Ends a job whose process was lost as often as it may be.
pub(super) async fn end_lost(shared: &Shared, claim: &Claim, summary: Summary) {
    let ended = put_away(shared, claim, JobState::Failed, summary, None, true);
    kept(shared, claim, Some(STORING), ended).await;
}

/// Puts the files away and ends the job. What cannot be written now is tried again for a while; then the job waits for its lease to
/// run out and is repeated.
async fn put_away(
    shared: &Shared,
    claim: &Claim,
    state: JobState,
    summary: Summary,
    made: Option<&Path>,
    lost: bool,
) {
    let attempt = Uuid::new_v4().to_string();
    let mut files: Option<Vec<JobFile>> = made.is_none().then(Vec::new);
    let mut doubted = false;
    let mut pause = Duration::from_millis(100);
    for _ in 0..TRIES {
        let all = match (&files, made) {
            (Some(all), _) => all.clone(),
            (None, Some(folder)) => match put_all(shared, claim, &attempt, folder).await {
                Ok(all) => files.insert(all).clone(),
                Err(problem) => {
                    tracing::warn!(job = %claim.job, "what was made cannot be put away yet: {problem}");
                    rest(&mut pause).await;
                    continue;
                }
            },
            (None, None) => Vec::new(),
        };
        let end = JobEnd {
            state,
            summary: summary.clone(),
            files: all,
            output: made.map(|_| attempt.clone()),
            lost,
        };
        match shared.store.complete(claim, &end, shared.now()).await {
            Ok(true) => return,
            // An end whose answer was lost is this one, if it is this attempt's.
            Ok(false) if doubted && ended_so(shared, claim, &end).await => return,
            Ok(false) => {
                tracing::warn!(job = %claim.job, "another process has the job; what was made here is dropped");
                drop_attempt(shared, claim, &attempt).await;
                return;
            }
            Err(problem) => {
                doubted |= matches!(problem, StoreProblem::Away(_));
                tracing::warn!(job = %claim.job, "the end of the job cannot be written yet: {problem}");
                rest(&mut pause).await;
            }
        }
    }
    tracing::error!(job = %claim.job, "the job could not be ended; it is repeated when its lease has run out");
    if !doubted {
        drop_attempt(shared, claim, &attempt).await;
        back(shared, claim, false, Some(shared.now() + 10 * AGAIN)).await;
    }
}

async fn ended_so(shared: &Shared, claim: &Claim, end: &JobEnd) -> bool {
    match shared.store.job(claim.job).await {
        Ok(Some(job)) => job.output == end.output && job.state == end.state,
        // Not known: the files stay for the sweep.
        _ => true,
    }
}

async fn drop_attempt(shared: &Shared, claim: &Claim, attempt: &str) {
    if let Err(e) = shared.files.remove_attempt(claim.job, attempt).await {
        tracing::warn!(job = %claim.job, "files of a dropped attempt stay for the sweep: {e}");
    }
}

async fn rest(pause: &mut Duration) {
    tokio::time::sleep(*pause).await;
    *pause = (*pause * 2).min(LONGEST_PAUSE);
}

async fn put_all(
    shared: &Shared,
    claim: &Claim,
    attempt: &str,
    folder: &Path,
) -> Result<Vec<JobFile>, FilesProblem> {
    let mut names = Vec::new();
    grainway_runner::list(folder, "", &mut names)
        .map_err(|e| FilesProblem::Disk(format!("{}: {e}", folder.display())))?;
    let put = |name: String| {
        async move {
            let place = FilePlace {
                job: claim.job,
                side: Side::Out,
                attempt: Some(attempt),
                name: &name,
            };
            shared.files.put_file(&place, &folder.join(&name)).await
        }
        .boxed()
    };
    // The report last: whoever sees it in the file store sees all others.
    let (last, first): (Vec<_>, Vec<_>) = names.into_iter().partition(|n| n == REPORT_FILE);
    let mut files = together(first.into_iter().map(put).collect()).await?;
    files.extend(together(last.into_iter().map(put).collect()).await?);
    files.sort_by(|a, b| a.name.cmp(&b.name));
    Ok(files)
}

pub(super) async fn back(shared: &Shared, claim: &Claim, spent: bool, not_before: Option<Millis>) {
    let mut pause = Duration::from_millis(100);
    for _ in 0..TRIES {
        match shared
            .store
            .give_back(claim, spent, not_before, shared.now())
            .await
        {
            Ok(_) => return,
            Err(problem) => {
                tracing::warn!(job = %claim.job, "the job cannot be given back yet: {problem}");
                rest(&mut pause).await;
            }
        }
    }
}
