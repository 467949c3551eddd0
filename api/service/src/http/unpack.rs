//! Unpacks zips that callers send. Names, kinds and counts are checked before unpacking, sizes while unpacking, whatever the zip says.

use super::problem::{BAD_BODY, Error, REFUSED, TOO_LARGE, Wrong};
use crate::config::ServiceLimits;
use bytes::Bytes;
use grainway_client::names::safe_name;
use std::collections::BTreeMap;
use std::io::{Cursor, Read};
use zip::ZipArchive;

/// Longest name with its folders, bytes.
const LONGEST_NAME: usize = 320;

fn damaged(why: impl std::fmt::Display) -> Error {
    let message = format!("The zip cannot be read: {why}.");
    Error::new(BAD_BODY, message.clone()).wrong([Wrong::new("", "bad-zip", message)])
}

/// A name of a file in a zip, or what is wrong with it.
fn name(raw: &[u8]) -> Result<String, Box<Wrong>> {
    let shown = String::from_utf8_lossy(raw).into_owned();
    let text = std::str::from_utf8(raw)
        .ok()
        .map(|t| t.strip_suffix('/').unwrap_or(t));
    match text {
        Some(text) if text.len() <= LONGEST_NAME && text.split('/').all(safe_name) => {
            Ok(text.to_string())
        }
        _ => Err(Box::new(
            Wrong::new(
                super::request::shown(&shown),
                "bad-name",
                "The name has signs, or a length, that no file of a job may have.",
            )
            .remedy(NAME_RULE),
        )),
    }
}

/// What a name may be, as told to callers.
pub(super) const NAME_RULE: &str = "Use letters, digits, points, dashes and underscores, at most 80 between two slashes, no point in front or at the end, and no name of a device as con or nul.";

/// The files of a zip by name. A folder that holds all of them is left out.
pub fn unpack(bytes: Bytes, limits: &ServiceLimits) -> Result<BTreeMap<String, Bytes>, Error> {
    let mut archive = ZipArchive::new(Cursor::new(bytes)).map_err(damaged)?;
    let mut names = BTreeMap::new();
    let mut wrong = Vec::new();
    // Folders are entries too.
    if archive.len() > 2 * limits.files as usize + 16 {
        return Err(too_many(limits));
    }
    if archive.has_duplicate_names() {
        wrong.push(
            Wrong::new("", "twice", "The zip has several entries of the same name.")
                .remedy("Pack every file once."),
        );
    }
    for i in 0..archive.len() {
        let entry = archive.by_index_raw(i).map_err(damaged)?;
        let found = name(entry.name_raw());
        let plain = entry
            .unix_mode()
            .is_none_or(|mode| matches!(mode & 0o170_000, 0 | 0o100_000 | 0o040_000));
        match found {
            Err(one) => wrong.push(*one),
            Ok(name) if entry.is_symlink() || !plain => wrong.push(
                Wrong::new(name, "not-a-file", "The entry is a link or a device.")
                    .remedy("Pack the file itself."),
            ),
            Ok(name) if entry.encrypted() => wrong.push(
                Wrong::new(name, "encrypted", "The entry is encrypted.")
                    .remedy("Pack it without a password."),
            ),
            Ok(_) if entry.is_dir() => {}
            Ok(name) => {
                if names.insert(name.clone(), i).is_some() {
                    wrong.push(
                        Wrong::new(name, "twice", "The zip has the file more than once.")
                            .remedy("Pack every file once."),
                    );
                }
            }
        }
    }
    if !wrong.is_empty() {
        return Err(Error::new(REFUSED, "The zip has entries that are not taken.").wrong(wrong));
    }
    if names.len() > limits.files as usize {
        return Err(too_many(limits));
    }
    let folder = common_folder(&names);
    let mut left = limits.unpacked_mib << 20;
    let mut files = BTreeMap::new();
    for (name, i) in names {
        let entry = archive.by_index(i).map_err(damaged)?;
        let mut unpacked = Vec::new();
        // What the zip says of sizes may be anything: what comes out is counted.
        entry
            .take(left + 1)
            .read_to_end(&mut unpacked)
            .map_err(|e| damaged(format!("{name}: {e}")))?;
        left = match left.checked_sub(unpacked.len() as u64) {
            Some(left) => left,
            None => {
                let message = format!(
                    "The zip unpacks to more than the {} MiB that a job may have.",
                    limits.unpacked_mib
                );
                return Err(Error::new(TOO_LARGE, message));
            }
        };
        let name = match &folder {
            Some(folder) => name[folder.len()..].to_string(),
            None => name,
        };
        files.insert(name, Bytes::from(unpacked));
    }
    Ok(files)
}

fn too_many(limits: &ServiceLimits) -> Error {
    Error::new(
        TOO_LARGE,
        format!(
            "The zip has more than the {} files that a job may have.",
            limits.files
        ),
    )
}

/// The folder, with its slash, in which all files are.
fn common_folder(names: &BTreeMap<String, usize>) -> Option<String> {
    let (folder, _) = names.keys().next()?.split_once('/')?;
    let folder = format!("{folder}/");
    names
        .keys()
        .all(|n| n.starts_with(&folder))
        .then_some(folder)
}
