//! Answers of success: documents with their status, entity tag and location.

use super::request::tag;
use crate::model::Job;
use axum::Json;
use axum::body::Body;
use axum::http::header::{CONTENT_TYPE, ETAG, LOCATION};
use axum::http::{HeaderValue, StatusCode};
use axum::response::{IntoResponse, Response};
use grainway_pipeline::finding::Finding;
use schemars::{JsonSchema, Schema, SchemaGenerator, json_schema};
use serde::Serialize;

/// A job that was taken.
#[derive(Clone, Debug, Serialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub struct Accepted {
    /// The job.
    #[serde(flatten)]
    pub job: Job,
    /// Warnings and notes on its documents.
    pub findings: Vec<Finding>,
}

/// What a dry run found: the job would be taken.
#[derive(Clone, Debug, Serialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub struct Checked {
    /// Warnings and notes on its documents.
    pub findings: Vec<Finding>,
}

/// The schema of both.
pub(super) fn accepted_or_checked(generator: &mut SchemaGenerator) -> Schema {
    let (accepted, checked) = (
        generator.subschema_for::<Accepted>(),
        generator.subschema_for::<Checked>(),
    );
    json_schema!({ "anyOf": [accepted, checked] })
}

/// A job with its entity tag.
pub(super) fn job(job: &Job) -> Response {
    tagged(Json(job).into_response(), &tag(job))
}

/// A job that was taken, or was taken before.
pub(super) fn accepted(job: Job, findings: Vec<Finding>, before: bool) -> Response {
    let status = match before {
        true => StatusCode::OK,
        false => StatusCode::CREATED,
    };
    let (tag, location) = (tag(&job), format!("/v1/jobs/{}", job.id));
    let answer = (status, Json(Accepted { job, findings })).into_response();
    located(tagged(answer, &tag), &location)
}

/// With an entity tag.
pub(super) fn tagged(mut answer: Response, tag: &str) -> Response {
    if let Ok(tag) = HeaderValue::from_str(tag) {
        answer.headers_mut().insert(ETAG, tag);
    }
    answer
}

/// With a place.
pub(super) fn located(mut answer: Response, location: &str) -> Response {
    if let Ok(location) = HeaderValue::from_str(location) {
        answer.headers_mut().insert(LOCATION, location);
    }
    answer
}

/// The caller has it already.
pub(super) fn same(tag: &str) -> Response {
    let mut answer = Response::new(Body::empty());
    *answer.status_mut() = StatusCode::NOT_MODIFIED;
    tagged(answer, tag)
}

/// A text of a media type.
pub(super) fn text(media: &'static str, text: impl Into<Body>) -> Response {
    let mut answer = Response::new(text.into());
    answer
        .headers_mut()
        .insert(CONTENT_TYPE, HeaderValue::from_static(media));
    answer
}

/// A table as CSV.
pub(super) fn csv(table: Vec<u8>) -> Response {
    text("text/csv; charset=utf-8; header=present", table)
}
