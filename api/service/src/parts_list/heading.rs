//! Which row has the headings, and what each column means.

use super::grid::{Cell, ListRow, RowProblem, letters};
use super::options::{Column, ListOptions};
use grainway_pipeline::chain::nearest;
use grainway_pipeline::doc::Unit;
use std::collections::BTreeMap;

/// Headings stand among the first rows that have something in them.
const LOOKED_AT: usize = 100;

/// A column of this list.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Known {
    pub column: Column,
    /// The heading as the list writes it.
    pub heading: String,
    /// The unit that the heading says.
    pub unit: Option<Unit>,
}

/// The table's columns by their place.
#[derive(Clone, Debug, Default)]
pub(super) struct Headings {
    /// The row that they stand in.
    pub row: u32,
    pub columns: BTreeMap<u32, Known>,
    /// Columns that are left out on purpose.
    pub left_out: Vec<u32>,
}

impl Headings {
    pub(super) fn place(&self, column: Column) -> Option<(u32, &Known)> {
        self.columns
            .iter()
            .find(|(_, k)| k.column == column)
            .map(|(at, k)| (*at, k))
    }

    /// The heading of a column as the list writes it.
    pub(super) fn shown(&self, column: Column) -> &str {
        self.place(column)
            .map_or(column.word(), |(_, k)| k.heading.as_str())
    }
}

/// How many columns of its best row are known: the separator that makes most of a text is the right one.
pub(super) fn score(rows: &[ListRow], options: &ListOptions) -> usize {
    rows.iter()
        .take(LOOKED_AT)
        .map(|row| known_in(row, options))
        .max()
        .unwrap_or(0)
}

fn known_in(row: &ListRow, options: &ListOptions) -> usize {
    row.cells
        .iter()
        .filter(|(_, cell)| meaning(cell, options).is_some())
        .count()
}

/// Finds the headings: the first row with two known ones, of which one says what is made.
pub(super) fn find(
    rows: &[ListRow],
    options: &ListOptions,
    problems: &mut Vec<RowProblem>,
) -> Option<Headings> {
    let names_a_part = |row: &ListRow| {
        row.cells.iter().any(|(_, cell)| {
            matches!(
                meaning(cell, options),
                Some((Column::Part | Column::Drawing, _))
            )
        })
    };
    let looked_at = || rows.iter().take(LOOKED_AT);
    let row = looked_at()
        .find(|row| known_in(row, options) >= 2 && names_a_part(row))
        // Near it: its own mistakes are told rather than that there is none.
        .or_else(|| {
            looked_at()
                .max_by_key(|row| (known_in(row, options), std::cmp::Reverse(row.number)))
                .filter(|row| known_in(row, options) >= 2)
        });
    let Some(row) = row else {
        problems.push(RowProblem::new(
            "no-headings",
            "The list has no row of headings.",
            "Write them above the table: part, count, stock, length, width; or name the list's own in the option `columns`.",
        ));
        return None;
    };
    let mut headings = Headings {
        row: row.number,
        ..Headings::default()
    };
    for (at, cell) in &row.cells {
        read_heading(*at, cell, row.number, options, &mut headings, problems);
    }
    if headings.place(Column::Part).is_none() && headings.place(Column::Drawing).is_none() {
        problems.push(
            RowProblem::new(
                "missing-column",
                "The list has no column \"part\".",
                "Give every part a short id in a column with that heading.",
            )
            .row(row.number),
        );
    }
    Some(headings)
}

fn read_heading(
    at: u32,
    cell: &Cell,
    row: u32,
    options: &ListOptions,
    headings: &mut Headings,
    problems: &mut Vec<RowProblem>,
) {
    let heading = cell.shown();
    if heading.starts_with('#') {
        headings.left_out.push(at);
        return;
    }
    let Some((column, unit)) = meaning(cell, options) else {
        problems.push(unknown(at, &heading, row, options));
        return;
    };
    if let Some((other, _)) = headings.place(column) {
        problems.push(
            RowProblem::new(
                "repeated-column",
                format!(
                    "The columns {} and {} both mean \"{}\".",
                    letters(other),
                    letters(at),
                    column.word()
                ),
                "Rename one, or put # in front of its heading to leave it out.",
            )
            .at(row, heading),
        );
        return;
    }
    let known = Known {
        column,
        heading,
        unit,
    };
    headings.columns.insert(at, known);
}

fn unknown(at: u32, heading: &str, row: u32, options: &ListOptions) -> RowProblem {
    let key = simple(heading).0;
    let own: Vec<String> = options.columns.keys().map(|h| simple(h).0).collect();
    let words = Column::ALL.iter().map(|c| c.word());
    let offer = common(&key)
        .or_else(|| nearest(&key, words.chain(own.iter().map(String::as_str))))
        .map(|w| format!(" Did you mean \"{w}\"?"))
        .unwrap_or_default();
    let (shown, column) = match heading.is_empty() {
        true => (
            format!("The heading in column {} cannot be read.", letters(at)),
            letters(at),
        ),
        false => (
            format!("No column is called \"{}\".{offer}", cut(heading)),
            cut(heading),
        ),
    };
    RowProblem::new(
        "unknown-column",
        shown,
        "Rename it, or put # in front of the heading to leave the column out.",
    )
    .at(row, column)
}

/// What people often call a column.
fn common(key: &str) -> Option<&'static str> {
    match key {
        "quantity" | "qty" | "pieces" | "number" | "amount" => Some("count"),
        "material" | "wood" | "board" => Some("stock"),
        "id" | "item" => Some("part"),
        "description" | "title" => Some("name"),
        "file" => Some("drawing"),
        "rabbets" | "rabbet" => Some("rebates"),
        "dados" | "dado" | "dadoes" => Some("housings"),
        _ => None,
    }
}

fn cut(text: &str) -> String {
    const LONGEST: usize = 60;
    let mut shown: String = text.chars().take(LONGEST).collect();
    if text.chars().count() > LONGEST {
        shown.push('…');
    }
    shown.replace(char::is_control, " ")
}

/// What a heading means, and the unit that it says.
fn meaning(cell: &Cell, options: &ListOptions) -> Option<(Column, Option<Unit>)> {
    let Cell::Text(text) = cell else {
        return None;
    };
    let own = |key: &str| {
        options
            .columns
            .iter()
            .find(|(heading, _)| simple(heading).0 == key)
            .map(|(_, column)| *column)
    };
    let (key, unit) = simple(text);
    let standing = || {
        Column::ALL.into_iter().find(|c| {
            let word = c.word();
            key == word || (c.is_feature() && singular(word) == key)
        })
    };
    own(&key).or_else(standing).map(|column| (column, unit))
}

fn singular(word: &str) -> &str {
    word.strip_suffix('s').unwrap_or(word)
}

/// A heading without capitals, spaces and the unit behind it.
fn simple(heading: &str) -> (String, Option<Unit>) {
    let lower = heading.trim().to_lowercase();
    let (words, unit) = [
        ("(mm)", Unit::Mm),
        ("[mm]", Unit::Mm),
        ("(in)", Unit::Inch),
        ("[in]", Unit::Inch),
    ]
    .into_iter()
    .find_map(|(mark, unit)| lower.strip_suffix(mark).map(|w| (w, Some(unit))))
    .unwrap_or((lower.as_str(), None));
    let key: Vec<&str> = words
        .split(|c: char| c.is_whitespace() || c == '_' || c == '-')
        .filter(|w| !w.is_empty())
        .collect();
    (key.join("-"), unit)
}
