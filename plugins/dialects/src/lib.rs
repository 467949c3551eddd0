//! Dialects as data, with their writer and, separately written, their reader.
//!
//! A dialect is one JSON file, in one of two forms: blocks and words ([`DialectFile`]) or a pen language ([`PenFile`]). Writers and
//! readers share that file and nothing else, so that one mistake does not hide the other. Built-in dialects are named for standards and properties.

mod complaints;
pub mod conformance;
mod document;
mod file;
mod pen;
mod problems;
pub mod programs;
mod read;
mod template;
mod write;

pub use file::{
    Arcs, Axes, Axis, BlockNumbers, Centre, Characters, CommentStyle, CycleHeights, Cycles,
    DIALECT_FORMAT, DialectFile, Dwell, DwellUnit, FeedPer, Files, Home, Language, Lengths,
    LineEnd, Lines, Macro, MacroDeed, Mark, Modal, MotionWords, Numbers, OnlyUnit, PathMode, Pause,
    PauseMessage, Separator, SpindleSpeed, SpindleWords, Through, UnitWords,
};

pub use pen::{Pen, PenFile, PenGap, PenHeights, PenRemark, PenSpeed, PenSpindle, PenWait};

use document::Document;
use grainway_pipeline::dialect::{
    Dialect, DialectAbout, DialectError, ProgramHead, ReadEnd, ReadMove, Reader, Written,
};
use grainway_pipeline::doc::Problem;
use grainway_pipeline::motion::Item;
use grainway_pipeline::stage::Dialects;
use serde_json::Value;
use std::io::{BufRead, Write};
use std::ops::ControlFlow;
use std::sync::Arc;

/// The built-in files by name; one that extends another stands after it.
const BUILT_IN: [(&str, &str); 6] = [
    ("rs274-ngc", include_str!("../data/rs274-ngc.json")),
    ("rs274-lean", include_str!("../data/rs274-lean.json")),
    ("rs274-lines", include_str!("../data/rs274-lines.json")),
    ("iso6983", include_str!("../data/iso6983.json")),
    (
        "iso6983-counted",
        include_str!("../data/iso6983-counted.json"),
    ),
    ("pen-plot", include_str!("../data/pen-plot.json")),
];

/// A dialect made from its data file.
struct DataDialect {
    about: DialectAbout,
    form: Form,
}

enum Form {
    /// Blocks and words.
    Words(Box<DialectFile>, read::Words),
    Pen(Box<PenFile>),
}

impl Dialect for DataDialect {
    fn about(&self) -> &DialectAbout {
        &self.about
    }
    fn write(
        &self,
        head: &ProgramHead,
        items: &mut dyn Iterator<Item = Item>,
        out: &mut dyn Write,
    ) -> Result<Written, DialectError> {
        match &self.form {
            Form::Words(file, _) => write::write(file, head, items, out),
            Form::Pen(file) => pen::write(file, head, items, out),
        }
    }
    fn reader(&self) -> Option<&dyn Reader> {
        Some(self)
    }
}

impl Reader for DataDialect {
    fn read(
        &self,
        text: &mut dyn BufRead,
        receive: &mut dyn FnMut(ReadMove) -> ControlFlow<()>,
    ) -> ReadEnd {
        match &self.form {
            Form::Words(file, words) => read::read(file, words, text, receive),
            Form::Pen(file) => pen::read(file, text, receive),
        }
    }
}

/// The JSON of a built-in dialect with what it extends filled in.
fn base(name: &str) -> Option<Value> {
    let (_, text) = BUILT_IN.iter().find(|(n, _)| *n == name)?;
    let document = Document::from_json(text, &base).ok()?;
    serde_json::to_value(document).ok()
}

/// A dialect from the text of its data file, which may extend a built-in one. All problems at once.
pub fn from_json(text: &str) -> Result<Arc<dyn Dialect>, Vec<Problem>> {
    let (about, form) = match Document::from_json(text, &base)? {
        Document::Pen(file) => (file.about(), Form::Pen(file)),
        Document::Words(file) => {
            let problems = read::problems(&file);
            if !problems.is_empty() {
                return Err(problems);
            }
            let words = read::Words::of(&file);
            (file.about(), Form::Words(file, words))
        }
    };
    Ok(Arc::new(DataDialect { about, form }))
}

/// All keys of a built-in dialect, with those of what it extends.
pub fn keys_of(name: &str) -> Option<Value> {
    base(name)
}

/// The text of a data file that builds on a built-in dialect and changes nothing yet; a remark tells what each key is. `None` when
/// no built-in dialect has the name.
pub fn starter(name: &str, from: &str) -> Option<String> {
    let keys = base(from)?;
    let schema = match keys.get("pen") {
        Some(_) => schemars::schema_for!(PenFile).to_value(),
        None => schemars::schema_for!(DialectFile).to_value(),
    };
    let mut lines = vec![
        "{".to_string(),
        "  \"// 1\": \"Keys that begin with // are remarks. What this file does not say is as in the dialect that it extends.\",".to_string(),
        format!("  \"format\": \"{DIALECT_FORMAT}\","),
        format!("  \"name\": \"{name}\","),
        "  \"version\": 1,".to_string(),
        format!("  \"extends\": \"{from}\","),
    ];
    let said = ["format", "name", "version", "extends", "summary"];
    for (key, value) in keys.as_object()? {
        if said.contains(&key.as_str()) {
            continue;
        }
        let about = schema.pointer(&format!("/properties/{key}/description"));
        let about = about.and_then(Value::as_str).unwrap_or_default();
        let remark = format!("{about} Now: {value}").replace('\n', " ");
        lines.push(format!("  \"// {key}\": {},", Value::String(remark)));
    }
    lines.push(
        "  \"summary\": \"Say here which properties a controller must have to read this dialect.\""
            .to_string(),
    );
    lines.push("}".to_string());
    Some(lines.join("\n") + "\n")
}

/// The dialects that are built in.
pub fn built_in() -> Dialects {
    let mut all = Dialects::default();
    for (_, text) in BUILT_IN {
        // A test shows that every built-in file is good, so none is left out here.
        if let Ok(dialect) = from_json(text) {
            all.add(dialect);
        }
    }
    all
}

/// JSON Schema of a dialect file.
pub fn schema() -> Value {
    schemars::schema_for!(Document).to_value()
}
