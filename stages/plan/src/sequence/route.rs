//! A short way through the air: nearest neighbour, then improvement by turning round parts of the way (2-opt). Bounded by
//! counts, never by a clock, so that the same steps always come out in the same order.

use grainway_geom::Point;

/// A step as the way sees it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Leg {
    /// Groups are run in their order; the way is shortened within a group only.
    pub(super) group: (u32, u32, u32),
    /// Where it begins.
    pub(super) from: Point,
    /// Where it ends.
    pub(super) to: Point,
}

/// How far ahead a part of the way is turned round at most: keeps large boards fast.
const WINDOW: usize = 60;
/// An improvement shorter than this is none, mm.
const WORTH_MM: f64 = 1e-6;

/// Indices of the legs in running order, from `start`.
pub(super) fn route(legs: &[Leg], start: Point, improve: u32) -> Vec<usize> {
    let mut groups: Vec<usize> = (0..legs.len()).collect();
    groups.sort_by_key(|&i| (legs[i].group, i));
    let mut order = Vec::with_capacity(legs.len());
    let mut at = start;
    for group in groups.chunk_by(|&a, &b| legs[a].group == legs[b].group) {
        let mut way = nearest(legs, group, at);
        for _ in 0..improve {
            if !shorten(legs, &mut way, at) {
                break;
            }
        }
        if let Some(&last) = way.last() {
            at = legs[last].to;
        }
        order.append(&mut way);
    }
    order
}

/// Always to the nearest that is left; of equals the first.
fn nearest(legs: &[Leg], group: &[usize], start: Point) -> Vec<usize> {
    let mut left: Vec<usize> = group.to_vec();
    let mut way = Vec::with_capacity(left.len());
    let mut at = start;
    while !left.is_empty() {
        let mut best = (0, f64::INFINITY);
        for (k, &i) in left.iter().enumerate() {
            let d = legs[i].from.distance(at);
            if d < best.1 {
                best = (k, d);
            }
        }
        let i = left.remove(best.0);
        at = legs[i].to;
        way.push(i);
    }
    way
}

/// Turns round parts of the way where that makes it shorter; true when it did.
fn shorten(legs: &[Leg], way: &mut [usize], start: Point) -> bool {
    let mut better = false;
    let n = way.len();
    let hop = |a: usize, b: usize| legs[a].to.distance(legs[b].from);
    for i in 0..n {
        let before = if i == 0 { start } else { legs[way[i - 1]].to };
        // Length of way[i..=j] forwards and backwards; steps begin and end at different places, so the two differ.
        let (mut forwards, mut backwards) = (0.0, 0.0);
        let mut best: Option<(usize, f64)> = None;
        for j in i + 1..n.min(i + WINDOW) {
            forwards += hop(way[j - 1], way[j]);
            backwards += hop(way[j], way[j - 1]);
            let (mut now, mut then) = (
                before.distance(legs[way[i]].from) + forwards,
                before.distance(legs[way[j]].from) + backwards,
            );
            if j + 1 < n {
                now += hop(way[j], way[j + 1]);
                then += hop(way[i], way[j + 1]);
            }
            let gain = now - then;
            if gain > WORTH_MM && best.is_none_or(|(_, g)| gain > g) {
                best = Some((j, gain));
            }
        }
        if let Some((j, _)) = best {
            way[i..=j].reverse();
            better = true;
        }
    }
    better
}
