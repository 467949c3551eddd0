//! Files of jobs: lists, whole files, ranges, one zip; and a store that has not what the queue says.

use super::http_help::{Server, stool_document};
use axum::body::Body;
use axum::http::Request;
use grainway_service::model::JobState;
use serde_json::json;
use std::io::{Cursor, Read};

const FILES: &[(&str, &[u8])] = &[
    ("programs/01-board-1.ngc", b"G21\nG90\nM2\n"),
    ("report.json", b"{\"format\":\"grainway.report/1\"}"),
    ("setup-sheet.html", b"<!doctype html><title>sheet</title>"),
];

#[tokio::test]
async fn files_are_fetched_whole_in_ranges_and_in_one_zip() {
    let server = Server::new().await;
    let id = server.stool("").await;
    let path = format!("/v1/jobs/{id}");
    assert_eq!(server.get(&format!("{path}/files")).await.json(), json!([]));
    for none in ["files/report.json", "files.zip", "report"] {
        let told = server.get(&format!("{path}/{none}")).await;
        assert_eq!(
            (told.status.as_u16(), told.problem().as_str()),
            (409, "not-now")
        );
        assert!(
            told.json()["detail"].as_str().unwrap().contains("queued"),
            "{}",
            told.text()
        );
    }
    server.end(id, JobState::Ready, FILES).await;
    let list = server.get(&format!("{path}/files")).await;
    let files = list.json();
    assert_eq!(files.as_array().unwrap().len(), 3);
    let csv = server.get(&format!("{path}/files?as=csv")).await.text();
    assert!(
        csv.starts_with("name,bytes,sha256\r\nprograms/01-board-1.ngc,11,"),
        "{csv}"
    );
    let kinds = [
        "text/plain; charset=utf-8",
        "application/json",
        "text/html; charset=utf-8",
    ];
    for (((name, bytes), file), kind) in FILES.iter().zip(files.as_array().unwrap()).zip(kinds) {
        let told = server.get(&format!("{path}/files/{name}")).await;
        assert_eq!(told.bytes, *bytes);
        assert_eq!(told.field("content-type"), kind);
        assert_eq!(told.field("content-length"), bytes.len().to_string());
        let tag = format!("\"{}\"", file["sha256"].as_str().unwrap());
        assert_eq!(told.field("etag"), tag);
        assert!(told.field("content-security-policy").starts_with("sandbox"));
        assert_eq!(told.field("x-content-type-options"), "nosniff");
        let request = Request::get(format!("{path}/files/{name}")).header("if-none-match", &tag);
        assert_eq!(server.ask(request, Body::empty()).await.status, 304);
    }
    let report = server.get(&format!("{path}/report")).await;
    assert_eq!(report.bytes, FILES[1].1);

    let program = format!("{path}/files/programs/01-board-1.ngc");
    let tag = server.get(&program).await.field("etag").to_string();
    let ranged = async |method: &str, range: &str, if_range: Option<&str>| {
        let mut request = Request::builder()
            .method(method)
            .uri(&program)
            .header("range", range);
        if let Some(tag) = if_range {
            request = request.header("if-range", tag);
        }
        server.ask(request, Body::empty()).await
    };
    for (range, wanted, text) in [
        ("bytes=0-2", "bytes 0-2/11", "G21"),
        ("bytes=4-", "bytes 4-10/11", "G90\nM2\n"),
        ("bytes=-3", "bytes 8-10/11", "M2\n"),
        ("bytes=8-99", "bytes 8-10/11", "M2\n"),
    ] {
        for method in ["GET", "HEAD"] {
            let told = ranged(method, range, Some(&tag)).await;
            assert_eq!(
                (told.status.as_u16(), told.field("content-range")),
                (206, wanted)
            );
            assert_eq!(told.field("content-length"), text.len().to_string());
            let body = if method == "GET" { text } else { "" };
            assert_eq!(told.text(), body);
        }
    }
    let none = ranged("GET", "bytes=11-", None).await;
    assert_eq!(
        (none.status.as_u16(), none.problem().as_str()),
        (416, "no-such-range")
    );
    assert_eq!(none.field("content-range"), "bytes */11");
    assert_eq!(
        ranged("GET", "bytes=0-2", Some("\"other\"")).await.status,
        200
    );
    assert_eq!(ranged("GET", "bytes=0-0,2-3", None).await.status, 200);

    let zip = server.get(&format!("{path}/files.zip")).await;
    assert_eq!(zip.field("content-type"), "application/zip");
    assert_eq!(
        server.get(&format!("{path}/files.zip")).await.bytes,
        zip.bytes
    );
    let mut archive = zip::ZipArchive::new(Cursor::new(zip.bytes)).unwrap();
    assert_eq!(archive.len(), 3);
    for (name, bytes) in FILES {
        let mut unpacked = Vec::new();
        archive
            .by_name(name)
            .unwrap()
            .read_to_end(&mut unpacked)
            .unwrap();
        assert_eq!(unpacked, *bytes);
    }

    let handed = server.get(&format!("{path}/handed-in")).await.json();
    let names: Vec<&str> = handed
        .as_array()
        .unwrap()
        .iter()
        .map(|f| f["name"].as_str().unwrap())
        .collect();
    assert_eq!(names, ["job.json", "workshop"]);
    let told = server.get(&format!("{path}/handed-in/job.json")).await;
    assert_eq!(told.bytes, stool_document());
    assert!(told.field("content-disposition").starts_with("attachment"));
}

#[tokio::test]
async fn what_is_damaged_or_gone_in_the_store_is_no_answer() {
    let server = Server::new().await;
    let id = server.stool("").await;
    let job = server.end(id, JobState::Ready, FILES).await;
    let attempt = job.output.unwrap();
    let folder = server
        .shared
        .config
        .data
        .join(format!("files/jobs/{id}/out/{attempt}"));
    // The same size, other bytes: a zip breaks off, so that nobody takes it for whole.
    let address = server.listen().await;
    grainway_client::outgoing::use_ring();
    let client = reqwest::Client::builder().no_proxy().build().unwrap();
    let zip = async || {
        let url = format!("http://{address}/v1/jobs/{id}/files.zip");
        client.get(url).send().await.unwrap().bytes().await
    };
    assert!(zip().await.is_ok());
    let mut other = FILES[2].1.to_vec();
    other[0] ^= 1;
    std::fs::write(folder.join("setup-sheet.html"), &other).unwrap();
    assert!(zip().await.is_err());
    std::fs::write(folder.join("report.json"), b"{}").unwrap();
    let told = server.get(&format!("/v1/jobs/{id}/report")).await;
    assert_eq!(
        (told.status.as_u16(), told.problem().as_str()),
        (500, "failed")
    );
    std::fs::remove_file(folder.join("report.json")).unwrap();
    let told = server.get(&format!("/v1/jobs/{id}/report")).await;
    assert_eq!(
        (told.status.as_u16(), told.problem().as_str()),
        (500, "failed")
    );
}
