//! Many sheets: as few of them as the search can do with, and what is left of the last as one piece at its end.

use crate::chance::Chance;
use crate::fill::{orders, place_for};
use crate::forms::Forms;
use crate::packing::{Packing, Way, within};
use crate::separate::{Patience, separate};
use crate::squeeze::{Squeeze, used};
use crate::strip::EDGES;
use crate::{Lying, Shape};
use grainway_geom::{Bounds, Point};

/// Sheets of one size that are at hand.
#[derive(Clone, Debug, PartialEq)]
pub struct Kind {
    /// How many of them there are.
    pub count: u32,
    /// Places where nothing may lie, mm.
    pub no_go: Vec<Bounds>,
}

/// One thing to lay.
#[derive(Clone, Debug, PartialEq)]
pub struct Piece {
    /// The number of its shape.
    pub shape: usize,
    /// For each kind of sheet the quarters by which it may be turned, each with the box in which its shape's origin may come to lie.
    pub ways: Vec<Vec<(u8, Bounds)>>,
}

/// A sheet with what lies on it.
#[derive(Clone, Debug, PartialEq)]
pub struct Sheet {
    /// The number of its kind.
    pub kind: usize,
    /// Pieces by number, and where they lie.
    pub lying: Vec<(usize, Lying)>,
}

/// A layout: the sheets that are used, and the pieces that found no place.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Sheets {
    /// The sheets that are used, in the order of their kinds.
    pub sheets: Vec<Sheet>,
    /// Pieces for which no place was found.
    pub left: Vec<usize>,
    /// Steps taken in all, the fillings included.
    pub steps: u64,
}

/// Who hears how far the search is (of all that it may do) and says whether it goes on.
pub type Watch<'a> = dyn FnMut(u64, u64) -> bool + 'a;

/// A piece is tried on this many of the sheets in use, those with most room.
const TRIED: usize = 8;
/// A sheet is squeezed in so many lots, none of them larger than so many steps, about a twentieth of a second.
const LOTS: u64 = 20;
const MOST_STEPS_UNHEARD: u64 = 5_000;
/// Rounds without progress after which a piece is held not to fit on a sheet.
const ROUNDS: usize = 25;
/// Up to so many pieces several orders of filling are tried.
const SEVERAL_ORDERS: usize = 300;

/// Lays pieces on sheets, those of the first kinds first. The search takes about `steps`, of a thousand edges that are looked at, beyond the first fillings.
pub fn sheets(
    shapes: &[Shape],
    kinds: &[Kind],
    pieces: &[Piece],
    steps: u64,
    watch: &mut Watch<'_>,
) -> Sheets {
    let mut table = Table::new(shapes, kinds, pieces);
    let mut best: Option<Layout> = None;
    let sizes = table.sizes();
    let mut orders = orders(&sizes);
    if pieces.len() > SEVERAL_ORDERS {
        orders.truncate(1);
    }
    let mut looked = 0;
    for order in orders {
        let filled = table.filled(&order);
        looked += filled.looked();
        if best.as_ref().is_none_or(|b| table.better(&filled, b)) {
            best = Some(filled);
        }
        if !watch(0, steps) {
            break;
        }
    }
    let mut best = best.unwrap_or_default();
    let mut search = Search {
        table: &mut table,
        chance: Chance::sequence(0),
        budget: steps * EDGES,
        spent: 0,
        watch,
    };
    search.fewer(&mut best);
    search.shorter(&mut best);
    looked += search.spent;
    best.open.sort_by_key(|o| o.kind);
    Sheets {
        steps: looked / EDGES,
        ..best.noted()
    }
}

/// A sheet in use.
struct Open {
    kind: usize,
    /// Numbers of the pieces, in the packing's order, after the fixed ones for the places where nothing may lie.
    members: Vec<usize>,
    fixed: usize,
    packing: Packing,
    /// Room that is left, mm².
    free: f64,
    /// Shapes that found no place.
    refused: Vec<usize>,
}

#[derive(Default)]
struct Layout {
    open: Vec<Open>,
    left: Vec<usize>,
}

impl Layout {
    fn noted(&self) -> Sheets {
        let sheets = self.open.iter().map(|o| Sheet {
            kind: o.kind,
            lying: o
                .members
                .iter()
                .zip(&o.packing.pieces[o.fixed..])
                .map(|(&m, p)| {
                    let quarters = p.ways[p.way].quarters;
                    (m, Lying { at: p.at, quarters })
                })
                .collect(),
        });
        Sheets {
            sheets: sheets.filter(|s| !s.lying.is_empty()).collect(),
            left: self.left.clone(),
            steps: 0,
        }
    }
    /// Edges that were looked at for it.
    fn looked(&self) -> u64 {
        self.open.iter().map(|o| o.packing.looked).sum()
    }
}

/// What is laid, with its forms.
struct Table<'a> {
    kinds: &'a [Kind],
    pieces: &'a [Piece],
    forms: Forms,
    /// Ways of each piece on each kind.
    ways: Vec<Vec<Vec<Way>>>,
    /// Forms of the places where nothing may lie.
    no_go: Vec<Vec<usize>>,
    /// Room for shapes on an empty sheet of each kind, mm².
    room: Vec<f64>,
}

impl<'a> Table<'a> {
    fn new(shapes: &[Shape], kinds: &'a [Kind], pieces: &'a [Piece]) -> Table<'a> {
        let mut all = shapes.to_vec();
        let mut no_go_shapes = Vec::new();
        for kind in kinds {
            let from = all.len();
            all.extend(kind.no_go.iter().map(|b| Shape::rectangle(*b)));
            no_go_shapes.push(from..all.len());
        }
        let mut forms = Forms::new(&all);
        let ways: Vec<Vec<Vec<Way>>> = pieces
            .iter()
            .map(|piece| {
                let of = |ways: &Vec<(u8, Bounds)>, forms: &mut Forms| {
                    let ways = ways
                        .iter()
                        .map(|&(q, range)| Way::new(q, forms.of(piece.shape, q), range));
                    ways.filter(Way::fits).collect()
                };
                piece.ways.iter().map(|w| of(w, &mut forms)).collect()
            })
            .collect();
        let no_go: Vec<Vec<usize>> = no_go_shapes
            .into_iter()
            .map(|shapes| shapes.map(|s| forms.of(s, 0)).collect())
            .collect();
        let room = (0..kinds.len())
            .map(|k| {
                let reach = ways.iter().flat_map(|w: &Vec<Vec<Way>>| &w[k]);
                let reach = reach.fold(Bounds::EMPTY, |all, w| {
                    let form = forms.form(w.form);
                    all.with(w.range.min + form.lo).with(w.range.max + form.hi)
                });
                if reach.is_empty() {
                    0.0
                } else {
                    reach.width() * reach.height()
                }
            })
            .collect();
        Table {
            kinds,
            pieces,
            forms,
            ways,
            no_go,
            room,
        }
    }
    fn sizes(&self) -> Vec<(f64, Point)> {
        let size = |(piece, ways): (&Piece, &Vec<Vec<Way>>)| {
            let form = ways
                .iter()
                .flatten()
                .next()
                .map(|w| self.forms.form(w.form));
            let size = form.map_or(Point::default(), |f| f.hi - f.lo);
            (self.forms.area(piece.shape), size)
        };
        self.pieces.iter().zip(&self.ways).map(size).collect()
    }
    fn empty(&self, kind: usize) -> Open {
        let mut packing = Packing::default();
        for &form in &self.no_go[kind] {
            let here = Bounds::of([Point::default()]);
            let i = packing.push(&[Way::new(0, form, here)]);
            packing.lay(i, 0, Point::default());
            packing.pieces[i].fixed = true;
        }
        Open {
            kind,
            members: Vec::new(),
            fixed: packing.pieces.len(),
            packing,
            free: self.room[kind],
            refused: Vec::new(),
        }
    }
    /// First fit in an order.
    fn filled(&mut self, order: &[usize]) -> Layout {
        let mut layout = Layout::default();
        let mut used = vec![0_u32; self.kinds.len()];
        for &piece in order {
            let area = self.forms.area(self.pieces[piece].shape);
            let mut by_room: Vec<usize> = (0..layout.open.len())
                .filter(|&o| layout.open[o].free >= area)
                .collect();
            if by_room.len() > TRIED {
                by_room.sort_by(|&a, &b| layout.open[b].free.total_cmp(&layout.open[a].free));
                by_room.truncate(TRIED);
                by_room.sort_unstable();
            }
            if by_room
                .into_iter()
                .any(|o| self.onto(&mut layout.open[o], piece))
            {
                continue;
            }
            // A sheet may have no room even empty, for the places where nothing may lie.
            let fresh = (0..self.kinds.len()).find_map(|kind| {
                let at_hand = used[kind] < self.kinds[kind].count;
                let mut fresh = at_hand.then(|| self.empty(kind))?;
                self.onto(&mut fresh, piece).then_some(fresh)
            });
            match fresh {
                Some(fresh) => {
                    used[fresh.kind] += 1;
                    layout.open.push(fresh);
                }
                None => layout.left.push(piece),
            }
        }
        layout
    }
    /// Lays a piece on a sheet if there is a place without overlap.
    fn onto(&mut self, open: &mut Open, piece: usize) -> bool {
        let shape = self.pieces[piece].shape;
        let ways = &self.ways[piece][open.kind];
        if ways.is_empty() || open.refused.contains(&shape) {
            return false;
        }
        let i = open.packing.push(ways);
        match place_for(&mut open.packing, &mut self.forms, i) {
            Some((way, at)) => {
                open.packing.lay(i, way, at);
                open.members.push(piece);
                open.free -= self.forms.area(shape);
                true
            }
            None => {
                open.packing.pop();
                // Pieces of a shape may have different ranges; those of equal shape rarely do.
                open.refused.push(shape);
                false
            }
        }
    }
    /// Lays fewer aside, uses fewer sheets, or leaves more of the one with most room.
    fn better(&self, a: &Layout, b: &Layout) -> bool {
        let key = |l: &Layout| (l.left.len(), l.open.len());
        match key(a).cmp(&key(b)) {
            std::cmp::Ordering::Less => true,
            std::cmp::Ordering::Greater => false,
            std::cmp::Ordering::Equal => self.shortest(a) < self.shortest(b) - 1e-6,
        }
    }
    /// The least length that is used of a sheet.
    fn shortest(&self, layout: &Layout) -> f64 {
        let lengths = layout.open.iter().map(|o| used(&o.packing, &self.forms));
        lengths.fold(f64::INFINITY, f64::min)
    }
}

struct Search<'s, 'a, 'w> {
    table: &'s mut Table<'a>,
    chance: Chance,
    /// Edges that may be looked at, and those that were.
    budget: u64,
    spent: u64,
    watch: &'s mut Watch<'w>,
}

impl Search<'_, '_, '_> {
    fn goes_on(&mut self) -> bool {
        self.spent < self.budget && (self.watch)(self.spent / EDGES, self.budget / EDGES)
    }
    /// Empties the sheet with least on it as long as the others can take its pieces.
    fn fewer(&mut self, layout: &mut Layout) {
        while layout.open.len() > 1 && layout.left.is_empty() && self.goes_on() {
            let room: f64 = layout.open.iter().map(|o| o.free).sum();
            let emptiest = (0..layout.open.len())
                .max_by(|&a, &b| {
                    let (a, b) = (&layout.open[a], &layout.open[b]);
                    a.free.total_cmp(&b.free)
                })
                .unwrap_or(0);
            if room < self.table.room[layout.open[emptiest].kind] || !self.emptied(layout, emptiest)
            {
                break;
            }
        }
    }
    /// Brings all pieces of a sheet to others, or leaves everything as it was.
    fn emptied(&mut self, layout: &mut Layout, which: usize) -> bool {
        let before: Vec<(Vec<(usize, Point)>, usize)> = layout
            .open
            .iter()
            .map(|o| (o.packing.places(), o.members.len()))
            .collect();
        let mut moving = layout.open[which].members.clone();
        let area = |s: &Self, m: usize| s.table.forms.area(s.table.pieces[m].shape);
        moving.sort_by(|&a, &b| area(self, b).total_cmp(&area(self, a)).then(a.cmp(&b)));
        let mut all = true;
        for piece in moving {
            let need = area(self, piece);
            let mut others: Vec<usize> = (0..layout.open.len())
                .filter(|&o| o != which && layout.open[o].free >= need)
                .collect();
            others.sort_by(|&a, &b| layout.open[b].free.total_cmp(&layout.open[a].free));
            others.truncate(TRIED);
            all = others
                .into_iter()
                .any(|o| self.goes_on() && self.pressed_onto(&mut layout.open[o], piece));
            if !all {
                break;
            }
        }
        if all {
            layout.open.remove(which);
            return true;
        }
        for (open, (places, many)) in layout.open.iter_mut().zip(before) {
            while open.members.len() > many {
                let member = open.members.pop();
                open.packing.pop();
                let shape = member.map(|m| self.table.pieces[m].shape);
                open.free += shape.map_or(0.0, |s| self.table.forms.area(s));
            }
            open.packing.restore(&mut self.table.forms, &places);
        }
        false
    }
    /// Lays a piece on a sheet, moving what lies there to make room.
    fn pressed_onto(&mut self, open: &mut Open, piece: usize) -> bool {
        if self.table.onto(open, piece) {
            return true;
        }
        let ways = &self.table.ways[piece][open.kind];
        if ways.is_empty() {
            return false;
        }
        let places = open.packing.places();
        let looked = open.packing.looked;
        let i = open.packing.push(ways);
        let range = ways[0].range;
        let at = within(
            Point {
                x: self.chance.between(range.min.x, range.max.x),
                y: self.chance.between(range.min.y, range.max.y),
            },
            range,
        );
        open.packing.lay(i, 0, at);
        let forms = &mut self.table.forms;
        open.packing.measure_all(forms);
        open.packing.improve(forms, i, &mut self.chance);
        let patience = Patience {
            rounds: ROUNDS,
            looked: looked + (self.budget - self.spent),
        };
        let parted = separate(&mut open.packing, forms, &mut self.chance, patience);
        self.spent += open.packing.looked - looked;
        if parted.total <= 0.0 {
            open.members.push(piece);
            open.free -= forms.area(self.table.pieces[piece].shape);
            open.refused.clear();
            return true;
        }
        open.packing.pop();
        open.packing.restore(forms, &places);
        false
    }
    /// Presses the sheet with most room left into less length.
    fn shorter(&mut self, layout: &mut Layout) {
        let most = (0..layout.open.len()).min_by(|&a, &b| {
            let length = |o: usize| used(&layout.open[o].packing, &self.table.forms);
            length(a).total_cmp(&length(b))
        });
        let Some(open) = most.map(|o| &mut layout.open[o]) else {
            return;
        };
        let packing = std::mem::take(&mut open.packing);
        let mut squeeze = Squeeze::new(&mut self.table.forms, packing, 1);
        // In lots, so that who watches hears of it.
        let lots = self.budget.saturating_sub(self.spent) / LOTS;
        let lot = lots.clamp(1, MOST_STEPS_UNHEARD * EDGES);
        while self.spent < self.budget
            && squeeze.goes_on()
            && (self.watch)(self.spent / EDGES, self.budget / EDGES)
        {
            self.spent += squeeze.run(lot).max(1);
        }
        open.packing = squeeze.into_packing();
    }
}
