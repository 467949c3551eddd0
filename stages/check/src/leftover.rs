//! Layer 3: nothing is left that is to go. What each feature wants gone, from its flattened shape, less what the text's cutters
//! sweep at its floor, by the polygon kernel. Once per variant; copies whose moves match their variant's within 0.005 mm share the
//! answer.

use super::cover::rest;
use super::curves::{Boxes, around, unplaced};
use super::figures::{Said, mm};
use super::model::{Model, fillet_room, fillet_triangle};
use super::motions::{Motion, Tool};
use super::{Piece, Scene};
use grainway_geom::{Bounds, Capsule, Contour, Point, PolySet, Region, Segment};
use grainway_pipeline::doc::{CutterKind, FeatureKind};
use grainway_pipeline::finding::code;
use grainway_pipeline::tolerance::{KERNEL_MM, VERIFY_MM};
use grainway_pipeline::work::{CornerAnswer, SizedFeature};
use rayon::prelude::*;

/// Cutouts and outlines are cut along their edge: within this width beside it everything must be gone.
const BAND_MM: f64 = 0.5;
/// Threads of wood thinner than twice this between two passes are flattening, not wood.
const THREAD_MM: f64 = 0.01;
/// A tab is no longer than this along the edge; more is an edge that was not cut.
const TAB_LONGEST_MM: f64 = 60.0;
/// What stands higher than this share of the thinnest wood is no tab but an edge that was not cut.
const TAB_SHARE: f64 = 0.6;
/// Tabs are as high as this also in wood so thin that it is a larger share, mm (common practice: 3 to 4 mm) …
const TAB_USUAL_MM: f64 = 4.0;
/// … as long as so much is cut away over them, mm.
const TAB_BELOW_FACE_MM: f64 = 0.8;
/// A ball's or a point's scallops up to this height above a floor are not left-over wood.
const SCALLOP_MM: f64 = 0.1;

/// Wood that should be gone.
#[derive(Clone, Debug)]
struct Left {
    feature: usize,
    /// Piece's frame.
    at: Point,
    area: f64,
    width: f64,
    why: Why,
}

#[derive(Clone, Copy, Debug, PartialEq)]
enum Why {
    /// A line that is not run along at its depth.
    NotRun,
    Stands,
    /// More bridges than the placement has tabs.
    NoTabThere,
}

/// What a piece's check says.
#[derive(Clone, Debug, Default)]
struct Outcome {
    left: Vec<Left>,
    /// Area left in all, mm².
    area: f64,
}

pub(super) fn check(scene: &Scene<'_>) -> Said {
    // Moves near each piece, in the piece's own frame.
    let near: Vec<Vec<(usize, Motion)>> =
        scene.pieces.iter().map(|p| moves_near(scene, p)).collect();
    let mut same_as: Vec<usize> = (0..scene.pieces.len()).collect();
    for i in 0..scene.pieces.len() {
        let first = (0..i).find(|j| {
            same_as[*j] == *j
                && scene.pieces[*j].model.id == scene.pieces[i].model.id
                && tabs_of(scene, *j) == tabs_of(scene, i)
                && scene.pieces[*j].skin == scene.pieces[i].skin
                && matches(&near[*j], &near[i])
        });
        if let Some(j) = first {
            same_as[i] = j;
        }
    }
    let outcomes: Vec<Option<Outcome>> = (0..scene.pieces.len())
        .into_par_iter()
        .map(|i| (same_as[i] == i).then(|| piece_outcome(scene, i, &near[i])))
        .collect();
    let mut said = Said::of("leftover");
    let (mut total, mut checked) = (0.0, 0);
    for (i, piece) in scene.pieces.iter().enumerate() {
        let Some(outcome) = &outcomes[same_as[i]] else {
            continue;
        };
        checked += usize::from(same_as[i] == i);
        total += outcome.area;
        for left in &outcome.left {
            say(scene, piece, left, &near[i], &mut said);
        }
    }
    said.exact("wood left that is to go", total, "mm2", 0.0);
    said.exact(
        "pieces checked in full; the others follow one of them within 0.005 mm",
        checked as f64,
        "pieces",
        None,
    );
    said
}

fn tabs_of<'a>(scene: &Scene<'a>, i: usize) -> (usize, Vec<(&'a str, usize)>) {
    let p = scene.pieces[i].placement;
    let waste = p.waste.iter().map(|w| (w.feature.as_str(), w.tabs.len()));
    (p.tabs.len(), waste.collect())
}

fn say(
    scene: &Scene<'_>,
    piece: &Piece<'_>,
    left: &Left,
    near: &[(usize, Motion)],
    said: &mut Said,
) {
    let feature = &piece.model.features[left.feature];
    // The move that runs nearest, deepest first: where a pass was moved or lifted, this is it.
    let nearest = near
        .iter()
        .filter(|(_, m)| m.cuts)
        .map(|(i, m)| ((m.path.distance(left.at) * 10.0).round(), m.low(), *i))
        .min_by(|a, b| {
            a.0.total_cmp(&b.0)
                .then(a.1.total_cmp(&b.1))
                .then(a.2.cmp(&b.2))
        })
        .map(|n| &scene.recorded.motions[n.2]);
    let (text, line) = nearest.map_or((None, 0), |m| (Some(m.text), m.line));
    let what = match left.why {
        Why::Stands => format!(
            "{} of {} keeps {} mm2 of wood, up to {} mm wide",
            feature.key,
            piece.name,
            mm(left.area),
            mm(left.width)
        ),
        Why::NotRun => format!(
            "{} of {} is not engraved to its depth over {} mm",
            feature.key,
            piece.name,
            mm(left.width)
        ),
        Why::NoTabThere => format!(
            "{} of {} keeps a bridge of {} mm2 where no tab is planned",
            feature.key,
            piece.name,
            mm(left.area)
        ),
    };
    let message = if line > 0 {
        format!("{what}; the nearest cut is in this line.")
    } else {
        format!("{what}; nothing cuts there.")
    };
    said.find(
        text,
        scene
            .at_line(text.unwrap_or(0), line, &code::VERIFY_LEFTOVER, message)
            .part(piece.name)
            .feature(&feature.key)
            .at(piece.placing.point(left.at)),
    );
}

pub(super) fn moves_near(scene: &Scene<'_>, piece: &Piece<'_>) -> Vec<(usize, Motion)> {
    let top = scene.setup.z.highest_top();
    let mut out = Vec::new();
    scene
        .motion_boxes
        .visit(piece.bounds.grown(BAND_MM + 0.1), usize::MAX, &mut |i| {
            let m = &scene.recorded.motions[i];
            if i >= scene.wood_from && m.cuts && m.low() < top {
                let path = unplaced(&m.path, &piece.placing);
                out.push((i, Motion { path, ..*m }));
            }
            true
        });
    out
}

/// Two runs of moves are the same curves in the same order.
fn matches(a: &[(usize, Motion)], b: &[(usize, Motion)]) -> bool {
    let alike = |(m, n): (&Motion, &Motion)| {
        m.tool == n.tool && m.is_like(n) && (m.path.bulge() == 0.0) == (n.path.bulge() == 0.0)
    };
    let mut pairs = a.iter().map(|m| &m.1).zip(b.iter().map(|n| &n.1));
    a.len() == b.len() && pairs.all(alike)
}

fn piece_outcome(scene: &Scene<'_>, index: usize, near: &[(usize, Motion)]) -> Outcome {
    let piece = &scene.pieces[index];
    let variant = &piece.model.variant;
    let boxes = Boxes::new(
        near.iter()
            .map(|(_, m)| {
                m.bounds()
                    .grown(scene.recorded.tool(m).map_or(0.0, |t| t.radius) + 1e-6)
            })
            .collect(),
    );
    let (outline_tabs, waste_tabs) = tabs_of(scene, index);
    let parts: Vec<(Vec<Left>, f64)> = variant
        .features
        .par_iter()
        .enumerate()
        .map(|(k, f)| {
            let tabs = match f.kind {
                FeatureKind::Outline => outline_tabs,
                _ => waste_tabs
                    .iter()
                    .find(|(key, _)| *key == f.key)
                    .map_or(0, |(_, n)| *n),
            };
            let one = One {
                scene,
                model: piece.model,
                near,
                boxes: &boxes,
                skin: piece.skin,
            };
            let left = match f.kind {
                FeatureKind::Engraving => one.engraving(k, f),
                _ => one.feature(k, f, tabs),
            };
            let area = left.iter().map(|l| l.area).sum();
            (left, area)
        })
        .collect();
    let mut outcome = Outcome::default();
    for (left, area) in parts {
        outcome.left.extend(left);
        outcome.area += area;
    }
    outcome
}

struct One<'a> {
    scene: &'a Scene<'a>,
    model: &'a Model,
    near: &'a [(usize, Motion)],
    boxes: &'a Boxes,
    /// Thickness of the skin that may stand under the outline, mm.
    skin: Option<f64>,
}

impl One<'_> {
    /// The height that counts as the floor reached.
    fn reached(&self, f: &SizedFeature) -> f64 {
        let z = &self.scene.setup.z;
        let edge = matches!(f.kind, FeatureKind::Outline | FeatureKind::Cutout);
        let floor = match self.skin {
            Some(skin) if f.kind == FeatureKind::Outline => z.tab_top(skin),
            _ if f.through || edge => z.lowest_underside(),
            _ => f.floor,
        };
        floor + VERIFY_MM
    }
    /// What is left of `wanted` at height `z`.
    fn rest(&self, wanted: &PolySet, z: f64) -> PolySet {
        rest(wanted, &self.capsules(wanted.bounds(), z))
    }
    fn capsules(&self, query: Bounds, z: f64) -> Vec<Capsule> {
        let mut capsules = Vec::new();
        self.boxes.visit(query, usize::MAX, &mut |i| {
            let m = &self.near[i].1;
            if let (Some(path), Some(tool)) = (m.path_below(z), self.scene.recorded.tool(m)) {
                let radius = lower_radius(tool, z - m.low());
                if radius > 0.0 {
                    capsules.push(Capsule {
                        segment: path,
                        radius,
                    });
                }
            }
            true
        });
        capsules
    }
    fn feature(&self, k: usize, f: &SizedFeature, tabs: usize) -> Vec<Left> {
        let edge = matches!(f.kind, FeatureKind::Outline | FeatureKind::Cutout);
        let Some(wanted) = self.wanted(f, k) else {
            return Vec::new();
        };
        if wanted.is_empty() {
            return Vec::new();
        }
        let z = self.reached(f);
        let rest = thick(&self.rest(&wanted, z));
        if rest.is_empty() {
            return Vec::new();
        }
        let whole = wanted.area();
        let pieces: Vec<PolySet> = rest
            .0
            .iter()
            .map(|shape| PolySet(vec![shape.clone()]))
            .collect();
        let mut left = Vec::new();
        let mut bridges = Vec::new();
        for p in pieces {
            if edge && tabs > 0 && self.is_bridge(&p) {
                bridges.push(p);
            } else {
                left.push(self.left(k, &p, Why::Stands));
            }
        }
        let bridged: f64 = bridges.iter().map(PolySet::area).sum();
        if bridges.len() > tabs {
            // Which of them are the planned ones does not matter: the smallest are the odd ones out.
            bridges.sort_by(|a, b| a.area().total_cmp(&b.area()));
            let odd = bridges.len() - tabs;
            left.extend(
                bridges[..odd]
                    .iter()
                    .map(|p| self.left(k, p, Why::NoTabThere)),
            );
        } else if bridged > 0.6 * whole {
            left.extend(bridges.iter().map(|p| self.left(k, p, Why::Stands)));
        }
        left
    }
    /// What must be gone at the feature's floor, drawn in by what verify allows. `None` when the kind wants nothing.
    fn wanted(&self, f: &SizedFeature, k: usize) -> Option<PolySet> {
        let model = &self.model.features[k];
        let outline = || PolySet::from_contour(&self.model.variant.outline, KERNEL_MM);
        let mut region = match f.kind {
            FeatureKind::Outline => {
                let part = outline();
                part.offset(BAND_MM).difference(&part)
            }
            FeatureKind::Cutout => {
                let all = PolySet::from_regions(&[f.region()], KERNEL_MM);
                let band = all.difference(&all.offset(-BAND_MM));
                band.intersection(&outline())
            }
            FeatureKind::Engraving => return None,
            _ => {
                let all = PolySet::from_regions(&[f.region()], KERNEL_MM);
                if self.wholly_inside(f) {
                    all
                } else {
                    all.intersection(&outline())
                }
            }
        };
        let r = model.radius;
        if self.model.left_for_hands[k] && r > 0.0 && f.kind != FeatureKind::Outline {
            // Left for hands: only what a cutter of this radius can clear is wanted.
            let all = PolySet::from_regions(&[f.region()], KERNEL_MM);
            region = region.intersection(&all.opening(r));
        }
        let mut allowed: Vec<Region> = Vec::new();
        let walls = || std::iter::once(&f.shape).chain(&f.islands);
        let curved = walls()
            .flat_map(Contour::segments)
            .any(|s| matches!(s, Segment::Arc { .. }));
        for corner in &f.corners {
            let (fillet, r) = match &corner.answer {
                CornerAnswer::Fillet | CornerAnswer::Covered | CornerAnswer::ByHand => (true, r),
                CornerAnswer::Rest { .. } => (true, model.rest_radius),
                CornerAnswer::Lobe { .. } => (false, r),
            };
            let apex = r * (1.0 / (corner.angle / 2.0).sin().max(1e-6) - 1.0);
            let within = f.leave.is_none_or(|l| apex <= l + VERIFY_MM);
            if fillet && within {
                let room = match curved {
                    true => fillet_room(walls(), corner, r, VERIFY_MM),
                    false => fillet_triangle(corner, r, VERIFY_MM),
                };
                allowed.push(Region::inside(room));
            }
        }
        if let Some(leave) = f.leave.filter(|l| *l > 0.0) {
            for c in std::iter::once(&f.shape).chain(&f.islands) {
                allowed.extend(
                    c.vertices
                        .iter()
                        .map(|v| Region::inside(Contour::circle(v.at, leave + VERIFY_MM))),
                );
            }
        }
        if !allowed.is_empty() {
            region = region.difference(&PolySet::from_regions(&allowed, KERNEL_MM));
        }
        if !model.lobes.is_empty() {
            let discs: Vec<Region> = model
                .lobes
                .iter()
                .map(|l| Region::inside(Contour::circle(l.to, l.radius)))
                .collect();
            region = region.union(&PolySet::from_regions(&discs, KERNEL_MM));
        }
        Some(region.offset(-VERIFY_MM))
    }
    fn wholly_inside(&self, f: &SizedFeature) -> bool {
        let b = f.shape.bounds();
        let o = self.model.bounds;
        o.contains(b.min)
            && o.contains(b.max)
            && f.shape
                .vertices
                .iter()
                .all(|v| self.model.outline.contains(v.at))
            && self.model.variant.outline.segments().all(|s| {
                !s.bounds().touches(b)
                    || f.shape
                        .segments()
                        .all(|t| super::curves::distance(&s, &t).0 > 1e-6)
            })
    }
    /// A bit of an edge that stands at full depth is a bridge when it is cut down to tab height and no longer than a tab.
    fn is_bridge(&self, p: &PolySet) -> bool {
        let b = p.bounds();
        if b.width().hypot(b.height()) > TAB_LONGEST_MM {
            return false;
        }
        let z = &self.scene.setup.z;
        let high = (TAB_SHARE * z.thinnest).max(TAB_USUAL_MM.min(z.thinnest - TAB_BELOW_FACE_MM));
        let top = z.highest_underside() + high + VERIFY_MM;
        thick(&self.rest(p, top)).is_empty()
    }
    fn left(&self, k: usize, p: &PolySet, why: Why) -> Left {
        // Greatest width: twice the farthest that the shape can be drawn in before it is gone.
        let b = p.bounds();
        let (mut low, mut high) = (0.0, 0.5 * b.width().min(b.height()).max(1e-3));
        for _ in 0..10 {
            let middle = 0.5 * (low + high);
            if p.offset(-middle).is_empty() {
                high = middle;
            } else {
                low = middle;
            }
        }
        let core = p.offset(-low * 0.9);
        let core = if core.is_empty() { p.clone() } else { core };
        let at = core.pieces().first().map_or(b.centre(), |q| q.inside);
        Left {
            feature: k,
            at,
            area: p.area(),
            width: 2.0 * low,
            why,
        }
    }
    /// The whole line must be run along at its depth.
    fn engraving(&self, k: usize, f: &SizedFeature) -> Vec<Left> {
        let z = f.floor + VERIFY_MM;
        let mut missing: Option<(Point, f64)> = None;
        for c in std::iter::once(&f.shape).chain(&f.islands) {
            for s in c.segments() {
                let n = (s.length() / 0.5).ceil().clamp(1.0, 100_000.0) as usize;
                for i in 0..=n {
                    let p = s.at(i as f64 / n as f64);
                    let mut covered = false;
                    self.boxes
                        .visit(around(p, VERIFY_MM), usize::MAX, &mut |j| {
                            let m = &self.near[j].1;
                            covered = m
                                .path_below(z)
                                .is_some_and(|path| path.distance(p) <= VERIFY_MM);
                            !covered
                        });
                    if !covered {
                        let step = s.length() / n as f64;
                        missing = Some(missing.map_or((p, step), |(at, l)| (at, l + step)));
                    }
                }
            }
        }
        // A single sample at an end is rounding.
        match missing {
            Some((at, length)) if length > 0.6 => vec![Left {
                feature: k,
                at,
                area: length * 2.0 * self.model.features[k].radius,
                width: length,
                why: Why::NotRun,
            }],
            _ => Vec::new(),
        }
    }
}

/// The radius that surely cuts at a floor reached `below` mm above the tip.
fn lower_radius(tool: &Tool, below: f64) -> f64 {
    match tool.cutter.kind {
        CutterKind::EndMill => tool.radius,
        // A drill's point goes as deep as the drawing says; its wall is the hole's.
        CutterKind::Drill => tool.radius,
        CutterKind::BallNose | CutterKind::VCutter => tool.radius_at(below + SCALLOP_MM),
    }
}

/// Without threads that are only flattening.
fn thick(p: &PolySet) -> PolySet {
    PolySet(
        p.0.iter()
            .filter(|shape| {
                !PolySet(vec![(*shape).clone()])
                    .offset(-THREAD_MM)
                    .is_empty()
            })
            .cloned()
            .collect(),
    )
}
