//! The entries that the host calls, and the callbacks it offers, made safe. All `unsafe` of this crate is here.
#![allow(unsafe_code, reason = "the border to C: every block says why it holds")]

use crate::unwind::caught;
use crate::{Dialect, Head, Items, Lines, Out, Plugin, Seen, Stage, StageHost, Stop};
use grainway_abi as abi;
use serde_json::{Value, json};
use std::ffi::c_void;

/// The table that the library exports.
pub const fn table<P: Plugin>() -> abi::Plugin {
    abi::Plugin {
        magic: abi::MAGIC,
        major: abi::MAJOR,
        minor: abi::MINOR,
        size: size_of::<abi::Plugin>(),
        describe: Some(describe::<P>),
        create: Some(create::<P>),
        destroy: Some(destroy),
        dialect_write: Some(dialect_write),
        dialect_read: Some(dialect_read),
        stage_run: Some(stage_run),
    }
}

/// Longest text of a reason, characters.
const LONGEST_REASON: usize = 1_000;

/// What an instance is.
enum Instance {
    Dialect(Box<dyn Dialect>),
    Stage(Box<dyn Stage>),
}

/// The host's table, copied, with whatever the host is too old to know left null.
pub(crate) struct Callbacks {
    host: abi::Host,
}

/// A batch of items.
#[derive(Clone, Copy, Default)]
pub(crate) struct Lent<'a> {
    pub(crate) items: &'a [abi::Item],
    pub(crate) texts: &'a [u8],
}

/// Lent bytes as a slice.
///
/// # Safety
/// `bytes` are lent for at least `'a`.
unsafe fn slice<'a>(bytes: abi::Bytes) -> Result<&'a [u8], Stop> {
    if bytes.len == 0 {
        return Ok(&[]);
    }
    if bytes.data.is_null() || bytes.len > isize::MAX as usize {
        return Err(Stop::Internal("the host lent bytes at no place".into()));
    }
    // SAFETY: not null, and the caller vouches for the length and the time.
    Ok(unsafe { std::slice::from_raw_parts(bytes.data, bytes.len) })
}

fn lend(bytes: &[u8]) -> abi::Bytes {
    abi::Bytes {
        data: bytes.as_ptr(),
        len: bytes.len(),
    }
}

/// A code of a callback as a result.
fn passed(code: i32) -> Result<(), Stop> {
    match code {
        abi::CODE_OK => Ok(()),
        abi::CODE_CANCELLED => Err(Stop::Cancelled),
        other => Err(Stop::Host(other)),
    }
}

impl Callbacks {
    /// # Safety
    /// `host` is null or points to a table of at least the `size` that its first field names.
    unsafe fn new(host: *const abi::Host) -> Option<Callbacks> {
        if host.is_null() || !host.is_aligned() {
            return None;
        }
        // SAFETY: every version of the table begins with its size.
        let size = unsafe { (&raw const (*host).size).read() };
        if size < size_of::<abi::Host>() {
            // Version 1.0 is the smallest there is.
            return None;
        }
        // SAFETY: the table is at least as large as the struct known here.
        let host = unsafe { host.read() };
        Some(Callbacks { host })
    }
    fn missing<T>(what: &str) -> Result<T, Stop> {
        Err(Stop::Internal(format!("the host offers no `{what}` here")))
    }
    pub(crate) fn write(&self, kind: u32, bytes: &[u8]) -> Result<(), Stop> {
        if bytes.is_empty() {
            return Ok(());
        }
        let Some(write) = self.host.write else {
            return Self::missing("write");
        };
        // SAFETY: the host's own function with its own context, on the thread of the call.
        passed(unsafe { write(self.host.context, kind, lend(bytes)) })
    }
    pub(crate) fn check(&self) -> Result<(), Stop> {
        let Some(cancelled) = self.host.cancelled else {
            return Ok(());
        };
        // SAFETY: as in `write`.
        match unsafe { cancelled(self.host.context) } {
            0 => Ok(()),
            _ => Err(Stop::Cancelled),
        }
    }
    /// The next batch. What the one before lent is no longer valid: `Items` holds one at a time.
    pub(crate) fn items(&self) -> Result<Lent<'_>, Stop> {
        let Some(items) = self.host.items else {
            return Self::missing("items");
        };
        let mut batch = abi::Items {
            items: std::ptr::null(),
            count: 0,
            texts: lend(&[]),
        };
        // SAFETY: as in `write`; `batch` is ours for the call.
        passed(unsafe { items(self.host.context, &raw mut batch) })?;
        if batch.count == 0 {
            return Ok(Lent::default());
        }
        if batch.items.is_null() || !batch.items.is_aligned() {
            return Err(Stop::Internal("the host lent items at no place".into()));
        }
        Ok(Lent {
            // SAFETY: lent by the host until `items` is called again.
            items: unsafe { std::slice::from_raw_parts(batch.items, batch.count) },
            // SAFETY: likewise.
            texts: unsafe { slice(batch.texts) }?,
        })
    }
    /// The next piece of the text; `Lines` holds one at a time.
    pub(crate) fn read(&self) -> Result<&[u8], Stop> {
        let Some(read) = self.host.read else {
            return Self::missing("read");
        };
        let mut piece = lend(&[]);
        // SAFETY: as in `write`; `piece` is ours for the call.
        passed(unsafe { read(self.host.context, &raw mut piece) })?;
        // SAFETY: lent by the host until `read` is called again.
        unsafe { slice(piece) }
    }
    pub(crate) fn receive(&self, moves: &[abi::ReadMove], texts: &[u8]) -> Result<(), Stop> {
        let Some(receive) = self.host.receive else {
            return Self::missing("receive");
        };
        let batch = abi::ReadMoves {
            moves: moves.as_ptr(),
            count: moves.len(),
            texts: lend(texts),
        };
        // SAFETY: as in `write`; the host copies before it returns.
        passed(unsafe { receive(self.host.context, &raw const batch) })
    }
    pub(crate) fn blob(&self, name: &str) -> Result<Option<&[f64]>, Stop> {
        let Some(blob) = self.host.blob else {
            return Self::missing("blob");
        };
        let mut block = abi::Numbers {
            data: std::ptr::null(),
            len: 0,
        };
        // SAFETY: as in `write`; `block` is ours for the call.
        let code = unsafe { blob(self.host.context, lend(name.as_bytes()), &raw mut block) };
        if code == abi::CODE_REFUSED {
            return Ok(None);
        }
        passed(code)?;
        if block.len == 0 {
            return Ok(Some(&[]));
        }
        if block.data.is_null() || !block.data.is_aligned() {
            return Err(Stop::Internal("the host lent numbers at no place".into()));
        }
        // SAFETY: lent by the host for the whole call, which `self` does not outlive.
        Ok(Some(unsafe {
            std::slice::from_raw_parts(block.data, block.len)
        }))
    }
    fn json(&self, kind: u32, value: &impl serde::Serialize) -> Result<(), Stop> {
        let bytes = serde_json::to_vec(value)
            .map_err(|e| Stop::Internal(format!("JSON could not be made: {e}")))?;
        self.write(kind, &bytes)
    }
    /// The code of a stop, after its reason was written.
    fn said(&self, stop: Stop) -> i32 {
        // The host takes a reason, not an essay; what is quoted in one may be of any length.
        let short = |text: String| match text.char_indices().nth(LONGEST_REASON) {
            Some((cut, _)) => format!("{}…", &text[..cut]),
            None => text,
        };
        let (code, reason) = match stop {
            Stop::Refused { pointer, message } => (
                abi::CODE_REFUSED,
                json!({ "pointer": short(pointer), "message": short(message) }),
            ),
            Stop::Unsupported { what, remedy } => {
                let (what, remedy) = (short(what), short(remedy));
                let message = format!("cannot express {what}");
                (
                    abi::CODE_UNSUPPORTED,
                    json!({ "message": message, "what": what, "remedy": remedy }),
                )
            }
            Stop::Internal(message) => (abi::CODE_INTERNAL, json!({ "message": short(message) })),
            Stop::Cancelled => return abi::CODE_CANCELLED,
            Stop::Host(code) => return code,
        };
        // A reason that cannot be written changes nothing about the code.
        let _ = self.json(abi::WRITE_REASON, &reason);
        code
    }
}

/// Runs an entry: no table, no call; a stop becomes its code, a panic its own.
///
/// # Safety
/// As [`Callbacks::new`].
unsafe fn entry(host: *const abi::Host, f: impl FnOnce(&Callbacks) -> Result<(), Stop>) -> i32 {
    // SAFETY: handed on.
    let Some(callbacks) = (unsafe { Callbacks::new(host) }) else {
        return abi::CODE_REFUSED;
    };
    match caught(|| f(&callbacks)) {
        Ok(Ok(())) => abi::CODE_OK,
        Ok(Err(stop)) => callbacks.said(stop),
        Err(words) => {
            let words: String = words.chars().take(LONGEST_REASON).collect();
            let reason = json!({ "message": format!("panicked: {words}") });
            let _ = callbacks.json(abi::WRITE_REASON, &reason);
            abi::CODE_PANICKED
        }
    }
}

unsafe extern "C" fn describe<P: Plugin>(host: *const abi::Host) -> i32 {
    // SAFETY: the host's table, as the interface says.
    unsafe { entry(host, |c| c.json(abi::WRITE_DESCRIPTION, &P::describe())) }
}

unsafe extern "C" fn create<P: Plugin>(
    host: *const abi::Host,
    what: u32,
    name: abi::Bytes,
    settings: abi::Bytes,
    instance: *mut *mut c_void,
) -> i32 {
    let make = |_: &Callbacks| {
        if instance.is_null() || !instance.is_aligned() {
            return Err(Stop::Internal(
                "the host has no place for an instance".into(),
            ));
        }
        // SAFETY: lent for the call.
        let name = std::str::from_utf8(unsafe { slice(name) }?)
            .map_err(|_| Stop::refused("", "the name is not UTF-8"))?;
        // SAFETY: lent for the call.
        let settings: Value = serde_json::from_slice(unsafe { slice(settings) }?)
            .map_err(|e| Stop::refused("", format!("the settings are not JSON: {e}")))?;
        let Some(keys) = settings.as_object() else {
            return Err(Stop::refused("", "the settings are not an object"));
        };
        let unknown = |kind| Stop::refused("", format!("there is no {kind} \"{name}\" in here"));
        let made = match what {
            abi::MAKE_DIALECT => {
                let dialect = P::dialect(name).ok_or_else(|| unknown("dialect"))?;
                if let Some(key) = keys.keys().next() {
                    return Err(Stop::refused(
                        format!("/{key}"),
                        "a dialect has no settings",
                    ));
                }
                Instance::Dialect(dialect)
            }
            abi::MAKE_STAGE => {
                Instance::Stage(P::stage(name, &settings)?.ok_or_else(|| unknown("stage"))?)
            }
            other => {
                return Err(Stop::refused(
                    "",
                    format!("nothing of kind {other} can be made"),
                ));
            }
        };
        let raw = Box::into_raw(Box::new(made)).cast::<c_void>();
        // SAFETY: not null, aligned, and the host's for the call.
        unsafe { instance.write(raw) };
        Ok(())
    };
    // SAFETY: the host's table, as the interface says.
    unsafe { entry(host, make) }
}

unsafe extern "C" fn destroy(instance: *mut c_void) -> i32 {
    if instance.is_null() {
        return abi::CODE_REFUSED;
    }
    // SAFETY: made by `create`, and the host ends each instance once.
    let instance = unsafe { Box::from_raw(instance.cast::<Instance>()) };
    match caught(|| drop(instance)) {
        Ok(()) => abi::CODE_OK,
        Err(_) => abi::CODE_PANICKED,
    }
}

/// The instance behind a pointer.
///
/// # Safety
/// Made by `create`, not ended, and used by this call alone.
unsafe fn of<'a>(instance: *mut c_void) -> Result<&'a mut Instance, Stop> {
    // SAFETY: handed on.
    unsafe { instance.cast::<Instance>().as_mut() }
        .ok_or_else(|| Stop::Internal("the host gave no instance".into()))
}

fn wrong_kind<T>() -> Result<T, Stop> {
    Err(Stop::refused("", "the instance is of another kind"))
}

unsafe extern "C" fn dialect_write(
    instance: *mut c_void,
    host: *const abi::Host,
    head: abi::Bytes,
) -> i32 {
    let write = |c: &Callbacks| {
        // SAFETY: the host's instance, as the interface says.
        let Instance::Dialect(dialect) = unsafe { of(instance) }? else {
            return wrong_kind();
        };
        // SAFETY: lent for the call.
        let head: Head = serde_json::from_slice(unsafe { slice(head) }?)
            .map_err(|e| Stop::refused("", format!("the head cannot be read: {e}")))?;
        let mut out = Out::new(c);
        let written = dialect.write(&head, &mut Items::new(c), &mut out)?;
        out.flush()?;
        c.json(abi::WRITE_WRITTEN, &written)
    };
    // SAFETY: the host's table, as the interface says.
    unsafe { entry(host, write) }
}

unsafe extern "C" fn dialect_read(instance: *mut c_void, host: *const abi::Host) -> i32 {
    let read = |c: &Callbacks| {
        // SAFETY: the host's instance, as the interface says.
        let Instance::Dialect(dialect) = unsafe { of(instance) }? else {
            return wrong_kind();
        };
        let mut seen = Seen::new(c);
        let end = dialect.read(&mut Lines::new(c), &mut seen)?;
        seen.flush()?;
        c.json(abi::WRITE_END, &end)
    };
    // SAFETY: the host's table, as the interface says.
    unsafe { entry(host, read) }
}

unsafe extern "C" fn stage_run(
    instance: *mut c_void,
    host: *const abi::Host,
    work: abi::Bytes,
) -> i32 {
    let run = |c: &Callbacks| {
        // SAFETY: the host's instance, as the interface says.
        let Instance::Stage(stage) = unsafe { of(instance) }? else {
            return wrong_kind();
        };
        // SAFETY: lent for the call.
        let work: Value = serde_json::from_slice(unsafe { slice(work) }?)
            .map_err(|e| Stop::refused("", format!("the work cannot be read: {e}")))?;
        let patch = stage.run(&work, &StageHost { host: c })?;
        c.json(abi::WRITE_PATCH, &patch)
    };
    // SAFETY: the host's table, as the interface says.
    unsafe { entry(host, run) }
}
