//! Which contours of a drawing are read: those in its window, without those that the job leaves out.

use super::{Fate, Faulty, Reading, Shaped};
use grainway_geom::{Bounds, Contour, Point, point};
use grainway_import::shapes::show;
use grainway_pipeline::finding::code;
use grainway_pipeline::tolerance::IMPORT_MM;

/// A contour that is left out passes at most so far from the place that names it, mm: places are read off a drawing by eye.
const LEFT_OUT_WITHIN_MM: f64 = 1.0;

/// A contour of either kind, as far as choosing asks.
struct Candidate<'c> {
    layer: &'c str,
    contour: &'c Contour,
}

impl<'d> Reading<'_, '_, 'd> {
    /// Takes away what lies outside the window or is left out by name.
    pub(super) fn choose(
        &mut self,
        shaped: Vec<Shaped<'d>>,
        faulty: Vec<Faulty>,
    ) -> (Vec<Shaped<'d>>, Vec<Faulty>) {
        let of_shaped = shaped.iter().map(|s| Candidate {
            layer: &s.layer,
            contour: &s.contour,
        });
        let of_faulty = faulty.iter().map(|f| Candidate {
            layer: &f.layer,
            contour: &f.contour,
        });
        let all: Vec<Candidate<'_>> = of_shaped.chain(of_faulty).collect();
        let mut kept = self.in_window(&all);
        self.leave_out(&all, &mut kept);
        drop(all);
        let (of_shaped, of_faulty) = kept.split_at(shaped.len());
        let (in_shaped, out_shaped) = parted(shaped, of_shaped);
        let (in_faulty, out_faulty) = parted(faulty, of_faulty);
        for entities in out_shaped.iter().map(|s| &s.entities) {
            self.settle(entities, Fate::Ignored);
        }
        for entities in out_faulty.iter().map(|f| &f.entities) {
            self.settle(entities, Fate::Ignored);
        }
        (in_shaped, in_faulty)
    }

    /// Whether each contour lies in the window; those that reach over its edge are told.
    fn in_window(&mut self, all: &[Candidate<'_>]) -> Vec<bool> {
        let Some(window) = &self.doc.window else {
            return vec![true; all.len()];
        };
        let [x, y] = window.at.map(|l| l.mm());
        let [w, h] = window.size.map(|l| l.mm());
        let room = Bounds {
            min: point(x, y),
            max: point(x + w, y + h),
        };
        let room = room.grown(IMPORT_MM);
        let mut crossing: Vec<&Candidate<'_>> = Vec::new();
        let inside = |c: &Candidate<'_>| {
            let b = c.contour.bounds();
            room.contains(b.min) && room.contains(b.max)
        };
        let kept: Vec<bool> = all.iter().map(inside).collect();
        for (c, inside) in all.iter().zip(&kept) {
            if !inside && room.touches(c.contour.bounds()) {
                crossing.push(c);
            }
        }
        if let Some(first) = crossing.first() {
            let message = format!(
                "{} reach over the window's edge and were left out; the first is on the layer {}.",
                match crossing.len() {
                    1 => "1 contour".to_string(),
                    n => format!("{n} contours"),
                },
                first.layer
            );
            self.find(&code::WINDOW_CROSSED, first.contour.start(), message);
        }
        kept
    }

    /// Takes out the contours that the job names by layer and place.
    fn leave_out(&mut self, all: &[Candidate<'_>], kept: &mut [bool]) {
        for (i, named) in self.doc.leave_out.iter().enumerate() {
            let at: Point = point(named.at[0].mm(), named.at[1].mm());
            let nearest = all
                .iter()
                .enumerate()
                .filter(|(_, c)| *c.layer == *named.layer)
                .map(|(k, c)| (c.contour.distance(at), k))
                .min_by(|a, b| a.0.total_cmp(&b.0));
            let why = match nearest {
                Some((d, k)) if d <= LEFT_OUT_WITHIN_MM => {
                    kept[k] = false;
                    continue;
                }
                Some((d, _)) => format!("the nearest passes {} away", show(d)),
                None => "the layer holds none".to_string(),
            };
            let message = format!(
                "No contour on the layer {} passes within {LEFT_OUT_WITHIN_MM} mm of ({}, {}): {why}.",
                named.layer,
                show(at.x),
                show(at.y)
            );
            let pointer = self.pointer.step("leave-out").step(i);
            self.find(&code::LEAVE_OUT_MISSES, Some(at), message)
                .pointer = Some(pointer);
        }
    }
}

/// The items that are kept, and the others.
fn parted<T>(items: Vec<T>, kept: &[bool]) -> (Vec<T>, Vec<T>) {
    let mut kept = kept.iter();
    items.into_iter().partition(|_| kept.next() == Some(&true))
}
