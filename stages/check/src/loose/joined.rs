//! Which bits of wood stand at the end, what holds each of them, and which tabs join one to another.
//!
//! Cuts only part wood, so what is joined at the end was joined all along: judging the end judges the worst moment. A hold that is
//! driven later than a piece comes free is left out by the time from which it holds.

use super::edge::{Measured, MeasuredTab};
use super::regions::{Grid, NEVER, reach};
use crate::Scene;
use grainway_geom::Point;
use grainway_pipeline::work::{Hold, HoldKind};
use std::collections::BTreeSet;

/// No bit: cut away, or the bridge of a tab.
const NONE: u32 = u32::MAX;

/// The bits of wood at the end.
pub(super) struct Joined<'a> {
    grid: &'a Grid,
    /// The bit of each cell.
    bits: Vec<u32>,
    /// The motion from which something holds a bit, or [`NEVER`].
    held_from: Vec<u32>,
    /// Screws and clamps in each bit: the motion from which each holds, and its place.
    holds: Vec<Vec<(u32, Point)>>,
    /// The tabs of each bit.
    bridges: Vec<Vec<Bridge>>,
    /// Bits that are pieces.
    bodies: BTreeSet<u32>,
}

/// A tab that holds, from one bit to another.
#[derive(Clone)]
struct Bridge {
    piece: usize,
    to: u32,
}

impl<'a> Joined<'a> {
    /// The tabs and skins of each piece: all of them part the bits, those that may hold join them.
    pub(super) fn new(
        scene: &Scene<'_>,
        grid: &'a Grid,
        measured: &[(usize, Measured)],
    ) -> Joined<'a> {
        let tabs = || measured.iter().map(|(i, m)| (*i, m.tabs.as_slice()));
        let mut bits: Vec<u32> = vec![NONE; grid.cut.len()];
        let mut open: Vec<bool> = grid.cut.iter().map(|c| *c == NEVER).collect();
        for tab in tabs().flat_map(|(_, t)| t) {
            for p in &tab.bridge {
                if let Some(c) = grid.at(*p) {
                    open[c] = false;
                }
            }
        }
        let count = label(grid, &open, &mut bits);
        let mut joined = Joined {
            grid,
            bits,
            held_from: vec![NEVER; count as usize],
            holds: vec![Vec::new(); count as usize],
            bridges: vec![Vec::new(); count as usize],
            bodies: BTreeSet::new(),
        };
        for (cell, from) in super::regions::hold_cells(scene, grid) {
            if let Some(held) = joined.held_from.get_mut(joined.bits[cell] as usize) {
                *held = from.min(*held);
            }
        }
        for hold in scene
            .setup
            .holds
            .iter()
            .filter(|h| h.kind != HoldKind::Stop)
        {
            let at = (super::regions::from(scene, hold), hold.at);
            for bit in joined.under(hold) {
                joined.holds[bit as usize].push(at);
            }
        }
        for (piece, tabs) in tabs() {
            for t in tabs.iter().filter(|t| t.weak.is_none()) {
                let ends = [joined.bit(t.inner), joined.beyond(t)];
                if let [Some(inner), Some(outer)] = ends {
                    joined.bridges[inner as usize].push(Bridge { piece, to: outer });
                    joined.bridges[outer as usize].push(Bridge { piece, to: inner });
                }
            }
        }
        joined.bodies = measured
            .iter()
            .filter_map(|(_, m)| joined.most(&m.within))
            .collect();
        joined
    }
    /// The bit at a place, or in a cell beside it.
    fn bit(&self, p: Point) -> Option<u32> {
        let c = self.grid.cell;
        [(0.0, 0.0), (c, 0.0), (-c, 0.0), (0.0, c), (0.0, -c)]
            .into_iter()
            .filter_map(|(x, y)| self.grid.at(p + grainway_geom::point(x, y)))
            .map(|cell| self.bits[cell])
            .find(|b| *b != NONE)
    }
    /// The bit that most of these places lie in.
    pub(super) fn most(&self, places: &[Point]) -> Option<u32> {
        let mut counts = std::collections::BTreeMap::new();
        for b in places.iter().filter_map(|p| self.bit(*p)) {
            *counts.entry(b).or_insert(0usize) += 1;
        }
        counts
            .into_iter()
            .max_by_key(|(b, n)| (*n, std::cmp::Reverse(*b)))
            .map(|(b, _)| b)
    }
    /// Screws and clamps that hold this bit from the motion `by` at the latest.
    pub(super) fn holds_in(&self, bit: u32, by: u32) -> Vec<Point> {
        let holds = self.holds[bit as usize].iter();
        holds.filter(|(from, _)| *from <= by).map(|h| h.1).collect()
    }
    /// The bits under a hold.
    fn under(&self, hold: &Hold) -> BTreeSet<u32> {
        let (cell, within) = (self.grid.cell, reach(hold));
        let r = (within / cell).ceil() as i64;
        let around = (-r..=r).flat_map(|dy| (-r..=r).map(move |dx| (dx, dy)));
        around
            .map(|(dx, dy)| hold.at + grainway_geom::point(dx as f64 * cell, dy as f64 * cell))
            .filter(|p| p.distance(hold.at) <= within + 1e-9)
            .filter_map(|p| self.grid.at(p))
            .map(|c| self.bits[c])
            .filter(|b| *b != NONE)
            .collect()
    }
    /// The bit that a tab ends in: the first one outwards that is no other tab, as far as wood stands without a break.
    fn beyond(&self, tab: &MeasuredTab) -> Option<u32> {
        let first = tab.outer.first().and_then(|p| self.bit(*p));
        let cells = || tab.outer.iter().map_while(|p| self.grid.at(*p));
        let standing = cells().take_while(|c| self.grid.cut[*c] == NEVER);
        let mut bits = standing.map(|c| self.bits[c]);
        first.or_else(|| bits.find(|b| *b != NONE))
    }
    /// The bits that a tab of `piece` joins it to, directly and by tabs of other pieces.
    fn joined_by(&self, tab: &MeasuredTab, piece: usize) -> Vec<u32> {
        let mut seen: Vec<u32> = self.beyond(tab).into_iter().collect();
        let mut next = 0;
        while let Some(bit) = seen.get(next).copied() {
            next += 1;
            let bridges = self.bridges[bit as usize].iter();
            for b in bridges.filter(|b| b.piece != piece) {
                if !seen.contains(&b.to) {
                    seen.push(b.to);
                }
            }
        }
        seen
    }
    /// What a tab of `piece` ends in is held by the motion `by`, without that piece's own tabs.
    pub(super) fn held_outside(&self, tab: &MeasuredTab, piece: usize, by: u32) -> bool {
        let held = |bit: &u32| self.held_from[*bit as usize] <= by;
        // The bit that it ends in is nearly always held itself.
        self.beyond(tab).is_some_and(|b| held(&b)) || self.joined_by(tab, piece).iter().any(held)
    }
    /// A tab of `piece` carries another piece, which is judged by itself.
    pub(super) fn carries(&self, tab: &MeasuredTab, piece: usize) -> bool {
        let joined = self.joined_by(tab, piece);
        joined.iter().any(|b| self.bodies.contains(b))
    }
    /// The motion by which all of these places were cut through: the moment at which the wood between them comes free.
    pub(super) fn cut_by(&self, places: &[Point]) -> u32 {
        places
            .iter()
            .filter_map(|p| self.grid.at(*p))
            .map(|c| self.grid.cut[c])
            .filter(|t| *t != NEVER)
            .max()
            .unwrap_or(0)
    }
}

/// Gives all open cells that are joined the same number, from 0 in the order of their first cells; how many numbers there are.
fn label(grid: &Grid, open: &[bool], bits: &mut [u32]) -> u32 {
    let runs = grid.runs_of(open);
    let mut numbers: Vec<u32> = vec![NONE; runs.count()];
    let is_open = |run: usize| open[runs.cells(run).start];
    let mut count = 0;
    for first in 0..numbers.len() {
        if !is_open(first) || numbers[first] != NONE {
            continue;
        }
        let mut stack = vec![first];
        numbers[first] = count;
        while let Some(run) = stack.pop() {
            bits[runs.cells(run)].fill(count);
            runs.beside(run, |n| {
                if numbers[n] == NONE && is_open(n) {
                    numbers[n] = count;
                    stack.push(n);
                }
            });
        }
        count += 1;
    }
    count
}
