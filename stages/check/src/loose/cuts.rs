//! Where the text cuts through, and what it leaves standing, at a place or along an edge.

use crate::Scene;
use crate::curves::around;
use crate::motions::Motion;
use grainway_geom::{Bounds, Capsule, Contour, Point, point};
use std::cell::Cell;

/// Along an edge, tabs are looked for in steps of this, mm.
pub(super) const STEP_MM: f64 = 0.5;

/// Points along a closed contour at equal steps, with the unit normal outwards.
pub(crate) fn walk(outline: &Contour, n: usize) -> Vec<(Point, Point)> {
    let length = outline.length();
    let step = length / n as f64;
    let mut out = Vec::with_capacity(n);
    let mut before = 0.0;
    let mut k = 0usize;
    for s in outline.segments() {
        let l = s.length();
        while k < n && k as f64 * step < before + l {
            let t = (k as f64 * step - before) / l.max(1e-12);
            if let Some(d) = s.direction(t) {
                out.push((s.at(t), -d.left()));
            } else {
                out.push((s.start(), point(0.0, 0.0)));
            }
            k += 1;
        }
        before += l;
    }
    while out.len() < n {
        out.push(out.last().copied().unwrap_or_default());
    }
    out
}

/// Width of the squares in which cuts are sought, mm; larger on boards that would have more than [`MOST_SQUARES`].
const SQUARE_MM: f64 = 5.0;
const MOST_SQUARES: f64 = 500_000.0;

/// What the text cuts below a level, by squares of the board.
pub(super) struct Through {
    bounds: Bounds,
    square: f64,
    columns: usize,
    /// What may be cut in each square.
    squares: Vec<Vec<u32>>,
    cuts: Vec<Capsule>,
}

impl Through {
    pub(super) fn below(scene: &Scene<'_>, level: f64) -> Through {
        let cut = |m: &Motion| {
            let tool = scene
                .recorded
                .tool(m)
                .filter(|_| m.cuts && m.low() < level)?;
            Some(Capsule {
                segment: m.path_below(level)?,
                radius: tool.radius,
            })
        };
        let cuts: Vec<Capsule> = scene.recorded.motions.iter().filter_map(cut).collect();
        let reach = |c: &Capsule| c.segment.bounds().grown(c.radius);
        let all = cuts
            .iter()
            .map(reach)
            .filter(|b| b.width().is_finite() && b.height().is_finite());
        let bounds = all.fold(Bounds::EMPTY, Bounds::union);
        if cuts.is_empty() || bounds.is_empty() {
            return Through {
                bounds: Bounds::EMPTY,
                square: SQUARE_MM,
                columns: 0,
                squares: Vec::new(),
                cuts: Vec::new(),
            };
        }
        let (w, h) = (bounds.width(), bounds.height());
        let square = (w * h / MOST_SQUARES).sqrt().max(SQUARE_MM);
        let (columns, rows) = ((w / square) as usize + 1, (h / square) as usize + 1);
        let mut through = Through {
            bounds,
            square,
            columns,
            squares: vec![Vec::new(); columns * rows],
            cuts,
        };
        for i in 0..through.cuts.len() {
            through.enter(i);
        }
        through
    }
    fn enter(&mut self, i: usize) {
        let c = self.cuts[i];
        // Short pieces keep the boxes of slanting lines narrow.
        let pieces = (c.segment.length() / (4.0 * self.square))
            .ceil()
            .clamp(1.0, 1e5);
        for k in 0..pieces as usize {
            let piece = c.segment.piece(k as f64 / pieces, (k + 1) as f64 / pieces);
            let b = piece.bounds().grown(c.radius + 1e-6);
            let ((x0, y0), (x1, y1)) = (self.place(b.min), self.place(b.max));
            for y in y0..=y1 {
                for square in &mut self.squares[y * self.columns + x0..=y * self.columns + x1] {
                    if square.last() != Some(&(i as u32)) {
                        square.push(i as u32);
                    }
                }
            }
        }
    }
    /// Column and row of the nearest square.
    fn place(&self, p: Point) -> (usize, usize) {
        let rows = self.squares.len() / self.columns;
        let index = |v: f64, count: usize| ((v / self.square).max(0.0) as usize).min(count - 1);
        let d = p - self.bounds.min;
        (index(d.x, self.columns), index(d.y, rows))
    }
    /// The text cuts through at `p`.
    pub(super) fn at(&self, p: Point) -> bool {
        self.known(p).cut
    }
    /// The same of places near each other, asked one after the other.
    pub(super) fn along(&self, p: Point, last: &Cell<Known>) -> bool {
        let known = last.get();
        if p.distance(known.at) < known.within {
            return known.cut;
        }
        let known = self.known(p);
        last.set(known);
        known.cut
    }
    fn known(&self, p: Point) -> Known {
        let known = |within: f64, cut: bool| Known {
            at: p,
            within: within - KNOWN_LESS_MM,
            cut,
        };
        if !self.bounds.grown(KNOWN_LESS_MM).contains(p) {
            return known(0.0, false);
        }
        let (x, y) = self.place(p);
        let corner = self.bounds.min + point(x as f64, y as f64) * self.square;
        let d = p - corner;
        // No farther than to the square's edge: what lies beyond is in other squares.
        let to_edge = |v: f64| v.min(self.square - v);
        let mut free = to_edge(d.x).min(to_edge(d.y));
        for i in &self.squares[y * self.columns + x] {
            let c = &self.cuts[*i as usize];
            let deep = c.radius - c.segment.distance(p);
            if deep >= 0.0 {
                return known(deep, true);
            }
            free = free.min(-deep);
        }
        known(free, false)
    }
}

/// What holds at a place holds this much less far round it than it may, mm: rounding.
const KNOWN_LESS_MM: f64 = 1e-6;

/// Whether the text cuts through at a place, and within which distance of it the same is true.
#[derive(Clone, Copy, Default)]
pub(super) struct Known {
    at: Point,
    within: f64,
    cut: bool,
}

/// The height of what stands at `p` at the end.
pub(super) fn height_at(scene: &Scene<'_>, p: Point) -> f64 {
    let mut height = scene.setup.z.highest_top();
    scene
        .motion_boxes
        .visit(around(p, 1e-6), usize::MAX, &mut |i| {
            let m = &scene.recorded.motions[i];
            if m.cuts
                && m.low() < height
                && let Some(t) = scene.recorded.tool(m)
                && m.path.distance(p) <= t.radius
            {
                height = height.min(lowest_within(m, p, t.radius));
            }
            true
        });
    height
}

/// The lowest height of a motion while its disc covers `p`.
pub(crate) fn lowest_within(m: &Motion, p: Point, radius: f64) -> f64 {
    if (m.z[0] - m.z[1]).abs() < 1e-9 || !m.z[0].is_finite() || !m.z[1].is_finite() {
        return m.low();
    }
    // Conservative on a slope: in steps of the path.
    let n = 16;
    (0..=n)
        .map(|i| f64::from(i) / f64::from(n))
        .filter(|t| m.path.at(*t).distance(p) <= radius)
        .map(|t| m.z[0] + (m.z[1] - m.z[0]) * t)
        .fold(f64::INFINITY, f64::min)
}
