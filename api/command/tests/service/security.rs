//! What strangers hand in that no other test has: names that are one on some drives, libraries and drawings named by a document, the
//! keys of others, formulas. `docs/security.md` lists all of what strangers try with its tests.

use super::help::{Fresh, example};
use super::http_help::{Server, form, stool_document, zipped};
use axum::http::Request;
use grainway_client::names::safe_name;
use grainway_service::model::JobState;
use grainway_service::store::tokens::Scope;
use serde_json::{Value, json};
use std::path::Path;
use std::process::Command;
use std::time::Duration;

/// Names of devices (Microsoft, "Naming Files, Paths, and Namespaces", from memory), and one whose point a drive of theirs drops.
const DEVICES: [&str; 9] = [
    "con",
    "NUL",
    "Aux.dxf",
    "prn.tar.gz",
    "com1",
    "COM9.json",
    "lpt1.svg",
    "leg.",
    "a.dxf..",
];

#[tokio::test]
async fn names_of_devices_and_names_that_are_one_on_some_drives_are_refused() {
    let server = Server::new().await;
    let stool = stool_document();
    for name in DEVICES {
        assert!(!safe_name(name), "{name}");
    }
    for name in [
        "console.dxf",
        "com.dxf",
        "com10",
        "a.nul",
        "lpt",
        "aux-1.svg",
    ] {
        assert!(safe_name(name), "{name}");
    }
    let zip = |names: &[&str]| {
        let mut files = vec![("job.json", stool.as_slice())];
        files.extend(names.iter().map(|n| (*n, &b"x"[..])));
        zipped(&files)
    };
    for names in [&["b/nul.dxf"][..], &["con/b"]] {
        let request = Request::post("/v1/jobs").header("content-type", "application/zip");
        let told = server.ask(request, zip(names)).await;
        assert_eq!(told.problem(), "refused", "{names:?}");
        assert_eq!(told.json()["problems"][0]["code"], "bad-name", "{names:?}");
    }
    // A drive that does not tell capitals apart makes one file of two, and a file in the place of a folder.
    for names in [
        &["a.dxf", "A.dxf"][..],
        &["b/c", "B/C"],
        &["D", "d/e"],
        &["JOB.json"],
    ] {
        let mut fields = vec![("document", Some("job.json"), stool.as_slice())];
        fields.extend(names.iter().map(|n| ("file", Some(*n), &b"x"[..])));
        let (kind, body) = form(&fields);
        let request = Request::post("/v1/jobs").header("content-type", kind);
        let told = server.ask(request, body).await;
        assert_eq!(told.problem(), "refused", "{names:?}");
        let request = Request::post("/v1/jobs").header("content-type", "application/zip");
        let told = server.ask(request, zip(names)).await;
        assert_eq!(told.problem(), "refused", "{names:?}");
    }
    // Two folders of the same letters are one folder, and nothing is lost.
    let request = Request::post("/v1/jobs").header("content-type", "application/zip");
    let told = server.ask(request, zip(&["f/a", "F/b"])).await;
    assert_eq!(told.status, 201, "{}", told.text());
}

/// A library that leaves a file behind when anything loads it; `None`: there is no C compiler.
fn library(place: &Path) -> Option<std::path::PathBuf> {
    let source = place.join("trap.c");
    let left = place.join("was-loaded");
    let text = format!(
        "#include <stdio.h>\n__attribute__((constructor)) static void trap(void) {{ FILE *f = fopen(\"{}\", \"w\"); if (f) fclose(f); }}\n",
        left.display()
    );
    std::fs::write(&source, text).unwrap();
    let made = place.join("trap.so");
    let ran = Command::new("cc")
        .args(["-shared", "-fPIC", "-o"])
        .arg(&made)
        .arg(&source)
        .status();
    ran.is_ok_and(|s| s.success()).then_some(made)
}

/// The service as it is installed, with one worker and these settings over the ordinary ones.
pub fn service(place: &Path, more: &Value) -> super::killed::Server {
    let mut settings = json!({
        "format": "grainway.serve/1", "data": place.join("data"), "workers": 1,
        "shops": { "workshop": example("step-stool/shop.json") },
    });
    for (key, value) in more.as_object().unwrap() {
        settings[key] = value.clone();
    }
    let config = place.join("serve.json");
    std::fs::write(&config, settings.to_string()).unwrap();
    super::killed::start(&config)
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn no_document_brings_or_names_a_library() {
    let place = Fresh::new();
    let Some(trap) = library(&place) else {
        println!("skipped: there is no C compiler");
        return;
    };
    let server = service(&place, &json!({}));
    let client = super::killed::client();
    let shop = std::fs::read(example("step-stool/shop.json")).unwrap();
    let shop: Value = serde_json::from_slice(&shop).unwrap();
    let job: Value = serde_json::from_slice(&stool_document()).unwrap();
    let bytes = std::fs::read(&trap).unwrap();
    let dialect = br#"{"format": "grainway.dialect/1", "name": "trap"}"#.as_slice();
    let hand_in = async |job: &Value, shop: &Value, options: &Value| {
        let (job, shop, options) = (job.to_string(), shop.to_string(), options.to_string());
        let (kind, body) = form(&[
            ("document", None, job.as_bytes()),
            ("options", None, options.as_bytes()),
            ("file", Some("workshop"), shop.as_bytes()),
            ("file", Some("trap.so"), &bytes),
            ("file", Some("plugins/trap.so"), &bytes),
            ("file", Some("trap.json"), dialect),
        ]);
        let request = client.post(format!("{}/v1/jobs", server.url));
        let told = request.header("content-type", kind).body(body).send().await;
        let told = told.unwrap();
        (told.status().as_u16(), told.json::<Value>().await.unwrap())
    };
    let path = trap.display().to_string();
    let names = [
        &path,
        "trap.so",
        "./trap.so",
        "../trap.so",
        "trap",
        "trap.json",
        "plugins/trap.so",
    ];
    let none = json!({});
    for name in names {
        let (mut machine, mut plugin, mut chain, mut stage) =
            (shop.clone(), job.clone(), job.clone(), job.clone());
        machine["machines"]["small-router"]["dialect"] = name.into();
        plugin["plugins"] = json!([name]);
        for (job, shop) in [(&job, &machine), (&plugin, &shop)] {
            let (status, told) = hand_in(job, shop, &none).await;
            assert_eq!(
                (status, &told["type"]),
                (422, &"/problems/documents".into()),
                "{name}: {told}"
            );
        }
        let (status, told) = hand_in(&job, &shop, &json!({ "plugins": name })).await;
        assert_eq!(
            (status, &told["type"]),
            (400, &"/problems/bad-body".into()),
            "{name}: {told}"
        );
        // Stages are looked for when the job is made.
        chain["chain"] = json!([name]);
        stage["settings"] = json!({ name: {} });
        for job in [&chain, &stage] {
            let (status, told) = hand_in(job, &shop, &none).await;
            if status == 422 {
                continue;
            }
            let at = format!(
                "{}/v1/jobs/{}?wait=60",
                server.url,
                told["id"].as_str().unwrap()
            );
            let ended = client
                .get(at)
                .timeout(Duration::from_secs(70))
                .send()
                .await
                .unwrap();
            let ended: Value = ended.json().await.unwrap();
            assert!(
                ["withheld", "failed"].contains(&ended["state"].as_str().unwrap()),
                "{name}: {ended}"
            );
        }
    }
    assert!(!place.join("was-loaded").exists(), "a library was loaded");
    // The trap does spring when something loads it.
    let python = Command::new("python3")
        .arg("-c")
        .arg(format!("import ctypes; ctypes.CDLL({path:?})"))
        .status();
    assert!(python.is_err() || place.join("was-loaded").exists());
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn drawings_come_from_what_was_handed_in_and_from_named_folders_only() {
    let place = Fresh::new();
    std::fs::create_dir_all(place.join("drawings")).unwrap();
    let rack = example("newspaper-rack/rack.svg");
    for copy in ["secret.svg", "drawings/here.svg"] {
        std::fs::copy(&rack, place.join(copy)).unwrap();
    }
    std::os::unix::fs::symlink(place.join("secret.svg"), place.join("drawings/link.svg")).unwrap();
    std::os::unix::fs::symlink(&*place, place.join("drawings/up")).unwrap();
    let server = service(
        &place,
        &json!({
            "shops": { "shop.json": example("newspaper-rack/shop.json") }, "drawings": { "library": place.join("drawings") },
        }),
    );
    let client = super::killed::client();
    let job = std::fs::read(example("newspaper-rack/job.json")).unwrap();
    let mut job: Value = serde_json::from_slice(&job).unwrap();
    let outside = place.join("secret.svg").display().to_string();
    let names = [
        outside.as_str(),
        "/etc/passwd",
        "../secret.svg",
        "library/../secret.svg",
        "library/../../secret.svg",
        "library//secret.svg",
        "library/link.svg",
        "library/up/secret.svg",
        "library/%2e%2e/secret.svg",
        "library\\..\\secret.svg",
        "Library/here.svg",
        "secret.svg",
        "file:///etc/passwd",
        "library/here.svg",
    ];
    for name in names {
        job["drawings"][0]["file"] = name.into();
        let told = client
            .post(format!("{}/v1/jobs", server.url))
            .json(&job)
            .send()
            .await
            .unwrap();
        if told.status() == 422 {
            let told = told.text().await.unwrap();
            assert!(
                told.contains("/drawings/0/file") && !told.contains("<svg"),
                "{name}: {told}"
            );
            continue;
        }
        let told: Value = told.json().await.unwrap();
        let at = format!("{}/v1/jobs/{}", server.url, told["id"].as_str().unwrap());
        let ended = client
            .get(format!("{at}?wait=60"))
            .timeout(Duration::from_secs(70));
        let ended: Value = ended.send().await.unwrap().json().await.unwrap();
        let there = client.get(format!("{at}/handed-in")).send().await.unwrap();
        let there = there.text().await.unwrap();
        // The last one is in the named folder.
        let good = name == "library/here.svg";
        assert_eq!(ended["state"] == "ready", good, "{name}: {ended}");
        assert_eq!(there.contains(".svg"), good, "{name}: {there}");
    }
}

#[tokio::test]
async fn the_same_key_of_two_tokens_is_two_keys() {
    let server = Server::new().await;
    let store = &server.shared.store;
    let mut texts = Vec::new();
    for name in ["desk", "bench"] {
        let token = store.make_token(name, Scope::Submit, 1).await.unwrap();
        texts.push(token.text);
    }
    let mut other: Value = serde_json::from_slice(&stool_document()).unwrap();
    other["name"] = "Another stool".into();
    let hand_in = async |token: &str, body: Vec<u8>| {
        let request = Request::post("/v1/jobs")
            .header("content-type", "application/json")
            .header("idempotency-key", "monday")
            .header("authorization", format!("Bearer {token}"));
        server.ask(request, body).await
    };
    let first = hand_in(&texts[0], stool_document()).await;
    // The other one's request is its own: not an answer about a job of somebody else, nor a word that there is one.
    let second = hand_in(&texts[1], other.to_string().into_bytes()).await;
    assert_eq!((first.status.as_u16(), second.status.as_u16()), (201, 201));
    assert_ne!(first.json()["id"], second.json()["id"]);
    let again = hand_in(&texts[0], stool_document()).await;
    assert_eq!(
        (again.status.as_u16(), &again.json()["id"]),
        (200, &first.json()["id"])
    );
    let again = hand_in(&texts[1], stool_document()).await;
    assert_eq!(again.problem(), "key-in-use");
}

#[tokio::test]
async fn no_table_of_ours_begins_a_formula() {
    let server = Server::new().await;
    for start in ["=", "+", "-", "@", "\t", "\r"] {
        // What is wrong with a list: the column is the caller's word.
        let list =
            format!("part,count,stock,length,width,\"{start}1+1\"\nseat,1,oak-19,300,200,x\n");
        let request =
            Request::post("/v1/lists?dry-run=true&as=csv").header("content-type", "text/csv");
        let told = server.ask(request, list.into_bytes()).await;
        assert_eq!(told.status, 200, "{}", told.text());
        let mut rows = 0;
        for record in csv::Reader::from_reader(&told.bytes[..]).records() {
            rows += 1;
            for cell in &record.unwrap() {
                assert!(
                    !cell.starts_with(['=', '+', '-', '@', '\t', '\r']),
                    "{start:?}: {cell:?}"
                );
            }
        }
        assert!(rows > 0, "{start:?}: {}", told.text());
    }
    // Files: a name may begin with a dash.
    let id = server.stool("").await;
    server
        .end(
            id,
            JobState::Ready,
            &[("-1+1.ngc".replace('+', "_").as_str(), b"x")],
        )
        .await;
    let told = server.get(&format!("/v1/jobs/{id}/files?as=csv")).await;
    assert!(told.text().contains("\n'-1_1.ngc,"), "{}", told.text());
}
