//! Every kind of joint is made, verified and closes.

use super::fits::{job, joined};
use grainway_pipeline::work::CornerAnswer;
use grainway_tests::{Made, load, load_texts, make, sample};
use serde_json::{Value, json};

fn blank(id: &str, stock: &str, length: f64, width: f64) -> Value {
    json!({ "id": id, "stock": stock, "blank": { "length": length, "width": width } })
}

fn square(id: &str, stock: &str, length: f64, width: f64) -> Value {
    json!({ "id": id, "stock": stock, "blank": { "length": length, "width": width, "dimensioned": true } })
}

fn closes(made: &Made, joints: usize) {
    assert_eq!(made.errors(), [""; 0]);
    assert!(made.ready());
    assert_eq!(made.work.joints.len(), joints, "{:#?}", made.work.joints);
    for j in &made.work.joints {
        assert!(j.open <= 0.0, "{j:?}");
        // A push fit: 0.1 mm at least with the thickest piece.
        if let Some([least, _]) = j.cheeks {
            assert!((0.095..0.21).contains(&least), "{j:?}");
        }
    }
}

#[test]
fn a_shelf_in_a_housing_and_a_back_in_a_groove_and_a_rebate() {
    let made = job(
        json!([
            blank("side", "board-19", 500.0, 250.0),
            blank("shelf", "board-18", 400.0, 250.0),
            blank("back", "board-12", 400.0, 300.0),
            blank("top", "board-19", 500.0, 250.0)
        ]),
        json!([
            { "id": "shelf-in-side", "joint": { "housing": { "panel": { "part": "shelf" }, "housing": { "part": "side", "at": 200, "lies": "across", "depth": 6 } } } },
            { "id": "stopped", "joint": { "housing": { "panel": { "part": "shelf" }, "housing": { "part": "side", "at": 300, "lies": "across", "depth": 6, "from": 20 } } } },
            { "id": "back-in-groove", "joint": { "housing": { "panel": { "part": "back", "by": "edge" },
                "housing": { "part": "side", "at": 230, "lies": "along", "depth": 5, "to": 420 } } } },
            { "id": "back-in-top", "joint": { "rebate": { "panel": { "part": "back" },
                "rebate": { "part": "top", "edge": "far", "depth": 7 } } } }
        ]),
    );
    closes(&made, 4);
}

#[test]
fn rails_halved_into_one_another() {
    let made = job(
        json!([
            blank("long", "board-19", 600.0, 60.0),
            blank("short", "board-18", 300.0, 50.0),
            blank("corner-rail", "board-18", 300.0, 50.0),
            blank("tee-rail", "board-18", 300.0, 50.0)
        ]),
        json!([
            { "id": "cross", "joint": { "halving": { "first": { "part": "long", "at": 300 }, "second": { "part": "short", "at": 150 } } } },
            { "id": "corner", "joint": { "halving": { "first": { "part": "long", "end": "left" }, "second": { "part": "corner-rail", "end": "right" } } } },
            { "id": "tee", "joint": { "halving": { "first": { "part": "long", "at": 500 }, "second": { "part": "tee-rail", "end": "left" } } } }
        ]),
    );
    closes(&made, 6);
    // Flush: what is cut from the one stays of the other.
    let depth = |id: &str, key: &str| {
        let variant = made.work.variant(id).unwrap();
        let feature = variant.features.iter().find(|f| f.key == key).unwrap();
        variant.z.depth_of(feature.floor)
    };
    let (first, second) = (depth("long", "cross"), depth("short~back", "cross"));
    assert!((first - 9.0).abs() < 0.1, "{first}");
    assert!((18.0 - second - first).abs() < 0.2, "{first} {second}");
}

/// Two 12.3 mm panels 300 by 100, halved on edge 50 deep.
#[test]
fn panels_halved_on_edge_show_nothing() {
    let made = job(
        json!([
            blank("one", "board-12", 300.0, 100.0),
            blank("other", "board-12", 300.0, 100.0)
        ]),
        json!([ { "id": "slot", "joint": { "edge-halving": {
            "first": { "part": "one", "edge": "near", "at": 150 }, "second": { "part": "other", "edge": "far", "at": 150 } } } } ]),
    );
    closes(&made, 2);
    for j in &made.work.joints {
        assert!(j.visible.iter().all(|v| *v <= 0.0), "{j:?}");
    }
}

#[test]
fn loose_tenons_and_dowels() {
    let made = job(
        json!([
            square("rail", "board-45", 400.0, 90.0),
            square("leg", "board-45", 500.0, 60.0)
        ]),
        json!([
            { "id": "loose", "joint": { "loose-tenon": { "tenon": { "stock": "board-12", "width": 40, "length": 40 },
                "first": { "part": "rail", "at": [60, 45], "lies": "across" }, "second": { "part": "leg", "at": [100, 30], "lies": "along" } } } },
            { "id": "dowels", "joint": { "dowels": { "diameter": 8, "length": 40,
                "first": { "part": "rail", "at": [[300, 30], [300, 60]] }, "second": { "part": "leg", "at": [[300, 30], [330, 30]] } } } }
        ]),
    );
    closes(&made, 2);
    let holes = |id: &str| joined(&made, id, "dowels.1").depth;
    assert_eq!(format!("{:?}", holes("rail")), "Some(Below(Length(20.0)))");
}

/// One rail of stock `board-19` in a wide part of 45 mm.
fn rail_with(tenon: Value, lies: &str) -> Made {
    let mut tenon = tenon;
    tenon["part"] = json!("rail");
    if tenon["end"].is_null() {
        tenon["end"] = json!("both");
    }
    job(
        json!([
            blank("rail", "board-19", 500.0, 120.0),
            square("post", "board-45", 400.0, 200.0)
        ]),
        json!([{ "id": "joint", "joint": { "mortise-and-tenon": {
            "tenon": tenon, "mortise": { "part": "post", "at": [200, 100], "lies": lies } } } }]),
    )
}

#[test]
fn tenons_side_by_side() {
    let made = rail_with(
        json!({ "count": 2, "width": 30, "gap": 24, "length": 25 }),
        "along",
    );
    closes(&made, 2);
    for j in &made.work.joints {
        assert!(j.visible.iter().all(|v| *v <= 0.0), "{j:?}");
    }
    let middles = ["joint.1", "joint.2"].map(|key| {
        let feature = joined(&made, "post", key);
        feature.shape.bounds().centre().x
    });
    // 30 + 24 from middle to middle.
    assert!((middles[0] - 173.0).abs() < 1e-9 && (middles[1] - 227.0).abs() < 1e-9);
    assert!(
        made.work
            .hand_work
            .iter()
            .all(|h| !h.what.starts_with("square"))
    );
}

#[test]
fn a_haunch_gets_a_stepped_mortise() {
    for lies in ["along", "across"] {
        let haunch = json!({ "edge": "far", "width": 15, "length": 10 });
        let tenon = json!({ "width": 50, "length": 28, "haunch": haunch });
        let made = rail_with(tenon, lies);
        closes(&made, 1);
        let j = &made.work.joints[0];
        assert!(j.visible.iter().all(|v| *v <= 0.0), "{j:?}");
        assert_eq!(j.root, Some(1.0));
        let deep = |key: &str| {
            let variant = made.work.variant("post").unwrap();
            let feature = variant.features.iter().find(|f| f.key == key).unwrap();
            variant.z.depth_of(feature.floor)
        };
        // 2 mm of room for glue under both.
        assert!((deep("joint") - 30.0).abs() < 1e-9 && (deep("joint.haunch") - 12.0).abs() < 1e-9);
    }
}

/// A tenon with a shoulder on the face alone is as thick as it says, with zero on the bed; a second shoulder lies on the back.
#[test]
fn tenons_thinner_than_their_part() {
    let one = rail_with(
        json!({ "width": 60, "length": 25, "thickness": 10 }),
        "along",
    );
    closes(&one, 1);
    let mortise = |made: &Made| joined(made, "post", "joint").mating.unwrap().mate;
    assert!((mortise(&one) - 10.0).abs() < 1e-9);
    let setups = |made: &Made| made.work.setups.len();
    let two = rail_with(
        json!({ "end": "right", "width": 60, "length": 25, "thickness": 8, "back-shoulder": 5 }),
        "along",
    );
    closes(&two, 1);
    assert!(
        setups(&two) > setups(&one),
        "{} {}",
        setups(&one),
        setups(&two)
    );
    // Readings of 19.0, 19.2 and 19.3 mm: their mean is 19.167, and both floors stand over the bed, so that the thinnest wood keeps most.
    let uneven = job(
        json!([
            blank("rail", "rails", 500.0, 80.0),
            square("post", "board-45", 400.0, 200.0)
        ]),
        json!([{ "id": "joint", "fit": "loose", "joint": { "mortise-and-tenon": {
            "tenon": { "part": "rail", "end": "right", "width": 50, "length": 25, "thickness": 9, "back-shoulder": 4 },
            "mortise": { "part": "post", "at": [200, 100], "lies": "along" } } } }]),
    );
    assert_eq!(uneven.errors(), [""; 0]);
    assert!((mortise(&uneven) - (9.0 + 19.0 + 0.5 / 3.0 - 19.0)).abs() < 1e-9);
    let thick = rail_with(
        json!({ "width": 60, "length": 25, "thickness": 19 }),
        "along",
    );
    assert!(
        thick
            .errors()
            .join(" ")
            .contains("leaves nothing for a shoulder"),
        "{:?}",
        thick.errors()
    );
}

/// The sample has every kind of joint, from boards that are not as thick as their names say.
#[test]
fn the_sample_of_all_kinds_closes() {
    let made = make(load(&sample("jointed-bench")).unwrap()).unwrap();
    assert_eq!(made.errors(), [""; 0]);
    assert!(made.ready());
    assert!(made.work.joints.len() >= 15, "{:#?}", made.work.joints);
    for j in &made.work.joints {
        assert!(j.open <= 0.0, "{j:?}");
    }
    let mut kinds: Vec<&str> = made
        .work
        .documents
        .job
        .joints
        .iter()
        .map(|j| j.joint.word())
        .collect();
    kinds.sort_unstable();
    kinds.dedup();
    assert_eq!(
        kinds,
        [
            "cleat",
            "dowels",
            "edge-halving",
            "halving",
            "hinge",
            "housing",
            "lock",
            "loose-tenon",
            "mortise-and-tenon",
            "rebate"
        ]
    );
}

/// The reading bench with a 1/4 in cutter, no relief asked for, and edges eased to this radius.
fn bench(eased: &str) -> Made {
    let path = sample("reading-bench");
    let read = |file: &str| -> Value {
        serde_json::from_str(&std::fs::read_to_string(path.with_file_name(file)).unwrap()).unwrap()
    };
    let (mut job, mut shop) = (read("job.json"), read("shop.json"));
    shop["cutters"]["mill-6"]["diameter"] = json!("1/4in");
    shop["cutters"]["mill-6"]["shank-diameter"] = json!("1/4in");
    let drawing = &mut job["drawings"][0];
    drawing["layers"][1]
        .as_object_mut()
        .unwrap()
        .remove("relief");
    drawing["parts"]["end/1"]["eased"] = json!(eased);
    for part in 0..2 {
        job["parts"][part]["eased"] = json!(eased);
    }
    job["only"] = json!({ "seat": 1, "rail": 1, "bench-end": 2 });
    let folder = path.parent().unwrap();
    make(load_texts(&job.to_string(), &shop.to_string(), folder).unwrap()).unwrap()
}

#[test]
fn a_bench_with_rounded_edges_closes_without_lobes() {
    let lobes = |made: &Made| -> usize {
        let features = made.work.variants.iter().flat_map(|v| &v.features);
        let corners = features.flat_map(|f| &f.corners);
        corners
            .filter(|c| matches!(c.answer, CornerAnswer::Lobe { .. }))
            .count()
    };
    let squared = |made: &Made| -> usize {
        let lines = made.work.hand_work.iter();
        let of_joints = lines.filter(|h| h.part != "bench-end" || h.what.contains("mortise"));
        of_joints.filter(|h| h.what.starts_with("square")).count()
    };
    // 1/8 in is the radius of the cutter.
    let eased = bench("1/8in");
    closes(&eased, 3);
    assert_eq!(
        (lobes(&eased), squared(&eased)),
        (0, 0),
        "{:#?}",
        eased.work.hand_work
    );
    for j in &eased.work.joints {
        assert_eq!((j.visible, j.root), ([0.0; 3], Some(1.0)), "{j:?}");
    }
    // 1/16 in is too little: tenons get lobes at their shoulders, and mortises are squared by hand.
    let little = bench("1/16in");
    closes(&little, 3);
    assert!(
        lobes(&little) == 12 && squared(&little) == 3,
        "{} {}",
        lobes(&little),
        squared(&little)
    );
}

/// Two rails at one height, in the face and the near edge of a leg.
fn corner_of_rails(length: f64) -> Made {
    let joint = |id: &str, side: &str| {
        json!({ "id": id, "joint": { "mortise-and-tenon": {
            "tenon": { "part": id, "end": "left", "width": 60, "length": length },
            "mortise": { "part": "leg", "side": side, "at": [200, 22.5], "lies": "along" } } } })
    };
    job(
        json!([
            blank("long", "board-19", 500.0, 80.0),
            blank("short", "board-19", 300.0, 80.0),
            square("leg", "board-45", 400.0, 45.0)
        ]),
        json!([joint("long", "face"), joint("short", "near")]),
    )
}

#[test]
fn tenons_that_meet_inside_a_leg_are_told() {
    let told = |made: &Made, code: &str| -> Vec<String> {
        let all = made.with_code(code);
        all.iter().map(|f| f.message.clone()).collect()
    };
    // Each 19 mm thick, its middle 22.5 mm deep: from 13 mm on it is in the other's way.
    let meet = corner_of_rails(30.0);
    let [one] = &told(&meet, "tenons-meet")[..] else {
        panic!("{:?}", meet.work.findings)
    };
    assert!(
        one.contains("the first is 17 mm too long") && one.contains("the second 17 mm"),
        "{one}"
    );
    assert_eq!(told(&meet, "recesses-meet"), [""; 0]);
    // Shorter ones pass each other; the room for glue below them still meets.
    let pass = corner_of_rails(12.9);
    assert_eq!(told(&pass, "tenons-meet"), [""; 0]);
    assert_eq!(told(&pass, "recesses-meet").len(), 1);
    assert_eq!(told(&corner_of_rails(10.0), "recesses-meet"), [""; 0]);
}
