//! Free places along a line, and the least bad ones where none is free.

use crate::nofit::{NoFit, TOUCH_MM};
use grainway_geom::{Bounds, Point, point};

/// A line to look along: along x at the height `level`, or upright at that place.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Line {
    pub(crate) level: f64,
    pub(crate) upright: bool,
}

/// What is forbidden along a line.
#[derive(Debug, Default)]
pub(crate) struct Scan {
    upright: bool,
    level: f64,
    from: f64,
    to: f64,
    /// From, to, weight.
    stretches: Vec<(f64, f64, f64)>,
    /// Where a stretch begins or ends: by how much the number of stretches changes, the overlap's slope, and the overlap itself.
    events: Vec<(f64, i32, f64)>,
    crossings: Vec<f64>,
}

/// The least bad places of a line that are told.
const PLACES: usize = 2;

impl Scan {
    pub(crate) fn begin(&mut self, line: Line, range: Bounds) {
        (self.upright, self.level) = (line.upright, line.level);
        (self.from, self.to) = if line.upright {
            (range.min.y, range.max.y)
        } else {
            (range.min.x, range.max.x)
        };
        self.stretches.clear();
        self.events.clear();
    }
    /// The line goes through this box.
    pub(crate) fn meets(&self, lo: Point, hi: Point) -> bool {
        let (lo, hi) = if self.upright {
            (point(lo.y, lo.x), point(hi.y, hi.x))
        } else {
            (lo, hi)
        };
        let level = self.level;
        lo.y + TOUCH_MM < level && level < hi.y - TOUCH_MM && lo.x < self.to && hi.x > self.from
    }
    /// Adds what a no-fit polygon at a place forbids.
    pub(crate) fn add(&mut self, nofit: &NoFit, at: Point, weight: f64) {
        let (along, level) = if self.upright {
            (at.y, self.level - at.x)
        } else {
            (at.x, self.level - at.y)
        };
        let mut crossings = std::mem::take(&mut self.crossings);
        nofit.along(level, self.upright, &mut crossings);
        for pair in crossings.chunks_exact(2) {
            // What only touches is free.
            let (from, to) = (
                pair[0] + along + 0.1 * TOUCH_MM,
                pair[1] + along - 0.1 * TOUCH_MM,
            );
            if from < to && from < self.to && to > self.from {
                self.stretches.push((from, to, weight));
            }
        }
        self.crossings = crossings;
    }
    fn place(&self, along: f64) -> Point {
        let along = along.max(self.from).min(self.to.max(self.from));
        if self.upright {
            point(self.level, along)
        } else {
            point(along, self.level)
        }
    }
    /// The first place that nothing forbids.
    pub(crate) fn first_free(&mut self) -> Option<Point> {
        self.stretches.sort_unstable_by(|a, b| a.0.total_cmp(&b.0));
        let mut free = self.from;
        for (from, to, _) in &self.stretches {
            if *from >= free {
                break;
            }
            free = free.max(*to);
        }
        (free <= self.to).then(|| self.place(free))
    }
    /// The places where least is forbidden, reckoned by how far it is to the nearer end of each stretch.
    pub(crate) fn best(&mut self) -> Vec<Point> {
        // At the start of a stretch the slope rises by its weight, in its middle it falls by twice that, at its end it is level again.
        let mut value = 0.0;
        let mut slope = 0.0;
        for &(from, to, weight) in &self.stretches {
            let middle = 0.5 * (from + to);
            if from < self.from {
                // What has begun before the line does.
                let (so_far, rest) = (self.from - from, to - self.from);
                value += weight * so_far.min(rest).max(0.0);
                slope += if self.from < middle { weight } else { -weight };
            } else {
                self.events.push((from, 1, weight));
            }
            if middle > self.from {
                self.events.push((middle, 0, -2.0 * weight));
            }
            self.events.push((to, -1, weight));
        }
        self.events.sort_unstable_by(|a, b| {
            a.0.total_cmp(&b.0)
                .then(a.1.cmp(&b.1))
                .then(a.2.total_cmp(&b.2))
        });
        let mut found: Vec<(f64, f64)> = vec![(value, self.from)];
        let mut at = self.from;
        for &(next, kind, change) in &self.events {
            if next > self.to {
                break;
            }
            value += slope * (next - at);
            at = next;
            slope += change;
            // The least is at an end of a stretch.
            if kind != 0 {
                found.push((value.max(0.0), at));
            }
        }
        found.push(((value + slope * (self.to - at)).max(0.0), self.to));
        found.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.total_cmp(&b.1)));
        found
            .iter()
            .take(PLACES)
            .map(|(_, along)| self.place(*along))
            .collect()
    }
}
