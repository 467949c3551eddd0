//! Calls into loaded libraries: the callbacks that a call may use, and the dialects and stages made of them.
//!
//! Whatever a plugin hands over is checked before it is believed: kinds, codes, UTF-8, spans, numbers, amounts. Whatever a callback
//! of the host meets (a full disk, a cancelled job, a panic of ours) is kept aside and decides the outcome, even if the plugin
//! goes on as if nothing had happened.
#![allow(unsafe_code, reason = "the border to C: every block says why it holds")]

use crate::library::{DialectEntry, FindingEntry, Inner, LARGEST_DESCRIPTION, May, StageEntry};
use crate::outcome;
use grainway_abi as abi;
use grainway_pipeline::dialect::{
    Action, Dialect, DialectAbout, DialectError, Known, ProgramHead, ReadEnd, ReadMove, Reader,
    Written,
};
use grainway_pipeline::doc::{Length, Problem, Unit, in_unit, read_settings_layer};
use grainway_pipeline::finding::Finding;
use grainway_pipeline::geom::{Point, point};
use grainway_pipeline::motion::{Item, Move, SAFE_Z, Spindle};
use grainway_pipeline::stage::{About, Cancel, Cx, Fact, Fault, Settings, Stage, Stop};
use grainway_pipeline::work::{BlobId, Blobs, Entry, HandWork, Setup, Work, step_view};
use serde::Deserialize;
use serde_json::{Map, Value, json};
use std::any::Any;
use std::cell::Cell;
use std::collections::{BTreeMap, BTreeSet};
use std::ffi::c_void;
use std::io::{self, BufRead, Write};
use std::ops::ControlFlow;
use std::panic::{AssertUnwindSafe, catch_unwind, resume_unwind};
use std::sync::Arc;
use std::thread::{ThreadId, current};

/// Items lent at once.
const BATCH: usize = 512;
/// A batch ends early when its texts have this many bytes.
const BATCH_TEXTS: usize = 1 << 18;
/// Largest reason for a failure, bytes.
const LARGEST_REASON: usize = 1 << 16;
/// Largest figures of a written program, bytes: restarts take some 20 bytes each.
const LARGEST_WRITTEN: usize = 1 << 24;
/// Largest patch of a stage, bytes.
const LARGEST_PATCH: usize = 1 << 26;
/// Text that a program may have before its first item …
const TEXT_AT_START: u64 = 1 << 22;
/// … and for each item. An arc written as chords of a micrometre stays far below; a writer that never ends does not.
const TEXT_PER_ITEM: u64 = 1 << 20;
/// Most findings that a stage may add.
const MOST_FINDINGS: usize = 10_000;
/// Longest message of a finding, characters.
const LONGEST_MESSAGE: usize = 2_000;

/// What a callback met that decides the outcome.
enum Trouble {
    Io(io::Error),
    /// An item of the plan that cannot be written.
    Plan(String),
    /// The plugin broke the rules.
    Protocol(String),
    /// The receiver wants no more.
    Stopped,
    Cancelled,
}

/// Hears what is read.
pub(crate) type Receive<'a> = &'a mut dyn FnMut(ReadMove) -> ControlFlow<()>;

/// Items on their way to a plugin.
struct Feed<'a> {
    items: &'a mut dyn Iterator<Item = Item>,
    safe_z: f64,
    /// Numbers that are not finite are handed on; otherwise they are refused before the plugin sees them.
    raw: bool,
    /// See [`Handing::torn`].
    torn: bool,
    batch: Vec<abi::Item>,
    texts: Vec<u8>,
    /// Items handed over so far.
    count: u64,
}

/// Text on its way from a plugin.
struct Sink<'a> {
    out: &'a mut dyn Write,
    bytes: u64,
    lines: u64,
    last: u8,
    /// The start of a character whose end is still to come.
    open: Vec<u8>,
}

/// A text on its way to a plugin.
struct Source<'a> {
    text: &'a mut dyn BufRead,
    /// Bytes lent and not yet given back.
    lent: usize,
}

/// What one call may use.
struct Call<'a> {
    thread: ThreadId,
    cancel: &'a Cancel,
    feed: Option<Feed<'a>>,
    sink: Option<Sink<'a>>,
    source: Option<Source<'a>>,
    receive: Option<Receive<'a>>,
    faults: &'a [&'static str],
    blobs: Option<&'a Blobs>,
    /// JSON of each kind, as far as it has come.
    written: BTreeMap<u32, Vec<u8>>,
    trouble: Option<Trouble>,
    /// Callbacks after the one that met trouble.
    deaf: u32,
    panic: Option<Box<dyn Any + Send>>,
}

/// A reason that a plugin gave.
#[derive(Debug, Default, Deserialize)]
pub(crate) struct Reason {
    #[serde(default)]
    pub(crate) message: String,
    #[serde(default)]
    pub(crate) pointer: String,
    #[serde(default)]
    pub(crate) what: String,
    #[serde(default)]
    pub(crate) remedy: String,
}

/// How a call ended that did not end well.
#[derive(Debug)]
pub(crate) enum Failed {
    /// The plugin refused the input.
    Refused(Reason),
    /// The plugin cannot do it.
    Unsupported(Reason),
    /// Asked to end.
    Cancelled,
    /// The plugin failed: one sentence without its name.
    Plugin(String),
    /// The host's own sink or source failed.
    Io(io::Error),
    /// An item of the plan that cannot be written.
    Plan(String),
    /// The receiver wanted no more.
    Stopped,
}

impl Failed {
    /// For people.
    pub(crate) fn sentence(&self) -> String {
        match self {
            Failed::Refused(r) if r.pointer.is_empty() => format!("refused: {}", r.message),
            Failed::Refused(r) => format!("refused at {}: {}", r.pointer, r.message),
            Failed::Unsupported(r) => format!("cannot express {}; {}", r.what, r.remedy),
            Failed::Cancelled => "cancelled".into(),
            Failed::Plugin(what) => what.clone(),
            Failed::Io(e) => format!("the host's own reading or writing failed: {e}"),
            Failed::Plan(what) => {
                format!("the plan holds something that cannot be written: {what}")
            }
            Failed::Stopped => "the receiver wanted no more".into(),
        }
    }
}

/// The sentence of a failure. A plugin's own is noted for the last word of the job's process.
fn noted(failed: &Failed) -> String {
    let sentence = failed.sentence();
    match failed {
        Failed::Refused(_) | Failed::Unsupported(_) => outcome::refused(&sentence),
        Failed::Plugin(what) if what.starts_with("panicked") => outcome::panicked(&sentence),
        Failed::Plugin(_) => outcome::broke(&sentence),
        Failed::Cancelled | Failed::Io(_) | Failed::Plan(_) | Failed::Stopped => {}
    }
    sentence
}

// ---- the callbacks

impl<'a> Call<'a> {
    fn new(cancel: &'a Cancel) -> Call<'a> {
        Call {
            thread: current().id(),
            cancel,
            feed: None,
            sink: None,
            source: None,
            receive: None,
            faults: &[],
            blobs: None,
            written: BTreeMap::new(),
            trouble: None,
            deaf: 0,
            panic: None,
        }
    }

    /// The table for this call, which lives as long as the call does.
    fn host(&mut self) -> abi::Host {
        abi::Host {
            size: size_of::<abi::Host>(),
            major: abi::MAJOR,
            minor: abi::MINOR,
            write: Some(on_write),
            cancelled: Some(on_cancelled),
            items: self.feed.is_some().then_some(on_items as abi::ItemsFn),
            read: self.source.is_some().then_some(on_read as abi::ReadFn),
            receive: self
                .receive
                .is_some()
                .then_some(on_receive as abi::ReceiveFn),
            blob: self.blobs.is_some().then_some(on_blob as abi::BlobFn),
            context: std::ptr::from_mut(self).cast(),
        }
    }

    fn fail(&mut self, trouble: Trouble) -> i32 {
        let code = match trouble {
            Trouble::Cancelled => abi::CODE_CANCELLED,
            _ => abi::CODE_HOST,
        };
        self.trouble.get_or_insert(trouble);
        code
    }

    fn protocol(&mut self, what: impl Into<String>) -> i32 {
        self.fail(Trouble::Protocol(what.into()))
    }

    fn write(&mut self, kind: u32, bytes: &[u8]) -> i32 {
        let largest = match kind {
            abi::WRITE_TEXT => return self.text(bytes),
            abi::WRITE_DESCRIPTION => LARGEST_DESCRIPTION,
            abi::WRITE_WRITTEN => LARGEST_WRITTEN,
            abi::WRITE_END | abi::WRITE_REASON => LARGEST_REASON,
            abi::WRITE_PATCH => LARGEST_PATCH,
            other => return self.protocol(format!("writes something of the unknown kind {other}")),
        };
        let so_far = self.written.entry(kind).or_default();
        if so_far.len().saturating_add(bytes.len()) > largest {
            return self.protocol(format!(
                "writes more than {largest} bytes of one document (kind {kind})"
            ));
        }
        so_far.extend_from_slice(bytes);
        abi::CODE_OK
    }

    /// The code for a plugin that goes on after it was told to stop.
    fn told_to_stop(&mut self) -> Option<i32> {
        let trouble = self.trouble.as_ref()?;
        self.deaf = self.deaf.saturating_add(1);
        Some(match trouble {
            Trouble::Cancelled => abi::CODE_CANCELLED,
            _ => abi::CODE_HOST,
        })
    }

    fn text(&mut self, bytes: &[u8]) -> i32 {
        if let Some(code) = self.told_to_stop() {
            return code;
        }
        let items = self.feed.as_ref().map_or(0, |f| f.count);
        let Some(sink) = &mut self.sink else {
            return self.protocol("writes text where no program is asked for");
        };
        if bytes.is_empty() {
            return abi::CODE_OK;
        }
        let limit = TEXT_AT_START.saturating_add(items.saturating_mul(TEXT_PER_ITEM));
        sink.bytes = sink.bytes.saturating_add(bytes.len() as u64);
        if sink.bytes > limit {
            return self.protocol(format!(
                "writes without end: more than {limit} bytes for {items} items"
            ));
        }
        if !sink.takes(bytes) {
            return self.protocol("writes text that is not UTF-8");
        }
        sink.lines += bytes.iter().filter(|b| **b == b'\n').count() as u64;
        sink.last = bytes.last().copied().unwrap_or(b'\n');
        match sink.out.write_all(bytes) {
            Ok(()) => abi::CODE_OK,
            Err(e) => self.fail(Trouble::Io(e)),
        }
    }

    fn items(&mut self) -> Result<abi::Items, i32> {
        if let Some(code) = self.told_to_stop() {
            return Err(code);
        }
        if self.cancel.is_set() {
            return Err(self.fail(Trouble::Cancelled));
        }
        let Some(feed) = &mut self.feed else {
            return Err(self.protocol("asks for items where there are none"));
        };
        feed.batch.clear();
        feed.texts.clear();
        while feed.batch.len() < BATCH && feed.texts.len() < BATCH_TEXTS {
            let Some(item) = feed.items.next() else { break };
            if let Err(what) = feed.push(&item) {
                return Err(self.fail(Trouble::Plan(what)));
            }
        }
        feed.count += feed.batch.len() as u64;
        Ok(abi::Items {
            items: feed.batch.as_ptr(),
            count: feed.batch.len(),
            texts: lend(&feed.texts),
        })
    }

    fn read(&mut self) -> Result<abi::Bytes, i32> {
        if let Some(code) = self.told_to_stop() {
            return Err(code);
        }
        if self.cancel.is_set() {
            return Err(self.fail(Trouble::Cancelled));
        }
        let Some(source) = &mut self.source else {
            return Err(self.protocol("asks for a text where there is none"));
        };
        source.text.consume(source.lent);
        source.lent = 0;
        let piece = loop {
            match source.text.fill_buf() {
                Ok(piece) => break Ok(lend(piece)),
                Err(e) if e.kind() == io::ErrorKind::Interrupted => {}
                Err(e) => break Err(e),
            }
        };
        match piece {
            Ok(piece) => {
                source.lent = piece.len;
                Ok(piece)
            }
            Err(e) => Err(self.fail(Trouble::Io(e))),
        }
    }

    fn receive(&mut self, moves: &[abi::ReadMove], texts: &[u8]) -> i32 {
        if let Some(code) = self.told_to_stop() {
            return code;
        }
        if self.cancel.is_set() {
            return self.fail(Trouble::Cancelled);
        }
        for m in moves {
            let m = match read_move(m, texts, self.faults) {
                Ok(m) => m,
                Err(what) => return self.protocol(what),
            };
            let Some(receive) = &mut self.receive else {
                return self.protocol("reports moves where nothing is read");
            };
            if receive(m).is_break() {
                return self.fail(Trouble::Stopped);
            }
        }
        abi::CODE_OK
    }

    /// The outcome of a call that returned `code`. What our own callbacks met comes first.
    fn outcome(&mut self, code: i32) -> Result<(), Failed> {
        if let Some(payload) = self.panic.take() {
            // Ours, met inside a callback: it goes on where it would have gone without a plugin in between.
            resume_unwind(payload);
        }
        match self.trouble.take() {
            Some(Trouble::Io(e)) => return Err(Failed::Io(e)),
            Some(Trouble::Plan(what)) => return Err(Failed::Plan(what)),
            Some(Trouble::Protocol(what)) => return Err(Failed::Plugin(what)),
            Some(Trouble::Stopped) => return Err(Failed::Stopped),
            Some(Trouble::Cancelled) => return Err(Failed::Cancelled),
            None => {}
        }
        if code == abi::CODE_OK {
            return Ok(());
        }
        let reason = self.written.remove(&abi::WRITE_REASON);
        let mut reason: Reason = reason
            .and_then(|bytes| serde_json::from_slice(&bytes).ok())
            .unwrap_or_default();
        for text in [
            &mut reason.message,
            &mut reason.what,
            &mut reason.remedy,
            &mut reason.pointer,
        ] {
            *text = one_line(text);
        }
        if reason.message.is_empty() {
            reason.message = "it gave no reason".into();
        }
        Err(match code {
            abi::CODE_REFUSED => Failed::Refused(reason),
            abi::CODE_UNSUPPORTED => {
                if reason.what.is_empty() {
                    reason.what = reason.message.clone();
                }
                if reason.remedy.is_empty() {
                    reason.remedy = "choose another dialect".into();
                }
                Failed::Unsupported(reason)
            }
            abi::CODE_CANCELLED if self.cancel.is_set() => Failed::Cancelled,
            abi::CODE_CANCELLED => Failed::Plugin("says that it was cancelled; it was not".into()),
            abi::CODE_INTERNAL => Failed::Plugin(format!("failed: {}", reason.message)),
            abi::CODE_PANICKED if reason.message.starts_with("panicked") => {
                Failed::Plugin(reason.message)
            }
            abi::CODE_PANICKED => Failed::Plugin(format!("panicked: {}", reason.message)),
            abi::CODE_HOST => Failed::Plugin("says that the host failed; it did not".into()),
            other => Failed::Plugin(format!("returned the unknown code {other}")),
        })
    }

    /// The JSON document of a kind.
    fn document<T: for<'d> Deserialize<'d>>(&self, kind: u32, what: &str) -> Result<T, Failed> {
        let Some(bytes) = self.written.get(&kind) else {
            return Err(Failed::Plugin(format!("returned without {what}")));
        };
        serde_json::from_slice(bytes)
            .map_err(|e| Failed::Plugin(format!("gave {what} that cannot be read: {e}")))
    }
}

impl Sink<'_> {
    /// The bytes go on with UTF-8.
    fn takes(&mut self, bytes: &[u8]) -> bool {
        let mut bytes = bytes;
        while !self.open.is_empty() {
            let Some((first, rest)) = bytes.split_first() else {
                return true;
            };
            self.open.push(*first);
            bytes = rest;
            match std::str::from_utf8(&self.open) {
                Ok(_) => self.open.clear(),
                Err(e) if e.error_len().is_none() => {}
                Err(_) => return false,
            }
        }
        match std::str::from_utf8(bytes) {
            Ok(_) => true,
            Err(e) if e.error_len().is_none() => {
                self.open.extend_from_slice(&bytes[e.valid_up_to()..]);
                true
            }
            Err(_) => false,
        }
    }
}

impl Feed<'_> {
    fn text(&mut self, text: &str) -> Result<abi::Span, String> {
        let too_long = |_| "a text of more than four gigabytes".to_string();
        let span = abi::Span {
            at: u32::try_from(self.texts.len()).map_err(too_long)?,
            len: u32::try_from(text.len()).map_err(too_long)?,
        };
        self.texts.extend_from_slice(text.as_bytes());
        Ok(span)
    }

    fn push(&mut self, item: &Item) -> Result<(), String> {
        let mut out = abi::Item::default();
        match item {
            Item::Step(step) => {
                out.kind = abi::ITEM_STEP;
                out.number = step.number;
                out.text = self.text(&step.label)?;
            }
            Item::Cutter(change) => {
                out.kind = abi::ITEM_CUTTER;
                out.number = change.number;
                out.text = self.text(&change.id)?;
                out.more = self.text(&change.label)?;
                if change.by_hand {
                    out.flags |= abi::ITEM_FLAG_BY_HAND;
                }
            }
            Item::Spindle(spindle) => {
                out.kind = abi::ITEM_SPINDLE;
                if let Some(s) = spindle {
                    out.flags |= abi::ITEM_FLAG_ON;
                    out.a = s.rpm;
                    if s.clockwise {
                        out.flags |= abi::ITEM_FLAG_CLOCKWISE;
                    }
                }
            }
            Item::Pause { message } => {
                out.kind = abi::ITEM_PAUSE;
                out.text = self.text(message)?;
            }
            Item::Dwell { seconds } => {
                out.kind = abi::ITEM_DWELL;
                out.a = *seconds;
            }
            Item::Label(text) => {
                out.kind = abi::ITEM_LABEL;
                out.text = self.text(text)?;
            }
            Item::RetractFull { safe_z } => {
                out.kind = abi::ITEM_RETRACT;
                out.z = *safe_z;
            }
            Item::Move(m) => self.encode(m, &mut out),
        }
        let numbers = [out.x, out.y, out.z, out.a, out.b, out.feed];
        if !self.raw && !numbers.iter().all(|v| v.is_finite()) {
            return Err(format!("{item:?}"));
        }
        if self.torn {
            out.text.at = u32::MAX;
        }
        self.batch.push(out);
        Ok(())
    }

    fn encode(&self, m: &Move, out: &mut abi::Item) {
        // Plugins get the height itself, never the mark that stands for it.
        let z = |z: f64| match z == SAFE_Z && !self.raw {
            true => self.safe_z,
            false => z,
        };
        match *m {
            Move::Rapid { to } => {
                out.kind = abi::ITEM_RAPID;
                (out.x, out.y, out.z) = (to.x, to.y, z(to.z));
            }
            Move::Line { to, feed } => {
                out.kind = abi::ITEM_LINE;
                (out.x, out.y, out.z, out.feed) = (to.x, to.y, z(to.z), feed);
            }
            Move::Arc {
                centre,
                sweep,
                dz,
                feed,
            } => {
                out.kind = abi::ITEM_ARC;
                (out.x, out.y, out.z) = (centre.x, centre.y, dz);
                (out.a, out.feed) = (sweep, feed);
            }
            Move::Hole {
                at,
                retract,
                bottom,
                peck,
                feed,
            } => {
                out.kind = abi::ITEM_HOLE;
                (out.x, out.y, out.z) = (at.x, at.y, z(retract));
                (out.a, out.feed) = (bottom, feed);
                if let Some(peck) = peck {
                    out.flags |= abi::ITEM_FLAG_PECK;
                    out.b = peck;
                }
            }
        }
    }
}

fn lend(bytes: &[u8]) -> abi::Bytes {
    abi::Bytes {
        data: bytes.as_ptr(),
        len: bytes.len(),
    }
}

/// A message of a plugin made fit for one line of a finding or a log.
fn one_line(text: &str) -> String {
    text.chars()
        .map(|c| if c.is_control() { ' ' } else { c })
        .take(LONGEST_MESSAGE)
        .collect()
}

fn read_move(m: &abi::ReadMove, texts: &[u8], faults: &[&'static str]) -> Result<ReadMove, String> {
    let line = m.line;
    let text = |span: abi::Span| {
        let from = span.at as usize;
        from.checked_add(span.len as usize)
            .and_then(|to| texts.get(from..to))
            .and_then(|bytes| std::str::from_utf8(bytes).ok())
            .ok_or_else(|| {
                format!("reports a text of line {line} that lies nowhere or is not UTF-8")
            })
    };
    let has = |flag| m.flags & flag != 0;
    let finite = |v: f64, what: &str| match v.is_finite() {
        true => Ok(v),
        false => Err(format!("reports {what} of {v} in line {line}")),
    };
    let known = |p: &[f64; 3], first: u32, top: bool| {
        let axis = |i: usize| -> Result<Option<f64>, String> {
            if !has(first << i) {
                return Ok(None);
            }
            if i == 2 && top && p[2] == f64::INFINITY {
                return Ok(Some(p[2]));
            }
            finite(p[i], "a position").map(Some)
        };
        Ok::<Known, String>(Known {
            x: axis(0)?,
            y: axis(1)?,
            z: axis(2)?,
        })
    };
    let action = match m.kind {
        abi::READ_RAPID => Action::Rapid,
        abi::READ_LINE => Action::Line,
        abi::READ_ARC => {
            let sweep = finite(m.sweep, "a sweep")?;
            if sweep == 0.0 {
                return Err(format!("reports an arc of no sweep in line {line}"));
            }
            Action::Arc {
                centre: point(
                    finite(m.centre[0], "a centre")?,
                    finite(m.centre[1], "a centre")?,
                ),
                sweep,
                radius_mismatch: finite(m.mismatch, "a mismatch")?,
            }
        }
        abi::READ_RETRACT => Action::RetractFull,
        abi::READ_PAUSE => Action::Pause {
            message: text(m.text)?.to_string(),
        },
        abi::READ_CUTTER => Action::CutterChange,
        abi::READ_SPINDLE => Action::Spindle,
        abi::READ_DWELL => Action::Dwell {
            seconds: finite(m.seconds, "a wait")?,
        },
        abi::READ_STEP => Action::Step { number: m.number },
        abi::READ_END => Action::End,
        abi::READ_FAULT => {
            let said = text(m.code)?;
            let Some(code) = faults.iter().find(|f| **f == said) else {
                return Err(format!(
                    "reports a fault \"{}\" in line {line} that its description does not name",
                    one_line(said)
                ));
            };
            Action::Fault {
                code,
                message: one_line(text(m.text)?),
            }
        }
        other => {
            return Err(format!(
                "reports something of the unknown kind {other} in line {line}"
            ));
        }
    };
    // Where a cutter that went to the machine's top comes from, is the machine's top.
    let top = matches!(action, Action::RetractFull);
    Ok(ReadMove {
        line,
        from: known(&m.from, abi::READ_HAS_FROM_X, true)?,
        to: known(&m.to, abi::READ_HAS_TO_X, top || m.from[2] == f64::INFINITY)?,
        action,
        feed: match has(abi::READ_HAS_FEED) {
            true => Some(finite(m.feed, "a feed")?),
            false => None,
        },
        spindle: match has(abi::READ_HAS_SPINDLE) {
            true => Some(Spindle {
                rpm: finite(m.rpm, "a speed")?,
                clockwise: has(abi::READ_CLOCKWISE),
            }),
            false => None,
        },
        cutter: has(abi::READ_HAS_CUTTER).then_some(m.cutter),
    })
}

/// Runs a callback: on the call's own thread only, and without letting a panic out into foreign frames.
///
/// # Safety
/// `context` is what [`Call::host`] put into the table of a call that has not returned.
unsafe fn guarded(context: *mut c_void, f: impl FnOnce(&mut Call<'_>) -> i32) -> i32 {
    let call = context.cast::<Call<'_>>();
    if call.is_null() {
        return abi::CODE_HOST;
    }
    // SAFETY: the caller vouches for the pointer; this field never changes.
    if unsafe { (&raw const (*call).thread).read() } != current().id() {
        return abi::CODE_HOST;
    }
    // SAFETY: the plugin runs on the call's thread, so nothing else uses the call now: the host's side waits for the plugin.
    let call = unsafe { &mut *call };
    match catch_unwind(AssertUnwindSafe(|| f(&mut *call))) {
        Ok(code) => code,
        Err(payload) => {
            call.panic.get_or_insert(payload);
            abi::CODE_HOST
        }
    }
}

/// Bytes that a plugin hands over; `None` when they lie at no place.
///
/// # Safety
/// `bytes` are valid until the callback returns.
unsafe fn handed<'a, T>(data: *const T, len: usize) -> Option<&'a [T]> {
    if len == 0 {
        return Some(&[]);
    }
    let fits = len
        .checked_mul(size_of::<T>())
        .is_some_and(|n| n <= isize::MAX as usize);
    if data.is_null() || !data.is_aligned() || !fits {
        return None;
    }
    // SAFETY: not null, aligned, not too long; the caller vouches for the rest.
    Some(unsafe { std::slice::from_raw_parts(data, len) })
}

const NOWHERE: &str = "hands over something that lies at no place in memory";

unsafe extern "C" fn on_write(context: *mut c_void, kind: u32, bytes: abi::Bytes) -> i32 {
    // SAFETY: a plugin hands back the context of its call.
    unsafe {
        guarded(context, |call| {
            // SAFETY: lent by the plugin until this returns.
            match handed(bytes.data, bytes.len) {
                Some(bytes) => call.write(kind, bytes),
                None => call.protocol(NOWHERE),
            }
        })
    }
}

unsafe extern "C" fn on_cancelled(context: *mut c_void) -> i32 {
    // SAFETY: a plugin hands back the context of its call.
    unsafe { guarded(context, |call| i32::from(call.cancel.is_set())) }
}

unsafe extern "C" fn on_items(context: *mut c_void, batch: *mut abi::Items) -> i32 {
    // SAFETY: a plugin hands back the context of its call.
    unsafe {
        guarded(context, |call| {
            if batch.is_null() || !batch.is_aligned() {
                return call.protocol(NOWHERE);
            }
            match call.items() {
                Ok(items) => {
                    // SAFETY: not null, aligned, the plugin's own until this returns.
                    batch.write(items);
                    abi::CODE_OK
                }
                Err(code) => code,
            }
        })
    }
}

unsafe extern "C" fn on_read(context: *mut c_void, piece: *mut abi::Bytes) -> i32 {
    // SAFETY: a plugin hands back the context of its call.
    unsafe {
        guarded(context, |call| {
            if piece.is_null() || !piece.is_aligned() {
                return call.protocol(NOWHERE);
            }
            match call.read() {
                Ok(bytes) => {
                    // SAFETY: not null, aligned, the plugin's own until this returns.
                    piece.write(bytes);
                    abi::CODE_OK
                }
                Err(code) => code,
            }
        })
    }
}

unsafe extern "C" fn on_receive(context: *mut c_void, batch: *const abi::ReadMoves) -> i32 {
    // SAFETY: a plugin hands back the context of its call.
    unsafe {
        guarded(context, |call| {
            if batch.is_null() || !batch.is_aligned() {
                return call.protocol(NOWHERE);
            }
            // SAFETY: not null, aligned, lent by the plugin until this returns, and so are the arrays in it.
            let batch = batch.read();
            let texts = handed(batch.texts.data, batch.texts.len);
            match (handed(batch.moves, batch.count), texts) {
                (Some(moves), Some(texts)) => call.receive(moves, texts),
                _ => call.protocol(NOWHERE),
            }
        })
    }
}

unsafe extern "C" fn on_blob(
    context: *mut c_void,
    name: abi::Bytes,
    block: *mut abi::Numbers,
) -> i32 {
    // SAFETY: a plugin hands back the context of its call.
    unsafe {
        guarded(context, |call| {
            // SAFETY: lent by the plugin until this returns.
            let name = handed(name.data, name.len).and_then(|n| std::str::from_utf8(n).ok());
            if block.is_null() || !block.is_aligned() {
                return call.protocol(NOWHERE);
            }
            let found = name.and_then(|n| call.blobs?.get(&BlobId(n.to_string())));
            let Some(columns) = found else {
                return abi::CODE_REFUSED;
            };
            // SAFETY: not null, aligned, the plugin's own until this returns. The numbers live as long as the call.
            block.write(abi::Numbers {
                data: columns.as_ptr(),
                len: columns.len(),
            });
            abi::CODE_OK
        })
    }
}

// ---- calls

fn no_function<T>(name: &str) -> Result<T, Failed> {
    Err(Failed::Plugin(format!("has no function `{name}`")))
}

/// The description's bytes, or a sentence.
pub(crate) fn describe(table: &abi::Plugin) -> Result<Vec<u8>, String> {
    let Some(describe) = table.describe else {
        return Err("it has no function `describe`".into());
    };
    let cancel = Cancel::default();
    let mut call = Call::new(&cancel);
    let host = call.host();
    // SAFETY: the table was checked when it was loaded; `host` and `call` outlive the call and are not touched meanwhile.
    let code = unsafe { describe(&raw const host) };
    call.outcome(code).map_err(|f| f.sentence())?;
    let bytes = call.written.remove(&abi::WRITE_DESCRIPTION);
    bytes.ok_or_else(|| "it wrote none".into())
}

/// An instance, ended when dropped.
pub(crate) struct Instance<'t> {
    table: &'t abi::Plugin,
    pointer: *mut c_void,
}

impl<'t> Instance<'t> {
    /// Makes one.
    pub(crate) fn new(
        table: &'t abi::Plugin,
        what: u32,
        name: &[u8],
        settings: &[u8],
    ) -> Result<Instance<'t>, Failed> {
        let Some(create) = table.create else {
            return no_function("create");
        };
        let cancel = Cancel::default();
        let mut call = Call::new(&cancel);
        let host = call.host();
        let mut pointer = std::ptr::null_mut();
        // SAFETY: as in `describe`; `pointer` is ours for the call, the bytes are lent for it.
        let code = unsafe {
            create(
                &raw const host,
                what,
                lend(name),
                lend(settings),
                &raw mut pointer,
            )
        };
        call.outcome(code)?;
        if pointer.is_null() {
            return Err(Failed::Plugin("made no instance and called it done".into()));
        }
        Ok(Instance { table, pointer })
    }

    /// Ends it. What it says at its end is a failure like any other.
    pub(crate) fn end(mut self) -> Result<(), Failed> {
        match self.destroy() {
            abi::CODE_OK => Ok(()),
            abi::CODE_PANICKED => Err(Failed::Plugin("panicked when its instance ended".into())),
            other => Err(Failed::Plugin(format!(
                "returned {other} when its instance ended"
            ))),
        }
    }

    fn destroy(&mut self) -> i32 {
        let pointer = std::mem::replace(&mut self.pointer, std::ptr::null_mut());
        match self.table.destroy {
            // SAFETY: made by `create` of the same table and ended once, since the pointer was taken.
            Some(destroy) if !pointer.is_null() => unsafe { destroy(pointer) },
            _ => abi::CODE_OK,
        }
    }
}

impl Drop for Instance<'_> {
    fn drop(&mut self) {
        // The call has failed already; how its instance ends adds nothing.
        let _ = self.destroy();
    }
}

/// How items and head are handed over; everything but the default is for the conformance run.
#[derive(Clone, Copy, Default)]
pub(crate) struct Handing<'a> {
    /// Numbers that are not finite reach the plugin.
    pub(crate) raw: bool,
    /// Bytes in place of the head's JSON.
    pub(crate) head: Option<&'a [u8]>,
    /// The size that the host's table says it has, in place of the true one.
    pub(crate) size: Option<usize>,
    /// The texts of items lie outside their batch.
    pub(crate) torn: bool,
    /// Counts how often the plugin goes on after a callback told it to stop.
    pub(crate) deaf: Option<&'a Cell<u32>>,
}

/// Writes one program.
pub(crate) fn write(
    table: &abi::Plugin,
    name: &str,
    head: &ProgramHead,
    items: &mut dyn Iterator<Item = Item>,
    out: &mut dyn Write,
    cancel: &Cancel,
    handing: Handing<'_>,
) -> Result<Written, Failed> {
    let Some(dialect_write) = table.dialect_write else {
        return no_function("dialect_write");
    };
    let json = serde_json::to_vec(head).map_err(|e| Failed::Plan(format!("the head: {e}")))?;
    let head_bytes = handing.head.unwrap_or(&json);
    let instance = Instance::new(table, abi::MAKE_DIALECT, name.as_bytes(), b"{}")?;
    let mut call = Call::new(cancel);
    call.feed = Some(Feed {
        items,
        safe_z: head.safe_z,
        raw: handing.raw,
        torn: handing.torn,
        batch: Vec::with_capacity(BATCH),
        texts: Vec::new(),
        count: 0,
    });
    call.sink = Some(Sink {
        out,
        bytes: 0,
        lines: 0,
        last: b'\n',
        open: Vec::new(),
    });
    let mut host = call.host();
    if let Some(size) = handing.size {
        host.size = size;
    }
    // SAFETY: as in `describe`; the instance is used by this call alone, the head is lent for it.
    let code = unsafe { dialect_write(instance.pointer, &raw const host, lend(head_bytes)) };
    if let Some(deaf) = handing.deaf {
        // Calling a text that could not be written done is as deaf as it gets.
        let done = call.trouble.is_some() && code == abi::CODE_OK;
        deaf.set(call.deaf.saturating_add(u32::from(done)));
    }
    call.outcome(code)?;
    instance.end()?;
    let written: Written = call.document(abi::WRITE_WRITTEN, "figures of the text")?;
    let Some(sink) = call.sink.take() else {
        return Err(Failed::Plugin("lost its text".into()));
    };
    if !sink.open.is_empty() {
        return Err(Failed::Plugin("writes text that is not UTF-8".into()));
    }
    let lines = sink.lines + u64::from(sink.last != b'\n');
    let wrong = |what: String| Err(Failed::Plugin(what));
    if written.lines != lines {
        return wrong(format!(
            "says that it wrote {} lines; it wrote {lines}",
            written.lines
        ));
    }
    if !(written.rounding_mm.is_finite() && written.rounding_mm >= 0.0) {
        return wrong("gave a rounding that is no distance".into());
    }
    if written.restarts.iter().any(|(_, l)| *l == 0 || *l > lines) {
        return wrong("names a line for a workingstep that the text does not have".into());
    }
    sink.out.flush().map_err(Failed::Io)?;
    Ok(written)
}

/// The figures at a reading's end.
#[derive(Deserialize)]
struct End {
    lines: u64,
    ended: bool,
}

/// Reads one program.
pub(crate) fn read(
    table: &abi::Plugin,
    name: &str,
    faults: &[&'static str],
    text: &mut dyn BufRead,
    receive: Receive<'_>,
    cancel: &Cancel,
) -> Result<(u64, bool), Failed> {
    let Some(dialect_read) = table.dialect_read else {
        return no_function("dialect_read");
    };
    let instance = Instance::new(table, abi::MAKE_DIALECT, name.as_bytes(), b"{}")?;
    let mut call = Call::new(cancel);
    call.source = Some(Source { text, lent: 0 });
    call.receive = Some(receive);
    call.faults = faults;
    let host = call.host();
    // SAFETY: as in `describe`; the instance is used by this call alone.
    let code = unsafe { dialect_read(instance.pointer, &raw const host) };
    call.outcome(code)?;
    instance.end()?;
    let end: End = call.document(abi::WRITE_END, "the end of a reading")?;
    Ok((end.lines, end.ended))
}

/// Runs a stage over a header and gives its patch's bytes.
pub(crate) fn run(
    table: &abi::Plugin,
    name: &str,
    settings: &Value,
    header: &[u8],
    blobs: &Blobs,
    cancel: &Cancel,
) -> Result<Value, Failed> {
    let Some(stage_run) = table.stage_run else {
        return no_function("stage_run");
    };
    let settings = settings.to_string();
    let instance = Instance::new(table, abi::MAKE_STAGE, name.as_bytes(), settings.as_bytes())?;
    let mut call = Call::new(cancel);
    call.blobs = Some(blobs);
    let host = call.host();
    // SAFETY: as in `describe`; the instance is used by this call alone, the header is lent for it.
    let code = unsafe { stage_run(instance.pointer, &raw const host, lend(header)) };
    call.outcome(code)?;
    instance.end()?;
    call.document(abi::WRITE_PATCH, "a patch")
}

// ---- dialects

/// A dialect of a library.
pub(crate) struct NativeDialect {
    library: Arc<Inner>,
    about: DialectAbout,
    reads: bool,
    faults: Vec<&'static str>,
    cancel: Arc<Cancel>,
}

/// A word that lives as long as the library, which is never unloaded.
fn kept(word: &str) -> &'static str {
    use std::sync::{Mutex, PoisonError};
    static KEPT: Mutex<BTreeSet<&'static str>> = Mutex::new(BTreeSet::new());
    let mut kept = KEPT.lock().unwrap_or_else(PoisonError::into_inner);
    if let Some(found) = kept.get(word) {
        return found;
    }
    let word: &'static str = Box::leak(word.to_string().into_boxed_str());
    kept.insert(word);
    word
}

impl NativeDialect {
    pub(crate) fn new(
        library: &Arc<Inner>,
        entry: &DialectEntry,
        cancel: &Arc<Cancel>,
    ) -> NativeDialect {
        NativeDialect {
            library: Arc::clone(library),
            about: entry.about.clone(),
            reads: entry.reads,
            faults: entry.faults.iter().map(|f| kept(f)).collect(),
            cancel: Arc::clone(cancel),
        }
    }
    pub(crate) fn write_as(
        &self,
        head: &ProgramHead,
        items: &mut dyn Iterator<Item = Item>,
        out: &mut dyn Write,
        handing: Handing<'_>,
    ) -> Result<Written, Failed> {
        write(
            &self.library.table,
            &self.about.name,
            head,
            items,
            out,
            &self.cancel,
            handing,
        )
    }
    pub(crate) fn read_as(
        &self,
        text: &mut dyn BufRead,
        receive: Receive<'_>,
    ) -> Result<(), Failed> {
        read(
            &self.library.table,
            &self.about.name,
            &self.faults,
            text,
            receive,
            &self.cancel,
        )
        .map(|_| ())
    }
    fn named(&self, what: &str) -> String {
        format!(
            "dialect {} of {} {what}",
            self.about.name,
            self.library.shown()
        )
    }
}

impl Dialect for NativeDialect {
    fn about(&self) -> &DialectAbout {
        &self.about
    }
    fn write(
        &self,
        head: &ProgramHead,
        items: &mut dyn Iterator<Item = Item>,
        out: &mut dyn Write,
    ) -> Result<Written, DialectError> {
        self.write_as(head, items, out, Handing::default())
            .map_err(|failed| match failed {
                Failed::Unsupported(r) => DialectError::Unsupported {
                    dialect: self.about.name.clone(),
                    what: r.what,
                    remedy: r.remedy,
                },
                Failed::Refused(r) => {
                    let message = r.message.clone();
                    noted(&Failed::Refused(r));
                    DialectError::Plan(message)
                }
                Failed::Plan(what) => DialectError::Plan(what),
                Failed::Io(e) => DialectError::Io(e),
                Failed::Cancelled => DialectError::Io(io::Error::other("cancelled")),
                other => DialectError::Plugin(self.named(&noted(&other))),
            })
    }
    fn reader(&self) -> Option<&dyn Reader> {
        self.reads.then_some(self as _)
    }
}

impl Reader for NativeDialect {
    fn read(
        &self,
        text: &mut dyn BufRead,
        receive: &mut dyn FnMut(ReadMove) -> ControlFlow<()>,
    ) -> ReadEnd {
        let read = read(
            &self.library.table,
            &self.about.name,
            &self.faults,
            text,
            receive,
            &self.cancel,
        );
        match read {
            Ok((lines, ended)) => ReadEnd::Complete { lines, ended },
            Err(Failed::Stopped) => ReadEnd::Stopped,
            Err(Failed::Io(e)) => ReadEnd::Io(e.to_string()),
            Err(other) => ReadEnd::Io(self.named(&noted(&other))),
        }
    }
}

// ---- stages

/// A stage of a library.
pub(crate) struct NativeStage {
    library: Arc<Inner>,
    about: About,
    may: Vec<May>,
    findings: Vec<FindingEntry>,
}

/// A finding as a patch has it.
#[derive(Debug, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
struct PatchFinding {
    code: String,
    message: String,
    pointer: Option<String>,
    part: Option<String>,
    feature: Option<String>,
    setup: Option<String>,
    line: Option<u64>,
    at: Option<Point>,
    remedy: Option<String>,
}

/// What a stage adds.
#[derive(Debug, Default, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
struct Patch {
    #[serde(default)]
    findings: Vec<PatchFinding>,
    #[serde(default)]
    hand_work: Vec<HandWork>,
    #[serde(default)]
    order: BTreeMap<String, Vec<Entry>>,
}

impl NativeStage {
    pub(crate) fn new(library: &Arc<Inner>, entry: &StageEntry) -> NativeStage {
        let facts = |words: &[String]| -> &'static [Fact] {
            // Leaked once a library, as the words are: libraries never unload.
            Box::leak(words.iter().map(|w| kept(w)).collect())
        };
        NativeStage {
            library: Arc::clone(library),
            about: About {
                name: kept(&entry.name),
                version: entry.version,
                summary: kept(&entry.summary),
                needs: facts(&entry.needs),
                gives: facts(&entry.gives),
                spoils: facts(&entry.spoils),
                schema: with_lengths(&entry.schema),
                example: entry.example.clone(),
            },
            may: entry.may.clone(),
            findings: entry.findings.clone(),
        }
    }

    fn named(&self, what: &str) -> String {
        format!(
            "stage {} of {} {what}",
            self.about.name,
            self.library.shown()
        )
    }

    /// The patch over a work, as the plugin gave it.
    pub(crate) fn patch(
        &self,
        work: &Work,
        settings: &Value,
        cancel: &Cancel,
    ) -> Result<Value, Failed> {
        let header = serde_json::to_vec(work)
            .map_err(|e| Failed::Plan(format!("the work cannot be handed over: {e}")))?;
        run(
            &self.library.table,
            self.about.name,
            settings,
            &header,
            &work.blobs,
            cancel,
        )
    }

    /// Puts a patch into the work; the first thing that is wrong with it otherwise.
    pub(crate) fn apply(&self, patch: Value, work: &mut Work) -> Result<(), String> {
        let patch: Patch = serde_json::from_value(patch)
            .map_err(|e| format!("gave a patch that cannot be read: {e}"))?;
        for (may, has, what) in [
            (May::Findings, !patch.findings.is_empty(), "findings"),
            (May::HandWork, !patch.hand_work.is_empty(), "hand-work"),
            (May::Order, !patch.order.is_empty(), "order"),
        ] {
            if has && !self.may.contains(&may) {
                return Err(format!(
                    "gave a patch with \"{what}\", which its description does not name in `may`"
                ));
            }
        }
        if patch.findings.len() > MOST_FINDINGS || patch.hand_work.len() > MOST_FINDINGS {
            return Err(format!(
                "gave more than {MOST_FINDINGS} entries of one kind"
            ));
        }
        let findings: Vec<Finding> = patch
            .findings
            .into_iter()
            .map(|f| self.finding(f, work))
            .collect::<Result<_, _>>()?;
        for h in &patch.hand_work {
            if work.part(&h.part).is_none() {
                return Err(format!(
                    "gave hand work for a part \"{}\" that does not exist",
                    one_line(&h.part)
                ));
            }
            if h.what.trim().is_empty() || h.at.is_some_and(|p| !p.is_finite()) {
                return Err("gave hand work without words or at no place".into());
            }
        }
        for (id, entries) in &patch.order {
            let Some(setup) = work.setups.iter().find(|s| s.id == *id) else {
                return Err(format!(
                    "gave an order for a setup \"{}\" that does not exist",
                    one_line(id)
                ));
            };
            reordered(work, setup, entries).map_err(|why| {
                format!("gave an order for setup {id} that cannot be taken: {why}")
            })?;
        }
        work.findings.extend(findings);
        work.hand_work.extend(patch.hand_work);
        for (id, entries) in patch.order {
            if let Some(setup) = work.setups.iter_mut().find(|s| s.id == id) {
                setup.order = entries;
            }
        }
        Ok(())
    }

    fn finding(&self, f: PatchFinding, work: &Work) -> Result<Finding, String> {
        let Some(entry) = self.findings.iter().find(|e| e.word == f.code) else {
            return Err(format!(
                "gave a finding \"{}\" that its description does not name",
                one_line(&f.code)
            ));
        };
        if f.message.trim().is_empty() {
            return Err(format!("gave a finding \"{}\" without words", entry.word));
        }
        if let Some(part) = &f.part
            && work.part(part).is_none()
        {
            return Err(format!(
                "gave a finding for a part \"{}\" that does not exist",
                one_line(part)
            ));
        }
        if let Some(setup) = &f.setup
            && !work.setups.iter().any(|s| s.id == *setup)
        {
            return Err(format!(
                "gave a finding for a setup \"{}\" that does not exist",
                one_line(setup)
            ));
        }
        if f.at.is_some_and(|p| !p.is_finite()) {
            return Err(format!("gave a finding \"{}\" at no place", entry.word));
        }
        let line = |text: Option<String>| text.map(|t| one_line(&t));
        let mut finding = Finding {
            severity: entry.severity,
            code: format!("{}/{}", self.about.name, entry.word),
            pointer: line(f.pointer),
            part: f.part,
            feature: line(f.feature),
            setup: f.setup,
            line: f.line,
            at: None,
            message: one_line(&f.message),
            remedy: one_line(f.remedy.as_ref().unwrap_or(&entry.remedy)),
        };
        if let Some(at) = f.at {
            finding = finding.at(at);
        }
        Ok(finding)
    }
}

/// A new order may only bring the same entries into another sequence, with every step under its own cutter and on its own side of
/// every pause: what a person does in a pause is meant for what comes after it.
fn reordered(work: &Work, setup: &Setup, entries: &[Entry]) -> Result<(), String> {
    let key = |e: &Entry| serde_json::to_string(e).unwrap_or_default();
    /// The steps between two pauses, and the pause at their end.
    fn stretches(entries: &[Entry]) -> Vec<(Vec<&Entry>, Option<&Entry>)> {
        let mut all = vec![(Vec::new(), None)];
        for e in entries {
            match (e, all.last_mut()) {
                (Entry::Pause { .. }, Some(last)) => {
                    last.1 = Some(e);
                    all.push((Vec::new(), None));
                }
                (Entry::Step(_), Some(last)) => last.0.push(e),
                _ => {}
            }
        }
        all
    }
    let sorted = |entries: &[&Entry]| {
        let mut keys: Vec<String> = entries.iter().map(|e| key(e)).collect();
        keys.sort();
        keys
    };
    let (old, new) = (stretches(&setup.order), stretches(entries));
    if old.len() != new.len() {
        return Err("it has another number of pauses".into());
    }
    for (i, ((was, pause), (is, new_pause))) in old.iter().zip(&new).enumerate() {
        if pause.map(key) != new_pause.map(key) {
            return Err(format!("pause {} is another", i + 1));
        }
        if sorted(was) != sorted(is) {
            return Err(format!(
                "the steps {} are others",
                match i {
                    0 => "before the first pause".to_string(),
                    i => format!("after pause {i}"),
                }
            ));
        }
    }
    let mut cutter = None;
    for e in entries {
        match e {
            Entry::Cutter(id) => {
                if work.documents.cutter(id).is_none() {
                    return Err(format!("there is no cutter {}", one_line(id)));
                }
                cutter = Some(id.as_str());
            }
            Entry::Step(step) => {
                let wanted = step_view(work, setup, *step).map(|v| v.cutter);
                if wanted != cutter {
                    return Err("a step would run with another cutter than its own".into());
                }
            }
            Entry::Pause { .. } => {}
        }
    }
    Ok(())
}

impl Stage for NativeStage {
    fn about(&self) -> &About {
        &self.about
    }
    fn run(&self, work: &mut Work, settings: &Settings, cx: &Cx<'_>) -> Result<(), Stop> {
        cx.check()?;
        let patch = self
            .patch(work, &settings.0, cx.cancel)
            .map_err(|failed| match failed {
                Failed::Cancelled => Stop::Cancelled,
                other => Fault::new(self.named(&noted(&other))).into(),
            })?;
        self.apply(patch, work).map_err(|what| {
            outcome::broke(&what);
            Fault::new(self.named(&what)).into()
        })
    }
    fn read_settings(
        &self,
        layer: &Value,
        unit: Unit,
        pointer: &str,
    ) -> Result<Value, Vec<Problem>> {
        read_layer(layer, unit, pointer, &self.about.schema)
    }
}

// ---- settings

/// A plugin's schema with the definition of a length put in, as the documents have it.
pub(crate) fn with_lengths(schema: &Value) -> Value {
    let mut schema = schema.clone();
    let length = <Length as schemars::JsonSchema>::json_schema(&mut Default::default());
    if let Some(root) = schema.as_object_mut() {
        let defs = root.entry("$defs").or_insert_with(|| json!({}));
        if let Some(defs) = defs.as_object_mut() {
            defs.insert("Length".into(), length.to_value());
        }
    }
    schema
}

/// One layer of a stage's settings, checked against the schema, lengths turned into mm.
pub(crate) fn read_layer(
    layer: &Value,
    unit: Unit,
    pointer: &str,
    schema: &Value,
) -> Result<Value, Vec<Problem>> {
    // The plugin's settings have no type here, so the check is the schema's alone.
    let layer = read_settings_layer::<Value>(layer, unit, pointer, schema)?;
    Ok(in_unit(unit, || in_mm(&layer, schema, schema, 0)))
}

/// `value` with every length as a number of mm.
fn in_mm(value: &Value, schema: &Value, root: &Value, depth: u32) -> Value {
    if depth > DEEPEST {
        return value.clone();
    }
    if let Some(name) = reference(schema) {
        if name == "Length" {
            let length = serde_json::from_value::<Length>(value.clone());
            return length.map_or_else(|_| value.clone(), |l| json!(l.mm()));
        }
        let target = root.get("$defs").and_then(|d| d.get(name));
        return target.map_or_else(|| value.clone(), |t| in_mm(value, t, root, depth + 1));
    }
    match value {
        Value::Object(map) => {
            let of = |key: &str| {
                schema
                    .get("properties")
                    .and_then(|p| p.get(key))
                    .or_else(|| schema.get("additionalProperties"))
            };
            let converted = map.iter().map(|(k, v)| {
                let v = of(k).map_or_else(|| v.clone(), |s| in_mm(v, s, root, depth + 1));
                (k.clone(), v)
            });
            Value::Object(converted.collect::<Map<_, _>>())
        }
        Value::Array(items) => match schema.get("items") {
            Some(s) => items.iter().map(|v| in_mm(v, s, root, depth + 1)).collect(),
            None => value.clone(),
        },
        other => other.clone(),
    }
}

fn reference(schema: &Value) -> Option<&str> {
    schema.get("$ref")?.as_str()?.strip_prefix("#/$defs/")
}

/// Deepest nesting of a schema.
const DEEPEST: u32 = 32;
/// Keywords that the check of settings knows; a schema with others would promise what nobody checks.
const KEYWORDS: [&str; 20] = [
    "$defs",
    "$ref",
    "$schema",
    "additionalProperties",
    "anyOf",
    "const",
    "default",
    "description",
    "enum",
    "format",
    "items",
    "maxItems",
    "maximum",
    "minItems",
    "minimum",
    "oneOf",
    "properties",
    "required",
    "title",
    "type",
];

/// What keeps a stage's schema from being used.
pub(crate) fn schema_complaint(schema: &Value) -> Option<String> {
    if schema.get("type").and_then(Value::as_str) != Some("object") {
        return Some("the settings of a stage are an object: `type` must be \"object\"".into());
    }
    part_complaint(schema, schema, 0)
}

fn part_complaint(part: &Value, root: &Value, depth: u32) -> Option<String> {
    if depth > DEEPEST {
        return Some(format!("it is nested more than {DEEPEST} deep"));
    }
    let map = match part {
        Value::Bool(_) => return None,
        Value::Object(map) => map,
        _ => return Some("a schema is an object, true or false".into()),
    };
    if let Some(key) = map.keys().find(|k| !KEYWORDS.contains(&k.as_str())) {
        return Some(format!(
            "the keyword \"{}\" is not checked here",
            one_line(key)
        ));
    }
    if map.contains_key("$ref") {
        let name = reference(part);
        let known = name.is_some_and(|n| {
            n == "Length" || root.get("$defs").is_some_and(|d| d.get(n).is_some())
        });
        if !known {
            return Some(format!("{} refers to nothing", map["$ref"]));
        }
    }
    let kinds = [
        "null", "boolean", "number", "integer", "string", "array", "object",
    ];
    let kind_ok = |k: &Value| k.as_str().is_some_and(|k| kinds.contains(&k));
    let type_ok = match map.get("type") {
        None => true,
        Some(Value::Array(list)) => list.iter().all(kind_ok),
        Some(one) => kind_ok(one),
    };
    if !type_ok {
        return Some("`type` is none of JSON's".into());
    }
    let mut parts: Vec<&Value> = Vec::new();
    for key in ["properties", "$defs"] {
        match map.get(key) {
            None => {}
            Some(Value::Object(m)) => parts.extend(m.values()),
            Some(_) => return Some(format!("`{key}` is not an object")),
        }
    }
    for key in ["anyOf", "oneOf"] {
        match map.get(key) {
            None => {}
            Some(Value::Array(list)) => parts.extend(list),
            Some(_) => return Some(format!("`{key}` is not a list")),
        }
    }
    parts.extend(
        ["items", "additionalProperties"]
            .iter()
            .filter_map(|k| map.get(*k)),
    );
    parts
        .into_iter()
        .find_map(|p| part_complaint(p, root, depth + 1))
}
