//! Reading documents: all problems at once, each with its JSON Pointer.

use super::{JOB_FORMAT, Job, SHOP_FORMAT, Shop, Unit, in_unit};
use serde::Serialize;
use serde::de::DeserializeOwned;
use serde_json::Value;

/// Documents larger than this are refused unread: 16 MiB hold about 100,000 parts.
pub const MAX_DOCUMENT_BYTES: usize = 16 * 1024 * 1024;

/// Something wrong in a document.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Problem {
    /// JSON Pointer to the place.
    pub pointer: String,
    /// One sentence.
    pub message: String,
}

/// JSON Schema of the job document.
pub fn schema_job() -> Value {
    schemars::schema_for!(Job).to_value()
}

/// JSON Schema of the shop document.
pub fn schema_shop() -> Value {
    schemars::schema_for!(Shop).to_value()
}

/// Reads a job document.
pub fn read_job(bytes: &[u8]) -> Result<Job, Vec<Problem>> {
    read_document(bytes, JOB_FORMAT, &schema_job())
}

/// Reads a shop document.
pub fn read_shop(bytes: &[u8]) -> Result<Shop, Vec<Problem>> {
    read_document(bytes, SHOP_FORMAT, &schema_shop())
}

fn read_document<T: DeserializeOwned>(
    bytes: &[u8],
    _format: &str,
    _schema: &Value,
) -> Result<T, Vec<Problem>> {
    let problem = |message: String| {
        vec![Problem {
            pointer: String::new(),
            message,
        }]
    };
    let value: Value = serde_json::from_slice(bytes).map_err(|e| problem(e.to_string()))?;
    let unit = match value.get("unit").and_then(Value::as_str) {
        Some("in") => Unit::Inch,
        _ => Unit::Mm,
    };
    in_unit(unit, || serde_json::from_value(value)).map_err(|e| problem(e.to_string()))
}

/// Reads one layer of a stage's settings and gives back the keys it sets, lengths in millimetres.
pub fn read_settings_layer<S: DeserializeOwned + Serialize + Default>(
    layer: &Value,
    unit: Unit,
    pointer: &str,
    _schema: &Value,
) -> Result<Value, Vec<Problem>> {
    let typed: S = in_unit(unit, || serde_json::from_value(layer.clone())).map_err(|e| {
        vec![Problem {
            pointer: pointer.to_string(),
            message: e.to_string(),
        }]
    })?;
    let whole = serde_json::to_value(typed).map_err(|e| {
        vec![Problem {
            pointer: pointer.to_string(),
            message: e.to_string(),
        }]
    })?;
    Ok(only_keys_of(&whole, layer))
}

/// `whole` cut down to the keys that `layer` has.
fn only_keys_of(whole: &Value, layer: &Value) -> Value {
    match (whole, layer) {
        (Value::Object(w), Value::Object(l)) => Value::Object(
            l.keys()
                .filter_map(|k| Some((k.clone(), only_keys_of(w.get(k)?, &l[k]))))
                .collect(),
        ),
        _ => whole.clone(),
    }
}
