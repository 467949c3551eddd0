//! What is done with arbitrary bytes, once for the fuzzer (`tests/fuzz`) and once for the smoke run that needs none.
//!
//! A function returns when the bytes were taken or refused as they should be, and panics when a promise is broken. It knows nothing
//! of the fuzzer and depends on the pipeline, the stages, the dialects and the plugins' host only, so that an instrumented build
//! stays small.
#![allow(
    clippy::panic,
    reason = "a broken promise ends the run, which is how a fuzzer hears of it"
)]

use grainway_geom::{Point, Point3, point};
use grainway_pipeline::dialect::{
    Action, Dialect, DialectError, Known, ProgramHead, ReadEnd, ReadMove,
};
use grainway_pipeline::doc::{self, Job, Shop, Unit};
use grainway_pipeline::motion::{CutterChange, Item, Move, Spindle, StepStart};
use grainway_pipeline::stage::{
    Cancel, Cx, Dialects, FileProblem, Files, MemorySpool, Settings, Silent,
};
use grainway_pipeline::work::{Documents, Work};
use serde::Serialize;
use serde::de::DeserializeOwned;
use serde_json::{Map, Value, json};
use std::f64::consts::TAU;
use std::ops::ControlFlow;
use std::sync::{Arc, OnceLock};

/// A target of fuzzing.
pub struct Target {
    /// Also the name of its binary in `tests/fuzz`.
    pub name: &'static str,
    /// Takes bytes; panics when a promise is broken.
    pub run: fn(&[u8]),
    /// Words that mean something to what is tested.
    pub words: &'static [&'static str],
}

/// All targets.
pub const TARGETS: [Target; 5] = [
    Target {
        name: "dialect_file",
        run: dialect_file,
        words: &DIALECT_WORDS,
    },
    Target {
        name: "program_reader",
        run: program_reader,
        words: &PROGRAM_WORDS,
    },
    Target {
        name: "drawing",
        run: drawing,
        words: &DRAWING_WORDS,
    },
    Target {
        name: "job_json",
        run: job_json,
        words: &DOCUMENT_WORDS,
    },
    Target {
        name: "plugin_boundary",
        run: plugin_boundary,
        words: &grainway_host::puppet::WORDS,
    },
];

// ---- dialect files

const DIALECT_WORDS: [&str; 28] = [
    "null",
    "true",
    "false",
    "360.0",
    "1e999",
    "-1",
    "\"G0\"",
    "\"G99\"",
    "\"{units} G17\"",
    "\"{cutter}\"",
    "\"%\"",
    "\"\"",
    "\"extends\"",
    "\"rs274-lean\"",
    "\"lines\"",
    "\"arcs\"",
    "\"cycles\"",
    "\"numbers\"",
    "\"modal\"",
    "\"language\"",
    "\"block-numbers\"",
    "\"semicolon\"",
    "\"cr-lf\"",
    "\"milliseconds\"",
    "\"pen-plot\"",
    "\"pen\"",
    "\"PU\"",
    "\"PD\"",
];

/// A dialect file, as JSON text or as a series of changes of a built-in one. One that is accepted, and whose first program reads
/// back, must read back whatever it writes.
pub fn dialect_file(bytes: &[u8]) {
    let text = String::from_utf8_lossy(bytes);
    let mut rest = Source::new(bytes);
    let texts = match serde_json::from_str::<Value>(&text) {
        Ok(Value::Object(file)) if !file.contains_key("extends") => {
            rest = Source::new(&[]);
            built_in()
                .names()
                .map(|name| extended(name, file.clone()))
                .collect()
        }
        Ok(_) => vec![text.into_owned()],
        Err(_) => vec![text.into_owned(), changed(&mut rest)],
    };
    for text in texts {
        if let Ok(dialect) = grainway_dialects::from_json(&text) {
            try_dialect(&text, dialect.as_ref(), &mut rest.clone());
        }
    }
}

fn extended(name: &str, mut file: Map<String, Value>) -> String {
    file.insert("extends".into(), json!(name));
    Value::Object(file).to_string()
}

/// A file that changes some keys of a built-in dialect.
fn changed(source: &mut Source<'_>) -> String {
    static KEYS: OnceLock<Vec<Key>> = OnceLock::new();
    let keys = KEYS.get_or_init(|| {
        let (schema, mut keys) = (grainway_dialects::schema(), Vec::new());
        gather(&schema, &schema, "", &mut keys);
        keys
    });
    let names: Vec<String> = built_in().names().map(String::from).collect();
    let mut file = json!({
        "format": "grainway.dialect/1", "name": "changed", "version": 1, "summary": "",
        "extends": names[source.below(names.len())],
    });
    for _ in 0..1 + source.below(6) {
        let key = &keys[source.below(keys.len())];
        put(&mut file, &key.pointer, some_value(source, key));
    }
    file.to_string()
}

/// A key of dialect files, and what its schema says of its value.
struct Key {
    pointer: String,
    schema: Value,
}

/// Every key of a schema, those that hold others included.
fn gather(all: &Value, schema: &Value, at: &str, found: &mut Vec<Key>) {
    for inner in branches(all, schema) {
        let properties = inner.get("properties").and_then(Value::as_object);
        for (key, of) in properties.into_iter().flatten() {
            if at.is_empty()
                && ["format", "name", "version", "extends", "summary"].contains(&key.as_str())
            {
                continue;
            }
            let pointer = format!("{at}/{key}");
            gather(all, of, &pointer, found);
            let schema = json!({ "anyOf": branches(all, of) });
            found.push(Key { pointer, schema });
        }
    }
}

/// The schema behind references and alternatives.
fn branches<'a>(all: &'a Value, schema: &'a Value) -> Vec<&'a Value> {
    if let Some(name) = schema.get("$ref").and_then(Value::as_str) {
        return all
            .pointer(name.trim_start_matches('#'))
            .map_or_else(Vec::new, |s| branches(all, s));
    }
    match ["anyOf", "oneOf"]
        .iter()
        .find_map(|k| schema.get(k)?.as_array())
    {
        Some(list) => list.iter().flat_map(|s| branches(all, s)).collect(),
        None => vec![schema],
    }
}

fn put(file: &mut Value, pointer: &str, value: Value) {
    let mut at = file;
    for key in pointer.split('/').skip(1) {
        if !at.is_object() {
            *at = json!({});
        }
        at = &mut at[key];
    }
    *at = value;
}

/// A value, mostly of a kind that may stand there.
fn some_value(source: &mut Source<'_>, key: &Key) -> Value {
    const WORDS: [&str; 47] = [
        "G0",
        "G1",
        "G00",
        "G2",
        "G3",
        "G4",
        "G17",
        "G20",
        "G21",
        "G40",
        "G43 H{{ cutter }}",
        "G53 G0 Z0.",
        "G80",
        "G81",
        "G83",
        "G90",
        "G91",
        "G98",
        "G99",
        "M0",
        "M1",
        "M2",
        "M3",
        "M5",
        "M6",
        "M30",
        "T{{ cutter }} M6",
        "%",
        "{{ units }}",
        "{{ units }} G90",
        "{{ name }}",
        "{{ number }}",
        "",
        " ",
        "(remark)",
        "; remark",
        "XYZ",
        "NGXYZIJRQFSTHPM",
        ".nc",
        "-x",
        "+y",
        "{{ name[3:] | upper }}",
        "{{ 'x' * number | int * 99 }}",
        "{% for i in range(9999) %}{% endfor %}",
        "{{ 1 / 0 }}",
        "{# a #}",
        "GGGGGGGGGGGGGGGGGGGGGGGGGGGGGGGGGGGGGGGGGGGGGG",
    ];
    let word = |source: &mut Source<'_>| json!(WORDS[source.below(WORDS.len())]);
    let branches = key.schema["anyOf"]
        .as_array()
        .map_or(&[][..], Vec::as_slice);
    if branches.is_empty() || source.below(16) == 15 {
        return word(source);
    }
    let branch = &branches[source.below(branches.len())];
    if let Some(value) = branch.get("const") {
        return value.clone();
    }
    if let Some(list) = branch.get("enum").and_then(Value::as_array) {
        return list[source.below(list.len())].clone();
    }
    let kind = match &branch["type"] {
        Value::Array(kinds) => kinds[source.below(kinds.len())].as_str(),
        kind => kind.as_str(),
    };
    match kind {
        Some("null") => Value::Null,
        Some("boolean") => json!(source.below(2) == 1),
        Some("integer") => json!([source.below(8), source.below(400), 99_999][source.below(3)]),
        Some("number") => {
            json!([source.between(-1.0, 400.0), source.between(0.0, 1.0), 360.0][source.below(3)])
        }
        Some("array") => (0..source.below(4)).map(|_| word(source)).collect(),
        Some("object") => json!({}),
        _ => word(source),
    }
}

/// Writes a program with everything that the dialect says it can do; when that reads back, so must another.
fn try_dialect(file: &str, dialect: &dyn Dialect, source: &mut Source<'_>) {
    for unit in [Unit::Mm, Unit::Inch] {
        let able = Able::of(dialect, unit);
        let first = write(dialect, unit, &first_program(&able));
        let Some(text) = first else { continue };
        if complaint(dialect, &first_program(&able), &text).is_some() {
            continue;
        }
        let items = some_program(source, &able);
        if let Some(text) = write(dialect, unit, &items)
            && let Some(why) = complaint(dialect, &items, &text)
        {
            panic!("{unit:?}: {why}\n{items:#?}\n{text}\n{file}");
        }
    }
}

/// The text, unless the dialect cannot express the items.
fn write(dialect: &dyn Dialect, unit: Unit, items: &[Item]) -> Option<String> {
    let head = ProgramHead {
        name: "01-board".into(),
        number: 1,
        remarks: vec!["job: shelf (oak)".into()],
        unit,
        safe_z: SAFE_Z_MM,
    };
    let mut out = Vec::new();
    match dialect.write(&head, &mut items.iter().cloned(), &mut out) {
        Ok(written) => {
            let text =
                String::from_utf8(out).unwrap_or_else(|e| panic!("the text is not UTF-8: {e}"));
            assert_eq!(
                written.lines,
                text.lines().count() as u64,
                "lines of\n{text}"
            );
            assert!(written.rounding_mm.is_finite(), "rounding of\n{text}");
            Some(text)
        }
        Err(DialectError::Unsupported { .. } | DialectError::Plan(_)) => None,
        Err(DialectError::Io(e)) => panic!("writing to memory failed: {e}"),
        Err(DialectError::Plugin(what)) => panic!("data has no plugin: {what}"),
    }
}

/// Nearer than this, mm, a place that was read is the planned one: rounding, and what becomes of hairs of arcs.
const SAME_PLACE_MM: f64 = 0.05;

/// What is wrong with a text that was read back, if anything.
fn complaint(dialect: &dyn Dialect, items: &[Item], text: &str) -> Option<String> {
    let longest = dialect.about().line_length;
    if longest != 0
        && let Some(line) = text.lines().find(|l| l.len() > longest)
    {
        return Some(format!("too long: {line}"));
    }
    let mut places: Vec<Point3> = Vec::new();
    let mut cuts: Vec<ReadMove> = Vec::new();
    let mut fault = None;
    read(dialect, text.as_bytes(), &mut |m| {
        match m.action {
            Action::Fault { .. } => fault = fault.take().or(Some(format!("{m:?}"))),
            Action::Rapid | Action::Line | Action::Arc { .. } => places.extend(m.to.point()),
            _ => {}
        }
        if matches!(m.action, Action::Line | Action::Arc { .. }) {
            cuts.push(m);
        }
        true
    });
    if fault.is_some() {
        return fault;
    }
    // Every place that a move is to reach is reached, in order.
    let mut next = 0;
    let mut at = point(0.0, 0.0).at_z(0.0);
    for item in items {
        let Item::Move(m) = item else { continue };
        // An arc's middle tells which way round it went.
        if let Move::Arc { centre, sweep, .. } = *m {
            let middle = centre + (at.xy() - centre).rotated(sweep / 2.0);
            let short = at.xy().distance(centre) * sweep.abs() < 4.0 * SAME_PLACE_MM;
            if !short && !cuts.iter().any(|c| passes(c, middle)) {
                return Some(format!("{m:?} is not followed"));
            }
        }
        let p = match *m {
            Move::Hole { at, bottom, .. } => at.at_z(bottom),
            _ => m.end(at),
        };
        at = m.end(at);
        let near = |q: &Point3| q.xy().distance(p.xy()).hypot(q.z - p.z) < SAME_PLACE_MM;
        // A cut too small to be written ends where the move before it did.
        let from = usize::saturating_sub(next, 1);
        match places[from..].iter().position(near) {
            Some(k) => next = from + k + 1,
            None => return Some(format!("{m:?} is never reached")),
        }
    }
    None
}

/// A cut goes over a place, seen from above.
fn passes(cut: &ReadMove, p: Point) -> bool {
    let (Some(a), Some(b)) = (cut.from.point(), cut.to.point()) else {
        return false;
    };
    let (a, b) = (a.xy(), b.xy());
    // A chord may lie beside its arc by a little more.
    let near = 4.0 * SAME_PLACE_MM;
    if a.distance(p) < near || b.distance(p) < near {
        return true;
    }
    match cut.action {
        Action::Arc { centre, sweep, .. } => {
            let turn = (p - centre).angle() - (a - centre).angle();
            let turn = if sweep > 0.0 { turn } else { -turn }.rem_euclid(TAU);
            turn <= sweep.abs() && (p.distance(centre) - a.distance(centre)).abs() < near
        }
        _ => {
            let along = (p - a).dot(b - a) / (b - a).dot(b - a);
            (0.0..=1.0).contains(&along) && a.lerp(b, along).distance(p) < near
        }
    }
}

/// What a dialect can express; found by trying.
struct Able {
    changes: bool,
    pauses: bool,
    spindle: bool,
    backwards: bool,
    dwells: bool,
    /// Only one depth, and one feed.
    flat: bool,
}

impl Able {
    fn of(dialect: &dyn Dialect, unit: Unit) -> Able {
        let can = |item: Item| write(dialect, unit, &[item]).is_some();
        let spindle = |clockwise| {
            Item::Spindle(Some(Spindle {
                rpm: 1.0,
                clockwise,
            }))
        };
        Able {
            changes: dialect.about().cutter_change,
            pauses: dialect.about().pauses,
            spindle: can(spindle(true)),
            backwards: can(spindle(false)),
            dwells: can(Item::Dwell { seconds: 1.0 }),
            flat: dialect.about().pen.is_some(),
        }
    }
    /// The items as a language of one depth can have them.
    fn flattened(&self, items: Vec<Item>) -> Vec<Item> {
        const DEPTH_MM: f64 = 12.0;
        if !self.flat {
            return items;
        }
        let mut at = point(0.0, 0.0);
        let mut down = false;
        let mut flat = Vec::new();
        for item in items {
            let Item::Move(m) = item else {
                flat.push(item);
                continue;
            };
            let cuts = matches!(m, Move::Line { .. } | Move::Arc { .. });
            if cuts && !down {
                flat.push(Item::Move(Move::line(at.at_z(DEPTH_MM), 300.0)));
            }
            down = cuts;
            let m = match m {
                Move::Line { to, .. } => Move::line(to.xy().at_z(DEPTH_MM), 1800.0),
                Move::Arc { centre, sweep, .. } => Move::Arc {
                    centre,
                    sweep,
                    dz: 0.0,
                    feed: 1800.0,
                },
                Move::Rapid { to } => Move::rapid(to.xy().at_z(SAFE_Z_MM)),
                Move::Hole { at, .. } => Move::rapid(at.at_z(SAFE_Z_MM)),
            };
            at = m.end(at.at_z(SAFE_Z_MM)).xy();
            flat.push(Item::Move(m));
        }
        flat
    }
    fn allows(&self, item: &Item) -> bool {
        match item {
            Item::Spindle(Some(s)) => self.spindle && (s.clockwise || self.backwards),
            Item::Spindle(None) => self.spindle,
            Item::Pause { .. } => self.pauses,
            Item::Dwell { .. } => self.dwells,
            _ => true,
        }
    }
}

const SAFE_Z_MM: f64 = 25.0;

fn opening(able: &Able, number: u32) -> Vec<Item> {
    let spindle = Spindle {
        rpm: 18_000.0,
        clockwise: true,
    };
    let items = vec![
        Item::RetractFull { safe_z: SAFE_Z_MM },
        Item::Cutter(CutterChange {
            number,
            id: "mill".into(),
            label: "6 mm end mill".into(),
            by_hand: !able.changes,
        }),
        Item::RetractFull { safe_z: SAFE_Z_MM },
        Item::Spindle(Some(spindle)),
        Item::Dwell { seconds: 4.0 },
        Item::Step(StepStart {
            number: 1,
            label: "leg#1 / mortise".into(),
        }),
    ];
    items.into_iter().filter(|i| able.allows(i)).collect()
}

fn ending(able: &Able) -> Vec<Item> {
    let items = [
        Item::RetractFull { safe_z: SAFE_Z_MM },
        Item::Spindle(None),
        Item::Dwell { seconds: 4.0 },
        Item::Move(Move::rapid(point(12.5, 480.25).at_z(SAFE_Z_MM))),
        Item::Pause {
            message: "Drive 4 screws".into(),
        },
        Item::RetractFull { safe_z: SAFE_Z_MM },
    ];
    items.into_iter().filter(|i| able.allows(i)).collect()
}

/// A program that says everything once.
fn first_program(able: &Able) -> Vec<Item> {
    let rapid = |x: f64, y: f64, z: f64| Item::Move(Move::rapid(point(x, y).at_z(z)));
    let line =
        |x: f64, y: f64, z: f64, feed: f64| Item::Move(Move::line(point(x, y).at_z(z), feed));
    let arc = |x: f64, y: f64, sweep: f64, dz: f64| {
        let centre = point(x, y);
        Item::Move(Move::Arc {
            centre,
            sweep,
            dz,
            feed: 1800.0,
        })
    };
    let hole = |x: f64, bottom: f64, peck: Option<f64>| {
        let at = point(x, -4.5);
        Item::Move(Move::Hole {
            at,
            retract: 21.0,
            bottom,
            peck,
            feed: 300.0,
        })
    };
    let mut items = opening(able, 3);
    items.extend([
        rapid(10.0, 20.0, SAFE_Z_MM),
        rapid(10.0, 20.0, 21.0),
        line(10.0, 20.0, 15.0, 600.0),
        line(-30.25, 20.0, 15.0, 1800.0),
        line(-30.25, 20.0, 15.0 - 1e-7, 1800.0),
        arc(-20.0, 30.0, 1.5, 0.0),
        arc(-20.0, 35.0, -TAU, 0.0),
        arc(-20.0, 35.0, 9.0, -3.0),
        arc(-21.0, 33.0, -3.5, 1.0),
        line(100.125, 100.0, 12.3456, 2400.5),
        rapid(100.125, 100.0, SAFE_Z_MM),
        hole(200.0, 2.0, None),
        hole(232.0, 2.0, None),
        hole(232.0, -3.0, Some(3.0)),
        hole(264.0, -3.0, Some(3.0)),
        rapid(280.0, 3.0, SAFE_Z_MM),
        line(280.0, 3.0, 12.0, 600.0),
        line(280.0, 3.5, 12.0, 1800.0),
        rapid(280.0, 3.5, SAFE_Z_MM),
        hole(280.0, 2.0, None),
        rapid(282.0, 3.5, 30.0),
        rapid(282.0, 3.5, 21.0),
        line(282.0, 3.5, 12.0, 600.0),
        rapid(282.0, 3.5, SAFE_Z_MM),
        Item::Label("half way (nearly)".into()),
        Item::Step(StepStart {
            number: 2,
            label: "leg#2 / hole".into(),
        }),
        hole(300.0, 2.0, Some(30.0)),
    ]);
    items.extend(ending(able));
    able.flattened(items)
}

/// A program of whatever the bytes say, in sizes that a router has.
fn some_program(source: &mut Source<'_>, able: &Able) -> Vec<Item> {
    let cutter = [1, 12, 99, 100_000][source.below(4)];
    let mut items = opening(able, cutter);
    let mut at = point(
        source.between(-2000.0, 2000.0),
        source.between(-500.0, 500.0),
    )
    .at_z(SAFE_Z_MM);
    items.push(Item::Move(Move::rapid(at)));
    let mut number = 1;
    for _ in 0..source.below(24) {
        let feed = [1800.0, 600.0, source.between(1.0, 9000.0)][source.below(3)];
        let dz = [0.0, source.between(-2.0, 2.0)][source.below(2)];
        let m = match source.below(8) {
            0 => Move::rapid(at.xy().at_z(source.between(-5.0, 40.0))),
            1 => Move::rapid(
                point(
                    source.between(-2000.0, 2000.0),
                    source.between(-500.0, 500.0),
                )
                .at_z(SAFE_Z_MM),
            ),
            2 | 3 => Move::line(
                (at.xy() + point(source.between(-50.0, 50.0), source.between(-0.01, 0.01)))
                    .at_z(at.z + dz),
                feed,
            ),
            4 | 5 => Move::Arc {
                centre: at.xy()
                    + Point::unit(source.between(0.0, TAU)) * 10f64.powf(source.between(-3.0, 3.5)),
                sweep: [
                    TAU,
                    -TAU,
                    source.between(-14.0, 14.0),
                    source.between(-1e-3, 1e-3),
                ][source.below(4)],
                dz,
                feed,
            },
            6 => Move::Hole {
                at: [at.xy(), at.xy() + point(32.0, 0.0)][source.below(2)],
                retract: [21.0, at.z, SAFE_Z_MM][source.below(3)],
                bottom: source.between(-20.0, 20.0),
                peck: [None, Some(source.between(0.5, 30.0))][source.below(2)],
                feed,
            },
            _ => {
                number += 1;
                let label = ["end", "(a) ; % MSG, \u{e9}"][source.below(2)].into();
                items.push(Item::Step(StepStart { number, label }));
                at.z = SAFE_Z_MM;
                Move::rapid(at)
            }
        };
        at = m.end(at);
        items.push(Item::Move(m));
    }
    items.extend(ending(able));
    able.flattened(items)
}

// ---- programs

const PROGRAM_WORDS: [&str; 46] = [
    "G0",
    "G1",
    "G2",
    "G3",
    "G4 P1",
    "G17",
    "G18",
    "G20",
    "G21",
    "G28",
    "G38.2",
    "G43 H1",
    "G53 G0 Z0.",
    "G80",
    "G81",
    "G82",
    "G83",
    "G90",
    "G91",
    "G92",
    "G93",
    "G98",
    "G99",
    "M0",
    "M2",
    "M3 S1000",
    "M5",
    "T1 M6",
    "L9999",
    "Q0.0001",
    "R1",
    "I1",
    "J-1",
    "#1=2",
    "[1+2]",
    "atan[1]/[2]",
    "[2**999]",
    "(MSG, x)",
    "%\n",
    "\n/",
    "PU;",
    "PD1,1;",
    "PA;",
    "VS1;",
    "IN;",
    "CO\"pen heights: up 9.000 mm\";",
];

/// A program text; the first byte chooses the dialect.
pub fn program_reader(bytes: &[u8]) {
    let Some((first, text)) = bytes.split_first() else {
        return;
    };
    let all = readers();
    let dialect = &all[usize::from(*first) % all.len()];
    let mut line = 0;
    let mut events = 0_u64;
    let lines = read(dialect.as_ref(), text, &mut |m| {
        assert!(m.line >= line, "lines go back: {m:?}");
        line = m.line;
        sensible(&m);
        events += 1;
        true
    });
    assert!(line <= lines, "an event of line {line} of {lines}");
    // A line is at most so many moves; otherwise a few letters keep a reader busy for hours.
    assert!(
        events <= MOST_EVENTS_A_LINE * (lines + 1),
        "{events} events of {lines} lines"
    );
    // A receiver that has heard enough is left alone.
    if events > 1 {
        let mut heard = 0;
        read(dialect.as_ref(), text, &mut |_| {
            heard += 1;
            heard < events.min(3)
        });
        assert_eq!(heard, events.min(3), "events after the receiver had enough");
    }
}

/// What one line may make a reader tell at most.
const MOST_EVENTS_A_LINE: u64 = 50_000;

/// The built-in dialects, and one without a limit to its lines.
fn readers() -> &'static [Arc<dyn Dialect>] {
    static ALL: OnceLock<Vec<Arc<dyn Dialect>>> = OnceLock::new();
    ALL.get_or_init(|| {
        let own =
            |text: &str| grainway_dialects::from_json(text).unwrap_or_else(|p| panic!("{p:?}"));
        let mut all: Vec<_> = built_in()
            .names()
            .map(|name| own(&extended(name, named(name))))
            .collect();
        let mut long = named("long-lines");
        long.insert("lines".into(), json!({ "length": 0 }));
        all.push(own(&extended("rs274-ngc", long)));
        all
    })
}

fn named(name: &str) -> Map<String, Value> {
    let head = json!({ "format": "grainway.dialect/1", "name": name, "version": 1, "summary": "" });
    match head {
        Value::Object(map) => map,
        _ => Map::new(),
    }
}

/// Reads bytes; the receiver says whether to go on. Gives the number of lines.
fn read(dialect: &dyn Dialect, mut text: &[u8], receive: &mut dyn FnMut(ReadMove) -> bool) -> u64 {
    let Some(reader) = dialect.reader() else {
        return 0;
    };
    let end = reader.read(&mut text, &mut |m| match receive(m) {
        true => ControlFlow::Continue(()),
        false => ControlFlow::Break(()),
    });
    match end {
        ReadEnd::Complete { lines, .. } => lines,
        ReadEnd::Stopped => 0,
        ReadEnd::Io(e) => panic!("reading from memory failed: {e}"),
    }
}

/// Numbers are what the reader's documentation says: finite, but for the height of the machine's top.
fn sensible(m: &ReadMove) {
    let finite = |v: Option<f64>| v.is_none_or(f64::is_finite);
    let height = |v: Option<f64>| v.is_none_or(|z| z.is_finite() || z > 0.0 && z.is_infinite());
    let place = |k: &Known| finite(k.x) && finite(k.y) && height(k.z);
    assert!(place(&m.from) && place(&m.to), "{m:?}");
    assert!(m.feed.is_none_or(|f| f.is_finite() && f > 0.0), "{m:?}");
    assert!(
        m.spindle.is_none_or(|s| s.rpm.is_finite() && s.rpm > 0.0),
        "{m:?}"
    );
    match &m.action {
        Action::Arc {
            centre,
            sweep,
            radius_mismatch,
        } => {
            let turn = sweep.is_finite() && sweep.abs() > 0.0 && sweep.abs() <= TAU + 1e-9;
            assert!(
                centre.is_finite() && turn && *radius_mismatch >= 0.0,
                "{m:?}"
            );
            assert!(radius_mismatch.is_finite(), "{m:?}");
        }
        Action::Dwell { seconds } => assert!(seconds.is_finite() && *seconds >= 0.0, "{m:?}"),
        Action::Fault { code, message } => {
            assert!(!code.is_empty() && !message.is_empty(), "{m:?}")
        }
        _ => {}
    }
}

// ---- drawings

const DRAWING_WORDS: [&str; 40] = [
    "0\nLINE\n",
    "0\nARC\n",
    "0\nLWPOLYLINE\n",
    "0\nSPLINE\n",
    "0\nELLIPSE\n",
    "0\nINSERT\n",
    "0\nBLOCK\n",
    "0\nENDBLK\n",
    "0\nSECTION\n",
    "0\nENDSEC\n",
    "0\nEOF\n",
    "0\nVERTEX\n",
    "0\nPOLYLINE\n",
    "0\nCIRCLE\n",
    "2\nENTITIES\n",
    "2\nBLOCKS\n",
    "8\noutline\n",
    "70\n1\n",
    "42\n1.0\n",
    "41\n-1\n",
    "1e308",
    "-1e308",
    "NaN",
    "$INSUNITS",
    "<path d=\"",
    "<circle ",
    "<rect ",
    "<g ",
    "<use ",
    "transform=\"",
    "matrix(",
    "scale(0)",
    "viewBox=\"",
    " A 1 1 0 1 1 ",
    " C ",
    " Z ",
    "&#x41;",
    "<!ENTITY",
    "rotate(1e9)",
    "mm",
];

/// A drawing: bit 0 of the first byte chooses its format, bits 1 and 2 how the job takes it.
pub fn drawing(bytes: &[u8]) {
    let Some((first, file)) = bytes.split_first() else {
        return;
    };
    let name = ["drawing.dxf", "drawing.svg"][usize::from(first & 1)];
    let mut job = json!({
        "format": "grainway.job/1", "name": "any", "unit": "mm", "shop": "shop.json",
        "drawings": [{
            "id": "any", "file": name, "stock": "ply", "layers": [
                { "layer": "^outline.*$", "make": "outline", "depth": "through" },
                { "layer": "^mortise.*$", "make": "mortise", "depth": "through" },
                { "layer": "^engrave-(?P<depth>[0-9.]+)$", "make": "engraving" },
                { "layer": "^(notes|0)$", "ignore": true },
                { "layer": "^.*hole.*$", "make": "hole", "depth": 5 },
                { "layer": "^.*$", "make": "pocket", "depth": 3 },
            ],
        }],
    });
    if first & 2 != 0 {
        job["drawings"][0]["layout"] = json!("as-drawn");
    }
    if first & 4 != 0 {
        job["drawings"][0]["sheet-gap"] = json!(50);
        job["drawings"][0]["unit"] = json!("mm");
    }
    let shop = json!({
        "format": "grainway.shop/1", "unit": "mm",
        "machines": { "router": {
            "dialect": "rs274-ngc", "travel": [1500, 1500, 120], "z-zero": "bed", "max-feed": 6000, "max-plunge": 1500,
            "rapid": 10000, "acceleration": 500, "min-rpm": 8000, "max-rpm": 24000, "cutter-change": "machine", "spoilboard": 18 } },
        "cutters": { "mill": {
            "kind": "end-mill", "number": 1, "diameter": 6, "cutting-length": 22, "usable-length": 30, "max-rpm": 24000 } },
        "stocks": { "ply": { "wood": "birch-plywood", "thickness": [12] } },
    });
    let job = doc::read_job(job.to_string().as_bytes()).unwrap_or_else(|p| panic!("{p:?}"));
    let shop = doc::read_shop(shop.to_string().as_bytes()).unwrap_or_else(|p| panic!("{p:?}"));
    let work = drawn(job, shop, file);
    for b in &work.balances {
        assert_eq!(b.read, b.used + b.ignored + b.warned, "{b:?}");
    }
    assert!(
        !work.parts.is_empty() || !work.findings.is_empty(),
        "neither a part nor a word of why there is none"
    );
}

/// One file under whatever name.
struct OneFile<'a>(&'a [u8]);

impl Files for OneFile<'_> {
    fn read(&self, _: &str) -> Result<Vec<u8>, FileProblem> {
        Ok(self.0.to_vec())
    }
}

/// The drawing stage over documents whose every file is `file`.
fn drawn(job: Job, shop: Shop, file: &[u8]) -> Work {
    let hash = grainway_pipeline::work::sha256_hex(file);
    let mut work = Work::new(Documents {
        job,
        shop,
        hash,
        night: None,
    });
    let stages = grainway_stages::built_in();
    let dialects = built_in();
    let spool = MemorySpool::default();
    let cancel = Cancel::default();
    let cx = Cx {
        files: &OneFile(file),
        dialects,
        spool: &spool,
        progress: &Silent,
        cancel: &cancel,
    };
    if let Some(stage) = stages.get("drawing")
        && let Err(stop) = stage.run(&mut work, &Settings(json!({})), &cx)
    {
        panic!("a drawing is the user's, so what is wrong with it is a finding: {stop:?}");
    }
    for part in &work.parts {
        let bounds = part.outline.bounds();
        assert!(bounds.min.is_finite() && bounds.max.is_finite(), "{part:?}");
    }
    work
}

// ---- documents

const DOCUMENT_WORDS: [&str; 32] = [
    "null",
    "true",
    "1e999",
    "-1",
    "1e300",
    "0",
    "\"1/2in\"",
    "\"12mm\"",
    "\"3 3/4in\"",
    "\"through\"",
    "\"mm\"",
    "\"in\"",
    "\"parts\"",
    "\"drawings\"",
    "\"blank\"",
    "\"features\"",
    "\"shape\"",
    "\"circles\"",
    "\"rectangle\"",
    "\"at\"",
    "\"size\"",
    "\"count\"",
    "\"stocks\"",
    "\"machines\"",
    "\"cutters\"",
    "\"settings\"",
    "\"chain\"",
    "\"islands\"",
    "\"relief\"",
    "\"grainway.job/1\"",
    "\"grainway.shop/1\"",
    "[]",
];

/// A job and a shop document, with a byte 0 between them.
pub fn job_json(bytes: &[u8]) {
    let (job, shop) = match bytes.iter().position(|b| *b == 0) {
        Some(at) => (&bytes[..at], &bytes[at + 1..]),
        None => (bytes, bytes),
    };
    let (job, shop) = (
        doc::read_job_as_far_as_possible(job, doc::ShopStocks::UNKNOWN),
        doc::read_shop_as_far_as_possible(shop),
    );
    told(&job);
    told(&shop);
    if !job.is_sound() || !shop.is_sound() {
        return;
    }
    let (Some(job), Some(shop)) = (job.document, shop.document) else {
        return;
    };
    again(&job);
    again(&shop);
    let documents = Documents {
        job: job.clone(),
        shop: shop.clone(),
        hash: String::new(),
        night: None,
    };
    let _ = documents.machine();
    for id in documents.stocks().keys() {
        let _ = documents.z_frame(id);
    }
    // Parts that the job describes, and a drawing that is none.
    drawn(job, shop, b"0\nEOF\n");
}

/// A document that cannot be used comes with a word of why.
fn told<T>(reading: &doc::Reading<T>) {
    assert!(
        reading.document.is_some() || !reading.problems.is_empty(),
        "refused without a reason"
    );
    for p in &reading.problems {
        assert!(
            p.pointer.is_empty() || p.pointer.as_str().starts_with('/'),
            "{p:?}"
        );
        assert!(!p.message.is_empty(), "{p:?}");
    }
}

/// A document in a saved state is the one that was read.
fn again<T: Serialize + DeserializeOwned + PartialEq>(document: &T) {
    let text = serde_json::to_string(document).unwrap_or_else(|e| panic!("{e}"));
    match serde_json::from_str::<T>(&text) {
        Ok(second) => assert!(second == *document, "reads otherwise: {text}"),
        Err(e) => panic!("{e}\n{text}"),
    }
}

// ---- native plugins

/// Both sides of the border to native plugins: frames of a job's process, descriptions, programs, what was read, patches.
pub fn plugin_boundary(bytes: &[u8]) {
    grainway_host::puppet::take(bytes);
}

// ---- bytes

/// Bytes as a source of choices; when they run out, every choice is the first.
#[derive(Clone)]
struct Source<'a> {
    left: &'a [u8],
}

impl<'a> Source<'a> {
    fn new(left: &'a [u8]) -> Source<'a> {
        Source { left }
    }
    fn byte(&mut self) -> u8 {
        match self.left.split_first() {
            Some((first, rest)) => {
                self.left = rest;
                *first
            }
            None => 0,
        }
    }
    /// Below `n`, which is at least 1 and at most 65,536.
    fn below(&mut self, n: usize) -> usize {
        let high = if n > 256 {
            usize::from(self.byte()) << 8
        } else {
            0
        };
        (high | usize::from(self.byte())) % n.max(1)
    }
    fn between(&mut self, low: f64, high: f64) -> f64 {
        let bits = u32::from_le_bytes([self.byte(), self.byte(), self.byte(), self.byte()]);
        low + (high - low) * f64::from(bits) / f64::from(u32::MAX)
    }
}

/// The built-in dialects, made once.
fn built_in() -> &'static Dialects {
    static ALL: OnceLock<Dialects> = OnceLock::new();
    ALL.get_or_init(grainway_dialects::built_in)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A dialect whose first program is refused or does not read back is tried no further, so the built-in ones must not be.
    #[test]
    fn every_built_in_dialect_is_tried() {
        for name in built_in().names() {
            let dialect = built_in().get(name).unwrap();
            for unit in [Unit::Mm, Unit::Inch] {
                let items = first_program(&Able::of(dialect, unit));
                let text = write(dialect, unit, &items).unwrap();
                assert_eq!(complaint(dialect, &items, &text), None, "{name}");
            }
            if dialect.about().pen.is_some() {
                let bytes: Vec<u8> = (0..=255).collect();
                let items = some_program(&mut Source::new(&bytes), &Able::of(dialect, Unit::Mm));
                let text = write(dialect, Unit::Mm, &items).unwrap();
                assert!(text.lines().count() > 60, "{text}");
            }
        }
    }
}
