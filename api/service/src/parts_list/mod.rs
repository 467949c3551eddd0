//! Parts lists: a spreadsheet, as text or as a workbook, becomes job documents.
//!
//! [`read`] is a function of bytes alone: it opens no file and reads no clock, and the same list gives the same documents to the byte.
//! Every problem names its row and column as the spreadsheet shows them; so do problems that only the shop's document brings to
//! light, by [`ListJob::place`].

mod amount;
mod draft;
mod drawn;
mod feature;
mod grid;
mod heading;
mod jobs;
mod options;
mod row;
mod text;
mod workbook;

pub use grid::{LONGEST_CELL, MOST_BYTES, MOST_COLUMNS, MOST_ROWS, RowProblem};
pub use options::{
    Column, Decimal, LIST_FORMAT, ListDrawing, ListOptions, Separator, joined, read_options,
    schema_list,
};

use super::intake::Handed;
use super::model::{JobId, Source, When};
use bytes::Bytes;
use grainway_client::names::safe_name;
use grainway_pipeline::doc::Pointer;
use grainway_pipeline::finding::Finding;
use grid::settle;
use std::collections::BTreeMap;

/// What a list is kept in.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ListKind {
    /// Text with separators (RFC 4180).
    Text,
    /// A workbook (.xlsx).
    Workbook,
}

impl ListKind {
    /// By the file's name.
    pub fn of(name: &str) -> Option<ListKind> {
        let ending = name.rsplit_once('.')?.1.to_ascii_lowercase();
        match ending.as_str() {
            "csv" => Some(ListKind::Text),
            "xlsx" => Some(ListKind::Workbook),
            _ => None,
        }
    }
}

/// A place in a list.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ListPlace {
    /// The row, as the spreadsheet counts.
    pub row: u32,
    /// The column's heading.
    pub column: String,
}

/// A job that a list makes.
#[derive(Clone, Debug, PartialEq)]
pub struct ListJob {
    /// What people call it.
    pub name: String,
    /// The word of its rows in the column `job`, where the list has one.
    pub word: Option<String>,
    /// The file name of its document: no two jobs of a list have the same.
    pub document_name: String,
    /// Its document, `grainway.job/1`.
    pub document: Vec<u8>,
    /// The drawings that it names.
    pub drawings: Vec<String>,
    places: BTreeMap<Pointer, ListPlace>,
}

impl ListJob {
    /// The row and column that a place of the document comes from; whatever the document is called.
    pub fn place(&self, pointer: &Pointer) -> Option<&ListPlace> {
        let mut pointer = Pointer::from(pointer.place());
        loop {
            if let Some(place) = self.places.get(&pointer) {
                return Some(place);
            }
            pointer = pointer.parent()?;
        }
    }
}

/// Reads a list. `name` is what its jobs are called when the options do not say.
pub fn read(
    bytes: &[u8],
    kind: ListKind,
    name: &str,
    options: &ListOptions,
) -> Result<Vec<ListJob>, Vec<RowProblem>> {
    let mut problems = Vec::new();
    if bytes.len() > MOST_BYTES {
        return Err(vec![RowProblem::new(
            "list-too-large",
            format!(
                "The list has {} MiB, more than the {} that are read.",
                bytes.len() >> 20,
                MOST_BYTES >> 20
            ),
            "Divide it into several lists.",
        )]);
    }
    let (rows, decimal) = match kind {
        ListKind::Text => match text_rows(bytes, options, &mut problems) {
            Ok(found) => found,
            Err(problem) => return Err(vec![problem]),
        },
        ListKind::Workbook => {
            match workbook::rows(bytes, options.sheet.as_deref(), &mut problems) {
                Ok(rows) => (rows, options.decimal.unwrap_or_default()),
                Err(problem) => return Err(vec![problem]),
            }
        }
    };
    if options.shop.is_none() {
        problems.push(RowProblem::new(
            "no-shop",
            "Nothing says which shop makes the list.",
            "Name the shop document in the option `shop`.",
        ));
    }
    let mut made = Vec::new();
    if let Some(headings) = heading::find(&rows, options, &mut problems) {
        let name = options.name.as_deref().unwrap_or(name);
        made = jobs::jobs(&rows, &headings, decimal, name, options, &mut problems);
    }
    match problems.is_empty() {
        true => Ok(made),
        false => Err(settle(problems)),
    }
}

fn text_rows(
    bytes: &[u8],
    options: &ListOptions,
    problems: &mut Vec<RowProblem>,
) -> Result<(Vec<grid::ListRow>, Decimal), RowProblem> {
    let text = text::characters(bytes)?;
    // The separator under which most headings are known; the likeliest first among equals.
    let mut best: Option<(usize, Separator, Vec<grid::ListRow>, Vec<RowProblem>)> = None;
    for separator in Separator::ALL {
        if options.separator.is_some_and(|s| s != separator) {
            continue;
        }
        let mut found = Vec::new();
        let rows = text::rows(&text, separator, &mut found);
        let score = heading::score(&rows, options);
        if best.as_ref().is_none_or(|(s, ..)| score > *s) {
            best = Some((score, separator, rows, found));
        }
    }
    let Some((_, separator, rows, found)) = best else {
        return Ok((Vec::new(), Decimal::Point));
    };
    problems.extend(found);
    let decimal = options.decimal.unwrap_or(match separator {
        Separator::Semicolon => Decimal::Comma,
        _ => Decimal::Point,
    });
    Ok((rows, decimal))
}

/// Options of all lists of a folder or of a request.
pub const OF_ALL_LISTS: &str = "parts-lists.json";

/// The options of a list: those of all lists, and over them its own, which have its name. `find` gives files that lie beside it.
pub fn options_beside(
    list: &str,
    shop: Option<&str>,
    find: &mut dyn FnMut(&str) -> Option<Bytes>,
) -> Result<ListOptions, Vec<RowProblem>> {
    let mut told = serde_json::json!({ "format": LIST_FORMAT });
    if let Some(shop) = shop {
        told["shop"] = shop.into();
    }
    let stem = list.rsplit_once('.').map_or(list, |(stem, _)| stem);
    for file in [OF_ALL_LISTS.to_string(), format!("{stem}.json")] {
        let Some(text) = find(&file) else {
            continue;
        };
        let text = text.strip_prefix(b"\xef\xbb\xbf").unwrap_or(&text);
        match serde_json::from_slice(text) {
            Ok(options) => told = joined(&told, &options),
            Err(e) => {
                return Err(vec![RowProblem::new(
                    UNREADABLE_DOCUMENT,
                    format!("The options in {file} are not JSON: {e}."),
                    "Correct them.",
                )]);
            }
        }
    }
    read_options(&told).map_err(|problems| {
        let told = problems.into_iter().map(|p| {
            let at = match p.pointer.is_empty() {
                true => String::new(),
                false => format!(", at {}", p.pointer),
            };
            RowProblem::new(
                "bad-options",
                format!("In the list's options{at}: {}", p.message),
                "Correct the options.",
            )
        });
        settle(told.collect())
    })
}

/// The code of documents that cannot be read to their end.
pub const UNREADABLE_DOCUMENT: &str = "unreadable-document";

/// What is handed in beside a list.
#[derive(Clone, Debug, Default)]
pub struct Beside {
    /// Drawings and the shop document, by file name.
    pub files: BTreeMap<String, Bytes>,
    /// -100 to 100.
    pub priority: i32,
    /// Not before, milliseconds since 1970.
    pub not_before: Option<i64>,
    /// In which hours.
    pub when: When,
    /// The word that all jobs of the list carry; without one, lists that make several jobs give them their name.
    pub batch: Option<String>,
    /// The job whose programs become stale; only for lists of one job.
    pub replaces: Option<JobId>,
    /// Who handed it in: a token's id.
    pub by: Option<String>,
    /// How it came in; from a list when not said.
    pub source: Option<Source>,
}

/// A list as jobs that can be handed in: each has its document, the list itself, and of the other files those that it names.
pub fn to_handed(list: &[ListJob], list_file: (&str, &Bytes), beside: &Beside) -> Vec<Handed> {
    let (list_name, list_bytes) = list_file;
    let batch = match (&beside.batch, list) {
        (Some(batch), _) => Some(batch.clone()),
        (None, [_]) => None,
        (None, _) => Some(draft::file_word(list_name)),
    };
    list.iter()
        .map(|job| {
            let mut files = BTreeMap::new();
            for (name, bytes) in &beside.files {
                // What is no drawing may be the shop; it costs little.
                let drawing = name.ends_with(".dxf") || name.ends_with(".svg");
                if !drawing || job.drawings.contains(name) {
                    files.insert(name.clone(), bytes.clone());
                }
            }
            if safe_name(list_name) {
                files.insert(list_name.to_string(), list_bytes.clone());
            }
            let document = Bytes::from(job.document.clone());
            files.insert(job.document_name.clone(), document);
            Handed {
                files,
                document: Some(job.document_name.clone()),
                priority: beside.priority,
                not_before: beside.not_before,
                when: beside.when,
                batch: batch.clone(),
                replaces: beside.replaces,
                source: Some(beside.source.unwrap_or(Source::List)),
                by: beside.by.clone(),
            }
        })
        .collect()
}

/// What intake found wrong with the documents of a list, told by row and column where a row is at fault.
pub fn retold(list: &[ListJob], findings: &[Finding]) -> Vec<RowProblem> {
    let problems = findings.iter().map(|finding| {
        let mut told = RowProblem::new(
            grainway_pipeline::finding::info(&finding.code).map_or("bad-cell", |i| i.word),
            finding.message.clone(),
            finding.remedy.clone(),
        );
        let place = finding.pointer.as_ref().and_then(|pointer| {
            list.iter()
                .find(|j| j.document_name == pointer.document())?
                .place(pointer)
        });
        if let Some(place) = place {
            told = told.at(place.row, place.column.clone());
        }
        told
    });
    settle(problems.collect())
}
