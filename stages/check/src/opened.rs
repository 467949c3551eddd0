//! What cuts leave open at many depths. A deeper cavity is within every shallower one, so each is made from the one below it and from
//! what is cut between the two alone.

use super::motions::Motion;
use grainway_geom::{Capsule, PolySet, swept};
use std::collections::{BTreeMap, BTreeSet};

/// A disc's path, known by its numbers: passes lie over each other.
type Key = [u64; 6];

fn keyed(capsule: Capsule) -> (Key, Capsule) {
    let (path, radius) = (capsule.segment, capsule.radius);
    let (a, b) = (path.start(), path.end());
    let key = [a.x, a.y, b.x, b.y, path.bulge(), radius].map(f64::to_bits);
    (key, capsule)
}

/// What is swept at each of these heights, highest last; `cuts` each with its cutter's radius.
pub(super) fn at_heights(cuts: &[(Motion, f64)], heights: &[f64]) -> BTreeMap<u64, PolySet> {
    let mut heights = heights.to_vec();
    heights.sort_by(f64::total_cmp);
    let mut waiting: Vec<&(Motion, f64)> = cuts.iter().collect();
    let mut known: BTreeSet<Key> = BTreeSet::new();
    let mut whole = PolySet::default();
    let mut made = BTreeMap::new();
    for z in heights {
        // Cuts that run below this height from end to end belong to all that is higher too.
        let mut added: BTreeMap<Key, Capsule> = BTreeMap::new();
        let mut partly: BTreeMap<Key, Capsule> = BTreeMap::new();
        waiting.retain(|(m, radius)| {
            let Some(segment) = m.path_below(z) else {
                return true;
            };
            let ends = m.z[0] <= z && m.z[1] <= z;
            let (key, capsule) = keyed(Capsule {
                segment,
                radius: *radius,
            });
            if !known.contains(&key) {
                let to = if ends { &mut added } else { &mut partly };
                to.insert(key, capsule);
            }
            !ends
        });
        if !added.is_empty() {
            known.extend(added.keys().copied());
            let more: Vec<Capsule> = added.into_values().collect();
            whole = match whole.is_empty() {
                true => swept(&more),
                false => whole.union(&swept(&more)),
            };
        }
        partly.retain(|key, _| !known.contains(key));
        let partly: Vec<Capsule> = partly.into_values().collect();
        let open = match partly.is_empty() {
            true => whole.clone(),
            false => whole.union(&swept(&partly)),
        };
        made.insert(z.to_bits(), open);
    }
    made
}

#[cfg(test)]
mod tests {
    use super::*;
    use grainway_geom::{Segment, point};

    /// Zigzags down a slot: ramps, level passes, some of them twice.
    fn cuts() -> Vec<(Motion, f64)> {
        let mut cuts = Vec::new();
        let mut last = (point(0.0, 0.0), 10.0);
        for i in 0..40_u32 {
            let k = f64::from(i);
            let to = point(
                if i % 2 == 0 { 30.0 - k } else { k / 2.0 },
                4.0 * f64::from(i % 3),
            );
            let z = 10.0 - 0.5 * f64::from(i / 2);
            let path = Segment::Line { a: last.0, b: to };
            let m = Motion {
                text: 0,
                line: 1,
                cuts: true,
                path,
                z: [last.1, z],
                tool: 0,
                feed: 1000.0,
                rpm: 18000.0,
            };
            cuts.extend([(m, 3.0), (Motion { z: [z, z], ..m }, 3.0)]);
            last = (to, z);
        }
        cuts
    }

    #[test]
    fn each_depth_is_what_its_own_cuts_sweep() {
        let cuts = cuts();
        let heights = [9.9, 0.5, 0.75, 3.25, 3.3, 7.0, 11.0];
        let made = at_heights(&cuts, &heights);
        for z in heights {
            let below = cuts.iter().filter_map(|(m, radius)| {
                let segment = m.path_below(z)?;
                Some(Capsule {
                    segment,
                    radius: *radius,
                })
            });
            let alone = swept(&below.collect::<Vec<_>>());
            let open = &made[&z.to_bits()];
            let apart = open.difference(&alone).area() + alone.difference(open).area();
            assert!(apart < 1e-3, "{z}: {apart} mm²");
            assert!(alone.area() > 1.0, "{z}");
        }
    }
}
