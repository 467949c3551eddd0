//! Every invariant of DEVELOPERS.md holds.

use grainway_shape::invariants::Sources;
use grainway_shape::limits::table;
use grainway_shape::rooms::{ARROWS, INVARIANTS};
use grainway_shape::{Tree, Workspace};
use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../..")
}

#[test]
fn every_invariant_holds() {
    let workspace = Workspace::read(&root()).unwrap();
    let tree = Tree::parse(&workspace).unwrap();
    let sources = Sources::new(&workspace, &tree, ARROWS);
    let broken: Vec<String> = INVARIANTS.iter().flat_map(|i| sources.broken(i)).collect();
    assert!(broken.is_empty(), "{}", broken.join("\n"));
}

/// Every sentence in the column of invariants has a check, and every check its sentence.
#[test]
fn every_sentence_has_its_check() {
    let text = std::fs::read_to_string(root().join("DEVELOPERS.md")).unwrap();
    let rows = table(&text, "| crate | what it is | invariants |");
    let clauses = rows.iter().flat_map(|row| row[2].split("; "));
    let told: BTreeSet<&str> = clauses.map(str::trim).collect();
    let checked: BTreeSet<&str> = INVARIANTS.iter().map(|i| i.says).collect();
    assert_eq!(told, checked);
    assert!(INVARIANTS.iter().all(|i| !i.by.is_empty()));
}
