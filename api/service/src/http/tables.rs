//! Lists of jobs and files as tables for a spreadsheet.

use crate::csv_table::{Cell, table};
use crate::model::{Job, JobFile, JobId};

/// The columns of a list of jobs.
pub const JOB_COLUMNS: [&str; 21] = [
    "id",
    "name",
    "state",
    "code",
    "batch",
    "priority",
    "created",
    "started",
    "ended",
    "attempts",
    "machine",
    "parts",
    "boards",
    "programs",
    "machine-seconds",
    "errors",
    "warnings",
    "notes",
    "replaces",
    "replaced-by",
    "sentence",
];

/// A list of jobs.
pub fn jobs(jobs: &[Job]) -> Vec<u8> {
    let rows = jobs.iter().map(|job| {
        let id = |id: Option<JobId>| Cell::from(id.map(|id| id.to_string()).unwrap_or_default());
        let mut row = vec![
            job.id.to_string().into(),
            job.name.as_str().into(),
            job.state.word().into(),
            job.code.as_str().into(),
            (&job.batch).into(),
            Cell::Number(job.priority.into()),
            Cell::Moment(Some(job.created)),
            Cell::Moment(job.started),
            Cell::Moment(job.ended),
            Cell::Number(job.attempts.into()),
        ];
        match &job.summary {
            Some(s) => row.extend([
                (&s.machine).into(),
                Cell::Number(s.parts.into()),
                Cell::Number(s.boards.into()),
                Cell::Number(s.programs.into()),
                Cell::Decimal(s.machine_seconds),
                Cell::Number(s.findings[0].into()),
                Cell::Number(s.findings[1].into()),
                Cell::Number(s.findings[2].into()),
            ]),
            None => row.extend(std::iter::repeat_n(Cell::from(""), 8)),
        }
        let sentence = job.summary.as_ref().map_or("", |s| s.sentence.as_str());
        row.extend([id(job.replaces), id(job.replaced_by), sentence.into()]);
        row
    });
    table(&JOB_COLUMNS, rows)
}

/// The columns of a list of files.
pub const FILE_COLUMNS: [&str; 3] = ["name", "bytes", "sha256"];

/// A list of files.
pub fn files(files: &[JobFile]) -> Vec<u8> {
    let rows = files.iter().map(|file| {
        vec![
            file.name.as_str().into(),
            Cell::Number(i64::try_from(file.bytes).unwrap_or(i64::MAX)),
            file.sha256.as_str().into(),
        ]
    });
    table(&FILE_COLUMNS, rows)
}
