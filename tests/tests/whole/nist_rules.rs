//! What the dialect rs274-ngc writes, against the report that the dialect is named for: T. Kramer, F. Proctor, E. Messina, "The
//! NIST RS274NGC Interpreter – Version 3", NISTIR 6556, 2000. Numbers in parentheses are its sections and tables.
//!
//! Lexer, controller and comparison are written here from the report and share no code with the project's writer and reader.

mod against_plan;
mod controller;
mod line;

use against_plan::{Compared, Rounding, compare};
use controller::{Did, Event, Setting, run};
use grainway_geom::{Point, Point3, point};
use grainway_pipeline::dialect::{Action, ProgramHead, ReadEnd, ReadMove};
use grainway_pipeline::doc::{CutterChangeBy, Unit};
use grainway_pipeline::motion::{CutterChange, Item, Move, Spindle, StepStart};
use grainway_plan::program_items::{Can, items};
use grainway_tests::{SAMPLES, load, make, sample};
use std::collections::BTreeMap;
use std::f64::consts::TAU;
use std::ops::ControlFlow;

const NGC: &str = "rs274-ngc";

/// What the report forbids, and where.
#[derive(Clone, Debug, PartialEq)]
pub struct Refusal {
    pub line: usize,
    pub rule: &'static str,
    pub why: String,
}

/// A controller of which nothing is known.
fn stranger() -> Setting {
    Setting {
        stranger: true,
        lengths: BTreeMap::new(),
    }
}

/// The report's own, as in its sample session: it knows its place.
fn own(lengths: &[(u32, f64)]) -> Setting {
    Setting {
        stranger: false,
        lengths: lengths.iter().copied().collect(),
    }
}

// ---- what is written

/// Writes items in the dialect under test.
fn written(unit: Unit, items: &[Item]) -> String {
    let dialects = grainway_dialects::built_in();
    let head = ProgramHead {
        name: "01-board-1".into(),
        number: 1,
        remarks: vec![
            "job: shelf (étagère) for the reading room; 100 % oak".into(),
            "M S G , no message".into(),
        ],
        unit,
        safe_z: SAFE,
    };
    let mut out = Vec::new();
    dialects
        .get(NGC)
        .unwrap()
        .write(&head, &mut items.iter().cloned(), &mut out)
        .unwrap();
    String::from_utf8(out).unwrap()
}

/// The text follows the report and does what the items say.
fn checked(
    unit: Unit,
    items: &[Item],
    text: &str,
    compared: &mut Compared,
) -> Result<Vec<Event>, String> {
    let events = run(text, &stranger())
        .map_err(|r| format!("{r:?}: {}", text.lines().nth(r.line - 1).unwrap_or("")))?;
    compare(items.iter().cloned(), &events, Rounding::of(unit), compared)?;
    Ok(events)
}

#[test]
fn sample_programs_follow_the_report() {
    let mut compared = Compared::default();
    let dialects = grainway_dialects::built_in();
    for name in SAMPLES {
        for unit in [Unit::Mm, Unit::Inch] {
            let mut loaded = load(&sample(name)).unwrap();
            for machine in loaded.work.documents.shop.machines.values_mut() {
                machine.dialect = NGC.into();
                machine.program_unit = unit;
                if unit == Unit::Inch {
                    machine.cutter_change = CutterChangeBy::Pause;
                }
            }
            let made = make(loaded).unwrap();
            assert!(
                !made.work.programs.is_empty(),
                "{name}: {:#?}",
                made.errors()
            );
            let machine = made.work.documents.machine().map(|(_, m)| m);
            let can = Can::of(machine, dialects.get(NGC).unwrap().about());
            for program in &made.work.programs {
                let setup = made.setup_of(program).unwrap();
                let items: Vec<Item> = items(&made.work, setup, program.entries, can).collect();
                let text = made.text(&program.text);
                if let Err(why) = checked(unit, &items, &text, &mut compared) {
                    panic!("{name} {unit:?} {}: {why}", program.name);
                }
            }
        }
    }
    println!("{compared:#?}");
    assert!(
        compared.programs >= 2 * SAMPLES.len() && compared.arcs > 100 && compared.holes > 10,
        "{compared:#?}"
    );
}

/// A generator of its own, so that a seed alone replays a list.
struct Random(u64);

impl Random {
    /// splitmix64, from memory.
    fn bits(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }
    fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * (self.bits() >> 11) as f64 / (1u64 << 53) as f64
    }
    fn below(&mut self, n: u64) -> u64 {
        self.bits() % n
    }
    fn of<T: Clone>(&mut self, all: &[T]) -> T {
        all[self.below(all.len() as u64) as usize].clone()
    }
}

const SAFE: f64 = 25.0;

/// A program of a few steps with every kind of item, as composed programs have them.
fn generated(seed: u64) -> Vec<Item> {
    let mut r = Random(seed);
    let mut items = vec![Item::RetractFull { safe_z: SAFE }];
    let mut spindle = None;
    let by_machine = r.below(4) > 0;
    let mut step = 0;
    for cutter in 0..1 + r.below(3) {
        if spindle.take().is_some() {
            items.push(Item::RetractFull { safe_z: SAFE });
            items.push(Item::Spindle(None));
            items.push(Item::Dwell { seconds: 4.0 });
        }
        if by_machine || cutter == 0 {
            items.push(Item::Cutter(CutterChange {
                number: r.of(&[1, 3, 12, 99]),
                id: "em6".into(),
                label: "6 mm end mill (up-cut); 1/4\" shank, 50 % worn".into(),
                by_hand: !by_machine,
            }));
            items.push(Item::RetractFull { safe_z: SAFE });
        }
        for _ in 0..1 + r.below(3) {
            let turning = Spindle {
                rpm: r.of(&[8000.0, 18000.0, 23_999.6]),
                clockwise: r.below(5) > 0,
            };
            if spindle != Some(turning) {
                spindle = Some(turning);
                items.push(Item::Spindle(spindle));
                items.push(Item::Dwell {
                    seconds: r.of(&[0.001, 0.25, 4.0]),
                });
            }
            step += 1;
            items.push(Item::Step(StepStart {
                number: step,
                label: r
                    .of(&[
                        "leg#1 / mortise (m1)",
                        "\u{2300}8 hole",
                        "MSG, not a message",
                    ])
                    .into(),
            }));
            step_moves(&mut r, &mut items);
            if r.below(3) == 0 {
                items.push(Item::Label(
                    r.of(&["half way", "(step 4: x)", "ÄÖÜ \u{1F600}"]).into(),
                ));
            }
        }
        if r.below(2) == 0 {
            let long =
                "Turn the board over, put its left edge against the stops and drive 6 screws. "
                    .repeat(5);
            items.extend([
                Item::RetractFull { safe_z: SAFE },
                Item::Spindle(None),
                Item::Dwell { seconds: 2.5 },
                Item::Move(Move::rapid(point(0.0, 560.0).at_z(SAFE))),
                Item::Pause {
                    message: r
                        .of(&[
                            "Drive 4 screws (4 x 30); 2 left",
                            "Vide (été) – 50 %",
                            &long,
                        ])
                        .into(),
                },
                Item::RetractFull { safe_z: SAFE },
            ]);
            spindle = None;
        }
    }
    items.extend([
        Item::RetractFull { safe_z: SAFE },
        Item::Spindle(None),
        Item::Move(Move::rapid(point(0.0, 0.0).at_z(SAFE))),
    ]);
    items
}

/// Adds a move; gives where the cutter is after it.
fn go(items: &mut Vec<Item>, at: Point3, m: Move) -> Point3 {
    items.push(Item::Move(m));
    m.end(at)
}

fn step_moves(r: &mut Random, items: &mut Vec<Item>) {
    let far = r.of(&[900.0, 900.0, 40_000.0]);
    let mut at = point(r.between(-30.0, far), r.between(-30.0, far)).at_z(SAFE);
    let mills = r.below(4) > 0;
    if mills {
        at = go(items, at, Move::rapid(at));
        let down = at.xy().at_z(r.between(1.0, 20.0));
        if r.below(2) == 0 {
            at = go(items, at, Move::rapid(at.xy().at_z(21.0)));
        }
        at = go(items, at, Move::line(down, r.between(100.0, 900.0)));
        for _ in 0..r.below(12) {
            let feed = match r.below(3) {
                0 => 1800.0,
                1 => 2400.55,
                _ => r.between(50.0, 6000.0),
            };
            let lift = match r.below(2) {
                0 => 0.0,
                _ => r.between(-1.0, 1.0),
            };
            if r.below(3) == 0 {
                let to = at.xy() + point(r.between(-40.0, 40.0), r.between(-40.0, 40.0));
                at = go(items, at, Move::line(to.at_z(at.z + lift), feed));
                continue;
            }
            let radius = 10f64.powf(r.between(-2.5, 3.3));
            let sweep = match r.below(7) {
                0 => TAU,
                1 => -TAU,
                2 => r.between(-15.0, 15.0),
                3 => 10f64.powf(r.between(-7.0, 0.0)),
                4 => TAU - 10f64.powf(r.between(-7.0, -1.0)),
                _ => r.between(-TAU, TAU),
            };
            let centre = at.xy() + Point::unit(r.between(0.0, TAU)) * radius;
            at = go(
                items,
                at,
                Move::Arc {
                    centre,
                    sweep,
                    dz: 3.0 * lift,
                    feed,
                },
            );
            if radius * sweep.abs() < 0.1 || radius < 0.01 {
                // So that what belongs to a hair of an arc can be told from what follows it.
                let to = at.xy() + point(r.between(2.0, 9.0), 2.0);
                at = go(items, at, Move::line(to.at_z(at.z), feed));
            }
        }
        at = go(items, at, Move::rapid(at.xy().at_z(SAFE)));
    }
    let retract = r.of(&[21.0, SAFE, 22.123_45]);
    let (bottom, peck) = (
        r.between(-5.0, 5.0),
        r.of(&[None, None, Some(3.0), Some(2.717), Some(100.0)]),
    );
    let row = point(r.between(0.0, far), r.between(0.0, far));
    for k in 0..r.below(5) + u64::from(!mills) {
        let deeper = if r.below(5) == 0 { -1.5 } else { 0.0 };
        let along = if r.below(6) == 0 {
            point(0.0, 0.0)
        } else {
            point(32.0 * k as f64, 0.0)
        };
        at = go(
            items,
            at,
            Move::Hole {
                at: row + along,
                retract,
                bottom: bottom + deeper,
                peck,
                feed: r.of(&[300.0, 300.0, 450.0]),
            },
        );
    }
    if r.below(2) == 0 {
        let to = row.at_z(SAFE + 10.0);
        go(items, at, Move::rapid(to));
    }
}

/// Lists that are written, followed and compared, in each unit.
const LISTS: u64 = 300;

#[test]
fn generated_programs_follow_the_report() {
    let (mut compared, mut codes) = (Compared::default(), BTreeMap::<String, usize>::new());
    for seed in 1..=LISTS {
        for unit in [Unit::Mm, Unit::Inch] {
            let items = generated(seed);
            let text = written(unit, &items);
            if let Err(why) = checked(unit, &items, &text, &mut compared) {
                panic!("seed {seed} {unit:?}: {why}");
            }
            for word in text
                .lines()
                .filter(|l| !l.starts_with('('))
                .flat_map(|l| l.split(' '))
            {
                if word.starts_with(['G', 'M']) {
                    *codes.entry(word.into()).or_default() += 1;
                }
            }
        }
    }
    println!("{compared:#?}\n{codes:?}");
    assert_eq!(compared.programs, 2 * LISTS as usize);
    let c = &compared;
    for (what, count) in [
        ("lines", c.lines),
        ("arcs", c.arcs),
        ("full circles", c.full_circles),
        ("helices", c.helices),
        ("arcs of more than a turn", c.more_than_a_turn),
        ("holes", c.holes),
        ("holes in pecks", c.pecked_holes),
        ("stops", c.stops),
        ("changes", c.changes),
        ("dwells", c.dwells),
    ] {
        assert!(count >= 100, "{count} {what}");
    }
    for code in [
        "G0", "G1", "G2", "G3", "G81", "G83", "G80", "G99", "G43", "G53", "M0", "M3", "M4", "M5",
        "M6", "M2",
    ] {
        assert!(
            codes.get(code).is_some_and(|n| *n >= 50),
            "{code}: {codes:?}"
        );
    }
}

// ---- that the check can fail

/// A text that is right, up to a line under test.
const BEFORE: &str = "G21 G17 G40 G49 G54 G61 G80 G90 G94 G99\nT1 M6\nG43 H1\nG53 G0 Z0.\nS18000 M3\nG0 X0. Y0.\n\
    (MSG, watch) G0 Z5.\nG1 Z1. F600.\n";

/// Lines that the report forbids, or that leave open what happens, and the rule that each breaks.
const BROKEN: [(&str, &str); 67] = [
    ("(a remark that does not end", "comment"),
    ("(a remark (in a remark) of its own)", "comment"),
    ("G1 X1. ) Y2.", "comment"),
    ("G1 X1(one).5", "comment"),
    ("G1 X1.\u{e9}", "character"),
    ("G1 X1. \u{7}", "character"),
    ("G1 X1. ; end", "character"),
    ("%", "percent"),
    ("N000009 G1 X1.", "line-number"),
    ("N1.5 G1 X1.", "line-number"),
    ("G1 N5 X1.", "line-number"),
    ("G1 X1E3", "letter"),
    ("O100", "letter"),
    ("G1 U1.", "letter"),
    ("G1 X--1.", "number"),
    ("G1 X.", "number"),
    ("G1 X Y1.", "expression"),
    ("G1 X1.000000000000000001", "number"),
    ("G1 X[1+2", "expression"),
    ("G1 X#5400", "parameter"),
    ("G1 X1.2.3", "character"),
    ("G1 X1. Y2. X3.", "letter-twice"),
    ("G1 X1. F100. F200.", "letter-twice"),
    ("G0 G1 X1.", "modal-group"),
    ("G90 G91 G1 X1.", "modal-group"),
    ("G20 G21", "modal-group"),
    ("M3 M5", "modal-group"),
    ("M8 M9", "modal-group"),
    ("M3 M7 M8 M48 M1", "m-words"),
    ("G5 X1.", "code"),
    ("M98 P1", "code"),
    ("G17.1", "code"),
    ("G1 F100.", "missing-word"),
    ("G0", "missing-word"),
    ("G2 I1. J0.", "missing-word"),
    ("G2 X1. Y1.", "missing-word"),
    ("G3 X2. Y0. I1. J0. R1.", "missing-word"),
    ("G3 X2. Y0. K1.", "unused-word"),
    ("G2 X0. Y0. R5.", "arc"),
    ("G2 X20. Y0. R5.", "arc"),
    ("G2 X10. Y0. I5.0011 J0.", "arc-radii"),
    ("G20 G3 X1. Y0. I0.50011 J0.", "arc-radii"),
    ("G3 X0.001 Y0. I20. J0.", "arc-turn"),
    ("G4", "missing-word"),
    ("G4 P-1.", "dwell"),
    ("G80 X1.", "axes-without-motion"),
    ("G80\nX1.", "axes-without-motion"),
    ("G53 G3 X1. Y1. I1. J0.", "g53"),
    ("G53 G0 X1.", "g53"),
    ("G53 G0", "missing-word"),
    ("G81 X1. Y1. Z2. R1.", "cycle"),
    ("G81 X1. Y1. Z-1.", "missing-word"),
    ("G81 X1. Y1. R2.", "missing-word"),
    ("G83 X1. Y1. Z-1. R2.", "missing-word"),
    ("G83 X1. Y1. Z-1. R2. Q0.", "missing-word"),
    ("G81 X1. Y1. Z-1. R2. L0", "cycle"),
    ("G81 X1. Y1. Z-1. R2. L1.5", "cycle"),
    ("G1 X1. R2.", "unused-word"),
    ("G1 X1. H1", "unused-word"),
    ("G41 D1", "cutter-radius"),
    ("G43", "missing-word"),
    ("G1 G28 X1.", "two-use-axes"),
    ("G93\nG1 X1.", "feed"),
    ("G1 X1. F-600.", "feed"),
    ("S-5 M3", "speed"),
    ("G55", "origin"),
    ("M2\nG0 X1.", "after-end"),
];

/// The same, where what was known or in force is lost before.
const LOST: [(&str, &str); 8] = [
    ("M0\nG91 G1 X1.", "place"),
    ("M0\nG2 X10. Y0. I5. J0.", "place"),
    ("M0\nG0 X1. Y1.\nG81 X1. Y1. Z-1. R2.", "place"),
    ("T2 M6\nG0 X1.", "cutter-length"),
    ("G43 H2\nG0 X1.", "cutter-length"),
    ("T1.5 M6", "tool"),
    ("/ G1 X1.", "block-delete"),
    ("G1 A1.", "rotary"),
];

fn rule(text: &str) -> Option<&'static str> {
    run(text, &stranger()).err().map(|r| r.rule)
}

#[test]
fn broken_lines_are_refused() {
    assert_eq!(rule(&format!("{BEFORE}M2\n")), None);
    assert_eq!(rule(&format!("%\n{BEFORE}%\n")), None);
    for (line, broken) in BROKEN.iter().chain(&LOST) {
        assert_eq!(
            rule(&format!("{BEFORE}{line}\nM2\n")),
            Some(*broken),
            "{line}"
        );
    }
    // Limits are met, not only passed: 256 characters, five digits, radii 0.002 mm and 0.0002 in apart.
    for good in [
        format!("({})", "x".repeat(254)),
        "N00009 G1 X1.".into(),
        "G2 X10. Y0. I5.001 J0.".into(),
        "G20 G3 X1. Y0. I0.5001 J0.".into(),
        "M3 M7 M8 M48".into(),
        "g 1 x - 1 . 5 (in) y[2*3] (between)".into(),
    ] {
        assert_eq!(rule(&format!("{BEFORE}{good}\nM2\n")), None, "{good}");
    }
    let long = format!("({})", "x".repeat(255));
    assert_eq!(rule(&format!("{BEFORE}{long}\nM2\n")), Some("line-length"));
    assert_eq!(rule(BEFORE), Some("end"));
    assert_eq!(rule(&format!("%\n{BEFORE}M2\n")), Some("end"));
    // What a stranger must be told: each word of the first line but G49, G61, G80 and G99.
    for word in ["G21", "G17", "G40", "G54", "G90", "G94"] {
        let text = format!("{}M2\n", BEFORE.replacen(word, "", 1));
        assert_eq!(rule(&text), Some("unsaid-mode"), "{word}");
    }
    for (line, broken) in [("T1 M6", "tool"), ("S18000 M3", "speed")] {
        let word = line.split(' ').next().unwrap();
        let text = format!("{}M2\n", BEFORE.replacen(&format!("{word} "), "", 1));
        assert_eq!(rule(&text), Some(broken), "{line}");
    }
    assert_eq!(
        rule(&format!("{}M2\n", BEFORE.replacen(" F600.", "", 1))),
        Some("feed")
    );
}

type Change = fn(&mut Item) -> bool;

/// Small changes of a plan, each of which must be seen in the text that was written without it.
const CHANGES: [(&str, Change); 15] = [
    ("a rapid 0.003 mm beside", |i| match i {
        Item::Move(Move::Rapid { to }) => nudge(&mut to.x, 0.003),
        _ => false,
    }),
    ("a line 0.003 mm beside", |i| match i {
        Item::Move(Move::Line { to, .. }) => nudge(&mut to.y, 0.003),
        _ => false,
    }),
    ("a line 0.003 mm deeper", |i| match i {
        Item::Move(Move::Line { to, .. }) => nudge(&mut to.z, -0.003),
        _ => false,
    }),
    ("an arc's axis 0.01 mm beside", |i| match i {
        Item::Move(Move::Arc { centre, sweep, .. }) if sweep.abs() > 0.5 => {
            nudge(&mut centre.x, 0.01)
        }
        _ => false,
    }),
    ("an arc the other way round", |i| match i {
        Item::Move(Move::Arc { sweep, .. }) if sweep.abs() > 0.5 => {
            *sweep -= TAU * sweep.signum();
            sweep.abs() > 0.5
        }
        _ => false,
    }),
    ("another turn", |i| match i {
        Item::Move(Move::Arc { sweep, .. }) if sweep.abs() > 0.5 => {
            nudge(sweep, TAU * sweep.signum())
        }
        _ => false,
    }),
    ("a helix 0.003 mm higher", |i| match i {
        Item::Move(Move::Arc { dz, .. }) => nudge(dz, 0.003),
        _ => false,
    }),
    ("another feed", |i| match i {
        Item::Move(Move::Line { feed, .. } | Move::Arc { feed, .. } | Move::Hole { feed, .. }) => {
            nudge(feed, 0.5)
        }
        _ => false,
    }),
    ("a hole 0.003 mm deeper", |i| match i {
        Item::Move(Move::Hole { bottom, .. }) => nudge(bottom, -0.003),
        _ => false,
    }),
    ("a hole's retract 0.003 mm higher", |i| match i {
        Item::Move(Move::Hole { retract, .. }) => nudge(retract, 0.003),
        _ => false,
    }),
    ("pecks of another depth", |i| match i {
        Item::Move(Move::Hole { peck: Some(q), .. }) if *q < 10.0 => nudge(q, 0.1),
        _ => false,
    }),
    ("another speed", |i| match i {
        Item::Spindle(Some(s)) => nudge(&mut s.rpm, 10.0),
        _ => false,
    }),
    ("the other direction", |i| match i {
        Item::Spindle(Some(s)) => {
            s.clockwise = !s.clockwise;
            true
        }
        _ => false,
    }),
    ("another cutter", |i| match i {
        Item::Cutter(c) if !c.by_hand => {
            c.number += 1;
            true
        }
        _ => false,
    }),
    ("another wait", |i| match i {
        Item::Dwell { seconds } if *seconds > 0.1 => nudge(seconds, 0.02),
        _ => false,
    }),
];

fn nudge(value: &mut f64, by: f64) -> bool {
    *value += by;
    true
}

#[test]
fn a_text_of_another_plan_is_seen() {
    for (what, change) in CHANGES {
        let mut seen = 0;
        for seed in 1..=20 {
            let items = generated(seed);
            let text = written(Unit::Mm, &items);
            let events = run(&text, &stranger()).unwrap();
            for n in 0..items.len() {
                let mut other = items.clone();
                // A hair of an arc is rounded away whatever is done to it, and a spindle's state that no cut uses is not seen.
                let small = matches!(&other[n], Item::Move(Move::Arc { centre, sweep, .. })
                    if place_before(&items, n).distance(*centre) * sweep.abs() < 0.3
                        || place_before(&items, n).distance(*centre) < 0.1);
                let unused = matches!(other[n], Item::Spindle(_))
                    && !other[n + 1..]
                        .iter()
                        .take_while(|i| !matches!(i, Item::Spindle(_)))
                        .any(|i| matches!(i, Item::Move(m) if !matches!(m, Move::Rapid { .. })));
                if small || unused || !change(&mut other[n]) {
                    continue;
                }
                let compared = compare(
                    other.into_iter(),
                    &events,
                    Rounding::of(Unit::Mm),
                    &mut Compared::default(),
                );
                assert!(
                    compared.is_err(),
                    "{what}, seed {seed}, item {n}: {:?}",
                    items[n]
                );
                seen += 1;
            }
        }
        assert!(seen >= 5, "{what}: {seen}");
    }
    // Items left out or put in.
    let items = generated(3);
    let events = run(&written(Unit::Mm, &items), &stranger()).unwrap();
    let same = |items: Vec<Item>| {
        compare(
            items.into_iter(),
            &events,
            Rounding::of(Unit::Mm),
            &mut Compared::default(),
        )
    };
    assert_eq!(same(items.clone()), Ok(()));
    let matters = |i: &Item| matches!(i, Item::Pause { .. } | Item::Move(Move::Hole { .. }));
    let mut left_out = 0;
    for n in (0..items.len()).filter(|n| matters(&items[*n])) {
        let mut fewer = items.clone();
        let item = fewer.remove(n);
        assert!(same(fewer).is_err(), "{n}");
        let mut more = items.clone();
        more.insert(n, item);
        assert!(same(more).is_err(), "{n}");
        left_out += 1;
    }
    assert!(left_out > 0);
}

/// Small changes of a text, each of which must be refused or be seen: what is replaced, by what, and whether it may say the same
/// now and then: a cycle that begins at its own R ends there after G98 too (3.5.20), a line is one in every
/// plane, a step says again how the spindle turns.
const EDITS: [(&str, &str, bool); 12] = [
    ("\nG2 ", "\nG3 ", false),
    ("\nG3 ", "\nG2 ", false),
    ("G99 G81", "G98 G81", true),
    ("G99 G83", "G99 G81", false),
    ("G21", "G20", false),
    ("G90", "G91", false),
    ("G17", "G18", true),
    ("G43 H", "G43 H1", false),
    ("M6", "", false),
    ("M0\n", "\n", false),
    ("M3", "M4", true),
    (" F", " P", false),
];

#[test]
fn an_edited_text_is_seen() {
    for (what, by, same) in EDITS {
        let mut seen = 0;
        for seed in 1..=40 {
            let items = generated(seed);
            let text = written(Unit::Mm, &items);
            // Not at the head, where every step says the same again before anything moves.
            let from = text.find("(step ").unwrap();
            let Some(at) = text[from..].find(what).map(|at| at + from) else {
                continue;
            };
            let edited = format!("{}{by}{}", &text[..at], &text[at + what.len()..]);
            let found = checked(Unit::Mm, &items, &edited, &mut Compared::default());
            if same && found.is_ok() {
                continue;
            }
            assert!(
                found.is_err(),
                "seed {seed}: {what:?} by {by:?} at line {}",
                text[..at].lines().count()
            );
            seen += 1;
        }
        assert!(seen >= 5, "{what:?}: {seen}");
    }
}

/// Where the cutter stands before an item.
fn place_before(items: &[Item], n: usize) -> Point {
    let mut at = point(0.0, 0.0).at_z(SAFE);
    for item in &items[..n] {
        if let Item::Move(m) = item {
            at = m.end(at);
        }
    }
    at.xy()
}

// ---- the report's own examples, followed here and by the project's reader

/// A move as both see it: kind, end, and the arc's centre and turn.
type Seen = (&'static str, [f64; 3], Option<([f64; 2], f64)>);

/// What the controller of this check does after a line.
fn here(text: &str, setting: &Setting, after: usize) -> Vec<Seen> {
    let events = run(text, setting).unwrap();
    let place = |p: controller::Place| p.map(|v| v.unwrap_or(f64::NAN));
    events
        .iter()
        .filter(|e| e.line > after)
        .filter_map(|e| match &e.did {
            Did::Rapid => Some(("rapid", place(e.to), None)),
            Did::Feed => Some(("feed", place(e.to), None)),
            Did::Arc { centre, sweep } => Some(("arc", place(e.to), Some((*centre, *sweep)))),
            _ => None,
        })
        .collect()
}

/// What the project's reader sees after a line. The path mode, which it asks for, is not what is compared.
fn there(text: &str, after: usize) -> Vec<Seen> {
    let dialect = grainway_dialects::from_json(
        r#"{"format": "grainway.dialect/1", "name": "any-path", "version": 1, "extends": "rs274-ngc", "summary": "x", "path-mode": null}"#,
    )
    .unwrap();
    let mut events: Vec<ReadMove> = Vec::new();
    let end = dialect
        .reader()
        .unwrap()
        .read(&mut text.as_bytes(), &mut |m| {
            events.push(m);
            ControlFlow::Continue(())
        });
    assert!(matches!(end, ReadEnd::Complete { .. }), "{end:?}");
    let place = |e: &ReadMove| [e.to.x, e.to.y, e.to.z].map(|v| v.unwrap_or(f64::NAN));
    events
        .iter()
        .inspect(|e| assert!(!matches!(e.action, Action::Fault { .. }), "{e:?}"))
        .filter(|e| e.line > after as u64)
        .filter_map(|e| match e.action {
            Action::Rapid => Some(("rapid", place(e), None)),
            Action::Line => Some(("feed", place(e), None)),
            Action::Arc { centre, sweep, .. } => {
                Some(("arc", place(e), Some(([centre.x, centre.y], sweep))))
            }
            _ => None,
        })
        .collect()
}

/// What both do after a line, which must be the same.
fn both(text: &str, after: usize) -> Vec<Seen> {
    let (ours, theirs) = (here(text, &own(&[]), after), there(text, after));
    assert_eq!(ours.len(), theirs.len(), "{ours:?}\n{theirs:?}");
    for (a, b) in ours.iter().zip(&theirs) {
        let mut off: f64 = (0..3).map(|k| (a.1[k] - b.1[k]).abs()).fold(0.0, f64::max);
        match (a.2, b.2) {
            (Some((c, s)), Some((d, t))) => {
                off = off.max((c[0] - d[0]).hypot(c[1] - d[1])).max((s - t).abs());
            }
            (None, None) => {}
            _ => panic!("{a:?} {b:?}"),
        }
        assert!(a.0 == b.0 && off < 1e-9, "{a:?}\n{b:?}");
    }
    ours
}

fn same_ends(seen: &[Seen], want: &[(&str, [f64; 3])]) {
    assert_eq!(seen.len(), want.len(), "{seen:?}");
    for (s, w) in seen.iter().zip(want) {
        let off = (0..3).map(|k| (s.1[k] - w.1[k]).abs()).fold(0.0, f64::max);
        assert!(s.0 == w.0 && off < 1e-9, "{seen:?}");
    }
}

/// 3.5.16.2, both examples.
#[test]
fn published_drilling_cycles() {
    let start = "G21 G17 G40 G49 G54 G90 G94 F100\nG0 X1 Y2 Z3\n";
    same_ends(
        &both(&format!("{start}G90 G81 G98 X4 Y5 Z1.5 R2.8\nM2\n"), 2),
        &[
            ("rapid", [4.0, 5.0, 3.0]),
            ("rapid", [4.0, 5.0, 2.8]),
            ("feed", [4.0, 5.0, 1.5]),
            ("rapid", [4.0, 5.0, 3.0]),
        ],
    );
    let mut want = vec![("rapid", [1.0, 2.0, 4.8])];
    for (x, y) in [(5.0, 7.0), (9.0, 12.0), (13.0, 17.0)] {
        want.extend([
            ("rapid", [x, y, 4.8]),
            ("feed", [x, y, 4.2]),
            ("rapid", [x, y, 4.8]),
        ]);
    }
    same_ends(
        &both(&format!("{start}G91 G81 G98 X4 Y5 Z-0.6 R1.8 L3\nM2\n"), 2),
        &want,
    );
    // G99 returns to R, G98 to where it came from (3.5.20).
    same_ends(
        &both(&format!("{start}G81 G99 X4 Y5 Z1.5 R2.8\nM2\n"), 2)[3..],
        &[("rapid", [4.0, 5.0, 2.8])],
    );
}

/// Appendix C.3 in inches: hole places and pecks, computed from its words.
#[test]
fn published_cycle_test() {
    let text = "G20 G17 G90 G94\nF20 G0 X0 Y0 Z1\ng81 x3 y4 z-1 r0.2\nx1 y0 r0 g91 l3\ny-2 r0.1\n\
        g90 g82 x4 y5 z-1 r0.2 p0.1\nx2\ng91 x-2 y2 l4\nM2\n";
    let inches = |seen: Vec<Seen>| -> Vec<[f64; 3]> {
        let feeds = seen.iter().filter(|s| s.0 == "feed");
        feeds
            .map(|s| s.1.map(|v| (v / 25.4 * 1e9).round() / 1e9))
            .collect()
    };
    let holes: Vec<[f64; 2]> = inches(both(text, 2)).iter().map(|p| [p[0], p[1]]).collect();
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
    assert_eq!(holes, want.map(|(x, y)| [f64::from(x), f64::from(y)]));
    let text = "G20 G17 G90 G94 G99\nF20 G0 X0 Y0 Z1\ng83 x5 y6 z-1.1 r0.2 q0.21\nM2\n";
    let bottoms: Vec<f64> = inches(both(text, 2)).iter().map(|p| p[2]).collect();
    assert_eq!(bottoms, [-0.01, -0.22, -0.43, -0.64, -0.85, -1.06, -1.1]);
}

/// 3.5.3.2 and table 10.
#[test]
fn published_arcs() {
    let seen = both(
        "G21 G90 F100\nG0 X7 Y7 Z0\nG17 G2 x10 y16 i3 j4 z9\nM2\n",
        2,
    );
    let (centre, sweep) = seen[0].2.unwrap();
    assert!((centre[0] - 10.0).abs() < 1e-12 && (centre[1] - 11.0).abs() < 1e-12 && sweep < 0.0);
    assert!(((7.0 - centre[0]).hypot(7.0 - centre[1]) - 5.0).abs() < 1e-12);
    let seen = both(
        "G21 G17 G90 F100\nG0 X3 Y1 Z0\ng2 x[6-[4*3/2]] r7.01 z0.5\nM2\n",
        2,
    );
    same_ends(&seen, &[("arc", [0.0, 1.0, 0.5])]);
    let (centre, sweep) = seen[0].2.unwrap();
    // Printed to four places.
    assert!((centre[0] - 1.5).abs() < 1e-9 && (centre[1] - 7.8476).abs() < 5e-5 && sweep < 0.0);
}

/// Table 10 from its arc on: a cutter 1.0 long lowers what Z reads from 0.5 to -0.5, and nothing moves; then the repeated cycle.
#[test]
fn published_sample_session() {
    let text = "G21 G17 G40 G90 G94 F100\nG0 X3 Y1 Z0\ng2 x[6-[4*3/2]] r7.01 z0.5\nt2\nm6 g43 h2\ng1 x asin[0.5]\n\
        g91 g81 x3 y2 z-0.8 r1.5 l2\nM2\n";
    let want = [
        ("feed", [30.0, 1.0, -0.5]),
        ("rapid", [30.0, 1.0, 1.0]),
        ("rapid", [33.0, 3.0, 1.0]),
        ("feed", [33.0, 3.0, 0.2]),
        ("rapid", [33.0, 3.0, 1.0]),
        ("rapid", [36.0, 5.0, 1.0]),
        ("feed", [36.0, 5.0, 0.2]),
        ("rapid", [36.0, 5.0, 1.0]),
    ];
    same_ends(&here(text, &own(&[(2, 1.0)]), 3), &want);
    // The project's reader takes no lengths from a table, so it starts from what Z reads.
    let text =
        "G21 G17 G90 F100\nG0 X0 Y1 Z-0.5\ng1 x asin[0.5]\ng91 g81 x3 y2 z-0.8 r1.5 l2\nM2\n";
    same_ends(&both(text, 2), &want);
}

/// Length of what is cut, and the area that it goes round (counter-clockwise positive).
fn length_and_area(start: [f64; 2], seen: &[Seen]) -> (f64, f64) {
    let (mut at, mut length, mut area) = (start, 0.0, 0.0);
    for (kind, to, arc) in seen {
        let to = [to[0], to[1]];
        area += (at[0] * to[1] - at[1] * to[0]) / 2.0;
        match (arc, *kind) {
            (Some((c, sweep)), _) => {
                let radius = (at[0] - c[0]).hypot(at[1] - c[1]);
                length += radius * sweep.abs();
                // The segment between chord and arc.
                area += radius * radius * (sweep - sweep.sin()) / 2.0;
            }
            (None, "feed") => length += (to[0] - at[0]).hypot(to[1] - at[1]),
            _ => {}
        }
        at = to;
    }
    (length, area)
}

/// Tables 12 and 13: a part's edge and the path of the middle of a cutter of diameter 1 outside it. Lengths and areas computed.
#[test]
fn published_offset_pair() {
    let start = "G21 G17 G90 F100\n";
    let edge = "G0 X2 Y3 Z0\nG2 X3 Y2 R1\nG1 Y-1\nG2 X2 Y-2 R1\nG1 X-2\nG2 X-2.6 Y-0.2 R1\nG1 X1.4 Y2.8\nG2 X2 Y3 R1\nM2\n";
    let path = "G0 X2 Y3.5 Z0\nG2 X3.5 Y2 R1.5\nG1 Y-1\nG2 X2 Y-2.5 R1.5\nG1 X-2\nG2 X-2.9 Y0.2 R1.5\nG1 X1.1 Y3.2\n\
        G2 X2 Y3.5 R1.5\nM2\n";
    let (length, area) = length_and_area([2.0, 3.0], &both(&format!("{start}{edge}"), 2));
    assert!(
        (length - 18.283_185).abs() < 1e-6 && (area + 21.141_593).abs() < 1e-6,
        "{length} {area}"
    );
    let (around, outer) = length_and_area([2.0, 3.5], &both(&format!("{start}{path}"), 2));
    assert!(
        (around - 21.424_778).abs() < 1e-6 && (outer + 31.068_583).abs() < 1e-6,
        "{around} {outer}"
    );
    // The outline at distance r of a convex shape (Steiner): A + L r + \u{3c0} r\u{b2}.
    assert!((-outer - (-area + length * 0.5 + TAU / 8.0)).abs() < 1e-9);
}

/// Appendix C.1, engraved text: its five arcs, in a program of our own; centres, turns and lengths computed from the published one.
#[test]
fn published_engraving() {
    let text = "G21 G90 G17 F100\nG0 X0 Y0 Z0\n\
        G0 X13.5 Y5\nG3 X16 Y2.5 I0 J-2.5\n\
        G0 X35 Y2.5\nG2 X35 Y2.5 I-2.5 J0\n\
        G0 X60 Y2.5\nG3 X60 Y2.5 I-2.5 J0\n\
        G0 X64 Y4\nG2 X69 Y4 R4\n\
        G0 X79.5 Y5\nG2 X79.5 Y0 I0 J-2.5\nM2\n";
    let seen = both(text, 2);
    let want = [
        (13.5, 2.5, 270.0, 11.7810),
        (32.5, 2.5, -360.0, 15.7080),
        (57.5, 2.5, 360.0, 15.7080),
        (66.5, 0.8775, -77.364, 5.4011),
        (79.5, 2.5, -180.0, 7.8540),
    ];
    let arcs: Vec<&Seen> = seen.iter().filter(|s| s.0 == "arc").collect();
    assert_eq!(arcs.len(), want.len());
    for ((_, to, arc), (x, y, degrees, length)) in arcs.into_iter().zip(want) {
        let (centre, sweep) = arc.unwrap();
        let radius = (to[0] - centre[0]).hypot(to[1] - centre[1]);
        assert!(
            (centre[0] - x).abs() < 5e-5 && (centre[1] - y).abs() < 5e-5,
            "{centre:?}"
        );
        assert!(
            (sweep.to_degrees() - degrees).abs() < 5e-4,
            "{}",
            sweep.to_degrees()
        );
        assert!((radius * sweep.abs() - length).abs() < 5e-5);
    }
}

/// Appendix C.2 and 3.3.2: expressions, as coordinates.
#[test]
fn published_expressions() {
    for (expression, value) in [
        ("[1+2*3-4/5]", 6.2),
        ("[15 MOD 4.0]", 3.0),
        ("[2 or 2]", 1.0),
        ("round[-0.5001]", -1.0),
        ("fix[-0.499]", -1.0),
        ("fup[-0.5001]", 0.0),
        ("FIX[-2.8]", -3.0),
        ("FUP[-2.8]", -2.0),
        ("[2.0/3*1.5-5.5/11.0]", 0.5),
        (
            "[2+asin[1/2.1+-0.345]/[atan[fix[4.4]*2.1*sqrt[16.8]]/[-18]]**2]",
            2.000_545_078,
        ),
        ("[6-[4*3/2]]", 0.0),
    ] {
        let seen = both(
            &format!("G21 G90\nG0 X9 Y9 Z9\nG0 Y1 X{expression}\nM2\n"),
            2,
        );
        assert!(
            (seen[0].1[0] - value).abs() < 1e-9,
            "{expression}: {seen:?}"
        );
    }
    // 3.3: spaces and case; 3.3.3: settings act when the line has been read.
    let seen = both("G21 G90\nG0 Z0\ng0x +0. 12 34y 7\nM2\n", 2);
    same_ends(&seen, &[("rapid", [0.1234, 7.0, 0.0])]);
    let seen = both(
        "G21 G90 F1\n#3=15\nG0 X0 Y0 Z0\n#3=6 G1 x#3\nG1 X#3\nM2\n",
        3,
    );
    same_ends(
        &seen,
        &[("feed", [15.0, 0.0, 0.0]), ("feed", [6.0, 0.0, 0.0])],
    );
}

/// Table 8, and 3.3.4 and 3.3.5 of messages.
#[test]
fn published_order_of_execution() {
    let events = run("G21 G90 S500 M3\nt1 m6 m3 f20 s4000\nM2\n", &own(&[])).unwrap();
    let second: Vec<&Event> = events.iter().filter(|e| e.line == 2).collect();
    assert_eq!(second[0].did, Did::Change);
    assert_eq!((second[0].spindle, second[0].tool), (None, Some(1)));
    assert_eq!(second[1].spindle, Some((4000.0, true)));
    let events = run(
        "(a) ( m S g , turn it over ) (MSGnone)\n(MSG,first)(M S G, second)\nM2\n",
        &own(&[]),
    )
    .unwrap();
    let messages: Vec<&Did> = events.iter().map(|e| &e.did).collect();
    assert_eq!(messages, [&Did::Message("second".into()), &Did::End]);
}
