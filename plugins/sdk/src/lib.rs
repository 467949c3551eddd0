//! For authors of native plugins in Rust: implement [`Plugin`] and [`Dialect`] or [`Stage`], then call [`plugin!`] once.
//!
//! The interface itself is C (`grainway-abi`); this crate is its safe side. It depends on nothing else of grainway, so the types
//! here are plain copies of what the host has. Panics are caught in every entry and reported; a build that aborts on panic is
//! refused, since it would take the whole job down without a word.
//!
//! A plugin is a library crate of type `cdylib`. What it writes must depend on its input alone: no clock, no random numbers, no
//! environment, no order of a hash map. It leaves no thread and no open file behind, and prints nothing.

mod about;
mod callbacks;
mod entry;
mod items;
mod read;
mod unwind;

pub use about::{Description, DialectAbout, PenAbout, StageAbout, StageFinding};
#[doc(hidden)]
pub use entry::table;
pub use items::{Item, Items, Move, Out, Spindle};
pub use read::{Action, Line, Lines, Position, ReadMove, Seen};
pub use serde_json::{Value, json};

#[doc(hidden)]
pub use grainway_abi as abi;

use serde::{Deserialize, Serialize};

/// What the library holds. Implement it for a type of your own and hand that to [`plugin!`].
pub trait Plugin {
    /// Its description. Asked for often: it must be quick and always the same.
    fn describe() -> Description;
    /// The dialect of a name; `None` when there is none.
    fn dialect(name: &str) -> Option<Box<dyn Dialect>> {
        let _ = name;
        None
    }
    /// The stage of a name, with its settings: every key of the description's example, lengths in mm. `Ok(None)` when there is
    /// none of the name, [`Stop::Refused`] when the settings make no sense.
    fn stage(name: &str, settings: &Value) -> Result<Option<Box<dyn Stage>>, Stop> {
        let _ = (name, settings);
        Ok(None)
    }
}

/// A language of controllers. An instance serves one call.
pub trait Dialect {
    /// Writes one program. Asks for items one by one and hands lines on as they come, so that neither is held in memory.
    fn write(
        &mut self,
        head: &Head,
        items: &mut Items<'_>,
        out: &mut Out<'_>,
    ) -> Result<Written, Stop>;
    /// Reads a program back and reports what a controller would do. Leave it out when the language cannot be read back; programs
    /// are then withheld, unless the shop accepts unverified ones in writing. Write it separately from the writer: what both
    /// share, both get wrong.
    fn read(&mut self, lines: &mut Lines<'_>, seen: &mut Seen<'_>) -> Result<ReadEnd, Stop> {
        let _ = (lines, seen);
        Err(Stop::Unsupported {
            what: "reading programs back".into(),
            remedy: "prove every program at the machine".into(),
        })
    }
}

/// A stage of the chain. An instance serves one call.
pub trait Stage {
    /// Looks at the work and gives back what it adds. The work is the saved state's JSON; its blocks of numbers are lent by
    /// [`StageHost::blob`].
    fn run(&mut self, work: &Value, host: &StageHost<'_>) -> Result<Patch, Stop>;
}

/// What a stage may ask the host for.
pub struct StageHost<'a> {
    pub(crate) host: &'a callbacks::Callbacks,
}

impl StageHost<'_> {
    /// The block of numbers of this name; `None` when the work has none. Moves lie in it as rows of seven:
    /// `[kind, x, y, z, a, b, feed]`.
    pub fn blob(&self, name: &str) -> Result<Option<&[f64]>, Stop> {
        self.host.blob(name)
    }
    /// `Err(Stop::Cancelled)` when the work is to stop. Call it in long loops.
    pub fn check(&self) -> Result<(), Stop> {
        self.host.check()
    }
}

/// What a program's text starts from.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Head {
    /// Name for comments, e.g. `01-board-1`.
    pub name: String,
    /// 1, 2, 3 … in running order.
    pub number: u32,
    /// Lines for people.
    pub remarks: Vec<String>,
    /// Unit of lengths in the text.
    pub unit: Unit,
    /// The setup's safe height, mm.
    pub safe_z: f64,
}

/// Millimetres or inches.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum Unit {
    /// Millimetres.
    #[serde(rename = "mm")]
    Mm,
    /// Inches of 25.4 mm.
    #[serde(rename = "in")]
    Inch,
}

impl Unit {
    /// Millimetres in one of it.
    pub const fn mm(self) -> f64 {
        match self {
            Unit::Mm => 1.0,
            Unit::Inch => 25.4,
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
    /// The line at which each workingstep starts: (step number, line).
    pub restarts: Vec<(u32, u64)>,
    /// Largest distance that rounding moved a programmed point, mm.
    pub rounding_mm: f64,
}

/// How reading ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct ReadEnd {
    /// Lines read.
    pub lines: u64,
    /// The text said "end of program".
    pub ended: bool,
}

/// What a stage adds to the work. Only what its description's `may` names is taken.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct Patch {
    /// `may: findings`. Each `{"code", "message"}`, and where it applies `part`, `feature`, `setup`, `line`, `at: [x, y]`,
    /// `remedy`. The code is one of the description's.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub findings: Vec<Value>,
    /// `may: hand-work`. Each `{"part", "count", "feature", "at", "what", "why"}`.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub hand_work: Vec<Value>,
    /// `may: order`. A setup's running order anew, by setup id, with the very entries that it had.
    #[serde(default, skip_serializing_if = "std::collections::BTreeMap::is_empty")]
    pub order: std::collections::BTreeMap<String, Vec<Value>>,
}

/// Why a call ends without a result.
#[derive(Clone, Debug, PartialEq)]
pub enum Stop {
    /// The input is bad.
    Refused {
        /// JSON Pointer into the head, the settings or the work; empty for the whole.
        pointer: String,
        /// One sentence.
        message: String,
    },
    /// The language or the stage cannot do this.
    Unsupported {
        /// The thing, as in "cannot express …".
        what: String,
        /// What the user can do.
        remedy: String,
    },
    /// The host asked for an end.
    Cancelled,
    /// A failure of the plugin's own, one sentence.
    Internal(String),
    /// A callback of the host returned this code.
    Host(i32),
}

impl Stop {
    /// A refusal of something at a place of the input.
    pub fn refused(pointer: impl Into<String>, message: impl Into<String>) -> Stop {
        Stop::Refused {
            pointer: pointer.into(),
            message: message.into(),
        }
    }
}

/// Exports the library's one function. Call it once, with the type that implements [`Plugin`].
#[macro_export]
macro_rules! plugin {
    ($plugin:ty) => {
        /// The function by which grainway finds this plugin.
        #[allow(unsafe_code, reason = "the export's name is the interface")]
        // SAFETY: no other function of a library has this name, since the macro is called once.
        #[unsafe(no_mangle)]
        pub extern "C" fn grainway_plugin_1() -> *const $crate::abi::Plugin {
            static TABLE: $crate::abi::Plugin = $crate::table::<$plugin>();
            &raw const TABLE
        }
    };
}
