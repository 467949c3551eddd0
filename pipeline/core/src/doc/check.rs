//! Checks a document's value against the schema of its type, and says what is wrong in words for people.
//!
//! A general validator's messages name schema keywords and list every branch of a choice. This walk knows the few forms that our
//! own types give (objects, maps, lists, words, numbers, choices by key) and descends into the branch that is meant. A test
//! holds its verdicts against a general validator's.

use super::lengths::{Names, Wrong};
use super::problem::Problem;
use crate::length::Length;
use crate::pointer::Pointer;
use crate::spelling::{nearest, shown};
use serde_json::{Map, Value};

/// More problems than this are counted, not listed: nobody reads further, and a broken export may have 100,000.
const MOST_PROBLEMS: usize = 400;

/// A problem, and what may be done about it so that checking can go on.
#[derive(Clone, Debug)]
pub(super) struct Issue {
    pub problem: Problem,
    pub cure: Cure,
    /// It follows from a mistake that is told elsewhere.
    pub follows: bool,
}

/// A length that a text was counted to.
#[derive(Clone, Debug)]
pub(super) struct Counted {
    pub pointer: Pointer,
    pub text: String,
    pub mm: f64,
}

/// What makes the rest of the document readable.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum Cure {
    /// Take away what the pointer names.
    Drop,
    /// Take the last key of the pointer as this one.
    Rename(String),
    /// Take this in its place: the word that is nearest.
    Replace(Value),
}

/// All that keeps `value` from following `schema`, and the lengths that its texts come to where they may count on `names`.
pub(super) fn check(
    value: &Value,
    schema: &Value,
    pointer: &Pointer,
    names: Option<&Names>,
) -> (Vec<Issue>, Vec<Counted>) {
    let mut walk = Walk::new(schema, names);
    walk.value(value, schema, pointer);
    if walk.unlisted > 0 {
        let message = format!("{} more problems are not listed.", walk.unlisted);
        walk.issues.push(Issue {
            problem: Problem::new(pointer.clone(), message),
            cure: Cure::Drop,
            follows: false,
        });
    }
    (walk.issues, walk.counted)
}

fn kind_of(value: &Value) -> &'static str {
    match value {
        Value::Null => "null",
        Value::Bool(_) => "boolean",
        Value::Number(n) if n.is_f64() => "number",
        Value::Number(_) => "integer",
        Value::String(_) => "string",
        Value::Array(_) => "array",
        Value::Object(_) => "object",
    }
}

fn kind_word(kind: &str) -> &'static str {
    match kind {
        "null" => "null",
        "boolean" => "true or false",
        "number" => "a number",
        "integer" => "a whole number",
        "string" => "a text",
        "array" => "a list",
        _ => "an object",
    }
}

/// The value in a few words, for "…, not X".
fn seen(value: &Value) -> String {
    match value {
        Value::String(s) => shown(s),
        Value::Number(_) | Value::Bool(_) | Value::Null => value.to_string(),
        other => kind_word(kind_of(other)).to_string(),
    }
}

fn fits(kind: &str, value: &Value) -> bool {
    let own = kind_of(value);
    own == kind
        || (kind == "number" && own == "integer")
        || (kind == "integer" && value.as_f64().is_some_and(|v| v.fract() == 0.0))
}

struct Walk<'s> {
    root: &'s Value,
    names: Option<&'s Names>,
    counted: Vec<Counted>,
    issues: Vec<Issue>,
    unlisted: usize,
}

impl<'s> Walk<'s> {
    fn new(root: &'s Value, names: Option<&'s Names>) -> Walk<'s> {
        Walk {
            root,
            names,
            counted: Vec::new(),
            issues: Vec::new(),
            unlisted: 0,
        }
    }

    fn add(&mut self, pointer: &Pointer, message: String, cure: Cure) {
        self.push(Issue {
            problem: Problem::new(pointer.clone(), message),
            cure,
            follows: false,
        });
    }

    fn push(&mut self, issue: Issue) {
        if self.issues.len() < MOST_PROBLEMS {
            self.issues.push(issue);
        } else {
            self.unlisted += 1;
        }
    }

    fn say(&mut self, pointer: &Pointer, message: String) {
        self.add(pointer, message, Cure::Drop);
    }

    /// The schema behind a reference, and the name it goes by.
    fn target(&self, schema: &'s Value) -> Option<(&'s str, &'s Value)> {
        let name = schema.get("$ref")?.as_str()?.strip_prefix("#/$defs/")?;
        Some((name, self.root.get("$defs")?.get(name)?))
    }

    fn value(&mut self, value: &Value, schema: &'s Value, pointer: &Pointer) {
        if let Some((name, target)) = self.target(schema) {
            match name {
                "Length" => self.length(value, false, pointer),
                "Depth" => self.length(value, true, pointer),
                _ => self.value(value, target, pointer),
            }
            return;
        }
        for choice in ["oneOf", "anyOf"] {
            if let Some(branches) = schema.get(choice).and_then(Value::as_array) {
                self.choice(value, branches, pointer);
            }
        }
        if !self.kind(value, schema, pointer) {
            return;
        }
        if let Some(words) = schema.get("enum").and_then(Value::as_array) {
            self.words(value, words, pointer);
        }
        if let Some(word) = schema.get("const") {
            self.words(value, std::slice::from_ref(word), pointer);
        }
        match value {
            Value::Object(map) => self.object(map, schema, pointer),
            Value::Array(items) => self.list(items, schema, pointer),
            Value::Number(_) => self.number(value, schema, pointer),
            _ => {}
        }
    }

    fn length(&mut self, value: &Value, through: bool, pointer: &Pointer) {
        let example = if through {
            "a number, a text with a unit such as \"19.2mm\" or \"3/4in\", or \"through\""
        } else {
            "a number, or a text with a unit such as \"19.2mm\" or \"3/4in\""
        };
        match value {
            Value::Number(_) => {}
            Value::String(s) if through && s == "through" => {}
            Value::String(s) => {
                if let Err(message) = Length::parse(s) {
                    self.text(s, &message, through, pointer);
                }
            }
            other => self.say(
                pointer,
                format!("A length should be {example}, not {}.", seen(other)),
            ),
        }
    }

    /// A text that is no plain length, for the reason `plain`.
    fn text(&mut self, text: &str, plain: &str, through: bool, pointer: &Pointer) {
        let meant = through.then(|| nearest(text, ["through"])).flatten();
        let (Some(names), None) = (self.names, meant) else {
            let message = meant.map_or_else(
                || format!("{plain}."),
                |word| {
                    format!(
                        "{} is not known here; did you mean \"{word}\"?",
                        shown(text)
                    )
                },
            );
            return self.say(pointer, message);
        };
        match names.mm(text, pointer) {
            Ok(mm) => self.counted.push(Counted {
                pointer: pointer.clone(),
                text: text.to_string(),
                mm,
            }),
            Err(Wrong::Said(message)) => self.say(pointer, message),
            Err(Wrong::Follows) => self.push(Issue {
                problem: Problem::new(pointer.clone(), plain),
                cure: Cure::Drop,
                follows: true,
            }),
        }
    }

    /// The value has the kind the schema asks for.
    fn kind(&mut self, value: &Value, schema: &Value, pointer: &Pointer) -> bool {
        let kinds: Vec<&str> = match schema.get("type") {
            Some(Value::String(kind)) => vec![kind],
            Some(Value::Array(kinds)) => kinds.iter().filter_map(Value::as_str).collect(),
            _ => return true,
        };
        if kinds.iter().any(|k| fits(k, value)) {
            return true;
        }
        let words: Vec<&str> = kinds
            .iter()
            .filter(|k| **k != "null")
            .map(|k| kind_word(k))
            .collect();
        self.say(
            pointer,
            format!(
                "Here should be {}, not {}.",
                words.join(" or "),
                seen(value)
            ),
        );
        false
    }

    fn words(&mut self, value: &Value, words: &[Value], pointer: &Pointer) {
        if words.contains(value) {
            return;
        }
        let known: Vec<&str> = words.iter().filter_map(Value::as_str).collect();
        let near = value
            .as_str()
            .and_then(|v| nearest(v, known.iter().copied()));
        if let Some(near) = near {
            let message = format!(
                "{} is not known here; did you mean \"{near}\"?",
                seen(value)
            );
            return self.add(pointer, message, Cure::Replace(near.into()));
        }
        let message = format!(
            "{} is not known here; it should be one of {}.",
            seen(value),
            known.join(", ")
        );
        self.say(pointer, message);
    }

    fn number(&mut self, value: &Value, schema: &Value, pointer: &Pointer) {
        let Some(v) = value.as_f64() else { return };
        let bound = |key: &str| schema.get(key).and_then(Value::as_f64);
        let by_format = match schema.get("format").and_then(Value::as_str) {
            Some("uint8") => Some((0.0, f64::from(u8::MAX))),
            Some("uint16") => Some((0.0, f64::from(u16::MAX))),
            Some("uint32") => Some((0.0, f64::from(u32::MAX))),
            Some("uint64" | "uint") => Some((0.0, 1.8e19)),
            Some("int32") => Some((f64::from(i32::MIN), f64::from(i32::MAX))),
            _ => None,
        };
        let low = bound("minimum").or(by_format.map(|b| b.0));
        let high = bound("maximum").or(by_format.map(|b| b.1));
        if low.is_some_and(|l| v < l) || high.is_some_and(|h| v > h) {
            let range = match (low, high) {
                (Some(l), Some(h)) => format!("between {l} and {h}"),
                (Some(l), None) => format!("at least {l}"),
                (_, h) => format!("at most {}", h.unwrap_or(f64::INFINITY)),
            };
            self.say(pointer, format!("{value} should be {range}."));
        }
    }

    fn list(&mut self, items: &[Value], schema: &'s Value, pointer: &Pointer) {
        let bound = |key: &str| schema.get(key).and_then(Value::as_u64);
        let (low, high) = (bound("minItems"), bound("maxItems"));
        let n = items.len() as u64;
        if low.is_some_and(|l| n < l) || high.is_some_and(|h| n > h) {
            let wanted = match (low, high) {
                (Some(l), Some(h)) if l == h => format!("{l} entries"),
                (Some(l), None) => format!("at least {l} entries"),
                (_, h) => format!("at most {} entries", h.unwrap_or(0)),
            };
            self.say(pointer, format!("This list should have {wanted}, not {n}."));
        }
        if let Some(inner) = schema.get("items").filter(|s| s.is_object()) {
            for (i, item) in items.iter().enumerate() {
                self.value(item, inner, &pointer.step(i));
            }
        }
        let fixed = schema.get("prefixItems").and_then(Value::as_array);
        for (i, (item, inner)) in items.iter().zip(fixed.into_iter().flatten()).enumerate() {
            self.value(item, inner, &pointer.step(i));
        }
    }

    fn object(&mut self, map: &Map<String, Value>, schema: &'s Value, pointer: &Pointer) {
        let properties = schema.get("properties").and_then(Value::as_object);
        let others = schema.get("additionalProperties");
        let known: Vec<&str> = properties
            .into_iter()
            .flatten()
            .map(|(k, _)| k.as_str())
            .collect();
        let mut meant: Vec<&str> = Vec::new();
        for (key, value) in map {
            let at = pointer.step(key);
            if let Some(inner) = properties.and_then(|p| p.get(key)) {
                self.value(value, inner, &at);
            } else if others == Some(&Value::Bool(false)) {
                let free = known.iter().copied().filter(|k| !map.contains_key(*k));
                let near = nearest(key, free);
                let message = match near {
                    Some(near) => format!(
                        "The key {} is not known here; did you mean \"{near}\"?",
                        shown(key)
                    ),
                    None => format!(
                        "The key {} is not known here; known are {}.",
                        shown(key),
                        known.join(", ")
                    ),
                };
                match near {
                    Some(near) => {
                        meant.push(near);
                        self.add(&at, message, Cure::Rename(near.to_string()));
                    }
                    None => self.say(&at, message),
                }
            } else if let Some(inner) = others.filter(|o| o.is_object()) {
                self.value(value, inner, &at);
            }
        }
        let required = schema.get("required").and_then(Value::as_array);
        for key in required.into_iter().flatten().filter_map(Value::as_str) {
            if !map.contains_key(key) && !meant.contains(&key) {
                self.say(pointer, format!("The key \"{key}\" is missing here."));
            }
        }
    }

    fn choice(&mut self, value: &Value, branches: &'s [Value], pointer: &Pointer) {
        let is_null = |b: &&Value| b.get("type").and_then(Value::as_str) == Some("null");
        let optional = branches.iter().any(|b| is_null(&b));
        let branches: Vec<&'s Value> = branches.iter().filter(|b| !is_null(b)).collect();
        if value.is_null() && optional {
            return;
        }
        // Words: {"const": "mm"}, {"enum": [...]}.
        let words: Vec<Value> = branches
            .iter()
            .flat_map(|b| match (b.get("const"), b.get("enum")) {
                (Some(c), _) => vec![c.clone()],
                (_, Some(Value::Array(e))) => e.clone(),
                _ => Vec::new(),
            })
            .collect();
        if words.contains(value) {
            return;
        }
        let rest: Vec<&'s Value> = branches
            .iter()
            .copied()
            .filter(|b| b.get("const").is_none() && b.get("enum").is_none())
            .collect();
        if rest.is_empty() {
            return self.words(value, &words, pointer);
        }
        if let Value::Object(map) = value {
            let by_key: Vec<(&str, &'s Value)> = rest
                .iter()
                .filter_map(|b| {
                    let required = b.get("required")?.as_array()?;
                    match (required.as_slice(), b.get("properties")?.as_object()?.len()) {
                        ([one], 1) => Some((one.as_str()?, *b)),
                        _ => None,
                    }
                })
                .collect();
            if by_key.len() == rest.len() && by_key.len() > 1 {
                return self.by_key(map, &by_key, pointer);
            }
        }
        // The branch of the value's kind; of several, the one that has least to say.
        let mut best: Option<Walk<'s>> = None;
        for branch in &rest {
            let mut walk = Walk::new(self.root, self.names);
            walk.value(value, branch, pointer);
            let here = |issues: &[Issue]| issues.iter().any(|i| i.problem.pointer == *pointer);
            let rank = |w: &Walk<'_>| (here(&w.issues), w.issues.len());
            if best.as_ref().is_none_or(|b| rank(&walk) < rank(b)) {
                best = Some(walk);
            }
        }
        if let Some(best) = best {
            self.counted.extend(best.counted);
            best.issues.into_iter().for_each(|issue| self.push(issue));
        }
    }

    /// A choice by the one key that an object has: `{"circle": …}`.
    fn by_key(
        &mut self,
        map: &Map<String, Value>,
        branches: &[(&str, &'s Value)],
        pointer: &Pointer,
    ) {
        let known: Vec<&str> = branches.iter().map(|(k, _)| *k).collect();
        let given: Vec<&(&str, &'s Value)> = branches
            .iter()
            .filter(|(k, _)| map.contains_key(*k))
            .collect();
        match given.as_slice() {
            [(key, branch)] => {
                self.object(map, branch, pointer);
                debug_assert!(map.contains_key(*key));
            }
            [] => {
                for key in map.keys() {
                    let at = pointer.step(key);
                    match nearest(key, known.iter().copied()) {
                        Some(near) => self.add(
                            &at,
                            format!(
                                "The key {} is not known here; did you mean \"{near}\"?",
                                shown(key)
                            ),
                            Cure::Rename(near.to_string()),
                        ),
                        None => self.say(
                            &at,
                            format!(
                                "The key {} is not known here; give one of {}.",
                                shown(key),
                                known.join(", ")
                            ),
                        ),
                    }
                }
                if map.is_empty() {
                    self.say(pointer, format!("Give one of {}.", known.join(", ")));
                }
            }
            several => {
                let keys: Vec<&str> = several.iter().map(|(k, _)| *k).collect();
                self.say(pointer, format!("Give only one of {}.", keys.join(", ")));
            }
        }
    }
}
