//! Under which pieces a skin is left: those without room for tabs, and no more of their neighbours than it takes to hold them.
//!
//! Where kerfs of neighbours overlap, the one that goes through cuts the other's skin away. A skin holds a piece only where it stands
//! and joins it to wood that is held without it, on opposite sides.

use super::HoldSettings;
use super::board::{Board, CHORD_MM, kerf_width};
use super::decided::Decided;
use super::tabs::{GAP_DEGREES, Spot, opposite, widest_gap};
use grainway_geom::{Contour, Notes, PolySet, Region, offset, point};
use std::collections::{BTreeMap, BTreeSet};

/// Along an outline, skins are looked at in steps of this, mm.
const STEP_MM: f64 = 5.0;
/// What a skin ends in is looked at so far beyond the kerf, mm.
const BEYOND_MM: f64 = 0.3;
/// Waste smaller than this is nothing that joins, mm².
const LEAST_MM2: f64 = 1.0;

/// Decides for all pieces that are still open: a skin, or open as before where even skins under all their neighbours do not hold.
pub(super) fn under(board: &Board<'_>, settings: &HoldSettings, decided: &mut [Decided]) {
    let open: BTreeSet<usize> = (0..decided.len())
        .filter(|i| matches!(decided[*i], Decided::Open))
        .collect();
    let Some(held) = board.held_waste() else {
        // Every piece stands alone in waste that is wide enough.
        for i in open {
            decided[i] = Decided::Skin;
        }
        return;
    };
    let cut: Vec<usize> = (0..decided.len())
        .filter(|i| !matches!(decided[*i], Decided::Uncut))
        .collect();
    let kerfs = Kerfs::of(board, &cut);
    let mut skinned = open;
    loop {
        let loose = kerfs.loose(board, settings, held, &skinned);
        if loose.is_empty() {
            break;
        }
        let beside: BTreeSet<usize> = loose
            .iter()
            .flat_map(|i| kerfs.beside(*i))
            .filter(|j| !skinned.contains(j))
            .collect();
        if beside.is_empty() {
            // More skins do not help these.
            loose.iter().for_each(|i| {
                skinned.remove(i);
            });
            break;
        }
        skinned.extend(beside);
    }
    for i in skinned {
        decided[i] = Decided::Skin;
    }
}

/// The kerf round each piece, board coordinates.
struct Kerfs(BTreeMap<usize, Kerf>);

struct Kerf {
    width: f64,
    ring: PolySet,
}

impl Kerfs {
    fn of(board: &Board<'_>, pieces: &[usize]) -> Kerfs {
        let kerf = |i: usize| {
            let width = kerf_width(board.variant(i));
            let own = Region::inside(board.outline(i).clone());
            let grown = offset(&own, width, &mut Notes::default());
            let grown = PolySet::from_regions(&grown, CHORD_MM);
            let ring = grown.difference(&PolySet::from_regions(&[own], CHORD_MM));
            Kerf { width, ring }
        };
        Kerfs(pieces.iter().map(|i| (*i, kerf(*i))).collect())
    }
    /// Pieces whose kerfs overlap that of piece `i`.
    fn beside(&self, i: usize) -> Vec<usize> {
        let Some(own) = self.0.get(&i) else {
            return Vec::new();
        };
        let near = own.ring.bounds();
        let touches = |k: &Kerf| {
            k.ring.bounds().touches(near) && k.ring.intersection(&own.ring).area() > LEAST_MM2
        };
        let all = self.0.iter().filter(|(j, k)| **j != i && touches(k));
        all.map(|(j, _)| *j).collect()
    }
    /// The pieces among `skinned` that their skins do not hold.
    fn loose(
        &self,
        board: &Board<'_>,
        settings: &HoldSettings,
        held: &PolySet,
        skinned: &BTreeSet<usize>,
    ) -> Vec<usize> {
        let rectangle = Contour::rectangle(point(0.0, 0.0), board.size, 0.0);
        let through = self.0.iter().filter(|(i, _)| !skinned.contains(i));
        let mut standing = PolySet::from_contour(&rectangle, CHORD_MM);
        for (_, kerf) in through {
            standing = standing.difference(&kerf.ring);
        }
        let is_loose = |i: &&usize| {
            let Some(kerf) = self.0.get(i) else {
                return false;
            };
            let without = standing.difference(&kerf.ring);
            let firm: Vec<PolySet> = without
                .0
                .iter()
                .map(|shape| PolySet(vec![shape.clone()]))
                .filter(|one| one.intersection(held).area() > settings.strip_least.mm())
                .collect();
            !holds(board.outline(**i), kerf.width, &standing, &firm)
        };
        skinned.iter().filter(is_loose).copied().collect()
    }
}

/// The skin under a piece of this outline stands on opposite sides and ends there in wood that is held.
fn holds(outline: &Contour, kerf: f64, standing: &PolySet, firm: &[PolySet]) -> bool {
    let measured = outline.measured();
    let n = (outline.length() / STEP_MM).ceil().max(8.0);
    let sense = if outline.area() > 0.0 { 1.0 } else { -1.0 };
    let mut grips = Vec::new();
    for k in 0..n as usize {
        let along = outline.length() * k as f64 / n;
        let Some((at, way)) = measured.at_length(along) else {
            continue;
        };
        let out = way.left() * -sense;
        let stands = [0.25, 0.5, 0.75]
            .iter()
            .all(|share| standing.contains(at + out * (kerf * share)));
        let beyond = at + out * (kerf + BEYOND_MM);
        if stands && firm.iter().any(|one| one.contains(beyond)) {
            grips.push(Spot {
                along,
                at,
                way,
                out,
                neck: STEP_MM,
            });
        }
    }
    opposite(&grips) && widest_gap(&grips, outline.bounds().centre()) <= GAP_DEGREES
}
