//! What is handed in becomes jobs: files checked, missing ones taken from the operator's folders, documents read, all problems told
//! at once, files stored first and then the rows.
//!
//! A job's files are a copy of what there was when it came in: a shop document or a drawing of the operator's that changes later
//! changes no job that waits.

use super::Shared;
use super::config::ServiceLimits;
use super::model::{Job, JobFile, JobId, Millis, NewJob, PRIORITIES, Side, Source, When};
use super::store::{Idempotency, StoreProblem, Submitted};
use bytes::Bytes;
use futures_util::FutureExt;
use grainway_client::names::{clashes, safe_name};
use grainway_pipeline::doc::{JOB_FORMAT, MAX_DOCUMENT_BYTES, Pointer};
use grainway_pipeline::finding::{Finding, Severity, code};
use grainway_pipeline::stage::FileProblem;
use grainway_runner::{JobFolder, Launcher, MAX_FILE_BYTES, Registries, load};
use serde_json::Value;
use std::collections::BTreeMap;
use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

/// Longest batch word and name.
const LONGEST_WORD: usize = 80;
/// How often a write is looked for whose answer was lost.
const LOOKS: u32 = 5;

/// A job as handed in.
#[derive(Clone, Debug, Default)]
pub struct Handed {
    /// File name → bytes. Names obey [`safe_name`] in each of their parts.
    pub files: BTreeMap<String, Bytes>,
    /// Which of them is the job document; `job.json` when not said, or the only `.json` that has the job's format.
    pub document: Option<String>,
    /// -100 to 100.
    pub priority: i32,
    /// Not before, milliseconds since 1970.
    pub not_before: Option<i64>,
    /// In which hours.
    pub when: When,
    /// Jobs handed in together carry the same word.
    pub batch: Option<String>,
    /// The job whose programs become stale.
    pub replaces: Option<JobId>,
    /// How it came in.
    pub source: Option<Source>,
    /// Who handed it in: a token's id.
    pub by: Option<String>,
}

/// Why something was not taken.
#[derive(Debug, thiserror::Error)]
pub enum Refusal {
    /// The documents have faults: all of them. Pointers name the file and the place in it: `job.json#/parts/0`.
    #[error("the job's documents have {} faults", .0.len())]
    Documents(Vec<Finding>),
    /// Something else of the request is wrong: one sentence with a pointer.
    #[error("{message}")]
    Request {
        /// JSON Pointer, option or file name.
        at: String,
        /// What and what to do.
        message: String,
    },
    /// The idempotency key was used for another request.
    #[error("the key was used for another request")]
    OtherRequest,
    /// The queue is full.
    #[error("{waiting} jobs wait or run, as many as this server takes")]
    Full {
        /// How many.
        waiting: u64,
    },
    /// The plugin folder.
    #[error("the plugin folder cannot be read: {0}")]
    Plugins(String),
    /// The store.
    #[error(transparent)]
    Store(#[from] StoreProblem),
    /// The files.
    #[error(transparent)]
    Files(#[from] super::files::FilesProblem),
}

/// What was taken.
#[derive(Clone, Debug)]
pub struct Taken {
    /// The jobs, in the order handed in; none when it was a dry run.
    pub jobs: Vec<Job>,
    /// The same request had come before.
    pub before: bool,
    /// Warnings and notes on the documents, by job.
    pub findings: Vec<Vec<Finding>>,
}

/// What was found good, before anything is stored.
struct Sound {
    name: String,
    code: String,
    document: String,
    files: BTreeMap<String, Bytes>,
    findings: Vec<Finding>,
}

/// Checks and takes jobs, all or none. With `dry_run` nothing is stored and `jobs` is empty.
pub async fn take(
    shared: &Shared,
    handed: Vec<Handed>,
    idempotency: Option<Idempotency>,
    dry_run: bool,
) -> Result<Taken, Refusal> {
    let now = shared.now();
    for one in &handed {
        options(one)?;
    }
    // Before files are checked and stored for a queue that is away.
    shared.store.reach().await?;
    for id in handed.iter().filter_map(|h| h.replaces) {
        if shared.store.job(id).await?.is_none() {
            return Err(request("replaces", format!("there is no job {id}")));
        }
    }
    let (handed, sound) = check_all(shared, handed).await?;
    let findings = sound.iter().map(|s| s.findings.clone()).collect();
    if dry_run {
        return Ok(Taken {
            jobs: Vec::new(),
            before: false,
            findings,
        });
    }
    let rows = store_files(shared, handed, sound, now).await?;
    let refusal = match submit(shared, &rows, idempotency.as_ref()).await {
        Ok(Submitted::New(jobs)) => {
            shared.stir();
            return Ok(Taken {
                jobs,
                before: false,
                findings,
            });
        }
        Ok(Submitted::Before(jobs)) => {
            drop_files(shared, rows.iter().map(|r| r.id)).await;
            return Ok(Taken {
                jobs,
                before: true,
                findings,
            });
        }
        Ok(Submitted::OtherRequest) => Refusal::OtherRequest,
        Ok(Submitted::Full { waiting }) => Refusal::Full { waiting },
        // Whether the rows are there is not known: their files stay. A sweep takes them if they are not.
        Err(problem @ StoreProblem::Away(_)) => return Err(problem.into()),
        Err(problem) => problem.into(),
    };
    drop_files(shared, rows.iter().map(|r| r.id)).await;
    Err(refusal)
}

/// Checks all jobs of a request, so that everything that is wrong is told at once.
async fn check_all(
    shared: &Shared,
    handed: Vec<Handed>,
) -> Result<(Vec<Handed>, Vec<Sound>), Refusal> {
    let config = shared.config.clone();
    let launcher = shared.launcher.clone();
    tokio::task::spawn_blocking(move || {
        let registries = registries(&config, &launcher)?;
        let mut sound = Vec::with_capacity(handed.len());
        let mut wrong = Vec::new();
        for one in &handed {
            match check(one, &config, &registries) {
                Ok(good) => sound.push(good),
                Err(Refusal::Documents(findings)) => wrong.extend(findings),
                Err(other) => return Err(other),
            }
        }
        match wrong.is_empty() {
            true => Ok((handed, sound)),
            false => Err(Refusal::Documents(wrong)),
        }
    })
    .await
    .map_err(|e| StoreProblem::Failed(format!("the documents could not be read: {e}")))?
}

/// Stores the files of all jobs, or of none, and gives the rows that are to name them.
async fn store_files(
    shared: &Shared,
    handed: Vec<Handed>,
    sound: Vec<Sound>,
    now: Millis,
) -> Result<Vec<NewJob>, Refusal> {
    let mut rows = Vec::with_capacity(sound.len());
    for (one, good) in handed.into_iter().zip(sound) {
        let id = JobId::fresh();
        let files = match put(shared, id, &good.files).await {
            Ok(files) => files,
            Err(problem) => {
                drop_files(shared, rows.iter().map(|r: &NewJob| r.id).chain([id])).await;
                return Err(problem.into());
            }
        };
        rows.push(NewJob {
            id,
            name: good.name,
            document: good.document,
            files,
            priority: one.priority,
            not_before: one.not_before,
            when: one.when,
            source: one.source.unwrap_or(Source::Api),
            batch: one.batch,
            replaces: one.replaces,
            code: good.code,
            by: one.by,
            now,
        });
    }
    Ok(rows)
}

/// What is built in and what the plugin folder offers now: plugins may be added while the service runs. Blocks.
pub(crate) fn registries(
    config: &super::config::Config,
    launcher: &Launcher,
) -> Result<Registries, Refusal> {
    match &config.plugins {
        None => Ok(Registries::built_in()),
        Some(folder) => grainway_host::store::Store::open(folder)
            .and_then(|store| Registries::with_plugins(store, launcher.clone()))
            .map_err(|e| Refusal::Plugins(e.to_string())),
    }
}

/// Writes the rows. When the store breaks off, it is asked whether they are there before anybody is told that they are not.
async fn submit(
    shared: &Shared,
    rows: &[NewJob],
    idempotency: Option<&Idempotency>,
) -> Result<Submitted, StoreProblem> {
    let most = shared.config.limits.queue;
    let lost = match shared.store.submit(rows, idempotency, most).await {
        Err(StoreProblem::Away(why)) => why,
        answer => return answer,
    };
    for look in 0..LOOKS {
        tokio::time::sleep(Duration::from_millis(100 << look)).await;
        let mut there = Vec::with_capacity(rows.len());
        for row in rows {
            match shared.store.job(row.id).await {
                Ok(Some(job)) => there.push(job),
                Ok(None) => break,
                Err(_) => break,
            }
        }
        if there.len() == rows.len() {
            return Ok(Submitted::New(there));
        }
    }
    Err(StoreProblem::Away(lost))
}

/// Files that no row names. What cannot be removed now is swept later.
async fn drop_files(shared: &Shared, ids: impl Iterator<Item = JobId>) {
    for id in ids {
        if let Err(e) = shared.files.remove_job(id).await {
            tracing::warn!(job = %id, "files of a job that was not taken stay for the sweep: {e}");
        }
    }
}

async fn put(
    shared: &Shared,
    job: JobId,
    files: &BTreeMap<String, Bytes>,
) -> Result<Vec<JobFile>, super::files::FilesProblem> {
    let mut puts = Vec::with_capacity(files.len());
    for (name, bytes) in files {
        let place = super::files::FilePlace {
            job,
            side: Side::In,
            attempt: None,
            name,
        };
        let put = async move { shared.files.put(&place, bytes.clone()).await };
        puts.push(put.boxed());
    }
    super::files::together(puts).await
}

fn request(at: &str, message: impl Into<String>) -> Refusal {
    Refusal::Request {
        at: at.to_string(),
        message: message.into(),
    }
}

fn options(one: &Handed) -> Result<(), Refusal> {
    if !PRIORITIES.contains(&one.priority) {
        return Err(request(
            "priority",
            format!("{} is not between -100 and 100", one.priority),
        ));
    }
    if let Some(batch) = &one.batch {
        word("batch", batch)?;
    }
    Ok(())
}

fn word(at: &str, text: &str) -> Result<(), Refusal> {
    let good =
        (1..=LONGEST_WORD).contains(&text.chars().count()) && !text.chars().any(char::is_control);
    match good {
        true => Ok(()),
        false => Err(request(
            at,
            format!("give 1 to {LONGEST_WORD} characters on one line"),
        )),
    }
}

/// One job: names, limits, the operator's files, and its documents.
fn check(
    one: &Handed,
    config: &super::config::Config,
    registries: &Registries,
) -> Result<Sound, Refusal> {
    names_and_count(one, &config.limits)?;
    let whole = document_name(one)?;
    // Names in a document count from its own folder, as everywhere; it cannot name what lies outside.
    let folder = &whole[..whole.rfind('/').map_or(0, |at| at + 1)];
    let document = whole[folder.len()..].to_string();
    let mut files: BTreeMap<String, Bytes> = one
        .files
        .iter()
        .filter_map(|(name, bytes)| Some((name.strip_prefix(folder)?.to_string(), bytes.clone())))
        .collect();
    let mut wrong = Vec::new();
    let text = files.get(&document).cloned().unwrap_or_default();
    if text.len() <= MAX_DOCUMENT_BYTES
        && let Ok(value) = serde_json::from_slice::<Value>(&text)
    {
        complete(&document, &value, config, &mut files, &mut wrong);
    }
    if let Some((name, message)) = clashes(files.keys()).first() {
        return Err(request(name, message.as_str()));
    }
    total_size(&files, &config.limits)?;
    let given = files
        .iter()
        .map(|(name, bytes)| (name.clone(), Arc::from(bytes.as_ref())))
        .collect();
    let loaded = load(&JobFolder::given(given), &document, &registries.dialects);
    add_told(&mut wrong, &loaded.findings);
    match loaded.documents {
        Some(documents) if loaded.sound && wrong.is_empty() => Ok(Sound {
            name: short(&loaded.name),
            code: documents.code(),
            document,
            files,
            findings: loaded.findings,
        }),
        _ => {
            let places = wrong.iter_mut().filter_map(|f| f.pointer.as_mut());
            places.for_each(|place| *place = place.of(&format!("{folder}{}", place.document())));
            Err(Refusal::Documents(wrong))
        }
    }
}

fn names_and_count(one: &Handed, limits: &ServiceLimits) -> Result<(), Refusal> {
    for name in one.files.keys() {
        if !name.split('/').all(safe_name) || name.len() > 4 * LONGEST_WORD {
            return Err(request(
                name,
                "a file name has letters, digits, points, dashes and underscores, at most 80 between two slashes, no point in front or at the end, and no name of a device as con or nul",
            ));
        }
    }
    if one.files.len() > limits.files as usize {
        return Err(request(
            "files",
            format!(
                "{} files are more than the {} that a job may have",
                one.files.len(),
                limits.files
            ),
        ));
    }
    Ok(())
}

fn total_size(files: &BTreeMap<String, Bytes>, limits: &ServiceLimits) -> Result<(), Refusal> {
    let all: u64 = files.values().map(|b| b.len() as u64).sum();
    if all > limits.unpacked_mib << 20 {
        return Err(request(
            "files",
            format!(
                "the job's files have {} MiB together, more than the {} MiB that a job may have",
                all >> 20,
                limits.unpacked_mib
            ),
        ));
    }
    Ok(())
}

/// Adds the errors that reading the documents found. A file that the operator's folders could not give is in `wrong` already, in better words.
fn add_told(wrong: &mut Vec<Finding>, findings: &[Finding]) {
    let told: Vec<Pointer> = wrong.iter().filter_map(|f| f.pointer.clone()).collect();
    let shop_told = told.iter().any(|t| t.place() == "/shop");
    let is_told = |p: &Pointer| told.contains(p) || (shop_told && p.place().is_empty());
    let errors = findings.iter().filter(|f| f.severity == Severity::Error);
    let others = errors
        .filter(|f| f.code != code::CANNOT_READ.word || !f.pointer.as_ref().is_some_and(is_told));
    wrong.extend(others.cloned());
}

/// Names in lists stay on one line.
fn short(name: &str) -> String {
    name.chars()
        .map(|c| if c.is_control() { ' ' } else { c })
        .take(2 * LONGEST_WORD)
        .collect()
}

fn document_name(one: &Handed) -> Result<String, Refusal> {
    if let Some(name) = &one.document {
        return match one.files.contains_key(name) {
            true => Ok(name.clone()),
            false => Err(request(
                "document",
                format!("there is no file {name:?} among those handed in"),
            )),
        };
    }
    if one.files.contains_key("job.json") {
        return Ok("job.json".to_string());
    }
    let mut jobs = one.files.iter().filter(|(name, bytes)| {
        name.ends_with(".json")
            && serde_json::from_slice::<Value>(bytes)
                .is_ok_and(|v| v.get("format").and_then(Value::as_str) == Some(JOB_FORMAT))
    });
    match (jobs.next(), jobs.next()) {
        (Some((name, _)), None) => Ok(name.clone()),
        (None, _) => Err(request(
            "document",
            format!(
                "there is no job document among the files: call it job.json, or give it the format \"{JOB_FORMAT}\""
            ),
        )),
        _ => Err(request(
            "document",
            "there are several job documents among the files: say in `document` which is meant, or hand them in one by one",
        )),
    }
}

/// Adds what the document names and nobody handed in, from the operator's shops and drawing folders.
fn complete(
    document: &str,
    value: &Value,
    config: &super::config::Config,
    files: &mut BTreeMap<String, Bytes>,
    wrong: &mut Vec<Finding>,
) {
    if let Some(shop) = value.get("shop").and_then(Value::as_str)
        && !files.contains_key(shop)
    {
        match config.shops.get(shop) {
            Some(path) => match read_file(path, MAX_DOCUMENT_BYTES as u64) {
                Ok(bytes) => {
                    files.insert(shop.to_string(), bytes);
                }
                Err(why) => wrong.push(unread(document, &"/shop".into(), shop, &why)),
            },
            None => {
                let known: Vec<&str> = config.shops.keys().map(String::as_str).collect();
                let message = match known.is_empty() {
                    true => format!(
                        "The shop \"{shop}\" was not handed in, and this server keeps none."
                    ),
                    false => format!(
                        "The shop \"{shop}\" was not handed in; this server keeps {}.",
                        known.join(", ")
                    ),
                };
                wrong.push(
                    Finding::new(&code::CANNOT_READ, message)
                        .remedy("Hand the shop document in with the job, or name one that the server keeps.")
                        .pointer(Pointer::whole(document).step("shop")),
                );
            }
        }
    }
    let drawings = value.get("drawings").and_then(Value::as_array);
    for (i, drawing) in drawings.into_iter().flatten().enumerate() {
        let Some(file) = drawing.get("file").and_then(Value::as_str) else {
            continue;
        };
        let Some((folder, rest)) = file.split_once('/') else {
            continue;
        };
        if files.contains_key(file) || !file.split('/').all(safe_name) {
            continue;
        }
        let Some(path) = config.drawings.get(folder) else {
            continue;
        };
        let read = JobFolder::new(path)
            .map_err(|e| FileProblem::Unreadable {
                name: folder.to_string(),
                why: e.to_string(),
            })
            .and_then(|f| f.read_within(rest, MAX_FILE_BYTES));
        match read {
            Ok(bytes) => {
                files.insert(file.to_string(), Bytes::copy_from_slice(&bytes));
            }
            Err(why) => wrong.push(unread(
                document,
                &format!("/drawings/{i}/file").into(),
                file,
                &why.to_string(),
            )),
        }
    }
}

fn read_file(path: &Path, limit: u64) -> Result<Bytes, String> {
    let about = std::fs::metadata(path).map_err(|e| e.to_string())?;
    if about.len() > limit {
        return Err(format!(
            "it has {} bytes, more than the {limit} that are read",
            about.len()
        ));
    }
    std::fs::read(path)
        .map(Bytes::from)
        .map_err(|e| e.to_string())
}

fn unread(document: &str, at: &Pointer, name: &str, why: &str) -> Finding {
    Finding::new(
        &code::CANNOT_READ,
        format!("\"{name}\" of this server's folders cannot be read: {why}."),
    )
    .remedy("Ask whoever runs this server, or hand the file in with the job.")
    .pointer(at.of(document))
}
