//! The night report.

use super::ApiArc;
use super::answer::{csv, text};
use super::problem::{Error, REFUSED, Wrong};
use super::request::{Asked, Moment};
use crate::model::{Job, JobState, Millis};
use crate::night::{Window, last_night, page, parse_time, report, table};
use crate::store::JobFilter;
use axum::Json;
use axum::extract::State;
use axum::http::HeaderValue;
use axum::http::header::CONTENT_SECURITY_POLICY;
use axum::response::{IntoResponse, Response};
use jiff::tz::TimeZone;

/// Jobs asked of the queue at a time, and the most that are told of those that wait.
const PAGE: u32 = 1000;
/// Most ended jobs of a report: more than a year of nights of a large shop.
const MOST: usize = 20_000;

pub(super) async fn show(State(api): State<ApiArc>, mut asked: Asked) -> Result<Response, Error> {
    let form = asked.form(&[
        ("json", "application/json"),
        ("csv", "text/csv"),
        ("html", "text/html"),
    ]);
    let config = &api.shared.config;
    let zone = match &config.time_zone {
        Some(name) => TimeZone::get(name).unwrap_or(TimeZone::UTC),
        None => TimeZone::system(),
    };
    let now = api.shared.now();
    let mut time = |name: &str| -> Option<Millis> {
        let given = asked.text(name, 40)?;
        let moment = given.parse::<Moment>().map(|m| m.0);
        match moment.or_else(|_| parse_time(&given, &zone)) {
            Ok(at) => Some(at),
            Err(problem) => {
                let message = super::problem::sentence(&problem.to_string());
                asked.complain(Wrong::new(name, "bad-value", message));
                None
            }
        }
    };
    let (from, to) = (time("from"), time("to"));
    asked.sound()?;
    let from = from.unwrap_or_else(|| last_night(to.unwrap_or(now), &config.hours, &zone));
    let window = Window {
        from,
        to: to.unwrap_or(now).max(from),
        zone,
    };
    if to.is_some_and(|to| to < from) {
        let message = "The time in `to` is before the one in `from`.";
        return Err(Error::new(REFUSED, message).wrong([Wrong::new("to", "bad-value", message)]));
    }
    let mut jobs = ended(&api, |before| JobFilter {
        ended_from: Some(window.from),
        ended_to: Some(window.to),
        before,
        limit: PAGE,
        ..JobFilter::default()
    })
    .await?;
    // What is still to be made belongs to a report of now.
    let mut waiting = 0;
    if window.to >= now {
        let store = &api.shared.store;
        let states = vec![JobState::Queued, JobState::Running];
        let newest = JobFilter {
            states: states.clone(),
            limit: PAGE,
            ..JobFilter::default()
        };
        jobs.extend(store.jobs(&newest).await?);
        let counts = store.counts().await?;
        waiting = states.iter().filter_map(|s| counts.get(s)).sum();
    }
    let mut report = report(&jobs, &window);
    // A job may have ended between the two looks at the queue.
    report.waiting_in_all = report.waiting_in_all.max(waiting);
    Ok(match form {
        "csv" => csv(table(&report)),
        "html" => {
            let mut answer = text("text/html; charset=utf-8", page(&report));
            let only_style = HeaderValue::from_static(
                "sandbox; default-src 'none'; style-src 'unsafe-inline'; frame-ancestors 'none'",
            );
            answer
                .headers_mut()
                .insert(CONTENT_SECURITY_POLICY, only_style);
            answer
        }
        _ => Json(report).into_response(),
    })
}

/// All jobs of a filter, page by page. A job that ends between two pages is told once.
async fn ended(
    api: &ApiArc,
    filter: impl Fn(Option<crate::model::JobId>) -> JobFilter,
) -> Result<Vec<Job>, Error> {
    let mut jobs: Vec<Job> = Vec::new();
    loop {
        let page = api
            .shared
            .store
            .jobs(&filter(jobs.last().map(|j| j.id)))
            .await?;
        let full = page.len() == PAGE as usize;
        jobs.extend(page);
        if !full {
            return Ok(jobs);
        }
        if jobs.len() >= MOST {
            let message = format!("More than {MOST} jobs ended in that time.");
            return Err(Error::new(REFUSED, message.clone())
                .wrong([
                    Wrong::new("from", "too-many", message).remedy("Ask for a shorter time.")
                ]));
        }
    }
}
