//! Writes setup sheets, lists, pictures and the report.
//!
//! Everything it makes are texts and bytes in the spool, filed in [`Work::files`] by their names in the output folder. It decides
//! which programs are released ([`release`]); whoever writes the folder only copies.

mod document;
mod release;
mod summary;
mod times;

pub use document::{REPORT_FORMAT, ReportDocument, schema_report};
pub use release::{JobVerdict, Release, WITHHELD_LINE};
pub use times::{Drive, Seconds, corner_speed, rest_to_rest};

use grainway_pipeline::doc::Length;
use grainway_pipeline::finding;
use grainway_pipeline::stage::{Cx, Description, Fault, SpoolId, Stop, TypedStage};
use grainway_pipeline::work::Work;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// The report's name in the output folder.
pub const REPORT_FILE: &str = "report.json";

/// Settings of the report stage.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields, default)]
pub struct ReportSettings {
    /// Air between the collet nut and the highest thing under it, added to the deepest cut to give the stick-out needed.
    /// Common practice, no source: 5 mm.
    pub nut_clearance: Length,
}

impl Default for ReportSettings {
    fn default() -> Self {
        ReportSettings {
            nut_clearance: Length::from_mm(5.0),
        }
    }
}

/// The report stage.
#[derive(Clone, Copy, Debug, Default)]
pub struct Report;

impl TypedStage for Report {
    type Settings = ReportSettings;
    fn describe(&self) -> Description {
        Description {
            name: "report",
            version: 1,
            summary: "Writes setup sheets, lists, pictures and the report.",
            needs: &["variants"],
            gives: &["reported"],
            spoils: &[],
        }
    }
    fn run(&self, work: &mut Work, settings: &Self::Settings, cx: &Cx<'_>) -> Result<(), Stop> {
        release::add_findings(work);
        finding::sort(&mut work.findings);
        work.files.clear();
        let report = summary::report(work, settings.nut_clearance.mm());
        file_programs(work, &report, cx)?;
        finish(work, report, cx)
    }
}

/// Spools bytes and files them under a name.
fn file(work: &mut Work, name: String, bytes: &[u8], cx: &Cx<'_>) -> Result<(), Stop> {
    let id = spool(cx, &mut |out| out.write_all(bytes))?;
    work.files.insert(name, id);
    Ok(())
}

fn spool(
    cx: &Cx<'_>,
    fill: &mut dyn FnMut(&mut dyn std::io::Write) -> std::io::Result<()>,
) -> Result<SpoolId, Stop> {
    cx.spool
        .write(fill)
        .map_err(|e| Stop::Fault(Fault::new(format!("a file could not be kept: {e}"))))
}

/// Files every program where its release puts it.
fn file_programs(work: &mut Work, report: &ReportDocument, cx: &Cx<'_>) -> Result<(), Stop> {
    let mut files = Vec::new();
    for program in &work.programs {
        cx.check()?;
        let release = release::release(program, report.verdict);
        let id = if release == Release::Withheld {
            spool(cx, &mut |out| {
                writeln!(out, "{WITHHELD_LINE}")?;
                std::io::copy(&mut cx.spool.open(&program.text)?, out).map(|_| ())
            })?
        } else {
            program.text.clone()
        };
        files.push((release::file_name(program, release), id));
    }
    work.files.extend(files);
    Ok(())
}

/// Fills in the checksums of all other files and files the report itself.
fn finish(work: &mut Work, mut report: ReportDocument, cx: &Cx<'_>) -> Result<(), Stop> {
    // The spool names a text by its SHA-256, so the checksums are there already.
    report.files = work
        .files
        .iter()
        .map(|(name, id)| (name.clone(), id.0.clone()))
        .collect();
    let text = report
        .to_text()
        .map_err(|e| Stop::Fault(Fault::new(format!("the report could not be written: {e}"))))?;
    file(work, REPORT_FILE.to_string(), text.as_bytes(), cx)
}

/// The report of work that did not come as far as the report stage: findings, parts and whatever else is known, no programs.
pub fn report_without_sheets(work: &mut Work, cx: &Cx<'_>) -> Result<(), Stop> {
    work.programs.clear();
    work.files.clear();
    finding::sort(&mut work.findings);
    let report = summary::report(work, ReportSettings::default().nut_clearance.mm());
    finish(work, report, cx)
}
