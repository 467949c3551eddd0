//! The setup sheet: what the person at the machine needs, in the order in which they need it.
//!
//! The sheet is made once, as blocks; the HTML page and the PDF are both printed from them, so that they say the same.

use super::costs::cost_lines;
use super::document::{
    BoundRow, CutRow, CutterRow, FigureRow, HoldRow, JointRow, OrderRow, ProgramRow,
    ReportDocument, SetupRow, TurnedRow, VerdictRow,
};
use super::furniture;
use super::picture::{self, Picture};
use super::pieces;
use super::release::{JobVerdict, Release};
use super::reliefs;
use super::show::{Show, duration, range};
use grainway_pipeline::doc::{Pointer, Side, SpindleSwitch, Unit, ZZero};
use grainway_pipeline::finding::{Finding, Severity, code};
use grainway_pipeline::work::Work;
use serde::Serialize;

/// How a notice looks.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub(super) enum Tone {
    Ready,
    Stop,
    Caution,
}

/// A row of a table: cells, or one text over the whole width.
#[derive(Clone, Debug, Serialize)]
pub(super) struct Row {
    pub cells: Vec<String>,
    pub whole: bool,
}

impl Row {
    pub(super) fn of<S: Into<String>>(cells: impl IntoIterator<Item = S>) -> Row {
        Row {
            cells: cells.into_iter().map(Into::into).collect(),
            whole: false,
        }
    }
    fn whole(text: impl Into<String>) -> Row {
        Row {
            cells: vec![text.into()],
            whole: true,
        }
    }
}

/// A piece of the sheet.
#[derive(Clone, Debug, Serialize)]
#[serde(rename_all = "kebab-case", tag = "kind")]
pub(super) enum Block {
    Title {
        text: String,
    },
    Heading {
        text: String,
    },
    Subheading {
        text: String,
    },
    Text {
        text: String,
    },
    List {
        items: Vec<String>,
        numbered: bool,
    },
    Table {
        header: Vec<String>,
        /// Shares of the width.
        widths: Vec<f64>,
        rows: Vec<Row>,
    },
    Notice {
        tone: Tone,
        title: String,
        text: String,
    },
    /// The picture with this index.
    Picture {
        index: usize,
    },
    NewPage,
    /// Lines to write on.
    Sign {
        lines: Vec<String>,
    },
}

/// Blocks and the pictures among them.
pub(super) struct Sheet {
    pub title: String,
    /// What the checks mean, at the foot of every page.
    pub means: String,
    /// The short code, empty when there is none; it stands at the foot of every page.
    pub code: String,
    pub blocks: Vec<Block>,
    pub pictures: Vec<Picture>,
}

impl Sheet {
    /// A sheet of this report with nothing on it yet.
    pub(super) fn empty(report: &ReportDocument) -> Sheet {
        Sheet {
            title: report.job.clone(),
            // In a night each setup has its own.
            code: match report.night {
                None => report.code.clone(),
                Some(_) => String::new(),
            },
            means: report.means.clone(),
            blocks: Vec::new(),
            pictures: Vec::new(),
        }
    }
    /// A picture on a page of its own, under a heading.
    pub(super) fn picture(&mut self, title: &str, picture: Picture) {
        self.blocks.push(Block::NewPage);
        self.blocks.push(heading(title));
        self.blocks.push(Block::Picture {
            index: self.pictures.len(),
        });
        self.pictures.push(picture);
    }
}

/// The cautions that stand on every sheet (docs/references.md, section Publications: workplace safety).
pub(super) const CAUTIONS: [&str; 8] = [
    "These programs have not been proved on your machine. The safety rules of your place and the instructions of the makers of the machine and of the cutters come before anything on this sheet.",
    "Before each start compare: unit, zero in X, Y and Z, cutter and its length, size and thickness of the wood.",
    "See that screws, clamps and tabs hold every piece to the end of the job and stand clear of the cutter, its nut and the dust shoe.",
    "Never run a cutter faster than the speed marked on it. Feeds and speeds on this sheet are computed starting points: listen, look at the chips, and slow down when in doubt.",
    "Run the extraction. Wear eye and hearing protection, and a suitable mask where dust is not caught.",
    "Keep guards closed and hands out while the spindle can turn. Loose pieces and broken cutters fly.",
    "Run the first time above the wood, or at reduced feed with a hand on the stop.",
    "Stay with the machine while it runs. Burnt or packed chips can smoulder: look into the extractor after the job.",
];

pub(super) fn text(t: impl Into<String>) -> Block {
    Block::Text { text: t.into() }
}

pub(super) fn heading(t: impl Into<String>) -> Block {
    Block::Heading { text: t.into() }
}

fn subheading(t: impl Into<String>) -> Block {
    Block::Subheading { text: t.into() }
}

/// The sheet of a job.
pub(super) fn sheet(work: &Work, report: &ReportDocument) -> Sheet {
    let mut sheet = Sheet::empty(report);
    let u = Show::of(work);
    overview(&mut sheet, u, report);
    // Those of the setups first, by their places in the list.
    let setups = work.setups.iter().zip(&report.setups);
    let pictures = setups.map(|(setup, row)| picture::of_setup(work, setup, report, row, u));
    sheet.pictures = pictures.collect();
    for (i, (setup, row)) in work.setups.iter().zip(&report.setups).enumerate() {
        sheet.blocks.push(Block::NewPage);
        let lies = super::lies::of_setup(work, setup).map(|picture| {
            sheet.pictures.push(picture);
            sheet.pictures.len() - 1
        });
        let of = format!("{} of {}", i + 1, report.setups.len());
        setup_page(
            &mut sheet,
            u,
            report,
            row,
            &of,
            [Some(i), lies],
            &picture::legend(setup),
        );
    }
    let reliefs = reliefs::of_reliefs(work, u);
    if !reliefs.is_empty() {
        sheet.blocks.push(Block::NewPage);
        sheet.blocks.push(heading("Reliefs in inside corners"));
        sheet.blocks.push(text("Each shape once, enlarged: light is wood that stays, grey is cut, and the dashed lines are the edges that the drawing has. The cutter goes beyond them by the violet figures, so that a square corner finds room."));
    }
    for relief in reliefs {
        let index = sheet.pictures.len();
        sheet.blocks.push(Block::Picture { index });
        sheet.pictures.push(relief);
    }
    if let Some(pieces) = pieces::of_pieces(work) {
        sheet.picture("The finished pieces", pieces);
        sheet.blocks.push(text("Seen from the left near side and from above, as they are cut: fillets and relief are in them. Pieces that are cut from the back or the far edge are shown turned over as well, and those that are cut from the right end turned about, so that it lies left."));
    }
    together(&mut sheet, work);
    joints(&mut sheet, u, report);
    if let Some(picture) = super::joints::of_joints(work) {
        sheet.blocks.push(Block::Picture {
            index: sheet.pictures.len(),
        });
        sheet.blocks.push(text("Each joint seen from the side where the mate goes in: grey is cut away, white is the mate, dashed what it covers with its shoulders, red what stays open to the eye. Each has a scale of its own; of a long one an end is shown."));
        sheet.pictures.push(picture);
    }
    if !report.programs.is_empty() {
        sheet.blocks.push(Block::NewPage);
        checks(&mut sheet, u, report);
    }
    if report.costs.is_some() {
        sheet.blocks.push(Block::NewPage);
        costs(&mut sheet.blocks, report);
    }
    sheet
}

/// The header of a table of shares: whose they are, the amounts, and the amount of one.
fn share_header<'h>([whose, how_many]: [&'h str; 2], of_one: &'h str) -> [&'h str; 8] {
    let [wood, machine, hand, surcharge, all] =
        ["Wood", "Machine", "By hand", "Surcharge", "Together"];
    [whose, how_many, wood, machine, hand, surcharge, all, of_one]
}

/// Widths of the tables of shares.
const SHARES: [f64; 8] = [0.22, 0.08, 0.11, 0.12, 0.12, 0.12, 0.12, 0.11];

/// What the job costs, on a page of its own at the end: nothing of it is for the machine.
fn costs(b: &mut Vec<Block>, report: &ReportDocument) {
    let Some(costs) = &report.costs else {
        return;
    };
    b.push(heading("What it costs"));
    b.push(text(format!(
        "{} For the office; the machine needs nothing of this page.",
        costs.basis
    )));
    let table = |header: &[&str], widths: &[f64], rows| Block::Table {
        header: header.iter().map(|h| (*h).to_string()).collect(),
        widths: widths.to_vec(),
        rows,
    };
    let lines = cost_lines(report).into_iter().map(Row::of).collect();
    b.push(table(&["", "How much", "Cost"], &[0.18, 0.62, 0.2], lines));
    b.extend(
        costs
            .missing
            .iter()
            .map(|m| text(format!("Not in the price: {m}"))),
    );
    if !costs.jobs.is_empty() {
        b.push(subheading("Shares of the jobs"));
        b.push(text("Wood is divided among the parts by their finished area, on boards that several jobs share too."));
        let header = share_header(["Job", "Sets"], "A set");
        let rows = costs.jobs.iter().map(|j| {
            let amounts = [j.wood, j.machine, j.hand, j.surcharge, j.total, j.per_set];
            let cells = [j.job.clone(), j.sets.to_string()].into_iter();
            Row::of(cells.chain(amounts.map(|m| m.to_string())))
        });
        b.push(table(&header, &SHARES, rows.collect()));
    }
    b.push(subheading("Shares of the parts"));
    let header = share_header(["Part", "How many"], "Each");
    let rows = costs.parts.iter().map(|p| {
        let amounts = [p.wood, p.machine, p.hand, p.surcharge, p.total, p.each];
        let name = report.part_called(&p.part).to_string();
        Row::of(
            [name, p.count.to_string()]
                .into_iter()
                .chain(amounts.map(|m| m.to_string())),
        )
    });
    b.push(table(&header, &SHARES, rows.collect()));
}

fn overview(sheet: &mut Sheet, u: Show, report: &ReportDocument) {
    let b = &mut sheet.blocks;
    b.push(Block::Title {
        text: report.job.clone(),
    });
    verdict_and_machine(b, report);
    b.extend(jobs_of_night(report));
    what_to_lay(b, u, report);
    wood_used(b, u, report);
    left_over(b, u, report);
    b.push(Block::Notice {
        tone: Tone::Caution,
        title: "Before you cut".to_string(),
        text: CAUTIONS.join(" "),
    });
    b.push(Block::Sign {
        lines: vec![
            "All programs proved at the machine by (name)".to_string(),
            "Date".to_string(),
        ],
    });
    findings(b, u, report);
    hand_work(b, report);
}

/// Whether it may be cut, with what code, on which machine, and how long it takes.
fn verdict_and_machine(b: &mut Vec<Block>, report: &ReportDocument) {
    b.push(match report.verdict {
        JobVerdict::Ready => Block::Notice {
            tone: Tone::Ready,
            title: "Programs are ready".to_string(),
            text: format!("{} Prove every program at the machine before you cut wood.", report.means),
        },
        _ => Block::Notice {
            tone: Tone::Stop,
            title: "Do not cut".to_string(),
            text: "This job is not released. Act on the findings below and make it again; the programs in programs-withheld are for reading only.".to_string(),
        },
    });
    if report.night.is_some() {
        b.push(text("Each setup has a code, which stands at the head of its page and in the first remarks of its programs. Where it is another one, page and program do not belong together: do not run it."));
    } else if !report.code.is_empty() {
        b.push(text(format!(
            "Code: {}. The same code stands in the first remarks of every program made with this sheet. Where it is another one, sheet and program do not belong together: do not run it.",
            report.code
        )));
    }
    if let Some(machine) = &report.machine {
        let unit = match machine.program_unit {
            Unit::Mm => "millimetres",
            Unit::Inch => "inches",
        };
        b.push(text(format!(
            "Machine: {}. Programs are written in {unit}, for controllers that read {}. Figures on this sheet are {unit} too, unless they name another unit.",
            machine.id, machine.dialect
        )));
    }
    b.push(text(format!(
        "At the machine: about {} in all (cutting {}, moving {}, spindle starts and stops {}, cutter changes {}), and {}.",
        duration(report.times.total),
        duration(report.times.cutting),
        duration(report.times.rapid),
        duration(report.times.spin_up),
        duration(report.times.changes),
        match report.times.pauses {
            0 => "no pauses".to_string(),
            1 => "1 pause that takes as long as you need".to_string(),
            n => format!("{n} pauses that take as long as you need"),
        }
    )));
    b.extend(against_the_bound(&report.bound).map(text));
}

/// The jobs of a night, and what is as it was, for the setup sheet.
fn jobs_of_night(report: &ReportDocument) -> Vec<Block> {
    let Some(night) = &report.night else {
        return Vec::new();
    };
    let rows = night.jobs.iter().map(|j| {
        Row::of([
            format!("{} ({})", j.name, j.id),
            j.sets.to_string(),
            j.pieces.to_string(),
            j.setups.join(", "),
            j.folder.clone(),
        ])
    });
    let mut blocks = vec![
        heading("The jobs of this night"),
        Block::Table {
            header: ["Job", "Sets", "Pieces", "On", "Its own sheet and lists in"]
                .map(String::from)
                .to_vec(),
            widths: vec![0.28, 0.08, 0.1, 0.34, 0.2],
            rows: rows.collect(),
        },
    ];
    if night.former.is_some() {
        let new = report.setups.iter().filter(|s| !night.kept.contains(&s.id));
        let new: Vec<&str> = new.map(|s| s.id.as_str()).collect();
        let told = |ids: &[&str]| match ids.is_empty() {
            true => "none".to_string(),
            false => ids.join(", "),
        };
        let kept: Vec<&str> = night.kept.iter().map(String::as_str).collect();
        blocks.push(text(format!(
            "Made from a former night. Its programs stand unchanged, byte for byte and under the same names, for {}. Made anew: {}.",
            told(&kept),
            told(&new)
        )));
    }
    blocks
}

/// How near the cuts come to the least time, and what the difference is made of.
fn against_the_bound(bound: &BoundRow) -> Option<String> {
    let d = &bound.difference;
    let parts = [
        ("ways into the wood", d.entries),
        ("air", d.air),
        ("slower feed in slots and tight arcs", d.slowdowns),
        ("levels", d.levels),
        ("widened kerfs", d.widening),
        ("overlaps, tabs and longer or shorter paths", d.paths),
    ]
    .map(|(what, s)| {
        let sign = if s < 0.0 { "less " } else { "" };
        format!("{what} {sign}{}", duration(s.abs()))
    });
    (bound.bound > 0.0).then(|| {
        format!(
            "Estimates: below the safe height the cutter spends about {}; on ideal paths at full feed the same cuts would take {} ({:.2} times). The difference is {}.",
            duration(bound.below_safe),
            duration(bound.bound),
            bound.ratio,
            parts.join(", ")
        )
    })
}

fn what_to_lay(b: &mut Vec<Block>, u: Show, report: &ReportDocument) {
    if report.setups.is_empty() {
        return;
    }
    b.push(heading("What to lay on the machine, in order"));
    b.push(Block::Table {
        header: [
            "",
            "What",
            "Wood",
            "Length × width × thickness",
            "Pieces",
            "Programs",
            "Time",
        ]
        .map(String::from)
        .to_vec(),
        widths: vec![0.05, 0.15, 0.14, 0.23, 0.08, 0.23, 0.12],
        rows: report
            .setups
            .iter()
            .enumerate()
            .map(|(i, s)| {
                let programs: Vec<&str> = report
                    .programs
                    .iter()
                    .filter(|p| p.setup == s.id)
                    .map(|p| p.file.rsplit('/').next().unwrap_or(&p.file))
                    .collect();
                let over = s
                    .turned
                    .as_ref()
                    .map(|t| format!(", {} turned", report.part_called(&t.part)));
                let what = match s.repeats > 1 {
                    true => format!("{} ({} times)", s.id, s.repeats),
                    false => s.id.clone(),
                } + &over.unwrap_or_default();
                let area = format!("{} × {}", u.len(s.size[0]), u.len(s.size[1]));
                let (wood, size) = match s.kind.as_str() {
                    "lines" => ("nothing yet: lines for blanks".to_string(), area),
                    _ => (
                        format!("{}, {}", s.stock, s.wood),
                        format!("{area} × {}", u.len(s.thickness[1])),
                    ),
                };
                Row::of([
                    (i + 1).to_string(),
                    what,
                    wood,
                    size,
                    s.placements.len().to_string(),
                    programs.join(", "),
                    duration(s.times.total),
                ])
            })
            .collect(),
    });
}

fn wood_used(b: &mut Vec<Block>, u: Show, report: &ReportDocument) {
    if report.wood.is_empty() {
        return;
    }
    b.push(subheading("Wood used"));
    b.push(Block::Table {
        header: [
            "Stock",
            "Boards and blanks",
            "Area",
            "Volume",
            "Becomes parts",
        ]
        .map(String::from)
        .to_vec(),
        widths: vec![0.3, 0.2, 0.15, 0.15, 0.2],
        rows: report
            .wood
            .iter()
            .map(|w| {
                Row::of([
                    w.stock.clone(),
                    w.boards.to_string(),
                    u.area(w.area),
                    u.volume(w.litres),
                    format!("{} %", w.yield_percent),
                ])
            })
            .collect(),
    });
}

fn left_over(b: &mut Vec<Block>, u: Show, report: &ReportDocument) {
    let setups = report.setups.iter();
    let rows: Vec<Row> = setups
        .flat_map(|s| s.offcuts.iter().map(move |o| (s, o)))
        .map(|(s, o)| {
            Row::of([
                s.id.clone(),
                s.stock.clone(),
                format!("{} × {}", u.len(o.size[0]), u.len(o.size[1])),
                format!("{}, {}", u.len(o.at[0]), u.len(o.at[1])),
                o.screw_holes.to_string(),
            ])
        })
        .collect();
    if rows.is_empty() {
        return;
    }
    b.push(subheading("Left of the boards"));
    b.push(Block::Table {
        header: ["Board", "Stock", "Along × across", "From", "Screw holes"]
            .map(String::from)
            .to_vec(),
        widths: vec![0.2, 0.25, 0.25, 0.15, 0.15],
        rows,
    });
}

pub(super) fn findings(b: &mut Vec<Block>, u: Show, report: &ReportDocument) {
    if report.findings.is_empty() {
        return;
    }
    b.push(heading("Findings"));
    b.push(Block::Table {
        header: ["", "Where", "What", "What to do"]
            .map(String::from)
            .to_vec(),
        widths: vec![0.1, 0.2, 0.4, 0.3],
        rows: report
            .findings
            .iter()
            .map(|f| {
                let severity = match f.severity {
                    Severity::Error => "Error",
                    Severity::Warning => "Warning",
                    Severity::Note => "Note",
                };
                let names = [&f.setup, &f.part, &f.feature].into_iter().flatten();
                let mut place: Vec<String> = names.cloned().collect();
                place.extend(f.pointer.iter().map(Pointer::to_string));
                if let Some(line) = f.line {
                    place.push(format!("line {line}"));
                }
                if let Some(at) = f.at {
                    place.push(format!("at ({}, {})", u.len(at.x), u.len(at.y)));
                }
                Row::of([
                    severity.to_string(),
                    place.join(", "),
                    f.message.clone(),
                    f.remedy.clone(),
                ])
            })
            .collect(),
    });
}

pub(super) fn hand_work(b: &mut Vec<Block>, report: &ReportDocument) {
    if report.hand_work.is_empty() {
        return;
    }
    b.push(heading("Left for hand work"));
    b.push(Block::Table {
        header: ["Part", "How many", "Feature", "What", "Why"]
            .map(String::from)
            .to_vec(),
        widths: vec![0.18, 0.1, 0.14, 0.36, 0.22],
        rows: report
            .hand_work
            .iter()
            .map(|h| {
                let pieces: Vec<String> = h.pieces.iter().map(|p| report.piece_called(p)).collect();
                Row::of([
                    match pieces.is_empty() {
                        true => report.part_called(&h.part).to_string(),
                        false => pieces.join("; "),
                    },
                    h.count.to_string(),
                    h.feature.clone().unwrap_or_default(),
                    h.what.clone(),
                    h.why.clone(),
                ])
            })
            .collect(),
    });
}

/// What stands where, and in which order it is put together.
pub(super) fn together(sheet: &mut Sheet, work: &Work) {
    let count = work.furniture.len();
    for (i, f) in work.furniture.iter().enumerate() {
        let Some(picture) = furniture::of_furniture(work, f) else {
            continue;
        };
        let b = &mut sheet.blocks;
        b.push(Block::NewPage);
        let number = if count > 1 {
            format!(" ({} of {count})", i + 1)
        } else {
            String::new()
        };
        b.push(heading(format!("Putting it together{number}")));
        if f.count > 1 {
            b.push(text(format!("The job makes {} of these.", f.count)));
            let sets = work.documents.sets_of(&f.pieces[0].part);
            if sets > 1 {
                b.push(text(format!("Pieces are numbered through {sets} sets: where a set has 4 of a part, the second set has numbers 5 to 8. Copies of a part are alike.")));
            }
        }
        let called = |i: &usize| furniture::called(work, f, *i);
        let all: Vec<usize> = (0..f.pieces.len()).collect();
        let names: Vec<String> = all.iter().map(called).collect();
        b.push(text(format!("Pieces: {}.", names.join(", "))));
        b.push(Block::Picture {
            index: sheet.pictures.len(),
        });
        sheet.pictures.push(picture);
        let list = |pieces: &[usize]| {
            let names: Vec<String> = pieces.iter().map(called).collect();
            names.join(", ")
        };
        let steps = f.steps.iter().map(|s| {
            format!(
                "Bring {} to {}: {}.",
                list(&s.moved),
                list(&s.onto),
                s.joints.join(", ")
            )
        });
        b.push(Block::List {
            items: steps.collect(),
            numbered: true,
        });
        b.push(text("One order that works: each step leaves the way free for the next. What moves in a step was put together in the steps before. Put it together dry first, and glue in the same order."));
    }
}

/// The joints in the order in which the job names them.
pub(super) fn joints(sheet: &mut Sheet, u: Show, report: &ReportDocument) {
    if report.joints.is_empty() {
        return;
    }
    let b = &mut sheet.blocks;
    b.push(Block::NewPage);
    b.push(heading("The joints"));
    b.push(text("The joints as the programs cut them, in the order in which the job names them. Room between the cheeks is both sides together: of the thickest piece where it is tightest, and of the thinnest where it is widest. Put every joint together dry before you glue."));
    let span = |s: Option<[f64; 2]>| {
        s.map_or_else(String::new, |[a, b]| match (b - a).abs() < 0.005 {
            true => u.len(a),
            false => format!("{} to {}", u.len(a), u.len(b)),
        })
    };
    b.push(Block::Table {
        header: [
            "Joint",
            "What goes in",
            "Into",
            "Fit",
            "Between cheeks",
            "At an end",
            "What is seen",
        ]
        .map(String::from)
        .to_vec(),
        widths: vec![0.16, 0.16, 0.16, 0.08, 0.14, 0.1, 0.2],
        rows: report
            .joints
            .iter()
            .map(|j| {
                Row::of([
                    format!("{} ({})", j.joint, j.kind),
                    report.part_called(&j.goes).to_string(),
                    report.part_called(&j.into).to_string(),
                    j.fit.clone(),
                    span(j.cheeks),
                    span(j.ends),
                    seen(j, u),
                ])
            })
            .collect(),
    });
}

/// What of a joint is seen, and what it keeps of a tenon's strength.
fn seen(j: &JointRow, u: Show) -> String {
    let places = ["where it goes in", "where it comes out", "at the shoulder"];
    let open: Vec<String> = (places.iter().zip(j.visible))
        .filter(|(_, area)| *area > 0.0)
        .map(|(place, area)| format!("{area} mm² {place}"))
        .collect();
    let mut said = match (j.open > 0.0, open.is_empty()) {
        (true, _) => format!("does not close: {} stay open", u.with(j.open)),
        (false, true) => "nothing".to_string(),
        (false, false) => open.join(", "),
    };
    if let Some(root) = j.root.filter(|r| *r < 1.0) {
        said += &format!("; the tenon keeps {:.0} % of its root", 100.0 * root);
    }
    said
}

fn setup_page(
    sheet: &mut Sheet,
    u: Show,
    report: &ReportDocument,
    s: &SetupRow,
    of: &str,
    pictures: [Option<usize>; 2],
    legend: &[String],
) {
    let b = &mut sheet.blocks;
    b.push(heading(match s.kind.as_str() {
        "lines" => format!("{} ({of}): locating lines in the spoilboard", s.id),
        _ => {
            let lies = match s.turned.as_ref().map(|t| t.up) {
                None | Some(Side::Face) => String::new(),
                Some(Side::Back) => ", turned over, back up".to_string(),
                Some(up @ (Side::Near | Side::Far)) => format!(", on its edge, {} up", up.word()),
                Some(up) => format!(", on its end, {} up", up.word()),
            };
            format!("{} ({of}): {}, {}{lies}", s.id, s.stock, s.wood)
        }
    }));
    if report.verdict != JobVerdict::Ready {
        b.push(Block::Notice {
            tone: Tone::Stop,
            title: "Do not cut".to_string(),
            text: "This job is not released.".to_string(),
        });
    }
    b.extend(s.code.iter().map(|c| text(format!("Code: {c}."))));
    let pictures = pictures.into_iter().flatten();
    b.extend(pictures.map(|index| Block::Picture { index }));
    b.push(text(legend.join(" ")));
    let mut step = 0;
    let mut next = |what: &str| {
        step += 1;
        subheading(format!("{step}. {what}"))
    };
    let mut items = if s.kind == "lines" {
        b.push(next("Clear the spoilboard and set zero"));
        set_up_lines(s, u, report)
    } else {
        b.push(next("Lay it on the machine and set zero"));
        set_up(s, u, report)
    };
    // What a program cannot set itself, the person does.
    let to_set = report.findings.iter().filter(|f| {
        f.code == code::SET_AT_CONTROLLER.word && f.setup.as_deref() == Some(s.id.as_str())
    });
    items.extend(to_set.map(|f| f.message.clone()));
    b.push(Block::List {
        items,
        numbered: false,
    });
    if s.holds.iter().any(|h| h.after_pause.is_none()) {
        b.push(next("Fasten it before the first cut"));
        b.push(hold_table(
            u,
            report,
            s,
            s.holds.iter().filter(|h| h.after_pause.is_none()),
        ));
    }
    let vouched = |f: &&Finding| {
        f.code == code::HELD_OTHERWISE.word && f.setup.as_deref() == Some(s.id.as_str())
    };
    if let Some(finding) = report.findings.iter().find(vouched) {
        b.push(next("Fasten it before the first cut"));
        b.push(text(format!("{} {}", finding.message, finding.remedy)));
        b.push(Block::Sign {
            lines: vec![
                "Held by (what)".to_string(),
                "Vouched for by (name)".to_string(),
            ],
        });
    }
    if s.holds.iter().any(|h| h.after_pause.is_some()) {
        b.push(next("To be fastened later, in the pauses"));
        b.push(hold_table(
            u,
            report,
            s,
            s.holds.iter().filter(|h| h.after_pause.is_some()),
        ));
    }
    let programs: Vec<&ProgramRow> = report.programs.iter().filter(|p| p.setup == s.id).collect();
    if !programs.is_empty() {
        b.push(next("Programs of this setup"));
        b.push(program_table(&programs));
    }
    if !s.cutters.is_empty() {
        b.push(next("Cutters, in order"));
        cutters(b, u, s);
    }
    b.push(next("Cuts, in running order"));
    b.push(text(format!(
        "About {}, without your pauses. To take up a stopped run: raise the cutter clear of the wood, fit the cutter of that cut, set zero again if it may be lost, and start the program at the last restart line before the place where it stopped. Short cuts share the line of a cut before them; what lies between is cut again, in the air.",
        duration(s.times.total)
    )));
    let machine = report.machine.as_ref();
    if machine.is_some_and(|m| m.spindle == SpindleSwitch::Hand) {
        b.push(text(
            "You switch the spindle of this machine: on before a program starts or goes on to a cut, also when you take up a stopped run, at the speed that its message or the table of cutters gives for the cutter that is in; off before you reach in, before a cutter is changed and at the end.",
        ));
    }
    b.push(order_table(u, report, s));
    let held = holds_of_pieces(u, report, s);
    if !held.is_empty() {
        b.push(next("What holds each piece, and how to free it"));
        b.push(Block::List {
            items: held,
            numbered: false,
        });
    }
    b.push(Block::Sign {
        lines: vec![
            format!("{} proved at the machine by (name)", s.id),
            "Date".to_string(),
        ],
    });
}

/// The cutters of a setup, why their feeds are what they are, and which of them are short.
fn cutters(b: &mut Vec<Block>, u: Show, s: &SetupRow) {
    b.push(cutter_table(u, &s.cutters));
    let reasons: Vec<String> = s
        .cutters
        .iter()
        .flat_map(|c| c.reasons.iter().map(move |r| format!("{}: {r}", c.label)))
        .collect();
    b.push(text(format!(
        "Feeds and speeds are starting points. {}",
        reasons.join(". ")
    )));
    for c in s.cutters.iter().filter(|c| c.stick_out > c.usable + 1e-9) {
        b.push(Block::Notice {
            tone: Tone::Caution,
            title: format!("Cutter {} is short", c.number),
            text: format!(
                "With {} out of the nut that it needs, and {} that it has, the nut comes nearer to wood and screws than the clearance asked for. Watch it in the first run above the wood.",
                u.with(c.stick_out),
                u.with(c.usable)
            ),
        });
    }
}

fn set_up(s: &SetupRow, u: Show, report: &ReportDocument) -> Vec<String> {
    let [thinnest, mean, thickest] = s.thickness;
    let up = s.turned.as_ref().map_or(Side::Face, |t| t.up);
    let (along, across) = match up {
        Side::Face | Side::Back => ("long (along the grain, along X)", "wide (along Y)"),
        Side::Near | Side::Far => ("long (along the grain, along X)", "thick (along Y)"),
        Side::LeftEnd | Side::RightEnd => ("wide (along X)", "thick (along Y)"),
    };
    let measured = match up {
        Side::Face | Side::Back => "Thickness",
        Side::Near | Side::Far => "Width",
        Side::LeftEnd | Side::RightEnd => "Length",
    };
    let mut items = vec![format!(
        "{} {} {along} and {} {across}.",
        match (&s.turned, s.kind.as_str()) {
            (Some(_), _) => "The piece is".to_string(),
            (None, "blank") => "The blank is".to_string(),
            _ => match &s.board {
                Some(board) => format!("The board is {board},"),
                None => "The board is".to_string(),
            },
        },
        u.with(s.size[0]),
        u.with(s.size[1])
    )];
    match &s.turned {
        Some(turned) => items.extend(turn_over(turned, u, report)),
        None => items.push(format!(
            "The picture shows the upper face: everything in it is cut from above, and {}.",
            turned_later(s, report)
        )),
    }
    items.push(if thickest - thinnest < 5e-4 {
        format!("{measured} measured: {}. Measure again; if it differs by more than {}, correct the job and make it again.", u.with(mean), u.with(0.2))
    } else {
        format!(
            "{measured} measured: {} to {} (mean {}). Measure again; if it lies outside, correct the job and make it again.",
            u.with(thinnest),
            u.with(thickest),
            u.with(mean)
        )
    });
    items.push(match &s.lines {
        Some(lines) => format!(
            "Lay it in the lines of {lines}, its edges against their inner walls. X and Y zero stay as they were set there: the blank's lower left corner."
        ),
        None => "X and Y zero: the lower left corner, where the picture shows the green mark.".to_string(),
    });
    items.push(match s.z_zero {
        ZZero::Top if s.lines.is_some() => "Z zero: set it anew, on the upper face of the blank, once it is fastened; the lines were cut with zero on the spoilboard. Depths in the programs are depths below that face.".to_string(),
        ZZero::Top if up.is_end() => "Z zero: on the upper end of the piece, once it is clamped, also where the other setups of this job have it on the spoilboard. Depths in the programs are depths below that end.".to_string(),
        ZZero::Bed => "Z zero: on the spoilboard, beside the wood. Heights in the programs are heights above the spoilboard.".to_string(),
        ZZero::Top => "Z zero: on the upper face of the wood, once it is fastened. Depths in the programs are depths below that face; set it again when screws have pulled the wood down.".to_string(),
    });
    if s.z_zero == ZZero::Top {
        items.push(match s.touch_off {
            Some([x, y]) => format!(
                "Set Z zero at X {} Y {}, marked Z in the picture: nothing is cut or fastened there, so it can be set there again after a change of cutters.",
                u.len(x),
                u.len(y)
            ),
            None => "No place of the face stays whole: set Z zero before the first cut, and again only where nothing has been cut yet.".to_string(),
        });
    }
    items.push(format!(
        "The cutter travels at Z {} between cuts: nothing may stand higher.",
        u.with(s.safe_z)
    ));
    if s.repeats > 1 {
        items.push(format!(
            "{} equal blanks are cut with these programs, one after the other.",
            s.repeats
        ));
    }
    items
}

/// What of a setup's pieces is turned over in a later one.
fn turned_later(s: &SetupRow, report: &ReportDocument) -> String {
    let here = |part: &str| {
        let mut pieces = s.placements.iter();
        pieces.any(|p| p.piece.split('#').next() == Some(part))
    };
    let later: Vec<String> = report
        .setups
        .iter()
        .filter_map(|other| Some((other, other.turned.as_ref()?)))
        .filter(|(_, turned)| here(&turned.part))
        .map(|(other, turned)| {
            let how = match turned.up {
                Side::Face | Side::Back => "is turned over",
                Side::Near | Side::Far => "stands on its edge",
                Side::LeftEnd | Side::RightEnd => "stands on its end",
            };
            format!("{} {how} in {}", report.part_called(&turned.part), other.id)
        })
        .collect();
    match later.is_empty() {
        true => "nothing is turned over".to_string(),
        false => later.join(", "),
    }
}

/// How to lay a piece with its back up, and how to see that it lies right.
fn turn_over(turned: &TurnedRow, u: Show, report: &ReportDocument) -> Vec<String> {
    vec![
        format!(
            "{}{} {} {}.",
            match turned.trim {
                true => "Trim its edges flush first, wherever tabs, bridges or a skin held it. ",
                false => "",
            },
            match turned.up.is_flat() {
                true => "Turn",
                false => "Stand",
            },
            report.part_called(&turned.part),
            match (turned.up, turned.over_end) {
                (Side::Near, _) =>
                    "on its far edge, the near edge up: the left end stays left, and the face is away from you. Support it by a fence or a cradle, so that it cannot tip. The picture shows the near edge from above",
                (Side::Far, _) =>
                    "on its near edge, the far edge up: the left end stays left, and the face is towards you. Support it by a fence or a cradle, so that it cannot tip. The picture shows the far edge from above",
                (Side::LeftEnd, _) =>
                    "upright on its right end, the left end up: the face is towards you, against two uprights, and the near edge lies left, against the third. Uprights are blocks, or a high fence, fixed square to the bed, that reach nearly to the upper end. Press the piece to those at its face by a clamp against its back, between them, where the back is whole wood; let a piece that is higher than the spindle leaves room for stand through the machine's open front, plumb. The picture shows the left end from above",
                (Side::RightEnd, _) =>
                    "upright on its left end, the right end up: the face is towards you, against two uprights, and the far edge lies left, against the third. Uprights are blocks, or a high fence, fixed square to the bed, that reach nearly to the upper end. Press the piece to those at its face by a clamp against its back, between them, where the back is whole wood; let a piece that is higher than the spindle leaves room for stand through the machine's open front, plumb. The picture shows the right end from above",
                (_, true) =>
                    "over about its end: the edge that lay near stays near, and the end that lay right lies left. The picture shows the back, which is up now",
                (_, false) =>
                    "over about its long edge: the end that lay left stays left, and the edge that lay far lies near. The picture shows the back, which is up now",
            }
        ),
        match &turned.control {
            Some(c) => format!(
                "Control measure, before you fasten it: from the {} to where the {} {} begins, on its {}, it is {}. If it is {}, {}: turn it again.",
                c.from,
                c.kind,
                c.feature,
                c.side.word(),
                u.with(c.distance),
                u.with(c.wrong),
                match turned.up.is_end() {
                    true => "the other end is up",
                    false => "the piece was turned the other way",
                }
            ),
            None => format!(
                "Nothing tells its two ways round apart: mark {} before you turn it, and see that it lies so.",
                match (turned.up.is_end(), turned.over_end) {
                    (true, _) => "the face and the upper end",
                    (false, true) => "the edge that stays near",
                    (false, false) => "the end that stays left",
                }
            ),
        },
    ]
}

/// What to do where the lines for blanks are cut, before any wood lies there.
fn set_up_lines(s: &SetupRow, u: Show, report: &ReportDocument) -> Vec<String> {
    let blanks: Vec<&str> = report
        .setups
        .iter()
        .filter(|b| b.lines.as_ref() == Some(&s.id))
        .map(|b| b.id.as_str())
        .collect();
    let count: u32 = report
        .setups
        .iter()
        .filter(|b| b.lines.as_ref() == Some(&s.id))
        .map(|b| b.repeats.max(1))
        .sum();
    let depth = s.cutters.iter().map(|c| c.deepest).fold(0.0, f64::max);
    vec![
        format!(
            "No wood lies on the machine yet. This program cuts lines {} deep into the spoilboard, once; the {count} blank{} of {} are then laid in them one after the other.",
            u.with(depth),
            if count == 1 { "" } else { "s" },
            blanks.join(", ")
        ),
        format!(
            "X and Y zero: a place of the spoilboard with {} free to the right and {} away from you, and a cutter's width all round. The blanks' lower left corner will lie there: keep this zero until they are all cut.",
            u.with(s.size[0]),
            u.with(s.size[1])
        ),
        "Z zero: on the spoilboard, beside that place.".to_string(),
    ]
}

/// How many holds stand side by side in a row of their table.
const HOLDS_A_ROW: usize = 4;

/// Holds of one kind stand together: what they are once, then number and place of each.
fn hold_table<'a>(
    u: Show,
    report: &ReportDocument,
    s: &SetupRow,
    holds: impl Iterator<Item = &'a HoldRow>,
) -> Block {
    let mut kinds: Vec<(String, Vec<&HoldRow>)> = Vec::new();
    for h in holds {
        let what = hold_words(u, report, s, h);
        match kinds.iter_mut().find(|k| k.0 == what) {
            Some(kind) => kind.1.push(h),
            None => kinds.push((what, vec![h])),
        }
    }
    let mut rows = Vec::new();
    for (what, of_kind) in kinds {
        rows.push(Row::whole(format!("{what}:")));
        for some in of_kind.chunks(HOLDS_A_ROW) {
            let mut cells: Vec<String> = some
                .iter()
                .flat_map(|h| [h.number.to_string(), u.len(h.at[0]), u.len(h.at[1])])
                .collect();
            cells.resize(3 * HOLDS_A_ROW, String::new());
            rows.push(Row::of(cells));
        }
    }
    let share = 1.0 / HOLDS_A_ROW as f64;
    Block::Table {
        header: ["No.", "X", "Y"]
            .repeat(HOLDS_A_ROW)
            .into_iter()
            .map(String::from)
            .collect(),
        widths: [0.2 * share, 0.4 * share, 0.4 * share].repeat(HOLDS_A_ROW),
        rows,
    }
}

/// What a hold is, when it is put in and what it holds.
fn hold_words(u: Show, report: &ReportDocument, s: &SetupRow, h: &HoldRow) -> String {
    let upright = s.turned.as_ref().is_some_and(|t| t.up.is_end());
    let mut words = vec![h.what.clone()];
    words.extend(h.screw.as_ref().map(|s| s.words.clone()));
    words.push(match h.at_most {
        Some(high) if upright => {
            format!("at most {} high over the foot of the piece", u.with(high))
        }
        Some(high) => format!("at most {} high over the spoilboard", u.with(high)),
        None if h.above > 0.0 => format!("stands {} above the face", u.with(h.above)),
        None => "head sunk".to_string(),
    });
    words.extend(h.after_pause.map(|p| format!("in pause {p}")));
    let of = h.of.as_deref().and_then(|of| of.split_once(" / "));
    words.push(match of {
        Some((piece, feature)) => format!("holds {}: {feature}", report.piece_called(piece)),
        None if upright => "keeps the piece upright".to_string(),
        None => "holds the board".to_string(),
    });
    words.join("; ")
}

fn cutter_table(u: Show, cutters: &[CutterRow]) -> Block {
    Block::Table {
        header: [
            "Number",
            "Cutter",
            "Diameter",
            "Deepest cut",
            "Out of the nut, at least",
            "rev/min",
            "Feed /min",
            "Down /min",
            "Time",
        ]
        .map(String::from)
        .to_vec(),
        widths: vec![0.08, 0.2, 0.09, 0.09, 0.12, 0.1, 0.12, 0.1, 0.1],
        rows: cutters
            .iter()
            .map(|c| {
                Row::of([
                    c.number.to_string(),
                    format!("{} ({})", c.label, c.id),
                    u.len(c.diameter),
                    u.len(c.deepest),
                    format!("{} of {}", u.len(c.stick_out), u.len(c.usable)),
                    range(c.rpm),
                    u.feeds(c.feed),
                    u.feeds(c.plunge),
                    duration(c.seconds.total()),
                ])
            })
            .collect(),
    }
}

fn order_table(u: Show, report: &ReportDocument, s: &SetupRow) -> Block {
    let mut rows = Vec::new();
    for o in &s.order {
        match o {
            OrderRow::Cutter {
                number,
                label,
                by_hand,
                in_pause,
                program,
                ..
            } => {
                let named = |word: &str| {
                    let name = program.as_ref();
                    name.map(|p| format!(" {word} {p}.")).unwrap_or_default()
                };
                rows.push(Row::whole(match (by_hand, in_pause) {
                    (_, true) => format!(
                        "The program pauses for a cutter. The spindle must stand still. Put in cutter {number}: {label}. Set Z zero again, \
                         then let the program go on.{}",
                        named("Still program")
                    ),
                    (true, false) => format!(
                        "Put in cutter {number}: {label}. Set Z zero again.{}",
                        named("Program")
                    ),
                    (false, false) => format!(
                        "The machine takes cutter {number}: {label}.{}",
                        named("Program")
                    ),
                }));
            }
            OrderRow::Pause {
                number, message, ..
            } => {
                rows.push(Row::whole(format!(
                    "Pause {number}. The spindle must stand still. {message}"
                )));
            }
            OrderRow::Cut(c) => rows.push(Row::of([
                format!("cut {}", c.number),
                c.piece
                    .as_deref()
                    .map(|p| report.piece_called(p))
                    .unwrap_or_default(),
                cut_words(c),
                u.len(c.depth),
                duration(c.seconds),
                restart_lines(c),
            ])),
        }
    }
    Block::Table {
        header: ["", "Piece", "What", "Depth", "Time", "Restart lines"]
            .map(String::from)
            .to_vec(),
        widths: vec![0.1, 0.24, 0.34, 0.1, 0.1, 0.12],
        rows,
    }
}

/// Where a cut can be taken up: at its line, and at those of its later pass levels.
fn restart_lines(c: &CutRow) -> String {
    let lines = c.line.iter().chain(&c.level_lines);
    let lines: Vec<String> = lines.map(u64::to_string).collect();
    lines.join(", ")
}

/// What holds the pieces once their outlines are cut: each kind of hold with the pieces that have it.
fn holds_of_pieces(u: Show, report: &ReportDocument, s: &SetupRow) -> Vec<String> {
    let mut kinds: Vec<(String, Vec<String>)> = Vec::new();
    for p in &s.placements {
        let what = match (p.hold.as_str(), p.skin) {
            ("tabs", _) => "Tabs, to be cut and trimmed".to_string(),
            ("skin", Some(skin)) => format!(
                "A skin of {}, to be cut with a knife and trimmed",
                u.with(skin)
            ),
            ("screws", _) => "Screws through the piece, whose holes are to be filled".to_string(),
            ("bridges", _) => {
                let to: Vec<String> = p
                    .bridges_to
                    .iter()
                    .map(|q| report.piece_called(q))
                    .collect();
                format!("Bridges to {}, to be sawn and trimmed", to.join(" and "))
            }
            _ => continue,
        };
        let name = report.piece_called(&p.piece);
        match kinds.iter_mut().find(|(w, _)| *w == what) {
            Some((_, pieces)) => pieces.push(name),
            None => kinds.push((what, vec![name])),
        }
    }
    let line = |(what, pieces): (String, Vec<String>)| format!("{what}: {}.", pieces.join("; "));
    kinds.into_iter().map(line).collect()
}

/// What a cut does: the setup's own steps say it themselves, and an outline is its own feature.
fn cut_words(c: &CutRow) -> String {
    if c.piece.is_none() {
        c.feature.clone()
    } else if c.feature == "outline" {
        c.operation.clone()
    } else {
        format!("{} {}", c.operation, c.feature)
    }
}

fn program_table(programs: &[&ProgramRow]) -> Block {
    Block::Table {
        header: ["File", "Time", "Lines", "Checked", "Checksum (SHA-256)"]
            .map(String::from)
            .to_vec(),
        widths: vec![0.32, 0.1, 0.08, 0.16, 0.34],
        rows: programs
            .iter()
            .map(|p| {
                let checked = match p.release {
                    Release::Released => "passed",
                    Release::Withheld => "withheld: do not run",
                    Release::Unverified => "not checked: the dialect cannot be read back",
                };
                Row::of([
                    p.file.clone(),
                    duration(p.seconds),
                    p.lines.to_string(),
                    checked.to_string(),
                    p.sha256.clone(),
                ])
            })
            .collect(),
    }
}

fn checks(sheet: &mut Sheet, u: Show, report: &ReportDocument) {
    let b = &mut sheet.blocks;
    b.push(heading("What was checked"));
    b.push(text(format!(
        "{} Every program was read back from its text. \"As planned\" compares its motions with the plan; \"safe\" takes the text alone and looks at what it would cut. Here stand the figures that have a limit; report.json has all. Those marked \"at most\" are conservative.",
        report.means
    )));
    for program in &report.programs {
        b.push(subheading(program.file.clone()));
        let mut rows = Vec::new();
        for (name, verdict) in [("as planned", &program.as_planned), ("safe", &program.safe)] {
            match verdict {
                None => rows.push(Row::whole(format!("{name}: not checked"))),
                Some(VerdictRow { passed, figures }) => {
                    rows.push(Row::whole(format!(
                        "{name}: {}",
                        if *passed { "passed" } else { "did not pass" }
                    )));
                    rows.extend(
                        figures
                            .iter()
                            .filter(|f| f.limit.is_some())
                            .map(|f| figure(u, f)),
                    );
                }
            }
        }
        b.push(Block::Table {
            header: ["Layer", "What", "Measured", "Allowed"]
                .map(String::from)
                .to_vec(),
            widths: vec![0.15, 0.45, 0.2, 0.2],
            rows,
        });
    }
}

/// Figures are small and large: four significant digits say enough.
fn figure(u: Show, f: &FigureRow) -> Row {
    let digits = |v: f64| {
        let text = format!("{v:.4}");
        let text = text.trim_end_matches('0').trim_end_matches('.');
        if text == "-0" {
            "0".to_string()
        } else {
            text.to_string()
        }
    };
    let value = f.value.map_or_else(
        || "nothing to measure".to_string(),
        |v| u.text(&format!("{} {}", digits(v), f.unit)),
    );
    let value = if f.exact || f.value.is_none() {
        value
    } else {
        format!("at most {value}")
    };
    Row::of([
        f.layer.clone(),
        u.text(&f.what),
        value,
        f.limit
            .map(|l| u.text(&format!("{} {}", digits(l), f.unit)))
            .unwrap_or_default(),
    ])
}
