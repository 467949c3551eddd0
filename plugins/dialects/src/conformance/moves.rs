//! Moves: where they go, in which order, at which feed.

use super::compare::compare;
use super::samples::{cutting, holes, place, with_head};
use super::{Found, SHARE, Table};
use crate::programs::{Random, SAFE};
use grainway_geom::{Point3, point};
use grainway_pipeline::dialect::{Action, ReadMove};
use grainway_pipeline::doc::Unit;
use grainway_pipeline::motion::{Item, Move};

/// The published limit on the difference of an arc's two radii (NISTIR 6556, 3.5.3.2), mm, and while inches are in force.
const ARC_LIMIT_MM: [f64; 2] = [0.002, 0.0002 * 25.4];

impl Table<'_> {
    pub(super) fn path(&self, unit: Unit, moves: &[Move]) -> Found {
        let items = with_head(self.dialect, cutting(moves));
        let round = self.round(unit, &items)?;
        compare(&items, &round.events, self.allowed(unit))
    }

    pub(super) fn arcs(&self, moves: &[Move]) -> Found {
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

    /// Nothing moves sideways before a height is known.
    pub(super) fn first_height(&self) -> Found {
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
    pub(super) fn rapids(&self) -> Found {
        let mut items = with_head(self.dialect, cutting(&self.lines()));
        let two = self.dialect.about().two_heights();
        let (near, deep) = if two { (SAFE, 10.0) } else { (12.0, 5.0) };
        for i in 0..6 {
            let x = 20.0 * f64::from(i);
            items.push(Item::Move(Move::rapid(point(x, 40.0).at_z(SAFE))));
            items.push(Item::Move(Move::rapid(point(x, 40.0).at_z(near))));
            items.push(Item::Move(Move::line(point(x, 40.0).at_z(deep), 300.0)));
            items.push(Item::Move(Move::rapid(point(x, 40.0).at_z(SAFE))));
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

    pub(super) fn pecks(&self) -> Found {
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
    pub(super) fn feeds(&self) -> Found {
        let wanted = [1800.0, 2400.5, 600.0, 600.0, 3333.0, 900.0];
        let mut items = with_head(self.dialect, Vec::new());
        for (i, feed) in wanted.into_iter().enumerate() {
            let x = 10.0 * i as f64;
            let at = |y: f64, z: f64| point(x, y).at_z(z);
            items.push(Item::Move(Move::rapid(at(0.0, SAFE))));
            items.push(Item::Move(Move::line(at(0.0, 10.0), 300.0)));
            items.push(Item::Move(Move::line(at(50.0, 10.0), feed)));
            items.push(Item::Move(Move::Arc {
                centre: point(x, 60.0),
                sweep: 1.0,
                dz: 0.0,
                feed: 0.5 * feed,
            }));
            items.push(Item::Move(Move::rapid(at(50.0, SAFE))));
        }
        let round = self.round(Unit::Mm, &items)?;
        let step = self.dialect.about().pen.map_or(0.0, |pen| pen.feed_step);
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
            let fits = planned.get(k).is_some_and(|p| {
                (p - feed).abs() <= (SHARE * p).max(1.0) || feed < *p && p - feed < step
            });
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
    pub(super) fn rounding(&self) -> Found {
        let mut random = Random::new(11);
        let mut worst: f64 = 0.0;
        for unit in [Unit::Mm, Unit::Inch] {
            if self.refuses(unit) {
                continue;
            }
            let half = 0.5 * self.dialect.about().least_step_mm(unit) + 1e-9;
            let mut moves = Vec::new();
            for _ in 0..50 {
                moves.push(Move::line(
                    place(&mut random).at_z(random.between(0.0, 10.0)),
                    1000.0,
                ));
            }
            if self.dialect.about().pen.is_some() {
                self.level(&mut moves);
            }
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

    pub(super) fn inches(&self) -> Found {
        if self.refuses(Unit::Inch) {
            return Ok("refused in words".into());
        }
        let mut moves = self.lines();
        moves.extend(self.turns());
        if !self.dialect.about().two_heights() {
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
}
