//! A data file's text: remarks taken out, what it extends filled in, and which of the two forms it has.

use crate::file::DialectFile;
use crate::pen::PenFile;
use grainway_pipeline::chain::overlay;
use grainway_pipeline::doc::Problem;
use schemars::JsonSchema;
use serde::Serialize;
use serde_json::Value;

/// A dialect's data file. One with the key `pen` is a pen language; every other one has blocks and words.
#[derive(Clone, Debug, PartialEq, Serialize, JsonSchema)]
#[serde(untagged)]
pub(crate) enum Document {
    /// Blocks and words.
    Words(Box<DialectFile>),
    /// A pen language.
    Pen(Box<PenFile>),
}

impl Document {
    /// Reads a dialect file; keys that begin with // are remarks. `base` gives the JSON of the dialect that it extends. All problems
    /// at once.
    pub(crate) fn from_json(
        text: &str,
        base: &dyn Fn(&str) -> Option<Value>,
    ) -> Result<Document, Vec<Problem>> {
        let problem = |pointer: &str, message: String| vec![Problem::new(pointer, message)];
        let mut own: Value = serde_json::from_str(text).map_err(|e| problem("", e.to_string()))?;
        drop_remarks(&mut own);
        let merged = match own.get("extends").and_then(Value::as_str) {
            Some(name) => {
                let mut under = base(name).ok_or_else(|| {
                    problem(
                        "/extends",
                        format!("no built-in dialect is called \"{name}\""),
                    )
                })?;
                overlay(&mut under, &own);
                under
            }
            None => own,
        };
        let wrong = |e: serde_json::Error| problem("", e.to_string());
        let (document, problems) = match merged.get("pen") {
            Some(_) => {
                let file: PenFile = serde_json::from_value(merged).map_err(wrong)?;
                let problems = file.problems();
                (Document::Pen(Box::new(file)), problems)
            }
            None => {
                let file: DialectFile = serde_json::from_value(merged).map_err(wrong)?;
                let problems = file.problems();
                (Document::Words(Box::new(file)), problems)
            }
        };
        match problems.is_empty() {
            true => Ok(document),
            false => Err(problems),
        }
    }
}

/// Takes out the keys that begin with //: they are remarks for people.
fn drop_remarks(value: &mut Value) {
    if let Value::Object(map) = value {
        map.retain(|key, _| !key.starts_with("//"));
        map.values_mut().for_each(drop_remarks);
    }
}
