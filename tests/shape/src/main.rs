//! Prints how the workspace is built and compares it with the limits in DEVELOPERS.md. `--help` says what counts.

use grainway_shape::circles::{Arrows, between_crates, between_modules, circles};
use grainway_shape::limits::{LONG_FUNCTION, Limits};
use grainway_shape::lines::Lines;
use grainway_shape::source::Function;
use grainway_shape::{Tree, Workspace};
use std::collections::{BTreeMap, BTreeSet};
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

/// Prints a line; a reader that has seen enough may go.
macro_rules! say {
    ($($text:tt)*) => {{
        let _ = writeln!(std::io::stdout(), $($text)*);
    }};
}

const HELP: &str = "\
shape [FOLDER]: how the workspace in FOLDER (this one) is built, against the limits in its DEVELOPERS.md. Exit 1 past a limit.

arrows     which crate's product code needs which, by the manifests; in brackets what only its tests need
circles    of crates: crates that need each other, tests counted; of modules: children of one module, each counted with all that
           lies in it, each of which needs every other. A module needs another when its product code names something that the other
           defines, in code or in an import of its own. `pub use` is followed to the definition and is itself no need. What a module
           and the one around it need of each other makes no circle. Methods called and what macros make are not seen
functions  from the line with `fn` to the last brace, comments counted
lines      product: code of libraries and programs, the example plugins among them; test: crates of tests/, tests, examples, benches,
           `#[cfg(test)]`; rest: blank lines, comments and documentation. A line with code and a comment is code
";

fn main() -> ExitCode {
    let asked = std::env::args().nth(1);
    if asked.as_deref() == Some("--help") {
        say!("{HELP}");
        return ExitCode::SUCCESS;
    }
    let own = Path::new(env!("CARGO_MANIFEST_DIR")).join("../..");
    match shape(&asked.map_or(own, PathBuf::from)) {
        Ok(passed) if passed.is_empty() => {
            say!("within all limits");
            ExitCode::SUCCESS
        }
        Ok(passed) => {
            say!("past its limits:");
            passed.iter().for_each(|p| say!("  {p}"));
            ExitCode::from(1)
        }
        Err(why) => {
            say!("{why}");
            ExitCode::from(2)
        }
    }
}

/// Prints all of it. Gives what is past a limit.
fn shape(root: &Path) -> Result<Vec<String>, String> {
    let workspace = Workspace::read(root)?;
    let tree = Tree::parse(&workspace)?;
    let text = std::fs::read_to_string(root.join("DEVELOPERS.md")).map_err(|e| e.to_string())?;
    let limits = Limits::parse(&text)?;
    let of_crates = print_arrows(&workspace);
    let of_modules = circles(&between_modules(&tree));
    say!("\n{} circles of modules", of_modules.len());
    for circle in &of_modules {
        say!("  {} modules: {}", circle.len(), circle.join(" "));
    }
    let long = print_functions(&tree);
    let longest_file = print_files(&workspace);
    let lines = print_lines(&workspace, &tree);
    let longest = product(&tree).map(|f| f.lines).max().unwrap_or(0);
    let measured = BTreeMap::from([
        ("circles of crates", of_crates),
        ("circles of modules", of_modules.len()),
        ("functions over 80 lines", long.len()),
        ("lines of the longest function", longest),
        ("lines of the longest file", longest_file),
        ("lines of product code", lines.product),
    ]);
    say!("\nmeasure, value, limit");
    for (measure, value) in &measured {
        let limit = limits
            .limits
            .get(*measure)
            .map_or("none".to_string(), ToString::to_string);
        say!("  {measure}: {value}, {limit}");
    }
    Ok(limits.passed(&measured, &long))
}

/// Arrows between crates. Gives the number of circles.
fn print_arrows(workspace: &Workspace) -> usize {
    let (product, tests) = between_crates(workspace);
    let listed = |set: &BTreeSet<String>| {
        set.iter()
            .map(String::as_str)
            .collect::<Vec<_>>()
            .join(", ")
    };
    say!("arrows between crates");
    let mut all = Arrows::new();
    for (from, to) in &product {
        let only: BTreeSet<String> = tests
            .get(from)
            .into_iter()
            .flatten()
            .filter(|t| !to.contains(*t))
            .cloned()
            .collect();
        let only_told = if only.is_empty() {
            String::new()
        } else {
            format!(" ({})", listed(&only))
        };
        say!(
            "  {from} → {}{only_told}",
            if to.is_empty() {
                "nothing".into()
            } else {
                listed(to)
            }
        );
        all.insert(from.clone(), to.union(&only).cloned().collect());
    }
    let found = circles(&all);
    say!("{} circles of crates", found.len());
    found.iter().for_each(|c| say!("  {}", c.join(" ")));
    found.len()
}

fn product(tree: &Tree) -> impl Iterator<Item = &Function> {
    tree.functions.iter().filter(|f| !f.test)
}

/// The longest functions. Gives the names of those over the length that needs a reason.
fn print_functions(tree: &Tree) -> Vec<String> {
    let mut all: Vec<&Function> = product(tree).collect();
    all.sort_by(|a, b| b.lines.cmp(&a.lines).then(a.file.cmp(&b.file)));
    let long = all.iter().filter(|f| f.lines > LONG_FUNCTION).count();
    let in_tests = tree
        .functions
        .iter()
        .filter(|f| f.test && f.lines > LONG_FUNCTION)
        .count();
    say!("\n{long} functions over {LONG_FUNCTION} lines ({in_tests} more in tests); the longest");
    for function in all.iter().take(long.max(10)) {
        say!(
            "  {:>4} {}::{}",
            function.lines,
            function.file,
            function.name
        );
    }
    let name = |f: &&Function| format!("{}::{}", f.file, f.name);
    let mut names: Vec<String> = all.iter().take(long).map(name).collect();
    names.sort();
    names
}

/// The longest files. Gives the longest's lines, blank ones and comments among them.
fn print_files(workspace: &Workspace) -> usize {
    let texts = workspace.texts.iter();
    let mut all: Vec<(usize, &String)> = texts.map(|(p, t)| (t.lines().count(), p)).collect();
    all.sort_by(|a, b| b.0.cmp(&a.0).then(a.1.cmp(b.1)));
    say!("\nthe longest files");
    for (lines, path) in all.iter().take(10) {
        say!("  {lines:>4} {path}");
    }
    all.first().map_or(0, |f| f.0)
}

/// Lines by crate and kind. Gives the sum.
fn print_lines(workspace: &Workspace, tree: &Tree) -> Lines {
    say!("\nlines          product     test     rest");
    let mut sum = Lines::default();
    let told =
        |name: &str, l: Lines| say!("  {:>18} {:>8} {:>8}  {name}", l.product, l.test, l.rest);
    for krate in &workspace.crates {
        let own = tree.files.values().filter(|f| f.krate == krate.name);
        let lines = own.fold(Lines::default(), |all, f| all.plus(f.lines));
        told(&krate.name, lines);
        sum = sum.plus(lines);
    }
    told("all", sum);
    sum
}
