//! JSON Schemas of documents, by name.

use super::problem::Error;
use super::request::{Asked, shown};
use super::{ApiArc, answer};
use crate::config::Config;
use axum::Json;
use axum::extract::{Path, State};
use axum::response::Response;
use grainway_pipeline::doc::{schema_job, schema_shop};
use grainway_stages::report::schema_report;
use serde_json::Value;

/// What makes a schema.
pub type Make = fn() -> Value;

/// The documents: name and what makes the schema.
pub const SCHEMAS: &[(&str, Make)] = &[
    ("job", schema_job),
    ("shop", schema_shop),
    ("report", schema_report),
    ("dialect", grainway_dialects::schema),
    ("list", crate::parts_list::schema_list),
    ("serve", || schemars::schema_for!(Config).to_value()),
];

/// Their names.
pub(super) fn names() -> Vec<&'static str> {
    SCHEMAS.iter().map(|s| s.0).collect()
}

/// The schema of a document.
pub fn schema(name: &str) -> Option<Value> {
    SCHEMAS.iter().find(|s| s.0 == name).map(|s| s.1())
}

pub(super) async fn list(_: Asked) -> Json<Vec<&'static str>> {
    Json(names())
}

pub(super) async fn show(
    State(_): State<ApiArc>,
    Path(name): Path<String>,
    _: Asked,
) -> Result<Response, Error> {
    match schema(&name) {
        Some(schema) => Ok(answer::text("application/schema+json", schema.to_string())),
        None => Err(Error::not_found(format!(
            "There is no schema {:?}; there are {}.",
            shown(&name),
            names().join(", ")
        ))),
    }
}
