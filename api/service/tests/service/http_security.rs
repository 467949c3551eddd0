//! Who may ask, from where, how often, how many at a time; and what the log may say of it.

use super::http_help::{Server, Told, form, stool_document};
use axum::body::{Body, Bytes};
use axum::http::Request;
use grainway_service::http::ROUTES;
use grainway_service::store::tokens::Scope;
use serde_json::json;
use std::sync::Arc;

/// A token's text.
async fn token(server: &Server, scope: Scope) -> String {
    let store = &server.shared.store;
    store.make_token("bench", scope, 1).await.unwrap().text
}

async fn with_token(server: &Server, method: &str, path: &str, token: &str) -> Told {
    let request = Request::builder()
        .method(method)
        .uri(path)
        .header("authorization", format!("Bearer {token}"));
    server.ask(request, Body::empty()).await
}

fn path_of(path: &str) -> String {
    let id = "019302f4-9a1c-7000-8000-000000000000";
    path.replace("{id}", id)
        .replace("{*name}", "a")
        .replace("{name}", "job")
        .replace("{word}", "not-found")
}

#[tokio::test]
async fn without_tokens_only_this_machine_is_served() {
    let server = Server::new().await;
    for peer in ["127.0.0.1:9", "[::1]:9", "[::ffff:127.0.0.1]:9"] {
        let told = server
            .ask_from(peer, Request::get("/v1/jobs"), Body::empty())
            .await;
        assert_eq!(told.status, 200, "{peer}");
    }
    for peer in ["192.168.1.7:9", "[2001:db8::1]:9", "0.0.0.0:9"] {
        let told = server
            .ask_from(peer, Request::get("/v1/jobs"), Body::empty())
            .await;
        assert_eq!(told.status, 403, "{peer}");
        assert_eq!(told.problem(), "not-from-there");
    }
    // A proxy of this machine passes on what others ask.
    for field in [
        "forwarded",
        "via",
        "x-forwarded-for",
        "x-forwarded-host",
        "x-forwarded-proto",
        "x-real-ip",
    ] {
        let request = Request::get("/v1/jobs").header(field, "for=192.168.1.7");
        let told = server.ask(request, Body::empty()).await;
        assert_eq!(
            (told.status.as_u16(), told.problem().as_str()),
            (403, "not-from-there")
        );
    }
}

#[tokio::test]
async fn every_route_wants_its_token_from_the_first_one_on() {
    let server = Server::new().await;
    let tokens = [
        (Scope::Read, token(&server, Scope::Read).await),
        (Scope::Submit, token(&server, Scope::Submit).await),
        (Scope::Admin, token(&server, Scope::Admin).await),
    ];
    let other = Server::new().await;
    let foreign = token(&other, Scope::Admin).await;
    let mut seen = 0;
    for route in ROUTES {
        let (method, path) = (route.method, path_of(route.path));
        let bare = Request::builder().method(method).uri(&path);
        let told = server.ask(bare, Body::empty()).await;
        let Some(scope) = route.scope else {
            assert_eq!(told.status, 200, "{path}");
            continue;
        };
        seen += 1;
        assert_eq!(
            (told.status.as_u16(), told.problem().as_str()),
            (401, "no-token"),
            "{path}"
        );
        assert_eq!(told.field("www-authenticate"), "Bearer");
        for wrong in [foreign.as_str(), "x", "", "grainway_000000000000_AAAA"] {
            let told = with_token(&server, method, &path, wrong).await;
            assert_eq!(
                (told.status.as_u16(), told.problem().as_str()),
                (401, "wrong-token"),
                "{path}"
            );
        }
        for (has, text) in &tokens {
            // Streams are asked for by HEAD: it ends.
            let method = if path.ends_with("/events") {
                "HEAD"
            } else {
                method
            };
            let told = with_token(&server, method, &path, text).await;
            if *has < scope {
                assert_eq!(told.status, 403, "{path} {has}");
                if method != "HEAD" {
                    assert_eq!(told.problem(), "not-allowed", "{path} {has}");
                }
            } else {
                assert!(
                    !matches!(told.status.as_u16(), 401 | 403),
                    "{path} {has}: {}",
                    told.text()
                );
            }
        }
    }
    assert!(seen > 25);
    // Changed by one letter, cut, with another's id.
    let good = &tokens[2].1;
    let (head, _) = good.rsplit_once('_').unwrap();
    let (_, secret) = tokens[1].1.rsplit_once('_').unwrap();
    let flipped = match good.ends_with('A') {
        true => format!("{}E", &good[..good.len() - 1]),
        false => format!("{}A", &good[..good.len() - 1]),
    };
    for wrong in [
        flipped,
        good[..good.len() - 1].to_string(),
        format!("{head}_{secret}"),
        format!("{good}A"),
    ] {
        let told = with_token(&server, "GET", "/v1/jobs", &wrong).await;
        assert_eq!(told.status, 401, "{wrong}");
    }
    // An address without a route is no way around.
    let told = server.get("/v1/nothing").await;
    assert_eq!(told.status, 401);
    // Case of the scheme does not matter (RFC 9110, 11.1); other schemes and two tokens do.
    for (value, status) in [
        (format!("bearer {good}"), 200),
        (format!("Basic {good}"), 401),
        (good.clone(), 401),
    ] {
        let request = Request::get("/v1/jobs").header("authorization", value);
        assert_eq!(server.ask(request, Body::empty()).await.status, status);
    }
    let request = Request::get("/v1/jobs")
        .header("authorization", format!("Bearer {good}"))
        .header("authorization", format!("Bearer {good}"));
    assert_eq!(server.ask(request, Body::empty()).await.status, 401);
}

#[tokio::test]
async fn tokens_are_made_shown_once_used_and_removed() {
    let server = Server::new().await;
    let made = server
        .post_json("/v1/tokens", r#"{"name": "desk", "scope": "admin"}"#)
        .await;
    assert_eq!(made.status, 201, "{}", made.text());
    let (id, text) = (made.json()["id"].clone(), made.json()["text"].clone());
    let (id, text) = (id.as_str().unwrap(), text.as_str().unwrap());
    assert_eq!(made.field("location"), format!("/v1/tokens/{id}"));
    // 32 random bytes are 43 letters of base64url without padding (RFC 4648, section 5).
    let secret = text.strip_prefix(&format!("grainway_{id}_")).unwrap();
    assert_eq!(secret.len(), 43);
    assert_eq!(server.get("/v1/tokens").await.status, 401);
    let list = with_token(&server, "GET", "/v1/tokens", text).await;
    assert!(!list.text().contains(secret) && !list.text().contains("sha256"));
    assert_eq!(list.json()[0]["name"], "desk");
    // Nowhere in the database either, but its sum.
    let data = &server.shared.config.data;
    let mut stored = Vec::new();
    for file in ["queue.sqlite", "queue.sqlite-wal"] {
        stored.extend(std::fs::read(data.join(file)).unwrap_or_default());
    }
    let has = |needle: &[u8]| stored.windows(needle.len()).any(|w| w == needle);
    assert!(!has(secret.as_bytes()) && has(id.as_bytes()));
    // Its use is noted.
    let begun = std::time::Instant::now();
    loop {
        let list = with_token(&server, "GET", "/v1/tokens", text).await.json();
        if list[0]["last-used"].is_i64() {
            break;
        }
        assert!(begun.elapsed().as_secs() < 10, "{list}");
        tokio::time::sleep(std::time::Duration::from_millis(20)).await;
    }
    let request = || {
        Request::post("/v1/tokens")
            .header("authorization", format!("Bearer {text}"))
            .header("content-type", "application/json")
    };
    for (body, status, word) in [
        (r#"{"name": "", "scope": "read"}"#, 422, "refused"),
        (r#"{"name": "a\nb", "scope": "read"}"#, 422, "refused"),
        (r#"{"name": "a", "scope": "all"}"#, 400, "bad-body"),
        (r#"{"name": "a"}"#, 400, "bad-body"),
        (r#"{"name": "a", "scope": "read", "x": 1}"#, 400, "bad-body"),
    ] {
        let told = server.ask(request(), body).await;
        assert_eq!(
            (told.status.as_u16(), told.problem().as_str()),
            (status, word),
            "{body}"
        );
    }
    assert_eq!(
        with_token(&server, "DELETE", "/v1/tokens/none", text)
            .await
            .status,
        404
    );
    let gone = with_token(&server, "DELETE", &format!("/v1/tokens/{id}"), text).await;
    assert_eq!((gone.status.as_u16(), gone.bytes.len()), (204, 0));
    // The last one is gone: this machine is served without again, and the token is no longer asked about.
    assert_eq!(server.get("/v1/tokens").await.json(), json!([]));
}

#[tokio::test]
async fn a_token_removed_elsewhere_is_refused_within_seconds() {
    let server = Server::new().await;
    let kept = token(&server, Scope::Read).await;
    let text = token(&server, Scope::Read).await;
    assert_eq!(
        with_token(&server, "GET", "/v1/jobs", &text).await.status,
        200
    );
    let id = text.split('_').nth(1).unwrap();
    assert!(server.shared.store.remove_token(id).await.unwrap());
    tokio::time::sleep(std::time::Duration::from_millis(1100)).await;
    assert_eq!(
        with_token(&server, "GET", "/v1/jobs", &text).await.status,
        401
    );
    assert_eq!(
        with_token(&server, "GET", "/v1/jobs", &kept).await.status,
        200
    );
}

#[tokio::test]
async fn other_hosts_are_refused() {
    let server = Server::with(|c| {
        c.hosts = vec!["queue.library.example".to_string(), "desk:8080".to_string()];
    })
    .await;
    let ask = async |hosts: &[&str]| {
        let mut request = Request::get("/health");
        for host in hosts {
            request = request.header("host", *host);
        }
        server.ask(request, Body::empty()).await
    };
    for host in [
        "127.0.0.1:4750",
        "127.0.0.1",
        "localhost",
        "LOCALHOST:1",
        "[::1]:4750",
        "queue.library.example",
        "Queue.Library.Example:443",
        "desk:8080",
        "localhost.",
    ] {
        assert_eq!(ask(&[host]).await.status, 200, "{host}");
    }
    for host in [
        "elsewhere.example",
        "127.0.0.1.elsewhere.example",
        "localhost.elsewhere.example",
        "desk",
        "desk:80",
        "192.168.1.7",
        "10.0.0.1:4750",
        "xqueue.library.example",
        "0.0.0.0",
        "ELSEWHERE.EXAMPLE:4750",
        "elsewhere.example.",
        "elsewhere.example.:4750",
        "[2001:db8::1]:4750",
        "[::ffff:192.168.1.7]",
        "127.0.0.1.elsewhere.example:4750",
        "localhost.localdomain",
        "2130706433",
        "0x7f.1",
    ] {
        let told = ask(&[host]).await;
        assert_eq!(
            (told.status.as_u16(), told.problem().as_str()),
            (421, "other-host"),
            "{host}"
        );
    }
    for hosts in [
        &["localhost", "localhost"][..],
        &[""],
        &["a b"],
        &["me@localhost"],
    ] {
        let told = ask(hosts).await;
        assert_eq!(
            (told.status.as_u16(), told.problem().as_str()),
            (400, "bad-request"),
            "{hosts:?}"
        );
    }
    // The target's own host counts, whatever the field says (RFC 9112, 3.2.2).
    let request = Request::get("http://elsewhere.example/health").header("host", "localhost");
    assert_eq!(server.ask(request, Body::empty()).await.status, 421);
}

#[tokio::test]
async fn pages_of_other_sites_change_nothing() {
    let server = Server::new().await;
    let host = "127.0.0.1:4750";
    for (field, value, status) in [
        ("origin", "http://127.0.0.1:4750", 201),
        ("origin", "http://127.0.0.1:8000", 403),
        ("origin", "https://elsewhere.example", 403),
        ("origin", "null", 403),
        ("origin", "", 403),
        ("sec-fetch-site", "cross-site", 403),
        ("sec-fetch-site", "same-site", 403),
        ("sec-fetch-site", "same-origin", 201),
        ("sec-fetch-site", "none", 201),
    ] {
        // What a page can send without asking first: a form.
        let (kind, body) = form(&[("document", None, &stool_document())]);
        let request = Request::post("/v1/jobs")
            .header("host", host)
            .header("content-type", kind)
            .header(field, value);
        let told = server.ask(request, body).await;
        assert_eq!(told.status, status, "{field}: {value}: {}", told.text());
        if status == 403 {
            assert_eq!(told.problem(), "other-site");
        }
        // No answer lets a page of another site read it.
        assert!(
            told.fields
                .keys()
                .all(|k| !k.as_str().starts_with("access-control-"))
        );
    }
    let preflight = Request::options("/v1/jobs").header("origin", "https://elsewhere.example");
    let told = server.ask(preflight, Body::empty()).await;
    assert_eq!(told.status, 403);
    assert_eq!(server.count_of_jobs().await, 3);
}

#[tokio::test]
async fn too_many_requests_wait() {
    let server = Server::with(|c| c.limits.requests_per_second = 1).await;
    let mut statuses = Vec::new();
    for _ in 0..15 {
        statuses.push(server.get("/v1/schemas").await);
    }
    let taken = statuses.iter().filter(|t| t.status == 200).count();
    assert!((10..=12).contains(&taken), "{taken}");
    let told = statuses.last().unwrap();
    assert_eq!(
        (told.status.as_u16(), told.problem().as_str()),
        (429, "too-many")
    );
    assert_eq!(told.field("retry-after"), "1");
    // Probes are not counted: a machine must not be restarted because a caller is busy.
    assert_eq!(server.get("/health").await.status, 200);
    // Guessed tokens are counted by address.
    let server = Server::with(|c| c.limits.requests_per_second = 1).await;
    let good = token(&server, Scope::Read).await;
    let mut last = None;
    for n in 0..15 {
        last = Some(with_token(&server, "GET", "/v1/jobs", &format!("guess-{n}")).await);
    }
    assert_eq!(last.unwrap().status, 429);
    assert_eq!(
        with_token(&server, "GET", "/v1/jobs", &good).await.status,
        200
    );
}

#[tokio::test]
async fn requests_at_a_time_are_limited_and_followers_keep_nobody_out() {
    let server = Arc::new(Server::with(|c| c.limits.requests_at_a_time = 2).await);
    let id = server.stool("").await;
    let waits: Vec<_> = (0..2)
        .map(|_| {
            let server = Arc::clone(&server);
            let path = format!("/v1/jobs/{id}?wait=30");
            tokio::spawn(async move { server.get(&path).await })
        })
        .collect();
    tokio::time::sleep(std::time::Duration::from_millis(300)).await;
    // Two wait, and others are served; a third one that would wait is not.
    assert_eq!(server.get("/v1/jobs").await.status, 200);
    let third = server.get(&format!("/v1/jobs/{id}?wait=30")).await;
    assert_eq!(
        (third.status.as_u16(), third.problem().as_str()),
        (503, "busy")
    );
    assert_eq!(third.field("retry-after"), "2");
    // Bodies that do not come to an end hold the places of requests.
    let slow: Vec<_> = (0..2)
        .map(|_| {
            let server = Arc::clone(&server);
            tokio::spawn(async move {
                let request = Request::post("/v1/jobs").header("content-type", "application/json");
                let never = futures_util::stream::pending::<Result<Bytes, std::io::Error>>();
                server.ask(request, Body::from_stream(never)).await
            })
        })
        .collect();
    tokio::time::sleep(std::time::Duration::from_millis(300)).await;
    let busy = server.get("/v1/jobs").await;
    assert_eq!(
        (busy.status.as_u16(), busy.problem().as_str()),
        (503, "busy")
    );
    assert_eq!(server.get("/health").await.status, 200);
    slow.iter().for_each(|s| s.abort());
    tokio::time::sleep(std::time::Duration::from_millis(100)).await;
    assert_eq!(server.get("/v1/jobs").await.status, 200);
    server.shared.stop.send_replace(true);
    for wait in waits {
        assert_eq!(wait.await.unwrap().status, 200);
    }
}

/// Started by the test below: what it logs, at every level, goes to standard error; what to look for to standard output.
#[tokio::test]
#[ignore = "started by no_token_and_no_query_reaches_the_log_and_ids_do"]
async fn logs_everything() {
    tracing_subscriber::fmt()
        .with_max_level(tracing::Level::TRACE)
        .with_ansi(false)
        .with_writer(std::io::stderr)
        .init();
    let server = Server::new().await;
    let id = server.stool("?batch=a-batch-word").await;
    let made = server
        .post_json("/v1/tokens", r#"{"name": "desk", "scope": "admin"}"#)
        .await
        .json();
    let text = made["text"].as_str().unwrap();
    let wrong = format!("{}x", &text[..text.len() - 1]);
    let told = with_token(&server, "GET", &format!("/v1/jobs/{id}"), text).await;
    with_token(&server, "GET", "/v1/jobs", &wrong).await;
    with_token(&server, "GET", "/v1/jobs", "a-guess-of-somebody").await;
    let request = Request::get(format!("/v1/jobs?token={text}")).header("authorization", text);
    server.ask(request, Body::empty()).await;
    with_token(&server, "DELETE", &format!("/v1/tokens/{text}"), text).await;
    // Over a connection too, whose own library may log.
    let address = server.listen().await;
    grainway_client::outgoing::use_ring();
    let answer = reqwest::Client::builder()
        .no_proxy()
        .build()
        .unwrap()
        .get(format!("http://{address}/v1/jobs/{id}"))
        .bearer_auth(text)
        .send()
        .await
        .unwrap();
    assert_eq!(answer.status(), 200);
    println!("wanted {}", told.field("x-request-id"));
    println!("wanted {id}");
    for hidden in [
        &text[text.len() - 43..text.len() - 20],
        "a-guess-of-somebody",
        "a-batch-word",
    ] {
        println!("hidden {hidden}");
    }
}

#[test]
fn no_token_and_no_query_reaches_the_log_and_ids_do() {
    let name = "http_security::logs_everything";
    let output = std::process::Command::new(std::env::current_exe().unwrap())
        .args([name, "--exact", "--ignored", "--nocapture"])
        .output()
        .unwrap();
    let said = String::from_utf8(output.stdout).unwrap();
    assert!(output.status.success(), "{said}");
    let logged = String::from_utf8(output.stderr).unwrap();
    let (mut wanted, mut hidden) = (0, 0);
    for line in said.lines() {
        if let Some(word) = line.strip_prefix("wanted ") {
            wanted += 1;
            assert!(logged.contains(word), "{word} is not in the log: {logged}");
        }
        if let Some(word) = line.strip_prefix("hidden ") {
            hidden += 1;
            let found = logged.lines().find(|l| l.contains(word));
            assert!(found.is_none(), "{word} is in the log: {found:?}");
        }
    }
    assert_eq!((wanted, hidden), (2, 3), "{said}");
}
