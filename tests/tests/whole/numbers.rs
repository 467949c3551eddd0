//! Every number of the documents and settings does something: moved to each end it changes programs, findings, figures of verdicts or
//! what the sheet says, or it is refused. An echo of the number itself does not count.
//!
//! The keys come from the JSON Schemas, so that a new one is asked for by name. Small jobs stand in `tests/cases/numbers`, for keys that
//! the samples and other cases have not, or have where one of the ends changes nothing.

mod keys;
mod told;

use grainway_pipeline::doc;
use grainway_pipeline::work::{Documents, Work};
use grainway_tests::{Folder, Loaded, SAMPLES, make, root, sample};
use keys::{Number, Walk};
use serde_json::{Map, Value, json};
use std::collections::BTreeMap;
use std::path::PathBuf;
use std::sync::OnceLock;
use std::sync::atomic::{AtomicUsize, Ordering};
use told::{Line, difference, told, told_of_edited};

/// The share by which a number is moved that the schema gives no end.
const MOVED_BY: f64 = 10.0;

/// A job that numbers are moved in.
struct Case {
    name: String,
    folder: PathBuf,
    documents: BTreeMap<&'static str, Value>,
    /// Words of its programs that somebody changed by hand, before and after: `edits.json`, where there is one.
    edits: Vec<[String; 2]>,
    /// What it tells unmoved; made when first wanted.
    told: OnceLock<Vec<Line>>,
}

impl Case {
    fn new(job: PathBuf) -> Case {
        let folder = job.parent().unwrap().to_path_buf();
        let name = folder.strip_prefix(root()).unwrap().display().to_string();
        let read = |file| -> Value {
            serde_json::from_slice(&std::fs::read(folder.join(file)).unwrap()).unwrap()
        };
        let job: Value = serde_json::from_slice(&std::fs::read(&job).unwrap()).unwrap();
        let shop = read(job["shop"].as_str().unwrap());
        Case {
            name,
            folder: folder.clone(),
            documents: BTreeMap::from([("job", job), ("shop", shop)]),
            edits: std::fs::read(folder.join("edits.json"))
                .map_or(Vec::new(), |text| serde_json::from_slice(&text).unwrap()),
            told: OnceLock::new(),
        }
    }

    /// What the chain tells of documents; the error of documents and settings that are refused.
    fn run(&self, documents: &BTreeMap<&'static str, Value>) -> Result<Vec<Line>, String> {
        let refused = |p: Vec<doc::Problem>| format!("{p:?}");
        let text = |name| documents[name].to_string().into_bytes();
        let documents = Documents {
            job: doc::read_job(&text("job")).map_err(refused)?,
            shop: doc::read_shop(&text("shop")).map_err(refused)?,
            // The same for all, so that codes and hashes of documents never differ.
            hash: "0".repeat(64),
            night: None,
        };
        let made = make(Loaded {
            work: Work::new(documents),
            files: Box::new(Folder(self.folder.clone())),
        })?;
        let mut lines = told(&made);
        if !self.edits.is_empty() {
            lines.extend(told_of_edited(&made, &self.edits));
        }
        Ok(lines)
    }

    fn unmoved(&self) -> &[Line] {
        self.told.get_or_init(|| {
            self.run(&self.documents)
                .unwrap_or_else(|e| panic!("{}: {e}", self.name))
        })
    }

    /// Whether the number at a place does something when it is moved.
    fn moved(&self, place: &Place, to: f64, whole: bool) -> bool {
        let mut documents = self.documents.clone();
        let document = documents.get_mut(place.document).unwrap();
        let written = match whole {
            true => json!(to.round() as u64),
            false => json!(to),
        };
        put(document, &place.pointer, written);
        match self.run(&documents) {
            Err(why) => !why.is_empty(),
            Ok(lines) => difference(self.unmoved(), &lines, place.value, to).is_some(),
        }
    }
}

/// Where a number stands.
struct Place {
    document: &'static str,
    pointer: String,
    value: f64,
}

impl Place {
    /// To where it is moved at each end, `None` where it stands there.
    fn ends(&self, number: Number) -> [Option<f64>; 2] {
        let least = number.least.unwrap_or(self.value / MOVED_BY);
        let most = number.most.unwrap_or(self.value * MOVED_BY);
        [least, most].map(|end| ((end - self.value).abs() > 1e-12).then_some(end))
    }
}

/// Puts a value where a pointer points, with the objects on the way there.
fn put(document: &mut Value, pointer: &str, value: Value) {
    let mut at = document;
    for step in pointer.split('/').skip(1) {
        let step = step.replace("~1", "/").replace("~0", "~");
        at = match at {
            Value::Array(list) => &mut list[step.parse::<usize>().unwrap()],
            other => {
                if other.is_null() {
                    *other = Value::Object(Map::new());
                }
                &mut other[step]
            }
        };
    }
    *at = value;
}

/// A number key and where the cases have it, by their places in the list.
struct Key {
    name: String,
    number: Number,
    places: Vec<(usize, Place)>,
}

/// The jobs: small ones first, since most keys are found there.
fn cases() -> Vec<Case> {
    let mut jobs = Vec::new();
    for group in ["numbers", "clearing", "documents", "holds", "placing"] {
        let folder = root().join("tests/cases").join(group);
        let found = std::fs::read_dir(folder).unwrap().flatten();
        let mut found: Vec<PathBuf> = found.map(|f| f.path().join("job.json")).collect();
        found.sort();
        jobs.extend(found);
    }
    jobs.extend(SAMPLES.map(sample));
    jobs.into_iter().map(Case::new).collect()
}

/// The schemas: the document that their keys are written in, and the stage whose settings they are.
fn schemas() -> Vec<(&'static str, Option<String>, Value)> {
    let mut schemas = Vec::new();
    for name in ["job", "shop"] {
        let file = root().join(format!("schema/{name}.json"));
        let text = std::fs::read(file).unwrap();
        schemas.push((name, None, serde_json::from_slice(&text).unwrap()));
    }
    for stage in grainway_stages::built_in().standard() {
        let about = stage.about();
        schemas.push(("job", Some(about.name.to_string()), about.schema.clone()));
    }
    schemas
}

/// Every number key of the schemas.
fn every_key(cases: &[Case]) -> Vec<Key> {
    let mut keys: BTreeMap<String, Key> = BTreeMap::new();
    for (document, stage, schema) in schemas() {
        let walk = Walk::new(&schema, stage.is_some());
        let called = |key: &str| {
            let stage = stage.as_ref();
            stage.map_or(key.to_string(), |s| format!("{s}: {key}"))
        };
        for (key, number) in walk.keys() {
            let name = called(&key);
            keys.entry(name.clone()).or_insert(Key {
                name,
                number,
                places: Vec::new(),
            });
        }
        for (i, case) in cases.iter().enumerate() {
            let (below, held) = match &stage {
                Some(stage) => (format!("/settings/{stage}"), settings(case, stage)),
                None => (String::new(), Some(case.documents[document].clone())),
            };
            let Some(held) = held else { continue };
            for (key, pointer) in walk.places(&held) {
                let value = held.pointer(&pointer).unwrap().as_f64().unwrap();
                let place = Place {
                    document,
                    pointer: format!("{below}{pointer}"),
                    value,
                };
                let known = keys.get_mut(&called(&key));
                known
                    .unwrap_or_else(|| panic!("{key}"))
                    .places
                    .push((i, place));
            }
        }
    }
    keys.into_values().collect()
}

/// The settings of a stage as a case has them, in millimetres; `None` for documents in inches, whose numbers would be others.
fn settings(case: &Case, stage: &str) -> Option<Value> {
    let stages = grainway_stages::built_in();
    let mut settled = stages.get(stage).unwrap().about().example.clone();
    for document in ["shop", "job"] {
        let document = &case.documents[document];
        if document["unit"] == "in" {
            return None;
        }
        if let own @ Value::Object(_) = &document["settings"][stage] {
            grainway_pipeline::chain::overlay(&mut settled, own);
        }
    }
    Some(settled)
}

/// The ends of a key at which no case shows a difference.
fn dead_ends(key: &Key, cases: &[Case]) -> Vec<&'static str> {
    let mut dead = Vec::new();
    for (end, word) in ["lower", "upper"].into_iter().enumerate() {
        let alive = key.places.iter().any(|(case, place)| {
            place.ends(key.number)[end]
                .is_some_and(|to| cases[*case].moved(place, to, key.number.whole))
        });
        if !alive {
            dead.push(word);
        }
    }
    dead
}

/// Keys whose ends change nothing, each with the places that were tried. `share` takes each so many-th key.
fn dead_keys(share: usize) -> Vec<String> {
    let cases = cases();
    let only = std::env::var("GRAINWAY_NUMBERS").unwrap_or_default();
    let keys: Vec<Key> = every_key(&cases)
        .into_iter()
        .filter(|k| k.name.contains(&only))
        .collect();
    let next = AtomicUsize::new(0);
    let work = || {
        let mut dead = Vec::new();
        loop {
            let i = next.fetch_add(1, Ordering::Relaxed) * share;
            let Some(key) = keys.get(i) else { return dead };
            let started = std::time::Instant::now();
            let ends = dead_ends(key, &cases);
            println!(
                "{:6.2} s {} {ends:?}",
                started.elapsed().as_secs_f64(),
                key.name
            );
            if !ends.is_empty() {
                let n = key.places.len();
                dead.push(format!(
                    "{} changes nothing at its {} end (tried in {n} places)",
                    key.name,
                    ends.join(" and ")
                ));
            }
        }
    };
    let mut dead: Vec<String> = std::thread::scope(|scope| {
        let other = scope.spawn(work);
        let mut dead = work();
        dead.extend(other.join().unwrap());
        dead
    });
    dead.sort();
    dead
}

#[test]
fn each_tenth_number_does_something_at_both_ends() {
    let dead = dead_keys(10);
    assert!(dead.is_empty(), "{}", dead.join("\n"));
}

/// `GRAINWAY_NUMBERS` in the environment takes only the keys that hold it.
#[test]
fn every_number_does_something_at_both_ends_slow() {
    let dead = dead_keys(1);
    assert!(dead.is_empty(), "{}", dead.join("\n"));
}

/// Planted: a key that nothing in its only case heeds, one that no case has, and one that is heeded.
#[test]
fn a_number_that_is_ignored_or_missing_is_found() {
    let cases = [Case::new(
        root().join("tests/cases/numbers/blanks/job.json"),
    )];
    let key = |pointer: Option<&str>, value: f64| Key {
        name: "planted".to_string(),
        number: Number::default(),
        places: pointer
            .map(|pointer| {
                let place = Place {
                    document: "job",
                    pointer: pointer.to_string(),
                    value,
                };
                (0, place)
            })
            .into_iter()
            .collect(),
    };
    // A blank at stops has no tabs.
    let ignored = key(Some("/settings/hold/tab-spacing"), 200.0);
    assert_eq!(dead_ends(&ignored, &cases), ["lower", "upper"]);
    assert_eq!(dead_ends(&key(None, 0.0), &cases), ["lower", "upper"]);
    let heeded = key(Some("/parts/0/features/0/depth"), 5.0);
    assert!(dead_ends(&heeded, &cases).is_empty());
}
