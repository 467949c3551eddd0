//! What the store offers to jobs: data dialects whole, native dialects and stages by their description alone.
//!
//! A described dialect or stage has its name, its properties and its settings, and refuses to work: native code runs in a job's own
//! process, where the library itself stands in its place.

use crate::limits::Limits;
use crate::store::{
    Description, DialectDescription, Kind, StageDescription, Store, StoreProblem, Unusable,
};
use grainway_pipeline::chain::Stages;
use grainway_pipeline::dialect::{
    Dialect, DialectAbout, DialectError, ProgramHead, ReadEnd, ReadMove, Reader, Written,
};
use grainway_pipeline::doc::{Pointer, Problem, Unit};
use grainway_pipeline::motion::Item;
use grainway_pipeline::stage::{About, Cx, Dialects, Fact, Fault, Settings, Stage, Stop};
use grainway_pipeline::work::{Documents, Work};
use serde::{Deserialize, Serialize};
use serde_json::Value;
use std::collections::BTreeSet;
use std::io::{BufRead, Write};
use std::ops::ControlFlow;
use std::path::PathBuf;
use std::sync::{Arc, Mutex, PoisonError};

/// The operator's file of limits, in the store's folder.
pub const LIMITS_FILE: &str = "limits.json";

/// A plugin as jobs see it.
#[derive(Clone, Debug)]
pub struct Plugin {
    /// Its name.
    pub name: String,
    /// What it is.
    pub kind: Kind,
    /// The hash that the name stands for.
    pub sha256: String,
    /// What it said of itself.
    pub description: Description,
    /// Why it is switched off.
    pub off: Option<String>,
}

/// A name with the hash that it stood for at one moment.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct Pin {
    /// The plugin.
    pub name: String,
    /// Its hash.
    pub sha256: String,
}

/// All plugins of a store at one moment.
pub struct Installed {
    store: Store,
    limits: Limits,
    plugins: Vec<Plugin>,
}

impl Installed {
    /// As the store is now.
    pub fn now(store: Store) -> Result<Installed, StoreProblem> {
        let entries = store.entries()?;
        let pins: Vec<Pin> = entries
            .iter()
            .map(|(name, entry)| Pin {
                name: name.clone(),
                sha256: entry.current().to_string(),
            })
            .collect();
        Installed::at(store, &pins)
    }

    /// As the store was when these names stood for these hashes.
    pub fn at(store: Store, pins: &[Pin]) -> Result<Installed, StoreProblem> {
        let mut entries = store.entries()?;
        let mut plugins = Vec::new();
        for pin in pins {
            let gone = || StoreProblem::Damaged {
                file: store.root().display().to_string(),
                why: format!("plugin {} was taken out while a job needed it", pin.name),
            };
            let entry = entries.get_mut(&pin.name).ok_or_else(gone)?;
            let version = entry.versions.remove(&pin.sha256).ok_or_else(gone)?;
            plugins.push(Plugin {
                name: pin.name.clone(),
                kind: entry.kind,
                sha256: pin.sha256.clone(),
                description: version.description,
                off: version.off,
            });
        }
        let limits = read_limits(&store)?;
        Ok(Installed {
            store,
            limits,
            plugins,
        })
    }

    /// The store.
    pub fn store(&self) -> &Store {
        &self.store
    }

    /// What one job's process may use.
    pub fn limits(&self) -> &Limits {
        &self.limits
    }

    /// All, by name.
    pub fn plugins(&self) -> &[Plugin] {
        &self.plugins
    }

    /// All names with their hashes.
    pub fn pins(&self) -> Vec<Pin> {
        let pin = |p: &Plugin| Pin {
            name: p.name.clone(),
            sha256: p.sha256.clone(),
        };
        self.plugins.iter().map(pin).collect()
    }

    /// Puts everything behind what is there. A name that is there already stays what it is: what is built in goes first.
    pub fn add_to(&self, stages: &mut Stages, dialects: &mut Dialects) {
        for plugin in &self.plugins {
            for stage in &plugin.description.stages {
                if stages.get(&stage.name).is_none() {
                    stages.add(Arc::new(DescribedStage::new(stage, plugin)));
                }
            }
            for dialect in &plugin.description.dialects {
                if dialects.get(&dialect.about.name).is_none() {
                    dialects.add(self.dialect(plugin, dialect));
                }
            }
        }
    }

    /// Data that is whole becomes the dialect itself.
    fn dialect(&self, plugin: &Plugin, described: &DialectDescription) -> Arc<dyn Dialect> {
        let data = (plugin.kind == Kind::Data).then(|| {
            let bytes = self.store.bytes(Kind::Data, &plugin.sha256).ok()?;
            grainway_dialects::from_json(std::str::from_utf8(&bytes).ok()?).ok()
        });
        match data.flatten() {
            Some(inner) => from_plugin(inner, &plugin.sha256),
            None => Arc::new(DescribedDialect {
                about: described.about.clone(),
                read_back: described.read_back,
                plugin: plugin.name.clone(),
                origin: plugin.sha256.clone(),
            }),
        }
    }

    /// The plugins that a job uses, by name: those of the stages its chain names, and that of its machine's dialect. What stands in
    /// the registries says where it comes from.
    pub fn used_by(
        &self,
        documents: &Documents,
        stages: &Stages,
        dialects: &Dialects,
    ) -> Vec<&Plugin> {
        let chain = documents
            .job
            .chain
            .as_ref()
            .or(documents.shop.chain.as_ref());
        let stages = chain
            .into_iter()
            .flatten()
            .filter_map(|name| stages.get(name))
            .map(|s| s.origin());
        let dialect = documents
            .machine()
            .and_then(|(_, machine)| dialects.get(&machine.dialect))
            .map(|d| d.origin());
        let origins: BTreeSet<&str> = stages.chain(dialect).collect();
        self.plugins
            .iter()
            .filter(|p| origins.contains(p.sha256.as_str()))
            .collect()
    }

    /// The plugin with this hash.
    pub fn of_origin(&self, sha256: &str) -> Option<&Plugin> {
        self.plugins.iter().find(|p| p.sha256 == sha256)
    }

    /// Why a plugin cannot be used: its file is checked against its hash.
    pub fn unusable(&self, plugin: &Plugin) -> Option<Unusable> {
        match self.store.file(plugin.kind, &plugin.sha256) {
            Err(why) => Some(Unusable::Damaged(why)),
            Ok(_) => plugin.off.clone().map(Unusable::Off),
        }
    }

    /// The library of a plugin, checked against its hash, for the process that loads it.
    pub fn library(&self, plugin: &Plugin) -> Result<PathBuf, String> {
        self.store.file(Kind::Native, &plugin.sha256)
    }
}

fn read_limits(store: &Store) -> Result<Limits, StoreProblem> {
    let path = store.root().join(LIMITS_FILE);
    let damaged = |why: String| StoreProblem::Damaged {
        file: path.display().to_string(),
        why,
    };
    match std::fs::read_to_string(&path) {
        Ok(text) => Limits::from_json(&text).map_err(|e| damaged(e.to_string())),
        Err(e) if e.kind() == std::io::ErrorKind::NotFound => Ok(Limits::default()),
        Err(e) => Err(damaged(e.to_string())),
    }
}

/// A native dialect in a process that must not load it.
struct DescribedDialect {
    about: DialectAbout,
    read_back: bool,
    plugin: String,
    origin: String,
}

fn elsewhere(plugin: &str) -> String {
    format!("plugin {plugin} works in a job's own process only")
}

impl Dialect for DescribedDialect {
    fn about(&self) -> &DialectAbout {
        &self.about
    }
    fn origin(&self) -> &str {
        &self.origin
    }
    fn write(
        &self,
        _: &ProgramHead,
        _: &mut dyn Iterator<Item = Item>,
        _: &mut dyn Write,
    ) -> Result<Written, DialectError> {
        Err(DialectError::Plan(elsewhere(&self.plugin)))
    }
    fn reader(&self) -> Option<&dyn Reader> {
        self.read_back.then_some(self)
    }
}

impl Reader for DescribedDialect {
    fn read(&self, _: &mut dyn BufRead, _: &mut dyn FnMut(ReadMove) -> ControlFlow<()>) -> ReadEnd {
        ReadEnd::Io(elsewhere(&self.plugin))
    }
}

/// A native stage in a process that must not load it.
struct DescribedStage {
    about: About,
    plugin: String,
    origin: String,
}

impl DescribedStage {
    fn new(stage: &StageDescription, plugin: &Plugin) -> DescribedStage {
        DescribedStage {
            about: About {
                name: lasting(&stage.name),
                version: stage.version,
                summary: lasting(&stage.summary),
                needs: lasting_list(&stage.needs),
                gives: lasting_list(&stage.gives),
                spoils: lasting_list(&stage.spoils),
                schema: stage.schema.clone(),
                example: stage.example.clone(),
            },
            plugin: plugin.name.clone(),
            origin: plugin.sha256.clone(),
        }
    }
}

impl Stage for DescribedStage {
    fn about(&self) -> &About {
        &self.about
    }
    fn origin(&self) -> &str {
        &self.origin
    }
    fn run(&self, _: &mut Work, _: &Settings, _: &Cx<'_>) -> Result<(), Stop> {
        Err(Fault::new(elsewhere(&self.plugin)).into())
    }
    fn read_settings(
        &self,
        layer: &Value,
        unit: Unit,
        pointer: &Pointer,
    ) -> Result<Value, Vec<Problem>> {
        crate::native::read_layer(layer, unit, pointer, &self.about.schema)
    }
}

/// A native dialect with the hash of its library; a data dialect with that of its file.
pub fn from_plugin(inner: Arc<dyn Dialect>, sha256: &str) -> Arc<dyn Dialect> {
    Arc::new(FromPlugin {
        inner,
        origin: sha256.to_string(),
    })
}

/// A native stage with the hash of its library.
pub fn stage_from_plugin(inner: Arc<dyn Stage>, sha256: &str) -> Arc<dyn Stage> {
    Arc::new(FromPlugin {
        inner,
        origin: sha256.to_string(),
    })
}

struct FromPlugin<T: ?Sized> {
    inner: Arc<T>,
    origin: String,
}

impl Dialect for FromPlugin<dyn Dialect> {
    fn about(&self) -> &DialectAbout {
        self.inner.about()
    }
    fn origin(&self) -> &str {
        &self.origin
    }
    fn write(
        &self,
        head: &ProgramHead,
        items: &mut dyn Iterator<Item = Item>,
        out: &mut dyn Write,
    ) -> Result<Written, DialectError> {
        self.inner.write(head, items, out)
    }
    fn reader(&self) -> Option<&dyn Reader> {
        self.inner.reader()
    }
}

impl Stage for FromPlugin<dyn Stage> {
    fn about(&self) -> &About {
        self.inner.about()
    }
    fn origin(&self) -> &str {
        &self.origin
    }
    fn run(&self, work: &mut Work, settings: &Settings, cx: &Cx<'_>) -> Result<(), Stop> {
        self.inner.run(work, settings, cx)
    }
    fn read_settings(
        &self,
        layer: &Value,
        unit: Unit,
        pointer: &Pointer,
    ) -> Result<Value, Vec<Problem>> {
        self.inner.read_settings(layer, unit, pointer)
    }
}

/// Descriptions of stages last as long as the process, since built-in ones do. Each text is kept once, so that a service that
/// reads its store again and again does not grow.
fn lasting(text: &str) -> &'static str {
    static TEXTS: Mutex<BTreeSet<&'static str>> = Mutex::new(BTreeSet::new());
    let mut texts = TEXTS.lock().unwrap_or_else(PoisonError::into_inner);
    match texts.get(text) {
        Some(known) => known,
        None => {
            let new: &'static str = Box::leak(text.to_string().into_boxed_str());
            texts.insert(new);
            new
        }
    }
}

fn lasting_list(list: &[String]) -> &'static [Fact] {
    static LISTS: Mutex<BTreeSet<&'static [Fact]>> = Mutex::new(BTreeSet::new());
    let own: Vec<Fact> = list.iter().map(|t| lasting(t)).collect();
    let mut lists = LISTS.lock().unwrap_or_else(PoisonError::into_inner);
    match lists.get(own.as_slice()) {
        Some(known) => known,
        None => {
            let new: &'static [Fact] = Box::leak(own.into_boxed_slice());
            lists.insert(new);
            new
        }
    }
}
