//! One task reads the queue's events, counts them for the metrics, and wakes all requests that wait. Events of this process are seen
//! at once, those of other processes within half a second.

use super::{Api, ApiArc};
use std::sync::{Arc, Weak};
use std::time::Duration;
use tokio::sync::watch;
use tokio::time::Instant;

/// How often a queue is looked at that others write too.
const LOOK: Duration = Duration::from_millis(500);
/// How often one is that only this process writes: it tells of its writes by itself.
const LOOK_AT_OWN: Duration = Duration::from_secs(2);
/// Events read at a time.
const PAGE: u32 = 1000;

/// Begins to look for news for as long as the routes are there.
pub(super) fn watch(api: &ApiArc) {
    if tokio::runtime::Handle::try_current().is_err() {
        return;
    }
    let weak = Arc::downgrade(api);
    let stirred = api.shared.events.subscribe();
    let stop = api.shared.stop.subscribe();
    let look = match api.shared.store.is_embedded() {
        true => LOOK_AT_OWN,
        false => LOOK,
    };
    tokio::spawn(looks(weak, stirred, stop, look));
}

async fn looks(
    api: Weak<Api>,
    mut stirred: watch::Receiver<i64>,
    mut stop: watch::Receiver<bool>,
    look: Duration,
) {
    let mut seen = None;
    loop {
        {
            let Some(api) = api.upgrade() else {
                return;
            };
            if let Err(e) = once(&api, &mut seen).await {
                tracing::debug!("no news can be had: {e}");
            }
        }
        tokio::select! {
            told = stirred.changed() => if told.is_err() { return },
            () = tokio::time::sleep(look) => {}
            _ = stop.wait_for(|s| *s) => return,
        }
    }
}

async fn once(api: &Api, seen: &mut Option<i64>) -> Result<(), crate::store::StoreProblem> {
    let store = &api.shared.store;
    let mut after = match *seen {
        Some(after) => after,
        None => store.last_event().await?,
    };
    loop {
        let events = store.events(after, None, PAGE).await?;
        api.metrics.events(&events);
        let Some(last) = events.last() else {
            break;
        };
        after = last.seq;
        *seen = Some(after);
    }
    *seen = Some(after);
    api.newest.send_if_modified(|newest| {
        let news = *newest != after;
        *newest = after;
        news
    });
    Ok(())
}

/// Waits for news until a moment. `false`: the moment came, or the server stops.
pub(super) async fn arrive(api: &Api, news: &mut watch::Receiver<i64>, until: Instant) -> bool {
    let mut stop = api.shared.stop.subscribe();
    tokio::select! {
        told = news.changed() => told.is_ok(),
        () = tokio::time::sleep_until(until) => false,
        _ = stop.wait_for(|s| *s) => false,
    }
}
