//! Where a stopped run can be taken up: the lines of texts, lists and checks.

use grainway_pipeline::dialect::{Action, ReadMove};
use grainway_tests::{Made, SAMPLES, load, make, sample};
use std::ops::ControlFlow;

/// Of the samples' shops, s.
const SPIN_UP_S: f64 = 4.0;

fn made(name: &str, restart_seconds: f64) -> Made {
    let mut loaded = load(&sample(name)).unwrap();
    for machine in loaded.work.documents.shop.machines.values_mut() {
        machine.restart_seconds = restart_seconds;
    }
    let made = make(loaded).unwrap();
    assert!(made.ready(), "{name}: {:#?}", made.errors());
    made
}

fn read(text: &str) -> Vec<ReadMove> {
    let dialects = grainway_dialects::built_in();
    let reader = dialects.get("rs274-ngc").unwrap().reader().unwrap();
    let mut seen = Vec::new();
    reader.read(&mut text.as_bytes(), &mut |m: ReadMove| {
        seen.push(m);
        ControlFlow::Continue(())
    });
    seen
}

/// Seconds at feed of a move that was read.
fn seconds(m: &ReadMove) -> f64 {
    let (Some(from), Some(to), Some(feed)) = (m.from.point(), m.to.point(), m.feed) else {
        return 0.0;
    };
    let flat = match m.action {
        Action::Line => from.xy().distance(to.xy()),
        Action::Arc { centre, sweep, .. } => from.xy().distance(centre) * sweep.abs(),
        _ => return 0.0,
    };
    60.0 * flat.hypot(to.z - from.z) / feed
}

/// What a controller does that begins at a line, with its spindle at rest and its cutter anywhere: it starts the spindle and waits, goes
/// up first, and only then to the place of the cut.
fn can_be_taken_up(text: &str, line: u64, place: &str) {
    let rest: Vec<&str> = text.lines().skip(line as usize - 1).collect();
    let seen = read(&format!("%\n{}\n", rest.join("\n")));
    let first_cut = seen
        .iter()
        .position(|m| matches!(m.action, Action::Line | Action::Arc { .. }))
        .unwrap_or_else(|| panic!("{place}: no cut behind the line"));
    let before = &seen[..first_cut];
    let started = before.iter().position(|m| m.spindle.is_some());
    let started = started.unwrap_or_else(|| panic!("{place}: the spindle stands"));
    let waited: f64 = before[started..]
        .iter()
        .map(|m| match m.action {
            Action::Dwell { seconds } => seconds,
            _ => 0.0,
        })
        .sum();
    assert!(waited >= SPIN_UP_S, "{place}: waits {waited} s");
    let moves = before
        .iter()
        .filter(|m| matches!(m.action, Action::Rapid | Action::RetractFull) && m.from != m.to);
    let mut moves = moves.peekable();
    let up = moves.peek().unwrap();
    assert!(
        up.to.z.is_some() && up.to.x.is_none(),
        "{place}: not up first"
    );
    assert!(seen[first_cut].from.point().is_some(), "{place}");
}

/// Every line that the running order gives stands in the text as one at which the run can be taken up, and no other does; long steps have
/// some of their own.
#[test]
fn a_stopped_run_can_be_taken_up_at_every_restart_line() {
    for (name, every) in SAMPLES.iter().flat_map(|n| [(n, 240.0), (n, 0.0)]) {
        let made = made(name, every);
        let list = made.text(&made.work.files["running-order.csv"]);
        let mut within = 0;
        for program in &made.work.programs {
            let text = made.text(&program.text);
            let place = format!("{name}, {}", program.name);
            let told = listed(&list, &program.name);
            let mut lines: Vec<u64> = Vec::new();
            let (mut cut, mut longest) = (0.0_f64, 0.0_f64);
            for m in read(&text) {
                match m.action {
                    Action::Step { .. } => {
                        lines.push(m.line);
                        cut = 0.0;
                    }
                    Action::Pause { .. } | Action::CutterChange => cut = 0.0,
                    _ => cut += seconds(&m),
                }
                longest = longest.max(cut);
            }
            assert_eq!(told, lines, "{place}");
            for line in &lines {
                can_be_taken_up(&text, *line, &format!("{place}, line {line}"));
            }
            let levels = text.lines().filter(|l| l.contains(": go on with "));
            within += levels.count();
            // The last level of the longest outline and its finishing lap take 177 s; the outline, 390 s.
            assert!(longest < every + 240.0, "{place}: {longest:.0} s");
        }
        assert!(within > 3, "{name}: {within} at pass levels");
    }
}

/// The lines that the running order gives for a program, each once.
fn listed(list: &str, program: &str) -> Vec<u64> {
    let rows = list.lines().skip(1);
    let rows = rows.map(|r| r.split(',').collect::<Vec<_>>());
    let of_program = rows.filter(|r| r[r.len() - 3] == program);
    let mut lines: Vec<u64> = of_program
        .flat_map(|r| {
            let later = r[r.len() - 1].split_whitespace();
            std::iter::once(r[r.len() - 2])
                .chain(later)
                .map(|l| l.parse().unwrap())
                .collect::<Vec<u64>>()
        })
        .collect();
    lines.sort_unstable();
    lines.dedup();
    lines
}

/// A text without the wait behind one of its restart lines is not as planned, and not safe when it is taken as edited.
#[test]
fn a_restart_line_without_its_wait_is_caught() {
    let made = made("reading-bench", 240.0);
    let program = &made.work.programs[0];
    let text = made.text(&program.text);
    let lines: Vec<&str> = text.lines().collect();
    let marks = lines
        .iter()
        .enumerate()
        .filter(|(_, l)| l.starts_with("(step "));
    let marks: Vec<usize> = marks.map(|(i, _)| i).collect();
    assert!(marks.len() > 5, "{marks:?}");
    for mark in marks {
        let wait = mark
            + lines[mark..]
                .iter()
                .position(|l| l.starts_with("G4 "))
                .unwrap();
        assert!(wait < mark + 6, "{:?}", &lines[mark..mark + 6]);
        let mut without = lines.clone();
        without.remove(wait);
        let safe = made.safe_of(program, &(without.join("\n") + "\n")).unwrap();
        let told = safe.findings.iter().any(|f| f.code == "verify-spindle");
        assert!(!safe.passed && told, "line {wait}: {:?}", safe.findings);
    }
}
