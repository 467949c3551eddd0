//! Which programs may be run: all of a job's, or none.

use grainway_pipeline::finding::{Finding, code};
use grainway_pipeline::work::{Program, Seal, Work};
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
    if work.seal != Some(Seal::of(work)) {
        work.find(Finding::new(
            &code::VERIFY_SEAL,
            "The programs, boards or parts are not those that were verified.",
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

#[cfg(test)]
mod tests {
    use super::*;
    use grainway_pipeline::dialect::Written;
    use grainway_pipeline::doc::{read_job, read_shop};
    use grainway_pipeline::stage::SpoolId;
    use grainway_pipeline::work::{Documents, Verdict};

    fn work(accept: bool) -> Work {
        let shop = format!(
            r#"{{"format": "grainway.shop/1", "cutters": {{}}, "accept-unverified": [{}], "machines": {{ "router": {{
                "dialect": "words", "travel": [1200, 800, 120], "z-zero": "bed", "max-feed": 4000, "max-plunge": 1200,
                "rapid": 6000, "acceleration": 400, "min-rpm": 6000, "max-rpm": 24000, "spoilboard": 18 }} }} }}"#,
            if accept { "\"words\"" } else { "" }
        );
        let job = r#"{"format": "grainway.job/1", "name": "x", "shop": "shop.json", "parts": [
            {"id": "p", "stock": "s", "outline": {"circle": {"at": [0, 0], "diameter": 9}}}]}"#;
        let mut work = Work::new(Documents {
            job: read_job(job.as_bytes()).unwrap(),
            shop: read_shop(shop.as_bytes()).unwrap(),
            hash: String::new(),
            night: None,
        });
        work.facts.insert("verified".to_string());
        work
    }

    fn program(name: &str, passed: bool) -> Program {
        let verdict = Some(Verdict {
            passed,
            figures: Vec::new(),
            findings: Vec::new(),
        });
        Program {
            name: name.to_string(),
            setup: "board-1".to_string(),
            entries: (0, 1),
            number: 1,
            text: SpoolId(String::new()),
            sha256: String::new(),
            written: Written::default(),
            cutter: None,
            as_planned: verdict.clone(),
            safe: verdict,
            unverified: false,
        }
    }

    fn judged(work: &mut Work) -> (JobVerdict, Vec<String>) {
        work.seal = Some(Seal::of(work));
        judged_as_sealed(work)
    }

    fn judged_as_sealed(work: &mut Work) -> (JobVerdict, Vec<String>) {
        add_findings(work);
        let verdict = verdict(work);
        let files = work
            .programs
            .iter()
            .map(|p| file_name(p, release(p, verdict)));
        (verdict, files.collect())
    }

    #[test]
    fn programs_that_passed_are_released() {
        let mut work = work(false);
        work.programs = vec![program("01.ngc", true), program("02.ngc", true)];
        let (verdict, files) = judged(&mut work);
        assert_eq!(verdict, JobVerdict::Ready);
        assert_eq!(files, ["programs/01.ngc", "programs/02.ngc"]);
    }

    #[test]
    fn one_bad_program_withholds_all() {
        let mut work = work(false);
        work.programs = vec![program("01.ngc", true), program("02.ngc", false)];
        let (verdict, files) = judged(&mut work);
        assert_eq!(verdict, JobVerdict::Withheld);
        assert_eq!(
            files,
            [
                "programs-withheld/01.ngc.txt",
                "programs-withheld/02.ngc.txt"
            ]
        );
        assert_eq!(work.findings[0].code, "not-verified");
    }

    #[test]
    fn any_error_withholds_programs_that_passed() {
        let mut work = work(false);
        work.programs = vec![program("01.ngc", true)];
        work.find(Finding::new(&code::UNREACHABLE, "x"));
        assert_eq!(judged(&mut work).0, JobVerdict::Withheld);
    }

    #[test]
    fn programs_changed_after_verify_are_withheld() {
        let mut work = work(false);
        work.programs = vec![program("01.ngc", true)];
        work.facts.remove("verified");
        assert_eq!(judged(&mut work).0, JobVerdict::Withheld);
        // A verdict that is not there is no verdict passed.
        let mut work = super::tests::work(false);
        work.programs = vec![Program {
            safe: None,
            ..program("01.ngc", true)
        }];
        assert_eq!(judged(&mut work).0, JobVerdict::Withheld);
    }

    #[test]
    fn work_that_is_not_what_was_sealed_is_withheld() {
        let mut work = work(false);
        work.programs = vec![program("01.ngc", true)];
        assert_eq!(judged_as_sealed(&mut work.clone()).0, JobVerdict::Withheld);
        work.seal = Some(Seal::of(&work));
        work.programs[0].cutter = Some("other".to_string());
        assert_eq!(judged_as_sealed(&mut work).0, JobVerdict::Withheld);
        assert_eq!(work.findings[0].code, "verify-seal");
    }

    #[test]
    fn a_job_without_programs_is_refused() {
        let mut work = work(false);
        assert_eq!(judged(&mut work).0, JobVerdict::Refused);
        assert_eq!(work.findings[0].code, "no-program");
    }

    #[test]
    fn what_the_shop_accepts_in_writing_goes_beside() {
        let unread = Program {
            unverified: true,
            as_planned: None,
            safe: None,
            ..program("01.txt", true)
        };
        let mut accepted = work(true);
        accepted.programs = vec![unread.clone()];
        let (verdict, files) = judged(&mut accepted);
        assert_eq!(verdict, JobVerdict::Ready);
        assert_eq!(files, ["programs-unverified/01.txt"]);
        assert_eq!(accepted.findings[0].code, "unverified-accepted");
        let mut not = work(false);
        not.programs = vec![unread];
        assert_eq!(judged(&mut not).0, JobVerdict::Withheld);
    }
}
