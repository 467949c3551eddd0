//! The output folder: replaced whole, and never one that is not ours.

use crate::bench::{Bench, job};
use serde_json::json;

/// A former output as a released job leaves it.
fn yesterday(bench: &Bench) {
    bench.put("out/programs/01-board-1.ngc", "M2\n");
    let report =
        json!({ "format": "grainway.report/1", "files": { "programs/01-board-1.ngc": "" } });
    bench.put("out/report.json", report.to_string());
}

fn refuse(bench: &Bench) {
    let mut job = job();
    job["parts"][0]["count"] = json!(0);
    bench.put("job/job.json", job.to_string());
}

#[test]
fn a_refusal_takes_yesterdays_programs_away() {
    let bench = Bench::new();
    yesterday(&bench);
    refuse(&bench);
    let run = bench.make();
    assert_eq!(run.exit, 1, "{}", run.err);
    assert!(!bench.path("out/programs").exists());
    assert_eq!(bench.report()["verdict"], "refused");
    assert_eq!(bench.entries(), ["job", "out"]);
}

#[test]
fn a_folder_that_is_not_ours_stays() {
    let bench = Bench::new();
    bench.put("out/letters/to-the-library.txt", "Dear …");
    let run = bench.make();
    assert_eq!(run.exit, 2, "{}", run.err);
    assert!(
        run.err.contains("letters/to-the-library.txt"),
        "{}",
        run.err
    );
    assert_eq!(bench.read("out/letters/to-the-library.txt"), "Dear …");
    assert_eq!(bench.entries(), ["job", "out"]);
}

#[test]
fn a_file_put_into_our_folder_is_not_deleted() {
    let bench = Bench::new();
    yesterday(&bench);
    bench.put("out/notes.txt", "kerf 6.1");
    let run = bench.make();
    assert_eq!(run.exit, 2, "{}", run.err);
    assert!(run.err.contains("notes.txt"), "{}", run.err);
    assert_eq!(bench.read("out/notes.txt"), "kerf 6.1");
}

#[test]
fn the_jobs_own_folder_is_never_the_output() {
    let bench = Bench::new();
    for out in ["job", ".", "job/..", "job/job.json"] {
        let run = bench.run(&["make", "job/job.json", "--out", out]);
        assert_eq!(run.exit, 2, "{out}: {}", run.err);
    }
    assert!(bench.path("job/job.json").is_file());
}

#[test]
fn check_writes_nothing() {
    let bench = Bench::new();
    refuse(&bench);
    let run = bench.run(&["check", "job/job.json"]);
    assert_eq!(run.exit, 1, "{}", run.err);
    assert!(run.err.contains("job.json#/parts/0/count"), "{}", run.err);
    assert_eq!(bench.entries(), ["job"]);
}
