//! Layer 8: the thinnest and thickest wood, a zero set a little wrong, a cutter measured a little wrong, a cupped board: still cut
//! through, floors not broken through, the spoilboard not cut through. Tabs, skins and what else holds are judged with the zero set
//! low by the loose layer, screws and clamps with the wider cutter by the holds layer.

use super::curves::around;
use super::figures::{Said, mm};
use super::loose::{lowest_within, walk};
use super::model::Model;
use super::motions::Motion;
use super::{Piece, Scene};
use grainway_geom::Point;
use grainway_pipeline::doc::{CutterKind, FeatureKind};
use grainway_pipeline::finding::{Finding, Severity, code};
use grainway_pipeline::tolerance::{RELIEF_MARGIN_MM, SAME_LEVEL_MM, VERIFY_MM};
use grainway_pipeline::work::SizedFeature;

/// Along an edge, depths are looked at in steps of this, mm.
const EDGE_STEP_MM: f64 = 5.0;
/// Depths along an edge are looked at this far beside it, in what is to go, mm.
const BESIDE_EDGE_MM: f64 = 0.05;
/// What a joint's recess may be wider than a tight fit before it is loose, mm: the play of a push fit in furniture; common practice,
/// no source.
const JOINT_PLAY_MM: f64 = 0.2;

pub(super) fn check(scene: &Scene<'_>) -> Said {
    let mut said = Said::of("extremes");
    spoilboard(scene, &mut said);
    through(scene, &mut said);
    floors(scene, &mut said);
    walls(scene, &mut said);
    cup(scene, &mut said);
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
    said.exact(
        "deepest cut into the spoilboard under the thickest wood",
        under(depths.deepest),
        "mm",
        scene.settled.spoilboard_limit,
    );
    said.exact(
        "deepest pilot or locating line in the spoilboard",
        under(depths.deepest_own),
        "mm",
        None,
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
    let mut finding = scene
        .at_line(
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
        scene.at_line(
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

/// Through cuts still go through when the zero is a little high: along every edge that the text cuts through at all.
fn through(scene: &Scene<'_>, said: &mut Said) {
    let underside = scene.setup.z.lowest_underside();
    let limit = scene.settled.z_error;
    let mut least = f64::INFINITY;
    for piece in &scene.pieces {
        let variant = &piece.model.variant;
        let through = |f: &&SizedFeature| {
            let skin = f.kind == FeatureKind::Outline && piece.skin.is_some();
            f.through && f.kind != FeatureKind::Engraving && !skin
        };
        for f in variant.features.iter().filter(through) {
            let Some((low, i)) = shallowest(scene, piece, f) else {
                continue;
            };
            let below = underside - low;
            least = least.min(below);
            if below < limit - 1e-6 {
                let m = &scene.recorded.motions[i];
                let message = format!(
                    "{} of {} is cut {} mm below the thickest wood; a zero set {} mm high would leave a skin.",
                    f.key,
                    piece.name,
                    mm(below),
                    mm(limit)
                );
                let finding = scene.at_line(m.text, m.line, &code::VERIFY_EXTREMES, message);
                said.find(
                    Some(m.text),
                    finding.part(piece.name).feature(&f.key).at(m.path.end()),
                );
            }
        }
    }
    said.exact(
        "through cuts go below the thickest wood by",
        least,
        "mm",
        limit,
    );
}

/// The least depth that the text reaches along the edge of a through feature, where it goes through the wood at all (a bridge that
/// should not stand is left-over wood), machine Z, and the motion that goes deepest there.
fn shallowest(scene: &Scene<'_>, piece: &Piece<'_>, f: &SizedFeature) -> Option<(f64, usize)> {
    let n = (f.shape.length() / EDGE_STEP_MM).ceil().max(8.0) as usize;
    let out = if f.kind == FeatureKind::Outline {
        BESIDE_EDGE_MM
    } else {
        -BESIDE_EDGE_MM
    };
    let mut worst: Option<(f64, usize)> = None;
    for (p, normal) in walk(&f.shape, n) {
        let place = piece.placing.point(p + normal * out);
        // On the slope up to a tab the depth is between that of the cut and the tab's.
        let slopes = |i: usize| {
            let m = &scene.recorded.motions[i];
            m.sideways() && (m.z[0] - m.z[1]).abs() > SAME_LEVEL_MM
        };
        if let Some((low, i)) = deepest_at(scene, place)
            && !slopes(i)
            && low < scene.setup.z.lowest_underside() + VERIFY_MM
            && worst.is_none_or(|w| low > w.0)
        {
            worst = Some((low, i));
        }
    }
    worst
}

/// The lowest height that the text's cutters reach with their full radius at a place, and the motion.
fn deepest_at(scene: &Scene<'_>, p: Point) -> Option<(f64, usize)> {
    let mut best: Option<(f64, usize)> = None;
    scene
        .motion_boxes
        .visit(around(p, 1e-6), usize::MAX, &mut |i| {
            let m = &scene.recorded.motions[i];
            if m.cuts
                && let Some(t) = scene.recorded.tool(m)
                && best.is_none_or(|b| m.low() < b.0)
                && m.path.distance(p) <= t.radius
            {
                let low = lowest_within(m, p, t.radius) + t.point_height();
                if best.is_none_or(|b| low < b.0) {
                    best = Some((low, i));
                }
            }
            true
        });
    best
}

/// Blind floors do not break through the thinnest wood when the zero is a little low.
fn floors(scene: &Scene<'_>, said: &mut Said) {
    let underside = scene.setup.z.highest_underside();
    let error = scene.settled.z_error;
    let mut least = f64::INFINITY;
    for piece in &scene.pieces {
        for f in piece.model.features.iter().filter(|f| !f.through) {
            let stays = f.floor - error - underside;
            least = least.min(stays);
            if stays <= 0.0 {
                let message = format!(
                    "{} of {} leaves {} mm of the thinnest wood; a zero set {} mm low would break through.",
                    f.key,
                    piece.name,
                    mm(f.floor - underside),
                    mm(error)
                );
                said.find(
                    None,
                    Finding::new(&code::VERIFY_EXTREMES, message)
                        .setup(&scene.setup.id)
                        .part(piece.name)
                        .feature(&f.key),
                );
            }
        }
    }
    said.exact(
        "least wood under a blind floor in the thinnest wood with the zero set low",
        least,
        "mm",
        0.0,
    );
}

/// A wall moves by half the error of the cutter's diameter; what fits into a joint's recess may then be too wide for it, and a
/// relief may no longer reach its corner.
fn walls(scene: &Scene<'_>, said: &mut Said) {
    let error = scene.settled.cutter_error;
    said.exact(
        "walls move with an error of the cutter's diameter by",
        error / 2.0,
        "mm",
        None,
    );
    let lies_here = |m: &&Model| scene.pieces.iter().any(|p| p.model.id == m.id);
    for model in scene.models.iter().filter(lies_here) {
        for f in &model.features {
            let why = if is_joint(f.kind) && error > JOINT_PLAY_MM + 1e-9 {
                format!(
                    "its width changes by as much, more than the {JOINT_PLAY_MM} mm of play that a joint has"
                )
            } else if !f.lobes.is_empty() && error / 2.0 > RELIEF_MARGIN_MM + 1e-9 {
                format!(
                    "its reliefs reach {} mm past their corners at most, and would not clear them",
                    mm(RELIEF_MARGIN_MM)
                )
            } else {
                continue;
            };
            let message = format!(
                "{} of {}: with a cutter {} mm smaller or larger than it was measured, {why}.",
                f.key,
                model.part,
                mm(error)
            );
            said.find(
                None,
                Finding::new(&code::VERIFY_EXTREMES, message)
                    .setup(&scene.setup.id)
                    .part(&model.part)
                    .feature(&f.key)
                    .severity(Severity::Warning)
                    .remedy("Measure the cutter's width of cut more closely, and lower verify.cutter-error to what is left."),
            );
        }
    }
}

/// Another piece goes into it.
fn is_joint(kind: FeatureKind) -> bool {
    matches!(
        kind,
        FeatureKind::Mortise
            | FeatureKind::Housing
            | FeatureKind::Rebate
            | FeatureKind::Groove
            | FeatureKind::Lap
    )
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
    let high = cup + scene.settled.z_error;
    let top = scene.setup.z.highest_top();
    let lowest = scene
        .recorded
        .motions
        .iter()
        .filter(|m| !m.cuts && m.sideways())
        .map(|m| m.low() - top)
        .fold(f64::INFINITY, f64::min);
    said.exact(
        "lowest sideways rapid above a board cupped as declared, with the zero set low",
        lowest - high,
        "mm",
        0.0,
    );
    if lowest < high - 1e-6 {
        said.find(
            None,
            Finding::new(
                &code::VERIFY_EXTREMES,
                format!(
                    "the board may stand {} mm higher by its cup and a zero set low, but rapids run only {} mm above the flat face.",
                    mm(high),
                    mm(lowest)
                ),
            )
            .setup(&scene.setup.id),
        );
    }
}
