//! Boards that a former night had and that this one keeps: every piece on them is still wanted and is cut as it was.

use super::PLACE_MM;
use grainway_geom::{Placing, point};
use grainway_pipeline::doc::{FormerNight, FormerPlaced, FormerSetup, Stock};
use grainway_pipeline::work::{Placement, Setup, SetupKind, Variant, Work};
use std::collections::{BTreeMap, BTreeSet};
use std::f64::consts::FRAC_PI_2;

/// A board that keeps its layout.
pub(super) struct Kept<'w> {
    /// The board's id in its stock.
    pub(super) board: &'w str,
    pub(super) placements: Vec<Placement>,
}

/// The boards of a stock that are kept. `wanted` has the variant of each piece that is cut from it now.
pub(super) fn boards<'w>(
    work: &'w Work,
    id: &str,
    stock: &Stock,
    wanted: &BTreeMap<&str, &str>,
) -> Vec<Kept<'w>> {
    let Some(former) = work.documents.former() else {
        return Vec::new();
    };
    let unchanged = unchanged(work, former);
    let stays = |p: &FormerPlaced| {
        unchanged.contains(p.variant.as_str())
            && wanted.get(p.piece.as_str()) == Some(&p.variant.as_str())
    };
    let mut left: BTreeMap<&str, u32> = stock
        .boards
        .iter()
        .map(|b| (b.id.as_str(), b.count))
        .collect();
    let same_wood = |setup: &FormerSetup| {
        let board = stock
            .boards
            .iter()
            .find(|b| Some(&b.id) == setup.board.as_ref());
        let (low, mean, high) = stock.readings_mm();
        let same = |a: f64, b: f64| (a - b).abs() < PLACE_MM / 2.0;
        setup.stock == id
            && board.is_some_and(|b| {
                same(b.length.mm(), setup.size[0]) && same(b.width.mm(), setup.size[1])
            })
            && [low, mean, high]
                .iter()
                .zip(setup.thickness)
                .all(|(a, b)| same(*a, b))
    };
    let mut kept = Vec::new();
    for setup in former.setups.iter().filter(|s| same_wood(s)) {
        let Some(board) = setup.board.as_deref() else {
            continue;
        };
        let defects = stock.boards.iter().filter(|b| b.id == board);
        let defects: Vec<_> = defects
            .flat_map(|b| &b.defects)
            .map(|d| d.bounds())
            .collect();
        let clear = |p: &FormerPlaced| {
            let outline = work
                .variant(&p.variant)
                .map(|v| v.outline.placed(&placing(p)).bounds());
            outline.is_some_and(|o| !defects.iter().any(|d| d.touches(o)))
        };
        let room = left.get_mut(board).filter(|n| **n > 0);
        let all = !setup.placed.is_empty() && setup.placed.iter().all(|p| stays(p) && clear(p));
        if let (Some(room), true) = (room, all) {
            *room -= 1;
            kept.push(Kept {
                board,
                placements: setup.placed.iter().map(placement).collect(),
            });
        }
    }
    kept
}

/// Variants of the former night that are cut now as they were.
fn unchanged<'w>(work: &'w Work, former: &FormerNight) -> BTreeSet<&'w str> {
    let same = |v: &&Variant| former.variants.get(&v.id) == Some(&v.sum());
    work.variants
        .iter()
        .filter(same)
        .map(|v| v.id.as_str())
        .collect()
}

/// Where a piece lay: places were rounded when they were chosen, and the report tells them so.
fn placing(p: &FormerPlaced) -> Placing {
    let rounded = |v: f64| (v / PLACE_MM).round() * PLACE_MM;
    Placing {
        at: point(rounded(p.at[0]), rounded(p.at[1])),
        angle: (p.angle / 90.0).round() * FRAC_PI_2,
    }
}

fn placement(p: &FormerPlaced) -> Placement {
    Placement {
        piece: p.piece.clone(),
        variant: p.variant.clone(),
        placing: placing(p),
        tabs: Vec::new(),
        waste: Vec::new(),
        tabbed: Vec::new(),
        replaced: Vec::new(),
        hold: Default::default(),
    }
}

/// Setups that the former night had too keep their names; the others get the lowest that are free. Boards stand in the places of those
/// whose names they have, so that programs keep their numbers.
pub(super) fn names(work: &Work, setups: &mut [Setup]) {
    let Some(former) = work.documents.former() else {
        return;
    };
    let mut free: Vec<&FormerSetup> = former.setups.iter().collect();
    let mut names: Vec<Option<String>> = Vec::new();
    for setup in setups.iter() {
        let same = free.iter().position(|f| is_same(setup, f));
        names.push(same.map(|i| free.remove(i).id.clone()));
    }
    let mut used: BTreeSet<String> = names.iter().flatten().cloned().collect();
    let mut renamed: BTreeMap<String, String> = BTreeMap::new();
    for (setup, name) in setups.iter().zip(names) {
        let word = setup.id.trim_end_matches(|c: char| c.is_ascii_digit());
        let new = name.or_else(|| {
            let mut all = (1..).map(|n| format!("{word}{n}"));
            all.find(|n| !used.contains(n))
        });
        let new = new.unwrap_or_else(|| setup.id.clone());
        used.insert(new.clone());
        renamed.insert(setup.id.clone(), new);
    }
    for setup in setups.iter_mut() {
        setup.id = renamed[&setup.id].clone();
        if let Some(lines) = &mut setup.lines {
            *lines = renamed.get(lines).unwrap_or(lines).clone();
        }
    }
    // Blanks follow boards, and the lines that they lie in stand before them.
    let boards = setups
        .iter()
        .take_while(|s| s.kind == SetupKind::Board)
        .count();
    setups[..boards].sort_by_key(|s| number(&s.id));
}

fn number(id: &str) -> usize {
    let digits = id.rsplit('-').next().and_then(|n| n.parse().ok());
    digits.unwrap_or(usize::MAX)
}

fn is_same(setup: &Setup, former: &FormerSetup) -> bool {
    let near = |a: f64, b: f64| (a - b).abs() < PLACE_MM / 2.0;
    let word = |id: &str| {
        id.trim_end_matches(|c: char| c.is_ascii_digit())
            .to_string()
    };
    let stock = match setup.kind {
        SetupKind::Lines => "",
        SetupKind::Board | SetupKind::Blank => setup.stock.as_str(),
    };
    let placed = |(p, f): (&Placement, &FormerPlaced)| {
        let turned = (p.placing.angle.to_degrees() - f.angle).abs();
        p.piece == f.piece
            && p.variant == f.variant
            && near(p.placing.at.x, f.at[0])
            && near(p.placing.at.y, f.at[1])
            && turned < 0.1
    };
    word(&setup.id) == word(&former.id)
        && stock == former.stock
        && setup.board == former.board
        && near(setup.size.x, former.size[0])
        && near(setup.size.y, former.size[1])
        && setup.repeats == former.repeats
        && setup.placements.len() == former.placed.len()
        && setup.placements.iter().zip(&former.placed).all(placed)
}

/// The variant of each piece that is cut from a board of this stock.
pub(super) fn wanted(pieces: &[super::Piece]) -> BTreeMap<&str, &str> {
    pieces
        .iter()
        .map(|p| (p.id.as_str(), p.variant.as_str()))
        .collect()
}
