//! The cases in `tests/cases`: regions, what is done to them, and what must come out, each with its source.
//!
//! A case is a JSON file: `do` is one operation, `regions` (and `other` for booleans of two) are what it is done to, `expect` is what
//! holds afterwards. Lengths are millimetres. To add a case, add a file.

// The whole binary is a test; the lints' leave for tests covers marked functions only.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use grainway_geom::{
    Contour, Notes, PolySet, Region, difference, insets, intersection, offset, opening, point,
    union,
};
use serde::Deserialize;

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Case {
    about: String,
    source: String,
    #[serde(rename = "do")]
    operation: Operation,
    regions: Vec<Region>,
    #[serde(default)]
    other: Vec<Region>,
    expect: Expected,
}

#[derive(Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
enum Operation {
    /// Grown or shrunk by the arc kernel.
    Offset(f64),
    /// Grown or shrunk by the polygon kernel.
    PolygonOffset(f64),
    /// One of the levels inwards, from 0.
    Insets {
        first: f64,
        step: f64,
        level: usize,
    },
    Opening(f64),
    Union,
    Difference,
    Intersection,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Expected {
    /// How many regions.
    regions: Option<usize>,
    /// Of all regions, mm².
    area: Option<f64>,
    /// Of all boundaries, mm.
    length: Option<f64>,
    /// By how much area, length and distance from the boundary may differ.
    #[serde(default)]
    within: f64,
    /// Points that lie on a boundary.
    #[serde(default)]
    boundary: Vec<[f64; 2]>,
    /// Whether the kernel had to do something differently.
    notes: Option<Said>,
}

#[derive(Deserialize, PartialEq)]
#[serde(rename_all = "kebab-case")]
enum Said {
    None,
    Some,
}

/// The chords of polygons, mm.
const CHORD_MM: f64 = 0.001;

/// What keeps the outcome from being what is expected.
fn check(input: &Case, expect: &Expected) -> Vec<String> {
    let mut notes = Notes::default();
    let each = |f: &mut dyn FnMut(&Region) -> Vec<Region>| -> Vec<Region> {
        input.regions.iter().flat_map(f).collect()
    };
    let found = match input.operation {
        Operation::Offset(by) => each(&mut |r| offset(r, by, &mut notes)),
        Operation::Opening(radius) => each(&mut |r| opening(r, radius, &mut notes)),
        Operation::Insets { first, step, level } => {
            each(&mut |r| insets(r, first, step, &mut notes).swap_remove(level))
        }
        Operation::PolygonOffset(by) => PolySet::from_regions(&input.regions, CHORD_MM)
            .offset(by)
            .to_regions(),
        Operation::Union => union(&[&input.regions[..], &input.other].concat()),
        Operation::Difference => difference(&input.regions, &input.other),
        Operation::Intersection => intersection(&input.regions, &input.other),
    };
    let mut wrong = Vec::new();
    if expect.regions.is_some_and(|n| n != found.len()) {
        wrong.push(format!("{} regions came out", found.len()));
    }
    let rings = || found.iter().flat_map(Region::contours);
    let area: f64 = found.iter().map(Region::area).sum();
    let length: f64 = rings().map(Contour::length).sum();
    for (what, value, right) in [
        ("area", area, expect.area),
        ("length", length, expect.length),
    ] {
        if right.is_some_and(|r| (value - r).abs() > expect.within) {
            wrong.push(format!("the {what} is {value}"));
        }
    }
    for [x, y] in &expect.boundary {
        let p = point(*x, *y);
        let nearest = rings().map(|c| c.distance(p)).fold(f64::INFINITY, f64::min);
        if nearest > expect.within {
            wrong.push(format!("({x}, {y}) is missed by {nearest}"));
        }
    }
    let said = match notes.0.is_empty() {
        true => Said::None,
        false => Said::Some,
    };
    if expect.notes.as_ref().is_some_and(|n| *n != said) {
        wrong.push(format!("the kernel says {notes:?}"));
    }
    wrong
}

fn read(path: &std::path::Path) -> Case {
    let text = std::fs::read_to_string(path).unwrap();
    serde_json::from_str(&text).unwrap_or_else(|e| panic!("{}: {e}", path.display()))
}

fn folder() -> std::path::PathBuf {
    std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/cases")
}

#[test]
fn every_case_comes_out_as_its_source_says() {
    let mut wrong = Vec::new();
    let mut count = 0;
    for entry in std::fs::read_dir(folder()).unwrap() {
        let path = entry.unwrap().path();
        let case = read(&path);
        let name = path.file_stem().unwrap().to_string_lossy().into_owned();
        assert!(!case.source.is_empty() && !case.about.is_empty(), "{name}");
        let found = check(&case, &case.expect);
        wrong.extend(found.into_iter().map(|w| format!("{name}: {w}")));
        count += 1;
    }
    assert!(count >= 20, "{count} cases were found");
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

/// The check fails on an expectation that is a little off in each of its keys.
#[test]
fn a_wrong_expectation_is_seen() {
    let case = read(&folder().join("published-edge-and-centre-path.json"));
    let right = || Expected {
        regions: Some(1),
        area: case.expect.area,
        length: case.expect.length,
        within: case.expect.within,
        boundary: case.expect.boundary.clone(),
        notes: Some(Said::None),
    };
    assert_eq!(check(&case, &right()), [""; 0]);
    let spoilt: [fn(&mut Expected); 5] = [
        |e| e.regions = Some(2),
        |e| e.area = e.area.map(|a| a + 1e-3),
        |e| e.length = e.length.map(|l| l - 1e-3),
        |e| e.boundary[3][1] += 1e-3,
        |e| e.notes = Some(Said::Some),
    ];
    for spoil in spoilt {
        let mut expect = right();
        spoil(&mut expect);
        assert_eq!(check(&case, &expect).len(), 1);
    }
}
