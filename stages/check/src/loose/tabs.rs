//! Whether the tabs of a piece and the screws that it is still joined to hold it.

use super::Levels;
use super::cuts::Through;
use super::edge::{Measured, MeasuredTab, measured, measured_skin};
use super::joined::Joined;
use super::leverage::{Grip, HINGE_GAP_DEGREES, at_one_end, opposite, widest_gap};
use super::regions::Grid;
use super::slender;
use crate::figures::{Said, mm};
use crate::motions::Motion;
use crate::{Piece, Scene};
use grainway_geom::Point;
use grainway_pipeline::finding::code;

/// Tabs and screws that a piece needs at least.
const LEAST_HOLDS: usize = 2;

/// Every piece that is cut free all round must be held by tabs and screws that it is still joined to, and a piece with a skin by that.
pub(super) fn check(
    scene: &Scene<'_>,
    grid: &Grid,
    levels: &Levels,
    through: &Through,
    said: &mut Said,
) {
    let skinned = levels.skins.then(|| Through::below(scene, levels.skin));
    let measured: Vec<(usize, Measured)> = scene
        .pieces
        .iter()
        .enumerate()
        .filter(|(_, p)| !p.model.dimensioned)
        .filter_map(|(i, p)| {
            let outline = &p.model.variant.outline;
            let measured = match p.skin.and(skinned.as_ref()) {
                Some(skinned) => measured_skin(scene, p, outline, levels.tab, skinned, grid.cell)?,
                None => measured(scene, p, outline, (levels.tab, through), grid.cell)?,
            };
            Some((i, measured))
        })
        .collect();
    let joined = Joined::new(scene, grid, &measured);
    for (i, m) in &measured {
        let piece = &scene.pieces[*i];
        let last = last_cut_beside(scene, piece, levels.tab);
        let motion = last.map(|i| &scene.recorded.motions[i]);
        if piece.skin.is_some() {
            // It never comes free; what holds its surroundings does so by its last cut.
            let holding = Holding::of(&joined, *i, m, last.map_or(0, |i| i as u32));
            holding.judge_skin(scene, piece, m, motion, said);
        } else {
            let holding = Holding::of(&joined, *i, m, joined.cut_by(&m.cut));
            holding.judge(scene, piece, m, motion, said);
            slender::check(scene, piece, &holding.places(), motion, said);
        }
    }
}

/// What holds a piece.
struct Holding {
    grips: Vec<Grip>,
    screws: Vec<Point>,
    /// Tabs that end in wood which nothing else holds.
    in_loose: Vec<Point>,
}

impl Holding {
    fn of(joined: &Joined<'_>, piece: usize, m: &Measured, by: u32) -> Holding {
        let body = joined.most(&m.within);
        let strong = m.tabs.iter().filter(|t| t.weak.is_none());
        let (held, loose): (Vec<&MeasuredTab>, Vec<&MeasuredTab>) =
            strong.partition(|t| joined.held_outside(t, piece, by));
        Holding {
            grips: held
                .iter()
                .map(|t| Grip {
                    at: t.at,
                    out: t.out,
                })
                .collect(),
            screws: body.map_or_else(Vec::new, |b| joined.holds_in(b, by)),
            in_loose: loose
                .iter()
                .filter(|t| !joined.carries(t, piece))
                .map(|t| t.at)
                .collect(),
        }
    }
    /// Where it is held.
    fn places(&self) -> Vec<Point> {
        let tabs = self.grips.iter().map(|g| g.at);
        tabs.chain(self.screws.iter().copied()).collect()
    }
    /// A skin that the text leaves on one side only is a hinge.
    fn judge_skin(
        &self,
        scene: &Scene<'_>,
        piece: &Piece<'_>,
        m: &Measured,
        last: Option<&Motion>,
        said: &mut Said,
    ) {
        let name = piece.name;
        let least = m
            .tabs
            .iter()
            .map(|t| t.height)
            .fold(f64::INFINITY, f64::min);
        said.about(
            format!("thinnest skin of {name} in the thinnest wood with the zero set low"),
            least - scene.settled.z_error,
            "mm",
            scene.settled.skin,
        );
        let gap = widest_gap(&self.grips, piece.bounds.centre());
        if gap > HINGE_GAP_DEGREES || !opposite(&self.grips) {
            let message = format!(
                "the skin of {name} does not hold it all round: seen from its middle there is none that ends in held wood over {} degrees.",
                mm(gap.round())
            );
            said.find(last.map(|m| m.text), said_at(scene, piece, last, message));
        }
    }
    fn judge(
        &self,
        scene: &Scene<'_>,
        piece: &Piece<'_>,
        m: &Measured,
        last: Option<&Motion>,
        said: &mut Said,
    ) {
        figures(scene, piece, &m.tabs, self.grips.len(), said);
        let name = piece.name;
        let find = |said: &mut Said, at: Option<Point>, message: String| {
            let finding = said_at(scene, piece, last, message);
            said.find(
                last.map(|m| m.text),
                match at {
                    Some(at) => finding.at(at),
                    None => finding,
                },
            );
        };
        for t in &m.tabs {
            if let Some(why) = &t.weak {
                find(said, Some(t.at), format!("a tab of {name} {why}."));
            }
        }
        for at in &self.in_loose {
            let message = format!("a tab of {name} ends in wood that nothing else holds.");
            find(said, Some(*at), message);
        }
        let (tabs, screws) = (self.grips.len(), self.screws.len());
        if tabs + screws < LEAST_HOLDS {
            let message = format!(
                "{name} is cut free all round and held by {tabs} tabs and {screws} screws or clamps that it is joined to; at least two are needed."
            );
            find(said, None, message);
        } else if screws >= 1 {
            if at_one_end(piece.bounds, &self.places()) {
                let message = format!(
                    "all that holds {name} stands at one end of it: its other end would swing."
                );
                find(said, None, message);
            }
        } else {
            let gap = widest_gap(&self.grips, piece.bounds.centre());
            said.exact(
                format!("widest gap between tabs of {name} seen from its middle"),
                gap,
                "degrees",
                HINGE_GAP_DEGREES,
            );
            if gap > HINGE_GAP_DEGREES || !opposite(&self.grips) {
                let message = format!(
                    "all tabs of {name} lie on one side (a gap of {} degrees): it would swing as on a hinge.",
                    mm(gap.round())
                );
                find(said, None, message);
            }
        }
    }
}

/// A finding at the last through cut beside a piece.
pub(super) fn said_at(
    scene: &Scene<'_>,
    piece: &Piece<'_>,
    last: Option<&Motion>,
    message: String,
) -> grainway_pipeline::finding::Finding {
    scene
        .at_line(
            last.map_or(0, |m| m.text),
            last.map_or(0, |m| m.line),
            &code::VERIFY_LOOSE,
            message,
        )
        .part(piece.name)
        .feature(crate::model::OUTLINE)
}

/// The last through cut beside a piece: there a lack of tabs shows.
fn last_cut_beside(scene: &Scene<'_>, piece: &Piece<'_>, level: f64) -> Option<usize> {
    let mut last = None;
    scene
        .motion_boxes
        .visit(piece.bounds.grown(0.1), usize::MAX, &mut |i| {
            let m = &scene.recorded.motions[i];
            if m.cuts && m.low() < level {
                last = Some(i);
            }
            true
        });
    last
}

fn figures(
    scene: &Scene<'_>,
    piece: &Piece<'_>,
    tabs: &[MeasuredTab],
    good: usize,
    said: &mut Said,
) {
    let s = scene.settled;
    let least = |of: fn(&MeasuredTab) -> f64| tabs.iter().map(of).fold(f64::INFINITY, f64::min);
    let mut figure = |what: String, value: f64, unit: &str, limit: f64| {
        said.about(what, value, unit, limit);
    };
    figure(
        format!("tabs of {} that hold", piece.name),
        good as f64,
        "tabs",
        2.0,
    );
    figure(
        format!("narrowest tab of {}", piece.name),
        least(|t| t.neck),
        "mm",
        s.tab_neck,
    );
    figure(
        format!(
            "lowest tab of {} in the thinnest wood with the zero set low",
            piece.name
        ),
        least(|t| t.height) - s.z_error,
        "mm",
        s.tab_height,
    );
}
