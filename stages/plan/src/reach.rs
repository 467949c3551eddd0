//! What a flat cutter can reach of a feature: the region it may work in, and what it leaves.
//!
//! A cutter of radius r clears the opening of a region by the disc of that radius. A recess that meets the part's edge runs out
//! over it into the waste, never into wood of the part that must stand.

use crate::roofs::left_under_roofs;
use grainway_geom::{
    Contour, Notes, Point, PolySet, Region, Segment, difference, edges_at, fillet, intersection,
    intersections, offset, offset_all,
};
use grainway_pipeline::doc::FeatureKind;
use grainway_pipeline::tolerance::SLOT_MATCH_MM;
use grainway_pipeline::work::{SizedFeature, Variant};

/// A shape nearer than this to the part's edge meets it: drawings are joined within the import tolerance of the same size.
pub const MEETS_MM: f64 = 0.01;
/// How far the cutter's centre goes beyond the part's edge besides its radius, so that the exit is clean (common practice, no source).
pub const RUN_OUT_MM: f64 = 1.0;
/// The room beyond an edge along which a recess is cut, in cutter's radii: the centre of the last loop lies a fifth of the radius beyond
/// it, so that what it takes is as wide as what the others do.
const ALONG_RADII: f64 = 1.2;
/// Directions whose scalar product is less are square to each other.
const SQUARE: f64 = 0.05;
/// An island nearer than this to a wall touches it: as near as the kernel tells two lines apart.
const TOUCHES_MM: f64 = 1e-3;
/// Helping regions overlap what they touch by this much, so that no boolean has to join along a shared edge.
const OVERLAP_MM: f64 = 0.5;
/// Chords of the comparison deviate by at most this.
const CHORD_MM: f64 = 0.002;
/// Leftovers that lie wholly within this of what is cleared are the chords' and the kernel's, not wood.
const IGNORED_MM: f64 = 0.008;
/// Half of the slot match, and a hair for the kernel's undecided necks: a cutter this much thinner decides what a slot of its own
/// width lets through.
pub const SLOT_HALF_MM: f64 = 0.5 * SLOT_MATCH_MM + 5e-4;

/// Wood that a cutter would leave.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Spot {
    /// A point in it.
    pub at: Point,
    /// Its area, mm².
    pub area: f64,
    /// How far its farthest point is from what is cleared, mm; infinite when nothing is.
    pub depth: f64,
}

/// Does the shape meet or cross the part's edge?
pub fn meets_edge(variant: &Variant, feature: &SizedFeature) -> bool {
    let part = variant.outline.bounds().grown(-MEETS_MM);
    let shape = feature.shape.bounds();
    let beyond = shape.min.x < part.min.x
        || shape.min.y < part.min.y
        || shape.max.x > part.max.x
        || shape.max.y > part.max.y;
    beyond
        || feature.shape.segments().any(|s| {
            let near = s.bounds().grown(MEETS_MM);
            variant.outline.segments().any(|o| {
                o.bounds().touches(near) && grainway_geom::segment_distance(&s, &o).0 <= MEETS_MM
            })
        })
}

/// The feature's region: its shape without its islands. Where an island touches the wall or another island it is one region, or
/// several, whose contours do not touch.
pub fn regions(feature: &SizedFeature) -> Vec<Region> {
    let region = feature.region();
    let rings: Vec<&Contour> = region.contours().collect();
    let touching = rings.iter().enumerate().any(|(i, a)| {
        rings[i + 1..].iter().any(|b| {
            a.bounds().grown(TOUCHES_MM).touches(b.bounds())
                && a.segments().any(|s| {
                    let near = s.bounds().grown(TOUCHES_MM);
                    b.segments().any(|o| {
                        near.touches(o.bounds())
                            && grainway_geom::segment_distance(&s, &o).0 <= TOUCHES_MM
                    })
                })
        })
    });
    if !touching {
        return vec![region];
    }
    let islands: Vec<Region> = region
        .holes
        .iter()
        .map(|hole| Region::inside(hole.clone().oriented(true)))
        .collect();
    difference(
        &[Region::inside(feature.shape.clone().oriented(true))],
        &grainway_geom::union(&islands),
    )
}

/// What is to be cleared: the feature's region within the part. For an outline: the ring around the part in which its cutter runs.
pub fn required(
    variant: &Variant,
    feature: &SizedFeature,
    radius: f64,
    notes: &mut Notes,
) -> Vec<Region> {
    if feature.kind == FeatureKind::Outline {
        return ring(variant, radius, notes);
    }
    let regions = regions(feature);
    if meets_edge(variant, feature) {
        intersection(&regions, &[Region::inside(variant.outline.clone())])
    } else {
        regions
    }
}

fn ring(variant: &Variant, radius: f64, notes: &mut Notes) -> Vec<Region> {
    let part = Region::inside(variant.outline.clone());
    offset(&part, 2.0 * radius + 1.0, notes)
        .into_iter()
        .map(|mut grown| {
            grown.holes.push(variant.outline.clone().oriented(false));
            grown
        })
        .collect()
}

/// Where a cutter of this radius may take wood to clear the feature: its region, and past the part's edge where it runs out.
pub fn machining(
    variant: &Variant,
    feature: &SizedFeature,
    radius: f64,
    notes: &mut Notes,
) -> Vec<Region> {
    if feature.kind == FeatureKind::Outline {
        return ring(variant, radius, notes);
    }
    if !feature.kind.is_cleared() || !meets_edge(variant, feature) {
        return regions(feature);
    }
    let region = feature.region();
    let beyond = 2.0 * radius + RUN_OUT_MM;
    let part = Region::inside(variant.outline.clone());
    let stands = difference(std::slice::from_ref(&part), std::slice::from_ref(&region));
    // Everything the cutter might take, generously, before what must stand is taken away.
    let mut zone = offset(&Region::inside(feature.shape.clone()), OVERLAP_MM, notes);
    let allowed = offset(&part, beyond, notes);
    zone = intersection(&zone, &allowed);
    let wanted = intersection(std::slice::from_ref(&region), &[part]);
    let area = wanted.iter().map(Region::area).sum();
    zone.extend(run_outs(&variant.outline, &region, radius, area));
    let zone = grainway_geom::union(&zone);
    difference(&zone, &stands)
        .into_iter()
        .filter(|r| {
            intersection(std::slice::from_ref(r), &wanted)
                .iter()
                .map(Region::area)
                .sum::<f64>()
                > 1e-3
        })
        .collect()
}

/// Bands outside the part along the mouths of a region, where it lies on or over the part's edge: straight on from its walls. Where the
/// cutter leaves the part, it goes all the way out; a mouth longer than the region is deep behind it (of `area` within the part) is
/// cut along, like a rebate's, and the cutter only overlaps it.
fn run_outs(outline: &Contour, region: &Region, radius: f64, area: f64) -> Vec<Region> {
    let outline = outline.clone().oriented(true);
    let mut bands = Vec::new();
    let mut open_ends: Vec<(Point, bool)> = Vec::new();
    let mut beyond = 2.0 * radius + RUN_OUT_MM;
    for edge in outline.segments() {
        for (from, to) in mouths(&edge, region) {
            let piece = edge.piece(from, to);
            open_ends.push((piece.start(), from <= 0.0));
            open_ends.push((piece.end(), to >= 1.0));
            let along = piece.length() > area / piece.length() && square_ends(&piece, region);
            let deep = match along {
                true => ALONG_RADII * radius,
                false => 2.0 * radius + RUN_OUT_MM,
            };
            beyond = deep.min(beyond);
            bands.push(band(&piece, region, deep));
        }
    }
    // Where the mouth goes on round a corner of the part, the two bands are joined by a disc about it.
    for (i, (p, at_vertex)) in open_ends.iter().enumerate() {
        let joined = *at_vertex
            && open_ends
                .iter()
                .enumerate()
                .any(|(j, (q, v))| j > i && *v && q.distance(*p) < MEETS_MM);
        if joined {
            bands.push(Region::inside(Contour::circle(*p, beyond)));
        }
    }
    bands
}

/// No wall meets the mouth's ends slanting.
fn square_ends(mouth: &Segment, region: &Region) -> bool {
    let slants = |p: Point, d: Option<Point>| {
        d.is_some_and(|along| {
            let walls = region.contours().flat_map(Contour::segments);
            walls.filter(|s| s.distance(p) <= 2.0 * MEETS_MM).any(|s| {
                let wall = s.direction(s.nearest(p).1).unwrap_or(along);
                wall.cross(along).abs() > SQUARE && wall.dot(along).abs() > SQUARE
            })
        })
    };
    !slants(mouth.start(), mouth.direction(0.0)) && !slants(mouth.end(), mouth.direction(1.0))
}

/// The shares of an edge of the part that lie in the region or on its boundary.
pub fn mouths(edge: &Segment, region: &Region) -> Vec<(f64, f64)> {
    let length = edge.length();
    let mut cuts = vec![0.0, 1.0];
    for s in region.contours().flat_map(Contour::segments) {
        let ends = [s.start(), s.end()];
        for p in intersections(edge, &s).into_iter().chain(ends) {
            let (q, t) = edge.nearest(p);
            if q.distance(p) <= MEETS_MM {
                cuts.push(t);
            }
        }
    }
    cuts.sort_by(f64::total_cmp);
    let mut spans: Vec<(f64, f64)> = Vec::new();
    for pair in cuts.windows(2) {
        let (a, b) = (pair[0], pair[1]);
        if (b - a) * length < MEETS_MM {
            // Too short to ask; it goes with the span before it, if that is open.
            if let Some(last) = spans.last_mut().filter(|l| (a - l.1).abs() * length < 1e-9) {
                last.1 = b;
            }
            continue;
        }
        let middle = edge.at(0.5 * (a + b));
        if region.contains(middle) || region.distance(middle) <= MEETS_MM {
            match spans.last_mut() {
                Some(last) if (a - last.1) * length < MEETS_MM => last.1 = b,
                _ => spans.push((a, b)),
            }
        }
    }
    spans
}

/// The band outside one mouth, `beyond` mm deep, its sides straight on from the walls that end there.
fn band(mouth: &Segment, region: &Region, beyond: f64) -> Region {
    // The outline runs counter-clockwise: outside is on the right.
    let outward = |t: f64| mouth.direction(t).map_or(Point::default(), |d| -d.left());
    let side = |p: Point, n: Point, along: Point| {
        let mut best = n * beyond;
        for s in region.contours().flat_map(Contour::segments) {
            if s.distance(p) > 2.0 * MEETS_MM {
                continue;
            }
            let (_, t) = s.nearest(p);
            let Some(d) = s.direction(t) else { continue };
            let d = if d.dot(n) < 0.0 { -d } else { d };
            let steep = d.dot(n);
            // Only a wall that widens outwards needs a wider band; one along the edge is the mouth itself.
            if steep > 0.3 && d.dot(along) > 1e-9 {
                let reach = d * (beyond / steep);
                if reach.dot(along) > best.dot(along) {
                    best = reach;
                }
            }
        }
        best
    };
    let n = mouth.chords(CHORD_MM);
    let at = |i: usize| i as f64 / n as f64;
    let mut inner = Vec::with_capacity(n + 1);
    let mut outer = Vec::with_capacity(n + 1);
    for i in 0..=n {
        let (p, out) = (mouth.at(at(i)), outward(at(i)));
        let reach = match (i, mouth.direction(at(i))) {
            (0, Some(d)) => side(p, out, -d),
            (i, Some(d)) if i == n => side(p, out, d),
            _ => out * beyond,
        };
        inner.push(p - out * OVERLAP_MM);
        outer.push(p + reach);
        if i == 0 || i == n {
            // The foot of a slanting side stays on the edge, so that the band is never narrower than the mouth there.
            inner.push(p);
        }
    }
    if n >= 1 {
        // The first corner point stands before its inward one, the last after: `inner` runs along the edge.
        inner.swap(0, 1);
    }
    outer.reverse();
    inner.extend(outer);
    Region::inside(Contour::polygon(inner))
}

/// What a cutter of this radius leaves of a feature beyond the fillets of its listed corners and its `leave`, sorted by place.
pub fn leftover(
    variant: &Variant,
    feature: &SizedFeature,
    radius: f64,
    notes: &mut Notes,
) -> Vec<Spot> {
    let wanted = required(variant, feature, radius, notes);
    let room = machining(variant, feature, radius, notes);
    let thin = (radius - SLOT_HALF_MM).max(0.5 * radius);
    let inner = centres(&room, thin, notes);
    let allowed = feature.leave.unwrap_or(0.0).max(2.0 * IGNORED_MM);
    // Exact and quick where the cutter stays within what is wanted and nothing keeps it out of a neck.
    let told = match (&wanted[..], &room[..]) {
        ([region], [same]) if region == same && !inner.is_empty() => {
            left_under_roofs(region, &inner, thin)
        }
        _ => None,
    };
    let rings = match told {
        Some(left) => left
            .into_iter()
            .filter(|l| l.at_most > allowed)
            .map(|l| vec![l.ring])
            .collect(),
        None => left_by_polygons(&wanted, &inner, thin, allowed, notes),
    };
    let fillets = fillets(feature, radius);
    let mut spots: Vec<Spot> = Vec::new();
    for shape in rings {
        let Some(ring) = shape.first() else { continue };
        if !inner.is_empty() && in_corners(&fillets, radius, ring) {
            continue;
        }
        // What is cleared lies the radius about the places of the centre.
        let depth = along(ring, 0.25 * radius)
            .iter()
            .map(|p| distance_to(&inner, *p) - thin)
            .fold(0.0, f64::max);
        if depth <= allowed {
            continue;
        }
        let piece = PolySet(vec![shape]);
        let area = piece.area();
        let at = piece
            .pieces()
            .first()
            .map_or(piece.bounds().centre(), |p| p.inside);
        spots.push(Spot { at, area, depth });
    }
    spots.sort_by(|a, b| a.at.x.total_cmp(&b.at.x).then(a.at.y.total_cmp(&b.at.y)));
    spots
}

/// Distance from a point outside them to the nearest of the regions, mm; infinite when there is none.
fn distance_to(regions: &[Region], p: Point) -> f64 {
    regions
        .iter()
        .map(|r| if r.contains(p) { 0.0 } else { r.distance(p) })
        .fold(f64::INFINITY, f64::min)
}

/// The pieces of `wanted` farther from what is cleared than polygons can be trusted, outer ring first; some may be slighter than
/// `allowed`.
fn left_by_polygons(
    wanted: &[Region],
    inner: &[Region],
    thin: f64,
    allowed: f64,
    notes: &mut Notes,
) -> Vec<Vec<Vec<Point>>> {
    let cleared = offset_all(inner, thin, notes);
    let wanted_set = PolySet::from_regions(wanted, CHORD_MM);
    let cleared_set = PolySet::from_regions(&cleared, CHORD_MM).offset(IGNORED_MM);
    let mut left = wanted_set.difference(&cleared_set).0;
    // No point of a piece is farther from what is cleared than half its way round, since it touches that somewhere.
    left.retain(|shape| {
        let around = |ring: &Vec<Point>| -> f64 {
            let ends = ring.iter().cycle().skip(1);
            ring.iter().zip(ends).map(|(a, b)| a.distance(*b)).sum()
        };
        cleared.is_empty() || shape.first().is_some_and(|r| 0.5 * around(r) > allowed)
    });
    left
}

/// For each listed corner of the feature how far from it a disc of this radius touches its edges, mm.
fn fillets(feature: &SizedFeature, radius: f64) -> Vec<(Point, f64)> {
    let regions = regions(feature);
    let rings = || regions.iter().flat_map(Region::contours);
    let arcs = rings()
        .flat_map(Contour::segments)
        .filter(|s| matches!(s, Segment::Arc { .. }));
    let mut ends: Vec<Point> = arcs.flat_map(|s| [s.start(), s.end()]).collect();
    ends.sort_by(|a, b| a.x.total_cmp(&b.x));
    let at_an_arc = |p: Point| {
        let first = ends.partition_point(|e| e.x < p.x - TOUCHES_MM);
        let beside = ends[first..].iter().take_while(|e| e.x <= p.x + TOUCHES_MM);
        beside.into_iter().any(|e| e.distance(p) <= TOUCHES_MM)
    };
    let curved = |at, before, after| {
        let (a, b) = edges_at(rings(), at, before, after)?;
        let f = fillet(&a, &b, radius)?;
        Some(f.before.distance(at).max(f.after.distance(at)))
    };
    feature
        .corners
        .iter()
        .map(|c| {
            let straight = radius / (0.5 * c.angle).tan();
            let tangent = match at_an_arc(c.at) {
                true => curved(c.at, c.before, c.after).unwrap_or(straight),
                false => straight,
            };
            (c.at, tangent)
        })
        .collect()
}

/// All of the piece lies in the fillets of corners.
fn in_corners(fillets: &[(Point, f64)], radius: f64, ring: &[Point]) -> bool {
    along(ring, 0.25 * radius).iter().all(|p| {
        fillets
            .iter()
            .any(|(at, tangent)| p.distance(*at) <= tangent * 1.05 + 0.05)
    })
}

/// The points of a ring and points between them, at most `step` mm apart: the middle of a long edge may be farther from what is
/// cleared than both its ends.
fn along(ring: &[Point], step: f64) -> Vec<Point> {
    let ends = ring.iter().cycle().skip(1);
    ring.iter()
        .zip(ends)
        .flat_map(|(a, b)| {
            let n = (a.distance(*b) / step).ceil().max(1.0) as usize;
            (0..n).map(move |i| a.lerp(*b, i as f64 / n as f64))
        })
        .collect()
}

/// The centre region at a cutter's radius: where its centre may be.
pub fn centres(room: &[Region], inset: f64, notes: &mut Notes) -> Vec<Region> {
    offset_all(room, -inset, notes)
}

/// The spots as words: "(12.000, 30.000): 3.20 mm², up to 0.81 mm".
pub fn spots_in_words(spots: &[Spot]) -> String {
    const MOST: usize = 12;
    let mut words: Vec<String> = spots
        .iter()
        .take(MOST)
        .map(|s| {
            let depth = if s.depth.is_finite() {
                format!(", up to {:.2} mm", s.depth)
            } else {
                String::new()
            };
            format!("({:.3}, {:.3}): {:.2} mm²{depth}", s.at.x, s.at.y, s.area)
        })
        .collect();
    if spots.len() > MOST {
        words.push(format!("and {} more", spots.len() - MOST));
    }
    words.join("; ")
}
