//! Rewrites a document of an earlier format in the present one.
//!
//! Each format has one step to the next in [`STEPS`]; a document goes through all that follow its own. There is one format of each
//! kind so far, so no step exists yet, and migrating writes a document in canonical form: two blanks of indentation, keys sorted,
//! one line feed at the end. Values, units and lengths stay as they were written.

use grainway_pipeline::doc::{Problem, SHOP_FORMAT, read_job, read_shop};
use grainway_pipeline::finding::{Finding, code};
use serde_json::Value;
use std::io::Write;
use std::path::Path;

/// A step from one format to the next.
struct Step {
    from: &'static str,
    to: &'static str,
    rewrite: fn(&mut Value),
}

/// All steps, in the order in which they follow one another.
const STEPS: [Step; 0] = [];

/// What was done.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Migrated {
    /// The format it had.
    pub from: String,
    /// The format it has.
    pub to: String,
    /// The text was changed.
    pub changed: bool,
}

impl Migrated {
    /// For people.
    pub fn said(&self, file: &Path) -> String {
        let file = file.display();
        match (self.from == self.to, self.changed) {
            (true, false) => format!("{file} is {} already, in canonical form.", self.to),
            (true, true) => format!(
                "{file} is {} already, the only format so far; rewritten in canonical form.",
                self.to
            ),
            (false, _) => format!("{file} was {} and is {} now.", self.from, self.to),
        }
    }
}

/// Why a document stays as it is.
#[derive(Debug, thiserror::Error)]
pub enum MigrateProblem {
    /// It cannot be read.
    #[error("the document has problems")]
    Document(Vec<Finding>),
    /// The disk refused.
    #[error("{0}")]
    Disk(String),
}

/// Rewrites the document in its place; a document with problems is left alone.
pub fn migrate(file: &Path) -> Result<Migrated, MigrateProblem> {
    let shown = file.display().to_string();
    let bytes = std::fs::read(file).map_err(|e| {
        MigrateProblem::Document(vec![Finding::new(
            &code::CANNOT_READ,
            format!("{shown} cannot be read: {e}."),
        )])
    })?;
    let (text, from, to) = migrated_text(&bytes).map_err(|problems| {
        MigrateProblem::Document(problems.iter().map(|p| p.finding(&shown)).collect())
    })?;
    let changed = text.as_bytes() != bytes;
    if changed {
        replace(file, text.as_bytes())
            .map_err(|e| MigrateProblem::Disk(format!("{shown} cannot be written: {e}")))?;
    }
    Ok(Migrated { from, to, changed })
}

/// The document's new text, and the formats before and after.
fn migrated_text(bytes: &[u8]) -> Result<(String, String, String), Vec<Problem>> {
    let word = |value: &Value| {
        value
            .get("format")
            .and_then(Value::as_str)
            .unwrap_or_default()
            .to_string()
    };
    // What is no JSON at all is told in the reader's words.
    let Ok(mut value) = serde_json::from_slice::<Value>(bytes) else {
        return Err(read_job(bytes).err().unwrap_or_default());
    };
    let from = word(&value);
    for step in &STEPS {
        if word(&value) == step.from {
            (step.rewrite)(&mut value);
            value["format"] = step.to.into();
        }
    }
    let to = word(&value);
    // A key given twice is lost in `value`: the bytes themselves must be sound where no step was needed.
    let now = if from == to {
        bytes.to_vec()
    } else {
        value.to_string().into_bytes()
    };
    if to.split('/').next() == SHOP_FORMAT.split('/').next() {
        read_shop(&now)?;
    } else {
        read_job(&now)?;
    }
    let mut text = serde_json::to_string_pretty(&value)
        .map_err(|e| vec![Problem::new("", format!("{e}."))])?;
    text.push('\n');
    Ok((text, from, to))
}

/// Writes beside the file and renames, so that a document is never half there.
fn replace(file: &Path, bytes: &[u8]) -> std::io::Result<()> {
    let mut name = file.file_name().unwrap_or_default().to_os_string();
    name.push(format!(".new-{}", std::process::id()));
    let fresh = file.with_file_name(name);
    let written = std::fs::File::create_new(&fresh)
        .and_then(|mut f| f.write_all(bytes))
        .and_then(|()| std::fs::rename(&fresh, file));
    if written.is_err() {
        let _ = std::fs::remove_file(&fresh);
    }
    written
}
