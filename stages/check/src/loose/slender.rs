//! Slender pieces: long for their width, they whip under the cutter where nothing holds their middle.

use crate::figures::{Said, mm};
use crate::motions::Motion;
use crate::{Piece, Scene};
use grainway_geom::{Contour, Point};
use grainway_pipeline::finding::{Severity, code};

/// A piece longer than this many times its width is slender, and so is a stretch of it that nothing holds. Common practice, no source.
const SLENDER: f64 = 25.0;

/// Says of a slender piece how slender it is and what holds its middle: `holds`, tabs and screws in the board's frame. A warning
/// where a stretch without any is slender by itself, else a note.
pub(super) fn check(
    scene: &Scene<'_>,
    piece: &Piece<'_>,
    holds: &[Point],
    last: Option<&Motion>,
    said: &mut Said,
) {
    let variant = &piece.model.variant;
    let Some((length, width)) = sides(&variant.outline) else {
        return;
    };
    let ratio = length / width;
    if ratio <= SLENDER {
        return;
    }
    let stretch = widest_stretch(&variant.outline.placed(&piece.placing), holds);
    let name = piece.name;
    said.about(
        format!("longest stretch of the slender {name} without a hold"),
        stretch,
        "mm",
        SLENDER * width,
    );
    let (severity, much) = if stretch > SLENDER * width {
        (Severity::Warning, "too long for its width")
    } else {
        (Severity::Note, "which it bears")
    };
    let finding = scene.at_line(
        last.map_or(0, |m| m.text),
        last.map_or(0, |m| m.line),
        &code::VERIFY_SLENDER,
        format!(
            "{name} is slender: {} mm long and {} mm wide, {} to 1. Along it {} tabs and screws hold it, and its longest stretch without one is {} mm, {much}.",
            mm(length.round()),
            mm((width * 10.0).round() / 10.0),
            mm(ratio.round()),
            holds.len(),
            mm(stretch.round()),
        ),
    )
    .part(name)
    .severity(severity);
    said.find(last.map(|m| m.text), finding);
}

/// Length and width of the rectangle of the same area and edge: right for straight and for curved strips. `None` for what is
/// rounder than any rectangle.
fn sides(outline: &Contour) -> Option<(f64, f64)> {
    let (half, area) = (outline.length() / 2.0, outline.area().abs());
    let root = (half * half - 4.0 * area).sqrt();
    let width = (half - root) / 2.0;
    (width > 0.0).then_some((half - width, width))
}

/// The longest stretch along a piece, seen along the line through its farthest corners, that has no hold; the ends count.
fn widest_stretch(outline: &Contour, holds: &[Point]) -> f64 {
    let corners: Vec<Point> = outline.vertices.iter().map(|v| v.at).collect();
    let mut far = (Point::default(), Point::default());
    for a in &corners {
        for b in &corners {
            if a.distance(*b) > far.0.distance(far.1) {
                far = (*a, *b);
            }
        }
    }
    let Some(way) = (far.1 - far.0).normalized() else {
        return 0.0;
    };
    let mut along: Vec<f64> = [far.0, far.1]
        .iter()
        .chain(holds)
        .map(|p| (*p - far.0).dot(way))
        .collect();
    along.sort_by(f64::total_cmp);
    along.windows(2).map(|w| w[1] - w[0]).fold(0.0, f64::max)
}
