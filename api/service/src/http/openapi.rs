//! The description of the API as OpenAPI 3.1, made from the table of routes and the types' schemas.

use super::problem::{Error, KINDS, Kind, PROBLEM_JSON, ProblemDocument};
use super::request::{Asked, shown};
use super::route::{Answer, At, COMMON_PROBLEMS, Media, Parameter, Route, TOKEN_PROBLEMS};
use super::{ApiArc, answer};
use axum::Json;
use axum::extract::{Path, State};
use axum::response::Response;
use schemars::SchemaGenerator;
use schemars::generate::SchemaSettings;
use serde_json::{Map, Value, json};
use std::collections::BTreeMap;

pub(super) async fn show(State(api): State<ApiArc>, _: Asked) -> Response {
    answer::text("application/json", document(api.routes).to_string())
}

pub(super) async fn kind(Path(word): Path<String>, _: Asked) -> Result<Json<Kind>, Error> {
    match KINDS.iter().find(|k| k.word == word) {
        Some(kind) => Ok(Json(**kind)),
        None => Err(Error::not_found(format!(
            "There is no type of problems {:?}.",
            shown(&word)
        ))),
    }
}

/// What routes make: where it is then, and where its id stands in the answer.
const MADE: &[(&str, &str, &str)] = &[
    ("submit", "/v1/jobs/{id}", "/id"),
    ("measured", "/v1/jobs/{id}", "/id"),
    ("remake", "/v1/jobs/{id}", "/id"),
    ("new-token", "/v1/tokens/{id}", "/id"),
    ("new-webhook", "/v1/webhooks/{id}", "/webhook/id"),
];

/// Links from what was made to all that can be done with it.
fn links(route: &Route, routes: &[Route]) -> Option<Value> {
    let (_, place, id) = MADE.iter().find(|m| m.0 == route.word)?;
    let links: Map<String, Value> = routes
        .iter()
        .filter(|r| r.path.starts_with(place))
        .map(|r| {
            let link = json!({
                "operationId": r.word,
                "parameters": { "id": format!("$response.body#{id}") },
            });
            (r.word.to_string(), link)
        })
        .collect();
    Some(Value::Object(links))
}

/// The document of a table of routes.
pub(super) fn document(routes: &[Route]) -> Value {
    let mut generator = SchemaSettings::draft2020_12()
        .with(|s| s.definitions_path = "/components/schemas".into())
        .into_generator();
    let mut paths: BTreeMap<String, Map<String, Value>> = BTreeMap::new();
    for route in routes {
        let path = paths.entry(route.path.replace("{*", "{")).or_default();
        let method = route.method.to_ascii_lowercase();
        path.insert(method, operation(route, routes, &mut generator));
    }
    let problem = generator.subschema_for::<ProblemDocument>();
    let responses: Map<String, Value> = statuses(KINDS.iter().copied())
        .into_iter()
        .map(|(status, kinds)| {
            let words: Vec<&str> = kinds.iter().map(|k| k.word).collect();
            let answer = json!({
                "description": format!("{}: {}.", kinds.iter().map(|k| k.title).collect::<Vec<_>>().join("; "), words.join(", ")),
                "content": { PROBLEM_JSON: { "schema": problem } },
            });
            (name_of(status), answer)
        })
        .collect();
    let mut schemas = Value::Object(generator.take_definitions(true));
    grainway_pipeline::doc::allow_counting(&mut schemas);
    let mut document = json!({
        "openapi": "3.1.1",
        "info": {
            "title": "grainway",
            "version": env!("CARGO_PKG_VERSION"),
            "description": "Jobs in, verified router programs and sheets out. Times are milliseconds since 1970 in UTC. Every error is a problem document (RFC 9457). While the server has no tokens it serves its own machine and wants none.",
        },
        "paths": paths,
        "components": {
            "schemas": schemas,
            "responses": responses,
            "securitySchemes": { "token": { "type": "http", "scheme": "bearer" } },
        },
    });
    bounded(&mut document);
    document
}

/// Numbers of limited size say so: a format alone binds nobody.
fn bounded(value: &mut Value) {
    let (least, most) = match value.get("format").and_then(Value::as_str) {
        Some("uint32") => (json!(0), json!(u32::MAX)),
        Some("int32") => (json!(i32::MIN), json!(i32::MAX)),
        Some("int64") => (json!(i64::MIN), json!(i64::MAX)),
        _ => (Value::Null, Value::Null),
    };
    match value {
        Value::Object(map) => {
            if !most.is_null() {
                map.entry("minimum").or_insert(least);
                map.entry("maximum").or_insert(most);
            }
            map.values_mut().for_each(bounded);
        }
        Value::Array(all) => all.iter_mut().for_each(bounded),
        _ => {}
    }
}

fn statuses<'k>(kinds: impl Iterator<Item = &'k Kind>) -> BTreeMap<u16, Vec<&'k Kind>> {
    let mut all: BTreeMap<u16, Vec<&Kind>> = BTreeMap::new();
    for kind in kinds {
        all.entry(kind.status).or_default().push(kind);
    }
    all
}

/// The name of the answer for a status among the components.
fn name_of(status: u16) -> String {
    format!("problem-{status}")
}

fn operation(route: &Route, routes: &[Route], generator: &mut SchemaGenerator) -> Value {
    let parameters: Vec<Value> = route
        .parameters
        .iter()
        .map(|p| parameter(p, generator))
        .collect();
    let mut responses: Map<String, Value> = route
        .answers
        .iter()
        .map(|a| (a.status.to_string(), good(a, generator)))
        .collect();
    let of_tokens = match route.scope {
        Some(_) => TOKEN_PROBLEMS,
        None => &[],
    };
    let kinds = COMMON_PROBLEMS
        .iter()
        .chain(of_tokens)
        .chain(route.problems);
    for status in statuses(kinds.copied()).into_keys() {
        let answer = json!({ "$ref": format!("#/components/responses/{}", name_of(status)) });
        responses.insert(status.to_string(), answer);
    }
    if let (Some(links), Some(made)) = (links(route, routes), responses.get_mut("201")) {
        made["links"] = links;
    }
    let mut operation = json!({
        "operationId": route.word,
        "summary": route.about,
        "responses": responses,
    });
    if let Some(scope) = route.scope {
        operation["description"] = json!(format!("Wants a token with the scope {scope}."));
        operation["security"] = json!([{ "token": [] }]);
    }
    if !parameters.is_empty() {
        operation["parameters"] = Value::Array(parameters);
    }
    if !route.bodies.is_empty() {
        operation["requestBody"] =
            json!({ "required": true, "content": content(route.bodies, generator) });
    }
    operation
}

fn parameter(parameter: &Parameter, generator: &mut SchemaGenerator) -> Value {
    let at = match parameter.at {
        At::Path => "path",
        At::Query => "query",
        At::Field => "header",
    };
    let schema = (parameter.schema)(generator);
    let mut value = json!({
        "name": parameter.name,
        "in": at,
        "required": parameter.at == At::Path,
        "description": parameter.about,
        "schema": schema,
    });
    if schema.get("type").is_some_and(|t| t == "array") {
        value["style"] = json!("form");
        value["explode"] = json!(false);
    }
    value
}

fn content(forms: &[Media], generator: &mut SchemaGenerator) -> Map<String, Value> {
    forms
        .iter()
        .map(|(media, schema)| {
            let form = match schema {
                Some(schema) => json!({ "schema": schema(generator) }),
                None => json!({}),
            };
            (media.to_string(), form)
        })
        .collect()
}

fn good(answer: &Answer, generator: &mut SchemaGenerator) -> Value {
    let mut value = json!({ "description": answer.about });
    if !answer.forms.is_empty() {
        value["content"] = Value::Object(content(answer.forms, generator));
    }
    if !answer.fields.is_empty() {
        let fields: Map<String, Value> = answer
            .fields
            .iter()
            .map(|(name, about)| {
                let field = json!({ "description": about, "schema": { "type": "string" } });
                (name.to_string(), field)
            })
            .collect();
        value["headers"] = Value::Object(fields);
    }
    value
}
