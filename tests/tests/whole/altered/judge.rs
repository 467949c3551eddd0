//! Asks the judge in Python.

use super::Out;
use grainway_tests::{python, root};
use serde_json::{Value, json};
use std::collections::BTreeMap;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::Stdio;

/// Programs of a job, by name and text, and what the person reads besides.
#[derive(Clone)]
pub struct Case {
    pub id: String,
    /// The document that is right, and the folder of its shop and drawings.
    pub job: Value,
    pub folder: PathBuf,
    pub programs: Vec<(String, String)>,
    pub report: Value,
    pub lists: BTreeMap<String, String>,
}

impl Case {
    pub fn of(id: String, job: Value, folder: &Path, out: &Out) -> Case {
        let text = |b: &Vec<u8>| String::from_utf8_lossy(b).into_owned();
        let name = |n: &String| n.rsplit('/').next().unwrap_or_default().to_string();
        let programs = out
            .programs()
            .into_iter()
            .map(|(n, b)| (name(n), text(b)))
            .collect();
        let lists = out.files.iter().filter(|(n, _)| n.ends_with(".csv"));
        Case {
            id,
            job,
            folder: folder.to_path_buf(),
            programs,
            report: out.report.clone(),
            lists: lists.map(|(n, b)| (n.clone(), text(b))).collect(),
        }
    }
}

/// What the judge finds wrong in each case; nothing where all is right.
pub fn judge(cases: &[Case]) -> BTreeMap<String, Vec<String>> {
    let mut child = python()
        .arg(root().join("tests/python/judge"))
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    let line = |c: &Case| {
        json!({ "id": c.id, "job": c.job, "folder": c.folder, "programs": c.programs, "report": c.report, "lists": c.lists })
            .to_string()
    };
    let lines: Vec<String> = cases.iter().map(|c| line(c) + "\n").collect();
    let mut to = child.stdin.take().unwrap();
    // Answers come while cases are still being written.
    let writer =
        std::thread::spawn(move || lines.iter().try_for_each(|l| to.write_all(l.as_bytes())));
    let out = child.wait_with_output().unwrap();
    assert!(out.status.success(), "the judge failed");
    writer.join().unwrap().unwrap();
    let text = String::from_utf8(out.stdout).unwrap();
    let answers = text
        .lines()
        .map(|l| serde_json::from_str::<Value>(l).unwrap());
    let judged: BTreeMap<String, Vec<String>> = answers
        .map(|a| {
            let faults = serde_json::from_value(a["faults"].clone()).unwrap();
            (a["id"].as_str().unwrap().to_string(), faults)
        })
        .collect();
    assert_eq!(judged.len(), cases.len(), "every case is judged");
    judged
}
