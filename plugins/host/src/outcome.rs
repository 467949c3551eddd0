//! What a plugin said when it could not go on, for the worker's last word.
//!
//! A dialect's errors pass through stages that know nothing of plugins; so the first that is a plugin's own is noted here beside
//! them. One process holds one job.

use crate::frames::Frame;
use std::sync::{Mutex, PoisonError};

static SAID: Mutex<Option<Frame>> = Mutex::new(None);

/// A plugin panicked.
pub fn panicked(message: impl Into<String>) {
    note(Frame::Panicked {
        message: short(message.into()),
    });
}

/// A plugin refused what it was given.
pub fn refused(message: impl Into<String>) {
    note(Frame::Refused {
        message: short(message.into()),
    });
}

/// A plugin did not keep to its interface, or failed inside.
pub fn broke(message: impl Into<String>) {
    note(Frame::Broke {
        message: short(message.into()),
    });
}

/// What was noted first; nothing is left.
pub fn take() -> Option<Frame> {
    SAID.lock().unwrap_or_else(PoisonError::into_inner).take()
}

/// Something was noted: what the job does from here on counts for nothing.
pub fn noted() -> bool {
    SAID.lock()
        .unwrap_or_else(PoisonError::into_inner)
        .is_some()
}

fn note(frame: Frame) {
    SAID.lock()
        .unwrap_or_else(PoisonError::into_inner)
        .get_or_insert(frame);
}

/// A plugin can say a great deal; a finding is a sentence or two.
fn short(message: String) -> String {
    match message.char_indices().nth(1000) {
        Some((at, _)) => format!("{} …", &message[..at]),
        None => message,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_first_word_is_kept_and_long_ones_are_cut() {
        panicked("ä".repeat(5000));
        refused("later");
        let Some(Frame::Panicked { message }) = take() else {
            panic!("nothing was noted")
        };
        assert_eq!(message.chars().count(), 1002);
        assert_eq!(take(), None);
    }
}
