//! Parts lists: rows of a spreadsheet in, jobs out. Every mistake is told by its row and column.

use super::answer::{csv, located};
use super::body::{self, media, other_type, shallow};
use super::problem::{DOCUMENTS, Error, FAILED, REFUSED, Wrong};
use super::request::Asked;
use super::submit::{self, Options, Sum};
use super::unpack::unpack;
use super::{ApiArc, tables};
use crate::config::{Config, ServiceLimits};
use crate::intake::{Refusal, take};
use crate::model::Job;
use crate::parts_list::{
    Beside, ListJob, ListKind, ListOptions, OF_ALL_LISTS, RowProblem, options_beside, read, retold,
    to_handed,
};
use axum::Json;
use axum::extract::{Request, State};
use axum::http::{HeaderMap, StatusCode};
use axum::response::{IntoResponse, Response};
use bytes::Bytes;
use grainway_pipeline::finding::Finding;
use grainway_stages::csv_table::{Cell, table};
use schemars::{JsonSchema, Schema, SchemaGenerator, json_schema};
use serde::Serialize;
use serde_json::Value;
use std::collections::BTreeMap;

/// The media type of workbooks (ISO/IEC 29500, as IANA registered it).
pub(super) const WORKBOOK: &str =
    "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet";
/// What `POST /v1/lists` takes.
const TAKEN: &str = "text/csv, application/vnd.openxmlformats-officedocument.spreadsheetml.sheet, multipart/form-data, application/zip";
/// Longest name of a shop or of a job.
const LONGEST_NAME: usize = 80;

/// Jobs of a list.
#[derive(Clone, Debug, Serialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub struct ListTaken {
    /// The jobs, in the order in which the list names them.
    pub jobs: Vec<Job>,
    /// Warnings and notes on their documents.
    pub findings: Vec<Finding>,
}

/// What a dry run made of a list: these jobs would be taken.
#[derive(Clone, Debug, Serialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub struct ListChecked {
    /// The job documents that the list makes.
    pub documents: Vec<Value>,
    /// Warnings and notes on them.
    pub findings: Vec<Finding>,
}

/// The schema of both.
pub(super) fn taken_or_checked(generator: &mut SchemaGenerator) -> Schema {
    let (taken, checked) = (
        generator.subschema_for::<ListTaken>(),
        generator.subschema_for::<ListChecked>(),
    );
    json_schema!({ "anyOf": [taken, checked] })
}

/// The schema of a form.
pub(super) fn form_schema(generator: &mut SchemaGenerator) -> Schema {
    let options = generator.subschema_for::<Options>();
    let list_options = generator.subschema_for::<ListOptions>();
    json_schema!({
        "type": "object",
        "description": "The list as the one file whose name ends with .csv or .xlsx; every other field with a file name is a drawing, the shop, or the list's options under its own name, whatever the field is called.",
        "properties": {
            "file": {
                "type": "array",
                "items": { "type": "string", "contentMediaType": "application/octet-stream" },
                "description": "Files, with their names.",
            },
            "options": options,
            "list-options": list_options,
        },
        "additionalProperties": false,
    })
}

pub(super) async fn submit(
    State(api): State<ApiArc>,
    mut asked: Asked,
    request: Request,
) -> Result<Response, Error> {
    let form_of_answer = asked.form(&[("json", "application/json"), ("csv", "text/csv")]);
    let (shop, name) = (
        asked.text("shop", LONGEST_NAME),
        asked.text("name", LONGEST_NAME),
    );
    let options = submit::options(&mut asked)?;
    let key = submit::key(&asked)?;
    let (parts, sent) = request.into_parts();
    let limits = api.shared.config.limits.clone();
    let media = media(&parts.headers).unwrap_or_default();
    if !TAKEN.split(", ").any(|t| t == media) {
        return Err(other_type(&parts.headers, TAKEN));
    }
    let whole = body::whole(&api, &parts.headers, sent, limits.body_mib << 20).await?;
    let turn = api.permits.check().await?;
    let (files, of_form) = files_of(&parts.headers, &media, whole.bytes.clone(), &limits).await?;
    let options = options.over(of_form);
    let dry_run = options.dry_run.unwrap_or(false);
    let mut sum = Sum::new("/v1/lists");
    sum.options(&options);
    sum.text(&[shop.as_deref(), name.as_deref()]);
    files.iter().for_each(|(n, b)| sum.file(n, b));

    let config = api.shared.config.clone();
    let read = tokio::task::spawn_blocking(move || list(files, shop, name, &config)).await;
    let read = read.map_err(|e| Error::new(FAILED, "The list was not read.").cause(e))?;
    let check = dry_run && form_of_answer == "csv";
    let read = match read {
        Ok(read) => read,
        // Spreadsheets see no answer but a good one: what a check finds is its result, and an empty table is good.
        Err(ListRefusal::Rows(problems)) if check => return Ok(csv(faults(problems))),
        Err(fault) => return Err(fault.into()),
    };
    let beside = beside_of(options, read.files, asked.caller.token.clone());
    one_replaces(&beside, read.jobs.len())?;
    let handed = to_handed(&read.jobs, (&read.name, &read.bytes), &beside);
    let made = read.jobs;
    let documents = if dry_run {
        documents_of(&made)
    } else {
        Vec::new()
    };
    let held = (whole.room, turn);
    submit::once(
        &api,
        &asked.caller,
        key,
        sum.hex(),
        dry_run,
        move |api, i| async move {
            let taken = take(&api.shared, handed, i, dry_run).await;
            drop(held);
            match taken {
                Err(Refusal::Documents(findings)) => {
                    Err(ListRefusal::Rows(retold(&made, &findings)))
                }
                other => other.map_err(|refusal| ListRefusal::Other(refusal.into())),
            }
        },
        move |taken| match taken {
            Ok((jobs, findings, before)) => {
                answer(jobs, findings, before, dry_run, documents, form_of_answer)
            }
            Err(ListRefusal::Rows(problems)) if check => Ok(csv(faults(problems))),
            Err(fault) => Err(fault.into()),
        },
    )
    .await
}

/// The files of a request by its media type, and the options that a form has.
async fn files_of(
    headers: &HeaderMap,
    media: &str,
    bytes: Bytes,
    limits: &ServiceLimits,
) -> Result<(BTreeMap<String, Bytes>, Options), Error> {
    let alone = |file: &str| BTreeMap::from([(file.to_string(), bytes.clone())]);
    let (files, options) = match media {
        "text/csv" => (alone("list.csv"), Options::default()),
        WORKBOOK => (alone("list.xlsx"), Options::default()),
        "application/zip" => {
            let limits = limits.clone();
            let files = tokio::task::spawn_blocking(move || unpack(bytes, &limits)).await;
            let files =
                files.map_err(|e| Error::new(FAILED, "The zip was not read.").cause(e))??;
            (files, Options::default())
        }
        _ => {
            let names = [("list-options", OF_ALL_LISTS)];
            let form = submit::form(headers, bytes, limits, &names).await?;
            (form.files, form.options)
        }
    };
    for (name, bytes) in &files {
        if name.ends_with(".json") {
            shallow(bytes, &format!("{name}#"), limits.json_depth)?;
        }
    }
    Ok((files, options))
}

fn documents_of(jobs: &[ListJob]) -> Vec<Value> {
    jobs.iter()
        .filter_map(|j| serde_json::from_slice(&j.document).ok())
        .collect()
}

/// What the jobs of a list share besides the list itself.
fn beside_of(options: Options, files: BTreeMap<String, Bytes>, by: Option<String>) -> Beside {
    Beside {
        files,
        priority: options.priority.unwrap_or(0),
        not_before: options.not_before.map(|m| m.0),
        when: options.when.unwrap_or_default(),
        batch: options.batch,
        replaces: options.replaces,
        by,
        source: None,
    }
}

/// Refuses several jobs that are to replace the same one.
fn one_replaces(beside: &Beside, jobs: usize) -> Result<(), Error> {
    if beside.replaces.is_none() || jobs <= 1 {
        return Ok(());
    }
    let message = format!("The list makes {jobs} jobs; only one can replace another.");
    Err(Error::new(REFUSED, message.clone()).wrong([Wrong::new("replaces", "refused", message)]))
}

/// Why a list is not taken.
enum ListRefusal {
    /// Faults of its rows.
    Rows(Vec<RowProblem>),
    /// Something else.
    Other(Error),
}

impl From<ListRefusal> for Error {
    fn from(fault: ListRefusal) -> Error {
        match fault {
            ListRefusal::Rows(problems) => rows(problems),
            ListRefusal::Other(error) => error,
        }
    }
}

/// Faults as a table.
fn faults(problems: Vec<RowProblem>) -> Vec<u8> {
    let rows = problems.iter().map(|p| {
        vec![
            p.row.map_or("".into(), Cell::number),
            p.column.as_deref().unwrap_or_default().into(),
            p.code.into(),
            p.message.as_str().into(),
            p.remedy.as_str().into(),
        ]
    });
    table("row,column,code,message,remedy", rows)
}

/// A list, read.
struct Read {
    name: String,
    bytes: Bytes,
    jobs: Vec<ListJob>,
    files: BTreeMap<String, Bytes>,
}

fn list(
    mut files: BTreeMap<String, Bytes>,
    shop: Option<String>,
    name: Option<String>,
    config: &Config,
) -> Result<Read, ListRefusal> {
    let lists: Vec<&String> = files.keys().filter(|n| ListKind::of(n).is_some()).collect();
    let [list] = lists.as_slice() else {
        let message = match lists.len() {
            0 => "There is no parts list among the files: its name ends with .csv or .xlsx."
                .to_string(),
            n => format!("There are {n} parts lists among the files; hand them in one by one."),
        };
        let wrong = Wrong::new("list", "refused", message.clone());
        return Err(ListRefusal::Other(
            Error::new(REFUSED, message).wrong([wrong]),
        ));
    };
    let list = (*list).clone();
    let kind = ListKind::of(&list).unwrap_or(ListKind::Text);
    let bytes = files.remove(&list).unwrap_or_default();
    // A server with one shop needs not be told which.
    let only = match config.shops.len() {
        1 => config.shops.keys().next().map(String::as_str),
        _ => None,
    };
    let mut options = options_beside(&list, only, &mut |file| files.get(file).cloned())
        .map_err(ListRefusal::Rows)?;
    options.shop = shop.or(options.shop);
    options.name = name.or(options.name);
    let stem = list
        .rsplit_once('.')
        .map_or(list.as_str(), |(stem, _)| stem);
    let jobs = read(&bytes, kind, stem, &options).map_err(ListRefusal::Rows)?;
    Ok(Read {
        name: list,
        bytes,
        jobs,
        files,
    })
}

/// What is wrong with a list.
fn rows(problems: Vec<RowProblem>) -> Error {
    let detail = match problems.len() {
        1 => "The parts list has one fault.".to_string(),
        n => format!("The parts list has {n} faults."),
    };
    Error::new(DOCUMENTS, detail).wrong(problems.into_iter().map(wrong))
}

fn wrong(problem: RowProblem) -> Wrong {
    Wrong {
        row: problem.row,
        column: problem.column,
        ..Wrong::new("", problem.code, problem.message).remedy(problem.remedy)
    }
}

fn answer(
    jobs: Vec<Job>,
    findings: Vec<Finding>,
    before: bool,
    dry_run: bool,
    documents: Vec<Value>,
    form: &str,
) -> Result<Response, Error> {
    if dry_run && form == "csv" {
        return Ok(csv(faults(Vec::new())));
    }
    if dry_run {
        return Ok(Json(ListChecked {
            documents,
            findings,
        })
        .into_response());
    }
    let location = match jobs.as_slice() {
        // Forgotten since.
        [] => {
            return Err(Error::not_found(
                "The jobs of this key are forgotten; use a fresh key.",
            ));
        }
        [one] => format!("/v1/jobs/{}", one.id),
        [first, ..] => {
            let batch = first.batch.as_deref().unwrap_or_default();
            let mut query = url::form_urlencoded::Serializer::new(String::new());
            query.append_pair("batch", batch);
            format!("/v1/jobs?{}", query.finish())
        }
    };
    let mut answer = match form {
        "csv" => csv(tables::jobs(&jobs)),
        _ => Json(ListTaken { jobs, findings }).into_response(),
    };
    *answer.status_mut() = match before {
        true => StatusCode::OK,
        false => StatusCode::CREATED,
    };
    Ok(located(answer, &location))
}
