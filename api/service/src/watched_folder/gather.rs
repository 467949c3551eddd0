//! What a file of the folder means, and what belongs to it.

use super::plain;
use crate::config::{Config, WatchedFolder};
use crate::http::problem::BAD_BODY;
use crate::http::unpack;
use crate::intake::Handed;
use crate::model::{Source, When};
use crate::parts_list::{
    Beside, ListJob, ListKind, OF_ALL_LISTS, RowProblem, UNREADABLE_DOCUMENT, options_beside, read,
    to_handed,
};
use bytes::Bytes;
use grainway_client::names::safe_name;
use grainway_pipeline::doc::JOB_FORMAT;
use serde_json::Value;
use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

/// A file and what belongs to it.
#[derive(Default)]
pub(super) struct Gathered {
    /// The jobs; nothing when there are problems.
    pub handed: Vec<Handed>,
    /// The list that they were made of.
    pub list: Vec<ListJob>,
    /// What is wrong with it.
    pub problems: Vec<RowProblem>,
    /// Files of the folder that it names, whether they are there or not.
    pub named: BTreeSet<String>,
    /// Named, not there, and not in the operator's folders.
    pub missing: BTreeSet<String>,
    /// It cannot be read to its end, as if it were still being copied.
    pub torn: bool,
    /// It is no job: options of a list, a shop, a drawing.
    pub beside: bool,
}

impl Gathered {
    fn wrong(mut self, code: &'static str, message: impl Into<String>, remedy: &str) -> Gathered {
        self.problems.push(RowProblem::new(code, message, remedy));
        self
    }
}

/// Files that belong to another, from a folder or from a zip.
enum Origin<'s> {
    Folder(&'s Path),
    Zip(&'s BTreeMap<String, Bytes>),
}

struct Gatherer<'g> {
    from: Origin<'g>,
    settings: &'g WatchedFolder,
    config: &'g Config,
    gathered: Gathered,
}

/// Reads what `name` with these bytes means in the folder.
pub(super) fn gather(
    folder: &Path,
    name: &str,
    bytes: &Bytes,
    settings: &WatchedFolder,
    config: &Config,
) -> Gathered {
    let gatherer = |from| Gatherer {
        from,
        settings,
        config,
        gathered: Gathered::default(),
    };
    match ending(name).as_str() {
        "zip" => match unpack(bytes.clone(), &config.limits) {
            Ok(files) => gatherer(Origin::Zip(&files)).zip(&files),
            Err(problem) => {
                let told = problem
                    .sentences()
                    .into_iter()
                    .map(|p| RowProblem::new("unreadable-zip", p, "Zip the job's files again."));
                Gathered {
                    torn: problem.kind().word == BAD_BODY.word,
                    problems: told.collect(),
                    ..Gathered::default()
                }
            }
        },
        "json" => gatherer(Origin::Folder(folder)).json(name, bytes),
        _ => gatherer(Origin::Folder(folder)).list(name, bytes),
    }
}

pub(super) fn ending(name: &str) -> String {
    name.rsplit_once('.')
        .map(|(_, ending)| ending.to_ascii_lowercase())
        .unwrap_or_default()
}

pub(super) fn stem(name: &str) -> &str {
    name.rsplit_once('.').map_or(name, |(stem, _)| stem)
}

impl Gatherer<'_> {
    fn when(&self) -> When {
        match self.settings.in_hours {
            true => When::Hours,
            false => When::Any,
        }
    }

    /// A file that belongs to this one.
    fn file(&mut self, name: &str) -> Option<Bytes> {
        match self.from {
            Origin::Zip(files) => files.get(name).cloned(),
            Origin::Folder(folder) => {
                if !safe_name(name) {
                    return None;
                }
                self.gathered.named.insert(name.to_string());
                plain::read(&folder.join(name), grainway_runner::MAX_FILE_BYTES)
                    .ok()
                    .map(|(bytes, _)| bytes)
            }
        }
    }

    /// A file that a job cannot do without, unless the operator's folders have it.
    fn needed(&mut self, name: &str, files: &mut BTreeMap<String, Bytes>) {
        if files.contains_key(name) {
            return;
        }
        let kept = self.config.shops.contains_key(name)
            || name
                .split_once('/')
                .is_some_and(|(folder, _)| self.config.drawings.contains_key(folder));
        match self.file(name) {
            Some(bytes) => {
                files.insert(name.to_string(), bytes);
            }
            None if kept => {}
            None => {
                self.gathered.missing.insert(name.to_string());
            }
        }
    }

    fn json(mut self, name: &str, bytes: &Bytes) -> Gathered {
        let text = bytes.strip_prefix(b"\xef\xbb\xbf").unwrap_or(bytes);
        let document = match serde_json::from_slice::<Value>(text) {
            Ok(document) => document,
            Err(e) => {
                self.gathered.torn = true;
                return self.gathered.wrong(
                    UNREADABLE_DOCUMENT,
                    format!("The document is not JSON: {e}."),
                    "Correct it, or copy it again if it is not whole.",
                );
            }
        };
        let format = document.get("format").and_then(Value::as_str).unwrap_or("");
        let of_a_list = ["csv", "xlsx"].iter().any(|ending| {
            let list = format!("{}.{ending}", stem(name));
            matches!(self.from, Origin::Folder(folder) if plain::stamp(&folder.join(list)).is_some())
        });
        if of_a_list
            || name == OF_ALL_LISTS
            || (format.starts_with("grainway.") && !format.starts_with("grainway.job/"))
        {
            self.gathered.beside = true;
            return self.gathered;
        }
        if !format.starts_with("grainway.job/") {
            return self.gathered.wrong(
                UNREADABLE_DOCUMENT,
                "The document does not say what it is.",
                &format!("A job document begins with \"format\": \"{JOB_FORMAT}\"."),
            );
        }
        let mut files = BTreeMap::new();
        if let Some(shop) = document.get("shop").and_then(Value::as_str) {
            self.needed(shop, &mut files);
        }
        let drawings = document.get("drawings").and_then(Value::as_array);
        for drawing in drawings.into_iter().flatten() {
            if let Some(file) = drawing.get("file").and_then(Value::as_str) {
                self.needed(file, &mut files);
            }
        }
        // The name that the job's document has among its files is ours: people's names have spaces.
        let document = match safe_name(name) {
            true => name.to_string(),
            false => "job.json".to_string(),
        };
        files.insert(document.clone(), bytes.clone());
        self.gathered.handed = vec![Handed {
            files,
            document: Some(document),
            when: self.when(),
            source: Some(Source::Folder),
            ..Handed::default()
        }];
        self.gathered
    }

    fn list(mut self, name: &str, bytes: &Bytes) -> Gathered {
        let Some(kind) = ListKind::of(name) else {
            self.gathered.beside = true;
            return self.gathered;
        };
        if kind == ListKind::Workbook && zip::ZipArchive::new(std::io::Cursor::new(bytes)).is_err()
        {
            self.gathered.torn = true;
        }
        let only_one = match self.config.shops.len() {
            1 => self.config.shops.keys().next().cloned(),
            _ => None,
        };
        let shop = self.settings.shop.clone().or(only_one);
        let options = match options_beside(name, shop.as_deref(), &mut |file| self.file(file)) {
            Ok(options) => options,
            Err(problems) => {
                self.gathered.torn |= problems.iter().any(|p| p.code == UNREADABLE_DOCUMENT);
                self.gathered.problems = problems;
                return self.gathered;
            }
        };
        let jobs = match read(bytes, kind, stem(name), &options) {
            Ok(jobs) => jobs,
            Err(problems) => {
                self.gathered.problems = problems;
                return self.gathered;
            }
        };
        let mut files = BTreeMap::new();
        if let Some(shop) = &options.shop {
            self.needed(shop, &mut files);
        }
        for drawing in jobs.iter().flat_map(|j| &j.drawings) {
            self.needed(drawing, &mut files);
        }
        let beside = Beside {
            files,
            when: self.when(),
            source: Some(Source::Folder),
            ..Beside::default()
        };
        let list_name = match safe_name(name) {
            true => name.to_string(),
            false => format!("list.{}", ending(name)),
        };
        self.gathered.handed = to_handed(&jobs, (&list_name, bytes), &beside);
        self.gathered.list = jobs;
        self.gathered
    }

    /// A zip has a job with all its files, or one list.
    fn zip(self, files: &BTreeMap<String, Bytes>) -> Gathered {
        let lists: Vec<&String> = files.keys().filter(|n| ListKind::of(n).is_some()).collect();
        let job = files.iter().any(|(name, bytes)| {
            name == "job.json"
                || (ending(name) == "json"
                    && serde_json::from_slice::<Value>(bytes)
                        .is_ok_and(|v| v.get("format").and_then(Value::as_str) == Some(JOB_FORMAT)))
        });
        match lists.as_slice() {
            [list] if !job => {
                let (name, bytes) = ((*list).clone(), files[*list].clone());
                self.list(&name, &bytes)
            }
            _ => {
                let when = self.when();
                let mut gathered = self.gathered;
                gathered.handed = vec![Handed {
                    files: files.clone(),
                    when,
                    source: Some(Source::Folder),
                    ..Handed::default()
                }];
                gathered
            }
        }
    }
}
