//! The loops of a recess as trees, and the run through them on one pass.

use super::wood::{self, Wood};
use super::{Clearing, HELIX_SHARE, Lobe, OVERLAP_MM, slow_zones, started_at};
use crate::entry::{self, Wall, Way};
use crate::reach::RUN_OUT_MM;
use grainway_geom::{Contour, Point, Region, Segment, SegmentIndex, pole};
use grainway_pipeline::motion::Move;

/// A loop nearer than this to where it touches a wall, besides what roughing leaves, is along it, mm.
const WALL_MM: f64 = 0.05;
/// A cut wider than this share of the diameter is a slot: it has no air on one side.
const SLOT_SHARE: f64 = 0.6;
/// A cut this many times as wide as a loop's distance jumps.
const JUMP_SHARE: f64 = 1.25;
/// A way across the floor that takes longer than this is gone at safe height: up, fast, and down again take about as long, s.
const OVER_SECONDS: f64 = 2.5;
/// A loop shorter than this many radii is entered on a helix, where there is room: to ramp round it again and again takes longer.
const SHORT_LOOP: f64 = 9.0;
/// Places in air from which a straight way to a loop is looked for, the nearest first.
const AIRS_TRIED: usize = 8;

/// A region of centres at one level, with the regions of the next level inside it.
pub(super) struct Node {
    pub(super) region: Region,
    pub(super) children: Vec<Node>,
}

/// The regions of successive insets as trees, outermost first.
pub(super) fn tree(levels: Vec<Vec<Region>>) -> Vec<Node> {
    let mut below: Vec<Node> = Vec::new();
    for level in levels.into_iter().rev() {
        let mut nodes: Vec<Node> = level
            .into_iter()
            .map(|region| Node {
                region,
                children: Vec::new(),
            })
            .collect();
        for child in below {
            let Some(p) = child.region.outer.start() else {
                continue;
            };
            // The parent holds the child; numbers at its very boundary leave it to distance.
            let parent = nodes.iter_mut().max_by(|a, b| {
                let depth = |n: &Node| {
                    let d = n.region.distance(p);
                    if n.region.contains(p) { d } else { -d }
                };
                depth(a).total_cmp(&depth(b))
            });
            if let Some(parent) = parent {
                parent.children.push(child);
            }
        }
        below = nodes;
    }
    below
}

/// Running through a tree of loops, pass by pass.
pub(super) struct Walk<'a, 'b> {
    pub(super) clearing: &'a Clearing<'a>,
    pub(super) moves: &'b mut Vec<Move>,
    pub(super) centres: &'a [Region],
    pub(super) lobes: &'a [Lobe],
    /// Where the cutter stands; `None` before the first entry.
    pub(super) at: Option<Point>,
    /// Floor of this pass.
    pub(super) z: f64,
    /// Height that is free of wood before this pass (a little above the wood on the first).
    pub(super) above: f64,
    /// The cutter stands on the floor of this pass, not on the one before.
    pub(super) deep: bool,
    /// The cutter stands in cleared room beside what it is to clear: it needs no way into the wood.
    pub(super) beside_air: bool,
    /// What stands at this level; `None` where that is not known.
    pub(super) wood: Option<Wood>,
    /// Places of the centre beside the wood, in air.
    pub(super) airs: Vec<Point>,
    /// The recess's walls, without its mouths.
    pub(super) walls: &'a SegmentIndex,
}

impl Walk<'_, '_> {
    /// Goes on to the next floor; `wood` stands above it.
    pub(super) fn level(&mut self, z: f64, above: f64, wood: &Wood) {
        (self.z, self.above, self.deep) = (z, above, false);
        self.wood = Some(wood.clone());
    }

    /// The inner loops, then this one's. `root`: this one runs along the walls.
    pub(super) fn node(&mut self, node: &Node, root: bool) {
        for child in &node.children {
            self.node(child, false);
        }
        let mut open: Vec<&Contour> = node.region.contours().collect();
        let mut entered = self.beside_air || !node.children.is_empty();
        let mut lobes: Vec<Lobe> = if root {
            self.lobes.to_vec()
        } else {
            Vec::new()
        };
        while !open.is_empty() {
            // The nearest loop next; the first of a leaf needs a way into the wood.
            let at = self.at;
            let next = match at {
                Some(p) if entered => (0..open.len())
                    .min_by(|a, b| open[*a].distance(p).total_cmp(&open[*b].distance(p))),
                _ => Some(0),
            };
            let contour = open.swap_remove(next.unwrap_or(0));
            let path = if self.clearing.climb {
                contour.clone()
            } else {
                contour.reversed()
            };
            // Lobes belong to the nearest of the loops.
            let (mine, rest): (Vec<Lobe>, Vec<Lobe>) = lobes.iter().copied().partition(|l| {
                let here = path.distance(l.from);
                open.iter().all(|o| o.distance(l.from) >= here - 1e-9)
            });
            lobes = rest;
            match self.pieces(&path, root, &mine) {
                None => {
                    if self.deep && (entered || self.near(&path)) {
                        self.onto(&path, root, &mine);
                    } else if !self.enter_from_air(&path, root, &mine) {
                        self.enter(node, &path, root, &mine);
                    }
                }
                Some(pieces) => {
                    for (from, to) in pieces {
                        if let Some((p, _)) = path.at_length(from % path.length()) {
                            self.reach(p);
                            self.cut(&path, from, to, &mine);
                        }
                    }
                }
            }
            entered |= self.deep;
        }
    }

    /// The feed of a slot one pass deep, from the face or from the floor before.
    fn slot_feed(&self) -> f64 {
        let above = self.above.min(self.clearing.top);
        self.clearing.slot_feed(above - self.z)
    }

    /// A straight way through what still stands leads to the loop, shorter than one out and in again takes.
    fn near(&self, path: &Contour) -> bool {
        let seconds = 60.0 / self.slot_feed();
        self.at.is_some_and(|at| {
            path.nearest(at).is_some_and(|(p, _)| {
                p.distance(at) * seconds < OVER_SECONDS && self.in_room(at, p)
            })
        })
    }

    fn wall(&self) -> Wall {
        Wall {
            right: self.clearing.climb,
            radius: self.clearing.radius,
        }
    }

    /// The stretches of a loop on which the cutter finds wood, by length, in their order, the nearest first; `None` when it does all
    /// the way round. A loop along the walls is run wherever wood stood before anything was cut.
    fn pieces(&mut self, path: &Contour, root: bool, lobes: &[Lobe]) -> Option<Vec<(f64, f64)>> {
        let radius = self.clearing.radius;
        let wood = self.wood.as_mut()?;
        let length = path.length();
        let n = (length / wood.step).ceil().max(4.0) as usize;
        let step = length / n as f64;
        let beside = radius + self.clearing.allowance + WALL_MM;
        let at_wall = |p: Point| self.walls.distance_to_point(p, beside).is_some();
        let hangs = |p: Point| lobes.iter().any(|l| l.from.distance(p) <= radius);
        let touches: Vec<bool> = wood::places(path, 0.0, step, n)
            .into_iter()
            .map(|p| hangs(p) || wood.touches(p) || (root && wood.stood(p) && at_wall(p)))
            .collect();
        let n = touches.len();
        let first = touches.iter().position(|t| !t)?;
        let mut pieces: Vec<(f64, f64)> = Vec::new();
        let mut run: Option<usize> = None;
        for k in first..=first + n {
            match (run, touches[k % n]) {
                (None, true) => run = Some(k),
                (Some(from), false) => {
                    // From where nothing is touched yet to well beyond where nothing is touched any more.
                    let out = k as f64 * step + RUN_OUT_MM;
                    pieces.push(((from as f64 - 1.5) * step, out));
                    run = None;
                }
                _ => {}
            }
        }
        let starts = |p: &(f64, f64)| path.at_length(p.0.rem_euclid(length)).map(|q| q.0);
        let nearest = self.at.and_then(|at| {
            (0..pieces.len()).min_by(|a, b| {
                let d = |i: usize| starts(&pieces[i]).map_or(f64::INFINITY, |p| p.distance(at));
                d(*a).total_cmp(&d(*b))
            })
        });
        pieces.rotate_left(nearest.unwrap_or(0));
        let local = |(a, b): (f64, f64)| (a.rem_euclid(length), a.rem_euclid(length) + (b - a));
        Some(pieces.into_iter().map(local).collect())
    }

    /// Along a loop at depth, with the feed that each stretch allows.
    fn cut(&mut self, path: &Contour, from: f64, to: f64, lobes: &[Lobe]) {
        let spans = self.spans(path, from, to);
        self.clearing.along(
            self.moves,
            path,
            from,
            &spans,
            self.z,
            Some(self.wall()),
            lobes,
        );
        let end = match path.closed {
            true => to.rem_euclid(path.length()),
            false => to,
        };
        self.at = path.at_length(end).map(|(p, _)| p);
    }

    /// Where each stretch of a cut ends, and its feed: lower where the whole width of the cutter is engaged, and where the width jumps
    /// in a corner that turns into the wood.
    fn spans(&mut self, path: &Contour, from: f64, to: f64) -> Vec<(f64, f64)> {
        let c = self.clearing;
        let slot = self.slot_feed();
        let corners = slow_zones(path, self.wall(), c.radius, from, to);
        let Some(wood) = self.wood.as_mut() else {
            let mut spans = Vec::new();
            for (a, b) in corners {
                spans.extend([(a, c.feed), (b, c.slowed(c.feed))]);
            }
            spans.push((to, c.feed));
            return spans;
        };
        let widths = wood.widths(path, from, to);
        let step = (to - from) / widths.len() as f64;
        let mut feeds: Vec<f64> = widths
            .iter()
            .map(|w| {
                if *w > SLOT_SHARE * 2.0 * c.radius {
                    slot
                } else {
                    c.feed
                }
            })
            .collect();
        for (a, b) in corners {
            let first = ((a - from) / step).floor().max(0.0) as usize;
            let last = (((b - from) / step).ceil() as usize).min(widths.len());
            let jumps = widths[first..last].iter().any(|w| *w > JUMP_SHARE * c.step);
            if jumps {
                let slow = c.slowed(c.feed);
                feeds[first..last].iter_mut().for_each(|f| *f = f.min(slow));
            }
        }
        // Short stretches between slower ones are no gain.
        let least = (c.radius / step).ceil() as usize;
        let mut i = 0;
        while i < feeds.len() {
            let run = feeds[i..].iter().take_while(|f| **f >= feeds[i]).count();
            let before = if i > 0 { feeds[i - 1] } else { 0.0 };
            if i > 0 && i + run < feeds.len() && run < least && before < feeds[i] {
                feeds[i..i + run].fill(before);
            }
            i += run.max(1);
        }
        let mut spans: Vec<(f64, f64)> = Vec::new();
        for (i, feed) in feeds.into_iter().enumerate() {
            let end = from + step * (i + 1) as f64;
            match spans.last_mut() {
                Some(last) if (last.1 - feed).abs() < 0.5 => last.0 = end,
                _ => spans.push((end, feed)),
            }
        }
        spans
    }

    /// All the way round a loop from length `from`, at depth.
    fn round(&mut self, path: &Contour, from: f64, root: bool, lobes: &[Lobe]) {
        let length = path.length();
        let overlap = if root {
            OVERLAP_MM.min(0.25 * length)
        } else {
            0.0
        };
        self.cut(path, from, from + length + overlap, lobes);
    }

    /// Straight to a place on this floor, through wood if there is any.
    fn across(&mut self, to: Point) {
        let Some(at) = self.at else { return };
        if at.distance(to) >= 1e-6 {
            let cuts = self.wood.as_mut().is_none_or(|w| w.cross(at, to));
            let feed = if cuts {
                self.slot_feed()
            } else {
                self.clearing.feed
            };
            self.moves.push(Move::line(to.at_z(self.z), feed));
        }
        self.at = Some(to);
    }

    /// Onto this floor over a place where nothing stands, or across the floor to it, whichever is quicker.
    fn reach(&mut self, to: Point) {
        let way = self.at.map_or(f64::INFINITY, |at| at.distance(to));
        let quick = 60.0 * way / self.clearing.feed < OVER_SECONDS;
        if self.deep && quick && self.at.is_some_and(|at| self.in_room(at, to)) {
            return self.across(to);
        }
        self.come_over(to);
        self.moves
            .push(Move::line(to.at_z(self.z), self.clearing.way.plunge));
        (self.at, self.deep) = (Some(to), true);
    }

    /// From where the cutter stands at depth onto a loop: straight when that stays in the room, else out and in again by a ramp.
    fn onto(&mut self, path: &Contour, root: bool, lobes: &[Lobe]) {
        let Some(at) = self.at else { return };
        let Some((p, along)) = path.nearest(at) else {
            return;
        };
        let path = started_at(path, along);
        if p.distance(at) < 1e-6 || self.in_room(at, p) {
            self.across(p);
            self.round(&path, 0.0, root, lobes);
        } else {
            self.come_over(p);
            self.ramp_in(&path, root, lobes);
        }
    }

    /// Down in air beside the wood, and onto a loop from there; `false` (and no move) where no way leads from air to it.
    fn enter_from_air(&mut self, path: &Contour, root: bool, lobes: &[Lobe]) -> bool {
        let way = |a: &Point| {
            path.nearest(*a)
                .map(|(p, along)| (p.distance(*a), p, along))
        };
        let mut ways: Vec<(f64, Point, Point, f64)> = self
            .airs
            .iter()
            .filter_map(|a| way(a).map(|(d, p, along)| (d, *a, p, along)))
            .collect();
        ways.sort_by(|a, b| a.0.total_cmp(&b.0));
        let found = ways
            .into_iter()
            .take(AIRS_TRIED)
            .find(|w| self.in_room(w.1, w.2));
        let Some((_, air, p, along)) = found else {
            return false;
        };
        self.reach(air);
        self.across(p);
        self.round(&started_at(path, along), 0.0, root, lobes);
        true
    }

    /// Into the wood at an innermost loop: down along it, or on a helix where it is short.
    fn enter(&mut self, node: &Node, path: &Contour, root: bool, lobes: &[Lobe]) {
        let radius = self.clearing.radius;
        let short = path.length() < SHORT_LOOP * radius;
        if short && let Some((hub, _)) = pole(&node.region, 0.1 * radius) {
            let free = self
                .centres
                .iter()
                .filter(|c| c.contains(hub))
                .map(|c| c.distance(hub))
                .fold(0.0, f64::max);
            let turn = (free - 1e-3).min(HELIX_SHARE[1] * radius);
            if turn >= HELIX_SHARE[0] * radius {
                let start = hub + grainway_geom::point(turn, 0.0);
                if let Some((p, along)) = path.nearest(start)
                    && self.in_room(start, p)
                {
                    self.come_over(start);
                    entry::helix(
                        self.moves,
                        hub,
                        turn,
                        self.above,
                        self.z,
                        self.clearing.climb,
                        &self.clearing.way,
                    );
                    self.deep = true;
                    self.across(p);
                    self.round(&started_at(path, along), 0.0, root, lobes);
                    return;
                }
            }
        }
        let along = self
            .at
            .and_then(|at| path.nearest(at))
            .map_or(0.0, |(_, along)| along);
        let path = started_at(path, along);
        let Some(start) = path.start() else { return };
        self.come_over(start);
        self.ramp_in(&path, root, lobes);
    }

    /// Down along a loop from its start, then once round from where the floor was reached. The upper half of the ramp cuts no more than
    /// half of what the floor does.
    fn ramp_in(&mut self, path: &Contour, root: bool, lobes: &[Lobe]) {
        let c = self.clearing;
        let half = 0.5 * (self.above + self.z);
        let slow = Way {
            feed: self.slot_feed(),
            ..c.way
        };
        let on = entry::ramp_closed(self.moves, path, 0.0, (self.above, half), &c.way);
        let on = entry::ramp_closed(self.moves, path, on, (half, self.z), &slow);
        self.deep = true;
        self.round(path, on, root, lobes);
    }

    /// Over a place at the height that is free: across the floor before when the way is clear, else by safe height.
    fn come_over(&mut self, to: Point) {
        let free = self.above;
        match self.at {
            Some(at) if free <= self.clearing.top && self.in_room(at, to) => {
                if self.deep {
                    self.moves
                        .push(Move::line(at.at_z(free), self.clearing.feed));
                }
                if at.distance(to) > 1e-6 {
                    self.moves
                        .push(Move::line(to.at_z(free), self.clearing.feed));
                }
            }
            at => {
                if let Some(at) = at {
                    entry::retract(self.moves, at);
                }
                entry::approach(self.moves, to, self.clearing.approach);
                self.moves
                    .push(Move::line(to.at_z(free), self.clearing.way.plunge));
            }
        }
        (self.at, self.deep) = (Some(to), false);
    }

    /// Down to the floor of a pass in room that is cleared.
    pub(super) fn down_in_air(&mut self, at: Point, z: f64, above: f64) {
        self.moves
            .push(Move::line(at.at_z(z), self.clearing.way.plunge));
        (self.at, self.z, self.above, self.deep) = (Some(at), z, above, true);
    }

    /// Back to a place on the floor of this pass: straight when that stays in the room, else over safe height.
    pub(super) fn back_to(&mut self, to: Point) {
        let Some(at) = self.at else { return };
        if at.distance(to) < 1e-6 {
            return;
        }
        if self.in_room(at, to) {
            self.moves
                .push(Move::line(to.at_z(self.z), self.clearing.feed));
        } else {
            entry::retract(self.moves, at);
            entry::approach(self.moves, to, self.clearing.approach);
        }
        self.at = Some(to);
    }

    pub(super) fn leave(&mut self) {
        if let Some(at) = self.at {
            entry::retract(self.moves, at);
        }
    }

    /// The straight way from `a` to `b` stays in the region of centres.
    fn in_room(&self, a: Point, b: Point) -> bool {
        // Points on the boundary itself (loops along the wall) count as inside.
        const ON_WALL_MM: f64 = 2e-3;
        let Some(region) = self.centres.iter().find(|c| {
            (c.contains(a) || c.distance(a) < ON_WALL_MM)
                && (c.contains(b) || c.distance(b) < ON_WALL_MM)
        }) else {
            return false;
        };
        let link = Segment::Line { a, b };
        let length = a.distance(b);
        // Between crossings with the boundary the link is inside or outside as a whole; the middle of each stretch decides.
        let mut cuts = vec![0.0, length];
        for s in region.contours().flat_map(Contour::segments) {
            for p in grainway_geom::intersections(&link, &s) {
                cuts.push(p.distance(a).min(length));
            }
        }
        cuts.sort_by(f64::total_cmp);
        cuts.windows(2).all(|w| {
            let m = a.lerp(b, 0.5 * (w[0] + w[1]) / length.max(1e-12));
            w[1] - w[0] < 1e-3 || region.contains(m) || region.distance(m) < ON_WALL_MM
        })
    }
}
