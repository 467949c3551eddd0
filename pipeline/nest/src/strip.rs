//! A strip of given width, as short as the search can make it.

use crate::fill::{orders, place_for};
use crate::forms::Forms;
use crate::packing::{Packing, Way};
use crate::squeeze::{Squeeze, used};
use crate::{Item, Lying, Shape};
use grainway_geom::{Bounds, Point, point};
use rayon::prelude::*;

/// A strip with everything on it.
#[derive(Clone, Debug, PartialEq)]
pub struct Strip {
    /// How much of it is used, mm.
    pub length: f64,
    /// Where each item lies, in their order.
    pub lying: Vec<Lying>,
}

/// Searches that run beside each other, each with a sequence of its own; the number is fixed so that threads change nothing.
const SEARCHES: u64 = 2;

/// Edges that are looked at in a step.
pub(crate) const EDGES: u64 = 1000;

/// Lays the items on a strip that begins at x = 0 and lies from y = 0 to `width`, mm. Each of two searches takes so many steps; none
/// leaves the first filling. `None` when an item is wider than the strip.
pub fn strip(shapes: &[Shape], items: &[Item], width: f64, steps: u64) -> Option<Strip> {
    let mut forms = Forms::new(shapes);
    let far: f64 = items
        .iter()
        .map(|i| {
            let b = shapes[i.shape].bounds();
            b.width().max(b.height())
        })
        .sum();
    let ways: Vec<Vec<Way>> = items
        .iter()
        .map(|i| ways(&mut forms, i, point(far, width)))
        .collect();
    if ways.iter().any(Vec::is_empty) {
        return None;
    }
    let start = filled(&mut forms, items, &ways)?;
    if steps == 0 {
        return Some(noted(used(&start, &forms), &start));
    }
    let places = start.places();
    let found: Vec<Strip> = (0..SEARCHES)
        .into_par_iter()
        .map(|n| {
            let mut forms = forms.clone();
            let mut packing = Packing::default();
            for (i, (ways, (way, at))) in ways.iter().zip(&places).enumerate() {
                packing.push(ways);
                packing.lay(i, *way, *at);
            }
            let mut squeeze = Squeeze::new(&mut forms, packing, n);
            squeeze.run(steps * EDGES);
            noted(squeeze.length, &squeeze.into_packing())
        })
        .collect();
    found
        .into_iter()
        .min_by(|a, b| a.length.total_cmp(&b.length))
}

/// The ways of an item on a strip of this size.
fn ways(forms: &mut Forms, item: &Item, size: Point) -> Vec<Way> {
    let ways = item.quarters.iter().map(|&q| {
        let form = forms.of(item.shape, q);
        let (lo, hi) = (forms.form(form).lo, forms.form(form).hi);
        let range = Bounds {
            min: -lo,
            max: size - hi,
        };
        Way::new(q, form, range)
    });
    ways.filter(Way::fits).collect()
}

/// The best of some fillings.
fn filled(forms: &mut Forms, items: &[Item], ways: &[Vec<Way>]) -> Option<Packing> {
    let sizes: Vec<(f64, Point)> = items
        .iter()
        .zip(ways)
        .map(|(item, ways)| {
            let form = forms.form(ways[0].form);
            (forms.area(item.shape), form.hi - form.lo)
        })
        .collect();
    let mut best: Option<(f64, Packing)> = None;
    for order in orders(&sizes) {
        let mut packing = Packing::default();
        for ways in ways {
            packing.push(ways);
        }
        let all = order.iter().all(|&i| {
            let place = place_for(&mut packing, forms, i);
            place.map(|(way, at)| packing.lay(i, way, at)).is_some()
        });
        let length = used(&packing, forms);
        if all && best.as_ref().is_none_or(|(least, _)| length < *least) {
            best = Some((length, packing));
        }
    }
    best.map(|(_, packing)| packing)
}

fn noted(length: f64, packing: &Packing) -> Strip {
    let lying = packing.pieces.iter().map(|p| Lying {
        at: p.at,
        quarters: p.ways[p.way].quarters,
    });
    Strip {
        length,
        lying: lying.collect(),
    }
}
