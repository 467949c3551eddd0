//! What the writer does at the edges: arcs that rounding eats, modes at a workingstep, refusals, data files.

use crate::{faults, read, write};
use grainway_dialects::{built_in, from_json};
use grainway_geom::point;
use grainway_pipeline::dialect::{Action, Dialect, DialectError, ProgramHead};
use grainway_pipeline::doc::Unit;
use grainway_pipeline::motion::{CutterChange, Item, Move, Spindle, StepStart};
use std::f64::consts::{PI, TAU};

fn start() -> Vec<Item> {
    vec![
        Item::RetractFull { safe_z: 25.0 },
        Item::Spindle(Some(Spindle {
            rpm: 12000.0,
            clockwise: true,
        })),
        Item::Dwell { seconds: 4.0 },
        Item::Step(StepStart {
            number: 1,
            label: "top / p1".into(),
        }),
        Item::Move(Move::rapid(point(10.0, 10.0).at_z(25.0))),
        Item::Move(Move::line(point(10.0, 10.0).at_z(5.0), 600.0)),
    ]
}

fn with(more: impl IntoIterator<Item = Item>) -> Vec<Item> {
    start().into_iter().chain(more).collect()
}

fn arc(cx: f64, sweep: f64, dz: f64) -> Item {
    Item::Move(Move::Arc {
        centre: point(cx, 10.0),
        sweep,
        dz,
        feed: 1200.0,
    })
}

fn ngc_text(items: &[Item]) -> String {
    let all = built_in();
    let d = all.get("rs274-ngc").unwrap();
    let text = write(d, Unit::Mm, items).0;
    assert_eq!(faults(&read(d, &text)), [], "{text}");
    text
}

/// The lines after the plunge, without the program's end.
fn tail(items: &[Item]) -> Vec<String> {
    let text = ngc_text(items);
    let lines = text.lines().skip_while(|l| !l.starts_with("G1 Z5."));
    lines
        .skip(1)
        .take_while(|l| *l != "M5")
        .map(String::from)
        .collect()
}

#[test]
fn arcs_whose_rounded_ends_coincide() {
    // A hair of an arc vanishes; one that climbs becomes a line; all but a full turn is a full turn.
    assert_eq!(tail(&with([arc(60.0, 5e-6, 0.0)])), [""; 0]);
    assert_eq!(tail(&with([arc(60.0, 5e-6, 1.0)])), ["Z6. F1200"]);
    assert_eq!(
        tail(&with([arc(60.0, TAU - 5e-6, 0.0)])),
        ["G3 X10. Y10. I50. J0. F1200"]
    );
    assert_eq!(
        tail(&with([arc(60.0, -TAU, -1.0)])),
        ["G2 X10. Y10. Z4. I50. J0. F1200"]
    );
    // More than a turn is split; every piece is a true arc.
    assert_eq!(tail(&with([arc(60.0, 2.0 * TAU, -2.0)])).len(), 2);
    // A circle smaller than rounding can direct becomes short lines, never an arc the wrong way round.
    assert!(
        tail(&with([arc(10.003, TAU, 0.0)]))
            .iter()
            .all(|l| !l.starts_with("G2"))
    );
}

#[test]
fn full_circles_are_split_where_asked() {
    let all = built_in();
    let d = all.get("rs274-lean").unwrap();
    let (text, _) = write(d, Unit::Mm, &with([arc(60.0, TAU, 0.0)]));
    let events = read(d, &text);
    assert_eq!(faults(&events), []);
    let sweeps: Vec<f64> = events
        .iter()
        .filter_map(|e| match e.action {
            Action::Arc { sweep, .. } => Some(sweep),
            _ => None,
        })
        .collect();
    assert_eq!(sweeps.len(), 2);
    assert!(sweeps.iter().all(|s| (s - PI).abs() < 1e-9));
}

#[test]
fn every_step_restates_what_a_restart_needs() {
    let items = with([
        Item::Move(Move::rapid(point(10.0, 10.0).at_z(25.0))),
        Item::Step(StepStart {
            number: 2,
            label: "top / p2 (deep)".into(),
        }),
        Item::Move(Move::rapid(point(10.0, 10.0).at_z(25.0))),
        Item::Move(Move::line(point(10.0, 10.0).at_z(5.0), 600.0)),
    ]);
    let text = ngc_text(&items);
    let at = text.find("(step 2").unwrap();
    assert!(
        text[at..].starts_with(
            "(step 2: top / p2 [deep])\nG21 G17 G40 G54 G61 G80 G90 G94\nS12000 M3\nG0 Z25.\nX10. Y10.\nG1 Z5. F600\n"
        ),
        "{text}"
    );
    // Taken up at that line, the rest is a program that says all it needs.
    let all = built_in();
    let d = all.get("rs274-ngc").unwrap();
    let rest = format!("%\n{}", &text[at..]);
    assert_eq!(faults(&read(d, &rest)), []);
}

#[test]
fn pauses_stop_the_spindle_and_restate() {
    let items = with([
        Item::RetractFull { safe_z: 25.0 },
        Item::Pause {
            message: "Drive 2 screws (4 mm)".into(),
        },
        Item::RetractFull { safe_z: 25.0 },
        Item::Spindle(Some(Spindle {
            rpm: 12000.0,
            clockwise: true,
        })),
        Item::Step(StepStart {
            number: 2,
            label: "x".into(),
        }),
        Item::Move(Move::rapid(point(10.0, 10.0).at_z(25.0))),
    ]);
    let text = ngc_text(&items);
    assert!(
        text.contains("G53 G0 Z0.\nM5\n(MSG, Drive 2 screws [4 mm])\nM0\nG53 G0 Z0.\nS12000 M3\n"),
        "{text}"
    );
    let all = built_in();
    let events = read(all.get("rs274-ngc").unwrap(), &text);
    let pause = events
        .iter()
        .find(|e| matches!(e.action, Action::Pause { .. }))
        .unwrap();
    assert_eq!(
        pause.action,
        Action::Pause {
            message: "Drive 2 screws [4 mm]".into()
        }
    );
    assert_eq!(pause.spindle, None);
}

/// A long message is wrapped into lines that fit and is read back whole.
#[test]
fn long_messages_fit_their_lines() {
    let message = "Drive the hold-down screws into the eight pilots of the waste ".repeat(9);
    let items = with([
        Item::RetractFull { safe_z: 25.0 },
        Item::Pause {
            message: message.clone(),
        },
    ]);
    let text = ngc_text(&items);
    assert!(text.lines().all(|l| l.len() <= 256));
    let all = built_in();
    let events = read(all.get("rs274-ngc").unwrap(), &text);
    let shown = Action::Pause {
        message: message.trim().into(),
    };
    assert!(events.iter().any(|e| e.action == shown));
}

fn refusal(dialect: &dyn Dialect, unit: Unit, items: Vec<Item>) -> DialectError {
    let head = ProgramHead {
        name: "x".into(),
        number: 1,
        remarks: vec![],
        unit,
        safe_z: 25.0,
    };
    dialect
        .write(&head, &mut items.into_iter(), &mut Vec::new())
        .unwrap_err()
}

#[test]
fn what_cannot_be_said_is_refused_with_a_remedy() {
    let mute = from_json(
        r#"{"format": "grainway.dialect/1", "name": "mute", "version": 1, "extends": "rs274-lean", "summary": "",
            "pause": null, "dwell": null, "units": {"inch": null}}"#,
    )
    .unwrap();
    let by_machine = Item::Cutter(CutterChange {
        number: 1,
        id: "a".into(),
        label: "a".into(),
        by_hand: false,
    });
    let pause = Item::Pause {
        message: "x".into(),
    };
    let left = Item::Spindle(Some(Spindle {
        rpm: 100.0,
        clockwise: false,
    }));
    for (unit, item) in [
        (Unit::Mm, pause),
        (Unit::Mm, Item::Dwell { seconds: 1.0 }),
        (Unit::Mm, by_machine),
        (Unit::Mm, left),
        (Unit::Inch, Item::Label("x".into())),
    ] {
        match refusal(mute.as_ref(), unit, vec![item]) {
            DialectError::Unsupported { remedy, .. } => assert!(!remedy.is_empty()),
            other => panic!("{other:?}"),
        }
    }
}

#[test]
fn numbers_that_make_no_sense_are_refused() {
    let all = built_in();
    let d = all.get("rs274-ngc").unwrap();
    let to = point(f64::NAN, 0.0).at_z(1.0);
    let far = point(1e12, 0.0).at_z(1.0);
    for m in [
        Move::rapid(to),
        Move::line(far, 100.0),
        Move::line(point(1.0, 1.0).at_z(1.0), 0.0),
        Move::line(point(1.0, 1.0).at_z(1.0), f64::INFINITY),
        Move::Arc {
            centre: point(0.0, 0.0),
            sweep: f64::NAN,
            dz: 0.0,
            feed: 100.0,
        },
        Move::Arc {
            centre: point(0.0, 0.0),
            sweep: 1e12,
            dz: 0.0,
            feed: 100.0,
        },
        Move::Hole {
            at: point(0.0, 0.0),
            retract: 1.0,
            bottom: 2.0,
            peck: None,
            feed: 100.0,
        },
        Move::Hole {
            at: point(0.0, 0.0),
            retract: 3.0,
            bottom: 2.0,
            peck: Some(0.0),
            feed: 100.0,
        },
    ] {
        let e = refusal(d, Unit::Mm, with([Item::Move(m)]));
        assert!(matches!(e, DialectError::Plan(_)), "{m:?}: {e:?}");
    }
    // Cutting before anything says where the cutter stands.
    let m = Move::line(point(1.0, 1.0).at_z(1.0), 100.0);
    assert!(matches!(
        refusal(d, Unit::Mm, vec![Item::Move(m)]),
        DialectError::Plan(_)
    ));
}

/// A comment cannot be made to pass for a stop, a message or the mark of a step by a part's name.
#[test]
fn names_cannot_forge_text() {
    let items = with([
        Item::Label("MSG, go on\nM30".into()),
        Item::Label("step 7: x".into()),
        Item::Label(") M30 (".into()),
    ]);
    let all = built_in();
    let d = all.get("rs274-ngc").unwrap();
    let (text, _) = write(d, Unit::Mm, &items);
    let events = read(d, &text);
    assert_eq!(faults(&events), []);
    let steps = events
        .iter()
        .filter(|e| matches!(e.action, Action::Step { .. }));
    assert_eq!(steps.count(), 1);
    assert_eq!(events.last().unwrap().line, text.lines().count() as u64 - 1);
}

#[test]
fn data_files_are_checked() {
    let bad = from_json(
        r#"{"format": "grainway.dialect/9", "name": "My Control", "version": 1, "extends": "rs274-ngc", "summary": "",
            "ending": "ngc", "numbers": {"decimals-mm": 2, "decimals-inch": 3, "point-always": false}, "arcs": {"largest-sweep": 720.0},
            "lines": {"length": 12}, "blocks-per-second": 0.0, "language": {"point-required": true}}"#,
    )
    .err()
    .unwrap();
    let pointers: Vec<&str> = bad.iter().map(|p| p.pointer.as_str()).collect();
    for p in [
        "/format",
        "/name",
        "/ending",
        "/numbers/decimals-mm",
        "/numbers/decimals-inch",
        "/numbers/point-always",
        "/lines/length",
        "/arcs/largest-sweep",
        "/blocks-per-second",
    ] {
        assert!(pointers.contains(&p), "{p}: {pointers:?}");
    }
    assert!(from_json("{").is_err());
    assert!(from_json(r#"{"extends": "nothing"}"#).is_err());
    let odd = from_json(r#"{"extends": "rs274-ngc", "colour": 1}"#)
        .err()
        .unwrap();
    assert!(odd[0].message.contains("colour"));
    let names: Vec<String> = built_in().names().map(String::from).collect();
    assert_eq!(
        names,
        [
            "iso6983",
            "iso6983-counted",
            "pen-plot",
            "rs274-lean",
            "rs274-lines",
            "rs274-ngc"
        ]
    );
}

/// Text a second, printed for the report; a floor far below any machine catches an accident of the order of squares.
#[test]
fn speed() {
    let all = built_in();
    let d = all.get("rs274-ngc").unwrap();
    let moves = (0..200_000u32).map(|i| {
        let a = f64::from(i) * 0.37;
        Item::Move(match i % 4 {
            0 => Move::Arc {
                centre: point(100.0, 100.0),
                sweep: 0.7,
                dz: 0.0,
                feed: 1800.0,
            },
            _ => Move::line(
                point(100.0 + 80.0 * a.cos(), 100.0 + 80.0 * a.sin()).at_z(5.0),
                1800.0,
            ),
        })
    });
    let items: Vec<Item> = start().into_iter().chain(moves).collect();
    let t = std::time::Instant::now();
    let (text, _) = write(d, Unit::Mm, &items);
    let written = t.elapsed().as_secs_f64();
    let t = std::time::Instant::now();
    let mut n = 0u64;
    let _ = d.reader().unwrap().read(&mut text.as_bytes(), &mut |_| {
        n += 1;
        std::ops::ControlFlow::Continue(())
    });
    let took = t.elapsed().as_secs_f64();
    let mb = text.len() as f64 / 1e6;
    println!(
        "{mb:.1} MB, {n} events: written {:.1} MB/s, read {:.1} MB/s",
        mb / written,
        mb / took
    );
    assert!(n > 200_000 && mb / written > 0.1 && mb / took > 0.1);
}

/// A block that does not fit into a line is divided where its meaning allows it; a cycle's has the most words.
#[test]
fn a_cycle_that_does_not_fit_is_divided() {
    let short = |length: usize| {
        from_json(&format!(
            r#"{{"format": "grainway.dialect/1", "name": "short", "version": 1, "extends": "rs274-ngc", "summary": "",
                "lines": {{"length": {length}}}}}"#
        ))
        .unwrap()
    };
    let head = ProgramHead {
        name: "p".into(),
        number: 1,
        remarks: vec![],
        unit: Unit::Mm,
        safe_z: 25.0,
    };
    let drilled = |length: usize, x: f64, y: f64| {
        let up = point(10.0, 10.0).at_z(25.0);
        let items = with([
            Item::Move(Move::rapid(up)),
            Item::Move(Move::Hole {
                at: point(x, y),
                retract: 21.0,
                bottom: -2.003,
                peck: None,
                feed: 116.2,
            }),
        ]);
        let mut out = Vec::new();
        let done = short(length).write(&head, &mut items.into_iter(), &mut out);
        done.map(|_| String::from_utf8(out).unwrap())
    };
    // G99 G81 X1.001 Y-100.001 Z-2.003 R21. F116.2 has 44 characters.
    assert!(
        drilled(48, 1.001, -100.001)
            .unwrap()
            .lines()
            .all(|l| l.len() <= 48)
    );
    // What stays in force goes before it.
    let divided = drilled(48, -123_456.789, -100.001).unwrap();
    assert!(
        divided.contains("\nG99\nF116.2\nG81 X-123456.789 Y-100.001 Z-2.003 R21.\nG80\n"),
        "{divided}"
    );
    assert!(divided.lines().all(|l| l.len() <= 48));
    // And the place.
    let divided = drilled(40, -1_234_567.891, -1_000.001).unwrap();
    assert!(
        divided.contains("\nX-1234567.891 Y-1000.001\nG99 G81 Z-2.003 R21. F116.2\nG80\n"),
        "{divided}"
    );
    for text in [drilled(48, 1.001, -100.001).unwrap(), divided] {
        assert_eq!(faults(&read(short(48).as_ref(), &text)), []);
    }
}

/// A language whose messages are comments is read with what stands right before the stop, wrapped lines joined, and with no other remark.
#[test]
fn messages_in_comments_are_read_back() {
    let message = "Put in cutter 3: 6 mm end mill, up-cut. Set Z zero anew. Then let it go on, with a hand on the stop.";
    let items = with([
        Item::Label("not this".into()),
        Item::RetractFull { safe_z: 25.0 },
        Item::Move(Move::rapid(point(0.0, 30.0).at_z(25.0))),
        Item::Pause {
            message: message.into(),
        },
    ]);
    let head = ProgramHead {
        name: "x".into(),
        number: 1,
        remarks: vec![],
        unit: Unit::Mm,
        safe_z: 25.0,
    };
    let letters = |s: &str| {
        let kept: String = s.chars().filter(char::is_ascii_alphanumeric).collect();
        kept.to_ascii_lowercase()
    };
    let all = built_in();
    for name in ["rs274-lean", "iso6983"] {
        let dialect = all.get(name).unwrap();
        let mut text = Vec::new();
        dialect
            .write(&head, &mut items.clone().into_iter(), &mut text)
            .unwrap();
        let text = String::from_utf8(text).unwrap();
        let events = read(dialect, &text);
        let told = events.iter().find_map(|e| match &e.action {
            Action::Pause { message } => Some(message.as_str()),
            _ => None,
        });
        assert_eq!(told.map(letters), Some(letters(message)), "{text}");
    }
}
