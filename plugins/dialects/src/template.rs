//! Lines with places in them, filled in by a template engine that takes no unknown name.

use crate::file::{DialectFile, Lengths, Mark};
use minijinja::{Environment, UndefinedBehavior, Value};
use std::collections::BTreeMap;

fn engine() -> Environment<'static> {
    let mut engine = Environment::new();
    engine.set_undefined_behavior(UndefinedBehavior::Strict);
    engine
}

/// The line with the values in its places. The error is one sentence.
pub fn fill(line: &str, values: &[(&str, String)]) -> Result<String, String> {
    if !line.contains(['{', '}']) {
        return Ok(line.to_string());
    }
    let values: BTreeMap<&str, Value> = values
        .iter()
        .map(|(k, v)| (*k, Value::from(v.as_str())))
        .collect();
    engine().render_str(line, values).map_err(|e| {
        e.detail()
            .map_or_else(|| e.kind().to_string(), str::to_string)
    })
}

/// The line with sample values for the names that are known in its place of the file.
pub fn sample(line: &str, known: &[&str], file: &DialectFile) -> Result<String, String> {
    let unit = file.units.mm.as_ref().or(file.units.inch.as_ref());
    let values: Vec<(&str, String)> = known
        .iter()
        .map(|name| {
            let value = match *name {
                "number" | "cutter" => "1",
                "safe" => match file.numbers.mark {
                    _ if file.numbers.lengths == Lengths::Counts => "25000",
                    Mark::Comma => "25,",
                    Mark::Point => "25.",
                },
                "units" => unit.map_or("G21", String::as_str),
                _ => "BOARD-1",
            };
            (*name, value.to_string())
        })
        .collect();
    fill(line, &values)
}
