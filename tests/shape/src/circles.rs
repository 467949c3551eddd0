//! Circles: groups of modules, or of crates, each of which needs every other.

use crate::names::Names;
use crate::source::Tree;
use crate::workspace::Workspace;
use std::collections::{BTreeMap, BTreeSet};

/// Who needs whom.
pub type Arrows = BTreeMap<String, BTreeSet<String>>;

/// Arrows between modules of the product that stand side by side: children of one module, each counted with all that lies in it.
///
/// A module needs another when its code, or an import for its own use, names something that the other defines. `pub use` is
/// followed to the definition; handing on is itself no need. What a module and the one around it need of each other is no
/// arrow. Calls of methods and what macros make are not seen.
pub fn between_modules(tree: &Tree) -> Arrows {
    let names = Names::new(tree);
    let mut arrows = Arrows::new();
    for (i, _) in tree.modules.iter().enumerate().filter(|(_, m)| !m.test) {
        for named in names.of(i).into_iter().filter(|n| !n.handed_on) {
            let Some(holder) = named.holder.filter(|h| !tree.modules[*h].test) else {
                continue;
            };
            let (from, to) = (names.path(i), names.path(holder));
            let common = from.iter().zip(to).take_while(|(a, b)| a == b).count();
            if common > 0 && common < from.len() && common < to.len() {
                let needs = arrows.entry(from[..=common].join("::")).or_default();
                needs.insert(to[..=common].join("::"));
            }
        }
    }
    arrows
}

/// Arrows between crates by their manifests: what the product needs, and what only tests need.
pub fn between_crates(workspace: &Workspace) -> (Arrows, Arrows) {
    let own: BTreeSet<&String> = workspace.crates.iter().map(|c| &c.name).collect();
    let ours = |of: &[String]| -> BTreeSet<String> {
        of.iter().filter(|d| own.contains(d)).cloned().collect()
    };
    let all = workspace.crates.iter();
    let product = all.clone().map(|c| (c.name.clone(), ours(&c.depends)));
    let tests = all.map(|c| (c.name.clone(), ours(&c.tests_depend)));
    (product.collect(), tests.collect())
}

/// The circles among arrows, each in order of name.
pub fn circles(arrows: &Arrows) -> Vec<Vec<String>> {
    let reach: BTreeMap<&String, BTreeSet<&String>> = arrows
        .keys()
        .map(|from| (from, reached(arrows, from)))
        .collect();
    let mut found: BTreeSet<Vec<String>> = BTreeSet::new();
    for (from, far) in &reach {
        let back = far
            .iter()
            .filter(|to| reach.get(**to).is_some_and(|r| r.contains(from)));
        let mut circle: Vec<String> = back.map(|to| (*to).clone()).collect();
        circle.sort();
        if circle.len() > 1 {
            found.insert(circle);
        }
    }
    found.into_iter().collect()
}

fn reached<'a>(arrows: &'a Arrows, from: &String) -> BTreeSet<&'a String> {
    let mut seen = BTreeSet::new();
    let mut open: Vec<&String> = arrows.get(from).into_iter().flatten().collect();
    while let Some(next) = open.pop() {
        if seen.insert(next) {
            open.extend(arrows.get(next).into_iter().flatten());
        }
    }
    seen
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::workspace::sample;

    fn found(files: &[(&str, &str)]) -> Vec<Vec<String>> {
        let workspace = sample(files);
        circles(&between_modules(&Tree::parse(&workspace).unwrap()))
    }

    #[test]
    fn modules_that_need_each_other_are_a_circle() {
        let files = [
            ("pipeline/src/lib.rs", "mod a; mod b; mod c;"),
            ("pipeline/src/a.rs", "pub fn f() { crate::b::g() }"),
            ("pipeline/src/b.rs", "use super::c; pub fn g() { c::h() }"),
            (
                "pipeline/src/c.rs",
                "use crate::a::f as other; pub fn h() { other() }",
            ),
        ];
        let all = ["a", "b", "c"].map(|m| format!("grainway_pipeline::{m}"));
        assert_eq!(found(&files), [all]);
        for harmless in [
            "pub fn h() {} #[cfg(test)] mod tests { use crate::a::f; fn t() { f() } }",
            "pub fn h() {} #[cfg(test)] fn t() { crate::a::f() }",
            "pub use crate::a::f; pub fn h() {}",
            "pub fn h() {} /// As `crate::a::f`.\n pub fn i() {}",
        ] {
            let mut open = files;
            open[3].1 = harmless;
            assert_eq!(found(&open), Vec::<Vec<String>>::new(), "{harmless}");
        }
        for circle in [
            "pub fn h() { println!(\"{}\", crate::a::f()) }",
            "use crate::*; pub fn h() { a::f() }",
            "use super::a::{self as other}; pub fn h() { other::f() }",
        ] {
            let mut closed = files;
            closed[3].1 = circle;
            assert_eq!(found(&closed).len(), 1, "{circle}");
        }
    }

    #[test]
    fn what_is_handed_on_is_needed_where_it_is_defined() {
        let files = [
            ("pipeline/src/lib.rs", "mod a; mod b;"),
            (
                "pipeline/src/a/mod.rs",
                "mod x; mod y; pub use x::X; pub struct A(x::X);",
            ),
            (
                "pipeline/src/a/x.rs",
                "use super::A; pub struct X; fn f(_: A) {}",
            ),
            ("pipeline/src/a/y.rs", "fn f(_: crate::a::X) {}"),
            ("pipeline/src/b.rs", "use crate::a::X; fn f(_: X) {}"),
        ];
        assert_eq!(found(&files), Vec::<Vec<String>>::new());
        let mut closed = files;
        closed[2].1 = "pub struct X; fn f() { crate::b::g(); super::y::h() }";
        let pair = |m: [&str; 2]| m.map(|m| format!("grainway_pipeline::{m}")).to_vec();
        assert_eq!(found(&closed), [pair(["a", "b"]), pair(["a::x", "a::y"])]);
    }

    #[test]
    fn crates_that_need_each_other_by_tests_alone_are_a_circle_too() {
        let arrows = Arrows::from([
            ("a".into(), BTreeSet::from(["b".into()])),
            ("b".into(), BTreeSet::from(["a".into()])),
            ("c".into(), BTreeSet::from(["a".into()])),
        ]);
        assert_eq!(circles(&arrows), [["a", "b"]]);
    }
}
