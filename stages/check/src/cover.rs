//! What a text leaves of a region, with polygons only where something may be left.
//!
//! Whatever is left is bounded by pieces of the region's own edge and of the outlines of what the cutters sweep, and none of these pieces
//! lies inside another sweep. Such pieces are found in closed form; the box round those that hang together holds what is left between
//! them. Where there are none, nothing is left, and the polygon kernel is not asked.

use super::curves::{Boxes, Inside, crossings};
use super::screen::Screen;
use grainway_geom::{Bounds, Capsule, Contour, Point, PolySet, Region, Segment, near_pairs, swept};
use grainway_pipeline::tolerance::KERNEL_MM;
use std::f64::consts::PI;

/// A place is covered by a sweep when it lies at least so deep in it, mm: of two sweeps that end at the same line none covers the end of
/// the other.
const DEEP_MM: f64 = 1e-6;
/// What is shorter than this is rounding, mm.
const ROUNDING_MM: f64 = 1e-7;
/// Pieces whose boxes are so near each other hang together, mm.
const TOGETHER_MM: f64 = 1e-3;
/// More pieces than this are not sorted into boxes of their own.
const MOST_PIECES: usize = 4000;

/// What is left of `wanted` by what the capsules sweep.
pub(super) fn rest(wanted: &PolySet, capsules: &[Capsule]) -> PolySet {
    let windows = open_windows(wanted, capsules);
    if windows.is_empty() {
        return PolySet::default();
    }
    let rooms = windows.iter().map(|b| {
        let b = b.grown(TOGETHER_MM);
        Region::inside(Contour::rectangle(b.min, b.max, 0.0))
    });
    let rooms = PolySet::from_regions(&rooms.collect::<Vec<_>>(), KERNEL_MM);
    let wanted = wanted.intersection(&rooms);
    let bounds = wanted.bounds();
    let near = |c: &&Capsule| c.segment.bounds().grown(c.radius).touches(bounds);
    let capsules: Vec<Capsule> = capsules.iter().filter(near).copied().collect();
    match Screen::new(bounds, &capsules) {
        Some(screen) => wanted
            .intersection(&screen.open_cells())
            .difference(&swept(&screen.relevant(&capsules))),
        None => wanted.difference(&swept(&capsules)),
    }
}

/// Boxes that hold everything that may be left of `wanted`.
fn open_windows(wanted: &PolySet, capsules: &[Capsule]) -> Vec<Bounds> {
    let cover = Cover::new(capsules);
    let rings: Vec<Contour> = wanted
        .to_regions()
        .iter()
        .flat_map(|r| r.contours().cloned().collect::<Vec<_>>())
        .collect();
    let edges: Vec<Segment> = rings.iter().flat_map(Contour::segments).collect();
    let edge_boxes = Boxes::new(edges.iter().map(Segment::bounds).collect());
    let inside = Inside::new(&rings);
    let mut open: Vec<Bounds> = Vec::new();
    for edge in &edges {
        open.extend(cover.open(edge).iter().map(Segment::bounds));
    }
    let bounds = wanted.bounds();
    for (c, reach) in cover.capsules.iter().zip(&cover.reaches) {
        if !reach.touches(bounds) {
            continue;
        }
        for line in outline(c, c.radius) {
            for piece in within(&line, &edges, &edge_boxes, &inside) {
                open.extend(cover.open(&piece).iter().map(Segment::bounds));
            }
        }
    }
    together(open)
}

/// The pieces of `s` that lie inside the region of these edges.
fn within(s: &Segment, edges: &[Segment], boxes: &Boxes, inside: &Inside) -> Vec<Segment> {
    let mut shares = vec![0.0, 1.0];
    boxes.visit(s.bounds().grown(ROUNDING_MM), usize::MAX, &mut |i| {
        let found = crossings(s, &edges[i]);
        shares.extend(found.as_slice().iter().map(|p| s.nearest(*p).1));
        true
    });
    shares.sort_by(f64::total_cmp);
    let inside = shares
        .windows(2)
        .filter(|w| inside.contains(s.at(0.5 * (w[0] + w[1]))));
    inside.map(|w| s.piece(w[0], w[1])).collect()
}

/// Boxes that touch, as one.
fn together(boxes: Vec<Bounds>) -> Vec<Bounds> {
    if boxes.len() > MOST_PIECES {
        return vec![boxes.into_iter().fold(Bounds::EMPTY, Bounds::union)];
    }
    let mut first: Vec<usize> = (0..boxes.len()).collect();
    fn root(first: &mut [usize], mut i: usize) -> usize {
        while first[i] != i {
            first[i] = first[first[i]];
            i = first[i];
        }
        i
    }
    for (a, b) in near_pairs(&boxes, TOGETHER_MM) {
        let (a, b) = (root(&mut first, a), root(&mut first, b));
        first[a.max(b)] = a.min(b);
    }
    let mut all = vec![Bounds::EMPTY; boxes.len()];
    for (i, b) in boxes.iter().enumerate() {
        let i = root(&mut first, i);
        all[i] = all[i].union(*b);
    }
    all.retain(|b| !b.is_empty());
    all
}

/// The edge of what a capsule sweeps with this radius; of an arc with the whole circles at its ends, of which a part lies inside.
fn outline(c: &Capsule, radius: f64) -> Vec<Segment> {
    let half = |centre: Point, from: Point| Segment::arc_about(centre, centre + from * radius, PI);
    let disc = |at: Point| [Point::unit(0.0), Point::unit(PI)].map(|u| half(at, u));
    match c.segment {
        Segment::Line { a, b } => match (b - a).normalized() {
            None => disc(a).to_vec(),
            Some(u) => {
                let side = u.left() * radius;
                vec![
                    Segment::Line {
                        a: a + side,
                        b: b + side,
                    },
                    half(a, u.left()),
                    Segment::Line {
                        a: a - side,
                        b: b - side,
                    },
                    half(b, -u.left()),
                ]
            }
        },
        Segment::Arc {
            a,
            b,
            centre,
            radius: r,
            sweep,
        } => {
            let out = (a - centre) * (1.0 / r);
            let mut all = [disc(a), disc(b)].concat();
            for r in [r + radius, r - radius] {
                if r > ROUNDING_MM {
                    all.push(Segment::arc_about(centre, centre + out * r, sweep));
                }
            }
            all
        }
    }
}

/// Capsules that are asked what they cover.
struct Cover {
    capsules: Vec<Capsule>,
    reaches: Vec<Bounds>,
    boxes: Boxes,
    /// Where what each covers ends.
    ends: Vec<Vec<(Segment, Bounds)>>,
}

impl Cover {
    fn new(capsules: &[Capsule]) -> Cover {
        let sound = |c: &&Capsule| {
            let s = &c.segment;
            c.radius > DEEP_MM
                && c.radius.is_finite()
                && s.start().is_finite()
                && s.end().is_finite()
                && s.length().is_finite()
        };
        let capsules: Vec<Capsule> = capsules.iter().filter(sound).copied().collect();
        let reaches: Vec<Bounds> = capsules
            .iter()
            .map(|c| c.segment.bounds().grown(c.radius))
            .collect();
        let ends = |c: &Capsule| {
            let lines = outline(c, c.radius - DEEP_MM).into_iter();
            lines.map(|l| (l, l.bounds().grown(ROUNDING_MM))).collect()
        };
        Cover {
            ends: capsules.iter().map(ends).collect(),
            boxes: Boxes::new(reaches.clone()),
            capsules,
            reaches,
        }
    }

    /// The pieces of `s` that lie in none of them.
    fn open(&self, s: &Segment) -> Vec<Segment> {
        let length = s.length();
        if length <= ROUNDING_MM {
            return Vec::new();
        }
        let (middle, half) = (s.at(0.5), 0.5 * length);
        let mut near: Vec<usize> = Vec::new();
        let mut whole = false;
        self.boxes.visit(s.bounds(), usize::MAX, &mut |i| {
            let c = &self.capsules[i];
            let (off, within) = (c.segment.distance(middle), c.radius - DEEP_MM);
            whole = off + half <= within || straight_inside(s, &c.segment, within);
            if off < within + half {
                near.push(i);
            }
            !whole
        });
        if whole {
            return Vec::new();
        }
        let bounds = s.bounds();
        let mut covered: Vec<(f64, f64)> = Vec::new();
        let mut shares: Vec<f64> = Vec::new();
        for i in near {
            let c = &self.capsules[i];
            let within = c.radius - DEEP_MM;
            shares.clear();
            shares.extend([0.0, 1.0]);
            for (line, _) in self.ends[i].iter().filter(|(_, b)| b.touches(bounds)) {
                let found = crossings(s, line);
                shares.extend(found.as_slice().iter().map(|p| s.nearest(*p).1));
            }
            shares.sort_by(f64::total_cmp);
            for w in shares.windows(2).filter(|w| w[0] < w[1]) {
                if c.segment.distance(s.at(0.5 * (w[0] + w[1]))) <= within {
                    covered.push((w[0], w[1]));
                }
            }
        }
        covered.sort_by(|a, b| a.0.total_cmp(&b.0));
        covered.push((1.0, 1.0));
        let mut open = Vec::new();
        let mut reached = 0.0;
        for (from, to) in covered {
            if (from - reached) * length > ROUNDING_MM {
                open.push(s.piece(reached, from));
            }
            reached = to.max(reached);
        }
        open
    }
}

/// A line lies within a distance of another: its ends do, and what is within is convex.
fn straight_inside(s: &Segment, path: &Segment, within: f64) -> bool {
    let lines = matches!((s, path), (Segment::Line { .. }, Segment::Line { .. }));
    lines && path.distance(s.start()) <= within && path.distance(s.end()) <= within
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::tests::Random;
    use grainway_geom::point;
    use std::f64::consts::TAU;

    impl Random {
        fn between(&mut self, low: f64, high: f64) -> f64 {
            low + (high - low) * self.next()
        }
        fn place(&mut self) -> Point {
            point(self.between(-5.0, 55.0), self.between(-5.0, 45.0))
        }
    }

    fn wanted() -> PolySet {
        let outer = Contour::rectangle(point(0.0, 0.0), point(50.0, 40.0), 7.0);
        let hole = Contour::circle(point(22.0, 18.0), 6.0).oriented(false);
        PolySet::from_regions(
            &[Region {
                outer,
                holes: vec![hole],
            }],
            KERNEL_MM,
        )
    }

    /// Loops from the wall inwards as a pocket has them, with arcs at the corners.
    fn loops(step: f64, radius: f64) -> Vec<Capsule> {
        let mut all = Vec::new();
        let mut off = radius - 0.001;
        while off < 20.0 {
            let (min, max) = (point(off, off), point(50.0 - off, 40.0 - off));
            let ring = Contour::rectangle(min, max, (7.0 - off).max(0.0));
            all.extend(ring.segments().map(|segment| Capsule { segment, radius }));
            off += step;
        }
        all
    }

    fn same_as_exact(wanted: &PolySet, capsules: &[Capsule], case: &str) -> f64 {
        let exact = wanted.difference(&swept(capsules));
        let found = rest(wanted, capsules);
        let missed = exact.difference(&found).offset(-1e-4).area();
        let more = found.difference(&exact).offset(-2.0 * KERNEL_MM).area();
        assert!(
            missed < 1e-4,
            "{case}: {missed} mm² left that was not found"
        );
        assert!(more < 1e-2, "{case}: {more} mm² found that is swept");
        exact.area()
    }

    #[test]
    fn what_is_left_is_what_the_kernel_finds() {
        let mut random = Random(11);
        let wanted = wanted();
        let (mut some, mut none) = (0, 0);
        for case in 0..150 {
            let radius = random.between(1.0, 4.0);
            let mut all = match case % 3 {
                0 => Vec::new(),
                _ => loops(radius * random.between(0.7, 1.9), radius),
            };
            if case % 3 == 1 && !all.is_empty() {
                // One move is missing, or lies a little beside its place.
                let at = (random.next() * all.len() as f64) as usize;
                let moved = all.remove(at);
                if random.next() < 0.5 {
                    let by = point(random.between(-0.3, 0.3), random.between(-0.3, 0.3));
                    let (a, b) = (moved.segment.start() + by, moved.segment.end() + by);
                    all.push(Capsule {
                        segment: Segment::from_bulge(a, b, moved.segment.bulge()),
                        radius,
                    });
                }
            }
            let more = if case % 3 == 0 { 60 } else { 4 };
            for _ in 0..more {
                let a = random.place();
                let segment = match random.next() < 0.5 {
                    true => Segment::Line {
                        a,
                        b: random.place(),
                    },
                    false => Segment::arc_about(random.place(), a, random.between(-TAU, TAU)),
                };
                let radius = radius * random.between(0.5, 1.5);
                all.push(Capsule { segment, radius });
            }
            // Passes lie over each other.
            all.extend(all.clone());
            match same_as_exact(&wanted, &all, &format!("case {case}")) > 1e-3 {
                true => some += 1,
                false => none += 1,
            }
        }
        assert!(some > 30 && none > 10, "{some} {none}");
    }

    #[test]
    fn two_passes_that_end_at_one_line_leave_what_lies_beyond_it() {
        let wanted = PolySet::from_contour(
            &Contour::rectangle(point(1.0, 1.0), point(9.0, 9.0), 0.0),
            KERNEL_MM,
        );
        let pass = |x: f64| Capsule {
            segment: Segment::Line {
                a: point(-5.0 + x, 4.0),
                b: point(15.0 + x, 4.0),
            },
            radius: 4.0,
        };
        let left = rest(&wanted, &[pass(0.0), pass(1.0), pass(0.0)]);
        assert!((left.area() - 8.0).abs() < 1e-2, "{}", left.area());
        assert!(rest(&wanted, &[]).area() > 63.9);
    }

    #[test]
    fn nothing_is_asked_of_the_kernel_where_nothing_is_left() {
        let wanted = PolySet::from_contour(
            &Contour::rectangle(point(0.02, 0.02), point(49.98, 39.98), 7.0),
            KERNEL_MM,
        );
        assert!(open_windows(&wanted, &loops(2.0, 3.0)).is_empty());
        let holed: Vec<Capsule> = loops(2.0, 3.0).into_iter().skip(1).collect();
        assert!(!open_windows(&wanted, &holed).is_empty());
    }
}
