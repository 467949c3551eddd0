//! Webhooks: the routes; [`crate::hooks`] does the work.

use super::ApiArc;
use super::answer::located;
use super::body;
use super::problem::{Error, NOT_FOUND};
use super::request::Asked;
use crate::hooks::manage::{self, NewWebhook, Queued, WithSecret};
use crate::store::webhooks::{Delivery, Webhook};
use axum::Json;
use axum::extract::{Path, Request, State};
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};

fn none() -> Error {
    Error::new(NOT_FOUND, "There is no such webhook.")
}

/// No id of ours, and PostgreSQL takes no such text.
fn id_of(text: String) -> Result<String, Error> {
    match uuid::Uuid::try_parse(&text) {
        Ok(_) => Ok(text),
        Err(_) => Err(none()),
    }
}

pub(super) async fn list(State(api): State<ApiArc>, _: Asked) -> Result<Json<Vec<Webhook>>, Error> {
    Ok(Json(api.shared.store.webhooks().await?))
}

pub(super) async fn make(
    State(api): State<ApiArc>,
    _: Asked,
    request: Request,
) -> Result<Response, Error> {
    let new: NewWebhook = body::json(&api, request).await?;
    let made = manage::make(&api.shared, new).await?;
    let location = format!("/v1/webhooks/{}", made.webhook.id);
    Ok(located(
        (StatusCode::CREATED, Json(made)).into_response(),
        &location,
    ))
}

pub(super) async fn show(
    State(api): State<ApiArc>,
    Path(id): Path<String>,
    _: Asked,
) -> Result<Json<Webhook>, Error> {
    let webhook = api.shared.store.webhook(&id_of(id)?).await?;
    webhook.map(Json).ok_or_else(none)
}

pub(super) async fn remove(
    State(api): State<ApiArc>,
    Path(id): Path<String>,
    _: Asked,
) -> Result<StatusCode, Error> {
    match api.shared.store.remove_webhook(&id_of(id)?).await? {
        true => Ok(StatusCode::NO_CONTENT),
        false => Err(none()),
    }
}

pub(super) async fn messages(
    State(api): State<ApiArc>,
    Path(id): Path<String>,
    mut asked: Asked,
) -> Result<Json<Vec<Delivery>>, Error> {
    let limit = asked.number("limit", 1, 1000).unwrap_or(100);
    asked.sound()?;
    let id = id_of(id)?;
    if api.shared.store.webhook(&id).await?.is_none() {
        return Err(none());
    }
    let limit = u32::try_from(limit).unwrap_or(100);
    Ok(Json(api.shared.store.messages(&id, limit).await?))
}

pub(super) async fn rotate(
    State(api): State<ApiArc>,
    Path(id): Path<String>,
    _: Asked,
) -> Result<Json<WithSecret>, Error> {
    let rotated = manage::rotate(&api.shared, &id_of(id)?).await?;
    rotated.map(Json).ok_or_else(none)
}

pub(super) async fn test(
    State(api): State<ApiArc>,
    Path(id): Path<String>,
    _: Asked,
) -> Result<(StatusCode, Json<Queued>), Error> {
    let queued = manage::test(&api.shared, &id_of(id)?).await?;
    let queued = queued.ok_or_else(none)?;
    Ok((StatusCode::ACCEPTED, Json(queued)))
}

pub(super) async fn resume(
    State(api): State<ApiArc>,
    Path(id): Path<String>,
    _: Asked,
) -> Result<Json<Webhook>, Error> {
    let webhook = manage::resume(&api.shared, &id_of(id)?).await?;
    webhook.map(Json).ok_or_else(none)
}
