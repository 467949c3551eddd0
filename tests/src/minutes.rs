//! Minutes at the machine: the time below the safe height of the samples and of cutting sheets, against its bound.

use crate::{
    CUTTING_SHEET_JOB, Loaded, PEN_SAMPLE, SAMPLES, cutting_sheet_shop, drawings, load, load_texts,
    make, sample, sheets_beside,
};
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
