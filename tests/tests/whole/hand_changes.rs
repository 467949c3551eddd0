//! Cutters that a person changes while the program pauses: one program a setup, written, read back and verified in every dialect that
//! pauses; and texts that pause for another cutter, or for none, are caught.

use super::sabotage::{Line, chain, edited_in, edited_job, tamper, texts};
use grainway_pipeline::doc::{CutterChangeBy, SpindleSwitch, Unit};
use grainway_pipeline::finding::in_unit;
use grainway_pipeline::work::{Entry, Setup};
use grainway_stages::report::{OrderRow, ReportDocument};
use grainway_tests::{Loaded, Made, SAMPLES, load, make, run, sample};

fn sample_with(name: &str, change: CutterChangeBy, spindle: SpindleSwitch) -> Loaded {
    let mut loaded = load(&sample(name)).unwrap();
    for machine in loaded.work.documents.shop.machines.values_mut() {
        machine.cutter_change = change;
        machine.spindle = spindle;
    }
    loaded
}

fn made(loaded: Loaded, place: &str) -> Made {
    let made = make(loaded).unwrap();
    assert!(made.ready(), "{place}: {:#?}", made.errors());
    made
}

/// Cutters of a setup after its first.
fn later(setup: &Setup) -> Vec<&str> {
    let cutters = setup.order.iter().filter_map(|e| match e {
        Entry::Cutter(id) => Some(id.as_str()),
        _ => None,
    });
    cutters.skip(1).collect()
}

/// Without comments' marks and line ends, in which dialects differ.
fn plain(text: &str) -> String {
    let words = text.split(|c: char| !c.is_ascii_alphanumeric());
    let words: Vec<String> = words
        .filter(|w| !w.is_empty() && *w != "MSG")
        .map(str::to_ascii_lowercase)
        .collect();
    words.join(" ")
}

#[test]
fn every_sample_is_ready_with_cutters_changed_in_pauses_slow() {
    let dialects = grainway_dialects::built_in();
    let able = |d: &&str| dialects.get(d).is_some_and(|d| d.about().pen.is_none());
    let mut changes = 0;
    for name in SAMPLES {
        for dialect in dialects.names().filter(able) {
            for (unit, spindle) in [
                (Unit::Mm, SpindleSwitch::Program),
                (Unit::Inch, SpindleSwitch::Hand),
            ] {
                let place = format!("{name} in {dialect}, {unit:?}, {spindle:?}");
                let mut loaded = sample_with(name, CutterChangeBy::Pause, spindle);
                for machine in loaded.work.documents.shop.machines.values_mut() {
                    machine.dialect = dialect.to_string();
                    machine.program_unit = unit;
                }
                let made = made(loaded, &place);
                // One program a setup, whose pauses name the cutters in their order.
                assert_eq!(made.work.programs.len(), made.work.setups.len(), "{place}");
                for (program, setup) in made.work.programs.iter().zip(&made.work.setups) {
                    let text = plain(&made.text(&program.text));
                    // From the end: a cutter may go in more than once.
                    let mut rest = text.as_str();
                    for id in later(setup).into_iter().rev() {
                        let cutter = made.work.documents.cutter(id).unwrap();
                        let message =
                            format!("put in cutter {}: {}", cutter.number, cutter.label());
                        let at = rest.rfind(&plain(&in_unit(&message, unit)));
                        let at =
                            at.unwrap_or_else(|| panic!("{place}: {message} is not in {rest}"));
                        rest = &rest[..at];
                        changes += 1;
                    }
                }
            }
        }
    }
    assert!(changes > 20, "{changes}");
}

/// The sheet says where a program waits for a cutter, and times count it.
#[test]
fn the_report_says_which_cutters_go_in_during_a_program() {
    let report = |change| {
        let loaded = sample_with("reading-bench", change, SpindleSwitch::Program);
        let made = made(loaded, "reading-bench");
        let text = made.text(&made.work.files["report.json"]);
        serde_json::from_str::<ReportDocument>(&text).unwrap()
    };
    let rows = |report: &ReportDocument| -> Vec<(bool, bool)> {
        let all = report.setups.iter().flat_map(|s| &s.order);
        all.filter_map(|o| match o {
            OrderRow::Cutter {
                by_hand, in_pause, ..
            } => Some((*by_hand, *in_pause)),
            _ => None,
        })
        .collect()
    };
    let (machine, between, paused) = (
        report(CutterChangeBy::Machine),
        report(CutterChangeBy::Hand),
        report(CutterChangeBy::Pause),
    );
    assert!(rows(&machine).iter().all(|r| *r == (false, false)));
    assert!(rows(&between).iter().all(|r| *r == (true, false)));
    let waits = rows(&paused).iter().filter(|r| r.1).count();
    assert_eq!(waits, rows(&paused).len() - paused.setups.len());
    assert!(waits > 0 && rows(&paused).iter().all(|r| r.0));
    let pauses = |r: &ReportDocument| r.setups.iter().map(|s| s.times.pauses).sum::<u32>() as usize;
    assert_eq!(pauses(&paused), pauses(&between) + waits);
    assert!(paused.programs.len() < between.programs.len());
}

/// The first pause for a cutter, as lines from its message to the stop.
fn first_pause(lines: &[Line]) -> Option<(usize, usize)> {
    let says = |l: &Line| l.text.contains("Put in cutter");
    let from = lines.iter().position(says)?;
    let stop = lines[from..].iter().position(|l| l.text == "M0")?;
    Some((from, from + stop))
}

fn edited(edit: impl Fn(&mut Vec<String>, (usize, usize)) + Send + Sync + 'static) -> Made {
    let loaded = sample_with(
        "reading-bench",
        CutterChangeBy::Pause,
        SpindleSwitch::Program,
    );
    let edit = move |lines: &[Line], _: &_| {
        let pause = first_pause(lines)?;
        let mut text = texts(lines);
        edit(&mut text, pause);
        Some(text)
    };
    edited_job(loaded, edit).expect("a pause for a cutter")
}

fn says(made: &Made, code: &str, words: &str) {
    let found = made.with_code(code);
    assert!(
        found.iter().any(|f| f.message.contains(words)),
        "{code} {words}: {:#?}",
        made.errors()
    );
    assert!(!made.ready());
}

#[test]
fn a_text_that_pauses_for_another_cutter_or_for_none_is_caught() {
    // As it is, it is ready.
    assert!(edited(|_, _| {}).ready());
    let other = edited(|text, (from, _)| {
        let number = text[from].find("cutter ").unwrap() + "cutter ".len();
        text[from].replace_range(number..=number, "77");
    });
    says(
        &other,
        "verify-wrong-cutter",
        "is to go in here, and the pause says",
    );
    let none = edited(|text, (from, stop)| {
        text.drain(from..=stop);
    });
    says(&none, "verify-wrong-cutter", "does not pause for cutter");
    says(&none, "verify-as-planned", "the text");
    // A spindle that turns while a hand reaches for the cutter.
    let turning = edited(|text, (_, stop)| {
        let after = &text[stop..];
        let starts = after.iter().position(|l| l.contains("M3")).unwrap();
        // Some programs have two cutters only.
        let Some(waits) = after.iter().position(|l| l.contains("Put in")) else {
            return;
        };
        for i in (stop + starts..stop + waits).rev() {
            if text[i] == "M5" {
                text.remove(i);
            }
        }
    });
    says(&turning, "verify-pause", "the spindle still turns");
}

/// The first fast way down by a zero that a person has just set ends 10 mm over the wood: a text that comes down farther is caught, at
/// its start and behind a pause.
#[test]
fn a_text_that_comes_down_fast_by_an_untried_zero_is_caught() {
    let deeper = |from: usize, text: &mut Vec<String>| {
        let falls = |l: &String| l.starts_with("G0 Z") || l.starts_with("Z");
        let down = text[from..]
            .windows(2)
            .position(|w| falls(&w[0]) && w[1].starts_with("G1 Z"));
        let at = from + down.expect("a fast way down, then feed");
        text[at] = text[at + 1].replacen("G1", "G0", 1);
        text[at] = text[at].split(" F").next().unwrap().to_string();
        text.remove(at + 1);
    };
    for behind in [false, true] {
        let low = edited(move |text, (_, stop)| deeper(if behind { stop } else { 0 }, text));
        says(
            &low,
            "verify-rapid",
            "the first rapid down after Z zero was set by hand",
        );
    }
}

#[test]
fn a_dialect_that_cannot_say_a_change_is_told() {
    let mute = r#"{"format": "grainway.dialect/1", "name": "mute", "version": 1, "extends": "rs274-lean", "summary": "x", "pause": null}"#;
    let mut dialects = grainway_dialects::built_in();
    dialects.add(grainway_dialects::from_json(mute).unwrap());
    for (change, words, told) in [
        (CutterChangeBy::Machine, "by the machine", true),
        (CutterChangeBy::Pause, "in pauses", true),
        (CutterChangeBy::Hand, "", false),
    ] {
        let mut loaded = sample_with("step-stool", change, SpindleSwitch::Program);
        for machine in loaded.work.documents.shop.machines.values_mut() {
            machine.dialect = "mute".to_string();
        }
        let made = run(loaded, &grainway_stages::built_in(), &dialects).unwrap();
        let found = made.with_code("changes-between");
        assert_eq!(found.len(), usize::from(told), "{change:?}");
        assert!(found.iter().all(|f| f.message.contains(words)), "{found:?}");
        // They are there all the same, one a cutter.
        assert!(made.work.programs.len() > made.work.setups.len());
        assert!(made.work.programs.iter().all(|p| p.cutter.is_some()));
    }
}

/// Where a hand switches the spindle, it is switched on for the cutter that is in and at no other's speed: between the screws and the
/// next cutter it stays off.
#[test]
fn the_spindle_stays_off_between_two_pauses() {
    for change in [CutterChangeBy::Pause, CutterChangeBy::Machine] {
        let place = format!("{change:?}");
        let made = made(
            sample_with("reading-bench", change, SpindleSwitch::Hand),
            &place,
        );
        let text = made.text(&made.work.programs[0].text);
        let told: Vec<&str> = text.lines().filter(|l| l.contains("MSG")).collect();
        let screws = told
            .iter()
            .position(|m| m.contains("Drive ") && m.contains(" screws"));
        let screws = screws.unwrap_or_else(|| panic!("{place}: {told:#?}"));
        assert!(!told[screws].contains("Switch the spindle on"), "{told:#?}");
        let after = told[screws + 1];
        assert!(!after.contains("Switch the spindle off"), "{told:#?}");
        assert!(
            after.contains("Switch the spindle on at 18000"),
            "{told:#?}"
        );
    }
}

/// The text with its first pause for a cutter moved to its end.
fn put_in_at_the_end(text: &str) -> String {
    let mut lines: Vec<&str> = text.lines().collect();
    let from = lines.iter().position(|l| l.contains("Put in cutter"));
    let from = from.unwrap();
    let stop = from + lines[from..].iter().position(|l| *l == "M0").unwrap();
    let pause: Vec<&str> = lines.drain(from..=stop).collect();
    let end = lines.iter().rposition(|l| *l == "M2").unwrap();
    lines.splice(end..end, pause);
    lines.join("\n") + "\n"
}

/// A cutter that comes behind a pause goes in behind it, also when the program begins with that pause: what the sheet says line by line is
/// what the program waits for.
#[test]
fn a_program_that_begins_with_a_pause_waits_for_its_cutter() {
    let look = tamper("look-first", |work| {
        for setup in &mut work.setups {
            let pauses = |e: &Entry| matches!(e, Entry::Pause { .. });
            if !setup.order.iter().any(pauses) {
                let message = "Look at the wood".to_string();
                setup.order.insert(0, Entry::Pause { number: 1, message });
            }
        }
    });
    for spindle in [SpindleSwitch::Program, SpindleSwitch::Hand] {
        let made = run(
            sample_with("step-stool", CutterChangeBy::Pause, spindle),
            &chain(vec![("sequence", look.clone())]),
            &grainway_dialects::built_in(),
        )
        .unwrap();
        assert!(made.ready(), "{:#?}", made.errors());
        let report = made.text(&made.work.files["report.json"]);
        let report: ReportDocument = serde_json::from_str(&report).unwrap();
        let mut seen = 0;
        for (program, setup) in made.work.programs.iter().zip(&report.setups) {
            let (
                OrderRow::Pause { .. },
                OrderRow::Cutter {
                    number, in_pause, ..
                },
            ) = (&setup.order[0], &setup.order[1])
            else {
                continue;
            };
            let text = plain(&made.text(&program.text));
            let looks = text.rfind("look at the wood").unwrap();
            let waits = text.rfind(&format!("put in cutter {number}"));
            assert!(waits.is_some_and(|at| looks < at), "{text}");
            assert!(*in_pause, "{:?}", setup.order);
            seen += 1;
            // Moved behind the cuts, the pause comes too late: nobody knows with what they are cut.
            let text = made.text(&program.text);
            let late = put_in_at_the_end(&text);
            assert!(made.safe_of(program, &text).unwrap().passed, "{text}");
            assert!(!made.safe_of(program, &late).unwrap().passed, "{late}");
        }
        assert!(seen > 0);
    }
}

/// Taken alone, as texts edited by hand are.
fn safe(made: &Made) -> bool {
    let mut verdicts = made.work.programs.iter().filter_map(|p| p.safe.as_ref());
    verdicts.all(|v| v.passed)
}

fn stop(message: &str) -> Vec<String> {
    let mut lines: Vec<String> = ["G53 G0 Z0.", "M5"].map(String::from).to_vec();
    if !message.is_empty() {
        lines.push(format!("(MSG, {message})"));
    }
    lines.extend(["M0", "G53 G0 Z0."].map(String::from));
    lines
}

/// A stop that somebody puts in before the one for a cutter does not pass for it.
#[test]
fn a_pause_more_is_not_the_one_for_a_cutter() {
    let more = |message: &'static str| {
        edited(move |text, (from, _)| {
            text.splice(from..from, stop(message));
        })
    };
    // It costs time, and nothing is cut otherwise than it says.
    assert!(safe(&more("Look at the chips")));
    let mute = more("");
    assert!(!safe(&mute));
    says(&mute, "verify-wrong-cutter", "is to go in here");
}

/// Pauses are told apart by their places only in a language that shows no messages.
#[test]
fn pauses_whose_messages_are_all_gone_are_caught() {
    let mute = edited(|text, _| text.retain(|line| !line.contains("(MSG,")));
    assert!(!safe(&mute));
    says(&mute, "verify-wrong-cutter", "is to go in here");
}

#[test]
fn a_pause_that_calls_for_a_cutter_out_of_turn_is_caught() {
    let late = edited(|text, _| {
        let end = text.iter().rposition(|l| l == "M2").unwrap();
        text.splice(end..end, stop("Put in cutter 3: 3 mm drill"));
    });
    assert!(!safe(&late));
    says(&late, "verify-wrong-cutter", "no cutter is to go in here");
    let found = late.with_code("verify-wrong-cutter");
    assert!(
        found
            .iter()
            .all(|f| f.remedy.contains("the setup sheet names"))
    );
    // The screws' pause.
    let screws = edited(|text, _| {
        for line in text.iter_mut() {
            if line.contains("MSG, Drive") {
                *line = "(MSG, Put in cutter 1)".to_string();
            }
        }
    });
    assert!(!safe(&screws));
    says(&screws, "verify-wrong-cutter", "the pause says");
    // It is named before it goes in, and something is cut in between.
    let early = edited(|text, (from, _)| {
        let begins = |l: &&String| l.starts_with("(step");
        let call = text[from].replace("(MSG, ", "").replace(')', "");
        if let Some(step) = text[..from].iter().rposition(|l| begins(&l)) {
            text.splice(step..step, stop(&call));
        }
    });
    assert!(!safe(&early));
    says(&early, "verify-wrong-cutter", "no cutter is to go in here");
}

/// A stop that depends on a switch does not wait for a cutter.
#[test]
fn an_optional_stop_is_no_pause_for_a_cutter() {
    let optional = edited(|text, (_, stop)| text[stop] = "M1".to_string());
    assert!(!safe(&optional));
    says(&optional, "verify-text", "optional-stop");
}

#[test]
fn a_comment_that_calls_for_another_cutter_is_caught() {
    let other = |number: &'static str| {
        let loaded = sample_with("step-stool", CutterChangeBy::Pause, SpindleSwitch::Program);
        let edit = move |lines: &[Line], _: &_| {
            let (from, _) = first_pause(lines)?;
            let mut text = texts(lines);
            text[from] = text[from].replace("cutter 1", &format!("cutter {number}"));
            Some(text)
        };
        edited_job(loaded, edit).unwrap()
    };
    assert!(other("1").ready());
    // The one that is in stays in, then, and the next never comes.
    says(
        &other("2"),
        "verify-wrong-cutter",
        "does not pause for cutter",
    );
    let other = other("7");
    assert!(!safe(&other));
    says(
        &other,
        "verify-wrong-cutter",
        "is to go in here, and the pause says",
    );
}

/// Without messages the pauses count by their places, so there may be none more and none less.
#[test]
fn pauses_without_messages_are_as_many_as_planned() {
    let text = r#"{"format": "grainway.dialect/1", "name": "wordless", "version": 1, "extends": "rs274-ngc", "summary": "x",
        "pause": { "word": "M0", "message": "none" }}"#;
    let edited = |more: bool| {
        let mut dialects = grainway_dialects::built_in();
        dialects.add(grainway_dialects::from_json(text).unwrap());
        let mut loaded = sample_with(
            "reading-bench",
            CutterChangeBy::Pause,
            SpindleSwitch::Program,
        );
        for machine in loaded.work.documents.shop.machines.values_mut() {
            machine.dialect = "wordless".to_string();
        }
        let edit = move |lines: &[Line], _: &_| {
            let mut text = texts(lines);
            let pauses: Vec<usize> = (0..text.len()).filter(|i| text[*i] == "M0").collect();
            let last = *pauses.last()?;
            if more {
                text.splice(last + 1..=last, stop(""));
            }
            Some(text)
        };
        edited_in(dialects, loaded, edit).unwrap()
    };
    let whole = edited(false);
    assert!(whole.ready(), "{:#?}", whole.errors());
    let more = edited(true);
    assert!(!safe(&more));
    says(&more, "verify-wrong-cutter", "the pauses have no messages");
}

/// The head counts the program's stops as the person meets them, and the sheet says when a hand switches the spindle.
#[test]
fn head_and_sheet_say_what_the_hand_does() {
    for (spindle, by_hand) in [(SpindleSwitch::Program, false), (SpindleSwitch::Hand, true)] {
        let place = format!("{spindle:?}");
        let made = made(
            sample_with("reading-bench", CutterChangeBy::Pause, spindle),
            &place,
        );
        let mut named = 0;
        for program in &made.work.programs {
            let text = made.text(&program.text);
            let stops: Vec<&str> = text.split("\nM0\n").collect();
            for line in text.lines().filter(|l| l.starts_with("(at stop ")) {
                let number = |after: &str| -> usize {
                    let rest = line.split(after).nth(1).unwrap();
                    let end = rest.find(|c: char| !c.is_ascii_digit()).unwrap();
                    rest[..end].parse().unwrap()
                };
                let before = stops[number("at stop ") - 1];
                let message = before.lines().last().unwrap();
                let cutter = number("[number ");
                assert!(
                    message.contains(&format!("Put in cutter {cutter}:")),
                    "{line}: {message}"
                );
                named += 1;
            }
        }
        assert!(named > 0);
        let sheet = made.text(&made.work.files["setup-sheet.html"]);
        assert_eq!(sheet.contains("You switch the spindle"), by_hand);
    }
}

/// At the machine's top, not at the height that the last cutter needed: the next may be longer.
#[test]
fn a_cutter_is_changed_with_all_the_room_there_is() {
    let loaded = sample_with(
        "reading-bench",
        CutterChangeBy::Pause,
        SpindleSwitch::Program,
    );
    let made = made(loaded, "reading-bench");
    let mut seen = 0;
    for program in &made.work.programs {
        let text = made.text(&program.text);
        let lines: Vec<&str> = text.lines().filter(|l| *l != "M5").collect();
        for pair in lines.windows(2).filter(|w| w[1].contains("MSG, Put in")) {
            assert_eq!(pair[0], "G53 G0 Z0.", "{}", pair[1]);
            seen += 1;
        }
    }
    assert!(seen > 0);
}

/// Parts of a long program: each says in its head which cutter is in when it starts, and waits for those after it.
#[test]
fn parts_of_a_long_program_begin_with_their_cutters() {
    let text = r#"{"format": "grainway.dialect/1", "name": "short-files", "version": 1, "extends": "rs274-ngc", "summary": "x",
        "files": {"most-lines": MOST}}"#;
    for (most, spindle) in [
        (1500, SpindleSwitch::Program),
        (2000, SpindleSwitch::Hand),
        (2600, SpindleSwitch::Program),
    ] {
        let mut dialects = grainway_dialects::built_in();
        let text = text.replace("MOST", &most.to_string());
        dialects.add(grainway_dialects::from_json(&text).unwrap());
        let mut loaded = sample_with("reading-bench", CutterChangeBy::Pause, spindle);
        for machine in loaded.work.documents.shop.machines.values_mut() {
            machine.dialect = "short-files".to_string();
        }
        let made = run(loaded, &grainway_stages::built_in(), &dialects).unwrap();
        assert!(made.ready(), "{most}: {:#?}", made.errors());
        let (mut goes_on, mut waits) = (0, 0);
        for program in &made.work.programs {
            let setup = made.setup_of(program).unwrap();
            let (from, to) = program.entries;
            let cutter = |e: &Entry| match e {
                Entry::Cutter(id) => made.work.documents.cutter(id).map(|c| c.number),
                _ => None,
            };
            let begins = cutter(&setup.order[from]);
            goes_on += usize::from(from > 0 && begins.is_none());
            let before = setup.order[..=from].iter().rev().find_map(cutter).unwrap();
            let text = made.text(&program.text);
            let first = text.find("\n(cutter ").unwrap();
            assert!(
                text[first..]
                    .split('\n')
                    .nth(1)
                    .unwrap()
                    .contains(&format!("[number {before}]"))
            );
            let later: Vec<u32> = setup.order[from + 1..to]
                .iter()
                .filter_map(cutter)
                .collect();
            assert_eq!(
                text.matches("Put in cutter").count(),
                later.len(),
                "{}",
                program.name
            );
            waits += later.len();
        }
        assert!(goes_on > 0 && waits > 0, "{most}: {goes_on} {waits}");
    }
}
