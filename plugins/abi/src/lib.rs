//! The C interface between grainway (the *host*) and a native plugin, major version 1.
//!
//! A plugin is a shared library that exports one function, `grainway_plugin_1`, which returns a pointer to a static
//! [`Plugin`]. `grainway.h` beside this crate says the same in C; a test holds the two together.
//!
//! # Rules
//!
//! - **No memory changes owner.** What the host hands over is lent: for the call, or, where a callback says so, until the next
//!   call of that callback. What a plugin hands over is copied before the callback returns. Nobody frees what the other made;
//!   an instance is made by `create` and ended by `destroy`, both the plugin's.
//! - **One thread a call.** Callbacks are called from the thread that the plugin was called on, and not after the plugin's
//!   function has returned. A plugin leaves no thread and no open file behind. The host may call a plugin from several threads
//!   at once, each with an instance of its own.
//! - **Nothing unwinds across the border.** A panic or an exception is caught and becomes [`CODE_PANICKED`].
//! - **A callback that does not return [`CODE_OK`] ends the work**: the plugin cleans up and returns that very code.
//! - **Determinism.** The same input gives the same bytes: no clock, no random numbers, no environment.
//! - Texts are UTF-8 without a zero at the end. Documents are JSON. Lengths are mm, angles radians, feeds mm/min, speeds rev/min.
//!
//! # Versions
//!
//! Another major version has another function name. [`Plugin`] and [`Host`] may grow at their end within a major version; each
//! side reads at most the bytes that the other's `size` allows and takes the rest as null. All other structs never change within
//! a major version. What a plugin cannot do without, it names in `requires` of its description; what it only likes, in `uses`.

#![no_std]

use core::ffi::c_void;

/// The first eight bytes of a [`Plugin`].
pub const MAGIC: [u8; 8] = *b"GRAINWAY";
/// Version of this interface; another one is another function name.
pub const MAJOR: u32 = 1;
/// Counts up when [`Plugin`] or [`Host`] grow.
pub const MINOR: u32 = 0;
/// Name of the function that a plugin exports.
pub const ENTRY: &str = "grainway_plugin_1";

/// Done.
pub const CODE_OK: i32 = 0;
/// The input is bad; a reason with a pointer was written.
pub const CODE_REFUSED: i32 = 1;
/// The plugin cannot do this; a reason with a remedy was written.
pub const CODE_UNSUPPORTED: i32 = 2;
/// The host asked for an end.
pub const CODE_CANCELLED: i32 = 3;
/// The plugin failed; a reason was written.
pub const CODE_INTERNAL: i32 = 4;
/// The plugin panicked and caught it.
pub const CODE_PANICKED: i32 = 5;
/// A callback of the host failed or wants no more; plugins only pass this on.
pub const CODE_HOST: i32 = 6;

/// The plugin's description, JSON.
pub const WRITE_DESCRIPTION: u32 = 1;
/// A piece of a program's text, UTF-8; pieces may end anywhere.
pub const WRITE_TEXT: u32 = 2;
/// What was written: `{"lines", "moves", "restarts": [[step, line]], "rounding_mm"}`.
pub const WRITE_WRITTEN: u32 = 3;
/// How reading ended: `{"lines", "ended"}`.
pub const WRITE_END: u32 = 4;
/// A stage's patch, JSON.
pub const WRITE_PATCH: u32 = 5;
/// Why the call does not return OK: `{"message", "pointer", "what", "remedy"}`, only the first being needed.
pub const WRITE_REASON: u32 = 6;

/// `create` is to make a dialect.
pub const MAKE_DIALECT: u32 = 1;
/// `create` is to make a stage.
pub const MAKE_STAGE: u32 = 2;

/// A workingstep begins: `number`, `text` its label.
pub const ITEM_STEP: u32 = 1;
/// A cutter: `number`, `text` its id, `more` its label, flag BY_HAND.
pub const ITEM_CUTTER: u32 = 2;
/// The spindle: flags ON and CLOCKWISE, `a` rev/min; without ON it stops.
pub const ITEM_SPINDLE: u32 = 3;
/// The machine waits for the person: `text` says what for.
pub const ITEM_PAUSE: u32 = 4;
/// A wait of `a` seconds.
pub const ITEM_DWELL: u32 = 5;
/// A remark: `text`.
pub const ITEM_LABEL: u32 = 6;
/// As high as the machine goes, else to `z`.
pub const ITEM_RETRACT: u32 = 7;
/// Rapid move to `x`, `y`, `z`.
pub const ITEM_RAPID: u32 = 8;
/// Cutting line to `x`, `y`, `z` at `feed`.
pub const ITEM_LINE: u32 = 9;
/// Cutting arc about `x`, `y` by `a` radians (counter-clockwise positive), ending `z` higher than it began, at `feed`.
pub const ITEM_ARC: u32 = 10;
/// Drilled hole at `x`, `y`: rapid to height `z`, at `feed` to `a`, in pecks of `b` where flag PECK is set, out to `z`.
pub const ITEM_HOLE: u32 = 11;

/// The cutter is put in by hand before the program starts.
pub const ITEM_FLAG_BY_HAND: u32 = 1;
/// The spindle turns.
pub const ITEM_FLAG_ON: u32 = 2;
/// Seen from above.
pub const ITEM_FLAG_CLOCKWISE: u32 = 4;
/// `b` holds a peck.
pub const ITEM_FLAG_PECK: u32 = 8;

/// Rapid move.
pub const READ_RAPID: u32 = 1;
/// Cutting line.
pub const READ_LINE: u32 = 2;
/// Cutting arc: `centre`, `sweep` (never 0), `mismatch` of the radii.
pub const READ_ARC: u32 = 3;
/// To the machine's top; the z of `to` may be infinite here and nowhere else.
pub const READ_RETRACT: u32 = 4;
/// Waits for the person: `text`. Positions are unknown after it.
pub const READ_PAUSE: u32 = 5;
/// A cutter was changed: READ_HAS_CUTTER and `cutter`. Positions are unknown after it.
pub const READ_CUTTER: u32 = 6;
/// The spindle's state changed.
pub const READ_SPINDLE: u32 = 7;
/// Waits `seconds`.
pub const READ_DWELL: u32 = 8;
/// A workingstep begins: `number`.
pub const READ_STEP: u32 = 9;
/// The program's end.
pub const READ_END: u32 = 10;
/// Something the language does not allow: `code` (one of the description's `faults`), `text` one sentence.
pub const READ_FAULT: u32 = 11;

/// The x of `from` is known; the flags of y and z are the next two bits.
pub const READ_HAS_FROM_X: u32 = 1;
/// The y of `from` is known.
pub const READ_HAS_FROM_Y: u32 = 2;
/// The z of `from` is known.
pub const READ_HAS_FROM_Z: u32 = 4;
/// The x of `to` is known; the flags of y and z are the next two bits.
pub const READ_HAS_TO_X: u32 = 8;
/// The y of `to` is known.
pub const READ_HAS_TO_Y: u32 = 16;
/// The z of `to` is known.
pub const READ_HAS_TO_Z: u32 = 32;
/// A feed is in force.
pub const READ_HAS_FEED: u32 = 64;
/// The spindle turns.
pub const READ_HAS_SPINDLE: u32 = 128;
/// It turns clockwise, seen from above.
pub const READ_CLOCKWISE: u32 = 256;
/// The number of the cutter in the spindle is known.
pub const READ_HAS_CUTTER: u32 = 512;

/// Bytes that are lent. `data` may be null when `len` is 0.
#[repr(C)]
#[derive(Clone, Copy, Debug)]
pub struct Bytes {
    /// The first byte.
    pub data: *const u8,
    /// How many.
    pub len: usize,
}

/// Numbers that are lent.
#[repr(C)]
#[derive(Clone, Copy, Debug)]
pub struct Numbers {
    /// The first number.
    pub data: *const f64,
    /// How many.
    pub len: usize,
}

/// A text by its place in the bytes that come with it.
#[repr(C)]
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Span {
    /// Its first byte.
    pub at: u32,
    /// Its length in bytes.
    pub len: u32,
}

/// One thing that a program is made of; the ITEM constants say which fields count. Fields that do not count are 0.
#[repr(C)]
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Item {
    /// One of the ITEM constants.
    pub kind: u32,
    /// ITEM_FLAG bits.
    pub flags: u32,
    /// A step's or a cutter's number.
    pub number: u32,
    /// Always 0.
    pub reserved: u32,
    /// A text of the batch.
    pub text: Span,
    /// A second text of the batch.
    pub more: Span,
    /// mm.
    pub x: f64,
    /// mm.
    pub y: f64,
    /// mm.
    pub z: f64,
    /// Sweep, bottom, rev/min or seconds.
    pub a: f64,
    /// Peck, mm.
    pub b: f64,
    /// mm/min.
    pub feed: f64,
}

/// A batch of items, lent until the next batch is asked for. `count` 0 is the end.
#[repr(C)]
#[derive(Clone, Copy, Debug)]
pub struct Items {
    /// The first item.
    pub items: *const Item,
    /// How many.
    pub count: usize,
    /// The texts that the items point into.
    pub texts: Bytes,
}

/// What a controller would do at one place of a text; the READ constants say which fields count.
#[repr(C)]
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct ReadMove {
    /// Line of the text, from 1.
    pub line: u64,
    /// One of the READ constants for kinds.
    pub kind: u32,
    /// READ_HAS bits and READ_CLOCKWISE.
    pub flags: u32,
    /// Where the cutter stood: x, y, z, mm.
    pub from: [f64; 3],
    /// Where it stands after: x, y, z, mm.
    pub to: [f64; 3],
    /// In force, mm/min.
    pub feed: f64,
    /// In force, rev/min.
    pub rpm: f64,
    /// Centre of an arc: x, y, mm.
    pub centre: [f64; 2],
    /// Radians, counter-clockwise positive.
    pub sweep: f64,
    /// | distance of the start from the centre − distance of the end |, mm.
    pub mismatch: f64,
    /// Of a wait.
    pub seconds: f64,
    /// Number of the cutter in the spindle.
    pub cutter: u32,
    /// Number of a step.
    pub number: u32,
    /// A message.
    pub text: Span,
    /// A fault's code.
    pub code: Span,
}

/// A batch of read moves; the host copies what it keeps before `receive` returns.
#[repr(C)]
#[derive(Clone, Copy, Debug)]
pub struct ReadMoves {
    /// The first move.
    pub moves: *const ReadMove,
    /// How many.
    pub count: usize,
    /// The texts that the moves point into.
    pub texts: Bytes,
}

/// Takes bytes of one of the WRITE kinds; pieces of one kind are put one after the other.
pub type WriteFn = unsafe extern "C" fn(context: *mut c_void, kind: u32, bytes: Bytes) -> i32;
/// Not 0 when the work is to stop. Ask at least every tenth of a second.
pub type CancelledFn = unsafe extern "C" fn(context: *mut c_void) -> i32;
/// Lends the next batch of items.
pub type ItemsFn = unsafe extern "C" fn(context: *mut c_void, batch: *mut Items) -> i32;
/// Lends the next piece of the text that is to be read, until the next one is asked for; `len` 0 is the end.
pub type ReadFn = unsafe extern "C" fn(context: *mut c_void, piece: *mut Bytes) -> i32;
/// Takes a batch of what was read.
pub type ReceiveFn = unsafe extern "C" fn(context: *mut c_void, batch: *const ReadMoves) -> i32;
/// Lends a block of numbers by its name in the work, for the whole call. An unknown name gives CODE_REFUSED and ends nothing.
pub type BlobFn =
    unsafe extern "C" fn(context: *mut c_void, name: Bytes, block: *mut Numbers) -> i32;

/// What the host offers for one call. Callbacks that the call has no use for are null.
#[repr(C)]
#[derive(Clone, Copy, Debug)]
pub struct Host {
    /// Bytes of this struct.
    pub size: usize,
    /// The host's major version.
    pub major: u32,
    /// The host's minor version.
    pub minor: u32,
    /// Handed back in every callback.
    pub context: *mut c_void,
    /// In every call but `destroy`.
    pub write: Option<WriteFn>,
    /// In every call but `destroy`.
    pub cancelled: Option<CancelledFn>,
    /// In `dialect_write`.
    pub items: Option<ItemsFn>,
    /// In `dialect_read`.
    pub read: Option<ReadFn>,
    /// In `dialect_read`.
    pub receive: Option<ReceiveFn>,
    /// In `stage_run`.
    pub blob: Option<BlobFn>,
}

/// Writes the description.
pub type DescribeFn = unsafe extern "C" fn(host: *const Host) -> i32;
/// Makes an instance of a dialect or stage by its name, with its settings (JSON object), and stores it in `instance`.
pub type CreateFn = unsafe extern "C" fn(
    host: *const Host,
    what: u32,
    name: Bytes,
    settings: Bytes,
    instance: *mut *mut c_void,
) -> i32;
/// Ends an instance. Called once for each that was made.
pub type DestroyFn = unsafe extern "C" fn(instance: *mut c_void) -> i32;
/// Writes one program. `head` is JSON: `{"name", "number", "remarks": [...], "unit": "mm" or "in", "safe_z"}`.
pub type DialectWriteFn =
    unsafe extern "C" fn(instance: *mut c_void, host: *const Host, head: Bytes) -> i32;
/// Reads a program.
pub type DialectReadFn = unsafe extern "C" fn(instance: *mut c_void, host: *const Host) -> i32;
/// Runs a stage over the work (JSON) and writes its patch.
pub type StageRunFn =
    unsafe extern "C" fn(instance: *mut c_void, host: *const Host, work: Bytes) -> i32;
/// The exported function.
pub type EntryFn = unsafe extern "C" fn() -> *const Plugin;

/// What a plugin offers. Functions that it has no use for are null.
#[repr(C)]
#[derive(Clone, Copy, Debug)]
pub struct Plugin {
    /// [`MAGIC`].
    pub magic: [u8; 8],
    /// The major version that the plugin was built for.
    pub major: u32,
    /// The minor version that the plugin was built for.
    pub minor: u32,
    /// Bytes of this struct.
    pub size: usize,
    /// Never null.
    pub describe: Option<DescribeFn>,
    /// Never null.
    pub create: Option<CreateFn>,
    /// Never null.
    pub destroy: Option<DestroyFn>,
    /// Null in a plugin without dialects.
    pub dialect_write: Option<DialectWriteFn>,
    /// Null in a plugin whose dialects cannot be read back.
    pub dialect_read: Option<DialectReadFn>,
    /// Null in a plugin without stages.
    pub stage_run: Option<StageRunFn>,
}

/// Bytes of [`Plugin`] in version 1.0; fewer are no plugin.
pub const PLUGIN_SIZE_1_0: usize =
    core::mem::size_of::<[u64; 3]>() + 6 * core::mem::size_of::<usize>();
