//! Tokens. They are cached for one second, so that a removed token is refused within a second by every server of the queue.

use super::answer::located;
use super::body;
use super::problem::{Error, FAILED, NOT_FOUND, REFUSED, Wrong, sentence};
use super::request::Asked;
use super::{ApiArc, held};
use crate::Shared;
use crate::SharedArc;
use crate::model::Millis;
use crate::store::StoreProblem;
use crate::store::tokens::{Scope, StoredToken, Token, TokenProblem};
use axum::Json;
use axum::extract::{Path, Request, State};
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::collections::HashMap;
use std::sync::{Arc, Mutex};
use std::time::Duration;
use tokio::time::Instant;

/// How long what was read is good.
const GOOD: Duration = Duration::from_secs(1);
/// How often a token's use is noted, milliseconds.
const NOTED: Millis = 60_000;

type Read = (Instant, Arc<Vec<StoredToken>>);

/// The tokens as they were read last.
#[derive(Default)]
pub(super) struct Known {
    read: tokio::sync::Mutex<Option<Read>>,
    used: Mutex<HashMap<String, Millis>>,
}

impl Known {
    /// All tokens.
    pub async fn all(&self, shared: &Shared) -> Result<Arc<Vec<StoredToken>>, StoreProblem> {
        // One reader at a time; the others take what it read.
        let mut read = self.read.lock().await;
        if let Some((at, tokens)) = read.as_ref()
            && at.elapsed() < GOOD
        {
            return Ok(Arc::clone(tokens));
        }
        let tokens = Arc::new(shared.store.tokens().await?);
        *read = Some((Instant::now(), Arc::clone(&tokens)));
        Ok(tokens)
    }

    async fn forget(&self) {
        *self.read.lock().await = None;
    }

    /// Notes that a token was used, once a minute; the request does not wait for it.
    pub fn used(&self, shared: &SharedArc, id: &str) {
        let now = shared.now();
        let mut used = held(&self.used);
        let last = used.entry(id.to_string()).or_insert(0);
        if now - *last < NOTED {
            return;
        }
        *last = now;
        drop(used);
        let (shared, id) = (Arc::clone(shared), id.to_string());
        tokio::spawn(async move {
            if let Err(e) = shared.store.token_used(&id, now).await {
                tracing::debug!("the use of a token is not noted: {e}");
            }
        });
    }
}

/// A token to be made.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct NewToken {
    /// Who or what will use it.
    #[schemars(
        length(min = 1, max = 80),
        regex(pattern = r"^[^\u0000-\u001f\u007f-\u009f]+$")
    )]
    pub name: String,
    /// What it may do.
    pub scope: Scope,
}

/// A token that was made.
#[derive(Clone, Serialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub struct MadeToken {
    /// The token.
    #[serde(flatten)]
    pub token: Token,
    /// Its text, for `Authorization: Bearer`. It is not shown again.
    pub text: String,
}

pub(super) async fn list(State(api): State<ApiArc>, _: Asked) -> Result<Json<Vec<Token>>, Error> {
    let tokens = api.shared.store.tokens().await?;
    Ok(Json(tokens.into_iter().map(|t| t.token).collect()))
}

pub(super) async fn make(
    State(api): State<ApiArc>,
    _: Asked,
    request: Request,
) -> Result<Response, Error> {
    let new: NewToken = body::json(&api, request).await?;
    let fresh = api
        .shared
        .store
        .make_token(&new.name, new.scope, api.shared.now())
        .await
        .map_err(refused)?;
    let made = MadeToken {
        token: fresh.stored.token,
        text: fresh.text,
    };
    api.tokens.forget().await;
    tracing::info!(
        token = made.token.id,
        scope = made.token.scope.word(),
        "a token was made"
    );
    let location = format!("/v1/tokens/{}", made.token.id);
    Ok(located(
        (StatusCode::CREATED, Json(made)).into_response(),
        &location,
    ))
}

fn refused(problem: TokenProblem) -> Error {
    let message = sentence(&problem.to_string());
    match problem {
        TokenProblem::Name => {
            Error::new(REFUSED, message.clone()).wrong([Wrong::new("/name", "refused", message)])
        }
        TokenProblem::Many => Error::new(REFUSED, message),
        TokenProblem::Random(e) => Error::new(FAILED, "No random numbers can be had.").cause(e),
        TokenProblem::Store(e) => e.into(),
    }
}

pub(super) async fn remove(
    State(api): State<ApiArc>,
    Path(id): Path<String>,
    _: Asked,
) -> Result<StatusCode, Error> {
    if !api.shared.store.remove_token(&id).await? {
        return Err(Error::new(NOT_FOUND, "There is no such token."));
    }
    api.tokens.forget().await;
    tracing::info!(token = id, "a token was removed");
    Ok(StatusCode::NO_CONTENT)
}
