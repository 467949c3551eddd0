//! What the hand-work list names.

use grainway_pipeline::doc::IfUnreachable;
use grainway_pipeline::work::{SizedFeature, Work};

/// What no cutter reaches of a feature is left for hands: the documents allow it, and the hand-work list names the feature.
pub(super) fn left_for_hands(work: &Work, part: &str, feature: &SizedFeature) -> bool {
    feature.if_unreachable == IfUnreachable::Hand && is_listed(work, part, &feature.key)
}

/// The hand-work list names the feature of the part.
pub(super) fn is_listed(work: &Work, part: &str, feature: &str) -> bool {
    let mut lines = work.hand_work.iter();
    // Lines that name pieces are of what holds these.
    lines.any(|h| h.part == part && h.feature.as_deref() == Some(feature) && h.pieces.is_empty())
}
