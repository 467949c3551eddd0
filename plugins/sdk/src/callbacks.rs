//! The callbacks that the host offers, made safe. The `unsafe` of this crate is here and in `entry`.
#![allow(unsafe_code, reason = "the border to C: every block says why it holds")]

use crate::Stop;
use grainway_abi as abi;
use serde_json::json;

/// Longest text of a reason, characters.
pub(crate) const LONGEST_REASON: usize = 1_000;

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
pub(crate) unsafe fn slice<'a>(bytes: abi::Bytes) -> Result<&'a [u8], Stop> {
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
    pub(crate) unsafe fn new(host: *const abi::Host) -> Option<Callbacks> {
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
    pub(crate) fn json(&self, kind: u32, value: &impl serde::Serialize) -> Result<(), Stop> {
        let bytes = serde_json::to_vec(value)
            .map_err(|e| Stop::Internal(format!("JSON could not be made: {e}")))?;
        self.write(kind, &bytes)
    }
    /// The code of a stop, after its reason was written.
    pub(crate) fn said(&self, stop: Stop) -> i32 {
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
