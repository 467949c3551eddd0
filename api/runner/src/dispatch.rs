//! Decides where a job is worked on: in this process, or, when it uses native plugins, in a process of its own.

use crate::chain_run::{Opened, make_here};
use crate::folder::{JobFolder, open};
use crate::load::load;
use crate::output::OutputFolder;
use crate::plugin_process;
use crate::registries::{Registries, UsedPlugins};
use crate::request::{Failure, MadeJob, MakeRequest, Verified, VerifyRequest};
use crate::text_check::verify_here;
use grainway_pipeline::stage::{Cancel, Progress};
use std::path::Path;

/// Runs the chain over a job. With an output folder, the folder is replaced whole, also by a refusal; it stays as it was when a
/// plugin killed the job.
pub fn make(
    request: &MakeRequest,
    registries: &Registries,
    progress: &dyn Progress,
    cancel: &Cancel,
) -> Result<MadeJob, Failure> {
    let (folder, job_file) = request.open()?;
    let out = match &request.out {
        Some(out) => Some(OutputFolder::claim(out, folder.root())?),
        None => None,
    };
    let mut loaded = request.load(&folder, &job_file, &registries.dialects)?;
    let used = UsedPlugins::of(registries, loaded.documents.as_ref());
    let refusals = used.refusals();
    if refusals.is_empty() && used.own_process().is_some() {
        return plugin_process::make(request, &used, &loaded.name, out.as_ref(), progress, cancel);
    }
    let opened = Opened {
        folder: &folder,
        out: out.as_ref(),
        plugins: used.rows(),
    };
    make_here(
        request,
        registries,
        &opened,
        &mut loaded,
        refusals,
        progress,
        cancel,
    )
}

/// Plans the job as far as its programs and checks the texts against it.
pub fn verify(
    request: &VerifyRequest,
    registries: &Registries,
    progress: &dyn Progress,
    cancel: &Cancel,
) -> Result<Verified, Failure> {
    let (folder, job_file) = open(&request.job)?;
    let loaded = load(&folder, &job_file, &registries.dialects);
    let used = UsedPlugins::of(registries, loaded.documents.as_ref());
    let refusals = used.refusals();
    if !refusals.is_empty() {
        return Ok(Verified::refused([loaded.findings, refusals].concat()));
    }
    if used.own_process().is_some() {
        let checked = plugin_process::verify(request, &used, &loaded.name, progress, cancel)?;
        return Ok(checked.unwrap_or_else(Verified::refused));
    }
    verify_here(request, registries, &folder, loaded, progress, cancel)
}

/// Whether the job at this path uses native plugins, or ones that cannot be used now. The error is one sentence without a point.
pub fn uses_native_plugins(job: &Path, registries: &Registries) -> Result<bool, String> {
    let wrong = || format!("{} is no job document", job.display());
    let folder = JobFolder::new(job.parent().ok_or_else(wrong)?).map_err(|e| e.to_string())?;
    let name = job.file_name().ok_or_else(wrong)?.to_string_lossy();
    let loaded = load(&folder, &name, &registries.dialects);
    let used = UsedPlugins::of(registries, loaded.documents.as_ref());
    Ok(used.own_process().is_some() || !used.refusals().is_empty())
}
