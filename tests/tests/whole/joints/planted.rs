//! Faults planted in what planning says of joints, and in the texts: none is released.

use crate::sabotage::{chain, tamper};
use grainway_geom::{Contour, point};
use grainway_pipeline::work::{CornerAnswer, SizedFeature, Work};
use grainway_tests::{Made, load, run, sample};

/// The part of a variant and the parts that it is joined with, made once each.
fn joined_with(work: &mut Work, variant: &str) {
    let part = variant.split('~').next().unwrap();
    let job = &mut work.documents.job;
    let joints = job.joints.iter().map(|j| j.joint.parts().map(|p| p.0));
    let of = joints.filter(|names| names.contains(&part)).flatten();
    job.only = of.map(|id| (id.to_string(), 1)).collect();
}

/// The sample's parts round a variant, made with one change after a stage.
fn altered(
    variant: &str,
    after: &'static str,
    change: impl Fn(&mut Work) + Send + Sync + 'static,
) -> Made {
    let stages = chain(vec![(after, tamper("change", change))]);
    let mut loaded = load(&sample("jointed-bench")).unwrap();
    joined_with(&mut loaded.work, variant);
    run(loaded, &stages, &grainway_dialects::built_in()).unwrap()
}

/// It is not released, and a finding of this code names it.
fn caught(what: &str, made: &Made, code: &str) {
    assert!(!made.ready(), "{what} is released");
    assert!(
        !made.with_code(code).is_empty(),
        "{what}: {:?}",
        made.errors()
    );
}

fn feature<'w>(work: &'w mut Work, variant: &str, key: &str) -> &'w mut SizedFeature {
    let variant = work.variants.iter_mut().find(|v| v.id == variant).unwrap();
    variant.features.iter_mut().find(|f| f.key == key).unwrap()
}

/// A feature of a joint with its sides moved outwards: left, right, near, far, mm.
fn resized(variant: &'static str, key: &'static str, by: [f64; 4]) -> Made {
    altered(variant, "fit", move |work| {
        let feature = feature(work, variant, key);
        let b = feature.shape.bounds();
        let low = b.min - point(by[0], by[2]);
        let high = b.max + point(by[1], by[3]);
        feature.shape = Contour::rectangle(low, high, 0.0);
    })
}

#[test]
fn sizes_outside_their_fit_are_caught() {
    let wanted = "verify-wanted";
    // The mortise of the rails lies along; its mean, not its thickest reading, is 0.025 mm less: 0.1 mm of room become 0.075.
    for (what, variant, key, by) in [
        (
            "the mean for the thickest",
            "end",
            "front-rail-in-end",
            [0.0, 0.0, -0.02, -0.02],
        ),
        (
            "cheeks too wide",
            "end",
            "front-rail-in-end",
            [0.0, 0.0, 0.1, 0.1],
        ),
        (
            "the sign of the room",
            "end",
            "seat-in-end",
            [-0.1, -0.1, 0.0, 0.0],
        ),
        (
            "a mate not in its middle",
            "end",
            "seat-in-end",
            [0.04, -0.04, 0.0, 0.0],
        ),
        (
            "the wrong side",
            "end",
            "front-rail-in-end",
            [0.1, 0.1, -0.1, -0.1],
        ),
        (
            "no room at an end",
            "end",
            "seat-in-end",
            [0.0, 0.0, -0.6, 0.0],
        ),
        (
            "a through mortise longer",
            "end",
            "seat-in-end",
            [0.0, 0.0, 0.5, 0.5],
        ),
        (
            "a housing past its stop",
            "tray",
            "tray-side-in-tray",
            [0.0, 0.0, 1.0, 0.0],
        ),
        (
            "a slot too deep",
            "slat",
            "slat-and-partition",
            [0.0, 0.0, 0.0, 0.5],
        ),
        (
            "a slot too shallow",
            "partition",
            "slat-and-partition",
            [0.0, 0.0, -0.5, 0.0],
        ),
        (
            "a rebate too wide",
            "tray",
            "lip-in-tray",
            [0.0, 0.0, 0.3, 0.0],
        ),
        (
            "a rebate too narrow",
            "tray",
            "lip-in-tray",
            [0.0, 0.0, -0.3, 0.0],
        ),
        (
            "a lap for another width",
            "runner",
            "brace-on-runner",
            [0.5, 0.5, 0.0, 0.0],
        ),
        (
            "a lap to the left",
            "brace~back",
            "brace-on-runner",
            [0.3, -0.3, 0.0, 0.0],
        ),
        (
            "the other fit",
            "tray-side",
            "bottom-in-side",
            [0.0, 0.0, -0.15, -0.15],
        ),
        (
            "a loose tenon aside",
            "left-stile~near",
            "cross-rail-on-stile",
            [1.0, -1.0, 0.0, 0.0],
        ),
        (
            "a loose tenon long",
            "cross-rail",
            "cross-rail-on-stile",
            [3.0, 3.0, 0.0, 0.0],
        ),
        (
            "one of two mortises beside its tenon",
            "end",
            "shelf-in-end.1",
            [0.0, 0.0, 1.0, -1.0],
        ),
        (
            "two mortises that run into one another",
            "end",
            "shelf-in-end.2",
            [0.0, 0.0, 40.0, 0.0],
        ),
        (
            "a mortise for the whole rail and not its thinner tenon",
            "left-stile",
            "bottom-rail-in-left-stile",
            [0.0, 0.0, 4.2, 4.2],
        ),
        (
            "no room for a haunch",
            "left-stile",
            "bottom-rail-in-left-stile.haunch",
            [-12.0, 0.0, 0.0, 0.0],
        ),
        (
            "a haunch at the other edge",
            "left-stile",
            "bottom-rail-in-left-stile.haunch",
            [-12.0, 12.0, 0.0, 0.0],
        ),
    ] {
        caught(what, &resized(variant, key, by), wanted);
    }
}

#[test]
fn depths_of_joints_are_caught() {
    for (what, variant, key, by) in [
        ("no room for glue", "end", "front-rail-in-end", 2.0),
        ("twice the glue", "end", "front-rail-in-end", -2.0),
        (
            "laps that do not lie flush",
            "runner",
            "brace-on-runner",
            0.5,
        ),
        (
            "a lap counted from the wrong face",
            "brace~back",
            "brace-on-runner",
            -1.0,
        ),
        ("a housing too shallow", "tray", "tray-side-in-tray", 1.0),
        ("a peg too deep", "right-stile~far", "pegs.1", -3.0),
        (
            "a haunch that stands on the floor",
            "left-stile",
            "bottom-rail-in-left-stile.haunch",
            3.0,
        ),
        (
            "a mortise as shallow as its haunch",
            "left-stile",
            "bottom-rail-in-left-stile",
            15.0,
        ),
        (
            "a tenon thicker than it says",
            "bottom-rail",
            "bottom-rail-in-left-stile.left-face",
            0.3,
        ),
        (
            "a shoulder on the back too deep",
            "arm~back",
            "arm-in-end.right-back",
            -0.5,
        ),
    ] {
        let made = altered(variant, "fit", move |work| {
            feature(work, variant, key).floor += by;
        });
        caught(what, &made, "verify-wanted");
    }
}

fn answered(
    variant: &'static str,
    key: &'static str,
    answer: impl Fn(&CornerAnswer) -> Option<CornerAnswer> + Send + Sync + 'static,
) -> Made {
    altered(variant, "relief", move |work| {
        for corner in &mut feature(work, variant, key).corners {
            if let Some(other) = answer(&corner.answer) {
                corner.answer = other;
            }
        }
    })
}

#[test]
fn corners_that_keep_a_joint_open_are_caught() {
    // The rest comes of itself once a corner is said to be covered: the joint is put together from what is cut.
    let to = |from: fn(&CornerAnswer) -> bool, to: CornerAnswer| {
        move |a: &CornerAnswer| from(a).then(|| to.clone())
    };
    let lobe = |a: &CornerAnswer| matches!(a, CornerAnswer::Lobe { .. });
    let by_hand = |a: &CornerAnswer| *a == CornerAnswer::ByHand;
    let covered = |a: &CornerAnswer| *a == CornerAnswer::Covered;
    let made = answered("seat", "outline", to(lobe, CornerAnswer::Covered));
    caught("a tenon that keeps its fillets", &made, "verify-joint");
    let made = answered("end", "seat-in-end", to(by_hand, CornerAnswer::Covered));
    caught("a through mortise with its fillets", &made, "verify-joint");
    let made = answered(
        "end",
        "front-rail-in-end",
        to(covered, CornerAnswer::Fillet),
    );
    caught("fillets that nobody is told of", &made, "verify-wanted");
    let made = answered("tray", "tray-side-in-tray", to(lobe, CornerAnswer::Covered));
    assert!(!made.ready());
}

/// A mortise that is not made longer for the fillets of its rail.
#[test]
fn a_tenon_that_stops_short_is_told() {
    let made = altered("end", "relief", |work| {
        let feature = feature(work, "end", "front-rail-in-end");
        let b = feature.shape.bounds();
        let out = point(3.0, 0.0);
        feature.shape = Contour::rectangle(b.min + out, b.max - out, 0.0);
        for corner in &mut feature.corners {
            let sign = if corner.at.x < b.centre().x {
                1.0
            } else {
                -1.0
            };
            corner.at = corner.at + out * sign;
        }
    });
    caught(
        "a mortise without room for the rail's fillets",
        &made,
        "verify-joint",
    );
    let told = made.with_code("verify-joint")[0].message.clone();
    assert!(
        told.contains("rail stops") && told.contains("short of end"),
        "{told}"
    );
}

/// A lobe into a cheek of a mortise.
#[test]
fn a_lobe_in_a_cheek_is_caught() {
    let made = altered("tray", "relief", |work| {
        for corner in &mut feature(work, "tray", "tray-side-in-tray").corners {
            if let CornerAnswer::Lobe {
                dog_bone,
                into_before,
                ..
            } = &mut corner.answer
            {
                *dog_bone = false;
                *into_before = !*into_before;
            }
        }
    });
    caught("a lobe in a cheek", &made, "verify-wanted");
}

/// A lobe in place of what was planned: into the end of a mortise, or into both edges at a tenon's root.
fn lobed(variant: &'static str, key: &'static str, dog_bone: bool) -> Made {
    const RADIUS: f64 = 3.0;
    altered(variant, "relief", move |work| {
        let feature = feature(work, variant, key);
        for corner in &mut feature.corners {
            let bisector = (corner.before + corner.after).normalized().unwrap();
            let from = corner.at + bisector * (RADIUS * 2.0_f64.sqrt());
            // The ends of this mortise run along its part.
            let into_before = corner.before.x.abs() > 0.5;
            let inwards = if into_before {
                corner.before
            } else {
                corner.after
            };
            let centre = match dog_bone {
                true => corner.at + bisector * RADIUS,
                false => corner.at + inwards * RADIUS,
            };
            corner.answer = CornerAnswer::Lobe {
                dog_bone,
                into_before: !dog_bone && into_before,
                centre,
                radius: RADIUS,
                from,
            };
        }
    })
}

/// Lobes on sides that are always seen.
#[test]
fn lobes_that_show_are_caught() {
    for (what, made) in [
        (
            "lobes where the seat comes out",
            lobed("end", "seat-in-end", false),
        ),
        (
            "lobes in the seat's shoulder",
            lobed("seat", "outline", true),
        ),
    ] {
        caught(what, &made, "verify-joint");
        let told = &made.with_code("verify-joint")[0].message;
        assert!(told.contains("open to the eye"), "{what}: {told}");
    }
}
