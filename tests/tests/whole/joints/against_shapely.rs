//! Joints put together by check against the same done with shapely (Python, version in tests/python/requirements.txt) from the job and the
//! texts alone: random mortises and tenons, blind and through, at both ends, with eased edges, and with corners that keep a joint open.

use super::fits::{job_in, shop};
use crate::sabotage::{chain, tamper};
use grainway_geom::{Contour, point};
use grainway_pipeline::work::{Corner, CornerAnswer};
use grainway_tests::{Made, load_texts, python, root, run};
use serde_json::{Value, json};
use std::io::{BufRead, BufReader, Write};
use std::process::{Child, ChildStdin, ChildStdout, Stdio};

/// Rooms of both agree within this, mm.
const SAME_MM: f64 = 0.01;
/// What stays open to the eye agrees within this, mm².
const SAME_MM2: f64 = 0.5;
/// How many joints the ordinary run puts together; `GRAINWAY_JOINTS` says another number.
const USUAL: u64 = 25;

/// Numbers without end from one number (xorshift64*), for cases that can be made again.
struct Random(u64);

impl Random {
    fn below(&mut self, n: u64) -> u64 {
        self.0 ^= self.0 >> 12;
        self.0 ^= self.0 << 25;
        self.0 ^= self.0 >> 27;
        (self.0.wrapping_mul(0x2545_F491_4F6C_DD1D) >> 33) % n
    }
    /// A length in tenths of a millimetre.
    fn length(&mut self, from: f64, to: f64) -> f64 {
        from + self.below(((to - from) * 10.0) as u64 + 1) as f64 / 10.0
    }
    fn is(&mut self, one_in: u64) -> bool {
        self.below(one_in) == 0
    }
}

/// A job of one joint.
fn case(seed: u64) -> (Value, Value) {
    let r = &mut Random(seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) | 1);
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

/// The job made with a mortise that is too short for its tenon, unless its corners are squared by hand.
fn too_short(job: &Value, shop: &Value) -> Made {
    let change = tamper("change", |work| {
        let features = work.variants.iter_mut().flat_map(|v| &mut v.features);
        for feature in features.filter(|f| f.key == "joint") {
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

struct Shapely(Child, ChildStdin, BufReader<ChildStdout>);

impl Shapely {
    fn start() -> Shapely {
        let script = root().join("tests/python/judge/assemble.py");
        let mut child = python()
            .arg(script)
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()
            .unwrap();
        let (input, output) = (child.stdin.take().unwrap(), child.stdout.take().unwrap());
        Shapely(child, input, BufReader::new(output))
    }
    fn assembled(&mut self, job: &Value, shop: &Value, made: &Made) -> Value {
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
        let case = json!({ "job": job, "shop": shop, "programs": programs, "squared": squared });
        writeln!(self.1, "{case}").unwrap();
        let mut answer = String::new();
        self.2.read_line(&mut answer).unwrap();
        serde_json::from_str(&answer).unwrap_or_else(|e| panic!("{e}: {answer}"))
    }
}

impl Drop for Shapely {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

fn span(value: &Value) -> [f64; 2] {
    [0, 1].map(|i| value[i].as_f64().unwrap())
}

#[test]
fn random_joints_agree_with_shapely_slow() {
    let count = std::env::var("GRAINWAY_JOINTS").map_or(USUAL, |n| n.parse().unwrap());
    let mut shapely = Shapely::start();
    let (mut judged, mut open) = (0, 0);
    for seed in 1..=count {
        let (job, shop) = case(seed);
        // Every third mortise is too short.
        let made = match seed % 3 {
            0 => too_short(&job, &shop),
            _ => job_in(&shop, &job),
        };
        let Some(ours) = made.work.joints.first() else {
            // No wall for it, or no room: told, and nothing to put together.
            assert!(!made.errors().is_empty(), "seed {seed}");
            continue;
        };
        let theirs = shapely.assembled(&job, &shop, &made);
        let what = format!("seed {seed}: {job}\nours {ours:?}\nshapely {theirs}");
        // Both look at the same depths.
        assert!(
            (ours.open - theirs["open"].as_f64().unwrap()).abs() < 1e-6,
            "{what}"
        );
        judged += 1;
        if ours.open > 0.0 {
            // Where a mate meets a round end, its room is cut at a slant and says little.
            open += 1;
            continue;
        }
        for (a, b) in [
            (ours.cheeks, &theirs["cheeks"]),
            (ours.ends, &theirs["ends"]),
        ] {
            let (a, b) = (a.unwrap(), span(b));
            assert!((0..2).all(|i| (a[i] - b[i]).abs() < SAME_MM), "{what}");
        }
        let seen = span(&theirs["visible"]);
        assert!(
            (0..2).all(|i| (ours.visible[i] - seen[i]).abs() < SAME_MM2),
            "{what}"
        );
    }
    println!("{judged} of {count} joints put together alike, {open} of them open");
    assert!(judged > count / 2 && open > 0);
}
