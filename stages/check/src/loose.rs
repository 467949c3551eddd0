//! Layer 6: when each piece, slug and sliver comes free, and whether something holds it then.
//!
//! [`regions`] finds what comes free with nothing holding it, on a grid of the board. Necks of tabs, which a grid measures badly, are
//! measured in [`tabs`] along the edge of each piece by the swept discs themselves; [`joined`] says what a tab ends in and which
//! screws a piece is still joined to; [`slugs`] counts what holds the waste of cutouts. All of it is judged with the zero set low.

mod cuts;
mod edge;
mod joined;
mod leverage;
mod regions;
mod slender;
mod slugs;
mod tabs;

use super::Scene;
use super::figures::Said;
pub(super) use cuts::{lowest_within, walk};
use grainway_pipeline::finding::{Finding, code};
use grainway_pipeline::work::SetupKind;
use regions::Grid;

pub(super) fn check(scene: &Scene<'_>) -> Said {
    let mut said = Said::of("loose");
    let level = through_level(scene);
    let through: Vec<usize> = scene
        .recorded
        .motions
        .iter()
        .enumerate()
        .filter(|(i, m)| *i >= scene.wood_from && m.cuts && m.low() < level)
        .map(|(i, _)| i)
        .collect();
    let nothing = scene.setup.holds.is_empty() && !scene.held_otherwise;
    if scene.setup.kind == SetupKind::Board && nothing {
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
    let grid = Grid::new(scene, level, &through);
    regions::check(scene, &grid, &mut said);
    if scene.setup.skin <= 0.0 {
        tabs::check(scene, &grid, level, &mut said);
    }
    slugs::check(
        scene,
        held_level(scene, scene.settled.tab_height),
        &mut said,
    );
    said
}

/// Wood lower than this does not hold: less than a tab's height, or, where a skin holds, less than a skin's.
fn through_level(scene: &Scene<'_>) -> f64 {
    let skinned = scene.setup.skin > 0.0;
    let s = scene.settled;
    held_level(scene, if skinned { s.skin } else { s.tab_height })
}

/// What stands up to here is still `least` mm thick in the thinnest wood with the zero set low.
fn held_level(scene: &Scene<'_>, least: f64) -> f64 {
    scene.setup.z.highest_underside() + least + scene.settled.z_error - 1e-3
}
