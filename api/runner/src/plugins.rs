//! The plugins among what is installed: which a job uses, and whether they may work here or in a process of their own.

use crate::Registries;
use crate::plugin_process::Launcher;
use grainway_host::store::{BuiltIn, Kind, Unusable};
use grainway_host::{Installed, Plugin};
use grainway_pipeline::finding::{Finding, code};
use grainway_pipeline::work::Documents;
use grainway_stages::report::PluginRow;

/// Installed plugins.
pub struct Plugins {
    /// What the plugin folder has.
    pub installed: Installed,
    /// How to start a job's process; `None` in such a process, where the libraries that the job uses are loaded.
    pub(crate) launcher: Option<Launcher>,
}

impl Plugins {
    /// Known by their descriptions; they work in processes that the launcher starts.
    pub fn apart(installed: Installed, launcher: Launcher) -> Plugins {
        Plugins {
            installed,
            launcher: Some(launcher),
        }
    }

    pub(crate) fn here(installed: Installed) -> Plugins {
        Plugins {
            installed,
            launcher: None,
        }
    }
}

/// The plugins that one job uses.
pub struct Used<'r> {
    /// By name.
    pub plugins: Vec<&'r Plugin>,
    /// SHA-256 of the one that the machine's dialect comes from.
    dialect: Option<String>,
    from: Option<&'r Plugins>,
}

impl<'r> Used<'r> {
    /// Those that these documents name.
    pub fn of(registries: &'r Registries, documents: Option<&Documents>) -> Used<'r> {
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
        Used {
            plugins,
            dialect,
            from,
        }
    }

    /// Why the job cannot be begun with them.
    pub fn refusals(&self) -> Vec<Finding> {
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

    /// How to start a process for them, when they need one.
    pub fn apart(&self) -> Option<(&'r Installed, &'r Launcher)> {
        let from = self.from?;
        let native = self.plugins.iter().any(|p| p.kind == Kind::Native);
        let launcher = from.launcher.as_ref().filter(|_| native)?;
        Some((&from.installed, launcher))
    }

    /// The native ones.
    pub fn native(&self) -> impl Iterator<Item = &'r Plugin> {
        self.plugins
            .iter()
            .copied()
            .filter(|p| p.kind == Kind::Native)
    }

    /// The native one that the machine's dialect comes from.
    pub fn native_dialect(&self) -> Option<&'r Plugin> {
        self.native()
            .find(|p| Some(&p.sha256) == self.dialect.as_ref())
    }

    /// For the report.
    pub fn rows(&self) -> Vec<PluginRow> {
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
