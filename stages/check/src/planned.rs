//! As planned: the text's motions are the plan's, as curves in order, within 0.005 mm
//! (or what a language of whole units needs: half a unit along each axis).
//!
//! A dialect may say one planned move in several blocks (circles split, cycles expanded, helices as chords); so the text is walked
//! along the planned curves rather than compared move by move. Feeds, speeds, pauses and cutters are compared as well.

use super::figures::mm;
use super::messages::{Extent, says};
use grainway_geom::{Point, Point3, Segment};
use grainway_pipeline::dialect::{
    Action, CoarseAbout, Dialect, DialectAbout, Known, ProgramHead, ReadMove,
};
use grainway_pipeline::doc::Unit;
use grainway_pipeline::finding::{Finding, code};
use grainway_pipeline::motion::{Item, Move, Spindle};
use grainway_pipeline::tolerance::TEXT_AGAINST_PLAN_MM;
use grainway_pipeline::work::{Setup, Verdict, VerdictFigure};

/// Feeds and speeds may differ by this share through rounding.
const RATE_SHARE: f64 = 0.005;
/// … and by this much, mm/min or rev/min: a feed in inches with one decimal.
const RATE_LEAST: f64 = 1.5;

fn rate_room(v: f64) -> f64 {
    (v.abs() * RATE_SHARE).max(RATE_LEAST)
}

/// A rate is another than the planned one, which may be rounded down to whole numbers of `step`.
fn differs(rate: f64, planned: f64, step: f64) -> bool {
    let slower = rate < planned && planned - rate < step;
    (rate - planned).abs() > rate_room(planned) && !slower
}

/// Waits are written to hundredths of a second.
const WAIT_S: f64 = 0.011;

/// Between pecks a text comes down fast to at most this above the depth reached, mm (common practice, no source).
const BACK_OFF_MM: f64 = 1.0;

/// Chords of a pen language may lie this far from their arc, mm; its rounding comes on top.
const PEN_CHORD_MM: f64 = 0.002;

/// A planned thing that the text must do.
#[derive(Clone, Debug)]
enum Wanted {
    /// Rapid; an axis that is `None` is not known to the plan either.
    Rapid(Known),
    /// Up to the machine's top, or at least to this height.
    Retract(f64),
    /// A cut along a curve with heights at its ends.
    Cut { curve: Curve, feed: f64 },
    /// A drilled hole from its retract height.
    Hole {
        at: Point,
        retract: f64,
        bottom: f64,
        peck: Option<f64>,
        feed: f64,
    },
    /// The machine waits for the person, who reads this.
    Pause(String),
    /// Waits, s.
    Dwell(f64),
    /// The spindle turns or stands.
    Spindle(Option<Spindle>),
    /// A cutter.
    Cutter(u32),
}

/// Rounding may turn the order of two places on an arc round that lie this near to each other, mm: a unit of the coarsest language.
const HAIR_MM: f64 = 0.025;

/// How far the ends of many arcs may have slid along the planned one against the sum of their sweeps, mm.
const SLIDES_MM: f64 = 0.05;

/// A curve of space: a path in XY with a height that changes evenly along it. Arcs may turn more than once.
#[derive(Clone, Copy, Debug)]
enum Curve {
    Line {
        from: Point3,
        to: Point3,
    },
    Arc {
        from: Point3,
        centre: Point,
        sweep: f64,
        dz: f64,
    },
}

impl Curve {
    /// It goes sideways and changes its height.
    fn slants(&self) -> bool {
        let dz = match *self {
            Curve::Line { from, to } => to.z - from.z,
            Curve::Arc { dz, .. } => dz,
        };
        dz.abs() > 0.0 && self.length() > dz.abs() * (1.0 + 1e-9)
    }
    fn at(&self, t: f64) -> Point3 {
        match *self {
            Curve::Line { from, to } => {
                if t >= 1.0 {
                    to
                } else {
                    from.xy()
                        .lerp(to.xy(), t)
                        .at_z(from.z + (to.z - from.z) * t)
                }
            }
            Curve::Arc {
                from,
                centre,
                sweep,
                dz,
            } => (centre + (from.xy() - centre).rotated(sweep * t)).at_z(from.z + dz * t),
        }
    }
    fn length(&self) -> f64 {
        match *self {
            Curve::Line { from, to } => from.xy().distance(to.xy()).hypot(to.z - from.z),
            Curve::Arc {
                from,
                centre,
                sweep,
                dz,
            } => (from.xy().distance(centre) * sweep.abs()).hypot(dz),
        }
    }
    /// The share of an arc at which `p` lies, near `rough`. The text's own sweeps only tell which turn it is: each differs from the
    /// planned one by the rounding of its centre, and over many turns that would add up.
    fn share_near(&self, p: Point3, rough: f64) -> f64 {
        let Curve::Arc {
            from,
            centre,
            sweep,
            ..
        } = *self
        else {
            return rough;
        };
        let turn = std::f64::consts::TAU / sweep.abs();
        let angle = (p.xy() - centre).angle() - (from.xy() - centre).angle();
        let share = angle / sweep;
        let near = share + turn * ((rough - share) / turn).round();
        // A circle of nearly no radius has no angles.
        if (near - rough).abs() * self.length() <= SLIDES_MM {
            near
        } else {
            rough
        }
    }
    /// How far along it `p` lies, at or after `after`.
    fn share(&self, p: Point3, after: f64) -> f64 {
        match *self {
            Curve::Line { from, to } => {
                let d = [to.x - from.x, to.y - from.y, to.z - from.z];
                let n: f64 = d.iter().map(|v| v * v).sum();
                if n <= 0.0 {
                    return 1.0;
                }
                let dot = (p.x - from.x) * d[0] + (p.y - from.y) * d[1] + (p.z - from.z) * d[2];
                (dot / n).clamp(after, 1.0)
            }
            Curve::Arc {
                from,
                centre,
                sweep,
                ..
            } => {
                let here = (from.xy() - centre).rotated(sweep * after);
                let turn = (p.xy() - centre).angle() - here.angle();
                let along = if sweep > 0.0 {
                    turn.rem_euclid(std::f64::consts::TAU)
                } else {
                    (-turn).rem_euclid(std::f64::consts::TAU)
                };
                // A hair before the place where it stands is no full turn.
                let hair = (HAIR_MM / from.xy().distance(centre)).clamp(1e-6, 0.5);
                let along = if along > std::f64::consts::TAU - hair {
                    0.0
                } else {
                    along
                };
                (after + along / sweep.abs()).min(1.0)
            }
        }
    }
}

/// A place for people; axes that are not known are left out.
fn place(k: Known) -> String {
    let axes = [("X", k.x), ("Y", k.y), ("Z", k.z)];
    let known: Vec<String> = axes
        .iter()
        .filter_map(|(n, v)| v.map(|v| format!("{n}{}", mm(v))))
        .collect();
    known.join(" ")
}

fn distance(a: Point3, b: Point3) -> f64 {
    a.xy().distance(b.xy()).hypot(a.z - b.z)
}

/// What the text of one program is to do.
pub struct PlannedMotions {
    wanted: Vec<(Wanted, u32)>,
    /// Labels of steps, for findings; the second of each pair above is an index into it.
    labels: Vec<String>,
    /// rev/min in force at each wanted thing; 0 when it stands.
    rpm: Vec<f64>,
    /// Where a stopped run can be taken up: the step's number, and what is wanted next.
    starts: Vec<(u32, usize)>,
}

impl PlannedMotions {
    /// From the items that the program's text was written from.
    pub fn new(items: impl Iterator<Item = Item>) -> PlannedMotions {
        let mut plan = PlannedMotions {
            wanted: Vec::new(),
            labels: vec![String::new()],
            rpm: Vec::new(),
            starts: Vec::new(),
        };
        let mut at = Known::default();
        let mut rpm = 0.0;
        for item in items {
            match item {
                Item::Step(s) => {
                    plan.labels.push(s.label);
                    plan.starts.push((s.number, plan.wanted.len()));
                }
                Item::Cutter(c) => {
                    // A change by hand is the person's, before the text begins; the text need not say it.
                    if !c.by_hand {
                        plan.push(Wanted::Cutter(c.number), rpm);
                        at = Known::default();
                    }
                }
                Item::Spindle(s) => {
                    rpm = s.map_or(0.0, |s| s.rpm);
                    plan.push(Wanted::Spindle(s), rpm);
                }
                Item::Pause { message } => {
                    plan.push(Wanted::Pause(message), rpm);
                    at = Known::default();
                }
                Item::Dwell { seconds } => plan.push(Wanted::Dwell(seconds), rpm),
                Item::Label(_) => {}
                Item::RetractFull { safe_z } => {
                    plan.push(Wanted::Retract(safe_z), rpm);
                    at.z = Some(safe_z);
                }
                Item::Move(m) => at = plan.push_move(m, at, rpm),
            }
        }
        plan
    }
    fn push(&mut self, wanted: Wanted, rpm: f64) {
        self.wanted.push((wanted, self.labels.len() as u32 - 1));
        self.rpm.push(rpm);
    }
    fn push_move(&mut self, m: Move, at: Known, rpm: f64) -> Known {
        match m {
            Move::Rapid { to } => {
                self.push(Wanted::Rapid(to.into()), rpm);
                to.into()
            }
            Move::Line { to, feed } => {
                let from = at.point().unwrap_or(to);
                let curve = Curve::Line { from, to };
                self.push(Wanted::Cut { curve, feed }, rpm);
                to.into()
            }
            Move::Arc {
                centre,
                sweep,
                dz,
                feed,
            } => {
                let Some(from) = at.point() else {
                    return at;
                };
                let curve = Curve::Arc {
                    from,
                    centre,
                    sweep,
                    dz,
                };
                self.push(Wanted::Cut { curve, feed }, rpm);
                m.end(from).into()
            }
            Move::Hole {
                at: hole,
                retract,
                bottom,
                peck,
                feed,
            } => {
                let here = Known {
                    x: Some(hole.x),
                    y: Some(hole.y),
                    z: at.z,
                };
                self.push(Wanted::Rapid(here), rpm);
                self.push(Wanted::Rapid(hole.at_z(retract).into()), rpm);
                self.push(
                    Wanted::Hole {
                        at: hole,
                        retract,
                        bottom,
                        // A peck as deep as the hole is no peck.
                        peck: peck.filter(|q| *q < retract - bottom),
                        feed,
                    },
                    rpm,
                );
                hole.at_z(retract).into()
            }
        }
    }
}

/// The language shows the person what a pause is for. Found out by writing one and reading it back: some write no messages.
pub(super) fn shows_messages(dialect: &dyn Dialect, unit: Unit) -> bool {
    let (Some(reader), true) = (dialect.reader(), dialect.about().pauses) else {
        return true;
    };
    let head = ProgramHead {
        name: "pause".to_string(),
        number: 1,
        remarks: Vec::new(),
        unit,
        safe_z: SAFE_Z_MM,
    };
    let retract = || Item::RetractFull { safe_z: SAFE_Z_MM };
    let message = "Look at the wood".to_string();
    let mut items = [retract(), Item::Pause { message }, retract()].into_iter();
    let mut text = Vec::new();
    if dialect.write(&head, &mut items, &mut text).is_err() {
        return true;
    }
    let mut mute = false;
    reader.read(&mut text.as_slice(), &mut |m| {
        mute |= matches!(m.action, Action::Pause { message } if message.trim().is_empty());
        std::ops::ControlFlow::Continue(())
    });
    !mute
}

/// A safe height for a text that is written to see how a language pauses, mm.
const SAFE_Z_MM: f64 = 50.0;

/// Walks the text along the plan.
pub(super) struct Comparison {
    plan: PlannedMotions,
    /// The next wanted thing, and how far along it the text is.
    next: usize,
    share: f64,
    /// Deepest so far in a hole.
    deepest: f64,
    /// Depth of the hole before.
    last_depth: f64,
    /// Lifted out of the hole since it was drilled deeper.
    lifted: bool,
    /// How far above the depth that was reached the text comes down fast between pecks, once it did.
    back_off: Option<f64>,
    /// Where the text's last rapid ended, when nothing but waits came after it.
    stands: Option<Known>,
    /// The spindle's state as the text has it.
    turns: Option<Spindle>,
    /// The language shows messages in pauses.
    shown: bool,
    /// The text goes to the machine's own top where the plan retracts.
    to_top: bool,
    /// Rapids of the text not yet compared.
    rapids: Vec<(Known, u64)>,
    worst: f64,
    length: f64,
    wrong: Option<(u64, String, u32)>,
    /// How far the text may lie from the plan, mm.
    near: f64,
    /// Feeds are rounded down to whole numbers of this, mm/min.
    feed_step: f64,
    /// Spindle speeds are rounded down and waits up to whole numbers of these.
    coarse: CoarseAbout,
    /// The text falls in steps of this height, straight down and along, where the plan ramps, mm; `None` where it ramps itself.
    stairs: Option<f64>,
    /// The language says these itself.
    spindle: bool,
    last_line: u64,
    /// Steps that the text has begun.
    begun: usize,
}

impl Comparison {
    pub(super) fn new(plan: PlannedMotions, about: &DialectAbout, shown: bool) -> Comparison {
        Comparison {
            plan,
            next: 0,
            share: 0.0,
            deepest: f64::INFINITY,
            last_depth: f64::INFINITY,
            lifted: true,
            back_off: None,
            stands: None,
            turns: None,
            shown,
            to_top: false,
            rapids: Vec::new(),
            worst: 0.0,
            length: 0.0,
            wrong: None,
            near: about.pen.map_or(TEXT_AGAINST_PLAN_MM, |pen| {
                // Half a unit along each axis that the text says.
                let axes: f64 = if pen.heights { 3.0 } else { 2.0 };
                let corner = 0.5 * axes.sqrt() * pen.unit_mm + PEN_CHORD_MM;
                corner.max(TEXT_AGAINST_PLAN_MM)
            }),
            feed_step: about.pen.map_or(0.0, |pen| pen.feed_step),
            coarse: about.coarse.unwrap_or_default(),
            stairs: about.pen.filter(|pen| pen.heights).map(|pen| pen.unit_mm),
            spindle: about.spindle,
            last_line: 0,
            begun: 0,
        }
    }
    /// The next thing that the text does.
    pub(super) fn next(&mut self, m: &ReadMove) {
        if self.wrong.is_some() {
            return;
        }
        self.last_line = m.line;
        self.to_top |= m.to.z == Some(f64::INFINITY);
        match m.action {
            Action::Rapid | Action::RetractFull => self.rapid(m),
            Action::Line | Action::Arc { .. } => self.cut(m),
            Action::Pause { ref message } => self.pause(m, message),
            Action::CutterChange => self.cutter(m),
            Action::Spindle => self.spindle(m),
            Action::Dwell { seconds } => self.dwell(m, seconds),
            Action::End => {
                self.settle_rapids(m.line);
                self.ended(m.line);
            }
            Action::Fault { code, .. } => self.fail(m.line, format!("is not legal ({code})")),
            Action::Step { number } => self.begins(m.line, number),
        }
    }
    /// A step begins: the plan's next, with all that stands before it done and nothing of its own begun.
    fn begins(&mut self, line: u64, number: u32) {
        let next = self.plan.starts.get(self.begun).copied();
        self.begun += 1;
        let Some((wanted, from)) = next.filter(|(n, _)| *n == number) else {
            return self.fail(line, format!("begins cut {number} where the plan does not"));
        };
        let waits = |w: &Wanted| match w {
            Wanted::Cut { curve, .. } => curve.length() > self.vanishes(),
            Wanted::Rapid(_) | Wanted::Retract(_) => false,
            w => !self.unsaid(w),
        };
        let undone = self.plan.wanted.get(self.next..from);
        let at_once = undone.is_some_and(|u| !u.iter().any(|(w, _)| waits(w)));
        if !at_once {
            self.fail(line, format!("begins cut {wanted} at another place"));
        }
    }
    /// What a language that does not switch the spindle leaves out.
    fn unsaid(&self, wanted: &Wanted) -> bool {
        !self.spindle && matches!(wanted, Wanted::Spindle(_) | Wanted::Dwell(_))
    }
    fn pause(&mut self, m: &ReadMove, message: &str) {
        self.settle_rapids(m.line);
        (self.stands, self.turns) = (None, m.spindle);
        if matches!(self.wanted(), Some(Wanted::Cutter(_))) {
            // A change by hand is a pause as well; the plan's cutter comes with it.
            self.next += 1;
            if matches!(self.wanted(), Some(Wanted::Pause(_))) {
                self.next += 1;
            }
            return;
        }
        match self.wanted() {
            Some(Wanted::Pause(wanted)) => {
                let right = if self.shown {
                    says(message, wanted, Extent::Whole)
                } else {
                    message.trim().is_empty()
                };
                if right {
                    self.next += 1;
                } else {
                    let what = format!("says \"{message}\" in a pause that is to say \"{wanted}\"");
                    self.fail(m.line, what);
                }
            }
            Some(Wanted::Spindle(_) | Wanted::Dwell(_)) => {
                self.fail(m.line, "pauses before the spindle stands".into());
            }
            _ => self.fail(m.line, "pauses where the plan does not".into()),
        }
    }
    fn cutter(&mut self, m: &ReadMove) {
        self.settle_rapids(m.line);
        (self.stands, self.turns) = (None, None);
        match (self.wanted().cloned(), m.cutter) {
            (Some(Wanted::Cutter(n)), Some(k)) if n == k => self.next += 1,
            (Some(Wanted::Cutter(n)), _) => {
                self.fail(m.line, format!("puts in another cutter than number {n}"));
            }
            (Some(Wanted::Spindle(_) | Wanted::Dwell(_)), _) => {
                self.fail(
                    m.line,
                    "changes the cutter before the spindle stands".into(),
                );
            }
            _ => self.fail(m.line, "changes the cutter where the plan does not".into()),
        }
    }
    /// Restating what is in force says nothing.
    fn spindle(&mut self, m: &ReadMove) {
        let step = self.coarse.speed_step;
        let same = |a: Option<Spindle>, b: Option<Spindle>| match (a, b) {
            (None, None) => true,
            (Some(a), Some(b)) => a.clockwise == b.clockwise && !differs(a.rpm, b.rpm, step),
            _ => false,
        };
        if same(m.spindle, self.turns) {
            return;
        }
        self.settle_rapids(m.line);
        self.turns = m.spindle;
        match self.wanted() {
            Some(Wanted::Spindle(w)) if same(m.spindle, *w) => self.next += 1,
            _ => {
                let what = match m.spindle {
                    Some(s) => format!("runs the spindle at {} rev/min", mm(s.rpm)),
                    None => "stops the spindle".to_string(),
                };
                self.fail(m.line, format!("{what} where the plan does not"));
            }
        }
    }
    fn dwell(&mut self, m: &ReadMove, seconds: f64) {
        self.settle_rapids(m.line);
        match self.wanted() {
            Some(Wanted::Dwell(w))
                if (-WAIT_S..=WAIT_S.max(self.coarse.wait_step)).contains(&(seconds - w)) =>
            {
                self.next += 1;
            }
            Some(Wanted::Dwell(w)) => {
                let what = format!("waits {} s instead of {} s", mm(seconds), mm(*w));
                self.fail(m.line, what);
            }
            _ => self.fail(
                m.line,
                format!("waits {} s where the plan does not", mm(seconds)),
            ),
        }
    }
    /// Cuts no longer than this may vanish from a text by the rounding of their ends, mm.
    fn vanishes(&self) -> f64 {
        2.0 * self.near
    }
    fn wanted(&self) -> Option<&Wanted> {
        self.plan.wanted.get(self.next).map(|w| &w.0)
    }
    fn fail(&mut self, line: u64, what: String) {
        let label = self
            .plan
            .wanted
            .get(self.next.min(self.plan.wanted.len().saturating_sub(1)))
            .map_or(0, |w| w.1);
        self.wrong.get_or_insert((line, what, label));
    }
    fn rapid(&mut self, m: &ReadMove) {
        // A rounded peck may end a hair above the hole's bottom; the controller then takes one more, of almost nothing.
        if self.rapids.is_empty()
            && let Some((
                Wanted::Hole {
                    at,
                    retract,
                    bottom,
                    ..
                },
                _,
            )) = self
                .next
                .checked_sub(1)
                .map(|i| self.plan.wanted[i].clone())
            && m.to
                .z
                .is_some_and(|z| z < retract - self.near && z >= bottom)
            && self.at_hole(m, at)
        {
            self.next -= 1;
            self.length -= retract - bottom;
            self.deepest = self.last_depth;
        }
        if let Some(Wanted::Hole {
            at,
            retract,
            bottom,
            ..
        }) = self.wanted().cloned()
            && (self.deepest.is_finite() || self.at_hole(m, at))
        {
            self.settle_rapids(m.line);
            if let Some(Wanted::Hole { peck, .. }) = self.wanted().cloned() {
                self.in_hole(m, at, [retract, bottom], peck);
                return;
            }
        }
        self.rapids.push((m.to, m.line));
    }
    /// Everything known of the move lies on the hole's axis, after the rapids before it are dealt with.
    fn at_hole(&self, m: &ReadMove, at: Point) -> bool {
        self.rapids.is_empty()
            && m.to.x.is_some_and(|x| (x - at.x).abs() <= self.near)
            && m.to.y.is_some_and(|y| (y - at.y).abs() <= self.near)
    }
    fn in_hole(&mut self, m: &ReadMove, at: Point, [retract, bottom]: [f64; 2], peck: Option<f64>) {
        let Some(to) = m.to.point() else {
            self.fail(m.line, "moves with an unknown position".into());
            return;
        };
        let off = to.xy().distance(at);
        self.worst = self.worst.max(off.min(1.0));
        if off > self.near {
            self.fail(
                m.line,
                format!("leaves the axis of a hole by {} mm", mm(off)),
            );
            return;
        }
        self.stands = None;
        if let Some(what) = self.peck(m, to.z, [retract, bottom], peck) {
            self.fail(m.line, what);
            return;
        }
        self.deepest = self.deepest.min(to.z);
        if to.z >= retract - self.near {
            let by = (self.deepest - bottom).abs();
            if by <= self.near {
                self.worst = self.worst.max(by);
                self.length += retract - bottom;
                self.last_depth = std::mem::replace(&mut self.deepest, f64::INFINITY);
                self.next += 1;
            } else if by > self.near && self.deepest < bottom {
                self.fail(m.line, format!("drills {} mm deeper than planned", mm(by)));
            }
            // Otherwise a peck was lifted out; the hole goes on.
        }
    }
    /// What is wrong with a move along a hole's axis to the height `z`: pecks are as deep as planned, the cutter is lifted out after each,
    /// and comes down fast only to where it drilled.
    fn peck(
        &mut self,
        m: &ReadMove,
        z: f64,
        [retract, bottom]: [f64; 2],
        peck: Option<f64>,
    ) -> Option<String> {
        let reached = self.deepest.min(retract);
        if matches!(m.action, Action::Rapid | Action::RetractFull) {
            if z >= retract - self.near {
                self.lifted = true;
                return None;
            }
            let above = z - reached;
            let same = self.back_off.is_none_or(|b| (b - above).abs() <= self.near);
            self.back_off.get_or_insert(above);
            let right = same && (0.0..=BACK_OFF_MM).contains(&above) && self.lifted;
            return (!right).then(|| format!("moves fast to Z{} in a hole", mm(z)));
        }
        let deeper = reached - z;
        if deeper <= self.near {
            return None;
        }
        let lifted = std::mem::replace(&mut self.lifted, false);
        if !lifted {
            return Some("drills on without lifting the drill out of the hole".to_string());
        }
        let wanted = peck.unwrap_or(retract - bottom);
        // The last peck takes what is left.
        let last = (z - bottom).abs() <= self.near && deeper <= wanted + self.near;
        ((deeper - wanted).abs() > self.near && !last).then(|| {
            format!(
                "drills {} mm in one go where the plan drills {} mm",
                mm(deeper),
                mm(wanted)
            )
        })
    }
    /// The planned stops of rapids up to the next thing of another kind, each with the least height where that is all that counts.
    fn wanted_stops(&mut self) -> Vec<(Known, f64)> {
        let mut want = Vec::new();
        while let Some(w) = self.wanted() {
            match w {
                Wanted::Rapid(k) => want.push((*k, f64::INFINITY)),
                Wanted::Retract(z) => want.push((
                    Known {
                        z: Some(*z),
                        ..Known::default()
                    },
                    *z,
                )),
                w if self.unsaid(w) => {}
                _ => break,
            }
            self.next += 1;
        }
        want
    }
    /// Compares the rapids of the text with those of the plan up to the next planned thing of another kind.
    fn settle_rapids(&mut self, line: u64) {
        let want = self.wanted_stops();
        let got = std::mem::take(&mut self.rapids);
        // The text's stops must be the plan's, in order; stops that repeat the one before say nothing.
        let (mut i, mut j) = (0, 0);
        let mut last = self.stands;
        while j < got.len() {
            let (k, at) = got[j];
            if let Some(w) = want.get(i) {
                if self.same_stop(k, w) {
                    i += 1;
                    j += 1;
                    last = Some(k);
                    continue;
                }
                // A planned stop that is where the text already stands.
                if last.is_some_and(|l| self.same_stop(l, w)) {
                    i += 1;
                    continue;
                }
            }
            if last.is_some_and(|l| l == k) {
                j += 1;
                continue;
            }
            // A point that the machine passes on its way up to the top.
            let on_the_way =
                |n: &(Known, u64)| n.0.z == Some(f64::INFINITY) && (n.0.x, n.0.y) == (k.x, k.y);
            if k.z.is_some_and(f64::is_finite) && got.get(j + 1).is_some_and(on_the_way) {
                j += 1;
                continue;
            }
            // Height first, then sideways: one planned stop said in two moves.
            let partial = want.get(i).is_some_and(|w| {
                let near = |a: Option<f64>, b: Option<f64>| match (a, b) {
                    (Some(a), Some(b)) => (a - b).abs() <= self.near,
                    _ => true,
                };
                (near(k.z, w.0.z) || k.z == Some(f64::INFINITY))
                    && got.get(j + 1).is_some_and(|n| self.same_stop(n.0, w))
            });
            if partial {
                j += 1;
                continue;
            }
            self.fail(
                at,
                match want.get(i) {
                    Some((w, _)) => format!(
                        "moves fast to {} where the plan goes to {}",
                        place(k),
                        place(*w)
                    ),
                    None => format!("moves fast to {} where the plan does not", place(k)),
                },
            );
            return;
        }
        while i < want.len() {
            if last.is_none_or(|l| !self.same_stop(l, &want[i])) && !self.implied(&want[i], last) {
                self.fail(line, "lacks a rapid move of the plan".into());
                return;
            }
            i += 1;
        }
        self.stands = last;
    }
    fn same_stop(&self, k: Known, want: &(Known, f64)) -> bool {
        // An axis that the plan leaves open may be anything; one that the text does not know is not where the plan wants it.
        let near = |a: Option<f64>, b: Option<f64>| match (a, b) {
            (_, None) => true,
            (Some(a), Some(b)) => (a - b).abs() <= self.near,
            (None, Some(_)) => false,
        };
        let (w, top) = *want;
        if top.is_finite() {
            // The machine's own top, or the safe height where the text does not say "top".
            return match self.to_top {
                true => k.z == Some(f64::INFINITY),
                false => near(k.z, Some(top)),
            };
        }
        near(k.x, w.x) && near(k.y, w.y) && near(k.z, w.z)
    }
    /// A planned stop that needs no move of the text: it stands there since its last cut.
    fn implied(&self, want: &(Known, f64), last: Option<Known>) -> bool {
        last.is_none() && !want.1.is_finite() && {
            let end = self.plan.wanted[..self.next]
                .iter()
                .rev()
                .find_map(|w| match &w.0 {
                    Wanted::Cut { curve, .. } => Some(curve.at(1.0)),
                    Wanted::Hole { at, retract, .. } => Some(at.at_z(*retract)),
                    _ => None,
                });
            end.is_some_and(|e| self.same_stop(e.into(), want))
        }
    }
    fn cut(&mut self, m: &ReadMove) {
        self.settle_rapids(m.line);
        self.stands = None;
        if self.wrong.is_some() {
            return;
        }
        let (Some(from), Some(to)) = (m.from.point(), m.to.point()) else {
            self.fail(m.line, "cuts from an unknown position".into());
            return;
        };
        // Planned cuts shorter than the tolerance, and such rests of longer ones, may have vanished in rounding.
        let said = match m.action {
            Action::Arc { centre, sweep, .. } => from.xy().distance(centre) * sweep.abs(),
            _ => distance(from, to),
        };
        while let Some(Wanted::Cut { curve, .. }) = self.wanted() {
            let rest = curve.length() * (1.0 - self.share);
            // A stair has steps that end near its end.
            let stair = self.stairs.is_some() && curve.slants();
            let elsewhere = !stair && distance(curve.at(1.0), to) > self.near;
            if rest > self.vanishes() || !(elsewhere || said > rest + self.vanishes()) {
                break;
            }
            self.next += 1;
            self.share = 0.0;
        }
        let rpm = self.plan.rpm.get(self.next).copied().unwrap_or(0.0);
        match self.wanted().cloned() {
            Some(Wanted::Hole {
                at,
                retract,
                bottom,
                peck,
                feed,
            }) => {
                self.rates(m, feed, rpm, false);
                self.in_hole(m, at, [retract, bottom], peck);
            }
            Some(Wanted::Cut { curve, feed }) => {
                let step = self.is_step(from, to);
                self.rates(
                    m,
                    feed,
                    rpm,
                    step || self.stairs.is_some() && curve.slants(),
                );
                let beside = distance(to, curve.at(self.share));
                match step && beside <= self.near {
                    // It goes no farther along the curve.
                    true => self.worst = self.worst.max(beside),
                    false => self.along(m, from, to, curve),
                }
            }
            Some(Wanted::Pause(_)) => self.fail(m.line, "cuts before a planned pause".into()),
            Some(Wanted::Spindle(_) | Wanted::Dwell(_)) => {
                self.fail(m.line, "cuts before the spindle is at its speed".into());
            }
            Some(Wanted::Cutter(n)) => {
                // Where cutters are changed by hand, each text has its own and need not say so.
                if m.cutter.is_none_or(|k| k == n) {
                    self.next += 1;
                    self.cut(m);
                } else {
                    self.fail(m.line, format!("cuts with another cutter than number {n}"));
                }
            }
            Some(Wanted::Rapid(_) | Wanted::Retract(_)) => {
                self.fail(m.line, "cuts where the plan moves fast".into());
            }
            None => {
                if distance(from, to) > self.near {
                    self.fail(m.line, "cuts after the plan has ended".into());
                }
            }
        }
    }
    fn along(&mut self, m: &ReadMove, from: Point3, to: Point3, curve: Curve) {
        let start = self.share;
        let end = match (m.action.clone(), curve) {
            (Action::Arc { sweep, .. }, Curve::Arc { sweep: planned, .. }) => {
                let rough = start + sweep / planned;
                curve.share_near(to, rough).clamp(start, 1.0 + 1e-3)
            }
            _ => curve.share(to, start),
        };
        let path = match m.action {
            Action::Arc { centre, sweep, .. } => Segment::Arc {
                a: from.xy(),
                b: to.xy(),
                centre,
                radius: from.xy().distance(centre),
                sweep,
            },
            _ => Segment::Line {
                a: from.xy(),
                b: to.xy(),
            },
        };
        let rest = curve.length() * (1.0 - end);
        let done = end >= 1.0
            || distance(curve.at(1.0), to) <= self.near
                && self.last_step(to.z, curve)
                && (end > 1.0 - 1e-2 || rest <= self.vanishes());
        let end = if done { 1.0 } else { end };
        let mut off = 0.0_f64;
        for i in 0..=4 {
            let t = f64::from(i) / 4.0;
            let text = path.at(t).at_z(from.z + (to.z - from.z) * t);
            off = off.max(distance(text, curve.at(start + (end - start) * t)));
        }
        self.worst = self.worst.max(off.min(10.0));
        self.length += curve.length() * (end - start);
        if off > self.near {
            self.fail(m.line, format!("leaves the planned path by {} mm", mm(off)));
            return;
        }
        if done {
            self.share = 0.0;
            self.next += 1;
        } else {
            self.share = end;
        }
    }
    /// The text goes straight down or up by one step of a stair.
    fn is_step(&self, from: Point3, to: Point3) -> bool {
        self.stairs.is_some_and(|step| {
            from.xy().distance(to.xy()) <= 0.0 && (to.z - from.z).abs() < 1.5 * step
        })
    }
    /// The text has come down the last step of a stair to a height.
    fn last_step(&self, z: f64, curve: Curve) -> bool {
        let step = self.stairs.filter(|_| curve.slants());
        step.is_none_or(|step| (curve.at(1.0).z - z).abs() <= 0.5 * step + 1e-9)
    }
    /// The feed and the speed are the planned ones; on stairs the feed may be slower.
    fn rates(&mut self, m: &ReadMove, feed: f64, rpm: f64, stairs: bool) {
        let step = if stairs { feed } else { self.feed_step };
        if m.feed.is_none_or(|f| differs(f, feed, step)) {
            let got = m.feed.map_or("no feed".to_string(), mm);
            self.fail(
                m.line,
                format!("cuts at a feed of {got} instead of {} mm/min", mm(feed)),
            );
        }
        if self.spindle
            && rpm > 0.0
            && m.spindle
                .is_none_or(|s| differs(s.rpm, rpm, self.coarse.speed_step))
        {
            let got = m.spindle.map_or(0.0, |s| s.rpm);
            self.fail(
                m.line,
                format!(
                    "runs the spindle at {} instead of {} rev/min",
                    mm(got),
                    mm(rpm)
                ),
            );
        }
    }
    /// Nothing of the plan may be left. Cutters and tiny cuts may stand at the very end.
    fn ended(&mut self, line: u64) {
        let rest = &self.plan.wanted[self.next.min(self.plan.wanted.len())..];
        let missing = rest.iter().position(|(w, _)| match w {
            Wanted::Cut { curve, .. } => curve.length() > self.vanishes(),
            Wanted::Hole { .. } | Wanted::Pause(_) => true,
            Wanted::Spindle(_) | Wanted::Dwell(_) => !self.unsaid(w),
            _ => false,
        });
        if let Some(i) = missing {
            self.next += i;
            self.fail(line, "ends before the plan does".to_string());
        }
    }
    /// What came of it.
    pub(super) fn verdict(mut self, setup: &Setup, name: &str) -> Verdict {
        if self.wrong.is_none() {
            self.settle_rapids(self.last_line);
            self.ended(self.last_line);
        }
        // A language without remarks says of no step where it begins.
        let missed = self.plan.starts.get(self.begun);
        if let Some((number, _)) = missed.filter(|_| self.begun > 0) {
            self.fail(
                self.last_line,
                format!("does not say where cut {number} begins"),
            );
        }
        let figure = |what: &str, value: f64, unit: &str, limit: Option<f64>| VerdictFigure {
            layer: "as-planned".to_string(),
            what: what.to_string(),
            value: (value * 1e6).round() / 1e6,
            unit: unit.to_string(),
            limit,
            exact: true,
        };
        let figures = vec![
            figure(
                "greatest distance of the text from the plan",
                self.worst,
                "mm",
                Some(self.near),
            ),
            figure("length of cuts compared", self.length, "mm", None),
        ];
        let findings: Vec<Finding> = self
            .wrong
            .map(|(line, what, label)| {
                let label = self
                    .plan
                    .labels
                    .get(label as usize)
                    .filter(|l| !l.is_empty())
                    .map_or(String::new(), |l| format!(" (in: {l})"));
                Finding::new(
                    &code::VERIFY_AS_PLANNED,
                    format!("{name}: the text {what}{label}."),
                )
                .setup(&setup.id)
                .line(line)
            })
            .into_iter()
            .collect();
        Verdict {
            passed: findings.is_empty(),
            figures,
            findings,
        }
    }
}

#[cfg(test)]
pub(super) mod tests {
    use super::*;
    use crate::tests::{plain_about, pocket_work, read_plain};
    use grainway_geom::point;
    use std::f64::consts::TAU;

    fn items() -> Vec<Item> {
        let rapid = |x: f64, y: f64, z: f64| Item::Move(Move::rapid(point(x, y).at_z(z)));
        let line = |x: f64, y: f64, z: f64| Item::Move(Move::line(point(x, y).at_z(z), 1000.0));
        vec![
            Item::RetractFull { safe_z: 40.0 },
            Item::Spindle(Some(Spindle {
                rpm: 18000.0,
                clockwise: true,
            })),
            Item::Dwell { seconds: 4.0 },
            rapid(10.0, 10.0, 40.0),
            rapid(10.0, 10.0, 20.0),
            line(10.0, 10.0, 15.0),
            line(50.0, 10.0, 15.0),
            // A whole turn about (50, 20), then a helix of a turn and a half down.
            Item::Move(Move::Arc {
                centre: point(50.0, 20.0),
                sweep: TAU,
                dz: 0.0,
                feed: 1000.0,
            }),
            Item::Move(Move::Arc {
                centre: point(50.0, 20.0),
                sweep: 1.5 * TAU,
                dz: -3.0,
                feed: 1000.0,
            }),
            Item::RetractFull { safe_z: 40.0 },
            Item::Spindle(None),
            Item::Dwell { seconds: 4.0 },
            Item::Pause {
                message: "turn it, 2 screws at 40.5".into(),
            },
            Item::RetractFull { safe_z: 40.0 },
            Item::Spindle(Some(Spindle {
                rpm: 18000.0,
                clockwise: true,
            })),
            Item::Dwell { seconds: 4.0 },
            Item::Move(Move::Hole {
                at: point(80.0, 10.0),
                retract: 20.0,
                bottom: 5.0,
                peck: Some(6.0),
                feed: 300.0,
            }),
            rapid(80.0, 10.0, 40.0),
            Item::Spindle(None),
        ]
    }

    pub(crate) const TEXT: &str = "TOP\nS 18000\nW 4\nR 10 10 -\nR - - 40\nR - - 20\nL 10 10 15 1000\nL 50 10 15 1000\n\
        A 50 20 3.141592653589793 50 30 15 1000\nA 50 20 3.141592653589793 50 10 15 1000\n\
        A 50 20 6.283185307179586 50 10 13 1000\nA 50 20 3.141592653589793 50 30 12 1000\n\
        TOP\nS 0\nW 4\nS 0\nP turn it, 2 screws at 40.5\nTOP\nS 18000\nW 4\nR 80 10 -\nR - - 40\nR - - 20\nL 80 10 14 300\nR - - 20\nR - - 14.5\nL 80 10 8 300\nR - - 20\nR - - 8.5\n\
        L 80 10 5 300\nR - - 20\nR - - 40\nS 0\nEND\n";

    pub(crate) fn compare(text: &str) -> Verdict {
        compare_in(&plain_about(), text)
    }

    fn compare_in(about: &DialectAbout, text: &str) -> Verdict {
        let mut c = Comparison::new(PlannedMotions::new(items().into_iter()), about, true);
        for m in read_plain(text) {
            c.next(&m);
        }
        c.verdict(&pocket_work().setups[0], "01.txt")
    }

    /// Speeds may be lower and waits longer, by less than a step and no more.
    #[test]
    fn coarse_steps_are_allowed_one_way() {
        let mut about = plain_about();
        about.coarse = Some(CoarseAbout {
            speed_step: 240.0,
            wait_step: 0.1,
        });
        for (from, to, passes) in [
            ("S 18000", "S 17800", true),
            ("S 18000", "S 17750", false),
            ("S 18000", "S 18200", false),
            ("W 4\n", "W 4.09\n", true),
            ("W 4\n", "W 4.2\n", false),
            ("W 4\n", "W 3.95\n", false),
        ] {
            let verdict = compare_in(&about, &TEXT.replace(from, to));
            assert_eq!(
                verdict.passed, passes,
                "{from} -> {to}: {:?}",
                verdict.findings
            );
        }
        assert!(!compare(&TEXT.replace("S 18000", "S 17800")).passed);
    }

    /// A machine that goes home through a point passes it on its way up.
    #[test]
    fn a_point_on_the_way_to_the_top_is_passed() {
        let verdict = compare(&format!("R - - 40\n{TEXT}"));
        assert!(verdict.passed, "{:?}", verdict.findings);
    }

    #[test]
    fn text_is_walked_along_the_plan() {
        let good = compare(TEXT);
        assert!(good.passed, "{:?}", good.findings);
        // Length compared: 5 + 40 + 2π·10 + √((3π·10)² + 3²) + 15.
        let length = 5.0 + 40.0 + TAU * 10.0 + (1.5 * TAU * 10.0).hypot(3.0) + 15.0;
        assert!(
            (good.figures[1].value - length).abs() < 1e-3,
            "{:?}",
            good.figures
        );
        // 4 µm off passes and is measured; 6 µm do not.
        let near = compare(&TEXT.replace("L 50 10 15", "L 49.996 10 15"));
        // Pecks rounded so that the last but one ends 1 µm above the bottom: the controller takes one more of 1 µm.
        let peck = compare(&TEXT.replace(
            "L 80 10 5 300\nR - - 20\n",
            "L 80 10 5.001 300\nR - - 20\nR - - 5.5\nL 80 10 5 300\nR - - 20\n",
        ));
        assert!(peck.passed, "{:?}", peck.findings);
        assert!((peck.figures[1].value - length).abs() < 1e-3);
        assert!(near.passed && (near.figures[0].value - 0.004).abs() < 1e-6);
        for (from, to) in [
            ("L 50 10 15", "L 49.994 10 15"),
            ("L 50 10 15", "L 50 10 14.99"),
            ("L 50 10 15 1000", "L 50 10 15 1100"),
            ("S 18000", "S 16000"),
            // Waits: none, another, one more.
            ("W 4\n", ""),
            ("S 0\nW 4\n", "S 0\n"),
            ("S 0\nW 4\n", "W 4\n"),
            ("W 4\nS 0\nP", "W 4\nP turn it, 2 screws at 40.5\nP"),
            ("W 4\n", "W 3.9\n"),
            ("W 4\n", "W 4.1\n"),
            ("L 50 10 15 1000\n", "L 50 10 15 1000\nW 30\n"),
            // The spindle: not stopped before the pause, nor at the end; stopped or turned the other way in between.
            ("S 0\nEND", "END"),
            ("L 50 10 15 1000\n", "L 50 10 15 1000\nS 0\nS 18000\n"),
            // What the person is told.
            ("at 40.5", "at 45.0"),
            ("at 40.5", "at 4.05"),
            ("P turn it, 2 screws at 40.5", "P"),
            ("P turn it", "P turn it and"),
            // Pecks: none, deeper, shallower, without lifting, with another way down, too far down.
            ("R - - 20\nR - - 14.5\nL 80 10 8", "L 80 10 8"),
            (
                "L 80 10 14 300\nR - - 20\nR - - 14.5\nL 80 10 8 300\nR - - 20\nR - - 8.5\n",
                "",
            ),
            ("L 80 10 14", "L 80 10 13.99"),
            ("L 80 10 14", "L 80 10 14.01"),
            ("R - - 20\nR - - 14.5\n", "R - - 19\nR - - 14.5\n"),
            ("R - - 8.5", "R - - 8.6"),
            ("R - - 8.5", "R - - 7.9"),
            (
                "A 50 20 3.141592653589793 50 30 15 1000",
                "A 50 20 -3.141592653589793 50 30 15 1000",
            ),
            ("A 50 20 3.141592653589793 50 10 15 1000\n", ""),
            ("P turn it, 2 screws at 40.5\n", ""),
            ("L 80 10 5 300\n", ""),
            ("L 80 10 5 300", "L 80 10 4.9 300"),
            ("R 80 10 -", "R 80.1 10 -"),
            ("R - - 40\nS 0", "R - - 40\nR - - 20\nL 0 0 15 1000\nS 0"),
        ] {
            assert!(TEXT.contains(from), "{from}");
            let verdict = compare(&TEXT.replacen(from, to, 1));
            assert!(!verdict.passed, "{from} -> {to} passed");
            assert_eq!(verdict.findings[0].code, "verify-as-planned");
            assert!(verdict.findings[0].line.is_some());
        }
    }
}
