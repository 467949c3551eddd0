//! Pairs from a binary file.

use super::pair::{Pair, Value};
use crate::entity::Refusal;

/// First bytes of a binary file: 22 of them, from the published reference.
const SENTINEL: &[u8; 22] =
    b"\x41\x75\x74\x6F\x43\x41\x44\x20\x42\x69\x6E\x61\x72\x79\x20\x44\x58\x46\x0D\x0A\x1A\x00";

/// Does a file begin as a binary one? The last bytes may have been spoilt on the way, as line ends are.
pub(super) fn is_binary(bytes: &[u8]) -> bool {
    bytes.starts_with(&SENTINEL[..18])
}

/// How a value is stored in a binary file, by group code.
enum Stored {
    Text,
    Double,
    Int16,
    Int32,
    Int64,
    Byte,
    Chunk,
}

fn stored(code: i32) -> Option<Stored> {
    Some(match code {
        0..=9
        | 100..=102
        | 105
        | 300..=309
        | 320..=369
        | 390..=399
        | 410..=419
        | 430..=439
        | 470..=481
        | 999 => Stored::Text,
        1004 | 310..=319 => Stored::Chunk,
        1000..=1009 => Stored::Text,
        10..=59 | 110..=149 | 210..=239 | 460..=469 | 1010..=1059 => Stored::Double,
        60..=79 | 170..=179 | 270..=289 | 370..=389 | 400..=409 | 1060..=1070 => Stored::Int16,
        90..=99 | 420..=429 | 440..=459 | 1071 => Stored::Int32,
        160..=169 => Stored::Int64,
        290..=299 => Stored::Byte,
        _ => return None,
    })
}

/// Bytes that are read from front to back.
struct Reading<'a> {
    bytes: &'a [u8],
    at: usize,
}

impl<'a> Reading<'a> {
    fn take(&mut self, n: usize) -> Result<&'a [u8], Refusal> {
        let slice = self
            .bytes
            .get(self.at..self.at + n)
            .ok_or_else(|| damaged(self.at, "it ends in the middle of a value"))?;
        self.at += n;
        Ok(slice)
    }
    fn array<const N: usize>(&mut self) -> Result<[u8; N], Refusal> {
        Ok(self.take(N)?.try_into().unwrap_or([0; N]))
    }
    fn short(&mut self) -> Result<i16, Refusal> {
        Ok(i16::from_le_bytes(self.array()?))
    }
    /// A group code. Before release 13 it is one byte, or 255 and two bytes.
    fn code(&mut self, wide: bool) -> Result<i32, Refusal> {
        if wide {
            return Ok(i32::from(self.short()?));
        }
        match self.array::<1>()? {
            [255] => Ok(i32::from(self.short()?)),
            [code] => Ok(i32::from(code)),
        }
    }
    fn value(&mut self, kind: Stored) -> Result<Value, Refusal> {
        Ok(match kind {
            Stored::Text => {
                let end = self.bytes[self.at..].iter().position(|b| *b == 0);
                let end = end.ok_or_else(|| damaged(self.at, "a text does not end"))?;
                let text = self.take(end)?.to_vec();
                self.at += 1;
                Value::Text(text)
            }
            Stored::Double => Value::Number(f64::from_le_bytes(self.array()?)),
            Stored::Int16 => Value::Number(f64::from(self.short()?)),
            Stored::Int32 => Value::Number(f64::from(i32::from_le_bytes(self.array()?))),
            Stored::Int64 => Value::Number(i64::from_le_bytes(self.array()?) as f64),
            Stored::Byte => Value::Number(f64::from(self.array::<1>()?[0])),
            Stored::Chunk => {
                let n = usize::from(self.array::<1>()?[0]);
                self.take(n)?;
                Value::Text(Vec::new())
            }
        })
    }
}

fn damaged(at: usize, what: &str) -> Refusal {
    Refusal::Damaged(format!("{what} at byte {at}"))
}

/// All pairs of a binary file, up to its end mark.
pub(super) fn pairs(bytes: &[u8]) -> Result<Vec<Pair>, Refusal> {
    if bytes.len() < 26 {
        return Err(damaged(bytes.len(), "it ends"));
    }
    // The file starts with code 0 and "SECTION", whatever the width of its codes.
    let wide = bytes[22] == 0 && bytes[23] == 0;
    let mut reading = Reading {
        bytes,
        at: SENTINEL.len(),
    };
    let mut pairs = Vec::new();
    while reading.at < bytes.len() {
        let start = reading.at;
        let code = reading.code(wide)?;
        let kind = stored(code)
            .ok_or_else(|| damaged(start, &format!("it has the unknown group code {code}")))?;
        let value = reading.value(kind)?;
        let pair = Pair { code, value };
        let end = pair.is(0, "EOF");
        pairs.push(pair);
        if end {
            break;
        }
    }
    Ok(pairs)
}
