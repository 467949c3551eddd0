//! Boards by their ids: what they are, where nothing may lie on them, and what the job places on them.

use super::Wanted;
use super::figures::mm;
use grainway_geom::{Bounds, PolySet};
use grainway_pipeline::finding::{Finding, code};
use grainway_pipeline::tolerance::KERNEL_MM;
use grainway_pipeline::work::{Part, Placement, Setup, SetupKind, Work};
use std::collections::BTreeMap;

/// A chosen place is kept within this: places are rounded to a hundredth, mm.
const PLACE_MM: f64 = 0.02;
/// A part that touches a defect within this area only touches it, mm².
const NOTHING_MM2: f64 = 0.01;
/// A board is as large as the documents say within this, mm.
const SIZE_MM: f64 = 0.1;

/// What is wrong with boards and with the places of parts on them.
pub(super) fn check(work: &Work, wanted: &Wanted) -> Vec<Finding> {
    let mut findings = Vec::new();
    let mut used: BTreeMap<(&str, &str), u32> = BTreeMap::new();
    for setup in work.setups.iter().filter(|s| s.kind == SetupKind::Board) {
        let say = |message: String| Finding::new(&code::VERIFY_PIECES, message).setup(&setup.id);
        let parts = setup.placements.iter().filter_map(|p| {
            let variant = work.variant(&p.variant)?;
            Some((p, wanted.part(&variant.part)?))
        });
        for (placement, part) in parts.clone() {
            findings.extend(elsewhere(work, setup, placement, part).map(say));
        }
        let Some(id) = &setup.board else {
            continue;
        };
        let boards = work.documents.stock(&setup.stock).map(|s| &s.boards[..]);
        let board = boards.unwrap_or_default().iter().find(|b| b.id == *id);
        let Some(board) = board else {
            let stock = &setup.stock;
            findings.push(say(format!("There is no board {id} of the stock {stock}.")));
            continue;
        };
        let count = used.entry((&setup.stock, id)).or_default();
        *count += 1;
        if *count > board.count {
            findings.push(say(format!(
                "Board {id} is used more often than it is at hand."
            )));
        }
        let sizes = [
            (board.length.mm(), setup.size.x),
            (board.width.mm(), setup.size.y),
        ];
        if sizes.iter().any(|(a, b)| (a - b).abs() > SIZE_MM) {
            findings.push(say(format!("Board {id} is of another size.")));
        }
        for defect in board.defects.iter().map(|d| d.bounds()) {
            for (placement, _) in parts.clone().filter(|(p, part)| lies_on(p, part, defect)) {
                findings.push(say(format!(
                    "{} lies on the defect at ({}, {}) of board {id}.",
                    placement.piece,
                    mm(defect.min.x),
                    mm(defect.min.y)
                )));
            }
        }
    }
    findings
}

fn lies_on(placement: &Placement, part: &Part, defect: Bounds) -> bool {
    let outline = part.outline.placed(&placement.placing);
    let rectangle = grainway_geom::Contour::rectangle(defect.min, defect.max, 0.0);
    let own = PolySet::from_contour(&outline, KERNEL_MM);
    let both = own.intersection(&PolySet::from_contour(&rectangle, KERNEL_MM));
    both.area() > NOTHING_MM2
}

/// The part lies elsewhere than the job says.
fn elsewhere(work: &Work, setup: &Setup, placement: &Placement, part: &Part) -> Option<String> {
    let base = part.id.strip_suffix(Part::MIRRORED).unwrap_or(&part.id);
    let mut parts = work.documents.job.parts.iter();
    let place = parts.find(|p| p.id == base)?.place.as_ref()?;
    let piece = &placement.piece;
    if setup.board.as_ref() != Some(&place.board) {
        return Some(format!("{piece} is to be cut from board {}.", place.board));
    }
    let [x, y] = place.at?.map(|l| l.mm());
    let least = part.outline.placed(&placement.placing).bounds().min;
    let off = (least.x - x).abs().max((least.y - y).abs());
    (off > PLACE_MM).then(|| format!("{piece} is to lie at ({}, {}) on its board.", mm(x), mm(y)))
}
