//! Number keys of documents and settings, by their JSON Schemas, and where a document has them.

use serde_json::Value;
use std::collections::BTreeMap;

/// What a schema says of a number.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Number {
    /// Its ends; `None` where the schema gives none.
    pub least: Option<f64>,
    pub most: Option<f64>,
    /// A whole number.
    pub whole: bool,
}

/// Walks a schema along a document, or alone. A key is named for the definition that it stands in, so that a shape has its keys once,
/// wherever shapes stand: `RectangleShape.size[0]`. Entries of lists and maps of any length are one key, `Stock.thickness[]`; those of
/// a list of fixed length are one each. With `inline`, keys are whole paths: `mortise.up-to-angle`.
pub struct Walk<'a> {
    schema: &'a Value,
    inline: bool,
}

impl<'a> Walk<'a> {
    pub fn new(schema: &'a Value, inline: bool) -> Walk<'a> {
        Walk { schema, inline }
    }

    /// Every number key that the schema has.
    pub fn keys(&self) -> BTreeMap<String, Number> {
        let mut keys = BTreeMap::new();
        let mut seen = Vec::new();
        self.describe(self.schema, self.root(), &mut seen, &mut keys);
        keys
    }

    /// Every number that a document has: key and JSON Pointer.
    pub fn places(&self, document: &Value) -> Vec<(String, String)> {
        let mut places = Vec::new();
        self.find(
            self.schema,
            document,
            self.root(),
            String::new(),
            &mut places,
        );
        places
    }

    fn root(&self) -> String {
        match self.inline {
            true => String::new(),
            false => self.schema["title"].as_str().unwrap_or("?").to_string(),
        }
    }

    /// The definition that a schema refers to, and its name.
    fn definition(&self, schema: &'a Value) -> Option<(&'a Value, &'a str)> {
        let name = schema["$ref"].as_str()?.rsplit('/').next()?;
        Some((&self.schema["$defs"][name], name))
    }

    /// What the keys below a definition are named for.
    fn stem(&self, definition: &Value, name: &str, key: String) -> String {
        match !self.inline && definition["properties"].is_object() {
            true => name.to_string(),
            false => key,
        }
    }

    fn describe(
        &self,
        schema: &'a Value,
        key: String,
        seen: &mut Vec<&'a str>,
        keys: &mut BTreeMap<String, Number>,
    ) {
        if let Some((definition, name)) = self.definition(schema) {
            let stem = self.stem(definition, name, key.clone());
            let known = stem != key && seen.contains(&name);
            if !known {
                seen.push(name);
                self.describe(definition, stem, seen, keys);
            }
            return;
        }
        if is_number(schema) {
            keys.insert(key.clone(), number(schema));
        }
        for (step, below) in steps(schema, None) {
            self.describe(below, joined(&key, &step), seen, keys);
        }
    }

    fn find(
        &self,
        schema: &'a Value,
        value: &Value,
        key: String,
        pointer: String,
        places: &mut Vec<(String, String)>,
    ) {
        if let Some((definition, name)) = self.definition(schema) {
            let stem = self.stem(definition, name, key);
            return self.find(definition, value, stem, pointer, places);
        }
        if is_number(schema) && value.is_number() && !places.iter().any(|(_, p)| *p == pointer) {
            places.push((key.clone(), pointer.clone()));
        }
        for (step, below) in steps(schema, Some(value)) {
            let pointer = match &step {
                Step::Same => pointer.clone(),
                Step::Key(k) | Step::Entry(k) => {
                    format!("{pointer}/{}", k.replace('~', "~0").replace('/', "~1"))
                }
                Step::Place(i) | Step::Any(i) => format!("{pointer}/{i}"),
            };
            let Some(inner) = value_at(value, &step) else {
                continue;
            };
            self.find(below, inner, joined(&key, &step), pointer, places);
        }
    }
}

/// A step down in a schema.
enum Step {
    /// Another way to write the same value.
    Same,
    /// A key that the schema names.
    Key(String),
    /// A key that it does not name.
    Entry(String),
    /// A place in a list of fixed length.
    Place(usize),
    /// A place in any other list.
    Any(usize),
}

fn joined(key: &str, step: &Step) -> String {
    match step {
        Step::Same => key.to_string(),
        Step::Key(k) if key.is_empty() => k.clone(),
        Step::Key(k) => format!("{key}.{k}"),
        Step::Entry(_) => format!("{key}{{}}"),
        Step::Place(i) => format!("{key}[{i}]"),
        Step::Any(_) => format!("{key}[]"),
    }
}

fn value_at<'v>(value: &'v Value, step: &Step) -> Option<&'v Value> {
    match step {
        Step::Same => Some(value),
        Step::Key(k) | Step::Entry(k) => value.get(k),
        Step::Place(i) | Step::Any(i) => value.get(i),
    }
}

/// The steps below a schema: those that a value has, or one of each kind.
fn steps<'a>(schema: &'a Value, value: Option<&Value>) -> Vec<(Step, &'a Value)> {
    let mut steps = Vec::new();
    for word in ["anyOf", "oneOf", "allOf"] {
        let ways = schema[word].as_array().into_iter().flatten();
        steps.extend(ways.map(|s| (Step::Same, s)));
    }
    let named = schema["properties"].as_object();
    for (k, s) in named.into_iter().flatten() {
        steps.push((Step::Key(k.clone()), s));
    }
    let rest = &schema["additionalProperties"];
    if rest.is_object() {
        let names: Vec<String> = match value {
            Some(v) => v
                .as_object()
                .into_iter()
                .flatten()
                .map(|(k, _)| k.clone())
                .collect(),
            None => vec![String::new()],
        };
        let unnamed = names
            .into_iter()
            .filter(|k| named.is_none_or(|n| !n.contains_key(k)));
        steps.extend(unnamed.map(|k| (Step::Entry(k), rest)));
    }
    let items = &schema["items"];
    if items.is_object() {
        let fixed = schema["maxItems"]
            .as_u64()
            .filter(|n| schema["minItems"].as_u64() == Some(*n));
        match (fixed, value) {
            (Some(n), _) => steps.extend((0..n as usize).map(|i| (Step::Place(i), items))),
            (None, Some(v)) => {
                let n = v.as_array().map_or(0, Vec::len);
                steps.extend((0..n).map(|i| (Step::Any(i), items)));
            }
            (None, None) => steps.push((Step::Any(0), items)),
        }
    }
    steps
}

fn is_number(schema: &Value) -> bool {
    let is = |t: &Value| t == "number" || t == "integer";
    match &schema["type"] {
        Value::Array(types) => types.iter().any(is),
        one => is(one),
    }
}

fn number(schema: &Value) -> Number {
    let whole = schema["type"].to_string().contains("integer");
    Number {
        least: schema["minimum"].as_f64(),
        most: schema["maximum"].as_f64(),
        whole,
    }
}
