//! From rows to job documents.

use super::ListJob;
use super::draft::{Draft, file_word};
use super::grid::{Cell, ListRow, RowProblem};
use super::heading::Headings;
use super::options::{Column, Decimal, ListOptions};
use super::row::{Line, List};
use grainway_pipeline::doc::{JOB_FORMAT, ShopStocks, read_job_as_far_as_possible};
use serde_json::{Value, json};
use std::collections::{BTreeMap, BTreeSet};

/// More jobs than this in one list are refused.
const MOST_JOBS: usize = 1_000;

/// Makes job documents of the rows below the headings.
pub(super) fn jobs(
    rows: &[ListRow],
    headings: &Headings,
    decimal: Decimal,
    name: &str,
    options: &ListOptions,
    problems: &mut Vec<RowProblem>,
) -> Vec<ListJob> {
    let list = List {
        options,
        headings,
        decimal,
    };
    let (order, mut drafts) = list.drafts(rows, problems);
    if order.len() > MOST_JOBS {
        problems.push(RowProblem::new(
            "list-too-large",
            format!(
                "The list has {} jobs, more than the {MOST_JOBS} that one list may have.",
                order.len()
            ),
            "Divide it into several lists.",
        ));
        return Vec::new();
    }
    // A document must not take the place of the shop's.
    let mut documents: BTreeSet<String> = options.shop.iter().cloned().collect();
    let mut made = Vec::new();
    for word in order {
        let Some(draft) = drafts.remove(&word) else {
            continue;
        };
        made.extend(list.finished(draft, &word, name, &mut documents, problems));
    }
    made
}

impl List<'_> {
    /// Reads the rows below the headings: the words of the jobs in the order in which they first appear, and what the rows of each say.
    fn drafts(
        &self,
        rows: &[ListRow],
        problems: &mut Vec<RowProblem>,
    ) -> (Vec<String>, BTreeMap<String, Draft>) {
        let mut order: Vec<String> = Vec::new();
        let mut drafts: BTreeMap<String, Draft> = BTreeMap::new();
        let mut missing = BTreeSet::new();
        let mut rows_of_parts = 0_u32;
        for row in rows.iter().filter(|r| r.number > self.headings.row) {
            let comment = row
                .cells
                .first()
                .is_some_and(|(_, c)| matches!(c, Cell::Text(t) if t.starts_with('#')));
            let mut line = Line {
                list: self,
                row,
                problems: Vec::new(),
                missing: &mut missing,
            };
            if comment || !line.says_something() {
                continue;
            }
            rows_of_parts += 1;
            let job = line.job();
            if !drafts.contains_key(&job) {
                order.push(job.clone());
            }
            let draft = drafts.entry(job).or_default();
            line.fill(draft);
            problems.append(&mut line.problems);
        }
        for column in missing {
            problems.push(
                RowProblem::new(
                    "missing-column",
                    format!("The list has no column \"{}\".", column.word()),
                    "Add it, or say in the option `defaults` what holds for all rows.",
                )
                .row(self.headings.row),
            );
        }
        if rows_of_parts == 0 {
            problems.push(
                RowProblem::new(
                    "no-parts",
                    "No row below the headings has a part.",
                    "Write a row for each part.",
                )
                .row(self.headings.row),
            );
        }
        (order, drafts)
    }

    /// The document of a job, checked as every job document is.
    fn finished(
        &self,
        draft: Draft,
        word: &str,
        name: &str,
        documents: &mut BTreeSet<String>,
        problems: &mut Vec<RowProblem>,
    ) -> Option<ListJob> {
        if draft.parts.is_empty() && draft.drawings.is_empty() {
            return None;
        }
        if draft.single
            && let Some((row, file)) = draft.whole.first()
        {
            problems.push(
                RowProblem::new(
                    "whole-drawing",
                    format!("The row asks for all of {file}, others of the job for single parts of drawings."),
                    "Name every part that is wanted in the column `drawing-part`, or make two jobs of it with a column `job`.",
                )
                .at(*row, self.headings.shown(Column::Drawing)),
            );
            return None;
        }
        let name = match word.is_empty() {
            true => name.to_string(),
            false => format!("{name}, {word}"),
        };
        let drawings: Vec<String> = draft
            .drawings
            .iter()
            .filter_map(|d| d["file"].as_str().map(str::to_string))
            .collect::<BTreeSet<_>>()
            .into_iter()
            .collect();
        let places = draft.places.clone();
        let text = self.document(draft, &name);
        let job = ListJob {
            name,
            word: (!word.is_empty()).then(|| word.to_string()),
            document_name: document_name(word, documents),
            document: text,
            drawings,
            places,
        };
        check(&job, problems);
        Some(job)
    }

    /// The text of a job's document.
    fn document(&self, draft: Draft, name: &str) -> Vec<u8> {
        let options = self.options;
        let mut document = json!({ "format": JOB_FORMAT, "name": name, "unit": options.unit });
        let mut set = |key: &str, value: Value| {
            let empty = match &value {
                Value::Null => true,
                Value::Array(all) => all.is_empty(),
                Value::Object(all) => all.is_empty(),
                _ => false,
            };
            if !empty {
                document[key] = value;
            }
        };
        // That there is none is told elsewhere.
        set(
            "shop",
            json!(options.shop.as_deref().unwrap_or("shop.json")),
        );
        set("machine", json!(options.machine));
        set("sets", json!(draft.sets.map(|(sets, _)| sets)));
        set("lengths", json!(options.lengths));
        set("stocks", json!(options.stocks));
        set("settings", json!(options.settings));
        set("chain", json!(options.chain));
        set("parts", Value::Array(draft.parts));
        set("drawings", Value::Array(draft.drawings));
        if draft.single {
            set("only", Value::Object(draft.only));
        }
        let mut text = serde_json::to_vec_pretty(&document).unwrap_or_default();
        text.push(b'\n');
        text
    }
}

/// Reads the document back as every job document is read; its problems name rows where they come from one. What counts on stocks of the
/// shop is looked at when the job is handed in.
fn check(job: &ListJob, problems: &mut Vec<RowProblem>) {
    let reading = read_job_as_far_as_possible(&job.document, ShopStocks::UNKNOWN);
    for problem in reading.problems {
        let told = RowProblem::new(
            match problem.kind {
                grainway_pipeline::doc::ProblemKind::Form => "bad-cell",
                grainway_pipeline::doc::ProblemKind::Number => "bad-number",
            },
            problem.message,
            "Correct the list, or its options where no row is named.",
        );
        problems.push(match job.place(&problem.pointer) {
            Some(place) => told.at(place.row, place.column.clone()),
            None => told,
        });
    }
}

/// A file name for a job's document; no two of a list are alike.
fn document_name(word: &str, taken: &mut BTreeSet<String>) -> String {
    let stem = match word.is_empty() {
        true => "job".to_string(),
        false => format!("job-{}", file_word(word)),
    };
    let mut name = format!("{stem}.json");
    let mut n = 2;
    while !taken.insert(name.clone()) {
        name = format!("{stem}-{n}.json");
        n += 1;
    }
    name
}
