//! What is different for a pen language: one depth, and much that it must refuse.

use super::samples::{arcs, cutting, holes, lines, with_head};
use super::{Found, Table};
use crate::programs::SAFE;
use grainway_geom::point;
use grainway_pipeline::dialect::{Action, PenAbout};
use grainway_pipeline::doc::Unit;
use grainway_pipeline::motion::{Item, Move};
use std::f64::consts::FRAC_1_SQRT_2;

/// The one depth of the checks' programs, mm.
const DEPTH: f64 = 10.0;
/// Their one feed, where the language cannot say feeds, mm/min.
const ONE_FEED: f64 = 1500.0;

/// How far what is read may lie from what is planned: half a unit along each axis that is said, and what chords take, mm.
pub(super) fn allowed(pen: PenAbout) -> f64 {
    let corner = if pen.heights {
        0.5 * 3f64.sqrt()
    } else {
        FRAC_1_SQRT_2
    };
    corner * pen.unit_mm + 0.0025
}

impl Table<'_> {
    /// Straight moves; at one height where the language knows no other.
    pub(super) fn lines(&self) -> Vec<Move> {
        let mut moves = lines();
        self.flatten(&mut moves);
        moves
    }

    /// Quarter, half and three-quarter turns, both ways.
    pub(super) fn turns(&self) -> Vec<Move> {
        let mut moves = arcs();
        self.flatten(&mut moves);
        moves
    }

    /// The moves at one depth, for a language that knows no other, and at one feed where it cannot say feeds.
    pub(super) fn flatten(&self, moves: &mut [Move]) {
        if self.dialect.about().two_heights() {
            self.level(moves);
        }
    }

    /// The moves at one depth and, where the language cannot say feeds, at one feed.
    pub(super) fn level(&self, moves: &mut [Move]) {
        let step = self.dialect.about().pen.map_or(0.0, |pen| pen.feed_step);
        for m in moves {
            if let Move::Line { to, .. } = m {
                to.z = DEPTH;
            }
            if let (Move::Line { feed, .. } | Move::Arc { feed, .. }, true) = (m, step <= 0.0) {
                *feed = ONE_FEED;
            }
        }
    }

    /// Checks that stand in place of those of holes and feeds.
    pub(super) fn pen_rows(&mut self) {
        let d = self.dialect;
        for (check, peck) in [("drilling", None), ("pecks", Some(3.0))] {
            self.refusal(check, &with_head(d, cutting(&holes(peck))));
        }
        self.row("feeds", self.pen_feeds());
        let down = |z: f64| Item::Move(Move::line(point(5.0, 5.0).at_z(z), 300.0));
        let along = |x: f64, z: f64| Item::Move(Move::line(point(x, 5.0).at_z(z), 1800.0));
        let over = Item::Move(Move::rapid(point(5.0, 5.0).at_z(SAFE)));
        let ramp = vec![over.clone(), down(DEPTH), along(40.0, 9.0)];
        self.refusal("ramps", &with_head(d, ramp));
        let there_and_back = [along(40.0, DEPTH), along(5.0, DEPTH)];
        let mut passes = vec![over, down(DEPTH)];
        passes.extend(there_and_back);
        passes.push(down(8.0));
        self.refusal("passes", &with_head(d, passes));
        self.row("one-depth", self.one_depth());
    }

    /// A feed is the planned one, or the nearest below it that can be said.
    fn pen_feeds(&self) -> Found {
        let step = self.dialect.about().pen.map_or(0.0, |p| p.feed_step);
        let planned = match step > 0.0 {
            true => vec![3.0 * step, 4.4 * step, step, step, 5.7 * step],
            false => vec![1800.0; 5],
        };
        let mut items = with_head(self.dialect, Vec::new());
        for (i, feed) in planned.iter().enumerate() {
            let x = 10.0 * i as f64;
            items.extend(
                [
                    Move::rapid(point(x, 0.0).at_z(SAFE)),
                    Move::line(point(x, 0.0).at_z(DEPTH), 300.0),
                    Move::line(point(x, 50.0).at_z(DEPTH), *feed),
                    Move::rapid(point(x, 50.0).at_z(SAFE)),
                ]
                .map(Item::Move),
            );
        }
        let round = self.round(Unit::Mm, &items)?;
        let cuts: Vec<_> = round
            .events
            .iter()
            .filter(|e| e.action == Action::Line)
            .collect();
        if cuts.len() != 2 * planned.len() {
            return Err(format!(
                "{} cuts instead of {}",
                cuts.len(),
                2 * planned.len()
            ));
        }
        for (i, e) in cuts.iter().enumerate() {
            let (wanted, coarse) = match i % 2 {
                0 => (300.0, 0.1),
                _ => (planned[i / 2], step.max(0.1)),
            };
            let right = e
                .feed
                .is_some_and(|f| f <= wanted + 0.06 && f > wanted - coarse);
            if !right {
                return Err(format!(
                    "line {}: a feed of {:?} mm/min where {wanted:.1} was planned",
                    e.line, e.feed
                ));
            }
        }
        Ok(format!("{} feeds", planned.len()))
    }

    /// The text says how high and how deep, and does not say anything else.
    fn one_depth(&self) -> Found {
        let items = with_head(self.dialect, cutting(&self.lines()));
        let round = self.round(Unit::Mm, &items)?;
        for e in &round.events {
            let said = e.to.z.is_none_or(|z| z == SAFE || z == DEPTH);
            if !said {
                return Err(format!(
                    "line {}: a height of {:?} mm, which is neither {SAFE} nor {DEPTH}",
                    e.line, e.to.z
                ));
            }
        }
        Ok(format!("{SAFE} and {DEPTH} mm"))
    }
}
