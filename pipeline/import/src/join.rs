//! Runs of one layer joined end to end into contours, doubles dropped, small faults of drawing smoothed out.

use crate::entity::Run;
use grainway_geom::tolerance::SAME_POINT_MM;
use grainway_geom::{Bounds, Contour, Point, Segment, SegmentIndex, Vertex, intersections};
use grainway_pipeline::tolerance::IMPORT_MM;
use std::collections::{BTreeMap, BTreeSet};

/// A contour and the entities it was joined from.
#[derive(Clone, Debug)]
pub struct Joined {
    /// Cleaned, closed where its ends meet.
    pub contour: Contour,
    /// Indices given with the runs, in order of joining.
    pub entities: Vec<usize>,
}

/// What joining made of the runs of a layer.
#[derive(Clone, Debug, Default)]
pub struct Chains {
    /// Runs that are contours by themselves, then those joined from several.
    pub joined: Vec<Joined>,
    /// Runs that lie over another one: (the dropped, where it starts).
    pub doubles: Vec<(usize, Point)>,
}

/// Joins runs whose ends lie within `tolerance` mm.
pub fn join(runs: &[(usize, &Run)], tolerance: f64) -> Chains {
    let (kept, doubles) = drop_doubles(runs, tolerance);
    let mut joined = Vec::new();
    let mut open: Vec<(usize, &Run)> = Vec::new();
    for (entity, run) in kept {
        let (first, last) = (
            run.segments[0].start(),
            run.segments[run.segments.len() - 1].end(),
        );
        let length: f64 = run.segments.iter().map(Segment::length).sum();
        // A polyline that is not flagged closed but whose ends meet is closed.
        if run.closed
            || (run.segments.len() > 1
                && length > 4.0 * tolerance
                && first.distance(last) <= tolerance)
        {
            joined.push(Joined {
                contour: closed(&run.segments),
                entities: vec![entity],
            });
        } else {
            open.push((entity, run));
        }
    }
    joined.extend(join_open(&open, tolerance));
    for j in &mut joined {
        j.contour = smooth(std::mem::take(&mut j.contour));
    }
    joined.sort_by_key(|j| j.entities.iter().min().copied());
    Chains { joined, doubles }
}

/// The contour of segments whose last end is their first start.
fn closed(segments: &[Segment]) -> Contour {
    Contour::from_segments(segments, true).without_repeats(1e-9)
}

// --- Doubles -----------------------------------------------------------------------------------------------------------------------

/// A run with its entity's number.
type Numbered<'a> = (usize, &'a Run);

/// Drops runs that lie wholly over another: the shorter of two, the later of two equal ones.
fn drop_doubles<'a>(
    runs: &[Numbered<'a>],
    tolerance: f64,
) -> (Vec<Numbered<'a>>, Vec<(usize, Point)>) {
    let length = |r: &Run| r.segments.iter().map(Segment::length).sum::<f64>();
    // Lengths are compared in steps of the tolerance: what differs by less counts as equal, and the order is total all the same.
    let steps: Vec<f64> = runs
        .iter()
        .map(|(_, r)| (length(r) / tolerance).round())
        .collect();
    // Longest first, so that a run is compared with those that can cover it; among equals the first drawn stays.
    let mut order: Vec<usize> = (0..runs.len()).collect();
    order.sort_by(|a, b| steps[*b].total_cmp(&steps[*a]).then(a.cmp(b)));
    let mut rank = vec![0; runs.len()];
    for (r, i) in order.iter().enumerate() {
        rank[*i] = r;
    }
    let bounds: Vec<Bounds> = runs
        .iter()
        .map(|(_, r)| Contour::from_segments(&r.segments, false).bounds())
        .collect();
    let laid = Laid::new(runs, tolerance);
    let mut dropped = vec![false; runs.len()];
    for &i in &order {
        // Very short runs join others; they cannot be told from doubles.
        if steps[i] >= SHORTEST_DOUBLE {
            dropped[i] = laid.over_another(runs[i].1, |k| {
                let around = bounds[k].grown(tolerance);
                let holds = around.contains(bounds[i].min) && around.contains(bounds[i].max);
                holds && rank[k] < rank[i] && !dropped[k]
            });
        }
    }
    let kept = (0..runs.len()).filter(|i| !dropped[*i]);
    let doubles = (0..runs.len()).filter(|i| dropped[*i]);
    (
        kept.map(|i| runs[i]).collect(),
        doubles
            .map(|i| (runs[i].0, runs[i].1.segments[0].start()))
            .collect(),
    )
}

/// Runs shorter than so many tolerances are never taken for doubles.
const SHORTEST_DOUBLE: f64 = 10.0;

/// All pieces of a layer's runs, for the question which of them pass a place.
struct Laid {
    index: SegmentIndex,
    /// The run of each piece.
    run: Vec<usize>,
    tolerance: f64,
}

impl Laid {
    fn new(runs: &[Numbered<'_>], tolerance: f64) -> Laid {
        let pieces: Vec<(usize, Segment)> = runs
            .iter()
            .enumerate()
            .flat_map(|(i, (_, run))| run.segments.iter().map(move |s| (i, *s)))
            // The index leaves out what is not finite, and its numbers must stay those of `run`.
            .filter(|(_, s)| s.start().is_finite() && s.end().is_finite() && s.length().is_finite())
            .collect();
        Laid {
            index: SegmentIndex::new(pieces.iter().map(|p| p.1)),
            run: pieces.into_iter().map(|p| p.0).collect(),
            tolerance,
        }
    }

    /// One of the runs that `may` passes every place of `inner`, seen at nine places of each of its pieces.
    fn over_another(&self, inner: &Run, may: impl Fn(usize) -> bool) -> bool {
        // The middle of a piece first: many lines may meet at a corner, few run along each other.
        const SHARES: [f64; 9] = [0.5, 0.0, 0.125, 0.25, 0.375, 0.625, 0.75, 0.875, 1.0];
        let mut over: Option<BTreeSet<usize>> = None;
        for s in &inner.segments {
            for share in SHARES {
                let here = self.passing(s.at(share), |run| match &over {
                    Some(over) => over.contains(&run),
                    None => may(run),
                });
                if here.is_empty() {
                    return false;
                }
                over = Some(here);
            }
        }
        over.is_some()
    }

    /// Those of the runs wanted that pass a place.
    fn passing(&self, p: Point, wanted: impl Fn(usize) -> bool) -> BTreeSet<usize> {
        self.index
            .near(&Segment::Line { a: p, b: p }, self.tolerance)
            .into_iter()
            .filter(|i| wanted(self.run[*i]))
            .inspect(|_| count_look())
            .filter(|i| self.index.segments()[*i].distance(p) <= self.tolerance)
            .map(|i| self.run[i])
            .collect()
    }
}

#[cfg(not(test))]
fn count_look() {}
#[cfg(test)]
use tests::count_look;

// --- Joining -----------------------------------------------------------------------------------------------------------------------

/// An end of an open run: (run, 0 at its start or 1 at its end).
type EndOf = (usize, usize);

fn join_open(runs: &[(usize, &Run)], tolerance: f64) -> Vec<Joined> {
    let ends: Vec<[Point; 2]> = runs
        .iter()
        .map(|(_, r)| {
            [
                r.segments[0].start(),
                r.segments[r.segments.len() - 1].end(),
            ]
        })
        .collect();
    let partner = partners(runs, &ends, tolerance);
    let mut used = vec![false; runs.len()];
    let mut out = Vec::new();
    // Open chains start at an end without a partner; what is left then goes round in rings.
    let loose = (0..runs.len())
        .flat_map(|r| [(r, 0), (r, 1)])
        .filter(|e| !partner.contains_key(e));
    for start in loose
        .collect::<Vec<_>>()
        .into_iter()
        .chain((0..runs.len()).map(|r| (r, 0)))
    {
        if used[start.0] {
            continue;
        }
        let mut pieces: Vec<(usize, bool)> = Vec::new();
        let mut entry = start;
        let mut ring = false;
        loop {
            used[entry.0] = true;
            pieces.push((entry.0, entry.1 == 1));
            let exit = (entry.0, 1 - entry.1);
            match partner.get(&exit) {
                Some(next) if *next == start => {
                    ring = true;
                    break;
                }
                Some(next) if !used[next.0] => entry = *next,
                _ => break,
            }
        }
        out.push(chain_of(runs, &pieces, ring));
    }
    out
}

/// Where more ends than this meet, none is meant to lead on to another.
const MOST_MEETING: usize = 64;

/// Which end goes on at which other. Where more than two ends meet, runs that lead on everywhere come before those that end
/// loosely, and the straightest way on is taken.
fn partners(runs: &[(usize, &Run)], ends: &[[Point; 2]], tolerance: f64) -> BTreeMap<EndOf, EndOf> {
    let nodes = nodes(ends, tolerance);
    let mut node_of: BTreeMap<EndOf, usize> = BTreeMap::new();
    for (i, node) in nodes.iter().enumerate() {
        for e in node {
            node_of.insert(*e, i);
        }
    }
    // Runs that hang loose, layer by layer from their free ends.
    let mut degree: Vec<usize> = nodes.iter().map(Vec::len).collect();
    let mut hangs = vec![false; runs.len()];
    let mut todo: Vec<usize> = (0..nodes.len()).filter(|n| degree[*n] == 1).collect();
    while let Some(n) = todo.pop() {
        for e in &nodes[n] {
            if degree[n] == 1 && !hangs[e.0] {
                hangs[e.0] = true;
                degree[n] -= 1;
                let other = node_of[&(e.0, 1 - e.1)];
                degree[other] = degree[other].saturating_sub(1);
                if degree[other] == 1 {
                    todo.push(other);
                }
            }
        }
    }
    let outward = |e: EndOf| {
        let s = &runs[e.0].1.segments;
        if e.1 == 0 {
            s[0].direction(0.0).map(|d| -d)
        } else {
            s[s.len() - 1].direction(1.0)
        }
    };
    let mut partner = BTreeMap::new();
    for node in nodes.iter().filter(|n| n.len() <= MOST_MEETING) {
        let mut candidates: Vec<(bool, i64, EndOf, EndOf)> = Vec::new();
        for (i, a) in node.iter().enumerate() {
            for b in &node[i + 1..] {
                // The straightest way on leaves against the other's outward direction.
                let turn = match (outward(*a), outward(*b)) {
                    (Some(u), Some(v)) => (u.dot(-v) * -1e9) as i64,
                    _ => 0,
                };
                candidates.push((hangs[a.0] != hangs[b.0] || hangs[a.0], turn, *a, *b));
            }
        }
        candidates.sort_unstable();
        for (_, _, a, b) in candidates {
            if !partner.contains_key(&a) && !partner.contains_key(&b) {
                partner.insert(a, b);
                partner.insert(b, a);
            }
        }
    }
    partner
}

/// Ends grouped by place.
fn nodes(ends: &[[Point; 2]], tolerance: f64) -> Vec<Vec<EndOf>> {
    let cell = |v: f64| (v / tolerance.max(1e-9)).floor() as i64;
    let mut grid: BTreeMap<(i64, i64), Vec<EndOf>> = BTreeMap::new();
    let mut nodes: Vec<Vec<EndOf>> = Vec::new();
    let mut node_of: BTreeMap<EndOf, usize> = BTreeMap::new();
    for (r, pair) in ends.iter().enumerate() {
        for (side, p) in pair.iter().enumerate() {
            let (cx, cy) = (cell(p.x), cell(p.y));
            let near = (-1..=1)
                .flat_map(|dx| {
                    (-1..=1).map(move |dy| (cx.saturating_add(dx), cy.saturating_add(dy)))
                })
                .filter_map(|c| grid.get(&c))
                .flatten()
                .filter(|e| ends[e.0][e.1].distance(*p) <= tolerance)
                .min_by(|a, b| {
                    ends[a.0][a.1]
                        .distance(*p)
                        .total_cmp(&ends[b.0][b.1].distance(*p))
                })
                .copied();
            let node = match near {
                Some(e) => node_of[&e],
                None => {
                    nodes.push(Vec::new());
                    nodes.len() - 1
                }
            };
            nodes[node].push((r, side));
            node_of.insert((r, side), node);
            // A place that is known already stays the one to be found there.
            if near.is_none_or(|e| ends[e.0][e.1] != *p) {
                grid.entry((cx, cy)).or_default().push((r, side));
            }
        }
    }
    nodes
}

fn chain_of(runs: &[(usize, &Run)], pieces: &[(usize, bool)], ring: bool) -> Joined {
    let mut vertices: Vec<Vertex> = Vec::new();
    let mut end: Option<Point> = None;
    for (run, backwards) in pieces {
        let segments = &runs[*run].1.segments;
        let forwards: Vec<Segment> = if *backwards {
            segments.iter().rev().map(Segment::reversed).collect()
        } else {
            segments.clone()
        };
        let part = Contour::from_segments(&forwards, false);
        let mut own = part.vertices;
        let last = own.pop();
        // Where two ends meet within the tolerance, the corner lies in their middle.
        if let (Some(before), Some(first)) = (end, own.first_mut()) {
            first.at = first.at.lerp(before, 0.5);
        }
        vertices.extend(own);
        end = last.map(|v| v.at);
    }
    match (ring, end) {
        (true, Some(e)) => {
            if let Some(first) = vertices.first_mut() {
                first.at = first.at.lerp(e, 0.5);
            }
        }
        (false, Some(at)) => vertices.push(Vertex { at, bulge: 0.0 }),
        _ => {}
    }
    Joined {
        contour: Contour {
            vertices,
            closed: ring,
        },
        entities: pieces.iter().map(|(r, _)| runs[*r].0).collect(),
    }
}

// --- Smoothing ---------------------------------------------------------------------------------------------------------------------

/// Directions that differ by less than this share of a radian were meant to be one: about one degree.
const MEANT_TANGENT: f64 = 0.02;
/// Directions that differ by less are one already.
const TANGENT: f64 = 1e-9;

/// Pieces shorter than the import tolerance are merged, and arcs that miss tangency by less than it are made tangent: the offset
/// kernel's remaining faults all came from such drawings.
pub fn smooth(contour: Contour) -> Contour {
    let mut c = contour.without_repeats(IMPORT_MM);
    let n = c.vertices.len();
    if n < 2 {
        return c;
    }
    let count = if c.closed { n } else { n - 1 };
    for i in 0..count {
        if c.vertices[i].bulge.abs() > 1e-12 {
            snap_fillet(&mut c, i);
        }
    }
    for i in 0..count {
        if c.vertices[i].bulge.abs() > 1e-12 {
            snap_bulge(&mut c, i);
        }
    }
    c
}

fn piece(c: &Contour, i: usize) -> Segment {
    let n = c.vertices.len();
    Segment::from_bulge(
        c.vertices[i].at,
        c.vertices[(i + 1) % n].at,
        c.vertices[i].bulge,
    )
}

/// The pieces before and after the `i`-th, where there are any.
fn neighbours(c: &Contour, i: usize) -> (Option<usize>, Option<usize>) {
    let n = c.vertices.len();
    if c.closed {
        (Some((i + n - 1) % n), Some((i + 1) % n))
    } else {
        ((i > 0).then(|| i - 1), (i + 2 < n).then_some(i + 1))
    }
}

/// An arc between two straight lines that is nearly their fillet becomes it: its ends move along the lines.
fn snap_fillet(c: &mut Contour, i: usize) {
    let (Some(before), Some(after)) = neighbours(c, i) else {
        return;
    };
    if before == after
        || c.vertices[before].bulge.abs() > 1e-12
        || c.vertices[after].bulge.abs() > 1e-12
    {
        return;
    }
    let (b, s, a) = (piece(c, before), piece(c, i), piece(c, after));
    let (Some(din), Some(dout)) = (b.direction(1.0), a.direction(0.0)) else {
        return;
    };
    let (Some(sin), Some(sout)) = (s.direction(0.0), s.direction(1.0)) else {
        return;
    };
    let (kink_in, kink_out) = (din.distance(sin), dout.distance(sout));
    if kink_in > MEANT_TANGENT
        || kink_out > MEANT_TANGENT
        || (kink_in < TANGENT && kink_out < TANGENT)
    {
        return;
    }
    let turn = din.cross(dout);
    if turn.abs() < MEANT_TANGENT {
        return;
    }
    // The corner of the two lines, seen from the arc's start; both tangents become their mean length.
    let (start, end) = (s.start(), s.end());
    let to_corner = (end - start).cross(dout) / turn;
    let corner = start + din * to_corner;
    let from_corner = (end - corner).dot(dout);
    let tangent = 0.5 * (to_corner + from_corner);
    if tangent <= 0.0 {
        return;
    }
    let (new_start, new_end) = (corner - din * tangent, corner + dout * tangent);
    let bulge = (din.cross(dout).atan2(din.dot(dout)) / 4.0).tan();
    let n = c.vertices.len();
    let moved = new_start.distance(start).max(new_end.distance(end));
    if moved < IMPORT_MM
        && sagitta(new_start, new_end, bulge) - sagitta(start, end, c.vertices[i].bulge) < IMPORT_MM
        && sagitta(start, end, c.vertices[i].bulge) - sagitta(new_start, new_end, bulge) < IMPORT_MM
    {
        c.vertices[i] = Vertex {
            at: new_start,
            bulge,
        };
        c.vertices[(i + 1) % n].at = new_end;
    }
}

/// An arc that nearly goes on in a neighbour's direction is bent to do so; between two such neighbours, half-way.
fn snap_bulge(c: &mut Contour, i: usize) {
    let (before, after) = neighbours(c, i);
    let s = piece(c, i);
    let (start, end) = (s.start(), s.end());
    let chord = end - start;
    let (Some(sin), Some(sout)) = (s.direction(0.0), s.direction(1.0)) else {
        return;
    };
    let mut wanted: Vec<f64> = Vec::new();
    if let Some(d) = before.and_then(|b| piece(c, b).direction(1.0))
        && d.distance(sin) < MEANT_TANGENT
    {
        wanted.push(d.cross(chord).atan2(d.dot(chord)));
    }
    if let Some(d) = after.and_then(|a| piece(c, a).direction(0.0))
        && d.distance(sout) < MEANT_TANGENT
    {
        wanted.push(chord.cross(d).atan2(chord.dot(d)));
    }
    if wanted.is_empty() {
        return;
    }
    let half = wanted.iter().sum::<f64>() / wanted.len() as f64;
    let bulge = (half / 2.0).tan();
    let change = (sagitta(start, end, bulge) - sagitta(start, end, c.vertices[i].bulge)).abs();
    if bulge * c.vertices[i].bulge > 0.0 && change < IMPORT_MM && change > SAME_POINT_MM {
        c.vertices[i].bulge = bulge;
    }
}

/// Signed height of an arc over its chord, mm.
fn sagitta(a: Point, b: Point, bulge: f64) -> f64 {
    bulge * a.distance(b) / 2.0
}

// --- Crossings ---------------------------------------------------------------------------------------------------------------------

/// A place where the contour crosses or touches itself. Neighbours that meet almost in one direction may cross again within the
/// import tolerance of their corner; that is no fault of the drawing.
pub fn crossing(contour: &Contour) -> Option<Point> {
    let segments: Vec<Segment> = contour.without_repeats(SAME_POINT_MM).segments().collect();
    let n = segments.len();
    let index = SegmentIndex::new(segments.iter().copied());
    for (i, s) in segments.iter().enumerate() {
        for j in index.near(s, 0.0).into_iter().filter(|j| *j > i) {
            let shared = |p: &Point| {
                (j == i + 1 && p.distance(s.end()) <= IMPORT_MM)
                    || (contour.closed
                        && i == 0
                        && j + 1 == n
                        && p.distance(s.start()) <= IMPORT_MM)
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

#[cfg(test)]
mod tests {
    use super::*;
    use grainway_geom::point;

    thread_local! {
        static LOOKS: std::cell::Cell<usize> = const { std::cell::Cell::new(0) };
    }

    /// A distance to a run was evaluated.
    pub(super) fn count_look() {
        LOOKS.set(LOOKS.get() + 1);
    }

    /// Numbers in [0, 1) that follow from the seed (xorshift64*).
    struct Seeded(u64);
    impl Seeded {
        fn next(&mut self) -> f64 {
            self.0 ^= self.0 >> 12;
            self.0 ^= self.0 << 25;
            self.0 ^= self.0 >> 27;
            (self.0.wrapping_mul(0x2545_F491_4F6C_DD1D) >> 11) as f64 / (1_u64 << 53) as f64
        }
        fn below(&mut self, n: usize) -> usize {
            ((self.next() * n as f64) as usize).min(n - 1)
        }
    }

    /// A wavy ring of `n` lines, drawn in any order and sense, each end off by up to `off`.
    fn scattered_ring(n: usize, off: f64, seed: u64) -> Vec<Run> {
        let mut seeded = Seeded(seed);
        let at = |i: usize| {
            let turn = std::f64::consts::TAU * (i % n) as f64 / n as f64;
            Point::unit(turn) * (300.0 + 20.0 * (7.0 * turn).sin())
        };
        let mut lines: Vec<Run> = (0..n)
            .map(|i| {
                let mut end = |i| at(i) + Point::unit(6.3 * seeded.next()) * (off * seeded.next());
                let (p, q) = (end(i), end(i + 1));
                let (p, q) = if seeded.next() < 0.5 { (p, q) } else { (q, p) };
                run(&[(p.x, p.y), (q.x, q.y)])
            })
            .collect();
        for i in (1..n).rev() {
            lines.swap(i, seeded.below(i + 1));
        }
        lines
    }

    fn run(points: &[(f64, f64)]) -> Run {
        let segments = points
            .windows(2)
            .map(|w| Segment::Line {
                a: point(w[0].0, w[0].1),
                b: point(w[1].0, w[1].1),
            })
            .collect();
        Run {
            segments,
            closed: false,
        }
    }

    fn join_all(runs: &[Run], tolerance: f64) -> Chains {
        let list: Vec<(usize, &Run)> = runs.iter().enumerate().collect();
        join(&list, tolerance)
    }

    #[test]
    fn lines_in_any_order_and_sense_close() {
        let runs = [
            run(&[(0.0, 0.0), (10.0, 0.0)]),
            run(&[(0.0, 8.0), (0.0, 0.005)]),
            run(&[(10.0, 8.0), (10.0, 0.0)]),
            run(&[(10.004, 8.0), (0.0, 8.0)]),
        ];
        let chains = join_all(&runs, 0.01);
        assert_eq!(chains.joined.len(), 1);
        assert!(chains.joined[0].contour.closed && chains.joined[0].contour.vertices.len() == 4);
        assert!((chains.joined[0].contour.area().abs() - 80.0).abs() < 0.1);
        // With a lesser tolerance the same lines stay open.
        assert!(
            join_all(&runs, 0.001)
                .joined
                .iter()
                .all(|j| !j.contour.closed)
        );
    }

    #[test]
    fn lines_over_and_beside_a_polyline() {
        let mut square = run(&[
            (0.0, 0.0),
            (10.0, 0.0),
            (10.0, 10.0),
            (0.0, 10.0),
            (0.0, 0.0),
        ]);
        square.closed = true;
        let runs = [
            square.clone(),
            run(&[(2.0, 0.0), (7.0, 0.0)]),
            run(&[(0.0, 5.0), (10.0, 5.0)]),
            square,
        ];
        let chains = join_all(&runs, 0.01);
        assert_eq!(
            chains.doubles.iter().map(|d| d.0).collect::<Vec<_>>(),
            [1, 3]
        );
        assert_eq!(chains.joined.len(), 2);
        assert!(chains.joined[0].contour.closed && !chains.joined[1].contour.closed);
    }

    #[test]
    fn a_stray_line_at_a_corner_does_not_open_a_ring() {
        // The stray goes straight on from the lower edge, the ring turns.
        let runs = [
            run(&[(10.0, 0.0), (25.0, 0.0)]),
            run(&[(0.0, 0.0), (10.0, 0.0)]),
            run(&[(10.0, 0.0), (10.0, 10.0)]),
            run(&[(10.0, 10.0), (0.0, 0.0)]),
        ];
        let chains = join_all(&runs, 0.01);
        let rings: Vec<&Joined> = chains.joined.iter().filter(|j| j.contour.closed).collect();
        assert_eq!(rings.len(), 1);
        assert!((rings[0].contour.area().abs() - 50.0).abs() < 1e-9);
        assert_eq!(chains.joined.len(), 2);
    }

    #[test]
    fn near_tangent_arcs_become_tangent() {
        // docs/references.md, section Trial of geometry kernels: bulge 1e-4 off the quarter circle's.
        let v = |x: f64, y: f64, bulge: f64| Vertex {
            at: point(x, y),
            bulge,
        };
        let contour = Contour {
            vertices: vec![
                v(20.487_740_1, 0.0, 0.0),
                v(152.281_569_1, 0.0, 0.414_172_141),
                v(162.281_569_1, 10.0, 0.0),
                v(162.281_569_1, 69.010_997_3, 0.0),
                v(20.487_740_1, 69.010_997_3, 0.0),
            ],
            closed: true,
        };
        let kink = |c: &Contour| {
            let s: Vec<Segment> = c.segments().collect();
            (0..2)
                .map(|i| {
                    s[i].direction(1.0)
                        .unwrap()
                        .distance(s[i + 1].direction(0.0).unwrap())
                })
                .fold(0.0, f64::max)
        };
        assert!(kink(&contour) > 1e-5);
        let smoothed = smooth(contour.clone());
        assert!(kink(&smoothed) < 1e-9, "{}", kink(&smoothed));
        for p in smoothed.flattened(0.001) {
            assert!(contour.distance(p) < IMPORT_MM);
        }
        // A kink that is meant stays.
        let mut meant = contour;
        meant.vertices[1].bulge = 0.3;
        assert_eq!(smooth(meant.clone()), meant);
    }

    #[test]
    fn tiny_pieces_are_merged() {
        let points = [
            (0.0, 0.0),
            (10.0, 0.0),
            (10.0, 0.004),
            (10.0, 10.0),
            (0.0, 10.0),
            (0.0, 0.003),
        ];
        let c = smooth(Contour::polygon(points.map(|(x, y)| point(x, y))));
        assert_eq!(c.vertices.len(), 4, "{c:?}");
        let circle = Contour::circle(point(0.0, 0.0), 3.0);
        assert_eq!(smooth(circle.clone()), circle);
    }

    #[test]
    fn outlines_of_many_lines_join_in_any_order() {
        // Lengths of neighbours differ by less than the tolerance all round, so that "equal within it" is no order.
        for n in [3, 40, 1_250, 1_777, 2_500] {
            for seed in 1..=8 {
                let off = if n > 1_000 { 0.001 } else { 0.004 };
                let runs = scattered_ring(n, off, seed);
                let chains = join_all(&runs, 0.01);
                assert!(
                    chains.doubles.is_empty(),
                    "{n} {seed}: {:?}",
                    chains.doubles
                );
                assert_eq!(chains.joined.len(), 1, "{n} {seed}");
                let ring = &chains.joined[0];
                assert!(
                    ring.contour.closed && ring.entities.len() == n,
                    "{n} {seed}"
                );
                assert!(crossing(&ring.contour).is_none(), "{n} {seed}");
            }
        }
    }

    #[test]
    fn lines_drawn_twice_are_dropped_whatever_their_order() {
        for seed in 1..=20 {
            let mut runs = scattered_ring(60, 0.0, seed);
            let twice: Vec<Run> = runs.iter().skip(7).step_by(11).cloned().collect();
            runs.extend(twice);
            let chains = join_all(&runs, 0.01);
            let dropped: Vec<usize> = chains.doubles.iter().map(|d| d.0).collect();
            assert_eq!(dropped, [60, 61, 62, 63, 64], "{seed}");
            assert!(
                chains.joined.len() == 1 && chains.joined[0].contour.closed,
                "{seed}"
            );
        }
    }

    #[test]
    fn work_grows_with_the_number_of_lines_not_with_its_square() {
        let looks_a_line = |runs: &[Run]| {
            LOOKS.set(0);
            assert!(!join_all(runs, 0.01).joined.is_empty());
            LOOKS.get() as f64 / runs.len() as f64
        };
        for n in [1_000, 4_000] {
            let mut ring = scattered_ring(n, 0.0, 1);
            let twice: Vec<Run> = ring.iter().step_by(2).cloned().collect();
            ring.extend(twice);
            // Every third line lies over another, seen at nine places.
            assert!((2.9..20.0).contains(&looks_a_line(&ring)));
            // A long line on the layer must not make every short one look at all others.
            ring.push(run(&[(-900.0, 400.0), (900.0, 400.0)]));
            assert!(looks_a_line(&ring) < 20.0);
            // Nor must a place where all lines meet.
            let star: Vec<Run> = (0..n)
                .map(|i| Point::unit(3.0 * i as f64 / n as f64) * 500.0)
                .map(|p| run(&[(0.0, 0.0), (p.x, p.y)]))
                .collect();
            assert!(looks_a_line(&star) < 20.0);
        }
    }
}
