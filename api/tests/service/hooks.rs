//! Webhooks: signatures as the reference library has them, messages that are neither lost nor sent to nobody's good.

use grainway::service::hooks::schedule::{Outcome, WAITS};
use grainway::service::hooks::sign::{Secret, headers};
use grainway::service::store::webhooks::{self as table, NewMessage, Settled, TABLES, Webhook};
use serde_json::json;
use sqlx::{AnyConnection, Connection};
use std::io::Write;
use std::process::{Command, Stdio};

/// The specification's own library for Python, given a secret, header fields and a body on each line, says what it thinks.
const VERIFY: &str = r#"
import json, sys
from standardwebhooks.webhooks import Webhook, WebhookVerificationError
for line in sys.stdin:
    case = json.loads(line)
    try:
        Webhook(case["secret"]).verify(case["body"], case["headers"])
        print("good")
    except WebhookVerificationError as e:
        print(e)
"#;

#[test]
fn the_reference_library_takes_our_signatures_and_refuses_changed_ones() {
    let python = std::env::var("GRAINWAY_PYTHON").unwrap_or_else(|_| "python3".to_string());
    let has = Command::new(&python)
        .args(["-c", "import standardwebhooks"])
        .output();
    if !has.is_ok_and(|o| o.status.success()) {
        assert!(
            std::env::var_os("GRAINWAY_PYTHON").is_none(),
            "{python} lacks standardwebhooks: see tests/python/requirements.txt"
        );
        println!("skipped: set GRAINWAY_PYTHON to a Python with standardwebhooks");
        return;
    }
    let now = jiff::Timestamp::now().as_second();
    let (old, new) = (Secret::fresh().unwrap(), Secret::fresh().unwrap());
    let body = r#"{"type":"job.ended","data":{"name":"Lesebänke"}}"#;
    let told = |at: i64| {
        let fields = headers("msg_1", at, body.as_bytes(), &[new.clone(), old.clone()]);
        fields
            .iter()
            .map(|(name, value)| (name.as_str().to_string(), json!(value.to_str().unwrap())))
            .collect::<serde_json::Map<_, _>>()
    };
    let case = |secret: &Secret, at: i64, body: &str| json!({ "secret": secret.reveal(), "headers": told(at), "body": body });
    let stranger = Secret::fresh().unwrap();
    let mut other_id = case(&new, now, body);
    other_id["headers"]["webhook-id"] = json!("msg_2");
    let cases = [
        (case(&new, now, body), "good"),
        (case(&old, now, body), "good"),
        (case(&stranger, now, body), "No matching signature found"),
        (
            case(&new, now, &body.replace("ended", "ready")),
            "No matching signature found",
        ),
        (other_id, "No matching signature found"),
        (case(&new, now - 3600, body), "Message timestamp too old"),
    ];
    let mut child = Command::new(&python)
        .args(["-c", VERIFY])
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    let mut input = child.stdin.take().unwrap();
    for (case, _) in &cases {
        writeln!(input, "{case}").unwrap();
    }
    drop(input);
    let output = child.wait_with_output().unwrap();
    let said = String::from_utf8(output.stdout).unwrap();
    let wanted: Vec<&str> = cases.iter().map(|(_, wanted)| *wanted).collect();
    assert_eq!(said.lines().collect::<Vec<_>>(), wanted);
}

async fn store() -> AnyConnection {
    sqlx::any::install_default_drivers();
    let mut conn = AnyConnection::connect("sqlite::memory:").await.unwrap();
    for sql in TABLES {
        sqlx::query(sql).execute(&mut conn).await.unwrap();
    }
    conn
}

const T0: i64 = 1_700_000_000_000;
const MINUTE: i64 = 60_000;
const HOUR: i64 = 60 * MINUTE;

fn webhook(id: &str) -> Webhook {
    Webhook {
        id: id.to_string(),
        url: format!("https://library.example/{id}"),
        events: vec!["job.ended".to_string(), "job.stale".to_string()],
        off: None,
        failing_since: None,
        former_secret_until: None,
        created: T0,
        seen: 10,
    }
}

fn message(n: i64) -> NewMessage {
    NewMessage {
        id: format!("msg_{n}"),
        seq: Some(n),
        kind: "job.ended".to_string(),
        body: format!("{{\"n\":{n}}}"),
    }
}

fn failed(status: u16, held_until: Option<i64>) -> Outcome {
    Outcome::Failed {
        status: Some(status),
        why: format!("the receiver answered {status}"),
        held_until,
    }
}

async fn with_messages(conn: &mut AnyConnection, id: &str, numbers: &[i64]) -> Secret {
    let secret = Secret::fresh().unwrap();
    let hook = webhook(id);
    table::add(conn, &hook, &secret).await.unwrap();
    let messages: Vec<NewMessage> = numbers.iter().map(|n| message(*n)).collect();
    assert!(table::queue(conn, &hook, &messages, 99, T0).await.unwrap());
    secret
}

#[tokio::test]
async fn events_become_messages_once() {
    let mut conn = store().await;
    let secret = with_messages(&mut conn, "a", &[11, 12]).await;
    // Another process read the same events at the same time: the number that it saw is no longer the webhook's.
    let late = [NewMessage {
        id: "msg_late".to_string(),
        ..message(12)
    }];
    assert!(
        !table::queue(&mut conn, &webhook("a"), &late, 12, T0)
            .await
            .unwrap()
    );
    assert_eq!(table::one(&mut conn, "a").await.unwrap().unwrap().seen, 99);
    let listed = table::deliveries(&mut conn, "a", 10).await.unwrap();
    assert_eq!(
        listed.iter().map(|d| d.id.as_str()).collect::<Vec<_>>(),
        ["msg_12", "msg_11"]
    );
    let lent = table::lend(&mut conn, "a", T0, T0 + MINUTE)
        .await
        .unwrap()
        .unwrap();
    assert_eq!(
        (lent.id.as_str(), lent.body.as_str(), lent.attempts),
        ("msg_11", "{\"n\":11}", 1)
    );
    assert_eq!(
        (lent.url.as_str(), &lent.secrets),
        ("https://library.example/a", &vec![secret])
    );
    assert_eq!(
        table::lend(&mut conn, "a", T0, T0 + MINUTE)
            .await
            .unwrap()
            .unwrap()
            .id,
        "msg_12"
    );
    assert_eq!(
        table::lend(&mut conn, "a", T0, T0 + MINUTE).await.unwrap(),
        None
    );
}

#[tokio::test]
async fn a_message_whose_sender_died_is_due_again_and_the_dead_ones_word_counts_no_more() {
    let mut conn = store().await;
    with_messages(&mut conn, "a", &[11]).await;
    let first = table::lend(&mut conn, "a", T0, T0 + MINUTE)
        .await
        .unwrap()
        .unwrap();
    assert!(
        table::due_now(&mut conn, T0 + MINUTE - 1)
            .await
            .unwrap()
            .is_empty()
    );
    assert_eq!(table::due_now(&mut conn, T0 + MINUTE).await.unwrap(), ["a"]);
    let second = table::lend(&mut conn, "a", T0 + MINUTE, T0 + 2 * MINUTE)
        .await
        .unwrap()
        .unwrap();
    assert_eq!((second.id.as_str(), second.attempts), ("msg_11", 2));
    let done = Outcome::Delivered { status: 204 };
    assert_eq!(
        table::settle(&mut conn, &first, &failed(500, None), 0, T0)
            .await
            .unwrap(),
        Settled::Replaced
    );
    assert_eq!(
        table::settle(&mut conn, &second, &done, 0, T0)
            .await
            .unwrap(),
        Settled::Noted
    );
    assert_eq!(
        table::settle(&mut conn, &second, &done, 0, T0)
            .await
            .unwrap(),
        Settled::Replaced
    );
    let listed = table::deliveries(&mut conn, "a", 10).await.unwrap();
    assert_eq!(
        (listed[0].state.as_str(), listed[0].status, listed[0].due),
        ("delivered", Some(204), None)
    );
}

#[tokio::test]
async fn a_receiver_that_never_answers_well_is_given_up_after_three_days_and_told_why() {
    let mut conn = store().await;
    with_messages(&mut conn, "a", &[11]).await;
    let mut now = T0;
    let mut times = Vec::new();
    let off = loop {
        let Some(lent) = table::lend(&mut conn, "a", now, now + MINUTE)
            .await
            .unwrap()
        else {
            now += MINUTE;
            assert!(now < T0 + 120 * HOUR, "it goes on for ever");
            continue;
        };
        times.push(now);
        // A chance in the middle: no spread.
        let wait = WAITS.get(times.len() - 1).copied().unwrap_or(0);
        let middle = u64::try_from(wait / 5).unwrap() * 2;
        match table::settle(&mut conn, &lent, &failed(503, None), middle, now)
            .await
            .unwrap()
        {
            Settled::Noted => {}
            Settled::Off(why) => break why,
            Settled::Replaced => panic!("nobody else is there"),
        }
    };
    assert_eq!(times.len(), WAITS.len() + 1);
    let hours = (now - T0) / HOUR;
    assert!((75..=76).contains(&hours), "{hours}");
    assert_eq!(
        off,
        "no message got through for 3 days; the last time the receiver answered 503"
    );
    let hook = table::one(&mut conn, "a").await.unwrap().unwrap();
    assert_eq!((hook.off, hook.failing_since), (Some(off), Some(times[0])));
    let listed = table::deliveries(&mut conn, "a", 10).await.unwrap();
    assert_eq!(
        (
            listed[0].state.as_str(),
            listed[0].attempts,
            listed[0].status
        ),
        ("failed", 10, Some(503))
    );
}

#[tokio::test]
async fn one_message_that_is_never_taken_does_not_switch_off_a_webhook_that_works() {
    let mut conn = store().await;
    with_messages(&mut conn, "a", &[11]).await;
    let mut now = T0;
    let mut attempts = 0;
    while attempts < 10 {
        let Some(lent) = table::lend(&mut conn, "a", now, now + MINUTE)
            .await
            .unwrap()
        else {
            now += MINUTE;
            continue;
        };
        attempts += 1;
        // Another message got through in between.
        sqlx::query("UPDATE webhook SET failing_since = NULL")
            .execute(&mut conn)
            .await
            .unwrap();
        let settled = table::settle(&mut conn, &lent, &failed(400, None), 0, now)
            .await
            .unwrap();
        assert_eq!(settled, Settled::Noted);
    }
    assert_eq!(table::one(&mut conn, "a").await.unwrap().unwrap().off, None);
    let listed = table::deliveries(&mut conn, "a", 10).await.unwrap();
    assert_eq!((listed[0].state.as_str(), listed[0].due), ("failed", None));
}

#[tokio::test]
async fn gone_switches_off_and_gives_up_what_waits_until_somebody_switches_on() {
    let mut conn = store().await;
    with_messages(&mut conn, "a", &[11, 12, 13]).await;
    with_messages(&mut conn, "b", &[21]).await;
    let lent = table::lend(&mut conn, "a", T0, T0 + MINUTE)
        .await
        .unwrap()
        .unwrap();
    let settled = table::settle(&mut conn, &lent, &Outcome::Gone, 0, T0)
        .await
        .unwrap();
    assert!(matches!(settled, Settled::Off(why) if why.contains("410")));
    assert_eq!(table::due_now(&mut conn, T0 + HOUR).await.unwrap(), ["b"]);
    let listed = table::deliveries(&mut conn, "a", 10).await.unwrap();
    assert!(
        listed
            .iter()
            .all(|d| d.state == "failed" && d.why.is_some()),
        "{listed:?}"
    );
    let off = table::one(&mut conn, "a").await.unwrap().unwrap();
    assert!(
        !table::queue(&mut conn, &off, &[message(14)], 100, T0)
            .await
            .unwrap(),
        "it is off"
    );
    assert!(table::switch_on(&mut conn, "a", 120).await.unwrap());
    let on = table::one(&mut conn, "a").await.unwrap().unwrap();
    assert_eq!(
        (on.off.as_deref(), on.seen, on.failing_since),
        (None, 120, None)
    );
    assert!(table::switch_on(&mut conn, "b", 120).await.unwrap());
    assert_eq!(
        table::one(&mut conn, "b").await.unwrap().unwrap().seen,
        99,
        "one that is on misses nothing"
    );
    assert!(!table::switch_on(&mut conn, "c", 1).await.unwrap());
}

#[tokio::test]
async fn a_receiver_that_asks_for_quiet_is_left_alone() {
    let mut conn = store().await;
    with_messages(&mut conn, "a", &[11, 12]).await;
    let lent = table::lend(&mut conn, "a", T0, T0 + MINUTE)
        .await
        .unwrap()
        .unwrap();
    let until = T0 + HOUR;
    table::settle(&mut conn, &lent, &failed(429, Some(until)), 0, T0)
        .await
        .unwrap();
    assert!(
        table::due_now(&mut conn, until - 1)
            .await
            .unwrap()
            .is_empty(),
        "the other message waits too"
    );
    assert_eq!(
        table::lend(&mut conn, "a", until - 1, until).await.unwrap(),
        None
    );
    let lent = table::lend(&mut conn, "a", until, until + MINUTE)
        .await
        .unwrap()
        .unwrap();
    assert_eq!(lent.id, "msg_12");
    table::settle(
        &mut conn,
        &lent,
        &Outcome::Delivered { status: 200 },
        0,
        until,
    )
    .await
    .unwrap();
    assert_eq!(
        table::lend(&mut conn, "a", until, until + MINUTE)
            .await
            .unwrap()
            .unwrap()
            .id,
        "msg_11"
    );
}

#[tokio::test]
async fn during_a_rotation_both_secrets_sign() {
    let mut conn = store().await;
    let old = with_messages(&mut conn, "a", &[11, 12]).await;
    let new = Secret::fresh().unwrap();
    assert!(
        table::rotate(&mut conn, "a", &new, T0 + HOUR)
            .await
            .unwrap()
    );
    assert!(
        !table::rotate(&mut conn, "none", &new, T0 + HOUR)
            .await
            .unwrap()
    );
    let lent = table::lend(&mut conn, "a", T0, T0 + MINUTE)
        .await
        .unwrap()
        .unwrap();
    assert_eq!(lent.secrets, [new.clone(), old]);
    let lent = table::lend(&mut conn, "a", T0 + HOUR, T0 + 2 * HOUR)
        .await
        .unwrap()
        .unwrap();
    assert_eq!(lent.secrets, [new]);
}

#[tokio::test]
async fn what_is_over_is_forgotten_and_what_is_removed_is_gone() {
    let mut conn = store().await;
    with_messages(&mut conn, "a", &[11, 12]).await;
    let lent = table::lend(&mut conn, "a", T0, T0 + MINUTE)
        .await
        .unwrap()
        .unwrap();
    table::settle(&mut conn, &lent, &Outcome::Delivered { status: 200 }, 0, T0)
        .await
        .unwrap();
    assert_eq!(table::forget(&mut conn, T0).await.unwrap(), 0);
    assert_eq!(table::forget(&mut conn, T0 + 1).await.unwrap(), 1);
    assert_eq!(
        table::deliveries(&mut conn, "a", 10).await.unwrap().len(),
        1
    );
    assert!(table::remove(&mut conn, "a").await.unwrap());
    assert!(!table::remove(&mut conn, "a").await.unwrap());
    assert!(table::all(&mut conn).await.unwrap().is_empty());
    assert!(
        table::deliveries(&mut conn, "a", 10)
            .await
            .unwrap()
            .is_empty()
    );
}
