//! Pairs from a text file: a line with the code, a line with the value.

use super::pair::{Pair, Value};
use crate::entity::Refusal;

/// All pairs of a file of lines, up to its end mark; remarks are left out.
pub(super) fn pairs(bytes: &[u8]) -> Result<Vec<Pair>, Refusal> {
    let bytes = bytes.strip_prefix(b"\xEF\xBB\xBF").unwrap_or(bytes);
    let mut lines = Lines {
        rest: bytes,
        number: 0,
    };
    let mut pairs = Vec::new();
    while let Some(line) = lines.next() {
        let code = std::str::from_utf8(line)
            .ok()
            .and_then(|s| s.trim().parse::<i32>().ok());
        let Some(code) = code else {
            if line.trim_ascii().is_empty() && lines.rest.trim_ascii().is_empty() {
                break;
            }
            return Err(Refusal::Damaged(format!(
                "line {} should be a group code and is not",
                lines.number
            )));
        };
        let at = lines.number;
        let Some(value) = lines.next() else {
            return Err(Refusal::Damaged(format!(
                "it ends after the group code of line {at}"
            )));
        };
        let pair = Pair {
            code,
            value: Value::Text(value.to_vec()),
        };
        let end = pair.is(0, "EOF");
        if code != 999 {
            pairs.push(pair);
        }
        if end {
            break;
        }
    }
    Ok(pairs)
}

/// Lines ended by CR LF, LF or CR.
struct Lines<'a> {
    rest: &'a [u8],
    number: usize,
}

impl<'a> Lines<'a> {
    fn next(&mut self) -> Option<&'a [u8]> {
        if self.rest.is_empty() {
            return None;
        }
        self.number += 1;
        let end = self
            .rest
            .iter()
            .position(|b| matches!(b, b'\n' | b'\r'))
            .unwrap_or(self.rest.len());
        let (line, rest) = self.rest.split_at(end);
        self.rest = rest
            .strip_prefix(b"\r\n")
            .unwrap_or(rest.get(1..).unwrap_or(&[]));
        Some(line)
    }
}
