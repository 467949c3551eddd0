//! Stages: what they say of themselves, what they get, and how they end.

use crate::dialect::Dialect;
pub use crate::spool::{MemorySpool, Spool, SpoolId};
use crate::work::Work;
use schemars::JsonSchema;
use serde::Serialize;
use serde::de::DeserializeOwned;
use serde_json::Value;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

/// Something that holds of the work: a word such as `parts`, `variants`, `steps.pocket`, `placed`, `programs`, `verified`.
pub type Fact = &'static str;

/// A stage's description.
#[derive(Clone, Debug)]
pub struct About {
    /// Its name in chains and settings.
    pub name: &'static str,
    /// Counts up with every change of what it makes.
    pub version: u32,
    /// One sentence.
    pub summary: &'static str,
    /// What must hold before it runs. The name of a family, `steps`, stands for all facts of it that built-in stages give.
    pub needs: &'static [Fact],
    /// What holds after it.
    pub gives: &'static [Fact],
    /// What no longer holds after it; the name of a family stands for all facts of it.
    pub spoils: &'static [Fact],
    /// JSON Schema of its settings.
    pub schema: Value,
    /// Its settings with every key, as an example.
    pub example: Value,
}

/// Merged settings of one stage: defaults, then the shop's, then the job's. Lengths are millimetres.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Settings(pub Value);

/// Why a stage stopped the chain. The user's problems are findings, never this.
#[derive(Debug, thiserror::Error)]
pub enum Stop {
    /// The user asked for it.
    #[error("cancelled")]
    Cancelled,
    /// Something of ours, a plugin's or the disk's failed.
    #[error(transparent)]
    Fault(#[from] Fault),
}

/// A failure that is not the user's.
#[derive(Debug, thiserror::Error)]
#[error("{what}")]
pub struct Fault {
    /// One sentence.
    pub what: String,
}

impl Fault {
    /// A fault with a sentence.
    pub fn new(what: impl Into<String>) -> Fault {
        Fault { what: what.into() }
    }
}

/// One stage of a chain.
pub trait Stage: Send + Sync {
    /// Its description.
    fn about(&self) -> &About;
    /// SHA-256 of the plugin's file that it comes from; empty when it is built in. States saved behind it are good only with it.
    fn origin(&self) -> &str {
        ""
    }
    /// Transforms the work. Findings go into the work; a stage that cannot go on for one part goes on with the others.
    fn run(&self, work: &mut Work, settings: &Settings, cx: &Cx<'_>) -> Result<(), Stop>;
    /// Reads one layer of settings (the shop's or the job's) with the document's unit, checks it, and gives back the keys it
    /// sets, lengths in millimetres.
    fn read_settings(
        &self,
        layer: &Value,
        unit: crate::doc::Unit,
        pointer: &crate::doc::Pointer,
    ) -> Result<Value, Vec<crate::doc::Problem>>;
}

/// A stage with a settings type of its own: the typed wrapper implements [`Stage`] for it.
pub trait TypedStage: Send + Sync {
    /// Its settings. Every key has a default.
    type Settings: DeserializeOwned + Serialize + JsonSchema + Default;
    /// Name, version, summary, needs, gives, spoils; schema and example are filled in from the settings type.
    fn describe(&self) -> Description;
    /// See [`Stage::run`].
    fn run(&self, work: &mut Work, settings: &Self::Settings, cx: &Cx<'_>) -> Result<(), Stop>;
}

/// The part of [`About`] that is not made from the settings type.
#[derive(Clone, Copy, Debug)]
pub struct Description {
    /// Its name in chains and settings.
    pub name: &'static str,
    /// Counts up with every change of what it makes.
    pub version: u32,
    /// One sentence.
    pub summary: &'static str,
    /// What must hold before it runs. The name of a family, `steps`, stands for all facts of it that built-in stages give.
    pub needs: &'static [Fact],
    /// What holds after it.
    pub gives: &'static [Fact],
    /// What no longer holds after it; the name of a family stands for all facts of it.
    pub spoils: &'static [Fact],
}

/// [`Stage`] made of a [`TypedStage`].
pub struct Typed<T> {
    inner: T,
    about: About,
}

impl<T: TypedStage> Typed<T> {
    /// Wraps a typed stage.
    pub fn new(inner: T) -> Typed<T> {
        let d = inner.describe();
        let schema = schemars::schema_for!(T::Settings).to_value();
        let example = serde_json::to_value(T::Settings::default()).unwrap_or(Value::Null);
        let about = About {
            name: d.name,
            version: d.version,
            summary: d.summary,
            needs: d.needs,
            gives: d.gives,
            spoils: d.spoils,
            schema,
            example,
        };
        Typed { inner, about }
    }
}

impl<T: TypedStage> Stage for Typed<T> {
    fn about(&self) -> &About {
        &self.about
    }
    fn run(&self, work: &mut Work, settings: &Settings, cx: &Cx<'_>) -> Result<(), Stop> {
        let typed: T::Settings = crate::doc::in_unit(crate::doc::Unit::Mm, || {
            serde_json::from_value(settings.0.clone())
        })
        .map_err(|e| Fault::new(format!("settings of stage {}: {e}", self.about.name)))?;
        self.inner.run(work, &typed, cx)
    }
    fn read_settings(
        &self,
        layer: &Value,
        unit: crate::doc::Unit,
        pointer: &crate::doc::Pointer,
    ) -> Result<Value, Vec<crate::doc::Problem>> {
        crate::doc::read_settings_layer::<T::Settings>(layer, unit, pointer, &self.about.schema)
    }
}

/// What a stage may use of the world around the work.
pub struct Cx<'a> {
    /// Files beside the job, read-only.
    pub files: &'a dyn Files,
    /// The dialects that are installed.
    pub dialects: &'a Dialects,
    /// Where texts go that are too long for memory.
    pub spool: &'a dyn Spool,
    /// Who hears how far it is.
    pub progress: &'a dyn Progress,
    /// Set when the work is to stop.
    pub cancel: &'a Cancel,
}

impl Cx<'_> {
    /// `Err(Stop::Cancelled)` when the work is to stop. Call it between parts and in long loops.
    pub fn check(&self) -> Result<(), Stop> {
        if self.cancel.is_set() {
            Err(Stop::Cancelled)
        } else {
            Ok(())
        }
    }
}

/// A flag that asks for an end.
#[derive(Debug, Default)]
pub struct Cancel(AtomicBool);

impl Cancel {
    /// Asks for an end.
    pub fn set(&self) {
        self.0.store(true, Ordering::Relaxed);
    }
    /// An end was asked for.
    pub fn is_set(&self) -> bool {
        self.0.load(Ordering::Relaxed)
    }
}

/// Files that a job names. Implementations keep inside the job's folder.
pub trait Files: Sync {
    /// The bytes of a file. The error is one sentence for the user.
    fn read(&self, name: &str) -> Result<Vec<u8>, FileProblem>;
}

/// Why a file could not be read.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum FileProblem {
    /// It does not exist.
    #[error("{0} does not exist")]
    Missing(String),
    /// Its name leaves the job's folder, by `..`, an absolute path or a link.
    #[error("{0} lies outside the job's folder")]
    Outside(String),
    /// It is larger than the limit.
    #[error("{name} has {bytes} bytes, more than the {limit} that are read")]
    TooLarge {
        /// Name.
        name: String,
        /// Size.
        bytes: u64,
        /// Limit.
        limit: u64,
    },
    /// Reading failed.
    #[error("{name} cannot be read: {why}")]
    Unreadable {
        /// Name.
        name: String,
        /// The system's words.
        why: String,
    },
}

/// Hears how far the work is.
pub trait Progress: Sync {
    /// A stage is at `done` of `total`.
    fn at(&self, stage: &str, done: usize, total: usize);
}

/// Hears nothing.
#[derive(Clone, Copy, Debug, Default)]
pub struct Silent;

impl Progress for Silent {
    fn at(&self, _: &str, _: usize, _: usize) {}
}

/// The installed dialects by name.
#[derive(Default, Clone)]
pub struct Dialects(std::collections::BTreeMap<String, Arc<dyn Dialect>>);

impl Dialects {
    /// Adds one; an earlier one of the same name is replaced.
    pub fn add(&mut self, dialect: Arc<dyn Dialect>) {
        self.0.insert(dialect.about().name.clone(), dialect);
    }
    /// The dialect of a name.
    pub fn get(&self, name: &str) -> Option<&dyn Dialect> {
        self.0.get(name).map(AsRef::as_ref)
    }
    /// All names, sorted.
    pub fn names(&self) -> impl Iterator<Item = &str> {
        self.0.keys().map(String::as_str)
    }
}
