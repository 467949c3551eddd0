//! What must stand of a variant at each height: its outline less every feature whose floor lies at or below that height, and less
//! the lobes of their corners, computed here anew from the corners' kind and way. Boundaries keep their true arcs.

use super::by_hand::left_for_hands;
use super::curves::{Boxes, Inside, crossings, distance};
use grainway_geom::{Bounds, Contour, Point, Segment, Vertex, edges_at, fillet, point};
use grainway_pipeline::doc::{FeatureKind, Shop};
use grainway_pipeline::tolerance::RELIEF_MARGIN_MM;
use grainway_pipeline::work::{Corner, CornerAnswer, SizedFeature, Variant, Work};
use std::f64::consts::PI;

/// How far beside a piece of a boundary it is asked on which side wood must stand. Slivers thinner than this are no wood; it is
/// well under what verify allows.
const PROBE_MM: f64 = 0.008;

/// The path of a disc that opens a corner: a straight band between two discs.
#[derive(Clone, Copy, Debug)]
pub(super) struct Lobe {
    pub(super) from: Point,
    pub(super) to: Point,
    pub(super) radius: f64,
}

impl Lobe {
    /// Its boundary, counter-clockwise.
    pub(super) fn contour(&self) -> Contour {
        let Some(u) = (self.to - self.from).normalized() else {
            return Contour::circle(self.to, self.radius);
        };
        let n = u.left() * self.radius;
        let v = |at: Point, bulge: f64| Vertex { at, bulge };
        Contour {
            vertices: vec![
                v(self.from - n, 0.0),
                v(self.to - n, 1.0),
                v(self.to + n, 0.0),
                v(self.from + n, 1.0),
            ],
            closed: true,
        }
    }
}

/// The lobe of a corner by formula, for a cutter of radius `r` (docs/references.md, section Geometry: dog-bone centre on the bisector at r
/// from the corner; T-bone centre at the corner plus r along the inward normal of the edge that stays untouched). `None` where
/// the corner keeps its fillet. The stored centre must agree with the formula, with or without the margin that lets the disc
/// reach past the corner; `Err` says by how much it does not.
pub(super) fn lobe(
    corner: &Corner,
    r: f64,
    margin: f64,
    shape: &Contour,
) -> Result<Option<Lobe>, f64> {
    let CornerAnswer::Lobe {
        dog_bone,
        into_before,
        centre,
        radius,
        from,
    } = corner.answer
    else {
        return Ok(None);
    };
    let (u, v) = (corner.before, corner.after);
    let half = corner.angle / 2.0;
    let Some(bisector) = (u + v).normalized() else {
        return Err(f64::INFINITY);
    };
    let fillet = corner.at + bisector * (r / half.sin().max(1e-6));
    let plain = if dog_bone {
        corner.at + bisector * r
    } else {
        // The untouched edge's inward normal: the part of the other edge's direction that is square to it.
        let (untouched, other) = if into_before { (v, u) } else { (u, v) };
        let square = other - untouched * other.dot(untouched);
        let Some(n) = square.normalized() else {
            return Err(f64::INFINITY);
        };
        corner.at + n * r
    };
    // The margin moves the centre on along its way out of the fillet, by at most the margin itself.
    let way = (plain - fillet).normalized().unwrap_or_default();
    let off = centre - plain;
    let (along, across) = (off.dot(way), off.cross(way).abs());
    let allowed = margin + 0.002;
    let wrong = across
        .max((-along).max(0.0))
        .max((along - allowed).max(0.0) + if along > allowed { 0.002 } else { 0.0 })
        .max((radius - r).abs());
    if wrong > 0.002 {
        return Err(wrong);
    }
    // Between arcs the fillet's centre is another than between straight edges; it is believed where the disc about it is clear
    // of the feature's walls, so that it allows nothing by itself.
    let clear = || {
        let near = from.distance(corner.at) < 4.0 * r / half.sin().max(1e-6);
        near && shape.distance(from) >= r - 0.01
    };
    let from = if from.distance(fillet) > 1e-6 && clear() {
        from
    } else {
        fillet
    };
    Ok(Some(Lobe {
        from,
        to: plain + way * along.clamp(0.0, margin),
        radius: r,
    }))
}

/// A feature as verify sees it.
#[derive(Clone, Debug)]
pub(super) struct FeatureModel {
    pub(super) key: String,
    pub(super) kind: FeatureKind,
    /// Wanted floor, machine Z.
    pub(super) floor: f64,
    pub(super) through: bool,
    /// Radius of the cutter that finishes its walls, mm; 0 when none is named.
    pub(super) radius: f64,
    /// Radius of the thinner cutter that goes over its corners after that one, mm; 0 when there is none.
    pub(super) rest_radius: f64,
    pub(super) lobes: Vec<Lobe>,
    /// Shape, for regions; empty for engravings and the outline.
    shape: Inside,
    islands: Option<Inside>,
    lobe_areas: Vec<Inside>,
    /// For engravings: the line.
    pub(super) line: Vec<Segment>,
    pub(super) line_bounds: Bounds,
    /// Boxes of its pieces.
    pub(super) line_boxes: Boxes,
}

impl FeatureModel {
    /// `p` lies in what the feature may take away.
    pub(super) fn takes(&self, p: Point) -> bool {
        let lobe = self.lobe_areas.iter().any(|l| l.contains(p));
        lobe || (self.shape.contains(p) && !self.islands.as_ref().is_some_and(|i| i.contains(p)))
    }
    /// Takes away at height `z` and above.
    fn acts_at(&self, z: f64) -> bool {
        self.through || self.floor <= z
    }
}

/// A piece of the boundary of what must stand, and which feature it belongs to.
#[derive(Clone, Copy, Debug)]
pub(super) struct Wall {
    pub(super) segment: Segment,
    pub(super) feature: u32,
}

/// Heights between two floors, where the same must stand.
#[derive(Clone, Debug)]
pub(super) struct Slab {
    pub(super) from: f64,
    pub(super) to: f64,
    pub(super) walls: Vec<Wall>,
    boxes: Boxes,
}

impl Slab {
    /// The nearest wall to `path` within `radius`: distance, place on the path, wall.
    pub(super) fn nearest(&self, path: &Segment, radius: f64) -> Option<(f64, Point, u32)> {
        let mut best: Option<(f64, Point, u32)> = None;
        let query = path.bounds().grown(radius);
        self.boxes.visit(query, usize::MAX, &mut |i| {
            let (d, at) = distance(path, &self.walls[i].segment);
            if d < best.map_or(radius, |b| b.0) {
                best = Some((d, at, i as u32));
            }
            best.is_none_or(|b| b.0 > 0.0)
        });
        best
    }
    /// Distance of a point to the nearest wall within `limit`.
    pub(super) fn depth_at(&self, p: Point, limit: f64) -> f64 {
        let mut best = limit;
        self.boxes
            .visit(super::curves::around(p, limit), usize::MAX, &mut |i| {
                best = best.min(self.walls[i].segment.distance(p));
                true
            });
        best
    }
}

/// A variant as verify sees it.
#[derive(Clone, Debug)]
pub(super) struct Model {
    pub(super) id: String,
    pub(super) part: String,
    /// As the documents want it, with the claims of the plan that hold.
    pub(super) variant: Variant,
    /// Features of which the documents leave to hands what no cutter reaches, and the hand-work list names them.
    pub(super) left_for_hands: Vec<bool>,
    pub(super) bounds: Bounds,
    pub(super) dimensioned: bool,
    pub(super) outline: Inside,
    pub(super) features: Vec<FeatureModel>,
    pub(super) slabs: Vec<Slab>,
    /// Corners whose stored answer disagrees with the formula: feature, corner, by how much.
    pub(super) bad_corners: Vec<(usize, Point, f64)>,
}

/// The word for walls that belong to no feature: the part's own edge.
pub(super) const OUTLINE: &str = "outline";

impl Model {
    /// A lobe may reach `margin` mm farther than its corner, or the usual margin where that is more.
    pub(super) fn new(variant: Variant, work: &Work, margin: f64) -> Model {
        let shop = &work.documents.shop;
        let margin = margin.max(RELIEF_MARGIN_MM);
        let mut bad_corners = Vec::new();
        let features: Vec<FeatureModel> = variant
            .features
            .iter()
            .enumerate()
            .map(|(i, f)| feature_model(f, shop, margin, i, &mut bad_corners))
            .collect();
        let outline = Inside::new([&variant.outline]);
        let mut model = Model {
            id: variant.id.clone(),
            part: variant.part.clone(),
            bounds: variant.outline.bounds(),
            dimensioned: variant.dimensioned,
            outline,
            features,
            slabs: Vec::new(),
            bad_corners,
            left_for_hands: variant
                .features
                .iter()
                .map(|f| left_for_hands(work, &variant.part, f))
                .collect(),
            variant,
        };
        model.slabs = model.make_slabs();
        model
    }
    /// Wood must stand at `p` at the height `z`.
    pub(super) fn stands(&self, p: Point, z: f64) -> bool {
        self.outline.contains(p) && !self.features.iter().any(|f| f.acts_at(z) && f.takes(p))
    }
    fn make_slabs(&self) -> Vec<Slab> {
        let mut floors: Vec<f64> = self
            .features
            .iter()
            .filter(|f| f.kind != FeatureKind::Engraving && f.kind != FeatureKind::Outline)
            .filter(|f| !f.through)
            .map(|f| f.floor)
            .collect();
        floors.push(f64::NEG_INFINITY);
        floors.sort_by(f64::total_cmp);
        floors.dedup_by(|a, b| (*a - *b).abs() < 1e-6);
        let pieces = self.split_boundaries(&self.variant);
        (0..floors.len())
            .map(|k| {
                let from = floors[k];
                let to = floors.get(k + 1).copied().unwrap_or(f64::INFINITY);
                let walls: Vec<Wall> = pieces
                    .iter()
                    .filter(|w| {
                        self.features
                            .get(w.feature as usize)
                            .is_none_or(|f| f.kind == FeatureKind::Outline || f.acts_at(from))
                    })
                    .filter(|w| self.divides(&w.segment, from))
                    .copied()
                    .collect();
                let boxes = Boxes::new(walls.iter().map(|w| w.segment.bounds()).collect());
                Slab {
                    from,
                    to,
                    walls,
                    boxes,
                }
            })
            .collect()
    }
    /// Wood must stand on exactly one side of the middle of a piece.
    fn divides(&self, s: &Segment, z: f64) -> bool {
        let Some(d) = s.direction(0.5) else {
            return false;
        };
        let (m, n) = (s.at(0.5), d.left() * PROBE_MM);
        self.stands(m + n, z) != self.stands(m - n, z)
    }
    /// All boundaries, split where they meet each other, so that each piece is a wall wholly or not at all.
    fn split_boundaries(&self, variant: &Variant) -> Vec<Wall> {
        let mut all: Vec<Wall> = Vec::new();
        let mut add = |contour: &Contour, feature: u32| {
            all.extend(
                contour
                    .segments()
                    .filter(|s| s.length() > 1e-7)
                    .map(|segment| Wall { segment, feature }),
            );
        };
        add(&variant.outline, u32::MAX);
        for (i, (f, m)) in variant.features.iter().zip(&self.features).enumerate() {
            let i = i as u32;
            if f.kind != FeatureKind::Engraving && f.kind != FeatureKind::Outline {
                add(&f.shape, i);
                f.islands.iter().for_each(|c| add(c, i));
            }
            m.lobes.iter().for_each(|l| add(&l.contour(), i));
        }
        let boxes = Boxes::new(all.iter().map(|w| w.segment.bounds()).collect());
        let mut out = Vec::with_capacity(all.len() * 2);
        for (i, wall) in all.iter().enumerate() {
            let s = &wall.segment;
            let mut cuts = vec![0.0, 1.0];
            boxes.visit(s.bounds().grown(1e-6), usize::MAX, &mut |j| {
                if i != j {
                    let t = &all[j].segment;
                    for p in crossings(s, t).as_slice() {
                        cuts.push(s.nearest(*p).1);
                    }
                    // Ends that lie on this piece, where edges run along each other.
                    for p in [t.start(), t.end()] {
                        let (q, share) = s.nearest(p);
                        if q.distance(p) < 1e-5 {
                            cuts.push(share);
                        }
                    }
                }
                true
            });
            cuts.sort_by(f64::total_cmp);
            let length = s.length();
            let mut from = 0.0;
            for c in cuts.into_iter().skip(1) {
                if (c - from) * length > 1e-6 {
                    out.push(Wall {
                        segment: s.piece(from, c),
                        feature: wall.feature,
                    });
                    from = c;
                }
            }
        }
        out
    }
}

fn feature_model(
    f: &SizedFeature,
    shop: &Shop,
    margin: f64,
    index: usize,
    bad: &mut Vec<(usize, Point, f64)>,
) -> FeatureModel {
    let radius_of = |id: &String| shop.cutters.get(id).map_or(0.0, |c| c.radius_mm());
    let radius = f.cutter.as_ref().map_or(0.0, radius_of);
    let rest_radius = f.corners.iter().find_map(|c| match &c.answer {
        CornerAnswer::Rest { cutter } => Some(radius_of(cutter)),
        _ => None,
    });
    let mut lobes = Vec::new();
    for corner in &f.corners {
        match lobe(corner, radius, margin, &f.shape) {
            Ok(l) => lobes.extend(l),
            Err(by) => bad.push((index, corner.at, by)),
        }
    }
    let region = !matches!(f.kind, FeatureKind::Engraving | FeatureKind::Outline);
    let none: [&Contour; 0] = [];
    let line: Vec<Segment> = if f.kind == FeatureKind::Engraving {
        f.shape
            .segments()
            .chain(f.islands.iter().flat_map(|c| c.segments()))
            .collect()
    } else {
        Vec::new()
    };
    FeatureModel {
        key: f.key.clone(),
        kind: f.kind,
        floor: f.floor,
        through: f.through || matches!(f.kind, FeatureKind::Outline | FeatureKind::Cutout),
        radius,
        rest_radius: rest_radius.unwrap_or(0.0),
        shape: if region {
            Inside::new([&f.shape])
        } else {
            Inside::new(none)
        },
        islands: (region && !f.islands.is_empty()).then(|| Inside::new(&f.islands)),
        lobe_areas: lobes.iter().map(|l| Inside::new([&l.contour()])).collect(),
        lobes,
        line_boxes: Boxes::new(line.iter().map(Segment::bounds).collect()),
        line_bounds: line.iter().fold(Bounds::EMPTY, |b, s| b.union(s.bounds())),
        line,
    }
}

/// Where the fillet lies that a round cutter of radius `r` leaves in a corner of these walls, grown by `more` along them.
pub(super) fn fillet_room<'a>(
    walls: impl Iterator<Item = &'a Contour>,
    corner: &Corner,
    r: f64,
    more: f64,
) -> Contour {
    let curved = edges_at(walls, corner.at, corner.before, corner.after)
        .filter(|(a, b)| [a, b].iter().any(|s| matches!(s, Segment::Arc { .. })));
    let Some((before, after)) = curved else {
        return fillet_triangle(corner, r, more);
    };
    let Some(touches) = fillet(&before, &after, r) else {
        return fillet_triangle(corner, r, more);
    };
    // Along both walls from touch to touch, a hair outside them; the way back is the chord, which the disc is beyond.
    let stretch = |wall: &Segment, touch: Point| -> Vec<Point> {
        let from_corner = if wall.start().distance(corner.at) < wall.end().distance(corner.at) {
            *wall
        } else {
            wall.reversed()
        };
        let end = from_corner.nearest(touch).1;
        let over = more / from_corner.length().max(more);
        let piece = from_corner.piece(0.0, (end + over).min(1.0));
        let n = piece.chords(0.1 * more);
        (0..=n).map(|i| piece.at(i as f64 / n as f64)).collect()
    };
    let mut ring = stretch(&before, touches.before);
    ring.reverse();
    ring.extend(stretch(&after, touches.after).into_iter().skip(1));
    let outwards = (corner.before + corner.after)
        .normalized()
        .unwrap_or(point(0.0, 0.0))
        * -more;
    Contour::polygon(ring.into_iter().map(|p| p + outwards)).oriented(true)
}

/// Between straight edges the fillet lies within this triangle: the corner and the fillet's ends.
pub(super) fn fillet_triangle(corner: &Corner, r: f64, more: f64) -> Contour {
    let reach = r / (corner.angle.clamp(1e-3, PI - 1e-3) / 2.0).tan() + more;
    // Grown outwards a hair, so that a wall's rounding leaves no thread.
    let back = (corner.before + corner.after)
        .normalized()
        .unwrap_or(point(0.0, 0.0))
        * -more;
    Contour::polygon([
        corner.at + back,
        corner.at + corner.before * reach + back,
        corner.at + corner.after * reach + back,
    ])
    .oriented(true)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn corner(degrees: f64, dog_bone: bool, into_before: bool, r: f64, centre: Point) -> Corner {
        Corner {
            at: point(0.0, 0.0),
            angle: f64::to_radians(degrees),
            before: point(1.0, 0.0),
            after: Point::unit(f64::to_radians(degrees)),
            lengths: [50.0, 50.0],
            answer: CornerAnswer::Lobe {
                dog_bone,
                into_before,
                centre,
                radius: r,
                from: point(0.0, 0.0),
            },
        }
    }

    #[test]
    fn lobes_follow_the_formulas() {
        // docs/references.md, section Geometry: at 90° the dog-bone's centre lies 0.707107 r along each axis; the T-bone's on the edge it
        // goes into.
        let r = 3.0;
        let shape = Contour::rectangle(point(0.0, 0.0), point(50.0, 50.0), 0.0);
        let dog = corner(
            90.0,
            true,
            false,
            r,
            point(
                std::f64::consts::FRAC_1_SQRT_2 * r,
                std::f64::consts::FRAC_1_SQRT_2 * r,
            ),
        );
        let l = lobe(&dog, r, 0.1, &shape).unwrap().unwrap();
        assert!(l.to.distance(point(2.121_320_343, 2.121_320_343)) < 1e-6);
        assert!(l.from.distance(point(3.0, 3.0)) < 1e-9);
        let tee = corner(90.0, false, true, r, point(3.0, 0.0));
        assert!(
            lobe(&tee, r, 0.1, &shape)
                .unwrap()
                .unwrap()
                .to
                .distance(point(3.0, 0.0))
                < 1e-9
        );
        let tee = corner(90.0, false, false, r, point(0.0, 3.0));
        assert!(
            lobe(&tee, r, 0.1, &shape)
                .unwrap()
                .unwrap()
                .to
                .distance(point(0.0, 3.0))
                < 1e-9
        );
        // 5 % too far out, or a larger disc.
        let at = std::f64::consts::FRAC_1_SQRT_2 * r - 0.05 * r;
        assert!(lobe(&corner(90.0, true, false, r, point(at, at)), r, 0.1, &shape).is_err());
        let at = std::f64::consts::FRAC_1_SQRT_2 * r;
        assert!(
            lobe(
                &corner(90.0, true, false, r * 1.05, point(at, at)),
                r,
                0.1,
                &shape
            )
            .is_err()
        );
    }
}
