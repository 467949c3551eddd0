//! Clearing all of an opening's waste, where a loose piece would be too small to hold.
//!
//! The opening is cleared as a recess is: loops from the middle outwards at every level, so that what still stands is always part of
//! the part, and the walls taken to size at the end where the opening's own cut does so.

use crate::clearing::{ClearingSettings, clear_wholly};
use crate::feeds;
use grainway_geom::Notes;
use grainway_pipeline::motion::Move;
use grainway_pipeline::work::{ProfileCut, SetupStep, SizedFeature, Variant, Work};

/// Distance of the loops in diameters (common practice, no source).
const STEPOVER: f64 = 0.4;

/// The step that takes the place of the cutout's own, and its moves; `None` when the opening cannot be cleared.
pub(super) fn clearing(
    work: &Work,
    variant: &Variant,
    feature: &SizedFeature,
    step: usize,
    cut: &ProfileCut,
) -> Option<(SetupStep, Vec<Move>)> {
    let own = variant.steps.get(step)?;
    let cutter = work.documents.cutter(&own.cutter)?;
    let (_, machine) = work.documents.machine()?;
    let wood = feeds::wood_of(&work.documents, &variant.stock)?;
    let feeds = feeds::feeds(cutter, &wood, machine, own.operation);
    let main = cut.loops.iter().rfind(|l| !l.finishing)?;
    let finishing = cut.loops.iter().find(|l| l.finishing);
    let allowance = finishing
        .and_then(|f| f.path.start())
        .map_or(0.0, |p| main.path.distance(p));
    let settings = ClearingSettings {
        stepover: STEPOVER,
        ramp_degrees: cut.ramp.to_degrees(),
        climb: main.path.area() > 0.0,
        finish: allowance > 0.0,
        finish_allowance: allowance,
        clearance: super::CLEAR_MM,
    };
    let moves = clear_wholly(
        cutter,
        &feeds,
        &settings,
        variant,
        feature,
        &mut Notes::default(),
    )?;
    Some((
        SetupStep {
            stage: super::HOLD.to_string(),
            operation: own.operation,
            cutter: own.cutter.clone(),
            rpm: own.rpm,
            feed: own.feed,
            plunge: own.plunge,
            lowest: own.lowest,
            moves: own.moves.clone(),
            allowed: Vec::new(),
        },
        moves,
    ))
}
