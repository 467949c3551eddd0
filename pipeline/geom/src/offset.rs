//! Offsets of regions that keep true arcs, checked at every level.
//!
//! The arc kernel does the work; it is fast and exact, and now and then wrong. So its input and output are cleaned, every level
//! is checked against what an offset is (each point of its outline lies the wanted distance from the input's), and where loops
//! appear, merge or vanish its area is compared with the polygon kernel's. A level that fails is made again by the polygon
//! kernel, with its arcs cut from the exact curves, and a note says so.

use super::quiet::caught;
use super::raw::{Chords, SMALLEST_MM2, nested, resolve, within_reach};
use super::{
    Bounds, Contour, Point, PolySet, Region, Segment, SegmentIndex, Vertex, segment_distance,
    self_crossing, union,
};
use crate::tolerance::{KERNEL_MM, NECK_MM, OFFSET_CHECK_MM, SAME_POINT_MM};
use cavalier_contours::polyline::{PlineVertex, Polyline};
use cavalier_contours::shape_algorithms::{Shape, ShapeOffsetOptions};
use i_overlay::core::overlay_rule::OverlayRule;

/// A corner that deviates from straight by less than this (mm) is none.
const STRAIGHT_MM: f64 = 1e-6;
/// The arc kernel may return at most this many vertices for each of the input, and some more; beyond, it is running away.
const MOST_GROWTH: usize = 4;
/// Vertices that any result may have, however small its input.
const FEW_VERTICES: usize = 64;
/// Regions of more vertices than this are refused: no drawing has them, and a level would take minutes.
const MOST_VERTICES: usize = 1_000_000;
/// A thin stretch longer than this many neck widths is a corridor; a shorter one is the tip of a corner.
const LONG_NECKS: f64 = 10.0;
/// No more levels than this are made of one region.
const MOST_LEVELS: usize = 10_000;
/// Chords of the area check deviate by at most this, mm: half of what the check allows.
const AREA_CHECK_MM: f64 = 0.01;

/// Something the kernel had to do differently.
#[derive(Clone, Debug, PartialEq)]
pub struct KernelNote {
    /// What happened, in one sentence.
    pub what: String,
    /// Where, when it has a place.
    pub at: Option<Point>,
    /// A rule decided, as it should; nothing failed and nothing else was taken.
    pub by_rule: bool,
}

/// What the kernels had to say, in the order of the work.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Notes(pub Vec<KernelNote>);

impl Notes {
    fn add(&mut self, what: impl Into<String>, at: Option<Point>) {
        self.0.push(KernelNote {
            what: what.into(),
            at,
            by_rule: false,
        });
    }
}

/// The region grown (`by_mm` > 0, outward corners rolled round) or shrunk (`by_mm` < 0) by a distance, arcs kept. Empty when
/// nothing is left or the region is unusable (open, no area, coordinates that are not finite).
///
/// ```
/// use grainway_geom::{Contour, Notes, Region, offset, point};
/// let disc = Region::inside(Contour::circle(point(5.0, 5.0), 12.0));
/// let smaller = offset(&disc, -2.0, &mut Notes::default());
/// assert!(smaller[0].outer.as_circle(1e-6).is_some_and(|(_, diameter)| (diameter - 20.0).abs() < 1e-6));
/// assert!(offset(&disc, -12.5, &mut Notes::default()).is_empty());
/// ```
pub fn offset(region: &Region, by_mm: f64, notes: &mut Notes) -> Vec<Region> {
    if !by_mm.is_finite() {
        notes.add("the offset is not a finite number; nothing was made", None);
        return Vec::new();
    }
    let Some(region) = cleaned(region, notes) else {
        return Vec::new();
    };
    if by_mm.abs() < SAME_POINT_MM {
        return vec![region];
    }
    level(&region, by_mm, notes)
}

/// The same for several regions that do not overlap; grown ones that meet become one.
pub fn offset_all(regions: &[Region], by_mm: f64, notes: &mut Notes) -> Vec<Region> {
    let each: Vec<Region> = regions
        .iter()
        .flat_map(|r| offset(r, by_mm, notes))
        .collect();
    if by_mm > 0.0 && each.len() > 1 {
        union(&each)
    } else {
        each
    }
}

/// Successive levels inwards, the first `first_mm` from the boundary and each next one `step_mm` further, until nothing is left.
/// Each is made from the one before and checked against it.
///
/// ```
/// use grainway_geom::{Contour, Notes, Region, insets, point};
/// let pocket = Region::inside(Contour::rectangle(point(0.0, 0.0), point(40.0, 20.0), 0.0));
/// let levels = insets(&pocket, 3.0, 2.5, &mut Notes::default());
/// let widths: Vec<f64> = levels.iter().map(|l| l[0].bounds().height()).collect();
/// assert_eq!(levels.len(), 3);
/// assert!(widths.iter().zip([14.0, 9.0, 4.0]).all(|(a, b)| (a - b).abs() < 1e-6));
/// ```
pub fn insets(region: &Region, first_mm: f64, step_mm: f64, notes: &mut Notes) -> Vec<Vec<Region>> {
    let mut levels = Vec::new();
    if !(first_mm >= 0.0 && step_mm > SAME_POINT_MM) {
        notes.add(
            "levels need a first distance of at least zero and a positive step; none were made",
            None,
        );
        return levels;
    }
    let mut current = offset(region, -first_mm, notes);
    while !current.is_empty() {
        let next = current
            .iter()
            .flat_map(|r| level(r, -step_mm, notes))
            .collect();
        levels.push(std::mem::replace(&mut current, next));
        if levels.len() >= MOST_LEVELS {
            notes.add("more levels than the cap; the rest was left out", None);
            break;
        }
    }
    levels
}

/// What a disc of radius `radius_mm` inside the region can clear: shrunk, then grown again.
///
/// A slot exactly as wide as the disc has no room for its centre and is not part of the opening; who cuts slots handles a
/// match within the tolerance as one pass on the centre line.
///
/// ```
/// use grainway_geom::{Contour, Notes, Region, opening, point};
/// use std::f64::consts::PI;
/// let pocket = Region::inside(Contour::rectangle(point(0.0, 0.0), point(40.0, 20.0), 0.0));
/// let cleared = opening(&pocket, 3.0, &mut Notes::default());
/// // A round cutter leaves (4 − π) r² in the four corners together.
/// assert!((cleared[0].area() - (800.0 - (4.0 - PI) * 9.0)).abs() < 1e-6);
/// ```
pub fn opening(region: &Region, radius_mm: f64, notes: &mut Notes) -> Vec<Region> {
    let inner = offset(region, -radius_mm, notes);
    offset_all(&inner, radius_mm, notes)
}

fn level(region: &Region, by: f64, notes: &mut Notes) -> Vec<Region> {
    let index = SegmentIndex::new(region.contours().flat_map(|c| c.segments()));
    let why = match arc_kernel(region, by) {
        Ok(result) if comes_near_itself(&result) => {
            let necks = necks(region, &index, by);
            if !necks.is_empty() {
                notes.0.push(KernelNote {
                    what: format!(
                        "a neck within {NECK_MM} mm of twice the offset of {by:.4} mm counts as closed"
                    ),
                    at: Some(necks[0].1),
                    by_rule: true,
                });
                return polygon_kernel(region, by, &necks);
            }
            let touch = result
                .iter()
                .flat_map(|r| r.contours())
                .find_map(self_crossing);
            match touch {
                Some(p) => Err(KernelNote {
                    what: "a loop of the level touches itself".into(),
                    at: Some(p),
                    by_rule: false,
                }),
                None => fault(region, &index, &result, by, true).map_or(Ok(result), Err),
            }
        }
        Ok(result) => fault(region, &index, &result, by, true).map_or(Ok(result), Err),
        Err(what) => Err(KernelNote {
            what,
            at: None,
            by_rule: false,
        }),
    };
    let why = match why {
        Ok(result) => return result,
        Err(why) => why,
    };
    notes.add(
        format!(
            "arc kernel: {}, at an offset of {by:.4} mm; the polygon kernel was taken",
            why.what
        ),
        why.at,
    );
    let result = polygon_kernel(region, by, &necks(region, &index, by));
    if let Some(why) = fault(region, &index, &result, by, false) {
        notes.add(
            format!("the polygon kernel's level is doubtful too: {}", why.what),
            why.at,
        );
    }
    result
}

/// One level by the arc kernel, cleaned and nested.
fn arc_kernel(region: &Region, by: f64) -> Result<Vec<Region>, String> {
    let size: usize = region.contours().map(|c| c.vertices.len()).sum();
    let lines = region.contours().map(|c| {
        let mut line = Polyline::new_closed();
        line.vertex_data = c
            .vertices
            .iter()
            .map(|v| PlineVertex::new(v.at.x, v.at.y, v.bulge))
            .collect();
        line
    });
    let shape = Shape::from_plines(lines);
    // The arc kernel counts offsets to the left, that is inwards for a counter-clockwise outline.
    let moved = caught(|| shape.parallel_offset(-by, &ShapeOffsetOptions::default()))
        .ok_or("it gave up")?;
    let rings: Vec<Contour> = moved
        .ccw_plines
        .into_iter()
        .chain(moved.cw_plines)
        .filter_map(|p| {
            let vertices = p.polyline.vertex_data.iter();
            let vertices = vertices
                .map(|v| Vertex {
                    at: Point { x: v.x, y: v.y },
                    bulge: v.bulge,
                })
                .collect();
            clean_ring(&Contour {
                vertices,
                closed: true,
            })
        })
        .collect();
    let grown: usize = rings.iter().map(|r| r.vertices.len()).sum();
    if grown > MOST_GROWTH * size + FEW_VERTICES {
        return Err(format!("it made {grown} vertices of {size}"));
    }
    match nested(rings) {
        (regions, orphans) if orphans.is_empty() => Ok(regions),
        _ => Err("it returned a hole in nothing".into()),
    }
}

/// One level by the polygon kernel with its arcs cut from the exact curves and its necks closed.
fn polygon_kernel(region: &Region, by: f64, necks: &[(Region, Point)]) -> Vec<Region> {
    let mut chords = Chords::new(KERNEL_MM);
    chords.add_offset(region, by);
    let mut closed = Chords::new(KERNEL_MM);
    for (neck, _) in necks {
        closed.add_region(neck);
    }
    let rule = if by < 0.0 {
        OverlayRule::Difference
    } else {
        OverlayRule::Union
    };
    let level = resolve(chords, Some(closed), rule);
    level.iter().filter_map(clean_region).collect()
}

/// Thin strips over the stretches where two pieces of the level face each other within a neck's width: cut out of an inner
/// level or added to an outer one, they close the neck for certain. There every kernel is undecided, and a loop may come out
/// touching itself.
fn necks(region: &Region, index: &SegmentIndex, by: f64) -> Vec<(Region, Point)> {
    let mut chords = Chords::new(KERNEL_MM);
    chords.add_offset(region, by);
    let pieces: Vec<(Bounds, Segment)> = chords.pieces.iter().map(|s| (s.bounds(), *s)).collect();
    let mut necks = Vec::new();
    for_near_pairs(&pieces, |i, j| {
        let (s, t) = (&pieces[i].1, &pieces[j].1);
        let Some(stretch) = facing(s, t) else {
            return;
        };
        // A stretch nearer to the outline than the level is not part of it.
        let p = stretch.at(0.5);
        let middle = p.lerp(t.nearest_point(p), 0.5);
        let level = by.abs() - 2.0 * NECK_MM;
        if index.distance_to_point(middle, level).is_none() && region.contains(middle) == (by < 0.0)
        {
            necks.extend(strip(&stretch).map(|region| (region, middle)));
        }
    });
    necks
}

/// The stretch of `s` that lies within a neck's width of `t`, when it is longer than the tip of a corner would be.
fn facing(s: &Segment, t: &Segment) -> Option<Segment> {
    let length = s.length();
    if length < LONG_NECKS * NECK_MM {
        return None;
    }
    let (distance, p, _) = segment_distance(s, t);
    if distance > NECK_MM {
        return None;
    }
    let near = |share: f64| t.distance(s.at(share)) <= NECK_MM;
    let start = s.nearest(p).1;
    let end = |direction: f64| {
        let mut inside = start;
        let mut step = NECK_MM / length;
        loop {
            let next = (inside + direction * step).clamp(0.0, 1.0);
            if !near(next) {
                // The end lies between: halve.
                let mut outside = next;
                for _ in 0..30 {
                    let middle = 0.5 * (inside + outside);
                    if near(middle) {
                        inside = middle;
                    } else {
                        outside = middle;
                    }
                }
                return inside;
            }
            if next <= 0.0 || next >= 1.0 {
                return next;
            }
            inside = next;
            step *= 2.0;
        }
    };
    let (from, to) = (end(-1.0), end(1.0));
    ((to - from) * length > LONG_NECKS * NECK_MM).then(|| s.piece(from, to))
}

/// The stretch widened to both sides by a little more than a neck.
fn strip(stretch: &Segment) -> Option<Region> {
    let half = NECK_MM + 2.0 * KERNEL_MM;
    let side = |by: f64| -> Option<Segment> {
        match *stretch {
            Segment::Line { a, b } => {
                let n = (b - a).normalized()?.left() * by;
                Some(Segment::Line { a: a + n, b: b + n })
            }
            Segment::Arc {
                a,
                b,
                centre,
                radius,
                sweep,
            } => {
                let k = (radius + by) / radius;
                (k > 0.0).then(|| Segment::Arc {
                    a: centre + (a - centre) * k,
                    b: centre + (b - centre) * k,
                    centre,
                    radius: radius + by,
                    sweep,
                })
            }
        }
    };
    let (one, two) = (side(half)?, side(-half)?.reversed());
    let ends = |a: &Segment, b: &Segment| Segment::Line {
        a: a.end(),
        b: b.start(),
    };
    let ring = Contour::from_segments(&[one, ends(&one, &two), two, ends(&two, &one)], true);
    Some(Region::inside(ring))
}

/// Two pieces that are not neighbours lie within a neck's width of each other.
fn comes_near_itself(regions: &[Region]) -> bool {
    let mut pieces: Vec<(Bounds, Segment)> = Vec::new();
    let mut rings: Vec<(usize, usize)> = Vec::new();
    for contour in regions.iter().flat_map(|r| r.contours()) {
        let first = pieces.len();
        pieces.extend(contour.segments().map(|s| (s.bounds(), s)));
        rings.extend((first..pieces.len()).map(|_| (first, pieces.len())));
    }
    let mut found = false;
    for_near_pairs(&pieces, |i, j| {
        let (first, end) = rings[i];
        let next = |k: usize| if k + 1 == end { first } else { k + 1 };
        // Pieces with only a way shorter than a neck between them are near each other there and nowhere else, unless they turn
        // back on themselves; that shows in pieces farther on.
        let after = |k: usize, l: usize| {
            let (mut at, mut way) = (next(k), 0.0);
            while at != l && at != k && way <= NECK_MM {
                way += pieces[at].1.length();
                at = next(at);
            }
            at == l && way <= NECK_MM
        };
        let neighbours = rings[i] == rings[j] && (after(i, j) || after(j, i));
        found |= !neighbours && segment_distance(&pieces[i].1, &pieces[j].1).0 <= NECK_MM;
    });
    found
}

/// Calls `pair` with the numbers of any two pieces whose boxes are within a neck's width.
fn for_near_pairs(pieces: &[(Bounds, Segment)], mut pair: impl FnMut(usize, usize)) {
    let mut order: Vec<usize> = (0..pieces.len()).collect();
    order.sort_by(|a, b| pieces[*a].0.min.x.total_cmp(&pieces[*b].0.min.x));
    for (k, &i) in order.iter().enumerate() {
        let near = pieces[i].0.grown(NECK_MM);
        for &j in &order[k + 1..] {
            if pieces[j].0.min.x > near.max.x {
                break;
            }
            if near.touches(pieces[j].0) {
                pair(i.min(j), i.max(j));
            }
        }
    }
}

/// What is wrong with a level, if anything.
fn fault(
    region: &Region,
    index: &SegmentIndex,
    result: &[Region],
    by: f64,
    areas: bool,
) -> Option<KernelNote> {
    let d = by.abs();
    for ring in result.iter().flat_map(|r| r.contours()) {
        let n = ring.vertices.len();
        for (i, v) in ring.vertices.iter().enumerate() {
            // The middle of an arc lies half its chord times its bulge to the right of the chord.
            let next = ring.vertices[(i + 1) % n].at;
            let middle = v.at.lerp(next, 0.5) - (next - v.at).left() * (0.5 * v.bulge);
            for p in [v.at, middle] {
                let off = index
                    .distance_to_point(p, d + OFFSET_CHECK_MM)
                    .map_or(f64::INFINITY, |(found, _)| (found - d).abs());
                if off > OFFSET_CHECK_MM {
                    return Some(KernelNote {
                        by_rule: false,
                        what: format!(
                            "a point of the level is not the distance from the outline that it should be (off by {} mm)",
                            if off.is_finite() {
                                format!("{off:.3}")
                            } else {
                                "more".into()
                            }
                        ),
                        at: Some(p),
                    });
                }
            }
        }
        if let Some(v) = ring.vertices.first()
            && region.contains(v.at) != (by < 0.0)
        {
            return Some(KernelNote {
                what: "a loop of the level lies on the wrong side of the outline".into(),
                at: Some(v.at),
                by_rule: false,
            });
        }
    }
    let loops = |regions: &[Region]| -> usize { regions.iter().map(|r| 1 + r.holes.len()).sum() };
    let same = result.len() == 1 && loops(result) == 1 + region.holes.len();
    if areas && !same && !(result.is_empty() && vanishes(region, by)) {
        let mut chords = Chords::new(AREA_CHECK_MM);
        chords.add_offset(region, by);
        let polygons = chords.polygons();
        let ours: f64 = result.iter().map(Region::area).sum();
        let length: f64 = result
            .iter()
            .flat_map(|r| r.contours())
            .map(Contour::length)
            .sum();
        let theirs = polygons.area();
        let allowed = OFFSET_CHECK_MM * length.max(outline_length(&polygons));
        if (ours - theirs).abs() > allowed {
            return Some(KernelNote {
                what: format!("the level has {ours:.3} mm², the polygon kernel's {theirs:.3} mm²"),
                at: region.outer.start(),
                by_rule: false,
            });
        }
    }
    None
}

/// No disc as large as the offset fits into the region, as its box or its area shows.
fn vanishes(region: &Region, by: f64) -> bool {
    let b = region.bounds();
    by < 0.0
        && (b.width().min(b.height()) < -2.0 * by || region.area() < std::f64::consts::PI * by * by)
}

fn outline_length(polygons: &PolySet) -> f64 {
    let rings = polygons.0.iter().flatten();
    rings
        .map(|r| -> f64 {
            (0..r.len())
                .map(|i| r[i].distance(r[(i + 1) % r.len()]))
                .sum()
        })
        .sum()
}

/// The region as the kernels want it; a note says why when it cannot be used.
fn cleaned(region: &Region, notes: &mut Notes) -> Option<Region> {
    let size: usize = region.contours().map(|c| c.vertices.len()).sum();
    if size > MOST_VERTICES {
        notes.add(
            format!("a region of {size} vertices is too large to offset; nothing was made"),
            region.outer.start(),
        );
        return None;
    }
    if !region.outer.closed || !region.contours().all(within_reach) {
        notes.add(
            "a region is open or has coordinates that are no usable numbers; nothing was made",
            region.outer.start().filter(|p| p.is_finite()),
        );
        return None;
    }
    clean_region(region)
}

fn clean_region(region: &Region) -> Option<Region> {
    let outer = clean_ring(&region.outer)?.oriented(true);
    let holes = region
        .holes
        .iter()
        .filter_map(clean_ring)
        .map(|h| h.oriented(false))
        .collect();
    Some(Region { outer, holes })
}

/// Without repeated points, corners that turn nothing, spikes without width and arcs cut in two; `None` for a ring that has collapsed.
fn clean_ring(ring: &Contour) -> Option<Contour> {
    let mut ring = ring.without_repeats(SAME_POINT_MM);
    if ring.vertices.len() < 2 || !ring.is_finite() {
        return None;
    }
    straighten(&mut ring);
    let n = ring.vertices.len();
    let mut kept: Vec<Vertex> = Vec::with_capacity(n);
    for i in 0..n {
        let v = ring.vertices[i];
        let next = ring.vertices[(i + 1) % n].at;
        if let (Some(last), true) = (kept.last_mut(), n > 3)
            && alike(last.bulge, v.bulge)
        {
            let before = Segment::from_bulge(last.at, v.at, last.bulge);
            let after = Segment::from_bulge(v.at, next, v.bulge);
            if let Some(bulge) = one_piece(&before, &after) {
                last.bulge = bulge;
                continue;
            }
        }
        kept.push(v);
    }
    // The first vertex is looked at last, with the piece that arrives at it.
    if kept.len() > 3 {
        let (first, last) = (kept[0], kept[kept.len() - 1]);
        let before = Segment::from_bulge(last.at, first.at, last.bulge);
        let after = Segment::from_bulge(first.at, kept[1].at, first.bulge);
        if let Some(bulge) = one_piece(&before, &after) {
            let end = kept.len() - 1;
            kept[end].bulge = bulge;
            kept.remove(0);
        }
    }
    let ring = Contour {
        vertices: kept,
        closed: true,
    };
    let flat = ring.vertices.len() < 2 || ring.area().abs() < SMALLEST_MM2;
    (!flat).then_some(ring)
}

/// Arcs that no one can tell from their chord become lines.
fn straighten(ring: &mut Contour) {
    let n = ring.vertices.len();
    for i in 0..n {
        let chord = ring.vertices[i].at.distance(ring.vertices[(i + 1) % n].at);
        let v = &mut ring.vertices[i];
        if 0.5 * chord * v.bulge.abs() < 0.01 * STRAIGHT_MM {
            v.bulge = 0.0;
        }
    }
}

/// Two lines, or two arcs that turn the same way.
fn alike(a: f64, b: f64) -> bool {
    (a > 0.0) == (b > 0.0) && (a < 0.0) == (b < 0.0)
}

/// The bulge of the one piece that two neighbours make, if they do.
fn one_piece(before: &Segment, after: &Segment) -> Option<f64> {
    match (before, after) {
        (Segment::Line { a, b }, Segment::Line { b: c, .. }) => {
            // One line straight on, or a spike without width, which the arc kernel leaves where pieces meet at next to no angle.
            let (to, from) = (*b - *a, *c - *b);
            let u = match to.length() > from.length() {
                true => to.normalized()?,
                false => from.normalized()?,
            };
            let off = to.cross(u).abs().max(from.cross(u).abs());
            (off <= STRAIGHT_MM).then_some(0.0)
        }
        (
            Segment::Arc {
                centre: c1,
                radius: r1,
                sweep: s1,
                ..
            },
            Segment::Arc {
                centre: c2,
                radius: r2,
                sweep: s2,
                ..
            },
        ) => {
            let sweep = s1 + s2;
            let same = c1.distance(*c2) <= SAME_POINT_MM
                && (r1 - r2).abs() <= SAME_POINT_MM
                && (*s1 > 0.0) == (*s2 > 0.0)
                && sweep.abs() <= std::f64::consts::PI;
            same.then(|| (sweep / 4.0).tan())
        }
        _ => None,
    }
}
