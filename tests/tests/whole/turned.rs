//! Pieces that are cut from both sides: what is cut from which, how the piece is turned, and that it is seen when something is wrong.

mod ends;

use crate::sabotage::{chain, tamper};
use grainway_geom::point;
use grainway_pipeline::doc::Side;
use grainway_pipeline::work::{Setup, Turn, Work};
use grainway_tests::{Made, load, load_texts, make, root, run, sample};
use serde_json::{Value, json};

const CABINET: &str = "card-index-cabinet";

fn cabinet() -> Made {
    make(load(&sample(CABINET)).unwrap()).unwrap()
}

/// A job of one part of 18 mm oak in the cabinet's shop.
fn one_part(part: Value) -> Made {
    let shop = std::fs::read_to_string(sample(CABINET).with_file_name("shop.json")).unwrap();
    let job =
        json!({ "format": "grainway.job/1", "name": "one part", "shop": "s", "parts": [part] });
    make(load_texts(&job.to_string(), &shop, &root()).unwrap()).unwrap()
}

fn blank(features: Value) -> Value {
    json!({ "id": "lid", "stock": "oak-18", "blank": { "length": 400, "width": 200, "dimensioned": true }, "features": features })
}

fn sides(work: &Work) -> Vec<(String, Side, u32)> {
    let all = work.setups.iter();
    all.map(|s| (s.id.clone(), s.side, s.repeats)).collect()
}

#[test]
fn the_cabinet_is_ready_from_both_sides() {
    let made = cabinet();
    assert_eq!(made.errors(), [""; 0]);
    assert!(made.ready());
    assert_eq!(
        sides(&made.work),
        [
            ("board-1".to_string(), Side::Face, 1),
            ("blank-1".to_string(), Side::Face, 1),
            ("blank-2".to_string(), Side::Back, 1),
            ("blank-3".to_string(), Side::Face, 4),
            ("blank-4".to_string(), Side::Near, 4),
            ("blank-5".to_string(), Side::Back, 1),
            ("blank-6".to_string(), Side::Back, 1),
        ]
    );
    // The rebate along the far edge leaves the near edge to lie against, so the sides are turned over their ends.
    let turn = |id: &str| made.work.variant(id).unwrap().turn;
    assert_eq!(turn("side~back"), Turn::OverEnd);
    // The other hand has its rebate along the near edge.
    assert_eq!(turn("side~mirrored~back"), Turn::OverEdge);
    assert_eq!(turn("door~back"), Turn::OverEdge);
}

#[test]
fn what_goes_through_needs_no_turning() {
    let made = one_part(blank(json!([
        { "id": "cord", "kind": "hole", "side": "back", "shape": { "circle": { "at": [200, 100], "diameter": 12 } }, "depth": "through" },
        { "id": "label", "kind": "pocket", "shape": { "rectangle": { "at": [20, 20], "size": [60, 30], "corner": 4 } }, "depth": 3 }
    ])));
    assert_eq!(made.errors(), [""; 0]);
    assert_eq!(sides(&made.work), [("blank-1".to_string(), Side::Face, 1)]);
}

#[test]
fn what_is_cut_from_the_back_alone_has_one_setup() {
    let made = one_part(blank(json!([
        { "id": "label", "kind": "pocket", "side": "back", "shape": { "rectangle": { "at": [20, 20], "size": [60, 30], "corner": 4 } }, "depth": 3 }
    ])));
    assert_eq!(made.errors(), [""; 0]);
    assert_eq!(sides(&made.work), [("blank-1".to_string(), Side::Back, 1)]);
    // Seen from the back, what lies near the near edge lies near the far one.
    let b = made.work.variants[0].features[0].shape.bounds();
    assert!(b.min.distance(point(20.0, 150.0)) < 1e-6, "{b:?}");
}

#[test]
fn recesses_that_meet_between_the_sides_are_refused() {
    let from = |side: &str, depth: f64| {
        json!({ "id": side, "kind": "pocket", "side": side, "depth": depth,
            "shape": { "rectangle": { "at": [100, 60], "size": [120, 80], "corner": 4 } } })
    };
    let lid =
        |face: f64, back: f64| one_part(blank(json!([from("face", face), from("back", back)])));
    // 18.1 mm is the thickest reading; each floor stands over the other side's plane by the mean of 18.05.
    let meets = lid(9.0, 9.2);
    assert_eq!(
        meets.with_code("floor-thin").len(),
        1,
        "{:?}",
        meets.errors()
    );
    assert!(!meets.ready());
    let thin = lid(8.0, 9.0);
    assert_eq!(thin.with_code("floor-thin").len(), 1);
    assert!(thin.ready(), "{:?}", thin.errors());
    let sound = lid(7.0, 8.0);
    assert_eq!(sound.with_code("floor-thin").len(), 0);
    assert!(sound.ready(), "{:?}", sound.errors());
}

/// A rebate along a long edge of the lid's face, so deep, and something to be cut from its back.
fn rebated(edges: &[&str], deep: f64) -> Value {
    let mut features: Vec<Value> = edges
        .iter()
        .map(|edge| {
            let y = if *edge == "far" { 188 } else { 0 };
            json!({ "id": edge, "kind": "pocket", "depth": deep,
                "shape": { "rectangle": { "at": [0, y], "size": [400, 12] } } })
        })
        .collect();
    features.push(
        json!({ "id": "behind", "kind": "pocket", "side": "back", "depth": 5,
        "shape": { "rectangle": { "at": [150, 70], "size": [80, 40], "corner": 4 } } }),
    );
    blank(json!(features))
}

/// Turned over, a rebate of the face lies at the bottom, where a stop or a line would find nothing to hold.
#[test]
fn stops_and_lines_find_wood_whatever_the_face_has_lost() {
    let turn = |made: &Made| made.work.variant("lid~back").unwrap().turn;
    let far = one_part(rebated(&["far"], 15.0));
    assert!(far.ready(), "{:?}", far.errors());
    assert_eq!(turn(&far), Turn::OverEnd);
    // A rebate of the back all along the near edge leaves the far edge to lie against. The stops stand 15 mm high: over a rebate of 8 mm in
    // the face they find 7 mm of it, over one of 12 mm only 3 mm.
    let both = |deep: f64| {
        let mut part = rebated(&["far"], deep);
        part["features"].as_array_mut().unwrap().push(
            json!({ "id": "lip", "kind": "pocket", "side": "back", "depth": 5,
            "shape": { "rectangle": { "at": [0, 0], "size": [400, 12] } } }),
        );
        one_part(part)
    };
    let bears = both(8.0);
    assert!(bears.ready(), "{:?}", bears.errors());
    assert_eq!(turn(&bears), Turn::OverEdge);
    let hollow = both(12.0);
    let told = hollow.with_code("no-room-for-stops");
    assert_eq!(told.len(), 1, "{:?}", hollow.errors());
    assert!(!hollow.ready());
    // A line is so shallow that it needs the lowest wood.
    let mut lying = rebated(&["near", "far"], 2.0);
    let lines = |part: Value| {
        let shop = std::fs::read_to_string(sample(CABINET).with_file_name("shop.json")).unwrap();
        let job = json!({ "format": "grainway.job/1", "name": "one part", "shop": "s", "parts": [part],
            "settings": { "place": { "locate": "lines" } } });
        make(load_texts(&job.to_string(), &shop, &root()).unwrap()).unwrap()
    };
    let made = lines(lying.clone());
    let told = made.with_code("no-room-for-stops");
    assert_eq!(told.len(), 1, "{:?}", made.errors());
    assert!(told[0].message.contains("does not lie surely in its lines"));
    lying["features"].as_array_mut().unwrap().remove(0);
    let made = lines(lying);
    assert!(made.ready(), "{:?}", made.errors());
}

/// A stop that another stage moves to where the face was cut away is found by check.
#[test]
fn a_stop_on_wood_that_is_gone_is_caught() {
    let shop = std::fs::read_to_string(sample(CABINET).with_file_name("shop.json")).unwrap();
    let mut part = rebated(&["far"], 15.0);
    part["features"][0]["shape"] = json!({ "rectangle": { "at": [300, 188], "size": [60, 12] } });
    part["features"][1]["shape"] = json!({ "rectangle": { "at": [330, 70], "size": [71, 40] } });
    let job =
        json!({ "format": "grainway.job/1", "name": "one part", "shop": "s", "parts": [part] });
    for (x, caught) in [(250.0, false), (330.0, true)] {
        let change = move |work: &mut Work| {
            let back = work.setups.iter_mut().find(|s| s.side == Side::Back);
            let stops = back.unwrap().holds.iter_mut().filter(|h| h.at.y < 0.0);
            stops.last().unwrap().at.x = x;
        };
        let stages = chain(vec![("place", tamper("change", change))]);
        let loaded = load_texts(&job.to_string(), &shop, &root()).unwrap();
        let made = run(loaded, &stages, &grainway_dialects::built_in()).unwrap();
        assert_eq!(!made.ready(), caught, "{x}: {:?}", made.errors());
        let said = made.errors().iter().any(|e| e.contains("too little wood"));
        assert_eq!(said, caught, "{x}: {:?}", made.errors());
    }
}

/// Recesses of an edge and of the face that meet are told; check withholds the job where nothing says so, which its own tests show.
#[test]
fn recesses_that_meet_across_an_edge_are_told() {
    let leg = |deep: f64| {
        one_part(
            json!({ "id": "leg", "stock": "oak-18", "blank": { "length": 400, "width": 60, "dimensioned": true }, "features": [
            { "id": "front", "kind": "pocket", "depth": 12, "shape": { "rectangle": { "at": [100, 20], "size": [60, 20], "corner": 4 } } },
            { "id": "side", "kind": "mortise", "side": "near", "depth": deep, "shape": { "rectangle": { "at": [110, 6], "size": [40, 6], "corner": 3 } } } ] }),
        )
    };
    for (deep, told) in [(18.0, 0), (24.0, 1)] {
        let made = leg(deep);
        assert!(made.ready(), "{:?}", made.errors());
        assert_eq!(made.with_code("recesses-meet").len(), told, "{deep}");
    }
}

/// The texts of a setup with all places of a program moved, judged alone.
fn judged(made: &Made, setup: &Setup, moved: impl Fn(&str) -> String) -> bool {
    let mut programs: Vec<_> = made.work.programs.iter().collect();
    programs.retain(|p| p.setup == setup.id);
    programs.sort_by_key(|p| p.number);
    let edited = programs.iter().map(|p| (*p, moved(&made.text(&p.text))));
    let edited: Vec<_> = edited.collect();
    made.safe_alone(setup, &edited).unwrap().passed
}

/// Every X (or Y) word of a text through a function.
fn words(text: &str, letter: char, place: impl Fn(f64) -> f64) -> String {
    let word = |w: &str| match w.strip_prefix(letter).and_then(|v| v.parse::<f64>().ok()) {
        Some(v) => format!("{letter}{:.3}", place(v)),
        None => w.to_string(),
    };
    let line = |l: &str| match l.starts_with('(') {
        true => l.to_string(),
        false => l.split(' ').map(word).collect::<Vec<_>>().join(" "),
    };
    text.lines().map(|l| line(l) + "\n").collect()
}

#[test]
fn a_text_that_is_wrong_for_the_turned_piece_is_caught() {
    let made = cabinet();
    for id in ["blank-2", "blank-4", "blank-5", "blank-6"] {
        let setup = made.work.setups.iter().find(|s| s.id == id).unwrap();
        assert!(judged(&made, setup, str::to_string), "{id}");
        for letter in ['X', 'Y'] {
            assert!(
                !judged(&made, setup, |t| words(t, letter, |v| v + 0.2)),
                "{id} {letter}"
            );
        }
        // As if the piece had been turned the other way.
        let (w, h) = (setup.size.x, setup.size.y);
        let other = |t: &str| words(&words(t, 'X', |v| w - v), 'Y', |v| h - v);
        assert!(!judged(&made, setup, other), "{id}");
    }
}

#[test]
fn sides_and_turns_are_claims() {
    let caught = |what: &str, after: &'static str, change: fn(&mut Work)| {
        let stages = chain(vec![(after, tamper("change", change))]);
        let loaded = load(&sample(CABINET)).unwrap();
        let made = run(loaded, &stages, &grainway_dialects::built_in());
        assert!(made.is_err() || !made.unwrap().ready(), "{what}");
    };
    caught("a turn the other way", "hold", |work| {
        for v in &mut work.variants {
            v.turn = match v.turn {
                Turn::OverEdge => Turn::OverEnd,
                Turn::OverEnd => Turn::OverEdge,
            };
        }
    });
    caught("a back that counts as a face", "hold", |work| {
        for v in &mut work.variants {
            v.side = Side::Face;
        }
        for s in &mut work.setups {
            s.side = Side::Face;
        }
    });
    caught("a back forgotten", "place", |work| {
        work.setups.retain(|s| s.side == Side::Face);
    });
    caught("a stop too few", "hold", |work| {
        for s in work.setups.iter_mut().filter(|s| s.side == Side::Back) {
            s.holds.remove(0);
        }
    });
    caught("one back too many", "place", |work| {
        for s in work.setups.iter_mut().filter(|s| s.side == Side::Back) {
            s.repeats = 2;
        }
    });
    caught("two of one hand", "drawing", |work| {
        let plain = work.parts.iter().find(|p| p.id == "side").cloned().unwrap();
        for p in work.parts.iter_mut().filter(|p| p.mirrored) {
            p.outline = plain.outline.clone();
            p.features = plain.features.clone();
        }
    });
}

/// For the person: one measure for each turned setup that differs by more than 1 mm when the piece was turned the other way.
#[test]
fn a_turned_piece_has_a_control_measure() {
    let made = cabinet();
    let report: Value = serde_json::from_str(&made.text(&made.work.files["report.json"])).unwrap();
    let turned: Vec<&Value> = report["setups"]
        .as_array()
        .unwrap()
        .iter()
        .filter(|s| !s["turned"].is_null())
        .collect();
    assert_eq!(turned.len(), 4);
    let control = |part: &str| {
        let of = |s: &&&Value| s["turned"]["part"] == part;
        turned.iter().find(of).unwrap()["turned"]["control"].clone()
    };
    // The side's shelf housing runs from x 209.9 to 228.1 of 420; over the end its left is 420 − 228.1, else 209.9. The top housing, 29.9
    // to 48.1, differs more: 371.9 against 29.9.
    let side = control("side");
    assert_eq!(side["feature"], "top-housing");
    assert_eq!(side["from"], "left end");
    assert!((side["distance"].as_f64().unwrap() - 371.9).abs() < 1e-6);
    assert!((side["wrong"].as_f64().unwrap() - 29.9).abs() < 1e-6);
    // The door's panel, 60 to 260 of 380: over the edge its left is 60, else 120.
    let door = control("door");
    assert_eq!(
        (&door["feature"], &door["from"]),
        (&json!("panel"), &json!("left end"))
    );
    assert!((door["distance"].as_f64().unwrap() - 60.0).abs() < 1e-6);
    assert!((door["wrong"].as_f64().unwrap() - 120.0).abs() < 1e-6);
    let sheet = made.text(&made.work.files["setup-sheet.html"]);
    for words in ["371.9 mm", "29.9 mm", "turn it again", "back up"] {
        assert!(sheet.contains(words), "{words}");
    }
}

/// A piece that looks the same both ways round is to be marked.
#[test]
fn a_piece_that_looks_the_same_both_ways_is_marked() {
    let made = one_part(blank(json!([
        { "id": "middle", "kind": "pocket", "shape": { "rectangle": { "at": [150, 75], "size": [100, 50], "corner": 4 } }, "depth": 3 },
        { "id": "label", "kind": "pocket", "side": "back", "shape": { "rectangle": { "at": [20, 20], "size": [60, 30], "corner": 4 } }, "depth": 3 }
    ])));
    assert!(made.ready(), "{:?}", made.errors());
    let sheet = made.text(&made.work.files["setup-sheet.html"]);
    assert!(sheet.contains("mark the end that stays left before you turn it"));
}

/// The other hand is the same part mirrored across the grain: the same lengths along it, and climb cutting in the same sense.
#[test]
fn the_other_hand_is_mirrored_across_the_grain() {
    let made = cabinet();
    let at = |id: &str, key: &str| {
        let v = made.work.variant(id).unwrap();
        v.features
            .iter()
            .find(|f| f.key == key)
            .unwrap()
            .shape
            .bounds()
    };
    let (plain, other) = (
        at("side", "top-housing"),
        at("side~mirrored", "top-housing"),
    );
    // Stopped 15 mm from the near edge; mirrored, 15 mm from the far one.
    assert!((plain.min.y - 15.0).abs() < 1e-9 && (other.max.y - 285.0).abs() < 1e-9);
    assert!((plain.min.x - other.min.x).abs() < 1e-9);
    let sense = |id: &str| {
        let v = made.work.variant(id).unwrap();
        let cut = v
            .steps
            .iter()
            .filter_map(|s| s.profile.as_ref())
            .next()
            .unwrap();
        cut.loops[0].path.area().signum()
    };
    assert_eq!(sense("side").to_bits(), sense("side~mirrored").to_bits());
    let list = made.text(&made.work.files["partslist.csv"]);
    assert!(list.contains("Side, mirrored"), "{list}");
}

/// A leg of 45 × 45 mm.
fn leg(features: Value) -> Made {
    one_part(json!({ "id": "leg", "stock": "oak-45", "count": 4,
        "blank": { "length": 700, "width": 45, "dimensioned": true }, "features": features }))
}

/// A mortise of 10 × 40 mm, 18 mm deep, its middle so far from the left end.
fn mortise(side: &str, x: f64, y: f64) -> Value {
    json!({ "id": format!("to-{side}"), "kind": "mortise", "side": side, "depth": 18,
        "shape": { "rectangle": { "at": [x - 20.0, y - 5.0], "size": [40, 10] } } })
}

#[test]
fn a_leg_has_mortises_in_two_sides_and_in_four() {
    let two = leg(json!([
        mortise("face", 100.0, 22.5),
        mortise("near", 600.0, 15.0)
    ]));
    assert_eq!(two.errors(), [""; 0]);
    let up = |made: &Made| -> Vec<(Side, u32)> {
        let all = made.work.setups.iter();
        all.map(|s| (s.side, s.repeats)).collect()
    };
    assert_eq!(up(&two), [(Side::Face, 4), (Side::Near, 4)]);
    // On its far edge, left end left, the face is away: 15 mm from the face is 30 mm from the stops.
    let near = two.work.variant("leg~near").unwrap();
    assert!((near.features[0].shape.bounds().centre().y - 30.0).abs() < 1e-9);
    assert_eq!(two.with_code("recesses-meet").len(), 0);
    // 18 mm deep from both sides, one over the other, they meet: from the face down to 18 mm, from the near edge 10 to 20 mm below it.
    let meet = leg(json!([
        mortise("face", 100.0, 15.0),
        mortise("near", 110.0, 15.0)
    ]));
    assert_eq!(meet.with_code("recesses-meet").len(), 1);
    let four = leg(json!([
        mortise("face", 100.0, 22.5),
        mortise("back", 200.0, 22.5),
        mortise("near", 500.0, 22.5),
        mortise("far", 600.0, 12.0)
    ]));
    assert_eq!(four.errors(), [""; 0]);
    assert!(four.ready());
    let sides = [Side::Face, Side::Back, Side::Near, Side::Far];
    assert_eq!(up(&four), sides.map(|s| (s, 4)));
    let far = four.work.variant("leg~far").unwrap();
    assert!((far.features[0].shape.bounds().centre().y - 12.0).abs() < 1e-9);
    let sheet = four.text(&four.work.files["setup-sheet.html"]);
    for words in ["near edge up", "far edge up", "so that it cannot tip"] {
        assert!(sheet.contains(words), "{words}");
    }
    // A second side cut 0.2 mm aside is seen, as is one that was cut for the piece turned about.
    for setup in four.work.setups.iter().filter(|s| s.side != Side::Face) {
        assert!(judged(&four, setup, str::to_string), "{}", setup.id);
        for letter in ['X', 'Y'] {
            assert!(
                !judged(&four, setup, |t| words(t, letter, |v| v + 0.2)),
                "{} {letter}",
                setup.id
            );
        }
        assert!(
            !judged(&four, setup, |t| words(t, 'X', |v| 700.0 - v)),
            "{}",
            setup.id
        );
    }
}

#[test]
fn what_cannot_stand_on_its_edge_is_told() {
    let made = one_part(json!({ "id": "rail", "stock": "oak-18",
        "blank": { "length": 400, "width": 60, "tenons": [{ "end": "left", "length": 30, "width": 40 }] },
        "features": [{ "kind": "groove", "side": "near", "shape": { "along": { "at": 9, "width": 6 } }, "depth": 8 }] }));
    assert!(!made.ready());
    let told = made.errors().join(" ");
    assert!(told.contains("cannot stand on its edge"), "{told}");
    let wide = one_part(json!({ "id": "panel", "stock": "oak-18",
        "blank": { "length": 400, "width": 160, "dimensioned": true },
        "features": [{ "kind": "groove", "side": "far", "shape": { "along": { "at": 9, "width": 6, "from": 40, "to": 360 } }, "depth": 8 }] }));
    assert!(!wide.ready());
    let told = wide.errors().join(" ");
    assert!(told.contains("stands 160.0 mm high"), "{told}");
}

/// A top planned 700 × 400 mm.
fn top(measured: Value) -> Made {
    let mortise = |id: &str, y: f64, across: &str| {
        json!({ "id": id, "kind": "mortise", "across-from": across, "depth": 10,
            "shape": { "rectangle": { "at": [100, y - 5.0], "size": [40, 10] } } })
    };
    let mut blank = json!({ "length": 700, "width": 400, "dimensioned": true });
    if !measured.is_null() {
        blank["measured"] = measured;
    }
    one_part(
        json!({ "id": "top", "stock": "oak-18", "blank": blank, "features": [
        mortise("near", 50.0, "near"), mortise("middle", 200.0, "middle"), mortise("far", 350.0, "far"),
        { "id": "rest", "kind": "housing", "along-from": "right", "shape": { "across": { "at": 600, "width": 18 } }, "depth": 6 }
    ] }),
    )
}

#[test]
fn a_top_that_came_out_narrower_keeps_its_mortises_where_they_count_from() {
    let middle = |made: &Made, key: &str| {
        let v = &made.work.variants[0];
        v.features
            .iter()
            .find(|f| f.key == key)
            .unwrap()
            .shape
            .bounds()
            .centre()
    };
    let planned = top(Value::Null);
    let narrower = top(json!({ "width": 388, "length": 697 }));
    for made in [&planned, &narrower] {
        assert_eq!(made.errors(), [""; 0]);
        assert!(made.ready());
    }
    let across = |made: &Made| ["near", "middle", "far"].map(|k| middle(made, k).y);
    let close = |a: &[f64], b: &[f64]| a.iter().zip(b).all(|(a, b)| (a - b).abs() < 1e-9);
    assert!(close(&across(&planned), &[50.0, 200.0, 350.0]));
    // 12 mm narrower: as far from the near edge, still in the middle, as far from the far edge.
    assert!(close(&across(&narrower), &[50.0, 194.0, 338.0]));
    let rests = [&planned, &narrower].map(|m| middle(m, "rest").x);
    assert!(close(&rests, &[600.0, 597.0]));
    // The housing still runs out over both edges of the narrower top.
    let rest = narrower.work.variants[0]
        .features
        .iter()
        .find(|f| f.key == "rest")
        .unwrap();
    let b = rest.shape.bounds();
    assert!(b.min.y < -7.0 && b.max.y > 395.0, "{b:?}");
    assert_eq!(narrower.work.setups[0].size, point(697.0, 388.0));
}

#[test]
fn a_measure_that_looks_like_a_slip_is_refused() {
    let made = top(json!({ "width": 338 }));
    assert!(made.errors().join(" ").contains("more than 8 % apart"));
    let made = one_part(json!({ "id": "top", "stock": "oak-18",
        "blank": { "length": 300, "width": 200, "measured": { "width": 199 } } }));
    assert!(
        made.errors()
            .join(" ")
            .contains("only one that is already dimensioned is measured")
    );
}

/// Every piece has a picture, also on the sheet; those that are cut from the back are shown turned over.
#[test]
fn finished_pieces_are_shown() {
    let made = cabinet();
    let picture = |part: &str| made.text(&made.work.files[&format!("pictures/piece-{part}.svg")]);
    for (part, over) in [
        ("side", true),
        ("side~mirrored", true),
        ("door", true),
        ("leg", false),
    ] {
        assert_eq!(picture(part).contains("turned over"), over, "{part}");
    }
    let sheet = made.text(&made.work.files["setup-sheet.html"]);
    assert!(sheet.contains("The finished pieces") && sheet.contains("Side, mirrored, turned over"));
}
