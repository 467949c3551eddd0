//! Least distances and crossings of segments in closed form, and a grid over many segments to ask for them quickly.

use super::{Bounds, Contour, Point, Segment, point};
use crate::tolerance::SAME_POINT_MM;

/// A computed crossing counts as lying on a segment when it is within this of it: rounding of coordinates of a few metres, with
/// room for the cancellation in a near-tangent root.
const ON_SEGMENT_MM: f64 = 1e-7;
/// More grid cells than this are never made; the cells get larger instead.
const MOST_CELLS: usize = 1 << 20;

/// Where two segments meet. Pieces that run along each other give the ends of the shared run.
pub fn intersections(a: &Segment, b: &Segment) -> Vec<Point> {
    let mut found = Vec::new();
    if !a.bounds().grown(ON_SEGMENT_MM).touches(b.bounds()) {
        return found;
    }
    let mut add = |p: Point| {
        let on_both = a.distance(p) <= ON_SEGMENT_MM && b.distance(p) <= ON_SEGMENT_MM;
        if on_both && !found.iter().any(|q: &Point| q.distance(p) <= ON_SEGMENT_MM) {
            found.push(p);
        }
    };
    // The ends come first: a meeting at a shared corner keeps the corner's own coordinates.
    for p in [a.start(), a.end()] {
        add(p);
    }
    for p in [b.start(), b.end()] {
        add(p);
    }
    for p in carrier_crossings(a, b) {
        add(p);
    }
    found
}

/// Where the whole lines and circles that carry two segments meet; a tangency within a nanometre counts once.
pub(super) fn carrier_crossings(a: &Segment, b: &Segment) -> Vec<Point> {
    match (*a, *b) {
        (Segment::Line { a: p, b: q }, Segment::Line { a: r, b: s }) => {
            let (u, v) = (q - p, s - r);
            let cross = u.cross(v);
            if cross.abs() <= 1e-12 * u.length() * v.length() {
                return Vec::new();
            }
            vec![p + u * ((r - p).cross(v) / cross)]
        }
        (Segment::Line { a, b }, Segment::Arc { centre, radius, .. })
        | (Segment::Arc { centre, radius, .. }, Segment::Line { a, b }) => {
            line_circle(a, b, centre, radius)
        }
        (
            Segment::Arc {
                centre: c1,
                radius: r1,
                ..
            },
            Segment::Arc {
                centre: c2,
                radius: r2,
                ..
            },
        ) => circle_circle(c1, r1, c2, r2),
    }
}

fn line_circle(a: Point, b: Point, centre: Point, radius: f64) -> Vec<Point> {
    let Some(u) = (b - a).normalized() else {
        return Vec::new();
    };
    let foot = a + u * (centre - a).dot(u);
    let off = (centre - a).cross(u).abs();
    let square = (radius - off) * (radius + off);
    if square < 0.0 {
        // A line that misses by less than this touches: its foot is then on both within the same bound.
        return if off - radius <= ON_SEGMENT_MM {
            vec![foot]
        } else {
            Vec::new()
        };
    }
    let half = square.sqrt();
    vec![foot - u * half, foot + u * half]
}

fn circle_circle(c1: Point, r1: f64, c2: Point, r2: f64) -> Vec<Point> {
    let d = c1.distance(c2);
    let Some(u) = (c2 - c1).normalized() else {
        return Vec::new();
    };
    let along = 0.5 * (d + (r1 - r2) * (r1 + r2) / d);
    let square = (r1 - along) * (r1 + along);
    if square < 0.0 {
        let apart = (d - r1 - r2).max((r1 - r2).abs() - d);
        return if apart <= ON_SEGMENT_MM {
            vec![c1 + u * r1.copysign(along)]
        } else {
            Vec::new()
        };
    }
    let half = square.sqrt();
    let foot = c1 + u * along;
    vec![foot - u.left() * half, foot + u.left() * half]
}

/// The least distance between two segments, mm, and a nearest point on each.
pub fn segment_distance(a: &Segment, b: &Segment) -> (f64, Point, Point) {
    if let Some(p) = intersections(a, b).first() {
        return (0.0, *p, *p);
    }
    let mut best = (f64::INFINITY, a.start(), b.start());
    let mut from_a = |p: Point| {
        let q = b.nearest_point(p);
        let d = p.distance(q);
        if d < best.0 {
            best = (d, p, q);
        }
    };
    from_a(a.start());
    from_a(a.end());
    // Away from ends the joining line is normal to both: it passes the centre of each circle and is square to each line.
    for p in normal_points(a, b) {
        from_a(p);
    }
    let mut from_b = |q: Point| {
        let p = a.nearest_point(q);
        let d = p.distance(q);
        if d < best.0 {
            best = (d, p, q);
        }
    };
    from_b(b.start());
    from_b(b.end());
    for q in normal_points(b, a) {
        from_b(q);
    }
    best
}

/// Points of the arc `a` on the common normal with `b`; none when `a` is a line.
fn normal_points(a: &Segment, b: &Segment) -> impl Iterator<Item = Point> + use<> {
    let mut points = [None; 2];
    if let Segment::Arc { centre, radius, .. } = *a {
        let towards = match *b {
            Segment::Line { a: p, b: q } => (q - p).normalized().map(Point::left),
            Segment::Arc { centre: c, .. } => (c - centre).normalized(),
        };
        if let Some(u) = towards {
            for (slot, u) in points.iter_mut().zip([u, -u]) {
                if a.passes(u) {
                    *slot = Some(centre + u * radius);
                }
            }
        }
    }
    points.into_iter().flatten()
}

/// Least distance from a point to a box, mm; 0 inside.
fn box_distance(b: Bounds, p: Point) -> f64 {
    let dx = (b.min.x - p.x).max(p.x - b.max.x).max(0.0);
    let dy = (b.min.y - p.y).max(p.y - b.max.y).max(0.0);
    point(dx, dy).length()
}

/// Least distance between two boxes, mm; 0 when they share a point.
fn boxes_distance(a: Bounds, b: Bounds) -> f64 {
    let dx = (b.min.x - a.max.x).max(a.min.x - b.max.x).max(0.0);
    let dy = (b.min.y - a.max.y).max(a.min.y - b.max.y).max(0.0);
    point(dx, dy).length()
}

/// Pairs (lower number first, in order) of boxes that lie within `within` mm of each other, seen along x and y alone.
///
/// ```
/// use grainway_geom::{Contour, near_pairs, point};
/// let square = |x: f64| Contour::rectangle(point(x, 0.0), point(x + 10.0, 10.0), 0.0).bounds();
/// assert_eq!(near_pairs(&[square(0.0), square(40.0), square(12.0)], 2.0), [(0, 2)]);
/// ```
pub fn near_pairs(boxes: &[Bounds], within: f64) -> Vec<(usize, usize)> {
    let mut by_left: Vec<usize> = (0..boxes.len()).collect();
    by_left.sort_by(|a, b| boxes[*a].min.x.total_cmp(&boxes[*b].min.x));
    let mut pairs = Vec::new();
    for (at, &i) in by_left.iter().enumerate() {
        let reach = boxes[i].grown(within);
        let beside = by_left[at + 1..]
            .iter()
            .take_while(|j| boxes[**j].min.x <= reach.max.x);
        pairs.extend(
            beside
                .filter(|j| reach.touches(boxes[**j]))
                .map(|j| (i.min(*j), i.max(*j))),
        );
    }
    pairs.sort_unstable();
    pairs
}

/// A uniform grid over segments.
///
/// ```
/// use grainway_geom::{Contour, SegmentIndex, point};
/// let plate = Contour::rectangle(point(0.0, 0.0), point(100.0, 60.0), 8.0);
/// let index = SegmentIndex::new(plate.segments());
/// assert!(index.contains(point(50.0, 30.0)));
/// let (distance, nearest, _) = index.nearest(point(50.0, 70.0), f64::INFINITY).unwrap();
/// assert!((distance - 10.0).abs() < 1e-9 && nearest.distance(point(50.0, 60.0)) < 1e-9);
/// assert!(index.nearest(point(50.0, 70.0), 5.0).is_none(), "nothing within 5 mm");
/// ```
#[derive(Clone, Debug)]
pub struct SegmentIndex {
    segments: Vec<Segment>,
    boxes: Vec<Bounds>,
    bounds: Bounds,
    cell: f64,
    columns: usize,
    rows: usize,
    /// `members[starts[c]..starts[c + 1]]` are the segments that may pass cell `c`.
    starts: Vec<u32>,
    members: Vec<u32>,
}

impl SegmentIndex {
    /// An index over the segments; those with coordinates that are not finite numbers are left out of every answer.
    pub fn new(segments: impl IntoIterator<Item = Segment>) -> SegmentIndex {
        let segments: Vec<Segment> = segments
            .into_iter()
            .filter(|s| s.start().is_finite() && s.end().is_finite() && s.length().is_finite())
            .collect();
        let boxes: Vec<Bounds> = segments.iter().map(Segment::bounds).collect();
        let bounds = boxes.iter().fold(Bounds::EMPTY, |b, s| b.union(*s));
        let total: f64 = segments.iter().map(Segment::length).sum();
        let (w, h) = (bounds.width(), bounds.height());
        let n = segments.len().max(1) as f64;
        // About one segment a cell along the contour, and no more cells in all than four a segment.
        let cell = (total / n)
            .max((w * h / (4.0 * n)).sqrt())
            .max(w.max(h) / 4_000.0)
            .max(1e-3);
        let count = |extent: f64| ((extent / cell) as usize + 1).min(MOST_CELLS);
        let (mut columns, mut rows) = (count(w), count(h));
        let mut cell = cell;
        while columns.saturating_mul(rows) > MOST_CELLS {
            cell *= 2.0;
            columns = (w / cell) as usize + 1;
            rows = (h / cell) as usize + 1;
        }
        let mut index = SegmentIndex {
            segments,
            boxes,
            bounds,
            cell,
            columns,
            rows,
            starts: Vec::new(),
            members: Vec::new(),
        };
        index.fill();
        index
    }

    fn fill(&mut self) {
        // Boxes of cells first, then two passes over them: count, place. A segment meets each cell of its own boxes once; the
        // last one counted tells repeats, since segments come in order.
        let mut areas: Vec<(u32, [u32; 4])> = Vec::with_capacity(self.segments.len());
        for (i, s) in self.segments.iter().enumerate() {
            let pieces = (s.length() / (2.0 * self.cell)).ceil().clamp(1.0, 1e6) as usize;
            for k in 0..pieces {
                let area = if pieces == 1 {
                    self.boxes[i]
                } else {
                    let share = |k: usize| k as f64 / pieces as f64;
                    s.piece(share(k), share(k + 1)).bounds()
                };
                let (x0, x1, y0, y1) = self.cells(area.grown(ON_SEGMENT_MM));
                areas.push((i as u32, [x0, x1, y0, y1].map(|v| v as u32)));
            }
        }
        let columns = self.columns;
        let each = |areas: &[(u32, [u32; 4])], visit: &mut dyn FnMut(usize, u32)| {
            for (i, [x0, x1, y0, y1]) in areas {
                for y in *y0..=*y1 {
                    for x in *x0..=*x1 {
                        visit(y as usize * columns + x as usize, *i);
                    }
                }
            }
        };
        let cells = self.columns * self.rows;
        let mut last = vec![u32::MAX; cells];
        let mut starts = vec![0u32; cells + 1];
        each(&areas, &mut |c, i| {
            if last[c] != i {
                last[c] = i;
                starts[c + 1] += 1;
            }
        });
        for c in 0..cells {
            starts[c + 1] += starts[c];
        }
        let mut members = vec![0u32; starts[cells] as usize];
        let mut next = starts.clone();
        last.fill(u32::MAX);
        each(&areas, &mut |c, i| {
            if last[c] != i {
                last[c] = i;
                members[next[c] as usize] = i;
                next[c] += 1;
            }
        });
        self.starts = starts;
        self.members = members;
    }

    /// The cells (first and last column, first and last row) that a box overlaps, clamped to the grid.
    fn cells(&self, b: Bounds) -> (usize, usize, usize, usize) {
        let at = |v: f64, origin: f64, count: usize| {
            (((v - origin) / self.cell).floor().max(0.0) as usize).min(count - 1)
        };
        (
            at(b.min.x, self.bounds.min.x, self.columns),
            at(b.max.x, self.bounds.min.x, self.columns),
            at(b.min.y, self.bounds.min.y, self.rows),
            at(b.max.y, self.bounds.min.y, self.rows),
        )
    }

    fn members(&self, column: usize, row: usize) -> &[u32] {
        let c = row * self.columns + column;
        &self.members[self.starts[c] as usize..self.starts[c + 1] as usize]
    }

    /// The segments, in the order given.
    pub fn segments(&self) -> &[Segment] {
        &self.segments
    }

    /// Holds no segment.
    pub fn is_empty(&self) -> bool {
        self.segments.is_empty()
    }

    /// The segments, those of a closed contour, wind around `p` (non-zero rule): [`Contour::contains`] at the cost of the cells to
    /// the right of `p` in its row. Points on the boundary may come out either way.
    pub fn contains(&self, p: Point) -> bool {
        if self.is_empty() || !self.bounds.contains(p) {
            return false;
        }
        let (first, _, row, _) = self.cells(Bounds { min: p, max: p });
        let mut crossed: Vec<u32> = (first..self.columns)
            .flat_map(|column| self.members(column, row))
            .copied()
            .filter(|i| {
                let b = self.boxes[*i as usize];
                b.min.y <= p.y && p.y <= b.max.y && p.x <= b.max.x
            })
            .collect();
        crossed.sort_unstable();
        crossed.dedup();
        let winding = |i: &u32| self.segments[*i as usize].winding(p);
        crossed.iter().map(winding).sum::<i32>() != 0
    }

    /// The least distance from `p` to the segments, mm, and where on them; `None` when that is more than `at_most`.
    pub fn distance_to_point(&self, p: Point, at_most: f64) -> Option<(f64, Point)> {
        self.nearest(p, at_most).map(|(d, q, _)| (d, q))
    }

    /// The same with the number of the segment. Of equally near segments the first found in the grid counts.
    pub fn nearest(&self, p: Point, at_most: f64) -> Option<(f64, Point, usize)> {
        if self.is_empty() || !p.is_finite() {
            return None;
        }
        let mut best: Option<(f64, Point, usize)> = None;
        let mut limit = at_most;
        let mut look = |column: usize, row: usize, limit: &mut f64| {
            for &i in self.members(column, row) {
                let i = i as usize;
                if box_distance(self.boxes[i], p) > *limit {
                    continue;
                }
                let q = self.segments[i].nearest_point(p);
                let d = q.distance(p);
                if d <= *limit && best.is_none_or(|(b, _, j)| d < b || (d <= b && i < j)) {
                    best = Some((d, q, i));
                    *limit = d;
                }
            }
        };
        if limit <= 2.0 * self.cell {
            // A short reach: the few cells around, without going round in rings.
            let reach = Bounds { min: p, max: p }.grown(limit.max(0.0));
            if reach.touches(self.bounds) {
                let (x0, x1, y0, y1) = self.cells(reach);
                for y in y0..=y1 {
                    for x in x0..=x1 {
                        look(x, y, &mut limit);
                    }
                }
            }
            return best;
        }
        let home = |v: f64, origin: f64| ((v - origin) / self.cell).floor().clamp(-1e9, 1e9) as i64;
        let (cx, cy) = (home(p.x, self.bounds.min.x), home(p.y, self.bounds.min.y));
        let (columns, rows) = (self.columns as i64, self.rows as i64);
        // Square rings of cells around p's own; a point off the grid starts at the first ring that reaches it.
        let first = (-cx)
            .max(cx - columns + 1)
            .max(-cy)
            .max(cy - rows + 1)
            .max(0);
        let last = cx.max(columns - 1 - cx).max(cy).max(rows - 1 - cy);
        for ring in first..=last {
            if (ring - 1) as f64 * self.cell > limit {
                break;
            }
            let mut visit = |x: i64, y: i64| look(x as usize, y as usize, &mut limit);
            let (x0, x1) = ((cx - ring).max(0), (cx + ring).min(columns - 1));
            for y in (cy - ring).max(0)..=(cy + ring).min(rows - 1) {
                if (y - cy).abs() == ring {
                    for x in x0..=x1 {
                        visit(x, y);
                    }
                } else {
                    if cx - ring >= 0 && cx - ring < columns {
                        visit(cx - ring, y);
                    }
                    if ring > 0 && cx + ring >= 0 && cx + ring < columns {
                        visit(cx + ring, y);
                    }
                }
            }
        }
        best
    }

    /// The least distance between `segment` and the indexed ones, mm, and where on `segment`; `None` when that is more than
    /// `at_most`.
    pub fn distance_to_segment(&self, segment: &Segment, at_most: f64) -> Option<(f64, Point)> {
        let mut best: Option<(f64, Point)> = None;
        let mut limit = at_most;
        let around = segment.bounds();
        for i in self.near(segment, at_most) {
            if boxes_distance(self.boxes[i], around) > limit {
                continue;
            }
            let (d, p, _) = segment_distance(segment, &self.segments[i]);
            if d <= limit && best.is_none_or(|(b, _)| d < b) {
                best = Some((d, p));
                limit = d;
                if d <= 0.0 {
                    break;
                }
            }
        }
        best
    }

    /// The numbers, ascending, of the segments that may lie within `within` mm of `segment`: none nearer is missing, some may be
    /// farther.
    pub fn near(&self, segment: &Segment, within: f64) -> Vec<usize> {
        let mut found = Vec::new();
        if self.is_empty() || !(segment.start().is_finite() && segment.end().is_finite()) {
            return found;
        }
        let reach = within.clamp(0.0, 1e9) + ON_SEGMENT_MM;
        let pieces = (segment.length() / (4.0 * self.cell + reach))
            .ceil()
            .clamp(1.0, 1e5) as usize;
        for k in 0..pieces {
            let share = |k: usize| k as f64 / pieces as f64;
            let area = segment.piece(share(k), share(k + 1)).bounds().grown(reach);
            if !area.touches(self.bounds) {
                continue;
            }
            let (x0, x1, y0, y1) = self.cells(area);
            for y in y0..=y1 {
                for x in x0..=x1 {
                    let members = self.members(x, y).iter().map(|i| *i as usize);
                    found.extend(members.filter(|i| self.boxes[*i].touches(area)));
                }
            }
        }
        found.sort_unstable();
        found.dedup();
        found
    }
}

/// A place where the contour crosses or touches itself; `None` when it is simple. Neighbouring pieces may share their common
/// corner and nothing else.
pub fn self_crossing(contour: &Contour) -> Option<Point> {
    let contour = contour.without_repeats(SAME_POINT_MM);
    let segments: Vec<Segment> = contour.segments().collect();
    let n = segments.len();
    let index = SegmentIndex::new(segments.iter().copied());
    if index.segments().len() < n {
        return contour
            .vertices
            .iter()
            .map(|v| v.at)
            .find(|p| p.is_finite());
    }
    for (i, s) in segments.iter().enumerate() {
        for j in index.near(s, 0.0) {
            if j <= i {
                continue;
            }
            let next = j == i + 1;
            let around = contour.closed && i == 0 && j + 1 == n;
            let shared = |p: &Point| {
                (next && p.distance(s.end()) <= SAME_POINT_MM)
                    || (around && p.distance(s.start()) <= SAME_POINT_MM)
            };
            if let Some(p) = intersections(s, &segments[j])
                .into_iter()
                .find(|p| !shared(p))
            {
                return Some(p);
            }
        }
    }
    None
}
