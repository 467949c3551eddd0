//! What hinges, locks and keeps ask for in their parts.

use super::halves::{Cut, Half, Mates, feature, half, walls};
use grainway_geom::{Bounds, Point, point};
use grainway_pipeline::doc::{
    AcrossShape, CircleShape, CirclesShape, CleatJoint, Depth, FeatureKind, FittedPart,
    FittingScrews, HingeJoint, HingedPart, JointDoc, Length, LockJoint, LongWay, RectangleShape,
    Shape, Side, SlotShape,
};
use grainway_pipeline::work::Wall;

/// The halves of a hinge: a recess for a leaf that lies in one, and pilots.
pub(super) fn hinge<'d>(
    joint: &JointDoc,
    j: &'d HingeJoint,
    mates: &Mates<'_>,
) -> Option<Vec<Half<'d>>> {
    let leaf = &j.leaf;
    let recessed = j.recessed.both();
    // Both leaves and what lies between them come to be as thick as the closed hinge; what is not gap is let in.
    let let_in = match j.gap {
        None => leaf.thickness.mm(),
        Some(gap) => {
            let all = leaf.closed_mm() - gap.mm();
            if recessed == [true; 2] {
                all / 2.0
            } else {
                all
            }
        }
    };
    let mut halves = Vec::new();
    for (of, recessed) in [(&j.first, recessed[0]), (&j.second, recessed[1])] {
        let seat = if recessed { let_in.max(0.0) } else { 0.0 };
        let whole = match of.side.is_flat() {
            true => mates.wide(&of.part)?,
            false => mates.thick(&of.part)?,
        };
        let low = of.is_low()?;
        // Across, from the side that the knuckle stands before.
        let place = |across: f64| {
            let from_front = across - leaf.stands_out_mm();
            if low { from_front } else { whole - from_front }
        };
        if seat > 0.0 {
            let stop = Length::from_mm(place(leaf.width.mm()));
            let mut recess = leaf_recess(joint, of, leaf.length, (low, stop), seat);
            recess.mating.corner = leaf.corner.mm();
            if let Cut::New(doc) = &mut recess.cut {
                doc.relief.clone_from(&j.relief);
            }
            halves.push(recess);
        }
        if let Some(screws) = &leaf.screws {
            let mut at = Vec::new();
            for [along, across] in &screws.at {
                let x = of.at.mm();
                let off = along.mm().abs();
                at.push(point(x - off, place(across.mm())));
                if off > 0.0 {
                    at.push(point(x + off, place(across.mm())));
                }
            }
            halves.push(pilots(joint, (&of.part, of.side), screws, at, seat));
        }
    }
    Some(halves)
}

fn leaf_recess<'d>(
    joint: &JointDoc,
    of: &'d HingedPart,
    length: Length,
    (low, stop): (bool, Length),
    depth: f64,
) -> Half<'d> {
    let shape = Shape::Across(AcrossShape {
        at: of.at,
        width: length,
        from: (!low).then_some(stop),
        to: low.then_some(stop),
    });
    let ends = match low {
        true => [Wall::Open, Wall::Bottom],
        false => [Wall::Bottom, Wall::Open],
    };
    let depth = Some(Depth::Below(Length::from_mm(depth)));
    let doc = feature(joint, FeatureKind::Pocket, of.side, shape, depth);
    let walls = walls(false, [Wall::Cheek; 2], ends);
    let long = length.mm();
    half(joint, &of.part, doc, walls, (long, long), 0.0)
}

/// The halves of a lock and of its keep.
pub(super) fn lock<'d>(joint: &JointDoc, j: &'d LockJoint) -> Vec<Half<'d>> {
    let mut halves = Vec::new();
    for of in [&j.lock, &j.keep] {
        let plate = &of.plate;
        let middle = point(of.at[0].mm(), of.at[1].mm());
        let mut recess = plate_recess(joint, of, middle, plate.width);
        recess.mating.corner = plate.corner.mm();
        if let Cut::New(doc) = &mut recess.cut {
            doc.relief.clone_from(&j.relief);
        }
        halves.push(recess);
        if let Some(body) = &of.body {
            let aside = along(of, body.offset.mm(), 0.0);
            let size = [body.length, body.width];
            let shape = centred(of, middle + aside, size);
            let depth = Some(Depth::Below(body.depth));
            let mut doc = feature(joint, FeatureKind::Mortise, of.side, shape, depth);
            doc.id = Some(format!("{}.body", joint.id));
            let walls = walls(of.lies == LongWay::Along, [Wall::Cheek; 2], [Wall::End; 2]);
            let wide = body.width.mm();
            halves.push(half(joint, &of.part, doc, walls, (wide, wide), 1.0));
        }
        if let Some(screws) = &of.screws {
            let place = |[x, y]: &[Length; 2]| middle + along(of, x.mm(), y.mm());
            let at = screws.at.iter().map(place).collect();
            let side = (of.part.as_str(), of.side);
            halves.push(pilots(joint, side, screws, at, plate.thickness.mm()));
        }
    }
    halves
}

fn plate_recess<'d>(
    joint: &JointDoc,
    of: &'d FittedPart,
    middle: Point,
    width: Length,
) -> Half<'d> {
    let plate = &of.plate;
    let shape = centred(of, middle, [plate.length, plate.width]);
    let depth = Some(Depth::Below(plate.thickness));
    let doc = feature(joint, FeatureKind::Pocket, of.side, shape, depth);
    let walls = walls(
        of.lies == LongWay::Along,
        [Wall::Cheek; 2],
        [Wall::Bottom; 2],
    );
    half(joint, &of.part, doc, walls, (width.mm(), width.mm()), 0.0)
}

/// So far along the plate and across it.
fn along(of: &FittedPart, long: f64, short: f64) -> Point {
    match of.lies {
        LongWay::Along => point(long, short),
        LongWay::Across => point(short, long),
    }
}

/// As long and as wide as this, about a middle.
fn centred(of: &FittedPart, middle: Point, [long, short]: [Length; 2]) -> Shape {
    let half = along(of, long.mm() / 2.0, short.mm() / 2.0);
    let b = Bounds::of([middle - half, middle + half]);
    Shape::Rectangle(RectangleShape {
        at: [b.min.x, b.min.y].map(Length::from_mm),
        size: [b.width(), b.height()].map(Length::from_mm),
        corner: Length::from_mm(0.0),
        angle: 0.0,
    })
}

/// The halves of a cleat: its round hole, its slots, counterbores over all of them, and the pilots in its mate.
pub(super) fn cleat<'d>(
    joint: &JointDoc,
    j: &'d CleatJoint,
    mates: &Mates<'_>,
) -> Option<Vec<Half<'d>>> {
    let (of, screws) = (&j.cleat, &j.screws);
    let middle = Length::from_mm(mates.wide(&of.part)? / 2.0);
    let mut halves = Vec::new();
    let mut add = |name: String, x: Length, travel: f64, slot: bool| {
        for (over, wide, depth) in [
            ("", screws.clearance, Depth::Through),
            (".head", screws.head, Depth::Below(screws.sunk)),
        ] {
            let kind = if slot {
                FeatureKind::Pocket
            } else {
                FeatureKind::Hole
            };
            let end = |by: f64| [Length::from_mm(x.mm() + by), middle];
            let shape = match travel > 0.0 {
                true => Shape::Slot(SlotShape {
                    from: end(-travel),
                    to: end(travel),
                    width: wide,
                }),
                false => Shape::Circle(CircleShape {
                    at: [x, middle],
                    diameter: wide,
                }),
            };
            let mut doc = feature(joint, kind, of.side, shape, Some(depth));
            doc.id = Some(format!("{}{over}.{name}", joint.id));
            let mut one = half(joint, &of.part, doc, [Wall::Open; 4], (0.0, 0.0), 0.0);
            if slot && of.travel.is_none() {
                let apart = (x.mm() - of.fixed.mm()).abs();
                one.mating.slides = Some((apart, j.onto.part.clone()));
            }
            halves.push(one);
        }
    };
    add("fixed".to_string(), of.fixed, 0.0, false);
    for (i, x) in of.slots.iter().enumerate() {
        let travel = of.travel.map_or(0.0, |t| t.mm());
        add(format!("slot-{}", i + 1), *x, travel, true);
    }
    let [x, y] = j.onto.at.map(|l| l.mm());
    let mut at = vec![point(x, y)];
    at.extend(
        of.slots
            .iter()
            .map(|s| point(x, y + s.mm() - of.fixed.mm())),
    );
    let pilot = FittingScrews {
        pilot: screws.pilot,
        depth: screws.pilot_depth,
        at: Vec::new(),
    };
    let onto = (j.onto.part.as_str(), j.onto.side);
    halves.push(pilots(joint, onto, &pilot, at, 0.0));
    Some(halves)
}

/// Pilots for hardware whose seat is so deep, mm.
fn pilots<'d>(
    joint: &JointDoc,
    (part, side): (&'d str, Side),
    screws: &FittingScrews,
    at: Vec<Point>,
    seat: f64,
) -> Half<'d> {
    let shape = Shape::Circles(CirclesShape {
        at: at
            .into_iter()
            .map(|p| [Length::from_mm(p.x), Length::from_mm(p.y)])
            .collect(),
        diameter: screws.pilot,
    });
    let depth = Some(Depth::Below(Length::from_mm(seat + screws.depth.mm())));
    let mut doc = feature(joint, FeatureKind::Hole, side, shape, depth);
    doc.id = Some(format!("{}.screw", joint.id));
    half(joint, part, doc, [Wall::Open; 4], (0.0, 0.0), 0.0)
}
