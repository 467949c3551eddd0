//! The crates of the workspace and what their manifests say, and the texts of all their sources.

use serde_json::Value;
use std::collections::BTreeMap;
use std::path::Path;
use std::process::Command;

/// A crate of the workspace.
#[derive(Clone, Debug, Default)]
pub struct Crate {
    /// As its manifest names it, e.g. `grainway-host`.
    pub name: String,
    /// Its folder below the root, with `/` at the end.
    pub folder: String,
    /// Names of crates that its product code depends on, other than those of tests.
    pub depends: Vec<String>,
    /// Names of crates that only its tests depend on.
    pub tests_depend: Vec<String>,
    /// Root files of its library and its programs.
    pub roots: Vec<String>,
    /// Root files of its tests, examples and benches.
    pub test_roots: Vec<String>,
    /// Its manifest takes over the lints of the workspace.
    pub workspace_lints: bool,
}

impl Crate {
    /// The name as sources write it.
    pub fn ident(&self) -> String {
        self.name.replace('-', "_")
    }
    /// Everything in it serves tests: it is a crate of `tests/`, or the plugin that misbehaves for them.
    pub fn is_test(&self) -> bool {
        self.folder.starts_with("tests/") || self.folder.ends_with("/misbehaving/")
    }
}

/// All crates and the texts of all Rust files, by path below the root.
#[derive(Clone, Debug, Default)]
pub struct Workspace {
    /// In order of name.
    pub crates: Vec<Crate>,
    /// Path below the root → text.
    pub texts: BTreeMap<String, String>,
    /// Names of the built-in dialects, by their data files.
    pub dialects: Vec<String>,
    /// The lints of the workspace forbid `unsafe_code`.
    pub forbids_unsafe: bool,
}

impl Workspace {
    /// Reads the workspace in this folder.
    ///
    /// # Errors
    /// What cargo says, or which file cannot be read.
    pub fn read(root: &Path) -> Result<Workspace, String> {
        let output = Command::new("cargo")
            .args([
                "metadata",
                "--no-deps",
                "--offline",
                "--format-version",
                "1",
            ])
            .current_dir(root)
            .output()
            .map_err(|e| format!("cargo metadata: {e}"))?;
        if !output.status.success() {
            return Err(String::from_utf8_lossy(&output.stderr).into_owned());
        }
        let all: Value = serde_json::from_slice(&output.stdout).map_err(|e| e.to_string())?;
        let above = all["workspace_root"].as_str().unwrap_or_default();
        let below = |path: &Value| -> String {
            let path = path.as_str().unwrap_or_default();
            let path = path.strip_prefix(above).unwrap_or(path);
            path.trim_start_matches('/').to_string()
        };
        let mut workspace = Workspace::default();
        for package in all["packages"].as_array().into_iter().flatten() {
            workspace.crates.push(one(root, package, &below)?);
        }
        workspace.crates.sort_by(|a, b| a.name.cmp(&b.name));
        let manifest = root.join("Cargo.toml");
        let manifest = std::fs::read_to_string(manifest).map_err(|e| e.to_string())?;
        let lints = manifest.split("\n[workspace.lints.rust]\n").nth(1);
        workspace.forbids_unsafe =
            lints.is_some_and(|l| l.starts_with("unsafe_code = \"forbid\"\n"));
        let data = std::fs::read_dir(root.join("plugins/dialects/data"));
        for file in data.map_err(|e| e.to_string())?.flatten() {
            let name = file.file_name().to_string_lossy().into_owned();
            workspace
                .dialects
                .push(name.trim_end_matches(".json").to_string());
        }
        workspace.dialects.sort();
        let mut folders: Vec<String> = workspace.crates.iter().map(|c| c.folder.clone()).collect();
        folders.sort();
        for folder in folders {
            texts(root, &folder, &mut workspace.texts)?;
        }
        Ok(workspace)
    }

    /// The crate that a file belongs to.
    pub fn crate_of(&self, file: &str) -> Option<&Crate> {
        let holding = self.crates.iter().filter(|c| file.starts_with(&c.folder));
        holding.max_by_key(|c| c.folder.len())
    }
}

fn one(root: &Path, package: &Value, below: &dyn Fn(&Value) -> String) -> Result<Crate, String> {
    let manifest = below(&package["manifest_path"]);
    let text = std::fs::read_to_string(root.join(&manifest)).map_err(|e| e.to_string())?;
    let lints = text.split("\n[lints]\n").nth(1);
    let mut made = Crate {
        name: package["name"].as_str().unwrap_or_default().to_string(),
        folder: manifest.trim_end_matches("Cargo.toml").to_string(),
        workspace_lints: lints.is_some_and(|l| l.starts_with("workspace = true")),
        ..Crate::default()
    };
    for dependency in package["dependencies"].as_array().into_iter().flatten() {
        let name = dependency["name"].as_str().unwrap_or_default().to_string();
        match dependency["kind"].as_str() {
            Some("dev") => made.tests_depend.push(name),
            _ => made.depends.push(name),
        }
    }
    for target in package["targets"].as_array().into_iter().flatten() {
        let kinds = target["kind"].as_array().into_iter().flatten();
        let product = kinds
            .filter_map(Value::as_str)
            .any(|k| ["lib", "rlib", "cdylib", "bin", "custom-build"].contains(&k));
        let file = below(&target["src_path"]);
        match product {
            true => made.roots.push(file),
            false => made.test_roots.push(file),
        }
    }
    Ok(made)
}

fn texts(root: &Path, folder: &str, into: &mut BTreeMap<String, String>) -> Result<(), String> {
    let told = |e: std::io::Error| format!("{folder}: {e}");
    for entry in std::fs::read_dir(root.join(folder)).map_err(told)? {
        let entry = entry.map_err(told)?;
        let name = entry.file_name().to_string_lossy().into_owned();
        let path = format!("{folder}{name}");
        if entry.file_type().map_err(told)?.is_dir() {
            if name != "target" && !name.starts_with('.') {
                texts(root, &format!("{path}/"), into)?;
            }
        } else if name.ends_with(".rs") {
            let text = std::fs::read_to_string(entry.path()).map_err(told)?;
            into.insert(path, text);
        }
    }
    Ok(())
}

/// A workspace of these files for tests of the checks, with a crate for each folder that has a `src`.
#[cfg(test)]
pub fn sample(files: &[(&str, &str)]) -> Workspace {
    let mut workspace = Workspace {
        forbids_unsafe: true,
        dialects: vec!["rs274-lean".into()],
        ..Workspace::default()
    };
    for (path, text) in files {
        workspace.texts.insert((*path).into(), (*text).into());
        let folder = path.split("src/").next().unwrap_or(path).to_string();
        if workspace.crates.iter().all(|c| c.folder != folder) {
            let roots = ["lib", "main"]
                .map(|r| format!("{folder}src/{r}.rs"))
                .to_vec();
            workspace.crates.push(Crate {
                name: format!(
                    "grainway-{}",
                    folder.trim_end_matches('/').replace('/', "-")
                ),
                folder,
                roots,
                workspace_lints: true,
                ..Crate::default()
            });
        }
    }
    workspace
}
