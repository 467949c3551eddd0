//! The example dialect in Rust: what is written reads back, and what cannot be written is refused.

use crate::{example, only_dialect, read, write};
use grainway_geom::point;
use grainway_host::programs::{cut_by, farthest, planned, program};
use grainway_pipeline::dialect::{Action, DialectError, ReadEnd};
use grainway_pipeline::doc::Unit;
use grainway_pipeline::motion::{CutterChange, Item, Move, SAFE_Z, Spindle};

#[test]
fn a_small_program_reads_as_it_should() {
    let dialect = only_dialect(&example("sentences_rust"));
    let rapid = |x: f64, y: f64, z: f64| Item::Move(Move::rapid(point(x, y).at_z(z)));
    let items = [
        Item::RetractFull { safe_z: 25.0 },
        Item::Cutter(CutterChange {
            number: 3,
            id: "em6".into(),
            label: "6 mm end mill".into(),
            by_hand: false,
        }),
        Item::RetractFull { safe_z: 25.0 },
        Item::Spindle(Some(Spindle {
            rpm: 18000.0,
            clockwise: true,
        })),
        rapid(12.5, 3.0, SAFE_Z),
        Item::Move(Move::line(point(12.5, 3.0).at_z(-2.0), 900.0)),
        Item::Move(Move::Arc {
            centre: point(20.0, 3.0),
            sweep: -std::f64::consts::PI,
            dz: 0.0,
            feed: 1200.0,
        }),
        rapid(27.5, 3.0, 25.0),
        Item::Move(Move::Hole {
            at: point(40.0, 3.0),
            retract: 2.0,
            bottom: -9.0,
            peck: Some(3.0),
            feed: 300.0,
        }),
    ];
    let mut text = Vec::new();
    let mut head = crate::head(Unit::Mm);
    head.remarks.truncate(1);
    dialect
        .write(&head, &mut items.iter().cloned(), &mut text)
        .unwrap();
    assert_eq!(
        String::from_utf8(text).unwrap(),
        "program 01-board-1, number 1, lengths in millimetres.\n\
         note: zero: X0 Y0 at the lower left corner of the wood.\n\
         rise to the top.\n\
         put in cutter 3: 6 mm end mill.\n\
         rise to the top.\n\
         turn the spindle clockwise at 18000 a minute.\n\
         go over to x 12.5000 y 3.0000.\n\
         go to height z 25.0000.\n\
         cut straight to x 12.5000 y 3.0000 z -2.0000 at 900.0 a minute.\n\
         cut right about x 20.0000 y 3.0000 through 180.000000 degrees to x 27.5000 y 3.0000 z -2.0000 at 1200.0 a minute.\n\
         go to height z 25.0000.\n\
         drill at x 40.0000 y 3.0000 from z 2.0000 down to z -9.0000 in pecks of 3.0000 at 300.0 a minute.\n\
         stop the spindle.\n\
         the program is done.\n"
    );
}

#[test]
fn what_is_written_reads_back() {
    let dialect = only_dialect(&example("sentences_rust"));
    for unit in [Unit::Mm, Unit::Inch] {
        for seed in 1..=5 {
            let items = program(seed, seed % 2 == 0, 6);
            let (text, written) = write(dialect.as_ref(), unit, &items).unwrap();
            let place = format!("{unit:?} seed {seed}");
            let (seen, end) = read(dialect.as_ref(), &text);
            let lines = text.lines().count() as u64;
            assert_eq!(end, ReadEnd::Complete { lines, ended: true }, "{place}");
            assert_eq!(written.lines, lines, "{place}");
            for m in &seen {
                if let Action::Fault { code, message } = &m.action {
                    panic!("{place} line {}: {code} {message}\n{text}", m.line);
                }
                if let Action::Arc {
                    radius_mismatch, ..
                } = m.action
                {
                    // The published limit on an arc's two radii (NISTIR 6556, 3.5.3.2), for want of one of our own.
                    assert!(radius_mismatch <= 0.002, "{place} line {}", m.line);
                }
            }
            // Read positions are samples of the path at most half a step apart.
            let off = farthest(&planned(&items, 0.4), &cut_by(&seen, 0.005));
            assert!(off <= 0.005f64.hypot(0.0026), "{place}: {off}");
            assert!(
                written.rounding_mm <= 0.001,
                "{place}: {}",
                written.rounding_mm
            );
            let steps: Vec<(u32, u64)> = seen
                .iter()
                .filter_map(|m| match m.action {
                    Action::Step { number } => Some((number, m.line)),
                    _ => None,
                })
                .collect();
            assert_eq!(steps, written.restarts, "{place}");
            assert_eq!(steps.len(), 6, "{place}");
        }
    }
}

#[test]
fn a_long_helix_turns_as_often_as_planned() {
    let dialect = only_dialect(&example("sentences_rust"));
    let at = point(81.8, 55.4);
    let sweep = 300.0;
    let items = [
        Item::Move(Move::rapid(at.at_z(25.0))),
        Item::Move(Move::Arc {
            centre: point(80.8, 55.4),
            sweep,
            dz: -22.9,
            feed: 600.0,
        }),
    ];
    let (text, _) = write(dialect.as_ref(), Unit::Mm, &items).unwrap();
    let (seen, _) = read(dialect.as_ref(), &text);
    let arcs: Vec<f64> = seen
        .iter()
        .filter_map(|m| match m.action {
            Action::Arc { sweep, .. } => Some(sweep),
            _ => None,
        })
        .collect();
    assert_eq!(arcs.len(), 1, "{text}");
    assert!((arcs[0] - sweep).abs() < 1e-3, "{arcs:?}");
}

#[test]
fn what_cannot_be_written_is_refused() {
    let dialect = only_dialect(&example("sentences_rust"));
    let hand = Item::Cutter(CutterChange {
        number: 4,
        id: "em3".into(),
        label: "3 mm end mill".into(),
        by_hand: true,
    });
    let mut items = program(1, false, 2);
    items.push(hand);
    match write(dialect.as_ref(), Unit::Mm, &items) {
        Err(DialectError::Unsupported {
            dialect,
            what,
            remedy,
        }) => {
            assert_eq!(dialect, "plain-sentences");
            assert_eq!(what, "a cutter change by hand inside a program");
            assert_eq!(remedy, "write one program a cutter");
        }
        other => panic!("{other:?}"),
    }
    for bad in [f64::NAN, f64::INFINITY, f64::NEG_INFINITY] {
        let line = Item::Move(Move::line(point(bad, 0.0).at_z(0.0), 100.0));
        let written = write(dialect.as_ref(), Unit::Mm, &[line]);
        assert!(matches!(written, Err(DialectError::Plan(_))), "{written:?}");
    }
    let lost = Item::Move(Move::line(point(1.0, 0.0).at_z(0.0), 100.0));
    let written = write(dialect.as_ref(), Unit::Mm, &[lost]);
    match written {
        Err(DialectError::Plan(what)) => {
            assert!(what.contains("where the cutter stands"), "{what}")
        }
        other => panic!("{other:?}"),
    }
}
