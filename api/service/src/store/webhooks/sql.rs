//! The statements. All of a function happens in the caller's transaction.

use super::{Delivery, Lent, NewMessage, Settled, Webhook};
use crate::model::Millis;
use crate::webhook_rules::schedule::{Outcome, next_attempt};
use crate::webhook_rules::sign::Secret;
use sqlx::any::AnyRow;
use sqlx::{AnyConnection, Row};

/// Nothing got through for this long: with a message given up, the webhook is switched off. Less than the schedule takes at least.
const SILENT: Millis = 48 * 3_600_000;

type Done<T> = Result<T, sqlx::Error>;

fn webhook_of(row: &AnyRow) -> Done<Webhook> {
    let kinds: String = row.try_get("kinds")?;
    Ok(Webhook {
        id: row.try_get("id")?,
        url: row.try_get("url")?,
        events: kinds.split(',').map(str::to_string).collect(),
        off: row.try_get("off")?,
        failing_since: row.try_get("failing_since")?,
        former_secret_until: row.try_get("old_until")?,
        created: row.try_get("created")?,
        seen: row.try_get("seen")?,
    })
}

fn delivery_of(row: &AnyRow) -> Done<Delivery> {
    let state: String = row.try_get("state")?;
    let due: i64 = row.try_get("due")?;
    let status: Option<i64> = row.try_get("status")?;
    Ok(Delivery {
        id: row.try_get("id")?,
        event: row.try_get("kind")?,
        due: (state == "waiting").then_some(due),
        state,
        attempts: row.try_get("attempts")?,
        created: row.try_get("created")?,
        ended: row.try_get("ended")?,
        status: status.and_then(|s| u16::try_from(s).ok()),
        why: row.try_get("why")?,
    })
}

/// All, oldest first.
pub(super) async fn all(conn: &mut AnyConnection) -> Done<Vec<Webhook>> {
    sqlx::query("SELECT id, url, kinds, off, failing_since, old_until, created, seen FROM webhook ORDER BY created, id")
        .fetch_all(conn)
        .await?
        .iter()
        .map(webhook_of)
        .collect()
}

/// One.
pub(super) async fn one(conn: &mut AnyConnection, id: &str) -> Done<Option<Webhook>> {
    sqlx::query("SELECT id, url, kinds, off, failing_since, old_until, created, seen FROM webhook WHERE id = $1")
        .bind(id.to_string())
        .fetch_optional(conn)
        .await?
        .as_ref()
        .map(webhook_of)
        .transpose()
}

/// Adds one; it hears of events after `webhook.seen`.
pub(super) async fn add(conn: &mut AnyConnection, webhook: &Webhook, secret: &Secret) -> Done<()> {
    sqlx::query("INSERT INTO webhook (id, url, secret, kinds, seen, created) VALUES ($1, $2, $3, $4, $5, $6)")
        .bind(webhook.id.clone())
        .bind(webhook.url.clone())
        .bind(secret.reveal())
        .bind(webhook.events.join(","))
        .bind(webhook.seen)
        .bind(webhook.created)
        .execute(conn)
        .await
        .map(|_| ())
}

/// Holds one until the transaction ends: nobody else queues messages for it or moves its number.
pub(super) async fn hold(conn: &mut AnyConnection, id: &str) -> Done<()> {
    sqlx::query("UPDATE webhook SET seen = seen WHERE id = $1")
        .bind(id.to_string())
        .execute(conn)
        .await
        .map(|_| ())
}

/// Removes one with its messages. `false`: there was none.
pub(super) async fn remove(conn: &mut AnyConnection, id: &str) -> Done<bool> {
    // Whoever queues messages for it now is waited for, so that none is left.
    hold(&mut *conn, id).await?;
    sqlx::query("DELETE FROM delivery WHERE webhook = $1")
        .bind(id.to_string())
        .execute(&mut *conn)
        .await?;
    let done = sqlx::query("DELETE FROM webhook WHERE id = $1")
        .bind(id.to_string())
        .execute(conn)
        .await?;
    Ok(done.rows_affected() == 1)
}

/// Gives one a new secret; the former one signs too until `until`. `false`: there is none.
pub(super) async fn rotate(
    conn: &mut AnyConnection,
    id: &str,
    secret: &Secret,
    until: Millis,
) -> Done<bool> {
    let done = sqlx::query(
        "UPDATE webhook SET old_secret = secret, old_until = $2, secret = $3 WHERE id = $1",
    )
    .bind(id.to_string())
    .bind(until)
    .bind(secret.reveal())
    .execute(conn)
    .await?;
    Ok(done.rows_affected() == 1)
}

/// Switches one off and gives its messages up.
pub(super) async fn switch_off(
    conn: &mut AnyConnection,
    id: &str,
    why: &str,
    now: Millis,
) -> Done<()> {
    sqlx::query("UPDATE webhook SET off = $2 WHERE id = $1 AND off IS NULL")
        .bind(id.to_string())
        .bind(why.to_string())
        .execute(&mut *conn)
        .await?;
    sqlx::query(
        "UPDATE delivery SET state = 'failed', ended = $2, why = COALESCE(why, 'the webhook was switched off') WHERE webhook = $1 AND state = 'waiting'",
    )
    .bind(id.to_string())
    .bind(now)
    .execute(conn)
    .await
    .map(|_| ())
}

/// Switches one on again; it hears of events after `seen`. `false`: there is none.
pub(super) async fn switch_on(conn: &mut AnyConnection, id: &str, seen: i64) -> Done<bool> {
    let done = sqlx::query(
        "UPDATE webhook SET seen = CASE WHEN off IS NULL THEN seen ELSE $2 END, off = NULL, failing_since = NULL, held_until = 0 WHERE id = $1",
    )
    .bind(id.to_string())
    .bind(seen)
    .execute(conn)
    .await?;
    Ok(done.rows_affected() == 1)
}

/// Queues messages and notes that events up to `seen` were turned into them. `false`: another process did that meanwhile, or the
/// webhook is gone or off, and nothing was queued.
pub(super) async fn queue(
    conn: &mut AnyConnection,
    webhook: &Webhook,
    messages: &[NewMessage],
    seen: i64,
    now: Millis,
) -> Done<bool> {
    let done =
        sqlx::query("UPDATE webhook SET seen = $3 WHERE id = $1 AND seen = $2 AND off IS NULL")
            .bind(webhook.id.clone())
            .bind(webhook.seen)
            .bind(seen)
            .execute(&mut *conn)
            .await?;
    if done.rows_affected() == 0 {
        return Ok(false);
    }
    for message in messages {
        sqlx::query(
            "INSERT INTO delivery (id, webhook, seq, kind, body, state, attempts, due, created) VALUES ($1, $2, $3, $4, $5, 'waiting', 0, $6, $6)",
        )
        .bind(message.id.clone())
        .bind(webhook.id.clone())
        .bind(message.seq)
        .bind(message.kind.clone())
        .bind(message.body.clone())
        .bind(now)
        .execute(&mut *conn)
        .await?;
    }
    Ok(true)
}

/// Webhooks that have messages due now.
pub(super) async fn due_now(conn: &mut AnyConnection, now: Millis) -> Done<Vec<String>> {
    sqlx::query(
        "SELECT id FROM webhook WHERE off IS NULL AND held_until <= $1 AND EXISTS (SELECT 1 FROM delivery WHERE webhook = webhook.id AND state = 'waiting' AND due <= $1) ORDER BY id",
    )
    .bind(now)
    .fetch_all(conn)
    .await?
    .iter()
    .map(|row| row.try_get("id"))
    .collect()
}

/// Lends the next message of a webhook until `until`, when it is due again unless it was settled.
pub(super) async fn lend(
    conn: &mut AnyConnection,
    webhook: &str,
    now: Millis,
    until: Millis,
) -> Done<Option<Lent>> {
    let row = sqlx::query(
        "SELECT d.id AS id, d.attempts AS attempts, d.body AS body, w.url AS url, w.secret AS secret, w.old_secret AS old_secret, w.old_until AS old_until FROM delivery d JOIN webhook w ON w.id = d.webhook WHERE d.webhook = $1 AND d.state = 'waiting' AND d.due <= $2 AND w.off IS NULL AND w.held_until <= $2 ORDER BY d.due, d.seq, d.id LIMIT 1",
    )
    .bind(webhook.to_string())
    .bind(now)
    .fetch_optional(&mut *conn)
    .await?;
    let Some(row) = row else { return Ok(None) };
    let id: String = row.try_get("id")?;
    let attempts: i64 = row.try_get("attempts")?;
    let done = sqlx::query(
        "UPDATE delivery SET attempts = attempts + 1, due = $3 WHERE id = $1 AND attempts = $2 AND state = 'waiting'",
    )
    .bind(id.clone())
    .bind(attempts)
    .bind(until)
    .execute(conn)
    .await?;
    if done.rows_affected() == 0 {
        return Ok(None);
    }
    let read = |text: &str| Secret::read(text).map_err(|e| sqlx::Error::Decode(e.into()));
    let mut secrets = vec![read(row.try_get("secret")?)?];
    let old: Option<String> = row.try_get("old_secret")?;
    let old_until: Option<i64> = row.try_get("old_until")?;
    if let Some(old) = old.filter(|_| old_until.is_some_and(|until| now < until)) {
        secrets.push(read(&old)?);
    }
    Ok(Some(Lent {
        id,
        webhook: webhook.to_string(),
        attempts: attempts + 1,
        url: row.try_get("url")?,
        body: row.try_get("body")?,
        secrets,
    }))
}

/// Notes what became of a lent message. `chance` is any random number.
pub(super) async fn settle(
    conn: &mut AnyConnection,
    lent: &Lent,
    outcome: &Outcome,
    chance: u64,
    now: Millis,
) -> Done<Settled> {
    let attempts = u32::try_from(lent.attempts).unwrap_or(u32::MAX);
    let (state, due, status, why, held) = match outcome {
        Outcome::Delivered { status } => ("delivered", None, Some(*status), None, None),
        Outcome::Gone => ("failed", None, Some(410), Some(GONE.to_string()), None),
        Outcome::Failed {
            status,
            why,
            held_until,
        } => {
            let due = next_attempt(attempts, now, chance, *held_until);
            let state = if due.is_some() { "waiting" } else { "failed" };
            (state, due, *status, Some(why.clone()), *held_until)
        }
    };
    let done = sqlx::query(
        "UPDATE delivery SET state = $3, due = $4, ended = $5, status = $6, why = $7 WHERE id = $1 AND attempts = $2 AND state = 'waiting'",
    )
    .bind(lent.id.clone())
    .bind(lent.attempts)
    .bind(state)
    .bind(due.unwrap_or(now))
    .bind((state != "waiting").then_some(now))
    .bind(status.map(i64::from))
    .bind(why.clone())
    .execute(&mut *conn)
    .await?;
    if done.rows_affected() == 0 {
        return Ok(Settled::Replaced);
    }
    let off = match (outcome, why) {
        (Outcome::Delivered { .. }, _) => {
            sqlx::query("UPDATE webhook SET failing_since = NULL, held_until = 0 WHERE id = $1")
                .bind(lent.webhook.clone())
                .execute(&mut *conn)
                .await?;
            None
        }
        (Outcome::Gone, _) => Some(GONE.to_string()),
        (Outcome::Failed { .. }, why) => {
            sqlx::query(
                "UPDATE webhook SET failing_since = COALESCE(failing_since, $2), held_until = CASE WHEN $3 > held_until THEN $3 ELSE held_until END WHERE id = $1",
            )
            .bind(lent.webhook.clone())
            .bind(now)
            .bind(held.unwrap_or(0))
            .execute(&mut *conn)
            .await?;
            let since = one(conn, &lent.webhook)
                .await?
                .and_then(|w| w.failing_since);
            (state == "failed" && since.is_some_and(|since| since <= now - SILENT)).then(|| {
                let days = (now - since.unwrap_or(now)) / 86_400_000;
                format!(
                    "no message got through for {days} days; the last time {}",
                    why.unwrap_or_default()
                )
            })
        }
    };
    match off {
        Some(why) => {
            switch_off(conn, &lent.webhook, &why, now).await?;
            Ok(Settled::Off(why))
        }
        None => Ok(Settled::Noted),
    }
}

/// Why a webhook is off whose receiver said so.
const GONE: &str = "the receiver answered 410: it wants no more messages";

/// The last messages of a webhook, newest first.
pub(super) async fn deliveries(
    conn: &mut AnyConnection,
    webhook: &str,
    limit: u32,
) -> Done<Vec<Delivery>> {
    sqlx::query(
        "SELECT id, kind, state, attempts, due, created, ended, status, why FROM delivery WHERE webhook = $1 ORDER BY created DESC, id DESC LIMIT $2",
    )
    .bind(webhook.to_string())
    .bind(i64::from(limit))
    .fetch_all(conn)
    .await?
    .iter()
    .map(delivery_of)
    .collect()
}

/// The last event's number.
pub(super) async fn last_event(conn: &mut AnyConnection) -> Done<i64> {
    sqlx::query("SELECT coalesce(max(seq), 0) AS seq FROM event")
        .fetch_one(conn)
        .await?
        .try_get("seq")
}

/// Forgets messages that arrived or were given up before `before`.
pub(super) async fn forget(conn: &mut AnyConnection, before: Millis) -> Done<u64> {
    sqlx::query("DELETE FROM delivery WHERE state <> 'waiting' AND ended < $1")
        .bind(before)
        .execute(conn)
        .await
        .map(|done| done.rows_affected())
}
