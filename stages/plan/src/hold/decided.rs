//! What was decided for a piece, before it gets its moves.

use super::tabs::Spot;
use grainway_geom::Point;
use std::collections::BTreeSet;

/// What was decided for a piece.
#[derive(Clone, Debug)]
pub(super) enum Decided {
    /// Its outline is not cut.
    Uncut,
    /// Nothing yet.
    Open,
    /// Tabs at these places, all towards waste that is held.
    Tabs(Vec<Spot>),
    /// A floor under it.
    Skin,
    /// Screws through it, board coordinates.
    Screws(Vec<Point>),
    /// Tabs, some of them towards pieces, which are named by index.
    Bridges(Vec<Spot>, BTreeSet<usize>),
}
