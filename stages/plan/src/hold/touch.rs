//! A place of the face to set Z zero at: whole from the first program of a setup to its last.

use super::board::{Board, LITTLE_MM};
use grainway_geom::{Point, point};
use grainway_pipeline::doc::{FeatureKind, ZZero};
use grainway_pipeline::work::{Hold, Placement, Setup};

/// Whole wood round the place, mm, largest first: a touch plate lies on the first, a cutter and a slip of paper on the last
/// (common practice, no source).
const ROOMS_MM: [f64; 3] = [20.0, 12.0, 6.0];
/// Places are tried on a grid of this, mm.
const STEP_MM: f64 = 10.0;

/// The place nearest to zero that keeps away from every cut, tab, screw, clamp and edge, and from waste that is cut out. With zero
/// on the bed none is needed.
pub(super) fn place(board: &Board<'_>, setup: &Setup, holds: &[Hold]) -> Option<Point> {
    if setup.z.zero != ZZero::Top {
        return None;
    }
    let mut all: Vec<Point> = steps(board.size.x)
        .flat_map(|x| steps(board.size.y).map(move |y| point(x, y)))
        .collect();
    all.sort_by(|a, b| a.length().total_cmp(&b.length()).then(a.x.total_cmp(&b.x)));
    ROOMS_MM.into_iter().find_map(|room| {
        all.iter()
            .copied()
            .find(|p| stays(board, &setup.placements, holds, *p, room))
    })
}

/// Even steps over a length, the middle of a short one.
fn steps(length: f64) -> impl Iterator<Item = f64> + Clone {
    let n = (length / STEP_MM).floor().max(1.0) as usize;
    let first = (length - (n - 1) as f64 * STEP_MM) / 2.0;
    (0..n).map(move |i| first + STEP_MM * i as f64)
}

/// Nothing happens within `room` mm of the place.
fn stays(board: &Board<'_>, placements: &[Placement], holds: &[Hold], p: Point, room: f64) -> bool {
    board.edge_distance(p) >= room
        && holds
            .iter()
            .all(|h| h.at.distance(p) >= h.head_radius + room)
        && !in_opening(board, placements, p)
        && board.clearance(p, room + LITTLE_MM, &|_, _, _| true) >= room
}

/// The place lies in wood that an opening takes away.
fn in_opening(board: &Board<'_>, placements: &[Placement], p: Point) -> bool {
    placements.iter().enumerate().any(|(i, placement)| {
        let local = placement.placing.inverse_point(p);
        let features = &board.variant(i).features;
        features
            .iter()
            .any(|f| f.kind == FeatureKind::Cutout && f.shape.contains(local))
    })
}
