//! How runs end: exit codes, cancelling, saved states, equal bytes.

use crate::bench::{Bench, files, job};
use grainway_pipeline::stage::{Cancel, Progress, Silent};
use grainway_runner::{Failure, MakeRequest, Registries, make};
use serde_json::{Value, json};

#[test]
fn bad_usage_is_exit_2_and_help_is_0() {
    let bench = Bench::new();
    assert_eq!(bench.run(&[]).exit, 2);
    assert_eq!(bench.run(&["make", "job/job.json"]).exit, 2);
    assert_eq!(bench.run(&["mkae"]).exit, 2);
    assert_eq!(bench.run(&["--threads", "0", "stages"]).exit, 2);
    let help = bench.run(&["--help"]);
    assert_eq!(help.exit, 0);
    assert!(help.out.contains("make"), "{}", help.out);
}

#[test]
fn every_command_speaks_json() {
    let bench = Bench::new();
    for (arguments, key) in [
        (vec!["--json", "stages"], None),
        (vec!["dialects", "--json"], None),
        (vec!["schema", "job", "--json"], Some("properties")),
        (vec!["check", "job/job.json", "--json"], Some("report")),
        (
            vec!["make", "job/job.json", "--out", "out", "--json"],
            Some("report"),
        ),
        (
            vec!["make", "job/job.json", "--out", "job", "--json"],
            Some("error"),
        ),
    ] {
        let run = bench.run(&arguments);
        let value: Value =
            serde_json::from_str(&run.out).unwrap_or_else(|e| panic!("{arguments:?}: {e}"));
        match key {
            Some(key) => assert!(value.get(key).is_some(), "{arguments:?}"),
            None => assert!(
                value.as_array().is_some_and(|a| !a.is_empty()),
                "{arguments:?}"
            ),
        }
        // A pipe gets no progress.
        assert!(
            !run.err.contains('\r') && !run.err.contains('\u{1b}'),
            "{:?}",
            run.err
        );
    }
}

#[test]
fn a_made_folder_holds_what_its_report_lists() {
    let bench = Bench::new();
    bench.make();
    let report = bench.report();
    let mut listed: Vec<String> = report["files"]
        .as_object()
        .unwrap()
        .keys()
        .cloned()
        .collect();
    listed.push("report.json".to_string());
    listed.sort();
    let found = files(&bench.path("out"));
    assert_eq!(listed, found.keys().cloned().collect::<Vec<_>>());
    for (name, sum) in report["files"].as_object().unwrap() {
        let own = grainway_pipeline::work::sha256_hex(&found[name]);
        assert_eq!(sum.as_str().unwrap(), own, "{name}");
    }
    for name in [
        "setup-sheet.html",
        "setup-sheet.pdf",
        "partslist.csv",
        "running-order.csv",
        "boards.csv",
        "handwork.csv",
    ] {
        assert!(found.contains_key(name), "{name}");
    }
    let programs = report["programs"].as_array().unwrap();
    assert!(!programs.is_empty());
    // Withheld programs begin with a line that no controller accepts and end in .txt; released ones are the checked text.
    for program in programs {
        let (file, release) = (
            program["file"].as_str().unwrap(),
            program["release"].as_str().unwrap(),
        );
        let text = String::from_utf8(found[file].clone()).unwrap();
        match release {
            "withheld" => {
                assert!(
                    file.starts_with("programs-withheld/") && file.ends_with(".txt"),
                    "{file}"
                );
                let (first, rest) = text.split_once('\n').unwrap();
                assert_eq!(first, grainway_stages::report::WITHHELD_LINE);
                assert_eq!(
                    grainway_pipeline::work::sha256_hex(rest.as_bytes()),
                    program["sha256"].as_str().unwrap()
                );
            }
            _ => assert_eq!(
                grainway_pipeline::work::sha256_hex(text.as_bytes()),
                program["sha256"].as_str().unwrap()
            ),
        }
    }
    assert_eq!(
        report["verdict"] == "ready",
        bench.path("out/programs").is_dir()
    );
}

#[test]
fn names_in_documents_stay_names_on_the_sheet() {
    let bench = Bench::new();
    let mut job = job();
    job["name"] = json!("<script>alert(1)</script> & more");
    bench.put("job/job.json", job.to_string());
    bench.make();
    let html = bench.read("out/setup-sheet.html");
    assert!(!html.contains("<script"), "a name became markup");
    assert!(html.contains("&lt;script&gt;"));
    assert!(html.contains("not run on your machine"));
}

/// Reference: poppler, an independent reader of PDF (./test installs it).
#[test]
fn the_pdf_sheet_opens_and_says_what_it_must() {
    let bench = Bench::new();
    bench.make();
    let read = std::process::Command::new("pdftotext")
        .args(["-layout", "out/setup-sheet.pdf", "-"])
        .current_dir(&bench.root)
        .output()
        .expect("pdftotext (poppler-utils) is installed by ./test");
    assert!(read.status.success());
    assert_eq!(
        String::from_utf8_lossy(&read.stderr),
        "",
        "poppler complains"
    );
    let text = String::from_utf8(read.stdout).unwrap();
    for part in [
        "Card-index cabinet",
        "Checked against the parts, not run on your machine.",
        "proved at the machine by",
        "Before you cut",
        "Restart",
        "front#2",
    ] {
        assert!(text.contains(part), "{part:?} is missing in\n{text}");
    }
}

#[test]
fn the_same_job_gives_the_same_bytes() {
    let bench = Bench::new();
    bench.make();
    let first = files(&bench.path("out"));
    // Other key order and white space: serde_json sorts keys, the fixture is rewritten by hand.
    let text = serde_json::to_string_pretty(&job()).unwrap();
    let (head, tail) = text
        .split_once("\"name\": \"Card-index cabinet\",")
        .unwrap();
    let last = tail.rfind('}').unwrap();
    bench.put(
        "job/job.json",
        format!(
            "{head}{},\n \"name\": \"Card-index cabinet\"\n}}",
            tail[..last].trim_end()
        ),
    );
    for threads in ["1", "2", "7"] {
        bench.run(&[
            "--threads",
            threads,
            "make",
            "job/job.json",
            "--out",
            "again",
        ]);
        assert!(first == files(&bench.path("again")), "{threads} threads");
    }
}

#[test]
fn a_run_taken_up_from_any_state_gives_the_same_bytes() {
    let bench = Bench::new();
    bench.run(&[
        "make",
        "job/job.json",
        "--out",
        "out",
        "--save-work",
        "states",
    ]);
    let straight = files(&bench.path("out"));
    let mut states: Vec<_> = std::fs::read_dir(bench.path("states"))
        .unwrap()
        .map(|e| e.unwrap().path())
        .filter(|p| p.extension().is_some_and(|e| e == "json"))
        .collect();
    states.sort();
    assert_eq!(states.len(), Registries::built_in().stages.iter().count());
    for state in &states {
        let run = bench.run(&[
            "make",
            "job/job.json",
            "--out",
            "again",
            "--from",
            state.to_str().unwrap(),
        ]);
        assert_ne!(run.exit, 2, "{}", run.err);
        assert!(
            straight == files(&bench.path("again")),
            "{}",
            state.display()
        );
    }
    // Another job, other settings, a damaged block: refused with a sentence.
    let state = states[6].to_str().unwrap();
    let mut other = job();
    other["settings"] = json!({ "report": { "nut-clearance": 6 }, "drawing": {} });
    bench.put("job/job.json", other.to_string());
    let run = bench.run(&["make", "job/job.json", "--out", "again", "--from", state]);
    assert_eq!(run.exit, 2, "{}", run.err);
    assert!(
        run.err.contains("run the job from the start"),
        "{}",
        run.err
    );
    bench.put("job/job.json", job().to_string());
    let block = std::fs::read_dir(bench.path("states/blobs"))
        .unwrap()
        .next()
        .unwrap()
        .unwrap()
        .path();
    let mut bytes = std::fs::read(&block).unwrap();
    bytes[0] ^= 1;
    std::io::Write::write_all(&mut std::fs::File::create(&block).unwrap(), &bytes).unwrap();
    let last = states.last().unwrap().to_str().unwrap();
    let run = bench.run(&["make", "job/job.json", "--out", "again", "--from", last]);
    assert_eq!(run.exit, 2, "{}", run.err);
    assert!(run.err.contains("was changed"), "{}", run.err);
    let run = bench.run(&[
        "make",
        "job/job.json",
        "--out",
        "again",
        "--from",
        "job/job.json",
    ]);
    assert_eq!(run.exit, 2, "{}", run.err);
}

/// verify, run alone on the written texts, says what make said of them; a text that begins with what no language knows fails.
#[test]
fn verify_judges_texts_as_make_did() {
    let bench = Bench::new();
    bench.make();
    let report = bench.report();
    let program = &report["programs"][0];
    let file = program["file"].as_str().unwrap();
    let text = bench.read(&format!("out/{file}"));
    let checked = match text.strip_prefix(grainway_stages::report::WITHHELD_LINE) {
        Some(rest) => rest.trim_start_matches('\n').to_string(),
        None => text,
    };
    let name = file.rsplit('/').next().unwrap().trim_end_matches(".txt");
    bench.put(name, &checked);
    let run = bench.run(&["verify", name, "--job", "job/job.json", "--json"]);
    let said: Value = serde_json::from_str(&run.out).unwrap();
    let setup = &said["verified"]["setups"][0];
    assert_eq!(setup["safe"]["passed"], program["safe"]["passed"]);
    assert_eq!(
        setup["as_planned"][0]["passed"],
        program["as-planned"]["passed"]
    );
    assert_eq!(run.exit == 0, report["verdict"] == "ready");
    bench.put(name, format!("?!?\n{checked}"));
    let run = bench.run(&["verify", name, "--job", "job/job.json", "--edited"]);
    assert_eq!(run.exit, 1, "{}", run.out);
    assert!(run.out.contains("do not run"), "{}", run.out);
    let run = bench.run(&["verify", "nothing.ngc", "--job", "job/job.json"]);
    assert_eq!(run.exit, 2, "{}", run.err);
}

/// Cancels when a stage begins.
struct CancelAt<'c>(&'c str, &'c Cancel);

impl Progress for CancelAt<'_> {
    fn at(&self, stage: &str, _: usize, _: usize) {
        if stage == self.0 {
            self.1.set();
        }
    }
}

#[test]
fn a_cancelled_run_leaves_the_output_as_it_was() {
    let bench = Bench::new();
    let request = MakeRequest {
        job: bench.path("job/job.json"),
        out: Some(bench.path("out")),
        ..MakeRequest::default()
    };
    let registries = Registries::built_in();
    make(&request, &registries, &Silent, &Cancel::default()).unwrap();
    let before = files(&bench.path("out"));
    for stage in ["drawing", "profile", "verify", "report"] {
        let cancel = Cancel::default();
        let ended = make(&request, &registries, &CancelAt(stage, &cancel), &cancel);
        assert!(matches!(ended, Err(Failure::Cancelled)), "{stage}");
        assert!(before == files(&bench.path("out")), "{stage}");
    }
    assert_eq!(bench.entries(), ["job", "out"]);
}

#[cfg(unix)]
#[test]
fn an_interrupt_ends_with_130() {
    let bench = Bench::new();
    let mut job = job();
    job["parts"][0]["count"] = json!(3000);
    bench.put("job/job.json", job.to_string());
    let mut shop = crate::bench::shop();
    shop["stocks"]["ash-12"]["boards"][0]["count"] = json!(1000);
    bench.put("job/shop.json", shop.to_string());
    let mut child = std::process::Command::new(env!("CARGO_BIN_EXE_grainway"))
        .args([
            "make",
            "job/job.json",
            "--out",
            "out",
            "--save-work",
            "states",
        ])
        .current_dir(&bench.root)
        .stdout(std::process::Stdio::null())
        .stderr(std::process::Stdio::null())
        .spawn()
        .unwrap();
    // The first saved state is the sign that the run is under way.
    while !bench.path("states/00-drawing.json").exists() {
        assert!(
            child.try_wait().unwrap().is_none(),
            "it ended before it was interrupted"
        );
        std::thread::yield_now();
    }
    let sent = std::process::Command::new("kill")
        .args(["-INT", &child.id().to_string()])
        .status()
        .unwrap();
    assert!(sent.success());
    assert_eq!(child.wait().unwrap().code(), Some(130));
    assert_eq!(bench.entries(), ["job", "states"]);
}

/// A hole of 20 mm whose wall to the part's end is thin at (0, 50.8), made for programs in `unit`: the line that tells of it.
fn told_of_the_thin_wall(unit: &str) -> String {
    let bench = Bench::new();
    let mut job = job();
    job["parts"][0]["features"][0]["shape"]["circle"]["at"] = json!([11, 50.8]);
    bench.put("job/job.json", job.to_string());
    let mut shop = crate::bench::shop();
    shop["machines"]["router"]["program-unit"] = json!(unit);
    bench.put("job/shop.json", shop.to_string());
    let err = bench.make().err;
    let lines: Vec<&str> = err.lines().filter(|l| l.contains("wall-thin")).collect();
    assert_eq!(lines.len(), 1, "{err}");
    lines[0].to_string()
}

#[test]
fn the_terminal_tells_places_in_millimetres_where_programs_are() {
    let line = told_of_the_thin_wall("mm");
    assert!(line.contains(" at (1, 50.8): "), "{line}");
}

#[test]
fn the_terminal_tells_places_in_inches_where_programs_are() {
    let line = told_of_the_thin_wall("in");
    assert!(line.contains(" at (0.0394, 2): "), "{line}");
}
