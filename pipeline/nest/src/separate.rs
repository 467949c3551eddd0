//! Separation: pieces that overlap are moved one by one to where they overlap least, and what stays comes to count more, until nothing
//! overlaps (guided local search; Egeblad, Nielsen, Odgaard, "Fast neighborhood search for two- and three-dimensional nesting
//! problems", 2007; Umetani et al., "Solving the irregular strip packing problem via guided local search for overlap minimization",
//! 2009).

use crate::chance::Chance;
use crate::forms::Forms;
use crate::packing::Packing;
use grainway_geom::Point;

/// How long to try.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Patience {
    /// Rounds in which the total does not fall.
    pub(crate) rounds: usize,
    /// Edges looked at, for the packing in all.
    pub(crate) looked: u64,
}

/// A round must lower the least total to this share of it to count as better.
const BETTER: f64 = 0.98;

/// How a separation ended.
pub(crate) struct Parted {
    /// Overlap that is left, mm: the least that was seen.
    pub(crate) total: f64,
    /// The places with that overlap.
    pub(crate) places: Vec<(usize, Point)>,
}

/// Moves pieces until nothing overlaps or patience ends; the packing is left at the least overlap seen. It must have been measured.
pub(crate) fn separate(
    packing: &mut Packing,
    forms: &mut Forms,
    chance: &mut Chance,
    patience: Patience,
) -> Parted {
    packing.forget_weights();
    let mut best = Parted {
        total: packing.total(),
        places: packing.places(),
    };
    let mut waited = 0;
    while best.total > 0.0 && waited < patience.rounds && packing.looked < patience.looked {
        let mut order: Vec<usize> = (0..packing.pieces.len())
            .filter(|&i| !packing.pieces[i].fixed && packing.overlaps(i))
            .collect();
        chance.shuffle(&mut order);
        for i in order {
            if packing.overlaps(i) {
                packing.improve(forms, i, chance);
            }
        }
        packing.weigh();
        let total = packing.total();
        if total < BETTER * best.total {
            waited = 0;
        } else {
            waited += 1;
        }
        if total < best.total {
            best = Parted {
                total,
                places: packing.places(),
            };
        }
    }
    packing.restore(forms, &best.places);
    best
}
