//! Pieces come to stand where their joints put them, and can be put together in the order that is told.

use super::fits::{job, shop};
use grainway_geom::{Point, point};
use grainway_pipeline::doc::{Depth, Side};
use grainway_pipeline::finding::code;
use grainway_pipeline::work::{Furniture, Part, Stood, Work};
use grainway_tests::{Made, load, make, sample};
use serde_json::{Value, json};

/// A frame of two long rails, two short ones and four legs, with the mortises above the middle of the legs.
fn frame(mirrored: u32, at: f64) -> Made {
    let (parts, joints) = parts_and_joints_of_frame(mirrored, at);
    job(parts, joints)
}

/// Its documents: the legs are the first part.
pub fn parts_and_joints_of_frame(mirrored: u32, at: f64) -> (Value, Value) {
    let rail = |id: &str, length: f64| json!({ "id": id, "count": 2, "stock": "board-19", "blank": { "length": length, "width": 80 } });
    let leg = json!({ "id": "leg", "count": 4 - mirrored, "mirrored": mirrored, "stock": "board-45",
        "blank": { "length": 400, "width": 45, "dimensioned": true } });
    // Tenons of two widths, so that no rail goes into the other's mortise.
    let joint = |id: &str, rail: &str, side: &str, width: f64| {
        json!({ "id": id, "joint": { "mortise-and-tenon": {
            "tenon": { "part": rail, "end": "both", "width": width, "length": 12 },
            "mortise": { "part": "leg", "side": side, "at": [at, 22.5], "lies": "along" } } } })
    };
    (
        json!([leg, rail("long", 500.0), rail("short", 300.0)]),
        json!([
            joint("long-in-leg", "long", "face", 60.0),
            joint("short-in-leg", "short", "near", 50.0)
        ]),
    )
}

fn apart(made: &Made) -> Vec<String> {
    let told = made.with_code(code::JOINTS_APART.word);
    told.iter().map(|f| f.message.clone()).collect()
}

fn near(a: f64, b: f64) -> bool {
    (a - b).abs() < 1e-6
}

/// The middle of a leg, in the furniture.
fn middle(leg: &Stood) -> [f64; 3] {
    leg.pose.place([200.0, 22.5, 22.5])
}

#[test]
fn four_legs_two_of_them_mirrored_stand_at_the_corners() {
    let made = frame(2, 330.0);
    assert_eq!(made.errors(), [""; 0]);
    assert_eq!(apart(&made), [""; 0]);
    let [one] = made.work.furniture.as_slice() else {
        panic!("{:#?}", made.work.furniture)
    };
    assert_eq!(one.pieces.len(), 8);
    let legs: Vec<&Stood> = one
        .pieces
        .iter()
        .filter(|p| p.part.starts_with("leg"))
        .collect();
    // From shoulder to shoulder 476 and 276 mm; a leg is 45 mm thick: middles 521 and 321 mm apart.
    let mut distances: Vec<f64> = legs
        .iter()
        .enumerate()
        .flat_map(|(i, a)| legs[i + 1..].iter().map(|b| (middle(a), middle(b))))
        .map(|(a, b)| (0..3).map(|i| (a[i] - b[i]).powi(2)).sum::<f64>().sqrt())
        .collect();
    distances.sort_by(f64::total_cmp);
    let diagonal = 521.0_f64.hypot(321.0);
    for (d, wanted) in distances
        .iter()
        .zip([321.0, 321.0, 521.0, 521.0, diagonal, diagonal])
    {
        assert!(near(*d, wanted), "{distances:?}");
    }
    // All legs stand the same way up.
    let up: Vec<[f64; 3]> = legs
        .iter()
        .map(|l| l.pose.direction([1.0, 0.0, 0.0]))
        .collect();
    assert!(
        up.iter().all(|u| (0..3).all(|i| near(u[i], up[0][i]))),
        "{up:?}"
    );
    nothing_overlaps(&made.work, one);
}

#[test]
fn legs_of_one_hand_alone_stand_opposite_ways_up() {
    let made = frame(0, 330.0);
    assert_eq!(made.errors(), [""; 0]);
    assert!(!apart(&made).is_empty());
    // In the middle of the leg the mortises are their own mirror image.
    assert_eq!(apart(&frame(0, 200.0)), [""; 0]);
}

/// A box of two sides and two rails.
fn between(lengths: [f64; 2]) -> Made {
    let rail = |id: &str, length: f64| json!({ "id": id, "stock": "board-19", "blank": { "length": length, "width": 80 } });
    let joint = |id: &str, rail: &str, x: f64| {
        json!({ "id": id, "joint": { "mortise-and-tenon": {
            "tenon": { "part": rail, "end": "both", "width": 50, "length": 19 },
            "mortise": { "part": "side", "at": [x, 100.0], "lies": "across" }, "through": true } } })
    };
    let side = json!({ "id": "side", "count": 2, "stock": "board-19", "blank": { "length": 400, "width": 200 } });
    job(
        json!([side, rail("upper", lengths[0]), rail("lower", lengths[1])]),
        json!([
            joint("upper-in-side", "upper", 300.0),
            joint("lower-in-side", "lower", 100.0)
        ]),
    )
}

#[test]
fn a_rail_that_is_too_long_is_told() {
    assert_eq!(apart(&between([500.0, 500.0])), [""; 0]);
    assert_eq!(apart(&between([500.0, 500.9])), [""; 0]);
    let told = apart(&between([500.0, 503.0]));
    assert!(
        told.iter()
            .any(|t| t.contains("lower") && t.contains("side")),
        "{told:?}"
    );
}

#[test]
fn the_last_side_goes_onto_both_rails_at_once() {
    let made = between([500.0, 500.0]);
    let [one] = made.work.furniture.as_slice() else {
        panic!("{:#?}", made.work.furniture)
    };
    let part = |i: usize| one.pieces[i].part.as_str();
    let last = one.steps.last().unwrap();
    let (alone, others) = match last.moved.len() {
        1 => (last.moved[0], &last.onto),
        _ => (last.onto[0], &last.moved),
    };
    assert_eq!(part(alone), "side", "{:#?}", one.steps);
    assert_eq!(others.len(), 2, "{:#?}", one.steps);
    assert_eq!(last.joints, ["lower-in-side", "upper-in-side"]);
    // Every piece but the first is brought to the others once.
    assert_eq!(one.steps.len(), 3);
    nothing_overlaps(&made.work, one);
}

#[test]
fn the_pieces_of_the_samples_find_their_mates() {
    for name in ["reading-bench", "jointed-bench"] {
        let made = make(load(&sample(name)).unwrap()).unwrap();
        assert_eq!(apart(&made), [""; 0], "{name}");
        assert_eq!(made.with_code(code::JOINTS_LOCKED.word).len(), 0, "{name}");
        assert!(!made.work.furniture.is_empty());
        for one in &made.work.furniture {
            assert!(!one.steps.is_empty(), "{name}");
            nothing_overlaps(&made.work, one);
        }
    }
}

#[test]
fn what_is_made_again_is_not_put_together() {
    let mut documents: Value =
        json!({ "format": "grainway.job/1", "name": "again", "shop": "s", "only": { "rail": 1 } });
    documents["parts"] = json!([
        { "id": "rail", "count": 2, "stock": "board-19", "blank": { "length": 500, "width": 80 } },
        { "id": "leg", "count": 4, "stock": "board-45", "blank": { "length": 400, "width": 45, "dimensioned": true } }
    ]);
    documents["joints"] = json!([{ "id": "rail-in-leg", "joint": { "mortise-and-tenon": {
        "tenon": { "part": "rail", "end": "both", "width": 60, "length": 20 },
        "mortise": { "part": "leg", "at": [300, 22.5], "lies": "along" } } } }]);
    let made = super::fits::job_in(&shop(), &documents);
    assert_eq!(made.errors(), [""; 0]);
    assert_eq!(apart(&made), [""; 0]);
    assert!(made.work.furniture.is_empty());
}

/// Wood stands at a place of a part in its own frame, `within` mm from its surfaces at least: its outline and the boxes of its features
/// are enough for that.
fn stands(work: &Work, part: &Part, [x, y, z]: [f64; 3], within: f64) -> bool {
    let thick = work.documents.stock(&part.stock).unwrap().readings_mm().0;
    let (long, wide) = (
        part.outline.bounds().width(),
        part.outline.bounds().height(),
    );
    let deep = |p: Point| part.outline.contains(p) && part.outline.distance(p) > within;
    if z < within || z > thick - within || !deep(point(x, y)) {
        return false;
    }
    !part.features.iter().any(|f| {
        let (p, below, whole) = match f.side {
            Side::Face => (point(x, y), thick - z, thick),
            Side::Back => (point(x, y), z, thick),
            Side::Near => (point(x, thick - z), y, wide),
            Side::Far => (point(x, thick - z), wide - y, wide),
            Side::LeftEnd => (point(y, thick - z), x, long),
            Side::RightEnd => (point(y, thick - z), long - x, long),
        };
        let depth = match (f.depth, f.left) {
            (Some(Depth::Below(d)), _) => d.mm(),
            (None, Some(left)) => whole - left,
            _ => whole,
        };
        f.shape.bounds().grown(within).contains(p) && below < depth + within
    })
}

/// No two pieces have wood in one place, a millimetre aside.
pub(crate) fn nothing_overlaps(work: &Work, furniture: &Furniture) {
    const STEP_MM: f64 = 3.7;
    let part = |s: &Stood| work.parts.iter().find(|p| p.id == s.part).unwrap();
    for (i, a) in furniture.pieces.iter().enumerate() {
        let own = part(a);
        let size = own.outline.bounds().max;
        let thick = work.documents.stock(&own.stock).unwrap().readings_mm().1;
        let steps =
            |length: f64| (0..(length / STEP_MM) as u32).map(|k| f64::from(k) * STEP_MM + 1.1);
        for b in &furniture.pieces[i + 1..] {
            let other = part(b);
            for x in steps(size.x) {
                for y in steps(size.y) {
                    for z in steps(thick) {
                        let here = [x, y, z];
                        let there = b.pose.inverse(a.pose.place(here));
                        let both = stands(work, own, here, 1.0) && stands(work, other, there, 1.0);
                        assert!(
                            !both,
                            "{} {} and {} {} at {here:?}",
                            a.part, a.number, b.part, b.number
                        );
                    }
                }
            }
        }
    }
}
