//! Closed forms between lines and arcs: least distances, crossings, winding numbers. Written for verify alone, so that a mistake of
//! the kernel that plans cannot hide here.

use grainway_geom::{Bounds, Contour, Point, Segment, point};
use std::f64::consts::PI;

/// Corners of contours that differ by less than this are the same, mm: both are computed from the same numbers, in another order.
const SAME_CURVE_MM: f64 = 1e-4;

/// The same corners and arcs in the same order, wherever the contour begins.
pub(super) fn same_curve(a: &Contour, b: &Contour) -> bool {
    let n = a.vertices.len();
    if a.closed != b.closed || n != b.vertices.len() {
        return false;
    }
    let starts = if a.closed { n.max(1) } else { 1 };
    let same = |i: usize, k: usize| {
        let (v, w) = (&a.vertices[i], &b.vertices[(i + k) % n]);
        v.at.distance(w.at) <= SAME_CURVE_MM && (v.bulge - w.bulge).abs() <= SAME_CURVE_MM
    };
    (0..starts).any(|k| (0..n).all(|i| same(i, k)))
}

/// The places at which two segments cross, at most two. Overlapping collinear lines and arcs of one circle give none; their
/// common ends are found by [`distance`].
pub(super) fn crossings(s: &Segment, t: &Segment) -> Crossings {
    match (*s, *t) {
        (Segment::Line { a, b }, Segment::Line { a: c, b: d }) => {
            let (u, v, w) = (b - a, d - c, c - a);
            let det = u.cross(v);
            // Parallel lines have no single crossing.
            if det.abs() <= 1e-12 * u.length() * v.length() {
                return Crossings::default();
            }
            let (i, j) = (w.cross(v) / det, w.cross(u) / det);
            let within = |x: f64| (-1e-12..=1.0 + 1e-12).contains(&x);
            let mut out = Crossings::default();
            if within(i) && within(j) {
                out.push(a + u * i);
            }
            out
        }
        (Segment::Line { a, b }, Segment::Arc { centre, radius, .. }) => {
            line_arc(a, b, centre, radius, t)
        }
        (Segment::Arc { centre, radius, .. }, Segment::Line { a, b }) => {
            line_arc(a, b, centre, radius, s)
        }
        (
            Segment::Arc {
                centre: c0,
                radius: r0,
                ..
            },
            Segment::Arc {
                centre: c1,
                radius: r1,
                ..
            },
        ) => {
            let mut out = Crossings::default();
            let d = c1 - c0;
            let len = d.length();
            if len < 1e-9 || len > r0 + r1 || len < (r0 - r1).abs() {
                return out;
            }
            let along = (len * len + r0 * r0 - r1 * r1) / (2.0 * len);
            let off = (r0 * r0 - along * along).max(0.0).sqrt();
            let u = d * (1.0 / len);
            for sign in [-1.0, 1.0] {
                let p = c0 + u * along + u.left() * (sign * off);
                if s.spans((p - c0).angle()) && t.spans((p - c1).angle()) {
                    out.push(p);
                }
            }
            out
        }
    }
}

fn line_arc(a: Point, b: Point, centre: Point, radius: f64, arc: &Segment) -> Crossings {
    let mut out = Crossings::default();
    let d = b - a;
    let n = d.dot(d);
    if n < 1e-24 {
        return out;
    }
    let mid = (centre - a).dot(d) / n;
    let foot = a + d * mid;
    let h2 = radius * radius - {
        let e = foot - centre;
        e.dot(e)
    };
    if h2 < 0.0 {
        return out;
    }
    let half = (h2 / n).sqrt();
    for i in [mid - half, mid + half] {
        if (-1e-12..=1.0 + 1e-12).contains(&i) {
            let p = a + d * i;
            if arc.spans((p - centre).angle()) {
                out.push(p);
            }
        }
    }
    out
}

/// Up to two points.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Crossings {
    points: [Point; 2],
    count: usize,
}

impl Crossings {
    fn push(&mut self, p: Point) {
        if self.count < 2 {
            self.points[self.count] = p;
            self.count += 1;
        }
    }
    /// The points.
    pub(super) fn as_slice(&self) -> &[Point] {
        &self.points[..self.count]
    }
}

/// Least distance between two segments, and where on the first it is. Exact: the least distance lies at a crossing, at an end of
/// one of them, or where both have a common normal.
pub(super) fn distance(s: &Segment, t: &Segment) -> (f64, Point) {
    if let Some(p) = crossings(s, t).as_slice().first() {
        return (0.0, *p);
    }
    let mut best = (f64::INFINITY, s.start());
    let mut on_s = |p: Point| {
        let d = t.distance(p);
        if d < best.0 {
            best = (d, p);
        }
    };
    on_s(s.start());
    on_s(s.end());
    on_s(s.nearest(t.start()).0);
    on_s(s.nearest(t.end()).0);
    match (*s, *t) {
        (Segment::Line { .. }, Segment::Line { .. }) => {}
        (Segment::Line { a, b }, Segment::Arc { centre, radius, .. }) => {
            if let Some(u) = (b - a).normalized() {
                for n in [u.left(), -u.left()] {
                    if t.spans(n.angle()) {
                        on_s(s.nearest(centre + n * radius).0);
                    }
                }
            }
        }
        (Segment::Arc { centre, radius, .. }, Segment::Line { a, b }) => {
            if let Some(u) = (b - a).normalized() {
                for n in [u.left(), -u.left()] {
                    if s.spans(n.angle()) {
                        on_s(centre + n * radius);
                    }
                }
            }
        }
        (
            Segment::Arc {
                centre: c0,
                radius: r0,
                ..
            },
            Segment::Arc { centre: c1, .. },
        ) => {
            if let Some(u) = (c1 - c0).normalized() {
                for n in [u, -u] {
                    if s.spans(n.angle()) {
                        on_s(c0 + n * r0);
                    }
                }
            }
        }
    }
    best
}

/// A piece of a boundary along which y only rises or only falls.
#[derive(Clone, Copy, Debug)]
struct Monotone {
    low: f64,
    high: f64,
    rises: bool,
    form: Form,
}

#[derive(Clone, Copy, Debug)]
enum Form {
    Line { x: f64, slope: f64 },
    Arc { centre: Point, r2: f64, right: bool },
}

impl Monotone {
    fn x_at(&self, y: f64) -> f64 {
        match self.form {
            Form::Line { x, slope } => x + (y - self.low) * slope,
            Form::Arc { centre, r2, right } => {
                let h = (r2 - (y - centre.y) * (y - centre.y)).max(0.0).sqrt();
                if right { centre.x + h } else { centre.x - h }
            }
        }
    }
}

/// Answers whether points lie inside closed contours (non-zero winding), in about constant time: pieces are sorted into bands of y.
#[derive(Clone, Debug)]
pub(super) struct Inside {
    bounds: Bounds,
    pieces: Vec<Monotone>,
    /// For each band, the range of `members` that touch it.
    starts: Vec<u32>,
    members: Vec<u32>,
    per_band: f64,
}

impl Inside {
    /// Of closed contours taken together.
    pub(super) fn new<'a>(contours: impl IntoIterator<Item = &'a Contour>) -> Inside {
        let mut bounds = Bounds::EMPTY;
        let mut pieces = Vec::new();
        for contour in contours {
            bounds = bounds.union(contour.bounds());
            for s in contour.segments() {
                monotone(&s, &mut pieces);
            }
        }
        let count = (pieces.len() / 2).clamp(1, 4096);
        let height = bounds.height().max(1e-9);
        let per_band = count as f64 / height;
        let band = |y: f64| (((y - bounds.min.y) * per_band) as usize).min(count - 1);
        let mut sizes = vec![0u32; count + 1];
        for p in &pieces {
            for size in &mut sizes[band(p.low) + 1..=band(p.high) + 1] {
                *size += 1;
            }
        }
        for i in 1..sizes.len() {
            sizes[i] += sizes[i - 1];
        }
        let starts = sizes.clone();
        let mut next = sizes;
        let mut members = vec![0u32; starts.last().copied().unwrap_or(0) as usize];
        for (i, p) in pieces.iter().enumerate() {
            for slot in &mut next[band(p.low)..=band(p.high)] {
                members[*slot as usize] = i as u32;
                *slot += 1;
            }
        }
        Inside {
            bounds,
            pieces,
            starts,
            members,
            per_band,
        }
    }
    /// `p` lies inside. Points on the boundary may come out either way.
    pub(super) fn contains(&self, p: Point) -> bool {
        if !self.bounds.contains(p) || self.pieces.is_empty() {
            return false;
        }
        let bands = self.starts.len() - 1;
        let band = (((p.y - self.bounds.min.y) * self.per_band) as usize).min(bands - 1);
        let members = &self.members[self.starts[band] as usize..self.starts[band + 1] as usize];
        let mut winding = 0;
        for i in members {
            let piece = &self.pieces[*i as usize];
            // Half-open, so that a vertex between two pieces counts once.
            if p.y >= piece.low && p.y < piece.high && piece.x_at(p.y) > p.x {
                winding += if piece.rises { 1 } else { -1 };
            }
        }
        winding != 0
    }
}

fn monotone(s: &Segment, out: &mut Vec<Monotone>) {
    match *s {
        Segment::Line { a, b } => {
            let (from, to) = if a.y <= b.y { (a, b) } else { (b, a) };
            if to.y > from.y {
                out.push(Monotone {
                    low: from.y,
                    high: to.y,
                    rises: a.y < b.y,
                    form: Form::Line {
                        x: from.x,
                        slope: (to.x - from.x) / (to.y - from.y),
                    },
                });
            }
        }
        Segment::Arc {
            a,
            b,
            centre,
            radius,
            sweep,
        } => {
            // Split where the arc passes its highest and lowest points; the ends are the contour's own vertices to the bit.
            let start = (a - centre).angle();
            let mut cuts = vec![(0.0, a.y)];
            for k in -4..=4_i32 {
                let angle = PI * (0.5 + f64::from(k));
                let t = (angle - start) / sweep;
                if t > 1e-12 && t < 1.0 - 1e-12 {
                    let up = k.rem_euclid(2) == 0;
                    cuts.push((
                        t,
                        if up {
                            centre.y + radius
                        } else {
                            centre.y - radius
                        },
                    ));
                }
            }
            cuts.push((1.0, b.y));
            cuts.sort_by(|x, y| x.0.total_cmp(&y.0));
            for pair in cuts.windows(2) {
                let ((t0, y0), (t1, y1)) = (pair[0], pair[1]);
                let (low, high) = (y0.min(y1), y0.max(y1));
                if high > low {
                    let middle = s.at(0.5 * (t0 + t1));
                    out.push(Monotone {
                        low,
                        high,
                        rises: y1 > y0,
                        form: Form::Arc {
                            centre,
                            r2: radius * radius,
                            right: middle.x > centre.x,
                        },
                    });
                }
            }
        }
    }
}

/// Boxes over a run of things in their own order, eight to a box, boxes of boxes above. Runs along contours and programs are
/// near each other in the plane as they are in order, so that no sorting is needed; and a query can be limited to what came earlier.
#[derive(Clone, Debug, Default)]
pub(super) struct Boxes {
    levels: Vec<Vec<Bounds>>,
}

const FAN: usize = 8;

impl Boxes {
    /// Over the boxes of the things.
    pub(super) fn new(leaves: Vec<Bounds>) -> Boxes {
        let mut levels = vec![leaves];
        while levels[levels.len() - 1].len() > FAN {
            let above = levels[levels.len() - 1]
                .chunks(FAN)
                .map(|c| c.iter().fold(Bounds::EMPTY, |b, x| b.union(*x)))
                .collect();
            levels.push(above);
        }
        Boxes { levels }
    }
    /// Calls `f` with each thing before `end` whose box touches `query`, in order. `f` answers whether to go on.
    pub(super) fn visit(&self, query: Bounds, end: usize, f: &mut impl FnMut(usize) -> bool) {
        let (level, all) = self.top();
        all.into_iter().all(|i| self.walk(level, i, query, end, f));
    }
    fn top(&self) -> (usize, std::ops::Range<usize>) {
        let top = self.levels.len() - 1;
        (top, 0..self.levels[top].len())
    }
    fn walk(
        &self,
        level: usize,
        i: usize,
        query: Bounds,
        end: usize,
        f: &mut impl FnMut(usize) -> bool,
    ) -> bool {
        if i * FAN.pow(level as u32) >= end || !self.levels[level][i].touches(query) {
            return true;
        }
        if level == 0 {
            return f(i);
        }
        let below = self.levels[level - 1].len();
        let mut all = i * FAN..((i + 1) * FAN).min(below);
        all.all(|j| self.walk(level - 1, j, query, end, f))
    }
}

/// A segment seen from a thing that is placed.
pub(super) fn unplaced(s: &Segment, placing: &grainway_geom::Placing) -> Segment {
    match *s {
        Segment::Line { a, b } => Segment::Line {
            a: placing.inverse_point(a),
            b: placing.inverse_point(b),
        },
        Segment::Arc {
            a,
            b,
            centre,
            radius,
            sweep,
        } => Segment::Arc {
            a: placing.inverse_point(a),
            b: placing.inverse_point(b),
            centre: placing.inverse_point(centre),
            radius,
            sweep,
        },
    }
}

/// The box around a disc.
pub(super) fn around(p: Point, radius: f64) -> Bounds {
    Bounds {
        min: p - point(radius, radius),
        max: p + point(radius, radius),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::tests::Random;

    impl Random {
        fn point(&mut self) -> Point {
            point(self.next() * 20.0 - 10.0, self.next() * 20.0 - 10.0)
        }
        fn segment(&mut self) -> Segment {
            let a = self.point();
            if self.next() < 0.4 {
                Segment::Line { a, b: self.point() }
            } else {
                let sweep = (self.next() * 2.0 - 1.0) * std::f64::consts::TAU;
                Segment::arc_about(self.point(), a, sweep)
            }
        }
    }

    #[test]
    fn distance_equals_brute_force() {
        let mut random = Random(7);
        for case in 0..2000 {
            let (s, t) = (random.segment(), random.segment());
            let (exact, at) = distance(&s, &t);
            let n = 400;
            let brute = (0..=n)
                .map(|i| t.distance(s.at(f64::from(i) / f64::from(n))))
                .fold(f64::INFINITY, f64::min);
            let step = s.length() / f64::from(n);
            assert!(exact <= brute + 1e-9, "case {case}: {exact} > {brute}");
            assert!(exact >= brute - step, "case {case}: {exact} < {brute}");
            assert!(s.distance(at) < 1e-6, "case {case}");
        }
    }

    #[test]
    fn inside_equals_the_sum_of_angles() {
        let mut random = Random(11);
        for _ in 0..200 {
            let n = 3 + (random.next() * 8.0) as usize;
            let mut c = Contour::polygon((0..n).map(|i| {
                Point::unit(i as f64 / n as f64 * std::f64::consts::TAU)
                    * (2.0 + 8.0 * random.next())
            }));
            for v in &mut c.vertices {
                if random.next() < 0.5 {
                    v.bulge = random.next() * 0.8 - 0.4;
                }
            }
            let inside = Inside::new([&c]);
            for _ in 0..100 {
                let p = random.point();
                if c.distance(p) > 1e-6 {
                    assert_eq!(inside.contains(p), c.contains(p), "{c:?} {p:?}");
                }
            }
        }
    }

    #[test]
    fn boxes_find_all_and_only_earlier() {
        let leaves: Vec<Bounds> = (0..1000)
            .map(|i| around(point(f64::from(i), 0.0), 0.6))
            .collect();
        let boxes = Boxes::new(leaves);
        let mut found = Vec::new();
        boxes.visit(around(point(500.0, 0.0), 2.0), 501, &mut |i| {
            found.push(i);
            true
        });
        assert_eq!(found, [498, 499, 500]);
    }
}
