//! The plugin store: a folder that the operator names, the only place from which plugins are taken.
//!
//! Files are kept under the SHA-256 of their bytes and never changed; `plugins.json` says which of them a name stands for now and
//! stood for before. Whatever is taken out is checked against its hash first. A library is described by loading it in a child
//! process when it is added, never here. The clock is the caller's: seconds since 1970.

use grainway_pipeline::dialect::DialectAbout;
use serde::{Deserialize, Serialize};
use serde_json::Value;
use sha2::{Digest, Sha256};
use std::collections::BTreeMap;
use std::fs::File;
use std::io::{Read, Write};
use std::os::unix::fs::{OpenOptionsExt, PermissionsExt};
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

/// The format word of the index.
pub const STORE_FORMAT: &str = "grainway.plugins/1";
/// Larger files are no plugins.
pub const MAX_PLUGIN_BYTES: u64 = 256 * 1024 * 1024;
/// So many jobs killed within [`STRIKE_SECONDS`] switch a plugin off.
pub const STRIKES: usize = 3;
/// How long a killed job counts.
pub const STRIKE_SECONDS: u64 = 3600;
/// How long a change waits for another one.
const LOCK_WAIT: Duration = Duration::from_secs(10);

const INDEX: &str = "plugins.json";
const FILES: &str = "files";

/// What a plugin is made as.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Kind {
    /// A native library.
    Native,
    /// A dialect's data file.
    Data,
}

impl Kind {
    fn ending(self) -> &'static str {
        match self {
            Kind::Native => "so",
            Kind::Data => "json",
        }
    }
}

/// What the index says of all plugins.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
struct Index {
    format: String,
    plugins: BTreeMap<String, Entry>,
}

/// One plugin's row.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct Entry {
    /// What it is.
    pub kind: Kind,
    /// The hashes that the name stood for, oldest first; it stands for the last.
    pub history: Vec<String>,
    /// All that were ever added, by hash.
    pub versions: BTreeMap<String, Version>,
}

impl Entry {
    /// The hash that the name stands for.
    pub fn current(&self) -> &str {
        self.history.last().map_or("", String::as_str)
    }
    /// What is known of it.
    pub fn version(&self) -> Option<&Version> {
        self.versions.get(self.current())
    }
}

/// One file under a plugin's name.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct Version {
    /// When it was added, seconds since 1970.
    pub added: u64,
    /// The name of the file that was added.
    pub file: String,
    /// What it said of itself when it was added.
    pub description: Description,
    /// Jobs it killed lately.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub strikes: Vec<Strike>,
    /// Why it is switched off.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub off: Option<String>,
}

/// A job that a plugin killed.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct Strike {
    /// When, seconds since 1970.
    pub at: u64,
    /// The job's name.
    pub job: String,
    /// How it ended.
    pub end: String,
}

/// What a plugin says of itself.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct Description {
    /// Its name: 1 to 80 letters, digits, points, dashes and underscores, no point first.
    pub name: String,
    /// Its version, as its author writes it.
    pub version: String,
    /// Its dialects.
    #[serde(default)]
    pub dialects: Vec<DialectDescription>,
    /// Its stages.
    #[serde(default)]
    pub stages: Vec<StageDescription>,
}

/// A dialect of a plugin.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct DialectDescription {
    /// What shops, post and verify must know.
    pub about: DialectAbout,
    /// Its texts can be read back.
    pub read_back: bool,
}

/// A stage of a plugin.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct StageDescription {
    /// Its name in chains and settings.
    pub name: String,
    /// Counts up with every change of what it makes.
    pub version: u32,
    /// One sentence.
    pub summary: String,
    /// What must hold before it.
    pub needs: Vec<String>,
    /// What holds after it.
    pub gives: Vec<String>,
    /// What no longer holds after it.
    pub spoils: Vec<String>,
    /// JSON Schema of its settings.
    pub schema: Value,
    /// Its settings with every key.
    pub example: Value,
}

/// Why the store cannot do something.
#[derive(Debug, thiserror::Error)]
pub enum StoreProblem {
    /// There is no such folder.
    #[error("the plugin folder {0} does not exist")]
    NoFolder(String),
    /// Others may write into it.
    #[error(
        "{0} can be written by everybody; plugins are taken only from folders that others cannot write"
    )]
    OpenToAll(String),
    /// The index cannot be trusted.
    #[error("{file} is damaged: {why}")]
    Damaged {
        /// The file.
        file: String,
        /// What is wrong.
        why: String,
    },
    /// The file is no plugin.
    #[error("{file} is no plugin: {why}")]
    NoPlugin {
        /// The file.
        file: String,
        /// Why.
        why: String,
    },
    /// A name is taken.
    #[error("{what} \"{name}\" is there already: {whose}")]
    Taken {
        /// "a dialect", "a stage", "a plugin".
        what: &'static str,
        /// The name.
        name: String,
        /// Whose it is.
        whose: String,
    },
    /// No plugin is called so.
    #[error("no plugin is called \"{name}\"{near}")]
    Unknown {
        /// The name.
        name: String,
        /// "; did you mean …?" or nothing.
        near: String,
    },
    /// There is nothing before the present version.
    #[error("plugin \"{0}\" has no version before the present one")]
    NoFormer(String),
    /// Another change does not end.
    #[error("another change of {0} is not at its end; try again later")]
    Busy(String),
    /// The disk refused.
    #[error("{what}: {error}")]
    Disk {
        /// What was tried.
        what: String,
        /// The system's words.
        error: std::io::Error,
    },
}

fn disk(what: impl Into<String>) -> impl FnOnce(std::io::Error) -> StoreProblem {
    let what = what.into();
    move |error| StoreProblem::Disk { what, error }
}

/// A plugin as it stands in the store.
#[derive(Clone, Debug)]
pub struct Listed {
    /// Its name.
    pub name: String,
    /// Its row.
    pub entry: Entry,
    /// Why it cannot be used: damaged, or switched off.
    pub unusable: Option<Unusable>,
}

/// Why a plugin cannot be used.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Unusable {
    /// Its file is missing or is not what was added.
    Damaged(String),
    /// It killed too many jobs.
    Off(String),
}

/// What adding did.
#[derive(Clone, Debug, PartialEq)]
pub struct Added {
    /// The plugin's name.
    pub name: String,
    /// Its hash now.
    pub sha256: String,
    /// Its hash before, when it was another.
    pub before: Option<String>,
    /// What it says of itself.
    pub description: Description,
}

/// Names that are taken by what is built in.
#[derive(Clone, Debug, Default)]
pub struct BuiltIn {
    /// Dialects.
    pub dialects: Vec<String>,
    /// Stages.
    pub stages: Vec<String>,
}

/// A folder of plugins.
#[derive(Clone, Debug)]
pub struct Store {
    root: PathBuf,
}

/// Holds the store's lock until dropped.
struct Locked {
    _file: File,
}

impl Store {
    /// The folder, which must exist and must not be open to everybody.
    pub fn open(root: &Path) -> Result<Store, StoreProblem> {
        let shown = root.display().to_string();
        let root = root
            .canonicalize()
            .ok()
            .filter(|r| r.is_dir())
            .ok_or_else(|| StoreProblem::NoFolder(shown.clone()))?;
        for folder in [root.clone(), root.join(FILES)] {
            let Ok(about) = std::fs::metadata(&folder) else {
                continue;
            };
            if about.permissions().mode() & 0o002 != 0 {
                return Err(StoreProblem::OpenToAll(folder.display().to_string()));
            }
        }
        Ok(Store { root })
    }

    /// The folder, made if it is not there.
    pub fn create(root: &Path) -> Result<Store, StoreProblem> {
        std::fs::create_dir_all(root.join(FILES))
            .map_err(disk(format!("{} cannot be made", root.display())))?;
        Store::open(root)
    }

    /// Where it is.
    pub fn root(&self) -> &Path {
        &self.root
    }

    /// All plugins with their rows, by name. Files are not looked at.
    pub fn entries(&self) -> Result<BTreeMap<String, Entry>, StoreProblem> {
        Ok(self.index()?.plugins)
    }

    /// All plugins, by name, each file checked against its hash.
    pub fn list(&self) -> Result<Vec<Listed>, StoreProblem> {
        let entries = self.entries()?;
        Ok(entries
            .into_iter()
            .map(|(name, entry)| {
                let off = entry.version().and_then(|v| v.off.clone());
                let unusable = match (self.file(entry.kind, entry.current()), off) {
                    (Err(why), _) => Some(Unusable::Damaged(why)),
                    (Ok(_), Some(why)) => Some(Unusable::Off(why)),
                    (Ok(_), None) => None,
                };
                Listed {
                    name,
                    entry,
                    unusable,
                }
            })
            .collect())
    }

    /// The bytes under a hash, checked. The error is one sentence without a point.
    pub fn bytes(&self, kind: Kind, sha256: &str) -> Result<Vec<u8>, String> {
        let path = self.path(kind, sha256);
        let link = std::fs::symlink_metadata(&path).is_ok_and(|a| a.is_symlink());
        if link {
            return Err("its file was replaced by a link".to_string());
        }
        let bytes = read_plain(&path).map_err(|why| format!("its file cannot be read: {why}"))?;
        if hex(&bytes) == sha256 {
            Ok(bytes)
        } else {
            Err("its file was changed after it was added".to_string())
        }
    }

    /// The file under a hash, checked. The error is one sentence without a point.
    pub fn file(&self, kind: Kind, sha256: &str) -> Result<PathBuf, String> {
        self.bytes(kind, sha256)?;
        Ok(self.path(kind, sha256))
    }

    /// Takes in a file. `describe` is given a library's copy in the store and must load it in a process of its own. What is there
    /// already under the same name stays as its history; the same file again switches a plugin on that was off.
    pub fn add(
        &self,
        file: &Path,
        built_in: &BuiltIn,
        now: u64,
        describe: &dyn Fn(&Path) -> Result<Description, String>,
    ) -> Result<Added, StoreProblem> {
        let shown = file.display().to_string();
        let no_plugin = |why: String| StoreProblem::NoPlugin {
            file: shown.clone(),
            why,
        };
        let bytes = read_plain(file).map_err(&no_plugin)?;
        let kind = kind_of(&bytes, file).map_err(&no_plugin)?;
        let sha256 = hex(&bytes);
        let copy = self.copy_in(&bytes, kind)?;
        let described = match kind {
            Kind::Native => describe(&copy.path),
            Kind::Data => described_data(&bytes),
        };
        let description = described.and_then(sound).map_err(&no_plugin)?;

        let _locked = self.lock()?;
        let mut index = self.index()?;
        let name = description.name.clone();
        refuse_taken(&index, kind, &description, built_in)?;
        copy.keep(&self.path(kind, &sha256), &self.root.join(FILES))?;
        let entry = index.plugins.entry(name.clone()).or_insert_with(|| Entry {
            kind,
            history: Vec::new(),
            versions: BTreeMap::new(),
        });
        let before = entry.history.last().filter(|h| **h != sha256).cloned();
        if entry.history.last() != Some(&sha256) {
            entry.history.push(sha256.clone());
        }
        let version = Version {
            added: now,
            file: file
                .file_name()
                .unwrap_or_default()
                .to_string_lossy()
                .into_owned(),
            description: description.clone(),
            strikes: Vec::new(),
            off: None,
        };
        entry.versions.insert(sha256.clone(), version);
        self.write(&index)?;
        Ok(Added {
            name,
            sha256,
            before,
            description,
        })
    }

    /// Takes a plugin out, with every version of it. Gives the files that nothing else needed and that are gone.
    pub fn remove(&self, name: &str) -> Result<usize, StoreProblem> {
        let _locked = self.lock()?;
        let mut index = self.index()?;
        let entry = index
            .plugins
            .remove(name)
            .ok_or_else(|| unknown(&index, name))?;
        // The index first: a row without its file would be damage, a file without a row is only waste.
        self.write(&index)?;
        let mut gone = 0;
        for sha256 in entry.versions.keys() {
            let path = self.path(entry.kind, sha256);
            if std::fs::remove_file(&path).is_ok() {
                gone += 1;
            }
        }
        Ok(gone)
    }

    /// Makes the name stand for what it stood for before. Gives (what it stood for, what it stands for).
    pub fn rollback(&self, name: &str) -> Result<(String, String), StoreProblem> {
        let _locked = self.lock()?;
        let mut index = self.index()?;
        let Some(entry) = index.plugins.get_mut(name) else {
            return Err(unknown(&index, name));
        };
        if entry.history.len() < 2 {
            return Err(StoreProblem::NoFormer(name.to_string()));
        }
        let from = entry.history.pop().unwrap_or_default();
        let to = entry.current().to_string();
        self.file(entry.kind, &to)
            .map_err(|why| StoreProblem::Damaged {
                file: self.path(entry.kind, &to).display().to_string(),
                why,
            })?;
        let description = entry.version().map(|v| v.description.clone());
        let kind = entry.kind;
        if let Some(description) = description {
            // Another plugin may have taken a name that this version had.
            refuse_taken(&index, kind, &description, &BuiltIn::default())?;
        }
        self.write(&index)?;
        Ok((from, to))
    }

    /// Switches a plugin on again and forgets the jobs it killed.
    pub fn enable(&self, name: &str) -> Result<(), StoreProblem> {
        let _locked = self.lock()?;
        let mut index = self.index()?;
        let Some(entry) = index.plugins.get_mut(name) else {
            return Err(unknown(&index, name));
        };
        let current = entry.current().to_string();
        if let Some(version) = entry.versions.get_mut(&current) {
            version.off = None;
            version.strikes.clear();
        }
        self.write(&index)
    }

    /// Notes that a plugin killed a job. The third within an hour switches it off: the sentence says so.
    pub fn strike(
        &self,
        name: &str,
        sha256: &str,
        strike: Strike,
    ) -> Result<Option<String>, StoreProblem> {
        let _locked = self.lock()?;
        let mut index = self.index()?;
        let Some(version) = index
            .plugins
            .get_mut(name)
            .and_then(|e| e.versions.get_mut(sha256))
        else {
            // Removed meanwhile.
            return Ok(None);
        };
        // A clock that was set back must not make a strike last for ever.
        let now = strike.at;
        version
            .strikes
            .retain(|s| s.at.abs_diff(now) < STRIKE_SECONDS);
        version.strikes.push(strike);
        let mut told = None;
        if version.strikes.len() >= STRIKES && version.off.is_none() {
            let jobs: Vec<String> = version
                .strikes
                .iter()
                .map(|s| format!("\"{}\" ({})", s.job, s.end))
                .collect();
            let why = format!(
                "plugin {name} killed {} jobs within an hour and is switched off: {}",
                version.strikes.len(),
                jobs.join("; ")
            );
            version.off = Some(why.clone());
            told = Some(why);
        }
        self.write(&index)?;
        Ok(told)
    }

    fn path(&self, kind: Kind, sha256: &str) -> PathBuf {
        self.root
            .join(FILES)
            .join(format!("{sha256}.{}", kind.ending()))
    }

    fn index(&self) -> Result<Index, StoreProblem> {
        let path = self.root.join(INDEX);
        let damaged = |why: String| StoreProblem::Damaged {
            file: path.display().to_string(),
            why,
        };
        let text = match std::fs::read(&path) {
            Ok(text) => text,
            Err(e) if e.kind() == std::io::ErrorKind::NotFound => {
                return Ok(Index {
                    format: STORE_FORMAT.to_string(),
                    plugins: BTreeMap::new(),
                });
            }
            Err(e) => return Err(damaged(e.to_string())),
        };
        let index: Index = serde_json::from_slice(&text).map_err(|e| damaged(e.to_string()))?;
        if index.format != STORE_FORMAT {
            return Err(damaged(format!("its format is \"{}\"", index.format)));
        }
        for (name, entry) in &index.plugins {
            // Hashes become file names.
            let hashes = entry.history.iter().chain(entry.versions.keys());
            let known = !entry.history.is_empty()
                && entry.history.iter().all(|h| entry.versions.contains_key(h));
            if !is_name(name) || !known || !hashes.into_iter().all(|h| is_hash(h)) {
                return Err(damaged(format!(
                    "the row of \"{}\" is not whole",
                    name.escape_debug()
                )));
            }
        }
        Ok(index)
    }

    /// Replaces the index in one step, on the disk before it is said to be done.
    fn write(&self, index: &Index) -> Result<(), StoreProblem> {
        let path = self.root.join(INDEX);
        let fresh = self.root.join(".plugins.json.new");
        let failed = || disk(format!("{} cannot be written", path.display()));
        let mut text = serde_json::to_vec_pretty(index).map_err(|e| failed()(e.into()))?;
        text.push(b'\n');
        // Under the lock nobody else writes; what a killed change left is overwritten.
        let mut out = File::create(&fresh).map_err(failed())?;
        out.write_all(&text)
            .and_then(|()| out.sync_all())
            .and_then(|()| std::fs::rename(&fresh, &path))
            .and_then(|()| File::open(&self.root)?.sync_all())
            .map_err(failed())
    }

    fn lock(&self) -> Result<Locked, StoreProblem> {
        let path = self.root.join("lock");
        let failed = || disk(format!("{} cannot be locked", path.display()));
        let file = File::options()
            .create(true)
            .truncate(false)
            .write(true)
            .open(&path)
            .map_err(failed())?;
        let begin = Instant::now();
        loop {
            match file.try_lock() {
                Ok(()) => return Ok(Locked { _file: file }),
                Err(std::fs::TryLockError::WouldBlock) if begin.elapsed() < LOCK_WAIT => {
                    std::thread::sleep(Duration::from_millis(5));
                }
                Err(std::fs::TryLockError::WouldBlock) => {
                    return Err(StoreProblem::Busy(self.root.display().to_string()));
                }
                Err(std::fs::TryLockError::Error(e)) => return Err(failed()(e)),
            }
        }
    }

    /// A copy on the disk under a name that is no plugin's yet.
    fn copy_in(&self, bytes: &[u8], kind: Kind) -> Result<Copy, StoreProblem> {
        let folder = self.root.join(FILES);
        let failed = || disk(format!("{} cannot be written", folder.display()));
        std::fs::create_dir_all(&folder).map_err(failed())?;
        clear_copies(&folder);
        let own = std::process::id();
        for n in 0..10_000 {
            let path = folder.join(format!(".new-{own}-{n}.{}", kind.ending()));
            let mut out = match File::options()
                .write(true)
                .create_new(true)
                .mode(0o444)
                .open(&path)
            {
                Ok(out) => out,
                Err(e) if e.kind() == std::io::ErrorKind::AlreadyExists => continue,
                Err(e) => return Err(failed()(e)),
            };
            let copy = Copy { path, kept: false };
            out.write_all(bytes)
                .and_then(|()| out.sync_all())
                .map_err(failed())?;
            return Ok(copy);
        }
        Err(failed()(std::io::Error::other("no free name for a copy")))
    }
}

/// A file that is gone again unless it is kept.
struct Copy {
    path: PathBuf,
    kept: bool,
}

impl Copy {
    fn keep(mut self, path: &Path, folder: &Path) -> Result<(), StoreProblem> {
        let failed = || disk(format!("{} cannot be written", path.display()));
        // An equal file may be there; a damaged one is mended.
        std::fs::rename(&self.path, path).map_err(failed())?;
        // The old name is free for another copy, which is not ours to remove.
        self.kept = true;
        File::open(folder)
            .and_then(|f| f.sync_all())
            .map_err(failed())
    }
}

impl Drop for Copy {
    fn drop(&mut self) {
        if !self.kept {
            let _ = std::fs::remove_file(&self.path);
        }
    }
}

/// Removes copies whose process is gone.
fn clear_copies(folder: &Path) {
    for entry in std::fs::read_dir(folder).into_iter().flatten().flatten() {
        let name = entry.file_name().to_string_lossy().into_owned();
        let process = name
            .strip_prefix(".new-")
            .and_then(|rest| rest.split('-').next());
        if process.is_some_and(|p| !Path::new("/proc").join(p).exists()) {
            let _ = std::fs::remove_file(entry.path());
        }
    }
}

/// The bytes of a plain file that is not too large.
fn read_plain(path: &Path) -> Result<Vec<u8>, String> {
    let about = std::fs::metadata(path).map_err(|e| e.to_string())?;
    if !about.is_file() {
        return Err("it is not a plain file".to_string());
    }
    let mut bytes = Vec::new();
    File::open(path)
        .and_then(|f| f.take(MAX_PLUGIN_BYTES + 1).read_to_end(&mut bytes))
        .map_err(|e| e.to_string())?;
    if bytes.len() as u64 > MAX_PLUGIN_BYTES {
        return Err(format!("it has more than {MAX_PLUGIN_BYTES} bytes"));
    }
    Ok(bytes)
}

/// By its first bytes; a name can say anything.
fn kind_of(bytes: &[u8], file: &Path) -> Result<Kind, String> {
    if bytes.starts_with(b"\x7fELF") {
        return Ok(Kind::Native);
    }
    let first = bytes.iter().find(|b| !b.is_ascii_whitespace());
    if first == Some(&b'{') && file.extension().is_some_and(|e| e == "json") {
        return Ok(Kind::Data);
    }
    Err("it is neither a native library nor a dialect's data file (.json)".to_string())
}

fn described_data(bytes: &[u8]) -> Result<Description, String> {
    let text = std::str::from_utf8(bytes).map_err(|e| e.to_string())?;
    let dialect = grainway_dialects::from_json(text).map_err(|problems| {
        let all: Vec<String> = problems
            .iter()
            .map(|p| match p.pointer.as_str() {
                "" => p.message.clone(),
                pointer => format!("{pointer}: {}", p.message),
            })
            .collect();
        all.join("; ")
    })?;
    let about = dialect.about().clone();
    Ok(Description {
        name: about.name.clone(),
        version: about.version.to_string(),
        dialects: vec![DialectDescription {
            read_back: dialect.reader().is_some(),
            about,
        }],
        stages: Vec::new(),
    })
}

fn sound(description: Description) -> Result<Description, String> {
    let dialects = description.dialects.iter().map(|d| &d.about.name);
    let stages = description.stages.iter().map(|s| &s.name);
    let names: Vec<&String> = std::iter::once(&description.name)
        .chain(dialects)
        .chain(stages)
        .collect();
    if let Some(bad) = names.iter().find(|n| !is_name(n)) {
        return Err(format!(
            "\"{}\" is not a name of 1 to 80 letters, digits, points, dashes and underscores",
            bad.escape_debug()
        ));
    }
    if names.len() == 1 {
        return Err("it has no dialect and no stage".to_string());
    }
    Ok(description)
}

fn refuse_taken(
    index: &Index,
    kind: Kind,
    new: &Description,
    built_in: &BuiltIn,
) -> Result<(), StoreProblem> {
    if let Some(entry) = index.plugins.get(&new.name)
        && entry.kind != kind
    {
        return Err(StoreProblem::Taken {
            what: "a plugin",
            name: new.name.clone(),
            whose: "it is made in another way; remove it first".to_string(),
        });
    }
    let mut others: Vec<(&'static str, &str, String)> = Vec::new();
    for name in &built_in.dialects {
        others.push(("a dialect", name, "it is built in".to_string()));
    }
    for name in &built_in.stages {
        others.push(("a stage", name, "it is built in".to_string()));
    }
    for (plugin, entry) in index.plugins.iter().filter(|(n, _)| **n != new.name) {
        let Some(version) = entry.version() else {
            continue;
        };
        let whose = format!("it is of plugin {plugin}");
        for d in &version.description.dialects {
            others.push(("a dialect", &d.about.name, whose.clone()));
        }
        for s in &version.description.stages {
            others.push(("a stage", &s.name, whose.clone()));
        }
    }
    let own_dialects = new.dialects.iter().map(|d| ("a dialect", &d.about.name));
    let own_stages = new.stages.iter().map(|s| ("a stage", &s.name));
    for (what, name) in own_dialects.chain(own_stages) {
        if let Some((_, _, whose)) = others.iter().find(|(w, n, _)| *w == what && n == name) {
            return Err(StoreProblem::Taken {
                what,
                name: name.clone(),
                whose: whose.clone(),
            });
        }
    }
    Ok(())
}

fn unknown(index: &Index, name: &str) -> StoreProblem {
    let known = index.plugins.keys().map(String::as_str);
    StoreProblem::Unknown {
        name: name.to_string(),
        near: grainway_pipeline::chain::nearest(name, known)
            .map(|n| format!("; did you mean \"{n}\"?"))
            .unwrap_or_default(),
    }
}

fn is_name(name: &str) -> bool {
    (1..=80).contains(&name.len())
        && !name.starts_with('.')
        && name
            .bytes()
            .all(|b| b.is_ascii_alphanumeric() || matches!(b, b'.' | b'-' | b'_'))
}

fn is_hash(text: &str) -> bool {
    text.len() == 64
        && text
            .bytes()
            .all(|b| b.is_ascii_digit() || (b'a'..=b'f').contains(&b))
}

fn hex(bytes: &[u8]) -> String {
    Sha256::digest(bytes)
        .iter()
        .map(|b| format!("{b:02x}"))
        .collect()
}
