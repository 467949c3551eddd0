//! The job's folder: the only files that a job may name are those inside it.

use crate::request::{Failure, MakeRequest};
use grainway_pipeline::stage::{FileProblem, Files};
use std::collections::BTreeMap;
use std::io::Read;
use std::path::{Component, Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};

/// Files larger than this are not read: a drawing of 3,000 parts has about 20 MiB.
pub const MAX_FILE_BYTES: u64 = 128 * 1024 * 1024;

/// Reads files of one folder and no others. Each file is read once, so that what was hashed is what is drawn from.
pub struct JobFolder {
    /// No folder on the disk: what was given is all there is.
    given: bool,
    root: PathBuf,
    read: Mutex<BTreeMap<String, Arc<[u8]>>>,
}

impl JobFolder {
    /// The folder at `root`, which must exist.
    pub fn new(root: &Path) -> std::io::Result<JobFolder> {
        Ok(JobFolder {
            given: false,
            root: root.canonicalize()?,
            read: Mutex::new(BTreeMap::new()),
        })
    }

    /// A folder that is not on the disk, of these files.
    pub fn given(files: BTreeMap<String, Arc<[u8]>>) -> JobFolder {
        JobFolder {
            given: true,
            root: PathBuf::new(),
            read: Mutex::new(files),
        }
    }

    /// From here on the file of this name has these bytes, whatever is on the disk.
    pub(crate) fn put(&self, name: &str, bytes: &[u8]) {
        self.lock().insert(name.to_string(), bytes.into());
    }

    /// Where it is; empty for one that is not on the disk.
    pub fn root(&self) -> &Path {
        &self.root
    }

    /// The bytes of a file of at most `limit` bytes.
    pub fn read_within(&self, name: &str, limit: u64) -> Result<Arc<[u8]>, FileProblem> {
        if let Some(bytes) = self.lock().get(name) {
            let bytes = Arc::clone(bytes);
            return match bytes.len() as u64 > limit {
                true => Err(FileProblem::TooLarge {
                    name: name.to_string(),
                    bytes: bytes.len() as u64,
                    limit,
                }),
                false => Ok(bytes),
            };
        }
        let bytes: Arc<[u8]> = self.read_now(name, limit)?.into();
        self.lock().insert(name.to_string(), Arc::clone(&bytes));
        Ok(bytes)
    }

    fn lock(&self) -> std::sync::MutexGuard<'_, BTreeMap<String, Arc<[u8]>>> {
        self.read.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn read_now(&self, name: &str, limit: u64) -> Result<Vec<u8>, FileProblem> {
        let outside = || FileProblem::Outside(name.to_string());
        let unreadable = |why: String| FileProblem::Unreadable {
            name: name.to_string(),
            why,
        };
        if name.is_empty() || name.contains('\0') {
            return Err(unreadable("it is not a file name".to_string()));
        }
        let relative = Path::new(name);
        let inside = relative
            .components()
            .all(|c| matches!(c, Component::Normal(_) | Component::CurDir));
        if !inside {
            return Err(outside());
        }
        if self.given {
            return Err(FileProblem::Missing(name.to_string()));
        }
        let path = match self.root.join(relative).canonicalize() {
            Ok(path) => path,
            Err(e) if e.kind() == std::io::ErrorKind::NotFound => {
                return Err(FileProblem::Missing(name.to_string()));
            }
            Err(e) => return Err(unreadable(e.to_string())),
        };
        if !path.starts_with(&self.root) {
            return Err(outside());
        }
        let about = std::fs::metadata(&path).map_err(|e| unreadable(e.to_string()))?;
        if !about.is_file() {
            return Err(unreadable("it is not a plain file".to_string()));
        }
        let too_large = |bytes: u64| FileProblem::TooLarge {
            name: name.to_string(),
            bytes,
            limit,
        };
        if about.len() > limit {
            return Err(too_large(about.len()));
        }
        let mut bytes = Vec::with_capacity(usize::try_from(about.len()).unwrap_or(0));
        std::fs::File::open(&path)
            .and_then(|f| f.take(limit + 1).read_to_end(&mut bytes))
            .map_err(|e| unreadable(e.to_string()))?;
        // The file may have grown since its size was asked for.
        if bytes.len() as u64 > limit {
            return Err(too_large(bytes.len() as u64));
        }
        Ok(bytes)
    }
}

impl Files for JobFolder {
    fn read(&self, name: &str) -> Result<Vec<u8>, FileProblem> {
        self.read_within(name, MAX_FILE_BYTES).map(|b| b.to_vec())
    }
}

/// The job's folder and the job's name in it.
pub fn open(job: &Path) -> Result<(JobFolder, String), Failure> {
    let parent = match job.parent() {
        Some(p) if !p.as_os_str().is_empty() => p,
        _ => Path::new("."),
    };
    let Some(name) = job.file_name() else {
        return Err(Failure::Usage(format!("{} is not a file", job.display())));
    };
    let folder = JobFolder::new(parent)
        .map_err(|e| Failure::Usage(format!("{} cannot be read: {e}", parent.display())))?;
    Ok((folder, name.to_string_lossy().into_owned()))
}

impl MakeRequest {
    /// The job's folder with the documents that stand for files of it, and the job's name there.
    pub(crate) fn open(&self) -> Result<(JobFolder, String), Failure> {
        let (folder, job_file) = open(&self.job)?;
        for (name, text) in &self.instead {
            folder.put(name, text.as_bytes());
        }
        Ok((folder, job_file))
    }
}
