//! Texts to be read back, and what was seen in them.

use crate::callbacks::Callbacks;
use crate::{Spindle, Stop};
use grainway_abi as abi;

/// A line of a text, without its end.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Line<'a> {
    /// From 1.
    pub number: u64,
    /// Its bytes, at most [`Lines::LONGEST`].
    pub bytes: &'a [u8],
    /// It was longer; the rest was dropped.
    pub cut: bool,
}

/// The lines of a text.
pub struct Lines<'a> {
    /// `None`: the text was given whole, by a test.
    host: Option<&'a Callbacks>,
    piece: &'a [u8],
    line: Vec<u8>,
    number: u64,
    ended: bool,
}

impl<'a> Lines<'a> {
    /// Longest line that is kept whole, bytes.
    pub const LONGEST: usize = 1 << 16;

    pub(crate) fn new(host: &'a Callbacks) -> Lines<'a> {
        Lines::of(Some(host), &[])
    }
    /// The lines of a text without a host, for tests of a dialect.
    pub fn given(text: &'a [u8]) -> Lines<'a> {
        Lines::of(None, text)
    }
    fn of(host: Option<&'a Callbacks>, piece: &'a [u8]) -> Lines<'a> {
        Lines {
            host,
            piece,
            line: Vec::new(),
            number: 0,
            ended: false,
        }
    }
    /// Lines given so far.
    pub fn count(&self) -> u64 {
        self.number
    }
    /// The next line; `None` at the end. LF ends a line, a CR before it is dropped.
    #[expect(
        clippy::should_implement_trait,
        reason = "a line is lent until the next call, which Iterator cannot say"
    )]
    pub fn next(&mut self) -> Result<Option<Line<'_>>, Stop> {
        self.line.clear();
        let mut cut = false;
        let mut any = false;
        loop {
            if self.piece.is_empty() && !self.ended {
                self.piece = &[];
                self.piece = match self.host {
                    Some(host) => host.read()?,
                    None => &[],
                };
                self.ended = self.piece.is_empty();
            }
            if self.ended {
                break;
            }
            any = true;
            let end = self.piece.iter().position(|b| *b == b'\n');
            let (part, rest) = match end {
                Some(i) => (&self.piece[..i], &self.piece[i + 1..]),
                None => (self.piece, &[][..]),
            };
            let room = Self::LONGEST - self.line.len();
            cut |= part.len() > room;
            self.line.extend_from_slice(&part[..part.len().min(room)]);
            self.piece = rest;
            if end.is_some() {
                break;
            }
        }
        if !any {
            return Ok(None);
        }
        self.number += 1;
        if self.line.last() == Some(&b'\r') {
            self.line.pop();
        }
        Ok(Some(Line {
            number: self.number,
            bytes: &self.line,
            cut,
        }))
    }
}

/// x, y, z in mm, each known or not.
pub type Position = [Option<f64>; 3];

/// What happens at one place of a text.
#[derive(Clone, Debug, PartialEq)]
pub enum Action {
    /// A rapid move from `from` to `to`.
    Rapid,
    /// A cutting line from `from` to `to`.
    Line,
    /// A cutting arc in the XY plane, or a helix, from `from` to `to`.
    Arc {
        /// x, y, mm.
        centre: [f64; 2],
        /// Radians, counter-clockwise positive, never 0.
        sweep: f64,
        /// | distance of the start from the centre − distance of the end |, mm.
        radius_mismatch: f64,
    },
    /// To the machine's own top; `to` z may be infinite.
    RetractFull,
    /// The program waits for the person.
    Pause {
        /// Shown to the person.
        message: String,
    },
    /// The cutter `cutter` is put in.
    CutterChange,
    /// The spindle was started, changed or stopped.
    Spindle,
    /// Waits.
    Dwell {
        /// Seconds.
        seconds: f64,
    },
    /// A workingstep's first line.
    Step {
        /// Its number.
        number: u32,
    },
    /// The program's end.
    End,
    /// Something that the language does not allow; reading goes on with the next line.
    Fault {
        /// One of the description's `faults`.
        code: &'static str,
        /// One sentence.
        message: String,
    },
}

/// What a controller would do at one place of a text.
#[derive(Clone, Debug, PartialEq)]
pub struct ReadMove {
    /// Line of the text, from 1.
    pub line: u64,
    /// Where the cutter stood.
    pub from: Position,
    /// Where it stands after.
    pub to: Position,
    /// What happens.
    pub action: Action,
    /// In force, mm/min.
    pub feed: Option<f64>,
    /// In force; `None` when it stands.
    pub spindle: Option<Spindle>,
    /// In the spindle, when the text said so.
    pub cutter: Option<u32>,
}

/// Moves are handed on in batches of this many.
const BATCH: usize = 256;

/// Who hears what is read.
pub struct Seen<'a> {
    to: To<'a>,
    moves: Vec<abi::ReadMove>,
    texts: Vec<u8>,
}

/// Who takes what was seen.
enum To<'a> {
    Host(&'a Callbacks),
    /// A test.
    Given(&'a mut Vec<ReadMove>),
}

impl<'a> Seen<'a> {
    pub(crate) fn new(host: &'a Callbacks) -> Seen<'a> {
        Seen {
            to: To::Host(host),
            moves: Vec::with_capacity(BATCH),
            texts: Vec::new(),
        }
    }
    /// Collects what is seen without a host, for tests of a dialect.
    pub fn given(moves: &'a mut Vec<ReadMove>) -> Seen<'a> {
        Seen {
            to: To::Given(moves),
            moves: Vec::new(),
            texts: Vec::new(),
        }
    }
    /// Reports one thing.
    pub fn report(&mut self, m: &ReadMove) -> Result<(), Stop> {
        if let To::Given(moves) = &mut self.to {
            moves.push(m.clone());
            return Ok(());
        }
        let encoded = self.encoded(m);
        self.moves.push(encoded);
        if self.moves.len() >= BATCH || self.texts.len() > (1 << 20) {
            self.flush()?;
        }
        Ok(())
    }
    pub(crate) fn flush(&mut self) -> Result<(), Stop> {
        let done = match &self.to {
            To::Host(host) if !self.moves.is_empty() => host.receive(&self.moves, &self.texts),
            _ => Ok(()),
        };
        self.moves.clear();
        self.texts.clear();
        done
    }
    fn text(&mut self, text: &str) -> abi::Span {
        let span = abi::Span {
            at: u32::try_from(self.texts.len()).unwrap_or(u32::MAX),
            len: u32::try_from(text.len()).unwrap_or(u32::MAX),
        };
        self.texts.extend_from_slice(text.as_bytes());
        span
    }
    fn encoded(&mut self, m: &ReadMove) -> abi::ReadMove {
        let mut out = abi::ReadMove {
            line: m.line,
            ..abi::ReadMove::default()
        };
        let known = [(m.from, abi::READ_HAS_FROM_X), (m.to, abi::READ_HAS_TO_X)];
        for (position, first) in known {
            for (axis, v) in position.iter().enumerate() {
                if v.is_some() {
                    out.flags |= first << axis;
                }
            }
        }
        out.from = m.from.map(|v| v.unwrap_or(0.0));
        out.to = m.to.map(|v| v.unwrap_or(0.0));
        if let Some(feed) = m.feed {
            out.flags |= abi::READ_HAS_FEED;
            out.feed = feed;
        }
        if let Some(s) = m.spindle {
            out.flags |= abi::READ_HAS_SPINDLE;
            out.rpm = s.rpm;
            if s.clockwise {
                out.flags |= abi::READ_CLOCKWISE;
            }
        }
        if let Some(cutter) = m.cutter {
            out.flags |= abi::READ_HAS_CUTTER;
            out.cutter = cutter;
        }
        out.kind = match &m.action {
            Action::Rapid => abi::READ_RAPID,
            Action::Line => abi::READ_LINE,
            Action::Arc {
                centre,
                sweep,
                radius_mismatch,
            } => {
                out.centre = *centre;
                out.sweep = *sweep;
                out.mismatch = *radius_mismatch;
                abi::READ_ARC
            }
            Action::RetractFull => abi::READ_RETRACT,
            Action::Pause { message } => {
                out.text = self.text(message);
                abi::READ_PAUSE
            }
            Action::CutterChange => abi::READ_CUTTER,
            Action::Spindle => abi::READ_SPINDLE,
            Action::Dwell { seconds } => {
                out.seconds = *seconds;
                abi::READ_DWELL
            }
            Action::Step { number } => {
                out.number = *number;
                abi::READ_STEP
            }
            Action::End => abi::READ_END,
            Action::Fault { code, message } => {
                out.code = self.text(code);
                out.text = self.text(message);
                abi::READ_FAULT
            }
        };
        out
    }
}
