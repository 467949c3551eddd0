//! What stands of a recess's wood on one level, as cells of a grid: where a cutter finds something to take, and how wide a cut it has.
//!
//! Cells that the recess only touches count as wood, and only cells that lie wholly in the cutter count as cut: a cut that is left out
//! because nothing stands there would have taken nothing, and a width is overstated rather than not seen.

use grainway_geom::{Bounds, Contour, Point, Region, Segment};

/// Cells in the cutter's radius.
const CELLS: f64 = 8.0;
/// Cells of a grid at most; larger recesses get larger ones.
const MOST_CELLS: f64 = 2e7;
/// The way between two looks, in cutter's radii.
const STEP: f64 = 0.25;
/// Chords of the recess's edge deviate by at most this share of a cell.
const CHORD: f64 = 0.1;

#[derive(Clone, Debug)]
pub(super) struct Wood {
    origin: Point,
    cell: f64,
    /// Words of a row.
    words: usize,
    bits: Vec<u64>,
    /// Before anything was cut.
    whole: std::sync::Arc<[u64]>,
    /// Of the disc in which cells lie wholly, mm.
    radius: f64,
    /// Way between two looks, mm.
    pub(super) step: f64,
}

impl Wood {
    /// All the wood of the regions, for a cutter of this radius.
    pub(super) fn of(regions: &[Region], radius: f64) -> Wood {
        let bounds = regions
            .iter()
            .map(|r| r.outer.bounds())
            .reduce(Bounds::union)
            .unwrap_or(Bounds::of([Point::default()]));
        let area = bounds.width() * bounds.height();
        let cell = (radius / CELLS).max((area / MOST_CELLS).sqrt());
        let origin = bounds.min - grainway_geom::point(3.0 * cell, 3.0 * cell);
        let count = |length: f64| (length / cell).ceil() as usize + 6;
        let (columns, rows) = (count(bounds.width()), count(bounds.height()));
        let mut wood = Wood {
            origin,
            cell,
            words: columns.div_ceil(64),
            bits: Vec::new(),
            whole: [].into(),
            radius: (radius - cell * std::f64::consts::FRAC_1_SQRT_2).max(cell),
            step: STEP * radius,
        };
        wood.bits = vec![0; wood.words * rows];
        wood.fill(regions, rows);
        wood.grow(rows);
        wood.whole = wood.bits.as_slice().into();
        wood
    }

    /// Cells whose middles lie in a region.
    fn fill(&mut self, regions: &[Region], rows: usize) {
        let rings: Vec<Vec<Point>> = regions
            .iter()
            .flat_map(Region::contours)
            .map(|c| c.flattened(CHORD * self.cell))
            .collect();
        // The first row or column whose middle lies at a coordinate or beyond.
        let (origin, cell) = (self.origin, self.cell);
        let row = |y: f64| ((y - origin.y) / cell - 0.5).ceil().max(0.0) as usize;
        let column = |x: f64| ((x - origin.x) / cell - 0.5).ceil() as i64;
        let mut crossings: Vec<Vec<f64>> = vec![Vec::new(); rows];
        for ring in &rings {
            for (a, b) in ring.iter().zip(ring.iter().cycle().skip(1)) {
                let (low, high) = if a.y < b.y { (a, b) } else { (b, a) };
                let last = row(high.y).min(rows);
                let first = row(low.y).min(last);
                for (i, crossed) in crossings[first..last].iter_mut().enumerate() {
                    let y = origin.y + ((first + i) as f64 + 0.5) * cell;
                    let share = (y - low.y) / (high.y - low.y);
                    crossed.push(low.x + (high.x - low.x) * share);
                }
            }
        }
        for (row, mut at) in crossings.into_iter().enumerate() {
            at.sort_by(f64::total_cmp);
            for pair in at.chunks_exact(2) {
                for (i, mask) in span(self.words, row, column(pair[0]), column(pair[1])) {
                    self.bits[i] |= mask;
                }
            }
        }
    }

    /// Every cell beside one that is wood.
    fn grow(&mut self, rows: usize) {
        let beside = |bits: &[u64], words: usize| -> Vec<u64> {
            (0..bits.len())
                .map(|i| {
                    let left = if i % words > 0 { bits[i - 1] >> 63 } else { 0 };
                    let right = if i % words + 1 < words {
                        bits[i + 1] << 63
                    } else {
                        0
                    };
                    bits[i] | bits[i] << 1 | left | bits[i] >> 1 | right
                })
                .collect()
        };
        let wide = beside(&self.bits, self.words);
        for row in 0..rows {
            for word in 0..self.words {
                let of = |r: usize| wide.get(r * self.words + word).copied().unwrap_or(0);
                let below = if row > 0 { of(row - 1) } else { 0 };
                self.bits[row * self.words + word] = of(row) | below | of(row + 1);
            }
        }
    }

    /// The words that hold the cells wholly in the cutter at a place: which, and which of their cells.
    fn disc(&self, at: Point) -> impl Iterator<Item = (usize, u64)> + use<> {
        let p = (at - self.origin) * (1.0 / self.cell);
        let r = self.radius / self.cell;
        let (words, rows) = (self.words, (self.bits.len() / self.words) as i64);
        let first = ((p.y - r - 0.5).ceil() as i64).max(0);
        let last = ((p.y + r - 0.5).floor() as i64).min(rows - 1);
        (first..=last).flat_map(move |row| {
            let half = (r * r - (row as f64 + 0.5 - p.y).powi(2)).max(0.0).sqrt();
            let from = (p.x - half - 0.5).ceil() as i64;
            let to = (p.x + half - 0.5).floor() as i64 + 1;
            span(words, row as usize, from, to)
        })
    }

    /// Does a cutter at a place find wood?
    pub(super) fn touches(&self, at: Point) -> bool {
        self.disc(at).any(|(i, mask)| self.bits[i] & mask != 0)
    }

    /// Would it have found some before anything was cut?
    pub(super) fn stood(&self, at: Point) -> bool {
        self.disc(at).any(|(i, mask)| self.whole[i] & mask != 0)
    }

    /// Takes what a cutter at a place finds; gives its area, mm².
    fn take(&mut self, at: Point) -> f64 {
        let mut count = 0;
        for (i, mask) in self.disc(at) {
            count += (self.bits[i] & mask).count_ones();
            self.bits[i] &= !mask;
        }
        f64::from(count) * self.cell * self.cell
    }

    /// Takes what a cutter finds along a path between two lengths (more than the whole goes on round a closed one). Gives the width of
    /// the cut, mm, at even steps.
    pub(super) fn widths(&mut self, path: &Contour, from: f64, to: f64) -> Vec<f64> {
        const SMOOTH: usize = 2;
        let n = ((to - from) / self.step).ceil().max(1.0) as usize;
        let step = (to - from) / n as f64;
        let taken: Vec<f64> = places(path, from, step, n)
            .into_iter()
            .map(|p| self.take(p))
            .collect();
        (0..taken.len())
            .map(|i| {
                // The first place holds what stood under the whole cutter; it says nothing of the way on.
                let first = i.saturating_sub(SMOOTH).max(1).min(i);
                let window = &taken[first..(i + SMOOTH + 1).min(taken.len())];
                window.iter().sum::<f64>() / (window.len() as f64 * step.max(1e-9))
            })
            .collect()
    }

    /// Takes what a cutter finds on the straight way; is there any?
    pub(super) fn cross(&mut self, a: Point, b: Point) -> bool {
        let n = (a.distance(b) / self.step).ceil().max(1.0) as usize;
        let taken = (0..=n).map(|i| self.take(a.lerp(b, i as f64 / n as f64)));
        taken.sum::<f64>() > 0.0
    }
}

/// The words of a row's cells from one column to before another, each with which of its cells.
fn span(words: usize, row: usize, from: i64, to: i64) -> impl Iterator<Item = (usize, u64)> {
    let last = (words * 64) as i64;
    let (from, to) = (from.clamp(0, last), to.clamp(0, last));
    (from / 64..(to + 63) / 64).filter_map(move |word| {
        let low = (from - word * 64).max(0);
        let high = (to - word * 64).min(64);
        (low < high).then(|| {
            let mask = (u64::MAX >> (64 - (high - low))) << low;
            (row * words + word as usize, mask)
        })
    })
}

/// Places along a path at even steps from a length on, laps of a closed one counted.
pub(super) fn places(path: &Contour, from: f64, step: f64, n: usize) -> Vec<Point> {
    let mut total = 0.0;
    let mut pieces: Vec<(f64, Segment)> = Vec::new();
    for s in path.segments().filter(|s| s.length() > 0.0) {
        pieces.push((total, s));
        total += s.length();
    }
    let place = |i: usize| {
        let at = from + step * i as f64;
        let local = match path.closed {
            true => at.rem_euclid(total),
            false => at.clamp(0.0, total),
        };
        let index = pieces.partition_point(|p| p.0 <= local).saturating_sub(1);
        let (start, s) = pieces.get(index)?;
        Some(s.at(((local - start) / s.length()).clamp(0.0, 1.0)))
    };
    (0..n).filter_map(place).collect()
}
