//! A data file's text: remarks taken out, what it extends filled in, which of the two forms it has, and what both forms share.

use crate::file::{Axes, DIALECT_FORMAT, DialectFile, Files};
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

/// Problems of a data file as they are found.
#[derive(Default)]
pub(crate) struct Complaints(Vec<Problem>);

impl Complaints {
    pub(crate) fn add(&mut self, pointer: &str, message: impl Into<String>) {
        self.0.push(Problem::new(pointer, message));
    }
    pub(crate) fn unless(&mut self, good: bool, pointer: &str, message: &str) {
        if !good {
            self.add(pointer, message);
        }
    }
    pub(crate) fn all(self) -> Vec<Problem> {
        self.0
    }
}

/// The keys that both forms of data file have.
pub(crate) struct Common<'a> {
    pub(crate) format: &'a str,
    pub(crate) name: &'a str,
    pub(crate) ending: &'a str,
    /// An ending as an example.
    pub(crate) usual_ending: &'a str,
    pub(crate) blocks_per_second: f64,
    pub(crate) axes: Axes,
    pub(crate) files: Files,
}

impl Common<'_> {
    pub(crate) fn check(&self, found: &mut Complaints) {
        found.unless(
            self.format == DIALECT_FORMAT,
            "/format",
            "must be \"grainway.dialect/1\"",
        );
        let plain = |c: char| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '-';
        found.unless(
            !self.name.is_empty() && self.name.chars().all(plain),
            "/name",
            "must be lower-case letters, digits and hyphens",
        );
        let letters = self.ending.strip_prefix('.').unwrap_or_default();
        if letters.is_empty() || !letters.chars().all(|c| c.is_ascii_alphanumeric()) {
            let usual = self.usual_ending;
            found.add(
                "/ending",
                format!("must be a point and letters or digits, such as \"{usual}\""),
            );
        }
        found.unless(
            self.blocks_per_second > 0.0,
            "/blocks-per-second",
            "must be more than 0",
        );
        found.unless(
            self.axes.x.place().0 != self.axes.y.place().0,
            "/axes",
            "x and y must go along different axes",
        );
        found.unless(
            self.files.most_lines == 0 || self.files.most_lines >= 100,
            "/files/most-lines",
            "must be 0 (no limit) or at least 100",
        );
    }
}

/// Takes out the keys that begin with //: they are remarks for people.
fn drop_remarks(value: &mut Value) {
    if let Value::Object(map) = value {
        map.retain(|key, _| !key.starts_with("//"));
        map.values_mut().for_each(drop_remarks);
    }
}
