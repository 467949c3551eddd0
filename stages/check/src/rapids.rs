//! Layer 4: rapid moves. Sideways only above everything that stands, downwards only in air or into room that was wholly cleared
//! before. Screws and clamps are layer 7's.

use super::Scene;
use super::cover::rest;
use super::curves::around;
use super::figures::{Said, mm};
use super::motions::Motion;
use grainway_geom::{Bounds, Capsule, Contour, Point, PolySet, Region, Segment, point};
use grainway_pipeline::finding::code;
use grainway_pipeline::tolerance::{KERNEL_MM, VERIFY_MM};
use std::collections::BTreeSet;

/// How far over the wood the first fast way down must end after a person has set Z zero, mm: there a wrong zero can still be seen and
/// the machine stopped (common practice, no source).
const FIRST_DOWN_MM: f64 = 10.0;

/// Findings of one kind that are said one by one; the rest is counted.
const SAID_ONE_BY_ONE: usize = 5;

pub(super) fn check(scene: &Scene<'_>) -> Said {
    let mut said = Said::of("rapids");
    if scene.zero_by_hand {
        first_ways_down(scene, &mut said);
    }
    let top = scene.setup.z.highest_top();
    let margin = scene.settled.rapid_margin;
    let board = scene.board();
    let mut lowest = f64::INFINITY;
    let mut count = 0usize;
    for (i, m) in scene.recorded.motions.iter().enumerate() {
        if m.cuts {
            continue;
        }
        let radius = scene.recorded.tool(m).map_or(0.0, |t| t.radius);
        let low = m.low();
        let message = if i < scene.wood_from {
            // Only the spoilboard lies there. Straight up the cutter leaves what it has cut.
            let bed = scene.setup.z.highest_underside() + scene.settled.descend_margin;
            let low = if m.sideways() { low } else { m.z[1] };
            let leaves = !m.sideways() && m.z[1] >= m.z[0];
            (low < bed && !leaves).then(|| "a rapid runs into the spoilboard".to_string())
        } else if m.sideways() {
            if low.is_finite() && over_board(scene, m, board, radius) {
                lowest = lowest.min(low - top);
            }
            if low >= top + margin - 1e-6 || !over_board(scene, m, board, radius) {
                None
            } else if low < top {
                Some(format!(
                    "a rapid runs sideways {} mm below the face of the wood",
                    mm(top - low)
                ))
            } else {
                Some(format!(
                    "a rapid runs sideways only {} mm above the wood; {} are asked",
                    mm(low - top),
                    mm(margin)
                ))
            }
        } else if m.z[1] < m.z[0] - 1e-9 {
            descends(scene, i, m, board, radius, top)
        } else {
            None
        };
        if let Some(message) = message {
            count += 1;
            if count <= SAID_ONE_BY_ONE {
                said.find(Some(m.text), named(scene, m, message));
            }
        }
    }
    if count > SAID_ONE_BY_ONE {
        said.find(
            None,
            grainway_pipeline::finding::Finding::new(
                &code::VERIFY_RAPID,
                format!("{count} rapids in all run where they may not; the first {SAID_ONE_BY_ONE} are named."),
            )
            .setup(&scene.setup.id),
        );
    }
    said.exact(
        "lowest sideways rapid above the thickest wood",
        lowest,
        "mm",
        margin,
    );
    said.exact("rapids that may not be", count as f64, "moves", 0.0);
    said
}

/// After a start and after each pause in which a cutter goes in, the first way down ends at feed: the fast part stops
/// [`FIRST_DOWN_MM`] over the wood, or at the setup's safe height where that is lower.
fn first_ways_down(scene: &Scene<'_>, said: &mut Said) {
    let recorded = scene.recorded;
    let top = scene.setup.z.highest_top();
    let least = (top + FIRST_DOWN_MM).min(scene.setup.safe_z) - VERIFY_MM;
    let pauses = recorded.pauses.iter().filter(|p| p.cutter.is_some());
    let put_in: BTreeSet<usize> = pauses.map(|p| p.at).collect();
    let mut text = None;
    let mut untried = true;
    for (i, m) in recorded.motions.iter().enumerate() {
        untried |= text != Some(m.text) || put_in.contains(&i);
        text = Some(m.text);
        if !untried || m.z[1] >= least {
            continue;
        }
        untried = false;
        if !m.cuts && m.z[1] < m.z[0] {
            let message = format!(
                "the first rapid down after Z zero was set by hand ends {} mm over the wood; {} are asked, then feed",
                mm(m.z[1] - top),
                mm(least + VERIFY_MM - top)
            );
            said.find(Some(m.text), named(scene, m, message));
        }
    }
}

/// A finding with the piece and feature that lie there.
fn named(scene: &Scene<'_>, m: &Motion, message: String) -> grainway_pipeline::finding::Finding {
    // The first place along the path that lies on a piece, else where it ends.
    let place = (0..=16)
        .map(|k| m.path.at(f64::from(k) / 16.0))
        .find(|p| scene.piece_at(*p).is_some())
        .unwrap_or(m.path.end());
    let mut finding = scene
        .at_line(m.text, m.line, &code::VERIFY_RAPID, format!("{message}."))
        .at(place);
    if let Some((piece, feature)) = scene.piece_at(place) {
        finding = finding.part(piece);
        if let Some(feature) = feature {
            finding = finding.feature(feature);
        }
    }
    finding
}

/// The swept path touches the board. Where each axis may run on its own, the path is anywhere in its box.
fn over_board(scene: &Scene<'_>, m: &Motion, board: Bounds, radius: f64) -> bool {
    let b = m.path.bounds().grown(radius);
    if !b.touches(board) {
        return false;
    }
    if !scene.straight_rapids {
        return true;
    }
    let edges = [
        (board.min, point(board.max.x, board.min.y)),
        (point(board.max.x, board.min.y), board.max),
        (board.max, point(board.min.x, board.max.y)),
        (point(board.min.x, board.max.y), board.min),
    ];
    board.contains(m.path.start())
        || board.contains(m.path.end())
        || edges.iter().any(|(a, b)| {
            super::curves::distance(&m.path, &Segment::Line { a: *a, b: *b }).0 < radius
        })
}

fn descends(
    scene: &Scene<'_>,
    index: usize,
    m: &Motion,
    board: Bounds,
    radius: f64,
    top: f64,
) -> Option<String> {
    let to = m.z[1];
    if to >= top + scene.settled.descend_margin - 1e-6 {
        return None;
    }
    let at = m.path.end();
    let frame = &scene.setup.z;
    if !around(at, radius).touches(board) {
        // Beside the wood there is air down to the spoilboard.
        return (to < frame.highest_underside() + scene.settled.descend_margin).then(|| {
            format!(
                "a rapid comes down beside the wood to {} mm over the spoilboard",
                mm(to - frame.highest_underside())
            )
        });
    }
    if cleared(scene, index, at, radius, to) {
        return None;
    }
    Some(if to < top {
        format!(
            "a rapid comes down {} mm into wood that was not cleared",
            mm(top - to)
        )
    } else {
        format!(
            "a rapid comes down to {} mm above the wood; {} are asked",
            mm(to - top),
            mm(scene.settled.descend_margin)
        )
    })
}

/// Everything in the disc was cut away to `z` or deeper before the motion `index`.
fn cleared(scene: &Scene<'_>, index: usize, at: Point, radius: f64, z: f64) -> bool {
    let disc = around(at, radius);
    let mut capsules = Vec::new();
    let mut whole = false;
    scene.motion_boxes.visit(disc, index, &mut |j| {
        let e = &scene.recorded.motions[j];
        if e.cuts
            && let (Some(path), Some(tool)) = (e.path_below(z + VERIFY_MM), scene.recorded.tool(e))
        {
            if path.distance(at) + radius <= tool.radius + VERIFY_MM {
                whole = true;
            } else {
                capsules.push(Capsule {
                    segment: path,
                    radius: tool.radius,
                });
            }
        }
        !whole
    });
    if whole {
        return true;
    }
    if capsules.is_empty() {
        return false;
    }
    let wanted = PolySet::from_regions(
        &[Region::inside(Contour::circle(
            at,
            (radius - VERIFY_MM).max(1e-3),
        ))],
        KERNEL_MM,
    );
    rest(&wanted, &capsules).area() < 1e-3
}
