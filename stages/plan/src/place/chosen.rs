//! Boards and places that the job chooses for parts, and places of boards where nothing may lie.

use super::Piece;
use grainway_geom::{Bounds, Placing, point};
use grainway_pipeline::doc::{Board, PlaceDoc, Pointer};
use grainway_pipeline::finding::{Finding, code};
use grainway_pipeline::work::{Part, Work};

/// A piece whose place is chosen.
pub(super) struct Chosen {
    pub(super) piece: Piece,
    /// The number of its board among those of its stock.
    board: usize,
    pub(super) placing: Placing,
}

impl Chosen {
    fn bounds(&self) -> Bounds {
        let b = self.piece.bounds;
        Bounds::of([b.min, b.max].map(|p| self.placing.point(p)))
    }
    /// The room that others leave it, with `strip` mm of waste between the kerfs of neighbours.
    fn room(&self, strip: f64) -> Bounds {
        self.bounds().grown(self.piece.kerf + strip / 2.0)
    }
}

/// Boards of which all are alike: those with chosen parts are one each.
pub(super) struct Lot<'a> {
    pub(super) board: &'a Board,
    pub(super) count: u32,
    pub(super) chosen: Vec<&'a Chosen>,
}

impl Lot<'_> {
    /// Where no other piece may lie.
    pub(super) fn no_go(&self, strip: f64) -> Vec<Bounds> {
        let defects = self.board.defects.iter().map(|d| d.bounds());
        defects
            .chain(self.chosen.iter().map(|c| c.room(strip)))
            .collect()
    }
}

/// The boards with chosen parts first, since they are used in any case.
pub(super) fn lots<'a>(boards: &'a [Board], chosen: &'a [Chosen]) -> Vec<Lot<'a>> {
    let on =
        |board: usize| -> Vec<&Chosen> { chosen.iter().filter(|c| c.board == board).collect() };
    let used = (0..boards.len()).filter(|i| !on(*i).is_empty());
    let used = used.map(|i| Lot {
        board: &boards[i],
        count: 1,
        chosen: on(i),
    });
    let others = boards.iter().enumerate().map(|(i, board)| Lot {
        board,
        count: board.count - u32::from(!on(i).is_empty()),
        chosen: Vec::new(),
    });
    used.chain(others.filter(|l| l.count > 0)).collect()
}

/// What the job chooses for a part, and the part's number in the job. The other hand shares the board.
fn choice<'w>(work: &'w Work, part: &str) -> Option<(usize, &'w PlaceDoc)> {
    let base = part.strip_suffix(Part::MIRRORED).unwrap_or(part);
    let mut parts = work.documents.job.parts.iter().enumerate();
    let (i, found) = parts.find(|(_, p)| p.id == base)?;
    Some((i, found.place.as_ref()?))
}

/// A part may be cut from this board of its stock.
pub(super) fn may_lie(work: &Work, part: &str, board: &Board) -> bool {
    choice(work, part).is_none_or(|(_, place)| place.board == board.id)
}

/// Pieces that lie where the search puts them, and those whose place is chosen.
pub(super) fn of(
    work: &Work,
    boards: &[Board],
    pieces: Vec<Piece>,
    fits: &dyn Fn(&Piece, &Board) -> bool,
    findings: &mut Vec<Finding>,
) -> (Vec<Piece>, Vec<Chosen>) {
    let mut free = Vec::new();
    let mut chosen: Vec<Chosen> = Vec::new();
    for piece in pieces {
        let Some((i, place)) = choice(work, &piece.part) else {
            free.push(piece);
            continue;
        };
        let at = Pointer::job().step("parts").step(i).step("place");
        let Some(board) = boards.iter().position(|b| b.id == place.board) else {
            let ids: Vec<&str> = boards.iter().map(|b| b.id.as_str()).collect();
            let message = format!(
                "There is no board {} of the stock; there are {}.",
                place.board,
                ids.join(", ")
            );
            let unknown = Finding::new(&code::UNKNOWN_NAME, message).part(&piece.part);
            findings.push(unknown.pointer(at.step("board")));
            continue;
        };
        let Some(corner) = place.at else {
            free.push(piece);
            continue;
        };
        let corner = point(corner[0].mm(), corner[1].mm());
        let one = Chosen {
            placing: Placing::shift(corner - piece.bounds.min),
            piece,
            board,
        };
        match taken(&one, &boards[board], &chosen, fits) {
            Some(why) => {
                let message = format!(
                    "{} cannot lie at ({}, {}) on board {}: it {why}.",
                    one.piece.id, corner.x, corner.y, place.board
                );
                let finding = Finding::new(&code::PLACE_TAKEN, message).part(&one.piece.part);
                findings.push(finding.pointer(at.step("at")));
            }
            None => chosen.push(one),
        }
    }
    (free, chosen)
}

/// Why a piece cannot lie there.
fn taken(
    one: &Chosen,
    board: &Board,
    others: &[Chosen],
    fits: &dyn Fn(&Piece, &Board) -> bool,
) -> Option<String> {
    let own = one.bounds();
    let kerf = own.grown(one.piece.kerf);
    let whole = Bounds::of([point(0.0, 0.0), point(board.length.mm(), board.width.mm())]);
    if !fits(&one.piece, board) || !whole.contains(kerf.min) || !whole.contains(kerf.max) {
        return Some("reaches over the board's edge, or its kerf does".to_string());
    }
    if board.defects.iter().any(|d| d.bounds().touches(own)) {
        return Some("lies on a defect".to_string());
    }
    let mut others = others.iter().filter(|o| o.board == one.board);
    others
        .find(|o| o.bounds().grown(o.piece.kerf).touches(kerf))
        .map(|o| format!("would be cut into by the kerf of {}", o.piece.id))
}
