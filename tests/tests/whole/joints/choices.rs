//! What becomes of the corners of mortises and tenons against every answer that there is, tried with shapely (Python, version in
//! tests/python/requirements.txt) from the job and the shop alone.

use super::against_shapely::{Python, Random, SAME_MM2, case, count};
use super::fits::job_in;
use grainway_pipeline::doc::{Seen, Side};
use grainway_pipeline::work::CornerAnswer;
use grainway_tests::Made;
use serde_json::{Value, json};

/// The share of a tenon's bending section agrees within this.
const SAME_SHARE: f64 = 0.005;

/// A job of one joint whose sides are seen more or less, with another cutter, near the end of its part or not.
fn varied(seed: u64) -> (Value, Value) {
    let (mut job, mut shop) = case(seed);
    let r = &mut Random::new(seed + 1_000_000);
    let diameter = [3.0, 4.0, 6.0, 6.0, 8.0, 10.0][r.below(6) as usize];
    let mill = &mut shop["cutters"]["mill-6"];
    mill["diameter"] = json!(diameter);
    mill["shank-diameter"] = json!(diameter);
    let ranks = ["show", "show", "inside", "hidden"];
    for part in 0..2 {
        let mut rank = || ranks[r.below(4) as usize];
        let seen = json!({ "face": rank(), "back": rank() });
        job["parts"][part]["seen"] = seen;
        if r.is(4) {
            job["parts"][part]["eased"] = json!(r.length(1.0, 5.5));
        }
    }
    if r.is(3) {
        let joint = &mut job["joints"][0]["joint"]["mortise-and-tenon"];
        let width = joint["tenon"]["width"].as_f64().unwrap();
        let near_end = width / 2.0 + r.length(3.5, 12.0);
        let from_end = match joint["mortise"]["lies"] == "along" {
            true => [near_end, 120.0],
            false => [250.0, near_end],
        };
        joint["mortise"]["at"] = json!(from_end);
    }
    (job, shop)
}

/// Corners that hands square in a part.
fn squared(made: &Made, part: &str) -> u32 {
    let lines = made.work.hand_work.iter().filter(|h| h.part == part);
    let number = |what: &str| -> Option<u32> {
        what.strip_prefix("square ")?
            .split(' ')
            .next()?
            .parse()
            .ok()
    };
    lines.filter_map(|h| number(&h.what)).sum()
}

/// What became of all corners, by part and feature.
fn answers(made: &Made) -> Vec<(String, CornerAnswer)> {
    let variants = made.work.variants.iter();
    let features = variants.flat_map(|v| v.features.iter().map(move |f| (v, f)));
    let corners = features.flat_map(|(v, f)| {
        let name = format!("{} {}", v.id, f.key);
        f.corners
            .iter()
            .map(move |c| (name.clone(), c.answer.clone()))
    });
    corners.collect()
}

#[test]
fn random_joints_get_the_best_relief_slow() {
    let count = count();
    let mut brute = Python::start("choose.py");
    let mut judged = [0; 4];
    for seed in 1..=count {
        let (job, shop) = varied(seed);
        let made = job_in(&shop, &job);
        let Some(ours) = made.work.joints.first() else {
            assert!(!made.errors().is_empty(), "seed {seed}");
            continue;
        };
        let theirs = brute.ask(&json!({ "job": job, "shop": shop }));
        let documents = &made.work.documents;
        let [entry, exit, shoulder] = ours.visible;
        let seen = [
            (entry, documents.seen("leg", Side::Face)),
            (exit, documents.seen("leg", Side::Back)),
            (shoulder, documents.seen("rail", Side::Face)),
            (shoulder, documents.seen("rail", Side::Back)),
        ];
        let of = |rank| {
            seen.iter()
                .filter(|s| s.1 == rank)
                .map(|s| s.0)
                .sum::<f64>()
        };
        let ends = match job["joints"][0]["joint"]["mortise-and-tenon"]["tenon"]["end"] == "both" {
            true => 2,
            false => 1,
        };
        let by_hand = squared(&made, "leg") + squared(&made, "rail") / ends;
        let lost = 1.0 - ours.root.unwrap();
        let cost: Vec<f64> = serde_json::from_value(theirs["cost"].clone()).unwrap();
        let what = format!(
            "seed {seed}: {job}\nours {:?} mm² seen, root {:?}, {by_hand} by hand: {:?}, corners {:?}\nbest {theirs}",
            ours.visible,
            ours.root,
            made.work.hand_work,
            answers(&made)
        );
        assert!(ours.open <= 0.0, "{what}");
        assert!((of(Seen::Show) - cost[0]).abs() < SAME_MM2, "{what}");
        assert!((f64::from(by_hand) - cost[1]).abs() < 0.5, "{what}");
        assert!((of(Seen::Inside) - cost[2]).abs() < SAME_MM2, "{what}");
        assert!((lost - cost[3]).abs() < SAME_SHARE, "{what}");
        let visible: Vec<[f64; 3]> = serde_json::from_value(theirs["visible"].clone()).unwrap();
        let same = |v: &[f64; 3]| (0..3).all(|i| (v[i] - ours.visible[i]).abs() < SAME_MM2);
        assert!(visible.iter().any(same), "{what}");
        judged[0] += 1;
        judged[1] += u32::from(by_hand > 0);
        judged[2] += u32::from(ours.visible.iter().any(|v| *v > 0.0));
        judged[3] += u32::from(lost > SAME_SHARE);
    }
    let [all, by_hand, seen, weaker] = judged;
    println!(
        "{all} of {count} joints have the best relief: {by_hand} with corners by hand, {seen} show some on sides that may, {weaker} lose some of the root"
    );
    assert!(u64::from(all) > count / 2 && by_hand > 0 && seen > 0 && weaker > 0);
}
