//! What a run tells, and whether another tells the same: programs, findings, figures of verdicts and what the sheet and the lists say.

use grainway_pipeline::chain::settings_of;
use grainway_pipeline::work::Program;
use grainway_stages::verify::Verify;
use grainway_tests::Made;
use serde_json::Value;

/// Keys of the report that hold no more than hashes, or the limit of a figure: the setting's own echo.
const ECHOES: [&str; 6] = ["files", "sha256", "documents", "code", "limit", "picture"];
/// Where the sheet begins to list figures and their limits, which the report has too.
const SHEET_CHECKS: &str = "<h2>What was checked</h2>";
/// Figures are printed with three decimals at least.
const PRINTED: f64 = 0.000_6;

/// A line of what is told.
#[derive(Clone, Debug, PartialEq)]
pub enum Line {
    /// Of a program: each figure counts.
    Program(String),
    /// For people: a figure that is the moved value alone does not count.
    Words(String),
}

/// Everything that a run tells.
pub fn told(made: &Made) -> Vec<Line> {
    let mut lines = Vec::new();
    for program in &made.work.programs {
        for line in made.text(&program.text).lines() {
            let (code, comment) = line.split_once('(').unwrap_or((line, ""));
            lines.push(Line::Program(code.to_string()));
            lines.push(Line::Words(comment.to_string()));
        }
    }
    for (name, id) in &made.work.files {
        if name == "report.json" {
            let report: Value = serde_json::from_str(&made.text(id)).unwrap();
            flattened("", &report, &mut lines);
        } else if name.ends_with(".html") {
            let text = made.text(id);
            let text = text.split(SHEET_CHECKS).next().unwrap();
            lines.extend(without_pictures(text).lines().map(words));
        } else if name.ends_with(".csv") {
            lines.extend(made.text(id).lines().map(words));
        }
    }
    lines
}

/// What verify says of the programs when words of them were changed by hand.
pub fn told_of_edited(made: &Made, edits: &[[String; 2]]) -> Vec<Line> {
    let settings = settings_of(Verify, &made.work.documents).unwrap_or_default();
    let mut lines = Vec::new();
    for setup in &made.work.setups {
        let own = made.work.programs.iter().filter(|p| p.setup == setup.id);
        let edited: Vec<(&Program, String)> = own
            .map(|p| {
                let text = made.text(&p.text);
                let changed = |text: String, [from, to]: &[String; 2]| text.replace(from, to);
                (p, edits.iter().fold(text, changed))
            })
            .collect();
        let verdict = made.verdict(setup, &edited, true, &settings).unwrap();
        lines.extend(verdict.safe.findings.iter().map(|f| words(&f.to_string())));
    }
    lines
}

fn words(text: &str) -> Line {
    Line::Words(text.to_string())
}

fn without_pictures(html: &str) -> String {
    let mut pieces = html.split("<svg");
    let mut text = pieces.next().unwrap_or_default().to_string();
    for piece in pieces {
        text += piece.split_once("</svg>").map_or("", |(_, after)| after);
    }
    text
}

fn flattened(path: &str, value: &Value, lines: &mut Vec<Line>) {
    match value {
        Value::Object(map) => {
            for (k, v) in map.iter().filter(|(k, _)| !ECHOES.contains(&k.as_str())) {
                flattened(&format!("{path}/{k}"), v, lines);
            }
        }
        Value::Array(list) => {
            for (i, v) in list.iter().enumerate() {
                flattened(&format!("{path}/{i}"), v, lines);
            }
        }
        Value::String(s) => lines.push(Line::Words(format!("{path}: {s}"))),
        other => lines.push(Line::Words(format!("{path}: {other}"))),
    }
}

/// The first difference that is more than an echo of the moved value, from `before` to `after`, both in the unit of their key.
pub fn difference(a: &[Line], b: &[Line], before: f64, after: f64) -> Option<String> {
    let echoes: Vec<f64> = [before, after]
        .iter()
        .flat_map(|v| [*v, v / 25.4, v * 25.4])
        .collect();
    let shown = |line: &Line| match line {
        Line::Program(text) => text.clone(),
        Line::Words(text) => without_echo(text, &echoes),
    };
    let a: Vec<String> = a.iter().map(shown).collect();
    let b: Vec<String> = b.iter().map(shown).collect();
    let first = a.iter().zip(&b).find(|(a, b)| a != b);
    match first {
        Some((a, b)) => Some(format!("{a:?} -> {b:?}")),
        None if a.len() != b.len() => Some(format!("{} lines -> {}", a.len(), b.len())),
        None => None,
    }
}

/// The text with every number that is one of the echoes made a `~`.
fn without_echo(text: &str, echoes: &[f64]) -> String {
    let mut out = String::with_capacity(text.len());
    let mut rest = text;
    while let Some(c) = rest.chars().next() {
        let length = match c.is_ascii_digit() {
            true => rest
                .find(|c: char| !(c.is_ascii_digit() || c == '.'))
                .unwrap_or(rest.len()),
            false => 0,
        };
        if length == 0 {
            out.push(c);
            rest = &rest[c.len_utf8()..];
            continue;
        }
        // A full stop may end the sentence.
        let number = rest[..length].trim_end_matches('.');
        let echo = number
            .parse::<f64>()
            .is_ok_and(|n| echoes.iter().any(|e| (n - e.abs()).abs() <= PRINTED));
        out.push_str(if echo { "~" } else { number });
        rest = &rest[number.len()..];
    }
    out
}

#[test]
fn an_echo_is_no_difference_and_anything_else_is() {
    let lines = |line: &str| vec![words(line)];
    let moved = |a: &str, b: &str| difference(&lines(a), &lines(b), 4.0, 40.0).is_some();
    assert!(!moved("4 mm are asked.", "40 mm are asked."));
    assert!(!moved("4.000 mm", "40.000 mm"));
    assert!(!moved("0.1575 in", "1.575 in"));
    assert!(moved("4 mm are asked.", "41 mm are asked."));
    assert!(moved("stands at 12", "stands at 48"));
    assert!(moved("held", "held; a pilot"));
    // In a program each figure counts.
    let program = |line: &str| vec![Line::Program(line.to_string())];
    let (a, b) = (program("G4 P4."), program("G4 P40."));
    assert!(difference(&a, &b, 4.0, 40.0).is_some());
    assert!(difference(&a, &a, 4.0, 40.0).is_none());
    assert!(difference(&a, &[], 4.0, 40.0).is_some());
}
