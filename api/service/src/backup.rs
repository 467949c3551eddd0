//! The queue and the files as one zip with the sum of everything in it, and back again into an empty place.
//!
//! While the server runs, the queue is copied in one transaction and then every file that the copy references. If a file was deleted or
//! replaced in between, the copy is taken again, so that a backup always shows one moment.

use super::files::QUEUE;
use super::model::{JobFile, JobId, Side};
use super::store::{JobFilter, Store, StoreProblem, StoreUrl};
use grainway_client::names::safe_name;
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};
use sqlx::sqlite::SqliteConnectOptions;
use sqlx::{ConnectOptions, Connection};
use std::collections::BTreeSet;
use std::fs::File;
use std::io::{BufWriter, Read, Seek, Write};
use std::os::unix::fs::OpenOptionsExt;
use std::path::{Path, PathBuf};
use zip::write::SimpleFileOptions;
use zip::{ZipArchive, ZipWriter};

/// The format word of what a backup says of itself.
pub const BACKUP_FORMAT: &str = "grainway.backup/1";
const CONTENTS: &str = "backup.json";
const STORE: &str = "store.sqlite";
const FILES: &str = "files/";
/// How every SQLite file begins (its documented format).
const MAGIC: &[u8; 16] = b"SQLite format 3\0";
/// Largest description of a backup: about a million files.
const LONGEST_CONTENTS: u64 = 256 << 20;
/// How often the copy of the queue is taken again when files went away meanwhile.
const TRIES: u32 = 3;

/// Why there is no backup, or nothing was restored.
#[derive(Debug, thiserror::Error)]
pub enum BackupProblem {
    /// A place is taken or wrong.
    #[error("{0}")]
    Place(String),
    /// It is not one of our backups, or not whole.
    #[error("{file} is no backup that can be restored: {why}")]
    NotWhole {
        /// The file.
        file: String,
        /// What is wrong with it.
        why: String,
    },
    /// The disk.
    #[error("{what}: {error}")]
    Disk {
        /// What was tried.
        what: String,
        /// The system's words.
        error: std::io::Error,
    },
    /// The queue.
    #[error(transparent)]
    Store(#[from] StoreProblem),
}

/// What a backup says of itself.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub struct Contents {
    /// Always "grainway.backup/1".
    pub format: String,
    /// The grainway that made it.
    pub version: String,
    /// When, in UTC.
    pub made: String,
    /// How many jobs.
    pub jobs: u64,
    /// Everything in it but this description.
    pub files: Vec<JobFile>,
    /// Files of jobs that were not there.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub missing: Vec<String>,
    /// Files of jobs whose sum was not the one that the queue has; they are in the backup as they were.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub damaged: Vec<String>,
}

fn disk(what: impl Into<String>) -> impl FnOnce(std::io::Error) -> BackupProblem {
    let what = what.into();
    move |error| BackupProblem::Disk { what, error }
}

/// A file that goes unless it is kept.
struct Passing(Option<PathBuf>);

impl Drop for Passing {
    fn drop(&mut self) {
        if let Some(path) = &self.0 {
            let _ = std::fs::remove_file(path);
            let _ = std::fs::remove_dir_all(path);
        }
    }
}

fn beside(path: &Path, word: &str) -> PathBuf {
    let name = path.file_name().unwrap_or_default().to_string_lossy();
    path.with_file_name(format!(".{name}.{word}-{}", std::process::id()))
}

/// Writes the queue in `store` and the files under `folder` into the new file `to`, readable by its owner alone: it holds the secrets
/// of webhooks. `made` is the time that it tells.
pub async fn back_up(
    store: &Path,
    folder: &Path,
    to: &Path,
    made: &str,
) -> Result<Contents, BackupProblem> {
    if to.exists() {
        return Err(BackupProblem::Place(format!(
            "{} is there already; name a new file",
            to.display()
        )));
    }
    if !store.is_file() {
        return Err(BackupProblem::Place(format!(
            "there is no queue at {}; nothing to back up",
            store.display()
        )));
    }
    let mut tried = 0;
    loop {
        tried += 1;
        let fresh = beside(to, "new");
        let mut passing = Passing(Some(fresh.clone()));
        let contents = one_moment(store, folder, &fresh, made).await?;
        // A job that was forgotten or made again meanwhile: the next copy of the queue knows.
        if !contents.missing.is_empty() && tried < TRIES {
            continue;
        }
        std::fs::rename(&fresh, to).map_err(disk(format!("{} cannot be written", to.display())))?;
        passing.0 = None;
        sync_folder(to)?;
        return Ok(contents);
    }
}

fn sync_folder(of: &Path) -> Result<(), BackupProblem> {
    let folder = match of.parent() {
        Some(p) if !p.as_os_str().is_empty() => p,
        _ => Path::new("."),
    };
    File::open(folder)
        .and_then(|f| f.sync_all())
        .map_err(disk(format!("{} cannot be written", folder.display())))
}

async fn one_moment(
    store: &Path,
    folder: &Path,
    to: &Path,
    made: &str,
) -> Result<Contents, BackupProblem> {
    let failed = || disk(format!("{} cannot be written", to.display()));
    let copy = beside(to, "queue");
    std::fs::create_dir(&copy).map_err(failed())?;
    let _passing = Passing(Some(copy.clone()));
    let copy = copy.join(STORE);
    copy_queue(store, &copy).await?;

    let file = File::options()
        .write(true)
        .create_new(true)
        .mode(0o600)
        .open(to)
        .map_err(failed())?;
    let mut zip = ZipWriter::new(BufWriter::new(file));
    let mut contents = Contents {
        format: BACKUP_FORMAT.to_string(),
        version: env!("CARGO_PKG_VERSION").to_string(),
        made: made.to_string(),
        jobs: 0,
        files: Vec::new(),
        missing: Vec::new(),
        damaged: Vec::new(),
    };
    contents
        .files
        .push(add(&mut zip, STORE, &copy).map_err(failed())?);
    // The copy goes in as it is; reading it brings its tables up to date.
    let (jobs, named) = named_files(&copy).await?;
    contents.jobs = jobs;
    for (name, noted) in named {
        let path = folder.join(&name);
        if !path.is_file() {
            contents.missing.push(name);
            continue;
        }
        let added = add(&mut zip, &format!("{FILES}{name}"), &path).map_err(failed())?;
        if added.sha256 != noted {
            contents.damaged.push(name);
        }
        contents.files.push(added);
    }
    let text =
        serde_json::to_vec_pretty(&contents).map_err(|e| failed()(std::io::Error::other(e)))?;
    let finish = || -> std::io::Result<()> {
        zip.start_file(CONTENTS, options())?;
        zip.write_all(&text)?;
        let file = zip.finish()?.into_inner().map_err(|e| e.into_error())?;
        file.sync_all()
    };
    finish().map_err(failed())?;
    Ok(contents)
}

fn options() -> SimpleFileOptions {
    SimpleFileOptions::default()
        .last_modified_time(zip::DateTime::default())
        .unix_permissions(0o600)
        .large_file(true)
}

/// Puts a file into the zip and hashes it on the way.
fn add<W: Write + Seek>(
    zip: &mut ZipWriter<W>,
    name: &str,
    from: &Path,
) -> std::io::Result<JobFile> {
    zip.start_file(name, options())?;
    let mut file = File::open(from)?;
    let (sha256, bytes) = pour(&mut file, u64::MAX, zip)?;
    Ok(JobFile {
        name: name.to_string(),
        sha256,
        bytes,
    })
}

/// Copies at most `limit` bytes; their sum and number.
fn pour(from: &mut impl Read, limit: u64, to: &mut impl Write) -> std::io::Result<(String, u64)> {
    let mut sum = Sha256::new();
    let mut bytes = 0;
    let mut block = vec![0; 1 << 16];
    loop {
        let n = from.read(&mut block)?;
        bytes += n as u64;
        if n == 0 || bytes > limit {
            break;
        }
        sum.update(&block[..n]);
        to.write_all(&block[..n])?;
    }
    let sum = sum.finalize().iter().map(|b| format!("{b:02x}")).collect();
    Ok((sum, bytes))
}

/// One piece, of one moment, while others write.
async fn copy_queue(store: &Path, copy: &Path) -> Result<(), BackupProblem> {
    let failed = |e: sqlx::Error| {
        BackupProblem::Store(StoreProblem::Failed(format!(
            "{} cannot be copied: {e}",
            store.display()
        )))
    };
    let mut connection = SqliteConnectOptions::new()
        .filename(store)
        .create_if_missing(false)
        .busy_timeout(std::time::Duration::from_secs(30))
        .connect()
        .await
        .map_err(failed)?;
    let copied = sqlx::query("VACUUM INTO $1")
        .bind(copy.to_string_lossy().into_owned())
        .execute(&mut connection)
        .await;
    let _ = connection.close().await;
    copied.map(|_| ()).map_err(failed)
}

/// How many jobs the queue has, and each of their files by its place with the sum that was noted.
async fn named_files(store: &Path) -> Result<(u64, Vec<(String, String)>), BackupProblem> {
    let store = Store::open(&StoreUrl::Sqlite(store.to_path_buf())).await?;
    let mut found = Vec::new();
    let mut jobs = 0;
    let mut before: Option<JobId> = None;
    loop {
        let filter = JobFilter {
            before,
            limit: 1000,
            ..JobFilter::default()
        };
        let page = store.jobs(&filter).await?;
        let Some(last) = page.last() else { break };
        before = Some(last.id);
        for job in &page {
            jobs += 1;
            for file in store.files(job.id, Side::In).await? {
                found.push((format!("jobs/{}/in/{}", job.id, file.name), file.sha256));
            }
            let Some(output) = &job.output else { continue };
            for file in store.files(job.id, Side::Out).await? {
                found.push((
                    format!("jobs/{}/out/{output}/{}", job.id, file.name),
                    file.sha256,
                ));
            }
        }
    }
    store.close().await;
    found.sort();
    Ok((jobs, found))
}

/// Puts a backup back: the queue to `store`, the files under `folder`. Both places must be empty; when anything is wrong they stay so.
pub async fn restore(from: &Path, store: &Path, folder: &Path) -> Result<Contents, BackupProblem> {
    if store.exists() {
        return Err(BackupProblem::Place(format!(
            "there is a queue at {} already; restore into an empty data folder",
            store.display()
        )));
    }
    let taken = std::fs::read_dir(folder).is_ok_and(|mut f| f.next().is_some());
    if taken || folder.is_file() {
        return Err(BackupProblem::Place(format!(
            "{} is not empty; restore into an empty data folder",
            folder.display()
        )));
    }
    for place in [store, folder] {
        if let Some(parent) = place.parent() {
            std::fs::create_dir_all(parent)
                .map_err(disk(format!("{} cannot be made", parent.display())))?;
        }
    }
    let fresh_files = beside(folder, "new");
    let fresh_store = beside(store, "new");
    std::fs::create_dir(&fresh_files)
        .map_err(disk(format!("{} cannot be written", fresh_files.display())))?;
    let _passing = (
        Passing(Some(fresh_files.clone())),
        Passing(Some(fresh_store.clone())),
    );
    std::fs::create_dir(&fresh_store)
        .map_err(disk(format!("{} cannot be written", fresh_store.display())))?;
    let queue = fresh_store.join(STORE);
    let contents = unpack(from, &queue, &fresh_files)?;
    let (jobs, _) = named_files(&queue).await?;
    if jobs != contents.jobs {
        return Err(BackupProblem::NotWhole {
            file: from.display().to_string(),
            why: format!("its queue has {jobs} jobs and not {}", contents.jobs),
        });
    }
    let restored = Store::open(&StoreUrl::Sqlite(queue.clone())).await?;
    let id = restored.id().await?;
    restored.close().await;
    // No other queue takes these files for its own, should this end before the queue is in its place.
    let marker = fresh_files.join(QUEUE);
    File::create_new(&marker)
        .and_then(|mut file| {
            file.write_all(format!("{id}\n").as_bytes())?;
            file.sync_all()
        })
        .map_err(disk(format!("{} cannot be written", marker.display())))?;
    let _ = std::fs::remove_dir(folder);
    std::fs::rename(&fresh_files, folder)
        .map_err(disk(format!("{} cannot be written", folder.display())))?;
    sync_folder(folder)?;
    // Last, since a queue is what a server starts from.
    std::fs::rename(&queue, store)
        .map_err(disk(format!("{} cannot be written", store.display())))?;
    sync_folder(store)?;
    Ok(contents)
}

fn unpack(from: &Path, queue: &Path, files: &Path) -> Result<Contents, BackupProblem> {
    let shown = from.display().to_string();
    let wrong = |why: String| BackupProblem::NotWhole {
        file: shown.clone(),
        why,
    };
    let file = File::open(from).map_err(disk(format!("{shown} cannot be read")))?;
    let mut zip =
        ZipArchive::new(std::io::BufReader::new(file)).map_err(|e| wrong(e.to_string()))?;
    let contents: Contents = {
        let mut text = Vec::new();
        let entry = zip
            .by_name(CONTENTS)
            .map_err(|_| wrong(format!("it has no {CONTENTS}")))?;
        entry
            .take(LONGEST_CONTENTS)
            .read_to_end(&mut text)
            .map_err(|e| wrong(e.to_string()))?;
        serde_json::from_slice(&text).map_err(|e| wrong(format!("{CONTENTS}: {e}")))?
    };
    if contents.format != BACKUP_FORMAT {
        return Err(wrong(format!(
            "it has the format {:?}, this grainway reads {BACKUP_FORMAT:?}",
            contents.format
        )));
    }
    let mut seen = BTreeSet::new();
    for told in &contents.files {
        let name = told.name.as_str();
        let path = match name.strip_prefix(FILES) {
            Some(place) if place.split('/').all(safe_name) => files.join(place),
            None if name == STORE => queue.to_path_buf(),
            _ => return Err(wrong(format!("{name:?} is not a name of its files"))),
        };
        if !seen.insert(name) {
            return Err(wrong(format!("{name} is in it twice")));
        }
        if let Some(parent) = path.parent() {
            std::fs::create_dir_all(parent)
                .map_err(disk(format!("{} cannot be made", parent.display())))?;
        }
        let mut entry = zip
            .by_name(name)
            .map_err(|_| wrong(format!("{name} is missing")))?;
        let mut out = File::options()
            .write(true)
            .create_new(true)
            .mode(if name == STORE { 0o600 } else { 0o640 })
            .open(&path)
            .map_err(disk(format!("{} cannot be written", path.display())))?;
        let (sum, bytes) = pour(&mut entry, told.bytes, &mut out).map_err(|e| match e.kind() {
            std::io::ErrorKind::InvalidData | std::io::ErrorKind::UnexpectedEof => {
                wrong(format!("{name} is damaged: {e}"))
            }
            _ => disk(format!("{} cannot be written", path.display()))(e),
        })?;
        if (sum.as_str(), bytes) != (told.sha256.as_str(), told.bytes) {
            return Err(wrong(format!(
                "{name} is damaged: its sum is not the one noted"
            )));
        }
        out.sync_all()
            .map_err(disk(format!("{} cannot be written", path.display())))?;
    }
    if !seen.contains(STORE) {
        return Err(wrong("it has no queue".to_string()));
    }
    if zip.len() != seen.len() + 1 {
        return Err(wrong(
            "it holds files that its description does not name".to_string(),
        ));
    }
    // SQLite takes a file of a few bytes for an empty database.
    let mut begin = [0; MAGIC.len()];
    let read = File::open(queue).and_then(|mut f| f.read_exact(&mut begin));
    if read.is_err() || begin != *MAGIC {
        return Err(wrong(format!("its {STORE} is no queue")));
    }
    Ok(contents)
}
