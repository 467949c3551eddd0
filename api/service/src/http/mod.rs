//! The HTTP API: every route stands in the one table, [`ROUTES`], from which the router and the OpenAPI document are made.
//!
//! [`guard`] is the middleware of every route: request id, Host check, cross-site check, token, rate limit, concurrency permit, and the
//! problem document of every error. Requests that wait for events are woken by one task, [`event_pump`].

mod answer;
mod body;
mod downloads;
mod event_pump;
mod events;
mod guard;
mod health;
mod jobs;
mod limits;
mod lists;
mod made_folder;
mod metrics;
mod night;
mod openapi;
mod page;
mod parts;
pub mod problem;
mod range;
mod request;
mod route;
mod router;
mod schemas;
mod serve;
mod submit;
mod table;
mod tables;
mod tokens;
mod unpack;
mod webhooks;

pub use made_folder::{Shown, ShownFolder, listen_here, serve_made};
pub use route::Route;
pub use schemas::{SCHEMAS, schema};
pub use serve::serve;
pub use table::ROUTES;
pub use unpack::unpack;

use super::SharedArc;
use limits::Permits;
use std::collections::HashSet;
use std::sync::{Arc, Mutex};
use tokio::sync::watch;

/// What the routes share.
pub struct Api {
    /// The service.
    pub(crate) shared: SharedArc,
    tokens: tokens::Known,
    rates: limits::Rates,
    permits: Permits,
    routes: &'static [Route],
    metrics: metrics::Metrics,
    readiness: health::Readiness,
    /// The number of the newest event.
    newest: watch::Sender<i64>,
    /// Callers and keys whose first request is at work.
    at_work: Mutex<HashSet<(String, String)>>,
}

/// What the routes share, in an [`Arc`].
pub type ApiArc = Arc<Api>;

/// All routes. Requests bring the caller's address as [`axum::extract::ConnectInfo`]; [`serve`] sees to it.
pub fn router(shared: SharedArc) -> axum::Router {
    let api = Arc::new(Api {
        tokens: tokens::Known::default(),
        rates: limits::Rates::new(shared.config.limits.requests_per_second),
        permits: Permits::new(&shared.config.limits),
        routes: ROUTES,
        metrics: metrics::Metrics::new(),
        readiness: health::Readiness::default(),
        newest: watch::Sender::new(0),
        at_work: Mutex::new(HashSet::new()),
        shared,
    });
    event_pump::watch(&api);
    router::router(api)
}

/// The description of the API.
pub fn openapi_document() -> serde_json::Value {
    openapi::document(ROUTES)
}

/// A lock whose holder panicked is as good as any: nothing is left half-done under ours.
fn held<T>(mutex: &Mutex<T>) -> std::sync::MutexGuard<'_, T> {
    mutex
        .lock()
        .unwrap_or_else(std::sync::PoisonError::into_inner)
}
