//! What sheets and lists say of a variant's workingsteps: every feature has those of its kind, and each does at its feature what it is
//! told to do.

use super::by_hand::left_for_hands;
use super::figures::mm;
use super::profiles;
use grainway_geom::{Bounds, Point3};
use grainway_pipeline::doc::{Cutter, CutterKind, FeatureKind};
use grainway_pipeline::motion::{Move, lowest};
use grainway_pipeline::work::{CornerAnswer, Operation, SizedFeature, Variant, Work, Workingstep};

/// Heights that differ by less than this are the same, mm: both are computed from the same numbers, in another order.
const SAME_MM: f64 = 1e-4;
/// Besides two diameters of its cutter, a step runs out over the edge of its feature by less than this, mm.
const BESIDE_FEATURE_MM: f64 = 30.0;

/// What is wrong with the steps of a planned variant, by the feature that the documents want.
pub(super) fn check<'w>(
    planned: &Variant,
    wanted: &'w Variant,
    work: &Work,
    engraving: Option<&str>,
) -> Vec<(&'w SizedFeature, String)> {
    let mut wrong = through_floors(planned, wanted, work);
    // Without steps nothing is told of them.
    let told = !planned.steps.is_empty();
    for feature in wanted.features.iter().filter(|_| told) {
        let steps: Vec<&Workingstep> = planned
            .steps
            .iter()
            .filter(|s| s.feature == feature.key)
            .collect();
        for step in &steps {
            let why = cuts(step, feature, work)
                .or_else(|| profiles::paths(step, work))
                .or_else(|| engraves(step, feature, work, engraving));
            wrong.extend(why.map(|why| (feature, why)));
        }
        let by_hand = steps.is_empty() && left_for_hands(work, &wanted.part, feature);
        if !by_hand && !are_its_own(&steps, feature, planned.dimensioned) {
            let told: Vec<&str> = steps.iter().map(|s| s.operation.word()).collect();
            let told = match told.is_empty() {
                true => "nothing".to_string(),
                false => told.join(", "),
            };
            let (kind, key) = (feature.kind.word(), &feature.key);
            wrong.push((
                feature,
                format!("The steps of the {kind} {key} are told to be: {told}."),
            ));
        }
    }
    wrong
}

/// The floor that is told of what goes through is where its cutter goes; the point of a drill goes deeper.
fn through_floors<'w>(
    planned: &Variant,
    wanted: &'w Variant,
    work: &Work,
) -> Vec<(&'w SizedFeature, String)> {
    let mut wrong = Vec::new();
    for feature in wanted.features.iter().filter(|f| f.through) {
        let told = planned.features.iter().find(|f| f.key == feature.key);
        let steps = planned.steps.iter().filter(|s| s.feature == feature.key);
        let lowest = steps
            .clone()
            .map(|s| s.lowest)
            .fold(f64::INFINITY, f64::min);
        let drilled = steps.clone().any(|s| {
            let cutter = work.documents.cutter(&s.cutter);
            cutter.is_some_and(|c| c.kind == CutterKind::Drill)
        });
        let same = |floor: f64| {
            (floor - lowest).abs() <= SAME_MM || drilled && floor > lowest || lowest.is_infinite()
        };
        if let Some(told) = told.filter(|t| !same(t.floor)) {
            let message = format!(
                "{} is told to go down to Z {} mm; it is cut down to {} mm.",
                feature.key,
                mm(told.floor),
                mm(lowest)
            );
            wrong.push((feature, message));
        }
    }
    wrong
}

/// The steps are those that a feature of this kind has, each once and in their order.
fn are_its_own(steps: &[&Workingstep], feature: &SizedFeature, dimensioned: bool) -> bool {
    let told: Vec<Operation> = steps.iter().map(|s| s.operation).collect();
    match feature.kind {
        FeatureKind::Outline if dimensioned => told.is_empty(),
        FeatureKind::Outline => told == [Operation::Outline],
        FeatureKind::Cutout => told == [Operation::Cutout],
        FeatureKind::Hole => told == [Operation::Drill],
        FeatureKind::Engraving => told == [Operation::Engrave],
        _ => {
            let walls = |s: &&Workingstep| feature.cutter.as_ref() == Some(&s.cutter);
            let mut rest = steps.iter();
            let clears = rest
                .next()
                .is_some_and(|s| s.operation == Operation::Clear && walls(s));
            let mut last = Operation::Clear;
            clears
                && rest.all(|s| {
                    let after = std::mem::replace(&mut last, s.operation);
                    match s.operation {
                        Operation::FinishWall => after == Operation::Clear && walls(s),
                        Operation::Rest => {
                            after != Operation::Rest && rests_with(feature, &s.cutter)
                        }
                        _ => false,
                    }
                })
        }
    }
}

/// A corner of the feature is left to this thinner cutter.
fn rests_with(feature: &SizedFeature, id: &str) -> bool {
    let with =
        |answer: &CornerAnswer| matches!(answer, CornerAnswer::Rest { cutter } if cutter == id);
    feature.corners.iter().any(|c| with(&c.answer))
}

/// A line is engraved by the cutter that it asks for, else by the one of the settings, else by the finest of the shop's: V-cutters
/// before others, cutters that may go straight down before the rest, then the thinnest.
fn engraves(
    step: &Workingstep,
    feature: &SizedFeature,
    work: &Work,
    engraving: Option<&str>,
) -> Option<String> {
    if step.operation != Operation::Engrave {
        return None;
    }
    let other = || {
        format!(
            "{} is engraved with another cutter than is asked for.",
            feature.key
        )
    };
    if let Some(asked) = feature.cutter_wanted.as_deref().or(engraving) {
        return (asked != step.cutter).then(other);
    }
    let finer = |a: &Cutter, b: &Cutter| {
        let rank = |c: &Cutter| (c.kind != CutterKind::VCutter, !c.centre_cutting);
        rank(a) < rank(b) || rank(a) == rank(b) && a.diameter.mm() < b.diameter.mm()
    };
    let own = work.documents.cutter(&step.cutter)?;
    let mut cutters = work.documents.shop.cutters.values();
    let better = cutters.any(|c| c.kind != CutterKind::Drill && finer(c, own));
    better.then(other)
}

/// The step's moves go as deep as it is told to go, and at its feature.
fn cuts(step: &Workingstep, feature: &SizedFeature, work: &Work) -> Option<String> {
    let moves = work.moves(&step.moves);
    let deepest = lowest(&moves);
    if (deepest - step.lowest).abs() > SAME_MM {
        return Some(format!(
            "A step of {} is told to go to Z {} mm; its moves go to {} mm.",
            feature.key,
            mm(step.lowest),
            mm(deepest)
        ));
    }
    let mut at = Point3::default();
    let mut cut = Bounds::EMPTY;
    for m in &moves {
        at = m.end(at);
        if at.z <= deepest + SAME_MM || matches!(m, Move::Hole { .. }) {
            cut = cut.with(at.xy());
        }
    }
    let cutter = work.documents.cutter(&step.cutter);
    let reach = BESIDE_FEATURE_MM + 2.0 * cutter.map_or(0.0, |c| c.diameter.mm());
    let room = feature.shape.bounds().grown(reach);
    let inside = cut.is_empty() || room.contains(cut.min) && room.contains(cut.max);
    (!inside).then(|| format!("A step that is told to cut {} cuts elsewhere.", feature.key))
}
