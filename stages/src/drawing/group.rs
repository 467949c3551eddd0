//! Contours into parts: outlines hold what lies in them, parts far apart lie on different sheets, and each gets its number by its
//! place.

use grainway_pipeline::geom::{Bounds, Contour, Point, point};

/// Chords for the questions asked here deviate by this, mm.
const CHORD_MM: f64 = 0.05;
/// Points nearer than this to a boundary lie on it, mm: the import tolerance and a little of the chords'.
const ON_EDGE_MM: f64 = 0.02;
/// Lines of the sampling grid on either side when asking which outline a contour overlaps most.
const GRID: usize = 24;

/// How a contour lies to a closed one.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Lies {
    /// All of it inside (or on the edge).
    Inside,
    /// Some of it inside, some outside; also when it goes round the other.
    Across,
    /// All of it outside.
    Outside,
}

/// How `contour` lies to the closed `outer`.
pub(crate) fn lies(contour: &Contour, outer: &Contour) -> Lies {
    if !contour.bounds().grown(ON_EDGE_MM).touches(outer.bounds()) {
        return Lies::Outside;
    }
    let (mut inside, mut outside) = (false, false);
    for p in contour
        .flattened(CHORD_MM)
        .into_iter()
        .chain(middles(contour))
    {
        if outer.distance(p) <= ON_EDGE_MM {
            continue;
        }
        if outer.contains(p) {
            inside = true;
        } else {
            outside = true;
        }
        if inside && outside {
            return Lies::Across;
        }
    }
    if inside && !outside {
        return Lies::Inside;
    }
    // No point of it strictly inside: it may go round the other, run through it between two points, or be its equal.
    let reaches_in = outer
        .flattened(CHORD_MM)
        .into_iter()
        .chain(middles(outer))
        .any(|p| contour.closed && contour.distance(p) > ON_EDGE_MM && contour.contains(p));
    match (outside, reaches_in) {
        (true, true) => Lies::Across,
        (true, false) if crosses(contour, outer) => Lies::Across,
        (true, false) => Lies::Outside,
        (false, _) => Lies::Inside,
    }
}

/// Middles of its pieces.
fn middles(contour: &Contour) -> Vec<Point> {
    contour.segments().map(|s| s.at(0.5)).collect()
}

/// Sampled at every half millimetre, an inner stretch of the contour lies inside.
fn crosses(contour: &Contour, outer: &Contour) -> bool {
    let touching = outer.bounds();
    contour.segments().any(|s| {
        if !s.bounds().touches(touching) {
            return false;
        }
        let n = ((s.length() / 0.5).ceil() as usize).clamp(2, 4000);
        (1..n)
            .map(|i| s.at(i as f64 / n as f64))
            .any(|p| outer.contains(p) && outer.distance(p) > ON_EDGE_MM)
    })
}

/// How much of `contour` lies inside the closed `outer`, as a share of samples: of its area when closed, of its length when open.
pub(crate) fn share_inside(contour: &Contour, outer: &Contour) -> f64 {
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
    (0..contours.len())
        .map(|i| {
            let mut holders: Vec<usize> = (0..contours.len())
                .filter(|j| {
                    let around = bounds[*j].grown(ON_EDGE_MM);
                    *j != i
                        && area[*j] > area[i]
                        && around.contains(bounds[i].min)
                        && around.contains(bounds[i].max)
                        && lies(contours[i], contours[*j]) == Lies::Inside
                })
                .collect();
            holders.sort_by(|a, b| area[*b].total_cmp(&area[*a]).then(a.cmp(b)));
            holders
        })
        .collect()
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

/// The circle that a closed contour is, when all its pieces are arcs of one: centre and diameter.
pub(super) fn circle(contour: &Contour) -> Option<(Point, f64)> {
    use grainway_pipeline::geom::Segment;
    use grainway_pipeline::tolerance::IMPORT_MM;
    if !contour.closed {
        return None;
    }
    let mut found: Option<(Point, f64)> = None;
    let mut turn = 0.0;
    for s in contour.segments() {
        let Segment::Arc {
            centre,
            radius,
            sweep,
            ..
        } = s
        else {
            return None;
        };
        let (c, r) = *found.get_or_insert((centre, radius));
        if centre.distance(c) > IMPORT_MM || (radius - r).abs() > IMPORT_MM {
            return None;
        }
        turn += sweep;
    }
    let (centre, radius) = found?;
    // One whole turn; an arc and its way back would be none.
    ((turn.abs() - std::f64::consts::TAU).abs() < 1e-3).then_some((centre, 2.0 * radius))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn rect(x: f64, y: f64, w: f64, h: f64) -> Contour {
        Contour::rectangle(point(x, y), point(x + w, y + h), 0.0)
    }

    #[test]
    fn inside_across_outside() {
        let part = rect(0.0, 0.0, 100.0, 50.0);
        for (c, expected) in [
            (rect(10.0, 10.0, 5.0, 5.0), Lies::Inside),
            (rect(0.0, 0.0, 100.0, 50.0), Lies::Inside),
            (rect(0.0, 10.0, 5.0, 5.0), Lies::Inside),
            (rect(-3.0, 10.0, 5.0, 5.0), Lies::Across),
            (rect(40.0, -5.0, 12.0, 60.0), Lies::Across),
            (rect(-5.0, -5.0, 110.0, 60.0), Lies::Across),
            (rect(101.0, 0.0, 5.0, 5.0), Lies::Outside),
            (rect(100.0, 0.0, 5.0, 5.0), Lies::Outside),
            (
                Contour::open([point(-5.0, 25.0), point(105.0, 25.0)]),
                Lies::Across,
            ),
            (
                Contour::open([point(5.0, 25.0), point(95.0, 25.0)]),
                Lies::Inside,
            ),
        ] {
            assert_eq!(lies(&c, &part), expected, "{c:?}");
        }
    }

    #[test]
    fn most_overlap_and_nesting() {
        let (a, b) = (rect(0.0, 0.0, 50.0, 50.0), rect(50.0, 0.0, 50.0, 50.0));
        let f = rect(40.0, 10.0, 30.0, 5.0);
        assert!(share_inside(&f, &b) > share_inside(&f, &a));
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

    #[test]
    fn circles_are_told_from_other_round_things() {
        let c = circle(&Contour::circle(point(3.0, 4.0), 8.385_5)).unwrap();
        assert!(c.0.distance(point(3.0, 4.0)) < 1e-9 && (c.1 - 16.771).abs() < 1e-9);
        assert!(circle(&Contour::rectangle(point(0.0, 0.0), point(20.0, 10.0), 5.0)).is_none());
    }
}
