//! A job as its rows fill it.

use super::ListPlace;
use grainway_pipeline::doc::Pointer;
use serde_json::{Map, Value};
use std::collections::BTreeMap;

/// A job as its rows fill it.
#[derive(Default)]
pub(super) struct Draft {
    pub parts: Vec<Value>,
    pub drawings: Vec<Value>,
    /// File and stock → where among `drawings`.
    pub known: BTreeMap<(String, String), usize>,
    /// Part id → its row.
    pub ids: BTreeMap<String, u32>,
    /// Everything that is made, when single parts of drawings are.
    pub only: Map<String, Value>,
    pub whole: Vec<(u32, String)>,
    pub single: bool,
    /// How many sets, and the row that says so first.
    pub sets: Option<(u32, u32)>,
    pub places: BTreeMap<Pointer, ListPlace>,
}

/// Letters, digits and dashes of a text, for a file name or an id.
pub(super) fn file_word(text: &str) -> String {
    let mut word = String::new();
    for c in text.chars() {
        match c {
            c if c.is_ascii_alphanumeric() => word.push(c.to_ascii_lowercase()),
            '.' | '_' if !word.is_empty() => word.push(c),
            _ if !word.is_empty() && !word.ends_with('-') => word.push('-'),
            _ => {}
        }
    }
    word.truncate(60);
    let word = word.trim_matches(['-', '.']);
    match word.is_empty() {
        true => "job".to_string(),
        false => word.to_string(),
    }
}
