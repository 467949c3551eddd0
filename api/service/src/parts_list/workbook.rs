//! Lists as workbooks (Office Open XML, ISO/IEC 29500): the cells of one sheet, streamed.
//!
//! A workbook is a zip of XML from somebody else. Everything in it is unpacked once, only to be counted, before anything is kept; the
//! library that reads it is asked for cells one by one, since its tables are as large as the farthest cell says. Its panics end here.

use super::grid::{Cell, Limits, ListRow, RowProblem};
use calamine::{DataRef, Reader, Xlsx, XlsxError};
use std::io::{Cursor, Read};
use std::panic::{AssertUnwindSafe, catch_unwind};
use zip::ZipArchive;

/// Most bytes of a workbook once unpacked.
const MOST_UNPACKED: u64 = 48 << 20;
/// Most files in it.
const MOST_FILES: usize = 1_000;
/// Cells that are looked at, those with nothing but a border included.
const MOST_CELLS: u64 = 2_000_000;

fn unreadable(message: impl Into<String>) -> RowProblem {
    RowProblem::new(
        "unreadable-list",
        message,
        "Save the list again as an .xlsx workbook without a password, or as CSV.",
    )
}

/// The rows of a sheet; of the first when none is named.
pub(super) fn rows(
    bytes: &[u8],
    sheet: Option<&str>,
    problems: &mut Vec<RowProblem>,
) -> Result<Vec<ListRow>, RowProblem> {
    bounded(bytes)?;
    // Its arithmetic on places of cells overflows where they are absurd; what a stranger sends must not end a server.
    let read = catch_unwind(AssertUnwindSafe(|| cells(bytes, sheet)));
    let (rows, found) = read.unwrap_or_else(|_| Err(unreadable("The workbook is damaged.")))?;
    problems.extend(found);
    Ok(rows)
}

/// Refuses what would need too much room, before it is given any.
fn bounded(bytes: &[u8]) -> Result<(), RowProblem> {
    let damaged = |e: &dyn std::fmt::Display| {
        unreadable(format!("The list is no workbook that can be read: {e}."))
    };
    let mut archive = ZipArchive::new(Cursor::new(bytes)).map_err(|e| damaged(&e))?;
    let large = || {
        RowProblem::new(
            "list-too-large",
            format!(
                "The workbook unpacks to more than {} MiB or {MOST_FILES} files.",
                MOST_UNPACKED >> 20
            ),
            "Save only the parts list, without pictures and other sheets.",
        )
    };
    if archive.len() > MOST_FILES {
        return Err(large());
    }
    let mut left = MOST_UNPACKED;
    let mut buffer = vec![0; 64 << 10];
    for i in 0..archive.len() {
        let mut file = archive.by_index(i).map_err(|e| damaged(&e))?;
        let name = file.name().map_err(|e| damaged(&e))?.to_ascii_lowercase();
        let xml = name.ends_with(".xml") || name.ends_with(".rels");
        let texts = name.contains("sharedstrings");
        let mut kept = Vec::new();
        loop {
            let n = file.read(&mut buffer).map_err(|e| damaged(&e))?;
            if n == 0 {
                break;
            }
            left = left.checked_sub(n as u64).ok_or_else(large)?;
            if xml && buffer[..n].contains(&0) {
                return Err(unreadable("The workbook's XML is not UTF-8."));
            }
            if texts {
                kept.extend_from_slice(&buffer[..n]);
            }
        }
        if counts_beyond(&kept) {
            return Err(unreadable(
                "The workbook says that it has more texts than it can have.",
            ));
        }
    }
    Ok(())
}

/// The library makes room for as many texts as the workbook says that it has; a number beyond all sense would end the process.
fn counts_beyond(xml: &[u8]) -> bool {
    const WORD: &[u8] = b"uniqueCount";
    const DIGITS: usize = 7;
    let mut from = 0;
    while let Some(at) = find(&xml[from..], WORD) {
        from += at + WORD.len();
        let value = xml[from..]
            .iter()
            .skip_while(|b| b.is_ascii_whitespace() || matches!(b, b'=' | b'"' | b'\''))
            .take(DIGITS + 1)
            .take_while(|b| !matches!(b, b'"' | b'\'' | b'>'))
            .count();
        if value > DIGITS {
            return true;
        }
    }
    false
}

fn find(text: &[u8], word: &[u8]) -> Option<usize> {
    text.windows(word.len()).position(|w| w == word)
}

type Found = (Vec<ListRow>, Vec<RowProblem>);

fn cells(bytes: &[u8], sheet: Option<&str>) -> Result<Found, RowProblem> {
    let said = |e: XlsxError| match e {
        XlsxError::Password => unreadable("The workbook is locked by a password."),
        e => unreadable(format!("The workbook cannot be read: {e}.")),
    };
    let mut book: Xlsx<_> = Xlsx::new(Cursor::new(bytes)).map_err(said)?;
    let name = sheet_name(&book.sheet_names(), sheet)?;
    let mut reader = book.worksheet_cells_reader(&name).map_err(said)?;
    let mut rows: Vec<ListRow> = Vec::new();
    let (mut problems, mut limits, mut seen) = (Vec::new(), Limits::default(), 0_u64);
    while let Some(found) = reader.next_cell_with_formula_metadata().map_err(said)? {
        seen += 1;
        if seen > MOST_CELLS {
            let message = format!("The sheet has more than {MOST_CELLS} cells.");
            return Err(RowProblem::new(
                "list-too-large",
                message,
                "Clear what stands outside of the table, borders and colours included.",
            ));
        }
        let (row, column) = found.pos;
        let number = row.saturating_add(1);
        let has_formula = found.formula.is_some();
        let cell = match &found.value {
            DataRef::String(text) => text_cell(text, number, column, &mut limits, &mut problems),
            DataRef::SharedString(text) => {
                text_cell(text, number, column, &mut limits, &mut problems)
            }
            value => plain_cell(value, has_formula),
        };
        let Some(cell) = cell else { continue };
        if !limits.row(number, &mut problems) {
            break;
        }
        if !limits.cell(number, column, "", &mut problems) {
            continue;
        }
        match rows.last_mut() {
            Some(last) if last.number == number => last.cells.push((column, cell)),
            Some(last) if last.number > number => {
                return Err(unreadable("The workbook's rows are out of order."));
            }
            _ => rows.push(ListRow {
                number,
                cells: vec![(column, cell)],
            }),
        }
    }
    Ok((rows, problems))
}

/// The sheet of this name, or the first.
fn sheet_name(names: &[String], sheet: Option<&str>) -> Result<String, RowProblem> {
    match sheet {
        Some(name) if names.iter().any(|n| n == name) => Ok(name.to_string()),
        Some(name) => Err(RowProblem::new(
            "no-such-sheet",
            format!(
                "The workbook has no sheet {name:?}; it has {}.",
                names.join(", ")
            ),
            "Name one of its sheets in the option `sheet`.",
        )),
        None => names
            .first()
            .cloned()
            .ok_or_else(|| unreadable("The workbook has no sheet.")),
    }
}

/// A cell that holds no text.
fn plain_cell(value: &DataRef<'_>, has_formula: bool) -> Option<Cell> {
    match value {
        DataRef::Empty if has_formula => Some(Cell::Unclear(
            "The formula has no result.",
            "Open the list in a spreadsheet and save it, so that it is computed.",
        )),
        DataRef::Empty => None,
        DataRef::Int(n) => Some(Cell::Number(*n as f64)),
        DataRef::Float(n) => Some(Cell::Number(*n)),
        DataRef::Bool(b) => Some(Cell::Truth(*b)),
        DataRef::String(_) | DataRef::SharedString(_) => None,
        DataRef::DateTime(_) | DataRef::DateTimeIso(_) | DataRef::DurationIso(_) => {
            Some(Cell::Unclear(
                "The spreadsheet made a date of it.",
                "Give the cell the format Text and write it again, with its unit: 3/4in.",
            ))
        }
        DataRef::Error(_) => Some(Cell::Unclear(
            "The formula ends in an error.",
            "Cure the formula.",
        )),
    }
}

fn text_cell(
    text: &str,
    row: u32,
    column: u32,
    limits: &mut Limits,
    problems: &mut Vec<RowProblem>,
) -> Option<Cell> {
    match limits.cell(row, column, text, problems) {
        true => Cell::text(text),
        false => None,
    }
}
