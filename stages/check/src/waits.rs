//! The spindle and the waits: a cut waits until the spindle is up to speed, a person and a changer wait until it stands, and nothing
//! waits in the wood.

use super::figures::mm;
use grainway_pipeline::dialect::{Action, ReadMove};

/// Waits are written to hundredths of a second.
const ROUNDING_S: f64 = 0.011;
/// Speeds that differ by less are the same, rev/min: texts round them.
const SAME_SPEED: f64 = 1.0;
/// A cutter that turns in one place of the wood for longer burns it, s. A drill may stand at its bottom for less (common practice, no
/// source).
const IN_WOOD_S: f64 = 1.0;

/// What is wrong with the spindle or with a wait. Times are seconds.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum WrongWait {
    /// Cuts so long after a line that starts the spindle, or makes it faster.
    NotUpToSpeed(f64),
    /// The spindle turns where this happens.
    Turns(&'static str),
    /// This happens so long after the spindle was stopped.
    NotAtRest(&'static str, f64),
    /// The cutter turns in one place of the wood for so long.
    InWood(f64),
}

impl WrongWait {
    /// One sentence; the machine's spindle takes `spin_up` seconds.
    pub(super) fn sentence(&self, spin_up: f64) -> String {
        match self {
            WrongWait::NotUpToSpeed(waited) => format!(
                "cuts {} s after a line that starts the spindle or makes it faster; the machine's needs {} s, also when a stopped run is taken up at that line.",
                mm(*waited),
                mm(spin_up)
            ),
            WrongWait::Turns(what) => format!("the spindle still turns at {what}."),
            WrongWait::NotAtRest(what, waited) => format!(
                "{what} comes {} s after the spindle was stopped; the machine's needs {} s to stand.",
                mm(*waited),
                mm(spin_up)
            ),
            WrongWait::InWood(seconds) => format!(
                "the cutter turns in one place of the wood for {} s, which burns it; {} s are allowed.",
                mm(*seconds),
                mm(IN_WOOD_S)
            ),
        }
    }
}

/// The spindle of one text, and for how long nothing was done but to wait.
#[derive(Debug)]
pub(super) struct Spinning {
    /// rev/min, negative when it turns counter-clockwise; 0 when it stands.
    rpm: f64,
    /// Seconds since it was started or made faster.
    waited: f64,
    /// Seconds since it was stopped; infinite when it was not started before.
    at_rest: f64,
}

impl Default for Spinning {
    fn default() -> Self {
        Spinning {
            rpm: 0.0,
            waited: 0.0,
            at_rest: f64::INFINITY,
        }
    }
}

impl Spinning {
    /// The next thing that the text does, and what is wrong with it. `top` is the highest face of the wood.
    pub(super) fn hear(&mut self, m: &ReadMove, spin_up: f64, top: f64) -> Option<WrongWait> {
        match m.action {
            Action::CutterChange => self.stands("the cutter's change", spin_up),
            Action::Pause { .. } if m.spindle.is_none() => {
                self.turn(0.0);
                self.stands("a pause", spin_up)
            }
            Action::End => self.stands("the program's end", spin_up),
            _ => {
                let way = |clockwise| if clockwise { 1.0 } else { -1.0 };
                let before = self.rpm;
                self.turn(m.spindle.map_or(0.0, |s| s.rpm * way(s.clockwise)));
                // A text that starts a spindle which turns already can be taken up there by one that stands.
                if m.action == Action::Spindle && self.rpm.abs() >= before.abs() - SAME_SPEED {
                    self.waited = 0.0;
                }
                self.works(m, spin_up, top)
            }
        }
    }
    fn turn(&mut self, rpm: f64) {
        let reversed = rpm * self.rpm < 0.0;
        if reversed || rpm.abs() > self.rpm.abs() + SAME_SPEED {
            self.waited = 0.0;
        }
        if self.rpm.abs() > 0.0 && rpm.abs() <= 0.0 {
            self.at_rest = 0.0;
        }
        self.rpm = rpm;
    }
    fn works(&mut self, m: &ReadMove, spin_up: f64, top: f64) -> Option<WrongWait> {
        let turns = self.rpm.abs() > 0.0;
        match m.action {
            Action::Dwell { seconds } => {
                self.waited += seconds;
                self.at_rest += seconds;
                let low = m.from.z.is_some_and(|z| z < top - 1e-6);
                (turns && low && seconds > IN_WOOD_S).then_some(WrongWait::InWood(seconds))
            }
            Action::Line | Action::Arc { .. } if turns && self.waited < spin_up - ROUNDING_S => {
                // Told once for every start.
                let waited = std::mem::replace(&mut self.waited, f64::INFINITY);
                Some(WrongWait::NotUpToSpeed(waited))
            }
            _ => None,
        }
    }
    /// The spindle must stand here. Afterwards it does: whoever goes on starts it anew.
    fn stands(&mut self, what: &'static str, spin_up: f64) -> Option<WrongWait> {
        let turned = self.rpm.abs() > 0.0;
        self.rpm = 0.0;
        let rested = std::mem::replace(&mut self.at_rest, f64::INFINITY);
        if turned {
            return Some(WrongWait::Turns(what));
        }
        (rested < spin_up - ROUNDING_S).then_some(WrongWait::NotAtRest(what, rested))
    }
}
