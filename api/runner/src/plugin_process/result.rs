//! What a job's process made: checked against its own report before any of it is released.

use crate::output::OutputProblem;
use crate::request::Failure;
use grainway_stages::report::{JobVerdict, REPORT_FILE, ReportDocument};
use sha2::{Digest, Sha256};
use std::io::{Read, Write};
use std::path::Path;

/// The report that the process left, if everything it lists is there as it says, and nothing else. A process that a plugin ran in
/// can have left anything.
pub(super) fn read_result(folder: &Path) -> Result<ReportDocument, Failure> {
    let wrong = |why: String| {
        Failure::Failed(format!(
            "the job's process left a result that cannot be used: {why}"
        ))
    };
    let text = std::fs::read(folder.join(REPORT_FILE)).map_err(|e| wrong(e.to_string()))?;
    let report: ReportDocument = serde_json::from_slice(&text).map_err(|e| wrong(e.to_string()))?;
    let mut found = Vec::new();
    crate::output::list(folder, "", &mut found).map_err(|e| wrong(e.to_string()))?;
    found.retain(|name| name != REPORT_FILE);
    found.sort();
    if !found.iter().eq(report.files.keys()) {
        return Err(wrong("its files are not those of its report".to_string()));
    }
    for (name, sha256) in &report.files {
        if name.starts_with("programs/") && report.verdict != JobVerdict::Ready {
            return Err(wrong(format!(
                "{name} would be released although it is not verified"
            )));
        }
        let path = folder.join(name);
        let plain = std::fs::symlink_metadata(&path).is_ok_and(|a| a.is_file());
        if !plain || hash_of(&path).map_err(|e| wrong(e.to_string()))? != *sha256 {
            return Err(wrong(format!("{name} is not what was checked")));
        }
    }
    Ok(report)
}

fn hash_of(path: &Path) -> std::io::Result<String> {
    let mut hash = Sha256::new();
    let mut file = std::fs::File::open(path)?;
    let mut bytes = vec![0; 64 * 1024];
    loop {
        match file.read(&mut bytes)? {
            0 => break,
            n => hash.update(&bytes[..n]),
        }
    }
    Ok(hash.finalize().iter().map(|b| format!("{b:02x}")).collect())
}

/// Moves what was made into the new output folder and writes the report beside it.
pub(super) fn take_over(
    folder: &Path,
    fresh: &Path,
    report: &ReportDocument,
) -> Result<(), OutputProblem> {
    let disk = |what: &str, error: std::io::Error| OutputProblem::Disk {
        what: format!("{what} cannot be written"),
        error,
    };
    for name in report.files.keys() {
        let path = fresh.join(name);
        let parent = path.parent().unwrap_or(fresh);
        std::fs::create_dir_all(parent)
            .and_then(|()| std::fs::rename(folder.join(name), &path))
            .map_err(|e| disk(name, e))?;
    }
    let text = report
        .to_text()
        .map_err(|e| disk(REPORT_FILE, std::io::Error::other(e)))?;
    std::fs::File::create_new(fresh.join(REPORT_FILE))
        .and_then(|mut f| f.write_all(text.as_bytes()))
        .map_err(|e| disk(REPORT_FILE, e))
}
