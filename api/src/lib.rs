//! The grainway command as a library: registries, documents, job folders, runs and output folders.
//!
//! All input and output of a run happens here; the stages see it through [`grainway_pipeline::stage::Cx`].

pub mod command;
mod folder;
mod load;
mod make;
mod migrate;
mod output;
mod progress;
mod spool;
mod state;
mod verify;

pub use folder::{JobFolder, MAX_FILE_BYTES};
pub use load::{Loaded, load};
pub use make::{Failure, MadeJob, MakeRequest, make};
pub use migrate::{MigrateProblem, Migrated, migrate};
pub use output::{OutputFolder, OutputProblem};
pub use progress::TerminalProgress;
pub use spool::FolderSpool;
pub use state::StateProblem;
pub use verify::{SetupResult, Verified, VerifyRequest, verify};

use grainway_pipeline::chain::Stages;
use grainway_pipeline::stage::Dialects;

/// What is installed: the stages a chain may name and the dialects a machine may name.
pub struct Registries {
    /// In the order of the built-in chain.
    pub stages: Stages,
    /// By name.
    pub dialects: Dialects,
}

impl Registries {
    /// What grainway itself brings.
    pub fn built_in() -> Registries {
        Registries {
            stages: grainway_stages::built_in(),
            dialects: grainway_dialects::built_in(),
        }
    }
}
