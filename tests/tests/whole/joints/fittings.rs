//! Hinges, locks and keeps: recesses as deep as the gap asks for, on the sides that face each other, with the hardware's own corners.

use super::fits::{job, joined};
use crate::sabotage::{chain, tamper};
use grainway_geom::{Contour, point};
use grainway_pipeline::finding::code;
use grainway_pipeline::work::{CornerAnswer, SizedFeature, Stood, Work};
use grainway_tests::{Made, load_texts, root, run};
use serde_json::{Value, json};

/// A side 500 by 200 and a door 420 by 120 that swings before its near edge.
fn parts() -> Value {
    json!([
        { "id": "side", "stock": "board-19", "blank": { "length": 500, "width": 200 } },
        { "id": "door", "stock": "board-18", "blank": { "length": 420, "width": 120 } }
    ])
}

/// A hinge 60 long, its leaves 2 thick and 22 wide from an axis that stands 4 before the wood.
fn hinge(id: &str, side_at: f64, door_at: f64) -> Value {
    json!({ "id": id, "joint": { "hinge": {
        "leaf": { "length": 60, "width": 18, "thickness": 2, "knuckle": 8, "closed": 5, "corner": 0,
            "screws": { "pilot": 3, "depth": 12, "at": [[20, 9], [0, 12]] } },
        "gap": 2,
        "first": { "part": "side", "side": "face", "knuckle": "near", "at": side_at },
        "second": { "part": "door", "side": "near", "knuckle": "face", "at": door_at }
    } } })
}

fn two() -> Value {
    json!([hinge("upper", 420.0, 370.0), hinge("lower", 100.0, 50.0)])
}

fn sized<'m>(made: &'m Made, variant: &str, key: &str) -> &'m SizedFeature {
    let variant = made.work.variant(variant).unwrap();
    variant.features.iter().find(|f| f.key == key).unwrap()
}

fn depth(made: &Made, variant: &str, key: &str) -> f64 {
    let z = made.work.variant(variant).unwrap().z;
    z.depth_of(sized(made, variant, key).floor)
}

fn near(a: f64, b: f64) -> bool {
    (a - b).abs() < 1e-6
}

fn closes(made: &Made, joints: usize) {
    assert_eq!(made.errors(), [""; 0]);
    assert!(made.ready());
    assert_eq!(made.work.joints.len(), joints, "{:#?}", made.work.joints);
    for j in &made.work.joints {
        assert!(j.open <= 0.0, "{j:?}");
        let [least, greatest] = j.cheeks.unwrap();
        assert!(least > 0.09 && greatest < 0.21, "{j:?}");
    }
}

#[test]
fn leaves_lie_opposite_each_other_in_recesses_for_the_gap() {
    let made = job(parts(), two());
    closes(&made, 4);
    // The closed hinge is 5 mm thick and the gap 2: 1.5 mm in each.
    for (variant, key) in [
        ("side", "upper"),
        ("side", "lower"),
        ("door~near", "upper"),
        ("door~near", "lower"),
    ] {
        assert!(near(depth(&made, variant, key), 1.5), "{variant} {key}");
        let pilot = depth(&made, variant, &format!("{key}.screw.1"));
        assert!(near(pilot, 13.5), "{variant} {key} {pilot}");
    }
    let pilots = made.work.variant("side").unwrap().features.iter();
    let pilots = pilots.filter(|f| f.key.starts_with("upper.screw"));
    assert_eq!(pilots.count(), 3);
    // From the near edge 18 - 4 mm, and a little room; the corners at the leaf's edge are squared by hand.
    let b = joined(&made, "side", "upper").shape.bounds();
    assert!(near(b.max.y, 14.0) && near(b.width(), 60.0) && b.min.y < 0.0);
    let corners = &sized(&made, "side", "upper").corners;
    assert_eq!(corners.len(), 2, "{corners:#?}");
    assert!(corners.iter().all(|c| c.answer == CornerAnswer::ByHand));
    let by_hand = made.work.hand_work.iter();
    let squared = by_hand.filter(|h| h.what.starts_with("square 2 corners"));
    assert_eq!(squared.count(), 4);
}

/// The door stands square on the side, its front flush with the side's near edge, 2 mm away from its face.
#[test]
fn the_door_stands_at_the_gap_and_comes_last() {
    let made = job(parts(), two());
    let [one] = made.work.furniture.as_slice() else {
        panic!("{:#?}", made.work.furniture)
    };
    assert_eq!(made.with_code(code::JOINTS_APART.word).len(), 0);
    assert_eq!(made.with_code(code::JOINTS_LOCKED.word).len(), 0);
    let of = |part: &str| -> &Stood { one.pieces.iter().find(|p| p.part == part).unwrap() };
    let (side, door) = (of("side"), of("door"));
    let face = |x: f64, y: f64| side.pose.place([x, y, 19.0]);
    // The near edge of the door, with its face at the side's near edge.
    let corner = door.pose.place([0.0, 0.0, 18.0]);
    let wanted = face(50.0, 0.0);
    let apart = (0..3).map(|i| (corner[i] - wanted[i]).powi(2));
    assert!(
        near(apart.sum::<f64>().sqrt(), 2.0),
        "{corner:?} {wanted:?}"
    );
    assert_eq!(one.steps.len(), 1);
    assert_eq!(one.steps[0].joints, ["lower", "upper"]);
}

#[test]
fn hinges_that_do_not_lie_opposite_each_other_are_told() {
    for (what, upper) in [
        ("3 mm lower on the door", hinge("upper", 420.0, 367.0)),
        ("on the other face of the door", {
            let mut h = hinge("upper", 420.0, 370.0);
            h["joint"]["hinge"]["second"]["knuckle"] = json!("back");
            h
        }),
    ] {
        let made = job(parts(), json!([upper, hinge("lower", 100.0, 50.0)]));
        let told = made.with_code(code::JOINTS_APART.word);
        assert!(!told.is_empty(), "{what}");
    }
}

#[test]
fn round_corners_are_cut_round_and_one_leaf_may_lie_on_the_wood() {
    let mut one = hinge("one", 100.0, 50.0);
    one["joint"]["hinge"]["leaf"]["corner"] = json!(6.35);
    one["joint"]["hinge"]["recessed"] = json!("second");
    let made = job(parts(), json!([one.clone()]));
    closes(&made, 1);
    // All of it in the door.
    assert!(near(depth(&made, "door~near", "one"), 3.0));
    let recess = sized(&made, "door~near", "one");
    assert_eq!(recess.corners, [] as [grainway_pipeline::work::Corner; 0]);
    let b = recess.shape.bounds();
    let missing = b.width() * b.height() - recess.shape.area().abs();
    let round = 2.0 * (1.0 - std::f64::consts::PI / 4.0) * 6.35 * 6.35;
    assert!((missing - round).abs() < 1e-6, "{missing} {round}");
    assert!(
        made.work
            .hand_work
            .iter()
            .all(|h| !h.what.contains("square"))
    );
    assert!(near(depth(&made, "side", "one.screw.1"), 12.0));
    // Without a gap the leaves lie flush.
    one["joint"]["hinge"]["recessed"] = json!("both");
    one["joint"]["hinge"].as_object_mut().unwrap().remove("gap");
    let made = job(parts(), json!([one]));
    closes(&made, 2);
    assert!(near(depth(&made, "side", "one"), 2.0));
}

fn lock() -> Value {
    json!({ "id": "lock", "joint": { "lock": {
        "gap": 2,
        "lock": { "part": "door", "side": "far", "at": [210, 9],
            "plate": { "length": 70, "width": 12, "thickness": 2, "corner": 6 },
            "body": { "length": 38, "width": 9, "depth": 20, "offset": -2 },
            "screws": { "pilot": 3, "depth": 12, "at": [[-30, 0], [30, 0]] } },
        "keep": { "part": "far-side", "side": "face", "at": [260, 9], 
            "plate": { "length": 50, "width": 12, "thickness": 1.5 },
            "body": { "length": 20, "width": 8, "depth": 12 } }
    } } })
}

fn cupboard() -> (Value, Value) {
    let mut parts = parts();
    let far =
        json!({ "id": "far-side", "stock": "board-19", "blank": { "length": 500, "width": 200 } });
    parts.as_array_mut().unwrap().push(far);
    let mut joints = two();
    joints.as_array_mut().unwrap().push(lock());
    (parts, joints)
}

#[test]
fn a_lock_and_its_keep_are_let_in_opposite_each_other() {
    let (parts, joints) = cupboard();
    let made = job(parts, joints);
    assert_eq!(made.errors(), [""; 0]);
    assert!(made.ready());
    // Two leaves each, and plate and case of lock and keep.
    assert_eq!(made.work.joints.len(), 8, "{:#?}", made.work.joints);
    assert!(made.work.joints.iter().all(|j| j.open <= 0.0));
    // The case has its room below the plate, and the plate covers what its mortise is longer.
    let case = made.work.joints.iter().filter(|j| j.ends.is_some());
    for j in case {
        let [least, greatest] = j.cheeks.unwrap();
        assert!(least > 0.09 && greatest < 0.21, "{j:?}");
        assert!((j.ends.unwrap()[1] - 3.5).abs() < 0.01, "{j:?}");
        assert!(j.visible.iter().all(|v| *v <= 0.0), "{j:?}");
    }
    let goes: Vec<&str> = made.work.joints.iter().map(|j| j.goes.as_str()).collect();
    assert_eq!(goes[4..], ["lock", "lock", "keep", "keep"]);
    assert!(near(depth(&made, "door~far", "lock"), 2.0));
    // 2 mm of room behind the case.
    assert!(near(depth(&made, "door~far", "lock.body"), 22.0));
    assert!(near(depth(&made, "far-side", "lock.body"), 14.0));
    assert!(near(depth(&made, "door~far", "lock.screw.1"), 14.0));
    let [one] = made.work.furniture.as_slice() else {
        panic!("{:#?}", made.work.furniture)
    };
    assert_eq!(one.pieces.len(), 3);
    assert_eq!(made.with_code(code::JOINTS_APART.word).len(), 0);
    assert_eq!(made.with_code(code::JOINTS_LOCKED.word).len(), 0);
}

/// The cupboard with one change after a stage.
fn altered(after: &'static str, change: impl Fn(&mut Work) + Send + Sync + 'static) -> Made {
    let (parts, mut joints) = cupboard();
    joints[0]["joint"]["hinge"]["leaf"]["corner"] = json!(6);
    let job = json!({ "format": "grainway.job/1", "name": "joints", "shop": "s", "parts": parts, "joints": joints });
    let shop = super::fits::shop();
    let loaded = load_texts(&job.to_string(), &shop.to_string(), &root()).unwrap();
    let stages = chain(vec![(after, tamper("change", change))]);
    run(loaded, &stages, &grainway_dialects::built_in()).unwrap()
}

fn feature<'w>(work: &'w mut Work, variant: &str, key: &str) -> &'w mut SizedFeature {
    let variant = work.variants.iter_mut().find(|v| v.id == variant).unwrap();
    variant.features.iter_mut().find(|f| f.key == key).unwrap()
}

#[test]
fn faults_of_hinges_and_locks_are_caught() {
    let wanted = code::VERIFY_WANTED.word;
    assert!(altered("fit", |_| ()).ready());
    type Change = (&'static str, &'static str, &'static str, [f64; 4]);
    let moved: [Change; 6] = [
        ("a leaf to the left", "side", "upper", [0.5, -0.5, 0.0, 0.0]),
        ("a leaf too long", "side", "lower", [0.2, 0.2, 0.0, 0.0]),
        ("a leaf too far in", "side", "lower", [0.0, 0.0, 0.0, 1.0]),
        (
            "a plate without room",
            "door~far",
            "lock",
            [0.0, 0.0, -0.1, -0.1],
        ),
        ("a keep aside", "far-side", "lock", [2.0, -2.0, 0.0, 0.0]),
        (
            "a case too tight",
            "door~far",
            "lock.body",
            [0.0, 0.0, -0.1, -0.1],
        ),
    ];
    for (what, variant, key, by) in moved {
        let made = altered("fit", move |work| {
            let f = feature(work, variant, key);
            let b = f.shape.bounds();
            let (low, high) = (b.min - point(by[0], by[2]), b.max + point(by[1], by[3]));
            f.shape = Contour::rectangle(low, high, 0.0);
        });
        assert!(
            !made.ready() && !made.with_code(wanted).is_empty(),
            "{what}"
        );
    }
    for (what, variant, key, by) in [
        ("a recess without the gap", "door~near", "upper", -0.5),
        ("a plate that stands out", "far-side", "lock", 0.3),
        (
            "a pilot counted from the wood",
            "side",
            "upper.screw.1",
            1.5,
        ),
    ] {
        let made = altered("fit", move |work| {
            feature(work, variant, key).floor += by;
        });
        assert!(
            !made.ready() && !made.with_code(wanted).is_empty(),
            "{what}"
        );
    }
    // A case has the radius of the cutter beyond its ends, and no more.
    let made = altered("relief", |work| {
        let f = feature(work, "door~far", "lock.body");
        let b = f.shape.bounds();
        assert!(near(b.width(), 38.0 + 2.0 * 3.5), "{b:?}");
        let longer = b.max + point(0.5, 0.0);
        f.shape = Contour::rectangle(b.min, longer, 0.0);
    });
    assert!(!made.ready() && !made.with_code(wanted).is_empty());
    // Corners rounder than the leaf's, and a corner that is said to have room without having it.
    let made = altered("relief", |work| {
        let f = feature(work, "side", "upper");
        let b = f.shape.bounds();
        f.shape = Contour::rectangle_rounded_at(b.min, b.max, 7.0, |p| p.y > 0.0);
    });
    assert!(!made.ready() && !made.with_code(wanted).is_empty());
    let made = altered("relief", |work| {
        for corner in &mut feature(work, "side", "lower").corners {
            corner.answer = CornerAnswer::Covered;
        }
    });
    let open = made.with_code(code::VERIFY_JOINT.word);
    assert!(!made.ready() && !open.is_empty(), "{:?}", made.errors());
}

/// What is said of the cupboard, and of a cleat, with a value put where a pointer leads: places and sentences.
fn refused(pointer: &str, value: Value) -> Vec<(String, String)> {
    let (parts, joints) = cupboard();
    let mut job = json!({ "format": "grainway.job/1", "name": "joints", "shop": "s", "parts": parts, "joints": joints });
    let cleat = json!({ "id": "cleat", "joint": { "cleat": {
        "cleat": { "part": "side", "side": "face", "fixed": 220, "slots": [20] },
        "onto": { "part": "door", "side": "back", "at": [100, 60] },
        "screws": { "clearance": 8, "head": 14, "sunk": 6, "pilot": 3, "pilot-depth": 12 } } } });
    job["joints"].as_array_mut().unwrap().push(cleat);
    *job.pointer_mut(pointer).unwrap() = value;
    let problems = match grainway_pipeline::doc::read_job(job.to_string().as_bytes()) {
        Ok(_) => Vec::new(),
        Err(problems) => problems,
    };
    let said = problems.into_iter();
    said.map(|p| (p.pointer.to_string(), p.message)).collect()
}

#[test]
fn hardware_that_cannot_be_is_refused_with_its_place() {
    assert!(refused("/joints/0/joint/hinge/gap", json!(2)).is_empty());
    for (pointer, value, at, words) in [
        ("0/joint/hinge/gap", json!(5), "", "nothing of it is let in"),
        (
            "0/joint/hinge/leaf/thickness",
            json!(3),
            "",
            "thicker than the closed hinge",
        ),
        (
            "0/joint/hinge/leaf/width",
            json!(3),
            "",
            "nothing of it lies on the wood",
        ),
        (
            "0/joint/hinge/leaf/screws/at/0",
            json!([40, 9]),
            "",
            "does not lie on the hardware",
        ),
        (
            "0/joint/hinge/leaf/screws/at",
            json!([]),
            "",
            "Say where the screws are",
        ),
        (
            "0/joint/hinge/first/knuckle",
            json!("back"),
            "",
            "before the edge `near` or `far`",
        ),
        (
            "0/joint/hinge/second/knuckle",
            json!("far"),
            "",
            "before the `face` or the `back`",
        ),
        (
            "0/joint/hinge/second/part",
            json!("side"),
            "",
            "cannot go into itself",
        ),
        (
            "2/joint/lock/lock/body/depth",
            json!(2),
            "",
            "no deeper than the plate",
        ),
        (
            "2/joint/lock/lock/body/width",
            json!(14),
            "/..",
            "no wider than the plate",
        ),
        ("2/joint/lock/keep/plate/width", json!(0), "", "more than 0"),
        (
            "3/joint/cleat/cleat/side",
            json!("near"),
            "",
            "face or the back",
        ),
        (
            "3/joint/cleat/cleat/slots",
            json!([]),
            "",
            "Say where the slots are",
        ),
        (
            "3/joint/cleat/screws/head",
            json!(8),
            "",
            "should be more than 8 mm",
        ),
        (
            "3/joint/cleat/screws/pilot",
            json!(9),
            "/../clearance",
            "should be more than 9 mm",
        ),
    ] {
        let said = refused(&format!("/joints/{pointer}"), value);
        let mut place = pointer.to_string();
        for step in at.split('/').filter(|s| !s.is_empty()) {
            place = match step {
                ".." => place.rsplit_once('/').unwrap().0.to_string(),
                step => format!("{place}/{step}"),
            };
        }
        let found = said.iter().find(|(at, _)| at.ends_with(&place));
        assert!(
            found.is_some_and(|(_, m)| m.contains(words)),
            "{pointer}: {said:?}"
        );
    }
}

/// Both recesses move with the length that their places count on, and nothing else does.
#[test]
fn places_of_hinges_follow_named_lengths() {
    let with = |up: f64| {
        let mut hinge = hinge("upper", 0.0, 0.0);
        hinge["joint"]["hinge"]["first"]["at"] = json!("up + 50mm");
        hinge["joint"]["hinge"]["second"]["at"] = json!("up");
        let job = json!({ "format": "grainway.job/1", "name": "joints", "shop": "s", "lengths": { "up": format!("{up}mm") },
            "parts": parts(), "joints": [hinge, self::hinge("lower", 100.0, 50.0)] });
        super::fits::job_in(&super::fits::shop(), &job)
    };
    let (low, high) = (with(340.0), with(360.0));
    assert!(low.ready() && high.ready());
    for part in ["side", "door"] {
        let middle = |made: &Made, key: &str| joined(made, part, key).shape.bounds().centre();
        let moved = middle(&high, "upper") - middle(&low, "upper");
        assert!(moved.distance(point(20.0, 0.0)) < 1e-9, "{part} {moved:?}");
        assert!(middle(&high, "lower").distance(middle(&low, "lower")) < 1e-9);
    }
    assert_eq!(high.with_code(code::JOINTS_APART.word).len(), 0);
}
