//! What messages say: `type`, `timestamp`, `data`, as the Standard Webhooks specification advises.

use super::super::model::{Event, Job, Millis};
use super::super::store::webhooks::{NewMessage, kind_word};
use serde_json::{Value, json};

/// The message about an event; the job is told as it is now.
pub(super) fn message(event: &Event, job: &Job) -> NewMessage {
    let kind = kind_word(event.what);
    let data = json!({ "seq": event.seq, "state": event.state, "job": job });
    NewMessage {
        id: fresh_id(),
        seq: Some(event.seq),
        kind: kind.to_string(),
        body: body(kind, event.at, &data),
    }
}

/// A message that somebody asks for to see whether the receiver gets it.
pub fn test_message(webhook: &str, now: Millis) -> NewMessage {
    let kind = "grainway.test";
    NewMessage {
        id: fresh_id(),
        seq: None,
        kind: kind.to_string(),
        body: body(kind, now, &json!({ "webhook": webhook })),
    }
}

/// Ids hold no point, since points divide what is signed.
fn fresh_id() -> String {
    format!("msg_{}", uuid::Uuid::now_v7().simple())
}

/// A body; the time is told in UTC as RFC 3339 has it.
pub fn body(kind: &str, at: Millis, data: &Value) -> String {
    let at = jiff::Timestamp::from_millisecond(at).unwrap_or_default();
    json!({ "type": kind, "timestamp": at.to_string(), "data": data }).to_string()
}
