//! One piece of a contour: a straight line or a circular arc.

use super::{Bounds, Point, point};
use std::f64::consts::{PI, TAU};

/// A straight line or a circular arc from one point to another.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Segment {
    /// Straight from `a` to `b`.
    Line {
        /// Start.
        a: Point,
        /// End.
        b: Point,
    },
    /// Along a circle from `a` to `b`.
    Arc {
        /// Start.
        a: Point,
        /// End.
        b: Point,
        /// Centre of the circle.
        centre: Point,
        /// Radius, mm, positive.
        radius: f64,
        /// Signed angle, radians: counter-clockwise positive, at most a full turn.
        sweep: f64,
    },
}

impl Segment {
    /// How often it crosses the ray from `p` to the right: upwards counts +1, downwards −1. Summed over a closed contour this is how
    /// often it winds around `p`.
    pub(crate) fn winding(&self, p: Point) -> i32 {
        // The chord is counted where the ray crosses it; an arc adds or takes the area between it and its chord.
        let (a, b) = (self.start(), self.end());
        let mut winding = 0;
        let mut side = (b - a).cross(p - a);
        if side.abs() <= 0.0 {
            // Both counts must see a point on the chord on the same side of it; which one does not matter.
            side = if b.x > a.x { 1.0 } else { -1.0 };
        }
        if a.y <= p.y && p.y < b.y && side > 0.0 {
            winding += 1;
        } else if b.y <= p.y && p.y < a.y && side < 0.0 {
            winding -= 1;
        }
        if let Segment::Arc {
            centre,
            radius,
            sweep,
            ..
        } = *self
            && (side < 0.0) == (sweep > 0.0)
            && p.distance(centre) < radius
        {
            winding += if sweep > 0.0 { 1 } else { -1 };
        }
        winding
    }

    /// The segment from `a` to `b` with DXF's bulge: tan of a quarter of the included angle, negative clockwise, 0 straight.
    ///
    /// ```
    /// use grainway_geom::{Segment, point};
    /// let half = Segment::from_bulge(point(0.0, 0.0), point(10.0, 0.0), 1.0);
    /// assert!(half.at(0.5).distance(point(5.0, -5.0)) < 1e-9, "counter-clockwise: it passes below");
    /// assert!((half.length() - 5.0 * std::f64::consts::PI).abs() < 1e-9);
    /// ```
    pub fn from_bulge(a: Point, b: Point, bulge: f64) -> Segment {
        let chord = b - a;
        let c = chord.length();
        if bulge.abs() < 1e-12 || c < 1e-12 {
            return Segment::Line { a, b };
        }
        // Centre from the chord's middle along the left normal: c/2 · (1 − bulge²)/(2 bulge).
        let to_centre = c * 0.5 * (1.0 - bulge * bulge) / (2.0 * bulge);
        let centre = a.lerp(b, 0.5) + chord.left() * (to_centre / c);
        let radius = c * (1.0 + bulge * bulge) / (4.0 * bulge.abs());
        Segment::Arc {
            a,
            b,
            centre,
            radius,
            sweep: 4.0 * bulge.atan(),
        }
    }
    /// The arc about `centre` that starts at `a` and sweeps by `sweep` radians.
    pub fn arc_about(centre: Point, a: Point, sweep: f64) -> Segment {
        let b = centre + (a - centre).rotated(sweep);
        Segment::Arc {
            a,
            b,
            centre,
            radius: a.distance(centre),
            sweep,
        }
    }
    /// Where it starts.
    pub fn start(&self) -> Point {
        match *self {
            Segment::Line { a, .. } | Segment::Arc { a, .. } => a,
        }
    }
    /// Where it ends.
    pub fn end(&self) -> Point {
        match *self {
            Segment::Line { b, .. } | Segment::Arc { b, .. } => b,
        }
    }
    /// DXF's bulge; 0 for a line.
    pub fn bulge(&self) -> f64 {
        match *self {
            Segment::Line { .. } => 0.0,
            Segment::Arc { sweep, .. } => (sweep / 4.0).tan(),
        }
    }
    /// Length along it, mm.
    pub fn length(&self) -> f64 {
        match *self {
            Segment::Line { a, b } => a.distance(b),
            Segment::Arc { radius, sweep, .. } => radius * sweep.abs(),
        }
    }
    /// The point a share `t` (0 to 1) of its length from the start.
    pub fn at(&self, t: f64) -> Point {
        match *self {
            Segment::Line { a, b } => a.lerp(b, t),
            Segment::Arc {
                a,
                b,
                centre,
                sweep,
                ..
            } => {
                if t <= 0.0 {
                    a
                } else if t >= 1.0 {
                    b
                } else {
                    centre + (a - centre).rotated(sweep * t)
                }
            }
        }
    }
    /// The unit direction of travel a share `t` of the way; `None` for a segment of no length.
    pub fn direction(&self, t: f64) -> Option<Point> {
        match *self {
            Segment::Line { a, b } => (b - a).normalized(),
            Segment::Arc {
                a, centre, sweep, ..
            } => {
                let radial = (a - centre).rotated(sweep * t).normalized()?;
                Some(if sweep > 0.0 {
                    radial.left()
                } else {
                    -radial.left()
                })
            }
        }
    }
    /// The piece from share `from` to share `to` of its length.
    pub fn piece(&self, from: f64, to: f64) -> Segment {
        match *self {
            Segment::Line { .. } => Segment::Line {
                a: self.at(from),
                b: self.at(to),
            },
            Segment::Arc {
                centre,
                radius,
                sweep,
                ..
            } => Segment::Arc {
                a: self.at(from),
                b: self.at(to),
                centre,
                radius,
                sweep: sweep * (to - from),
            },
        }
    }
    /// The same run backwards.
    pub fn reversed(&self) -> Segment {
        match *self {
            Segment::Line { a, b } => Segment::Line { a: b, b: a },
            Segment::Arc {
                a,
                b,
                centre,
                radius,
                sweep,
            } => Segment::Arc {
                a: b,
                b: a,
                centre,
                radius,
                sweep: -sweep,
            },
        }
    }
    /// The arc passes the direction `angle` (radians) seen from its centre; false for a line.
    pub fn spans(&self, angle: f64) -> bool {
        match *self {
            Segment::Line { .. } => false,
            Segment::Arc {
                a, centre, sweep, ..
            } => {
                let turn = angle - (a - centre).angle();
                let along = if sweep > 0.0 {
                    turn.rem_euclid(TAU)
                } else {
                    (-turn).rem_euclid(TAU)
                };
                // A direction a hair before the start comes out as almost a full turn.
                along <= sweep.abs() + 1e-12 || along >= TAU - 1e-12
            }
        }
    }
    /// The arc passes the direction `towards` (of any length) seen from its centre; false for a line.
    pub fn passes(&self, towards: Point) -> bool {
        match *self {
            Segment::Line { .. } => false,
            Segment::Arc {
                a,
                b,
                centre,
                sweep,
                ..
            } => {
                if sweep.abs() >= TAU - 1e-9 {
                    return true;
                }
                // Seen counter-clockwise from `u` to `v`. A direction a hair outside still counts, as in `spans`.
                let (u, v) = if sweep > 0.0 {
                    (a - centre, b - centre)
                } else {
                    (b - centre, a - centre)
                };
                let slack = 1e-12 * u.dot(u).max(v.dot(v)).sqrt() * towards.length();
                let (from, to) = (u.cross(towards), towards.cross(v));
                if sweep.abs() <= PI {
                    from >= -slack && to >= -slack && u.dot(towards).max(v.dot(towards)) >= -slack
                } else {
                    from >= -slack || to >= -slack
                }
            }
        }
    }
    /// The nearest point on it to `p`: as [`Segment::nearest`] without the share, and quicker.
    pub fn nearest_point(&self, p: Point) -> Point {
        match *self {
            Segment::Line { .. } => self.nearest(p).0,
            Segment::Arc {
                a,
                b,
                centre,
                radius,
                ..
            } => {
                let out = p - centre;
                match out.normalized() {
                    Some(u) if self.passes(out) => centre + u * radius,
                    _ if p.distance(a) <= p.distance(b) => a,
                    _ => b,
                }
            }
        }
    }
    /// The smallest box around it.
    pub fn bounds(&self) -> Bounds {
        let mut bounds = Bounds::of([self.start(), self.end()]);
        if let Segment::Arc { centre, radius, .. } = *self {
            for (dx, dy) in [(1.0, 0.0), (0.0, 1.0), (-1.0, 0.0), (0.0, -1.0)] {
                if self.passes(point(dx, dy)) {
                    bounds = bounds.with(centre + point(dx, dy) * radius);
                }
            }
        }
        bounds
    }
    /// The nearest point on it to `p`, and how far along it lies (share of its length).
    pub fn nearest(&self, p: Point) -> (Point, f64) {
        match *self {
            Segment::Line { a, b } => {
                let d = b - a;
                let n = d.dot(d);
                let t = if n > 0.0 {
                    ((p - a).dot(d) / n).clamp(0.0, 1.0)
                } else {
                    0.0
                };
                (self.at(t), t)
            }
            Segment::Arc {
                a,
                b,
                centre,
                radius,
                sweep,
            } => {
                let out = p - centre;
                if let Some(u) = out.normalized()
                    && self.spans(out.angle())
                {
                    let turn = out.angle() - (a - centre).angle();
                    let along = if sweep > 0.0 {
                        turn.rem_euclid(TAU)
                    } else {
                        (-turn).rem_euclid(TAU)
                    };
                    let t = if along > sweep.abs() + 1e-9 {
                        0.0
                    } else {
                        (along / sweep.abs()).min(1.0)
                    };
                    return (centre + u * radius, t);
                }
                if p.distance(a) <= p.distance(b) {
                    (a, 0.0)
                } else {
                    (b, 1.0)
                }
            }
        }
    }
    /// Distance from `p`, mm.
    pub fn distance(&self, p: Point) -> f64 {
        self.nearest_point(p).distance(p)
    }
    /// How many chords keep within `tolerance` mm of it (at least one).
    pub fn chords(&self, tolerance: f64) -> usize {
        match *self {
            Segment::Line { .. } => 1,
            Segment::Arc { radius, sweep, .. } => {
                let step = 2.0 * (1.0 - (tolerance / radius).min(1.0)).acos();
                (sweep.abs() / step.max(1e-6)).ceil().max(1.0) as usize
            }
        }
    }
}
