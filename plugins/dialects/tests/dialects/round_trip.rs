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
        let about = dialect.about();
        for unit in [Unit::Mm, Unit::Inch] {
            for seed in 1..=3 {
                let items = program(seed, about.cutter_change, 6);
                let (text, written) = write(dialect.as_ref(), unit, &items);
                let place = format!("{name} {unit:?} seed {seed}");
                let length = match about.line_length {
                    0 => 256,
                    n => n,
                };
                for l in text.lines() {
                    assert_eq!(
                        grammar::complaint(l.trim_end_matches('\r'), length),
                        None,
                        "{place}"
                    );
                }
                assert_eq!(written.lines, text.lines().count() as u64, "{place}");
                let events = read(dialect.as_ref(), &text);
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
                assert_eq!(steps, written.restarts, "{place}");
            }
        }
    }
}
