//! Seeded random programs, written and read back.

use crate::{faults, grammar, read, write};
use grainway_dialects::from_json;
use grainway_dialects::programs::{cut_by, farthest, planned, program};
use grainway_pipeline::dialect::{Action, Dialect};
use grainway_pipeline::doc::Unit;
use std::sync::Arc;

fn dialects() -> Vec<(Arc<dyn Dialect>, &'static str)> {
    let own = |text: &str| from_json(text).unwrap();
    let lean = |keys: &str| {
        own(&format!(
            r#"{{"format": "grainway.dialect/1", "name": "x", "version": 1, "extends": "rs274-lean", "summary": "", {keys}}}"#
        ))
    };
    vec![
        (own(include_str!("../../data/rs274-lines.json")), "lines"),
        (own(include_str!("../../data/iso6983.json")), "iso"),
        (
            own(include_str!("../../data/iso6983-counted.json")),
            "iso counted",
        ),
        (
            lean(r#""arcs": {"centre": "absolute"}"#),
            "absolute centres",
        ),
        (
            lean(
                r#""arcs": {"centre": "radius", "largest-sweep": 120.0, "shortest-mm": 0.05},
                   "language": {"letters": "FGMPRSXYZ", "radius-arcs": true}"#,
            ),
            "radii",
        ),
        (lean(r#""axes": {"x": "Y", "y": "-X"}"#), "a quarter turn"),
        (
            lean(r#""axes": {"x": "-X", "y": "Y"}, "numbers": {"plus-sign": true}"#),
            "mirrored",
        ),
        (
            lean(
                r#""axes": {"x": "Y", "y": "X"}, "modal": {"restate-blocks": 7},
                   "numbers": {"leading-zero": false, "feed-per": "second", "feed-decimals-mm": 2, "feed-decimals-inch": 4},
                   "safe-start": ["{{ units }} G17 G54 G90"], "step-start": ["{{ units }} G17 G54 G90"]"#,
            ),
            "swapped and restated",
        ),
        (
            lean(
                r#""start": ["O{{ number }}"], "dwell": {"letter": "X"},
                   "path-mode": {"continuous": {"tolerance-mm": 0.02}},
                   "safe-start": ["{{ units }} G17 G54 G64 G90 G94"], "step-start": ["{{ units }} G17 G54 G64 G90 G94"],
                   "language": {"letters": "FGIJMOPSXYZ", "g": ["0", "1", "2", "3", "4", "17", "20", "21", "54", "64", "90", "94"]}"#,
            ),
            "program number, waits in X, corners rounded",
        ),
        (own(include_str!("../../data/rs274-ngc.json")), "ngc"),
        (own(include_str!("../../data/rs274-lean.json")), "lean"),
        (
            own(
                r#"{"format": "grainway.dialect/1", "name": "numbered", "version": 1, "extends": "rs274-ngc", "summary": "",
                    "lines": {"block-numbers": {"first": 10, "step": 10, "largest": 99990}, "end": "cr-lf"},
                    "numbers": {"trailing-zeros": true, "decimals-mm": 4, "decimals-inch": 4},
                    "modal": {"motion": false, "axes": false, "feed": false}, "arcs": {"largest-sweep": 90.0}}"#,
            ),
            "numbered",
        ),
        (
            own(
                r#"{"format": "grainway.dialect/1", "name": "chords", "version": 1, "extends": "rs274-lean", "summary": "",
                    "arcs": null}"#,
            ),
            "chords",
        ),
        (
            own(
                r#"{"format": "grainway.dialect/1", "name": "flat-arcs", "version": 1, "extends": "rs274-lean", "summary": "",
                    "arcs": {"helices": false, "largest-radius-mm": 500.0}}"#,
            ),
            "flat arcs",
        ),
    ]
}

#[test]
fn what_is_written_reads_back() {
    for (dialect, name) in dialects() {
        reads_back(dialect.as_ref(), name, &[Unit::Mm, Unit::Inch], 3, true);
    }
}

/// Forms that the published grammar does not have.
#[test]
fn strange_forms_read_back() {
    let own = |from: &str, keys: &str| {
        let text = format!(
            r#"{{"format": "grainway.dialect/1", "name": "x", "version": 1, "extends": "{from}", "summary": "", {keys}}}"#
        );
        from_json(&text).unwrap_or_else(|p| panic!("{keys}: {p:#?}"))
    };
    let both = [Unit::Mm, Unit::Inch];
    let cases = [
        (
            own(
                "rs274-lean",
                r#""arcs": {"centre": "absolute", "one-quadrant": true}"#,
            ),
            "one quadrant",
            &both[..],
        ),
        (
            own(
                "rs274-lean",
                r#""arcs": {"one-quadrant": true, "helices": false}, "lines": {"length": 40, "block-end": "*"}"#,
            ),
            "one quadrant in short lines",
            &both,
        ),
        (
            own(
                "rs274-lean",
                r#""numbers": {"lengths": "counts", "point-always": false, "decimals-mm": 4}, "lines": {"separator": "none"}"#,
            ),
            "counts",
            &both,
        ),
        (
            own(
                "rs274-ngc",
                r#""numbers": {"mark": "comma"}, "lines": {"separator": "tab"}, "retract-full": ["G53 G0 Z0,"],
                   "language": {"expressions": false, "parameters": false}"#,
            ),
            "commas and tabulators",
            &both,
        ),
        (
            own(
                "rs274-ngc",
                r#""lines": {"separator": "comma", "word-order": "NFSZYXJIRQPG", "length": 44}, "comments": "none",
                   "pause": {"message": "none"},
                   "home": {"g": 28, "through": "named"}, "retract-full": ["G91,G28,Z0.", "G90"]"#,
            ),
            "commas between words, another order, home by an increment",
            &both,
        ),
        (
            own(
                "rs274-ngc",
                r#""home": {"g": 30, "through": "named"}, "retract-full": ["G30 Z{{ safe }}"],
                   "cutter-change": ["G65 P100 T{{ cutter }}"], "macros": [{"call": "G65 P100", "cutter": "T", "does": "change"}],
                   "spindle": {"clockwise": "M103", "counter-clockwise": "M104", "stop": "M105", "speed": {"percent": {"of": 24000.0, "decimals": 1}}},
                   "dwell": {"letter": "F", "unit": "minutes", "decimals": 3},
                   "language": {"m": [0, 2, 103, 104, 105], "program-number": ":"},
                   "files": {"number-digits": 4}, "start": ["%", ":{{ number }}"]"#,
            ),
            "home through the safe height, a macro that changes, per cent",
            &both,
        ),
        (
            own(
                "rs274-lean",
                r#""units": {"only": "inch", "mm": null, "inch": null}, "always-absolute": true, "safe-start": [], "step-start": []"#,
            ),
            "inches alone",
            &both[1..],
        ),
    ];
    for (dialect, name, units) in cases {
        reads_back(dialect.as_ref(), name, units, 1, false);
    }
}

/// Seeded programs, written and read back; by the published grammar as well.
fn reads_back(dialect: &dyn Dialect, name: &str, units: &[Unit], seeds: u64, published: bool) {
    let about = dialect.about();
    for unit in units.iter().copied() {
        for seed in 1..=seeds {
            let items = program(seed, about.cutter_change, 6);
            let (text, written) = write(dialect, unit, &items);
            let place = format!("{name} {unit:?} seed {seed}");
            let length = match about.line_length {
                0 => 256,
                n => n,
            };
            for l in text.lines() {
                assert!(
                    published || l.trim_end_matches('\r').len() <= length,
                    "{place}: {l}"
                );
                if !published {
                    continue;
                }
                assert_eq!(
                    grammar::complaint(l.trim_end_matches('\r'), length),
                    None,
                    "{place}"
                );
            }
            assert_eq!(written.lines, text.lines().count() as u64, "{place}");
            let events = read(dialect, &text);
            assert_eq!(faults(&events), [], "{place}\n{text}");
            // Rounding may move each end of a chord, so a whole path lies within what the writer says it moved a point, and
            // what a line in place of a hair of an arc adds: a few counts.
            let allowed: f64 = match unit {
                Unit::Mm => 0.005,
                Unit::Inch if about.decimals_inch > 4 => 0.005,
                // Four decimals of an inch: half a count is 0.00127 mm along each axis.
                Unit::Inch => 0.012,
            };
            let (p, s) = (planned(&items, 0.4), cut_by(&events, 0.005));
            // Samples of the path that was read lie at most half a step away.
            let slack = 0.0026f64;
            let off = farthest(&p, &s);
            assert!(off <= allowed.hypot(slack), "{place}: {off}");
            assert!(
                written.rounding_mm <= allowed,
                "{place}: {}",
                written.rounding_mm
            );
            for e in &events {
                if let Action::Arc {
                    radius_mismatch, ..
                } = e.action
                {
                    let limit = if unit == Unit::Mm {
                        0.002
                    } else {
                        0.0002 * 25.4
                    };
                    assert!(radius_mismatch <= limit, "{place} line {}", e.line);
                }
            }
            let steps: Vec<(u32, u64)> = events
                .iter()
                .filter_map(|e| match e.action {
                    Action::Step { number } => Some((number, e.line)),
                    _ => None,
                })
                .collect();
            // A language without remarks does not mark its steps.
            assert!(
                steps.is_empty() && !published || steps == written.restarts,
                "{place}"
            );
        }
    }
}
