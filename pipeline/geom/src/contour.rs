//! Runs of lines and arcs, closed or open, and regions bounded by them.

use super::{Bounds, Placing, Point, Segment, point};
use serde::{Deserialize, Serialize};

/// A corner of a contour and how the contour leaves it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Vertex {
    /// Where, mm.
    pub at: Point,
    /// How it goes on to the next vertex: tan of a quarter of the arc's included angle, negative clockwise, 0 straight.
    pub bulge: f64,
}

/// A run of lines and true arcs.
///
/// ```
/// use grainway_geom::{Contour, Vertex, point};
/// use std::f64::consts::PI;
/// // A slot of two straight sides and two half circles: bulge 1 is half a turn counter-clockwise.
/// let vertex = |x: f64, y: f64, bulge: f64| Vertex { at: point(x, y), bulge };
/// let slot = Contour {
///     vertices: vec![
///         vertex(0.0, 0.0, 0.0),
///         vertex(30.0, 0.0, 1.0),
///         vertex(30.0, 8.0, 0.0),
///         vertex(0.0, 8.0, 1.0),
///     ],
///     closed: true,
/// };
/// assert!((slot.length() - (60.0 + 8.0 * PI)).abs() < 1e-9);
/// assert!((slot.area() - (240.0 + 16.0 * PI)).abs() < 1e-9, "positive: it runs counter-clockwise");
/// ```
///
/// Serialised as `{"closed": …, "xyb": [x, y, bulge, …]}`.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(from = "Flat", into = "Flat")]
pub struct Contour {
    /// The corners in order. The last one's bulge matters only when closed.
    pub vertices: Vec<Vertex>,
    /// The last vertex goes on to the first.
    pub closed: bool,
}

#[derive(Serialize, Deserialize)]
struct Flat {
    closed: bool,
    xyb: Vec<f64>,
}

impl From<Flat> for Contour {
    fn from(flat: Flat) -> Self {
        let vertices = flat
            .xyb
            .chunks_exact(3)
            .map(|c| Vertex {
                at: point(c[0], c[1]),
                bulge: c[2],
            })
            .collect();
        Contour {
            vertices,
            closed: flat.closed,
        }
    }
}

impl From<Contour> for Flat {
    fn from(contour: Contour) -> Self {
        let xyb = contour
            .vertices
            .iter()
            .flat_map(|v| [v.at.x, v.at.y, v.bulge])
            .collect();
        Flat {
            closed: contour.closed,
            xyb,
        }
    }
}

impl Contour {
    /// A closed polygon through the points.
    pub fn polygon(points: impl IntoIterator<Item = Point>) -> Contour {
        Contour {
            vertices: points
                .into_iter()
                .map(|at| Vertex { at, bulge: 0.0 })
                .collect(),
            closed: true,
        }
    }
    /// An open run through the points.
    pub fn open(points: impl IntoIterator<Item = Point>) -> Contour {
        Contour {
            closed: false,
            ..Contour::polygon(points)
        }
    }
    /// A circle, counter-clockwise, starting at its rightmost point.
    pub fn circle(centre: Point, radius: f64) -> Contour {
        let vertex = |x: f64| Vertex {
            at: point(centre.x + x, centre.y),
            bulge: 1.0,
        };
        Contour {
            vertices: vec![vertex(radius), vertex(-radius)],
            closed: true,
        }
    }
    /// The circle that this contour is, when all its pieces are arcs of one circle within `tolerance` mm: centre and diameter.
    pub fn as_circle(&self, tolerance: f64) -> Option<(Point, f64)> {
        if !self.closed {
            return None;
        }
        let mut found: Option<(Point, f64)> = None;
        let mut turn = 0.0;
        for s in self.segments() {
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
            if centre.distance(c) > tolerance || (radius - r).abs() > tolerance {
                return None;
            }
            turn += sweep;
        }
        let (centre, radius) = found?;
        // One whole turn; an arc and its way back would be none.
        ((turn.abs() - std::f64::consts::TAU).abs() < 1e-3).then_some((centre, 2.0 * radius))
    }
    /// A rectangle between two opposite corners, counter-clockwise, its corners rounded by `corner` mm (0: sharp).
    pub fn rectangle(min: Point, max: Point, corner: f64) -> Contour {
        let most = 0.5 * (max.x - min.x).min(max.y - min.y);
        let r = corner.clamp(0.0, most.max(0.0));
        if r <= 0.0 {
            return Contour::polygon([min, point(max.x, min.y), max, point(min.x, max.y)]);
        }
        let quarter = (std::f64::consts::PI / 8.0).tan();
        let v = |x, y, bulge| Vertex {
            at: point(x, y),
            bulge,
        };
        let contour = Contour {
            vertices: vec![
                v(min.x + r, min.y, 0.0),
                v(max.x - r, min.y, quarter),
                v(max.x, min.y + r, 0.0),
                v(max.x, max.y - r, quarter),
                v(max.x - r, max.y, 0.0),
                v(min.x + r, max.y, quarter),
                v(min.x, max.y - r, 0.0),
                v(min.x, min.y + r, quarter),
            ],
            closed: true,
        };
        contour.without_repeats(1e-9)
    }
    /// A rectangle between two opposite corners, counter-clockwise, rounded by `radius` mm (at most half of its shorter side) at those of its
    /// corners that a test picks.
    pub fn rectangle_rounded_at(
        min: Point,
        max: Point,
        radius: f64,
        rounded: impl Fn(Point) -> bool,
    ) -> Contour {
        let most = 0.5 * (max.x - min.x).min(max.y - min.y);
        let r = radius.clamp(0.0, most.max(0.0));
        let quarter = (std::f64::consts::PI / 8.0).tan();
        // Each corner with the ways of the edges that come to it and leave it.
        let (right, up) = (point(1.0, 0.0), point(0.0, 1.0));
        let corners = [
            (min, -up, right),
            (point(max.x, min.y), right, up),
            (max, up, -right),
            (point(min.x, max.y), -right, -up),
        ];
        let mut vertices = Vec::new();
        for (at, into, out) in corners {
            let mut v = |at, bulge| vertices.push(Vertex { at, bulge });
            if r > 0.0 && rounded(at) {
                v(at - into * r, quarter);
                v(at + out * r, 0.0);
            } else {
                v(at, 0.0);
            }
        }
        let contour = Contour {
            vertices,
            closed: true,
        };
        contour.without_repeats(1e-9)
    }
    /// The contour that follows the segments, each starting where the one before ends. Full circles are split in two.
    pub fn from_segments(segments: &[Segment], closed: bool) -> Contour {
        let mut vertices = Vec::with_capacity(segments.len() + 1);
        for segment in segments {
            match segment {
                Segment::Arc { sweep, .. } if sweep.abs() > 1.9 * std::f64::consts::PI => {
                    for half in [segment.piece(0.0, 0.5), segment.piece(0.5, 1.0)] {
                        vertices.push(Vertex {
                            at: half.start(),
                            bulge: half.bulge(),
                        });
                    }
                }
                _ => vertices.push(Vertex {
                    at: segment.start(),
                    bulge: segment.bulge(),
                }),
            }
        }
        if let (false, Some(last)) = (closed, segments.last()) {
            vertices.push(Vertex {
                at: last.end(),
                bulge: 0.0,
            });
        }
        Contour { vertices, closed }
    }
    /// Its pieces in order.
    pub fn segments(&self) -> impl Iterator<Item = Segment> + '_ {
        let n = self.vertices.len();
        let count = if self.closed { n } else { n.saturating_sub(1) };
        (0..count).map(move |i| {
            let v = self.vertices[i];
            Segment::from_bulge(v.at, self.vertices[(i + 1) % n].at, v.bulge)
        })
    }
    /// Has no piece.
    pub fn is_empty(&self) -> bool {
        self.vertices.len() < 2
    }
    /// Where it starts; `None` when it has no vertex.
    pub fn start(&self) -> Option<Point> {
        self.vertices.first().map(|v| v.at)
    }
    /// Where it ends (its start, when closed).
    pub fn end(&self) -> Option<Point> {
        if self.closed {
            self.start()
        } else {
            self.vertices.last().map(|v| v.at)
        }
    }
    /// Length along it, mm.
    pub fn length(&self) -> f64 {
        self.segments().map(|s| s.length()).sum()
    }
    /// Enclosed area with its arcs, mm², positive counter-clockwise; 0 when open.
    pub fn area(&self) -> f64 {
        if !self.closed || self.is_empty() {
            return 0.0;
        }
        // Relative to the first vertex, so that a small part far from the origin loses no digits.
        let origin = self.vertices[0].at;
        self.segments()
            .map(|s| {
                let chord = 0.5 * (s.start() - origin).cross(s.end() - origin);
                match s {
                    Segment::Line { .. } => chord,
                    Segment::Arc { radius, sweep, .. } => {
                        chord + 0.5 * radius * radius * (sweep - sweep.sin())
                    }
                }
            })
            .sum()
    }
    /// The smallest box around it.
    pub fn bounds(&self) -> Bounds {
        let start = Bounds::of(self.vertices.iter().map(|v| v.at));
        self.segments().fold(start, |b, s| b.union(s.bounds()))
    }
    /// The same run backwards.
    pub fn reversed(&self) -> Contour {
        let n = self.vertices.len();
        let vertices = (0..n)
            .map(|i| {
                let at = self.vertices[n - 1 - i].at;
                // The piece that left vertex j now arrives at it; the bulge of the piece before it is taken, negated.
                let before = (2 * n - 2 - i) % n;
                let bulge = if self.closed || i + 1 < n {
                    -self.vertices[before].bulge
                } else {
                    0.0
                };
                Vertex { at, bulge }
            })
            .collect();
        Contour {
            vertices,
            closed: self.closed,
        }
    }
    /// Counter-clockwise (`true`) or clockwise; an open one is returned as it is.
    pub fn oriented(self, counter_clockwise: bool) -> Contour {
        if self.closed && (self.area() > 0.0) != counter_clockwise {
            self.reversed()
        } else {
            self
        }
    }
    /// Seen from behind: every x becomes `width` less x. A closed contour keeps its sense, an open one its direction.
    ///
    /// ```
    /// use grainway_geom::{Contour, point};
    /// let seen = Contour::rectangle(point(10.0, 5.0), point(30.0, 15.0), 0.0);
    /// let behind = seen.mirrored_along(100.0);
    /// assert_eq!(behind.bounds().min, point(70.0, 5.0));
    /// assert!((behind.area() - seen.area()).abs() < 1e-9);
    /// ```
    pub fn mirrored_along(&self, width: f64) -> Contour {
        self.mirrored(|p| point(width - p.x, p.y))
    }
    /// Seen from behind: every y becomes `height` less y.
    pub fn mirrored_across(&self, height: f64) -> Contour {
        self.mirrored(|p| point(p.x, height - p.y))
    }
    fn mirrored(&self, place: impl Fn(Point) -> Point) -> Contour {
        let vertices = self.vertices.iter().map(|v| Vertex {
            at: place(v.at),
            bulge: -v.bulge,
        });
        let mirrored = Contour {
            vertices: vertices.collect(),
            closed: self.closed,
        };
        match self.closed {
            true => mirrored.reversed(),
            false => mirrored,
        }
    }
    /// Turned and moved.
    pub fn placed(&self, placing: &Placing) -> Contour {
        let vertices = self
            .vertices
            .iter()
            .map(|v| Vertex {
                at: placing.point(v.at),
                bulge: v.bulge,
            })
            .collect();
        Contour {
            vertices,
            closed: self.closed,
        }
    }
    /// Shifted by `by` mm.
    pub fn shifted(&self, by: Point) -> Contour {
        self.placed(&Placing::shift(by))
    }
    /// Without vertices nearer than `within` mm to the one before.
    pub fn without_repeats(&self, within: f64) -> Contour {
        let mut vertices: Vec<Vertex> = Vec::with_capacity(self.vertices.len());
        for v in &self.vertices {
            match vertices.last_mut() {
                Some(last) if last.at.distance(v.at) <= within => last.bulge = v.bulge,
                _ => vertices.push(*v),
            }
        }
        if self.closed {
            while vertices.len() > 1
                && vertices[0].at.distance(vertices[vertices.len() - 1].at) <= within
            {
                vertices.pop();
            }
        }
        Contour {
            vertices,
            closed: self.closed,
        }
    }
    /// Distance from `p` to the nearest point of it, mm; infinite when it has no piece.
    pub fn distance(&self, p: Point) -> f64 {
        self.segments()
            .map(|s| s.distance(p))
            .fold(f64::INFINITY, f64::min)
    }
    /// The nearest point of it to `p`, and the length along it from the start to there.
    pub fn nearest(&self, p: Point) -> Option<(Point, f64)> {
        let mut before = 0.0;
        let mut best: Option<(Point, f64)> = None;
        for s in self.segments() {
            let (q, t) = s.nearest(p);
            if best.is_none_or(|(b, _)| q.distance(p) < b.distance(p)) {
                best = Some((q, before + t * s.length()));
            }
            before += s.length();
        }
        best
    }
    /// The point `along` mm from the start and the unit direction of travel there. Who asks often takes [`Contour::measured`].
    pub fn at_length(&self, along: f64) -> Option<(Point, Point)> {
        self.measured().at_length(along)
    }
    /// Its pieces with the length at which each ends.
    pub fn measured(&self) -> Measured {
        let mut end = 0.0;
        let pieces = self.segments().map(|s| {
            end += s.length();
            (s, end)
        });
        Measured {
            pieces: pieces.collect(),
        }
    }
    /// The closed contour winds around `p` (non-zero rule). Points on the boundary may come out either way.
    pub fn contains(&self, p: Point) -> bool {
        if !self.closed {
            return false;
        }
        self.segments().map(|s| s.winding(p)).sum::<i32>() != 0
    }
    /// Its vertices with arcs as chords that deviate by at most `tolerance` mm. A closed one does not repeat its first point.
    pub fn flattened(&self, tolerance: f64) -> Vec<Point> {
        let mut points = Vec::with_capacity(self.vertices.len() * 2);
        for s in self.segments() {
            let n = s.chords(tolerance);
            points.extend((0..n).map(|i| s.at(i as f64 / n as f64)));
        }
        if !self.closed {
            points.extend(self.end());
        }
        points
    }
    /// All coordinates and bulges are finite numbers.
    pub fn is_finite(&self) -> bool {
        self.vertices
            .iter()
            .all(|v| v.at.is_finite() && v.bulge.is_finite())
    }
}

/// A contour whose places are found by the length along it.
#[derive(Clone, Debug)]
pub struct Measured {
    /// Each with the length at which it ends.
    pieces: Vec<(Segment, f64)>,
}

impl Measured {
    /// The point `along` mm from the start and the unit direction of travel there; the end, where it is not as long.
    pub fn at_length(&self, along: f64) -> Option<(Point, Point)> {
        let along = along.max(0.0);
        let first = self.pieces.partition_point(|(_, end)| *end < along);
        if let Some((s, end)) = self.pieces.get(first) {
            let length = s.length();
            let left = length - (end - along);
            let t = if length > 0.0 {
                (left / length).clamp(0.0, 1.0)
            } else {
                0.0
            };
            return s.direction(t).map(|d| (s.at(t), d));
        }
        let mut backwards = self.pieces.iter().rev();
        backwards.find_map(|(s, _)| s.direction(1.0).map(|d| (s.end(), d)))
    }
}

/// An area bounded by one outer contour, counter-clockwise, less its holes, clockwise.
///
/// ```
/// use grainway_geom::{Contour, Region, point};
/// let frame = Region {
///     outer: Contour::rectangle(point(0.0, 0.0), point(60.0, 40.0), 0.0),
///     holes: vec![Contour::rectangle(point(10.0, 10.0), point(50.0, 30.0), 0.0).oriented(false)],
/// };
/// assert!((frame.area() - 1600.0).abs() < 1e-9);
/// assert!(frame.contains(point(5.0, 20.0)) && !frame.contains(point(30.0, 20.0)));
/// ```
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Region {
    /// The outer boundary, counter-clockwise.
    pub outer: Contour,
    /// Islands left standing, clockwise.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub holes: Vec<Contour>,
}

impl Region {
    /// The area inside a closed contour, whichever way it runs.
    pub fn inside(contour: Contour) -> Region {
        Region {
            outer: contour.oriented(true),
            holes: Vec::new(),
        }
    }
    /// Outer boundary and holes.
    pub fn contours(&self) -> impl Iterator<Item = &Contour> {
        std::iter::once(&self.outer).chain(&self.holes)
    }
    /// Area, mm².
    pub fn area(&self) -> f64 {
        self.contours().map(Contour::area).sum()
    }
    /// The smallest box around it.
    pub fn bounds(&self) -> Bounds {
        self.outer.bounds()
    }
    /// `p` lies in it. Points on a boundary may come out either way.
    pub fn contains(&self, p: Point) -> bool {
        self.outer.contains(p) && !self.holes.iter().any(|h| h.contains(p))
    }
    /// Distance from `p` to the nearest boundary, mm.
    pub fn distance(&self, p: Point) -> f64 {
        self.contours()
            .map(|c| c.distance(p))
            .fold(f64::INFINITY, f64::min)
    }
    /// Turned and moved.
    pub fn placed(&self, placing: &Placing) -> Region {
        Region {
            outer: self.outer.placed(placing),
            holes: self.holes.iter().map(|h| h.placed(placing)).collect(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::PI;

    #[test]
    fn rounded_rectangle_has_the_area_of_the_formula() {
        // w·h − (4−π)r², docs/references.md, section DXF: 100 × 50 with r 10 is 4914.159265, perimeter 282.831853.
        let c = Contour::rectangle(point(0.0, 0.0), point(100.0, 50.0), 10.0);
        assert!((c.area() - 4_914.159_265).abs() < 1e-6);
        assert!((c.length() - 282.831_853).abs() < 1e-6);
        assert!((c.reversed().area() + c.area()).abs() < 1e-9);
        assert!((c.reversed().length() - c.length()).abs() < 1e-9);
    }

    #[test]
    fn circle_of_two_bulges() {
        let c = Contour::circle(point(3.0, 4.0), 10.0);
        assert!((c.area() - PI * 100.0).abs() < 1e-9);
        assert!(
            c.contains(point(3.0, 4.0))
                && c.contains(point(3.0, 13.9))
                && c.contains(point(3.0, -5.9))
        );
        assert!(!c.contains(point(3.0, 14.1)) && !c.contains(point(10.5, 11.5)));
    }

    #[test]
    fn contains_a_point_on_the_chord_of_its_arcs() {
        // The two half circles share the chord through the centre; the points lie on it to the last bit.
        let c = Contour::circle(point(3.0, 4.0), 10.0);
        for x in [-6.5, -1.0, 3.0, 7.25, 12.9] {
            assert!(c.contains(point(x, 4.0)) && c.reversed().contains(point(x, 4.0)));
        }
        assert!(!c.contains(point(-7.5, 4.0)) && !c.contains(point(13.5, 4.0)));
    }

    #[test]
    fn contains_agrees_with_fine_polygon() {
        let mut c = Contour::rectangle(point(0.0, 0.0), point(40.0, 30.0), 0.0);
        c.vertices[0].bulge = 1.7;
        c.vertices[1].bulge = -0.6;
        c.vertices[2].bulge = 0.3;
        let fine = Contour::polygon(c.flattened(1e-4));
        let index = crate::SegmentIndex::new(c.segments());
        let fine_index = crate::SegmentIndex::new(fine.segments());
        let mut inside = 0;
        for i in 0..60 {
            for j in 0..80 {
                let p = point(-9.87 + f64::from(i), -39.77 + f64::from(j));
                if c.distance(p) > 1e-3 {
                    assert_eq!(c.contains(p), fine.contains(p), "{p:?}");
                    assert_eq!(index.contains(p), c.contains(p), "{p:?}");
                    assert_eq!(fine_index.contains(p), c.contains(p), "{p:?}");
                    inside += u32::from(c.contains(p));
                }
            }
        }
        assert!(inside > 500);
    }

    #[test]
    fn dxf_bulge_examples() {
        // docs/references.md, section DXF: (0,0)→(10,0) with bulge 1 passes (5,−5); with −0.414213562 the top is (5, 2.071068).
        let s = Segment::from_bulge(point(0.0, 0.0), point(10.0, 0.0), 1.0);
        assert!(s.at(0.5).distance(point(5.0, -5.0)) < 1e-9);
        let s = Segment::from_bulge(point(0.0, 0.0), point(10.0, 0.0), -0.414_213_562);
        assert!(s.at(0.5).distance(point(5.0, 2.071_068)) < 1e-6);
    }

    #[test]
    fn circles_are_told_from_other_round_things() {
        let (centre, diameter) = Contour::circle(point(3.0, 4.0), 8.385_5)
            .as_circle(0.01)
            .unwrap();
        assert!(centre.distance(point(3.0, 4.0)) < 1e-9 && (diameter - 16.771).abs() < 1e-9);
        let rounded = Contour::rectangle(point(0.0, 0.0), point(20.0, 10.0), 5.0);
        assert!(rounded.as_circle(0.01).is_none());
    }
}
