//! Cleats that are screwed across the grain of a top: a round hole, and slots as long as the top moves.

use super::fits::shop;
use crate::sabotage::{chain, tamper};
use grainway_geom::{Contour, point};
use grainway_pipeline::finding::code;
use grainway_pipeline::work::{SizedFeature, Work};
use grainway_tests::{Made, load_texts, root, run};
use serde_json::{Value, json};

/// Percent of moisture that a top of ash comes to, between 35 and 65 % humidity at 20 °C, and its change of width for each, times the 200 mm
/// from the round hole to a slot. Wood Handbook (FPL-GTR-190): equation 4-5 at 68 °F gives 6.97 and 12.02 % (Table 4-2: 6.9 and 12.0), equation
/// 13-2 with 0.00274 for white ash (from memory).
const MOVES_MM: f64 = 200.0 * 0.00274 * (12.02 - 6.97);

fn documents() -> (Value, Value) {
    let job = json!({ "format": "grainway.job/1", "name": "joints", "shop": "s",
        "parts": [
            { "id": "top", "stock": "board-19", "blank": { "length": 700, "width": 480 } },
            { "id": "cleat", "stock": "board-18", "blank": { "length": 440, "width": 40 } }
        ],
        "joints": [ { "id": "cleat-under-top", "joint": { "cleat": {
            "cleat": { "part": "cleat", "fixed": 220, "slots": [20, 120, 420] },
            "onto": { "part": "top", "side": "back", "at": [100, 240] },
            "screws": { "clearance": 8, "head": 14, "sunk": 6, "pilot": 3, "pilot-depth": 12 } } } } ] });
    (job, shop())
}

fn made_with(change: impl FnOnce(&mut Value, &mut Value)) -> Made {
    let (mut job, mut shop) = documents();
    change(&mut job, &mut shop);
    super::fits::job_in(&shop, &job)
}

fn slot<'m>(made: &'m Made, key: &str) -> &'m SizedFeature {
    let cleat = made.work.variant("cleat").unwrap();
    cleat.features.iter().find(|f| f.key == key).unwrap()
}

/// How far a screw goes to either side in a slot, mm.
fn travel(made: &Made, key: &str) -> f64 {
    let b = slot(made, key).shape.bounds();
    (b.width() - b.height()) / 2.0
}

fn held(made: &Made) -> Vec<String> {
    let told = made.with_code(code::HELD_ACROSS.word);
    told.iter().map(|f| f.message.clone()).collect()
}

fn near(a: f64, b: f64) -> bool {
    (a - b).abs() < 1e-6
}

#[test]
fn slots_are_as_long_as_the_top_moves_there() {
    let made = made_with(|_, _| ());
    assert_eq!(made.errors(), [""; 0]);
    assert!(made.ready());
    assert_eq!(held(&made), [""; 0]);
    // In steps of 0.1 mm; a counterbore goes with its slot.
    let far = (MOVES_MM * 10.0).ceil() / 10.0;
    for (key, wanted) in [
        ("cleat-under-top.slot-1", far),
        ("cleat-under-top.slot-2", (MOVES_MM * 5.0).ceil() / 10.0),
        ("cleat-under-top.slot-3", far),
        ("cleat-under-top.head.slot-3", far),
    ] {
        assert!(
            near(travel(&made, key), wanted),
            "{key} {}",
            travel(&made, key)
        );
    }
    assert!(near(
        slot(&made, "cleat-under-top.slot-1")
            .shape
            .bounds()
            .height(),
        8.0
    ));
    assert!(near(
        slot(&made, "cleat-under-top.head.slot-1")
            .shape
            .bounds()
            .height(),
        14.0
    ));
    let round = slot(&made, "cleat-under-top.fixed").circle.unwrap();
    assert!(round.0.distance(point(220.0, 20.0)) < 1e-9 && near(round.1, 8.0));
    // The pilots stand across the top.
    let back = made.work.part("top").unwrap();
    let pilots: Vec<_> = back.features.iter().filter_map(|f| f.circle).collect();
    assert_eq!(pilots.len(), 4);
    for (x, y) in [
        (100.0, 240.0),
        (100.0, 40.0),
        (100.0, 140.0),
        (100.0, 440.0),
    ] {
        assert!(
            pilots.iter().any(|p| p.0.distance(point(x, y)) < 1e-9),
            "{pilots:?}"
        );
    }
    // It lies on the back, and comes to it from there.
    let [one] = made.work.furniture.as_slice() else {
        panic!("{:#?}", made.work.furniture)
    };
    let of = |part: &str| one.pieces.iter().find(|p| p.part == part).unwrap().pose;
    let (top, cleat) = (of("top"), of("cleat"));
    let (hole, under) = (
        cleat.place([420.0, 20.0, 0.0]),
        top.place([100.0, 440.0, 0.0]),
    );
    assert!(
        (0..3).all(|i| near(hole[i], under[i])),
        "{hole:?} {under:?}"
    );
    assert_eq!(made.with_code(code::JOINTS_APART.word).len(), 0);
}

#[test]
fn slots_follow_humidity_and_wood() {
    let still = made_with(|job, _| job["settings"] = json!({ "fit": { "humidity": [45, 55] } }));
    assert!(still.ready());
    let less = travel(&still, "cleat-under-top.slot-1");
    assert!(less > 0.0 && less < MOVES_MM / 2.0, "{less}");
    // A wood of which nobody knows how it moves.
    let unknown = made_with(|_, shop| {
        shop["woods"] = json!({ "plum": { "density": 0.6, "hardness": 5000 } });
        shop["stocks"]["board-19"]["wood"] = json!("plum");
    });
    assert!(held(&unknown)[0].contains("it is not known how the wood of top moves"));
}

#[test]
fn slots_that_are_too_short_are_told_and_long_enough_ones_are_not() {
    let of = |travel: f64| {
        made_with(|job, _| job["joints"][0]["joint"]["cleat"]["cleat"]["travel"] = json!(travel))
    };
    let short = of(1.5);
    assert!(short.ready());
    let told = held(&short);
    assert_eq!(told.len(), 1, "{told:?}");
    assert!(
        told[0].contains("moves by 2.8 mm") && told[0].contains("room for 1.5 mm"),
        "{told:?}"
    );
    assert!(near(travel(&short, "cleat-under-top.slot-2"), 1.5));
    assert_eq!(held(&of(0.0)).len(), 1);
    assert_eq!(held(&of(2.8)), [""; 0]);
}

fn altered(change: impl Fn(&mut Work) + Send + Sync + 'static) -> Made {
    let (job, shop) = documents();
    let loaded = load_texts(&job.to_string(), &shop.to_string(), &root()).unwrap();
    let stages = chain(vec![("fit", tamper("change", change))]);
    run(loaded, &stages, &grainway_dialects::built_in()).unwrap()
}

#[test]
fn faults_of_slots_are_caught() {
    // Left, right, near and far, mm.
    for (what, key, by) in [
        (
            "too short",
            "cleat-under-top.slot-1",
            [-0.2, -0.2, 0.0, 0.0],
        ),
        (
            "that of the nearer screw",
            "cleat-under-top.slot-3",
            [-1.4, -1.4, 0.0, 0.0],
        ),
        (
            "to one side",
            "cleat-under-top.slot-1",
            [0.4, -0.4, 0.0, 0.0],
        ),
        ("too wide", "cleat-under-top.slot-2", [0.0, 0.0, 0.2, 0.2]),
        ("too long", "cleat-under-top.slot-2", [1.0, 1.0, 0.0, 0.0]),
        (
            "across the cleat",
            "cleat-under-top.slot-1",
            [-2.8, -2.8, 2.8, 2.8],
        ),
        (
            "a counterbore in the way",
            "cleat-under-top.head.slot-1",
            [-2.0, -2.0, 0.0, 0.0],
        ),
        (
            "the round hole a slot",
            "cleat-under-top.fixed",
            [1.0, 1.0, 0.0, 0.0],
        ),
    ] {
        let made = altered(move |work| {
            let cleat = work.variants.iter_mut().find(|v| v.id == "cleat").unwrap();
            let f = cleat.features.iter_mut().find(|f| f.key == key).unwrap();
            let b = f.shape.bounds();
            let (low, high) = (b.min - point(by[0], by[2]), b.max + point(by[1], by[3]));
            let narrow = (high.x - low.x).min(high.y - low.y);
            f.shape = Contour::rectangle(low, high, narrow / 2.0);
        });
        let told = made.with_code(code::VERIFY_WANTED.word);
        assert!(
            !made.ready() && !told.is_empty(),
            "{what}: {:?}",
            made.errors()
        );
    }
}

/// A top that is machined at 9 % moves to 12.02 % one way and to 6.97 % the other: less than from end to end.
#[test]
fn slots_are_counted_from_the_moisture_at_which_a_top_is_machined() {
    let at = |moisture: f64| {
        made_with(|_, shop| shop["stocks"]["board-19"]["moisture"] = json!(moisture))
    };
    let rested = at(9.0);
    assert!(rested.ready(), "{:?}", rested.errors());
    let most: f64 = 200.0 * 0.00274 * (12.02 - 9.0);
    let wanted = (most * 10.0).ceil() / 10.0;
    assert!(near(travel(&rested, "cleat-under-top.slot-1"), wanted));
    assert_eq!(rested.with_code("moisture-unlike-place").len(), 0);
    // From the damp shed it goes one way only, and far.
    let damp = at(16.0);
    assert!(damp.ready(), "{:?}", damp.errors());
    let most: f64 = 200.0 * 0.00274 * (16.0 - 6.97);
    let wanted = (most * 10.0).ceil() / 10.0;
    assert!(near(travel(&damp, "cleat-under-top.slot-1"), wanted));
}

#[test]
fn wood_that_is_too_damp_is_told_with_what_it_will_shrink() {
    let told = |moisture: f64| -> Vec<String> {
        let made = made_with(|_, shop| shop["stocks"]["board-19"]["moisture"] = json!(moisture));
        let all = made.with_code(code::MOISTURE_UNLIKE_PLACE.word);
        all.iter().map(|f| f.message.clone()).collect()
    };
    // 480 mm wide, 0.00274 for each percent: from 16 to 12.02 % and to 6.97 %, within 0.05 % as the table is.
    let [damp] = &told(16.0)[..] else { panic!() };
    let number = |words: &str, after: &str| -> f64 {
        let rest = words.split(after).nth(1).unwrap();
        rest.split_whitespace().next().unwrap().parse().unwrap()
    };
    let least = number(damp, "480 mm wide, becomes ");
    assert!((least - 480.0 * 0.00274 * 3.98).abs() < 0.07, "{damp}");
    assert!(
        damp.contains("narrower") && damp.contains("16 % moisture"),
        "{damp}"
    );
    assert!(told(4.0)[0].contains("wider"));
    assert_eq!(told(12.5), [""; 0]);
}
