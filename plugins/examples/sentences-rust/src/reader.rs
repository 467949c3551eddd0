//! Reads sentences back. Shares nothing with the writer: what both share, both get wrong.

use grainway_sdk::{Action, Line, Position, ReadMove, Seen, Spindle, Stop};
use std::f64::consts::TAU;

/// Longest line that is read, bytes.
const LONGEST: usize = 4096;
/// An arc's words and its ends may differ by this along the path, mm.
const ARC_MM: f64 = 0.002;
/// Most pecks of one hole; more is a slip of the pen.
const MOST_PECKS: u32 = 10_000;
/// A drill goes down fast to this height above where it was, mm.
const PECK_CLEARANCE: f64 = 0.5;

/// A controller that understands sentences.
#[derive(Default)]
pub(crate) struct Reader {
    line: u64,
    /// mm in the text's unit, once it was said.
    unit: Option<f64>,
    at: Position,
    feed: Option<f64>,
    spindle: Option<Spindle>,
    cutter: Option<u32>,
    ended: bool,
    after_end_said: bool,
}

/// What is left of a sentence.
struct Words<'a>(&'a str);

impl<'a> Words<'a> {
    /// Takes these very words.
    fn take(&mut self, words: &str) -> Option<()> {
        self.0 = self.0.strip_prefix(words)?;
        Some(())
    }
    /// Takes a number: digits, with `decimals` a point and digits after it.
    fn number(&mut self, signed: bool, point: bool) -> Option<f64> {
        let text = self.0;
        let digits = if signed {
            text.strip_prefix('-').unwrap_or(text)
        } else {
            text
        };
        let whole = digits.len()
            - digits
                .trim_start_matches(|c: char| c.is_ascii_digit())
                .len();
        let mut end = text.len() - digits.len() + whole;
        if whole == 0 || whole > 12 {
            return None;
        }
        if point {
            let rest = text[end..].strip_prefix('.')?;
            let fraction = rest.len() - rest.trim_start_matches(|c: char| c.is_ascii_digit()).len();
            if fraction == 0 || fraction > 9 {
                return None;
            }
            end += 1 + fraction;
        }
        let value = text[..end].parse().ok()?;
        self.0 = &text[end..];
        Some(value)
    }
    fn decimal(&mut self) -> Option<f64> {
        self.number(true, true)
    }
    fn whole(&mut self) -> Option<u32> {
        let value = self.number(false, false)?;
        (value <= f64::from(u32::MAX)).then_some(value as u32)
    }
    /// Takes the sentence's end.
    fn end(&self) -> Option<()> {
        (self.0 == ".").then_some(())
    }
    /// Takes the rest, less the full stop at its end.
    fn rest(&self) -> Option<&'a str> {
        self.0.strip_suffix('.')
    }
}

impl Reader {
    pub(crate) fn ended(&self) -> bool {
        self.ended
    }

    fn tell(&mut self, to: Position, action: Action, seen: &mut Seen<'_>) -> Result<(), Stop> {
        let m = ReadMove {
            line: self.line,
            from: self.at,
            to,
            action,
            feed: self.feed,
            spindle: self.spindle,
            cutter: self.cutter,
        };
        self.at = to;
        seen.report(&m)
    }

    fn here(&mut self, action: Action, seen: &mut Seen<'_>) -> Result<(), Stop> {
        self.tell(self.at, action, seen)
    }

    fn fault(
        &mut self,
        code: &'static str,
        message: &str,
        seen: &mut Seen<'_>,
    ) -> Result<(), Stop> {
        let message = message.to_string();
        self.here(Action::Fault { code, message }, seen)
    }

    pub(crate) fn line(&mut self, line: &Line<'_>, seen: &mut Seen<'_>) -> Result<(), Stop> {
        self.line = line.number;
        if line.cut || line.bytes.len() > LONGEST {
            return self.fault("line-too-long", "The line has more than 4096 bytes.", seen);
        }
        let Ok(text) = std::str::from_utf8(line.bytes) else {
            return self.fault("not-utf-8", "The line is not UTF-8 text.", seen);
        };
        if text.is_empty() {
            return Ok(());
        }
        if self.ended {
            if self.after_end_said {
                return Ok(());
            }
            self.after_end_said = true;
            return self.fault(
                "after-end",
                "A sentence stands after the program's end.",
                seen,
            );
        }
        if self.unit.is_none() {
            if let Some(unit) = unit(text) {
                self.unit = Some(unit);
                return Ok(());
            }
            self.unit = Some(1.0);
            self.fault(
                "no-unit",
                "The first sentence does not say the unit of lengths.",
                seen,
            )?;
        }
        match self.sentence(text, seen) {
            Some(done) => done,
            None => self.fault("unknown-sentence", "This sentence is not known.", seen),
        }
    }

    /// `None` when it is none of the language's.
    fn sentence(&mut self, text: &str, seen: &mut Seen<'_>) -> Option<Result<(), Stop>> {
        let unit = self.unit.unwrap_or(1.0);
        let mut w = Words(text);
        let first = text.split([' ', ':', '.']).next()?;
        match first {
            "note" => {
                w.take("note: ")?;
                w.rest()?;
                Some(Ok(()))
            }
            "step" => {
                w.take("step ")?;
                let number = w.whole()?;
                w.take(": ")?;
                w.rest()?;
                Some(self.here(Action::Step { number }, seen))
            }
            "cutter" => {
                w.take("cutter ")?;
                let number = w.whole()?;
                w.take(" is in: ")?;
                w.rest()?;
                self.cutter = Some(number);
                Some(Ok(()))
            }
            "put" => {
                w.take("put in cutter ")?;
                let number = w.whole()?;
                w.take(": ")?;
                w.rest()?;
                self.cutter = Some(number);
                self.spindle = None;
                Some(self.tell([None; 3], Action::CutterChange, seen))
            }
            "turn" => self.turn(&mut w, seen),
            "stop" => {
                w.take("stop the spindle")?;
                w.end()?;
                self.spindle = None;
                Some(self.here(Action::Spindle, seen))
            }
            "wait" => self.wait(&mut w, seen),
            "rise" => {
                w.take("rise to the top")?;
                w.end()?;
                let to = [self.at[0], self.at[1], Some(f64::INFINITY)];
                Some(self.tell(to, Action::RetractFull, seen))
            }
            "go" => self.go(&mut w, unit, seen),
            "cut" => self.cut(&mut w, unit, seen),
            "drill" => self.drill(&mut w, unit, seen),
            "the" => {
                w.take("the program is done")?;
                w.end()?;
                self.ended = true;
                Some(self.here(Action::End, seen))
            }
            _ => None,
        }
    }

    fn turn(&mut self, w: &mut Words<'_>, seen: &mut Seen<'_>) -> Option<Result<(), Stop>> {
        w.take("turn the spindle ")?;
        let clockwise = w.take("clockwise").is_some();
        if !clockwise {
            w.take("counter-clockwise")?;
        }
        w.take(" at ")?;
        let rpm = f64::from(w.whole().filter(|n| *n > 0)?);
        w.take(" a minute")?;
        w.end()?;
        self.spindle = Some(Spindle { rpm, clockwise });
        Some(self.here(Action::Spindle, seen))
    }

    fn wait(&mut self, w: &mut Words<'_>, seen: &mut Seen<'_>) -> Option<Result<(), Stop>> {
        w.take("wait ")?;
        if w.take("for the person: ").is_some() {
            let message = w.rest()?.to_string();
            return Some(self.tell([None; 3], Action::Pause { message }, seen));
        }
        let seconds = w.number(false, true)?;
        w.take(" seconds")?;
        w.end()?;
        Some(self.here(Action::Dwell { seconds }, seen))
    }

    fn go(
        &mut self,
        w: &mut Words<'_>,
        unit: f64,
        seen: &mut Seen<'_>,
    ) -> Option<Result<(), Stop>> {
        let mut to = self.at;
        if w.take("go to height z ").is_some() {
            to[2] = Some(w.decimal()? * unit);
        } else {
            w.take("go over to x ")?;
            to[0] = Some(w.decimal()? * unit);
            w.take(" y ")?;
            to[1] = Some(w.decimal()? * unit);
        }
        w.end()?;
        Some(self.tell(to, Action::Rapid, seen))
    }

    fn cut(
        &mut self,
        w: &mut Words<'_>,
        unit: f64,
        seen: &mut Seen<'_>,
    ) -> Option<Result<(), Stop>> {
        w.take("cut ")?;
        if w.take("straight").is_some() {
            let to = self.target(w, unit)?;
            return Some(self.tell(to, Action::Line, seen));
        }
        let left = w.take("left").is_some();
        if !left {
            w.take("right")?;
        }
        w.take(" about x ")?;
        let x = w.decimal()? * unit;
        w.take(" y ")?;
        let y = w.decimal()? * unit;
        w.take(" through ")?;
        let degrees = w.number(false, true)?;
        w.take(" degrees")?;
        let to = self.target(w, unit)?;
        Some(self.arc(to, [x, y], left, degrees.to_radians(), seen))
    }

    /// Takes " to x … y … z … at … a minute."; the feed is in force from here on.
    fn target(&mut self, w: &mut Words<'_>, unit: f64) -> Option<Position> {
        w.take(" to x ")?;
        let x = w.decimal()? * unit;
        w.take(" y ")?;
        let y = w.decimal()? * unit;
        w.take(" z ")?;
        let z = w.decimal()? * unit;
        self.at_feed(w, unit)?;
        Some([Some(x), Some(y), Some(z)])
    }

    fn at_feed(&mut self, w: &mut Words<'_>, unit: f64) -> Option<()> {
        w.take(" at ")?;
        let feed = w.number(false, true)? * unit;
        w.take(" a minute")?;
        w.end()?;
        if feed <= 0.0 {
            return None;
        }
        self.feed = Some(feed);
        Some(())
    }

    fn arc(
        &mut self,
        to: Position,
        centre: [f64; 2],
        left: bool,
        said: f64,
        seen: &mut Seen<'_>,
    ) -> Result<(), Stop> {
        let ([Some(fx), Some(fy), Some(fz)], [Some(tx), Some(ty), _]) = (self.at, to) else {
            self.at = to;
            return self.fault(
                "unknown-position",
                "An arc starts where the cutter's position is not known.",
                seen,
            );
        };
        if !fz.is_finite() {
            self.at = to;
            return self.fault(
                "unknown-position",
                "An arc starts at the machine's top.",
                seen,
            );
        }
        let (a, b) = (
            (fy - centre[1]).atan2(fx - centre[0]),
            (ty - centre[1]).atan2(tx - centre[0]),
        );
        let way = if left { 1.0 } else { -1.0 };
        let base = ((b - a) * way).rem_euclid(TAU);
        let sweep = base + TAU * ((said - base) / TAU).round();
        let radius = |x: f64, y: f64| {
            let (dx, dy) = (x - centre[0], y - centre[1]);
            (dx * dx + dy * dy).sqrt()
        };
        let (r, s) = (radius(fx, fy), radius(tx, ty));
        if (sweep - said).abs() * r.max(s) > ARC_MM {
            self.at = to;
            return self.fault(
                "arc-angle",
                "An arc does not turn as far as its ends lie apart.",
                seen,
            );
        }
        if sweep <= 0.0 {
            // A hair that rounding turned round.
            return self.tell(to, Action::Line, seen);
        }
        let action = Action::Arc {
            centre,
            sweep: sweep * way,
            radius_mismatch: (r - s).abs(),
        };
        self.tell(to, action, seen)
    }

    fn drill(
        &mut self,
        w: &mut Words<'_>,
        unit: f64,
        seen: &mut Seen<'_>,
    ) -> Option<Result<(), Stop>> {
        w.take("drill at x ")?;
        let x = w.decimal()? * unit;
        w.take(" y ")?;
        let y = w.decimal()? * unit;
        w.take(" from z ")?;
        let retract = w.decimal()? * unit;
        w.take(" down to z ")?;
        let bottom = w.decimal()? * unit;
        let mut peck = f64::INFINITY;
        if w.take(" in pecks of ").is_some() {
            peck = w.number(false, true)? * unit;
        }
        self.at_feed(w, unit)?;
        if bottom >= retract || peck <= 0.0 {
            return Some(self.fault("bad-depth", "A hole goes no deeper than it starts.", seen));
        }
        if (retract - bottom) / peck > f64::from(MOST_PECKS) {
            return Some(self.fault("bad-depth", "A hole has more than 10000 pecks.", seen));
        }
        Some(self.hole([x, y], retract, bottom, peck, seen))
    }

    /// What the machine does for a hole.
    fn hole(
        &mut self,
        at: [f64; 2],
        retract: f64,
        bottom: f64,
        peck: f64,
        seen: &mut Seen<'_>,
    ) -> Result<(), Stop> {
        let over = |z: Option<f64>| [Some(at[0]), Some(at[1]), z];
        self.tell(over(self.at[2]), Action::Rapid, seen)?;
        self.tell(over(Some(retract)), Action::Rapid, seen)?;
        let mut depth = retract;
        loop {
            depth = (depth - peck).max(bottom);
            self.tell(over(Some(depth)), Action::Line, seen)?;
            self.tell(over(Some(retract)), Action::Rapid, seen)?;
            if depth <= bottom {
                return Ok(());
            }
            let again = (depth + PECK_CLEARANCE).min(retract);
            self.tell(over(Some(again)), Action::Rapid, seen)?;
        }
    }
}

/// mm in the unit that a program's first sentence names.
fn unit(text: &str) -> Option<f64> {
    let rest = text.strip_prefix("program ")?;
    let (rest, unit) = rest.rsplit_once(", lengths in ")?;
    let (_, number) = rest.rsplit_once(", number ")?;
    number.parse::<u32>().ok()?;
    match unit {
        "millimetres." => Some(1.0),
        "inches." => Some(25.4),
        _ => None,
    }
}
