//! Outlines that other contours are held against: what lies in them, on them, or over their edge.

use grainway_geom::{Bounds, Contour, Point, Segment, SegmentIndex};

/// A place this near to an outline lies on it, mm.
pub(super) const ON_EDGE_MM: f64 = 0.02;
/// Chords stray this far from their arcs where contours are held against each other, mm.
pub(super) const CHORD_MM: f64 = 0.05;

/// A closed outline that others are held against.
pub(super) struct Held<'c> {
    pub(super) contour: &'c Contour,
    index: SegmentIndex,
    pub(super) bounds: Bounds,
    pub(super) area: f64,
}

impl<'c> Held<'c> {
    pub(super) fn new(contour: &'c Contour) -> Held<'c> {
        Held {
            contour,
            index: SegmentIndex::new(contour.segments()),
            bounds: contour.bounds(),
            area: contour.area().abs(),
        }
    }
    /// `p` lies inside or on it.
    pub(super) fn holds(&self, p: Point) -> bool {
        self.bounds.grown(ON_EDGE_MM).contains(p)
            && (self.index.contains(p) || self.index.distance_to_point(p, ON_EDGE_MM).is_some())
    }
    /// All of `contour` lies inside or on it.
    pub(super) fn holds_all(&self, contour: &Contour) -> bool {
        let own = contour.bounds();
        let room = self.bounds.grown(ON_EDGE_MM);
        room.contains(own.min)
            && room.contains(own.max)
            && places(contour).into_iter().all(|p| self.holds(p))
            && !(contour.closed && self.contour.segments().any(|s| pierces(&s, contour)))
    }
    /// The pieces of it within `reach` of a segment.
    pub(super) fn edges_near(&self, s: &Segment, reach: f64) -> Vec<Segment> {
        let all = self.index.segments();
        self.index
            .near(s, reach)
            .into_iter()
            .map(|i| all[i])
            .collect()
    }
}

/// The middle of an edge lies well inside a closed contour.
fn pierces(edge: &Segment, contour: &Contour) -> bool {
    let p = edge.at(0.5);
    contour.bounds().contains(p) && contour.contains(p) && contour.distance(p) > ON_EDGE_MM
}

/// Places all along a contour: corners, and between them at most a chord's error apart.
fn places(contour: &Contour) -> Vec<Point> {
    contour
        .segments()
        .flat_map(|s| {
            let n = s.chords(CHORD_MM).max(2);
            (0..=n).map(move |i| s.at(i as f64 / n as f64))
        })
        .collect()
}
