//! Loads a native plugin, checks its version, and reads its description.
//!
//! A library is never unloaded: code of its own may still be referred to, and a file replaced in place under a loaded library
//! crashes. What a description leaks (names that stages and faults refer to for ever) is leaked once a library, for the same
//! time.
#![allow(unsafe_code, reason = "libraries are loaded and called here")]

use crate::library_about::{DialectEntry, LibraryAbout, May, StageEntry};
use crate::native::{self, Inner, NativeDialect, NativeStage};
use crate::one_line::one_line;
use grainway_abi as abi;
use grainway_pipeline::dialect::Dialect;
use grainway_pipeline::stage::{Cancel, Stage};
use serde_json::Value;
use std::collections::BTreeSet;
use std::ffi::CString;
use std::path::{Path, PathBuf};
use std::sync::Arc;

/// Abilities of this host, as `requires` and `uses` name them.
pub const ABILITIES: [&str; 6] = [
    "blobs",
    "cancel",
    "dialect-read",
    "dialect-write",
    "stage-order",
    "stage-run",
];

/// Why a library is not used.
#[derive(Debug, thiserror::Error)]
pub enum LoadError {
    /// The system cannot load the file.
    #[error("{path} cannot be loaded: {why}")]
    Open {
        /// The file.
        path: PathBuf,
        /// The system's words.
        why: String,
    },
    /// It has no entry of any version.
    #[error(
        "{path} is no plugin of grainway: it exports no function {}",
        abi::ENTRY
    )]
    NoEntry {
        /// The file.
        path: PathBuf,
    },
    /// It speaks another major version.
    #[error(
        "{path} speaks version {theirs} of the plugin interface, this grainway speaks version {ours}: take a build of the plugin for version {ours}, or a grainway for version {theirs}"
    )]
    OtherVersion {
        /// The file.
        path: PathBuf,
        /// What it says.
        theirs: String,
        /// What this host speaks.
        ours: String,
    },
    /// What it exports is not a plugin's table.
    #[error(
        "{path} exports {}, but what it returns is no plugin's table: {what}",
        abi::ENTRY
    )]
    Table {
        /// The file.
        path: PathBuf,
        /// What is wrong.
        what: String,
    },
    /// It cannot do without something that this host lacks.
    #[error(
        "{path} requires \"{ability}\", which this grainway (plugin interface {ours}) does not have: take a newer grainway, or an older build of the plugin"
    )]
    Requires {
        /// The file.
        path: PathBuf,
        /// The ability.
        ability: String,
        /// What this host speaks.
        ours: String,
    },
    /// It could not describe itself.
    #[error("{path} could not describe itself: {what}")]
    Describe {
        /// The file.
        path: PathBuf,
        /// What happened.
        what: String,
    },
    /// Its description is not good.
    #[error("the description of {path} is not good at \"{pointer}\": {what}")]
    Description {
        /// The file.
        path: PathBuf,
        /// JSON Pointer into the description.
        pointer: String,
        /// One sentence.
        what: String,
    },
}

/// A loaded library. Copies share it.
#[derive(Clone)]
pub struct Library {
    pub(crate) inner: Arc<Inner>,
}

/// The version that this host speaks.
pub fn version() -> String {
    format!("{}.{}", abi::MAJOR, abi::MINOR)
}

/// Loads a library, checks that both sides speak the same version, and reads its description. The library stays loaded until the
/// process ends.
pub fn load(path: &Path) -> Result<Library, LoadError> {
    let table = table(path)?;
    let bytes = native::describe(&table).map_err(|what| LoadError::Describe {
        path: path.into(),
        what,
    })?;
    let about = described(path, &bytes)?;
    for (what, wanted, offered) in [
        (
            "dialects",
            !about.dialects.is_empty(),
            table.dialect_write.is_some(),
        ),
        (
            "dialects that read",
            about.dialects.iter().any(|d| d.reads),
            table.dialect_read.is_some(),
        ),
        (
            "stages",
            !about.stages.is_empty(),
            table.stage_run.is_some(),
        ),
    ] {
        if wanted && !offered {
            return Err(LoadError::Table {
                path: path.into(),
                what: format!("it describes {what} but has no function for them"),
            });
        }
    }
    Ok(Library {
        inner: Arc::new(Inner {
            table,
            path: path.into(),
            about,
            cancel: Arc::new(Cancel::default()),
        }),
    })
}

impl Library {
    /// What it says of itself.
    pub fn about(&self) -> &LibraryAbout {
        &self.inner.about
    }
    /// The file that it was loaded from.
    pub fn path(&self) -> &Path {
        &self.inner.path
    }
    /// Ends what its dialects are at; stages hear of their own context's cancel.
    pub fn cancel(&self) -> &Arc<Cancel> {
        &self.inner.cancel
    }
    /// Its dialects, to be installed.
    pub fn dialects(&self) -> Vec<Arc<dyn Dialect>> {
        self.dialects_with(&self.inner.cancel)
    }
    /// Its dialects, ended by a flag of their own.
    pub fn dialects_with(&self, cancel: &Arc<Cancel>) -> Vec<Arc<dyn Dialect>> {
        let made = self.native_dialects(cancel);
        made.into_iter().map(|d| Arc::new(d) as _).collect()
    }
    pub(crate) fn native_dialects(&self, cancel: &Arc<Cancel>) -> Vec<NativeDialect> {
        let entries = self.inner.about.dialects.iter();
        entries
            .map(|e| NativeDialect::new(&self.inner, e, cancel))
            .collect()
    }
    /// Its stages, to be installed.
    pub fn stages(&self) -> Vec<Box<dyn Stage>> {
        let made = self.native_stages();
        made.into_iter().map(|s| Box::new(s) as _).collect()
    }
    pub(crate) fn native_stages(&self) -> Vec<NativeStage> {
        let entries = self.inner.about.stages.iter();
        entries.map(|e| NativeStage::new(&self.inner, e)).collect()
    }
}

/// Loads the file and gives its table, checked and copied.
fn table(path: &Path) -> Result<abi::Plugin, LoadError> {
    use libloading::os::unix::{Library, RTLD_LOCAL, RTLD_NOW};
    let open = |why: String| LoadError::Open {
        path: path.into(),
        why,
    };
    // A bare name would be looked for in the system's folders.
    let full = path.canonicalize().map_err(|e| open(e.to_string()))?;
    // SAFETY: loading runs the library's own start code; libraries come from folders that the operator configured, and are loaded
    // only in a process that holds one job.
    let library = unsafe { Library::open(Some(&full), RTLD_NOW | RTLD_LOCAL) }
        .map_err(|e| open(with_causes(&e)))?;
    let entry = |name: &str| {
        let name = CString::new(name).ok()?;
        // SAFETY: whatever has this name is, by the interface, a function of this type; it is called only when the version is ours.
        unsafe { library.get::<abi::EntryFn>(name.to_bytes_with_nul()) }
            .ok()
            .map(|symbol| *symbol)
    };
    let ours = entry(abi::ENTRY);
    let found = ours.map(|entry| {
        // SAFETY: the function of this name takes nothing and returns a pointer to a table that lives as long as the library.
        unsafe { entry() }
    });
    let result = match found {
        Some(pointer) => checked(path, pointer),
        None => {
            let other = (0..100u32)
                .filter(|n| *n != abi::MAJOR)
                .find(|n| entry(&format!("grainway_plugin_{n}")).is_some());
            Err(match other {
                Some(n) => LoadError::OtherVersion {
                    path: path.into(),
                    theirs: n.to_string(),
                    ours: abi::MAJOR.to_string(),
                },
                None => LoadError::NoEntry { path: path.into() },
            })
        }
    };
    // Never unloaded, not even when it is refused: its start code ran, and may have left something that points into it.
    std::mem::forget(library);
    result
}

fn with_causes(error: &dyn std::error::Error) -> String {
    let mut text = error.to_string();
    let mut cause = error.source();
    while let Some(e) = cause {
        text = format!("{text}: {e}");
        cause = e.source();
    }
    text
}

fn checked(path: &Path, pointer: *const abi::Plugin) -> Result<abi::Plugin, LoadError> {
    let wrong = |what: &str| LoadError::Table {
        path: path.into(),
        what: what.into(),
    };
    if pointer.is_null() {
        return Err(wrong("it is null"));
    }
    if !pointer.is_aligned() {
        return Err(wrong("it lies askew in memory"));
    }
    // SAFETY: not null and aligned; the entry's name says that at least a table's first fields are there. Field by field, since
    // the rest is not trusted before these are checked.
    let (magic, major, minor, size) = unsafe {
        (
            (&raw const (*pointer).magic).read(),
            (&raw const (*pointer).major).read(),
            (&raw const (*pointer).minor).read(),
            (&raw const (*pointer).size).read(),
        )
    };
    if magic != abi::MAGIC {
        return Err(wrong("it does not begin with the eight letters GRAINWAY"));
    }
    if major != abi::MAJOR {
        return Err(LoadError::OtherVersion {
            path: path.into(),
            theirs: format!("{major}.{minor}"),
            ours: version(),
        });
    }
    if size < abi::PLUGIN_SIZE_1_0 {
        let least = abi::PLUGIN_SIZE_1_0;
        return Err(wrong(&format!(
            "it says that it has {size} bytes, fewer than the {least} of version 1.0"
        )));
    }
    // SAFETY: the table has at least the bytes of version 1.0, which are all that this host knows. A newer plugin's table is
    // longer, and what is longer is not read.
    let table = unsafe { pointer.read() };
    const { assert!(size_of::<abi::Plugin>() == abi::PLUGIN_SIZE_1_0) };
    for (name, there) in [
        ("describe", table.describe.is_some()),
        ("create", table.create.is_some()),
        ("destroy", table.destroy.is_some()),
    ] {
        if !there {
            return Err(wrong(&format!("its function `{name}` is null")));
        }
    }
    Ok(table)
}

/// The description, checked as far as the host relies on it.
pub(crate) fn described(path: &Path, bytes: &[u8]) -> Result<LibraryAbout, LoadError> {
    let bad = |pointer: String, what: String| LoadError::Description {
        path: path.into(),
        pointer: one_line(&pointer),
        what: one_line(&what),
    };
    let value: Value = serde_json::from_slice(bytes)
        .map_err(|e| bad(String::new(), format!("it is not JSON: {e}")))?;
    // First of all, so that a description from the future is refused for the right reason.
    let requires = value.get("requires").and_then(Value::as_array);
    for ability in requires.into_iter().flatten().filter_map(Value::as_str) {
        if !ABILITIES.contains(&ability) {
            return Err(LoadError::Requires {
                path: path.into(),
                ability: one_line(ability),
                ours: version(),
            });
        }
    }
    if let Some(pointer) = control_character(&value) {
        let what = "there is a control character in it, which a terminal might obey";
        return Err(bad(pointer, what.to_string()));
    }
    let about: LibraryAbout =
        serde_json::from_value(value).map_err(|e| bad(String::new(), format!("{e}")))?;
    complaint(&about).map_or(Ok(()), |(pointer, what)| Err(bad(pointer, what)))?;
    Ok(about)
}

/// Where the first text stands that has a control character other than line feed and tab.
fn control_character(value: &Value) -> Option<String> {
    let bad = |text: &str| {
        text.chars()
            .any(|c| c.is_control() && c != '\n' && c != '\t')
    };
    match value {
        Value::String(text) => bad(text).then(String::new),
        Value::Array(items) => items
            .iter()
            .enumerate()
            .find_map(|(i, v)| control_character(v).map(|rest| format!("/{i}{rest}"))),
        Value::Object(map) => map.iter().find_map(|(key, v)| match bad(key) {
            true => Some(String::new()),
            false => control_character(v).map(|rest| format!("/{key}{rest}")),
        }),
        _ => None,
    }
}

/// A name that can stand in files and documents.
fn good_name(name: &str) -> bool {
    (1..=80).contains(&name.len())
        && !name.starts_with('.')
        && name
            .bytes()
            .all(|b| b.is_ascii_alphanumeric() || matches!(b, b'.' | b'_' | b'-'))
}

const NAME_RULE: &str =
    "a name has 1 to 80 letters, digits, points, dashes and underscores, and no point at the start";

/// A JSON Pointer into a description, and a sentence.
type Complaint = (String, String);

/// The first thing in a description that the host cannot live with.
pub(crate) fn complaint(about: &LibraryAbout) -> Option<Complaint> {
    if !good_name(&about.name) {
        return Some(("/name".into(), NAME_RULE.into()));
    }
    if about.dialects.is_empty() && about.stages.is_empty() {
        let what = "there is neither a dialect nor a stage in it";
        return Some((String::new(), what.into()));
    }
    let named = |names: &mut BTreeSet<String>, name: &str, twice: &str| match good_name(name) {
        false => Some(NAME_RULE.to_string()),
        true if !names.insert(name.into()) => Some(format!("two {twice} have this name")),
        true => None,
    };
    let mut names = BTreeSet::new();
    for (i, d) in about.dialects.iter().enumerate() {
        let wrong = named(&mut names, &d.about.name, "dialects").map(|what| ("name", what));
        let wrong = wrong.or_else(|| dialect_complaint(d).map(|(key, what)| (key, what.into())));
        if let Some((key, what)) = wrong {
            return Some((format!("/dialects/{i}/{key}"), what));
        }
    }
    let mut names = BTreeSet::new();
    for (i, s) in about.stages.iter().enumerate() {
        let wrong = named(&mut names, &s.name, "stages").map(|what| ("name".into(), what));
        if let Some((key, what)) = wrong.or_else(|| stage_complaint(s)) {
            return Some((format!("/stages/{i}/{key}"), what));
        }
    }
    None
}

/// What is wrong with a dialect's entry besides its name: the key and a sentence.
fn dialect_complaint(d: &DialectEntry) -> Option<(&'static str, &'static str)> {
    let about = &d.about;
    let ending = about.ending.strip_prefix('.').unwrap_or("");
    let good_ending =
        (1..=12).contains(&ending.len()) && ending.bytes().all(|b| b.is_ascii_alphanumeric());
    let good_rate = about.blocks_per_second > 0.0 && about.blocks_per_second.is_finite();
    let checks = [
        (
            good_ending,
            "ending",
            "an ending is a point and 1 to 12 letters or digits",
        ),
        (good_rate, "blocks_per_second", "a number over 0 is needed"),
        (
            about.decimals_mm <= 9 && about.decimals_inch <= 9,
            "decimals_mm",
            "no more than 9 decimals are printed",
        ),
        (
            about.pen.is_none_or(|p| p.is_sensible()),
            "pen",
            "unit_mm is over 0 and at most 0.025, feed_step no less than 0",
        ),
        (
            about.coarse.is_none_or(|c| c.is_sensible()),
            "coarse",
            "speed_step is 0 to 500, wait_step 0 to 60",
        ),
        (
            d.faults.len() <= 200 && d.faults.iter().all(|f| good_name(f)),
            "faults",
            NAME_RULE,
        ),
    ];
    let wrong = checks.into_iter().find(|(good, ..)| !good);
    wrong.map(|(_, key, what)| (key, what))
}

/// What is wrong with a stage's entry besides its name: the place in it and a sentence.
fn stage_complaint(s: &StageEntry) -> Option<Complaint> {
    let say = |key: &str, what: &str| Some((key.to_string(), what.to_string()));
    let good_facts = |facts: &[String]| facts.len() <= 100 && facts.iter().all(|f| good_name(f));
    if ![&s.needs, &s.gives, &s.spoils]
        .into_iter()
        .all(|f| good_facts(f))
    {
        return say("needs", NAME_RULE);
    }
    let own = |fact: &String| {
        fact.strip_prefix(s.name.as_str())
            .is_some_and(|rest| rest.is_empty() || rest.starts_with('.'))
    };
    if let Some(k) = s.gives.iter().position(|f| !own(f)) {
        return say(
            &format!("gives/{k}"),
            "a plugin's stage gives only facts that begin with its own name",
        );
    }
    if s.may.contains(&May::Order)
        && let Some(wrong) = order_complaint(s)
    {
        return Some(wrong);
    }
    if let Some(k) = s.findings.iter().position(|f| !good_name(&f.word)) {
        return say(&format!("findings/{k}/word"), NAME_RULE);
    }
    if !s.example.is_object() {
        return say("example", "an object with every key is needed");
    }
    if let Some(what) = native::schema_complaint(&s.schema) {
        return say("schema", &what);
    }
    let schema = native::with_lengths(&s.schema);
    let problems = native::read_layer(
        &s.example,
        Default::default(),
        &grainway_pipeline::doc::Pointer::default(),
        &schema,
    )
    .err()?;
    let words: Vec<&str> = problems.iter().map(|p| p.message.as_str()).collect();
    say("example", &words.join(" "))
}

/// A stage that may change the order works on an ordered work, and programs and verdicts made before it count for nothing.
fn order_complaint(s: &StageEntry) -> Option<Complaint> {
    let has = |facts: &[String], fact: &str| facts.iter().any(|f| f == fact);
    if !has(&s.needs, "ordered") {
        let what = "a stage that may change the order needs \"ordered\"";
        return Some(("needs".into(), what.into()));
    }
    let spoiled = ["programs", "verified", "reported"];
    let kept = spoiled.into_iter().find(|fact| !has(&s.spoils, fact))?;
    let what = format!("a stage that may change the order spoils \"{kept}\"");
    Some(("spoils".into(), what))
}

#[cfg(test)]
mod tests {
    use super::{LoadError, described};
    use std::path::Path;

    #[test]
    fn control_characters_of_a_description_reach_nobody() {
        for (text, words) in [
            (
                r#"{"requires":["b\u001b[2Js"]}"#,
                "puppet requires \"b [2Js\"",
            ),
            (
                r#"{"name":"p","summary":"\u0007"}"#,
                "not good at \"/summary\": there is a control character",
            ),
            (
                r#"{"na\u001bme":1}"#,
                "not good at \"\": there is a control character",
            ),
            (
                r#"{"dialects":[{"name":"a","gap":"\u0085"}]}"#,
                "\"/dialects/0/gap\"",
            ),
        ] {
            let said = described(Path::new("puppet"), text.as_bytes())
                .map(|_| ())
                .map_err(|e: LoadError| e.to_string());
            let said = said.unwrap_err();
            assert!(said.contains(words), "{said}");
            assert!(!said.chars().any(char::is_control), "{said:?}");
        }
    }

    /// What authors can say with the SDK is what the host hears, each key of it.
    #[test]
    fn a_description_by_the_sdk_is_heard_whole() {
        let dialect = grainway_sdk::DialectAbout {
            name: "a".into(),
            version: 3,
            summary: "s".into(),
            ending: ".plt".into(),
            helices: true,
            decimals_mm: 3,
            decimals_inch: 4,
            blocks_per_second: 100.0,
            line_length: 80,
            numbered_files: true,
            most_lines: 1200,
            pen: Some(grainway_sdk::PenAbout {
                unit_mm: 0.025,
                feed_step: 600.0,
            }),
            reads: true,
            faults: vec!["unknown-line".into()],
            ..grainway_sdk::DialectAbout::default()
        };
        let said = grainway_sdk::Description {
            name: "p".into(),
            version: "1".into(),
            summary: "s".into(),
            dialects: vec![dialect.clone()],
            ..grainway_sdk::Description::default()
        };
        let bytes = serde_json::to_vec(&said).unwrap();
        let heard = described(Path::new("puppet"), &bytes).unwrap();
        let mut both = [
            serde_json::to_value(&heard.dialects[0].about).unwrap(),
            serde_json::to_value(&dialect).unwrap(),
        ];
        // Beside what the host keeps elsewhere.
        both.iter_mut().for_each(|v| {
            let keys = v.as_object_mut().unwrap();
            keys.remove("reads");
            keys.remove("faults");
        });
        let [heard, said] = both;
        assert_eq!(heard, said);
        assert_eq!(heard.as_object().unwrap().len(), 18);
    }

    /// The unit is what the text may lie from the plan, so a library cannot make it as it likes.
    #[test]
    fn a_pen_language_of_coarse_units_is_refused() {
        for (unit, good) in [("0.025", true), ("0.1", false), ("0.0", false)] {
            let text = format!(
                r#"{{"name":"p","version":"1","summary":"s","stages":[],"dialects":[{{"name":"a","version":1,"summary":"s",
                "ending":".plt","arcs":false,"helices":false,"cycles":false,"cutter_change":false,"pauses":false,"spindle":false,
                "straight_rapids":false,"decimals_mm":3,"decimals_inch":4,"blocks_per_second":100.0,"line_length":0,
                "pen":{{"unit_mm":{unit},"feed_step":600.0}},"reads":true,"faults":[]}}]}}"#
            );
            let said = described(Path::new("puppet"), text.as_bytes())
                .map(|_| ())
                .map_err(|e: LoadError| e.to_string());
            assert_eq!(said.is_ok(), good, "{said:?}");
            if let Err(said) = said {
                assert!(said.contains("/dialects/0/pen"), "{said}");
            }
        }
    }
}
