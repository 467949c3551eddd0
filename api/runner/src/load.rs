//! From a job's path to documents: every problem of both documents at once, and the hash that everything else is filed under.

mod night;

use crate::folder::JobFolder;
use crate::request::Failure;
use grainway_pipeline::chain::nearest;
use grainway_pipeline::doc::{
    FormerNight, Job, MAX_DOCUMENT_BYTES, NIGHT_FORMAT, Pointer, PooledNight, Reading, Shop,
    ShopStocks, read_job_as_far_as_possible, read_shop_as_far_as_possible, settings_count,
};
use grainway_pipeline::finding::{CodeInfo, Finding, code};
use grainway_pipeline::stage::{Dialects, FileProblem};
use grainway_pipeline::work::{Documents, sha256_hex};
use serde::Deserialize;
use serde::de::DeserializeOwned;
use serde_json::Value;
use sha2::{Digest, Sha256};

/// What was read.
pub struct Loaded {
    /// The documents, when there are any to work on. Unless `sound`, they lack what is wrong and are good for more findings only.
    pub documents: Option<Documents>,
    /// What is wrong with them.
    pub findings: Vec<Finding>,
    /// The job's name, as far as it is known.
    pub name: String,
    /// Nothing is wrong.
    pub sound: bool,
    places: Places,
}

/// How places in what was read are told in the documents as they were written.
struct Places {
    job_file: String,
    shop_file: String,
    job: Option<Reading<()>>,
    shop: Option<Reading<()>>,
    missing: Vec<String>,
    /// Of a night: its jobs.
    jobs: Vec<Placed>,
    night: Option<PooledNight>,
}

/// A job of a night as it was read.
struct Placed {
    file: String,
    reading: Reading<()>,
}

impl Places {
    /// A place of a job of the night, in the file of that job.
    fn in_job(&self, night: &PooledNight, pointer: &Pointer) -> Option<Pointer> {
        let (job, there) = night.origin(pointer)?;
        let job = self.jobs.get(job)?;
        Some(job.reading.original(&there, &job.file))
    }
}

impl Loaded {
    /// With what is wrong between documents, told in them as they were written, and with notes.
    fn with(mut self, mut between: Vec<Finding>, notes: Vec<Finding>) -> Loaded {
        self.retell(&mut between);
        self.findings.extend(between);
        self.findings.extend(notes);
        self
    }
    /// Keeps the boards of a former night where no piece on them changed.
    pub(crate) fn keep(&mut self, former: FormerNight) -> Result<(), Failure> {
        let Some(documents) = &mut self.documents else {
            return Ok(());
        };
        let Some(night) = &mut documents.night else {
            let why = "a job has no former night to keep boards of; give a night document";
            return Err(Failure::Usage(why.to_string()));
        };
        let told = serde_json::to_value(&former).unwrap_or_default();
        let both = format!("{} {}", documents.hash, canonical(&told));
        documents.hash = sha256_hex(both.as_bytes());
        night.former = Some(former);
        Ok(())
    }
    /// Nothing could be read but that something is wrong.
    fn unread(file: &str, findings: Vec<Finding>) -> Loaded {
        Loaded {
            documents: None,
            findings,
            name: file.to_string(),
            sound: false,
            places: Places::of(file),
        }
    }

    /// Findings of stages, told in the words of the documents: pointers name the file, and places that lie behind entries that
    /// were set aside are what the user sees. What only follows from something set aside is left out.
    pub fn retell(&self, findings: &mut Vec<Finding>) {
        for finding in findings.iter_mut() {
            let Some(pointer) = &finding.pointer else {
                continue;
            };
            let night = self.places.night.as_ref();
            let in_job = night.and_then(|night| self.places.in_job(night, pointer));
            if in_job.is_some() {
                finding.pointer = in_job;
                continue;
            }
            let (file, reading) = match pointer.document() {
                "job" => (&self.places.job_file, &self.places.job),
                "shop" => (&self.places.shop_file, &self.places.shop),
                _ => continue,
            };
            let there = reading
                .as_ref()
                .map_or_else(|| pointer.of(file), |r| r.original(pointer, file));
            finding.pointer = Some(there);
        }
        let missing = &self.places.missing;
        let cutter_gone = self.findings.iter().any(|f| {
            let id = f.pointer.as_ref().and_then(cutter_of);
            id.is_some_and(|id| missing.iter().any(|m| m == id))
        });
        findings.retain(|f| !cutter_gone || OF_CUTTERS.iter().all(|c| c.word != f.code));
        findings.retain(|f| {
            f.code != code::UNKNOWN_NAME.word
                || !missing
                    .iter()
                    .any(|m| f.message.contains(&format!("\"{m}\"")))
        });
        // A setting that counts on a named length which was set aside.
        findings.retain(|f| {
            let lacks = |m: &String| f.message.contains(&format!("no length \"{m}\""));
            !missing.iter().any(lacks)
        });
    }
}

/// What is told of features for which no cutter serves. Where a cutter of the shop was set aside, it only follows.
const OF_CUTTERS: [&CodeInfo; 5] = [
    &code::CUTTER_TOO_SHORT,
    &code::CUTTER_TOO_LARGE,
    &code::CUTTER_UNFIT,
    &code::UNREACHABLE,
    &code::NO_DRILL,
];

/// The cutter that a pointer into a shop names.
fn cutter_of(pointer: &Pointer) -> Option<&str> {
    let below = pointer.place().strip_prefix("/cutters/")?;
    below.split('/').next()
}

impl Places {
    /// Nothing was read of this file yet.
    fn of(job_file: &str) -> Places {
        Places {
            job_file: job_file.to_string(),
            shop_file: "shop".to_string(),
            job: None,
            shop: None,
            missing: Vec::new(),
            jobs: Vec::new(),
            night: None,
        }
    }
}

/// Reads the job or the night `job_file` of the folder, its shop, and the bytes of every file they name.
pub fn load(folder: &JobFolder, job_file: &str, dialects: &Dialects) -> Loaded {
    match format_of(folder, job_file) {
        Some(format) if format == NIGHT_FORMAT => night::load(folder, job_file, dialects),
        _ => load_job(folder, job_file, dialects),
    }
}

fn load_job(folder: &JobFolder, job_file: &str, dialects: &Dialects) -> Loaded {
    let (mut findings, mut between, mut notes) = (Vec::new(), Vec::new(), Vec::new());
    let mut name = job_file.to_string();
    let mut documents = None;
    let mut places = Places::of(job_file);
    // The job's lengths may count on the shop's stocks, so the shop is read first; it is told after the job.
    let (mut of_shop, mut missing_of_shop) = (Vec::new(), Vec::new());
    let shop = shop_of(folder, job_file).and_then(|file| {
        let read = read_shop_as_far_as_possible;
        document(folder, &file, &mut of_shop, &mut missing_of_shop, read)
    });
    let stocks = match &shop {
        Some((shop, _)) => ShopStocks {
            stocks: &shop.stocks,
            complete: of_shop.is_empty(),
        },
        None => ShopStocks::UNKNOWN,
    };
    let job = document(folder, job_file, &mut findings, &mut places.missing, |b| {
        read_job_as_far_as_possible(b, stocks)
    });
    if let Some((job, reading)) = job {
        notes.extend(unused_lengths(&reading, job_file));
        places.job = Some(reading);
        name = job.name.clone();
        places.shop_file = job.shop.clone();
        findings.extend(of_shop);
        places.missing.extend(missing_of_shop);
        if let Some((shop, reading)) = shop {
            places.shop = Some(reading);
            across(&job, &shop, dialects, &mut between);
            let hash = documents_hash(folder, &job, &shop, None);
            documents = Some(Documents {
                job,
                shop,
                hash,
                night: None,
            });
        }
    }
    let loaded = Loaded {
        documents,
        sound: findings.is_empty() && between.is_empty(),
        findings,
        name,
        places,
    };
    loaded.with(between, notes)
}

/// The named lengths of a job on which nothing counts.
fn unused_lengths(reading: &Reading<()>, file: &str) -> Vec<Finding> {
    let unused = |p: &Pointer| {
        let message = "Nothing counts on this length.";
        Finding::new(&code::UNUSED_LENGTH, message).pointer(p.of(file))
    };
    // A text that cannot be counted may be the one that names it.
    match reading.is_sound() {
        true => reading.unused.iter().map(unused).collect(),
        false => Vec::new(),
    }
}

/// The shop that a job or a night names, in whatever else it is wrong.
fn shop_of(folder: &JobFolder, job_file: &str) -> Option<String> {
    #[derive(Deserialize)]
    struct Named {
        shop: String,
    }
    peek(folder, job_file).map(|named: Named| named.shop)
}

/// The format word of a document.
fn format_of(folder: &JobFolder, file: &str) -> Option<String> {
    #[derive(Deserialize)]
    struct Named {
        format: String,
    }
    peek(folder, file).map(|named: Named| named.format)
}

/// A key or two of a document that may be wrong otherwise.
fn peek<T: DeserializeOwned>(folder: &JobFolder, file: &str) -> Option<T> {
    let bytes = folder.read_within(file, MAX_DOCUMENT_BYTES as u64).ok()?;
    let text = bytes.strip_prefix("\u{feff}".as_bytes()).unwrap_or(&bytes);
    serde_json::from_slice(text).ok()
}

fn document<T>(
    folder: &JobFolder,
    file: &str,
    findings: &mut Vec<Finding>,
    missing: &mut Vec<String>,
    read: impl FnOnce(&[u8]) -> Reading<T>,
) -> Option<(T, Reading<()>)> {
    match folder.read_within(file, MAX_DOCUMENT_BYTES as u64) {
        Ok(bytes) => {
            let (document, reading) = read(&bytes).split();
            findings.extend(reading.problems.iter().map(|p| p.finding(file)));
            missing.extend(reading.missing_names().map(str::to_string));
            document.map(|d| (d, reading))
        }
        Err(problem) => {
            findings.push(unread(&problem).pointer(Pointer::whole(file)));
            None
        }
    }
}

fn unread(problem: &FileProblem) -> Finding {
    let message = format!("{problem}.");
    match problem {
        FileProblem::Outside(_) => Finding::new(&code::CANNOT_READ, message)
            .remedy("Put the file into the job's folder and name it from there."),
        FileProblem::TooLarge { .. } => {
            Finding::new(&code::CANNOT_READ, message).remedy("Divide the job into smaller ones.")
        }
        _ => Finding::new(&code::CANNOT_READ, message),
    }
}

/// What only both documents together, and what is installed, can tell.
fn across(job: &Job, shop: &Shop, dialects: &Dialects, findings: &mut Vec<Finding>) {
    let offer = |name: &str, known: Vec<&str>| {
        nearest(name, known.iter().copied())
            .map(|n| format!("; did you mean \"{n}\"?"))
            .unwrap_or_else(|| match known.is_empty() {
                true => "; there are none".to_string(),
                false => format!("; there are {}", known.join(", ")),
            })
    };
    let machines: Vec<&str> = shop.machines.keys().map(String::as_str).collect();
    match &job.machine {
        Some(id) if !shop.machines.contains_key(id) => findings.push(
            Finding::new(
                &code::UNKNOWN_NAME,
                format!("The shop has no machine \"{id}\"{}", offer(id, machines)),
            )
            .pointer(Pointer::job().step("machine")),
        ),
        None if shop.machines.len() > 1 => findings.push(
            Finding::new(
                &code::UNKNOWN_NAME,
                format!(
                    "The shop has several machines ({}) and the job names none.",
                    machines.join(", ")
                ),
            )
            .pointer(Pointer::job().step("machine"))
            .remedy("Name the machine in the job's `machine`."),
        ),
        _ => {}
    }
    for (id, machine) in &shop.machines {
        if dialects.get(&machine.dialect).is_none() {
            findings.push(
                Finding::new(
                    &code::UNKNOWN_NAME,
                    format!(
                        "Machine {id} reads a dialect \"{}\" that is not installed{}",
                        machine.dialect,
                        offer(&machine.dialect, dialects.names().collect())
                    ),
                )
                .pointer(Pointer::shop().step("machines").step(id).step("dialect")),
            );
        }
    }
}

/// SHA-256 over both documents in canonical form, over what a night holds beside its job, and over every file they name. Key order and
/// white space do not matter.
fn documents_hash(
    folder: &JobFolder,
    job: &Job,
    shop: &Shop,
    night: Option<&PooledNight>,
) -> String {
    let mut hash = Sha256::new();
    let mut add = |label: &str, bytes: &[u8]| {
        hash.update(format!("{label} {}\n", bytes.len()));
        hash.update(bytes);
    };
    for (label, value) in [
        ("job", serde_json::to_value(job)),
        ("shop", serde_json::to_value(shop)),
    ] {
        let mut value = value.unwrap_or_default();
        // What counts on a name holds its own length by now. Settings are counted when their stage reads them.
        if let (Some(map), false) = (value.as_object_mut(), settings_count(job)) {
            map.remove("lengths");
        }
        let text = canonical(&value);
        add(label, text.as_bytes());
    }
    if let Some(night) = night {
        let value = serde_json::to_value(night).unwrap_or_default();
        add("night", canonical(&value).as_bytes());
    }
    for drawing in &job.drawings {
        match folder.read_within(&drawing.file, crate::folder::MAX_FILE_BYTES) {
            Ok(bytes) => add(&drawing.file, sha256_hex(&bytes).as_bytes()),
            Err(problem) => add(&drawing.file, problem.to_string().as_bytes()),
        }
    }
    hash.finalize().iter().map(|b| format!("{b:02x}")).collect()
}

/// JSON with sorted keys and no white space.
fn canonical(value: &Value) -> String {
    match value {
        Value::Object(map) => {
            let mut keys: Vec<&String> = map.keys().collect();
            keys.sort();
            let inside: Vec<String> = keys
                .into_iter()
                .map(|k| format!("{}:{}", Value::String(k.clone()), canonical(&map[k])))
                .collect();
            format!("{{{}}}", inside.join(","))
        }
        Value::Array(items) => {
            let inside: Vec<String> = items.iter().map(canonical).collect();
            format!("[{}]", inside.join(","))
        }
        other => other.to_string(),
    }
}
