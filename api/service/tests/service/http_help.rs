//! A server for the tests of the HTTP API: its routes in process, or on a port of this machine. No worker runs: jobs end as a test says.

use super::help::{Fresh, example};
use super::{databases::sqlite, help, in_process};
use axum::Router;
use axum::body::{Body, Bytes};
use axum::extract::ConnectInfo;
use axum::http::{HeaderMap, Request, StatusCode};
use grainway_service::config::Config;
use grainway_service::files::{FilePlace, Files, FilesUrl};
use grainway_service::http::{router, serve};
use grainway_service::model::{Job, JobEnd, JobId, JobState, Side, Summary};
use grainway_service::store::Store;
use grainway_service::{Shared, SharedArc};
use serde_json::Value;
use std::io::{Cursor, Write};
use std::net::SocketAddr;
use std::path::Path;
use std::sync::Arc;
use tower::ServiceExt;
use zip::write::SimpleFileOptions;

/// A server and its folder.
pub struct Server {
    pub shared: SharedArc,
    pub router: Router,
    _folder: Fresh,
}

/// An answer with its body.
pub struct Told {
    pub status: StatusCode,
    pub fields: HeaderMap,
    pub bytes: Bytes,
}

impl Told {
    pub fn json(&self) -> Value {
        serde_json::from_slice(&self.bytes)
            .unwrap_or_else(|e| panic!("{}: {e}: {}", self.status, self.text()))
    }

    pub fn text(&self) -> String {
        String::from_utf8_lossy(&self.bytes).into_owned()
    }

    pub fn field(&self, name: &str) -> &str {
        self.fields.get(name).map_or("", |v| v.to_str().unwrap())
    }

    /// The problem's word, after a look at all that every problem has.
    #[track_caller]
    pub fn problem(&self) -> String {
        assert_eq!(
            self.field("content-type"),
            "application/problem+json",
            "{} {}",
            self.status,
            self.text()
        );
        let told = self.json();
        assert_eq!(told["status"], self.status.as_u16());
        for key in ["title", "detail", "instance", "type"] {
            assert!(told[key].as_str().is_some_and(|t| !t.is_empty()), "{told}");
        }
        let instance = told["instance"].as_str().unwrap();
        assert_eq!(
            instance,
            format!("urn:uuid:{}", self.field("x-request-id")),
            "{told}"
        );
        assert!(told["problems"].is_array());
        let kind = told["type"].as_str().unwrap();
        kind.strip_prefix("/problems/").unwrap().to_string()
    }
}

impl Server {
    /// With the settings of a small workshop.
    pub async fn new() -> Server {
        Server::with(|_| {}).await
    }

    /// With other settings.
    pub async fn with(change: impl FnOnce(&mut Config)) -> Server {
        let folder = super::databases::in_memory();
        let store = sqlite(&folder).await;
        Server::around(folder, store, change)
    }

    /// Around a queue.
    pub fn around(folder: Fresh, store: Store, change: impl FnOnce(&mut Config)) -> Server {
        let mut config = Config {
            data: folder.to_path_buf(),
            shops: [("workshop".to_string(), example("step-stool/shop.json"))].into(),
            ..Config::default()
        };
        change(&mut config);
        let files = Files::open(&FilesUrl::Folder(folder.join("files"))).unwrap();
        let shared = Arc::new(in_process::shared(
            config,
            store,
            files,
            help::job_program(),
        ));
        Server {
            router: router(Arc::clone(&shared)),
            shared,
            _folder: folder,
        }
    }

    /// Asks as a program of this machine.
    pub async fn ask(&self, request: axum::http::request::Builder, body: impl Into<Body>) -> Told {
        self.ask_from("127.0.0.1:50000", request, body).await
    }

    /// Asks from an address.
    pub async fn ask_from(
        &self,
        peer: &str,
        request: axum::http::request::Builder,
        body: impl Into<Body>,
    ) -> Told {
        let mut request = request.body(body.into()).unwrap();
        let peer: SocketAddr = peer.parse().unwrap();
        request.extensions_mut().insert(ConnectInfo(peer));
        if !request.headers().contains_key("host") {
            let host = "127.0.0.1:4750".parse().unwrap();
            request.headers_mut().insert("host", host);
        }
        let answer = self.router.clone().oneshot(request).await.unwrap();
        let (parts, body) = answer.into_parts();
        Told {
            status: parts.status,
            fields: parts.headers,
            bytes: axum::body::to_bytes(body, 1 << 30).await.unwrap(),
        }
    }

    pub async fn get(&self, path: &str) -> Told {
        self.ask(Request::get(path), Body::empty()).await
    }

    pub async fn post(&self, path: &str) -> Told {
        self.ask(Request::post(path), Body::empty()).await
    }

    pub async fn post_json(&self, path: &str, body: impl Into<Body>) -> Told {
        let request = Request::post(path).header("content-type", "application/json");
        self.ask(request, body).await
    }

    /// Jobs that the list of jobs has on its first page.
    pub async fn count_of_jobs(&self) -> usize {
        self.get("/v1/jobs").await.json().as_array().unwrap().len()
    }

    /// Hands the step stool in.
    pub async fn stool(&self, query: &str) -> JobId {
        let told = self
            .post_json(&format!("/v1/jobs{query}"), stool_document())
            .await;
        assert_eq!(told.status, 201, "{}", told.text());
        told.json()["id"].as_str().unwrap().parse().unwrap()
    }

    /// Lets a job end with these files, and all that wait before it.
    pub async fn end(&self, id: JobId, state: JobState, files: &[(&str, &[u8])]) -> Job {
        loop {
            let ended = end_next(&self.shared, state, files).await;
            let job = ended.expect("the job waits");
            if job.id == id {
                return job;
            }
        }
    }

    /// Serves on a port of this machine until dropped or stopped.
    pub async fn listen(&self) -> SocketAddr {
        let listener = tokio::net::TcpListener::bind("127.0.0.1:0").await.unwrap();
        let address = listener.local_addr().unwrap();
        tokio::spawn(serve(Arc::clone(&self.shared), listener));
        address
    }
}

/// The step stool's document, its shop one that the server keeps.
pub fn stool_document() -> Vec<u8> {
    let text = std::fs::read(help::example("step-stool/job.json")).unwrap();
    let mut value: Value = serde_json::from_slice(&text).unwrap();
    value["shop"] = "workshop".into();
    serde_json::to_vec(&value).unwrap()
}

/// All files of an example by name.
pub fn example_files(name: &str) -> Vec<(String, Vec<u8>)> {
    fn walk(folder: &Path, prefix: &str, files: &mut Vec<(String, Vec<u8>)>) {
        for entry in std::fs::read_dir(folder).unwrap() {
            let entry = entry.unwrap();
            let name = format!("{prefix}{}", entry.file_name().to_str().unwrap());
            match entry.file_type().unwrap().is_dir() {
                true => walk(&entry.path(), &format!("{name}/"), files),
                false => files.push((name, std::fs::read(entry.path()).unwrap())),
            }
        }
    }
    let mut files = Vec::new();
    walk(&example(name), "", &mut files);
    files.sort();
    files
}

/// A zip of these files.
pub fn zipped<N: AsRef<str>, B: AsRef<[u8]>>(files: &[(N, B)]) -> Vec<u8> {
    let mut zip = zip::ZipWriter::new(Cursor::new(Vec::new()));
    for (name, bytes) in files {
        zip.start_file(name.as_ref(), SimpleFileOptions::default())
            .unwrap();
        zip.write_all(bytes.as_ref()).unwrap();
    }
    zip.finish().unwrap().into_inner()
}

/// A form of fields: name, file name, bytes.
pub fn form(fields: &[(&str, Option<&str>, &[u8])]) -> (String, Vec<u8>) {
    let boundary = "a-boundary-of-tests";
    let mut body = Vec::new();
    for (name, file, bytes) in fields {
        let file = file
            .map(|f| format!("; filename=\"{f}\""))
            .unwrap_or_default();
        let head = format!(
            "--{boundary}\r\nContent-Disposition: form-data; name=\"{name}\"{file}\r\n\r\n"
        );
        body.extend_from_slice(head.as_bytes());
        body.extend_from_slice(bytes);
        body.extend_from_slice(b"\r\n");
    }
    body.extend_from_slice(format!("--{boundary}--\r\n").as_bytes());
    (format!("multipart/form-data; boundary={boundary}"), body)
}

/// Lets the next job that waits end with these files, also one that is to wait for years.
pub async fn end_next(shared: &Shared, state: JobState, files: &[(&str, &[u8])]) -> Option<Job> {
    let store = &shared.store;
    let now = shared.now();
    // The last moment of 9998.
    let late = 253_370_764_799_000;
    let claimed = store.claim(shared.owner, late, late, true).await;
    let claimed = claimed.unwrap()?;
    let attempt = uuid::Uuid::new_v4().to_string();
    let mut stored = Vec::new();
    for (name, bytes) in files {
        let place = FilePlace {
            job: claimed.job.id,
            side: Side::Out,
            attempt: Some(&attempt),
            name,
        };
        let bytes = Bytes::copy_from_slice(bytes);
        stored.push(shared.files.put(&place, bytes).await.unwrap());
    }
    let end = JobEnd {
        state,
        summary: Summary {
            sentence: "=made".to_string(),
            machine: Some("router".to_string()),
            parts: 5,
            ..Summary::default()
        },
        output: (!stored.is_empty()).then_some(attempt),
        files: stored,
        lost: false,
    };
    assert!(store.complete(&claimed.claim, &end, now).await.unwrap());
    shared.stir();
    store.job(claimed.job.id).await.unwrap()
}
