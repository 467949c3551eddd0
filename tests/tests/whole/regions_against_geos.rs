//! Offsets and openings of random regions and of the samples' features against GEOS (through shapely 2.2.0), an independent
//! polygon library. GEOS is not taken as truth for far offsets: it was measured to be wrong there; distances stay below 7 mm.

use crate::sabotage::with_wrong_diameter;
use grainway_geom::{self, Contour, Notes, Placing, Point, Region, Segment, Vertex, point};
use grainway_pipeline::motion::Move;
use grainway_tests::{SAMPLES, cutting_sheet_shop, load, load_texts, make, python, root, sample};
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
                at: grainway_geom::Point::unit(angle) * (size * random.between(0.65, 1.0)),
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
        (
            "opening",
            grainway_geom::opening(region, by - 100.0, &mut notes),
        )
    } else {
        ("offset", grainway_geom::offset(region, by, &mut notes))
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

/// A pocket of this region in a blank, planned with a cutter that is believed thinner than it is: verify's figure of the deepest
/// cut into the part, the paths at the pocket's floor, and the cutter's radius.
fn gouged(region: &Region, thinner: f64) -> (f64, Vec<Vec<Point>>, f64) {
    let radius = 3.0;
    let ring = |c: &Contour| -> Value {
        let points = c
            .vertices
            .iter()
            .map(|v| json!({ "at": [v.at.x, v.at.y], "bulge": v.bulge }));
        json!({ "contour": { "points": points.collect::<Vec<_>>() } })
    };
    let islands: Vec<Value> = region.holes.iter().map(ring).collect();
    let job = json!({ "format": "grainway.job/1", "name": "gouge", "shop": "s", "parts": [{
        "id": "p", "stock": "ply-12", "blank": { "length": BLANK_MM, "width": BLANK_MM }, "features": [{
            "id": "f", "kind": "pocket", "depth": 4, "shape": ring(&region.outer), "islands": islands,
            "if-unreachable": "hand" }] }] });
    let boards = "[12], \"boards\": [{ \"id\": \"b\", \"length\": 500, \"width\": 500 }]";
    let shop = cutting_sheet_shop(2.0 * radius).replace("[12]", boards);
    let loaded = load_texts(&job.to_string(), &shop, &root()).unwrap();
    let made = with_wrong_diameter(loaded, -thinner);
    let verdict = made.work.programs[0].safe.as_ref().unwrap();
    let figure = verdict
        .figures
        .iter()
        .find(|f| f.layer == "gouge" && f.what.contains("into p"))
        .unwrap();
    let variant = &made.work.variants[0];
    let mut paths = Vec::new();
    for step in variant.steps.iter().filter(|s| s.feature == "f") {
        let mut at = grainway_geom::Point3::default();
        for m in made.work.moves(&step.moves) {
            let end = m.end(at);
            let path = match m {
                Move::Line { .. } => vec![at.xy(), end.xy()],
                Move::Arc { centre, sweep, .. } => {
                    let arc = Segment::arc_about(centre, at.xy(), sweep);
                    let n = arc.chords(FINE_MM);
                    (0..=n).map(|i| arc.at(i as f64 / n as f64)).collect()
                }
                _ => Vec::new(),
            };
            if !path.is_empty() && at.z.min(end.z) < variant.z.top() {
                paths.push(path);
            }
            at = end;
        }
    }
    (figure.value, paths, radius)
}

const BLANK_MM: f64 = 220.0;

#[test]
fn gouge_figures_of_random_pockets() {
    let mut random = Random(1_125);
    let (mut cases, mut figures) = (Vec::new(), Vec::new());
    for i in 0..20 {
        let mut region = random_region(&mut random);
        let middle = Placing::shift(point(BLANK_MM / 2.0, BLANK_MM / 2.0));
        region = region.placed(&middle);
        let (figure, paths, radius) = gouged(&region, [0.2, 0.5][i % 2]);
        let blank = Contour::rectangle(point(0.0, 0.0), point(BLANK_MM, BLANK_MM), 0.0);
        let hole = region.outer.flattened(FINE_MM);
        // The wood that must stand is the blank less the pocket, and its islands, each asked for by itself.
        let mut wood = vec![json!([blank.flattened(FINE_MM), hole])];
        wood.extend(region.holes.iter().map(|h| json!([h.flattened(FINE_MM)])));
        for rings in wood {
            cases.push(json!({ "id": i.to_string(), "of": "gouge", "rings": rings, "paths": paths, "radius": radius }));
        }
        figures.push(figure);
    }
    let mut wanted = vec![0.0f64; figures.len()];
    for answer in reference(&cases) {
        let i: usize = answer["id"].as_str().unwrap().parse().unwrap();
        wanted[i] = wanted[i].max(answer["gouge"].as_f64().unwrap());
    }
    for (i, (ours, theirs)) in figures.iter().zip(&wanted).enumerate() {
        println!("pocket {i}: verify {ours:.4} mm, GEOS {theirs:.4} mm");
        // Three decimals in the text, and chords on both sides.
        assert!(
            (ours - theirs).abs() < 0.003,
            "pocket {i}: {ours} is not {theirs}"
        );
        assert!(*ours > 0.05, "pocket {i}: the wrong cutter gouges");
    }
}
