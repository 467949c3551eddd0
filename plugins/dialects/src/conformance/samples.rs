//! The small programs of the checks.

use crate::programs::{Random, SAFE};
use grainway_geom::{Point, point};
use grainway_pipeline::dialect::{Dialect, ProgramHead};
use grainway_pipeline::doc::Unit;
use grainway_pipeline::motion::{CutterChange, Item, Move, Spindle};
use std::f64::consts::{FRAC_PI_2, TAU};

pub(super) fn head(unit: Unit) -> ProgramHead {
    ProgramHead {
        name: "01-board-1".into(),
        number: 1,
        remarks: vec!["job: reading bench".into()],
        unit,
        safe_z: SAFE,
    }
}

pub(super) fn cutter(number: u32, by_hand: bool) -> CutterChange {
    CutterChange {
        number,
        id: "em6".into(),
        label: "6 mm end mill, up-cut".into(),
        by_hand,
    }
}

pub(super) fn turning(rpm: f64) -> Spindle {
    Spindle {
        rpm,
        clockwise: true,
    }
}

/// The items after what every program begins with.
pub(super) fn with_head(d: &dyn Dialect, items: Vec<Item>) -> Vec<Item> {
    let mut all = vec![Item::RetractFull { safe_z: SAFE }];
    all.push(Item::Cutter(cutter(3, !d.about().cutter_change)));
    all.push(Item::RetractFull { safe_z: SAFE });
    all.extend(items);
    all
}

/// A rapid move to the first of the moves' places, and the moves.
pub(super) fn cutting(moves: &[Move]) -> Vec<Item> {
    let mut items = vec![Item::Move(Move::rapid(point(5.0, 5.0).at_z(SAFE)))];
    let holes = moves.iter().all(|m| matches!(m, Move::Hole { .. }));
    if !holes {
        items.push(Item::Move(Move::Line {
            to: point(5.0, 5.0).at_z(10.0),
            feed: 300.0,
        }));
    }
    let mut at = point(5.0, 5.0).at_z(10.0);
    for m in moves {
        let hole = matches!(m, Move::Hole { .. });
        if hole && at.z < SAFE {
            at = at.xy().at_z(SAFE);
            items.push(Item::Move(Move::rapid(at)));
        }
        items.push(Item::Move(*m));
        at = m.end(at);
        if hole {
            at = at.xy().at_z(SAFE);
            items.push(Item::Move(Move::rapid(at)));
        }
    }
    items
}

pub(super) fn lines() -> Vec<Move> {
    [
        (55.0, 5.0, 10.0),
        (55.0, 35.5, 10.0),
        (-12.345, 35.5, 8.0),
        (-12.345, -7.25, 8.0),
        (-12.345, -7.25, 4.321),
        (5.0, 5.0, 10.0),
    ]
    .into_iter()
    .map(|(x, y, z)| Move::line(point(x, y).at_z(z), 1500.0))
    .collect()
}

pub(super) fn arc(centre: Point, sweep: f64, dz: f64) -> Move {
    Move::Arc {
        centre,
        sweep,
        dz,
        feed: 1200.0,
    }
}

/// Quarter, half and three-quarter turns, both ways, from all sides; each begins where the one before ended.
pub(super) fn arcs() -> Vec<Move> {
    let mut moves = Vec::new();
    let mut at = point(5.0, 5.0);
    for (i, sweep) in [1.0, 2.0, 3.0, -1.0, -2.0, -3.0, 2.5, -0.3]
        .into_iter()
        .enumerate()
    {
        let centre = at + Point::unit(0.7 + i as f64 * FRAC_PI_2) * (7.0 + 3.3 * i as f64);
        moves.push(arc(centre, sweep * FRAC_PI_2, 0.0));
        at = centre + (at - centre).rotated(sweep * FRAC_PI_2);
    }
    moves
}

pub(super) fn circles() -> Vec<Move> {
    vec![
        arc(point(12.5, 5.0), TAU, 0.0),
        arc(point(5.0, 17.321), -TAU, 0.0),
        arc(point(-3.0, -1.7), TAU, 0.0),
    ]
}

pub(super) fn helices() -> Vec<Move> {
    vec![
        arc(point(11.0, 5.0), TAU, -1.5),
        arc(point(11.0, 5.0), TAU, -1.5),
        arc(point(5.0, 14.0), -FRAC_PI_2, 0.8),
        arc(point(5.0, 14.0), -2.0, -0.8),
    ]
}

/// Down to sizes that rounding eats, and nearly whole turns.
pub(super) fn short_arcs() -> Vec<Move> {
    let mut moves = Vec::new();
    let mut at = point(5.0, 5.0);
    for i in 0..60 {
        let radius = 10f64.powf(-3.0 + f64::from(i % 12) * 0.4);
        let sweep = match i % 5 {
            0 => 10f64.powf(-6.0 + f64::from(i) * 0.1),
            1 => -(10f64.powf(-6.0 + f64::from(i) * 0.1)),
            2 => TAU - 10f64.powf(-7.0 + f64::from(i) * 0.1),
            3 => 0.4,
            _ => -1.1,
        };
        let centre = at + Point::unit(f64::from(i) * 1.3) * radius;
        moves.push(arc(centre, sweep, 0.0));
        at = centre + (at - centre).rotated(sweep);
    }
    moves
}

pub(super) fn many_arcs() -> Vec<Move> {
    let mut random = Random::new(3);
    let mut moves = Vec::new();
    let mut at = point(5.0, 5.0);
    for _ in 0..100 {
        let toward = (point(100.0, 100.0) - at).angle() + random.between(-1.0, 1.0);
        let centre = at + Point::unit(toward) * random.between(2.0, 30.0);
        let sweep = random.between(-5.0, 5.0);
        moves.push(arc(centre, sweep, 0.0));
        at = centre + (at - centre).rotated(sweep);
    }
    moves
}

/// Four holes; two in a row of equal depth, so that a cycle may stay in force.
pub(super) fn holes(peck: Option<f64>) -> Vec<Move> {
    [(10.0, 10.0), (42.0, 10.0), (42.5, 55.125), (-20.0, 55.125)]
        .into_iter()
        .map(|(x, y)| Move::Hole {
            at: point(x, y),
            retract: 21.0,
            bottom: 2.0,
            peck,
            feed: 300.0,
        })
        .collect()
}

pub(super) fn place(random: &mut Random) -> Point {
    point(random.between(-50.0, 300.0), random.between(-50.0, 300.0))
}
