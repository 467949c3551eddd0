//! The conformance run over libraries that keep the rules and over those that break one.

use crate::both::c_file;
use crate::built;
use crate::refusals::{misbehaving, remove};
use grainway_host::{Conformance, Verdict};
use std::os::unix::process::ExitStatusExt;
use std::path::Path;
use std::process::{Command, Output};

/// The run in a process of its own.
fn process(library: &Path, seconds: u32) -> Output {
    let mut program = std::env::current_exe().unwrap();
    program.pop();
    program.pop();
    program.push("examples/conformance");
    assert!(program.is_file(), "{} was not built", program.display());
    Command::new(program)
        .arg(library)
        .args(["--json", "--seconds", &seconds.to_string()])
        .output()
        .unwrap()
}

fn run(library: &Path) -> Conformance {
    let output = process(library, 60);
    let text = String::from_utf8(output.stdout).unwrap();
    let last = text.lines().last().unwrap_or_default();
    let found: Conformance = serde_json::from_str(last)
        .unwrap_or_else(|e| panic!("{e}: {text} {}", String::from_utf8_lossy(&output.stderr)));
    assert_eq!(output.status.code(), Some(i32::from(!found.passed())));
    found
}

fn failed(found: &Conformance) -> Vec<(&str, &str)> {
    found
        .failed()
        .map(|r| (r.check.as_str(), r.detail.as_str()))
        .collect()
}

#[test]
fn both_examples_of_the_dialect_pass_and_agree_in_two_processes() {
    let rust = run(&built("sentences_rust"));
    assert_eq!(failed(&rust), []);
    let checks: Vec<&str> = rust.rows.iter().map(|r| r.check.as_str()).collect();
    assert_eq!(
        checks,
        [
            "version",
            "describe",
            "schemas",
            "unknown-names",
            "bad-settings",
            "programs",
            "same-bytes",
            "huge",
            "full-disk",
            "read-back",
            "language",
            "damaged-texts",
            "bad-head",
            "wrong-size",
            "not-finite",
            "stops-when-told",
            "cancel-writing",
            "cancel-reading",
            "memory",
            "describe-after",
            "threads",
            "descriptors",
            "silent"
        ]
    );
    assert!(rust.rows.iter().all(|r| r.verdict == Verdict::Passed));
    // The same input twice, in two processes: the same bytes.
    assert_eq!(run(&built("sentences_rust")).digest, rust.digest);
    // The digest is over the texts, and those of the C build are the same.
    let file = c_file("conformance-c");
    let c = run(&file);
    remove(&file);
    assert_eq!(failed(&c), []);
    assert_eq!(c.digest, rust.digest);
}

#[test]
fn the_example_of_a_stage_passes() {
    let found = run(&built("stage_rust"));
    assert_eq!(failed(&found), []);
    assert_eq!(
        (found.library.as_str(), found.rows.len()),
        ("vacuum-zones", 15)
    );
    assert_eq!(run(&built("stage_rust")).digest, found.digest);
}

/// The checks that a library with this one dialect fails.
fn fails(dialect: &str) -> Vec<String> {
    let file = misbehaving(&format!("only:{dialect}"));
    let found = run(&file);
    remove(&file);
    found.failed().map(|r| r.check.clone()).collect()
}

#[test]
fn what_breaks_one_rule_fails_one_check() {
    assert_eq!(fails("behaves"), [""; 0]);
    for (dialect, checks) in [
        ("changes", &["same-bytes"][..]),
        ("ignores-errors", &["not-finite", "stops-when-told"]),
        ("leaks", &["memory"]),
        ("leaves-descriptors", &["descriptors"]),
        ("leaves-threads", &["threads"]),
        ("prints", &["silent"]),
        ("writes-anything", &["not-finite"]),
    ] {
        let found = fails(dialect);
        for check in checks {
            assert!(found.iter().any(|f| f == check), "{dialect}: {found:?}");
        }
    }
}

#[test]
fn what_writes_no_program_fails_at_once_slow() {
    for dialect in [
        "counts-badly",
        "endless",
        "ends-early",
        "garbage",
        "no-figures",
        "other-thread",
        "panics",
        "panics-at-end",
        "unknown-code",
        "unknown-kind",
    ] {
        let found = fails(dialect);
        assert!(
            found.iter().any(|f| f == "programs"),
            "{dialect}: {found:?}"
        );
    }
}

#[test]
fn readers_that_are_wrong_fail() {
    for dialect in [
        "reads-badly",
        "reads-nan",
        "reads-undeclared",
        "reads-wrongly",
    ] {
        let found = fails(dialect);
        assert!(
            found.iter().any(|f| f == "read-back"),
            "{dialect}: {found:?}"
        );
    }
}

#[test]
fn what_hangs_is_a_row_and_what_crashes_is_a_process_that_crashed() {
    for dialect in ["deaf", "hangs"] {
        let file = misbehaving(&format!("only:{dialect}"));
        let output = process(&file, 2);
        remove(&file);
        let found: Conformance = serde_json::from_slice(&output.stdout).unwrap();
        assert_eq!(
            failed(&found),
            [("programs", "did not return within 2 s")],
            "{dialect}"
        );
    }
    for (dialect, signal) in [("crashes", 11), ("aborts", 6)] {
        let file = misbehaving(&format!("only:{dialect}"));
        let output = process(&file, 10);
        remove(&file);
        assert_eq!(output.status.signal(), Some(signal), "{dialect}");
    }
}

#[test]
fn what_cannot_be_loaded_is_one_row() {
    let file = misbehaving("wrong-major");
    let found = run(&file);
    remove(&file);
    assert_eq!(found.rows.len(), 1);
    assert!(
        failed(&found)[0].1.contains("speaks version 2.0"),
        "{found:?}"
    );
}
