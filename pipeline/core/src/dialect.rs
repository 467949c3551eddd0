//! What a family of controllers reads: the border between plans and texts.
//!
//! post and verify see `&dyn Dialect` only; a dialect never sees a part. Writing and reading are separate code paths, so that
//! one mistake does not hide the other.

use crate::doc::Unit;
use crate::motion::Item;
use grainway_geom::Point3;
use serde::{Deserialize, Serialize};
use std::io::{BufRead, Write};
use std::ops::ControlFlow;

/// What a program's text starts from.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ProgramHead {
    /// Name for comments and file names, e.g. `01-board-1`.
    pub name: String,
    /// Number, for languages that number programs; 1, 2, 3 … in running order.
    pub number: u32,
    /// Lines for people, put in comments where the dialect has them: zero, stock, cautions.
    pub remarks: Vec<String>,
    /// Millimetres or inches in the text.
    pub unit: Unit,
    /// The setup's safe height, mm.
    pub safe_z: f64,
}

/// A dialect's description: what a shop must know to choose it, what post and verify must know to use it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct DialectAbout {
    /// Named for a standard or a property, e.g. `rs274-ngc`.
    pub name: String,
    /// Counts up with every change of its texts.
    pub version: u32,
    /// One paragraph: which properties a controller must have.
    pub summary: String,
    /// Ending of its files with the point, e.g. `.ngc`.
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
    /// Rapids go straight; otherwise each axis runs on its own ("dogleg").
    pub straight_rapids: bool,
    /// Digits after the point in millimetres.
    pub decimals_mm: u8,
    /// Digits after the point in inches.
    pub decimals_inch: u8,
    /// Blocks a second that controllers of this kind are known to keep up with.
    pub blocks_per_second: f64,
    /// Longest line, characters; 0 for no limit.
    pub line_length: usize,
    /// Files are named by their numbers, four digits.
    #[serde(default)]
    pub numbered_files: bool,
    /// Most lines of a file; 0 for no limit. A longer program is divided at the starts of workingsteps.
    #[serde(default)]
    pub most_lines: u64,
    /// How programs are numbered; `None` for [`Numbering::USUAL`].
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub numbering: Option<Numbering>,
    /// The text starts and stops the spindle and cannot say its speed: a person sets it, in pauses and before the start.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub speed_by_hand: bool,
    /// Speeds and waits that are said in coarse steps; `None` where they are not.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub coarse: Option<CoarseAbout>,
    /// The machine's cutter change calls the cutter's length from the controller's own table; no word of the text does.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub length_by_change: bool,
    /// The controller rounds corners and leaves them by at most this, mm; `None` where it follows them exactly, or by a setting of its own.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub corner_tolerance_mm: Option<f64>,
    /// A pen language: the two heights are set at the controller. `None` for every other language.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub pen: Option<PenAbout>,
}

/// How programs are numbered.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Numbering {
    /// The number of the first program.
    pub first: u32,
    /// Digits in the names of files, with zeros in front.
    pub digits: u8,
}

impl Numbering {
    /// 0001, 0002 …
    pub const USUAL: Numbering = Numbering {
        first: 1,
        digits: 4,
    };
}

/// Steps in which a language says what others say finely.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct CoarseAbout {
    /// Spindle speeds are rounded down to whole numbers of this, rev/min; 0 when they are not.
    pub speed_step: f64,
    /// Waits are rounded up to whole numbers of this, s; 0 when they are not.
    pub wait_step: f64,
}

impl CoarseAbout {
    /// Both are steps that a spindle can bear.
    pub fn is_sensible(&self) -> bool {
        (0.0..=500.0).contains(&self.speed_step) && (0.0..=60.0).contains(&self.wait_step)
    }
}

/// What a pen language is like: it says only "up" and "down", so a program has one safe height and one depth, unless words set them.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct PenAbout {
    /// Coordinates are whole numbers of this, mm, whatever the machine's program unit.
    pub unit_mm: f64,
    /// Feeds are rounded down to whole numbers of this, mm/min; 0 when they are not rounded.
    pub feed_step: f64,
    /// Words of the text set the heights of "up" and "down": it can go to any height, straight up and down, and falls in steps where
    /// others ramp.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub heights: bool,
}

impl PenAbout {
    /// The coarsest unit, mm: rounding to it, half of it along each axis, takes 0.018 of the 0.02 mm that verify allows.
    pub const COARSEST_MM: f64 = 0.025;
    /// Both are in their range.
    pub fn is_sensible(&self) -> bool {
        self.unit_mm > 0.0 && self.unit_mm <= PenAbout::COARSEST_MM && self.feed_step >= 0.0
    }
}

impl DialectAbout {
    /// A program has one safe height and one depth, which a person sets at the controller.
    pub fn two_heights(&self) -> bool {
        self.pen.is_some_and(|pen| !pen.heights)
    }

    /// The least step of coordinates in a program of this unit, mm.
    pub fn least_step_mm(&self, unit: Unit) -> f64 {
        let decimals = match unit {
            Unit::Mm => self.decimals_mm,
            Unit::Inch => self.decimals_inch,
        };
        match self.pen {
            Some(pen) => pen.unit_mm,
            None => unit.mm() * 10f64.powi(-i32::from(decimals)),
        }
    }
}

/// What was written.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Written {
    /// Lines in the text.
    pub lines: u64,
    /// Moves in the text.
    pub moves: u64,
    /// The line at which each workingstep starts: (step number, line). Runs can be taken up there.
    pub restarts: Vec<(u32, u64)>,
    /// Largest distance that rounding moved a programmed point, mm.
    pub rounding_mm: f64,
}

/// Why a text could not be written.
#[derive(Debug, thiserror::Error)]
pub enum DialectError {
    /// The dialect cannot say this.
    #[error("dialect {dialect} cannot express {what}; {remedy}")]
    Unsupported {
        /// Name.
        dialect: String,
        /// The thing.
        what: String,
        /// What the user can do.
        remedy: String,
    },
    /// An item that makes no sense, e.g. a number that is not finite: a defect of the plan.
    #[error("the plan holds something that cannot be written: {0}")]
    Plan(String),
    /// The sink failed.
    #[error("writing failed: {0}")]
    Io(#[from] std::io::Error),
    /// The dialect is a plugin and failed; one sentence that names it.
    #[error("{0}")]
    Plugin(String),
}

/// Writes programs of one language.
pub trait Dialect: Send + Sync {
    /// Its description.
    fn about(&self) -> &DialectAbout;
    /// SHA-256 of the plugin's file that it comes from; empty when it is built in.
    fn origin(&self) -> &str {
        ""
    }
    /// Writes one program. Streams: neither the items nor the text are held in memory.
    fn write(
        &self,
        head: &ProgramHead,
        items: &mut dyn Iterator<Item = Item>,
        out: &mut dyn Write,
    ) -> Result<Written, DialectError>;
    /// Its reader; `None` when its texts cannot be read back.
    fn reader(&self) -> Option<&dyn Reader>;
}

/// A position whose axes may be unknown: at the start, after a pause and after a cutter change.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Known {
    /// mm.
    pub x: Option<f64>,
    /// mm.
    pub y: Option<f64>,
    /// mm.
    pub z: Option<f64>,
}

impl Known {
    /// The point, when all axes are known.
    pub fn point(&self) -> Option<Point3> {
        Some(Point3 {
            x: self.x?,
            y: self.y?,
            z: self.z?,
        })
    }
}

impl From<Point3> for Known {
    fn from(p: Point3) -> Self {
        Known {
            x: Some(p.x),
            y: Some(p.y),
            z: Some(p.z),
        }
    }
}

/// What a controller would do at one place of a text. Cycles are expanded, arcs computed by the controller's own rule, nothing is
/// snapped. Lengths are mm, feeds mm/min, whatever the text's unit.
#[derive(Clone, Debug, PartialEq)]
pub struct ReadMove {
    /// Line of the text, from 1.
    pub line: u64,
    /// Where the cutter stood.
    pub from: Known,
    /// Where it stands after.
    pub to: Known,
    /// What happens.
    pub action: Action,
    /// Feed in force, mm/min; `None` when none was ever set.
    pub feed: Option<f64>,
    /// Spindle in force; `None` when it is stopped or was never started.
    pub spindle: Option<crate::motion::Spindle>,
    /// Number of the cutter in the spindle; `None` when the text never said.
    pub cutter: Option<u32>,
}

/// The kinds of thing a text makes happen.
#[derive(Clone, Debug, PartialEq)]
pub enum Action {
    /// A rapid move from `from` to `to`.
    Rapid,
    /// A cutting line from `from` to `to`.
    Line,
    /// A cutting arc in the XY plane, or a helix, from `from` to `to`.
    Arc {
        /// Centre by the controller's rule, mm.
        centre: grainway_geom::Point,
        /// Radians, counter-clockwise positive, never 0.
        sweep: f64,
        /// | distance of the start from the centre − distance of the end |, mm.
        radius_mismatch: f64,
    },
    /// To the machine's own top; `to.z` is infinite when the text says "machine top" rather than a height.
    RetractFull,
    /// The program waits for the person; afterwards positions are unknown.
    Pause {
        /// Shown to the person.
        message: String,
    },
    /// The cutter `cutter` is put in; positions are unknown afterwards, the spindle is stopped.
    CutterChange,
    /// The spindle was started, changed or stopped: `spindle` is the new state.
    Spindle,
    /// Waits.
    Dwell {
        /// Seconds.
        seconds: f64,
    },
    /// A workingstep's first line, where the text marks it.
    Step {
        /// Its number.
        number: u32,
    },
    /// The program's end was reached.
    End,
    /// Something that the language does not allow or that this reader refuses; reading goes on with the next line.
    Fault {
        /// A stable word, e.g. `unknown-word`, `two-of-one-group`, `arc-radius`, `no-feed`, `line-too-long`.
        code: &'static str,
        /// One sentence.
        message: String,
    },
}

/// How reading ended.
#[derive(Clone, Debug, PartialEq)]
pub enum ReadEnd {
    /// The text was read to its end.
    Complete {
        /// Lines read.
        lines: u64,
        /// The text said "end of program".
        ended: bool,
    },
    /// The receiver asked to stop.
    Stopped,
    /// The bytes could not be read.
    Io(String),
}

/// Reads programs of one language back.
pub trait Reader: Send + Sync {
    /// Reads a text to its end or until the receiver breaks. `park` positions, work offsets and the like are taken as the
    /// language's power-on defaults; what is not known stays unknown. Streams.
    fn read(
        &self,
        text: &mut dyn BufRead,
        receive: &mut dyn FnMut(ReadMove) -> ControlFlow<()>,
    ) -> ReadEnd;
}
