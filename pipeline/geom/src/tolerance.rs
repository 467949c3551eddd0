//! Tolerances of the geometry kernel, millimetres. The budget of a whole program is built on them, in the pipeline's own page.

/// Chords that the polygon kernel sees deviate from their arc by at most this.
pub const KERNEL_MM: f64 = 0.001;
/// Two points nearer than this are one point to the kernel: the distance below which the offset kernel's cleaning merges points.
pub const SAME_POINT_MM: f64 = 1e-5;
/// The cheap check on every offset level: each output point lies within this of the wanted distance from the input.
pub const OFFSET_CHECK_MM: f64 = 0.02;
/// Necks within this of exactly twice the offset are treated as closed: every kernel is undecided there.
pub const NECK_MM: f64 = 0.005;
