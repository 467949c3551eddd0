//! Offsets and openings of random regions and of the samples' features against GEOS (through shapely 2.2.0), an independent
//! polygon library. GEOS is not taken as truth for far offsets: it was measured to be wrong there; distances stay below 7 mm.

use grainway_pipeline::geom::{self, Contour, Notes, Region, Vertex, point};
use grainway_tests::{SAMPLES, load, make, python, root, sample};
use serde_json::{Value, json};
use std::io::Write;

/// Chords for the comparison, finer than the figures compared.
const FINE_MM: f64 = 2e-4;
/// Area difference over boundary length that is allowed: chords on both sides and the kernel's own tolerance.
const LIMIT_UM: f64 = 3.0;

/// A small deterministic generator (SplitMix64), so that every seed can be replayed.
pub struct Random(pub u64);

impl Random {
    pub fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }
    pub fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * (self.next() >> 11) as f64 / (1u64 << 53) as f64
    }
}

/// A star-shaped contour of lines and shallow arcs, with up to two round islands that keep clear of it.
pub fn random_region(random: &mut Random) -> Region {
    let n = 5 + (random.next() % 12) as usize;
    let size = random.between(25.0, 90.0);
    let vertices = (0..n)
        .map(|i| {
            let angle = (i as f64 + random.between(-0.3, 0.3)) * std::f64::consts::TAU / n as f64;
            let bulge = if random.next().is_multiple_of(3) {
                random.between(-0.15, 0.15)
            } else {
                0.0
            };
            Vertex {
                at: geom::Point::unit(angle) * (size * random.between(0.65, 1.0)),
                bulge,
            }
        })
        .collect();
    let mut region = Region::inside(Contour {
        vertices,
        closed: true,
    });
    for side in [-1.0, 1.0] {
        if random.next().is_multiple_of(2) {
            let centre = point(side * size * 0.25, random.between(-3.0, 3.0));
            region
                .holes
                .push(Contour::circle(centre, size * random.between(0.05, 0.15)).reversed());
        }
    }
    region
}

fn rings(region: &Region) -> Value {
    region
        .contours()
        .map(|c| c.flattened(FINE_MM))
        .collect::<Vec<_>>()
        .into_iter()
        .map(|r| json!(r))
        .collect()
}

fn case(id: String, region: &Region, by: f64) -> Value {
    let mut notes = Notes::default();
    let (of, result) = if by > 100.0 {
        ("opening", geom::opening(region, by - 100.0, &mut notes))
    } else {
        ("offset", geom::offset(region, by, &mut notes))
    };
    let by = if by > 100.0 { by - 100.0 } else { by };
    json!({ "id": id, "rings": rings(region), "by": by, "of": of, "result": result.iter().map(rings).collect::<Vec<_>>() })
}

/// Runs the reference over the cases and gives its answers.
pub fn reference(cases: &[Value]) -> Vec<Value> {
    let mut child = python()
        .arg(root().join("tests/python/regions_reference.py"))
        .stdin(std::process::Stdio::piped())
        .stdout(std::process::Stdio::piped())
        .spawn()
        .expect("python runs; ./test sets GRAINWAY_PYTHON");
    let mut stdin = child.stdin.take().unwrap();
    let lines: String = cases.iter().map(|c| format!("{c}\n")).collect();
    let writer = std::thread::spawn(move || stdin.write_all(lines.as_bytes()));
    let output = child.wait_with_output().unwrap();
    let _ = writer.join();
    assert!(
        output.status.success(),
        "the reference ran; shapely comes with ./test"
    );
    String::from_utf8(output.stdout)
        .unwrap()
        .lines()
        .map(|l| serde_json::from_str(l).unwrap())
        .collect()
}

fn compare(cases: &[Value]) {
    let answers = reference(cases);
    assert_eq!(answers.len(), cases.len());
    let mut worst = (0.0, String::new());
    for a in &answers {
        let d = a["difference_um"].as_f64().unwrap();
        assert!(d <= LIMIT_UM, "{a}");
        if d > worst.0 {
            worst = (d, a.to_string());
        }
    }
    println!(
        "{} cases, worst {:.3} um: {}",
        cases.len(),
        worst.0,
        worst.1
    );
}

#[test]
fn two_hundred_random_regions() {
    let mut random = Random(20_261_125);
    let mut cases = Vec::new();
    for i in 0..200 {
        let region = random_region(&mut random);
        let by = [-1.5, -3.175, 3.0, 101.5, 103.0, -6.0][i % 6];
        cases.push(case(format!("{i} by {by}"), &region, by));
    }
    compare(&cases);
}

#[test]
fn features_of_the_samples() {
    let mut cases = Vec::new();
    for name in SAMPLES {
        let made = make(load(&sample(name)).unwrap()).unwrap();
        for variant in &made.work.variants {
            for feature in variant.features.iter().filter(|f| f.shape.closed) {
                for by in [-2.0, 3.0, 102.0] {
                    cases.push(case(
                        format!("{name} {} {} by {by}", variant.id, feature.key),
                        &feature.region(),
                        by,
                    ));
                }
            }
        }
    }
    assert!(cases.len() > 30);
    compare(&cases);
}
