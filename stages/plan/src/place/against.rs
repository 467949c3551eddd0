//! What stops and uprights are set against, and what is said where they find no room.

use super::wood::{BEARS_MM, Wood};
use crate::sweep::Field;
use grainway_geom::{Contour, Point, point};
use grainway_pipeline::doc::Side;
use grainway_pipeline::finding::{Finding, code};

/// Distance that stops keep from every cut, mm (docs/practice.md, section Holding).
pub(super) const STOP_CLEAR_MM: f64 = 4.0;
/// An edge no farther than this from a stop's line lies against it, mm.
const FLUSH_MM: f64 = 0.02;

/// What stops are set against: the piece's own edge, what its cutters sweep, and what stands of it.
pub(super) struct Against<'a> {
    pub(super) outline: Contour,
    pub(super) field: &'a Field<'a>,
    pub(super) wood: Wood<'a>,
}

impl Against<'_> {
    /// The piece's edge runs straight through this place, far enough to either side for a stop to bear on.
    pub(super) fn bears(&self, at: Point, along: Point) -> bool {
        let ends = [at - along * BEARS_MM, at, at + along * BEARS_MM];
        ends.into_iter()
            .all(|p| self.outline.distance(p) <= FLUSH_MM)
    }

    /// Its near edge bears on a line of this depth, mm, in two places, its left end in one.
    pub(super) fn lies_in_lines(&self, size: Point, depth: f64) -> bool {
        let lies = |at: Point, along: Point| {
            self.bears(at, along) && self.wood.fills_line(at, along, depth)
        };
        let near = |s: &f64| lies(point(s * size.x, 0.0), point(1.0, 0.0));
        let left = |s: &f64| lies(point(0.0, s * size.y), point(0.0, 1.0));
        let tenths = |from: u32, to: u32| (from..=to).map(|k| f64::from(k) / 10.0);
        tenths(1, 4).any(|s| near(&s))
            && tenths(6, 9).any(|s| near(&s))
            && tenths(1, 9).any(|s| left(&s))
    }
}

/// The piece does not fill its lines.
pub(super) fn not_in_lines(side: Side, part: &str) -> Finding {
    let what = what_lies(side);
    let message = format!(
        "{what} {part} does not lie surely in its lines: after all its sides are cut too little of its lowest wood is left along the near edge and the left one, or these are not straight."
    );
    let mut finding = Finding::new(&code::NO_ROOM_FOR_STOPS, message).part(part);
    finding.remedy = "Turn the blank, or set `locate` to stops.".to_string();
    finding
}

fn what_lies(side: Side) -> &'static str {
    match side {
        Side::Face => "Blank",
        Side::Back => "Turned over, part",
        Side::Near | Side::Far => "On its edge, part",
        Side::LeftEnd | Side::RightEnd => "On its end, part",
    }
}

/// The piece does not lie surely.
pub(super) fn no_room(side: Side, part: &str) -> Finding {
    let what = what_lies(side);
    let message = match side.is_end() {
        false => format!(
            "{what} {part} has no room for two stops at the near edge and one at the left: cuts of this side or of another leave too little wood there, or the edge is not straight."
        ),
        true => format!(
            "{what} {part} has no room for two uprights at its face, one at its edge and a clamp against its back: it is too narrow or too thin for them, or what is cut from its sides leaves them too little to bear on."
        ),
    };
    let mut finding = Finding::new(&code::NO_ROOM_FOR_STOPS, message).part(part);
    if side.is_end() {
        finding.remedy =
            "Use smaller stops (the place stage's `stop-radius`), or cut the end by other means."
                .to_string();
    }
    finding
}
