//! Reads pen programs back, as a controller of the language would: nothing is taken from the writer but the data file.
//!
//! The heights that the person sets at the controller stand in a remark; before it, nothing is known of any height.

use super::{PenFile, PenSpeed};
use crate::read::LineReader;
use grainway_pipeline::dialect::{Action, Known, ReadEnd, ReadMove};
use grainway_pipeline::motion::Spindle;
use std::io::BufRead;
use std::ops::ControlFlow;

/// Longest line, characters.
const LONGEST: usize = 2000;
/// Heights and feeds beyond this are slips, mm and mm/min.
const FARTHEST: f64 = 1e6;

/// Something that the language does not allow or this reader refuses.
struct Fault(&'static str, String);

fn fault<T>(code: &'static str, message: impl Into<String>) -> Result<T, Fault> {
    Err(Fault(code, message.into()))
}

/// Reads a text to its end or until the receiver breaks.
pub(crate) fn read(
    file: &PenFile,
    text: &mut dyn BufRead,
    receive: &mut dyn FnMut(ReadMove) -> ControlFlow<()>,
) -> ReadEnd {
    let mut lines = LineReader::new(text);
    let mut plotter = Plotter {
        file,
        receive,
        line: 0,
        x: None,
        y: None,
        z: None,
        pen: None,
        set: None,
        absolute: false,
        feed: None,
        high: None,
        low: None,
        plunge: None,
        unsettled: false,
        spindle: None,
        ended: false,
        stopped: false,
    };
    loop {
        match lines.next() {
            Ok(true) => {}
            Ok(false) => break,
            Err(e) => return ReadEnd::Io(e.to_string()),
        }
        plotter.line = lines.number;
        let length = lines.length;
        if length > LONGEST {
            let what = format!("the line has {length} characters, {LONGEST} are allowed");
            plotter.fault(Fault("line-too-long", what));
        } else if let Err(f) = plotter.whole_line(&lines.line) {
            plotter.fault(f);
        }
        if plotter.stopped {
            return ReadEnd::Stopped;
        }
    }
    if !plotter.ended {
        plotter.line = lines.number;
        let what = format!("the program does not end with {}", file.pen.end);
        plotter.fault(Fault("no-end", what));
    }
    if plotter.stopped {
        return ReadEnd::Stopped;
    }
    ReadEnd::Complete {
        lines: lines.number,
        ended: plotter.ended,
    }
}

/// What the person set at the controller.
#[derive(Clone, Copy, PartialEq)]
struct Setting {
    up: f64,
    /// Height and the feed to it.
    down: Option<(f64, f64)>,
    /// The feed of a language that cannot say it.
    cutting: Option<f64>,
}

struct Plotter<'a> {
    file: &'a PenFile,
    receive: &'a mut dyn FnMut(ReadMove) -> ControlFlow<()>,
    line: u64,
    x: Option<f64>,
    y: Option<f64>,
    z: Option<f64>,
    /// It is down; `None` while nobody knows.
    pen: Option<bool>,
    set: Option<Setting>,
    absolute: bool,
    feed: Option<f64>,
    /// What the text set in a language that says heights, mm and mm/min: up, down, feed downwards.
    high: Option<f64>,
    low: Option<f64>,
    plunge: Option<f64>,
    /// A height was set, and the pen has not gone to it.
    unsettled: bool,
    spindle: Option<Spindle>,
    ended: bool,
    stopped: bool,
}

impl Plotter<'_> {
    fn tell(&mut self, from: Known, action: Action, feed: Option<f64>) {
        if self.stopped {
            return;
        }
        let event = ReadMove {
            line: self.line,
            from,
            to: self.here(),
            action,
            feed,
            spindle: self.spindle,
            cutter: None,
        };
        self.stopped = (self.receive)(event).is_break();
    }
    fn fault(&mut self, Fault(code, message): Fault) {
        let here = self.here();
        self.tell(here, Action::Fault { code, message }, self.feed);
    }
    fn here(&self) -> Known {
        Known {
            x: self.x,
            y: self.y,
            z: self.z,
        }
    }

    fn whole_line(&mut self, line: &[u8]) -> Result<(), Fault> {
        let text = match std::str::from_utf8(line) {
            Ok(text) if text.bytes().all(|b| (0x20..0x7f).contains(&b)) => text,
            _ => return fault("character", "the line holds what is no printing character"),
        };
        let mut rest = text.trim_start();
        while !rest.is_empty() && !self.stopped {
            let remark = &self.file.pen.remark;
            let terminator = self.file.pen.terminator;
            let missing = || {
                let what = format!("an instruction is not ended by {terminator}");
                fault("no-terminator", what)
            };
            if let Some(inside) = rest.strip_prefix(remark.open.as_str()) {
                let Some((said, after)) = inside.split_once(remark.close.as_str()) else {
                    return fault("remark", "a remark is not closed on its line");
                };
                let Some(after) = after.trim_start().strip_prefix(terminator) else {
                    return missing();
                };
                self.remark(said)?;
                rest = after.trim_start();
            } else {
                let Some((instruction, after)) = rest.split_once(terminator) else {
                    return missing();
                };
                self.instruction(instruction.trim_end())?;
                rest = after.trim_start();
            }
        }
        Ok(())
    }

    fn remark(&mut self, text: &str) -> Result<(), Fault> {
        if let Some(rest) = text.strip_prefix("step ") {
            let digits = rest.split(':').next().unwrap_or_default();
            if let Ok(number) = digits.parse::<u32>() {
                let here = self.here();
                self.tell(here, Action::Step { number }, self.feed);
            }
            return Ok(());
        }
        let Some(rest) = text.strip_prefix("pen heights:") else {
            return Ok(());
        };
        let Some(set) = setting(rest) else {
            return fault("pen-heights", format!("\"{rest}\" says no heights"));
        };
        if set.down.is_some_and(|(down, _)| down >= set.up) {
            return fault("pen-heights", "the pen's height down is not below that up");
        }
        match self.set {
            Some(before) if before != set => {
                fault("pen-heights", "the heights change within the program")
            }
            _ => {
                self.set = Some(set);
                Ok(())
            }
        }
    }

    fn instruction(&mut self, text: &str) -> Result<(), Fault> {
        let pen = &self.file.pen;
        if self.ended {
            return fault("after-end", "an instruction after the program's end");
        }
        if pen.spindle.as_ref().is_some_and(|s| s.stop == text) {
            self.spindle = None;
            let here = self.here();
            self.tell(here, Action::Spindle, self.feed);
            return Ok(());
        }
        if text == pen.end {
            self.ended = true;
            let here = self.here();
            self.tell(here, Action::End, self.feed);
            return Ok(());
        }
        if let Some(numbers) = text.strip_prefix(pen.absolute.as_str()) {
            self.absolute = true;
            return self.places(numbers, None);
        }
        if let Some(numbers) = text.strip_prefix(pen.up.as_str()) {
            self.raise()?;
            return self.places(numbers, Some(false));
        }
        if let Some(numbers) = text.strip_prefix(pen.down.as_str()) {
            self.lower()?;
            return self.places(numbers, Some(true));
        }
        if let Some(speed) = &pen.speed
            && let Some(number) = text.strip_prefix(speed.word.as_str())
        {
            self.feed = Some(rate(speed, number)?);
            return Ok(());
        }
        if let Some(done) = self.setting_of_heights(text) {
            return done;
        }
        if let Some(done) = self.switching(text) {
            return done;
        }
        if pen.start.iter().any(|w| w == text) {
            // What a controller does when it is set to its beginnings is its own affair: nothing is known after it.
            (self.x, self.y, self.z, self.pen, self.feed) = (None, None, None, None, None);
            (self.high, self.low, self.plunge, self.spindle) = (None, None, None, None);
            self.absolute = false;
            return Ok(());
        }
        match pen.step_start.iter().any(|w| w == text) {
            true => Ok(()),
            false => fault(
                "not-in-dialect",
                format!("\"{text}\" is not an instruction of this language"),
            ),
        }
    }

    /// The words that set the heights and the feed downwards.
    fn setting_of_heights(&mut self, text: &str) -> Option<Result<(), Fault>> {
        let heights = self.file.pen.heights.as_ref()?;
        if let Some(feed) = &heights.feed
            && let Some(number) = text.strip_prefix(feed.word.as_str())
        {
            return Some(rate(feed, number).map(|v| self.plunge = Some(v)));
        }
        let (slot, number) = match text.strip_prefix(heights.up.as_str()) {
            Some(number) => (&mut self.high, number),
            None => (&mut self.low, text.strip_prefix(heights.down.as_str())?),
        };
        Some(whole(number.trim(), self.file.pen.largest).map(|units| {
            *slot = Some(units as f64 * self.file.pen.unit_mm);
            self.unsettled = true;
        }))
    }

    /// The words that start the spindle and that wait.
    fn switching(&mut self, text: &str) -> Option<Result<(), Fault>> {
        let pen = &self.file.pen;
        let spins = pen
            .spindle
            .as_ref()
            .and_then(|s| text.strip_prefix(s.word.as_str()));
        let waits = pen.wait.as_ref().and_then(|w| {
            let number = text.strip_prefix(w.word.as_str())?;
            Some((w.unit.seconds(), number))
        });
        let here = self.here();
        let done = match (spins, waits) {
            (Some(number), _) => whole(number.trim(), 1_000_000).and_then(|rpm| match rpm {
                1.. => {
                    self.spindle = Some(Spindle {
                        rpm: rpm as f64,
                        clockwise: true,
                    });
                    self.tell(here, Action::Spindle, self.feed);
                    Ok(())
                }
                _ => fault("bad-value", format!("a spindle speed of {rpm}")),
            }),
            (None, Some((unit, number))) => whole(number.trim(), u32::MAX).and_then(|n| match n {
                0.. => {
                    let seconds = n as f64 * unit;
                    self.tell(here, Action::Dwell { seconds }, self.feed);
                    Ok(())
                }
                _ => fault("bad-value", "a negative wait"),
            }),
            (None, None) => return None,
        };
        Some(done)
    }

    /// Goes straight to a height that the text has set.
    fn go_to_height(&mut self, z: Option<f64>, down: bool) -> Result<(), Fault> {
        let Some(z) = z else {
            self.pen = None;
            return fault(
                "no-heights",
                "the pen is raised or lowered before a word says to which height",
            );
        };
        let from = self.here();
        self.pen = Some(down);
        if self.z.is_none_or(|now| (now - z).abs() > 0.0) {
            self.z = Some(z);
            match down {
                true => {
                    let own = self
                        .file
                        .pen
                        .heights
                        .as_ref()
                        .is_some_and(|h| h.feed.is_some());
                    let feed = if own { self.plunge } else { self.feed };
                    self.tell(from, Action::Line, feed);
                }
                false => self.tell(from, Action::Rapid, self.feed),
            }
        }
        Ok(())
    }

    fn raise(&mut self) -> Result<(), Fault> {
        if self.file.pen.heights.is_some() {
            return self.go_to_height(self.high, false);
        }
        let Some(set) = self.set else {
            self.pen = None;
            return fault(
                "no-heights",
                "the pen is raised before a remark says how high",
            );
        };
        if self.pen != Some(false) {
            let from = self.here();
            self.pen = Some(false);
            self.z = Some(set.up);
            self.tell(from, Action::Rapid, self.feed);
        }
        Ok(())
    }

    fn lower(&mut self) -> Result<(), Fault> {
        if self.file.pen.heights.is_some() {
            return self.go_to_height(self.low, true);
        }
        let Some((z, feed)) = self.set.and_then(|s| s.down) else {
            self.pen = None;
            return fault(
                "no-heights",
                "the pen is lowered before a remark says how deep",
            );
        };
        if self.pen != Some(true) {
            let from = self.here();
            self.pen = Some(true);
            self.z = Some(z);
            self.tell(from, Action::Line, Some(feed));
        }
        Ok(())
    }

    /// Goes to the places of an instruction, one after the other. `down` is what the instruction made of the pen; `None` leaves it.
    fn places(&mut self, text: &str, down: Option<bool>) -> Result<(), Fault> {
        let text = text.trim();
        if text.is_empty() {
            self.unsettled &= down.is_none();
            return Ok(());
        }
        if self.unsettled && self.file.pen.heights.is_some() {
            self.unsettled = false;
            return fault(
                "height-on-the-way",
                "a height was set and the pen goes sideways before it stands at it; whether it slants is not known",
            );
        }
        let mut numbers = Vec::new();
        for part in text.split(self.file.pen.separator) {
            numbers.push(whole(part.trim(), self.file.pen.largest)?);
        }
        if numbers.len() % 2 != 0 {
            return fault("odd-numbers", "a place has two numbers");
        }
        if !self.absolute {
            return fault(
                "no-absolute",
                format!("a place before {} is in force", self.file.pen.absolute),
            );
        }
        let down = down.or(self.pen);
        for pair in numbers.chunks_exact(2) {
            self.go([pair[0], pair[1]], down)?;
        }
        Ok(())
    }

    fn go(&mut self, place: [i64; 2], down: Option<bool>) -> Result<(), Fault> {
        let along = |axis: crate::file::Axis| {
            let (index, sign) = axis.place();
            (place[index] * sign) as f64 * self.file.pen.unit_mm
        };
        let (x, y) = (along(self.file.axes.x), along(self.file.axes.y));
        let from = self.here();
        (self.x, self.y) = (Some(x), Some(y));
        match down {
            None => {
                return fault("pen-unknown", "a move before the pen is raised or lowered");
            }
            Some(false) => self.tell(from, Action::Rapid, self.feed),
            Some(true) => {
                let feed = match self.file.pen.speed {
                    Some(_) => self.feed,
                    None => self.set.and_then(|s| s.cutting),
                };
                self.tell(from, Action::Line, feed);
            }
        }
        Ok(())
    }
}

/// A whole number, either way, of at most so much.
fn whole(part: &str, largest: u32) -> Result<i64, Fault> {
    let digits = part.strip_prefix(['-', '+']).unwrap_or(part);
    if digits.is_empty() || !digits.bytes().all(|b| b.is_ascii_digit()) {
        return fault("not-whole", format!("\"{part}\" is not a whole number"));
    }
    match part.parse::<i64>() {
        Ok(n) if n.unsigned_abs() <= u64::from(largest) => Ok(n),
        _ => fault("out-of-range", format!("{part} is too large")),
    }
}

/// A feed, mm/min.
fn rate(speed: &PenSpeed, number: &str) -> Result<f64, Fault> {
    let digits = number.trim();
    let plain = digits.bytes().all(|b| b.is_ascii_digit() || b == b'.');
    let decimals = digits.split_once('.').map_or(0, |(_, d)| d.len());
    match digits.parse::<f64>() {
        Ok(v) if plain && v > 0.0 && v <= FARTHEST && decimals <= speed.decimals.into() => {
            Ok(v * speed.unit_mm_per_second * 60.0)
        }
        _ => fault("speed", format!("\"{digits}\" is no speed")),
    }
}

/// " up 25.000 mm, down -2.600 mm at 300.0 mm/min, cutting at 1800.0 mm/min", of which all but the first may be missing.
fn setting(text: &str) -> Option<Setting> {
    let number = |text: &str| {
        let plain = text
            .bytes()
            .all(|b| b.is_ascii_digit() || b == b'.' || b == b'-');
        let v: f64 = text.parse().ok()?;
        (plain && v.is_finite() && v.abs() <= FARTHEST).then_some(v)
    };
    let rate = |text: &str| number(text.strip_suffix(" mm/min")?).filter(|v| *v > 0.0);
    let mut parts = text.trim_start().split(", ");
    let up = number(parts.next()?.strip_prefix("up ")?.strip_suffix(" mm")?)?;
    let (mut down, mut cutting) = (None, None);
    for part in parts {
        if let Some(said) = part.strip_prefix("down ") {
            let (z, feed) = said.split_once(" mm at ")?;
            down = Some((number(z)?, rate(feed)?));
        } else {
            cutting = Some(rate(part.strip_prefix("cutting at ")?)?);
        }
    }
    Some(Setting { up, down, cutting })
}
