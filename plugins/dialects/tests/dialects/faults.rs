//! Every fault that a reader tells, each raised by a text. Rules are those of NISTIR 6556 unless a line says "ours".

use crate::{faults, read, read_as};
use grainway_dialects::from_json;
use grainway_pipeline::dialect::{Action, ReadEnd};
use std::ops::ControlFlow;

/// A program around one line: modes said, standing at (0, 0, 5), feed set.
fn around(line: &str) -> String {
    format!("G21 G90 G17 G94 F1000\nG0 Z5\nG0 X0 Y0\n{line}\nM2\n")
}

#[test]
fn each_fault_is_raised() {
    for (line, code) in [
        ("G1 X1 Ä", "bad-character"),
        ("G1 X1 ?", "bad-character"),
        ("G1 X1 (open", "bad-comment"),
        ("G1 X1 (a (b))", "bad-comment"),
        ("G1 X1 )", "bad-comment"),
        ("G1 X1e3", "unknown-word"),
        ("G1 X", "bad-number"),
        ("G1 X1..2", "bad-character"),
        ("G1 X[1/0]", "bad-expression"),
        ("#6000=1", "bad-parameter"),
        ("#1 5", "bad-parameter"),
        ("N123456 G1 X1", "bad-line-number"),
        ("N1.5 G1 X1", "bad-line-number"),
        ("G1 N5 X1", "bad-line-number"),
        ("O100", "unknown-word"),
        ("G5 X1", "unknown-word"),
        ("M99", "unknown-word"),
        ("G0 G1 X1", "two-of-one-group"),
        ("G20 G21", "two-of-one-group"),
        ("M3 M4", "two-of-one-group"),
        ("M8 M9", "two-of-one-group"),
        ("T1 M6 M3 M7 M48 M0", "too-many-m"),
        ("G1 X1 X2", "repeated-word"),
        ("G1 X1 G92", "axis-conflict"),
        ("G1 X1 J2", "unused-word"),
        ("G1 X1 H2", "unused-word"),
        ("G80 X1", "unused-word"),
        ("G1", "missing-word"),
        ("G2 Z1 I1", "missing-word"),
        ("G2 X1", "missing-word"),
        ("G4", "missing-word"),
        ("G43", "unused-word-is-not-this"),
        ("G81 X1 Z-1", "missing-word"),
        ("G83 X1 Z-1 R2", "missing-word"),
        ("G82 X1 Z-1 R2", "missing-word"),
        ("M6", "missing-word"),
        ("G53", "missing-word"),
        ("G4 P-1", "bad-value"),
        ("F-1", "bad-value"),
        ("S-1", "bad-value"),
        ("T1.5", "bad-value"),
        ("G81 X1 Z-1 R2 L0", "bad-value"),
        ("G81 X1 Z-1 R2 L1.5", "bad-value"),
        ("G83 X1 Z-1 R2 Q0", "bad-value"),
        ("G83 X1 Z-1 R2 Q0.00001", "bad-value"),
        // Ours: nothing that would go on for ever or leave the numbers behind.
        ("G83 X1 Z-1 R2 Q0.01 L100", "bad-value"),
        ("G0 X[10**300]", "bad-value"),
        ("G0 X-10000000000", "bad-value"),
        ("F[10**308]", "bad-value"),
        ("G81 X1 Z3 R2", "cycle-levels"),
        ("G2 X10 Y0 I5.003 J0", "arc-radius"),
        ("G2 X10 Y0 R4", "arc-radius"),
        ("G2 X0 Y0 I0 J0", "arc-radius"),
        ("G2 X0 Y0 R4", "arc-ends-coincide"),
        ("G2 X10 Y0 I5 R5", "arc-format"),
        ("G18", "plane"),
        ("G41 D1", "cutter-compensation"),
        ("G55", "other-origin"),
        ("G92 X0", "other-origin"),
        ("G92.1", "other-origin"),
        ("G10 L2 P1 X5", "other-origin"),
        ("#5221=5", "other-origin"),
        ("G28 Z0", "home"),
        ("G30", "home"),
        ("G38.2 Z0", "probe"),
        ("G84 X1 Z-1 R2", "cycle"),
        ("G93", "inverse-time"),
        ("A5", "rotary"),
        ("G53 G0 Z-5", "machine-coordinates"),
        ("G53 G0 X0", "machine-coordinates"),
        ("G53 G1 Z0", "machine-coordinates"),
        ("G20 F5", "feed-unit"),
        ("% G1", "percent"),
        ("%", "percent"),
        ("/G1 X1", "block-delete"),
        ("M1", "optional-stop"),
    ] {
        let events = read_as("rs274-ngc", &around(line));
        let found = faults(&events);
        if line == "G43" {
            assert_eq!(found, [(4, "missing-word")]);
            continue;
        }
        assert!(found.contains(&(4, code)), "{line}: {found:?}");
        // Reading goes on: the end is reached all the same.
        assert!(events.iter().any(|e| e.action == Action::End), "{line}");
    }
}

/// Ours: what the dialect says of feeds, of the path and of a program's number holds for every text.
#[test]
fn modes_that_the_dialect_declares() {
    let made = |keys: &str| {
        from_json(&format!(
            r#"{{"format": "grainway.dialect/1", "name": "x", "version": 1, "extends": "rs274-ngc", "summary": "", {keys}}}"#
        ))
        .unwrap()
    };
    let cuts =
        |line: &str| format!("G21 G90 G17 F1000\n{line}\nG0 Z5\nG0 X0 Y0\nG1 X5\nG1 X9\nM2\n");
    let exact = made(r#""version": 2"#);
    let rounded = made(
        r#""path-mode": {"continuous": {"tolerance-mm": 0.05}}, "safe-start": ["{{ units }} G17 G64 G90 G94"],
           "step-start": ["{{ units }} G17 G64 G90 G94"]"#,
    );
    for (dialect, line, found) in [
        (&exact, "G61", &[][..]),
        (&exact, "G61.1", &[]),
        (&exact, "G64", &[(2, "path-mode")]),
        (&exact, "G40", &[(5, "path-mode")]),
        (&exact, "G93 G61", &[(2, "inverse-time"), (5, "path-mode")]),
        (&rounded, "G64", &[]),
        (&rounded, "G61", &[(2, "path-mode")]),
        (&rounded, "G40", &[(5, "path-mode")]),
    ] {
        assert_eq!(
            faults(&read(dialect.as_ref(), &cuts(line))),
            found,
            "{line}"
        );
    }
    let a_second = made(
        r#""numbers": {"feed-per": "second"}, "path-mode": null, "safe-start": ["{{ units }} G17 G90"],
           "step-start": ["{{ units }} G17 G90"]"#,
    );
    assert_eq!(faults(&read(a_second.as_ref(), &cuts("G40"))), []);
    let found = faults(&read(a_second.as_ref(), &cuts("G94")));
    assert_eq!(found, [(2, "feed-mode")]);
    let numbered = made(r#""path-mode": null, "language": {"letters": "ABCDFGHIJKLMNOPQRSTXYZ"}"#);
    for (text, found) in [
        ("O1\nG21 G90\nG0 Z5\nM2\n", &[][..]),
        ("(bench)\nO 12345678 (bench)\nG21 G90\nG0 Z5\nM2\n", &[]),
        ("O1 G21\nG21 G90\nG0 Z5\nM2\n", &[(1, "program-number")]),
        ("G21 G90\nO1\nG0 Z5\nM2\n", &[(2, "program-number")]),
        ("O1\nO2\nG21 G90\nG0 Z5\nM2\n", &[(2, "program-number")]),
        ("O1.5\nG21 G90\nG0 Z5\nM2\n", &[(1, "program-number")]),
        ("O123456789\nG21 G90\nG0 Z5\nM2\n", &[(1, "program-number")]),
    ] {
        assert_eq!(faults(&read(numbered.as_ref(), text)), found, "{text}");
    }
    let in_x = made(r#""dwell": {"letter": "X"}, "path-mode": null"#);
    let events = read(in_x.as_ref(), &around("G4 X2.5"));
    assert_eq!(faults(&events), []);
    assert!(
        events
            .iter()
            .any(|e| e.action == Action::Dwell { seconds: 2.5 })
    );
    assert_eq!(events.last().unwrap().to.x, Some(0.0));
    assert_eq!(
        faults(&read(in_x.as_ref(), &around("G4 P2.5"))),
        [(4, "unused-word")]
    );
}

#[test]
fn faults_of_a_whole_text() {
    for (text, line, code) in [
        ("G21 G90\nG1 Z5 X0 Y0\nM2\n", 2, "no-feed"),
        ("G21 G90 F0\nG1 Z5 X0 Y0\nM2\n", 2, "no-feed"),
        ("G90\nG0 Z5\nM2\n", 2, "no-unit"),
        ("G21\nG0 Z5\nM2\n", 2, "no-distance-mode"),
        ("G21 G90\nX5\nM2\n", 2, "no-motion-mode"),
        ("G21 G90 F9\nG3 X5 Y5 I5\nM2\n", 2, "unknown-position"),
        ("G21 G91\nG0 Z5\nM2\n", 2, "unknown-position"),
        ("G21 G90\nG0 Z5\n", 2, "no-end"),
        ("%\nG21 G90\nG0 Z5\nM2\n", 4, "percent"),
        ("G21 G90\nM2\nG0 Z5\n", 3, "after-end"),
        // Ours: the length in force must be that of the cutter.
        ("G21 G90\nT2 M6\nG0 Z5\nM2\n", 3, "length-offset"),
        ("G21 G90\nT2 M6\nG43 H3\nG0 Z5\nM2\n", 4, "length-offset"),
        (
            "G21 G90\nT2 M6\nG43 H2\nG0 Z5\nT3 M6\nG0 Z5\nM2\n",
            6,
            "length-offset",
        ),
        (
            "G21 G90\nT2 M6\nG43 H2\nG49\nG0 Z5\nM2\n",
            5,
            "length-offset",
        ),
    ] {
        assert_eq!(
            faults(&read_as("rs274-ngc", text)),
            [(line, code)],
            "{text}"
        );
    }
    let long = format!("G21 G90\n({})\nM2\n", "x".repeat(255));
    assert_eq!(faults(&read_as("rs274-ngc", &long)), [(2, "line-too-long")]);
    let just = format!("G21 G90\n({})\nM2\n", "x".repeat(254));
    assert_eq!(faults(&read_as("rs274-ngc", &just)), []);
}

/// Ours: a dialect's reader takes what its data file allows.
#[test]
fn the_lean_reader_is_narrower() {
    for (line, code) in [
        ("G81 X1 Y1 Z-1 R2", "not-in-dialect"),
        ("T1 M6", "not-in-dialect"),
        ("M6", "not-in-dialect"),
        ("M4", "not-in-dialect"),
        ("N10 G1 X1", "not-in-dialect"),
        ("G1 X[1+1]", "not-in-dialect"),
        ("G1 X#1", "not-in-dialect"),
        ("#1=2", "not-in-dialect"),
        ("/G1 X1", "not-in-dialect"),
        ("%", "not-in-dialect"),
        ("G53 G0 Z0", "not-in-dialect"),
        ("G91", "not-in-dialect"),
        ("G2 X0 Y0 I5 J0", "full-circle"),
        ("G2 X0 Y10 I5 J5", "ok"),
        ("G3 X0 Y10 I5 J5", "arc-sweep"),
    ] {
        let found = faults(&read_as("rs274-lean", &around(line)));
        match code {
            "ok" => assert_eq!(found, [], "{line}"),
            _ => assert_eq!(found, [(4, code)], "{line}"),
        }
    }
    let flat = from_json(
        r#"{"format": "grainway.dialect/1", "name": "flat", "version": 1, "extends": "rs274-lean", "summary": "",
            "arcs": {"helices": false}}"#,
    )
    .unwrap();
    let events = read(flat.as_ref(), &around("G2 X10 Y0 Z4 I5 J0"));
    assert_eq!(faults(&events), [(4, "helix")]);
    let none = from_json(
        r#"{"format": "grainway.dialect/1", "name": "none", "version": 1, "extends": "rs274-ngc", "summary": "",
            "language": {"radius-arcs": false}}"#,
    )
    .unwrap();
    let events = read(none.as_ref(), &around("G2 X10 Y0 R5"));
    assert_eq!(faults(&events), [(4, "not-in-dialect")]);
}

/// Section 3.5.3.2: 0.002 mm, or 0.0002 in while inches are in force.
#[test]
fn the_published_arc_limit() {
    let mm = |i: f64| {
        faults(&read_as(
            "rs274-ngc",
            &around(&format!("G2 X10 Y0 I{i} J0")),
        ))
    };
    assert_eq!(mm(5.001), []);
    assert_eq!(mm(5.0011), [(4, "arc-radius")]);
    let inch = |i: f64| {
        faults(&read_as(
            "rs274-ngc",
            &format!("G20 G90\nF50\nG0 Z1\nG0 X0 Y0\nG2 X1 Y0 I{i} J0\nM2\n"),
        ))
    };
    assert_eq!(inch(0.5001), []);
    assert_eq!(inch(0.50011), [(5, "arc-radius")]);
}

/// A text of any bytes is read to its end; nothing panics and memory stays bounded.
#[test]
fn garbage_is_read_to_its_end() {
    let mut random = grainway_dialects::programs::Random::new(5);
    let alphabet = b"GXYZIJRFSMNTPQL0123456789.-+ #[]/()*%\n\r=;abs";
    for _ in 0..300 {
        let text: Vec<u8> = (0..random.below(600))
            .map(|_| alphabet[random.below(alphabet.len() as u64) as usize])
            .collect();
        let mut events = 0u64;
        for d in ["rs274-ngc", "rs274-lean"] {
            let all = grainway_dialects::built_in();
            let end = all
                .get(d)
                .unwrap()
                .reader()
                .unwrap()
                .read(&mut &text[..], &mut |_| {
                    events += 1;
                    ControlFlow::Continue(())
                });
            assert!(matches!(end, ReadEnd::Complete { .. }));
        }
        assert!(events > 0);
    }
    let endless = vec![b'X'; 3_000_000];
    let text = String::from_utf8(endless).unwrap();
    assert_eq!(
        faults(&read_as("rs274-ngc", &text))[0],
        (1, "line-too-long")
    );
}

/// A line without a limit to its length does not use up the stack.
#[test]
fn values_inside_each_other() {
    let long = from_json(
        r#"{"format": "grainway.dialect/1", "name": "long", "version": 1, "extends": "rs274-ngc", "summary": "",
            "lines": {"length": 0}}"#,
    )
    .unwrap();
    for inner in ["[", "#", "abs["] {
        let line = format!("G0 X{}1", inner.repeat(8000 / inner.len()));
        let found = faults(&read(long.as_ref(), &around(&line)));
        assert_eq!(found, [(4, "bad-expression")], "{inner}");
    }
    let brackets = format!("G0 X{}1{}", "[".repeat(120), "]".repeat(120));
    assert_eq!(faults(&read_as("rs274-ngc", &around(&brackets))), []);
}

/// A word that does something else than its key says: an arc would be cut the wrong way round, in another unit, from nowhere.
#[test]
fn words_do_what_their_keys_say() {
    let made = |key: &str, word: &str| {
        let (group, key) = key.split_once('/').unwrap();
        from_json(&format!(
            r#"{{"format": "grainway.dialect/1", "name": "odd", "version": 1, "extends": "rs274-ngc", "summary": "",
                "{group}": {{"{key}": "{word}"}}}}"#
        ))
    };
    for (key, word) in [
        ("motion/rapid", "G0 G1"),
        ("motion/line", "X"),
        ("motion/clockwise", "G3"),
        ("motion/clockwise", ""),
        ("motion/counter-clockwise", "(remark)"),
        ("motion/counter-clockwise", "G+3"),
        ("units/mm", "G20"),
        ("units/inch", "G21"),
        ("cycles/drill", "G85"),
        ("cycles/peck", "G81"),
        ("cycles/end", "G20"),
        ("cycles/end", "M1"),
        ("cycles/return-low", "G98"),
        ("spindle/clockwise", "M4"),
        ("spindle/clockwise", "M3 M0"),
        ("spindle/counter-clockwise", "M1"),
        ("spindle/stop", "M8"),
        ("dwell/word", "G1"),
        ("pause/word", "M1"),
    ] {
        let problems = made(key, word).err().unwrap();
        assert_eq!(
            problems[0].pointer,
            format!("/{key}"),
            "{word}: {problems:?}"
        );
    }
    for (key, word) in [
        ("motion/clockwise", "G02"),
        ("spindle/clockwise", "M3 M8"),
        ("spindle/stop", "M05 M09"),
        ("pause/word", "M00"),
    ] {
        assert!(made(key, word).is_ok(), "{key} {word}");
    }
    // G71 is a word for millimetres, but not in this language.
    let problems = made("units/mm", "G71").err().unwrap();
    assert!(
        problems[0].message.contains("the dialect has no G71"),
        "{problems:?}"
    );
}

/// Without a word for the low return the writer goes on from a hole's own height; a G98 in a line of the file would leave the cutter
/// above it (NISTIR 6556 on G98 and G99), and the next cut in the air.
#[test]
fn a_high_return_needs_the_word_of_the_low_one() {
    let made = |low: &str, key: &str, line: &str| {
        from_json(&format!(
            r#"{{"format": "grainway.dialect/1", "name": "odd", "version": 1, "extends": "rs274-ngc", "summary": "",
                "cycles": {{"return-low": {low}}}, "{key}": ["G90", "{line}"]}}"#
        ))
    };
    for key in ["start", "safe-start", "step-start", "cutter-change"] {
        for line in ["G98", "G17 g 98", "N10G098X1", "(low) G98.0 (high)"] {
            let problems = made("null", key, line).err().unwrap();
            let found = problems.iter().any(|p| {
                p.pointer == format!("/{key}/1") && p.message.contains("cycles/return-low")
            });
            assert!(found, "{key} {line}: {problems:?}");
            let told = made("\"G99\"", key, line).err().unwrap_or_default();
            assert!(
                !told.iter().any(|p| p.message.contains("return-low")),
                "{told:?}"
            );
        }
    }
    for line in ["G980", "(G98)", "G9.8", "M98"] {
        let told = made("null", "step-start", line).err().unwrap_or_default();
        assert!(
            !told.iter().any(|p| p.message.contains("return-low")),
            "{line}: {told:?}"
        );
    }
}

#[test]
fn the_receiver_can_stop() {
    let all = grainway_dialects::built_in();
    let reader = all.get("rs274-ngc").unwrap().reader().unwrap();
    let mut n = 0;
    let end = reader.read(&mut around("G1 X1").as_bytes(), &mut |_| {
        n += 1;
        ControlFlow::Break(())
    });
    assert_eq!((end, n), (ReadEnd::Stopped, 1));
}

/// Ours: what the keys of a file say of numbers, spindle, home, macros and arcs holds for every text.
#[test]
fn forms_that_the_dialect_declares() {
    let made = |keys: &str| {
        from_json(&format!(
            r#"{{"format": "grainway.dialect/1", "name": "x", "version": 1, "extends": "rs274-ngc", "summary": "", "path-mode": null, {keys}}}"#
        ))
        .unwrap_or_else(|p| panic!("{keys}: {p:#?}"))
    };
    let counts = made(
        r#""numbers": {"lengths": "counts", "point-always": false}, "retract-full": ["G53 G0 Z0"],
           "language": {"expressions": false, "parameters": false}"#,
    );
    let comma = made(
        r#""numbers": {"mark": "comma"}, "retract-full": ["G53 G0 Z0,"], "language": {"expressions": false, "parameters": false}"#,
    );
    let share = made(r#""spindle": {"speed": {"percent": {"of": 24000.0}}}"#);
    let panel = made(r#""spindle": {"speed": "panel"}"#);
    let present = made(r#""home": {"g": 28, "through": "present"}, "retract-full": ["G28 Z0"]"#);
    let named =
        made(r#""home": {"g": 28, "through": "named"}, "retract-full": ["G28 Z{{ safe }}"]"#);
    let calls = made(
        r#""cutter-change": ["T{{ cutter }} M6", "G65 P9001 A{{ cutter }}"],
           "macros": [{"call": "G65 P9001", "cutter": "A", "does": "measure"}, {"call": "M98 P7", "cutter": "T", "does": "change"}],
           "length-offset": null, "length-by-change": true"#,
    );
    let ended = made(r#""lines": {"block-end": "*"}"#);
    let quarters = made(r#""arcs": {"full-circles": false, "one-quadrant": true}"#);
    for (dialect, line, found) in [
        (&counts, "G1 X1500", &[][..]),
        (&counts, "G1 X1.5", &[(4, "point-in-count")]),
        (&counts, "G4 P1.5", &[]),
        (&comma, "G1 X1,5 F1,5", &[]),
        (&comma, "G1 X1.5", &[(4, "bad-character")]),
        (&share, "S100 M3", &[]),
        (&share, "S101 M3", &[(4, "bad-value")]),
        (&panel, "M3", &[]),
        (&panel, "S1000", &[(4, "speed-word")]),
        (&present, "G28 Z0", &[]),
        (&present, "G28 Z5", &[(4, "home")]),
        (&present, "G28 X0", &[(4, "home")]),
        (&present, "G28", &[(4, "home")]),
        (&present, "G30 Z0", &[(4, "home")]),
        (&named, "G28 Z50", &[]),
        (&named, "G28 Z1", &[(4, "home")]),
        (&named, "G91 G28 Z0", &[]),
        (&calls, "T2 M6\nG65 P9001 A2", &[]),
        (&calls, "G65 P9001 A2", &[(4, "macro-call")]),
        (&calls, "T2 M6\nG65 P9001 A3", &[(5, "bad-macro")]),
        (&calls, "T2 M6\nG65 P9001", &[(5, "bad-macro")]),
        (&calls, "T2 M6\nG65 P9001 A2 7", &[(5, "bad-macro")]),
        (&calls, "T2 M6\nG65 P90011 A2", &[(5, "unknown-word")]),
        (&calls, "T2 M6\nG0 Z5\nG65 P9001 A2", &[(6, "macro-call")]),
        (&calls, "N10 M98 P7 T4", &[]),
        (&calls, "M98 P7", &[(4, "bad-macro")]),
        // A quarter turn about (5, 0) from its left end, and one that begins an eighth of a turn later.
        (&ended, "G1 X1", &[(4, "no-block-end")]),
        (&ended, "G1 X1*", &[]),
        (&quarters, "G2 X5 Y5 I5 J0", &[]),
        (&quarters, "G3 X5 Y-5 I5 J0", &[]),
        (&quarters, "G2 X10 Y0 I5 J0", &[(4, "arc-quadrant")]),
        (&quarters, "G2 X10 Y0 I5 J-5", &[(4, "arc-quadrant")]),
        (&quarters, "G2 X8 Y4 I5 J0", &[(4, "arc-quadrant")]),
    ] {
        let mut text = around(line);
        if std::sync::Arc::ptr_eq(dialect, &ended) {
            let block = |l: &str| match l == line {
                true => format!("{l}\n"),
                false => format!("{l}*\n"),
            };
            text = text.lines().map(block).collect();
        }
        let found_here = faults(&read(dialect.as_ref(), &text));
        assert_eq!(found_here, found, "{line}");
    }
    // What the words mean.
    let last = |dialect: &std::sync::Arc<dyn grainway_pipeline::dialect::Dialect>, line: &str| {
        let events = read(dialect.as_ref(), &around(line));
        events[events.len() - 2].clone()
    };
    assert_eq!(last(&counts, "G1 X1500").to.x, Some(1.5));
    assert_eq!(last(&comma, "G1 X1,5").to.x, Some(1.5));
    assert_eq!(
        last(&share, "S75 M3").spindle.map(|s| s.rpm),
        Some(18_000.0)
    );
    let set = last(&panel, "(spindle at 16000 rev/min)\nM3");
    assert_eq!(set.spindle.map(|s| s.rpm), Some(16_000.0));
    assert_eq!(last(&panel, "M3").spindle, None);
    let top = last(&present, "G28 Z0");
    assert_eq!(
        (top.action, top.to.z),
        (Action::RetractFull, Some(f64::INFINITY))
    );
    let changed = last(&calls, "M98 P7 T4");
    assert_eq!(
        (changed.action, changed.cutter),
        (Action::CutterChange, Some(4))
    );
    assert_eq!(last(&calls, "T2 M6\nG65 P9001 A2").to.x, None);
}

/// Keys that contradict each other are refused at the key.
#[test]
fn contradictions_are_refused() {
    for (keys, pointer) in [
        (r#""units": {"only": "mm"}"#, "/units/only"),
        (r#""units": {"mm": null, "inch": null}"#, "/units"),
        (r#""numbers": {"lengths": "counts"}"#, "/numbers/lengths"),
        (
            r#""numbers": {"lengths": "counts", "point-always": false}"#,
            "/language/expressions",
        ),
        (r#""numbers": {"mark": "comma"}"#, "/numbers/mark"),
        (
            r#""numbers": {"mark": "comma"}, "lines": {"separator": "comma"}, "language": {"expressions": false, "parameters": false}"#,
            "/lines/separator",
        ),
        (
            r#""lines": {"separator": "tab", "characters": "capitals"}"#,
            "/lines/separator",
        ),
        (r#""arcs": {"one-quadrant": true}"#, "/arcs/one-quadrant"),
        (
            r#""arcs": {"one-quadrant": true, "full-circles": false, "centre": "radius", "largest-sweep": 90.0}"#,
            "/arcs/one-quadrant",
        ),
        (r#""dwell": {"letter": "G"}"#, "/dwell/letter"),
        (r#""dwell": {"unit": "minutes"}"#, "/dwell/decimals"),
        (r#""dwell": {"decimals": 9}"#, "/dwell/decimals"),
        (
            r#""spindle": {"speed": {"percent": {"of": 10.0}}}"#,
            "/spindle/speed/percent/of",
        ),
        (
            r#""spindle": {"speed": {"percent": {"of": 120000.0}}}"#,
            "/spindle/speed/percent/decimals",
        ),
        (
            r#""spindle": {"speed": "panel"}, "comments": "none", "pause": {"message": "none"}"#,
            "/spindle/speed",
        ),
        (
            r#""spindle": {"clockwise": "M13", "stop": "M13"}, "language": {"m": [0, 2, 4, 6, 13]}"#,
            "/spindle/clockwise",
        ),
        (r#""spindle": {"clockwise": "M30"}"#, "/spindle/clockwise"),
        (r#""home": {"g": 53, "through": "present"}"#, "/home/g"),
        (
            r#""home": {"g": 28, "through": "present"}, "retract-full": ["G28 Z{{ safe }}"]"#,
            "/home/through",
        ),
        (
            r#""home": {"g": 28, "through": "named"}, "retract-full": ["G91 G28 Z0."]"#,
            "/retract-full",
        ),
        (r#""retract-full": ["G28 Z0"]"#, "/retract-full"),
        (
            r#""cutter-change": ["T{{ cutter }} M6", "G65 P1"]"#,
            "/cutter-change/1",
        ),
        (r#""lines": {"block-end": "X"}"#, "/lines/block-end"),
        (
            r#""lines": {"block-end": ";"}, "comments": "semicolon", "pause": {"message": "comment"}"#,
            "/lines/block-end",
        ),
        (
            r#""macros": [{"call": "", "cutter": null, "does": "measure"}]"#,
            "/macros/0/call",
        ),
        (
            r#""macros": [{"call": "G65 Pn", "cutter": null, "does": "measure"}]"#,
            "/macros/0/call",
        ),
        (
            r#""macros": [{"call": "M98 P1", "cutter": "a", "does": "change"}]"#,
            "/macros/0/cutter",
        ),
        (
            r#""language": {"program-number": "P"}"#,
            "/language/program-number",
        ),
        (
            r#""files": {"first-number": 1000, "number-digits": 3}"#,
            "/files/number-digits",
        ),
    ] {
        let text = format!(
            r#"{{"format": "grainway.dialect/1", "name": "odd", "version": 1, "extends": "rs274-ngc", "summary": "x", {keys}}}"#
        );
        let problems = from_json(&text).err().unwrap_or_default();
        let found: Vec<&str> = problems.iter().map(|p| p.pointer.as_str()).collect();
        assert!(found.contains(&pointer), "{keys}: {problems:#?}");
    }
}
