//! One change to a work's header, chosen by its number alone.

use super::super::mutants::text::Random;
use grainway_pipeline::doc::{Unit, in_unit};
use grainway_pipeline::work::{BlobId, Work};
use serde_json::{Value, json};
use std::collections::BTreeMap;

/// What half of the changes are made to: a name, the trees and the keys that belong to it.
const NAMED: [(&str, &[&str]); 9] = [
    (
        "geometry",
        &[
            "outline",
            "shape",
            "islands",
            "circle",
            "corners",
            "path",
            "tab_spans",
            "profile",
        ],
    ),
    (
        "depths",
        &[
            "depth", "left", "floor", "lowest", "passes", "thinnest", "mean", "thickest", "skin",
            "safe_z", "top", "through",
        ],
    ),
    (
        "sizes",
        &[
            "size",
            "cutter_diameter",
            "radius",
            "head_radius",
            "shaft",
            "neck",
            "head_above",
            "leave",
        ],
    ),
    ("places", &["placing", "touch_off", "at", "screws", "along"]),
    (
        "holds",
        &[
            "holds",
            "tabs",
            "waste",
            "after_pause",
            "tabbed",
            "replaced",
        ],
    ),
    (
        "counts",
        &["count", "repeats", "number", "entries", "order"],
    ),
    (
        "ids",
        &[
            "id",
            "part",
            "variant",
            "piece",
            "key",
            "feature",
            "cutter",
            "operation",
            "text",
            "name",
        ],
    ),
    (
        "boards",
        &[
            "stock",
            "setup",
            "lines",
            "kind",
            "placements",
            "dimensioned",
            "grain",
        ],
    ),
    ("moves", &["moves"]),
];

/// Where named changes are made. The rest of a work is what stages say of it.
const TREES: [&str; 5] = ["parts", "variants", "setups", "programs", "hand_work"];

/// A value of the header: its JSON Pointer, and the same with `*` for every index.
#[derive(Clone)]
struct Place {
    pointer: String,
    pattern: String,
}

impl Place {
    /// The keys on the way, last first.
    fn keys(&self) -> impl Iterator<Item = &str> {
        self.pattern
            .rsplit('/')
            .filter(|k| *k != "*" && !k.is_empty())
    }
    fn last_key(&self) -> &str {
        self.keys().next().unwrap_or_default()
    }
    /// It is called so, or the array or object nearest round it.
    fn is_called(&self, names: &[&str]) -> bool {
        self.keys().take(2).any(|k| names.contains(&k))
    }
}

/// Every value but objects and empty arrays. The documents are no stage's to write.
fn places(header: &Value) -> Vec<Place> {
    fn walk(value: &Value, place: Place, out: &mut Vec<Place>) {
        let inner = |step: &str, general: &str| Place {
            pointer: format!("{}/{step}", place.pointer),
            pattern: format!("{}/{general}", place.pattern),
        };
        match value {
            Value::Object(map) => {
                for (key, value) in map {
                    let key = key.replace('~', "~0").replace('/', "~1");
                    walk(value, inner(&key, &key), out);
                }
            }
            Value::Array(items) => {
                for (i, value) in items.iter().enumerate() {
                    walk(value, inner(&i.to_string(), "*"), out);
                }
                if !items.is_empty() {
                    out.push(place);
                }
            }
            _ => out.push(place),
        }
    }
    let mut out = Vec::new();
    let root = Place {
        pointer: String::new(),
        pattern: String::new(),
    };
    walk(header, root, &mut out);
    out.retain(|p| !p.pattern.starts_with("/documents"));
    out
}

/// One place, every kind of place as likely as any other.
fn one_of<'p>(places: &[&'p Place], random: &mut Random) -> Option<&'p Place> {
    let mut by_pattern: BTreeMap<&str, Vec<&Place>> = BTreeMap::new();
    for place in places {
        by_pattern.entry(&place.pattern).or_default().push(place);
    }
    let patterns: Vec<_> = by_pattern.into_values().collect();
    random.one(&patterns).and_then(|p| random.one(p)).copied()
}

/// A work with one change, as it was read back.
pub struct Altered {
    /// What was changed, for people.
    pub what: String,
    /// The kind of place that was changed.
    pub pattern: String,
    /// Why it could not be read back, as a patch that cannot be read.
    pub work: Result<Box<Work>, String>,
}

/// Makes one change. `named`: to what belongs to [`NAMED`]; otherwise anywhere.
pub fn alter(work: &Work, named: bool, random: &mut Random) -> Altered {
    // Lengths of the documents are millimetres in a header, whatever their unit.
    let header = in_unit(Unit::Mm, || serde_json::to_value(work)).unwrap();
    let all = places(&header);
    loop {
        let wanted: Vec<&Place> = match named {
            true => {
                let (_, names) = NAMED[random.below(NAMED.len())];
                all.iter()
                    .filter(|p| TREES.iter().any(|t| p.pattern[1..].starts_with(t)))
                    .filter(|p| p.is_called(names))
                    .collect()
            }
            false => all.iter().collect(),
        };
        let Some(place) = one_of(&wanted, random) else {
            continue;
        };
        let mut changed = header.clone();
        let mut blobs = work.blobs.clone();
        let before = header.pointer(&place.pointer).unwrap();
        let moves = place.last_key() == "moves" || place.pattern.ends_with("/tabbed/*/*");
        let block = before
            .as_str()
            .filter(|_| moves)
            .map(|id| BlobId(id.to_string()));
        let (after, what) = match block.and_then(|id| work.blobs.get(&id)) {
            Some(block) if random.below(4) > 0 => {
                let (columns, what) = other_moves(block, random);
                (json!(blobs.put(columns)), what)
            }
            _ => {
                let Some(after) = other(before, place, &all, &header, random) else {
                    continue;
                };
                let what = format!("{} -> {}", short(before), short(&after));
                (after, what)
            }
        };
        if after == *before {
            continue;
        }
        *changed.pointer_mut(&place.pointer).unwrap() = after;
        let read = in_unit(Unit::Mm, || serde_json::from_value::<Work>(changed));
        return Altered {
            what: format!("{} {what}", place.pointer),
            pattern: place.pattern.clone(),
            work: read.map_err(|e| e.to_string()).map(|mut read| {
                read.documents = work.documents.clone();
                read.blobs = blobs;
                Box::new(read)
            }),
        };
    }
}

/// Another value in place of this one.
fn other(
    before: &Value,
    place: &Place,
    all: &[Place],
    header: &Value,
    random: &mut Random,
) -> Option<Value> {
    // What stands elsewhere under the same name.
    let alike = |random: &mut Random| {
        let alike: Vec<&Value> = all
            .iter()
            .filter(|p| p.last_key() == place.last_key())
            .filter_map(|p| header.pointer(&p.pointer))
            .filter(|v| *v != before && !v.is_null() && !v.is_array())
            .collect();
        random.one(&alike).map(|v| (*v).clone())
    };
    match before {
        Value::Null => alike(random),
        Value::Bool(b) => Some(json!(!b)),
        Value::Number(n) if n.is_f64() => n.as_f64().map(|v| json!(other_number(v, random))),
        Value::Number(n) => {
            let v = n.as_i64().unwrap_or_default();
            random.one(&[v + 1, v - 1, 2 * v, 0]).map(|v| json!(v))
        }
        Value::String(s) if s.is_empty() || random.below(8) == 0 => match random.below(3) {
            0 => Some(Value::Null),
            _ => Some(json!(format!("{s}x"))),
        },
        Value::String(_) => alike(random),
        Value::Array(items) => {
            let mut items = items.clone();
            let at = random.below(items.len());
            match random.below(3) {
                0 => drop(items.remove(at)),
                1 => items.insert(at, items[at].clone()),
                _ => {
                    let with = random.below(items.len());
                    items.swap(at, with);
                }
            }
            Some(json!(items))
        }
        Value::Object(_) => None,
    }
}

fn other_number(v: f64, random: &mut Random) -> f64 {
    match random.below(8) {
        0 => -v,
        1 => 0.0,
        2 => {
            v * random
                .one(&[0.5, 0.9, 1.1, 2.0, 25.4])
                .copied()
                .unwrap_or(2.0)
        }
        _ => v + random.step(),
    }
}

/// Numbers of a move in a block, see `motion::encode`.
const COLUMNS: usize = 7;

/// A block of moves with one move changed, left out or doubled.
fn other_moves(block: &[f64], random: &mut Random) -> (Vec<f64>, String) {
    let mut columns = block.to_vec();
    let count = columns.len() / COLUMNS;
    let at = random.below(count);
    let row = at * COLUMNS..(at + 1) * COLUMNS;
    if columns.is_empty() {
        return (columns, "no moves".to_string());
    }
    match random.below(10) {
        0 => {
            columns.drain(row);
            (columns, format!("move {at} of {count} left out"))
        }
        1 => {
            let again = columns[row.clone()].to_vec();
            columns.splice(row.end..row.end, again);
            (columns, format!("move {at} of {count} doubled"))
        }
        _ => {
            let used: Vec<usize> = row
                .filter(|i| i % COLUMNS > 0 && columns[*i].is_finite() && columns[*i] != 0.0)
                .collect();
            let Some(i) = random.one(&used).copied() else {
                return (columns, "a move without numbers".to_string());
            };
            let before = columns[i];
            columns[i] = other_number(before, random);
            let name = ["kind", "x", "y", "z", "a", "b", "feed"][i % COLUMNS];
            let what = format!("move {at} of {count}, {name} {before} -> {}", columns[i]);
            (columns, what)
        }
    }
}

fn short(value: &Value) -> String {
    let text = value.to_string();
    match text.char_indices().nth(80) {
        Some((at, _)) => format!("{}…", &text[..at]),
        None => text,
    }
}
