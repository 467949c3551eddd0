//! Reads drawings and described parts into contours and features.
//!
//! Import reads a drawing into entities and joins runs of one layer into contours; the job's layer rules say what they become
//! ([`layers`]), and contours are grouped into parts ([`group`]). Parts described in the job are made from their shapes ([`parts`]).
//! Everything that is read is accounted for: read = used + ignored + warned.

pub(crate) mod group;
mod joints;
mod layers;
mod parts;
mod sheet;

use grainway_geom::{Bounds, point};
use grainway_pipeline::doc::{Length, Pointer};
use grainway_pipeline::finding::{Finding, code};
use grainway_pipeline::stage::{Cx, Description, Stop, TypedStage};
use grainway_pipeline::work::{Balance, Documents, Part, Work};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// Settings of the drawing stage.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields, default)]
pub struct DrawingSettings {
    /// How far bands described in the job (`across`, `along`, `at-end`, `at-edge`) run out over the part's edge, a length. At least
    /// the radius of the cutter that clears them and 1 mm; 8 mm serve cutters up to 14 mm.
    pub run_out: Length,
}

impl Default for DrawingSettings {
    fn default() -> Self {
        DrawingSettings {
            run_out: Length::from_mm(8.0),
        }
    }
}

/// The drawing stage.
#[derive(Clone, Copy, Debug, Default)]
pub struct Drawing;

impl TypedStage for Drawing {
    type Settings = DrawingSettings;
    fn describe(&self) -> Description {
        Description {
            name: "drawing",
            version: 2,
            summary: "Reads drawings and described parts into contours and features.",
            needs: &[],
            gives: &["parts"],
            spoils: &[
                "variants", "corners", "engraved", "steps", "placed", "held", "ordered",
                "programs", "verified", "reported",
            ],
        }
    }
    fn run(&self, work: &mut Work, settings: &Self::Settings, cx: &Cx<'_>) -> Result<(), Stop> {
        let job = &work.documents.job;
        let mut made = Made {
            documents: &work.documents,
            run_out: settings.run_out.mm(),
            ..Made::new(&work.documents)
        };
        let mut drawings: BTreeMap<&str, usize> = BTreeMap::new();
        let total = job.drawings.len() + job.parts.len();
        for (i, doc) in job.drawings.iter().enumerate() {
            cx.check()?;
            cx.progress.at("drawing", i, total);
            let pointer = Pointer::job().step("drawings").step(i);
            if let Some(before) = drawings.insert(&doc.id, i) {
                let message = format!("The id {} is that of /drawings/{before} already.", doc.id);
                made.findings
                    .push(Finding::new(&code::DUPLICATE_ID, message).pointer(pointer.step("id")));
            }
            sheet::read_drawing(doc, &pointer, cx.files, &mut made);
        }
        for (i, doc) in job.parts.iter().enumerate() {
            cx.check()?;
            cx.progress.at("drawing", job.drawings.len() + i, total);
            parts::described(doc, &Pointer::job().step("parts").step(i), &mut made);
        }
        joints::apply(&mut made);
        if job.drawings.is_empty() && job.parts.is_empty() {
            let message = "The job has neither drawings nor parts.";
            made.findings.push(
                Finding::new(&code::NOTHING_TO_MAKE, message).pointer(Pointer::job().step("parts")),
            );
        }
        let Made {
            mut parts,
            balances,
            findings,
            ..
        } = made;
        parts.sort_by(|a, b| a.id.cmp(&b.id));
        let mut findings = findings;
        // All of it is made as the other hand.
        parts.retain(|p| p.count > 0);
        parts::asked(&work.documents, &mut parts, &mut findings);
        parts::in_sets(&work.documents, &mut parts, &mut findings);
        work.parts = parts;
        work.balances = balances;
        work.findings.extend(findings);
        Ok(())
    }
}

/// What the stage has made so far.
struct Made<'a> {
    documents: &'a Documents,
    run_out: f64,
    parts: Vec<Part>,
    balances: Vec<Balance>,
    findings: Vec<Finding>,
    /// Where each id was given.
    ids: BTreeMap<String, Pointer>,
}

impl<'a> Made<'a> {
    fn new(documents: &'a Documents) -> Made<'a> {
        Made {
            documents,
            run_out: 0.0,
            parts: Vec::new(),
            balances: Vec::new(),
            findings: Vec::new(),
            ids: BTreeMap::new(),
        }
    }

    /// The boxes in which the features of a part with this face are described, of edges and ends as far as the stock is known.
    fn frames(&self, face: Bounds, stock: &str) -> parts::Frames {
        let readings = self.documents.stock(stock).map(|s| s.readings_mm());
        let thickness = readings.map_or(0.0, |r| r.1);
        let standing = |long| Bounds {
            min: point(0.0, 0.0),
            max: point(long, thickness),
        };
        parts::Frames {
            face,
            edge: standing(face.width()),
            end: standing(face.height()),
        }
    }

    /// Takes in a part and so many of its other hand.
    fn take_hands(&mut self, part: Part, mirrored: u32, pointer: &Pointer) {
        let other = (mirrored > 0).then(|| parts::other_hand(&part, mirrored));
        self.take(part, pointer);
        if let Some(other) = other {
            self.take(other, pointer);
        }
    }

    /// Takes a part in, unless its id is taken.
    fn take(&mut self, part: Part, pointer: &Pointer) {
        if let Some(before) = self.ids.get(&part.id) {
            let place = before.place();
            let message = format!("The part's id {} is given at {place} already.", part.id);
            self.findings.push(
                Finding::new(&code::DUPLICATE_ID, message)
                    .part(part.id)
                    .pointer(pointer.clone()),
            );
            return;
        }
        self.ids.insert(part.id.clone(), pointer.clone());
        self.parts.push(part);
    }

    /// A finding when no stock has this name.
    fn check_stock(&mut self, stock: &str, part: Option<&str>, pointer: &Pointer) {
        let stocks = self.documents.stocks();
        if !stocks.contains_key(stock) {
            let mut f =
                unknown("stock", stock, stocks.keys().copied()).pointer(pointer.step("stock"));
            f.part = part.map(str::to_string);
            self.findings.push(f);
        }
    }

    /// A finding when no cutter has this name.
    fn check_cutter(&mut self, cutter: Option<&String>, part: Option<&str>, pointer: &Pointer) {
        let cutters = &self.documents.shop.cutters;
        if let Some(name) = cutter.filter(|c| !cutters.contains_key(*c)) {
            let mut f = unknown("cutter", name, cutters.keys().map(String::as_str))
                .pointer(pointer.step("cutter"));
            f.part = part.map(str::to_string);
            self.findings.push(f);
        }
    }
}

/// "There is no stock ply-21; the nearest is ply-12."
fn unknown<'n>(what: &str, name: &str, known: impl IntoIterator<Item = &'n str>) -> Finding {
    let known: Vec<&str> = known.into_iter().collect();
    let near = match grainway_pipeline::chain::nearest(name, known.iter().copied()) {
        Some(n) => format!("the nearest is {n}"),
        None if known.is_empty() => "none is defined".to_string(),
        None => format!("known are {}", known.join(", ")),
    };
    Finding::new(
        &code::UNKNOWN_NAME,
        format!("There is no {what} {name}; {near}."),
    )
}

/// An id is 1 to 80 of letters, digits, `.`, `_` and `-`, and does not begin with a point.
fn good_id(id: &str) -> bool {
    (1..=80).contains(&id.len())
        && !id.starts_with('.')
        && id
            .bytes()
            .all(|b| b.is_ascii_alphanumeric() || matches!(b, b'.' | b'_' | b'-'))
}

/// The finding about an id that is none.
fn bad_id(id: &str, pointer: Pointer) -> Finding {
    let shown: String = id.chars().take(90).collect();
    Finding::new(&code::BAD_ID, format!("\"{shown}\" cannot be an id.")).pointer(pointer)
}

#[cfg(test)]
mod tests;
#[cfg(test)]
pub(crate) mod trial;
