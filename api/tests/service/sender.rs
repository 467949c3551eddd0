//! The sender of webhooks with receivers on this machine: what they get, and what happens when they, the sender or the store fail.

use axum::Router;
use axum::body::Bytes;
use axum::extract::State;
use axum::http::{HeaderMap, StatusCode};
use axum::routing::post;
use grainway::service::hooks::schedule::Outcome;
use grainway::service::hooks::sign::Secret;
use grainway::service::hooks::{Ledger, Sender, test_message};
use grainway::service::model::{Event, EventKind, Job, JobId, JobState, Millis, Source, When};
use grainway::service::outgoing::Outgoing;
use grainway::service::store::StoreProblem;
use grainway::service::store::webhooks::{
    self as table, Lent, NewMessage, Settled, TABLES, Webhook,
};
use serde_json::Value;
use sqlx::{AnyConnection, Connection};
use std::collections::BTreeMap;
use std::sync::atomic::{AtomicI64, Ordering};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};
use tokio::sync::watch;
use uuid::Uuid;

/// Fails the call with this number: before it is done, or after.
#[derive(Clone, Copy, Debug)]
struct Fault {
    call: i64,
    done: bool,
}

/// The tables in memory, with events as a test tells them.
struct Book {
    conn: tokio::sync::Mutex<AnyConnection>,
    events: Mutex<Vec<Event>>,
    calls: AtomicI64,
    fault: Mutex<Option<Fault>>,
}

type Answer<T> = Result<T, StoreProblem>;

impl Book {
    async fn new() -> Arc<Book> {
        sqlx::any::install_default_drivers();
        let mut conn = AnyConnection::connect("sqlite::memory:").await.unwrap();
        for sql in TABLES {
            sqlx::query(sql).execute(&mut conn).await.unwrap();
        }
        Arc::new(Book {
            conn: tokio::sync::Mutex::new(conn),
            events: Mutex::default(),
            calls: AtomicI64::new(0),
            fault: Mutex::default(),
        })
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
        table::add(&mut *self.conn.lock().await, &webhook, &secret)
            .await
            .unwrap();
        secret
    }

    async fn states(&self, id: &str) -> Vec<String> {
        let mut listed = table::deliveries(&mut *self.conn.lock().await, id, 1000)
            .await
            .unwrap();
        listed.reverse();
        listed
            .into_iter()
            .map(|d| format!("{} {} {}", d.state, d.attempts, d.why.unwrap_or_default()))
            .collect()
    }

    fn ended(&self, count: i64) {
        let mut events = self.events.lock().unwrap();
        for _ in 0..count {
            let seq = events.len() as i64 + 1;
            // Every job comes in, too: events that nobody asked for lie between those that are sent.
            let what = [EventKind::Submitted, EventKind::Ended][(seq % 2) as usize];
            let job = JobId(Uuid::from_u128(seq as u128));
            events.push(Event {
                seq,
                job,
                at: 1_700_000_000_000 + seq,
                what,
                state: JobState::Ready,
            });
        }
    }

    /// Runs `work` in a transaction, with the fault that was set.
    async fn call<T>(
        &self,
        work: impl AsyncFnOnce(&mut AnyConnection) -> Result<T, sqlx::Error>,
    ) -> Answer<T> {
        let call = self.calls.fetch_add(1, Ordering::SeqCst);
        let fault = self.fault.lock().unwrap().filter(|f| f.call == call);
        let lost = || StoreProblem::Away("the line broke".to_string());
        if fault.is_some_and(|f| !f.done) {
            return Err(lost());
        }
        let mut conn = self.conn.lock().await;
        let failed = |e: sqlx::Error| StoreProblem::Failed(e.to_string());
        sqlx::query("BEGIN IMMEDIATE")
            .execute(&mut *conn)
            .await
            .map_err(failed)?;
        let done = work(&mut conn).await;
        let end = if done.is_ok() { "COMMIT" } else { "ROLLBACK" };
        sqlx::query(end).execute(&mut *conn).await.map_err(failed)?;
        match fault {
            Some(_) => Err(lost()),
            None => done.map_err(failed),
        }
    }
}

fn job(id: JobId) -> Job {
    Job {
        id,
        name: "Reading bench".to_string(),
        state: JobState::Ready,
        document: "job.json".to_string(),
        priority: 0,
        not_before: None,
        when: When::Any,
        source: Source::Api,
        batch: None,
        code: "K7Q".to_string(),
        replaces: None,
        replaced_by: None,
        created: 1,
        started: None,
        ended: None,
        attempts: 0,
        cancel_wanted: false,
        stage: None,
        summary: None,
        version: 3,
        output: None,
    }
}

impl Ledger for Book {
    async fn webhooks(&self) -> Answer<Vec<Webhook>> {
        self.call(async |c| table::all(c).await).await
    }
    async fn webhooks_due(&self, now: Millis) -> Answer<Vec<String>> {
        self.call(async |c| table::due_now(c, now).await).await
    }
    async fn events_after(&self, seq: i64, limit: u32) -> Answer<Vec<Event>> {
        let events = self.events.lock().unwrap();
        Ok(events
            .iter()
            .filter(|e| e.seq > seq)
            .take(limit as usize)
            .cloned()
            .collect())
    }
    async fn job_now(&self, id: JobId) -> Answer<Option<Job>> {
        Ok(Some(job(id)))
    }
    async fn queue_messages(
        &self,
        webhook: &Webhook,
        messages: &[NewMessage],
        seen: i64,
        now: Millis,
    ) -> Answer<bool> {
        self.call(async |c| table::queue(c, webhook, messages, seen, now).await)
            .await
    }
    async fn lend(&self, webhook: &str, now: Millis, until: Millis) -> Answer<Option<Lent>> {
        self.call(async |c| table::lend(c, webhook, now, until).await)
            .await
    }
    async fn settle(
        &self,
        lent: &Lent,
        outcome: &Outcome,
        chance: u64,
        now: Millis,
    ) -> Answer<Settled> {
        self.call(async |c| table::settle(c, lent, outcome, chance, now).await)
            .await
    }
    async fn forget(&self, before: Millis) -> Answer<u64> {
        self.call(async |c| table::forget(c, before).await).await
    }
}

/// One request as it arrived.
#[derive(Clone, Debug)]
struct Got {
    id: String,
    timestamp: i64,
    signatures: String,
    body: Vec<u8>,
}

/// A receiver that gives these answers in turn, the last for ever. 0 never answers.
struct Receiver {
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
    async fn new(answers: &[u16]) -> (Arc<Receiver>, String) {
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

    async fn wait_for(&self, count: usize) -> Vec<Got> {
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

fn start(book: &Arc<Book>, allowed: &[&str], clock: fn() -> Millis) -> Running {
    let allowed: Vec<String> = allowed.iter().map(|a| a.to_string()).collect();
    let sender = Sender::new(Arc::clone(book), Outgoing::new(&allowed).unwrap(), clock);
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
    book.ended(500);
    let running = start(&book, &[&address], real);
    receiver.wait_for(250).await;
    book.ended(4);
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
    let wanted: Vec<i64> = (1..=504).filter(|seq| seq % 2 == 1).collect();
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
    assert_eq!(told["data"]["state"], "ready");
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
    book.ended(1);
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
    book.ended(60);
    let running = start(&book, &[&first, &second], real);
    assert_eq!(quick.wait_for(30).await.len(), 30);
    assert_eq!(silent.wait_for(1).await.len(), 1, "one request at a time");
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
    book.ended(3);
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
    book.ended(1);
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
    {
        let mut conn = book.conn.lock().await;
        let webhook = table::one(&mut conn, "a").await.unwrap().unwrap();
        let message = test_message("a", real());
        assert!(
            table::queue(&mut conn, &webhook, &[message], webhook.seen, real())
                .await
                .unwrap()
        );
    }
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

/// Every call of the store fails once, in both forms: not done, and done but reported as failed.
#[tokio::test]
async fn no_event_is_lost_and_none_becomes_two_messages_when_any_call_of_the_store_fails() {
    let (receiver, address) = Receiver::new(&[200]).await;
    let mut twice = 0;
    let mut ran = 0;
    for done in [false, true] {
        for call in 0..14 {
            let book = Book::new().await;
            book.add("a", &format!("http://{address}/hook")).await;
            book.ended(5);
            *book.fault.lock().unwrap() = Some(Fault { call, done });
            receiver.got.lock().unwrap().clear();
            let running = start(&book, &[&address], store_faults);
            let begun = Instant::now();
            loop {
                let states = book.states("a").await;
                if states.len() == 3 && states.iter().all(|s| s.starts_with("delivered")) {
                    break;
                }
                assert!(
                    begun.elapsed() < Duration::from_secs(20),
                    "call {call}, done {done}: {states:?}"
                );
                // A loan that nobody settled runs out; the sender looks at once.
                STORE_FAULTS.fetch_add(1000, Ordering::SeqCst);
                running.events.send_modify(|n| *n += 1);
                tokio::time::sleep(Duration::from_millis(10)).await;
            }
            running.stop().await;
            let mut times: BTreeMap<i64, (usize, Vec<String>)> = BTreeMap::new();
            for got in receiver.got() {
                let told: Value = serde_json::from_slice(&got.body).unwrap();
                let entry = times
                    .entry(told["data"]["seq"].as_i64().unwrap())
                    .or_default();
                entry.0 += 1;
                entry.1.push(got.id);
                entry.1.dedup();
            }
            assert_eq!(
                times.keys().copied().collect::<Vec<_>>(),
                [1, 3, 5],
                "call {call}, done {done}"
            );
            for (count, ids) in times.values() {
                assert_eq!(ids.len(), 1, "one event is one message");
                twice += count - 1;
            }
            ran += 1;
        }
    }
    assert_eq!(ran, 28);
    // Sent, and not noted: these come twice, and only these. There are three messages in each form.
    assert!((1..=6).contains(&twice), "{twice}");
}
