//! What is surely swept, told by exact distances on a grid, so that the polygon kernel sees only what lies near the edge of it.
//!
//! A cell whose centre lies within r − h of a path (r the cutter's radius, h half the cell's diagonal) is swept wholly. A point of any
//! other cell is swept only by paths within r + h of that cell's centre. So the wanted region less all that is swept is exactly the
//! wanted region in the other cells less what those paths sweep.

use grainway_geom::{Bounds, Capsule, Point, PolySet, Segment, point};

/// Cells are this share of the smallest radius wide: small enough that the loops inside a cleared region drop out, one cutter's
/// stepover from those at its walls.
const CELL_SHARE: f64 = 0.4;
/// Fewer capsules than this are united as they are.
const WORTH_WHILE: usize = 40;
/// More cells than this are not worth their memory.
const MOST_CELLS: f64 = 4e6;
/// Distances are exact to rounding; this much is kept off.
const ROUNDING_MM: f64 = 1e-6;

/// Cells over a region, each surely swept or open.
pub(super) struct Screen {
    min: Point,
    cell: f64,
    columns: usize,
    rows: usize,
    open: Vec<bool>,
}

impl Screen {
    /// Over `bounds`, with what the capsules surely sweep. `None` where it would not pay.
    pub(super) fn new(bounds: Bounds, capsules: &[Capsule]) -> Option<Screen> {
        let least = capsules
            .iter()
            .map(|c| c.radius)
            .fold(f64::INFINITY, f64::min);
        let cell = CELL_SHARE * least;
        let (across, up) = (bounds.width() / cell, bounds.height() / cell);
        let sound = cell > 0.0 && across * up <= MOST_CELLS;
        if capsules.len() < WORTH_WHILE || !sound {
            return None;
        }
        let (columns, rows) = (across.ceil().max(1.0) as usize, up.ceil().max(1.0) as usize);
        let open = vec![true; columns * rows];
        let mut screen = Screen {
            min: bounds.min,
            cell,
            columns,
            rows,
            open,
        };
        let half = screen.half_diagonal();
        for c in capsules {
            let mut swept = Vec::new();
            screen.visit(&c.segment, c.radius - half - ROUNDING_MM, &mut |i| {
                swept.push(i);
                true
            });
            for i in swept {
                screen.open[i] = false;
            }
        }
        Some(screen)
    }

    fn half_diagonal(&self) -> f64 {
        self.cell * std::f64::consts::FRAC_1_SQRT_2
    }

    /// The cells whose centre lies within `within` of the segment, until `see` says no.
    fn visit(&self, segment: &Segment, within: f64, see: &mut dyn FnMut(usize) -> bool) {
        if within <= 0.0 || within.is_nan() {
            return;
        }
        // Short pieces keep the boxes of slanting lines narrow.
        let pieces = (segment.length() / (4.0 * within)).ceil().clamp(1.0, 1e5);
        for k in 0..pieces as usize {
            let piece = segment.piece(k as f64 / pieces, (k + 1) as f64 / pieces);
            let b = piece.bounds().grown(within);
            let index = |v: f64, from: f64, count: usize| {
                ((v - from) / self.cell).floor().clamp(0.0, count as f64) as usize
            };
            let columns = index(b.min.x, self.min.x, self.columns)
                ..(index(b.max.x, self.min.x, self.columns) + 1).min(self.columns);
            for row in index(b.min.y, self.min.y, self.rows)
                ..(index(b.max.y, self.min.y, self.rows) + 1).min(self.rows)
            {
                for column in columns.clone() {
                    let centre =
                        self.min + point(column as f64 + 0.5, row as f64 + 0.5) * self.cell;
                    if piece.distance(centre) <= within && !see(row * self.columns + column) {
                        return;
                    }
                }
            }
        }
    }

    /// The capsules that may sweep a point of an open cell.
    pub(super) fn relevant(&self, capsules: &[Capsule]) -> Vec<Capsule> {
        let half = self.half_diagonal();
        let touches_open = |c: &&Capsule| {
            let mut found = false;
            self.visit(&c.segment, c.radius + half + ROUNDING_MM, &mut |i| {
                found = self.open[i];
                !found
            });
            found
        };
        capsules.iter().filter(touches_open).copied().collect()
    }

    /// The open cells, in runs along x.
    pub(super) fn open_cells(&self) -> PolySet {
        let mut shapes = Vec::new();
        for row in 0..self.rows {
            let cells = &self.open[row * self.columns..(row + 1) * self.columns];
            let mut column = 0;
            while column < self.columns {
                if !cells[column] {
                    column += 1;
                    continue;
                }
                let from = column;
                while column < self.columns && cells[column] {
                    column += 1;
                }
                let corner = |c: usize, r: usize| self.min + point(c as f64, r as f64) * self.cell;
                let (low, high) = (corner(from, row), corner(column, row + 1));
                shapes.push(vec![vec![
                    low,
                    point(high.x, low.y),
                    high,
                    point(low.x, high.y),
                ]]);
            }
        }
        PolySet(shapes)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use grainway_geom::swept;

    /// Loops of a cleared rectangle from its wall inwards, one of them left out.
    fn loops(without: usize) -> Vec<Capsule> {
        let mut capsules = Vec::new();
        for k in (0..10).filter(|k| *k != without) {
            let d = 3.0 + 2.4 * f64::from(k as u32);
            let c = [
                point(d, d),
                point(120.0 - d, d),
                point(120.0 - d, 80.0 - d),
                point(d, 80.0 - d),
            ];
            for i in 0..4 {
                capsules.push(Capsule {
                    segment: Segment::Line {
                        a: c[i],
                        b: c[(i + 1) % 4],
                    },
                    radius: 3.0,
                });
            }
        }
        capsules.extend(capsules.clone());
        capsules
    }

    #[test]
    fn screened_and_whole_leave_the_same() {
        let wanted = PolySet(vec![vec![vec![
            point(0.02, 0.02),
            point(119.98, 0.02),
            point(119.98, 79.98),
            point(0.02, 79.98),
        ]]]);
        for without in [99, 0, 1, 5, 9] {
            let capsules = loops(without);
            let whole = wanted.difference(&swept(&capsules));
            let screen = Screen::new(wanted.bounds(), &capsules).expect("worth while");
            let relevant = screen.relevant(&capsules);
            let screened = wanted
                .intersection(&screen.open_cells())
                .difference(&swept(&relevant));
            assert!(
                (whole.area() - screened.area()).abs() < 2e-3 * whole.area().max(1.0),
                "{without}: {} {}",
                whole.area(),
                screened.area()
            );
            assert!(
                relevant.len() < capsules.len(),
                "{without}: loops inside drop out"
            );
        }
    }
}
