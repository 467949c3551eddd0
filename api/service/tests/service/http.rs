//! The HTTP API: jobs in, listed, looked at, stopped, put back, made again.

use super::http_help::{Server, example_files, form, stool_document, zipped};
use axum::body::Body;
use axum::http::Request;
use grainway_service::model::{JobId, JobState, Side};
use serde_json::{Value, json};
use std::time::{Duration, Instant};

const FILES: &[(&str, &[u8])] = &[
    ("programs/01-board-1.ngc", b"G21\nG90\nM2\n"),
    ("report.json", b"{\"format\":\"grainway.report/1\"}"),
    ("setup-sheet.html", b"<!doctype html><title>sheet</title>"),
];

#[tokio::test]
async fn a_job_comes_in_as_a_document_a_form_or_a_zip() {
    let server = Server::new().await;
    let document = server
        .post_json("/v1/jobs?priority=7&batch=library", stool_document())
        .await;
    assert_eq!(document.status, 201, "{}", document.text());
    let told = document.json();
    let id = told["id"].as_str().unwrap();
    assert_eq!(document.field("location"), format!("/v1/jobs/{id}"));
    assert_eq!(document.field("etag"), "\"1\"");
    assert_eq!(told["state"], "queued");
    assert_eq!(told["priority"], 7);
    assert_eq!(told["batch"], "library");
    assert_eq!(told["document"], "job.json");
    assert!(told["findings"].is_array());

    let files = example_files("newspaper-rack");
    let zip = zipped(&files);
    let request = Request::post("/v1/jobs?when=hours").header("content-type", "application/zip");
    let zip = server.ask(request, zip).await;
    assert_eq!(zip.status, 201, "{}", zip.text());
    assert_eq!(zip.json()["when"], "hours");
    let stored: JobId = zip.json()["id"].as_str().unwrap().parse().unwrap();
    let stored = server.shared.store.files(stored, Side::In).await.unwrap();
    let names: Vec<&str> = stored.iter().map(|f| f.name.as_str()).collect();
    let handed: Vec<&str> = files.iter().map(|(n, _)| n.as_str()).collect();
    assert_eq!(names, handed);

    // A folder that holds everything is left out: people pack folders.
    let packed: Vec<(String, Vec<u8>)> = files
        .iter()
        .map(|(n, b)| (format!("rack/{n}"), b.clone()))
        .collect();
    let request = Request::post("/v1/jobs").header("content-type", "application/zip");
    let packed = server.ask(request, zipped(&packed)).await;
    assert_eq!(packed.status, 201, "{}", packed.text());
    assert_eq!(packed.json()["document"], "job.json");

    let mut fields: Vec<(&str, Option<&str>, &[u8])> = files
        .iter()
        .map(|(n, b)| ("file", Some(n.as_str()), b.as_slice()))
        .collect();
    let options = br#"{"priority": 3, "batch": "form", "not-before": "2036-11-26T06:00:00+01:00"}"#;
    fields.push(("options", None, options));
    let (kind, body) = form(&fields);
    // The query wins over the form's options.
    let request = Request::post("/v1/jobs?priority=-4").header("content-type", kind);
    let told = server.ask(request, body).await;
    assert_eq!(told.status, 201, "{}", told.text());
    assert_eq!(told.json()["priority"], -4);
    assert_eq!(told.json()["batch"], "form");
    // 2036-11-26 05:00 UTC, by `date -u -d 2036-11-26T05:00:00Z +%s`.
    assert_eq!(told.json()["not-before"], 2_111_288_400_000_i64);

    let stool = stool_document();
    let (kind, body) = form(&[("document", None, &stool)]);
    let request = Request::post("/v1/jobs").header("content-type", kind);
    let told = server.ask(request, body).await;
    assert_eq!(told.status, 201, "{}", told.text());
}

#[tokio::test]
async fn what_is_wrong_is_told_at_once_with_places_and_remedies() {
    let server = Server::new().await;
    let mut document: Value = serde_json::from_slice(&stool_document()).unwrap();
    document["colour"] = json!("red");
    document["shop"] = json!("elsewhere");
    let told = server.post_json("/v1/jobs", document.to_string()).await;
    assert_eq!(told.status, 422);
    assert_eq!(told.problem(), "documents");
    let problems = told.json()["problems"].as_array().unwrap().clone();
    let pointers: Vec<&str> = problems
        .iter()
        .map(|p| p["pointer"].as_str().unwrap())
        .collect();
    assert!(pointers.contains(&"job.json#/shop"), "{pointers:?}");
    assert!(pointers.contains(&"job.json#/colour"), "{pointers:?}");
    for problem in &problems {
        for key in ["code", "message", "remedy"] {
            assert!(
                !problem[key].as_str().unwrap_or_default().is_empty(),
                "{problem}"
            );
        }
    }
    // Nothing of it was kept.
    assert_eq!(server.get("/v1/jobs").await.json(), json!([]));
    assert!(server.shared.files.found().await.unwrap().is_empty());

    let told = server
        .post_json("/v1/jobs?priority=101&when=never&bacth=x&dry-run=1", "{}")
        .await;
    assert_eq!(
        (told.status.as_u16(), told.problem().as_str()),
        (400, "bad-parameter")
    );
    assert!(
        told.text().contains("Did you mean \\\"batch\\\"?"),
        "{}",
        told.text()
    );
    let told = server
        .post_json(
            "/v1/jobs?priority=101&when=never&not-before=x&dry-run=1",
            "{}",
        )
        .await;
    let problems = told.json()["problems"].as_array().unwrap().len();
    assert_eq!((told.problem().as_str(), problems), ("bad-parameter", 4));
    let twice = server.get("/v1/jobs?limit=1&limit=2").await;
    assert_eq!(twice.problem(), "bad-parameter");

    for (body, word) in [("", "documents"), ("[", "documents"), ("{}", "documents")] {
        let told = server.post_json("/v1/jobs", body).await;
        assert_eq!(
            (told.status.as_u16(), told.problem().as_str()),
            (422, word),
            "{body:?}"
        );
    }
    for kind in ["text/plain", "application/xml", ""] {
        let request = Request::post("/v1/jobs").header("content-type", kind);
        let told = server.ask(request, "{}").await;
        assert_eq!(
            (told.status.as_u16(), told.problem().as_str()),
            (415, "other-type")
        );
        assert!(told.field("accept").contains("application/zip"));
    }
    let told = server
        .post_json(
            "/v1/jobs?replaces=019302f4-9a1c-7000-8000-000000000000",
            stool_document(),
        )
        .await;
    assert_eq!(
        (told.status.as_u16(), told.problem().as_str()),
        (422, "refused")
    );
}

#[tokio::test]
async fn a_dry_run_checks_and_keeps_nothing() {
    let server = Server::new().await;
    let told = server
        .post_json("/v1/jobs?dry-run=true", stool_document())
        .await;
    assert_eq!(told.status, 200, "{}", told.text());
    assert!(told.json()["findings"].is_array());
    assert!(told.json().get("id").is_none());
    assert_eq!(server.get("/v1/jobs").await.json(), json!([]));
    assert!(server.shared.files.found().await.unwrap().is_empty());
}

#[tokio::test]
async fn the_same_request_with_the_same_key_is_one_job() {
    let server = Server::new().await;
    let send = async |key: &str, query: &str, body: Vec<u8>| {
        let request = Request::post(format!("/v1/jobs{query}"))
            .header("content-type", "application/json")
            .header("idempotency-key", key);
        server.ask(request, body).await
    };
    let first = send("k-1", "", stool_document()).await;
    assert_eq!(first.status, 201);
    let again = send("k-1", "", stool_document()).await;
    assert_eq!(again.status, 200);
    assert_eq!(again.json()["id"], first.json()["id"]);
    assert_eq!(again.field("location"), first.field("location"));
    // What it asks is the same whatever form it comes in.
    let (kind, body) = form(&[("document", None, &stool_document())]);
    let request = Request::post("/v1/jobs")
        .header("content-type", kind)
        .header("idempotency-key", "k-1");
    let as_form = server.ask(request, body).await;
    assert_eq!(as_form.status, 200, "{}", as_form.text());

    for (query, body) in [("?priority=1", stool_document()), ("", b"{}".to_vec())] {
        let other = send("k-1", query, body).await;
        assert_eq!(
            (other.status.as_u16(), other.problem().as_str()),
            (422, "key-in-use")
        );
    }
    assert_eq!(send("k-2", "", stool_document()).await.status, 201);
    let long = "k".repeat(256);
    for key in ["", " ", "a b", long.as_str()] {
        let told = send(key, "", stool_document()).await;
        assert_eq!(
            (told.status.as_u16(), told.problem().as_str()),
            (400, "bad-parameter"),
            "{key:?}"
        );
    }
    assert_eq!(server.count_of_jobs().await, 2);

    // Many at a time: one job, and every answer is that job or "still at work".
    let asked = (0..12).map(|_| send("k-3", "", stool_document()));
    let told = futures_util::future::join_all(asked).await;
    let ids: std::collections::BTreeSet<String> = told
        .iter()
        .filter(|t| t.status.is_success())
        .map(|t| t.json()["id"].to_string())
        .collect();
    assert_eq!(ids.len(), 1);
    assert_eq!(told.iter().filter(|t| t.status == 201).count(), 1);
    for told in told.iter().filter(|t| !t.status.is_success()) {
        assert_eq!(
            (told.status.as_u16(), told.problem().as_str()),
            (409, "still-at-work")
        );
        assert_eq!(told.field("retry-after"), "1");
    }
    assert_eq!(server.count_of_jobs().await, 3);
}

#[tokio::test]
async fn a_full_queue_says_so_and_still_knows_what_it_has() {
    let server = Server::with(|c| c.limits.queue = 1).await;
    let request = || {
        Request::post("/v1/jobs")
            .header("content-type", "application/json")
            .header("idempotency-key", "first")
    };
    assert_eq!(server.ask(request(), stool_document()).await.status, 201);
    let full = server.post_json("/v1/jobs", stool_document()).await;
    assert_eq!(
        (full.status.as_u16(), full.problem().as_str()),
        (503, "queue-full")
    );
    assert_eq!(full.field("retry-after"), "30");
    assert_eq!(server.ask(request(), stool_document()).await.status, 200);
    assert_eq!(server.shared.files.found().await.unwrap().len(), 1);
}

#[tokio::test]
async fn jobs_are_listed_in_pages_as_json_and_csv() {
    let server = Server::new().await;
    assert_eq!(
        server.get("/v1/jobs?as=csv").await.text().lines().count(),
        1
    );
    let mut ids = Vec::new();
    for n in 0..5 {
        let batch = if n < 3 { "?batch=a" } else { "?batch=b%20%26c" };
        ids.push(server.stool(batch).await.to_string());
    }
    server
        .end(ids[0].parse().unwrap(), JobState::Ready, FILES)
        .await;
    server
        .end(ids[1].parse().unwrap(), JobState::Withheld, &[])
        .await;
    ids.reverse();
    let listed = |told: Value| -> Vec<String> {
        let jobs = told.as_array().unwrap().iter();
        jobs.map(|j| j["id"].as_str().unwrap().to_string())
            .collect()
    };
    let all = server.get("/v1/jobs").await;
    assert_eq!(listed(all.json()), ids);
    assert_eq!(all.field("link"), "");
    // Page by page, following the links.
    let (mut path, mut seen, mut pages) = ("/v1/jobs?limit=2".to_string(), Vec::new(), 0);
    loop {
        let page = server.get(&path).await;
        seen.extend(listed(page.json()));
        pages += 1;
        let link = page.field("link").to_string();
        let Some(next) = link
            .strip_prefix('<')
            .and_then(|l| l.strip_suffix(">; rel=\"next\""))
        else {
            break;
        };
        path = next.to_string();
    }
    assert_eq!((seen, pages), (ids.clone(), 3));
    let ended = server.get("/v1/jobs?state=ready,withheld").await;
    assert_eq!(listed(ended.json()), ids[3..]);
    let batch = server.get("/v1/jobs?batch=b+%26c&limit=1").await;
    assert_eq!(listed(batch.json()), ids[..1]);
    assert!(batch.field("link").contains("batch=b+%26c"));
    for bad in [
        "state=done",
        "state=",
        "limit=0",
        "limit=1001",
        "limit=x",
        "before=x",
        "as=xml",
        "batch=",
        "batch=%00",
    ] {
        let told = server.get(&format!("/v1/jobs?{bad}")).await;
        assert_eq!(
            (told.status.as_u16(), told.problem().as_str()),
            (400, "bad-parameter"),
            "{bad}"
        );
    }

    let csv = server.get("/v1/jobs?as=csv").await;
    assert_eq!(
        csv.field("content-type"),
        "text/csv; charset=utf-8; header=present"
    );
    let request = Request::get("/v1/jobs").header("accept", "text/csv, */*;q=0.5");
    assert_eq!(server.ask(request, Body::empty()).await.bytes, csv.bytes);
    let mut reader = csv::Reader::from_reader(csv.bytes.as_ref());
    let columns = reader.headers().unwrap().clone();
    let rows: Vec<csv::StringRecord> = reader.records().map(|r| r.unwrap()).collect();
    assert_eq!(rows.len(), 5);
    let at = |name: &str| columns.iter().position(|c| c == name).unwrap();
    assert_eq!(&rows[4][at("state")], "ready");
    // A formula in a sentence stays text.
    assert_eq!(&rows[4][at("sentence")], "'=made");
    assert_eq!(&rows[4][at("parts")], "5");
    assert_eq!(&rows[0][at("parts")], "");
    assert!(
        rows[4][at("ended")].ends_with('Z'),
        "{}",
        &rows[4][at("ended")]
    );
}

#[tokio::test]
async fn a_job_is_looked_at_and_waited_for() {
    let server = Server::new().await;
    let id = server.stool("").await;
    let path = format!("/v1/jobs/{id}");
    let told = server.get(&path).await;
    assert_eq!((told.status.as_u16(), told.field("etag")), (200, "\"1\""));
    for has in ["\"1\"", "W/\"1\"", "\"0\", \"1\"", "*"] {
        let request = Request::get(&path).header("if-none-match", has);
        let same = server.ask(request, Body::empty()).await;
        assert_eq!((same.status.as_u16(), same.bytes.len()), (304, 0), "{has}");
        assert_eq!(same.field("etag"), "\"1\"");
    }
    let head = server.ask(Request::head(&path), Body::empty()).await;
    assert_eq!((head.status.as_u16(), head.bytes.len()), (200, 0));
    assert_eq!(head.field("content-length"), told.bytes.len().to_string());
    for bad in ["wait=61", "wait=-1", "wait=soon"] {
        let told = server.get(&format!("{path}?{bad}")).await;
        assert_eq!(told.problem(), "bad-parameter");
    }
    // Nothing happens: the answer comes when the time is over.
    let begun = Instant::now();
    let told = server.get(&format!("{path}?wait=1")).await;
    assert_eq!(told.json()["state"], "queued");
    assert!(begun.elapsed() >= Duration::from_secs(1));
    // It ends: the answer comes then.
    let waiting = format!("{path}?wait=60");
    let begun = Instant::now();
    let (told, _) = tokio::join!(server.get(&waiting), async {
        tokio::time::sleep(Duration::from_millis(100)).await;
        server.end(id, JobState::Ready, FILES).await
    });
    assert_eq!(told.json()["state"], "ready");
    assert!(begun.elapsed() < Duration::from_secs(20));
    // With a tag the wait is over as soon as anything changes.
    let id = server.stool("").await;
    let request = Request::get(format!("/v1/jobs/{id}?wait=60")).header("if-none-match", "\"1\"");
    let (told, claimed) = tokio::join!(server.ask(request, Body::empty()), async {
        tokio::time::sleep(Duration::from_millis(100)).await;
        let now = server.shared.now();
        let claimed = server
            .shared
            .store
            .claim(server.shared.owner, now, now + 60_000, true);
        let claimed = claimed.await.unwrap();
        server.shared.stir();
        claimed
    });
    assert!(claimed.is_some());
    assert_eq!(told.json()["state"], "running");
    // A server that stops lets go of who waits.
    let waiting = format!("/v1/jobs/{id}?wait=60");
    let begun = Instant::now();
    let (told, ()) = tokio::join!(server.get(&waiting), async {
        tokio::time::sleep(Duration::from_millis(100)).await;
        server.shared.stop.send_replace(true);
    });
    assert_eq!(told.json()["state"], "running");
    assert!(begun.elapsed() < Duration::from_secs(20));
}

#[tokio::test]
async fn jobs_are_stopped_and_put_back_by_those_who_saw_them_last() {
    let server = Server::new().await;
    let id = server.stool("").await;
    let path = format!("/v1/jobs/{id}");
    let change = async |what: &str, tag: &str| {
        let request = Request::post(format!("{path}/{what}")).header("if-match", tag);
        server.ask(request, Body::empty()).await
    };
    for tag in ["\"2\"", "W/\"1\"", "\"x\"", "1", "\"3\", \"4\""] {
        let told = change("cancel", tag).await;
        assert_eq!(
            (told.status.as_u16(), told.problem().as_str()),
            (412, "other-version"),
            "{tag}"
        );
        assert_eq!(told.field("etag"), "\"1\"");
    }
    let early = server.post(&format!("{path}/retry")).await;
    assert_eq!(
        (early.status.as_u16(), early.problem().as_str()),
        (409, "not-now")
    );
    let told = change("cancel", "\"9\", \"1\"").await;
    assert_eq!(told.json()["state"], "cancelled");
    assert_eq!(told.field("etag"), "\"2\"");
    let late = server.post(&format!("{path}/cancel")).await;
    assert_eq!(
        (late.status.as_u16(), late.problem().as_str()),
        (409, "not-now")
    );
    let told = change("retry", "*").await;
    assert_eq!(told.json()["state"], "queued");
    let missing = "/v1/jobs/019302f4-9a1c-7000-8000-000000000000";
    for (path, method) in [
        (missing.to_string(), "GET"),
        (format!("{missing}/cancel"), "POST"),
        (format!("{missing}/retry"), "POST"),
        (format!("{missing}/files"), "GET"),
        (format!("{missing}/files/a"), "GET"),
        (format!("{missing}/files.zip"), "GET"),
        (format!("{missing}/report"), "GET"),
        (format!("{missing}/handed-in"), "GET"),
        (format!("{missing}/events"), "GET"),
        ("/v1/jobs/no-id".to_string(), "GET"),
        ("/v1/jobs/%00".to_string(), "GET"),
        ("/v1/jobs/%ff".to_string(), "GET"),
        ("/v1".to_string(), "GET"),
        ("/page".to_string(), "POST"),
    ] {
        let request = Request::builder().method(method).uri(&path);
        let told = server.ask(request, Body::empty()).await;
        let wanted = if path.contains("%ff") { 400 } else { 404 };
        assert_eq!(told.status, wanted, "{path}");
        told.problem();
    }
    let told = server.ask(Request::put("/v1/jobs"), Body::empty()).await;
    assert_eq!(
        (told.status.as_u16(), told.problem().as_str()),
        (405, "other-method")
    );
    let mut allowed: Vec<&str> = told.field("allow").split(',').map(str::trim).collect();
    allowed.sort();
    assert_eq!(allowed, ["GET", "HEAD", "POST"]);
}

/// A board of the stock, the blank of a part, and the hand that the good face asks for.
#[tokio::test]
async fn boards_blanks_and_hands_are_measured_too() {
    let server = Server::new().await;
    let mut own: Value = serde_json::from_slice(&stool_document()).unwrap();
    let board = |id: &str| json!({ "id": id, "length": 31, "width": 9 });
    own["stocks"] = json!({ "oak-board": { "wood": "oak-white", "thickness": [0.755], "boards": [board("plank"), board("other")] } });
    let old = server.post_json("/v1/jobs", own.to_string()).await;
    let old = old.json()["id"].as_str().unwrap().to_string();
    let path = format!("/v1/jobs/{old}/measured");
    let body = json!({
        "thickness": { "oak-board@plank": ["0.74in", "0.745in"], "oak-19:side": "18.9mm" },
        "pieces": { "side": { "width": "219mm", "mirrored": 1 } }
    });
    let told = server.post_json(&path, body.to_string()).await;
    assert_eq!(told.status, 201, "{}", told.text());
    let new = told.json()["id"].as_str().unwrap().to_string();
    let handed = format!("/v1/jobs/{new}/handed-in/job.json");
    let document: Value = server.get(&handed).await.json();
    let board = &document["stocks"]["oak-board"]["boards"][0];
    assert_eq!(
        board["thickness"],
        json!(["0.74in", "0.745in"]),
        "{document}"
    );
    let side = document["parts"].as_array().unwrap().iter();
    let side = side.clone().find(|p| p["id"] == "side").unwrap();
    assert_eq!(
        (side["count"].clone(), side["mirrored"].clone()),
        (json!(1), json!(1))
    );
    let measured = json!({ "width": "219mm", "thickness": ["18.9mm"] });
    assert_eq!(side["blank"]["measured"], measured);
    for (body, pointer, words) in [
        (
            json!({ "thickness": { "oak-board@beam": 19 } }),
            "/thickness/oak-board@beam",
            "there are plank, other",
        ),
        (
            json!({ "pieces": { "sidee": { "width": 219 } } }),
            "/pieces/sidee",
            "it describes",
        ),
        (
            json!({ "pieces": { "side": { "mirrored": 3 } } }),
            "/pieces/side/mirrored",
            "3 of 2 pieces",
        ),
    ] {
        let told = server.post_json(&path, body.to_string()).await;
        assert_eq!(told.status, 422, "{}", told.text());
        let wrong = &told.json()["problems"][0];
        assert_eq!(wrong["pointer"], pointer, "{wrong}");
        assert!(
            wrong["message"].as_str().unwrap().contains(words),
            "{wrong}"
        );
    }
}

#[tokio::test]
async fn jobs_are_made_again_as_measured_and_in_part() {
    let server = Server::new().await;
    let old = server.stool("").await;
    let stock = {
        let shop: Value = serde_json::from_slice(
            &std::fs::read(super::help::example("step-stool/shop.json")).unwrap(),
        )
        .unwrap();
        let document: Value = serde_json::from_slice(&stool_document()).unwrap();
        let own = document["stocks"]
            .as_object()
            .and_then(|s| s.keys().next().cloned());
        own.or_else(|| {
            shop["stocks"]
                .as_object()
                .and_then(|s| s.keys().next().cloned())
        })
        .unwrap()
    };
    let body = json!({ "thickness": { stock: [0.79, "20.1mm"] } }).to_string();
    let path = format!("/v1/jobs/{old}/measured");
    let dry = server
        .post_json(&format!("{path}?dry-run=true"), body.clone())
        .await;
    assert_eq!(dry.status, 200, "{}", dry.text());
    let request = || {
        Request::post(&path)
            .header("content-type", "application/json")
            .header("idempotency-key", "measured-1")
    };
    let told = server.ask(request(), body.clone()).await;
    assert_eq!(told.status, 201, "{}", told.text());
    assert_eq!(told.json()["replaces"], old.to_string());
    assert_eq!(told.json()["source"], "again");
    let new: JobId = told.json()["id"].as_str().unwrap().parse().unwrap();
    let measured = body.clone();
    let again = server.ask(request(), body).await;
    assert_eq!(
        (again.status.as_u16(), again.json()["id"].clone()),
        (200, told.json()["id"].clone())
    );
    for (body, status, word) in [
        ("{\"thickness\":{}}", 422, "refused"),
        ("{\"thickness\":{\"no-wood\":20}}", 422, "refused"),
        ("{\"thicknes\":{}}", 400, "bad-body"),
        ("[", 400, "bad-body"),
    ] {
        let told = server.post_json(&path, body).await;
        assert_eq!(
            (told.status.as_u16(), told.problem().as_str()),
            (status, word),
            "{body}"
        );
    }
    let document: Value = serde_json::from_slice(&stool_document()).unwrap();
    let part = document["parts"][0]["id"].as_str().unwrap().to_string();
    let body = json!({ "parts": { part: 1 } }).to_string();
    let remake = body.clone();
    // One spoiled piece of twelve sets is one piece.
    let mut sets = document.clone();
    sets["sets"] = json!(12);
    let many = server.post_json("/v1/jobs", sets.to_string()).await;
    let many = many.json()["id"].as_str().unwrap().to_string();
    let told = server
        .post_json(&format!("/v1/jobs/{many}/remake"), body.clone())
        .await;
    assert_eq!(told.status, 201, "{}", told.text());
    let again = told.json()["id"].as_str().unwrap().to_string();
    let path = format!("/v1/jobs/{again}/handed-in/job.json");
    let again: Value = server.get(&path).await.json();
    assert!(
        again.get("only").is_some() && again.get("sets").is_none(),
        "{again}"
    );
    let told = server
        .post_json(&format!("/v1/jobs/{old}/remake"), body)
        .await;
    assert_eq!(told.status, 201, "{}", told.text());
    assert!(told.json().get("replaces").is_none());
    let told = server
        .post_json(
            &format!("/v1/jobs/{old}/remake"),
            "{\"parts\":{\"sidee\":1}}",
        )
        .await;
    assert_eq!(
        (told.status.as_u16(), told.problem()),
        (422, "refused".to_string())
    );
    let wrong = &told.json()["problems"][0];
    assert_eq!(wrong["pointer"], "/parts/sidee");
    assert!(
        wrong["message"]
            .as_str()
            .unwrap()
            .contains("there are brace, side"),
        "{wrong}"
    );
    let told = server
        .post_json(&format!("/v1/jobs/{old}/remake"), "{\"parts\":{}}")
        .await;
    assert_eq!(
        (told.status.as_u16(), told.problem().as_str()),
        (422, "refused")
    );
    // Once the wood was measured again, a part of the old thickness fits nothing.
    server.end(old, JobState::Ready, &[]).await;
    for (path, body) in [("remake", remake), ("measured", measured)] {
        let path = format!("/v1/jobs/{old}/{path}");
        let told = server.post_json(&path, body).await;
        assert_eq!(told.status, 422, "{}", told.text());
        assert!(told.text().contains(&new.to_string()), "{}", told.text());
    }
}
