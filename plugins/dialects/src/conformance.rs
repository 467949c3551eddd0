//! The conformance run of a dialect: small programs written, read back and compared, one verdict a line.
//!
//! It knows a dialect by its traits alone, so that data files, built-in dialects and native ones pass the same checks. A program is
//! compared with its plan as a path: every planned point is passed, nothing else is, and the ends of the moves come in their order.

mod pen;

use crate::programs::{Near, Random, SAFE, cut_by, cut_in, planned};
use grainway_geom::{Point, Point3, point};
use grainway_pipeline::dialect::{
    Action, Dialect, DialectError, ProgramHead, ReadEnd, ReadMove, Written,
};
use grainway_pipeline::doc::Unit;
use grainway_pipeline::motion::{CutterChange, Item, Move, Spindle, StepStart};
use serde::Serialize;
use std::f64::consts::{FRAC_PI_2, TAU};
use std::io::Write;
use std::ops::ControlFlow;

/// The published limit on the difference of an arc's two radii (NISTIR 6556, 3.5.3.2), mm, and while inches are in force.
const ARC_LIMIT_MM: [f64; 2] = [0.002, 0.0002 * 25.4];
/// Paths are sampled about this far apart, mm; what was planned, coarsely, what was read, finely.
const STEP_MM: [f64; 2] = [0.4, 0.02];
/// Feeds and speeds may be rounded by this share, and feeds by a whole unit a minute.
const SHARE: f64 = 0.002;
/// Moves of the long program.
const MANY: usize = 100_000;

/// What a check came to.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Outcome {
    /// As it should be.
    Passed,
    /// Not as it should be.
    Failed,
    /// The dialect says that it has no such thing, and refused it as it should.
    Absent,
}

/// One line of the table.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Row {
    /// A stable word.
    pub check: &'static str,
    /// The verdict.
    pub outcome: Outcome,
    /// Figures, or what is wrong and where.
    pub detail: String,
}

/// A dialect's conformance.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Conformance {
    /// Its name.
    pub dialect: String,
    /// One row a check, in a fixed order.
    pub rows: Vec<Row>,
}

impl Conformance {
    /// Nothing failed.
    pub fn passed(&self) -> bool {
        self.rows.iter().all(|r| r.outcome != Outcome::Failed)
    }
    /// The names of the checks that failed.
    pub fn failed(&self) -> Vec<&'static str> {
        let failed = self.rows.iter().filter(|r| r.outcome == Outcome::Failed);
        failed.map(|r| r.check).collect()
    }
}

type Found = Result<String, String>;

/// Runs every check on a dialect.
pub fn conformance(dialect: &dyn Dialect) -> Conformance {
    let mut table = Table {
        dialect,
        rows: Vec::new(),
    };
    table.run();
    Conformance {
        dialect: dialect.about().name.clone(),
        rows: table.rows,
    }
}

struct Table<'a> {
    dialect: &'a dyn Dialect,
    rows: Vec<Row>,
}

/// A program that was written and read.
struct Round {
    text: String,
    written: Written,
    events: Vec<ReadMove>,
}

impl Table<'_> {
    fn row(&mut self, check: &'static str, found: Found) {
        let (outcome, detail) = match found {
            Ok(detail) => (Outcome::Passed, detail),
            Err(detail) => (Outcome::Failed, detail),
        };
        self.rows.push(Row {
            check,
            outcome,
            detail,
        });
    }

    /// A check of something that a dialect may lack: then writing it must be refused in words.
    fn row_of(
        &mut self,
        check: &'static str,
        has: bool,
        items: &[Item],
        found: fn(&Self) -> Found,
    ) {
        if has {
            let found = found(self);
            return self.row(check, found);
        }
        self.refusal(check, items);
    }

    /// The dialect has no such thing: it must be refused in words.
    fn refusal(&mut self, check: &'static str, items: &[Item]) {
        let (outcome, detail) = match write(self.dialect, Unit::Mm, items) {
            Err(DialectError::Unsupported { what, .. }) => {
                (Outcome::Absent, format!("refused: {what}"))
            }
            Err(e) => (Outcome::Failed, format!("not refused in words: {e}")),
            Ok(_) => (
                Outcome::Failed,
                "the description says that the dialect has no such thing, and it was written"
                    .into(),
            ),
        };
        self.rows.push(Row {
            check,
            outcome,
            detail,
        });
    }

    fn run(&mut self) {
        let d = self.dialect;
        let about = d.about().clone();
        self.row("description", description(d));
        if d.reader().is_none() {
            self.row(
                "reader",
                Err("its texts cannot be read back: programs are unverified".into()),
            );
            return;
        }
        self.row("empty-program", self.empty());
        self.row("first-height", self.first_height());
        self.row("straight-moves", self.path(Unit::Mm, &self.lines()));
        self.row("rapid-moves", self.rapids());
        self.row("arc-directions", self.arcs(&arcs()));
        self.row("full-circles", self.arcs(&circles()));
        if about.pen.is_some() {
            self.refusal("helices", &with_head(d, cutting(&helices())));
        } else {
            self.row("helices", self.arcs(&helices()));
        }
        self.row("short-arcs", self.arcs(&short_arcs()));
        self.row("arc-centres", self.arcs(&many_arcs()));
        if about.pen.is_some() {
            self.pen_rows();
        } else {
            self.row("drilling", self.path(Unit::Mm, &holes(None)));
            self.row("pecks", self.pecks());
            self.row("feeds", self.feeds());
        }
        self.row("rounding", self.rounding());
        let spindle = with_head(d, vec![Item::Spindle(Some(turning(18_000.0)))]);
        self.row_of("spindle", about.spindle, &spindle, Self::spindle);
        self.row("dwell", self.dwell());
        let pause = with_head(
            d,
            vec![Item::Pause {
                message: "x".into(),
            }],
        );
        self.row_of("pause", about.pauses, &pause, Self::pause);
        let change = vec![Item::Cutter(cutter(7, false))];
        self.row_of(
            "cutter-change",
            about.cutter_change,
            &change,
            Self::cutter_change,
        );
        self.row("take-up", self.take_up());
        self.row("inches", self.inches());
        self.row("remarks", self.remarks());
        self.row("lines", self.line_form());
        self.row("no-numbers", self.no_numbers());
        self.row("same-bytes", self.same_bytes());
        self.row("write-error", self.write_error());
        self.row("many-moves", self.many());
        self.row("damaged-text", self.damaged());
    }

    fn round(&self, unit: Unit, items: &[Item]) -> Result<Round, String> {
        let (text, written) = write(self.dialect, unit, items).map_err(|e| e.to_string())?;
        let events = read(self.dialect, &text)?;
        if let Some(e) = events
            .iter()
            .find(|e| matches!(e.action, Action::Fault { .. }))
            && let Action::Fault { code, message } = &e.action
        {
            return Err(format!("line {}: {code}: {message}", e.line));
        }
        Ok(Round {
            text,
            written,
            events,
        })
    }

    /// How far what is read may lie from what is planned, mm.
    fn allowed(&self, unit: Unit) -> f64 {
        let about = self.dialect.about();
        let count = about.least_step_mm(unit);
        if about.pen.is_some() {
            return pen::allowed(count);
        }
        // Half a count along each axis at a point; a line in place of a hair of an arc, or a centre fitted to its ends, a few more.
        5.0 * count.max(0.001)
    }

    fn path(&self, unit: Unit, moves: &[Move]) -> Found {
        let items = with_head(self.dialect, cutting(moves));
        let round = self.round(unit, &items)?;
        compare(&items, &round.events, self.allowed(unit))
    }

    fn arcs(&self, moves: &[Move]) -> Found {
        let items = with_head(self.dialect, cutting(moves));
        let round = self.round(Unit::Mm, &items)?;
        for e in &round.events {
            if let Action::Arc {
                radius_mismatch, ..
            } = e.action
                && radius_mismatch > ARC_LIMIT_MM[0] + 1e-9
            {
                return Err(format!(
                    "line {}: the ends lie {radius_mismatch:.4} mm apart from the centre, more than {} mm",
                    e.line, ARC_LIMIT_MM[0]
                ));
            }
        }
        compare(&items, &round.events, self.allowed(Unit::Mm))
    }

    fn empty(&self) -> Found {
        let (text, _) = write(self.dialect, Unit::Mm, &[]).map_err(|e| e.to_string())?;
        let events = read(self.dialect, &text)?;
        let bad = events
            .iter()
            .find(|e| !matches!(e.action, Action::End | Action::Spindle));
        match bad {
            Some(e) => Err(format!("line {}: {:?}", e.line, e.action)),
            None if !events.iter().any(|e| e.action == Action::End) => {
                Err("the program does not say that it ends".into())
            }
            None => Ok(format!("{} lines", text.lines().count())),
        }
    }

    /// Nothing moves sideways before a height is known.
    fn first_height(&self) -> Found {
        let items = with_head(self.dialect, cutting(&self.lines()));
        let round = self.round(Unit::Mm, &items)?;
        for e in &round.events {
            let moves = matches!(e.action, Action::Rapid | Action::Line | Action::Arc { .. });
            let sideways = e.from.x != e.to.x || e.from.y != e.to.y;
            if moves && sideways && e.from.z.is_none() {
                return Err(format!(
                    "line {}: sideways before the height is known",
                    e.line
                ));
            }
            if moves && e.to.z.is_some() || e.action == Action::RetractFull {
                return Ok(format!("line {}", e.line));
            }
        }
        Err("no height is ever said".into())
    }

    /// Rapid moves stay rapid and cutting ones cutting, in their order.
    fn rapids(&self) -> Found {
        let mut items = with_head(self.dialect, cutting(&self.lines()));
        let pen = self.dialect.about().pen.is_some();
        let (near, deep) = if pen { (SAFE, 10.0) } else { (12.0, 5.0) };
        for i in 0..6 {
            let x = 20.0 * f64::from(i);
            items.push(Item::Move(Move::Rapid {
                to: point(x, 40.0).at_z(SAFE),
            }));
            items.push(Item::Move(Move::Rapid {
                to: point(x, 40.0).at_z(near),
            }));
            items.push(Item::Move(Move::Line {
                to: point(x, 40.0).at_z(deep),
                feed: 300.0,
            }));
            items.push(Item::Move(Move::Rapid {
                to: point(x, 40.0).at_z(SAFE),
            }));
        }
        let round = self.round(Unit::Mm, &items)?;
        for e in &round.events {
            let deep = |z: Option<f64>| z.is_some_and(|z| z < 12.0 - 0.01);
            let sideways = e.from.x != e.to.x || e.from.y != e.to.y;
            let down = deep(e.to.z) && e.from.z.is_none_or(|z| e.to.z.is_some_and(|t| t < z));
            if e.action == Action::Rapid && (down || sideways && deep(e.from.z)) {
                return Err(format!("line {}: a rapid move in the wood", e.line));
            }
        }
        compare(&items, &round.events, self.allowed(Unit::Mm))
    }

    fn pecks(&self) -> Found {
        let moves = holes(Some(3.0));
        let items = with_head(self.dialect, cutting(&moves));
        let round = self.round(Unit::Mm, &items)?;
        let said = compare(&items, &round.events, self.allowed(Unit::Mm))?;
        // 21 down to 2 by 3: seven bites in each hole, each followed by a way out to the retract height.
        let bites = round
            .events
            .iter()
            .filter(|e| e.action == Action::Line)
            .count();
        let bitten = 7 * moves.len();
        if bites != bitten {
            return Err(format!("{bites} bites instead of {bitten}"));
        }
        let out = |pair: &[ReadMove]| {
            pair[0].action != Action::Line || pair[1].to.z.is_some_and(|z| (z - 21.0).abs() < 0.01)
        };
        match round.events.windows(2).find(|p| !out(p)) {
            Some(p) => Err(format!("line {}: a bite without a way out", p[0].line)),
            None => Ok(said),
        }
    }

    /// The feed in force at every cutting move is the planned one.
    fn feeds(&self) -> Found {
        let wanted = [1800.0, 2400.5, 600.0, 600.0, 3333.0, 900.0];
        let mut items = with_head(self.dialect, Vec::new());
        for (i, feed) in wanted.into_iter().enumerate() {
            let x = 10.0 * i as f64;
            let at = |y: f64, z: f64| point(x, y).at_z(z);
            items.push(Item::Move(Move::Rapid { to: at(0.0, SAFE) }));
            items.push(Item::Move(Move::Line {
                to: at(0.0, 10.0),
                feed: 300.0,
            }));
            items.push(Item::Move(Move::Line {
                to: at(50.0, 10.0),
                feed,
            }));
            items.push(Item::Move(Move::Arc {
                centre: point(x, 60.0),
                sweep: 1.0,
                dz: 0.0,
                feed: 0.5 * feed,
            }));
            items.push(Item::Move(Move::Rapid { to: at(50.0, SAFE) }));
        }
        let round = self.round(Unit::Mm, &items)?;
        let mut planned = Vec::new();
        for item in &items {
            if let Item::Move(Move::Line { feed, .. } | Move::Arc { feed, .. }) = item {
                planned.push(*feed);
            }
        }
        planned.dedup();
        let mut seen: Vec<f64> = Vec::new();
        for e in &round.events {
            if !matches!(e.action, Action::Line | Action::Arc { .. }) {
                continue;
            }
            let Some(feed) = e.feed else {
                return Err(format!("line {}: a cutting move without a feed", e.line));
            };
            if seen.last().is_none_or(|s| (s - feed).abs() > 1e-9) {
                seen.push(feed);
            }
            let k = seen.len() - 1;
            let fits = planned
                .get(k)
                .is_some_and(|p| (p - feed).abs() <= (SHARE * p).max(1.0));
            if !fits {
                return Err(format!(
                    "line {}: a feed of {feed:.1} mm/min where {} was planned",
                    e.line,
                    planned.get(k).map_or("none".into(), |p| format!("{p:.1}"))
                ));
            }
        }
        if seen.len() != planned.len() {
            return Err(format!("{} feeds instead of {}", seen.len(), planned.len()));
        }
        Ok(format!("{} feeds", seen.len()))
    }

    /// Coordinates lie within half a count of the planned ones.
    fn rounding(&self) -> Found {
        let mut random = Random::new(11);
        let mut worst: f64 = 0.0;
        for unit in [Unit::Mm, Unit::Inch] {
            if self.refuses(unit) {
                continue;
            }
            let half = 0.5 * self.dialect.about().least_step_mm(unit) + 1e-9;
            let mut moves = Vec::new();
            for _ in 0..50 {
                moves.push(Move::Line {
                    to: place(&mut random).at_z(random.between(0.0, 10.0)),
                    feed: 1000.0,
                });
            }
            self.flatten(&mut moves);
            let items = with_head(self.dialect, cutting(&moves));
            let round = self.round(unit, &items)?;
            let seen: Vec<Point3> = round
                .events
                .iter()
                .filter(|e| e.action == Action::Line)
                .filter_map(|e| e.to.point())
                .collect();
            // The first line goes down to where the moves begin.
            let own = seen.get(1..).unwrap_or_default();
            if own.len() != moves.len() {
                return Err(format!("{} lines instead of {}", own.len(), moves.len()));
            }
            for (m, s) in moves.iter().zip(own) {
                let Move::Line { to, .. } = m else { continue };
                for off in [to.x - s.x, to.y - s.y, to.z - s.z] {
                    worst = worst.max(off.abs() / half);
                    if off.abs() > half {
                        return Err(format!(
                            "a coordinate is off by {:.5} mm, more than half the last digit in {}",
                            off.abs(),
                            unit.word()
                        ));
                    }
                }
            }
            if round.written.rounding_mm < 0.0 || !round.written.rounding_mm.is_finite() {
                return Err("the writer's own figure of its rounding is no distance".into());
            }
        }
        Ok(format!("at most {worst:.2} of half the last digit"))
    }

    /// Programs in this unit are refused in words.
    fn refuses(&self, unit: Unit) -> bool {
        matches!(
            write(self.dialect, unit, &[]),
            Err(DialectError::Unsupported { .. })
        )
    }

    fn spindle(&self) -> Found {
        let mut items = vec![Item::RetractFull { safe_z: SAFE }];
        if !self.dialect.about().cutter_change {
            items.push(Item::Cutter(cutter(3, true)));
        } else {
            items.push(Item::Cutter(cutter(3, false)));
            items.push(Item::RetractFull { safe_z: SAFE });
        }
        items.push(Item::Spindle(Some(turning(18_000.0))));
        items.extend(cutting(&self.lines()));
        items.push(Item::Spindle(Some(turning(12_000.0))));
        items.extend(cutting(&self.lines()));
        items.push(Item::Spindle(None));
        let round = self.round(Unit::Mm, &items)?;
        let mut speeds: Vec<f64> = Vec::new();
        for e in &round.events {
            if !matches!(e.action, Action::Line) {
                continue;
            }
            let Some(s) = e.spindle else {
                return Err(format!("line {}: cuts with the spindle stopped", e.line));
            };
            if !s.clockwise {
                return Err(format!("line {}: the spindle turns the wrong way", e.line));
            }
            if speeds.last().is_none_or(|l| (l - s.rpm).abs() > 1e-9) {
                speeds.push(s.rpm);
            }
        }
        let right = |s: &[f64]| matches!(s, [a, b] if (a - 18_000.0).abs() <= SHARE * 18_000.0 && (b - 12_000.0).abs() <= SHARE * 12_000.0);
        let stopped = round
            .events
            .iter()
            .rev()
            .find(|e| e.action == Action::Spindle)
            .is_some_and(|e| e.spindle.is_none());
        if !right(&speeds) {
            return Err(format!("speeds {speeds:?} instead of 18000 and 12000"));
        }
        if !stopped {
            return Err("the spindle is not stopped at the end".into());
        }
        Ok("18000 and 12000 rev/min, stopped".into())
    }

    fn dwell(&self) -> Found {
        let items = with_head(self.dialect, vec![Item::Dwell { seconds: 4.25 }]);
        let round = match self.round(Unit::Mm, &items) {
            Ok(round) => round,
            Err(e) if e.contains("cannot express") => return Ok("refused in words".into()),
            Err(e) => return Err(e),
        };
        let waits: Vec<f64> = round
            .events
            .iter()
            .filter_map(|e| match e.action {
                Action::Dwell { seconds } => Some(seconds),
                _ => None,
            })
            .collect();
        match waits[..] {
            [s] if (s - 4.25).abs() <= 0.5 => Ok(format!("{s} s")),
            _ => Err(format!("waits of {waits:?} s instead of 4.25 s")),
        }
    }

    fn pause(&self) -> Found {
        let has_spindle = self.dialect.about().spindle;
        let mut items = with_head(self.dialect, cutting(&self.lines()));
        items.push(Item::RetractFull { safe_z: SAFE });
        items.push(Item::Pause {
            message: "Drive 4 screws (4 × 30) into the marked holes".into(),
        });
        items.push(Item::RetractFull { safe_z: SAFE });
        if has_spindle {
            items.push(Item::Spindle(Some(turning(18_000.0))));
        }
        items.push(Item::Step(StepStart {
            number: 2,
            label: "after the pause".into(),
        }));
        items.extend(cutting(&self.lines()));
        let round = self.round(Unit::Mm, &items)?;
        let pauses: Vec<usize> = (0..round.events.len())
            .filter(|i| matches!(round.events[*i].action, Action::Pause { .. }))
            .collect();
        let [at] = pauses[..] else {
            return Err(format!("{} pauses instead of 1", pauses.len()));
        };
        if round.events[at].spindle.is_some() {
            return Err(format!(
                "line {}: the spindle turns during the pause",
                round.events[at].line
            ));
        }
        for e in &round.events[at + 1..] {
            let moves = matches!(e.action, Action::Rapid | Action::Line | Action::Arc { .. });
            let sideways = e.from.x != e.to.x || e.from.y != e.to.y;
            if moves && sideways && e.from.z.is_none() {
                return Err(format!(
                    "line {}: sideways after the pause before the height is known",
                    e.line
                ));
            }
            if e.action == Action::Line && (e.feed.is_none() || has_spindle && e.spindle.is_none())
            {
                return Err(format!(
                    "line {}: after the pause a cut without feed or spindle",
                    e.line
                ));
            }
        }
        compare(&items, &round.events, self.allowed(Unit::Mm))?;
        Ok(format!("line {}", round.events[at].line))
    }

    fn cutter_change(&self) -> Found {
        let has_spindle = self.dialect.about().spindle;
        let mut items = Vec::new();
        for number in [3, 12] {
            items.push(Item::RetractFull { safe_z: SAFE });
            items.push(Item::Cutter(cutter(number, false)));
            items.push(Item::RetractFull { safe_z: SAFE });
            if has_spindle {
                items.push(Item::Spindle(Some(turning(18_000.0))));
            }
            items.push(Item::Step(StepStart {
                number,
                label: "a step".into(),
            }));
            items.extend(cutting(&self.lines()));
        }
        let round = self.round(Unit::Mm, &items)?;
        let mut changes = Vec::new();
        for e in &round.events {
            if e.action == Action::CutterChange {
                if e.spindle.is_some() {
                    return Err(format!(
                        "line {}: the cutter is changed while the spindle turns",
                        e.line
                    ));
                }
                changes.push(e.cutter);
            }
            if matches!(e.action, Action::Line) && e.cutter != changes.last().copied().flatten() {
                return Err(format!("line {}: cuts with another cutter", e.line));
            }
        }
        if changes != [Some(3), Some(12)] {
            return Err(format!("changes to {changes:?} instead of 3 and 12"));
        }
        compare(&items, &round.events, self.allowed(Unit::Mm))?;
        Ok("cutters 3 and 12".into())
    }

    /// Every workingstep can be taken up at its first line: read from there alone, it says all that it needs.
    fn take_up(&self) -> Found {
        let about = self.dialect.about();
        let mut items = with_head(self.dialect, Vec::new());
        if about.spindle {
            items.push(Item::Spindle(Some(turning(18_000.0))));
        }
        for number in 1..=3 {
            items.push(Item::Step(StepStart {
                number,
                label: format!("step number {number} of three"),
            }));
            items.extend(cutting(&self.lines()));
            items.push(Item::Move(Move::Rapid {
                to: point(0.0, 0.0).at_z(SAFE),
            }));
        }
        let round = self.round(Unit::Mm, &items)?;
        if round.written.restarts.len() != 3 {
            return Err(format!(
                "{} restart lines instead of 3",
                round.written.restarts.len()
            ));
        }
        // The marks around a whole program are missing, since its beginning is; the cutter's length is the operator's to call.
        let bad = |events: &[ReadMove]| {
            events.iter().find_map(|e| match &e.action {
                Action::Fault { code, message }
                    if *code != "percent" && *code != "length-offset" =>
                {
                    Some((e.line, message.clone()))
                }
                _ => None,
            })
        };
        let lines: Vec<&str> = round.text.split_inclusive('\n').collect();
        for &(number, line) in &round.written.restarts {
            let Some(rest) = usize::try_from(line).ok().and_then(|l| lines.get(l - 1..)) else {
                return Err(format!("step {number} has no line {line}"));
            };
            let alone = read(self.dialect, &rest.concat())?;
            // Where a heading says what the rest counts in, the controller has read it whatever line it goes on from.
            let (events, before) = match bad(&alone) {
                None => (alone, line.saturating_sub(1)),
                Some(_) => {
                    let heading = lines.first().copied().unwrap_or_default();
                    let text = format!("{heading}{}", rest.concat());
                    (read(self.dialect, &text)?, line.saturating_sub(2))
                }
            };
            if let Some((l, message)) = bad(&events) {
                return Err(format!(
                    "taken up at step {number}, line {}: {message}",
                    before + l
                ));
            }
            let mut first = true;
            for e in &events {
                let cut = matches!(e.action, Action::Line | Action::Arc { .. });
                if cut && (e.feed.is_none() || about.spindle && e.spindle.is_none()) {
                    return Err(format!(
                        "taken up at step {number}, line {}: a cut without feed or spindle",
                        before + e.line
                    ));
                }
                if first && matches!(e.action, Action::Rapid | Action::Line) {
                    first = false;
                    let up = e.to.z.is_some() && e.to.x.is_none() && e.to.y.is_none();
                    if !up {
                        return Err(format!(
                            "taken up at step {number}, line {}: not the height first",
                            before + e.line
                        ));
                    }
                }
                first &= e.action != Action::RetractFull;
            }
        }
        Ok("3 steps".into())
    }

    fn inches(&self) -> Found {
        if self.refuses(Unit::Inch) {
            return Ok("refused in words".into());
        }
        let mut moves = self.lines();
        moves.extend(self.turns());
        if self.dialect.about().pen.is_none() {
            moves.extend(holes(Some(5.0)));
        }
        let items = with_head(self.dialect, cutting(&moves));
        let round = self.round(Unit::Inch, &items)?;
        for e in &round.events {
            if let Action::Arc {
                radius_mismatch, ..
            } = e.action
                && radius_mismatch > ARC_LIMIT_MM[1] + 1e-9
            {
                return Err(format!(
                    "line {}: the ends lie {radius_mismatch:.4} mm apart from the centre",
                    e.line
                ));
            }
        }
        compare(&items, &round.events, self.allowed(Unit::Inch))
    }

    /// Words of the user's end no comment early and pass for nothing else.
    fn remarks(&self) -> Found {
        let odd = "a (b) [c] ; % G0 Z-50 \u{2300}6 \u{b1}0.1 \u{201e}Tür\u{201c} step 9: x MSG, y\n\r\t\u{7}";
        let mut items = vec![Item::Label(odd.into())];
        items.extend(with_head(self.dialect, Vec::new()));
        items.push(Item::Step(StepStart {
            number: 1,
            label: odd.into(),
        }));
        items.extend(cutting(&self.lines()));
        if self.dialect.about().pauses {
            items.push(Item::Pause {
                message: odd.into(),
            });
        }
        let round = self.round(Unit::Mm, &items)?;
        let pauses = round
            .events
            .iter()
            .filter(|e| matches!(e.action, Action::Pause { .. }))
            .count();
        if pauses != usize::from(self.dialect.about().pauses) {
            return Err(format!("{pauses} pauses"));
        }
        let steps = round.events.iter().filter_map(|e| match e.action {
            Action::Step { number } => Some(number),
            _ => None,
        });
        if let Some(wrong) = steps.clone().find(|n| *n != 1) {
            return Err(format!("a remark passes for step {wrong}"));
        }
        compare(&items, &round.events, self.allowed(Unit::Mm))
    }

    fn line_form(&self) -> Found {
        let mut far = self.lines();
        far.extend(self.turns());
        if self.dialect.about().pen.is_none() {
            far.extend(holes(Some(3.0)));
        }
        far.push(Move::Line {
            to: point(-2345.678, 2987.654).at_z(-12.345),
            feed: 12_345.0,
        });
        self.flatten(&mut far);
        let items = with_head(self.dialect, cutting(&far));
        let round = self.round(Unit::Mm, &items)?;
        let length = self.dialect.about().line_length;
        let mut longest = 0;
        for (i, line) in round.text.lines().enumerate() {
            longest = longest.max(line.len());
            if length != 0 && line.len() > length {
                return Err(format!(
                    "line {}: {} characters, {length} are allowed",
                    i + 1,
                    line.len()
                ));
            }
            if let Some(b) = line
                .bytes()
                .find(|b| *b != b'\t' && !(0x20..0x7f).contains(b))
            {
                return Err(format!("line {}: the byte {b}", i + 1));
            }
        }
        let count = round.text.lines().count() as u64;
        if count != round.written.lines {
            return Err(format!(
                "{count} lines, and the writer says {}",
                round.written.lines
            ));
        }
        Ok(format!("{count} lines, at most {longest} characters"))
    }

    fn no_numbers(&self) -> Found {
        let start = point(0.0, 0.0).at_z(SAFE);
        let bad = [
            Move::Rapid {
                to: point(f64::NAN, 0.0).at_z(SAFE),
            },
            Move::Line {
                to: point(f64::INFINITY, 0.0).at_z(5.0),
                feed: 100.0,
            },
            Move::Line {
                to: point(1.0, 0.0).at_z(5.0),
                feed: f64::NAN,
            },
            Move::Line {
                to: point(1.0, 0.0).at_z(5.0),
                feed: 0.0,
            },
            Move::Arc {
                centre: point(f64::NAN, 0.0),
                sweep: 1.0,
                dz: 0.0,
                feed: 100.0,
            },
            Move::Hole {
                at: point(0.0, 0.0),
                retract: f64::NEG_INFINITY,
                bottom: 0.0,
                peck: None,
                feed: 100.0,
            },
        ];
        for m in &bad {
            let moves = vec![Item::Move(Move::Rapid { to: start }), Item::Move(*m)];
            let items = with_head(self.dialect, moves);
            match write(self.dialect, Unit::Mm, &items) {
                Err(DialectError::Plan(_) | DialectError::Unsupported { .. }) => {}
                Err(e) => return Err(format!("{m:?}: {e}")),
                Ok(_) => return Err(format!("{m:?} was written")),
            }
        }
        Ok(format!("{} refused", bad.len()))
    }

    fn same_bytes(&self) -> Found {
        let mut moves = self.lines();
        moves.extend(self.turns());
        let items = with_head(self.dialect, cutting(&moves));
        let once = write(self.dialect, Unit::Mm, &items).map_err(|e| e.to_string())?;
        let again = write(self.dialect, Unit::Mm, &items).map_err(|e| e.to_string())?;
        if once == again {
            Ok(format!("{} bytes", once.0.len()))
        } else {
            Err("the same plan gives two texts".into())
        }
    }

    fn write_error(&self) -> Found {
        struct Full(usize);
        impl Write for Full {
            fn write(&mut self, bytes: &[u8]) -> std::io::Result<usize> {
                if self.0 < bytes.len() {
                    return Err(std::io::Error::other("the disk is full"));
                }
                self.0 -= bytes.len();
                Ok(bytes.len())
            }
            fn flush(&mut self) -> std::io::Result<()> {
                Ok(())
            }
        }
        let items = with_head(self.dialect, cutting(&self.lines()));
        let (text, _) = write(self.dialect, Unit::Mm, &items).map_err(|e| e.to_string())?;
        for room in [0, text.len() / 2, text.len() - 1] {
            let result =
                self.dialect
                    .write(&head(Unit::Mm), &mut items.iter().cloned(), &mut Full(room));
            if !matches!(result, Err(DialectError::Io(_))) {
                return Err(format!(
                    "a disk with room for {room} of {} bytes was not noticed",
                    text.len()
                ));
            }
        }
        Ok("noticed at 3 places".into())
    }

    fn many(&self) -> Found {
        let mut items = with_head(self.dialect, cutting(&self.lines()));
        let moves = (0..MANY).map(|i| {
            let t = i as f64 * 0.001;
            Item::Move(Move::Line {
                to: (Point::unit(t) * (50.0 + t)).at_z(10.0),
                feed: 1500.0,
            })
        });
        let last = (Point::unit((MANY - 1) as f64 * 0.001) * (50.0 + (MANY - 1) as f64 * 0.001))
            .at_z(10.0);
        items.retain(|i| !matches!(i, Item::Move(_)));
        let mut all = items
            .into_iter()
            .chain([Item::Move(Move::Rapid {
                to: point(50.0, 0.0).at_z(SAFE),
            })])
            .chain(moves);
        let mut text = Vec::new();
        self.dialect
            .write(&head(Unit::Mm), &mut all, &mut text)
            .map_err(|e| e.to_string())?;
        let (mut lines, mut end) = (0, None);
        let reader = self.dialect.reader().ok_or("no reader")?;
        reader.read(&mut text.as_slice(), &mut |m| {
            if m.action == Action::Line {
                lines += 1;
                end = m.to.point();
            }
            ControlFlow::Continue(())
        });
        let there = end.is_some_and(|e| e.xy().distance(last.xy()) <= self.allowed(Unit::Mm));
        if !there {
            return Err(format!("after {lines} lines it ends at {end:?}"));
        }
        Ok(format!("{lines} lines, {} bytes", text.len()))
    }

    /// Reading ends, whatever the text.
    fn damaged(&self) -> Found {
        let mut moves = self.lines();
        moves.extend(self.turns());
        let items = with_head(self.dialect, cutting(&moves));
        let (text, _) = write(self.dialect, Unit::Mm, &items).map_err(|e| e.to_string())?;
        let mut random = Random::new(5);
        let mut faults = 0;
        for _ in 0..200 {
            let mut bytes = text.clone().into_bytes();
            for _ in 0..1 + random.below(4) {
                let at = random.below(bytes.len().max(1) as u64) as usize;
                if bytes.is_empty() {
                    break;
                }
                match random.below(3) {
                    0 => bytes[at] = (random.below(256)) as u8,
                    1 => {
                        bytes.remove(at);
                    }
                    _ => bytes.truncate(at.max(1)),
                }
            }
            let reader = self.dialect.reader().ok_or("no reader")?;
            let mut faulty = false;
            let end = reader.read(&mut bytes.as_slice(), &mut |m| {
                faulty |= matches!(m.action, Action::Fault { .. });
                ControlFlow::Continue(())
            });
            if let ReadEnd::Io(e) = end {
                return Err(format!(
                    "a damaged text is told as a fault of the disk: {e}"
                ));
            }
            faults += usize::from(faulty);
        }
        // A damaged digit is another number; a language in which nothing damaged is noticed checks nothing.
        if faults < 20 {
            return Err(format!("only {faults} of 200 damaged texts were noticed"));
        }
        Ok(format!("{faults} of 200 noticed as texts"))
    }
}

fn description(d: &dyn Dialect) -> Found {
    let about = d.about();
    let plain = |c: char| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '-';
    let rules = [
        (
            !about.name.is_empty() && about.name.chars().all(plain),
            "the name must be lower-case letters, digits and hyphens",
        ),
        (about.version > 0, "the version counts from 1"),
        (
            about.ending.len() > 1 && about.ending.starts_with('.'),
            "the ending begins with a point",
        ),
        (
            about.decimals_mm >= 3 && about.decimals_inch >= 4,
            "three digits after the point in millimetres and four in inches are the least",
        ),
        (
            about.blocks_per_second > 0.0 && about.blocks_per_second.is_finite(),
            "the block rate must be more than 0",
        ),
        (
            about.summary.len() >= 40,
            "the summary must say which properties a controller must have",
        ),
        (
            about.arcs || !about.helices,
            "helices without arcs make no sense",
        ),
        (
            about.pen.is_none_or(|p| p.is_sensible()),
            "a pen language counts in units of at most 0.025 mm, and its step of feeds is no less than 0",
        ),
    ];
    match rules.into_iter().find(|(good, _)| !good) {
        Some((_, why)) => Err(why.into()),
        None => Ok(format!("{} version {}", about.name, about.version)),
    }
}

// ---- programs

fn head(unit: Unit) -> ProgramHead {
    ProgramHead {
        name: "01-board-1".into(),
        number: 1,
        remarks: vec!["job: reading bench".into()],
        unit,
        safe_z: SAFE,
    }
}

fn cutter(number: u32, by_hand: bool) -> CutterChange {
    CutterChange {
        number,
        id: "em6".into(),
        label: "6 mm end mill, up-cut".into(),
        by_hand,
    }
}

fn turning(rpm: f64) -> Spindle {
    Spindle {
        rpm,
        clockwise: true,
    }
}

/// The items after what every program begins with.
fn with_head(d: &dyn Dialect, items: Vec<Item>) -> Vec<Item> {
    let mut all = vec![Item::RetractFull { safe_z: SAFE }];
    all.push(Item::Cutter(cutter(3, !d.about().cutter_change)));
    all.push(Item::RetractFull { safe_z: SAFE });
    all.extend(items);
    all
}

/// A rapid move to the first of the moves' places, and the moves.
fn cutting(moves: &[Move]) -> Vec<Item> {
    let mut items = vec![Item::Move(Move::Rapid {
        to: point(5.0, 5.0).at_z(SAFE),
    })];
    let holes = moves.iter().all(|m| matches!(m, Move::Hole { .. }));
    if !holes {
        items.push(Item::Move(Move::Line {
            to: point(5.0, 5.0).at_z(10.0),
            feed: 300.0,
        }));
    }
    let mut at = point(5.0, 5.0).at_z(10.0);
    for m in moves {
        let hole = matches!(m, Move::Hole { .. });
        if hole && at.z < SAFE {
            at = at.xy().at_z(SAFE);
            items.push(Item::Move(Move::Rapid { to: at }));
        }
        items.push(Item::Move(*m));
        at = m.end(at);
        if hole {
            at = at.xy().at_z(SAFE);
            items.push(Item::Move(Move::Rapid { to: at }));
        }
    }
    items
}

fn lines() -> Vec<Move> {
    [
        (55.0, 5.0, 10.0),
        (55.0, 35.5, 10.0),
        (-12.345, 35.5, 8.0),
        (-12.345, -7.25, 8.0),
        (-12.345, -7.25, 4.321),
        (5.0, 5.0, 10.0),
    ]
    .into_iter()
    .map(|(x, y, z)| Move::Line {
        to: point(x, y).at_z(z),
        feed: 1500.0,
    })
    .collect()
}

fn arc(centre: Point, sweep: f64, dz: f64) -> Move {
    Move::Arc {
        centre,
        sweep,
        dz,
        feed: 1200.0,
    }
}

/// Quarter, half and three-quarter turns, both ways, from all sides; each begins where the one before ended.
fn arcs() -> Vec<Move> {
    let mut moves = Vec::new();
    let mut at = point(5.0, 5.0);
    for (i, sweep) in [1.0, 2.0, 3.0, -1.0, -2.0, -3.0, 2.5, -0.3]
        .into_iter()
        .enumerate()
    {
        let centre = at + Point::unit(0.7 + i as f64 * FRAC_PI_2) * (7.0 + 3.3 * i as f64);
        moves.push(arc(centre, sweep * FRAC_PI_2, 0.0));
        at = centre + (at - centre).rotated(sweep * FRAC_PI_2);
    }
    moves
}

fn circles() -> Vec<Move> {
    vec![
        arc(point(12.5, 5.0), TAU, 0.0),
        arc(point(5.0, 17.321), -TAU, 0.0),
        arc(point(-3.0, -1.7), TAU, 0.0),
    ]
}

fn helices() -> Vec<Move> {
    vec![
        arc(point(11.0, 5.0), TAU, -1.5),
        arc(point(11.0, 5.0), TAU, -1.5),
        arc(point(5.0, 14.0), -FRAC_PI_2, 0.8),
        arc(point(5.0, 14.0), -2.0, -0.8),
    ]
}

/// Down to sizes that rounding eats, and nearly whole turns.
fn short_arcs() -> Vec<Move> {
    let mut moves = Vec::new();
    let mut at = point(5.0, 5.0);
    for i in 0..60 {
        let radius = 10f64.powf(-3.0 + f64::from(i % 12) * 0.4);
        let sweep = match i % 5 {
            0 => 10f64.powf(-6.0 + f64::from(i) * 0.1),
            1 => -(10f64.powf(-6.0 + f64::from(i) * 0.1)),
            2 => TAU - 10f64.powf(-7.0 + f64::from(i) * 0.1),
            3 => 0.4,
            _ => -1.1,
        };
        let centre = at + Point::unit(f64::from(i) * 1.3) * radius;
        moves.push(arc(centre, sweep, 0.0));
        at = centre + (at - centre).rotated(sweep);
    }
    moves
}

fn many_arcs() -> Vec<Move> {
    let mut random = Random::new(3);
    let mut moves = Vec::new();
    let mut at = point(5.0, 5.0);
    for _ in 0..100 {
        let toward = (point(100.0, 100.0) - at).angle() + random.between(-1.0, 1.0);
        let centre = at + Point::unit(toward) * random.between(2.0, 30.0);
        let sweep = random.between(-5.0, 5.0);
        moves.push(arc(centre, sweep, 0.0));
        at = centre + (at - centre).rotated(sweep);
    }
    moves
}

/// Four holes; two in a row of equal depth, so that a cycle may stay in force.
fn holes(peck: Option<f64>) -> Vec<Move> {
    [(10.0, 10.0), (42.0, 10.0), (42.5, 55.125), (-20.0, 55.125)]
        .into_iter()
        .map(|(x, y)| Move::Hole {
            at: point(x, y),
            retract: 21.0,
            bottom: 2.0,
            peck,
            feed: 300.0,
        })
        .collect()
}

fn place(random: &mut Random) -> Point {
    point(random.between(-50.0, 300.0), random.between(-50.0, 300.0))
}

fn write(d: &dyn Dialect, unit: Unit, items: &[Item]) -> Result<(String, Written), DialectError> {
    let mut out = Vec::new();
    let written = d.write(&head(unit), &mut items.iter().cloned(), &mut out)?;
    Ok((String::from_utf8_lossy(&out).into_owned(), written))
}

fn read(d: &dyn Dialect, text: &str) -> Result<Vec<ReadMove>, String> {
    let mut events = Vec::new();
    let reader = d.reader().ok_or("the dialect has no reader")?;
    let end = reader.read(&mut text.as_bytes(), &mut |m| {
        events.push(m);
        ControlFlow::Continue(())
    });
    match end {
        ReadEnd::Complete { .. } => Ok(events),
        other => Err(format!("reading ended as {other:?}")),
    }
}

// ---- comparing

/// The ends of the plan's cutting moves, in order.
fn ends(items: &[Item]) -> Vec<Point3> {
    let mut ends = Vec::new();
    let mut at = point(0.0, 0.0).at_z(SAFE);
    for item in items {
        let Item::Move(m) = item else { continue };
        at = m.end(at);
        match m {
            Move::Line { .. } | Move::Arc { .. } => ends.push(at),
            Move::Hole { at, bottom, .. } => ends.push(at.at_z(*bottom)),
            Move::Rapid { .. } => {}
        }
    }
    ends
}

/// The planned path and the read one are the same within `allowed` mm, and the ends of moves are reached in their order.
fn compare(items: &[Item], events: &[ReadMove], allowed: f64) -> Found {
    let cuts = |e: &&ReadMove| matches!(e.action, Action::Line | Action::Arc { .. });
    if let Some(e) = events
        .iter()
        .filter(cuts)
        .find(|e| e.from.point().is_none_or(|p| !p.z.is_finite()) || e.to.point().is_none())
    {
        return Err(format!(
            "line {}: a cut although it is not known where the cutter stands",
            e.line
        ));
    }
    let fine = cut_by(events, STEP_MM[1]);
    let slack = allowed + 0.6 * STEP_MM[1];
    let near = Near::new(&fine, 4.0 * slack);
    if let Some(p) = planned(items, STEP_MM[0])
        .iter()
        .find(|p| near.distance(**p) > slack)
    {
        return Err(format!(
            "the planned point ({:.3}, {:.3}, {:.3}) is not passed",
            p.x, p.y, p.z
        ));
    }
    let plan = planned(items, STEP_MM[1]);
    let near = Near::new(&plan, 4.0 * slack);
    for e in events.iter().filter(cuts) {
        if let Some(p) = cut_in(e, STEP_MM[0])
            .iter()
            .find(|p| near.distance(**p) > slack)
        {
            return Err(format!(
                "line {}: cuts ({:.3}, {:.3}, {:.3}), which is not planned",
                e.line, p.x, p.y, p.z
            ));
        }
    }
    // In their order: each end is passed at or after the one before.
    let ends = ends(items);
    let mut k = 0;
    for end in &ends {
        let reached = |p: &Point3| p.xy().distance(end.xy()).hypot(p.z - end.z) <= slack;
        while k < fine.len() && !reached(&fine[k]) {
            k += 1;
        }
        if k == fine.len() {
            return Err(format!(
                "the place ({:.3}, {:.3}, {:.3}) does not come in its order",
                end.x, end.y, end.z
            ));
        }
    }
    Ok(format!("{} moves, all within {allowed:.3} mm", ends.len()))
}
