//! The plugin store.

use grainway_host::store::{
    BuiltIn, Description, Kind, StageDescription, Store, StoreProblem, Strike, Unusable,
};
use serde_json::{Value, json};
use std::collections::BTreeMap;
use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU32, Ordering};

static NEXT: AtomicU32 = AtomicU32::new(0);

struct Shop {
    root: PathBuf,
    store: Store,
}

impl Shop {
    fn new() -> Shop {
        let n = NEXT.fetch_add(1, Ordering::Relaxed);
        let root = std::env::temp_dir().join(format!("grainway-store-{}-{n}", std::process::id()));
        let _ = std::fs::remove_dir_all(&root);
        let store = Store::create(&root.join("plugins")).unwrap();
        Shop { root, store }
    }
    fn put(&self, name: &str, bytes: &[u8]) -> PathBuf {
        let path = self.root.join(name);
        std::fs::File::create(&path)
            .and_then(|mut f| std::io::Write::write_all(&mut f, bytes))
            .unwrap();
        path
    }
    /// Something that looks like a library; `text` is all that tells it from another.
    fn library(&self, name: &str, text: &str) -> PathBuf {
        self.put(name, format!("\u{7f}ELF {text}").as_bytes())
    }
    fn add(&self, file: &Path, now: u64) -> Result<String, StoreProblem> {
        self.store
            .add(file, &built_in(), now, &described)
            .map(|a| a.sha256)
    }
    fn current(&self, name: &str) -> String {
        self.store.entries().unwrap()[name].current().to_string()
    }
    /// The files under hashes and whatever else lies there.
    fn files(&self) -> Vec<String> {
        let mut names: Vec<String> = std::fs::read_dir(self.store.root().join("files"))
            .unwrap()
            .map(|e| e.unwrap().file_name().to_string_lossy().into_owned())
            .collect();
        names.sort();
        names
    }
    fn path(&self, sha256: &str) -> PathBuf {
        self.store.root().join("files").join(format!("{sha256}.so"))
    }
    fn tamper(&self, sha256: &str) {
        let path = self.path(sha256);
        std::fs::set_permissions(&path, PermissionsExt::from_mode(0o644)).unwrap();
        std::fs::File::options()
            .append(true)
            .open(&path)
            .and_then(|mut f| std::io::Write::write_all(&mut f, b"x"))
            .unwrap();
    }
}

impl Drop for Shop {
    fn drop(&mut self) {
        let _ = std::fs::remove_dir_all(&self.root);
    }
}

fn built_in() -> BuiltIn {
    BuiltIn {
        dialects: vec!["rs274-ngc".to_string(), "rs274-lean".to_string()],
        stages: vec!["place".to_string()],
    }
}

/// Stands in for a process that loads the library: the text after the mark is "NAME VERSION STAGE".
fn described(path: &Path) -> Result<Description, String> {
    let bytes = std::fs::read(path).unwrap();
    let text = String::from_utf8(bytes[5..].to_vec()).unwrap();
    let words: Vec<&str> = text.split(' ').collect();
    let [name, version, stage] = words.as_slice() else {
        return Err("it has no entry point".to_string());
    };
    Ok(Description {
        name: name.to_string(),
        version: version.to_string(),
        dialects: Vec::new(),
        stages: vec![StageDescription {
            name: stage.to_string(),
            version: 1,
            summary: "Plans where the vacuum holds.".to_string(),
            needs: vec!["placed".to_string()],
            gives: vec!["zones".to_string()],
            spoils: Vec::new(),
            schema: json!({ "type": "object" }),
            example: json!({}),
        }],
    })
}

fn strike(at: u64, job: &str) -> Strike {
    Strike {
        at,
        job: job.to_string(),
        end: "signal 11".to_string(),
    }
}

#[test]
fn a_library_is_kept_under_its_hash_with_what_it_says() {
    let shop = Shop::new();
    let file = shop.library("zones.so", "zones 1.0 zones");
    let added = shop.store.add(&file, &built_in(), 100, &described).unwrap();
    assert_eq!(added.name, "zones");
    assert_eq!(added.before, None);
    // sha256sum of the same bytes.
    let output = std::process::Command::new("sha256sum")
        .arg(&file)
        .output()
        .unwrap();
    let sum = String::from_utf8(output.stdout).unwrap();
    assert_eq!(sum.split(' ').next().unwrap(), added.sha256);
    assert_eq!(shop.files(), [format!("{}.so", added.sha256)]);
    let mode = std::fs::metadata(shop.path(&added.sha256)).unwrap();
    assert_eq!(mode.permissions().mode() & 0o222, 0);
    let list = shop.store.list().unwrap();
    assert_eq!(list.len(), 1);
    assert_eq!(list[0].unusable, None);
    let version = list[0].entry.version().unwrap();
    assert_eq!((version.added, version.file.as_str()), (100, "zones.so"));
    assert_eq!(version.description.stages[0].gives, ["zones"]);
}

#[test]
fn the_same_file_twice_is_one_version() {
    let shop = Shop::new();
    let file = shop.library("zones.so", "zones 1.0 zones");
    let first = shop.add(&file, 1).unwrap();
    assert_eq!(shop.add(&file, 2).unwrap(), first);
    let entry = &shop.store.entries().unwrap()["zones"];
    assert_eq!(entry.history, [first]);
    assert_eq!(shop.files().len(), 1);
}

#[test]
fn rollback_goes_to_what_was_before_and_no_further() {
    let shop = Shop::new();
    let one = shop
        .add(&shop.library("a.so", "zones 1.0 zones"), 1)
        .unwrap();
    let two = shop
        .add(&shop.library("a.so", "zones 2.0 zones"), 2)
        .unwrap();
    assert_eq!(shop.current("zones"), two);
    assert_eq!(
        shop.store.rollback("zones").unwrap(),
        (two.clone(), one.clone())
    );
    assert_eq!(shop.current("zones"), one);
    let problem = shop.store.rollback("zones").unwrap_err();
    assert!(matches!(problem, StoreProblem::NoFormer(_)), "{problem}");
    // A third on top of the first: back to the first, not to the second.
    let three = shop
        .add(&shop.library("a.so", "zones 3.0 zones"), 3)
        .unwrap();
    assert_eq!(shop.store.rollback("zones").unwrap(), (three, one));
    // What was rolled back can be added again.
    assert_eq!(
        shop.add(&shop.library("a.so", "zones 2.0 zones"), 4)
            .unwrap(),
        two
    );
    assert_eq!(shop.current("zones"), two);
}

#[test]
fn rollback_to_a_damaged_file_is_refused_and_changes_nothing() {
    let shop = Shop::new();
    let one = shop
        .add(&shop.library("a.so", "zones 1.0 zones"), 1)
        .unwrap();
    let two = shop
        .add(&shop.library("a.so", "zones 2.0 zones"), 2)
        .unwrap();
    shop.tamper(&one);
    let problem = shop.store.rollback("zones").unwrap_err().to_string();
    assert!(problem.contains("changed after it was added"), "{problem}");
    assert_eq!(shop.current("zones"), two);
}

#[test]
fn a_changed_missing_or_linked_file_is_told_and_never_handed_out() {
    let shop = Shop::new();
    let sum = shop
        .add(&shop.library("a.so", "zones 1.0 zones"), 1)
        .unwrap();
    assert!(shop.store.file(Kind::Native, &sum).is_ok());
    shop.tamper(&sum);
    let why = shop.store.file(Kind::Native, &sum).unwrap_err();
    assert!(why.contains("changed"), "{why}");
    let listed = shop.store.list().unwrap().remove(0);
    assert_eq!(listed.unusable, Some(Unusable::Damaged(why)));
    // The same file again mends it.
    shop.add(&shop.library("a.so", "zones 1.0 zones"), 1)
        .unwrap();
    assert!(shop.store.file(Kind::Native, &sum).is_ok());
    let elsewhere = shop.library("elsewhere.so", "zones 1.0 zones");
    std::fs::remove_file(shop.path(&sum)).unwrap();
    assert!(shop.store.file(Kind::Native, &sum).is_err());
    std::os::unix::fs::symlink(&elsewhere, shop.path(&sum)).unwrap();
    let why = shop.store.file(Kind::Native, &sum).unwrap_err();
    assert!(why.contains("link"), "{why}");
}

#[test]
fn an_index_that_is_not_whole_is_refused() {
    let shop = Shop::new();
    shop.add(&shop.library("a.so", "zones 1.0 zones"), 1)
        .unwrap();
    let good: Value =
        serde_json::from_slice(&std::fs::read(shop.store.root().join("plugins.json")).unwrap())
            .unwrap();
    let mut cases: BTreeMap<&str, Value> = BTreeMap::new();
    let mut with = |name, pointer: &str, value: Value| {
        let mut index = good.clone();
        *index.pointer_mut(pointer).unwrap() = value;
        cases.insert(name, index);
    };
    with("format", "/format", json!("grainway.plugins/9"));
    with("no history", "/plugins/zones/history", json!([]));
    with("path", "/plugins/zones/history", json!(["../../etc/x"]));
    with("unknown", "/plugins/zones/history", json!(["0".repeat(64)]));
    with("kind", "/plugins/zones/kind", json!("script"));
    for (name, index) in cases {
        shop.put("plugins/plugins.json", index.to_string().as_bytes());
        let problem = shop.store.list().unwrap_err();
        assert!(
            matches!(problem, StoreProblem::Damaged { .. }),
            "{name}: {problem}"
        );
    }
    shop.put("plugins/plugins.json", b"{\"format\"");
    let file = shop.library("b.so", "zones 2.0 zones");
    assert!(matches!(
        shop.add(&file, 2),
        Err(StoreProblem::Damaged { .. })
    ));
}

#[test]
fn what_is_no_plugin_leaves_nothing_behind() {
    let shop = Shop::new();
    let before = shop.files();
    for (name, bytes) in [
        ("note.txt", &b"hello"[..]),
        ("empty.so", b""),
        ("script.json", b"#!/bin/sh"),
        (
            "half.json",
            b"{ \"format\": \"grainway.dialect/1\", \"name\": \"x\" }",
        ),
        ("broken.json", b"{"),
        ("bare.so", b"\x7fELF no"),
        ("path.so", b"\x7fELF ../x 1.0 zones"),
        ("hidden.so", b"\x7fELF .zones 1.0 zones"),
    ] {
        let problem = shop.add(&shop.put(name, bytes), 1).unwrap_err();
        assert!(
            matches!(problem, StoreProblem::NoPlugin { .. }),
            "{name}: {problem}"
        );
        assert!(problem.to_string().contains(name), "{problem}");
    }
    assert!(shop.add(&shop.root, 1).is_err());
    assert!(shop.add(&shop.root.join("nothing"), 1).is_err());
    assert_eq!(shop.files(), before);
    assert!(shop.store.list().unwrap().is_empty());
}

#[test]
fn names_that_are_taken_are_refused() {
    let shop = Shop::new();
    let problem = shop
        .add(&shop.library("a.so", "zones 1.0 place"), 1)
        .unwrap_err()
        .to_string();
    assert_eq!(
        problem,
        "a stage \"place\" is there already: it is built in"
    );
    shop.add(&shop.library("a.so", "zones 1.0 zones"), 1)
        .unwrap();
    let problem = shop
        .add(&shop.library("b.so", "others 1.0 zones"), 1)
        .unwrap_err()
        .to_string();
    assert_eq!(
        problem,
        "a stage \"zones\" is there already: it is of plugin zones"
    );
    let own = json!({ "format": "grainway.dialect/1", "name": "rs274-lean", "version": 1, "extends": "rs274-ngc" });
    let file = shop.put("lean.json", own.to_string().as_bytes());
    let problem = shop.add(&file, 1).unwrap_err().to_string();
    assert_eq!(
        problem,
        "a dialect \"rs274-lean\" is there already: it is built in"
    );
}

#[test]
fn a_dialects_data_file_is_checked_and_kept() {
    let shop = Shop::new();
    let own = json!({ "format": "grainway.dialect/1", "name": "shop-router", "version": 3, "extends": "rs274-lean", "ending": ".tap" });
    let file = shop.put("mine.json", own.to_string().as_bytes());
    let added = shop.store.add(&file, &built_in(), 1, &described).unwrap();
    assert_eq!(added.name, "shop-router");
    let dialect = &added.description.dialects[0];
    assert_eq!(dialect.about.ending, ".tap");
    assert!(dialect.read_back);
    assert!(shop.store.bytes(Kind::Data, &added.sha256).is_ok());
    // A library of the same name would be another thing.
    let library = shop.library("shop-router.so", "shop-router 1.0 zones");
    assert!(matches!(
        shop.add(&library, 1),
        Err(StoreProblem::Taken { .. })
    ));
}

#[test]
fn remove_takes_every_version_and_leaves_others() {
    let shop = Shop::new();
    shop.add(&shop.library("a.so", "zones 1.0 zones"), 1)
        .unwrap();
    shop.add(&shop.library("a.so", "zones 2.0 zones"), 2)
        .unwrap();
    let other = shop.add(&shop.library("b.so", "shoe 1.0 shoe"), 3).unwrap();
    assert_eq!(shop.store.remove("zones").unwrap(), 2);
    assert_eq!(shop.files(), [format!("{other}.so")]);
    let problem = shop.store.remove("shoo").unwrap_err().to_string();
    assert_eq!(
        problem,
        "no plugin is called \"shoo\"; did you mean \"shoe\"?"
    );
}

#[test]
fn three_killed_jobs_within_an_hour_switch_it_off() {
    let shop = Shop::new();
    let file = shop.library("a.so", "zones 1.0 zones");
    let sum = shop.add(&file, 0).unwrap();
    let struck = |at, job: &str| shop.store.strike("zones", &sum, strike(at, job)).unwrap();
    // Two, and a third when the first is an hour old: still on.
    assert_eq!(struck(1000, "bench"), None);
    assert_eq!(struck(2000, "shelf"), None);
    assert_eq!(struck(4600, "desk"), None);
    assert_eq!(shop.store.list().unwrap()[0].unusable, None);
    let told = struck(5000, "ladder").unwrap();
    assert!(told.contains("killed 3 jobs within an hour"), "{told}");
    for job in ["shelf", "desk", "ladder"] {
        assert!(told.contains(job), "{told}");
    }
    assert!(!told.contains("bench"), "{told}");
    assert_eq!(
        shop.store.list().unwrap()[0].unusable,
        Some(Unusable::Off(told))
    );
    // It is told once.
    assert_eq!(struck(5001, "table"), None);
    shop.store.enable("zones").unwrap();
    assert_eq!(shop.store.list().unwrap()[0].unusable, None);
    assert_eq!(struck(5002, "table"), None);
    // Adding it again does the same.
    assert_eq!(struck(5003, "bench"), None);
    assert!(struck(5004, "bench").is_some());
    shop.add(&file, 6000).unwrap();
    assert_eq!(shop.store.list().unwrap()[0].unusable, None);
}

#[test]
fn strikes_belong_to_a_version_and_a_clock_may_jump() {
    let shop = Shop::new();
    let one = shop
        .add(&shop.library("a.so", "zones 1.0 zones"), 1)
        .unwrap();
    let two = shop
        .add(&shop.library("a.so", "zones 2.0 zones"), 1)
        .unwrap();
    for at in [100, 101] {
        assert_eq!(
            shop.store.strike("zones", &two, strike(at, "j")).unwrap(),
            None
        );
    }
    // Set back by a day: what lies in the future does not count for ever.
    let told = shop
        .store
        .strike("zones", &two, strike(100_000, "j"))
        .unwrap();
    assert_eq!(told, None);
    let told = shop.store.strike("zones", &two, strike(10, "j")).unwrap();
    assert_eq!(told, None);
    for at in [11, 12] {
        shop.store.strike("zones", &two, strike(at, "j")).unwrap();
    }
    let listed = shop.store.list().unwrap().remove(0);
    assert!(matches!(listed.unusable, Some(Unusable::Off(_))));
    shop.store.rollback("zones").unwrap();
    assert_eq!(shop.current("zones"), one);
    assert_eq!(shop.store.list().unwrap()[0].unusable, None);
    // A plugin that was removed meanwhile has nobody to tell.
    shop.store.remove("zones").unwrap();
    let told = shop.store.strike("zones", &one, strike(13, "j")).unwrap();
    assert_eq!(told, None);
}

#[test]
fn changes_at_the_same_time_all_count() {
    let shop = Shop::new();
    let sum = shop
        .add(&shop.library("z.so", "zones 1.0 zones"), 0)
        .unwrap();
    std::thread::scope(|scope| {
        for n in 0..8 {
            let (shop, sum) = (&shop, &sum);
            scope.spawn(move || {
                let name = format!("p{n}");
                let file = shop.library(&format!("{name}.so"), &format!("{name} 1.0 {name}"));
                shop.add(&file, n).unwrap();
                shop.store.strike("zones", sum, strike(n, &name)).unwrap();
            });
        }
    });
    let entries = shop.store.entries().unwrap();
    assert_eq!(entries.len(), 9);
    assert_eq!(entries["zones"].version().unwrap().strikes.len(), 8);
    assert_eq!(shop.files().len(), 9);
    assert!(
        shop.store
            .list()
            .unwrap()
            .iter()
            .all(|l| l.name == "zones" || l.unusable.is_none())
    );
}

#[test]
fn a_lock_that_is_held_is_waited_for_and_then_told() {
    let shop = Shop::new();
    let lock = std::fs::File::create(shop.store.root().join("lock")).unwrap();
    lock.lock().unwrap();
    let begin = std::time::Instant::now();
    let problem = shop.store.enable("zones").unwrap_err();
    assert!(matches!(problem, StoreProblem::Busy(_)), "{problem}");
    assert!(begin.elapsed() >= std::time::Duration::from_secs(9));
}

#[test]
fn what_a_killed_change_left_is_cleared_and_what_a_live_one_has_is_not() {
    let shop = Shop::new();
    // No process has this number: it is beyond the largest that a system gives.
    shop.put("plugins/files/.new-4194999-0.so", b"half");
    let own = format!(".new-{}-9999.so", std::process::id());
    shop.put(&format!("plugins/files/{own}"), b"half");
    shop.put("plugins/.plugins.json.new", b"{ half");
    let sum = shop
        .add(&shop.library("z.so", "zones 1.0 zones"), 0)
        .unwrap();
    assert_eq!(shop.files(), [own, format!("{sum}.so")]);
    assert!(!shop.store.root().join(".plugins.json.new").exists());
}

#[test]
fn folders_that_are_missing_or_open_to_everybody_are_refused() {
    let shop = Shop::new();
    let problem = Store::open(&shop.root.join("nowhere")).unwrap_err();
    assert!(matches!(problem, StoreProblem::NoFolder(_)), "{problem}");
    for folder in ["plugins", "plugins/files"] {
        let path = shop.root.join(folder);
        std::fs::set_permissions(&path, PermissionsExt::from_mode(0o777)).unwrap();
        let problem = Store::open(shop.store.root()).unwrap_err();
        assert!(matches!(problem, StoreProblem::OpenToAll(_)), "{problem}");
        std::fs::set_permissions(&path, PermissionsExt::from_mode(0o755)).unwrap();
    }
    assert!(Store::open(shop.store.root()).is_ok());
}
