//! Clearing all of an opening's waste, where a loose piece would be too small to hold.

use grainway_pipeline::motion::Move;
use grainway_pipeline::work::{ProfileCut, SetupStep, Variant, Work};

/// The step that takes the place of the cutout's own; `None` when the region cannot be cleared.
pub(super) fn clearing(
    _work: &Work,
    _variant: &Variant,
    _step: usize,
    _cut: &ProfileCut,
) -> Option<(SetupStep, Vec<Move>)> {
    None
}
