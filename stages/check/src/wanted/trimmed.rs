//! What of a drawn line lies on parts: a line may run past a part's edge, along it, or over several parts.

use super::held::Held;
use crate::curves::crossings;
use grainway_geom::{Contour, Point, Segment};

/// A stretch shorter than this is where a line just touches a part, mm.
const LEAST_MM: f64 = 0.1;
/// Two places on a line nearer than this are one, mm.
const SAME_MM: f64 = 0.02;

/// A bit of one segment, from and to as shares of its length, and the part that it lies on.
struct Bit {
    segment: usize,
    share: [f64; 2],
    on: Option<usize>,
}

/// The stretches of `line` on these outlines, each with the outline's number, in the line's order. Where outlines lie in one
/// another, the smallest has the stretch.
pub(super) fn trimmed(line: &Contour, outlines: &[(usize, &Held<'_>)]) -> Vec<(usize, Contour)> {
    let segments: Vec<Segment> = line.segments().collect();
    let on = |p: Point| {
        outlines
            .iter()
            .filter(|(_, o)| o.holds(p))
            .min_by(|a, b| a.1.area.total_cmp(&b.1.area).then(a.0.cmp(&b.0)))
            .map(|(i, _)| *i)
    };
    let mut bits: Vec<Bit> = Vec::new();
    for (k, s) in segments.iter().enumerate() {
        let shares = divided(s, outlines);
        for pair in shares.windows(2) {
            bits.push(Bit {
                segment: k,
                share: [pair[0], pair[1]],
                on: on(s.at(0.5 * (pair[0] + pair[1]))),
            });
        }
    }
    let changes = |i: usize| bits[i].on != bits[(i + bits.len() - 1) % bits.len()].on;
    let first = match line.closed {
        true => (0..bits.len()).find(|i| changes(*i)),
        false => None,
    };
    if line.closed && first.is_none() {
        // All of it lies on one part, or none of it on any.
        let owner = bits.first().and_then(|b| b.on);
        return owner.map(|o| (o, line.clone())).into_iter().collect();
    }
    bits.rotate_left(first.unwrap_or(0));
    bits.chunk_by(|a, b| a.on == b.on)
        .filter_map(|run| Some((run[0].on?, open(run, &segments))))
        .filter(|(_, c)| c.length() >= LEAST_MM)
        .collect()
}

/// Bits that follow each other as one open line; neighbours on one segment are one piece of it.
fn open(run: &[Bit], segments: &[Segment]) -> Contour {
    let follows = |a: &Bit, b: &Bit| a.segment == b.segment && b.share[0] >= a.share[1];
    let pieces: Vec<Segment> = run
        .chunk_by(follows)
        .map(|same| {
            let (a, b) = (&same[0], &same[same.len() - 1]);
            segments[a.segment].piece(a.share[0], b.share[1])
        })
        .collect();
    Contour::from_segments(&pieces, false)
}

/// Where along a segment it may pass from one part to another: its ends, where it crosses an outline, and corners of outlines on it.
fn divided(s: &Segment, outlines: &[(usize, &Held<'_>)]) -> Vec<f64> {
    let mut shares = vec![0.0, 1.0];
    for (_, outline) in outlines {
        for edge in outline.edges_near(s, SAME_MM) {
            let ends = [edge.start(), edge.end()].into_iter();
            let found = crossings(s, &edge);
            let places = found.as_slice().iter().copied();
            for p in places.chain(ends.filter(|p| s.distance(*p) <= SAME_MM)) {
                shares.push(s.nearest(p).1.clamp(0.0, 1.0));
            }
        }
    }
    shares.sort_by(f64::total_cmp);
    let same = (SAME_MM / s.length().max(SAME_MM)).min(0.5);
    let mut kept: Vec<f64> = vec![0.0];
    for t in shares {
        if t - kept[kept.len() - 1] >= same && t <= 1.0 - same {
            kept.push(t);
        }
    }
    kept.push(1.0);
    kept
}
