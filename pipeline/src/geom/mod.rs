//! Plane geometry in millimetres and radians.
//!
//! A [`Contour`] keeps true arcs from the drawing to the program. Only [`PolySet`] is flattened, and only for the polygon kernel:
//! unions, rest regions and the checks of verify.
//!
//! Orientation: an outer boundary runs counter-clockwise (positive area), a hole clockwise. Angles are counter-clockwise from +x.

mod contour;
mod place;
mod point;
mod segment;

pub use contour::{Contour, Region, Vertex};
pub use place::Placing;
pub use point::{Bounds, Point, Point3, point};
pub use segment::Segment;
