//! The page of `grainway watch`: a made folder, shown to the person at this machine, with what became of the last change. A server of its
//! own: it has no queue, takes nothing in, and gives out only what the made folder's report lists.

use super::answer;
use super::downloads::{PROGRAMS, kind_of};
use super::guard::is_from_here;
use crate::model::Side;
use axum::extract::{Path, Request, State};
use axum::http::header::{CACHE_CONTROL, CONTENT_SECURITY_POLICY, X_CONTENT_TYPE_OPTIONS};
use axum::http::{HeaderName, HeaderValue, StatusCode};
use axum::middleware::{Next, from_fn};
use axum::response::{IntoResponse, Response};
use axum::routing::get;
use axum::{Json, Router};
use serde::Serialize;
use std::collections::BTreeSet;
use std::net::Ipv4Addr;
use std::path::PathBuf;
use tokio::net::TcpListener;
use tokio::sync::watch;

/// What the page says and shows.
#[derive(Clone, Debug, Default, Serialize)]
#[serde(rename_all = "kebab-case")]
pub struct Shown {
    /// The number of the last make, from 1; 0 before the first.
    pub make: u32,
    /// What became of it, in one line.
    pub line: String,
    /// What is different from the make before, a line each.
    pub changes: Vec<String>,
    /// Why what is shown is not what the job's files say now.
    pub stale: Option<String>,
    /// The last made folder that has sheets; `None` until there is one.
    pub shown: Option<ShownFolder>,
}

/// A made folder.
#[derive(Clone, Debug, Serialize)]
#[serde(rename_all = "kebab-case")]
pub struct ShownFolder {
    /// The number of the make that it came from.
    pub make: u32,
    /// Its files, by the names of its report.
    pub files: BTreeSet<String>,
    /// Its path on this machine, which the page never tells.
    #[serde(skip)]
    pub folder: PathBuf,
}

type Source = watch::Receiver<Shown>;

/// The page itself: its own script and style, and what was made in a frame.
const PAGE_POLICY: &str = "default-src 'none'; script-src 'self'; style-src 'self'; img-src data:; connect-src 'self'; frame-src 'self'; form-action 'none'; \
     base-uri 'none'; frame-ancestors 'none'";
/// What was made has no scripts. It keeps its origin, so that the page can load it anew at the place to which somebody scrolled.
const MADE_POLICY: &str = "sandbox allow-same-origin; default-src 'none'; style-src 'unsafe-inline'; img-src 'self' data:; font-src data:; \
     frame-ancestors 'self'";

/// A listener on this machine alone; port 0 takes a free one.
pub async fn listen_here(port: u16) -> std::io::Result<TcpListener> {
    TcpListener::bind((Ipv4Addr::LOCALHOST, port)).await
}

/// Serves the page until the process or its runtime ends.
pub async fn serve_made(listener: TcpListener, shown: Source) -> std::io::Result<()> {
    let page = |kind, text: &'static str| {
        get(move || async move { policed(answer::text(kind, text), PAGE_POLICY) })
    };
    let router = Router::new()
        .route(
            "/",
            page(
                "text/html; charset=utf-8",
                include_str!("../page/made.html"),
            ),
        )
        .route(
            "/made.css",
            page("text/css; charset=utf-8", include_str!("../page/made.css")),
        )
        .route(
            "/made.js",
            page(
                "text/javascript; charset=utf-8",
                include_str!("../page/made.js"),
            ),
        )
        .route("/state", get(state))
        .route("/made/{*name}", get(file))
        .with_state(shown)
        .layer(from_fn(from_here));
    axum::serve(listener, router).await
}

async fn from_here(request: Request, next: Next) -> Response {
    let mut answer = match is_from_here(&request) {
        Ok(()) => next.run(request).await,
        Err(error) => {
            let words = error.sentences().join(" ");
            (error.into_response().status(), words).into_response()
        }
    };
    put(&mut answer, X_CONTENT_TYPE_OPTIONS, "nosniff");
    put(&mut answer, CACHE_CONTROL, "no-store");
    answer
}

async fn state(State(shown): State<Source>) -> Json<Shown> {
    Json(shown.borrow().clone())
}

async fn file(State(source): State<Source>, Path(name): Path<String>) -> Response {
    let shown = source.borrow().clone();
    let Some(made) = shown.shown.filter(|m| m.files.contains(&name)) else {
        return (StatusCode::NOT_FOUND, "What was made has no such file.\n").into_response();
    };
    if let (Some(why), true) = (shown.stale, name.starts_with(PROGRAMS)) {
        let words = format!("This program is stale, do not run it: {why}\n");
        return (StatusCode::CONFLICT, words).into_response();
    }
    match tokio::fs::read(made.folder.join(&name)).await {
        Ok(bytes) => policed(answer::text(kind_of(&name, Side::Out), bytes), MADE_POLICY),
        // Another make has taken its place.
        Err(_) => (StatusCode::NOT_FOUND, "It is being made again.\n").into_response(),
    }
}

fn policed(mut answer: Response, policy: &'static str) -> Response {
    put(&mut answer, CONTENT_SECURITY_POLICY, policy);
    answer
}

fn put(answer: &mut Response, name: HeaderName, value: &'static str) {
    answer
        .headers_mut()
        .insert(name, HeaderValue::from_static(value));
}
