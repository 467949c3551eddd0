//! Documents and drawings: slips of the pen that a maker must confirm, and drawings of very many lines.

use grainway_pipeline::doc::FeatureKind;
use grainway_tests::{Made, load, load_texts, make, root, sample};
use serde_json::json;
use std::path::PathBuf;

fn folder(case: &str) -> PathBuf {
    root().join("tests/cases/documents").join(case)
}

/// The case with its thickness readings written as these.
fn with_readings(case: &str, file: &str, from: &str, to: &str) -> Made {
    let read = |name: &str| {
        let text = std::fs::read_to_string(folder(case).join(name)).unwrap();
        if name == file {
            assert!(text.contains(from), "{text}");
            text.replace(from, to)
        } else {
            text
        }
    };
    let loaded = load_texts(&read("job.json"), &read("shop.json"), &folder(case));
    make(loaded.unwrap()).unwrap()
}

fn pointers(made: &Made, code: &str) -> Vec<String> {
    let found = made.with_code(code);
    found
        .iter()
        .filter_map(|f| Some(f.pointer.as_ref()?.to_string()))
        .collect()
}

#[test]
fn readings_far_apart_ask() {
    let made = make(load(&folder("mistyped-reading").join("job.json")).unwrap()).unwrap();
    assert!(!made.ready());
    let at = |i: usize| format!("shop#/stocks/ash-18/thickness/{i}");
    assert_eq!(pointers(&made, "readings-apart"), [at(0), at(1)]);
    let told = made.with_code("readings-apart")[0];
    assert!(told.message.contains("12 mm apart"), "{told}");
    assert!(
        told.remedy
            .contains(r#"{ "thickness": "6mm", "confirmed": true }"#),
        "{told}"
    );
    let written =
        |readings: &str| with_readings("mistyped-reading", "shop.json", "[6, 18]", readings);
    // The limit is 1.5 mm: inside it nothing is asked, just beyond it is.
    let inside = written("[17, 18.5]");
    assert!(!inside.work.programs.is_empty(), "{:?}", inside.errors());
    assert_eq!(pointers(&written("[17, 18.51]"), "readings-apart").len(), 2);
    // What one end confirms, the other has not.
    let one = written(r#"[{ "thickness": 17, "confirmed": true }, 18.6]"#);
    assert_eq!(pointers(&one, "readings-apart"), [at(1)]);
    let both = written(
        r#"[{ "thickness": 17, "confirmed": true }, { "thickness": "18.6mm", "confirmed": true }]"#,
    );
    assert!(!both.work.programs.is_empty(), "{:?}", both.errors());
}

#[test]
fn a_reading_unlike_the_shops_asks() {
    let made = make(load(&folder("reading-unlike-shop").join("job.json")).unwrap()).unwrap();
    assert!(made.work.programs.is_empty() && !made.ready());
    let at = "job#/stocks/ash-19/thickness/0";
    assert_eq!(pointers(&made, "reading-unlike-shop"), [at]);
    let told = made.with_code("reading-unlike-shop")[0];
    assert!(
        told.message.contains("25 mm") && told.message.contains("19.17 mm"),
        "{told}"
    );
    let written =
        |readings: &str| with_readings("reading-unlike-shop", "job.json", "[25]", readings);
    // 8 % of 19.17 mm is 1.5336 mm.
    for inside in ["[20.703]", "[17.637]"] {
        let made = written(inside);
        assert!(
            !made.work.programs.is_empty(),
            "{inside}: {:?}",
            made.errors()
        );
    }
    for beyond in ["[20.704]", "[17.636]"] {
        assert_eq!(
            pointers(&written(beyond), "reading-unlike-shop"),
            [at],
            "{beyond}"
        );
    }
    let confirmed = written(r#"[{ "thickness": 20.9, "confirmed": true }]"#);
    assert!(
        !confirmed.work.programs.is_empty(),
        "{:?}",
        confirmed.errors()
    );
}

/// A wavy outline of so many lines, drawn one by one.
fn outline_of_lines(n: usize) -> String {
    let at = |i: usize| {
        let turn = std::f64::consts::TAU * (i % n) as f64 / n as f64;
        let radius = 140.0 + 6.0 * (7.0 * turn).sin();
        (160.0 + radius * turn.cos(), 150.0 + radius * turn.sin())
    };
    let line = |i: usize| {
        let ((a, b), (c, d)) = (at(i), at(i + 1));
        format!("0\nLINE\n8\noutline\n10\n{a:.4}\n20\n{b:.4}\n11\n{c:.4}\n21\n{d:.4}\n")
    };
    let lines: String = (0..n).map(line).collect();
    format!("0\nSECTION\n2\nENTITIES\n{lines}0\nENDSEC\n0\nEOF\n")
}

#[test]
fn an_outline_of_many_lines_is_one_part() {
    let job = r#"{ "format": "grainway.job/1", "name": "Tray of the card-index cabinet", "unit": "mm", "shop": "s",
        "drawings": [{ "id": "tray", "file": "tray.dxf", "unit": "mm", "stock": "ash-19", "layers": [{ "layer": "outline", "make": "outline" }] }] }"#;
    let shop = std::fs::read_to_string(folder("reading-unlike-shop").join("shop.json")).unwrap();
    for n in [1_250, 1_777, 2_500] {
        let place = std::env::temp_dir().join(format!("grainway-lines-{n}-{}", std::process::id()));
        std::fs::create_dir_all(&place).unwrap();
        std::fs::write(place.join("tray.dxf"), outline_of_lines(n)).unwrap();
        let mut loaded = load_texts(job, &shop, &place).unwrap();
        loaded.work.documents.job.chain = Some(vec!["drawing".into(), "fit".into()]);
        let made = make(loaded);
        std::fs::remove_dir_all(&place).unwrap();
        let made = made.unwrap();
        assert_eq!(made.errors(), [""; 0]);
        let [part] = made.work.parts.as_slice() else {
            panic!("{n}: {} parts", made.work.parts.len());
        };
        assert!(
            part.outline.closed && part.outline.vertices.len() == n,
            "{n}"
        );
    }
}

/// A feature that was refused keeps its wood; telling so as a failure of the program would send the maker the wrong way.
#[test]
fn wood_of_a_refused_feature_is_not_told_as_a_failure() {
    let shop = json!({
        "format": "grainway.shop/1", "unit": "mm",
        "machines": { "router": {
            "dialect": "rs274-ngc", "travel": [1300, 900, 120], "z-zero": "bed", "max-feed": 6000, "max-plunge": 1500,
            "rapid": 10000, "acceleration": 500, "min-rpm": 8000, "max-rpm": 24000, "spoilboard": 18 } },
        "cutters": { "mill": { "kind": "end-mill", "number": 1, "diameter": 12, "cutting-length": 30,
            "usable-length": 40, "max-rpm": 24000 } },
        "stocks": { "ash": { "wood": "ash", "thickness": [20], "boards": [{ "id": "b", "length": 1000, "width": 400 }] } }
    });
    let job = json!({
        "format": "grainway.job/1", "name": "Drawer front of the card-index cabinet", "shop": "s",
        "parts": [{ "id": "front", "stock": "ash", "blank": { "length": 300, "width": 120 }, "features": [
            { "id": "recess", "kind": "pocket", "shape": { "rectangle": { "at": [60, 40], "size": [60, 10] } }, "depth": 8 },
            { "id": "lock", "kind": "pocket", "shape": { "rectangle": { "at": [160, 40], "size": [60, 40] } }, "depth": 8 }] }]
    });
    let made = make(load_texts(&job.to_string(), &shop.to_string(), &root()).unwrap()).unwrap();
    assert!(!made.ready());
    let told: Vec<_> = made.work.findings.iter().map(ToString::to_string).collect();
    assert_eq!(made.with_code("cutter-too-large").len(), 1, "{told:#?}");
    assert!(made.with_code("verify-leftover").is_empty(), "{told:#?}");
}

/// A decorative line that is drawn along an edge and past its ends, and a loop that hangs over an edge.
#[test]
fn a_line_drawn_past_the_edge_is_cut_where_the_part_is() {
    for (case, length) in [("line-past-an-edge", 400.0), ("loop-over-an-edge", 0.0)] {
        let made = make(load(&folder(case).join("job.json")).unwrap()).unwrap();
        let told: Vec<_> = made.work.findings.iter().map(ToString::to_string).collect();
        assert!(made.ready(), "{case}: {told:#?}");
        assert_eq!(made.with_code("line-trimmed").len(), 1, "{case}: {told:#?}");
        let variant = &made.work.variants[0];
        let part = variant.outline.bounds().grown(1e-6);
        let lines: Vec<_> = variant
            .features
            .iter()
            .filter(|f| f.kind == FeatureKind::Engraving)
            .collect();
        assert!(!lines.is_empty());
        for f in lines {
            assert!(
                part.contains(f.shape.bounds().min) && part.contains(f.shape.bounds().max),
                "{case}: {:?}",
                f.shape
            );
            assert!(f.shape.length() >= length, "{case}: {:?}", f.shape);
        }
    }
}

/// The stool's sides are 15 × 9 in of stock that reads 19.1667 mm on the mean; the allowances are the shop's. Sums reckoned by hand.
#[test]
fn the_parts_list_gives_rough_sizes_where_planer_and_saw_make_them() {
    let folder = sample("step-stool").parent().unwrap().to_path_buf();
    let read = |name: &str| std::fs::read_to_string(folder.join(name)).unwrap();
    let mut shop: serde_json::Value = serde_json::from_str(&read("shop.json")).unwrap();
    shop["settings"]["report"] =
        json!({ "rough-length": "1in", "rough-width": "1/4in", "rough-thickness": "0in" });
    let made = make(load_texts(&read("job.json"), &shop.to_string(), &folder).unwrap()).unwrap();
    let list = made.text(&made.work.files["partslist.csv"]);
    let lines: Vec<&str> = list.lines().collect();
    assert_eq!(
        lines[0],
        "part,name,count,stock,wood,length-in,width-in,thickness-in,rough-length-in,rough-width-in,rough-thickness-in,other-machines"
    );
    // The braces are cut from a board by this machine.
    assert!(
        lines[1].starts_with("brace,") && lines[1].ends_with(",,,,"),
        "{list}"
    );
    assert!(
        lines[2].ends_with(",15,9,0.7546,16,9.25,0.7546,plane and saw to the finished size"),
        "{list}"
    );
    assert_eq!(lines.len(), 3, "{list}");
}

/// Every setting of this case is wrong, and stands in the shop.
#[test]
fn a_finding_about_a_setting_names_the_document_that_holds_it() {
    let job_text = std::fs::read_to_string(folder("wrong-pointer").join("job.json")).unwrap();
    let shop_text = std::fs::read_to_string(folder("wrong-pointer").join("shop.json")).unwrap();
    let told = |job: &str| {
        let loaded = load_texts(job, &shop_text, &folder("wrong-pointer")).unwrap();
        let mut found = pointers(&make(loaded).unwrap(), "bad-number");
        found.sort();
        found
    };
    let of_shop = [
        "shop#/settings/fit/least-wall",
        "shop#/settings/hold/tab-neck",
        "shop#/settings/place/strip",
    ];
    assert_eq!(told(&job_text), of_shop);
    // The job's own setting goes over the shop's, and so is the one at fault; what it does not set stays the shop's.
    let mut job: serde_json::Value = serde_json::from_str(&job_text).unwrap();
    job["settings"] = json!({ "hold": { "tab-neck": -2 }, "place": { "strip": 8 } });
    assert_eq!(
        told(&job.to_string()),
        [
            "job#/settings/hold/tab-neck",
            "shop#/settings/fit/least-wall",
        ]
    );
}

#[test]
fn a_tenon_and_a_mortise_that_cannot_mate_are_told() {
    let wide = |width: &str| {
        let made = with_readings("tenon-without-mortise", "job.json", "18.0, 52", width);
        pointers(&made, "tenon-unmated")
    };
    let tenon = "job#/parts/1/blank/tenons/0";
    assert_eq!(wide("18.0, 52"), [tenon]);
    // With room for the thickest reading, 20.1 mm, and no more than a loose fit has: 0.8 mm.
    assert_eq!(wide("20.2, 52"), [""; 0]);
    assert_eq!(wide("20.9, 52"), [""; 0]);
    assert_eq!(wide("21.0, 52"), [tenon]);
    assert_eq!(wide("20.2, 49"), [tenon]);
}
