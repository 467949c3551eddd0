//! What is laid: polygons with holes, turned by quarters and taken apart into convex parts.

use grainway_geom::{Bounds, Contour, Point, PolySet, Region, point};

/// A corner that points inwards by less than this is taken for straight, mm: the polygon kernel's grid is a thousand times finer than
/// any gap that matters.
const STRAIGHT_MM: f64 = 2e-5;
/// Parts narrower than this come from rounding, mm.
const SLIVER_MM: f64 = 1e-5;

/// A polygon with holes: the room that one thing takes up.
///
/// Rings in any direction, the outer one first.
#[derive(Clone, Debug, PartialEq)]
pub struct Shape {
    rings: Vec<Vec<Point>>,
}

impl Shape {
    /// What the rings enclose: the outer one first, its holes after it.
    pub fn new(rings: Vec<Vec<Point>>) -> Shape {
        let rings = rings
            .into_iter()
            .enumerate()
            .map(|(i, mut ring)| {
                ring.dedup();
                if (ring_area(&ring) > 0.0) != (i == 0) {
                    ring.reverse();
                }
                ring
            })
            .collect();
        Shape { rings }
    }
    /// A rectangle.
    pub fn rectangle(bounds: Bounds) -> Shape {
        Shape::new(vec![corners(bounds)])
    }
    /// Its rings: the outer one counter-clockwise first, its holes clockwise after it.
    pub fn rings(&self) -> &[Vec<Point>] {
        &self.rings
    }
    /// Area without the holes, mm².
    pub fn area(&self) -> f64 {
        self.rings.iter().map(|r| ring_area(r)).sum()
    }
    /// The smallest box around it.
    pub fn bounds(&self) -> Bounds {
        Bounds::of(self.rings.first().into_iter().flatten().copied())
    }
    /// Turned counter-clockwise about the origin.
    pub fn turned(&self, quarters: u8) -> Shape {
        let turn = |r: &Vec<Point>| r.iter().map(|p| turned(*p, quarters)).collect();
        Shape {
            rings: self.rings.iter().map(turn).collect(),
        }
    }
    /// Convex polygons, counter-clockwise, that cover it and nothing else.
    pub(crate) fn convex_parts(&self) -> Vec<Vec<Point>> {
        let mut parts = Vec::new();
        let mut open = vec![self.rings.clone()];
        let far = 4.0 * self.bounds().width().max(self.bounds().height()) + 1.0;
        while let Some(rings) = open.pop() {
            let split = inward_corners(&rings)
                .into_iter()
                .map(|(at, way)| cut(&rings, at, way, far))
                .find(|(left, right)| !left.is_empty() && !right.is_empty());
            match split {
                Some((left, right)) => {
                    open.extend(left);
                    open.extend(right);
                }
                None => parts.extend(rings.first().map(|outer| hull(outer))),
            }
        }
        parts.retain(|p| p.len() > 2 && ring_area(p) > SLIVER_MM * ring_length(p));
        parts
    }
}

/// A point turned counter-clockwise about the origin.
pub fn turned(p: Point, quarters: u8) -> Point {
    match quarters % 4 {
        0 => p,
        1 => point(-p.y, p.x),
        2 => point(-p.x, -p.y),
        _ => point(p.y, -p.x),
    }
}

/// The corners of a box, counter-clockwise.
fn corners(b: Bounds) -> Vec<Point> {
    vec![
        b.min,
        point(b.max.x, b.min.y),
        b.max,
        point(b.min.x, b.max.y),
    ]
}

fn ring_area(ring: &[Point]) -> f64 {
    let n = ring.len();
    0.5 * (0..n)
        .map(|i| ring[i].cross(ring[(i + 1) % n]))
        .sum::<f64>()
}

fn ring_length(ring: &[Point]) -> f64 {
    let n = ring.len();
    (0..n).map(|i| ring[i].distance(ring[(i + 1) % n])).sum()
}

/// The corners that point inwards, the most first, each with the directions in which its ring comes to it and leaves it.
fn inward_corners(rings: &[Vec<Point>]) -> Vec<(Point, Point)> {
    let corners = rings.iter().flat_map(|ring| {
        let n = ring.len();
        (0..n).map(move |i| (ring[(i + n - 1) % n], ring[i], ring[(i + 1) % n]))
    });
    let mut inward: Vec<(f64, Point, [Point; 2])> = corners
        .filter_map(|(before, at, after)| {
            let chord = (after - before).length().max(f64::MIN_POSITIVE);
            let inwards = -(at - before).cross(after - at) / chord;
            let ways = [(at - before).normalized()?, (after - at).normalized()?];
            (inwards > STRAIGHT_MM).then_some((inwards, at, ways))
        })
        .collect();
    inward.sort_by(|a, b| b.0.total_cmp(&a.0));
    let ways = inward.into_iter();
    ways.flat_map(|(_, at, ways)| ways.map(|way| (at, way)))
        .collect()
}

type Rings = Vec<Vec<Point>>;

/// Both sides of a line through `at`.
fn cut(rings: &[Vec<Point>], at: Point, way: Point, far: f64) -> (Vec<Rings>, Vec<Rings>) {
    let side = way.left() * far;
    let (from, to) = (at - way * far, at + way * far);
    let half = Region::inside(Contour::polygon([from, to, to + side, from + side]));
    let half = PolySet::from_regions(&[half], 1.0);
    let whole = PolySet(vec![rings.to_vec()]);
    (whole.intersection(&half).0, whole.difference(&half).0)
}

/// The convex hull, counter-clockwise (A. M. Andrew, 1979).
fn hull(points: &[Point]) -> Vec<Point> {
    let mut sorted = points.to_vec();
    sorted.sort_by(|a, b| a.x.total_cmp(&b.x).then(a.y.total_cmp(&b.y)));
    sorted.dedup();
    if sorted.len() < 3 {
        return sorted;
    }
    let half = |points: &mut dyn Iterator<Item = Point>| {
        let mut chain: Vec<Point> = Vec::new();
        for p in points {
            while let [.., a, b] = chain[..]
                && (b - a).cross(p - b) <= 0.0
            {
                chain.pop();
            }
            chain.push(p);
        }
        chain.pop();
        chain
    };
    let mut all = half(&mut sorted.iter().copied());
    all.extend(half(&mut sorted.iter().rev().copied()));
    all
}

#[cfg(test)]
mod tests {
    use super::*;

    fn ring(of: &[(f64, f64)]) -> Vec<Point> {
        of.iter().map(|&(x, y)| point(x, y)).collect()
    }

    #[test]
    fn convex_parts_cover_the_shape_and_no_more() {
        let square = ring(&[(0.0, 0.0), (90.0, 0.0), (90.0, 60.0), (0.0, 60.0)]);
        let hole = ring(&[(20.0, 20.0), (50.0, 25.0), (30.0, 40.0)]);
        let notched = ring(&[
            (0.0, 0.0),
            (50.0, 0.0),
            (50.0, 50.0),
            (30.0, 10.0),
            (20.0, 10.0),
            (0.0, 50.0),
        ]);
        for shape in [
            Shape::new(vec![square.clone()]),
            Shape::new(vec![square, hole]),
            Shape::new(vec![notched]),
        ] {
            for quarters in 0..4 {
                let parts = shape.turned(quarters).convex_parts();
                let area: f64 = parts.iter().map(|p| ring_area(p)).sum();
                assert!((area - shape.area()).abs() < 0.01, "{area}");
                assert!(parts.iter().all(|p| hull(p).len() == p.len()));
            }
        }
    }
}
