//! Descriptions: what a library says of itself, as JSON on the way.

use serde::{Deserialize, Serialize};
use serde_json::Value;

/// What the library is and holds.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Description {
    /// Letters, digits, points, dashes and underscores.
    pub name: String,
    /// The library's own version, for people.
    pub version: String,
    /// One sentence.
    pub summary: String,
    /// Abilities of the host without which the library is of no use; one that the host lacks refuses the library.
    #[serde(default)]
    pub requires: Vec<String>,
    /// Abilities that the library uses where the host has them.
    #[serde(default)]
    pub uses: Vec<String>,
    /// Its dialects.
    #[serde(default)]
    pub dialects: Vec<DialectAbout>,
    /// Its stages.
    #[serde(default)]
    pub stages: Vec<StageAbout>,
}

/// A dialect's description: what a shop must know to choose it, what the host must know to use it.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct DialectAbout {
    /// Named for a standard or a property.
    pub name: String,
    /// Counts up with every change of its texts.
    pub version: u32,
    /// One paragraph: which properties a controller must have.
    pub summary: String,
    /// Ending of its files with the point, e.g. `.txt`.
    pub ending: String,
    /// True arcs in the XY plane.
    pub arcs: bool,
    /// Arcs that change Z.
    pub helices: bool,
    /// Drilling cycles.
    pub cycles: bool,
    /// The machine changes cutters in the program; otherwise one file a cutter.
    pub cutter_change: bool,
    /// The text can pause.
    pub pauses: bool,
    /// The text starts and stops the spindle.
    pub spindle: bool,
    /// Rapids go straight; otherwise each axis runs on its own.
    pub straight_rapids: bool,
    /// Digits after the point in millimetres.
    pub decimals_mm: u8,
    /// Digits after the point in inches.
    pub decimals_inch: u8,
    /// Blocks a second that controllers of this kind keep up with.
    pub blocks_per_second: f64,
    /// Longest line, characters; 0 for no limit.
    pub line_length: usize,
    /// Files are named by their numbers, four digits.
    #[serde(default)]
    pub numbered_files: bool,
    /// Most lines of a file; 0 for no limit. The host divides a longer program at the starts of workingsteps.
    #[serde(default)]
    pub most_lines: u64,
    /// The machine's cutter change calls the cutter's length from the controller's own table; no word of the text does.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub length_by_change: bool,
    /// The controller rounds corners and leaves them by at most this, mm. The setup sheet tells it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub corner_tolerance_mm: Option<f64>,
    /// Only for a language that says "up" and "down" and no heights.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub pen: Option<PenAbout>,
    /// Its texts can be read back.
    pub reads: bool,
    /// The codes of faults that its reader reports.
    #[serde(default)]
    pub faults: Vec<String>,
}

/// What a pen language is like: the two heights and the feed downwards are set at the controller, so a program has one safe height and
/// one depth.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct PenAbout {
    /// Coordinates are whole numbers of this, mm, whatever the machine's program unit; at most 0.025.
    pub unit_mm: f64,
    /// Feeds are rounded down to whole numbers of this, mm/min; 0 when they are not rounded.
    pub feed_step: f64,
}

/// A stage's description.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct StageAbout {
    /// Its name in chains and settings.
    pub name: String,
    /// Counts up with every change of what it makes.
    pub version: u32,
    /// One sentence.
    pub summary: String,
    /// Facts that must hold before it runs, e.g. `placed`.
    #[serde(default)]
    pub needs: Vec<String>,
    /// Facts that hold after it: its own name, or its own name, a point and a word.
    #[serde(default)]
    pub gives: Vec<String>,
    /// Facts that no longer hold after it.
    #[serde(default)]
    pub spoils: Vec<String>,
    /// What its patch may hold: `findings`, `hand-work`, `order`.
    #[serde(default)]
    pub may: Vec<String>,
    /// The findings that it may add.
    #[serde(default)]
    pub findings: Vec<StageFinding>,
    /// JSON Schema of its settings. A property that is `{"$ref": "#/$defs/Length"}` is a length: users give it in any unit, the
    /// stage gets mm.
    pub schema: Value,
    /// Its settings with every key, lengths in mm.
    pub example: Value,
}

/// A kind of finding.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct StageFinding {
    /// A stable word; the user sees it after the stage's name: `stage/word`.
    pub word: String,
    /// `error`, `warning` or `note`.
    pub severity: String,
    /// What it means.
    pub about: String,
    /// What to do about it.
    pub remedy: String,
}
