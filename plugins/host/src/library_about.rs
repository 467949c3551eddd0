//! What a native plugin says of itself.

use grainway_pipeline::dialect::DialectAbout;
use grainway_pipeline::finding::Severity;
use serde::{Deserialize, Serialize};
use serde_json::Value;

/// What a library says of itself. As JSON this is what a store keeps, so that a server knows a plugin without loading it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct LibraryAbout {
    /// Letters, digits, points, dashes, underscores.
    pub name: String,
    /// The library's own version, for people.
    pub version: String,
    /// One sentence.
    pub summary: String,
    /// Abilities that it cannot do without.
    #[serde(default)]
    pub requires: Vec<String>,
    /// Abilities that it uses where they are.
    #[serde(default)]
    pub uses: Vec<String>,
    /// Its dialects.
    #[serde(default)]
    pub dialects: Vec<DialectEntry>,
    /// Its stages.
    #[serde(default)]
    pub stages: Vec<StageEntry>,
}

/// A dialect in a library's description.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct DialectEntry {
    /// What every dialect says of itself.
    #[serde(flatten)]
    pub about: DialectAbout,
    /// Its texts can be read back.
    pub reads: bool,
    /// The codes of faults that its reader reports.
    #[serde(default)]
    pub faults: Vec<String>,
}

/// A stage in a library's description.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct StageEntry {
    /// Its name in chains and settings.
    pub name: String,
    /// Counts up with every change of what it makes.
    pub version: u32,
    /// One sentence.
    pub summary: String,
    /// Facts that must hold before it runs.
    #[serde(default)]
    pub needs: Vec<String>,
    /// Facts that hold after it: its own name, or its own name, a point and a word. A plugin cannot give another's fact.
    #[serde(default)]
    pub gives: Vec<String>,
    /// Facts that no longer hold after it.
    #[serde(default)]
    pub spoils: Vec<String>,
    /// What its patch may hold.
    #[serde(default)]
    pub may: Vec<May>,
    /// The findings that it may add.
    #[serde(default)]
    pub findings: Vec<FindingEntry>,
    /// JSON Schema of its settings.
    pub schema: Value,
    /// Its settings with every key, lengths in mm.
    pub example: Value,
}

/// What a stage's patch may hold.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum May {
    /// Findings of its own kinds.
    Findings,
    /// Entries of the hand-work list.
    HandWork,
    /// The running order of setups.
    Order,
}

/// A kind of finding that a stage may add.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct FindingEntry {
    /// Shown after the stage's name: `stage/word`.
    pub word: String,
    /// How grave.
    pub severity: Severity,
    /// What it means.
    pub about: String,
    /// What to do about it.
    pub remedy: String,
}
