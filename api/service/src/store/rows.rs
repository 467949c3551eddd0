//! Rows of both databases as values of ours.

use super::StoreProblem;
use crate::model::{Event, Job, JobFile, JobState, When};
use serde::Serialize;
use serde::de::DeserializeOwned;
use serde_json::Value;
use sqlx::Row;
use sqlx::any::AnyRow;
use std::fmt::Display;
use std::str::FromStr;

/// The columns that [`job_of`] reads.
pub(super) const JOB_COLUMNS: &str = "id, name, state, document, priority, not_before, in_hours, source, batch, code, replaces, \
     replaced_by, created, started, ended, attempts, losses, cancel_wanted, stage, summary, version, output";

fn damaged(what: impl Display) -> StoreProblem {
    StoreProblem::Failed(format!("a row of the job store is damaged: {what}"))
}

/// A value's word, as its JSON text has it.
pub(super) fn word(value: &impl Serialize) -> Result<String, StoreProblem> {
    match serde_json::to_value(value) {
        Ok(Value::String(word)) => Ok(word),
        _ => Err(StoreProblem::Failed("a value has no word".to_string())),
    }
}

fn of_word<T: DeserializeOwned>(word: String) -> Result<T, StoreProblem> {
    serde_json::from_value(Value::String(word)).map_err(damaged)
}

pub(super) fn json(value: &impl Serialize) -> Result<String, StoreProblem> {
    serde_json::to_string(value).map_err(damaged)
}

pub(super) fn read_json<T: DeserializeOwned>(text: &str) -> Result<T, StoreProblem> {
    serde_json::from_str(text).map_err(damaged)
}

pub(super) fn parsed<T: FromStr<Err: Display>>(text: &str) -> Result<T, StoreProblem> {
    text.parse().map_err(|e| damaged(format!("{text:?}: {e}")))
}

pub(super) fn strings(rows: &[AnyRow], column: &str) -> Result<Vec<String>, StoreProblem> {
    rows.iter().map(|r| Ok(r.try_get(column)?)).collect()
}

pub(super) fn files_of(row: &AnyRow, column: &str) -> Result<Vec<JobFile>, StoreProblem> {
    read_json(&row.try_get::<String, _>(column)?)
}

pub(super) fn job_of(row: &AnyRow) -> Result<Job, StoreProblem> {
    let text = |column: &str| -> Result<String, StoreProblem> { Ok(row.try_get(column)?) };
    let maybe = |column: &str| -> Result<Option<String>, StoreProblem> { Ok(row.try_get(column)?) };
    let number = |column: &str| -> Result<i64, StoreProblem> { Ok(row.try_get(column)?) };
    let time = |column: &str| -> Result<Option<i64>, StoreProblem> { Ok(row.try_get(column)?) };
    let state: JobState = parsed(&text("state")?)?;
    Ok(Job {
        id: parsed(&text("id")?)?,
        name: text("name")?,
        state,
        document: text("document")?,
        priority: i32::try_from(number("priority")?).map_err(damaged)?,
        not_before: Some(number("not_before")?).filter(|t| *t != 0),
        when: match number("in_hours")? {
            0 => When::Any,
            _ => When::Hours,
        },
        source: of_word(text("source")?)?,
        batch: maybe("batch")?,
        code: text("code")?,
        replaces: maybe("replaces")?.as_deref().map(parsed).transpose()?,
        replaced_by: maybe("replaced_by")?.as_deref().map(parsed).transpose()?,
        created: number("created")?,
        started: time("started")?,
        ended: time("ended")?,
        attempts: u32::try_from(number("attempts")? + number("losses")?).map_err(damaged)?,
        spent: u32::try_from(number("attempts")?).map_err(damaged)?,
        cancel_wanted: number("cancel_wanted")? != 0,
        stage: maybe("stage")?,
        summary: maybe("summary")?.as_deref().map(read_json).transpose()?,
        version: number("version")?,
        output: maybe("output")?,
    })
}

pub(super) fn event_of(row: &AnyRow) -> Result<Event, StoreProblem> {
    Ok(Event {
        seq: row.try_get("seq")?,
        job: parsed(&row.try_get::<String, _>("job")?)?,
        at: row.try_get("at")?,
        what: of_word(row.try_get("what")?)?,
        state: parsed(&row.try_get::<String, _>("state")?)?,
    })
}

impl From<sqlx::Error> for StoreProblem {
    fn from(error: sqlx::Error) -> StoreProblem {
        let said = error.to_string();
        match &error {
            sqlx::Error::Database(d) => {
                let code = d.code().unwrap_or_default().into_owned();
                // SQLite's extended codes: the lower byte is the kind. Kinds read: 5 busy, 6 locked, 8 read-only, 10 input or output,
                // 13 full, 14 cannot open. PostgreSQL's classes: 08 connection, 40 serialisation and deadlock, 53 resources (53100
                // disk full), 55 lock not available, 57 operator's intervention and time-outs.
                let kind = code
                    .parse::<i64>()
                    .ok()
                    .filter(|_| code.len() < 5)
                    .map(|c| c & 0xff);
                match kind {
                    // After an error of input or output it is not known what reached the disk.
                    Some(5 | 6 | 10) => return StoreProblem::Away(said),
                    Some(8 | 13 | 14) => return StoreProblem::Disk(said),
                    _ => {}
                }
                match code.get(..2) {
                    Some("53") if code == "53100" => StoreProblem::Disk(said),
                    Some("08" | "40" | "53" | "55" | "57") => StoreProblem::Away(said),
                    _ => StoreProblem::Failed(said),
                }
            }
            sqlx::Error::PoolTimedOut => {
                StoreProblem::Away("no connection could be had in time".to_string())
            }
            sqlx::Error::Io(_)
            | sqlx::Error::Tls(_)
            | sqlx::Error::Protocol(_)
            | sqlx::Error::PoolClosed
            | sqlx::Error::WorkerCrashed
            | sqlx::Error::BeginFailed => StoreProblem::Away(said),
            _ => StoreProblem::Failed(said),
        }
    }
}
