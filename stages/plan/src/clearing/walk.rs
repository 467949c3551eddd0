//! The loops of a recess as trees, and the run through them on one pass.

use super::{Clearing, HELIX_SHARE, LINK_LIFT_MM, Lobe, OVERLAP_MM, started_at};
use crate::entry::{self, Wall};
use grainway_geom::{Contour, Point, Region, Segment, pole};
use grainway_pipeline::motion::Move;

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

/// Running through a tree of loops on one pass.
pub(super) struct Walk<'a, 'b> {
    pub(super) clearing: &'a Clearing<'a>,
    pub(super) moves: &'b mut Vec<Move>,
    pub(super) centres: &'a [Region],
    pub(super) lobes: &'a [Lobe],
    /// Where the cutter stands, at depth; `None` before the first entry.
    pub(super) at: Option<Point>,
    /// Floor of this pass.
    pub(super) z: f64,
    /// Height that is free of wood before this pass (a little above the wood on the first).
    pub(super) above: f64,
    /// The cutter stands in cleared room beside what it is to clear: it needs no way into the wood.
    pub(super) beside_air: bool,
}

impl Walk<'_, '_> {
    /// The inner loops, then this one's. `root`: this one runs along the walls.
    pub(super) fn node(&mut self, node: &Node, root: bool) {
        for child in &node.children {
            self.node(child, false);
        }
        let mut open: Vec<&Contour> = node.region.contours().collect();
        let mut entered = self.beside_air || !node.children.is_empty();
        let leaf = node.children.is_empty();
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
            if entered {
                self.onto(&path, root, leaf, &mine);
            } else {
                self.enter(node, &path, root, &mine);
                entered = true;
            }
        }
    }

    fn wall(&self) -> Option<Wall> {
        Some(Wall {
            right: self.clearing.climb,
            radius: self.clearing.radius,
        })
    }

    /// Once round a loop from its start, at depth.
    fn round(&mut self, path: &Contour, from: f64, wide: bool, root: bool, lobes: &[Lobe]) {
        let length = path.length();
        let overlap = if root {
            OVERLAP_MM.min(0.25 * length)
        } else {
            0.0
        };
        // The loop in the middle of the wood cuts with its whole width.
        let feed = if wide {
            self.clearing.slowed(self.clearing.feed)
        } else {
            self.clearing.feed
        };
        let to = from + length + overlap;
        self.clearing
            .along(self.moves, path, from, to, self.z, feed, self.wall(), lobes);
        self.at = path.at_length(to % length).map(|(p, _)| p);
    }

    /// From where the cutter stands at depth onto a loop: straight when that stays in the room, else out and in again by a ramp.
    fn onto(&mut self, path: &Contour, root: bool, wide: bool, lobes: &[Lobe]) {
        let Some(at) = self.at else { return };
        let Some((p, along)) = path.nearest(at) else {
            return;
        };
        if p.distance(at) < 1e-6 || self.in_room(at, p) {
            if p.distance(at) >= 1e-6 {
                self.moves.push(Move::line(
                    p.at_z(self.z),
                    self.clearing.slowed(self.clearing.feed),
                ));
            }
            let path = started_at(path, along);
            self.round(&path, 0.0, wide, root, lobes);
        } else {
            let path = started_at(path, along);
            self.come_over(p);
            self.ramp_in(&path, wide, root, lobes);
        }
    }

    /// Into the wood at an innermost loop.
    fn enter(&mut self, node: &Node, path: &Contour, root: bool, lobes: &[Lobe]) {
        let radius = self.clearing.radius;
        if let Some((hub, _)) = pole(&node.region, 0.1 * radius) {
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
                    if p.distance(start) > 1e-6 {
                        self.moves.push(Move::line(
                            p.at_z(self.z),
                            self.clearing.slowed(self.clearing.feed),
                        ));
                    }
                    let path = started_at(path, along);
                    self.round(&path, 0.0, true, root, lobes);
                    return;
                }
            }
        }
        // No room for a helix: down along the loop itself.
        let along = self
            .at
            .and_then(|at| path.nearest(at))
            .map_or(0.0, |(_, along)| along);
        let path = started_at(path, along);
        let Some(start) = path.start() else { return };
        self.come_over(start);
        self.ramp_in(&path, true, root, lobes);
    }

    /// Down along a loop from its start, then once round from where the floor was reached.
    fn ramp_in(&mut self, path: &Contour, wide: bool, root: bool, lobes: &[Lobe]) {
        let on = entry::ramp_closed(self.moves, path, self.above, self.z, &self.clearing.way);
        self.round(path, on, wide, root, lobes);
    }

    /// Over a place at the height that is free: through the cleared room when the way is clear, else by safe height.
    fn come_over(&mut self, to: Point) {
        let free = self.above;
        match self.at {
            Some(at) if free <= self.clearing.top && self.in_room(at, to) => {
                let lift = free + LINK_LIFT_MM;
                self.moves
                    .push(Move::line(at.at_z(lift), self.clearing.feed));
                if at.distance(to) > 1e-6 {
                    self.moves
                        .push(Move::line(to.at_z(lift), self.clearing.feed));
                }
            }
            at => {
                if let Some(at) = at {
                    entry::retract(self.moves, at);
                }
                entry::approach(self.moves, to, self.clearing.approach);
            }
        }
        self.moves
            .push(Move::line(to.at_z(free), self.clearing.way.plunge));
        self.at = Some(to);
    }

    /// Down to the floor of a pass in room that is cleared.
    pub(super) fn down_in_air(&mut self, at: Point, z: f64, above: f64) {
        self.moves
            .push(Move::line(at.at_z(z), self.clearing.way.plunge));
        (self.at, self.z, self.above) = (Some(at), z, above);
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
