//! Benches: each prints its figure, a reference measured in the same run, their ratio, and the target where there is one.
//!
//!     benches all | smoke | NAME
//!
//! `smoke` runs everything small, to show that the benches work; its figures say little.
#![allow(clippy::print_stdout, reason = "benches print")]

use grainway_geom::{Contour, Point, point};
use grainway_pipeline::chain::{Chain, Keep, Stages, StateKey};
use grainway_pipeline::dialect::ProgramHead;
use grainway_pipeline::doc::Unit;
use grainway_pipeline::motion::Item;
use grainway_pipeline::stage::{Cancel, Cx, MemorySpool, Silent, Stop};
use grainway_pipeline::work::Work;
use grainway_plan::program_items::{Can, Changes, items};
use grainway_tests::{
    CUTTING_SHEET_JOB, Loaded, cutting_sheet_shop, drawings, load_texts, minutes, python,
    queue_bench, root, sheets_beside, sizes,
};
use serde_json::{Value, json};
use std::io::Write;
use std::ops::ControlFlow;
use std::time::Instant;

type Failure = Box<dyn std::error::Error>;

fn main() -> Result<(), Failure> {
    let what = std::env::args().nth(1).unwrap_or_else(|| "all".to_string());
    let full = what != "smoke";
    let every = what == "all" || what == "smoke";
    if what == "one-sheet" {
        return one_sheet();
    }
    if every || what == "pockets" {
        pockets(if full { 1000 } else { 20 })?;
    }
    if every || what == "sheet" {
        sheet()?;
    }
    if every || what == "minutes" {
        for line in minutes::lines()?.into_iter().chain(minutes::order_lines()) {
            println!("{line}");
        }
    }
    if every || what == "copies" {
        copies(if full { 300 } else { 30 })?;
    }
    if every || what == "sizes" {
        for line in sizes::ratios(if full { (5_000, 1_250) } else { (200, 100) })? {
            println!("{line}");
        }
    }
    if every || what == "texts" {
        texts(if full { 20 } else { 1 })?;
    }
    if every || what == "memory" {
        memory()?;
    }
    if every || what == "queue" {
        let lines = queue_bench::lines(if full { 2000 } else { 50 });
        for line in lines.map_err(|e| e.to_string())? {
            println!("{line}");
        }
    }
    Ok(())
}

/// Seconds that each stage took, in order.
#[derive(Default)]
struct Times {
    last: Option<Instant>,
    stages: Vec<(String, f64)>,
}

impl Keep for Times {
    fn keep(&mut self, _: usize, name: &str, _: &StateKey, _: &Work) -> Result<(), Stop> {
        let now = Instant::now();
        let took = self.last.map_or(0.0, |l| (now - l).as_secs_f64());
        self.stages.push((name.to_string(), took));
        self.last = Some(now);
        Ok(())
    }
}

impl Times {
    fn of(&self, names: &[&str]) -> f64 {
        self.stages
            .iter()
            .filter(|(n, _)| names.contains(&n.as_str()))
            .map(|(_, t)| t)
            .sum()
    }
    fn total(&self) -> f64 {
        self.stages.iter().map(|(_, t)| t).sum()
    }
}

fn timed(loaded: Loaded, only: Option<&[&str]>) -> Result<(Work, MemorySpool, Times), Failure> {
    let mut stages = Stages::default();
    for stage in grainway_stages::built_in().iter() {
        if only.is_none_or(|o| o.contains(&stage.about().name)) {
            stages.add(stage.clone());
        }
    }
    let mut work = loaded.work;
    let spool = MemorySpool::default();
    let (cancel, dialects) = (Cancel::default(), grainway_dialects::built_in());
    let cx = Cx {
        files: loaded.files.as_ref(),
        dialects: &dialects,
        spool: &spool,
        progress: &Silent,
        cancel: &cancel,
    };
    let chain = Chain::plan(&stages, &work).map_err(|f| format!("{f:?}"))?;
    let mut times = Times {
        last: Some(Instant::now()),
        stages: Vec::new(),
    };
    chain.run(&mut work, 0, &cx, &mut times)?;
    Ok((work, spool, times))
}

/// SplitMix64, so that the parts are the same in every run.
struct Random(u64);

impl Random {
    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }
    fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * (self.next() >> 11) as f64 / (1u64 << 53) as f64
    }
}

const CUTTER_MM: f64 = 6.35;
const STEP_MM: f64 = CUTTER_MM * 0.4;

/// A part with one pocket: an outline of 12 to 80 corners and two round islands.
fn typical(random: &mut Random) -> (Vec<Point>, Vec<(Point, f64)>) {
    let n = 12 + (random.next() % 69) as usize;
    let size = random.between(60.0, 110.0);
    let centre = point(140.0, 140.0);
    let corners = (0..n)
        .map(|i| {
            let angle = i as f64 * std::f64::consts::TAU / n as f64;
            centre + Point::unit(angle) * (size * random.between(0.88, 1.0))
        })
        .collect();
    let islands = [-1.0, 1.0].map(|side| {
        (
            centre + point(side * size * 0.4, random.between(-5.0, 5.0)),
            size * random.between(0.05, 0.12),
        )
    });
    (corners, islands.to_vec())
}

/// Pocketing and profiling of typical parts, all checks on, against the same offsets by GEOS through shapely.
fn pockets(count: usize) -> Result<(), Failure> {
    let mut random = Random(1);
    let (mut parts, mut reference) = (Vec::new(), String::new());
    for i in 0..count {
        let (corners, islands) = typical(&mut random);
        let points: Vec<Value> = corners.iter().map(|p| json!([p.x, p.y])).collect();
        let holes: Vec<Value> = islands
            .iter()
            .map(|(c, r)| json!({ "circle": { "at": [c.x, c.y], "diameter": 2.0 * r } }))
            .collect();
        parts.push(json!({ "id": format!("p{i}"), "stock": "ash", "blank": { "length": 280, "width": 280 },
            "features": [{ "id": "field", "kind": "pocket", "shape": { "contour": { "points": points } },
                "islands": holes, "depth": 3, "leave": "5mm" }] }));
        let rings: Vec<Vec<Point>> = std::iter::once(corners)
            .chain(
                islands
                    .iter()
                    .map(|&(c, r)| Contour::circle(c, r).reversed().flattened(0.005)),
            )
            .collect();
        reference.push_str(&format!("{}\n", json!({ "rings": rings })));
    }
    let job =
        json!({ "format": "grainway.job/1", "name": "typical parts", "shop": "s", "parts": parts });
    let shop = cutting_sheet_shop(CUTTER_MM)
        .replace("\"ply-12\"", "\"ash\"")
        .replace("[12]", "[20]");
    let loaded = load_texts(&job.to_string(), &shop, &root())?;
    let stages = ["drawing", "fit", "relief", "pocket", "profile"];
    let (work, _, times) = timed(loaded, Some(&stages))?;
    let moves: usize = work
        .variants
        .iter()
        .flat_map(|v| &v.steps)
        .map(|s| work.moves(&s.moves).len())
        .sum();
    let ours = times.of(&["relief", "pocket", "profile"]);
    let mut child = python()
        .arg(root().join("tests/python/offsets_bench.py"))
        .args([(CUTTER_MM / 2.0).to_string(), STEP_MM.to_string()])
        .stdin(std::process::Stdio::piped())
        .stdout(std::process::Stdio::piped())
        .spawn()?;
    let mut stdin = child.stdin.take().ok_or("a pipe")?;
    let writer = std::thread::spawn(move || stdin.write_all(reference.as_bytes()));
    let output = child.wait_with_output()?;
    let _ = writer.join();
    let answer: Value = serde_json::from_slice(&output.stdout)?;
    let geos = answer["seconds"].as_f64().ok_or("seconds")?;
    println!(
        "pockets: {count} parts, {moves} moves, pocket and profile {ours:.3} s ({:.2} ms a part) | the same {} offset levels by GEOS {geos:.3} s | {:.1} times faster (target 8)",
        1000.0 * ours / count as f64,
        answer["levels"],
        geos / ours
    );
    Ok(())
}

/// The real cutting sheet where one stands beside the project, so that figures of years compare; the tests' own elsewhere.
fn sheet_job() -> Result<Loaded, Failure> {
    let own = (CUTTING_SHEET_JOB.to_string(), drawings());
    let (job, folder) = sheets_beside().into_iter().next().unwrap_or(own);
    Ok(load_texts(&job, &cutting_sheet_shop(6.0), &folder)?)
}

const PLANNING: [&str; 10] = [
    "drawing", "fit", "relief", "mark", "drill", "pocket", "profile", "place", "hold", "sequence",
];

/// The whole chain on the cutting sheet; verify against planning.
fn sheet() -> Result<(), Failure> {
    let mut best: Option<Times> = None;
    for _ in 0..3 {
        let (_, _, times) = timed(sheet_job()?, None)?;
        if best.as_ref().is_none_or(|b| times.total() < b.total()) {
            best = Some(times);
        }
    }
    let times = best.ok_or("no run")?;
    let each: Vec<String> = times
        .stages
        .iter()
        .map(|(n, t)| format!("{n} {:.0}", 1000.0 * t))
        .collect();
    println!(
        "sheet: whole chain {:.3} s (target under 1) | ms by stage: {}",
        times.total(),
        each.join(", ")
    );
    let (planning, verify) = (times.of(&PLANNING), times.of(&["verify"]));
    println!(
        "sheet: verify {verify:.3} s | planning {planning:.3} s | ratio {:.2} (target under 1)",
        verify / planning
    );
    Ok(())
}

/// Many copies against one; texts written and read in MB/s.
fn copies(count: usize) -> Result<(), Failure> {
    let run = |count: usize| -> Result<(Times, f64), Failure> {
        let job = json!({ "format": "grainway.job/1", "name": "copies", "shop": "s", "parts": [{
            "id": "slat", "count": count, "stock": "ash", "blank": { "length": 200, "width": 60 }, "features": [
                { "id": "m", "kind": "mortise", "shape": { "rectangle": { "at": [30, 20], "size": [40, 20] } }, "depth": 10 },
                { "id": "g", "kind": "groove", "shape": { "along": { "at": 10, "width": 8, "from": 100, "to": 180 } }, "depth": 6 } ] }] });
        let shop = cutting_sheet_shop(6.0).replace("\"ply-12\"", "\"ash\"").replace(
            "\"thickness\": [12]",
            &format!("\"thickness\": [20], \"boards\": [{{ \"id\": \"b\", \"length\": 1400, \"width\": 1400, \"count\": {} }}]", count / 20 + 2),
        );
        let (work, spool, times) = timed(load_texts(&job.to_string(), &shop, &root())?, None)?;
        let mut bytes = 0.0;
        for program in &work.programs {
            let mut reader = grainway_pipeline::stage::Spool::open(&spool, &program.text)?;
            bytes += std::io::copy(&mut reader, &mut std::io::sink())? as f64;
        }
        Ok((times, bytes / 1e6))
    };
    let _ = run(1)?;
    let (one, one_mb) = run(1)?;
    let (many, many_mb) = run(count)?;
    let (a, b) = (one.of(&PLANNING), many.of(&PLANNING));
    println!(
        "copies: planning {count} copies {b:.4} s | one {a:.4} s | ratio {:.2} (target under 3)",
        b / a
    );
    for stage in ["post", "verify"] {
        let (a, b) = (one_mb / one.of(&[stage]), many_mb / many.of(&[stage]));
        println!(
            "copies: {stage} of {count} copies {b:.1} MB/s over {many_mb:.2} MB | of one {a:.1} MB/s | ratio {:.2} (linear: 1 or more)",
            b / a
        );
    }
    Ok(())
}

/// Text written and read in MB/s, against plain formatting and splitting of as many numbers.
fn texts(times: usize) -> Result<(), Failure> {
    let (work, _, _) = timed(sheet_job()?, None)?;
    let setup = work.setups.first().ok_or("a setup")?;
    let dialects = grainway_dialects::built_in();
    let dialect = dialects.get("rs274-ngc").ok_or("the dialect")?;
    let can = Can {
        changes: Changes::Machine,
        pauses: true,
        speed_by_hand: false,
        speed_step: 0.0,
        two_heights: false,
        blocks_per_second: 0,
    };
    let all: Vec<Item> = items(&work, setup, (0, setup.order.len()), can).collect();
    let head = ProgramHead {
        name: "bench".into(),
        number: 1,
        remarks: Vec::new(),
        unit: Unit::Mm,
        safe_z: setup.safe_z,
    };
    let mut text = Vec::new();
    let started = Instant::now();
    let mut moves = 0.0;
    for _ in 0..times {
        text.clear();
        moves += dialect
            .write(&head, &mut all.iter().cloned(), &mut text)?
            .moves as f64;
    }
    let wrote = started.elapsed().as_secs_f64();
    let started = Instant::now();
    let mut plain = Vec::new();
    for _ in 0..times {
        plain.clear();
        for item in &all {
            if let Item::Move(m) = item {
                let p = m.end(Default::default());
                writeln!(
                    plain,
                    "G1 X{:.3} Y{:.3} Z{:.3} F{:.0}",
                    p.x, p.y, p.z, 1000.0
                )?;
            }
        }
    }
    let formatted = started.elapsed().as_secs_f64();
    let reader = dialect.reader().ok_or("a reader")?;
    let started = Instant::now();
    let mut events = 0.0;
    for _ in 0..times {
        reader.read(&mut text.as_slice(), &mut |_| {
            events += 1.0;
            ControlFlow::Continue(())
        });
    }
    let read = started.elapsed().as_secs_f64();
    let started = Instant::now();
    let mut sum = 0.0;
    for _ in 0..times {
        for line in std::str::from_utf8(&text)?.lines() {
            sum += line
                .split_whitespace()
                .filter_map(|w| w.get(1..)?.parse::<f64>().ok())
                .sum::<f64>();
        }
    }
    let split = started.elapsed().as_secs_f64();
    std::hint::black_box(sum);
    let mb = |bytes: &[u8]| bytes.len() as f64 * times as f64 / 1e6;
    println!(
        "texts: written {:.1} MB/s, {:.2} million moves/s | format! {:.1} MB/s | ratio {:.2}",
        mb(&text) / wrote,
        moves / wrote / 1e6,
        mb(&plain) / formatted,
        mb(&text) / wrote / (mb(&plain) / formatted)
    );
    println!(
        "texts: read {:.1} MB/s, {:.2} million events/s | split and parse {:.1} MB/s | ratio {:.2}",
        mb(&text) / read,
        events / read / 1e6,
        mb(&text) / split,
        split / read
    );
    Ok(())
}

/// A child process that makes the cutting sheet and says how much memory it took at most.
fn one_sheet() -> Result<(), Failure> {
    let (work, _, _) = timed(sheet_job()?, None)?;
    println!("{} {}", work.programs.len(), sizes::peak_kb());
    Ok(())
}

/// Peak memory of the cutting sheet, against a process that only starts.
fn memory() -> Result<(), Failure> {
    let output = std::process::Command::new(std::env::current_exe()?)
        .arg("one-sheet")
        .output()?;
    let text = String::from_utf8(output.stdout)?;
    let kb: f64 = text.split_whitespace().nth(1).ok_or("a figure")?.parse()?;
    println!(
        "memory: cutting sheet {:.0} MB at most | target 300 MB | ratio {:.2} (target under 1)",
        kb / 1000.0,
        kb / 300_000.0
    );
    Ok(())
}
