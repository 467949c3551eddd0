//! Jobs listed, looked at, stopped, put back.

use super::answer;
use super::problem::{Error, NOT_NOW};
use super::request::{Asked, LONGEST_BATCH, job, job_id, other_version, tag};
use super::{ApiArc, event_pump, tables};
use crate::model::{Job, JobId};
use crate::store::{Changed, JobFilter, StoreProblem};
use axum::Json;
use axum::extract::{Path, State};
use axum::http::HeaderValue;
use axum::http::header::LINK;
use axum::response::{IntoResponse, Response};
use std::time::Duration;

/// Jobs of a page when nobody says how many.
const PAGE: i64 = 100;
/// Longest time that an answer is held back, seconds.
const LONGEST_WAIT: i64 = 60;

pub(super) async fn list(State(api): State<ApiArc>, mut asked: Asked) -> Result<Response, Error> {
    let form = asked.form(&[("json", "application/json"), ("csv", "text/csv")]);
    let limit = asked.number("limit", 1, 1000).unwrap_or(PAGE);
    let filter = JobFilter {
        states: asked.list("state"),
        batch: asked.text("batch", LONGEST_BATCH),
        before: asked.value("before", "a job id"),
        limit: u32::try_from(limit).unwrap_or(1),
        ..JobFilter::default()
    };
    asked.sound()?;
    let jobs = api.shared.store.jobs(&filter).await?;
    let mut answer = match form {
        "csv" => answer::csv(tables::jobs(&jobs)),
        _ => Json(&jobs).into_response(),
    };
    if jobs.len() as i64 == limit
        && let Some(last) = jobs.last()
    {
        let mut next = url::form_urlencoded::Serializer::new(String::new());
        if !filter.states.is_empty() {
            let words: Vec<&str> = filter.states.iter().map(|s| s.word()).collect();
            next.append_pair("state", &words.join(","));
        }
        if let Some(batch) = &filter.batch {
            next.append_pair("batch", batch);
        }
        next.append_pair("before", &last.id.to_string());
        next.append_pair("limit", &limit.to_string());
        next.append_pair("as", form);
        let link = format!("</v1/jobs?{}>; rel=\"next\"", next.finish());
        if let Ok(link) = HeaderValue::from_str(&link) {
            answer.headers_mut().insert(LINK, link);
        }
    }
    Ok(answer)
}

pub(super) async fn show(
    State(api): State<ApiArc>,
    Path(id): Path<String>,
    mut asked: Asked,
) -> Result<Response, Error> {
    let wait = asked.number("wait", 0, LONGEST_WAIT).unwrap_or(0);
    asked.sound()?;
    let id = job_id(&id)?;
    // Before the job is read, so that nothing happens unseen between.
    let mut news = api.newest.subscribe();
    let mut found = job(&api, id).await?;
    let until = tokio::time::Instant::now() + Duration::from_secs(wait.unsigned_abs());
    let conditional = asked.fields.contains_key(axum::http::header::IF_NONE_MATCH);
    let over = |job: &Job| job.state.is_end() || conditional && !asked.has(&tag(job));
    if wait > 0 && !over(&found) {
        api.permits.follow(&asked.permit)?;
        while !over(&found) && event_pump::arrive(&api, &mut news, until).await {
            found = job(&api, id).await?;
        }
    }
    match asked.has(&tag(&found)) {
        true => Ok(answer::same(&tag(&found))),
        false => Ok(answer::job(&found)),
    }
}

pub(super) async fn cancel(
    State(api): State<ApiArc>,
    Path(id): Path<String>,
    asked: Asked,
) -> Result<Response, Error> {
    let id = job_id(&id)?;
    let version = asked.if_match(&api, id).await?;
    let changed = api.shared.store.cancel(id, version, api.shared.now()).await;
    changed_to(&api, id, changed, "can no longer be stopped")
}

pub(super) async fn retry(
    State(api): State<ApiArc>,
    Path(id): Path<String>,
    asked: Asked,
) -> Result<Response, Error> {
    let id = job_id(&id)?;
    let version = asked.if_match(&api, id).await?;
    let changed = api.shared.store.retry(id, version, api.shared.now()).await;
    changed_to(
        &api,
        id,
        changed,
        "cannot be put back; only withheld, failed and cancelled jobs can",
    )
}

fn changed_to(
    api: &ApiArc,
    id: JobId,
    changed: Result<Changed, StoreProblem>,
    not: &str,
) -> Result<Response, Error> {
    match changed? {
        Changed::Yes(job) => {
            api.shared.stir();
            Ok(answer::job(&job))
        }
        Changed::NoSuchJob => Err(Error::not_found(format!("There is no job {id}."))),
        Changed::OtherVersion(job) => Err(other_version(&job)),
        Changed::NotNow(job) => Err(Error::new(
            NOT_NOW,
            format!("The job is {} and {not}.", job.state),
        )
        .field(axum::http::header::ETAG, &tag(&job))),
    }
}
