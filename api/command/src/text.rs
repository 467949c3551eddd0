//! What the command prints for people.

use grainway_pipeline::finding::Finding;
use grainway_runner::Verified;
use grainway_stages::report::{JobVerdict, NightRow, Release, ReportDocument};
use serde_json::Value;
use std::fmt::Write;
use std::path::Path;

/// Indented JSON with a line feed at its end.
pub(super) fn pretty(value: &Value) -> String {
    let mut text = serde_json::to_string_pretty(value).unwrap_or_default();
    text.push('\n');
    text
}

fn word(value: &Value, key: &str) -> String {
    match &value[key] {
        Value::String(s) => s.clone(),
        other => other.to_string(),
    }
}

/// The stages: name, what it does, and its settings with their documentation.
pub(super) fn stages(stages: &Value) -> String {
    let mut out = String::new();
    for stage in stages.as_array().into_iter().flatten() {
        let _ = writeln!(out, "{}: {}", word(stage, "name"), word(stage, "summary"));
        let properties = stage["schema"]["properties"].as_object();
        for (key, value) in stage["settings"].as_object().into_iter().flatten() {
            let about = properties
                .and_then(|p| p.get(key))
                .and_then(|p| p.get("description"))
                .and_then(Value::as_str)
                .unwrap_or("")
                .replace('\n', " ");
            let _ = writeln!(out, "    {key} = {value}    {about}");
        }
    }
    out
}

/// The dialects: name, what it is for, and its properties.
pub(super) fn dialects(dialects: &Value) -> String {
    let mut out = String::new();
    for dialect in dialects.as_array().into_iter().flatten() {
        let _ = writeln!(
            out,
            "{}: {}",
            word(dialect, "name"),
            word(dialect, "summary")
        );
        for (key, value) in dialect.as_object().into_iter().flatten() {
            if key != "name" && key != "summary" {
                let _ = writeln!(out, "    {key} = {value}");
            }
        }
    }
    out
}

/// "1 h 12 min", "4 min 10 s".
pub(super) fn duration(seconds: f64) -> String {
    let s = seconds.round().max(0.0) as u64;
    match (s / 3600, s / 60 % 60, s % 60) {
        (0, 0, s) => format!("{s} s"),
        (0, m, s) => format!("{m} min {s} s"),
        (h, m, _) => format!("{h} h {m} min"),
    }
}

/// Verdicts over texts.
pub(super) fn verified(verified: &Verified) -> String {
    let mut text = String::new();
    let line = |f: &Finding| f.line_in(verified.program_unit);
    for finding in &verified.job_findings {
        let _ = writeln!(text, "{}", line(finding));
    }
    let word = |passed| if passed { "passed" } else { "did not pass" };
    for setup in &verified.setups {
        let _ = writeln!(text, "{}: {}", setup.setup, setup.programs.join(", "));
        if setup.unverified {
            let _ = writeln!(text, "    not checked: the dialect cannot be read back");
            continue;
        }
        let _ = writeln!(text, "    safe: {}", word(setup.safe.passed));
        for (program, verdict) in setup.programs.iter().zip(&setup.as_planned) {
            if let Some(verdict) = verdict {
                let _ = writeln!(text, "    as planned: {program} {}", word(verdict.passed));
            }
        }
        let planned = setup.as_planned.iter().flatten();
        for finding in planned.chain([&setup.safe]).flat_map(|v| &v.findings) {
            let _ = writeln!(text, "    {}", line(finding));
        }
    }
    if verified.passed {
        let _ = writeln!(text, "Passed. {}", grainway_stages::report::MEANS);
    } else {
        let _ = writeln!(text, "Did not pass: do not run these texts.");
    }
    text
}

/// How many jobs share the boards, and what a former night left unchanged.
fn of_night(night: &NightRow, report: &ReportDocument) -> String {
    let jobs = match night.jobs.len() {
        1 => "1 job".to_string(),
        n => format!("{n} jobs"),
    };
    let kept = night.former.as_ref().map(|_| {
        format!(
            "; {} of {} setups kept, byte for byte",
            night.kept.len(),
            report.setups.len()
        )
    });
    format!("{jobs} pooled{}", kept.unwrap_or_default())
}

/// How a run ended, in a few lines.
pub(super) fn summary(report: &ReportDocument, out: Option<&Path>) -> String {
    let mut text = String::new();
    let counts = report.counts;
    let pieces: u32 = match report.setups.is_empty() {
        true => 0,
        false => report.parts.iter().map(|p| p.count).sum(),
    };
    let _ = writeln!(
        text,
        "{}: {} parts, {} boards and blanks, {} programs, about {} at the machine and {} pauses",
        report.job,
        pieces,
        report.wood.iter().map(|w| w.boards).sum::<u32>(),
        report.programs.len(),
        duration(report.times.total),
        report.times.pauses,
    );
    if let Some(night) = &report.night {
        let _ = writeln!(text, "{}", of_night(night, report));
    }
    let _ = writeln!(
        text,
        "{} errors, {} warnings, {} notes",
        counts.errors, counts.warnings, counts.notes
    );
    match report.verdict {
        JobVerdict::Ready => {
            let _ = writeln!(text, "Ready. {}", report.means);
        }
        JobVerdict::Withheld => {
            let _ = writeln!(text, "Withheld: act on the errors; no program is released.");
        }
        JobVerdict::Refused => {
            let _ = writeln!(text, "Refused: act on the errors; there are no programs.");
        }
        JobVerdict::Failed => {
            let _ = writeln!(text, "Failed: nothing is released.");
        }
    }
    if let Some(out) = out {
        let released = report
            .programs
            .iter()
            .filter(|p| p.release == Release::Released)
            .count();
        let sheet = report.files.contains_key("setup-sheet.html");
        if sheet {
            let _ = writeln!(
                text,
                "Read {} before anything else.",
                out.join("setup-sheet.html").display()
            );
        }
        if released > 0 {
            let _ = writeln!(
                text,
                "Programs in running order: {}",
                out.join("programs").display()
            );
        }
        let _ = writeln!(text, "Everything: {}", out.join("report.json").display());
    }
    text
}
