//! The waste of cutouts that stays in one bit.

use super::cuts::{STEP_MM, Through, walk};
use super::leverage::{Grip, LONG, at_one_end, opposite};
use crate::figures::{Said, mm};
use crate::motions::Motion;
use crate::{Piece, Scene};
use grainway_geom::{Contour, Point, Region, point};
use grainway_pipeline::doc::FeatureKind;
use grainway_pipeline::finding::code;
use grainway_pipeline::work::{Hold, SizedFeature};
use std::cell::Cell;

/// Slugs of cutouts that stay in one bit: held by two screws, or one and a tab, when longer than three times their width.
pub(super) fn check(scene: &Scene<'_>, level: f64, through: &Through, said: &mut Said) {
    for piece in &scene.pieces {
        let variant = &piece.model.variant;
        for f in &variant.features {
            if f.kind == FeatureKind::Cutout
                && let Some(slug) = Slug::of(scene, piece, f, (level, through))
            {
                slug.held(scene, (level, through), said);
            }
        }
    }
}

/// The waste of a cutout.
struct Slug<'a> {
    piece: &'a Piece<'a>,
    feature: &'a SizedFeature,
    region: Region,
    kerf: f64,
    /// Sides of its box, mm, the longer first.
    sides: [f64; 2],
}

impl<'a> Slug<'a> {
    /// `None` where nothing of it stands at the end: it was cut to chips.
    fn of(
        scene: &Scene<'_>,
        piece: &'a Piece<'a>,
        feature: &'a SizedFeature,
        (level, through): (f64, &Through),
    ) -> Option<Slug<'a>> {
        let b = feature.shape.bounds();
        let kerf = cutout_kerf(scene, piece, &feature.shape, level)?;
        let (w, h) = (b.width() - 2.0 * kerf, b.height() - 2.0 * kerf);
        if w <= 0.0 || h <= 0.0 {
            return None;
        }
        let region = feature.region();
        // What stands inside at the end, by a few places within.
        let mut stands = 0usize;
        for i in 0..7 {
            for j in 0..7 {
                let p = point(
                    b.min.x + kerf + w * (f64::from(i) + 0.5) / 7.0,
                    b.min.y + kerf + h * (f64::from(j) + 0.5) / 7.0,
                );
                let inside = region.contains(p) && feature.shape.distance(p) > kerf;
                stands += usize::from(inside && !through.at(piece.placing.point(p)));
            }
        }
        (stands >= 3).then_some(Slug {
            piece,
            feature,
            region,
            kerf,
            sides: [w.max(h), w.min(h)],
        })
    }
    /// Screws in it that are driven by the text.
    fn screws(&self, scene: &Scene<'_>) -> Vec<Point> {
        let in_it = |hold: &&Hold| {
            let p = self.piece.placing.inverse_point(hold.at);
            hold.after_pause.is_none_or(|n| scene.pause(n).is_some())
                && self.region.contains(p)
                && self.feature.shape.distance(p) > self.kerf + hold.shaft
        };
        let holds = scene.setup.holds.iter().filter(in_it);
        holds.map(|h| h.at).collect()
    }
    fn held(&self, scene: &Scene<'_>, (level, through): (f64, &Through), said: &mut Said) {
        let [long, short] = self.sides;
        let (key, name) = (&self.feature.key, self.piece.name);
        let screws = self.screws(scene);
        let grips = slug_tabs(scene, self.piece, &self.feature.shape, self.kerf, through);
        let tabs = grips.len();
        let needed = if long > LONG * short { 2 } else { 1 };
        let held = screws.len() + tabs.min(2);
        said.about(
            format!("holds of the waste of {key} of {name}"),
            held as f64,
            "screws and tabs",
            f64::from(needed),
        );
        let only_tabs = screws.is_empty() && tabs > 0 && !opposite(&grips);
        let places: Vec<Point> = screws
            .iter()
            .copied()
            .chain(grips.iter().map(|g| g.at))
            .collect();
        let placed = self.feature.shape.placed(&self.piece.placing).bounds();
        let at_one_end = !screws.is_empty() && at_one_end(placed, &places);
        if held >= needed as usize && !only_tabs && !at_one_end {
            return;
        }
        let asked = if only_tabs {
            "a screw or two tabs on opposite sides"
        } else if held >= needed as usize {
            "holds at both ends"
        } else if needed == 2 {
            "two screws, or one and a tab,"
        } else {
            "a screw or tabs"
        };
        let last = self.last_cut(scene, level);
        said.find(
            last.map(|m| m.text),
            scene.at_line(
                last.map_or(0, |m| m.text),
                last.map_or(0, |m| m.line),
                &code::VERIFY_LOOSE,
                format!(
                    "the waste of {key} of {name} ({} x {} mm) is held by {} screws and {tabs} tabs; {asked} are needed.",
                    mm(long),
                    mm(short),
                    screws.len(),
                ),
            )
            .part(name)
            .feature(key)
            .at(self.piece.placing.point(self.feature.shape.bounds().centre())),
        );
    }
    /// The last through cut beside it.
    fn last_cut<'s>(&self, scene: &'s Scene<'_>, level: f64) -> Option<&'s Motion> {
        let placed = self.feature.shape.placed(&self.piece.placing).bounds();
        let mut last = None;
        scene.motion_boxes.visit(placed, usize::MAX, &mut |i| {
            let m = &scene.recorded.motions[i];
            if m.cuts && m.low() < level {
                last = Some(m);
            }
            true
        });
        last
    }
}

/// The diameter of the cutter that goes through along the inside of a cutout.
fn cutout_kerf(scene: &Scene<'_>, piece: &Piece<'_>, shape: &Contour, level: f64) -> Option<f64> {
    let placed = shape.placed(&piece.placing).bounds();
    let mut least = f64::INFINITY;
    scene.motion_boxes.visit(placed, usize::MAX, &mut |i| {
        let m = &scene.recorded.motions[i];
        if m.cuts && m.low() < level && m.sideways() {
            let p = piece.placing.inverse_point(m.path.at(0.5));
            if let Some(t) = scene.recorded.tool(m)
                && shape.contains(p)
                && shape.distance(p) < t.radius + 1.0
            {
                least = least.min(2.0 * t.radius);
            }
        }
        true
    });
    least.is_finite().then_some(least)
}

/// Tabs between a slug and its part: bridges across the kerf of enough height and neck.
fn slug_tabs(
    scene: &Scene<'_>,
    piece: &Piece<'_>,
    shape: &Contour,
    kerf: f64,
    through: &Through,
) -> Vec<Grip> {
    let n = (shape.length() / STEP_MM).ceil().max(8.0) as usize;
    let step = shape.length() / n as f64;
    let clockwise = shape.area() < 0.0;
    let placed = |p: Point| piece.placing.point(p);
    let steps: Vec<(Point, Point)> = walk(shape, n)
        .into_iter()
        .map(|(p, out)| (p, if clockwise { out } else { -out }))
        .collect();
    let last = Cell::default();
    let open: Vec<bool> = steps
        .iter()
        .map(|(p, inwards)| {
            let q = *p + *inwards * (kerf * 0.5);
            !through.along(placed(q), &last) && shape.distance(q) > kerf * 0.5 - 0.05
        })
        .collect();
    let Some(start) = open.iter().position(|o| !*o) else {
        return Vec::new();
    };
    let mut tabs = Vec::new();
    let mut run = 0usize;
    for i in 0..=n {
        if i < n && open[(start + i) % n] {
            run += 1;
            continue;
        }
        if run > 0 && run as f64 * step >= scene.settled.tab_neck - 0.5 {
            let (p, inwards) = steps[(start + i - run / 2 - 1) % n];
            tabs.push(Grip {
                at: placed(p),
                out: placed(p - inwards) - placed(p),
            });
        }
        run = 0;
    }
    tabs
}
