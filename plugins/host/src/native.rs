//! Calls into loaded libraries, and the dialects and stages made of them.
//!
//! Whatever a plugin hands over is checked before it is believed: kinds, codes, UTF-8, spans, numbers, amounts. Whatever a callback
//! of the host meets (a full disk, a cancelled job, a panic of ours) is kept aside and decides the outcome, even if the plugin
//! goes on as if nothing had happened.
#![allow(unsafe_code, reason = "the border to C: every block says why it holds")]

mod call;
mod dialect;
mod reported;
mod settings;
mod stage;

pub(crate) use dialect::NativeDialect;
pub(crate) use settings::{read_layer, schema_complaint, with_lengths};
pub(crate) use stage::NativeStage;

use crate::library_about::LibraryAbout;
use crate::one_line::one_line;
use crate::outcome;
use call::{Call, Feed, Sink, Source, lend};
use grainway_abi as abi;
use grainway_pipeline::dialect::{ProgramHead, ReadMove, Written};
use grainway_pipeline::motion::Item;
use grainway_pipeline::stage::Cancel;
use grainway_pipeline::work::Blobs;
use serde::Deserialize;
use serde_json::Value;
use std::cell::Cell;
use std::collections::BTreeSet;
use std::ffi::c_void;
use std::io::{self, BufRead, Write};
use std::ops::ControlFlow;
use std::path::PathBuf;
use std::sync::Arc;

/// The part of a library that its dialects and stages share.
pub(crate) struct Inner {
    pub(crate) table: abi::Plugin,
    pub(crate) path: PathBuf,
    pub(crate) about: LibraryAbout,
    pub(crate) cancel: Arc<Cancel>,
}

impl Inner {
    /// How failures name the library.
    pub(crate) fn shown(&self) -> String {
        let file = self.path.file_name().unwrap_or(self.path.as_os_str());
        format!("plugin {} ({})", self.about.name, file.to_string_lossy())
    }
}

/// Hears what is read.
pub(crate) type Receive<'a> = &'a mut dyn FnMut(ReadMove) -> ControlFlow<()>;

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
    /// For people: one line, whatever the plugin's words were.
    pub(crate) fn sentence(&self) -> String {
        one_line(&match self {
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
        })
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
        batch: Vec::with_capacity(call::BATCH),
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
