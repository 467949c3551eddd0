//! `grainway.night/1`: jobs that are made together, from common boards.
//!
//! A night becomes one job: the parts, drawings, joints and own stocks of its jobs stand in it under names that begin with the job's id
//! ([`Night::pooled`]). The chain works on that job as on every other. What belongs to a single job and not to a part (its sets, what alone
//! of it is made) is kept in [`PooledJob`], and asked for by the name of a part.

use super::{Job, Length, Pointer, Stock, Unit};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use serde_json::Value;
use std::collections::BTreeMap;

/// The format word of this version of the night document.
pub const NIGHT_FORMAT: &str = "grainway.night/1";
/// Stands between a job's id and a name of that job; no id of a document holds it.
pub const OF_JOB: char = '/';

/// Jobs that are made together: their parts are pooled by stock and laid on common boards.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct Night {
    /// Where an editor finds the JSON Schema of this document (`grainway schema night` prints it); grainway itself ignores it.
    #[serde(rename = "$schema", default, skip_serializing_if = "super::ignored")]
    pub schema: Option<String>,
    /// Always "grainway.night/1".
    pub format: String,
    /// What people call it.
    pub name: String,
    /// The unit of plain numbers in this document; each job has its own.
    #[serde(default)]
    pub unit: Unit,
    /// The shop document of the whole night, a file name relative to the night's folder. The `shop` of its jobs is not read.
    pub shop: String,
    /// The machine of the shop to use; may be left out when the shop has only one. A job may name no other.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub machine: Option<String>,
    /// The boards of this night and their readings, added to the shop's stocks; the same id replaces. A job's own stock of the same id, wood,
    /// readings and cup is this one; any other is cut from the boards that the job itself gives.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub stocks: BTreeMap<String, Stock>,
    /// Settings of stages for all jobs, by stage name; they go over the shop's. A setting of a job must stand here too, since one layout and
    /// one chain serve all jobs: it may be another here, which then holds.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub settings: BTreeMap<String, Value>,
    /// The jobs, each under an id of its own; the order changes no layout.
    #[schemars(length(min = 1))]
    pub jobs: Vec<NightJob>,
}

/// A job of a night.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct NightJob {
    /// Id, unique in the night: letters, digits, `-`, `_`, `.`, at most 80. Its parts are called `id/part`, copies `id/part#2`.
    pub id: String,
    /// The job document, a file name relative to the night's folder and inside it.
    pub file: String,
    /// SHA-256 of the file's bytes, 64 hexadecimal digits: the night is refused when the file is another one now.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub sha256: Option<String>,
    /// How many times it is made, 1 to 10000; the job's own `sets` are multiplied by it. 1 when not given.
    #[serde(default = "one", skip_serializing_if = "is_one")]
    pub sets: u32,
}

fn one() -> u32 {
    1
}
fn is_one(n: &u32) -> bool {
    *n == 1
}

/// What a night holds beside the one job that it becomes.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub struct PooledNight {
    /// Its jobs, in its order.
    pub jobs: Vec<PooledJob>,
    /// Where places of the one job stand in its jobs.
    pub origins: Vec<Origin>,
    /// The night that was made before, whose boards are kept where no piece on them changed.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub former: Option<FormerNight>,
}

impl PooledNight {
    /// A place of the one job as a place of a job of the night, with that job's number.
    pub fn origin(&self, pointer: &Pointer) -> Option<(usize, Pointer)> {
        let place = Some(pointer.place()).filter(|_| pointer.document() == "job")?;
        let ends = place.match_indices('/').map(|(i, _)| i).nth(2);
        let (first, rest) = place.split_at(ends.unwrap_or(place.len()));
        let (_, job, own) = self.origins.iter().find(|o| o.0 == first)?;
        // Parts of a drawing are given by what the job itself calls them.
        let named = format!("/parts/{}~1", self.jobs.get(*job)?.id);
        let rest = rest.replacen(&named, "/parts/", 1);
        Some((*job, Pointer::from(format!("{own}{rest}"))))
    }
}

/// What a former night left, as its report tells it.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub struct FormerNight {
    /// SHA-256 over its documents.
    pub documents: String,
    /// The sum of each variant, by its id: a piece of a variant with the same sum is cut as it was.
    pub variants: BTreeMap<String, String>,
    /// Its clampings, in running order.
    pub setups: Vec<FormerSetup>,
}

/// A clamping of a former night.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub struct FormerSetup {
    /// Its id.
    pub id: String,
    /// Its stock; empty for locating lines.
    pub stock: String,
    /// The board's id in the documents.
    pub board: Option<String>,
    /// Along and across the grain, mm.
    pub size: [f64; 2],
    /// Thinnest, mean and thickest reading, mm.
    pub thickness: [f64; 3],
    /// Blanks that it served.
    pub repeats: u32,
    /// What lay there.
    pub placed: Vec<FormerPlaced>,
    /// Its programs, in running order.
    pub programs: Vec<FormerProgram>,
}

/// A program of a former night.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub struct FormerProgram {
    /// Its number in running order.
    pub number: u32,
    /// Its file, without the folder.
    pub name: String,
    /// SHA-256 (hex) of its text.
    pub sha256: String,
}

/// A piece of a former night.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub struct FormerPlaced {
    /// The piece.
    pub piece: String,
    /// How it was cut.
    pub variant: String,
    /// Where its own zero lay, mm.
    pub at: [f64; 2],
    /// Turned counter-clockwise, degrees.
    pub angle: f64,
}

impl FormerNight {
    /// The number of a program of a setup, the `k`th from 0.
    pub fn number(&self, setup: &str, k: usize) -> Option<u32> {
        let setup = self.setups.iter().find(|s| s.id == setup)?;
        setup.programs.get(k).map(|p| p.number)
    }
    /// The greatest number that setups with this word before it have.
    pub fn greatest(&self, word: &str) -> usize {
        let ids = self.setups.iter().filter_map(|s| s.id.strip_prefix(word));
        let numbers = ids.filter_map(|n| n.strip_prefix('-')?.parse().ok());
        numbers.max().unwrap_or(0)
    }
    /// Digits of the greatest number of its programs.
    pub fn digits(&self) -> usize {
        let programs = self.setups.iter().flat_map(|s| &s.programs);
        let greatest = programs.map(|p| p.number).max();
        greatest.map_or(0, |n| n.to_string().len())
    }
}

/// What belongs to one job of a night as a whole.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub struct PooledJob {
    /// Its id in the night.
    pub id: String,
    /// What people call it.
    pub name: String,
    /// Its file, as the night names it.
    pub file: String,
    /// SHA-256 (hex) of the file's bytes.
    pub sha256: String,
    /// How many times it is made.
    pub sets: u32,
    /// The parts that alone are made of it, with their counts a set; all when empty.
    pub only: BTreeMap<String, u32>,
}

impl PooledJob {
    /// The name of something of this job.
    fn of(&self, name: &str) -> String {
        format!("{}{OF_JOB}{name}", self.id)
    }
    /// What the job itself calls something of the night; `None` where that is of another job.
    pub fn own<'n>(&self, name: &'n str) -> Option<&'n str> {
        name.strip_prefix(self.id.as_str())?.strip_prefix(OF_JOB)
    }
}

/// Where a place of the one job that a night becomes stands in a job of the night: the first steps of the pointer there, the job's number,
/// and the first steps in its own document.
pub type Origin = (String, usize, String);

impl Night {
    /// The one job of all jobs, which are given with what belongs to each as a whole, and where everything in it comes from. `shop` has the
    /// shop's stocks.
    pub fn pooled(
        &self,
        shop: &BTreeMap<String, Stock>,
        jobs: Vec<(PooledJob, Job)>,
    ) -> (Job, Vec<PooledJob>, Vec<Origin>) {
        let mut pooled = Pooled {
            shop,
            night: self,
            all: self.empty(),
            origins: Vec::new(),
        };
        let jobs = jobs.into_iter().enumerate();
        let jobs = jobs.map(|(i, (about, job))| pooled.take(i, about, job));
        let jobs = jobs.collect();
        (pooled.all, jobs, pooled.origins)
    }

    fn empty(&self) -> Job {
        Job {
            schema: None,
            format: super::JOB_FORMAT.to_string(),
            name: self.name.clone(),
            unit: self.unit,
            shop: self.shop.clone(),
            machine: self.machine.clone(),
            lengths: BTreeMap::new(),
            stocks: self.stocks.clone(),
            sets: 1,
            drawings: Vec::new(),
            parts: Vec::new(),
            joints: Vec::new(),
            only: BTreeMap::new(),
            settings: self.settings.clone(),
            chain: None,
        }
    }

    /// The stock of this id that all jobs share.
    pub fn stock<'n>(&'n self, shop: &'n BTreeMap<String, Stock>, id: &str) -> Option<&'n Stock> {
        self.stocks.get(id).or_else(|| shop.get(id))
    }
}

struct Pooled<'n> {
    shop: &'n BTreeMap<String, Stock>,
    night: &'n Night,
    all: Job,
    origins: Vec<Origin>,
}

impl Pooled<'_> {
    /// Adds a job under its id; gives back what belongs to it as a whole, in the names of the night.
    fn take(&mut self, number: usize, about: PooledJob, job: Job) -> PooledJob {
        let own: Vec<String> = job
            .stocks
            .iter()
            .filter(|(id, stock)| !self.is_shared(id, stock))
            .map(|(id, _)| id.clone())
            .collect();
        let stock = |id: &mut String| {
            if own.contains(id) {
                *id = about.of(id);
            }
        };
        let named = |id: &mut String| *id = about.of(id);
        let mut from = |list: &str, at: String, own: String| {
            let place = |key: &str| format!("/{list}/{}", crate::pointer::escaped(key));
            self.origins.push((place(&at), number, place(&own)));
        };
        for (id, own_stock) in &job.stocks {
            if own.contains(id) {
                from("stocks", about.of(id), id.clone());
                self.all.stocks.insert(about.of(id), own_stock.clone());
            }
        }
        for (name, length) in &job.lengths {
            self.all.lengths.insert(about.of(name), *length);
        }
        for (i, mut drawing) in job.drawings.into_iter().enumerate() {
            from(
                "drawings",
                self.all.drawings.len().to_string(),
                i.to_string(),
            );
            named(&mut drawing.id);
            stock(&mut drawing.stock);
            drawing.file = beside(&about.file, &drawing.file);
            let parts = std::mem::take(&mut drawing.parts).into_iter();
            drawing.parts = parts
                .map(|(key, mut part)| {
                    part.id.iter_mut().for_each(named);
                    (about.of(&key), part)
                })
                .collect();
            self.all.drawings.push(drawing);
        }
        for (i, mut part) in job.parts.into_iter().enumerate() {
            from("parts", self.all.parts.len().to_string(), i.to_string());
            named(&mut part.id);
            stock(&mut part.stock);
            self.all.parts.push(part);
        }
        for (i, mut joint) in job.joints.into_iter().enumerate() {
            from("joints", self.all.joints.len().to_string(), i.to_string());
            named(&mut joint.id);
            joint.joint.parts_mut().into_iter().for_each(named);
            if let super::Joint::LooseTenon(loose) = &mut joint.joint {
                stock(&mut loose.tenon.stock);
            }
            self.all.joints.push(joint);
        }
        for id in job.only.keys() {
            from("only", about.of(id), id.clone());
        }
        PooledJob {
            sets: about.sets.saturating_mul(job.sets),
            only: job.only.iter().map(|(id, n)| (about.of(id), *n)).collect(),
            ..about
        }
    }

    /// A job's own stock is that of the night: the same wood of the same thickness.
    fn is_shared(&self, id: &str, stock: &Stock) -> bool {
        let shared = self.night.stock(self.shop, id);
        shared.is_some_and(|s| {
            let same = |a: Length, b: Length| (a.mm() - b.mm()).abs() < f64::EPSILON;
            // A board that was measured by itself is the job's alone.
            let by_itself = stock.boards.iter().any(|b| !b.thickness.is_empty());
            s.wood == stock.wood
                && s.thickness == stock.thickness
                && same(s.cup, stock.cup)
                && !by_itself
        })
    }
}

/// The name of a file that a document in the file `document` names.
pub fn beside(document: &str, file: &str) -> String {
    match document.rsplit_once('/') {
        Some((folder, _)) => format!("{folder}/{file}"),
        None => file.to_string(),
    }
}
