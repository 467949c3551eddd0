//! From a night's path to the one job that it becomes: the night, its shop and its jobs are read, and what is wrong with any of them is
//! told in its own file.

use super::{
    Loaded, Placed, Places, across, document, documents_hash, shop_of, unread, unused_lengths,
};
use crate::folder::JobFolder;
use grainway_pipeline::doc::{
    Job, MAX_DOCUMENT_BYTES, Night, NightJob, Pointer, PooledJob, PooledNight, Reading, ShopStocks,
    Stock, read_job_as_far_as_possible, read_night_as_far_as_possible,
    read_shop_as_far_as_possible,
};
use grainway_pipeline::finding::{Finding, code};
use grainway_pipeline::stage::Dialects;
use grainway_pipeline::work::{Documents, sha256_hex};
use std::collections::BTreeMap;

/// Reads the night `file` of the folder, its shop, its jobs, and the bytes of every file they name.
pub(super) fn load(folder: &JobFolder, file: &str, dialects: &Dialects) -> Loaded {
    let (mut findings, mut missing) = (Vec::new(), Vec::new());
    let read = read_night_as_far_as_possible;
    let Some((night, reading)) = document(folder, file, &mut findings, &mut missing, read) else {
        return Loaded::unread(file, findings);
    };
    let (mut of_shop, mut missing_of_shop) = (Vec::new(), Vec::new());
    let shop = shop_of(folder, file).and_then(|shop| {
        let read = read_shop_as_far_as_possible;
        document(folder, &shop, &mut of_shop, &mut missing_of_shop, read)
    });
    findings.extend(of_shop);
    missing.extend(missing_of_shop);
    let none = BTreeMap::new();
    let stocks = shop.as_ref().map_or(&none, |(shop, _)| &shop.stocks);
    let mut notes = Vec::new();
    let mut jobs = Jobs {
        folder,
        file,
        night: &night,
        stocks: stocks.iter().chain(&night.stocks),
        complete: shop.is_some() && findings.is_empty(),
        findings: &mut findings,
        missing: &mut missing,
        notes: &mut notes,
    }
    .read();
    for (about, job, _) in &jobs {
        differences(&night, file, about, job, &mut findings, &mut notes);
    }
    let readings: Vec<Placed> = jobs
        .iter_mut()
        .map(|(about, _, reading)| Placed {
            file: about.file.clone(),
            reading: std::mem::replace(reading, Reading::nothing()),
        })
        .collect();
    let complete = readings.len() == night.jobs.len();
    let pooled = jobs.into_iter().map(|(about, job, _)| (about, job));
    let (job, jobs, origins) = night.pooled(stocks, pooled.collect());
    let mut places = Places {
        job_file: file.to_string(),
        shop_file: night.shop.clone(),
        job: Some(reading),
        shop: None,
        missing,
        jobs: readings,
        night: None,
    };
    let mut between = Vec::new();
    let documents = shop.map(|(shop, reading)| {
        places.shop = Some(reading);
        across(&job, &shop, dialects, &mut between);
        let night = Some(PooledNight {
            jobs,
            origins,
            former: None,
        });
        places.night.clone_from(&night);
        let hash = documents_hash(folder, &job, &shop, night.as_ref());
        Documents {
            job,
            shop,
            hash,
            night,
        }
    });
    let loaded = Loaded {
        documents,
        sound: complete && findings.is_empty() && between.is_empty(),
        findings,
        name: night.name.clone(),
        places,
    };
    loaded.with(between, notes)
}

/// Reads the jobs of a night.
struct Jobs<'l, S> {
    folder: &'l JobFolder,
    /// The night's own file.
    file: &'l str,
    night: &'l Night,
    /// Those of the shop and of the night, on whose readings lengths may count.
    stocks: S,
    /// No stock is missing because something is wrong.
    complete: bool,
    findings: &'l mut Vec<Finding>,
    missing: &'l mut Vec<String>,
    notes: &'l mut Vec<Finding>,
}

impl<'l, S: Iterator<Item = (&'l String, &'l Stock)>> Jobs<'l, S> {
    fn read(mut self) -> Vec<(PooledJob, Job, Reading<()>)> {
        let stocks: BTreeMap<String, Stock> = (&mut self.stocks)
            .map(|(id, s)| (id.clone(), s.clone()))
            .collect();
        let night = self.night;
        let jobs = night.jobs.iter().enumerate();
        jobs.filter_map(|(i, job)| self.one(i, job, &stocks))
            .collect()
    }

    fn one(
        &mut self,
        number: usize,
        named: &NightJob,
        stocks: &BTreeMap<String, Stock>,
    ) -> Option<(PooledJob, Job, Reading<()>)> {
        let at = Pointer::whole(self.file).step("jobs").step(number);
        let bytes = match self
            .folder
            .read_within(&named.file, MAX_DOCUMENT_BYTES as u64)
        {
            Ok(bytes) => bytes,
            Err(problem) => {
                self.findings
                    .push(unread(&problem).pointer(at.step("file")));
                return None;
            }
        };
        let sha256 = sha256_hex(&bytes);
        let sums = named.sha256.as_ref().map(|s| s.to_ascii_lowercase());
        if sums.is_some_and(|s| s != sha256) {
            let message = format!(
                "The file {} of the job {} is not the one that the night was written for: its SHA-256 is {sha256}.",
                named.file, named.id
            );
            self.findings
                .push(Finding::new(&code::NIGHT_JOB_CHANGED, message).pointer(at.step("sha256")));
        }
        let stocks = ShopStocks {
            stocks,
            complete: self.complete,
        };
        let read = |b: &[u8]| read_job_as_far_as_possible(b, stocks);
        let (job, reading) = document(self.folder, &named.file, self.findings, self.missing, read)?;
        self.notes.extend(unused_lengths(&reading, &named.file));
        let about = PooledJob {
            id: named.id.clone(),
            name: job.name.clone(),
            file: named.file.clone(),
            sha256,
            sets: named.sets,
            only: BTreeMap::new(),
        };
        Some((about, job, reading))
    }
}

/// What a job says of the whole chain, where one chain serves the whole night.
fn differences(
    night: &Night,
    file: &str,
    about: &PooledJob,
    job: &Job,
    findings: &mut Vec<Finding>,
    notes: &mut Vec<Finding>,
) {
    let of_night = Pointer::whole(file);
    let at = Pointer::whole(&about.file);
    let id = &about.id;
    let mut differs = |message: String, remedy: String, at: Pointer| {
        let finding = Finding::new(&code::NIGHT_DIFFERS, message).pointer(at);
        findings.push(finding.remedy(remedy));
    };
    for (stage, settings) in &job.settings {
        for (key, value) in settings.as_object().into_iter().flatten() {
            let there = at.step("settings").step(stage).step(key);
            let place = of_night.step("settings").step(stage).step(key);
            let shared = night.settings.get(stage).and_then(|s| s.get(key));
            match shared {
                None => differs(
                    format!(
                        "The job {id} sets `{key}` of the stage {stage} to {value}; of the night it is not said."
                    ),
                    format!("Write what is to hold for all jobs at {place}."),
                    there,
                ),
                // A plain number is another length in another unit.
                Some(shared) if shared != value || value.is_number() && job.unit != night.unit => {
                    let message = format!(
                        "The job {id} sets `{key}` of the stage {stage} to {value}; in this night it is {shared}."
                    );
                    notes.push(Finding::new(&code::NIGHT_SETTING, message).pointer(there));
                }
                Some(_) => {}
            }
        }
    }
    if let Some(machine) = job
        .machine
        .as_ref()
        .filter(|m| Some(*m) != night.machine.as_ref())
    {
        differs(
            format!(
                "The job {id} is for the machine {machine}, and the night names {}.",
                night.machine.as_deref().unwrap_or("none")
            ),
            "Make it in a night of that machine, or take `machine` out of the job.".to_string(),
            at.step("machine"),
        );
    }
    if job.chain.is_some() {
        differs(
            format!("The job {id} has a chain of stages of its own."),
            "Make it alone, or take `chain` out of the job.".to_string(),
            at.step("chain"),
        );
    }
}
