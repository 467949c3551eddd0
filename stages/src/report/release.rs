//! Which programs may be run: all of a job's, or none.

use grainway_pipeline::finding::{Finding, code};
use grainway_pipeline::work::{Program, Work};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// What became of a job.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum JobVerdict {
    /// Every program passed its checks and nothing is left for the user to act on.
    Ready,
    /// Programs were made, but not all passed, or a finding asks the user to act: none is released.
    Withheld,
    /// The documents or drawings must be corrected first; there are no programs.
    Refused,
    /// Something of ours, a plugin's or the disk's failed.
    Failed,
}

/// Into which folder a program goes.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Release {
    /// Into `programs/`.
    Released,
    /// Into `programs-withheld/`, with a first line that no controller accepts.
    Withheld,
    /// Into `programs-unverified/`: the shop accepts this dialect in writing although it cannot be read back.
    Unverified,
}

/// The first line of a withheld program. It starts with characters that open no comment and form no word in block-and-word
/// languages, so that a controller stops on it before anything moves.
pub const WITHHELD_LINE: &str =
    "?!? WITHHELD, DO NOT RUN: this program did not pass its checks, see report.json ?!?";

/// Adds what the user must know about the release itself: a job without programs, a chain without verify.
pub fn add_findings(work: &mut Work) {
    let dialect = dialect(work);
    if work.has_errors() {
        return;
    }
    if work.programs.is_empty() {
        work.find(Finding::new(
            &code::NO_PROGRAM,
            "No stage made a program out of this job.",
        ));
        return;
    }
    if !work.facts.contains("verified") {
        work.find(Finding::new(
            &code::NOT_VERIFIED,
            "The programs were changed after verify, or verify is not in the chain.",
        ));
        return;
    }
    let accepted = work.documents.shop.accept_unverified.contains(&dialect);
    let mut found = Vec::new();
    for program in &work.programs {
        if program.unverified {
            found.push(if accepted {
                Finding::new(
                    &code::UNVERIFIED_ACCEPTED,
                    format!("{} is written in {dialect}, which cannot be read back; the shop accepts it unverified.", program.name),
                )
                .setup(&program.setup)
            } else {
                Finding::new(
                    &code::NOT_VERIFIED,
                    format!("{} is written in {dialect}, which cannot be read back, so nothing checked it.", program.name),
                )
                .remedy("Choose a dialect that can be read back, or name this one in the shop's `accept-unverified` and prove every program at the machine.")
                .setup(&program.setup)
            });
        } else if !passed(program) {
            found.push(
                Finding::new(
                    &code::NOT_VERIFIED,
                    format!("{} did not pass its checks.", program.name),
                )
                .setup(&program.setup),
            );
        }
    }
    work.findings.extend(found);
}

/// The name of the dialect of the job's machine.
fn dialect(work: &Work) -> String {
    work.documents
        .machine()
        .map(|(_, m)| m.dialect.clone())
        .unwrap_or_default()
}

/// Both verdicts are there and passed.
fn passed(program: &Program) -> bool {
    let ok = |v: &Option<grainway_pipeline::work::Verdict>| v.as_ref().is_some_and(|v| v.passed);
    ok(&program.as_planned) && ok(&program.safe)
}

/// The verdict over the whole job: ready only when no finding is an error and every program passed or is accepted unverified.
pub fn verdict(work: &Work) -> JobVerdict {
    if work.programs.is_empty() {
        return JobVerdict::Refused;
    }
    let accepted = work
        .documents
        .shop
        .accept_unverified
        .contains(&dialect(work));
    let all = work
        .programs
        .iter()
        .all(|p| passed(p) || (p.unverified && accepted));
    if !work.has_errors() && work.facts.contains("verified") && all {
        JobVerdict::Ready
    } else {
        JobVerdict::Withheld
    }
}

/// Where a program goes under a verdict over its job.
pub fn release(program: &Program, verdict: JobVerdict) -> Release {
    match verdict {
        JobVerdict::Ready if program.unverified => Release::Unverified,
        JobVerdict::Ready => Release::Released,
        _ => Release::Withheld,
    }
}

/// A program's file in the output folder.
pub fn file_name(program: &Program, release: Release) -> String {
    match release {
        Release::Released => format!("programs/{}", program.name),
        Release::Withheld => format!("programs-withheld/{}.txt", program.name),
        Release::Unverified => format!("programs-unverified/{}", program.name),
    }
}
