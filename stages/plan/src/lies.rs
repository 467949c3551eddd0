//! How contours lie to one another: inside, across, outside.

use grainway_geom::{Bounds, Contour, Point, SegmentIndex};
use std::cell::OnceCell;

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

/// A closed contour that others are held against. Its pieces are indexed, so that a look at one place costs little more with 20,000
/// of them than with four.
pub(crate) struct Outer<'c> {
    pub(crate) contour: &'c Contour,
    pub(crate) index: SegmentIndex,
    bounds: Bounds,
    /// Places all along it, made when somebody first asks for them.
    places: OnceCell<Vec<Point>>,
}

impl<'c> Outer<'c> {
    pub(crate) fn new(contour: &'c Contour) -> Outer<'c> {
        Outer {
            contour,
            index: SegmentIndex::new(contour.segments()),
            bounds: contour.bounds(),
            places: OnceCell::new(),
        }
    }

    pub(crate) fn contains(&self, p: Point) -> bool {
        self.contour.closed && self.index.contains(p)
    }

    /// `p` lies off its line, on the inner side or on the outer.
    fn side(&self, p: Point) -> Option<bool> {
        count_look();
        let on_edge = self.index.distance_to_point(p, ON_EDGE_MM).is_some();
        (!on_edge).then(|| self.contains(p))
    }

    /// How `contour` lies to it.
    pub(crate) fn lies(&self, contour: &Contour) -> Lies {
        let own = contour.bounds();
        if !own.grown(ON_EDGE_MM).touches(self.bounds) {
            return Lies::Outside;
        }
        let (mut inside, mut outside) = (false, false);
        for p in places(contour) {
            match self.side(p) {
                Some(true) => inside = true,
                Some(false) => outside = true,
                None => continue,
            }
            if inside && outside {
                return Lies::Across;
            }
        }
        if !outside {
            return Lies::Inside;
        }
        // No place of it lies inside: it may go round the other, or run through it between two places.
        if self.reaches_into(contour, own) || self.is_crossed_by(contour) {
            return Lies::Across;
        }
        Lies::Outside
    }

    /// A place of it lies inside `contour`.
    fn reaches_into(&self, contour: &Contour, bounds: Bounds) -> bool {
        let within = self.places.get_or_init(|| places(self.contour).collect());
        let mut within = within.iter().filter(|p| bounds.contains(**p)).peekable();
        if !contour.closed || within.peek().is_none() {
            return false;
        }
        let other = Outer::new(contour);
        within.any(|p| other.side(*p) == Some(true))
    }

    /// Sampled at every half millimetre, an inner stretch of the contour lies inside.
    fn is_crossed_by(&self, contour: &Contour) -> bool {
        contour.segments().any(|s| {
            if !s.bounds().touches(self.bounds) {
                return false;
            }
            let n = ((s.length() / 0.5).ceil() as usize).clamp(2, 4000);
            (1..n)
                .map(|i| s.at(i as f64 / n as f64))
                .any(|p| self.side(p) == Some(true))
        })
    }
}

/// Places all along a contour: its corners, those of its chords, and the middles of its pieces.
fn places(contour: &Contour) -> impl Iterator<Item = Point> {
    let corners = contour.flattened(CHORD_MM).into_iter();
    corners.chain(contour.segments().map(|s| s.at(0.5)))
}

/// How `contour` lies to the closed `outer`, where that is asked once.
pub(crate) fn lies(contour: &Contour, outer: &Contour) -> Lies {
    Outer::new(outer).lies(contour)
}

#[cfg(not(test))]
fn count_look() {}
#[cfg(test)]
use tests::count_look;

#[cfg(test)]
pub(crate) mod tests {
    use super::*;
    use grainway_geom::point;

    thread_local! {
        static LOOKS: std::cell::Cell<usize> = const { std::cell::Cell::new(0) };
    }

    /// A place was held against a contour.
    pub(super) fn count_look() {
        LOOKS.set(LOOKS.get() + 1);
    }

    /// Looks taken by `f`, for tests that hold work against the size of a drawing.
    pub(crate) fn looks(f: impl FnOnce()) -> usize {
        LOOKS.set(0);
        f();
        LOOKS.get()
    }

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
