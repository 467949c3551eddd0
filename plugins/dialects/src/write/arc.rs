//! Arcs fitted to their rounded ends.
//!
//! Everything here counts in the last digit of the text. The published limit on |start−centre| against |end−centre| is two such
//! counts at three decimals of a millimetre and four of an inch; three independent roundings can already differ by more, so the
//! centre is chosen after the ends.

use grainway_geom::{Point, point};
use std::f64::consts::TAU;

/// Share of the published limit that the writer uses, so that a controller that computes in single precision accepts the arc too.
const SHARE_OF_LIMIT: f64 = 0.9;
/// A rounded centre with less than this share of the limit is taken without looking at its neighbours.
const GOOD_SHARE: f64 = 0.25;
/// Counts around the rounded centre that are tried.
const REACH: i64 = 2;
/// Arcs shorter than this, or of a smaller radius, are written as lines: their direction is lost in rounding, and one read the
/// wrong way round would be a full turn. The line lies within a few counts of the arc.
pub const SHORTEST: f64 = 4.0;
/// How much longer or shorter the arc may be that a controller will see, counts: rounding of both ends and the shift of the
/// centre, with room. A direction that rounding has turned round is off by a whole circumference, at least 25 counts.
const SWEEP_SLACK: f64 = 12.0;

/// An arc that ends beside its start, nearer to a whole turn than this many counts or radians, is a whole turn for one controller
/// and nothing for another: the ends' angles differ by rounding alone. Two arcs of half of it are not. The radians leave room for
/// controllers that compute in single precision (a turn / 2²⁴ is 4e-7).
const NEAREST_TO_TURN: f64 = 1.0;
/// The same as an angle.
const NEAREST_TO_TURN_RADIANS: f64 = 1e-6;

/// Where the centre is to be written, counted from the rounded start.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Fitted {
    /// Along x.
    pub i: i64,
    /// Along y.
    pub j: i64,
}

/// The centre to write for an arc between the rounded `start` and `end` with the planned `centre` and `sweep` (radians). `None`
/// when no centre near the planned one makes the same arc for a controller. With `quadrant`, the signs of a direction, neither end lies
/// in another quarter of the circle.
pub fn fit(
    start: [i64; 2],
    end: [i64; 2],
    centre: Point,
    sweep: f64,
    limit: f64,
    quadrant: Option<[i64; 2]>,
) -> Option<Fitted> {
    let s = point(start[0] as f64, start[1] as f64);
    let chord = point((end[0] - start[0]) as f64, (end[1] - start[1]) as f64);
    let wanted = centre - s;
    let (i0, j0) = (wanted.x.round() as i64, wanted.y.round() as i64);
    let mismatch = |i: i64, j: i64| {
        let c = point(i as f64, j as f64);
        (c.length() - (c - chord).length()).abs()
    };
    let [dx, dy] = [end[0] - start[0], end[1] - start[1]];
    let within = |i: i64, j: i64| {
        quadrant.is_none_or(|[x, y]| {
            -i * x >= 0 && -j * y >= 0 && (dx - i) * x >= 0 && (dy - j) * y >= 0
        })
    };
    let good = mismatch(i0, j0) <= GOOD_SHARE * limit && within(i0, j0);
    let best = if good {
        (i0, j0)
    } else {
        let mut best: Option<(f64, i64, i64)> = None;
        for i in i0 - REACH..=i0 + REACH {
            for j in j0 - REACH..=j0 + REACH {
                let m = mismatch(i, j);
                if m > SHARE_OF_LIMIT * limit || !within(i, j) {
                    continue;
                }
                let cost = m + point(i as f64, j as f64).distance(wanted);
                if best.is_none_or(|(c, ..)| cost < c) {
                    best = Some((cost, i, j));
                }
            }
        }
        let (_, i, j) = best?;
        (i, j)
    };
    let c = point(best.0 as f64, best.1 as f64);
    let radius = c.length();
    if radius < SHORTEST {
        return None;
    }
    let seen = turn(-c, chord - c, sweep > 0.0);
    if TAU - seen.abs() < NEAREST_TO_TURN_RADIANS.max(NEAREST_TO_TURN / radius) {
        return None;
    }
    ((seen - sweep).abs() * radius <= SWEEP_SLACK).then_some(Fitted {
        i: best.0,
        j: best.1,
    })
}

/// The radius to write for an arc between the rounded `start` and `end`, the centre that a controller finds from it, and how far its
/// middle then lies beside the planned arc. `None` when that is more than a count.
pub fn fit_radius(
    start: [i64; 2],
    end: [i64; 2],
    centre: Point,
    sweep: f64,
) -> Option<(i64, Fitted, f64)> {
    let s = point(start[0] as f64, start[1] as f64);
    let e = point(end[0] as f64, end[1] as f64);
    let half = 0.5 * s.distance(e);
    let planned = 0.5 * (s.distance(centre) + e.distance(centre));
    if half < SHORTEST || planned.max(half) > LARGEST_RADIUS {
        return None;
    }
    // Never less than half the chord, or the controller finds no centre.
    let radius = planned.round().max(half.ceil());
    let height = ((radius - half) * (radius + half)).max(0.0).sqrt();
    let normal = (e - s).left() * (0.5 / half);
    let side = if sweep > 0.0 { height } else { -height };
    let found = s.lerp(e, 0.5) + normal * side;
    // Seen from the planned centre, the middle must lie at the planned radius. Where along the arc it lies says nothing: a short
    // chord's rounding turns its normal.
    let out = if sweep > 0.0 { -normal } else { normal };
    let off = ((found + out * radius).distance(centre) - planned).abs();
    (off <= RADIUS_SLACK).then(|| {
        let i = found - s;
        let fitted = Fitted {
            i: i.x.round() as i64,
            j: i.y.round() as i64,
        };
        (radius as i64, fitted, off)
    })
}

/// How far the middle of an arc by radius may lie beside the planned one, counts: with the rounding of its ends it stays within what
/// verify allows at four digits of an inch.
const RADIUS_SLACK: f64 = 1.0;
/// Radii above this many counts are lines in the end.
const LARGEST_RADIUS: f64 = 9e8;

/// The signed turn from one direction to another, in (0, 2π] or [−2π, 0).
fn turn(from: Point, to: Point, counter_clockwise: bool) -> f64 {
    let between = from.cross(to).atan2(from.dot(to)).rem_euclid(TAU);
    match (counter_clockwise, between > 0.0) {
        (true, true) => between,
        (true, false) => TAU,
        (false, true) => between - TAU,
        (false, false) => -TAU,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::programs::Random;

    /// Limit of NISTIR 6556, 3.5.3.2, in counts: 0.002 mm at three decimals.
    const LIMIT: f64 = 2.0;

    #[test]
    fn rounded_ends_keep_the_published_limit() {
        let mut random = Random::new(7);
        let (mut naive_over, mut fitted) = (0, 0);
        for _ in 0..20_000 {
            let centre = point(random.unit() * 1e6, random.unit() * 1e6);
            let radius = 100.0 + random.unit() * 100_000.0;
            let (a, sweep) = (random.unit() * TAU, (random.unit() - 0.5) * 1.9 * TAU);
            if sweep.abs() * radius < 50.0 {
                continue;
            }
            let round = |p: Point| [p.x.round() as i64, p.y.round() as i64];
            let s = round(centre + Point::unit(a) * radius);
            let e = round(centre + Point::unit(a + sweep) * radius);
            let f = fit(s, e, centre, sweep, LIMIT, None).expect("an arc of ordinary size fits");
            let c = point((s[0] + f.i) as f64, (s[1] + f.j) as f64);
            let p = |q: [i64; 2]| point(q[0] as f64, q[1] as f64);
            let m = (c.distance(p(s)) - c.distance(p(e))).abs();
            assert!(m <= LIMIT * SHARE_OF_LIMIT + 1e-6, "{m}");
            assert!(c.distance(centre) < 3.0);
            let n = round(centre);
            if (p(n).distance(p(s)) - p(n).distance(p(e))).abs() > LIMIT {
                naive_over += 1;
            }
            fitted += 1;
        }
        // The reason for fitting: plain rounding breaks the limit now and then.
        assert!(
            naive_over > 0 && fitted > 10_000,
            "{naive_over} of {fitted}"
        );
    }

    #[test]
    fn an_arc_is_not_taken_for_nothing() {
        // A full circle whose ends were rounded to two places in one direction from the centre: its turn is 360 degrees or 0.
        assert_eq!(
            fit([0, 0], [1, 0], point(20_000.0, 0.0), TAU, LIMIT, None),
            None
        );
        // Two counts beside the start it is the larger part of a turn for everyone.
        assert!(
            fit(
                [0, 0],
                [0, 2],
                point(20_000.0, 0.0),
                TAU - 1e-4,
                LIMIT,
                None
            )
            .is_some()
        );
    }

    #[test]
    fn a_direction_lost_in_rounding_is_refused() {
        // A hair of an arc: the rounded end lies on the wrong side of the start, a controller would go round once.
        assert_eq!(
            fit([0, 0], [0, -1], point(-50_000.0, 0.3), 1e-5, LIMIT, None),
            None
        );
    }
}
