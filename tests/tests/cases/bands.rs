//! Bands outside drawn contours, judged from the programs' text by distances to the contours as drawn.

use grainway_geom::{Point, point};
use grainway_tests::{load, load_texts, make, root};
use serde_json::{Value, json};
use std::path::PathBuf;

fn folder() -> PathBuf {
    root().join("tests/cases/documents/band-outside")
}

/// A cut of the text: from, to, the centre of an arc, and whether that runs clockwise.
struct Cut {
    from: [f64; 3],
    to: [f64; 3],
    arc: Option<(Point, bool)>,
}

/// All cuts of a text in absolute millimetres with arcs by their centre's offset from the start.
fn cuts(text: &str) -> Vec<Cut> {
    let mut at = [f64::NAN; 3];
    let mut motion = String::new();
    let mut cuts = Vec::new();
    for line in text.lines().map(|l| l.split(['(', ';']).next().unwrap()) {
        let mut to = at;
        let mut centre = [0.0, 0.0];
        let mut moves = false;
        for word in line.split_whitespace() {
            let Some(value) = word.get(1..).and_then(|v| v.parse::<f64>().ok()) else {
                continue;
            };
            match &word[..1] {
                "G" if ["G0", "G1", "G2", "G3", "G81", "G83"].contains(&word) => {
                    motion = word.to_string()
                }
                "G" if word == "G53" => motion = word.to_string(),
                "X" => (to[0], moves) = (value, true),
                "Y" => (to[1], moves) = (value, true),
                "Z" => (to[2], moves) = (value, true),
                "I" => centre[0] = value,
                "J" => centre[1] = value,
                _ => {}
            }
        }
        if !moves {
            continue;
        }
        if line.contains("G53") {
            at[2] = f64::INFINITY;
            continue;
        }
        let arc = match motion.as_str() {
            "G2" | "G3" => Some((point(at[0] + centre[0], at[1] + centre[1]), motion == "G2")),
            _ => None,
        };
        if motion != "G0" {
            cuts.push(Cut { from: at, to, arc });
        }
        at = to;
    }
    cuts
}

/// Places along a cut, close together, with their height.
fn places(cut: &Cut) -> Vec<(Point, f64)> {
    let (a, b) = (point(cut.from[0], cut.from[1]), point(cut.to[0], cut.to[1]));
    let turn = cut.arc.map(|(c, clockwise)| {
        let (from, to) = ((a - c).angle(), (b - c).angle());
        let turn = std::f64::consts::TAU;
        let sweep = match clockwise {
            true => -(from - to).rem_euclid(turn),
            false => (to - from).rem_euclid(turn),
        };
        // Ends that coincide are a whole turn.
        let whole = if clockwise { -turn } else { turn };
        (c, if a.distance(b) < 1e-6 { whole } else { sweep })
    });
    let length = turn.map_or(a.distance(b), |(c, sweep)| a.distance(c) * sweep.abs());
    let n = (length / 0.2).ceil().max(1.0) as usize;
    let share = |i: usize| i as f64 / n as f64;
    (0..=n)
        .map(|i| {
            let p = match turn {
                Some((c, sweep)) => c + (a - c).rotated(sweep * share(i)),
                None => a.lerp(b, share(i)),
            };
            (p, cut.from[2] + (cut.to[2] - cut.from[2]) * share(i))
        })
        .collect()
}

/// Edge of a cell of the field that heights are kept in, mm.
const CELL: f64 = 0.25;

/// The lowest height that a disc of 6 mm came to at each place of the part.
fn heights(text: &str, origin: Point, size: [usize; 2]) -> Vec<f64> {
    let mut field = vec![f64::INFINITY; size[0] * size[1]];
    let reach = (3.0 / CELL).ceil() as i64 + 1;
    for (p, z) in cuts(text).iter().flat_map(places) {
        let q = p - origin;
        let (cx, cy) = ((q.x / CELL).round() as i64, (q.y / CELL).round() as i64);
        for dy in -reach..=reach {
            for dx in -reach..=reach {
                let (x, y) = (cx + dx, cy + dy);
                let inside = x >= 0 && y >= 0 && x < size[0] as i64 && y < size[1] as i64;
                let middle = point((x as f64 + 0.5) * CELL, (y as f64 + 0.5) * CELL);
                if inside && middle.distance(q) <= 3.0 {
                    let h = &mut field[y as usize * size[0] + x as usize];
                    *h = h.min(z);
                }
            }
        }
    }
    field
}

#[test]
fn a_band_runs_outside_along_each_contour_and_nowhere_else() {
    let made = make(load(&folder().join("job.json")).unwrap()).unwrap();
    assert!(made.ready(), "{:#?}", made.errors());
    let placing = made.work.setups[0].placements[0].placing;
    assert!(placing.angle.abs() < 1e-12);
    let text: String = made
        .work
        .programs
        .iter()
        .map(|p| made.text(&p.text))
        .collect();
    let size = [(300.0 / CELL) as usize, (200.0 / CELL) as usize];
    let field = heights(&text, placing.at, size);
    // As drawn, in the part's frame: its corner lies at (10, 10), and SVG counts downwards from 210.
    let from_rectangle = |p: Point| {
        let (dx, dy) = ((p.x - 90.0).abs() - 60.0, (p.y - 105.0).abs() - 45.0);
        match dx < 0.0 && dy < 0.0 {
            true => dx.max(dy),
            false => dx.max(0.0).hypot(dy.max(0.0)),
        }
    };
    let from_disc = |p: Point| p.distance(point(230.0, 100.0)) - 30.0;
    let mut area = 0.0;
    for y in 0..size[1] {
        for x in 0..size[0] {
            let p = point((x as f64 + 0.5) * CELL, (y as f64 + 0.5) * CELL);
            let low = field[y * size[0] + x];
            let (a, b) = (from_rectangle(p), from_disc(p));
            let within = |d: f64, by: f64| d >= -by && d <= 14.0 + by;
            if within(a, -0.1) || within(b, -0.1) {
                assert!((low - 14.0).abs() < 0.02, "at {p:?}: {low}");
            } else if !within(a, 0.1) && !within(b, 0.1) {
                // At the part's own edge its outline is cut.
                let edge = p.x.min(p.y).min(300.0 - p.x).min(200.0 - p.y);
                assert!(low >= 18.0 || edge < 0.1, "at {p:?}: {low}");
            }
            area += if (low - 14.0).abs() < 0.02 {
                CELL * CELL
            } else {
                0.0
            };
        }
    }
    // Steiner: length times width and the corners' circle; for the disc the ring.
    let pi = std::f64::consts::PI;
    let wanted = 2.0 * (120.0 + 90.0) * 14.0 + pi * 14.0 * 14.0 + pi * (44.0 * 44.0 - 30.0 * 30.0);
    println!("cut {area:.1} mm2 of {wanted:.1}");
    assert!((area - wanted).abs() < 0.005 * wanted, "{area} of {wanted}");
}

/// The job with its band's rule changed.
fn changed(change: impl Fn(&mut Value)) -> Result<Vec<String>, String> {
    let read = |name: &str| std::fs::read_to_string(folder().join(name)).unwrap();
    let mut job: Value = serde_json::from_str(&read("job.json")).unwrap();
    change(&mut job["drawings"][0]["layers"][1]);
    let made = make(load_texts(&job.to_string(), &read("shop.json"), &folder())?)?;
    Ok(made.errors())
}

#[test]
fn a_band_that_cannot_be_is_refused_with_its_rule() {
    let refused = |change: fn(&mut Value), says: &str| {
        let told = match changed(change) {
            Err(told) => told,
            Ok(errors) => errors.join("\n"),
        };
        assert!(told.contains(says), "{told}");
        assert!(told.contains("drawings/0/layers/1"), "{told}");
    };
    refused(
        |rule| rule["make"] = json!("cutout"),
        "Only what is cleared",
    );
    refused(|rule| rule["depth"] = json!("through"), "would fall out");
    refused(|rule| rule["band-outside"] = json!(0), "band-outside");
}
