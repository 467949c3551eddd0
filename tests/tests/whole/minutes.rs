//! Minutes at the machine: the bound against figures by hand.

use grainway_stages::report::{ReportDocument, rest_to_rest};
use grainway_tests::{Made, load_texts, make, root};
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

fn near(value: f64, wanted: f64) {
    assert!((value - wanted).abs() < 0.01, "{value} is not {wanted}");
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
    let settings =
        json!({ "hold": { "first": "clamps" }, "profile": { "finishing-allowance": 0 } });
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
