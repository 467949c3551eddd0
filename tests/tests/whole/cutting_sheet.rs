//! The real cutting sheet of `shared/drawings` (CC0, see its README), one of its two layouts, as drawn on 12 mm stock.

use grainway_pipeline::geom::Point3;
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

fn slots_are_one_pass_each(relief: Option<&str>) {
    let made = make(loaded(6.0, relief)).unwrap();
    check_reading(&made);
    assert!(made.ready(), "{:#?}", made.errors());
    // Every pocket that the drawing has exactly 6.000 mm wide is run along its centre line, not in loops.
    let mut slots = 0;
    for variant in &made.work.variants {
        for feature in &variant.features {
            let bounds = feature.shape.bounds();
            let width = bounds.width().min(bounds.height());
            if !feature.kind.is_cleared() || (width - 6.0).abs() > 0.001 {
                continue;
            }
            slots += 1;
            let upright = bounds.width() < bounds.height();
            for step in variant.steps.iter().filter(|s| s.feature == feature.key) {
                for (at, cutting) in reached(&made.work.moves(&step.moves)) {
                    let off = if upright {
                        at.x - bounds.centre().x
                    } else {
                        at.y - bounds.centre().y
                    };
                    let in_lobe = feature.corners.iter().any(|c| c.at.distance(at.xy()) < 6.0);
                    assert!(
                        !cutting || off.abs() < 0.011 || in_lobe,
                        "{} {}: {off} off",
                        variant.id,
                        feature.key
                    );
                }
            }
        }
    }
    assert!(
        slots >= 4,
        "the sheet has four slots of exactly 6.000 mm: {slots}"
    );
}

#[test]
fn slots_of_the_cutters_width_are_one_pass_without_relief() {
    slots_are_one_pass_each(None);
}

#[test]
fn slots_of_the_cutters_width_are_one_pass_with_relief() {
    slots_are_one_pass_each(Some("dog-bone"));
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
