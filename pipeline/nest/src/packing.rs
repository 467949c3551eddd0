//! Pieces on one sheet, how deep they lie in one another, and the search for a better place of one piece.

use crate::chance::Chance;
use crate::forms::Forms;
use crate::nofit::{NoFit, TOUCH_MM};
use crate::scan::{Line, Scan};
use grainway_geom::{Bounds, Point, point};
use std::sync::Arc;

/// One way in which a piece may lie.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Way {
    /// Turned by so many quarters.
    pub(crate) quarters: u8,
    /// Number of its form.
    pub(crate) form: usize,
    /// Where its origin may come.
    pub(crate) range: Bounds,
    /// Its form within the packing.
    local: usize,
}

impl Way {
    pub(crate) fn new(quarters: u8, form: usize, range: Bounds) -> Way {
        Way {
            quarters,
            form,
            range: exact(range),
            local: 0,
        }
    }
    /// There is room for it.
    pub(crate) fn fits(&self) -> bool {
        fits(self.range)
    }
}

/// Ranges that are this little too small are of one place, mm: what fits exactly fits, whatever the last digits say.
const EXACT_FIT_MM: f64 = 1e-6;

fn fits(range: Bounds) -> bool {
    range.min.x <= range.max.x && range.min.y <= range.max.y
}

/// A range with rounding taken out of it.
pub(crate) fn exact(mut range: Bounds) -> Bounds {
    for (min, max) in [
        (range.min.x, &mut range.max.x),
        (range.min.y, &mut range.max.y),
    ] {
        if *max < min && *max >= min - EXACT_FIT_MM {
            *max = min;
        }
    }
    range
}

/// A piece on the sheet.
#[derive(Clone, Debug)]
pub(crate) struct Laid {
    pub(crate) ways: Vec<Way>,
    pub(crate) way: usize,
    pub(crate) at: Point,
    /// It takes room. Others are still to be laid.
    pub(crate) lies: bool,
    /// It stays where it is.
    pub(crate) fixed: bool,
}

/// What a piece must keep clear of, as seen from its origin.
struct Near {
    nofit: Arc<NoFit>,
    at: Point,
    lo: Point,
    hi: Point,
    weight: f64,
}

/// Pieces on one sheet.
#[derive(Default)]
pub(crate) struct Packing {
    pub(crate) pieces: Vec<Laid>,
    /// How deep each pair lies in one another, mm, and how much that counts.
    depths: Vec<f64>,
    weights: Vec<f64>,
    /// Numbers of the forms that occur, and the no-fit polygons between them.
    locals: Vec<usize>,
    known: Vec<Vec<Option<Arc<NoFit>>>>,
    near: Vec<Near>,
    scan: Scan,
    /// Edges of no-fit polygons looked at so far: the measure of the work.
    pub(crate) looked: u64,
}

/// Starting places that are tried for a way: anywhere, and round the place where the piece lies.
const ANYWHERE: usize = 6;
const ROUND_ABOUT: usize = 4;
/// Lines along which free places are looked for.
const LINES: usize = 3;
/// The best of these are made better.
const MADE_BETTER: usize = 3;
/// A place is made better at most so often.
const STEPS: usize = 8;
/// So many of the deepest overlaps lead the way out.
const LEADING: usize = 4;

impl Packing {
    /// Adds a piece that does not lie yet.
    pub(crate) fn push(&mut self, ways: &[Way]) -> usize {
        let ways = ways.iter().map(|way| {
            let local = self.locals.iter().position(|f| *f == way.form);
            let local = local.unwrap_or_else(|| {
                self.locals.push(way.form);
                self.locals.len() - 1
            });
            Way { local, ..*way }
        });
        let ways = ways.collect();
        self.pieces.push(Laid {
            ways,
            way: 0,
            at: point(0.0, 0.0),
            lies: false,
            fixed: false,
        });
        self.pieces.len() - 1
    }
    /// Takes the piece away that was added last.
    pub(crate) fn pop(&mut self) {
        self.pieces.pop();
    }
    fn between(&mut self, forms: &mut Forms, standing: usize, moving: usize) -> Arc<NoFit> {
        let many = self.locals.len();
        if self.known.len() < many {
            self.known.resize(many, Vec::new());
        }
        let row = &mut self.known[standing];
        if row.len() < many {
            row.resize(many, None);
        }
        row[moving]
            .get_or_insert_with(|| forms.between(self.locals[standing], self.locals[moving]))
            .clone()
    }
    /// Makes room for the depths of all pairs and measures them.
    pub(crate) fn measure_all(&mut self, forms: &mut Forms) {
        let n = self.pieces.len();
        if self.depths.len() != n * n {
            self.depths = vec![0.0; n * n];
            self.weights = vec![1.0; n * n];
        }
        for i in 0..n {
            if self.pieces[i].lies {
                self.measure(forms, i);
            }
        }
    }
    /// Gathers what a piece must keep clear of when it lies in a way.
    pub(crate) fn gather(&mut self, forms: &mut Forms, i: usize, way: usize) {
        let mut near = std::mem::take(&mut self.near);
        near.clear();
        let Way { range, local, .. } = self.pieces[i].ways[way];
        let n = self.pieces.len();
        for j in 0..n {
            if j == i || !self.pieces[j].lies {
                continue;
            }
            let other = &self.pieces[j];
            let (at, standing) = (other.at, other.ways[other.way].local);
            let nofit = self.between(forms, standing, local);
            let (lo, hi) = (nofit.lo + at, nofit.hi + at);
            let apart = hi.x <= range.min.x
                || hi.y <= range.min.y
                || lo.x >= range.max.x
                || lo.y >= range.max.y;
            if apart {
                continue;
            }
            let weight = self.weights.get(i * n + j).copied().unwrap_or(1.0);
            near.push(Near {
                nofit,
                at,
                lo,
                hi,
                weight,
            });
        }
        self.near = near;
    }
    /// How much the piece that was gathered for overlaps at a place. More than `limit` is not told exactly.
    fn overlap(&mut self, p: Point, limit: f64) -> f64 {
        let mut sum = 0.0;
        for n in &self.near {
            if p.x > n.lo.x && p.x < n.hi.x && p.y > n.lo.y && p.y < n.hi.y {
                self.looked += n.nofit.cost();
                sum += n.weight * n.nofit.depth(p - n.at);
                if sum > limit {
                    return sum;
                }
            }
        }
        self.looked += 1 + self.near.len() as u64 / 4;
        sum
    }
    /// Moves a place along the ways out of what it overlaps, as long as that makes it better.
    fn better(&mut self, from: (f64, Point), range: Bounds) -> (f64, Point) {
        let mut best = from;
        for _ in 0..STEPS {
            if best.0 <= TOUCH_MM {
                break;
            }
            let places = self.ways_out(best.1, range);
            let mut next = best;
            for p in places {
                let sum = self.overlap(p, next.0);
                if sum < next.0 {
                    next = (sum, p);
                }
            }
            if next.0 > best.0 - 1e-9 {
                break;
            }
            best = next;
        }
        best
    }
    /// Places out of the overlaps at `p`: straight out of one, along x or y out of one, out of two at once.
    fn ways_out(&mut self, p: Point, range: Bounds) -> Vec<Point> {
        let mut exits: Vec<(f64, Point, Point)> = Vec::new();
        for n in &self.near {
            if p.x > n.lo.x && p.x < n.hi.x && p.y > n.lo.y && p.y < n.hi.y {
                self.looked += n.nofit.cost();
                if let Some(exit) = n.nofit.exit(p - n.at) {
                    exits.push((n.weight * exit.depth, exit.to + n.at, exit.along));
                }
            }
        }
        exits.sort_by(|a, b| b.0.total_cmp(&a.0));
        exits.truncate(LEADING);
        let mut places = Vec::with_capacity(3 * LEADING + LEADING * LEADING / 2);
        for (k, &(_, to, along)) in exits.iter().enumerate() {
            places.push(to);
            if along.y.abs() > 1e-6 {
                places.push(point(to.x + (p.y - to.y) * along.x / along.y, p.y));
            }
            if along.x.abs() > 1e-6 {
                places.push(point(p.x, to.y + (p.x - to.x) * along.y / along.x));
            }
            for &(_, other, way) in &exits[k + 1..] {
                let across = along.cross(way);
                if across.abs() > 1e-6 {
                    places.push(to + along * ((other - to).cross(way) / across));
                }
            }
        }
        let reach = range.width() + range.height();
        places.retain(|q| q.distance(p) <= reach);
        for q in &mut places {
            *q = within(*q, range);
        }
        places
    }
    /// What the piece overlaps where it lies.
    fn weighed(&self, i: usize) -> f64 {
        let n = self.pieces.len();
        (0..n)
            .map(|j| self.weights[i * n + j] * self.depths[i * n + j])
            .sum()
    }
    /// Looks for a better place for a piece and brings it there.
    pub(crate) fn improve(&mut self, forms: &mut Forms, i: usize, chance: &mut Chance) -> bool {
        let now = self.weighed(i);
        let (lying, at) = (self.pieces[i].way, self.pieces[i].at);
        let many = self.pieces[i].ways.len();
        let mut best = (now, lying, at);
        let other = if many > 2 {
            1 + chance.below(many - 1)
        } else {
            1
        };
        for turn in [0, other] {
            let way = (lying + turn) % many;
            if turn > 0 && way == lying || !self.pieces[i].ways[way].fits() {
                continue;
            }
            let range = self.pieces[i].ways[way].range;
            self.gather(forms, i, way);
            let mut starts = Starts::default();
            if way == lying {
                let sum = self.overlap(at, f64::INFINITY);
                starts.add((sum, at));
            }
            self.starts(&mut starts, i, way, chance);
            for start in starts.0 {
                let (sum, p) = self.better(start, range);
                if sum < best.0 - 1e-9 {
                    best = (sum, way, p);
                }
                if best.0 <= TOUCH_MM {
                    break;
                }
            }
            if best.0 <= TOUCH_MM {
                break;
            }
        }
        if best.0 >= now - 1e-9 {
            return false;
        }
        self.bring(forms, i, best.1, best.2);
        true
    }
    fn starts(&mut self, starts: &mut Starts, i: usize, way: usize, chance: &mut Chance) {
        let range = self.pieces[i].ways[way].range;
        let at = self.pieces[i].at;
        for k in 0..ANYWHERE + ROUND_ABOUT {
            let p = if k < ANYWHERE {
                point(
                    chance.between(range.min.x, range.max.x),
                    chance.between(range.min.y, range.max.y),
                )
            } else {
                let reach = 0.1 * range.width().max(range.height());
                let near = point(
                    at.x + chance.between(-reach, reach),
                    at.y + chance.between(-reach, reach),
                );
                within(near, range)
            };
            let sum = self.overlap(p, starts.worst());
            starts.add((sum, p));
        }
        for k in 0..2 * LINES {
            let upright = k % 2 == 1;
            let level = self.level(at, range, upright, chance, k < 2);
            for p in self.along(Line { level, upright }, range) {
                let sum = self.overlap(p, starts.worst());
                starts.add((sum, p));
            }
        }
    }
    /// A line to look along: through the place where the piece lies, through a corner of something, or anywhere.
    fn level(
        &self,
        at: Point,
        range: Bounds,
        upright: bool,
        chance: &mut Chance,
        here: bool,
    ) -> f64 {
        let (from, to) = if upright {
            (range.min.x, range.max.x)
        } else {
            (range.min.y, range.max.y)
        };
        let level = if here {
            if upright { at.x } else { at.y }
        } else if self.near.is_empty() || chance.below(4) == 0 {
            chance.between(from, to)
        } else {
            let n = &self.near[chance.below(self.near.len())];
            let corner = n.at + n.nofit.corner(chance.below(n.nofit.corners()));
            if upright { corner.x } else { corner.y }
        };
        level.max(from).min(to.max(from))
    }
    /// The best places along a line.
    fn along(&mut self, line: Line, range: Bounds) -> Vec<Point> {
        let mut scan = std::mem::take(&mut self.scan);
        scan.begin(line, range);
        for n in &self.near {
            if scan.meets(n.lo, n.hi) {
                self.looked += n.nofit.cost();
                scan.add(&n.nofit, n.at, n.weight);
            }
        }
        let places = scan.best();
        self.scan = scan;
        places
    }
    /// The first free place along a line from its lower end, for the piece and way that was gathered for.
    pub(crate) fn first_free(&mut self, line: Line, range: Bounds) -> Option<Point> {
        let mut scan = std::mem::take(&mut self.scan);
        scan.begin(line, range);
        for n in &self.near {
            if scan.meets(n.lo, n.hi) {
                self.looked += n.nofit.cost();
                scan.add(&n.nofit, n.at, n.weight);
            }
        }
        let place = scan.first_free();
        self.scan = scan;
        place.filter(|p| self.overlap(*p, TOUCH_MM) <= TOUCH_MM)
    }
    /// Levels of the boxes of what was gathered.
    pub(crate) fn levels(&self, upright: bool) -> impl Iterator<Item = f64> {
        self.near.iter().flat_map(move |n| {
            if upright {
                [n.lo.x, n.hi.x]
            } else {
                [n.lo.y, n.hi.y]
            }
        })
    }
    /// Lays a piece; what it overlaps is not measured.
    pub(crate) fn lay(&mut self, i: usize, way: usize, at: Point) {
        let piece = &mut self.pieces[i];
        (piece.way, piece.at, piece.lies) = (way, at, true);
    }
    /// Brings a piece elsewhere and measures what it overlaps.
    pub(crate) fn bring(&mut self, forms: &mut Forms, i: usize, way: usize, at: Point) {
        self.lay(i, way, at);
        self.measure(forms, i);
    }
    fn measure(&mut self, forms: &mut Forms, i: usize) {
        let n = self.pieces.len();
        let (own, at) = (&self.pieces[i], self.pieces[i].at);
        let local = own.ways[own.way].local;
        for j in 0..n {
            let other = &self.pieces[j];
            let depth = if j == i || !other.lies {
                0.0
            } else {
                let (standing, from) = (other.ways[other.way].local, other.at);
                let nofit = self.between(forms, standing, local);
                let p = at - from;
                if p.x > nofit.lo.x && p.x < nofit.hi.x && p.y > nofit.lo.y && p.y < nofit.hi.y {
                    self.looked += nofit.cost();
                    nofit.depth(p)
                } else {
                    0.0
                }
            };
            let depth = if depth <= TOUCH_MM { 0.0 } else { depth };
            self.depths[i * n + j] = depth;
            self.depths[j * n + i] = depth;
        }
    }
    /// The piece overlaps another.
    pub(crate) fn overlaps(&self, i: usize) -> bool {
        let n = self.pieces.len();
        self.depths[i * n..(i + 1) * n].iter().any(|d| *d > 0.0)
    }
    /// All depths together, mm.
    pub(crate) fn total(&self) -> f64 {
        0.5 * self.depths.iter().sum::<f64>()
    }
    /// Overlaps that stay come to count more, all others less.
    pub(crate) fn weigh(&mut self) {
        let deepest = self.depths.iter().copied().fold(0.0, f64::max);
        if deepest <= 0.0 {
            return;
        }
        for (w, d) in self.weights.iter_mut().zip(&self.depths) {
            if *d > 0.0 {
                *w *= GROWS + GROWS_DEEP * d / deepest;
            } else {
                *w = (*w * FADES).max(1.0);
            }
        }
    }
    /// All overlaps count alike again.
    pub(crate) fn forget_weights(&mut self) {
        self.weights.fill(1.0);
    }
    /// The way and the place of every piece, to come back to.
    pub(crate) fn places(&self) -> Vec<(usize, Point)> {
        self.pieces.iter().map(|p| (p.way, p.at)).collect()
    }
    /// Brings everything to places that were noted.
    pub(crate) fn restore(&mut self, forms: &mut Forms, places: &[(usize, Point)]) {
        for (piece, &(way, at)) in self.pieces.iter_mut().zip(places) {
            (piece.way, piece.at) = (way, at);
        }
        self.measure_all(forms);
    }
}

/// How much the weight of an overlap grows in a round, for any and in addition for the deepest; and how it fades where there is none.
const GROWS: f64 = 1.1;
const GROWS_DEEP: f64 = 0.6;
const FADES: f64 = 0.95;

/// The best starting places, best first.
#[derive(Default)]
struct Starts(Vec<(f64, Point)>);

impl Starts {
    fn worst(&self) -> f64 {
        if self.0.len() < MADE_BETTER {
            f64::INFINITY
        } else {
            self.0.last().map_or(f64::INFINITY, |s| s.0)
        }
    }
    fn add(&mut self, start: (f64, Point)) {
        if start.0 >= self.worst() {
            return;
        }
        let at = self.0.partition_point(|s| s.0 <= start.0);
        self.0.insert(at, start);
        self.0.truncate(MADE_BETTER);
    }
}

/// The place nearest to `p` in the box.
pub(crate) fn within(p: Point, range: Bounds) -> Point {
    point(
        p.x.max(range.min.x).min(range.max.x.max(range.min.x)),
        p.y.max(range.min.y).min(range.max.y.max(range.min.y)),
    )
}
