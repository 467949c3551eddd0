//! The one tolerance budget, on one page. All values are millimetres.
//!
//! ```text
//! kernel 0.001 + rounding 0.0005 + variant gouge 0.015 + text against plan 0.005 (less the rounding in it) = verify 0.02
//! ```
//! The reference is the contour *after* import; what import itself may change (0.01) is said when it happens and is not part of
//! the sum. What only the kernel needs stands in [`grainway_geom::tolerance`].

pub use grainway_geom::tolerance::KERNEL_MM;

/// Splines and ellipses become tangent arcs within this distance; pieces shorter than this are merged; near-tangent arcs that
/// need less than this to be tangent are snapped.
pub const IMPORT_MM: f64 = 0.01;
/// Half of the last digit at three decimals in millimetres. A dialect that rounds coarser is charged for it.
pub const ROUNDING_MM: f64 = 0.0005;
/// A variant's planned path may enter what must stand by at most this.
pub const VARIANT_GOUGE_MM: f64 = 0.015;
/// The motions read back from the text lie within this of the planned ones.
pub const TEXT_AGAINST_PLAN_MM: f64 = 0.005;
/// What verify allows in all: the sum of the parts above.
pub const VERIFY_MM: f64 = 0.02;
/// A slot whose width is within this of the cutter's diameter is one pass on its centre line.
pub const SLOT_MATCH_MM: f64 = 0.01;
/// A size captured from a layer's name that differs from the drawn one by more than this is a warning naming both.
pub const LAYER_SIZE_MM: f64 = 0.05;
/// The margin added to the cutter's radius for relief circles, so that a worn or badly measured cutter still reaches the corner.
pub const RELIEF_MARGIN_MM: f64 = 0.1;
/// Heights closer than this are the same level.
pub const SAME_LEVEL_MM: f64 = 1e-6;
/// The published limit on |start–centre| against |end–centre| of an arc (NISTIR 6556, 3.5.3.2), millimetres.
pub const ARC_RADIUS_MM: f64 = 0.002;

const _: () =
    assert!(KERNEL_MM + VARIANT_GOUGE_MM + TEXT_AGAINST_PLAN_MM <= VERIFY_MM + 0.001 + 1e-9);
