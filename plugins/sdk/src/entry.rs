//! The entries that the host calls, made safe.
#![allow(unsafe_code, reason = "the border to C: every block says why it holds")]

use crate::callbacks::{Callbacks, LONGEST_REASON, slice};
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

/// What an instance is.
enum Instance {
    Dialect(Box<dyn Dialect>),
    Stage(Box<dyn Stage>),
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
