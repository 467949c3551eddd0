//! Programs to try dialects with: seeded, with every kind of item, and the comparison of a plan with what was read back.

use grainway_geom::{Point, Point3, point};
use grainway_pipeline::dialect::{Action, ReadMove};
use grainway_pipeline::motion::{CutterChange, Item, Move, Spindle, StepStart};
use std::f64::consts::TAU;

/// The setup's safe height, mm.
pub const SAFE: f64 = 25.0;

/// A generator of numbers that replays from its seed alone.
#[derive(Clone, Debug)]
pub struct Random(u64);

impl Random {
    /// From a seed.
    pub fn new(seed: u64) -> Random {
        Random(seed.wrapping_mul(0x9e37_79b9_7f4a_7c15) | 1)
    }
    /// From 0 to less than 1.
    pub fn unit(&mut self) -> f64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        (self.0 >> 11) as f64 / (1u64 << 53) as f64
    }
    /// From `low` to less than `high`.
    pub fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.unit()
    }
    /// A whole number less than `n`.
    pub fn below(&mut self, n: u64) -> u64 {
        (self.unit() * n as f64) as u64
    }
}

/// A program of `steps` steps, with cutters changed by the machine or by hand.
pub fn program(seed: u64, by_machine: bool, steps: u32) -> Vec<Item> {
    let mut r = Random::new(seed);
    let mut items = vec![
        Item::RetractFull { safe_z: SAFE },
        Item::Label("made for a test".into()),
        Item::Cutter(CutterChange {
            number: 3,
            id: "em6".into(),
            label: "6 mm end mill, up-cut".into(),
            by_hand: !by_machine,
        }),
        Item::RetractFull { safe_z: SAFE },
        Item::Spindle(Some(Spindle {
            rpm: r.between(8000.0, 24000.0),
            clockwise: seed % 5 != 4,
        })),
        Item::Dwell {
            seconds: r.between(0.0, 5.0),
        },
    ];
    for number in 1..=steps {
        items.push(Item::Step(StepStart {
            number,
            label: format!("leg#{number} / mortise (m1) – ü"),
        }));
        let mut at = point(r.between(0.0, 900.0), r.between(-30.0, 600.0)).at_z(SAFE);
        items.push(Item::Move(Move::rapid(at)));
        let down = at.xy().at_z(r.between(-12.0, 20.0));
        items.push(Item::Move(Move::line(down, r.between(100.0, 900.0))));
        at = down;
        for _ in 0..r.below(20) {
            let m = cut(&mut r, at);
            at = m.end(at);
            items.push(Item::Move(m));
        }
        at.z = SAFE;
        items.push(Item::Move(Move::rapid(at)));
        for _ in 0..r.below(4) {
            items.push(Item::Move(Move::Hole {
                at: point(r.between(0.0, 900.0), r.between(0.0, 600.0)),
                retract: 21.0,
                bottom: r.between(-5.0, 5.0),
                peck: [None, Some(3.0), Some(100.0)][r.below(3) as usize],
                feed: 300.0,
            }));
        }
        if r.below(4) == 0 {
            items.extend([
                Item::RetractFull { safe_z: SAFE },
                Item::Spindle(None),
                Item::Pause {
                    message: "Drive 4 screws (4 × 30)\ninto the marked holes".into(),
                },
                Item::RetractFull { safe_z: SAFE },
                Item::Spindle(Some(Spindle {
                    rpm: 18000.0,
                    clockwise: true,
                })),
            ]);
        }
    }
    items.extend([
        Item::RetractFull { safe_z: SAFE },
        Item::Spindle(None),
        Item::Dwell { seconds: 4.0 },
        Item::Move(Move::rapid(point(0.0, 0.0).at_z(SAFE))),
    ]);
    items
}

fn cut(r: &mut Random, at: Point3) -> Move {
    let feed = [1800.0, 2400.5, r.between(50.0, 6000.0)][r.below(3) as usize];
    if r.below(5) < 2 {
        return Move::line(
            (at.xy() + point(r.between(-40.0, 40.0), r.between(-40.0, 40.0)))
                .at_z(at.z + [0.0, r.between(-1.0, 1.0)][r.below(2) as usize]),
            feed,
        );
    }
    // Far down to sizes at which rounding eats the arc, and up to more than a turn.
    let radius = 10f64.powf(r.between(-3.0, 2.0));
    let centre = at.xy() + Point::unit(r.between(0.0, TAU)) * radius;
    let sweep = match r.below(6) {
        0 => TAU,
        1 => -TAU,
        2 => r.between(-30.0, 30.0),
        3 => 10f64.powf(r.between(-7.0, 0.0)),
        4 => TAU - 10f64.powf(r.between(-9.0, -1.0)),
        _ => r.between(-TAU, TAU),
    };
    Move::Arc {
        centre,
        sweep,
        dz: [0.0, r.between(-3.0, 3.0)][r.below(2) as usize],
        feed,
    }
}

/// Points along the cutting moves of a plan, about every `step` mm and at every corner.
pub fn planned(items: &[Item], step: f64) -> Vec<Point3> {
    let mut points = Vec::new();
    let mut at = point(0.0, 0.0).at_z(SAFE);
    for item in items {
        let Item::Move(m) = item else { continue };
        match *m {
            Move::Rapid { .. } => {}
            Move::Line { to, .. } => line(at, to, step, &mut points),
            Move::Arc {
                centre, sweep, dz, ..
            } => arc(at, centre, sweep, dz, step, &mut points),
            Move::Hole {
                at,
                retract,
                bottom,
                ..
            } => line(at.at_z(retract), at.at_z(bottom), step, &mut points),
        }
        at = m.end(at);
    }
    points
}

/// The same of what was read; cuts between places that are not known are left out. Pecks go down the same line again, so they leave
/// the set of points as it is.
pub fn cut_by(events: &[ReadMove], step: f64) -> Vec<Point3> {
    let mut points = Vec::new();
    for e in events {
        points.extend(cut_in(e, step));
    }
    points
}

/// The points of one event: none when it cuts nothing, or between places that are not known.
pub fn cut_in(event: &ReadMove, step: f64) -> Vec<Point3> {
    let mut points = Vec::new();
    let (Some(from), Some(to)) = (event.from.point(), event.to.point()) else {
        return points;
    };
    match event.action {
        Action::Line => line(from, to, step, &mut points),
        Action::Arc { centre, sweep, .. } => {
            arc(from, centre, sweep, to.z - from.z, step, &mut points);
        }
        _ => {}
    }
    points
}

fn line(from: Point3, to: Point3, step: f64, points: &mut Vec<Point3>) {
    let length = from.xy().distance(to.xy()).hypot(from.z - to.z);
    let n = (length / step).ceil().max(1.0);
    for k in 0..=n as u64 {
        let t = k as f64 / n;
        points.push(
            from.xy()
                .lerp(to.xy(), t)
                .at_z(from.z + (to.z - from.z) * t),
        );
    }
}

fn arc(from: Point3, centre: Point, sweep: f64, dz: f64, step: f64, points: &mut Vec<Point3>) {
    let length = (from.xy().distance(centre) * sweep.abs()).hypot(dz);
    let n = (length / step).ceil().max(1.0);
    for k in 0..=n as u64 {
        let t = k as f64 / n;
        let p = centre + (from.xy() - centre).rotated(sweep * t);
        points.push(p.at_z(from.z + dz * t));
    }
}

/// Largest distance from a point of `a` to its nearest of `b`; anything over 0.4 mm counts as that.
pub fn farthest(a: &[Point3], b: &[Point3]) -> f64 {
    let near = Near::new(b, 0.4);
    a.iter().map(|p| near.distance(*p)).fold(0.0, f64::max)
}

/// Points in cells, to ask for the nearest.
pub struct Near<'a> {
    cell: f64,
    cells: std::collections::BTreeMap<[i64; 3], Vec<&'a Point3>>,
}

impl<'a> Near<'a> {
    /// Over the points, in cells of so many mm.
    pub fn new(points: &'a [Point3], cell: f64) -> Near<'a> {
        let mut near = Near {
            cell,
            cells: Default::default(),
        };
        for p in points {
            let at = near.place(p);
            near.cells.entry(at).or_default().push(p);
        }
        near
    }
    fn place(&self, p: &Point3) -> [i64; 3] {
        [p.x, p.y, p.z].map(|v| (v / self.cell).floor() as i64)
    }
    /// The distance to the nearest, at most a cell's size, mm.
    pub fn distance(&self, p: Point3) -> f64 {
        let [x, y, z] = self.place(&p);
        let mut nearest = self.cell;
        for i in 0..27 {
            let at = [x + i / 9 - 1, y + i / 3 % 3 - 1, z + i % 3 - 1];
            for q in self.cells.get(&at).into_iter().flatten() {
                nearest = nearest.min(p.xy().distance(q.xy()).hypot(p.z - q.z));
            }
        }
        nearest
    }
}
