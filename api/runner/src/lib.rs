//! One job: what is installed, its documents, its run, its process and its output folder.
//!
//! [`make`] and [`verify`] decide where a job is worked on; the work itself is the same in this process and in one of its own. All
//! input and output of a run happens here; the stages see it through [`grainway_pipeline::stage::Cx`].

mod chain_run;
mod dispatch;
mod folder;
mod former;
mod job_process;
mod load;
mod output;
mod plugin_process;
mod registries;
mod request;
mod spool;
mod state;
mod task;
mod text_check;
mod watch;

pub use dispatch::{make, uses_native_plugins, verify};
pub use folder::{JobFolder, MAX_FILE_BYTES, open};
pub use job_process::job_process;
pub use load::{Loaded, load};
pub use output::{OutputFolder, OutputProblem, list};
pub use plugin_process::{ProcessEnd, conform, describe, make_in_process};
pub use registries::{Launcher, Plugins, Registries, built_in_names};
pub use request::{Failure, MadeJob, MakeRequest, SetupResult, Verified, VerifyRequest};
pub use spool::FolderSpool;
pub use state::StateProblem;
pub use task::JOB_PROCESS;
pub use watch::{Remade, Watch, machine_seconds};
