//! Layer 8: the thinnest and thickest wood, a zero set a little wrong, a cutter measured a little wrong, a cupped board: still cut
//! through, tabs still thick enough, the spoilboard not cut through.

use super::figures::{Said, at_line, mm};
use super::motions::Motion;
use super::{Scene, layer};
use grainway_geom::Point;
use grainway_pipeline::doc::{CutterKind, FeatureKind};
use grainway_pipeline::finding::{Finding, Severity, code};

pub(super) fn check(scene: &Scene<'_>) -> Said {
    let mut said = Said::default();
    spoilboard(scene, &mut said);
    through(scene, &mut said);
    cup(scene, &mut said);
    said.figure(
        layer::EXTREMES,
        "walls move with an error of the cutter's diameter by",
        scene.settled.cutter_error / 2.0,
        "mm",
        None,
        true,
    );
    said
}

/// How deep a setup's own step may go at a place, machine Z.
fn allowed_at(scene: &Scene<'_>, p: Point) -> Option<f64> {
    scene
        .setup
        .own_steps
        .iter()
        .flat_map(|s| &s.allowed)
        .filter(|(c, _)| c.contains(p) || c.distance(p) < 0.05)
        .map(|(_, z)| *z)
        .min_by(f64::total_cmp)
}

fn spoilboard(scene: &Scene<'_>, said: &mut Said) {
    let mut depths = Depths::default();
    for (i, m) in scene.recorded.motions.iter().enumerate() {
        if m.cuts && m.low() < scene.setup.z.lowest_underside() {
            depths.take(scene, i, m);
        }
    }
    let under = |low: Option<f64>| into(scene, low.unwrap_or(f64::INFINITY));
    said.figure(
        layer::EXTREMES,
        "deepest cut into the spoilboard under the thickest wood",
        under(depths.deepest),
        "mm",
        Some(scene.settled.spoilboard_limit),
        true,
    );
    said.figure(
        layer::EXTREMES,
        "deepest pilot or locating line in the spoilboard",
        under(depths.deepest_own),
        "mm",
        None,
        true,
    );
    if let Some((by, i)) = depths.too_deep {
        said_too_deep(scene, &scene.recorded.motions[i], -by, said);
    }
    if let Some((room, i)) = depths.too_thin {
        said_too_thin(scene, &scene.recorded.motions[i], room, said);
    }
}

/// How deep below the thickest wood a height lies, mm.
fn into(scene: &Scene<'_>, low: f64) -> f64 {
    (scene.setup.z.lowest_underside() - low).max(0.0)
}

/// How deep the cuts of a setup go into the spoilboard.
#[derive(Default)]
struct Depths {
    /// Lowest of the cuts, a drill's point left aside, machine Z.
    deepest: Option<f64>,
    /// Lowest of pilots and locating lines, machine Z.
    deepest_own: Option<f64>,
    /// The cut that goes deepest below what it may, negative, and its motion.
    too_deep: Option<(f64, usize)>,
    /// The cut that leaves too little of the spoilboard, what is left, and its motion.
    too_thin: Option<(f64, usize)>,
}

impl Depths {
    fn take(&mut self, scene: &Scene<'_>, i: usize, m: &Motion) {
        let Some(tool) = scene.recorded.tool(m) else {
            return;
        };
        // The full radius of a pointed drill is what must go through; its point goes deeper.
        let point = if tool.cutter.kind == CutterKind::Drill {
            tool.point_height()
        } else {
            0.0
        };
        let z = &scene.setup.z;
        let limit = z.lowest_underside() - scene.settled.spoilboard_limit;
        let low = m.low();
        let lower = |old: Option<f64>, new: f64| Some(old.map_or(new, |o| o.min(new)));
        let floor = match own_floor(scene, m) {
            Some(own) if own < limit => {
                self.deepest_own = lower(self.deepest_own, low);
                own
            }
            _ => {
                self.deepest = lower(self.deepest, low + point);
                limit - point
            }
        };
        if low < floor - 0.02 && self.too_deep.is_none_or(|w| low - floor < w.0) {
            self.too_deep = Some((low - floor, i));
        }
        // The spoilboard's own underside.
        let bottom = z.highest_underside() - scene.settled.spoilboard;
        let room = low - scene.settled.z_error - bottom;
        if room < scene.settled.spoilboard_reserve && self.too_thin.is_none_or(|w| room < w.0) {
            self.too_thin = Some((room, i));
        }
    }
}

/// How deep a motion of the setup's own steps may go; `None` where it leaves their places.
fn own_floor(scene: &Scene<'_>, m: &Motion) -> Option<f64> {
    [0.0, 0.5, 1.0]
        .into_iter()
        .map(|t| allowed_at(scene, m.path.at(t)))
        .try_fold(f64::NEG_INFINITY, |floor, own| Some(floor.max(own?)))
}

fn said_too_deep(scene: &Scene<'_>, m: &Motion, by: f64, said: &mut Said) {
    let at = m.path.end();
    let mut finding = at_line(
        scene.recorded,
        &scene.setup.id,
        m.text,
        m.line,
        &code::VERIFY_SPOILBOARD,
        format!(
            "the cut goes {} mm into the spoilboard, {} mm deeper than it may here.",
            mm(into(scene, m.low())),
            mm(by)
        ),
    )
    .at(at);
    if let Some((piece, feature)) = near_piece(scene, at) {
        finding = finding.part(piece).feature(feature);
    }
    said.find(Some(m.text), finding);
}

fn said_too_thin(scene: &Scene<'_>, m: &Motion, room: f64, said: &mut Said) {
    said.find(
        Some(m.text),
        at_line(
            scene.recorded,
            &scene.setup.id,
            m.text,
            m.line,
            &code::VERIFY_SPOILBOARD,
            format!(
                "with a zero {} mm low, {} mm of the spoilboard stay under this cut; {} are asked.",
                mm(scene.settled.z_error),
                mm(room.max(0.0)),
                mm(scene.settled.spoilboard_reserve)
            ),
        )
        .at(m.path.end()),
    );
}

/// The piece whose edge or feature a through cut belongs to.
fn near_piece<'a>(scene: &'a Scene<'_>, p: Point) -> Option<(&'a str, &'a str)> {
    if let Some((piece, Some(feature))) = scene.piece_at(p) {
        return Some((piece, feature));
    }
    scene
        .pieces
        .iter()
        .map(|q| {
            let b = q.bounds;
            let d = (p.x - p.x.clamp(b.min.x, b.max.x)).hypot(p.y - p.y.clamp(b.min.y, b.max.y));
            (d, q.name)
        })
        .min_by(|a, b| a.0.total_cmp(&b.0))
        .map(|(_, name)| (name, super::model::OUTLINE))
}

/// Through cuts still go through when the zero is a little high.
fn through(scene: &Scene<'_>, said: &mut Said) {
    let z = &scene.setup.z;
    let wants = scene.pieces.iter().any(|p| {
        p.model
            .features
            .iter()
            .any(|f| f.through && f.kind != FeatureKind::Engraving)
    });
    if !wants || scene.setup.skin > 0.0 {
        return;
    }
    let deepest = scene
        .recorded
        .motions
        .iter()
        .filter(|m| m.cuts && m.sideways())
        .map(|m| m.low())
        .fold(f64::INFINITY, f64::min);
    let below = z.lowest_underside() - deepest;
    if !below.is_finite() {
        return;
    }
    said.figure(
        layer::EXTREMES,
        "through cuts go below the thickest wood by",
        below,
        "mm",
        Some(scene.settled.z_error),
        true,
    );
    if below < scene.settled.z_error - 1e-6 {
        said.find(
            None,
            Finding::new(
                &code::VERIFY_EXTREMES,
                format!(
                    "through cuts reach {} mm below the thickest wood; a zero set {} mm high would leave a skin.",
                    mm(below),
                    mm(scene.settled.z_error)
                ),
            )
            .setup(&scene.setup.id)
            .severity(Severity::Warning),
        );
    }
    tabs(scene, said);
}

/// Tabs in the thinnest wood with the zero a little low.
fn tabs(scene: &Scene<'_>, said: &mut Said) {
    let z = &scene.setup.z;
    let tab = scene
        .setup
        .placements
        .iter()
        .flat_map(|p| {
            p.tabs
                .iter()
                .chain(p.waste.iter().flat_map(|w| &w.tabs))
                .map(|t| t.top)
        })
        .fold(f64::INFINITY, f64::min);
    let height = tab - z.highest_underside() - scene.settled.z_error;
    said.figure(
        layer::EXTREMES,
        "lowest tab in the thinnest wood with the zero set low",
        height,
        "mm",
        Some(scene.settled.tab_height),
        true,
    );
    if height.is_finite() && height < scene.settled.tab_height - 1e-6 {
        said.find(
            None,
            Finding::new(
                &code::VERIFY_EXTREMES,
                format!(
                    "with the zero set {} mm low, tabs are {} mm high in the thinnest wood; {} are asked.",
                    mm(scene.settled.z_error),
                    mm(height),
                    mm(scene.settled.tab_height)
                ),
            )
            .setup(&scene.setup.id)
            .severity(Severity::Warning),
        );
    }
}

/// A cupped board stands higher by its cup: rapids still clear it.
fn cup(scene: &Scene<'_>, said: &mut Said) {
    let Some(stock) = scene.work.documents.stock(&scene.setup.stock) else {
        return;
    };
    let cup = stock.cup.mm();
    if cup <= 0.0 {
        return;
    }
    let top = scene.setup.z.highest_top();
    let lowest = scene
        .recorded
        .motions
        .iter()
        .filter(|m| !m.cuts && m.sideways())
        .map(|m| m.low() - top)
        .fold(f64::INFINITY, f64::min);
    said.figure(
        layer::EXTREMES,
        "lowest sideways rapid above a board cupped as declared",
        lowest - cup,
        "mm",
        Some(0.0),
        true,
    );
    if lowest < cup {
        said.find(
            None,
            Finding::new(
                &code::VERIFY_EXTREMES,
                format!(
                    "the board may stand {} mm higher by its cup, but rapids run only {} mm above the flat face.",
                    mm(cup),
                    mm(lowest)
                ),
            )
            .setup(&scene.setup.id)
            .severity(Severity::Error),
        );
    }
}
