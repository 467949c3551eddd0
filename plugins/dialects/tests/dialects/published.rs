//! Checks against NISTIR 6556 (Kramer, Proctor, Messina, 2000), section or table beside each. Values marked "computed" were worked
//! out from the published text, not printed in it.

use crate::{faults, read_as};
use grainway_geom::Point;
use grainway_pipeline::dialect::{Action, ReadMove};

const NGC: &str = "rs274-ngc";

/// Kind and end point of every move after the lines of `before`.
fn moves(events: &[ReadMove], after_line: u64) -> Vec<(&'static str, [f64; 3])> {
    events
        .iter()
        .filter(|e| e.line > after_line)
        .filter_map(|e| {
            let kind = match e.action {
                Action::Rapid => "rapid",
                Action::Line => "feed",
                Action::Arc { .. } => "arc",
                _ => return None,
            };
            let p = e.to.point()?;
            Some((kind, [p.x, p.y, p.z]))
        })
        .collect()
}

fn same(got: &[(&str, [f64; 3])], want: &[(&str, [f64; 3])]) {
    assert_eq!(got.len(), want.len(), "{got:?}");
    for (g, w) in got.iter().zip(want) {
        assert_eq!(g.0, w.0, "{got:?}");
        for k in 0..3 {
            assert!((g.1[k] - w.1[k]).abs() < 1e-9, "{got:?}");
        }
    }
}

/// Arcs as (centre, radius, sweep).
fn arcs(events: &[ReadMove]) -> Vec<(Point, f64, f64)> {
    events
        .iter()
        .filter_map(|e| match e.action {
            Action::Arc { centre, sweep, .. } => {
                Some((centre, e.from.point()?.xy().distance(centre), sweep))
            }
            _ => None,
        })
        .collect()
}

/// Section 3.5.16.2, example 1. The prose calls clear Z 2.8; the listed moves follow G98 and end at 3.
#[test]
fn drilling_cycle_example_1() {
    let events = read_as(
        NGC,
        "G21 G90 G94 F100\nG0 X1 Y2 Z3\nG90 G81 G98 X4 Y5 Z1.5 R2.8\nM2\n",
    );
    assert_eq!(faults(&events), []);
    same(
        &moves(&events, 2),
        &[
            ("rapid", [4.0, 5.0, 3.0]),
            ("rapid", [4.0, 5.0, 2.8]),
            ("feed", [4.0, 5.0, 1.5]),
            ("rapid", [4.0, 5.0, 3.0]),
        ],
    );
}

/// Section 3.5.16.2, example 2.
#[test]
fn drilling_cycle_example_2() {
    let events = read_as(
        NGC,
        "G21 G90 G94 F100\nG0 X1 Y2 Z3\nG91 G81 G98 X4 Y5 Z-0.6 R1.8 L3\nM2\n",
    );
    assert_eq!(faults(&events), []);
    let mut want = vec![("rapid", [1.0, 2.0, 4.8])];
    for (x, y) in [(5.0, 7.0), (9.0, 12.0), (13.0, 17.0)] {
        want.push(("rapid", [x, y, 4.8]));
        want.push(("feed", [x, y, 4.2]));
        want.push(("rapid", [x, y, 4.8]));
    }
    same(&moves(&events, 2), &want);
}

/// Section 3.5.3.2: the arc's centre is (10, 11), its radius 5.
#[test]
fn arc_by_centre() {
    let events = read_as(
        NGC,
        "G21 G90 F100\nG0 X7 Y7 Z0\nG17 G2 x10 y16 i3 j4 z9\nM2\n",
    );
    assert_eq!(faults(&events), []);
    let [(centre, radius, sweep)] = arcs(&events)[..] else {
        panic!()
    };
    assert!((centre.x - 10.0).abs() < 1e-12 && (centre.y - 11.0).abs() < 1e-12);
    assert!((radius - 5.0).abs() < 1e-12 && sweep < 0.0);
}

/// Table 10: an arc by radius whose end is an expression. The centre is printed to four places.
#[test]
fn arc_by_radius_with_expression() {
    let events = read_as(
        NGC,
        "G21 G90 F100\nG0 X3 Y1 Z0\ng2 x[6-[4*3/2]] r7.01 z0.5\nM2\n",
    );
    assert_eq!(faults(&events), []);
    same(&moves(&events, 2), &[("arc", [0.0, 1.0, 0.5])]);
    let (centre, _, sweep) = arcs(&events)[0];
    assert!((centre.x - 1.5).abs() < 1e-9 && (centre.y - 7.8476).abs() < 5e-5);
    assert!(sweep < 0.0);
}

/// Table 10: `g1 x asin[0.5]` goes to x 30; the incremental cycle after it.
#[test]
fn incremental_cycle_of_table_10() {
    let events = read_as(
        NGC,
        "G21 G90 F100\nG0 X0 Y1 Z-0.5\ng1 x asin[0.5]\ng91 g81 x3 y2 z-0.8 r1.5 l2\nM2\n",
    );
    assert_eq!(faults(&events), []);
    same(
        &moves(&events, 2),
        &[
            ("feed", [30.0, 1.0, -0.5]),
            ("rapid", [30.0, 1.0, 1.0]),
            ("rapid", [33.0, 3.0, 1.0]),
            ("feed", [33.0, 3.0, 0.2]),
            ("rapid", [33.0, 3.0, 1.0]),
            ("rapid", [36.0, 5.0, 1.0]),
            ("feed", [36.0, 5.0, 0.2]),
            ("rapid", [36.0, 5.0, 1.0]),
        ],
    );
}

/// The arcs of appendix C.1's engraved text, in a program of our own: centres and lengths computed from the published program.
#[test]
fn arcs_of_the_engraved_text() {
    let text = "G21 G90 G17 F100\nG0 X0 Y0 Z0\n\
        G0 X13.5 Y5\nG3 X16 Y2.5 I0 J-2.5\n\
        G0 X35 Y2.5\nG2 X35 Y2.5 I-2.5 J0\n\
        G0 X60 Y2.5\nG3 X60 Y2.5 I-2.5 J0\n\
        G0 X64 Y4\nG2 X69 Y4 R4\n\
        G0 X79.5 Y5\nG2 X79.5 Y0 I0 J-2.5\nM2\n";
    let events = read_as(NGC, text);
    assert_eq!(faults(&events), []);
    let got = arcs(&events);
    let want = [
        (13.5, 2.5, 11.7810),
        (32.5, 2.5, 15.7080),
        (57.5, 2.5, 15.7080),
        (66.5, 0.8775, 5.4011),
        (79.5, 2.5, 7.8540),
    ];
    for ((centre, radius, sweep), (x, y, length)) in got.iter().zip(want) {
        assert!(
            (centre.x - x).abs() < 5e-5 && (centre.y - y).abs() < 5e-5,
            "{centre:?}"
        );
        assert!(
            (radius * sweep.abs() - length).abs() < 5e-5,
            "{}",
            radius * sweep.abs()
        );
    }
    assert_eq!(got.len(), want.len());
    assert!((got[0].2.to_degrees() - 270.0).abs() < 1e-9);
    assert!((got[3].2.to_degrees() + 77.364).abs() < 5e-4);
}

/// Appendix C.3's drilling patterns in inches; hole positions computed from its words.
#[test]
fn hole_patterns_of_the_cycle_test() {
    let text = "G20 G90 F20\nG0 X0 Y0 Z1\ng81 x3 y4 z-1 r0.2\nx1 y0 r0 g91 l3\ny-2 r0.1\n\
        g90 g82 x4 y5 z-1 r0.2 p0.1\nx2\ng91 x-2 y2 l4\nM2\n";
    let events = read_as(NGC, text);
    let holes: Vec<(f64, f64)> = events
        .iter()
        .filter(|e| e.action == Action::Line)
        .map(|e| (e.to.x.unwrap() / 25.4, e.to.y.unwrap() / 25.4))
        .collect();
    let want = [
        (3, 4),
        (4, 4),
        (5, 4),
        (6, 4),
        (6, 2),
        (4, 5),
        (2, 5),
        (0, 7),
        (-2, 9),
        (-4, 11),
        (-6, 13),
    ];
    assert_eq!(holes.len(), want.len(), "{holes:?}");
    for ((x, y), (wx, wy)) in holes.iter().zip(want) {
        assert!((x - f64::from(wx)).abs() < 1e-9 && (y - f64::from(wy)).abs() < 1e-9);
    }
    let dwells = events
        .iter()
        .filter(|e| matches!(e.action, Action::Dwell { .. }));
    assert_eq!(dwells.count(), 6, "G82 dwells in every hole");
}

/// Appendix C.3: pecks of 0.21 from R 0.2 to Z -1.1, bottoms computed.
#[test]
fn pecks_of_the_cycle_test() {
    let events = read_as(
        NGC,
        "G20 G90 G99\nF20\nG0 X0 Y0 Z1\ng83 x5 y6 z-1.1 r0.2 q0.21\nM2\n",
    );
    assert_eq!(faults(&events), []);
    let bottoms: Vec<f64> = events
        .iter()
        .filter(|e| e.action == Action::Line)
        .map(|e| e.to.z.unwrap() / 25.4)
        .collect();
    let want = [-0.01, -0.22, -0.43, -0.64, -0.85, -1.06, -1.1];
    assert_eq!(bottoms.len(), want.len(), "{bottoms:?}");
    for (b, w) in bottoms.iter().zip(want) {
        assert!((b - w).abs() < 1e-9, "{bottoms:?}");
    }
}

/// Section 3.3: spaces and case mean nothing. `g0x +0. 12 34y 7` is `g0 x+0.1234 y7`.
#[test]
fn spaces_and_case() {
    let events = read_as(
        NGC,
        "g21G90\n/ N00012 (z first) G0 Z5\ng0x +0. 12 34y 7\nm2\n",
    );
    assert_eq!(faults(&events), [(2, "block-delete")]);
    assert_eq!(moves(&events, 2), [("rapid", [0.1234, 7.0, 5.0])]);
}

/// Section 3.3.3: settings act in parallel. With #3 = 15, `#3=6 G1 x#3` goes to 15, then #3 is 6.
#[test]
fn parallel_setting() {
    let events = read_as(
        NGC,
        "G21 G90 F100\n#3=15\nG0 X0 Y0 Z0\n#3=6 G1 x#3\nG1 X#3\nM2\n",
    );
    assert_eq!(faults(&events), []);
    same(
        &moves(&events, 3),
        &[("feed", [15.0, 0.0, 0.0]), ("feed", [6.0, 0.0, 0.0])],
    );
}

/// Table 8: in `t1 m6 m3 f20 s4000` the spindle starts after the change. M6 leaves it stopped.
#[test]
fn order_of_execution() {
    let events = read_as(NGC, "G21 G90 M3 S500\nt1 m6 m3 f20 s4000\nM2\n");
    assert_eq!(faults(&events), []);
    let on_two: Vec<&ReadMove> = events.iter().filter(|e| e.line == 2).collect();
    assert_eq!(on_two[0].action, Action::CutterChange);
    assert_eq!((on_two[0].spindle, on_two[0].cutter), (None, Some(1)));
    assert_eq!(on_two[1].action, Action::Spindle);
    assert_eq!(on_two[1].spindle.unwrap().rpm, 4000.0);
}

/// Section 3.1: with lines of %, nothing after the second is read; with M2, nothing after it runs.
#[test]
fn ends() {
    let framed = read_as(NGC, "\n % \nG21 G90\nG0 Z5\nM2\n%\nnonsense\n");
    assert_eq!(faults(&framed), []);
    assert_eq!(framed.last().unwrap().action, Action::End);
    // The report lets lines of % end a program without M2 or M30. Here that is a fault: nothing then stops what still runs.
    let without = read_as(NGC, "%\nG21 G90\nG0 Z5\n%\n");
    assert_eq!(faults(&without), [(4, "no-end")]);
    let after = read_as(NGC, "G21 G90\nG0 Z5\nM2\nG0 Z-5\n");
    assert_eq!(faults(&after), [(4, "after-end")]);
    assert_eq!(moves(&after, 0), []);
    assert!(!after.iter().any(|e| e.to.z == Some(-5.0)));
}

/// Line ends: CR, LF or both (3.3).
#[test]
fn line_ends() {
    for end in ["\n", "\r\n", "\r"] {
        let text = ["G21 G90", "G0 Z5", "", "G0 X1 Y1", "M2"].join(end);
        let events = read_as(NGC, &text);
        assert_eq!(faults(&events), []);
        let lines: Vec<u64> = events.iter().map(|e| e.line).collect();
        assert_eq!(lines, [2, 4, 5], "{end:?}");
    }
}

/// Positions are unknown at the start, after a pause and after a cutter change; the machine's top is above everything.
#[test]
fn what_is_not_known_stays_unknown() {
    let text = "G21 G90\nG53 G0 Z0\nG0 X1 Y1\n( m s g , turn it over)\nM0\nG0 Z5\nT2 M6\nG43 H2 G0 X1\nM2\n";
    let events = read_as(NGC, text);
    assert_eq!(faults(&events), []);
    let at = |n: usize| (events[n].to.x, events[n].to.y, events[n].to.z);
    assert_eq!(events[0].action, Action::RetractFull);
    assert_eq!(at(0), (None, None, Some(f64::INFINITY)));
    assert_eq!(at(1), (Some(1.0), Some(1.0), Some(f64::INFINITY)));
    let message = "turn it over".to_string();
    assert_eq!(events[2].action, Action::Pause { message });
    assert_eq!(at(2), (None, None, None));
    assert_eq!(at(3), (None, None, Some(5.0)));
    assert_eq!(at(4), (None, None, None));
    assert_eq!(at(5), (Some(1.0), None, None));
}
