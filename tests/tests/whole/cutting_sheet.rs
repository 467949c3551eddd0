//! The real cutting sheet of `shared/drawings` (CC0, see its README), one of its two layouts, as drawn on 12 mm stock.

use grainway_geom::Point3;
use grainway_pipeline::doc::FeatureKind;
use grainway_pipeline::finding::Finding;
use grainway_pipeline::motion::Move;
use grainway_tests::{
    CUTTING_SHEET_JOB, Loaded, Made, cutting_sheet_shop, load_texts, make, shared,
};

fn loaded(diameter: f64, relief: Option<&str>) -> Loaded {
    let mut job: serde_json::Value = serde_json::from_str(CUTTING_SHEET_JOB).unwrap();
    if let Some(kind) = relief {
        for rule in job["drawings"][0]["layers"].as_array_mut().unwrap() {
            if rule["make"] == "pocket" || rule["make"] == "cutout" {
                rule["relief"] = serde_json::json!({ "kind": kind });
            }
        }
    }
    load_texts(
        &job.to_string(),
        &cutting_sheet_shop(diameter),
        &shared().join("drawings"),
    )
    .unwrap()
}

fn check_reading(made: &Made) {
    assert_eq!(
        made.work.parts.len(),
        10,
        "{:?}",
        made.work.parts.iter().map(|p| &p.id).collect::<Vec<_>>()
    );
    let balance = &made.work.balances[0];
    assert_eq!(
        balance.read,
        balance.used + balance.ignored + balance.warned,
        "{balance:?}"
    );
    assert!(
        made.work
            .findings
            .iter()
            .any(|f| f.message.contains("16.063") && f.message.contains("16.771")),
        "the layer that says 16.063 over a circle of 16.771 is reported: {:#?}",
        made.work.findings
    );
}

#[test]
fn a_cutter_wider_than_the_slots_is_refused_with_their_places() {
    let made = make(loaded(6.35, None)).unwrap();
    check_reading(&made);
    assert!(!made.ready());
    let narrow: Vec<_> = made
        .work
        .findings
        .iter()
        .filter(|f| ["unreachable", "cutter-too-large"].contains(&f.code.as_str()))
        .collect();
    assert!(!narrow.is_empty(), "{:#?}", made.errors());
    for f in &narrow {
        assert!(
            f.at.is_some() && f.part.is_some() && f.feature.is_some(),
            "{f}"
        );
    }
    assert!(
        narrow.iter().any(|f| f.message.contains("6.35")),
        "{narrow:?}"
    );
    // The sheet's slots of exactly 6.000 mm, each with its place.
    let slots: Vec<_> = made
        .work
        .findings
        .iter()
        .filter(|f| f.code == "cutter-wider")
        .collect();
    let six = |v: f64| (v - 6.0).abs() < 0.001;
    let drawn = made.work.variants.iter().flat_map(|v| &v.features);
    let drawn = drawn.filter(|f| {
        let b = f.shape.bounds();
        f.kind == FeatureKind::Pocket && (six(b.width()) || six(b.height()))
    });
    let drawn: Vec<_> = drawn.map(|f| f.key.as_str()).collect();
    assert_eq!(drawn.len(), 4);
    for key in drawn {
        let named = |f: &&Finding| f.feature.as_deref() == Some(key);
        assert!(
            slots.iter().copied().any(|f| named(&f)),
            "{key}: {slots:#?}"
        );
    }
    // Two more pockets reach over the edge and have 6.000 mm within the part.
    assert_eq!(slots.len(), 6);
    for f in &slots {
        assert!(f.message.contains("6.000 mm wide"), "{f}");
        assert!(f.at.is_some() && f.part.is_some(), "{f}");
    }
}

/// Positions that the moves reach, each with whether it was reached cutting.
fn reached(moves: &[Move]) -> Vec<(Point3, bool)> {
    let mut at = Point3::default();
    moves
        .iter()
        .map(|m| {
            at = m.end(at);
            (at, !matches!(m, Move::Rapid { .. }))
        })
        .collect()
}

#[test]
fn a_cutter_of_six_millimetres_makes_the_sheet_with_relief_and_without() {
    for relief in [None, Some("dog-bone")] {
        let made = make(loaded(6.0, relief)).unwrap();
        check_reading(&made);
        assert!(made.ready(), "{relief:?}: {:#?}", made.errors());
    }
}

/// The sheet's slots of exactly 6.000 mm lie flush along their part's edge: a wider cutter overhangs the edge and still clears
/// them, which is told and no error. The same slot with wood all round is one pass of the cutter of its width, and is refused for a wider one.
fn slot(diameter: f64, relief: &str) -> Made {
    let job = serde_json::json!({
        "format": "grainway.job/1", "name": "Slot", "shop": "s",
        "parts": [{ "id": "rail", "stock": "ply-12", "blank": { "length": 510, "width": 115 }, "features": [{
            "id": "slot", "kind": "pocket", "depth": 4, "relief": { "kind": relief },
            "shape": { "rectangle": { "at": [200, 30], "size": [6, 50.5] } } }] }]
    });
    let shop = cutting_sheet_shop(diameter).replace(
        "\"thickness\": [12]",
        "\"thickness\": [12], \"boards\": [{ \"id\": \"b\", \"length\": 800, \"width\": 300 }]",
    );
    make(load_texts(&job.to_string(), &shop, &shared()).unwrap()).unwrap()
}

#[test]
fn a_slot_of_the_cutters_width_is_one_pass() {
    for relief in ["none", "dog-bone"] {
        let made = slot(6.0, relief);
        assert!(made.ready(), "{relief}: {:#?}", made.errors());
        let variant = &made.work.variants[0];
        let feature = variant.features.iter().find(|f| f.key == "slot").unwrap();
        let steps = variant.steps.iter().filter(|s| s.feature == "slot");
        let moves: Vec<_> = steps
            .flat_map(|s| reached(&made.work.moves(&s.moves)))
            .collect();
        assert!(
            moves
                .iter()
                .any(|(at, cutting)| *cutting && (at.z - 8.0).abs() < 1e-6)
        );
        for (at, _) in moves.iter().filter(|(_, cutting)| *cutting) {
            let in_lobe = feature.corners.iter().any(|c| c.at.distance(at.xy()) < 6.0);
            assert!((at.x - 203.0).abs() < 0.011 || in_lobe, "{relief}: {at:?}");
        }
    }
}

#[test]
fn a_slot_narrower_than_the_cutter_is_refused_with_its_place() {
    let made = slot(6.35, "none");
    assert!(!made.ready());
    let found = made
        .work
        .findings
        .iter()
        .find(|f| f.feature.as_deref() == Some("slot"))
        .expect("a finding");
    assert_eq!(found.code, "cutter-too-large");
    let at = found.at.expect("a place");
    assert!(
        (200.0..=206.0).contains(&at.x) && (30.0..=80.5).contains(&at.y),
        "{found}"
    );
    assert!(found.message.contains("6.350"), "{found}");
}

#[test]
fn pockets_that_overrun_the_part_run_out_over_its_edge() {
    let made = make(loaded(6.0, None)).unwrap();
    let mut overrunning = 0;
    for variant in &made.work.variants {
        let part = variant.outline.bounds();
        for feature in variant.features.iter().filter(|f| f.kind.is_cleared()) {
            let b = feature.shape.bounds();
            let over = [
                part.min.x - b.min.x,
                part.min.y - b.min.y,
                b.max.x - part.max.x,
                b.max.y - part.max.y,
            ];
            let Some(side) = over.iter().position(|o| *o > -1e-6) else {
                continue;
            };
            overrunning += 1;
            let steps = variant.steps.iter().filter(|s| s.feature == feature.key);
            let reach = steps
                .flat_map(|s| reached(&made.work.moves(&s.moves)))
                .map(|(at, _)| {
                    [
                        part.min.x - at.x,
                        part.min.y - at.y,
                        at.x - part.max.x,
                        at.y - part.max.y,
                    ][side]
                })
                .fold(f64::NEG_INFINITY, f64::max);
            assert!(
                reach >= 0.0,
                "{} {} stops {reach} mm before the edge it overruns",
                variant.id,
                feature.key
            );
        }
    }
    assert!(
        overrunning > 0,
        "the sheet has pockets that reach over their part's edge"
    );
}
