//! Checks program texts against a job in this process: the planned ones, or ones that somebody edited by hand.

use crate::folder::JobFolder;
use crate::load::Loaded;
use crate::registries::Registries;
use crate::request::{Failure, SetupResult, Verified, VerifyRequest};
use grainway_pipeline::chain::{Chain, KeepNothing, nearest};
use grainway_pipeline::doc::{Unit, in_unit};
use grainway_pipeline::finding::{self, Finding};
use grainway_pipeline::stage::{Cancel, Cx, MemorySpool, Progress, Stop};
use grainway_pipeline::work::{Program, Setup, Verdict, Work};
use grainway_stages::verify::{Models, Text, VerifySettings, models, verify_program};
use std::io::BufReader;
use std::path::PathBuf;

/// Plans a job that was loaded from `folder` as far as its programs and checks the texts against it.
pub(crate) fn verify_here(
    request: &VerifyRequest,
    registries: &Registries,
    folder: &JobFolder,
    mut loaded: Loaded,
    progress: &dyn Progress,
    cancel: &Cancel,
) -> Result<Verified, Failure> {
    let spool = MemorySpool::default();
    let cx = Cx {
        files: folder,
        dialects: &registries.dialects,
        spool: &spool,
        progress,
        cancel,
    };
    let (Some(documents), true) = (loaded.documents.take(), loaded.sound) else {
        return Ok(Verified::refused(loaded.findings));
    };
    let mut work = Work::new(documents);
    let settings = match plan(&mut work, registries, &cx)? {
        Ok(settings) => settings,
        Err(mut findings) => {
            loaded.retell(&mut findings);
            return Ok(Verified::refused(findings));
        }
    };
    loaded.retell(&mut work.findings);
    finding::sort(&mut work.findings);
    let mut setups = Vec::new();
    let models = models(&work, cx.files);
    for (setup, texts) in by_setup(request, &work)? {
        let against = (&models, &settings);
        setups.push(check(setup, &texts, &work, request.edited, against, &cx)?);
    }
    let ok = |v: &Option<Verdict>| v.as_ref().is_none_or(|v| v.passed);
    let passed = setups
        .iter()
        .all(|s| s.safe.passed && !s.unverified && (request.edited || s.as_planned.iter().all(ok)));
    let machine = work.documents.machine();
    let program_unit = machine.map_or(Unit::Mm, |(_, m)| m.program_unit);
    let told = |findings: &mut Vec<Finding>| {
        for finding in findings {
            *finding = finding.clone().told_in(program_unit);
        }
    };
    told(&mut work.findings);
    for setup in &mut setups {
        let planned = setup.as_planned.iter_mut().flatten();
        planned
            .chain([&mut setup.safe])
            .for_each(|v| told(&mut v.findings));
    }
    Ok(Verified {
        setups,
        job_findings: work.findings,
        passed,
        program_unit,
    })
}

/// Runs the chain as far as the stage that makes programs, and gives the settings of verify.
fn plan(
    work: &mut Work,
    registries: &Registries,
    cx: &Cx<'_>,
) -> Result<Result<VerifySettings, Vec<Finding>>, Failure> {
    let whole = match Chain::plan(&registries.stages, work) {
        Ok(chain) => chain,
        Err(findings) => return Ok(Err(findings)),
    };
    let settings = whole
        .steps()
        .find(|(stage, _)| stage.about().name == "verify")
        .and_then(|(_, s)| in_unit(Unit::Mm, || serde_json::from_value(s.0.clone())).ok())
        .unwrap_or_default();
    let mut names = Vec::new();
    for (stage, _) in whole.steps() {
        names.push(stage.about().name.to_string());
        if stage.about().gives.contains(&"programs") {
            break;
        }
    }
    let mut shorter = Work::new(work.documents.clone());
    shorter.documents.job.chain = Some(names);
    match Chain::plan(&registries.stages, &shorter) {
        Ok(chain) => match chain.run(work, 0, cx, &mut KeepNothing) {
            Ok(()) => Ok(Ok(settings)),
            Err(Stop::Cancelled) => Err(Failure::Cancelled),
            Err(Stop::Fault(fault)) => Err(Failure::Failed(fault.to_string())),
        },
        Err(mut findings) => {
            // Settings for stages behind the programs are for stages that are installed; only these are left out here.
            findings.retain(|f| f.code == finding::code::CHAIN_ORDER.word);
            Ok(Err(findings))
        }
    }
}

/// A text's path, its name, and the program of that name in the plan.
type NamedText<'w> = (&'w PathBuf, String, Option<&'w Program>);

/// The texts with what the work knows of them, setup by setup in the work's order.
fn by_setup<'w>(
    request: &'w VerifyRequest,
    work: &'w Work,
) -> Result<Vec<(&'w Setup, Vec<NamedText<'w>>)>, Failure> {
    let mut named: Vec<(String, NamedText<'w>)> = Vec::new();
    for path in &request.programs {
        let name = path
            .file_name()
            .unwrap_or_default()
            .to_string_lossy()
            .into_owned();
        let program = work.programs.iter().find(|p| p.name == name);
        let setup = match (&request.setup, program, work.setups.as_slice()) {
            (Some(setup), _, _) => setup.clone(),
            (None, Some(program), _) => program.setup.clone(),
            (None, None, [only]) => only.id.clone(),
            (None, None, _) => {
                return Err(Failure::Usage(format!(
                    "the job plans no program {name}; say with --setup which setup it belongs to"
                )));
            }
        };
        named.push((setup, (path, name, program)));
    }
    if let Some((setup, _)) = named
        .iter()
        .find(|(setup, _)| !work.setups.iter().any(|s| s.id == *setup))
    {
        let known = work.setups.iter().map(|s| s.id.as_str());
        let near = nearest(setup, known)
            .map(|n| format!("; did you mean {n}?"))
            .unwrap_or_default();
        return Err(Failure::Usage(format!(
            "the job has no setup {setup}{near}"
        )));
    }
    let mut groups = Vec::new();
    for setup in &work.setups {
        let texts: Vec<NamedText<'w>> = named
            .iter()
            .filter(|(s, _)| *s == setup.id)
            .map(|(_, n)| n.clone())
            .collect();
        if !texts.is_empty() {
            groups.push((setup, texts));
        }
    }
    Ok(groups)
}

fn check(
    setup: &Setup,
    named: &[NamedText<'_>],
    work: &Work,
    edited: bool,
    (models, settings): (&Models, &VerifySettings),
    cx: &Cx<'_>,
) -> Result<SetupResult, Failure> {
    let dialect = work
        .documents
        .machine()
        .and_then(|(_, m)| cx.dialects.get(&m.dialect))
        .ok_or_else(|| Failure::Failed("the machine's dialect is not installed".to_string()))?;
    let mut readers = Vec::new();
    for (path, _, _) in named {
        let file = std::fs::File::open(path)
            .map_err(|e| Failure::Usage(format!("{} cannot be read: {e}", path.display())))?;
        readers.push(BufReader::new(file));
    }
    let mut texts: Vec<Text<'_>> = named
        .iter()
        .zip(&mut readers)
        .map(|((_, name, program), reader)| Text {
            name,
            program: *program,
            text: reader,
        })
        .collect();
    let verdict = verify_program(work, setup, &mut texts, models, dialect, edited, settings);
    Ok(SetupResult {
        setup: verdict.setup,
        programs: named
            .iter()
            .map(|(p, _, _)| p.display().to_string())
            .collect(),
        safe: verdict.safe,
        as_planned: verdict.as_planned,
        unverified: verdict.unverified,
    })
}
