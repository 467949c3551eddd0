//! Writes sentences.

use grainway_sdk::{Head, Item, Move, Out, Spindle, Stop, Unit, Written};
use std::f64::consts::PI;
use std::fmt::{self, Write};

/// Largest count that is written: ten digits, far beyond any machine's travel.
const LARGEST: f64 = 9_999_999_999.0;
/// Most that an arc may turn, millionths of a degree: some 27 thousand turns.
const MOST_TURNED: f64 = 9_999_999_999_999.0;
/// An arc of a lesser radius than this is a straight line: rounding would turn it anywhere. mm.
const LEAST_RADIUS: f64 = 0.002;

/// A whole number of counts of the last decimal, printed with its point.
#[derive(Clone, Copy)]
struct Decimal {
    count: i64,
    decimals: u32,
}

impl fmt::Display for Decimal {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let scale = 10u64.pow(self.decimals);
        let (n, sign) = (
            self.count.unsigned_abs(),
            if self.count < 0 { "-" } else { "" },
        );
        let (whole, rest) = (n / scale, n % scale);
        write!(
            f,
            "{sign}{whole}.{rest:0width$}",
            width = self.decimals as usize
        )
    }
}

/// `value` in counts; `None` when it is not a number that can be written.
fn count(value: f64, per_unit: f64) -> Option<i64> {
    let scaled = (value * per_unit).round();
    (scaled.abs() <= LARGEST).then_some(scaled as i64)
}

/// A text on one line, less a full stop at its end: control characters become spaces.
struct Plain<'a>(&'a str);

impl fmt::Display for Plain<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let text = self.0.strip_suffix('.').unwrap_or(self.0);
        for piece in text.split_inclusive(|c: char| c.is_ascii_control()) {
            match piece.strip_suffix(|c: char| c.is_ascii_control()) {
                Some(text) => write!(f, "{text} ")?,
                None => f.write_str(piece)?,
            }
        }
        Ok(())
    }
}

/// The state of a text being written.
pub(crate) struct Writer {
    line: String,
    decimals: u32,
    feed_decimals: u32,
    /// Counts in a millimetre.
    per_mm: f64,
    per_feed: f64,
    safe_z: f64,
    written: Written,
    /// Where the plan has the cutter, mm; not rounded, so that rounding does not add up.
    at: [Option<f64>; 3],
    /// Where the text has it, counts.
    told: [Option<i64>; 3],
    /// It stands at the machine's top.
    top: bool,
    spindle: Option<(i64, bool)>,
    /// A step began and nothing has moved since.
    begun: bool,
    /// A step has begun, so a cutter is in use.
    in_use: bool,
}

fn plan<T>(what: impl Into<String>) -> Result<T, Stop> {
    Err(Stop::refused("", what))
}

impl Writer {
    pub(crate) fn new(head: &Head) -> Result<Writer, Stop> {
        if !head.safe_z.is_finite() {
            return Err(Stop::refused("/safe_z", "the safe height is not finite"));
        }
        let (decimals, feed_decimals) = match head.unit {
            Unit::Mm => (4, 1),
            Unit::Inch => (5, 2),
        };
        let unit_mm = head.unit.mm();
        Ok(Writer {
            line: String::with_capacity(160),
            decimals,
            feed_decimals,
            per_mm: f64::from(10u32.pow(decimals)) / unit_mm,
            per_feed: f64::from(10u32.pow(feed_decimals)) / unit_mm,
            safe_z: head.safe_z,
            written: Written::default(),
            at: [None; 3],
            told: [None; 3],
            top: false,
            spindle: None,
            begun: false,
            in_use: false,
        })
    }

    fn say(&mut self, out: &mut Out<'_>, sentence: fmt::Arguments<'_>) -> Result<(), Stop> {
        self.line.clear();
        self.line
            .write_fmt(sentence)
            .map_err(|_| Stop::Internal("a sentence could not be put together".into()))?;
        out.line(&self.line)
    }

    /// A sentence that moves the cutter.
    fn moves(&mut self, out: &mut Out<'_>, sentence: fmt::Arguments<'_>) -> Result<(), Stop> {
        self.written.moves += 1;
        self.say(out, sentence)
    }

    pub(crate) fn open(&mut self, head: &Head, out: &mut Out<'_>) -> Result<(), Stop> {
        let unit = match head.unit {
            Unit::Mm => "millimetres",
            Unit::Inch => "inches",
        };
        let (name, number) = (Plain(&head.name), head.number);
        self.say(
            out,
            format_args!("program {name}, number {number}, lengths in {unit}."),
        )?;
        for remark in &head.remarks {
            self.note(remark, out)?;
        }
        Ok(())
    }

    pub(crate) fn close(mut self, out: &mut Out<'_>) -> Result<Written, Stop> {
        if self.spindle.is_some() {
            self.turn(None, out)?;
        }
        self.say(out, format_args!("the program is done."))?;
        self.written.lines = out.lines();
        Ok(self.written)
    }

    fn note(&mut self, text: &str, out: &mut Out<'_>) -> Result<(), Stop> {
        self.say(out, format_args!("note: {}.", Plain(text)))
    }

    pub(crate) fn item(&mut self, item: &Item<'_>, out: &mut Out<'_>) -> Result<(), Stop> {
        match *item {
            Item::Step { number, label } => self.step(number, label, out),
            Item::Cutter {
                number,
                label,
                by_hand,
                ..
            } => self.cutter(number, label, by_hand, out),
            Item::Spindle(None) => self.turn(None, out),
            Item::Spindle(Some(Spindle { rpm, clockwise })) => match count(rpm, 1.0) {
                Some(rpm) if rpm > 0 => self.turn(Some((rpm, clockwise)), out),
                _ => plan("a spindle speed that is no number over 0"),
            },
            Item::Pause { message } => {
                if self.spindle.is_some() {
                    self.turn(None, out)?;
                }
                self.say(
                    out,
                    format_args!("wait for the person: {}.", Plain(message)),
                )?;
                self.forget();
                Ok(())
            }
            Item::Dwell { seconds } => match count(seconds, 100.0) {
                Some(0) => Ok(()),
                Some(count) if count > 0 => {
                    let seconds = Decimal { count, decimals: 2 };
                    self.say(out, format_args!("wait {seconds} seconds."))
                }
                _ => plan("a wait that is no time"),
            },
            Item::Label(text) => self.note(text, out),
            Item::RetractFull { .. } => {
                if !self.top {
                    self.moves(out, format_args!("rise to the top."))?;
                }
                self.top = true;
                self.at[2] = None;
                self.told[2] = None;
                Ok(())
            }
            Item::Move(m) => self.any_move(&m, out),
        }
    }

    /// Nothing is known of where the machine stands.
    fn forget(&mut self) {
        self.at = [None; 3];
        self.told = [None; 3];
        self.top = false;
    }

    fn step(&mut self, number: u32, label: &str, out: &mut Out<'_>) -> Result<(), Stop> {
        self.written.restarts.push((number, out.lines() + 1));
        self.say(out, format_args!("step {number}: {}.", Plain(label)))?;
        if self.spindle.is_some() {
            self.turn(self.spindle, out)?;
        }
        self.begun = true;
        self.in_use = true;
        Ok(())
    }

    fn cutter(
        &mut self,
        number: u32,
        label: &str,
        by_hand: bool,
        out: &mut Out<'_>,
    ) -> Result<(), Stop> {
        let label = Plain(label);
        if by_hand {
            if self.in_use {
                return Err(Stop::Unsupported {
                    what: "a cutter change by hand inside a program".into(),
                    remedy: "write one program a cutter".into(),
                });
            }
            return self.say(out, format_args!("cutter {number} is in: {label}."));
        }
        if self.spindle.is_some() {
            self.turn(None, out)?;
        }
        self.say(out, format_args!("put in cutter {number}: {label}."))?;
        self.forget();
        Ok(())
    }

    fn turn(&mut self, spindle: Option<(i64, bool)>, out: &mut Out<'_>) -> Result<(), Stop> {
        self.spindle = spindle;
        match spindle {
            None => self.say(out, format_args!("stop the spindle.")),
            Some((rpm, clockwise)) => {
                let way = if clockwise {
                    "clockwise"
                } else {
                    "counter-clockwise"
                };
                self.say(
                    out,
                    format_args!("turn the spindle {way} at {rpm} a minute."),
                )
            }
        }
    }

    // ---- moves

    fn decimal(&self, count: i64) -> Decimal {
        Decimal {
            count,
            decimals: self.decimals,
        }
    }

    fn length(&self, mm: f64) -> Result<i64, Stop> {
        match count(mm, self.per_mm) {
            Some(count) => Ok(count),
            None => plan("a length that is not finite or far too large"),
        }
    }

    fn feed(&self, feed: f64) -> Result<Decimal, Stop> {
        match count(feed, self.per_feed) {
            Some(count) if count > 0 => Ok(Decimal {
                count,
                decimals: self.feed_decimals,
            }),
            _ => plan("a feed that is no number over 0"),
        }
    }

    /// Notes how far rounding moved a point.
    fn note_rounding(&mut self, mm: &[f64], counts: &[i64]) {
        let mut sum = 0.0;
        for (mm, count) in mm.iter().zip(counts) {
            let d = mm - *count as f64 / self.per_mm;
            sum += d * d;
        }
        self.written.rounding_mm = self.written.rounding_mm.max(sum.sqrt());
    }

    /// Where the cutter stands; cutting from an unknown place makes no sense.
    fn must_stand(&self) -> Result<[f64; 3], Stop> {
        match self.at {
            [Some(x), Some(y), Some(z)] if !self.begun => Ok([x, y, z]),
            _ => plan("a cut before a rapid move has said where the cutter stands"),
        }
    }

    fn any_move(&mut self, m: &Move, out: &mut Out<'_>) -> Result<(), Stop> {
        if !m.is_finite() {
            return plan("a move with a number that is not finite");
        }
        match *m {
            Move::Rapid { to } => self.rapid(to, out),
            Move::Line { to, feed } => {
                self.must_stand()?;
                let feed = self.feed(feed)?;
                self.straight(to, feed, out)
            }
            Move::Arc {
                centre,
                sweep,
                feed,
                ..
            } => {
                let from = self.must_stand()?;
                let feed = self.feed(feed)?;
                self.arc(from, m.end(from), centre, sweep, feed, out)
            }
            Move::Hole {
                at,
                retract,
                bottom,
                peck,
                feed,
            } => {
                let feed = self.feed(feed)?;
                self.hole(at, retract, bottom, peck, feed, out)
            }
        }
    }

    fn height(&mut self, z: f64, out: &mut Out<'_>) -> Result<(), Stop> {
        let count = self.length(z)?;
        if self.told[2] != Some(count) {
            let height = self.decimal(count);
            self.moves(out, format_args!("go to height z {height}."))?;
        }
        self.note_rounding(&[z], &[count]);
        self.at[2] = Some(z);
        self.told[2] = Some(count);
        self.top = false;
        Ok(())
    }

    fn over(&mut self, x: f64, y: f64, out: &mut Out<'_>) -> Result<(), Stop> {
        let counts = [self.length(x)?, self.length(y)?];
        if self.told[..2] != counts.map(Some) {
            let (a, b) = (self.decimal(counts[0]), self.decimal(counts[1]));
            self.moves(out, format_args!("go over to x {a} y {b}."))?;
        }
        self.note_rounding(&[x, y], &counts);
        (self.at[0], self.at[1]) = (Some(x), Some(y));
        (self.told[0], self.told[1]) = (Some(counts[0]), Some(counts[1]));
        Ok(())
    }

    /// Before the first move of a step everything is said anew, so that a run can be taken up there.
    fn begin(&mut self, out: &mut Out<'_>) -> Result<(), Stop> {
        if !self.begun {
            return Ok(());
        }
        self.begun = false;
        self.told[0] = None;
        self.told[1] = None;
        if self.top {
            return self.moves(out, format_args!("rise to the top."));
        }
        self.told[2] = None;
        let z = self.at[2].map_or(self.safe_z, |z| z.max(self.safe_z));
        self.height(z, out)
    }

    /// Up before sideways before down.
    fn rapid(&mut self, to: [f64; 3], out: &mut Out<'_>) -> Result<(), Stop> {
        self.begin(out)?;
        if !self.top && self.at[2].is_none_or(|now| to[2] > now) {
            self.height(to[2], out)?;
        }
        self.over(to[0], to[1], out)?;
        self.height(to[2], out)
    }

    fn stand(&mut self, at: [f64; 3], counts: [i64; 3]) {
        self.note_rounding(&at, &counts);
        self.at = at.map(Some);
        self.told = counts.map(Some);
    }

    fn straight(&mut self, to: [f64; 3], feed: Decimal, out: &mut Out<'_>) -> Result<(), Stop> {
        let c = [
            self.length(to[0])?,
            self.length(to[1])?,
            self.length(to[2])?,
        ];
        if self.told != c.map(Some) {
            let (x, y, z) = (self.decimal(c[0]), self.decimal(c[1]), self.decimal(c[2]));
            self.moves(
                out,
                format_args!("cut straight to x {x} y {y} z {z} at {feed} a minute."),
            )?;
        }
        self.stand(to, c);
        Ok(())
    }

    fn arc(
        &mut self,
        from: [f64; 3],
        to: [f64; 3],
        centre: [f64; 2],
        sweep: f64,
        feed: Decimal,
        out: &mut Out<'_>,
    ) -> Result<(), Stop> {
        let (dx, dy) = (from[0] - centre[0], from[1] - centre[1]);
        let radius = (dx * dx + dy * dy).sqrt();
        if radius < LEAST_RADIUS {
            return self.straight(to, feed, out);
        }
        let c = [
            self.length(to[0])?,
            self.length(to[1])?,
            self.length(to[2])?,
        ];
        let i = [self.length(centre[0])?, self.length(centre[1])?];
        if self.told == c.map(Some) && sweep.abs() < PI {
            // A hair of an arc that vanished.
            self.stand(to, c);
            return Ok(());
        }
        // Millionths of a degree; a long helix turns often.
        let turned = (sweep.abs() * 180.0 / PI * 1e6).round();
        if turned > MOST_TURNED {
            return plan("an arc of far too many turns");
        }
        if turned < 1.0 {
            return self.straight(to, feed, out);
        }
        let turned = Decimal {
            count: turned as i64,
            decimals: 6,
        };
        let way = if sweep > 0.0 { "left" } else { "right" };
        let (x, y, z) = (self.decimal(c[0]), self.decimal(c[1]), self.decimal(c[2]));
        let (cx, cy) = (self.decimal(i[0]), self.decimal(i[1]));
        self.moves(
            out,
            format_args!(
                "cut {way} about x {cx} y {cy} through {turned} degrees to x {x} y {y} z {z} at {feed} a minute."
            ),
        )?;
        self.note_rounding(&centre, &i);
        self.stand(to, c);
        Ok(())
    }

    fn hole(
        &mut self,
        at: [f64; 2],
        retract: f64,
        bottom: f64,
        peck: Option<f64>,
        feed: Decimal,
        out: &mut Out<'_>,
    ) -> Result<(), Stop> {
        let (high, low) = (self.length(retract)?, self.length(bottom)?);
        if low >= high {
            return plan("a hole that goes no deeper than it starts");
        }
        self.begin(out)?;
        if !self.top && self.at[2].is_none_or(|z| z < retract) {
            self.height(retract, out)?;
        }
        let c = [self.length(at[0])?, self.length(at[1])?];
        let (x, y) = (self.decimal(c[0]), self.decimal(c[1]));
        let (from, to) = (self.decimal(high), self.decimal(low));
        match peck {
            None => self.moves(
                out,
                format_args!(
                    "drill at x {x} y {y} from z {from} down to z {to} at {feed} a minute."
                ),
            )?,
            Some(peck) => {
                let Some(peck) = Some(self.length(peck)?).filter(|n| *n > 0) else {
                    return plan("a peck of no depth");
                };
                let peck = self.decimal(peck);
                self.moves(
                    out,
                    format_args!(
                        "drill at x {x} y {y} from z {from} down to z {to} in pecks of {peck} at {feed} a minute."
                    ),
                )?;
            }
        }
        self.note_rounding(&[bottom], &[low]);
        self.top = false;
        self.stand([at[0], at[1], retract], [c[0], c[1], high]);
        Ok(())
    }
}
