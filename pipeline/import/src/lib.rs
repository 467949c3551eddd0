//! Drawings and described shapes into contours.
//!
//! A drawing is read into entities ([`entity`]), whatever its format ([`dxf`], [`svg`]); runs of one layer are joined into contours
//! ([`join`]). Shapes described in the job become contours too ([`shapes`]). What a layer or a contour means for a part is for others.

mod curves;
pub mod dxf;
pub mod entity;
pub mod join;
mod plane;
pub mod shapes;
pub mod svg;
