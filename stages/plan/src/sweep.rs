//! What cutters sweep, for questions of clearance: how far is this place from every cut?
//!
//! Arcs are taken as chords and widened by what that loses, so that a clearance is never overstated.

use grainway_geom::{Bounds, Placing, Point, Segment, point};
use grainway_pipeline::doc::Cutter;
use grainway_pipeline::motion::Move;
use grainway_pipeline::work::{Variant, Work};
use std::collections::BTreeMap;

/// Chords deviate from their arcs by at most this; it is added to the radius, mm.
const CHORD_MM: f64 = 0.05;
/// Edge of a cell of the grid in which sweeps are filed, mm.
const CELL_MM: f64 = 25.0;
/// Longer moves are filed in pieces of this length, mm.
const PIECE_MM: f64 = 50.0;

/// A cutter's move in the wood, seen from above.
#[derive(Clone, Copy, Debug)]
struct Capsule {
    a: Point,
    b: Point,
    radius: f64,
    lowest: f64,
    step: usize,
}

impl Capsule {
    fn clearance(&self, p: Point) -> f64 {
        Segment::Line {
            a: self.a,
            b: self.b,
        }
        .distance(p)
            - self.radius
    }
}

/// All that the cutters of one variant (or of some moves) sweep below a height.
#[derive(Clone, Debug, Default)]
pub(crate) struct Sweep {
    capsules: Vec<Capsule>,
    cells: BTreeMap<(i64, i64), Vec<u32>>,
    bounds: Option<Bounds>,
}

impl Sweep {
    /// Of all steps of a variant, by their index. Only what happens below `face` counts.
    pub(crate) fn of(work: &Work, variant: &Variant, face: f64) -> Sweep {
        let mut sweep = Sweep::default();
        for (i, step) in variant.steps.iter().enumerate() {
            let Some(cutter) = work.documents.cutter(&step.cutter) else {
                continue;
            };
            sweep.add(i, cutter, &work.moves(&step.moves), face);
        }
        sweep
    }
    /// Adds the moves of a step.
    pub(crate) fn add(&mut self, step: usize, cutter: &Cutter, moves: &[Move], face: f64) {
        let radius = cutter.radius_mm();
        // Where the first move starts from is not known; it is a rapid in every plan of this project.
        let mut at: Option<grainway_geom::Point3> = None;
        for m in moves {
            let from = at.unwrap_or(point(f64::NAN, f64::NAN).at_z(f64::INFINITY));
            let to = m.end(from);
            match *m {
                Move::Rapid { .. } => {}
                Move::Line { .. } => {
                    let lowest = from.z.min(to.z);
                    if lowest < face && from.xy().is_finite() {
                        self.line(from.xy(), to.xy(), radius, lowest, step);
                    }
                }
                Move::Arc { centre, sweep, .. } => {
                    let lowest = from.z.min(to.z);
                    if lowest < face && from.xy().is_finite() {
                        let turn = sweep.clamp(-std::f64::consts::TAU, std::f64::consts::TAU);
                        let arc = Segment::arc_about(centre, from.xy(), turn);
                        let n = arc.chords(CHORD_MM);
                        let at = |k: usize| arc.at(k as f64 / n as f64);
                        for k in 0..n {
                            self.line(at(k), at(k + 1), radius + CHORD_MM, lowest, step);
                        }
                    }
                }
                Move::Hole { at, bottom, .. } => {
                    if bottom < face {
                        self.line(at, at, radius, bottom, step);
                    }
                }
            }
            at = Some(to);
        }
    }
    fn line(&mut self, a: Point, b: Point, radius: f64, lowest: f64, step: usize) {
        let pieces = (a.distance(b) / PIECE_MM).ceil().max(1.0) as usize;
        for k in 0..pieces {
            let at = |k: usize| a.lerp(b, k as f64 / pieces as f64);
            self.file(Capsule {
                a: at(k),
                b: at(k + 1),
                radius,
                lowest,
                step,
            });
        }
    }
    fn file(&mut self, capsule: Capsule) {
        let index = self.capsules.len() as u32;
        let bounds = Bounds::of([capsule.a, capsule.b]).grown(capsule.radius);
        self.bounds = Some(self.bounds.map_or(bounds, |b| b.union(bounds)));
        for cell in cells(bounds) {
            let list = self.cells.entry(cell).or_default();
            // Passes at several heights run over the same line again and again: the lowest is enough.
            let same = list.iter().rev().take(64).find(|&&i| {
                let c = &self.capsules[i as usize];
                c.step == capsule.step
                    && c.a.distance(capsule.a) < 1e-9
                    && c.b.distance(capsule.b) < 1e-9
            });
            match same.copied() {
                Some(i) => {
                    let c = &mut self.capsules[i as usize];
                    c.lowest = c.lowest.min(capsule.lowest);
                }
                None => list.push(index),
            }
        }
        self.capsules.push(capsule);
    }
    /// The box around all of it.
    pub(crate) fn bounds(&self) -> Option<Bounds> {
        self.bounds
    }
    /// Distance from `p` to the nearest swept place of the steps that `of` accepts, mm, negative inside; at most `within`.
    /// `of` gets the step's index and the lowest height of the move.
    pub(crate) fn clearance(&self, p: Point, within: f64, of: &dyn Fn(usize, f64) -> bool) -> f64 {
        let mut best = within;
        let window = Bounds::of([p]).grown(within.max(0.0));
        if !self.bounds.is_some_and(|b| b.touches(window)) {
            return best;
        }
        for cell in cells(window) {
            for &i in self.cells.get(&cell).into_iter().flatten() {
                let c = &self.capsules[i as usize];
                if of(c.step, c.lowest) {
                    best = best.min(c.clearance(p));
                }
            }
        }
        best
    }
}

/// The cells that a box touches.
fn cells(b: Bounds) -> impl Iterator<Item = (i64, i64)> {
    let at = |v: f64| (v / CELL_MM).floor() as i64;
    let (x0, x1, y0, y1) = (at(b.min.x), at(b.max.x), at(b.min.y), at(b.max.y));
    (x0..=x1).flat_map(move |x| (y0..=y1).map(move |y| (x, y)))
}

/// The sweeps of all pieces on a board.
pub(crate) struct Field<'a> {
    laid: Vec<(Placing, &'a Sweep, Bounds)>,
}

/// Which move is asked about: index of the placement, of the step, and the lowest height.
pub(crate) type Asked<'f> = dyn Fn(usize, usize, f64) -> bool + 'f;

impl<'a> Field<'a> {
    /// In the order of the placements.
    pub(crate) fn new(laid: impl IntoIterator<Item = (Placing, &'a Sweep)>) -> Field<'a> {
        let laid = laid
            .into_iter()
            .map(|(placing, sweep)| {
                let b = sweep.bounds().unwrap_or(Bounds::EMPTY);
                let placed = if b.is_empty() {
                    b
                } else {
                    Bounds::of(
                        [
                            b.min,
                            point(b.max.x, b.min.y),
                            b.max,
                            point(b.min.x, b.max.y),
                        ]
                        .map(|p| placing.point(p)),
                    )
                };
                (placing, sweep, placed)
            })
            .collect();
        Field { laid }
    }
    /// Distance from `p` (board coordinates) to the nearest swept place that `of` accepts, mm; at most `within`.
    pub(crate) fn clearance(&self, p: Point, within: f64, of: &Asked<'_>) -> f64 {
        let mut best = within;
        for (i, (placing, sweep, bounds)) in self.laid.iter().enumerate() {
            if bounds.grown(best.max(0.0)).contains(p) {
                let local = placing.inverse_point(p);
                best = best.min(sweep.clearance(local, best, &|step, low| of(i, step, low)));
            }
        }
        best
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use grainway_pipeline::doc::{CutterKind, Length};

    fn cutter() -> Cutter {
        serde_json::from_value(serde_json::json!({
            "kind": "end-mill", "number": 1, "diameter": 6.0, "cutting-length": 25.0, "max-rpm": 24000.0
        }))
        .unwrap()
    }

    #[test]
    fn clearance_is_distance_less_radius() {
        let cutter = cutter();
        assert_eq!(cutter.kind, CutterKind::EndMill);
        assert_eq!(cutter.diameter, Length::from_mm(6.0));
        let mut sweep = Sweep::default();
        let moves = [
            Move::Rapid {
                to: point(0.0, 0.0).at_z(20.0),
            },
            Move::Line {
                to: point(0.0, 0.0).at_z(-3.0),
                feed: 100.0,
            },
            Move::Line {
                to: point(300.0, 0.0).at_z(-3.0),
                feed: 100.0,
            },
            Move::Arc {
                centre: point(300.0, 50.0),
                sweep: std::f64::consts::PI,
                dz: 0.0,
                feed: 100.0,
            },
        ];
        sweep.add(4, &cutter, &moves, 0.0);
        let all = |_: usize, _: f64| true;
        assert!((sweep.clearance(point(150.0, 20.0), 40.0, &all) - 17.0).abs() < 1e-9);
        assert!((sweep.clearance(point(150.0, 99.0), 40.0, &all) - 40.0).abs() < 1e-9);
        // 20 mm outside the arc of radius 50 about (300, 50); never overstated, and by at most the chord's deviation less.
        let far = sweep.clearance(point(370.0, 50.0), 40.0, &all);
        assert!(far <= 17.0 && far > 17.0 - 2.0 * CHORD_MM, "{far}");
        // Turned by a half turn about (100, 100), the place above the middle of the line comes to lie below it.
        let placing = Placing {
            at: point(100.0, 100.0),
            angle: std::f64::consts::PI,
        };
        let field = Field::new([(placing, &sweep)]);
        let p = placing.point(point(150.0, 20.0));
        assert!((field.clearance(p, 40.0, &|_, s, _| s == 4) - 17.0).abs() < 1e-9);
        assert!((field.clearance(p, 40.0, &|_, s, _| s != 4) - 40.0).abs() < 1e-9);
    }
}
