//! Free parts on boards, close together: fewest boards, then the most left of one of them.

use super::chosen::{self, Lot};
use super::room::{Room, room};
use super::{
    PLACE_MM, Piece, PlaceSettings, copy_name, empty_setup, kept, measure, placement, variants_of,
};
use grainway_geom::{Bounds, Placing, Point, point};
use grainway_nest::{Kind, Lying, Piece as Laid, Shape, Sheet, Sheets, sheets, turned};
use grainway_pipeline::doc::{Board, Side};
use grainway_pipeline::finding::{Finding, code};
use grainway_pipeline::stage::{Cx, Stop};
use grainway_pipeline::work::{Setup, SetupKind, Work};
use std::collections::{BTreeMap, BTreeSet};
use std::f64::consts::FRAC_PI_2;

/// Lengths that fit exactly fit, whatever the last digits say, mm.
const EXACT_FIT: f64 = 1e-6;

/// What is left free on every board, mm.
#[derive(Clone, Copy, Debug)]
struct Edges {
    ends: f64,
    sides: f64,
}

/// Lays all free pieces, stock by stock.
pub(super) fn lay(
    work: &Work,
    settings: &PlaceSettings,
    travel: Point,
    cx: &Cx<'_>,
    setups: &mut Vec<Setup>,
    findings: &mut Vec<Finding>,
) -> Result<(), Stop> {
    let stocks = by_stock(work);
    let total = stocks.len();
    for (n, (id, pieces)) in stocks.into_iter().enumerate() {
        cx.check()?;
        cx.progress.at(super::PLACE, n, total);
        let (Some(stock), Some(z)) = (work.documents.stock(id), work.documents.z_frame(id)) else {
            continue;
        };
        let kept = kept::boards(work, id, stock, &kept::wanted(&pieces));
        let (pieces, boards) = beside(&kept, pieces, &stock.boards);
        for kept in kept {
            let board = stock.boards.iter().find(|b| b.id == kept.board);
            let size = board.map_or(point(0.0, 0.0), |b| point(b.length.mm(), b.width.mm()));
            setups.push(Setup {
                board: Some(kept.board.to_string()),
                placements: kept.placements,
                ..empty_setup(SetupKind::Board, id, size, z)
            });
        }
        let levels = levels(settings, &pieces);
        let narrow = levels[1].edges;
        let fits = |p: &Piece, b: &Board| fits(b, narrow, p, travel);
        let (pieces, chosen) = chosen::of(work, &boards, pieces, &fits, findings);
        let (fitting, misfits): (Vec<Piece>, Vec<Piece>) = pieces.into_iter().partition(|p| {
            let mut boards = boards.iter();
            boards.any(|b| chosen::may_lie(work, &p.part, b) && fits(p, b))
        });
        report_misfits(&misfits, &boards, narrow, travel, id, findings);
        let search = Search {
            work,
            settings,
            boards: &boards,
            lots: chosen::lots(&boards, &chosen),
            pieces: &fitting,
            travel,
        };
        let mut found = search.run(&levels, cx)?;
        search.open_chosen(&mut found);
        if !found.left.is_empty() {
            report_short(&fitting, &found.left, id, findings);
        }
        for sheet in found.sheets {
            let lot = &search.lots[sheet.kind];
            let board = lot.board;
            let size = point(board.length.mm(), board.width.mm());
            let mut setup = empty_setup(SetupKind::Board, id, size, z);
            setup.board = Some(board.id.clone());
            let chosen = lot.chosen.iter();
            let chosen = chosen.map(|c| placement(&c.piece, c.piece.id.clone(), c.placing));
            let others = sheet
                .lying
                .iter()
                .map(|&(i, lying)| placement(&fitting[i], fitting[i].id.clone(), placing(lying)));
            setup.placements = chosen.chain(others).collect();
            setups.push(setup);
        }
    }
    Ok(())
}

/// The pieces that lie on no kept board, and the boards that are left for them.
fn beside(
    kept: &[kept::Kept<'_>],
    pieces: Vec<Piece>,
    boards: &[Board],
) -> (Vec<Piece>, Vec<Board>) {
    let lie: BTreeSet<&str> = kept
        .iter()
        .flat_map(|k| &k.placements)
        .map(|p| p.piece.as_str())
        .collect();
    let others = pieces.into_iter().filter(|p| !lie.contains(p.id.as_str()));
    let left = boards.iter().map(|board| {
        let used = kept.iter().filter(|k| k.board == board.id).count() as u32;
        Board {
            count: board.count.saturating_sub(used),
            ..board.clone()
        }
    });
    (others.collect(), left.filter(|b| b.count > 0).collect())
}

/// How much is left free, the most first: what is wanted, then sides that give way, then strips between kerfs that do.
fn levels(settings: &PlaceSettings, pieces: &[Piece]) -> [Level; 4] {
    let kerf = pieces.iter().map(|p| p.kerf).fold(0.0, f64::max);
    // The ends stay unused in any case.
    let wide = Edges {
        ends: settings.margin.mm().max(kerf),
        sides: settings.side_margin.mm().max(kerf),
    };
    let narrow = Edges {
        sides: (kerf + settings.strip.mm()).min(wide.sides),
        ..wide
    };
    let strip = settings.strip.mm();
    let least = settings.strip_least.mm().min(strip);
    [
        (wide, strip),
        (narrow, strip),
        (wide, least),
        (narrow, least),
    ]
    .map(|(edges, strip)| Level { edges, strip })
}

/// All free pieces by their stock.
fn by_stock(work: &Work) -> BTreeMap<&str, Vec<Piece>> {
    let mut stocks: BTreeMap<&str, Vec<Piece>> = BTreeMap::new();
    for part in work.parts.iter().filter(|p| !p.as_drawn && !p.dimensioned) {
        let variants = variants_of(work, part, Side::Face);
        let measured: Vec<Piece> = variants.iter().map(|v| measure(work, part, v)).collect();
        for copy in 0..part.count {
            let index = (copy as usize).min(measured.len().saturating_sub(1));
            let Some(piece) = measured.get(index) else {
                continue;
            };
            let id = copy_name(&part.id, copy);
            let piece = Piece {
                id,
                ..piece.clone()
            };
            stocks.entry(&part.stock).or_default().push(piece);
        }
    }
    stocks
}

/// How close to the edges and to each other pieces may lie.
#[derive(Clone, Copy, Debug)]
struct Level {
    edges: Edges,
    /// Waste between the kerfs of neighbours, mm.
    strip: f64,
}

/// The free pieces of one stock and the boards for them.
struct Search<'a> {
    work: &'a Work,
    settings: &'a PlaceSettings,
    boards: &'a [Board],
    /// The boards once more, those with chosen places apart.
    lots: Vec<Lot<'a>>,
    pieces: &'a [Piece],
    travel: Point,
}

impl Search<'_> {
    /// The layout with most left free that needs few boards.
    fn run(&self, levels: &[Level], cx: &Cx<'_>) -> Result<Sheets, Stop> {
        let mut best: Option<Sheets> = None;
        for level in levels {
            if best.as_ref().is_some_and(|b| !self.may_save(b)) {
                continue;
            }
            let found = self.at(*level, cx)?;
            let better = best.as_ref().is_none_or(|b| {
                found.left.len() < b.left.len()
                    || found.left.len() == b.left.len() && found.sheets.len() <= saved(b)
            });
            if better {
                best = Some(found);
            }
        }
        Ok(best.unwrap_or_default())
    }
    /// Closer layouts may find place for more, or save boards.
    fn may_save(&self, found: &Sheets) -> bool {
        if !found.left.is_empty() {
            return true;
        }
        let parts = self
            .pieces
            .iter()
            .filter_map(|p| self.work.variant(&p.variant));
        let area: f64 = parts.map(|v| v.outline.area().abs()).sum();
        let largest = self.boards.iter().map(|b| b.length.mm() * b.width.mm());
        area < saved(found) as f64 * largest.fold(0.0, f64::max)
    }
    fn at(&self, level: Level, cx: &Cx<'_>) -> Result<Sheets, Stop> {
        // The room of each variant once, however many copies there are.
        let mut numbers: BTreeMap<&str, usize> = BTreeMap::new();
        let mut rooms: Vec<Room> = Vec::new();
        for piece in self.pieces {
            numbers.entry(&piece.variant).or_insert_with(|| {
                rooms.push(room(self.work, self.settings, level.strip, piece));
                rooms.len() - 1
            });
        }
        let laid: Vec<Laid> = self
            .pieces
            .iter()
            .map(|piece| {
                let shape = numbers[piece.variant.as_str()];
                let ways = |lot: &Lot<'_>| match chosen::may_lie(self.work, &piece.part, lot.board)
                {
                    true => self.ways(lot.board, level.edges, piece, &rooms[shape]),
                    false => Vec::new(),
                };
                Laid {
                    shape,
                    ways: self.lots.iter().map(ways).collect(),
                }
            })
            .collect();
        let kinds: Vec<Kind> = self
            .lots
            .iter()
            .map(|lot| Kind {
                count: lot.count,
                no_go: lot.no_go(level.strip),
            })
            .collect();
        let shapes: Vec<Shape> = rooms.into_iter().map(|r| r.shape).collect();
        let steps = u64::from(self.settings.steps) * laid.len() as u64;
        let mut watch = |done: u64, of: u64| {
            cx.progress.at(super::PLACE, done as usize, of as usize);
            cx.check().is_ok()
        };
        let found = sheets(&shapes, &kinds, &laid, steps, &mut watch);
        cx.check()?;
        Ok(found)
    }
    /// Boards with chosen parts are used, whether anything else found room there or not.
    fn open_chosen(&self, found: &mut Sheets) {
        for (kind, lot) in self.lots.iter().enumerate() {
            let used = found.sheets.iter().any(|s| s.kind == kind);
            if !lot.chosen.is_empty() && !used {
                let lying = Vec::new();
                found.sheets.push(Sheet { kind, lying });
            }
        }
        found.sheets.sort_by_key(|s| s.kind);
    }
    /// How a piece may lie on a board, and where its origin may come.
    fn ways(&self, board: &Board, edges: Edges, piece: &Piece, room: &Room) -> Vec<(u8, Bounds)> {
        let area = usable(board, edges, piece, self.travel);
        room.quarters
            .iter()
            .map(|&q| {
                let b = turned_box(piece.bounds, q);
                let (min, max) = (area.min - b.min, area.max - b.max);
                (q, Bounds { min, max })
            })
            .collect()
    }
}

/// So few boards that a closer layout is worth it.
fn saved(found: &Sheets) -> usize {
    found.sheets.len() * 2 / 3
}

/// The placing of a piece whose origin lies there.
fn placing(lying: Lying) -> Placing {
    let rounded = |v: f64| (v / PLACE_MM).round() * PLACE_MM;
    Placing {
        at: point(rounded(lying.at.x), rounded(lying.at.y)),
        angle: f64::from(lying.quarters) * FRAC_PI_2,
    }
}

fn turned_box(b: Bounds, quarters: u8) -> Bounds {
    Bounds::of([b.min, b.max].map(|p| turned(p, quarters)))
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

/// The piece fits an empty board.
fn fits(board: &Board, edges: Edges, piece: &Piece, travel: Point) -> bool {
    let area = usable(board, edges, piece, travel);
    let quarters = if piece.any_grain { 0..2 } else { 0..1 };
    quarters.into_iter().any(|q| {
        let b = turned_box(piece.bounds, q);
        b.width() <= area.width() + EXACT_FIT && b.height() <= area.height() + EXACT_FIT
    })
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
fn report_short(pieces: &[Piece], left: &[usize], stock: &str, findings: &mut Vec<Finding>) {
    let mut missing: BTreeMap<&str, (u32, f64)> = BTreeMap::new();
    for &i in left {
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
            left.len(),
            pieces.len(),
            list.join(", "),
            area / 1e6
        ),
    ));
}
