//! Minutes at the machine: the time below the safe height of the samples and of cutting sheets, against its bound; and ways through the
//! air against the shortest ones.

use crate::{
    CUTTING_SHEET_JOB, Loaded, PEN_SAMPLE, SAMPLES, cutting_sheet_shop, drawings, load, load_texts,
    make, root, sample, sheets_beside,
};
use grainway_geom::point;
use grainway_plan::sequence::{Leg, SequenceSettings, route};
use grainway_stages::report::{BoundRow, ReportDocument};

/// A line for each job and for each kind of feature in it, and the mean of the ratios.
pub fn lines() -> Result<Vec<String>, String> {
    let mut jobs: Vec<(String, Loaded)> = Vec::new();
    for name in SAMPLES.into_iter().chain([PEN_SAMPLE]) {
        jobs.push((name.to_string(), load(&sample(name))?));
    }
    let marks = sample(PEN_SAMPLE).with_file_name("marks.json");
    jobs.push(("bench-template/marks".to_string(), load(&marks)?));
    let shop = cutting_sheet_shop(6.0);
    jobs.push((
        "cutting sheet".to_string(),
        load_texts(CUTTING_SHEET_JOB, &shop, &drawings())?,
    ));
    for (job, folder) in sheets_beside() {
        jobs.push((
            "cutting sheet beside".to_string(),
            load_texts(&job, &shop, &folder)?,
        ));
    }
    let mut lines = Vec::new();
    let mut ratios = Vec::new();
    for (name, loaded) in jobs {
        let made = make(loaded)?;
        let id = made.work.files.get("report.json").ok_or("a report")?;
        let report: ReportDocument =
            serde_json::from_str(&made.text(id)).map_err(|e| e.to_string())?;
        let verdict = match made.ready() {
            true => "ready",
            false => "NOT READY",
        };
        lines.push(format!(
            "minutes: {name}: {verdict}, {:.0} s in all, {}",
            report.times.total,
            words(&report.bound)
        ));
        for f in &report.bound.feeds {
            lines.push(format!(
                "  {} in {}: {:.0} mm/min",
                f.cutter, f.stock, f.feed
            ));
        }
        for k in &report.bound.kinds {
            let row = BoundRow {
                below_safe: k.below_safe,
                bound: k.bound,
                ratio: k.ratio,
                difference: k.difference,
                ..BoundRow::default()
            };
            lines.push(format!("  {:<12} {}", k.kind, words(&row)));
        }
        ratios.push(report.bound.ratio);
    }
    lines.push(format!(
        "minutes: greatest ratio {:.3} (target 1.25) | mean {:.3} (target 1.15)",
        ratios.iter().copied().fold(0.0, f64::max),
        ratios.iter().sum::<f64>() / ratios.len() as f64
    ));
    Ok(lines)
}

/// Closed ways through the drilling problems and cities of TSPLIB 95 (G. Reinelt, 1991) where they stand beside the project, against the
/// optimal lengths published with it (from memory), with the seconds that each took.
pub fn order_lines() -> Vec<String> {
    let improve = SequenceSettings::default().improve;
    let mut lines = Vec::new();
    for (name, optimum) in [
        ("d198", 15_780.0),
        ("pcb442", 50_778.0),
        ("pr1002", 259_045.0),
    ] {
        let file = format!("shared/datasets/tsplib/{name}.csv");
        let above = root();
        let found = above
            .ancestors()
            .find_map(|a| std::fs::read_to_string(a.join(&file)).ok());
        let Some(text) = found else { continue };
        let number = |s: &str| s.trim().parse::<f64>().unwrap_or_default();
        let pairs = text.lines().skip(1).filter_map(|l| l.split_once(','));
        let legs: Vec<Leg> = pairs
            .map(|(x, y)| point(number(x), number(y)))
            .map(|p| Leg {
                group: (0, 0, 0),
                from: p,
                to: p,
            })
            .collect();
        let Some(first) = legs.first().map(|l| l.from) else {
            continue;
        };
        let started = std::time::Instant::now();
        let order = route(&legs[1..], first, Some(first), improve);
        let seconds = started.elapsed().as_secs_f64();
        let way: Vec<_> = std::iter::once(first)
            .chain(order.iter().map(|&i| legs[i + 1].from))
            .chain([first])
            .collect();
        let length: f64 = way.windows(2).map(|w| w[0].distance(w[1]).round()).sum();
        lines.push(format!(
            "order: {name}, {} points: {length:.0} | optimum {optimum:.0} | ratio {:.4} (target 1.04) | {seconds:.2} s (target 1)",
            legs.len(),
            length / optimum
        ));
    }
    lines
}

fn words(b: &BoundRow) -> String {
    let d = &b.difference;
    format!(
        "{:.0} s below safe height | bound {:.0} s | ratio {:.3} | entries {:.0}, air {:.0}, slowdowns {:.0}, levels {:.0}, widening {:.0}, paths {:.0}",
        b.below_safe,
        b.bound,
        b.ratio,
        d.entries,
        d.air,
        d.slowdowns,
        d.levels,
        d.widening,
        d.paths
    )
}
