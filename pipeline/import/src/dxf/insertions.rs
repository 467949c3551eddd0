//! Insertions of blocks: where each copy of the block comes to lie.

use super::matrix::Matrix;
use super::values::Values;

/// An insertion: so many columns and rows of one block.
pub(super) struct Insertion {
    pub(super) columns: u32,
    pub(super) rows: u32,
    spacing: [f64; 2],
    at: [f64; 3],
    scale: [f64; 3],
    /// Sine and cosine of its turn.
    turn: [f64; 2],
    extrusion: Matrix,
}

impl Insertion {
    pub(super) fn of(values: &Values<'_>) -> Result<Insertion, String> {
        let at = values.point3(10)?;
        let scale = [
            values.number(41, 1.0)?,
            values.number(42, 1.0)?,
            values.number(43, 1.0)?,
        ];
        if scale.iter().any(|s| s.abs() < 1e-12) {
            return Err("scales its block to nothing".to_string());
        }
        let (s, c) = values.number(50, 0.0)?.to_radians().sin_cos();
        // Exact quarter turns keep straight edges straight.
        let turn = if s.abs() < 1e-15 {
            [0.0, c.signum()]
        } else if c.abs() < 1e-15 {
            [s.signum(), 0.0]
        } else {
            [s, c]
        };
        let extrusion = values.extrusion()?;
        let count = |code: i32| {
            let n = values.number(code, 1.0)?;
            Ok::<u32, String>(n.clamp(1.0, 32_767.0) as u32)
        };
        Ok(Insertion {
            columns: count(70)?,
            rows: count(71)?,
            spacing: [values.number(44, 0.0)?, values.number(45, 0.0)?],
            at,
            scale,
            turn,
            extrusion,
        })
    }

    /// From the block's coordinates to those around the insertion's own, for the copy in one column and row. `base` is the block's
    /// base point. The spacing is turned with the block but not scaled.
    pub(super) fn matrix(&self, outer: &Matrix, base: [f64; 3], column: u32, row: u32) -> Matrix {
        let step = [
            f64::from(column) * self.spacing[0],
            f64::from(row) * self.spacing[1],
            0.0,
        ];
        let ([s, c], scale) = (self.turn, self.scale);
        let turn = Matrix {
            axes: [[c, s, 0.0], [-s, c, 0.0], [0.0, 0.0, 1.0]],
            shift: self.at,
        };
        let stretch = Matrix {
            axes: [
                [scale[0], 0.0, 0.0],
                [0.0, scale[1], 0.0],
                [0.0, 0.0, scale[2]],
            ],
            shift: std::array::from_fn(|i| step[i] - scale[i] * base[i]),
        };
        outer.after(&self.extrusion).after(&turn).after(&stretch)
    }
}
