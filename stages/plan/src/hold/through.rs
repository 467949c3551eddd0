//! Places for hold-down screws through a piece itself.

use super::HoldSettings;
use super::board::{Board, LITTLE_MM};
use super::first::{spread, tenth};
use grainway_geom::{Bounds, Point, point};
use grainway_pipeline::doc::FeatureKind;
use grainway_pipeline::work::Hold;

/// A piece does not turn about so many screws.
const LEAST: usize = 2;
/// Places are tried on a grid of about so many on each side …
const PLACES: f64 = 60.0;
/// … and of this at least, mm.
const STEP_MM: f64 = 2.0;
/// The screws reach over at least this share of the longer side, so that neither end swings. Common practice, no source.
const REACH_SHARE: f64 = 0.35;

/// Screws far apart in the piece, clear of all that is cut into it and of its edge; `None` where too few find a place.
pub(super) fn places(
    board: &Board<'_>,
    i: usize,
    settings: &HoldSettings,
    holds: &[Hold],
) -> Option<Vec<Point>> {
    let outline = board.outline(i);
    let b = outline.bounds();
    let (clear, edge) = (settings.screw_clear(), settings.screw_edge());
    let apart = 4.0 * settings.head_diameter.mm();
    let placing = board.placing(i);
    let opening = |p: Point| {
        let local = placing.inverse_point(p);
        let features = &board.variant(i).features;
        features
            .iter()
            .any(|f| f.kind == FeatureKind::Cutout && f.shape.contains(local))
    };
    let free: Vec<Point> = grid(b)
        .map(tenth)
        .filter(|p| {
            outline.contains(*p)
                && outline.distance(*p) >= edge
                && !opening(*p)
                && holds.iter().all(|h| h.at.distance(*p) >= apart)
                && board.clearance(*p, clear + LITTLE_MM, &|_, _, _| true) >= clear
        })
        .collect();
    let chosen = spread(&free, &[], LEAST, settings.spacing.mm(), apart);
    let reach = Bounds::of(chosen.iter().copied());
    let (long, reached) = match b.width() >= b.height() {
        true => (b.width(), reach.width()),
        false => (b.height(), reach.height()),
    };
    (chosen.len() >= LEAST && reached >= REACH_SHARE * long).then_some(chosen)
}

/// Even places over a box.
fn grid(b: Bounds) -> impl Iterator<Item = Point> {
    let count = |l: f64| (l / (l / PLACES).max(STEP_MM)).floor().max(1.0) as usize;
    let (nx, ny) = (count(b.width()), count(b.height()));
    (0..=nx).flat_map(move |i| {
        (0..=ny).map(move |j| {
            let share = |k: usize, n: usize| k as f64 / n as f64;
            b.min + point(b.width() * share(i, nx), b.height() * share(j, ny))
        })
    })
}
