//! Named lengths, from the document to the programs: the real binary.

use crate::bench::{Bench, files, job, shop};
use serde_json::{Value, json};

/// The small job with a front that counts on names and on its stock.
fn named() -> Value {
    let mut job = job();
    job["lengths"] = json!({ "front": 180, "height": "front / 2", "pull-hole": "20mm" });
    let part = &mut job["parts"][0];
    part["outline"]["rectangle"]["size"] = json!(["front", "height"]);
    let circle = &mut part["features"][0]["shape"]["circle"];
    circle["at"] = json!(["front / 2", "height / 2"]);
    circle["diameter"] = json!("pull-hole");
    job
}

fn bench_with(job: &Value) -> Bench {
    let bench = Bench::new();
    bench.put("job/job.json", job.to_string());
    bench
}

/// The report of `check --json` and the exit code.
fn checked(job: &Value) -> (i32, Value) {
    let run = bench_with(job).run(&["--json", "check", "job/job.json"]);
    let value: Value = serde_json::from_str(&run.out).unwrap();
    (run.exit, value["report"].clone())
}

fn programs(bench: &Bench) -> Vec<(String, Vec<u8>)> {
    files(&bench.path("out/programs")).into_iter().collect()
}

#[test]
fn names_make_the_same_programs_as_the_lengths_that_they_come_to() {
    let plain = bench_with(&job());
    plain.make();
    let by_name = bench_with(&named());
    assert_eq!(by_name.make().exit, 0);
    assert!(programs(&plain) == programs(&by_name));
    assert_eq!(plain.report()["code"], by_name.report()["code"]);
    let told = json!({ "front": 180.0, "height": 90.0, "pull-hole": 20.0 });
    assert_eq!(by_name.report()["lengths"], told);
    assert!(plain.report().get("lengths").is_none());
}

#[test]
fn a_grown_length_moves_what_depends_on_it_up_to_the_programs() {
    let before = bench_with(&named());
    before.make();
    let mut grown = named();
    grown["lengths"]["front"] = json!("180mm + 2in");
    let after = bench_with(&grown);
    assert_eq!(after.make().exit, 0);
    let told = json!({ "front": 230.8, "height": 115.4, "pull-hole": 20.0 });
    assert_eq!(after.report()["lengths"], told);
    assert_ne!(before.report()["documents"], after.report()["documents"]);
    let mut typed = job();
    let part = &mut typed["parts"][0];
    part["outline"]["rectangle"]["size"] = json!([230.8, 115.4]);
    part["features"][0]["shape"]["circle"]["at"] = json!([115.4, 57.7]);
    let typed = bench_with(&typed);
    typed.make();
    assert!(programs(&typed) == programs(&after));
    assert!(programs(&before) != programs(&after));
}

#[test]
fn a_reading_of_the_shop_moves_what_counts_on_it() {
    let mut job = named();
    job["lengths"]["height"] = json!("stock.ash-12 * 8");
    let bench = bench_with(&job);
    assert_eq!(bench.make().exit, 0);
    assert_eq!(bench.report()["lengths"]["height"], 96.8);
    let mut thicker = shop();
    thicker["stocks"]["ash-12"]["thickness"] = json!([12.3, 12.5]);
    bench.put("job/shop.json", thicker.to_string());
    assert_eq!(bench.make().exit, 0);
    assert_eq!(bench.report()["lengths"]["height"], 100.0);
}

#[test]
fn settings_of_the_job_count_and_a_saved_state_goes_on() {
    let mut job = named();
    job["lengths"]["edge"] = json!("12mm");
    job["settings"] = json!({ "place": { "margin": "edge + stock.ash-12 / 2" } });
    let bench = bench_with(&job);
    let run = bench.run(&[
        "make",
        "job/job.json",
        "--out",
        "out",
        "--save-work",
        "states",
    ]);
    assert_eq!(run.exit, 0, "{}", run.err);
    let made = programs(&bench);
    let state = "states/00-drawing.json";
    let run = bench.run(&["make", "job/job.json", "--out", "out", "--from", state]);
    assert_eq!(run.exit, 0, "{}", run.err);
    assert!(made == programs(&bench));
    let code = bench.report()["code"].clone();
    // A name on which only settings count is part of what the code stands for.
    job["lengths"]["edge"] = json!("20mm");
    bench.put("job/job.json", job.to_string());
    bench.make();
    assert_ne!(code, bench.report()["code"]);
    assert!(made != programs(&bench));
    job["settings"]["place"]["margin"] = json!("egde + 1mm");
    let (exit, report) = checked(&job);
    assert_eq!(exit, 1);
    let finding = &report["findings"][0];
    assert_eq!(finding["pointer"], "job.json#/settings/place/margin");
    let said = finding["message"].as_str().unwrap();
    assert!(said.contains("did you mean \"edge\"?"), "{said}");
}

#[test]
fn each_mistake_of_a_length_is_a_finding_at_its_place() {
    let height = "/lengths/height";
    let size = "/parts/0/outline/rectangle/size/0";
    let diameter = "/parts/0/features/0/shape/circle/diameter";
    for (pointer, text, code, said) in [
        (
            height,
            "frnt / 2",
            "document-invalid",
            "character 1: there is no length \"frnt\"; did you mean \"front\"?",
        ),
        (height, "height + 1", "document-invalid", "height → height"),
        (
            height,
            "front * front",
            "document-invalid",
            "character 7: a length times a length is an area",
        ),
        (
            height,
            "front / (3 - 3)",
            "document-invalid",
            "character 7: it is divided by 0",
        ),
        (
            size,
            "front-5mm",
            "document-invalid",
            "write \"front - 5mm\"",
        ),
        (
            size,
            "board.a.length",
            "document-invalid",
            "known only once parts are laid on boards",
        ),
        (
            size,
            "stock.ash-13 * 8",
            "document-invalid",
            "did you mean \"stock.ash-12\"?",
        ),
        (
            diameter,
            "height - front",
            "bad-number",
            "-90 mm should be more than 0. It was counted from \"height - front\".",
        ),
        (diameter, "7 * 3", "document-invalid", "\"21mm\""),
    ] {
        let mut wrong = named();
        *wrong.pointer_mut(pointer).unwrap() = json!(text);
        let (exit, report) = checked(&wrong);
        assert_eq!(exit, 1, "{text}");
        // What only lacks the part that was set aside points at the part.
        let errors: Vec<&Value> = report["findings"]
            .as_array()
            .unwrap()
            .iter()
            .filter(|f| f["severity"] == "error" && f["pointer"] != "job.json#/parts/0")
            .collect();
        assert_eq!(errors.len(), 1, "{text}: {errors:#?}");
        assert_eq!(errors[0]["code"], code, "{text}");
        assert_eq!(
            errors[0]["pointer"],
            format!("job.json#{pointer}"),
            "{text}"
        );
        let message = errors[0]["message"].as_str().unwrap();
        assert!(message.contains(said), "{text}: {message}");
    }
}

#[test]
fn a_named_length_on_which_nothing_counts_is_a_warning() {
    let mut job = named();
    job["lengths"]["left-over"] = json!("3mm");
    let (exit, report) = checked(&job);
    assert_eq!(exit, 0, "{report:#}");
    let told = report["findings"].as_array().unwrap();
    let found: Vec<&Value> = told
        .iter()
        .filter(|f| f["code"] == "unused-length")
        .collect();
    assert_eq!(found.len(), 1, "{told:#?}");
    assert_eq!(found[0]["severity"], "warning");
    assert_eq!(found[0]["pointer"], "job.json#/lengths/left-over");
}

/// The page's own example is a job that can be made.
#[test]
fn the_example_of_the_page_is_ready() {
    let page = include_str!("../../../../docs/lengths.md");
    let example = page.split("```json\n").nth(1).unwrap();
    let text = example.split("```").next().unwrap();
    let bench = Bench::new();
    bench.put("job/job.json", text);
    let mut shop = shop();
    shop["stocks"]["ash-22"] = json!({ "wood": "ash", "thickness": [21.9, 22.1], "boards": [{ "id": "a", "length": 1150, "width": 500 }] });
    bench.put("job/shop.json", shop.to_string());
    let run = bench.make();
    assert_eq!(run.exit, 0, "{}", run.err);
    assert_eq!(
        bench.report()["lengths"],
        json!({ "bench": 1000.0, "top": 340.0, "inset": 42.5 })
    );
}
