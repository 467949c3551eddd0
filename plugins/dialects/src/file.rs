//! The data file of a dialect: what it may say, and how it says it.
//!
//! Writer and reader share this file and nothing else.

use grainway_pipeline::dialect::{CoarseAbout, DialectAbout, Numbering};
use grainway_pipeline::doc::Unit;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// The format word of this version of the dialect document.
pub const DIALECT_FORMAT: &str = "grainway.dialect/1";

/// A family of controllers' language, in the block-and-word form of ISO 6983 and RS-274.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct DialectFile {
    /// Always "grainway.dialect/1".
    pub format: String,
    /// Named for a standard or a property: lower-case letters, digits and hyphens.
    pub name: String,
    /// Counts up with every change of its texts.
    pub version: u32,
    /// The built-in dialect whose keys hold where this file says nothing. Objects are merged key by key; a list replaces a list;
    /// null takes a thing away.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub extends: Option<String>,
    /// One paragraph: which properties a controller must have.
    pub summary: String,
    /// Ending of its files with the point, e.g. ".ngc".
    pub ending: String,
    /// The words that choose the unit.
    pub units: UnitWords,
    /// How numbers look.
    pub numbers: Numbers,
    /// How lines look.
    pub lines: Lines,
    /// Remarks in the text.
    pub comments: CommentStyle,
    /// Which words may be left out when they would repeat what is in force.
    pub modal: Modal,
    /// The four words of motion.
    pub motion: MotionWords,
    /// Lines before everything else, e.g. "%", or "O{{ number }}" where `language` has the letter O (or another `program-number`). They get
    /// no block number and no comment stands before them. Known: `name`, `number`.
    #[serde(default)]
    pub start: Vec<String>,
    /// Lines that put the controller into a known state, after the remarks, e.g. "{{ units }} G17 G90". Known: `units` (the unit's
    /// word), `name`, `number`.
    pub safe_start: Vec<String>,
    /// Lines that restate modes at the start of every workingstep, so that a stopped run can be taken up there. Known: `units`,
    /// `name`, `number`.
    pub step_start: Vec<String>,
    /// Lines at the end, e.g. "M30". Known: `name`, `number`. A line of "%" alone gets no block number.
    pub end: Vec<String>,
    /// How the controller's axes lie to the setup's.
    #[serde(default)]
    pub axes: Axes,
    /// The program's files.
    #[serde(default)]
    pub files: Files,
    /// True arcs; null: none, they become chords.
    pub arcs: Option<Arcs>,
    /// How far chords may lie from an arc that cannot be written, mm.
    #[serde(default = "default_chord")]
    pub chord_tolerance_mm: f64,
    /// Drilling cycles; null: none, drilling is written move by move.
    pub cycles: Option<Cycles>,
    /// Between pecks the drill comes back down fast to this far above the last bottom, mm. NISTIR 6556 says "backed off a bit" and
    /// gives no number; 0.254 mm (0.010 in) is from memory of the reference interpreter.
    #[serde(default = "default_back_off")]
    pub peck_back_off_mm: f64,
    /// Lines that make the machine change the cutter, e.g. "T{{ cutter }} M6". Known: `cutter` (its number), `units`. Null: one file a
    /// cutter.
    pub cutter_change: Option<Vec<String>>,
    /// Words that call the cutter's length, e.g. "G43 H{{ cutter }}". Known: `cutter`. Null: none. Not written for cutters changed by hand, whose zero is set
    /// anew instead.
    pub length_offset: Option<String>,
    /// The cutter change itself calls the cutter's length from the controller's table, so that no word does. Needed where the machine
    /// changes cutters and `length-offset` is null; the setup sheet tells the person.
    #[serde(default)]
    pub length_by_change: bool,
    /// The controller's macros that `cutter-change` calls.
    #[serde(default)]
    pub macros: Vec<Macro>,
    /// The spindle's words; null: it is switched by hand.
    pub spindle: Option<SpindleWords>,
    /// The word that waits; null: none.
    pub dwell: Option<Dwell>,
    /// The lines that lift the cutter to the machine's top, e.g. "G53 G0 Z0.", or "G28 Z0" where `home` says what that does. They leave
    /// the modes as they were. Known: `safe` (the setup's safe height). Null: the setup's safe height is used.
    pub retract_full: Option<Vec<String>>,
    /// What the home position is good for; null: where it lies is not known, and a text that goes there is refused.
    #[serde(default)]
    pub home: Option<Home>,
    /// Coordinates are heights and places without a word (G90) that says so.
    #[serde(default)]
    pub always_absolute: bool,
    /// The word that stops until the person goes on; null: none.
    pub pause: Option<Pause>,
    /// How closely the controller follows the path, where the text says it; null: the language has no words for it.
    #[serde(default)]
    pub path_mode: Option<PathMode>,
    /// Rapid moves go straight; otherwise each axis runs on its own ("dogleg").
    pub straight_rapids: bool,
    /// Blocks a second that controllers of this kind are known to keep up with.
    pub blocks_per_second: f64,
    /// What the reader takes; anything else in a text is a fault.
    pub language: Language,
}

fn default_chord() -> f64 {
    0.002
}
fn default_back_off() -> f64 {
    0.254
}

/// Words that choose the unit; null where it cannot be chosen.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct UnitWords {
    /// Millimetres, e.g. "G21".
    pub mm: Option<String>,
    /// Inches, e.g. "G20".
    pub inch: Option<String>,
    /// The controller knows this unit alone and has no word for it; `mm` and `inch` are null then. Null: the text says the unit.
    #[serde(default)]
    pub only: Option<OnlyUnit>,
}

/// The one unit of a controller.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum OnlyUnit {
    /// Millimetres.
    Mm,
    /// Inches.
    Inch,
}

impl OnlyUnit {
    /// As programs have it.
    pub fn unit(self) -> Unit {
        match self {
            OnlyUnit::Mm => Unit::Mm,
            OnlyUnit::Inch => Unit::Inch,
        }
    }
}

/// How numbers look. Never with an exponent.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct Numbers {
    /// Digits after the point in millimetres, 3 to 6.
    pub decimals_mm: u8,
    /// Digits after the point in inches, 4 to 6.
    pub decimals_inch: u8,
    /// Digits after the point of a feed in mm/min.
    pub feed_decimals_mm: u8,
    /// Digits after the point of a feed in in/min.
    pub feed_decimals_inch: u8,
    /// Zeros at the end are written.
    pub trailing_zeros: bool,
    /// A length always has its point, even when whole: some controls take a number without one as counts of their least step.
    pub point_always: bool,
    /// A zero is written before the point: 0.5 rather than .5.
    #[serde(default = "yes")]
    pub leading_zero: bool,
    /// Lengths above zero get a plus sign.
    #[serde(default)]
    pub plus_sign: bool,
    /// How lengths are said. Feeds, speeds and times are decimal numbers all the same.
    #[serde(default)]
    pub lengths: Lengths,
    /// What stands before the digits of a fraction.
    #[serde(default)]
    pub mark: Mark,
    /// What a feed counts in.
    #[serde(default)]
    pub feed_per: FeedPer,
}

/// How lengths are said.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Lengths {
    /// As decimal numbers: X12.5.
    #[default]
    Decimal,
    /// As whole numbers of the last digit, without a point: X12500 is 12.5 mm where `decimals-mm` is 3.
    Counts,
}

/// What stands before the digits of a fraction.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Mark {
    /// 12.5
    #[default]
    Point,
    /// 12,5; in the lines of this file as well.
    Comma,
}

impl Mark {
    /// The character.
    pub fn byte(self) -> u8 {
        match self {
            Mark::Point => b'.',
            Mark::Comma => b',',
        }
    }
}

/// How lines look.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct Lines {
    /// Longest line in characters, without its end; 0 for no limit, else at least 40. A block that is longer is divided where its meaning
    /// allows it: modes and settings go into lines before it, a hole is gone to before its cycle, an arc becomes chords.
    pub length: usize,
    /// What ends a line.
    pub end: LineEnd,
    /// What stands between words.
    pub separator: Separator,
    /// A character at the end of every block, e.g. "*"; null: none. Remarks, lines of % and those of `start` have none.
    #[serde(default)]
    pub block_end: Option<char>,
    /// Numbers before blocks; null: none.
    pub block_numbers: Option<BlockNumbers>,
    /// Letters in the order in which words stand on a line, those of this file's own lines excepted. Letters that are not listed follow in
    /// the alphabet's order.
    pub word_order: String,
    /// The characters that a text may hold.
    #[serde(default)]
    pub characters: Characters,
}

/// What stands between words.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Separator {
    /// A space.
    Space,
    /// A tabulator.
    Tab,
    /// A comma.
    Comma,
    /// Nothing.
    None,
}

impl Separator {
    /// The character.
    pub fn byte(self) -> Option<u8> {
        match self {
            Separator::Space => Some(b' '),
            Separator::Tab => Some(b'\t'),
            Separator::Comma => Some(b','),
            Separator::None => None,
        }
    }
}

/// The characters that a text may hold.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Characters {
    /// Every printing character of ASCII.
    #[default]
    Printable,
    /// Capital letters, digits, space and + - . , : / * = % ( ) only.
    Capitals,
}

impl Characters {
    /// The character is one of them.
    pub fn holds(self, byte: u8) -> bool {
        match self {
            Characters::Printable => (0x20..0x7f).contains(&byte),
            Characters::Capitals => {
                byte.is_ascii_uppercase()
                    || byte.is_ascii_digit()
                    || b" +-.,:/*=%()".contains(&byte)
            }
        }
    }
}

/// What a feed counts in.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum FeedPer {
    /// Lengths a minute.
    #[default]
    Minute,
    /// Lengths a second.
    Second,
}

/// How the controller's axes X and Y lie to the setup's. Heights are the same. The machine's travel and parking place in shop.json
/// count along the setup's axes.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields, default)]
pub struct Axes {
    /// Where the setup's x goes.
    pub x: Axis,
    /// Where the setup's y goes. Not along the same axis as x.
    pub y: Axis,
}

impl Default for Axes {
    fn default() -> Axes {
        Axes {
            x: Axis::X,
            y: Axis::Y,
        }
    }
}

/// One of the controller's axes, forwards or backwards.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub enum Axis {
    /// Along X.
    #[serde(rename = "X")]
    X,
    /// Along Y.
    #[serde(rename = "Y")]
    Y,
    /// Against X.
    #[serde(rename = "-X")]
    MinusX,
    /// Against Y.
    #[serde(rename = "-Y")]
    MinusY,
}

impl Axis {
    /// 0 for X, 1 for Y, and the sign.
    pub fn place(self) -> (usize, i64) {
        match self {
            Axis::X => (0, 1),
            Axis::Y => (1, 1),
            Axis::MinusX => (0, -1),
            Axis::MinusY => (1, -1),
        }
    }
}

impl Axes {
    /// The controller's axes run the other way round: arcs change their direction.
    pub fn mirrored(self) -> bool {
        let ((x, sx), (y, sy)) = (self.x.place(), self.y.place());
        let turned = if (x, y) == (0, 1) { 1 } else { -1 };
        turned * sx * sy < 0
    }
}

impl Default for Files {
    fn default() -> Files {
        Files {
            numbered: false,
            most_lines: 0,
            first_number: 1,
            number_digits: None,
        }
    }
}

impl Files {
    /// How programs are numbered, where it is not by 1, 2, 3 …
    pub(crate) fn numbering(self) -> Option<Numbering> {
        let own = Numbering {
            first: self.first_number,
            digits: self.number_digits.unwrap_or(Numbering::USUAL.digits),
        };
        (own != Numbering::USUAL).then_some(own)
    }
}

/// The program's files.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields, default)]
pub struct Files {
    /// Named by their numbers instead of board and setup: "0001.nc".
    pub numbered: bool,
    /// Most lines of a file; a longer program is divided at the starts of workingsteps, each file whole in itself. 0: no limit.
    pub most_lines: u64,
    /// The number of the first program.
    pub first_number: u32,
    /// Digits of a program's number in file names and lines, with zeros in front; null: four in names, as many as needed in lines.
    pub number_digits: Option<u8>,
}

/// What ends a line.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum LineEnd {
    /// Line feed.
    Lf,
    /// Carriage return and line feed.
    CrLf,
}

/// Numbers before blocks.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct BlockNumbers {
    /// The first, also after the largest was passed.
    pub first: u32,
    /// From one to the next.
    pub step: u32,
    /// The largest.
    pub largest: u32,
}

/// Remarks in the text.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum CommentStyle {
    /// ( … ), closed on its line, not nested.
    Parentheses,
    /// ; to the end of the line.
    Semicolon,
    /// None.
    None,
}

/// Which words may be left out when they repeat what is in force. Every workingstep restates all of them.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct Modal {
    /// The word of motion.
    pub motion: bool,
    /// Axis words that do not change. (Arcs always say x and y.)
    pub axes: bool,
    /// The feed.
    pub feed: bool,
    /// The feed is restated at the first cutting move after a rapid one.
    pub feed_after_rapid: bool,
    /// Everything is restated after so many blocks of motion; 0: never.
    #[serde(default)]
    pub restate_blocks: u32,
}

/// How closely a controller follows the path: modal group 13 of NISTIR 6556. Its word stands in `safe-start` and `step-start`, and a text
/// that cuts without it is refused.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(
    rename_all = "kebab-case",
    rename_all_fields = "kebab-case",
    deny_unknown_fields
)]
pub enum PathMode {
    /// Exactly, by G61 or G61.1.
    Exact,
    /// By G64: corners are rounded, which no check of the text can see, so the setup sheet tells it.
    Continuous {
        /// How far the controller may leave a corner, mm, 0.001 to 0.1. It is set at the controller.
        tolerance_mm: f64,
    },
}

/// The words of motion.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct MotionWords {
    /// Rapid, e.g. "G0".
    pub rapid: String,
    /// Cutting line.
    pub line: String,
    /// Arc, clockwise from above.
    pub clockwise: String,
    /// Arc, counter-clockwise from above.
    pub counter_clockwise: String,
}

/// True arcs in the XY plane, by end point and centre or radius.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct Arcs {
    /// A full circle is one arc whose end is its start; otherwise it is split.
    pub full_circles: bool,
    /// Largest sweep of one arc, degrees, up to 360.
    pub largest_sweep: f64,
    /// An arc may change z; otherwise helices become chords.
    pub helices: bool,
    /// An arc stays within one quarter of its circle between the directions of the axes, so it is divided there. Not with `radius`.
    #[serde(default)]
    pub one_quadrant: bool,
    /// Arcs of a larger radius become chords, mm; null: no limit.
    #[serde(default)]
    pub largest_radius_mm: Option<f64>,
    /// Arcs shorter than this become lines, mm.
    #[serde(default)]
    pub shortest_mm: f64,
    /// How the centre is said.
    #[serde(default)]
    pub centre: Centre,
}

/// How an arc's centre is said.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Centre {
    /// I and J, counted from the arc's start.
    #[default]
    FromStart,
    /// I and J are the centre's own coordinates.
    Absolute,
    /// R is the radius; the arc is at most half a turn.
    Radius,
}

fn yes() -> bool {
    true
}

/// Drilling cycles: feed down, rapid up, in the XY plane.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct Cycles {
    /// Feed in, rapid out, e.g. "G81".
    pub drill: String,
    /// Pecks, out of the hole after each, e.g. "G83"; null: pecks are written move by move.
    pub peck: Option<String>,
    /// Ends a cycle, e.g. "G80".
    pub end: String,
    /// The word that makes a cycle end at its own retract height, e.g. "G99"; null: the language has none and always ends there.
    pub return_low: Option<String>,
    /// What the heights of a cycle count from.
    #[serde(default)]
    pub heights: CycleHeights,
    /// Every hole restates the whole cycle; otherwise its words stay in force.
    #[serde(default)]
    pub restate: bool,
}

/// What the heights of a cycle count from.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum CycleHeights {
    /// R and Z are heights, as in NISTIR 6556 section 3.5.16.
    #[default]
    Absolute,
    /// R counts from the height at which the cutter stood when the cycle began, Z from R; both are mostly negative.
    FromStart,
}

/// The home position.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct Home {
    /// The code that goes there: 28 or 30. With Z alone it lifts to the machine's top, which must be the home position of Z.
    pub g: u16,
    /// Through which point it goes.
    pub through: Through,
}

/// The point through which the machine goes home.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Through {
    /// The one that the words name, by G90 a height, by G91 an increment: "G28 Z{{ safe }}" rises to the safe height and on to the top.
    Named,
    /// The present one: the axis is named with 0 and moves from where it stands.
    Present,
}

/// A macro of the controller that `cutter-change` calls. What it does is believed, so hold it against the controller's manual.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct Macro {
    /// The words that call it, with which a line begins, e.g. "G65 P9001". The other words of the line are its arguments.
    pub call: String,
    /// The letter of the argument that holds the cutter's number, e.g. "A"; null: none.
    pub cutter: Option<char>,
    /// What it does.
    pub does: MacroDeed,
}

/// What a macro does.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum MacroDeed {
    /// Puts the cutter in whose number it is given, and stops the spindle before.
    Change,
    /// Measures the length of the cutter that is in, or anything else after which the cutter may stand anywhere.
    Measure,
}

/// The spindle's words.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct SpindleWords {
    /// Clockwise from above, e.g. "M3". Codes that the published language lacks may have any of these meanings, e.g. "M13".
    pub clockwise: String,
    /// Counter-clockwise; null: cannot be said.
    pub counter_clockwise: Option<String>,
    /// Stops it.
    pub stop: String,
    /// How the speed is said.
    #[serde(default)]
    pub speed: SpindleSpeed,
}

/// How the spindle's speed is said.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(
    rename_all = "kebab-case",
    rename_all_fields = "kebab-case",
    deny_unknown_fields
)]
pub enum SpindleSpeed {
    /// In the word S, rev/min.
    #[default]
    Rpm,
    /// In the word S, as a share of the largest speed; rounded down.
    Percent {
        /// The speed at S100, rev/min.
        of: f64,
        /// Digits after the point, 0 to 3.
        #[serde(default)]
        decimals: u8,
    },
    /// Not at all: a person sets it at the panel. It stands in a remark, and the program pauses where it changes.
    Panel,
}

/// The word that waits.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct Dwell {
    /// The word, e.g. "G4".
    pub word: String,
    /// The letter of the time, e.g. P, X, F or K.
    pub letter: char,
    /// The unit of the time.
    pub unit: DwellUnit,
    /// Digits after the point, 0 to 3; null: two for seconds, none for other units. What cannot be said is rounded up.
    #[serde(default)]
    pub decimals: Option<u8>,
}

impl Dwell {
    /// Finer steps than this are rounded like every other number, s.
    const FINE_S: f64 = 0.011;

    /// Digits after the point.
    pub fn digits(&self) -> u8 {
        let usual = match self.unit {
            DwellUnit::Seconds => 2,
            _ => 0,
        };
        self.decimals.unwrap_or(usual)
    }

    /// The least difference of times, where it is a coarse one, s; 0 otherwise.
    pub fn coarse_step(&self) -> f64 {
        let step = self.unit.seconds() / 10f64.powi(i32::from(self.digits()));
        if step > Dwell::FINE_S { step } else { 0.0 }
    }
}

impl DwellUnit {
    /// Its length, s.
    pub fn seconds(self) -> f64 {
        match self {
            DwellUnit::Minutes => 60.0,
            DwellUnit::Seconds => 1.0,
            DwellUnit::Tenths => 0.1,
            DwellUnit::Hundredths => 0.01,
            DwellUnit::Milliseconds => 0.001,
        }
    }
}

/// The unit of a dwell.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum DwellUnit {
    /// Seconds.
    Seconds,
    /// Tenths of a second.
    Tenths,
    /// Hundredths of a second.
    Hundredths,
    /// Thousandths of a second.
    Milliseconds,
    /// Minutes.
    Minutes,
}

/// The word that stops.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct Pause {
    /// The word, e.g. "M0".
    pub word: String,
    /// How the person is told what to do.
    pub message: PauseMessage,
}

/// How the person at the machine is told.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum PauseMessage {
    /// A comment that begins with "MSG," before the stop, which the controller shows (NISTIR 6556, 3.3.4).
    Shown,
    /// An ordinary comment, to be read in the text.
    Comment,
    /// Not at all.
    None,
}

/// What the reader takes.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct Language {
    /// Letters of words.
    pub letters: String,
    /// G codes, e.g. "0", "59.1".
    pub g: Vec<String>,
    /// M codes.
    pub m: Vec<u16>,
    /// Expressions in brackets, and functions.
    pub expressions: bool,
    /// Parameters, #1 = 2.
    pub parameters: bool,
    /// Arcs by radius, besides arcs by centre.
    pub radius_arcs: bool,
    /// Lines that begin with / may be skipped at a switch.
    pub block_delete: bool,
    /// Lines of % before and after the program.
    pub percent: bool,
    /// A length without a point is a fault: the controller would count it in its least step.
    #[serde(default)]
    pub point_required: bool,
    /// What a program's number begins with, alone on its line, where that is not the letter O: ":" or "%".
    #[serde(default)]
    pub program_number: Option<char>,
}

impl DialectFile {
    /// Digits after the point of lengths in a unit.
    pub fn decimals(&self, unit: Unit) -> u8 {
        match unit {
            Unit::Mm => self.numbers.decimals_mm,
            Unit::Inch => self.numbers.decimals_inch,
        }
    }

    /// What is said only in steps that a person would notice.
    fn coarse(&self) -> Option<CoarseAbout> {
        let coarse = CoarseAbout {
            speed_step: match self.spindle.as_ref().map(|s| s.speed) {
                Some(SpindleSpeed::Percent { of, decimals }) => {
                    of / 10f64.powi(2 + i32::from(decimals))
                }
                _ => 0.0,
            },
            wait_step: self.dwell.as_ref().map_or(0.0, Dwell::coarse_step),
        };
        (coarse != CoarseAbout::default()).then_some(coarse)
    }

    /// The description that post, verify and people see.
    pub fn about(&self) -> DialectAbout {
        DialectAbout {
            name: self.name.clone(),
            version: self.version,
            summary: self.summary.clone(),
            ending: self.ending.clone(),
            arcs: self.arcs.is_some(),
            helices: self.arcs.as_ref().is_some_and(|a| a.helices),
            cycles: self.cycles.is_some(),
            cutter_change: self.cutter_change.is_some(),
            pauses: self.pause.is_some(),
            spindle: self.spindle.is_some(),
            straight_rapids: self.straight_rapids,
            decimals_mm: self.numbers.decimals_mm,
            decimals_inch: self.numbers.decimals_inch,
            blocks_per_second: self.blocks_per_second,
            line_length: self.lines.length,
            numbered_files: self.files.numbered,
            most_lines: self.files.most_lines,
            pen: None,
            length_by_change: self.cutter_change.is_some() && self.length_offset.is_none(),
            numbering: self.files.numbering(),
            speed_by_hand: self
                .spindle
                .as_ref()
                .is_some_and(|s| s.speed == SpindleSpeed::Panel),
            coarse: self.coarse(),
            corner_tolerance_mm: match self.path_mode {
                Some(PathMode::Continuous { tolerance_mm }) => Some(tolerance_mm),
                Some(PathMode::Exact) | None => None,
            },
        }
    }
}
