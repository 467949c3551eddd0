//! One row: its cells, and the part that it describes.

use super::ListPlace;
use super::amount::{Amount, Writing, parse_amount, parse_number};
use super::draft::{Draft, file_word};
use super::feature::{features, tenons};
use super::grid::{Cell, ListRow, RowProblem};
use super::heading::Headings;
use super::options::{Column, Decimal, ListOptions};
use grainway_pipeline::doc::Pointer;
use serde_json::{Value, json};
use std::collections::BTreeSet;

/// Longest name of a job or of a part.
const LONGEST_NAME: usize = 160;

/// What all rows share.
pub(super) struct List<'l> {
    pub options: &'l ListOptions,
    pub headings: &'l Headings,
    pub decimal: Decimal,
}

/// One row at work.
pub(super) struct Line<'l> {
    pub list: &'l List<'l>,
    pub row: &'l ListRow,
    pub problems: Vec<RowProblem>,
    /// Columns that the list lacks, for all rows together.
    pub missing: &'l mut BTreeSet<Column>,
}

impl Line<'_> {
    /// Something stands in a column that has a meaning.
    pub(super) fn says_something(&self) -> bool {
        self.row
            .cells
            .iter()
            .any(|(at, _)| self.list.headings.columns.contains_key(at))
    }

    pub(super) fn heading(&self, column: Column) -> String {
        self.list.headings.shown(column).to_string()
    }

    pub(super) fn wrong(
        &mut self,
        column: Column,
        message: impl Into<String>,
        remedy: impl Into<String>,
    ) {
        let problem = RowProblem::new("bad-cell", message, remedy);
        self.problems
            .push(problem.at(self.row.number, self.heading(column)));
    }

    /// The cell of a column, or what an empty one means. A cell that cannot be read is told here.
    pub(super) fn cell(&mut self, column: Column) -> Option<Cell> {
        let found = self
            .list
            .headings
            .place(column)
            .and_then(|(at, _)| self.row.cell(at));
        match found {
            Some(Cell::Unclear(what, remedy)) => {
                self.wrong(column, *what, *remedy);
                None
            }
            Some(cell) => Some(cell.clone()),
            None => self
                .list
                .options
                .defaults
                .get(&column)
                .and_then(|text| Cell::text(text)),
        }
    }

    /// The cell cannot be read; that is told already.
    pub(super) fn unclear(&self, column: Column) -> bool {
        let found = self.list.headings.place(column);
        found.is_some_and(|(at, _)| matches!(self.row.cell(at), Some(Cell::Unclear(..))))
    }

    /// Text of a column, on one line.
    pub(super) fn text(&mut self, column: Column) -> Option<String> {
        let text = self.cell(column)?.shown();
        let text: Vec<&str> = text.split_whitespace().collect();
        let text = text.join(" ").replace(char::is_control, "");
        if text.chars().count() > LONGEST_NAME {
            self.wrong(
                column,
                format!("The text is longer than {LONGEST_NAME} characters."),
                "Shorten it.",
            );
            return None;
        }
        Some(text)
    }

    pub(super) fn missing(&mut self, column: Column) {
        if self.unclear(column) {
            return;
        }
        if self.list.headings.place(column).is_none() {
            self.missing.insert(column);
            return;
        }
        let problem = RowProblem::new(
            "missing-cell",
            format!(
                "The cell is empty; it should have the part's {}.",
                column.word()
            ),
            format!("Write it, such as {}.", column.example()),
        );
        self.problems
            .push(problem.at(self.row.number, self.heading(column)));
    }

    pub(super) fn writing(&self, column: Column) -> Writing {
        let document = self.list.options.unit;
        let of_heading = self.list.headings.place(column).and_then(|(_, k)| k.unit);
        Writing {
            document,
            unit: of_heading.unwrap_or(document),
            decimal: self.list.decimal,
        }
    }

    /// As the document will have it: a number, a text with its unit, or one that counts on named lengths and readings.
    fn length(&mut self, column: Column) -> Option<Value> {
        let Some(cell) = self.cell(column) else {
            self.missing(column);
            return None;
        };
        let writing = self.writing(column);
        let names = &self.list.options.lengths;
        let counts = |text: &str| {
            text.contains("stock.") || names.keys().any(|name| text.contains(name.as_str()))
        };
        let read = match &cell {
            Cell::Number(n) => Ok(Amount::number(*n, writing)),
            Cell::Text(text) if counts(text) => return Some(json!(text.trim())),
            other => parse_amount(&other.shown(), writing),
        };
        match read {
            Ok(amount) => Some(amount.value),
            Err(why) => {
                self.wrong(column, why, format!("Write it like {}.", column.example()));
                None
            }
        }
    }

    /// The word of the job that the row belongs to.
    pub(super) fn job(&mut self) -> String {
        if self.list.headings.place(Column::Job).is_none() {
            return String::new();
        }
        match self.text(Column::Job) {
            Some(word) => word,
            None => {
                if !self.unclear(Column::Job) {
                    self.wrong(
                        Column::Job,
                        "The list has a column for jobs, and the row names none.",
                        "Write in each row to which job it belongs, also in rows below the first of a job.",
                    );
                }
                String::new()
            }
        }
    }

    /// How many; 0 leaves the row out.
    pub(super) fn count(&mut self) -> u32 {
        let remedy = "Write how many are made; 0 leaves the row out.";
        self.whole_number(Column::Count, 0, remedy).unwrap_or(1)
    }

    /// How many times the row's job is made; rows of a job do not contradict each other.
    fn sets(&mut self, draft: &mut Draft) {
        let remedy = "Write how many times the whole job is made.";
        let Some(sets) = self.whole_number(Column::Sets, 1, remedy) else {
            return;
        };
        match draft.sets {
            None => {
                draft.sets = Some((sets, self.row.number));
                self.note(draft, Pointer::default().step("sets"), Column::Sets);
            }
            Some((before, row)) if before != sets => {
                let message =
                    format!("The row asks for {sets} sets of its job, row {row} for {before}.");
                self.wrong(
                    Column::Sets,
                    message,
                    "Write the same number in all rows of a job, or in one of them and leave the others empty.",
                );
            }
            Some(_) => {}
        }
    }

    /// A whole number of at least `least`; nothing where the cell is empty or wrong, which is told.
    fn whole_number(&mut self, column: Column, least: u32, remedy: &str) -> Option<u32> {
        let cell = self.cell(column)?;
        let n = match &cell {
            Cell::Number(n) => Some(*n),
            other => parse_number(&other.shown(), self.list.decimal).ok(),
        };
        match n {
            Some(n) if n.fract() == 0.0 && (f64::from(least)..=10_000.0).contains(&n) => {
                Some(n as u32)
            }
            _ => {
                let shown = cell.shown();
                let message = format!("\"{shown}\" is not a whole number from {least} to 10000.");
                self.wrong(column, message, remedy);
                None
            }
        }
    }

    pub(super) fn id(&mut self) -> Option<String> {
        let Some(text) = self.text(Column::Part) else {
            self.missing(Column::Part);
            return None;
        };
        let good = text.len() <= 80
            && !text.starts_with('.')
            && text
                .bytes()
                .all(|b| b.is_ascii_alphanumeric() || b"-_.".contains(&b));
        if good {
            return Some(text);
        }
        self.wrong(
            Column::Part,
            format!("\"{text}\" cannot be an id: ids have letters, digits, dashes, underscores and points."),
            format!("Write {} here, and the rest in the column `name`.", file_word(&text)),
        );
        None
    }

    /// Notes an id; two rows with the same one are a problem.
    pub(super) fn new_id(&mut self, draft: &mut Draft, id: &str) -> bool {
        match draft.ids.get(id) {
            Some(row) => {
                let message = format!("Row {row} already has a part \"{id}\".");
                self.wrong(
                    Column::Part,
                    message,
                    "Give it another id, or count it there.",
                );
                false
            }
            None => {
                draft.ids.insert(id.to_string(), self.row.number);
                true
            }
        }
    }

    pub(super) fn note(&self, draft: &mut Draft, pointer: Pointer, column: Column) {
        let place = ListPlace {
            row: self.row.number,
            column: self.heading(column),
        };
        draft.places.insert(pointer, place);
    }

    pub(super) fn fill(&mut self, draft: &mut Draft) {
        let count = self.count();
        if count == 0 {
            return;
        }
        self.sets(draft);
        match self.text(Column::Drawing) {
            Some(file) => self.drawn(draft, file, count),
            None => {
                if self.filled(Column::DrawingPart) {
                    self.wrong(
                        Column::DrawingPart,
                        "The row names no drawing.",
                        "Name its file in the column `drawing`, or empty this cell.",
                    );
                    return;
                }
                self.described(draft, count);
            }
        }
    }

    /// Something stands in the row's own cell.
    pub(super) fn filled(&self, column: Column) -> bool {
        self.list
            .headings
            .place(column)
            .is_some_and(|(at, _)| self.row.cell(at).is_some())
    }

    /// Features of all their columns, each with the column that it comes from.
    pub(super) fn features(&mut self) -> Vec<(Column, Value)> {
        let mut made = Vec::new();
        for column in Column::ALL.into_iter().filter(|c| c.is_feature()) {
            let Some(cell) = self.cell(column) else {
                continue;
            };
            match features(column, &cell.shown(), self.writing(column)) {
                Ok(all) => made.extend(all.into_iter().map(|f| (column, f))),
                Err(why) => self.wrong(
                    column,
                    sentence(&why),
                    format!("Write it like: {}.", column.example()),
                ),
            }
        }
        made
    }

    /// A piece of length and width.
    pub(super) fn described(&mut self, draft: &mut Draft, count: u32) {
        let id = self.id();
        let name = self.text(Column::Name);
        let stock = self.text(Column::Stock);
        if stock.is_none() {
            self.missing(Column::Stock);
        }
        let (length, width) = (self.length(Column::Length), self.length(Column::Width));
        let dimensioned = self.yes_or_no(Column::Dimensioned);
        let mut all_tenons = Vec::new();
        for (column, end) in [(Column::TenonLeft, "left"), (Column::TenonRight, "right")] {
            let Some(cell) = self.cell(column) else {
                continue;
            };
            match tenons(end, &cell.shown(), self.writing(column)) {
                Ok(made) => all_tenons.extend(made.into_iter().map(|t| (column, t))),
                Err(why) => self.wrong(
                    column,
                    sentence(&why),
                    format!("Write it like: {}.", column.example()),
                ),
            }
        }
        let features = self.features();
        let (Some(id), Some(stock), Some(length), Some(width)) = (id, stock, length, width) else {
            return;
        };
        if !self.new_id(draft, &id) {
            return;
        }
        let at = Pointer::default().step("parts").step(draft.parts.len());
        self.note(draft, at.clone(), Column::Part);
        self.note(draft, at.step("name"), Column::Name);
        self.note(draft, at.step("count"), Column::Count);
        self.note(draft, at.step("stock"), Column::Stock);
        self.note(draft, at.step("blank").step("length"), Column::Length);
        self.note(draft, at.step("blank").step("width"), Column::Width);
        self.note(
            draft,
            Pointer::default().step("only").step(&id),
            Column::Part,
        );
        let mut blank = json!({ "length": length, "width": width });
        if dimensioned {
            blank["dimensioned"] = json!(true);
            self.note(
                draft,
                at.step("blank").step("dimensioned"),
                Column::Dimensioned,
            );
        }
        let mut part = json!({ "id": id, "stock": stock, "count": count });
        for (i, (column, _)) in all_tenons.iter().enumerate() {
            self.note(draft, at.step("blank").step("tenons").step(i), *column);
        }
        if !all_tenons.is_empty() {
            let tenons: Vec<Value> = all_tenons.into_iter().map(|(_, t)| t).collect();
            blank["tenons"] = Value::Array(tenons);
        }
        part["blank"] = blank;
        self.finish(draft, &mut part, &at, name, features);
        draft.parts.push(part);
        draft.only.insert(id, json!(count));
    }

    pub(super) fn finish(
        &self,
        draft: &mut Draft,
        part: &mut Value,
        at: &Pointer,
        name: Option<String>,
        features: Vec<(Column, Value)>,
    ) {
        if let Some(name) = name {
            part["name"] = json!(name);
        }
        for (i, (column, _)) in features.iter().enumerate() {
            self.note(draft, at.step("features").step(i), *column);
        }
        if !features.is_empty() {
            part["features"] = features.into_iter().map(|(_, f)| f).collect();
        }
    }

    pub(super) fn yes_or_no(&mut self, column: Column) -> bool {
        let Some(cell) = self.cell(column) else {
            return false;
        };
        match cell.shown().to_lowercase().as_str() {
            "yes" | "true" | "1" => true,
            "no" | "false" | "0" => false,
            other => {
                let message = format!("\"{other}\" is neither yes nor no.");
                self.wrong(column, message, "Write yes or no; an empty cell is no.");
                false
            }
        }
    }
}

/// Begins with a capital and ends with a point.
fn sentence(text: &str) -> String {
    let text = text.trim_end_matches('.');
    let mut chars = text.chars();
    match chars.next() {
        Some(first) => format!("{}{}.", first.to_uppercase(), chars.as_str()),
        None => String::new(),
    }
}
