//! Dialects that were written from controllers' manuals, `tests/cases/dialect`: a sample is ready in each, and a reader of this test's
//! own traces its programs along the path of the same job in `rs274-ngc`.

mod trace;

use grainway_pipeline::doc::{CutterChangeBy, Unit};
use grainway_pipeline::work::Entry;
use grainway_tests::{Made, load_texts, root, run, sample};
use serde_json::{Value, json};
use trace::{Cuts, Words, follows, trace_pen, trace_words};

/// Both texts lie within this of each other, mm.
const NEAR_MM: f64 = 0.005;
/// What the rounding to units of 0.01 mm takes besides: half a unit along each axis.
const PEN_ROUNDING_MM: f64 = 0.0087;

/// A sample on a machine that reads the dialect. Without pauses nothing is screwed down between cuts.
fn made(job: &str, dialect: &str, change: CutterChangeBy, pauses: bool) -> Made {
    let mut dialects = grainway_dialects::built_in();
    if dialects.get(dialect).is_none() {
        let path = root().join(format!("tests/cases/dialect/{dialect}.json"));
        let text = std::fs::read_to_string(path).unwrap();
        assert!(text.lines().count() < 40);
        dialects.add(grainway_dialects::from_json(&text).unwrap());
    }
    let path = sample(job);
    let folder = path.parent().unwrap();
    let text = std::fs::read_to_string(&path).unwrap();
    let mut document: Value = serde_json::from_str(&text).unwrap();
    if !pauses {
        without_pauses(&mut document);
    }
    let shop = std::fs::read_to_string(folder.join("shop.json")).unwrap();
    let mut loaded = load_texts(&document.to_string(), &shop, folder).unwrap();
    for machine in loaded.work.documents.shop.machines.values_mut() {
        machine.dialect = dialect.to_string();
        machine.program_unit = Unit::Mm;
        machine.cutter_change = change;
    }
    let made = run(loaded, &grainway_stages::built_in(), &dialects).unwrap();
    assert!(made.ready(), "{job} in {dialect}: {:#?}", made.errors());
    made
}

/// The waste of openings is cut to chips, drawn ones, which cannot say so, are left out, and the margin alone holds the frame between parts.
fn without_pauses(job: &mut Value) {
    job["settings"]["hold"]["frame-screws"] = false.into();
    let chips = json!({ "by": "chips" });
    for drawing in job["drawings"].as_array_mut().into_iter().flatten() {
        for layer in drawing["layers"].as_array_mut().into_iter().flatten() {
            if layer["make"] == "cutout" {
                *layer = json!({ "layer": layer["layer"], "ignore": true });
            }
        }
    }
    for part in job["parts"].as_array_mut().into_iter().flatten() {
        for feature in part["features"].as_array_mut().into_iter().flatten() {
            if feature["kind"] == "cutout" {
                feature["waste"] = chips.clone();
            }
        }
    }
}

fn texts(made: &Made) -> Vec<(String, String)> {
    let programs = made.work.programs.iter();
    programs
        .map(|p| (p.name.clone(), made.text(&p.text)))
        .collect()
}

/// The cuts of all programs in running order.
fn cuts(texts: &[(String, String)], trace: impl Fn(&str) -> Cuts) -> Cuts {
    Cuts(texts.iter().flat_map(|(_, text)| trace(text).0).collect())
}

/// The programs in the dialect, once they have followed the path of `rs274-ngc`.
fn traced(
    job: &str,
    dialect: &str,
    change: CutterChangeBy,
    pauses: bool,
    near: f64,
    trace: impl Fn(&str) -> Cuts,
) -> Vec<(String, String)> {
    let written = texts(&made(job, dialect, change, pauses));
    let plain = texts(&made(job, "rs274-ngc", change, pauses));
    let wanted = cuts(&plain, |text| trace_words(text, Words::default()));
    let got = cuts(&written, trace);
    assert!(wanted.0.len() > 500 && got.0.len() > 500);
    for (one, other, what) in [(&wanted, &got, "planned"), (&got, &wanted, "written")] {
        match follows(one, other, near) {
            Ok(worst) => println!("{job} in {dialect}, {what}: {worst:.4} mm"),
            Err(why) => panic!("{job} in {dialect}, {what}: {why}"),
        }
    }
    written
}

#[test]
fn counts_and_radii_follow_the_path() {
    let how = Words {
        counts: true,
        radius: true,
        ..Words::default()
    };
    for job in ["step-stool", "reading-bench"] {
        let hand = CutterChangeBy::Hand;
        let trace = |text: &str| trace_words(text, how);
        let written = traced(job, "counts-and-radii", hand, true, NEAR_MM, trace);
        for (name, text) in &written {
            assert!(
                text.split_terminator("\r\n")
                    .all(|l| l.len() <= 64 && !l.contains('\n'))
            );
            assert!(!text.contains(['.', '(', ';', 'N', '%']), "{name}");
            assert!(text.contains(" M13") && text.contains("M15") && text.contains("G4 K"));
            assert!(text.ends_with("M2\r\n"));
        }
    }
}

#[test]
fn decimal_commas_follow_the_path() {
    let how = Words {
        comma: true,
        semicolon: true,
        ..Words::default()
    };
    for job in ["step-stool", "reading-bench"] {
        let machine = CutterChangeBy::Machine;
        let trace = |text: &str| trace_words(text, how);
        let written = traced(job, "decimal-comma", machine, true, NEAR_MM, trace);
        for (name, text) in &written {
            let words = || text.lines().filter(|l| !l.starts_with(';'));
            assert!(
                words().all(|l| l.len() <= 80 && !l.contains(['S', '.'])),
                "{name}"
            );
            let change = text.split("\nT").nth(1).unwrap();
            let lines: Vec<&str> = change.lines().take(4).collect();
            let cutter = lines[0];
            assert_eq!(lines[1..3], ["M6", &format!("G65 P9001 A{cutter}")]);
            assert_eq!(lines[3], format!("G43 H{cutter}"));
            assert!(text.contains("\nG53 G0 Z0,\n") && text.ends_with("\nM30\n"));
            // The person sets the speed in a pause before the spindle starts.
            let started = text.find("\nM3\n").unwrap();
            let told = text[..started].rfind("rev/min at the panel").unwrap();
            assert!(text[told..started].contains("\nM0\n"), "{name}");
        }
    }
}

#[test]
fn short_numbered_files_follow_the_path() {
    for job in ["step-stool", "reading-bench"] {
        let machine = CutterChangeBy::Machine;
        let trace = |text: &str| trace_words(&without_numbers(text), Words::default());
        let written = traced(job, "short-numbered-files", machine, true, NEAR_MM, trace);
        for (i, (name, text)) in written.iter().enumerate() {
            assert_eq!(*name, format!("{:04}.TAP", i + 1));
            let lines: Vec<&str> = text.lines().collect();
            assert_eq!(lines[..2], ["%", &format!("O{}", i + 1)]);
            assert!(lines.len() <= 10_000 && lines.iter().all(|l| l.len() <= 50));
            assert!(text.contains(" G28 Z0\n") && !text.contains("G53"));
            assert!(text.ends_with(" M30\n%\n"));
        }
    }
}

/// Blocks are counted in ones; their numbers are taken off.
fn without_numbers(text: &str) -> String {
    let mut next = 1;
    let line = |line: &str| match line.strip_prefix('N') {
        Some(block) => {
            let (number, words) = block.split_once(' ').unwrap();
            assert_eq!(number, next.to_string());
            next = next % 9999 + 1;
            format!("{words}\n")
        }
        None => format!("{line}\n"),
    };
    text.lines().map(line).collect()
}

#[test]
fn pens_with_heights_follow_the_path_slow() {
    let near = NEAR_MM + PEN_ROUNDING_MM;
    for job in ["reading-bench"] {
        let hand = CutterChangeBy::Hand;
        let written = traced(job, "pen-with-heights", hand, false, near, trace_pen);
        for (name, text) in &written {
            assert!(
                text.contains("\nZL ") && text.contains("\nRS0;\n"),
                "{name}"
            );
            assert!(text.contains("\nWT 4000;\n") && text.ends_with("\nNR;\n"));
        }
    }
}

/// Where the language cannot pause, screws are driven before the start, into pilots drilled by hand: the sample needs no change.
#[test]
fn a_language_without_pauses_gets_its_screws_before_the_start() {
    let hand = CutterChangeBy::Hand;
    let made = made("reading-bench", "pen-with-heights", hand, true);
    let setups = &made.work.setups;
    let holds: Vec<_> = setups.iter().flat_map(|s| &s.holds).collect();
    assert!(holds.iter().any(|h| h.kind.wants_pilot()), "{holds:?}");
    assert!(holds.iter().all(|h| h.after_pause.is_none()), "{holds:?}");
    let pause = |e: &Entry| matches!(e, Entry::Pause { .. });
    assert!(!setups.iter().flat_map(|s| &s.order).any(pause));
    assert!(setups.iter().all(|s| s.own_steps.is_empty()));
    let sheet = made.text(&made.work.files["setup-sheet.html"]);
    assert!(sheet.contains("drill a pilot by hand"));
    assert!(!sheet.contains("To be fastened later"));
}
