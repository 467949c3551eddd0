//! The disc that touches both edges of a corner: what a round cutter cannot clear lies between it and the corner.

use crate::{Contour, Point, Segment};

/// A segment begins or ends at a corner when it does so within this, mm.
const AT_CORNER_MM: f64 = 1e-3;
/// The cosine of the largest angle between a corner's edge and the segment that is taken for it.
const SAME_WAY: f64 = 0.999;

/// A disc in a corner, touching both its edges.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Fillet {
    /// Centre of the disc.
    pub centre: Point,
    /// Where it touches the edge that comes to the corner.
    pub before: Point,
    /// Where it touches the edge that leaves it.
    pub after: Point,
}

/// The disc of radius `radius` (mm) on the left of two segments that meet at a corner, the first ending there and the second
/// beginning. The segments count as whole lines and circles. `None` where no disc touches both.
///
/// ```
/// use grainway_geom::{Segment, fillet, point};
/// let before = Segment::Line { a: point(0.0, 0.0), b: point(40.0, 0.0) };
/// let after = Segment::Line { a: point(40.0, 0.0), b: point(40.0, 30.0) };
/// let left = fillet(&before, &after, 3.0).unwrap();
/// assert!(left.centre.distance(point(37.0, 3.0)) < 1e-9);
/// assert!(left.before.distance(point(37.0, 0.0)) < 1e-9 && left.after.distance(point(40.0, 3.0)) < 1e-9);
/// ```
pub fn fillet(before: &Segment, after: &Segment, radius: f64) -> Option<Fillet> {
    let corner = after.start();
    let places = match (shifted(before, radius)?, shifted(after, radius)?) {
        (Shifted::Line(p, d), Shifted::Line(q, e)) => {
            let cross = d.cross(e);
            if cross.abs() < 1e-12 {
                return None;
            }
            vec![p + d * ((q - p).cross(e) / cross)]
        }
        (Shifted::Line(p, d), Shifted::Circle(c, r))
        | (Shifted::Circle(c, r), Shifted::Line(p, d)) => {
            let foot = p + d * (c - p).dot(d);
            let half = half_chord(r, foot.distance(c))?;
            vec![foot + d * half, foot - d * half]
        }
        (Shifted::Circle(c, r), Shifted::Circle(e, s)) => {
            let apart = c.distance(e);
            let way = (e - c).normalized()?;
            let along = (apart * apart + r * r - s * s) / (2.0 * apart);
            let half = half_chord(r, along.abs())?;
            let foot = c + way * along;
            vec![foot + way.left() * half, foot - way.left() * half]
        }
    };
    let centre = places
        .into_iter()
        .min_by(|a, b| a.distance(corner).total_cmp(&b.distance(corner)))?;
    Some(Fillet {
        centre,
        before: touch(before, centre)?,
        after: touch(after, centre)?,
    })
}

/// The segments of these contours that form a corner: the one that comes to it and the one that leaves it, when the free side is on
/// their left. The corner is given by its place, and the directions of both edges away from it. `None` where no two segments meet
/// there in these directions.
pub fn edges_at<'a>(
    contours: impl Iterator<Item = &'a Contour>,
    corner: Point,
    before: Point,
    after: Point,
) -> Option<(Segment, Segment)> {
    let mut found: [Option<Segment>; 2] = [None, None];
    for s in contours.flat_map(Contour::segments) {
        for s in [s, s.reversed()] {
            let Some(d) = s.direction(0.0) else { continue };
            if s.start().distance(corner) > AT_CORNER_MM {
                continue;
            }
            for (slot, edge) in found.iter_mut().zip([before, after]) {
                if d.dot(edge) > SAME_WAY {
                    slot.get_or_insert(s);
                }
            }
        }
    }
    let [a, b] = found;
    let (a, b) = (a?, b?);
    // A corner turns left; one whose edges are named the other way round is turned over.
    if (-before).cross(after) >= 0.0 {
        Some((a.reversed(), b))
    } else {
        Some((b.reversed(), a))
    }
}

enum Shifted {
    Line(Point, Point),
    Circle(Point, f64),
}

/// Where the centre of a disc runs that touches the segment's left side.
fn shifted(segment: &Segment, by: f64) -> Option<Shifted> {
    match *segment {
        Segment::Line { a, b } => {
            let d = (b - a).normalized()?;
            Some(Shifted::Line(a + d.left() * by, d))
        }
        Segment::Arc {
            centre,
            radius,
            sweep,
            ..
        } => {
            let r = if sweep > 0.0 {
                radius - by
            } else {
                radius + by
            };
            (r > 0.0).then_some(Shifted::Circle(centre, r))
        }
    }
}

/// Half of the chord of a circle of radius `r` at the distance `d` from its centre.
fn half_chord(r: f64, d: f64) -> Option<f64> {
    (d <= r).then(|| (r * r - d * d).sqrt())
}

/// The point of the whole line or circle nearest to a disc's centre.
fn touch(segment: &Segment, centre: Point) -> Option<Point> {
    match *segment {
        Segment::Line { a, b } => {
            let d = (b - a).normalized()?;
            Some(a + d * (centre - a).dot(d))
        }
        Segment::Arc {
            centre: c, radius, ..
        } => Some(c + (centre - c).normalized()? * radius),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::point;

    #[test]
    fn between_straight_edges_it_touches_at_the_cotangent_of_half_the_angle() {
        for degrees in [60.0_f64, 90.0, 120.0] {
            let angle = degrees.to_radians();
            let back = Point::unit(angle);
            let before = Segment::Line {
                a: back * 50.0,
                b: point(0.0, 0.0),
            };
            let after = Segment::Line {
                a: point(0.0, 0.0),
                b: point(50.0, 0.0),
            };
            let f = fillet(&before, &after, 3.0).unwrap();
            let reach = 3.0 / (0.5 * angle).tan();
            assert!(f.after.distance(point(reach, 0.0)) < 1e-9);
            assert!(f.before.distance(back * reach) < 1e-9);
        }
    }

    #[test]
    fn in_a_half_disc_it_touches_chord_and_arc() {
        let big = 12.0;
        let chord = Segment::Line {
            a: point(-big, 0.0),
            b: point(big, 0.0),
        };
        let arc = Segment::arc_about(point(0.0, 0.0), point(big, 0.0), std::f64::consts::PI);
        let r = 3.0;
        let f = fillet(&chord, &arc, r).unwrap();
        // Its centre is r above the chord and R − r from the arc's centre.
        let x = ((big - r).powi(2) - r * r).sqrt();
        assert!(f.centre.distance(point(x, r)) < 1e-9, "{f:?}");
        assert!(f.before.distance(point(x, 0.0)) < 1e-9);
        assert!((f.after.length() - big).abs() < 1e-9);
        // A disc larger than half the arc's radius finds no place.
        assert_eq!(fillet(&chord, &arc, 6.1), None);
    }
}
