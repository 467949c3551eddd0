//! The stage as a whole, on the cutting sheet of `tests/drawings` and on small drawings.

use super::trial::{Held, SHOP, cutting_sheet, run, with_code};
use grainway_pipeline::doc::FeatureKind;
use grainway_pipeline::finding::Severity;
use grainway_pipeline::work::Work;
use std::collections::BTreeMap;

const SHEET_JOB: &str = r#"{ "format": "grainway.job/1", "name": "sheet", "shop": "s", "drawings": [ {
  "id": "cabinet", "file": "card-index-sheet.dxf", "stock": "ply-12", "layout": "as-drawn", SHEETS "sheet-gap": 100,
  "layers": [
    { "layer": "0|notes|board edge|title box", "ignore": true },
    { "layer": "outline (?P<depth>[0-9.]+) deep", "make": "outline" },
    { "layer": "opening (?P<depth>[0-9.]+) deep", "make": "cutout" },
    { "layer": "bore (?P<diameter>[0-9.]+) wide (?P<depth>[0-9.]+) deep", "make": "hole" },
    { "layer": "housing (?P<depth>[0-9.]+) deep", "make": "pocket" },
    { "layer": "scribe (?P<depth>[0-9.]+) deep", "make": "engraving" }
  ] } ] }"#;

fn sheet(sheets: &str) -> Work {
    let job = SHEET_JOB.replace("SHEETS", sheets);
    run(&job, SHOP, cutting_sheet(), true)
}

fn errors(work: &Work) -> Vec<String> {
    work.findings
        .iter()
        .filter(|f| f.severity == Severity::Error)
        .map(ToString::to_string)
        .collect()
}

#[test]
fn cutting_sheet_one_layout() {
    let work = sheet(r#""sheets": [1],"#);
    assert!(errors(&work).is_empty(), "{:#?}", errors(&work));
    assert_eq!(work.parts.len(), 10);
    assert!(
        work.parts
            .iter()
            .all(|p| p.as_drawn && p.count == 1 && p.outline.bounds().min.length() < 1e-9)
    );
    assert!(
        work.parts
            .iter()
            .all(|p| p.id.starts_with("cabinet-1/") && p.outline.area() > 0.0)
    );
    let sized = with_code(&work, "captured-size");
    assert_eq!(sized.len(), 1, "{sized:?}");
    assert!(sized[0].message.contains("16.05") && sized[0].message.contains("16.75"));
    // The figures of tests/drawings/README.md; half of what is drawn lies in the other layout. By layer: read, used, ignored, warned.
    let balance = &work.balances[0];
    assert_eq!(
        (balance.read, balance.used, balance.ignored, balance.warned),
        (117, 50, 50 + 17, 0)
    );
    let layer = |name: &str| {
        let all = balance.layers.iter();
        let mut named = all.filter(|l| l.0 == name);
        named.next().map(|l| (l.1, l.2, l.3, l.4)).unwrap()
    };
    assert_eq!(layer("outline 12 deep"), (26, 13, 13, 0));
    assert_eq!(layer("opening 12 deep"), (12, 6, 6, 0));
    assert_eq!(layer("housing 4 deep"), (20, 10, 10, 0));
    assert_eq!(layer("housing 6 deep"), (12, 6, 6, 0));
    assert_eq!(layer("scribe 2 deep"), (10, 5, 5, 0));
    assert_eq!(layer("notes"), (2, 0, 2, 0));
    // The block on the ignored layer 0: its contents are counted where they are.
    assert_eq!(layer("board edge"), (8, 0, 8, 0));
    assert_eq!(layer("title box"), (6, 0, 6, 0));
    let size = |n: usize| {
        let part = work.part(&format!("cabinet-1/{n}")).unwrap();
        (
            part.outline.bounds().width(),
            part.outline.bounds().height(),
        )
    };
    for (n, (width, height)) in (1..).zip([
        (360.0, 300.0),
        (360.0, 300.0),
        (480.0, 300.0),
        (480.0, 300.0),
        (456.0, 360.0),
        (240.0, 300.0),
        (240.0, 300.0),
        (220.0, 150.0),
        (220.0, 150.0),
        (480.0, 80.0),
    ]) {
        let (w, h) = size(n);
        assert!(
            (w - width).abs() < 1e-6 && (h - height).abs() < 1e-6,
            "part {n} is {w} by {h}"
        );
    }
    // The top is a rectangle less two rounded corners: each corner loses r² (1 - pi / 4).
    let top = 480.0 * 300.0 - 2.0 * 400.0 * (1.0 - std::f64::consts::FRAC_PI_4);
    for n in [3, 4] {
        let part = work.part(&format!("cabinet-1/{n}")).unwrap();
        assert!((part.outline.area() - top).abs() < 1e-3, "part {n}");
    }
    // Depths captured as 12 in 12 mm stock go through, the others do not; the outline is among the features of the variant.
    assert_eq!(work.variants.len(), 10);
    for v in &work.variants {
        for f in &v.features {
            let through = matches!(
                f.kind,
                FeatureKind::Cutout | FeatureKind::Outline | FeatureKind::Hole
            );
            assert_eq!(f.through, through, "{} {}", v.id, f.key);
            if through {
                assert!((f.floor + 0.3).abs() < 1e-9);
            }
        }
        assert!(v.features.iter().any(|f| f.key == "outline"));
    }
}

#[test]
fn cutting_sheet_both_layouts_are_alike() {
    let work = sheet("");
    assert_eq!(work.parts.len(), 20);
    for n in 1..=10 {
        let (a, b) = (
            work.part(&format!("cabinet-1/{n}")).unwrap(),
            work.part(&format!("cabinet-2/{n}")).unwrap(),
        );
        assert!((a.outline.area() - b.outline.area()).abs() < 1e-3, "{n}");
        assert_eq!(a.features.len(), b.features.len());
        let keys = |p: &grainway_pipeline::work::Part| {
            p.features.iter().map(|f| f.key.clone()).collect::<Vec<_>>()
        };
        assert_eq!(keys(a), keys(b), "keys come from kind and place alone");
    }
}

/// A small drawing in text, from words.
fn dxf(words: &str) -> Vec<u8> {
    let all = format!(
        "0 SECTION 2 HEADER 9 $INSUNITS 70 4 0 ENDSEC 0 SECTION 2 ENTITIES {words} 0 ENDSEC 0 EOF"
    );
    let words: Vec<&str> = all.split_whitespace().collect();
    words
        .chunks(2)
        .map(|w| format!("{}\n{}\n", w[0], w[1]))
        .collect::<String>()
        .into_bytes()
}

fn rect(layer: &str, x: f64, y: f64, w: f64, h: f64) -> String {
    let (r, t) = (x + w, y + h);
    format!(
        "0 LWPOLYLINE 8 {layer} 90 4 70 1 10 {x} 20 {y} 10 {r} 20 {y} 10 {r} 20 {t} 10 {x} 20 {t} "
    )
}

fn draw(words: &str, more: &str) -> Work {
    let job = format!(
        r#"{{ "format": "grainway.job/1", "name": "t", "shop": "s", "drawings": [ {{ "id": "d", "file": "d.dxf", "stock": "ash-22" {more},
        "layers": [ {{ "layer": "out", "make": "outline" }}, {{ "layer": "pocket-(?P<depth>[0-9.]+)", "make": "pocket" }},
        {{ "layer": "cut", "make": "cutout" }}, {{ "layer": "hole-(?P<diameter>[0-9.]+)", "make": "hole", "depth": 10 }},
        {{ "layer": "line", "make": "engraving", "depth": 1 }}, {{ "layer": "no", "ignore": true }} ] }} ] }}"#
    );
    run(
        &job,
        SHOP,
        Held(BTreeMap::from([("d.dxf".to_string(), dxf(words))])),
        true,
    )
}

#[test]
fn islands_strays_and_parts_in_cutouts() {
    let words = [
        rect("out", 0.0, 0.0, 400.0, 300.0),
        rect("pocket-5", 20.0, 20.0, 100.0, 100.0),
        rect("pocket-5", 40.0, 40.0, 60.0, 60.0),
        rect("pocket-5", 60.0, 60.0, 20.0, 20.0),
        rect("cut", 200.0, 50.0, 150.0, 200.0),
        // A part in the cutout's waste, with a hole of its own.
        rect("out", 220.0, 70.0, 80.0, 80.0),
        "0 CIRCLE 8 hole-8 10 240 20 90 40 4 ".to_string(),
        rect("pocket-5", 500.0, 0.0, 10.0, 10.0),
    ]
    .concat();
    let work = draw(&words, "");
    let codes: Vec<&str> = work.findings.iter().map(|f| f.code.as_str()).collect();
    assert_eq!(codes, ["contour-in-no-outline"], "{:#?}", work.findings);
    let (big, small) = (work.part("d/1").unwrap(), work.part("d/2").unwrap());
    let keys: Vec<(&str, usize)> = big
        .features
        .iter()
        .map(|f| (f.key.as_str(), f.islands.len()))
        .collect();
    assert_eq!(
        keys,
        [
            ("cutout@275.0,150.0", 0),
            ("pocket@70.0,70.0", 0),
            ("pocket@70.0,70.0~2", 1)
        ]
    );
    assert!(
        big.features[2].islands[0].area() < 0.0,
        "islands run clockwise"
    );
    assert_eq!(small.features[0].key, "hole@20.0,20.0");
    let b = &work.balances[0];
    assert_eq!((b.read, b.used, b.ignored, b.warned), (8, 7, 0, 1));
}

#[test]
fn faults_of_drawing_are_named_with_layer_and_place() {
    let words = [
        rect("out", 0.0, 0.0, 400.0, 300.0),
        "0 LWPOLYLINE 8 out 90 3 70 0 10 500 20 0 10 600 20 0 10 600 20 90 ".to_string(),
        "0 LWPOLYLINE 8 cut 90 4 70 1 10 10 20 10 10 60 20 60 10 60 20 10 10 10 20 60 ".to_string(),
        rect("hole-8", 100.0, 100.0, 8.0, 8.0),
        "0 TEXT 8 cut 10 5 20 6 1 note 0 LINE 8 odd 10 0 20 0 11 5 21 5 0 LINE 8 no 10 0 20 0 11 5 21 5 ".to_string(),
        rect("out", 0.0, 0.0, 400.0, 300.0),
        rect("out", 380.0, 280.0, 100.0, 100.0),
        "0 CIRCLE 8 hole-8 10 200 20 200 40 4.5 ".to_string(),
    ]
    .concat();
    let work = draw(&words, "");
    let codes: Vec<&str> = work.findings.iter().map(|f| f.code.as_str()).collect();
    for expected in [
        "contour-open",
        "contour-self-crossing",
        "hole-not-round",
        "entity-not-read",
        "layer-unmatched",
        "double-dropped",
        "outlines-overlap",
        "captured-size",
    ] {
        assert!(codes.contains(&expected), "{expected}: {codes:?}");
    }
    let crossing = with_code(&work, "contour-self-crossing")[0];
    assert!(
        crossing.message.contains("cut")
            && crossing
                .at
                .is_some_and(|p| p.distance(grainway_geom::point(35.0, 35.0)) < 0.01)
    );
    let b = &work.balances[0];
    // 10 read: 3 used (two outlines, the circle), 1 ignored, and 6 named.
    assert_eq!(
        (b.read, b.used, b.ignored, b.warned),
        (10, 3, 1, 6),
        "{b:?}"
    );
    for (layer, read, used, ignored, warned) in &b.layers {
        assert_eq!(*read, used + ignored + warned, "{layer}");
    }
}

/// Contours outside the window, one over its edge, and one that the job leaves out; and a stray open line that is left out too.
#[test]
fn a_window_and_what_is_left_out() {
    let words = [
        rect("out", 0.0, 0.0, 400.0, 300.0),
        rect("pocket-5", 20.0, 20.0, 100.0, 100.0),
        rect("pocket-5", 200.0, 20.0, 100.0, 100.0),
        "0 LINE 8 cut 10 250 20 200 11 300 21 250 ".to_string(),
        rect("out", 600.0, 0.0, 400.0, 300.0),
        rect("out", 450.0, 0.0, 100.0, 300.0),
    ]
    .concat();
    let window = r#", "window": { "at": [-10, -10], "size": [500, 400] }"#;
    let left_out = |place: &str| {
        format!(
            r#"{window}, "leave-out": [ {{ "layer": "pocket-5", "at": {place} }}, {{ "layer": "cut", "at": [275, 225] }} ]"#
        )
    };
    let work = draw(&words, &left_out("[200.5, 60]"));
    let codes: Vec<&str> = work.findings.iter().map(|f| f.code.as_str()).collect();
    assert_eq!(codes, ["window-crossed"], "{:#?}", work.findings);
    assert_eq!(work.parts.len(), 1);
    let keys: Vec<&str> = work.parts[0]
        .features
        .iter()
        .map(|f| f.key.as_str())
        .collect();
    assert_eq!(keys, ["pocket@70.0,70.0"]);
    let b = &work.balances[0];
    assert_eq!((b.read, b.used, b.ignored, b.warned), (6, 2, 4, 0));
    // 1.5 mm beside the contour: nothing is meant.
    let work = draw(&words, &left_out("[198.5, 60]"));
    let missed = with_code(&work, "leave-out-misses");
    assert_eq!(missed.len(), 1, "{:#?}", work.findings);
    assert!(missed[0].message.contains("the nearest passes 1.5 mm away"));
    assert_eq!(
        missed[0].pointer,
        Some("job#/drawings/0/leave-out/0".into())
    );
}

/// 32 contours on a layer that was forgotten were left uncut in a job that was ready.
#[test]
fn closed_contours_on_a_layer_without_a_rule_are_an_error() {
    let outline = rect("out", 0.0, 0.0, 400.0, 300.0);
    for (more, error) in [
        (rect("forgotten", 20.0, 20.0, 10.0, 10.0), true),
        (
            "0 LINE 8 forgotten 10 20 20 20 11 30 21 20 ".to_string(),
            false,
        ),
    ] {
        let work = draw(&(outline.clone() + &more), "");
        let found = with_code(&work, "layer-unmatched");
        assert_eq!(found.len(), 1, "{:#?}", work.findings);
        assert_eq!(found[0].severity == Severity::Error, error, "{}", found[0]);
    }
}

#[test]
fn the_parts_map_names_counts_and_adds() {
    let words = rect("out", 10.0, 20.0, 200.0, 100.0) + &rect("out", 300.0, 20.0, 200.0, 100.0);
    let more = r#", "copies": 2, "parts": { "d/1": { "id": "shelf", "count": 3, "features": [
        { "id": "peg", "kind": "hole", "shape": { "circles": { "at": [[20, 20], [40, 20]], "diameter": 6 } }, "depth": 10 } ] },
        "d/9": { "count": 1 } }"#;
    let work = draw(&words, more);
    let shelf = work.part("shelf").unwrap();
    assert_eq!(shelf.count, 6);
    assert_eq!(
        shelf
            .features
            .iter()
            .map(|f| f.key.as_str())
            .collect::<Vec<_>>(),
        ["peg.1", "peg.2"]
    );
    assert_eq!(work.part("d/2").unwrap().count, 2);
    assert!(shelf.source.at.distance(grainway_geom::point(10.0, 20.0)) < 1e-9);
    let unknown = with_code(&work, "unknown-name");
    assert!(
        unknown[0]
            .pointer
            .as_ref()
            .is_some_and(|p| p.place().ends_with("/parts/d~19")),
        "{unknown:?}"
    );
}

#[test]
fn only_some_parts_are_made() {
    let job = r#"{ "format": "grainway.job/1", "name": "t", "shop": "s", "only": ONLY, "parts": [
        { "id": "rail", "count": 4, "stock": "ash-22", "blank": { "length": 300, "width": 50 } },
        { "id": "shelf", "stock": "ash-22", "blank": { "length": 300, "width": 100 } } ] }"#;
    let made = |only: &str| run(&job.replace("ONLY", only), SHOP, Held::default(), true);
    let parts = |work: &Work| -> Vec<(String, u32)> {
        let all = work.parts.iter();
        all.map(|p| (p.id.clone(), p.count)).collect()
    };
    let work = made(r#"{ "rail": 1 }"#);
    assert_eq!(parts(&work), [("rail".to_string(), 1)]);
    assert_eq!(errors(&work), Vec::<String>::new());
    assert_eq!(parts(&made("{}")).len(), 2);
    let work = made(r#"{ "rial": 1, "shelf": 0 }"#);
    let found = errors(&work);
    assert_eq!(found.len(), 2, "{found:?}");
    assert!(found[1].contains("Did you mean rail?"), "{found:?}");
    assert!(found[0].contains("it must be from 1"), "{found:?}");

    // A drawn place is one place.
    let job = SHEET_JOB.replace("SHEETS", r#""sheets": [1], "#).replace(
        "\"shop\": \"s\",",
        "\"shop\": \"s\", \"only\": { \"cabinet-1/1\": 2 },",
    );
    let work = run(&job, SHOP, cutting_sheet(), true);
    assert!(
        errors(&work).iter().any(|e| e.contains("is made once")),
        "{:?}",
        errors(&work)
    );
}

#[test]
fn twelve_unrelated_mistakes_come_in_one_run() {
    let job = r#"{ "format": "grainway.job/1", "name": "t", "shop": "s",
      "drawings": [
        { "id": "a/b", "file": "none.dxf", "stock": "ash-22", "layers": [ { "layer": "(", "make": "pocket" } ] },
        { "id": "junk", "file": "junk.dxf", "stock": "ash-22", "layers": [] },
        { "id": "gif", "file": "a.gif", "stock": "ash-22", "layers": [], "copies": 0 } ],
      "parts": [
        { "id": "p", "stock": "ash-2", "blank": { "length": 0, "width": 50 } },
        { "id": "p2", "count": 0, "stock": "ash-22", "blank": { "length": 100, "width": 50 } },
        { "id": ".x", "stock": "ash-22", "blank": { "length": 100, "width": 50 } },
        { "id": "q", "stock": "ash-22" },
        { "id": "r", "stock": "ash-22", "blank": { "length": 300, "width": 100 }, "features": [
          { "id": "deep", "kind": "pocket", "shape": { "rectangle": { "at": [20, 20], "size": [30, 30] } }, "depth": 40 },
          { "id": "out", "kind": "pocket", "shape": { "rectangle": { "at": [400, 20], "size": [30, 30] } }, "depth": 4 },
          { "id": "over", "kind": "hole", "shape": { "circle": { "at": [0, 20], "diameter": 8 } }, "depth": 4 },
          { "id": "none", "kind": "pocket", "shape": { "circle": { "at": [60, 60], "diameter": 8 } } },
          { "id": "none", "kind": "cutout", "shape": { "circle": { "at": [90, 60], "diameter": 8 } }, "cutter": "mill-7" } ] },
        { "id": "r", "stock": "ash-22", "blank": { "length": 300, "width": 100 } },
        { "id": "good", "stock": "ash-22", "blank": { "length": 300, "width": 100 } } ] }"#;
    let files = Held(BTreeMap::from([
        ("junk.dxf".to_string(), b"junk".to_vec()),
        ("a.gif".to_string(), Vec::new()),
    ]));
    let work = run(job, SHOP, files, true);
    let found: Vec<(&str, &str)> = work
        .findings
        .iter()
        .filter(|f| f.severity == Severity::Error)
        .map(|f| {
            (
                f.code.as_str(),
                f.pointer.as_ref().map_or("", |p| p.place()),
            )
        })
        .collect();
    for expected in [
        ("bad-id", "/drawings/0/id"),
        ("cannot-read", "/drawings/0/file"),
        ("document-invalid", "/drawings/0/layers/0/layer"),
        ("drawing-damaged", "/drawings/1/file"),
        ("bad-number", "/drawings/2/copies"),
        ("cannot-read", "/drawings/2/file"),
        ("unknown-name", "/parts/0/stock"),
        ("bad-number", "/parts/0/blank/length"),
        ("bad-number", "/parts/1/count"),
        ("bad-id", "/parts/2/id"),
        ("document-invalid", "/parts/3"),
        ("depth-beyond-stock", "/parts/4/features/0"),
        ("feature-outside-part", "/parts/4/features/1"),
        ("feature-outside-part", "/parts/4/features/2"),
        ("document-invalid", "/parts/4/features/3"),
        ("duplicate-id", "/parts/4/features/4/id"),
        ("duplicate-id", "/parts/5/id"),
    ] {
        assert!(
            found.contains(&expected),
            "{expected:?} is not among {found:#?}"
        );
    }
    assert!(work.part("good").is_some() && work.variant("good").is_some());
}

#[test]
fn an_insertion_on_an_ignored_layer_takes_its_contents_along_and_says_so() {
    let all = "0 SECTION 2 HEADER 9 $INSUNITS 70 4 0 ENDSEC 0 SECTION 2 BLOCKS 0 BLOCK 2 b 10 0 20 0 0 CIRCLE 8 cut 10 50 20 50 40 9 0 LINE 8 x 10 0 20 0 11 1 21 1 0 ENDBLK 0 ENDSEC
        0 SECTION 2 ENTITIES 0 INSERT 8 no 2 b 10 0 20 0 0 LWPOLYLINE 8 out 90 4 70 1 10 0 20 0 10 100 20 0 10 100 20 100 10 0 20 100 0 ENDSEC 0 EOF";
    let words: Vec<&str> = all.split_whitespace().collect();
    let text: String = words
        .chunks(2)
        .map(|w| format!("{}\n{}\n", w[0], w[1]))
        .collect();
    let job = r#"{ "format": "grainway.job/1", "name": "t", "shop": "s", "drawings": [ { "id": "d", "file": "d.dxf", "stock": "ash-22",
        "layers": [ { "layer": "out", "make": "outline" }, { "layer": "cut", "make": "cutout" }, { "layer": "no", "ignore": true } ] } ] }"#;
    let work = run(
        job,
        SHOP,
        Held(BTreeMap::from([("d.dxf".to_string(), text.into_bytes())])),
        false,
    );
    let b = &work.balances[0];
    assert_eq!((b.read, b.used, b.ignored, b.warned), (4, 1, 3, 0));
    assert_eq!(with_code(&work, "block-ignored").len(), 1);
}

#[test]
fn units_and_empty_drawings_are_refused() {
    let refused = |words: &str, more: &str| -> Vec<String> {
        draw(words, more)
            .findings
            .iter()
            .map(|f| f.code.clone())
            .collect()
    };
    let part = rect("out", 0.0, 0.0, 100.0, 50.0);
    assert_eq!(refused(&part, ""), Vec::<String>::new());
    assert_eq!(refused(&part, r#", "unit": "in""#), ["drawing-unit"]);
    assert_eq!(
        refused(&rect("cut", 0.0, 0.0, 9.0, 9.0), ""),
        ["nothing-to-make"]
    );
    assert_eq!(refused(&part, r#", "sheets": [2]"#), ["unknown-name"]);
}
