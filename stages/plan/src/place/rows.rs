//! Free parts in rows along the grain, the highest rows first.

use super::{Piece, PlaceSettings, copy_name, empty_setup, measure, placement, variants_of};
use grainway_geom::{Bounds, Placing, Point, point};
use grainway_pipeline::doc::{Board, Side};
use grainway_pipeline::finding::{Finding, code};
use grainway_pipeline::work::{Setup, SetupKind, Work};
use std::collections::BTreeMap;
use std::f64::consts::FRAC_PI_2;

/// Lengths that fit exactly fit, whatever the last digits say, mm.
const EXACT_FIT: f64 = 1e-6;

/// What is left free on every board, mm.
#[derive(Clone, Copy, Debug)]
struct Edges {
    ends: f64,
    sides: f64,
}

/// A row of pieces on a board.
#[derive(Clone, Debug)]
struct Row {
    /// Lower edge of its pieces' outlines.
    y: f64,
    /// Room above that.
    height: f64,
    /// Where the next piece's outline may start.
    x: f64,
}

/// A board in use.
#[derive(Clone, Debug)]
struct Open {
    board: usize,
    rows: Vec<Row>,
    /// (index of the piece, lower left corner of its outline's box, turned by a quarter).
    laid: Vec<(usize, Point, bool)>,
}

/// The rows of one stock.
struct Tried {
    boards: Vec<Open>,
    /// Indices of pieces for which no board was left.
    left: Vec<usize>,
}

/// Lays all free pieces, stock by stock.
pub(super) fn lay(
    work: &Work,
    settings: &PlaceSettings,
    travel: Point,
    setups: &mut Vec<Setup>,
    findings: &mut Vec<Finding>,
) {
    let mut stocks: BTreeMap<&str, Vec<Piece>> = BTreeMap::new();
    for part in work.parts.iter().filter(|p| !p.as_drawn && !p.dimensioned) {
        let variants = variants_of(work, part, Side::Face);
        for copy in 0..part.count {
            let index = (copy as usize).min(variants.len().saturating_sub(1));
            let Some(variant) = variants.get(index) else {
                continue;
            };
            let mut piece = measure(work, part, variant);
            piece.id = copy_name(&part.id, copy);
            stocks.entry(&part.stock).or_default().push(piece);
        }
    }
    for (id, mut pieces) in stocks {
        let (Some(stock), Some(z)) = (work.documents.stock(id), work.documents.z_frame(id)) else {
            continue;
        };
        pieces.sort_by(|a, b| {
            let (ab, bb) = (a.bounds, b.bounds);
            bb.height()
                .total_cmp(&ab.height())
                .then(bb.width().total_cmp(&ab.width()))
                .then(a.part.cmp(&b.part))
        });
        let kerf = pieces.iter().map(|p| p.kerf).fold(0.0, f64::max);
        let least = kerf + settings.strip.mm();
        let spacing = settings
            .spacing
            .map_or(2.0 * kerf + settings.strip.mm(), |s| s.mm());
        // The ends stay unused in any case; the sides give way where the parts find no place otherwise.
        let wide = Edges {
            ends: settings.margin.mm().max(kerf),
            sides: settings.side_margin.mm().max(kerf),
        };
        let narrow = Edges {
            sides: least.min(wide.sides),
            ..wide
        };
        let (fitting, misfits): (Vec<Piece>, Vec<Piece>) = pieces.into_iter().partition(|p| {
            stock
                .boards
                .iter()
                .any(|b| room(b, narrow, p, travel).is_some())
        });
        report_misfits(&misfits, &stock.boards, narrow, travel, id, findings);
        let mut tried = fill(&fitting, &stock.boards, wide, spacing, travel);
        if !tried.left.is_empty() {
            tried = fill(&fitting, &stock.boards, narrow, spacing, travel);
        }
        if !tried.left.is_empty() {
            report_short(&fitting, &tried, id, findings);
        }
        for open in tried.boards {
            let board = &stock.boards[open.board];
            let size = point(board.length.mm(), board.width.mm());
            let mut setup = empty_setup(SetupKind::Board, id, size, z);
            setup.placements = open
                .laid
                .iter()
                .map(|&(i, corner, turned)| {
                    let piece = &fitting[i];
                    placement(piece, piece.id.clone(), placing(piece, corner, turned))
                })
                .collect();
            setups.push(setup);
        }
    }
}

/// The placing that brings the lower left corner of a piece's box to `corner`.
fn placing(piece: &Piece, corner: Point, turned: bool) -> Placing {
    if turned {
        // A quarter turn counter-clockwise takes (x, y) to (−y, x).
        Placing {
            at: corner + point(piece.bounds.max.y, -piece.bounds.min.x),
            angle: FRAC_PI_2,
        }
    } else {
        Placing::shift(corner - piece.bounds.min)
    }
}

/// Extent on the board.
fn extent(piece: &Piece, turned: bool) -> Point {
    let (w, h) = (piece.bounds.width(), piece.bounds.height());
    if turned { point(h, w) } else { point(w, h) }
}

/// How far cutters reach beyond the outline's box on its worst side, mm.
fn overhang(piece: &Piece) -> f64 {
    let (b, s) = (piece.bounds, piece.swept);
    [
        b.min.x - s.min.x,
        b.min.y - s.min.y,
        s.max.x - b.max.x,
        s.max.y - b.max.y,
    ]
    .into_iter()
    .fold(0.0, f64::max)
}

/// The box in which outlines may lie on a board, for a piece.
fn usable(board: &Board, edges: Edges, piece: &Piece, travel: Point) -> Bounds {
    // The cutter's centre stays within the travel, counted from the board's corner, and half a kerf outside the outline at least.
    let reach = overhang(piece);
    let centre = reach - piece.kerf / 2.0;
    Bounds {
        min: point(edges.ends.max(reach), edges.sides.max(reach)),
        max: point(
            (board.length.mm() - edges.ends.max(reach)).min(travel.x - centre),
            (board.width.mm() - edges.sides.max(reach)).min(travel.y - centre),
        ),
    }
}

/// How the piece fits an empty board: turned by a quarter or not; `None` when it does not.
fn room(board: &Board, edges: Edges, piece: &Piece, travel: Point) -> Option<bool> {
    let area = usable(board, edges, piece, travel);
    ways(piece).into_iter().find(|&turned| {
        let e = extent(piece, turned);
        e.x <= area.width() + EXACT_FIT && e.y <= area.height() + EXACT_FIT
    })
}

/// How a piece may be turned.
fn ways(piece: &Piece) -> Vec<bool> {
    if piece.any_grain {
        vec![false, true]
    } else {
        vec![false]
    }
}

/// First fit by decreasing height: in the first row of the first open board that has room, else a new row, else the next board
/// at hand.
fn fill(pieces: &[Piece], boards: &[Board], edges: Edges, spacing: f64, travel: Point) -> Tried {
    let mut open: Vec<Open> = Vec::new();
    let mut used: Vec<u32> = vec![0; boards.len()];
    let mut left = Vec::new();
    for (i, piece) in pieces.iter().enumerate() {
        if open
            .iter_mut()
            .any(|o| onto(o, boards, edges, spacing, travel, i, piece))
        {
            continue;
        }
        let next = (0..boards.len()).find(|&b| {
            used[b] < boards[b].count && room(&boards[b], edges, piece, travel).is_some()
        });
        let Some(b) = next else {
            left.push(i);
            continue;
        };
        used[b] += 1;
        let mut fresh = Open {
            board: b,
            rows: Vec::new(),
            laid: Vec::new(),
        };
        if !onto(&mut fresh, boards, edges, spacing, travel, i, piece) {
            left.push(i);
        }
        open.push(fresh);
    }
    // Boards are run in the order in which they are at hand.
    open.sort_by_key(|o| o.board);
    Tried { boards: open, left }
}

/// Lays a piece on an open board if there is room.
fn onto(
    open: &mut Open,
    boards: &[Board],
    edges: Edges,
    spacing: f64,
    travel: Point,
    index: usize,
    piece: &Piece,
) -> bool {
    let area = usable(&boards[open.board], edges, piece, travel);
    for turned in ways(piece) {
        let e = extent(piece, turned);
        let fits = |r: &&mut Row| {
            r.x.max(area.min.x) + e.x <= area.max.x + EXACT_FIT
                && e.y <= r.height + EXACT_FIT
                && r.y >= area.min.y - EXACT_FIT
                && r.y + e.y <= area.max.y + EXACT_FIT
        };
        if let Some(row) = open.rows.iter_mut().find(fits) {
            let x = row.x.max(area.min.x);
            row.x = x + e.x + spacing;
            open.laid.push((index, point(x, row.y), turned));
            return true;
        }
    }
    for turned in ways(piece) {
        let e = extent(piece, turned);
        let y = open
            .rows
            .last()
            .map_or(area.min.y, |r| r.y + r.height + spacing);
        if e.x <= area.width() + EXACT_FIT && y + e.y <= area.max.y + EXACT_FIT {
            open.rows.push(Row {
                y,
                height: e.y,
                x: area.min.x + e.x + spacing,
            });
            open.laid.push((index, point(area.min.x, y), turned));
            return true;
        }
    }
    false
}

/// Names the parts that fit no board at all.
fn report_misfits(
    misfits: &[Piece],
    boards: &[Board],
    edges: Edges,
    travel: Point,
    stock: &str,
    findings: &mut Vec<Finding>,
) {
    let mut seen = std::collections::BTreeSet::new();
    for piece in misfits {
        if !seen.insert(&piece.part) {
            continue;
        }
        let (w, h) = (piece.bounds.width(), piece.bounds.height());
        let message = if boards.is_empty() {
            format!(
                "Part {} is to be cut from stock {stock}, of which no board is at hand.",
                piece.part
            )
        } else {
            let largest = boards
                .iter()
                .map(|b| usable(b, edges, piece, travel))
                .max_by(|a, b| (a.width() * a.height()).total_cmp(&(b.width() * b.height())))
                .unwrap_or(Bounds::EMPTY);
            format!(
                "Part {} of {w:.1} × {h:.1} mm fits no board of stock {stock}: the largest leaves {:.1} × {:.1} mm within its unused ends, the waste frame and the machine's travel of {:.1} × {:.1} mm.",
                piece.part,
                largest.width(),
                largest.height(),
                travel.x,
                travel.y
            )
        };
        findings.push(Finding::new(&code::PART_TOO_LARGE, message).part(&piece.part));
    }
}

/// Says how much is missing when the boards run out.
fn report_short(pieces: &[Piece], tried: &Tried, stock: &str, findings: &mut Vec<Finding>) {
    let mut missing: BTreeMap<&str, (u32, f64)> = BTreeMap::new();
    for &i in &tried.left {
        let p = &pieces[i];
        let entry = missing.entry(&p.part).or_default();
        entry.0 += 1;
        entry.1 += p.bounds.width() * p.bounds.height();
    }
    let area: f64 = missing.values().map(|(_, a)| a).sum();
    let list: Vec<String> = missing
        .iter()
        .map(|(part, (n, _))| format!("{n} × {part}"))
        .collect();
    findings.push(Finding::new(
        &code::BOARDS_SHORT,
        format!(
            "The boards of stock {stock} do not suffice: {} of {} pieces ({}; {:.3} m² without waste) find no place.",
            tried.left.len(),
            pieces.len(),
            list.join(", "),
            area / 1e6
        ),
    ));
}
