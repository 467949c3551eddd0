//! Filling from the lower left: each piece as far left as it goes without overlap, then as low as it goes (bottom-left filling;
//! Gomes, Oliveira, "A 2-exchange heuristic for nesting problems", 2002, has the turned form).

use crate::forms::Forms;
use crate::packing::Packing;
use crate::scan::Line;
use grainway_geom::{Bounds, Point};

/// Levels that are tried besides those of the pieces that lie already.
const EVEN_LEVELS: usize = 24;

/// The place farthest left where a piece overlaps nothing: the way and the place.
pub(crate) fn place_for(
    packing: &mut Packing,
    forms: &mut Forms,
    i: usize,
) -> Option<(usize, Point)> {
    let mut best: Option<(f64, f64, usize, Point)> = None;
    for way in 0..packing.pieces[i].ways.len() {
        let lying = packing.pieces[i].ways[way];
        if !lying.fits() {
            continue;
        }
        let (lo, hi) = {
            let form = forms.form(lying.form);
            (form.lo, form.hi)
        };
        packing.gather(forms, i, way);
        for level in levels(packing, lying.range) {
            // Only what lies farther left than the best so far.
            let mut range = lying.range;
            if let Some((right, ..)) = best {
                range.max.x = range.max.x.min(right - hi.x);
            }
            if range.max.x < range.min.x {
                continue;
            }
            let line = Line {
                level,
                upright: false,
            };
            let Some(p) = packing.first_free(line, range) else {
                continue;
            };
            let key = (p.x + hi.x, p.y + lo.y);
            let better = best.is_none_or(|(x, y, ..)| {
                key.0 < x - 1e-9 || (key.0 <= x + 1e-9 && key.1 < y - 1e-9)
            });
            if better {
                best = Some((key.0, key.1, way, p));
            }
        }
    }
    best.map(|(.., way, p)| (way, p))
}

fn levels(packing: &Packing, range: Bounds) -> Vec<f64> {
    let inside = |y: &f64| *y >= range.min.y && *y <= range.max.y;
    let mut levels: Vec<f64> = packing.levels(false).filter(inside).collect();
    let step = range.height() / (EVEN_LEVELS - 1) as f64;
    levels.extend((0..EVEN_LEVELS).map(|k| (range.min.y + step * k as f64).min(range.max.y)));
    levels.sort_by(f64::total_cmp);
    levels.dedup_by(|a, b| (*a - *b).abs() < 1e-6);
    levels
}

/// Orders in which pieces are tried, each from the greatest: by area, by height, by width, by the longer side.
pub(crate) fn orders(sizes: &[(f64, Point)]) -> Vec<Vec<usize>> {
    type Key = fn(&(f64, Point)) -> f64;
    let keys: [Key; 4] = [|s| s.0, |s| s.1.y, |s| s.1.x, |s| s.1.x.max(s.1.y)];
    let order = |key: &Key| {
        let mut order: Vec<usize> = (0..sizes.len()).collect();
        order.sort_by(|&a, &b| {
            let (a_size, b_size) = (&sizes[a], &sizes[b]);
            key(b_size)
                .total_cmp(&key(a_size))
                .then(b_size.0.total_cmp(&a_size.0))
                .then(a.cmp(&b))
        });
        order
    };
    keys.iter().map(order).collect()
}
