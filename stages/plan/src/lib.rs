//! The planning stages of grainway, from drawings to program texts: one module each.
//!
//! A stage knows the work, not other stages; what several need is a module of its own that is named for what it is. Nothing here
//! checks a text against the parts, and nothing knows HTTP, a database or a shared library.

pub mod clearing;
#[cfg(test)]
mod clearing_tests;
pub mod cutters;
pub mod drawing;
pub mod drill;
pub mod entry;
pub mod feeds;
pub mod findings;
mod finished_edges;
pub mod fit;
pub mod hold;
mod lies;
pub mod mark;
mod pace;
pub mod place;
pub mod pocket;
pub mod post;
pub mod profile;
pub mod profile_moves;
pub mod program_items;
pub mod reach;
pub mod relief;
pub mod restarts;
mod roofs;
pub mod sequence;
mod sweep;
#[cfg(test)]
mod trial;
