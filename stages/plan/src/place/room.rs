//! The room that a piece takes up among others: its outline with the kerf round it and half of the waste that stays between kerfs,
//! wide enough for tabs and screws.

use super::{Piece, PlaceSettings};
use grainway_geom::{Contour, Notes, Point, Region, offset};
use grainway_nest::Shape;
use grainway_pipeline::work::Work;

/// Rooms are polygons that reach at most this far beyond what is needed, mm.
const COARSE_MM: f64 = 0.6;
/// A room that fills its box up to this share is taken for the box: boxes are laid fastest.
const BOX_SHARE: f64 = 0.99;

/// The room of a piece.
pub(super) struct Room {
    pub(super) shape: Shape,
    /// Turns that make a difference, in quarters.
    pub(super) quarters: Vec<u8>,
}

/// The room that a piece takes up, in its own frame, with `strip` mm of waste between the kerfs of neighbours.
pub(super) fn room(work: &Work, settings: &PlaceSettings, strip: f64, piece: &Piece) -> Room {
    let by = settings
        .spacing
        .map_or(piece.kerf + strip / 2.0, |s| s.mm() / 2.0);
    let mut own = piece.bounds.grown(by);
    if settings.spacing.is_none() {
        own = own.union(piece.swept.grown(strip / 2.0));
    }
    let all = if piece.any_grain { 4 } else { 2 };
    let outline = work.variant(&piece.variant).map(|v| &v.outline);
    let fits_closely = piece.bounds.grown(by) == own;
    let ring = outline.filter(|_| fits_closely).map(|o| grown(o, by));
    let shape = ring.filter(|r| r.len() > 2).map(|r| Shape::new(vec![r]));
    match shape {
        Some(shape) if shape.area() < BOX_SHARE * own.width() * own.height() => Room {
            shape,
            quarters: (0..4).step_by(4 / all).collect(),
        },
        _ => Room {
            shape: Shape::rectangle(own),
            quarters: (0..all as u8 / 2).collect(),
        },
    }
}

/// A polygon round all that lies within a distance of the outline, its openings closed.
fn grown(outline: &Contour, by: f64) -> Vec<Point> {
    let region = Region::inside(outline.clone());
    let grown = offset(&region, by + COARSE_MM / 2.0, &mut Notes::default());
    let largest = grown
        .into_iter()
        .max_by(|a, b| a.outer.area().total_cmp(&b.outer.area()));
    largest.map_or(Vec::new(), |r| {
        thinned(&r.outer.flattened(COARSE_MM / 8.0), 3.0 * COARSE_MM / 8.0)
    })
}

/// A ring with fewer corners, none of the others farther than `within` from it (D. Douglas, T. Peucker, 1973).
fn thinned(ring: &[Point], within: f64) -> Vec<Point> {
    let Some(far) = (0..ring.len()).max_by(|&a, &b| {
        let from = |i: usize| ring[0].distance(ring[i]);
        from(a).total_cmp(&from(b))
    }) else {
        return Vec::new();
    };
    let mut keep = vec![false; ring.len() + 1];
    (keep[0], keep[far]) = (true, true);
    let at = |i: usize| ring[i % ring.len()];
    let mut open = vec![(0, far), (far, ring.len())];
    while let Some((from, to)) = open.pop() {
        let chord = grainway_geom::Segment::Line {
            a: at(from),
            b: at(to),
        };
        let farthest = (from + 1..to)
            .map(|i| (chord.distance(at(i)), i))
            .max_by(|a, b| a.0.total_cmp(&b.0));
        if let Some((_, i)) = farthest.filter(|(d, _)| *d > within) {
            keep[i] = true;
            open.extend([(from, i), (i, to)]);
        }
    }
    let kept = ring.iter().zip(keep).filter(|(_, k)| *k);
    kept.map(|(p, _)| *p).collect()
}
