//! Questions about one native library, each answered in a process of its own.

use super::process::{TemporaryFolder, run_task};
use crate::registries::Launcher;
use crate::spool::fresh_folder;
use crate::task::{Order, Outcome, Task};
use grainway_host::store::Description;
use grainway_host::{Conformance, End, Limits, Row, Verdict};
use grainway_pipeline::stage::{Cancel, Silent};
use std::path::{Path, PathBuf};

/// Loads a library in a process of its own and gives what it says of itself. The error is one sentence without a point.
pub fn describe(
    library: &Path,
    launcher: &Launcher,
    limits: &Limits,
) -> Result<Description, String> {
    // To describe itself is a plugin's quickest work.
    let limits = Limits {
        stage_seconds: limits.stage_seconds.min(10),
        cpu_seconds: limits.cpu_seconds.min(10),
        ..limits.clone()
    };
    match ask(library, Order::Describe, launcher, &limits)? {
        (End::Ok, Some(Outcome::Described(description))) => Ok(description),
        (End::Ok, Some(Outcome::NotLoaded { why, .. } | Outcome::Failed(why))) => Err(why),
        (End::Ok, _) => Err("its process left no description".to_string()),
        (end, _) => Err(format!("while it was loaded, {}", end.sentence())),
    }
}

/// Runs the conformance checks on a library, twice, each in a process of its own; both must write the same. The error is one
/// sentence without a point.
pub fn conform(
    library: &Path,
    launcher: &Launcher,
    limits: &Limits,
) -> Result<Conformance, String> {
    let once = || match ask(library, Order::Conform, launcher, limits)? {
        (End::Ok, Some(Outcome::Conformed(found))) => Ok(found),
        (End::Ok, _) => Err("its process left no table".to_string()),
        (end, _) => Err(format!("while it was checked, {}", end.sentence())),
    };
    let mut found = once()?;
    let again = once()?;
    let same = found.digest == again.digest;
    found.rows.push(Row {
        subject: "library".to_string(),
        check: "same-in-two-processes".to_string(),
        verdict: if same {
            Verdict::Passed
        } else {
            Verdict::Failed
        },
        detail: match same {
            true => "two processes wrote the same".to_string(),
            false => "two processes wrote different texts for the same input".to_string(),
        },
    });
    Ok(found)
}

/// One question about a library, answered in a process of its own.
fn ask(
    library: &Path,
    order: fn(PathBuf) -> Order,
    launcher: &Launcher,
    limits: &Limits,
) -> Result<(End, Option<Outcome>), String> {
    let place =
        fresh_folder(&std::env::temp_dir(), "grainway-describe").map_err(|e| e.to_string())?;
    let place = TemporaryFolder(place);
    let task = Task {
        store: None,
        pins: Vec::new(),
        native: Vec::new(),
        dialect: None,
        threads: 1,
        order: order(std::path::absolute(library).map_err(|e| e.to_string())?),
    };
    let left = run_task(
        launcher,
        &place.0,
        &task,
        limits,
        &Silent,
        &Cancel::default(),
    )
    .map_err(|e| e.to_string())?;
    Ok((left.ended.end, left.outcome))
}
