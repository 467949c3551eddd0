//! Whole jobs in a pen language: a thin template and marks are ready, everything else is refused in words.

use grainway_pipeline::dialect::{
    Dialect, DialectAbout, DialectError, ProgramHead, Reader, Written,
};
use grainway_pipeline::doc::{SpindleSwitch, Unit};
use grainway_pipeline::motion::Item;
use grainway_pipeline::stage::Dialects;
use grainway_tests::{Loaded, Made, PEN_SAMPLE, SAMPLES, load, make, run, sample};
use std::io::Write;
use std::sync::Arc;

fn template() -> Loaded {
    load(&sample(PEN_SAMPLE)).unwrap()
}

fn texts(made: &Made) -> Vec<(String, String)> {
    let programs = made.work.programs.iter();
    programs
        .map(|p| (p.name.clone(), made.text(&p.text)))
        .collect()
}

/// The places that a text cuts to, in units: read here by splitting alone.
fn cuts(text: &str) -> Vec<[i64; 2]> {
    let places = text.lines().filter_map(|l| {
        let (x, y) = l.strip_prefix("PD")?.strip_suffix(';')?.split_once(',')?;
        Some([x.parse().unwrap(), y.parse().unwrap()])
    });
    places.collect()
}

#[test]
fn a_thin_template_is_ready_in_both_units() {
    let made = make(template()).unwrap();
    assert!(made.ready(), "{:#?}", made.errors());
    let in_mm = texts(&made);
    let names: Vec<&str> = in_mm.iter().map(|t| t.0.as_str()).collect();
    assert_eq!(names, ["01-board-1-vee-60.plt", "02-board-1-mill-4.plt"]);
    // The drawing's outline is 380 × 300 mm and the cutter 4 mm: its centre goes round 384 × 304 mm. The last cut leads out.
    let around = cuts(&in_mm[1].1);
    for (axis, mm) in [384.0, 304.0].into_iter().enumerate() {
        let of = |i: usize| around[i][axis];
        let all = 0..around.len() - 1;
        let span = all.clone().map(of).max().unwrap() - all.map(of).min().unwrap();
        assert_eq!(span, (mm / 0.025) as i64);
    }
    // Thickest wood 3.05 and clamps of 20 mm below the pen up; the outline leaves a floor of 0.4 mm.
    let heights = |text: &str| text.lines().next().unwrap().to_string();
    assert!(
        heights(&in_mm[1].1).contains("up 28.050 mm, down 0.400 mm at "),
        "{}",
        heights(&in_mm[1].1)
    );
    // What the person sets is told for each program.
    let told = made.with_code("set-at-controller");
    assert_eq!(told.len(), 2);
    assert!(
        told[1].message.contains("pen down 0.4 mm")
            && told[1].message.contains("switch the spindle on at "),
        "{}",
        told[1].message
    );
    // A program in inches is the same text: it counts in units of its own.
    let mut inches = template();
    for machine in inches.work.documents.shop.machines.values_mut() {
        machine.program_unit = Unit::Inch;
    }
    let inches = make(inches).unwrap();
    assert!(inches.ready(), "{:#?}", inches.errors());
    // Remarks are in the unit of the programs.
    let moves = |programs: &[(String, String)]| -> Vec<(String, Vec<String>)> {
        let of = |text: &str| {
            text.lines()
                .filter(|l| !l.starts_with("CO"))
                .map(String::from)
                .collect()
        };
        programs.iter().map(|(n, t)| (n.clone(), of(t))).collect()
    };
    assert_eq!(moves(&texts(&inches)), moves(&in_mm));
}

#[test]
fn marks_described_in_inches_are_ready() {
    let marks = sample(PEN_SAMPLE).with_file_name("marks.json");
    let made = make(load(&marks).unwrap()).unwrap();
    assert!(made.ready(), "{:#?}", made.errors());
    let texts = texts(&made);
    // From (3, 3) in over (7, 6) in to (11, 3) in: 25.4 / 0.025 = 1016 units an inch.
    assert!(texts[0].1.contains("PU3048,3048;\nPD;\nVS"));
    assert!(texts[0].1.contains("PD7112,6096;\nPD11176,3048;\nPU;\n"));
}

#[test]
fn one_cutter_at_two_depths_gives_two_files() {
    let mut loaded = template();
    let shop = &mut loaded.work.documents.shop;
    shop.cutters.remove("vee-60");
    let made = make(loaded).unwrap();
    assert!(made.ready(), "{:#?}", made.errors());
    let texts = texts(&made);
    let names: Vec<&str> = texts.iter().map(|t| t.0.as_str()).collect();
    assert_eq!(
        names,
        [
            "01-board-1-mill-4-setting-1.plt",
            "02-board-1-mill-4-setting-2.plt"
        ]
    );
    assert!(texts[0].1.contains(" down 2.517 mm") && texts[1].1.contains(" down 0.400 mm"));
    let part_two = &texts[1].1;
    assert!(part_two.contains("cutter 1: 4 mm end mill"), "{part_two}");
}

/// What is refused first of a sample, by the machine that it is for.
fn refused(name: &str, by_hand: bool) -> Vec<String> {
    let mut loaded = load(&sample(name)).unwrap();
    for machine in loaded.work.documents.shop.machines.values_mut() {
        machine.dialect = "pen-plot".to_string();
        if by_hand {
            machine.spindle = SpindleSwitch::Hand;
        }
    }
    let made = make(loaded).unwrap();
    assert!(!made.ready(), "{name}");
    let found = made.with_code("program-not-written");
    found.iter().map(ToString::to_string).collect()
}

#[test]
fn the_other_samples_are_refused_and_told_why() {
    let mut said = String::new();
    for name in SAMPLES {
        let switched = refused(name, false);
        assert!(!switched.is_empty(), "{name}");
        for finding in &switched {
            assert!(
                finding.contains("cannot express the spindle's start and stop")
                    && finding.contains("Say spindle: hand for the machine"),
                "{name}: {finding}"
            );
        }
        let by_hand = refused(name, true);
        assert!(!by_hand.is_empty(), "{name}");
        said.push_str(&by_hand.join("\n"));
    }
    assert!(
        said.contains("a ramp or a helix") && said.contains("entry: plunge"),
        "{said}"
    );
}

/// Tabs and ramps of the planner's defaults are refused; the remedy names the settings.
#[test]
fn without_its_settings_the_template_is_refused() {
    let mut loaded = template();
    loaded.work.documents.job.settings.remove("profile");
    let made = make(loaded).unwrap();
    let found = made.with_code("program-not-written");
    assert!(
        found.iter().any(|f| f.message.contains("a ramp")
            && f.remedy
                .contains("entry: plunge in the settings of profile")),
        "{found:#?}"
    );
    let mut loaded = template();
    let hold = loaded.work.documents.job.settings.get_mut("hold").unwrap();
    hold.as_object_mut().unwrap().remove("skin");
    let made = make(loaded).unwrap();
    assert!(!made.ready());
    assert!(
        !made.with_code("program-not-written").is_empty(),
        "tabs are lifted over: {:#?}",
        made.errors()
    );
}

// ---- sabotage of texts

/// The pen language, with a change made to every line.
struct Spoiled {
    good: Dialects,
    change: fn(&str) -> String,
}

impl Dialect for Spoiled {
    fn about(&self) -> &DialectAbout {
        self.good.get("pen-plot").unwrap().about()
    }
    fn write(
        &self,
        head: &ProgramHead,
        items: &mut dyn Iterator<Item = Item>,
        out: &mut dyn Write,
    ) -> Result<Written, DialectError> {
        let mut text = Vec::new();
        let good = self.good.get("pen-plot").unwrap();
        let written = good.write(head, items, &mut text)?;
        for line in String::from_utf8(text).unwrap().lines() {
            writeln!(out, "{}", (self.change)(line))?;
        }
        Ok(written)
    }
    fn reader(&self) -> Option<&dyn Reader> {
        self.good.get("pen-plot").unwrap().reader()
    }
}

#[test]
fn spoiled_texts_are_caught_by_safe_alone() {
    type Change = fn(&str) -> String;
    let changes: [(&str, Change, &str); 6] = [
        (
            "too deep",
            |l| l.replace("down 0.400 mm", "down -1.000 mm"),
            "verify-spoilboard",
        ),
        (
            "not deep enough",
            |l| l.replace("down 0.400 mm", "down 2.000 mm"),
            "verify-leftover",
        ),
        (
            "pen up too low",
            |l| l.replace("up 28.050 mm", "up 4.050 mm"),
            "verify-hold",
        ),
        (
            "x and y swapped",
            |l| {
                let place = l.get(2..).and_then(|p| p.strip_suffix(';'));
                match place.and_then(|p| p.split_once(',')) {
                    Some((x, y)) if l.starts_with('P') => format!("{}{y},{x};", &l[..2]),
                    _ => l.to_string(),
                }
            },
            "verify-gouge",
        ),
        (
            "a way with the pen down",
            |l| match l {
                "PU;" => "PD;".to_string(),
                l => l.replacen("PU", "PD", 1),
            },
            "verify-gouge",
        ),
        (
            "no terminator",
            |l| match l.starts_with("PD") {
                true => l.trim_end_matches(';').to_string(),
                false => l.to_string(),
            },
            "verify-text",
        ),
    ];
    let mut missed = Vec::new();
    for (what, change, code) in changes {
        let mut dialects = Dialects::default();
        dialects.add(Arc::new(Spoiled {
            good: grainway_dialects::built_in(),
            change,
        }));
        let made = run(template(), &grainway_stages::built_in(), &dialects).unwrap();
        let programs = &made.work.programs;
        let unsafe_one = programs
            .iter()
            .any(|p| p.safe.as_ref().is_some_and(|v| !v.passed));
        if !unsafe_one || made.with_code(code).is_empty() {
            missed.push(format!("{what}: {:#?}", made.errors()));
        }
    }
    assert!(missed.is_empty(), "{missed:#?}");
}
