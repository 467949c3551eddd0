//! Lines with places in them, filled in by a template engine that takes no unknown name.

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

/// The line with sample values for the names that are known in its place.
pub fn sample(line: &str, known: &[&str]) -> Result<String, String> {
    let values: Vec<(&str, String)> = known
        .iter()
        .map(|name| {
            let value = match *name {
                "number" | "cutter" => "1",
                "units" => "G21",
                _ => "BOARD-1",
            };
            (*name, value.to_string())
        })
        .collect();
    fill(line, &values)
}
