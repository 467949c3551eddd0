//! The polygon kernel: flattened shapes on a grid of one nanometre, for rest regions and the checks.

use super::raw::{Chords, usable, within_reach};
use super::{Bounds, Contour, Point, Region, Segment, point};
use crate::tolerance::KERNEL_MM;
use i_overlay::core::fill_rule::FillRule;
use i_overlay::core::overlay::Overlay;
use i_overlay::core::overlay_rule::OverlayRule;
use i_overlay::i_float::int::point::IntPoint;
use rayon::prelude::*;

/// Grid steps a millimetre.
const STEPS: f64 = 1e6;
/// Capsules are united in lots of this many, so that the result does not depend on the number of threads.
const LOT: usize = 512;

/// Flattened shapes.
///
/// ```
/// use grainway_geom::{Capsule, Contour, PolySet, Region, Segment, point, swept};
/// // What a 10 mm cutter on one straight pass leaves of a groove 12 mm wide.
/// let groove = Region::inside(Contour::rectangle(point(0.0, 0.0), point(50.0, 12.0), 0.0));
/// let pass = Segment::Line { a: point(-5.0, 6.0), b: point(55.0, 6.0) };
/// let cut = swept(&[Capsule { segment: pass, radius: 5.0 }]);
/// let left = PolySet::from_regions(&[groove], 0.001).difference(&cut);
/// assert_eq!(left.pieces().len(), 2);
/// assert!((left.area() - 100.0).abs() < 1e-3);
/// ```
///
/// Rings of each shape: the outer one first, counter-clockwise, its holes after it, clockwise. Shapes do not overlap.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct PolySet(pub Vec<Vec<Vec<Point>>>);

/// One connected shape of a [`PolySet`].
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Piece {
    /// Area without the holes, mm².
    pub area: f64,
    /// The smallest box around it.
    pub bounds: Bounds,
    /// A point inside it, away from the boundary where the shape allows it.
    pub inside: Point,
}

/// The path of a disc's centre and the disc's radius.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Capsule {
    /// Where the centre goes; a segment of no length is a disc.
    pub segment: Segment,
    /// Radius, mm.
    pub radius: f64,
}

type Ring = Vec<IntPoint<i64>>;

fn grid(p: Point) -> IntPoint<i64> {
    IntPoint::new((p.x * STEPS).round() as i64, (p.y * STEPS).round() as i64)
}

fn rings(points: &[Vec<Vec<Point>>]) -> Vec<Ring> {
    let rings = points.iter().flatten();
    rings
        .map(|r| r.iter().map(|p| grid(*p)).collect())
        .collect()
}

fn overlaid(subject: &[Ring], clip: &[Ring], rule: OverlayRule, fill: FillRule) -> PolySet {
    let mut overlay = Overlay::<i64>::from_subj_and_clip(subject, clip);
    let shapes = overlay.overlay(rule, fill);
    let back = |p: IntPoint<i64>| point(p.x as f64 / STEPS, p.y as f64 / STEPS);
    PolySet(
        shapes
            .into_iter()
            .map(|s| {
                s.into_iter()
                    .map(|r| r.into_iter().map(back).collect())
                    .collect()
            })
            .collect(),
    )
}

impl PolySet {
    /// What any of the regions covers, arcs as chords within `tolerance` mm. Rings that cannot be used (open, of no area, with
    /// coordinates that are not finite) are left out.
    pub fn from_regions(regions: &[Region], tolerance: f64) -> PolySet {
        let mut flat = Vec::new();
        for region in regions {
            let outer = std::iter::once((&region.outer, true));
            for (ring, ccw) in outer.chain(region.holes.iter().map(|h| (h, false))) {
                if usable(ring) {
                    let points = ring.clone().oriented(ccw).flattened(tolerance);
                    flat.push(points.into_iter().map(grid).collect());
                }
            }
        }
        overlaid(&flat, &[], OverlayRule::Subject, FillRule::Positive)
    }
    /// What a closed contour winds around.
    pub fn from_contour(contour: &Contour, tolerance: f64) -> PolySet {
        if !contour.closed || !within_reach(contour) {
            return PolySet::default();
        }
        let ring: Ring = contour.flattened(tolerance).into_iter().map(grid).collect();
        overlaid(&[ring], &[], OverlayRule::Subject, FillRule::NonZero)
    }
    /// Covers nothing.
    pub fn is_empty(&self) -> bool {
        self.0.is_empty()
    }
    /// Area, mm².
    pub fn area(&self) -> f64 {
        self.0.iter().flatten().map(|r| ring_area(r)).sum()
    }
    /// The smallest box around it.
    pub fn bounds(&self) -> Bounds {
        Bounds::of(self.0.iter().filter_map(|s| s.first()).flatten().copied())
    }
    fn with(&self, other: &PolySet, rule: OverlayRule) -> PolySet {
        overlaid(&rings(&self.0), &rings(&other.0), rule, FillRule::NonZero)
    }
    /// What either covers.
    pub fn union(&self, other: &PolySet) -> PolySet {
        self.with(other, OverlayRule::Union)
    }
    /// What this covers and the other does not.
    pub fn difference(&self, other: &PolySet) -> PolySet {
        self.with(other, OverlayRule::Difference)
    }
    /// What both cover.
    pub fn intersection(&self, other: &PolySet) -> PolySet {
        self.with(other, OverlayRule::Intersect)
    }
    /// Grown (`by_mm` > 0, round corners) or shrunk by a distance. Points that move nothing by more than half of [`KERNEL_MM`]
    /// are dropped from the result, since repeated offsets would multiply them.
    pub fn offset(&self, by_mm: f64) -> PolySet {
        self.offset_by(by_mm, KERNEL_MM)
    }
    /// The same with chords within `tolerance` mm.
    pub(super) fn offset_by(&self, by_mm: f64, tolerance: f64) -> PolySet {
        if by_mm.abs() < 1.0 / STEPS || !by_mm.is_finite() {
            return self.clone();
        }
        let mut chords = Chords::new(tolerance);
        for region in self.to_regions() {
            chords.add_offset(&region, by_mm);
        }
        chords.polygons().thinned(0.5 * tolerance)
    }
    /// Its shapes as regions with straight sides.
    pub fn to_regions(&self) -> Vec<Region> {
        let shapes = self.0.iter().filter_map(|shape| {
            let mut rings = shape.iter().map(|r| Contour::polygon(r.iter().copied()));
            let outer = rings.next()?;
            Some(Region {
                outer,
                holes: rings.collect(),
            })
        });
        shapes.collect()
    }
    /// What a disc of radius `radius_mm` inside can reach.
    pub fn opening(&self, radius_mm: f64) -> PolySet {
        self.offset(-radius_mm).offset(radius_mm)
    }
    /// `p` lies in it. Points on a boundary may come out either way.
    pub fn contains(&self, p: Point) -> bool {
        let crossings = self
            .0
            .iter()
            .flatten()
            .flat_map(|r| (0..r.len()).map(move |i| (r[i], r[(i + 1) % r.len()])))
            .filter(|(a, b)| {
                (a.y > p.y) != (b.y > p.y) && p.x < a.x + (p.y - a.y) * (b.x - a.x) / (b.y - a.y)
            })
            .count();
        crossings % 2 == 1
    }
    /// Its connected shapes, in the kernel's order.
    pub fn pieces(&self) -> Vec<Piece> {
        self.0
            .iter()
            .map(|shape| Piece {
                area: shape.iter().map(|r| ring_area(r)).sum(),
                bounds: Bounds::of(shape.iter().flatten().copied()),
                inside: inside_point(shape),
            })
            .collect()
    }
    /// Without the points that move the outline by less than `within` mm.
    fn thinned(self, within: f64) -> PolySet {
        let shapes = self.0.into_iter().filter_map(|shape| {
            let mut rings = shape.into_iter().map(|r| thin_ring(&r, within));
            let outer = rings.next().filter(|r| r.len() > 2)?;
            let mut kept = vec![outer];
            kept.extend(rings.filter(|r| r.len() > 2));
            Some(kept)
        });
        PolySet(shapes.collect())
    }
}

impl Chords {
    /// What the chords wind around at least once, as polygons on the kernel's grid.
    pub(super) fn polygons(self) -> PolySet {
        let edges = self.edges;
        let mut rings: Vec<Ring> = Vec::new();
        let mut ring: Ring = Vec::new();
        let mut end: Option<Point> = None;
        // Chords are added ring by ring, in order or reversed; a chord that does not go on from the one before starts anew.
        for (a, b, _) in edges {
            if end != Some(a) && !ring.is_empty() {
                rings.push(std::mem::take(&mut ring));
            }
            ring.push(grid(a));
            end = Some(b);
        }
        rings.push(ring);
        overlaid(&rings, &[], OverlayRule::Subject, FillRule::Positive)
    }
}

fn ring_area(ring: &[Point]) -> f64 {
    let Some(&origin) = ring.first() else {
        return 0.0;
    };
    let n = ring.len();
    let twice: f64 = (0..n)
        .map(|i| (ring[i] - origin).cross(ring[(i + 1) % n] - origin))
        .sum();
    0.5 * twice
}

/// A point inside the shape: the middle of the widest stretch on one of some level lines.
fn inside_point(shape: &[Vec<Point>]) -> Point {
    let bounds = Bounds::of(shape.iter().flatten().copied());
    let mut best = (f64::NEG_INFINITY, bounds.centre());
    // Shares chosen so that the lines seldom pass through corners of drawn shapes.
    for share in [0.5031, 0.2517, 0.7489, 0.1271, 0.8763, 0.0207, 0.9811] {
        let y = bounds.min.y + share * bounds.height();
        let mut xs: Vec<f64> = shape
            .iter()
            .flat_map(|r| (0..r.len()).map(move |i| (r[i], r[(i + 1) % r.len()])))
            .filter(|(a, b)| (a.y > y) != (b.y > y))
            .map(|(a, b)| a.x + (y - a.y) * (b.x - a.x) / (b.y - a.y))
            .collect();
        xs.sort_by(f64::total_cmp);
        for pair in xs.chunks_exact(2) {
            let room = (pair[1] - pair[0])
                .min(2.0 * (y - bounds.min.y))
                .min(2.0 * (bounds.max.y - y));
            if room > best.0 {
                best = (room, point(0.5 * (pair[0] + pair[1]), y));
            }
        }
    }
    best.1
}

/// Ramer, Douglas and Peucker's reduction of a closed ring, held at its first point and the one farthest from it.
fn thin_ring(ring: &[Point], within: f64) -> Vec<Point> {
    let n = ring.len();
    if n < 4 {
        return ring.to_vec();
    }
    let far = (0..n)
        .max_by(|a, b| {
            ring[0]
                .distance(ring[*a])
                .total_cmp(&ring[0].distance(ring[*b]))
        })
        .unwrap_or(0);
    let mut keep = vec![false; n + 1];
    keep[0] = true;
    keep[far] = true;
    let mut stack = vec![(0, far), (far, n)];
    while let Some((i, j)) = stack.pop() {
        let chord = Segment::Line {
            a: ring[i],
            b: ring[j % n],
        };
        let farthest = (i + 1..j)
            .map(|k| (chord.distance(ring[k]), k))
            .max_by(|a, b| a.0.total_cmp(&b.0));
        if let Some((d, k)) = farthest
            && d > within
        {
            keep[k] = true;
            stack.push((i, k));
            stack.push((k, j));
        }
    }
    (0..n).filter(|i| keep[*i]).map(|i| ring[i]).collect()
}

/// The union of what the discs sweep, never larger than the truth but for the grid's nanometre, and within twice [`KERNEL_MM`] of it.
///
/// Capsules in the order of a path cost least: where one goes on from the end of the one before, no disc is laid between them, and
/// pieces too short to matter become one.
pub fn swept(capsules: &[Capsule]) -> PolySet {
    let capsules: Vec<Capsule> = capsules.iter().copied().filter(Capsule::sweeps).collect();
    let capsules = straightened(&capsules);
    let mut lots: Vec<PolySet> = capsules
        .par_chunks(LOT)
        .map(|lot| {
            overlaid(
                &lot_rings(lot),
                &[],
                OverlayRule::Subject,
                FillRule::NonZero,
            )
        })
        .collect();
    while lots.len() > 1 {
        lots = lots
            .par_chunks(2)
            .map(|pair| match pair {
                [a, b] => a.union(b),
                rest => rest.first().cloned().unwrap_or_default(),
            })
            .collect();
    }
    lots.pop().unwrap_or_default()
}

impl Capsule {
    fn sweeps(&self) -> bool {
        let s = &self.segment;
        let finite = s.start().is_finite() && s.end().is_finite() && s.length().is_finite();
        finite && self.radius.is_finite() && self.radius > 0.0
    }
    /// The directions in which this one ends and the next begins, where the next goes on from the same point with the same disc, or one
    /// that [`straightened`] made smaller.
    fn goes_on(&self, next: &Capsule) -> Option<(Point, Point)> {
        let same = (self.radius - next.radius).abs() <= STRAIGHT_MM
            && self.segment.end() == next.segment.start();
        let ways = self.segment.direction(1.0).zip(next.segment.direction(0.0));
        ways.filter(|_| same)
    }
}

/// A run of short pieces may leave its chord by this much, mm, to be swept as the chord, with a disc that is as much smaller: the disc
/// stays within what the run sweeps, and what it misses is at most twice as wide.
const STRAIGHT_MM: f64 = 0.5 * KERNEL_MM;
/// A piece shorter than this share of the disc's radius is short: the bands of such pieces lie over each other.
const SHORT_SHARE: f64 = 0.5;

/// The same path with every run of short pieces that is straight within [`STRAIGHT_MM`] as one line. The cost of a finely drawn path
/// then follows from its shape and not from the number of its pieces.
fn straightened(capsules: &[Capsule]) -> Vec<Capsule> {
    let short = |c: &Capsule| c.segment.length() < SHORT_SHARE * c.radius;
    let mut out = Vec::with_capacity(capsules.len());
    let mut from = 0;
    while from < capsules.len() {
        let goes_on = |i: usize| {
            short(&capsules[i])
                && capsules[i - 1].segment.end() == capsules[i].segment.start()
                && capsules[i - 1]
                    .radius
                    .total_cmp(&capsules[i].radius)
                    .is_eq()
        };
        let run = match short(&capsules[from]) {
            true => {
                (from + 1..capsules.len())
                    .take_while(|i| goes_on(*i))
                    .count()
                    + 1
            }
            false => 1,
        };
        let run = &capsules[from..from + run];
        let mut done = 0;
        while done < run.len() {
            let many = straight(&run[done..]);
            out.push(match many {
                1 => run[done],
                _ => chord(&run[done..done + many]),
            });
            done += many;
        }
        from += run.len();
    }
    out
}

/// How many pieces from the first on are straight together: doubled as long as they are, then halved down to the last that is.
fn straight(run: &[Capsule]) -> usize {
    let holds = |many: usize| is_straight(&run[..many]);
    let (mut good, mut bad) = (1, 2);
    while bad <= run.len() && holds(bad) {
        good = bad;
        bad *= 2;
    }
    bad = bad.min(run.len() + 1);
    while bad - good > 1 {
        let middle = good + (bad - good) / 2;
        match holds(middle) {
            true => good = middle,
            false => bad = middle,
        }
    }
    good
}

fn is_straight(run: &[Capsule]) -> bool {
    let line = chord(run).segment;
    line.length() > 0.0
        && run.iter().all(|c| {
            // An arc leaves its own chord by at most this.
            let bow = (0.5 * c.segment.bulge()).abs() * c.segment.start().distance(c.segment.end());
            line.distance(c.segment.end()) + bow <= STRAIGHT_MM
        })
}

/// The line from the start of a run to its end, with the smaller disc.
fn chord(run: &[Capsule]) -> Capsule {
    let (first, last) = (&run[0], &run[run.len() - 1]);
    Capsule {
        segment: Segment::Line {
            a: first.segment.start(),
            b: last.segment.end(),
        },
        radius: first.radius - STRAIGHT_MM,
    }
}

/// Rings that together cover what a lot of capsules sweeps. A point within the radius of a path lies beside the piece that is nearest
/// to it, or, where that is a joint, on its outward side: so bands along the pieces and sectors at the joints are enough. Whole discs
/// at the joints of a finely drawn path would lie over each other by the hundred.
fn lot_rings(lot: &[Capsule]) -> Vec<Ring> {
    let mut rings = Vec::new();
    let mut joined = false;
    for (i, c) in lot.iter().enumerate() {
        let round = Round::new(c.radius);
        let next = lot.get(i + 1);
        let joint = next.and_then(|next| Some((next, c.goes_on(next)?)));
        match c.segment {
            Segment::Line { a, b } => rings.push(round.band(a, b, !joined, joint.is_none())),
            Segment::Arc { a, b, .. } => {
                rings.push(arc_band(c));
                rings.extend((!joined).then(|| round.disc(a)));
                rings.extend(joint.is_none().then(|| round.disc(b)));
            }
        }
        if let Some((next, ways)) = joint {
            let lap = JOINT_LAP_MM
                .min(c.segment.length())
                .min(next.segment.length());
            let smaller = Round::new(c.radius.min(next.radius));
            rings.push(smaller.joint(c.segment.end(), ways, lap));
        }
        joined = joint.is_some();
    }
    rings
}

/// What lies over a joint reaches this far along both pieces, mm, so that no rounding to the grid leaves a slit between them; short
/// enough that it leaves the truth by less than a grid's step where the pieces turn.
const JOINT_LAP_MM: f64 = 1e-3;

/// A disc as a polygon whose corners stand at the same angles wherever the disc stands: capsules that meet in a point share the
/// chords about it, where turned polygons would cross each other in every chord.
struct Round {
    radius: f64,
    chords: usize,
}

impl Round {
    fn new(radius: f64) -> Round {
        let whole = Segment::arc_about(Point::default(), point(radius, 0.0), std::f64::consts::TAU);
        Round {
            radius,
            chords: whole.chords(KERNEL_MM).max(3),
        }
    }
    fn step(&self) -> f64 {
        std::f64::consts::TAU / self.chords as f64
    }
    /// A corner, from the disc's centre.
    fn at(&self, k: usize) -> Point {
        Point::unit((k % self.chords) as f64 * self.step()) * self.radius
    }
    /// The rim from the direction `from` to `to`, which lies `angle` counter-clockwise of it, with both ends.
    fn rim(&self, centre: Point, (from, to): (Point, Point), angle: f64, out: &mut Vec<Point>) {
        let start = from.y.atan2(from.x).rem_euclid(std::f64::consts::TAU) / self.step();
        let end = start + angle / std::f64::consts::TAU * self.chords as f64;
        out.push(centre + from * self.radius);
        let corners = start.floor() as usize + 1..end.ceil() as usize;
        out.extend(corners.map(|k| centre + self.at(k)));
        out.push(centre + to * self.radius);
    }
    fn disc(&self, centre: Point) -> Ring {
        (0..self.chords)
            .map(|k| grid(centre + self.at(k)))
            .collect()
    }
    /// The strip along a line, with half a disc at either end that is round.
    fn band(&self, a: Point, b: Point, round_a: bool, round_b: bool) -> Ring {
        let Some(u) = (b - a).normalized() else {
            return self.disc(a);
        };
        let mut points = Vec::new();
        for (end, side, round) in [(a, u.left(), round_a), (b, -u.left(), round_b)] {
            if round {
                self.rim(end, (side, -side), std::f64::consts::PI, &mut points);
            } else {
                points.extend([end + side * self.radius, end - side * self.radius]);
            }
        }
        points.into_iter().map(grid).collect()
    }
    /// What lies over the joint of two pieces that end in the directions `u` and begin in `v`: a strip across where they go straight on,
    /// else the sector on the outward side, down into what both cover.
    fn joint(&self, at: Point, (u, v): (Point, Point), lap: f64) -> Ring {
        let turn = u.cross(v).atan2(u.dot(v));
        let points = if turn.abs() * self.radius <= lap {
            let (along, side) = (u * lap, u.left() * self.radius);
            vec![
                at - along + side,
                at - along - side,
                at + along - side,
                at + along + side,
            ]
        } else {
            let ends = match turn > 0.0 {
                true => [(-u.left(), -u), (-v.left(), v)],
                false => [(v.left(), v), (u.left(), -u)],
            };
            let [(from, before), (to, after)] = ends;
            let inward = -from.rotated(0.5 * turn.abs());
            let mut points = vec![
                at + inward * (0.5 * self.radius),
                at + from * self.radius + before * lap,
            ];
            self.rim(at, (from, to), turn.abs(), &mut points);
            points.push(at + to * self.radius + after * lap);
            points
        };
        points.into_iter().map(grid).collect()
    }
}

/// The strip along an arc, as a polygon inside it; nothing along a line.
fn arc_band(c: &Capsule) -> Ring {
    let r = c.radius;
    let Segment::Arc {
        a,
        centre,
        radius,
        sweep,
        ..
    } = c.segment
    else {
        return Ring::new();
    };
    let out = (a - centre) * ((radius + r) / radius);
    let outer = Segment::arc_about(centre, centre + out, sweep);
    let n = outer.chords(KERNEL_MM);
    let mut points: Vec<Point> = (0..=n).map(|i| outer.at(i as f64 / n as f64)).collect();
    if radius > r {
        // The hollow side takes points outside its circle, so that the chords touch it and cut nothing off.
        let inner = radius - r;
        let n = Segment::arc_about(centre, centre + point(inner, 0.0), sweep)
            .chords(KERNEL_MM)
            .max(2);
        let step = sweep / n as f64;
        let far = inner / (0.5 * step).cos();
        let u = (a - centre) * (1.0 / radius);
        points.push(centre + u.rotated(sweep) * inner);
        let middles = (0..n).rev().map(|k| (k as f64 + 0.5) * step);
        points.extend(middles.map(|t| centre + u.rotated(t) * far));
        points.push(centre + u * inner);
    } else {
        points.push(centre);
    }
    // One winding sense for all rings, or overlaps of two would cancel.
    if sweep < 0.0 {
        points.reverse();
    }
    points.into_iter().map(grid).collect()
}
