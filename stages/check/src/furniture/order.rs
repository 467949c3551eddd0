//! In which order the pieces are put together: they are taken apart, and that is read backwards.

use super::contacts::{Place, minus};
use super::poses::{SAME_WAY, dot};
use grainway_pipeline::work::Closing;
use std::collections::BTreeSet;

/// Two pieces that a joint holds together.
pub(super) struct Bond {
    pub(super) into: usize,
    pub(super) goes: usize,
    /// The ways in which `goes` leaves `into`.
    pub(super) ways: Vec<Place>,
    pub(super) joint: String,
}

/// The steps in which these pieces are put together. `Err`: pieces of which none can leave the others.
pub(super) fn steps(
    pieces: &BTreeSet<usize>,
    bonds: &[Bond],
) -> Result<Vec<Closing>, BTreeSet<usize>> {
    let mut steps = Vec::new();
    for group in connected(pieces, bonds) {
        if group.len() < 2 {
            continue;
        }
        let (moved, along) = part_of(&group, bonds).ok_or_else(|| group.clone())?;
        let rest: BTreeSet<usize> = group.difference(&moved).copied().collect();
        steps.extend(self::steps(&rest, bonds)?);
        steps.extend(self::steps(&moved, bonds)?);
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
    Ok(steps)
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

/// The fewest pieces that can leave the others together, and which way.
fn part_of(group: &BTreeSet<usize>, bonds: &[Bond]) -> Option<(BTreeSet<usize>, Place)> {
    let within = |b: &&Bond| group.contains(&b.into) && group.contains(&b.goes);
    let ways = bonds.iter().filter(within);
    let ways = ways.flat_map(|b| &b.ways);
    let ways = ways.flat_map(|way| [*way, minus(*way)]);
    let mut best: Option<(BTreeSet<usize>, Place)> = None;
    for way in ways {
        for first in group {
            let moved = taken_along(*first, way, group, bonds);
            let fewer = best.as_ref().is_none_or(|(b, _)| moved.len() < b.len());
            if moved.len() < group.len() && fewer {
                best = Some((moved, way));
            }
        }
    }
    best
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

    fn all(count: usize) -> BTreeSet<usize> {
        (0..count).collect()
    }

    #[test]
    fn pieces_that_hold_each_other_are_told() {
        let ring = [bond(0, 1, X), bond(1, 2, Y), bond(2, 0, Z)];
        assert_eq!(steps(&all(3), &ring), Err(all(3)));
        // One that may slide out another way too frees the others.
        let mut freed = ring;
        freed[2].ways.push(minus(X));
        assert_eq!(steps(&all(3), &freed).unwrap().len(), 2);
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
        let steps = steps(&all(4), &bonds).unwrap();
        let last = steps.last().unwrap();
        assert!(last.moved == [0] || last.moved == [3], "{steps:#?}");
        assert_eq!(last.onto, [1, 2]);
        assert_eq!(steps.len(), 3);
    }
}
