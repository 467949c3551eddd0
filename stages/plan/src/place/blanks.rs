//! Dimensioned blanks: a clamping each, against stops or in locating lines.

use super::lines::Lines;
use super::{PlaceSettings, beyond_travel, empty_setup, measure, placement, variants_of};
use crate::sweep::{Field, Sweep};
use grainway_geom::{Placing, Point, point};
use grainway_pipeline::finding::{Finding, code};
use grainway_pipeline::work::{Hold, HoldKind, Setup, SetupKind, Work};

/// Distance that stops keep from every cut, mm (docs/practice.md, section Holding).
const STOP_CLEAR_MM: f64 = 4.0;
/// A long edge gets two stops, at these shares of its length; nearer its ends a blank sits more surely.
const SHARES: [f64; 2] = [0.15, 0.85];

/// One setup for each part; equal blanks are its repeats. Returns the locating lines that they lie in.
pub(super) fn lay(
    work: &Work,
    settings: &PlaceSettings,
    travel: Point,
    setups: &mut Vec<Setup>,
    findings: &mut Vec<Finding>,
) -> Lines {
    let mut lines = Lines::default();
    for part in work.parts.iter().filter(|p| p.dimensioned && p.count > 0) {
        let variants = variants_of(work, part);
        let many = variants.len() as u32;
        for (k, variant) in variants.iter().enumerate() {
            let last = k as u32 + 1 == many;
            let repeats = if last {
                part.count.saturating_sub(k as u32)
            } else {
                1
            };
            if repeats == 0 {
                break;
            }
            let piece = measure(work, part, variant);
            let size = point(piece.bounds.width(), piece.bounds.height());
            let placing = Placing::shift(-piece.bounds.min);
            let whole = super::placed_bounds(piece.swept, &placing);
            let needed = point(
                whole.max.x.max(size.x) - whole.min.x.min(0.0),
                whole.max.y.max(size.y) - whole.min.y.min(0.0),
            );
            if needed.x > travel.x || needed.y > travel.y {
                findings.push(beyond_travel(
                    &part.id,
                    &format!("Blank {} with the run-outs of its features", part.id),
                    needed,
                    travel,
                ));
                continue;
            }
            let mut setup = empty_setup(SetupKind::Blank, &part.stock, size, variant.z);
            setup.repeats = repeats;
            let name = super::copy_name(&part.id, k as u32);
            setup.placements = vec![placement(&piece, name, placing)];
            let sweep = Sweep::of(work, variant, variant.z.highest_top());
            let field = Field::new([(placing, &sweep)]);
            setup.lines = lines.lay(work, settings, travel, &setup, &part.id, findings);
            if setup.lines.is_none() {
                stops(&mut setup, settings, &field, &part.id, findings);
            }
            setups.push(setup);
        }
    }
    lines
}

/// Stops at the left and near edges where no cut comes near them.
fn stops(
    setup: &mut Setup,
    settings: &PlaceSettings,
    field: &Field<'_>,
    part: &str,
    findings: &mut Vec<Finding>,
) {
    let radius = settings.stop_radius.mm();
    let clear = radius + STOP_CLEAR_MM;
    // Share along the edge to a place, for the near edge and the left one.
    let near = |s: f64| point(s * setup.size.x, -radius);
    let left = |s: f64| point(-radius, s * setup.size.y);
    let free = |at: Point| field.clearance(at, clear, &|_, _, _| true) >= clear - 1e-9;
    // The nearest free share to the wanted one, in steps of a hundredth, within the edge.
    let find = |edge: &dyn Fn(f64) -> Point, wanted: f64, from: f64, to: f64| {
        (0..=100)
            .map(|k| f64::from(k) / 100.0)
            .filter(|s| *s >= from && *s <= to && free(edge(*s)))
            .min_by(|a, b| (a - wanted).abs().total_cmp(&(b - wanted).abs()))
            .map(edge)
    };
    let near_stops = [
        find(&near, SHARES[0], 0.02, 0.48),
        find(&near, SHARES[1], 0.52, 0.98),
    ];
    let left_stop = find(&left, 0.5, 0.1, 0.9);
    if near_stops.iter().any(Option::is_none) || left_stop.is_none() {
        findings.push(
            Finding::new(
                &code::NO_ROOM_FOR_STOPS,
                format!(
                    "Cuts that run out over the left or near edge of blank {part} leave no room for two stops at the near edge and one at the left."
                ),
            )
            .part(part),
        );
    }
    for at in near_stops.into_iter().chain([left_stop]).flatten() {
        setup.holds.push(Hold {
            kind: HoldKind::Stop,
            at,
            head_radius: radius,
            shaft: 0.0,
            head_above: -settings.stop_below.mm(),
            after_pause: None,
            of: None,
        });
    }
}
