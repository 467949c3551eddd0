//! The sender of webhooks with receivers on this machine: what they get, and what happens when they, the sender or the store fail.

use super::databases::{in_memory, new_job, sqlite};
use super::help::Fresh;
use axum::Router;
use axum::body::Bytes;
use axum::extract::State;
use axum::http::{HeaderMap, StatusCode};
use axum::routing::post;
use grainway_client::outgoing::Outgoing;
use grainway_service::faults::{Faults, InjectedFault};
use grainway_service::hooks::sign::Secret;
use grainway_service::hooks::{Sender, test_message};
use grainway_service::model::Millis;
use grainway_service::store::Store;
use grainway_service::store::webhooks::Webhook;
use serde_json::Value;
use std::collections::BTreeMap;
use std::sync::atomic::{AtomicBool, AtomicI64, Ordering};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};
use tokio::sync::watch;

/// The queue of a test, and the jobs that end in it.
struct Book {
    store: Store,
    _folder: Fresh,
}

impl Book {
    async fn new() -> Book {
        let folder = in_memory();
        Book {
            store: sqlite(&folder).await,
            _folder: folder,
        }
    }

    async fn add(&self, id: &str, url: &str) -> Secret {
        let secret = Secret::fresh().unwrap();
        let webhook = Webhook {
            id: id.to_string(),
            url: url.to_string(),
            events: vec!["job.ended".to_string()],
            off: None,
            failing_since: None,
            former_secret_until: None,
            created: 0,
            seen: 0,
        };
        assert!(
            self.store
                .add_webhook(&webhook, &secret, 100)
                .await
                .unwrap()
        );
        secret
    }

    async fn states(&self, id: &str) -> Vec<String> {
        let mut listed = self.store.messages(id, 1000).await.unwrap();
        listed.reverse();
        listed
            .into_iter()
            .map(|d| format!("{} {} {}", d.state, d.attempts, d.why.unwrap_or_default()))
            .collect()
    }

    /// Jobs come in and are cancelled before they run: two events each, of which the second is an end.
    async fn ended(&self, count: usize) {
        for _ in 0..count {
            let job = new_job("Reading bench", T0);
            self.store
                .submit(std::slice::from_ref(&job), None, 100_000)
                .await
                .unwrap();
            self.store.cancel(job.id, None, T0 + 1).await.unwrap();
        }
    }
}

const T0: Millis = 1_700_000_000_000;

/// Fails one call of those that the sender makes: before it is done, or after.
struct OneCall {
    left: AtomicI64,
    fault: InjectedFault,
    hit: AtomicBool,
}

impl Faults for OneCall {
    fn before(&self, _call: &'static str) -> Option<InjectedFault> {
        let now = self.left.fetch_sub(1, Ordering::SeqCst) == 0;
        now.then(|| {
            self.hit.store(true, Ordering::SeqCst);
            self.fault
        })
    }
}

/// One request as it arrived.
#[derive(Clone, Debug)]
pub struct Got {
    pub id: String,
    pub timestamp: i64,
    pub signatures: String,
    pub body: Vec<u8>,
}

/// A receiver that gives these answers in turn, the last for ever. 0 never answers.
pub struct Receiver {
    got: Mutex<Vec<Got>>,
    answers: Mutex<Vec<u16>>,
}

async fn receive(
    State(receiver): State<Arc<Receiver>>,
    headers: HeaderMap,
    body: Bytes,
) -> StatusCode {
    let text = |name: &str| headers[name].to_str().unwrap().to_string();
    assert_eq!(text("content-type"), "application/json");
    receiver.got.lock().unwrap().push(Got {
        id: text("webhook-id"),
        timestamp: text("webhook-timestamp").parse().unwrap(),
        signatures: text("webhook-signature"),
        body: body.to_vec(),
    });
    let answer = {
        let mut answers = receiver.answers.lock().unwrap();
        if answers.len() > 1 {
            answers.remove(0)
        } else {
            answers[0]
        }
    };
    if answer == 0 {
        std::future::pending::<()>().await;
    }
    StatusCode::from_u16(answer).unwrap()
}

impl Receiver {
    pub async fn new(answers: &[u16]) -> (Arc<Receiver>, String) {
        let receiver = Arc::new(Receiver {
            got: Mutex::default(),
            answers: Mutex::new(answers.to_vec()),
        });
        let router = Router::new()
            .route("/hook", post(receive))
            .with_state(Arc::clone(&receiver));
        let listener = tokio::net::TcpListener::bind("127.0.0.1:0").await.unwrap();
        let address = listener.local_addr().unwrap().to_string();
        tokio::spawn(async move { axum::serve(listener, router).await });
        (receiver, address)
    }

    fn got(&self) -> Vec<Got> {
        self.got.lock().unwrap().clone()
    }

    pub async fn wait_for(&self, count: usize) -> Vec<Got> {
        until(|| self.got().len() >= count).await;
        self.got()
    }
}

async fn until(mut there: impl FnMut() -> bool) {
    let begun = Instant::now();
    while !there() {
        assert!(
            begun.elapsed() < Duration::from_secs(20),
            "it does not come"
        );
        tokio::time::sleep(Duration::from_millis(5)).await;
    }
}

/// A sender at work.
struct Running {
    events: watch::Sender<i64>,
    stop: watch::Sender<bool>,
    task: tokio::task::JoinHandle<()>,
}

fn start(book: &Book, allowed: &[&str], clock: fn() -> Millis) -> Running {
    start_on(book.store.clone(), allowed, clock)
}

fn start_on(store: Store, allowed: &[&str], clock: fn() -> Millis) -> Running {
    let allowed: Vec<String> = allowed.iter().map(|a| a.to_string()).collect();
    let sender = Sender::new(Arc::new(store), Outgoing::new(&allowed).unwrap(), clock);
    let (events, seen) = watch::channel(0);
    let (stop, stopped) = watch::channel(false);
    let task = tokio::spawn(async move { sender.run(seen, stopped).await });
    Running { events, stop, task }
}

impl Running {
    async fn stop(self) {
        self.stop.send_replace(true);
        tokio::time::timeout(Duration::from_secs(8), self.task)
            .await
            .expect("it stops")
            .unwrap();
    }
}

fn real() -> Millis {
    jiff::Timestamp::now().as_millisecond()
}

#[tokio::test]
async fn every_event_that_was_asked_for_arrives_in_order_and_signed() {
    let book = Book::new().await;
    let (receiver, address) = Receiver::new(&[204]).await;
    let secret = book.add("a", &format!("http://{address}/hook")).await;
    book.ended(250).await;
    let running = start(&book, &[&address], real);
    receiver.wait_for(250).await;
    book.ended(2).await;
    running.events.send_modify(|n| *n += 1);
    let got = receiver.wait_for(252).await;
    running.stop().await;
    let seqs: Vec<i64> = got
        .iter()
        .map(|g| {
            serde_json::from_slice::<Value>(&g.body).unwrap()["data"]["seq"]
                .as_i64()
                .unwrap()
        })
        .collect();
    let wanted: Vec<i64> = (1..=504).filter(|seq| seq % 2 == 0).collect();
    assert_eq!(seqs, wanted, "each once, none that nobody asked for");
    for one in &got {
        assert_eq!(
            one.signatures,
            secret.sign(&one.id, one.timestamp, &one.body)
        );
        assert!((real() / 1000 - one.timestamp).abs() < 30);
    }
    let told: Value = serde_json::from_slice(&got[0].body).unwrap();
    assert_eq!(told["type"], "job.ended");
    // 1700000000.001 s: computed with GNU date.
    assert_eq!(told["timestamp"], "2023-11-14T22:13:20.001Z");
    assert_eq!(told["data"]["job"]["name"], "Reading bench");
    assert_eq!(told["data"]["state"], "cancelled");
}

static LATER: AtomicI64 = AtomicI64::new(0);

fn later() -> Millis {
    real() + LATER.load(Ordering::SeqCst)
}

#[tokio::test]
async fn a_message_is_sent_again_with_the_same_id_and_body_until_it_is_taken() {
    let book = Book::new().await;
    let (receiver, address) = Receiver::new(&[500, 302, 404, 200]).await;
    let secret = book.add("a", &format!("http://{address}/hook")).await;
    book.ended(1).await;
    let running = start(&book, &[&address], later);
    for attempt in 1..=4 {
        receiver.wait_for(attempt).await;
        // Half an hour and its fifth: more than any of the first three waits.
        LATER.fetch_add(36 * 60_000 + 1, Ordering::SeqCst);
    }
    let book_states = || async { book.states("a").await };
    let begun = Instant::now();
    while book_states().await != ["delivered 4 "] {
        assert!(
            begun.elapsed() < Duration::from_secs(10),
            "{:?}",
            book_states().await
        );
        tokio::time::sleep(Duration::from_millis(10)).await;
    }
    running.stop().await;
    let got = receiver.got();
    assert_eq!(got.len(), 4);
    for one in &got {
        assert_eq!((&one.id, &one.body), (&got[0].id, &got[0].body));
        assert_eq!(
            one.signatures,
            secret.sign(&one.id, one.timestamp, &one.body),
            "signed anew"
        );
    }
    assert!(got[3].timestamp > got[0].timestamp + 3 * 36 * 60 - 5);
}

#[tokio::test]
async fn a_silent_receiver_holds_up_nobody_else_and_stopping_does_not_wait_for_it_long() {
    let book = Book::new().await;
    let (silent, first) = Receiver::new(&[0]).await;
    let (quick, second) = Receiver::new(&[200]).await;
    book.add("a", &format!("http://{first}/hook")).await;
    book.add("b", &format!("http://{second}/hook")).await;
    book.ended(30).await;
    let running = start(&book, &[&first, &second], real);
    assert_eq!(quick.wait_for(30).await.len(), 30);
    silent.wait_for(1).await;
    for n in 0..5 {
        running.events.send_replace(n + 10);
        tokio::time::sleep(Duration::from_millis(100)).await;
    }
    assert_eq!(silent.got().len(), 1, "one request at a time");
    let begun = Instant::now();
    running.stop().await;
    assert!(begun.elapsed() < Duration::from_secs(7));
}

static AFTER_DEATH: AtomicI64 = AtomicI64::new(0);

fn after_death() -> Millis {
    real() + AFTER_DEATH.load(Ordering::SeqCst)
}

#[tokio::test]
async fn what_a_killed_sender_had_in_hand_is_sent_by_the_next() {
    let book = Book::new().await;
    let (receiver, address) = Receiver::new(&[0, 200]).await;
    book.add("a", &format!("http://{address}/hook")).await;
    book.ended(2).await;
    let running = start(&book, &[&address], after_death);
    let before = receiver.wait_for(1).await;
    running.task.abort();
    let _ = running.task.await;
    AFTER_DEATH.store(61_000, Ordering::SeqCst);
    let running = start(&book, &[&address], after_death);
    let got = receiver.wait_for(3).await;
    running.stop().await;
    assert_eq!(
        got[1..].iter().filter(|g| g.id == before[0].id).count(),
        1,
        "{got:?}"
    );
    assert_eq!(book.states("a").await, ["delivered 2 ", "delivered 1 "]);
}

#[tokio::test]
async fn a_receiver_inside_the_network_is_not_reached_unless_the_operator_says_so() {
    let book = Book::new().await;
    let (receiver, address) = Receiver::new(&[200]).await;
    book.add("a", &format!("http://{address}/hook")).await;
    book.ended(1).await;
    let running = start(&book, &[], real);
    let begun = Instant::now();
    let wanted = format!(
        "waiting 1 {address} leads into a private network; whoever runs this server can allow it by adding \"{address}\" to webhook-private-targets"
    );
    while book.states("a").await != [wanted.as_str()] {
        assert!(
            begun.elapsed() < Duration::from_secs(10),
            "{:?}",
            book.states("a").await
        );
        tokio::time::sleep(Duration::from_millis(10)).await;
    }
    running.stop().await;
    assert!(receiver.got().is_empty());
}

#[tokio::test]
async fn a_test_message_arrives_like_any_other() {
    let book = Book::new().await;
    let (receiver, address) = Receiver::new(&[200]).await;
    book.add("a", &format!("http://{address}/hook")).await;
    let message = test_message("a", real());
    assert!(
        book.store
            .queue_message("a", &message, real())
            .await
            .unwrap()
    );
    let running = start(&book, &[&address], real);
    let got = receiver.wait_for(1).await;
    running.stop().await;
    let told: Value = serde_json::from_slice(&got[0].body).unwrap();
    assert_eq!(
        (&told["type"], &told["data"]["webhook"]),
        (&"grainway.test".into(), &"a".into())
    );
}

static STORE_FAULTS: AtomicI64 = AtomicI64::new(0);

fn store_faults() -> Millis {
    real() + STORE_FAULTS.load(Ordering::SeqCst)
}

/// Each of the sender's calls of the store fails once, in both forms: not done, and done but reported as failed.
#[tokio::test]
async fn no_event_is_lost_and_none_becomes_two_messages_when_any_call_of_the_store_fails() {
    let (receiver, address) = Receiver::new(&[200]).await;
    let (mut twice, mut hits) = (0, 0);
    for fault in [InjectedFault::NotDone, InjectedFault::DoneButLost] {
        for call in 0..20 {
            let book = Book::new().await;
            book.add("a", &format!("http://{address}/hook")).await;
            book.ended(3).await;
            receiver.got.lock().unwrap().clear();
            let faults = Arc::new(OneCall {
                left: AtomicI64::new(call),
                fault,
                hit: AtomicBool::new(false),
            });
            let store = book.store.clone().failing(faults.clone());
            let running = start_on(store, &[&address], store_faults);
            let begun = Instant::now();
            loop {
                let states = book.states("a").await;
                let done = states.iter().filter(|s| s.starts_with("delivered")).count();
                if done == 3 && states.len() == 3 {
                    break;
                }
                let late = begun.elapsed() > Duration::from_secs(20);
                assert!(!late, "call {call}, {fault:?}: {states:?}");
                // A loan that nobody settled runs out; the sender looks at once.
                STORE_FAULTS.fetch_add(1000, Ordering::SeqCst);
                running.events.send_modify(|n| *n += 1);
                tokio::time::sleep(Duration::from_millis(10)).await;
            }
            running.stop().await;
            hits += usize::from(faults.hit.load(Ordering::SeqCst));
            let mut ids: BTreeMap<i64, Vec<String>> = BTreeMap::new();
            for got in receiver.got() {
                let told: Value = serde_json::from_slice(&got.body).unwrap();
                let seq = told["data"]["seq"].as_i64().unwrap();
                ids.entry(seq).or_default().push(got.id);
            }
            let seqs: Vec<i64> = ids.keys().copied().collect();
            assert_eq!(seqs, [2, 4, 6], "call {call}, {fault:?}");
            for mut ids in ids.into_values() {
                twice += ids.len() - 1;
                ids.dedup();
                assert_eq!(ids.len(), 1, "one event is one message");
            }
        }
    }
    // All of them but those behind the end of a short run.
    assert!(hits >= 30, "{hits}");
    // Sent, and not noted.
    assert!(twice >= 1);
}
