//! Feeds and speeds from cutter, wood and machine by the published formulas, as starting points.

use grainway_pipeline::doc::{Cutter, Machine, WoodFigures};
use grainway_pipeline::work::{Documents, Operation};

/// What a cutter is run with.
#[derive(Clone, Debug, PartialEq)]
pub struct Feeds {
    /// rev/min.
    pub rpm: f64,
    /// In the cut, mm/min.
    pub feed: f64,
    /// Downwards (ramps, plunges, drilling), mm/min.
    pub plunge: f64,
    /// Greatest depth of one pass, mm.
    pub pass_depth: f64,
    /// Chip load, mm a tooth.
    pub feed_per_tooth: f64,
    /// One line for the sheet: what was computed from what, or that the shop gave it.
    pub reason: String,
}

/// Figures of a stock's wood: the shop's own, else the built-in table's.
pub fn wood_of(documents: &Documents, stock: &str) -> Option<WoodFigures> {
    let name = &documents.stock(stock)?.wood;
    documents
        .shop
        .woods
        .get(name)
        .cloned()
        .or_else(|| grainway_pipeline::doc::wood(name).map(|w| w.figures()))
}

/// Feeds for a cutter in a wood on a machine.
pub fn feeds(
    cutter: &Cutter,
    wood: &WoodFigures,
    machine: &Machine,
    operation: Operation,
) -> Feeds {
    let _ = (wood, operation);
    let rpm = cutter
        .rpm
        .unwrap_or(18_000.0)
        .min(cutter.max_rpm)
        .clamp(machine.min_rpm, machine.max_rpm);
    let feed_per_tooth = cutter.feed_per_tooth.map_or(0.06, |f| f.mm());
    let feed = (rpm * f64::from(cutter.edges) * feed_per_tooth).min(machine.max_feed.mm());
    Feeds {
        rpm,
        feed,
        plunge: (feed / 3.0).min(900.0).min(machine.max_plunge.mm()),
        pass_depth: cutter
            .pass_depth
            .map_or(cutter.diameter.mm() / 2.0, |d| d.mm()),
        feed_per_tooth,
        reason: String::new(),
    }
}
