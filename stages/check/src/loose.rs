//! Layer 6: when each piece, slug and sliver comes free, and whether something holds it then.
//!
//! [`regions`] finds what comes free with nothing holding it, on a grid of the board. Necks of tabs, which a grid measures badly, are
//! measured in [`tabs`] along the edge of each piece by the swept discs themselves; [`skins`] says which pieces may have a skin; [`joined`] says what a tab ends in and which
//! screws a piece is still joined to; [`slugs`] counts what holds the waste of cutouts. All of it is judged with the zero set low.

mod cuts;
mod edge;
mod joined;
mod leverage;
mod regions;
mod runs;
pub(super) mod skins;
mod slender;
mod slugs;
mod tabs;

use super::figures::Said;
use super::motions::Motion;
use super::{Piece, Scene};
use cuts::Through;
pub(super) use cuts::{lowest_within, walk};
use grainway_pipeline::finding::{Finding, code};
use grainway_pipeline::work::SetupKind;
use regions::Grid;

pub(super) fn check(scene: &Scene<'_>) -> Said {
    let mut said = Said::of("loose");
    let levels = Levels::of(scene);
    let through: Vec<(usize, f64)> = scene
        .recorded
        .motions
        .iter()
        .enumerate()
        .filter(|(i, m)| *i >= scene.wood_from && m.cuts && m.low() < levels.tab)
        .map(|(i, m)| (i, levels.of_motion(scene, m)))
        .filter(|(i, level)| scene.recorded.motions[*i].low() < *level)
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
    skins::refused(scene, &mut said);
    let grid = Grid::new(scene, &through);
    if !through.is_empty() {
        regions::check(scene, &grid, &mut said);
    }
    if !through.is_empty() || levels.skins {
        let cut = Through::below(scene, levels.tab);
        tabs::check(scene, &grid, &levels, &cut, &mut said);
        slugs::check(scene, levels.tab, &cut, &mut said);
    }
    said
}

/// Below which height wood does not hold, machine Z.
struct Levels {
    /// Less than a tab's height stands there.
    tab: f64,
    /// Less than a skin's.
    skin: f64,
    /// There are pieces that may have a skin.
    skins: bool,
}

/// Cuts as near as this to two outlines belong to both, mm.
const SHARED_MM: f64 = 0.05;
/// What cuts farther from a piece than so many diameters is no cut along its outline.
const BESIDE_DIAMETERS: f64 = 2.0;

impl Levels {
    fn of(scene: &Scene<'_>) -> Levels {
        Levels {
            tab: held_level(scene, scene.settled.tab_height),
            skin: held_level(scene, scene.settled.skin),
            skins: scene.pieces.iter().any(|p| p.skin.is_some()),
        }
    }
    /// For what a motion leaves: a skin holds only within and beside a piece that may have one, nearer to it than to any other.
    fn of_motion(&self, scene: &Scene<'_>, m: &Motion) -> f64 {
        let radius = scene.recorded.tool(m).map_or(0.0, |t| t.radius);
        let reach = BESIDE_DIAMETERS * 2.0 * radius;
        let at = m.path.at(0.5);
        let nearest = |skinned: bool| {
            let near =
                |p: &&Piece<'_>| p.skin.is_some() == skinned && p.bounds.grown(reach).contains(at);
            let distance = |p: &Piece<'_>| {
                let local = p.placing.inverse_point(at);
                match p.model.outline.contains(local) {
                    true => 0.0,
                    false => p.model.variant.outline.distance(local),
                }
            };
            let all = scene.pieces.iter().filter(near).map(distance);
            all.fold(f64::INFINITY, f64::min)
        };
        let own = if self.skins {
            nearest(true)
        } else {
            f64::INFINITY
        };
        match own <= reach && own <= nearest(false) + SHARED_MM {
            true => self.skin,
            false => self.tab,
        }
    }
}

/// What stands up to here is still `least` mm thick in the thinnest wood with the zero set low.
fn held_level(scene: &Scene<'_>, least: f64) -> f64 {
    scene.setup.z.highest_underside() + least + scene.settled.z_error - 1e-3
}
