//! Edges for the polygon kernel that remember the curve they were cut from, the raw offset of a region, and the way back from
//! resolved edges to true arcs.

use super::{Contour, Point, Region, Segment, Vertex, index::carrier_crossings};
use crate::tolerance::SAME_POINT_MM;
use i_overlay::core::edge_data::{EdgeDataMerge, OverlayEdgeData};
use i_overlay::core::edge_overlay::{EdgeOverlay, InputEdge};
use i_overlay::core::fill_rule::FillRule;
use i_overlay::core::overlay::ShapeType;
use i_overlay::core::overlay_rule::OverlayRule;
use i_overlay::i_float::int::point::IntPoint;
use i_overlay::segm::boolean::ShapeCountBoolean;
use i_overlay::vector::edge::DataVectorEdge;
use std::collections::BTreeMap;
use std::f64::consts::{PI, TAU};

/// Grid steps a millimetre where curves are followed: on a coarser grid repeated offsets grow vertices.
pub(super) const FINE_STEPS: f64 = 1e8;
/// Coordinates beyond this (mm) are refused: far above any machine, far below what the grid holds.
pub(super) const FARTHEST_MM: f64 = 1e7;
/// Circles that agree within this in centre and radius are one curve.
const SAME_CIRCLE_MM: f64 = 1e-6;
/// Resolved runs shorter than this between two curves are crossings of chords, not geometry.
const SHORT_RUN_MM: f64 = 2e-4;
/// Shorter turns than this (radians) between two pieces are no corner.
const NO_TURN: f64 = 1e-7;
/// An arc whose offset would have less than this radius (mm) has collapsed.
const COLLAPSED_MM: f64 = 1e-4;

/// Which curve an edge was cut from.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct CurveId(u32);

impl OverlayEdgeData for CurveId {
    type Store = ();

    fn merge(ctx: EdgeDataMerge<ShapeCountBoolean, Self>, _: &mut ()) -> Self {
        // Edges that coincide may come from either curve; the lower number makes the choice independent of order.
        CurveId(ctx.lhs_data.0.min(ctx.rhs_data.0))
    }
}

/// Directed chords, each with the curve that carries it.
pub(super) struct Chords {
    curves: Vec<Segment>,
    circles: BTreeMap<[i64; 3], u32>,
    /// The pieces as they were added.
    pub(super) pieces: Vec<Segment>,
    pub(super) edges: Vec<(Point, Point, u32)>,
    tolerance: f64,
}

impl Chords {
    pub(super) fn new(tolerance: f64) -> Chords {
        Chords {
            curves: Vec::new(),
            circles: BTreeMap::new(),
            pieces: Vec::new(),
            edges: Vec::new(),
            tolerance,
        }
    }

    fn curve(&mut self, s: Segment) -> u32 {
        let next = self.curves.len() as u32;
        if let Segment::Arc { centre, radius, .. } = s {
            let key = [centre.x, centre.y, radius].map(|v| (v / SAME_CIRCLE_MM).round() as i64);
            // A key on the border of its cell may round to the neighbour; the 27 cells around are one circle too.
            for dx in -1..=1 {
                for dy in -1..=1 {
                    for dr in -1..=1 {
                        if let Some(id) = self.circles.get(&[key[0] + dx, key[1] + dy, key[2] + dr])
                        {
                            return *id;
                        }
                    }
                }
            }
            self.circles.insert(key, next);
        }
        self.curves.push(s);
        next
    }

    /// Adds a piece as chords. All arcs of one circle are cut at the same angles, so that shared stretches coincide exactly.
    pub(super) fn add(&mut self, s: Segment) {
        let id = self.curve(s);
        self.pieces.push(s);
        let mut from = s.start();
        if let Segment::Arc {
            centre,
            radius,
            sweep,
            a,
            ..
        } = s
        {
            let n = circle_chords(radius, self.tolerance) as f64;
            let step = TAU / n;
            let start = (a - centre).angle();
            let margin = 1e-3;
            let (lo, hi) = (start.min(start + sweep), start.max(start + sweep));
            let first = (lo / step + margin).ceil() as i64;
            let last = (hi / step - margin).floor() as i64;
            let mut between = |k: i64| {
                let p = centre + Point::unit(k as f64 * step) * radius;
                self.edges.push((from, p, id));
                from = p;
            };
            if sweep > 0.0 {
                (first..=last).for_each(&mut between);
            } else {
                (first..=last).rev().for_each(&mut between);
            }
        }
        self.edges.push((from, s.end(), id));
    }

    /// Adds the boundary of a region, outer counter-clockwise and holes clockwise whatever way they run.
    pub(super) fn add_region(&mut self, region: &Region) {
        for s in oriented(region).iter().flat_map(|c| c.segments()) {
            self.add(s);
        }
    }

    /// Adds the raw offset of a region by `by` mm. Summed up it winds at least once around every point of the offset region and
    /// around no other: the region itself, a strip along every piece and a sector at every outward corner.
    pub(super) fn add_offset(&mut self, region: &Region, by: f64) {
        let first = self.edges.len();
        for ring in oriented(region) {
            let ring = if by < 0.0 { ring.reversed() } else { ring };
            self.add_ring_offset(&ring, by.abs());
        }
        if by < 0.0 {
            // What was just outlined is the offset of the outside. Turned around, it winds around what remains.
            let outline = &mut self.edges[first..];
            outline.reverse();
            for e in outline {
                *e = (e.1, e.0, e.2);
            }
        }
    }

    fn add_ring_offset(&mut self, ring: &Contour, d: f64) {
        let segments: Vec<Segment> = ring.segments().filter(|s| s.length() > 0.0).collect();
        let moved: Vec<Option<Segment>> = segments.iter().map(|s| moved_right(s, d)).collect();
        let mut discs = Vec::new();
        for (i, s) in segments.iter().enumerate() {
            let next = (i + 1) % segments.len();
            let corner = s.end();
            match &moved[i] {
                Some(m) => self.add(*m),
                None => {
                    // A hollow arc tighter than the offset: its sector down to the centre, and whole discs at its ends, which
                    // hold everything beyond the centre.
                    let centre = match s {
                        Segment::Arc { centre, .. } => *centre,
                        Segment::Line { a, .. } => *a,
                    };
                    self.line(s.start(), centre);
                    self.line(centre, s.end());
                    discs.extend([s.start(), s.end()]);
                }
            }
            let from = moved[i].map_or(corner, |m| m.end());
            let to = moved[next].map_or(corner, |m| m.start());
            if moved[i].is_none() || moved[next].is_none() {
                self.line(from, corner);
                self.line(corner, to);
                continue;
            }
            let (u, v) = (from - corner, to - corner);
            let turn = u.cross(v).atan2(u.dot(v));
            if turn.abs() <= NO_TURN {
                self.line(from, to);
            } else if !(NO_TURN - PI..=0.0).contains(&turn) {
                let sweep = if turn > 0.0 { turn } else { PI };
                let arc = Segment::Arc {
                    a: from,
                    b: to,
                    centre: corner,
                    radius: d,
                    sweep,
                };
                self.add(arc);
            } else {
                self.line(from, corner);
                self.line(corner, to);
            }
        }
        // After the ring, so that each closed run of chords stays in one piece.
        for end in discs {
            self.add(Segment::arc_about(end, end + Point { x: d, y: 0.0 }, TAU));
        }
    }

    fn line(&mut self, a: Point, b: Point) {
        if a != b {
            self.add(Segment::Line { a, b });
        }
    }

    /// Resolves the chords of one set: what they wind around at least once, with its true arcs.
    pub(super) fn resolved(self) -> Vec<Region> {
        resolve(self, None, OverlayRule::Subject)
    }
}

/// How many chords a whole circle gets.
fn circle_chords(radius: f64, tolerance: f64) -> u32 {
    let step = 2.0 * (1.0 - (tolerance / radius).min(1.0)).acos();
    (TAU / step.max(1e-4)).ceil().max(8.0) as u32
}

/// The rings of a region, outer counter-clockwise, holes clockwise, without repeats and rings of no area.
fn oriented(region: &Region) -> Vec<Contour> {
    let outer = std::iter::once((&region.outer, true));
    outer
        .chain(region.holes.iter().map(|h| (h, false)))
        .filter(|(c, _)| usable(c))
        .map(|(c, ccw)| c.clone().oriented(ccw))
        .collect()
}

/// A closed ring with an area and within reach of the grid.
pub(super) fn usable(c: &Contour) -> bool {
    c.closed && c.vertices.len() >= 2 && within_reach(c) && c.area().abs() > 0.0
}

/// All numbers are finite and no larger than the grid holds, bulging arcs included.
pub(super) fn within_reach(c: &Contour) -> bool {
    let near = |p: Point| p.x.abs() <= FARTHEST_MM && p.y.abs() <= FARTHEST_MM;
    c.is_finite() && c.vertices.iter().all(|v| near(v.at)) && {
        let b = c.bounds();
        b.is_empty() || (near(b.min) && near(b.max))
    }
}

/// The segment moved to its right by `d`; `None` when an arc collapses.
fn moved_right(s: &Segment, d: f64) -> Option<Segment> {
    match *s {
        Segment::Line { a, b } => {
            let n = -(b - a).normalized()?.left() * d;
            Some(Segment::Line { a: a + n, b: b + n })
        }
        Segment::Arc {
            a,
            b,
            centre,
            radius,
            sweep,
        } => {
            let moved = radius + d.copysign(sweep);
            if moved < COLLAPSED_MM {
                return None;
            }
            let k = moved / radius;
            Some(Segment::Arc {
                a: centre + (a - centre) * k,
                b: centre + (b - centre) * k,
                centre,
                radius: moved,
                sweep,
            })
        }
    }
}

fn grid(p: Point) -> IntPoint<i64> {
    IntPoint::new(
        (p.x * FINE_STEPS).round() as i64,
        (p.y * FINE_STEPS).round() as i64,
    )
}

fn from_grid(p: IntPoint<i64>) -> Point {
    Point {
        x: p.x as f64 / FINE_STEPS,
        y: p.y as f64 / FINE_STEPS,
    }
}

/// Runs the polygon kernel over subject and clip and returns the result with its true arcs.
pub(super) fn resolve(subject: Chords, clip: Option<Chords>, rule: OverlayRule) -> Vec<Region> {
    let tolerance = subject.tolerance;
    let mut curves = subject.curves;
    let mut overlay = EdgeOverlay::<i64, CurveId>::new(subject.edges.len());
    let shift = curves.len() as u32;
    let edges = |edges: Vec<(Point, Point, u32)>, shift: u32| {
        edges.into_iter().map(move |(a, b, id)| InputEdge {
            a: grid(a),
            b: grid(b),
            data: CurveId(id + shift),
        })
    };
    overlay.add_edges(edges(subject.edges, 0), ShapeType::Subject);
    if let Some(clip) = clip {
        curves.extend(clip.curves);
        overlay.add_edges(edges(clip.edges, shift), ShapeType::Clip);
    }
    let shapes = overlay.build_vector_shapes(rule, FillRule::Positive);
    let mut regions = Vec::with_capacity(shapes.len());
    for shape in shapes {
        let count = shape.len();
        let loops: Vec<Contour> = shape
            .iter()
            .flat_map(|ring| simple_loops(ring))
            .map(|edges| rebuilt(&edges, &curves, tolerance))
            .collect();
        let whole = loops.len() == count;
        let mut rings: Vec<Contour> = loops
            .into_iter()
            .filter(|r| !r.is_empty() && r.area().abs() > SMALLEST_MM2)
            .collect();
        if whole && rings.iter().skip(1).all(|r| r.area() < 0.0) {
            if rings.first().is_some_and(|r| r.area() > 0.0) {
                let outer = rings.remove(0);
                regions.push(Region {
                    outer,
                    holes: rings,
                });
            }
        } else {
            regions.extend(nested(rings).0);
        }
    }
    regions
}

/// The ring cut at points that it passes twice, so that no loop touches itself.
fn simple_loops(ring: &[DataVectorEdge<i64, CurveId>]) -> Vec<Vec<(Point, Point, u32)>> {
    let edge = |e: &DataVectorEdge<i64, CurveId>| (from_grid(e.a), from_grid(e.b), e.data.0);
    let mut points: Vec<(i64, i64)> = ring.iter().map(|e| (e.a.x, e.a.y)).collect();
    points.sort_unstable();
    if points.windows(2).all(|w| w[0] != w[1]) {
        return vec![ring.iter().map(edge).collect()];
    }
    let mut loops = Vec::new();
    let mut path: Vec<&DataVectorEdge<i64, CurveId>> = Vec::new();
    let mut at: BTreeMap<(i64, i64), usize> = BTreeMap::new();
    for e in ring {
        at.insert((e.a.x, e.a.y), path.len());
        path.push(e);
        if let Some(&start) = at.get(&(e.b.x, e.b.y)) {
            let closed: Vec<_> = path.drain(start..).collect();
            for e in &closed {
                at.remove(&(e.a.x, e.a.y));
            }
            loops.push(closed.into_iter().map(edge).collect());
        }
    }
    loops
}

/// Rings as regions, smallest first: each hole goes to the smallest outer ring around it. Holes in nothing come second.
pub(super) fn nested(rings: Vec<Contour>) -> (Vec<Region>, Vec<Contour>) {
    let (outers, holes): (Vec<Contour>, Vec<Contour>) =
        rings.into_iter().partition(|r| r.area() > 0.0);
    let mut sized: Vec<(f64, Region)> = outers
        .into_iter()
        .map(|outer| {
            let holes = Vec::new();
            (outer.area(), Region { outer, holes })
        })
        .collect();
    sized.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut regions: Vec<Region> = sized.into_iter().map(|x| x.1).collect();
    let mut orphans = Vec::new();
    for hole in holes {
        match regions.iter_mut().find(|r| surrounds(&r.outer, &hole)) {
            Some(home) => home.holes.push(hole),
            None => orphans.push(hole),
        }
    }
    (regions, orphans)
}

/// The hole lies in the ring. A corner of it that touches the ring says nothing, so one that does not is asked.
fn surrounds(outer: &Contour, hole: &Contour) -> bool {
    let bounds = outer.bounds().grown(SAME_POINT_MM);
    if !hole.vertices.iter().all(|v| bounds.contains(v.at)) {
        return false;
    }
    for v in &hole.vertices {
        if outer.distance(v.at) > 10.0 * SAME_POINT_MM {
            return outer.contains(v.at);
        }
    }
    hole.segments()
        .map(|s| s.at(0.5))
        .any(|p| outer.contains(p))
}

/// Rings of less area than this (mm²) are rounding.
pub(super) const SMALLEST_MM2: f64 = 1e-6;

/// Consecutive chords of one curve.
struct Run {
    curve: u32,
    from: Point,
    to: Point,
    length: f64,
    /// Angle swept about the centre, radians; 0 for a line.
    sweep: f64,
}

/// One resolved ring of chords as lines and arcs.
fn rebuilt(edges: &[(Point, Point, u32)], curves: &[Segment], tolerance: f64) -> Contour {
    let runs = joined(without_short(runs_of(edges, curves)));
    let n = runs.len();
    let mut ring = Contour {
        vertices: Vec::with_capacity(n + 1),
        closed: true,
    };
    if let [only] = &runs[..] {
        if let Segment::Arc { centre, radius, .. } = curves[only.curve as usize]
            && only.sweep.abs() > 1.9 * PI
        {
            ring = Contour::circle(centre, radius).oriented(only.sweep > 0.0);
        }
        return ring;
    }
    let joints: Vec<Point> = (0..n)
        .map(|i| joint(&runs[(i + n - 1) % n], &runs[i], curves, tolerance))
        .collect();
    for (i, run) in runs.iter().enumerate() {
        let (from, to) = (joints[i], joints[(i + 1) % n]);
        match curves[run.curve as usize] {
            Segment::Line { .. } => ring.vertices.push(Vertex {
                at: from,
                bulge: 0.0,
            }),
            Segment::Arc { centre, .. } => {
                let (u, v) = (from - centre, to - centre);
                let turn = u.cross(v).atan2(u.dot(v));
                let turns = ((run.sweep - turn) / TAU).round();
                let sweep = turn + turns * TAU;
                let parts = if sweep.abs() > 1.5 * PI { 2 } else { 1 };
                for k in 0..parts {
                    let share = f64::from(k) / f64::from(parts);
                    let at = if k == 0 {
                        from
                    } else {
                        centre + u.rotated(sweep * share)
                    };
                    ring.vertices.push(Vertex {
                        at,
                        bulge: (sweep / (4.0 * f64::from(parts))).tan(),
                    });
                }
            }
        }
    }
    ring
}

fn runs_of(edges: &[(Point, Point, u32)], curves: &[Segment]) -> Vec<Run> {
    let mut runs: Vec<Run> = Vec::new();
    for &(a, b, curve) in edges {
        let sweep = match curves[curve as usize] {
            Segment::Line { .. } => 0.0,
            Segment::Arc { centre, .. } => {
                let (u, v) = (a - centre, b - centre);
                u.cross(v).atan2(u.dot(v))
            }
        };
        runs.push(Run {
            curve,
            from: a,
            to: b,
            length: a.distance(b),
            sweep,
        });
    }
    joined(runs)
}

/// Neighbours on one curve made one, around the ring.
fn joined(runs: Vec<Run>) -> Vec<Run> {
    let mut out: Vec<Run> = Vec::with_capacity(runs.len());
    for run in runs {
        match out.last_mut() {
            Some(last) if last.curve == run.curve => {
                last.to = run.to;
                last.length += run.length;
                last.sweep += run.sweep;
            }
            _ => out.push(run),
        }
    }
    if out.len() > 1
        && out[0].curve == out[out.len() - 1].curve
        && let Some(last) = out.pop()
    {
        let first = &mut out[0];
        first.from = last.from;
        first.length += last.length;
        first.sweep += last.sweep;
    }
    out
}

/// Without the short runs that crossing chords leave. Several in a row are kept once they add up to something.
fn without_short(runs: Vec<Run>) -> Vec<Run> {
    let whole: f64 = runs.iter().map(|r| r.length).sum();
    if whole < 20.0 * SHORT_RUN_MM {
        return runs;
    }
    let mut gap = 0.0;
    let mut kept = Vec::with_capacity(runs.len());
    for run in runs {
        if run.length < SHORT_RUN_MM && gap + run.length < SHORT_RUN_MM {
            gap += run.length;
        } else {
            gap = 0.0;
            kept.push(run);
        }
    }
    kept
}

/// Where two neighbouring runs meet on their exact curves.
fn joint(before: &Run, after: &Run, curves: &[Segment], tolerance: f64) -> Point {
    let p = before.to.lerp(after.from, 0.5);
    let (s, t) = (
        &curves[before.curve as usize],
        &curves[after.curve as usize],
    );
    let (on_s, on_t) = (on_carrier(s, p), on_carrier(t, p));
    let exact = 4.0 / FINE_STEPS;
    if on_s.distance(p) <= exact && on_t.distance(p) <= exact {
        return p;
    }
    let mut best: Option<(f64, Point)> = None;
    for x in carrier_crossings(s, t) {
        let d = x.distance(p);
        if best.is_none_or(|(b, _)| d < b) {
            best = Some((d, x));
        }
    }
    if let Some((d, x)) = best {
        // Chords lie within the tolerance of their curves, so their crossing lies this far from the curves' own.
        let sine = match (tangent(s, x), tangent(t, x)) {
            (Some(u), Some(v)) => u.cross(v).abs(),
            _ => 1.0,
        };
        let allowed = 4.0 * tolerance / sine.max(1e-6) + SHORT_RUN_MM;
        let room = 0.9 * before.length.min(after.length) + SHORT_RUN_MM;
        if d <= allowed.min(room) {
            return x;
        }
    }
    on_s.lerp(on_t, 0.5)
}

fn on_carrier(s: &Segment, p: Point) -> Point {
    match *s {
        Segment::Line { a, b } => match (b - a).normalized() {
            Some(u) => a + u * (p - a).dot(u),
            None => a,
        },
        Segment::Arc { centre, radius, .. } => match (p - centre).normalized() {
            Some(u) => centre + u * radius,
            None => p,
        },
    }
}

fn tangent(s: &Segment, p: Point) -> Option<Point> {
    match *s {
        Segment::Line { a, b } => (b - a).normalized(),
        Segment::Arc { centre, .. } => (p - centre).left().normalized(),
    }
}
