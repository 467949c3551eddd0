//! Settings of native stages: schemas, checked, and lengths turned into millimetres.

use crate::one_line::one_line;
use grainway_pipeline::doc::{Length, Pointer, Problem, Unit, in_unit, read_settings_layer};
use serde_json::{Map, Value, json};

/// A plugin's schema with the definition of a length put in, as the documents have it.
pub(crate) fn with_lengths(schema: &Value) -> Value {
    let mut schema = schema.clone();
    let length = <Length as schemars::JsonSchema>::json_schema(&mut Default::default());
    if let Some(root) = schema.as_object_mut() {
        let defs = root.entry("$defs").or_insert_with(|| json!({}));
        if let Some(defs) = defs.as_object_mut() {
            defs.insert("Length".into(), length.to_value());
        }
    }
    schema
}

/// One layer of a stage's settings, checked against the schema, lengths turned into mm.
pub(crate) fn read_layer(
    layer: &Value,
    unit: Unit,
    pointer: &Pointer,
    schema: &Value,
) -> Result<Value, Vec<Problem>> {
    // The plugin's settings have no type here, so the check is the schema's alone.
    let layer = read_settings_layer::<Value>(layer, unit, pointer, schema)?;
    Ok(in_unit(unit, || in_mm(&layer, schema, schema, 0)))
}

/// `value` with every length as a number of mm.
fn in_mm(value: &Value, schema: &Value, root: &Value, depth: u32) -> Value {
    if depth > DEEPEST {
        return value.clone();
    }
    if let Some(name) = reference(schema) {
        if name == "Length" {
            let length = serde_json::from_value::<Length>(value.clone());
            return length.map_or_else(|_| value.clone(), |l| json!(l.mm()));
        }
        let target = root.get("$defs").and_then(|d| d.get(name));
        return target.map_or_else(|| value.clone(), |t| in_mm(value, t, root, depth + 1));
    }
    match value {
        Value::Object(map) => {
            let of = |key: &str| {
                schema
                    .get("properties")
                    .and_then(|p| p.get(key))
                    .or_else(|| schema.get("additionalProperties"))
            };
            let converted = map.iter().map(|(k, v)| {
                let v = of(k).map_or_else(|| v.clone(), |s| in_mm(v, s, root, depth + 1));
                (k.clone(), v)
            });
            Value::Object(converted.collect::<Map<_, _>>())
        }
        Value::Array(items) => match schema.get("items") {
            Some(s) => items.iter().map(|v| in_mm(v, s, root, depth + 1)).collect(),
            None => value.clone(),
        },
        other => other.clone(),
    }
}

fn reference(schema: &Value) -> Option<&str> {
    schema.get("$ref")?.as_str()?.strip_prefix("#/$defs/")
}

/// Deepest nesting of a schema.
const DEEPEST: u32 = 32;
/// Keywords that the check of settings knows; a schema with others would promise what nobody checks.
const KEYWORDS: [&str; 20] = [
    "$defs",
    "$ref",
    "$schema",
    "additionalProperties",
    "anyOf",
    "const",
    "default",
    "description",
    "enum",
    "format",
    "items",
    "maxItems",
    "maximum",
    "minItems",
    "minimum",
    "oneOf",
    "properties",
    "required",
    "title",
    "type",
];

/// What keeps a stage's schema from being used.
pub(crate) fn schema_complaint(schema: &Value) -> Option<String> {
    if schema.get("type").and_then(Value::as_str) != Some("object") {
        return Some("the settings of a stage are an object: `type` must be \"object\"".into());
    }
    part_complaint(schema, schema, 0)
}

fn part_complaint(part: &Value, root: &Value, depth: u32) -> Option<String> {
    if depth > DEEPEST {
        return Some(format!("it is nested more than {DEEPEST} deep"));
    }
    let map = match part {
        Value::Bool(_) => return None,
        Value::Object(map) => map,
        _ => return Some("a schema is an object, true or false".into()),
    };
    if let Some(key) = map.keys().find(|k| !KEYWORDS.contains(&k.as_str())) {
        return Some(format!(
            "the keyword \"{}\" is not checked here",
            one_line(key)
        ));
    }
    if map.contains_key("$ref") {
        let name = reference(part);
        let known = name.is_some_and(|n| {
            n == "Length" || root.get("$defs").is_some_and(|d| d.get(n).is_some())
        });
        if !known {
            return Some(format!("{} refers to nothing", map["$ref"]));
        }
    }
    let kinds = [
        "null", "boolean", "number", "integer", "string", "array", "object",
    ];
    let kind_ok = |k: &Value| k.as_str().is_some_and(|k| kinds.contains(&k));
    let type_ok = match map.get("type") {
        None => true,
        Some(Value::Array(list)) => list.iter().all(kind_ok),
        Some(one) => kind_ok(one),
    };
    if !type_ok {
        return Some("`type` is none of JSON's".into());
    }
    let mut parts: Vec<&Value> = Vec::new();
    for key in ["properties", "$defs"] {
        match map.get(key) {
            None => {}
            Some(Value::Object(m)) => parts.extend(m.values()),
            Some(_) => return Some(format!("`{key}` is not an object")),
        }
    }
    for key in ["anyOf", "oneOf"] {
        match map.get(key) {
            None => {}
            Some(Value::Array(list)) => parts.extend(list),
            Some(_) => return Some(format!("`{key}` is not a list")),
        }
    }
    parts.extend(
        ["items", "additionalProperties"]
            .iter()
            .filter_map(|k| map.get(*k)),
    );
    parts
        .into_iter()
        .find_map(|p| part_complaint(p, root, depth + 1))
}
