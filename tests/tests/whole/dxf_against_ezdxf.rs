//! DXF reading against ezdxf (MIT, an independent open-source library): every entity in every version from R12 to 2018, text and
//! binary. `tests/python/dxf_reference.py` writes the files and says what lies in them; the built-in drawing stage reads them.

use grainway_geom::{Contour, Point, Segment, point};
use grainway_pipeline::stage::{Cancel, Cx, Dialects, MemorySpool, Settings, Silent};
use grainway_pipeline::tolerance::IMPORT_MM;
use grainway_pipeline::work::Work;
use grainway_tests::{cutting_sheet_shop, load_texts, python};
use serde::Deserialize;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

#[derive(Deserialize)]
struct Reference {
    contents: Vec<BTreeMap<String, Layer>>,
    cases: Vec<Case>,
}

#[derive(Deserialize)]
struct Case {
    file: String,
    content: usize,
}

#[derive(Deserialize)]
struct Layer {
    length: f64,
    area: f64,
    lines: Vec<Vec<[f64; 2]>>,
}

/// ezdxf flattens within this distance.
const FLATTENED: f64 = 0.004;

/// Runs the script into a fresh folder.
fn reference() -> (PathBuf, Reference) {
    let folder = std::env::temp_dir().join(format!("grainway-dxf-{}", std::process::id()));
    std::fs::create_dir_all(&folder).unwrap();
    let probe = python().args(["-c", "import ezdxf"]).output();
    assert!(
        probe.is_ok_and(|o| o.status.success()),
        "ezdxf cannot be imported by the Python of GRAINWAY_PYTHON; run ./test, which installs it"
    );
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("python/dxf_reference.py");
    let output = python().arg(script).arg(&folder).output().unwrap();
    assert!(
        output.status.success(),
        "{}",
        String::from_utf8_lossy(&output.stderr)
    );
    (folder, serde_json::from_slice(&output.stdout).unwrap())
}

/// The work after the drawing stage: a frame on the layer `frame`, and all other layers as engravings.
fn read(folder: &Path, file: &str) -> Work {
    let job = format!(
        r#"{{ "format": "grainway.job/1", "name": "read", "shop": "s", "drawings": [ {{
            "id": "d", "file": "{file}", "unit": "mm", "stock": "ply-12", "layers": [
                {{ "layer": "frame", "make": "outline" }},
                {{ "layer": "e[0-9]+", "make": "engraving", "depth": 1 }} ] }} ] }}"#
    );
    let mut loaded = load_texts(&job, &cutting_sheet_shop(6.0), folder).unwrap();
    let stages = grainway_stages::built_in();
    let stage = stages.get("drawing").unwrap();
    let (spool, cancel, dialects) = (
        MemorySpool::default(),
        Cancel::default(),
        Dialects::default(),
    );
    let cx = Cx {
        files: loaded.files.as_ref(),
        dialects: &dialects,
        spool: &spool,
        progress: &Silent,
        cancel: &cancel,
    };
    let settings = Settings(stage.about().example.clone());
    stage.run(&mut loaded.work, &settings, &cx).unwrap();
    loaded.work
}

fn distance_to_line(p: Point, line: &[[f64; 2]]) -> f64 {
    line.windows(2)
        .map(|w| {
            let s = Segment::Line {
                a: point(w[0][0], w[0][1]),
                b: point(w[1][0], w[1][1]),
            };
            s.distance(p)
        })
        .fold(f64::INFINITY, f64::min)
}

fn compare(name: &str, layers: &BTreeMap<String, Layer>, work: &Work) -> usize {
    assert_eq!(work.parts.len(), 1, "{name}: {:#?}", work.findings);
    assert!(work.findings.is_empty(), "{name}: {:#?}", work.findings);
    let balance = &work.balances[0];
    assert_eq!(
        (balance.ignored, balance.warned, balance.read),
        (0, 0, balance.used),
        "{name}"
    );
    let part = &work.parts[0];
    let mut ours: BTreeMap<&str, Vec<Contour>> = BTreeMap::new();
    for f in &part.features {
        let layer = f.source.layer.as_deref().unwrap();
        ours.entry(layer)
            .or_default()
            .push(f.shape.shifted(part.source.at));
    }
    for (layer, expected) in layers.iter().filter(|(l, _)| *l != "frame") {
        let found: Vec<Contour> = ours
            .remove(layer.as_str())
            .unwrap_or_else(|| panic!("{name}: nothing read on {layer}"));
        let near = IMPORT_MM + FLATTENED;
        for [x, y] in expected.lines.iter().flatten() {
            let off = found
                .iter()
                .map(|c| c.distance(point(*x, *y)))
                .fold(f64::INFINITY, f64::min);
            assert!(
                off <= near,
                "{name} {layer}: ({x}, {y}) lies {off} from what was read"
            );
        }
        for p in found.iter().flat_map(|c| c.flattened(0.05)) {
            let off = expected
                .lines
                .iter()
                .map(|l| distance_to_line(p, l))
                .fold(f64::INFINITY, f64::min);
            assert!(
                off <= near,
                "{name} {layer}: {p:?} lies {off} from the reference"
            );
        }
        let length: f64 = found.iter().map(Contour::length).sum();
        let allowed = 1e-3 * expected.length + 0.01;
        assert!(
            (length - expected.length).abs() < allowed,
            "{name} {layer}: length {length}, reference {}",
            expected.length
        );
        let area: f64 = found
            .iter()
            .map(|c| if c.closed { loose_area(c) } else { 0.0 })
            .sum();
        assert!(
            (area - expected.area).abs() < expected.length * near + 1e-6,
            "{name} {layer}: area {area}, reference {}",
            expected.area
        );
    }
    assert!(ours.is_empty(), "{name}: read besides: {:?}", ours.keys());
    layers.len() - 1
}

/// Area of a curve that may cross itself, as the reference sums it.
fn loose_area(c: &Contour) -> f64 {
    c.area().abs()
}

#[test]
fn every_entity_in_every_version() {
    let (folder, reference) = reference();
    let mut layers = 0;
    for case in &reference.cases {
        layers += compare(
            &case.file,
            &reference.contents[case.content],
            &read(&folder, &case.file),
        );
    }
    assert_eq!(
        reference.cases.len(),
        54,
        "7 versions, text and binary, 4 contents, of which R12 has 3"
    );
    assert!(layers > 900, "{layers}");
    std::fs::remove_dir_all(&folder).unwrap();
}
