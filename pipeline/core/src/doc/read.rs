//! Reading documents: all problems at once, each with its JSON Pointer.
//!
//! Reading goes on behind every problem: what is wrong is set aside, the rest is read and checked, so that one run names all
//! mistakes. A document that came out of that is good for more findings only ([`Reading::is_sound`]).

use super::check::{Counted, Cure, Issue, check};
use super::lengths::{self, Names, ShopStocks};
use super::parse::parse;
use super::problem::Problem;
use super::{JOB_FORMAT, Job, NIGHT_FORMAT, Night, SHOP_FORMAT, Shop, Unit, in_unit, meaning};
use crate::pointer::{Pointer, escaped};
use serde::Serialize;
use serde::de::DeserializeOwned;
use serde_json::Value;
use std::collections::BTreeMap;
use std::sync::LazyLock;

/// Documents larger than this are refused unread: 16 MiB hold about 100,000 parts.
pub const MAX_DOCUMENT_BYTES: usize = 16 * 1024 * 1024;

/// A document as far as it could be read.
#[derive(Clone, Debug)]
pub struct Reading<T> {
    /// What could be read, without what is wrong; `None` when nothing could.
    pub document: Option<T>,
    /// What is wrong, in order of place.
    pub problems: Vec<Problem>,
    /// Places of named lengths on which nothing counts.
    pub unused: Vec<Pointer>,
    /// What was set aside, in order, so that places can be told in the document as it was.
    edits: Vec<Edit>,
}

#[derive(Clone, Debug)]
enum Edit {
    /// An entry of a list was taken out.
    Entry { list: String, index: usize },
    /// A key was taken out.
    Key { pointer: String },
    /// A key was taken for another.
    Renamed {
        object: String,
        from: String,
        to: String,
    },
}

impl<T> Reading<T> {
    /// Nothing is wrong with it.
    pub fn is_sound(&self) -> bool {
        self.problems.is_empty()
    }
    /// A place of what was read, as a place of the document `file` as it was written.
    pub fn original(&self, pointer: &Pointer, file: &str) -> Pointer {
        Pointer::from(original(&self.edits, pointer.place())).of(file)
    }
    /// Keys that were taken out, the last step of each: what refers to them is not a mistake of its own.
    pub fn missing_names(&self) -> impl Iterator<Item = &str> {
        self.edits.iter().filter_map(|e| match e {
            Edit::Key { pointer } => pointer.rsplit('/').next(),
            _ => None,
        })
    }
    /// The document, and the rest.
    pub fn split(self) -> (Option<T>, Reading<()>) {
        let rest = Reading {
            document: None,
            problems: self.problems,
            unused: self.unused,
            edits: self.edits,
        };
        (self.document, rest)
    }
    /// Nothing was read, and nothing is wrong.
    pub fn nothing() -> Reading<T> {
        Reading {
            document: None,
            problems: Vec::new(),
            unused: Vec::new(),
            edits: Vec::new(),
        }
    }
    fn refused(problem: Problem) -> Reading<T> {
        Reading {
            problems: vec![problem],
            ..Reading::nothing()
        }
    }
}

fn original(edits: &[Edit], pointer: &str) -> String {
    let mut pointer = pointer.to_string();
    for edit in edits.iter().rev() {
        match edit {
            Edit::Entry { list, index } => {
                let Some(rest) = pointer.strip_prefix(&format!("{list}/")) else {
                    continue;
                };
                let (step, tail) = rest.split_once('/').map_or((rest, ""), |(s, t)| (s, t));
                let Ok(at) = step.parse::<usize>() else {
                    continue;
                };
                if at >= *index {
                    let tail = if tail.is_empty() {
                        String::new()
                    } else {
                        format!("/{tail}")
                    };
                    pointer = format!("{list}/{}{tail}", at + 1);
                }
            }
            Edit::Renamed { object, from, to } => {
                let stem = format!("{object}/{}", escaped(to));
                if let Some(rest) = pointer.strip_prefix(&stem)
                    && (rest.is_empty() || rest.starts_with('/'))
                {
                    pointer = format!("{object}/{}{rest}", escaped(from));
                }
            }
            Edit::Key { .. } => {}
        }
    }
    pointer
}

// A service reads thousands of documents in one process.
static JOB_SCHEMA: LazyLock<Value> = LazyLock::new(schema_job);
static SHOP_SCHEMA: LazyLock<Value> = LazyLock::new(schema_shop);
static NIGHT_SCHEMA: LazyLock<Value> = LazyLock::new(schema_night);

/// JSON Schema of the job document.
pub fn schema_job() -> Value {
    let mut schema = schemars::schema_for!(Job).to_value();
    lengths::allow_counting(&mut schema["$defs"]);
    schema
}

/// JSON Schema of the shop document.
pub fn schema_shop() -> Value {
    schemars::schema_for!(Shop).to_value()
}

/// JSON Schema of the night document.
pub fn schema_night() -> Value {
    schemars::schema_for!(Night).to_value()
}

/// Reads a job document that counts on no stock of its shop; refuses it when anything is wrong.
pub fn read_job(bytes: &[u8]) -> Result<Job, Vec<Problem>> {
    sound(read_job_as_far_as_possible(bytes, ShopStocks::NONE))
}

/// Reads a shop document; refuses it when anything is wrong.
pub fn read_shop(bytes: &[u8]) -> Result<Shop, Vec<Problem>> {
    sound(read_shop_as_far_as_possible(bytes))
}

fn sound<T>(reading: Reading<T>) -> Result<T, Vec<Problem>> {
    match reading.document {
        Some(document) if reading.problems.is_empty() => Ok(document),
        _ => Err(reading.problems),
    }
}

/// Reads a job document and goes on behind every problem.
pub fn read_job_as_far_as_possible(bytes: &[u8], shop: ShopStocks<'_>) -> Reading<Job> {
    read_counting(bytes, JOB_FORMAT, &JOB_SCHEMA, meaning::of_job, Some(shop))
}

/// Reads a shop document and goes on behind every problem.
pub fn read_shop_as_far_as_possible(bytes: &[u8]) -> Reading<Shop> {
    read_document(bytes, SHOP_FORMAT, &SHOP_SCHEMA, meaning::of_shop)
}

/// Reads a night document and goes on behind every problem.
pub fn read_night_as_far_as_possible(bytes: &[u8]) -> Reading<Night> {
    read_document(bytes, NIGHT_FORMAT, &NIGHT_SCHEMA, meaning::of_night)
}

/// How often what is wrong is set aside before reading gives up: each round frees at least one level of the document.
const MOST_ROUNDS: usize = 16;

/// Reads any document of ours and goes on behind every problem: its form by the `schema` of its type, then what `meaning` finds wrong in
/// what could be read.
pub fn read_document<T: DeserializeOwned>(
    bytes: &[u8],
    format: &str,
    schema: &Value,
    meaning: fn(&T) -> Vec<Problem>,
) -> Reading<T> {
    read_counting(bytes, format, schema, meaning, None)
}

/// The same; with `shop` the lengths of the document may count on its named lengths and on stocks.
fn read_counting<T: DeserializeOwned>(
    bytes: &[u8],
    format: &str,
    schema: &Value,
    meaning: fn(&T) -> Vec<Problem>,
    shop: Option<ShopStocks<'_>>,
) -> Reading<T> {
    if bytes.len() > MAX_DOCUMENT_BYTES {
        return Reading::refused(Problem::new(
            "",
            format!(
                "The document has {} bytes, more than the {MAX_DOCUMENT_BYTES} that are read; divide the job.",
                bytes.len()
            ),
        ));
    }
    let (mut value, mut problems) = match parse(bytes) {
        Ok(parsed) => parsed,
        Err(problem) => return Reading::refused(problem),
    };
    match format_problem(&value, format) {
        Some((problem, true)) => {
            problems.push(problem);
            if let Some(map) = value.as_object_mut() {
                map.insert("format".to_string(), format.into());
            }
        }
        Some((problem, false)) => {
            problems.push(problem);
            return Reading {
                document: None,
                problems,
                unused: Vec::new(),
                edits: Vec::new(),
            };
        }
        None => {}
    }
    let names = shop.map(|shop| Names::of_document(&value, unit_of(&value), shop));
    let (names, of_names) = names.unzip();
    problems.extend(of_names.into_iter().flatten());
    let mut edits = Vec::new();
    let mut document = None;
    let mut texts = BTreeMap::new();
    let mut unused = Vec::new();
    for round in 0..MOST_ROUNDS {
        let (issues, counted) = check(&value, schema, &Pointer::default(), names.as_ref());
        if round == 0 {
            unused = names.iter().flat_map(|n| n.unused(&value)).collect();
        }
        if !issues.is_empty() {
            // After the first round only what the first one hid is new; what is missing because it was set aside is not.
            if round == 0 {
                let told = issues.iter().filter(|i| !i.follows);
                problems.extend(told.map(|i| i.problem.clone()));
            }
            if !set_aside(&mut value, issues, &mut edits) {
                break;
            }
            continue;
        }
        put_counted(&mut value, &counted);
        texts.extend(counted.into_iter().map(|c| {
            let place = original(&edits, c.pointer.place());
            (place, c.text)
        }));
        let typed: T = match in_unit(unit_of(&value), || serde_json::from_value(value.clone())) {
            Ok(typed) => typed,
            Err(e) => {
                // The schema and the type are one source; what only the type refuses is said in its words.
                problems.push(Problem::new("", format!("{e}.")));
                break;
            }
        };
        // What is empty because something was set aside is no mistake of its own.
        let mut wrong = meaning(&typed);
        wrong.retain(|p| !follows(&edits, p.pointer.place()));
        if wrong.is_empty() {
            document = Some(typed);
            break;
        }
        problems.extend(wrong.iter().map(|p| {
            let place = original(&edits, p.pointer.place());
            let counted = texts
                .get(&place)
                .map(|t| format!(" It was counted from {t:?}."));
            Problem {
                message: p.message.clone() + counted.as_deref().unwrap_or_default(),
                pointer: place.into(),
                ..p.clone()
            }
        }));
        let issues = wrong
            .into_iter()
            .map(|problem| Issue {
                problem,
                cure: Cure::Drop,
                follows: false,
            })
            .collect();
        if !set_aside(&mut value, issues, &mut edits) {
            break;
        }
    }
    problems.sort_by(|a, b| {
        place_key(a.pointer.place())
            .cmp(&place_key(b.pointer.place()))
            .then_with(|| a.cmp(b))
    });
    problems.dedup();
    Reading {
        document,
        problems,
        unused,
        edits,
    }
}

/// Texts that were counted become the plain lengths that they came to.
fn put_counted(value: &mut Value, counted: &[Counted]) {
    for c in counted {
        if let Some(place) = value.pointer_mut(c.pointer.place()) {
            *place = format!("{}mm", c.mm).into();
        }
    }
}

/// What is said of this place follows from what was set aside below it.
fn follows(edits: &[Edit], pointer: &str) -> bool {
    edits.iter().any(|e| {
        let place = match e {
            Edit::Entry { list, .. } => list.as_str(),
            Edit::Key { pointer } => pointer.rsplit_once('/').map_or("", |(o, _)| o),
            Edit::Renamed { .. } => return false,
        };
        place == pointer || place.starts_with(&format!("{pointer}/"))
    })
}

/// A machine or a board without one of its figures is none, and without it little else can be checked: a figure that is wrong is
/// taken as one that limits nothing.
fn plausible(pointer: &str) -> Option<Value> {
    const NO_LIMIT: i32 = 20_000;
    let steps: Vec<&str> = pointer.split('/').collect();
    match steps.as_slice() {
        ["", "machines", _, "min-rpm"] => Some(0.into()),
        ["", "machines", _, "travel", _]
        | [
            "",
            "machines",
            _,
            "max-feed" | "max-plunge" | "rapid" | "acceleration" | "max-rpm" | "spoilboard",
        ]
        | ["", "stocks", _, "boards", _, "length" | "width"] => Some(NO_LIMIT.into()),
        _ => None,
    }
}

/// Orders pointers by place: numbers as numbers.
fn place_key(pointer: &str) -> Vec<(u64, &str)> {
    pointer
        .split('/')
        .map(|s| (s.parse().unwrap_or(u64::MAX), s))
        .collect()
}

fn unit_of(value: &Value) -> Unit {
    match value.get("unit").and_then(Value::as_str) {
        Some("in") => Unit::Inch,
        _ => Unit::Mm,
    }
}

/// What is wrong with the format word, and whether reading may go on as if it were right.
fn format_problem(value: &Value, format: &str) -> Option<(Problem, bool)> {
    let Some(map) = value.as_object() else {
        return Some((
            Problem::new("", "The document should be an object, { … }."),
            false,
        ));
    };
    let kind = format.split('/').next().unwrap_or(format);
    match map.get("format") {
        None => Some((
            Problem::new(
                "",
                format!("The key \"format\" is missing; write \"format\": \"{format}\"."),
            ),
            true,
        )),
        Some(Value::String(word)) if word == format => None,
        Some(Value::String(word)) if word.split('/').next() == Some(kind) => Some((
            Problem::new(
                "/format",
                format!(
                    "The format \"{word}\" is not one that this version reads; it reads \"{format}\"."
                ),
            ),
            false,
        )),
        Some(Value::String(word)) if word.starts_with("grainway.") => Some((
            Problem::new(
                "/format",
                format!("This is a \"{word}\" document, where a \"{format}\" document is wanted."),
            ),
            false,
        )),
        Some(other) => Some((
            Problem::new(
                "/format",
                format!("The format should be \"{format}\", not {other}."),
            ),
            true,
        )),
    }
}

/// Sets aside what the issues name, smallest sensible piece first. False when nothing could be done.
fn set_aside(value: &mut Value, issues: Vec<Issue>, edits: &mut Vec<Edit>) -> bool {
    let mut drops: Vec<String> = Vec::new();
    let mut done = false;
    for issue in issues {
        let pointer = issue.problem.pointer.place();
        let cure = match issue.cure {
            Cure::Drop if value.pointer(pointer).is_some() => {
                plausible(pointer).map_or(Cure::Drop, Cure::Replace)
            }
            cure => cure,
        };
        match cure {
            Cure::Rename(to) => done |= rename(value, pointer, to, edits),
            Cure::Replace(by) => {
                if let Some(place) = value.pointer_mut(pointer) {
                    done |= *place != by;
                    *place = by;
                }
            }
            Cure::Drop => drops.push(piece(pointer)),
        }
    }
    // From the back, so that the places of entries before stay what they are.
    drops.sort_by(|a, b| place_key(b).cmp(&place_key(a)));
    drops.dedup();
    for pointer in drops {
        done |= take_out(value, &pointer, edits);
    }
    done
}

/// The piece that makes sense alone: the whole feature rather than its depth, whose absence would be a mistake of its own.
fn piece(pointer: &str) -> String {
    const PIECES: [&str; 4] = ["features", "layers", "tenons", "boards"];
    let steps: Vec<&str> = pointer.split('/').collect();
    // The innermost collection that the place lies in.
    for (i, step) in steps.iter().enumerate().rev() {
        if i + 1 < steps.len() && PIECES.contains(step) {
            return steps[..=i + 1].join("/");
        }
    }
    pointer.to_string()
}

fn split_last(pointer: &str) -> Option<(&str, String)> {
    let (parent, last) = pointer.rsplit_once('/')?;
    Some((parent, last.replace("~1", "/").replace("~0", "~")))
}

fn rename(value: &mut Value, pointer: &str, to: String, edits: &mut Vec<Edit>) -> bool {
    let Some((parent, from)) = split_last(pointer) else {
        return false;
    };
    let Some(map) = value.pointer_mut(parent).and_then(Value::as_object_mut) else {
        return false;
    };
    let Some(inner) = map.remove(&from) else {
        return false;
    };
    // Two mistyped keys may be meant for the same one; the first is taken.
    map.entry(to.clone()).or_insert(inner);
    edits.push(Edit::Renamed {
        object: parent.to_string(),
        from,
        to,
    });
    true
}

fn take_out(value: &mut Value, pointer: &str, edits: &mut Vec<Edit>) -> bool {
    let Some((parent, last)) = split_last(pointer) else {
        return false;
    };
    match value.pointer_mut(parent) {
        Some(Value::Object(map)) => {
            // What a whole layer rule says is lost, not that its layer is known: the rule ignores it.
            if map.remove(&last).is_some() {
                edits.push(Edit::Key {
                    pointer: pointer.to_string(),
                });
                return true;
            }
            false
        }
        Some(Value::Array(items)) => match last.parse::<usize>() {
            Ok(index) if index < items.len() => {
                let rule = items[index].get("layer").and_then(Value::as_str);
                if let (true, Some(layer)) = (parent.ends_with("/layers"), rule) {
                    let instead = serde_json::json!({ "layer": layer, "ignore": true });
                    if items[index] != instead {
                        items[index] = instead;
                        return true;
                    }
                }
                items.remove(index);
                edits.push(Edit::Entry {
                    list: parent.to_string(),
                    index,
                });
                true
            }
            _ => false,
        },
        _ => false,
    }
}

/// Reads one layer of a stage's settings and gives back the keys it sets, lengths in millimetres.
pub fn read_settings_layer<S: DeserializeOwned + Serialize + Default>(
    layer: &Value,
    unit: Unit,
    pointer: &Pointer,
    schema: &Value,
) -> Result<Value, Vec<Problem>> {
    let (issues, _) = check(layer, schema, pointer, None);
    if !issues.is_empty() {
        return Err(issues.into_iter().map(|i| i.problem).collect());
    }
    let refused = |e: serde_json::Error| vec![Problem::new(pointer.clone(), format!("{e}."))];
    let typed: S = in_unit(unit, || serde_json::from_value(layer.clone())).map_err(refused)?;
    let whole = serde_json::to_value(typed).map_err(refused)?;
    Ok(only_keys_of(&whole, layer))
}

/// What keeps a document of another kind from following its schema, where its lengths may count on its `lengths` and `stocks` as in a job.
pub fn problems_counting(document: &Value, unit: Unit, schema: &Value) -> Vec<Problem> {
    let (names, mut problems) = Names::of_document(document, unit, ShopStocks::UNKNOWN);
    let (issues, _) = check(document, schema, &Pointer::default(), Some(&names));
    let told = issues.into_iter().filter(|i| !i.follows);
    problems.extend(told.map(|i| i.problem));
    problems
}

/// A layer of the job's settings with plain lengths where it counts on named ones.
pub(crate) fn count_settings_layer(
    layer: &Value,
    pointer: &Pointer,
    schema: &Value,
    names: &Names,
) -> Result<Value, Vec<Problem>> {
    let (issues, counted) = check(layer, schema, pointer, Some(names));
    if !issues.is_empty() {
        return Err(issues.into_iter().map(|i| i.problem).collect());
    }
    let mut layer = layer.clone();
    let below = counted.into_iter().filter_map(|c| {
        let place = c.pointer.place().strip_prefix(pointer.place())?;
        let pointer = Pointer::from(place);
        Some(Counted { pointer, ..c })
    });
    put_counted(&mut layer, &below.collect::<Vec<_>>());
    Ok(layer)
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::doc::ProblemKind;
    use serde_json::json;

    fn job() -> Value {
        json!({
            "format": "grainway.job/1", "name": "Reading bench", "shop": "shop.json",
            "drawings": [{
                "id": "end", "file": "end.dxf", "unit": "mm", "stock": "ash",
                "layers": [{ "layer": "^CUT$", "make": "outline" }, { "layer": "^TEXT$", "ignore": true }]
            }],
            "parts": [
                { "id": "rail", "stock": "ash", "count": 2,
                  "blank": { "length": 600, "width": "2 1/2in", "tenons": [{ "end": "left", "length": 30, "width": 40 }] },
                  "features": [
                      { "id": "m1", "kind": "mortise", "shape": { "rectangle": { "at": [100, 10], "size": [40, 10] } }, "depth": 15 },
                      { "kind": "hole", "shape": { "circles": { "at": [[10, 10], [20, 10]], "diameter": 6 } }, "depth": "through" }
                  ] },
                { "id": "seat", "stock": "ash", "outline": { "contour": { "points": [[0, 0], [300, 0], { "at": [300, 200], "round": 20 }, [0, 200]] } } }
            ]
        })
    }

    fn shop() -> Value {
        json!({
            "format": "grainway.shop/1",
            "machines": { "router": {
                "dialect": "x", "travel": [1200, 800, 100], "z-zero": "bed", "max-feed": 4000, "max-plunge": 900, "rapid": 5000,
                "acceleration": 300, "min-rpm": 8000, "max-rpm": 24000, "spoilboard": 18
            } },
            "cutters": { "em6": { "kind": "end-mill", "number": 1, "diameter": 6, "cutting-length": 25, "max-rpm": 24000 } },
            "stocks": { "ash": { "wood": "ash", "thickness": [19.2], "boards": [{ "id": "a", "length": 1200, "width": 200 }] } }
        })
    }

    /// Sets what `pointer` names; a list or an object grows by it.
    fn with(mut document: Value, pointer: &str, to: Value) -> Value {
        let (parent, last) = pointer.rsplit_once('/').unwrap();
        match document.pointer_mut(parent).unwrap() {
            Value::Array(items) => items[last.parse::<usize>().unwrap()] = to,
            Value::Object(map) => {
                map.insert(last.to_string(), to);
            }
            _ => unreachable!("{pointer} names neither a list nor an object"),
        }
        document
    }

    fn problems_of_job(job: &Value) -> Vec<(String, String)> {
        let text = job.to_string();
        let reading = read_job_as_far_as_possible(text.as_bytes(), ShopStocks::NONE);
        reading
            .problems
            .into_iter()
            .map(|p| (p.pointer.to_string(), p.message))
            .collect()
    }

    fn only_problem(job: &Value) -> (String, String) {
        let problems = problems_of_job(job);
        assert_eq!(problems.len(), 1, "{problems:?}");
        problems.into_iter().next().unwrap()
    }

    #[test]
    fn good_documents_read_without_a_problem() {
        assert_eq!(problems_of_job(&job()), []);
        let shop = read_shop(shop().to_string().as_bytes()).unwrap();
        assert!((shop.cutters["em6"].diameter.mm() - 6.0).abs() < 1e-12);
        let job = read_job(job().to_string().as_bytes()).unwrap();
        let width = job.parts[0].blank.as_ref().unwrap().width.mm();
        assert!((width - 63.5).abs() < 1e-12);
    }

    /// Editors complete and check by it; nothing of the job may depend on it.
    #[test]
    fn a_document_may_name_its_schema() {
        let plain = read_job(job().to_string().as_bytes()).unwrap();
        let named = with(job(), "/$schema", json!("https://example.org/job.json"));
        let named = read_job(named.to_string().as_bytes()).unwrap();
        assert_eq!(
            serde_json::to_value(plain).unwrap(),
            serde_json::to_value(named).unwrap()
        );
        let named = with(shop(), "/$schema", json!("../schema/shop.json"));
        assert!(read_shop(named.to_string().as_bytes()).is_ok());
        let (at, _) = only_problem(&with(job(), "/$schema", json!(7)));
        assert_eq!(at, "/$schema");
    }

    #[test]
    fn unknown_keys_offer_the_nearest() {
        let (pointer, message) = only_problem(&with(job(), "/parts/0/cuont", json!(2)).clone());
        assert_eq!(pointer, "/parts/0/cuont");
        assert!(message.contains("not known"), "{message}");
        let mut mistyped = job();
        let feature = mistyped
            .pointer_mut("/parts/0/features/0")
            .unwrap()
            .as_object_mut()
            .unwrap();
        feature.remove("depth");
        feature.insert("dept".to_string(), json!(15));
        let (pointer, message) = only_problem(&mistyped);
        assert_eq!(pointer, "/parts/0/features/0/dept");
        assert!(message.contains("did you mean \"depth\"?"), "{message}");
    }

    #[test]
    fn choices_are_judged_by_the_branch_that_is_meant() {
        let at = "/parts/0/features/0/shape/rectangle";
        let (pointer, message) =
            only_problem(&with(job(), &format!("{at}/corner"), json!("3 mmm")));
        assert_eq!(pointer, format!("{at}/corner"));
        assert!(message.contains("3 mmm"), "{message}");
        let (pointer, message) = only_problem(&with(
            job(),
            "/parts/0/features/0/shape",
            json!({ "rectangel": { "at": [1, 2], "size": [3, 4] } }),
        ));
        assert_eq!(pointer, "/parts/0/features/0/shape/rectangel");
        assert!(message.contains("did you mean \"rectangle\"?"), "{message}");
        let (pointer, _) = only_problem(&with(
            job(),
            "/parts/1/outline/contour/points/2",
            json!({ "at": [300, 200], "rond": 20 }),
        ));
        assert_eq!(pointer, "/parts/1/outline/contour/points/2/rond");
        let (pointer, message) =
            only_problem(&with(job(), "/parts/0/features/0/kind", json!("mortice")));
        assert_eq!(pointer, "/parts/0/features/0/kind");
        assert!(message.contains("did you mean \"mortise\"?"), "{message}");
    }

    #[test]
    fn numbers_out_of_range_are_named_with_their_place() {
        for (pointer, value) in [
            ("/parts/0/count", json!(0)),
            ("/parts/0/count", json!(10_001)),
            ("/parts/0/blank/length", json!(0)),
            ("/parts/0/blank/length", json!("-3mm")),
            ("/parts/0/blank/length", json!(1e300)),
            ("/parts/0/features/0/depth", json!(-1)),
            ("/parts/0/features/1/shape/circles/diameter", json!(0)),
            ("/drawings/0/copies", json!(0)),
            ("/drawings/0/join", json!(0)),
        ] {
            let (at, message) = only_problem(&with(job(), pointer, value));
            assert_eq!(at, pointer, "{message}");
        }
        for (pointer, value) in [
            ("/machines/router/acceleration", json!(0)),
            ("/machines/router/min-rpm", json!(30_000)),
            ("/stocks/ash/thickness/0", json!(0)),
            ("/stocks/ash/boards/0/width", json!(-1)),
            ("/cutters/em6/diameter", json!(0)),
            ("/cutters/em6/edges", json!(0)),
        ] {
            let text = with(shop(), pointer, value).to_string();
            let problems = read_shop(text.as_bytes()).unwrap_err();
            assert_eq!(problems.len(), 1, "{problems:?}");
            assert_eq!(problems[0].pointer, pointer);
            assert_eq!(problems[0].kind, ProblemKind::Number);
        }
    }

    #[test]
    fn contradictions_are_named() {
        let feature = "/parts/0/features/0";
        let (at, _) = only_problem(&with(job(), &format!("{feature}/left"), json!(3)));
        assert_eq!(at, feature);
        let (at, _) = only_problem(&with(job(), "/drawings/0/layers/1/depth", json!(3)));
        assert_eq!(at, "/drawings/0/layers/1");
        let (at, _) = only_problem(&with(
            job(),
            "/parts/1/blank",
            json!({ "length": 3, "width": 3 }),
        ));
        assert_eq!(at, "/parts/1");
        let (at, _) = only_problem(&with(job(), "/parts/1/id", json!("rail")));
        assert_eq!(at, "/parts/1/id");
        let (at, _) = only_problem(&with(job(), "/parts/1/id", json!("../rail")));
        assert_eq!(at, "/parts/1/id");
        let mut two = shop();
        two["cutters"]["other"] = two["cutters"]["em6"].clone();
        let problems = read_shop(two.to_string().as_bytes()).unwrap_err();
        assert_eq!(problems.len(), 1, "{problems:?}");
        assert!(problems[0].message.contains("em6") && problems[0].message.contains("other"));
    }

    #[test]
    fn twelve_unrelated_mistakes_are_all_named() {
        let mut bad = job();
        let mistakes = [
            ("/nmae", json!("x")),
            ("/unit", json!("cm")),
            ("/drawings/0/layers/0/make", json!("outlin")),
            ("/drawings/0/copies", json!(0)),
            ("/drawings/0/layout", json!("drawn")),
            ("/parts/0/count", json!(-2)),
            ("/parts/0/blank/tenons/0/end", json!("top")),
            ("/parts/0/features/0/depth", json!("deep")),
            ("/parts/0/features/1/shape/circles/at/1", json!([1])),
            ("/parts/1/id", json!("rail")),
            ("/parts/1/outline/contour/points/2/round", json!(-1)),
            ("/settings", json!([])),
        ];
        for (pointer, value) in mistakes.clone() {
            bad = with(bad, pointer, value);
        }
        let found = problems_of_job(&bad);
        for (pointer, _) in mistakes {
            assert!(
                found.iter().any(|(p, _)| p == pointer),
                "{pointer} is missing in {found:#?}"
            );
        }
    }

    #[test]
    fn places_behind_what_was_set_aside_are_told_as_written() {
        let mut bad = job();
        bad["parts"][0]["features"][0]["depth"] = json!("deep");
        let text = bad.to_string();
        let reading = read_job_as_far_as_possible(text.as_bytes(), ShopStocks::NONE);
        let left = reading.document.as_ref().unwrap();
        assert_eq!(left.parts[0].features.len(), 1);
        assert_eq!(
            reading.original(&"shop#/parts/0/features/0/shape".into(), "shop.json"),
            "shop.json#/parts/0/features/1/shape"
        );
        assert_eq!(reading.original(&"/parts/1".into(), "a"), "a#/parts/1");
    }

    #[test]
    fn texts_that_are_no_documents_are_refused_in_words() {
        let deep = format!("{}{}", "[".repeat(100_000), "]".repeat(100_000));
        for (text, word) in [
            (deep.as_str(), "nested"),
            ("{\"format\": ", "too early"),
            ("garbage", "not JSON"),
            ("[]", "object"),
            ("{\"format\": \"grainway.job/7\"}", "grainway.job/1"),
            ("{\"format\": \"grainway.shop/1\"}", "grainway.shop/1"),
            ("", "too early"),
        ] {
            let problems = read_job(text.as_bytes()).unwrap_err();
            assert_eq!(problems.len(), 1, "{text:.40}: {problems:?}");
            assert!(
                problems[0].message.contains(word),
                "{text:.40}: {problems:?}"
            );
        }
        assert!(
            read_job(&[0xff, 0xfe]).unwrap_err()[0]
                .message
                .contains("UTF-8")
        );
        let huge = vec![b' '; MAX_DOCUMENT_BYTES + 1];
        assert!(read_job(&huge).unwrap_err()[0].message.contains("bytes"));
    }

    #[test]
    fn keys_given_twice_and_numbers_too_large_are_named() {
        let text = job()
            .to_string()
            .replacen("\"count\":2", "\"count\":2,\"count\":3", 1);
        let problems = read_job(text.as_bytes()).unwrap_err();
        assert_eq!(problems.len(), 1, "{problems:?}");
        assert_eq!(problems[0].pointer, "/parts/0/count");
        let text = job()
            .to_string()
            .replacen("\"depth\":15", "\"depth\":1e999", 1);
        let problems = read_job(text.as_bytes()).unwrap_err();
        assert!(
            problems.iter().any(|p| p.message.contains("1e999")),
            "{problems:?}"
        );
    }

    /// Reference: the `jsonschema` crate, a validator of JSON Schema 2020-12. Every value of the good documents is replaced by
    /// values of other kinds; where it finds the document invalid, so must our own walk, and the other way round. (Two things
    /// are ours alone: `format: uint32`, which the standard makes an annotation, and the texts of lengths, whose pattern is
    /// looser about spaces than the reader.)
    #[test]
    fn verdicts_agree_with_a_general_validator() {
        fn places(value: &Value, pointer: &str, out: &mut Vec<String>) {
            out.push(pointer.to_string());
            match value {
                Value::Object(map) => {
                    for (k, v) in map {
                        places(v, &format!("{pointer}/{}", escaped(k)), out);
                    }
                }
                Value::Array(items) => {
                    for (i, v) in items.iter().enumerate() {
                        places(v, &format!("{pointer}/{i}"), out);
                    }
                }
                _ => {}
            }
        }
        let mut compared = 0;
        for (document, schema) in [(job(), schema_job()), (shop(), schema_shop())] {
            let reference = jsonschema::validator_for(&schema).unwrap();
            let mut at = Vec::new();
            places(&document, "", &mut at);
            for pointer in at.into_iter().skip(1) {
                for value in [
                    Value::Null,
                    json!(true),
                    json!(3),
                    json!(-3),
                    json!(2.5),
                    json!("x!"),
                    json!("4mm"),
                    json!("through"),
                    json!([]),
                    json!([1, 2]),
                    json!([1, 2, 3]),
                    json!({}),
                    json!({ "at": [1, 2] }),
                ] {
                    let bad = with(document.clone(), &pointer, value.clone());
                    let ours = check(&bad, &schema, &Pointer::default(), None);
                    let ours = ours.0.is_empty();
                    assert_eq!(ours, reference.is_valid(&bad), "{pointer} = {value}");
                    compared += 1;
                }
            }
        }
        assert!(compared > 1000, "{compared}");
    }
}
