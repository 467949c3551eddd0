//! Tests of relief, pocket and drill together, on variants made by hand. What the moves clear is measured from the moves alone:
//! as the union of swept discs, or point by point.

use crate::drill::{DrillSettings, DrillStage};
use crate::pocket::{Pocket, PocketSettings};
use crate::relief::{ReliefSettings, ReliefStage};
use grainway_geom::{Capsule, Contour, Point, PolySet, Region, Segment, Vertex, point, swept};
use grainway_pipeline::doc::{FeatureKind, IfUnreachable, Relief, ReliefKind};
use grainway_pipeline::motion::{Move, SAFE_Z};
use grainway_pipeline::stage::{
    Cancel, Cx, Dialects, FileProblem, Files, MemorySpool, Silent, TypedStage,
};
use grainway_pipeline::work::{
    CornerAnswer, Documents, HandWork, Operation, SizedFeature, Source, Variant, Work, ZFrame,
};
use serde_json::{Value, json};
use std::f64::consts::PI;

mod economy;

struct NoFiles;
impl Files for NoFiles {
    fn read(&self, name: &str) -> Result<Vec<u8>, FileProblem> {
        Err(FileProblem::Missing(name.to_string()))
    }
}

/// An end mill of a diameter, id `e<diameter>`.
fn mill(diameter: f64) -> Value {
    json!({"kind": "end-mill", "number": 1, "diameter": diameter, "cutting-length": 30, "max-rpm": 24000})
}

fn documents(cutters: &[(&str, Value)]) -> Documents {
    let cutters: serde_json::Map<String, Value> = cutters
        .iter()
        .map(|(id, c)| ((*id).to_string(), c.clone()))
        .collect();
    let shop = json!({"format": "grainway.shop/1",
        "machines": {"router": {"dialect": "x", "travel": [2500, 1300, 150], "z-zero": "top", "max-feed": 6000,
            "max-plunge": 2000, "rapid": 10000, "acceleration": 500, "min-rpm": 3000, "max-rpm": 24000, "spoilboard": 18}},
        "cutters": cutters,
        "stocks": {"ash": {"wood": "ash", "thickness": [20]}}});
    let job = json!({"format": "grainway.job/1", "name": "rack", "shop": "shop.json"});
    Documents {
        job: serde_json::from_value(job).unwrap(),
        shop: serde_json::from_value(shop).unwrap(),
        hash: String::new(),
        night: None,
    }
}

fn feature(key: &str, kind: FeatureKind, shape: Contour, depth: f64) -> SizedFeature {
    SizedFeature {
        key: key.to_string(),
        kind,
        shape: shape.oriented(true),
        islands: Vec::new(),
        circle: None,
        floor: -depth,
        through: depth >= 20.0,
        relief: None,
        corners: Vec::new(),
        if_unreachable: IfUnreachable::Refuse,
        leave: None,
        cutter_wanted: None,
        cutter: None,
        waste: None,
        source: Source::default(),
    }
}

fn rect(x: f64, y: f64, w: f64, h: f64) -> Contour {
    Contour::rectangle(point(x, y), point(x + w, y + h), 0.0)
}

fn variant(features: Vec<SizedFeature>) -> Variant {
    Variant {
        id: "end".into(),
        part: "end".into(),
        side: Default::default(),
        turn: Default::default(),
        stock: "ash".into(),
        z: ZFrame {
            zero: grainway_pipeline::doc::ZZero::Top,
            thinnest: 20.0,
            mean: 20.0,
            thickest: 20.0,
        },
        outline: rect(0.0, 0.0, 300.0, 200.0),
        dimensioned: true,
        features,
        steps: Vec::new(),
    }
}

fn run(
    documents: Documents,
    variants: Vec<Variant>,
    relief: &ReliefSettings,
    pocket: &PocketSettings,
) -> Work {
    let mut work = Work::new(documents);
    work.variants = variants;
    let (dialects, spool, cancel) = (
        Dialects::default(),
        MemorySpool::default(),
        Cancel::default(),
    );
    let cx = Cx {
        files: &NoFiles,
        dialects: &dialects,
        spool: &spool,
        progress: &Silent,
        cancel: &cancel,
    };
    ReliefStage.run(&mut work, relief, &cx).unwrap();
    DrillStage
        .run(&mut work, &DrillSettings::default(), &cx)
        .unwrap();
    Pocket.run(&mut work, pocket, &cx).unwrap();
    work
}

/// One recess with one cutter and default settings but for the relief margin, which formulas do not have.
fn clear_one(f: SizedFeature, diameter: f64) -> Work {
    let relief = ReliefSettings {
        margin: grainway_pipeline::doc::Length::from_mm(0.0),
        ..ReliefSettings::default()
    };
    run(
        documents(&[("e", mill(diameter))]),
        vec![variant(vec![f])],
        &relief,
        &PocketSettings::default(),
    )
}

fn moves_of(work: &Work, operation: Operation) -> Vec<Move> {
    work.variants
        .iter()
        .flat_map(|v| &v.steps)
        .filter(|s| s.operation == operation)
        .flat_map(|s| work.moves(&s.moves))
        .collect()
}

/// Cutting segments that end at or below `z`, as paths of the centre, with their heights.
fn paths(moves: &[Move], below: f64) -> Vec<Segment> {
    let mut at = point(0.0, 0.0).at_z(SAFE_Z);
    let mut out = Vec::new();
    for m in moves {
        let to = m.end(at);
        if at.z <= below + 1e-6 && to.z <= below + 1e-6 {
            match *m {
                Move::Line { .. } => out.push(Segment::Line {
                    a: at.xy(),
                    b: to.xy(),
                }),
                Move::Arc { centre, sweep, .. } => out.push(Segment::arc_about(
                    centre,
                    at.xy(),
                    sweep.clamp(-2.0 * PI, 2.0 * PI),
                )),
                _ => {}
            }
        }
        at = to;
    }
    out
}

fn swept_area(moves: &[Move], below: f64, radius: f64) -> PolySet {
    let capsules: Vec<Capsule> = paths(moves, below)
        .into_iter()
        .flat_map(|s| match s {
            // Full circles as halves: the polygon kernel's arcs are shorter than a turn.
            Segment::Arc { sweep, .. } if sweep.abs() > PI => {
                vec![s.piece(0.0, 0.5), s.piece(0.5, 1.0)]
            }
            s => vec![s],
        })
        .map(|segment| Capsule { segment, radius })
        .collect();
    swept(&capsules)
}

fn errors(work: &Work) -> Vec<String> {
    work.findings
        .iter()
        .filter(|f| f.severity == grainway_pipeline::finding::Severity::Error)
        .map(ToString::to_string)
        .collect()
}

/// What every sequence of planned moves keeps to.
fn well_formed(moves: &[Move], top: f64) {
    let mut at = point(0.0, 0.0).at_z(SAFE_Z);
    assert!(matches!(moves[0], Move::Rapid { to } if to.z == SAFE_Z));
    assert!(matches!(moves[moves.len() - 1], Move::Rapid { to } if to.z == SAFE_Z));
    for (i, m) in moves.iter().enumerate() {
        assert!(m.is_finite(), "{i}: {m:?}");
        let to = m.end(at);
        if let (Move::Rapid { .. }, 1..) = (m, i) {
            let sideways = at.xy().distance(to.xy()) > 1e-6;
            assert!(
                !sideways || (at.z == SAFE_Z && to.z == SAFE_Z),
                "{i}: {m:?} from {at:?}"
            );
            assert!(to.z >= top + 2.0 - 1e-9, "{i}: fast into the wood: {m:?}");
        }
        at = to;
    }
}

/// No cut goes deeper than one pass into wood that stands: sampled on a grid of heights, an independent little simulator.
fn greatest_bite(moves: &[Move], radius: f64, box_: (Point, Point), top: f64) -> f64 {
    let cell = 0.5;
    let (w, h) = (
        ((box_.1.x - box_.0.x) / cell) as usize + 1,
        ((box_.1.y - box_.0.y) / cell) as usize + 1,
    );
    let mut height = vec![top; w * h];
    let mut at = point(0.0, 0.0).at_z(SAFE_Z);
    let mut bite: f64 = 0.0;
    for m in moves {
        let to = m.end(at);
        if !matches!(m, Move::Rapid { .. }) {
            let (segment, length) = match *m {
                Move::Arc { centre, sweep, .. } => (None, at.xy().distance(centre) * sweep.abs()),
                _ => (
                    Some(Segment::Line {
                        a: at.xy(),
                        b: to.xy(),
                    }),
                    at.xy().distance(to.xy()),
                ),
            };
            let steps = (length / 0.25).ceil().max(1.0) as usize;
            for i in 0..=steps {
                let t = i as f64 / steps as f64;
                let p = match (*m, segment) {
                    (Move::Arc { centre, sweep, .. }, _) => {
                        centre + (at.xy() - centre).rotated(sweep * t)
                    }
                    (_, Some(s)) => s.at(t),
                    _ => at.xy(),
                };
                let z = at.z + (to.z - at.z) * t;
                let lo = |v: f64, o: f64| (((v - radius - o) / cell).floor().max(0.0)) as usize;
                for iy in lo(p.y, box_.0.y)..h.min(((p.y + radius - box_.0.y) / cell) as usize + 2)
                {
                    for ix in
                        lo(p.x, box_.0.x)..w.min(((p.x + radius - box_.0.x) / cell) as usize + 2)
                    {
                        let q = point(box_.0.x + ix as f64 * cell, box_.0.y + iy as f64 * cell);
                        if q.distance(p) <= radius - 1e-3 {
                            let k = iy * w + ix;
                            bite = bite.max(height[k] - z);
                            height[k] = height[k].min(z);
                        }
                    }
                }
            }
        }
        at = to;
    }
    bite
}

#[test]
fn rectangle_is_cleared_but_for_its_fillets() {
    // Calculated: w·h − (4−π)r², 100 × 60 with r 3.175 is 5991.346717.
    let work = clear_one(
        feature("p", FeatureKind::Pocket, rect(50.0, 50.0, 100.0, 60.0), 9.0),
        6.35,
    );
    assert_eq!(errors(&work), Vec::<String>::new());
    let moves = moves_of(&work, Operation::Clear);
    well_formed(&moves, 0.0);
    let area = swept_area(&moves, -9.0, 3.175).area();
    assert!((area - 5_991.346_717).abs() < 0.6, "{area}");
    // Every pass clears all of it.
    let z: std::collections::BTreeSet<i64> = moves
        .iter()
        .filter_map(|m| match m {
            Move::Line { to, .. } => Some((to.z * 1e6).round() as i64),
            _ => None,
        })
        .collect();
    assert!(
        z.contains(&-3_000_000) && z.contains(&-6_000_000) && z.contains(&-9_000_000),
        "{z:?}"
    );
    for pass in [-3.0, -6.0] {
        assert!((swept_area(&moves, pass, 3.175).area() - 5_991.346_717).abs() < 0.6);
    }
    let bite = greatest_bite(&moves, 3.175, (point(45.0, 45.0), point(155.0, 115.0)), 0.0);
    assert!(bite <= 3.0 + 1e-6, "{bite}");
}

#[test]
fn relief_areas_of_a_square_corner() {
    // Calculated: overcut of a dog-bone, both lobes, 0.570796 r²; of a T-bone 1.570796 r². Of four corners, with
    // the fillets' 0.214602 r² each taken as well, so that nothing of the rectangle stays.
    let r: f64 = 3.0;
    for (kind, factor) in [
        (ReliefKind::DogBone, 0.570_796),
        (ReliefKind::TBone, PI / 2.0),
    ] {
        let mut f = feature("m", FeatureKind::Mortise, rect(50.0, 50.0, 60.0, 30.0), 6.0);
        f.relief = Some(Relief {
            kind,
            ..Relief::default()
        });
        let work = clear_one(f, 2.0 * r);
        assert_eq!(errors(&work), Vec::<String>::new());
        let moves = moves_of(&work, Operation::Clear);
        let got = swept_area(&moves, -6.0, r).area();
        let want = 60.0 * 30.0 + 4.0 * factor * r * r;
        assert!((got - want).abs() < 0.3, "{kind:?}: {got} {want}");
        // The rectangle itself is clear to its corners.
        let rest = PolySet::from_contour(&rect(50.0, 50.0, 60.0, 30.0), 0.001)
            .difference(&swept_area(&moves, -6.0, r).offset(0.003));
        assert!(rest.area() < 1e-6, "{kind:?}: {}", rest.area());
    }
}

#[test]
fn relief_areas_at_60_and_120_degrees() {
    // A rhombus has two corners of 60° and two of 120°. Areas beyond its edges, calculated: dog-bone 1.228370 r²
    // and 0.181172 r²; T-bone r²((π−θ) + sin θ cos θ), 2.527408 r² and at 120° 0.614185 r². The band that the cutter sweeps on
    // its way into a corner sharper than a right angle is wider than the lobe's mouth, so that there the moves take more than the
    // disc: for the T-bone r²(π/2 + 2 cot θ) in all (calc), for the dog-bone the two wedges up to the band's sides.
    let r: f64 = 3.0;
    let side = 80.0;
    let h = side * (PI / 3.0).sin();
    let rhombus = || {
        Contour::polygon([
            point(60.0, 50.0),
            point(60.0 + side, 50.0),
            point(60.0 + side * 1.5, 50.0 + h),
            point(60.0 + side * 0.5, 50.0 + h),
        ])
    };
    let (theta, other) = (PI / 3.0, 2.0 * PI / 3.0);
    for kind in [ReliefKind::DogBone, ReliefKind::TBone] {
        let mut f = feature("m", FeatureKind::Pocket, rhombus(), 3.0);
        f.relief = Some(Relief {
            kind,
            ..Relief::default()
        });
        let work = clear_one(f, 2.0 * r);
        assert_eq!(errors(&work), Vec::<String>::new());
        let moves = moves_of(&work, Operation::Clear);
        let beyond =
            swept_area(&moves, -3.0, r).difference(&PolySet::from_contour(&rhombus(), 0.001));
        let dog = |t: f64| r * r * (PI - t - t.sin());
        let tee = |t: f64| r * r * (PI - t + t.sin() * t.cos());
        let want_disc = match kind {
            ReliefKind::DogBone => 2.0 * (dog(theta) + dog(other)),
            _ => 2.0 * (tee(theta) + tee(other)),
        };
        // Exactly: discs of the lobes beyond the edges, from the corners' own answers.
        let discs: Vec<Region> = work.variants[0].features[0]
            .corners
            .iter()
            .map(|c| match c.answer {
                CornerAnswer::Lobe { centre, radius, .. } => {
                    Region::inside(Contour::circle(centre, radius))
                }
                _ => panic!("no lobe"),
            })
            .collect();
        let disc_area = PolySet::from_regions(&discs, 0.0005)
            .difference(&PolySet::from_contour(&rhombus(), 0.0005))
            .area();
        assert!(
            (disc_area - want_disc).abs() < 0.05,
            "{kind:?}: discs {disc_area} {want_disc}"
        );
        let (a60, what) = match kind {
            // Wedges between the disc's half and the edge, up to where the band's side meets the edge: cross-checked here by
            // integrating: per side ∫ from t = r to r·cot φ of (r − t·tan φ) dt less the disc's part of it.
            ReliefKind::DogBone => {
                let phi = theta / 2.0;
                let steps = 200_000;
                let d = (r / phi.tan() - r) / f64::from(steps);
                let mut extra = 0.0;
                for i in 0..steps {
                    let t = r + (f64::from(i) + 0.5) * d;
                    let disc = (r * r - (t - r).powi(2)).max(0.0).sqrt();
                    extra += (r - disc.max(t * phi.tan())).max(0.0) * d;
                }
                (dog(theta) + 2.0 * extra, "dog-bone")
            }
            _ => (r * r * (PI / 2.0 + 2.0 / theta.tan()), "t-bone"),
        };
        let a120 = if kind == ReliefKind::DogBone {
            dog(other)
        } else {
            tee(other)
        };
        let want = 2.0 * (a60 + a120);
        assert!(
            (beyond.area() - want).abs() < 0.1,
            "{what}: {} {want}",
            beyond.area()
        );
        let rest = PolySet::from_contour(&rhombus(), 0.001)
            .difference(&swept_area(&moves, -3.0, r).offset(0.003));
        assert!(rest.area() < 1e-6, "{what}: {}", rest.area());
    }
}

#[test]
fn margin_reaches_beyond_the_corner() {
    let mut f = feature("m", FeatureKind::Mortise, rect(50.0, 50.0, 60.0, 30.0), 6.0);
    f.relief = Some(Relief::default());
    let work = run(
        documents(&[("e", mill(6.0))]),
        vec![variant(vec![f])],
        &ReliefSettings::default(),
        &PocketSettings::default(),
    );
    // A cutter worn by the margin on its radius still clears the corner (design section 6).
    let worn = swept_area(&moves_of(&work, Operation::Clear), -6.0, 2.9);
    for corner in [(50.0, 50.0), (110.0, 50.0), (110.0, 80.0), (50.0, 80.0)] {
        let near = PolySet::from_contour(&Contour::circle(point(corner.0, corner.1), 0.01), 0.0005);
        assert!(near.intersection(&worn).area() > 0.0, "{corner:?}");
    }
}

#[test]
fn slot_of_the_cutters_width_is_one_pass() {
    let slot = |width: f64| {
        let mut f = feature(
            "s",
            FeatureKind::Pocket,
            rect(40.0, 100.0, 80.0, width),
            6.0,
        );
        f.relief = Some(Relief {
            kind: ReliefKind::None,
            ..Relief::default()
        });
        f
    };
    for width in [5.995, 6.0, 6.008] {
        let work = clear_one(slot(width), 6.0);
        assert_eq!(errors(&work), Vec::<String>::new(), "{width}");
        let moves = moves_of(&work, Operation::Clear);
        well_formed(&moves, 0.0);
        let y = 100.0 + width / 2.0;
        for s in paths(&moves, 0.0) {
            assert!(
                (s.start().y - y).abs() < 0.006 && (s.end().y - y).abs() < 0.006,
                "{width} {s:?}"
            );
        }
        let floor = paths(&moves, -6.0);
        let length: f64 = floor.iter().map(Segment::length).sum();
        // One pass over the floor from end to end: r from each end wall.
        assert!((length - 74.0).abs() < 0.05, "{width}: {length}");
        let bite = greatest_bite(&moves, 3.0, (point(30.0, 90.0), point(130.0, 115.0)), 0.0);
        assert!(bite <= 3.0 + 1e-6, "{bite}");
    }
}

#[test]
fn slot_with_round_ends_and_arc_slot_are_one_pass() {
    let straight = {
        let q = 1.0;
        let v = |x: f64, y: f64, bulge: f64| Vertex {
            at: point(x, y),
            bulge,
        };
        Contour {
            vertices: vec![
                v(50.0, 97.0, 0.0),
                v(90.0, 97.0, q),
                v(90.0, 103.0, 0.0),
                v(50.0, 103.0, q),
            ],
            closed: true,
        }
    };
    let curved = {
        // About (100, 20), radii 57 and 63, over a right angle, with round ends.
        let c = point(100.0, 20.0);
        let u = Point::unit;
        let (a, b) = (PI / 4.0, 3.0 * PI / 4.0);
        let arc = (PI / 8.0).tan();
        let v = |p: Point, bulge: f64| Vertex { at: p, bulge };
        Contour {
            vertices: vec![
                v(c + u(a) * 63.0, arc),
                v(c + u(b) * 63.0, 1.0),
                v(c + u(b) * 57.0, -arc),
                v(c + u(a) * 57.0, 1.0),
            ],
            closed: true,
        }
    };
    for (shape, length) in [(straight, 40.0), (curved, 60.0 * PI / 2.0)] {
        let area = shape.area();
        let work = clear_one(feature("s", FeatureKind::Pocket, shape, 3.0), 6.0);
        assert_eq!(errors(&work), Vec::<String>::new());
        let moves = moves_of(&work, Operation::Clear);
        let floor: f64 = paths(&moves, -3.0).iter().map(Segment::length).sum();
        assert!((floor - length).abs() < 0.1, "{floor} {length}");
        // Calculated: a slot is 2rL + πr² for centres L apart.
        let swept = swept_area(&moves, -3.0, 3.0).area();
        assert!(
            (swept - area).abs() < 0.2 && (area - (6.0 * length + 9.0 * PI)).abs() < 0.01,
            "{swept} {area}"
        );
    }
}

#[test]
fn slot_narrower_than_the_cutter_is_named_with_its_place() {
    let work = clear_one(
        feature("s", FeatureKind::Pocket, rect(40.0, 100.0, 80.0, 6.0), 6.0),
        6.35,
    );
    let found = work
        .findings
        .iter()
        .find(|f| f.code == "cutter-too-large")
        .expect("an error");
    let at = found.at.unwrap();
    assert!(
        at.x > 40.0 && at.x < 120.0 && at.y > 100.0 && at.y < 106.0,
        "{at:?}"
    );
    assert!(
        found.message.contains("6.350 mm") && found.message.contains("480.00 mm²"),
        "{}",
        found.message
    );
    assert!(moves_of(&work, Operation::Clear).is_empty());
}

#[test]
fn neck_too_narrow_is_an_error_with_each_spot() {
    // Two rooms joined by a neck of 5 mm, and the whole named where it stays; hand work when the feature says so.
    let shape = Contour::polygon(
        [
            (50.0, 50.0),
            (80.0, 50.0),
            (80.0, 62.0),
            (100.0, 62.0),
            (100.0, 50.0),
            (130.0, 50.0),
            (130.0, 80.0),
            (100.0, 80.0),
            (100.0, 67.0),
            (80.0, 67.0),
            (80.0, 80.0),
            (50.0, 80.0),
        ]
        .map(|(x, y)| point(x, y)),
    );
    let mut f = feature("p", FeatureKind::Pocket, shape, 4.0);
    let work = clear_one(f.clone(), 6.0);
    let found = work
        .findings
        .iter()
        .find(|f| f.code == "unreachable")
        .unwrap_or_else(|| panic!("an error: {:#?}", work.findings));
    assert!(found.at.unwrap().distance(point(90.0, 64.5)) < 11.0);
    f.if_unreachable = IfUnreachable::Hand;
    let work = clear_one(f, 6.0);
    assert_eq!(errors(&work), Vec::<String>::new());
    let of_rest = |h: &&HandWork| h.what.starts_with("cut out the rest of pocket p");
    assert_eq!(work.hand_work.iter().filter(of_rest).count(), 1);
    // The smaller of two cutters reaches it.
    let mut f = feature("p", FeatureKind::Pocket, rect(50.0, 50.0, 60.0, 9.0), 4.0);
    f.relief = Some(Relief {
        kind: ReliefKind::None,
        ..Relief::default()
    });
    let work = run(
        documents(&[("e12", mill(12.0)), ("e8", mill(8.0)), ("e5", mill(5.0))]),
        vec![variant(vec![f])],
        &ReliefSettings::default(),
        &PocketSettings::default(),
    );
    assert_eq!(work.variants[0].features[0].cutter.as_deref(), Some("e8"));
}

#[test]
fn too_short_cutter_is_refused_with_both_figures() {
    let mut c = mill(6.0);
    c["cutting-length"] = json!(15);
    let f = feature("p", FeatureKind::Pocket, rect(50.0, 50.0, 60.0, 40.0), 16.0);
    let work = run(
        documents(&[("e", c)]),
        vec![variant(vec![f])],
        &ReliefSettings::default(),
        &PocketSettings::default(),
    );
    let found = work
        .findings
        .iter()
        .find(|f| f.code == "cutter-too-short")
        .expect("an error");
    assert!(
        found.message.contains("15.000 mm of cutting length")
            && found.message.contains("16.000 mm deep"),
        "{}",
        found.message
    );
}

#[test]
fn unknown_cutter_offers_the_nearest() {
    let mut f = feature("p", FeatureKind::Pocket, rect(50.0, 50.0, 60.0, 40.0), 6.0);
    f.cutter_wanted = Some("e-66".into());
    let work = run(
        documents(&[("e-6", mill(6.0)), ("drill", mill(9.0))]),
        vec![variant(vec![f])],
        &ReliefSettings::default(),
        &PocketSettings::default(),
    );
    let found = work
        .findings
        .iter()
        .find(|f| f.code == "unknown-name")
        .expect("an error");
    assert!(found.message.contains("\"e-6\""), "{}", found.message);
}

#[test]
fn island_stands() {
    let mut f = feature("p", FeatureKind::Pocket, rect(50.0, 50.0, 100.0, 60.0), 6.0);
    f.islands.push(rect(80.0, 65.0, 30.0, 20.0).reversed());
    let region = f.region();
    let work = clear_one(f, 6.0);
    assert_eq!(errors(&work), Vec::<String>::new());
    let moves = moves_of(&work, Operation::Clear);
    well_formed(&moves, 0.0);
    for s in paths(&moves, 0.0) {
        for i in 0..=20 {
            let p = s.at(f64::from(i) / 20.0);
            assert!(
                region.contains(p) && region.distance(p) > 3.0 - 0.015,
                "{p:?}"
            );
        }
    }
    let area = swept_area(&moves, -6.0, 3.0).area();
    let want = 6_000.0 - 600.0 - (4.0 - PI) * 9.0;
    assert!((area - want).abs() < 0.6, "{area} {want}");
    let bite = greatest_bite(&moves, 3.0, (point(45.0, 45.0), point(155.0, 115.0)), 0.0);
    assert!(bite <= 3.0 + 1e-6, "{bite}");
}

#[test]
fn recess_over_the_edge_runs_out_and_leaves_the_rest() {
    // A through housing, a stopped one that overruns by 2 mm, a rebate round a corner of the part, and an oblique housing.
    let cases = [
        rect(100.0, -2.0, 20.0, 204.0),
        rect(100.0, -2.0, 20.0, 80.0),
        rect(100.0, 0.0, 20.0, 80.0),
        rect(-1.0, -1.0, 302.0, 13.0),
        Contour::polygon([
            point(100.0, -5.0),
            point(130.0, -5.0),
            point(170.0, 205.0),
            point(140.0, 205.0),
        ]),
        Contour::polygon([
            point(100.0, 0.0),
            point(160.0, 0.0),
            point(140.0, 60.0),
            point(120.0, 60.0),
        ]),
    ];
    for (i, shape) in cases.into_iter().enumerate() {
        let mut f = feature("h", FeatureKind::Housing, shape.clone(), 6.0);
        f.relief = Some(Relief {
            kind: ReliefKind::None,
            ..Relief::default()
        });
        let work = clear_one(f.clone(), 6.0);
        assert_eq!(errors(&work), Vec::<String>::new(), "case {i}");
        let moves = moves_of(&work, Operation::Clear);
        well_formed(&moves, 0.0);
        let part = PolySet::from_contour(&rect(0.0, 0.0, 300.0, 200.0), 0.001);
        let shape = PolySet::from_contour(&shape, 0.001);
        let cut = swept_area(&moves, -6.0, 3.0);
        // Nothing of the part but the recess.
        let gouge = cut.intersection(&part).difference(&shape.offset(0.005));
        assert!(gouge.area() < 1e-3, "case {i}: {}", gouge.area());
        // All of it but fillets of 90 degrees at most at its stopped corners.
        let rest = shape.intersection(&part).difference(&cut.offset(0.003));
        let corners = work.variants[0].features[0].corners.len() as f64;
        assert!(
            rest.area() <= corners * 0.4 * 9.0 + 1e-3,
            "case {i}: {} with {corners} corners",
            rest.area()
        );
        // It goes beyond the edge by the radius and 1 mm where it leaves the part, and not far more; along the edge of a rebate it
        // overlaps the edge.
        let low = cut.bounds();
        let out = match i {
            3 => low.min.y < -0.1 && low.min.y > -4.0 && low.min.x < -6.9 && low.max.x > 306.8,
            _ => low.min.y < -3.9,
        };
        assert!(out, "case {i}: {low:?}");
        assert!(low.min.y > -9.0 && low.max.y < 209.0, "case {i}: {low:?}");
    }
}

#[test]
fn equal_passes_and_a_thin_last_one() {
    // Calculated: 19 at 3.175 is 6 of 3.166667.
    let p = crate::clearing::passes(0.0, -19.0, 3.175, false, None);
    assert_eq!(p.len(), 6);
    assert!((p[0] + 3.166_667).abs() < 1e-6);
    // The last through pass is at most 1.5 mm: common practice, no source.
    let p = crate::clearing::passes(0.0, -20.3, 3.0, true, None);
    let last = p[p.len() - 2] - p[p.len() - 1];
    assert!((last - 1.5).abs() < 1e-9 && p.windows(2).all(|w| w[0] - w[1] <= 3.0 + 1e-9));
}

#[test]
fn finishing_pass_takes_the_allowance() {
    let settings = PocketSettings {
        finish: true,
        ..PocketSettings::default()
    };
    let mut f = feature("p", FeatureKind::Pocket, rect(50.0, 50.0, 100.0, 60.0), 6.0);
    f.islands
        .push(Contour::circle(point(100.0, 80.0), 10.0).reversed());
    let work = run(
        documents(&[("e", mill(6.0))]),
        vec![variant(vec![f])],
        &ReliefSettings::default(),
        &settings,
    );
    assert_eq!(errors(&work), Vec::<String>::new());
    let rough = moves_of(&work, Operation::Clear);
    let finish = moves_of(&work, Operation::FinishWall);
    well_formed(&finish, 0.0);
    let want = 6_000.0 - PI * 100.0;
    let less = swept_area(&rough, -6.0, 3.0).area();
    assert!(less < want - 0.4 * 300.0, "{less}");
    let all: Vec<Move> = rough.iter().chain(&finish).copied().collect();
    let area = swept_area(&all, -6.0, 3.0).area();
    assert!((area - (want - (4.0 - PI) * 9.0)).abs() < 0.8, "{area}");
    // It climbs: the wall on the right, so the outer wall is run counter-clockwise and the arcs lead in from the cleared side.
    assert!(
        finish
            .iter()
            .any(|m| matches!(m, Move::Arc { sweep, .. } if (sweep - PI / 2.0).abs() < 1e-9))
    );
}

#[test]
fn hole_of_8_with_a_6_mm_cutter_is_a_slow_helix() {
    let mut f = feature(
        "h",
        FeatureKind::Hole,
        Contour::circle(point(60.0, 60.0), 4.0),
        9.0,
    );
    f.circle = Some((point(60.0, 60.0), 8.0));
    let work = clear_one(f, 6.0);
    assert_eq!(errors(&work), Vec::<String>::new());
    let step = &work.variants[0].steps[0];
    assert_eq!(step.operation, Operation::Drill);
    let moves = work.moves(&step.moves);
    well_formed(&moves, 0.0);
    // Calculated: the wall sees four times the centre's feed.
    for m in &moves {
        if let Move::Arc { feed, .. } = m {
            assert!((feed * 4.0 - step.feed).abs() < 1e-6);
        }
    }
    let area = swept_area(&moves, -9.0, 3.0).area();
    assert!((area - 16.0 * PI).abs() < 0.05, "{area}");
    assert!(work.findings.iter().any(|f| f.code == "no-drill"));
}

#[test]
fn holes_are_drilled_in_pecks_or_cleared() {
    let hole = |key: &str, x: f64, d: f64, depth: f64| {
        let mut f = feature(
            key,
            FeatureKind::Hole,
            Contour::circle(point(x, 60.0), d / 2.0),
            depth,
        );
        f.circle = Some((point(x, 60.0), d));
        f
    };
    let drill = json!({"kind": "drill", "number": 4, "diameter": 5.0, "cutting-length": 40, "max-rpm": 10000});
    let work = run(
        documents(&[("d5", drill), ("e6", mill(6.0))]),
        vec![variant(vec![
            hole("a", 30.0, 5.0, 20.3),
            hole("b", 60.0, 5.02, 4.0),
            hole("c", 120.0, 30.0, 6.0),
            hole("d", 200.0, 6.0, 6.0),
        ])],
        &ReliefSettings::default(),
        &PocketSettings::default(),
    );
    assert_eq!(errors(&work), Vec::<String>::new());
    let steps = &work.variants[0].steps;
    let moves = |i: usize| work.moves(&steps[i].moves);
    // Through: the point of 118° goes on by 2.5 / tan 59° = 1.502 mm (calc).
    match moves(0)[1] {
        Move::Hole {
            bottom,
            peck: Some(peck),
            retract,
            ..
        } => {
            assert!((bottom + 20.3 + 1.502).abs() < 1e-3, "{bottom}");
            assert!((0.5 * 5.0..=1.5 * 5.0).contains(&peck) && (retract - 2.0).abs() < 1e-9);
        }
        m => panic!("{m:?}"),
    }
    assert!(
        matches!(moves(1)[1], Move::Hole { peck: None, bottom, .. } if (bottom + 4.0).abs() < 1e-9)
    );
    assert_eq!(steps[0].cutter, "d5");
    assert!(steps[0].rpm < 5_000.0);
    assert_eq!(steps[2].cutter, "e6");
    let area = swept_area(&moves(2), -6.0, 3.0).area();
    assert!((area - 225.0 * PI).abs() < 0.3, "{area}");
    assert!(matches!(moves(3)[1], Move::Hole { .. }));
}

#[test]
fn holes_without_a_drill_are_milled() {
    let mut f = feature(
        "h",
        FeatureKind::Hole,
        Contour::circle(point(60.0, 60.0), 2.0),
        9.0,
    );
    f.circle = Some((point(60.0, 60.0), 4.0));
    let work = clear_one(f, 6.0);
    let found = work
        .findings
        .iter()
        .find(|f| f.code == "cutter-too-large")
        .expect("an error");
    assert_eq!(found.at, Some(point(60.0, 60.0)));
}

#[test]
fn fillets_that_stay_in_a_mortise_are_said() {
    let mut f = feature("m", FeatureKind::Mortise, rect(50.0, 50.0, 60.0, 30.0), 6.0);
    f.relief = Some(Relief {
        kind: ReliefKind::None,
        ..Relief::default()
    });
    let work = clear_one(f.clone(), 6.0);
    assert!(work.findings.iter().any(|f| f.code == "fillet-stays"));
    f.relief = Some(Relief {
        by_hand: true,
        ..Relief::default()
    });
    let work = clear_one(f, 6.0);
    assert!(
        work.hand_work[0]
            .what
            .starts_with("square 4 corners of mortise m"),
        "{:?}",
        work.hand_work
    );
}

#[test]
fn lobes_of_a_narrow_mortise_meet() {
    let work = clear_one(
        feature("m", FeatureKind::Mortise, rect(50.0, 50.0, 60.0, 10.0), 6.0),
        6.0,
    );
    assert!(work.findings.iter().any(|f| f.code == "lobes-meet"));
    // The ends, not the cheeks, take the lobes.
    for c in &work.variants[0].features[0].corners {
        match c.answer {
            CornerAnswer::Lobe {
                centre,
                dog_bone: false,
                ..
            } => {
                assert!(
                    (centre.y - 53.0).abs() < 1e-9 || (centre.y - 57.0).abs() < 1e-9,
                    "{centre:?}"
                );
                assert!((centre.x - 50.0).abs() < 1e-9 || (centre.x - 110.0).abs() < 1e-9);
            }
            _ => panic!("{c:?}"),
        }
    }
}

#[test]
fn lobe_that_breaks_out_is_found() {
    let work = clear_one(
        feature("m", FeatureKind::Mortise, rect(2.0, 50.0, 60.0, 30.0), 6.0),
        6.0,
    );
    assert_eq!(
        work.findings
            .iter()
            .filter(|f| f.code == "relief-breaks-out")
            .count(),
        2
    );
}

/// The shoulders of a tenon whose cheek is a lap: the lobes at the outline's corners run into the lap, which begins at the corners.
#[test]
fn a_lobe_at_a_lapped_shoulder_breaks_nothing() {
    let outline = Contour::polygon(
        [
            (0.0, 0.0),
            (100.0, 0.0),
            (100.0, 20.0),
            (140.0, 20.0),
            (140.0, 50.0),
            (100.0, 50.0),
            (100.0, 70.0),
            (0.0, 70.0),
        ]
        .map(|(x, y)| point(x, y)),
    );
    // The lap at the shoulders, and a groove behind a wall of 0.5 mm: lobes of 3 mm reach 0.88 mm (calculated).
    for (from, to, warned) in [(100.0, 145.0, 0), (92.0, 99.5, 2)] {
        let mut shoulders = feature("outline", FeatureKind::Outline, outline.clone(), 20.3);
        shoulders.relief = Some(Relief {
            kind: ReliefKind::DogBone,
            ..Relief::default()
        });
        let other = feature(
            "other",
            FeatureKind::Lap,
            rect(from, -5.0, to - from, 80.0),
            6.0,
        );
        let mut v = variant(vec![shoulders, other]);
        v.outline = outline.clone();
        v.dimensioned = false;
        let work = run(
            documents(&[("e", mill(6.0))]),
            vec![v],
            &ReliefSettings::default(),
            &PocketSettings::default(),
        );
        let found = work
            .findings
            .iter()
            .filter(|f| f.code == "relief-breaks-out");
        assert_eq!(found.count(), warned, "{:#?}", work.findings);
    }
}

#[test]
fn tenon_losses_of_practice() {
    // Calculated: a 30 mm tenon and a 6 mm cutter lose 36 % to T-bones in the tenon's edge, 11 % to dog-bones.
    let outline = Contour::polygon(
        [
            (0.0, 0.0),
            (100.0, 0.0),
            (100.0, 20.0),
            (140.0, 20.0),
            (140.0, 50.0),
            (100.0, 50.0),
            (100.0, 70.0),
            (0.0, 70.0),
        ]
        .map(|(x, y)| point(x, y)),
    );
    for (kind, percent, warned) in [
        (ReliefKind::TBone, "36 %", true),
        (ReliefKind::DogBone, "11 %", false),
    ] {
        let mut f = feature("outline", FeatureKind::Outline, outline.clone(), 20.3);
        f.relief = Some(Relief {
            kind,
            way: grainway_pipeline::doc::ReliefWay::IntoAlong,
            ..Relief::default()
        });
        let mut v = variant(vec![f]);
        v.outline = outline.clone();
        v.dimensioned = false;
        let settings = ReliefSettings {
            margin: grainway_pipeline::doc::Length::from_mm(0.0),
            most_loss: if warned { 0.2 } else { 0.1 },
            ..ReliefSettings::default()
        };
        let work = run(
            documents(&[("e", mill(6.0))]),
            vec![v],
            &settings,
            &PocketSettings::default(),
        );
        assert_eq!(work.variants[0].features[0].corners.len(), 2);
        let found = work
            .findings
            .iter()
            .find(|f| f.code == "tenon-weakened")
            .expect("a warning");
        assert!(found.message.contains(percent), "{}", found.message);
        let by_default = ReliefSettings {
            margin: settings.margin,
            ..ReliefSettings::default()
        };
        let again = run(
            work.documents.clone(),
            vec![work.variants[0].clone()],
            &by_default,
            &PocketSettings::default(),
        );
        assert_eq!(
            again.findings.iter().any(|f| f.code == "tenon-weakened"),
            warned
        );
    }
}

#[test]
fn down_cut_in_a_deep_mortise_is_warned_of() {
    let mut c = mill(6.0);
    c["flutes"] = json!("down-cut");
    let f = feature(
        "m",
        FeatureKind::Mortise,
        rect(50.0, 50.0, 60.0, 30.0),
        15.0,
    );
    let work = run(
        documents(&[("e", c)]),
        vec![variant(vec![f])],
        &ReliefSettings::default(),
        &PocketSettings::default(),
    );
    assert!(work.findings.iter().any(|f| f.code == "deep-down-cut"));
}

#[test]
fn one_cutter_serves_where_it_can() {
    let mut narrow = feature("a", FeatureKind::Pocket, rect(50.0, 50.0, 60.0, 9.0), 4.0);
    narrow.relief = Some(Relief {
        kind: ReliefKind::None,
        ..Relief::default()
    });
    let wide = feature("b", FeatureKind::Pocket, rect(50.0, 80.0, 60.0, 60.0), 4.0);
    let work = run(
        documents(&[("e12", mill(12.0)), ("e8", mill(8.0)), ("e3", mill(3.0))]),
        vec![variant(vec![narrow, wide])],
        &ReliefSettings::default(),
        &PocketSettings::default(),
    );
    let used: Vec<_> = work.variants[0]
        .features
        .iter()
        .map(|f| f.cutter.clone().unwrap())
        .collect();
    assert_eq!(used, ["e8", "e8"]);
}

/// A small generator with a printed seed, so that a failure can be replayed.
struct Seeded(u64);
impl Seeded {
    fn next(&mut self) -> f64 {
        self.0 = self
            .0
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        ((self.0 >> 33) as f64) / f64::from(1u32 << 31)
    }
}

/// A star-shaped contour with lines and arcs.
fn blob(random: &mut Seeded, centre: Point, size: f64) -> Contour {
    let n = 5 + (random.next() * 7.0) as usize;
    let vertices = (0..n)
        .map(|i| {
            let a = 2.0 * PI * (i as f64 + 0.6 * random.next()) / n as f64;
            let r = size * (0.45 + 0.55 * random.next());
            Vertex {
                at: centre + Point::unit(a) * r,
                bulge: if random.next() < 0.5 {
                    0.0
                } else {
                    0.5 * (random.next() - 0.5)
                },
            }
        })
        .collect();
    Contour {
        vertices,
        closed: true,
    }
}

#[test]
fn random_regions_are_cleared_to_their_opening_and_no_further() {
    let radius = 3.0;
    for seed in 1..=40_u64 {
        let mut random = Seeded(seed);
        let shape = blob(&mut random, point(150.0, 100.0), 35.0).oriented(true);
        if grainway_geom::self_crossing(&shape).is_some() {
            continue;
        }
        let mut f = feature("p", FeatureKind::Pocket, shape, 3.0);
        if random.next() < 0.5 {
            f.islands
                .push(Contour::circle(point(150.0, 100.0), 3.0 + 4.0 * random.next()).reversed());
        }
        f.relief = Some(Relief {
            kind: ReliefKind::None,
            ..Relief::default()
        });
        // What stays is not the question here.
        f.if_unreachable = IfUnreachable::Hand;
        let region = f.region();
        let work = clear_one(f, 2.0 * radius);
        let moves = moves_of(&work, Operation::Clear);
        if moves.is_empty() {
            continue;
        }
        well_formed(&moves, 0.0);
        let every = paths(&moves, 0.6);
        let floor = paths(&moves, -3.0);
        for s in &every {
            for i in 0..=8 {
                let p = s.at(f64::from(i) / 8.0);
                assert!(
                    region.contains(p) && region.distance(p) >= radius - 0.02,
                    "seed {seed}: {p:?} {}",
                    region.distance(p)
                );
            }
        }
        // A point within the radius of a place where the centre has room is in the opening, by its definition.
        let bounds = region.bounds();
        let mut asked = 0;
        while asked < 400 {
            let q = point(
                bounds.min.x + random.next() * bounds.width(),
                bounds.min.y + random.next() * bounds.height(),
            );
            asked += 1;
            if !region.contains(q) || region.distance(q) < radius + 0.01 {
                continue;
            }
            let p = q + Point::unit(2.0 * PI * random.next()) * (radius * random.next().sqrt());
            let d = floor
                .iter()
                .map(|s| s.distance(p))
                .fold(f64::INFINITY, f64::min);
            assert!(
                d <= radius + 0.02,
                "seed {seed}: {p:?} stays, {d} from the path"
            );
        }
    }
}

#[test]
fn same_work_with_any_number_of_threads() {
    let variants = || -> Vec<Variant> {
        (0..6)
            .map(|i| {
                let mut random = Seeded(100 + i);
                let mut v = variant(vec![feature(
                    "p",
                    FeatureKind::Pocket,
                    blob(&mut random, point(150.0, 100.0), 35.0),
                    6.0,
                )]);
                v.id = format!("v{i}");
                v.features[0].if_unreachable = IfUnreachable::Hand;
                v
            })
            .collect()
    };
    let with = |threads: usize| {
        let pool = rayon::ThreadPoolBuilder::new()
            .num_threads(threads)
            .build()
            .unwrap();
        pool.install(|| {
            run(
                documents(&[("e", mill(6.0))]),
                variants(),
                &ReliefSettings::default(),
                &PocketSettings::default(),
            )
        })
    };
    let one = with(1);
    for threads in [2, 7] {
        assert_eq!(one, with(threads));
    }
}

#[test]
fn compression_cutter_starts_below_its_tip_or_says_so() {
    // A compression cutter's first pass must be deeper than its up-cut length: common practice, no source.
    let with = |tip: f64, depth: f64| {
        let mut c = mill(6.0);
        c["flutes"] = json!("compression");
        c["up-cut-length"] = json!(tip);
        let f = feature(
            "p",
            FeatureKind::Pocket,
            rect(50.0, 50.0, 60.0, 40.0),
            depth,
        );
        run(
            documents(&[("e", c)]),
            vec![variant(vec![f])],
            &ReliefSettings::default(),
            &PocketSettings::default(),
        )
    };
    let work = with(4.0, 12.0);
    assert!(!work.findings.iter().any(|f| f.code == "compression-tip"));
    let moves = moves_of(&work, Operation::Clear);
    let whole = 60.0 * 40.0 - (4.0 - PI) * 9.0;
    assert!((swept_area(&moves, -4.5, 3.0).area() - whole).abs() < 0.6);
    // Nothing is cut to a floor between the face and that pass: a level piece of path lies at 4.5 mm or below.
    let mut at = point(0.0, 0.0).at_z(SAFE_Z);
    let highest_level = moves.iter().fold(f64::NEG_INFINITY, |high, m| {
        let to = m.end(at);
        let cuts = matches!(m, Move::Line { .. } | Move::Arc { .. }) && to.z < 0.0;
        let level = cuts && (at.z - to.z).abs() < 1e-9;
        at = to;
        if level { high.max(to.z) } else { high }
    });
    assert!((highest_level + 4.5).abs() < 1e-6, "{highest_level}");
    for (tip, depth) in [(8.0, 12.0), (4.0, 3.0)] {
        let work = with(tip, depth);
        assert!(
            work.findings.iter().any(|f| f.code == "compression-tip"),
            "{tip} {depth}"
        );
    }
}

#[test]
fn corners_of_a_large_cutter_are_cleared_by_a_small_one_and_nothing_else() {
    let f = feature("p", FeatureKind::Pocket, rect(50.0, 50.0, 60.0, 40.0), 6.0);
    let work = run(
        documents(&[("e12", mill(12.0)), ("e6", mill(6.0))]),
        vec![variant(vec![f])],
        &ReliefSettings::default(),
        &PocketSettings::default(),
    );
    assert_eq!(errors(&work), Vec::<String>::new());
    assert!(work.hand_work.is_empty(), "{:?}", work.hand_work);
    let (large, small) = (
        moves_of(&work, Operation::Clear),
        moves_of(&work, Operation::Rest),
    );
    well_formed(&small, 0.0);
    let cleared = swept_area(&large, -6.0, 6.0);
    let rest = swept_area(&small, -6.0, 3.0);
    // w·h − (4 − π)r², of the large cutter alone and of both.
    let left = |r: f64| 2_400.0 - (4.0 - PI) * r * r;
    let whole = PolySet::from_contour(&rect(50.0, 50.0, 60.0, 40.0), 0.001);
    assert!((cleared.area() - left(6.0)).abs() < 0.3);
    let both = cleared.union(&rest);
    assert!((both.area() - left(3.0)).abs() < 0.3, "{}", both.area());
    assert!(rest.difference(&whole.offset(0.003)).area() < 1e-6);
    // The small cutter stays in the corners: far less than the whole pocket is run over again.
    assert!(rest.area() < 0.25 * 2_400.0, "{}", rest.area());
    // It goes straight down only where the large one has been.
    let mut at = point(0.0, 0.0).at_z(SAFE_Z);
    let mut down = 0;
    for m in &small {
        let to = m.end(at);
        if !matches!(m, Move::Rapid { .. }) && at.xy().distance(to.xy()) < 1e-9 && to.z < at.z {
            let disc = PolySet::from_contour(&Contour::circle(to.xy(), 3.0), 0.001);
            assert!(
                disc.difference(&cleared.offset(0.003)).area() < 1e-6,
                "{to:?}"
            );
            down += 1;
        }
        at = to;
    }
    // Four corners, two passes each.
    assert_eq!(down, 8);
}

#[test]
fn a_corner_left_by_word_is_hand_work_and_gets_no_other_cutter() {
    let mut f = feature("p", FeatureKind::Pocket, rect(50.0, 50.0, 60.0, 40.0), 6.0);
    f.relief = Some(Relief {
        kind: ReliefKind::None,
        ..Relief::default()
    });
    let work = run(
        documents(&[("e12", mill(12.0)), ("e6", mill(6.0))]),
        vec![variant(vec![f])],
        &ReliefSettings::default(),
        &PocketSettings::default(),
    );
    assert!(moves_of(&work, Operation::Rest).is_empty());
    assert_eq!(work.hand_work.len(), 1, "{:?}", work.hand_work);
    assert!(
        work.hand_work[0]
            .what
            .starts_with("square 4 corners of pocket p")
    );
    assert!(work.hand_work[0].why.contains("6.00 mm"));
}

#[test]
fn a_rest_cutter_must_reach_the_depth() {
    let mut short = mill(6.0);
    short["cutting-length"] = json!(5);
    let f = feature("p", FeatureKind::Pocket, rect(50.0, 50.0, 60.0, 40.0), 6.0);
    let work = run(
        documents(&[("e12", mill(12.0)), ("e6", short)]),
        vec![variant(vec![f])],
        &ReliefSettings::default(),
        &PocketSettings::default(),
    );
    assert!(moves_of(&work, Operation::Rest).is_empty());
    assert_eq!(work.hand_work.len(), 1, "{:?}", work.hand_work);
}

#[test]
fn half_discs_of_every_size_leave_fillets_that_are_no_refusal() {
    for big in [7.0, 8.0, 12.0, 20.0, 50.0] {
        let chord = [point(150.0 - big, 60.0), point(150.0 + big, 60.0)];
        let shape = Contour {
            vertices: vec![
                Vertex {
                    at: chord[0],
                    bulge: 0.0,
                },
                Vertex {
                    at: chord[1],
                    bulge: 1.0,
                },
            ],
            closed: true,
        };
        let work = clear_one(feature("d", FeatureKind::Pocket, shape, 4.0), 6.0);
        assert_eq!(errors(&work), Vec::<String>::new(), "radius {big}");
        assert_eq!(work.hand_work.len(), 1, "{:?}", work.hand_work);
    }
}

#[test]
fn an_island_on_the_wall_belongs_to_the_wall() {
    let mut f = feature("p", FeatureKind::Pocket, rect(50.0, 50.0, 100.0, 60.0), 4.0);
    f.islands = vec![rect(50.0, 70.0, 20.0, 20.0).oriented(false)];
    let work = clear_one(f.clone(), 6.0);
    assert_eq!(errors(&work), Vec::<String>::new());
    let area = swept_area(&moves_of(&work, Operation::Clear), -4.0, 3.0).area();
    // Six inside corners: four of the pocket, two beside the island.
    let want = 6_000.0 - 400.0 - 6.0 * (1.0 - PI / 4.0) * 9.0;
    assert!((area - want).abs() < 0.6, "{area} {want}");
    // One that reaches across makes two rooms.
    f.islands = vec![rect(90.0, 50.0, 20.0, 60.0).oriented(false)];
    let work = clear_one(f, 6.0);
    assert_eq!(errors(&work), Vec::<String>::new());
    let area = swept_area(&moves_of(&work, Operation::Clear), -4.0, 3.0).area();
    let want = 4_800.0 - 8.0 * (1.0 - PI / 4.0) * 9.0;
    assert!((area - want).abs() < 0.6, "{area} {want}");
}
