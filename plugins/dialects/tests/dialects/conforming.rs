//! The conformance run: every built-in dialect passes it, and planted faults are named by the check that is for them.

use grainway_dialects::conformance::{Outcome, conformance};
use grainway_dialects::{built_in, from_json};
use grainway_pipeline::dialect::{
    Dialect, DialectAbout, DialectError, ProgramHead, Reader, Written,
};
use grainway_pipeline::motion::Item;
use std::io::Write;
use std::sync::Arc;

#[test]
fn every_built_in_dialect_conforms() {
    let all = built_in();
    for name in all.names() {
        let table = conformance(all.get(name).unwrap());
        assert!(
            table.passed(),
            "{name}: {:#?}",
            table
                .rows
                .iter()
                .filter(|r| r.outcome == Outcome::Failed)
                .collect::<Vec<_>>()
        );
        assert!(table.rows.len() >= 25, "{name}");
    }
}

/// A fault planted into the text of a good dialect.
pub struct Planted {
    /// What it spoils.
    pub good: Arc<dyn Dialect>,
    /// Changes a line; "-" takes it away.
    pub plant: fn(&str) -> String,
}

impl Dialect for Planted {
    fn about(&self) -> &DialectAbout {
        self.good.about()
    }
    fn write(
        &self,
        head: &ProgramHead,
        items: &mut dyn Iterator<Item = Item>,
        out: &mut dyn Write,
    ) -> Result<Written, DialectError> {
        let mut text = Vec::new();
        let mut written = self.good.write(head, items, &mut text)?;
        let lines: Vec<String> = String::from_utf8(text)
            .unwrap()
            .lines()
            .map(self.plant)
            .filter(|l| l != "-")
            .collect();
        written.lines = lines.len() as u64;
        out.write_all((lines.join("\n") + "\n").as_bytes())?;
        out.flush()?;
        Ok(written)
    }
    fn reader(&self) -> Option<&dyn Reader> {
        self.good.reader()
    }
}

/// The words of a line, changed one by one; "" takes a word away.
fn words(line: &str, change: impl Fn(&str) -> String) -> String {
    if line.starts_with('(') {
        return line.to_string();
    }
    let words: Vec<String> = line
        .split(' ')
        .map(change)
        .filter(|w| !w.is_empty())
        .collect();
    words.join(" ")
}

/// A word's number, when it begins with the letter.
fn number(word: &str, letter: char) -> Option<f64> {
    word.strip_prefix(letter)?.parse().ok()
}

fn moved(line: &str, letter: char, by: f64) -> String {
    words(line, |w| match number(w, letter) {
        Some(v) => format!("{letter}{:.3}", v + by),
        None => w.to_string(),
    })
}

fn without(line: &str, unwanted: &str) -> String {
    words(line, |w| {
        if w == unwanted {
            String::new()
        } else {
            w.to_string()
        }
    })
}

fn swapped(line: &str, a: &str, b: &str) -> String {
    words(line, |w| match w {
        w if w == a => b.to_string(),
        w if w == b => a.to_string(),
        w => w.to_string(),
    })
}

fn is_arc(line: &str) -> bool {
    line.contains('I')
}

type Plant = (&'static str, &'static str, fn(&str) -> String);

/// What is planted, and the check that is for it.
const PLANTS: [Plant; 27] = [
    ("I and J swapped", "arc-directions", |l| {
        words(l, |w| match (w.get(..1), w.get(1..)) {
            (Some("I"), Some(n)) => format!("J{n}"),
            (Some("J"), Some(n)) => format!("I{n}"),
            _ => w.to_string(),
        })
    }),
    ("arc direction", "arc-directions", |l| {
        swapped(l, "G2", "G3")
    }),
    ("two decimals", "rounding", |l| {
        words(l, |w| match w.get(..1).filter(|c| "XYZ".contains(*c)) {
            Some(c) => format!("{c}{:.2}", w[1..].parse::<f64>().unwrap()),
            None => w.to_string(),
        })
    }),
    ("no feed but the first", "feeds", |l| {
        words(l, |w| match number(w, 'F') {
            Some(f) if f > 300.0 => String::new(),
            _ => w.to_string(),
        })
    }),
    ("the feed of another unit", "feeds", |l| {
        words(l, |w| {
            number(w, 'F').map_or(w.to_string(), |f| format!("F{:.1}", f / 25.4))
        })
    }),
    ("cycle retract", "drilling", |l| moved(l, 'R', -25.0)),
    ("cycle depth", "drilling", |l| match l.contains("G81") {
        true => moved(l, 'Z', -1.0),
        false => l.to_string(),
    }),
    ("pecks as plain drilling", "pecks", |l| {
        match l.contains("G83") {
            true => words(l, |w| match w {
                "G83" => "G81".into(),
                w if w.starts_with('Q') => String::new(),
                w => w.to_string(),
            }),
            false => l.to_string(),
        }
    }),
    ("unit word", "inches", |l| swapped(l, "G20", "G21")),
    ("no unit word", "straight-moves", |l| without(l, "G21")),
    ("spindle not restated", "pause", |l| {
        match l.starts_with('S') {
            true => "-".into(),
            false => l.to_string(),
        }
    }),
    ("spindle the other way", "spindle", |l| {
        swapped(l, "M3", "M4")
    }),
    ("spindle not stopped", "spindle", |l| match l {
        "M5" => "-".into(),
        l => l.to_string(),
    }),
    ("spindle not waited for", "spindle-waits", |l| {
        match l.starts_with("G4 ") {
            true => "-".into(),
            false => l.to_string(),
        }
    }),
    (
        "spindle stopped at each step",
        "spindle-waits",
        |l| match l {
            "G21 G17 G40 G54 G61 G80 G90 G94" => format!("{l}\nM5"),
            l => l.to_string(),
        },
    ),
    ("no path mode", "straight-moves", |l| without(l, "G61")),
    ("corners rounded", "straight-moves", |l| {
        swapped(l, "G61", "G64")
    }),
    ("centre not fitted to rounded ends", "arc-centres", |l| {
        moved(l, 'I', 0.003)
    }),
    (
        "short arc become a circle",
        "short-arcs",
        |l| match is_arc(l) {
            // Where a writer leaves out axes that do not change, the end of a short arc is its start.
            true => words(l, |w| match w.get(..1) {
                Some("X" | "Y") => format!("{}{:.1}", &w[..1], w[1..].parse::<f64>().unwrap()),
                _ => w.to_string(),
            }),
            false => l.to_string(),
        },
    ),
    ("helix flattened", "helices", |l| match is_arc(l) {
        true => words(l, |w| {
            if w.starts_with('Z') {
                String::new()
            } else {
                w.to_string()
            }
        }),
        false => l.to_string(),
    }),
    ("rapid for cutting", "rapid-moves", |l| {
        swapped(l, "G1", "G0")
    }),
    ("no height first", "first-height", |l| {
        match l.starts_with("G53") {
            true => "-".into(),
            false => l.to_string(),
        }
    }),
    ("no pause", "pause", |l| match l {
        "M0" => "-".into(),
        l => l.to_string(),
    }),
    ("no cutter change", "cutter-change", |l| {
        words(l, |w| if w == "M6" { String::new() } else { w.into() })
    }),
    ("dwell in thousandths", "dwell", |l| {
        match l.starts_with("G4 ") {
            true => words(l, |w| {
                number(w, 'P').map_or(w.to_string(), |p| format!("P{:.0}", p * 1000.0))
            }),
            false => l.to_string(),
        }
    }),
    ("modes not restated at a step", "take-up", |l| match l {
        "G21 G17 G40 G54 G61 G80 G90 G94" => "-".into(),
        l => l.to_string(),
    }),
    ("comment not closed", "remarks", |l| {
        match l.starts_with('(') {
            true => l.trim_end_matches(')').to_string(),
            false => l.to_string(),
        }
    }),
];

#[test]
fn planted_faults_are_named_by_their_check() {
    let all = built_in();
    let mut missed = Vec::new();
    let ngc = include_str!("../../data/rs274-ngc.json");
    for (what, check, plant) in PLANTS {
        let planted = Planted {
            good: from_json(ngc).unwrap(),
            plant,
        };
        let table = conformance(&planted);
        if !table.failed().contains(&check) {
            missed.push(format!("{what}: {check}, but {:?}", table.failed()));
        }
    }
    assert!(missed.is_empty(), "{missed:#?}");
    // In a language whose whole lengths without a point are counts of the least step.
    let pointless = Planted {
        good: from_json(include_str!("../../data/iso6983.json")).unwrap(),
        plant: |l| {
            words(l, |w| match w.get(..1) {
                Some("X" | "Y" | "Z" | "I" | "J") => w.trim_end_matches('.').to_string(),
                _ => w.to_string(),
            })
        },
    };
    assert!(conformance(&pointless).failed().contains(&"straight-moves"));
    assert!(conformance(all.get("rs274-ngc").unwrap()).passed());
}

/// A writer of one dialect under the name and the reader of another.
struct Mixed {
    writes: Arc<dyn Dialect>,
    reads: Arc<dyn Dialect>,
}

impl Dialect for Mixed {
    fn about(&self) -> &DialectAbout {
        self.reads.about()
    }
    fn write(
        &self,
        head: &ProgramHead,
        items: &mut dyn Iterator<Item = Item>,
        out: &mut dyn Write,
    ) -> Result<Written, DialectError> {
        self.writes.write(head, items, out)
    }
    fn reader(&self) -> Option<&dyn Reader> {
        self.reads.reader()
    }
}

/// The number of a word in whole counts, changed.
fn counted(word: &str, change: impl Fn(i64) -> i64) -> String {
    match (word.get(..1), word.get(1..).and_then(|n| n.parse().ok())) {
        (Some(letter), Some(n)) => format!("{letter}{}", change(n)),
        _ => word.to_string(),
    }
}

/// What is planted into texts of the files that were written by manuals, and the check that is for it.
const PLANTS_BY_MANUAL: [(&str, Plant); 17] = [
    (
        "counts-and-radii",
        ("a point in a count", "straight-moves", |l| {
            words(l, |w| match w.starts_with('X') {
                true => format!("{w}."),
                false => w.to_string(),
            })
        }),
    ),
    (
        "counts-and-radii",
        ("hundredths for thousandths", "straight-moves", |l| {
            words(l, |w| match w.starts_with(['X', 'Y', 'Z', 'R']) {
                true => counted(w, |n| n / 10),
                false => w.to_string(),
            })
        }),
    ),
    (
        "counts-and-radii",
        ("a larger radius", "arc-directions", |l| {
            words(l, |w| match w.starts_with('R') {
                true => counted(w, |n| n + 40),
                false => w.to_string(),
            })
        }),
    ),
    (
        "counts-and-radii",
        ("another share of the speed", "spindle", |l| {
            words(l, |w| match w.starts_with('S') {
                true => counted(w, |n| n - 5),
                false => w.to_string(),
            })
        }),
    ),
    (
        "counts-and-radii",
        ("revolutions for per cent", "spindle", |l| {
            words(l, |w| match w.starts_with('S') {
                true => counted(w, |n| n * 240),
                false => w.to_string(),
            })
        }),
    ),
    (
        "counts-and-radii",
        ("started by the word that stops", "spindle", |l| {
            swapped(l, "M13", "M15")
        }),
    ),
    (
        "counts-and-radii",
        ("seconds for tenths", "dwell", |l| {
            words(l, |w| match w.starts_with('K') {
                true => counted(w, |n| n / 10),
                false => w.to_string(),
            })
        }),
    ),
    (
        "decimal-comma",
        ("a point for the comma", "straight-moves", |l| {
            match l.starts_with(';') {
                true => l.to_string(),
                false => l.replace(',', "."),
            }
        }),
    ),
    (
        "decimal-comma",
        ("a speed that nobody is told", "spindle", |l| {
            match l.starts_with("; spindle at") {
                true => "-".into(),
                false => l.to_string(),
            }
        }),
    ),
    (
        "decimal-comma",
        ("a macro told another cutter", "cutter-change", |l| {
            words(l, |w| match w.starts_with('A') {
                true => "A9".into(),
                false => w.to_string(),
            })
        }),
    ),
    (
        "decimal-comma",
        (
            "a macro away from the change",
            "straight-moves",
            |l| match l {
                "G53 G0 Z0," => "G53 G0 Z0,\nG65 P9001 A3".into(),
                l => l.to_string(),
            },
        ),
    ),
    (
        "short-numbered-files",
        ("home with other axes", "first-height", |l| {
            l.replace("G28 Z0", "G28 X0 Y0 Z0")
        }),
    ),
    (
        "short-numbered-files",
        ("a line that was not divided", "lines", |l| {
            match l.starts_with('N') {
                true => format!("{l:51}"),
                false => l.to_string(),
            }
        }),
    ),
    (
        "pen-with-heights",
        (
            "sideways before the height is reached",
            "straight-moves",
            |l| match l {
                "PD;" => "-".into(),
                l => l.to_string(),
            },
        ),
    ),
    (
        "pen-with-heights",
        ("a height too low", "straight-moves", |l| {
            match l.strip_prefix("ZL ").and_then(|n| n.strip_suffix(';')) {
                Some(n) => format!("ZL {};", n.parse::<i64>().unwrap() - 10),
                None => l.to_string(),
            }
        }),
    ),
    (
        "pen-with-heights",
        ("a spindle that turns on", "spindle", |l| match l {
            "RS0;" => "-".into(),
            l => l.to_string(),
        }),
    ),
    (
        "pen-with-heights",
        ("no feed downwards", "feeds", |l| {
            match l.starts_with("VZ") {
                true => "-".into(),
                false => l.to_string(),
            }
        }),
    ),
];

#[test]
fn faults_planted_into_files_by_manuals_are_named_by_their_check() {
    let mut missed = Vec::new();
    for (name, (what, check, plant)) in PLANTS_BY_MANUAL {
        let good = from_json(&crate::cases::case(name)).unwrap();
        let table = conformance(&Planted { good, plant });
        if !table.failed().contains(&check) {
            missed.push(format!("{name}: {what}: {check}, but {:?}", table.failed()));
        }
    }
    let own = |keys: &str| {
        let text = format!(
            r#"{{"format": "grainway.dialect/1", "name": "x", "version": 1, "extends": "rs274-lean",
                "summary": "Words of RS-274 as small controllers know them.", {keys}}}"#
        );
        from_json(&text).unwrap()
    };
    // Arcs that are not divided at the axes, and centres of another kind.
    let one_quadrant = r#""arcs": {"centre": "absolute", "one-quadrant": true}"#;
    for keys in [
        r#""arcs": {"centre": "absolute", "largest-sweep": 90.0}"#,
        r#""arcs": {"one-quadrant": true}"#,
    ] {
        let mixed = Mixed {
            writes: own(keys),
            reads: own(one_quadrant),
        };
        let table = conformance(&mixed);
        if !table.failed().contains(&"arc-directions") {
            missed.push(format!("{keys}: {:?}", table.failed()));
        }
    }
    assert!(conformance(own(one_quadrant).as_ref()).passed());
    assert!(missed.is_empty(), "{missed:#?}");
}
