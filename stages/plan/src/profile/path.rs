//! Paths of the cutter's centre along a wall: offsets, the way into lobes and back, where to start, which way round; slots.

use grainway_geom::{Contour, Notes, Point, Region, Segment, SegmentIndex};
use grainway_pipeline::tolerance::{SLOT_MATCH_MM, VARIANT_GOUGE_MM, VERIFY_MM};
use grainway_pipeline::work::{Corner, CornerAnswer};

/// A path's joint within this of where a lobe's way leaves it is that joint, mm.
const SAME_JOINT_MM: f64 = 1e-4;
/// Walls are looked at this densely for wood that no disc reaches, mm: a spot that is missed is shallower than what verify allows.
const LOOK_EVERY_MM: f64 = 0.5;
/// A slot's ring shorter than this is a point: the cutter goes straight down there, mm.
const POINT_MM: f64 = 0.2;

/// A closed path of the cutter's centre and the side of it that is kept.
#[derive(Clone, Debug, PartialEq)]
pub struct CentrePath {
    /// Closed.
    pub path: Contour,
    /// What is inside is kept.
    pub keeps_inside: bool,
}

/// Paths at `distance` from the walls of what is kept. For an outline (`keeps_inside`) the one path outside of it; gaps that the
/// cutter cannot enter from outside have none. For a cutout the paths inside of it, those around islands included.
pub fn centre_paths(
    region: &Region,
    keeps_inside: bool,
    distance: f64,
    notes: &mut Notes,
) -> Vec<CentrePath> {
    let by = if keeps_inside { distance } else { -distance };
    grainway_geom::offset(region, by, notes)
        .into_iter()
        .flat_map(|r| {
            let holes = if keeps_inside { Vec::new() } else { r.holes };
            let inner = holes.into_iter().map(|path| CentrePath {
                path,
                keeps_inside: true,
            });
            std::iter::once(CentrePath {
                path: r.outer,
                keeps_inside,
            })
            .chain(inner)
        })
        .collect()
}

/// Where a cutter of radius `r` stands when it touches both edges of the corner.
fn fillet_centre(corner: &Corner, r: f64) -> Option<Point> {
    let bisector = (corner.before + corner.after).normalized()?;
    Some(corner.at + bisector * (r / (0.5 * corner.angle).sin()))
}

/// The path with a way into every lobe of its own and back, and the numbers of the corners whose lobes those are. Lobes of other
/// paths, and those that cannot be entered straight from this one, are left alone.
pub fn with_lobes(
    path: &Contour,
    corners: &[Corner],
    r: f64,
    distance: f64,
    wall: &SegmentIndex,
) -> (Contour, Vec<usize>) {
    let mut path = path.clone();
    let mut taken = Vec::new();
    for (i, corner) in corners.iter().enumerate() {
        let CornerAnswer::Lobe {
            centre,
            from: stand,
            ..
        } = corner.answer
        else {
            continue;
        };
        let Some(nominal) = fillet_centre(corner, distance) else {
            continue;
        };
        let Some((leave, along)) = path.nearest(nominal) else {
            continue;
        };
        if leave.distance(nominal) > 2.0 * SLOT_MATCH_MM {
            // The path turns off before the corner (edges shorter than the cutter's tangent) or is another one altogether.
            let straight = (0..=8).all(|i| {
                let p = leave.lerp(stand, f64::from(i) / 8.0);
                wall.distance_to_point(p, r)
                    .is_none_or(|(d, _)| d >= r - VARIANT_GOUGE_MM)
            });
            if leave.distance(centre) > 4.0 * distance || !straight {
                continue;
            }
        }
        path = with_way(&path, along, leave, stand, centre);
        taken.push(i);
    }
    (path, taken)
}

/// The path, left at length `along` for `stand` and `centre` and taken up again.
fn with_way(path: &Contour, along: f64, leave: Point, stand: Point, centre: Point) -> Contour {
    let mut way = vec![leave];
    for p in [stand, centre] {
        if way[way.len() - 1].distance(p) > SAME_JOINT_MM {
            way.push(p);
        }
    }
    let mut out = Vec::new();
    let mut start = 0.0;
    let mut done = false;
    for s in path.segments() {
        let end = start + s.length();
        if done || along > end + SAME_JOINT_MM {
            out.push(s);
        } else {
            let t = ((along - start) / s.length()).clamp(0.0, 1.0);
            let (near_start, near_end) =
                (along - start < SAME_JOINT_MM, end - along < SAME_JOINT_MM);
            if near_end {
                out.push(s);
            } else if !near_start {
                out.push(s.piece(0.0, t));
            }
            let there = way.windows(2).map(|w| Segment::Line { a: w[0], b: w[1] });
            let back = way
                .windows(2)
                .rev()
                .map(|w| Segment::Line { a: w[1], b: w[0] });
            out.extend(there.chain(back));
            if near_start {
                out.push(s);
            } else if !near_end {
                out.push(s.piece(t, 1.0));
            }
            done = true;
        }
        start = end;
    }
    Contour::from_segments(&out, true)
}

/// The path starting in the middle of its longest straight (of its longest arc, when it has no straight), where entry is best.
pub fn started(path: &Contour) -> Contour {
    let pieces: Vec<Segment> = path.segments().filter(|s| s.length() > 0.0).collect();
    let straight = |s: &Segment| matches!(s, Segment::Line { .. });
    let any = pieces.iter().any(straight);
    // Lengths within a thousandth are equal and the first counts, so that noise in a kernel's last digit moves no start.
    let mut best: Option<(usize, f64)> = None;
    for (i, s) in pieces.iter().enumerate() {
        if straight(s) == any && best.is_none_or(|(_, l)| s.length() > l + 1e-3) {
            best = Some((i, s.length()));
        }
    }
    let Some((i, _)) = best else {
        return path.clone();
    };
    let mut turned = vec![pieces[i].piece(0.5, 1.0)];
    turned.extend(&pieces[i + 1..]);
    turned.extend(&pieces[..i]);
    turned.push(pieces[i].piece(0.0, 0.5));
    Contour::from_segments(&turned, true)
}

/// The path in the direction of cutting for a spindle that turns clockwise: climb on the outside of a part is clockwise seen from
/// above, inside an opening counter-clockwise (geometry).
pub fn directed(path: Contour, keeps_inside: bool, climb: bool) -> Contour {
    path.oriented(keeps_inside != climb)
}

/// A place of a wall where wood stays that should not.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Left {
    /// The worst spot.
    pub at: Point,
    /// How far from being reached, mm.
    pub by: f64,
}

/// Spots of the walls that no disc of radius `r` on the paths reaches, one for each stretch, worst first along the wall. Fillets in
/// corners that are to keep them do not count; `leave` mm may stay anywhere.
pub fn unreached(
    walls: &[&Contour],
    paths: &[&Contour],
    corners: &[Corner],
    r: f64,
    leave: Option<f64>,
) -> Vec<Left> {
    let index = SegmentIndex::new(paths.iter().flat_map(|p| p.segments()));
    let allowed = leave.unwrap_or(0.0).max(0.0) + VERIFY_MM;
    let kept = |p: Point| {
        corners.iter().any(|c| {
            let tangent = r / (0.5 * c.angle).tan();
            let keeps = matches!(
                c.answer,
                CornerAnswer::Fillet | CornerAnswer::Covered | CornerAnswer::ByHand
            );
            keeps && p.distance(c.at) <= tangent + LOOK_EVERY_MM
        })
    };
    let mut found = Vec::new();
    for wall in walls {
        let mut worst: Option<Left> = None;
        for s in wall.segments() {
            let n = (s.length() / LOOK_EVERY_MM).ceil().max(1.0);
            for i in 0..n as usize {
                let p = s.at(i as f64 / n);
                // Nearly all spots are within reach, and a short look says so.
                let near = index.distance_to_point(p, r + allowed);
                if near.is_none() && !kept(p) {
                    let far = index.distance_to_point(p, f64::INFINITY);
                    let by = far.map_or(f64::INFINITY, |(d, _)| d) - r;
                    if worst.is_none_or(|w| by > w.by) {
                        worst = Some(Left { at: p, by });
                    }
                } else {
                    found.extend(worst.take());
                }
            }
        }
        found.extend(worst);
    }
    found
}

/// An opening just as wide as the cutter.
#[derive(Clone, Debug, PartialEq)]
pub enum Slot {
    /// One pass there and back on this line.
    Line(Contour),
    /// A hole of the cutter's own size.
    Point(Point),
}

/// The centre line of an opening whose width is the cutter's diameter within [`SLOT_MATCH_MM`]; `None` for any other.
pub fn slot(region: &Region, r: f64) -> Option<Slot> {
    // A ring a hundredth wide is at the end of what kernels are sure of; what they have to say of it is no news, since the line
    // that comes out is checked like any other path.
    let notes = &mut Notes::default();
    // A hair more than half of the tolerance on either side, so that a width just at its end still leaves a ring.
    let half = 0.5 * SLOT_MATCH_MM + 5e-4;
    if !region.holes.is_empty() || !grainway_geom::offset(region, -(r + half), notes).is_empty() {
        return None;
    }
    let rings = grainway_geom::offset(region, -(r - half), notes);
    let [ring] = rings.as_slice() else {
        return None;
    };
    if !ring.holes.is_empty() {
        return None;
    }
    let ring = &ring.outer;
    let length = ring.length();
    if length < POINT_MM {
        return Some(Slot::Point(ring.bounds().centre()));
    }
    // The ring is thin: where the way on and the way back lie nearest to each other it folds. The other end is half its length on.
    let step = (0.125 * length).min(1.0);
    let measured = ring.measured();
    let at = |s: f64| measured.at_length(s.rem_euclid(length)).map(|(p, _)| p);
    let mut fold: Option<(f64, f64)> = None;
    let mut start = 0.0;
    for s in ring.segments() {
        for here in [start, start + 0.5 * s.length()] {
            if let (Some(a), Some(b)) = (at(here - step), at(here + step)) {
                let gap = a.distance(b);
                if fold.is_none_or(|(_, g)| gap < g - 1e-9) {
                    fold = Some((here, gap));
                }
            }
        }
        start += s.length();
    }
    let (fold, _) = fold?;
    let side = |from: f64| stretch(ring, from, from + 0.5 * length);
    let (there, back) = (side(fold), side(fold + 0.5 * length));
    let line = middle_line(&there, &back);
    let segments: Vec<Segment> = line.segments().collect();
    let way: Vec<Segment> = segments
        .iter()
        .copied()
        .chain(segments.iter().rev().map(Segment::reversed))
        .collect();
    Some(Slot::Line(Contour::from_segments(&way, true)))
}

/// The open run of a closed contour between two lengths, laps counted.
fn stretch(path: &Contour, from: f64, to: f64) -> Contour {
    let length = path.length();
    let mut out = Vec::new();
    let mut start = (from / length).floor() * length;
    while start < to {
        for s in path.segments() {
            let end = start + s.length();
            let (a, b) = (from.max(start), to.min(end));
            if b - a > 1e-6 {
                out.push(s.piece((a - start) / s.length(), (b - start) / s.length()));
            }
            start = end;
        }
    }
    Contour::from_segments(&out, false)
}

/// The run half-way between one side of a thin ring and the other; pieces shorter than the ring is wide (its end caps) are dropped.
fn middle_line(one: &Contour, other: &Contour) -> Contour {
    let mut vertices = one.vertices.clone();
    for v in &mut vertices {
        if let Some((q, _)) = other.nearest(v.at) {
            v.at = v.at.lerp(q, 0.5);
        }
    }
    Contour {
        vertices,
        closed: false,
    }
    .without_repeats(2.0 * SLOT_MATCH_MM)
}
