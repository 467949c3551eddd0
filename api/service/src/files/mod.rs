//! The files of jobs: a folder on this machine, or a store with an S3-style API. The same code for both.
//!
//! Layout: `jobs/ID/in/NAME` for what was handed in, `jobs/ID/out/ATTEMPT/NAME` for what an attempt made. Nothing is shared between
//! jobs and nothing is written twice, so what no job of the queue names can be removed at any time after a while.

mod bucket;
mod local;
mod problem;

pub use problem::FilesProblem;

use super::faults::{FaultPlan, Faults};
use super::model::{JobFile, JobId, Millis, Side};
use bytes::Bytes;
use futures_util::future::BoxFuture;
use futures_util::stream::BoxStream;
use futures_util::{StreamExt, TryStreamExt};
use grainway_client::names::safe_name;
use nix::fcntl::OFlag;
use object_store::local::LocalFileSystem;
use object_store::path::Path as Key;
use object_store::{GetOptions, GetRange, ObjectStore, ObjectStoreExt};
use problem::not_put;
use sha2::{Digest, Sha256};
use std::collections::{BTreeMap, BTreeSet};
use std::ops::Range;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use tokio::io::{AsyncReadExt, AsyncWriteExt};

/// Larger files go up in parts of this size. The S3-style API wants at least 5 MiB a part.
const PART: usize = 8 << 20;

/// Files of a job that are stored at a time: a disk syncs several at the cost of one.
const PUTS: usize = 8;

/// Says beside the jobs' files whose they are: a queue that does not know them would sweep them away.
pub const QUEUE: &str = "queue-id";

/// Where files are kept.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum FilesUrl {
    /// A folder of this machine.
    Folder(PathBuf),
    /// `s3://bucket/prefix`; endpoint, region and keys come from the environment (`AWS_…`, as its open API names them).
    S3(String),
}

/// A file's place.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct FilePlace<'n> {
    /// The job.
    pub job: JobId,
    /// Handed in or made.
    pub side: Side,
    /// The attempt, for what was made.
    pub attempt: Option<&'n str>,
    /// Name with `/` between folders.
    pub name: &'n str,
}

/// A file being read.
pub struct Reading {
    /// How many bytes the whole file has.
    pub bytes: u64,
    /// The part that was asked for.
    pub range: Range<u64>,
    /// Its bytes.
    pub stream: BoxStream<'static, std::result::Result<Bytes, FilesProblem>>,
}

/// What a sweep finds.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Found {
    /// The job's id, as the folder's name says.
    pub job: JobId,
    /// The attempts that have files.
    pub attempts: Vec<String>,
    /// When the newest of its files was written.
    pub newest: Millis,
}

/// The files of all jobs.
#[derive(Clone)]
pub struct Files {
    faults: FaultPlan,
    store: Arc<dyn ObjectStore>,
    /// The folder, when it is one of this machine.
    folder: Option<PathBuf>,
    shown: String,
}

type Result<T> = std::result::Result<T, FilesProblem>;

impl FilePlace<'_> {
    fn key(&self) -> Result<Key> {
        let wrong = || FilesProblem::Name(self.name.to_string());
        if !self.name.split('/').all(safe_name) {
            return Err(wrong());
        }
        let job = self.job;
        let text = match (self.side, self.attempt) {
            (Side::In, _) => format!("jobs/{job}/in/{}", self.name),
            (Side::Out, Some(attempt)) if safe_name(attempt) => {
                format!("jobs/{job}/out/{attempt}/{}", self.name)
            }
            (Side::Out, _) => return Err(wrong()),
        };
        Key::parse(text).map_err(|_| wrong())
    }
}

impl Files {
    /// Opens the store; makes the folder where there is none.
    pub fn open(url: &FilesUrl) -> Result<Files> {
        match url {
            FilesUrl::Folder(folder) => {
                let disk =
                    |e: std::io::Error| FilesProblem::Disk(format!("{}: {e}", folder.display()));
                std::fs::create_dir_all(folder).map_err(disk)?;
                let folder = folder.canonicalize().map_err(disk)?;
                // Without it a power cut may take files whose job was answered for.
                let store = LocalFileSystem::new_with_prefix(&folder)?.with_fsync(true);
                Ok(Files {
                    faults: FaultPlan::default(),
                    store: Arc::new(store),
                    shown: folder.display().to_string(),
                    folder: Some(folder),
                })
            }
            FilesUrl::S3(address) => bucket::open(address),
        }
    }

    /// The same files, whose calls fail as a test wants.
    pub fn failing(mut self, faults: Arc<dyn Faults>) -> Files {
        self.faults = FaultPlan(Some(faults));
        self
    }

    /// A short word for the log, without keys.
    pub fn shown(&self) -> String {
        self.shown.clone()
    }

    /// Stores bytes; when it returns they are on disk.
    pub async fn put(&self, place: &FilePlace<'_>, bytes: Bytes) -> Result<JobFile> {
        let call = async {
            let key = place.key()?;
            let file = JobFile {
                name: place.name.to_string(),
                sha256: hex(&Sha256::digest(&bytes)),
                bytes: bytes.len() as u64,
            };
            self.no_link(&key).await?;
            self.store.put(&key, bytes.into()).await.map_err(not_put)?;
            Ok(file)
        };
        self.faults.around("put", FilesProblem::Away, call).await
    }

    /// Stores a file of this machine, streamed.
    pub async fn put_file(&self, place: &FilePlace<'_>, from: &Path) -> Result<JobFile> {
        let call = async {
            let key = place.key()?;
            let local = |e: std::io::Error| FilesProblem::Disk(format!("{}: {e}", from.display()));
            // What a job's process left: a link or a pipe in place of a file would show, or wait for, what is not the job's.
            let mut file = tokio::fs::File::options()
                .read(true)
                .custom_flags((OFlag::O_NOFOLLOW | OFlag::O_NONBLOCK).bits())
                .open(from)
                .await
                .map_err(local)?;
            let metadata = file.metadata().await.map_err(local)?;
            if !metadata.is_file() {
                let shown = from.display();
                return Err(FilesProblem::Disk(format!("{shown} is not a file")));
            }
            let size = metadata.len();
            if size <= PART as u64 {
                let mut bytes = Vec::with_capacity(size as usize);
                file.read_to_end(&mut bytes).await.map_err(local)?;
                return self.put(place, bytes.into()).await;
            }
            let (mut hash, mut bytes) = (Sha256::new(), 0_u64);
            self.no_link(&key).await?;
            let mut upload = self.store.put_multipart(&key).await.map_err(not_put)?;
            let sent = async {
                loop {
                    let mut part = Vec::with_capacity(PART);
                    (&mut file)
                        .take(PART as u64)
                        .read_to_end(&mut part)
                        .await
                        .map_err(local)?;
                    if part.is_empty() {
                        break;
                    }
                    hash.update(&part);
                    bytes += part.len() as u64;
                    upload.put_part(Bytes::from(part).into()).await?;
                }
                upload.complete().await?;
                Ok(())
            };
            if let Err(problem) = sent.await {
                let _ = upload.abort().await;
                return Err(problem);
            }
            Ok(JobFile {
                name: place.name.to_string(),
                sha256: hex(&hash.finalize()),
                bytes,
            })
        };
        self.faults
            .around("put_file", FilesProblem::Away, call)
            .await
    }

    /// The name of the queue whose files these are, when there is one.
    pub async fn queue(&self) -> Result<Option<String>> {
        let call = async {
            match self.store.get(&Key::from(QUEUE)).await {
                Ok(got) => {
                    let text = got.bytes().await?;
                    let name = String::from_utf8_lossy(&text).trim().to_string();
                    Ok(Some(name))
                }
                Err(object_store::Error::NotFound { .. }) => Ok(None),
                Err(e) => Err(e.into()),
            }
        };
        self.faults.around("queue", FilesProblem::Away, call).await
    }

    /// Says whose files these are from now on.
    pub async fn belong_to(&self, queue: &str) -> Result<()> {
        let line = Bytes::from(format!("{queue}\n"));
        let call = async {
            let put = self.store.put(&Key::from(QUEUE), line.into()).await;
            put.map(|_| ()).map_err(not_put)
        };
        self.faults
            .around("belong_to", FilesProblem::Away, call)
            .await
    }

    /// Reads a file, or a part of it.
    pub async fn read(&self, place: &FilePlace<'_>, range: Option<Range<u64>>) -> Result<Reading> {
        let call = async {
            self.read_there(place, range).await.map_err(|problem| {
                // An empty folder in place of a drive lacks more than one file.
                let gone = |f: &PathBuf| !f.join("jobs").is_dir();
                match (problem, &self.folder) {
                    (FilesProblem::Missing(_), Some(folder)) if gone(folder) => {
                        let shown = &self.shown;
                        FilesProblem::Away(format!(
                            "{shown} has no files at all; is its drive there?"
                        ))
                    }
                    (problem, _) => problem,
                }
            })
        };
        self.faults.around("read", FilesProblem::Away, call).await
    }

    async fn read_there(
        &self,
        place: &FilePlace<'_>,
        range: Option<Range<u64>>,
    ) -> Result<Reading> {
        let key = place.key()?;
        self.no_link(&key).await?;
        if let Some(range) = &range {
            // A range outside of the file would be an error without its size.
            let bytes = self.store.head(&key).await?.size;
            if range.start >= bytes || range.end > bytes || range.is_empty() {
                return Err(FilesProblem::Range { bytes });
            }
        }
        let options = GetOptions {
            range: range.map(GetRange::Bounded),
            ..GetOptions::default()
        };
        let got = self.store.get_opts(&key, options).await?;
        Ok(Reading {
            bytes: got.meta.size,
            range: got.range.clone(),
            stream: got.into_stream().map_err(FilesProblem::from).boxed(),
        })
    }

    /// Writes a job's files into a folder of this machine and checks each against its checksum.
    pub async fn fetch(
        &self,
        job: JobId,
        side: Side,
        attempt: Option<&str>,
        files: &[JobFile],
        into: &Path,
    ) -> Result<()> {
        let call = async {
            for file in files {
                let place = FilePlace {
                    job,
                    side,
                    attempt,
                    name: &file.name,
                };
                let mut reading = self.read(&place, None).await?;
                // The name obeys the rule of places: it stays inside.
                let target = into.join(&file.name);
                let local =
                    |e: std::io::Error| FilesProblem::Disk(format!("{}: {e}", target.display()));
                if let Some(parent) = target.parent() {
                    tokio::fs::create_dir_all(parent).await.map_err(local)?;
                }
                let mut out = tokio::fs::File::create(&target).await.map_err(local)?;
                let mut hash = Sha256::new();
                while let Some(piece) = reading.stream.next().await {
                    let piece = piece?;
                    hash.update(&piece);
                    out.write_all(&piece).await.map_err(local)?;
                }
                out.flush().await.map_err(local)?;
                if hex(&hash.finalize()) != file.sha256 {
                    return Err(FilesProblem::Damaged {
                        name: file.name.clone(),
                    });
                }
            }
            Ok(())
        };
        self.faults.around("fetch", FilesProblem::Away, call).await
    }

    /// Removes all files of a job. Files that are gone already are no failure.
    pub async fn remove_job(&self, job: JobId) -> Result<()> {
        let call = async { self.remove(&format!("jobs/{job}")).await };
        self.faults
            .around("remove_job", FilesProblem::Away, call)
            .await
    }

    /// Removes what an attempt made.
    pub async fn remove_attempt(&self, job: JobId, attempt: &str) -> Result<()> {
        let call = async {
            if !safe_name(attempt) {
                return Err(FilesProblem::Name(attempt.to_string()));
            }
            self.remove(&format!("jobs/{job}/out/{attempt}")).await
        };
        self.faults
            .around("remove_attempt", FilesProblem::Away, call)
            .await
    }

    /// No link below a job's folder is followed.
    async fn no_link(&self, key: &Key) -> Result<()> {
        let Some(folder) = self.folder.clone() else {
            return Ok(());
        };
        let key = key.clone();
        let linked = tokio::task::spawn_blocking(move || {
            let mut path = folder.join("jobs");
            key.parts().skip(1).any(|part| {
                path.push(part.as_ref());
                path.is_symlink()
            })
        });
        match linked.await {
            Ok(false) => Ok(()),
            Ok(true) => Err(FilesProblem::Disk(
                "a link in the file store is not followed".to_string(),
            )),
            Err(e) => Err(FilesProblem::Disk(e.to_string())),
        }
    }

    async fn remove(&self, prefix: &str) -> Result<()> {
        if let Some(folder) = &self.folder {
            // The whole folder, half-written files of a killed process included.
            let path = folder.join(prefix);
            return match tokio::fs::remove_dir_all(&path).await {
                Err(e) if e.kind() != std::io::ErrorKind::NotFound => {
                    Err(FilesProblem::Disk(format!("{}: {e}", path.display())))
                }
                _ => Ok(()),
            };
        }
        let key = Key::from(prefix);
        let keys = self.store.list(Some(&key)).map_ok(|m| m.location).boxed();
        let mut removed = self.store.delete_stream(keys);
        while let Some(one) = removed.next().await {
            match one {
                Err(object_store::Error::NotFound { .. }) | Ok(_) => {}
                Err(e) => return Err(e.into()),
            }
        }
        Ok(())
    }

    /// Every job that has files, whether the queue knows it or not. Names that are not of the layout are left alone.
    pub async fn found(&self) -> Result<Vec<Found>> {
        let call = async {
            if let Some(folder) = self.folder.clone() {
                return local::blocking(folder, |f| local::found(&f.join("jobs"))).await;
            }
            let mut jobs: BTreeMap<JobId, (BTreeSet<String>, Millis)> = BTreeMap::new();
            let mut all = self.store.list(Some(&Key::from("jobs")));
            while let Some(meta) = all.next().await {
                let meta = meta?;
                let parts: Vec<String> = meta
                    .location
                    .parts()
                    .map(|p| p.as_ref().to_string())
                    .collect();
                let Some(Ok(id)) = parts.get(1).map(|id| id.parse::<JobId>()) else {
                    continue;
                };
                let (attempts, newest) = jobs.entry(id).or_default();
                if let [_, _, side, attempt, _, ..] = parts.as_slice()
                    && side == "out"
                {
                    attempts.insert(attempt.clone());
                }
                *newest = (*newest).max(meta.last_modified.timestamp_millis());
            }
            Ok(jobs
                .into_iter()
                .map(|(job, (attempts, newest))| Found {
                    job,
                    attempts: attempts.into_iter().collect(),
                    newest,
                })
                .collect())
        };
        self.faults.around("found", FilesProblem::Away, call).await
    }

    /// Removes half-written files that a killed process of this machine left, and folders that are empty. Only while no other process
    /// writes there.
    pub async fn clean(&self) -> Result<u64> {
        let call = async {
            let Some(folder) = self.folder.clone() else {
                return Ok(0);
            };
            local::blocking(folder, |f| local::clean(&f.join("jobs"))).await
        };
        self.faults.around("clean", FilesProblem::Away, call).await
    }

    /// Writes, reads back and removes a small file: for readiness and `doctor`.
    pub async fn probe(&self) -> Result<()> {
        let call = async {
            let key = Key::from(format!("probe/{}", uuid::Uuid::new_v4()));
            let words = Bytes::from_static(b"grainway");
            self.store
                .put(&key, words.clone().into())
                .await
                .map_err(not_put)?;
            let read = self.store.get(&key).await?.bytes().await?;
            self.store.delete(&key).await?;
            match read == words {
                true => Ok(()),
                false => Err(FilesProblem::Damaged {
                    name: key.to_string(),
                }),
            }
        };
        self.faults.around("probe", FilesProblem::Away, call).await
    }
}

/// Stores several files side by side; what was stored comes in the order of `puts`. All are waited for, also when one fails: what is
/// still being written cannot be removed.
pub async fn together(puts: Vec<BoxFuture<'_, Result<JobFile>>>) -> Result<Vec<JobFile>> {
    let ended: Vec<_> = futures_util::stream::iter(puts)
        .buffered(PUTS)
        .collect()
        .await;
    ended.into_iter().collect()
}

fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|b| format!("{b:02x}")).collect()
}

#[cfg(test)]
mod tests {
    use super::{FilesProblem, JobFile, together};
    use futures_util::FutureExt;
    use std::sync::atomic::{AtomicU32, Ordering};
    use std::time::Duration;

    #[tokio::test]
    async fn a_file_that_fails_waits_for_those_beside_it() {
        let done = &AtomicU32::new(0);
        let stored = |n: u32| async move {
            tokio::time::sleep(Duration::from_millis(5 * u64::from(20 - n))).await;
            done.fetch_add(1, Ordering::Relaxed);
            Ok(JobFile {
                name: n.to_string(),
                sha256: String::new(),
                bytes: 0,
            })
        };
        let mut puts: Vec<_> = (0..20).map(|n| stored(n).boxed()).collect();
        let names = |files: Vec<JobFile>| files.into_iter().map(|f| f.name).collect::<Vec<_>>();
        let all = names(together(puts).await.unwrap());
        assert_eq!(all, (0..20).map(|n| n.to_string()).collect::<Vec<_>>());
        puts = (0..20).map(|n| stored(n).boxed()).collect();
        puts[1] = async { Err(FilesProblem::Away("on purpose".to_string())) }.boxed();
        assert!(together(puts).await.is_err());
        assert_eq!(done.load(Ordering::Relaxed), 20 + 19);
    }
}
