//! Lists of jobs and files as tables for a spreadsheet.

use crate::model::{Job, JobFile, JobId, Millis};
use grainway_stages::csv_table::{Cell, table};

/// The columns of a list of jobs.
pub const JOB_COLUMNS: &str = "id,name,state,code,batch,priority,created,started,ended,attempts,machine,parts,boards,programs,machine-seconds,errors,warnings,notes,replaces,replaced-by,sentence";

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
            Cell::number(job.priority),
            moment(Some(job.created)),
            moment(job.started),
            moment(job.ended),
            Cell::number(job.attempts),
        ];
        match &job.summary {
            Some(s) => row.extend([
                (&s.machine).into(),
                Cell::number(s.parts),
                Cell::number(s.boards),
                Cell::number(s.programs),
                Cell::number(s.machine_seconds),
                Cell::number(s.findings[0]),
                Cell::number(s.findings[1]),
                Cell::number(s.findings[2]),
            ]),
            None => row.extend(std::iter::repeat_n(Cell::from(""), 8)),
        }
        let sentence = job.summary.as_ref().map_or("", |s| s.sentence.as_str());
        row.extend([id(job.replaces), id(job.replaced_by), sentence.into()]);
        row
    });
    table(JOB_COLUMNS, rows)
}

/// A moment as RFC 3339 in UTC; empty when there is none.
fn moment(moment: Option<Millis>) -> Cell<'static> {
    let time = moment.and_then(|m| jiff::Timestamp::from_millisecond(m).ok());
    time.map_or("".into(), Cell::number)
}

/// The columns of a list of files.
pub const FILE_COLUMNS: &str = "name,bytes,sha256";

/// A list of files.
pub fn files(files: &[JobFile]) -> Vec<u8> {
    let rows = files.iter().map(|file| {
        vec![
            file.name.as_str().into(),
            Cell::number(file.bytes),
            file.sha256.as_str().into(),
        ]
    });
    table(FILE_COLUMNS, rows)
}
