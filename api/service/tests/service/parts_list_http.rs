//! Parts lists and the night report over the HTTP API.

use super::help::example;
use super::http_help::{Server, Told, form, zipped};
use axum::body::Body;
use axum::http::Request;
use axum::http::request::Builder;
use grainway_service::config::Hours;
use grainway_service::model::{JobId, JobState, Side, Source};
use serde_json::{Value, json};

const WORKBOOK: &str = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet";
const LIST: &str = "part,count,stock,length,width\nrail,2,oak-12,300,60\n";

async fn server() -> Server {
    Server::with(|config| {
        let shop = example("from-a-sheet").join("shop.json");
        config.shops = [("workshop".to_string(), shop)].into();
        config.time_zone = Some("Europe/Vienna".to_string());
        config.hours = vec![Hours {
            from: "18:00".to_string(),
            to: "06:00".to_string(),
            days: Vec::new(),
        }];
    })
    .await
}

fn csv(path: &str) -> Builder {
    Request::post(path).header("content-type", "text/csv")
}

fn cabinet() -> Vec<u8> {
    std::fs::read(example("from-a-sheet").join("card-index-cabinet.csv")).unwrap()
}

fn ids(told: &Told) -> Vec<JobId> {
    let jobs = told.json()["jobs"].as_array().unwrap().clone();
    jobs.iter()
        .map(|j| j["id"].as_str().unwrap().parse().unwrap())
        .collect()
}

#[tokio::test]
async fn a_list_alone_becomes_jobs_of_the_only_shop() {
    let server = server().await;
    let told = server
        .ask(
            csv("/v1/lists?name=Cabinet&batch=may&priority=3&when=hours"),
            cabinet(),
        )
        .await;
    assert_eq!(told.status, 201, "{}", told.text());
    assert_eq!(told.field("location"), "/v1/jobs?batch=may");
    let told = told.json();
    let names: Vec<&str> = told["jobs"]
        .as_array()
        .unwrap()
        .iter()
        .map(|j| j["name"].as_str().unwrap())
        .collect();
    assert_eq!(names, ["Cabinet, carcase", "Cabinet, drawers"]);
    assert_eq!(told["jobs"][0]["priority"], 3);
    assert_eq!(told["jobs"][0]["source"], json!(Source::List));

    // One job has its own address; as CSV for a spreadsheet.
    let told = server.ask(csv("/v1/lists?as=csv"), LIST).await;
    assert_eq!(told.status, 201, "{}", told.text());
    assert!(
        told.field("location").starts_with("/v1/jobs/"),
        "{}",
        told.field("location")
    );
    assert!(told.text().starts_with("id,name,state,"), "{}", told.text());
    assert_eq!(told.text().lines().count(), 2);
}

#[tokio::test]
async fn a_list_comes_with_drawings_and_options_as_a_form_or_a_zip() {
    let server = server().await;
    let list = "Bauteil;Zeichnung;drawing-part;stock\nbench-end;bench-end.dxf;1;oak-18\n";
    let drawing = std::fs::read(example("reading-bench").join("bench-end.dxf")).unwrap();
    let options = json!({
        "format": "grainway.list/1",
        "columns": { "Bauteil": "part", "Zeichnung": "drawing" },
        "layers": [
            { "layer": "^outline$", "make": "outline", "depth": "through" },
            { "layer": "^mortise-through$", "make": "mortise", "depth": "through" },
            { "layer": "^handhold$", "make": "cutout" },
            { "layer": "^(engrave.*|notes)$", "ignore": true },
        ],
    })
    .to_string();
    let (kind, body) = form(&[
        ("list", Some("bench.csv"), list.as_bytes()),
        ("file", Some("bench-end.dxf"), &drawing),
        ("list-options", None, options.as_bytes()),
        ("options", None, b"{\"batch\": \"form\"}"),
    ]);
    let told = server
        .ask(
            Request::post("/v1/lists").header("content-type", kind),
            body,
        )
        .await;
    assert_eq!(told.status, 201, "{}", told.text());
    assert_eq!(told.json()["jobs"][0]["batch"], "form");
    let files = server
        .shared
        .store
        .files(ids(&told)[0], Side::In)
        .await
        .unwrap();
    let names: Vec<&str> = files.iter().map(|f| f.name.as_str()).collect();
    assert_eq!(
        names,
        [
            "bench-end.dxf",
            "bench.csv",
            "job.json",
            "parts-lists.json",
            "workshop"
        ]
    );

    let zip = zipped(&[
        ("bench.csv", list.as_bytes()),
        ("bench-end.dxf", &drawing),
        ("bench.json", options.as_bytes()),
    ]);
    let request = Request::post("/v1/lists?dry-run=true").header("content-type", "application/zip");
    let told = server.ask(request, zip).await;
    assert_eq!(told.status, 200, "{}", told.text());
    let document = &told.json()["documents"][0];
    assert_eq!(document["name"], "bench");
    assert_eq!(
        document["drawings"][0]["parts"]["bench-end/1"]["id"],
        "bench-end"
    );
    let jobs = server.get("/v1/jobs").await.json();
    assert_eq!(jobs.as_array().unwrap().len(), 1, "a dry run keeps nothing");
}

#[tokio::test]
async fn what_is_wrong_with_a_list_is_told_by_row_and_column() {
    let server = server().await;
    let wrong = |told: &Told| -> Vec<(Value, Value, String)> {
        assert_eq!(told.status, 422, "{}", told.text());
        assert_eq!(told.problem(), "documents");
        let problems = told.json()["problems"].as_array().unwrap().clone();
        problems
            .iter()
            .map(|p| {
                assert!(p["message"].is_string() && p["remedy"].is_string());
                (
                    p["row"].clone(),
                    p["column"].clone(),
                    p["code"].as_str().unwrap().to_string(),
                )
            })
            .collect()
    };
    let list = "Library\n\npart,count,stock,length (mm),width,holes\nrail,two,oak-12,300,60,\nseat,1,oak-12,300,60,8 deap 3 at 1 x 1\n";
    let told = server.ask(csv("/v1/lists"), list).await;
    assert_eq!(
        wrong(&told),
        [
            (json!(4), json!("count"), "bad-cell".to_string()),
            (json!(5), json!("holes"), "bad-cell".to_string())
        ]
    );
    // A stock that the shop has not is found when the job is made, one of the document's own faults at once.
    let list = "part,count,stock,length,width\nrail,1,oak-12,300,60\nseat,1,oak-12,-300,60\n";
    let told = server.ask(csv("/v1/lists"), list).await;
    assert_eq!(
        wrong(&told),
        [(json!(3), json!("length"), "bad-number".to_string())]
    );
    let told = server.ask(csv("/v1/lists?shop=elsewhere.json"), LIST).await;
    assert_eq!(told.status, 422);
    assert!(told.text().contains("elsewhere.json"), "{}", told.text());

    // A check as a table is good whatever it finds: spreadsheets see no other answers.
    let check = server.ask(csv("/v1/lists?dry-run=true&as=csv"), list).await;
    assert_eq!(check.status, 200, "{}", check.text());
    let lines: Vec<String> = check.text().lines().map(str::to_string).collect();
    assert_eq!(lines[0], "row,column,code,message,remedy");
    assert!(lines[1].starts_with("3,length,bad-number,"), "{lines:?}");
    let check = server
        .ask(
            csv("/v1/lists?dry-run=true&as=csv&shop=elsewhere.json"),
            LIST,
        )
        .await;
    assert!(check.text().lines().count() > 1, "{}", check.text());
    let check = server.ask(csv("/v1/lists?dry-run=true&as=csv"), LIST).await;
    assert_eq!(check.text().trim_end(), lines[0], "no fault, no row");
    assert!(check.field("content-type").starts_with("text/csv"));

    let none = server
        .ask(
            Request::post("/v1/lists").header("content-type", "application/zip"),
            zipped(&[("a.txt", "x")]),
        )
        .await;
    assert_eq!(
        (none.status.as_u16(), none.problem().as_str()),
        (422, "refused")
    );
    let two = server
        .ask(
            Request::post("/v1/lists").header("content-type", "application/zip"),
            zipped(&[("a.csv", LIST), ("b.csv", LIST)]),
        )
        .await;
    assert!(two.text().contains("2 parts lists"), "{}", two.text());
    let torn = server
        .ask(
            Request::post("/v1/lists").header("content-type", WORKBOOK),
            "no workbook",
        )
        .await;
    assert_eq!(wrong(&torn)[0].2, "unreadable-list");
    let kind = server
        .ask(
            Request::post("/v1/lists").header("content-type", "text/plain"),
            LIST,
        )
        .await;
    assert_eq!(
        (kind.status.as_u16(), kind.problem().as_str()),
        (415, "other-type")
    );
    let odd = server.ask(csv("/v1/lists?shp=x"), LIST).await;
    assert_eq!(odd.problem(), "bad-parameter");
    let (first, list) = (server.ask(csv("/v1/lists"), LIST).await, cabinet());
    let id = ids(&first)[0];
    let replacing = server
        .ask(csv(&format!("/v1/lists?replaces={id}")), list)
        .await;
    assert_eq!(replacing.problem(), "refused");
    assert_eq!(server.count_of_jobs().await, 1);
}

#[tokio::test]
async fn the_same_key_gives_the_same_jobs() {
    let server = server().await;
    let send = |path: &'static str, list: Vec<u8>| {
        server.ask(csv(path).header("idempotency-key", "monday"), list)
    };
    let first = send("/v1/lists", cabinet()).await;
    let again = send("/v1/lists", cabinet()).await;
    assert_eq!((first.status.as_u16(), again.status.as_u16()), (201, 200));
    assert_eq!(ids(&first), ids(&again));
    let other = send("/v1/lists", LIST.into()).await;
    assert_eq!(other.problem(), "key-in-use");
    let other = send("/v1/lists?name=other", cabinet()).await;
    assert_eq!(other.problem(), "key-in-use");
}

#[tokio::test]
async fn the_night_report_is_a_page_a_table_or_a_document() {
    let server = server().await;
    let told = server.ask(csv("/v1/lists"), cabinet()).await;
    let jobs = ids(&told);
    server.end(jobs[0], JobState::Ready, &[]).await;
    let told = server.ask(csv("/v1/lists"), LIST).await;
    let waits = ids(&told)[0];

    let report = server.get("/v1/night-report").await;
    assert_eq!(report.status, 200, "{}", report.text());
    let report = report.json();
    assert_eq!(report["format"], "grainway.night/1");
    assert_eq!(report["time-zone"], "Europe/Vienna");
    assert!(
        report["from"].as_str().unwrap().contains("T18:00:00+0"),
        "{report}"
    );
    assert_eq!(report["ready"][0]["job"], jobs[0].to_string());
    let waiting: Vec<&str> = report["waiting"]
        .as_array()
        .unwrap()
        .iter()
        .map(|j| j["job"].as_str().unwrap())
        .collect();
    assert!(waiting.contains(&waits.to_string().as_str()), "{report}");

    let page = server
        .ask(
            Request::get("/v1/night-report")
                .header("accept", "text/html,application/xhtml+xml;q=0.9,*/*;q=0.8"),
            Body::empty(),
        )
        .await;
    assert_eq!(page.field("content-type"), "text/html; charset=utf-8");
    assert!(
        page.field("content-security-policy")
            .contains("default-src 'none'")
    );
    assert!(page.text().contains("<b>1</b> ready"), "{}", page.text());
    let table = server.get("/v1/night-report?as=csv").await;
    assert!(table.field("content-type").starts_with("text/csv"));
    assert!(table.text().contains("'=made"), "{}", table.text());

    // A night long ago has neither jobs nor any that wait.
    let old = server
        .get("/v1/night-report?from=2020-03-28T18:00&to=2020-03-29T06:00")
        .await
        .json();
    assert_eq!(
        (old["from"].as_str(), old["to"].as_str()),
        (
            Some("2020-03-28T18:00:00+01:00"),
            Some("2020-03-29T06:00:00+02:00")
        )
    );
    assert_eq!((&old["ready"], &old["waiting"]), (&json!([]), &json!([])));
    let backwards = server
        .get("/v1/night-report?from=2020-03-29&to=2020-03-28")
        .await;
    assert_eq!(
        (backwards.status.as_u16(), backwards.problem().as_str()),
        (422, "refused")
    );
    for query in ["from=yesterday", "to=2020-13-01", "as=pdf", "since=x"] {
        let told = server.get(&format!("/v1/night-report?{query}")).await;
        assert_eq!(
            (told.status.as_u16(), told.problem().as_str()),
            (400, "bad-parameter"),
            "{query}"
        );
    }
}
