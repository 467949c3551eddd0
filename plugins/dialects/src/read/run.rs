//! Does what a block says, in the published order of execution (NISTIR 6556, table 8), and tells what the machine would do.

use super::expression::whole;
use super::lex::Block;
use super::{Fault, fault};
use crate::file::{Centre, CycleHeights, DialectFile, DwellUnit, FeedPer, PauseMessage};
use grainway_geom::{Point, point};
use grainway_pipeline::dialect::{Action, Known, ReadMove};
use grainway_pipeline::motion::Spindle;
use std::f64::consts::TAU;
use std::ops::ControlFlow;

/// Largest difference between an arc's two radii (3.5.3.2), mm.
const ARC_MM: f64 = 0.002;
/// The same while inches are in force, mm.
const ARC_INCH: f64 = 0.0002 * 25.4;
/// Room for the arithmetic of the comparison itself, mm.
const ARITHMETIC: f64 = 1e-9;
/// An arc may be longer than its dialect's largest sweep by this, mm: its ends were rounded.
const SWEEP_ROUNDING: f64 = 0.02;
/// Most holes of a line, and most pecks of all its holes together; more is a slip of the pen that would never end.
const MOST_REPEATS: i64 = 9_999;

/// The motion in force.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Mode {
    Rapid,
    Line,
    Arc { counter_clockwise: bool },
    Cycle(u16),
}

/// Words of a cycle that stay, mm.
#[derive(Clone, Copy, Debug, Default)]
struct Sticky {
    z: f64,
    r: f64,
    q: Option<f64>,
    dwell: Option<f64>,
}

/// A controller.
pub struct Run<'a> {
    file: &'a DialectFile,
    receive: &'a mut dyn FnMut(ReadMove) -> ControlFlow<()>,
    /// The receiver asked to stop.
    pub stopped: bool,
    /// The program's end was reached.
    pub ended: bool,
    /// The line being done.
    pub line: u64,
    at: Known,
    /// Millimetres in the unit in force.
    unit: f64,
    unit_said: bool,
    absolute: bool,
    distance_said: bool,
    mode: Option<Mode>,
    feed: Option<f64>,
    speed: Option<f64>,
    /// Turning, clockwise or not.
    turning: Option<bool>,
    selected: Option<u32>,
    cutter: Option<u32>,
    /// The cutter whose length is in force (G43 H).
    length_of: Option<u32>,
    length_said: bool,
    return_high: bool,
    sticky: Sticky,
    /// What was shown to the operator since the last block.
    message: String,
    after_end_said: bool,
}

impl<'a> Run<'a> {
    /// A controller at power-on: nothing known but the published defaults.
    pub fn new(
        file: &'a DialectFile,
        receive: &'a mut dyn FnMut(ReadMove) -> ControlFlow<()>,
    ) -> Run<'a> {
        Run {
            file,
            receive,
            stopped: false,
            ended: false,
            line: 0,
            at: Known::default(),
            unit: 1.0,
            unit_said: false,
            absolute: true,
            distance_said: false,
            mode: None,
            feed: None,
            speed: None,
            turning: None,
            selected: None,
            cutter: None,
            length_of: None,
            length_said: false,
            return_high: file.cycles.as_ref().is_none_or(|c| c.return_low.is_some()),
            sticky: Sticky::default(),
            message: String::new(),
            after_end_said: false,
        }
    }

    // ---- telling

    fn spindle(&self) -> Option<Spindle> {
        let rpm = self.speed.filter(|s| *s > 0.0)?;
        self.turning.map(|clockwise| Spindle { rpm, clockwise })
    }

    fn tell(&mut self, to: Known, action: Action) {
        if self.stopped {
            return;
        }
        let event = ReadMove {
            line: self.line,
            from: self.unturned(self.at),
            to: self.unturned(to),
            action: match action {
                Action::Arc {
                    centre,
                    sweep,
                    radius_mismatch,
                } => {
                    let c = self.unturned(Known {
                        x: Some(centre.x),
                        y: Some(centre.y),
                        z: None,
                    });
                    Action::Arc {
                        centre: point(c.x.unwrap_or_default(), c.y.unwrap_or_default()),
                        sweep: if self.file.axes.mirrored() {
                            -sweep
                        } else {
                            sweep
                        },
                        radius_mismatch,
                    }
                }
                other => other,
            },
            feed: self.feed,
            spindle: self.spindle(),
            cutter: self.cutter,
        };
        self.at = to;
        if (self.receive)(event).is_break() {
            self.stopped = true;
        }
    }

    /// A place along the setup's axes, of one along the controller's.
    fn unturned(&self, p: Known) -> Known {
        let along = [p.x, p.y];
        let of = |axis: crate::file::Axis| {
            let (place, sign) = axis.place();
            along[place].map(|v| sign as f64 * v)
        };
        Known {
            x: of(self.file.axes.x),
            y: of(self.file.axes.y),
            z: p.z,
        }
    }

    fn tell_here(&mut self, action: Action) {
        self.tell(self.at, action);
    }

    /// Tells a fault.
    pub fn fault(&mut self, f: Fault) {
        self.tell_here(Action::Fault {
            code: f.code,
            message: f.message,
        });
    }

    fn complain(&mut self, code: &'static str, message: impl Into<String>) {
        self.fault(Fault {
            code,
            message: message.into(),
        });
    }

    /// The program's end: by M2 or M30, or by the second %.
    pub fn end(&mut self) {
        if !self.ended {
            self.ended = true;
            self.tell_here(Action::End);
        }
    }

    // ---- a block

    /// Does a block.
    pub fn block(&mut self, b: &Block) {
        if self.ended {
            if b.says && !self.after_end_said {
                self.after_end_said = true;
                self.complain(
                    "after-end",
                    "words stand after the program's end; some controllers would run them",
                );
            }
            return;
        }
        if b.deletable {
            self.complain(
                "block-delete",
                "whether a line that begins with / runs depends on a switch at the machine",
            );
        }
        self.comment(b);
        if !b.says {
            return;
        }
        if b.moves_origin {
            self.complain(
                "other-origin",
                "a parameter is set that moves an origin or the home position",
            );
        }
        if let Err(f) = self.words(b) {
            self.fault(f);
            // The words of a refused line still say where the programmer thinks the cutter is; without this every later line
            // would be faulty too.
            self.take_targets(b);
        }
        self.message.clear();
    }

    fn comment(&mut self, b: &Block) {
        if !b.has_comment {
            return;
        }
        let text = b.comment.trim();
        let shown = message_of(text);
        if shown.is_none()
            && let Some(number) = step_of(text)
        {
            self.tell_here(Action::Step { number });
            return;
        }
        // What a language of comments says to the person stands in the comments right before the stop.
        let in_comments = self.file.pause.as_ref();
        let in_comments = in_comments.is_some_and(|p| p.message == PauseMessage::Comment);
        if let Some(said) = shown.or(in_comments.then_some(text))
            && self.message.len() < super::KEPT
        {
            if !self.message.is_empty() {
                self.message.push(' ');
            }
            self.message.push_str(said);
        }
    }

    /// Sets the axes that a line names to what it names.
    fn take_targets(&mut self, b: &Block) {
        if b.g[0].is_some() {
            return;
        }
        let to = self.target(b);
        self.at = to;
    }

    /// Where the axis words point.
    fn target(&self, b: &Block) -> Known {
        let axis = |letter: u8, now: Option<f64>| match b.word(letter) {
            None => now,
            Some(v) if self.absolute => Some(v * self.unit),
            Some(v) => now.map(|n| n + v * self.unit),
        };
        Known {
            x: axis(b'x', self.at.x),
            y: axis(b'y', self.at.y),
            z: axis(b'z', self.at.z),
        }
    }

    /// The order of table 8.
    fn words(&mut self, b: &Block) -> Result<(), Fault> {
        self.judge(b)?;
        let unit_before = self.unit;
        // 2 feed mode
        if b.g[5] == Some(930) {
            return fault("inverse-time", "feeds by inverse time (G93) are not read");
        }
        // 3 F
        if let Some(f) = b.word(b'f') {
            if f < 0.0 {
                return fault("bad-value", "a negative feed");
            }
            let per = match self.file.numbers.feed_per {
                FeedPer::Minute => 1.0,
                FeedPer::Second => 60.0,
            };
            self.feed = (f > 0.0).then_some(f * self.unit * per);
        }
        // 4 S
        let speed_before = self.speed;
        if let Some(s) = b.word(b's') {
            if s < 0.0 {
                return fault("bad-value", "a negative spindle speed");
            }
            self.speed = Some(s);
        }
        // 5 T
        if let Some(t) = b.word(b't') {
            let Some(n) = whole(t).and_then(|n| u32::try_from(n).ok()) else {
                return fault("bad-value", format!("there is no cutter number {t}"));
            };
            self.selected = Some(n);
        }
        // 6 M6
        if b.m[6].is_some() {
            let Some(n) = self.selected else {
                return fault(
                    "missing-word",
                    "a cutter change before any cutter was selected by T",
                );
            };
            self.cutter = Some(n);
            self.length_said = false;
            self.turning = None;
            self.tell(Known::default(), Action::CutterChange);
        }
        // 7 spindle
        match b.m[7] {
            Some(5) => {
                self.turning = None;
                self.tell_here(Action::Spindle);
            }
            Some(code) => {
                self.turning = Some(code == 3);
                self.tell_here(Action::Spindle);
            }
            None if self.turning.is_some() && self.speed != speed_before => {
                self.tell_here(Action::Spindle);
            }
            None => {}
        }
        // 8 coolant, 9 overrides: nothing that a cut depends on.
        // 10 dwell
        if b.g[0] == Some(40) {
            let Some(p) = b.word(b'p') else {
                return fault("missing-word", "G4 needs its time in P");
            };
            if p < 0.0 {
                return fault("bad-value", "a negative dwell");
            }
            let seconds = match self.file.dwell.as_ref().map(|d| d.unit) {
                Some(DwellUnit::Milliseconds) => p / 1000.0,
                _ => p,
            };
            self.tell_here(Action::Dwell { seconds });
        }
        // 11 plane
        if matches!(b.g[2], Some(180 | 190)) {
            return fault("plane", "another plane than XY (G17) is not read");
        }
        // 12 units
        if let Some(g) = b.g[6] {
            self.unit = if matches!(g, 200 | 700) { 25.4 } else { 1.0 };
            self.unit_said = true;
            let changed = (self.unit - unit_before).abs() > ARITHMETIC;
            if changed && b.has(b'f') {
                self.complain(
                    "feed-unit",
                    "F stands on a line that changes the unit; controllers differ in which unit it has",
                );
            }
        }
        // 13 cutter radius compensation
        if matches!(b.g[7], Some(410 | 420)) {
            return fault(
                "cutter-compensation",
                "compensation of the cutter's radius by the controller is not read",
            );
        }
        // 14 tool length: heights then count from the cutter's tip; Z stays as programmed.
        if b.g[8] == Some(430) {
            let h = b.word(b'h').and_then(whole).filter(|h| *h >= 0);
            if h.is_none() {
                return fault(
                    "missing-word",
                    "G43 needs H with a whole number that is not negative",
                );
            }
        }
        match b.g[8] {
            Some(430) => {
                let h = b.word(b'h').and_then(whole);
                self.length_of = h.and_then(|h| u32::try_from(h).ok());
                self.length_said = false;
            }
            Some(_) => self.length_of = None,
            None => {}
        }
        // 15 coordinate system
        if b.g[12].is_some_and(|g| g != 540) {
            return fault("other-origin", "another origin than G54 is not read");
        }
        // 17 distance mode
        if let Some(g) = b.g[3] {
            self.absolute = g == 900;
            self.distance_said = true;
        }
        // 18 return level of cycles
        if let Some(g) = b.g[10] {
            self.return_high = g == 980;
        }
        // 19 and 20 motion
        self.motion(b)?;
        // 21 stopping
        match b.m[4] {
            Some(code @ (0 | 1 | 60)) => {
                if code == 1 {
                    self.complain(
                        "optional-stop",
                        "whether M1 stops depends on a switch at the machine",
                    );
                }
                let message = std::mem::take(&mut self.message);
                self.tell(Known::default(), Action::Pause { message });
            }
            Some(_) => {
                self.end();
            }
            None => {}
        }
        Ok(())
    }

    /// Words that nothing on the line uses are errors, as is everything that is not expressly allowed (3.3).
    fn judge(&self, b: &Block) -> Result<(), Fault> {
        for letter in [b'a', b'b', b'c'] {
            if b.has(letter) {
                return fault("rotary", "rotary axes are not read");
            }
        }
        let axes = b.has(b'x') || b.has(b'y') || b.has(b'z');
        let zero = b.g[0];
        let takes_axes = matches!(zero, Some(100 | 280 | 300 | 920));
        if takes_axes && axes && b.g[1].is_some_and(|g| g != 800) {
            return fault("axis-conflict", "two codes on the line use its axis words");
        }
        let mode = match b.g[1] {
            Some(800) => None,
            Some(g) => mode_of(g),
            None if axes && !takes_axes => self.mode,
            None => None,
        };
        let arc = matches!(mode, Some(Mode::Arc { .. }));
        let cycle = match mode {
            Some(Mode::Cycle(g)) => Some(g),
            _ => None,
        };
        let origin = zero == Some(100);
        let used = |letter: u8| match letter {
            b'i' | b'j' => arc || matches!(cycle, Some(870)),
            b'k' => matches!(cycle, Some(870)),
            b'r' => arc || cycle.is_some() || origin,
            b'p' => {
                origin || zero == Some(40) || matches!(cycle, Some(820 | 840 | 860 | 880 | 890))
            }
            b'q' => cycle == Some(830),
            b'l' => cycle.is_some() || origin,
            b'h' => b.g[8] == Some(430),
            b'd' => matches!(b.g[7], Some(410 | 420)),
            _ => true,
        };
        for letter in *b"ijkrpqlhd" {
            if b.has(letter) && !used(letter) {
                return fault(
                    "unused-word",
                    format!(
                        "nothing on the line uses the word {}",
                        char::from(letter).to_ascii_uppercase()
                    ),
                );
            }
        }
        Ok(())
    }

    fn motion(&mut self, b: &Block) -> Result<(), Fault> {
        let axes = b.has(b'x') || b.has(b'y') || b.has(b'z');
        match b.g[0] {
            Some(100 | 920..=923) => {
                return fault("other-origin", "a shifted origin (G10, G92) is not read");
            }
            Some(280 | 300) => {
                self.at = Known::default();
                return fault("home", "where the home position lies is not known");
            }
            _ => {}
        }
        match b.g[1] {
            Some(382) => return fault("probe", "probing is not read"),
            Some(800) => {
                self.mode = None;
                if axes {
                    return fault("unused-word", "axis words on a line that ends motion (G80)");
                }
                return Ok(());
            }
            Some(g @ 840..=890) => {
                return fault("cycle", format!("the cycle G{} is not read", g / 10));
            }
            Some(g) => {
                let mode = mode_of(g);
                if !axes {
                    self.mode = mode;
                    return fault("missing-word", format!("G{} without a coordinate", g / 10));
                }
                let was_cycle = matches!(self.mode, Some(Mode::Cycle(_)));
                let same = self.mode == mode;
                self.mode = mode;
                if let Some(Mode::Cycle(g)) = mode {
                    return self.cycle(b, g, was_cycle, same);
                }
            }
            None if !axes => {
                if b.g[0] == Some(530) {
                    return fault("missing-word", "G53 without a coordinate");
                }
                return Ok(());
            }
            None => {}
        }
        let Some(mode) = self.mode else {
            return fault(
                "no-motion-mode",
                "a coordinate although no motion (G0, G1 …) is in force",
            );
        };
        if b.g[0] == Some(530) {
            return self.machine_coordinates(b, mode);
        }
        if let Mode::Cycle(g) = mode {
            return self.cycle(b, g, true, true);
        }
        self.ask_modes();
        let to = self.target(b);
        match mode {
            Mode::Rapid => {
                self.known_where_needed(b)?;
                self.tell(to, Action::Rapid);
            }
            Mode::Line => {
                self.known_where_needed(b)?;
                self.ask_feed();
                self.tell(to, Action::Line);
            }
            Mode::Arc { counter_clockwise } => self.arc(b, to, counter_clockwise)?,
            Mode::Cycle(_) => {}
        }
        Ok(())
    }

    /// What a program must have said before it moves: what was in force before it is not known.
    fn ask_modes(&mut self) {
        // The language lets any length be in force; a height is only what it says when the length is that of the cutter.
        let lengths = self.file.length_offset.is_some() && self.file.cutter_change.is_some();
        if lengths && !self.length_said && self.cutter.is_some() && self.length_of != self.cutter {
            self.length_said = true;
            let cutter = self.cutter.unwrap_or_default();
            let message = match self.length_of {
                Some(h) => format!("the length H{h} is in force for cutter {cutter}"),
                None => format!("no length (G43 H{cutter}) is in force for cutter {cutter}"),
            };
            self.complain("length-offset", message);
        }
        if !self.unit_said {
            self.unit_said = true;
            self.complain("no-unit", "a move before the unit (G20 or G21) was said");
        }
        if !self.distance_said {
            self.distance_said = true;
            self.complain(
                "no-distance-mode",
                "a move before G90 or G91 was said; what ran before may have left either",
            );
        }
    }

    fn ask_feed(&mut self) {
        if self.feed.is_none() {
            self.complain("no-feed", "a cutting move although no feed was set");
        }
    }

    /// Increments need a place to count from.
    fn known_where_needed(&self, b: &Block) -> Result<(), Fault> {
        let known = [
            (b'x', self.at.x),
            (b'y', self.at.y),
            (b'z', self.at.z.filter(|z| z.is_finite())),
        ];
        for (letter, now) in known {
            if !self.absolute && b.has(letter) && now.is_none() {
                return fault(
                    "unknown-position",
                    format!(
                        "an increment in {} although it is not known where the cutter stands",
                        char::from(letter).to_ascii_uppercase()
                    ),
                );
            }
        }
        Ok(())
    }

    /// G53: only the machine's top can be told without knowing the machine.
    fn machine_coordinates(&mut self, b: &Block, mode: Mode) -> Result<(), Fault> {
        if !matches!(mode, Mode::Rapid | Mode::Line) {
            return fault("axis-conflict", "G53 goes with G0 or G1 only");
        }
        let top = b.word(b'z').is_some_and(|z| z.abs() <= 0.0);
        if mode == Mode::Rapid && top && !b.has(b'x') && !b.has(b'y') {
            let to = Known {
                z: Some(f64::INFINITY),
                ..self.at
            };
            self.tell(to, Action::RetractFull);
            return Ok(());
        }
        for (letter, slot) in [
            (b'x', &mut self.at.x),
            (b'y', &mut self.at.y),
            (b'z', &mut self.at.z),
        ] {
            if b.has(letter) {
                *slot = None;
            }
        }
        fault(
            "machine-coordinates",
            "a move in machine coordinates other than G53 G0 Z0: where it goes is not known",
        )
    }

    // ---- arcs

    fn arc(&mut self, b: &Block, to: Known, counter_clockwise: bool) -> Result<(), Fault> {
        if !b.has(b'x') && !b.has(b'y') {
            return fault("missing-word", "an arc needs X or Y");
        }
        let (by_radius, by_centre) = (b.has(b'r'), b.has(b'i') || b.has(b'j'));
        if by_radius && by_centre {
            return fault("arc-format", "an arc by radius and by centre at once");
        }
        if !by_radius && !by_centre {
            return fault(
                "missing-word",
                "an arc needs its centre (I, J) or its radius (R)",
            );
        }
        let (Some(x0), Some(y0), Some(x1), Some(y1)) = (self.at.x, self.at.y, to.x, to.y) else {
            return fault(
                "unknown-position",
                "an arc although it is not known where the cutter stands",
            );
        };
        let z_moves = b.has(b'z');
        if z_moves && self.at.z.is_none_or(f64::is_infinite) {
            return fault(
                "unknown-position",
                "a helix although it is not known how high the cutter stands",
            );
        }
        let (start, end) = (point(x0, y0), point(x1, y1));
        let limit = if self.unit > 1.0 { ARC_INCH } else { ARC_MM };
        let centre = if by_radius {
            if !self.file.language.radius_arcs {
                return fault("not-in-dialect", "the dialect has no arcs by radius");
            }
            let r = b.word(b'r').unwrap_or_default() * self.unit;
            radius_centre(start, end, r, counter_clockwise, limit)?
        } else {
            let word = |letter| b.word(letter).map(|v| v * self.unit);
            match self.file.arcs.as_ref().map(|a| a.centre) {
                Some(Centre::Absolute) => point(word(b'i').unwrap_or(x0), word(b'j').unwrap_or(y0)),
                _ => {
                    start
                        + point(
                            word(b'i').unwrap_or_default(),
                            word(b'j').unwrap_or_default(),
                        )
                }
            }
        };
        let (r0, r1) = (start.distance(centre), end.distance(centre));
        if r0 <= ARITHMETIC || r1 <= ARITHMETIC {
            return fault("arc-radius", "an arc of radius 0");
        }
        let radius_mismatch = (r0 - r1).abs();
        if radius_mismatch > limit + ARITHMETIC {
            self.complain(
                "arc-radius",
                format!(
                    "start and end of the arc lie {:.4} and {:.4} mm from its centre, {radius_mismatch:.4} mm apart; {limit:.4} mm are allowed",
                    r0, r1
                ),
            );
        }
        let sweep = sweep(start - centre, end - centre, counter_clockwise);
        if let Some(arcs) = &self.file.arcs {
            let rises =
                to.z.zip(self.at.z)
                    .is_some_and(|(a, b)| (a - b).abs() > ARITHMETIC);
            let (helices, full) = (arcs.helices, arcs.full_circles);
            let over = (sweep.abs() - arcs.largest_sweep.to_radians()) * r0;
            if rises && !helices {
                self.complain("helix", "the dialect has no arcs that change Z");
            }
            if TAU - sweep.abs() <= 0.0 && !full {
                self.complain("full-circle", "the dialect has no full circles in one arc");
            } else if over > SWEEP_ROUNDING {
                self.complain(
                    "arc-sweep",
                    format!(
                        "an arc of {:.1} degrees is more than the dialect has",
                        sweep.to_degrees().abs()
                    ),
                );
            }
        }
        self.ask_feed();
        self.tell(
            to,
            Action::Arc {
                centre,
                sweep,
                radius_mismatch,
            },
        );
        Ok(())
    }

    // ---- cycles

    /// G81, G82, G83 as published in 3.5.16.
    fn cycle(&mut self, b: &Block, g: u16, was_cycle: bool, same: bool) -> Result<(), Fault> {
        self.ask_modes();
        self.known_where_needed(b)?;
        let unit = self.unit;
        let repeats = match b.word(b'l') {
            None => 1,
            Some(l) => match whole(l) {
                Some(n) if (1..=MOST_REPEATS).contains(&n) => n,
                _ => return fault("bad-value", format!("a cycle repeated {l} times")),
            },
        };
        let now = self.at.z;
        let counted = self.file.cycles.as_ref().map(|c| c.heights);
        let absolute = self.absolute && counted != Some(CycleHeights::FromStart);
        let r = match b.word(b'r') {
            Some(r) if absolute => r * unit,
            Some(r) => match now.filter(|z| z.is_finite()) {
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
            None if same => self.sticky.q,
            None => None,
        };
        let dwell = match b.word(b'p') {
            Some(p) if p >= 0.0 => Some(p),
            Some(_) => return fault("bad-value", "a negative dwell"),
            None if same => self.sticky.dwell,
            None => None,
        };
        if g == 830 && q.is_none() {
            return fault("missing-word", "G83 needs its peck in Q");
        }
        if g == 820 && dwell.is_none() {
            return fault("missing-word", "G82 needs its dwell in P");
        }
        self.sticky = Sticky { z, r, q, dwell };
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
        self.ask_feed();
        if now.is_some_and(|z| z < r) {
            self.set_z(r, Action::Rapid);
        }
        for _ in 0..repeats {
            let to = Known {
                z: self.at.z,
                ..self.target_xy(b)
            };
            if to.x != self.at.x || to.y != self.at.y || self.at.x.is_none() || self.at.y.is_none()
            {
                self.tell(to, Action::Rapid);
            }
            self.set_z(r, Action::Rapid);
            match (g, q) {
                (830, Some(q)) => self.pecks(r, z, q, clear),
                _ => {
                    self.set_z(z, Action::Line);
                    if let (820, Some(seconds)) = (g, dwell) {
                        self.tell_here(Action::Dwell { seconds });
                    }
                    self.set_z(clear, Action::Rapid);
                }
            }
            if self.stopped {
                break;
            }
        }
        Ok(())
    }

    fn target_xy(&self, b: &Block) -> Known {
        let to = self.target(b);
        Known {
            x: to.x,
            y: to.y,
            z: None,
        }
    }

    /// Straight up or down; nothing when it is there already.
    fn set_z(&mut self, z: f64, action: Action) {
        let there = self
            .at
            .z
            .is_some_and(|now| now.partial_cmp(&z) == Some(std::cmp::Ordering::Equal));
        if !there {
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

fn mode_of(tenths: u16) -> Option<Mode> {
    match tenths {
        0 => Some(Mode::Rapid),
        10 => Some(Mode::Line),
        20 => Some(Mode::Arc {
            counter_clockwise: false,
        }),
        30 => Some(Mode::Arc {
            counter_clockwise: true,
        }),
        810..=890 => Some(Mode::Cycle(tenths)),
        _ => None,
    }
}

/// The centre of an arc by radius: up to half a turn for R > 0, more for R < 0 (3.5.3.1).
fn radius_centre(
    start: Point,
    end: Point,
    r: f64,
    counter_clockwise: bool,
    limit: f64,
) -> Result<Point, Fault> {
    let chord = end - start;
    let half = chord.length() / 2.0;
    if half <= ARITHMETIC {
        return fault(
            "arc-ends-coincide",
            "an arc by radius whose end is its start",
        );
    }
    if half > r.abs() + limit {
        return fault(
            "arc-radius",
            format!(
                "the ends lie {:.4} mm apart, more than twice the radius of {:.4} mm",
                2.0 * half,
                r.abs()
            ),
        );
    }
    let height = (r * r - half * half).max(0.0).sqrt();
    // Seen along the chord the centre of a short counter-clockwise arc lies to the left.
    let left = counter_clockwise == (r > 0.0);
    let normal = chord.left() * (1.0 / (2.0 * half));
    let side = if left { height } else { -height };
    Ok(start.lerp(end, 0.5) + normal * side)
}

/// The signed turn from one direction to another; a full turn when they are the same.
fn sweep(from: Point, to: Point, counter_clockwise: bool) -> f64 {
    let (a, b) = (from.angle(), to.angle());
    let mut d = if counter_clockwise { b - a } else { a - b };
    if d <= 0.0 {
        d += TAU;
    }
    if d <= 0.0 {
        d += TAU;
    }
    if counter_clockwise { d } else { -d }
}

/// The text of a comment that is shown: its first printing characters are "MSG," (3.3.4).
fn message_of(comment: &str) -> Option<&str> {
    let mut wanted = "msg,".chars();
    for (at, c) in comment.char_indices() {
        if c == ' ' || c == '\t' {
            continue;
        }
        let next = wanted.next()?;
        if c.to_ascii_lowercase() != next {
            return None;
        }
        if next == ',' {
            return Some(comment[at + 1..].trim());
        }
    }
    None
}

/// The number of a comment that marks a workingstep.
fn step_of(comment: &str) -> Option<u32> {
    let (mark, rest) = comment.split_at_checked(5)?;
    if !mark.eq_ignore_ascii_case("step ") {
        return None;
    }
    let (number, _) = rest.split_once(':')?;
    number.trim().parse().ok()
}
