//! Writes programs: items in, lines out, nothing held.

mod arc;
pub(crate) mod comment;
mod curve;
mod divide;
mod hole;
mod number;

use crate::file::{
    Characters, CommentStyle, DialectFile, FeedPer, Lengths, LineEnd, PauseMessage, SpindleSpeed,
};
use crate::template;
use grainway_geom::{Point3, point};
use grainway_pipeline::dialect::{DialectError, ProgramHead, Written};
use grainway_pipeline::doc::Unit;
use grainway_pipeline::motion::{Item, Move, SAFE_Z, Spindle};
use number::Look;
use std::io::Write;

/// The published limit on an arc's two radii (NISTIR 6556, 3.5.3.2), in the text's unit.
const ARC_LIMIT_MM: f64 = 0.002;
/// The same for inches.
const ARC_LIMIT_INCH: f64 = 0.0002;
/// The text is handed on in pieces of about this many bytes.
const PIECE: usize = 1 << 16;
/// The motion in force.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Motion {
    Rapid,
    Line,
    Clockwise,
    CounterClockwise,
    Cycle(Drilling),
}

/// A drilling cycle's words, in counts.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Drilling {
    retract: i64,
    bottom: i64,
    peck: Option<i64>,
}

/// Writes one program.
pub fn write(
    file: &DialectFile,
    head: &ProgramHead,
    items: &mut dyn Iterator<Item = Item>,
    out: &mut dyn Write,
) -> Result<Written, DialectError> {
    let mut w = Writer::new(file, head, out)?;
    w.open(head)?;
    for item in items {
        w.item(item)?;
    }
    w.close()
}

struct Writer<'a> {
    file: &'a DialectFile,
    out: &'a mut dyn Write,
    /// Bytes not yet handed on.
    text: Vec<u8>,
    /// The line being put together.
    line: Vec<u8>,
    /// Where its words begin, but for the block's number.
    starts: Vec<usize>,
    /// The line holds modes alone.
    modes: bool,
    /// The line is a block, so it ends as blocks do.
    block_line: bool,
    /// Letters in the order of words on a line.
    order: Vec<u8>,
    units: String,
    name: String,
    number: String,
    safe_z: f64,
    /// Millimetres in the text's unit.
    unit_mm: f64,
    /// Counts of the last digit in a millimetre.
    per_mm: f64,
    arc_limit: f64,
    /// Digits that a length counts in.
    decimals: u8,
    look: Look,
    feed_look: Look,
    block: u32,
    written: Written,
    /// Where the plan has the cutter, mm; not rounded, so that rounding does not add up.
    at: [Option<f64>; 3],
    /// Where the controller has it, counts.
    told: [Option<i64>; 3],
    /// It stands at the machine's top, above everything.
    top: bool,
    motion: Option<Motion>,
    feed: Option<i64>,
    after_rapid: bool,
    /// Blocks of motion since everything was said.
    blocks: u32,
    /// The next block says everything.
    restate: bool,
    spindle: Option<Spindle>,
    /// The number whose length is called.
    length: Option<u32>,
    /// A workingstep began and nothing has moved since.
    step_begun: bool,
    /// A workingstep has begun, so a cutter is in use.
    in_use: bool,
}

/// Words of one block; letters may stand in any order here.
#[derive(Default)]
struct Words {
    motion: Option<Motion>,
    axes: [Option<i64>; 3],
    centre: Option<Middle>,
    feed: Option<i64>,
}

/// What says where an arc's centre is, counts.
#[derive(Clone, Copy)]
enum Middle {
    /// I and J.
    At([i64; 2]),
    /// R.
    Radius(i64),
}

fn look_of_lengths(file: &DialectFile, decimals: u8) -> Look {
    let numbers = &file.numbers;
    match numbers.lengths {
        Lengths::Decimal => Look {
            decimals,
            trailing_zeros: numbers.trailing_zeros,
            point_always: numbers.point_always,
            leading_zero: numbers.leading_zero,
            plus_sign: numbers.plus_sign,
            mark: numbers.mark.byte(),
        },
        Lengths::Counts => Look {
            plus_sign: numbers.plus_sign,
            ..Look::WHOLE
        },
    }
}

/// Letters in the order of words on a line: those of the file, then the others.
fn order_of_words(file: &DialectFile) -> Vec<u8> {
    let mut order: Vec<u8> = file.lines.word_order.bytes().collect();
    let others: Vec<u8> = (b'A'..=b'Z').filter(|l| !order.contains(l)).collect();
    order.extend(others);
    order
}

impl<'a> Writer<'a> {
    fn new(
        file: &'a DialectFile,
        head: &ProgramHead,
        out: &'a mut dyn Write,
    ) -> Result<Writer<'a>, DialectError> {
        let (units, limit, feed_decimals) = match head.unit {
            Unit::Mm => (&file.units.mm, ARC_LIMIT_MM, file.numbers.feed_decimals_mm),
            Unit::Inch => (
                &file.units.inch,
                ARC_LIMIT_INCH,
                file.numbers.feed_decimals_inch,
            ),
        };
        let no_word = String::new();
        let units = match file.units.only {
            Some(only) => (only.unit() == head.unit).then_some(&no_word),
            None => units.as_ref(),
        };
        let Some(units) = units else {
            return Err(DialectError::Unsupported {
                dialect: file.name.clone(),
                what: format!("programs in {}", head.unit.word()),
                remedy: "give the machine the other program-unit".into(),
            });
        };
        let decimals = file.decimals(head.unit);
        let counts = 10f64.powi(i32::from(decimals));
        if !head.safe_z.is_finite() {
            return Err(DialectError::Plan(format!(
                "the safe height is {}",
                head.safe_z
            )));
        }
        Ok(Writer {
            file,
            out,
            text: Vec::with_capacity(PIECE + 512),
            line: Vec::with_capacity(128),
            starts: Vec::with_capacity(16),
            modes: false,
            block_line: false,
            order: order_of_words(file),
            units: units.clone(),
            name: comment::plain(&head.name),
            number: format!(
                "{:0digits$}",
                head.number,
                digits = file.files.number_digits.map_or(0, usize::from)
            ),
            safe_z: head.safe_z,
            unit_mm: head.unit.mm(),
            per_mm: counts / head.unit.mm(),
            arc_limit: limit * counts,
            decimals,
            look: look_of_lengths(file, decimals),
            feed_look: Look {
                decimals: feed_decimals,
                leading_zero: file.numbers.leading_zero,
                mark: file.numbers.mark.byte(),
                ..Look::WHOLE
            },
            block: file.lines.block_numbers.as_ref().map_or(0, |b| b.first),
            written: Written::default(),
            at: [None; 3],
            told: [None; 3],
            top: false,
            motion: None,
            feed: None,
            after_rapid: false,
            blocks: 0,
            restate: false,
            spindle: None,
            length: None,
            step_begun: false,
            in_use: false,
        })
    }

    fn unsupported<T>(&self, what: &str, remedy: &str) -> Result<T, DialectError> {
        Err(DialectError::Unsupported {
            dialect: self.file.name.clone(),
            what: what.into(),
            remedy: remedy.into(),
        })
    }

    // ---- lines

    /// The line that was put together is longer than a line may be.
    fn too_long(&self) -> bool {
        let end = usize::from(self.block_line && self.file.lines.block_end.is_some());
        self.file.lines.length != 0 && self.line.len() + end > self.file.lines.length
    }

    /// Hands the line on that was put together, or the lines that it is divided into.
    fn end_line(&mut self) -> Result<(), DialectError> {
        match self.too_long() {
            true => self.divide(),
            false => self.hand_on(),
        }
    }

    fn hand_on(&mut self) -> Result<(), DialectError> {
        if self.too_long() {
            return self.unsupported(
                &format!("a block of {} characters", self.line.len()),
                "choose a dialect with longer lines, or move the zero nearer to the work",
            );
        }
        self.starts.clear();
        self.text.extend_from_slice(&self.line);
        if std::mem::take(&mut self.block_line)
            && let Some(end) = self.file.lines.block_end
        {
            self.text.push(end as u8);
        }
        self.line.clear();
        match self.file.lines.end {
            LineEnd::Lf => self.text.push(b'\n'),
            LineEnd::CrLf => self.text.extend_from_slice(b"\r\n"),
        }
        self.written.lines += 1;
        if self.text.len() >= PIECE {
            self.out.write_all(&self.text)?;
            self.text.clear();
        }
        Ok(())
    }

    /// Begins a block: its number, where the dialect has them.
    fn begin_block(&mut self) {
        self.line.clear();
        self.starts.clear();
        self.block_line = true;
        if let Some(numbers) = &self.file.lines.block_numbers {
            self.line.push(b'N');
            push_whole(&mut self.line, u64::from(self.block));
            let next = self.block + numbers.step;
            self.block = if next > numbers.largest {
                numbers.first
            } else {
                next
            };
        }
    }

    /// A word begins.
    fn begin_word(&mut self) {
        if let Some(separator) = self.file.lines.separator.byte()
            && !self.line.is_empty()
        {
            self.line.push(separator);
        }
        self.starts.push(self.line.len());
    }

    /// A block of ready words, as they stand.
    fn words(&mut self, text: &str) -> Result<(), DialectError> {
        self.begin_block();
        for word in text.split_ascii_whitespace() {
            self.begin_word();
            self.line.extend_from_slice(word.as_bytes());
        }
        match self.starts.is_empty() {
            true => {
                self.block_line = false;
                Ok(())
            }
            false => self.end_line(),
        }
    }

    /// A block of ready words in the dialect's order.
    fn ordered(&mut self, mut words: Vec<String>) -> Result<(), DialectError> {
        words.sort_by_key(|word| {
            let letter = word.bytes().next();
            self.order.iter().position(|l| Some(*l) == letter)
        });
        self.words(&words.join(" "))
    }

    /// A line of modes with its places filled in; it may be divided.
    fn mode_line(&mut self, line: &str) -> Result<(), DialectError> {
        self.modes = true;
        let done = self.template(line, None);
        self.modes = false;
        done
    }

    /// Room for a comment's text on a line of its own.
    fn comment_room(&self) -> usize {
        match self.file.lines.length {
            0 => 200,
            length => length - 2,
        }
    }

    fn comment_line(&mut self, text: &str) -> Result<(), DialectError> {
        self.line.clear();
        let capitals;
        let text = match self.file.lines.characters {
            Characters::Printable => text,
            Characters::Capitals => {
                capitals = comment::capitals(text);
                &capitals
            }
        };
        match self.file.comments {
            CommentStyle::Parentheses => {
                self.line.push(b'(');
                self.line.extend_from_slice(text.as_bytes());
                self.line.push(b')');
            }
            CommentStyle::Semicolon => {
                self.line.extend_from_slice(b"; ");
                self.line.extend_from_slice(text.as_bytes());
            }
            CommentStyle::None => return Ok(()),
        }
        self.end_line()
    }

    fn remark(&mut self, text: &str) -> Result<(), DialectError> {
        let text = comment::remark(text);
        let room = self.comment_room();
        // Pieces after the first could begin with the very words that a remark must not begin with.
        for piece in comment::wrapped(&text, room - 2) {
            self.comment_line(&comment::remark(piece))?;
        }
        Ok(())
    }

    /// A template with its places filled in.
    fn filled(&self, line: &str, cutter: Option<u32>) -> Result<String, DialectError> {
        let mut values = vec![
            ("units", self.units.clone()),
            ("name", self.name.clone()),
            ("number", self.number.clone()),
            ("safe", self.safe_height()),
        ];
        if let Some(n) = cutter {
            values.push(("cutter", n.to_string()));
        }
        let text = template::fill(line, &values)
            .map_err(|why| DialectError::Plan(format!("the line \"{line}\": {why}")))?;
        let holds = |b| self.file.lines.characters.holds(b);
        // Names are the user's; a language of capitals gets them so.
        let text = match self.file.lines.characters {
            Characters::Capitals => text.to_ascii_uppercase(),
            Characters::Printable => text,
        };
        Ok(text
            .chars()
            .filter(|c| c.is_ascii() && holds(*c as u8))
            .collect())
    }

    /// The safe height as a number of the language.
    fn safe_height(&self) -> String {
        let mut text = Vec::new();
        if let Ok(count) = self.axis_count(self.safe_z) {
            number::push(&mut text, count, self.look);
        }
        String::from_utf8_lossy(&text).into_owned()
    }

    /// A block made of a template.
    fn template(&mut self, line: &str, cutter: Option<u32>) -> Result<(), DialectError> {
        let text = self.filled(line, cutter)?;
        self.words(&text)
    }

    // ---- start and end

    fn open(&mut self, head: &ProgramHead) -> Result<(), DialectError> {
        for line in &self.file.start {
            let text = self.filled(line, None)?;
            self.line.clear();
            self.line.extend_from_slice(text.as_bytes());
            self.end_line()?;
        }
        self.remark(&head.name)?;
        for remark in &head.remarks {
            self.remark(remark)?;
        }
        for line in &self.file.safe_start {
            self.mode_line(line)?;
        }
        Ok(())
    }

    fn close(mut self) -> Result<Written, DialectError> {
        self.end_cycle()?;
        if self.spindle.is_some() {
            self.spindle_words(None)?;
        }
        for line in &self.file.end {
            self.line.clear();
            if line == "%" {
                self.line.push(b'%');
                self.end_line()?;
            } else {
                self.template(line, None)?;
            }
        }
        self.out.write_all(&self.text)?;
        self.out.flush()?;
        Ok(self.written)
    }

    // ---- items

    fn item(&mut self, item: Item) -> Result<(), DialectError> {
        match item {
            Item::Step(step) => self.step(step.number, &step.label),
            Item::Cutter(change) => {
                self.end_cycle()?;
                if change.by_hand {
                    if self.in_use {
                        return self.unsupported(
                            "a cutter change by hand inside a program",
                            "write one program a cutter",
                        );
                    }
                    return self.remark(&format!("cutter {}: {}", change.number, change.label));
                }
                let Some(lines) = &self.file.cutter_change else {
                    return self.unsupported(
                        "a cutter change by the machine",
                        "say cutter-change: hand for the machine, or choose a dialect that changes cutters",
                    );
                };
                if self.spindle.is_some() {
                    self.spindle_words(None)?;
                }
                self.remark(&format!("cutter {}: {}", change.number, change.label))?;
                for line in lines {
                    self.template(line, Some(change.number))?;
                }
                self.forget();
                self.length = Some(change.number);
                self.length_words()
            }
            Item::Spindle(spindle) => {
                self.end_cycle()?;
                self.spindle_words(spindle)
            }
            Item::Pause { message } => self.pause(&message),
            Item::Dwell { seconds } => self.dwell(seconds),
            Item::Label(text) => self.remark(&text),
            Item::RetractFull { safe_z } => self.retract(safe_z),
            Item::Move(m) => self.any_move(m),
        }
    }

    /// Nothing is known of where the machine stands or of what is in force.
    fn forget(&mut self) {
        self.at = [None; 3];
        self.told = [None; 3];
        self.top = false;
        self.motion = None;
        self.feed = None;
    }

    fn step(&mut self, number: u32, label: &str) -> Result<(), DialectError> {
        self.end_cycle()?;
        self.written.restarts.push((number, self.written.lines + 1));
        let text = format!("step {number}: {}", comment::plain(label));
        self.comment_line(&comment::shortened(&text, self.comment_room() - 2))?;
        for line in &self.file.step_start {
            self.mode_line(line)?;
        }
        self.length_words()?;
        if let Some(spindle) = self.spindle {
            self.spindle_words(Some(spindle))?;
        }
        self.motion = None;
        self.feed = None;
        self.step_begun = true;
        self.in_use = true;
        Ok(())
    }

    fn length_words(&mut self) -> Result<(), DialectError> {
        match (&self.file.length_offset, self.length) {
            (Some(words), Some(n)) => self.template(words, Some(n)),
            _ => Ok(()),
        }
    }

    fn spindle_words(&mut self, spindle: Option<Spindle>) -> Result<(), DialectError> {
        let Some(words) = &self.file.spindle else {
            return self.unsupported(
                "the spindle's start and stop",
                "say spindle: hand for the machine, or choose a dialect that switches it",
            );
        };
        let text = match spindle {
            None => vec![words.stop.clone()],
            Some(s) => {
                let word = match (s.clockwise, &words.counter_clockwise) {
                    (true, _) => &words.clockwise,
                    (false, Some(word)) => word,
                    (false, None) => {
                        return self.unsupported(
                            "a spindle that turns counter-clockwise",
                            "use a right-hand cutter",
                        );
                    }
                };
                let mut all = self.speed_word(words.speed, s.rpm)?;
                all.extend(word.split_ascii_whitespace().map(String::from));
                all
            }
        };
        self.spindle = spindle;
        self.ordered(text)
    }

    /// The word of a spindle speed, or the remark that tells the person who sets it.
    fn speed_word(&mut self, speed: SpindleSpeed, rpm: f64) -> Result<Vec<String>, DialectError> {
        let counted = |value: f64, decimals: u8| {
            number::count(value, decimals)
                .filter(|n| *n > 0)
                .ok_or_else(|| DialectError::Plan(format!("a spindle speed of {rpm} rev/min")))
        };
        let (count, decimals) = match speed {
            SpindleSpeed::Rpm => (counted(rpm, 0)?, 0),
            SpindleSpeed::Panel => {
                let text = format!("{}{} rev/min", comment::SPEED_MARK, counted(rpm, 0)?);
                self.comment_line(&text)?;
                return Ok(Vec::new());
            }
            SpindleSpeed::Percent { of, decimals } => {
                // Never faster than planned; a hair of the plan's own arithmetic is not a whole step.
                let steps = rpm / of * 10f64.powi(2 + i32::from(decimals));
                (counted((steps + 1e-9).floor(), 0)?, decimals)
            }
        };
        let mut word = vec![b'S'];
        let look = Look {
            decimals,
            mark: self.file.numbers.mark.byte(),
            ..Look::WHOLE
        };
        number::push(&mut word, count, look);
        Ok(vec![String::from_utf8_lossy(&word).into_owned()])
    }

    fn dwell(&mut self, seconds: f64) -> Result<(), DialectError> {
        self.end_cycle()?;
        let Some(dwell) = &self.file.dwell else {
            return self.unsupported(
                "a wait",
                "choose a dialect that can wait while the spindle speeds up",
            );
        };
        let decimals = dwell.digits();
        let mut value = seconds / dwell.unit.seconds();
        if dwell.coarse_step() > 0.0 {
            // Never shorter than planned, but for a hair of arithmetic.
            let digits = 10f64.powi(i32::from(decimals));
            value = (value * digits - 1e-6).ceil() / digits;
        }
        let time = number::count(value, decimals)
            .filter(|n| *n >= 0)
            .ok_or_else(|| DialectError::Plan(format!("a wait of {seconds} s")))?;
        if time == 0 {
            return Ok(());
        }
        let mut word = vec![dwell.letter as u8];
        let look = Look {
            decimals,
            point_always: self.file.numbers.point_always && decimals > 0,
            leading_zero: self.file.numbers.leading_zero,
            mark: self.file.numbers.mark.byte(),
            ..Look::WHOLE
        };
        number::push(&mut word, time, look);
        let word = String::from_utf8_lossy(&word).into_owned();
        self.ordered(vec![dwell.word.clone(), word])
    }

    fn pause(&mut self, message: &str) -> Result<(), DialectError> {
        self.end_cycle()?;
        let Some(pause) = &self.file.pause else {
            return self.unsupported(
                "a pause",
                "choose a dialect that can pause, or a hold that needs none",
            );
        };
        // A stop alone does not stop a spindle, so the word stands here whatever came before.
        if self.file.spindle.is_some() {
            self.spindle_words(None)?;
        }
        let room = self.comment_room();
        match pause.message {
            PauseMessage::Shown => {
                let text = comment::plain(message);
                for piece in comment::wrapped(&text, room - 5) {
                    self.comment_line(&format!("MSG, {piece}"))?;
                }
            }
            PauseMessage::Comment => self.remark(message)?,
            PauseMessage::None => {}
        }
        self.words(&pause.word)?;
        self.forget();
        Ok(())
    }

    fn retract(&mut self, safe_z: f64) -> Result<(), DialectError> {
        self.end_cycle()?;
        if self.file.retract_full.is_some() {
            if !self.top {
                self.go_to_top()?;
            }
            self.top = true;
            self.at[2] = None;
            self.told[2] = None;
            self.motion = None;
            return Ok(());
        }
        // Never downwards: a cutter that already stands higher stays there.
        if self.at[2].is_none_or(|z| z < safe_z) {
            self.rapid_axes([None, None, Some(safe_z)])?;
        }
        Ok(())
    }

    /// The lines that lift to the machine's top.
    fn go_to_top(&mut self) -> Result<(), DialectError> {
        for line in self.file.retract_full.iter().flatten() {
            self.template(line, None)?;
        }
        self.written.moves += 1;
        Ok(())
    }

    // ---- moves

    fn any_move(&mut self, m: Move) -> Result<(), DialectError> {
        if !m.is_finite() {
            return Err(DialectError::Plan(format!("{m:?}")));
        }
        if !matches!(m, Move::Hole { .. }) {
            self.end_cycle()?;
        }
        match m {
            Move::Rapid { to } => self.rapid(to),
            Move::Line { to, feed } => {
                self.must_stand("a cutting line")?;
                let feed = self.feed_count(feed)?;
                self.line_to(to, feed)
            }
            Move::Arc {
                centre,
                sweep,
                dz,
                feed,
            } => {
                let from = self.must_stand("an arc")?;
                let feed = self.feed_count(feed)?;
                self.arc(from, centre, sweep, dz, feed)
            }
            Move::Hole {
                at,
                retract,
                bottom,
                peck,
                feed,
            } => {
                let feed = self.feed_count(feed)?;
                self.hole(at, retract, bottom, peck, feed)
            }
        }
    }

    /// Where the cutter stands; cutting from an unknown place makes no sense.
    fn must_stand(&self, what: &str) -> Result<Point3, DialectError> {
        match self.at {
            [Some(x), Some(y), Some(z)] if !self.step_begun => Ok(Point3 { x, y, z }),
            _ => Err(DialectError::Plan(format!(
                "{what} before a rapid move has said where the cutter stands"
            ))),
        }
    }

    fn feed_count(&self, feed: f64) -> Result<i64, DialectError> {
        let per = match self.file.numbers.feed_per {
            FeedPer::Minute => 1.0,
            FeedPer::Second => 60.0,
        };
        number::count(feed / per / self.unit_mm, self.feed_look.decimals)
            .filter(|n| *n > 0)
            .ok_or_else(|| DialectError::Plan(format!("a feed of {feed} mm/min")))
    }

    fn axis_count(&self, mm: f64) -> Result<i64, DialectError> {
        number::count(mm / self.unit_mm, self.decimals)
            .ok_or_else(|| DialectError::Plan(format!("a coordinate of {mm} mm")))
    }

    fn counts(&self, p: Point3) -> Result<[i64; 3], DialectError> {
        Ok([
            self.axis_count(p.x)?,
            self.axis_count(p.y)?,
            self.axis_count(p.z)?,
        ])
    }

    /// Notes how far rounding moved a point.
    fn note_rounding(&mut self, planned: Point3, counts: [i64; 3]) {
        let d = |mm: f64, count: i64| mm - count as f64 / self.per_mm;
        let off = point(d(planned.x, counts[0]), d(planned.y, counts[1])).length();
        let off = off.hypot(d(planned.z, counts[2]));
        self.written.rounding_mm = self.written.rounding_mm.max(off);
    }

    /// A rapid move: upwards before sideways before downwards, and Z first when it is not known.
    fn rapid(&mut self, to: Point3) -> Result<(), DialectError> {
        let z = if to.z == SAFE_Z { self.safe_z } else { to.z };
        let (x, y) = (Some(to.x), Some(to.y));
        if self.step_begun {
            self.step_begun = false;
            match (&self.file.retract_full, self.top) {
                // Coming down where the cutter was changed or the machine is parked could hit something: stay up until XY is right.
                (Some(_), true) => self.go_to_top()?,
                _ => {
                    self.told[2] = None;
                    let z = self.at[2].map_or(self.safe_z, |z| z.max(self.safe_z));
                    self.rapid_axes([None, None, Some(z)])?;
                }
            }
            self.told[0] = None;
            self.told[1] = None;
        }
        let up = !self.top && self.at[2].is_none_or(|now| z > now);
        if up {
            self.rapid_axes([None, None, Some(z)])?;
        }
        self.rapid_axes([x, y, None])?;
        self.rapid_axes([None, None, Some(z)])
    }

    /// One rapid block; nothing when no axis changes.
    fn rapid_axes(&mut self, axes: [Option<f64>; 3]) -> Result<(), DialectError> {
        let mut words = Words {
            motion: Some(Motion::Rapid),
            ..Words::default()
        };
        let mut changes = false;
        for (i, mm) in axes.into_iter().enumerate() {
            let Some(mm) = mm else { continue };
            let count = self.axis_count(mm)?;
            let off = (mm - count as f64 / self.per_mm).abs();
            self.written.rounding_mm = self.written.rounding_mm.max(off);
            let same = self.told[i] == Some(count);
            changes |= !same;
            if !same || self.says_axes() {
                words.axes[i] = Some(count);
            }
            self.told[i] = Some(count);
            self.at[i] = Some(mm);
            if i == 2 {
                self.top = false;
            }
        }
        if !changes {
            return Ok(());
        }
        self.after_rapid = true;
        self.move_block(words)
    }

    fn line_to(&mut self, to: Point3, feed: i64) -> Result<(), DialectError> {
        let to = if to.z == SAFE_Z {
            to.xy().at_z(self.safe_z)
        } else {
            to
        };
        let counts = self.counts(to)?;
        self.note_rounding(to, counts);
        let mut words = Words {
            motion: Some(Motion::Line),
            feed: Some(feed),
            ..Words::default()
        };
        let mut changes = false;
        for (i, count) in counts.into_iter().enumerate() {
            let same = self.told[i] == Some(count);
            changes |= !same;
            if !same || self.says_axes() {
                words.axes[i] = Some(count);
            }
        }
        self.stand(to, counts);
        // A line whose ends round to the same place would be a block without an axis word, which the language forbids.
        if changes {
            self.move_block(words)
        } else {
            Ok(())
        }
    }

    /// Axes that do not change are said all the same.
    fn says_axes(&self) -> bool {
        !self.file.modal.axes || self.restate
    }

    fn stand(&mut self, at: Point3, counts: [i64; 3]) {
        self.at = [Some(at.x), Some(at.y), Some(at.z)];
        self.told = counts.map(Some);
        self.top = false;
    }

    /// Words along the controller's axes.
    fn turned(&self, words: [Option<i64>; 3]) -> [Option<i64>; 3] {
        let mut out = [None, None, words[2]];
        for (i, axis) in [self.file.axes.x, self.file.axes.y].into_iter().enumerate() {
            let (place, sign) = axis.place();
            out[place] = words[i].map(|v| sign * v);
        }
        out
    }

    /// Writes a block of motion, leaving out what is in force and may be left out.
    fn move_block(&mut self, words: Words) -> Result<(), DialectError> {
        let file = self.file;
        self.begin_block();
        let motion = words
            .motion
            .filter(|m| self.restate || !(file.modal.motion && self.motion == Some(*m)));
        let restate = self.restate || self.after_rapid && file.modal.feed_after_rapid;
        let axes = self.turned(words.axes);
        self.blocks += 1;
        self.restate = file.modal.restate_blocks != 0 && self.blocks >= file.modal.restate_blocks;
        if self.restate {
            self.blocks = 0;
        }
        let feed = words
            .feed
            .filter(|f| restate || !file.modal.feed || self.feed != Some(*f));
        if words.feed.is_some() {
            self.after_rapid = false;
            self.feed = words.feed;
        }
        if words.motion.is_some() {
            self.motion = words.motion;
        }
        let (centre, radius) = match words.centre {
            Some(Middle::At([i, j])) => (self.turned([Some(i), Some(j), None]), None),
            Some(Middle::Radius(r)) => ([None; 3], Some(r)),
            None => ([None; 3], None),
        };
        for n in 0..self.order.len() {
            let letter = self.order[n];
            let count = match letter {
                b'G' => {
                    if let Some(m) = motion {
                        self.begin_word();
                        let mirrored = file.axes.mirrored();
                        let word = match m {
                            Motion::Rapid => &file.motion.rapid,
                            Motion::Line => &file.motion.line,
                            Motion::Clockwise if mirrored => &file.motion.counter_clockwise,
                            Motion::CounterClockwise if mirrored => &file.motion.clockwise,
                            Motion::Clockwise => &file.motion.clockwise,
                            Motion::CounterClockwise => &file.motion.counter_clockwise,
                            Motion::Cycle(_) => continue,
                        };
                        self.line.extend_from_slice(word.as_bytes());
                    }
                    continue;
                }
                b'X' => axes[0],
                b'Y' => axes[1],
                b'Z' => axes[2],
                b'I' => centre[0],
                b'J' => centre[1],
                b'R' => radius,
                b'F' => {
                    if let Some(f) = feed {
                        self.begin_word();
                        self.line.push(b'F');
                        number::push(&mut self.line, f, self.feed_look);
                    }
                    continue;
                }
                _ => None,
            };
            if let Some(count) = count {
                self.begin_word();
                self.line.push(letter);
                number::push(&mut self.line, count, self.look);
            }
        }
        self.written.moves += 1;
        self.end_line()
    }
}

fn push_whole(line: &mut Vec<u8>, n: u64) {
    number::push(line, n as i64, Look::WHOLE);
}
