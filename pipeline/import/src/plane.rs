//! Plane maps: where a drawing's own coordinates come to lie.

use crate::curves::{Curve, follow};
use grainway_geom::{Point, Segment, point};

/// A plane seen from above: where its points come to lie.
#[derive(Clone, Copy, Debug)]
pub struct Plane {
    /// Image of the unit vector along x.
    pub x: Point,
    /// Image of the unit vector along y.
    pub y: Point,
    /// Image of the origin.
    pub origin: Point,
}

impl Plane {
    pub fn point(&self, p: Point) -> Point {
        self.origin + self.x * p.x + self.y * p.y
    }
    pub fn vector(&self, v: Point) -> Point {
        self.x * v.x + self.y * v.y
    }
    /// The plane with its points moved by this much.
    pub fn shifted(by: Point) -> Plane {
        Plane {
            x: point(1.0, 0.0),
            y: point(0.0, 1.0),
            origin: by,
        }
    }
    /// `self` after `inner`.
    pub fn after(&self, inner: &Plane) -> Plane {
        Plane {
            x: self.vector(inner.x),
            y: self.vector(inner.y),
            origin: self.point(inner.origin),
        }
    }
    /// +1 when circles stay circles, −1 when they do and are mirrored, `None` when they become ellipses.
    pub fn similar(&self) -> Option<f64> {
        let (a, b) = (self.x.length(), self.y.length());
        let round = (a - b).abs() <= 1e-9 * a && self.x.dot(self.y).abs() <= 1e-9 * a * a;
        round.then(|| self.x.cross(self.y).signum())
    }
    /// Lines and arcs of the plane, seen from above.
    pub fn segments(&self, own: &[Segment]) -> Vec<Segment> {
        let mut out = Vec::with_capacity(own.len());
        for s in own {
            match (*s, self.similar()) {
                (Segment::Line { a, b }, _) => out.push(Segment::Line {
                    a: self.point(a),
                    b: self.point(b),
                }),
                (
                    Segment::Arc {
                        a,
                        centre,
                        sweep,
                        b,
                        ..
                    },
                    Some(sign),
                ) => {
                    let (a, b) = (self.point(a), self.point(b));
                    let turned = sweep * sign;
                    // The drawn ends are kept to the last digit; only a (nearly) full circle goes by its centre.
                    out.push(if sweep.abs() > 1.9 * std::f64::consts::PI {
                        Segment::arc_about(self.point(centre), a, turned)
                    } else {
                        Segment::from_bulge(a, b, (turned / 4.0).tan())
                    });
                }
                (
                    Segment::Arc {
                        a, centre, sweep, ..
                    },
                    None,
                ) => {
                    let u = a - centre;
                    let curve = Curve::Ellipse {
                        centre: self.point(centre),
                        u: self.vector(u),
                        v: self.vector(u.left()),
                        from: 0.0,
                        sweep,
                    };
                    out.extend(follow(&[curve]));
                }
            }
        }
        out
    }
}
