//! What the check costs, as ratios that are measured in one run: against planning, of copies against one and against as many different
//! parts, as parts become many, and of a long engraving. CPU seconds of all threads, medians of several runs.

use crate::{Loaded, cutting_sheet_shop, load, load_texts, root, sample};
use grainway_geom::{Point, point};
use grainway_pipeline::chain::{Chain, Keep, StateKey};
use grainway_pipeline::stage::{Cancel, Cx, MemorySpool, Silent, Stop};
use grainway_pipeline::work::Work;
use serde_json::{Value, json};

/// The stages that plan; what comes after them writes, checks and reports.
pub const PLANNING: [&str; 10] = [
    "drawing", "fit", "relief", "mark", "drill", "pocket", "profile", "place", "hold", "sequence",
];
/// The samples whose check is measured against their planning.
const SAMPLES: [&str; 6] = [
    "reading-bench",
    "step-stool",
    "newspaper-rack",
    "card-index-cabinet",
    "jointed-bench",
    "fit-ladder",
];

/// CPU seconds that all threads of this process have taken.
fn cpu_seconds() -> Result<f64, String> {
    let tasks = std::fs::read_dir("/proc/self/task").map_err(|e| e.to_string())?;
    let mut nanoseconds = 0.0;
    for task in tasks.flatten() {
        // A thread that has ended meanwhile has no file any more.
        let text = std::fs::read_to_string(task.path().join("schedstat")).unwrap_or_default();
        let first = text.split_whitespace().next();
        nanoseconds += first.map_or(Ok(0.0), str::parse).unwrap_or(0.0);
    }
    match nanoseconds > 0.0 {
        true => Ok(nanoseconds / 1e9),
        false => Err("this system does not tell the CPU time of threads".to_string()),
    }
}

/// CPU seconds of each stage, in order.
#[derive(Clone, Debug, Default)]
pub struct Cost {
    before: f64,
    stages: Vec<(String, f64)>,
}

impl Keep for Cost {
    fn keep(&mut self, _: usize, name: &str, _: &StateKey, _: &Work) -> Result<(), Stop> {
        let now = cpu_seconds().unwrap_or(self.before);
        self.stages.push((name.to_string(), now - self.before));
        self.before = now;
        Ok(())
    }
}

impl Cost {
    /// Of the stages of these names.
    pub fn of(&self, names: &[&str]) -> f64 {
        let of = |(n, s): &(String, f64)| names.contains(&n.as_str()).then_some(*s);
        self.stages.iter().filter_map(of).sum()
    }
    /// Each stage with its seconds.
    pub fn stages(&self) -> &[(String, f64)] {
        &self.stages
    }
}

/// What the built-in chain costs over a job, which must come out ready.
pub fn cost(loaded: Loaded) -> Result<Cost, String> {
    let (stages, dialects) = (grainway_stages::built_in(), grainway_dialects::built_in());
    let mut work = loaded.work;
    let (spool, cancel) = (MemorySpool::default(), Cancel::default());
    let cx = Cx {
        files: loaded.files.as_ref(),
        dialects: &dialects,
        spool: &spool,
        progress: &Silent,
        cancel: &cancel,
    };
    let chain = Chain::plan(&stages, &work).map_err(|f| format!("{f:?}"))?;
    let mut cost = Cost {
        before: cpu_seconds()?,
        ..Cost::default()
    };
    chain
        .run(&mut work, 0, &cx, &mut cost)
        .map_err(|e| e.to_string())?;
    match work.has_errors() {
        true => Err(format!("not ready: {:#?}", work.findings)),
        false => Ok(cost),
    }
}

/// The median of several runs.
fn median(runs: usize, mut run: impl FnMut() -> Result<f64, String>) -> Result<f64, String> {
    let mut all = (0..runs).map(|_| run()).collect::<Result<Vec<_>, _>>()?;
    all.sort_by(f64::total_cmp);
    Ok(all[all.len() / 2])
}

fn verified(loaded: Loaded) -> Result<f64, String> {
    Ok(cost(loaded)?.of(&["verify"]))
}

fn against_planning(name: &str, runs: usize) -> Result<String, String> {
    let path = sample(name);
    let costs = (0..runs)
        .map(|_| cost(load(&path)?))
        .collect::<Result<Vec<_>, _>>()?;
    let middle = |of: &dyn Fn(&Cost) -> f64| {
        median(runs, {
            let mut each = costs.iter();
            move || each.next().map(of).ok_or_else(String::new)
        })
    };
    let (verify, planning) = (
        middle(&|c| c.of(&["verify"]))?,
        middle(&|c| c.of(&PLANNING))?,
    );
    let ratio = middle(&|c| c.of(&["verify"]) / c.of(&PLANNING))?;
    Ok(format!(
        "speed: {name}: verify {verify:.3} s | planning {planning:.3} s | ratio {ratio:.2} (target 1)"
    ))
}

/// A slat with a mortise and a groove, `number` makes its sizes its own.
fn slat(number: usize, count: usize) -> Value {
    let more = |step: f64| (number as f64 * step * 1000.0).round() / 1000.0;
    json!({ "id": format!("slat-{number}"), "count": count, "stock": "ash",
        "blank": { "length": 200.0 + more(0.01), "width": 60.0 + more(0.003) }, "features": [
            { "id": "m", "kind": "mortise", "depth": 10,
                "shape": { "rectangle": { "at": [30, 20], "size": [40.0 + more(0.004), 20] } } },
            { "id": "g", "kind": "groove", "depth": 6,
                "shape": { "along": { "at": 10, "width": 8, "from": 100, "to": 180.0 + more(0.005) } } } ] })
}

fn slats(parts: Vec<Value>, boards: usize) -> Result<Loaded, String> {
    // The layout is not what is measured: the first that is found will do.
    let settings = json!({ "place": { "steps": 0 } });
    let job = json!({ "format": "grainway.job/1", "name": "slats", "shop": "s", "settings": settings, "parts": parts });
    let board = format!(
        "\"thickness\": [20], \"boards\": [{{ \"id\": \"b\", \"length\": 1400, \"width\": 1400, \"count\": {boards} }}]"
    );
    let shop = cutting_sheet_shop(6.0)
        .replace("\"ply-12\"", "\"ash\"")
        .replace("\"thickness\": [12]", &board);
    load_texts(&job.to_string(), &shop, &root())
}

/// So many copies of one slat.
pub fn copies(count: usize) -> Result<Loaded, String> {
    slats(vec![slat(0, count)], count / 20 + 2)
}

/// So many slats of which no two are equal.
pub fn different(count: usize) -> Result<Loaded, String> {
    let all = (0..count).map(|i| slat(i, 1)).collect();
    slats(all, count / 20 + 2)
}

/// A panel with one engraved line of so many points: a spiral with waves on it.
pub fn engraved(points: usize) -> Result<Loaded, String> {
    let at = |i: usize| -> Point {
        let share = i as f64 / points as f64;
        let turn = 120.0 * share * std::f64::consts::TAU;
        let radius = 150.0 + 420.0 * share + 0.4 * (37.0 * turn).sin();
        let p = point(600.0, 600.0) + Point::unit(turn) * radius;
        // A million of them in a document of 16 MB.
        point((p.x * 1e2).round() / 1e2, (p.y * 1e2).round() / 1e2)
    };
    let line: Vec<[f64; 2]> = (0..points).map(|i| [at(i).x, at(i).y]).collect();
    let part = json!({ "id": "panel", "stock": "ash", "blank": { "length": 1200, "width": 1200 }, "features": [
        { "id": "spiral", "kind": "engraving", "shape": { "contour": { "points": line, "closed": false } },
            "depth": 1, "cutter": "mill" } ] });
    slats(vec![part], 1)
}

/// Says a line for each ratio, as soon as it is known; `small` shows that the bench works and says little.
pub fn lines(small: bool, say: &mut dyn FnMut(String)) -> Result<(), String> {
    let runs = if small { 1 } else { 5 };
    for name in SAMPLES {
        say(against_planning(name, runs)?);
        if small {
            break;
        }
    }
    let many = if small { 30 } else { 300 };
    let one = median(runs, || verified(copies(1)?))?;
    let copied = median(runs, || verified(copies(many)?))?;
    let apart = median(runs, || verified(different(many)?))?;
    say(format!(
        "speed: verify of {many} copies {copied:.3} s | of one {one:.4} s | ratio {:.1} (target 6)",
        copied / one
    ));
    say(format!(
        "speed: verify of {many} copies {copied:.3} s | of {many} different parts {apart:.3} s | ratio {:.3} (target 0.05)",
        copied / apart
    ));
    let (few, more) = if small { (10, 30) } else { (100, 1000) };
    let first = median(runs, || verified(different(few)?))?;
    let grown = median(runs.min(3), || verified(different(more)?))?;
    say(format!(
        "speed: verify of {more} different parts {grown:.3} s | of {few} {first:.3} s | grows as the power {:.2} of their number (target 1.05)",
        (grown / first).ln() / (more as f64 / few as f64).ln()
    ));
    let (few, more) = if small {
        (20_000, 40_000)
    } else {
        (100_000, 1_000_000)
    };
    let first = verified(engraved(few)?)?;
    let grown = verified(engraved(more)?)?;
    say(format!(
        "speed: verify of an engraving of {more} points {grown:.3} s (target 10) | of {few} {first:.3} s | grows as the power {:.2} of their number",
        (grown / first).ln() / (more as f64 / few as f64).ln()
    ));
    Ok(())
}
