//! Pilots for the screws that are driven in a pause.

use super::{CLEAR_MM, HoldSettings, Later};
use crate::feeds::{feeds, wood_of};
use grainway_geom::{Contour, Point};
use grainway_pipeline::doc::{Cutter, CutterKind, Machine};
use grainway_pipeline::finding::{Finding, code};
use grainway_pipeline::motion::{Move, SAFE_Z};
use grainway_pipeline::work::{Hold, Operation, Setup, SetupStep, Work};

/// Depth of a mark where no cutter of the shop drills pilots, mm.
const MARK_MM: f64 = 1.0;
/// A pilot deeper than this many diameters is drilled in pecks.
const PECK_DIAMETERS: f64 = 3.0;
/// Verify may find the hole wider than its cutter by the grid's and the text's rounding, mm.
const ALLOWED_MM: f64 = 0.05;

/// Number of the pause in which they are driven: the setup's only one.
const SCREW_PAUSE: u32 = 1;

/// Drills pilots for all screws that are not driven before the start, and puts those screws after the pause.
pub(super) fn plan(
    work: &Work,
    setup: &mut Setup,
    settings: &HoldSettings,
    holds: &mut [Hold],
    later: &mut Later<'_>,
    findings: &mut Vec<Finding>,
) {
    let late = |h: &Hold| h.kind.wants_pilot();
    let mut places: Vec<Point> = Vec::new();
    for hold in holds.iter_mut().filter(|h| late(h)) {
        hold.after_pause = Some(SCREW_PAUSE);
        places.push(hold.at);
    }
    if places.is_empty() {
        return;
    }
    let Some((_, machine)) = work.documents.machine() else {
        return;
    };
    let deepest = setup.z.lowest_underside() - settings.pilot_depth.mm();
    if let Some(thin) = spoilboard_thin(setup, settings, machine, deepest) {
        findings.push(thin);
        return;
    }
    let Some(Drilled { id, cutter, bottom }) =
        drilled(work, setup, settings, deepest, places.len(), findings)
    else {
        return;
    };
    let Some(wood) = wood_of(&work.documents, &setup.stock) else {
        return;
    };
    let figures = feeds(cutter, &wood, machine, Operation::Pilot);
    let retract = setup.z.highest_top() + CLEAR_MM;
    let peck = (retract - bottom > PECK_DIAMETERS * cutter.diameter.mm())
        .then(|| PECK_DIAMETERS * cutter.diameter.mm());
    let order = nearest_first(places);
    let moves = order
        .iter()
        .flat_map(|&at| {
            let over = Move::rapid(at.at_z(SAFE_Z));
            let hole = Move::Hole {
                at,
                retract,
                bottom,
                peck,
                feed: figures.plunge,
            };
            [over, hole, over]
        })
        .collect();
    let radius = cutter.radius_mm() + ALLOWED_MM;
    setup.own_steps.push(SetupStep {
        stage: super::HOLD.to_string(),
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

/// What drills the pilots, and how deep.
struct Drilled<'w> {
    id: &'w str,
    cutter: &'w Cutter,
    bottom: f64,
}

/// The shop has a cutter for whole pilots through this wood.
pub(super) fn drills(work: &Work, setup: &Setup, settings: &HoldSettings) -> bool {
    let deepest = setup.z.lowest_underside() - settings.pilot_depth.mm();
    pilot_cutter(work, settings, setup.z.highest_top() - deepest).is_some()
}

/// A cutter for whole pilots, else one that marks their places.
fn drilled<'w>(
    work: &'w Work,
    setup: &Setup,
    settings: &HoldSettings,
    deepest: f64,
    count: usize,
    findings: &mut Vec<Finding>,
) -> Option<Drilled<'w>> {
    let depth = setup.z.highest_top() - deepest;
    if let Some((id, cutter)) = pilot_cutter(work, settings, depth) {
        return Some(Drilled {
            id,
            cutter,
            bottom: deepest,
        });
    }
    let (id, cutter) = marker(work, setup)?;
    findings.push(
        Finding::new(
            &code::PILOT_BY_HAND,
            format!(
                "No drill or end mill of {:.1} to {:.1} mm reaches {depth:.1} mm deep; the places of {count} screws are only marked, and their pilots are drilled by hand in the pause.",
                settings.pilot_least.mm(),
                settings.pilot_most.mm(),
            ),
        )
        .setup(&setup.id),
    );
    Some(Drilled {
        id,
        cutter,
        bottom: setup.z.top() - MARK_MM,
    })
}

/// Says that pilots down to `deepest` leave too little of the spoilboard.
fn spoilboard_thin(
    setup: &Setup,
    settings: &HoldSettings,
    machine: &Machine,
    deepest: f64,
) -> Option<Finding> {
    let into = setup.z.into_spoilboard(deepest);
    let most = machine.spoilboard.mm() - settings.spoilboard_least.mm();
    (into > most).then(|| {
        Finding::new(
            &code::SPOILBOARD_THIN,
            format!(
                "Pilots go {into:.1} mm into the spoilboard of {:.1} mm (under the thinnest wood); {most:.1} mm are allowed.",
                machine.spoilboard.mm()
            ),
        )
        .setup(&setup.id)
    })
}

/// A short way through the air: the nearest of what is left, each time. More is not worth it for a handful of holes.
fn nearest_first(mut left: Vec<Point>) -> Vec<Point> {
    let mut order = Vec::with_capacity(left.len());
    let mut at = Point::default();
    while !left.is_empty() {
        let nearest = (0..left.len())
            .min_by(|&a, &b| at.distance(left[a]).total_cmp(&at.distance(left[b])))
            .unwrap_or(0);
        at = left.remove(nearest);
        order.push(at);
    }
    order
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
