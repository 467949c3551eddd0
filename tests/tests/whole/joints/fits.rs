//! Sizes follow the mate as it was measured.

use grainway_pipeline::work::{CornerAnswer, Feature, JointVerdict, SizedFeature};
use grainway_tests::{Made, load_texts, make, root};
use serde_json::{Value, json};

/// A shop with one 6 mm cutter, and drills for the pilots and dowels.
pub fn shop() -> Value {
    json!({
        "format": "grainway.shop/1",
        "machines": { "router": { "dialect": "rs274-ngc", "travel": [1300, 900, 160], "z-zero": "bed", "max-feed": 6000, "max-plunge": 1500,
            "rapid": 10000, "acceleration": 500, "min-rpm": 8000, "max-rpm": 24000, "cutter-change": "machine", "park": [0, 880], "spoilboard": 18 } },
        "cutters": {
            "mill-6": { "kind": "end-mill", "flutes": "up-cut", "number": 1, "diameter": 6, "edges": 2, "cutting-length": 30, "usable-length": 50,
                "shank-diameter": 6, "max-rpm": 24000 },
            "drill-8": { "kind": "drill", "number": 3, "diameter": 8, "edges": 2, "cutting-length": 60, "usable-length": 70, "max-rpm": 9000, "angle": 118 },
            "drill-3": { "kind": "drill", "number": 2, "diameter": 3, "edges": 2, "cutting-length": 40, "usable-length": 45, "max-rpm": 9000, "angle": 118 }
        },
        "stocks": {
            "board-19": { "wood": "ash", "thickness": [19.0, 19.0], "boards": [{ "id": "a", "length": 1200, "width": 600, "count": 4 }] },
            "board-18": { "wood": "ash", "thickness": [18.0], "boards": [{ "id": "b", "length": 1200, "width": 600, "count": 4 }] },
            "board-12": { "wood": "ash", "thickness": [12.3], "boards": [{ "id": "c", "length": 1200, "width": 600, "count": 4 }] },
            "board-45": { "wood": "ash", "thickness": [45.0] },
            "rails": { "wood": "ash", "thickness": [19.0, 19.2, 19.3], "boards": [{ "id": "d", "length": 1200, "width": 300, "count": 4 }] }
        }
    })
}

/// A job of these parts and joints, made.
pub fn job(parts: Value, joints: Value) -> Made {
    of(shop(), parts, joints)
}

fn of(shop: Value, parts: Value, joints: Value) -> Made {
    let job = json!({ "format": "grainway.job/1", "name": "joints", "shop": "s", "parts": parts, "joints": joints });
    job_in(&shop, &job)
}

/// A job made.
pub fn job_in(shop: &Value, job: &Value) -> Made {
    make(load_texts(&job.to_string(), &shop.to_string(), &root()).unwrap()).unwrap()
}

/// A feature as it was read.
pub fn joined(made: &Made, part: &str, key: &str) -> Feature {
    let part = made.work.part(part).unwrap();
    part.features.iter().find(|f| f.key == key).unwrap().clone()
}

fn sized(made: &Made, variant: &str, key: &str) -> SizedFeature {
    let variant = made.work.variant(variant).unwrap();
    variant
        .features
        .iter()
        .find(|f| f.key == key)
        .unwrap()
        .clone()
}

fn rail() -> Value {
    json!({ "id": "rail", "stock": "rails", "blank": { "length": 500, "width": 80 } })
}

fn leg() -> Value {
    json!({ "id": "leg", "stock": "board-45", "blank": { "length": 500, "width": 45, "dimensioned": true } })
}

fn rail_in_leg() -> Value {
    json!({ "id": "rail-in-leg", "joint": { "mortise-and-tenon": {
        "tenon": { "part": "rail", "end": "left", "width": 60, "length": 24 },
        "mortise": { "part": "leg", "at": [250, 22.5], "lies": "along" } } } })
}

fn with_readings(readings: &[f64]) -> Made {
    let mut shop = shop();
    shop["stocks"]["rails"]["thickness"] = json!(readings);
    of(shop, json!([rail(), leg()]), json!([rail_in_leg()]))
}

fn verdict(made: &Made) -> &JointVerdict {
    assert_eq!(made.work.joints.len(), 1, "{:?}", made.errors());
    &made.work.joints[0]
}

/// A rail 80 wide with readings 19.0, 19.2 and 19.3, tenon 60 by 24, a blind mortise 26 deep in a leg 45 by 45, a 6 mm cutter.
#[test]
fn a_blind_mortise_shows_nothing_and_follows_the_thickest_reading() {
    let made = with_readings(&[19.0, 19.2, 19.3]);
    assert_eq!(made.errors(), [""; 0]);
    assert!(made.ready());
    let mortise = sized(&made, "leg", "rail-in-leg");
    let z = made.work.variant("leg").unwrap().z;
    // 2 mm of room for glue.
    assert!((z.depth_of(mortise.floor) - 26.0).abs() < 1e-9);
    assert!((mortise.shape.bounds().height() - 19.4).abs() < 1e-9);
    let joint = verdict(&made);
    assert!(joint.open <= 0.0, "{joint:?}");
    assert!(joint.visible.iter().all(|v| *v <= 0.0), "{joint:?}");
    assert_eq!(joint.root, Some(1.0));
    let [least, greatest] = joint.cheeks.unwrap();
    assert!(
        (least - 0.1).abs() < 0.01 && (greatest - 0.4).abs() < 0.01,
        "{joint:?}"
    );
    let thicker = with_readings(&[19.0, 19.2, 19.6]);
    let grown = sized(&thicker, "leg", "rail-in-leg")
        .shape
        .bounds()
        .height();
    assert!((grown - 19.7).abs() < 1e-9, "{grown}");
}

/// A part that takes the tenon through its face, 19 mm thick.
fn post(eased: Option<f64>) -> Value {
    let mut post =
        json!({ "id": "leg", "stock": "board-19", "blank": { "length": 500, "width": 120 } });
    if let Some(radius) = eased {
        post["eased"] = json!(radius);
    }
    post
}

fn through(shoulders: bool, eased: Option<f64>) -> Made {
    let mut rail = rail();
    if let Some(radius) = eased {
        rail["eased"] = json!(radius);
    }
    let width = if shoulders { 60 } else { 80 };
    let joint = json!({ "id": "rail-in-leg", "joint": { "mortise-and-tenon": {
        "tenon": { "part": "rail", "end": "left", "width": width, "length": 19 },
        "mortise": { "part": "leg", "at": [250, 60], "lies": "along" }, "through": true } } });
    of(shop(), json!([rail, post(eased)]), json!([joint]))
}

fn hand_work(made: &Made) -> Vec<String> {
    let lines = made.work.hand_work.iter();
    lines.map(|h| format!("{}: {}", h.part, h.what)).collect()
}

#[test]
fn a_through_mortise_is_squared_by_hand_and_the_tenon_gives_way_at_its_shoulder() {
    let made = through(true, None);
    assert_eq!(made.errors(), [""; 0]);
    let joint = verdict(&made);
    assert!(joint.visible.iter().all(|v| *v <= 0.0), "{joint:?}");
    // A T-bone of 3 mm at both edges of 60 mm: (54 ÷ 60)² = 0.81.
    assert!((joint.root.unwrap() - 0.81).abs() < 0.01, "{joint:?}");
    let lines = hand_work(&made);
    assert!(
        lines
            .iter()
            .any(|l| l.starts_with("leg: square 4 corners of mortise rail-in-leg")),
        "{lines:?}"
    );
}

/// Edges rounded to at least the cutter's radius clear its fillets: no lobes, nothing to square.
#[test]
fn eased_edges_need_no_relief() {
    let made = through(true, Some(3.2));
    assert_eq!(made.errors(), [""; 0]);
    let joint = verdict(&made);
    assert_eq!(
        (joint.open, joint.visible, joint.root),
        (0.0, [0.0; 3], Some(1.0))
    );
    let lines = hand_work(&made);
    assert!(lines.iter().all(|l| !l.contains("square")), "{lines:?}");
    assert!(
        lines.iter().any(|l| l.contains("round all edges")),
        "{lines:?}"
    );
}

/// 1/16 in is less than the cutter's radius.
#[test]
fn edges_that_are_eased_too_little_change_nothing() {
    let lines = hand_work(&through(true, Some(1.59)));
    assert!(
        lines.iter().any(|l| l.contains("square 4 corners")),
        "{lines:?}"
    );
}

#[test]
fn wood_of_unequal_thickness_is_told() {
    let told = |readings: &[f64]| with_readings(readings).with_code("fit-loose").len();
    assert_eq!(told(&[19.2, 19.3]), 0);
    assert_eq!(told(&[19.15, 19.3]), 1);
}

#[test]
fn joints_that_cannot_be_are_told_with_their_place() {
    let two = |joint: Value| {
        let job = json!({ "format": "grainway.job/1", "name": "joints", "shop": "s", "parts": [rail(), leg()], "joints": [joint] });
        match load_texts(&job.to_string(), &shop().to_string(), &root()) {
            Ok(loaded) => make(loaded).unwrap().errors().join(" "),
            Err(problems) => problems,
        }
    };
    let changed = |pointer: &str, value: Value| {
        let mut joint = rail_in_leg();
        *joint.pointer_mut(pointer).unwrap() = value;
        two(joint)
    };
    let kind = "/joint/mortise-and-tenon";
    let no_part = changed(&format!("{kind}/mortise/part"), json!("log"));
    assert!(
        no_part.contains("There is no part log; the nearest is leg"),
        "{no_part}"
    );
    let itself = changed(&format!("{kind}/mortise/part"), json!("rail"));
    assert!(itself.contains("cannot go into itself"), "{itself}");
    let both = changed(
        &format!("{kind}/mortise"),
        json!({ "part": "leg", "at": [1, 1] }),
    );
    assert!(both.contains("Give `at` and `lies`"), "{both}");
    let wide = changed(&format!("{kind}/tenon/width"), json!(90));
    assert!(
        wide.contains("/joints/0/joint/mortise-and-tenon/tenon"),
        "{wide}"
    );
    let shallow = two(json!({ "id": "slots", "joint": { "edge-halving": {
        "first": { "part": "rail", "edge": "near", "at": 100, "depth": 15 }, "second": { "part": "leg", "edge": "far", "at": 100 } } } }));
    assert!(shallow.contains("would not come to lie flush"), "{shallow}");
    let outside = changed(&format!("{kind}/mortise/at"), json!([490, 22.5]));
    assert!(
        outside.contains("reaches over its part's edge"),
        "{outside}"
    );
}

/// Programs without their remarks, by setup.
fn texts(made: &Made) -> Vec<(String, String)> {
    let bare = |text: String| -> String {
        let lines = text.lines().filter(|l| !l.trim_start().starts_with('('));
        lines.map(|l| format!("{l}\n")).collect()
    };
    let programs = made.work.programs.iter();
    programs
        .map(|p| (p.setup.clone(), bare(made.text(&p.text))))
        .collect()
}

#[test]
fn one_reading_changes_its_mate_and_nothing_else() {
    let with = |thickest: f64| {
        let mut shop = shop();
        shop["stocks"]["rails"]["thickness"] = json!([19.0, thickest]);
        let side =
            json!({ "id": "side", "stock": "board-19", "blank": { "length": 500, "width": 250 } });
        let shelf =
            json!({ "id": "shelf", "stock": "board-18", "blank": { "length": 400, "width": 250 } });
        let housing = json!({ "id": "shelf-in-side", "joint": { "housing": { "panel": { "part": "shelf" },
            "housing": { "part": "side", "at": 200, "lies": "across", "depth": 6 } } } });
        of(
            shop,
            json!([rail(), leg(), side, shelf]),
            json!([rail_in_leg(), housing]),
        )
    };
    let (before, after) = (with(19.3), with(19.6));
    assert!(before.ready() && after.ready());
    let holds = |setup: &str| -> Vec<String> {
        let setup = before.work.setups.iter().find(|s| s.id == setup).unwrap();
        setup.placements.iter().map(|p| p.variant.clone()).collect()
    };
    let mut changed: Vec<String> = Vec::new();
    for (old, new) in texts(&before).into_iter().zip(texts(&after)) {
        if old != new {
            changed.extend(holds(&old.0));
        }
    }
    changed.sort();
    // The rail itself lies on thicker wood.
    assert_eq!(changed, ["leg", "rail"]);
}

/// Ash moves by 0.00274 of its width a percent of moisture; 35 to 65 % humidity at 20 °C are about 6.9 to 12 %.
#[test]
fn a_wide_part_held_across_its_grain_is_told() {
    let held = |width: f64, lies: &str| {
        let mut seat = rail();
        seat["blank"]["width"] = json!(width + 40.0);
        let joint = json!({ "id": "seat", "joint": { "mortise-and-tenon": {
            "tenon": { "part": "rail", "end": "left", "width": width, "length": 20 },
            "mortise": { "part": "leg", "at": [250, 110], "lies": lies } } } });
        let wide = json!({ "id": "leg", "stock": "board-45", "blank": { "length": 500, "width": 220, "dimensioned": true } });
        let made = job(json!([seat, wide]), json!([joint]));
        let told: Vec<String> = made
            .with_code("held-across")
            .iter()
            .map(|f| f.message.clone())
            .collect();
        told
    };
    assert_eq!(held(100.0, "along"), [""; 0]);
    let told = held(180.0, "along");
    assert!(
        told[0].contains("180 mm of rail") && told[0].contains("2.48 mm"),
        "{told:?}"
    );
    assert_eq!(held(180.0, "across"), [""; 0]);
}

/// A spoiled leg is made again alone: it must fit the rail that is there.
#[test]
fn a_part_that_is_made_again_alone_is_the_same() {
    let mortise = |only: Value| {
        let job = json!({ "format": "grainway.job/1", "name": "joints", "shop": "s", "only": only,
            "parts": [rail(), leg()], "joints": [rail_in_leg()] });
        let made = job_in(&shop(), &job);
        assert_eq!(made.errors(), [""; 0]);
        sized(&made, "leg", "rail-in-leg").shape.bounds()
    };
    let (both, alone) = (mortise(json!({})), mortise(json!({ "leg": 1 })));
    assert_eq!(both, alone);
}

/// What the job asks for in the corners of a tenon's outline is kept, although the joint would choose otherwise.
#[test]
fn relief_that_a_part_asks_for_is_kept() {
    let mut rail = rail();
    rail["relief"] = json!({ "kind": "dog-bone" });
    let joint = json!({ "id": "rail-in-leg", "joint": { "mortise-and-tenon": {
        "tenon": { "part": "rail", "end": "left", "width": 60, "length": 19 },
        "mortise": { "part": "leg", "at": [250, 60], "lies": "along" }, "through": true } } });
    let made = of(shop(), json!([rail, post(None)]), json!([joint]));
    assert_eq!(made.errors(), [""; 0]);
    let outline = sized(&made, "rail", "outline");
    let dog_bones = outline
        .corners
        .iter()
        .filter(|c| matches!(c.answer, CornerAnswer::Lobe { dog_bone: true, .. }));
    assert_eq!(dog_bones.count(), 2);
}

/// A mortise that is made without its tenon still has to take one with square edges.
#[test]
fn a_mortise_is_put_together_with_a_tenon_that_is_not_made_now() {
    let job = json!({ "format": "grainway.job/1", "name": "joints", "shop": "s", "only": { "leg": 1 },
        "parts": [rail(), leg()], "joints": [rail_in_leg()] });
    let made = job_in(&shop(), &job);
    let joint = verdict(&made);
    assert!(joint.open <= 0.0 && joint.root.is_none(), "{joint:?}");
}
