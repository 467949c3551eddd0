//! Jobs handed in, and made again: whatever form they come in, once for a key.

use super::answer::{Checked, accepted};
use super::body::{self, media, other_type, shallow};
use super::problem::{BAD_BODY, BAD_PARAMETER, Error, FAILED, REFUSED, STILL_AT_WORK, Wrong};
use super::request::{Asked, Caller, LONGEST_BATCH, Moment, job, job_id, shown};
use super::unpack::{NAME_RULE, unpack};
use super::{ApiArc, held};
use crate::config::ServiceLimits;
use crate::intake::{Handed, Refusal, Taken, take};
use crate::model::{Job, JobId, Source, When};
use crate::rework::{self, Measured, Remake};
use crate::store::{Idempotency, Submitted};
use axum::Json;
use axum::body::Body;
use axum::extract::{FromRequest, Multipart, Path, Request, State};
use axum::http::HeaderName;
use axum::http::header::CONTENT_TYPE;
use axum::response::{IntoResponse, Response};
use bytes::Bytes;
use grainway_client::names::{self, safe_name};
use grainway_pipeline::finding::Finding;
use schemars::{JsonSchema, Schema, SchemaGenerator, json_schema};
use serde::Deserialize;
use serde::de::DeserializeOwned;
use sha2::{Digest, Sha256};
use std::collections::BTreeMap;
use std::sync::Arc;

const KEY: HeaderName = HeaderName::from_static("idempotency-key");
/// What `POST /v1/jobs` takes.
const TAKEN: &str = "application/json, multipart/form-data, application/zip";

/// How a job is to be handed in, as the field `options` of a form.
#[derive(Clone, Debug, Default, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields, default)]
pub struct Options {
    /// -100 to 100; higher runs first.
    #[schemars(range(min = -100, max = 100))]
    pub priority: Option<i32>,
    /// Not before this moment.
    pub not_before: Option<Moment>,
    /// In which hours.
    pub when: Option<When>,
    /// Jobs handed in together carry the same word.
    #[schemars(length(min = 1, max = 80))]
    pub batch: Option<String>,
    /// The job whose programs become stale once this one is ready.
    pub replaces: Option<JobId>,
    /// Check only; nothing is kept.
    pub dry_run: Option<bool>,
    /// Which of the files is the job document; `job.json`, or the only one of the job's format, when not said.
    pub document: Option<String>,
}

/// A small job of the shop that the server keeps under the name `workshop`.
fn example() -> serde_json::Value {
    serde_json::json!({
        "format": "grainway.job/1",
        "name": "Treads of a step stool",
        "unit": "mm",
        "shop": "workshop",
        "parts": [{
            "id": "tread",
            "name": "Tread",
            "count": 2,
            "stock": "oak-19",
            "blank": { "length": 380, "width": 230, "dimensioned": true },
            "features": [{
                "id": "pegs",
                "kind": "hole",
                "shape": { "circles": { "at": [[60, 60], [320, 60]], "diameter": 5 } },
                "depth": 12,
            }],
        }],
    })
}

/// The schema of a job document as a body: what it must hold stands in `/v1/schemas/job`.
pub(super) fn document_schema(_: &mut SchemaGenerator) -> Schema {
    json_schema!({
        "type": "object",
        "description": "A job document, as `/v1/schemas/job` describes it.",
        "examples": [example()],
    })
}

/// The schema of a form.
pub(super) fn form_schema(generator: &mut SchemaGenerator) -> Schema {
    let options = generator.subschema_for::<Options>();
    json_schema!({
        "type": "object",
        "description": "The job document in the field `document`, or as one of the files. A field with a file name is a file of the job, whatever the field is called.",
        "properties": {
            "document": { "type": "string", "description": "The job document." },
            "file": {
                "type": "array",
                "items": { "type": "string", "contentMediaType": "application/octet-stream" },
                "description": "Files, with their names; `/` stands between folders.",
            },
            "options": options,
        },
        "additionalProperties": false,
    })
}

impl Options {
    /// These, and what they do not say from others.
    pub(super) fn over(self, below: Options) -> Options {
        Options {
            priority: self.priority.or(below.priority),
            not_before: self.not_before.or(below.not_before),
            when: self.when.or(below.when),
            batch: self.batch.or(below.batch),
            replaces: self.replaces.or(below.replaces),
            dry_run: self.dry_run.or(below.dry_run),
            document: self.document.or(below.document),
        }
    }
}

/// What a request hands in.
#[derive(Default)]
pub(super) struct Form {
    pub(super) files: BTreeMap<String, Bytes>,
    document: Option<String>,
    pub(super) options: Options,
}

pub(super) async fn submit(
    State(api): State<ApiArc>,
    mut asked: Asked,
    request: Request,
) -> Result<Response, Error> {
    let options = options(&mut asked)?;
    let key = key(&asked)?;
    let (parts, sent) = request.into_parts();
    let limits = api.shared.config.limits.clone();
    let media = media(&parts.headers).unwrap_or_default();
    if !TAKEN.split(", ").any(|t| t == media) {
        return Err(other_type(&parts.headers, TAKEN));
    }
    let whole = body::whole(&api, &parts.headers, sent, limits.body_mib << 20).await?;
    let turn = api.permits.check().await?;
    let form = match media.as_str() {
        "application/json" => Form {
            files: BTreeMap::from([("job.json".to_string(), whole.bytes.clone())]),
            document: Some("job.json".to_string()),
            options: Options::default(),
        },
        "application/zip" => {
            let (bytes, limits) = (whole.bytes.clone(), limits.clone());
            let files = tokio::task::spawn_blocking(move || unpack(bytes, &limits)).await;
            Form {
                files: files
                    .map_err(|e| Error::new(FAILED, "The zip was not read.").cause(e))??,
                ..Form::default()
            }
        }
        _ => {
            let names = [("document", "job.json")];
            form(&parts.headers, whole.bytes.clone(), &limits, &names).await?
        }
    };
    for (name, bytes) in &form.files {
        if name.ends_with(".json") {
            shallow(bytes, &format!("{name}#"), limits.json_depth)?;
        }
    }
    clashes(&form.files)?;
    let mut merged = options.over(form.options);
    merged.document = form.document.or(merged.document);
    let dry_run = merged.dry_run.unwrap_or(false);
    let mut sum = Sum::new("/v1/jobs");
    sum.options(&merged);
    form.files.iter().for_each(|(n, b)| sum.file(n, b));
    let handed = Handed {
        files: form.files,
        document: merged.document,
        priority: merged.priority.unwrap_or(0),
        not_before: merged.not_before.map(|m| m.0),
        when: merged.when.unwrap_or_default(),
        batch: merged.batch,
        replaces: merged.replaces,
        source: Some(Source::Api),
        by: asked.caller.token.clone(),
    };
    let held = (whole.room, turn);
    once(
        &api,
        &asked.caller,
        key,
        sum.hex(),
        dry_run,
        move |api, i| async move {
            let taken = take(&api.shared, vec![handed], i, dry_run).await;
            drop(held);
            taken
        },
        |taken| one(taken, dry_run),
    )
    .await
}

/// Options of the query.
pub(super) fn options(asked: &mut Asked) -> Result<Options, Error> {
    let read = Options {
        priority: asked
            .number("priority", -100, 100)
            .and_then(|n| i32::try_from(n).ok()),
        not_before: asked.value(
            "not-before",
            "a time as 2026-11-26T06:00:00+01:00, nor milliseconds since 1970",
        ),
        when: match asked.value::<String>("when", "").as_deref() {
            None => None,
            Some("any") => Some(When::Any),
            Some("hours") => Some(When::Hours),
            Some(other) => {
                let message = format!("{:?} is not one of any, hours.", shown(other));
                asked.complain(Wrong::new("when", "bad-value", message));
                None
            }
        },
        batch: asked.text("batch", LONGEST_BATCH),
        replaces: asked.value("replaces", "a job id"),
        dry_run: asked.flag("dry-run"),
        document: None,
    };
    asked.sound()?;
    Ok(read)
}

/// The key under which the answer is given again.
pub(super) fn key(asked: &Asked) -> Result<Option<String>, Error> {
    let Some(field) = asked.fields.get(&KEY) else {
        return Ok(None);
    };
    let good = field
        .to_str()
        .ok()
        .filter(|k| (1..=255).contains(&k.len()) && k.bytes().all(|b| b.is_ascii_graphic()));
    match good {
        Some(key) => Ok(Some(key.to_string())),
        None => {
            let message = "The key has not 1 to 255 visible letters, digits and signs.";
            Err(Error::new(BAD_PARAMETER, message).wrong([Wrong::new(
                "Idempotency-Key",
                "bad-value",
                message,
            )]))
        }
    }
}

/// The fields of a form. All of it is in memory already. `named` are fields that need no file name, with the one that they get.
pub(super) async fn form(
    fields: &axum::http::HeaderMap,
    bytes: Bytes,
    limits: &ServiceLimits,
    named: &[(&str, &str)],
) -> Result<Form, Error> {
    let bad = |why: String| {
        let message = super::problem::sentence(&format!("the form cannot be read: {why}"));
        Error::new(BAD_BODY, message.clone()).wrong([Wrong::new("", "bad-form", message)])
    };
    let mut request = Request::new(Body::from(bytes));
    if let Some(kind) = fields.get(CONTENT_TYPE) {
        request.headers_mut().insert(CONTENT_TYPE, kind.clone());
    }
    request
        .extensions_mut()
        .insert(axum::extract::DefaultBodyLimit::disable());
    let mut parts = Multipart::from_request(request, &())
        .await
        .map_err(|e| bad(e.body_text()))?;
    let mut form = Form::default();
    let mut wrong = Vec::new();
    let mut seen_options = false;
    while let Some(field) = parts.next_field().await.map_err(|e| bad(e.body_text()))? {
        let word = field.name().unwrap_or_default().to_string();
        let file = field.file_name().map(str::to_string);
        let bytes = field.bytes().await.map_err(|e| bad(e.body_text()))?;
        let name = match (word.as_str(), file) {
            ("options", None) => {
                if std::mem::replace(&mut seen_options, true) {
                    wrong.push(Wrong::new(
                        "options",
                        "twice",
                        "The form has two fields `options`.",
                    ));
                }
                form.options = body::read(&bytes, "options", limits.json_depth)?;
                continue;
            }
            (_, Some(file)) => file,
            (other, None) => {
                if let Some((_, name)) = named.iter().find(|(word, _)| *word == other) {
                    (*name).to_string()
                } else {
                    let words: Vec<&str> = named.iter().map(|(word, _)| *word).collect();
                    let message = format!(
                        "The field {:?} has no file name and is neither `{}` nor `options`.",
                        shown(other),
                        words.join("` nor `")
                    );
                    wrong.push(Wrong::new(shown(other), "unknown-field", message));
                    continue;
                }
            }
        };
        if word == "document" {
            form.document = Some(name.clone());
        }
        if !name.split('/').all(safe_name) {
            let message = "The name has signs, or a length, that no file of a job may have.";
            wrong.push(Wrong::new(shown(&name), "bad-name", message).remedy(NAME_RULE));
        } else if form.files.insert(name.clone(), bytes).is_some() {
            wrong.push(
                Wrong::new(name, "twice", "The form has the file more than once.")
                    .remedy("Send every file once."),
            );
        }
    }
    match wrong.is_empty() {
        true => Ok(form),
        false => Err(Error::new(REFUSED, "The form has fields that are not taken.").wrong(wrong)),
    }
}

/// Names that cannot stand beside each other.
fn clashes(files: &BTreeMap<String, Bytes>) -> Result<(), Error> {
    let wrong: Vec<Wrong> = names::clashes(files.keys())
        .into_iter()
        .map(|(name, message)| Wrong::new(name, "bad-name", message).remedy("Rename one of them."))
        .collect();
    match wrong.is_empty() {
        true => Ok(()),
        false => Err(Error::new(
            REFUSED,
            "Files have names that cannot stand beside each other.",
        )
        .wrong(wrong)),
    }
}

/// The sum of what is asked, whatever form it came in.
pub(super) struct Sum(Sha256);

impl Sum {
    pub(super) fn new(what: &str) -> Sum {
        let mut sum = Sum(Sha256::new());
        sum.part(what.as_bytes());
        sum
    }

    /// Texts that may not be there.
    pub(super) fn text(&mut self, texts: &[Option<&str>]) {
        self.part(format!("{texts:?}").as_bytes());
    }

    fn part(&mut self, bytes: &[u8]) {
        self.0.update((bytes.len() as u64).to_le_bytes());
        self.0.update(bytes);
    }

    pub(super) fn file(&mut self, name: &str, bytes: &[u8]) {
        self.part(name.as_bytes());
        self.part(bytes);
    }

    pub(super) fn options(&mut self, options: &Options) {
        self.part(format!("{options:?}").as_bytes());
    }

    pub(super) fn hex(self) -> String {
        self.0
            .finalize()
            .iter()
            .map(|b| format!("{b:02x}"))
            .collect()
    }
}

/// A caller's key whose first request is at work; free again when dropped.
struct AtWork {
    api: ApiArc,
    key: (String, String),
}

impl AtWork {
    fn begin(api: &ApiArc, key: &Idempotency) -> Result<AtWork, Error> {
        let key = (key.caller.clone(), key.key.clone());
        match held(&api.at_work).insert(key.clone()) {
            true => Ok(AtWork {
                api: Arc::clone(api),
                key,
            }),
            false => Err(Error::new(
                STILL_AT_WORK,
                "The first request with this key is still at work.",
            )
            .retry_after(1)),
        }
    }
}

impl Drop for AtWork {
    fn drop(&mut self) {
        held(&self.api.at_work).remove(&self.key);
    }
}

/// Does what is asked, once for a key. It goes on to its end when the caller goes away: what is stored is then found by the key.
pub(super) async fn once<F, E>(
    api: &ApiArc,
    caller: &Caller,
    key: Option<String>,
    request_sha256: String,
    dry_run: bool,
    work: impl FnOnce(ApiArc, Option<Idempotency>) -> F,
    answer: impl FnOnce(Result<(Vec<Job>, Vec<Finding>, bool), E>) -> Result<Response, Error>,
) -> Result<Response, Error>
where
    F: Future<Output = Result<Taken, E>> + Send + 'static,
    E: Send + 'static,
{
    // A dry run keeps nothing, its answer neither.
    let idempotency = key.filter(|_| !dry_run).map(|key| Idempotency {
        key,
        caller: caller.word(),
        request_sha256,
    });
    let mut at_work = None;
    if let Some(idempotency) = &idempotency {
        at_work = Some(AtWork::begin(api, idempotency)?);
        match api.shared.store.answered(idempotency).await? {
            None => {}
            Some(Submitted::Before(jobs)) => return answer(Ok((jobs, Vec::new(), true))),
            Some(_) => return Err(Refusal::OtherRequest.into()),
        }
    }
    let work = work(Arc::clone(api), idempotency);
    let done = tokio::spawn(async move {
        let taken = work.await;
        drop(at_work);
        taken
    });
    let taken = done
        .await
        .map_err(|e| Error::new(FAILED, "The request was not carried out.").cause(e))?;
    answer(taken.map(|taken| {
        let findings = taken.findings.into_iter().flatten().collect();
        (taken.jobs, findings, taken.before)
    }))
}

/// The answer for one job, or for a dry run.
fn one(
    taken: Result<(Vec<Job>, Vec<Finding>, bool), Refusal>,
    dry_run: bool,
) -> Result<Response, Error> {
    let (jobs, findings, before) = taken?;
    if dry_run {
        return Ok(Json(Checked { findings }).into_response());
    }
    match jobs.into_iter().next() {
        Some(job) => Ok(accepted(job, findings, before)),
        // Forgotten since.
        None => Err(Error::not_found(
            "The job of this key is forgotten; use a fresh key.",
        )),
    }
}

pub(super) async fn measured(
    State(api): State<ApiArc>,
    Path(id): Path<String>,
    asked: Asked,
    request: Request,
) -> Result<Response, Error> {
    made_again(
        api,
        id,
        asked,
        request,
        |api, job, measured: Measured, by, i, dry| async move {
            rework::measured(&api.shared, &job, &measured, by, i, dry).await
        },
    )
    .await
}

pub(super) async fn remake(
    State(api): State<ApiArc>,
    Path(id): Path<String>,
    asked: Asked,
    request: Request,
) -> Result<Response, Error> {
    made_again(
        api,
        id,
        asked,
        request,
        |api, job, remake: Remake, by, i, dry| async move {
            rework::remake(&api.shared, &job, &remake, by, i, dry).await
        },
    )
    .await
}

async fn made_again<T, F>(
    api: ApiArc,
    id: String,
    mut asked: Asked,
    request: Request,
    work: impl FnOnce(ApiArc, Job, T, Option<String>, Option<Idempotency>, bool) -> F,
) -> Result<Response, Error>
where
    T: DeserializeOwned,
    F: Future<Output = Result<Taken, Refusal>> + Send + 'static,
{
    let dry_run = asked.flag("dry-run").unwrap_or(false);
    asked.sound()?;
    let key = key(&asked)?;
    let mut sum = Sum::new(request.uri().path());
    let value: serde_json::Value = body::json(&api, request).await?;
    sum.part(value.to_string().as_bytes());
    let wanted: T = body::fitted(value).map_err(|e| body::bad_json("", &e))?;
    let job = job(&api, job_id(&id)?).await?;
    let turn = api.permits.check().await?;
    let by = asked.caller.token.clone();
    once(
        &api,
        &asked.caller,
        key,
        sum.hex(),
        dry_run,
        move |api, i| {
            let work = work(api, job, wanted, by, i, dry_run);
            async move {
                let taken = work.await;
                drop(turn);
                taken
            }
        },
        |taken| one(taken, dry_run),
    )
    .await
}
