//! The checks behind the invariants of DEVELOPERS.md: what a crate must not know, need or do. [`crate::rooms`] has the table.
//!
//! Checks read the product's code; tests may know anything, but for `unsafe`. Every exception is named with its reason, and one that
//! excepts nothing any more is itself told, so that the lists stay true.

use crate::names::{Named, Names};
use crate::source::Tree;
use crate::workspace::{Crate, Workspace};
use std::collections::BTreeSet;

/// One sentence of DEVELOPERS.md and what holds it.
pub struct Invariant {
    /// As DEVELOPERS.md writes it.
    pub says: &'static str,
    /// All of these hold it.
    pub by: &'static [Check],
}

/// A thing that is allowed all the same.
pub struct Except {
    /// The file's path, or the end of it that no other file has.
    pub file: &'static str,
    /// What it names or says; for [`Check::Apart`], the stage that it names.
    pub what: &'static str,
    /// Why that does no harm.
    pub why: &'static str,
}

/// How a sentence is checked.
pub enum Check {
    /// No file whose path starts with one of `within`, and with none of `but`, names any of `never` or what is in them.
    Ban {
        /// Starts of paths below the root; an empty text means everywhere.
        within: &'static [&'static str],
        /// Starts of paths that may.
        but: &'static [&'static str],
        /// In full; macros with `!`.
        never: &'static [&'static str],
        /// What is allowed all the same.
        except: &'static [Except],
    },
    /// No text in quotes is the name of a stage or of a dialect.
    NoNames {
        /// Starts of paths below the root.
        within: &'static [&'static str],
        /// Words that mean something else there.
        except: &'static [Except],
    },
    /// No stage names another, by a path or in quotes. A stage is a module that implements the trait for stages, with the modules in it.
    Apart {
        /// Starts of paths below the root.
        within: &'static [&'static str],
        /// What is allowed all the same.
        except: &'static [Except],
    },
    /// Of all crates only these need any of `crates`, which come from elsewhere.
    Only {
        /// Crates of the workspace.
        may: &'static [&'static str],
        /// Crates from elsewhere.
        crates: &'static [&'static str],
    },
    /// A crate needs no others than these, wherever they come from.
    Needs(&'static str, &'static [&'static str]),
    /// Every crate of the workspace needs only those that [`crate::rooms::ARROWS`] allows.
    Arrows,
    /// Whatever sorts or picks compares by total orders alone. An order that is none (`partial_cmp`, "equal within a tolerance") makes
    /// the standard library's sort panic, and the result depend on the order of the input.
    TotalOrders,
    /// The word `unsafe` stands in these folders only, and all other crates take over the workspace's lints, which forbid it.
    Unsafe(&'static [&'static str]),
    /// The library in this file has `#![no_std]`, and no function of that folder has a body.
    NoCode(&'static str),
    /// This file calls this, which the sentence needs.
    Calls(&'static str, &'static str),
    /// A test that runs what the sentence says: the end of its file's path, and its name.
    Test(&'static str, &'static str),
}

/// Traits that make a module a stage.
const STAGE: [&str; 2] = ["Stage", "TypedStage"];

/// What the checks look at.
pub struct Sources<'w> {
    workspace: &'w Workspace,
    tree: &'w Tree,
    named: Vec<Named>,
    /// Each module's path in full.
    paths: Vec<String>,
    arrows: &'w [(&'w str, &'w [&'w str])],
}

impl<'w> Sources<'w> {
    /// Of a parsed workspace, with the arrows that it may have.
    pub fn new(
        workspace: &'w Workspace,
        tree: &'w Tree,
        arrows: &'w [(&'w str, &'w [&'w str])],
    ) -> Self {
        let names = Names::new(tree);
        let product = (0..tree.modules.len()).filter(|i| !tree.modules[*i].test);
        Sources {
            workspace,
            tree,
            named: product.flat_map(|i| names.of(i)).collect(),
            paths: (0..tree.modules.len())
                .map(|i| names.path(i).join("::"))
                .collect(),
            arrows,
        }
    }

    /// Everything that breaks an invariant, each with file and line; and every folder, crate and name of the check that is not there,
    /// without which it would hold of nothing.
    pub fn broken(&self, invariant: &Invariant) -> Vec<String> {
        let checks = || invariant.by.iter();
        let gone = checks().flat_map(|check| self.gone(check));
        let found = checks().flat_map(|check| self.check(check)).chain(gone);
        found
            .map(|what| format!("\"{}\": {what}", invariant.says))
            .collect()
    }

    fn gone(&self, check: &Check) -> Vec<String> {
        let (folders, names, crates): (Vec<&str>, &[&str], &[&str]) = match check {
            Check::Ban {
                within, but, never, ..
            } => ([*within, *but].concat(), never, &[]),
            Check::NoNames { within, .. } | Check::Apart { within, .. } => {
                (within.to_vec(), &[], &[])
            }
            Check::Only { may, .. } => (Vec::new(), &[], may),
            _ => return Vec::new(),
        };
        let texts = &self.workspace.texts;
        let no_file = |f: &&&str| !texts.keys().any(|t| t.starts_with(**f));
        let ours = |n: &&&str| n.starts_with("grainway_");
        let known = |c: &str| self.workspace.crates.iter().any(|k| k.name == c);
        let folders = folders.iter().filter(no_file);
        let names = names.iter().filter(ours).filter(|n| !self.is_there(n));
        let crates = crates.iter().filter(|c| !known(c));
        let all = folders.chain(names).chain(crates);
        all.map(|what| format!("there is no {what}")).collect()
    }

    /// Whether a path in full is that of a module or of an item.
    fn is_there(&self, full: &str) -> bool {
        let (module, item) = full.rsplit_once("::").unwrap_or((full, ""));
        let modules = &self.tree.modules;
        self.paths
            .iter()
            .zip(modules)
            .any(|(path, m)| path == full || (path == module && m.items.contains(item)))
    }

    fn check(&self, check: &Check) -> Vec<String> {
        match check {
            Check::Ban {
                within,
                but,
                never,
                except,
            } => self.ban(within, but, never, except),
            Check::NoNames { within, except } => self.no_names(within, except),
            Check::Apart { within, except } => self.apart(within, except),
            Check::Only { may, crates } => self.only(may, crates),
            Check::Needs(name, needs) => self.needs(name, needs),
            Check::Arrows => self.arrows(),
            Check::TotalOrders => self.total_orders(),
            Check::Unsafe(folders) => self.no_unsafe(folders),
            Check::NoCode(file) => self.no_code(file),
            Check::Calls(file, what) => self.calls(file, what),
            Check::Test(file, name) => self.test(file, name),
        }
    }

    fn ban(&self, within: &[&str], but: &[&str], never: &[&str], except: &[Except]) -> Vec<String> {
        let mut seen = Vec::new();
        for named in &self.named {
            let file = &self.tree.modules[named.module].file;
            let inside = within.iter().any(|w| file.starts_with(w))
                && !but.iter().any(|b| file.starts_with(b));
            if inside && never.iter().any(|n| is_in(&named.full, n)) {
                seen.push((file.clone(), named.line, named.full.clone()));
            }
        }
        left(seen, except, |what, full| is_in(full, what))
    }

    /// Names of the stages, by their modules, and of the dialects, by their data files.
    fn names(&self) -> BTreeSet<String> {
        let stages = self.stages(&[""]);
        let stages = stages.iter().map(|s| {
            s.trim_end_matches('/')
                .rsplit('/')
                .next()
                .unwrap_or(s)
                .to_string()
        });
        stages
            .chain(self.workspace.dialects.iter().cloned())
            .collect()
    }

    fn no_names(&self, within: &[&str], except: &[Except]) -> Vec<String> {
        let names = self.names();
        let mut seen = Vec::new();
        for module in self
            .tree
            .product()
            .filter(|m| within.iter().any(|w| m.file.starts_with(w)))
        {
            for (text, line) in module.texts.iter().filter(|(t, _)| names.contains(t)) {
                seen.push((module.file.clone(), *line, text.clone()));
            }
        }
        left(seen, except, |what, text| what == text)
    }

    /// Paths of the stages below these starts, without ending: `stages/plan/src/fit.rs` as `…/fit`.
    fn stages(&self, within: &[&str]) -> Vec<String> {
        let modules = self
            .tree
            .product()
            .filter(|m| within.iter().any(|w| m.file.starts_with(w)));
        let stages = modules.filter(|m| {
            m.implements
                .iter()
                .any(|(t, _)| STAGE.contains(&t.as_str()))
        });
        let mut found: Vec<String> = stages
            .map(|m| {
                m.file
                    .trim_end_matches(".rs")
                    .trim_end_matches("/mod")
                    .to_string()
            })
            .filter(|f| !f.ends_with("/lib"))
            .collect();
        found.sort();
        found.dedup();
        found
    }

    fn apart(&self, within: &[&str], except: &[Except]) -> Vec<String> {
        let stages = self.stages(within);
        let of = |file: &str| {
            stages.iter().find(|s| {
                file.strip_prefix(s.as_str())
                    .is_some_and(|rest| rest == ".rs" || rest.starts_with('/'))
            })
        };
        let mut seen = Vec::new();
        for named in self.named.iter().filter(|n| !n.handed_on) {
            let file = &self.tree.modules[named.module].file;
            let Some(holder) = named.holder.map(|h| &self.tree.modules[h].file) else {
                continue;
            };
            if let (Some(one), Some(other)) = (of(file), of(holder))
                && one != other
            {
                let short = other.rsplit('/').next().unwrap_or(other);
                seen.push((file.clone(), named.line, short.to_string()));
            }
        }
        let short = |stage: &str| stage.rsplit('/').next().unwrap_or(stage).to_string();
        let words: BTreeSet<String> = stages.iter().map(|s| short(s)).collect();
        for module in self.tree.product() {
            let Some(own) = of(&module.file) else {
                continue;
            };
            let other = |text: &&(String, usize)| words.contains(&text.0) && text.0 != short(own);
            for (text, line) in module.texts.iter().filter(other) {
                seen.push((module.file.clone(), *line, text.clone()));
            }
        }
        left(seen, except, |what, other| what == other)
    }

    fn calls(&self, file: &str, what: &str) -> Vec<String> {
        let in_file = |n: &&Named| self.tree.modules[n.module].file.ends_with(file);
        match self.named.iter().filter(in_file).any(|n| n.full == what) {
            true => Vec::new(),
            false => vec![format!("{file} does not call {what}")],
        }
    }

    fn only(&self, may: &[&str], crates: &[&str]) -> Vec<String> {
        let others = self
            .workspace
            .crates
            .iter()
            .filter(|c| !c.is_test() && !may.contains(&c.name.as_str()));
        others
            .flat_map(|c| {
                c.depends
                    .iter()
                    .filter(|d| crates.contains(&d.as_str()))
                    .map(|d| format!("{} needs {d}", c.name))
            })
            .collect()
    }

    fn needs(&self, name: &str, needs: &[&str]) -> Vec<String> {
        let Some(krate) = self.workspace.crates.iter().find(|c| c.name == name) else {
            return vec![format!("there is no crate {name}")];
        };
        let more = krate
            .depends
            .iter()
            .filter(|d| !needs.contains(&d.as_str()));
        more.map(|d| format!("{name} needs {d}")).collect()
    }

    fn arrows(&self) -> Vec<String> {
        let own: BTreeSet<&str> = self
            .workspace
            .crates
            .iter()
            .map(|c| c.name.as_str())
            .collect();
        let mut out = Vec::new();
        for Crate { name, depends, .. } in &self.workspace.crates {
            match self.arrows.iter().find(|(from, _)| from == name) {
                None => out.push(format!("{name} has no row in the table of arrows")),
                Some((_, allowed)) => {
                    let more = depends
                        .iter()
                        .filter(|d| own.contains(d.as_str()) && !allowed.contains(&d.as_str()));
                    out.extend(more.map(|d| format!("{name} needs {d}")));
                }
            }
        }
        let gone = self.arrows.iter().filter(|(from, _)| !own.contains(from));
        out.extend(gone.map(|(from, _)| format!("there is no crate {from}")));
        out
    }

    fn total_orders(&self) -> Vec<String> {
        let modules = self.tree.product();
        let found = modules.flat_map(|m| m.loose_orders.iter().map(move |(w, l)| (&m.file, w, l)));
        found
            .map(|(file, what, line)| format!("{file}:{line} has {what}"))
            .collect()
    }

    fn no_unsafe(&self, folders: &[&str]) -> Vec<String> {
        let outside = |path: &str| !folders.iter().any(|f| path.starts_with(f));
        let mut out = Vec::new();
        for (path, file) in self.tree.files.iter().filter(|(p, _)| outside(p)) {
            out.extend(
                file.unsafe_at
                    .iter()
                    .map(|line| format!("{path}:{line} says `unsafe`")),
            );
        }
        let crates = self.workspace.crates.iter();
        let without = crates.filter(|c| outside(&c.folder) && !c.workspace_lints);
        out.extend(without.map(|c| format!("{} does not take over the workspace's lints", c.name)));
        if !self.workspace.forbids_unsafe {
            out.push("the workspace's lints do not forbid `unsafe_code`".into());
        }
        out
    }

    fn no_code(&self, file: &str) -> Vec<String> {
        let mut out = Vec::new();
        if !self
            .workspace
            .texts
            .get(file)
            .is_some_and(|t| t.contains("\n#![no_std]\n"))
        {
            out.push(format!("{file} has no #![no_std]"));
        }
        let folder = file.rsplit_once('/').map_or("", |(f, _)| f);
        let functions = self
            .tree
            .functions
            .iter()
            .filter(|f| f.file.starts_with(folder) && !f.test);
        out.extend(functions.map(|f| format!("{} has the function {}", f.file, f.name)));
        out
    }

    fn test(&self, file: &str, name: &str) -> Vec<String> {
        let mut functions = self.tree.functions.iter();
        match functions.any(|f| f.file.ends_with(file) && f.name == name && f.test) {
            true => Vec::new(),
            false => vec![format!("there is no test {name} in {file}")],
        }
    }
}

/// `std::fs` holds `std::fs::write` and itself.
fn is_in(full: &str, what: &str) -> bool {
    full.strip_prefix(what)
        .is_some_and(|rest| rest.is_empty() || rest.starts_with("::"))
}

/// What no exception allows, and the exceptions that allow nothing.
fn left(
    seen: Vec<(String, usize, String)>,
    except: &[Except],
    same: impl Fn(&str, &str) -> bool,
) -> Vec<String> {
    let allows = |e: &Except, (file, _, what): &(String, usize, String)| {
        file.ends_with(e.file) && same(e.what, what)
    };
    let idle = except.iter().filter(|e| !seen.iter().any(|s| allows(e, s)));
    let idle = idle.map(|e| format!("{} no longer needs its exception for {}", e.file, e.what));
    let bad = seen.iter().filter(|s| !except.iter().any(|e| allows(e, s)));
    let mut out: Vec<String> = bad
        .map(|(file, line, what)| format!("{file}:{line} names {what}"))
        .chain(idle)
        .collect();
    out.sort();
    out.dedup();
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::rooms::{ARROWS, INVARIANTS};
    use crate::workspace::sample;

    /// A workspace in which this file is part of the product.
    fn planted(file: &str, text: &str) -> Workspace {
        let mut workspace = sample(&[(file, text)]);
        workspace.crates[0].roots = vec![file.into()];
        workspace
    }

    fn told(workspace: &Workspace, check: &Check) -> Vec<String> {
        let tree = Tree::parse(workspace).unwrap();
        Sources::new(workspace, &tree, ARROWS).check(check)
    }

    fn checks() -> impl Iterator<Item = &'static Check> {
        INVARIANTS.iter().flat_map(|i| i.by)
    }

    /// A file below a start of a path.
    fn below(within: &str) -> String {
        match within {
            "" => "elsewhere/src/planted.rs".into(),
            folder if folder.ends_with('/') => format!("{folder}src/planted.rs"),
            start => format!("{start}/planted.rs"),
        }
    }

    #[test]
    fn whatever_is_banned_is_found_however_it_is_named() {
        let mut planted_faults = 0;
        for check in checks() {
            let Check::Ban {
                within,
                but,
                never,
                except,
            } = check
            else {
                continue;
            };
            for (start, what) in within
                .iter()
                .flat_map(|w| never.iter().map(move |n| (w, n)))
            {
                let file = below(start);
                let call = |path: &str| match path.strip_suffix('!') {
                    Some(name) => format!("fn f() {{ {name}!(\"\") }}"),
                    None => format!("fn f() {{ {path}::planted() }}"),
                };
                let mut ways = vec![call(what)];
                if !what.ends_with('!') {
                    ways.push(format!("use {what} as other; {}", call("other")));
                    ways.push(format!("use {what}::{{planted}}; fn f() {{ g!(planted) }}"));
                }
                for text in ways {
                    let found = told(&planted(&file, &text), check);
                    let line = format!("{file}:1 names {}", what);
                    assert!(
                        found.iter().any(|f| f.starts_with(&line)),
                        "{file}: {text}\n{found:#?}"
                    );
                    planted_faults += 1;
                }
                // Tests may, files that are let off may, and an exception that excepts nothing is told.
                let text = format!("#[cfg(test)] mod tests {{ {} }}", call(what));
                let found = told(&planted(&file, &text), check);
                assert_eq!(found.len(), except.len(), "{found:#?}");
                assert!(
                    found
                        .iter()
                        .all(|f| f.contains("no longer needs its exception"))
                );
                for may in *but {
                    let text = call(what);
                    let found = told(&planted(&below(may.trim_end_matches(".rs")), &text), check);
                    assert!(
                        may.ends_with(".rs") || found.len() == except.len(),
                        "{may}: {found:#?}"
                    );
                }
            }
        }
        assert!(planted_faults > 100, "{planted_faults}");
    }

    const A_STAGE: &str = "impl TypedStage for A {} fn f() { g(\"OTHER\") }";

    #[test]
    fn names_of_stages_and_dialects_are_found_in_texts() {
        for check in checks() {
            let Check::NoNames { within, except } = check else {
                continue;
            };
            let file = format!("{}src/planted.rs", within[0].trim_end_matches("src/"));
            for name in ["rs274-lean", "fit"] {
                let mut workspace = planted(&file, &format!("fn f() {{ g(\"{name}\") }}"));
                let stage = sample(&[("somewhere/src/fit.rs", "impl TypedStage for Fit {}")]);
                workspace.texts.extend(stage.texts);
                workspace.crates.extend(stage.crates);
                workspace.crates[1].roots = vec!["somewhere/src/fit.rs".into()];
                let found = told(&workspace, check);
                assert_eq!(found.len(), 1 + except.len(), "{found:#?}");
                assert!(
                    found.contains(&format!("{file}:1 names {name}")),
                    "{found:#?}"
                );
            }
        }
    }

    #[test]
    fn stages_that_name_each_other_are_found() {
        for check in checks() {
            let Check::Apart { within, except } = check else {
                continue;
            };
            let at = |name: &str| format!("{}{name}.rs", within[0]);
            let (root, one, two) = (at("lib"), at("one"), at("two"));
            let found = |one_says: &str| {
                let mut workspace = planted(&root, "mod one; mod two; mod shared;");
                let texts = [
                    (&one, one_says),
                    (&two, "impl TypedStage for Two {} pub fn g() {}"),
                    (&at("shared"), "pub fn h() {}"),
                ];
                let texts = texts.map(|(p, t)| (p.clone(), t.to_string()));
                workspace.texts.extend(texts);
                told(&workspace, check).len() - except.len()
            };
            assert_eq!(
                found("impl TypedStage for One {} fn f() { crate::shared::h() }"),
                0
            );
            assert_eq!(
                found("impl TypedStage for One {} fn f() { crate::two::g() }"),
                1
            );
            assert_eq!(found("use super::two; impl TypedStage for One {}"), 1);
            assert_eq!(found(&A_STAGE.replace("OTHER", "two")), 1);
            assert_eq!(found(&A_STAGE.replace("OTHER", "one")), 0);
        }
    }

    #[test]
    fn manifests_that_need_too_much_are_found() {
        let mut workspace = sample(&[("pipeline/src/lib.rs", ""), ("plugins/sdk/src/lib.rs", "")]);
        let name = workspace.crates[0].name.clone();
        for check in checks() {
            let (krate, more) = match check {
                Check::Only { crates, .. } => (&name, crates.to_vec()),
                Check::Needs(krate, _) => (&(*krate).to_string(), vec!["csv"]),
                _ => continue,
            };
            workspace.crates[0].name.clone_from(krate);
            for one in more {
                workspace.crates[0].depends = vec![one.into()];
                assert_eq!(told(&workspace, check), [format!("{krate} needs {one}")]);
                workspace.crates[0].tests_depend = std::mem::take(&mut workspace.crates[0].depends);
                assert_eq!(told(&workspace, check), Vec::<String>::new());
            }
        }
    }

    #[test]
    fn an_arrow_that_is_not_in_the_table_is_found() {
        let mut workspace = Workspace::default();
        for (name, needs) in ARROWS {
            workspace.crates.push(Crate {
                name: (*name).into(),
                depends: needs.iter().map(|n| (*n).into()).collect(),
                ..Crate::default()
            });
        }
        assert_eq!(told(&workspace, &Check::Arrows), Vec::<String>::new());
        let first = workspace.crates[0].name.clone();
        let last = ARROWS[ARROWS.len() - 1].0;
        workspace.crates[0].depends.push(last.into());
        assert_eq!(
            told(&workspace, &Check::Arrows),
            [format!("{first} needs {last}")]
        );
        workspace.crates[0].name = "grainway-more".into();
        let found = told(&workspace, &Check::Arrows);
        assert!(found.contains(&"grainway-more has no row in the table of arrows".to_string()));
        assert!(
            found.contains(&format!("there is no crate {first}")),
            "{found:#?}"
        );
    }

    #[test]
    fn an_order_that_is_not_total_is_found() {
        let found = |text: &str| told(&planted("x/src/a.rs", text), &Check::TotalOrders).len();
        for fault in [
            "v.sort_by(|a, b| a.partial_cmp(b).unwrap_or(Equal));",
            "v.sort_unstable_by(|a, b| f64::partial_cmp(a, b).unwrap_or(Equal));",
            "v.sort_by(|a, b| if (a - b).abs() <= 0.01 { a.0.cmp(&b.0) } else { a.total_cmp(b) });",
            "v.iter().min_by(|a, b| match a < b { true => Ordering::Less, false => Ordering::Greater });",
            "let by = |a: &f64, b: &f64| a.total_cmp(b); v.iter().max_by(by);",
        ] {
            let text = format!("fn f(v: &mut Vec<f64>) {{ {fault} }}");
            assert!(found(&text) > 0, "{fault}");
            let in_a_test = format!("#[cfg(test)] mod t {{ {text} }}");
            assert_eq!(found(&in_a_test), 0, "{fault}");
        }
        let by_hand =
            "impl Ord for A { fn cmp(&self, o: &A) -> O { if self.0 > o.0 { g() } else { h() } } }";
        assert_eq!(found(by_hand), 1);
        let total = "fn f() { v.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1))); w.sort_by(f64::total_cmp);
            x.iter().filter(|a| a.0 < 1.0).min_by(|a, b| key(a).cmp(&key(b))); }
            impl Ord for A { fn cmp(&self, o: &A) -> Ordering { self.0.total_cmp(&o.0) } }
            impl PartialOrd for A { fn partial_cmp(&self, o: &A) -> Option<O> { Some(self.cmp(o)) } }";
        assert_eq!(found(total), 0);
    }

    #[test]
    fn unsafe_code_is_found_in_tests_too() {
        let check = Check::Unsafe(&["plugins/"]);
        for text in [
            "fn f() { unsafe { g() } }",
            "#[cfg(test)] mod t { unsafe fn f() {} }",
        ] {
            let found = told(&planted("pipeline/src/lib.rs", text), &check);
            assert_eq!(found, ["pipeline/src/lib.rs:1 says `unsafe`"]);
            assert_eq!(
                told(&planted("plugins/host/src/lib.rs", text), &check).len(),
                0
            );
        }
        let mut workspace = planted("pipeline/src/lib.rs", "/// Nothing `unsafe`.\nfn f() {}");
        assert_eq!(told(&workspace, &check).len(), 0);
        workspace.crates[0].workspace_lints = false;
        workspace.forbids_unsafe = false;
        assert_eq!(told(&workspace, &check).len(), 2);
    }

    #[test]
    fn code_in_the_interface_is_found() {
        let file = "plugins/abi/src/lib.rs";
        let check = Check::NoCode(file);
        let good =
            "//! About.\n\n#![no_std]\n\npub type F = fn(u8);\n#[cfg(test)] mod t { fn f() {} }";
        assert_eq!(told(&planted(file, good), &check), Vec::<String>::new());
        let bad = good.replace("\n#![no_std]\n", "") + "\npub fn g() {}";
        assert_eq!(told(&planted(file, &bad), &check).len(), 2);
    }

    #[test]
    fn a_test_or_a_call_that_is_gone_is_found() {
        let check = Check::Test("a/t.rs", "it_holds");
        let with = "#[test] fn it_holds() {}";
        assert_eq!(told(&planted("x/src/a/t.rs", with), &check).len(), 0);
        assert_eq!(
            told(&planted("x/src/a/t.rs", "fn it_holds() {}"), &check).len(),
            1
        );
        assert_eq!(told(&planted("x/src/b/t.rs", with), &check).len(), 1);
        let check = Check::Calls("a.rs", "std::mem::forget");
        let with = "use std::mem; fn f(x: u8) { mem::forget(x) }";
        assert_eq!(told(&planted("x/src/a.rs", with), &check).len(), 0);
        assert_eq!(
            told(&planted("x/src/a.rs", "fn f(x: u8) { drop(x) }"), &check).len(),
            1
        );
    }

    #[test]
    fn a_check_that_holds_of_nothing_is_told() {
        static INVARIANT: Invariant = Invariant {
            says: "so",
            by: &[
                Check::Ban {
                    within: &["a/src/", "b/src/"],
                    but: &[],
                    never: &["std::fs", "grainway_a::work::Part", "grainway_a::play"],
                    except: &[],
                },
                Check::Only {
                    may: &["grainway-a", "grainway-c"],
                    crates: &["csv"],
                },
            ],
        };
        let workspace = sample(&[
            ("a/src/lib.rs", "mod work;"),
            ("a/src/work.rs", "pub struct Part;"),
        ]);
        let tree = Tree::parse(&workspace).unwrap();
        let told = Sources::new(&workspace, &tree, ARROWS).broken(&INVARIANT);
        let gone = ["b/src/", "grainway_a::play", "grainway-c"];
        assert_eq!(told, gone.map(|g| format!("\"so\": there is no {g}")));
    }

    #[test]
    fn what_others_hand_on_is_found_where_it_is_defined() {
        let check = Check::Ban {
            within: &["b/"],
            but: &[],
            never: &["grainway_a::work"],
            except: &[],
        };
        let found = |says: &str| {
            let files = [
                (
                    "a/src/lib.rs",
                    "mod work; pub mod open; pub use work::Part;",
                ),
                ("a/src/work.rs", "pub struct Part;"),
                ("a/src/open.rs", "pub use crate::work::*; pub struct Fine;"),
                ("b/src/lib.rs", says),
            ];
            told(&sample(&files), &check).len()
        };
        assert_eq!(found("fn f(_: grainway_a::Part) {}"), 1);
        assert_eq!(found("use grainway_a::open::Part; fn f(_: &[Part]) {}"), 1);
        assert_eq!(found("use grainway_a::open::*; fn f(_: Part) {}"), 1);
        assert_eq!(found("use grainway_a::open::Fine; fn f(_: Fine) {}"), 0);
    }
}
