//! Minutes at the machine: the bound against figures by hand, the estimate against a simulation, and how near the samples come.

use grainway_geom::Point3;
use grainway_pipeline::motion::Move;
use grainway_pipeline::work::{Entry, step_view};
use grainway_stages::report::{Drive, ReportDocument, corner_speed, rest_to_rest};
use grainway_tests::{
    CUTTING_SHEET_JOB, Made, SAMPLES, cutting_sheet_shop, drawings, load, load_texts, make, root,
    sample,
};
use serde_json::{Value, json};
use std::f64::consts::{PI, TAU};

/// 30 mm/s, as the shop's own chip load gives it: 18 000 rev/min × 2 × 0.05 mm.
const FEED_MM_S: f64 = 30.0;
const ACCELERATION: f64 = 500.0;
const D: f64 = 6.0;

fn report(features: &Value, settings: &Value) -> (Made, ReportDocument) {
    let job = json!({ "format": "grainway.job/1", "name": "bound", "shop": "s", "settings": settings,
        "parts": [{ "id": "p", "stock": "ash-18", "blank": { "length": 300, "width": 200 }, "features": features }] });
    let shop = json!({
        "format": "grainway.shop/1", "unit": "mm",
        "machines": { "router": {
            "dialect": "rs274-ngc", "travel": [900, 700, 120], "z-zero": "bed", "max-feed": 6000, "max-plunge": 1500, "rapid": 10000,
            "acceleration": ACCELERATION, "min-rpm": 8000, "max-rpm": 24000, "cutter-change": "machine", "spoilboard": 18 } },
        "cutters": {
            "mill": { "kind": "end-mill", "number": 1, "diameter": D, "cutting-length": 25, "usable-length": 36, "max-rpm": 18000, "feed-per-tooth": 0.05 },
            "drill": { "kind": "drill", "number": 2, "diameter": 8, "cutting-length": 40, "max-rpm": 9000 } },
        "stocks": { "ash-18": { "wood": "ash", "thickness": [18], "boards": [{ "id": "b", "length": 500, "width": 400, "count": 1 }] } }
    });
    let made = make(load_texts(&job.to_string(), &shop.to_string(), &root()).unwrap()).unwrap();
    assert!(made.ready(), "{:#?}", made.errors());
    let text = made.text(&made.work.files["report.json"]);
    let report = serde_json::from_str(&text).unwrap();
    (made, report)
}

fn bound(report: &ReportDocument, kind: &str) -> f64 {
    let kinds = &report.bound.kinds;
    kinds.iter().find(|k| k.kind == kind).unwrap().bound
}

/// Reports tell tenths of a second.
fn near(value: f64, wanted: f64) {
    assert!((value - wanted).abs() < 0.051, "{value} is not {wanted}");
}

/// By hand: a recess is its volume ÷ (0.4 · diameter · pass depth · feed), a contour one lap a level and a closing one, each lap
/// straights and the quarter circles round the corners, from rest to rest once.
#[test]
fn the_bound_is_what_a_person_works_out() {
    let pocket = json!([{ "id": "field", "kind": "pocket", "shape": { "rectangle": { "at": [60, 50], "size": [120, 60], "corner": 4 } }, "depth": 5 }]);
    let (_, told) = report(&pocket, &json!({ "hold": { "first": "clamps" } }));
    let area = 120.0 * 60.0 - (4.0 - PI) * 4.0 * 4.0;
    near(
        bound(&told, "pocket"),
        area * 5.0 / (0.4 * D * 3.0 * FEED_MM_S),
    );
    // 18.3 mm by passes of 3 mm, the last one 1.5 mm: 6 levels and the last one; a closing lap; and one that finishes.
    let lap = |r: f64| 2.0 * (300.0 + 200.0) + TAU * r;
    let rough = rest_to_rest(8.0 * lap(3.4), FEED_MM_S, ACCELERATION);
    let finish = rest_to_rest(lap(3.0), FEED_MM_S, ACCELERATION);
    near(bound(&told, "outline"), rough + finish);
    assert_eq!(told.bound.feeds.len(), 1);
    assert!((told.bound.feeds[0].feed - 60.0 * FEED_MM_S).abs() < 1e-9);
}

/// A finishing allowance of nothing: the loop that takes it off is not in the bound.
#[test]
fn the_bound_has_no_finishing_lap_where_nothing_is_left_to_finish() {
    let settings = json!({ "hold": { "first": "clamps" }, "profile": { "finish-allowance": 0 } });
    let (_, told) = report(&json!([]), &settings);
    let lap = 2.0 * (300.0 + 200.0) + TAU * 3.0;
    near(
        bound(&told, "outline"),
        rest_to_rest(8.0 * lap, FEED_MM_S, ACCELERATION),
    );
}

/// All time below the safe height is in one of the parts, and the parts make up the difference.
#[test]
fn the_difference_is_made_of_its_parts() {
    let features = json!([
        { "id": "hole", "kind": "hole", "shape": { "circles": { "at": [[30, 30]], "diameter": 8 } }, "depth": "through" },
        { "id": "window", "kind": "cutout", "shape": { "rectangle": { "at": [60, 50], "size": [120, 60], "corner": 8 } } }
    ]);
    let (_, told) = report(&features, &json!({ "hold": { "first": "clamps" } }));
    let b = &told.bound;
    let d = &b.difference;
    let parts = d.entries + d.air + d.slowdowns + d.levels + d.widening + d.paths;
    near(parts, b.below_safe - b.bound);
    assert!((b.ratio - b.below_safe / b.bound).abs() < 1e-3);
    let kinds: f64 = b.kinds.iter().map(|k| k.below_safe).sum();
    near(kinds, b.below_safe);
    // Ways at safe height, changes and spin-up are no part of it.
    assert!(b.below_safe < told.times.total - told.times.changes - told.times.spin_up);
}

/// What the simulation below steps along, mm.
const STEP_MM: f64 = 0.02;

/// A run of a machine in small steps: a speed for every step, first as high as it may be, then lowered forwards and backwards until the
/// acceleration suffices. Rest to rest; corners and circles by the rules of docs/references.md, section Times.
fn simulated(moves: &[Move], from: Point3, drive: Drive) -> f64 {
    let mut at = from;
    let mut seconds = 0.0;
    let mut run: Vec<(f64, f64)> = Vec::new();
    let mut last: Option<([f64; 3], bool)> = None;
    let rest = |run: &mut Vec<(f64, f64)>| -> f64 {
        let n = run.len();
        let mut v: Vec<f64> = run.iter().map(|s| s.0).chain([0.0]).collect();
        if n == 0 {
            return 0.0;
        }
        v[0] = 0.0;
        for i in 0..n {
            v[i + 1] = v[i + 1].min((v[i] * v[i] + 2.0 * drive.acceleration * run[i].1).sqrt());
        }
        for i in (0..n).rev() {
            v[i] = v[i].min((v[i + 1] * v[i + 1] + 2.0 * drive.acceleration * run[i].1).sqrt());
        }
        let t = (0..n).map(|i| 2.0 * run[i].1 / (v[i] + v[i + 1])).sum();
        run.clear();
        t
    };
    for m in moves {
        let to = m.end(at);
        let (rapid, feed) = match *m {
            Move::Rapid { .. } => (true, drive.rapid),
            Move::Line { feed, .. } | Move::Arc { feed, .. } => (false, feed / 60.0),
            Move::Hole {
                at: p,
                retract,
                bottom,
                peck,
                feed,
            } => {
                seconds += rest(&mut run);
                last = None;
                let over = p.at_z(at.z);
                let ways = [(at, over), (over, p.at_z(retract))];
                let line = |a: Point3, b: Point3| (a.x - b.x).hypot(a.y - b.y).hypot(a.z - b.z);
                seconds += ways
                    .iter()
                    .map(|w| rest_to_rest(line(w.0, w.1), drive.rapid, drive.acceleration))
                    .sum::<f64>();
                let depth = retract - bottom;
                let n = peck.map_or(1.0, |p| (depth / p).ceil());
                for k in 0..n as usize {
                    let (done, next) = (depth * k as f64 / n, depth * (k + 1) as f64 / n);
                    let a = drive.acceleration;
                    seconds += rest_to_rest(done, drive.rapid, a)
                        + rest_to_rest(next - done, feed / 60.0, a)
                        + rest_to_rest(next, drive.rapid, a);
                }
                at = to;
                continue;
            }
        };
        let point_at = |t: f64| match *m {
            Move::Arc {
                centre, sweep, dz, ..
            } => (centre + (at.xy() - centre).rotated(sweep * t)).at_z(at.z + dz * t),
            _ => at.xy().lerp(to.xy(), t).at_z(at.z + (to.z - at.z) * t),
        };
        let (length, top) = match *m {
            Move::Arc {
                centre, sweep, dz, ..
            } => {
                let r = at.xy().distance(centre);
                (
                    (r * sweep).hypot(dz),
                    feed.min((drive.acceleration * r).sqrt()),
                )
            }
            _ => ((at.x - to.x).hypot(at.y - to.y).hypot(at.z - to.z), feed),
        };
        if length > 1e-9 {
            let n = (length / STEP_MM).ceil().max(2.0);
            let way = |a: Point3, b: Point3| {
                let l = (b.x - a.x).hypot(b.y - a.y).hypot(b.z - a.z);
                [(b.x - a.x) / l, (b.y - a.y) / l, (b.z - a.z) / l]
            };
            let (begins, ends) = (way(at, point_at(1e-4)), way(point_at(1.0 - 1e-4), to));
            let joint = match last {
                Some((before, was_rapid)) if was_rapid == rapid => {
                    let cos: f64 = (0..3).map(|k| before[k] * begins[k]).sum();
                    corner_speed(
                        PI - cos.clamp(-1.0, 1.0).acos(),
                        drive.deviation,
                        drive.acceleration,
                    )
                }
                _ => {
                    seconds += rest(&mut run);
                    0.0
                }
            };
            let before = run.last().map_or(f64::INFINITY, |s| s.0);
            run.extend((0..n as usize).map(|i| {
                (
                    if i == 0 {
                        top.min(joint).min(before)
                    } else {
                        top
                    },
                    length / n,
                )
            }));
            last = Some((ends, rapid));
        }
        at = to;
    }
    seconds + rest(&mut run)
}

/// The report's times against the simulation: within 2 %.
#[test]
fn the_estimate_is_what_a_simulation_in_small_steps_takes() {
    for name in SAMPLES {
        let made = make(load(&sample(name)).unwrap()).unwrap();
        let work = &made.work;
        let report: ReportDocument =
            serde_json::from_str(&made.text(&work.files["report.json"])).unwrap();
        let drive = Drive::of(work.documents.machine().unwrap().1);
        for (setup, row) in work.setups.iter().zip(&report.setups) {
            let mut at: Option<Point3> = None;
            let mut seconds = 0.0;
            for entry in &setup.order {
                let Entry::Step(step) = entry else { continue };
                let view = step_view(work, setup, *step).unwrap();
                let moves: Vec<Move> = work
                    .moves(view.moves)
                    .iter()
                    .map(|m| m.placed(&view.placing, setup.safe_z))
                    .collect();
                // The very first move only says where the cutter stands.
                let start = at.unwrap_or_else(|| moves[0].end(Point3::default()));
                seconds += simulated(&moves, start, drive);
                at = Some(moves.iter().fold(start, |at, m| m.end(at)));
            }
            let told = row.times.cutting + row.times.rapid;
            assert!(
                (told / seconds - 1.0).abs() < 0.02,
                "{name}, {}: {told} s, simulated {seconds} s",
                setup.id
            );
        }
    }
}

/// Time below the safe height is at most 1.25 times its bound in every sample and on the cutting sheet, 1.15 times in the mean; and the
/// reading bench takes at most 5,000 s.
#[test]
fn the_samples_come_near_to_their_bound() {
    let mut jobs: Vec<(&str, Made)> = Vec::new();
    for name in SAMPLES {
        jobs.push((name, make(load(&sample(name)).unwrap()).unwrap()));
    }
    let sheet = load_texts(CUTTING_SHEET_JOB, &cutting_sheet_shop(6.0), &drawings());
    jobs.push(("cutting sheet", make(sheet.unwrap()).unwrap()));
    let mut ratios = Vec::new();
    for (name, made) in jobs {
        assert!(made.ready(), "{name}: {:#?}", made.errors());
        let text = made.text(&made.work.files["report.json"]);
        let report: ReportDocument = serde_json::from_str(&text).unwrap();
        let bound = &report.bound;
        assert!(bound.ratio <= 1.25, "{name}: {bound:?}");
        // Changes, pauses and the waits for the spindle stand apart.
        if name == "reading-bench" {
            assert!(bound.below_safe <= 5_000.0, "{}", bound.below_safe);
        }
        ratios.push(bound.ratio);
    }
    let mean = ratios.iter().sum::<f64>() / ratios.len() as f64;
    assert!(mean <= 1.15, "{ratios:?}");
}
