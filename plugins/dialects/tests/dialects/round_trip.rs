//! Seeded random programs, written and read back.

use crate::{faults, grammar, read, write};
use grainway_dialects::from_json;
use grainway_pipeline::dialect::{Action, Dialect, ReadMove};
use grainway_pipeline::doc::Unit;
use grainway_pipeline::geom::{Point, Point3, point};
use grainway_pipeline::motion::{CutterChange, Item, Move, Spindle, StepStart};
use std::f64::consts::TAU;
use std::sync::Arc;

/// A small generator of its own: tests replay from their seed alone.
pub struct Random(u64);

impl Random {
    pub fn new(seed: u64) -> Random {
        Random(seed.wrapping_mul(0x9e37_79b9_7f4a_7c15) | 1)
    }
    pub fn unit(&mut self) -> f64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        (self.0 >> 11) as f64 / (1u64 << 53) as f64
    }
    pub fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.unit()
    }
    pub fn below(&mut self, n: u64) -> u64 {
        (self.unit() * n as f64) as u64
    }
}

const SAFE: f64 = 25.0;

/// A program of a few steps with every kind of move.
pub fn program(seed: u64, by_machine: bool) -> Vec<Item> {
    let mut r = Random::new(seed);
    let mut items = vec![
        Item::RetractFull { safe_z: SAFE },
        Item::Cutter(CutterChange {
            number: 3,
            id: "em6".into(),
            label: "6 mm end mill, up-cut".into(),
            by_hand: !by_machine,
        }),
        Item::RetractFull { safe_z: SAFE },
        Item::Spindle(Some(Spindle {
            rpm: 18000.0,
            clockwise: true,
        })),
        Item::Dwell { seconds: 4.0 },
    ];
    for step in 1..=6 {
        items.push(Item::Step(StepStart {
            number: step,
            label: format!("leg#{step} / mortise (m1)"),
        }));
        let mut at = point(r.between(0.0, 900.0), r.between(-30.0, 600.0)).at_z(SAFE);
        items.push(Item::Move(Move::Rapid { to: at }));
        let down = at.xy().at_z(r.between(-12.0, 20.0));
        items.push(Item::Move(Move::Line {
            to: down,
            feed: r.between(100.0, 900.0),
        }));
        at = down;
        for _ in 0..r.below(14) {
            let feed = [1800.0, 2400.5, r.between(50.0, 6000.0)][r.below(3) as usize];
            let m = match r.below(5) {
                0 | 1 => Move::Line {
                    to: (at.xy() + point(r.between(-40.0, 40.0), r.between(-40.0, 40.0)))
                        .at_z(at.z + [0.0, r.between(-1.0, 1.0)][r.below(2) as usize]),
                    feed,
                },
                // Far down to sizes at which rounding eats the arc, and up to more than a turn.
                _ => {
                    let radius = 10f64.powf(r.between(-3.0, 2.0));
                    let centre = at.xy() + Point::unit(r.between(0.0, TAU)) * radius;
                    let sweep = match r.below(6) {
                        0 => TAU,
                        1 => -TAU,
                        2 => r.between(-15.0, 15.0),
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
            };
            at = m.end(at);
            items.push(Item::Move(m));
        }
        at.z = SAFE;
        items.push(Item::Move(Move::Rapid { to: at }));
        for _ in 0..r.below(4) {
            items.push(Item::Move(Move::Hole {
                at: point(r.between(0.0, 900.0), r.between(0.0, 600.0)),
                retract: 21.0,
                bottom: r.between(-5.0, 5.0),
                peck: [None, Some(3.0), Some(100.0)][r.below(3) as usize],
                feed: 300.0,
            }));
        }
    }
    items.extend([
        Item::RetractFull { safe_z: SAFE },
        Item::Spindle(None),
        Item::Dwell { seconds: 4.0 },
        Item::Move(Move::Rapid {
            to: point(0.0, 0.0).at_z(SAFE),
        }),
        Item::Pause {
            message: "Drive 4 screws (4 × 30) into the marked holes".into(),
        },
        Item::RetractFull { safe_z: SAFE },
    ]);
    items
}

/// Points along the cutting moves of a plan, and their feeds, about every `step` mm and at every corner.
fn planned(items: &[Item], step: f64) -> Vec<Point3> {
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

/// The same of what was read. Pecks go down the same line again, so they leave the set of points as it is.
fn seen(events: &[ReadMove], step: f64) -> Vec<Point3> {
    let mut points = Vec::new();
    for e in events {
        match e.action {
            Action::Line => line(
                e.from.point().unwrap(),
                e.to.point().unwrap(),
                step,
                &mut points,
            ),
            Action::Arc { centre, sweep, .. } => {
                let (a, b) = (e.from.point().unwrap(), e.to.point().unwrap());
                arc(a, centre, sweep, b.z - a.z, step, &mut points);
            }
            _ => {}
        }
    }
    points
}

/// Largest distance from a point of `a` to its nearest of `b`; anything over a cell's size counts as that.
fn farthest(a: &[Point3], b: &[Point3]) -> f64 {
    const CELL: f64 = 0.4;
    let cell = |p: &Point3| [p.x, p.y, p.z].map(|v| (v / CELL).floor() as i64);
    let mut grid: std::collections::HashMap<[i64; 3], Vec<&Point3>> = Default::default();
    for q in b {
        grid.entry(cell(q)).or_default().push(q);
    }
    let mut worst: f64 = 0.0;
    for p in a {
        let [x, y, z] = cell(p);
        let mut nearest = CELL;
        for i in 0..27 {
            let at = [x + i / 9 - 1, y + i / 3 % 3 - 1, z + i % 3 - 1];
            for q in grid.get(&at).into_iter().flatten() {
                nearest = nearest.min(p.xy().distance(q.xy()).hypot(p.z - q.z));
            }
        }
        worst = worst.max(nearest);
    }
    worst
}

fn dialects() -> Vec<(Arc<dyn Dialect>, &'static str)> {
    let own = |text: &str| from_json(text).unwrap();
    let lean = |keys: &str| {
        own(&format!(
            r#"{{"format": "grainway.dialect/1", "name": "x", "version": 1, "extends": "rs274-lean", "summary": "", {keys}}}"#
        ))
    };
    vec![
        (own(include_str!("../../data/rs274-lines.json")), "lines"),
        (own(include_str!("../../data/iso6983.json")), "iso"),
        (
            own(include_str!("../../data/iso6983-counted.json")),
            "iso counted",
        ),
        (
            lean(r#""arcs": {"centre": "absolute"}"#),
            "absolute centres",
        ),
        (
            lean(
                r#""arcs": {"centre": "radius", "largest-sweep": 120.0, "shortest-mm": 0.05},
                   "language": {"letters": "FGMPRSXYZ", "radius-arcs": true}"#,
            ),
            "radii",
        ),
        (lean(r#""axes": {"x": "Y", "y": "-X"}"#), "a quarter turn"),
        (
            lean(r#""axes": {"x": "-X", "y": "Y"}, "numbers": {"plus-sign": true}"#),
            "mirrored",
        ),
        (
            lean(
                r#""axes": {"x": "Y", "y": "X"}, "modal": {"restate-blocks": 7},
                   "numbers": {"leading-zero": false, "feed-per": "second", "feed-decimals-mm": 2, "feed-decimals-inch": 4}"#,
            ),
            "swapped and restated",
        ),
        (own(include_str!("../../data/rs274-ngc.json")), "ngc"),
        (own(include_str!("../../data/rs274-lean.json")), "lean"),
        (
            own(
                r#"{"format": "grainway.dialect/1", "name": "numbered", "version": 1, "extends": "rs274-ngc", "summary": "",
                    "lines": {"block-numbers": {"first": 10, "step": 10, "largest": 99990}, "end": "cr-lf"},
                    "numbers": {"trailing-zeros": true, "decimals-mm": 4, "decimals-inch": 4},
                    "modal": {"motion": false, "axes": false, "feed": false}, "arcs": {"largest-sweep": 90.0}}"#,
            ),
            "numbered",
        ),
        (
            own(
                r#"{"format": "grainway.dialect/1", "name": "chords", "version": 1, "extends": "rs274-lean", "summary": "",
                    "arcs": null}"#,
            ),
            "chords",
        ),
        (
            own(
                r#"{"format": "grainway.dialect/1", "name": "flat-arcs", "version": 1, "extends": "rs274-lean", "summary": "",
                    "arcs": {"helices": false, "largest-radius-mm": 500.0}}"#,
            ),
            "flat arcs",
        ),
    ]
}

#[test]
fn what_is_written_reads_back() {
    for (dialect, name) in dialects() {
        let about = dialect.about();
        for unit in [Unit::Mm, Unit::Inch] {
            for seed in 1..=3 {
                let items = program(seed, about.cutter_change);
                let (text, written) = write(dialect.as_ref(), unit, &items);
                let place = format!("{name} {unit:?} seed {seed}");
                let length = match about.line_length {
                    0 => 256,
                    n => n,
                };
                for l in text.lines() {
                    assert_eq!(
                        grammar::complaint(l.trim_end_matches('\r'), length),
                        None,
                        "{place}"
                    );
                }
                assert_eq!(written.lines, text.lines().count() as u64, "{place}");
                let events = read(dialect.as_ref(), &text);
                assert_eq!(faults(&events), [], "{place}\n{text}");
                // Rounding may move each end of a chord, so a whole path lies within what the writer says it moved a point, and
                // what a line in place of a hair of an arc adds: a few counts.
                let allowed: f64 = match unit {
                    Unit::Mm => 0.005,
                    Unit::Inch if about.decimals_inch > 4 => 0.005,
                    // Four decimals of an inch: half a count is 0.00127 mm along each axis.
                    Unit::Inch => 0.012,
                };
                let (p, s) = (planned(&items, 0.4), seen(&events, 0.005));
                // Samples of the path that was read lie at most half a step away.
                let slack = 0.0026f64;
                let off = farthest(&p, &s);
                assert!(off <= allowed.hypot(slack), "{place}: {off}");
                assert!(
                    written.rounding_mm <= allowed,
                    "{place}: {}",
                    written.rounding_mm
                );
                for e in &events {
                    if let Action::Arc {
                        radius_mismatch, ..
                    } = e.action
                    {
                        let limit = if unit == Unit::Mm {
                            0.002
                        } else {
                            0.0002 * 25.4
                        };
                        assert!(radius_mismatch <= limit, "{place} line {}", e.line);
                    }
                }
                let steps: Vec<(u32, u64)> = events
                    .iter()
                    .filter_map(|e| match e.action {
                        Action::Step { number } => Some((number, e.line)),
                        _ => None,
                    })
                    .collect();
                assert_eq!(steps, written.restarts, "{place}");
            }
        }
    }
}
