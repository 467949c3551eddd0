//! Ways into the wood: helix, ramp, zigzag, and plunge where nothing else is possible; and following a path at a height.
//!
//! Every function appends moves. The caller has brought the cutter over the place where the way starts, at `from` height, which
//! is air or an already cut floor. All ways end on a level floor at `to`, so that no wedge is left under the cutter.

use crate::feeds::feed_on_arc;
use grainway_geom::{Contour, Point, Point3, Segment};
use grainway_pipeline::doc::Cutter;
use grainway_pipeline::motion::{Move, SAFE_Z};
use std::f64::consts::{PI, TAU};

/// How steep and how fast a way into the wood is.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Way {
    /// Steepest angle against the face, radians.
    pub ramp: f64,
    /// Along the sloping path, mm/min.
    pub feed: f64,
    /// Straight down, mm/min.
    pub plunge: f64,
}

impl Way {
    /// The feed along a slope, mm/min: downwards it is no faster than straight down.
    fn sloping(&self) -> f64 {
        self.feed.min(self.plunge / self.ramp.sin())
    }
}

/// Length of path that a ramp of `angle` (radians) needs to come down by `depth` mm: depth / tan α.
pub fn ramp_length(depth: f64, angle: f64) -> f64 {
    depth / angle.tan()
}

/// How much a helix on a path `diameter` mm wide comes down in a turn at `angle`, mm: π·d·tan α.
pub fn helix_drop(diameter: f64, angle: f64) -> f64 {
    PI * diameter * angle.tan()
}

/// A depth that is more than a number of passes by less than this takes no further one, mm: no wood is measured to a thousandth, and half
/// of one is what figures are rounded by.
pub const PASS_TOLERANCE_MM: f64 = 1.5e-3;

/// Depths of equal passes from `top` to `floor`, downwards, each at most `most` deep: ⌈depth/most⌉ of them, less
/// [`PASS_TOLERANCE_MM`]. Empty when the floor is not below the top.
pub fn equal_passes(top: f64, floor: f64, most: f64) -> Vec<f64> {
    let depth = top - floor;
    if depth.is_nan() || depth <= 1e-9 || most.is_nan() || most <= 0.0 {
        return Vec::new();
    }
    let n = ((depth - PASS_TOLERANCE_MM) / most).ceil().max(1.0);
    (1..=n as u32)
        .map(|i| {
            if f64::from(i) < n {
                top - depth * f64::from(i) / n
            } else {
                floor
            }
        })
        .collect()
}

/// Rapid to `at` at safe height, then down to `height`.
pub fn approach(moves: &mut Vec<Move>, at: Point, height: f64) {
    moves.push(Move::Rapid {
        to: at.at_z(SAFE_Z),
    });
    moves.push(Move::Rapid {
        to: at.at_z(height),
    });
}

/// Rapid up to safe height from `at`.
pub fn retract(moves: &mut Vec<Move>, at: Point) {
    moves.push(Move::Rapid {
        to: at.at_z(SAFE_Z),
    });
}

/// Down a helix about `centre` on a path of radius `radius`, starting at `centre + radius·x`, from height `from` to `to`,
/// counter-clockwise when asked, and once round on the floor. The caller sees to it that `radius` is at most the cutter's, so
/// that no core is left. Ends where it started.
pub fn helix(
    moves: &mut Vec<Move>,
    centre: Point,
    radius: f64,
    from: f64,
    to: f64,
    counter_clockwise: bool,
    way: &Way,
) {
    let depth = from - to;
    let sense = if counter_clockwise { 1.0 } else { -1.0 };
    if depth > 0.0 {
        let drop = helix_drop(2.0 * radius, way.ramp).max(1e-6);
        // Whole turns, so that the helix ends where the floor's circle starts.
        let turns = (depth / drop - 1e-9).ceil().max(1.0);
        moves.push(Move::Arc {
            centre,
            sweep: sense * TAU * turns,
            dz: -depth,
            feed: way.sloping(),
        });
    }
    moves.push(Move::Arc {
        centre,
        sweep: sense * TAU,
        dz: 0.0,
        feed: way.feed,
    });
}

/// Down along a closed path from length `at`, between two heights at the ramp's angle, in as many rounds as it takes. Gives the length
/// along the path (mm, less than its whole length) at which it ends; the caller goes on from there once round, which takes away the
/// wedge.
pub fn ramp_closed(
    moves: &mut Vec<Move>,
    path: &Contour,
    at: f64,
    (from, to): (f64, f64),
    way: &Way,
) -> f64 {
    let length = path.length();
    let depth = from - to;
    if depth <= 0.0 || length <= 0.0 {
        return at;
    }
    let end = at + ramp_length(depth, way.ramp);
    follow_sloping(moves, path, at, end, from, to, way.sloping(), None);
    let end = end % length;
    if length - end < 1e-6 { 0.0 } else { end }
}

/// Down along an open path, to and fro, from height `from` to `to`, starting at the path's start; ends on the floor at one of
/// its ends: `true` when at its end, `false` when back at its start. The slope is never steeper than the ramp; each run goes the
/// whole path, so that short slots are entered in many gentle runs.
pub fn zigzag(moves: &mut Vec<Move>, path: &Contour, from: f64, to: f64, way: &Way) -> bool {
    let length = path.length();
    let depth = from - to;
    if depth <= 0.0 || length <= 0.0 {
        return false;
    }
    let runs = (ramp_length(depth, way.ramp) / length - 1e-9)
        .ceil()
        .max(1.0);
    let back = path.reversed();
    let mut at_end = false;
    for i in 0..runs as u32 {
        let z = |k: f64| from - depth * k / runs;
        let (a, b) = (z(f64::from(i)), z(f64::from(i) + 1.0));
        let run = if at_end { &back } else { path };
        follow_sloping(moves, run, 0.0, length, a, b, way.sloping(), None);
        at_end = !at_end;
    }
    at_end
}

/// Straight down, only for a cutter that cuts in its centre and does not press its chips down; `false` (and no move) otherwise.
pub fn plunge(moves: &mut Vec<Move>, at: Point, to: f64, cutter: &Cutter, way: &Way) -> bool {
    use grainway_pipeline::doc::{CutterKind, Flutes};
    let may = cutter.centre_cutting
        && !(cutter.kind == CutterKind::EndMill && cutter.flutes == Flutes::DownCut);
    if may {
        moves.push(Move::Line {
            to: at.at_z(to),
            feed: way.plunge,
        });
    }
    may
}

/// On which side of its direction of travel the cutter has the wall that it finishes, and its radius: the feed inside arcs is
/// scaled by it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Wall {
    /// The wall is on the right (climb with a clockwise spindle), else on the left (conventional).
    pub right: bool,
    /// The cutter's radius, mm.
    pub radius: f64,
}

/// Along `path` from length `from` to `to` (mm from its start; more than its length goes on round a closed one) at the level of
/// `z`. The cutter stands at `from` already. With a wall, feeds inside arcs are scaled so that the wall sees no more than `feed`.
pub fn follow(
    moves: &mut Vec<Move>,
    path: &Contour,
    from: f64,
    to: f64,
    z: f64,
    feed: f64,
    wall: Option<Wall>,
) {
    follow_sloping(moves, path, from, to, z, z, feed, wall);
}

/// As [`follow`], coming down (or up) evenly from `z_from` to `z_to`.
#[allow(clippy::too_many_arguments)]
pub fn follow_sloping(
    moves: &mut Vec<Move>,
    path: &Contour,
    from: f64,
    to: f64,
    z_from: f64,
    z_to: f64,
    feed: f64,
    wall: Option<Wall>,
) {
    let segments: Vec<Segment> = path.segments().collect();
    let total: f64 = segments.iter().map(Segment::length).sum();
    let span = to - from;
    if span <= 0.0 || total <= 0.0 {
        return;
    }
    let z_at = |done: f64| z_from + (z_to - z_from) * (done / span).clamp(0.0, 1.0);
    let mut along = if path.closed {
        from.rem_euclid(total)
    } else {
        from
    };
    let mut done = 0.0;
    let mut z = z_from;
    // One round more than asked covers any start; the budget of length ends the walk.
    let rounds = (span / total).ceil() as usize + 1;
    for segment in std::iter::repeat_n(&segments, rounds).flatten() {
        let length = segment.length();
        if along >= length - 1e-9 {
            along = (along - length).max(0.0);
            continue;
        }
        let end = (along + span - done).min(length);
        if end - along > 1e-9 {
            let piece = segment.piece(along / length, end / length);
            done += end - along;
            let next = z_at(done);
            push_segment(moves, &piece, z, next, feed, wall);
            z = next;
        }
        along = 0.0;
        if done >= span - 1e-9 {
            break;
        }
    }
}

/// One segment as a move.
fn push_segment(
    moves: &mut Vec<Move>,
    segment: &Segment,
    z_from: f64,
    z_to: f64,
    feed: f64,
    wall: Option<Wall>,
) {
    match *segment {
        Segment::Line { b, .. } => moves.push(Move::Line {
            to: b.at_z(z_to),
            feed,
        }),
        Segment::Arc {
            centre,
            radius,
            sweep,
            ..
        } => {
            let feed = match wall {
                // Turning left with the wall on the right (or the reverse): the wall is the wider arc.
                Some(w) if (sweep > 0.0) == w.right => feed_on_arc(feed, radius, radius + w.radius),
                _ => feed,
            };
            moves.push(Move::Arc {
                centre,
                sweep,
                dz: z_to - z_from,
                feed,
            });
        }
    }
}

/// Where the cutter stands after the moves; `None` before the first.
pub fn stands(moves: &[Move]) -> Option<Point3> {
    let first = moves.iter().position(|m| {
        matches!(
            m,
            Move::Rapid { .. } | Move::Line { .. } | Move::Hole { .. }
        )
    })?;
    let start = moves[first].end(Point3::default());
    Some(moves[first + 1..].iter().fold(start, |at, m| m.end(at)))
}

#[cfg(test)]
#[allow(clippy::float_cmp, reason = "figures that formulas give exactly")]
mod tests {
    use super::*;
    use grainway_geom::point;

    const WAY: Way = Way {
        ramp: 3.0 * PI / 180.0,
        feed: 1000.0,
        plunge: 500.0,
    };

    /// Length and greatest slope of what was appended, from a start.
    fn slope(start: Point3, moves: &[Move]) -> (f64, f64) {
        let (mut at, mut length, mut steepest) = (start, 0.0, 0.0_f64);
        for m in moves {
            let to = m.end(at);
            let run = match *m {
                Move::Arc { centre, sweep, .. } => at.xy().distance(centre) * sweep.abs(),
                _ => at.xy().distance(to.xy()),
            };
            if run > 1e-9 {
                length += run;
                steepest = steepest.max((at.z - to.z) / run);
            }
            at = to;
        }
        (length, steepest)
    }

    /// At 3 degrees a feed of 12,000 mm/min goes down at 628 mm/min, more than the 500 of the way.
    #[test]
    fn a_fast_way_goes_down_no_faster_than_straight_down() {
        let fast = Way {
            feed: 12_000.0,
            ..WAY
        };
        assert_eq!(WAY.sloping(), WAY.feed);
        assert!((fast.sloping() * fast.ramp.sin() - fast.plunge).abs() < 1e-9);
        let line = Contour::open([point(0.0, 0.0), point(40.0, 0.0)]);
        let mut moves = Vec::new();
        zigzag(&mut moves, &line, 0.0, -4.0, &fast);
        assert!(!moves.is_empty());
        let slow = |m: &Move| matches!(m, Move::Line { feed, .. } if *feed == fast.sloping());
        assert!(moves.iter().all(slow), "{moves:?}");
    }

    #[test]
    fn equal_passes_of_19_mm() {
        // Calculated: ⌈depth/max⌉, 19 at 3.175 is 6 of 3.166667.
        let p = equal_passes(19.0, 0.0, 3.175);
        assert_eq!(p.len(), 6);
        let mut above = 19.0;
        for z in &p {
            assert!((above - z - 3.166_667).abs() < 1e-6);
            above = *z;
        }
        assert_eq!(p[5], 0.0);
        assert_eq!(equal_passes(0.0, -9.0, 3.0).len(), 3);
        assert!(equal_passes(0.0, 0.0, 3.0).is_empty());
    }

    #[test]
    fn ramp_and_helix_figures() {
        // Calculated: 3 mm at 3° is 57.243410; 6 at 5° is 68.580314; helix d 6 at 3° drops 0.987863 a turn.
        assert!((ramp_length(3.0, WAY.ramp) - 57.243_410).abs() < 1e-6);
        assert!((ramp_length(6.0, 5.0 * PI / 180.0) - 68.580_314).abs() < 1e-6);
        assert!((helix_drop(6.0, WAY.ramp) - 0.987_863).abs() < 1e-6);
    }

    #[test]
    fn helix_comes_down_gently_and_levels_its_floor() {
        let mut moves = Vec::new();
        helix(&mut moves, point(0.0, 0.0), 2.5, 2.0, -3.0, true, &WAY);
        let start = point(2.5, 0.0).at_z(2.0);
        let (_, steepest) = slope(start, &moves);
        assert!(steepest <= WAY.ramp.tan() + 1e-9 && steepest > 0.0);
        let end = moves.iter().fold(start, |at, m| m.end(at));
        assert!((end.z + 3.0).abs() < 1e-9 && end.xy().distance(point(2.5, 0.0)) < 1e-9);
        assert!(
            matches!(moves.last(), Some(Move::Arc { dz, sweep, .. }) if *dz == 0.0 && (sweep - TAU).abs() < 1e-9)
        );
    }

    #[test]
    fn ramp_along_a_closed_path_takes_several_rounds() {
        let path = Contour::rectangle(point(0.0, 0.0), point(10.0, 6.0), 1.0);
        let mut moves = Vec::new();
        let end = ramp_closed(&mut moves, &path, 0.0, (2.0, -3.0), &WAY);
        let start = path.start().unwrap().at_z(2.0);
        let (length, steepest) = slope(start, &moves);
        assert!(
            (length - ramp_length(5.0, WAY.ramp)).abs() < 1e-6,
            "{length}"
        );
        assert!(steepest <= WAY.ramp.tan() + 1e-9);
        let at = moves.iter().fold(start, |at, m| m.end(at));
        let (p, _) = path.at_length(end).unwrap();
        assert!(at.xy().distance(p) < 1e-6 && (at.z + 3.0).abs() < 1e-9);
    }

    #[test]
    fn zigzag_keeps_to_the_slot() {
        let path = Contour::open([point(0.0, 0.0), point(12.0, 0.0)]);
        let mut moves = Vec::new();
        let at_end = zigzag(&mut moves, &path, 0.5, -2.5, &WAY);
        // 3 mm at 3° is 57.24 mm of path: five runs of 12 mm.
        assert_eq!(moves.len(), 5);
        assert!(at_end);
        let (_, steepest) = slope(point(0.0, 0.0).at_z(0.5), &moves);
        assert!(steepest <= WAY.ramp.tan() + 1e-9);
    }

    #[test]
    fn follow_goes_once_round_and_over() {
        let path = Contour::rectangle(point(0.0, 0.0), point(10.0, 6.0), 0.0);
        let mut moves = Vec::new();
        follow(&mut moves, &path, 3.0, 3.0 + 32.0 + 2.0, -1.0, 100.0, None);
        let (length, _) = slope(point(3.0, 0.0).at_z(-1.0), &moves);
        assert!((length - 34.0).abs() < 1e-9);
        assert_eq!(
            moves.last().unwrap().end(Point3::default()).xy(),
            point(5.0, 0.0)
        );
    }

    #[test]
    fn down_cut_never_plunges() {
        let cutter: Cutter = serde_json::from_value(
            serde_json::json!({"kind": "end-mill", "flutes": "down-cut", "number": 1,
            "diameter": 6, "cutting-length": 20, "max-rpm": 24000}),
        )
        .unwrap();
        let mut moves = Vec::new();
        assert!(!plunge(&mut moves, point(0.0, 0.0), -1.0, &cutter, &WAY));
        assert!(moves.is_empty());
    }
}
