//! Maps of space: insertions, and planes that entities are drawn in.

use crate::plane::Plane;
use grainway_geom::point;

/// A plane that rises by more than this share of its extent does not lie flat.
const FLAT_SHARE: f64 = 1e-6;

/// A linear map of space and a shift.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Matrix {
    /// Images of the axes.
    pub(super) axes: [[f64; 3]; 3],
    pub(super) shift: [f64; 3],
}

impl Matrix {
    pub(super) fn scale(k: f64) -> Matrix {
        Matrix {
            axes: [[k, 0.0, 0.0], [0.0, k, 0.0], [0.0, 0.0, k]],
            shift: [0.0; 3],
        }
    }
    pub(super) fn vector(&self, v: [f64; 3]) -> [f64; 3] {
        std::array::from_fn(|i| {
            self.axes[0][i] * v[0] + self.axes[1][i] * v[1] + self.axes[2][i] * v[2]
        })
    }
    pub(super) fn point(&self, p: [f64; 3]) -> [f64; 3] {
        let v = self.vector(p);
        std::array::from_fn(|i| v[i] + self.shift[i])
    }
    /// `self` after `inner`.
    pub(super) fn after(&self, inner: &Matrix) -> Matrix {
        Matrix {
            axes: inner.axes.map(|a| self.vector(a)),
            shift: self.point(inner.shift),
        }
    }
    /// From an object's own coordinates to the world's by the arbitrary axis algorithm. `None` for a normal of no length.
    pub(super) fn of_extrusion(n: [f64; 3]) -> Option<Matrix> {
        let n = unit_vector(n)?;
        let near_z = n[0].abs() < 1.0 / 64.0 && n[1].abs() < 1.0 / 64.0;
        let x = unit_vector(cross(
            if near_z {
                [0.0, 1.0, 0.0]
            } else {
                [0.0, 0.0, 1.0]
            },
            n,
        ))?;
        let y = unit_vector(cross(n, x))?;
        Some(Matrix {
            axes: [x, y, n],
            shift: [0.0; 3],
        })
    }
}

/// The vector product.
pub(super) fn cross(a: [f64; 3], b: [f64; 3]) -> [f64; 3] {
    [
        a[1] * b[2] - a[2] * b[1],
        a[2] * b[0] - a[0] * b[2],
        a[0] * b[1] - a[1] * b[0],
    ]
}

/// The direction of a vector; `None` for one of no length.
pub(super) fn unit_vector(v: [f64; 3]) -> Option<[f64; 3]> {
    let length = (v[0] * v[0] + v[1] * v[1] + v[2] * v[2]).sqrt();
    (length.is_finite() && length > 1e-12).then(|| v.map(|c| c / length))
}

/// The plane z = `elevation` of a map's inner coordinates, when it lies flat and keeps area.
pub(super) fn flat_plane(matrix: &Matrix, elevation: f64) -> Option<Plane> {
    let [x, y, _] = matrix.axes;
    let o = matrix.point([0.0, 0.0, elevation]);
    let plane = Plane {
        x: point(x[0], x[1]),
        y: point(y[0], y[1]),
        origin: point(o[0], o[1]),
    };
    let keeps_area = plane.x.cross(plane.y).abs() > 1e-9 * plane.x.length() * plane.y.length();
    (lies_flat(x) && lies_flat(y) && keeps_area).then_some(plane)
}

/// Does a direction of a plane lie flat?
pub(super) fn lies_flat(v: [f64; 3]) -> bool {
    v[2].abs() <= FLAT_SHARE * v[0].hypot(v[1])
}
