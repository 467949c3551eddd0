//! A part made of an outline of a drawing, the features in it, and what the job says of it.

use super::{Fate, Reading, Shaped};
use crate::drawing::{bad_id, good_id, group, parts};
use grainway_geom::{Bounds, Contour, Notes, Point, Region, offset};
use grainway_import::shapes::Problems;
use grainway_pipeline::doc::{Depth, DrawnPart, Layout, Pointer};
use grainway_pipeline::finding::{Finding, code};
use grainway_pipeline::tolerance::{IMPORT_MM, LAYER_SIZE_MM};
use grainway_pipeline::work::{Feature, Grain, Part, Source};
use std::collections::BTreeMap;
use std::sync::Arc;

impl<'d> Reading<'_, '_, 'd> {
    /// Makes the part of an outline.
    pub(super) fn part(
        &mut self,
        outline: &Shaped<'d>,
        features: Vec<Shaped<'d>>,
        natural: &str,
        sheet: u32,
        fine: bool,
    ) {
        let doc = self.doc;
        for used in std::iter::once(outline).chain(&features) {
            self.settle(&used.entities, Fate::Used);
            self.made.findings.extend(used.findings.iter().cloned());
        }
        let given = doc.parts.get(natural);
        let place = self.pointer.step("parts").step(natural);
        let (id, id_fits) = self.id(given, natural, &place);
        let as_drawn = doc.layout == Layout::AsDrawn;
        let count = given.map_or(1, |g| g.count);
        let count_fits = self.check_count(count, &id, &place);
        let bounds = outline.contour.bounds();
        let by = -bounds.min;
        let mut own = self.features(features, by, sheet);
        own.extend(self.added(given, &id, &place, &outline.contour));
        self.warn_of_outline_depth(outline);
        if !(fine && id_fits && count_fits) {
            return;
        }
        let part = Part {
            id,
            name: given.and_then(|g| g.name.clone()),
            mirrored: false,
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
        let at = if given.is_some_and(|g| g.id.is_some()) {
            place.step("id")
        } else {
            self.pointer.step("id")
        };
        let mirrored = given.map_or(0, |g| g.mirrored);
        if as_drawn && mirrored > 0 {
            let message = "With layout as-drawn a part keeps its drawn place, so it has no other hand; draw that too, or use layout free.";
            let f = Finding::new(&code::DOCUMENT_INVALID, message)
                .part(&part.id)
                .pointer(place.step("mirrored"));
            self.made.findings.push(f);
            return;
        }
        self.made
            .take_hands(part, mirrored.saturating_mul(doc.copies), &at);
    }

    /// The id that the job gives the part, else its natural one, and whether it can be one.
    fn id(&mut self, given: Option<&DrawnPart>, natural: &str, place: &Pointer) -> (String, bool) {
        match given.and_then(|g| g.id.as_ref()) {
            Some(own) if good_id(self.made.documents.own_name(own)) => (own.clone(), true),
            Some(own) => {
                self.made.findings.push(bad_id(own, place.step("id")));
                (natural.to_string(), false)
            }
            None => (natural.to_string(), true),
        }
    }

    fn check_count(&mut self, count: u32, id: &str, place: &Pointer) -> bool {
        let at = place.step("count");
        let fits = parts::check_count(count, "count", &at, &mut self.made.findings);
        if fits && count != 1 && self.doc.layout == Layout::AsDrawn {
            let message = format!(
                "The count is {count}, but with layout as-drawn each drawn part is made once; use `copies` for the whole drawing."
            );
            let f = Finding::new(&code::BAD_NUMBER, message)
                .part(id)
                .pointer(at);
            self.made.findings.push(f);
        }
        fits
    }

    /// Features that the job adds to a drawn part.
    fn added(
        &mut self,
        given: Option<&DrawnPart>,
        id: &str,
        place: &Pointer,
        outline: &Contour,
    ) -> Vec<Feature> {
        let bounds = outline.bounds();
        let size = Bounds {
            min: Point::default(),
            max: bounds.max - bounds.min,
        };
        let Some(given) = given else {
            return Vec::new();
        };
        let mut problems = Problems {
            findings: Vec::new(),
            part: Some(id.to_string()),
        };
        let made = parts::features(
            &given.features,
            &place.step("features"),
            self.made.frames(size, &self.doc.stock),
            self.made,
            &mut problems,
        );
        parts::check_edges(&made, outline, place, &mut problems);
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
            // Every contour has its own band, those inside another one's too.
            if let Some(width) = list.first().and_then(|s| s.making.rule.band_outside) {
                let bands = list.iter().map(|s| self.band(s, width.mm(), by, sheet));
                out.extend(bands.collect::<Vec<_>>().into_iter().flatten());
                continue;
            }
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

    /// The band outside along a contour: the contour is an island in what is all within `width` mm of it.
    fn band(&mut self, s: &Shaped<'_>, width: f64, by: Point, sheet: u32) -> Option<Feature> {
        let inside = Region::inside(s.contour.clone());
        let grown = offset(&inside, width, &mut Notes::default())
            .into_iter()
            .next()?;
        let mut islands = vec![s.contour.shifted(by).oriented(false)];
        // Where the contour closes round a wider room, the middle of that room stays.
        islands.extend(grown.holes.iter().map(|h| h.shifted(by).oriented(false)));
        let mut band = self.feature(s, islands, by, sheet);
        band.shape = grown.outer.shifted(by);
        band.circle = None;
        let through = band.depth == Some(Depth::Through);
        if through {
            let message = format!(
                "The band outside the contours on the layer {} would go through, and their inside would fall out.",
                s.layer
            );
            self.made.findings.push(
                Finding::new(&code::DOCUMENT_INVALID, message)
                    .pointer(s.making.pointer.clone())
                    .remedy("Give a depth less than the wood is thick, or make cutouts of these contours."),
            );
        }
        (!through).then_some(band)
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
            side: rule.side,
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
            mating: None,
        }
    }
}
