//! Progress for a person at a terminal; a pipe gets none.

use grainway_pipeline::stage::Progress;
use std::io::{IsTerminal, Write};
use std::sync::{Mutex, PoisonError};

/// Shows one line on standard error that is overwritten as the work goes on.
pub struct TerminalProgress {
    shown: Mutex<String>,
    on: bool,
}

impl TerminalProgress {
    /// On when standard error is a terminal.
    pub fn new() -> TerminalProgress {
        TerminalProgress {
            shown: Mutex::new(String::new()),
            on: std::io::stderr().is_terminal(),
        }
    }
    /// Wipes the line.
    pub fn clear(&self) {
        if self.on {
            let _ = write!(std::io::stderr(), "\r\x1b[K");
        }
    }
}

impl Default for TerminalProgress {
    fn default() -> Self {
        TerminalProgress::new()
    }
}

impl Progress for TerminalProgress {
    fn at(&self, stage: &str, done: usize, total: usize) {
        if !self.on {
            return;
        }
        let percent = (100 * done).checked_div(total).unwrap_or(0);
        let line = format!("{stage} {percent} %");
        let mut shown = self.shown.lock().unwrap_or_else(PoisonError::into_inner);
        if *shown != line {
            let _ = write!(std::io::stderr(), "\r\x1b[K{line}");
            let _ = std::io::stderr().flush();
            *shown = line;
        }
    }
}
