//! A plan against what was read of its text, as paths.

use super::Found;
use crate::programs::{Near, SAFE, cut_by, cut_in, planned};
use grainway_geom::{Point3, point};
use grainway_pipeline::dialect::{Action, ReadMove};
use grainway_pipeline::motion::{Item, Move};

/// Paths are sampled about this far apart, mm; what was planned, coarsely, what was read, finely.
const STEP_MM: [f64; 2] = [0.4, 0.02];

/// The ends of the plan's cutting moves, in order.
fn ends(items: &[Item]) -> Vec<Point3> {
    let mut ends = Vec::new();
    let mut at = point(0.0, 0.0).at_z(SAFE);
    for item in items {
        let Item::Move(m) = item else { continue };
        at = m.end(at);
        match m {
            Move::Line { .. } | Move::Arc { .. } => ends.push(at),
            Move::Hole { at, bottom, .. } => ends.push(at.at_z(*bottom)),
            Move::Rapid { .. } => {}
        }
    }
    ends
}

/// The planned path and the read one are the same within `allowed` mm, and the ends of moves are reached in their order.
pub(super) fn compare(items: &[Item], events: &[ReadMove], allowed: f64) -> Found {
    let cuts = |e: &&ReadMove| matches!(e.action, Action::Line | Action::Arc { .. });
    if let Some(e) = events
        .iter()
        .filter(cuts)
        .find(|e| e.from.point().is_none_or(|p| !p.z.is_finite()) || e.to.point().is_none())
    {
        return Err(format!(
            "line {}: a cut although it is not known where the cutter stands",
            e.line
        ));
    }
    let fine = cut_by(events, STEP_MM[1]);
    let slack = allowed + 0.6 * STEP_MM[1];
    let near = Near::new(&fine, 4.0 * slack);
    if let Some(p) = planned(items, STEP_MM[0])
        .iter()
        .find(|p| near.distance(**p) > slack)
    {
        return Err(format!(
            "the planned point ({:.3}, {:.3}, {:.3}) is not passed",
            p.x, p.y, p.z
        ));
    }
    let plan = planned(items, STEP_MM[1]);
    let near = Near::new(&plan, 4.0 * slack);
    for e in events.iter().filter(cuts) {
        if let Some(p) = cut_in(e, STEP_MM[0])
            .iter()
            .find(|p| near.distance(**p) > slack)
        {
            return Err(format!(
                "line {}: cuts ({:.3}, {:.3}, {:.3}), which is not planned",
                e.line, p.x, p.y, p.z
            ));
        }
    }
    // In their order: each end is passed at or after the one before.
    let ends = ends(items);
    let mut k = 0;
    for end in &ends {
        let reached = |p: &Point3| p.xy().distance(end.xy()).hypot(p.z - end.z) <= slack;
        while k < fine.len() && !reached(&fine[k]) {
            k += 1;
        }
        if k == fine.len() {
            return Err(format!(
                "the place ({:.3}, {:.3}, {:.3}) does not come in its order",
                end.x, end.y, end.z
            ));
        }
    }
    Ok(format!("{} moves, all within {allowed:.3} mm", ends.len()))
}
