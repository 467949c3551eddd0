//! Dimensioned blanks: a clamping each, against stops or inside lines cut into the spoilboard.

use super::{
    Locate, PlaceSettings, beyond_travel, empty_setup, measure, placement, variants_of, zero_on_bed,
};
use crate::feeds::{feeds, wood_of};
use crate::sweep::{Field, Sweep};
use grainway_geom::{Contour, Placing, Point, point};
use grainway_pipeline::doc::{Cutter, CutterKind};
use grainway_pipeline::finding::{Finding, code};
use grainway_pipeline::motion::{Move, SAFE_Z};
use grainway_pipeline::work::{
    BlobId, Hold, HoldKind, Operation, Setup, SetupKind, SetupStep, Work,
};

/// Distance that stops keep from every cut, mm (practice.md: keep-outs).
const STOP_CLEAR_MM: f64 = 4.0;
/// A long edge gets two stops, at these shares of its length; nearer its ends a blank sits more surely.
const SHARES: [f64; 2] = [0.15, 0.85];

/// One setup for each part; equal blanks are its repeats.
pub(super) fn lay(
    work: &mut Work,
    settings: &PlaceSettings,
    travel: Point,
    setups: &mut Vec<Setup>,
    findings: &mut Vec<Finding>,
) {
    let mut steps = Vec::new();
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
            match line_step(work, settings, &setup, findings) {
                Some(step) => steps.push((setups.len(), step)),
                None => stops(&mut setup, settings, &field, &part.id, findings),
            }
            setups.push(setup);
        }
    }
    for (index, (mut step, moves)) in steps {
        step.moves = work.blobs.put_moves(&moves);
        setups[index].own_steps.push(step);
    }
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

/// The step that cuts the locating lines, if lines are wanted and can be had.
fn line_step(
    work: &Work,
    settings: &PlaceSettings,
    setup: &Setup,
    findings: &mut Vec<Finding>,
) -> Option<(SetupStep, Vec<Move>)> {
    if settings.locate != Locate::Lines {
        return None;
    }
    let part = setup.placements.first().map_or("", |p| p.piece.as_str());
    if !zero_on_bed(&setup.z) {
        findings.push(
            Finding::new(
                &code::LINES_NEED_BED,
                format!(
                    "Locating lines for blank {part} need Z zero on the bed: the spoilboard's height is not known before the blank lies on it. Stops were planned instead."
                ),
            )
            .part(part),
        );
        return None;
    }
    let (_, machine) = work.documents.machine()?;
    let (id, cutter) = line_cutter(work)?;
    let bottom = setup.z.lowest_underside() - settings.line_depth.mm();
    if settings.line_depth.mm() > machine.spoilboard.mm() - LEAST_SPOILBOARD_MM {
        findings.push(
            Finding::new(
                &code::SPOILBOARD_THIN,
                format!(
                    "Locating lines of {:.1} mm leave less than {LEAST_SPOILBOARD_MM:.0} mm of the {:.1} mm spoilboard.",
                    settings.line_depth.mm(),
                    machine.spoilboard.mm()
                ),
            )
            .part(part),
        );
        return None;
    }
    let wood = wood_of(&work.documents, &setup.stock)?;
    let figures = feeds(cutter, &wood, machine, Operation::LocatingLine);
    // The blank lies inside: its edge touches the inner side of the line. Only the left and near lines are needed to lay it,
    // and they run a little past its corners so that the corner can be seen.
    let r = cutter.radius_mm();
    let past = LINE_PAST_MM.min(setup.size.x / 4.0).min(setup.size.y / 4.0);
    let corners = [
        point(-r, setup.size.y - past),
        point(-r, -r),
        point(setup.size.x - past, -r),
    ];
    let mut moves = vec![
        Move::Rapid {
            to: corners[0].at_z(SAFE_Z),
        },
        Move::Rapid {
            to: corners[0].at_z(setup.z.lowest_underside() + LINE_APPROACH_MM),
        },
        Move::Line {
            to: corners[0].at_z(bottom),
            feed: figures.plunge,
        },
    ];
    moves.extend(corners[1..].iter().map(|c| Move::Line {
        to: c.at_z(bottom),
        feed: figures.feed,
    }));
    moves.push(Move::Rapid {
        to: corners[2].at_z(SAFE_Z),
    });
    let band = |a: Point, b: Point| {
        let (min, max) = (
            point(a.x.min(b.x), a.y.min(b.y)),
            point(a.x.max(b.x), a.y.max(b.y)),
        );
        (
            Contour::rectangle(min - point(r, r), max + point(r, r), 0.0),
            bottom,
        )
    };
    Some((
        SetupStep {
            stage: super::PLACE.to_string(),
            label: "lines to lay the blank by".to_string(),
            operation: Operation::LocatingLine,
            cutter: id.to_string(),
            rpm: figures.rpm,
            feed: figures.feed,
            plunge: figures.plunge,
            lowest: bottom,
            moves: BlobId(String::new()),
            allowed: vec![band(corners[0], corners[1]), band(corners[1], corners[2])],
        },
        moves,
    ))
}

/// Spoilboard that must stay under anything that goes into it, mm (common practice, no source).
pub(crate) const LEAST_SPOILBOARD_MM: f64 = 3.0;
/// Lines stop this short of the blank's far corners, mm.
const LINE_PAST_MM: f64 = 20.0;
/// Height over the spoilboard down to which the cutter comes fast, mm: nothing lies there yet, but practice.md asks for 10.
const LINE_APPROACH_MM: f64 = 10.0;

/// The thinnest end mill or V-cutter that may go straight down.
fn line_cutter(work: &Work) -> Option<(&str, &Cutter)> {
    work.documents
        .shop
        .cutters
        .iter()
        .filter(|(_, c)| c.kind == CutterKind::EndMill && c.centre_cutting)
        .min_by(|(a, c), (b, d)| {
            c.diameter
                .mm()
                .total_cmp(&d.diameter.mm())
                .then_with(|| a.cmp(b))
        })
        .map(|(id, c)| (id.as_str(), c))
}
