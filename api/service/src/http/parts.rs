//! What the table of routes is put together from: schemas, parameters, good answers.

use super::route::{Answer, At, Media, Parameter};
use super::{answer, request, schemas};
use crate::model::{Job, JobFile, JobId, JobState, When};
use schemars::{Schema, SchemaGenerator, json_schema};
use serde_json::Value;

pub(super) const JSON: &str = "application/json";
pub(super) const CSV: &str = "text/csv";

pub(super) fn of<T: schemars::JsonSchema>(generator: &mut SchemaGenerator) -> Schema {
    generator.subschema_for::<T>()
}

/// A type's schema with an example.
pub(super) fn like<T: schemars::JsonSchema>(
    generator: &mut SchemaGenerator,
    example: Value,
) -> Schema {
    let mut schema = of::<T>(generator);
    schema.insert("examples".to_string(), Value::Array(vec![example]));
    schema
}

pub(super) fn text(_: &mut SchemaGenerator) -> Schema {
    json_schema!({ "type": "string" })
}

/// A moment, or a date, which is its first moment in the server's time zone.
pub(super) fn time(generator: &mut SchemaGenerator) -> Schema {
    let moment = generator.subschema_for::<request::Moment>();
    json_schema!({ "anyOf": [moment, { "type": "string", "format": "date" }] })
}

pub(super) fn object(_: &mut SchemaGenerator) -> Schema {
    json_schema!({ "type": "object" })
}

pub(super) fn number(least: i64, most: i64) -> Schema {
    json_schema!({ "type": "integer", "minimum": least, "maximum": most })
}

macro_rules! parameters {
    ($($name:ident $at:ident $word:literal $about:literal $schema:expr;)*) => {
        $(pub(super) const $name: &Parameter = &Parameter { name: $word, at: At::$at, about: $about, schema: $schema };)*
    };
}

parameters! {
    ID Path "id" "The job's id." of::<JobId>;
    WORD Path "id" "The id." text;
    NAME Path "name" "The file's name, with `/` between folders." text;
    KIND Path "word" "The problem's word." text;
    SCHEMA Path "name" "The document." |_| json_schema!({ "type": "string", "enum": schemas::names() });
    PRIORITY Query "priority" "-100 to 100; higher runs first. 0 when not said." |_| number(-100, 100);
    NOT_BEFORE Query "not-before" "Not before this moment." of::<request::Moment>;
    WHEN Query "when" "As soon as a worker is free, or in the operator's hours only." of::<When>;
    BATCH Query "batch" "Jobs handed in together carry the same word." |_| json_schema!({
        "type": "string", "minLength": 1, "maxLength": 80, "pattern": "^[^\\u0000-\\u001f\\u007f-\\u009f]+$"
    });
    REPLACES Query "replaces" "The job whose programs become stale once this one is ready." of::<JobId>;
    DRY_RUN Query "dry-run" "Check only; nothing is kept." of::<bool>;
    STALE_TOO Query "stale" "true gives a program of a job that was replaced all the same." of::<bool>;
    STATE Query "state" "Only jobs in these states, with commas between them." |g| json_schema!({
        "type": "array", "items": g.subschema_for::<JobState>(), "minItems": 1
    });
    BEFORE Query "before" "Only jobs older than this one: the last of the page before." of::<JobId>;
    LIMIT Query "limit" "At most so many; 100 when not said." |_| number(1, 1000);
    AS Query "as" "The form of the answer; the field Accept decides when not said." |_| json_schema!({
        "type": "string", "enum": ["json", "csv"]
    });
    NIGHT_AS Query "as" "The form of the answer; the field Accept decides when not said." |_| json_schema!({
        "type": "string", "enum": ["json", "csv", "html"]
    });
    FROM Query "from" "Jobs that ended at or after this time: 2026-11-25, 2026-11-25T18:00, or with its offset; when the hours last began when not said." time;
    TO Query "to" "Jobs that ended before this time; now when not said." time;
    SHOP Query "shop" "The shop document, by file name or by the name under which the server keeps it." |_| json_schema!({
        "type": "string", "minLength": 1, "maxLength": 80, "pattern": "^[^\\u0000-\\u001f\\u007f-\\u009f]+$"
    });
    JOB_NAME Query "name" "What the jobs are called." |_| json_schema!({
        "type": "string", "minLength": 1, "maxLength": 80, "pattern": "^[^\\u0000-\\u001f\\u007f-\\u009f]+$"
    });
    WAIT Query "wait" "Hold the answer back for so many seconds, or until the job has ended." |_| number(0, 60);
    AFTER Query "after" "Only events with greater numbers. The field Last-Event-ID wins." |_| number(0, i64::MAX);
    KEY Field "Idempotency-Key" "1 to 255 visible letters: the same request with the same key is answered once." |_| json_schema!({
        "type": "string", "minLength": 1, "maxLength": 255, "pattern": "^[!-~]+$"
    });
    IF_MATCH Field "If-Match" "Only when the job's entity tag is this one." text;
    IF_NONE_MATCH Field "If-None-Match" "Nothing is sent that has this entity tag." text;
    RANGE Field "Range" "One range of bytes, as `bytes=0-499`." text;
    IF_RANGE Field "If-Range" "The range only when the entity tag is this one." text;
    LAST_EVENT Field "Last-Event-ID" "The number of the last event that was seen." |_| json_schema!({ "type": "string", "pattern": "^[0-9]{1,18}$" });
}

pub(super) const ETAG: (&str, &str) = ("ETag", "The entity tag.");
pub(super) const LOCATION: (&str, &str) = ("Location", "Where it is.");
pub(super) const LINK: (&str, &str) = (
    "Link",
    "The next page, with `rel=\"next\"`, when there may be one.",
);
pub(super) const FILE_FIELDS: &[(&str, &str)] = &[
    ETAG,
    ("Accept-Ranges", "`bytes`."),
    ("Content-Disposition", "A name to keep it under."),
];
pub(super) const FILE_FORMS: &[Media] = &[("*/*", None)];
pub(super) const JOB: &[Media] = &[(JSON, Some(of::<Job>))];
pub(super) const ACCEPTED: &[Media] = &[(JSON, Some(of::<answer::Accepted>))];
pub(super) const CHECKED_OR_BEFORE: Answer = plain(
    "A dry run: what was found; or the first answer to the same request with the same key.",
    &[(JSON, Some(answer::accepted_or_checked))],
);
pub(super) const TAKEN: Answer =
    made("The job is on disk and in the queue.", ACCEPTED).with(&[LOCATION, ETAG]);

pub(super) const fn plain(about: &'static str, forms: &'static [Media]) -> Answer {
    Answer {
        status: 200,
        about,
        forms,
        fields: &[],
    }
}

pub(super) const fn made(about: &'static str, forms: &'static [Media]) -> Answer {
    Answer {
        status: 201,
        ..plain(about, forms)
    }
}

pub(super) const SAME: Answer = Answer {
    status: 304,
    about: "It is what the caller has.",
    forms: &[],
    fields: &[ETAG],
};
pub(super) const GONE: Answer = Answer {
    status: 204,
    about: "It is removed.",
    forms: &[],
    fields: &[],
};
pub(super) const FILES: &[Media] = &[(JSON, Some(of::<Vec<JobFile>>)), (CSV, None)];
pub(super) const WHOLE_FILE: Answer = plain("The file.", FILE_FORMS).with(FILE_FIELDS);
pub(super) const PART_OF_FILE: Answer = Answer {
    status: 206,
    about: "The range that was asked for.",
    forms: FILE_FORMS,
    fields: FILE_FIELDS,
};
