//! The night report as one table for a spreadsheet: a row a job, a stock and a machine, told apart by the first column.

use super::{NightJob, NightReport, minutes};
use grainway_stages::csv_table::{self, Cell};

/// The columns; they stay as they are.
const COLUMNS: &str = "row,name,code,batch,machine,stock,wood,thickness_mm,parts,boards,area_m2,programs,machine_minutes,warnings,ended,stale,sentence,job";

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
        row[7] = Cell::number(wood.thickness_mm);
        row[9] = Cell::number(wood.boards);
        row[10] = Cell::number(wood.area_m2);
        row
    });
    let machines = report.machines.iter().map(|machine| {
        let mut row = empty("machine");
        row[4] = machine.machine.as_str().into();
        row[9] = Cell::number(machine.boards);
        row[11] = Cell::number(machine.programs);
        row[12] = whole_minutes(machine.machine_seconds);
        row
    });
    let others = report.others_waiting();
    let others = (!others.is_empty()).then(|| {
        let mut row = empty("waiting");
        row[16] = others.into();
        row
    });
    csv_table::table(COLUMNS, jobs.chain(wood).chain(machines).chain(others))
}

fn empty(kind: &str) -> Vec<Cell<'_>> {
    let mut row = vec![Cell::from(""); COLUMNS.split(',').count()];
    row[0] = kind.into();
    row
}

fn of_job(job: &NightJob) -> Vec<Cell<'_>> {
    let mut row = empty(job.state.word());
    row[1] = job.name.as_str().into();
    row[2] = job.code.as_str().into();
    row[3] = (&job.batch).into();
    row[4] = (&job.machine).into();
    row[8] = Cell::number(job.parts);
    row[9] = Cell::number(job.boards);
    row[11] = Cell::number(job.programs);
    row[12] = whole_minutes(job.machine_seconds);
    row[13] = Cell::number(job.warnings);
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
    Cell::number(minutes(seconds))
}
