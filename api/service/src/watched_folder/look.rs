//! Which files of a watched folder no longer change and can be read to their end.

use super::gather::{ending, gather, stem};
use super::plain::{self, Stamp, said};
use super::{Watcher, apart};
use crate::config::Config;
use std::collections::BTreeSet;
use std::time::{Duration, Instant};

/// A file that cannot be read to its end, or lacks what it names, is waited for so many times longer before that is told.
const PATIENCE: u32 = 10;
/// Files larger than this are refused.
pub(super) const MOST_BYTES: u64 = grainway_runner::MAX_FILE_BYTES;
/// Names longer than this, in bytes, do not fit beside a UUID on every drive.
const LONGEST_NAME: usize = 180;

/// A file of the folder.
#[derive(Clone, Copy, Debug)]
pub(super) struct Seen {
    pub stamp: Stamp,
    pub since: Instant,
}

/// A file that may be taken.
#[derive(Clone, Debug)]
pub struct Settled {
    /// Its name.
    pub name: String,
    pub(super) stamp: Stamp,
}

impl Watcher {
    /// Files that nobody has changed for long enough, and that are whole as far as can be told. Names in order.
    pub async fn look(&mut self, config: &Config) -> Result<Vec<Settled>, String> {
        self.look_at(config, Instant::now()).await
    }

    /// The same, as if it were another time.
    pub async fn look_at(&mut self, config: &Config, now: Instant) -> Result<Vec<Settled>, String> {
        let folder = self.folder();
        let (found, left) = apart(move || entries(&folder)).await?;
        match left.is_empty() {
            true => drop(self.told.remove("names")),
            false => self.say("names", format!("not taken: {}", left.join(", "))),
        }
        let names: BTreeSet<&String> = found.iter().map(|(name, _)| name).collect();
        self.seen.retain(|name, _| names.contains(name));
        for (name, stamp) in &found {
            let seen = self.seen.entry(name.clone()).or_insert(Seen {
                stamp: *stamp,
                since: now,
            });
            if seen.stamp != *stamp {
                *seen = Seen {
                    stamp: *stamp,
                    since: now,
                };
            }
        }
        let settle = Duration::from_secs(self.settings.settle_seconds.into());
        let mut settled = Vec::new();
        // What has a namesake that is still being made waits for it.
        let claims = self.claims().await?;
        let mut busy: BTreeSet<String> = claims.iter().map(|c| stem(&c.file).to_string()).collect();
        for (name, stamp) in found {
            let quiet = self.quiet(&name, now);
            if !is_taken(&name) || quiet.is_none_or(|q| q < settle) || busy.contains(stem(&name)) {
                continue;
            }
            let impatient = quiet.is_some_and(|q| q >= settle * PATIENCE);
            let (folder, settings, config) = (self.folder(), self.settings.clone(), config.clone());
            let file = name.clone();
            let gathered = apart(move || {
                let path = folder.join(&file);
                match plain::read(&path, MOST_BYTES) {
                    Ok((bytes, _)) => Ok(Some(gather(&folder, &file, &bytes, &settings, &config))),
                    Err(_) => Ok(None),
                }
            })
            .await?;
            let ready = match gathered {
                // What cannot be read is told by the claim.
                None => impatient,
                Some(g) if g.beside => false,
                Some(g) => {
                    // What belongs to it may still be on its way.
                    let at_rest = g
                        .named
                        .iter()
                        .filter_map(|n| self.quiet(n, now))
                        .all(|q| q >= settle);
                    at_rest && (impatient || (!g.torn && g.missing.is_empty()))
                }
            };
            if ready {
                busy.insert(stem(&name).to_string());
                settled.push(Settled { name, stamp });
            }
        }
        Ok(settled)
    }

    /// How long nothing about a file of the folder has changed.
    fn quiet(&self, name: &str, now: Instant) -> Option<Duration> {
        let seen = self.seen.get(name)?;
        Some(now.saturating_duration_since(seen.since))
    }
}

/// Only these are looked into.
fn is_taken(name: &str) -> bool {
    matches!(ending(name).as_str(), "json" | "zip" | "csv" | "xlsx")
}

/// Plain files of the folder, without those that programs keep for themselves while they write; and what is left alone, with why.
type Entries = (Vec<(String, Stamp)>, Vec<String>);

fn entries(folder: &std::path::Path) -> Result<Entries, String> {
    let (mut found, mut left) = (Vec::new(), Vec::new());
    for entry in std::fs::read_dir(folder).map_err(said(folder))? {
        let entry = entry.map_err(said(folder))?;
        let name = entry.file_name().to_string_lossy().into_owned();
        let passing = name.starts_with(['.', '~'])
            || name.ends_with('~')
            || matches!(ending(&name).as_str(), "tmp" | "part");
        if passing || entry.file_type().is_ok_and(|t| t.is_dir()) {
            continue;
        }
        let odd = name.len() > LONGEST_NAME
            || name.chars().any(char::is_control)
            || entry.file_name().to_str().is_none();
        match plain::stamp(&entry.path()) {
            Some(_) if odd => {
                left.push(format!("{name:?} (its name is too long or not plain text)"))
            }
            Some(stamp) => found.push((name, stamp)),
            None => left.push(format!("{name:?} (a link or no plain file)")),
        }
    }
    found.sort_by(|a, b| a.0.cmp(&b.0));
    left.sort();
    Ok((found, left))
}
