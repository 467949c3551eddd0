//! Clampings: what lies where, how it is held, and in which order it is cut.

use super::{BlobId, Operation, Tab, WasteRecord, ZFrame};
use crate::doc::Side;
use crate::finding::Finding;
use crate::spool::SpoolId;
use grainway_geom::{Contour, Placing, Point};
use serde::{Deserialize, Serialize};

/// What is clamped.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum SetupKind {
    /// A board that parts are cut from.
    Board,
    /// One piece already dimensioned, laid against stops or in locating lines.
    Blank,
    /// No wood yet: locating lines are cut into the spoilboard, which is its lower and upper face alike.
    Lines,
}

/// One clamping of one board or blank. XY from its lower left corner, x along its grain; Z the machine's.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Setup {
    /// Unique, and part of file names: `board-1`, `blank-2`.
    pub id: String,
    /// What is clamped.
    pub kind: SetupKind,
    /// The side that lies up.
    #[serde(default, skip_serializing_if = "Side::is_face")]
    pub side: Side,
    /// Stock.
    pub stock: String,
    /// The board's id in the documents; `None` for a blank, and for a board that a drawing makes as large as its parts.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub board: Option<String>,
    /// The board's or blank's size: along x and y, mm.
    pub size: Point,
    /// Its wood's heights.
    pub z: ZFrame,
    /// What lies on it.
    pub placements: Vec<Placement>,
    /// What holds the board before the first cut, and all screws driven later.
    pub holds: Vec<Hold>,
    /// Height for rapid moves, above every hold, machine Z.
    pub safe_z: f64,
    /// The setup's own steps (pilots, locating lines), in board coordinates.
    pub own_steps: Vec<SetupStep>,
    /// Running order; filled by sequence.
    pub order: Vec<Entry>,
    /// Blanks this very setup serves, when several equal blanks are machined one after the other by the same programs.
    pub repeats: u32,
    /// The setup that cut the locating lines in which the blank lies.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub lines: Option<String>,
    /// A place on the face that no cut, tab or hold comes near, to set Z zero at; `None` where there is none.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub touch_off: Option<Point>,
}

impl Setup {
    /// What a hold is called on paper and in lists: beside a piece on its end a stop is an upright.
    pub fn called(&self, hold: &Hold) -> &'static str {
        match hold.kind {
            HoldKind::Stop if self.side.is_end() => "upright",
            kind => kind.word(),
        }
    }
}

/// A variant on a board.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Placement {
    /// The piece: the part's id, `#2`, `#3` … for copies.
    pub piece: String,
    /// The variant.
    pub variant: String,
    /// Where it lies.
    pub placing: Placing,
    /// Tabs of its outline.
    pub tabs: Vec<Tab>,
    /// Its cutouts' waste.
    pub waste: Vec<WasteRecord>,
    /// Moves with tabs, for steps that have them: (index into the variant's steps, moves in the variant's frame).
    pub tabbed: Vec<(usize, BlobId)>,
    /// Steps of the variant that hold left out, with another taking their place (e.g. a cutout cleared to chips).
    pub replaced: Vec<(usize, SetupStep)>,
    /// What holds it once its outline is cut.
    #[serde(default)]
    pub hold: PieceHold,
}

/// What holds a piece once its outline is cut.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum PieceHold {
    /// Nothing: its outline is not cut, or no hold was found for it.
    #[default]
    Nothing,
    /// Tabs towards waste that is held itself.
    Tabs,
    /// A thin floor under its outline, so many mm thick. Zero on the bed only.
    Skin(f64),
    /// Screws through the piece itself.
    Screws,
    /// Tabs towards these pieces, which have tabs towards it in the same places.
    Bridges(Vec<String>),
}

impl PieceHold {
    /// In documents and lists.
    pub fn word(&self) -> &'static str {
        match self {
            PieceHold::Nothing => "none",
            PieceHold::Tabs => "tabs",
            PieceHold::Skin(_) => "skin",
            PieceHold::Screws => "screws",
            PieceHold::Bridges(_) => "bridges",
        }
    }
    /// Thickness of the floor left under the outline, mm; `None` where the outline goes through.
    pub fn skin(&self) -> Option<f64> {
        match self {
            PieceHold::Skin(thickness) => Some(*thickness),
            _ => None,
        }
    }
}

/// What a hold is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum HoldKind {
    /// A screw through the board's margin, driven before the program starts.
    MarginScrew,
    /// A clamp on the board's margin, there before the program starts.
    Clamp,
    /// A screw through waste, driven in a pause into a drilled pilot.
    WasteScrew,
    /// A screw through the waste frame between parts, driven in a pause into a drilled pilot.
    FrameScrew,
    /// A screw through a piece that the job allows screws in, driven in a pause into a drilled pilot.
    PieceScrew,
    /// A stop or a fence that a blank lies against.
    Stop,
    /// A clamp that presses a piece on its end against its uprights, below the end that is cut.
    SideClamp,
}

impl HoldKind {
    /// A screw off the board's margin, driven into a pilot.
    pub const fn wants_pilot(self) -> bool {
        matches!(
            self,
            HoldKind::WasteScrew | HoldKind::FrameScrew | HoldKind::PieceScrew
        )
    }
    /// On paper and in lists.
    pub fn word(self) -> &'static str {
        match self {
            HoldKind::MarginScrew => "screw in the board's margin",
            HoldKind::Clamp => "clamp",
            HoldKind::WasteScrew => "screw in waste",
            HoldKind::FrameScrew => "screw between parts",
            HoldKind::PieceScrew => "screw through a part",
            HoldKind::Stop => "stop",
            HoldKind::SideClamp => "clamp from the side",
        }
    }
}

/// A thing that holds the board or a piece of it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Hold {
    /// What it is.
    pub kind: HoldKind,
    /// Middle, board coordinates.
    pub at: Point,
    /// Radius of its head (a clamp's footprint), mm.
    pub head_radius: f64,
    /// Diameter of the shaft, mm; 0 for clamps.
    pub shaft: f64,
    /// How high it stands above the face, mm; 0 or less when sunk.
    pub head_above: f64,
    /// Present from the start, or after the pause with this number (from 1).
    pub after_pause: Option<u32>,
    /// The piece and feature whose waste it holds.
    pub of: Option<(String, String)>,
}

/// A step that belongs to the setup, or replaces a variant's.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct SetupStep {
    /// The stage that made it; no other stage takes it away.
    pub stage: String,
    /// What is done.
    pub operation: Operation,
    /// Cutter, by id.
    pub cutter: String,
    /// rev/min.
    pub rpm: f64,
    /// mm/min.
    pub feed: f64,
    /// mm/min.
    pub plunge: f64,
    /// The lowest Z of its moves.
    pub lowest: f64,
    /// Moves: board coordinates for the setup's own, the variant's for a replacement.
    pub moves: BlobId,
    /// For verify: what own steps may cut, board coordinates, with the lowest Z there.
    pub allowed: Vec<(Contour, f64)>,
}

impl SetupStep {
    /// What a setup's own step is called, in wood of these heights.
    pub fn label(&self, z: &ZFrame) -> &'static str {
        match self.operation {
            Operation::Pilot if self.lowest < z.lowest_underside() => "pilots for hold-down screws",
            Operation::Pilot => "marks for hold-down screws, pilots to be drilled by hand",
            Operation::LocatingLine => "lines to lay blanks in",
            other => other.word(),
        }
    }
}

/// Which step an entry runs.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum StepRef {
    /// A setup's own step, by index.
    Own(usize),
    /// A step of a placed variant: indices of placement and step.
    Placed(usize, usize),
}

/// One thing in the running order.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Entry {
    /// A cutter goes into the spindle. With cutters changed by hand a new program starts here.
    Cutter(String),
    /// The machine waits; number from 1 within the setup, and what to do.
    Pause {
        /// From 1.
        number: u32,
        /// One line.
        message: String,
    },
    /// A workingstep runs.
    Step(StepRef),
}

/// A text for the controller.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Program {
    /// File name without folder, e.g. `01-board-1-em6.ngc`.
    pub name: String,
    /// Its setup.
    pub setup: String,
    /// Its part of the setup's order: from entry, to before entry.
    pub entries: (usize, usize),
    /// 1, 2, 3 … in running order.
    pub number: u32,
    /// The spooled text.
    pub text: SpoolId,
    /// SHA-256 of the text, hex.
    pub sha256: String,
    /// What the writer said.
    pub written: crate::dialect::Written,
    /// Cutter, when the whole program has one.
    pub cutter: Option<String>,
    /// Filled by verify.
    pub as_planned: Option<Verdict>,
    /// Filled by verify.
    pub safe: Option<Verdict>,
    /// The dialect could not be read back.
    pub unverified: bool,
}

/// A verdict with its figures.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub struct Verdict {
    /// Passed.
    pub passed: bool,
    /// What was measured.
    pub figures: Vec<VerdictFigure>,
    /// What was found, also among the work's findings.
    pub findings: Vec<Finding>,
}

/// One measured figure.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub struct VerdictFigure {
    /// The layer: legal, gouge, leftover, rapids, load, loose, holds, extremes; or as-planned.
    pub layer: String,
    /// What.
    pub what: String,
    /// How much.
    pub value: f64,
    /// Unit of the value.
    pub unit: String,
    /// What is allowed, if limited.
    pub limit: Option<f64>,
    /// Computed exactly; otherwise conservatively.
    pub exact: bool,
}
