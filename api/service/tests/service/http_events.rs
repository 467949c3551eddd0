//! Events as they happen, over real connections: in order, none skipped, none twice, from where a caller was.

use super::http_help::Server;
use axum::body::Body;
use axum::http::Request;
use futures_util::StreamExt;
use grainway_service::model::JobState;
use grainway_service::store::tokens::Scope;
use grainway_service::store::{Store, StoreUrl};
use serde_json::Value;
use std::net::SocketAddr;
use std::time::Duration;

/// An event as a client reads it: id, kind, data.
type Seen = (i64, String, Value);

/// Reads a stream as the HTML standard has it (section 9.2.6), until `most` events came or it ended.
async fn read(
    address: SocketAddr,
    path: &str,
    after: Option<i64>,
    most: usize,
) -> (Vec<Seen>, bool) {
    grainway_client::outgoing::use_ring();
    let mut request = reqwest::Client::builder()
        .no_proxy()
        .build()
        .unwrap()
        .get(format!("http://{address}{path}"));
    if let Some(after) = after {
        request = request.header("last-event-id", after.to_string());
    }
    let answer = request.send().await.unwrap();
    assert_eq!(answer.status(), 200);
    assert_eq!(answer.headers()["content-type"], "text/event-stream");
    let mut bytes = answer.bytes_stream();
    let (mut text, mut events) = (String::new(), Vec::new());
    while events.len() < most {
        let piece = tokio::time::timeout(Duration::from_secs(20), bytes.next());
        match piece.await.expect("something comes in time") {
            None => return (events, true),
            Some(piece) => text.push_str(std::str::from_utf8(&piece.unwrap()).unwrap()),
        }
        while let Some((block, rest)) = text.split_once("\n\n") {
            let field = |name: &str| {
                block
                    .lines()
                    .find_map(|l| l.strip_prefix(name)?.strip_prefix(": "))
            };
            if let Some(data) = field("data") {
                events.push((
                    field("id").unwrap().parse().unwrap(),
                    field("event").unwrap().to_string(),
                    serde_json::from_str(data).unwrap(),
                ));
            }
            text = rest.to_string();
        }
    }
    (events, false)
}

#[tokio::test]
async fn a_jobs_events_are_told_to_its_end_and_again_from_anywhere() {
    let server = Server::new().await;
    let address = server.listen().await;
    let id = server.stool("").await;
    // Another job's events are not told.
    server.stool("").await;
    let path = format!("/v1/jobs/{id}/events");
    let (told, _) = tokio::join!(read(address, &path, None, 99), async {
        tokio::time::sleep(Duration::from_millis(200)).await;
        server.end(id, JobState::Ready, &[("a", b"1")]).await;
    });
    let (events, ended) = told;
    assert!(ended, "the stream ends with the job");
    let kinds: Vec<&str> = events.iter().map(|e| e.1.as_str()).collect();
    assert_eq!(kinds, ["submitted", "started", "ended"]);
    for (seq, kind, data) in &events {
        assert_eq!(data["seq"], *seq);
        assert_eq!(data["what"], *kind);
        assert_eq!(data["job"], id.to_string());
    }
    assert_eq!(events[2].2["state"], "ready");
    let (rest, _) = read(address, &path, Some(events[0].0), 99).await;
    assert_eq!(rest, events[1..]);
    let (rest, _) = read(address, &format!("{path}?after={}", events[1].0), None, 99).await;
    assert_eq!(rest, events[2..]);
    // Nothing more will come: an EventSource stays away after 204 (HTML standard, 9.2.3).
    let told = server.get(&format!("{path}?after={}", events[2].0)).await;
    assert_eq!((told.status.as_u16(), told.bytes.len()), (204, 0));
    for bad in ["x", "-1", "1.5"] {
        let request = Request::get(&path).header("last-event-id", bad);
        let told = server.ask(request, Body::empty()).await;
        assert_eq!(told.problem(), "bad-parameter");
        assert_eq!(
            server.get(&format!("{path}?after={bad}")).await.problem(),
            "bad-parameter"
        );
    }
}

/// Ends a stream that should be over; `false`: it goes on.
async fn over(follower: tokio::task::JoinHandle<(Vec<Seen>, bool)>) -> Option<Vec<Seen>> {
    let told = tokio::time::timeout(Duration::from_secs(5), follower).await;
    let (events, ended) = told.ok()?.unwrap();
    ended.then_some(events)
}

#[tokio::test]
async fn a_jobs_stream_ends_also_where_something_came_after_its_end() {
    let server = Server::new().await;
    let address = server.listen().await;
    let id = server.stool("").await;
    server.end(id, JobState::Ready, &[("a", b"1")]).await;
    let newer = server.stool(&format!("?replaces={id}")).await;
    server.end(newer, JobState::Ready, &[("a", b"2")]).await;
    let path = format!("/v1/jobs/{id}/events");
    let told = over(tokio::spawn({
        let path = path.clone();
        async move { read(address, &path, None, 99).await }
    }));
    let events = told.await.expect("the stream ends");
    let kinds: Vec<&str> = events.iter().map(|e| e.1.as_str()).collect();
    assert_eq!(kinds, ["submitted", "started", "ended", "stale"]);
    let after = events[2].0;
    let told = over(tokio::spawn(async move {
        read(address, &path, Some(after), 99).await
    }));
    assert_eq!(told.await.expect("the stream ends"), events[3..]);
    // One that was put back goes on to its next end.
    let id = server.stool("").await;
    server.end(id, JobState::Withheld, &[]).await;
    let retried = server.post(&format!("/v1/jobs/{id}/retry")).await;
    assert_eq!(retried.status, 200, "{}", retried.text());
    let path = format!("/v1/jobs/{id}/events");
    let follower = tokio::spawn(async move { read(address, &path, None, 99).await });
    tokio::time::sleep(Duration::from_millis(300)).await;
    server.end(id, JobState::Ready, &[("a", b"1")]).await;
    let events = over(follower).await.expect("the stream ends");
    assert_eq!(events.iter().filter(|e| e.1 == "ended").count(), 2);
    assert_eq!(events.last().unwrap().2["state"], "ready");
}

#[tokio::test]
async fn streams_end_once_their_token_is_removed() {
    let server = Server::new().await;
    let address = server.listen().await;
    let store = &server.shared.store;
    // Followed without a token, which is over once there is one.
    let bare = tokio::spawn(read(address, "/v1/events", None, 99));
    tokio::time::sleep(Duration::from_millis(300)).await;
    let kept = store.make_token("desk", Scope::Admin, 1).await.unwrap();
    let gone = store.make_token("bench", Scope::Read, 1).await.unwrap();
    tokio::time::sleep(Duration::from_millis(1100)).await;
    let follow = |text: &str| {
        let request = Request::get("/v1/events").header("authorization", format!("Bearer {text}"));
        let router = server.router.clone();
        let mut request = request
            .header("host", "localhost")
            .body(Body::empty())
            .unwrap();
        let peer: SocketAddr = "127.0.0.1:50000".parse().unwrap();
        request
            .extensions_mut()
            .insert(axum::extract::ConnectInfo(peer));
        async move {
            let answer = tower::ServiceExt::oneshot(router, request).await.unwrap();
            assert_eq!(answer.status(), 200);
            answer.into_body().into_data_stream()
        }
    };
    let (mut stays, mut ends) = (follow(&kept.text).await, follow(&gone.text).await);
    let request = Request::delete(format!("/v1/tokens/{}", gone.stored.token.id))
        .header("authorization", format!("Bearer {}", kept.text));
    assert_eq!(server.ask(request, Body::empty()).await.status, 204);
    let request = Request::post("/v1/jobs")
        .header("content-type", "application/json")
        .header("authorization", format!("Bearer {}", kept.text));
    let told = server
        .ask(request, super::http_help::stool_document())
        .await;
    assert_eq!(told.status, 201, "{}", told.text());
    let five = Duration::from_secs(5);
    let piece = tokio::time::timeout(five, stays.next())
        .await
        .unwrap()
        .unwrap()
        .unwrap();
    assert!(
        piece.starts_with(b"id:") || piece.starts_with(b"event:"),
        "{piece:?}"
    );
    let last = tokio::time::timeout(five, ends.next())
        .await
        .expect("the stream ends");
    assert!(last.is_none(), "a removed token hears {last:?}");
    assert_eq!(over(bare).await.expect("the stream ends"), []);
}

#[tokio::test]
async fn all_events_reach_everybody_in_order_and_a_stop_ends_the_streams() {
    let server = Server::new().await;
    let address = server.listen().await;
    server.stool("").await;
    let followers: Vec<_> = (0..4)
        .map(|n| {
            // The first hears of what happens from now on, the others of everything.
            let path = if n == 0 {
                "/v1/events"
            } else {
                "/v1/events?after=0"
            };
            tokio::spawn(read(address, path, None, 9999))
        })
        .collect();
    tokio::time::sleep(Duration::from_millis(500)).await;
    for _ in 0..5 {
        let id = server.stool("").await;
        server.end(id, JobState::Withheld, &[]).await;
    }
    // Everybody has seen the last one: then it stops.
    tokio::time::sleep(Duration::from_millis(500)).await;
    server.shared.stop.send_replace(true);
    let all = server.shared.store.events(0, None, 1000).await.unwrap();
    // Six jobs came in, were taken and ended.
    assert_eq!(all.len(), 3 * 6);
    let all: Vec<i64> = all.iter().map(|e| e.seq).collect();
    for (n, follower) in followers.into_iter().enumerate() {
        let (events, ended) = tokio::time::timeout(Duration::from_secs(20), follower)
            .await
            .expect("the stream ends")
            .unwrap();
        assert!(ended);
        let seen: Vec<i64> = events.iter().map(|e| e.0).collect();
        let first = if n == 0 { 1 } else { 0 };
        assert_eq!(seen, all[first..], "follower {n}");
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn several_servers_on_one_postgresql_hear_of_each_others_jobs() {
    let Some(postgres) = super::postgres::Server::start() else {
        return;
    };
    let url = StoreUrl::Postgres(postgres.database().await);
    let store = Store::open(&url).await.unwrap();
    let one = Server::around(super::help::Fresh::new(), store, |_| {});
    let store = Store::open(&url).await.unwrap();
    let other = Server::around(super::help::Fresh::new(), store, |_| {});
    let address = other.listen().await;
    let id = one.stool("").await;
    let (waiting, events) = (
        format!("/v1/jobs/{id}?wait=60"),
        format!("/v1/jobs/{id}/events"),
    );
    let begun = std::time::Instant::now();
    let (told, (events, ended), _) = tokio::join!(
        other.get(&waiting),
        read(address, &events, None, 99),
        async {
            tokio::time::sleep(Duration::from_millis(300)).await;
            one.end(id, JobState::Ready, &[]).await
        }
    );
    assert_eq!(told.json()["state"], "ready");
    assert!(ended && events.len() == 3, "{events:?}");
    // Others' events are seen within half a second and a little.
    assert!(
        begun.elapsed() < Duration::from_secs(5),
        "{:?}",
        begun.elapsed()
    );
    // A key that one of them knows is known to the other; so is a token.
    let keyed = || {
        Request::post("/v1/jobs")
            .header("content-type", "application/json")
            .header("idempotency-key", "shared")
    };
    let document = super::http_help::stool_document;
    assert_eq!(one.ask(keyed(), document()).await.status, 201);
    assert_eq!(other.ask(keyed(), document()).await.status, 200);
    one.shared
        .store
        .make_token("desk", Scope::Read, 1)
        .await
        .unwrap();
    tokio::time::sleep(Duration::from_millis(1100)).await;
    assert_eq!(other.get("/v1/jobs").await.status, 401);
}

#[tokio::test]
async fn figures_count_jobs_and_requests() {
    let server = Server::new().await;
    let begun = std::time::Instant::now();
    let first = server.stool("").await;
    let figure = async |line: &str| -> Option<f64> {
        let text = server.get("/metrics").await.text();
        assert!(text.ends_with("# EOF\n"), "{text}");
        text.lines()
            .find_map(|l| l.strip_prefix(line)?.trim().parse().ok())
    };
    assert_eq!(figure("grainway_jobs{state=\"queued\"}").await, Some(1.0));
    assert_eq!(figure("grainway_jobs{state=\"ready\"}").await, Some(0.0));
    let second = server.stool("").await;
    server.end(first, JobState::Ready, &[]).await;
    server.end(second, JobState::Failed, &[]).await;
    // Counted as soon as the events are read.
    loop {
        if figure("grainway_job_ends_total{state=\"failed\"}").await == Some(1.0) {
            break;
        }
        assert!(begun.elapsed().as_secs() < 20);
        tokio::time::sleep(Duration::from_millis(20)).await;
    }
    assert_eq!(
        figure("grainway_job_ends_total{state=\"ready\"}").await,
        Some(1.0)
    );
    assert_eq!(figure("grainway_job_claims_total").await, Some(2.0));
    assert_eq!(figure("grainway_job_seconds_count").await, Some(2.0));
    assert_eq!(figure("grainway_queue_age_seconds").await, Some(0.0));
    let taken = "grainway_requests_total{route=\"submit\",method=\"POST\",status=\"201\"}";
    assert_eq!(figure(taken).await, Some(2.0));
    // Addresses that callers make up are counted together.
    for n in 0..50 {
        server.get(&format!("/made-up-{n}")).await;
    }
    let other = "grainway_requests_total{route=\"other\",method=\"GET\",status=\"404\"}";
    assert_eq!(figure(other).await, Some(50.0));
    let text = server.get("/metrics").await.text();
    assert!(!text.contains("made-up"));
}

#[tokio::test]
async fn readiness_is_about_writing_and_stopping() {
    let server = Server::new().await;
    assert_eq!(server.get("/ready").await.json()["state"], "ready");
    // What was found is good for two seconds, then the folder that went away is noticed.
    let files = server.shared.config.data.join("files");
    std::fs::remove_dir_all(&files).unwrap();
    std::fs::File::create(&files).unwrap();
    assert_eq!(server.get("/ready").await.status, 200);
    tokio::time::sleep(Duration::from_millis(2100)).await;
    let told = server.get("/ready").await;
    assert_eq!(
        (told.status.as_u16(), told.problem().as_str()),
        (503, "stores-away")
    );
    // Nothing of this machine's paths is told.
    assert!(
        !told.text().contains(files.to_str().unwrap()),
        "{}",
        told.text()
    );
    let told = server
        .post_json("/v1/jobs", super::http_help::stool_document())
        .await;
    assert_eq!(
        (told.status.as_u16(), told.problem().as_str()),
        (503, "stores-away")
    );
    assert_eq!(server.get("/v1/jobs").await.json(), serde_json::json!([]));
    assert_eq!(server.get("/health").await.status, 200);
    server.shared.stop.send_replace(true);
    let told = server.get("/ready").await;
    assert_eq!(
        (told.status.as_u16(), told.problem().as_str()),
        (503, "stopping")
    );
    assert_eq!(server.get("/health").await.status, 200);
}
