//! Plane geometry in millimetres and radians.
//!
//! A [`Contour`] keeps true arcs from the drawing to the program. Only [`PolySet`] is flattened, and only for the polygon kernel:
//! unions, rest regions and the checks of verify.
//!
//! Orientation: an outer boundary runs counter-clockwise (positive area), a hole clockwise. Angles are counter-clockwise from +x.
//!
//! ```
//! use grainway_geom::{Contour, Notes, Region, offset, point};
//! use std::f64::consts::PI;
//!
//! // A plate of 100 × 60 mm and the path of a 6 mm cutter's centre around it: the corners are rolled round as true arcs.
//! let plate = Region::inside(Contour::rectangle(point(0.0, 0.0), point(100.0, 60.0), 0.0));
//! let mut notes = Notes::default();
//! let path = offset(&plate, 3.0, &mut notes);
//! assert_eq!(path[0].outer.vertices.len(), 8);
//! assert!((path[0].outer.length() - (320.0 + 2.0 * PI * 3.0)).abs() < 1e-6);
//! assert!(notes.0.is_empty(), "the kernel had nothing to say");
//! ```

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
pub use contour::{Contour, Measured, Region, Vertex};
pub use fillet::{Fillet, edges_at, fillet};
pub use index::{SegmentIndex, intersections, near_pairs, segment_distance, self_crossing};
pub use offset::{KernelNote, Notes, insets, offset, offset_all, opening};
pub use place::Placing;
pub use point::{Bounds, Point, Point3, point};
pub use pole::pole;
pub use poly::{Capsule, Piece, PolySet, swept};
pub use segment::Segment;
