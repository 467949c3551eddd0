//! Writes setup sheets, lists, pictures and the report.
//!
//! Everything it makes are texts and bytes in the spool, filed in [`Work::files`] by their names in the output folder. It decides
//! which programs are released ([`release`]); whoever writes the folder only copies.

mod bound;
mod costs;
mod document;
mod furniture;
mod html;
mod job_folder;
mod joints;
mod labels;
mod lies;
mod lists;
mod night;
mod offcuts;
mod pdf;
mod picture;
mod pieces;
mod release;
mod reliefs;
mod sheet;
mod show;
mod solid;
mod summary;
mod svg;
mod times;
mod turning;

pub use costs::cost_lines;
pub use document::{
    BoundRow, CostsRow, MEANS, NightRow, OrderRow, PluginRow, REPORT_FORMAT, ReportDocument,
    SetupRow, schema_report,
};
pub use release::{JobVerdict, Release, WITHHELD_LINE};
pub use times::{Drive, Seconds, corner_speed, rest_to_rest};

use grainway_pipeline::doc::Length;
use grainway_pipeline::finding;
use grainway_pipeline::stage::{Cx, Description, Fault, SpoolId, Stop, TypedStage};
use grainway_pipeline::work::Work;
use rayon::prelude::*;
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
    /// Added to the finished length of a piece that other machines dimension, for its rough size in the parts list (length). Common
    /// practice, no source: 25 mm.
    pub rough_length: Length,
    /// The same for its width. Common practice, no source: 6 mm.
    pub rough_width: Length,
    /// The same for its thickness. Common practice, no source: 4 mm.
    pub rough_thickness: Length,
    /// What is left of a board is listed where it is at least this long (along the grain). Common practice, no source: 300 mm.
    pub offcut_length: Length,
    /// The same for its width. Common practice, no source: 80 mm.
    pub offcut_width: Length,
}

impl ReportSettings {
    /// Added to length, width and thickness, mm.
    fn rough(&self) -> [f64; 3] {
        [self.rough_length, self.rough_width, self.rough_thickness].map(Length::mm)
    }
}

impl Default for ReportSettings {
    fn default() -> Self {
        ReportSettings {
            nut_clearance: Length::from_mm(5.0),
            rough_length: Length::from_mm(25.0),
            rough_width: Length::from_mm(6.0),
            rough_thickness: Length::from_mm(4.0),
            offcut_length: Length::from_mm(300.0),
            offcut_width: Length::from_mm(80.0),
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
            version: 6,
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
        let mut report = summary::report(work, cx.dialects, settings);
        report.costs = costs::costs(work, &report);
        file_programs(work, &report, cx)?;
        file_lists(work, &report, cx)?;
        file_sheets(work, &report, cx)?;
        file_labels(work, &report, cx)?;
        job_folder::file_jobs(work, &report, cx)?;
        file_part_pictures(work, cx)?;
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

fn file_lists(work: &mut Work, report: &ReportDocument, cx: &Cx<'_>) -> Result<(), Stop> {
    for (name, bytes) in [
        ("partslist.csv", lists::parts_list(report)),
        ("running-order.csv", lists::running_order(report)),
        ("boards.csv", lists::board_list(report)),
        ("handwork.csv", lists::hand_work_list(report)),
    ] {
        file(work, name.to_string(), &bytes, cx)?;
    }
    if let Some(costs) = &report.costs {
        let bytes = costs::list(costs, report);
        file(work, "costs.csv".to_string(), &bytes, cx)?;
    }
    Ok(())
}

/// The setup sheet in both forms, and the picture of every setup.
fn file_sheets(work: &mut Work, report: &ReportDocument, cx: &Cx<'_>) -> Result<(), Stop> {
    cx.check()?;
    let sheet = sheet::sheet(work, report);
    file(
        work,
        "setup-sheet.html".to_string(),
        html::html(&sheet)?.as_bytes(),
        cx,
    )?;
    file(work, "setup-sheet.pdf".to_string(), &pdf::pdf(&sheet), cx)?;
    let names: Vec<String> = work
        .setups
        .iter()
        .map(|s| format!("pictures/setup-{}.svg", safe_name(&s.id)))
        .collect();
    for (name, picture) in names.into_iter().zip(&sheet.pictures) {
        file(work, name, svg::svg(picture, true).as_bytes(), cx)?;
    }
    Ok(())
}

/// Labels for the pieces of setups that are planned.
fn file_labels(work: &mut Work, report: &ReportDocument, cx: &Cx<'_>) -> Result<(), Stop> {
    let labels = labels::labels(work, report);
    let sheet = work.documents.shop.labels.clone().unwrap_or_default();
    let list = labels::list(&labels, &sheet, report);
    file(work, "labels.csv".to_string(), &list, cx)?;
    for (name, svg) in labels::sheets(&labels, &sheet, report) {
        file(work, name, svg.as_bytes(), cx)?;
    }
    Ok(())
}

fn file_part_pictures(work: &mut Work, cx: &Cx<'_>) -> Result<(), Stop> {
    let show = show::Show::of(work);
    let pictures: Vec<(String, String)> = work
        .variants
        .par_iter()
        .map(|v| {
            let name = format!("pictures/part-{}.svg", safe_name(&v.id));
            (name, svg::svg(&picture::of_variant(work, v, show), true))
        })
        .collect();
    let pieces: Vec<(String, String)> = work
        .parts
        .par_iter()
        .filter_map(|p| {
            let name = format!("pictures/piece-{}.svg", safe_name(&p.id));
            Some((name, svg::svg(&pieces::of_piece(work, p)?, true)))
        })
        .collect();
    let furniture = work.furniture.iter().enumerate().filter_map(|(i, f)| {
        let name = format!("pictures/furniture-{}.svg", i + 1);
        Some((name, svg::svg(&furniture::of_furniture(work, f)?, true)))
    });
    let furniture: Vec<(String, String)> = furniture.collect();
    for (name, text) in pictures.into_iter().chain(pieces).chain(furniture) {
        cx.check()?;
        file(work, name, text.as_bytes(), cx)?;
    }
    Ok(())
}

/// An id as part of a file name: ids of drawn parts hold a `/`. No other id holds a `+`, so that two never share a name.
fn safe_name(id: &str) -> String {
    id.chars()
        .map(|c| {
            if c.is_ascii_alphanumeric() || "-_.~#".contains(c) {
                c
            } else {
                '+'
            }
        })
        .collect()
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
    let report = summary::report(work, cx.dialects, &ReportSettings::default());
    finish(work, report, cx)
}
