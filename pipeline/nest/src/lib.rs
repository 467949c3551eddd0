//! Lays shapes close together without overlap: polygons with holes, turned by quarters, on strips and sheets.
//!
//! Places are found with no-fit polygons. A first layout is filled from the lower left; then pieces are pushed into less room and
//! separated again. The search counts its steps and never looks at a clock, so that it ends at the same layout on every machine.

mod chance;
mod fill;
mod forms;
mod nofit;
mod packing;
mod scan;
mod separate;
mod shape;
mod sheets;
mod squeeze;
mod strip;

use grainway_geom::Point;

pub use shape::{Shape, turned};
pub use sheets::{Kind, Piece, Sheet, Sheets, Watch, sheets};
pub use strip::{Strip, strip};

/// One thing to lay.
#[derive(Clone, Debug, PartialEq)]
pub struct Item {
    /// The number of its shape.
    pub shape: usize,
    /// How it may be turned, in quarters counter-clockwise.
    pub quarters: Vec<u8>,
}

/// Where an item lies.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Lying {
    /// Where its shape's origin comes, mm.
    pub at: Point,
    /// Turned by so many quarters first.
    pub quarters: u8,
}
