//! What one call may use: the callbacks behind the host's table, and what they keep aside.
#![allow(unsafe_code, reason = "the border to C: every block says why it holds")]

use super::reported::read_move;
use super::{Failed, Reason, Receive};
use crate::one_line::one_line;
use grainway_abi as abi;
use grainway_pipeline::motion::{Item, Move, SAFE_Z};
use grainway_pipeline::stage::Cancel;
use grainway_pipeline::work::{BlobId, Blobs};
use serde::Deserialize;
use std::any::Any;
use std::collections::BTreeMap;
use std::ffi::c_void;
use std::io::{self, BufRead, Write};
use std::panic::{AssertUnwindSafe, catch_unwind, resume_unwind};
use std::thread::{ThreadId, current};

/// Largest description, bytes.
const LARGEST_DESCRIPTION: usize = 1 << 20;
/// Items lent at once.
pub(super) const BATCH: usize = 512;
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

/// What a callback met that decides the outcome.
pub(super) enum Trouble {
    Io(io::Error),
    /// An item of the plan that cannot be written.
    Plan(String),
    /// The plugin broke the rules.
    Protocol(String),
    /// The receiver wants no more.
    Stopped,
    Cancelled,
}

/// Items on their way to a plugin.
pub(super) struct Feed<'a> {
    pub(super) items: &'a mut dyn Iterator<Item = Item>,
    pub(super) safe_z: f64,
    /// Numbers that are not finite are handed on; otherwise they are refused before the plugin sees them.
    pub(super) raw: bool,
    /// See [`Handing::torn`](super::Handing::torn).
    pub(super) torn: bool,
    pub(super) batch: Vec<abi::Item>,
    pub(super) texts: Vec<u8>,
    /// Items handed over so far.
    pub(super) count: u64,
}

/// Text on its way from a plugin.
pub(super) struct Sink<'a> {
    pub(super) out: &'a mut dyn Write,
    pub(super) bytes: u64,
    pub(super) lines: u64,
    pub(super) last: u8,
    /// The start of a character whose end is still to come.
    pub(super) open: Vec<u8>,
}

/// A text on its way to a plugin.
pub(super) struct Source<'a> {
    pub(super) text: &'a mut dyn BufRead,
    /// Bytes lent and not yet given back.
    pub(super) lent: usize,
}

/// What one call may use.
pub(super) struct Call<'a> {
    pub(super) thread: ThreadId,
    pub(super) cancel: &'a Cancel,
    pub(super) feed: Option<Feed<'a>>,
    pub(super) sink: Option<Sink<'a>>,
    pub(super) source: Option<Source<'a>>,
    pub(super) receive: Option<Receive<'a>>,
    pub(super) faults: &'a [&'static str],
    pub(super) blobs: Option<&'a Blobs>,
    /// JSON of each kind, as far as it has come.
    pub(super) written: BTreeMap<u32, Vec<u8>>,
    pub(super) trouble: Option<Trouble>,
    /// Callbacks after the one that met trouble.
    pub(super) deaf: u32,
    pub(super) panic: Option<Box<dyn Any + Send>>,
}

impl<'a> Call<'a> {
    pub(super) fn new(cancel: &'a Cancel) -> Call<'a> {
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
    pub(super) fn host(&mut self) -> abi::Host {
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
    pub(super) fn outcome(&mut self, code: i32) -> Result<(), Failed> {
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
    pub(super) fn document<T: for<'d> Deserialize<'d>>(
        &self,
        kind: u32,
        what: &str,
    ) -> Result<T, Failed> {
        let Some(bytes) = self.written.get(&kind) else {
            return Err(Failed::Plugin(format!("returned without {what}")));
        };
        serde_json::from_slice(bytes)
            .map_err(|e| Failed::Plugin(one_line(&format!("gave {what} that cannot be read: {e}"))))
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

pub(super) fn lend(bytes: &[u8]) -> abi::Bytes {
    abi::Bytes {
        data: bytes.as_ptr(),
        len: bytes.len(),
    }
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
