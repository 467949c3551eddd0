//! Whether what holds a bit of wood holds it steady: from opposite sides, and not all of it at one end.

use grainway_geom::{Bounds, Point};

/// Seen from a piece's middle, a wider angle without a tab makes a hinge of those that there are.
pub(super) const HINGE_GAP_DEGREES: f64 = 240.0;
/// Two tabs hold from opposite sides when the cosine between their outward directions is below this: about 117°, so that three tabs
/// round a triangle or a disc pass and two on neighbouring sides of a rectangle do not.
const OPPOSITE: f64 = -0.45;
/// Longer than this many times its width, a bit of wood turns about one screw. Common practice, no source.
pub(super) const LONG: f64 = 3.0;
/// The middle of a long bit lies beyond what holds it by at most this share of its length. Common practice, no source.
const OVERHANG_SHARE: f64 = 0.25;

/// A tab as far as leverage is asked: its place and its direction away from what it holds.
#[derive(Clone, Copy, Debug)]
pub(super) struct Grip {
    pub(super) at: Point,
    pub(super) out: Point,
}

/// At least two of them hold from opposite sides.
pub(super) fn opposite(grips: &[Grip]) -> bool {
    grips
        .iter()
        .enumerate()
        .any(|(i, a)| grips[i + 1..].iter().any(|b| a.out.dot(b.out) < OPPOSITE))
}

/// The widest angle, degrees, seen from `middle` in which there is none of them.
pub(super) fn widest_gap(grips: &[Grip], middle: Point) -> f64 {
    let mut angles: Vec<f64> = grips.iter().map(|g| (g.at - middle).angle()).collect();
    angles.sort_by(f64::total_cmp);
    let Some(first) = angles.first().copied() else {
        return 360.0;
    };
    let next = angles
        .iter()
        .skip(1)
        .copied()
        .chain([first + std::f64::consts::TAU]);
    angles
        .iter()
        .zip(next)
        .map(|(a, b)| (b - a).to_degrees())
        .fold(0.0, f64::max)
}

/// Everything that holds a long bit of wood stands at one end of it.
pub(super) fn at_one_end(bounds: Bounds, holds: &[Point]) -> bool {
    let (w, h) = (bounds.width(), bounds.height());
    let (long, short) = (w.max(h), w.min(h));
    let along = |p: Point| if w >= h { p.x } else { p.y };
    let middle = along(bounds.centre());
    let from = holds
        .iter()
        .map(|p| along(*p))
        .fold(f64::INFINITY, f64::min);
    let to = holds
        .iter()
        .map(|p| along(*p))
        .fold(f64::NEG_INFINITY, f64::max);
    let overhang = (from - middle).max(middle - to);
    long > LONG * short && overhang > OVERHANG_SHARE * long
}
