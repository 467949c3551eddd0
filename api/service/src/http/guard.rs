//! Middleware of every route, in this order: request id, Host check, cross-site check, token, rate limit, concurrency permit. After the
//! handler it writes problem documents, the log line and the metrics.

use super::limits::{Counted, Permit};
use super::problem::{
    BAD_REQUEST, Error, FAILED, NO_TOKEN, NOT_ALLOWED, NOT_FROM_THERE, OTHER_HOST, OTHER_SITE,
    PROBLEM_JSON, WRONG_TOKEN,
};
use super::request::{Caller, query};
use super::route::Route;
use super::table::{ROUTES, route};
use super::{Api, ApiArc};
use crate::store::tokens::{GivenToken, Scope};
use axum::Router;
use axum::extract::{ConnectInfo, MatchedPath, Request, State};
use axum::http::header::{
    AUTHORIZATION, CACHE_CONTROL, CONTENT_TYPE, FORWARDED, HOST, ORIGIN, VIA,
    X_CONTENT_TYPE_OPTIONS,
};
use axum::http::uri::Authority;
use axum::http::{HeaderMap, HeaderName, HeaderValue, Method};
use axum::middleware::{Next, from_fn_with_state};
use axum::response::{IntoResponse, Response};
use futures_util::FutureExt;
use std::net::{IpAddr, SocketAddr};
use std::panic::AssertUnwindSafe;
use std::time::Instant;
use tracing::Instrument;

/// The field that carries a request's id.
pub const REQUEST_ID: HeaderName = HeaderName::from_static("x-request-id");
/// What proxies add to what they pass on: by RFC 7239 and RFC 9110 (7.6.3), and by habit.
const PASSED_ON: [HeaderName; 6] = [
    FORWARDED,
    VIA,
    HeaderName::from_static("x-forwarded-for"),
    HeaderName::from_static("x-forwarded-host"),
    HeaderName::from_static("x-forwarded-proto"),
    HeaderName::from_static("x-real-ip"),
];
const FETCH_SITE: HeaderName = HeaderName::from_static("sec-fetch-site");

/// The router with everything that stands before it.
pub(super) fn stand_before(router: Router<ApiArc>, api: ApiArc) -> Router {
    router
        .layer(from_fn_with_state(api.clone(), stand))
        .with_state(api)
}

/// A request for this machine by its own names to itself, that no page of another site sent. What serves one person at this machine asks
/// no more.
pub(super) fn is_from_here(request: &Request) -> Result<(), Error> {
    let name = host(request)?;
    if !is_loopback(&name) {
        let shown = super::request::shown(name.as_str()).to_string();
        let detail = format!("This server does not answer to {shown:?}.");
        return Err(Error::new(OTHER_HOST, detail));
    }
    same_site(request, &name)
}

async fn stand(State(api): State<ApiArc>, request: Request, next: Next) -> Response {
    let id = uuid::Uuid::new_v4().to_string();
    let begun = Instant::now();
    let path = request.extensions().get::<MatchedPath>().cloned();
    let path = path.as_ref().map(MatchedPath::as_str);
    let route = path.and_then(|p| route(request.method(), p));
    let method = request.method().clone();
    // The table's path and not the caller's, which may hold anything.
    let shown = route.map_or("-", |r| r.path);
    let job = job_in(request.uri().path());
    let span = tracing::info_span!("request", id, method = %method, path = shown, job);
    let answer = async {
        let caught = AssertUnwindSafe(inside(&api, request, path, route, next))
            .catch_unwind()
            .await;
        let mut answer = match caught {
            Ok(Ok(answer)) => answer,
            Ok(Err(error)) => error.into_response(),
            Err(panic) => Error::new(FAILED, "The server failed inside.")
                .cause(words_of(panic.as_ref()))
                .into_response(),
        };
        answer = told(answer, &id);
        finish(&mut answer, &id);
        let status = answer.status().as_u16();
        let millis = begun.elapsed().as_millis() as u64;
        match status {
            500.. => tracing::warn!(status, millis, "answered"),
            _ => tracing::info!(status, millis, "answered"),
        }
        answer
    }
    .instrument(span)
    .await;
    // Addresses that no route has are counted together: callers would otherwise make up figures without end.
    let word = route.map_or("other", |r| r.word);
    api.metrics
        .request(word, &method, answer.status().as_u16(), begun.elapsed());
    answer
}

/// A panic's words.
fn words_of(panic: &(dyn std::any::Any + Send)) -> String {
    let text = panic
        .downcast_ref::<&str>()
        .map(|s| s.to_string())
        .or_else(|| panic.downcast_ref::<String>().cloned());
    format!("panicked: {}", text.unwrap_or_default())
}

/// The job that an address names.
fn job_in(path: &str) -> Option<&str> {
    let id = path.strip_prefix("/v1/jobs/")?.split('/').next()?;
    uuid::Uuid::try_parse(id).is_ok().then_some(id)
}

async fn inside(
    api: &Api,
    mut request: Request,
    path: Option<&str>,
    route: Option<&'static Route>,
    next: Next,
) -> Result<Response, Error> {
    let peer = request
        .extensions()
        .get::<ConnectInfo<SocketAddr>>()
        .map(|c| c.0.ip().to_canonical());
    let name = host(&request)?;
    if !answers_to(api, &name) {
        return Err(Error::new(
            OTHER_HOST,
            format!(
                "This server does not answer to {:?}.",
                super::request::shown(name.as_str())
            ),
        ));
    }
    // A method that an address does not know is told to whoever may know the address.
    let by_path = || ROUTES.iter().find(|r| path == Some(r.path));
    let scope = route
        .or_else(by_path)
        .map_or(Some(Scope::Read), |r| r.scope);
    let caller = match scope {
        Some(scope) => {
            same_site(&request, &name)?;
            caller(api, request.headers(), peer, scope).await?
        }
        None => Caller { token: None },
    };
    if let Some(token) = &caller.token {
        tracing::debug!(token, "known");
    }
    // A health check must not fail because others are busy.
    let permit = match scope {
        Some(_) => api.permits.request()?,
        None => Permit::none(),
    };
    if route.is_some() {
        query(request.uri(), route)?;
    }
    let parts = request.extensions_mut();
    parts.insert(caller);
    parts.insert(permit.clone());
    if let Some(route) = route {
        parts.insert(route);
    }
    Ok(next.run(request).await)
}

/// The host that a request is meant for: of its target where that names one, else of the field `Host` (RFC 9112, 3.2).
fn host(request: &Request) -> Result<Authority, Error> {
    let mut fields = request.headers().get_all(HOST).iter();
    let field = match (fields.next(), fields.next()) {
        (Some(one), None) => one.to_str().ok().and_then(|t| t.parse::<Authority>().ok()),
        _ => None,
    };
    let wrong = || {
        Error::new(
            BAD_REQUEST,
            "The request has not exactly one field Host that names a host.",
        )
    };
    let field = field.filter(|a| !a.host().is_empty() && !a.as_str().contains('@'));
    let field = field.ok_or_else(wrong)?;
    Ok(request.uri().authority().cloned().unwrap_or(field))
}

/// The address itself, the names of this machine to itself, and what the operator named. The port does not matter unless the operator
/// named one: a page of another site can choose it, and not the name.
fn answers_to(api: &Api, name: &Authority) -> bool {
    let config = &api.shared.config;
    let host = plain_host(name);
    if config
        .hosts
        .iter()
        .any(|h| h.eq_ignore_ascii_case(name.as_str()) || h.eq_ignore_ascii_case(&host))
    {
        return true;
    }
    if is_loopback(name) {
        return true;
    }
    let Some(address) = address_of(&host) else {
        return false;
    };
    let listening = config.listen.parse::<SocketAddr>().map(|a| a.ip());
    listening.is_ok_and(|l| l.is_unspecified() || l.to_canonical() == address.to_canonical())
}

fn plain_host(name: &Authority) -> String {
    name.host().trim_end_matches('.').to_ascii_lowercase()
}

fn address_of(host: &str) -> Option<IpAddr> {
    let bare = host.trim_start_matches('[').trim_end_matches(']');
    bare.parse().ok()
}

/// A name of this machine to itself.
fn is_loopback(name: &Authority) -> bool {
    let host = plain_host(name);
    host == "localhost" || address_of(&host).is_some_and(|a| a.is_loopback())
}

/// A page of another site can send simple requests without asking first; a browser says so.
fn same_site(request: &Request, name: &Authority) -> Result<(), Error> {
    let refused = || Error::new(OTHER_SITE, "A page of another site sent this request.");
    let field = |name: &HeaderName| {
        request
            .headers()
            .get(name)
            .map(|v| v.to_str().unwrap_or(""))
    };
    if field(&FETCH_SITE).is_some_and(|s| s == "cross-site" || s == "same-site") {
        return Err(refused());
    }
    let reads = matches!(*request.method(), Method::GET | Method::HEAD);
    match field(&ORIGIN) {
        Some(origin) if !reads => {
            let authority = origin
                .strip_prefix("http://")
                .or_else(|| origin.strip_prefix("https://"));
            match authority.is_some_and(|a| a.eq_ignore_ascii_case(name.as_str())) {
                true => Ok(()),
                false => Err(refused()),
            }
        }
        _ => Ok(()),
    }
}

/// Who asks: a token from the first one on, this machine while there is none.
async fn caller(
    api: &Api,
    fields: &HeaderMap,
    peer: Option<IpAddr>,
    wanted: Scope,
) -> Result<Caller, Error> {
    let address = || Counted::Address(peer.unwrap_or(IpAddr::from([0, 0, 0, 0])));
    let known = api.tokens.all(&api.shared).await?;
    if known.is_empty() {
        let passed_on = PASSED_ON.iter().any(|name| fields.contains_key(name));
        if !peer.is_some_and(|p| p.is_loopback()) || passed_on {
            return Err(Error::new(
                NOT_FROM_THERE,
                "This server has no tokens yet, and serves only callers of its own machine.",
            ));
        }
        api.rates.count(address())?;
        return Ok(Caller { token: None });
    }
    let found = match bearer(fields) {
        None => Err(Error::new(NO_TOKEN, "The request has no token.")),
        Some(text) => GivenToken::read(text)
            // Every token is looked at, whether an earlier one was right or not.
            .and_then(|given| {
                known.iter().fold(None, |found, k| match k.is(&given) {
                    true => Some(k),
                    false => found,
                })
            })
            .ok_or_else(|| {
                Error::new(
                    WRONG_TOKEN,
                    "The request's token is not one of this server.",
                )
            }),
    };
    let found = match found {
        Ok(found) => found,
        Err(error) => {
            api.rates.count(address())?;
            return Err(error);
        }
    };
    let token = &found.token;
    api.rates.count(Counted::Token(token.id.clone()))?;
    api.tokens.used(&api.shared, &token.id);
    if token.scope < wanted {
        return Err(Error::new(
            NOT_ALLOWED,
            format!("The token may {}; this wants {wanted}.", token.scope),
        ));
    }
    Ok(Caller {
        token: Some(token.id.clone()),
    })
}

fn bearer(fields: &HeaderMap) -> Option<&str> {
    let mut all = fields.get_all(AUTHORIZATION).iter();
    let (Some(one), None) = (all.next(), all.next()) else {
        return None;
    };
    let (scheme, token) = one.to_str().ok()?.split_once(' ')?;
    scheme
        .eq_ignore_ascii_case("bearer")
        .then_some(token.trim())
}

/// Gives every error its words, also those of the router and of whatever else answers with a bare status.
fn told(mut answer: Response, id: &str) -> Response {
    let status = answer.status();
    if !status.is_client_error() && !status.is_server_error() {
        return answer;
    }
    let error = match answer.extensions_mut().remove::<Error>() {
        Some(error) => error,
        None if answer
            .headers()
            .get(CONTENT_TYPE)
            .is_some_and(|t| t == PROBLEM_JSON) =>
        {
            return answer;
        }
        None => Error::of_status(status),
    };
    if let Some(cause) = error.for_log() {
        match status.is_server_error() {
            true => tracing::error!("{}: {cause}", error.kind().word),
            false => tracing::info!("{}: {cause}", error.kind().word),
        }
    }
    error.told(id, answer.headers())
}

fn finish(answer: &mut Response, id: &str) {
    let fields = answer.headers_mut();
    if let Ok(id) = HeaderValue::from_str(id) {
        fields.insert(REQUEST_ID, id);
    }
    fields.insert(X_CONTENT_TYPE_OPTIONS, HeaderValue::from_static("nosniff"));
    fields
        .entry(CACHE_CONTROL)
        .or_insert(HeaderValue::from_static("no-store"));
}
