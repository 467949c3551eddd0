//! Lists as text: which characters the bytes are, and RFC 4180 with one of three separators.
//!
//! The reader is our own for two reasons: rows are told as a spreadsheet counts them, empty lines included, and a quotation mark that
//! is never closed is a problem with its row, where readers in use take the rest of the file for one cell in silence. A test compares
//! it with such a reader.

use super::grid::{Cell, Limits, ListRow, RowProblem};
use super::options::Separator;

/// Bytes to characters: by the byte order mark where there is one, else UTF-8, else Windows-1252, in which every byte means something.
pub(super) fn characters(bytes: &[u8]) -> Result<String, RowProblem> {
    let save_again = "Save the list again as CSV in UTF-8.";
    if let Some((encoding, mark)) = encoding_rs::Encoding::for_bom(bytes) {
        let (text, broken) = encoding.decode_without_bom_handling(&bytes[mark..]);
        return match broken {
            false => Ok(text.into_owned()),
            true => Err(RowProblem::new(
                "unreadable-list",
                format!(
                    "The list says that it is {} and has bytes that are not.",
                    encoding.name()
                ),
                save_again,
            )),
        };
    }
    if bytes.contains(&0) {
        return Err(RowProblem::new(
            "unreadable-list",
            "The list is no text: it has bytes of 0.",
            save_again,
        ));
    }
    match std::str::from_utf8(bytes) {
        Ok(text) => Ok(text.to_string()),
        Err(_) => Ok(encoding_rs::WINDOWS_1252
            .decode_without_bom_handling(bytes)
            .0
            .into_owned()),
    }
}

/// Rows that have something in them.
pub(super) fn rows(
    text: &str,
    separator: Separator,
    problems: &mut Vec<RowProblem>,
) -> Vec<ListRow> {
    let separator = separator.char();
    let mut reader = Reader {
        rest: text.chars().peekable(),
        separator,
    };
    let (mut rows, mut limits) = (Vec::new(), Limits::default());
    let mut number = 0;
    while let Some(record) = reader.record() {
        number += 1;
        if !limits.row(number, problems) {
            break;
        }
        let mut row = ListRow {
            number,
            cells: Vec::new(),
        };
        for (column, text) in record.cells.iter().enumerate() {
            let Some(cell) = Cell::text(text) else {
                continue;
            };
            let column = column as u32;
            if limits.cell(number, column, text, problems) {
                row.cells.push((column, cell));
            }
        }
        if let Some(column) = record.open {
            problems.push(
                RowProblem::new(
                    "unreadable-list",
                    "A quotation mark opens a cell and none closes it.",
                    "Close it; a quotation mark inside such a cell is written twice.",
                )
                .at(number, super::grid::letters(column as u32)),
            );
        }
        if !row.cells.is_empty() {
            rows.push(row);
        }
    }
    rows
}

struct Record {
    cells: Vec<String>,
    /// The cell whose quotation mark was never closed.
    open: Option<usize>,
}

struct Reader<'t> {
    rest: std::iter::Peekable<std::str::Chars<'t>>,
    separator: char,
}

impl Reader<'_> {
    /// The next line's cells; `None` at the end of the text.
    fn record(&mut self) -> Option<Record> {
        self.rest.peek()?;
        let mut record = Record {
            cells: Vec::new(),
            open: None,
        };
        loop {
            let mut cell = String::new();
            let mut closed = true;
            if self.rest.peek() == Some(&'"') {
                self.rest.next();
                closed = self.quoted(&mut cell);
            }
            if !closed {
                record.open = Some(record.cells.len());
            }
            // What follows a closing mark belongs to the cell, as a spreadsheet takes it.
            let more = loop {
                match self.rest.next() {
                    Some(c) if c == self.separator => break true,
                    Some('\r') => {
                        self.rest.next_if_eq(&'\n');
                        break false;
                    }
                    Some('\n') | None => break false,
                    Some(c) => cell.push(c),
                }
            };
            record.cells.push(cell);
            if !more {
                return Some(record);
            }
        }
    }

    /// Up to the closing mark. False when there is none.
    fn quoted(&mut self, cell: &mut String) -> bool {
        while let Some(c) = self.rest.next() {
            match c {
                '"' if self.rest.next_if_eq(&'"').is_none() => return true,
                c => cell.push(c),
            }
        }
        false
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(text: &str) -> (Vec<(u32, Vec<String>)>, usize) {
        let mut problems = Vec::new();
        let rows = rows(text, Separator::Comma, &mut problems);
        let rows = rows
            .into_iter()
            .map(|r| (r.number, r.cells.iter().map(|(_, c)| c.shown()).collect()))
            .collect();
        (rows, problems.len())
    }

    #[test]
    fn rows_are_counted_as_a_spreadsheet_does() {
        let text = "a,b\r\n\r\n\"x\ny\",\"say \"\"so\"\"\"\r\n,,\nlast";
        let (rows, problems) = read(text);
        let told: Vec<(u32, Vec<&str>)> = rows
            .iter()
            .map(|(n, c)| (*n, c.iter().map(String::as_str).collect()))
            .collect();
        assert_eq!(
            told,
            [
                (1, vec!["a", "b"]),
                (3, vec!["x\ny", "say \"so\""]),
                (5, vec!["last"])
            ]
        );
        assert_eq!(problems, 0);
    }

    #[test]
    fn a_mark_that_is_never_closed_is_a_problem_of_its_row() {
        let mut problems = Vec::new();
        rows("a\nb,\"c,d\ne,f\n", Separator::Comma, &mut problems);
        assert_eq!(problems.len(), 1, "{problems:?}");
        assert_eq!(
            (problems[0].row, problems[0].column.as_deref()),
            (Some(2), Some("B"))
        );
    }

    #[test]
    fn characters_of_each_encoding() {
        let text = "Länge;½ \u{2019}";
        let utf16 = |little: bool| -> Vec<u8> {
            let mark = if little { [0xff, 0xfe] } else { [0xfe, 0xff] };
            let units = text.encode_utf16().flat_map(|u| match little {
                true => u.to_le_bytes(),
                false => u.to_be_bytes(),
            });
            mark.into_iter().chain(units).collect()
        };
        let with_mark = [b"\xef\xbb\xbf".as_slice(), text.as_bytes()].concat();
        // Windows-1252 by its code chart (Unicode mapping table CP1252): ä E4, ½ BD, ’ 92.
        let western = b"L\xe4nge;\xbd \x92".to_vec();
        for bytes in [
            text.as_bytes().to_vec(),
            with_mark,
            utf16(true),
            utf16(false),
            western,
        ] {
            assert_eq!(characters(&bytes).unwrap(), text);
        }
        assert!(characters(b"a\0b").is_err());
        assert!(characters(b"\xff\xfea\0\xff\xdc").is_err(), "half a pair");
    }
}
