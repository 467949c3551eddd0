//! Parts that keep the places they have in their drawing.

use super::{
    Piece, PlaceSettings, beyond_travel, copy_name, empty_setup, measure, placed_bounds, placement,
    variants_of,
};
use grainway_geom::{Bounds, Placing, Point, point};
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
    let mut sheets: BTreeMap<(usize, u32), Vec<&Part>> = BTreeMap::new();
    let drawings = &work.documents.job.drawings;
    for part in work.parts.iter().filter(|p| p.as_drawn && !p.dimensioned) {
        let id = part.source.drawing.as_deref();
        let index = drawings
            .iter()
            .position(|d| Some(d.id.as_str()) == id)
            .unwrap_or(usize::MAX);
        sheets
            .entry((index, part.source.sheet))
            .or_default()
            .push(part);
    }
    for ((index, sheet), parts) in sheets {
        let drawing = drawings.get(index);
        let copies = parts
            .iter()
            .map(|p| p.count)
            .chain(drawing.map(|d| d.copies))
            .max()
            .unwrap_or(1);
        // The corner of all parts of the sheet, also of those that an earlier stage gave up, so that the others stay in place.
        let extent = parts.iter().fold(Bounds::EMPTY, |all, p| {
            let b = p.outline.bounds();
            all.union(Bounds {
                min: b.min + p.source.at,
                max: b.max + p.source.at,
            })
        });
        let Some(stock) = parts.first().map(|p| p.stock.as_str()) else {
            continue;
        };
        let Some(z) = work.documents.z_frame(stock) else {
            continue;
        };
        let margin = settings.margin.mm();
        let (size, corner) = match drawing.and_then(|d| d.board.as_ref()) {
            Some(board) => {
                let size = point(board.length.mm(), board.width.mm());
                let spare = size - point(extent.width(), extent.height());
                let corner = board.parts_at.map_or_else(
                    || {
                        point(
                            margin.min(spare.x / 2.0).max(0.0),
                            margin.min(spare.y / 2.0).max(0.0),
                        )
                    },
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
        let shift = corner - extent.min;
        let laid: Vec<(&Part, Piece, Placing)> = parts
            .iter()
            .filter_map(|part| {
                let variant = *variants_of(work, part).first()?;
                let placing = Placing::shift(part.source.at + shift);
                Some((*part, measure(work, part, variant), placing))
            })
            .collect();
        if laid.is_empty() {
            continue;
        }
        let mut fits = true;
        for (part, piece, placing) in &laid {
            let whole = placed_bounds(piece.swept, placing);
            if whole.min.x < 0.0
                || whole.min.y < 0.0
                || whole.max.x > size.x
                || whole.max.y > size.y
            {
                fits = false;
                findings.push(
                    Finding::new(
                        &code::PART_TOO_LARGE,
                        format!(
                            "Part {} with its kerf reaches from ({:.1}, {:.1}) to ({:.1}, {:.1}), beyond the board of {:.1} × {:.1} mm.",
                            part.id, whole.min.x, whole.min.y, whole.max.x, whole.max.y, size.x, size.y
                        ),
                    )
                    .part(&part.id),
                );
            }
        }
        let swept = laid.iter().fold(Bounds::EMPTY, |all, (_, piece, placing)| {
            // The cutter's centre keeps a radius inside of what it sweeps.
            all.union(placed_bounds(piece.swept.grown(-piece.kerf / 2.0), placing))
        });
        if swept.max.x > travel.x || swept.max.y > travel.y {
            fits = false;
            let largest = laid
                .iter()
                .max_by(|a, b| {
                    let far = |(_, piece, placing): &(&Part, Piece, Placing)| {
                        let b = placed_bounds(piece.swept, placing);
                        (b.max.x / travel.x).max(b.max.y / travel.y)
                    };
                    far(a).total_cmp(&far(b))
                })
                .map_or("", |(part, _, _)| part.id.as_str());
            findings.push(beyond_travel(
                largest,
                &format!("Sheet {sheet} as drawn"),
                swept.max,
                travel,
            ));
        }
        if !fits {
            continue;
        }
        for copy in 0..copies {
            let mut setup = empty_setup(SetupKind::Board, stock, size, z);
            setup.placements = laid
                .iter()
                .filter(|(part, _, _)| {
                    copy < part.count || drawing.is_some_and(|d| copy < d.copies)
                })
                .map(|(part, piece, placing)| placement(piece, copy_name(&part.id, copy), *placing))
                .collect();
            boards.push(setup);
        }
    }
}
