//! Pieces that are cut from their ends: how they stand, what they stand against, and that it is seen when something is wrong.

use super::{judged, mortise, words};
use crate::sabotage::{chain, tamper};
use grainway_geom::point;
use grainway_pipeline::doc::{Seen, Side, ZZero};
use grainway_pipeline::work::{HoldKind, Setup, Work};
use grainway_tests::{Made, load, load_texts, make, root, run, sample};
use serde_json::{Value, json};

/// A mortise of 16 × 8 mm in an end, 20 mm deep, its middle so far from the near edge and from the face.
fn in_end(end: &str, across: f64, down: f64) -> Value {
    json!({ "id": format!("in-{end}"), "kind": "mortise", "side": end, "depth": 20,
        "shape": { "rectangle": { "at": [across - 8.0, down - 4.0], "size": [16, 8] } } })
}

/// The documents of one part of 45 mm oak on a machine that leaves so much for upright pieces.
fn documents(part: Value, end_height: Option<f64>) -> (String, String) {
    let shop = std::fs::read_to_string(sample("card-index-cabinet").with_file_name("shop.json"));
    let mut shop: Value = serde_json::from_str(&shop.unwrap()).unwrap();
    if let Some(most) = end_height {
        shop["machines"]["router"]["end-height"] = json!(most);
    }
    let job =
        json!({ "format": "grainway.job/1", "name": "one part", "shop": "s", "parts": [part] });
    (job.to_string(), shop.to_string())
}

fn one_part(part: Value, end_height: Option<f64>) -> Made {
    let (job, shop) = documents(part, end_height);
    make(load_texts(&job, &shop, &root()).unwrap()).unwrap()
}

/// A rail of 400 × 60 × 45 mm.
fn rail_of(features: Value) -> Value {
    json!({ "id": "rail", "stock": "oak-45",
        "blank": { "length": 400, "width": 60, "dimensioned": true }, "features": features })
}

fn rail(features: Value) -> Made {
    one_part(rail_of(features), Some(450.0))
}

fn middle(made: &Made, variant: &str, key: &str) -> grainway_geom::Point {
    let features = &made.work.variant(variant).unwrap().features;
    let found = features.iter().find(|f| f.key == key).unwrap();
    found.shape.bounds().centre()
}

fn close(a: grainway_geom::Point, x: f64, y: f64) -> bool {
    a.distance(point(x, y)) < 1e-9
}

fn sheet(made: &Made) -> String {
    made.text(&made.work.files["setup-sheet.html"])
}

#[test]
fn a_rail_has_a_mortise_in_each_end() {
    let made = rail(json!([
        in_end("left-end", 20.0, 18.0),
        in_end("right-end", 20.0, 18.0)
    ]));
    assert_eq!(made.errors(), [""; 0]);
    assert!(made.ready());
    let up: Vec<Side> = made.work.setups.iter().map(|s| s.side).collect();
    assert_eq!(up, [Side::LeftEnd, Side::RightEnd]);
    // Its face lies near on both ends, so on the right one its far edge lies left.
    assert!(close(
        middle(&made, "rail~left-end", "in-left-end"),
        20.0,
        18.0
    ));
    assert!(close(
        middle(&made, "rail~right-end", "in-right-end"),
        40.0,
        18.0
    ));
    for setup in &made.work.setups {
        assert_eq!(setup.size, point(60.0, 45.0));
        // Zero is on the end that lies up, although this machine has it on the bed.
        assert_eq!((setup.z.zero, setup.z.mean), (ZZero::Top, 400.0));
        let of = |kind| setup.holds.iter().filter(move |h| h.kind == kind).count();
        assert_eq!(
            (
                of(HoldKind::Stop),
                of(HoldKind::SideClamp),
                of(HoldKind::Clamp)
            ),
            (3, 1, 0)
        );
        assert!(setup.safe_z < 30.0);
    }
    let sheet = sheet(&made);
    for words in [
        "on its end, left end up",
        "upright on its right end",
        "the far edge lies left",
        "clamp from the side",
        "Z zero: on the upper end of the piece",
        "at most 397 mm high over the foot of the piece",
    ] {
        assert!(sheet.contains(words), "{words}");
    }
    let program = made.text(&made.work.programs[0].text);
    assert!(program.contains("left end up, 400 mm high"), "{program}");
}

/// A leg with a mortise in each of its six sides: every side of it is wanted once, and all are verified.
fn leg() -> Made {
    let part = json!({ "id": "leg", "stock": "oak-45", "count": 2,
        "blank": { "length": 420, "width": 45, "dimensioned": true }, "features": [
            mortise("face", 100.0, 22.5), mortise("back", 150.0, 22.5),
            mortise("near", 250.0, 15.0), mortise("far", 320.0, 12.0),
            in_end("left-end", 20.0, 18.0), in_end("right-end", 26.0, 20.0)
        ] });
    one_part(part, Some(450.0))
}

#[test]
fn a_leg_has_mortises_in_all_six_sides() {
    let made = leg();
    assert_eq!(made.errors(), [""; 0]);
    assert!(made.ready());
    let up: Vec<(Side, u32)> = made
        .work
        .setups
        .iter()
        .map(|s| (s.side, s.repeats))
        .collect();
    assert_eq!(up, Side::ALL.map(|s| (s, 2)));
    assert_eq!(made.with_code("recesses-meet").len(), 0);
    for setup in made.work.setups.iter().filter(|s| s.side.is_end()) {
        assert!(judged(&made, setup, str::to_string), "{}", setup.id);
        for letter in ['X', 'Y'] {
            // All of it 0.2 mm aside.
            assert!(
                !judged(&made, setup, |t| words(t, letter, |v| v + 0.2)),
                "{} {letter}",
                setup.id
            );
            // As if the far edge, or the back, lay against the stops.
            assert!(
                !judged(&made, setup, |t| words(t, letter, |v| 45.0 - v)),
                "{} {letter} swapped",
                setup.id
            );
        }
        // The piece turned by a half, and by a quarter.
        let half = |t: &str| words(&words(t, 'X', |v| 45.0 - v), 'Y', |v| 45.0 - v);
        assert!(!judged(&made, setup, half), "{} turned", setup.id);
        // 0.2 mm deeper.
        assert!(
            !judged(&made, setup, |t| words(t, 'Z', |v| v - 0.2)),
            "{} deeper",
            setup.id
        );
    }
    // The text of the one end is wrong for the other.
    let ends: Vec<&Setup> = made
        .work
        .setups
        .iter()
        .filter(|s| s.side.is_end())
        .collect();
    let programs: Vec<_> = ends
        .iter()
        .map(|s| made.work.programs.iter().find(|p| p.setup == s.id).unwrap())
        .collect();
    let exchanged = [(programs[0], made.text(&programs[1].text))];
    assert!(!made.safe_alone(ends[0], &exchanged).unwrap().passed);
}

#[test]
fn recesses_of_an_end_that_run_into_others_are_told() {
    let meets = rail(json!([
        in_end("left-end", 20.0, 18.0),
        mortise("face", 30.0, 20.0)
    ]));
    assert_eq!(meets.with_code("recesses-meet").len(), 1);
    // The mortise in the face begins 20 mm from the end, as deep as the other.
    let apart = rail(json!([
        in_end("left-end", 20.0, 18.0),
        mortise("face", 50.0, 20.0)
    ]));
    assert_eq!(apart.with_code("recesses-meet").len(), 0);
}

#[test]
fn the_other_hand_has_its_ends_mirrored() {
    let mut part = rail_of(json!([
        in_end("left-end", 20.0, 18.0),
        in_end("right-end", 26.0, 18.0)
    ]));
    part["mirrored"] = json!(1);
    let made = one_part(part, Some(450.0));
    assert_eq!(made.errors(), [""; 0]);
    assert!(made.ready());
    // The near edge becomes the far one: 20 mm from it are 40 from the near edge.
    for (variant, key, x) in [
        ("rail~left-end", "in-left-end", 20.0),
        ("rail~mirrored~left-end", "in-left-end", 40.0),
        ("rail~right-end", "in-right-end", 34.0),
        ("rail~mirrored~right-end", "in-right-end", 26.0),
    ] {
        assert!(close(middle(&made, variant, key), x, 18.0), "{variant}");
    }
}

#[test]
fn a_rail_that_measures_otherwise_keeps_its_ends_where_they_count_from() {
    let with = |measured: Value| {
        let mut features = Vec::new();
        for (from, across, end) in [
            ("near", 12.0, "left-end"),
            ("middle", 30.0, "left-end"),
            ("far", 48.0, "right-end"),
        ] {
            let mut f = in_end(end, across, 18.0);
            f["id"] = json!(from);
            f["across-from"] = json!(from);
            features.push(f);
        }
        let mut part = rail_of(json!(features));
        if !measured.is_null() {
            part["blank"]["measured"] = measured;
        }
        let made = one_part(part, Some(450.0));
        assert_eq!(made.errors(), [""; 0]);
        assert!(made.ready());
        made
    };
    let (planned, own) = (
        with(Value::Null),
        with(json!({ "width": 58, "length": 397 })),
    );
    let x = |made: &Made, key: &str, end: &str| middle(made, &format!("rail~{end}"), key).x;
    for (made, near, between, far) in [(&planned, 12.0, 30.0, 12.0), (&own, 12.0, 29.0, 12.0)] {
        assert!((x(made, "near", "left-end") - near).abs() < 1e-9);
        assert!((x(made, "middle", "left-end") - between).abs() < 1e-9);
        // Seen on the right end the far edge lies left.
        assert!((x(made, "far", "right-end") - far).abs() < 1e-9);
    }
    assert_eq!(own.work.setups[0].size, point(58.0, 45.0));
    assert!((own.work.setups[0].z.mean - 397.0).abs() < 1e-9);
}

#[test]
fn an_upright_piece_must_find_room_under_the_spindle() {
    let part = || rail_of(json!([in_end("left-end", 20.0, 18.0)]));
    let told = |made: Made| {
        assert!(!made.ready());
        let found = made.with_code("part-too-large");
        assert_eq!(found.len(), 1);
        assert!(
            found[0].remedy.contains("`end-height`"),
            "{}",
            found[0].remedy
        );
        found[0].message.clone()
    };
    let silent = told(one_part(part(), None));
    assert!(
        silent.contains("left end") && silent.contains("does not say how long"),
        "{silent}"
    );
    let long = told(one_part(part(), Some(399.5)));
    assert!(long.contains("leaves 399.5 mm"), "{long}");
    assert!(one_part(part(), Some(400.0)).ready());
}

#[test]
fn what_cannot_be_cut_from_an_end_is_told() {
    let told = |part: Value| {
        let made = one_part(part, Some(450.0));
        assert!(!made.ready());
        made.errors().join(" ")
    };
    // Beyond the thickness.
    let wide = told(rail_of(json!([in_end("left-end", 20.0, 43.0)])));
    assert!(wide.contains("reaches over its part's edge"), "{wide}");
    let aside = told(rail_of(json!([in_end("left-end", 200.0, 20.0)])));
    assert!(aside.contains("lies outside its part"), "{aside}");
    let mut tenoned = rail_of(json!([in_end("right-end", 20.0, 20.0)]));
    tenoned["blank"] = json!({ "length": 400, "width": 60, "tenons": [{ "end": "left", "length": 30, "width": 40 }] });
    let tenoned = told(tenoned);
    assert!(tenoned.contains("cannot stand on its end"), "{tenoned}");
    // Two uprights of 16 mm that bear on 4 mm to either side of their middles need 24 mm.
    let mut narrow = rail_of(json!([in_end("left-end", 11.0, 20.0)]));
    narrow["blank"]["width"] = json!(22);
    let narrow = told(narrow);
    assert!(narrow.contains("has no room for two uprights"), "{narrow}");
    // Nothing counts along on an end, and nothing across on an edge.
    for (side, key, value) in [
        ("left-end", "along-from", "middle"),
        ("near", "across-from", "far"),
    ] {
        let mut f = in_end(side, 20.0, 20.0);
        f[key] = json!(value);
        let (job, shop) = documents(rail_of(json!([f])), None);
        let refused = load_texts(&job, &shop, &root());
        assert!(refused.err().unwrap().contains("leave"), "{side}");
    }
}

/// Over most of its height the face lies hollow where the left upright would stand: another place is taken.
#[test]
fn uprights_stand_against_wood() {
    let hollow = |from: f64, to: f64| {
        json!({ "id": "hollow", "kind": "pocket", "depth": 6,
            "shape": { "rectangle": { "at": [10, from], "size": [380, to - from], "corner": 4 } } })
    };
    let at = |made: &Made| -> Vec<f64> {
        let setup = made.work.setups.iter().find(|s| s.side.is_end()).unwrap();
        let near = setup.holds.iter().filter(|h| h.at.y < 0.0);
        near.map(|h| h.at.x).collect()
    };
    let plain = rail(json!([in_end("left-end", 30.0, 25.0)]));
    assert!(
        at(&plain)
            .iter()
            .zip([9.0, 51.0])
            .all(|(a, b)| (a - b).abs() < 0.5)
    );
    let made = rail(json!([in_end("left-end", 30.0, 25.0), hollow(4.0, 22.0)]));
    assert!(made.ready(), "{:?}", made.errors());
    assert!(at(&made)[0] >= 26.0 - 0.6, "{:?}", at(&made));
    let nothing = rail(json!([in_end("left-end", 30.0, 25.0), hollow(4.0, 56.0)]));
    assert!(!nothing.ready());
    assert_eq!(nothing.with_code("no-room-for-stops").len(), 1);
}

#[test]
fn how_a_piece_stands_on_its_end_is_a_claim() {
    let caught = |what: &str, after: &'static str, change: fn(&mut Work)| {
        let stages = chain(vec![(after, tamper("change", change))]);
        let (job, shop) = documents(
            rail_of(json!([
                in_end("left-end", 20.0, 18.0),
                in_end("right-end", 20.0, 18.0),
                { "id": "hollow", "kind": "pocket", "depth": 4,
                    "shape": { "rectangle": { "at": [10, 24], "size": [380, 12], "corner": 4 } } }
            ])),
            Some(450.0),
        );
        let loaded = load_texts(&job, &shop, &root()).unwrap();
        let made = run(loaded, &stages, &grainway_dialects::built_in());
        let Ok(made) = made else { return };
        assert!(!made.ready(), "{what}");
    };
    fn ends(work: &mut Work) -> impl Iterator<Item = &mut Setup> {
        work.setups.iter_mut().filter(|s| s.side.is_end())
    }
    let untouched = rail(json!([in_end("left-end", 20.0, 18.0)]));
    assert!(untouched.ready());
    caught("the ends exchanged", "hold", |work| {
        for v in work.variants.iter_mut().filter(|v| v.side.is_end()) {
            v.side = v.side.opposite();
        }
        for s in ends(work) {
            s.side = s.side.opposite();
        }
    });
    caught("an end forgotten", "place", |work| {
        work.setups.retain(|s| s.side != Side::RightEnd);
    });
    caught("an end too often", "place", |work| {
        ends(work).for_each(|s| s.repeats = 2);
    });
    caught("no clamp", "hold", |work| {
        ends(work).for_each(|s| s.holds.retain(|h| h.kind == HoldKind::Stop));
    });
    caught("a clamp beside the uprights", "hold", |work| {
        for h in ends(work).flat_map(|s| &mut s.holds) {
            if h.kind == HoldKind::SideClamp {
                h.at.x = 4.5;
            }
        }
    });
    caught("a clamp that does not reach it", "hold", |work| {
        for h in ends(work).flat_map(|s| &mut s.holds) {
            if h.kind == HoldKind::SideClamp {
                h.at.y += 1.0;
            }
        }
    });
    caught("an upright too few", "hold", |work| {
        for s in ends(work) {
            s.holds.remove(0);
        }
    });
    caught("an upright that does not touch it", "hold", |work| {
        for s in ends(work) {
            s.holds[0].at.y -= 1.0;
        }
    });
    caught("two uprights in one place", "hold", |work| {
        for s in ends(work) {
            s.holds[1].at.x = s.holds[0].at.x + 5.0;
        }
    });
    caught("an upright in front of a hollow", "hold", |work| {
        for s in ends(work) {
            s.holds[1].at.x = 30.0;
        }
    });
    caught("zero on the bed", "hold", |work| {
        ends(work).for_each(|s| s.z.zero = ZZero::Bed);
    });
}

/// For the person: one measure for each upright setup that differs by more than 1 mm when the piece stands wrong, or a mark.
#[test]
fn an_upright_piece_has_a_control_measure_or_is_marked() {
    let made = leg();
    let report: Value = serde_json::from_str(&made.text(&made.work.files["report.json"])).unwrap();
    let turned = |up: &str| {
        let mut setups = report["setups"].as_array().unwrap().iter();
        setups.find(|s| s["turned"]["up"] == up).unwrap()["turned"]["control"].clone()
    };
    // The mortise in the face runs from 80 to 120 mm of 420: 80 mm below the left end, and 300 mm below the right one.
    for (up, right, wrong) in [("left-end", 80.0, 300.0), ("right-end", 300.0, 80.0)] {
        let control = turned(up);
        assert_eq!(control["from"], "upper end");
        assert_eq!(control["feature"], "to-face");
        assert_eq!(control["side"], "face");
        assert!((control["distance"].as_f64().unwrap() - right).abs() < 1e-6);
        assert!((control["wrong"].as_f64().unwrap() - wrong).abs() < 1e-6);
    }
    let marked = rail(json!([in_end("left-end", 30.0, 22.5)]));
    assert!(sheet(&marked).contains("mark the face and the upper end before you turn it"));
}

#[test]
fn how_much_an_end_is_seen_is_said_of_it() {
    let mut part = rail_of(json!([in_end("left-end", 20.0, 18.0)]));
    part["seen"] = json!({ "left-end": "hidden", "right-end": "inside" });
    part["mirrored"] = json!(1);
    let made = one_part(part, Some(450.0));
    let seen = |id: &str| [Side::LeftEnd, Side::RightEnd].map(|s| made.work.documents.seen(id, s));
    assert_eq!(seen("rail"), [Seen::Hidden, Seen::Inside]);
    assert_eq!(seen("rail~mirrored"), [Seen::Hidden, Seen::Inside]);
}

/// The sample: joints whose both halves are cut by the router, one of them in end grain.
#[test]
fn the_stand_is_ready_and_its_joints_close() {
    let made = make(load(&sample("folio-stand")).unwrap()).unwrap();
    assert_eq!(made.errors(), [""; 0]);
    assert!(made.ready());
    for code in ["joints-apart", "joints-locked", "recesses-meet"] {
        assert_eq!(made.with_code(code).len(), 0, "{code}");
    }
    assert_eq!(made.work.furniture.len(), 1);
    crate::joints::together::nothing_overlaps(&made.work, &made.work.furniture[0]);
    let upright = made.work.setups.iter().filter(|s| s.side.is_end());
    assert_eq!(upright.count(), 8);
    // Every loose tenon has its room in both of its mortises.
    let closed: Vec<&str> = made.work.joints.iter().map(|j| j.joint.as_str()).collect();
    for joint in ["left-arm-on-post", "right-arm-on-post", "cap-on-post"] {
        assert_eq!(closed.iter().filter(|j| **j == joint).count(), 2, "{joint}");
    }
    let picture = |part: &str| made.text(&made.work.files[&format!("pictures/piece-{part}.svg")]);
    assert!(picture("right-arm").contains("turned about"));
    assert!(!picture("front-arm").contains("turned about"));
    let sheet = sheet(&made);
    assert!(
        sheet.contains(
            "as it lies: left end up (A); face (B) and near edge (C) against the uprights"
        )
    );
    assert!(
        sheet.contains(
            "as it lies: right end up (A); face (B) and far edge (C) against the uprights"
        )
    );
}

/// Every turned setup of the sample has a control measure that is another when the piece lies wrong, or asks for a mark.
#[test]
fn every_turned_setup_of_the_stand_can_be_checked_by_the_person() {
    let made = make(load(&sample("folio-stand")).unwrap()).unwrap();
    let report: Value = serde_json::from_str(&made.text(&made.work.files["report.json"])).unwrap();
    let sheet = sheet(&made);
    let marks = sheet
        .matches("Nothing tells its two ways round apart")
        .count();
    let mut unmeasured = 0;
    for setup in report["setups"].as_array().unwrap() {
        let turned = &setup["turned"];
        if turned.is_null() {
            continue;
        }
        let Some(control) = turned["control"].as_object() else {
            unmeasured += 1;
            continue;
        };
        let [right, wrong] = ["distance", "wrong"].map(|k| control[k].as_f64().unwrap());
        assert!((right - wrong).abs() > 1.0, "{setup}");
    }
    assert_eq!(marks, unmeasured);
}

/// A joint's half in an end, shifted in its text: the joint, or the piece, is seen to be wrong.
#[test]
fn a_text_of_an_end_of_a_joint_that_is_aside_is_caught() {
    let made = make(load(&sample("folio-stand")).unwrap()).unwrap();
    for setup in made.work.setups.iter().filter(|s| s.side.is_end()) {
        assert!(judged(&made, setup, str::to_string), "{}", setup.id);
        for letter in ['X', 'Y'] {
            assert!(
                !judged(&made, setup, |t| words(t, letter, |v| v + 0.2)),
                "{} {letter}",
                setup.id
            );
        }
    }
}

/// A rail dowelled to a post, its row without a middle of its own.
fn dowelled(post: Value, rail: Value, measured: Value) -> Result<Made, String> {
    let mut blank = json!({ "length": 300, "width": 60, "dimensioned": true });
    if !measured.is_null() {
        blank["measured"] = measured;
    }
    let (_, shop) = documents(json!({}), Some(450.0));
    let job = json!({ "format": "grainway.job/1", "name": "rows", "shop": "s", "parts": [
            { "id": "rail", "stock": "oak-45", "blank": blank },
            { "id": "post", "stock": "oak-45", "blank": { "length": 400, "width": 60, "dimensioned": true } }
        ], "joints": [{ "id": "pegs", "joint": { "dowels": { "diameter": 8, "length": 36,
            "first": post, "second": rail } } }] });
    make(load_texts(&job.to_string(), &shop, &root())?)
}

#[test]
fn a_row_of_dowels_lies_in_the_middle_of_the_end_as_it_measures() {
    let post =
        || json!({ "part": "post", "row": { "count": 3, "spacing": 14, "middle": [200, 30] } });
    let rail =
        || json!({ "part": "rail", "side": "right-end", "row": { "count": 3, "spacing": 14 } });
    for (measured, middle) in [(Value::Null, 30.0), (json!({ "width": 58 }), 29.0)] {
        let made = dowelled(post(), rail(), measured).unwrap();
        assert_eq!(made.errors(), [""; 0]);
        assert!(made.ready());
        let holes = made.work.variant("rail~right-end").unwrap();
        let at = holes.features.iter().map(|f| f.circle.unwrap().0);
        let mut x: Vec<f64> = at.clone().map(|p| p.x).collect();
        x.sort_by(f64::total_cmp);
        let wanted = [middle - 14.0, middle, middle + 14.0];
        assert!(
            x.iter().zip(wanted).all(|(a, b)| (a - b).abs() < 1e-9),
            "{x:?}"
        );
        assert!(at.clone().all(|p| (p.y - 22.5).abs() < 1e-9));
        assert_eq!(made.with_code("joints-apart").len(), 0);
        // Turned about by a half it gets its holes in the same places: the text may not tell the two apart.
        let setup = made.work.setups.iter().find(|s| s.side.is_end()).unwrap();
        let (wide, thick) = (setup.size.x, setup.size.y);
        let half = |t: &str| {
            let turned = words(&words(t, 'X', |v| wide - v), 'Y', |v| thick - v);
            words(&words(&turned, 'I', |v| -v), 'J', |v| -v)
        };
        assert!(judged(&made, setup, half));
    }
}

#[test]
fn a_row_of_dowels_that_says_too_little_or_too_much_is_refused() {
    let row = |row: Value| json!({ "part": "post", "row": row });
    let rail =
        || json!({ "part": "rail", "side": "left-end", "row": { "count": 2, "spacing": 20 } });
    for (post, words) in [
        (
            row(json!({ "count": 2, "spacing": 20 })),
            "only on an end it may be left out",
        ),
        (
            row(json!({ "count": 0, "spacing": 20, "middle": [9, 9] })),
            "between 1 and 50",
        ),
        (
            row(json!({ "count": 3, "spacing": 20, "middle": [99, 30] })),
            "has 3 dowels, the other 2",
        ),
        (json!({ "part": "post" }), "one of the two"),
        (
            json!({ "part": "post", "at": [[9, 9]], "row": { "count": 2, "spacing": 20, "middle": [9, 9] } }),
            "one of the two",
        ),
    ] {
        let told = dowelled(post, rail(), Value::Null).err().unwrap();
        assert!(told.contains(words), "{words}: {told}");
    }
}
