//! A zip from somebody else: names checked, sizes counted while it unpacks.

use crate::service::intake::safe_name;
use bytes::Bytes;
use std::collections::BTreeMap;
use std::io::{Cursor, Read};
use zip::ZipArchive;

/// What a zip may hold.
pub(super) struct Bounds {
    pub files: usize,
    pub bytes: u64,
}

/// The files of a zip; all problems at once.
pub(super) fn unzip(bytes: &[u8], bounds: &Bounds) -> Result<BTreeMap<String, Bytes>, Vec<String>> {
    let broken = |e: &dyn std::fmt::Display| vec![format!("The zip cannot be read: {e}.")];
    let mut archive = ZipArchive::new(Cursor::new(bytes)).map_err(|e| broken(&e))?;
    if archive.len() > bounds.files.saturating_mul(2) {
        return Err(vec![format!(
            "The zip has {} entries; a job may have {} files.",
            archive.len(),
            bounds.files
        )]);
    }
    let (mut files, mut problems) = (BTreeMap::new(), Vec::new());
    let mut left = bounds.bytes;
    for i in 0..archive.len() {
        let file = archive.by_index(i).map_err(|e| broken(&e))?;
        let name = file.name().map_err(|e| broken(&e))?.to_string();
        if file.is_dir() {
            continue;
        }
        if file.is_symlink() {
            problems.push(format!(
                "{name:?} in the zip is a link; links are not taken."
            ));
            continue;
        }
        if !name.split('/').all(safe_name) {
            problems.push(format!(
                "{name:?} in the zip is not a name that is taken: use letters, digits, points, dashes and underscores, no point in front or at the end, and no name of a device as con or nul."
            ));
            continue;
        }
        let mut content = Vec::new();
        file.take(left + 1)
            .read_to_end(&mut content)
            .map_err(|e| broken(&e))?;
        let Some(rest) = left.checked_sub(content.len() as u64) else {
            problems.push(format!(
                "The zip unpacks to more than the {} MiB that a job may have.",
                bounds.bytes >> 20
            ));
            break;
        };
        left = rest;
        if files.insert(name.clone(), Bytes::from(content)).is_some() {
            problems.push(format!("{name:?} is twice in the zip."));
        }
    }
    if files.len() > bounds.files {
        problems.push(format!(
            "The zip has {} files, more than the {} that a job may have.",
            files.len(),
            bounds.files
        ));
    }
    match problems.is_empty() {
        true => Ok(within(files)),
        false => Err(problems),
    }
}

/// A folder that was zipped whole: its name is taken off.
fn within(files: BTreeMap<String, Bytes>) -> BTreeMap<String, Bytes> {
    let first = files.keys().next().and_then(|n| n.split_once('/'));
    let Some(folder) = first.map(|(folder, _)| format!("{folder}/")) else {
        return files;
    };
    if !files.keys().all(|n| n.starts_with(&folder)) {
        return files;
    }
    files
        .into_iter()
        .map(|(name, bytes)| (name[folder.len()..].to_string(), bytes))
        .collect()
}
