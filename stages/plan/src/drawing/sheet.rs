//! One drawing of the job: its entities accounted for, its contours joined, grouped and named.

mod choosing;
mod drawn_part;
mod joining;
mod owning;
mod sorting;
mod stretches;

use self::joining::Told;
use super::layers::{Making, Rules};
use super::{Made, bad_id, good_id, parts};
use grainway_geom::{Contour, Point};
use grainway_import::entity::{Content, Refusal};
use grainway_import::shapes::Problems;
use grainway_import::{dxf, svg};
use grainway_pipeline::doc::{Drawing, Layout, Pointer};
use grainway_pipeline::finding::{CodeInfo, Finding, code};
use grainway_pipeline::stage::Files;
use grainway_pipeline::work::Balance;
use std::collections::BTreeMap;
use std::sync::Arc;

/// What became of an entity.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Fate {
    Used,
    Ignored,
    Warned,
}

/// A contour and what its layer makes of it.
struct Shaped<'a> {
    layer: Arc<str>,
    making: Making<'a>,
    contour: Contour,
    entities: Vec<usize>,
    /// What is said about it if it is used.
    findings: Vec<Finding>,
}

/// A contour that cannot be cut.
struct Faulty {
    layer: Arc<str>,
    contour: Contour,
    entities: Vec<usize>,
    findings: Vec<Finding>,
}

/// Reads one drawing into parts.
pub(super) fn read_drawing<'d>(
    doc: &'d Drawing,
    pointer: &Pointer,
    files: &dyn Files,
    made: &mut Made<'d>,
) {
    let fine = check(doc, pointer, made);
    let rules = Rules::compile(&doc.layers, pointer, &mut made.findings);
    let Some(content) = load(doc, pointer, files, made) else {
        return;
    };
    for remark in &content.remarks {
        made.findings.push(
            Finding::new(&code::ENTITY_NOT_READ, remark.clone()).pointer(pointer.step("file")),
        );
    }
    let mut reading = Reading {
        doc,
        pointer,
        made,
        fates: vec![None; content.entities.len()],
        content: &content,
    };
    let candidates = reading.sort_out(&rules);
    let (shaped, faulty) = reading.shape(candidates);
    let (shaped, faulty) = reading.choose(shaped, faulty);
    reading.group(shaped, faulty, fine);
    reading.balance();
}

/// The description itself, before the file is opened. False when no part can be made of it.
fn check(doc: &Drawing, pointer: &Pointer, made: &mut Made<'_>) -> bool {
    let mut problems = Problems::default();
    let mut fine = good_id(made.documents.own_name(&doc.id));
    if !fine {
        problems.findings.push(bad_id(&doc.id, pointer.step("id")));
    }
    fine &= parts::check_count(
        doc.copies,
        "number of copies",
        &pointer.step("copies"),
        &mut problems.findings,
    );
    if let Some(join) = doc.join {
        problems.positive(
            join,
            &pointer.step("join"),
            "distance within which ends are joined",
        );
    }
    if let Some(gap) = doc.sheet_gap {
        problems.not_negative(gap, &pointer.step("sheet-gap"), "gap between sheets");
    }
    if let Some(board) = &doc.board {
        problems.positive(
            board.length,
            &pointer.step("board").step("length"),
            "board's length",
        );
        problems.positive(
            board.width,
            &pointer.step("board").step("width"),
            "board's width",
        );
        if let Some(at) = board.parts_at {
            problems.place(at, &pointer.step("board").step("parts-at"));
        }
        if doc.layout != Layout::AsDrawn {
            let message = "A board is given, which only serves the layout as-drawn.";
            problems.say(&code::DOCUMENT_INVALID, &pointer.step("board"), message);
        }
    }
    made.findings.append(&mut problems.findings);
    made.check_stock(&doc.stock, None, pointer);
    for (i, rule) in doc.layers.iter().enumerate() {
        made.check_cutter(rule.cutter.as_ref(), None, &pointer.step("layers").step(i));
    }
    fine
}

fn load(
    doc: &Drawing,
    pointer: &Pointer,
    files: &dyn Files,
    made: &mut Made<'_>,
) -> Option<Content> {
    let at = pointer.step("file");
    let mut refuse = |info: &'static CodeInfo, message: String| {
        made.findings
            .push(Finding::new(info, message).pointer(at.clone()));
        None
    };
    let extension = doc
        .file
        .rsplit_once('.')
        .map(|(_, e)| e.to_ascii_lowercase());
    let bytes = match files.read(&doc.file) {
        Ok(bytes) => bytes,
        Err(e) => return refuse(&code::CANNOT_READ, format!("{e}.")),
    };
    let content = match extension.as_deref() {
        Some("dxf") => dxf::read(&bytes, doc.unit),
        Some("svg") => svg::read(&bytes, doc.unit),
        _ => {
            return refuse(
                &code::CANNOT_READ,
                format!("{} is neither a .dxf nor an .svg file.", doc.file),
            );
        }
    };
    match content {
        Ok(content) => Some(content),
        Err(Refusal::Damaged(why)) => refuse(
            &code::DRAWING_DAMAGED,
            format!("{} is damaged: {why}.", doc.file),
        ),
        Err(Refusal::Unit(why)) => refuse(&code::DRAWING_UNIT, format!("{}: {why}", doc.file)),
    }
}

struct Reading<'r, 'm, 'd> {
    doc: &'d Drawing,
    pointer: &'r Pointer,
    made: &'m mut Made<'d>,
    content: &'r Content,
    fates: Vec<Option<Fate>>,
}

impl<'d> Reading<'_, '_, 'd> {
    fn find(
        &mut self,
        info: &'static CodeInfo,
        at: Option<Point>,
        message: String,
    ) -> &mut Finding {
        let mut f = Finding::new(info, message).pointer(self.pointer.step("file"));
        if let Some(at) = at {
            f = f.at(at);
        }
        self.made.findings.push(f);
        let last = self.made.findings.len() - 1;
        &mut self.made.findings[last]
    }

    fn settle(&mut self, entities: &[usize], fate: Fate) {
        for e in entities {
            self.fates[*e] = Some(fate);
        }
    }

    fn told(&self, (info, at, message): Told) -> Finding {
        let f = Finding::new(info, message).pointer(self.pointer.step("file"));
        match at {
            Some(at) => f.at(at),
            None => f,
        }
    }

    fn balance(&mut self) {
        let mut layers: BTreeMap<&str, [u64; 4]> = BTreeMap::new();
        let mut all = [0; 4];
        for (e, fate) in self.content.entities.iter().zip(&self.fates) {
            let column = match fate {
                Some(Fate::Used) => 1,
                Some(Fate::Ignored) => 2,
                // Nothing is left undecided; were it, it would be no use.
                Some(Fate::Warned) | None => 3,
            };
            for counts in [&mut all, layers.entry(&e.layer).or_default()] {
                counts[0] += 1;
                counts[column] += 1;
            }
        }
        self.made.balances.push(Balance {
            drawing: self.doc.id.clone(),
            file: self.doc.file.clone(),
            read: all[0],
            used: all[1],
            ignored: all[2],
            warned: all[3],
            layers: layers
                .into_iter()
                .map(|(l, c)| (l.to_string(), c[0], c[1], c[2], c[3]))
                .collect(),
        });
    }
}
