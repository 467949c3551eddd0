//! Drilling cycles, expanded into their moves (NISTIR 6556, 3.5.16).

use super::{ARITHMETIC, Block, Fault, Run, fault, whole};
use crate::file::CycleHeights;
use grainway_pipeline::dialect::{Action, Known};

/// Most holes of a line, and most pecks of all its holes together; more is a slip of the pen that would never end.
const MOST_REPEATS: i64 = 9_999;

/// G82, in tenths: drills and waits at the bottom.
const WITH_DWELL: u16 = 820;
/// G83, in tenths: drills by pecks.
const BY_PECKS: u16 = 830;

/// Words of a cycle that stay, mm.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Sticky {
    z: f64,
    r: f64,
    q: Option<f64>,
    dwell: Option<f64>,
}

impl Run<'_> {
    /// G81, G82, G83. `was_cycle`: some cycle was in force before the line; `same`: this one was.
    pub(super) fn cycle(
        &mut self,
        b: &Block,
        g: u16,
        was_cycle: bool,
        same: bool,
    ) -> Result<(), Fault> {
        self.ask_modes();
        self.known_where_needed(b)?;
        let repeats = repeats(b)?;
        let now = self.at.z;
        let words = self.cycle_words(b, g, was_cycle, same)?;
        self.sticky = words;
        let Sticky { z, r, q, .. } = words;
        if r < z {
            return fault("cycle-levels", "a cycle whose R lies below its Z");
        }
        let pecks = q.map_or(1.0, |q| ((r - z) / q).ceil());
        if pecks * repeats as f64 > MOST_REPEATS as f64 {
            return fault(
                "bad-value",
                format!("{pecks} pecks a hole, {repeats} holes"),
            );
        }
        let clear = match (self.return_high, now) {
            (false, _) => r,
            (true, Some(old)) => old.max(r),
            (true, None) => {
                return fault(
                    "unknown-position",
                    "G98 returns to a height that is not known",
                );
            }
        };
        self.ask_before_cut();
        if now.is_some_and(|z| z < r) {
            self.set_z(r, Action::Rapid);
        }
        for _ in 0..repeats {
            self.hole(b, g, words, clear);
            if self.stopped {
                break;
            }
        }
        Ok(())
    }

    /// What the cycle's words say, with those that stay from before.
    fn cycle_words(&self, b: &Block, g: u16, was_cycle: bool, same: bool) -> Result<Sticky, Fault> {
        let unit = self.length();
        let counted = self.file.cycles.as_ref().map(|c| c.heights);
        let absolute = self.absolute && counted != Some(CycleHeights::FromStart);
        let r = match b.word(b'r') {
            Some(r) if absolute => r * unit,
            Some(r) => match self.at.z.filter(|z| z.is_finite()) {
                Some(z) => z + r * unit,
                None => {
                    return fault(
                        "unknown-position",
                        "an increment in R although it is not known how high the cutter stands",
                    );
                }
            },
            None if was_cycle => self.sticky.r,
            None => return fault("missing-word", "a cycle needs R"),
        };
        let z = match b.word(b'z') {
            Some(z) if absolute => z * unit,
            Some(z) => r + z * unit,
            None if was_cycle => self.sticky.z,
            None => return fault("missing-word", "a cycle needs Z"),
        };
        let q = match b.word(b'q') {
            Some(q) if q > 0.0 => Some(q * unit),
            Some(_) => return fault("bad-value", "a peck (Q) must be more than 0"),
            None => self.sticky.q.filter(|_| same),
        };
        let dwell = match b.word(b'p') {
            Some(p) if p >= 0.0 => Some(p),
            Some(_) => return fault("bad-value", "a negative dwell"),
            None => self.sticky.dwell.filter(|_| same),
        };
        if g == BY_PECKS && q.is_none() {
            return fault("missing-word", "G83 needs its peck in Q");
        }
        if g == WITH_DWELL && dwell.is_none() {
            return fault("missing-word", "G82 needs its dwell in P");
        }
        Ok(Sticky { z, r, q, dwell })
    }

    /// One hole at the place that the line's words point to from here.
    fn hole(&mut self, b: &Block, g: u16, words: Sticky, clear: f64) {
        let Sticky { z, r, q, dwell } = words;
        let to = Known {
            z: self.at.z,
            ..self.target(b)
        };
        if to.x != self.at.x || to.y != self.at.y || self.at.x.is_none() || self.at.y.is_none() {
            self.tell(to, Action::Rapid);
        }
        self.set_z(r, Action::Rapid);
        if let (BY_PECKS, Some(q)) = (g, q) {
            return self.pecks(r, z, q, clear);
        }
        self.set_z(z, Action::Line);
        if let (WITH_DWELL, Some(seconds)) = (g, dwell) {
            self.tell_here(Action::Dwell { seconds });
        }
        self.set_z(clear, Action::Rapid);
    }

    /// Straight up or down; nothing when it is there already.
    fn set_z(&mut self, z: f64, action: Action) {
        if self.at.z != Some(z) {
            let to = Known {
                z: Some(z),
                ..self.at
            };
            self.tell(to, action);
        }
    }

    fn pecks(&mut self, r: f64, z: f64, q: f64, clear: f64) {
        let mut bottom = r;
        let mut peck = 0.0;
        loop {
            peck += 1.0;
            // Counted from R, so that rounding does not add a last peck of nothing.
            let next = r - q * peck;
            let last = next <= z + ARITHMETIC;
            self.set_z(if last { z } else { next }, Action::Line);
            self.set_z(clear, Action::Rapid);
            if last || self.stopped {
                return;
            }
            bottom = next.min(bottom);
            self.set_z((bottom + self.file.peck_back_off_mm).min(r), Action::Rapid);
        }
    }
}

/// How often the line's hole is drilled.
fn repeats(b: &Block) -> Result<i64, Fault> {
    match b.word(b'l') {
        None => Ok(1),
        Some(l) => match whole(l) {
            Some(n) if (1..=MOST_REPEATS).contains(&n) => Ok(n),
            _ => fault("bad-value", format!("a cycle repeated {l} times")),
        },
    }
}
