//! No-fit polygons: where one shape may not stand because of another.

use grainway_geom::{Contour, Point, PolySet, Region, point};

/// Places nearer to the boundary than this touch and do not overlap, mm: a tenth of a micrometre, above the rounding of the polygon
/// kernel and far below any gap.
pub(crate) const TOUCH_MM: f64 = 1e-4;

/// The places, seen from the origin of a standing shape, on which the origin of a moving one may not come.
#[derive(Clone, Debug, Default)]
pub(crate) struct NoFit {
    edges: Vec<Edge>,
    pub(crate) lo: Point,
    pub(crate) hi: Point,
    convex: bool,
}

/// An edge; the forbidden places lie on its left.
#[derive(Clone, Copy, Debug)]
struct Edge {
    a: Point,
    b: Point,
    /// Direction, of length 1.
    way: Point,
    length: f64,
}

/// The nearest way out of a forbidden place.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Exit {
    /// How far it is, mm.
    pub(crate) depth: f64,
    /// The nearest place on the boundary of the no-fit polygon.
    pub(crate) to: Point,
    /// Direction of the boundary there.
    pub(crate) along: Point,
}

impl NoFit {
    /// Of convex parts that stand and rings that move: the Minkowski sum of the first and the second turned by a half. Each ring is
    /// the whole of a polygon without holes, or one of its convex parts.
    pub(crate) fn of(standing: &[Vec<Point>], moving: &[Vec<Point>]) -> NoFit {
        let turned: Vec<Vec<Point>> = moving
            .iter()
            .map(|ring| ring.iter().map(|p| -*p).collect())
            .collect();
        let sums: Vec<Vec<Point>> = standing
            .iter()
            .flat_map(|s| turned.iter().map(move |m| convolution(s, m)))
            .collect();
        if let ([one], [_], [ring]) = (sums.as_slice(), standing, moving)
            && is_convex(ring)
        {
            return NoFit::from_rings(std::slice::from_ref(one), true);
        }
        let regions: Vec<Region> = sums
            .into_iter()
            .map(|ring| Region::inside(Contour::polygon(ring)))
            .collect();
        let united = PolySet::from_regions(&regions, 1.0);
        let rings: Vec<Vec<Point>> = united.0.into_iter().flatten().collect();
        NoFit::from_rings(&rings, false)
    }
    fn from_rings(rings: &[Vec<Point>], convex: bool) -> NoFit {
        let mut edges = Vec::new();
        let (mut lo, mut hi) = (
            point(f64::INFINITY, f64::INFINITY),
            point(f64::NEG_INFINITY, f64::NEG_INFINITY),
        );
        for ring in rings {
            let ring = cleaned(ring);
            for (i, &a) in ring.iter().enumerate() {
                let b = ring[(i + 1) % ring.len()];
                lo = point(lo.x.min(a.x), lo.y.min(a.y));
                hi = point(hi.x.max(a.x), hi.y.max(a.y));
                if let Some(way) = (b - a).normalized() {
                    let length = a.distance(b);
                    edges.push(Edge { a, b, way, length });
                }
            }
        }
        NoFit {
            edges,
            lo,
            hi,
            convex,
        }
    }
    /// The same turned by a half: for the other shape.
    pub(crate) fn turned_half(&self) -> NoFit {
        let edges = self.edges.iter().map(|e| Edge {
            a: -e.a,
            b: -e.b,
            way: -e.way,
            length: e.length,
        });
        NoFit {
            edges: edges.collect(),
            lo: -self.hi,
            hi: -self.lo,
            convex: self.convex,
        }
    }
    /// What a question costs: its edges.
    pub(crate) fn cost(&self) -> u64 {
        self.edges.len() as u64
    }
    /// The corners of its boundary.
    pub(crate) fn corner(&self, n: usize) -> Point {
        self.edges.get(n).map_or(self.lo, |e| e.a)
    }
    pub(crate) fn corners(&self) -> usize {
        self.edges.len()
    }
    /// How deep a place lies in it, mm; 0 outside.
    pub(crate) fn depth(&self, p: Point) -> f64 {
        if self.convex {
            let mut least = f64::INFINITY;
            for e in &self.edges {
                let inside = e.way.cross(p - e.a);
                if inside <= 0.0 {
                    return 0.0;
                }
                least = least.min(inside);
            }
            return if least.is_finite() { least } else { 0.0 };
        }
        if !self.covers(p) {
            return 0.0;
        }
        let mut least = f64::INFINITY;
        for e in &self.edges {
            least = least.min(e.squared(p));
        }
        least.sqrt()
    }
    fn covers(&self, p: Point) -> bool {
        let mut inside = false;
        for e in &self.edges {
            // Where the edge crosses the level of `p`, and on which side of it.
            if (e.a.y > p.y) != (e.b.y > p.y) {
                let left = e.way.cross(p - e.a) > 0.0;
                inside ^= left == (e.b.y > e.a.y);
            }
        }
        inside
    }
    /// The nearest way out of a place; `None` outside.
    pub(crate) fn exit(&self, p: Point) -> Option<Exit> {
        if !self.convex && !self.covers(p) {
            return None;
        }
        let mut best: Option<(f64, &Edge)> = None;
        for e in &self.edges {
            let far = if self.convex {
                let inside = e.way.cross(p - e.a);
                if inside <= 0.0 {
                    return None;
                }
                inside * inside
            } else {
                e.squared(p)
            };
            if best.is_none_or(|(least, _)| far < least) {
                best = Some((far, e));
            }
        }
        best.map(|(squared, e)| Exit {
            depth: squared.sqrt(),
            to: e.nearest(p),
            along: e.way,
        })
    }
    /// Where a line through it is forbidden: pairs of from and to, in order, appended to `out`. Along x at the height `level`, or
    /// along y at that place.
    pub(crate) fn along(&self, level: f64, upright: bool, crossings: &mut Vec<f64>) {
        crossings.clear();
        for e in &self.edges {
            let (a, b) = if upright {
                (point(e.a.y, e.a.x), point(e.b.y, e.b.x))
            } else {
                (e.a, e.b)
            };
            if (a.y > level) != (b.y > level) {
                crossings.push(a.x + (level - a.y) * (b.x - a.x) / (b.y - a.y));
            }
        }
        crossings.sort_unstable_by(f64::total_cmp);
    }
}

impl Edge {
    fn nearest(&self, p: Point) -> Point {
        let along = self.way.dot(p - self.a).clamp(0.0, self.length);
        self.a + self.way * along
    }
    /// Square of the distance.
    fn squared(&self, p: Point) -> f64 {
        let d = p - self.a;
        let along = self.way.dot(d).clamp(0.0, self.length);
        let off = d - self.way * along;
        off.dot(off)
    }
}

/// Slits narrower than this come from the rounding of sums that lie against each other, mm. In one of them a place far inside would seem
/// to be at the boundary.
const SLIT_MM: f64 = 2e-5;

/// A ring without points that lie together, slits, and corners at which it goes straight on.
fn cleaned(ring: &[Point]) -> Vec<Point> {
    let mut ring = ring.to_vec();
    loop {
        let n = ring.len();
        if n < 3 {
            return Vec::new();
        }
        let goes = |i: usize| {
            let (a, b, c) = (ring[(i + n - 1) % n], ring[i], ring[(i + 1) % n]);
            let (before, after) = (b - a, c - b);
            let across = before.cross(after).abs();
            let (long, short) = (
                before.length().max(after.length()),
                before.length().min(after.length()),
            );
            let straight = across <= ROUNDING * long * short && before.dot(after) > 0.0;
            // How far the end of the shorter side lies from the longer one.
            let slit = before.dot(after) < 0.0 && across <= SLIT_MM * long;
            straight || slit || short <= SLIT_MM
        };
        let Some(first) = (0..n).find(|&i| goes(i)) else {
            return ring;
        };
        ring.remove(first);
    }
}

/// Sines below this come from rounding.
const ROUNDING: f64 = 1e-9;

/// No corner points inwards.
fn is_convex(ring: &[Point]) -> bool {
    let n = ring.len();
    (0..n).all(|i| {
        let (a, b, c) = (ring[i], ring[(i + 1) % n], ring[(i + 2) % n]);
        (b - a).cross(c - b) >= 0.0
    })
}

/// The convolution of a convex polygon and a ring, both counter-clockwise: a closed run that winds at least once round every place of
/// their Minkowski sum, and round no other (Guibas, Ramshaw, Stolfi, "A kinetic framework for computational geometry", 1983).
fn convolution(convex: &[Point], ring: &[Point]) -> Vec<Point> {
    let (n, m) = (convex.len(), ring.len());
    let corner = |k: usize| convex[k % n];
    let side = |k: usize| corner(k + 1) - corner(k);
    let edge = |i: usize| ring[(i + 1) % m] - ring[i % m];
    // The corner of the convex polygon that lies farthest to the right of a direction: its sides turn past the direction there.
    let extreme = |way: Point| {
        let out = -way.left();
        (0..n)
            .max_by(|&a, &b| {
                let (da, db) = (corner(a).dot(out), corner(b).dot(out));
                da.total_cmp(&db).then(b.cmp(&a))
            })
            .unwrap_or(0)
    };
    let mut at = extreme(edge(0));
    let mut run = Vec::with_capacity(2 * m + n);
    for i in 0..m {
        let (way, next) = (edge(i), edge(i + 1));
        run.push(ring[i] + corner(at));
        run.push(ring[(i + 1) % m] + corner(at));
        let end = ring[(i + 1) % m];
        let forwards = (extreme(next) + n - at) % n;
        let backwards = (n - forwards) % n;
        // A side lies between two directions, one counter-clockwise of the other.
        let lies = |s: Point, from: Point, to: Point| {
            from.cross(s) >= -ROUNDING * s.length() * from.length()
                && s.cross(to) >= -ROUNDING * s.length() * to.length()
        };
        // Left the sides turn forwards, right backwards. A side in the very direction of the ring may be on either way.
        let ahead = if way.cross(next) >= 0.0 {
            (0..forwards).all(|k| lies(side(at + k), way, next))
        } else {
            !(0..backwards).all(|k| lies(side(at + 2 * n - 1 - k), next, way))
        };
        for _ in 0..if ahead { forwards } else { backwards } {
            at = if ahead { at + 1 } else { at + n - 1 } % n;
            run.push(end + corner(at));
        }
    }
    run.dedup();
    if run.first() == run.last() {
        run.pop();
    }
    run
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::Shape;
    use grainway_geom::Bounds;

    fn square(side: f64) -> Shape {
        Shape::rectangle(Bounds {
            min: point(0.0, 0.0),
            max: point(side, side),
        })
    }

    fn of(a: &Shape, b: &Shape) -> NoFit {
        NoFit::of(&a.convex_parts(), &b.convex_parts())
    }

    /// Against the sums of convex parts, which need no winding numbers.
    #[test]
    fn convolutions_are_sums_of_parts() {
        let ring = |of: &[(f64, f64)]| of.iter().map(|&(x, y)| point(x, y)).collect::<Vec<_>>();
        let shapes = [
            ring(&[
                (0.0, 0.0),
                (40.0, 0.0),
                (40.0, 40.0),
                (30.0, 40.0),
                (30.0, 10.0),
                (10.0, 10.0),
                (10.0, 40.0),
                (0.0, 40.0),
            ]),
            ring(&[(0.0, 0.0), (50.0, 20.0), (0.0, 60.0), (20.0, 30.0)]),
            ring(&[(0.0, 0.0), (9.0, 0.0), (9.0, 30.0), (0.0, 30.0)]),
            ring(&[
                (0.0, 0.0),
                (30.0, 0.0),
                (30.0, 5.0),
                (14.0, 5.0),
                (14.0, 20.0),
                (25.0, 22.0),
                (25.0, 30.0),
                (0.0, 12.0),
            ]),
        ];
        for a in &shapes {
            for b in &shapes {
                let (a, b) = (Shape::new(vec![a.clone()]), Shape::new(vec![b.clone()]));
                let by_ring = NoFit::of(&a.convex_parts(), b.rings());
                let by_parts = NoFit::of(&a.convex_parts(), &b.convex_parts());
                let twice = |n: &NoFit| n.edges.iter().map(|e| e.a.cross(e.b)).sum::<f64>();
                assert!(
                    (twice(&by_ring) - twice(&by_parts)).abs() < 0.1,
                    "{by_ring:?} {by_parts:?}"
                );
                for k in 0..400 {
                    let p = point(
                        f64::from(k % 20) * 5.3 - 52.0,
                        f64::from(k / 20) * 6.1 - 61.0,
                    );
                    assert!((by_ring.depth(p) - by_parts.depth(p)).abs() < 1e-3);
                }
            }
        }
    }

    /// Sums of parts that lie against each other are rounded each by itself; a slit a nanometre wide between them is no way in.
    #[test]
    fn slits_from_rounding_are_closed() {
        let corners = [
            (0.0, 0.0),
            (90.0, 0.0),
            (90.0, 60.0),
            (40.000001, 60.0),
            (30.0, 20.0),
            (29.999999, 20.0),
            (40.0, 60.0),
            (0.0, 60.0),
        ];
        let ring: Vec<Point> = corners.iter().map(|&(x, y)| point(x, y)).collect();
        let n = NoFit::from_rings(&[ring], false);
        assert_eq!(n.edges.len(), 4, "{n:?}");
        assert!((n.depth(point(32.0, 28.0)) - 28.0).abs() < 1e-6);
    }

    #[test]
    fn two_squares_keep_a_square_apart() {
        let n = of(&square(10.0), &square(4.0));
        assert_eq!(
            (n.lo, n.hi, n.edges.len()),
            (point(-4.0, -4.0), point(10.0, 10.0), 4)
        );
        assert!((n.depth(point(-3.0, 3.0)) - 1.0).abs() < 1e-12);
        assert!(n.depth(point(10.5, 3.0)).abs() < 1e-12);
        assert_eq!(n.exit(point(9.0, 3.0)).unwrap().to, point(10.0, 3.0));
    }

    /// A frame of 30 mm with an opening of 20 takes a square of 8 anywhere in 12 mm.
    #[test]
    fn an_opening_takes_what_is_smaller() {
        let inner = [(5.0, 5.0), (25.0, 5.0), (25.0, 25.0), (5.0, 25.0)];
        let ring = |of: &[(f64, f64)]| of.iter().map(|&(x, y)| point(x, y)).collect();
        let outer = [(0.0, 0.0), (30.0, 0.0), (30.0, 30.0), (0.0, 30.0)];
        let frame = Shape::new(vec![ring(&outer), ring(&inner)]);
        let n = of(&frame, &square(8.0));
        assert!(n.depth(point(11.0, 11.0)).abs() < 1e-12);
        assert!(n.depth(point(5.1, 16.9)).abs() < 1e-12);
        assert!((n.depth(point(4.0, 11.0)) - 1.0).abs() < 1e-6);
        assert!(n.depth(point(18.0, 11.0)) > 0.9);
        let mut crossings = Vec::new();
        n.along(11.0, false, &mut crossings);
        assert_eq!(crossings.len(), 4);
        assert!((crossings[1] - 5.0).abs() < 1e-6 && (crossings[2] - 17.0).abs() < 1e-6);
    }
}
