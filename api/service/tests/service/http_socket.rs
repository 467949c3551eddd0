//! Connections as callers of all kinds treat them: slow, huge, half-closed, cut, silent. Against a port of this machine.

use super::http_help::{Server, stool_document};
use std::net::SocketAddr;
use std::time::{Duration, Instant};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;

async fn connect(address: SocketAddr) -> TcpStream {
    TcpStream::connect(address).await.unwrap()
}

/// All that comes until the connection ends.
async fn rest(stream: &mut TcpStream) -> String {
    let mut bytes = Vec::new();
    let read = tokio::time::timeout(Duration::from_secs(20), stream.read_to_end(&mut bytes));
    // A connection that was reset has told what it had.
    let _ = read.await.expect("the connection ends");
    String::from_utf8_lossy(&bytes).into_owned()
}

fn head(what: &str, more: &str) -> String {
    format!("{what} HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n{more}\r\n")
}

#[tokio::test]
async fn a_body_that_comes_too_slowly_is_given_up() {
    let server = Server::with(|c| c.limits.read_seconds = 1).await;
    let address = server.listen().await;
    let mut stream = connect(address).await;
    let more = "Content-Type: application/json\r\nContent-Length: 1000\r\n";
    stream
        .write_all(head("POST /v1/jobs", more).as_bytes())
        .await
        .unwrap();
    let begun = Instant::now();
    // A byte now and then does not help.
    for _ in 0..8 {
        let _ = stream.write_all(b" ").await;
        tokio::time::sleep(Duration::from_millis(200)).await;
    }
    let told = rest(&mut stream).await;
    assert!(told.starts_with("HTTP/1.1 408 "), "{told}");
    assert!(told.contains("/problems/too-slow"), "{told}");
    assert!(begun.elapsed() < Duration::from_secs(10));
}

#[tokio::test]
async fn a_body_that_keeps_coming_is_waited_for() {
    let server = Server::with(|c| c.limits.read_seconds = 1).await;
    let address = server.listen().await;
    let mut stream = connect(address).await;
    let body = stool_document();
    let padding = 96 * 1024;
    let more = format!(
        "Content-Type: application/json\r\nContent-Length: {}\r\n",
        body.len() + padding
    );
    stream
        .write_all(head("POST /v1/jobs", &more).as_bytes())
        .await
        .unwrap();
    let begun = Instant::now();
    for _ in 0..12 {
        stream.write_all(&vec![b' '; padding / 12]).await.unwrap();
        tokio::time::sleep(Duration::from_millis(200)).await;
    }
    stream.write_all(&body).await.unwrap();
    let told = rest(&mut stream).await;
    assert!(told.starts_with("HTTP/1.1 201 "), "{told}");
    assert!(begun.elapsed() > Duration::from_secs(2));
}

#[tokio::test]
async fn a_head_that_is_slow_or_huge_is_given_up() {
    let server = Server::with(|c| c.limits.read_seconds = 1).await;
    let address = server.listen().await;
    let mut slow = connect(address).await;
    slow.write_all(b"GET /health HTTP/1.1\r\nHost: loc")
        .await
        .unwrap();
    let begun = Instant::now();
    let told = rest(&mut slow).await;
    assert!(
        told.is_empty() || told.starts_with("HTTP/1.1 408"),
        "{told}"
    );
    assert!(begun.elapsed() < Duration::from_secs(10));
    // A connection on which nothing is said ends too.
    let mut silent = connect(address).await;
    assert_eq!(rest(&mut silent).await, "");
    // So does one on which nothing more is said after an answer.
    let mut idle = connect(address).await;
    let request = b"GET /health HTTP/1.1\r\nHost: localhost\r\n\r\n";
    idle.write_all(request).await.unwrap();
    let told = rest(&mut idle).await;
    assert!(told.starts_with("HTTP/1.1 200 "), "{told}");

    let many: String = (0..200).map(|n| format!("X-{n}: 1\r\n")).collect();
    let long = format!("X: {}\r\n", "a".repeat(100_000));
    let target = format!(
        "GET /{} HTTP/1.1\r\nHost: localhost\r\n\r\n",
        "a".repeat(100_000)
    );
    for head in [
        head("GET /health", &many),
        head("GET /health", &long),
        target,
    ] {
        let mut stream = connect(address).await;
        let _ = stream.write_all(head.as_bytes()).await;
        let told = rest(&mut stream).await;
        let status = told.get(9..12).unwrap_or_default();
        assert!(["431", "414", ""].contains(&status), "{told}");
    }
    // What is not HTTP, and a target without a host.
    for (text, status) in [
        ("nonsense\r\n\r\n", "400"),
        ("GET /health HTTP/1.1\r\n\r\n", "400"),
        (
            "GET /health HTTP/1.1\r\nHost: elsewhere.example\r\n\r\n",
            "421",
        ),
        (
            "GET http://elsewhere.example/health HTTP/1.1\r\nHost: localhost\r\n\r\n",
            "421",
        ),
        (
            "POST /v1/jobs HTTP/1.1\r\nHost: localhost\r\nContent-Length: 5\r\nContent-Length: 6\r\n\r\nhello",
            "400",
        ),
        (
            "POST /v1/jobs HTTP/1.1\r\nHost: localhost\r\nContent-Length: -1\r\n\r\n",
            "400",
        ),
        (
            "POST /v1/jobs HTTP/1.1\r\nHost: localhost\r\nTransfer-Encoding: chunked\r\nContent-Type: application/json\r\n\r\nzz\r\n",
            "400",
        ),
    ] {
        let mut stream = connect(address).await;
        stream.write_all(text.as_bytes()).await.unwrap();
        stream.shutdown().await.unwrap();
        let told = rest(&mut stream).await;
        assert_eq!(told.get(9..12), Some(status), "{text:?}: {told}");
    }
    assert_eq!(server.get("/health").await.status, 200);
}

#[tokio::test]
async fn a_caller_that_closed_its_side_gets_its_answer() {
    let server = Server::new().await;
    let address = server.listen().await;
    let body = stool_document();
    let more = format!(
        "Content-Type: application/json\r\nContent-Length: {}\r\n",
        body.len()
    );
    let mut stream = connect(address).await;
    stream
        .write_all(head("POST /v1/jobs", &more).as_bytes())
        .await
        .unwrap();
    stream.write_all(&body).await.unwrap();
    stream.shutdown().await.unwrap();
    let told = rest(&mut stream).await;
    assert!(told.starts_with("HTTP/1.1 201 "), "{told}");
    // One that closed in the middle of its body hears that it broke off, and nothing of it is kept.
    let mut stream = connect(address).await;
    stream
        .write_all(head("POST /v1/jobs", &more).as_bytes())
        .await
        .unwrap();
    stream.write_all(&body[..body.len() / 2]).await.unwrap();
    stream.shutdown().await.unwrap();
    let told = rest(&mut stream).await;
    assert!(
        told.is_empty() || told.starts_with("HTTP/1.1 400 "),
        "{told}"
    );
    assert_eq!(server.count_of_jobs().await, 1);
}

#[tokio::test]
async fn a_job_whose_caller_went_away_is_there_once() {
    let server = Server::new().await;
    let address = server.listen().await;
    let body = stool_document();
    for n in 0..10_u64 {
        let more = format!(
            "Content-Type: application/json\r\nContent-Length: {}\r\nIdempotency-Key: gone-{n}\r\n",
            body.len()
        );
        let mut stream = connect(address).await;
        stream
            .write_all(head("POST /v1/jobs", &more).as_bytes())
            .await
            .unwrap();
        stream.write_all(&body).await.unwrap();
        tokio::time::sleep(Duration::from_millis(3 * n)).await;
        // Reset, not closed in good order.
        stream.set_zero_linger().unwrap();
        drop(stream);
    }
    for n in 0..10 {
        let begun = Instant::now();
        loop {
            let request = axum::http::Request::post("/v1/jobs")
                .header("content-type", "application/json")
                .header("idempotency-key", format!("gone-{n}"));
            let told = server.ask(request, body.clone()).await;
            if told.status.is_success() {
                break;
            }
            assert_eq!(told.status, 409, "{}", told.text());
            assert!(begun.elapsed() < Duration::from_secs(20));
            tokio::time::sleep(Duration::from_millis(20)).await;
        }
    }
    assert_eq!(server.count_of_jobs().await, 10);
    assert_eq!(server.shared.files.found().await.unwrap().len(), 10);
}

#[tokio::test]
async fn a_caller_still_sending_too_much_reads_its_answer() {
    let server = Server::with(|c| c.limits.body_mib = 1).await;
    let address = server.listen().await;
    let size = 2 << 20;
    let (spaces, chunk) = (vec![b' '; 1 << 16], format!("{:x}\r\n", 1 << 16));
    let chunk = [chunk.as_bytes(), &spaces, b"\r\n"].concat();
    // With its length told before, and in chunks that never end.
    for (kind, piece, pieces) in [
        (format!("Content-Length: {size}"), spaces, size >> 16),
        ("Transfer-Encoding: chunked".to_string(), chunk, 1 << 20),
    ] {
        let mut stream = connect(address).await;
        let more = format!("Content-Type: application/json\r\n{kind}\r\n");
        stream
            .write_all(head("POST /v1/jobs", &more).as_bytes())
            .await
            .unwrap();
        let (mut read, mut write) = stream.split();
        let sending = async {
            let mut sent = 0;
            while sent < pieces && write.write_all(&piece).await.is_ok() {
                sent += 1;
            }
            sent
        };
        let mut bytes = Vec::new();
        let reading = async {
            let ten = Duration::from_secs(10);
            let _ = tokio::time::timeout(ten, read.read_to_end(&mut bytes)).await;
        };
        let (sent, ()) = tokio::join!(sending, reading);
        let told = String::from_utf8_lossy(&bytes);
        assert!(told.starts_with("HTTP/1.1 413 "), "{kind}: {told}");
        assert!(sent < 1024, "{kind}: {sent} pieces were taken");
    }
}

#[tokio::test]
async fn a_stop_finishes_answers_and_ends_idle_connections() {
    let server = Server::new().await;
    let address = server.listen().await;
    let id = server.stool("").await;
    let mut idle = connect(address).await;
    let mut waiting = connect(address).await;
    waiting
        .write_all(head(&format!("GET /v1/jobs/{id}?wait=60"), "").as_bytes())
        .await
        .unwrap();
    tokio::time::sleep(Duration::from_millis(300)).await;
    let begun = Instant::now();
    server.shared.stop.send_replace(true);
    let told = rest(&mut waiting).await;
    assert!(told.starts_with("HTTP/1.1 200 "), "{told}");
    assert_eq!(rest(&mut idle).await, "");
    assert!(begun.elapsed() < Duration::from_secs(8));
    let mut refused = TcpStream::connect(address).await;
    if let Ok(stream) = &mut refused {
        assert_eq!(rest(stream).await, "");
    }
}

/// Takes an answer off a connection that stays open.
async fn answer(stream: &mut TcpStream) -> String {
    let mut told = String::new();
    let mut piece = [0; 4096];
    while !told.contains("\r\n\r\n") {
        match stream.read(&mut piece).await {
            Ok(n @ 1..) => told.push_str(&String::from_utf8_lossy(&piece[..n])),
            _ => break,
        }
    }
    told
}

/// With few places, callers that keep their connections for later had kept everybody else waiting.
#[tokio::test]
async fn idle_connections_do_not_shut_callers_out() {
    let server = Server::with(|c| c.limits.requests_at_a_time = 1).await;
    let address = server.listen().await;
    let ask = b"GET /health HTTP/1.1\r\nHost: localhost\r\n\r\n";
    let mut kept = Vec::new();
    for n in 0..24 {
        let mut stream = connect(address).await;
        // Half of them never ask at all.
        if n % 2 == 0 {
            stream.write_all(ask).await.unwrap();
            let told = tokio::time::timeout(Duration::from_secs(5), answer(&mut stream)).await;
            let told = told.unwrap_or_else(|_| panic!("caller {n} is shut out"));
            assert!(told.starts_with("HTTP/1.1 200 "), "{n}: {told}");
        }
        kept.push(stream);
    }
    // The last that asked keeps its connection: those that were quiet for longest went first.
    let last = kept.get_mut(22).unwrap();
    last.write_all(ask).await.unwrap();
    assert!(answer(last).await.starts_with("HTTP/1.1 200 "));
    let told = rest(&mut kept[0]).await;
    assert!(told.is_empty(), "{told}");
}
