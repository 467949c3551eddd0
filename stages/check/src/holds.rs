//! Layer 7: screws, clamps and stops. Every later move keeps clear of them; what is driven in a pause has its pilot before, and its
//! pause is in the text, with the machine raised and the spindle stopped.

use super::curves::around;
use super::figures::{Said, mm};
use super::lines;
use super::messages::{Extent, says};
use super::motions::{Motion, Tool};
use super::{Piece, Scene};
use grainway_geom::Point;
use grainway_pipeline::finding::{Finding, Severity, code};
use grainway_pipeline::work::{Hold, HoldKind};

/// A pilot lies within this of its screw.
const PILOT_MM: f64 = 0.3;
/// Whole wood round the place where zero is set, mm: a cutter and a slip of paper find room. Common practice, no source.
const TOUCH_MM: f64 = 5.9;

pub(super) fn check(scene: &Scene<'_>) -> Said {
    let mut said = Said::of("holds");
    pauses(scene, &mut said);
    touch_off(scene, &mut said);
    lines::check(scene, &mut said);
    let mut nearest = f64::INFINITY;
    for hold in &scene.setup.holds {
        nearest = nearest.min(keep_out(scene, hold, &mut said));
        if hold.after_pause.is_some() {
            driven(scene, hold, &mut said);
        }
        sits(scene, hold, &mut said);
    }
    said.exact(
        "least space between a cutter and a screw, clamp or stop",
        nearest,
        "mm",
        scene.settled.hold_margin,
    );
    said.exact(
        "pauses in the text",
        scene.recorded.pauses.len() as f64,
        "pauses",
        None,
    );
    said
}

fn word(hold: &Hold) -> &'static str {
    match hold.kind {
        HoldKind::MarginScrew => "margin screw",
        HoldKind::Clamp => "clamp",
        HoldKind::WasteScrew => "screw in the waste",
        HoldKind::FrameScrew => "screw in the frame",
        HoldKind::PieceScrew => "screw through a part",
        HoldKind::Stop => "stop",
        HoldKind::SideClamp => "clamp from the side",
    }
}

fn place(hold: &Hold) -> String {
    format!("{} at ({}, {})", word(hold), mm(hold.at.x), mm(hold.at.y))
}

fn of(finding: Finding, hold: &Hold) -> Finding {
    match &hold.of {
        Some((piece, feature)) => finding.part(piece).feature(feature),
        None => finding,
    }
    .at(hold.at)
}

/// The first motion at which the hold may be there.
fn there_from(scene: &Scene<'_>, hold: &Hold) -> usize {
    match hold.after_pause {
        None => 0,
        Some(n) => scene.pause(n).map_or(usize::MAX, |p| p.at),
    }
}

/// Least space between any later move below the head and the head; findings where it is too small.
fn keep_out(scene: &Scene<'_>, hold: &Hold, said: &mut Said) -> f64 {
    let from = there_from(scene, hold);
    // A cutter wider than it was measured still does not touch.
    let margin = scene
        .settled
        .hold_margin
        .max(scene.settled.cutter_error / 2.0);
    let mut worst: Option<(f64, usize)> = None;
    let mut count = 0;
    let mut nearest = f64::INFINITY;
    let reach = hold.head_radius + margin + 1.0;
    scene
        .motion_boxes
        .visit(around(hold.at, reach), usize::MAX, &mut |i| {
            let m = &scene.recorded.motions[i];
            if i >= from
                && let Some(space) = space_beside(scene, hold, m)
            {
                nearest = nearest.min(space);
                if space < margin - 0.02 {
                    count += 1;
                    if worst.is_none_or(|w| space < w.0) {
                        worst = Some((space, i));
                    }
                }
            }
            true
        });
    if let Some((space, i)) = worst {
        said_too_near(scene, hold, &scene.recorded.motions[i], space, count, said);
    }
    nearest
}

/// Space between the cutter and a hold's head, mm, negative where it runs into it; `None` for a motion above the head.
fn space_beside(scene: &Scene<'_>, hold: &Hold, m: &Motion) -> Option<f64> {
    let tool = scene.recorded.tool(m)?;
    let top = scene.setup.z.highest_top() + hold.head_above.max(0.0);
    // Rapids keep their margin above the head; a cut that stays above it with the zero set low does not touch it.
    let height = if m.cuts {
        top + scene.settled.z_error
    } else {
        top + scene.settled.rapid_margin
    };
    if m.low() >= height - 1e-6 {
        return None;
    }
    let distance = if m.cuts || scene.straight_rapids {
        m.path.distance(hold.at)
    } else {
        let b = m.bounds();
        (hold.at.x - hold.at.x.clamp(b.min.x, b.max.x))
            .hypot(hold.at.y - hold.at.y.clamp(b.min.y, b.max.y))
    };
    Some(distance - tool.radius - hold.head_radius)
}

fn said_too_near(
    scene: &Scene<'_>,
    hold: &Hold,
    m: &Motion,
    space: f64,
    count: usize,
    said: &mut Said,
) {
    let what = if space < 0.0 {
        format!(
            "the cutter runs into the {}, {} mm deep",
            place(hold),
            mm(-space)
        )
    } else {
        format!(
            "the cutter passes the {} at {} mm; {} are asked",
            place(hold),
            mm(space),
            mm(scene.settled.hold_margin)
        )
    };
    let more = if count > 1 {
        format!(" (nearest of {count} moves)")
    } else {
        String::new()
    };
    let kind = if m.cuts { "" } else { "in a rapid, " };
    said.find(
        Some(m.text),
        of(
            scene.at_line(
                m.text,
                m.line,
                &code::VERIFY_HOLD,
                format!("{kind}{what}{more}."),
            ),
            hold,
        ),
    );
}

/// A screw driven in a pause: the pause is in the text and a pilot is drilled before it.
fn driven(scene: &Scene<'_>, hold: &Hold, said: &mut Said) {
    let number = hold.after_pause.unwrap_or(1);
    let Some(pause) = scene.pause(number) else {
        said.find(
            None,
            of(
                Finding::new(
                    &code::VERIFY_PAUSE,
                    format!(
                        "the {} is to be driven in pause {number}, but the text pauses {} times.",
                        place(hold),
                        scene.recorded.pauses.len()
                    ),
                )
                .setup(&scene.setup.id),
                hold,
            ),
        );
        return;
    };
    if hold.shaft <= 0.0 {
        return;
    }
    if !tells(scene, number, hold, &pause.message) {
        let message = format!(
            "pause {number} does not tell the person to drive the {}, or tells another number of screws.",
            place(hold)
        );
        let finding = scene.at_line(pause.text, pause.line, &code::VERIFY_PAUSE, message);
        said.find(Some(pause.text), of(finding, hold));
    }
    let mut drilled = false;
    let mut near: Option<f64> = None;
    scene
        .motion_boxes
        .visit(around(hold.at, 15.0), pause.at, &mut |i| {
            let m = &scene.recorded.motions[i];
            let down = m.cuts && m.low() < scene.setup.z.top() && !m.sideways();
            if down {
                let off = m.path.end().distance(hold.at);
                if off <= PILOT_MM {
                    drilled = true;
                } else if near.is_none_or(|n| off < n) {
                    near = Some(off);
                }
            }
            true
        });
    if !drilled {
        let message = match near {
            Some(off) => format!(
                "the pilot for the {} is drilled {} mm beside it.",
                place(hold),
                mm(off)
            ),
            None => format!(
                "no pilot is drilled for the {} before its pause.",
                place(hold)
            ),
        };
        said.find(
            Some(pause.text),
            of(
                scene.at_line(pause.text, pause.line, &code::VERIFY_HOLD, message),
                hold,
            ),
        );
    }
}

/// The job lets screws go through this piece.
fn allowed_through(scene: &Scene<'_>, piece: &Piece<'_>) -> bool {
    let part = scene.work.variant(&piece.model.id).map(|v| v.part.as_str());
    part.is_some_and(|part| scene.work.documents.screws_through(part))
}

/// The motion goes straight down or up in the pilot of a screw through a piece that the job allows screws through. A pilot is no wider
/// than its screw.
pub(super) fn is_pilot_through_a_piece(scene: &Scene<'_>, m: &Motion, tool: &Tool) -> bool {
    let at = m.path.end();
    let mut through = scene
        .setup
        .holds
        .iter()
        .filter(|h| h.kind == HoldKind::PieceScrew);
    !m.sideways()
        && through.any(|h| h.at.distance(at) <= PILOT_MM && tool.radius <= h.shaft / 2.0)
        && scene.pieces.iter().any(|p| {
            let lies =
                p.bounds.contains(at) && p.model.outline.contains(p.placing.inverse_point(at));
            lies && allowed_through(scene, p)
        })
}

/// A screw must not be driven through a piece that the job allows no screws through.
fn sits(scene: &Scene<'_>, hold: &Hold, said: &mut Said) {
    if hold.shaft > 0.0 && from_edge(scene, hold.at) < hold.shaft {
        let message = format!(
            "the {} is less than its own thickness from the edge of the wood.",
            place(hold)
        );
        let finding = Finding::new(&code::VERIFY_HOLD, message).setup(&scene.setup.id);
        said.find(None, of(finding, hold));
    }
    if hold.shaft <= 0.0
        || scene.setup.kind == grainway_pipeline::work::SetupKind::Blank && hold.of.is_none()
    {
        return;
    }
    let allowed = |p: &&Piece<'_>| hold.kind == HoldKind::PieceScrew && allowed_through(scene, p);
    for p in scene.pieces.iter().filter(|p| !allowed(p)) {
        let at = p.placing.inverse_point(hold.at);
        if p.bounds.contains(hold.at) && p.model.stands(at, f64::NEG_INFINITY) {
            said.find(
                None,
                of(
                    Finding::new(
                        &code::VERIFY_HOLD,
                        format!("the {} goes through {} itself.", place(hold), p.name),
                    )
                    .setup(&scene.setup.id)
                    .part(p.name),
                    hold,
                ),
            );
        }
    }
}

/// How far a place lies inside the edge of the wood's box, mm.
fn from_edge(scene: &Scene<'_>, at: Point) -> f64 {
    let far = scene.setup.size - at;
    at.x.min(at.y).min(far.x).min(far.y)
}

/// The place where zero is set on the face is whole wood from the first cut to the last.
fn touch_off(scene: &Scene<'_>, said: &mut Said) {
    let Some(at) = scene.setup.touch_off else {
        return;
    };
    let top = scene.setup.z.highest_top();
    let mut cut = false;
    scene
        .motion_boxes
        .visit(around(at, TOUCH_MM), usize::MAX, &mut |i| {
            let m = &scene.recorded.motions[i];
            let radius = scene.recorded.tool(m).map_or(0.0, |t| t.radius);
            cut |= m.cuts && m.low() < top && m.path.distance(at) < radius + TOUCH_MM;
            !cut
        });
    let mut holds = scene.setup.holds.iter();
    let fastened = holds.any(|h| h.at.distance(at) < h.head_radius + TOUCH_MM);
    if cut || fastened || from_edge(scene, at) < TOUCH_MM {
        let message = format!(
            "zero is to be set at ({}, {}), where not {TOUCH_MM} mm of whole wood stay all round.",
            mm(at.x),
            mm(at.y)
        );
        let finding = Finding::new(&code::VERIFY_HOLD, message).setup(&scene.setup.id);
        said.find(None, finding.at(at));
    }
}

/// The message of a pause names how many screws are driven in it, and the place of this one. Some languages show no message.
fn tells(scene: &Scene<'_>, number: u32, hold: &Hold, message: &str) -> bool {
    if message.trim().is_empty() {
        return true;
    }
    let holds = scene.setup.holds.iter();
    let count = holds
        .filter(|h| h.shaft > 0.0 && h.after_pause == Some(number))
        .count();
    let many = match count {
        1 => "1 screw".to_string(),
        n => format!("{n} screws"),
    };
    let unit = scene.work.documents.machine().map(|(_, m)| m.program_unit);
    let unit = unit.unwrap_or_default();
    let at = format!(
        "({}, {})",
        unit.measured(hold.at.x),
        unit.measured(hold.at.y)
    );
    [many, at].iter().all(|w| says(message, w, Extent::Part))
}

fn pauses(scene: &Scene<'_>, said: &mut Said) {
    let planned = scene
        .setup
        .order
        .iter()
        .filter(|e| matches!(e, grainway_pipeline::work::Entry::Pause { .. }))
        .count();
    for (i, p) in scene.recorded.pauses.iter().enumerate() {
        if p.spindle_on && !scene.spindle_by_hand {
            said.find(
                Some(p.text),
                scene.at_line(
                    p.text,
                    p.line,
                    &code::VERIFY_PAUSE,
                    format!("in pause {} the spindle still turns.", i + 1),
                ),
            );
        }
        let raised = p.z.is_some_and(|z| z >= scene.clear_z - 1e-6);
        // A pause before anything moved stands where the operator left the machine.
        if !raised && p.at > 0 && p.z.is_some() {
            said.find(
                Some(p.text),
                scene.at_line(
                    p.text,
                    p.line,
                    &code::VERIFY_PAUSE,
                    format!("in pause {} the cutter is not raised clear.", i + 1),
                ),
            );
        }
    }
    let numbered = scene
        .recorded
        .pauses
        .iter()
        .filter(|p| p.number.is_some())
        .count();
    if numbered != planned {
        // A pause too many costs time; one too few leaves a screw out.
        let severity = if numbered < planned {
            Severity::Error
        } else {
            Severity::Warning
        };
        said.find(
            None,
            Finding::new(
                &code::VERIFY_PAUSE,
                format!(
                    "the text pauses {numbered} times; the order of this setup has {planned} pauses."
                ),
            )
            .setup(&scene.setup.id)
            .severity(severity),
        );
    }
}
