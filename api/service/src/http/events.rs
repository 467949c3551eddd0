//! Events as they happen, as server-sent events: numbered, so that a caller who was cut off goes on where it was.

use super::limits::Permit;
use super::problem::{BAD_PARAMETER, Error, Wrong};
use super::request::{Asked, Caller, job, job_id};
use super::{ApiArc, event_pump};
use crate::model::{Event, EventKind, JobId};
use crate::store::StoreProblem;
use axum::extract::{Path, State};
use axum::http::{HeaderName, StatusCode};
use axum::response::sse::{self, KeepAlive, Sse};
use axum::response::{IntoResponse, Response};
use futures_util::stream::unfold;
use schemars::{Schema, SchemaGenerator, json_schema};
use std::collections::VecDeque;
use std::convert::Infallible;
use std::time::Duration;
use tokio::sync::watch;
use tokio::time::Instant;

const LAST_EVENT_ID: HeaderName = HeaderName::from_static("last-event-id");
/// A line without meaning is sent when nothing else was for so long.
const HEARTBEAT: Duration = Duration::from_secs(15);
/// Events read at a time.
const PAGE: u32 = 500;
/// Even without news the queue is looked at.
const LOOK: Duration = Duration::from_secs(30);
/// How long the queue is left alone that could not be read.
const AWAY: Duration = Duration::from_secs(1);

pub(super) async fn of_all(State(api): State<ApiArc>, mut asked: Asked) -> Result<Response, Error> {
    let after = match after(&mut asked)? {
        Some(after) => after,
        None => api.shared.store.last_event().await?,
    };
    follow(api, asked, after, None)
}

pub(super) async fn of_job(
    State(api): State<ApiArc>,
    Path(id): Path<String>,
    mut asked: Asked,
) -> Result<Response, Error> {
    let after = after(&mut asked)?.unwrap_or(0);
    let id = job_id(&id)?;
    let found = job(&api, id).await?;
    if found.state.is_end()
        && api
            .shared
            .store
            .events(after, Some(id), 1)
            .await?
            .is_empty()
    {
        // To an EventSource this says: do not come back.
        return Ok(StatusCode::NO_CONTENT.into_response());
    }
    follow(api, asked, after, Some(id))
}

/// After which event: the field that a browser sends by itself wins over the query.
fn after(asked: &mut Asked) -> Result<Option<i64>, Error> {
    let query = asked.number("after", 0, i64::MAX);
    asked.sound()?;
    let Some(field) = asked.fields.get(&LAST_EVENT_ID) else {
        return Ok(query);
    };
    let number = field
        .to_str()
        .ok()
        .and_then(|t| t.trim().parse::<i64>().ok());
    match number.filter(|n| *n >= 0) {
        Some(number) => Ok(Some(number)),
        None => {
            let message = "Last-Event-ID is not the number of an event.";
            Err(Error::new(BAD_PARAMETER, message).wrong([Wrong::new(
                "Last-Event-ID",
                "bad-value",
                message,
            )]))
        }
    }
}

/// The schema of one event in the stream.
pub(super) fn schema(generator: &mut SchemaGenerator) -> Schema {
    let event = generator.subschema_for::<Event>();
    json_schema!({
        "type": "object",
        "properties": {
            "id": { "type": "string", "description": "The event's number." },
            "event": { "type": "string", "description": "What happened." },
            "data": { "type": "string", "contentMediaType": "application/json", "contentSchema": event },
        },
        "required": ["id", "event", "data"],
    })
}

/// One who follows.
struct Follower {
    api: ApiArc,
    news: watch::Receiver<i64>,
    job: Option<JobId>,
    after: i64,
    read: VecDeque<Event>,
    ended: bool,
    caller: Caller,
    _permit: Permit,
}

fn follow(api: ApiArc, asked: Asked, after: i64, job: Option<JobId>) -> Result<Response, Error> {
    let Asked { caller, permit, .. } = asked;
    api.permits.follow(&permit)?;
    let follower = Follower {
        news: api.newest.subscribe(),
        api,
        job,
        after,
        read: VecDeque::new(),
        ended: false,
        caller,
        _permit: permit,
    };
    let stream = unfold(follower, |mut follower| async move {
        let event = follower.next().await?;
        Some((Ok::<_, Infallible>(event), follower))
    });
    let keep_alive = KeepAlive::new().interval(HEARTBEAT);
    Ok(Sse::new(stream).keep_alive(keep_alive).into_response())
}

impl Follower {
    /// Whether the caller may still listen: its token was not removed; one without a token was let in while there were none.
    async fn is_known(&self) -> Result<bool, StoreProblem> {
        let known = self.api.tokens.all(&self.api.shared).await?;
        Ok(match &self.caller.token {
            Some(id) => known.iter().any(|k| k.token.id == *id),
            None => known.is_empty(),
        })
    }

    /// What came after the last event; `None`: nothing more will come, or not for this caller.
    async fn more(&self) -> Result<Option<Vec<Event>>, StoreProblem> {
        if !self.is_known().await? {
            return Ok(None);
        }
        let store = &self.api.shared.store;
        let events = store.events(self.after, self.job, PAGE).await?;
        let Some(id) = self.job.filter(|_| events.is_empty()) else {
            return Ok(Some(events));
        };
        if store.job(id).await?.is_some_and(|j| !j.state.is_end()) {
            return Ok(Some(events));
        }
        // Ended or forgotten; the end may have been written between the two looks.
        let events = store.events(self.after, self.job, PAGE).await?;
        Ok((!events.is_empty()).then_some(events))
    }

    /// The next event; none when the server stops, the job has ended or is forgotten, or the caller may listen no more.
    async fn next(&mut self) -> Option<sse::Event> {
        loop {
            if let Some(event) = self.read.pop_front() {
                self.after = event.seq;
                // The last thing that happens to a job by itself. What comes later was somebody's wish.
                self.ended = self.job.is_some() && event.what == EventKind::Ended;
                return Some(written(&event));
            }
            if self.ended || *self.api.shared.stop.borrow() {
                return None;
            }
            self.news.mark_unchanged();
            match self.more().await {
                Ok(None) => return None,
                Ok(Some(events)) if !events.is_empty() => self.read = events.into(),
                Ok(Some(_)) => {
                    let until = Instant::now() + LOOK;
                    event_pump::arrive(&self.api, &mut self.news, until).await;
                }
                Err(e) => {
                    tracing::debug!("a follower waits for the queue: {e}");
                    tokio::time::sleep(AWAY).await;
                }
            }
        }
    }
}

fn written(event: &Event) -> sse::Event {
    let kind = serde_json::to_value(event.what).ok();
    let kind = kind.as_ref().and_then(|k| k.as_str()).unwrap_or("event");
    let bare = sse::Event::default().id(event.seq.to_string()).event(kind);
    bare.clone().json_data(event).unwrap_or(bare)
}
