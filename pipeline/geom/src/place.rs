//! Where a thing stands: turned, then moved. Never mirrored or scaled, so arcs stay arcs and climb stays climb.

use super::{Point, Point3};
use serde::{Deserialize, Serialize};

/// A turn about the origin followed by a shift.
///
/// ```
/// use grainway_geom::{Placing, point};
/// let lying = Placing { at: point(100.0, 20.0), angle: std::f64::consts::FRAC_PI_2 };
/// assert_eq!(lying.point(point(30.0, 0.0)), point(100.0, 50.0));
/// assert_eq!(lying.inverse_point(point(100.0, 50.0)), point(30.0, 0.0));
/// ```
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Placing {
    /// Where the thing's own origin comes to lie, mm.
    pub at: Point,
    /// Turned counter-clockwise by this, radians.
    pub angle: f64,
}

impl Placing {
    /// Shifted only.
    pub fn shift(at: Point) -> Placing {
        Placing { at, angle: 0.0 }
    }
    /// A point of the thing, seen from outside. Quarter turns are exact.
    pub fn point(&self, p: Point) -> Point {
        let (s, c) = self.sin_cos();
        Point {
            x: p.x * c - p.y * s + self.at.x,
            y: p.x * s + p.y * c + self.at.y,
        }
    }
    /// The same for a point of space; z is kept.
    pub fn point3(&self, p: Point3) -> Point3 {
        self.point(p.xy()).at_z(p.z)
    }
    /// A point from outside, seen from the thing.
    pub fn inverse_point(&self, p: Point) -> Point {
        let (s, c) = self.sin_cos();
        let d = p - self.at;
        Point {
            x: d.x * c + d.y * s,
            y: -d.x * s + d.y * c,
        }
    }
    /// Sine and cosine of the angle, exact at quarter turns, so that a part turned on the board has the coordinates one expects.
    pub fn sin_cos(&self) -> (f64, f64) {
        let quarters = self.angle / std::f64::consts::FRAC_PI_2;
        let nearest = quarters.round();
        if (quarters - nearest).abs() < 1e-12 {
            match (nearest as i64).rem_euclid(4) {
                0 => (0.0, 1.0),
                1 => (1.0, 0.0),
                2 => (0.0, -1.0),
                _ => (-1.0, 0.0),
            }
        } else {
            self.angle.sin_cos()
        }
    }
}
