//! Recesses, mortises and pilots for hinges, locks and keeps.

use super::{Asked, Asking, CHEEKS_ACROSS, CHEEKS_ALONG};
use grainway_geom::{Point, point};
use grainway_pipeline::doc::{
    AcrossShape, CircleShape, CirclesShape, CleatJoint, Depth, FeatureKind, FittedPart,
    FittingScrews, HingeJoint, HingedPart, Length, LockJoint, LongWay, Pointer, RectangleShape,
    Relief, Shape, Side, SlotShape,
};
use grainway_pipeline::work::{Mating, Part, Wall};

impl Asking<'_, '_> {
    /// The recesses of a hinge's leaves, and the pilots of their screws.
    pub(super) fn hinged(&self, j: &HingeJoint, parts: [&Part; 2], here: &[Pointer]) -> Vec<Asked> {
        let recessed = j.recessed.both();
        let shared = recessed.iter().filter(|r| **r).count().max(1) as f64;
        let depth = match j.gap {
            Some(gap) => (j.leaf.closed_mm() - gap.mm()) / shared,
            None => j.leaf.thickness.mm(),
        };
        let leaves = [&j.first, &j.second].into_iter().zip(parts);
        let mut asked = Vec::new();
        for (i, (of, part)) in leaves.enumerate() {
            let Some(low) = of.is_low() else { continue };
            let front = if low { 0.0 } else { self.extent(part, of.side) };
            let inwards = if low { 1.0 } else { -1.0 };
            let from_axis = |across: f64| front + inwards * (across - j.leaf.stands_out_mm());
            let depth = if recessed[i] { depth } else { 0.0 };
            if depth > 0.0 {
                asked.push(self.leaf(j, of, (low, from_axis(j.leaf.width.mm())), depth, &here[i]));
            }
            if let Some(screws) = &j.leaf.screws {
                let mut at = Vec::new();
                for [along, across] in screws.at.iter().map(|p| p.map(|l| l.mm())) {
                    let y = from_axis(across);
                    let both = [-along.abs(), along.abs()];
                    let count = if along == 0.0 { 1 } else { 2 };
                    at.extend(both.iter().take(count).map(|x| point(of.at.mm() + x, y)));
                }
                let of = (of.part.as_str(), of.side);
                asked.push(self.pilots(of, screws, (at, depth), &here[i]));
            }
        }
        asked
    }

    /// The recess of a leaf, open towards the knuckle; its closed side lies at `edge`, mm.
    fn leaf(
        &self,
        j: &HingeJoint,
        of: &HingedPart,
        (low, edge): (bool, f64),
        depth: f64,
        pointer: &Pointer,
    ) -> Asked {
        let edge = Some(Length::from_mm(edge));
        let (from, to) = if low { (None, edge) } else { (edge, None) };
        let shape = Shape::Across(AcrossShape {
            at: of.at,
            width: j.leaf.length,
            from,
            to,
        });
        let (cheek, open) = (Wall::Cheek, Wall::Open);
        let walls = match low {
            true => [cheek, cheek, open, Wall::Bottom],
            false => [cheek, cheek, Wall::Bottom, open],
        };
        let made = (FeatureKind::Pocket, depth, j.relief.clone());
        let mating = self.fitting(walls, j.leaf.length.mm(), j.leaf.corner.mm());
        self.recess((&of.part, of.side), shape, made, mating, pointer)
    }

    /// Recesses, mortises and pilots of a lock and of its keep.
    pub(super) fn locked(&self, j: &LockJoint, here: &[Pointer]) -> Vec<Asked> {
        let both = [&j.lock, &j.keep].into_iter().zip(here);
        both.flat_map(|(of, at)| self.let_in(of, j.relief.as_ref(), at))
            .collect()
    }

    fn let_in(&self, of: &FittedPart, relief: Option<&Relief>, pointer: &Pointer) -> Vec<Asked> {
        let middle = point(of.at[0].mm(), of.at[1].mm());
        let turned = |along: f64, across: f64| match of.lies {
            LongWay::Along => point(along, across),
            LongWay::Across => point(across, along),
        };
        let plate = &of.plate;
        let (cheek, end) = (Wall::Cheek, Wall::Bottom);
        let (plate_walls, body_walls) = match of.lies {
            LongWay::Along => ([end, end, cheek, cheek], CHEEKS_ALONG),
            LongWay::Across => ([cheek, cheek, end, end], CHEEKS_ACROSS),
        };
        let place = (of.part.as_str(), of.side);
        let shape = rectangle(middle, turned(plate.length.mm(), plate.width.mm()));
        let made = (FeatureKind::Pocket, plate.thickness.mm(), relief.cloned());
        let mating = self.fitting(plate_walls, plate.width.mm(), plate.corner.mm());
        let mut asked = vec![self.recess(place, shape, made, mating, pointer)];
        if let Some(body) = &of.body {
            let middle = middle + turned(body.offset.mm(), 0.0);
            let shape = rectangle(middle, turned(body.length.mm(), body.width.mm()));
            let made = (FeatureKind::Mortise, body.depth.mm(), None);
            let mut mating = self.fitting(body_walls, body.width.mm(), 0.0);
            mating.glue = 1.0;
            let mut one = self.recess(place, shape, made, mating, pointer);
            one.rename(format!("{}.body", self.joint.id));
            asked.push(one);
        }
        if let Some(screws) = &of.screws {
            let at = screws.at.iter().map(|p| p.map(|l| l.mm()));
            let at = at.map(|[along, across]| middle + turned(along, across));
            let at = (at.collect(), plate.thickness.mm());
            asked.push(self.pilots(place, screws, at, pointer));
        }
        asked
    }

    /// The round hole and the slots of a cleat, with their counterbores, and the pilots under them.
    pub(super) fn cleated(&self, j: &CleatJoint, cleat: &Part, here: &[Pointer]) -> Vec<Asked> {
        let (of, screws) = (&j.cleat, &j.screws);
        let place = (of.part.as_str(), of.side);
        let middle = cleat.outline.bounds().height() / 2.0;
        let mut asked = Vec::new();
        let sizes = [
            ("", screws.clearance, Depth::Through),
            (".head", screws.head, Depth::Below(screws.sunk)),
        ];
        for (name, wide, depth) in sizes {
            let round = point(of.fixed.mm(), middle);
            let mut one = self.through_cleat(place, (round, 0.0), wide, depth, &here[0]);
            one.rename(format!("{}{name}.fixed", self.joint.id));
            asked.push(one);
            for (i, x) in of.slots.iter().enumerate() {
                let at = point(x.mm(), middle);
                let travel = of.travel.map_or(0.0, |t| t.mm());
                let mut one = self.through_cleat(place, (at, travel), wide, depth, &here[0]);
                one.rename(format!("{}{name}.slot-{}", self.joint.id, i + 1));
                if let super::What::Made(doc) = &mut one.what {
                    doc.kind = FeatureKind::Pocket;
                }
                if of.travel.is_none() {
                    let apart = (x.mm() - of.fixed.mm()).abs();
                    one.mating.slides = Some((apart, j.onto.part.clone()));
                }
                asked.push(one);
            }
        }
        let at = [of.fixed].into_iter().chain(of.slots.iter().copied());
        let [x, y] = j.onto.at.map(|l| l.mm());
        let at = at.map(|l| point(x, y + l.mm() - of.fixed.mm())).collect();
        let pilot = FittingScrews {
            pilot: screws.pilot,
            depth: screws.pilot_depth,
            at: Vec::new(),
        };
        let onto = (j.onto.part.as_str(), j.onto.side);
        asked.push(self.pilots(onto, &pilot, (at, 0.0), &here[1]));
        asked
    }

    /// A hole or a slot along the cleat, the middles of whose ends lie so far from its own, mm.
    fn through_cleat(
        &self,
        (part, side): (&str, Side),
        (at, travel): (Point, f64),
        wide: Length,
        depth: Depth,
        pointer: &Pointer,
    ) -> Asked {
        let length = |p: Point| [p.x, p.y].map(Length::from_mm);
        let shape = match travel > 0.0 {
            true => Shape::Slot(SlotShape {
                from: length(at - point(travel, 0.0)),
                to: length(at + point(travel, 0.0)),
                width: wide,
            }),
            false => Shape::Circle(CircleShape {
                at: length(at),
                diameter: wide,
            }),
        };
        let mut doc = self.doc(FeatureKind::Hole, side, shape);
        doc.depth = Some(depth);
        self.made_in(part, pointer, doc, self.fitting([Wall::Open; 4], 0.0, 0.0))
    }

    /// How far a side reaches across, in the frame in which its features are described, mm.
    fn extent(&self, part: &Part, side: Side) -> f64 {
        match side.is_flat() {
            true => part.outline.bounds().height(),
            false => self.readings(&part.stock).1,
        }
    }

    fn fitting(&self, walls: [Wall; 4], mate: f64, corner: f64) -> Mating {
        Mating {
            corner,
            ..self.mating(walls, (mate, mate), 0.0)
        }
    }

    fn recess(
        &self,
        (part, side): (&str, Side),
        shape: Shape,
        (kind, depth, relief): (FeatureKind, f64, Option<Relief>),
        mating: Mating,
        pointer: &Pointer,
    ) -> Asked {
        let mut doc = self.doc(kind, side, shape);
        doc.depth = Some(Depth::Below(Length::from_mm(depth)));
        doc.relief = relief;
        self.made_in(part, pointer, doc, mating)
    }

    /// Pilots at these places, for hardware that lies so deep, mm.
    fn pilots(
        &self,
        (part, side): (&str, Side),
        screws: &FittingScrews,
        (at, seat): (Vec<Point>, f64),
        pointer: &Pointer,
    ) -> Asked {
        let shape = Shape::Circles(CirclesShape {
            at: at
                .into_iter()
                .map(|p| [p.x, p.y].map(Length::from_mm))
                .collect(),
            diameter: screws.pilot,
        });
        let made = (FeatureKind::Hole, seat + screws.depth.mm(), None);
        let open = self.fitting([Wall::Open; 4], 0.0, 0.0);
        let mut pilots = self.recess((part, side), shape, made, open, pointer);
        pilots.rename(format!("{}.screw", self.joint.id));
        pilots
    }
}

impl Asked {
    fn rename(&mut self, id: String) {
        if let super::What::Made(doc) = &mut self.what {
            doc.id = Some(id);
        }
    }
}

/// A rectangle about a middle.
fn rectangle(middle: Point, size: Point) -> Shape {
    let low = middle - size * 0.5;
    Shape::Rectangle(RectangleShape {
        at: [low.x, low.y].map(Length::from_mm),
        size: [size.x, size.y].map(Length::from_mm),
        corner: Length::from_mm(0.0),
        angle: 0.0,
    })
}
