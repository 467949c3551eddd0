//! The stretches of a drawn line that lie on parts: a line may run past a part's end, along its edge, or over several parts.

use crate::lies::{ON_EDGE_MM, Outer};
use grainway_geom::{Contour, Point, Segment, intersections};

/// Shorter stretches are where a line just touches a part, mm.
const LEAST_MM: f64 = 0.1;

/// A stretch of a line on one part.
pub(super) struct Stretch {
    /// Index of the part's outline.
    pub owner: usize,
    pub line: Contour,
}

/// A piece of one segment.
struct Piece {
    segment: usize,
    from: f64,
    to: f64,
    owner: Option<usize>,
}

/// The stretches of `line` in or on the edge of these outlines, in the line's order. Where outlines lie in one another, a stretch
/// belongs to the smallest.
pub(super) fn stretches(line: &Contour, outlines: &[(usize, &Outer<'_>)]) -> Vec<Stretch> {
    let segments: Vec<Segment> = line.segments().collect();
    let mut by_size: Vec<(usize, &Outer<'_>)> = outlines.to_vec();
    by_size.sort_by(|a, b| {
        let area = |o: &Outer<'_>| o.contour.area().abs();
        area(a.1).total_cmp(&area(b.1)).then(a.0.cmp(&b.0))
    });
    let owner = |p: Point| {
        let on =
            |o: &Outer<'_>| o.contains(p) || o.index.distance_to_point(p, ON_EDGE_MM).is_some();
        by_size.iter().find(|(_, o)| on(o)).map(|(i, _)| *i)
    };
    let mut runs: Vec<Vec<Piece>> = Vec::new();
    for (k, s) in segments.iter().enumerate() {
        let at = cuts(s, &by_size);
        for pair in at.windows(2) {
            let piece = Piece {
                segment: k,
                from: pair[0],
                to: pair[1],
                owner: owner(s.at(0.5 * (pair[0] + pair[1]))),
            };
            match runs.last_mut() {
                Some(run) if run[0].owner == piece.owner => run.push(piece),
                _ => runs.push(vec![piece]),
            }
        }
    }
    // A closed line that is left and entered again begins where it was entered.
    if line.closed
        && runs.len() > 1
        && runs[0][0].owner == runs[runs.len() - 1][0].owner
        && let Some(mut last) = runs.pop()
    {
        last.append(&mut runs[0]);
        runs[0] = last;
    }
    let whole = line.closed && runs.len() == 1;
    let of_run = |run: Vec<Piece>| {
        let owner = run[0].owner?;
        let line = match whole {
            true => line.clone(),
            false => Contour::from_segments(&joined(&run, &segments), false),
        };
        (line.length() >= LEAST_MM).then_some(Stretch { owner, line })
    };
    runs.into_iter().filter_map(of_run).collect()
}

/// The segments of a run: pieces of one segment that follow each other are one.
fn joined(run: &[Piece], segments: &[Segment]) -> Vec<Segment> {
    let mut spans: Vec<(usize, f64, f64)> = Vec::new();
    for p in run {
        match spans.last_mut() {
            Some(last) if last.0 == p.segment && last.2 <= p.from => last.2 = p.to,
            _ => spans.push((p.segment, p.from, p.to)),
        }
    }
    spans
        .into_iter()
        .map(|(k, from, to)| segments[k].piece(from, to))
        .collect()
}

/// Where along a segment, from 0 to 1, something may change: its ends, crossings with outlines, and corners of outlines on it.
fn cuts(s: &Segment, outlines: &[(usize, &Outer<'_>)]) -> Vec<f64> {
    let mut at = vec![0.0, 1.0];
    for (_, outer) in outlines {
        for i in outer.index.near(s, ON_EDGE_MM) {
            let edge = &outer.index.segments()[i];
            at.extend(intersections(s, edge).into_iter().map(|p| fraction(s, p)));
            let corners = [edge.start(), edge.end()].into_iter();
            let on_it = corners.filter(|p| s.distance(*p) <= ON_EDGE_MM);
            at.extend(on_it.map(|p| fraction(s, s.nearest(p).0)));
        }
    }
    at.sort_by(f64::total_cmp);
    let shortest = ON_EDGE_MM / s.length().max(ON_EDGE_MM);
    let mut kept: Vec<f64> = Vec::new();
    for t in at {
        match kept.last_mut() {
            // The segment's own end stays exact.
            Some(last) if t - *last < shortest => {
                if t >= 1.0 && kept.len() > 1 {
                    kept.pop();
                    kept.push(1.0);
                }
            }
            _ => kept.push(t.clamp(0.0, 1.0)),
        }
    }
    if kept.last().is_none_or(|t| *t < 1.0) {
        kept.push(1.0);
    }
    kept
}

/// How far along a segment a place on it lies, from 0 to 1.
fn fraction(s: &Segment, p: Point) -> f64 {
    let (a, b) = (s.start(), s.end());
    match *s {
        Segment::Line { .. } => (p - a).dot(b - a) / (b - a).dot(b - a).max(f64::MIN_POSITIVE),
        Segment::Arc { centre, sweep, .. } => {
            let turned = (p - centre).angle() - (a - centre).angle();
            let turned = (turned * sweep.signum()).rem_euclid(std::f64::consts::TAU);
            turned / sweep.abs().max(f64::MIN_POSITIVE)
        }
    }
    .clamp(0.0, 1.0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use grainway_geom::{Contour, point};

    fn rect(x: f64, y: f64, w: f64, h: f64) -> Contour {
        Contour::rectangle(point(x, y), point(x + w, y + h), 0.0)
    }

    /// Owners and lengths, reckoned by hand.
    fn check(line: &Contour, outlines: &[Contour], expect: &[(usize, f64)]) {
        let outers: Vec<Outer<'_>> = outlines.iter().map(Outer::new).collect();
        let named: Vec<(usize, &Outer<'_>)> = outers.iter().enumerate().collect();
        let found: Vec<(usize, f64)> = stretches(line, &named)
            .into_iter()
            .map(|s| (s.owner, s.line.length()))
            .collect();
        assert_eq!(found.len(), expect.len(), "{found:?}");
        for (f, e) in found.iter().zip(expect) {
            assert!(
                f.0 == e.0 && (f.1 - e.1).abs() < 1e-6,
                "{found:?} {expect:?}"
            );
        }
    }

    #[test]
    fn the_stretches_on_parts_are_kept() {
        let part = rect(0.0, 0.0, 100.0, 400.0);
        let one = std::slice::from_ref(&part);
        let line = |a, b| Contour::open([a, b]);
        // Along an edge and past both its ends.
        check(
            &line(point(0.0, -20.0), point(0.0, 430.0)),
            one,
            &[(0, 400.0)],
        );
        // Across.
        check(
            &line(point(-20.0, 50.0), point(130.0, 50.0)),
            one,
            &[(0, 100.0)],
        );
        check(
            &line(point(10.0, 50.0), point(20.0, 50.0)),
            one,
            &[(0, 10.0)],
        );
        // Only touching a corner.
        check(&line(point(-10.0, 10.0), point(10.0, -10.0)), one, &[]);
        // Over three parts.
        let row = [0.0, 120.0, 240.0].map(|x| rect(x, 0.0, 100.0, 50.0));
        check(
            &line(point(-5.0, 25.0), point(400.0, 25.0)),
            &row,
            &[(0, 100.0), (1, 100.0), (2, 100.0)],
        );
        // A loop over an edge begins where it enters; one inside stays closed.
        check(&rect(40.0, -10.0, 20.0, 30.0), one, &[(0, 60.0)]);
        check(&rect(40.0, 10.0, 20.0, 30.0), one, &[(0, 100.0)]);
        // A circle about a point of an edge: half of it.
        let circle = Contour::circle(point(100.0, 200.0), 10.0);
        check(&circle, one, &[(0, 10.0 * std::f64::consts::PI)]);
        // A part in another's cutout takes what lies on it.
        let nested = [rect(0.0, 0.0, 100.0, 100.0), rect(40.0, 40.0, 20.0, 20.0)];
        check(
            &line(point(0.0, 50.0), point(100.0, 50.0)),
            &nested,
            &[(0, 40.0), (1, 20.0), (0, 40.0)],
        );
    }
}
