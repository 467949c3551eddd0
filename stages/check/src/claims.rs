//! Layer 0: what planning decided, held against the documents.
//!
//! Heights, shapes and places come from the documents (`wanted`); what planning alone knows (which cutter finishes a wall, what
//! becomes of an inside corner) is a claim. Each is taken over only where a rule here allows it, and what has no rule is not taken
//! over at all.

use super::by_hand::is_listed;
use super::curves::same_curve;
use super::figures::mm;
use super::fits::{self, Claim};
use super::{Allowed, Wanted};
use super::{steps, wanted};
use grainway_geom::{Contour, Point};
use grainway_pipeline::doc::{FeatureKind, Relief, ReliefKind, ReliefWay, Side};
use grainway_pipeline::finding::{Finding, code};
use grainway_pipeline::work::{Corner, CornerAnswer, Part, SizedFeature, Variant, Work};
use std::collections::BTreeSet;
use std::f64::consts::PI;

/// Heights and places that differ by less than this are the same, mm: both are computed from the same numbers, in another order.
const SAME_MM: f64 = 1e-4;
/// Directions and angles that differ by less than this are the same, radians.
const SAME_ANGLE: f64 = 1e-3;
/// How far beside a corner it is asked where the wood is, mm.
const BESIDE_MM: f64 = 0.02;
/// Corners up to this inside angle are relieved where the documents say nothing else, degrees.
const RELIEVED_UP_TO: f64 = 170.0;
/// A fillet whose corner lies no farther from it than this needs no word, mm: sanding takes it. Common practice, no source.
const FILLET_MM: f64 = 0.1;
/// Edges of a corner whose lengths differ by less than this count as equal, mm.
const EQUAL_EDGES_MM: f64 = 0.01;

/// A variant as the documents want it, with the claims that hold, and what is wrong with the others.
pub(super) struct Examined {
    pub(super) variant: Variant,
    pub(super) findings: Vec<Finding>,
}

/// Holds a planned variant against the part that it says it is. `Err` where the documents ask for no such part.
pub(super) fn examine(
    planned: &Variant,
    work: &Work,
    wanted: &Wanted,
    allowed: &Allowed,
) -> Result<Examined, Box<Finding>> {
    let no =
        |message: String| Box::new(Finding::new(&code::VERIFY_WANTED, message).part(&planned.part));
    let part = wanted.part(&planned.part).ok_or_else(|| {
        no(format!(
            "The plan has a piece {}; the documents ask for no part {}.",
            planned.id, planned.part
        ))
    })?;
    let mut variant =
        wanted::sized(part, &work.documents, planned.side, planned.turn).ok_or_else(|| {
            no(format!(
                "The documents have no wood for the part {}.",
                part.id
            ))
        })?;
    variant.id.clone_from(&planned.id);
    let fits = Claim {
        work,
        allowed,
        part,
        side: &variant.clone(),
    };
    let mut examining = Examining {
        work,
        part,
        allowed,
        findings: Vec::new(),
    };
    examining.whole(planned, &variant);
    for feature in &mut variant.features {
        match planned.features.iter().find(|f| f.key == feature.key) {
            Some(claim) => {
                let fit = fits.take_over(claim, feature);
                examining.as_wanted(claim, feature, fit);
                examining.cutter(claim, feature);
                examining.corners(claim, feature);
            }
            None => examining.say(
                feature,
                format!("The plan has no {} {}.", feature.kind.word(), feature.key),
            ),
        }
    }
    let known: BTreeSet<&str> = variant.features.iter().map(|f| f.key.as_str()).collect();
    if planned.features.len() > variant.features.len() {
        let message = format!("The plan of {} has a feature twice.", part.id);
        let finding = Finding::new(&code::VERIFY_WANTED, message).part(&part.id);
        examining.findings.push(finding);
    }
    for extra in planned
        .features
        .iter()
        .filter(|f| !known.contains(f.key.as_str()))
    {
        examining.say(
            extra,
            format!(
                "The plan has a {} {} that the documents do not ask for.",
                extra.kind.word(),
                extra.key
            ),
        );
    }
    let wrong = steps::check(planned, &variant, work, allowed.engraving.as_deref());
    for (feature, message) in wrong {
        examining.say(feature, message);
    }
    Ok(Examined {
        findings: examining.findings,
        variant,
    })
}

struct Examining<'a> {
    work: &'a Work,
    part: &'a Part,
    allowed: &'a Allowed,
    findings: Vec<Finding>,
}

impl Examining<'_> {
    fn say(&mut self, feature: &SizedFeature, message: String) {
        let mut finding = Finding::new(&code::VERIFY_WANTED, message)
            .part(&self.part.id)
            .feature(&feature.key);
        if let Some(at) = feature.shape.start() {
            finding = finding.at(at);
        }
        self.findings.push(finding);
    }

    /// The piece as a whole: its wood, its heights, its edge.
    fn whole(&mut self, planned: &Variant, wanted: &Variant) {
        let mut wrong = Vec::new();
        if planned.id != called(&planned.part, planned.side) {
            wrong.push(format!("another name, {}", planned.id));
        }
        if planned.stock != wanted.stock {
            wrong.push(format!(
                "wood of the stock {}, not {}",
                planned.stock, wanted.stock
            ));
        }
        if planned.z != wanted.z {
            wrong.push("other heights of the wood than the readings give".to_string());
        }
        if planned.dimensioned != wanted.dimensioned {
            wrong.push("another outline to cut or to leave".to_string());
        }
        if !same_curve(&planned.outline, &wanted.outline) {
            wrong.push("another outline".to_string());
        }
        if !wrong.is_empty() {
            let message = format!("The plan of {} has {}.", self.part.id, wrong.join(", "));
            self.findings
                .push(Finding::new(&code::VERIFY_WANTED, message).part(&self.part.id));
        }
    }

    /// What the documents say of a feature is what the plan has.
    fn as_wanted(
        &mut self,
        claim: &SizedFeature,
        wanted: &SizedFeature,
        fit: Option<Result<(), String>>,
    ) {
        let mut wrong = Vec::new();
        let in_joint = fit.is_some();
        wrong.extend(fit.and_then(Result::err));
        if claim.kind != wanted.kind {
            wrong.push(format!("is a {}", claim.kind.word()));
        }
        if claim.through != wanted.through {
            wrong.push(match claim.through {
                true => "goes through".to_string(),
                false => "does not go through".to_string(),
            });
        }
        if !wanted.through && (claim.floor - wanted.floor).abs() > SAME_MM {
            wrong.push(format!(
                "has its floor at Z {} mm, not {} mm",
                mm(claim.floor),
                mm(wanted.floor)
            ));
        }
        let islands = claim.islands.len() == wanted.islands.len()
            && claim
                .islands
                .iter()
                .all(|a| wanted.islands.iter().any(|b| same_curve(a, b)));
        // Only a hole is cut by its circle; elsewhere the shape says all.
        let round = wanted.kind != FeatureKind::Hole || same_circle(claim.circle, wanted.circle);
        let shaped = in_joint || same_curve(&claim.shape, &wanted.shape) && round;
        if !shaped || !islands {
            wrong.push("has another shape or place".to_string());
        }
        let said = |f: &SizedFeature| {
            (
                f.relief.clone(),
                f.if_unreachable,
                f.leave,
                f.cutter_wanted.clone(),
                f.waste.clone(),
            )
        };
        if said(claim) != said(wanted) {
            wrong.push("has another relief, cutter, waste or wood to leave".to_string());
        }
        if !wrong.is_empty() {
            let message = format!(
                "{} {} in the plan {}; the documents say otherwise.",
                wanted.kind.word(),
                wanted.key,
                wrong.join(" and ")
            );
            self.say(wanted, capital(message));
        }
    }

    /// The cutter that finishes the walls: one of the shop's, and the one asked for where one is.
    fn cutter(&mut self, claim: &SizedFeature, wanted: &mut SizedFeature) {
        let Some(id) = &claim.cutter else {
            return;
        };
        if self.work.documents.cutter(id).is_none() {
            self.say(
                wanted,
                format!(
                    "The plan finishes {} with a cutter {id} that the shop does not have.",
                    wanted.key
                ),
            );
            return;
        }
        if let Some(asked) = wanted.cutter_wanted.clone().filter(|asked| asked != id) {
            self.say(
                wanted,
                format!(
                    "The plan finishes {} with the cutter {id}; the documents ask for {asked}.",
                    wanted.key
                ),
            );
        }
        wanted.cutter = Some(id.clone());
    }

    /// Takes over the answers for corners that are there, as far as the documents allow them.
    fn corners(&mut self, claim: &SizedFeature, wanted: &mut SizedFeature) {
        let Some(radius) = wanted
            .cutter
            .as_deref()
            .and_then(|id| self.work.documents.cutter(id))
            .map(|c| c.radius_mm())
        else {
            return;
        };
        let wish = wanted
            .relief
            .clone()
            .unwrap_or_else(|| self.allowed.relief_of(wanted.kind));
        let mut kept = Vec::new();
        for corner in &claim.corners {
            match self.corner(corner, wanted, &wish, radius) {
                Ok(()) => kept.push(corner.clone()),
                Err(why) => {
                    // Wood that stays in a corner is told once; a lobe that is not allowed is no excuse for its cut.
                    if !matches!(
                        corner.answer,
                        CornerAnswer::Lobe { .. } | CornerAnswer::Rest { .. }
                    ) {
                        kept.push(corner.clone());
                    }
                    let finding = Finding::new(
                        &code::VERIFY_WANTED,
                        format!("A corner of {}: {why}.", wanted.key),
                    )
                    .part(&self.part.id)
                    .feature(&wanted.key)
                    .at(corner.at);
                    self.findings.push(finding);
                }
            }
        }
        wanted.corners = kept;
    }

    /// The corner is one of the feature's, and its answer is one that the documents allow.
    fn corner(
        &self,
        corner: &Corner,
        feature: &SizedFeature,
        wish: &Relief,
        radius: f64,
    ) -> Result<(), String> {
        is_corner(corner, feature)?;
        let up_to = wish.up_to_angle.unwrap_or(RELIEVED_UP_TO).to_radians() + SAME_ANGLE;
        let asked = corner.angle <= up_to;
        let tip = radius * (1.0 / (0.5 * corner.angle).sin() - 1.0);
        let listed = || is_listed(self.work, &self.part.id, &feature.key);
        let joined = fits::is_joined(corner, feature, self.part, &self.work.documents);
        match &corner.answer {
            // Whether the mate really has room is seen when the joint is put together.
            CornerAnswer::Covered if joined => Ok(()),
            CornerAnswer::Covered => {
                Err("a fillet is said to be covered where nothing is joined".to_string())
            }
            CornerAnswer::ByHand if joined && listed() => Ok(()),
            CornerAnswer::Lobe {
                dog_bone,
                into_before,
                ..
            } if joined && let Some(relief) = fits::lobe_of(feature, self.part, *dog_bone) => {
                lobe_kind(corner, feature, &relief, *dog_bone, *into_before)
            }
            CornerAnswer::Lobe {
                dog_bone,
                into_before,
                ..
            } => {
                if !asked || wish.by_hand || wish.kind == ReliefKind::None {
                    return Err("a lobe is cut where the documents allow none".to_string());
                }
                lobe_kind(corner, feature, wish, *dog_bone, *into_before)
            }
            CornerAnswer::ByHand if asked && wish.by_hand && listed() => Ok(()),
            CornerAnswer::ByHand if listed() => {
                Err("it is left for hands, which the documents do not ask for".to_string())
            }
            CornerAnswer::Fillet if asked && wish.by_hand => Err(
                "the documents ask for it to be squared by hand; the plan leaves the fillet"
                    .to_string(),
            ),
            CornerAnswer::Fillet if asked && wish.kind != ReliefKind::None => {
                Err("the documents ask for relief; the plan leaves the fillet".to_string())
            }
            CornerAnswer::Fillet | CornerAnswer::ByHand if tip > FILLET_MM && !listed() => {
                Err(format!(
                    "a fillet of {} mm stays, which the hand-work list does not name",
                    mm(radius)
                ))
            }
            CornerAnswer::Rest { cutter } => match self.work.documents.cutter(cutter) {
                Some(c) if c.radius_mm() < radius => Ok(()),
                _ => Err(format!(
                    "the cutter {cutter} is none of the shop's that reaches farther into it"
                )),
            },
            CornerAnswer::Fillet | CornerAnswer::ByHand => Ok(()),
        }
    }
}

/// What the plan of a side of a part is called.
fn called(part: &str, side: Side) -> String {
    let word = match side {
        Side::Face => return part.to_string(),
        Side::Back => "back",
        Side::Near => "near",
        Side::Far => "far",
        Side::LeftEnd => "left-end",
        Side::RightEnd => "right-end",
    };
    format!("{part}~{word}")
}

/// The same middle and the same diameter, or neither has one.
fn same_circle(a: Option<(Point, f64)>, b: Option<(Point, f64)>) -> bool {
    match (a, b) {
        (Some((p, d)), Some((q, e))) => p.distance(q) <= SAME_MM && (d - e).abs() <= SAME_MM,
        (a, b) => a.is_none() && b.is_none(),
    }
}

/// Two edges of the feature meet there at this angle, with the cutter's space between them.
fn is_corner(corner: &Corner, feature: &SizedFeature) -> Result<(), String> {
    let none = || "the plan has a corner where there is none".to_string();
    let (u, v) = (corner.before, corner.after);
    let straight = u.cross(v).abs().atan2(u.dot(v));
    let unit = |d: Point| (d.length() - 1.0).abs() < SAME_ANGLE;
    if !unit(u) || !unit(v) || (straight - corner.angle).abs() > SAME_ANGLE || corner.angle >= PI {
        return Err(none());
    }
    let edge_towards = |d: Point| {
        std::iter::once(&feature.shape)
            .chain(&feature.islands)
            .flat_map(Contour::segments)
            .filter(|s| s.distance(corner.at) <= BESIDE_MM)
            .any(|s| {
                let (_, share) = s.nearest(corner.at);
                let along = s.direction(share);
                let same = |e: Point| e.cross(d).abs() < 5e-3;
                along.is_some_and(same)
            })
    };
    if !edge_towards(u) || !edge_towards(v) {
        return Err(none());
    }
    let Some(bisector) = (u + v).normalized() else {
        return Err(none());
    };
    let region = feature.region();
    let open = |p: Point| match feature.kind {
        FeatureKind::Outline => !feature.shape.contains(p),
        _ => region.contains(p),
    };
    let step = bisector * BESIDE_MM;
    if !open(corner.at + step) || open(corner.at - step) {
        return Err(none());
    }
    Ok(())
}

/// The lobe is of the kind and goes the way that the documents ask for. Beside arcs a T-bone keeps the straight edge, and between two
/// arcs the lobe is a dog-bone.
fn lobe_kind(
    corner: &Corner,
    feature: &SizedFeature,
    wish: &Relief,
    dog_bone: bool,
    into_before: bool,
) -> Result<(), String> {
    let curved = |d: Point| {
        std::iter::once(&feature.shape)
            .chain(&feature.islands)
            .flat_map(Contour::segments)
            .filter(|s| matches!(s, grainway_geom::Segment::Arc { .. }))
            .any(|s| {
                let ends = [
                    (s.start(), s.direction(0.0)),
                    (s.end(), s.direction(1.0).map(|d| -d)),
                ];
                ends.into_iter().any(|(p, e)| {
                    p.distance(corner.at) < BESIDE_MM && e.is_some_and(|e| e.dot(d) > 0.999)
                })
            })
    };
    let arcs = (curved(corner.before), curved(corner.after));
    let wants_dog_bone = wish.kind == ReliefKind::DogBone || arcs == (true, true);
    if dog_bone != wants_dog_bone {
        return Err("the lobe is of another kind than the documents ask for".to_string());
    }
    if dog_bone {
        return Ok(());
    }
    let before = match arcs {
        (true, false) => Some(true),
        (false, true) => Some(false),
        _ => way(corner, feature, wish.way),
    };
    match before {
        Some(b) if b != into_before => {
            Err("the lobe goes into another edge than the documents ask for".to_string())
        }
        _ => Ok(()),
    }
}

/// Whether the lobe goes into the edge before the corner; `None` where either is as good.
fn way(corner: &Corner, feature: &SizedFeature, way: ReliefWay) -> Option<bool> {
    let (u, v) = (corner.before, corner.after);
    match way {
        ReliefWay::IntoAlong => Some(u.x.abs() > v.x.abs()),
        ReliefWay::IntoAcross => Some(u.y.abs() > v.y.abs()),
        ReliefWay::IntoShort | ReliefWay::IntoLong => {
            let (a, b) = (
                edge_length(corner, u, feature),
                edge_length(corner, v, feature),
            );
            if (a - b).abs() < EQUAL_EDGES_MM + BESIDE_MM {
                return None;
            }
            Some((a < b) == (way == ReliefWay::IntoShort))
        }
    }
}

/// How far the feature's edge runs straight from a corner in a direction, mm.
fn edge_length(corner: &Corner, towards: Point, feature: &SizedFeature) -> f64 {
    let mut end = corner.at;
    let edges: Vec<grainway_geom::Segment> = std::iter::once(&feature.shape)
        .chain(&feature.islands)
        .flat_map(Contour::segments)
        .filter(|s| matches!(s, grainway_geom::Segment::Line { .. }))
        .collect();
    // Each round goes on by one edge that starts where the last ended.
    for _ in 0..edges.len() {
        let next = edges.iter().find_map(|s| {
            [(s.start(), s.end()), (s.end(), s.start())]
                .into_iter()
                .find(|(a, b)| {
                    a.distance(end) < SAME_MM
                        && (*b - *a)
                            .normalized()
                            .is_some_and(|d| d.dot(towards) > 1.0 - 1e-6)
                })
                .map(|(_, b)| b)
        });
        match next {
            Some(b) => end = b,
            None => break,
        }
    }
    end.distance(corner.at)
}

fn capital(text: String) -> String {
    let mut letters = text.chars();
    match letters.next() {
        Some(first) => first.to_uppercase().chain(letters).collect(),
        None => text,
    }
}
