//! The table of routes. The router and the OpenAPI document are both made from it, so neither has what the other has not.
//!
//! To add a route: a handler in a module of its own and an entry here; then
//! `cargo run -- schema openapi > schema/openapi.json`. A test fails when the entry promises what the handler does not take.

use super::problem::{self, Kind};
use super::{
    ApiArc, answer, ask, downloads, events, guard, health, jobs, openapi, schemas, tokens, webhooks,
};
use crate::service::again::{Measured, Remake};
use crate::service::hooks::manage::{NewWebhook, Queued, WithSecret};
use crate::service::model::{Job, JobFile, JobId, JobState, When};
use crate::service::store::tokens::{Scope, Token};
use crate::service::store::webhooks::{Delivery, Webhook};
use axum::Router;
use axum::http::Method;
use axum::routing::{MethodRouter, delete, get, post};
use schemars::{Schema, SchemaGenerator, json_schema};
use serde_json::{Value, json};
use std::collections::BTreeMap;

/// Makes a schema, its definitions kept by the generator.
pub type MakeSchema = fn(&mut SchemaGenerator) -> Schema;

/// Where a parameter stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum At {
    /// In the path.
    Path,
    /// In the query.
    Query,
    /// A header field.
    Field,
}

/// A parameter of a route. Those of the path are always there, others never have to be.
pub struct Parameter {
    /// Its name.
    pub name: &'static str,
    /// Where it stands.
    pub at: At,
    /// What it is, in one sentence.
    pub about: &'static str,
    /// Its values.
    pub schema: MakeSchema,
}

/// What a body or an answer is made of: media type and schema; none is a text without one.
pub type Media = (&'static str, Option<MakeSchema>);

/// A good answer.
pub struct Answer {
    /// The HTTP status.
    pub status: u16,
    /// What it is.
    pub about: &'static str,
    /// Its forms.
    pub forms: &'static [Media],
    /// Header fields that it has.
    pub fields: &'static [(&'static str, &'static str)],
}

/// One route.
pub struct Route {
    /// The method. GET answers HEAD too.
    pub method: Method,
    /// The path, with `{name}` for a part and `{*name}` for the rest.
    pub path: &'static str,
    /// A word of its own.
    pub word: &'static str,
    /// What it does, in one sentence.
    pub about: &'static str,
    /// What a token needs; `None` is for everybody.
    pub scope: Option<Scope>,
    /// Its parameters.
    pub parameters: &'static [&'static Parameter],
    /// The forms of its body; it takes none when there are none.
    pub bodies: &'static [Media],
    /// Good answers.
    pub answers: &'static [Answer],
    /// Problems beside those that every route has.
    pub problems: &'static [&'static Kind],
    handler: fn() -> MethodRouter<ApiArc>,
}

const JSON: &str = "application/json";
const CSV: &str = "text/csv";

fn of<T: schemars::JsonSchema>(generator: &mut SchemaGenerator) -> Schema {
    generator.subschema_for::<T>()
}

/// A type's schema with an example.
fn like<T: schemars::JsonSchema>(generator: &mut SchemaGenerator, example: Value) -> Schema {
    let mut schema = of::<T>(generator);
    schema.insert("examples".to_string(), Value::Array(vec![example]));
    schema
}

fn text(_: &mut SchemaGenerator) -> Schema {
    json_schema!({ "type": "string" })
}

fn object(_: &mut SchemaGenerator) -> Schema {
    json_schema!({ "type": "object" })
}

fn number(least: i64, most: i64) -> Schema {
    json_schema!({ "type": "integer", "minimum": least, "maximum": most })
}

macro_rules! parameters {
    ($($name:ident $at:ident $word:literal $about:literal $schema:expr;)*) => {
        $(const $name: &Parameter = &Parameter { name: $word, at: At::$at, about: $about, schema: $schema };)*
    };
}

parameters! {
    ID Path "id" "The job's id." of::<JobId>;
    WORD Path "id" "The id." text;
    NAME Path "name" "The file's name, with `/` between folders." text;
    KIND Path "word" "The problem's word." text;
    SCHEMA Path "name" "The document." |_| json_schema!({ "type": "string", "enum": schemas::names() });
    PRIORITY Query "priority" "-100 to 100; higher runs first. 0 when not said." |_| number(-100, 100);
    NOT_BEFORE Query "not-before" "Not before this moment." of::<ask::Moment>;
    WHEN Query "when" "As soon as a worker is free, or in the operator's hours only." of::<When>;
    BATCH Query "batch" "Jobs handed in together carry the same word." |_| json_schema!({
        "type": "string", "minLength": 1, "maxLength": 80, "pattern": "^[^\\u0000-\\u001f\\u007f-\\u009f]+$"
    });
    REPLACES Query "replaces" "The job whose programs become stale once this one is ready." of::<JobId>;
    DRY_RUN Query "dry-run" "Check only; nothing is kept." of::<bool>;
    STATE Query "state" "Only jobs in these states, with commas between them." |g| json_schema!({
        "type": "array", "items": g.subschema_for::<JobState>(), "minItems": 1
    });
    BEFORE Query "before" "Only jobs older than this one: the last of the page before." of::<JobId>;
    LIMIT Query "limit" "At most so many; 100 when not said." |_| number(1, 1000);
    AS Query "as" "The form of the answer; the field Accept decides when not said." |_| json_schema!({
        "type": "string", "enum": ["json", "csv"]
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

const ETAG: (&str, &str) = ("ETag", "The entity tag.");
const LOCATION: (&str, &str) = ("Location", "Where it is.");
const LINK: (&str, &str) = (
    "Link",
    "The next page, with `rel=\"next\"`, when there may be one.",
);
const FILE_FIELDS: &[(&str, &str)] = &[
    ETAG,
    ("Accept-Ranges", "`bytes`."),
    ("Content-Disposition", "A name to keep it under."),
];
const FILE_FORMS: &[Media] = &[("*/*", None)];
const JOB: &[Media] = &[(JSON, Some(of::<Job>))];
const ACCEPTED: &[Media] = &[(JSON, Some(of::<answer::Accepted>))];
const CHECKED_OR_BEFORE: Answer = Answer {
    status: 200,
    about: "A dry run: what was found; or the first answer to the same request with the same key.",
    forms: &[(JSON, Some(answer::accepted_or_checked))],
    fields: &[],
};
const TAKEN: Answer = Answer {
    status: 201,
    about: "The job is on disk and in the queue.",
    forms: ACCEPTED,
    fields: &[LOCATION, ETAG],
};

const fn plain(about: &'static str, forms: &'static [Media]) -> Answer {
    Answer {
        status: 200,
        about,
        forms,
        fields: &[],
    }
}

const SAME: Answer = Answer {
    status: 304,
    about: "It is what the caller has.",
    forms: &[],
    fields: &[ETAG],
};
const GONE: Answer = Answer {
    status: 204,
    about: "It is removed.",
    forms: &[],
    fields: &[],
};
const FILES: &[Media] = &[(JSON, Some(of::<Vec<JobFile>>)), (CSV, None)];
const WHOLE_FILE: Answer = Answer {
    status: 200,
    about: "The file.",
    forms: FILE_FORMS,
    fields: FILE_FIELDS,
};
const PART_OF_FILE: Answer = Answer {
    status: 206,
    about: "The range that was asked for.",
    forms: FILE_FORMS,
    fields: FILE_FIELDS,
};

/// All routes.
pub static ROUTES: &[Route] = &[
    Route {
        method: Method::GET,
        path: "/health",
        word: "health",
        about: "The process is alive.",
        scope: None,
        parameters: &[],
        bodies: &[],
        answers: &[plain("It is.", &[(JSON, Some(of::<health::Health>))])],
        problems: &[],
        handler: || get(health::health),
    },
    Route {
        method: Method::GET,
        path: "/ready",
        word: "ready",
        about: "The server takes jobs: it can write the queue and the files, and is not stopping.",
        scope: None,
        parameters: &[],
        bodies: &[],
        answers: &[plain("It does.", &[(JSON, Some(of::<health::Health>))])],
        problems: &[problem::STORES_AWAY, problem::STOPPING],
        handler: || get(health::ready),
    },
    Route {
        method: Method::GET,
        path: "/metrics",
        word: "metrics",
        about: "Figures for Prometheus, as OpenMetrics text.",
        scope: Some(Scope::Read),
        parameters: &[],
        bodies: &[],
        answers: &[plain(
            "The figures.",
            &[("application/openmetrics-text", None)],
        )],
        problems: &[problem::STORES_AWAY],
        handler: || get(health::metrics),
    },
    Route {
        method: Method::GET,
        path: "/openapi.json",
        word: "openapi",
        about: "This description.",
        scope: Some(Scope::Read),
        parameters: &[],
        bodies: &[],
        answers: &[plain("OpenAPI 3.1.", &[(JSON, Some(object))])],
        problems: &[],
        handler: || get(openapi::show),
    },
    Route {
        method: Method::GET,
        path: "/problems/{word}",
        word: "problem",
        about: "What a type of problems is and what to do about it.",
        scope: Some(Scope::Read),
        parameters: &[KIND],
        bodies: &[],
        answers: &[plain("The type.", &[(JSON, Some(of::<Kind>))])],
        problems: &[problem::NOT_FOUND],
        handler: || get(openapi::kind),
    },
    Route {
        method: Method::POST,
        path: "/v1/jobs",
        word: "submit",
        about: "Hand in a job: its document alone, several files of a form, or a zip. What is not handed in is looked for in the operator's folders.",
        scope: Some(Scope::Submit),
        parameters: &[PRIORITY, NOT_BEFORE, WHEN, BATCH, REPLACES, DRY_RUN, KEY],
        bodies: &[
            (JSON, Some(jobs::document_schema)),
            ("multipart/form-data", Some(jobs::form_schema)),
            ("application/zip", None),
        ],
        answers: &[CHECKED_OR_BEFORE, TAKEN],
        problems: &[
            problem::BAD_BODY,
            problem::TOO_SLOW,
            problem::STILL_AT_WORK,
            problem::TOO_LARGE,
            problem::OTHER_TYPE,
            problem::DOCUMENTS,
            problem::REFUSED,
            problem::KEY_IN_USE,
            problem::QUEUE_FULL,
            problem::STORES_AWAY,
        ],
        handler: || post(jobs::submit),
    },
    Route {
        method: Method::GET,
        path: "/v1/jobs",
        word: "jobs",
        about: "Jobs, the newest first.",
        scope: Some(Scope::Read),
        parameters: &[STATE, BATCH, BEFORE, LIMIT, AS],
        bodies: &[],
        answers: &[Answer {
            status: 200,
            about: "A page of jobs.",
            forms: &[(JSON, Some(of::<Vec<Job>>)), (CSV, None)],
            fields: &[LINK],
        }],
        problems: &[problem::STORES_AWAY],
        handler: || get(jobs::list),
    },
    Route {
        method: Method::GET,
        path: "/v1/jobs/{id}",
        word: "job",
        about: "A job; with `wait`, once it has ended. With If-None-Match the wait is over as soon as it changes.",
        scope: Some(Scope::Read),
        parameters: &[ID, WAIT, IF_NONE_MATCH],
        bodies: &[],
        answers: &[
            Answer {
                status: 200,
                about: "The job as it is now.",
                forms: JOB,
                fields: &[ETAG],
            },
            SAME,
        ],
        problems: &[problem::NOT_FOUND, problem::STORES_AWAY],
        handler: || get(jobs::show),
    },
    Route {
        method: Method::POST,
        path: "/v1/jobs/{id}/cancel",
        word: "cancel",
        about: "Stop a job that waits or runs.",
        scope: Some(Scope::Submit),
        parameters: &[ID, IF_MATCH],
        bodies: &[],
        answers: &[Answer {
            status: 200,
            about: "The job: cancelled, or about to be.",
            forms: JOB,
            fields: &[ETAG],
        }],
        problems: &[
            problem::NOT_FOUND,
            problem::NOT_NOW,
            problem::OTHER_VERSION,
            problem::STORES_AWAY,
        ],
        handler: || post(jobs::cancel),
    },
    Route {
        method: Method::POST,
        path: "/v1/jobs/{id}/retry",
        word: "retry",
        about: "Put a withheld, failed or cancelled job back into the queue. What it made before is dropped.",
        scope: Some(Scope::Submit),
        parameters: &[ID, IF_MATCH],
        bodies: &[],
        answers: &[Answer {
            status: 200,
            about: "The job, queued.",
            forms: JOB,
            fields: &[ETAG],
        }],
        problems: &[
            problem::NOT_FOUND,
            problem::NOT_NOW,
            problem::OTHER_VERSION,
            problem::STORES_AWAY,
        ],
        handler: || post(jobs::retry),
    },
    Route {
        method: Method::POST,
        path: "/v1/jobs/{id}/measured",
        word: "measured",
        about: "Make a job again with the wood as it was measured at the machine. The new job replaces the old one once it is ready.",
        scope: Some(Scope::Submit),
        parameters: &[ID, DRY_RUN, KEY],
        bodies: &[(
            JSON,
            Some(|g| like::<Measured>(g, json!({ "thickness": { "oak-19": [19.1, "19.2mm"] } }))),
        )],
        answers: &[CHECKED_OR_BEFORE, TAKEN],
        problems: AGAIN_PROBLEMS,
        handler: || post(jobs::measured),
    },
    Route {
        method: Method::POST,
        path: "/v1/jobs/{id}/remake",
        word: "remake",
        about: "Make some parts of a job again. It replaces nothing.",
        scope: Some(Scope::Submit),
        parameters: &[ID, DRY_RUN, KEY],
        bodies: &[(
            JSON,
            Some(|g| like::<Remake>(g, json!({ "parts": { "tread": 1 } }))),
        )],
        answers: &[CHECKED_OR_BEFORE, TAKEN],
        problems: AGAIN_PROBLEMS,
        handler: || post(jobs::remake),
    },
    Route {
        method: Method::GET,
        path: "/v1/jobs/{id}/files",
        word: "files",
        about: "What a job made.",
        scope: Some(Scope::Read),
        parameters: &[ID, AS],
        bodies: &[],
        answers: &[plain("The files.", FILES)],
        problems: &[problem::NOT_FOUND, problem::STORES_AWAY],
        handler: || get(downloads::made),
    },
    Route {
        method: Method::GET,
        path: "/v1/jobs/{id}/files/{*name}",
        word: "file",
        about: "A file that a job made.",
        scope: Some(Scope::Read),
        parameters: &[ID, NAME, RANGE, IF_RANGE, IF_NONE_MATCH],
        bodies: &[],
        answers: &[WHOLE_FILE, PART_OF_FILE, SAME],
        problems: FILE_PROBLEMS,
        handler: || get(downloads::made_file),
    },
    Route {
        method: Method::GET,
        path: "/v1/jobs/{id}/files.zip",
        word: "files-zip",
        about: "Everything a job made, in one zip.",
        scope: Some(Scope::Read),
        parameters: &[ID],
        bodies: &[],
        answers: &[Answer {
            status: 200,
            about: "The zip; the same bytes every time.",
            forms: &[("application/zip", None)],
            fields: &[("Content-Disposition", "A name to keep it under.")],
        }],
        problems: &[problem::NOT_FOUND, problem::NOT_NOW, problem::STORES_AWAY],
        handler: || get(downloads::zip),
    },
    Route {
        method: Method::GET,
        path: "/v1/jobs/{id}/handed-in",
        word: "handed-in",
        about: "What was handed in with a job.",
        scope: Some(Scope::Read),
        parameters: &[ID, AS],
        bodies: &[],
        answers: &[plain("The files.", FILES)],
        problems: &[problem::NOT_FOUND, problem::STORES_AWAY],
        handler: || get(downloads::handed_in),
    },
    Route {
        method: Method::GET,
        path: "/v1/jobs/{id}/handed-in/{*name}",
        word: "handed-in-file",
        about: "A file that was handed in.",
        scope: Some(Scope::Read),
        parameters: &[ID, NAME, RANGE, IF_RANGE, IF_NONE_MATCH],
        bodies: &[],
        answers: &[WHOLE_FILE, PART_OF_FILE, SAME],
        problems: FILE_PROBLEMS,
        handler: || get(downloads::handed_in_file),
    },
    Route {
        method: Method::GET,
        path: "/v1/jobs/{id}/report",
        word: "report",
        about: "The job's report: `files/report.json`.",
        scope: Some(Scope::Read),
        parameters: &[ID, RANGE, IF_RANGE, IF_NONE_MATCH],
        bodies: &[],
        answers: &[
            Answer {
                status: 200,
                about: "The report, as `/v1/schemas/report` describes it.",
                forms: &[(JSON, Some(object))],
                fields: FILE_FIELDS,
            },
            PART_OF_FILE,
            SAME,
        ],
        problems: FILE_PROBLEMS,
        handler: || get(downloads::report),
    },
    Route {
        method: Method::GET,
        path: "/v1/jobs/{id}/events",
        word: "job-events",
        about: "A job's events as they happen, from its first one; the stream ends with the job.",
        scope: Some(Scope::Read),
        parameters: &[ID, AFTER, LAST_EVENT],
        bodies: &[],
        answers: &[
            plain(
                "Server-sent events.",
                &[("text/event-stream", Some(events::schema))],
            ),
            Answer {
                status: 204,
                about: "The job has ended and there is nothing more to tell.",
                forms: &[],
                fields: &[],
            },
        ],
        problems: &[problem::NOT_FOUND, problem::STORES_AWAY],
        handler: || get(events::of_job),
    },
    Route {
        method: Method::GET,
        path: "/v1/events",
        word: "events",
        about: "Events of all jobs as they happen, from now on or after a number.",
        scope: Some(Scope::Read),
        parameters: &[AFTER, LAST_EVENT],
        bodies: &[],
        answers: &[plain(
            "Server-sent events.",
            &[("text/event-stream", Some(events::schema))],
        )],
        problems: &[problem::STORES_AWAY],
        handler: || get(events::of_all),
    },
    Route {
        method: Method::GET,
        path: "/v1/schemas",
        word: "schemas",
        about: "The documents that have a JSON Schema.",
        scope: Some(Scope::Read),
        parameters: &[],
        bodies: &[],
        answers: &[plain("Their names.", &[(JSON, Some(of::<Vec<String>>))])],
        problems: &[],
        handler: || get(schemas::list),
    },
    Route {
        method: Method::GET,
        path: "/v1/schemas/{name}",
        word: "schema",
        about: "The JSON Schema of a document.",
        scope: Some(Scope::Read),
        parameters: &[SCHEMA],
        bodies: &[],
        answers: &[plain(
            "The schema.",
            &[("application/schema+json", Some(object))],
        )],
        problems: &[problem::NOT_FOUND],
        handler: || get(schemas::show),
    },
    Route {
        method: Method::GET,
        path: "/v1/tokens",
        word: "tokens",
        about: "All tokens, without their secrets.",
        scope: Some(Scope::Admin),
        parameters: &[],
        bodies: &[],
        answers: &[plain("The tokens.", &[(JSON, Some(of::<Vec<Token>>))])],
        problems: &[problem::STORES_AWAY],
        handler: || get(tokens::list),
    },
    Route {
        method: Method::POST,
        path: "/v1/tokens",
        word: "new-token",
        about: "Make a token. While there is none, requests of this machine need none; from the first one on, every request needs one.",
        scope: Some(Scope::Admin),
        parameters: &[],
        bodies: &[(
            JSON,
            Some(|g| {
                like::<tokens::NewToken>(g, json!({ "name": "spreadsheet", "scope": "submit" }))
            }),
        )],
        answers: &[Answer {
            status: 201,
            about: "The token; its text is shown this once.",
            forms: &[(JSON, Some(of::<tokens::MadeToken>))],
            fields: &[LOCATION],
        }],
        problems: CHANGE_PROBLEMS,
        handler: || post(tokens::make),
    },
    Route {
        method: Method::DELETE,
        path: "/v1/tokens/{id}",
        word: "remove-token",
        about: "Remove a token. It is refused from now on.",
        scope: Some(Scope::Admin),
        parameters: &[WORD],
        bodies: &[],
        answers: &[GONE],
        problems: &[problem::NOT_FOUND, problem::STORES_AWAY],
        handler: || delete(tokens::remove),
    },
    Route {
        method: Method::GET,
        path: "/v1/webhooks",
        word: "webhooks",
        about: "All webhooks, without their secrets.",
        scope: Some(Scope::Admin),
        parameters: &[],
        bodies: &[],
        answers: &[plain("The webhooks.", &[(JSON, Some(of::<Vec<Webhook>>))])],
        problems: &[problem::STORES_AWAY],
        handler: || get(webhooks::list),
    },
    Route {
        method: Method::POST,
        path: "/v1/webhooks",
        word: "new-webhook",
        about: "Make a webhook; it hears of what happens from now on.",
        scope: Some(Scope::Admin),
        parameters: &[],
        bodies: &[(
            JSON,
            Some(|g| {
                let example =
                    json!({ "url": "https://library.example/jobs", "events": ["job.ended"] });
                like::<NewWebhook>(g, example)
            }),
        )],
        answers: &[Answer {
            status: 201,
            about: "The webhook; its secret is shown this once.",
            forms: &[(JSON, Some(of::<WithSecret>))],
            fields: &[LOCATION],
        }],
        problems: CHANGE_PROBLEMS,
        handler: || post(webhooks::make),
    },
    Route {
        method: Method::GET,
        path: "/v1/webhooks/{id}",
        word: "webhook",
        about: "A webhook.",
        scope: Some(Scope::Admin),
        parameters: &[WORD],
        bodies: &[],
        answers: &[plain("The webhook.", &[(JSON, Some(of::<Webhook>))])],
        problems: &[problem::NOT_FOUND, problem::STORES_AWAY],
        handler: || get(webhooks::show),
    },
    Route {
        method: Method::DELETE,
        path: "/v1/webhooks/{id}",
        word: "remove-webhook",
        about: "Remove a webhook and its messages.",
        scope: Some(Scope::Admin),
        parameters: &[WORD],
        bodies: &[],
        answers: &[GONE],
        problems: &[problem::NOT_FOUND, problem::STORES_AWAY],
        handler: || delete(webhooks::remove),
    },
    Route {
        method: Method::GET,
        path: "/v1/webhooks/{id}/messages",
        word: "webhook-messages",
        about: "A webhook's last messages and what became of them, the newest first.",
        scope: Some(Scope::Admin),
        parameters: &[WORD, LIMIT],
        bodies: &[],
        answers: &[plain("The messages.", &[(JSON, Some(of::<Vec<Delivery>>))])],
        problems: &[problem::NOT_FOUND, problem::STORES_AWAY],
        handler: || get(webhooks::messages),
    },
    Route {
        method: Method::POST,
        path: "/v1/webhooks/{id}/rotate",
        word: "rotate-webhook",
        about: "Give a webhook a new secret. For a day messages are signed with the former one too.",
        scope: Some(Scope::Admin),
        parameters: &[WORD],
        bodies: &[],
        answers: &[plain(
            "The webhook; its secret is shown this once.",
            &[(JSON, Some(of::<WithSecret>))],
        )],
        problems: &[problem::NOT_FOUND, problem::REFUSED, problem::STORES_AWAY],
        handler: || post(webhooks::rotate),
    },
    Route {
        method: Method::POST,
        path: "/v1/webhooks/{id}/test",
        word: "test-webhook",
        about: "Send a webhook a message of the type `grainway.test`.",
        scope: Some(Scope::Admin),
        parameters: &[WORD],
        bodies: &[],
        answers: &[Answer {
            status: 202,
            about: "The message is on its way.",
            forms: &[(JSON, Some(of::<Queued>))],
            fields: &[],
        }],
        problems: &[problem::NOT_FOUND, problem::REFUSED, problem::STORES_AWAY],
        handler: || post(webhooks::test),
    },
    Route {
        method: Method::POST,
        path: "/v1/webhooks/{id}/resume",
        word: "resume-webhook",
        about: "Switch a webhook on that was switched off; it hears of what happens from now on.",
        scope: Some(Scope::Admin),
        parameters: &[WORD],
        bodies: &[],
        answers: &[plain("The webhook.", &[(JSON, Some(of::<Webhook>))])],
        problems: &[problem::NOT_FOUND, problem::STORES_AWAY],
        handler: || post(webhooks::resume),
    },
];

const FILE_PROBLEMS: &[&Kind] = &[
    problem::NOT_FOUND,
    problem::NOT_NOW,
    problem::NO_SUCH_RANGE,
    problem::STORES_AWAY,
];

const CHANGE_PROBLEMS: &[&Kind] = &[
    problem::BAD_BODY,
    problem::TOO_SLOW,
    problem::TOO_LARGE,
    problem::OTHER_TYPE,
    problem::REFUSED,
    problem::STORES_AWAY,
];

const AGAIN_PROBLEMS: &[&Kind] = &[
    problem::BAD_BODY,
    problem::NOT_FOUND,
    problem::TOO_SLOW,
    problem::STILL_AT_WORK,
    problem::TOO_LARGE,
    problem::OTHER_TYPE,
    problem::DOCUMENTS,
    problem::REFUSED,
    problem::KEY_IN_USE,
    problem::QUEUE_FULL,
    problem::STORES_AWAY,
];

/// Problems that every route has. Those of tokens only where one is wanted.
pub(super) const COMMON_PROBLEMS: &[&Kind] = &[
    problem::BAD_REQUEST,
    problem::BAD_PARAMETER,
    problem::OTHER_HOST,
    problem::TOO_MANY,
    problem::FAILED,
    problem::BUSY,
];

/// Problems of routes that want a token.
pub(super) const TOKEN_PROBLEMS: &[&Kind] = &[
    problem::NO_TOKEN,
    problem::WRONG_TOKEN,
    problem::NOT_ALLOWED,
    problem::NOT_FROM_THERE,
    problem::OTHER_SITE,
];

/// The route of a method and a path as the table writes it. HEAD is GET without a body.
pub(super) fn route(method: &Method, path: &str) -> Option<&'static Route> {
    let method = match *method {
        Method::HEAD => &Method::GET,
        _ => method,
    };
    ROUTES
        .iter()
        .find(|r| r.path == path && r.method == *method)
}

/// The router of the table.
pub(super) fn router(api: ApiArc) -> Router {
    let mut paths: BTreeMap<&str, MethodRouter<ApiArc>> = BTreeMap::new();
    for route in ROUTES {
        let handler = (route.handler)();
        let merged = match paths.remove(route.path) {
            Some(others) => others.merge(handler),
            None => handler,
        };
        paths.insert(route.path, merged);
    }
    let router = paths
        .into_iter()
        .fold(Router::new(), |router, (path, methods)| {
            router.route(path, methods)
        });
    guard::stand_before(router, api)
}
