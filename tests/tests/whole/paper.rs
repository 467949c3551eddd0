//! What a person reads at the machine, taken from the made page, the printed sheet and the lists, against the job, the shop and the programs'
//! texts: where Z zero is, the cautions, where screws go, how far cutters stand out, the boards, and what is left for hands.

use grainway_pipeline::dialect::{Action, ReadMove};
use grainway_tests::{Made, load, make, sample};
use serde_json::Value;
use std::collections::BTreeMap;
use std::io::Write;
use std::ops::ControlFlow;
use std::process::{Command, Stdio};

/// The shop's cutters are 6 mm and less; what is asked for under the nut, mm.
const NUT_CLEARANCE_MM: f64 = 5.0;

const CAUTIONS: [&str; 8] = [
    "These programs have not been proved on your machine.",
    "Before each start compare: unit, zero in X, Y and Z, cutter and its length, size and thickness of the wood.",
    "See that screws, clamps and tabs hold every piece to the end of the job and stand clear of the cutter, its nut and the dust shoe.",
    "Never run a cutter faster than the speed marked on it.",
    "Run the extraction. Wear eye and hearing protection,",
    "Keep guards closed and hands out while the spindle can turn.",
    "Run the first time above the wood, or at reduced feed with a hand on the stop.",
    "Stay with the machine while it runs.",
];

/// The texts of what is read on paper, with single spaces.
#[derive(Clone)]
struct Paper {
    html: String,
    pdf: String,
    boards: String,
    handwork: String,
}

fn spaced(text: &str) -> String {
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

fn paper(made: &Made) -> Paper {
    let file = |name: &str| made.text(&made.work.files[name]);
    let mut html = String::new();
    for (i, part) in file("setup-sheet.html").split('<').enumerate() {
        // Between tags; what stands before the first one is nothing.
        let text = if i == 0 {
            part
        } else {
            part.split_once('>').map_or("", |p| p.1)
        };
        html.push_str(text);
        html.push(' ');
    }
    let mut bytes = Vec::new();
    let id = &made.work.files["setup-sheet.pdf"];
    let mut pdf = grainway_pipeline::stage::Spool::open(&made.spool, id).unwrap();
    std::io::copy(&mut pdf, &mut bytes).unwrap();
    let mut child = Command::new("pdftotext")
        .args(["-layout", "-", "-"])
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    let mut stdin = child.stdin.take().unwrap();
    let writer = std::thread::spawn(move || stdin.write_all(&bytes));
    let out = child.wait_with_output().unwrap();
    writer.join().unwrap().unwrap();
    assert!(out.status.success());
    Paper {
        html: spaced(&html),
        pdf: spaced(&String::from_utf8_lossy(&out.stdout)),
        boards: file("boards.csv"),
        handwork: file("handwork.csv"),
    }
}

/// What the programs' texts and the documents say, read here.
struct Facts {
    top_zero: bool,
    setups: usize,
    /// Places that pauses name, as they are written.
    screws: Vec<[String; 2]>,
    /// Of each setup and cutter: how far below the highest face it goes, and its usable length, mm.
    reach: BTreeMap<(String, u32), (f64, f64)>,
    /// Length, width and readings of the boards, as the shop has them.
    boards: Vec<String>,
    /// Radius of the cutter that leaves fillets, and mean thickness, mm.
    fillet: f64,
    thickness: f64,
    /// Parts with their counts.
    counts: BTreeMap<String, u64>,
}

fn facts(made: &Made, job: &Value, shop: &Value) -> Facts {
    let dialects = grainway_dialects::built_in();
    let machine = shop["machines"]
        .as_object()
        .unwrap()
        .values()
        .next()
        .unwrap();
    let reader = dialects
        .get(machine["dialect"].as_str().unwrap())
        .unwrap()
        .reader()
        .unwrap();
    let stock = shop["stocks"].as_object().unwrap().values().next().unwrap();
    let readings: Vec<f64> = stock["thickness"]
        .as_array()
        .unwrap()
        .iter()
        .map(|v| v.as_f64().unwrap())
        .collect();
    let thickest = readings.iter().copied().fold(0.0, f64::max);
    let top_zero = machine["z-zero"] == "top";
    let face = if top_zero { 0.0 } else { thickest };
    let cutters = shop["cutters"].as_object().unwrap();
    let mut screws = Vec::new();
    let mut reach = BTreeMap::new();
    let mut setups = Vec::new();
    for program in &made.work.programs {
        let text = made.text(&program.text);
        let head = text
            .lines()
            .find_map(|l| l.split_once("(setup: "))
            .unwrap()
            .1;
        let setup = head.split(',').next().unwrap().to_string();
        setups.push(setup.clone());
        for message in text.lines().filter(|l| l.contains("Drive ")) {
            for place in message.split('[').skip(1) {
                let (x, y) = place.split(']').next().unwrap().split_once(", ").unwrap();
                screws.push([x.to_string(), y.to_string()]);
            }
        }
        reader.read(&mut text.as_bytes(), &mut |m: ReadMove| {
            if let (Action::Line | Action::Arc { .. }, Some(cutter), Some(z)) =
                (&m.action, m.cutter, m.to.z)
            {
                let own = cutters.values().find(|c| c["number"] == cutter).unwrap();
                let usable = own["usable-length"].as_f64().unwrap();
                let deepest = reach
                    .entry((setup.clone(), cutter))
                    .or_insert((0.0_f64, usable));
                deepest.0 = deepest.0.max(face - z);
            }
            ControlFlow::Continue(())
        });
    }
    setups.dedup();
    let boards = stock["boards"].as_array().unwrap();
    let mean = readings.iter().sum::<f64>() / readings.len() as f64;
    let of_board = |b: &Value| {
        format!(
            "{},{},{},{mean},{thickest}",
            b["length"], b["width"], readings[0]
        )
    };
    let count = |p: &Value| p["count"].as_u64().unwrap_or(1);
    let described = job["parts"].as_array().unwrap().iter();
    let drawn = job["drawings"].as_array().unwrap().iter();
    let counts: BTreeMap<String, u64> = drawn
        .flat_map(|d| d["parts"].as_object().unwrap().values())
        .chain(described)
        .map(|p| (p["id"].as_str().unwrap().to_string(), count(p)))
        .collect();
    let thick = cutters
        .values()
        .map(|c| c["diameter"].as_f64().unwrap_or(0.0))
        .fold(0.0, f64::max);
    Facts {
        top_zero,
        setups: setups.len(),
        screws,
        reach,
        boards: boards.iter().map(of_board).collect(),
        fillet: thick / 2.0,
        thickness: mean,
        counts,
    }
}

/// How far a cutter stands out of the nut, as the table says it.
fn stick_out(deepest: f64, usable: f64) -> String {
    let out = (1000.0 * (deepest + NUT_CLEARANCE_MM)).round() / 1000.0;
    format!(" {out} of {usable} ")
}

/// What is wrong on paper.
fn faults(facts: &Facts, paper: &Paper) -> Vec<String> {
    let mut faults = Vec::new();
    let [bed, top] = [
        "Z zero: on the spoilboard, beside the wood. Heights in the programs are heights above the spoilboard.",
        "Z zero: on the upper face of the wood, once it is fastened. Depths in the programs are depths below that face;",
    ];
    for (form, text) in [("page", &paper.html), ("sheet", &paper.pdf)] {
        let mut missing = |what: &str| {
            if !text.contains(what) {
                faults.push(format!("{form}: no {what:?}"));
            }
        };
        CAUTIONS.iter().for_each(|c| missing(c));
        missing("Checked against the parts, not run on your machine.");
        for [x, y] in &facts.screws {
            missing(&format!(" {x} {y} "));
        }
        for (deepest, usable) in facts.reach.values() {
            missing(&stick_out(*deepest, *usable));
        }
        let [right, wrong] = if facts.top_zero {
            [top, bed]
        } else {
            [bed, top]
        };
        let (told, otherwise) = (text.matches(right).count(), text.matches(wrong).count());
        if told != facts.setups || otherwise != 0 {
            faults.push(format!(
                "{form}: zero told {told} times, and {otherwise} times the other"
            ));
        }
    }
    let rows: Vec<&str> = paper.boards.lines().skip(1).collect();
    if rows.len() != facts.setups {
        faults.push(format!("boards: {} rows", rows.len()));
    }
    for row in rows {
        if !facts.boards.iter().any(|b| row.contains(&format!(",{b},"))) {
            faults.push(format!("boards: {row}"));
        }
    }
    for row in paper.handwork.lines().skip(1) {
        let mut cells = row.split(',');
        let (part, count) = (cells.next().unwrap(), cells.next().unwrap());
        if facts
            .counts
            .get(part)
            .is_none_or(|c| c.to_string() != count)
        {
            faults.push(format!("hand work: {count} of {part}"));
        }
        let fillet = format!("a fillet of {:.2} mm", facts.fillet);
        let depth = format!(" to {:.1} mm depth", facts.thickness);
        if row.contains("square ") && !(row.contains(&fillet) && row.contains(&depth)) {
            faults.push(format!("hand work: {row}"));
        }
    }
    faults
}

fn of_sample(name: &str) -> (Facts, Paper) {
    let made = make(load(&sample(name)).unwrap()).unwrap();
    assert!(made.ready(), "{name}: {:#?}", made.errors());
    let document = |file: &str| -> Value {
        let path = sample(name).with_file_name(file);
        serde_json::from_str(&std::fs::read_to_string(path).unwrap()).unwrap()
    };
    (
        facts(&made, &document("job.json"), &document("shop.json")),
        paper(&made),
    )
}

#[test]
fn what_is_read_at_the_machine_agrees_with_documents_and_texts() {
    let (facts, paper) = of_sample("reading-bench");
    assert!(
        facts.screws.len() > 3 && facts.reach.len() > 5,
        "nothing to look at"
    );
    assert_eq!(faults(&facts, &paper), [""; 0]);
}

#[test]
fn a_fault_on_paper_is_seen() {
    let (facts, paper) = of_sample("reading-bench");
    type Field = fn(&mut Paper) -> &mut String;
    let html: Field = |p| &mut p.html;
    let pdf: Field = |p| &mut p.pdf;
    let boards: Field = |p| &mut p.boards;
    let handwork: Field = |p| &mut p.handwork;
    let [x, y] = &facts.screws[0];
    let screw = format!(" {x} {y} ");
    let (deepest, usable) = facts.reach.values().next().unwrap();
    let out = stick_out(*deepest, *usable);
    for (field, from, to) in [
        (
            html,
            "on the spoilboard, beside the wood",
            "on the upper face of the wood",
        ),
        (pdf, "above the spoilboard", "above the wood"),
        (html, "Run the extraction. ", ""),
        (pdf, "with a hand on the stop", ""),
        (
            html,
            "Checked against the parts, not run on your machine.",
            "Checked.",
        ),
        (html, &screw, " 40.25 178 "),
        (pdf, &screw, " 178 402.5 "),
        (html, &out, " 3.31 of 45 "),
        (pdf, &out, " 1 of 45 "),
        (boards, "1250,520", "520,1250"),
        (boards, "22.1", "22"),
        (handwork, "fillet of 3.00", "fillet of 3.20"),
        (handwork, "bench-end,2", "bench-end,1"),
        (handwork, "22.0 mm depth", "20.0 mm depth"),
    ] {
        let mut spoilt = paper.clone();
        let text = field(&mut spoilt);
        assert!(text.contains(from), "{from:?} is not there");
        *text = text.replace(from, to);
        assert!(!faults(&facts, &spoilt).is_empty(), "{from:?} -> {to:?}");
    }
}
