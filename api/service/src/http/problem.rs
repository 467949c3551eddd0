//! What went wrong, as RFC 9457 has it: every error of the API is one of [`KINDS`] and says what, where and what to do.

use crate::files::FilesProblem;
use crate::intake::Refusal;
use crate::store::StoreProblem;
use axum::body::Body;
use axum::http::header::{ALLOW, CONTENT_TYPE, RETRY_AFTER, WWW_AUTHENTICATE};
use axum::http::{HeaderMap, HeaderName, HeaderValue, StatusCode};
use axum::response::{IntoResponse, Response};
use grainway_pipeline::finding::{Finding, Severity};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// The media type of problem documents.
pub const PROBLEM_JSON: &str = "application/problem+json";
/// Most problems in one answer.
const MOST_PROBLEMS: usize = 500;

/// A kind of problem.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub struct Kind {
    /// A stable word; the type is `/problems/` and this.
    pub word: &'static str,
    /// The HTTP status.
    pub status: u16,
    /// What it is, in a few words.
    pub title: &'static str,
    /// What to do about it.
    pub remedy: &'static str,
}

macro_rules! kinds {
    ($($(#[$doc:meta])* $name:ident $word:literal $status:literal $title:literal $remedy:literal;)*) => {
        $($(#[$doc])* pub const $name: &Kind = &Kind { word: $word, status: $status, title: $title, remedy: $remedy };)*
        /// All kinds, by status.
        pub const KINDS: &[&Kind] = &[$($name),*];
    };
}

kinds! {
    /// The request itself.
    BAD_REQUEST "bad-request" 400 "The request is not understood" "Compare it with /openapi.json.";
    /// A parameter or header field.
    BAD_PARAMETER "bad-parameter" 400 "A parameter is wrong" "Correct the parameters that are named.";
    /// A body that is not what its type says.
    BAD_BODY "bad-body" 400 "The body cannot be read" "Send what the Content-Type says.";
    /// No token.
    NO_TOKEN "no-token" 401 "A token is wanted" "Send `Authorization: Bearer` and a token of this server.";
    /// A token that is not one of ours.
    WRONG_TOKEN "wrong-token" 401 "The token is not known" "Use a token that was made on this server and not removed.";
    /// A token that may not do this.
    NOT_ALLOWED "not-allowed" 403 "This is not allowed" "Ask whoever runs this server for a token that may.";
    /// From elsewhere while there is no token.
    NOT_FROM_THERE "not-from-there" 403 "Only this machine is served" "Make a token with `grainway token new`, then send it.";
    /// A page of another site asks.
    OTHER_SITE "other-site" 403 "Pages of other sites are not served" "Open the page of this server itself.";
    /// There is no such thing.
    NOT_FOUND "not-found" 404 "There is no such thing" "Check the address and the id.";
    /// The method is not for this address.
    OTHER_METHOD "other-method" 405 "The address does not know this method" "Use one that the field Allow names.";
    /// It came too slowly.
    TOO_SLOW "too-slow" 408 "The request took too long to arrive" "Send it again over a better line.";
    /// The job's state does not allow it.
    NOT_NOW "not-now" 409 "The job's state does not allow this" "Look at the job's state.";
    /// A newer job replaced it.
    STALE "stale" 409 "A newer job replaced this one" "Fetch what the newer job made.";
    /// The first request with the key is at work.
    STILL_AT_WORK "still-at-work" 409 "The same request is still at work" "Send it again in a moment for its answer.";
    /// If-Match does not hold.
    OTHER_VERSION "other-version" 412 "The job has changed meanwhile" "Look at the job again, then decide.";
    /// It is too large.
    TOO_LARGE "too-large" 413 "It is too large" "Send less at a time.";
    /// A Content-Type that is not taken here.
    OTHER_TYPE "other-type" 415 "This Content-Type is not taken here" "Use one that the field Accept names.";
    /// A range outside of the file.
    NO_SUCH_RANGE "no-such-range" 416 "The file has no such range" "Ask for a range within the file.";
    /// A Host that is not ours.
    OTHER_HOST "other-host" 421 "This server does not answer to that name" "Use its address, or have the name added to `hosts` in its settings.";
    /// Documents with faults.
    DOCUMENTS "documents" 422 "The job's documents have faults" "Correct what is named and send the job again.";
    /// A request that is understood and cannot be followed.
    REFUSED "refused" 422 "The request cannot be followed" "Correct what is named.";
    /// The idempotency key belongs to another request.
    KEY_IN_USE "key-in-use" 422 "The Idempotency-Key belongs to another request" "Use a fresh key for a new request.";
    /// Too many requests.
    TOO_MANY "too-many" 429 "Too many requests" "Wait for as long as Retry-After says.";
    /// Ours.
    FAILED "failed" 500 "The server failed" "Try again; tell whoever runs this server the request's id.";
    /// All hands are full.
    BUSY "busy" 503 "The server has its hands full" "Send it again after a while.";
    /// The queue is full.
    QUEUE_FULL "queue-full" 503 "The queue is full" "Send the job again once others have ended.";
    /// The queue or the files.
    STORES_AWAY "stores-away" 503 "The queue or the files cannot be reached" "Send it again after a while; it is safe with an Idempotency-Key.";
    /// It is stopping.
    STOPPING "stopping" 503 "The server is stopping" "Send it again once the server is back.";
}

/// One thing that is wrong.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub struct Wrong {
    /// Where: a JSON Pointer, with the document before a `#` when several were handed in; or the name of a parameter, field or file.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub pointer: String,
    /// A stable word.
    pub code: String,
    /// What, in one or two sentences.
    pub message: String,
    /// What to do.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub remedy: String,
    /// The row of a parts list, as the spreadsheet counts.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub row: Option<u32>,
    /// The column of a parts list, by its heading.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub column: Option<String>,
}

impl Wrong {
    /// At a place, with a code and a message.
    pub fn new(pointer: impl Into<String>, code: &str, message: impl Into<String>) -> Wrong {
        Wrong {
            pointer: pointer.into(),
            code: code.to_string(),
            message: message.into(),
            ..Wrong::default()
        }
    }

    /// With a remedy.
    pub fn remedy(mut self, remedy: impl Into<String>) -> Wrong {
        self.remedy = remedy.into();
        self
    }
}

impl From<&Finding> for Wrong {
    fn from(finding: &Finding) -> Wrong {
        Wrong {
            pointer: finding.pointer.iter().map(ToString::to_string).collect(),
            code: finding.code.clone(),
            message: finding.message.clone(),
            remedy: finding.remedy.clone(),
            row: None,
            column: None,
        }
    }
}

/// An error answer: a problem document of RFC 9457.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub struct ProblemDocument {
    /// `/problems/` and a stable word; the address says more.
    #[serde(rename = "type")]
    #[schemars(extend("format" = "uri-reference"))]
    pub kind: String,
    /// What it is, in a few words; the same for every problem of the type.
    pub title: String,
    /// The HTTP status.
    pub status: u16,
    /// What happened this time.
    pub detail: String,
    /// The request's id, as in `X-Request-Id`.
    #[schemars(extend("format" = "uri-reference"))]
    pub instance: String,
    /// All that is wrong, as far as it can be told at once.
    pub problems: Vec<Wrong>,
}

/// An error on its way out.
#[derive(Clone, Debug)]
pub struct Error(Box<Inner>);

#[derive(Clone, Debug)]
struct Inner {
    kind: &'static Kind,
    detail: String,
    problems: Vec<Wrong>,
    fields: HeaderMap,
    cause: Option<String>,
}

impl Error {
    /// Of a kind, with what happened this time.
    pub fn new(kind: &'static Kind, detail: impl Into<String>) -> Error {
        let mut fields = HeaderMap::new();
        if kind.status == 401 {
            fields.insert(WWW_AUTHENTICATE, HeaderValue::from_static("Bearer"));
        }
        if matches!(kind.status, 429 | 503) {
            fields.insert(RETRY_AFTER, HeaderValue::from_static("2"));
        }
        Error(Box::new(Inner {
            kind,
            detail: detail.into(),
            problems: Vec::new(),
            fields,
            cause: None,
        }))
    }

    /// With one thing that is wrong, or more.
    pub fn wrong(mut self, wrong: impl IntoIterator<Item = Wrong>) -> Error {
        self.0.problems.extend(wrong);
        self
    }

    /// With a header field.
    pub fn field(mut self, name: HeaderName, value: &str) -> Error {
        if let Ok(value) = HeaderValue::from_str(value) {
            self.0.fields.insert(name, value);
        }
        self
    }

    /// To be asked again after some seconds.
    pub fn retry_after(self, seconds: u64) -> Error {
        self.field(RETRY_AFTER, &seconds.to_string())
    }

    /// With what only the log is told.
    pub fn cause(mut self, cause: impl std::fmt::Display) -> Error {
        self.0.cause = Some(cause.to_string());
        self
    }

    /// What is wrong, in sentences.
    pub fn sentences(&self) -> Vec<String> {
        let told = |w: &Wrong| {
            let at = match w.pointer.is_empty() {
                true => String::new(),
                false => format!("{}: ", w.pointer),
            };
            format!("{at}{} {}", w.message, w.remedy)
                .trim_end()
                .to_string()
        };
        match self.0.problems.as_slice() {
            [] => vec![self.0.detail.clone()],
            problems => problems.iter().map(told).collect(),
        }
    }

    /// Its kind.
    pub fn kind(&self) -> &'static Kind {
        self.0.kind
    }

    /// There is no such thing.
    pub fn not_found(detail: impl Into<String>) -> Error {
        Error::new(NOT_FOUND, detail)
    }

    /// What went wrong for the log, where there is more to say than in the answer.
    pub(super) fn for_log(&self) -> Option<&str> {
        self.0.cause.as_deref()
    }

    /// For an answer that something else gave: a status alone.
    pub(super) fn of_status(status: StatusCode) -> Error {
        let kind = match KINDS.iter().find(|k| k.status == status.as_u16()) {
            Some(kind) => kind,
            None if status.is_client_error() => BAD_REQUEST,
            None => FAILED,
        };
        let detail = match kind.status {
            404 => "There is nothing at this address.",
            405 => "This address does not know the method.",
            _ => kind.title,
        };
        Error::new(kind, detail)
    }

    /// The answer, told under a request's id. Fields that the first answer had stay: `Allow` belongs to 405.
    pub(super) fn told(self, request: &str, first: &HeaderMap) -> Response {
        let inner = *self.0;
        let mut problems = inner.problems;
        let all = problems.len();
        problems.truncate(MOST_PROBLEMS);
        let mut detail = inner.detail;
        if all > MOST_PROBLEMS {
            detail = format!("{detail} The first {MOST_PROBLEMS} of {all} problems are told.");
        }
        let document = ProblemDocument {
            kind: format!("/problems/{}", inner.kind.word),
            title: inner.kind.title.to_string(),
            status: inner.kind.status,
            detail,
            instance: format!("urn:uuid:{request}"),
            problems,
        };
        let body = serde_json::to_vec(&document).unwrap_or_default();
        let status =
            StatusCode::from_u16(inner.kind.status).unwrap_or(StatusCode::INTERNAL_SERVER_ERROR);
        let mut answer = Response::new(Body::from(body));
        *answer.status_mut() = status;
        if let Some(allow) = first.get(ALLOW) {
            answer.headers_mut().insert(ALLOW, allow.clone());
        }
        answer.headers_mut().extend(inner.fields);
        answer
            .headers_mut()
            .insert(CONTENT_TYPE, HeaderValue::from_static(PROBLEM_JSON));
        answer
    }
}

impl IntoResponse for Error {
    /// Only the status and the problem: the words are put in once the request's id is known.
    fn into_response(self) -> Response {
        let status = StatusCode::from_u16(self.0.kind.status);
        let mut answer = Response::new(Body::empty());
        *answer.status_mut() = status.unwrap_or(StatusCode::INTERNAL_SERVER_ERROR);
        answer.extensions_mut().insert(self);
        answer
    }
}

impl From<StoreProblem> for Error {
    fn from(problem: StoreProblem) -> Error {
        match &problem {
            StoreProblem::Away(_) => Error::new(STORES_AWAY, "The queue cannot be reached.").retry_after(5),
            StoreProblem::Disk(_) => Error::new(
                STORES_AWAY,
                "The queue cannot be written: the disk of this server may be full. Nothing was taken.",
            )
            .retry_after(60),
            _ => Error::new(FAILED, "The queue failed."),
        }
        .cause(problem)
    }
}

impl From<FilesProblem> for Error {
    fn from(problem: FilesProblem) -> Error {
        match &problem {
            FilesProblem::Missing(_) => Error::new(FAILED, "A file that the queue knows is not there."),
            FilesProblem::Name(_) => Error::not_found("There is no such file."),
            FilesProblem::Range { bytes } => Error::new(NO_SUCH_RANGE, format!("The file has {bytes} bytes.")),
            FilesProblem::Away(_) => Error::new(STORES_AWAY, "The files cannot be reached.").retry_after(5),
            FilesProblem::Disk(_) => Error::new(
                STORES_AWAY,
                "The files cannot be written: the disk of this server may be full. Nothing was taken.",
            )
            .retry_after(60),
            FilesProblem::Damaged { name } => Error::new(FAILED, format!("{name} is damaged.")),
        }
        .cause(problem)
    }
}

impl From<Refusal> for Error {
    fn from(refusal: Refusal) -> Error {
        match refusal {
            Refusal::Documents(findings) => {
                let errors = findings
                    .iter()
                    .filter(|f| f.severity == Severity::Error)
                    .count();
                let faults = match errors {
                    1 => "one fault".to_string(),
                    n => format!("{n} faults"),
                };
                Error::new(DOCUMENTS, format!("The job's documents have {faults}."))
                    .wrong(findings.iter().map(Wrong::from))
            }
            Refusal::Request { at, message } => Error::new(REFUSED, sentence(&message))
                .wrong([Wrong::new(at, "refused", sentence(&message))]),
            Refusal::OtherRequest => Error::new(
                KEY_IN_USE,
                "This Idempotency-Key came with another request before.",
            ),
            Refusal::Full { waiting } => Error::new(
                QUEUE_FULL,
                format!("{waiting} jobs wait or run, as many as this server takes."),
            )
            .retry_after(30),
            Refusal::Plugins(why) => {
                Error::new(FAILED, "The plugin folder of this server cannot be read.").cause(why)
            }
            Refusal::Store(problem) => problem.into(),
            Refusal::Files(problem) => problem.into(),
        }
    }
}

/// With a capital letter and a full stop.
pub(super) fn sentence(text: &str) -> String {
    let mut letters = text.chars();
    let mut all: String = letters
        .next()
        .into_iter()
        .flat_map(char::to_uppercase)
        .chain(letters)
        .collect();
    if !all.ends_with(['.', '!', '?']) {
        all.push('.');
    }
    all
}
