//! Making webhooks, rotating their secrets, sending test messages, and switching webhooks on again.

use super::message::test_message;
use super::sign::Secret;
use crate::Shared;
use crate::intake::Refusal;
use crate::model::Millis;
use crate::store::webhooks::{KIND_WORDS, Webhook};
use grainway_client::outgoing::Guard;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// Most webhooks of a server: each is read whenever something happens.
pub const MOST_WEBHOOKS: usize = 100;
/// Longest address.
const LONGEST_URL: usize = 2000;
/// How long the former secret signs too.
const ROTATION: Millis = 24 * 3_600_000;

/// A webhook to be made.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct NewWebhook {
    /// Where messages go: `https://…`, or an address that the operator allows in `webhook-private-targets`.
    pub url: String,
    /// Of which events; `["job.ended"]` when not said.
    #[serde(default = "only_ends")]
    pub events: Vec<String>,
}

fn only_ends() -> Vec<String> {
    vec!["job.ended".to_string()]
}

/// A secret, shown this once.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub struct WithSecret {
    /// The webhook.
    pub webhook: Webhook,
    /// `whsec_…`, for the receiver to check signatures with. It is not shown again.
    pub secret: String,
}

/// A message on its way.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub struct Queued {
    /// The message's id, which arrives in `webhook-id`.
    pub id: String,
}

fn refused(at: &str, message: impl Into<String>) -> Refusal {
    Refusal::Request {
        at: at.to_string(),
        message: message.into(),
    }
}

fn secret() -> Result<Secret, Refusal> {
    Secret::fresh().map_err(|e| {
        Refusal::Store(crate::store::StoreProblem::Failed(format!(
            "no random numbers can be had: {e}"
        )))
    })
}

/// Makes one.
pub async fn make(shared: &Shared, new: NewWebhook) -> Result<WithSecret, Refusal> {
    if new.url.len() > LONGEST_URL {
        let most = format!(
            "the address has {} bytes, more than {LONGEST_URL}",
            new.url.len()
        );
        return Err(refused("/url", most));
    }
    let guard = Guard::new(&shared.config.webhook_private_targets)
        .map_err(|e| refused("/url", e.to_string()))?;
    let url = guard
        .check(&new.url)
        .map_err(|e| refused("/url", e.to_string()))?;
    if new.events.is_empty() {
        return Err(refused(
            "/events",
            "name at least one event, such as job.ended",
        ));
    }
    for (i, event) in new.events.iter().enumerate() {
        if !KIND_WORDS.contains(&event.as_str()) {
            let known = KIND_WORDS.join(", ");
            return Err(refused(
                &format!("/events/{i}"),
                format!("there are no events {event:?}; there are {known}"),
            ));
        }
    }
    let mut events = new.events;
    events.sort();
    events.dedup();
    let webhook = Webhook {
        id: uuid::Uuid::now_v7().to_string(),
        url: url.to_string(),
        events,
        off: None,
        failing_since: None,
        former_secret_until: None,
        created: shared.now(),
        seen: 0,
    };
    let secret = secret()?;
    if !shared
        .store
        .add_webhook(&webhook, &secret, MOST_WEBHOOKS)
        .await?
    {
        return Err(refused(
            "",
            format!("there are {MOST_WEBHOOKS} webhooks already; remove one first"),
        ));
    }
    Ok(WithSecret {
        webhook,
        secret: secret.reveal(),
    })
}

/// Gives one a new secret; messages are signed with the former one too for a day. `None`: there is no such webhook.
pub async fn rotate(shared: &Shared, id: &str) -> Result<Option<WithSecret>, Refusal> {
    let secret = secret()?;
    let until = shared.now() + ROTATION;
    if !shared.store.rotate_webhook(id, &secret, until).await? {
        return Ok(None);
    }
    let webhook = shared.store.webhook(id).await?;
    Ok(webhook.map(|webhook| WithSecret {
        webhook,
        secret: secret.reveal(),
    }))
}

/// Sends one a message of type `grainway.test`. `None`: there is no such webhook.
pub async fn test(shared: &Shared, id: &str) -> Result<Option<Queued>, Refusal> {
    let Some(webhook) = shared.store.webhook(id).await? else {
        return Ok(None);
    };
    let now = shared.now();
    let message = test_message(id, now);
    if webhook.off.is_some() || !shared.store.queue_message(id, &message, now).await? {
        return Err(refused(
            "",
            "the webhook is switched off; switch it on first",
        ));
    }
    shared.stir();
    Ok(Some(Queued { id: message.id }))
}

/// Switches one on that was switched off. `None`: there is no such webhook.
pub async fn resume(shared: &Shared, id: &str) -> Result<Option<Webhook>, Refusal> {
    match shared.store.switch_webhook_on(id).await? {
        true => Ok(shared.store.webhook(id).await?),
        false => Ok(None),
    }
}
