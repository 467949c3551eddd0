//! JSON text into a value, with what a plain parser keeps to itself: keys given twice, and numbers too large to hold.

use super::problem::Problem;
use crate::pointer::Pointer;
use serde::de::{DeserializeSeed, Deserializer, MapAccess, SeqAccess, Visitor};
use serde_json::{Map, Value};
use std::cell::RefCell;
use std::fmt;

/// The value, and problems that do not keep it from being read on.
pub(super) fn parse(bytes: &[u8]) -> Result<(Value, Vec<Problem>), Problem> {
    let text = std::str::from_utf8(bytes).map_err(|e| {
        Problem::new(
            "",
            format!("The document is not UTF-8 text (byte {}).", e.valid_up_to()),
        )
    })?;
    let text = text.strip_prefix('\u{feff}').unwrap_or(text);
    let (tamed, problems) = tame(text);
    let twice = RefCell::new(problems);
    let mut de = serde_json::Deserializer::from_str(&tamed);
    let seed = Seed {
        pointer: Pointer::default(),
        problems: &twice,
    };
    let value = seed
        .deserialize(&mut de)
        .and_then(|v| de.end().map(|()| v))
        .map_err(|e| Problem::new("", said(&e)))?;
    Ok((value, twice.into_inner()))
}

fn said(e: &serde_json::Error) -> String {
    let text = e.to_string();
    if text.contains("recursion limit") {
        return format!(
            "The document is nested too deeply at line {}; no document of this format nests more than 20 deep.",
            e.line()
        );
    }
    if e.is_eof() {
        return format!("The document ends too early, at line {}: {text}.", e.line());
    }
    format!("The document is not JSON: {text}.")
}

/// Numbers too large to hold would end the parser at the first of them. Each is named and taken as 0, of the same length.
fn tame(text: &str) -> (String, Vec<Problem>) {
    let bytes = text.as_bytes();
    let mut out = None::<Vec<u8>>;
    let mut problems = Vec::new();
    let (mut i, mut line) = (0, 1);
    while i < bytes.len() {
        match bytes[i] {
            b'\n' => {
                line += 1;
                i += 1;
            }
            b'"' => {
                i += 1;
                while i < bytes.len() && bytes[i] != b'"' {
                    i += if bytes[i] == b'\\' { 2 } else { 1 };
                }
                i += 1;
            }
            b'-' | b'0'..=b'9' => {
                let start = i;
                while i < bytes.len()
                    && matches!(bytes[i], b'0'..=b'9' | b'.' | b'e' | b'E' | b'+' | b'-')
                {
                    i += 1;
                }
                let token = &text[start..i];
                if token.parse::<f64>().is_ok_and(|v| !v.is_finite()) {
                    problems.push(Problem::number(
                        "",
                        format!("The number {token} in line {line} is too large."),
                    ));
                    let out = out.get_or_insert_with(|| bytes.to_vec());
                    out[start..i].fill(b' ');
                    out[start] = b'0';
                }
            }
            _ => i += 1,
        }
    }
    let tamed = out
        .and_then(|o| String::from_utf8(o).ok())
        .unwrap_or_else(|| text.to_string());
    (tamed, problems)
}

#[derive(Clone)]
struct Seed<'p> {
    pointer: Pointer,
    problems: &'p RefCell<Vec<Problem>>,
}

impl Seed<'_> {
    fn below(&self, step: &str) -> Self {
        Seed {
            pointer: self.pointer.step(step),
            problems: self.problems,
        }
    }
}

impl<'de> DeserializeSeed<'de> for Seed<'_> {
    type Value = Value;
    fn deserialize<D: Deserializer<'de>>(self, d: D) -> Result<Value, D::Error> {
        d.deserialize_any(self)
    }
}

impl<'de> Visitor<'de> for Seed<'_> {
    type Value = Value;
    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("JSON")
    }
    fn visit_unit<E>(self) -> Result<Value, E> {
        Ok(Value::Null)
    }
    fn visit_bool<E>(self, v: bool) -> Result<Value, E> {
        Ok(v.into())
    }
    fn visit_i64<E>(self, v: i64) -> Result<Value, E> {
        Ok(v.into())
    }
    fn visit_u64<E>(self, v: u64) -> Result<Value, E> {
        Ok(v.into())
    }
    fn visit_f64<E>(self, v: f64) -> Result<Value, E> {
        Ok(v.into())
    }
    fn visit_str<E>(self, v: &str) -> Result<Value, E> {
        Ok(v.into())
    }
    fn visit_string<E>(self, v: String) -> Result<Value, E> {
        Ok(v.into())
    }
    fn visit_seq<A: SeqAccess<'de>>(self, mut seq: A) -> Result<Value, A::Error> {
        let mut items = Vec::new();
        while let Some(v) = seq.next_element_seed(self.below(&items.len().to_string()))? {
            items.push(v);
        }
        Ok(Value::Array(items))
    }
    fn visit_map<A: MapAccess<'de>>(self, mut entries: A) -> Result<Value, A::Error> {
        let mut map = Map::new();
        while let Some(key) = entries.next_key::<String>()? {
            let below = self.below(&key);
            let at = below.pointer.clone();
            let value = entries.next_value_seed(below)?;
            if map.insert(key.clone(), value).is_some() {
                self.problems.borrow_mut().push(Problem::new(
                    at,
                    format!("The key {key:?} is given twice; only one can count."),
                ));
            }
        }
        Ok(Value::Object(map))
    }
}
