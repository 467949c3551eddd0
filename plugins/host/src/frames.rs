//! What the worker tells its parent: one JSON object a line, over a pipe of its own, so that nothing a plugin prints can disturb it.

use nix::sys::prctl;
use nix::sys::signal::Signal;
use nix::unistd::getppid;
use serde::{Deserialize, Serialize};
use std::fs::File;
use std::io::Write;
use std::sync::{Mutex, PoisonError};

/// Names the descriptor of the pipe in the worker's environment.
pub(crate) const FRAMES: &str = "GRAINWAY_FRAMES";
/// Names the keeper's process in the worker's environment.
pub(crate) const KEEPER: &str = "GRAINWAY_KEEPER";
/// Longer lines are not frames.
pub(crate) const MAX_FRAME: usize = 64 * 1024;

/// One line.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "frame", rename_all = "kebab-case", deny_unknown_fields)]
pub enum Frame {
    /// A stage begins; its time counts from here.
    Stage {
        /// Its name.
        name: String,
        /// The plugin whose code runs in it.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        plugin: Option<String>,
    },
    /// The stage came to its end.
    StageEnd,
    /// How far the stage is. Gives it no more time.
    Progress {
        /// Its name.
        stage: String,
        /// Done.
        done: usize,
        /// Of.
        total: usize,
    },
    /// A plugin panicked and said so. The worker ends.
    Panicked {
        /// What it said.
        message: String,
    },
    /// A plugin refused what it was given. The worker ends.
    Refused {
        /// What it said.
        message: String,
    },
    /// A plugin did not keep to its interface. The worker ends.
    Broke {
        /// What it did.
        message: String,
    },
    /// Everything is done and written; the worker ends.
    Done,
}

/// The worker's end of the pipe.
pub struct Reporter {
    pipe: Mutex<File>,
}

/// Why a process is no worker.
#[derive(Debug, thiserror::Error)]
pub enum NoWorker {
    /// It was not started by a keeper.
    #[error("this process was not started to hold a job")]
    Alone,
    /// The keeper is gone already.
    #[error("the process that started this one is gone")]
    Orphaned,
    /// The system refused.
    #[error("{0}")]
    System(String),
}

impl Reporter {
    /// Makes this process a worker: it dies with its keeper, leaves no core, and can report. The first thing to call.
    pub fn begin() -> Result<Reporter, NoWorker> {
        let number = |key| {
            std::env::var(key)
                .ok()
                .and_then(|v| v.parse::<i32>().ok())
                .ok_or(NoWorker::Alone)
        };
        let (pipe, keeper) = (number(FRAMES)?, number(KEEPER)?);
        let system = |e: nix::Error| NoWorker::System(e.desc().to_string());
        prctl::set_pdeathsig(Signal::SIGKILL).map_err(system)?;
        // The keeper may have died before the request was made.
        if getppid().as_raw() != keeper {
            return Err(NoWorker::Orphaned);
        }
        let pipe = File::options()
            .write(true)
            .open(format!("/proc/self/fd/{pipe}"))
            .map_err(|e| NoWorker::System(format!("the pipe to the parent: {e}")))?;
        // Some systems hand a dying process to a program of their own, whatever the limit on cores.
        prctl::set_dumpable(false).map_err(system)?;
        Ok(Reporter {
            pipe: Mutex::new(pipe),
        })
    }

    /// Sends one frame, whole.
    pub fn send(&self, frame: &Frame) -> std::io::Result<()> {
        let mut line = serde_json::to_vec(frame)?;
        if line.len() >= MAX_FRAME {
            return Err(std::io::Error::other("a report is too long"));
        }
        line.push(b'\n');
        self.pipe
            .lock()
            .unwrap_or_else(PoisonError::into_inner)
            .write_all(&line)
    }
}

/// Cuts lines out of what arrives.
#[derive(Default)]
pub(crate) struct Lines {
    rest: Vec<u8>,
}

impl Lines {
    /// The frames that these bytes complete; the first that is none ends it with a sentence.
    pub(crate) fn push(&mut self, bytes: &[u8], frames: &mut Vec<Frame>) -> Result<(), String> {
        self.rest.extend_from_slice(bytes);
        let mut from = 0;
        while let Some(at) = self.rest[from..].iter().position(|b| *b == b'\n') {
            let line = &self.rest[from..from + at];
            frames.push(serde_json::from_slice(line).map_err(|_| {
                let shown: String = String::from_utf8_lossy(line).chars().take(60).collect();
                format!("it sent \"{}\"", shown.escape_debug())
            })?);
            from += at + 1;
        }
        self.rest.drain(..from);
        if self.rest.len() > MAX_FRAME {
            return Err("it sent a line without end".to_string());
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn frames_arrive_however_they_are_cut() {
        let sent = [
            Frame::Stage {
                name: "post".to_string(),
                plugin: Some("sentences".to_string()),
            },
            Frame::Progress {
                stage: "post".to_string(),
                done: 1,
                total: 2,
            },
            Frame::Panicked {
                message: "line\nfeed".to_string(),
            },
            Frame::Done,
        ];
        let bytes: Vec<u8> = sent
            .iter()
            .flat_map(|f| [serde_json::to_vec(f).unwrap(), b"\n".to_vec()].concat())
            .collect();
        for size in [1, 2, 7, 1000] {
            let (mut lines, mut got) = (Lines::default(), Vec::new());
            for piece in bytes.chunks(size) {
                lines.push(piece, &mut got).unwrap();
            }
            assert_eq!(got, sent, "pieces of {size}");
        }
    }

    #[test]
    fn what_is_no_frame_ends_it() {
        for garbage in [
            &b"\n"[..],
            b"{}\n",
            b"\xff\x00\n",
            b"{\"frame\":\"stage\",\"name\":\"x\",\"y\":1}\n",
            b"{\"frame\":\"dance\"}\n",
        ] {
            assert!(Lines::default().push(garbage, &mut Vec::new()).is_err());
        }
        let endless = vec![b'x'; MAX_FRAME + 1];
        assert!(Lines::default().push(&endless, &mut Vec::new()).is_err());
    }
}
