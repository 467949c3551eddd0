//! The second form of data file: a pen language, which says "up" and "down" where others say Z.
//!
//! Such a text has one safe height and one depth, both set at the controller. So that it can be checked, they stand in its first
//! remark. A language whose words set the heights (`heights`) can go to any. Writer and reader share the data file and nothing else.

mod problems;
mod read;
mod write;

pub(crate) use read::read;
pub(crate) use write::write;

use crate::file::{Axes, DwellUnit, Files, LineEnd};
use grainway_pipeline::dialect::{CoarseAbout, DialectAbout, PenAbout};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// Chords lie at most this far from their arc, mm: with half a unit of rounding at both ends the text still keeps what verify allows.
const MOST_CHORD_MM: f64 = 0.002;
/// Remarks, heights and coordinates fit into a line of this many characters.
const LINE: usize = 120;

/// A pen language: up, down and places in whole units.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct PenFile {
    /// Always "grainway.dialect/1".
    pub format: String,
    /// Named for a standard or a property: lower-case letters, digits and hyphens.
    pub name: String,
    /// Counts up with every change of its texts.
    pub version: u32,
    /// The built-in pen language whose keys hold where this file says nothing.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub extends: Option<String>,
    /// One paragraph: which properties a controller must have.
    pub summary: String,
    /// Ending of its files with the point, e.g. ".plt".
    pub ending: String,
    /// The pen language's instructions. Their presence makes this a pen language.
    pub pen: Pen,
    /// How the controller's axes lie to the setup's.
    #[serde(default)]
    pub axes: Axes,
    /// The program's files.
    #[serde(default)]
    pub files: Files,
    /// How far chords may lie from an arc, mm: 0.0005 to 0.002.
    #[serde(default = "default_chord")]
    pub chord_tolerance_mm: f64,
    /// Moves with the pen up go straight; otherwise each axis runs on its own ("dogleg").
    pub straight_rapids: bool,
    /// Instructions a second that controllers of this kind are known to keep up with.
    pub blocks_per_second: f64,
}

fn default_chord() -> f64 {
    0.001
}

/// The instructions of a pen language. They stand one a line, each with its terminator.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct Pen {
    /// Coordinates are whole numbers of this, mm: more than 0 and at most 0.025.
    pub unit_mm: f64,
    /// The largest coordinate, in units, either way.
    pub largest: u32,
    /// Instructions at the start, e.g. "IN", "SP1", "PA": they put the controller into a known state.
    pub start: Vec<String>,
    /// Instructions that restate modes at the start of every workingstep, e.g. "PA".
    pub step_start: Vec<String>,
    /// The instruction that ends the program, e.g. "SP0", which puts the pen away. A text without it is taken for cut off.
    pub end: String,
    /// The word for coordinates from the zero, e.g. "PA". It stands in `start` and in `step-start`.
    pub absolute: String,
    /// Raises the pen; coordinates after it are gone to with the pen up, e.g. "PU".
    pub up: String,
    /// Lowers the pen; coordinates after it are gone to with the pen down, e.g. "PD".
    pub down: String,
    /// The word for the feed with the pen down; null: it is set at the controller, and a program has one feed.
    pub speed: Option<PenSpeed>,
    /// The words that set the heights; null: a person sets them at the controller, and a program has one depth. Needs `speed`.
    #[serde(default)]
    pub heights: Option<PenHeights>,
    /// The word that starts and stops the spindle; null: it is switched by hand.
    #[serde(default)]
    pub spindle: Option<PenSpindle>,
    /// The word that waits; null: none.
    #[serde(default)]
    pub wait: Option<PenWait>,
    /// Between a word and its number.
    #[serde(default)]
    pub gap: PenGap,
    /// Between two numbers, e.g. ",".
    pub separator: char,
    /// Ends an instruction, e.g. ";".
    pub terminator: char,
    /// A remark. The heights stand in the first one, so a language needs one.
    pub remark: PenRemark,
    /// What ends a line.
    pub line_end: LineEnd,
}

/// The word for the feed with the pen down.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct PenSpeed {
    /// The word, e.g. "VS".
    pub word: String,
    /// What 1 means, mm/s: 10 where it counts in centimetres a second.
    pub unit_mm_per_second: f64,
    /// Digits after the point, 0 to 4. Feeds are rounded down to what can be said.
    pub decimals: u8,
}

/// The words that set the heights of the pen, in units from the zero, at any time. A new height holds from the next `up` or `down` without
/// a place on, which goes there straight up or down.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct PenHeights {
    /// The height with the pen up, e.g. "ZH".
    pub up: String,
    /// The height with the pen down, e.g. "ZL".
    pub down: String,
    /// The word for the feed straight up and down with the pen down; null: that of `speed`.
    #[serde(default)]
    pub feed: Option<PenSpeed>,
}

/// The word of the spindle.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct PenSpindle {
    /// The word for a speed, rev/min, clockwise, e.g. "RS".
    pub word: String,
    /// The whole instruction that stops it, e.g. "RS0".
    pub stop: String,
}

/// The word that waits.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct PenWait {
    /// The word, e.g. "WT".
    pub word: String,
    /// What its whole number counts.
    pub unit: DwellUnit,
}

impl PenWait {
    /// Finer steps than this are rounded like every other number, s.
    const FINE_S: f64 = 0.011;
    /// The least difference of times, where it is a coarse one, s; 0 otherwise.
    fn coarse_step(&self) -> f64 {
        let step = self.unit.seconds();
        if step > PenWait::FINE_S { step } else { 0.0 }
    }
}

/// What stands between a word and its number.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum PenGap {
    /// Nothing: PU10,20.
    #[default]
    None,
    /// A space: PU 10,20.
    Space,
}

impl PenSpeed {
    /// The least difference of feeds, mm/min.
    fn step(&self) -> f64 {
        60.0 * self.unit_mm_per_second / 10f64.powi(i32::from(self.decimals))
    }
}

/// What stands around a remark's text, before the terminator.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct PenRemark {
    /// E.g. CO and a double quote.
    pub open: String,
    /// One character that no remark may hold, e.g. a double quote.
    pub close: String,
}

impl PenFile {
    /// The coarser of the steps of feeds along and downwards, mm/min.
    fn feed_step(&self) -> f64 {
        let heights = self.pen.heights.as_ref();
        let down = heights
            .and_then(|h| h.feed.as_ref())
            .map_or(0.0, PenSpeed::step);
        down.max(self.pen.speed.as_ref().map_or(0.0, PenSpeed::step))
    }

    /// The description that post, verify and people see.
    pub(crate) fn about(&self) -> DialectAbout {
        DialectAbout {
            name: self.name.clone(),
            version: self.version,
            summary: self.summary.clone(),
            ending: self.ending.clone(),
            arcs: false,
            helices: false,
            cycles: false,
            cutter_change: false,
            pauses: false,
            spindle: self.pen.spindle.is_some(),
            straight_rapids: self.straight_rapids,
            // The digits of the heights in the first remark; places count in units.
            decimals_mm: 3,
            decimals_inch: 4,
            blocks_per_second: self.blocks_per_second,
            line_length: LINE,
            numbered_files: self.files.numbered,
            most_lines: self.files.most_lines,
            length_by_change: false,
            numbering: self.files.numbering(),
            speed_by_hand: false,
            coarse: self
                .pen
                .wait
                .as_ref()
                .map(|w| CoarseAbout {
                    speed_step: 0.0,
                    wait_step: w.coarse_step(),
                })
                .filter(|c| c.wait_step > 0.0),
            corner_tolerance_mm: None,
            pen: Some(PenAbout {
                unit_mm: self.pen.unit_mm,
                feed_step: self.feed_step(),
                heights: self.pen.heights.is_some(),
            }),
        }
    }
}
