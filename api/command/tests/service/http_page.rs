//! The page about the API: its examples run, its table is the table of routes. And tokens on the command line beside a server.

use super::help::{Fresh, example};
use super::http_help::{Server, end_next, stool_document, zipped};
use grainway_service::http::ROUTES;
use grainway_service::model::JobState;
use serde_json::Value;
use std::process::{Command, Output};
use std::time::Duration;

const PAGE: &str = include_str!("../../../../docs/api.md");

/// The job that the description has for an example: its shop is one that the server keeps.
fn example_job() -> Value {
    let document = grainway_service::http::openapi_document();
    let body = &document["paths"]["/v1/jobs"]["post"]["requestBody"]["content"];
    body["application/json"]["schema"]["examples"][0].clone()
}

/// A command beside a server that goes on.
async fn run(mut command: Command) -> Output {
    tokio::task::spawn_blocking(move || command.output().unwrap())
        .await
        .unwrap()
}

#[tokio::test(flavor = "multi_thread")]
async fn every_example_of_the_page_works() {
    let blocks: Vec<&str> = PAGE
        .split("```sh\n")
        .skip(1)
        .map(|b| b.split("```").next().unwrap())
        .collect();
    assert!(blocks.len() >= 10);
    assert!(
        Command::new("curl").arg("--version").output().is_ok(),
        "curl is missing; ./test installs it"
    );
    let server = Server::new().await;
    let address = server.listen().await;
    let shared = server.shared.clone();
    let maker = tokio::spawn(async move {
        let files: &[(&str, &[u8])] =
            &[("report.json", b"{}"), ("programs/01-board-1.ngc", b"M2\n")];
        loop {
            end_next(&shared, JobState::Ready, files).await;
            tokio::time::sleep(Duration::from_millis(50)).await;
        }
    });
    let folder = Fresh::new();
    let job = example_job().to_string();
    std::fs::write(folder.join("job.json"), &job).unwrap();
    std::fs::copy(example("step-stool/shop.json"), folder.join("shop.json")).unwrap();
    let zip = zipped(&[("stool/job.json", job.as_bytes())]);
    std::fs::write(folder.join("job.zip"), zip).unwrap();
    let mut script = String::from("set -eu\n");
    for block in &blocks {
        script.push_str(&block.replace("http://127.0.0.1:4750", &format!("http://{address}")));
        script.push_str("echo; echo block-done\n");
    }
    let mut command = Command::new("bash");
    command
        .args(["-c", &script])
        .current_dir(&*folder)
        .env("NO_PROXY", "*");
    let output = run(command).await;
    maker.abort();
    let said = String::from_utf8_lossy(&output.stdout);
    let shown = format!("{said}\n{}", String::from_utf8_lossy(&output.stderr));
    assert!(output.status.success(), "{shown}");
    assert_eq!(said.matches("block-done").count(), blocks.len());
    // What the examples did, seen from the other side.
    let jobs = server
        .shared
        .store
        .jobs(&grainway_service::store::JobFilter {
            limit: 100,
            ..Default::default()
        })
        .await
        .unwrap();
    assert_eq!(jobs.len(), 6, "{shown}");
    assert_eq!(
        std::fs::read(folder.join("01-board-1.ngc")).unwrap(),
        b"M2\n"
    );
    let zips = std::fs::read_dir(&*folder).unwrap().filter(|e| {
        e.as_ref()
            .unwrap()
            .path()
            .extension()
            .is_some_and(|e| e == "zip")
    });
    assert_eq!(zips.count(), 2);
    assert_eq!(server.shared.store.tokens().await.unwrap().len(), 1);
}

/// The job document of a job.
async fn document_of(server: &Server, id: &str) -> Value {
    let path = format!("/v1/jobs/{id}/handed-in/job.json");
    server.get(&path).await.json()
}

/// Lengths that count on a reading follow it when the wood is measured again.
#[tokio::test(flavor = "multi_thread")]
async fn lengths_follow_the_wood_as_it_is_measured() {
    let server = Server::new().await;
    let address = server.listen().await;
    let mut job = example_job();
    job["shop"] = "workshop".into();
    job["lengths"] = serde_json::json!({ "housing": "stock.oak-19 + 0.2mm" });
    job["parts"] = serde_json::json!([{
        "id": "side", "stock": "oak-19", "blank": { "length": "400mm", "width": "housing * 10" }
    }]);
    let told = server.post_json("/v1/jobs", job.to_string()).await;
    assert_eq!(told.status, 201, "{}", told.text());
    let old = told.json()["id"].as_str().unwrap().to_string();
    let mut command = Command::new(env!("CARGO_BIN_EXE_grainway"));
    command.args(["measured", &old, "--thickness", "oak-19=18.9mm,19.3mm"]);
    command.args(["--server", &format!("http://{address}")]);
    let output = run(command).await;
    assert_eq!(output.status.code(), Some(0), "{output:?}");
    let newer = String::from_utf8(output.stdout).unwrap();
    let path = format!("/v1/jobs/{}/handed-in/job.json", newer.trim());
    let document = server.get(&path).await.text();
    let read = grainway_pipeline::doc::read_job(document.as_bytes()).unwrap();
    let is = |mm: f64, wanted: f64| assert!((mm - wanted).abs() < 1e-9, "{mm}");
    is(read.lengths["housing"].mm(), 19.5);
    is(read.parts[0].blank.as_ref().unwrap().width.mm(), 195.0);
}

/// In the morning: the wood turned out otherwise, a part was spoiled. The commands do what the routes do.
#[tokio::test(flavor = "multi_thread")]
async fn measured_and_remake_are_commands() {
    let server = Server::new().await;
    let address = server.listen().await;
    let old = server.stool("").await;
    let program: &[(&str, &[u8])] = &[("programs/01-board-1.ngc", b"M2\n")];
    server.end(old, JobState::Ready, program).await;
    let grainway = |arguments: &[&str]| {
        let mut command = Command::new(env!("CARGO_BIN_EXE_grainway"));
        command.args(arguments);
        command.args(["--server", &format!("http://{address}")]);
        run(command)
    };
    let told =
        |o: &Output| String::from_utf8_lossy(&[&o.stdout[..], &o.stderr[..]].concat()).into_owned();
    let old_id = old.to_string();
    // More than 8 % off: asked, nothing made.
    let unlikely = ["measured", &old_id, "--thickness", "oak-19=25mm"];
    let output = grainway(&unlikely).await;
    assert_eq!(output.status.code(), Some(1), "{}", told(&output));
    assert!(
        told(&output).contains("more than 8 % off"),
        "{}",
        told(&output)
    );
    let output = grainway(&[
        "measured",
        &old_id,
        "--thickness",
        "oak-19=19.0mm,0.75",
        "--dry-run",
    ])
    .await;
    assert_eq!(output.status.code(), Some(0), "{}", told(&output));
    assert_eq!(server.count_of_jobs().await, 1);
    let output = grainway(&["remake", &old_id, "--part", "brace", "--part", "side=2"]).await;
    assert_eq!(output.status.code(), Some(0), "{}", told(&output));
    let spoiled = String::from_utf8(output.stdout).unwrap();
    let made = document_of(&server, spoiled.trim()).await;
    assert_eq!(made["only"], serde_json::json!({ "brace": 1, "side": 2 }));
    let confirmed = [&unlikely[..], &["--confirmed"]].concat();
    let output = grainway(&confirmed).await;
    assert_eq!(output.status.code(), Some(0), "{}", told(&output));
    let newer = String::from_utf8(output.stdout).unwrap();
    let made = document_of(&server, newer.trim()).await;
    let reading = serde_json::json!([{ "thickness": "25mm", "confirmed": true }]);
    assert_eq!(made["stocks"]["oak-19"]["thickness"], reading);
    // Until the new programs are there the old ones count; then they are stale wherever they are handed out.
    let out = Fresh::new();
    let into = |name: &str| out.join(name).display().to_string();
    let output = grainway(&["follow", &old_id]).await;
    assert_eq!(output.status.code(), Some(0), "{}", told(&output));
    server
        .end(newer.trim().parse().unwrap(), JobState::Ready, program)
        .await;
    for arguments in [
        &["follow", &old_id][..],
        &["fetch", &old_id, "--out", &into("old")],
    ] {
        let output = grainway(arguments).await;
        assert_eq!(output.status.code(), Some(1), "{}", told(&output));
        assert!(told(&output).contains(newer.trim()), "{}", told(&output));
        assert!(told(&output).contains("stale"), "{}", told(&output));
    }
    assert!(!out.join("old").exists());
    let output = grainway(&["fetch", newer.trim(), "--out", &into("new")]).await;
    assert_eq!(output.status.code(), Some(0), "{}", told(&output));
    assert!(out.join("new/programs/01-board-1.ngc").exists());
    let program = format!("/v1/jobs/{old_id}/files/programs/01-board-1.ngc");
    let refused = server.get(&program).await;
    assert_eq!(
        (refused.status.as_u16(), refused.problem().as_str()),
        (409, "stale")
    );
    assert!(refused.text().contains(newer.trim()), "{}", refused.text());
    assert_eq!(
        server.get(&format!("{program}?stale=true")).await.text(),
        "M2\n"
    );
    let zip = server.get(&format!("/v1/jobs/{old_id}/files.zip")).await;
    assert!(zip.field("content-disposition").contains("-STALE.zip"));
    let mut zip = zip::ZipArchive::new(std::io::Cursor::new(zip.bytes.clone())).unwrap();
    let mut said = String::new();
    std::io::Read::read_to_string(&mut zip.by_name("STALE.txt").unwrap(), &mut said).unwrap();
    assert!(said.contains(newer.trim()), "{said}");
    assert!(zip.by_name("programs-stale/01-board-1.ngc.txt").is_ok());
    assert!(zip.by_name("programs/01-board-1.ngc").is_err());
    // Slips of the pen never reach the service.
    for wrong in [["--thickness", "oak-19"], ["--thickness", "=19"]] {
        let output = grainway(&[&["measured", &old_id][..], &wrong].concat()).await;
        assert_eq!(output.status.code(), Some(2), "{}", told(&output));
    }
    let output = grainway(&["remake", &old_id, "--part", "brace=some"]).await;
    assert_eq!(output.status.code(), Some(2), "{}", told(&output));
}

#[tokio::test]
async fn the_error_of_the_page_is_what_comes() {
    let shown = PAGE.split("```json\n").nth(1).unwrap();
    let mut shown: Value = serde_json::from_str(shown.split("```").next().unwrap()).unwrap();
    let mut job: Value = example_job();
    job["parts"][0]["count"] = "two".into();
    let server = Server::new().await;
    let told = server.post_json("/v1/jobs", job.to_string()).await.json();
    shown["instance"] = told["instance"].clone();
    assert_eq!(told, shown);
}

#[test]
fn the_table_of_the_page_is_the_table_of_routes() {
    let rows: Vec<&str> = PAGE
        .lines()
        .skip_while(|l| *l != "## Routes")
        .filter(|l| l.starts_with("| `"))
        .collect();
    let routes: Vec<String> = ROUTES
        .iter()
        .map(|r| {
            let scope = r.scope.map(|s| format!("{s} ")).unwrap_or_default();
            format!("| `{} {}` | {scope}|", r.method, r.path)
        })
        .collect();
    assert_eq!(rows, routes);
}

#[tokio::test(flavor = "multi_thread")]
async fn tokens_are_made_on_the_command_line_while_a_server_has_the_queue() {
    let server = Server::new().await;
    let data = server.shared.config.data.clone();
    let token = async |args: &[&str]| {
        let mut command = Command::new(env!("CARGO_BIN_EXE_grainway"));
        command.arg("token").args(args).arg("--data").arg(&data);
        let output = run(command).await;
        let told = [output.stdout, output.stderr].map(|b| String::from_utf8(b).unwrap());
        (
            output.status.code().unwrap(),
            told[0].clone(),
            told[1].clone(),
        )
    };
    assert_eq!(token(&["list"]).await, (0, String::new(), String::new()));
    let (exit, text, _) = token(&["new", "desk", "--scope", "read"]).await;
    assert_eq!((exit, text.lines().count()), (0, 1));
    let id = text.split('_').nth(1).unwrap().to_string();
    tokio::time::sleep(Duration::from_millis(1100)).await;
    assert_eq!(server.get("/v1/jobs").await.status, 401);
    let request = axum::http::Request::get("/v1/jobs")
        .header("authorization", format!("Bearer {}", text.trim()));
    assert_eq!(
        server.ask(request, axum::body::Body::empty()).await.status,
        200
    );
    let request = axum::http::Request::post("/v1/jobs")
        .header("authorization", format!("Bearer {}", text.trim()));
    assert_eq!(server.ask(request, stool_document()).await.status, 403);
    let (exit, list, _) = token(&["list"]).await;
    assert!(
        exit == 0 && list.starts_with(&format!("{id}  read ")) && list.ends_with("desk\n"),
        "{list}"
    );
    assert!(!list.contains(text.trim()));
    let (exit, json, _) = token(&["list", "--json"]).await;
    let json: Value = serde_json::from_str(&json).unwrap();
    assert_eq!(
        (exit, json["tokens"][0]["scope"].as_str()),
        (0, Some("read"))
    );
    let (exit, _, why) = token(&["new", ""]).await;
    assert!(exit == 2 && why.contains("1 to 80 characters"), "{why}");
    let (exit, _, why) = token(&["remove", "none"]).await;
    assert!(exit == 1 && why.contains("grainway token list"), "{why}");
    let (exit, told, _) = token(&["remove", &id]).await;
    assert!(exit == 0 && told.contains("the last one"), "{told}");
    tokio::time::sleep(Duration::from_millis(1100)).await;
    assert_eq!(server.get("/v1/jobs").await.status, 200);
    // Where there is no queue yet, one is made.
    let folder = Fresh::new();
    let mut command = Command::new(env!("CARGO_BIN_EXE_grainway"));
    command
        .args(["token", "new", "desk", "--data"])
        .arg(folder.join("new"));
    assert_eq!(run(command).await.status.code(), Some(0));
    assert!(folder.join("new/queue.sqlite").is_file());
}
