//! The description of the API against the routes that there are.

use super::http_help::Server;
use axum::body::Body;
use axum::http::Request;
use grainway_service::http::problem::KINDS;
use grainway_service::http::{ROUTES, SCHEMAS, openapi_document};
use serde_json::Value;
use std::collections::BTreeSet;

const METHODS: [&str; 7] = ["GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "OPTIONS"];

fn path_of(path: &str) -> String {
    path.replace("{id}", "019302f4-9a1c-7000-8000-000000000000")
        .replace("{*name}", "{name}")
        .replace("{name}", "a")
        .replace("{word}", "a")
}

#[tokio::test]
async fn every_path_and_method_that_is_described_is_there_and_no_other() {
    let server = Server::new().await;
    let document = server.get("/openapi.json").await.json();
    assert_eq!(document, openapi_document());
    let paths = document["paths"].as_object().unwrap();
    let described: usize = paths.values().map(|p| p.as_object().unwrap().len()).sum();
    assert_eq!(described, ROUTES.len(), "the table has a route twice");
    for (path, methods) in paths {
        for method in METHODS {
            let has = |m: &str| methods.get(m.to_ascii_lowercase()).is_some();
            let described = has(method) || method == "HEAD" && has("GET");
            let method_asked = if path.ends_with("/events") && method == "GET" {
                "HEAD"
            } else {
                method
            };
            let request = Request::builder().method(method_asked).uri(path_of(path));
            let told = server.ask(request, Body::empty()).await;
            assert_eq!(
                told.status != 405,
                described,
                "{method} {path}: {}",
                told.status
            );
            if method != "HEAD" && method_asked == method && told.status.is_client_error() {
                told.problem();
            }
            // Every status that comes is described.
            let operation = &methods[if method == "HEAD" {
                "get".to_string()
            } else {
                method.to_ascii_lowercase()
            }];
            if described {
                let status = told.status.as_u16().to_string();
                assert!(
                    operation["responses"].get(&status).is_some(),
                    "{method} {path}: {status}"
                );
            } else {
                let allowed: BTreeSet<String> = told
                    .field("allow")
                    .split(',')
                    .map(|m| m.trim().to_ascii_lowercase())
                    .collect();
                let known: BTreeSet<String> =
                    methods.as_object().unwrap().keys().cloned().collect();
                assert_eq!(
                    allowed
                        .into_iter()
                        .filter(|m| m != "head")
                        .collect::<BTreeSet<_>>(),
                    known
                );
            }
        }
    }
    // Addresses beside the table are none.
    for path in [
        "/v1",
        "/v1/",
        "/v1/jobs/",
        "/v2/jobs",
        "/openapi.yaml",
        "/v1/jobs/a/b",
    ] {
        assert_eq!(server.get(path).await.status, 404, "{path}");
    }
}

#[test]
fn words_are_there_once_and_every_reference_leads_somewhere() {
    let words: BTreeSet<&str> = ROUTES.iter().map(|r| r.word).collect();
    assert_eq!(words.len(), ROUTES.len());
    let kinds: BTreeSet<&str> = KINDS.iter().map(|k| k.word).collect();
    assert_eq!(kinds.len(), KINDS.len());
    assert!(KINDS.windows(2).all(|k| k[0].status <= k[1].status));
    let document = openapi_document();
    fn walk(value: &Value, found: &mut Vec<String>) {
        match value {
            Value::Object(map) => {
                if let Some(Value::String(to)) = map.get("$ref") {
                    found.push(to.clone());
                }
                map.values().for_each(|v| walk(v, found));
            }
            Value::Array(all) => all.iter().for_each(|v| walk(v, found)),
            _ => {}
        }
    }
    let mut found = Vec::new();
    walk(&document, &mut found);
    assert!(found.len() > 100);
    for to in found {
        let pointer = to.strip_prefix('#').unwrap();
        assert!(document.pointer(pointer).is_some(), "{to}");
    }
    // Every problem that a route can have is described with its status.
    for route in ROUTES {
        let path = route.path.replace("{*", "{");
        let method = route.method.to_ascii_lowercase();
        for kind in route.problems {
            let responses = &document["paths"][&path][&method]["responses"];
            assert!(
                responses.get(kind.status.to_string()).is_some(),
                "{path} {}",
                kind.word
            );
        }
        for name in path.split('{').skip(1).filter_map(|p| p.split('}').next()) {
            assert!(
                route.parameters.iter().any(|p| p.name == name),
                "{path} {name}"
            );
        }
    }
}

#[tokio::test]
async fn problems_and_schemas_are_told_by_name() {
    let server = Server::new().await;
    for kind in KINDS {
        let told = server.get(&format!("/problems/{}", kind.word)).await.json();
        assert_eq!(told["status"], kind.status);
        assert!(told["remedy"].as_str().unwrap().ends_with('.'));
    }
    assert_eq!(server.get("/problems/none").await.problem(), "not-found");
    let names = server.get("/v1/schemas").await.json();
    assert_eq!(names.as_array().unwrap().len(), SCHEMAS.len());
    for name in names.as_array().unwrap() {
        let name = name.as_str().unwrap();
        let told = server.get(&format!("/v1/schemas/{name}")).await;
        assert_eq!(told.field("content-type"), "application/schema+json");
        assert!(
            told.json()["$schema"].as_str().unwrap().contains("2020-12"),
            "{name}"
        );
    }
    assert_eq!(server.get("/v1/schemas/none").await.problem(), "not-found");
}

#[tokio::test]
async fn answers_are_as_described() {
    let server = Server::new().await;
    let id = server.stool("").await;
    server
        .end(
            id,
            grainway_service::model::JobState::Ready,
            &[("report.json", b"{}")],
        )
        .await;
    let document = openapi_document();
    for path in [
        "/v1/jobs",
        "/v1/jobs/{id}",
        "/v1/jobs/{id}/files",
        "/health",
        "/ready",
        "/v1/tokens",
        "/v1/webhooks",
    ] {
        let told = server
            .get(&path.replace("{id}", &id.to_string()))
            .await
            .json();
        let mut schema = document["paths"][path]["get"]["responses"]["200"]["content"]
            ["application/json"]["schema"]
            .clone();
        schema["components"] = document["components"].clone();
        let reference = jsonschema::validator_for(&schema).unwrap();
        let wrong: Vec<String> = reference
            .iter_errors(&told)
            .map(|e| e.to_string())
            .collect();
        assert!(wrong.is_empty(), "{path}: {wrong:?}");
    }
}
