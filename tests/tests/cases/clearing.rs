//! Recesses, lines and corners that were cut wrongly or not at all.

use grainway_pipeline::finding::Severity;
use grainway_pipeline::motion::Move;
use grainway_pipeline::work::{Operation, Workingstep};
use grainway_tests::{Made, load, make, root};

/// Runs the chain over a case's job.
fn made(case: &str) -> Made {
    let job = root().join("tests/cases/clearing").join(case);
    make(load(&job.join("job.json")).unwrap()).unwrap()
}

/// The steps with this operation of all parts.
fn steps(made: &Made, operation: Operation) -> Vec<&Workingstep> {
    made.work
        .variants
        .iter()
        .flat_map(|v| &v.steps)
        .filter(|s| s.operation == operation)
        .collect()
}

/// Everything the user is told, for a failed assertion.
fn told(made: &Made) -> Vec<String> {
    made.work.findings.iter().map(ToString::to_string).collect()
}

#[test]
fn corners_that_the_large_cutter_rounds_are_cut_with_the_small_one_at_hand() {
    let made = made("large-cutter-rounds-corners");
    assert!(made.ready(), "{:?}", told(&made));
    let clear = steps(&made, Operation::Clear);
    let rest = steps(&made, Operation::Rest);
    assert_eq!((clear.len(), rest.len()), (2, 2));
    assert!(clear.iter().all(|s| s.cutter == "up-12"));
    assert!(rest.iter().all(|s| s.cutter == "up-6"));
    for step in rest {
        // Two corners with a fillet of 6 mm: what the thin cutter runs at depth is a few centimetres, not the whole recess again.
        let moves = made.work.moves(&step.moves);
        let mut at = grainway_geom::Point3::default();
        let mut length = 0.0;
        for m in &moves {
            let to = m.end(at);
            if !matches!(m, Move::Rapid { .. }) && (to.z - step.lowest).abs() < 1e-9 {
                length += at.xy().distance(to.xy());
            }
            at = to;
        }
        assert!((20.0..120.0).contains(&length), "{length}");
    }
    assert!(made.work.hand_work.is_empty(), "{:?}", made.work.hand_work);
}

#[test]
fn a_groove_is_planned_within_the_chip_load_that_verify_holds() {
    let made = made("own-chip-load");
    assert!(made.ready(), "{:?}", told(&made));
    assert!(
        made.with_code("verify-chip-load").is_empty(),
        "{:?}",
        told(&made)
    );
    // No smaller cutter is at hand: the four corners of the stopped groove stay round, and that is told.
    let hands = &made.work.hand_work;
    assert_eq!(hands.len(), 1, "{hands:?}");
    assert!(hands[0].what.contains("square 4 corners of groove g"));
}

#[test]
fn half_round_pockets_and_openings_keep_the_fillets_of_their_cutter() {
    let made = made("half-round-refused");
    assert!(made.ready(), "{:?}", told(&made));
    assert_eq!(steps(&made, Operation::Clear).len(), 3);
    assert_eq!(steps(&made, Operation::Cutout).len(), 1);
    // Each keeps two fillets where its arc meets its line.
    let hands = &made.work.hand_work;
    assert_eq!(hands.len(), 4, "{hands:?}");
    assert!(hands.iter().all(|h| h.what.contains("square 2 corners")));
}

#[test]
fn an_island_that_touches_the_wall_is_cleared_around() {
    let made = made("island-at-wall");
    assert!(made.ready(), "{:?}", told(&made));
    assert_eq!(steps(&made, Operation::Clear).len(), 2);
}

#[test]
fn a_deep_line_of_a_vee_cutter_takes_passes_by_its_section_and_ramps() {
    let made = made("vee-in-one-pass");
    assert!(made.ready(), "{:?}", told(&made));
    let steps = steps(&made, Operation::Engrave);
    assert_eq!(steps.len(), 1);
    let variant = &made.work.variants[0];
    let top = variant.z.highest_top();
    let moves = made.work.moves(&steps[0].moves);
    let mut at = grainway_geom::Point3::default();
    let mut floors: Vec<f64> = Vec::new();
    for m in &moves {
        let to = m.end(at);
        if let Move::Line { .. } = m {
            let run = at.xy().distance(to.xy());
            assert!(
                to.z >= at.z || run > 5.0 * (at.z - to.z),
                "straight down: {at:?} {to:?}"
            );
            if (to.z - at.z).abs() < 1e-9 && floors.last().is_none_or(|z| (z - to.z).abs() > 1e-6) {
                floors.push(to.z);
            }
        }
        at = to;
    }
    // A point of 90 degrees sweeps the square of its depth. A first pass may be a quarter of 25 mm deep, and no later one takes more.
    assert_eq!(floors.len(), 4, "{floors:?}");
    let depth = top - steps[0].lowest;
    let mut before = 0.0;
    for (i, z) in floors.iter().enumerate() {
        let section = (top - z).powi(2);
        assert!(section - before <= 6.25 * 6.25 + 0.1, "{floors:?}");
        assert!((section - depth * depth * (i as f64 + 1.0) / 4.0).abs() < 0.2);
        before = section;
    }
}

#[test]
fn a_housing_over_finished_edges_is_slow_there_and_asks_for_backing() {
    let made = made("finished-edge-breaks-out");
    assert!(made.ready(), "{:?}", told(&made));
    let found = made.with_code("edge-breaks-out");
    assert_eq!(found.len(), 1, "{:?}", told(&made));
    assert_eq!(found[0].severity, Severity::Warning);
    assert!(found[0].message.contains("at 2 places"));
    let step = steps(&made, Operation::Clear)[0];
    let variant = &made.work.variants[0];
    let radius = made
        .work
        .documents
        .cutter(&step.cutter)
        .unwrap()
        .radius_mm();
    let mut at = grainway_geom::Point3::default();
    let mut crossed = 0;
    for m in made.work.moves(&step.moves) {
        let to = m.end(at);
        if let Move::Line { feed, .. } = m
            && at.z.max(to.z) < variant.z.highest_top()
            && at.xy().distance(to.xy()) > 0.2
        {
            let middle = at.xy().lerp(to.xy(), 0.5);
            // Beyond the edge by more than its radius the cutter is in air.
            if variant.outline.distance(middle) < radius - 0.05 {
                crossed += 1;
                assert!(feed <= 0.5 * step.feed + 1.0, "{feed} of {}", step.feed);
            }
        }
        at = to;
    }
    assert!(crossed > 4, "{crossed}");
}

/// Its first pass is 4 mm of up-cut tip and 0.5 mm, 1.5 times half its diameter to the micrometre.
#[test]
fn a_compression_cutters_first_pass_is_not_told_as_too_deep() {
    let job = root().join("tests/cases/numbers/drawn-free/job.json");
    let made = make(load(&job).unwrap()).unwrap();
    assert!(!made.work.programs.is_empty(), "{:?}", told(&made));
    assert!(
        made.with_code("verify-load").is_empty(),
        "{:?}",
        told(&made)
    );
}
