//! Joints: sizes that follow the mate's readings, corners that the mate covers, and joints put together from the programs' texts.

mod against_shapely;
mod choices;
mod cleats;
pub mod fits;
mod fittings;
mod kinds;
mod own_wood;
mod page;
mod planted;
pub mod together;
