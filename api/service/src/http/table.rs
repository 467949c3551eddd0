//! The table of routes.
//!
//! To add a route: a handler in a module of its own and an entry here; then `cargo run --release -- schema openapi > schema/openapi.json`, and a
//! row in docs/api.md. Tests fail when the entry, the handler, the checked-in document and the page do not agree.

use super::parts::*;
use super::problem::{
    BAD_BODY, DOCUMENTS, KEY_IN_USE, Kind, NO_SUCH_RANGE, NOT_FOUND, NOT_NOW, OTHER_TYPE,
    OTHER_VERSION, QUEUE_FULL, REFUSED, STALE, STILL_AT_WORK, STOPPING, STORES_AWAY, TOO_LARGE,
    TOO_SLOW,
};
use super::route::{Answer, Route};
use super::{
    downloads, events, health, jobs, lists, night, openapi, page, schemas, submit, tokens, webhooks,
};
use crate::hooks::manage::{NewWebhook, Queued, WithSecret};
use crate::model::Job;
use crate::night::NightReport;
use crate::rework::{Measured, Remake};
use crate::store::tokens::{Scope, Token};
use crate::store::webhooks::{Delivery, Webhook};
use axum::http::Method;
use axum::routing::{MethodRouter, delete, get, post};
use serde_json::json;

/// What routes have that say nothing else.
const OPEN: Route = Route {
    method: "GET",
    path: "",
    word: "",
    about: "",
    scope: None,
    parameters: &[],
    bodies: &[],
    answers: &[],
    problems: &[],
    handler: MethodRouter::new,
};
const READ: Route = Route {
    scope: Some(Scope::Read),
    ..OPEN
};
const SUBMIT: Route = Route {
    method: "POST",
    scope: Some(Scope::Submit),
    ..OPEN
};
const ADMIN: Route = Route {
    scope: Some(Scope::Admin),
    ..OPEN
};

/// All routes.
pub static ROUTES: &[Route] = &[
    Route {
        path: "/",
        word: "page",
        about: "The page of the queue, for people.",
        answers: &[plain("It.", &[("text/html", None)])],
        handler: || get(page::page),
        ..OPEN
    },
    Route {
        path: "/page.css",
        word: "page-style",
        about: "Its style.",
        answers: &[plain("It.", &[("text/css", None)])],
        handler: || get(page::style),
        ..OPEN
    },
    Route {
        path: "/page.js",
        word: "page-script",
        about: "Its script.",
        answers: &[plain("It.", &[("text/javascript", None)])],
        handler: || get(page::script),
        ..OPEN
    },
    Route {
        path: "/health",
        word: "health",
        about: "The process is alive.",
        answers: &[plain("It is.", &[(JSON, Some(of::<health::Health>))])],
        handler: || get(health::health),
        ..OPEN
    },
    Route {
        path: "/ready",
        word: "ready",
        about: "The server takes jobs: it can write the queue and the files, and is not stopping.",
        answers: &[plain("It does.", &[(JSON, Some(of::<health::Health>))])],
        problems: &[STORES_AWAY, STOPPING],
        handler: || get(health::ready),
        ..OPEN
    },
    Route {
        path: "/metrics",
        word: "metrics",
        about: "Figures for Prometheus, as OpenMetrics text.",
        answers: &[plain(
            "The figures.",
            &[("application/openmetrics-text", None)],
        )],
        problems: &[STORES_AWAY],
        handler: || get(health::metrics),
        ..READ
    },
    Route {
        path: "/openapi.json",
        word: "openapi",
        about: "This description.",
        answers: &[plain("OpenAPI 3.1.", &[(JSON, Some(object))])],
        handler: || get(openapi::show),
        ..READ
    },
    Route {
        path: "/problems/{word}",
        word: "problem",
        about: "What a type of problems is and what to do about it.",
        parameters: &[KIND],
        answers: &[plain("The type.", &[(JSON, Some(of::<Kind>))])],
        problems: &[NOT_FOUND],
        handler: || get(openapi::kind),
        ..READ
    },
    Route {
        path: "/v1/jobs",
        word: "submit",
        about: "Hand in a job: its document alone, several files of a form, or a zip. What is not handed in is looked for in the operator's folders.",
        parameters: &[PRIORITY, NOT_BEFORE, WHEN, BATCH, REPLACES, DRY_RUN, KEY],
        bodies: &[
            (JSON, Some(submit::document_schema)),
            ("multipart/form-data", Some(submit::form_schema)),
            ("application/zip", None),
        ],
        answers: &[CHECKED_OR_BEFORE, TAKEN],
        problems: HANDED_IN_PROBLEMS,
        handler: || post(submit::submit),
        ..SUBMIT
    },
    Route {
        path: "/v1/jobs",
        word: "jobs",
        about: "Jobs, the newest first.",
        parameters: &[STATE, BATCH, BEFORE, LIMIT, AS],
        answers: &[plain(
            "A page of jobs.",
            &[(JSON, Some(of::<Vec<Job>>)), (CSV, None)],
        )
        .with(&[LINK])],
        problems: &[STORES_AWAY],
        handler: || get(jobs::list),
        ..READ
    },
    Route {
        path: "/v1/lists",
        word: "list",
        about: "Hand in a parts list: a CSV file or a workbook alone, or with its drawings and options as a form or a zip. All of its jobs are taken, or none.",
        parameters: &[
            SHOP, JOB_NAME, PRIORITY, NOT_BEFORE, WHEN, BATCH, REPLACES, DRY_RUN, AS, KEY,
        ],
        bodies: &[
            (CSV, None),
            (lists::WORKBOOK, None),
            ("multipart/form-data", Some(lists::form_schema)),
            ("application/zip", None),
        ],
        answers: &[
            plain(
                "A dry run: the documents that would be taken; or the first answer to the same request with the same key.",
                &[(JSON, Some(lists::taken_or_checked)), (CSV, None)],
            ),
            made(
                "The jobs are on disk and in the queue.",
                &[(JSON, Some(of::<lists::ListTaken>)), (CSV, None)],
            )
            .with(&[LOCATION]),
        ],
        problems: HANDED_IN_PROBLEMS,
        handler: || post(lists::submit),
        ..SUBMIT
    },
    Route {
        path: "/v1/night-report",
        word: "night-report",
        about: "What the morning needs to know: ready, withheld and failed jobs, wood to fetch, machine time.",
        parameters: &[FROM, TO, NIGHT_AS],
        answers: &[plain(
            "The report.",
            &[
                (JSON, Some(of::<NightReport>)),
                (CSV, None),
                ("text/html", None),
            ],
        )],
        problems: &[REFUSED, STORES_AWAY],
        handler: || get(night::show),
        ..READ
    },
    Route {
        path: "/v1/jobs/{id}",
        word: "job",
        about: "A job; with `wait`, once it has ended. With If-None-Match the wait is over as soon as it changes.",
        parameters: &[ID, WAIT, IF_NONE_MATCH],
        answers: &[plain("The job as it is now.", JOB).with(&[ETAG]), SAME],
        problems: &[NOT_FOUND, STORES_AWAY],
        handler: || get(jobs::show),
        ..READ
    },
    Route {
        path: "/v1/jobs/{id}/cancel",
        word: "cancel",
        about: "Stop a job that waits or runs.",
        parameters: &[ID, IF_MATCH],
        answers: &[plain("The job: cancelled, or about to be.", JOB).with(&[ETAG])],
        problems: &[NOT_FOUND, NOT_NOW, OTHER_VERSION, STORES_AWAY],
        handler: || post(jobs::cancel),
        ..SUBMIT
    },
    Route {
        path: "/v1/jobs/{id}/retry",
        word: "retry",
        about: "Put a withheld, failed or cancelled job back into the queue. What it made before is dropped.",
        parameters: &[ID, IF_MATCH],
        answers: &[plain("The job, queued.", JOB).with(&[ETAG])],
        problems: &[NOT_FOUND, NOT_NOW, OTHER_VERSION, STORES_AWAY],
        handler: || post(jobs::retry),
        ..SUBMIT
    },
    Route {
        path: "/v1/jobs/{id}/measured",
        word: "measured",
        about: "Make a job again with the wood as it was measured at the machine. The new job replaces the old one once it is ready.",
        parameters: &[ID, DRY_RUN, KEY],
        bodies: &[(
            JSON,
            Some(|g| {
                like::<Measured>(
                    g,
                    json!({ "thickness": { "oak-19": [19.1, "19.2mm"] }, "pieces": { "top": { "width": "338mm" } } }),
                )
            }),
        )],
        answers: &[CHECKED_OR_BEFORE, TAKEN],
        problems: AGAIN_PROBLEMS,
        handler: || post(submit::measured),
        ..SUBMIT
    },
    Route {
        path: "/v1/jobs/{id}/remake",
        word: "remake",
        about: "Make some parts of a job again. It replaces nothing.",
        parameters: &[ID, DRY_RUN, KEY],
        bodies: &[(
            JSON,
            Some(|g| like::<Remake>(g, json!({ "parts": { "tread": 1 } }))),
        )],
        answers: &[CHECKED_OR_BEFORE, TAKEN],
        problems: AGAIN_PROBLEMS,
        handler: || post(submit::remake),
        ..SUBMIT
    },
    Route {
        path: "/v1/jobs/{id}/files",
        word: "files",
        about: "What a job made.",
        parameters: &[ID, AS],
        answers: &[plain("The files.", FILES)],
        problems: &[NOT_FOUND, STORES_AWAY],
        handler: || get(downloads::made),
        ..READ
    },
    Route {
        path: "/v1/jobs/{id}/files/{*name}",
        word: "file",
        about: "A file that a job made. A program of a job that was replaced is stale and is refused.",
        parameters: &[ID, NAME, STALE_TOO, RANGE, IF_RANGE, IF_NONE_MATCH],
        answers: &[WHOLE_FILE, PART_OF_FILE, SAME],
        problems: &[NOT_FOUND, NOT_NOW, STALE, NO_SUCH_RANGE, STORES_AWAY],
        handler: || get(downloads::made_file),
        ..READ
    },
    Route {
        path: "/v1/jobs/{id}/files.zip",
        word: "files-zip",
        about: "Everything a job made, in one zip. That of a job that was replaced says so in STALE.txt, and its programs lie in programs-stale.",
        parameters: &[ID],
        answers: &[plain(
            "The zip; the same bytes every time until the job is replaced.",
            &[("application/zip", None)],
        )
        .with(&[("Content-Disposition", "A name to keep it under.")])],
        problems: &[NOT_FOUND, NOT_NOW, STORES_AWAY],
        handler: || get(downloads::zip),
        ..READ
    },
    Route {
        path: "/v1/jobs/{id}/handed-in",
        word: "handed-in",
        about: "What was handed in with a job.",
        parameters: &[ID, AS],
        answers: &[plain("The files.", FILES)],
        problems: &[NOT_FOUND, STORES_AWAY],
        handler: || get(downloads::handed_in),
        ..READ
    },
    Route {
        path: "/v1/jobs/{id}/handed-in/{*name}",
        word: "handed-in-file",
        about: "A file that was handed in.",
        parameters: &[ID, NAME, RANGE, IF_RANGE, IF_NONE_MATCH],
        answers: &[WHOLE_FILE, PART_OF_FILE, SAME],
        problems: FILE_PROBLEMS,
        handler: || get(downloads::handed_in_file),
        ..READ
    },
    Route {
        path: "/v1/jobs/{id}/report",
        word: "report",
        about: "The job's report: `files/report.json`.",
        parameters: &[ID, RANGE, IF_RANGE, IF_NONE_MATCH],
        answers: &[
            plain(
                "The report, as `/v1/schemas/report` describes it.",
                &[(JSON, Some(object))],
            )
            .with(FILE_FIELDS),
            PART_OF_FILE,
            SAME,
        ],
        problems: FILE_PROBLEMS,
        handler: || get(downloads::report),
        ..READ
    },
    Route {
        path: "/v1/jobs/{id}/events",
        word: "job-events",
        about: "A job's events as they happen, from its first one; the stream ends with the job.",
        parameters: &[ID, AFTER, LAST_EVENT],
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
        problems: &[NOT_FOUND, STORES_AWAY],
        handler: || get(events::of_job),
        ..READ
    },
    Route {
        path: "/v1/events",
        word: "events",
        about: "Events of all jobs as they happen, from now on or after a number.",
        parameters: &[AFTER, LAST_EVENT],
        answers: &[plain(
            "Server-sent events.",
            &[("text/event-stream", Some(events::schema))],
        )],
        problems: &[STORES_AWAY],
        handler: || get(events::of_all),
        ..READ
    },
    Route {
        path: "/v1/schemas",
        word: "schemas",
        about: "The documents that have a JSON Schema.",
        answers: &[plain("Their names.", &[(JSON, Some(of::<Vec<String>>))])],
        handler: || get(schemas::list),
        ..READ
    },
    Route {
        path: "/v1/schemas/{name}",
        word: "schema",
        about: "The JSON Schema of a document.",
        parameters: &[SCHEMA],
        answers: &[plain(
            "The schema.",
            &[("application/schema+json", Some(object))],
        )],
        problems: &[NOT_FOUND],
        handler: || get(schemas::show),
        ..READ
    },
    Route {
        path: "/v1/tokens",
        word: "tokens",
        about: "All tokens, without their secrets.",
        answers: &[plain("The tokens.", &[(JSON, Some(of::<Vec<Token>>))])],
        problems: &[STORES_AWAY],
        handler: || get(tokens::list),
        ..ADMIN
    },
    Route {
        method: "POST",
        path: "/v1/tokens",
        word: "new-token",
        about: "Make a token. While there is none, requests of this machine need none; from the first one on, every request needs one.",
        bodies: &[(
            JSON,
            Some(|g| {
                like::<tokens::NewToken>(g, json!({ "name": "spreadsheet", "scope": "submit" }))
            }),
        )],
        answers: &[made(
            "The token; its text is shown this once.",
            &[(JSON, Some(of::<tokens::MadeToken>))],
        )
        .with(&[LOCATION])],
        problems: CHANGE_PROBLEMS,
        handler: || post(tokens::make),
        ..ADMIN
    },
    Route {
        method: "DELETE",
        path: "/v1/tokens/{id}",
        word: "remove-token",
        about: "Remove a token. It is refused from now on.",
        parameters: &[WORD],
        answers: &[GONE],
        problems: &[NOT_FOUND, STORES_AWAY],
        handler: || delete(tokens::remove),
        ..ADMIN
    },
    Route {
        path: "/v1/webhooks",
        word: "webhooks",
        about: "All webhooks, without their secrets.",
        answers: &[plain("The webhooks.", &[(JSON, Some(of::<Vec<Webhook>>))])],
        problems: &[STORES_AWAY],
        handler: || get(webhooks::list),
        ..ADMIN
    },
    Route {
        method: "POST",
        path: "/v1/webhooks",
        word: "new-webhook",
        about: "Make a webhook; it hears of what happens from now on.",
        bodies: &[(
            JSON,
            Some(|g| {
                let example =
                    json!({ "url": "https://library.example/jobs", "events": ["job.ended"] });
                like::<NewWebhook>(g, example)
            }),
        )],
        answers: &[made(
            "The webhook; its secret is shown this once.",
            &[(JSON, Some(of::<WithSecret>))],
        )
        .with(&[LOCATION])],
        problems: CHANGE_PROBLEMS,
        handler: || post(webhooks::make),
        ..ADMIN
    },
    Route {
        path: "/v1/webhooks/{id}",
        word: "webhook",
        about: "A webhook.",
        parameters: &[WORD],
        answers: &[plain("The webhook.", &[(JSON, Some(of::<Webhook>))])],
        problems: &[NOT_FOUND, STORES_AWAY],
        handler: || get(webhooks::show),
        ..ADMIN
    },
    Route {
        method: "DELETE",
        path: "/v1/webhooks/{id}",
        word: "remove-webhook",
        about: "Remove a webhook and its messages.",
        parameters: &[WORD],
        answers: &[GONE],
        problems: &[NOT_FOUND, STORES_AWAY],
        handler: || delete(webhooks::remove),
        ..ADMIN
    },
    Route {
        path: "/v1/webhooks/{id}/messages",
        word: "webhook-messages",
        about: "A webhook's last messages and what became of them, the newest first.",
        parameters: &[WORD, LIMIT],
        answers: &[plain("The messages.", &[(JSON, Some(of::<Vec<Delivery>>))])],
        problems: &[NOT_FOUND, STORES_AWAY],
        handler: || get(webhooks::messages),
        ..ADMIN
    },
    Route {
        method: "POST",
        path: "/v1/webhooks/{id}/rotate",
        word: "rotate-webhook",
        about: "Give a webhook a new secret. For a day messages are signed with the former one too.",
        parameters: &[WORD],
        answers: &[plain(
            "The webhook; its secret is shown this once.",
            &[(JSON, Some(of::<WithSecret>))],
        )],
        problems: &[NOT_FOUND, REFUSED, STORES_AWAY],
        handler: || post(webhooks::rotate),
        ..ADMIN
    },
    Route {
        method: "POST",
        path: "/v1/webhooks/{id}/test",
        word: "test-webhook",
        about: "Send a webhook a message of the type `grainway.test`.",
        parameters: &[WORD],
        answers: &[Answer {
            status: 202,
            about: "The message is on its way.",
            forms: &[(JSON, Some(of::<Queued>))],
            fields: &[],
        }],
        problems: &[NOT_FOUND, REFUSED, STORES_AWAY],
        handler: || post(webhooks::test),
        ..ADMIN
    },
    Route {
        method: "POST",
        path: "/v1/webhooks/{id}/resume",
        word: "resume-webhook",
        about: "Switch a webhook on that was switched off; it hears of what happens from now on.",
        parameters: &[WORD],
        answers: &[plain("The webhook.", &[(JSON, Some(of::<Webhook>))])],
        problems: &[NOT_FOUND, STORES_AWAY],
        handler: || post(webhooks::resume),
        ..ADMIN
    },
];

const FILE_PROBLEMS: &[&Kind] = &[NOT_FOUND, NOT_NOW, NO_SUCH_RANGE, STORES_AWAY];

const CHANGE_PROBLEMS: &[&Kind] = &[
    BAD_BODY,
    TOO_SLOW,
    TOO_LARGE,
    OTHER_TYPE,
    REFUSED,
    STORES_AWAY,
];

const HANDED_IN_PROBLEMS: &[&Kind] = &[
    BAD_BODY,
    TOO_SLOW,
    STILL_AT_WORK,
    TOO_LARGE,
    OTHER_TYPE,
    DOCUMENTS,
    REFUSED,
    KEY_IN_USE,
    QUEUE_FULL,
    STORES_AWAY,
];

const AGAIN_PROBLEMS: &[&Kind] = &[
    BAD_BODY,
    NOT_FOUND,
    TOO_SLOW,
    STILL_AT_WORK,
    TOO_LARGE,
    OTHER_TYPE,
    DOCUMENTS,
    REFUSED,
    KEY_IN_USE,
    QUEUE_FULL,
    STORES_AWAY,
];

/// The route of a method and a path as the table writes it. HEAD is GET without a body.
pub(super) fn route(method: &Method, path: &str) -> Option<&'static Route> {
    let method = match *method {
        Method::HEAD => &Method::GET,
        _ => method,
    };
    ROUTES
        .iter()
        .find(|r| r.path == path && r.method == method.as_str())
}
