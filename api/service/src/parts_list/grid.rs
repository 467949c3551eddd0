//! Rows and cells, before anybody knows what they mean; problems, told by the row and column that the spreadsheet shows.

use serde::Serialize;

/// More rows than this are refused: nobody checks them.
pub const MOST_ROWS: u32 = 20_000;
/// More columns than this are refused.
pub const MOST_COLUMNS: u32 = 256;
/// Longer cells are refused.
pub const LONGEST_CELL: usize = 4_000;
/// Larger lists are refused unread.
pub const MOST_BYTES: usize = 32 << 20;
/// More problems than this are counted, not listed.
const MOST_PROBLEMS: usize = 400;

/// Something wrong in a parts list.
#[derive(Clone, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "kebab-case")]
pub struct RowProblem {
    /// The row, as the spreadsheet counts: from 1, title rows and empty ones included.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub row: Option<u32>,
    /// The column's heading, as the list writes it, or its letters where it has none.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub column: Option<String>,
    /// A stable word.
    pub code: &'static str,
    /// One or two plain sentences.
    pub message: String,
    /// What to do.
    pub remedy: String,
}

impl RowProblem {
    /// A problem of the whole list.
    pub fn new(
        code: &'static str,
        message: impl Into<String>,
        remedy: impl Into<String>,
    ) -> RowProblem {
        RowProblem {
            row: None,
            column: None,
            code,
            message: message.into(),
            remedy: remedy.into(),
        }
    }

    pub(super) fn at(mut self, row: u32, column: impl Into<String>) -> RowProblem {
        self.row = Some(row);
        self.column = Some(column.into());
        self
    }

    pub(super) fn row(mut self, row: u32) -> RowProblem {
        self.row = Some(row);
        self
    }
}

impl std::fmt::Display for RowProblem {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        if let Some(row) = self.row {
            write!(f, "row {row}")?;
            if let Some(column) = &self.column {
                write!(f, ", {column}")?;
            }
            f.write_str(": ")?;
        }
        write!(f, "{} {}", self.message, self.remedy)
    }
}

/// Sorts problems by place; more than anybody reads are counted.
pub(super) fn settle(mut problems: Vec<RowProblem>) -> Vec<RowProblem> {
    problems.sort();
    problems.dedup();
    if problems.len() > MOST_PROBLEMS {
        let more = problems.len() - MOST_PROBLEMS;
        problems.truncate(MOST_PROBLEMS);
        problems.push(RowProblem::new(
            "more-problems",
            format!("{more} more problems are not listed."),
            "Cure these first; many of the rest may have the same cause.",
        ));
    }
    problems
}

/// What stands in a cell.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum Cell {
    Text(String),
    Number(f64),
    Truth(bool),
    /// Nothing that can be read: why, and what to do.
    Unclear(&'static str, &'static str),
}

impl Cell {
    /// Text without the spaces around it; `None` when nothing is left.
    pub(super) fn text(text: &str) -> Option<Cell> {
        let text = text.trim_matches(|c: char| c.is_whitespace() || c == '\u{feff}');
        (!text.is_empty()).then(|| Cell::Text(text.to_string()))
    }

    pub(super) fn shown(&self) -> String {
        match self {
            Cell::Text(text) => text.clone(),
            Cell::Number(n) => plain(*n),
            Cell::Truth(true) => "true".to_string(),
            Cell::Truth(false) => "false".to_string(),
            Cell::Unclear(..) => String::new(),
        }
    }
}

/// A number as people write it: what a formula's arithmetic left behind the ninth decimal is not shown.
pub(super) fn plain(n: f64) -> String {
    format!("{}", settled(n))
}

/// Without what a formula's arithmetic left behind the ninth decimal.
pub(super) fn settled(n: f64) -> f64 {
    let scaled = n * 1e9;
    match scaled.abs() < 9e15 {
        true => scaled.round() / 1e9,
        false => n,
    }
}

/// A row that has something in it: cells by their column, counted from 0.
#[derive(Clone, Debug, Default, PartialEq)]
pub(super) struct ListRow {
    pub number: u32,
    pub cells: Vec<(u32, Cell)>,
}

impl ListRow {
    pub(super) fn cell(&self, column: u32) -> Option<&Cell> {
        self.cells
            .iter()
            .find(|(at, _)| *at == column)
            .map(|(_, cell)| cell)
    }
}

/// A column's letters, as a spreadsheet shows them: A, B … Z, AA.
pub(super) fn letters(column: u32) -> String {
    let mut text = Vec::new();
    let mut n = column + 1;
    while n > 0 {
        n -= 1;
        text.push(char::from(b'A' + (n % 26) as u8));
        n /= 26;
    }
    text.iter().rev().collect()
}

/// Refuses what is beyond the limits; each kind once.
#[derive(Default)]
pub(super) struct Limits {
    told: [bool; 3],
}

impl Limits {
    /// The row may be read. Rows after the last that is read are one problem.
    pub(super) fn row(&mut self, row: u32, problems: &mut Vec<RowProblem>) -> bool {
        let fits = row <= MOST_ROWS;
        if !fits && !std::mem::replace(&mut self.told[0], true) {
            problems.push(
                RowProblem::new(
                    "list-too-large",
                    format!("The list goes on after row {MOST_ROWS}, the last that is read."),
                    "Divide it into several lists, or clear what stands far below the table.",
                )
                .row(row),
            );
        }
        fits
    }

    pub(super) fn cell(
        &mut self,
        row: u32,
        column: u32,
        text: &str,
        problems: &mut Vec<RowProblem>,
    ) -> bool {
        if column >= MOST_COLUMNS {
            if !std::mem::replace(&mut self.told[1], true) {
                let message = format!(
                    "Something stands in column {}, beyond the {MOST_COLUMNS} that are read.",
                    letters(column)
                );
                problems.push(
                    RowProblem::new(
                        "list-too-large",
                        message,
                        "Clear what stands beside the table.",
                    )
                    .at(row, letters(column)),
                );
            }
            return false;
        }
        if text.len() > LONGEST_CELL {
            if !std::mem::replace(&mut self.told[2], true) {
                problems.push(
                    RowProblem::new(
                        "list-too-large",
                        format!(
                            "The cell has {} characters, more than the {LONGEST_CELL} that are read.",
                            text.chars().count()
                        ),
                        "Shorten it; a quotation mark that is never closed makes one cell of all that follows.",
                    )
                    .at(row, letters(column)),
                );
            }
            return false;
        }
        true
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn columns_have_the_letters_of_a_spreadsheet() {
        for (column, text) in [
            (0, "A"),
            (25, "Z"),
            (26, "AA"),
            (51, "AZ"),
            (52, "BA"),
            (701, "ZZ"),
            (702, "AAA"),
            (16383, "XFD"),
        ] {
            assert_eq!(letters(column), text);
        }
    }

    #[test]
    fn numbers_lose_what_arithmetic_left() {
        assert_eq!(plain(0.1 + 0.2), "0.3");
        assert_eq!(plain(19.2 * 3.0), "57.6");
        assert_eq!(plain(1000.0), "1000");
        assert_eq!(plain(1e30), format!("{}", 1e30));
    }
}
