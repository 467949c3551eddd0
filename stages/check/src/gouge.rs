//! Layer 2: no cut enters what must stand. For every cutting move the least distance of its path to the walls of the height it
//! runs at, in closed form. Exact for flat cutters; for others each height's disc is exact, taken at the move's lowest point.

use super::Scene;
use super::curves::{around, unplaced};
use super::figures::{Said, mm};
use super::model::{FeatureModel, Model};
use super::motions::{Motion, Tool};
use grainway_geom::{Point, Segment};
use grainway_pipeline::finding::code;
use rayon::prelude::*;
use std::collections::BTreeMap;

/// The worst of the gouges into one feature's wall (or floor) of one piece.
#[derive(Clone, Debug)]
struct Worst {
    by: f64,
    motion: usize,
    /// In the board's frame.
    at: Point,
    count: usize,
    floor: bool,
}

type Worsts = BTreeMap<(usize, u32), Worst>;

/// Motions handled by one task.
const LOT: usize = 2048;

pub(super) fn check(scene: &Scene<'_>) -> Said {
    let (worsts, most) = all(scene);
    let mut said = Said::of("gouge");
    for (piece, by) in scene.pieces.iter().zip(&most) {
        said.figure(
            format!("deepest cut into {}", piece.name),
            *by,
            "mm",
            scene.settled.gouge.floor_to(1e-6),
            scene.all_flat,
        );
    }
    for ((p, feature), w) in worsts {
        gouged(scene, p, feature, &w, &mut said);
    }
    corners(scene, &mut said);
    said
}

/// The worst of each feature's gouges, and how deep each piece is cut into.
fn all(scene: &Scene<'_>) -> (Worsts, Vec<f64>) {
    let lots: Vec<(Worsts, Vec<f64>)> = scene
        .recorded
        .motions
        .par_chunks(LOT)
        .enumerate()
        .map(|(lot, chunk)| {
            let mut worsts = Worsts::new();
            let mut nearest = vec![0.0; scene.pieces.len()];
            for (i, m) in chunk.iter().enumerate() {
                if lot * LOT + i >= scene.wood_from {
                    one(scene, lot * LOT + i, m, &mut worsts, &mut nearest);
                }
            }
            (worsts, nearest)
        })
        .collect();
    let mut worsts = Worsts::new();
    let mut most = vec![0.0_f64; scene.pieces.len()];
    for (lot, nearest) in lots {
        for (i, v) in nearest.into_iter().enumerate() {
            most[i] = most[i].max(v);
        }
        for (key, w) in lot {
            match worsts.get_mut(&key) {
                None => {
                    worsts.insert(key, w);
                }
                Some(old) => {
                    old.count += w.count;
                    if w.by > old.by {
                        *old = Worst {
                            count: old.count,
                            ..w
                        };
                    }
                }
            }
        }
    }
    (worsts, most)
}

fn gouged(scene: &Scene<'_>, p: usize, feature: u32, w: &Worst, said: &mut Said) {
    let piece = &scene.pieces[p];
    let m = &scene.recorded.motions[w.motion];
    let name = piece
        .model
        .features
        .get(feature as usize)
        .map_or(super::model::OUTLINE, |f| f.key.as_str());
    let what = if w.floor {
        format!(
            "the cut goes {} mm below the floor of {name} of {}",
            mm(w.by),
            piece.name
        )
    } else {
        format!("the cut enters {} by {} mm at {name}", piece.name, mm(w.by))
    };
    let more = if w.count > 1 {
        format!(" (worst of {} moves)", w.count)
    } else {
        String::new()
    };
    said.find(
        Some(m.text),
        scene
            .at_line(
                m.text,
                m.line,
                &code::VERIFY_GOUGE,
                format!("{what}{more}; allowed {} mm.", mm(scene.settled.gouge)),
            )
            .part(piece.name)
            .feature(name)
            .at(w.at),
    );
}

/// Corners that are not where the formulas put them are a cut in the wrong place, even if the text follows them.
fn corners(scene: &Scene<'_>, said: &mut Said) {
    for model in scene.models {
        if !scene.pieces.iter().any(|p| p.model.id == model.id) {
            continue;
        }
        for (feature, at, by) in &model.bad_corners {
            let key = &model.features[*feature].key;
            said.find(
                None,
                grainway_pipeline::finding::Finding::new(
                    &code::VERIFY_RELIEF,
                    format!(
                        "the relief at the corner ({}, {}) of {key} differs from its formula by {} mm.",
                        mm(at.x),
                        mm(at.y),
                        mm(*by)
                    ),
                )
                .setup(&scene.setup.id)
                .part(&model.part)
                .feature(key),
            );
        }
    }
}

trait FloorTo {
    fn floor_to(self, step: f64) -> f64;
}
impl FloorTo for f64 {
    /// Without what is below a step: limits are kept a hair above their round value.
    fn floor_to(self, step: f64) -> f64 {
        (self / step).floor() * step - step
    }
}

fn one(scene: &Scene<'_>, index: usize, m: &Motion, worsts: &mut Worsts, nearest: &mut [f64]) {
    let top = scene.setup.z.highest_top();
    if !m.cuts || m.low() >= top {
        return;
    }
    let Some(tool) = scene.recorded.tool(m) else {
        return;
    };
    if super::holds::is_pilot_through_a_piece(scene, m, tool) {
        return;
    }
    let reach = m.bounds().grown(tool.radius);
    scene.piece_boxes.visit(reach, usize::MAX, &mut |p| {
        let piece = &scene.pieces[p];
        let path = unplaced(&m.path, &piece.placing);
        let placed = Motion { path, ..*m };
        if !piece.model.bounds.touches(path.bounds().grown(tool.radius)) {
            return true;
        }
        let mut note = |by: f64, at: Point, feature: u32, floor: bool| {
            nearest[p] = nearest[p].max(by);
            if by <= scene.settled.gouge {
                return;
            }
            let at = piece.placing.point(at);
            let key = (p, feature);
            match worsts.get_mut(&key) {
                Some(w) => {
                    w.count += 1;
                    if by > w.by {
                        *w = Worst {
                            by,
                            motion: index,
                            at,
                            count: w.count,
                            floor,
                        };
                    }
                }
                None => {
                    worsts.insert(
                        key,
                        Worst {
                            by,
                            motion: index,
                            at,
                            count: 1,
                            floor,
                        },
                    );
                }
            }
        };
        into_piece(
            piece.model,
            &placed,
            tool,
            top,
            scene.settled.gouge,
            &mut note,
        );
        true
    });
}

/// What one move, in the piece's frame, does to what must stand: calls `note` with how far it enters, where, at which feature, and
/// whether it is a floor that it enters.
pub(super) fn into_piece(
    model: &Model,
    m: &Motion,
    tool: &Tool,
    top: f64,
    tolerance: f64,
    note: &mut impl FnMut(f64, Point, u32, bool),
) {
    if follows_engraving(model, m, tolerance) {
        return;
    }
    let (low, high) = (m.low(), m.z[0].max(m.z[1]).min(top));
    for slab in &model.slabs {
        // The slabs that the cutter's tip, or for a pointed cutter any of its height, runs in.
        let tip_reaches = slab.from <= high + tolerance;
        if slab.to <= low + tolerance || (tool.is_flat() && !tip_reaches) || slab.from >= top {
            continue;
        }
        let (path, radius) = if tool.is_flat() {
            match m.path_below(slab.to - tolerance) {
                Some(p) => (p, tool.radius),
                None => continue,
            }
        } else {
            (m.path, tool.radius_at(slab.to.min(top) - low))
        };
        let z = slab.from.max(low);
        let found = slab.nearest(&path, radius);
        let start_stands = || model.stands(path.start(), z.max(slab.from));
        match found {
            Some((d, at, wall)) => {
                let feature = slab.walls[wall as usize].feature;
                if d > 0.0 && !start_stands() {
                    note(radius - d, at, feature, false);
                } else {
                    inside(model, slab, &path, radius, z, feature, note);
                }
            }
            None if start_stands() => inside(model, slab, &path, radius, z, u32::MAX, note),
            None => {}
        }
    }
}

/// The centre itself runs where wood must stand: how deep, from places along the path.
fn inside(
    model: &Model,
    slab: &super::model::Slab,
    path: &Segment,
    radius: f64,
    z: f64,
    feature: u32,
    note: &mut impl FnMut(f64, Point, u32, bool),
) {
    let mut worst = (radius, path.start());
    for i in 0..=8 {
        let p = path.at(f64::from(i) / 8.0);
        if model.stands(p, slab.from.max(z)) {
            let by = radius + slab.depth_at(p, 1000.0);
            if by > worst.0 {
                worst = (by, p);
            }
        }
    }
    // Is it the floor of a feature that was gone through? Then depth below that floor is what matters to people.
    let over: Option<(usize, &FeatureModel)> = model
        .features
        .iter()
        .enumerate()
        .filter(|(_, f)| f.takes(worst.1) && f.floor > z)
        .min_by(|a, b| a.1.floor.total_cmp(&b.1.floor));
    match over {
        Some((i, f)) => note(f.floor - z, worst.1, i as u32, true),
        None => note(worst.0, worst.1, feature, false),
    }
}

/// The move follows an engraved line, within the tolerance, not below its floor.
fn follows_engraving(model: &Model, m: &Motion, tolerance: f64) -> bool {
    let n = (m.path.length().ceil() as usize).clamp(2, 64);
    model.features.iter().any(|f| {
        !f.line.is_empty()
            && m.low() >= f.floor - tolerance
            && f.line_bounds.grown(tolerance).contains(m.path.start())
            && (0..=n).all(|i| {
                let p = m.path.at(i as f64 / n as f64);
                let near = around(p, tolerance);
                let mut found = false;
                f.line_boxes.visit(near, usize::MAX, &mut |k| {
                    found = f.line[k].distance(p) <= tolerance;
                    !found
                });
                found
            })
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::tests::Random;
    use crate::tests::{documents, feature};
    use grainway_geom::{Contour, point};
    use grainway_pipeline::doc::FeatureKind;
    use grainway_pipeline::work::{Documents, SizedFeature, Variant, Work};
    use std::f64::consts::TAU;

    /// A star-like pocket with arcs and an island, and two rectangles that overlap it.
    fn star(random: &mut Random, documents: &Documents) -> Variant {
        let n = 4 + (random.next() * 6.0) as usize;
        let mut star = Contour::polygon((0..n).map(|i| {
            point(60.0, 50.0)
                + Point::unit(i as f64 / n as f64 * TAU) * (15.0 + 20.0 * random.next())
        }));
        for v in &mut star.vertices {
            v.bulge = (random.next() * 1.2 - 0.6) * f64::from(u8::from(random.next() < 0.6));
        }
        let pocket = |key: &str, shape: Contour, floor: f64| {
            feature(key, FeatureKind::Pocket, shape, floor, false)
        };
        let mut a = pocket("a", star, 10.0);
        a.islands = vec![Contour::circle(point(60.0, 50.0), 5.0).oriented(false)];
        let b = Contour::rectangle(point(40.0, 45.0), point(110.0, 62.0), 4.0);
        let c = Contour::rectangle(point(-5.0, 70.0), point(130.0, 130.0), 0.0);
        Variant {
            id: "v".into(),
            part: "v".into(),
            side: Default::default(),
            turn: Default::default(),
            stock: "ash".into(),
            z: documents.z_frame("ash").unwrap(),
            outline: Contour::rectangle(point(0.0, 0.0), point(120.0, 100.0), 10.0),
            dimensioned: true,
            features: vec![a, pocket("b", b, 8.0), pocket("c", c, 10.0)],
            steps: Vec::new(),
        }
    }

    /// A short level cut somewhere at a height.
    fn level_cut(random: &mut Random) -> Motion {
        let mut p = || point(random.next() * 140.0 - 10.0, random.next() * 120.0 - 10.0);
        let (start, end) = (p(), p());
        let length = 1.0 + 15.0 * random.next();
        let towards = (end - start).normalized().unwrap() * length;
        let path = if random.next() < 0.5 {
            Segment::Line {
                a: start,
                b: start + towards,
            }
        } else {
            Segment::arc_about(start + towards, start, (random.next() - 0.5) * 3.0)
        };
        let z = if random.next() < 0.5 { 10.0 } else { 8.0 };
        Motion {
            text: 0,
            line: 1,
            cuts: true,
            path,
            z: [z, z],
            tool: 0,
            feed: 1000.0,
            rpm: 18000.0,
        }
    }

    /// How far a disc at many places of a path enters what stands, by asking at many points.
    fn by_brute_force(path: &Segment, radius: f64, stands: impl Fn(Point) -> bool) -> f64 {
        let mut deepest = 0.0_f64;
        for i in 0..=24 {
            let c = path.at(f64::from(i) / 24.0);
            if stands(c) {
                return radius;
            }
            for k in 0..36 {
                let u = Point::unit(f64::from(k) / 36.0 * TAU);
                let mut out = (1..=30).map(|j| f64::from(j) * 0.1);
                if let Some(d) = out.find(|d| stands(c + u * *d)) {
                    deepest = deepest.max(radius - d);
                }
            }
        }
        deepest
    }

    /// The figures of the closed forms are those of sampling by brute force, with sides told by the regions themselves.
    #[test]
    fn gouge_equals_brute_force() {
        let documents = documents();
        let mut random = Random(3);
        let tool = Tool::new("em6", &documents.shop.cutters["em6"]);
        let mut compared = 0;
        for case in 0..10 {
            let variant = star(&mut random, &documents);
            let model = Model::new(variant.clone(), &Work::new(documents.clone()), 0.0);
            let features = &variant.features;
            let stands = |p: Point, z: f64| {
                let taken = |f: &SizedFeature| f.floor <= z && f.region().contains(p);
                variant.outline.contains(p) && !features.iter().any(taken)
            };
            for _ in 0..24 {
                let m = level_cut(&mut random);
                let mut got = 0.0_f64;
                into_piece(&model, &m, &tool, 18.0, 1e-6, &mut |by, _, _, floor| {
                    // Depth below a floor is counted in z; the plane's figure is what is compared here.
                    got = got.max(if floor { tool.radius } else { by });
                });
                let brute = by_brute_force(&m.path, tool.radius, |p| stands(p, m.z[0]));
                let brute_is_deep = brute >= tool.radius - 1e-9;
                let tolerance = 0.4;
                assert!(
                    got >= brute.min(tool.radius) - 1e-6,
                    "case {case}: {got} < {brute}, {m:?}"
                );
                assert!(
                    brute_is_deep
                        || got <= brute + tolerance
                        || got >= tool.radius - tolerance && brute > tool.radius - 2.0 * tolerance,
                    "case {case}: {got} > {brute}, {m:?}"
                );
                compared += 1;
            }
        }
        assert_eq!(compared, 240);
    }
}
