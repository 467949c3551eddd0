//! Panics end at the border.

#[cfg(panic = "abort")]
compile_error!(
    "a grainway plugin must be built with panic = \"unwind\": a panic that aborts would take the whole job down without a word"
);

use std::panic::{AssertUnwindSafe, catch_unwind};

/// The result of `f`, or the words of its panic.
pub(crate) fn caught<T>(f: impl FnOnce() -> T) -> Result<T, String> {
    // Nothing that a panic may have left half done is used again: the instance's call is over.
    catch_unwind(AssertUnwindSafe(f)).map_err(|payload| {
        let words = if let Some(s) = payload.downcast_ref::<&str>() {
            (*s).to_string()
        } else if let Some(s) = payload.downcast_ref::<String>() {
            s.clone()
        } else {
            "without words".to_string()
        };
        // Dropping a payload may itself panic; leaking one is the lesser evil.
        std::mem::forget(payload);
        words
    })
}
