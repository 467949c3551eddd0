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
///
/// ```
/// use grainway_geom::{Contour, Region, point, union};
/// let square = |x: f64| Region::inside(Contour::rectangle(point(x, 0.0), point(x + 10.0, 10.0), 0.0));
/// let both = union(&[square(0.0), square(10.0), square(40.0)]);
/// assert_eq!(both.len(), 2);
/// assert!((both.iter().map(Region::area).sum::<f64>() - 300.0).abs() < 1e-6);
/// ```
pub fn union(regions: &[Region]) -> Vec<Region> {
    chords(regions).resolved()
}

/// What `from` covers and `take` does not.
///
/// ```
/// use grainway_geom::{Contour, Region, difference, point};
/// let plate = Region::inside(Contour::rectangle(point(0.0, 0.0), point(40.0, 40.0), 0.0));
/// let hole = Region::inside(Contour::circle(point(20.0, 20.0), 5.0));
/// let left = difference(&[plate], &[hole]);
/// // The hole is still the circle that was drawn, and runs clockwise.
/// let (centre, diameter) = left[0].holes[0].as_circle(1e-6).unwrap();
/// assert!(centre.distance(point(20.0, 20.0)) < 1e-6 && (diameter - 10.0).abs() < 1e-6);
/// assert!(left[0].holes[0].area() < 0.0);
/// ```
pub fn difference(from: &[Region], take: &[Region]) -> Vec<Region> {
    resolve(chords(from), Some(chords(take)), OverlayRule::Difference)
}

/// What both cover.
///
/// ```
/// use grainway_geom::{Contour, Region, intersection, point};
/// let disc = Region::inside(Contour::circle(point(0.0, 0.0), 10.0));
/// let right = Region::inside(Contour::rectangle(point(0.0, -20.0), point(20.0, 20.0), 0.0));
/// let half = intersection(&[disc], &[right]);
/// assert!((half[0].area() - 50.0 * std::f64::consts::PI).abs() < 1e-6);
/// ```
pub fn intersection(a: &[Region], b: &[Region]) -> Vec<Region> {
    resolve(chords(a), Some(chords(b)), OverlayRule::Intersect)
}
