//! Same binary, same job: the same bytes, with any key order, any number of threads, and resumed from any saved state.

use crate::bench::{Bench, files};
use std::path::{Path, PathBuf};

fn sample(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("../../jobs")
        .join(name)
}

fn assert_same(a: &Path, b: &Path, what: &str) {
    let (a, b) = (files(a), files(b));
    assert!(a.len() >= 8, "{what}: only {} files", a.len());
    assert_eq!(
        a.keys().collect::<Vec<_>>(),
        b.keys().collect::<Vec<_>>(),
        "{what}"
    );
    for (name, bytes) in &a {
        assert!(bytes == &b[name], "{what}: {} differs", name);
    }
}

/// The JSON text with the keys of every object in reverse order.
fn reversed(value: &serde_json::Value) -> String {
    use serde_json::Value;
    match value {
        Value::Object(map) => {
            let entries: Vec<String> = map
                .iter()
                .rev()
                .map(|(k, v)| format!("{}: {}", Value::String(k.clone()), reversed(v)))
                .collect();
            format!("{{\n{}\n}}", entries.join(",\n"))
        }
        Value::Array(items) => format!(
            "[{}]",
            items.iter().map(reversed).collect::<Vec<_>>().join(", ")
        ),
        other => other.to_string(),
    }
}

fn copy_sample(name: &str, to: &Bench) {
    for entry in std::fs::read_dir(sample(name)).unwrap() {
        let path = entry.unwrap().path();
        if path.is_file() {
            to.put(
                &format!("job/{}", path.file_name().unwrap().to_string_lossy()),
                std::fs::read(&path).unwrap(),
            );
        }
    }
}

fn ok(bench: &Bench, arguments: &[&str]) {
    let output = bench.run(arguments);
    assert_eq!(output.exit, 0, "{arguments:?}: {}", output.err);
}

/// The header files of saved states, in order of the stages.
fn states(bench: &Bench) -> Vec<PathBuf> {
    let entries = std::fs::read_dir(bench.path("states")).unwrap();
    let mut states: Vec<PathBuf> = entries
        .map(|e| e.unwrap().path())
        .filter(|p| p.extension().is_some_and(|e| e == "json"))
        .collect();
    states.sort();
    states
}

#[test]
fn threads_and_key_order_change_no_byte() {
    for name in [
        "reading-bench",
        "step-stool",
        "newspaper-rack",
        "card-index-cabinet",
        "jointed-bench",
        "fit-ladder",
    ] {
        let bench = Bench::new();
        copy_sample(name, &bench);
        ok(&bench, &["make", "job/job.json", "--out", "first"]);
        ok(&bench, &["make", "job/job.json", "--out", "again"]);
        assert_same(&bench.path("first"), &bench.path("again"), name);
        for threads in ["1", "2", "7"] {
            ok(
                &bench,
                &[
                    "make",
                    "job/job.json",
                    "--out",
                    "threads",
                    "--threads",
                    threads,
                ],
            );
            assert_same(
                &bench.path("first"),
                &bench.path("threads"),
                &format!("{name}, {threads} threads"),
            );
        }
        for document in ["job/job.json", "job/shop.json"] {
            let bytes = std::fs::read(bench.path(document)).unwrap();
            bench.put(document, reversed(&serde_json::from_slice(&bytes).unwrap()));
        }
        ok(&bench, &["make", "job/job.json", "--out", "reversed"]);
        assert_same(
            &bench.path("first"),
            &bench.path("reversed"),
            &format!("{name}, keys reversed"),
        );
    }
}

#[test]
fn a_run_resumed_from_any_state_gives_the_same_bytes() {
    for name in ["reading-bench", "step-stool"] {
        let bench = Bench::new();
        copy_sample(name, &bench);
        ok(
            &bench,
            &[
                "make",
                "job/job.json",
                "--out",
                "straight",
                "--save-work",
                "states",
            ],
        );
        let states = states(&bench);
        assert!(states.len() >= 12, "a state after every stage: {states:?}");
        for state in &states {
            let state = state.to_string_lossy().into_owned();
            ok(
                &bench,
                &["make", "job/job.json", "--out", "resumed", "--from", &state],
            );
            assert_same(
                &bench.path("straight"),
                &bench.path("resumed"),
                &format!("{name} from {state}"),
            );
        }
        // A state of another job is refused.
        let job = std::fs::read(bench.path("job/job.json")).unwrap();
        let mut job: serde_json::Value = serde_json::from_slice(&job).unwrap();
        job["name"] = "Another".into();
        bench.put("job/job.json", job.to_string());
        let output = bench.run(&[
            "make",
            "job/job.json",
            "--out",
            "other",
            "--from",
            &states[3].to_string_lossy(),
        ]);
        assert_eq!(output.exit, 2, "{}", output.err);
    }
}
