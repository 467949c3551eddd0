//! Bridges from a piece to a neighbour that is held: tabs of both in the same place, with the strip of waste between them.

use super::HoldSettings;
use super::board::Board;
use super::decided::Decided;
use super::tabs::{
    BETWEEN_MM, Planner, Spot, TOUCH_MM, Want, choose, held_behind, holds_all_round, kerf_at,
    last_path,
};
use super::{outline_cuts, tab_top};
use grainway_geom::{Contour, Point};
use grainway_pipeline::work::{Operation, ProfileCut, Setup};
use std::collections::BTreeMap;

/// A neighbour's edge is looked for in steps of this, mm.
const STEP_MM: f64 = 0.5;
/// Edges with a bridge between them face each other: the cosine of the angle between their outward directions is at most this (6°).
const FACING: f64 = -0.995;
/// The two tabs of a bridge lie this exactly over against each other, mm.
const AGAINST_MM: f64 = 0.5;

/// Holds pieces that are still open by tabs towards held waste and bridges to neighbours, as many of them as that works for. Pieces may
/// carry each other, as long as each is held all round by what it is joined to without itself.
pub(super) fn to_neighbours(
    board: &Board<'_>,
    setup: &Setup,
    settings: &HoldSettings,
    planner: &mut Planner<'_>,
    decided: &mut [Decided],
) {
    if tab_top(&setup.z, settings.tab_height.mm()).is_none() {
        return;
    }
    let open = (0..decided.len()).filter(|i| matches!(decided[*i], Decided::Open));
    let mut together: BTreeMap<usize, Vec<Place>> = open
        .map(|i| (i, places(board, settings, planner, decided, i)))
        .collect();
    while !together.is_empty() {
        match Joined::of(board, settings, decided, &together) {
            Ok(joined) => return joined.settle(&together, decided),
            Err(failed) => {
                together.remove(&failed);
            }
        }
    }
}

/// A place for a tab of a piece: towards held waste, or towards a neighbour, with that one's own place.
struct Place {
    spot: Spot,
    facing: Option<(usize, Spot)>,
}

fn places(
    board: &Board<'_>,
    settings: &HoldSettings,
    planner: &mut Planner<'_>,
    decided: &[Decided],
    i: usize,
) -> Vec<Place> {
    let variant = board.variant(i);
    let Some((_, cut)) = outline_cuts(variant).last() else {
        return Vec::new();
    };
    let place = |spot: Spot| {
        if held_behind(board, i, cut, &spot, settings) {
            return Some(Place { spot, facing: None });
        }
        let facing = facing(board, settings, decided, i, cut, &spot)?;
        Some(Place {
            spot,
            facing: Some(facing),
        })
    };
    planner
        .spots(variant, cut)
        .into_iter()
        .filter_map(place)
        .collect()
}

/// Tabs and bridges of all pieces.
struct Joined {
    /// Tabs of each piece that has some.
    taken: BTreeMap<usize, Vec<Spot>>,
    /// What each of the tabs of a piece that is not held by itself leads to: a piece, or, `None`, held waste.
    leads: BTreeMap<usize, Vec<(Spot, Option<usize>)>>,
}

impl Joined {
    /// Tabs and bridges that hold all of these pieces; else one that they do not hold.
    fn of(
        board: &Board<'_>,
        settings: &HoldSettings,
        decided: &[Decided],
        together: &BTreeMap<usize, Vec<Place>>,
    ) -> Result<Joined, usize> {
        let held = decided.iter().enumerate().filter_map(|(i, d)| match d {
            Decided::Tabs(spots) => Some((i, spots.clone())),
            _ => None,
        });
        let mut joined = Joined {
            taken: held.collect(),
            leads: together.keys().map(|i| (*i, Vec::new())).collect(),
        };
        for (i, places) in together {
            joined.add(board, settings, *i, places)?;
        }
        for i in together.keys() {
            let path = outline_cuts(board.variant(*i))
                .last()
                .and_then(|(_, cut)| last_path(cut));
            let good: Vec<Spot> = joined.leads[i]
                .iter()
                .filter(|(_, to)| to.is_none_or(|j| joined.reaches(j, *i)))
                .map(|(spot, _)| *spot)
                .collect();
            if !holds_all_round(&good, path) {
                return Err(*i);
            }
        }
        Ok(joined)
    }
    /// Gives piece `i` what it needs besides the bridges that earlier pieces have to it.
    fn add(
        &mut self,
        board: &Board<'_>,
        settings: &HoldSettings,
        i: usize,
        places: &[Place],
    ) -> Result<(), usize> {
        let Some((_, cut)) = outline_cuts(board.variant(i)).last() else {
            return Err(i);
        };
        let path = last_path(cut).ok_or(i)?;
        let given = self.taken.get(&i).cloned().unwrap_or_default();
        let carries = |j: &usize| self.taken.contains_key(j) || self.leads.contains_key(j);
        let free = |p: &&Place| {
            let there = |(j, s): &(usize, Spot)| carries(j) && self.room(board, *j, s);
            self.room(board, i, &p.spot) && p.facing.as_ref().is_none_or(there)
        };
        let free: Vec<&Place> = places.iter().filter(free).collect();
        let mut spots: Vec<Spot> = free
            .iter()
            .map(|p| p.spot)
            .chain(given.iter().copied())
            .collect();
        spots.sort_by(|a, b| a.along.total_cmp(&b.along));
        let chosen = choose(&spots, path.length(), &Want::of(settings, cut));
        let all: Vec<Spot> = chosen.iter().chain(&given).copied().collect();
        if !holds_all_round(&all, Some(path)) {
            return Err(i);
        }
        let new = free.into_iter().filter(|p| chosen.contains(&p.spot));
        for p in new.collect::<Vec<_>>() {
            // Two of the chosen may face the same place of a neighbour.
            if p.facing
                .as_ref()
                .is_some_and(|(j, s)| !self.room(board, *j, s))
            {
                continue;
            }
            self.lead(i, p.spot, p.facing.map(|(j, _)| j));
            if let Some((j, s)) = p.facing {
                self.lead(j, s, Some(i));
            }
        }
        Ok(())
    }
    fn lead(&mut self, i: usize, spot: Spot, to: Option<usize>) {
        self.taken.entry(i).or_default().push(spot);
        if let Some(leads) = self.leads.get_mut(&i) {
            leads.push((spot, to));
        }
    }
    /// A tab there keeps its distance from the others of the piece.
    fn room(&self, board: &Board<'_>, i: usize, spot: &Spot) -> bool {
        let Some((_, cut)) = outline_cuts(board.variant(i)).last() else {
            return false;
        };
        let length = last_path(cut).map_or(0.0, Contour::length);
        self.taken.get(&i).into_iter().flatten().all(|s| {
            let d = (s.along - spot.along).rem_euclid(length.max(1e-9));
            let least = (s.neck + spot.neck) / 2.0 + cut.cutter_diameter + BETWEEN_MM;
            d.min(length - d) >= least
        })
    }
    /// Piece `j` is joined to held waste without piece `without`.
    fn reaches(&self, j: usize, without: usize) -> bool {
        let mut seen = vec![without, j];
        let mut next = 1;
        while let Some(k) = seen.get(next).copied() {
            next += 1;
            let Some(leads) = self.leads.get(&k) else {
                // Held by its own tabs.
                return true;
            };
            for (_, to) in leads {
                match to {
                    None => return true,
                    Some(to) if !seen.contains(to) => seen.push(*to),
                    Some(_) => {}
                }
            }
        }
        false
    }
    fn settle(self, together: &BTreeMap<usize, Vec<Place>>, decided: &mut [Decided]) {
        for (i, mut spots) in self.taken {
            spots.sort_by(|a, b| a.along.total_cmp(&b.along));
            decided[i] = match together.contains_key(&i) {
                true => {
                    let to = self.leads[&i].iter().filter_map(|(_, to)| *to);
                    Decided::Bridges(spots, to.collect())
                }
                false => Decided::Tabs(spots),
            };
        }
    }
}

/// The neighbour that lies over against a place of piece `i`'s outline, and its own place there. The neighbour has tabs, or may get some.
fn facing(
    board: &Board<'_>,
    settings: &HoldSettings,
    decided: &[Decided],
    i: usize,
    cut: &ProfileCut,
    spot: &Spot,
) -> Option<(usize, Spot)> {
    let kerf = [kerf_at(cut, spot), cut.cutter_diameter];
    let across = [-0.5, 0.0, 0.5].map(|share| neighbour(board, settings, i, kerf, spot, share));
    let [Some(j), Some(k), Some(l)] = across else {
        return None;
    };
    if j != k || j != l || !matches!(decided[j], Decided::Tabs(_) | Decided::Open) {
        return None;
    }
    let (_, other) = outline_cuts(board.variant(j)).last()?;
    let path = last_path(other)?;
    let placed = |p: Point| board.placing(i).point(p);
    let here = |p: Point| board.placing(j).inverse_point(p);
    let from = here(placed(spot.at));
    let way_out = here(placed(spot.at + spot.out)) - from;
    let (at, along) = path.nearest(from)?;
    let (_, way) = path.at_length(along)?;
    let out = outwards(path, way);
    let aside = (at - from).dot(way_out.left()).abs();
    let found = Spot {
        along,
        at,
        way,
        out,
        neck: spot.neck,
    };
    (out.dot(way_out) <= FACING && aside <= AGAINST_MM && may_stand(other, &found))
        .then_some((j, found))
}

/// Unit direction away from the piece that a path runs round.
fn outwards(path: &Contour, way: Point) -> Point {
    match path.area() > 0.0 {
        true => -way.left(),
        false => way.left(),
    }
}

/// The profile stage allows a tab there.
fn may_stand(cut: &ProfileCut, spot: &Spot) -> bool {
    let length = last_path(cut).map_or(0.0, Contour::length);
    let half = (spot.neck + cut.cutter_diameter) / 2.0;
    cut.tab_spans.iter().any(|span| {
        [0.0, length].iter().any(|turn| {
            let along = spot.along + turn;
            along >= span.from + half && along <= span.to - half
        })
    })
}

/// The first piece that a line meets which goes outwards from the kerf of piece `i`, `share` of the tab's neck aside of its middle.
/// `None` where it meets none within what a strip may be wide, or another cut than the two outlines before.
fn neighbour(
    board: &Board<'_>,
    settings: &HoldSettings,
    i: usize,
    [kerf, cutter]: [f64; 2],
    spot: &Spot,
    share: f64,
) -> Option<usize> {
    let outline =
        |p: usize, step: usize| board.variant(p).steps[step].operation == Operation::Outline;
    // A strip that is too narrow for tabs, and the neighbour's kerf, at most as wide as both sides of this one.
    let steps = ((2.0 * kerf + cutter + settings.strip_least.mm()) / STEP_MM).ceil() as usize;
    let place = |k: usize| {
        let out = kerf + STEP_MM * (k as f64 - 1.0);
        let local = spot.at + spot.out * out + spot.way * (share * spot.neck);
        board.placing(i).point(local)
    };
    // From within the kerf on: kerfs of neighbours may overlap.
    let mut between = Vec::new();
    let met = (0..=steps).map(place).find_map(|q| {
        between.push(q);
        board.piece_at(q).filter(|j| *j != i)
    })?;
    let others = |p: usize, step: usize, _: f64| !(outline(p, step) && (p == i || p == met));
    let clear = |q: &Point| {
        board.edge_distance(*q) >= 0.0 && board.clearance(*q, TOUCH_MM, &others) >= TOUCH_MM - 1e-9
    };
    between.iter().all(clear).then_some(met)
}
