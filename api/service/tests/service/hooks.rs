//! Webhooks: signatures as the reference library has them, messages that are neither lost nor sent to nobody's good.

use super::databases::{in_memory, new_job, sqlite};
use super::postgres::Server;
use super::store_cases::Two;
use crate::cases;
use grainway_service::hooks::Ledger;
use grainway_service::hooks::schedule::{Outcome, WAITS};
use grainway_service::hooks::sign::{Secret, headers};
use grainway_service::store::webhooks::{NewMessage, Settled, Webhook};
use grainway_service::store::{Store, StoreUrl};
use serde_json::json;
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
    let Some(python) = super::help::python_with("standardwebhooks") else {
        return;
    };
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

async fn with_messages(store: &Store, id: &str, numbers: &[i64]) -> Secret {
    let secret = Secret::fresh().unwrap();
    let hook = webhook(id);
    assert!(store.add_webhook(&hook, &secret, 100).await.unwrap());
    let hook = store.webhook(id).await.unwrap().unwrap();
    let messages: Vec<NewMessage> = numbers.iter().map(|n| message(*n)).collect();
    assert!(
        store
            .queue_messages(&hook, &messages, 99, T0)
            .await
            .unwrap()
    );
    secret
}

async fn events_become_messages_once(two: Two) {
    let store = two.a;
    let secret = with_messages(&store, "a", &[11, 12]).await;
    // Another process read the same events at the same time: the number that it saw is no longer the webhook's.
    let late = [NewMessage {
        id: "msg_late".to_string(),
        ..message(12)
    }];
    assert!(
        !store
            .queue_messages(&webhook("a"), &late, 12, T0)
            .await
            .unwrap()
    );
    assert_eq!(store.webhook("a").await.unwrap().unwrap().seen, 99);
    let listed = store.messages("a", 10).await.unwrap();
    assert_eq!(
        listed.iter().map(|d| d.id.as_str()).collect::<Vec<_>>(),
        ["msg_12", "msg_11"]
    );
    let lent = store.lend("a", T0, T0 + MINUTE).await.unwrap().unwrap();
    assert_eq!(
        (lent.id.as_str(), lent.body.as_str(), lent.attempts),
        ("msg_11", "{\"n\":11}", 1)
    );
    assert_eq!(
        (lent.url.as_str(), &lent.secrets),
        ("https://library.example/a", &vec![secret])
    );
    assert_eq!(
        store.lend("a", T0, T0 + MINUTE).await.unwrap().unwrap().id,
        "msg_12"
    );
    assert_eq!(store.lend("a", T0, T0 + MINUTE).await.unwrap(), None);
}

async fn a_message_whose_sender_died_is_due_again_and_the_dead_ones_word_counts_no_more(two: Two) {
    let store = two.a;
    with_messages(&store, "a", &[11]).await;
    let first = store.lend("a", T0, T0 + MINUTE).await.unwrap().unwrap();
    assert!(
        store
            .webhooks_due(T0 + MINUTE - 1)
            .await
            .unwrap()
            .is_empty()
    );
    assert_eq!(store.webhooks_due(T0 + MINUTE).await.unwrap(), ["a"]);
    let second = store
        .lend("a", T0 + MINUTE, T0 + 2 * MINUTE)
        .await
        .unwrap()
        .unwrap();
    assert_eq!((second.id.as_str(), second.attempts), ("msg_11", 2));
    let done = Outcome::Delivered { status: 204 };
    assert_eq!(
        store
            .settle(&first, &failed(500, None), 0, T0)
            .await
            .unwrap(),
        Settled::Replaced
    );
    assert_eq!(
        store.settle(&second, &done, 0, T0).await.unwrap(),
        Settled::Noted
    );
    assert_eq!(
        store.settle(&second, &done, 0, T0).await.unwrap(),
        Settled::Replaced
    );
    let listed = store.messages("a", 10).await.unwrap();
    assert_eq!(
        (listed[0].state.as_str(), listed[0].status, listed[0].due),
        ("delivered", Some(204), None)
    );
}

async fn a_receiver_that_never_answers_well_is_given_up_after_three_days_and_told_why(two: Two) {
    let store = two.a;
    with_messages(&store, "a", &[11]).await;
    let mut now = T0;
    let mut times = Vec::new();
    let off = loop {
        let Some(lent) = store.lend("a", now, now + MINUTE).await.unwrap() else {
            now += MINUTE;
            assert!(now < T0 + 120 * HOUR, "it goes on for ever");
            continue;
        };
        times.push(now);
        // A chance in the middle: no spread.
        let wait = WAITS.get(times.len() - 1).copied().unwrap_or(0);
        let middle = u64::try_from(wait / 5).unwrap() * 2;
        match store
            .settle(&lent, &failed(503, None), middle, now)
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
    let hook = store.webhook("a").await.unwrap().unwrap();
    assert_eq!((hook.off, hook.failing_since), (Some(off), Some(times[0])));
    let listed = store.messages("a", 10).await.unwrap();
    assert_eq!(
        (
            listed[0].state.as_str(),
            listed[0].attempts,
            listed[0].status
        ),
        ("failed", 10, Some(503))
    );
}

async fn one_message_that_is_never_taken_does_not_switch_off_a_webhook_that_works(two: Two) {
    let store = two.a;
    with_messages(&store, "a", &[11]).await;
    let mut now = T0;
    let mut attempts = 0;
    while attempts < 10 {
        let Some(lent) = store.lend("a", now, now + MINUTE).await.unwrap() else {
            now += MINUTE;
            continue;
        };
        if lent.id != "msg_11" {
            let taken = Outcome::Delivered { status: 200 };
            store.settle(&lent, &taken, 0, now).await.unwrap();
            continue;
        }
        attempts += 1;
        let settled = store
            .settle(&lent, &failed(400, None), 0, now)
            .await
            .unwrap();
        assert_eq!(settled, Settled::Noted);
        // Another message gets through in between.
        assert!(
            store
                .queue_message("a", &message(100 + attempts), now)
                .await
                .unwrap()
        );
    }
    assert_eq!(store.webhook("a").await.unwrap().unwrap().off, None);
    let listed = store.messages("a", 20).await.unwrap();
    let first = listed.iter().find(|d| d.id == "msg_11").unwrap();
    assert_eq!((first.state.as_str(), first.due), ("failed", None));
    assert_eq!(listed.iter().filter(|d| d.state == "delivered").count(), 9);
}

async fn gone_switches_off_and_gives_up_what_waits_until_somebody_switches_on(two: Two) {
    let store = two.a;
    store
        .submit(&[new_job("bench", T0)], None, 10)
        .await
        .unwrap();
    with_messages(&store, "a", &[11, 12, 13]).await;
    with_messages(&store, "b", &[21]).await;
    let lent = store.lend("a", T0, T0 + MINUTE).await.unwrap().unwrap();
    let settled = store.settle(&lent, &Outcome::Gone, 0, T0).await.unwrap();
    assert!(matches!(settled, Settled::Off(why) if why.contains("410")));
    assert_eq!(store.webhooks_due(T0 + HOUR).await.unwrap(), ["b"]);
    let listed = store.messages("a", 10).await.unwrap();
    assert!(
        listed
            .iter()
            .all(|d| d.state == "failed" && d.why.is_some()),
        "{listed:?}"
    );
    let off = store.webhook("a").await.unwrap().unwrap();
    assert!(
        !store
            .queue_messages(&off, &[message(14)], 100, T0)
            .await
            .unwrap(),
        "it is off"
    );
    assert!(store.switch_webhook_on("a").await.unwrap());
    let on = store.webhook("a").await.unwrap().unwrap();
    assert_eq!(
        (on.off.as_deref(), on.seen, on.failing_since),
        (None, 1, None)
    );
    assert!(store.switch_webhook_on("b").await.unwrap());
    assert_eq!(
        store.webhook("b").await.unwrap().unwrap().seen,
        99,
        "one that is on misses nothing"
    );
    assert!(!store.switch_webhook_on("c").await.unwrap());
}

async fn a_receiver_that_asks_for_quiet_is_left_alone(two: Two) {
    let store = two.a;
    with_messages(&store, "a", &[11, 12]).await;
    let lent = store.lend("a", T0, T0 + MINUTE).await.unwrap().unwrap();
    let until = T0 + HOUR;
    store
        .settle(&lent, &failed(429, Some(until)), 0, T0)
        .await
        .unwrap();
    assert!(
        store.webhooks_due(until - 1).await.unwrap().is_empty(),
        "the other message waits too"
    );
    assert_eq!(store.lend("a", until - 1, until).await.unwrap(), None);
    let lent = store
        .lend("a", until, until + MINUTE)
        .await
        .unwrap()
        .unwrap();
    assert_eq!(lent.id, "msg_12");
    store
        .settle(&lent, &Outcome::Delivered { status: 200 }, 0, until)
        .await
        .unwrap();
    assert_eq!(
        store
            .lend("a", until, until + MINUTE)
            .await
            .unwrap()
            .unwrap()
            .id,
        "msg_11"
    );
}

async fn during_a_rotation_both_secrets_sign(two: Two) {
    let store = two.a;
    let old = with_messages(&store, "a", &[11, 12]).await;
    let new = Secret::fresh().unwrap();
    assert!(store.rotate_webhook("a", &new, T0 + HOUR).await.unwrap());
    assert!(!store.rotate_webhook("none", &new, T0 + HOUR).await.unwrap());
    let lent = store.lend("a", T0, T0 + MINUTE).await.unwrap().unwrap();
    assert_eq!(lent.secrets, [new.clone(), old]);
    let lent = store
        .lend("a", T0 + HOUR, T0 + 2 * HOUR)
        .await
        .unwrap()
        .unwrap();
    assert_eq!(lent.secrets, [new]);
}

async fn what_is_over_is_forgotten_and_what_is_removed_is_gone(two: Two) {
    let store = two.a;
    with_messages(&store, "a", &[11, 12]).await;
    let lent = store.lend("a", T0, T0 + MINUTE).await.unwrap().unwrap();
    store
        .settle(&lent, &Outcome::Delivered { status: 200 }, 0, T0)
        .await
        .unwrap();
    assert_eq!(store.forget(T0).await.unwrap(), 0);
    assert_eq!(store.forget(T0 + 1).await.unwrap(), 1);
    assert_eq!(store.messages("a", 10).await.unwrap().len(), 1);
    assert!(store.remove_webhook("a").await.unwrap());
    assert!(!store.remove_webhook("a").await.unwrap());
    assert!(store.webhooks().await.unwrap().is_empty());
    assert!(store.messages("a", 10).await.unwrap().is_empty());
}

async fn a_webhook_hears_of_what_happens_after_it_was_made(two: Two) {
    let store = two.a;
    store
        .submit(&[new_job("bench", T0)], None, 10)
        .await
        .unwrap();
    let secret = Secret::fresh().unwrap();
    assert!(store.add_webhook(&webhook("a"), &secret, 1).await.unwrap());
    assert_eq!(store.webhook("a").await.unwrap().unwrap().seen, 1);
    assert!(
        !store.add_webhook(&webhook("b"), &secret, 1).await.unwrap(),
        "one is the most"
    );
    assert!(!store.queue_message("b", &message(1), T0).await.unwrap());
    assert_eq!(Store::webhooks(&store).await.unwrap().len(), 1);
}

/// Two servers on one queue turn the same events into messages and send the same webhook's messages.
async fn two_servers_lend_each_message_once_and_queue_each_event_once(two: Two) {
    let secret = Secret::fresh().unwrap();
    assert!(two.a.add_webhook(&webhook("a"), &secret, 9).await.unwrap());
    let hook = two.a.webhook("a").await.unwrap().unwrap();
    let of = |who: &str| -> Vec<NewMessage> {
        (1..=40)
            .map(|n| NewMessage {
                id: format!("msg_{who}_{n}"),
                ..message(n)
            })
            .collect()
    };
    let (first, second) = (of("a"), of("b"));
    let (a, b) = tokio::join!(
        two.a.queue_messages(&hook, &first, 40, T0),
        two.b.queue_messages(&hook, &second, 40, T0)
    );
    assert!(a.unwrap() != b.unwrap(), "one of them did");
    let sender = |store: Store| async move {
        let mut got = Vec::new();
        // `None` may also say that the other was faster.
        let mut nothing = 0;
        while nothing < 20 {
            match store.lend("a", T0, T0 + MINUTE).await.unwrap() {
                Some(lent) => {
                    let done = Outcome::Delivered { status: 200 };
                    assert_eq!(
                        store.settle(&lent, &done, 0, T0).await.unwrap(),
                        Settled::Noted
                    );
                    got.push(lent.id);
                }
                None => nothing += 1,
            }
        }
        got
    };
    let (a, b) = tokio::join!(
        tokio::spawn(sender(two.a.clone())),
        tokio::spawn(sender(two.b))
    );
    let mut all = [a.unwrap(), b.unwrap()].concat();
    all.sort();
    let count = all.len();
    all.dedup();
    assert_eq!((count, all.len()), (40, 40));
}

/// Somebody asks for a message while the sender of another server turns events into messages.
async fn a_message_that_is_asked_for_is_queued_whatever_the_sender_does(two: Two) {
    with_messages(&two.a, "a", &[]).await;
    let store = two.a.clone();
    let sender = tokio::spawn(async move {
        for seen in 100..300 {
            let hook = store.webhook("a").await.unwrap().unwrap();
            assert!(store.queue_messages(&hook, &[], seen, T0).await.unwrap());
        }
    });
    for n in 0..100 {
        let asked = NewMessage {
            seq: None,
            ..message(n)
        };
        let queued = two.b.queue_message("a", &asked, T0).await.unwrap();
        assert!(queued, "message {n}");
    }
    sender.await.unwrap();
    assert_eq!(two.a.messages("a", 1000).await.unwrap().len(), 100);
    assert_eq!(two.a.webhook("a").await.unwrap().unwrap().seen, 299);
}

cases!(
    a_message_that_is_asked_for_is_queued_whatever_the_sender_does,
    events_become_messages_once,
    a_message_whose_sender_died_is_due_again_and_the_dead_ones_word_counts_no_more,
    a_receiver_that_never_answers_well_is_given_up_after_three_days_and_told_why,
    one_message_that_is_never_taken_does_not_switch_off_a_webhook_that_works,
    gone_switches_off_and_gives_up_what_waits_until_somebody_switches_on,
    a_receiver_that_asks_for_quiet_is_left_alone,
    during_a_rotation_both_secrets_sign,
    what_is_over_is_forgotten_and_what_is_removed_is_gone,
    a_webhook_hears_of_what_happens_after_it_was_made,
    two_servers_lend_each_message_once_and_queue_each_event_once,
);

#[tokio::test(flavor = "multi_thread", worker_threads = 4)]
async fn messages_on_sqlite() {
    for (name, case) in CASES {
        println!("{name}");
        let folder = in_memory();
        let store = sqlite(&folder).await;
        case(Two {
            a: store.clone(),
            b: store.clone(),
        })
        .await;
        store.close().await;
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 4)]
async fn messages_on_postgresql() {
    let Some(server) = Server::start() else {
        return;
    };
    for (name, case) in CASES {
        println!("{name}");
        let url = StoreUrl::Postgres(server.database().await);
        let two = Two {
            a: Store::open(&url).await.unwrap(),
            b: Store::open(&url).await.unwrap(),
        };
        case(two.clone()).await;
        two.a.close().await;
        two.b.close().await;
    }
}
