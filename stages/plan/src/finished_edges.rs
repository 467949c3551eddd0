//! Where a recess leaves an edge that is finished already: nothing backs the wood there, and it splinters under a cutter that leaves
//! it across the grain.

use grainway_geom::{Contour, Point, Point3, Segment, intersections};
use grainway_pipeline::motion::Move;
use grainway_pipeline::work::{SizedFeature, Variant};
use std::f64::consts::TAU;

/// The share of the feed with which the cutter crosses a finished edge. Common practice, no source.
const EDGE_SHARE: f64 = 0.5;
/// Pieces of a move shorter than this are not told apart, mm: no move is planned shorter.
const SHORTEST_MM: f64 = 0.1;

/// Stretches of finished edges that the feature leaves across the grain: its mouths in long-grain edges that go on beyond them. A rebate
/// along a whole edge has none, nor has a blank whose outline is still to be cut.
pub fn left_across_the_grain(
    variant: &Variant,
    feature: &SizedFeature,
    grain_along_x: bool,
) -> Vec<Segment> {
    if !variant.dimensioned || !crate::reach::meets_edge(variant, feature) {
        return Vec::new();
    }
    let region = feature.region();
    let mut mouths = Vec::new();
    for edge in variant.outline.segments() {
        let along = edge.direction(0.5).unwrap_or_default();
        let with_grain = (along.x.abs() > along.y.abs()) == grain_along_x;
        if !with_grain {
            continue;
        }
        for (from, to) in crate::reach::mouths(&edge, &region) {
            if from > 0.0 || to < 1.0 {
                mouths.push(edge.piece(from, to));
            }
        }
    }
    mouths
}

/// Lowers the feed of every cut where the cutter (radius in mm) overlaps one of these stretches, from this height downwards.
pub fn slow_at_edges(moves: &[Move], mouths: &[Segment], radius: f64, top: f64) -> Vec<Move> {
    let around: Vec<Contour> = mouths.iter().map(|m| stadium(m, radius)).collect();
    let beside = |p: Point| mouths.iter().any(|m| m.distance(p) < radius);
    let mut slowed = Vec::with_capacity(moves.len());
    let mut at = Point3::default();
    for m in moves {
        let to = m.end(at);
        match *m {
            Move::Line { to: end, feed } if at.z.max(end.z) < top => {
                for (share, slow) in stretches(at.xy(), end.xy(), &around, beside) {
                    let xy = at.xy().lerp(end.xy(), share);
                    slowed.push(Move::line(
                        xy.at_z(at.z + (end.z - at.z) * share),
                        if slow { EDGE_SHARE * feed } else { feed },
                    ));
                }
            }
            Move::Arc {
                centre,
                sweep,
                dz,
                feed,
            } if at.z.max(to.z) < top => {
                let arc = Segment::arc_about(centre, at.xy(), sweep.clamp(-TAU, TAU));
                let slow = (0..=8).any(|i| beside(arc.at(f64::from(i) / 8.0)));
                slowed.push(Move::Arc {
                    centre,
                    sweep,
                    dz,
                    feed: if slow { EDGE_SHARE * feed } else { feed },
                });
            }
            other => slowed.push(other),
        }
        at = to;
    }
    slowed
}

/// All places within `radius` of a straight stretch, or of the chord of another.
fn stadium(stretch: &Segment, radius: f64) -> Contour {
    let (a, b) = (stretch.start(), stretch.end());
    let side = (b - a).normalized().unwrap_or_default().left() * radius;
    let half = std::f64::consts::PI;
    let pieces = [
        Segment::Line {
            a: a - side,
            b: b - side,
        },
        Segment::arc_about(b, b - side, half),
        Segment::Line {
            a: b + side,
            b: a + side,
        },
        Segment::arc_about(a, a + side, half),
    ];
    Contour::from_segments(&pieces, true)
}

/// A line's stretches: the share of its length at which each ends, and whether it lies over the edge.
fn stretches(
    a: Point,
    b: Point,
    around: &[Contour],
    beside: impl Fn(Point) -> bool,
) -> Vec<(f64, bool)> {
    let length = a.distance(b);
    if length < SHORTEST_MM {
        return vec![(1.0, beside(b))];
    }
    let line = Segment::Line { a, b };
    let mut ends: Vec<f64> = around
        .iter()
        .flat_map(Contour::segments)
        .flat_map(|s| intersections(&line, &s))
        .map(|p| p.distance(a) / length)
        .collect();
    ends.sort_by(f64::total_cmp);
    ends.push(1.0);
    let mut stretches: Vec<(f64, bool)> = Vec::new();
    let mut from = 0.0;
    for end in ends {
        if (end - from) * length < SHORTEST_MM && end < 1.0 {
            continue;
        }
        let slow = beside(a.lerp(b, 0.5 * (from + end)));
        match stretches.last_mut() {
            Some(last) if last.1 == slow || (end - from) * length < SHORTEST_MM => last.0 = end,
            _ => stretches.push((end, slow)),
        }
        from = end;
    }
    stretches
}

#[cfg(test)]
mod tests {
    use super::*;
    use grainway_geom::point;

    #[test]
    fn a_cut_over_the_edge_is_slow_from_where_the_cutter_meets_it() {
        let mouth = Segment::Line {
            a: point(40.0, 60.0),
            b: point(60.0, 60.0),
        };
        let line = |x: f64, y: f64, z: f64| Move::Line {
            to: point(x, y).at_z(z),
            feed: 2_000.0,
        };
        let moves = [
            line(50.0, 30.0, -2.0),
            line(50.0, 65.0, -2.0),
            line(50.0, 65.0, 5.0),
        ];
        let slowed = slow_at_edges(&moves, &[mouth], 3.0, 0.0);
        let told: Vec<(f64, f64)> = slowed
            .iter()
            .filter_map(|m| match *m {
                Move::Line { to, feed } => Some(((to.y * 1e6).round() / 1e6, feed)),
                _ => None,
            })
            .collect();
        // The last is not below the face all the way.
        assert_eq!(
            told,
            [
                (30.0, 2_000.0),
                (57.0, 2_000.0),
                (63.0, 1_000.0),
                (65.0, 2_000.0),
                (65.0, 2_000.0)
            ]
        );
    }
}
