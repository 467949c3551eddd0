//! The rows of a night: its jobs, and what a former night left unchanged.

use super::document::{NightJobRow, NightRow, ProgramRow, SetupRow};
use grainway_pipeline::doc::{FormerNight, PooledJob};
use grainway_pipeline::work::{Variant, Work};
use std::collections::BTreeSet;

/// The rows of a night; none where the work is one job.
pub(super) fn row(work: &Work, setups: &[SetupRow], programs: &[ProgramRow]) -> Option<NightRow> {
    let night = work.documents.night.as_ref()?;
    let jobs = night.jobs.iter();
    let jobs = jobs.map(|job| job_row(work, job, setups, programs));
    let former = night.former.as_ref();
    let kept = former.map_or(Vec::new(), |f| kept(f, setups, programs));
    let sums = work
        .variants
        .iter()
        .map(|v| (v.id.clone(), Variant::sum(v)));
    Some(NightRow {
        jobs: jobs.collect(),
        former: former.map(|f| f.documents.clone()),
        kept,
        variants: sums.collect(),
    })
}

fn job_row(
    work: &Work,
    job: &PooledJob,
    setups: &[SetupRow],
    programs: &[ProgramRow],
) -> NightJobRow {
    let lies = |s: &&SetupRow| s.placements.iter().any(|p| job.own(&p.piece).is_some());
    let own: BTreeSet<&str> = setups.iter().filter(lies).map(|s| s.id.as_str()).collect();
    // Lines are cut before the blanks that lie in them.
    let lines = setups.iter().filter(|s| own.contains(s.id.as_str()));
    let lines: BTreeSet<&str> = lines.filter_map(|s| s.lines.as_deref()).collect();
    let of = |id: &str| own.contains(id) || lines.contains(id);
    let ids = setups.iter().map(|s| &s.id).filter(|id| of(id.as_str()));
    let files = programs.iter().filter(|p| of(&p.setup)).map(|p| &p.file);
    let parts = work.parts.iter().filter(|p| job.own(&p.id).is_some());
    NightJobRow {
        id: job.id.clone(),
        name: job.name.clone(),
        file: job.file.clone(),
        sha256: job.sha256.clone(),
        sets: job.sets,
        pieces: parts.map(|p| p.count).sum(),
        folder: format!("jobs/{}", job.id),
        setups: ids.cloned().collect(),
        programs: files.cloned().collect(),
    }
}

/// The clampings whose programs are those of the former night, byte for byte and by the same names.
fn kept(former: &FormerNight, setups: &[SetupRow], programs: &[ProgramRow]) -> Vec<String> {
    let same = |s: &&SetupRow| {
        let before = former.setups.iter().find(|f| f.id == s.id);
        let now = programs.iter().filter(|p| p.setup == s.id);
        before.is_some_and(|f| {
            let told = f
                .programs
                .iter()
                .map(|p| (p.name.as_str(), p.sha256.as_str()));
            !f.programs.is_empty() && now.map(|p| (p.name(), p.sha256.as_str())).eq(told)
        })
    };
    setups.iter().filter(same).map(|s| s.id.clone()).collect()
}
