//! A folder for each job of a night, with what that job alone needs.
//!
//! Programs are the night's. A job's folder names them with their sums, and has the job's own parts list, hand work, furniture and pictures.

use super::document::{NightJobRow, ProgramRow, ReportDocument, SetupRow};
use super::sheet::{self, Block, Row, Sheet, Tone, heading, text};
use super::show::Show;
use super::{costs, file, html, lists, pdf, pieces};
use crate::csv_table::table;
use grainway_pipeline::stage::{Cx, Stop};
use grainway_pipeline::work::Work;

/// Digits of a sum on paper: enough to tell two texts apart by eye.
const SHORT_SUM: usize = 12;

/// Writes the folder of each job.
pub(super) fn file_jobs(work: &mut Work, report: &ReportDocument, cx: &Cx<'_>) -> Result<(), Stop> {
    let Some(night) = &report.night else {
        return Ok(());
    };
    for job in &night.jobs {
        cx.check()?;
        let own = own_report(report, job);
        let sheet = job_sheet(&own_work(work, job), report, &own, job);
        let html = html::html(&sheet)?;
        let mut files = vec![
            ("partslist.csv", lists::parts_list(&own)),
            ("handwork.csv", lists::hand_work_list(&own)),
            ("programs.csv", program_list(report, job)),
            ("job-sheet.html", html.into_bytes()),
            ("job-sheet.pdf", pdf::pdf(&sheet)),
        ];
        files.extend(
            own.costs
                .as_ref()
                .map(|c| ("costs.csv", costs::list(c, &own))),
        );
        for (name, bytes) in files {
            file(work, format!("{}/{name}", job.folder), &bytes, cx)?;
        }
    }
    Ok(())
}

fn is_of(job: &NightJobRow, name: &str) -> bool {
    let rest = name.strip_prefix(job.id.as_str());
    rest.is_some_and(|r| r.starts_with(grainway_pipeline::doc::OF_JOB))
}

/// What the report says of one job.
fn own_report(report: &ReportDocument, job: &NightJobRow) -> ReportDocument {
    let mut own = ReportDocument {
        job: format!("{} ({})", job.name, job.id),
        setups: Vec::new(),
        programs: Vec::new(),
        ..report.clone()
    };
    own.parts.retain(|p| is_of(job, &p.id));
    own.hand_work.retain(|h| is_of(job, &h.part));
    own.joints.retain(|j| is_of(job, &j.joint));
    own.furniture
        .retain(|f| f.pieces.iter().all(|p| is_of(job, &p.part)));
    own.findings
        .retain(|f| f.part.as_ref().is_some_and(|p| is_of(job, p)));
    if let Some(costs) = &mut own.costs {
        costs.parts.retain(|p| is_of(job, &p.part));
        costs.jobs.retain(|j| j.job == job.id);
    }
    own
}

/// The work with what belongs to one job, for its pictures.
fn own_work(work: &Work, job: &NightJobRow) -> Work {
    let mut own = Work::new(work.documents.clone());
    let parts = work.parts.iter().filter(|p| is_of(job, &p.id));
    own.parts = parts.cloned().collect();
    let variants = work.variants.iter().filter(|v| is_of(job, &v.part));
    own.variants = variants.cloned().collect();
    let joints = work.joints.iter().filter(|j| is_of(job, &j.joint));
    own.joints = joints.cloned().collect();
    let mut furniture = work.furniture.clone();
    furniture.retain(|f| f.pieces.iter().all(|p| is_of(job, &p.part)));
    own.furniture = furniture;
    own
}

/// The sheet of one job of a night.
fn job_sheet(
    work: &Work,
    night: &ReportDocument,
    own: &ReportDocument,
    job: &NightJobRow,
) -> Sheet {
    let u = Show::of(work);
    let mut sheet = Sheet::empty(own);
    let b = &mut sheet.blocks;
    b.push(Block::Title {
        text: own.job.clone(),
    });
    if night.verdict != super::JobVerdict::Ready {
        b.push(Block::Notice {
            tone: Tone::Stop,
            title: "Do not cut".to_string(),
            text: "The night of this job is not released.".to_string(),
        });
    }
    let sets = match job.sets {
        1 => String::new(),
        n => format!(", in {n} sets"),
    };
    b.push(text(format!(
        "Cut together with other jobs in \"{}\"{sets}: {} pieces. The setup sheet of the night says what is laid on the machine, in which order, and what to look to; this one is for the parts when they are cut.",
        night.job, job.pieces
    )));
    b.push(heading("The programs that cut its pieces"));
    b.push(programs(night, job));
    b.push(heading("Parts"));
    b.push(parts(u, own));
    sheet::findings(b, u, own);
    sheet::hand_work(b, own);
    if let Some(picture) = pieces::of_pieces(work) {
        sheet.picture("The finished pieces", picture);
    }
    sheet::together(&mut sheet, work);
    sheet::joints(&mut sheet, u, own);
    sheet
}

fn programs(night: &ReportDocument, job: &NightJobRow) -> Block {
    let rows = rows_of(night, job)
        .into_iter()
        .map(|(program, setup, pieces)| {
            let name = program.name().to_string();
            let sum = program.sha256.get(..SHORT_SUM).unwrap_or_default();
            Row::of([name, setup.id.clone(), pieces.join(", "), sum.to_string()])
        });
    Block::Table {
        header: ["Program", "On", "Pieces of this job", "SHA-256 begins with"]
            .map(String::from)
            .to_vec(),
        widths: vec![0.24, 0.12, 0.46, 0.18],
        rows: rows.collect(),
    }
}

fn parts(u: Show, own: &ReportDocument) -> Block {
    let rows = own.parts.iter().map(|p| {
        let size = [p.size[0], p.size[1], p.thickness].map(|l| u.len(l));
        let wood = format!("{}, {}", p.stock, p.wood);
        let name = p.name.clone().unwrap_or_default();
        Row::of([
            p.id.clone(),
            name,
            p.count.to_string(),
            wood,
            size.join(" × "),
        ])
    });
    Block::Table {
        header: ["Part", "", "How many", "Wood", "Length × width × thickness"]
            .map(String::from)
            .to_vec(),
        widths: vec![0.24, 0.24, 0.1, 0.2, 0.22],
        rows: rows.collect(),
    }
}

/// The programs of a job, each with its clamping and the job's pieces there.
fn rows_of<'r>(
    night: &'r ReportDocument,
    job: &NightJobRow,
) -> Vec<(&'r ProgramRow, &'r SetupRow, Vec<&'r str>)> {
    let of = |program: &'r ProgramRow| {
        let setup = night.setups.iter().find(|s| s.id == program.setup)?;
        let pieces = setup.placements.iter().map(|p| p.piece.as_str());
        let pieces = pieces.filter(|p| is_of(job, p)).collect();
        Some((program, setup, pieces))
    };
    let own = night.programs.iter();
    own.filter(|p| job.programs.contains(&p.file))
        .filter_map(of)
        .collect()
}

/// The programs that cut a job's pieces, with their sums.
fn program_list(night: &ReportDocument, job: &NightJobRow) -> Vec<u8> {
    let rows = rows_of(night, job)
        .into_iter()
        .map(|(program, setup, pieces)| {
            vec![
                format!("../../{}", program.file).into(),
                program.sha256.as_str().into(),
                setup.id.as_str().into(),
                setup.stock.as_str().into(),
                pieces.join(" ").into(),
            ]
        });
    table("program,sha256,setup,stock,pieces", rows)
}
