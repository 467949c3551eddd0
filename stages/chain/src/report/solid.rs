//! A finished piece as a solid, and the lines of it that are seen from one side.
//!
//! The solid is a slab with its outline, less what is cut from its sides. Every place where two of its surfaces meet is a line of the
//! drawing; a bit of it is seen when nothing stands between it and the viewer.

use grainway_geom::{
    Bounds, Contour, Notes, Point, Region, Segment, SegmentIndex, intersections, opening, point,
    union,
};
use grainway_pipeline::doc::{FeatureKind, Side};
use grainway_pipeline::work::{CornerAnswer, Part, SizedFeature, Variant, Work};

/// How far beside a line it is asked whether wood stands, mm: less than any cut is wide.
const BESIDE_MM: f64 = 0.05;
/// Lines are followed in so many steps over the piece's greatest length.
const STEPS: f64 = 300.0;
/// The way to the viewer is looked along in steps of this, mm: thinner walls hide nothing.
const LOOK_MM: f64 = 0.7;
/// The same where it leads through other pieces.
const LOOK_BEYOND_MM: f64 = 1.5;

/// Joints of a contour that turn less are no corners, radians: of the directions round them half are wood within one of sixteen.
const LEAST_TURN: f64 = 0.2;

/// The direction from the back to the face among those of a [`Place`].
const UP: usize = 2;

/// A place in the piece: along, across, and up from its back, mm.
pub(super) type Place = [f64; 3];

/// Which way the viewer is, from the left and the near side and from above.
pub(super) const TOWARDS: Place = [-0.42, -0.62, 0.663];

/// Something cut away (or the slab itself): contours, and from where to where they reach.
struct Recess {
    index: SegmentIndex,
    contours: Vec<Contour>,
    /// The direction square to its contours: 0 along the piece, cut into an end, with contours across and up; 1 across it, cut into an
    /// edge, with contours along and up; 2 up, cut into face or back, with contours along and across.
    axis: usize,
    /// From and to, square to its contours: a hair beyond a surface that it is open to, so that nothing stays standing on it.
    deep: [f64; 2],
    /// The same without the hair.
    planes: [f64; 2],
}

impl Recess {
    /// `most`: where the piece ends square to the contours, from 0 on, mm.
    fn new(contours: Vec<Contour>, axis: usize, planes: [f64; 2], most: f64) -> Recess {
        let [from, to] = planes;
        Recess {
            index: SegmentIndex::new(contours.iter().flat_map(Contour::segments)),
            contours,
            axis,
            deep: [
                if from <= 0.0 { from - BESIDE_MM } else { from },
                if to >= most { to + BESIDE_MM } else { to },
            ],
            planes,
        }
    }
    /// The piece before anything is cut into it.
    fn slab(contours: Vec<Contour>, thickness: f64) -> Recess {
        let planes = [0.0, thickness];
        Recess {
            deep: planes,
            ..Recess::new(contours, UP, planes, thickness)
        }
    }
    fn bounds(&self) -> Bounds {
        let all = self.contours.iter().map(Contour::bounds);
        all.fold(Bounds::EMPTY, Bounds::union)
    }
    fn takes(&self, p: Place) -> bool {
        let along = p[self.axis];
        along >= self.deep[0] && along <= self.deep[1] && self.index.contains(beside(p, self.axis))
    }
    fn place(&self, p: Point, along: f64) -> Place {
        match self.axis {
            0 => [along, p.x, p.y],
            1 => [p.x, along, p.y],
            _ => [p.x, p.y, along],
        }
    }
}

/// A place as it is seen along an axis.
fn beside([x, y, z]: Place, axis: usize) -> Point {
    match axis {
        0 => point(y, z),
        1 => point(x, z),
        _ => point(x, y),
    }
}

/// Which recesses may take wood at a place, seen square to their contours: found by the cell of a grid that the place lies in.
struct Grid {
    cell: f64,
    columns: usize,
    /// Numbers of the things that reach into a cell, cells of one row after those of another.
    cells: Vec<Vec<u32>>,
}

impl Grid {
    /// Of the recesses of one kind, over an area that begins at 0.
    fn new(recesses: &[Recess], axis: usize, size: Place) -> Grid {
        let seen = beside(size, axis);
        let (wide, high) = (seen.x, seen.y);
        let of_kind = recesses.iter().filter(|r| r.axis == axis).count();
        // About one recess a cell.
        let cell = (wide * high / of_kind.max(1) as f64).sqrt().max(1.0);
        let count = |length: f64| (length.max(0.0) / cell).ceil().max(1.0) as usize;
        let columns = count(wide);
        let mut grid = Grid {
            cell,
            columns,
            cells: vec![Vec::new(); columns * count(high)],
        };
        for (i, r) in recesses.iter().enumerate().filter(|(_, r)| r.axis == axis) {
            for c in grid.touched(r.bounds()) {
                grid.cells[c].push(i as u32);
            }
        }
        grid
    }
    /// Column or row of a coordinate; what lies outside is taken to the border.
    fn step(&self, v: f64, count: usize) -> usize {
        ((v / self.cell).max(0.0) as usize).min(count - 1)
    }
    fn cell_of(&self, p: Point) -> usize {
        let rows = self.cells.len() / self.columns;
        self.step(p.y, rows) * self.columns + self.step(p.x, self.columns)
    }
    fn touched(&self, area: Bounds) -> Vec<usize> {
        let (first, last) = (self.cell_of(area.min), self.cell_of(area.max));
        let columns = first % self.columns..=last % self.columns;
        let rows = first / self.columns..=last / self.columns;
        rows.flat_map(|row| columns.clone().map(move |column| (row, column)))
            .map(|(row, column)| row * self.columns + column)
            .collect()
    }
}

/// A piece after all its setups.
pub(super) struct Solid {
    size: Place,
    outline: Recess,
    recesses: Vec<Recess>,
    /// Of recesses of ends, of edges, and of face and back.
    grids: [Grid; 3],
}

impl Solid {
    /// `None` for a part without variants or wood.
    pub(super) fn of(work: &Work, part: &Part) -> Option<Solid> {
        let thickness = work.documents.stock(&part.stock)?.readings_mm().1;
        let far = part.outline.bounds().max;
        let size = [far.x, far.y, thickness];
        let mut outline = vec![Region::inside(part.outline.clone())];
        let mut recesses = Vec::new();
        for variant in work.variants.iter().filter(|v| v.part == part.id) {
            for f in &variant.features {
                let regions = as_cut(work, variant, f);
                match f.kind {
                    FeatureKind::Engraving => {}
                    FeatureKind::Outline => outline = grainway_geom::difference(&outline, &regions),
                    _ => recesses.push(recess(variant, f, regions, size)),
                }
            }
        }
        let slab = || Recess::slab(contours(outline.clone()), thickness);
        (!outline.is_empty()).then(|| Solid::new(size, slab(), recesses))
    }

    fn new(size: Place, outline: Recess, recesses: Vec<Recess>) -> Solid {
        Solid {
            size,
            outline,
            grids: [0, 1, 2].map(|axis| Grid::new(&recesses, axis, size)),
            recesses,
        }
    }

    fn stands(&self, p: Place) -> bool {
        let mut near = self.grids.iter().enumerate().flat_map(|(axis, g)| {
            let here = &g.cells[g.cell_of(beside(p, axis))];
            here.iter().map(|i| &self.recesses[*i as usize])
        });
        self.outline.takes(p) && !near.any(|r| r.takes(p))
    }

    /// The recesses of one kind that may reach into an area, and the slab.
    fn around(&self, axis: usize, area: Bounds) -> impl Iterator<Item = &Recess> {
        let grid = &self.grids[axis];
        let cells = grid.touched(area).into_iter();
        let mut near: Vec<u32> = cells.flat_map(|c| grid.cells[c].iter().copied()).collect();
        near.sort_unstable();
        near.dedup();
        let near = near.into_iter().map(|i| &self.recesses[i as usize]);
        std::iter::once(&self.outline)
            .filter(move |o| o.axis == axis)
            .chain(near)
    }

    /// Heights of all floors and faces of the recesses of one kind.
    fn planes(&self, axis: usize) -> Vec<f64> {
        let all = std::iter::once(&self.outline).chain(&self.recesses);
        let mut planes: Vec<f64> = all
            .filter(|o| o.axis == axis)
            .flat_map(|o| o.planes)
            .collect();
        planes.sort_by(f64::total_cmp);
        planes.dedup_by(|a, b| (*a - *b).abs() < BESIDE_MM);
        planes
    }

    /// Nothing stands between a place and the viewer.
    fn seen(&self, p: Place) -> bool {
        let mut t = LOOK_MM;
        loop {
            let q: Place = std::array::from_fn(|i| p[i] + TOWARDS[i] * t);
            if q[2] > self.size[2] || q[0] < 0.0 || q[1] < 0.0 {
                return true;
            }
            if self.stands(q) {
                return false;
            }
            t += LOOK_MM;
        }
    }

    /// Length, width and thickness, mm.
    pub(super) fn size(&self) -> Place {
        self.size
    }

    /// It stands somewhere on the way from a place, in its own frame, into this direction.
    pub(super) fn hides(&self, p: Place, towards: Place) -> bool {
        let (mut from, mut to) = (LOOK_MM, f64::INFINITY);
        for i in 0..3 {
            let (a, b) = (-p[i] / towards[i], (self.size[i] - p[i]) / towards[i]);
            if towards[i].abs() > f64::EPSILON {
                from = from.max(a.min(b));
                to = to.min(a.max(b));
            } else if p[i] < 0.0 || p[i] > self.size[i] {
                return false;
            }
        }
        if to < from {
            return false;
        }
        let steps = ((to - from) / LOOK_BEYOND_MM).ceil();
        // The last step is a whole one or less, so that thin wood at the far end hides too.
        (0..=steps as i64).any(|k| {
            let t = (from + k as f64 * LOOK_BEYOND_MM).min(to);
            self.stands(std::array::from_fn(|i| p[i] + towards[i] * t))
        })
    }

    /// Two surfaces meet there along a line: of the four quarters round it one or three are wood, or two across from each other.
    fn is_crease(&self, p: Place, a: Place, b: Place) -> bool {
        let at = |s: f64, t: f64| -> bool {
            let q = |i: usize| p[i] + (s * a[i] + t * b[i]) * BESIDE_MM;
            self.stands([q(0), q(1), q(2)])
        };
        let quarters = [at(1.0, 1.0), at(-1.0, 1.0), at(-1.0, -1.0), at(1.0, -1.0)];
        match quarters.iter().filter(|q| **q).count() {
            1 | 3 => true,
            2 => quarters[0] == quarters[2],
            _ => false,
        }
    }

    /// The lines that are seen with the face up, with the back up after the piece was turned over its long edge, or with the face up and
    /// the right end left after it was turned about, as they are drawn.
    pub(super) fn lines(&self, up: Side) -> Vec<Contour> {
        let turned = match up {
            Side::Back => Some(self.turned_about(0)),
            Side::RightEnd => Some(self.turned_about(UP)),
            _ => None,
        };
        let solid = turned.as_ref().unwrap_or(self);
        solid.lines_where(&|p| solid.seen(p), &projected)
    }

    /// The lines where `seen` says that nothing hides them, as `drawn` puts their places on paper.
    pub(super) fn lines_where(
        &self,
        seen: &dyn Fn(Place) -> bool,
        drawn: &dyn Fn(Place) -> Point,
    ) -> Vec<Contour> {
        // A floor is bounded by whatever wall it meets, so every wall is looked at on every floor's height.
        let planes = [0, 1, 2].map(|axis| self.planes(axis));
        let mut lines = Vec::new();
        for r in std::iter::once(&self.outline).chain(&self.recesses) {
            let runs = self.runs_of(r, &planes[r.axis], seen);
            lines.extend(
                runs.into_iter()
                    .map(|run| Contour::open(run.into_iter().map(drawn))),
            );
        }
        lines
    }

    /// The lines of one recess, each as the places that it leads through.
    fn runs_of(&self, r: &Recess, planes: &[f64], seen: &dyn Fn(Place) -> bool) -> Vec<Vec<Place>> {
        let mut lines = Vec::new();
        let longest = self.size.iter().copied().fold(0.0, f64::max);
        let step = longest / STEPS;
        let deep = r.place(point(0.0, 0.0), 1.0);
        for s in r.contours.iter().flat_map(Contour::segments) {
            let n = (s.length() / step).ceil().max(1.0) as usize;
            for at in planes {
                let at = *at;
                let bits = (0..n).map(|i| {
                    let share = |k: f64| (i as f64 + k) / n as f64;
                    let middle = r.place(s.at(share(0.5)), at);
                    let normal = s.direction(share(0.5)).unwrap_or_default().left();
                    let drawn = self.is_crease(middle, r.place(normal, 0.0), deep) && seen(middle);
                    let end = |k: f64| r.place(s.at(share(k)), at);
                    (drawn, end(0.0), end(1.0))
                });
                runs(bits, &mut lines);
            }
        }
        let [from, to] = r.planes;
        let n = ((to - from) / step).ceil().max(2.0) as usize;
        let along = |k: f64| from + (to - from) * k / n as f64;
        for corner in self.corners(r) {
            let bits = (0..n).map(|k| {
                let middle = r.place(corner, along(k as f64 + 0.5));
                let drawn = self.is_corner(middle, r) && seen(middle);
                let end = |k: usize| r.place(corner, along(k as f64));
                (drawn, end(k), end(k + 1))
            });
            runs(bits, &mut lines);
        }
        lines
    }

    /// Where edges may run along the depth of a recess: at its corners, and where its walls meet others.
    fn corners(&self, r: &Recess) -> Vec<Point> {
        let mut corners: Vec<Point> = r.contours.iter().flat_map(turns).collect();
        let others = self.around(r.axis, r.bounds().grown(BESIDE_MM));
        for other in others.filter(|o| !std::ptr::eq(*o, r)) {
            for s in r.contours.iter().flat_map(Contour::segments) {
                for i in other.index.near(&s, BESIDE_MM) {
                    corners.extend(intersections(&s, &other.index.segments()[i]));
                }
            }
        }
        corners
    }

    /// An edge along the depth of a recess: round it neither nothing, nor all, nor half is wood.
    fn is_corner(&self, p: Place, r: &Recess) -> bool {
        let wood = (0..16).filter(|k| {
            let turn = Point::unit(f64::from(*k) * std::f64::consts::TAU / 16.0 + 0.1);
            let beside = r.place(turn * BESIDE_MM, 0.0);
            self.stands(std::array::from_fn(|i| p[i] + beside[i]))
        });
        !matches!(wood.count(), 0 | 16 | 7..=9)
    }

    /// Turned by a half about one of its directions: places along the two others count from their other ends.
    fn turned_about(&self, fixed: usize) -> Solid {
        let over = |r: &Recess| {
            // The two directions of its contours.
            let [u, v] = match r.axis {
                0 => [1, 2],
                1 => [0, 2],
                _ => [0, 1],
            };
            let turned = |c: &Contour| {
                let along = match u == fixed {
                    true => c.clone(),
                    false => c.mirrored_along(self.size[u]),
                };
                match v == fixed {
                    true => along,
                    false => along.mirrored_across(self.size[v]),
                }
            };
            let contours = r.contours.iter().map(turned).collect();
            let most = self.size[r.axis];
            let planes = match r.axis == fixed {
                true => r.planes,
                false => [most - r.planes[1], most - r.planes[0]],
            };
            Recess::new(contours, r.axis, planes, most)
        };
        let outline = Recess::slab(over(&self.outline).contours, self.size[UP]);
        let recesses = self.recesses.iter().map(over).collect();
        Solid::new(self.size, outline, recesses)
    }
}

/// Where a contour changes its direction by more than [`LEAST_TURN`].
fn turns(contour: &Contour) -> Vec<Point> {
    let segments: Vec<Segment> = contour.segments().collect();
    let n = segments.len();
    let turns = |i: &usize| {
        let before = segments[(i + n - 1) % n].direction(1.0);
        let after = segments[*i].direction(0.0);
        let straight = |(a, b): (Point, Point)| a.dot(b) > LEAST_TURN.cos();
        !before.zip(after).is_some_and(straight)
    };
    (0..n).filter(turns).map(|i| segments[i].start()).collect()
}

/// Bits that are drawn and follow one another become one line.
fn runs(bits: impl Iterator<Item = (bool, Place, Place)>, lines: &mut Vec<Vec<Place>>) {
    let mut run: Vec<Place> = Vec::new();
    for (drawn, from, to) in bits {
        if drawn {
            if run.is_empty() {
                run.push(from);
            }
            run.push(to);
        } else if !run.is_empty() {
            lines.push(std::mem::take(&mut run));
        }
    }
    if !run.is_empty() {
        lines.push(run);
    }
}

/// A place as it is drawn: parallel lines stay parallel, and lengths along the same direction are to scale.
pub(super) fn projected([x, y, z]: Place) -> Point {
    let [a, b, c] = TOWARDS;
    let flat = a.hypot(b);
    let right = (-b * x + a * y) / flat;
    let up = (-a * c * x - b * c * y) / flat + flat * z;
    point(right, up)
}

/// What is cut of a feature, seen from its side, in its variant's frame: with the fillets that stay and the lobes that reach farther.
fn as_cut(work: &Work, variant: &Variant, f: &SizedFeature) -> Vec<Region> {
    let radius = f.cutter.as_deref().and_then(|id| work.documents.cutter(id));
    let mut regions = match (f.kind, radius) {
        (FeatureKind::Outline, _) => Vec::new(),
        (FeatureKind::Hole, _) | (_, None) => vec![f.region()],
        (_, Some(c)) => opening(
            &f.region(),
            c.radius_mm() - BESIDE_MM,
            &mut Notes::default(),
        ),
    };
    regions.extend(f.corners.iter().filter_map(|c| match c.answer {
        CornerAnswer::Lobe { centre, radius, .. } => {
            Some(Region::inside(Contour::circle(centre, radius)))
        }
        _ => None,
    }));
    let regions = union(&regions);
    let back = |c: &Contour| match variant.side {
        Side::Back => variant.turn.contour(c, variant.outline.bounds().max),
        // With the far edge up the stops bear on the face; up from the back counts the other way.
        Side::Far => c.mirrored_across(variant.outline.bounds().max.y),
        Side::Face | Side::Near => c.clone(),
        // On either end the stops bear on the face too.
        Side::LeftEnd => c.mirrored_across(variant.outline.bounds().max.y),
        Side::RightEnd => {
            let size = variant.outline.bounds().max;
            c.mirrored_along(size.x).mirrored_across(size.y)
        }
    };
    regions
        .iter()
        .map(|r| Region {
            outer: back(&r.outer),
            holes: r.holes.iter().map(|h| back(h).oriented(false)).collect(),
        })
        .collect()
}

fn recess(variant: &Variant, f: &SizedFeature, regions: Vec<Region>, size: Place) -> Recess {
    let axis = match variant.side {
        Side::Face | Side::Back => UP,
        Side::Near | Side::Far => 1,
        Side::LeftEnd | Side::RightEnd => 0,
    };
    let whole = size[axis];
    let depth = match f.through {
        true => whole,
        false => variant.z.depth_of(f.floor).min(whole),
    };
    let planes = match variant.side {
        Side::Face | Side::Far | Side::RightEnd => [whole - depth, whole],
        Side::Back | Side::Near | Side::LeftEnd => [0.0, depth],
    };
    Recess::new(contours(regions), axis, planes, whole)
}

fn contours(regions: Vec<Region>) -> Vec<Contour> {
    let all = regions.into_iter();
    all.flat_map(|r| std::iter::once(r.outer).chain(r.holes))
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn slab(recesses: Vec<Recess>) -> Solid {
        let outline = Contour::rectangle(point(0.0, 0.0), point(200.0, 100.0), 0.0);
        let outline = Recess::slab(vec![outline], 20.0);
        Solid::new([200.0, 100.0, 20.0], outline, recesses)
    }

    fn drawn(lines: &[Contour]) -> f64 {
        lines.iter().map(Contour::length).sum()
    }

    fn long(from: Place, to: Place) -> f64 {
        projected(from).distance(projected(to))
    }

    /// Of a slab's twelve edges nine are seen, three of them square to its face.
    #[test]
    fn of_a_slab_nine_edges_are_seen() {
        let solid = slab(Vec::new());
        let (x, y, z) = (
            long([0.0; 3], [200.0, 0.0, 0.0]),
            long([0.0; 3], [0.0, 100.0, 0.0]),
            long([0.0; 3], [0.0, 0.0, 20.0]),
        );
        let expected = 3.0 * (x + y + z);
        for up in [Side::Face, Side::Back, Side::RightEnd] {
            let length = drawn(&solid.lines(up));
            assert!(
                (length - expected).abs() < 0.02 * expected,
                "{length} {expected}"
            );
        }
    }

    /// A recess of the face is seen from above and not from below; deep and narrow, its floor is hidden.
    #[test]
    fn a_recess_is_seen_from_its_own_side() {
        let pocket = |width: f64| {
            let shape = Contour::rectangle(point(60.0, 40.0), point(60.0 + width, 60.0), 0.0);
            slab(vec![Recess::new(vec![shape], UP, [5.0, 20.0], 20.0)])
        };
        let plain = drawn(&slab(Vec::new()).lines(Side::Face));
        let (wide, narrow) = (pocket(80.0), pocket(4.0));
        let more = |s: &Solid, up| drawn(&s.lines(up)) - plain;
        assert!(more(&wide, Side::Back).abs() < 1.0);
        let rim = |w: f64| 2.0 * (long([0.0; 3], [w, 0.0, 0.0]) + long([0.0; 3], [0.0, 20.0, 0.0]));
        // All of the rim, and what is seen of the floor and of the walls' corners.
        assert!(more(&wide, Side::Face) > rim(80.0) + 40.0);
        // A line of sight falls 6.3 mm over 4 mm of x: of the walls' corners that much is seen, and nothing of the floor.
        let beyond = more(&narrow, Side::Face) - rim(4.0);
        assert!(
            beyond > 2.0 && beyond < 2.5 * long([0.0; 3], [0.0, 0.0, 6.3]),
            "{beyond}"
        );
    }

    /// A mortise in the right end is seen once the piece is turned about, and one in the left end before.
    #[test]
    fn a_recess_of_an_end_is_seen_from_its_own_side() {
        let plain = drawn(&slab(Vec::new()).lines(Side::Face));
        let more = |planes, up| {
            let shape = Contour::rectangle(point(30.0, 6.0), point(70.0, 14.0), 0.0);
            let solid = slab(vec![Recess::new(vec![shape], 0, planes, 200.0)]);
            drawn(&solid.lines(up)) - plain
        };
        let rim = 2.0 * (long([0.0; 3], [0.0, 40.0, 0.0]) + long([0.0; 3], [0.0, 0.0, 8.0]));
        assert!(more([0.0, 20.0], Side::Face) > 0.95 * rim);
        assert!(more([0.0, 20.0], Side::RightEnd).abs() < 1.0);
        assert!(more([180.0, 200.0], Side::Face).abs() < 1.0);
        assert!(more([180.0, 200.0], Side::RightEnd) > 0.95 * rim);
    }

    /// A housing that runs out over an edge breaks the line of the edge.
    #[test]
    fn a_housing_breaks_the_edge_that_it_runs_over() {
        let shape = Contour::rectangle(point(80.0, -8.0), point(100.0, 108.0), 0.0);
        let solid = slab(vec![Recess::new(vec![shape], UP, [14.0, 20.0], 20.0)]);
        let upper = projected([90.0, 0.0, 20.0]);
        let floor = projected([90.0, 0.0, 14.0]);
        let lines = solid.lines(Side::Face);
        let near = |p: Point| lines.iter().any(|l| l.distance(p) < 0.2);
        assert!(!near(upper) && near(floor));
        assert!(
            near(projected([80.0, 0.0, 17.0])),
            "the wall's end at the edge"
        );
    }
}
