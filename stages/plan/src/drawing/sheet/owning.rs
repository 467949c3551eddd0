//! Which outlines and features of a drawing are parts: each feature goes to the outline that holds it, sheets not chosen are left out,
//! and every part gets its number by its place.

use super::stretches::stretches;
use super::{Fate, Faulty, Reading, Shaped};
use crate::drawing::{group, unknown};
use crate::lies::{Lies, ON_EDGE_MM, Outer};
use grainway_geom::{Bounds, Contour, Point, near_pairs};
use grainway_pipeline::doc::FeatureKind;
use grainway_pipeline::finding::{Finding, code};
use std::collections::BTreeSet;

/// The outlines of a drawing and the sheets that they lie on.
struct Parts<'s, 'd> {
    outlines: &'s [Shaped<'d>],
    outers: Vec<Outer<'s>>,
    boxes: Vec<Bounds>,
    /// Outlines by sheet.
    sheets: Vec<Vec<usize>>,
    /// The sheet of each outline.
    sheet_of: Vec<usize>,
    /// Sheets to make.
    chosen: BTreeSet<usize>,
}

impl<'s, 'd> Parts<'s, 'd> {
    /// The sheet whose nearest part lies by a place is made; for what has no place the first sheet decides.
    fn is_chosen_at(&self, at: Option<Point>) -> bool {
        let away = |i: &usize| {
            let at = at.unwrap_or_default();
            let nearest = self.outers[*i].index.distance_to_point(at, f64::INFINITY);
            nearest.map_or(f64::INFINITY, |n| n.0)
        };
        let nearest = (0..self.outlines.len()).min_by(|a, b| away(a).total_cmp(&away(b)));
        let sheet = nearest.filter(|_| at.is_some());
        self.chosen.contains(&sheet.map_or(0, |i| self.sheet_of[i]))
    }

    /// The outlines that a contour may touch.
    fn near(&self, contour: &Contour) -> Vec<(usize, &Outer<'s>)> {
        let own = contour.bounds().grown(ON_EDGE_MM);
        let all = self.outers.iter().enumerate();
        all.filter(|(i, _)| self.boxes[*i].touches(own)).collect()
    }

    /// The outline that a feature belongs to: the smallest that holds it, else the one that it overlaps most.
    fn owner(&self, contour: &Contour) -> Option<usize> {
        let own = contour.bounds();
        let near = (0..self.outlines.len()).filter(|i| self.boxes[*i].touches(own));
        let lying: Vec<(usize, Lies)> = near.map(|i| (i, self.outers[i].lies(contour))).collect();
        let all = |how: Lies| lying.iter().filter(move |l| l.1 == how).map(|l| l.0);
        let area = |i: &usize| self.outlines[*i].contour.area();
        if let Some(smallest) = all(Lies::Inside).min_by(|a, b| area(a).total_cmp(&area(b))) {
            return Some(smallest);
        }
        all(Lies::Across)
            .map(|i| (i, group::share_inside(contour, &self.outers[i])))
            .fold(None, |best: Option<(usize, f64)>, new| match best {
                Some(b) if b.1 >= new.1 => Some(b),
                _ => Some(new),
            })
            .map(|(i, _)| i)
    }
}

impl<'d> Reading<'_, '_, 'd> {
    pub(super) fn group(&mut self, shaped: Vec<Shaped<'d>>, faulty: Vec<Faulty>, fine: bool) {
        let (outlines, features): (Vec<Shaped<'d>>, Vec<Shaped<'d>>) = shaped
            .into_iter()
            .partition(|s| s.making.kind == FeatureKind::Outline);
        if outlines.is_empty() {
            return self.no_outline(&features, faulty);
        }
        let parts = self.sheets_of(&outlines);
        let owned = self.owned(features, &parts);
        for f in faulty {
            if parts.is_chosen_at(f.contour.start()) {
                self.settle(&f.entities, Fate::Warned);
                self.made.findings.extend(f.findings);
            } else {
                self.settle(&f.entities, Fate::Ignored);
            }
        }
        self.check_outlines(&parts, &owned);
        self.number(&parts, owned, fine);
    }

    fn no_outline(&mut self, features: &[Shaped<'d>], faulty: Vec<Faulty>) {
        let message = format!(
            "The drawing {} has no closed outline, so it gives no part.",
            self.doc.id
        );
        self.find(&code::NOTHING_TO_MAKE, None, message);
        for f in features {
            self.settle(&f.entities, Fate::Warned);
        }
        for f in faulty {
            self.settle(&f.entities, Fate::Warned);
            self.made.findings.extend(f.findings);
        }
    }

    fn sheets_of<'s>(&mut self, outlines: &'s [Shaped<'d>]) -> Parts<'s, 'd> {
        let boxes: Vec<Bounds> = outlines.iter().map(|o| o.contour.bounds()).collect();
        let gap = self.doc.sheet_gap.map(|g| g.mm());
        let sheets = group::sheets(&boxes, gap.filter(|g| g.is_finite() && *g >= 0.0));
        let mut sheet_of = vec![0; outlines.len()];
        for (s, list) in sheets.iter().enumerate() {
            for i in list {
                sheet_of[*i] = s;
            }
        }
        Parts {
            outlines,
            outers: outlines.iter().map(|o| Outer::new(&o.contour)).collect(),
            boxes,
            chosen: self.chosen_sheets(sheets.len()),
            sheets,
            sheet_of,
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
                    .pointer(self.pointer.step("sheets").step(i));
                self.made.findings.push(f);
            }
        }
        if wanted.is_empty() {
            let f = Finding::new(
                &code::DOCUMENT_INVALID,
                "The list of sheets is empty; leave it out to make all.",
            )
            .pointer(self.pointer.step("sheets"));
            self.made.findings.push(f);
        }
        chosen
    }

    /// The features of each outline; those of sheets that are not made are left out, strays are told.
    fn owned(&mut self, features: Vec<Shaped<'d>>, parts: &Parts<'_, 'd>) -> Vec<Vec<Shaped<'d>>> {
        let mut owned: Vec<Vec<Shaped<'d>>> = parts.outlines.iter().map(|_| Vec::new()).collect();
        let features = features.into_iter().flat_map(|f| self.on_parts(f, parts));
        for (owner, f) in features.collect::<Vec<_>>() {
            match owner.or_else(|| parts.owner(&f.contour)) {
                Some(o) if parts.chosen.contains(&parts.sheet_of[o]) => owned[o].push(f),
                None if parts.is_chosen_at(Some(f.contour.bounds().centre())) => {
                    let message = format!(
                        "A {} on the layer {} lies in no outline; it will not be cut.",
                        f.making.kind.word(),
                        f.layer
                    );
                    self.find(&code::CONTOUR_IN_NO_OUTLINE, f.contour.start(), message);
                    self.settle(&f.entities, Fate::Warned);
                }
                _ => self.settle(&f.entities, Fate::Ignored),
            }
        }
        owned
    }

    /// A line that runs over parts' edges becomes its stretches on them, each with its part; all else stays whole.
    fn on_parts(&self, f: Shaped<'d>, parts: &Parts<'_, 'd>) -> Vec<(Option<usize>, Shaped<'d>)> {
        let near: Vec<(usize, &Outer<'_>)> = match f.making.kind {
            FeatureKind::Engraving => parts.near(&f.contour),
            _ => Vec::new(),
        };
        if near.iter().any(|(_, o)| o.lies(&f.contour) == Lies::Inside) {
            return vec![(None, f)];
        }
        let found = stretches(&f.contour, &near);
        let kept: f64 = found.iter().map(|s| s.line.length()).sum();
        if found.is_empty() {
            return vec![(None, f)];
        }
        let beyond = f.contour.length() - kept;
        let note = Finding::new(
            &code::LINE_TRIMMED,
            format!(
                "A line on the layer {} runs {beyond:.1} mm beyond parts' edges; what lies on parts is cut, the rest is not.",
                f.layer
            ),
        )
        .pointer(self.pointer.step("file"));
        let note = match f.contour.start() {
            Some(at) => note.at(at),
            None => note,
        };
        let mut once = Some((f.entities, [f.findings, vec![note]].concat()));
        found
            .into_iter()
            .map(|stretch| {
                let (entities, findings) = once.take().unwrap_or_default();
                let shaped = Shaped {
                    layer: f.layer.clone(),
                    making: f.making.clone(),
                    contour: stretch.line,
                    entities,
                    findings,
                };
                (Some(stretch.owner), shaped)
            })
            .collect()
    }

    /// Outlines may lie in another part's cutout, and nowhere else in one another.
    fn check_outlines(&mut self, parts: &Parts<'_, 'd>, owned: &[Vec<Shaped<'d>>]) {
        let mut pairs: Vec<(usize, usize)> = near_pairs(&parts.boxes, 0.0)
            .into_iter()
            .flat_map(|(i, j)| [(i, j), (j, i)])
            .collect();
        pairs.sort_unstable();
        for (i, j) in pairs {
            let (inner, outer) = (&parts.outlines[i].contour, &parts.outlines[j].contour);
            let how = parts.outers[j].lies(inner);
            let at = inner.start();
            if how == Lies::Across && i < j && parts.outers[i].lies(outer) != Lies::Inside {
                let message = format!(
                    "Two outlines overlap; both are on the layer {}.",
                    parts.outlines[i].layer
                );
                self.find(&code::OUTLINES_OVERLAP, at, message);
            } else if how == Lies::Inside && (inner.area() < outer.area() || i < j) {
                let in_cutout = owned[j].iter().any(|f| {
                    f.making.kind == FeatureKind::Cutout
                        && Outer::new(&f.contour).lies(inner) == Lies::Inside
                });
                if !in_cutout {
                    let message = format!(
                        "An outline on the layer {} lies inside another one.",
                        parts.outlines[i].layer
                    );
                    self.find(&code::OUTLINES_OVERLAP, at, message);
                }
            }
        }
    }

    /// Makes the parts of the sheets that were chosen, each with its number, and names keys of the job's `parts` that fit none.
    fn number(&mut self, parts: &Parts<'_, 'd>, mut owned: Vec<Vec<Shaped<'d>>>, fine: bool) {
        let mut keys_used = BTreeSet::new();
        let mut natural_ids = Vec::new();
        for (s, list) in parts.sheets.iter().enumerate() {
            let own_boxes: Vec<Bounds> = list.iter().map(|i| parts.boxes[*i]).collect();
            for (n, k) in group::reading_order(&own_boxes).into_iter().enumerate() {
                let i = list[k];
                let sheet = if parts.sheets.len() > 1 {
                    format!("-{}", s + 1)
                } else {
                    String::new()
                };
                let natural = format!("{}{sheet}/{}", self.doc.id, n + 1);
                let outline = &parts.outlines[i];
                if parts.chosen.contains(&s) {
                    let features = std::mem::take(&mut owned[i]);
                    self.part(outline, features, &natural, s as u32 + 1, fine);
                } else {
                    self.settle(&outline.entities, Fate::Ignored);
                }
                if self.doc.parts.contains_key(&natural) {
                    keys_used.insert(natural.clone());
                }
                natural_ids.push(natural);
            }
        }
        for key in self.doc.parts.keys().filter(|k| !keys_used.contains(*k)) {
            let place = self.pointer.step("parts").step(key);
            let f =
                unknown("drawn part", key, natural_ids.iter().map(String::as_str)).pointer(place);
            self.made.findings.push(f);
        }
    }
}
