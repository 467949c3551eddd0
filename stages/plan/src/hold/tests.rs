use super::*;
use crate::trial::{errors, job, made, shop, with_code};
use grainway_geom::{Point, point};
use grainway_pipeline::doc::WasteBy;
use grainway_pipeline::motion::Move;
use grainway_pipeline::work::{HoldKind, Setup, Work};
use serde_json::json;

fn outlines(work: &Work, setup: &Setup) -> Vec<Contour> {
    setup
        .placements
        .iter()
        .map(|p| work.variant(&p.variant).unwrap().outline.placed(&p.placing))
        .collect()
}

/// Sampled places of a placement's moves below a height, board coordinates, with the cutter's radius.
fn cuts_below(work: &Work, setup: &Setup, z: f64) -> Vec<(Point, f64)> {
    let mut places = Vec::new();
    for p in &setup.placements {
        let variant = work.variant(&p.variant).unwrap();
        for (i, step) in variant.steps.iter().enumerate() {
            let blob = p
                .replaced
                .iter()
                .find(|r| r.0 == i)
                .map(|r| &r.1.moves)
                .or_else(|| p.tabbed.iter().find(|t| t.0 == i).map(|t| &t.1))
                .unwrap_or(&step.moves);
            let radius = work.documents.cutter(&step.cutter).unwrap().radius_mm();
            let mut at = point(0.0, 0.0).at_z(f64::INFINITY);
            for m in work.moves(blob) {
                let from = at;
                at = m.end(from);
                if from.z.min(at.z) >= z || matches!(m, Move::Rapid { .. }) {
                    continue;
                }
                for k in 0..=20 {
                    let t = f64::from(k) / 20.0;
                    let q = match m {
                        Move::Arc { centre, sweep, .. } => {
                            centre + (from.xy() - centre).rotated(sweep * t)
                        }
                        _ => from.xy().lerp(at.xy(), t),
                    };
                    places.push((p.placing.point(q), radius));
                }
            }
        }
    }
    places
}

fn tab_at(work: &Work, setup: &Setup, i: usize, along: f64) -> Point {
    let p = &setup.placements[i];
    let variant = work.variant(&p.variant).unwrap();
    let (_, cut) = outline_cuts(variant).last().unwrap();
    let path = &cut.loops.last().unwrap().path;
    p.placing.point(path.at_length(along).unwrap().0)
}

#[test]
fn tabs_are_thick_enough_in_the_thinnest_wood_and_not_towards_a_neighbour() {
    // Two shelves of 400 × 120 from wood of 19 ± 0.6 mm; common practice, no source: at least 2 mm of tab.
    for zero in ["bed", "top"] {
        for (spacing, count) in [("10mm", 2), ("31mm", 4)] {
            let mut j = job(
                json!([{ "id": "shelf", "count": count, "stock": "wood", "blank": { "length": 400, "width": 120 } }]),
            );
            j["settings"] = json!({ "place": { "spacing": spacing } });
            let work = made(&j, &shop(zero, &[18.4, 19.0, 19.6]));
            assert_eq!(errors(&work), Vec::<String>::new(), "{zero} {spacing}");
            let setup = &work.setups[0];
            assert_eq!(setup.placements.len(), count);
            let others = outlines(&work, setup);
            for (i, p) in setup.placements.iter().enumerate() {
                assert!(p.tabs.len() >= 3, "{zero} {spacing}: {:?}", work.findings);
                assert_eq!(p.tabbed.len(), 1);
                for tab in &p.tabs {
                    assert!(tab.top - setup.z.highest_underside() >= 2.0);
                    let at = tab_at(&work, setup, i, tab.along);
                    for (k, other) in others.iter().enumerate() {
                        if k != i {
                            // The neighbour's kerf begins a diameter before its edge; the tab's neck needs its own width.
                            assert!(
                                other.distance(at) > 6.0 + tab.neck,
                                "{zero} {spacing} {at:?}"
                            );
                        }
                    }
                }
                // Opposite sides: two of them on either side of the middle across, or along.
                let b = others[i].bounds();
                let sides: std::collections::BTreeSet<&str> = p
                    .tabs
                    .iter()
                    .map(|t| {
                        let at = tab_at(&work, setup, i, t.along);
                        if at.x < b.min.x {
                            "left"
                        } else if at.x > b.max.x {
                            "right"
                        } else if at.y < b.min.y {
                            "near"
                        } else {
                            "far"
                        }
                    })
                    .collect();
                let has = |a, b| sides.contains(a) && sides.contains(b);
                assert!(has("left", "right") || has("near", "far"), "{sides:?}");
                // Cut through at the thickest reading.
                let lowest =
                    work.moves(&p.tabbed[0].1)
                        .iter()
                        .fold(f64::INFINITY, |z, m| match m {
                            Move::Line { to, .. } => z.min(to.z),
                            _ => z,
                        });
                assert!(
                    lowest < setup.z.lowest_underside() - 0.1,
                    "{zero}: {lowest}"
                );
            }
        }
    }
}

#[test]
fn copies_in_equal_places_share_their_moves() {
    let j = job(
        json!([{ "id": "shelf", "count": 4, "stock": "wood", "blank": { "length": 400, "width": 120 } }]),
    );
    let work = made(&j, &shop("bed", &[19.0]));
    let blobs: std::collections::BTreeSet<_> = work.setups[0]
        .placements
        .iter()
        .map(|p| p.tabbed[0].1.clone())
        .collect();
    assert_eq!(blobs.len(), 1);
    assert!(work.blobs.get(blobs.first().unwrap()).is_some());
}

fn bench_end() -> serde_json::Value {
    job(
        json!([{ "id": "end", "stock": "wood", "blank": { "length": 600, "width": 300 }, "features": [
        { "id": "first", "kind": "cutout", "shape": { "rectangle": { "at": [60, 60], "size": [120, 35], "corner": 5 } } },
        { "id": "second", "kind": "cutout", "shape": { "rectangle": { "at": [220, 200], "size": [300, 30], "corner": 5 } } },
        { "id": "third", "kind": "cutout", "shape": { "rectangle": { "at": [300, 80], "size": [25, 25], "corner": 5 } } }
    ] }]),
    )
}

#[test]
fn waste_is_held_by_its_size() {
    // The bench end of the brief: 22 mm, 4 mm screws with 8 mm heads, 6 and 6.35 mm cutters. Common practice, no source.
    for diameter in [6.0, 6.35] {
        let mut s = shop("bed", &[22.0]);
        s["cutters"]["mill"]["diameter"] = json!(diameter);
        let work = made(&bench_end(), &s);
        assert_eq!(errors(&work), Vec::<String>::new(), "{diameter}");
        let setup = &work.setups[0];
        let waste = &setup.placements[0].waste;
        let of = |key: &str| waste.iter().find(|w| w.feature == key).unwrap();
        let first = of("first");
        assert_eq!(first.by, WasteBy::Screws);
        assert!(first.screws.len() == 2 || (first.screws.len() == 1 && !first.tabs.is_empty()));
        assert_eq!(
            (of("second").by, of("second").screws.len()),
            (WasteBy::Screws, 2)
        );
        assert_eq!(of("third").by, WasteBy::Chips);
        assert_eq!(with_code(&work, "waste-to-chips").len(), 1);
        // Every head keeps radius + 4 mm from every cut.
        let cuts = cuts_below(&work, setup, setup.z.highest_top());
        for hold in &setup.holds {
            let space = cuts
                .iter()
                .map(|(q, r)| q.distance(hold.at) - r - hold.head_radius)
                .fold(f64::INFINITY, f64::min);
            assert!(space >= 4.0 - 1e-6, "{diameter}: {hold:?} has {space}");
        }
        // Waste screws come after a pause, and a pilot was drilled at each.
        let late: Vec<_> = setup
            .holds
            .iter()
            .filter(|h| h.kind == HoldKind::WasteScrew)
            .collect();
        assert!(late.len() >= 3 && late.iter().all(|h| h.after_pause == Some(1)));
        let pilots = work.moves(&setup.own_steps[0].moves);
        assert_eq!(setup.own_steps[0].cutter, "drill");
        for h in &late {
            assert!(pilots.iter().any(
                |m| matches!(m, Move::Hole { at, bottom, .. } if at.distance(h.at) < 1e-9 && *bottom < -5.0)
            ));
        }
        assert!((setup.safe_z - 37.0).abs() < 1e-9, "{}", setup.safe_z);
    }
}

#[test]
fn nothing_of_cleared_waste_stays() {
    let work = made(&bench_end(), &shop("bed", &[22.0]));
    let p = &work.setups[0].placements[0];
    let variant = work.variant(&p.variant).unwrap();
    let (step, replacement) = &p.replaced[0];
    assert_eq!(variant.steps[*step].feature, "third");
    let moves = work.moves(&replacement.moves);
    // At the lowest height, every place of the opening farther than the corners' fillets is swept.
    let mut at = point(0.0, 0.0).at_z(f64::INFINITY);
    let mut low: Vec<Point> = Vec::new();
    for m in &moves {
        let from = at;
        at = m.end(from);
        if from.z.max(at.z) <= replacement.lowest + 1e-6 {
            for k in 0..=40 {
                let t = f64::from(k) / 40.0;
                low.push(match *m {
                    Move::Arc { centre, sweep, .. } => {
                        centre + (from.xy() - centre).rotated(sweep * t)
                    }
                    _ => from.xy().lerp(at.xy(), t),
                });
            }
        }
    }
    let shape = &variant
        .features
        .iter()
        .find(|f| f.key == "third")
        .unwrap()
        .shape;
    let mut checked = 0;
    for i in 0..50 {
        for j in 0..50 {
            let q = point(
                300.0 + 0.5 * f64::from(i) + 0.2,
                80.0 + 0.5 * f64::from(j) + 0.2,
            );
            if shape.contains(q) && shape.distance(q) > 1.0 {
                assert!(low.iter().any(|c| c.distance(q) <= 3.0), "{q:?} stands");
                checked += 1;
            }
        }
    }
    assert!(checked > 1500);
    // And nothing outside of the opening is touched.
    for c in &low {
        assert!(shape.contains(*c) && shape.distance(*c) >= 3.0 - 0.01);
    }
}

#[test]
fn margin_screws_keep_their_distances() {
    let work = made(&bench_end(), &shop("bed", &[22.0]));
    let setup = &work.setups[0];
    let screws: Vec<_> = setup
        .holds
        .iter()
        .filter(|h| h.kind == HoldKind::MarginScrew)
        .collect();
    assert!(screws.len() >= 8, "{screws:?}");
    for s in &screws {
        let edge =
            s.at.x
                .min(s.at.y)
                .min(setup.size.x - s.at.x)
                .min(setup.size.y - s.at.y);
        assert!(edge >= 10.0 - 1e-9, "{s:?}");
        assert_eq!(s.after_pause, None);
    }
    // Along the near edge no more than 300 mm apart, as far as whole steps of the search allow.
    let mut near: Vec<f64> = screws
        .iter()
        .filter(|s| s.at.y < 225.0)
        .map(|s| s.at.x)
        .collect();
    near.sort_by(f64::total_cmp);
    assert!(near.windows(2).all(|w| w[1] - w[0] <= 340.0), "{near:?}");
}

#[test]
fn a_narrow_margin_is_named_with_what_it_needs() {
    let mut j = bench_end();
    j["settings"] = json!({ "place": { "margin": 10, "side-margin": 10, "strip": 0 } });
    let mut s = shop("bed", &[22.0]);
    s["stocks"]["wood"]["boards"] = json!([{ "id": "b", "length": 620, "width": 320 }]);
    let work = made(&j, &s);
    let found = with_code(&work, "no-room-for-first-hold");
    assert_eq!(found.len(), 1, "{:?}", work.findings);
    // 10 mm to the edge, 4 + 4 mm of keep-out, 6 mm of kerf.
    assert!(found[0].message.contains("24.0 mm"), "{}", found[0].message);
}

#[test]
fn a_skin_needs_zero_on_the_bed() {
    let mut j =
        job(json!([{ "id": "shelf", "stock": "wood", "blank": { "length": 400, "width": 120 } }]));
    j["settings"] = json!({ "hold": { "skin": true } });
    let work = made(&j, &shop("top", &[19.0]));
    assert_eq!(with_code(&work, "skin-on-top").len(), 1);
    let work = made(&j, &shop("bed", &[19.0]));
    assert_eq!(errors(&work), Vec::<String>::new());
    let setup = &work.setups[0];
    assert_eq!(setup.placements[0].hold, PieceHold::Skin(0.4));
    assert!(setup.placements[0].tabs.is_empty());
    let lowest = work
        .moves(&setup.placements[0].tabbed[0].1)
        .iter()
        .fold(f64::INFINITY, |z, m| match m {
            Move::Line { to, .. } => z.min(to.z),
            _ => z,
        });
    assert!((lowest - 0.4).abs() < 1e-9, "{lowest}");
}

#[test]
fn a_piece_without_room_for_tabs_gets_a_floor_or_is_refused() {
    let mut j = job(
        json!([{ "id": "knob", "count": 2, "stock": "wood", "outline": { "circle": { "at": [0, 0], "diameter": 12 } } }]),
    );
    j["settings"] = json!({ "hold": { "tab-neck": 30, "tab-neck-long-grain": 30 } });
    let on_bed = made(&j, &shop("bed", &[19.0]));
    assert_eq!(
        with_code(&on_bed, "no-room-for-tabs").len(),
        1,
        "{:?}",
        on_bed.findings
    );
    let skinned = |p: &Placement| p.hold.skin().is_some();
    assert!(on_bed.setups[0].placements.iter().all(skinned));
    let on_top = made(&j, &shop("top", &[19.0]));
    // Each by its own name.
    let refused = with_code(&on_top, "not-held");
    assert_eq!(refused.len(), 2, "{:?}", on_top.findings);
    for piece in ["knob", "knob#2"] {
        let named = format!("Nothing holds {piece}.");
        assert!(
            refused.iter().any(|f| f.message.contains(&named)),
            "{refused:?}"
        );
    }
}

#[test]
fn planning_twice_gives_the_same() {
    let mut a = made(&bench_end(), &shop("bed", &[22.0]));
    let b = made(&bench_end(), &shop("bed", &[22.0]));
    assert_eq!(a, b);
    // Held again over what is there: nothing doubles.
    let setups = a.setups.clone();
    crate::trial::run(&mut a);
    assert_eq!(a.setups, setups);
}

#[test]
fn screws_that_the_job_places_are_checked() {
    let mut j = bench_end();
    j["parts"][0]["features"][1]["waste"] =
        json!({ "by": "screws", "screws-at": [[280, 215], [460, 224]] });
    let work = made(&j, &shop("bed", &[22.0]));
    let found = with_code(&work, "screw-in-the-way");
    assert_eq!(found.len(), 1, "{:?}", work.findings);
    assert_eq!(found[0].at, Some(point(460.0, 224.0)));
}

#[test]
fn strips_too_narrow_to_hold_are_named() {
    // 18 mm between outlines, two kerfs of 6.4 mm (with the finishing allowance): 5.2 mm of waste stay.
    let mut j = job(
        json!([{ "id": "shelf", "count": 2, "stock": "wood", "blank": { "length": 400, "width": 120 } }]),
    );
    j["settings"] = json!({ "place": { "spacing": 18 } });
    let work = made(&j, &shop("bed", &[12.0]));
    assert_eq!(errors(&work), Vec::<String>::new());
    let found = with_code(&work, "waste-sliver");
    assert_eq!(found.len(), 1, "{:?}", work.findings);
    let at = found[0].at.unwrap();
    // One lies over the other, from the margin of 30 mm on.
    assert!(at.y > 150.0 && at.y < 168.0, "{at:?}");
    j["settings"] = json!({});
    let work = made(&j, &shop("bed", &[12.0]));
    assert!(with_code(&work, "waste-sliver").is_empty());
}

#[test]
fn places_are_marked_where_no_cutter_drills_pilots() {
    let mut s = shop("bed", &[22.0]);
    s["cutters"].as_object_mut().unwrap().remove("drill");
    let work = made(&bench_end(), &s);
    assert_eq!(with_code(&work, "pilot-by-hand").len(), 1);
    let setup = &work.setups[0];
    assert_eq!(setup.own_steps[0].cutter, "mill");
    assert!((setup.own_steps[0].lowest - 21.0).abs() < 1e-9);
}

#[test]
fn pilots_leave_the_spoilboard_whole() {
    let mut s = shop("bed", &[22.0]);
    s["machines"]["router"]["spoilboard"] = json!(8);
    let work = made(&bench_end(), &s);
    assert_eq!(
        with_code(&work, "spoilboard-thin").len(),
        1,
        "{:?}",
        work.findings
    );
}

#[test]
fn clamps_keep_clear_of_cuts_and_of_the_nut() {
    let mut j = bench_end();
    j["settings"] = json!({ "hold": { "first": "clamps" } });
    let work = made(&j, &shop("bed", &[22.0]));
    assert_eq!(errors(&work), Vec::<String>::new());
    let setup = &work.setups[0];
    let clamps: Vec<_> = setup
        .holds
        .iter()
        .filter(|h| h.kind == HoldKind::Clamp)
        .collect();
    assert!(clamps.len() >= 4);
    let cuts = cuts_below(&work, setup, setup.z.highest_top());
    for c in &clamps {
        // The nut of 45 mm comes down to 40 − 22.3 = 17.7 mm over the face: below the clamp's 20 mm.
        let space = cuts
            .iter()
            .map(|(q, _)| q.distance(c.at) - 22.5 - c.head_radius)
            .fold(f64::INFINITY, f64::min);
        assert!(space >= 4.0 - 1e-6, "{c:?} {space}");
    }
    // 22 mm of wood, 20 mm of clamp, 5 mm over it.
    assert!((setup.safe_z - 47.0).abs() < 1e-9);
}

#[test]
fn wide_boards_get_screws_in_the_frame() {
    let mut s = shop("bed", &[12.0]);
    s["stocks"]["wood"]["boards"] = json!([{ "id": "b", "length": 1200, "width": 800 }]);
    let j = job(
        json!([{ "id": "p", "count": 4, "stock": "wood", "blank": { "length": 450, "width": 200 } }]),
    );
    let mut j = j;
    j["settings"] = json!({ "place": { "spacing": 60 } });
    let work = made(&j, &s);
    assert_eq!(errors(&work), Vec::<String>::new());
    let setup = &work.setups[0];
    let frame: Vec<_> = setup
        .holds
        .iter()
        .filter(|h| h.kind == HoldKind::FrameScrew)
        .collect();
    assert!(!frame.is_empty());
    for h in &frame {
        assert_eq!(h.after_pause, Some(1));
        assert!(outlines(&work, setup).iter().all(|o| !o.contains(h.at)));
        let near = setup
            .holds
            .iter()
            .filter(|o| o.at != h.at)
            .map(|o| o.at.distance(h.at))
            .fold(f64::INFINITY, f64::min);
        assert!(near >= 250.0 - 15.0, "{near}");
    }
}

#[test]
fn other_holds_are_vouched_for_by_the_person() {
    let mut j = bench_end();
    j["settings"] = json!({ "hold": { "first": "other" } });
    let work = made(&j, &shop("bed", &[22.0]));
    assert_eq!(with_code(&work, "held-otherwise").len(), 1);
    assert!(
        work.setups[0]
            .holds
            .iter()
            .all(|h| h.kind == HoldKind::WasteScrew)
    );
    assert!(work.setups[0].placements[0].tabs.len() >= 3);
}

#[test]
fn waste_that_cannot_be_held_as_asked_becomes_chips() {
    let mut j = bench_end();
    j["parts"][0]["features"][2]["waste"] = json!({ "by": "screws" });
    let work = made(&j, &shop("bed", &[22.0]));
    assert_eq!(with_code(&work, "waste-otherwise").len(), 1);
    assert_eq!(work.setups[0].placements[0].replaced.len(), 1);
}

/// A part that reaches to the near left corner of its board: screws stand everywhere else.
#[test]
fn an_open_corner_is_a_warning_with_its_distance() {
    let reaching = json!([
        [0, 0],
        [500, 0],
        [500, 60],
        [900, 60],
        [900, 340],
        [60, 340],
        [60, 210],
        [0, 210]
    ]);
    let mut j = job(
        json!([{ "id": "plank", "stock": "wood", "outline": { "contour": { "points": reaching, "closed": true } } }]),
    );
    j["settings"] = json!({ "place": { "margin": 5, "side-margin": 5, "strip": 0 } });
    let mut s = shop("bed", &[12.0]);
    s["stocks"]["wood"]["boards"] = json!([{ "id": "b", "length": 970, "width": 410 }]);
    let work = made(&j, &s);
    assert_eq!(errors(&work), Vec::<String>::new());
    let found = with_code(&work, "hold-corner-open");
    assert_eq!(found.len(), 1, "{:#?}", work.findings);
    assert!(
        found[0].message.contains("near left corner"),
        "{}",
        found[0]
    );
    let screws: Vec<Point> = work.setups[0].holds.iter().map(|h| h.at).collect();
    assert!(screws.len() >= 6, "{screws:?}");
    let nearest = screws
        .iter()
        .map(|p| p.length())
        .fold(f64::INFINITY, f64::min);
    assert!(
        found[0]
            .message
            .contains(&format!("{nearest:.0} mm from it")),
        "{}",
        found[0]
    );
}

#[test]
fn gaps_between_screws_are_named() {
    // 14 and 18 mm of waste along the sides take no screw that needs 20; the ends do.
    let mut j =
        job(json!([{ "id": "plank", "stock": "wood", "blank": { "length": 930, "width": 405 } }]));
    j["settings"] = json!({ "hold": { "head-diameter": 12 }, "place": { "margin": 34 } });
    let work = made(&j, &shop("bed", &[12.0]));
    assert_eq!(errors(&work), Vec::<String>::new());
    assert_eq!(
        with_code(&work, "hold-gap").len(),
        2,
        "{:?}",
        work.setups[0].holds
    );
}
