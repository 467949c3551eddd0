//! Settings of the service that are wrong: all of it at once, each with its place, from every command that reads them.

use super::help::{Fresh, example};
use serde_json::{Value, json};
use std::path::Path;
use std::process::{Command, Output};

const ALL_WRONG: &str = r#"{
  "format": "grainway.serve/1",
  "listen": "127.0.0.1",
  "hosts": ["queue.example", "http://queue.example/"],
  "store": "mysql://desk@queue.example/jobs",
  "files": "s3:///made",
  "worker": 2,
  "job-threads": 0,
  "shops": { "work shop": "shop.json", "big/bench": "shop.json" },
  "watched-folders": [
    { "folder": "drop", "shop": "workshop" },
    { "folder": "drop", "settle-seconds": 0, "in-hours": "yes" }
  ],
  "hours": [{ "from": "25:00", "to": "6:30", "days": ["mon", "Tuesday"] }, { "from": "18:00", "to": "18:00" }],
  "time-zone": "Europe/Atlantis",
  "limits": { "json-depth": 2, "attempts": 0, "queue": "many", "job": { "memory-mib": 1 } },
  "keep-days": 0,
  "webhook-private-targets": ["192.168.1.20:8080", "desk"],
  "log": "xml"
}"#;

/// Every place that is wrong above, and a word of what is said about it.
const PLACES: [(&str, &str); 24] = [
    ("/watched-folders/1/folder", "watched already"),
    ("/watched-folders/0/shop", "`shops`"),
    ("/watched-folders/1/in-hours", "true or false"),
    ("/watched-folders/1/settle-seconds", "at least 1"),
    ("/files", "bucket"),
    ("/hosts/1", "host alone"),
    ("/hours/0/days/1", "\"tue\""),
    ("/hours/0/from", "06:30"),
    ("/hours/0/to", "06:30"),
    ("/hours/1/to", "same time"),
    ("/job-threads", "1 to 1024"),
    ("/keep-days", "at least 1"),
    ("/limits/attempts", "1 to 100"),
    ("/limits/job/memory-mib", "256 to"),
    ("/limits/json-depth", "16 to 127"),
    ("/limits/queue", "number"),
    ("/listen", "port"),
    ("/log", "text, json"),
    ("/shops/big~1bench", "letters"),
    ("/shops/work shop", "letters"),
    ("/store", "schemes"),
    ("/time-zone", "Europe/Vienna"),
    ("/webhook-private-targets/1", "host and port"),
    ("/worker", "workers"),
];

fn ran(arguments: &[&str], config: &Path) -> Output {
    Command::new(env!("CARGO_BIN_EXE_grainway"))
        .args(arguments)
        .arg("--config")
        .arg(config)
        .output()
        .unwrap()
}

fn written(place: &Fresh, text: &str) -> std::path::PathBuf {
    let file = place.join("serve.json");
    std::fs::write(&file, text).unwrap();
    file
}

#[test]
fn all_faults_of_the_settings_are_told_at_once_with_their_places() {
    let place = Fresh::new();
    let file = written(&place, ALL_WRONG);
    let output = ran(&["--json", "doctor"], &file);
    assert_eq!(output.status.code(), Some(2));
    let told: Value = serde_json::from_slice(&output.stdout).unwrap();
    let findings = told["findings"].as_array().unwrap();
    let shown = file.display();
    for (pointer, words) in PLACES {
        let at = format!("{shown}#{pointer}");
        let found: Vec<&Value> = findings.iter().filter(|f| f["pointer"] == at).collect();
        let [finding] = found.as_slice() else {
            panic!("{} findings at {at}: {told:#}", found.len())
        };
        let message = finding["message"].as_str().unwrap();
        assert!(message.contains(words), "{at}: {message}");
    }
    assert_eq!(findings.len(), PLACES.len(), "{told:#}");
    // Nothing was made on the way.
    assert_eq!(std::fs::read_dir(&*place).unwrap().count(), 1);
}

#[test]
fn every_command_that_reads_settings_tells_them() {
    let place = Fresh::new();
    let file = written(&place, ALL_WRONG);
    let backup = place.join("backup.zip");
    let backup = backup.to_str().unwrap();
    for arguments in [
        &["serve"][..],
        &["work"],
        &["doctor"],
        &["backup", backup],
        &["restore", backup],
        &["token", "list"],
    ] {
        let output = ran(arguments, &file);
        let text = String::from_utf8(output.stderr).unwrap();
        assert_eq!(output.status.code(), Some(2), "{arguments:?}: {text}");
        assert!(
            text.contains("24 faults") && text.contains("#/hours/0/days/1"),
            "{arguments:?}: {text}"
        );
        assert_eq!(text.lines().count(), 25, "{text}");
    }
}

#[test]
fn a_file_that_is_no_json_is_told_with_line_and_column() {
    let place = Fresh::new();
    let file = written(
        &place,
        "{\n  \"format\": \"grainway.serve/1\",\n  \"workers\" 2\n}",
    );
    let output = ran(&["doctor"], &file);
    let text = String::from_utf8(output.stderr).unwrap();
    assert_eq!(output.status.code(), Some(2));
    assert!(text.contains("line 3") && text.contains("column"), "{text}");
    for (text, words) in [
        ("[]", "object"),
        ("{}", "grainway.serve/1"),
        (r#"{ "format": "grainway.serve/2" }"#, "grainway.serve/1"),
        (
            r#"{ "format": "grainway.serve/1", "workers": -1 }"#,
            "/workers",
        ),
        (
            r#"{ "format": "grainway.serve/1", "workers": 5000000000 }"#,
            "workers",
        ),
    ] {
        let output = ran(&["doctor"], &written(&place, text));
        let said = String::from_utf8(output.stderr).unwrap();
        assert_eq!(output.status.code(), Some(2), "{text}: {said}");
        assert!(said.contains(words), "{text}: {said}");
    }
}

#[test]
fn flags_are_looked_at_like_the_file() {
    let place = Fresh::new();
    let good = json!({
        "format": "grainway.serve/1", "data": "data", "shops": { "workshop": example("step-stool/shop.json") },
        "hours": [{ "from": "18:00", "to": "06:30", "days": ["mon"] }], "time-zone": "UTC",
        "webhook-private-targets": ["192.168.1.20:8080"], "hosts": ["queue.example"],
    });
    let file = written(&place, &good.to_string());
    let output = ran(&["serve", "--listen", "nowhere"], &file);
    let text = String::from_utf8(output.stderr).unwrap();
    assert_eq!(output.status.code(), Some(2));
    assert!(
        text.contains("command line and environment#/listen"),
        "{text}"
    );
    let output = ran(&["doctor"], &file);
    assert_ne!(output.status.code(), Some(2), "{output:?}");
}

/// A shop that is not there and one with faults of its own, beside other faults, with each its place: in one run.
#[test]
fn shops_that_jobs_could_not_use_are_faults_of_the_settings() {
    let place = Fresh::new();
    std::fs::write(
        place.join("bench.json"),
        r#"{ "format": "grainway.shop/1", "machine": {}, "unit": "cm" }"#,
    )
    .unwrap();
    let shops = r#""shops": { "absent": "absent.json", "bench": "bench.json", "folder": "." }"#;
    let (absent, folder) = ("serve.json#/shops/absent", "serve.json#/shops/folder");
    let inside = ["bench.json#/machine", "bench.json#/unit"];
    let only = format!(r#"{{ "format": "grainway.serve/1", "workers": 0, {shops} }}"#);
    let more = only.replace("\"workers\"", "\"worker\"");
    let told = |arguments: &[&str], text: &str| -> (Option<i32>, Vec<String>) {
        let output = ran(arguments, &written(&place, text));
        let told: Value = serde_json::from_slice(&output.stdout).unwrap();
        let findings = told["findings"].as_array().cloned().unwrap_or_default();
        assert!(findings.iter().all(|f| f["remedy"] != ""), "{findings:?}");
        let folder = format!("{}/", place.display());
        let places = findings.iter().map(|f| {
            let pointer = f["pointer"].as_str().unwrap();
            let within = pointer.strip_prefix(&folder);
            within.unwrap_or(pointer).to_string()
        });
        (output.status.code(), places.collect())
    };
    let (exit, places) = told(&["--json", "serve", "--listen", "nowhere"], &only);
    assert_eq!(exit, Some(2));
    for wanted in [absent, folder, inside[0], inside[1]] {
        assert!(places.iter().any(|p| p == wanted), "{wanted}: {places:?}");
    }
    let flag = "command line and environment#/listen";
    assert!(places.iter().any(|p| p == flag), "{places:?}");
    // Beside a fault of the file doctor tells them with it; else they are in its list, all of each, and the rest is looked at too.
    let (exit, places) = told(&["--json", "doctor"], &more);
    assert_eq!(exit, Some(2));
    for wanted in ["serve.json#/worker", absent, folder, inside[0], inside[1]] {
        assert!(places.iter().any(|p| p == wanted), "{wanted}: {places:?}");
    }
    let output = ran(&["doctor"], &written(&place, &only));
    let text = String::from_utf8(output.stdout).unwrap();
    assert_eq!(output.status.code(), Some(1), "{text}");
    for wanted in ["absent.json", inside[0], inside[1], "disk space"] {
        assert!(text.contains(wanted), "{wanted}: {text}");
    }
    // What needs no shop does not ask for one.
    let output = ran(&["token", "list"], &written(&place, &only));
    assert_ne!(output.status.code(), Some(2), "{output:?}");
}
