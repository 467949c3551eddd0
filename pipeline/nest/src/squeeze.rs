//! Pressing the pieces of a sheet into less length: the sheet is made shorter, what stands over the new end is pushed back, and the
//! pieces are separated; where that fails, two of them change places and it is tried again, or less is taken off.

use crate::chance::Chance;
use crate::forms::Forms;
use crate::packing::{Packing, exact, within};
use crate::separate::{Patience, separate};
use grainway_geom::{Bounds, Point};

/// The sheet is made shorter by this share at first, and by less where that fails.
const FIRST_SHARE: f64 = 0.04;
const LEAST_SHARE: f64 = 0.001;
/// Rounds without progress after which a separation is given up.
const ROUNDS: usize = 60;
/// Disturbances before a length is given up.
const TRIES: usize = 8;

/// A sheet that is made shorter.
pub(crate) struct Squeeze<'f> {
    forms: &'f mut Forms,
    packing: Packing,
    /// Where the ways of each piece may come on the whole sheet.
    whole: Vec<Vec<Bounds>>,
    best: Vec<(usize, Point)>,
    /// The length that the best takes.
    pub(crate) length: f64,
    /// The length that the largest piece takes alone.
    least: f64,
    /// The share of it that is taken off next.
    share: f64,
    chance: Chance,
}

impl<'f> Squeeze<'f> {
    /// Of pieces that lie without overlap.
    pub(crate) fn new(forms: &'f mut Forms, mut packing: Packing, sequence: u64) -> Squeeze<'f> {
        packing.measure_all(forms);
        let whole = packing
            .pieces
            .iter()
            .map(|p| p.ways.iter().map(|w| w.range).collect())
            .collect();
        let shortest = packing.pieces.iter().filter(|p| !p.fixed).map(|p| {
            let ends = p.ways.iter().filter(|w| w.fits());
            ends.map(|w| w.range.min.x + forms.form(w.form).hi.x)
                .fold(f64::INFINITY, f64::min)
        });
        let least = shortest.fold(0.0, f64::max);
        Squeeze {
            best: packing.places(),
            length: used(&packing, forms),
            forms,
            packing,
            whole,
            least,
            share: FIRST_SHARE,
            chance: Chance::sequence(sequence),
        }
    }
    /// A shorter length is still thinkable.
    pub(crate) fn goes_on(&self) -> bool {
        self.length * (1.0 - LEAST_SHARE) >= self.least
    }
    /// Searches until about so many edges were looked at; returns how many were.
    pub(crate) fn run(&mut self, looked: u64) -> u64 {
        let from = self.packing.looked;
        let until = from + looked;
        while self.packing.looked < until && self.goes_on() {
            let length = (self.length * (1.0 - self.share)).max(self.least);
            if self.shorter(length, until) {
                self.length = used(&self.packing, self.forms);
                self.best = self.packing.places();
            } else {
                self.share = (self.share * 0.5).max(LEAST_SHARE);
            }
        }
        self.packing.looked - from
    }
    /// The pieces at the shortest length that was found.
    pub(crate) fn into_packing(mut self) -> Packing {
        self.set_length(f64::INFINITY);
        self.packing.restore(self.forms, &self.best);
        self.packing
    }
    /// Tries to lay everything on a shorter sheet, from the best so far.
    fn shorter(&mut self, length: f64, looked: u64) -> bool {
        self.set_length(length);
        let pushed: Vec<(usize, Point)> = self
            .best
            .iter()
            .zip(&self.packing.pieces)
            .map(|(&(way, at), p)| {
                if p.fixed {
                    return (way, at);
                }
                let way = if p.ways[way].fits() {
                    way
                } else {
                    p.ways.iter().position(|w| w.fits()).unwrap_or(way)
                };
                (way, within(at, p.ways[way].range))
            })
            .collect();
        self.packing.restore(self.forms, &pushed);
        let patience = Patience {
            rounds: ROUNDS,
            looked,
        };
        let mut least = f64::INFINITY;
        let mut from = pushed;
        for _ in 0..TRIES {
            let parted = separate(&mut self.packing, self.forms, &mut self.chance, patience);
            if parted.total <= 0.0 {
                return true;
            }
            if self.packing.looked >= looked {
                return false;
            }
            if parted.total < least {
                (least, from) = (parted.total, parted.places);
            }
            self.packing.restore(self.forms, &from);
            self.disturb();
        }
        false
    }
    fn set_length(&mut self, length: f64) {
        for (piece, whole) in self.packing.pieces.iter_mut().zip(&self.whole) {
            if piece.fixed {
                continue;
            }
            for (way, whole) in piece.ways.iter_mut().zip(whole) {
                let hi = self.forms.form(way.form).hi;
                let mut range = *whole;
                range.max.x = range.max.x.min(length - hi.x);
                way.range = exact(range);
            }
        }
    }
    /// Two pieces of different form change places.
    fn disturb(&mut self) {
        let free: Vec<usize> = (0..self.packing.pieces.len())
            .filter(|&i| !self.packing.pieces[i].fixed)
            .collect();
        if free.len() < 2 {
            return;
        }
        let form = |s: &Self, i: usize| {
            let p = &s.packing.pieces[i];
            p.ways[p.way].form
        };
        let a = free[self.chance.below(free.len())];
        let mut others: Vec<usize> = free.clone();
        others.retain(|&b| form(self, b) != form(self, a));
        if others.is_empty() {
            others = free;
        }
        let b = others[self.chance.below(others.len())];
        let middle = |s: &Self, i: usize| {
            let f = s.forms.form(form(s, i));
            s.packing.pieces[i].at + (f.lo + f.hi) * 0.5
        };
        let (ma, mb) = (middle(self, a), middle(self, b));
        for (i, by) in [(a, mb - ma), (b, ma - mb)] {
            let p = &self.packing.pieces[i];
            let (way, at) = (p.way, within(p.at + by, p.ways[p.way].range));
            self.packing.bring(self.forms, i, way, at);
        }
    }
}

/// The length up to which pieces lie.
pub(crate) fn used(packing: &Packing, forms: &Forms) -> f64 {
    let lying = packing.pieces.iter().filter(|p| p.lies && !p.fixed);
    lying
        .map(|p| p.at.x + forms.form(p.ways[p.way].form).hi.x)
        .fold(0.0, f64::max)
}
