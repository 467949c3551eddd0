//! The night report as one table for a spreadsheet: a row a job, a stock and a machine, told apart by the first column.

use super::{NightJob, NightReport, minutes};
use crate::csv_table::{Cell, table as csv_table};

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
pub fn table(report: &NightReport) -> Vec<u8> {
    let jobs = [
        &report.withheld,
        &report.failed,
        &report.ready,
        &report.cancelled,
        &report.waiting,
    ];
    let jobs = jobs.into_iter().flatten().map(of_job);
    let wood = report.wood.iter().map(|wood| {
        let mut row = empty("wood");
        row[5] = wood.stock.as_str().into();
        row[6] = (&wood.wood).into();
        row[7] = Cell::Decimal(wood.thickness_mm);
        row[9] = Cell::Number(wood.boards.into());
        row[10] = Cell::Decimal(wood.area_m2);
        row
    });
    let machines = report.machines.iter().map(|machine| {
        let mut row = empty("machine");
        row[4] = machine.machine.as_str().into();
        row[9] = Cell::Number(machine.boards.into());
        row[11] = Cell::Number(machine.programs.into());
        row[12] = whole_minutes(machine.machine_seconds);
        row
    });
    csv_table(&COLUMNS, jobs.chain(wood).chain(machines))
}

fn empty(kind: &str) -> Vec<Cell<'_>> {
    let mut row = vec![Cell::from(""); COLUMNS.len()];
    row[0] = kind.into();
    row
}

fn of_job(job: &NightJob) -> Vec<Cell<'_>> {
    let mut row = empty(job.state.word());
    row[1] = job.name.as_str().into();
    row[2] = job.code.as_str().into();
    row[3] = (&job.batch).into();
    row[4] = (&job.machine).into();
    row[8] = Cell::Number(job.parts.into());
    row[9] = Cell::Number(job.boards.into());
    row[11] = Cell::Number(job.programs.into());
    row[12] = whole_minutes(job.machine_seconds);
    row[13] = Cell::Number(job.warnings.into());
    row[14] = (&job.ended).into();
    row[15] = job
        .replaced_by
        .map(|newer| newer.to_string())
        .unwrap_or_default()
        .into();
    row[16] = job.sentence.as_str().into();
    row[17] = job.job.to_string().into();
    row
}

fn whole_minutes(seconds: f64) -> Cell<'static> {
    Cell::Number(i64::try_from(minutes(seconds)).unwrap_or(i64::MAX))
}
