//! What callers hand in is not believed: names, zips, sizes, depths, forms, formulas.

use super::http_help::{Server, form, stool_document, zipped};
use axum::body::{Body, Bytes};
use axum::http::Request;
use grainway_client::names::safe_name;
use grainway_service::config::ServiceLimits;
use grainway_service::http::unpack;
use serde_json::{Value, json};
use std::io::Cursor;
use zip::write::SimpleFileOptions;

/// Names that no file may have, with what is wrong with them.
fn bad_names() -> Vec<String> {
    let mut names: Vec<String> = [
        "../job.json",
        "a/../b",
        "/etc/passwd",
        "/a",
        "a//b",
        ".",
        "..",
        "./a",
        ".hidden",
        "a/.b",
        "a\\b",
        "..\\b",
        "C:\\a",
        "C:a",
        "a\u{0}b",
        "a\nb",
        "%2e%2e/a",
        "a%2fb",
        "stück",
        "a b",
        "a\u{202e}b",
        "ａ",
        "a*",
        "a?",
        "~",
        "a:b",
        "$a",
        "-/.",
        " ",
        "a ",
        "a'b",
        "a\"b",
    ]
    .map(String::from)
    .into();
    names.push("a".repeat(81));
    names.push(vec!["a".repeat(80); 5].join("/"));
    names
}

#[tokio::test]
async fn no_name_leads_out_of_a_jobs_folder() {
    let server = Server::new().await;
    let id = server.stool("").await;
    let job = server
        .end(
            id,
            grainway_service::model::JobState::Ready,
            &[("a", b"1"), ("b/c", b"2")],
        )
        .await;
    assert!(job.output.is_some());
    let stool = stool_document();
    for name in bad_names() {
        // In zips.
        let zip = zipped(&[("job.json", stool.as_slice()), (&name, b"x")]);
        let request = Request::post("/v1/jobs").header("content-type", "application/zip");
        let told = server.ask(request, zip).await;
        assert_eq!(told.status, 422, "{name:?}: {}", told.text());
        assert_eq!(told.problem(), "refused", "{name:?}");
        assert_eq!(told.json()["problems"][0]["code"], "bad-name");
        // In forms; a quote cannot stand in the header field as it is.
        if !name.contains(['"', '\n', '\0', '\\']) {
            let (kind, body) = form(&[("document", None, &stool), ("f", Some(&name), b"x")]);
            let request = Request::post("/v1/jobs").header("content-type", kind);
            let told = server.ask(request, body).await;
            assert_eq!(
                (told.status.as_u16(), told.problem().as_str()),
                (422, "refused"),
                "{name:?}"
            );
        }
        // In addresses, as they are and encoded once and twice.
        let once: String = name.bytes().map(|b| format!("%{b:02x}")).collect();
        let twice = once.replace('%', "%25");
        let mut asked = vec![once, twice];
        if name.parse::<axum::http::uri::PathAndQuery>().is_ok() && !name.contains('?') {
            asked.push(name.clone());
        }
        for name in asked {
            for side in ["files", "handed-in"] {
                let told = server.get(&format!("/v1/jobs/{id}/{side}/{name}")).await;
                assert_eq!(told.status, 404, "{side}/{name}");
                told.problem();
            }
        }
    }
    // Encoded slashes name the same file, in its folder.
    assert_eq!(
        server
            .get(&format!("/v1/jobs/{id}/files/b%2fc"))
            .await
            .text(),
        "2"
    );
    assert!(
        bad_names()
            .iter()
            .all(|n| !n.split('/').all(safe_name) || n.len() > 320)
    );
    let (kind, body) = form(&[
        ("document", None, &stool),
        ("f", Some("a"), b"1"),
        ("f", Some("a/b"), b"2"),
    ]);
    let request = Request::post("/v1/jobs").header("content-type", kind);
    let told = server.ask(request, body).await;
    assert_eq!(
        (told.status.as_u16(), told.problem().as_str()),
        (422, "refused")
    );
    let (kind, body) = form(&[
        ("document", None, &stool),
        ("f", Some("a"), b"1"),
        ("f", Some("a"), b"2"),
    ]);
    let request = Request::post("/v1/jobs").header("content-type", kind);
    let told = server.ask(request, body).await;
    assert_eq!(
        told.json()["problems"][0]["code"],
        "twice",
        "{}",
        told.text()
    );
}

fn small_limits() -> ServiceLimits {
    ServiceLimits {
        unpacked_mib: 1,
        files: 5,
        ..ServiceLimits::default()
    }
}

fn unpacked(zip: Vec<u8>) -> Result<usize, (u16, String)> {
    match unpack(Bytes::from(zip), &small_limits()) {
        Ok(files) => Ok(files.len()),
        Err(e) => Err((e.kind().status, e.kind().word.to_string())),
    }
}

#[test]
fn zips_are_counted_and_not_believed() {
    assert_eq!(unpacked(zipped(&[("a/b", "1"), ("a/c", "2")])), Ok(2));
    assert_eq!(unpacked(zipped::<&str, &str>(&[])), Ok(0));
    // A bomb: 64 MiB of zeros in 64 KiB.
    let bomb = zipped(&[("a", vec![0; 64 << 20])]);
    assert!(bomb.len() < 128 << 10);
    let large = Err((413, "too-large".to_string()));
    assert_eq!(unpacked(bomb.clone()), large);
    // One whose header says that it is small: sizes stand in the local and the central header.
    let mut liar = bomb;
    let size = (64_u32 << 20).to_le_bytes();
    let mut changed = 0;
    for at in 0..liar.len() - 4 {
        if liar[at..at + 4] == size {
            liar[at..at + 4].copy_from_slice(&100_u32.to_le_bytes());
            changed += 1;
        }
    }
    assert!(changed >= 2);
    assert!(unpacked(liar).is_err());
    // Several that are too large together.
    let half = vec![7; 600 << 10];
    assert_eq!(unpacked(zipped(&[("a", &half), ("b", &half)])), large);
    // Too many, folders too.
    let many: Vec<(String, &str)> = (0..6).map(|n| (n.to_string(), "")).collect();
    assert_eq!(unpacked(zipped(&many)), large);
    let mut folders = zip::ZipWriter::new(Cursor::new(Vec::new()));
    for n in 0..100 {
        folders
            .add_directory(format!("d{n}"), SimpleFileOptions::default())
            .unwrap();
    }
    assert_eq!(unpacked(folders.finish().unwrap().into_inner()), large);
    // A zip in a zip is a file like any other, whatever is in it.
    let nested = zipped(&[("a", vec![0; 64 << 20])]);
    assert_eq!(unpacked(zipped(&[("n.zip", nested)])), Ok(1));
    // More entries than any job has files, which costs no more than a look at their list.
    let crowd: Vec<(String, &str)> = (0..60_000).map(|n| (n.to_string(), "")).collect();
    let (crowd, begun) = (zipped(&crowd), std::time::Instant::now());
    assert_eq!(unpacked(crowd), large);
    assert!(begun.elapsed().as_secs() < 10);
    // No zip, half a zip, a damaged one.
    let bad = Err((400, "bad-body".to_string()));
    assert_eq!(unpacked(b"PK".to_vec()), bad);
    assert_eq!(unpacked(Vec::new()), bad);
    let whole = zipped(&[(
        "a",
        "some words that are packed, some words that are packed",
    )]);
    assert_eq!(unpacked(whole[..whole.len() / 2].to_vec()), bad);
    let mut damaged = whole.clone();
    damaged[34] ^= 0x55;
    assert!(unpacked(damaged).is_err());
    // A link.
    let mut link = zip::ZipWriter::new(Cursor::new(Vec::new()));
    link.add_symlink("a", "/etc/passwd", SimpleFileOptions::default())
        .unwrap();
    let refused = Err((422, "refused".to_string()));
    // A pipe and a device: the mode's upper bits, in the central header alone.
    for kind in [0o010_000_u32, 0o020_000, 0o060_000] {
        let options = SimpleFileOptions::default().unix_permissions(0o644);
        let mut odd = zip::ZipWriter::new(Cursor::new(Vec::new()));
        odd.start_file("a", options).unwrap();
        let mut odd = odd.finish().unwrap().into_inner();
        let central = odd.windows(4).position(|w| w == b"PK\x01\x02").unwrap();
        // External attributes (APPNOTE 4.4.15): the mode is their upper half.
        odd[central + 40..central + 42].copy_from_slice(&((kind | 0o644) as u16).to_le_bytes());
        assert_eq!(unpacked(odd), refused, "{kind:o}");
    }
    assert_eq!(unpacked(link.finish().unwrap().into_inner()), refused);
    // The same name twice: the writer refuses that, so one is renamed afterwards.
    let mut twice = zipped(&[("aaaa", "1"), ("bbbb", "2")]);
    for at in 0..twice.len() - 4 {
        if &twice[at..at + 4] == b"bbbb" {
            twice[at..at + 4].copy_from_slice(b"aaaa");
        }
    }
    assert_eq!(unpacked(twice), refused);
}

#[test]
fn every_cut_and_flipped_zip_is_an_answer() {
    let whole = zipped(&[
        ("job.json", "{\"parts\": []}"),
        ("a/b", "words words words"),
    ]);
    let mut answered = 0;
    for at in 0..whole.len() {
        let _ = unpacked(whole[..at].to_vec());
        for bit in [0x01, 0x80, 0xff] {
            let mut flipped = whole.clone();
            flipped[at] ^= bit;
            let _ = unpacked(flipped);
            answered += 1;
        }
    }
    assert_eq!(answered, 3 * whole.len());
}

#[tokio::test]
async fn bodies_are_limited_in_size_and_depth() {
    let server = Server::with(|c| {
        c.limits.body_mib = 1;
        c.limits.json_depth = 20;
    })
    .await;
    let large = vec![b' '; (1 << 20) + 1];
    for kind in [
        "application/json",
        "application/zip",
        "multipart/form-data; boundary=x",
    ] {
        let request = Request::post("/v1/jobs").header("content-type", kind);
        let told = server.ask(request, large.clone()).await;
        assert_eq!(
            (told.status.as_u16(), told.problem().as_str()),
            (413, "too-large"),
            "{kind}"
        );
    }
    // Without a length: counted as it comes.
    let pieces = (0..40).map(|_| Ok::<_, std::io::Error>(Bytes::from(vec![b' '; 64 << 10])));
    let request = Request::post("/v1/jobs").header("content-type", "application/json");
    let body = Body::from_stream(futures_util::stream::iter(pieces));
    let told = server.ask(request, body).await;
    assert_eq!(
        (told.status.as_u16(), told.problem().as_str()),
        (413, "too-large")
    );
    // Small documents of the API have a limit of their own.
    let told = server.post_json("/v1/tokens", vec![b' '; 300 << 10]).await;
    assert_eq!(
        (told.status.as_u16(), told.problem().as_str()),
        (413, "too-large")
    );

    let deep = |n: usize| format!("{{\"a\":{}{}}}", "[".repeat(n), "]".repeat(n));
    let told = server.post_json("/v1/jobs", deep(20)).await;
    assert_eq!(
        (told.status.as_u16(), told.problem().as_str()),
        (400, "bad-body")
    );
    assert_eq!(told.json()["problems"][0]["code"], "too-deep");
    assert_eq!(
        server.post_json("/v1/jobs", deep(19)).await.problem(),
        "documents"
    );
    let far = deep(200_000);
    let zip = zipped(&[("job.json", far.as_bytes())]);
    let request = Request::post("/v1/jobs").header("content-type", "application/zip");
    assert_eq!(server.ask(request, zip).await.problem(), "bad-body");
    let (kind, body) = form(&[("options", None, far.as_bytes())]);
    let request = Request::post("/v1/jobs").header("content-type", kind);
    assert_eq!(server.ask(request, body).await.problem(), "bad-body");
    assert_eq!(
        server.post_json("/v1/tokens", deep(50_000)).await.problem(),
        "bad-body"
    );
}

#[tokio::test]
async fn forms_that_are_none_are_told() {
    let server = Server::new().await;
    let stool = stool_document();
    for kind in ["multipart/form-data", "multipart/form-data; boundary=other"] {
        let (_, body) = form(&[("document", None, &stool)]);
        let request = Request::post("/v1/jobs").header("content-type", kind);
        let told = server.ask(request, body).await;
        assert_eq!(
            (told.status.as_u16(), told.problem().as_str()),
            (400, "bad-body"),
            "{kind}"
        );
    }
    type Fields<'f> = Vec<(&'f str, Option<&'f str>, &'f [u8])>;
    let cases: [(Fields, &str, &str); 5] = [
        (vec![("other", None, b"x")], "refused", "unknown-field"),
        (
            vec![("options", None, b"{\"prio\": 1}")],
            "bad-body",
            "bad-json",
        ),
        (vec![("options", None, b"[")], "bad-body", "bad-json"),
        (
            vec![("options", None, b"{}"), ("options", None, b"{}")],
            "refused",
            "twice",
        ),
        (vec![], "refused", "refused"),
    ];
    for (fields, word, code) in cases {
        let (kind, body) = form(&fields);
        let request = Request::post("/v1/jobs").header("content-type", kind);
        let told = server.ask(request, body).await;
        assert_eq!(
            (
                told.problem().as_str(),
                told.json()["problems"][0]["code"].as_str().unwrap()
            ),
            (word, code)
        );
    }
}

#[tokio::test]
async fn formulas_in_names_stay_text_in_tables() {
    let server = Server::new().await;
    let mut document: Value = serde_json::from_slice(&stool_document()).unwrap();
    document["name"] = json!("=HYPERLINK(\"http://elsewhere.example\")");
    let told = server
        .post_json("/v1/jobs?batch=%2B1%2B1", document.to_string())
        .await;
    assert_eq!(told.status, 201, "{}", told.text());
    let text = server.get("/v1/jobs?as=csv").await.text();
    assert!(
        text.contains(",\"'=HYPERLINK(\"\"http://elsewhere.example\"\")\","),
        "{text}"
    );
    assert!(text.contains(",'+1+1,"), "{text}");
}
