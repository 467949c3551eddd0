//! Plane geometry in millimetres and radians.
//!
//! A [`Contour`] keeps true arcs from the drawing to the program. Only [`PolySet`] is flattened, and only for the polygon kernel:
//! unions, rest regions and the checks of verify.
//!
//! Orientation: an outer boundary runs counter-clockwise (positive area), a hole clockwise. Angles are counter-clockwise from +x.

mod boolean;
mod contour;
mod fillet;
mod index;
mod offset;
mod place;
mod point;
mod pole;
mod poly;
mod quiet;
mod raw;
mod segment;
pub mod tolerance;

pub use boolean::{difference, intersection, union};
pub use contour::{Contour, Region, Vertex};
pub use fillet::{Fillet, edges_at, fillet};
pub use index::{SegmentIndex, intersections, near_pairs, segment_distance, self_crossing};
pub use offset::{KernelNote, Notes, insets, offset, offset_all, opening};
pub use place::Placing;
pub use point::{Bounds, Point, Point3, point};
pub use pole::pole;
pub use poly::{Capsule, Piece, PolySet, swept};
pub use segment::Segment;
