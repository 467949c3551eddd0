//! Lines of a layer joined into contours, and each contour judged: can it be what its layer says?

use super::sorting::Candidates;
use super::{Fate, Faulty, Reading, Shaped};
use crate::drawing::layers::Making;
use grainway_geom::{Contour, Point};
use grainway_import::entity::{Run, What};
use grainway_import::join::{self, Joined};
use grainway_import::shapes::show;
use grainway_pipeline::doc::FeatureKind;
use grainway_pipeline::finding::{CodeInfo, code};
use grainway_pipeline::tolerance::{IMPORT_MM, LAYER_SIZE_MM};

impl<'d> Reading<'_, '_, 'd> {
    /// Joins what is to be made, layer by layer, into contours that can be cut and contours that cannot.
    pub(super) fn shape(&mut self, candidates: Candidates<'d>) -> (Vec<Shaped<'d>>, Vec<Faulty>) {
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
                            layer: layer.clone(),
                            contour,
                            entities,
                            findings,
                        });
                    }
                }
            }
        }
        (shaped, faulty)
    }
}

/// What is to be said, where.
pub(super) type Told = (&'static CodeInfo, Option<Point>, String);

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

fn round(v: f64) -> f64 {
    (v * 1000.0).round() / 1000.0 + 0.0
}
