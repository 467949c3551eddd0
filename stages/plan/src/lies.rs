//! How contours lie to one another: inside, across, outside.

use grainway_geom::{Contour, Point};

/// Chords for the questions asked here deviate by this, mm.
const CHORD_MM: f64 = 0.05;
/// Points nearer than this to a boundary lie on it, mm: the import tolerance and a little of the chords'.
pub(crate) const ON_EDGE_MM: f64 = 0.02;

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

#[cfg(test)]
mod tests {
    use super::*;
    use grainway_geom::point;

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
}
