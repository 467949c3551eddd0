//! What a controller does with a text, by the report's sections 2 and 3; the first thing that the report forbids ends it.
//!
//! It stands for the report alone. With [`Setting::stranger`] it also asks what a text must say for itself when nothing is known
//! of what the controller did before: unit, plane, distance and feed modes, origin, compensation off, the cutter's length.

use super::Refusal;
use super::line::{Line, Parameters, integer, read};
use std::collections::{BTreeMap, BTreeSet};
use std::f64::consts::TAU;

/// How far an arc's two radii may differ (3.5.3.2), mm.
const RADII_MM: f64 = 0.002;
/// The same while inches are in force, in.
const RADII_INCH: f64 = 0.0002;
/// Room for the arithmetic of comparisons, mm.
const ARITHMETIC: f64 = 1e-9;
/// A peck comes back down to this far above the last bottom, mm. The report says "backed off a bit"; 0.010 in is from memory of
/// the report's interpreter.
const BACK_OFF: f64 = 0.254;
/// The report has a full circle when end and start are the same (3.5.3.2). An arc that ends beside its start in the same direction
/// from the centre, within what a turn shows in single precision (2π / 2²⁴ rad), is a full turn for one controller and nothing for
/// another.
const NO_TURN: f64 = 4e-7;
/// Most M words on a line (3.3.5).
const MOST_M: usize = 4;

/// Position along X, Y, Z in mm; `None` where it is not known, infinite at the machine's top.
pub type Place = [Option<f64>; 3];

/// How a controller is met.
#[derive(Clone, Debug)]
pub struct Setting {
    /// Nothing is known of what ran before, people may move the machine at stops, and a change may take it anywhere.
    pub stranger: bool,
    /// Lengths of the cutters in its table by slot, mm; those that are not here are 0.
    pub lengths: BTreeMap<u32, f64>,
}

/// What happens.
#[derive(Clone, Debug, PartialEq)]
pub enum Did {
    /// A rapid move.
    Rapid,
    /// A cutting line.
    Feed,
    /// A cutting arc about an axis, in the plane's two axes; radians, counter-clockwise positive.
    Arc { centre: [f64; 2], sweep: f64 },
    /// To the machine's top: G53 G0 Z0.
    Top,
    /// M0, M1 or M60.
    Stop,
    /// A message to the operator.
    Message(String),
    /// M6.
    Change,
    /// M3, M4, M5, or another speed while it turns.
    Spindle,
    /// Seconds.
    Dwell(f64),
    /// M2, M30 or the second %.
    End,
}

/// What happens, and what is in force then.
#[derive(Clone, Debug)]
pub struct Event {
    pub line: usize,
    pub from: Place,
    pub to: Place,
    pub did: Did,
    /// mm/min.
    pub feed: f64,
    /// rev/min and whether clockwise.
    pub spindle: Option<(f64, bool)>,
    pub tool: Option<u32>,
}

/// Table 4.
fn g_group(tenths: i64) -> Option<u8> {
    Some(match tenths {
        0 | 10 | 20 | 30 | 382 => 1,
        800 | 810 | 820 | 830 | 840 | 850 | 860 | 870 | 880 | 890 => 1,
        170 | 180 | 190 => 2,
        900 | 910 => 3,
        930 | 940 => 5,
        200 | 210 => 6,
        400 | 410 | 420 => 7,
        430 | 490 => 8,
        980 | 990 => 10,
        540 | 550 | 560 | 570 | 580 | 590 | 591 | 592 | 593 => 12,
        610 | 611 | 640 => 13,
        40 | 100 | 280 | 300 | 530 | 920 | 921 | 922 | 923 => 0,
        _ => return None,
    })
}

/// Table 4; M7 and M8 may be on together (from memory), so M8 has a group of its own here.
fn m_group(code: i64) -> Option<u8> {
    Some(match code {
        0 | 1 | 2 | 30 | 60 => 4,
        6 => 6,
        3..=5 => 7,
        7 | 9 => 8,
        8 => 88,
        48 | 49 => 9,
        _ => return None,
    })
}

/// Does a whole text.
pub fn run(text: &str, setting: &Setting) -> Result<Vec<Event>, Refusal> {
    let mut controller = Controller::new(setting);
    // 3.1: between two lines of %, or up to M2 or M30.
    let (mut framed, mut begun, mut closed) = (false, false, false);
    let mut number = 0;
    for text in text.split_inclusive('\n') {
        number += 1;
        if closed {
            break;
        }
        let text = text.trim_end_matches(['\n', '\r']);
        let at = |r: Refusal| Refusal { line: number, ..r };
        controller.line = number;
        let line = read(text, &controller.parameters).map_err(at)?;
        if line.percent {
            match (begun, framed) {
                (false, _) => framed = true,
                (true, true) => closed = true,
                (true, false) => {
                    return refuse("percent", "a % that no % on the first line announced")
                        .map_err(at);
                }
            }
        } else {
            controller.block(&line).map_err(at)?;
        }
        begun |= !text.trim().is_empty();
    }
    let end = |why: &str| {
        Err(Refusal {
            line: number,
            rule: "end",
            why: why.into(),
        })
    };
    if framed && !closed {
        return end("the second % is missing");
    }
    if !framed && !controller.ended {
        return end("neither M2 nor M30, nor lines of %");
    }
    if !controller.ended {
        controller.tell(controller.at, Did::End);
    }
    Ok(controller.events)
}

fn refuse<T>(rule: &'static str, why: impl Into<String>) -> Result<T, Refusal> {
    Err(Refusal {
        line: 0,
        rule,
        why: why.into(),
    })
}

/// The axes of a plane so that a turn from the first to the second is counter-clockwise seen from the third's positive end
/// (3.5.3), and the letters of the centre's words.
fn plane_axes(plane: i64) -> ([usize; 3], [char; 2]) {
    match plane {
        180 => ([2, 0, 1], ['K', 'I']),
        190 => ([1, 2, 0], ['J', 'K']),
        _ => ([0, 1, 2], ['I', 'J']),
    }
}

const AXES: [char; 3] = ['X', 'Y', 'Z'];

struct Controller<'a> {
    setting: &'a Setting,
    parameters: Parameters,
    events: Vec<Event>,
    line: usize,
    at: Place,
    ended: bool,
    /// Modal groups that the text has set, which a stranger must before it moves.
    said: BTreeSet<u8>,
    /// mm in the unit in force.
    unit: f64,
    plane: i64,
    incremental: bool,
    inverse_time: bool,
    high_return: bool,
    /// Group 1; `None` after G80.
    motion: Option<i64>,
    feed: Option<f64>,
    speed: Option<f64>,
    clockwise: Option<bool>,
    selected: Option<u32>,
    tool: Option<u32>,
    length_of: Option<u32>,
    /// Words of a cycle that stay: R, the bottom, Q, P.
    sticky: [Option<f64>; 4],
}

impl<'a> Controller<'a> {
    fn new(setting: &'a Setting) -> Controller<'a> {
        Controller {
            setting,
            parameters: Parameters::new(),
            events: Vec::new(),
            line: 0,
            at: [None; 3],
            ended: false,
            said: BTreeSet::new(),
            unit: 1.0,
            plane: 170,
            incremental: false,
            inverse_time: false,
            high_return: true,
            motion: None,
            feed: None,
            speed: None,
            clockwise: None,
            selected: None,
            tool: None,
            length_of: None,
            sticky: [None; 4],
        }
    }

    fn tell(&mut self, to: Place, did: Did) {
        self.events.push(Event {
            line: self.line,
            from: self.at,
            to,
            did,
            feed: self.feed.unwrap_or(0.0),
            spindle: self.speed.and_then(|s| self.clockwise.map(|c| (s, c))),
            tool: self.tool,
        });
        self.at = to;
    }

    fn lose_place(&mut self, did: Did) {
        let to = if self.setting.stranger {
            [None; 3]
        } else {
            self.at
        };
        self.tell(to, did);
    }

    fn block(&mut self, line: &Line) -> Result<(), Refusal> {
        if self.ended {
            // 3.6.1: nothing after the end runs; a text that goes on means something else than it says.
            return match line.is_idle() {
                true => Ok(()),
                false => refuse("after-end", "words after the program's end"),
            };
        }
        if line.deletable && self.setting.stranger {
            return refuse("block-delete", "whether the line runs depends on a switch");
        }
        let (g, m) = codes(line)?;
        self.needs(line, &g)?;
        // Table 8. 1 comment: the last of a line counts (3.3.5); its first printing characters may be MSG, (3.3.4).
        if let Some(text) = line.comments.last().and_then(|c| message(c)) {
            self.tell(self.at, Did::Message(text));
        }
        // 2 feed mode
        if let Some(mode) = g.get(&5) {
            let inverse = *mode == 930;
            if inverse != self.inverse_time {
                self.feed = None;
            }
            self.inverse_time = inverse;
        }
        // 3 feed
        if let Some(f) = line.word('F') {
            if f < 0.0 {
                return refuse("feed", "a negative feed");
            }
            self.feed = Some(f * self.unit);
        }
        // 4 speed
        let before = self.speed;
        if let Some(s) = line.word('S') {
            if s < 0.0 {
                return refuse("speed", "a negative speed");
            }
            self.speed = Some(s);
        }
        // 5 tool
        if let Some(t) = line.word('T') {
            match integer(t) {
                Some(n) if n >= 0 => self.selected = Some(n as u32),
                _ => return refuse("tool", format!("there is no slot {t}")),
            }
        }
        // 6 change; the spindle stands afterwards
        if m.contains_key(&6) {
            if self.selected.is_none() {
                return refuse("tool", "M6 and no T before it");
            }
            self.tool = self.selected;
            self.clockwise = None;
            self.lose_place(Did::Change);
        }
        // 7 spindle
        match m.get(&7) {
            Some(5) => {
                self.clockwise = None;
                self.tell(self.at, Did::Spindle);
            }
            Some(code) => {
                if self.speed.is_none() {
                    return refuse("speed", "the spindle starts and no S was said");
                }
                self.clockwise = Some(*code == 3);
                self.tell(self.at, Did::Spindle);
            }
            None if self.clockwise.is_some() && before != self.speed => {
                self.tell(self.at, Did::Spindle);
            }
            None => {}
        }
        // 8 coolant, 9 overrides: no motion. 10 dwell
        if g.get(&0) == Some(&40) {
            match line.word('P') {
                Some(p) if p >= 0.0 => self.tell(self.at, Did::Dwell(p)),
                Some(_) => return refuse("dwell", "a negative dwell"),
                None => return refuse("missing-word", "G4 without P"),
            }
        }
        // 11 plane
        if let Some(plane) = g.get(&2) {
            self.plane = *plane;
        }
        // 12 unit
        if let Some(unit) = g.get(&6) {
            let now = if *unit == 200 { 25.4 } else { 1.0 };
            if (now - self.unit).abs() > 0.1 && line.has('F') && self.setting.stranger {
                return refuse(
                    "unit",
                    "a feed on the line that changes its unit (table 8: F first)",
                );
            }
            self.unit = now;
        }
        // 13 cutter radius
        if matches!(g.get(&7), Some(410 | 420)) {
            return refuse(
                "cutter-radius",
                "the controller offsets the path, which is not followed here",
            );
        }
        // 14 cutter length: the place gets another number, nothing moves
        match g.get(&8) {
            Some(430) => {
                let slot = line.word('H').and_then(integer).filter(|h| *h >= 0);
                let Some(slot) = slot else {
                    return refuse("missing-word", "G43 needs H and a slot number");
                };
                self.lengthen(Some(slot as u32));
            }
            Some(_) => self.lengthen(None),
            None => {}
        }
        // 15 origin
        if g.get(&12).is_some_and(|g| *g != 540) {
            return refuse(
                "origin",
                "another origin than that of G54 is not followed here",
            );
        }
        // 16 path mode: no motion. 17 distance
        if let Some(mode) = g.get(&3) {
            self.incremental = *mode == 910;
        }
        // 18 return
        if let Some(mode) = g.get(&10) {
            self.high_return = *mode == 980;
        }
        self.said.extend(g.keys());
        // 19 home and origins
        match g.get(&0) {
            Some(280 | 300) => return refuse("home", "where home lies is not known here"),
            Some(100 | 920..=923) => {
                return refuse("origin", "a shifted origin is not followed here");
            }
            _ => {}
        }
        // 20 motion
        self.motion(line, &g)?;
        // 21 stop
        match m.get(&4) {
            Some(2 | 30) => {
                self.ended = true;
                self.clockwise = None;
                self.tell(self.at, Did::End);
            }
            Some(_) => self.lose_place(Did::Stop),
            None => {}
        }
        self.parameters.extend(line.settings.iter().copied());
        Ok(())
    }

    fn lengthen(&mut self, slot: Option<u32>) {
        let length = |slot: Option<u32>| {
            slot.and_then(|s| self.setting.lengths.get(&s).copied())
                .unwrap_or(0.0)
        };
        let by = length(self.length_of) - length(slot);
        if self.setting.stranger && self.length_of != slot {
            // The lengths are the machine's own.
            self.at[2] = self.at[2].filter(|z| z.is_infinite());
        }
        self.at[2] = self.at[2].map(|z| z + by);
        self.length_of = slot;
    }

    /// A word that nothing on the line uses is not expressly allowed (3.3), so an error.
    fn needs(&self, line: &Line, g: &BTreeMap<u8, i64>) -> Result<(), Refusal> {
        let axes = AXES.iter().any(|a| line.has(*a));
        for rotary in ['A', 'B', 'C'] {
            if line.has(rotary) {
                return refuse("rotary", format!("the axis {rotary}"));
            }
        }
        let zero = g.get(&0).copied();
        let by_zero = matches!(zero, Some(100 | 280 | 300 | 920));
        let explicit = g.get(&1).copied();
        // Below table 4: both may not use the axis words of one line.
        if by_zero && axes && explicit.is_some_and(|g| g != 800) {
            return refuse("two-use-axes", "two codes use the line's axis words");
        }
        let motion = explicit.or(self.motion.filter(|_| axes && !by_zero));
        let cycle = motion.filter(|m| (810..=890).contains(m));
        let arc = matches!(motion, Some(20 | 30));
        let uses = |letter: char| match letter {
            'I' | 'J' | 'K' => {
                (arc && plane_letters(self, g).contains(&letter)) || cycle == Some(870)
            }
            'R' => arc || cycle.is_some() || zero == Some(100),
            'P' => {
                matches!(zero, Some(40 | 100)) || matches!(cycle, Some(820 | 840 | 860 | 880 | 890))
            }
            'Q' => cycle == Some(830),
            'L' => cycle.is_some() || zero == Some(100),
            'H' => g.get(&8) == Some(&430),
            'D' => matches!(g.get(&7), Some(410 | 420)),
            _ => true,
        };
        for letter in ['I', 'J', 'K', 'R', 'P', 'Q', 'L', 'H', 'D'] {
            if line.has(letter) && !uses(letter) {
                return refuse("unused-word", format!("nothing uses {letter}"));
            }
        }
        Ok(())
    }

    // ---- motion

    fn motion(&mut self, line: &Line, g: &BTreeMap<u8, i64>) -> Result<(), Refusal> {
        let axes = AXES.iter().any(|a| line.has(*a));
        let before = self.motion;
        match g.get(&1) {
            Some(800) => {
                self.motion = None;
                return match axes {
                    true => refuse("axes-without-motion", "axis words beside G80"),
                    false => Ok(()),
                };
            }
            Some(code) => {
                if !axes {
                    return refuse("missing-word", "a motion without an axis word");
                }
                self.motion = Some(*code);
            }
            None if !axes => {
                return match g.get(&0) {
                    // From memory: the report's interpreter asks for them too.
                    Some(530) => refuse("missing-word", "G53 without an axis word"),
                    _ => Ok(()),
                };
            }
            None => {}
        }
        let Some(motion) = self.motion else {
            return refuse("axes-without-motion", "axis words and no motion mode");
        };
        if g.get(&0) == Some(&530) {
            return self.machine_coordinates(line, motion);
        }
        self.introduced()?;
        if motion >= 810 {
            return self.cycle(line, motion, before);
        }
        if motion == 382 {
            return refuse("probe", "probing is not followed here");
        }
        let to = self.target(line)?;
        if motion == 0 {
            self.tell(to, Did::Rapid);
            return Ok(());
        }
        let arc = match motion {
            10 => None,
            _ => Some(self.arc(line, to, motion == 30)?),
        };
        self.feed_known(line, arc, to)?;
        match arc {
            None => self.tell(to, Did::Feed),
            Some((centre, sweep)) => self.tell(to, Did::Arc { centre, sweep }),
        }
        Ok(())
    }

    /// What a stranger must have said before it moves.
    fn introduced(&self) -> Result<(), Refusal> {
        let groups = [
            (6, "the unit"),
            (2, "the plane"),
            (3, "the distance mode"),
            (5, "the feed mode"),
            (12, "the origin"),
            (7, "that the cutter's radius is not compensated"),
        ];
        if !self.setting.stranger {
            return Ok(());
        }
        for (group, what) in groups {
            if !self.said.contains(&group) {
                return refuse(
                    "unsaid-mode",
                    format!("the text moves before it says {what}"),
                );
            }
        }
        if self.tool.is_some() && self.length_of != self.tool {
            return refuse(
                "cutter-length",
                "another cutter's length is in force, or none",
            );
        }
        Ok(())
    }

    /// From memory: the report's interpreter refuses to cut at no feed. G93 wants F on every cutting line (3.5.19).
    fn feed_known(
        &mut self,
        line: &Line,
        arc: Option<([f64; 2], f64)>,
        to: Place,
    ) -> Result<(), Refusal> {
        if self.inverse_time {
            let Some(f) = line.word('F').filter(|f| *f > 0.0) else {
                return refuse("feed", "inverse time and no F on the line");
            };
            let d = |k: usize| Some(to[k]? - self.at[k]?);
            let straight = || Some(d(0)?.hypot(d(1)?).hypot(d(2)?));
            let length = match arc {
                None => straight(),
                Some((c, sweep)) => {
                    let (axes, _) = plane_axes(self.plane);
                    let r = |k: usize| Some(self.at[axes[k]]? - c[k]);
                    (|| Some((r(0)?.hypot(r(1)?) * sweep).hypot(d(axes[2])?)))()
                }
            };
            self.feed = length.map(|l| l * f);
        }
        match self.feed {
            Some(f) if f > 0.0 => Ok(()),
            _ => refuse("feed", "a cutting move and no feed"),
        }
    }

    /// Where the axis words point (3.5.17).
    fn target(&self, line: &Line) -> Result<Place, Refusal> {
        let mut to = self.at;
        for (k, letter) in AXES.into_iter().enumerate() {
            let Some(v) = line.word(letter) else { continue };
            let v = v * self.unit;
            to[k] = match (self.incremental, self.at[k].filter(|z| z.is_finite())) {
                (false, _) => Some(v),
                (true, Some(now)) => Some(now + v),
                (true, None) => {
                    return refuse("place", format!("an increment from an unknown {letter}"));
                }
            };
        }
        Ok(to)
    }

    /// 3.5.12. Only the machine's top lies at a known place.
    fn machine_coordinates(&mut self, line: &Line, motion: i64) -> Result<(), Refusal> {
        if motion != 0 && motion != 10 {
            return refuse("g53", "G53 goes with G0 or G1");
        }
        let straight_up = line.word('Z').is_some_and(|z| z.abs() < ARITHMETIC);
        if motion != 0 || !straight_up || line.has('X') || line.has('Y') {
            return refuse("g53", "only G53 G0 Z0 leads to a known place");
        }
        let mut to = self.at;
        to[2] = Some(f64::INFINITY);
        self.tell(to, Did::Top);
        Ok(())
    }

    /// 3.5.3: centre and signed turn.
    fn arc(
        &self,
        line: &Line,
        to: Place,
        counter_clockwise: bool,
    ) -> Result<([f64; 2], f64), Refusal> {
        let ([a, b, normal], letters) = plane_axes(self.plane);
        if !line.has(AXES[a]) && !line.has(AXES[b]) {
            return refuse("missing-word", "an arc without an axis word of its plane");
        }
        let has_centre = letters.iter().any(|l| line.has(*l));
        if has_centre == line.has('R') {
            return refuse(
                "missing-word",
                "an arc needs its centre or its radius, one of them",
            );
        }
        let (Some(a0), Some(b0), Some(a1), Some(b1)) = (self.at[a], self.at[b], to[a], to[b])
        else {
            return refuse("place", "an arc from an unknown place");
        };
        if line.has(AXES[normal]) && self.at[normal].is_none_or(f64::is_infinite) {
            return refuse("place", "a helix from an unknown height");
        }
        if [a0, b0].iter().any(|v| v.is_infinite()) {
            return refuse("place", "an arc from an unknown place");
        }
        let limit = if self.unit > 1.0 {
            RADII_INCH * 25.4
        } else {
            RADII_MM
        };
        let centre = match line.word('R') {
            None => {
                let offset = |k: usize| line.word(letters[k]).unwrap_or(0.0) * self.unit;
                [a0 + offset(0), b0 + offset(1)]
            }
            Some(r) => {
                // Half the chord and the centre's distance from it are two sides of a right triangle.
                let (r, da, db) = (r * self.unit, (a1 - a0) / 2.0, (b1 - b0) / 2.0);
                let half = da.hypot(db);
                if half < ARITHMETIC {
                    return refuse("arc", "an arc by radius that ends where it starts");
                }
                if half > r.abs() + limit {
                    return refuse("arc", "the ends lie farther apart than the diameter");
                }
                let height = (r * r - half * half).max(0.0).sqrt() / half;
                // Seen from start to end the centre of a counter-clockwise arc of at most half a turn lies to the left.
                let side = if counter_clockwise == (r > 0.0) {
                    height
                } else {
                    -height
                };
                [a0 + da - db * side, b0 + db + da * side]
            }
        };
        let (from, end) = (
            [a0 - centre[0], b0 - centre[1]],
            [a1 - centre[0], b1 - centre[1]],
        );
        let (r0, r1) = (from[0].hypot(from[1]), end[0].hypot(end[1]));
        if r0 < ARITHMETIC || r1 < ARITHMETIC {
            return refuse("arc", "an arc without a radius");
        }
        if (r0 - r1).abs() > limit + ARITHMETIC {
            return refuse("arc-radii", format!("radii of {r0} and {r1} mm"));
        }
        let cross = from[0] * end[1] - from[1] * end[0];
        let dot = from[0] * end[0] + from[1] * end[1];
        let turn = cross.atan2(dot).rem_euclid(TAU);
        let same = (a1 - a0).abs() < ARITHMETIC && (b1 - b0).abs() < ARITHMETIC;
        if !same && (turn < NO_TURN || TAU - turn < NO_TURN) {
            return refuse("arc-turn", "nothing, or a whole turn");
        }
        Ok((
            centre,
            match (counter_clockwise, same) {
                (true, true) => TAU,
                (false, true) => -TAU,
                (true, false) => turn,
                (false, false) => turn - TAU,
            },
        ))
    }

    /// 3.5.16.
    fn cycle(&mut self, line: &Line, motion: i64, before: Option<i64>) -> Result<(), Refusal> {
        if !matches!(motion, 810 | 820 | 830 | 850 | 890) {
            return refuse("cycle", "this cycle is not followed here");
        }
        if self.inverse_time {
            return refuse("cycle", "a cycle in inverse time");
        }
        let ([a, b, normal], _) = plane_axes(self.plane);
        let was_cycle = before.is_some_and(|m| m >= 810);
        if !was_cycle {
            self.sticky = [None; 4];
        } else if before != Some(motion) {
            // Pecks and dwells belong to one cycle.
            (self.sticky[2], self.sticky[3]) = (None, None);
        }
        let times = match line.word('L').map(|l| (integer(l), l)) {
            None => 1,
            Some((Some(n), _)) if n > 0 => n,
            Some((_, l)) => return refuse("cycle", format!("{l} repeats")),
        };
        let old = self.at[normal];
        let (unit, incremental) = (self.unit, self.incremental);
        if let Some(r) = line.word('R') {
            let base = if incremental {
                old.filter(|z| z.is_finite())
            } else {
                Some(0.0)
            };
            let Some(base) = base else {
                return refuse("place", "an increment from an unknown height");
            };
            self.sticky[0] = Some(base + r * unit);
        }
        let Some(r) = self.sticky[0] else {
            return refuse("missing-word", "a cycle without R");
        };
        if let Some(z) = line.word(AXES[normal]) {
            self.sticky[1] = Some(z * unit + if incremental { r } else { 0.0 });
        }
        let Some(bottom) = self.sticky[1] else {
            return refuse("missing-word", "a cycle without its depth");
        };
        if r < bottom {
            return refuse("cycle", "R lies below the bottom");
        }
        if let Some(q) = line.word('Q') {
            self.sticky[2] = Some(q * unit);
        }
        if let Some(p) = line.word('P') {
            self.sticky[3] = Some(p);
        }
        let peck = match (motion, self.sticky[2]) {
            (830, Some(q)) if q > 0.0 => q,
            (830, _) => return refuse("missing-word", "G83 without a peck Q above 0"),
            _ => f64::INFINITY,
        };
        let dwell = match (motion, self.sticky[3]) {
            (820 | 890, Some(p)) if p >= 0.0 => Some(p),
            (820 | 890, _) => return refuse("missing-word", "a cycle that dwells without P"),
            _ => None,
        };
        self.feed_known(line, None, self.at)?;
        let Some(old) = old else {
            return refuse("place", "a cycle from an unknown height");
        };
        let clear = if self.high_return { old.max(r) } else { r };
        // Once, when the cutter is below R; then for each repeat.
        if old < r {
            self.along(normal, r, Did::Rapid);
        }
        for _ in 0..times {
            let mut to = self.target(line)?;
            to[normal] = self.at[normal];
            if to[a].is_none() || to[b].is_none() {
                return refuse("place", "a hole at an unknown place");
            }
            if to != self.at {
                self.tell(to, Did::Rapid);
            }
            self.along(normal, r, Did::Rapid);
            let mut deep = 0.0;
            loop {
                deep += peck;
                let next = (r - deep).max(bottom);
                // A last peck of nothing but arithmetic is none.
                let next = if next - bottom < ARITHMETIC {
                    bottom
                } else {
                    next
                };
                self.along(normal, next, Did::Feed);
                let last = next <= bottom;
                if let (true, Some(seconds)) = (last, dwell) {
                    self.tell(self.at, Did::Dwell(seconds));
                }
                let out = if matches!(motion, 850 | 890) {
                    Did::Feed
                } else {
                    Did::Rapid
                };
                self.along(normal, clear, out);
                if last {
                    break;
                }
                self.along(normal, (next + BACK_OFF).min(r), Did::Rapid);
            }
        }
        Ok(())
    }

    /// Along one axis; nothing when the cutter is there.
    fn along(&mut self, axis: usize, to: f64, did: Did) {
        if self.at[axis].is_none_or(|now| (now - to).abs() > 0.0) {
            let mut place = self.at;
            place[axis] = Some(to);
            self.tell(place, did);
        }
    }
}

/// The centre letters of the plane that will be in force when the line moves (table 8: plane before motion).
fn plane_letters(c: &Controller<'_>, g: &BTreeMap<u8, i64>) -> [char; 2] {
    plane_axes(g.get(&2).copied().unwrap_or(c.plane)).1
}

/// G and M codes by modal group: one of each, four M at most, every other letter once (3.3.5).
type Codes = (BTreeMap<u8, i64>, BTreeMap<u8, i64>);
fn codes(line: &Line) -> Result<Codes, Refusal> {
    let (mut g, mut m) = (BTreeMap::new(), BTreeMap::new());
    let (mut once, mut m_words) = (BTreeSet::new(), 0);
    for (letter, value) in &line.words {
        match letter {
            'G' => {
                let code = integer(value * 10.0);
                let Some((code, group)) = code.and_then(|c| Some((c, g_group(c)?))) else {
                    return refuse("code", format!("there is no G{value}"));
                };
                if g.insert(group, code).is_some() {
                    return refuse(
                        "modal-group",
                        format!("a second code of group {group}: G{value}"),
                    );
                }
            }
            'M' => {
                m_words += 1;
                let code = integer(*value);
                let Some((code, group)) = code.and_then(|c| Some((c, m_group(c)?))) else {
                    return refuse("code", format!("there is no M{value}"));
                };
                if m.insert(group, code).is_some() || m.contains_key(&88) && m.get(&8) == Some(&9) {
                    return refuse("modal-group", format!("a second code of a group: M{value}"));
                }
            }
            other => {
                if !once.insert(*other) {
                    return refuse("letter-twice", format!("{other} stands twice"));
                }
            }
        }
    }
    if m_words > MOST_M {
        return refuse("m-words", format!("{m_words} M words"));
    }
    Ok((g, m))
}

/// The text after MSG, (3.3.4): any case, spaces allowed.
fn message(comment: &str) -> Option<String> {
    let mut left = comment.chars();
    for wanted in ['M', 'S', 'G', ','] {
        let next = left.by_ref().find(|c| !matches!(c, ' ' | '\t'))?;
        if next.to_ascii_uppercase() != wanted {
            return None;
        }
    }
    Some(left.as_str().trim().to_string())
}
