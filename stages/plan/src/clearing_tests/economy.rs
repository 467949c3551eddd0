//! Ways that are not gone: air, levels, and slow feeds that nothing asks for.

use super::*;

/// By hand: a rebate 9.5 mm wide and 180 long is three ways of a 6 mm cutter on each of two levels, 1.1 m, and little beside; loops in
/// the air would be 5 m.
#[test]
fn a_rebate_is_cut_from_the_wood_and_not_from_the_air() {
    let mut v = variant(vec![feature(
        "r",
        FeatureKind::Rebate,
        rect(0.0, 0.0, 180.0, 9.5),
        6.0,
    )]);
    v.outline = rect(0.0, 0.0, 180.0, 60.0);
    let work = run(
        documents(&[("e", mill(6.0))]),
        vec![v],
        &ReliefSettings::default(),
        &PocketSettings::default(),
    );
    assert_eq!(errors(&work), Vec::<String>::new());
    let moves = moves_of(&work, Operation::Clear);
    well_formed(&moves, 0.0);
    let way: f64 = paths(&moves, -2.9).iter().map(Segment::length).sum();
    assert!((1_080.0..1_300.0).contains(&way), "{way}");
    let bite = greatest_bite(&moves, 3.0, (point(-10.0, -10.0), point(190.0, 20.0)), 0.0);
    assert!(bite <= 3.0 + 1e-6, "{bite}");
}

/// Half of the diameter a pass: 6 mm by a 6 mm cutter are two levels, also where the wood is a tenth thicker than its mean or the depth a
/// thousandth more; 6.4 mm are three, and where the shop says 3 mm, 6.1 are too.
#[test]
fn no_level_is_cut_that_the_depth_does_not_ask_for() {
    let levels = |depth: f64, thickest: f64, own: bool| {
        let mut cutter = mill(6.0);
        if own {
            cutter["pass-depth"] = json!(3.0);
        }
        let mut v = variant(vec![feature(
            "p",
            FeatureKind::Pocket,
            rect(50.0, 50.0, 60.0, 40.0),
            depth,
        )]);
        v.z.zero = grainway_pipeline::doc::ZZero::Bed;
        (v.z.mean, v.z.thickest) = (20.0, thickest);
        v.features[0].floor = 20.0 - depth;
        let work = run(
            documents(&[("e", cutter)]),
            vec![v],
            &ReliefSettings::default(),
            &PocketSettings::default(),
        );
        let moves = moves_of(&work, Operation::Clear);
        let mut floors: Vec<i64> = paths_with_heights(&moves);
        floors.dedup();
        assert!(floors.len() > 1, "{floors:?}");
        floors.len()
    };
    assert_eq!(levels(6.0, 20.1, false), 2);
    assert_eq!(levels(6.001, 20.0, true), 2);
    assert_eq!(levels(6.1, 20.0, true), 3);
    assert_eq!(levels(6.4, 20.0, false), 3);
    assert_eq!(levels(6.0, 20.4, true), 3);
}

/// Heights of level cuts below the face, in thousandths, downwards.
fn paths_with_heights(moves: &[Move]) -> Vec<i64> {
    let mut at = point(0.0, 0.0).at_z(SAFE_Z);
    let mut heights = Vec::new();
    for m in moves {
        let to = m.end(at);
        let cuts = matches!(m, Move::Line { .. } | Move::Arc { .. });
        if cuts && (at.z - to.z).abs() < 1e-9 && to.z < 20.0 && at.xy().distance(to.xy()) > 10.0 {
            heights.push((1e3 * to.z).round() as i64);
        }
        at = to;
    }
    heights.sort_unstable();
    heights.reverse();
    heights
}

/// Where the cutter has wood all round it, it goes at half feed one pass deep, and where it takes a lane beside what is cleared, at full
/// feed: nearly all of a wide pocket.
#[test]
fn only_slots_and_corners_are_slow() {
    let work = clear_one(
        feature("p", FeatureKind::Pocket, rect(50.0, 50.0, 120.0, 80.0), 3.0),
        6.0,
    );
    let step = work.variants[0].steps.first().unwrap();
    let mut at = point(0.0, 0.0).at_z(SAFE_Z);
    let (mut slow, mut full) = (0.0, 0.0);
    for m in work.moves(&step.moves) {
        let to = m.end(at);
        if let (Move::Line { feed, .. }, true) = (m, at.z < -2.9 && to.z < -2.9) {
            let way = at.xy().distance(to.xy());
            if feed < step.feed - 1.0 {
                assert!(feed >= 0.5 * step.feed - 1.0);
                slow += way;
            } else {
                full += way;
            }
        }
        at = to;
    }
    // The first way through the middle is 40 mm and more; each of sixteen loops has four corners of 3 mm.
    assert!((40.0..350.0).contains(&slow), "{slow}");
    assert!(full > 8.0 * slow, "{full} {slow}");
}
