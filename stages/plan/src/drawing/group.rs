//! Contours into parts: outlines hold what lies in them, parts far apart lie on different sheets, and each gets its number by its
//! place.

use crate::lies::{Lies, ON_EDGE_MM, Outer};
use grainway_geom::{Bounds, Contour, Point, near_pairs, point};
use std::cell::OnceCell;

/// Lines of the sampling grid on either side when asking which outline a contour overlaps most.
const GRID: usize = 24;

/// How much of `contour` lies inside the closed `outer`, as a share of samples: of its area when closed, of its length when open.
pub(crate) fn share_inside(contour: &Contour, outer: &Outer<'_>) -> f64 {
    let samples = if contour.closed {
        area_samples(contour)
    } else {
        line_samples(contour)
    };
    let samples = if samples.is_empty() {
        line_samples(contour)
    } else {
        samples
    };
    let inside = samples.iter().filter(|p| outer.contains(**p)).count();
    inside as f64 / samples.len().max(1) as f64
}

fn area_samples(contour: &Contour) -> Vec<Point> {
    let b = contour.bounds();
    let at = |low: f64, extent: f64, i: usize| low + extent * (i as f64 + 0.5) / GRID as f64;
    (0..GRID)
        .flat_map(|i| (0..GRID).map(move |j| (i, j)))
        .map(|(i, j)| point(at(b.min.x, b.width(), i), at(b.min.y, b.height(), j)))
        .filter(|p| contour.contains(*p))
        .collect()
}

fn line_samples(contour: &Contour) -> Vec<Point> {
    let length = contour.length();
    (0..=64)
        .filter_map(|i| contour.at_length(length * f64::from(i) / 64.0))
        .map(|(p, _)| p)
        .collect()
}

/// For each contour, the contours of the list that hold it, those nearest round it last. All are closed.
pub(super) fn nesting(contours: &[&Contour]) -> Vec<Vec<usize>> {
    let bounds: Vec<Bounds> = contours.iter().map(|c| c.bounds()).collect();
    let area: Vec<f64> = contours.iter().map(|c| c.area().abs()).collect();
    let outers: Vec<OnceCell<Outer<'_>>> = contours.iter().map(|_| OnceCell::new()).collect();
    let mut holders: Vec<Vec<usize>> = vec![Vec::new(); contours.len()];
    for (a, b) in near_pairs(&bounds, ON_EDGE_MM) {
        let (inner, outer) = if area[a] < area[b] { (a, b) } else { (b, a) };
        let around = bounds[outer].grown(ON_EDGE_MM);
        let of = || outers[outer].get_or_init(|| Outer::new(contours[outer]));
        if area[inner] < area[outer]
            && around.contains(bounds[inner].min)
            && around.contains(bounds[inner].max)
            && of().lies(contours[inner]) == Lies::Inside
        {
            holders[inner].push(outer);
        }
    }
    for list in &mut holders {
        list.sort_by(|a, b| area[*b].total_cmp(&area[*a]).then(a.cmp(b)));
    }
    holders
}

/// Groups of boxes whose gaps are at most `gap`, in reading order from the lower left; without a gap all are one group.
pub(super) fn sheets(boxes: &[Bounds], gap: Option<f64>) -> Vec<Vec<usize>> {
    let mut group: Vec<usize> = (0..boxes.len()).collect();
    fn root(group: &[usize], mut i: usize) -> usize {
        while group[i] != i {
            i = group[i];
        }
        i
    }
    for i in 0..boxes.len() {
        for j in 0..i {
            if gap.is_none_or(|g| gap_between(boxes[i], boxes[j]) <= g) {
                let (a, b) = (root(&group, i), root(&group, j));
                let (low, high) = (a.min(b), a.max(b));
                group[high] = low;
            }
        }
    }
    let mut members: std::collections::BTreeMap<usize, Vec<usize>> = Default::default();
    for i in 0..boxes.len() {
        members.entry(root(&group, i)).or_default().push(i);
    }
    let groups: Vec<Vec<usize>> = members.into_values().collect();
    let around: Vec<Bounds> = groups
        .iter()
        .map(|g| g.iter().fold(Bounds::EMPTY, |b, i| b.union(boxes[*i])))
        .collect();
    reading_order(&around)
        .into_iter()
        .map(|i| groups[i].clone())
        .collect()
}

fn gap_between(a: Bounds, b: Bounds) -> f64 {
    let apart = |a0: f64, a1: f64, b0: f64, b1: f64| (b0 - a1).max(a0 - b1).max(0.0);
    apart(a.min.x, a.max.x, b.min.x, b.max.x).hypot(apart(a.min.y, a.max.y, b.min.y, b.max.y))
}

/// Boxes in rows from the bottom, each row from the left. A box belongs to the row whose first box's lower half holds its lower edge.
pub(super) fn reading_order(boxes: &[Bounds]) -> Vec<usize> {
    let mut left: Vec<usize> = (0..boxes.len()).collect();
    let by = |f: fn(&Bounds) -> f64, a: usize, b: usize| f(&boxes[a]).total_cmp(&f(&boxes[b]));
    left.sort_by(|a, b| {
        by(|b| b.min.y, *a, *b)
            .then(by(|b| b.min.x, *a, *b))
            .then(a.cmp(b))
    });
    let mut order = Vec::with_capacity(boxes.len());
    while let Some(first) = left.first().copied() {
        let limit = boxes[first].min.y + 0.5 * boxes[first].height();
        let (mut row, rest): (Vec<usize>, Vec<usize>) = left
            .into_iter()
            .partition(|i| *i == first || boxes[*i].min.y < limit);
        row.sort_by(|a, b| {
            by(|b| b.min.x, *a, *b)
                .then(by(|b| b.min.y, *a, *b))
                .then(a.cmp(b))
        });
        order.extend(row);
        left = rest;
    }
    order
}

#[cfg(test)]
mod tests {
    use super::*;

    fn rect(x: f64, y: f64, w: f64, h: f64) -> Contour {
        Contour::rectangle(point(x, y), point(x + w, y + h), 0.0)
    }

    #[test]
    fn most_overlap_and_nesting() {
        let (a, b) = (rect(0.0, 0.0, 50.0, 50.0), rect(50.0, 0.0, 50.0, 50.0));
        let f = rect(40.0, 10.0, 30.0, 5.0);
        assert!(share_inside(&f, &Outer::new(&b)) > share_inside(&f, &Outer::new(&a)));
        let rings = [
            rect(30.0, 30.0, 5.0, 5.0),
            rect(0.0, 0.0, 100.0, 100.0),
            rect(20.0, 20.0, 40.0, 40.0),
        ];
        let nested = nesting(&rings.iter().collect::<Vec<_>>());
        assert_eq!(nested, [vec![1, 2], vec![], vec![1]]);
    }

    #[test]
    fn sheets_and_rows_are_numbered_from_the_lower_left() {
        let boxes: Vec<Bounds> = [
            rect(500.0, 0.0, 100.0, 100.0),
            rect(0.0, 110.0, 100.0, 30.0),
            rect(110.0, 3.0, 50.0, 100.0),
            rect(0.0, 0.0, 100.0, 100.0),
        ]
        .iter()
        .map(Contour::bounds)
        .collect();
        assert_eq!(reading_order(&boxes), [3, 2, 0, 1]);
        assert_eq!(sheets(&boxes, Some(50.0)), [vec![1, 2, 3], vec![0]]);
        assert_eq!(sheets(&boxes, None), [vec![0, 1, 2, 3]]);
        assert!(sheets(&[], None).is_empty());
    }
}
