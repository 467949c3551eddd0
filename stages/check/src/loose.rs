//! Layer 6: when each piece, slug and sliver comes free, and whether something holds it then.
//!
//! [`regions`] finds what comes free with nothing holding it, on a grid of the board. Necks of tabs, which a grid measures badly, are
//! measured in [`tabs`] along the edge of each piece by the swept discs themselves; [`slugs`] counts what holds the waste of cutouts.

mod cuts;
mod regions;
mod slugs;
mod tabs;

use super::Scene;
use super::figures::Said;
use grainway_pipeline::finding::{Finding, code};
use grainway_pipeline::work::SetupKind;

pub(super) fn check(scene: &Scene<'_>) -> Said {
    let mut said = Said::default();
    let level = through_level(scene);
    let through: Vec<usize> = scene
        .recorded
        .motions
        .iter()
        .enumerate()
        .filter(|(i, m)| *i >= scene.wood_from && m.cuts && m.low() < level)
        .map(|(i, _)| i)
        .collect();
    if scene.setup.kind == SetupKind::Board && scene.setup.holds.is_empty() {
        said.find(
            None,
            Finding::new(
                &code::VERIFY_LOOSE,
                "nothing holds the board before the first cut.",
            )
            .setup(&scene.setup.id),
        );
    }
    if through.is_empty() {
        return said;
    }
    regions::check(scene, level, &through, &mut said);
    if scene.setup.skin <= 0.0 {
        for piece in &scene.pieces {
            if !piece.model.dimensioned {
                tabs::check(scene, piece, level, &mut said);
            }
        }
    }
    let tab_level = scene.setup.z.highest_underside() + scene.settled.tab_height - 1e-3;
    slugs::check(scene, tab_level, &mut said);
    said
}

/// Wood lower than this above the underside does not hold: less than a tab's height in the thinnest wood, or, where a skin holds,
/// less than a skin's.
fn through_level(scene: &Scene<'_>) -> f64 {
    let z = &scene.setup.z;
    let least = if scene.setup.skin > 0.0 {
        scene.settled.skin.min(scene.setup.skin)
    } else {
        scene.settled.tab_height
    };
    z.highest_underside() + least - 1e-3
}
