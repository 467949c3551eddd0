//! `report.json`: everything about a made job that a person or a program may want to know, in one document.

use super::release::{JobVerdict, Release};
use super::times::Seconds;
use grainway_pipeline::doc::{Money, Side, SpindleSwitch, Unit, ZZero};
use grainway_pipeline::finding::Finding;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use serde_json::Value;
use std::collections::BTreeMap;

/// The format word of this version of the report.
pub const REPORT_FORMAT: &str = "grainway.report/1";

/// What "verified" means, on every sheet and in every report.
pub const MEANS: &str = "Checked against the parts, not run on your machine.";

/// What it means when a program cannot be read back and the shop accepts that.
pub const MEANS_UNVERIFIED: &str =
    "Not checked: programs that cannot be read back, accepted by the shop as they are.";

/// The report of a job. Lengths are millimetres, areas square metres, times seconds, feeds mm/min.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub struct ReportDocument {
    /// Always "grainway.report/1".
    pub format: String,
    /// Version of grainway that made it.
    pub grainway: String,
    /// The job's name; empty when the job could not be read.
    pub job: String,
    /// SHA-256 over the documents and every file they name; empty when they could not be read.
    pub documents: String,
    /// The short code that stands on the sheet and in the remarks of its programs; empty when the documents could not be read. In a night each
    /// setup has one of its own, which stands there instead.
    #[serde(default)]
    pub code: String,
    /// What became of the job.
    pub verdict: JobVerdict,
    /// What the verdict means.
    pub means: String,
    /// How many findings of each severity.
    pub counts: Counts,
    /// Findings, gravest first.
    pub findings: Vec<Finding>,
    /// The machine; absent when none could be chosen.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub machine: Option<MachineRow>,
    /// The plugins that the job ran with.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub plugins: Vec<PluginRow>,
    /// What each named length of the job came to, mm.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub lengths: BTreeMap<String, f64>,
    /// The parts that are made.
    pub parts: Vec<PartRow>,
    /// The clampings, in running order.
    pub setups: Vec<SetupRow>,
    /// The programs, in running order.
    pub programs: Vec<ProgramRow>,
    /// What is left for hands.
    pub hand_work: Vec<HandWorkRow>,
    /// The joints, put together from what the programs cut; empty when the job names none.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub joints: Vec<JointRow>,
    /// What the joints hold together, alike pieces of furniture once; empty when the job names no joint.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub furniture: Vec<FurnitureRow>,
    /// What drawings held and what became of it.
    pub drawings: Vec<BalanceRow>,
    /// Wood used, by stock.
    pub wood: Vec<WoodRow>,
    /// The whole job's times.
    pub times: TimesRow,
    /// How near the cuts come to the least time that wood, cutters and feeds ask for.
    #[serde(default)]
    pub bound: BoundRow,
    /// What the job costs; absent when the shop has no prices, or when not every piece could be planned.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub costs: Option<CostsRow>,
    /// The jobs that were made together; absent when it is one job.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub night: Option<NightRow>,
    /// SHA-256 of every other file of the output folder, by name.
    pub files: BTreeMap<String, String>,
}

/// A night: jobs that were made together from common boards. Their parts are called `job/part`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub struct NightRow {
    /// Its jobs, in the night's order.
    pub jobs: Vec<NightJobRow>,
    /// SHA-256 over the documents of the former night whose boards were to be kept.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub former: Option<String>,
    /// The clampings whose programs are those of the former night, byte for byte and by the same names.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub kept: Vec<String>,
    /// SHA-256 of all that is known of each way in which a part is cut: another night that has the same cuts it by the same motions.
    pub variants: BTreeMap<String, String>,
}

/// A job of a night.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub struct NightJobRow {
    /// Its id.
    pub id: String,
    /// Its name.
    pub name: String,
    /// Its file, as the night names it.
    pub file: String,
    /// SHA-256 of that file.
    pub sha256: String,
    /// How many times it is made.
    pub sets: u32,
    /// Its pieces, in all sets.
    pub pieces: u32,
    /// The folder with its own sheet and lists.
    pub folder: String,
    /// The clampings in which pieces of it lie.
    pub setups: Vec<String>,
    /// The programs of these.
    pub programs: Vec<String>,
}

/// How many findings of each severity.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub struct Counts {
    /// The user must act.
    pub errors: usize,
    /// Look before cutting.
    pub warnings: usize,
    /// Good to know.
    pub notes: usize,
}

/// The machine of the job.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub struct MachineRow {
    /// Its id.
    pub id: String,
    /// Its dialect.
    pub dialect: String,
    /// The unit of its programs.
    pub program_unit: Unit,
    /// Where Z is zero.
    pub z_zero: ZZero,
    /// Who switches its spindle.
    #[serde(default)]
    pub spindle: SpindleSwitch,
}

/// A plugin.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub struct PluginRow {
    /// Its name.
    pub name: String,
    /// Its version, as its author writes it.
    pub version: String,
    /// SHA-256 of its file.
    pub sha256: String,
}

/// A part.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub struct PartRow {
    /// Its id.
    pub id: String,
    /// What people call it.
    pub name: Option<String>,
    /// How many.
    pub count: u32,
    /// Its stock.
    pub stock: String,
    /// Its wood; empty when the stock is not known.
    pub wood: String,
    /// Extent along and across the grain.
    pub size: [f64; 2],
    /// Mean thickness reading of its stock.
    pub thickness: f64,
    /// Length, width and thickness to rough it out at before it is planed and sawn to size. Only for pieces that other machines dimension.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub rough: Option<[f64; 3]>,
    /// Its features, by key and kind.
    pub features: Vec<(String, String)>,
    /// How it is really cut.
    pub variants: Vec<String>,
}

/// One clamping.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub struct SetupRow {
    /// Its id.
    pub id: String,
    /// In a night, the short code that stands in the remarks of its programs: it is made of all that is cut here.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub code: Option<String>,
    /// `board`, `blank` or `lines` (no wood: locating lines for blanks of this size are cut into the spoilboard).
    pub kind: String,
    /// Stock; empty where there is no wood.
    pub stock: String,
    /// The board's id in the documents.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub board: Option<String>,
    /// Wood.
    pub wood: String,
    /// Least, mean and greatest thickness reading.
    pub thickness: [f64; 3],
    /// Along and across the grain.
    pub size: [f64; 2],
    /// Where Z is zero.
    pub z_zero: ZZero,
    /// Height for rapid moves, as the program has it.
    pub safe_z: f64,
    /// Where Z zero may be set on the face: nothing is cut or fastened there.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub touch_off: Option<[f64; 2]>,
    /// Equal blanks served one after the other by the same programs.
    pub repeats: u32,
    /// The setup that cut the lines in which the blank is laid.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub lines: Option<String>,
    /// For a piece that lies with another side than its face up: how a person sees that it lies right.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub turned: Option<TurnedRow>,
    /// Share of the board that becomes parts, percent.
    pub yield_percent: f64,
    /// Rectangles of the board that no cut goes through and that are large enough to keep, the largest first.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub offcuts: Vec<OffcutRow>,
    /// What lies where.
    pub placements: Vec<PlacementRow>,
    /// What holds.
    pub holds: Vec<HoldRow>,
    /// Cutters in the order of their use.
    pub cutters: Vec<CutterRow>,
    /// Everything that happens, in running order.
    pub order: Vec<OrderRow>,
    /// Its times, for one board or blank.
    pub times: TimesRow,
}

/// A rectangle that is left of a board.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub struct OffcutRow {
    /// Its lower left corner on the board.
    pub at: [f64; 2],
    /// Along and across the grain.
    pub size: [f64; 2],
    /// Screws that were driven into it.
    pub screw_holes: usize,
}

/// A piece turned so that another side than its face is up.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub struct TurnedRow {
    /// The part that is turned, by id.
    pub part: String,
    /// The side that lies up now.
    pub up: Side,
    /// With its back up: turned about its end, so that its right end lies left; otherwise about its long edge, so that its far edge lies
    /// near.
    pub over_end: bool,
    /// It was cut from a board: its edges are trimmed flush before it is laid against anything.
    pub trim: bool,
    /// One measure that is another when the piece lies wrong; none where the piece looks the same both ways round, so that it must be
    /// marked before it is turned.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub control: Option<ControlRow>,
}

/// A measure that tells whether a turned piece lies right.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub struct ControlRow {
    /// The feature that is measured to.
    pub feature: String,
    /// Its kind, as documents write it: `pocket`, `housing` …
    pub kind: String,
    /// The side that it was cut from.
    pub side: Side,
    /// `left end` or `near edge` of the piece as it lies; of one on its end, `upper end` or `left edge`.
    pub from: String,
    /// From there to where the feature begins, when the piece lies right.
    pub distance: f64,
    /// The same when it was turned the other way.
    pub wrong: f64,
}

/// A piece on a board.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub struct PlacementRow {
    /// The piece.
    pub piece: String,
    /// How it is cut.
    pub variant: String,
    /// Where its own zero lies on the board.
    pub at: [f64; 2],
    /// Turned counter-clockwise, degrees.
    pub angle: f64,
    /// Tabs on its outline and on its cutouts.
    pub tabs: usize,
    /// What holds it once its outline is cut: `tabs`, `skin`, `screws`, `bridges`; `none` where its outline is not cut.
    pub hold: String,
    /// Thin floor left under its outline; absent when that goes through.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub skin: Option<f64>,
    /// The pieces that its bridges lead to.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub bridges_to: Vec<String>,
}

/// A thing that holds.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub struct HoldRow {
    /// Number on the picture, from 1.
    pub number: usize,
    /// What it is.
    pub what: String,
    /// Where.
    pub at: [f64; 2],
    /// How high it stands above the face; 0 when sunk.
    pub above: f64,
    /// How high it may stand over the bed, when it is a stop: below the face of the thinnest wood.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub at_most: Option<f64>,
    /// Driven in this pause; absent when there before the first cut.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub after_pause: Option<u32>,
    /// What it holds.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub of: Option<String>,
    /// The screw, when it is one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub screw: Option<ScrewRow>,
}

/// A hold-down screw.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub struct ScrewRow {
    /// Diameter, mm.
    pub diameter: f64,
    /// Least and greatest length, mm.
    pub length: [f64; 2],
    /// `none`, `drilled` by the program, or `by-hand`.
    pub pilot: String,
    /// All of it in words, in the unit of the programs.
    pub words: String,
}

/// A cutter as a setup uses it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub struct CutterRow {
    /// Its id.
    pub id: String,
    /// Number by which the controller knows it.
    pub number: u32,
    /// One line.
    pub label: String,
    /// Measured diameter.
    pub diameter: f64,
    /// Deepest cut below the highest face.
    pub deepest: f64,
    /// Least length that must stand out of the nut.
    pub stick_out: f64,
    /// Length the shop says is free below the nut.
    pub usable: f64,
    /// Least and greatest speed of its steps, rev/min.
    pub rpm: [f64; 2],
    /// Least and greatest feed of its steps.
    pub feed: [f64; 2],
    /// Least and greatest downward feed.
    pub plunge: [f64; 2],
    /// How the figures were found. They are starting points.
    pub reasons: Vec<String>,
    /// Its machine time.
    pub seconds: Seconds,
}

/// One thing in the running order.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", tag = "kind")]
pub enum OrderRow {
    /// A cutter goes into the spindle.
    Cutter {
        /// Its id.
        cutter: String,
        /// Number by which the controller knows it.
        number: u32,
        /// One line.
        label: String,
        /// Changed by a hand.
        by_hand: bool,
        /// While the program pauses.
        #[serde(default)]
        in_pause: bool,
        /// The program that begins or goes on here.
        program: Option<String>,
    },
    /// The machine waits.
    Pause {
        /// From 1 within the setup.
        number: u32,
        /// What to do.
        message: String,
        /// The program that waits.
        program: Option<String>,
    },
    /// A cut.
    Cut(CutRow),
}

/// One workingstep.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub struct CutRow {
    /// Cut 1, cut 2 … of the setup.
    pub number: u32,
    /// The piece; absent for the setup's own steps.
    pub piece: Option<String>,
    /// The part.
    pub part: Option<String>,
    /// The feature, or what a setup's own step is.
    pub feature: String,
    /// What is done.
    pub operation: String,
    /// Cutter, by id.
    pub cutter: String,
    /// Deepest below the face of wood of mean thickness.
    pub depth: f64,
    /// Machine time.
    pub seconds: f64,
    /// The program that holds it.
    pub program: Option<String>,
    /// The program's line at which a stopped run can be taken up: this cut's own, or, where it is short, that of a cut before it.
    pub line: Option<u64>,
    /// Lines at which it can be taken up at later pass levels of this cut.
    pub level_lines: Vec<u64>,
}

/// A program.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub struct ProgramRow {
    /// Running order over the whole job.
    pub number: u32,
    /// Its file in the output folder.
    pub file: String,
    /// Its setup.
    pub setup: String,
    /// What became of it.
    pub release: Release,
    /// SHA-256 of the text as it was checked (a withheld file has one line more).
    pub sha256: String,
    /// Lines of the text.
    pub lines: u64,
    /// Moves that it makes, cycles taken apart.
    pub moves: u64,
    /// Largest distance of its path from the planned one: what rounding took.
    pub rounding: f64,
    /// Its cutter, when it has one.
    pub cutter: Option<String>,
    /// Machine time.
    pub seconds: f64,
    /// (cut, line) where a stopped run can be taken up.
    pub restarts: Vec<(u32, u64)>,
    /// The text's motions equal the plan's.
    pub as_planned: Option<VerdictRow>,
    /// The text, taken alone, cuts the parts and nothing else.
    pub safe: Option<VerdictRow>,
}

/// A verdict with its figures.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub struct VerdictRow {
    /// Passed.
    pub passed: bool,
    /// What was measured.
    pub figures: Vec<FigureRow>,
}

/// A measured figure.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub struct FigureRow {
    /// The layer of verify.
    pub layer: String,
    /// What.
    pub what: String,
    /// How much; absent when nothing was there to measure.
    pub value: Option<f64>,
    /// Unit of the value.
    pub unit: String,
    /// What is allowed, if limited.
    pub limit: Option<f64>,
    /// Exact; otherwise conservative.
    pub exact: bool,
}

/// Something left for hands.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub struct HandWorkRow {
    /// The part.
    pub part: String,
    /// How many copies need it.
    pub count: u32,
    /// The feature.
    pub feature: Option<String>,
    /// Where, in the part's frame.
    pub at: Option<[f64; 2]>,
    /// What to do.
    pub what: String,
    /// Why the machine did not.
    pub why: String,
    /// The pieces that need it, where not all copies do.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub pieces: Vec<String>,
}

/// One half of a joint, put together from what the programs cut.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub struct JointRow {
    /// The joint's id.
    pub joint: String,
    /// Its kind, as in the job.
    pub kind: String,
    /// The part that goes in, or the stock of a loose tenon.
    pub goes: String,
    /// The part that takes it.
    pub into: String,
    /// As asked: tight, push, sliding or loose.
    pub fit: String,
    /// Room between the cheeks, both sides together: of the thickest mate where it is tightest, and of the thinnest where it is widest.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub cheeks: Option<[f64; 2]>,
    /// Room at each closed end, least and greatest.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub ends: Option<[f64; 2]>,
    /// The mate stops so far before the joint is closed; 0 when it closes.
    pub open: f64,
    /// What corners, lobes or a mouth leave open to the eye, mm²: where the mate goes in, where it comes out, and at the shoulder of a
    /// tenon, seen on the face of its part.
    pub visible: [f64; 3],
    /// The share of its bending section that a tenon keeps at its root.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub root: Option<f64>,
}

/// Pieces that joints hold together.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub struct FurnitureRow {
    /// The job makes so many alike.
    pub count: u32,
    /// The pieces with their places.
    pub pieces: Vec<StoodRow>,
    /// In which order they are put together; empty where they hold each other.
    pub steps: Vec<ClosingRow>,
}

/// A piece in its place.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub struct StoodRow {
    /// Its letter in the picture.
    pub letter: String,
    /// The part's id.
    pub part: String,
    /// Which copy of the part, from 1.
    pub number: u32,
    /// Where its length, its width and its thickness (from back to face) point: three directions of length 1.
    pub axes: [[f64; 3]; 3],
    /// Where its lower left corner lies, at its back, mm.
    pub at: [f64; 3],
}

/// Pieces that are brought together.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub struct ClosingRow {
    /// Letters of the pieces that move, together already.
    pub moved: Vec<String>,
    /// Letters of the pieces that they are joined to.
    pub onto: Vec<String>,
    /// The way in which they move.
    pub along: [f64; 3],
    /// Ids of the joints that close.
    pub joints: Vec<String>,
}

/// What a drawing held: read = used + ignored + warned.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub struct BalanceRow {
    /// The drawing's id.
    pub drawing: String,
    /// Its file.
    pub file: String,
    /// Entities read.
    pub read: u64,
    /// Became parts or features.
    pub used: u64,
    /// Ignored by a rule.
    pub ignored: u64,
    /// Named in a finding.
    pub warned: u64,
    /// The same by layer: (layer, read, used, ignored, warned).
    pub layers: Vec<(String, u64, u64, u64, u64)>,
}

/// Wood used of a stock.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub struct WoodRow {
    /// The stock.
    pub stock: String,
    /// Its wood.
    pub wood: String,
    /// Boards and blanks.
    pub boards: u32,
    /// Their area, m².
    pub area: f64,
    /// Their volume at the mean thickness, litres.
    pub litres: f64,
    /// Area that becomes parts, m².
    pub parts_area: f64,
    /// Share of the area that becomes parts, percent.
    pub yield_percent: f64,
}

/// Times, seconds. Pauses take as long as the person needs and are counted, not timed.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub struct TimesRow {
    /// At feed.
    pub cutting: f64,
    /// In rapid moves.
    pub rapid: f64,
    /// Spindle coming up to speed and to a stand.
    pub spin_up: f64,
    /// Cutter changes, by the shop's figure.
    pub changes: f64,
    /// All of these.
    pub total: f64,
    /// How many times the machine waits for the person.
    pub pauses: u32,
}

/// The time below the safe height against its bound: what the same cuts would take on an ideal path, by the same model of the machine,
/// at the feed that cutter and wood give before anything slows it. Seconds.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub struct BoundRow {
    /// All time below the safe height: cuts, ways into the wood and out of it, and ways through air.
    pub below_safe: f64,
    /// The least that it could be. Recesses: volume ÷ (0.4 · diameter · pass depth · feed). Cutouts and outlines: one lap a level, one
    /// closing lap, one more where a finishing allowance stands. Holes: their pecks, milled ones a falling helix. Engraved lines: one
    /// run a level, and a stroke down and up again.
    pub bound: f64,
    /// The one by the other; 0 where there is no bound.
    pub ratio: f64,
    /// What the difference is made of.
    pub difference: DifferenceRow,
    /// The same by kind of feature.
    pub kinds: Vec<KindRow>,
    /// The feeds of the bound.
    pub feeds: Vec<FeedRow>,
}

/// What the difference between the time below the safe height and its bound is made of, seconds.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub struct DifferenceRow {
    /// Ways into the wood: ramps, helices, straight down, and behind tabs.
    pub entries: f64,
    /// Below the safe height and above the wood.
    pub air: f64,
    /// Cuts slower than the feed of the bound, for arcs, corners and full slots.
    pub slowdowns: f64,
    /// Levels beyond those that the depth asks for.
    pub levels: f64,
    /// Loops that only widen a kerf.
    pub widening: f64,
    /// What is left: overlaps, links and tabs, less where the real path is shorter than the ideal one.
    pub paths: f64,
}

/// The bound of the features of one kind.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub struct KindRow {
    /// The kind.
    pub kind: String,
    /// As for the whole job.
    pub below_safe: f64,
    /// As for the whole job.
    pub bound: f64,
    /// As for the whole job.
    pub ratio: f64,
    /// As for the whole job.
    pub difference: DifferenceRow,
}

/// A feed of the bound.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub struct FeedRow {
    /// The cutter, by id.
    pub cutter: String,
    /// The stock, by id.
    pub stock: String,
    /// As the shop's cutter and its wood give it, before anything slows it.
    pub feed: f64,
}

/// What the job costs by the shop's prices. Amounts are in the shop's currency and have two decimals; `docs/costs.md` has the formulas.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub struct CostsRow {
    /// What the figures rest on: they are estimates of the plan.
    pub basis: String,
    /// The word that stands behind amounts.
    pub currency: String,
    /// How many times the job is made.
    pub sets: u32,
    /// Wood, by stock.
    pub wood: Vec<WoodCostRow>,
    /// The machine's hours.
    pub machine: MachineCostRow,
    /// Hours by hand.
    pub hand: HandCostRow,
    /// The surcharge on all of these, percent.
    pub surcharge_percent: f64,
    /// Its amount.
    pub surcharge: Money,
    /// The price of the job: wood, machine, hours by hand and surcharge.
    pub total: Money,
    /// The same divided by the sets, to the nearest hundredth.
    pub per_set: Money,
    /// The share of each part; they add up to the price exactly.
    pub parts: Vec<PartCostRow>,
    /// Of a night, the share of each job: the sum of its parts' shares. Boards that several jobs share are divided by finished area.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub jobs: Vec<JobCostRow>,
    /// What has no price and is therefore not in the sum: a sentence each.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub missing: Vec<String>,
}

/// What wood of a stock costs.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub struct WoodCostRow {
    /// The stock.
    pub stock: String,
    /// Boards.
    pub boards: u32,
    /// Blanks that come dimensioned.
    pub blanks: u32,
    /// Area that is paid: of boards, less offcuts that the shop keeps, and of the rough sizes of blanks, m².
    pub area: f64,
    /// Volume of the same at the mean thickness, litres.
    pub litres: f64,
    /// Volume of the finished parts by their outlines, litres.
    pub net_litres: f64,
    /// Its price; absent when it has none.
    pub price: Option<Money>,
    /// What the price is for: `m³`, `m²` or `board`.
    pub unit: Option<String>,
    /// Amount.
    pub cost: Money,
}

/// What the machine's hours cost.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub struct MachineCostRow {
    /// Estimated time of all programs, seconds.
    pub seconds: u64,
    /// Price of an hour; absent when it has none.
    pub hour: Option<Money>,
    /// Amount.
    pub cost: Money,
}

/// What hours by hand cost.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub struct HandCostRow {
    /// What is counted.
    pub counted: Vec<CountedRow>,
    /// All of it, seconds.
    pub seconds: u64,
    /// Price of an hour; absent when it has none.
    pub hour: Option<Money>,
    /// Amount.
    pub cost: Money,
}

/// Work by hand of one kind.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub struct CountedRow {
    /// What it is.
    pub what: String,
    /// How many times.
    pub times: u64,
    /// Minutes each.
    pub minutes: f64,
    /// All of them, seconds.
    pub seconds: u64,
}

/// The share of a part in the price.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub struct PartCostRow {
    /// The part.
    pub part: String,
    /// How many.
    pub count: u32,
    /// Wood of its stock, by finished area.
    pub wood: Money,
    /// The machine, by the time of its own cuts.
    pub machine: Money,
    /// Hours by hand, by its own and its share of its setups'.
    pub hand: Money,
    /// The surcharge, by all of these.
    pub surcharge: Money,
    /// All of it, for all copies.
    pub total: Money,
    /// The same divided by their number, to the nearest hundredth.
    pub each: Money,
    /// Volume of the finished parts by their outlines, litres.
    #[serde(default)]
    pub litres: f64,
    /// Its share of the machine's time, seconds.
    #[serde(default)]
    pub machine_seconds: u64,
    /// Its share of the time by hand, seconds.
    #[serde(default)]
    pub hand_seconds: u64,
}

/// The share of a job of a night in the price.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub struct JobCostRow {
    /// The job, by its id in the night.
    pub job: String,
    /// How many times it is made.
    pub sets: u32,
    /// Wood.
    pub wood: Money,
    /// The machine.
    pub machine: Money,
    /// Hours by hand.
    pub hand: Money,
    /// The surcharge.
    pub surcharge: Money,
    /// All of it, for all sets.
    pub total: Money,
    /// The same divided by the sets, to the nearest hundredth.
    pub per_set: Money,
    /// Volume of its finished parts by their outlines, litres.
    pub litres: f64,
    /// Its share of the machine's time, seconds.
    pub machine_seconds: u64,
    /// Its share of the time by hand, seconds.
    pub hand_seconds: u64,
}

impl ProgramRow {
    /// Its file without the folder.
    pub fn name(&self) -> &str {
        self.file.rsplit('/').next().unwrap_or(&self.file)
    }
}

impl ReportDocument {
    /// A report of a job whose documents could not be read, or that failed: findings and nothing else.
    pub fn bare(job: &str, verdict: JobVerdict, findings: Vec<Finding>) -> ReportDocument {
        let mut findings = findings;
        grainway_pipeline::finding::sort(&mut findings);
        ReportDocument {
            format: REPORT_FORMAT.to_string(),
            grainway: env!("CARGO_PKG_VERSION").to_string(),
            job: job.to_string(),
            documents: String::new(),
            code: String::new(),
            verdict,
            means: MEANS.to_string(),
            counts: Counts::of(&findings),
            findings,
            machine: None,
            plugins: Vec::new(),
            lengths: BTreeMap::new(),
            parts: Vec::new(),
            setups: Vec::new(),
            programs: Vec::new(),
            hand_work: Vec::new(),
            joints: Vec::new(),
            furniture: Vec::new(),
            drawings: Vec::new(),
            wood: Vec::new(),
            times: TimesRow::default(),
            bound: BoundRow::default(),
            costs: None,
            night: None,
            files: BTreeMap::new(),
        }
    }
    /// A part by the name that people gave it, else by its id.
    pub fn part_called<'a>(&'a self, id: &'a str) -> &'a str {
        let part = self.parts.iter().find(|p| p.id == id);
        part.and_then(|p| p.name.as_deref()).unwrap_or(id)
    }
    /// A piece (`side`, `side#2`) by its part's name, with its number where there are several.
    pub fn piece_called(&self, piece: &str) -> String {
        let (id, number) = piece.rsplit_once('#').unwrap_or((piece, "1"));
        let name = self.part_called(id);
        match self.parts.iter().find(|p| p.id == id) {
            Some(part) if part.count > 1 => format!("{name}, no. {number}"),
            _ => name.to_string(),
        }
    }
    /// Adds what only the one who ran the chain knows: the plugins it ran with, and what happened to its process.
    pub fn amend(&mut self, plugins: Vec<PluginRow>, findings: Vec<Finding>) {
        self.plugins = plugins;
        self.findings.extend(findings);
        grainway_pipeline::finding::sort(&mut self.findings);
        self.counts = Counts::of(&self.findings);
    }
    /// Its text: pretty, keys in the order of the type, one line feed at the end.
    pub fn to_text(&self) -> Result<String, serde_json::Error> {
        let mut text = serde_json::to_string_pretty(self)?;
        text.push('\n');
        Ok(text)
    }
}

impl Counts {
    /// Of these findings.
    pub fn of(findings: &[Finding]) -> Counts {
        use grainway_pipeline::finding::Severity;
        let count = |s| findings.iter().filter(|f| f.severity == s).count();
        Counts {
            errors: count(Severity::Error),
            warnings: count(Severity::Warning),
            notes: count(Severity::Note),
        }
    }
}

/// JSON Schema of the report document.
pub fn schema_report() -> Value {
    schemars::schema_for!(ReportDocument).to_value()
}
