//! Routes for monitoring: whether the process is alive, whether it takes jobs, and its metrics.

use super::answer;
use super::problem::{Error, STOPPING, STORES_AWAY};
use super::request::Asked;
use super::{Api, ApiArc};
use axum::Json;
use axum::extract::State;
use axum::response::Response;
use schemars::JsonSchema;
use serde::Serialize;
use std::time::Duration;
use tokio::time::Instant;

/// How long what was found is good.
const GOOD: Duration = Duration::from_secs(2);

/// All is well.
#[derive(Clone, Debug, Serialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub struct Health {
    /// `alive` or `ready`.
    pub state: &'static str,
}

/// What the last look found: a problem's words, or none.
#[derive(Default)]
pub(super) struct Readiness(tokio::sync::Mutex<Option<(Instant, Option<String>)>>);

pub(super) async fn health(_: Asked) -> Json<Health> {
    Json(Health { state: "alive" })
}

pub(super) async fn ready(State(api): State<ApiArc>, _: Asked) -> Result<Json<Health>, Error> {
    if *api.shared.stop.borrow() {
        return Err(Error::new(STOPPING, "The server is stopping."));
    }
    match looked(&api).await {
        None => Ok(Json(Health { state: "ready" })),
        Some(cause) => {
            Err(Error::new(STORES_AWAY, "The queue or the files cannot be written.").cause(cause))
        }
    }
}

/// One look for all who ask within two seconds.
async fn looked(api: &Api) -> Option<String> {
    let mut last = api.readiness.0.lock().await;
    if let Some((at, found)) = last.as_ref()
        && at.elapsed() < GOOD
    {
        return found.clone();
    }
    let shared = &api.shared;
    let found = match shared.store.probe(shared.now()).await {
        Err(e) => Some(e.to_string()),
        Ok(()) => shared.files.probe().await.err().map(|e| e.to_string()),
    };
    *last = Some((Instant::now(), found.clone()));
    found
}

pub(super) async fn metrics(State(api): State<ApiArc>, _: Asked) -> Result<Response, Error> {
    let store = &api.shared.store;
    let now = api.shared.now();
    let counts = store.counts().await?;
    let oldest = store.oldest_waiting(now).await?;
    let age = oldest.map_or(0, |created| (now - created).max(0));
    let text = api.metrics.text(&counts, age as f64 / 1000.0);
    Ok(answer::text(
        "application/openmetrics-text; version=1.0.0; charset=utf-8",
        text,
    ))
}
