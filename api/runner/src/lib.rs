//! One job: what is installed, its documents, its run, its process and its output folder.
//!
//! All input and output of a run happens here; the stages see it through [`grainway_pipeline::stage::Cx`].

mod folder;
mod job_process;
mod load;
mod make;
mod output;
mod plugin_process;
mod plugins;
mod spool;
mod state;
mod verify;

pub use folder::{JobFolder, MAX_FILE_BYTES};
pub use job_process::{JOB_PROCESS, job_process};
pub use load::{Loaded, load};
pub use make::{Failure, MadeJob, MakeRequest, make, open};
pub use output::{OutputFolder, OutputProblem, list};
pub use plugin_process::{Alone, Launcher, conform, describe, make_alone};
pub use plugins::{Plugins, Used, built_in_names};
pub use spool::FolderSpool;
pub use state::StateProblem;
pub use verify::{SetupResult, Verified, VerifyRequest, verify};

use grainway_host::Installed;
use grainway_host::store::{Store, StoreProblem};
use grainway_pipeline::chain::Stages;
use grainway_pipeline::stage::Dialects;
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
        all.plugins = Some(Plugins::apart(installed, launcher));
        Ok(all)
    }
}
