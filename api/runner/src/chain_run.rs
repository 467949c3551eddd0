//! Runs the chain over one job in this process: documents in, a report and the files beside it out.

use crate::folder::JobFolder;
use crate::load::Loaded;
use crate::output::{OutputFolder, OutputProblem};
use crate::registries::Registries;
use crate::request::{Failure, MadeJob, MakeRequest};
use crate::spool::FolderSpool;
use crate::state::{FolderKeep, take_up};
use grainway_pipeline::chain::{Chain, Keep, KeepNothing};
use grainway_pipeline::doc::Pointer;
use grainway_pipeline::finding::{Finding, code};
use grainway_pipeline::stage::{Cancel, Cx, Fault, MemorySpool, Progress, Spool, SpoolId, Stop};
use grainway_pipeline::work::{Documents, Work};
use grainway_stages::report::{
    JobVerdict, PluginRow, REPORT_FILE, ReportDocument, report_without_sheets,
};
use std::collections::BTreeMap;
use std::io::Read;
use std::path::Path;

/// Where a job lies, where its output goes, and the plugins that its report names.
pub(crate) struct Opened<'o> {
    pub(crate) folder: &'o JobFolder,
    pub(crate) out: Option<&'o OutputFolder>,
    pub(crate) plugins: Vec<PluginRow>,
}

/// Runs the chain over a job in this process. Nothing is written without an output folder, and nothing of the chain runs when there
/// are `refusals`.
pub(crate) fn make_here(
    request: &MakeRequest,
    registries: &Registries,
    opened: &Opened<'_>,
    loaded: &mut Loaded,
    refusals: Vec<Finding>,
    progress: &dyn Progress,
    cancel: &Cancel,
) -> Result<MadeJob, Failure> {
    let spool: Box<dyn Spool> = match opened.out {
        Some(out) => Box::new(
            FolderSpool::new(out.parent(), &out.stem("spool"))
                .map_err(|e| Failure::Failed(format!("no room for temporary files: {e}")))?,
        ),
        None => Box::new(MemorySpool::default()),
    };
    let cx = Cx {
        files: opened.folder,
        dialects: &registries.dialects,
        spool: spool.as_ref(),
        progress,
        cancel,
    };
    let (mut report, mut files) = if refusals.is_empty() {
        run(loaded, request, registries, &cx)?
    } else {
        let findings = [std::mem::take(&mut loaded.findings), refusals].concat();
        let report = ReportDocument::bare(&loaded.name, JobVerdict::Refused, findings);
        (report, BTreeMap::new())
    };
    if !opened.plugins.is_empty() {
        report.amend(opened.plugins.clone(), Vec::new());
        files.remove(REPORT_FILE);
    }
    if cancel.is_set() {
        return Err(Failure::Cancelled);
    }
    if let Some(out) = opened.out {
        out.replace(|fresh| write_files(fresh, &report, &files, &cx))?;
    }
    let replaced = opened.out.is_some();
    Ok(MadeJob { report, replaced })
}

/// Runs the chain over a job in the process that holds it, into a folder that does not exist yet. Temporary files stand beside it.
pub(crate) fn run_into(
    result: &Path,
    request: &MakeRequest,
    registries: &Registries,
    progress: &dyn Progress,
    cancel: &Cancel,
) -> Result<(), Failure> {
    let (folder, job_file) = request.open()?;
    let parent = match result.parent() {
        Some(p) if !p.as_os_str().is_empty() => p,
        _ => Path::new("."),
    };
    let no_room = |e: std::io::Error| Failure::Failed(format!("no room for the job's files: {e}"));
    let spool = FolderSpool::new(parent, "spool").map_err(no_room)?;
    let cx = Cx {
        files: &folder,
        dialects: &registries.dialects,
        spool: &spool,
        progress,
        cancel,
    };
    let mut loaded = request.load(&folder, &job_file, &registries.dialects)?;
    let (report, files) = run(&mut loaded, request, registries, &cx)?;
    progress.at("output", 0, 1);
    std::fs::create_dir(result).map_err(no_room)?;
    Ok(write_files(result, &report, &files, &cx)?)
}

/// The report and the files beside it.
fn run(
    loaded: &mut Loaded,
    request: &MakeRequest,
    registries: &Registries,
    cx: &Cx<'_>,
) -> Result<(ReportDocument, BTreeMap<String, SpoolId>), Failure> {
    match loaded.documents.take() {
        Some(documents) => match work_on(documents, loaded, request, registries, cx)? {
            Ok(work) => reported(&work, cx),
            Err(Stop::Cancelled) => Err(Failure::Cancelled),
            Err(Stop::Fault(fault)) => Ok(failed(&loaded.name, &fault)),
        },
        None => {
            let findings = std::mem::take(&mut loaded.findings);
            let report = ReportDocument::bare(&loaded.name, JobVerdict::Refused, findings);
            Ok((report, BTreeMap::new()))
        }
    }
}

/// Runs the chain; a panic of ours ends as a fault.
fn work_on(
    documents: Documents,
    loaded: &Loaded,
    request: &MakeRequest,
    registries: &Registries,
    cx: &Cx<'_>,
) -> Result<Result<Work, Stop>, Failure> {
    let mut work = Work::new(documents);
    let planned = Chain::plan(&registries.stages, &work);
    let mut from = 0;
    let mut keep: Box<dyn Keep> = Box::new(KeepNothing);
    if let (Ok(chain), true) = (&planned, loaded.sound) {
        work.findings.clone_from(&loaded.findings);
        if let Some(state) = &request.from {
            (work, from) = take_up(state, chain, &work.documents, cx)?;
        }
        if let Some(folder) = &request.save_work {
            keep = Box::new(FolderKeep::new(folder, cx.spool, request.goes_on)?);
        }
    }
    let run = std::panic::AssertUnwindSafe(|| match (planned, loaded.sound) {
        (Ok(chain), true) => run_chain(&chain, work, from, cx, keep.as_mut()),
        (planned, _) => {
            let findings = planned.err().unwrap_or_default();
            explore(findings, work, loaded, registries, cx)
        }
    });
    Ok(std::panic::catch_unwind(run).unwrap_or_else(|payload| {
        let said = payload
            .downcast_ref::<&str>()
            .map(|s| (*s).to_string())
            .or_else(|| payload.downcast_ref::<String>().cloned())
            .unwrap_or_default();
        Err(Stop::Fault(Fault::new(format!(
            "grainway failed inside: {said}"
        ))))
    }))
}

fn run_chain(
    chain: &Chain,
    mut work: Work,
    from: usize,
    cx: &Cx<'_>,
    keep: &mut dyn Keep,
) -> Result<Work, Stop> {
    chain.run(&mut work, from, cx, keep)?;
    if !work.facts.contains("reported") {
        report_without_sheets(&mut work, cx)?;
    }
    Ok(work)
}

/// Goes on with documents that lack what is wrong with them, as far as the last stage before programs, for the sake of the
/// findings: one run is to name all mistakes. Nothing else of that work is kept.
fn explore(
    unplanned: Vec<Finding>,
    mut work: Work,
    loaded: &Loaded,
    registries: &Registries,
    cx: &Cx<'_>,
) -> Result<Work, Stop> {
    let mut findings = unplanned;
    for finding in &findings {
        if let Some(pointer) = &finding.pointer {
            forget_setting(&mut work.documents, pointer);
        }
    }
    let documents = &mut work.documents;
    let named = documents.job.chain.take().or(documents.shop.chain.take());
    let makes_programs = |name: &str| {
        let stage = registries.stages.get(name);
        stage.is_none_or(|s| s.about().gives.contains(&"programs"))
    };
    let chain: Vec<String> = named
        .unwrap_or_else(|| {
            let all = registries.stages.standard();
            all.map(|s| s.about().name.to_string()).collect()
        })
        .into_iter()
        .take_while(|name| !makes_programs(name))
        .collect();
    documents.job.chain = Some(chain);
    match Chain::plan(&registries.stages, &work) {
        Ok(chain) => {
            let mut further = work.clone();
            match chain.run(&mut further, 0, cx, &mut KeepNothing) {
                Ok(()) => findings.extend(further.findings),
                Err(Stop::Cancelled) => return Err(Stop::Cancelled),
                // Half a document may lead a stage astray; what is known by now is told all the same.
                Err(Stop::Fault(_)) => {}
            }
        }
        Err(more) => findings.extend(more),
    }
    loaded.retell(&mut findings);
    work.findings = loaded.findings.clone();
    work.findings.extend(findings);
    report_without_sheets(&mut work, cx)?;
    Ok(work)
}

/// Takes out the setting that a finding names, or the chain, so that the rest can be planned.
fn forget_setting(documents: &mut Documents, pointer: &Pointer) {
    let place = pointer.place();
    let (settings, chain) = match pointer.document() {
        "job" => (&mut documents.job.settings, &mut documents.job.chain),
        _ => (&mut documents.shop.settings, &mut documents.shop.chain),
    };
    if place.starts_with("/chain") {
        *chain = None;
    } else if let Some(path) = place.strip_prefix("/settings/") {
        let (stage, key) = path.split_once('/').unwrap_or((path, ""));
        let key = key.split('/').next().unwrap_or("");
        match settings.get_mut(stage).and_then(|s| s.as_object_mut()) {
            Some(layer) if !key.is_empty() => {
                layer.remove(key);
            }
            _ => {
                settings.remove(stage);
            }
        }
    }
}

/// The report that the report stage made, and the files beside it.
fn reported(
    work: &Work,
    cx: &Cx<'_>,
) -> Result<(ReportDocument, BTreeMap<String, SpoolId>), Failure> {
    let broken = |e: String| Failure::Failed(format!("the report cannot be read back: {e}"));
    let id = work
        .files
        .get(REPORT_FILE)
        .ok_or_else(|| broken("there is none".to_string()))?;
    let mut text = String::new();
    cx.spool
        .open(id)
        .and_then(|mut t| t.read_to_string(&mut text))
        .map_err(|e| broken(e.to_string()))?;
    let report: ReportDocument = serde_json::from_str(&text).map_err(|e| broken(e.to_string()))?;
    // Whatever the chain and its stages are: programs are offered only out of work that is verified now.
    let offered = |name: &String| {
        !name.starts_with("programs/")
            || (work.facts.contains("verified") && report.verdict == JobVerdict::Ready)
    };
    if let Some(name) = work.files.keys().find(|name| !offered(name)) {
        return Err(Failure::Failed(format!(
            "{name} would be released although it is not verified"
        )));
    }
    Ok((report, work.files.clone()))
}

fn failed(name: &str, fault: &Fault) -> (ReportDocument, BTreeMap<String, SpoolId>) {
    let finding = Finding::new(&code::INTERNAL, fault.to_string());
    (
        ReportDocument::bare(name, JobVerdict::Failed, vec![finding]),
        BTreeMap::new(),
    )
}

/// Copies everything out of the spool; a report that no stage wrote is written here.
fn write_files(
    fresh: &Path,
    report: &ReportDocument,
    files: &BTreeMap<String, SpoolId>,
    cx: &Cx<'_>,
) -> Result<(), OutputProblem> {
    let disk = |what: &str, error: std::io::Error| OutputProblem::Disk {
        what: format!("{what} cannot be written"),
        error,
    };
    for (name, id) in files {
        let path = fresh.join(name);
        let copy = || -> std::io::Result<()> {
            if let Some(parent) = path.parent() {
                std::fs::create_dir_all(parent)?;
            }
            let mut out = std::fs::File::create_new(&path)?;
            std::io::copy(&mut cx.spool.open(id)?, &mut out)?;
            Ok(())
        };
        copy().map_err(|e| disk(name, e))?;
    }
    if !files.contains_key(REPORT_FILE) {
        let text = report
            .to_text()
            .map_err(|e| disk(REPORT_FILE, std::io::Error::other(e)))?;
        std::fs::File::create_new(fresh.join(REPORT_FILE))
            .and_then(|mut f| std::io::Write::write_all(&mut f, text.as_bytes()))
            .map_err(|e| disk(REPORT_FILE, e))?;
    }
    Ok(())
}
