//! One drawing of the job: its entities accounted for, its contours joined, grouped and named.

use super::group;
use super::layers::{Making, Meaning, Rules};
use super::{Made, bad_id, good_id, parts, unknown};
use crate::lies::{Lies, lies};
use grainway_geom::{Bounds, Contour, Point};
use grainway_import::entity::{Content, Entity, Refusal, Run, What};
use grainway_import::join::{self, Joined};
use grainway_import::shapes::{Problems, show};
use grainway_import::{dxf, svg};
use grainway_pipeline::doc::escaped;
use grainway_pipeline::doc::{Depth, Drawing, DrawnPart, FeatureKind, Layout};
use grainway_pipeline::finding::{CodeInfo, Finding, Severity, code};
use grainway_pipeline::stage::Files;
use grainway_pipeline::tolerance::{IMPORT_MM, LAYER_SIZE_MM};
use grainway_pipeline::work::{Balance, Feature, Grain, Part, Source};
use std::collections::{BTreeMap, BTreeSet};
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
    at: Option<Point>,
    entities: Vec<usize>,
    findings: Vec<Finding>,
}

/// What could not be read: layer, type, whether it is broken, and why.
type Unread = (Arc<str>, Arc<str>, bool, String);

/// Reads one drawing into parts.
pub(super) fn read_drawing<'d>(
    doc: &'d Drawing,
    pointer: &str,
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
            Finding::new(&code::ENTITY_NOT_READ, remark.clone()).pointer(format!("{pointer}/file")),
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
    reading.group(shaped, faulty, fine);
    reading.balance();
}

/// The description itself, before the file is opened. False when no part can be made of it.
fn check(doc: &Drawing, pointer: &str, made: &mut Made<'_>) -> bool {
    let mut problems = Problems::default();
    let mut fine = good_id(&doc.id);
    if !fine {
        problems
            .findings
            .push(bad_id(&doc.id, format!("{pointer}/id")));
    }
    fine &= parts::check_count(
        doc.copies,
        "number of copies",
        &format!("{pointer}/copies"),
        &mut problems.findings,
    );
    if let Some(join) = doc.join {
        problems.positive(
            join,
            &format!("{pointer}/join"),
            "distance within which ends are joined",
        );
    }
    if let Some(gap) = doc.sheet_gap {
        problems.not_negative(gap, &format!("{pointer}/sheet-gap"), "gap between sheets");
    }
    if let Some(board) = &doc.board {
        problems.positive(
            board.length,
            &format!("{pointer}/board/length"),
            "board's length",
        );
        problems.positive(
            board.width,
            &format!("{pointer}/board/width"),
            "board's width",
        );
        if let Some(at) = board.parts_at {
            problems.place(at, &format!("{pointer}/board/parts-at"));
        }
        if doc.layout != Layout::AsDrawn {
            let message = "A board is given, which only serves the layout as-drawn.";
            problems.say(
                &code::DOCUMENT_INVALID,
                &format!("{pointer}/board"),
                message,
            );
        }
    }
    made.findings.append(&mut problems.findings);
    made.check_stock(&doc.stock, None, pointer);
    for (i, rule) in doc.layers.iter().enumerate() {
        made.check_cutter(rule.cutter.as_ref(), None, &format!("{pointer}/layers/{i}"));
    }
    fine
}

fn load(doc: &Drawing, pointer: &str, files: &dyn Files, made: &mut Made<'_>) -> Option<Content> {
    let at = format!("{pointer}/file");
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
    pointer: &'r str,
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
        let mut f = Finding::new(info, message).pointer(format!("{}/file", self.pointer));
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

    /// Decides about everything that is not a contour to make; gives the rest by layer.
    fn sort_out(&mut self, rules: &Rules<'d>) -> BTreeMap<Arc<str>, (Making<'d>, Vec<usize>)> {
        let content = self.content;
        let mut meanings: BTreeMap<Arc<str>, Meaning<'d>> = BTreeMap::new();
        for e in &content.entities {
            for layer in std::iter::once(&e.layer).chain(&e.around) {
                if !meanings.contains_key(layer) {
                    // A layer that only holds insertions or things left out need not have a meaning that can be used.
                    let meaning = rules.meaning(layer, content.unit_mm, &mut self.made.findings);
                    meanings.insert(layer.clone(), meaning);
                }
            }
        }
        let ignores = |l: &Arc<str>| matches!(meanings.get(l), Some(Meaning::Ignored));
        let mut make: BTreeMap<Arc<str>, (Making<'d>, Vec<usize>)> = BTreeMap::new();
        let mut unmatched: BTreeMap<Arc<str>, Vec<usize>> = BTreeMap::new();
        let mut unread: BTreeMap<Unread, Vec<usize>> = BTreeMap::new();
        let mut buried: BTreeMap<(Arc<str>, Arc<str>), Vec<usize>> = BTreeMap::new();
        for (i, e) in content.entities.iter().enumerate() {
            let meaning = meanings.get(&e.layer);
            self.fates[i] = if e.hidden.is_some() {
                Some(Fate::Ignored)
            } else if let Some(outer) = e.around.iter().find(|l| ignores(l)) {
                if matches!(meaning, Some(Meaning::Make(_))) && !matches!(e.what, What::Container) {
                    buried
                        .entry((outer.clone(), e.layer.clone()))
                        .or_default()
                        .push(i);
                }
                Some(Fate::Ignored)
            } else if ignores(&e.layer) {
                Some(Fate::Ignored)
            } else if matches!(e.what, What::Container) {
                Some(Fate::Used)
            } else {
                match (meaning, &e.what) {
                    (Some(Meaning::Make(making)), What::Run(_)) => {
                        make.entry(e.layer.clone())
                            .or_insert_with(|| (making.clone(), Vec::new()))
                            .1
                            .push(i);
                        None
                    }
                    (Some(Meaning::Make(_)), What::Other(why) | What::Broken(why)) => {
                        let broken = matches!(e.what, What::Broken(_));
                        unread
                            .entry((e.layer.clone(), e.kind.clone(), broken, why.clone()))
                            .or_default()
                            .push(i);
                        Some(Fate::Warned)
                    }
                    (Some(Meaning::Unusable), _) => Some(Fate::Warned),
                    _ => {
                        unmatched.entry(e.layer.clone()).or_default().push(i);
                        Some(Fate::Warned)
                    }
                }
            };
        }
        for (layer, list) in unmatched {
            let known: Vec<&str> = self.doc.layers.iter().map(|r| r.layer.as_str()).collect();
            let message = format!(
                "No rule matches the layer {layer}, which holds {}; they were left out. Rules: {}.",
                count_kinds(&content.entities, &list),
                if known.is_empty() {
                    "none".to_string()
                } else {
                    known.join(", ")
                }
            );
            let at = content.entities[list[0]].at;
            self.find(&code::LAYER_UNMATCHED, at, message);
        }
        for ((layer, kind, broken, why), list) in unread {
            let first = &content.entities[list[0]];
            let message = if list.len() == 1 {
                format!("A {kind} on the layer {layer} {why}; it was left out.")
            } else {
                format!(
                    "{} of type {kind} on the layer {layer} were left out: each {why}. The first is named here.",
                    list.len()
                )
            };
            let severity = if broken {
                Severity::Error
            } else {
                Severity::Warning
            };
            self.find(&code::ENTITY_NOT_READ, first.at, message)
                .severity = severity;
        }
        for ((outer, layer), list) in buried {
            let message = format!(
                "{} on the layer {layer} lie in a block inserted on the ignored layer {outer}, and were ignored with it.",
                count_kinds(&content.entities, &list)
            );
            let at = content.entities[list[0]].at;
            self.find(&code::BLOCK_IGNORED, at, message);
        }
        make
    }

    /// Joins what is to be made, layer by layer, into contours that can be cut and contours that cannot.
    fn shape(
        &mut self,
        candidates: BTreeMap<Arc<str>, (Making<'d>, Vec<usize>)>,
    ) -> (Vec<Shaped<'d>>, Vec<Faulty>) {
        let tolerance = self
            .doc
            .join
            .map(|j| j.mm())
            .filter(|j| j.is_finite() && *j > 0.0)
            .unwrap_or(IMPORT_MM);
        let content = self.content;
        let (mut shaped, mut faulty) = (Vec::new(), Vec::new());
        for (layer, (making, list)) in candidates {
            let runs: Vec<(usize, &Run)> = list
                .iter()
                .filter_map(|i| match &content.entities[*i].what {
                    What::Run(run) => Some((*i, run)),
                    _ => None,
                })
                .collect();
            let chains = join::join(&runs, tolerance);
            if let Some((_, at)) = chains.doubles.first() {
                let message = match chains.doubles.len() {
                    1 => format!(
                        "A line on the layer {layer} lies over another one and was dropped."
                    ),
                    n => format!(
                        "{n} lines on the layer {layer} lie over others and were dropped; the first is named here."
                    ),
                };
                self.find(&code::DOUBLE_DROPPED, Some(*at), message);
                let doubles: Vec<usize> = chains.doubles.iter().map(|d| d.0).collect();
                self.settle(&doubles, Fate::Warned);
            }
            for Joined { contour, entities } in chains.joined {
                let judging = Judging {
                    layer: &layer,
                    making: &making,
                    contour: &contour,
                    tolerance,
                };
                match judging.judge() {
                    Ok(told) => {
                        let findings = told.into_iter().map(|t| self.told(t)).collect();
                        let contour = if contour.closed {
                            contour.oriented(true)
                        } else {
                            contour
                        };
                        shaped.push(Shaped {
                            layer: layer.clone(),
                            making: making.clone(),
                            contour,
                            entities,
                            findings,
                        });
                    }
                    Err(told) => {
                        let findings = vec![self.told(told)];
                        faulty.push(Faulty {
                            at: contour.start(),
                            entities,
                            findings,
                        });
                    }
                }
            }
        }
        (shaped, faulty)
    }

    fn told(&self, (info, at, message): Told) -> Finding {
        let f = Finding::new(info, message).pointer(format!("{}/file", self.pointer));
        match at {
            Some(at) => f.at(at),
            None => f,
        }
    }

    // --- Grouping ------------------------------------------------------------------------------------------------------------------

    fn group(&mut self, shaped: Vec<Shaped<'d>>, faulty: Vec<Faulty>, fine: bool) {
        let (outlines, features): (Vec<Shaped<'d>>, Vec<Shaped<'d>>) = shaped
            .into_iter()
            .partition(|s| s.making.kind == FeatureKind::Outline);
        if outlines.is_empty() {
            let message = format!(
                "The drawing {} has no closed outline, so it gives no part.",
                self.doc.id
            );
            self.find(&code::NOTHING_TO_MAKE, None, message);
            let all: Vec<usize> = features.iter().flat_map(|f| f.entities.clone()).collect();
            self.settle(&all, Fate::Warned);
            for f in faulty {
                self.settle(&f.entities, Fate::Warned);
                self.made.findings.extend(f.findings);
            }
            return;
        }
        let boxes: Vec<Bounds> = outlines.iter().map(|o| o.contour.bounds()).collect();
        let gap = self
            .doc
            .sheet_gap
            .map(|g| g.mm())
            .filter(|g| g.is_finite() && *g >= 0.0);
        let sheets = group::sheets(&boxes, gap);
        let mut sheet_of = vec![0; outlines.len()];
        for (s, list) in sheets.iter().enumerate() {
            for i in list {
                sheet_of[*i] = s;
            }
        }
        let chosen = self.chosen_sheets(sheets.len());
        let mut owned: Vec<Vec<Shaped<'d>>> = outlines.iter().map(|_| Vec::new()).collect();
        for f in features {
            match owner(&f.contour, &outlines, &boxes) {
                Some(o) if chosen.contains(&sheet_of[o]) => owned[o].push(f),
                Some(_) => self.settle(&f.entities, Fate::Ignored),
                None => {
                    let at = f.contour.start();
                    if !chosen.contains(&sheet_by(
                        &outlines,
                        &sheet_of,
                        Some(f.contour.bounds().centre()),
                    )) {
                        self.settle(&f.entities, Fate::Ignored);
                        continue;
                    }
                    let message = format!(
                        "A {} on the layer {} lies in no outline; it will not be cut.",
                        f.making.kind.word(),
                        f.layer
                    );
                    self.find(&code::CONTOUR_IN_NO_OUTLINE, at, message);
                    self.settle(&f.entities, Fate::Warned);
                }
            }
        }
        for f in faulty {
            if chosen.contains(&sheet_by(&outlines, &sheet_of, f.at)) {
                self.settle(&f.entities, Fate::Warned);
                self.made.findings.extend(f.findings);
            } else {
                self.settle(&f.entities, Fate::Ignored);
            }
        }
        self.check_outlines(&outlines, &owned, &boxes);
        let mut keys_used = BTreeSet::new();
        let mut natural_ids = Vec::new();
        let mut owned: Vec<Option<Vec<Shaped<'d>>>> = owned.into_iter().map(Some).collect();
        for (s, list) in sheets.iter().enumerate() {
            let own_boxes: Vec<Bounds> = list.iter().map(|i| boxes[*i]).collect();
            for (n, k) in group::reading_order(&own_boxes).into_iter().enumerate() {
                let i = list[k];
                let sheet = if sheets.len() > 1 {
                    format!("-{}", s + 1)
                } else {
                    String::new()
                };
                let natural = format!("{}{sheet}/{}", self.doc.id, n + 1);
                natural_ids.push(natural.clone());
                if !chosen.contains(&s) {
                    self.settle(&outlines[i].entities, Fate::Ignored);
                    if self.doc.parts.contains_key(&natural) {
                        keys_used.insert(natural);
                    }
                    continue;
                }
                let features = owned[i].take().unwrap_or_default();
                if let Some(key) = self.part(&outlines[i], features, &natural, s as u32 + 1, fine) {
                    keys_used.insert(key);
                }
            }
        }
        for key in self.doc.parts.keys().filter(|k| !keys_used.contains(*k)) {
            let place = format!("{}/parts/{}", self.pointer, escaped(key));
            let f =
                unknown("drawn part", key, natural_ids.iter().map(String::as_str)).pointer(place);
            self.made.findings.push(f);
        }
    }

    /// Indices of the sheets to make.
    fn chosen_sheets(&mut self, count: usize) -> BTreeSet<usize> {
        let Some(wanted) = &self.doc.sheets else {
            return (0..count).collect();
        };
        let mut chosen = BTreeSet::new();
        for (i, n) in wanted.iter().enumerate() {
            let index = (*n as usize).wrapping_sub(1);
            if index < count {
                chosen.insert(index);
            } else {
                let message = format!(
                    "There is no sheet {n}; the drawing has {count}, told apart by gaps above `sheet-gap`."
                );
                let f = Finding::new(&code::UNKNOWN_NAME, message)
                    .pointer(format!("{}/sheets/{i}", self.pointer));
                self.made.findings.push(f);
            }
        }
        if wanted.is_empty() {
            let f = Finding::new(
                &code::DOCUMENT_INVALID,
                "The list of sheets is empty; leave it out to make all.",
            )
            .pointer(format!("{}/sheets", self.pointer));
            self.made.findings.push(f);
        }
        chosen
    }

    /// Outlines may lie in another part's cutout, and nowhere else in one another.
    fn check_outlines(
        &mut self,
        outlines: &[Shaped<'d>],
        owned: &[Vec<Shaped<'d>>],
        boxes: &[Bounds],
    ) {
        for i in 0..outlines.len() {
            for j in 0..outlines.len() {
                if i == j || !boxes[i].touches(boxes[j]) {
                    continue;
                }
                let (inner, outer) = (&outlines[i].contour, &outlines[j].contour);
                let how = lies(inner, outer);
                let at = inner.start();
                if how == Lies::Across && i < j && lies(outer, inner) != Lies::Inside {
                    let message = format!(
                        "Two outlines overlap; both are on the layer {}.",
                        outlines[i].layer
                    );
                    self.find(&code::OUTLINES_OVERLAP, at, message);
                } else if how == Lies::Inside && (inner.area() < outer.area() || i < j) {
                    let in_cutout = owned[j].iter().any(|f| {
                        f.making.kind == FeatureKind::Cutout
                            && lies(inner, &f.contour) == Lies::Inside
                    });
                    if !in_cutout {
                        let message = format!(
                            "An outline on the layer {} lies inside another one.",
                            outlines[i].layer
                        );
                        self.find(&code::OUTLINES_OVERLAP, at, message);
                    }
                }
            }
        }
    }

    /// Makes the part of an outline. Gives the key of the job's `parts` that it used.
    fn part(
        &mut self,
        outline: &Shaped<'d>,
        features: Vec<Shaped<'d>>,
        natural: &str,
        sheet: u32,
        fine: bool,
    ) -> Option<String> {
        let doc = self.doc;
        let entities: Vec<usize> = features
            .iter()
            .flat_map(|f| f.entities.clone())
            .chain(outline.entities.clone())
            .collect();
        self.settle(&entities, Fate::Used);
        for told in std::iter::once(outline).chain(&features) {
            self.made.findings.extend(told.findings.iter().cloned());
        }
        let key = doc.parts.contains_key(natural).then(|| natural.to_string());
        let given = doc.parts.get(natural);
        let place = format!("{}/parts/{}", self.pointer, escaped(natural));
        let mut id = natural.to_string();
        let mut fits = fine;
        if let Some(own) = given.and_then(|g| g.id.as_ref()) {
            if good_id(own) {
                id.clone_from(own);
            } else {
                self.made.findings.push(bad_id(own, format!("{place}/id")));
                fits = false;
            }
        }
        let as_drawn = doc.layout == Layout::AsDrawn;
        let count = given.map_or(1, |g| g.count);
        if parts::check_count(
            count,
            "count",
            &format!("{place}/count"),
            &mut self.made.findings,
        ) {
            if as_drawn && count != 1 {
                let message = format!(
                    "The count is {count}, but with layout as-drawn each drawn part is made once; use `copies` for the whole drawing."
                );
                let f = Finding::new(&code::BAD_NUMBER, message)
                    .part(&id)
                    .pointer(format!("{place}/count"));
                self.made.findings.push(f);
            }
        } else {
            fits = false;
        }
        let bounds = outline.contour.bounds();
        let by = -bounds.min;
        let size = Bounds {
            min: Point::default(),
            max: bounds.max - bounds.min,
        };
        let mut own = self.features(features, by, sheet);
        own.extend(self.added(given, &id, &place, size));
        self.warn_of_outline_depth(outline);
        let part = Part {
            id,
            name: given.and_then(|g| g.name.clone()),
            count: count.saturating_mul(doc.copies),
            stock: doc.stock.clone(),
            grain: Grain::AlongX,
            outline: outline.contour.shifted(by),
            outline_relief: outline.making.rule.relief.clone(),
            dimensioned: false,
            features: parts::finish(own),
            outline_cutter: outline.making.rule.cutter.clone(),
            source: Source {
                drawing: Some(doc.id.clone()),
                sheet,
                layer: Some(outline.layer.to_string()),
                at: bounds.min,
                pointer: given.map(|_| place.clone()),
            },
            as_drawn,
        };
        if fits {
            let at = if given.is_some_and(|g| g.id.is_some()) {
                format!("{place}/id")
            } else {
                format!("{}/id", self.pointer)
            };
            self.made.take(part, &at);
        }
        key
    }

    /// Features that the job adds to a drawn part.
    fn added(
        &mut self,
        given: Option<&DrawnPart>,
        id: &str,
        place: &str,
        size: Bounds,
    ) -> Vec<Feature> {
        let Some(given) = given else {
            return Vec::new();
        };
        let mut problems = Problems {
            findings: Vec::new(),
            part: Some(id.to_string()),
        };
        let made = parts::features(
            &given.features,
            &format!("{place}/features"),
            size,
            self.made,
            &mut problems,
        );
        self.made.findings.append(&mut problems.findings);
        made
    }

    fn thickness(&self) -> Option<(f64, f64, f64)> {
        let readings = self.made.documents.stock(&self.doc.stock)?.readings_mm();
        readings.1.is_finite().then_some(readings)
    }

    fn warn_of_outline_depth(&mut self, outline: &Shaped<'_>) {
        let (Some(depth), Some((low, mean, high))) =
            (outline.making.captured_depth, self.thickness())
        else {
            return;
        };
        if depth < low - LAYER_SIZE_MM || depth > high + LAYER_SIZE_MM {
            let message = parts::outline_depth_message(&outline.layer, depth, mean);
            self.find(&code::CAPTURED_SIZE, outline.contour.start(), message);
        }
    }

    /// The drawn features of one part. A contour of a cleared kind inside another of its layer is an island, one inside that again a
    /// feature.
    fn features(&mut self, shaped: Vec<Shaped<'d>>, by: Point, sheet: u32) -> Vec<Feature> {
        let mut by_layer: BTreeMap<Arc<str>, Vec<Shaped<'d>>> = BTreeMap::new();
        for s in shaped {
            by_layer.entry(s.layer.clone()).or_default().push(s);
        }
        let mut out = Vec::new();
        for list in by_layer.into_values() {
            let contours: Vec<&Contour> = list.iter().map(|s| &s.contour).collect();
            let cleared = list.first().is_some_and(|s| s.making.kind.is_cleared());
            let holders = if cleared {
                group::nesting(&contours)
            } else {
                vec![Vec::new(); list.len()]
            };
            let mut islands: Vec<Vec<Contour>> = vec![Vec::new(); list.len()];
            for (i, h) in holders.iter().enumerate() {
                if let (1, Some(parent)) = (h.len() % 2, h.last()) {
                    islands[*parent].push(list[i].contour.shifted(by).oriented(false));
                }
            }
            for (i, s) in list.iter().enumerate() {
                if holders[i].len() % 2 == 0 {
                    out.push(self.feature(s, std::mem::take(&mut islands[i]), by, sheet));
                }
            }
        }
        out
    }

    fn feature(&self, s: &Shaped<'_>, islands: Vec<Contour>, by: Point, sheet: u32) -> Feature {
        let shape = s.contour.shifted(by);
        let rule = s.making.rule;
        let depth = match (s.making.captured_depth, self.thickness()) {
            (Some(d), Some((low, _, high)))
                if d >= low - LAYER_SIZE_MM && d <= high + LAYER_SIZE_MM =>
            {
                Some(Depth::Through)
            }
            _ => s.making.depth,
        };
        Feature {
            key: String::new(),
            kind: s.making.kind,
            circle: shape.as_circle(IMPORT_MM),
            source: Source {
                drawing: Some(self.doc.id.clone()),
                sheet,
                layer: Some(s.layer.to_string()),
                at: s.contour.start().unwrap_or_default(),
                pointer: Some(s.making.pointer.clone()),
            },
            shape,
            islands,
            depth,
            // A depth captured from the layer's name goes before the rule's.
            left: if s.making.captured_depth.is_some() {
                None
            } else {
                rule.left.map(|l| l.mm())
            },
            relief: rule.relief.clone(),
            if_unreachable: rule.if_unreachable,
            leave: None,
            cutter: rule.cutter.clone(),
            waste: None,
        }
    }

    // --- Balance -------------------------------------------------------------------------------------------------------------------

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

/// What is to be said, where.
type Told = (&'static CodeInfo, Option<Point>, String);

/// A joined contour before it is taken.
struct Judging<'j> {
    layer: &'j str,
    making: &'j Making<'j>,
    contour: &'j Contour,
    tolerance: f64,
}

impl Judging<'_> {
    /// Warnings about a contour that can be cut, or why it cannot.
    fn judge(&self) -> Result<Vec<Told>, Told> {
        let (c, layer, making) = (self.contour, self.layer, self.making);
        let at = c.start();
        if making.kind == FeatureKind::Engraving {
            return Ok(Vec::new());
        }
        let word = making.kind.word();
        if !c.closed {
            let gap = match (c.start(), c.end()) {
                (Some(a), Some(b)) => a.distance(b),
                _ => 0.0,
            };
            let other = c
                .end()
                .map(|p| format!("({}, {})", round(p.x), round(p.y)))
                .unwrap_or_default();
            let message = format!(
                "A contour on the layer {layer} (as {word}) is open: its other end lies at {other}, {} away. Ends within {} are joined.",
                show(gap),
                show(self.tolerance)
            );
            return Err((&code::CONTOUR_OPEN, at, message));
        }
        if let Some(p) = join::crossing(c) {
            let message = format!("A contour on the layer {layer} (as {word}) crosses itself.");
            return Err((&code::CONTOUR_SELF_CROSSING, Some(p), message));
        }
        if c.area().abs() < 1e-3 {
            let message = format!("A contour on the layer {layer} (as {word}) encloses nothing.");
            return Err((&code::CONTOUR_OPEN, at, message));
        }
        let circle = c.as_circle(IMPORT_MM);
        if making.kind == FeatureKind::Hole && circle.is_none() {
            let message =
                format!("A contour on the layer {layer} should be a hole and is not a circle.");
            return Err((&code::HOLE_NOT_ROUND, at, message));
        }
        let Some(named) = making.diameter else {
            return Ok(Vec::new());
        };
        let message = match circle {
            Some((_, drawn)) if (drawn - named).abs() <= LAYER_SIZE_MM => return Ok(Vec::new()),
            Some((_, drawn)) => format!(
                "The layer {layer} says a diameter of {}, the circle drawn on it has {}. What is drawn will be cut.",
                show(named),
                show(drawn)
            ),
            None => format!(
                "The layer {layer} says a diameter of {}, but a contour on it is no circle. What is drawn will be cut.",
                show(named)
            ),
        };
        Ok(vec![(
            &code::CAPTURED_SIZE,
            circle.map(|c| c.0).or(at),
            message,
        )])
    }
}

/// The sheet whose nearest part lies by a place; the first for what has no place.
fn sheet_by(outlines: &[Shaped<'_>], sheet_of: &[usize], at: Option<Point>) -> usize {
    let Some(at) = at else { return 0 };
    let away = |i: &usize| outlines[*i].contour.distance(at);
    let nearest = (0..outlines.len()).min_by(|a, b| away(a).total_cmp(&away(b)));
    nearest.map_or(0, |i| sheet_of[i])
}

/// The outline that a feature belongs to: the smallest that holds it, else the one that it overlaps most.
fn owner(contour: &Contour, outlines: &[Shaped<'_>], boxes: &[Bounds]) -> Option<usize> {
    let own = contour.bounds();
    let near = || (0..outlines.len()).filter(|i| boxes[*i].touches(own));
    let lying: Vec<(usize, Lies)> = near()
        .map(|i| (i, lies(contour, &outlines[i].contour)))
        .collect();
    let area = |i: &usize| outlines[*i].contour.area();
    let holding = lying
        .iter()
        .filter(|(_, l)| *l == Lies::Inside)
        .map(|(i, _)| *i);
    if let Some(smallest) = holding.min_by(|a, b| area(a).total_cmp(&area(b))) {
        return Some(smallest);
    }
    let across = lying
        .iter()
        .filter(|(_, l)| *l == Lies::Across)
        .map(|(i, _)| *i);
    across
        .map(|i| (i, group::share_inside(contour, &outlines[i].contour)))
        .fold(None, |best: Option<(usize, f64)>, new| match best {
            Some(b) if b.1 >= new.1 => Some(b),
            _ => Some(new),
        })
        .map(|(i, _)| i)
}

/// "3 LINE, 1 TEXT".
fn count_kinds(entities: &[Entity], list: &[usize]) -> String {
    let mut counts: BTreeMap<&str, usize> = BTreeMap::new();
    for i in list {
        *counts.entry(&entities[*i].kind).or_default() += 1;
    }
    counts
        .into_iter()
        .map(|(k, n)| format!("{n} {k}"))
        .collect::<Vec<_>>()
        .join(", ")
}

fn round(v: f64) -> f64 {
    (v * 1000.0).round() / 1000.0 + 0.0
}
