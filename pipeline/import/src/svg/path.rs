//! Runs of lines and curves in user units.

use crate::curves::{Curve, follow, merge_equal};
use crate::entity::{Run, What};
use crate::plane::Plane;
use grainway_geom::{Point, Segment, point};

/// A piece of a run.
pub(super) enum Piece {
    Straight(Segment),
    Curved(Curve),
}

/// One run of a shape in user units.
#[derive(Default)]
pub(super) struct Path {
    pub(super) pieces: Vec<Piece>,
    pub(super) closed: bool,
}

impl Piece {
    pub(super) fn line(a: Point, b: Point) -> Piece {
        Piece::Straight(Segment::Line { a, b })
    }
    /// Part of an ellipse whose axes lie along x and y; of a circle when its radii are the same.
    pub(super) fn elliptical(centre: Point, [rx, ry]: [f64; 2], from: f64, sweep: f64) -> Piece {
        if (rx - ry).abs() <= 0.0 {
            let start = centre + Point::unit(from) * rx;
            return Piece::Straight(Segment::arc_about(centre, start, sweep));
        }
        Piece::Curved(Curve::Ellipse {
            centre,
            u: point(rx, 0.0),
            v: point(0.0, ry),
            from,
            sweep,
        })
    }
}

impl Path {
    /// A run that ends where it starts.
    pub(super) fn closed(pieces: Vec<Piece>) -> Path {
        Path {
            pieces,
            closed: true,
        }
    }
    pub(super) fn seen_from(&self, plane: &Plane) -> What {
        let mut segments = Vec::new();
        for piece in &self.pieces {
            match piece {
                Piece::Straight(s) => segments.extend(plane.segments(std::slice::from_ref(s))),
                Piece::Curved(c) => segments.extend(follow(&[mapped(c, plane)])),
            }
        }
        segments.retain(|s| s.length() > 0.0 || !s.start().is_finite());
        Run::checked(merge_equal(segments), self.closed)
    }
}

fn mapped(curve: &Curve, plane: &Plane) -> Curve {
    match curve {
        Curve::Ellipse {
            centre,
            u,
            v,
            from,
            sweep,
        } => Curve::Ellipse {
            centre: plane.point(*centre),
            u: plane.vector(*u),
            v: plane.vector(*v),
            from: *from,
            sweep: *sweep,
        },
        Curve::Bezier(control) => Curve::Bezier(
            control
                .iter()
                .map(|[x, y, w]| {
                    let p = plane.vector(point(*x, *y)) + plane.origin * *w;
                    [p.x, p.y, *w]
                })
                .collect(),
        ),
    }
}
