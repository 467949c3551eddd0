//! What is handed in with a job: its document, and what that names and the job's folder has. The rest is the server's to find.

use crate::ClientProblem;
use crate::names::safe_name;
use grainway_pipeline::doc::MAX_DOCUMENT_BYTES;
use grainway_pipeline::stage::FileProblem;
use grainway_runner::{JobFolder, MAX_FILE_BYTES};
use serde_json::Value;
use std::collections::BTreeMap;
use std::io::{Cursor, Write};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use zip::write::SimpleFileOptions;

/// The files of a job.
#[derive(Debug)]
pub struct Collected {
    /// The job's folder, links resolved.
    pub folder: PathBuf,
    /// Name → bytes.
    pub files: BTreeMap<String, Arc<[u8]>>,
    /// Names in the documents that the folder does not have: the server may.
    pub absent: Vec<String>,
}

/// Collects the job document at `path` and what belongs to it.
pub fn collect(path: &Path) -> Result<Collected, ClientProblem> {
    let shown = path.display();
    let input = ClientProblem::Input;
    let own = path
        .file_name()
        .and_then(|n| n.to_str())
        .ok_or_else(|| input(format!("{shown} is not the name of a job document")))?;
    let parent = match path.parent() {
        Some(p) if !p.as_os_str().is_empty() => p,
        _ => Path::new("."),
    };
    let folder = JobFolder::new(parent)
        .map_err(|e| input(format!("{} cannot be found: {e}", parent.display())))?;
    let text = folder
        .read_within(own, MAX_DOCUMENT_BYTES as u64)
        .map_err(|e| input(format!("{e}.")))?;
    let value: Value = serde_json::from_slice(&text)
        .map_err(|e| input(format!("{shown} is not a JSON document: {e}")))?;
    let drawings = value.get("drawings").and_then(Value::as_array);
    let named = value
        .get("shop")
        .into_iter()
        .chain(drawings.into_iter().flatten().filter_map(|d| d.get("file")))
        .filter_map(Value::as_str);
    // The server knows the document by its place in the job; a name that it would refuse is ours to change.
    let document = if own.split('/').all(safe_name) {
        own
    } else {
        "job.json"
    };
    let mut files = BTreeMap::from([(document.to_string(), text)]);
    let mut absent = Vec::new();
    for name in named {
        if files.contains_key(name) || absent.iter().any(|a| a == name) {
            continue;
        }
        match folder.read_within(name, MAX_FILE_BYTES) {
            Ok(_) if !name.split('/').all(safe_name) => {
                return Err(input(format!(
                    "the file name \"{name}\" cannot be sent; use letters, digits, points, dashes and underscores, and change the name in {shown} too"
                )));
            }
            Ok(bytes) => {
                files.insert(name.to_string(), bytes);
            }
            Err(FileProblem::Missing(_)) => absent.push(name.to_string()),
            Err(problem) => return Err(input(format!("{problem}."))),
        }
    }
    Ok(Collected {
        folder: folder.root().to_path_buf(),
        files,
        absent,
    })
}

impl Collected {
    /// The files as a zip: the same files give the same bytes.
    pub fn zipped(&self) -> Result<Vec<u8>, ClientProblem> {
        let pack = || -> zip::result::ZipResult<Vec<u8>> {
            let mut zip = zip::ZipWriter::new(Cursor::new(Vec::new()));
            // No dates, no rights of this machine.
            let options = SimpleFileOptions::default()
                .last_modified_time(zip::DateTime::default())
                .unix_permissions(0o644);
            for (name, bytes) in &self.files {
                zip.start_file(name.as_str(), options)?;
                zip.write_all(bytes)?;
            }
            Ok(zip.finish()?.into_inner())
        };
        pack().map_err(|e| ClientProblem::Input(format!("the files cannot be packed: {e}")))
    }
}
