//! Dimensioned blanks: a clamping each, against stops or in locating lines.

use super::against::{Against, STOP_CLEAR_MM, no_room, not_in_lines};
use super::lines::Lines;
use super::wood::Wood;
use super::{PlaceSettings, beyond_travel, empty_setup, measure, placement, upright, variants_of};
use crate::sweep::{Field, Sweep};
use grainway_geom::{Placing, Point, point};
use grainway_pipeline::doc::Side;
use grainway_pipeline::finding::{Finding, code};
use grainway_pipeline::work::{Hold, HoldKind, Part, Setup, SetupKind, Variant, Work};

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
    let sides = work
        .parts
        .iter()
        .flat_map(|p| Side::ALL.map(|side| (p, side)))
        // A part that is cut from a board is a blank for its other sides alone.
        .filter(|(p, side)| p.count > 0 && (p.dimensioned || *side != Side::Face));
    for (part, side) in sides {
        let variants = variants_of(work, part, side);
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
            if let Some(finding) = beyond_reach(work, part, variant, needed, travel) {
                findings.push(finding);
                continue;
            }
            let mut setup = empty_setup(SetupKind::Blank, &part.stock, size, variant.z);
            setup.repeats = repeats;
            setup.side = side;
            let name = super::copy_name(&part.id, k as u32);
            setup.placements = vec![placement(&piece, name, placing)];
            let sweep = Sweep::of(work, variant, variant.z.highest_top());
            let field = Field::new([(placing, &sweep)]);
            // Lines are too shallow to keep a piece upright.
            if !side.is_end() {
                setup.lines = lines.lay(work, settings, travel, &setup, &part.id, findings);
            }
            let flush = Against {
                outline: variant.outline.shifted(-piece.bounds.min),
                field: &field,
                wood: Wood::of(part, variant),
            };
            let depth = settings.line_depth.mm();
            if setup.lines.is_some() && !flush.lies_in_lines(setup.size, depth) {
                findings.push(not_in_lines(side, &part.id));
            }
            if setup.lines.is_none() {
                stops_below(&setup, settings, &part.id, findings);
                match side.is_end() {
                    true => upright::holds(&mut setup, settings, &flush, &part.id, findings),
                    false => stops(&mut setup, settings, &flush, &part.id, findings),
                }
            }
            setups.push(setup);
        }
    }
    lines
}

/// Something of a stop stands beside the piece.
fn stops_below(setup: &Setup, settings: &PlaceSettings, part: &str, findings: &mut Vec<Finding>) {
    let high = setup.z.thinnest - settings.stop_below.mm();
    if high <= 0.0 {
        let what = format!(
            "The place stage's `stop-below` is {} mm; nothing of a stop is left beside blank {part}, which is {} mm thick at its thinnest.",
            settings.stop_below.mm(),
            setup.z.thinnest
        );
        let finding = Finding::new(&code::BAD_NUMBER, what).part(part);
        findings.push(finding.pointer("job#/settings/place/stop-below"));
    }
}

/// Stops at the left and near edges, where no cut comes near them and wood stands for them to bear on.
fn stops(
    setup: &mut Setup,
    settings: &PlaceSettings,
    against: &Against<'_>,
    part: &str,
    findings: &mut Vec<Finding>,
) {
    let radius = settings.stop_radius.mm();
    let clear = radius + STOP_CLEAR_MM;
    let high = setup.z.thinnest - settings.stop_below.mm();
    // Share along the edge to a place, for the near edge and the left one.
    let near = |s: f64| point(s * setup.size.x, -radius);
    let left = |s: f64| point(-radius, s * setup.size.y);
    let free = |at: Point| {
        let edge = point(at.x.max(0.0), at.y.max(0.0));
        let along = match at.y < 0.0 {
            true => point(1.0, 0.0),
            false => point(0.0, 1.0),
        };
        against.bears(edge, along)
            && against.wood.bears_on_stop(edge, along, high)
            && against.field.clearance(at, clear, &|_, _, _| true) >= clear - 1e-9
    };
    // The nearest free share to the wanted one, in steps of a hundredth, within the edge.
    let find = |edge: &dyn Fn(f64) -> Point, wanted: f64, from: f64, to: f64| {
        (0..=100)
            .map(|k| f64::from(k) / 100.0)
            .filter(|s| *s >= from && *s <= to && free(edge(*s)))
            .min_by(|a, b| (a - wanted).abs().total_cmp(&(b - wanted).abs()))
            .map(edge)
    };
    let first = find(&near, SHARES[0], 0.02, 0.48);
    // Two stops stand apart, on a short edge too.
    let beside = first.map_or(0.52, |at| (at.x + 2.0 * radius) / setup.size.x);
    let near_stops = [first, find(&near, SHARES[1], beside.max(0.52), 0.98)];
    let left_stop = find(&left, 0.5, 0.1, 0.9);
    if near_stops.iter().any(Option::is_none) || left_stop.is_none() {
        findings.push(no_room(setup.side, part));
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

/// The machine cannot go over all of the piece: it stands too high, or the cuts in it need more than its travel.
fn beyond_reach(
    work: &Work,
    part: &Part,
    variant: &Variant,
    needed: Point,
    travel: Point,
) -> Option<Finding> {
    let high = match variant.side {
        Side::Face | Side::Back => None,
        Side::Near | Side::Far => too_high(work, &part.id, variant.z.highest_top()),
        Side::LeftEnd | Side::RightEnd => upright::too_long(work, part, variant.side),
    };
    let what = || format!("Blank {} with the run-outs of its features", part.id);
    let beyond = needed.x > travel.x || needed.y > travel.y;
    high.or_else(|| beyond.then(|| beyond_travel(&part.id, &what(), needed, travel)))
}

/// The piece stands higher than the machine can travel over it.
fn too_high(work: &Work, part: &str, high: f64) -> Option<Finding> {
    let (name, machine) = work.documents.machine()?;
    let travel = machine.travel[2].mm();
    let over = high + super::FIRST_SAFE_HEIGHT;
    (over > travel).then(|| {
        let message = format!(
            "Part {part} stands {high:.1} mm high on its edge; with {:.0} mm to travel over it the machine {name} needs {over:.1} mm of Z travel and has {travel:.1} mm.",
            super::FIRST_SAFE_HEIGHT
        );
        Finding::new(&code::PART_TOO_LARGE, message).part(part)
    })
}
