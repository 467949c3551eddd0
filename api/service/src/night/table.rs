//! The night report as one table for a spreadsheet: a row a job, a stock and a machine, told apart by the first column.

use super::{NightJob, NightReport, minutes};

/// The columns; they stay as they are.
const COLUMNS: [&str; 18] = [
    "row",
    "name",
    "code",
    "batch",
    "machine",
    "stock",
    "wood",
    "thickness_mm",
    "parts",
    "boards",
    "area_m2",
    "programs",
    "machine_minutes",
    "warnings",
    "ended",
    "stale",
    "sentence",
    "job",
];

/// Writes it as CSV (RFC 4180).
pub fn table(report: &NightReport) -> String {
    let mut rows = vec![COLUMNS.map(str::to_string).to_vec()];
    let jobs = [
        &report.withheld,
        &report.failed,
        &report.ready,
        &report.cancelled,
        &report.waiting,
    ];
    rows.extend(jobs.into_iter().flatten().map(of_job));
    for wood in &report.wood {
        let mut row = empty("wood");
        row[5].clone_from(&wood.stock);
        row[6] = wood.wood.clone().unwrap_or_default();
        row[7] = wood.thickness_mm.to_string();
        row[9] = wood.boards.to_string();
        row[10] = wood.area_m2.to_string();
        rows.push(row);
    }
    for machine in &report.machines {
        let mut row = empty("machine");
        row[4].clone_from(&machine.machine);
        row[9] = machine.boards.to_string();
        row[11] = machine.programs.to_string();
        row[12] = minutes(machine.machine_seconds).to_string();
        rows.push(row);
    }
    let mut text = String::new();
    for row in rows {
        let cells: Vec<String> = row.iter().map(|cell| written(cell)).collect();
        text.push_str(&cells.join(","));
        text.push_str("\r\n");
    }
    text
}

fn empty(kind: &str) -> Vec<String> {
    let mut row = vec![String::new(); COLUMNS.len()];
    row[0] = kind.to_string();
    row
}

fn of_job(job: &NightJob) -> Vec<String> {
    let mut row = empty(job.state.word());
    row[1].clone_from(&job.name);
    row[2].clone_from(&job.code);
    row[3] = job.batch.clone().unwrap_or_default();
    row[4] = job.machine.clone().unwrap_or_default();
    row[8] = job.parts.to_string();
    row[9] = job.boards.to_string();
    row[11] = job.programs.to_string();
    row[12] = minutes(job.machine_seconds).to_string();
    row[13] = job.warnings.to_string();
    row[14] = job.ended.clone().unwrap_or_default();
    row[15] = match job.replaced_by {
        Some(newer) => newer.to_string(),
        None => String::new(),
    };
    row[16].clone_from(&job.sentence);
    row[17] = job.job.to_string();
    row
}

/// A cell that no spreadsheet takes for a formula, quoted where it must be.
fn written(cell: &str) -> String {
    let formula = cell.starts_with(['=', '+', '-', '@', '\t', '\r']);
    let told = match formula {
        true => format!("'{cell}"),
        false => cell.to_string(),
    };
    match told.contains(['"', ',', '\r', '\n']) {
        true => format!("\"{}\"", told.replace('"', "\"\"")),
        false => told,
    }
}
