//! Files of a folder that others write into: plain ones only, no link is followed.

use bytes::Bytes;
use nix::fcntl::OFlag;
use std::fs::{File, Metadata};
use std::io::{Read, Write};
use std::os::unix::fs::{MetadataExt, OpenOptionsExt};
use std::path::Path;

/// What changes when somebody writes to a file, or puts another in its place.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Stamp {
    bytes: u64,
    seconds: i64,
    nanoseconds: i64,
    inode: u64,
}

impl Stamp {
    pub(super) fn of(about: &Metadata) -> Stamp {
        Stamp {
            bytes: about.len(),
            seconds: about.mtime(),
            nanoseconds: about.mtime_nsec(),
            inode: about.ino(),
        }
    }
}

pub(super) fn said(path: &Path) -> impl Fn(std::io::Error) -> String + '_ {
    move |e| format!("{}: {e}", path.display())
}

/// A plain file's bytes and its stamp before and after: they differ when somebody wrote meanwhile.
pub(super) fn read(path: &Path, most: u64) -> Result<(Bytes, Stamp), String> {
    let mut file = File::options()
        .read(true)
        .custom_flags((OFlag::O_NOFOLLOW | OFlag::O_NONBLOCK).bits())
        .open(path)
        .map_err(said(path))?;
    let before = file.metadata().map_err(said(path))?;
    if !before.is_file() {
        return Err(format!("{} is not a plain file", path.display()));
    }
    let too_large = || {
        format!(
            "{} has more than the {} MiB that are taken",
            path.display(),
            most >> 20
        )
    };
    if before.len() > most {
        return Err(too_large());
    }
    let mut bytes = Vec::with_capacity(usize::try_from(before.len()).unwrap_or(0));
    (&mut file)
        .take(most + 1)
        .read_to_end(&mut bytes)
        .map_err(said(path))?;
    if bytes.len() as u64 > most {
        return Err(too_large());
    }
    let after = Stamp::of(&file.metadata().map_err(said(path))?);
    if after != Stamp::of(&before) {
        return Err(format!("{} is being written", path.display()));
    }
    Ok((Bytes::from(bytes), after))
}

/// The stamp of a plain file; `None` for what is not there, or is a link, a folder or a pipe.
pub(super) fn stamp(path: &Path) -> Option<Stamp> {
    let about = path.symlink_metadata().ok()?;
    about.is_file().then(|| Stamp::of(&about))
}

/// Makes a folder, or finds it: a link in its place is refused.
pub(super) fn folder(path: &Path) -> Result<(), String> {
    match std::fs::create_dir(path) {
        Ok(()) => return Ok(()),
        Err(e) if e.kind() == std::io::ErrorKind::AlreadyExists => {}
        Err(e) => return Err(said(path)(e)),
    }
    let about = path.symlink_metadata().map_err(said(path))?;
    match about.is_dir() {
        true => Ok(()),
        false => Err(format!(
            "{} is not a folder; a link in its place is not followed",
            path.display()
        )),
    }
}

/// Writes a text in one piece: there is the old or the new, never half.
pub(super) fn write(folder: &Path, name: &str, text: &str) -> Result<(), String> {
    let beside = folder.join(format!(".{name}.new"));
    remove(&beside)?;
    let written = File::create_new(&beside).and_then(|mut file| {
        file.write_all(text.as_bytes())?;
        file.sync_all()
    });
    written
        .and_then(|()| std::fs::rename(&beside, folder.join(name)))
        .map_err(said(&beside))
}

/// Removes a file, link or folder, if it is there.
pub(super) fn remove(path: &Path) -> Result<(), String> {
    let gone = match path.symlink_metadata() {
        Ok(about) if about.is_dir() => std::fs::remove_dir_all(path),
        Ok(_) => std::fs::remove_file(path),
        Err(e) => Err(e),
    };
    match gone {
        Err(e) if e.kind() != std::io::ErrorKind::NotFound => Err(said(path)(e)),
        _ => Ok(()),
    }
}

/// What is in a folder reaches the disk before something says that it is there. Drives that cannot promise that are left alone.
pub(super) fn settle(folder: &Path) {
    let Ok(entries) = std::fs::read_dir(folder) else {
        return;
    };
    for entry in entries.flatten() {
        let path = entry.path();
        match entry.file_type() {
            Ok(kind) if kind.is_dir() => settle(&path),
            Ok(kind) if kind.is_file() => {
                let _ = File::open(&path).and_then(|f| f.sync_all());
            }
            _ => {}
        }
    }
    let _ = File::open(folder).and_then(|f| f.sync_all());
}
