//! The pole of inaccessibility: the point inside a region that is farthest from its boundary, on true arcs.

use super::{Point, Region, SegmentIndex, point};
use std::cmp::Ordering;
use std::collections::BinaryHeap;

/// No more squares than this are looked at; a region needs some hundreds.
const MOST_SQUARES: usize = 200_000;

/// A square of the quad-tree; ordered by the largest distance that a point in it can have.
struct Square {
    centre: Point,
    half: f64,
    distance: f64,
}

impl Square {
    fn most(&self) -> f64 {
        self.distance + self.half * std::f64::consts::SQRT_2
    }
}

impl PartialEq for Square {
    fn eq(&self, other: &Self) -> bool {
        self.cmp(other) == Ordering::Equal
    }
}
impl Eq for Square {}
impl PartialOrd for Square {
    fn partial_cmp(&self, other: &Self) -> Option<Ordering> {
        Some(self.cmp(other))
    }
}
impl Ord for Square {
    fn cmp(&self, other: &Self) -> Ordering {
        // Position breaks ties, so that the walk does not depend on the heap's inner order.
        self.most()
            .total_cmp(&other.most())
            .then(self.centre.x.total_cmp(&other.centre.x))
            .then(self.centre.y.total_cmp(&other.centre.y))
    }
}

/// The point inside the region farthest from its boundary and that distance, mm, at most `tolerance_mm` short of the largest
/// one. `None` for a region without area or with coordinates that are not finite numbers.
///
/// ```
/// use grainway_geom::{Contour, Region, point, pole};
/// let pocket = Region::inside(Contour::rectangle(point(0.0, 0.0), point(80.0, 30.0), 0.0));
/// let (place, distance) = pole(&pocket, 0.01).unwrap();
/// assert!((distance - 15.0).abs() < 0.01 && (place.y - 15.0).abs() < 0.01);
/// ```
pub fn pole(region: &Region, tolerance_mm: f64) -> Option<(Point, f64)> {
    let bounds = region.bounds();
    if bounds.is_empty() || !region.contours().all(|c| c.is_finite()) {
        return None;
    }
    let tolerance = tolerance_mm.max(1e-6);
    let index = SegmentIndex::new(region.contours().flat_map(|c| c.segments()));
    let signed = |p: Point| {
        let d = index
            .distance_to_point(p, f64::INFINITY)
            .map_or(0.0, |(d, _)| d);
        if region.contains(p) { d } else { -d }
    };
    let size = bounds.width().min(bounds.height());
    if !(size.is_finite() && size > 0.0) {
        return None;
    }
    let mut queue = BinaryHeap::new();
    let square = |centre: Point, half: f64| Square {
        centre,
        half,
        distance: signed(centre),
    };
    // A long region starts as a row of squares; the count is bounded for needles.
    let size = size.max(bounds.width().max(bounds.height()) / 64.0);
    let across = (bounds.width() / size).ceil().max(1.0) as usize;
    let up = (bounds.height() / size).ceil().max(1.0) as usize;
    let half = 0.5 * size;
    for i in 0..across {
        for j in 0..up {
            let centre = bounds.min + point((i as f64 + 0.5) * size, (j as f64 + 0.5) * size);
            queue.push(square(centre, half));
        }
    }
    let mut best: Option<(Point, f64)> = None;
    let mut looked = queue.len();
    for s in &queue {
        if s.distance > best.map_or(0.0, |b| b.1) {
            best = Some((s.centre, s.distance));
        }
    }
    while let Some(top) = queue.pop() {
        if top.most() - best.map_or(0.0, |b| b.1) <= tolerance || looked > MOST_SQUARES {
            break;
        }
        let half = 0.5 * top.half;
        for (dx, dy) in [(-half, -half), (half, -half), (-half, half), (half, half)] {
            let next = square(top.centre + point(dx, dy), half);
            if next.distance > best.map_or(0.0, |b| b.1) {
                best = Some((next.centre, next.distance));
            }
            queue.push(next);
            looked += 1;
        }
    }
    best
}
