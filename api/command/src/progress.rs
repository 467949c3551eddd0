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
            self.shown
                .lock()
                .unwrap_or_else(PoisonError::into_inner)
                .clear();
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
        let percent = (100 * done).checked_div(total).unwrap_or(0);
        self.line(&format!("{stage} {percent} %"));
    }
}

impl TerminalProgress {
    /// Shows a line of one's own.
    pub fn line(&self, line: &str) {
        if !self.on {
            return;
        }
        let mut shown = self.shown.lock().unwrap_or_else(PoisonError::into_inner);
        if *shown != line {
            let _ = write!(std::io::stderr(), "\r\x1b[K{line}");
            let _ = std::io::stderr().flush();
            line.clone_into(&mut shown);
        }
    }
}
