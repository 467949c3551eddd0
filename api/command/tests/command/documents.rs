//! Mistakes in documents: all of them at once, in words, exit 1, nothing half written.

use crate::bench::{Bench, job, shop};
use serde_json::{Value, json};

fn pointers(report: &Value) -> Vec<String> {
    let findings = report["findings"].as_array().unwrap();
    findings
        .iter()
        .map(|f| f["pointer"].as_str().unwrap_or("").to_string())
        .collect()
}

#[test]
fn an_unknown_key_offers_the_nearest() {
    let bench = Bench::new();
    let mut job = job();
    let part = job["parts"][0].as_object_mut().unwrap();
    let count = part.remove("count").unwrap();
    part.insert("cuont".to_string(), count);
    bench.put("job/job.json", job.to_string());
    let run = bench.make();
    assert_eq!(run.exit, 1, "{}", run.err);
    assert!(run.err.contains("did you mean \"count\"?"), "{}", run.err);
    let report = bench.report();
    assert_eq!(report["verdict"], "refused");
    assert_eq!(report["counts"]["errors"], 1);
    assert_eq!(pointers(&report)[0], "job.json#/parts/0/cuont");
}

#[test]
fn twelve_unrelated_mistakes_are_named_in_one_run() {
    let bench = Bench::new();
    let mut job = job();
    job["parts"][0]["cuont"] = json!(3);
    job["parts"][0]["features"][0]["shape"]["circle"]["diameter"] = json!(-20);
    job["parts"].as_array_mut().unwrap().extend([
        json!({ "id": "front", "stock": "ash-12", "outline": { "circle": { "at": [0, 0], "diameter": 50 } } }),
        json!({ "id": "back", "stock": "oak-12", "outline": { "circle": { "at": [0, 0], "diameter": 50 } } }),
        json!({ "id": "base", "stock": "ash-12", "outline": { "circle": { "at": [0, 0], "diameter": 80 } },
                "features": [{ "id": "deep", "kind": "pocket", "shape": { "circle": { "at": [0, 0], "diameter": 30 } }, "depth": 14 }] }),
    ]);
    job["drawings"] = json!([
        { "id": "panel", "file": "panel.dxf", "stock": "ash-12", "layers": [{ "layer": "^CUT$", "make": "outlin" }] },
        { "id": "away", "file": "../away.dxf", "stock": "ash-12", "layers": [{ "layer": "^CUT$", "make": "outline" }] }
    ]);
    job["settings"] = json!({ "report": { "nut-clearence": 5 }, "pockte": {} });
    let mut shop = shop();
    shop["machines"]["router"]["min-rpm"] = json!(30_000);
    shop["cutters"]["mill-6"]["kind"] = json!("end-mil");
    shop["stocks"]["ash-12"]["boards"][0]["width"] = json!("200 cm");
    bench.put("job/job.json", job.to_string());
    bench.put("job/shop.json", shop.to_string());
    let run = bench.make();
    assert_eq!(run.exit, 1, "{}", run.err);
    for part in [
        "job.json#/parts/0/cuont",
        "job.json#/parts/0/features/0/shape/circle/diameter",
        "job.json#/parts/1/id",
        "oak-12",
        "job.json#/drawings/0/layers/0/make",
        "panel.dxf does not exist",
        "../away.dxf lies outside the job's folder",
        "did you mean \"nut-clearance\"?",
        "did you mean \"pocket\"?",
        "shop.json#/machines/router/min-rpm",
        "shop.json#/cutters/mill-6/kind",
        "shop.json#/stocks/ash-12/boards/0/width",
    ] {
        assert!(run.err.contains(part), "{part} is missing in\n{}", run.err);
    }
    // Nothing that only follows from another mistake is held against the user: twelve, and the depth that is one too many.
    assert_eq!(bench.report()["counts"]["errors"], 13, "{}", run.err);
    assert!(!bench.path("out/programs").exists());
}

#[test]
fn documents_that_are_none_are_findings() {
    let deep = "[".repeat(200_000);
    for (text, word) in [
        ("", "too early"),
        (deep.as_str(), "nested"),
        ("{\"format\": \"grainway.job/9\"}", "grainway.job/1"),
        ("not a job", "not JSON"),
    ] {
        let bench = Bench::new();
        bench.put("job/job.json", text);
        let run = bench.make();
        assert_eq!(run.exit, 1, "{}", run.err);
        assert!(run.err.contains(word), "{}", run.err);
        assert_eq!(bench.report()["verdict"], "refused");
    }
    let bench = Bench::new();
    bench.put("job/job.json", " ".repeat(50_000_000));
    let run = bench.make();
    assert_eq!(run.exit, 1, "{}", run.err);
    assert!(run.err.contains("50000000 bytes"), "{}", run.err);
    let missing = bench.run(&["make", "job/nothing.json", "--out", "out"]);
    assert_eq!(missing.exit, 1, "{}", missing.err);
    assert!(
        missing.err.contains("nothing.json does not exist"),
        "{}",
        missing.err
    );
}

#[cfg(unix)]
#[test]
fn files_outside_the_job_are_not_read() {
    let bench = Bench::new();
    bench.put("secret.dxf", "0\nEOF\n");
    std::os::unix::fs::symlink(bench.path("secret.dxf"), bench.path("job/link.dxf")).unwrap();
    let absolute = bench.path("secret.dxf").display().to_string();
    for file in [
        "../secret.dxf",
        absolute.as_str(),
        "link.dxf",
        "sub/../../secret.dxf",
    ] {
        let mut job = job();
        job["drawings"] = json!([
            { "id": "d", "file": file, "unit": "mm", "stock": "ash-12", "layers": [{ "layer": ".*", "make": "outline" }] }
        ]);
        bench.put("job/job.json", job.to_string());
        let run = bench.make();
        assert_eq!(run.exit, 1, "{file}: {}", run.err);
        assert!(
            run.err.contains("outside the job's folder"),
            "{file}: {}",
            run.err
        );
    }
    let mut job = job();
    job["shop"] = json!("../job/../secret.json");
    bench.put("job/job.json", job.to_string());
    let run = bench.make();
    assert_eq!(run.exit, 1, "{}", run.err);
    assert!(run.err.contains("outside the job's folder"), "{}", run.err);
}
