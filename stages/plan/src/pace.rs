//! Keeps the moves of a step within what the cutter bears at a wall and what the controller keeps up with.

use grainway_geom::Point3;
use grainway_pipeline::doc::Cutter;
use grainway_pipeline::motion::Move;

/// Above this chip load at a wall, mm a tooth, a cutter tears. Common practice, no source; verify's own limit has the same default.
pub const CHIP_LOAD_CEILING_MM: f64 = 0.25;
/// The block rate is looked at over so many moves; a controller reads about as many ahead. Common practice, no source.
const RATE_MOVES: usize = 24;
/// The share of the block rate that is planned for, so that rounded ends do not lift it above the limit.
const RATE_SHARE: f64 = 0.95;

/// Lowers feeds inside arcs whose wall would see more than the chip load's ceiling, and over runs of moves that are too short for
/// the controller at their feed. `blocks` is a number a second; 0 for no limit. A chip load that the step has on straight lines is
/// never judged here: the shop's own figures stand.
pub fn keep_pace(moves: &mut [Move], cutter: &Cutter, rpm: f64, blocks: f64) {
    let lengths = lengths(moves);
    below_ceiling(moves, cutter, rpm);
    if blocks > 0.0 {
        below_block_rate(moves, &lengths, blocks * RATE_SHARE);
    }
}

/// The length of each move, mm.
fn lengths(moves: &[Move]) -> Vec<f64> {
    let mut at = Point3::default();
    moves
        .iter()
        .map(|m| {
            let to = m.end(at);
            let flat = match *m {
                Move::Arc { centre, sweep, .. } => sweep.abs() * at.xy().distance(centre),
                _ => at.xy().distance(to.xy()),
            };
            let length = flat.hypot(to.z - at.z);
            at = to;
            length
        })
        .collect()
}

fn below_ceiling(moves: &mut [Move], cutter: &Cutter, rpm: f64) {
    let most = CHIP_LOAD_CEILING_MM * rpm * f64::from(cutter.edges.max(1));
    let radius = cutter.radius_mm();
    let mut at = Point3::default();
    for m in moves {
        let to = m.end(at);
        if let Move::Arc { centre, feed, .. } = m {
            let path = at.xy().distance(*centre);
            let limit = (most * path / (path + radius)).floor().max(1.0);
            if *feed <= most && *feed > limit {
                *feed = limit;
            }
        }
        at = to;
    }
}

fn below_block_rate(moves: &mut [Move], lengths: &[f64], blocks: f64) {
    let seconds = |m: &Move, length: f64| feed_of(m).map(|f| 60.0 * length / f.max(1e-9));
    let times: Vec<Option<f64>> = moves
        .iter()
        .zip(lengths)
        .map(|(m, l)| seconds(m, *l))
        .collect();
    let mut slow = vec![false; moves.len()];
    for (i, window) in times.windows(RATE_MOVES).enumerate() {
        // A rapid breaks the run.
        let sum: Option<f64> = window.iter().copied().sum();
        if sum.is_some_and(|s| s * blocks < RATE_MOVES as f64) {
            slow[i..i + RATE_MOVES].fill(true);
        }
    }
    for ((m, length), _) in moves.iter_mut().zip(lengths).zip(slow).filter(|(_, s)| *s) {
        let limit = (length * blocks * 60.0).floor().max(1.0);
        match m {
            Move::Line { feed, .. } | Move::Arc { feed, .. } => *feed = feed.min(limit),
            Move::Rapid { .. } | Move::Hole { .. } => {}
        }
    }
}

/// The feed of a move at feed, mm/min; none of a rapid or a drilling cycle.
fn feed_of(m: &Move) -> Option<f64> {
    match *m {
        Move::Line { feed, .. } | Move::Arc { feed, .. } => Some(feed),
        Move::Rapid { .. } | Move::Hole { .. } => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use grainway_geom::point;

    fn cutter() -> Cutter {
        serde_json::from_value(
            serde_json::json!({"kind": "end-mill", "number": 1, "diameter": 6,
            "cutting-length": 20, "edges": 2, "max-rpm": 24000}),
        )
        .unwrap()
    }

    #[test]
    fn inside_a_tiny_arc_the_wall_sees_no_more_than_the_ceiling() {
        let start = Move::rapid(point(1.0, 0.0).at_z(-1.0));
        let arc = |feed| Move::Arc {
            centre: point(0.0, 0.0),
            sweep: 6.0,
            dz: 0.0,
            feed,
        };
        let mut moves = [start, arc(4_000.0), arc(1_500.0)];
        keep_pace(&mut moves, &cutter(), 18_000.0, 0.0);
        // 0.25 mm at 18 000 rev/min and two edges is 9 000 mm/min at the wall, 4 mm from the centre of a path of 1 mm.
        assert_eq!(feed_of(&moves[1]), Some(2_250.0));
        assert_eq!(feed_of(&moves[2]), Some(1_500.0));
    }

    #[test]
    fn short_moves_are_slowed_to_what_the_controller_reads_and_long_ones_are_not() {
        let line = |x: f64| Move::line(point(x, 0.0).at_z(-1.0), 3_000.0);
        let mut moves = vec![Move::rapid(point(0.0, 0.0).at_z(-1.0)), line(50.0)];
        moves.extend((1..=40).map(|i| line(50.0 + 0.1 * f64::from(i))));
        moves.push(line(150.0));
        keep_pace(&mut moves, &cutter(), 18_000.0, 300.0);
        // 0.1 mm at 3 000 mm/min is 500 moves a second.
        let short = feed_of(&moves[20]).unwrap();
        assert!((1_600.0..1_800.0).contains(&short), "{short}");
        assert_eq!(feed_of(&moves[1]), Some(3_000.0));
        assert_eq!(feed_of(&moves[42]), Some(3_000.0));
    }
}
