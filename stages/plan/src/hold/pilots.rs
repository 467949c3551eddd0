//! Pilots for the screws that are driven in a pause.

use super::{CLEAR_MM, HoldSettings, Later};
use crate::feeds::{feeds, wood_of};
use grainway_geom::{Contour, Point};
use grainway_pipeline::doc::{Cutter, CutterKind};
use grainway_pipeline::finding::{Finding, code};
use grainway_pipeline::motion::{Move, SAFE_Z};
use grainway_pipeline::work::{Hold, HoldKind, Operation, Setup, SetupStep, Work};

/// Depth of a mark where no cutter of the shop drills pilots, mm.
const MARK_MM: f64 = 1.0;
/// A pilot deeper than this many diameters is drilled in pecks.
const PECK_DIAMETERS: f64 = 3.0;
/// Verify may find the hole wider than its cutter by the grid's and the text's rounding, mm.
const ALLOWED_MM: f64 = 0.05;

/// Drills pilots for all screws that are not driven before the start, and puts those screws after the pause.
pub(super) fn plan(
    work: &Work,
    setup: &mut Setup,
    settings: &HoldSettings,
    holds: &mut [Hold],
    pause: u32,
    later: &mut Later<'_>,
    findings: &mut Vec<Finding>,
) {
    let late = |h: &Hold| matches!(h.kind, HoldKind::WasteScrew | HoldKind::FrameScrew);
    let mut places: Vec<Point> = Vec::new();
    for hold in holds.iter_mut().filter(|h| late(h)) {
        hold.after_pause = Some(pause);
        places.push(hold.at);
    }
    if places.is_empty() {
        return;
    }
    let Some((_, machine)) = work.documents.machine() else {
        return;
    };
    let deepest = setup.z.lowest_underside() - settings.pilot_depth.mm();
    let into = setup.z.into_spoilboard(deepest);
    let most = machine.spoilboard.mm() - settings.spoilboard_least.mm();
    if into > most {
        findings.push(
            Finding::new(
                &code::SPOILBOARD_THIN,
                format!(
                    "Pilots go {into:.1} mm into the spoilboard of {:.1} mm (under the thinnest wood); {most:.1} mm are allowed.",
                    machine.spoilboard.mm()
                ),
            )
            .setup(&setup.id),
        );
        return;
    }
    let depth = setup.z.highest_top() - deepest;
    let chosen = pilot_cutter(work, settings, depth);
    let (id, cutter, bottom, label) = match chosen {
        Some((id, cutter)) => (
            id,
            cutter,
            deepest,
            "pilots for hold-down screws".to_string(),
        ),
        None => {
            let Some((id, cutter)) = marker(work, setup) else {
                return;
            };
            findings.push(
                Finding::new(
                    &code::PILOT_BY_HAND,
                    format!(
                        "No drill or end mill of {:.1} to {:.1} mm reaches {depth:.1} mm deep; the places of {} screws are only marked, and their pilots are drilled by hand in the pause.",
                        settings.pilot_least.mm(),
                        settings.pilot_most.mm(),
                        places.len()
                    ),
                )
                .setup(&setup.id),
            );
            (
                id,
                cutter,
                setup.z.top() - MARK_MM,
                "marks for hold-down screws, pilots to be drilled by hand".to_string(),
            )
        }
    };
    let Some(wood) = wood_of(&work.documents, &setup.stock) else {
        return;
    };
    let figures = feeds(cutter, &wood, machine, Operation::Pilot);
    let retract = setup.z.highest_top() + CLEAR_MM;
    let feed = figures.plunge;
    let peck = (retract - bottom > PECK_DIAMETERS * cutter.diameter.mm())
        .then(|| PECK_DIAMETERS * cutter.diameter.mm());
    // A short way through the air: along x, there and back in lanes is not worth more for a handful of holes.
    let mut order: Vec<Point> = Vec::with_capacity(places.len());
    let mut left = places;
    let mut at = Point::default();
    while !left.is_empty() {
        let nearest = (0..left.len())
            .min_by(|&a, &b| at.distance(left[a]).total_cmp(&at.distance(left[b])))
            .unwrap_or(0);
        at = left.remove(nearest);
        order.push(at);
    }
    let mut moves = Vec::new();
    for &at in &order {
        moves.push(Move::Rapid {
            to: at.at_z(SAFE_Z),
        });
        moves.push(Move::Hole {
            at,
            retract,
            bottom,
            peck,
            feed,
        });
        moves.push(Move::Rapid {
            to: at.at_z(SAFE_Z),
        });
    }
    let radius = cutter.radius_mm() + ALLOWED_MM;
    setup.own_steps.push(SetupStep {
        stage: super::HOLD.to_string(),
        label,
        operation: Operation::Pilot,
        cutter: id.to_string(),
        rpm: figures.rpm,
        feed: figures.feed,
        plunge: figures.plunge,
        lowest: bottom,
        moves: later.put(moves),
        allowed: order
            .iter()
            .map(|p| (Contour::circle(*p, radius), bottom))
            .collect(),
    });
}

/// A drill in the wanted range, the nearest to its upper end; else an end mill that cuts in its centre.
fn pilot_cutter<'w>(
    work: &'w Work,
    settings: &HoldSettings,
    depth: f64,
) -> Option<(&'w str, &'w Cutter)> {
    let (least, most) = (settings.pilot_least.mm(), settings.pilot_most.mm());
    let fits = |c: &Cutter| {
        let d = c.diameter.mm();
        d >= least - 1e-9 && d <= most + 1e-9 && c.cutting_length.mm().min(c.usable_mm()) >= depth
    };
    let pick = |kind: CutterKind| {
        work.documents
            .shop
            .cutters
            .iter()
            .filter(|(_, c)| {
                c.kind == kind && fits(c) && (kind == CutterKind::Drill || c.centre_cutting)
            })
            .max_by(|(a, c), (b, d)| {
                c.diameter
                    .mm()
                    .total_cmp(&d.diameter.mm())
                    .then_with(|| b.cmp(a))
            })
            .map(|(id, c)| (id.as_str(), c))
    };
    pick(CutterKind::Drill).or_else(|| pick(CutterKind::EndMill))
}

/// A cutter that may go straight down, to mark a place: the one that the setup uses most, so that marking costs no change; of
/// equals the thinnest.
fn marker<'w>(work: &'w Work, setup: &Setup) -> Option<(&'w str, &'w Cutter)> {
    let used = |id: &str| {
        setup
            .placements
            .iter()
            .filter_map(|p| work.variant(&p.variant))
            .flat_map(|v| &v.steps)
            .filter(|s| s.cutter == id)
            .count()
    };
    work.documents
        .shop
        .cutters
        .iter()
        .filter(|(_, c)| matches!(c.kind, CutterKind::Drill) || c.centre_cutting)
        .min_by(|(a, c), (b, d)| {
            used(b)
                .cmp(&used(a))
                .then(c.diameter.mm().total_cmp(&d.diameter.mm()))
                .then_with(|| a.cmp(b))
        })
        .map(|(id, c)| (id.as_str(), c))
}
