//! Points, boxes.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// A point or a vector of the plane, millimetres. Serialised as `[x, y]`.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(from = "[f64; 2]", into = "[f64; 2]")]
pub struct Point {
    /// Along x, mm.
    pub x: f64,
    /// Along y, mm.
    pub y: f64,
}

/// A point at `x`, `y` (mm).
pub const fn point(x: f64, y: f64) -> Point {
    Point { x, y }
}

impl From<[f64; 2]> for Point {
    fn from([x, y]: [f64; 2]) -> Self {
        Point { x, y }
    }
}

impl From<Point> for [f64; 2] {
    fn from(p: Point) -> Self {
        [p.x, p.y]
    }
}

impl Point {
    /// The unit vector at `angle` (radians, counter-clockwise from +x).
    pub fn unit(angle: f64) -> Point {
        point(angle.cos(), angle.sin())
    }
    /// Length as a vector, mm.
    pub fn length(self) -> f64 {
        // Not `hypot`: millimetres neither overflow nor underflow when squared, and the kernels spend a fifth of their time here.
        (self.x * self.x + self.y * self.y).sqrt()
    }
    /// Distance to `other`, mm.
    pub fn distance(self, other: Point) -> f64 {
        (self - other).length()
    }
    /// Direction as a vector, radians in (−π, π].
    pub fn angle(self) -> f64 {
        self.y.atan2(self.x)
    }
    /// Scalar product.
    pub fn dot(self, other: Point) -> f64 {
        self.x * other.x + self.y * other.y
    }
    /// z of the vector product: positive where `other` lies counter-clockwise of `self`.
    pub fn cross(self, other: Point) -> f64 {
        self.x * other.y - self.y * other.x
    }
    /// Turned a quarter counter-clockwise: the left normal of a direction.
    pub fn left(self) -> Point {
        point(-self.y, self.x)
    }
    /// The unit vector of the same direction; `None` for the zero vector.
    pub fn normalized(self) -> Option<Point> {
        let length = self.length();
        (length > 0.0 && length.is_finite()).then(|| self * (1.0 / length))
    }
    /// Turned counter-clockwise by `angle` (radians) about the origin.
    pub fn rotated(self, angle: f64) -> Point {
        let (s, c) = angle.sin_cos();
        point(self.x * c - self.y * s, self.x * s + self.y * c)
    }
    /// The point a share `t` of the way to `other`.
    pub fn lerp(self, other: Point, t: f64) -> Point {
        self + (other - self) * t
    }
    /// Both coordinates are finite numbers.
    pub fn is_finite(self) -> bool {
        self.x.is_finite() && self.y.is_finite()
    }
    /// The point at height `z` above it.
    pub fn at_z(self, z: f64) -> Point3 {
        Point3 {
            x: self.x,
            y: self.y,
            z,
        }
    }
}

impl std::ops::Add for Point {
    type Output = Point;
    fn add(self, o: Point) -> Point {
        point(self.x + o.x, self.y + o.y)
    }
}
impl std::ops::Sub for Point {
    type Output = Point;
    fn sub(self, o: Point) -> Point {
        point(self.x - o.x, self.y - o.y)
    }
}
impl std::ops::Mul<f64> for Point {
    type Output = Point;
    fn mul(self, k: f64) -> Point {
        point(self.x * k, self.y * k)
    }
}
impl std::ops::Neg for Point {
    type Output = Point;
    fn neg(self) -> Point {
        point(-self.x, -self.y)
    }
}

/// A point of space, millimetres; z upwards. Serialised as `[x, y, z]`.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(from = "[f64; 3]", into = "[f64; 3]")]
pub struct Point3 {
    /// Along x, mm.
    pub x: f64,
    /// Along y, mm.
    pub y: f64,
    /// Upwards, mm.
    pub z: f64,
}

impl From<[f64; 3]> for Point3 {
    fn from([x, y, z]: [f64; 3]) -> Self {
        Point3 { x, y, z }
    }
}

impl From<Point3> for [f64; 3] {
    fn from(p: Point3) -> Self {
        [p.x, p.y, p.z]
    }
}

impl Point3 {
    /// The point of the plane below or above it.
    pub fn xy(self) -> Point {
        point(self.x, self.y)
    }
}

/// An axis-parallel box, millimetres.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Bounds {
    /// Lower left corner.
    pub min: Point,
    /// Upper right corner.
    pub max: Point,
}

impl Bounds {
    /// The box that holds nothing; growing it makes it hold something.
    pub const EMPTY: Bounds = Bounds {
        min: point(f64::INFINITY, f64::INFINITY),
        max: point(f64::NEG_INFINITY, f64::NEG_INFINITY),
    };

    /// The smallest box around the points.
    pub fn of(points: impl IntoIterator<Item = Point>) -> Bounds {
        points.into_iter().fold(Bounds::EMPTY, Bounds::with)
    }
    /// Grown to hold `p`.
    pub fn with(self, p: Point) -> Bounds {
        Bounds {
            min: point(self.min.x.min(p.x), self.min.y.min(p.y)),
            max: point(self.max.x.max(p.x), self.max.y.max(p.y)),
        }
    }
    /// Grown to hold `other`.
    pub fn union(self, other: Bounds) -> Bounds {
        if other.is_empty() {
            self
        } else {
            self.with(other.min).with(other.max)
        }
    }
    /// Grown by `by` mm on every side.
    pub fn grown(self, by: f64) -> Bounds {
        Bounds {
            min: self.min - point(by, by),
            max: self.max + point(by, by),
        }
    }
    /// Holds nothing.
    pub fn is_empty(self) -> bool {
        self.min.x > self.max.x || self.min.y > self.max.y
    }
    /// The two boxes share at least a point.
    pub fn touches(self, other: Bounds) -> bool {
        self.min.x <= other.max.x
            && other.min.x <= self.max.x
            && self.min.y <= other.max.y
            && other.min.y <= self.max.y
    }
    /// `p` lies in the box or on its edge.
    pub fn contains(self, p: Point) -> bool {
        p.x >= self.min.x && p.x <= self.max.x && p.y >= self.min.y && p.y <= self.max.y
    }
    /// Extent along x, mm; zero when empty.
    pub fn width(self) -> f64 {
        (self.max.x - self.min.x).max(0.0)
    }
    /// Extent along y, mm; zero when empty.
    pub fn height(self) -> f64 {
        (self.max.y - self.min.y).max(0.0)
    }
    /// The middle of the box.
    pub fn centre(self) -> Point {
        self.min.lerp(self.max, 0.5)
    }
}
