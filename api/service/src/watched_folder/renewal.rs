//! Jobs that were replaced after they had been put away: what the newer job made takes the place of the old results, so that nobody
//! finds stale programs under a text that calls them ready.

use super::claim::DONE;
use super::outcome::{self, ENDINGS, away};
use super::plain::{self, said};
use super::{Watcher, apart};
use crate::Shared;
use crate::model::{EventKind, Job, JobId};
use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

/// Events read at a time.
const EVENTS: u32 = 1_000;
/// A text about jobs is never longer, bytes.
const MOST_BYTES: u64 = 1 << 20;

/// What stands in `done`, and how far events were read.
pub(super) struct PutAway {
    /// Jobs by the name under which their results stand.
    jobs: BTreeMap<String, Vec<JobId>>,
    seen: i64,
}

impl Watcher {
    /// Results under this name were put away, or are gone.
    pub(super) fn remember(&mut self, name: &str, jobs: &[JobId]) {
        if let Some(put_away) = &mut self.put_away {
            put_away.jobs.insert(name.to_string(), jobs.to_vec());
        }
    }

    /// Puts newer results in the place of those whose jobs were replaced since the last look; at the first look, ever.
    pub(super) async fn renew(&mut self, shared: &Shared) -> Result<(), String> {
        let mut put_away = match self.put_away.take() {
            Some(known) => known,
            None => self.first_look(shared).await?,
        };
        let done = self.renew_since(shared, &mut put_away).await;
        // After a failure everything is looked at again.
        if done.is_ok() {
            self.put_away = Some(put_away);
        }
        done
    }

    /// Everything in `done`, renewed where it has to be. Events that come meanwhile are read afterwards.
    async fn first_look(&self, shared: &Shared) -> Result<PutAway, String> {
        let seen = shared.store.last_event().await.map_err(|e| e.to_string())?;
        let folder = self.folder().join(DONE);
        let mut put_away = PutAway {
            jobs: apart(move || told_in(&folder)).await?,
            seen,
        };
        let names: Vec<String> = put_away.jobs.keys().cloned().collect();
        for name in names {
            self.renew_one(shared, &mut put_away, &name).await?;
        }
        Ok(put_away)
    }

    async fn renew_since(&self, shared: &Shared, put_away: &mut PutAway) -> Result<(), String> {
        let events = shared.store.events(put_away.seen, None, EVENTS);
        let events = events.await.map_err(|e| e.to_string())?;
        let stale: BTreeSet<JobId> = events
            .iter()
            .filter(|e| e.what == EventKind::Stale)
            .map(|e| e.job)
            .collect();
        let touched = |jobs: &[JobId]| jobs.iter().any(|id| stale.contains(id));
        let jobs = put_away.jobs.iter().filter(|(_, jobs)| touched(jobs));
        let names: Vec<String> = jobs.map(|(name, _)| name.clone()).collect();
        for name in names {
            self.renew_one(shared, put_away, &name).await?;
        }
        put_away.seen = events.last().map_or(put_away.seen, |e| e.seq);
        Ok(())
    }

    async fn renew_one(
        &self,
        shared: &Shared,
        put_away: &mut PutAway,
        name: &str,
    ) -> Result<(), String> {
        let Some(old) = put_away.jobs.get(name) else {
            return Ok(());
        };
        let mut jobs = Vec::with_capacity(old.len());
        for id in old {
            jobs.extend(newest(shared, *id).await?);
        }
        let ids: Vec<JobId> = jobs.iter().map(|j| j.id).collect();
        if ids == *old || ids.len() != old.len() {
            return Ok(());
        }
        self.put_in_place(shared, name, &jobs).await?;
        put_away.jobs.insert(name.to_string(), ids);
        Ok(())
    }

    /// Swaps what the jobs made for what stands under the name. Whoever took the text away has taken the results over.
    async fn put_in_place(&self, shared: &Shared, name: &str, jobs: &[Job]) -> Result<(), String> {
        let done = self.folder().join(DONE);
        let told = format!("{name}.txt");
        if plain::stamp(&done.join(&told)).is_none() {
            return Ok(());
        }
        let id = jobs.first().map(|j| j.id.to_string()).unwrap_or_default();
        let fresh = done.join(format!(".{id}"));
        let any = self.results(shared, jobs, &fresh).await?;
        let mut names = ENDINGS.iter().map(|e| format!("{name}.{e}"));
        let file = names.find(|n| plain::stamp(&done.join(n)).is_some());
        let text = outcome::text(file.as_deref().unwrap_or(name), jobs);
        let name = name.to_string();
        apart(move || {
            plain::settle(&fresh);
            let (place, old) = (done.join(&name), done.join(format!(".{id}.old")));
            plain::remove(&old)?;
            away(&place, &old)?;
            match any {
                true => std::fs::rename(&fresh, &place).map_err(said(&fresh))?,
                false => plain::remove(&fresh)?,
            }
            plain::write(&done, &told, &text)?;
            plain::remove(&old)
        })
        .await
    }
}

/// The job that took the place of this one, or of that one, and so on; the job itself when none did, nothing when it is forgotten.
async fn newest(shared: &Shared, id: JobId) -> Result<Option<Job>, String> {
    let job = |id| async move { shared.store.job(id).await.map_err(|e| e.to_string()) };
    let Some(mut newest) = job(id).await? else {
        return Ok(None);
    };
    while let Some(next) = newest.replaced_by {
        match job(next).await? {
            Some(newer) => newest = newer,
            None => break,
        }
    }
    Ok(Some(newest))
}

/// The jobs of every text in `done`, by name.
fn told_in(folder: &Path) -> Result<BTreeMap<String, Vec<JobId>>, String> {
    let entries = match std::fs::read_dir(folder) {
        Err(e) if e.kind() == std::io::ErrorKind::NotFound => return Ok(BTreeMap::new()),
        entries => entries.map_err(said(folder))?,
    };
    let mut found = BTreeMap::new();
    for entry in entries {
        let file = entry.map_err(said(folder))?.file_name();
        let file = file.to_string_lossy();
        let name = file.strip_suffix(".txt").filter(|n| !n.starts_with('.'));
        let Some(name) = name else {
            continue;
        };
        // A text that somebody else put there tells of no jobs.
        let Ok((bytes, _)) = plain::read(&folder.join(&*file), MOST_BYTES) else {
            continue;
        };
        let jobs = outcome::jobs_of(&String::from_utf8_lossy(&bytes));
        if !jobs.is_empty() {
            found.insert(name.to_string(), jobs);
        }
    }
    Ok(found)
}
