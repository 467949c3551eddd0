//! Calls into a kernel that may panic, without panic text on the terminal.

use std::cell::Cell;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::Once;

thread_local! {
    static QUIET: Cell<bool> = const { Cell::new(false) };
}
static HOOK: Once = Once::new();

/// Runs `work`; `None` when it panicked. The process keeps its panic hook: ours only passes over panics of a thread that is
/// inside this call and hands all others on.
pub(super) fn caught<T>(work: impl FnOnce() -> T) -> Option<T> {
    HOOK.call_once(|| {
        let before = std::panic::take_hook();
        std::panic::set_hook(Box::new(move |info| {
            if !QUIET.get() {
                before(info);
            }
        }));
    });
    let outer = QUIET.replace(true);
    let result = catch_unwind(AssertUnwindSafe(work));
    QUIET.set(outer);
    result.ok()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn panics_are_caught_and_values_pass() {
        assert_eq!(caught(|| 7), Some(7));
        assert_eq!(caught(|| -> u32 { panic!("not to be seen") }), None);
        assert!(!QUIET.get());
        let inner = caught(|| caught(|| -> u32 { panic!("not to be seen") }));
        assert_eq!(inner, Some(None));
    }
}
