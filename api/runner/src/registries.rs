//! What is installed: stages, dialects and plugins, and which plugins one job uses.

use grainway_host::store::{BuiltIn, Kind, Store, StoreProblem, Unusable};
use grainway_host::{Installed, Plugin};
use grainway_pipeline::chain::Stages;
use grainway_pipeline::finding::{Finding, code};
use grainway_pipeline::stage::Dialects;
use grainway_pipeline::work::Documents;
use grainway_stages::report::PluginRow;
use std::path::PathBuf;
use std::sync::LazyLock;

/// What is installed: the stages a chain may name and the dialects a machine may name.
pub struct Registries {
    /// In the order of the built-in chain; those of plugins behind them.
    pub stages: Stages,
    /// By name.
    pub dialects: Dialects,
    /// The plugins among them.
    pub plugins: Option<Plugins>,
}

impl Registries {
    /// What grainway itself brings.
    pub fn built_in() -> Registries {
        // Read once: a service asks for them with every job that is handed in.
        static BUILT_IN: LazyLock<(Stages, Dialects)> =
            LazyLock::new(|| (grainway_stages::built_in(), grainway_dialects::built_in()));
        let (stages, dialects) = BUILT_IN.clone();
        Registries {
            stages,
            dialects,
            plugins: None,
        }
    }

    /// What grainway itself brings and what the plugin folder offers. Nothing native is loaded.
    pub fn with_plugins(store: Store, launcher: Launcher) -> Result<Registries, StoreProblem> {
        let mut all = Registries::built_in();
        let installed = Installed::now(store)?;
        installed.add_to(&mut all.stages, &mut all.dialects);
        all.plugins = Some(Plugins::in_processes(installed, launcher));
        Ok(all)
    }
}

/// How to start a job's process.
#[derive(Clone)]
pub struct Launcher {
    /// The grainway binary.
    pub program: PathBuf,
    /// Seconds since 1970, for strikes.
    pub clock: fn() -> u64,
}

/// Installed plugins.
pub struct Plugins {
    pub(crate) installed: Installed,
    /// How to start a job's process; `None` in such a process, where the libraries that the job uses are loaded.
    pub(crate) launcher: Option<Launcher>,
}

impl Plugins {
    /// Known by their descriptions; they work in processes that the launcher starts.
    pub fn in_processes(installed: Installed, launcher: Launcher) -> Plugins {
        Plugins {
            installed,
            launcher: Some(launcher),
        }
    }

    /// Loaded into this process, which holds one job.
    pub(crate) fn loaded(installed: Installed) -> Plugins {
        Plugins {
            installed,
            launcher: None,
        }
    }
}

/// The plugins that one job uses.
pub(crate) struct UsedPlugins<'r> {
    /// By name.
    pub(crate) plugins: Vec<&'r Plugin>,
    /// SHA-256 of the one that the machine's dialect comes from.
    dialect: Option<String>,
    from: Option<&'r Plugins>,
}

impl<'r> UsedPlugins<'r> {
    /// Those that these documents name.
    pub(crate) fn of(registries: &'r Registries, documents: Option<&Documents>) -> UsedPlugins<'r> {
        let from = registries.plugins.as_ref();
        let plugins = match (from, documents) {
            (Some(p), Some(documents)) => {
                let (stages, dialects) = (&registries.stages, &registries.dialects);
                p.installed.used_by(documents, stages, dialects)
            }
            _ => Vec::new(),
        };
        let dialect = documents
            .and_then(|d| d.machine())
            .and_then(|(_, m)| registries.dialects.get(&m.dialect))
            .map(|d| d.origin().to_string());
        UsedPlugins {
            plugins,
            dialect,
            from,
        }
    }

    /// Why the job cannot be begun with them.
    pub(crate) fn refusals(&self) -> Vec<Finding> {
        let Some(from) = self.from.filter(|f| f.launcher.is_some()) else {
            return Vec::new();
        };
        let mut findings = Vec::new();
        for plugin in &self.plugins {
            match from.installed.unusable(plugin) {
                Some(Unusable::Damaged(why)) => findings.push(Finding::new(
                    &code::PLUGIN_DAMAGED,
                    format!("Plugin {} cannot be used: {why}.", plugin.name),
                )),
                Some(Unusable::Off(why)) => findings.push(Finding::new(
                    &code::PLUGIN_OFF,
                    format!("P{}.", why.strip_prefix('p').unwrap_or(&why)),
                )),
                None => {}
            }
        }
        findings
    }

    /// How to start the process that they need: `None` for a job without native plugins, and in such a process.
    pub(crate) fn own_process(&self) -> Option<(&'r Installed, &'r Launcher)> {
        let from = self.from?;
        let native = self.plugins.iter().any(|p| p.kind == Kind::Native);
        let launcher = from.launcher.as_ref().filter(|_| native)?;
        Some((&from.installed, launcher))
    }

    /// The native ones.
    pub(crate) fn native(&self) -> impl Iterator<Item = &'r Plugin> {
        self.plugins
            .iter()
            .copied()
            .filter(|p| p.kind == Kind::Native)
    }

    /// The native one that the machine's dialect comes from.
    pub(crate) fn native_dialect(&self) -> Option<&'r Plugin> {
        self.native()
            .find(|p| Some(&p.sha256) == self.dialect.as_ref())
    }

    /// For the report.
    pub(crate) fn rows(&self) -> Vec<PluginRow> {
        let row = |p: &&Plugin| PluginRow {
            name: p.name.clone(),
            version: p.description.version.clone(),
            sha256: p.sha256.clone(),
        };
        self.plugins.iter().map(row).collect()
    }
}

/// The names that plugins cannot take.
pub fn built_in_names() -> BuiltIn {
    let all = Registries::built_in();
    BuiltIn {
        dialects: all.dialects.names().map(str::to_string).collect(),
        stages: all
            .stages
            .iter()
            .map(|s| s.about().name.to_string())
            .collect(),
    }
}
