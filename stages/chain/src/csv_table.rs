//! Tables as CSV (RFC 4180): lines end with CR LF, the first names the columns, and no text becomes a formula where it is opened.

use std::borrow::Cow;

/// A cell.
#[derive(Clone, Debug, PartialEq)]
pub enum Cell<'t> {
    /// Text, of ours or of somebody else.
    Text(Cow<'t, str>),
    /// A number or a moment, as it is to stand there.
    Plain(String),
}

impl<'t> From<&'t str> for Cell<'t> {
    fn from(text: &'t str) -> Cell<'t> {
        Cell::Text(Cow::Borrowed(text))
    }
}

impl From<String> for Cell<'_> {
    fn from(text: String) -> Self {
        Cell::Text(Cow::Owned(text))
    }
}

impl<'t> From<&'t Option<String>> for Cell<'t> {
    fn from(text: &'t Option<String>) -> Cell<'t> {
        text.as_deref().unwrap_or_default().into()
    }
}

impl Cell<'_> {
    /// A number.
    pub fn number(n: impl ToString) -> Self {
        Cell::Plain(n.to_string())
    }
}

/// A text that a spreadsheet takes for text: one that could begin a formula gets an apostrophe in front.
fn defused(text: &str) -> Cow<'_, str> {
    match text.starts_with(['=', '+', '-', '@', '\t', '\r']) {
        true => Cow::Owned(format!("'{text}")),
        false => Cow::Borrowed(text),
    }
}

/// A table; `columns` are separated by commas. Rows have as many cells as there are columns; a shorter one is filled up.
pub fn table<'t>(columns: &str, rows: impl IntoIterator<Item = Vec<Cell<'t>>>) -> Vec<u8> {
    let mut writer = csv::WriterBuilder::new()
        .terminator(csv::Terminator::CRLF)
        .flexible(true)
        .from_writer(Vec::new());
    let count = columns.split(',').count();
    // Into memory, where nothing fails.
    let _ = writer.write_record(columns.split(','));
    for row in rows {
        let filled = count.saturating_sub(row.len());
        let cells = row.iter().map(|cell| match cell {
            Cell::Text(text) => defused(text).into_owned(),
            Cell::Plain(text) => text.clone(),
        });
        let _ = writer.write_record(cells.chain(std::iter::repeat_n(String::new(), filled)));
    }
    writer.into_inner().unwrap_or_default()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_and_quotes_are_those_of_rfc_4180() {
        let text = table(
            "part,note",
            [
                vec!["seat".into(), "a, \"b\"\nc".into()],
                vec!["leg".into()],
            ],
        );
        // RFC 4180, section 2: rules 1, 6 and 7.
        assert_eq!(
            String::from_utf8(text).unwrap(),
            "part,note\r\nseat,\"a, \"\"b\"\"\nc\"\r\nleg,\r\n"
        );
    }

    #[test]
    fn no_text_begins_a_formula_and_numbers_stay_numbers() {
        for start in ["=", "+", "-", "@", "\t", "\r"] {
            let text = format!("{start}1+1");
            assert_eq!(defused(&text), format!("'{text}"));
        }
        assert_eq!(defused("seat = 1"), "seat = 1");
        let text = table("n", [vec![Cell::number(-5)], vec![Cell::number(-0.5)]]);
        assert_eq!(text, b"n\r\n-5\r\n-0.5\r\n");
    }
}
