//! Writes pen programs: items in, one instruction a line out.
//!
//! The heights and the feeds that the controller is to be set to are known only at the first cuts, and stand on the first line. So
//! the text is held until then. A language that says its heights needs no such line; what only it can do stands in [`heights`].

mod heights;

use super::{LINE, PenFile, PenGap};
use crate::file::LineEnd;
use crate::write::comment;
use grainway_geom::{Point, Point3, point};
use grainway_pipeline::dialect::{DialectError, ProgramHead, Written};
use grainway_pipeline::motion::{Item, Move, SAFE_Z};
use std::f64::consts::PI;
use std::io::Write;

/// The text is handed on in pieces of about this many bytes.
const PIECE: usize = 1 << 16;
/// Heights and places nearer than this are the same, mm.
const SAME_MM: f64 = 1e-6;
/// Depths nearer than this are one depth: heights are said to a thousandth of a millimetre.
const SAME_DEPTH_MM: f64 = 0.0005;

/// Writes one program.
pub(crate) fn write(
    file: &PenFile,
    head: &ProgramHead,
    items: &mut dyn Iterator<Item = Item>,
    out: &mut dyn Write,
) -> Result<Written, DialectError> {
    if !head.safe_z.is_finite() {
        let what = format!("the safe height is {}", head.safe_z);
        return Err(DialectError::Plan(what));
    }
    let mut w = Writer {
        file,
        out,
        text: Vec::with_capacity(PIECE + 512),
        held: file.pen.heights.is_none(),
        high: None,
        low: None,
        plunge: None,
        turning: None,
        up_z: head.safe_z,
        down: None,
        cutting: None,
        pen: None,
        at: None,
        z: None,
        told: None,
        speed: None,
        step_begun: false,
        in_use: false,
        written: Written {
            // The line of the heights, which is put in last.
            lines: u64::from(file.pen.heights.is_none()),
            ..Written::default()
        },
    };
    w.remark(&head.name)?;
    for remark in &head.remarks {
        w.remark(remark)?;
    }
    for word in &file.pen.start {
        w.instruction(word)?;
    }
    for item in items {
        w.item(item)?;
    }
    w.close()
}

/// Where the pen is.
#[derive(Clone, Copy, PartialEq)]
enum Pen {
    Up,
    Down,
}

struct Writer<'a> {
    file: &'a PenFile,
    out: &'a mut dyn Write,
    /// Bytes not yet handed on.
    text: Vec<u8>,
    /// The first line is not known yet, so nothing may be handed on.
    held: bool,
    up_z: f64,
    /// The one depth, mm, and the feed downwards, mm/min.
    down: Option<(f64, f64)>,
    /// The one feed of a language that cannot say it, mm/min.
    cutting: Option<f64>,
    pen: Option<Pen>,
    /// Where the plan has the cutter; not rounded, so that rounding does not add up.
    at: Option<Point>,
    /// Its height there, in a language that says heights.
    z: Option<f64>,
    /// Where the controller has it, units.
    told: Option<[i64; 2]>,
    /// The speed in force, in its last digit.
    speed: Option<i64>,
    /// The heights in force of a language that says them, units: with the pen up, with the pen down.
    high: Option<i64>,
    low: Option<i64>,
    /// The feed straight down in force of such a language, in its last digit.
    plunge: Option<i64>,
    /// The spindle's speed, rev/min.
    turning: Option<i64>,
    /// A workingstep began and nothing has moved since.
    step_begun: bool,
    /// A workingstep has begun, so a cutter is in use.
    in_use: bool,
    written: Written,
}

impl Writer<'_> {
    fn unsupported<T>(&self, what: impl Into<String>, remedy: &str) -> Result<T, DialectError> {
        Err(DialectError::Unsupported {
            dialect: self.file.name.clone(),
            what: what.into(),
            remedy: remedy.into(),
        })
    }

    // ---- lines

    fn push_end(&self, text: &mut Vec<u8>) {
        text.extend_from_slice(match self.file.pen.line_end {
            LineEnd::Lf => b"\n",
            LineEnd::CrLf => b"\r\n",
        });
    }

    /// A line of one instruction.
    fn instruction(&mut self, words: &str) -> Result<(), DialectError> {
        let mut text = std::mem::take(&mut self.text);
        text.extend_from_slice(words.as_bytes());
        text.push(self.file.pen.terminator as u8);
        self.push_end(&mut text);
        self.written.lines += 1;
        if text.len() >= PIECE && !self.held {
            self.out.write_all(&text)?;
            text.clear();
        }
        self.text = text;
        Ok(())
    }

    /// Characters of a remark's text on one line.
    fn room(&self) -> usize {
        LINE - self.file.pen.remark.open.len() - self.file.pen.remark.close.len() - 1
    }

    fn remark_line(&mut self, text: &str) -> Result<(), DialectError> {
        let remark = &self.file.pen.remark;
        // Nothing may end a remark early, for controllers that look for the terminator first as well.
        let stops = |c: char| remark.close.contains(c) || c == self.file.pen.terminator;
        let text = text.replace(stops, if remark.close == "'" { "`" } else { "'" });
        self.instruction(&format!("{}{text}{}", remark.open, remark.close))
    }

    /// A free remark, which must not pass for the heights or for the mark of a workingstep.
    fn remark(&mut self, text: &str) -> Result<(), DialectError> {
        let room = self.room() - 2;
        for piece in comment::wrapped(&comment::plain(text), room) {
            let marked = comment::remark(piece);
            let lower = marked.to_ascii_lowercase();
            let marked = match lower.trim_start().starts_with("pen") {
                true => format!("- {marked}"),
                false => marked,
            };
            self.remark_line(&marked)?;
        }
        Ok(())
    }

    /// Puts the first line in, once what it says is known.
    fn let_go(&mut self) {
        if !self.held {
            return;
        }
        self.held = false;
        let mut heights = format!("pen heights: up {:.3} mm", self.up_z + 0.0);
        if let Some((z, feed)) = self.down {
            // No "-0.000".
            let z = (z * 1000.0).round() / 1000.0 + 0.0;
            heights.push_str(&format!(", down {z:.3} mm at {feed:.1} mm/min"));
        }
        if let Some(feed) = self.cutting {
            heights.push_str(&format!(", cutting at {feed:.1} mm/min"));
        }
        let remark = &self.file.pen.remark;
        let mut first = format!("{}{heights}{}", remark.open, remark.close).into_bytes();
        first.push(self.file.pen.terminator as u8);
        self.push_end(&mut first);
        first.append(&mut self.text);
        self.text = first;
    }

    fn close(mut self) -> Result<Written, DialectError> {
        self.let_go();
        if self.pen == Some(Pen::Down) {
            match self.heights() {
                true => self.rise(self.up_z)?,
                false => self.lift()?,
            }
        }
        if self.turning.is_some() {
            self.spin(None)?;
        }
        self.instruction(&self.file.pen.end.clone())?;
        self.out.write_all(&self.text)?;
        self.out.flush()?;
        Ok(self.written)
    }

    // ---- items

    fn item(&mut self, item: Item) -> Result<(), DialectError> {
        match item {
            Item::Step(step) => {
                let line = self.written.lines + 1;
                self.written.restarts.push((step.number, line));
                let text = format!("step {}: {}", step.number, comment::plain(&step.label));
                self.remark_line(&comment::shortened(&text, self.room()))?;
                for word in &self.file.pen.step_start {
                    self.instruction(word)?;
                }
                (self.speed, self.plunge) = (None, None);
                (self.high, self.low) = (None, None);
                self.step_begun = true;
                self.in_use = true;
                match self.turning.take() {
                    Some(rpm) => self.spin(Some(rpm)),
                    None => Ok(()),
                }
            }
            Item::Cutter(c) if c.by_hand && !self.in_use => {
                self.remark(&format!("cutter {}: {}", c.number, c.label))
            }
            Item::Cutter(c) if c.by_hand => self.unsupported(
                "a cutter change by hand inside a program",
                "write one program a cutter",
            ),
            Item::Cutter(_) => self.unsupported(
                "a cutter change by the machine",
                "say cutter-change: hand for the machine, or choose a dialect that changes cutters",
            ),
            Item::Spindle(Some(s)) if !s.clockwise && self.file.pen.spindle.is_some() => self
                .unsupported(
                    "a spindle that turns counter-clockwise",
                    "use a right-hand cutter",
                ),
            Item::Spindle(s) if self.file.pen.spindle.is_some() => {
                let rpm = s.map(|s| s.rpm.round()).filter(|rpm| *rpm <= 1e6);
                match (s, rpm) {
                    (Some(_), None) => Err(DialectError::Plan(format!("{s:?}"))),
                    _ => self.spin(rpm.map(|rpm| rpm as i64)),
                }
            }
            Item::Spindle(_) => self.unsupported(
                "the spindle's start and stop",
                "say spindle: hand for the machine and switch it on before the program starts, or choose a dialect that switches it",
            ),
            Item::Pause { .. } => self.unsupported(
                "a pause",
                "hold the wood and its waste without screws driven in a pause, or choose a dialect that can pause",
            ),
            Item::Dwell { seconds } if seconds.is_finite() && seconds.abs() < 0.005 => Ok(()),
            Item::Dwell { seconds } if self.file.pen.wait.is_some() => self.wait(seconds),
            Item::Dwell { .. } => self.unsupported(
                "a wait",
                "wait before the program starts, or choose a dialect that can wait",
            ),
            Item::Label(text) => self.remark(&text),
            Item::RetractFull { safe_z } if self.heights() => self.rise(safe_z),
            Item::RetractFull { safe_z } if safe_z > self.up_z + SAME_MM => self.unsupported(
                "a second safe height",
                "choose a dialect that knows heights",
            ),
            Item::RetractFull { .. } => self.lift(),
            Item::Move(m) => self.any_move(m),
        }
    }

    // ---- moves

    /// Raises the pen where it is.
    fn lift(&mut self) -> Result<(), DialectError> {
        if self.pen != Some(Pen::Up) {
            self.instruction(&self.file.pen.up.clone())?;
            self.written.moves += 1;
        }
        self.pen = Some(Pen::Up);
        Ok(())
    }

    fn height(&self, z: f64) -> f64 {
        if z == SAFE_Z { self.up_z } else { z }
    }

    fn any_move(&mut self, m: Move) -> Result<(), DialectError> {
        if !m.is_finite() {
            return Err(DialectError::Plan(format!("{m:?}")));
        }
        match m {
            Move::Rapid { to } => self.rapid(to),
            Move::Line { to, feed } => {
                let (from, z) = self.stands("a cutting line", feed)?;
                self.line(from, z, to, feed)
            }
            Move::Arc {
                centre,
                sweep,
                dz,
                feed,
            } => {
                let (from, z) = self.stands("an arc", feed)?;
                if dz.abs() > SAME_MM && !self.heights() {
                    return self.ramp();
                }
                self.chords(from.at_z(z), centre, sweep, dz, feed)
            }
            Move::Hole {
                at,
                retract,
                bottom,
                peck,
                feed,
            } if self.heights() => self.hole(at, [self.height(retract), bottom], peck, feed),
            Move::Hole { .. } => self.unsupported(
                "a drilled hole",
                "drill it by hand (mark its place with an engraved line), or choose a dialect that knows depths",
            ),
        }
    }

    fn ramp<T>(&self) -> Result<T, DialectError> {
        self.unsupported(
            "a ramp or a helix",
            "say entry: plunge in the settings of profile and hold the pieces without tabs (skin: true in the settings of hold), or choose a dialect that knows depths",
        )
    }

    /// Where the cutter stands and at which height; cutting from an unknown place makes no sense.
    fn stands(&self, what: &str, feed: f64) -> Result<(Point, f64), DialectError> {
        if feed.is_nan() || feed <= 0.0 {
            return Err(DialectError::Plan(format!("a feed of {feed} mm/min")));
        }
        let z = match (self.pen, self.down) {
            _ if self.heights() => self.z,
            (Some(Pen::Up), _) => Some(self.up_z),
            (Some(Pen::Down), Some((z, _))) => Some(z),
            _ => None,
        };
        match (self.at, z) {
            (Some(at), Some(z)) if !self.step_begun => Ok((at, z)),
            _ => Err(DialectError::Plan(format!(
                "{what} before a rapid move has said where the cutter stands"
            ))),
        }
    }

    fn rapid(&mut self, to: Point3) -> Result<(), DialectError> {
        if self.heights() {
            return self.fast_to(to.xy().at_z(self.height(to.z)));
        }
        if (self.height(to.z) - self.up_z).abs() > SAME_MM {
            return self.unsupported(
                "a rapid move to another height than the safe one",
                "choose a dialect that knows heights",
            );
        }
        if self.step_begun {
            // A stopped run can be taken up here, so nothing is taken as known.
            self.step_begun = false;
            self.pen = None;
            self.told = None;
        }
        self.lift()?;
        let counts = self.counts(to.xy())?;
        self.at = Some(to.xy());
        if self.told != Some(counts) {
            self.place(&self.file.pen.up.clone(), counts)?;
        }
        Ok(())
    }

    fn line(&mut self, from: Point, z: f64, to: Point3, feed: f64) -> Result<(), DialectError> {
        let to_z = self.height(to.z);
        if self.heights() {
            return self.straight(from.at_z(z), to.xy().at_z(to_z), feed);
        }
        let sideways = from.distance(to.xy()) > SAME_MM;
        let climbs = (to_z - z).abs() > SAME_MM;
        match (sideways, climbs) {
            (false, false) => Ok(()),
            (true, true) => self.ramp(),
            (true, false) => self.cut_to(to.xy(), feed),
            (false, true) if to_z >= self.up_z - SAME_MM => self.lift(),
            (false, true) => self.lower(to_z, feed),
        }
    }

    /// Lowers the pen where it is.
    fn lower(&mut self, z: f64, feed: f64) -> Result<(), DialectError> {
        match self.down {
            None => {
                self.down = Some((z, feed));
                if self.file.pen.speed.is_some() {
                    self.let_go();
                }
            }
            Some((one, _)) if (one - z).abs() > SAME_DEPTH_MM => {
                return self.unsupported(
                    format!("a second depth, {z:.3} mm after {one:.3} mm"),
                    "cut in one pass (a stronger cutter, a larger last-pass and no finish-allowance in the settings of profile), or choose a dialect that knows depths",
                );
            }
            Some((_, one)) if (one - feed).abs() > 0.05 => {
                return self.unsupported(
                    format!("a second feed downwards, {feed:.0} after {one:.0} mm/min"),
                    "choose a dialect that says feeds",
                );
            }
            Some(_) => {}
        }
        self.written.rounding_mm = self
            .written
            .rounding_mm
            .max((z - (z * 1000.0).round() / 1000.0).abs());
        if self.pen == Some(Pen::Down) {
            return Ok(());
        }
        self.pen = Some(Pen::Down);
        self.written.moves += 1;
        self.instruction(&self.file.pen.down.clone())
    }

    /// Straight to a place with the pen down.
    fn cut_to(&mut self, to: Point, feed: f64) -> Result<(), DialectError> {
        if self.pen != Some(Pen::Down) {
            return self.unsupported(
                "a cut at the safe height",
                "choose a dialect that knows heights",
            );
        }
        self.feed(feed)?;
        let counts = self.counts(to)?;
        self.at = Some(to);
        // A line whose ends round to the same place says nothing.
        if self.told == Some(counts) {
            return Ok(());
        }
        self.place(&self.file.pen.down.clone(), counts)
    }

    fn feed(&mut self, feed: f64) -> Result<(), DialectError> {
        let Some(speed) = &self.file.pen.speed else {
            if let Some(one) = self.cutting
                && (one - feed).abs() > 0.05
            {
                return self.unsupported(
                    format!("a second feed, {feed:.0} after {one:.0} mm/min"),
                    "choose a dialect that says feeds",
                );
            }
            self.cutting = Some(feed);
            self.let_go();
            return Ok(());
        };
        // Never faster than planned; a hair of the plan's own arithmetic is not a whole step.
        let count = (feed / speed.step() + 1e-9).floor();
        if count < 1.0 {
            return self.unsupported(
                format!(
                    "a feed of {feed:.0} mm/min, less than its least of {:.0}",
                    speed.step()
                ),
                "take a cutter or a spindle speed that asks for a faster feed, or choose a dialect that says finer feeds",
            );
        }
        let count = count.min(1e9) as i64;
        if self.speed != Some(count) {
            let decimals = usize::from(speed.decimals);
            let value = count as f64 / 10f64.powi(i32::from(speed.decimals));
            let gap = self.gap();
            self.instruction(&format!("{}{gap}{value:.decimals$}", speed.word))?;
            self.speed = Some(count);
        }
        Ok(())
    }

    /// An arc as chords within the dialect's tolerance.
    fn chords(
        &mut self,
        from: Point3,
        centre: Point,
        sweep: f64,
        dz: f64,
        feed: f64,
    ) -> Result<(), DialectError> {
        let radius = from.xy().distance(centre);
        let tolerance = self.file.chord_tolerance_mm;
        // e = R (1 − cos(Δ/2)), solved for Δ.
        let step = match radius > tolerance {
            true => 2.0 * (1.0 - tolerance / radius).acos(),
            false => PI,
        };
        let n = (sweep.abs() / step).ceil().max(1.0);
        if n > 1e7 {
            return Err(DialectError::Plan(format!("an arc of {sweep} radians")));
        }
        let sagitta = radius * (1.0 - (sweep / n / 2.0).cos());
        self.written.rounding_mm = self.written.rounding_mm.max(sagitta);
        let mut at = from;
        for k in 1..=n as u64 {
            let share = k as f64 / n;
            let turned = (from.xy() - centre).rotated(sweep * share);
            let to = (centre + turned).at_z(from.z + dz * share);
            match self.heights() {
                true => self.straight(at, to, feed)?,
                false => self.cut_to(to.xy(), feed)?,
            }
            at = to;
        }
        Ok(())
    }

    /// What stands between a word and its number.
    fn gap(&self) -> &'static str {
        match self.file.pen.gap {
            PenGap::None => "",
            PenGap::Space => " ",
        }
    }

    // ---- places

    /// The place in units; how far rounding moved it is noted.
    fn counts(&mut self, p: Point) -> Result<[i64; 2], DialectError> {
        let unit = self.file.pen.unit_mm;
        let mut counts = [0; 2];
        for (count, mm) in counts.iter_mut().zip([p.x, p.y]) {
            let units = (mm / unit).round();
            if units.abs() > f64::from(self.file.pen.largest) {
                return self.unsupported(
                    format!("a place {mm:.1} mm from the zero"),
                    "move the zero nearer to the work, or choose a dialect of larger numbers",
                );
            }
            *count = units as i64;
        }
        let off = p.distance(point(counts[0] as f64 * unit, counts[1] as f64 * unit));
        self.written.rounding_mm = self.written.rounding_mm.max(off);
        Ok(counts)
    }

    /// An instruction that goes to a place, along the controller's axes.
    fn place(&mut self, word: &str, counts: [i64; 2]) -> Result<(), DialectError> {
        self.told = Some(counts);
        self.written.moves += 1;
        let mut turned = [0; 2];
        for (axis, count) in [self.file.axes.x, self.file.axes.y].into_iter().zip(counts) {
            let (place, sign) = axis.place();
            turned[place] = sign * count;
        }
        let [x, y] = turned;
        let gap = self.gap();
        self.instruction(&format!("{word}{gap}{x}{}{y}", self.file.pen.separator))
    }
}
