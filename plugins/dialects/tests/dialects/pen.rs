//! The pen language: its text, its reader, what it refuses, and planted faults. The language is the published one of plotters, from
//! memory; the expected places are computed by hand in units of 0.025 mm.

use crate::conforming::Planted;
use crate::{faults, read, read_as, write};
use grainway_dialects::conformance::{Outcome, conformance};
use grainway_dialects::{built_in, from_json, starter};
use grainway_geom::point;
use grainway_pipeline::dialect::{Action, DialectError, ProgramHead, ReadMove};
use grainway_pipeline::doc::Unit;
use grainway_pipeline::motion::{CutterChange, Item, Move, Spindle, StepStart};
use std::f64::consts::{PI, TAU};

const SAFE: f64 = 25.0;

fn rapid(x: f64, y: f64) -> Item {
    Item::Move(Move::rapid(point(x, y).at_z(SAFE)))
}

fn line(x: f64, y: f64, z: f64, feed: f64) -> Item {
    Item::Move(Move::line(point(x, y).at_z(z), feed))
}

fn cutter(by_hand: bool) -> Item {
    Item::Cutter(CutterChange {
        number: 2,
        id: "mill-3".into(),
        label: "3 mm end mill".into(),
        by_hand,
    })
}

/// A scribed right angle.
fn angle() -> Vec<Item> {
    vec![
        Item::RetractFull { safe_z: SAFE },
        cutter(true),
        Item::Step(StepStart {
            number: 1,
            label: "end / mark; \"E1\"".into(),
        }),
        rapid(12.5, -2.5),
        line(12.5, -2.5, -0.5, 300.0),
        line(50.0, -2.5, -0.5, 1900.0),
        line(50.0, 10.0126, -0.5, 1900.0),
        rapid(50.0, 10.0126),
        Item::RetractFull { safe_z: SAFE },
        rapid(0.0, 0.0),
    ]
}

#[test]
fn a_text_is_what_it_should_be() {
    let all = built_in();
    let (text, written) = write(all.get("pen-plot").unwrap(), Unit::Mm, &angle());
    // 12.5 / 0.025 = 500; 10.0126 / 0.025 = 400.504, rounded to 401; 1900 mm/min = 3.17 cm/s, rounded down to 3.
    let expected = "CO\"pen heights: up 25.000 mm, down -0.500 mm at 300.0 mm/min\";\n\
        CO\"01-board-1\";\nCO\"job: reading bench [cafe]\";\nIN;\nSP1;\nPA;\nPU;\nCO\"cutter 2: 3 mm end mill\";\n\
        CO\"step 1: end / mark, 'E1'\";\nPA;\nPU;\nPU500,-100;\nPD;\nVS3;\nPD2000,-100;\nPD2000,401;\nPU;\nPU0,0;\nSP0;\n";
    assert_eq!(text, expected);
    assert_eq!(written.restarts, [(1, 9)]);
    assert_eq!(written.lines, 19);
    assert!((written.rounding_mm - 0.0124).abs() < 1e-9);
    // The text counts in its own units, whatever the machine's program unit.
    let (inches, _) = write(all.get("pen-plot").unwrap(), Unit::Inch, &angle());
    assert_eq!(inches, text);
}

#[test]
fn it_reads_back_as_a_controller_would_run_it() {
    let text = "CO\"pen heights: up 20.000 mm, down -1.500 mm at 250.0 mm/min\"; IN;SP1;PA;\nPU400,0;VS2;PD400,40,800,40;PA800,80;\
                PU;PA0,0; SP0;\n";
    let events = read_as("pen-plot", text);
    assert_eq!(faults(&events), []);
    let seen: Vec<_> = events
        .iter()
        .map(|e| (e.action.clone(), e.to.x, e.to.y, e.to.z, e.feed))
        .collect();
    let (up, low) = (Some(20.0), Some(-1.5));
    assert_eq!(
        seen,
        [
            (Action::Rapid, None, None, up, None),
            (Action::Rapid, Some(10.0), Some(0.0), up, None),
            // 2 cm/s are 1200 mm/min.
            (Action::Line, Some(10.0), Some(0.0), low, Some(250.0)),
            (Action::Line, Some(10.0), Some(1.0), low, Some(1200.0)),
            (Action::Line, Some(20.0), Some(1.0), low, Some(1200.0)),
            (Action::Line, Some(20.0), Some(2.0), low, Some(1200.0)),
            (Action::Rapid, Some(20.0), Some(2.0), up, Some(1200.0)),
            (Action::Rapid, Some(0.0), Some(0.0), up, Some(1200.0)),
            (Action::End, Some(0.0), Some(0.0), up, Some(1200.0)),
        ]
    );
}

#[test]
fn what_no_controller_should_get_is_a_fault() {
    let heights = "CO\"pen heights: up 20.000 mm, down -1.500 mm at 250.0 mm/min\";";
    for (text, code) in [
        ("PA;PU;PU0,0;SP0;", "no-heights"),
        (
            "CO\"pen heights: up 20.000 mm\";PA;PU0,0;PD;SP0;",
            "no-heights",
        ),
        ("H IN;PU0,0;SP0;", "no-absolute"),
        ("H PA;PA0,0;SP0;", "pen-unknown"),
        ("H PA;PU0,0;IN;PA;PA5,5;SP0;", "pen-unknown"),
        ("H PA;PU0;SP0;", "odd-numbers"),
        ("H PA;PU0.5,0;SP0;", "not-whole"),
        ("H PA;PU8388608,0;SP0;", "out-of-range"),
        ("H PA;PU99999999999999999999,0;SP0;", "out-of-range"),
        ("H PA;PU0,0\nPD;SP0;", "no-terminator"),
        ("H PA;PR5,5;SP0;", "not-in-dialect"),
        ("H PA;VS0;SP0;", "speed"),
        ("H PA;VS1.5;SP0;", "speed"),
        ("H PA;PU0,0;", "no-end"),
        ("H PA;SP0;PU0,0;", "after-end"),
        ("H PA;CO\"open;SP0;", "remark"),
        ("H PA;PU\u{e4};SP0;", "character"),
        ("CO\"pen heights: up high\";SP0;", "pen-heights"),
        (
            "CO\"pen heights: up 1.000 mm, down 2.000 mm at 9.0 mm/min\";SP0;",
            "pen-heights",
        ),
        ("H CO\"pen heights: up 21.000 mm\";SP0;", "pen-heights"),
    ] {
        let text = text.replace('H', heights);
        let found = faults(&read_as("pen-plot", &text));
        assert!(found.iter().any(|f| f.1 == code), "{text}: {found:?}");
    }
}

fn refused(items: Vec<Item>) -> String {
    let head = ProgramHead {
        name: "p".into(),
        number: 1,
        remarks: vec![],
        unit: Unit::Mm,
        safe_z: SAFE,
    };
    let all = built_in();
    let mut out = Vec::new();
    let done = all
        .get("pen-plot")
        .unwrap()
        .write(&head, &mut items.into_iter(), &mut out);
    match done {
        Err(DialectError::Unsupported { what, remedy, .. }) => format!("{what} | {remedy}"),
        other => panic!("{other:?}"),
    }
}

#[test]
fn what_it_cannot_say_is_refused_with_what_to_do() {
    let down = || {
        vec![
            Item::RetractFull { safe_z: SAFE },
            rapid(0.0, 0.0),
            line(0.0, 0.0, -1.0, 300.0),
        ]
    };
    let with = |items: Vec<Item>| [down(), items].concat();
    let arc = |dz: f64| {
        Item::Move(Move::Arc {
            centre: point(5.0, 0.0),
            sweep: PI,
            dz,
            feed: 1800.0,
        })
    };
    let spindle = Item::Spindle(Some(Spindle {
        rpm: 18000.0,
        clockwise: true,
    }));
    let hole = Item::Move(Move::Hole {
        at: point(5.0, 5.0),
        retract: 2.0,
        bottom: -1.0,
        peck: None,
        feed: 300.0,
    });
    let step = Item::Step(StepStart {
        number: 1,
        label: "x".into(),
    });
    let pause = Item::Pause {
        message: "turn".into(),
    };
    let low_rapid = Item::Move(Move::rapid(point(0.0, 0.0).at_z(2.0)));
    for (items, what, remedy) in [
        (vec![spindle], "spindle", "spindle: hand"),
        (vec![pause], "a pause", "screws"),
        (vec![Item::Dwell { seconds: 4.0 }], "a wait", "wait before"),
        (vec![cutter(false)], "cutter change", "cutter-change: hand"),
        (vec![step, cutter(true)], "by hand", "one program a cutter"),
        (vec![rapid(0.0, 0.0), hole], "a drilled hole", "by hand"),
        (
            with(vec![line(9.0, 0.0, -1.5, 1800.0)]),
            "a ramp",
            "entry: plunge",
        ),
        (with(vec![arc(-0.5)]), "a ramp", "skin: true"),
        (
            with(vec![line(0.0, 0.0, -2.0, 300.0)]),
            "a second depth, -2.000 mm after -1.000 mm",
            "last-pass",
        ),
        (
            with(vec![
                rapid(0.0, 0.0),
                rapid(5.0, 5.0),
                line(5.0, 5.0, -2.0, 300.0),
            ]),
            "a second depth",
            "one pass",
        ),
        (
            with(vec![line(9.0, 0.0, -1.0, 599.0)]),
            "a feed of 599",
            "faster feed",
        ),
        (
            vec![rapid(300_000.0, 0.0)],
            "a place 300000.0 mm",
            "move the zero",
        ),
        (
            vec![low_rapid],
            "a rapid move to another height",
            "knows heights",
        ),
        (
            vec![rapid(0.0, 0.0), line(9.0, 0.0, SAFE, 1800.0)],
            "a cut at the safe height",
            "knows heights",
        ),
        (
            vec![Item::RetractFull { safe_z: 30.0 }],
            "a second safe height",
            "knows heights",
        ),
    ] {
        let said = refused(items);
        assert!(said.contains(what) && said.contains(remedy), "{said}");
    }
}

/// Chords of a circle keep the tolerance: e = R (1 − cos(π/n)) for n chords, computed here from the text alone.
#[test]
fn arcs_become_chords_within_the_tolerance() {
    let all = built_in();
    let items = vec![
        rapid(50.0, 0.0),
        line(50.0, 0.0, -1.0, 300.0),
        Item::Move(Move::Arc {
            centre: point(0.0, 0.0),
            sweep: -TAU,
            dz: 0.0,
            feed: 1800.0,
        }),
    ];
    let (text, _) = write(all.get("pen-plot").unwrap(), Unit::Mm, &items);
    let events = read(all.get("pen-plot").unwrap(), &text);
    let cuts: Vec<&ReadMove> = events.iter().filter(|e| e.action == Action::Line).collect();
    let n = (cuts.len() - 1) as f64;
    assert!(50.0 * (1.0 - (PI / n).cos()) <= 0.001, "{n} chords");
    // No more than needed, either.
    assert!(50.0 * (1.0 - (PI / (n - 2.0)).cos()) > 0.001, "{n} chords");
    for e in &cuts[1..] {
        let (x, y) = (e.to.x.unwrap(), e.to.y.unwrap());
        assert!((x.hypot(y) - 50.0).abs() <= 0.0125 * 2f64.sqrt() + 1e-9);
    }
    // Clockwise: it goes below the axis first.
    assert!(cuts[1].to.y.unwrap() < 0.0);
    assert_eq!((cuts[cuts.len() - 1].to.x, n > 400.0), (Some(50.0), true));
}

const OWN: &str = r#"{"format": "grainway.dialect/1", "name": "own", "version": 1, "extends": "pen-plot",
    "summary": "A pen language that cannot say feeds, in hundredths of a millimetre.", "axes": {"x": "Y", "y": "-X"},
    "pen": {"speed": null, "unit-mm": 0.01, "start": ["IN", "AB"], "step-start": ["AB"], "end": "NR", "absolute": "AB", "up": "U",
            "down": "D", "separator": " ", "terminator": ":", "remark": {"open": "'", "close": "'"}, "line-end": "cr-lf"}}"#;

#[test]
fn another_pen_language_is_a_matter_of_data() {
    let own = from_json(OWN).unwrap();
    let table = conformance(own.as_ref());
    assert!(table.passed(), "{:?}", table.failed());
    let (text, _) = write(own.as_ref(), Unit::Mm, &angle());
    // The setup's x goes along Y, its y against X; one feed, said at the beginning.
    let first = "'pen heights: up 25.000 mm, down -0.500 mm at 300.0 mm/min, cutting at 1900.0 mm/min':\r\n";
    assert!(
        text.starts_with(first) && text.contains("D250 5000:\r\n"),
        "{text}"
    );
    let events = read(own.as_ref(), &text);
    assert_eq!(faults(&events), []);
    let last_cut = events.iter().rfind(|e| e.action == Action::Line).unwrap();
    assert_eq!(
        (last_cut.to.x, last_cut.to.y, last_cut.feed),
        (Some(50.0), Some(10.01), Some(1900.0))
    );
}

#[test]
fn pen_files_are_checked() {
    let file = |keys: &str| {
        let text = format!(
            r#"{{"format": "grainway.dialect/1", "name": "own", "version": 1, "extends": "pen-plot", "summary": "x", {keys}}}"#
        );
        from_json(&text)
            .err()
            .unwrap_or_default()
            .into_iter()
            .map(|p| p.pointer)
            .collect::<Vec<_>>()
    };
    for (keys, pointer) in [
        (r#""pen": {"unit-mm": 0.1}"#, "/pen/unit-mm"),
        (r#""pen": {"largest": 10}"#, "/pen/largest"),
        (r#""pen": {"start": ["IN"]}"#, "/pen/start"),
        (r#""pen": {"start": ["PA", "in;"]}"#, "/pen/start/1"),
        (r#""pen": {"start": ["PA", "PU"]}"#, "/pen/up"),
        (r#""pen": {"up": "PD"}"#, "/pen/down"),
        (r#""pen": {"up": "P"}"#, "/pen/up"),
        (r#""pen": {"end": "PD1"}"#, "/pen/down"),
        (r#""pen": {"end": "SP1"}"#, "/pen/end"),
        (r#""pen": {"separator": "-"}"#, "/pen/separator"),
        (r#""pen": {"terminator": ","}"#, "/pen/terminator"),
        (
            r#""pen": {"remark": {"open": "PU\"", "close": "\""}}"#,
            "/pen/remark/open",
        ),
        (
            r#""pen": {"remark": {"open": "CO", "close": "x"}}"#,
            "/pen/remark/close",
        ),
        (
            r#""pen": {"speed": {"decimals": 9}}"#,
            "/pen/speed/decimals",
        ),
        (r#""chord-tolerance-mm": 0.01"#, "/chord-tolerance-mm"),
        (r#""axes": {"x": "Y"}"#, "/axes"),
        (r#""pen": {"colour": 1}"#, ""),
        (r#""cycles": null, "lines": {}"#, ""),
    ] {
        let found = file(keys);
        assert!(found.contains(&pointer.into()), "{keys}: {found:?}");
    }
}

#[test]
fn a_starter_of_a_pen_language_conforms() {
    let text = starter("own-pen", "pen-plot").unwrap();
    assert!(text.contains("\"// pen\": \"The pen language's instructions."));
    let own = from_json(&text).unwrap();
    assert_eq!(own.about().name, "own-pen");
    assert!(conformance(own.as_ref()).passed());
}

// ---- planted faults

/// The words and numbers of an instruction that goes to a place.
fn place(line: &str) -> Option<(&str, i64, i64)> {
    let (x, y) = line.get(2..)?.strip_suffix(';')?.split_once(',')?;
    Some((line.get(..2)?, x.parse().ok()?, y.parse().ok()?))
}

fn moved(line: &str, to: impl Fn(i64, i64) -> (i64, i64)) -> String {
    match place(line) {
        Some((word, x, y)) => {
            let (x, y) = to(x, y);
            format!("{word}{x},{y};")
        }
        None => line.to_string(),
    }
}

type Plant = (&'static str, &'static str, fn(&str) -> String);

/// What is planted, and the check that is for it.
const PLANTS: [Plant; 15] = [
    ("up and down swapped", "rapid-moves", |l| match l.get(..2) {
        Some("PU") => format!("PD{}", &l[2..]),
        Some("PD") => format!("PU{}", &l[2..]),
        _ => l.to_string(),
    }),
    ("x and y swapped", "straight-moves", |l| {
        moved(l, |x, y| (y, x))
    }),
    ("thousandths of an inch as units", "straight-moves", |l| {
        let other = |n: i64| (n as f64 * 0.025 / 0.0254).round() as i64;
        moved(l, |x, y| (other(x), other(y)))
    }),
    ("pen not raised before a way", "rapid-moves", |l| match l {
        "PU;" => "-".into(),
        l => l.replacen("PU", "PA", 1),
    }),
    ("no terminator", "straight-moves", |l| match place(l) {
        Some(_) => l.trim_end_matches(';').to_string(),
        None => l.to_string(),
    }),
    ("chords too coarse", "arc-directions", |l| match place(l) {
        Some(("PD", x, y)) if (x + y) % 3 != 0 => "-".into(),
        _ => l.to_string(),
    }),
    ("arcs the other way round", "arc-directions", |l| {
        moved(l, |x, y| (x, -y))
    }),
    ("whole places cut off", "rounding", |l| {
        moved(l, |x, y| (x - 1, y))
    }),
    ("heights not said", "first-height", |l| {
        match l.contains("pen heights") {
            true => "-".into(),
            false => l.to_string(),
        }
    }),
    ("another depth", "one-depth", |l| {
        l.replace("down 10.000", "down 9.000")
    }),
    ("millimetres a second", "feeds", |l| {
        match l.strip_prefix("VS").and_then(|n| n.strip_suffix(';')) {
            Some(n) => format!("VS{n}0;"),
            None => l.to_string(),
        }
    }),
    ("feed downwards left out", "feeds", |l| {
        l.replace("at 300.0", "at 900.0")
    }),
    ("speed not said", "feeds", |l| match l.starts_with("VS") {
        true => "-".into(),
        false => l.to_string(),
    }),
    ("the end is missing", "empty-program", |l| match l {
        "SP0;" => "-".into(),
        l => l.to_string(),
    }),
    ("remark not closed", "remarks", |l| {
        match l.starts_with("CO\"step") {
            true => l.replace("\";", ";"),
            false => l.to_string(),
        }
    }),
];

#[test]
fn planted_faults_are_named_by_their_check() {
    let mut missed = Vec::new();
    for (what, check, plant) in PLANTS {
        let planted = Planted {
            good: from_json(include_str!("../../data/pen-plot.json")).unwrap(),
            plant,
        };
        let table = conformance(&planted);
        if !table.failed().contains(&check) {
            missed.push(format!("{what}: {check}, but {:?}", table.failed()));
        }
    }
    assert!(missed.is_empty(), "{missed:#?}");
    let table = conformance(built_in().get("pen-plot").unwrap());
    let absent = table.rows.iter().filter(|r| r.outcome == Outcome::Absent);
    let absent: Vec<&str> = absent.map(|r| r.check).collect();
    assert_eq!(
        absent,
        [
            "helices",
            "drilling",
            "pecks",
            "ramps",
            "passes",
            "spindle",
            "spindle-waits",
            "pause",
            "cutter-change"
        ]
    );
}

/// The language whose words set the heights; its places and heights are in units of 0.01 mm.
fn with_heights() -> std::sync::Arc<dyn grainway_pipeline::dialect::Dialect> {
    from_json(&crate::cases::case("pen-with-heights")).unwrap()
}

/// A ramp of four units over 8 mm is a stair: half a step, three whole ones, half a step, each a unit lower. It passes the middles between
/// heights where the ramp does: after 1, 3, 5 and 7 mm.
#[test]
fn a_ramp_is_a_stair_of_one_unit() {
    let items = vec![
        Item::RetractFull { safe_z: SAFE },
        Item::Spindle(Some(Spindle {
            rpm: 18_000.0,
            clockwise: true,
        })),
        Item::Dwell { seconds: 4.0 },
        Item::Step(StepStart {
            number: 1,
            label: "top".into(),
        }),
        rapid(10.0, 10.0),
        line(10.0, 10.0, -0.5, 300.0),
        line(18.0, 10.0, -0.54, 1800.0),
        line(18.0, 12.0, -0.54, 1800.0),
        rapid(18.0, 12.0),
        Item::Spindle(None),
    ];
    let dialect = with_heights();
    let (text, _) = write(dialect.as_ref(), Unit::Mm, &items);
    let step = text.split("RS 18000;\n").nth(2).unwrap();
    let wanted = "ZH 2500;PU;PU 1000,1000;VZ 5;ZL -50;PD;VZ 1;VS 30;PD 1100,1000;ZL -51;PD;PD 1300,1000;ZL -52;PD;PD 1500,1000;\
                  ZL -53;PD;PD 1700,1000;ZL -54;PD;PD 1800,1000;PD 1800,1200;PU;RS0;NR;";
    assert_eq!(step.replace('\n', ""), wanted);
    assert!(text.contains("WT 4000;\n"));
    let events = read(dialect.as_ref(), &text);
    assert_eq!(faults(&events), []);
    let cuts: Vec<&ReadMove> = events.iter().filter(|e| e.action == Action::Line).collect();
    assert!(cuts.iter().all(|e| e.spindle.is_some()));
    assert_eq!(cuts[0].feed, Some(300.0));
}

#[test]
fn heights_are_said_and_reached_before_the_pen_goes_on() {
    let dialect = with_heights();
    for (text, code) in [
        ("IN;PA;PU;NR;", "no-heights"),
        ("IN;PA;ZH 500;PU 10,10;NR;", "height-on-the-way"),
        (
            "IN;PA;ZH 500;PU;PU 10,10;ZL 5;PD 20,20;NR;",
            "height-on-the-way",
        ),
        ("IN;PA;ZH 500;PU;ZL 1.5;PD;NR;", "not-whole"),
        ("IN;PA;ZH 5000000000;PU;NR;", "out-of-range"),
        ("IN;PA;VZ 1.5;NR;", "speed"),
        ("IN;PA;RS -5;NR;", "bad-value"),
        ("IN;PA;WT -5;NR;", "bad-value"),
    ] {
        let found = faults(&read(dialect.as_ref(), text));
        assert!(found.iter().any(|f| f.1 == code), "{text}: {found:?}");
    }
    assert_eq!(
        faults(&read(
            dialect.as_ref(),
            "IN; PA; ZH500; PU; PU10,10; VZ5; ZL-5; PD; VS30; PD20,20; PU; NR;"
        )),
        []
    );
}

#[test]
fn contradictions_of_heights_are_refused() {
    for (keys, pointer) in [
        (r#""speed": null"#, "/pen/speed"),
        (r#""heights": {"up": "PU"}"#, "/pen/heights/up"),
        (
            r#""heights": {"feed": {"decimals": 9}}"#,
            "/pen/heights/feed/decimals",
        ),
        (r#""spindle": {"word": "VS"}"#, "/pen/spindle/word"),
        (r#""spindle": {"stop": "rs"}"#, "/pen/spindle/stop"),
        (r#""wait": {"unit": "minutes"}"#, "/pen/wait/unit"),
        (r#""wait": {"word": "ZH1"}"#, "/pen/wait/word"),
    ] {
        let mut file: serde_json::Value =
            serde_json::from_str(&crate::cases::case("pen-with-heights")).unwrap();
        let own: serde_json::Value = serde_json::from_str(&format!("{{{keys}}}")).unwrap();
        grainway_pipeline::chain::overlay(&mut file["pen"], &own);
        let problems = from_json(&file.to_string()).err().unwrap_or_default();
        assert!(
            problems.iter().any(|p| p.pointer == pointer),
            "{keys}: {problems:#?}"
        );
    }
}
