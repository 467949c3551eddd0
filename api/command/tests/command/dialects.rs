//! The dialects command, and the walk of `plugins/README.md` step by step.

use crate::bench::Bench;
use std::path::Path;

fn root() -> &'static Path {
    Path::new(concat!(env!("CARGO_MANIFEST_DIR"), "/../.."))
}

/// The blocks of the walk, in order: what kind, and what stands in it.
fn blocks(text: &str) -> Vec<(String, String)> {
    let mut blocks = Vec::new();
    let mut lines = text.lines();
    while let Some(line) = lines.next() {
        if let Some(kind) = line.strip_prefix("```") {
            let inside: Vec<&str> = lines.by_ref().take_while(|l| *l != "```").collect();
            blocks.push((kind.to_string(), inside.join("\n")));
        }
    }
    blocks
}

fn copy(from: &Path, to: &Path) {
    std::fs::create_dir_all(to).unwrap();
    for entry in std::fs::read_dir(from).unwrap() {
        let entry = entry.unwrap();
        let there = to.join(entry.file_name());
        if entry.path().is_dir() {
            copy(&entry.path(), &there);
        } else {
            std::fs::copy(entry.path(), there).unwrap();
        }
    }
}

#[test]
fn the_walk_to_a_dialect_as_data_is_what_it_says() {
    let bench = Bench::new();
    copy(&root().join("jobs"), &bench.path("jobs"));
    let text = std::fs::read_to_string(root().join("plugins/README.md")).unwrap();
    let mut commands = 0;
    for (kind, inside) in blocks(&text) {
        if kind == "json" {
            assert!(inside.lines().count() < 40, "under 40 lines of JSON");
            let file: serde_json::Value = serde_json::from_str(&inside).unwrap();
            let file = format!("{}.json", file["name"].as_str().unwrap());
            bench.put(&file, &inside);
            let checked = bench.run(&["dialects", "check", &file]);
            assert_eq!(checked.exit, 0, "{}", checked.out);
            continue;
        }
        assert_eq!(kind, "sh");
        commands += 1;
        let mut words = inside.split_whitespace();
        assert_eq!(words.next(), Some("grainway"));
        let arguments: Vec<&str> = words.collect();
        let run = bench.run(&arguments);
        assert_eq!(run.exit, 0, "{inside}\n{}\n{}", run.out, run.err);
        if arguments.contains(&"check") {
            assert!(run.out.contains("none failed"), "{}", run.out);
            assert!(run.out.contains("arc-centres"), "{}", run.out);
        }
        if arguments.contains(&"try") {
            assert!(run.out.contains("corner-router") && run.out.contains("rs274-lean"));
            assert!(run.out.contains(" I"), "arcs stand in the text");
        }
    }
    assert_eq!(commands, 4);
    // A machine of the shop that reads it: the sample is ready, so every text was read back and verified.
    let shop = bench.read("jobs/step-stool/shop.json");
    bench.put(
        "jobs/step-stool/shop.json",
        shop.replace("\"rs274-lean\"", "\"corner-router\""),
    );
    let made = bench.run(&[
        "--plugins",
        "shop-plugins",
        "make",
        "jobs/step-stool/job.json",
        "--out",
        "out",
    ]);
    assert_eq!(made.exit, 0, "{}\n{}", made.out, made.err);
    let report = bench.report();
    assert_eq!(report["verdict"], "ready");
    let programs = bench.path("out/programs");
    let first = std::fs::read_dir(programs)
        .unwrap()
        .next()
        .unwrap()
        .unwrap();
    let text = std::fs::read_to_string(first.path()).unwrap();
    assert!(
        text.contains("N5 ") && text.contains("\r\n"),
        "{}",
        &text[..200]
    );
}

#[test]
fn a_starter_says_what_its_parent_says() {
    let bench = Bench::new();
    let made = bench.run(&["dialects", "new", "bench-mill", "--from", "iso6983"]);
    assert_eq!(made.exit, 0, "{}", made.err);
    assert!(bench.read("bench-mill.json").contains("\"// lines\""));
    let checked = bench.run(&["dialects", "check", "bench-mill.json"]);
    assert_eq!(checked.exit, 0, "{}", checked.out);
    // It is not written over.
    let again = bench.run(&["dialects", "new", "bench-mill", "--from", "iso6983"]);
    assert_eq!(again.exit, 2);
    let unknown = bench.run(&["dialects", "new", "other", "--from", "iso6893"]);
    assert_eq!(unknown.exit, 2);
    assert!(
        unknown.err.contains("did you mean \"iso6983\""),
        "{}",
        unknown.err
    );
}

#[test]
fn a_bad_data_file_is_told_with_every_place() {
    let bench = Bench::new();
    bench.put(
        "bad.json",
        r#"{"format": "grainway.dialect/1", "name": "Bad Name", "version": 1, "extends": "rs274-ngc", "summary": "x",
            "safe-start": ["{{ unit }} G17"], "lines": {"length": 12}, "axes": {"x": "Y", "y": "-Y"}}"#,
    );
    let run = bench.run(&["dialects", "check", "bad.json"]);
    assert_eq!(run.exit, 1, "{}", run.err);
    for place in ["/name", "/lines/length", "/axes", "/safe-start/0"] {
        assert!(
            run.out.contains(&format!("#{place}:")),
            "{place}: {}",
            run.out
        );
    }
    assert!(
        run.out.contains("known here: units, name, number"),
        "{}",
        run.out
    );
}

#[test]
fn dialects_are_listed_and_shown() {
    let bench = Bench::new();
    let list = bench.run(&["dialects", "--json"]);
    let shown = bench.run(&["dialects", "show", "iso6983", "--json"]);
    assert_eq!((list.exit, shown.exit), (0, 0));
    let list: serde_json::Value = serde_json::from_str(&list.out).unwrap();
    assert_eq!(list.as_array().unwrap().len(), 6);
    let shown: serde_json::Value = serde_json::from_str(&shown.out).unwrap();
    // From the dialect that it extends.
    assert_eq!(shown["keys"]["chord-tolerance-mm"], 0.002);
}

#[test]
fn a_pen_language_is_shown_and_built_on() {
    let bench = Bench::new();
    let list = bench.run(&["dialects"]);
    assert!(
        list.out.contains("pen-plot: ") && list.out.contains("two heights, pen up and pen down"),
        "{}",
        list.out
    );
    let shown = bench.run(&["dialects", "show", "pen-plot", "--json"]);
    let shown: serde_json::Value = serde_json::from_str(&shown.out).unwrap();
    assert_eq!(shown["keys"]["pen"]["unit-mm"], 0.025);
    assert_eq!(shown["about"]["pen"]["feed_step"], 600.0);
    let made = bench.run(&["dialects", "new", "scriber", "--from", "pen-plot"]);
    assert_eq!(made.exit, 0, "{}", made.err);
    assert!(bench.read("scriber.json").contains("\"// pen\""));
    let checked = bench.run(&["dialects", "check", "scriber.json"]);
    assert_eq!(checked.exit, 0, "{}", checked.out);
    assert!(
        checked.out.contains("none failed") && checked.out.contains("absent  passes"),
        "{}",
        checked.out
    );
    copy(&root().join("jobs"), &bench.path("jobs"));
    let tried = bench.run(&[
        "dialects",
        "try",
        "scriber.json",
        "--job",
        "jobs/bench-template/job.json",
    ]);
    assert_eq!(tried.exit, 0, "{}", tried.err);
    assert!(tried.out.contains("CO\"pen heights: up"), "{}", tried.out);
}

/// The sample for a pen language is ready by one command; the others, for it, end with exit 1 and a finding that says why.
#[test]
fn a_pen_language_takes_thin_templates_and_refuses_the_rest() {
    let bench = Bench::new();
    copy(&root().join("jobs"), &bench.path("jobs"));
    for job in ["job.json", "marks.json"] {
        let path = format!("jobs/bench-template/{job}");
        let made = bench.run(&["make", &path, "--out", "out"]);
        assert_eq!(made.exit, 0, "{}\n{}", made.out, made.err);
        let report = bench.report();
        assert_eq!(report["verdict"], "ready");
        let sheet = bench.read("out/setup-sheet.html");
        assert!(sheet.contains("set at the controller: pen up"));
    }
    for (name, own) in [
        ("reading-bench", "rs274-ngc"),
        ("step-stool", "rs274-lean"),
        ("newspaper-rack", "rs274-lean"),
    ] {
        let (job, shop) = (
            format!("jobs/{name}/job.json"),
            format!("jobs/{name}/shop.json"),
        );
        let text = bench.read(&shop);
        bench.put(&shop, text.replace(&format!("\"{own}\""), "\"pen-plot\""));
        let made = bench.run(&["make", &job, "--out", "out"]);
        assert_eq!(made.exit, 1, "{name}: {}\n{}", made.out, made.err);
        assert!(
            made.err
                .contains("Dialect pen-plot cannot express the spindle's start and stop")
                && made.err.contains("Say spindle: hand for the machine"),
            "{name}: {}",
            made.err
        );
        assert!(!bench.has_files("out/programs"), "{name}");
    }
}
