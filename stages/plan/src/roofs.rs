//! What a disc leaves of a region, told exactly from the places where its centre turns.
//!
//! Where the boundary of the centre's region has a corner, the disc standing there touches the region's boundary at two places, and
//! what lies between them under the disc's arc (its roof) is left: most often the fillet of one corner. A piece of what is left has
//! one roof unless the disc is kept out of a neck or between an island and a wall; such regions are given back undecided, and the
//! polygon kernel decides.

use grainway_geom::{Contour, Point, Region, Segment, SegmentIndex, point};

/// A place where the disc touches lies on the boundary within this, mm: the kernel keeps a level within it.
const TOUCH_MM: f64 = 1e-3;
/// Touching places nearer than this along the boundary are one, mm.
const SAME_TOUCH_MM: f64 = 2e-3;
/// Arcs of what is left are told in chords that deviate by at most this, mm.
const CHORD_MM: f64 = 0.002;

/// A piece of wood that a disc leaves.
#[derive(Clone, Debug)]
pub struct Left {
    /// Its outline.
    pub ring: Vec<Point>,
    /// No point of it is farther than this from what is cleared, mm.
    pub at_most: f64,
}

/// A touching place: along which ring of the region, and how far, mm.
#[derive(Clone, Copy, Debug)]
struct Touch {
    ring: usize,
    along: f64,
}

/// Where the disc's centre turns: its place, and the two places where the disc touches there.
struct Turn {
    at: Point,
    from: Touch,
    to: Touch,
}

/// The pieces that a disc of this radius leaves of the region when its centre may be in `inner`, the region's inset by that radius.
/// `None` when a piece has several roofs, or when the two do not belong together as closely as they should.
pub fn left_under_roofs(region: &Region, inner: &[Region], radius: f64) -> Option<Vec<Left>> {
    let boundary = Boundary::new(region);
    let mut turns = Vec::new();
    for ring in inner.iter().flat_map(Region::contours) {
        boundary.turns_of(ring, radius, &mut turns)?;
    }
    let mut touched: Vec<Vec<f64>> = vec![Vec::new(); boundary.rings.len()];
    for turn in &turns {
        for touch in [turn.from, turn.to] {
            touched[touch.ring].push(touch.along);
        }
    }
    if touched.iter().any(Vec::is_empty) {
        return None; // A whole island, or everything, lies where the disc does not come.
    }
    for along in &mut touched {
        along.sort_by(f64::total_cmp);
    }
    let mut left = Vec::new();
    for turn in &turns {
        if turn.from.ring != turn.to.ring {
            return None;
        }
        let ring = &boundary.rings[turn.from.ring];
        let forward = (turn.to.along - turn.from.along).rem_euclid(ring.length);
        if forward <= SAME_TOUCH_MM || ring.length - forward <= SAME_TOUCH_MM {
            continue;
        }
        let between = |along: &f64| {
            let way = (along - turn.from.along).rem_euclid(ring.length);
            way > SAME_TOUCH_MM && way < forward - SAME_TOUCH_MM
        };
        if touched[turn.from.ring].iter().any(between) {
            return None;
        }
        let walls = ring.stretch(&boundary.index, turn.from.along, forward);
        let farthest = walls.iter().map(|p| p.distance(turn.at));
        let at_most = farthest.fold(0.0, f64::max) - radius;
        let roof = roof(turn.at, radius, *walls.first()?, *walls.last()?);
        let mut outline = walls;
        outline.extend(roof);
        left.push(Left {
            ring: outline,
            at_most,
        });
    }
    Some(left)
}

/// Points of the disc's arc from the end of the walls back to their start, without these.
fn roof(centre: Point, radius: f64, start: Point, end: Point) -> Vec<Point> {
    let (u, v) = (end - centre, start - centre);
    let sweep = u.cross(v).atan2(u.dot(v));
    let arc = Segment::arc_about(centre, centre + u * (radius / u.length()), sweep);
    let n = arc.chords(CHORD_MM);
    (1..n).map(|i| arc.at(i as f64 / n as f64)).collect()
}

struct Boundary {
    index: SegmentIndex,
    rings: Vec<Ring>,
}

/// One ring of the region in the index, and how far along it each of its pieces begins.
struct Ring {
    first: usize,
    starts: Vec<f64>,
    length: f64,
}

impl Boundary {
    fn new(region: &Region) -> Boundary {
        let mut segments = Vec::new();
        let mut rings = Vec::new();
        for (i, contour) in region.contours().enumerate() {
            let first = segments.len();
            let mut length = 0.0;
            let mut starts = Vec::new();
            // The wood to clear is on the left of every ring.
            for s in contour.clone().oriented(i == 0).segments() {
                starts.push(length);
                length += s.length();
                segments.push(s);
            }
            rings.push(Ring {
                first,
                starts,
                length,
            });
        }
        Boundary {
            index: SegmentIndex::new(segments),
            rings,
        }
    }

    /// Adds the turns of one ring of the centre's region.
    fn turns_of(&self, ring: &Contour, radius: f64, turns: &mut Vec<Turn>) -> Option<()> {
        let pieces: Vec<Segment> = ring.segments().collect();
        for (i, next) in pieces.iter().enumerate() {
            let before = &pieces[(i + pieces.len() - 1) % pieces.len()];
            let at = next.start();
            let right = |d: Point| point(d.y, -d.x);
            let from = at + right(before.direction(1.0)?) * radius;
            let to = at + right(next.direction(0.0)?) * radius;
            turns.push(Turn {
                at,
                from: self.touch(from)?,
                to: self.touch(to)?,
            });
        }
        Some(())
    }

    fn touch(&self, p: Point) -> Option<Touch> {
        let (_, on, k) = self.index.nearest(p, TOUCH_MM)?;
        let ring = self.rings.iter().rposition(|r| r.first <= k)?;
        let s = &self.index.segments()[k];
        let along =
            self.rings[ring].starts[k - self.rings[ring].first] + s.nearest(on).1 * s.length();
        Some(Touch { ring, along })
    }
}

impl Ring {
    /// Points along the ring from a place and so far forward, its corners and both ends included.
    fn stretch(&self, index: &SegmentIndex, from: f64, forward: f64) -> Vec<Point> {
        let n = self.starts.len();
        let mut k = self.starts.partition_point(|s| *s <= from).max(1) - 1;
        let mut at = from - self.starts[k];
        let mut to_go = forward;
        let mut points = Vec::new();
        loop {
            let s = &index.segments()[self.first + k];
            let length = s.length();
            let share = |along: f64| {
                if length > 0.0 {
                    (along / length).clamp(0.0, 1.0)
                } else {
                    1.0
                }
            };
            let end = (at + to_go).min(length);
            let piece = s.piece(share(at), share(end));
            let chords = piece.chords(CHORD_MM);
            points.extend((0..chords).map(|i| piece.at(i as f64 / chords as f64)));
            to_go -= end - at;
            if end < length || to_go <= 0.0 {
                points.push(piece.end());
                return points;
            }
            k = (k + 1) % n;
            at = 0.0;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use grainway_geom::{Notes, PolySet, Vertex, offset, opening};

    const RADIUS: f64 = 3.0;

    /// The same by another way: the region without its opening, both as polygons.
    fn by_polygons(region: &Region) -> f64 {
        let whole = PolySet::from_regions(std::slice::from_ref(region), 1e-4);
        let opened = PolySet::from_regions(&opening(region, RADIUS, &mut Notes::default()), 1e-4);
        whole.difference(&opened).area()
    }

    fn left(region: &Region) -> Option<Vec<Left>> {
        let inner = offset(region, -RADIUS, &mut Notes::default());
        left_under_roofs(region, &inner, RADIUS)
    }

    fn area(left: &[Left]) -> f64 {
        let ring = |l: &Left| PolySet(vec![vec![l.ring.clone()]]).area();
        left.iter().map(ring).sum()
    }

    fn region(points: &[(f64, f64)]) -> Region {
        Region::inside(Contour::polygon(points.iter().map(|&(x, y)| point(x, y))))
    }

    #[test]
    fn a_square_leaves_four_fillets_whose_size_is_known() {
        let left = left(&region(&[
            (0.0, 0.0),
            (40.0, 0.0),
            (40.0, 30.0),
            (0.0, 30.0),
        ]))
        .unwrap();
        assert_eq!(left.len(), 4);
        // Chords of 0.002 mm cost 0.025 mm² along four roofs. A square corner leaves (1 − π/4) r², and its tip is (√2 − 1) r from the disc.
        let each = (1.0 - std::f64::consts::FRAC_PI_4) * RADIUS * RADIUS;
        assert!((area(&left) - 4.0 * each).abs() < 0.03, "{}", area(&left));
        for l in &left {
            assert!((l.at_most - (2.0_f64.sqrt() - 1.0) * RADIUS).abs() < 1e-6);
        }
    }

    #[test]
    fn a_wide_tangent_round_leaves_nothing_and_an_unreached_bay_is_one_piece() {
        let rounded = Region::inside(Contour::rectangle(point(0.0, 0.0), point(40.0, 30.0), 4.0));
        assert_eq!(left(&rounded).unwrap().len(), 0);
        // A bay 5 wide and 12 deep in the right wall of a square: the disc of 6 mm does not enter.
        let bay = region(&[
            (0.0, 0.0),
            (40.0, 0.0),
            (40.0, 20.0),
            (52.0, 20.0),
            (52.0, 25.0),
            (40.0, 25.0),
            (40.0, 40.0),
            (0.0, 40.0),
        ]);
        let pieces = left(&bay).unwrap();
        assert_eq!(pieces.len(), 5);
        let deepest = pieces.iter().map(|l| l.at_most).fold(0.0, f64::max);
        // It stands √(r² − 2.5²) before the mouth, and the far corners are 2.5 off its middle line.
        let expected = (52.0 - (40.0 - 2.75_f64.sqrt())).hypot(2.5) - RADIUS;
        assert!((deepest - expected).abs() < 1e-6, "{deepest} {expected}");
        let (ours, theirs) = (area(&pieces), by_polygons(&bay));
        assert!((ours - theirs).abs() < 0.06, "{ours} {theirs}");
    }

    #[test]
    fn necks_and_unreached_islands_are_left_to_the_polygons() {
        // Two rooms joined by a neck 4 wide.
        let neck = region(&[
            (0.0, 0.0),
            (20.0, 0.0),
            (20.0, 8.0),
            (30.0, 8.0),
            (30.0, 0.0),
            (50.0, 0.0),
            (50.0, 20.0),
            (30.0, 20.0),
            (30.0, 12.0),
            (20.0, 12.0),
            (20.0, 20.0),
            (0.0, 20.0),
        ]);
        assert!(left(&neck).is_none());
        let mut near_wall = region(&[(0.0, 0.0), (40.0, 0.0), (40.0, 30.0), (0.0, 30.0)]);
        near_wall
            .holes
            .push(Contour::circle(point(20.0, 7.0), 4.0).reversed());
        assert!(left(&near_wall).is_none());
    }

    #[test]
    fn on_random_shapes_the_area_left_is_the_polygons() {
        // A seeded linear congruence: the same shapes in every run.
        let mut state = 7_u64;
        let mut random = move || {
            state = state
                .wrapping_mul(6_364_136_223_846_793_005)
                .wrapping_add(1);
            (state >> 33) as f64 / f64::from(1_u32 << 31)
        };
        let mut decided = 0;
        for _ in 0..300 {
            let n = 5 + (random() * 30.0) as usize;
            let vertices = (0..n)
                .map(|i| {
                    let turn = Point::unit(i as f64 / n as f64 * std::f64::consts::TAU);
                    let bulge = if random() < 0.3 { random() - 0.5 } else { 0.0 };
                    Vertex {
                        at: turn * (25.0 + 20.0 * random()),
                        bulge,
                    }
                })
                .collect();
            let outer = Contour {
                vertices,
                closed: true,
            };
            if grainway_geom::self_crossing(&outer).is_some() {
                continue;
            }
            let mut region = Region::inside(outer.oriented(true));
            let hole = Contour::circle(point(4.0 * random(), 0.0), 3.0 + 5.0 * random());
            region.holes.push(hole.reversed());
            let Some(left) = left(&region) else { continue };
            decided += 1;
            let (ours, theirs) = (area(&left), by_polygons(&region));
            let round: f64 = region.contours().map(Contour::length).sum();
            // Chords of what is left deviate by 0.002 mm; a thousandth along the whole boundary is more than they are long.
            assert!(
                (ours - theirs).abs() < 2e-3 * round,
                "{ours} {theirs} {region:?}"
            );
        }
        assert!(decided > 100, "{decided}");
    }
}
