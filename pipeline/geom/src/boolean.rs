//! Unions, differences and intersections of regions that keep true arcs.
//!
//! The polygon kernel decides which stretch of which curve bounds the result; the stretches are then cut from the exact curves,
//! so a fillet stays the arc it was. Outer boundaries come out counter-clockwise, holes clockwise.

use super::Region;
use super::raw::{Chords, resolve};
use crate::tolerance::KERNEL_MM;
use i_overlay::core::overlay_rule::OverlayRule;

fn chords(regions: &[Region]) -> Chords {
    let mut chords = Chords::new(KERNEL_MM);
    for r in regions {
        chords.add_region(r);
    }
    chords
}

/// What any of the regions covers. Regions that touch along an edge become one.
pub fn union(regions: &[Region]) -> Vec<Region> {
    chords(regions).resolved()
}

/// What `from` covers and `take` does not.
pub fn difference(from: &[Region], take: &[Region]) -> Vec<Region> {
    resolve(chords(from), Some(chords(take)), OverlayRule::Difference)
}

/// What both cover.
pub fn intersection(a: &[Region], b: &[Region]) -> Vec<Region> {
    resolve(chords(a), Some(chords(b)), OverlayRule::Intersect)
}
