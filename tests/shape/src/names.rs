//! What a path means: the module that holds the thing, or a path into a crate from elsewhere. Names that are handed on by `pub use`
//! are followed to where they are defined.

use crate::source::{Path, Tree};
use std::collections::{BTreeMap, BTreeSet};

/// Imports followed in a row; more is a circle among the imports themselves.
const DEEPEST: usize = 24;

/// Where a path leads.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Meaning {
    /// Into a module of the workspace, and what is named within it.
    Inside(usize, Vec<String>),
    /// Out of the workspace, spelled in full.
    Outside(Vec<String>),
}

/// A thing that a module names: its file and line, and what it means.
#[derive(Clone, Debug)]
pub struct Named {
    /// The module that names it.
    pub module: usize,
    /// The line.
    pub line: usize,
    /// In full, e.g. `std::fs::write` or `grainway_pipeline::work::Part`.
    pub full: String,
    /// The module of the workspace that holds it.
    pub holder: Option<usize>,
    /// Only handed on.
    pub handed_on: bool,
}

/// Meanings of the paths of a tree.
pub struct Names<'t> {
    tree: &'t Tree,
    /// Each module's path from its crate's root, the crate's name first.
    full: Vec<Vec<String>>,
}

impl<'t> Names<'t> {
    /// Of this tree.
    pub fn new(tree: &'t Tree) -> Names<'t> {
        let crates: BTreeMap<usize, &String> =
            tree.libraries.iter().map(|(n, i)| (*i, n)).collect();
        let mut full: Vec<Vec<String>> = Vec::new();
        for (i, module) in tree.modules.iter().enumerate() {
            let own = match module.parent {
                None => vec![
                    crates
                        .get(&i)
                        .map_or_else(|| module.file.clone(), |n| (*n).clone()),
                ],
                Some(parent) => {
                    let children = &tree.modules[parent].children;
                    let name = children
                        .iter()
                        .find(|(_, c)| **c == i)
                        .map(|(n, _)| n.clone());
                    let above: &Vec<String> = &full[parent];
                    above.iter().cloned().chain(name).collect()
                }
            };
            full.push(own);
        }
        Names { tree, full }
    }

    /// A module's path, its crate's name first.
    pub fn path(&self, module: usize) -> &[String] {
        &self.full[module]
    }

    /// What a path means in a module; nothing when it names something of a function's own.
    pub fn meaning(&self, module: usize, words: &[String]) -> Option<Meaning> {
        self.find(module, words, false, 0)
    }

    fn find(&self, at: usize, words: &[String], importing: bool, depth: usize) -> Option<Meaning> {
        let (first, rest) = words.split_first()?;
        if depth > DEEPEST {
            return None;
        }
        let modules = &self.tree.modules;
        match first.as_str() {
            "Self" => return None,
            "self" => return self.descend(at, rest, depth + 1),
            "super" => return self.find_above(at, rest, depth + 1),
            "crate" => {
                let mut root = at;
                while let Some(parent) = modules[root].parent {
                    root = parent;
                }
                return self.descend(root, rest, depth + 1);
            }
            _ => {}
        }
        // An import of its own name, as in `use regex::Regex` beside `use regex`, means the crate.
        if let Some(found) = self.known(at, words, importing, depth + 1) {
            return Some(found);
        }
        // A nameless module holds what one item for tests says; its names are those around it.
        let nameless = modules[at]
            .parent
            .filter(|p| !modules[*p].children.values().any(|c| *c == at));
        if let Some(around) = nameless {
            return self.find(around, words, importing, depth + 1);
        }
        if let Some(library) = self.tree.libraries.get(first) {
            return self.descend(*library, rest, depth + 1);
        }
        (words.len() > 1 || first.ends_with('!')).then(|| Meaning::Outside(words.to_vec()))
    }

    /// `super` and what follows. Blocks in a file are modules too.
    fn find_above(&self, at: usize, rest: &[String], depth: usize) -> Option<Meaning> {
        let above = self.tree.modules[at].parent?;
        match rest.first().is_some_and(|w| w == "super") {
            true => self.find_above(above, &rest[1..], depth + 1),
            false => self.descend(above, rest, depth + 1),
        }
    }

    /// A name that a module has: of a module in it, of an item, or imported.
    fn known(&self, at: usize, words: &[String], importing: bool, depth: usize) -> Option<Meaning> {
        let (first, rest) = words.split_first()?;
        let module = &self.tree.modules[at];
        if let Some(child) = module.children.get(first) {
            return self.descend(*child, rest, depth + 1);
        }
        if module.items.contains(first) {
            return Some(Meaning::Inside(at, words.to_vec()));
        }
        for import in module.imports.iter().filter(|i| i.name == *first) {
            if importing && import.path.words.first() == Some(first) {
                continue;
            }
            let whole: Vec<String> = import.path.words.iter().chain(rest).cloned().collect();
            return self.find(at, &whole, true, depth + 1);
        }
        for import in module.imports.iter().filter(|i| i.name == "*") {
            let from = self.find(at, &import.path.words, true, depth + 1);
            if let Some(Meaning::Inside(from, rest)) = from
                && rest.is_empty()
                && from != at
                && let Some(found) = self.known(from, words, importing, depth + 1)
            {
                return Some(found);
            }
        }
        None
    }

    fn descend(&self, at: usize, rest: &[String], depth: usize) -> Option<Meaning> {
        if depth > DEEPEST || rest.is_empty() {
            return Some(Meaning::Inside(at, rest.to_vec()));
        }
        self.known(at, rest, false, depth + 1)
            .or_else(|| Some(Meaning::Inside(at, rest.to_vec())))
    }

    /// Everything that a module names, imports included.
    pub fn of(&self, module: usize) -> Vec<Named> {
        let own = &self.tree.modules[module];
        let paths = own.paths.iter().map(|p| (p, false, false));
        let imports = own.imports.iter().map(|i| (&i.path, true, i.handed_on));
        let mut seen = BTreeSet::new();
        let mut out = Vec::new();
        for (Path { words, line }, importing, handed_on) in paths.chain(imports) {
            let Some(meaning) = self.find(module, words, importing, 0) else {
                continue;
            };
            let (full, holder) = match meaning {
                Meaning::Outside(words) => (words.join("::"), None),
                Meaning::Inside(at, rest) => {
                    let words: Vec<String> = self.full[at].iter().chain(&rest).cloned().collect();
                    (words.join("::"), Some(at))
                }
            };
            if seen.insert((full.clone(), *line)) {
                out.push(Named {
                    module,
                    line: *line,
                    full,
                    holder,
                    handed_on,
                });
            }
        }
        out
    }
}
