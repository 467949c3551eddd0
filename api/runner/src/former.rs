//! A former night as its folder tells it, for a night that keeps its boards.

use crate::folder::JobFolder;
use crate::load::{Loaded, load};
use crate::request::{Failure, MakeRequest};
use grainway_pipeline::doc::{FormerNight, FormerPlaced, FormerProgram, FormerSetup};
use grainway_pipeline::stage::Dialects;
use grainway_pipeline::work::sha256_hex;
use grainway_stages::report::{JobVerdict, REPORT_FILE, ReportDocument, SetupRow};
use std::path::Path;

/// What the report in a folder tells of the night that was made there. Only one that was released has programs to keep.
fn former_night(folder: &Path) -> Result<FormerNight, Failure> {
    let file = folder.join(REPORT_FILE);
    let shown = file.display();
    let bytes =
        std::fs::read(&file).map_err(|e| Failure::Usage(format!("{shown} cannot be read: {e}")))?;
    let report: ReportDocument = serde_json::from_slice(&bytes)
        .map_err(|e| Failure::Usage(format!("{shown} is no report of this version: {e}")))?;
    let Some(night) = &report.night else {
        let why = format!("{shown} is the report of one job; only a night's boards are kept");
        return Err(Failure::Usage(why));
    };
    if report.verdict != JobVerdict::Ready {
        let why = format!("{shown} is the report of a night that was not released");
        return Err(Failure::Usage(why));
    }
    for program in &report.programs {
        let text = std::fs::read(folder.join(&program.file)).map(|text| sha256_hex(&text));
        if !text.is_ok_and(|sum| sum == program.sha256) {
            let file = folder.join(&program.file);
            let why = format!(
                "{} is not the program that was made there; make the night anew",
                file.display()
            );
            return Err(Failure::Usage(why));
        }
    }
    Ok(FormerNight {
        documents: report.documents.clone(),
        variants: night.variants.clone(),
        setups: report.setups.iter().map(|s| setup(s, &report)).collect(),
    })
}

impl MakeRequest {
    /// The documents, with the former night whose boards are kept.
    pub(crate) fn load(
        &self,
        folder: &JobFolder,
        job_file: &str,
        dialects: &Dialects,
    ) -> Result<Loaded, Failure> {
        let mut loaded = load(folder, job_file, dialects);
        if let Some(keep) = &self.keep {
            loaded.keep(former_night(keep)?)?;
        }
        Ok(loaded)
    }
}

fn setup(row: &SetupRow, report: &ReportDocument) -> FormerSetup {
    let placed = row.placements.iter().map(|p| FormerPlaced {
        piece: p.piece.clone(),
        variant: p.variant.clone(),
        at: p.at,
        angle: p.angle,
    });
    let programs = report.programs.iter().filter(|p| p.setup == row.id);
    let programs = programs.map(|p| FormerProgram {
        number: p.number,
        name: p.name().to_string(),
        sha256: p.sha256.clone(),
    });
    FormerSetup {
        id: row.id.clone(),
        stock: row.stock.clone(),
        board: row.board.clone(),
        size: row.size,
        thickness: row.thickness,
        repeats: row.repeats,
        placed: placed.collect(),
        programs: programs.collect(),
    }
}
