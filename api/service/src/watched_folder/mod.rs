//! Watched folders: what is put there becomes jobs, and what the jobs made is put beside it.
//!
//! ```text
//! FOLDER/cabinet.csv                  handed in by copying it there
//! FOLDER/taken/ID.cabinet.csv         being made
//! FOLDER/done/cabinet/                what was made; cabinet.txt says in words how it ended; cabinet.csv is what was handed in
//! FOLDER/refused/cabinet.csv          not taken; cabinet.csv.txt says why
//! ```
//!
//! Network drives tell nobody of new files, so the folder is looked at every second. A file is taken once nothing about it has changed for
//! a while and it can be read to its end: a JSON document parses, a zip has its directory, which stands at its end. What a job names
//! (its shop, its drawings) may lie in the same folder; it is copied into the job and stays where it is.
//!
//! # Exactly once
//!
//! A file is claimed by renaming it into `taken`, under a name that begins with a fresh UUID. A rename happens or does not, for all who
//! look, so no file is claimed twice, and from then on the name carries the key under which the job is handed in, across any crash.
//!
//! - Killed before the rename: the file is where it was.
//! - Killed between the rename and the answer of the queue: the next start finds the file in `taken` and hands it in again under the same
//!   key. If the queue has that key, it answers with the jobs of the first time, whatever shops and drawings are like by now. If not, the
//!   jobs are new.
//! - Killed while results are written: they are written to a folder whose name begins with a point and renamed; the last step takes
//!   the file out of `taken`. Every step before can be done again with the same end.
//!
//! Neither the time nor the contents of the file are part of the key: the same file put there again on purpose is a new job.
//!
//! A job that is replaced afterwards, because the wood was measured again, gives way in `done` to the one that replaced it.
//!
//! For each name there is one outcome, the newest: results of `cabinet.csv` go away when a later `cabinet.csv` is refused. A file whose
//! namesake is still being made waits for it.

mod claim;
mod gather;
mod look;
mod outcome;
mod plain;
mod renewal;

pub use claim::{Claim, Handing};
pub use look::Settled;

use super::Shared;
use super::config::WatchedFolder;
use super::model::JobId;
use look::Seen;
use std::collections::BTreeMap;
use std::fs::File;
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;

/// How often a folder is looked at.
const LOOK_EVERY: Duration = Duration::from_secs(1);

/// Watches all folders of the configuration until `shared.stop` is set.
pub async fn watch(shared: Arc<Shared>) {
    let mut tasks = tokio::task::JoinSet::new();
    // A folder on a drive that hangs holds up no other.
    for settings in shared.config.watched_folders.clone() {
        let shared = Arc::clone(&shared);
        tasks.spawn(async move {
            let mut stop = shared.stop.subscribe();
            let mut watcher = Watcher::new(settings);
            while !*stop.borrow_and_update() {
                watcher.round(&shared).await;
                tokio::select! {
                    changed = stop.changed() => if changed.is_err() { break },
                    () = tokio::time::sleep(LOOK_EVERY) => {}
                }
            }
        });
    }
    super::tasks::all(tasks).await;
}

/// One watched folder.
pub struct Watcher {
    settings: WatchedFolder,
    /// Held for as long as this process watches the folder.
    lock: Option<File>,
    /// Files that are not taken yet, as they were when last looked at.
    seen: BTreeMap<String, Seen>,
    /// Claims whose jobs are known.
    at_work: BTreeMap<String, Vec<JobId>>,
    /// What stands in `done`, once it was looked at.
    put_away: Option<renewal::PutAway>,
    /// What was last said in the log, so that it is said once.
    told: BTreeMap<String, String>,
}

impl Watcher {
    /// Watches this folder.
    pub fn new(settings: WatchedFolder) -> Watcher {
        Watcher {
            settings,
            lock: None,
            seen: BTreeMap::new(),
            at_work: BTreeMap::new(),
            put_away: None,
            told: BTreeMap::new(),
        }
    }

    fn folder(&self) -> PathBuf {
        self.settings.folder.clone()
    }

    /// Looks once: hands in what was claimed, puts away what ended, claims what has settled.
    pub async fn round(&mut self, shared: &Shared) {
        if let Err(why) = self.prepare().await {
            self.say("folder", why);
            return;
        }
        self.told.remove("folder");
        let claims = match self.claims().await {
            Ok(claims) => claims,
            Err(why) => return self.say("taken", why),
        };
        for claim in &claims {
            self.go_on(shared, claim).await;
        }
        self.at_work
            .retain(|name, _| claims.iter().any(|c| c.name == *name));
        match self.renew(shared).await {
            Ok(()) => drop(self.told.remove("done")),
            Err(why) => self.say("done", why),
        }
        let settled = match self.look(&shared.config).await {
            Ok(settled) => settled,
            Err(why) => return self.say("folder", why),
        };
        for file in settled {
            match self.claim(&file).await {
                Ok(Some(claim)) => self.go_on(shared, &claim).await,
                Ok(None) => {}
                Err(why) => self.say(&file.name, why),
            }
        }
    }

    /// Takes a claim as far as it goes now.
    async fn go_on(&mut self, shared: &Shared, claim: &Claim) {
        let jobs = match self.at_work.get(&claim.name) {
            Some(jobs) => jobs.clone(),
            None => match self.hand_in(shared, claim).await {
                Ok(Handing::Jobs(jobs)) => {
                    self.at_work.insert(claim.name.clone(), jobs.clone());
                    jobs
                }
                Ok(Handing::Refused(problems)) => {
                    if let Err(why) = self.refuse(claim, &problems).await {
                        self.say(&claim.name, why);
                    }
                    return;
                }
                // Another time.
                Err(why) => return self.say(&claim.name, why),
            },
        };
        match self.put_away(shared, claim, &jobs, usize::MAX).await {
            Ok(true) => {
                self.remember(gather::stem(&claim.file), &jobs);
                self.at_work.remove(&claim.name);
                self.told.remove(&claim.name);
            }
            Ok(false) => {}
            Err(why) => self.say(&claim.name, why),
        }
    }

    /// Into the log, once until something else is to be said.
    fn say(&mut self, about: &str, why: String) {
        if self.told.get(about) == Some(&why) {
            return;
        }
        let folder = self.settings.folder.display();
        tracing::warn!(%folder, about, "watched folder: {why}");
        self.told.insert(about.to_string(), why);
    }
}

/// Runs what waits for a disk where it holds up nothing else.
async fn apart<T: Send + 'static>(
    work: impl FnOnce() -> Result<T, String> + Send + 'static,
) -> Result<T, String> {
    match tokio::task::spawn_blocking(work).await {
        Ok(done) => done,
        Err(e) => Err(e.to_string()),
    }
}
