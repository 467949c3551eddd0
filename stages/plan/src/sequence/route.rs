//! A short way through the air: from nearest neighbour by turning round parts of the way (2-opt) and moving up to three steps
//! elsewhere (Or-opt), with lists of near neighbours, then by small changes at many places that are kept where they shorten it.
//! Bounded by counts, never by a clock, so that the same steps always come out in the same order.

use grainway_geom::Point;
use std::collections::VecDeque;

/// A step as the way sees it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Leg {
    /// Groups are run in their order; the way is shortened within a group only.
    pub group: (u32, u32, u32),
    /// Where it begins.
    pub from: Point,
    /// Where it ends.
    pub to: Point,
}

/// Near neighbours of a step that are looked at.
const NEIGHBOURS: usize = 8;
/// Steps that are moved together at most.
const MOVED: usize = 3;
/// So few steps are looked at more closely.
const FEW: usize = 12;
/// A change is made within this many steps.
const CHANGED: usize = 50;
/// An improvement shorter than this is none, mm.
const WORTH_MM: f64 = 1e-6;

/// Indices of the legs in running order, from `start`, and to `end` where the way is to lead there; `improve` changes are tried for
/// each leg.
pub fn route(legs: &[Leg], start: Point, end: Option<Point>, improve: u32) -> Vec<usize> {
    let mut groups: Vec<usize> = (0..legs.len()).collect();
    groups.sort_by_key(|&i| (legs[i].group, i));
    let mut order = Vec::with_capacity(legs.len());
    let mut at = start;
    let mut left = legs.len();
    for group in groups.chunk_by(|&a, &b| legs[a].group == legs[b].group) {
        left -= group.len();
        let own: Vec<Leg> = group.iter().map(|&i| legs[i]).collect();
        let mut way = Way::new(&own, at, end.filter(|_| left == 0));
        if improve > 0 {
            way.shorten();
            way.change(improve as usize * own.len().max(FEW));
        }
        if let Some(&last) = way.order.last() {
            at = own[last].to;
        }
        order.extend(way.order.iter().map(|&k| group[k]));
    }
    order
}

struct Way<'a> {
    legs: &'a [Leg],
    start: Point,
    end: Option<Point>,
    order: Vec<usize>,
    /// Where each leg stands in the order.
    place: Vec<usize>,
    near: Vec<Vec<usize>>,
    /// Legs whose surroundings may have become better, each at most once.
    open: VecDeque<usize>,
    waits: Vec<bool>,
    /// First and last place touched since the order was kept last.
    touched: (usize, usize),
}

impl<'a> Way<'a> {
    fn new(legs: &'a [Leg], start: Point, end: Option<Point>) -> Way<'a> {
        let order = nearest(legs, start);
        let mut place = vec![0; legs.len()];
        order.iter().enumerate().for_each(|(k, &i)| place[i] = k);
        Way {
            legs,
            start,
            end,
            near: near(legs),
            open: order.iter().copied().collect(),
            waits: vec![true; legs.len()],
            order,
            place,
            touched: (usize::MAX, 0),
        }
    }

    /// Air between two legs; `None` is the start before the first, and the end behind the last.
    fn hop(&self, a: Option<usize>, b: Option<usize>) -> f64 {
        match (a, b) {
            (Some(a), Some(b)) => self.legs[a].to.distance(self.legs[b].from),
            (None, Some(b)) => self.start.distance(self.legs[b].from),
            (Some(a), None) => self.end.map_or(0.0, |end| self.legs[a].to.distance(end)),
            (None, None) => 0.0,
        }
    }
    fn before(&self, k: usize) -> Option<usize> {
        k.checked_sub(1).map(|k| self.order[k])
    }
    fn after(&self, k: usize) -> Option<usize> {
        self.order.get(k + 1).copied()
    }
    /// What the air within the places gets longer when they are run the other way round.
    fn turned(&self, i: usize, j: usize) -> f64 {
        let pairs = self.order[i..=j].windows(2);
        pairs
            .map(|p| self.hop(Some(p[1]), Some(p[0])) - self.hop(Some(p[0]), Some(p[1])))
            .sum()
    }

    /// How much shorter the way gets by turning round the places.
    fn gain_of_turn(&self, i: usize, j: usize) -> f64 {
        let (a, b) = (self.order[i], self.order[j]);
        let (before, after) = (self.before(i), self.after(j));
        let ends = self.hop(before, Some(a)) + self.hop(Some(b), after)
            - self.hop(before, Some(b))
            - self.hop(Some(a), after);
        // Steps end near where they begin: where the ends alone lose, the insides of many do not make it good.
        match ends > WORTH_MM || j - i < FEW {
            true => ends - self.turned(i, j),
            false => ends,
        }
    }

    fn turn(&mut self, i: usize, j: usize) {
        self.order[i..=j].reverse();
        self.note(i, j);
    }

    /// Brings the places `i..=j` behind those up to `k` (or, with `k < i`, before the place `k`).
    fn shift(&mut self, (i, j): (usize, usize), k: usize) {
        if k > j {
            self.order[i..=k].rotate_left(j - i + 1);
            self.note(i, k);
        } else {
            self.order[k..=j].rotate_right(j - i + 1);
            self.note(k, j);
        }
    }

    fn note(&mut self, i: usize, j: usize) {
        for k in i..=j {
            self.place[self.order[k]] = k;
        }
        self.touched = (self.touched.0.min(i), self.touched.1.max(j));
        for k in [i.saturating_sub(1), i, j, (j + 1).min(self.order.len() - 1)] {
            self.wake(self.order[k]);
        }
    }
    fn wake(&mut self, leg: usize) {
        if !std::mem::replace(&mut self.waits[leg], true) {
            self.open.push_back(leg);
        }
    }

    /// Until no leg finds a better place.
    fn shorten(&mut self) -> f64 {
        let mut gained = 0.0;
        while let Some(leg) = self.open.pop_front() {
            self.waits[leg] = false;
            while let Some(gain) = self.better(leg) {
                gained += gain;
            }
        }
        gained
    }

    /// Makes the first change that brings a leg beside a near one and shortens the way.
    fn better(&mut self, leg: usize) -> Option<f64> {
        for n in 0..self.near[leg].len() {
            let other = self.near[leg][n];
            let (i, j) = (self.place[leg], self.place[other]);
            // Near ones come in order of distance: farther than both of its present neighbours, none shortens the way of many.
            let beside = self.hop(self.before(i), Some(leg)) + self.hop(Some(leg), self.after(i));
            let many = self.order.len() > FEW;
            if many && self.hop(Some(leg), Some(other)) > beside {
                break;
            }
            let (low, high) = (i.min(j), i.max(j));
            // The two side by side, in two ways.
            for (a, b) in [(low + 1, high), (low, high.saturating_sub(1))] {
                if a < b {
                    let gain = self.gain_of_turn(a, b);
                    if gain > WORTH_MM {
                        self.turn(a, b);
                        return Some(gain);
                    }
                }
            }
            if let Some(gain) = self.moved(i, j) {
                return Some(gain);
            }
        }
        None
    }

    /// Moves the leg at place `i`, alone or with the next ones before or behind it, to either side of the one at `j`.
    fn moved(&mut self, i: usize, j: usize) -> Option<f64> {
        let n = self.order.len();
        for length in 1..=MOVED {
            for first in [i, (i + 1).saturating_sub(length)] {
                let last = first + length - 1;
                if last >= n || (first..=last).contains(&j) || !(first..=last).contains(&i) {
                    continue;
                }
                let (a, b) = (self.order[first], self.order[last]);
                let (before, after) = (self.before(first), self.after(last));
                let freed =
                    self.hop(before, Some(a)) + self.hop(Some(b), after) - self.hop(before, after);
                if freed <= WORTH_MM {
                    continue;
                }
                // Behind the leg at `j`, or before it.
                for behind in [true, false] {
                    let (p, q) = match behind {
                        true => (Some(self.order[j]), self.after(j)),
                        false => (self.before(j), Some(self.order[j])),
                    };
                    if p == Some(b) || q == Some(a) {
                        continue;
                    }
                    let gap = self.hop(p, q);
                    let straight = freed + gap - self.hop(p, Some(a)) - self.hop(Some(b), q);
                    let turned = freed + gap
                        - self.hop(p, Some(b))
                        - self.hop(Some(a), q)
                        - self.turned(first, last);
                    if straight.max(turned) <= WORTH_MM {
                        continue;
                    }
                    if turned > straight {
                        self.turn(first, last);
                    }
                    let to = match (j > last, behind) {
                        (true, true) => j,
                        (true, false) => j - 1,
                        (false, true) => j + 1,
                        (false, false) => j,
                    };
                    self.wake(a);
                    self.wake(b);
                    self.shift((first, last), to);
                    return Some(straight.max(turned));
                }
            }
        }
        None
    }

    /// So many times: two neighbouring stretches change places somewhere, the way is shortened around them, and the change is kept
    /// where it is shorter then.
    fn change(&mut self, times: usize) {
        let n = self.order.len();
        if n < 3 {
            return;
        }
        let mut kept = self.order.clone();
        let mut random = Numbers(n as u64);
        self.touched = (usize::MAX, 0);
        for _ in 0..times {
            let most = CHANGED.min((n / 3).max(1));
            let (one, two) = (1 + random.below(most), 1 + random.below(most));
            let first = random.below(n - one - two + 1);
            let last = first + one + two - 1;
            let (a, b) = (self.order[first], self.order[first + one - 1]);
            let (c, d) = (self.order[first + one], self.order[last]);
            let (before, after) = (self.before(first), self.after(last));
            let longer =
                self.hop(before, Some(c)) + self.hop(Some(d), Some(a)) + self.hop(Some(b), after)
                    - self.hop(before, Some(a))
                    - self.hop(Some(b), Some(c))
                    - self.hop(Some(d), after);
            self.shift((first, first + one - 1), last);
            [a, b, c, d].into_iter().for_each(|leg| self.wake(leg));
            let gained = self.shorten();
            let (low, high) = std::mem::replace(&mut self.touched, (usize::MAX, 0));
            if gained > longer - WORTH_MM {
                kept[low..=high].copy_from_slice(&self.order[low..=high]);
            } else {
                self.order[low..=high].copy_from_slice(&kept[low..=high]);
                for k in low..=high {
                    self.place[self.order[k]] = k;
                }
            }
        }
    }
}

/// The same numbers everywhere (a linear congruence; Knuth's MMIX constants, from memory).
struct Numbers(u64);

impl Numbers {
    fn below(&mut self, n: usize) -> usize {
        self.0 = self
            .0
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        ((self.0 >> 33) as usize) % n.max(1)
    }
}

/// Legs in cells of a grid by where they begin, a few in each.
struct Grid<'a> {
    legs: &'a [Leg],
    least: Point,
    cell: f64,
    columns: usize,
    cells: Vec<Vec<usize>>,
}

impl<'a> Grid<'a> {
    fn new(legs: &'a [Leg]) -> Grid<'a> {
        let bounds = grainway_geom::Bounds::of(legs.iter().map(|l| l.from));
        let area = (bounds.width() * bounds.height()).max(1.0);
        let long = bounds.width().max(bounds.height());
        let cell = (2.0 * area / legs.len().max(1) as f64)
            .sqrt()
            .max(long / 1e3)
            .max(1e-3);
        let count = |length: f64| (length / cell).floor() as usize + 1;
        let (columns, rows) = (count(bounds.width()), count(bounds.height()));
        let mut grid = Grid {
            legs,
            least: bounds.min,
            cell,
            columns,
            cells: vec![Vec::new(); columns * rows],
        };
        for (i, leg) in legs.iter().enumerate() {
            let (x, y) = grid.at(leg.from);
            grid.cells[y * columns + x].push(i);
        }
        grid
    }
    fn at(&self, p: Point) -> (usize, usize) {
        let rows = self.cells.len() / self.columns;
        let index = |v: f64, n: usize| ((v / self.cell).max(0.0) as usize).min(n - 1);
        let off = p - self.least;
        (index(off.x, self.columns), index(off.y, rows))
    }
    /// The legs that begin nearest to a place, at most so many, nearest first; of equals the first.
    fn nearest(&self, p: Point, most: usize, may: impl Fn(usize) -> bool) -> Vec<usize> {
        let (x, y) = self.at(p);
        let rows = self.cells.len() / self.columns;
        let (columns, reach) = (self.columns, self.columns.max(rows));
        let mut found: Vec<(f64, usize)> = Vec::new();
        for ring in 0..=reach {
            let (x0, x1) = (x.saturating_sub(ring), (x + ring).min(columns - 1));
            for row in y.saturating_sub(ring)..=(y + ring).min(rows - 1) {
                let edge = row + ring == y || row == y + ring;
                let step = if edge { 1 } else { (2 * ring).max(1) };
                let mut column = if edge {
                    x0 as i64
                } else {
                    x as i64 - ring as i64
                };
                while column <= x1 as i64 {
                    if column >= x0 as i64 {
                        let cell = &self.cells[row * columns + column as usize];
                        let far = |i: &usize| (self.legs[*i].from.distance(p), *i);
                        found.extend(cell.iter().filter(|i| may(**i)).map(far));
                    }
                    column += step as i64;
                }
            }
            // What lies in further rings is farther away than this.
            let sure = ring as f64 * self.cell;
            if found.iter().filter(|f| f.0 <= sure).count() >= most {
                break;
            }
        }
        found.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)));
        found.truncate(most);
        found.into_iter().map(|f| f.1).collect()
    }
}

/// The near neighbours of each leg.
fn near(legs: &[Leg]) -> Vec<Vec<usize>> {
    let grid = Grid::new(legs);
    let of = |i: usize| grid.nearest(legs[i].to, NEIGHBOURS, |k| k != i);
    (0..legs.len()).map(of).collect()
}

/// Always to the nearest that is left; of equals the first.
fn nearest(legs: &[Leg], start: Point) -> Vec<usize> {
    let mut grid = Grid::new(legs);
    let mut way = Vec::with_capacity(legs.len());
    let mut at = start;
    while let Some(&i) = grid.nearest(at, 1, |_| true).first() {
        let (x, y) = grid.at(legs[i].from);
        let cell = &mut grid.cells[y * grid.columns + x];
        cell.retain(|k| *k != i);
        at = legs[i].to;
        way.push(i);
    }
    way
}
