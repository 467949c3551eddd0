//! Bad input through the real command: each a finding that says where, exit code 1, and nothing half-written.

use crate::bench::Bench;
use serde_json::{Value, json};

fn shop() -> Value {
    json!({
        "format": "grainway.shop/1", "unit": "mm",
        "machines": { "router": {
            "dialect": "rs274-ngc", "travel": [1300, 900, 120], "z-zero": "bed", "max-feed": 6000, "max-plunge": 1500,
            "rapid": 10000, "acceleration": 500, "min-rpm": 8000, "max-rpm": 24000, "cutter-change": "machine",
            "spoilboard": 18 } },
        "cutters": { "mill": { "kind": "end-mill", "number": 1, "diameter": 6, "cutting-length": 25,
            "usable-length": 34, "max-rpm": 24000 } },
        "stocks": { "wood": { "wood": "ash", "thickness": [20],
            "boards": [{ "id": "b", "length": 1000, "width": 400 }] } }
    })
}

fn job() -> Value {
    json!({
        "format": "grainway.job/1", "name": "Shelf", "shop": "shop.json",
        "parts": [{ "id": "shelf", "stock": "wood", "blank": { "length": 300, "width": 120 },
            "features": [{ "id": "p", "kind": "pocket",
                "shape": { "rectangle": { "at": [100, 40], "size": [60, 40] } }, "depth": 8 }] }]
    })
}

/// A drawing with entities as raw group codes.
fn dxf(entities: &str) -> String {
    format!(
        "0\nSECTION\n2\nHEADER\n9\n$ACADVER\n1\nAC1009\n9\n$INSUNITS\n70\n4\n0\nENDSEC\n0\nSECTION\n2\nENTITIES\n{entities}0\nENDSEC\n0\nEOF\n"
    )
}

fn line(layer: &str, a: (f64, f64), b: (f64, f64)) -> String {
    format!(
        "0\nLINE\n8\n{layer}\n10\n{}\n20\n{}\n11\n{}\n21\n{}\n",
        a.0, a.1, b.0, b.1
    )
}

fn drawn_job() -> Value {
    json!({
        "format": "grainway.job/1", "name": "Drawn", "shop": "shop.json",
        "drawings": [{ "id": "d", "file": "d.dxf", "unit": "mm", "stock": "wood",
            "layers": [{ "layer": "^out$", "make": "outline", "depth": "through" }] }]
    })
}

/// Runs `make` in the folder and checks everything a refusal promises; gives the report's findings.
fn refused(bench: &Bench, codes: &[&str]) -> Vec<Value> {
    let run = bench.make();
    let said = format!("{}{}", run.out, run.err);
    assert_eq!(run.exit, 1, "{said}");
    assert!(!said.contains("panicked"), "{said}");
    let findings = bench.report()["findings"]
        .as_array()
        .expect("findings")
        .clone();
    for code in codes {
        let found = findings
            .iter()
            .find(|f| f["code"] == **code && f["severity"] == "error");
        let f = found.unwrap_or_else(|| panic!("no error {code} in {findings:#?}\n{said}"));
        assert!(
            !f["message"].as_str().unwrap().is_empty() && !f["remedy"].as_str().unwrap().is_empty(),
            "{f}"
        );
        let placed = ["pointer", "part", "setup", "at"]
            .iter()
            .any(|k| !f[*k].is_null());
        assert!(placed, "{f} says where");
        assert!(said.contains(code), "{code} is printed: {said}");
    }
    assert!(
        !bench.has_files("out/programs"),
        "programs are offered in spite of {codes:?}"
    );
    let beside: Vec<_> = std::fs::read_dir(&bench.root)
        .unwrap()
        .map(|e| e.unwrap().file_name())
        .collect();
    assert!(
        beside.iter().all(|n| !n.to_string_lossy().contains("tmp")),
        "left beside: {beside:?}"
    );
    findings
}

fn refuse(job: &Value, shop: &Value, codes: &[&str]) -> Vec<Value> {
    let bench = Bench::new();
    bench.put("job/job.json", job.to_string());
    bench.put("job/shop.json", shop.to_string());
    refused(&bench, codes)
}

fn refuse_drawing(bytes: impl AsRef<[u8]>, codes: &[&str]) -> Vec<Value> {
    let bench = Bench::new();
    bench.put("job/job.json", drawn_job().to_string());
    bench.put("job/shop.json", shop().to_string());
    bench.put("job/d.dxf", bytes);
    refused(&bench, codes)
}

#[test]
fn the_base_job_is_ready() {
    let bench = Bench::new();
    bench.put("job/job.json", job().to_string());
    bench.put("job/shop.json", shop().to_string());
    let output = bench.make();
    assert_eq!(output.exit, 0, "{}", output.err);
    assert!(bench.has_files("out/programs"));
}

#[test]
fn damaged_drawings() {
    let square: String = [
        ((0.0, 0.0), (200.0, 0.0)),
        ((200.0, 0.0), (200.0, 100.0)),
        ((200.0, 100.0), (0.0, 100.0)),
        ((0.0, 100.0), (0.0, 0.0)),
    ]
    .map(|(a, b)| line("out", a, b))
    .concat();
    let whole = dxf(&square);
    refuse_drawing(&whole[..whole.len() * 2 / 3], &["drawing-damaged"]);
    refuse_drawing(
        [0u8, 159, 146, 150, 7, 255, 0, 1, 2, 3].repeat(50),
        &["drawing-damaged"],
    );
    refuse_drawing("", &["drawing-damaged"]);
    let open = dxf(&[
        ((0.0, 0.0), (200.0, 0.0)),
        ((200.0, 0.0), (200.0, 100.0)),
        ((200.0, 100.0), (0.0, 100.0)),
    ]
    .map(|(a, b)| line("out", a, b))
    .concat());
    let findings = refuse_drawing(open, &["contour-open"]);
    assert!(
        findings
            .iter()
            .any(|f| f["code"] == "contour-open" && f["message"].as_str().unwrap().contains("out"))
    );
    let bow: String = [
        ((0.0, 0.0), (200.0, 100.0)),
        ((200.0, 100.0), (200.0, 0.0)),
        ((200.0, 0.0), (0.0, 100.0)),
        ((0.0, 100.0), (0.0, 0.0)),
    ]
    .map(|(a, b)| line("out", a, b))
    .concat();
    refuse_drawing(dxf(&bow), &["contour-self-crossing"]);
}

#[test]
fn drawings_that_are_not_there_or_not_allowed() {
    let mut missing = drawn_job();
    missing["drawings"][0]["file"] = json!("nowhere.dxf");
    refuse(&missing, &shop(), &["cannot-read"]);
    for path in ["../d.dxf", "/etc/hostname", "x/../../d.dxf"] {
        let mut job = drawn_job();
        job["drawings"][0]["file"] = json!(path);
        refuse(&job, &shop(), &["cannot-read"]);
    }
    #[cfg(unix)]
    {
        let bench = Bench::new();
        bench.put("job/job.json", drawn_job().to_string());
        bench.put("job/shop.json", shop().to_string());
        std::os::unix::fs::symlink("/etc/hostname", bench.path("job/d.dxf")).unwrap();
        refused(&bench, &["cannot-read"]);
    }
}

/// The base job with one value replaced.
fn with(pointer: &str, value: Value) -> Value {
    let mut job = job();
    *job.pointer_mut(pointer).unwrap() = value;
    job
}

#[test]
fn features_that_cannot_be() {
    let outside = with("/parts/0/features/0/shape/rectangle/at", json!([400, 40]));
    refuse(&outside, &shop(), &["feature-outside-part"]);
    refuse(
        &with("/parts/0/features/0/depth", json!(25)),
        &shop(),
        &["depth-beyond-stock"],
    );
    let small = with("/parts/0/features/0/shape/rectangle/size", json!([60, 4]));
    let findings = refuse(&small, &shop(), &[]);
    assert!(
        findings
            .iter()
            .any(|f| f["code"] == "cutter-too-large" || f["code"] == "unreachable"),
        "{findings:#?}"
    );
    let mut thick = shop();
    thick["stocks"]["wood"]["thickness"] = json!([26]);
    let findings = refuse(&job(), &thick, &["cutter-too-short"]);
    let short = findings
        .iter()
        .find(|f| f["code"] == "cutter-too-short")
        .unwrap();
    let message = short["message"].as_str().unwrap();
    assert!(
        message.contains("25") && message.contains("26"),
        "{message}"
    );
    let large = with("/parts/0/blank/length", json!(1100));
    refuse(&large, &shop(), &["part-too-large"]);
}

#[test]
fn settings_and_names() {
    let mut top = shop();
    top["machines"]["router"]["z-zero"] = json!("top");
    let mut skin = job();
    skin["settings"] = json!({ "hold": { "skin": true } });
    refuse(&skin, &top, &["skin-on-top"]);
    let mut wood = shop();
    wood["stocks"]["wood"]["wood"] = json!("ahs");
    let findings = refuse(&job(), &wood, &["unknown-name"]);
    assert!(
        findings.iter().any(|f| f["message"]
            .as_str()
            .unwrap()
            .contains("the nearest is ash")),
        "{findings:#?}"
    );
}

/// A cutter that is wrong was set aside; that no cutter is left for a feature only follows and is not told.
#[test]
fn a_bad_cutter_is_told_alone() {
    for diameter in [json!(0), json!(-6), json!(0.001), json!(600), json!("6cm")] {
        let mut bad = shop();
        bad["cutters"]["mill"]["diameter"] = diameter.clone();
        let findings = refuse(&job(), &bad, &[]);
        assert_eq!(findings.len(), 1, "{diameter}: {findings:#?}");
        let at = findings[0]["pointer"].as_str().unwrap();
        assert_eq!(at, "shop.json#/cutters/mill/diameter", "{findings:#?}");
    }
    // A cutter that is only too thick is told with the feature.
    let mut thick = shop();
    thick["cutters"]["mill"]["diameter"] = json!(50);
    refuse(&job(), &thick, &["cutter-too-large"]);
}

#[test]
fn numbers_out_of_range() {
    for (name, pointer, value) in [
        ("zero", "/parts/0/blank/length", json!(0)),
        ("negative", "/parts/0/blank/width", json!(-5)),
        ("zero-depth", "/parts/0/features/0/depth", json!(0)),
        ("negative-depth", "/parts/0/features/0/depth", json!(-1)),
        ("huge", "/parts/0/blank/length", json!(1e300)),
    ] {
        let findings = refuse(&with(pointer, value), &shop(), &[]);
        let bad = ["bad-number", "document-invalid", "part-too-large"];
        assert!(
            findings
                .iter()
                .any(|f| bad.contains(&f["code"].as_str().unwrap())),
            "{name}: {findings:#?}"
        );
    }
    let bench = Bench::new();
    bench.put("job/job.json", job().to_string().replace("300", "1e999"));
    bench.put("job/shop.json", shop().to_string());
    refused(&bench, &["document-invalid"]);
    let bench = Bench::new();
    bench.put("job/job.json", job().to_string().replace("300", "NaN"));
    bench.put("job/shop.json", shop().to_string());
    refused(&bench, &["document-invalid"]);
}

#[test]
fn monstrous_documents() {
    let bench = Bench::new();
    let mut bytes = job().to_string().into_bytes();
    bytes.pop();
    bytes.extend(b", \"name2\": \"");
    bytes.resize(50 * 1024 * 1024, b'x');
    bytes.extend(b"\"}");
    bench.put("job/job.json", bytes);
    bench.put("job/shop.json", shop().to_string());
    refused(&bench, &["cannot-read"]);
    for depth in [200usize, 100_000] {
        let bench = Bench::new();
        bench.put(
            "job/job.json",
            format!("{}{}", "[".repeat(depth), "]".repeat(depth)),
        );
        bench.put("job/shop.json", shop().to_string());
        refused(&bench, &["document-invalid"]);
    }
}

#[test]
fn a_withheld_run_takes_yesterdays_programs_away() {
    let bench = Bench::new();
    bench.put("job/job.json", job().to_string());
    bench.put("job/shop.json", shop().to_string());
    assert_eq!(bench.make().exit, 0);
    assert!(bench.has_files("out/programs"));
    bench.put(
        "job/job.json",
        with("/parts/0/features/0/depth", json!(25)).to_string(),
    );
    refused(&bench, &["depth-beyond-stock"]);
}

#[test]
fn twelve_unrelated_mistakes_are_named_in_one_run() {
    let bench = Bench::new();
    let mut shop = shop();
    shop["stocks"]["odd"] = json!({ "wood": "ahs", "thickness": [20], "boards": [{ "id": "b", "length": 500, "width": 200 }] });
    shop["cutters"]["mill"]["colour"] = json!("red");
    let pocket = |at: [f64; 2], size: [f64; 2], depth: f64| json!({ "kind": "pocket", "shape": { "rectangle": { "at": at, "size": size } }, "depth": depth });
    let part = |id: &str, extra: Value| {
        let mut part =
            json!({ "id": id, "stock": "wood", "blank": { "length": 300, "width": 120 } });
        part.as_object_mut()
            .unwrap()
            .extend(extra.as_object().unwrap().clone());
        part
    };
    let job = json!({
        "format": "grainway.job/1", "name": "Twelve", "shop": "shop.json",
        "drawings": [
            { "id": "gone", "file": "gone.dxf", "unit": "mm", "stock": "wood", "layers": [] },
            { "id": "out", "file": "../x.dxf", "unit": "mm", "stock": "wood", "layers": [] },
            { "id": "bad", "file": "bad.dxf", "unit": "mm", "stock": "wood",
              "layers": [{ "layer": "^out$", "make": "outline", "depth": "through" }] }
        ],
        "parts": [
            part("deep", json!({ "features": [pocket([100.0, 40.0], [60.0, 40.0], 25.0)] })),
            part("away", json!({ "features": [pocket([500.0, 40.0], [60.0, 40.0], 8.0)] })),
            part("narrow", json!({ "features": [pocket([100.0, 40.0], [60.0, 4.0], 8.0)] })),
            part("long", json!({ "blank": { "length": 1100, "width": 100 } })),
            part("zero", json!({ "blank": { "length": 0, "width": 100 } })),
            part("stockless", json!({ "stock": "wod" })),
            part("species", json!({ "stock": "odd", "blank": { "length": 200, "width": 100 } })),
            part("typo", json!({ "cout": 2 }))
        ],
        "settings": { "pokcet": {} }
    });
    bench.put("job/job.json", job.to_string());
    bench.put("job/shop.json", shop.to_string());
    let open = dxf(
        &[((0.0, 0.0), (200.0, 0.0)), ((200.0, 0.0), (200.0, 100.0))]
            .map(|(a, b)| line("out", a, b))
            .concat(),
    );
    bench.put("job/bad.dxf", open);
    let findings = refused(&bench, &[]);
    let errors: Vec<&Value> = findings
        .iter()
        .filter(|f| f["severity"] == "error")
        .collect();
    let about = |what: &str, test: &dyn Fn(&str, &str) -> bool| {
        assert!(
            errors
                .iter()
                .any(|f| test(f["code"].as_str().unwrap(), &f.to_string())),
            "{what} is not named: {errors:#?}"
        );
    };
    about("1 the missing drawing", &|c, f| {
        c == "cannot-read" && f.contains("gone.dxf")
    });
    about("2 the path outside", &|c, f| {
        c == "cannot-read" && f.contains("x.dxf")
    });
    about("3 the open contour", &|c, _| c == "contour-open");
    about("4 the depth", &|c, f| {
        c == "depth-beyond-stock" && f.contains("deep")
    });
    about("5 the feature outside", &|c, f| {
        c == "feature-outside-part" && f.contains("away")
    });
    about("6 the narrow pocket", &|c, f| {
        (c == "cutter-too-large" || c == "unreachable") && f.contains("narrow")
    });
    about("7 the long part", &|c, f| {
        c == "part-too-large" && f.contains("long")
    });
    about("8 the zero length", &|c, f| {
        (c == "bad-number" || c == "document-invalid") && f.contains("/parts/4")
    });
    about("9 the unknown stock", &|c, f| {
        c == "unknown-name" && f.contains("wod")
    });
    about("10 the unknown wood", &|c, f| {
        c == "unknown-name" && f.contains("ahs")
    });
    about("11 the mistyped key", &|c, f| {
        c == "document-invalid" && f.contains("cout") && f.contains("count")
    });
    about("12 the settings of no stage", &|c, f| {
        c == "unknown-name" && f.contains("pokcet") && f.contains("pocket")
    });
    about("13 the shop's unknown key", &|c, f| {
        c == "document-invalid" && f.contains("colour")
    });
}
