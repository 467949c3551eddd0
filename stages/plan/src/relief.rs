//! Decides every inside corner and the cutter that finishes it.
//!
//! An inside corner is one that a round cutter cannot make sharp. What is done about it is the feature's own wish or the setting
//! for its kind: a lobe (dog-bone or T-bone), square by hand, or no relief. Without relief a thinner cutter goes over the corners of
//! a recess, if the shop has one; a fillet that stays is told in the hand-work list. The cutter is decided here because a lobe's
//! place follows from its radius; the stages that cut keep to it.

mod joints;

use crate::cutters;
use crate::findings;
use crate::reach;
use grainway_geom::{Contour, Notes, Point, Region, Segment};
use grainway_pipeline::doc::{FeatureKind, Length, Relief, ReliefKind, ReliefWay};
use grainway_pipeline::finding::{Finding, code};
use grainway_pipeline::stage::{Cx, Description, Stop, TypedStage};
use grainway_pipeline::tolerance::RELIEF_MARGIN_MM;
use grainway_pipeline::work::{
    Corner, CornerAnswer, Documents, HandWork, SizedFeature, Variant, Work,
};
use joints::{Way, Ways};
use rayon::prelude::*;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::f64::consts::PI;

/// A corner that turns by less than this (radians, one degree) is none: what a cutter leaves in it is thinner than a shaving.
const LEAST_TURN: f64 = PI / 180.0;
/// Corners up to this inside angle, degrees, are relieved where nothing else is said.
const UP_TO_ANGLE: f64 = 170.0;
/// A corner this near the part's edge, or beyond it, lies in the run-out.
const ON_EDGE_MM: f64 = 0.02;
/// A fillet whose corner lies no farther than this from it, mm, is no work for a cutter or a chisel: sanding takes it. Common
/// practice, no source.
const TOLD_FILLET_MM: f64 = 0.1;
/// Edges whose lengths differ by less than this count as equal.
const EQUAL_EDGES_MM: f64 = 0.01;

/// Settings of the relief stage: what is done about inside corners where the feature itself does not say.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields, default)]
pub struct ReliefSettings {
    /// Mortises: by default T-bones into the short edges, the ends.
    pub mortise: Relief,
    /// Housings: by default dog-bones at the stopped ends.
    pub housing: Relief,
    /// Pockets: none by default.
    pub pocket: Relief,
    /// Rebates: none by default; they run out or take a rounded panel.
    pub rebate: Relief,
    /// Grooves: none by default.
    pub groove: Relief,
    /// Laps: none by default; they run out.
    pub lap: Relief,
    /// Cutouts: none by default.
    pub cutout: Relief,
    /// The part's own edge: none by default.
    pub outline: Relief,
    /// How much farther than the corner itself a lobe reaches, so that a worn or badly measured cutter still gets there. 0.1 mm.
    pub margin: Length,
    /// The share of a tenon's bending strength at its shoulder that lobes may take before a warning. 0.2.
    pub most_loss: f64,
    /// The cutter for all features that do not ask for one of their own; chosen by size when left out.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub cutter: Option<String>,
}

impl Default for ReliefSettings {
    fn default() -> Self {
        let none = || Relief {
            kind: ReliefKind::None,
            ..Relief::default()
        };
        let lobe = |kind| Relief {
            kind,
            way: ReliefWay::IntoShort,
            ..Relief::default()
        };
        ReliefSettings {
            mortise: lobe(ReliefKind::TBone),
            housing: lobe(ReliefKind::DogBone),
            pocket: none(),
            rebate: none(),
            groove: none(),
            lap: none(),
            cutout: none(),
            outline: none(),
            margin: Length::from_mm(RELIEF_MARGIN_MM),
            most_loss: 0.2,
            cutter: None,
        }
    }
}

impl ReliefSettings {
    /// What is done in the corners of features of a kind.
    pub fn of(&self, kind: FeatureKind) -> &Relief {
        match kind {
            FeatureKind::Mortise => &self.mortise,
            FeatureKind::Housing => &self.housing,
            FeatureKind::Rebate => &self.rebate,
            FeatureKind::Groove => &self.groove,
            FeatureKind::Lap => &self.lap,
            FeatureKind::Cutout => &self.cutout,
            FeatureKind::Outline => &self.outline,
            FeatureKind::Pocket | FeatureKind::Hole | FeatureKind::Engraving => &self.pocket,
        }
    }
}

/// The relief stage.
#[derive(Clone, Copy, Debug, Default)]
pub struct ReliefStage;

/// What is cut with the side of a flat cutter: it has inside corners and needs a cutter.
fn is_milled(feature: &SizedFeature) -> bool {
    !matches!(feature.kind, FeatureKind::Hole | FeatureKind::Engraving)
}

impl TypedStage for ReliefStage {
    type Settings = ReliefSettings;
    fn describe(&self) -> Description {
        Description {
            name: "relief",
            version: 2,
            summary: "Decides every inside corner and the cutter that finishes it.",
            needs: &["variants"],
            gives: &["corners"],
            spoils: &[
                "steps.pocket",
                "steps.profile",
                "held",
                "ordered",
                "programs",
                "verified",
                "reported",
            ],
        }
    }
    fn run(&self, work: &mut Work, settings: &Self::Settings, cx: &Cx<'_>) -> Result<(), Stop> {
        cx.check()?;
        let mut variants = std::mem::take(&mut work.variants);
        // Corners first: which fillets are allowed decides which cutters reach.
        let able = find_corners(&work.documents, &mut variants, settings, cx);
        cx.check()?;
        let mut findings = Vec::new();
        choose_cutters(&work.documents, &mut variants, able, &mut findings);
        let ways = joints::settle(work, &mut variants, settings);
        for said in decide_all(work, &mut variants, settings, &ways) {
            findings.extend(said.findings);
            work.hand_work.extend(said.hand_work);
        }
        let eased = joints::eased(work);
        work.hand_work.extend(eased);
        work.variants = variants;
        work.findings.extend(findings);
        Ok(())
    }
}

/// For each milled feature of each variant the cutters that can make it, or why there is none.
type Able = Vec<Result<Vec<cutters::Choice>, Vec<Finding>>>;

/// Finds the inside corners of all milled features, and the cutters that can make each.
fn find_corners(
    documents: &Documents,
    variants: &mut [Variant],
    settings: &ReliefSettings,
    cx: &Cx<'_>,
) -> Vec<Able> {
    variants
        .par_iter_mut()
        .map(|variant| {
            let outline = variant.outline.clone();
            for feature in variant.features.iter_mut().filter(|f| is_milled(f)) {
                feature.corners = inside_corners(feature, &outline);
                feature.cutter = None;
            }
            let variant = &*variant;
            variant
                .features
                .iter()
                .filter(|f| is_milled(f))
                .map(|f| {
                    if cx.cancel.is_set() {
                        return Ok(Vec::new());
                    }
                    cutters::candidates(documents, variant, f, settings.cutter.as_deref())
                })
                .collect()
        })
        .collect()
}

/// Gives every milled feature its cutter, with few different ones over the whole job.
fn choose_cutters(
    documents: &Documents,
    variants: &mut [Variant],
    able: Vec<Able>,
    findings: &mut Vec<Finding>,
) {
    let mut lists = Vec::new();
    for result in able.into_iter().flatten() {
        match result {
            Ok(list) => lists.push(list),
            Err(problems) => {
                findings.extend(problems);
                lists.push(Vec::new());
            }
        }
    }
    let mut chosen = cutters::share_out(documents, lists).into_iter();
    for variant in variants {
        for feature in variant.features.iter_mut().filter(|f| is_milled(f)) {
            if let Some(choice) = chosen.next().flatten() {
                findings.extend(choice.findings);
                feature.cutter = Some(choice.cutter);
            }
        }
    }
}

/// Answers the corners of all features that have a cutter.
fn decide_all(
    work: &Work,
    variants: &mut [Variant],
    settings: &ReliefSettings,
    ways: &Ways,
) -> Vec<Said> {
    let documents = &work.documents;
    let counts: Vec<u32> = variants
        .iter()
        .map(|v| work.part(&v.part).map_or(1, |p| p.count))
        .collect();
    variants
        .par_iter_mut()
        .zip(counts)
        .map(|(variant, count)| {
            let mut said = Said {
                findings: Vec::new(),
                hand_work: Vec::new(),
                count,
            };
            for i in 0..variant.features.len() {
                let radius = variant.features[i]
                    .cutter
                    .as_deref()
                    .and_then(|id| documents.cutter(id))
                    .map(|c| c.radius_mm());
                if let Some(radius) = radius {
                    let by = Deciding {
                        documents,
                        settings,
                        ways,
                    };
                    decide(&by, variant, i, radius, &mut said);
                }
            }
            said
        })
        .collect()
}

/// What deciding a variant's corners had to say.
struct Said {
    findings: Vec<Finding>,
    hand_work: Vec<HandWork>,
    count: u32,
}

/// The inside corners of a feature, all answered with `Fillet`, in the order of its contours. Corners on the part's edge or
/// beyond are none: the cutter runs out there.
pub fn inside_corners(feature: &SizedFeature, outline: &Contour) -> Vec<Corner> {
    let outside_in = feature.kind == FeatureKind::Outline;
    let shape = feature.shape.clone().oriented(true);
    let mut corners = Vec::new();
    if outside_in {
        // The cutter's space is outside: seen along the reversed contour it is on the left, like everywhere else.
        for mut c in corners_of(&shape.reversed()) {
            std::mem::swap(&mut c.before, &mut c.after);
            c.lengths.swap(0, 1);
            corners.push(c);
        }
        corners.reverse();
    } else {
        for region in reach::regions(feature) {
            corners.extend(corners_of(&region.outer.oriented(true)));
            for island in region.holes {
                corners.extend(corners_of(&island.oriented(false)));
            }
        }
        corners.retain(|c| outline.contains(c.at) && outline.distance(c.at) > ON_EDGE_MM);
    }
    corners
}

/// Corners that turn left along a closed contour, whose left side is the cutter's space.
fn corners_of(contour: &Contour) -> Vec<Corner> {
    let segments: Vec<Segment> = contour
        .without_repeats(1e-4)
        .segments()
        .filter(|s| s.length() > 1e-6)
        .collect();
    let n = segments.len();
    let mut corners = Vec::new();
    for i in 0..n {
        let (a, b) = (&segments[(i + n - 1) % n], &segments[i]);
        let (Some(into), Some(out)) = (a.direction(1.0), b.direction(0.0)) else {
            continue;
        };
        let turn = into.cross(out).atan2(into.dot(out));
        if turn < LEAST_TURN {
            continue;
        }
        corners.push(Corner {
            at: b.start(),
            angle: PI - turn,
            before: -into,
            after: out,
            lengths: [
                straight_length(&segments, (i + n - 1) % n, false),
                straight_length(&segments, i, true),
            ],
            answer: CornerAnswer::Fillet,
        });
    }
    corners
}

/// Length of the edge that begins with segment `from`, going on over segments in the same direction (backwards when not
/// `forwards`), mm.
fn straight_length(segments: &[Segment], from: usize, forwards: bool) -> f64 {
    let n = segments.len();
    let mut length = segments[from].length();
    let mut i = from;
    for _ in 1..n {
        let j = if forwards {
            (i + 1) % n
        } else {
            (i + n - 1) % n
        };
        let (first, second) = if forwards { (i, j) } else { (j, i) };
        let smooth = match (
            segments[first].direction(1.0),
            segments[second].direction(0.0),
        ) {
            (Some(a), Some(b)) => a.cross(b).abs() < 1e-4 && a.dot(b) > 0.0,
            _ => false,
        };
        let straight = matches!(
            (&segments[i], &segments[j]),
            (Segment::Line { .. }, Segment::Line { .. })
        );
        if !smooth || !straight {
            break;
        }
        length += segments[j].length();
        i = j;
    }
    length
}

/// What corners are decided by.
struct Deciding<'a> {
    documents: &'a Documents,
    settings: &'a ReliefSettings,
    ways: &'a Ways,
}

/// Answers the corners of feature `index`.
fn decide(by: &Deciding<'_>, variant: &mut Variant, index: usize, radius: f64, said: &mut Said) {
    let settings = by.settings;
    if variant.features[index].corners.is_empty() {
        return;
    }
    let feature = &variant.features[index];
    let wish = feature
        .relief
        .clone()
        .unwrap_or_else(|| settings.of(feature.kind).clone());
    let up_to = wish.up_to_angle.unwrap_or(UP_TO_ANGLE).to_radians() + 1e-9;
    let margin = settings.margin.mm().clamp(0.0, 0.5 * radius);
    let mut notes = Notes::default();
    let room = reach::machining(variant, feature, radius, &mut notes);
    let centres = reach::centres(&room, radius, &mut notes);
    let mut corners = feature.corners.clone();
    for corner in corners.iter_mut().filter(|c| c.angle <= up_to) {
        let way = by.ways.of(variant, feature, corner.at);
        let t_bone = |way| {
            let into = into_before(corner, way);
            lobe(corner, feature, Some(into), radius, margin, &centres)
        };
        let dog_bone = || lobe(corner, feature, None, radius, margin, &centres);
        corner.answer = match way {
            Some(Way::Covered) => CornerAnswer::Covered,
            Some(Way::IntoAlong) => t_bone(ReliefWay::IntoAlong),
            Some(Way::IntoAcross) => t_bone(ReliefWay::IntoAcross),
            Some(Way::DogBone) => dog_bone(),
            Some(Way::ByHand) => CornerAnswer::ByHand,
            None if wish.by_hand => CornerAnswer::ByHand,
            None => match wish.kind {
                ReliefKind::None => CornerAnswer::Fillet,
                ReliefKind::DogBone => dog_bone(),
                ReliefKind::TBone => t_bone(wish.way),
            },
        };
    }
    said.findings
        .extend(findings::kernel_findings(notes, variant, feature));
    keep_fillets(
        by.documents,
        variant,
        index,
        radius,
        settings,
        &mut corners,
        said,
    );
    by_hand_line(variant, feature, &corners, (wish.by_hand, radius), said);
    variant.features[index].corners = corners;
    let feature = &variant.features[index];
    lobes_meet(variant, feature, said);
    lobes_break_out(variant, index, said);
    if feature.kind == FeatureKind::Outline {
        shoulder_loss(variant, feature, settings, said);
    }
}

/// The line of the hand-work list for corners that are squared by hand.
fn by_hand_line(
    variant: &Variant,
    feature: &SizedFeature,
    corners: &[Corner],
    (asked, radius): (bool, f64),
    said: &mut Said,
) {
    let squared = || corners.iter().filter(|c| c.answer == CornerAnswer::ByHand);
    let n = squared().count();
    if n == 0 {
        return;
    }
    let why = match asked {
        true => "asked for",
        false => "the mate has square corners",
    };
    said.hand_work.push(HandWork {
        part: variant.part.clone(),
        count: said.count,
        feature: Some(feature.key.clone()),
        at: squared().next().map(|c| c.at),
        what: format!(
            "square {n} corner{} of {} {} to {:.1} mm depth",
            if n == 1 { "" } else { "s" },
            feature.kind.word(),
            feature.key,
            variant.z.depth_of(feature.floor).min(variant.z.mean)
        ),
        why: format!("{why}; the cutter leaves a fillet of {radius:.2} mm"),
        pieces: Vec::new(),
    });
}

/// What becomes of the corners without relief: a thinner cutter goes over those of a recess, unless the job names the cutter or
/// leaves them by word; fillets that stay are told.
fn keep_fillets(
    documents: &Documents,
    variant: &Variant,
    index: usize,
    radius: f64,
    settings: &ReliefSettings,
    corners: &mut [Corner],
    said: &mut Said,
) {
    let feature = &variant.features[index];
    let tip = |c: &Corner| radius * (1.0 / (0.5 * c.angle).sin() - 1.0);
    let told: Vec<&mut Corner> = corners
        .iter_mut()
        .filter(|c| c.answer == CornerAnswer::Fillet && tip(c) > TOLD_FILLET_MM)
        .collect();
    let Some(at) = told.first().map(|c| c.at) else {
        return;
    };
    let n = told.len();
    let s = if n == 1 { "" } else { "s" };
    let by_word = feature.relief.is_some()
        || feature.leave.is_some()
        || feature.cutter_wanted.is_some()
        || settings.cutter.is_some();
    let rest = match feature.kind.is_cleared() && !by_word {
        true => cutters::for_rest(documents, variant, feature, radius),
        false => None,
    };
    let stays = rest.map_or(radius, |(_, c)| c.radius_mm());
    if let Some((id, _)) = rest {
        for corner in told {
            corner.answer = CornerAnswer::Rest {
                cutter: id.to_string(),
            };
        }
    } else {
        let word = feature.kind.word();
        let name = match feature.key == word {
            true => word.to_string(),
            false => format!("{word} {}", feature.key),
        };
        said.hand_work.push(HandWork {
            part: variant.part.clone(),
            count: said.count,
            feature: Some(feature.key.clone()),
            at: Some(at),
            what: format!(
                "square {n} corner{s} of {name} to {:.1} mm depth, or round what comes against {}",
                variant.z.depth_of(feature.floor).min(variant.z.mean),
                if n == 1 { "it" } else { "them" }
            ),
            why: format!("the cutter leaves a fillet of {radius:.2} mm"),
            pieces: Vec::new(),
        });
    }
    if feature.kind == FeatureKind::Mortise {
        said.findings.push(findings::about(
            Finding::new(
                &code::FILLET_STAYS,
                format!("{n} corner{s} keep a fillet of {stays:.2} mm: a tenon with sharp arrises does not go in."),
            ),
            variant,
            feature,
        ));
    }
}

/// The lobe goes into the edge before the corner.
fn into_before(corner: &Corner, way: ReliefWay) -> bool {
    // The edge that runs less along the grain is the end of a piece; equal edges give it the lobe, since ends glue little.
    let across = |d: Point| d.y.abs() > d.x.abs();
    let [before, after] = corner.lengths;
    match way {
        ReliefWay::IntoShort if (before - after).abs() < EQUAL_EDGES_MM => across(corner.before),
        ReliefWay::IntoShort => before < after,
        ReliefWay::IntoLong if (before - after).abs() < EQUAL_EDGES_MM => !across(corner.before),
        ReliefWay::IntoLong => before > after,
        ReliefWay::IntoAlong => corner.before.x.abs() > corner.after.x.abs(),
        ReliefWay::IntoAcross => corner.before.y.abs() > corner.after.y.abs(),
    }
}

/// The lobe of a corner: a T-bone into the edge before it (`Some(true)`) or after it, or a dog-bone. By
/// geometry: a dog-bone's centre lies on the bisector, r from the corner; a T-bone's at the corner + r · inward normal of the edge that
/// stays. The margin takes the dog-bone's centre nearer to the corner, and the T-bone's along the edge that stays beyond it.
fn lobe(
    corner: &Corner,
    feature: &SizedFeature,
    t_bone: Option<bool>,
    radius: f64,
    margin: f64,
    centres: &[Region],
) -> CornerAnswer {
    let Some(bisector) = (corner.before + corner.after).normalized() else {
        return CornerAnswer::Fillet;
    };
    let half = 0.5 * corner.angle;
    // The centre of the fillet; where an arc is an edge, the nearest corner of the centre's region is the true one.
    let straight = corner.at + bisector * (radius / half.sin());
    let from = centres
        .iter()
        .flat_map(Region::contours)
        .flat_map(|c| c.vertices.iter())
        .map(|v| v.at)
        .min_by(|a, b| a.distance(straight).total_cmp(&b.distance(straight)))
        .filter(|v| v.distance(straight) < radius && v.distance(straight) > 1e-6)
        .unwrap_or(straight);
    // A T-bone slides along the edge that stays; along an arc that would cut into it or leave some, so the straight edge stays,
    // and between two arcs the lobe is a dog-bone.
    let curved = curved_edges(corner, feature);
    let t_bone = match (t_bone, curved) {
        (None, _) | (_, (true, true)) => None,
        (_, (true, false)) => Some(true),
        (_, (false, true)) => Some(false),
        (chosen, _) => chosen,
    };
    let (dog_bone, into_before, centre) = match t_bone {
        None => (true, false, corner.at + bisector * (radius - margin)),
        Some(into_before) => {
            let kept = if into_before {
                corner.after
            } else {
                corner.before
            };
            // The inward normal of the kept edge is the one on the bisector's side.
            let normal = if kept.left().dot(bisector) > 0.0 {
                kept.left()
            } else {
                -kept.left()
            };
            (
                false,
                into_before,
                corner.at + normal * radius - kept * margin,
            )
        }
    };
    CornerAnswer::Lobe {
        dog_bone,
        into_before,
        centre,
        radius,
        from,
    }
}

/// Whether the edges before and after a corner are arcs.
fn curved_edges(corner: &Corner, feature: &SizedFeature) -> (bool, bool) {
    let contours = std::iter::once(&feature.shape).chain(&feature.islands);
    let touching = contours
        .flat_map(Contour::segments)
        .filter(|s| matches!(s, Segment::Arc { .. }));
    let mut curved = (false, false);
    for arc in touching {
        for (p, d) in [
            (arc.start(), arc.direction(0.0)),
            (arc.end(), arc.direction(1.0).map(|d| -d)),
        ] {
            if let (true, Some(d)) = (p.distance(corner.at) < 1e-3, d) {
                curved.0 |= d.dot(corner.before) > 0.999;
                curved.1 |= d.dot(corner.after) > 0.999;
            }
        }
    }
    curved
}

/// Lobes' discs of a feature.
fn lobes(feature: &SizedFeature) -> impl Iterator<Item = (Point, f64)> + '_ {
    feature.corners.iter().filter_map(|c| match c.answer {
        CornerAnswer::Lobe { centre, radius, .. } => Some((centre, radius)),
        _ => None,
    })
}

/// A note where lobes of one feature run into each other.
fn lobes_meet(variant: &Variant, feature: &SizedFeature, said: &mut Said) {
    let discs: Vec<(Point, f64)> = lobes(feature).collect();
    let mut pairs = Vec::new();
    for (i, (a, r)) in discs.iter().enumerate() {
        for (b, s) in &discs[i + 1..] {
            if a.distance(*b) < r + s - 1e-6 {
                pairs.push(a.lerp(*b, 0.5));
            }
        }
    }
    if let Some(at) = pairs.first() {
        let r = discs[0].1;
        said.findings.push(findings::about(
            Finding::new(
                &code::LOBES_MEET,
                format!(
                    "Lobes of {:.2} mm radius run into each other at {} place{}; the edge between them is not more than four radii.",
                    r,
                    pairs.len(),
                    if pairs.len() == 1 { "" } else { "s" }
                ),
            )
            .at(*at),
            variant,
            feature,
        ));
    }
}

/// A corner nearer than this to another feature's edge lies on it, mm: the import tolerance.
const SAME_EDGE_MM: f64 = 0.01;

/// A warning where a lobe breaks through the part's edge or into another feature.
fn lobes_break_out(variant: &Variant, index: usize, said: &mut Said) {
    let feature = &variant.features[index];
    let outside_in = feature.kind == FeatureKind::Outline;
    for corner in &feature.corners {
        let CornerAnswer::Lobe { centre, radius, .. } = corner.answer else {
            continue;
        };
        let over_edge = !outside_in
            && (!variant.outline.contains(centre)
                || variant.outline.distance(centre) < radius - 1e-6);
        let other = variant.features.iter().enumerate().find(|(j, other)| {
            *j != index
                && is_solid(other)
                && other.shape.bounds().grown(radius).contains(centre)
                && {
                    let region = other.region();
                    // A lobe in the middle of a feature that its own feature already lies in takes nothing from it; where the corner
                    // itself lies at the other feature, as the shoulder of a lapped tenon does, there is no wall to break through.
                    (region.contains(centre) || region.distance(centre) < radius - 1e-6)
                        && !region.contains(feature_inside(feature))
                        && !region.contains(corner.at)
                        && region.distance(corner.at) > SAME_EDGE_MM
                }
        });
        let into = match (over_edge, other) {
            (true, _) => "the part's edge".to_string(),
            (false, Some((_, o))) => format!("{} {}", o.kind.word(), o.key),
            (false, None) => continue,
        };
        said.findings.push(findings::about(
            Finding::new(
                &code::RELIEF_BREAKS_OUT,
                format!("The lobe of {radius:.2} mm radius breaks through into {into}."),
            )
            .at(centre),
            variant,
            feature,
        ));
    }
}

/// A feature whose cut has an area of its own.
fn is_solid(feature: &SizedFeature) -> bool {
    !matches!(feature.kind, FeatureKind::Outline | FeatureKind::Engraving)
}

/// A point of the feature's boundary, pulled inside a little.
fn feature_inside(feature: &SizedFeature) -> Point {
    feature
        .shape
        .segments()
        .next()
        .and_then(|s| Some(s.at(0.5) + s.direction(0.5)?.left() * 0.01))
        .unwrap_or_default()
}

/// Warns where lobes at shoulders weaken a tenon at its root. The loss is that of the bending section's width, squared: a 30 mm
/// tenon loses 36 % to T-bones of 3 mm radius on both sides (24/30, squared) and 11 % to dog-bones (calculated).
fn shoulder_loss(
    variant: &Variant,
    feature: &SizedFeature,
    settings: &ReliefSettings,
    said: &mut Said,
) {
    // Two shoulders face each other across a tenon: corners whose lobes cut towards one another.
    let corners: Vec<(&Corner, Point, f64)> = feature
        .corners
        .iter()
        .filter_map(|c| match c.answer {
            CornerAnswer::Lobe { centre, radius, .. } => Some((c, centre, radius)),
            _ => None,
        })
        .collect();
    for (i, (a, ca, ra)) in corners.iter().enumerate() {
        for (b, cb, rb) in &corners[i + 1..] {
            let across = b.at - a.at;
            let width = across.length();
            let Some(dir) = across.normalized() else {
                continue;
            };
            // A tenon's two roots lie square across from each other, with wood between them: each corner's open space lies away.
            let away = |c: &Corner, d: Point| (c.before + c.after).dot(d) < 0.0;
            let square =
                |c: &Corner| c.before.dot(dir).abs() > 0.99 || c.after.dot(dir).abs() > 0.99;
            let wood = variant.outline.contains(a.at.lerp(b.at, 0.5));
            if !(away(a, dir) && away(b, -dir) && square(a) && square(b) && wood) {
                continue;
            }
            // How far each lobe reaches into the tenon, across it.
            let deep_a = ((*ca - a.at).dot(dir) + ra).max(0.0);
            let deep_b = ((b.at - *cb).dot(dir) + rb).max(0.0);
            let rest = (width - deep_a - deep_b).max(0.0);
            let loss = 1.0 - (rest / width).powi(2);
            if loss > settings.most_loss {
                said.findings.push(findings::about(
                    Finding::new(
                        &code::TENON_WEAKENED,
                        format!(
                            "Lobes at the shoulders leave {rest:.2} of {width:.2} mm at the tenon's root: it loses {:.0} % of its bending section.",
                            100.0 * loss
                        ),
                    )
                    .at(a.at.lerp(b.at, 0.5)),
                    variant,
                    feature,
                ));
            }
        }
    }
}
