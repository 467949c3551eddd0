//! A spool on disk: texts too long for memory, each under the SHA-256 of its bytes, gone when the run ends.

use grainway_pipeline::stage::{Spool, SpoolId};
use sha2::{Digest, Sha256};
use std::io::{BufReader, BufWriter, Write};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU64, Ordering};

/// A folder of spooled texts, removed when dropped.
pub struct FolderSpool {
    folder: PathBuf,
    next: AtomicU64,
}

/// Makes a folder in `parent` that did not exist before; its name starts with `stem`.
pub(crate) fn fresh_folder(parent: &Path, stem: &str) -> std::io::Result<PathBuf> {
    let process = std::process::id();
    for n in 0..10_000 {
        let path = parent.join(format!("{stem}-{process}-{n}"));
        match std::fs::create_dir(&path) {
            Ok(()) => return Ok(path),
            Err(e) if e.kind() == std::io::ErrorKind::AlreadyExists => {}
            Err(e) => return Err(e),
        }
    }
    Err(std::io::Error::other("no free name for a temporary folder"))
}

impl FolderSpool {
    /// A spool in a new folder inside `parent`.
    pub fn new(parent: &Path, stem: &str) -> std::io::Result<FolderSpool> {
        Ok(FolderSpool {
            folder: fresh_folder(parent, stem)?,
            next: AtomicU64::new(0),
        })
    }

    fn path(&self, id: &SpoolId) -> PathBuf {
        self.folder.join(&id.0)
    }
}

/// Hashes what passes through.
struct Hashing<W> {
    inner: W,
    hash: Sha256,
}

impl<W: Write> Write for Hashing<W> {
    fn write(&mut self, bytes: &[u8]) -> std::io::Result<usize> {
        let n = self.inner.write(bytes)?;
        self.hash.update(&bytes[..n]);
        Ok(n)
    }
    fn flush(&mut self) -> std::io::Result<()> {
        self.inner.flush()
    }
}

impl Spool for FolderSpool {
    fn write(
        &self,
        fill: &mut dyn FnMut(&mut dyn Write) -> std::io::Result<()>,
    ) -> std::io::Result<SpoolId> {
        let name = format!("new-{}", self.next.fetch_add(1, Ordering::Relaxed));
        let path = self.folder.join(name);
        let mut out = Hashing {
            inner: BufWriter::new(std::fs::File::create_new(&path)?),
            hash: Sha256::new(),
        };
        let filled = fill(&mut out).and_then(|()| out.flush());
        if let Err(e) = filled {
            let _ = std::fs::remove_file(&path);
            return Err(e);
        }
        let digest = out.hash.finalize();
        let id = SpoolId(digest.iter().map(|b| format!("{b:02x}")).collect());
        std::fs::rename(&path, self.path(&id))?;
        Ok(id)
    }

    fn open(&self, id: &SpoolId) -> std::io::Result<Box<dyn std::io::BufRead + Send>> {
        // Ids come out of saved states too: only what a hash looks like may become a file name.
        if id.0.len() != 64 || !id.0.bytes().all(|b| b.is_ascii_hexdigit()) {
            return Err(std::io::ErrorKind::NotFound.into());
        }
        Ok(Box::new(BufReader::new(std::fs::File::open(
            self.path(id),
        )?)))
    }
}

impl Drop for FolderSpool {
    fn drop(&mut self) {
        let _ = std::fs::remove_dir_all(&self.folder);
    }
}
