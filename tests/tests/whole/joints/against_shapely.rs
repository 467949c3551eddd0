//! Joints put together by check against the same done with shapely (Python, version in tests/python/requirements.txt) from the job and the
//! texts alone: random mortises and tenons, blind and through, at both ends, side by side, haunched, thinner than their part, with eased
//! edges, and with corners that keep a joint open.

use super::fits::{job_in, shop};
use crate::sabotage::{chain, tamper};
use grainway_geom::{Contour, point};
use grainway_pipeline::doc::FeatureKind;
use grainway_pipeline::work::{Corner, CornerAnswer, JointVerdict};
use grainway_tests::{Made, load_texts, python, root, run};
use serde_json::{Value, json};
use std::io::{BufRead, BufReader, Write};
use std::process::{Child, ChildStdin, ChildStdout, Stdio};

/// Rooms of both agree within this, mm.
const SAME_MM: f64 = 0.01;
/// What stays open to the eye agrees within this, mm².
pub const SAME_MM2: f64 = 0.5;
/// How many joints the ordinary run puts together; `GRAINWAY_JOINTS` says another number.
const USUAL: u64 = 25;

/// Numbers without end from one number (xorshift64*), for cases that can be made again.
pub struct Random(u64);

impl Random {
    pub fn new(seed: u64) -> Random {
        Random(seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) | 1)
    }
    pub fn below(&mut self, n: u64) -> u64 {
        self.0 ^= self.0 >> 12;
        self.0 ^= self.0 << 25;
        self.0 ^= self.0 >> 27;
        (self.0.wrapping_mul(0x2545_F491_4F6C_DD1D) >> 33) % n
    }
    /// A length in tenths of a millimetre.
    pub fn length(&mut self, from: f64, to: f64) -> f64 {
        from + self.below(((to - from) * 10.0) as u64 + 1) as f64 / 10.0
    }
    pub fn is(&mut self, one_in: u64) -> bool {
        self.below(one_in) == 0
    }
}

/// How many joints are tried.
pub fn count() -> u64 {
    std::env::var("GRAINWAY_JOINTS").map_or(USUAL, |n| n.parse().unwrap())
}

/// A job of one joint.
pub fn case(seed: u64) -> (Value, Value) {
    let r = &mut Random::new(seed);
    let thick = r.length(15.0, 24.0);
    let thinner = r.length(0.0, 0.3);
    let mut shop = shop();
    shop["stocks"]["rails"]["thickness"] = json!([thick, thick - thinner]);
    let width = r.length(30.0, 90.0);
    let whole = width + r.length(0.0, 50.0);
    let through = r.is(2);
    let post = r.length(18.0, 28.0);
    shop["stocks"]["board-45"]["thickness"] = json!([if through { post } else { 45.0 }]);
    let length = if through { post } else { r.length(15.0, 28.0) };
    let mut rail =
        json!({ "id": "rail", "stock": "rails", "blank": { "length": 400, "width": whole } });
    let mut leg = json!({ "id": "leg", "stock": "board-45", "blank": { "length": 500, "width": 240, "dimensioned": true } });
    if r.is(3) {
        let radius = r.length(3.0, 4.0);
        rail["eased"] = json!(radius);
        leg["eased"] = json!(radius);
    }
    let end = ["left", "right", "both"][r.below(3) as usize];
    let lies = ["along", "across"][r.below(2) as usize];
    let mut tenon = json!({ "part": "rail", "end": end, "width": width, "length": length });
    if r.is(2) {
        tenon["offset"] = json!(r.length(0.0, whole - width));
    }
    let fit = ["tight", "push", "sliding", "loose"][r.below(4) as usize];
    let joint = json!({ "id": "joint", "fit": fit, "joint": { "mortise-and-tenon": {
        "tenon": tenon, "mortise": { "part": "leg", "at": [r.length(200.0, 300.0), 120], "lies": lies }, "through": through } } });
    let job = json!({ "format": "grainway.job/1", "name": "joints", "shop": "s", "parts": [rail, leg], "joints": [joint] });
    (job, shop)
}

/// The same with tenons side by side, with a haunch, or thinner than their part.
fn formed(seed: u64) -> (Value, Value) {
    let (mut job, shop) = case(seed);
    let r = &mut Random::new(seed + 2_000_000);
    let thick = shop["stocks"]["rails"]["thickness"][0].as_f64().unwrap();
    let mut whole = job["parts"][0]["blank"]["width"].as_f64().unwrap();
    let tenon = &mut job["joints"][0]["joint"]["mortise-and-tenon"]["tenon"];
    let length = tenon["length"].as_f64().unwrap();
    match r.below(3) {
        0 => {
            let (count, width, gap) = (2 + r.below(2), r.length(18.0, 32.0), r.length(8.0, 24.0));
            let more = count as f64;
            whole = more * width + (more - 1.0) * gap + r.length(0.0, 40.0);
            tenon["count"] = json!(count);
            tenon["width"] = json!(width);
            tenon["gap"] = json!(gap);
            tenon.as_object_mut().unwrap().remove("offset");
        }
        1 => {
            let (edge, wide) = (["near", "far"][r.below(2) as usize], r.length(8.0, 20.0));
            whole += 2.0 * wide;
            tenon["haunch"] =
                json!({ "edge": edge, "width": wide, "length": r.length(5.0, length - 6.0) });
            if let Some(offset) = tenon["offset"].as_f64() {
                tenon["offset"] = json!(offset + wide);
            }
        }
        _ => {}
    }
    if r.is(2) {
        let back = if r.is(2) { r.length(2.0, 4.0) } else { 0.0 };
        if back > 0.0 {
            tenon["back-shoulder"] = json!(back);
            // Turned over, it lies against stops at its left end.
            tenon["end"] = json!("right");
        }
        tenon["thickness"] = json!(r.length(7.0, thick - back - 3.0));
    }
    job["parts"][0]["blank"]["width"] = json!(whole);
    (job, shop)
}

/// The job made with a mortise that is too short for its tenon, unless its corners are squared by hand.
fn too_short(job: &Value, shop: &Value) -> Made {
    let change = tamper("change", |work| {
        let features = work.variants.iter_mut().flat_map(|v| &mut v.features);
        for feature in features.filter(|f| f.kind == FeatureKind::Mortise) {
            let by_hand = |c: &Corner| c.answer == CornerAnswer::ByHand;
            if feature.corners.iter().any(by_hand) {
                continue;
            }
            let b = feature.shape.bounds();
            let along = b.width() > b.height();
            let by = if along {
                point(4.0, 0.0)
            } else {
                point(0.0, 4.0)
            };
            feature.shape = Contour::rectangle(b.min + by, b.max - by, 0.0);
            feature.corners.clear();
        }
    });
    let loaded = load_texts(&job.to_string(), &shop.to_string(), &root()).unwrap();
    let stages = chain(vec![("relief", change)]);
    run(loaded, &stages, &grainway_dialects::built_in()).unwrap()
}

/// A script of the judge that answers cases line by line.
pub struct Python(Child, ChildStdin, BufReader<ChildStdout>);

impl Python {
    pub fn start(script: &str) -> Python {
        let script = root().join("tests/python/judge").join(script);
        let mut child = python()
            .arg(script)
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()
            .unwrap();
        let (input, output) = (child.stdin.take().unwrap(), child.stdout.take().unwrap());
        Python(child, input, BufReader::new(output))
    }
    pub fn ask(&mut self, case: &Value) -> Value {
        writeln!(self.1, "{case}").unwrap();
        let mut answer = String::new();
        self.2.read_line(&mut answer).unwrap();
        serde_json::from_str(&answer).unwrap_or_else(|e| panic!("{e}: {answer} to {case}"))
    }
}

/// The joint put together by shapely.
fn assembled(shapely: &mut Python, job: &Value, shop: &Value, made: &Made) -> Value {
    let programs = made.work.programs.iter();
    let programs: Vec<_> = programs
        .map(|p| (p.name.clone(), made.text(&p.text)))
        .collect();
    let by_hand = made
        .work
        .hand_work
        .iter()
        .filter(|h| h.what.starts_with("square"));
    let squared: Vec<_> = by_hand.map(|h| (&h.part, &h.feature)).collect();
    shapely.ask(&json!({ "job": job, "shop": shop, "programs": programs, "squared": squared }))
}

impl Drop for Python {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

fn numbers<const N: usize>(value: &Value) -> [f64; N] {
    std::array::from_fn(|i| value[i].as_f64().unwrap())
}

fn alike(ours: &JointVerdict, theirs: &Value, what: &str) {
    // Both look at the same depths.
    let open = theirs["open"].as_f64().unwrap();
    assert!((ours.open - open).abs() < 1e-6, "{what}");
    if ours.open > 0.0 {
        // Where a mate meets a round end, its room is cut at a slant and says little.
        return;
    }
    for (a, b) in [
        (ours.cheeks, &theirs["cheeks"]),
        (ours.ends, &theirs["ends"]),
    ] {
        let (a, b) = (a.unwrap(), numbers::<2>(b));
        assert!((0..2).all(|i| (a[i] - b[i]).abs() < SAME_MM), "{what}");
    }
    let seen = numbers::<3>(&theirs["visible"]);
    assert!(
        (0..3).all(|i| (ours.visible[i] - seen[i]).abs() < SAME_MM2),
        "{what}"
    );
}

#[test]
fn random_joints_agree_with_shapely_slow() {
    let count = count();
    let mut shapely = Python::start("assemble.py");
    let (mut judged, mut open) = (0, 0);
    for seed in 1..=count {
        let (job, shop) = formed(seed);
        // Every third mortise is too short.
        let made = match seed % 3 {
            0 => too_short(&job, &shop),
            _ => job_in(&shop, &job),
        };
        if made.work.joints.is_empty() {
            // No wall for it, or no room: told, and nothing to put together.
            assert!(!made.errors().is_empty(), "seed {seed}");
            continue;
        }
        let theirs = assembled(&mut shapely, &job, &shop, &made);
        let mortises = theirs.as_array().unwrap();
        assert_eq!(mortises.len(), made.work.joints.len());
        judged += 1;
        open += usize::from(made.work.joints.iter().any(|j| j.open > 0.0));
        for (ours, theirs) in made.work.joints.iter().zip(mortises) {
            alike(
                ours,
                theirs,
                &format!("seed {seed}: {job}\nours {ours:?}\nshapely {theirs}"),
            );
        }
    }
    println!("{judged} of {count} joints put together alike, {open} of them open");
    assert!(judged > count / 2 && open > 0);
}
