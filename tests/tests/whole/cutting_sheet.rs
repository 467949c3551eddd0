//! A cutting sheet, one of its two layouts, as drawn on 12 mm stock: the one of `tests/drawings`, whose README has the figures, and
//! real ones where they stand beside the project.

use grainway_geom::Point3;
use grainway_pipeline::motion::Move;
use grainway_tests::{
    CUTTING_SHEET_JOB, Loaded, Made, cutting_sheet_shop, drawings, load_texts, make, python, root,
    sheets_beside,
};
use std::path::Path;

fn loaded(job: &str, folder: &Path, diameter: f64, relief: Option<&str>) -> Loaded {
    let mut job: serde_json::Value = serde_json::from_str(job).unwrap();
    if let Some(kind) = relief {
        for rule in job["drawings"][0]["layers"].as_array_mut().unwrap() {
            if rule["make"] == "pocket" || rule["make"] == "cutout" {
                rule["relief"] = serde_json::json!({ "kind": kind });
            }
        }
    }
    load_texts(&job.to_string(), &cutting_sheet_shop(diameter), folder).unwrap()
}

/// The tests' own sheet, made.
fn made(diameter: f64, relief: Option<&str>) -> Made {
    make(loaded(CUTTING_SHEET_JOB, &drawings(), diameter, relief)).unwrap()
}

#[test]
fn the_checked_in_drawing_is_what_its_script_writes() {
    let script = root().join("tests/drawings/card_index_sheet.py");
    let written = python().arg(script).output().unwrap();
    assert!(written.status.success(), "{written:?}");
    let kept = std::fs::read(drawings().join("card-index-sheet.dxf")).unwrap();
    assert!(
        written.stdout == kept,
        "python3 card_index_sheet.py > card-index-sheet.dxf"
    );
}

/// What holds of every cutting sheet with ten parts a layout.
fn check_reading(made: &Made) {
    let ids: Vec<_> = made.work.parts.iter().map(|p| &p.id).collect();
    assert_eq!(ids.len(), 10, "{ids:?}");
    let balance = &made.work.balances[0];
    assert_eq!(
        balance.read,
        balance.used + balance.ignored + balance.warned,
        "{balance:?}"
    );
    assert_eq!(made.with_code("captured-size").len(), 1);
}

#[test]
fn real_sheets_beside_the_project_are_made() {
    for (job, folder) in sheets_beside() {
        for relief in [None, Some("dog-bone")] {
            let made = make(loaded(&job, &folder, 6.0, relief)).unwrap();
            check_reading(&made);
            assert!(made.ready(), "{relief:?}: {:#?}", made.errors());
            assert!(check_overruns(&made) > 0);
        }
        let made = make(loaded(&job, &folder, 6.35, None)).unwrap();
        assert!(!made.ready() && !made.with_code("cutter-wider").is_empty());
    }
}

#[test]
fn a_cutter_wider_than_the_slots_is_refused_with_their_places() {
    let made = made(6.35, None);
    check_reading(&made);
    assert!(!made.ready());
    // The two slots of 6.000 with wood all round, in the drawer fronts.
    for part in ["cabinet-1/8", "cabinet-1/9"] {
        let refused = made.work.findings.iter().find(|f| {
            f.part.as_deref() == Some(part) && f.feature.as_deref() == Some("pocket@110.0,33.0")
        });
        let refused = refused.expect(part);
        assert_eq!(refused.code, "cutter-too-large", "{refused}");
        assert!(refused.message.contains("6.35"), "{refused}");
        let at = refused.at.expect("a place");
        assert!(
            (80.0..=140.0).contains(&at.x) && (30.0..=36.0).contains(&at.y),
            "{refused}"
        );
    }
    // The four slots flush with an edge and the two that reach over it have 6.000 mm within the part.
    let slots = made.with_code("cutter-wider");
    let mut told: Vec<_> = slots
        .iter()
        .map(|f| (f.part.as_deref().unwrap(), f.feature.as_deref().unwrap()))
        .collect();
    told.sort_unstable();
    assert_eq!(
        told,
        [
            ("cabinet-1/6", "pocket@237.0,85.0"),
            ("cabinet-1/6", "pocket@3.0,85.0"),
            ("cabinet-1/7", "pocket@2.0,110.0"),
            ("cabinet-1/7", "pocket@237.0,205.0"),
            ("cabinet-1/7", "pocket@238.0,110.0"),
            ("cabinet-1/7", "pocket@3.0,205.0"),
        ]
    );
    for f in slots {
        assert!(f.message.contains("6.000 mm wide"), "{f}");
        assert!(f.at.is_some(), "{f}");
    }
    // The neck of the recess in the bottom is narrower than the cutter.
    let unreached = made.work.findings.iter().find(|f| {
        f.part.as_deref() == Some("cabinet-1/4")
            && f.feature.as_deref() == Some("pocket@250.0,180.0")
    });
    let unreached = unreached.expect("a finding");
    assert_eq!(unreached.code, "unreachable", "{unreached}");
    let at = unreached.at.expect("a place");
    assert!(
        (260.0..=300.0).contains(&at.x) && (176.0..=184.0).contains(&at.y),
        "{unreached}"
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

#[test]
fn a_cutter_of_six_millimetres_makes_the_sheet_with_relief_and_without() {
    for relief in [None, Some("dog-bone")] {
        let made = made(6.0, relief);
        check_reading(&made);
        let sized = &made.with_code("captured-size")[0].message;
        assert!(
            sized.contains("16.05") && sized.contains("16.75"),
            "{sized}"
        );
        assert!(made.ready(), "{relief:?}: {:#?}", made.errors());
    }
}

/// A slot of exactly 6.000 mm with wood all round is one pass of the cutter of its width, and is refused for a wider one.
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
    make(load_texts(&job.to_string(), &shop, &root()).unwrap()).unwrap()
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

/// Every pocket that reaches over its part's edge is cut at least to that edge, on each such side. Gives how many sides there are.
fn check_overruns(made: &Made) -> usize {
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
            let steps = variant.steps.iter().filter(|s| s.feature == feature.key);
            let reached: Vec<_> = steps
                .flat_map(|s| reached(&made.work.moves(&s.moves)))
                .map(|(at, _)| {
                    [
                        part.min.x - at.x,
                        part.min.y - at.y,
                        at.x - part.max.x,
                        at.y - part.max.y,
                    ]
                })
                .collect();
            // Sides on which the part has an edge there: it may be cut back behind its outermost line.
            let ring = variant.outline.flattened(0.05);
            let next = ring.iter().cycle().skip(1);
            let edge: Vec<[f64; 4]> = ring
                .iter()
                .zip(next)
                .flat_map(|(a, b)| (0..=50).map(|i| a.lerp(*b, f64::from(i) / 50.0)))
                .filter(|p| feature.shape.contains(*p))
                .map(|p| {
                    [
                        p.x - part.min.x,
                        p.y - part.min.y,
                        part.max.x - p.x,
                        part.max.y - p.y,
                    ]
                })
                .collect();
            let meets = |side: &usize| edge.iter().any(|d| d[*side] < 1e-6);
            for side in (0..4).filter(|side| over[*side] > 1e-6 && meets(side)) {
                overrunning += 1;
                let reach = reached
                    .iter()
                    .map(|at| at[side])
                    .fold(f64::NEG_INFINITY, f64::max);
                assert!(
                    reach >= 0.0,
                    "{} {} stops {reach} mm before the edge it overruns",
                    variant.id,
                    feature.key
                );
            }
        }
    }
    overrunning
}

#[test]
fn pockets_that_overrun_the_part_run_out_over_its_edge() {
    // On each side part a housing over both edges and one over a single edge; on the bottom two over one edge; on the back two rebates
    // over three edges each; on a divider two slots over one edge each.
    assert_eq!(check_overruns(&made(6.0, None)), 2 * 3 + 2 + 2 * 3 + 2);
}
