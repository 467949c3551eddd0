//! Does what a block says, in the published order of execution (NISTIR 6556, table 8), and tells what the machine would do.

mod arc;
mod comment;
mod cycle;

use super::expression::whole;
use super::lex::{Block, Call};
use super::roles::SpindleCodes;
use super::{Fault, fault};
use crate::file::{
    DialectFile, FeedPer, Lengths, MacroDeed, PathMode, PauseMessage, SpindleSpeed, Through,
};
use grainway_geom::point;
use grainway_pipeline::dialect::{Action, Known, ReadMove};
use grainway_pipeline::motion::Spindle;
use std::ops::ControlFlow;

/// Room for the arithmetic of the comparison itself, mm.
const ARITHMETIC: f64 = 1e-9;
/// The motion in force.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Mode {
    Rapid,
    Line,
    Arc { counter_clockwise: bool },
    Cycle(u16),
}

/// A controller.
pub struct Run<'a> {
    file: &'a DialectFile,
    spindle_codes: SpindleCodes,
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
    /// G code of the path mode in force, in tenths.
    follows: Option<u16>,
    follows_said: bool,
    return_high: bool,
    sticky: cycle::Sticky,
    /// A cutter was changed and nothing has moved since.
    changing: bool,
    /// What was shown to the operator since the last block.
    message: String,
    after_end_said: bool,
}

impl<'a> Run<'a> {
    /// A controller at power-on: nothing known but the published defaults.
    pub fn new(
        file: &'a DialectFile,
        spindle_codes: SpindleCodes,
        receive: &'a mut dyn FnMut(ReadMove) -> ControlFlow<()>,
    ) -> Run<'a> {
        Run {
            file,
            spindle_codes,
            receive,
            stopped: false,
            ended: false,
            line: 0,
            at: Known::default(),
            unit: file.units.only.map_or(1.0, |only| only.unit().mm()),
            unit_said: file.units.only.is_some(),
            absolute: true,
            distance_said: file.always_absolute,
            mode: None,
            feed: None,
            speed: None,
            turning: None,
            selected: None,
            cutter: None,
            length_of: None,
            length_said: false,
            follows: None,
            follows_said: false,
            return_high: file.cycles.as_ref().is_none_or(|c| c.return_low.is_some()),
            sticky: cycle::Sticky::default(),
            changing: false,
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
        if !matches!(event.action, Action::CutterChange | Action::Fault { .. }) {
            self.changing &= !matches!(
                event.action,
                Action::Rapid | Action::Line | Action::Arc { .. } | Action::RetractFull
            );
        }
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

    /// Tells a fault of a sentence.
    pub fn complain(&mut self, code: &'static str, message: impl Into<String>) {
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
        let shown = comment::message_of(text);
        if shown.is_none()
            && let Some(number) = comment::step_of(text)
        {
            self.tell_here(Action::Step { number });
            return;
        }
        if self.speed_at_panel()
            && let Some(rpm) = comment::speed_of(text)
        {
            self.speed = Some(rpm);
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

    /// What 1 means in a word of length, mm.
    fn length(&self) -> f64 {
        match self.file.numbers.lengths {
            Lengths::Decimal => self.unit,
            Lengths::Counts => {
                let digits = match self.unit > 1.0 {
                    true => self.file.numbers.decimals_inch,
                    false => self.file.numbers.decimals_mm,
                };
                self.unit / 10f64.powi(i32::from(digits))
            }
        }
    }

    /// The speed is set by a person, whom a remark tells it.
    fn speed_at_panel(&self) -> bool {
        let spindle = self.file.spindle.as_ref();
        spindle.is_some_and(|s| s.speed == SpindleSpeed::Panel)
    }

    /// Where the axis words point.
    fn target(&self, b: &Block) -> Known {
        let axis = |letter: u8, now: Option<f64>| match b.word(letter) {
            None => now,
            Some(v) if self.absolute => Some(v * self.length()),
            Some(v) => now.map(|n| n + v * self.length()),
        };
        Known {
            x: axis(b'x', self.at.x),
            y: axis(b'y', self.at.y),
            z: axis(b'z', self.at.z),
        }
    }

    /// The order of table 8.
    fn words(&mut self, b: &Block) -> Result<(), Fault> {
        if let Some(call) = b.call {
            return self.call(call);
        }
        self.judge(b)?;
        self.feed_mode(b)?; // 2
        self.take_feed(b)?; // 3
        let speed_before = self.speed;
        self.take_speed(b)?; // 4
        self.select_cutter(b)?; // 5
        self.change_cutter(b)?; // 6
        self.turn_spindle(b, speed_before); // 7
        // 8 coolant: nothing that a cut depends on.
        if b.m[9] == Some(49) {
            return fault(
                "overrides",
                "M49 takes the overrides of feed and speed away from the person at the machine",
            );
        } // 9
        self.dwell(b)?; // 10
        // 11 plane
        if matches!(b.g[2], Some(180 | 190)) {
            return fault("plane", "another plane than XY (G17) is not read");
        }
        self.take_unit(b); // 12
        // 13 cutter radius compensation
        if matches!(b.g[7], Some(410 | 420)) {
            return fault(
                "cutter-compensation",
                "compensation of the cutter's radius by the controller is not read",
            );
        }
        self.take_length(b)?; // 14
        // 15 coordinate system
        if b.g[12].is_some_and(|g| g != 540) {
            return fault("other-origin", "another origin than G54 is not read");
        }
        self.take_path_mode(b)?; // 16
        // 17 distance mode
        if let Some(g) = b.g[3] {
            self.absolute = g == 900;
            self.distance_said = true;
        }
        // 18 return level of cycles
        if let Some(g) = b.g[10] {
            self.return_high = g == 980;
        }
        self.motion(b)?; // 19, 20
        self.stop(b); // 21
        Ok(())
    }

    fn feed_mode(&self, b: &Block) -> Result<(), Fault> {
        match (b.g[5], self.file.numbers.feed_per) {
            (Some(930), _) => fault("inverse-time", "feeds by inverse time (G93) are not read"),
            (Some(940), FeedPer::Second) => fault(
                "feed-mode",
                "G94 makes feeds lengths a minute, and the dialect's (numbers/feed-per) are lengths a second",
            ),
            _ => Ok(()),
        }
    }

    fn take_feed(&mut self, b: &Block) -> Result<(), Fault> {
        let Some(f) = b.word(b'f') else {
            return Ok(());
        };
        if f < 0.0 {
            return fault("bad-value", "a negative feed");
        }
        let per = match self.file.numbers.feed_per {
            FeedPer::Minute => 1.0,
            FeedPer::Second => 60.0,
        };
        self.feed = (f > 0.0).then_some(f * self.unit * per);
        Ok(())
    }

    fn take_speed(&mut self, b: &Block) -> Result<(), Fault> {
        if let Some(s) = b.word(b's') {
            if s < 0.0 {
                return fault("bad-value", "a negative spindle speed");
            }
            self.speed = Some(match self.file.spindle.as_ref().map(|w| w.speed) {
                Some(SpindleSpeed::Percent { of, .. }) if s <= 100.0 => s / 100.0 * of,
                Some(SpindleSpeed::Percent { .. }) => {
                    return fault("bad-value", format!("a spindle speed of {s} per cent"));
                }
                Some(SpindleSpeed::Panel) => {
                    return fault("speed-word", "the speed is set at the panel, not by S");
                }
                _ => s,
            });
        }
        Ok(())
    }

    fn select_cutter(&mut self, b: &Block) -> Result<(), Fault> {
        if let Some(t) = b.word(b't') {
            let Some(n) = whole(t).and_then(|n| u32::try_from(n).ok()) else {
                return fault("bad-value", format!("there is no cutter number {t}"));
            };
            self.selected = Some(n);
        }
        Ok(())
    }

    /// A macro of the controller. What it does else is not known, so it is read at a cutter change only.
    fn call(&mut self, call: Call) -> Result<(), Fault> {
        let number = match call.cutter {
            None => None,
            Some(said) => match said.and_then(whole).and_then(|n| u32::try_from(n).ok()) {
                Some(n) => Some(n),
                None => return fault("bad-macro", "the macro is to be told the cutter's number"),
            },
        };
        match call.does {
            MacroDeed::Change => {
                let Some(n) = number.or(self.selected) else {
                    return fault("bad-macro", "a cutter change that names no cutter");
                };
                self.put_in(n);
            }
            MacroDeed::Measure if !self.changing => {
                return fault(
                    "macro-call",
                    "a macro is called elsewhere than at a cutter change; where the cutter stands after it is not known",
                );
            }
            MacroDeed::Measure => {
                if number.is_some_and(|n| self.cutter != Some(n)) {
                    return fault(
                        "bad-macro",
                        "the macro is told another cutter than the one that is in",
                    );
                }
                self.at = Known::default();
            }
        }
        Ok(())
    }

    fn put_in(&mut self, number: u32) {
        self.cutter = Some(number);
        self.length_said = false;
        self.turning = None;
        self.tell(Known::default(), Action::CutterChange);
        self.changing = true;
    }

    fn change_cutter(&mut self, b: &Block) -> Result<(), Fault> {
        if b.m[6].is_none() {
            return Ok(());
        }
        let Some(n) = self.selected else {
            return fault(
                "missing-word",
                "a cutter change before any cutter was selected by T",
            );
        };
        self.put_in(n);
        Ok(())
    }

    fn turn_spindle(&mut self, b: &Block, speed_before: Option<f64>) {
        match b.m[7] {
            Some(code) => self.turning = self.spindle_codes.turning(code),
            None if self.turning.is_some() && self.speed != speed_before => {}
            None => return,
        }
        self.tell_here(Action::Spindle);
    }

    fn dwell(&mut self, b: &Block) -> Result<(), Fault> {
        if b.g[0] != Some(40) {
            return Ok(());
        }
        let dwell = self.file.dwell.as_ref();
        let Some(time) = b.dwell else {
            let letter = dwell.map_or('P', |d| d.letter);
            return fault("missing-word", format!("G4 needs its time in {letter}"));
        };
        if time < 0.0 {
            return fault("bad-value", "a negative dwell");
        }
        let seconds = time * dwell.map_or(1.0, |d| d.unit.seconds());
        self.tell_here(Action::Dwell { seconds });
        Ok(())
    }

    fn take_unit(&mut self, b: &Block) {
        let Some(g) = b.g[6] else {
            return;
        };
        let before = self.unit;
        self.unit = if matches!(g, 200 | 700) { 25.4 } else { 1.0 };
        self.unit_said = true;
        let changed = (self.unit - before).abs() > ARITHMETIC;
        if changed && b.has(b'f') {
            self.complain(
                "feed-unit",
                "F stands on a line that changes the unit; controllers differ in which unit it has",
            );
        }
    }

    /// Heights then count from the cutter's tip; Z stays as programmed.
    fn take_length(&mut self, b: &Block) -> Result<(), Fault> {
        match b.g[8] {
            Some(430) => {
                let Some(h) = b.word(b'h').and_then(whole).filter(|h| *h >= 0) else {
                    return fault(
                        "missing-word",
                        "G43 needs H with a whole number that is not negative",
                    );
                };
                self.length_of = u32::try_from(h).ok();
                self.length_said = false;
            }
            Some(_) => self.length_of = None,
            None => {}
        }
        Ok(())
    }

    fn take_path_mode(&mut self, b: &Block) -> Result<(), Fault> {
        if let Some(g) = b.g[13] {
            self.follows = Some(g);
            self.follows_said = false;
            if !self.follows_as_declared() {
                self.follows_said = true;
                return fault("path-mode", self.path_mode_wanted());
            }
        }
        Ok(())
    }

    /// The path mode in force is the dialect's; one that has none lets the controller's own be.
    fn follows_as_declared(&self) -> bool {
        match self.file.path_mode {
            None => true,
            Some(PathMode::Exact) => matches!(self.follows, Some(610 | 611)),
            Some(PathMode::Continuous { .. }) => self.follows == Some(640),
        }
    }

    fn path_mode_wanted(&self) -> String {
        let wanted = match self.file.path_mode {
            Some(PathMode::Continuous { .. }) => "continuous (G64)",
            Some(PathMode::Exact) | None => "exact (G61)",
        };
        let now = match self.follows {
            Some(640) => "G64 lets the controller round corners",
            Some(_) => "G61 follows every corner exactly",
            None => "no path mode was said, and the one from before may round corners",
        };
        format!("{now}; the dialect's path mode is {wanted}")
    }

    fn stop(&mut self, b: &Block) {
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
            Some(_) => self.end(),
            None => {}
        }
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
            b'p' => origin || matches!(cycle, Some(820 | 840 | 860 | 880 | 890)),
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
            Some(g @ (280 | 300)) => return self.go_home(b, g),
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
                self.ask_before_cut();
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

    /// What a cut needs besides.
    fn ask_before_cut(&mut self) {
        if !self.follows_said && !self.follows_as_declared() {
            self.follows_said = true;
            self.complain("path-mode", self.path_mode_wanted());
        }
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

    /// G28, G30: only Z has a home that is known, where the dialect says that it is the machine's top.
    fn go_home(&mut self, b: &Block, g: u16) -> Result<(), Fault> {
        let home = self.file.home.filter(|h| h.g.checked_mul(10) == Some(g));
        let (Some(home), false, false, Some(z)) = (home, b.has(b'x'), b.has(b'y'), b.word(b'z'))
        else {
            self.at = Known::default();
            return fault("home", "where the home position lies is not known");
        };
        if home.through == Through::Present && z.abs() > 0.0 {
            self.at.z = None;
            return fault("home", "Z goes home from where it stands; its word is 0");
        }
        if home.through == Through::Named {
            self.ask_modes();
            let to = self.target(b);
            if to.z.is_none() && z.abs() > 0.0 {
                self.at.z = None;
                return fault(
                    "unknown-position",
                    "an increment in Z although it is not known where the cutter stands",
                );
            }
            // From the top, which has no height, it may come down to the point and rise again.
            let now = self.at.z.filter(|z| z.is_finite());
            let lower = now.zip(to.z).is_some_and(|(now, then)| then < now);
            if lower {
                self.complain(
                    "home",
                    "the point on the way home lies lower than the cutter",
                );
            }
            if to.z.is_some() && to.z != self.at.z {
                self.tell(to, Action::Rapid);
            }
        }
        let to = Known {
            z: Some(f64::INFINITY),
            ..self.at
        };
        self.tell(to, Action::RetractFull);
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
