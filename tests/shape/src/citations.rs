//! What comments and pages cite: paths of the repository, names of files, tests, and sections of pages. Whatever is cited must be there.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

/// Texts of the repository's Rust files and pages, and all of its paths.
#[derive(Debug, Default)]
pub struct Repository {
    /// Path below the root → text, of files that end in `.rs` or `.md`.
    pub texts: BTreeMap<String, String>,
    /// Files and folders.
    pub paths: BTreeSet<String>,
}

impl Repository {
    /// Reads what lies below this folder, but for what begins with a point and what is built.
    ///
    /// # Errors
    /// Which folder or file cannot be read.
    pub fn read(root: &Path) -> Result<Repository, String> {
        let mut repository = Repository::default();
        repository.folder(root, "")?;
        Ok(repository)
    }

    fn folder(&mut self, root: &Path, below: &str) -> Result<(), String> {
        let told = |e: std::io::Error| format!("{below}: {e}");
        for entry in std::fs::read_dir(root.join(below)).map_err(told)? {
            let entry = entry.map_err(told)?;
            let name = entry.file_name().to_string_lossy().into_owned();
            if name.starts_with('.') || name == "target" {
                continue;
            }
            let path = match below {
                "" => name,
                _ => format!("{below}/{name}"),
            };
            if entry.file_type().map_err(told)?.is_dir() {
                self.folder(root, &path)?;
            } else if path.ends_with(".rs") || path.ends_with(".md") {
                let text = std::fs::read_to_string(entry.path()).map_err(told)?;
                self.texts.insert(path.clone(), text);
            }
            self.paths.insert(path);
        }
        Ok(())
    }

    /// Everything that is cited and not there, as `file:line: what`.
    pub fn missing(&self) -> Vec<String> {
        let mut out = Vec::new();
        for (file, text) in &self.texts {
            let lines = prose(file, text);
            for (i, (number, line)) in lines.iter().enumerate() {
                let mut told = |what: &str| out.push(format!("{file}:{number}: {what}"));
                for word in line.split(|c: char| !is_of_path(c)) {
                    if !self.has(word.trim_matches(['.', ',', '-', '/'])) {
                        told(word);
                    }
                }
                for name in line.split('`').skip(1).step_by(2) {
                    if is_test_name(name) && !self.has_function(name) {
                        told(name);
                    }
                }
                // A citation may go on in the next line.
                let next = lines.get(i + 1).map_or("", |(_, l)| l);
                for (at, _) in line.match_indices(".md") {
                    let page = line[..at].rsplit(|c: char| !is_of_path(c)).next();
                    let page = format!("{}.md", page.unwrap_or_default());
                    let rest = format!("{} {next}", &line[at + 3..]);
                    let rest = rest.trim_start_matches([',', '`', ' ']);
                    if let Some(section) = rest.strip_prefix("section ")
                        && !self.has_section(&page, section)
                    {
                        told(&format!("{page}, section {section}"));
                    }
                }
            }
        }
        out
    }

    /// A word that names no path at all is there too, and so is one with a place for a name, such as `jobs/ID`.
    fn has(&self, word: &str) -> bool {
        let known = |path: &str| match path.split_once('*') {
            Some((begin, end)) => {
                let mut all = self.paths.iter();
                all.any(|p| p.starts_with(begin) && p.ends_with(end.trim_matches('*')))
            }
            None => self.paths.contains(path),
        };
        match word.split_once('/') {
            Some((top, _)) if self.paths.contains(top) => {
                let open = word
                    .split('/')
                    .any(|part| part.chars().all(|c| c.is_ascii_uppercase()));
                open || ways(word).iter().all(|path| known(path))
            }
            Some(_) => true,
            None if word.ends_with(".rs") || word.ends_with(".md") => {
                let end = format!("/{word}");
                known(word) || self.paths.iter().any(|p| p.ends_with(&end))
            }
            None => true,
        }
    }

    fn has_function(&self, name: &str) -> bool {
        let head = format!("fn {name}");
        self.texts.values().any(|text| text.contains(&head))
    }

    fn has_section(&self, page: &str, section: &str) -> bool {
        let text = self.texts.get(page);
        text.is_some_and(|text| {
            let heads = text.lines().filter(|l| l.starts_with('#'));
            heads
                .map(|head| head.trim_start_matches('#').trim())
                .any(|head| section.starts_with(head))
        })
    }
}

/// The lines of a file that people read, with their numbers: its comments, or all of a page.
fn prose<'t>(file: &str, text: &'t str) -> Vec<(usize, &'t str)> {
    let lines = text.lines().enumerate();
    lines
        .filter_map(|(i, line)| match file.ends_with(".md") {
            true => Some((i + 1, line)),
            false => line
                .trim_start()
                .strip_prefix("//")
                .map(|l| (i + 1, l.trim_start_matches(['/', '!', ' ']))),
        })
        .collect()
}

fn is_of_path(c: char) -> bool {
    c.is_ascii_alphanumeric() || "_-./{},*".contains(c)
}

/// Every path of one with choices in braces.
fn ways(path: &str) -> Vec<String> {
    let Some((before, rest)) = path.split_once('{') else {
        return vec![path.to_string()];
    };
    let (choices, after) = rest.split_once('}').unwrap_or((rest, ""));
    let each = choices.split(',');
    each.flat_map(|c| ways(&format!("{before}{c}{after}")))
        .collect()
}

/// Tests have names of four words and more; so has hardly anything else that stands between backticks.
fn is_test_name(name: &str) -> bool {
    let small = |c: char| c.is_ascii_lowercase() || c.is_ascii_digit();
    let words: Vec<&str> = name.split('_').collect();
    words.len() >= 4 && words.iter().all(|w| !w.is_empty() && w.chars().all(small))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn whatever_is_cited_is_there() {
        let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("../..");
        let missing = Repository::read(&root).unwrap().missing();
        assert!(missing.is_empty(), "{}", missing.join("\n"));
    }

    #[test]
    fn what_is_not_there_is_told() {
        let told = |cited: &str| {
            let texts = [
                ("docs/page.md", "# Page\n\n## Heights of holds\n"),
                (
                    "a/src/lib.rs",
                    "#[test]\nfn what_is_cut_stays_cut() {}\n// about",
                ),
                ("a/src/b.rs", cited),
            ];
            let texts = texts.map(|(p, t)| (p.to_string(), t.to_string()));
            let paths = ["a", "a/src", "docs"].map(str::to_string);
            let files = texts.iter().map(|(p, _)| p.clone());
            let paths = files.chain(paths).collect();
            let texts = texts.into_iter().collect();
            Repository { texts, paths }.missing().len()
        };
        for good in [
            "// See a/src/lib.rs, `a/src/{lib,b}.rs`, a/src, a/src/*.rs, lib.rs and docs/page.md.",
            "/// Proved by `what_is_cut_stays_cut`.",
            "// As docs/page.md, section Heights of holds, has it; a/NAME/x.rs; mm/min; and/or.",
            "//! As practice has it (docs/page.md,\n//! section Heights of holds).",
            "fn f() { g(\"a/src/none.rs\") }",
        ] {
            assert_eq!(told(good), 0, "{good}");
        }
        for bad in [
            "// See a/src/none.rs.",
            "// See `a/src/{lib,c}.rs`.",
            "// See a/none/*.rs.",
            "// See none.rs.",
            "// See `none.md`.",
            "/// Proved by `what_is_cut_grows_again`.",
            "// As docs/page.md, section Heights, has it.",
            "//! As practice has it (docs/page.md,\n//! section Widths).",
        ] {
            assert_eq!(told(bad), 1, "{bad}");
        }
    }
}
