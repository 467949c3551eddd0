//! Parts that keep the places they have in their drawing.

use super::{
    Piece, PlaceSettings, beyond_travel, copy_name, empty_setup, measure, placed_bounds, placement,
    variants_of,
};
use grainway_geom::{Bounds, Placing, Point, point};
use grainway_pipeline::doc::{Drawing, Side};
use grainway_pipeline::finding::{Finding, code};
use grainway_pipeline::work::{Part, Setup, SetupKind, Work};
use std::collections::BTreeMap;

/// One board for each drawing, sheet and copy.
pub(super) fn lay(
    work: &Work,
    settings: &PlaceSettings,
    travel: Point,
    boards: &mut Vec<Setup>,
    findings: &mut Vec<Finding>,
) {
    let drawings = &work.documents.job.drawings;
    for ((index, sheet), parts) in sheets(work) {
        let drawing = drawings.get(index);
        let Some(stock) = parts.first().map(|p| p.stock.as_str()) else {
            continue;
        };
        let Some(z) = work.documents.z_frame(stock) else {
            continue;
        };
        let (size, shift) = board(drawing, &parts, settings);
        let laid: Vec<Laid<'_>> = parts
            .iter()
            .filter_map(|part| {
                let variant = *variants_of(work, part, Side::Face).first()?;
                Some(Laid {
                    part,
                    piece: measure(work, part, variant),
                    placing: Placing::shift(part.source.at + shift),
                })
            })
            .collect();
        if laid.is_empty() {
            continue;
        }
        let mut beyond = beyond_board(&laid, size);
        beyond.extend(beyond_machine(&laid, sheet, travel));
        if !beyond.is_empty() {
            findings.append(&mut beyond);
            continue;
        }
        let copies = parts.iter().map(|p| p.count).max().unwrap_or(1);
        for copy in 0..copies {
            let mut setup = empty_setup(SetupKind::Board, stock, size, z);
            setup.placements = laid
                .iter()
                .filter(|l| copy < l.part.count)
                .map(|l| placement(&l.piece, copy_name(&l.part.id, copy), l.placing))
                .collect();
            boards.push(setup);
        }
    }
}

/// A part of a sheet in its place on the board.
struct Laid<'w> {
    part: &'w Part,
    piece: Piece,
    placing: Placing,
}

impl Laid<'_> {
    /// Box of all that its cutters sweep, on the board.
    fn swept(&self) -> Bounds {
        placed_bounds(self.piece.swept, &self.placing)
    }
}

/// The parts that keep their drawn places, by drawing (its index in the job) and sheet.
fn sheets(work: &Work) -> BTreeMap<(usize, u32), Vec<&Part>> {
    let mut sheets: BTreeMap<(usize, u32), Vec<&Part>> = BTreeMap::new();
    for part in work.parts.iter().filter(|p| p.as_drawn && !p.dimensioned) {
        let id = part.source.drawing.as_deref();
        let index = work
            .documents
            .job
            .drawings
            .iter()
            .position(|d| Some(d.id.as_str()) == id)
            .unwrap_or(usize::MAX);
        sheets
            .entry((index, part.source.sheet))
            .or_default()
            .push(part);
    }
    sheets
}

/// The board's size, and how far the drawn places are moved on it.
fn board(drawing: Option<&Drawing>, parts: &[&Part], settings: &PlaceSettings) -> (Point, Point) {
    // The corner of all parts of the sheet, also of those that an earlier stage gave up, so that the others stay in place.
    let extent = parts.iter().fold(Bounds::EMPTY, |all, p| {
        let b = p.outline.bounds();
        all.union(Bounds {
            min: b.min + p.source.at,
            max: b.max + p.source.at,
        })
    });
    let margin = settings.margin.mm();
    let parts_size = point(extent.width(), extent.height());
    let (size, corner) = match drawing.and_then(|d| d.board.as_ref()) {
        Some(board) => {
            let size = point(board.length.mm(), board.width.mm());
            let spare = size - parts_size;
            let middle = |spare: f64| margin.min(spare / 2.0).max(0.0);
            let corner = board.parts_at.map_or_else(
                || point(middle(spare.x), middle(spare.y)),
                |[x, y]| point(x.mm(), y.mm()),
            );
            (size, corner)
        }
        None => (
            point(
                extent.width() + 2.0 * margin,
                extent.height() + 2.0 * margin,
            ),
            point(margin, margin),
        ),
    };
    (size, corner - extent.min)
}

/// Names the parts that reach beyond the board.
fn beyond_board(laid: &[Laid<'_>], size: Point) -> Vec<Finding> {
    laid.iter()
        .filter_map(|l| {
            let whole = l.swept();
            let beyond = whole.min.x < 0.0
                || whole.min.y < 0.0
                || whole.max.x > size.x
                || whole.max.y > size.y;
            beyond.then(|| {
                Finding::new(
                    &code::PART_TOO_LARGE,
                    format!(
                        "Part {} with its kerf reaches from ({:.1}, {:.1}) to ({:.1}, {:.1}), beyond the board of {:.1} × {:.1} mm.",
                        l.part.id, whole.min.x, whole.min.y, whole.max.x, whole.max.y, size.x, size.y
                    ),
                )
                .part(&l.part.id)
            })
        })
        .collect()
}

/// Says that the sheet needs more travel than the machine has.
fn beyond_machine(laid: &[Laid<'_>], sheet: u32, travel: Point) -> Option<Finding> {
    let swept = laid.iter().fold(Bounds::EMPTY, |all, l| {
        // The cutter's centre keeps a radius inside of what it sweeps.
        let centre = l.piece.swept.grown(-l.piece.kerf / 2.0);
        all.union(placed_bounds(centre, &l.placing))
    });
    if swept.max.x <= travel.x && swept.max.y <= travel.y {
        return None;
    }
    let far = |l: &Laid<'_>| {
        let b = l.swept();
        (b.max.x / travel.x).max(b.max.y / travel.y)
    };
    let largest = laid
        .iter()
        .max_by(|a, b| far(a).total_cmp(&far(b)))
        .map_or("", |l| l.part.id.as_str());
    Some(beyond_travel(
        largest,
        &format!("Sheet {sheet} as drawn"),
        swept.max,
        travel,
    ))
}
