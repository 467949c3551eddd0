//! Same binary, same job: the same bytes, with any key order, any number of threads, and resumed from any saved state.

use crate::fresh::Fresh;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

fn sample(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("../jobs")
        .join(name)
}

/// Every file below a folder with its bytes.
fn files(folder: &Path) -> BTreeMap<PathBuf, Vec<u8>> {
    let mut found = BTreeMap::new();
    let mut open = vec![folder.to_path_buf()];
    while let Some(dir) = open.pop() {
        for entry in std::fs::read_dir(&dir).unwrap_or_else(|e| panic!("{}: {e}", dir.display())) {
            let path = entry.unwrap().path();
            if path.is_dir() {
                open.push(path);
            } else {
                found.insert(
                    path.strip_prefix(folder).unwrap().to_path_buf(),
                    std::fs::read(&path).unwrap(),
                );
            }
        }
    }
    found
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
        assert!(bytes == &b[name], "{what}: {} differs", name.display());
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

fn copy_sample(name: &str, to: &Fresh) {
    for entry in std::fs::read_dir(sample(name)).unwrap() {
        let path = entry.unwrap().path();
        if path.is_file() {
            to.put(
                &path.file_name().unwrap().to_string_lossy(),
                std::fs::read(&path).unwrap(),
            );
        }
    }
}

fn ok(fresh: &Fresh, arguments: &[&str]) {
    let output = fresh.run(arguments);
    assert_eq!(
        output.status.code(),
        Some(0),
        "{arguments:?}: {}",
        String::from_utf8_lossy(&output.stderr)
    );
}

/// The header files of saved states, in order of the stages.
fn states(fresh: &Fresh) -> Vec<PathBuf> {
    let entries = std::fs::read_dir(fresh.0.join("states")).unwrap();
    let mut states: Vec<PathBuf> = entries
        .map(|e| e.unwrap().path())
        .filter(|p| p.extension().is_some_and(|e| e == "json"))
        .collect();
    states.sort();
    states
}

#[test]
fn threads_and_key_order_change_no_byte() {
    for name in ["reading-bench", "step-stool", "newspaper-rack"] {
        let fresh = Fresh::new(&format!("same-{name}"));
        copy_sample(name, &fresh);
        ok(&fresh, &["make", "job.json", "--out", "first"]);
        ok(&fresh, &["make", "job.json", "--out", "again"]);
        assert_same(&fresh.0.join("first"), &fresh.0.join("again"), name);
        for threads in ["1", "2", "7"] {
            ok(
                &fresh,
                &["make", "job.json", "--out", "threads", "--threads", threads],
            );
            assert_same(
                &fresh.0.join("first"),
                &fresh.0.join("threads"),
                &format!("{name}, {threads} threads"),
            );
        }
        for document in ["job.json", "shop.json"] {
            let bytes = std::fs::read(fresh.0.join(document)).unwrap();
            fresh.put(document, reversed(&serde_json::from_slice(&bytes).unwrap()));
        }
        ok(&fresh, &["make", "job.json", "--out", "reversed"]);
        assert_same(
            &fresh.0.join("first"),
            &fresh.0.join("reversed"),
            &format!("{name}, keys reversed"),
        );
    }
}

#[test]
fn a_run_resumed_from_any_state_gives_the_same_bytes() {
    for name in ["reading-bench", "step-stool"] {
        let fresh = Fresh::new(&format!("resumed-{name}"));
        copy_sample(name, &fresh);
        ok(
            &fresh,
            &[
                "make",
                "job.json",
                "--out",
                "straight",
                "--save-work",
                "states",
            ],
        );
        let states = states(&fresh);
        assert!(states.len() >= 12, "a state after every stage: {states:?}");
        for state in &states {
            let state = state.to_string_lossy().into_owned();
            ok(
                &fresh,
                &["make", "job.json", "--out", "resumed", "--from", &state],
            );
            assert_same(
                &fresh.0.join("straight"),
                &fresh.0.join("resumed"),
                &format!("{name} from {state}"),
            );
        }
        // A state of another job is refused.
        let job = std::fs::read(fresh.0.join("job.json")).unwrap();
        let mut job: serde_json::Value = serde_json::from_slice(&job).unwrap();
        job["name"] = "Another".into();
        fresh.put("job.json", job.to_string());
        let output = fresh.run(&[
            "make",
            "job.json",
            "--out",
            "other",
            "--from",
            &states[3].to_string_lossy(),
        ]);
        assert_eq!(
            output.status.code(),
            Some(1),
            "{}",
            String::from_utf8_lossy(&output.stderr)
        );
    }
}
