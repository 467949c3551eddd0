//! Which pieces may have a skin: those that the work says have one, where practice and the documents allow it. Zero is on the bed, the
//! outline is cut from a board, and a line of the hand-work list says that somebody cuts the skin.

use crate::Scene;
use crate::figures::Said;
use crate::model::OUTLINE;
use grainway_pipeline::doc::ZZero;
use grainway_pipeline::finding::{Finding, code};
use grainway_pipeline::work::{Placement, Setup, SetupKind, Work};

/// Thickness of the skin that a piece may have, mm.
pub(crate) fn allowed(work: &Work, setup: &Setup, placement: &Placement) -> Option<f64> {
    let skin = placement.hold.skin()?;
    forbidden(work, setup, placement).is_none().then_some(skin)
}

/// Why the piece may have no skin.
fn forbidden(work: &Work, setup: &Setup, placement: &Placement) -> Option<&'static str> {
    let variant = work.variant(&placement.variant);
    let part = variant.map_or("", |v| v.part.as_str());
    let listed = |h: &&grainway_pipeline::work::HandWork| {
        h.part == part
            && h.feature.as_deref() == Some(OUTLINE)
            && h.what.contains("skin")
            && h.pieces.contains(&placement.piece)
    };
    if setup.z.zero != ZZero::Bed {
        Some("Z zero is on top of the wood, so its thickness would vary with the wood's")
    } else if setup.kind != SetupKind::Board || variant.is_none_or(|v| v.dimensioned) {
        Some("its outline is not cut from a board")
    } else if !work.hand_work.iter().any(|h| listed(&h)) {
        Some("no line of the hand-work list says that it is to be cut")
    } else {
        None
    }
}

/// Names pieces whose skin is not allowed.
pub(super) fn refused(scene: &Scene<'_>, said: &mut Said) {
    for p in &scene.pieces {
        let Some(why) = p
            .placement
            .hold
            .skin()
            .and_then(|_| forbidden(scene.work, scene.setup, p.placement))
        else {
            continue;
        };
        let message = format!("a skin may not hold {}: {why}.", p.name);
        said.find(
            None,
            Finding::new(&code::VERIFY_LOOSE, message)
                .setup(&scene.setup.id)
                .part(p.name)
                .feature(OUTLINE),
        );
    }
}
