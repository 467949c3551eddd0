//! In which order the pieces are put together: they are taken apart, and that is read backwards.
//!
//! A piece leaves its mates the way its joints let it, as far as it stands in them, and must not meet a piece on that way with which it has no
//! joint. Pieces are seen as boxes.

use super::contacts::{Place, minus};
use super::poses::{SAME_WAY, dot};
use grainway_pipeline::work::Closing;
use std::collections::BTreeSet;

/// Pieces that lie over each other by no more than this, or touch, are not in each other's way, mm: drawings are rounded.
const BESIDE_MM: f64 = 1.0;

/// Two pieces that a joint holds together.
pub(super) struct Bond {
    pub(super) into: usize,
    pub(super) goes: usize,
    /// The ways in which `goes` leaves `into`.
    pub(super) ways: Vec<Place>,
    pub(super) joint: String,
}

/// From where to where a piece reaches along each axis, mm.
pub(super) type Box3 = [[f64; 2]; 3];

/// A piece that has to come past another one, with which it has no joint.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct InTheWay {
    pub(super) moved: usize,
    pub(super) other: usize,
    /// How far they stand apart, and how far the piece has to move, mm.
    pub(super) apart: f64,
    pub(super) travel: f64,
}

/// The steps in which these pieces are put together, and what is in the way where no order is without. `Err`: pieces of which none can
/// leave the others.
pub(super) fn steps(
    pieces: &BTreeSet<usize>,
    bonds: &[Bond],
    boxes: &[Box3],
) -> Result<(Vec<Closing>, Vec<InTheWay>), BTreeSet<usize>> {
    let mut steps = Vec::new();
    let mut in_the_way = Vec::new();
    for group in connected(pieces, bonds) {
        if group.len() < 2 {
            continue;
        }
        let (moved, along) = part_of(&group, bonds, boxes).ok_or_else(|| group.clone())?;
        let rest: BTreeSet<usize> = group.difference(&moved).copied().collect();
        for several in [&rest, &moved] {
            let (before, told) = self::steps(several, bonds, boxes)?;
            steps.extend(before);
            in_the_way.extend(told);
        }
        in_the_way.extend(met(&moved, along, &rest, bonds, boxes));
        // What leaves together may be several that have nothing to do with each other.
        for moved in connected(&moved, bonds) {
            let across = bonds.iter().filter(|b| {
                let (a, c) = (moved.contains(&b.into), moved.contains(&b.goes));
                a != c && group.contains(&b.into) && group.contains(&b.goes)
            });
            let mut joints: Vec<String> = across.clone().map(|b| b.joint.clone()).collect();
            joints.sort();
            joints.dedup();
            let onto: BTreeSet<usize> = across
                .flat_map(|b| [b.into, b.goes])
                .filter(|p| !moved.contains(p))
                .collect();
            steps.push(Closing {
                moved: moved.into_iter().collect(),
                onto: onto.into_iter().collect(),
                along: minus(along),
                joints,
            });
        }
    }
    Ok((steps, in_the_way))
}

/// What pieces meet on their way out, each of them the first.
fn met(
    moved: &BTreeSet<usize>,
    way: Place,
    rest: &BTreeSet<usize>,
    bonds: &[Bond],
    boxes: &[Box3],
) -> Option<InTheWay> {
    let axis = (0..3).find(|i| way[*i].abs() > SAME_WAY)?;
    let others = [(axis + 1) % 3, (axis + 2) % 3];
    let mates = |m: usize, r: usize| {
        let pair = |b: &Bond| (b.into, b.goes) == (m, r) || (b.into, b.goes) == (r, m);
        bonds.iter().any(pair)
    };
    let over = |m: usize, r: usize, i: usize| {
        boxes[m][i][1].min(boxes[r][i][1]) - boxes[m][i][0].max(boxes[r][i][0])
    };
    // As far as the deepest of its joints.
    let all = || {
        moved
            .iter()
            .flat_map(|m| rest.iter().map(move |r| (*m, *r)))
    };
    let deep = all().filter(|(m, r)| mates(*m, *r));
    let travel = deep.map(|(m, r)| over(m, r, axis)).fold(0.0, f64::max);
    let apart = |(m, r): (usize, usize)| match way[axis] > 0.0 {
        true => boxes[r][axis][0] - boxes[m][axis][1],
        false => boxes[m][axis][0] - boxes[r][axis][1],
    };
    let beside = |(m, r): &(usize, usize)| others.iter().all(|i| over(*m, *r, *i) > BESIDE_MM);
    let ahead = all().filter(|(m, r)| !mates(*m, *r)).filter(beside);
    let ahead = ahead.map(|(m, r)| (apart((m, r)), m, r));
    let ahead = ahead.filter(|(apart, ..)| *apart > -BESIDE_MM && *apart < travel - BESIDE_MM);
    let (apart, moved, other) = ahead.min_by(|a, b| a.0.total_cmp(&b.0))?;
    Some(InTheWay {
        moved,
        other,
        apart,
        travel,
    })
}

/// Pieces that bonds hold together.
fn connected(pieces: &BTreeSet<usize>, bonds: &[Bond]) -> Vec<BTreeSet<usize>> {
    let mut left = pieces.clone();
    let mut groups = Vec::new();
    while let Some(first) = left.pop_first() {
        let mut group = BTreeSet::from([first]);
        let mut looked = vec![first];
        while let Some(p) = looked.pop() {
            for b in bonds {
                for (one, other) in [(b.into, b.goes), (b.goes, b.into)] {
                    if one == p && left.remove(&other) {
                        group.insert(other);
                        looked.push(other);
                    }
                }
            }
        }
        groups.push(group);
    }
    groups
}

/// The fewest pieces that can leave the others together, and which way; rather more than that anything is in their way.
fn part_of(
    group: &BTreeSet<usize>,
    bonds: &[Bond],
    boxes: &[Box3],
) -> Option<(BTreeSet<usize>, Place)> {
    let within = |b: &&Bond| group.contains(&b.into) && group.contains(&b.goes);
    let ways = bonds.iter().filter(within);
    let ways = ways.flat_map(|b| &b.ways);
    let ways = ways.flat_map(|way| [*way, minus(*way)]);
    let mut best: Option<((bool, usize), BTreeSet<usize>, Place)> = None;
    for way in ways {
        for first in group {
            let moved = taken_along(*first, way, group, bonds);
            let better =
                |cost: (bool, usize)| best.as_ref().is_none_or(|(least, ..)| cost < *least);
            if moved.len() == group.len() || !better((false, moved.len())) {
                continue;
            }
            let rest: BTreeSet<usize> = group.difference(&moved).copied().collect();
            let blocked = met(&moved, way, &rest, bonds, boxes).is_some();
            let cost = (blocked, moved.len());
            if better(cost) {
                best = Some((cost, moved, way));
            }
        }
    }
    best.map(|(_, moved, way)| (moved, way))
}

/// What must move with a piece that moves this way.
fn taken_along(
    first: usize,
    way: Place,
    group: &BTreeSet<usize>,
    bonds: &[Bond],
) -> BTreeSet<usize> {
    let mut moved = BTreeSet::from([first]);
    let mut looked = vec![first];
    while let Some(p) = looked.pop() {
        for b in bonds {
            let leaves = |way: Place| b.ways.iter().any(|w| dot(*w, way) > SAME_WAY);
            let along = match p {
                p if p == b.into && !leaves(minus(way)) => b.goes,
                p if p == b.goes && !leaves(way) => b.into,
                _ => continue,
            };
            if group.contains(&along) && moved.insert(along) {
                looked.push(along);
            }
        }
    }
    moved
}

#[cfg(test)]
mod tests {
    use super::*;

    fn bond(into: usize, goes: usize, way: Place) -> Bond {
        Bond {
            into,
            goes,
            ways: vec![way],
            joint: format!("{goes} in {into}"),
        }
    }

    const X: Place = [1.0, 0.0, 0.0];
    const Y: Place = [0.0, 1.0, 0.0];
    const Z: Place = [0.0, 0.0, 1.0];

    /// Pieces that are nowhere near each other.
    fn nowhere(count: usize) -> Vec<Box3> {
        let at = |i: usize| [1000.0 * i as f64, 1000.0 * i as f64 + 1.0];
        (0..count).map(|i| [at(i); 3]).collect()
    }

    /// A post on a board, a rail that stands 20 mm in the post, and a block on the board, so far behind the rail.
    fn rail_before_a_block(apart: f64, ways: Vec<Place>) -> (Vec<Bond>, Vec<Box3>) {
        let post = [[0.0, 40.0], [0.0, 40.0], [0.0, 200.0]];
        let rail = [[20.0, 300.0], [10.0, 30.0], [100.0, 140.0]];
        let from = 300.0 + apart;
        let block = [[from, from + 40.0], [0.0, 40.0], [0.0, 200.0]];
        let board = [[0.0, 600.0], [0.0, 40.0], [-20.0, 5.0]];
        let mut onto = bond(3, 2, Z);
        onto.ways = ways;
        let bonds = vec![bond(3, 0, Z), bond(0, 1, X), onto];
        (bonds, vec![post, rail, block, board])
    }

    #[test]
    fn a_rail_goes_in_before_the_block_behind_it_is_in_the_way() {
        let (bonds, boxes) = rail_before_a_block(8.0, vec![Z]);
        let (steps, told) = steps(&all(4), &bonds, &boxes).unwrap();
        assert_eq!(told, []);
        let at = |piece: usize| steps.iter().position(|s| s.moved.contains(&piece)).unwrap();
        let rail = steps.iter().position(|s| s.joints == ["1 in 0"]).unwrap();
        assert!(rail < at(2) || at(2) == rail, "{steps:#?}");
    }

    #[test]
    fn a_piece_that_has_to_come_past_another_is_told() {
        let moved = BTreeSet::from([1]);
        let rest = BTreeSet::from([0, 2, 3]);
        let in_the_way = |apart: f64| {
            let (bonds, boxes) = rail_before_a_block(apart, vec![Z]);
            met(&moved, X, &rest, &bonds, &boxes)
        };
        let told = in_the_way(8.0).unwrap();
        assert_eq!((told.moved, told.other), (1, 2));
        assert!((told.apart - 8.0).abs() < 1e-9 && (told.travel - 20.0).abs() < 1e-9);
        // With room for the tenon, or nothing behind it.
        assert_eq!(in_the_way(20.0), None);
        let (bonds, boxes) = rail_before_a_block(8.0, vec![Z]);
        assert_eq!(met(&moved, minus(X), &rest, &bonds, &boxes), None);
    }

    fn all(count: usize) -> BTreeSet<usize> {
        (0..count).collect()
    }

    #[test]
    fn pieces_that_hold_each_other_are_told() {
        let ring = [bond(0, 1, X), bond(1, 2, Y), bond(2, 0, Z)];
        assert_eq!(steps(&all(3), &ring, &nowhere(3)), Err(all(3)));
        // One that may slide out another way too frees the others.
        let mut freed = ring;
        freed[2].ways.push(minus(X));
        let (freed, _) = steps(&all(3), &freed, &nowhere(3)).unwrap();
        assert_eq!(freed.len(), 2);
    }

    #[test]
    fn rails_between_two_sides_are_in_one_side_before_the_other_comes() {
        // The second side looks back at the first.
        let bonds = [
            bond(0, 1, X),
            bond(0, 2, X),
            bond(3, 1, minus(X)),
            bond(3, 2, minus(X)),
        ];
        let (steps, _) = steps(&all(4), &bonds, &nowhere(4)).unwrap();
        let last = steps.last().unwrap();
        assert!(last.moved == [0] || last.moved == [3], "{steps:#?}");
        assert_eq!(last.onto, [1, 2]);
        assert_eq!(steps.len(), 3);
    }
}
