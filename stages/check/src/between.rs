//! Wood between what two sides lose. Every text was held against its own side, so what stands between the cuts of two sides follows from the
//! documents.

use super::wanted;
use grainway_geom::{Bounds, Contour, PolySet, Region, point};
use grainway_pipeline::doc::{Depth, FeatureKind, Side};
use grainway_pipeline::finding::{Finding, code};
use grainway_pipeline::tolerance::KERNEL_MM;
use grainway_pipeline::work::{Feature, Part, SizedFeature, Turn, Work};

/// Recesses that run into one another by less than this do so by rounding alone: mm, and mm² where areas are compared.
const SAME_MM: f64 = 1e-4;
/// Beyond every part, mm.
const FAR_MM: f64 = 1e6;

/// Recesses of face and back never cut into one another. Those of other sides may, as where two tenons meet in a leg, and the person is told.
pub(super) fn check(work: &Work, part: &Part) -> Vec<Finding> {
    let mut findings = face_and_back(work, part);
    findings.extend(untold(work, part));
    findings
}

/// Recesses of face and back that cut into one another.
fn face_and_back(work: &Work, part: &Part) -> Vec<Finding> {
    let Some(z) = work.documents.z_frame(&part.stock) else {
        return Vec::new();
    };
    let size = part.outline.bounds().max;
    let blind = |side| {
        let sized = wanted::sized(part, &work.documents, side, Turn::OverEdge);
        let all = sized.into_iter().flat_map(|s| s.features);
        all.filter(|f| !f.through && f.kind != FeatureKind::Engraving)
            .collect::<Vec<_>>()
    };
    let (face, back) = (blind(Side::Face), blind(Side::Back));
    let mut findings = Vec::new();
    for b in &back {
        let region = |f: &SizedFeature| PolySet::from_regions(&[f.region()], KERNEL_MM);
        // Seen from the face again.
        let behind = SizedFeature {
            shape: Turn::OverEdge.contour(&b.shape, size),
            islands: b
                .islands
                .iter()
                .map(|i| Turn::OverEdge.contour(i, size))
                .collect(),
            ..b.clone()
        };
        for f in face
            .iter()
            .filter(|f| z.between_floors(f.floor, b.floor) <= 0.0)
        {
            if region(f).intersection(&region(&behind)).area() > SAME_MM {
                let message = format!(
                    "{} in the face and {} in the back cut into one another.",
                    f.key, b.key
                );
                findings.push(
                    Finding::new(&code::VERIFY_PIECES, message)
                        .part(&part.id)
                        .feature(&b.key),
                );
            }
        }
    }
    findings
}

/// Recesses of which one lies in an edge or an end, that run into one another although nothing says so.
fn untold(work: &Work, part: &Part) -> Vec<Finding> {
    let Some(stock) = work.documents.stock(&part.stock) else {
        return Vec::new();
    };
    let far = part.outline.bounds().max;
    let size = [far.x, far.y, stock.readings_mm().1];
    let deep = part.features.iter();
    let deep = deep.filter(|f| f.kind != FeatureKind::Engraving);
    let rooms: Vec<(&Feature, Room)> = deep.map(|f| (f, Room::of(f, size))).collect();
    let told = |a: &Feature, b: &Feature| {
        work.findings.iter().any(|f| {
            let of = f.feature.as_ref();
            f.code == code::RECESSES_MEET.word
                && f.part.as_ref() == Some(&part.id)
                && of.is_some_and(|k| *k == a.key || *k == b.key)
                && f.message.contains(&a.key)
                && f.message.contains(&b.key)
        })
    };
    let mut findings = Vec::new();
    for (i, (a, room)) in rooms.iter().enumerate() {
        let others = rooms[i + 1..].iter();
        let others = others.filter(|(b, _)| b.side != a.side);
        for (b, other) in others.filter(|(b, _)| !(a.side.is_flat() && b.side.is_flat())) {
            if room.meets(other) && !told(a, b) {
                let message = format!(
                    "{} in the {} and {} in the {} run into one another inside the wood, and nothing says so.",
                    a.key,
                    a.side.word(),
                    b.key,
                    b.side.word()
                );
                let finding = Finding::new(&code::VERIFY_PIECES, message).part(&part.id);
                findings.push(finding.feature(&b.key));
            }
        }
    }
    findings
}

/// The room that a recess takes: so far along the way in from its side, and a region across it. Along the part, across it and down from its
/// face are the ways 0, 1 and 2; the region has the two that are not its own, the lower first.
struct Room {
    way: usize,
    deep: (f64, f64),
    region: PolySet,
}

impl Room {
    fn of(f: &Feature, size: [f64; 3]) -> Room {
        let (way, from_start) = match f.side {
            Side::Face => (2, true),
            Side::Back => (2, false),
            Side::Near => (1, true),
            Side::Far => (1, false),
            Side::LeftEnd => (0, true),
            Side::RightEnd => (0, false),
        };
        let whole = size[way];
        let deep = match (f.depth, f.left) {
            (Some(Depth::Below(d)), _) => d.mm(),
            (Some(Depth::Through) | None, None) => whole,
            (_, Some(left)) => whole - left,
        };
        let region = Region {
            outer: f.shape.clone().oriented(true),
            holes: f.islands.clone(),
        };
        Room {
            way,
            deep: match from_start {
                true => (0.0, deep),
                false => (whole - deep, whole),
            },
            region: PolySet::from_regions(&[region], KERNEL_MM),
        }
    }
    /// Both take the same wood.
    fn meets(&self, other: &Room) -> bool {
        if self.way == other.way {
            return overlap(self.deep, other.deep)
                && self.region.intersection(&other.region).area() > SAME_MM;
        }
        // At some place of the way that is neither's own each lies where the other is deep enough.
        let third = 3 - self.way - other.way;
        let mine = self.runs(third, other.way, other.deep);
        let others = other.runs(third, self.way, self.deep);
        mine.iter().any(|a| others.iter().any(|b| overlap(*a, *b)))
    }
    /// Where the region lies along one of its ways while it is within `within` of its other way.
    fn runs(&self, along: usize, across: usize, within: (f64, f64)) -> Vec<(f64, f64)> {
        let (from, to) = match along < across {
            true => (point(-FAR_MM, within.0), point(FAR_MM, within.1)),
            false => (point(within.0, -FAR_MM), point(within.1, FAR_MM)),
        };
        let strip = Contour::rectangle(from, to, 0.0);
        let strip = PolySet::from_contour(&strip, KERNEL_MM);
        let left = self.region.intersection(&strip).to_regions();
        let run = |b: Bounds| match along < across {
            true => (b.min.x, b.max.x),
            false => (b.min.y, b.max.y),
        };
        left.iter().map(|r| run(r.outer.bounds())).collect()
    }
}

fn overlap(a: (f64, f64), b: (f64, f64)) -> bool {
    a.1.min(b.1) - a.0.max(b.0) > SAME_MM
}

#[cfg(test)]
pub(crate) mod tests {
    use super::*;
    use crate::tests::{documents, feature};
    use grainway_pipeline::doc::Length;
    use grainway_pipeline::work::{Grain, Source};

    /// A part with a recess `face` mm deep in its face and one `back` mm deep behind it, so far to the right, mm.
    pub(crate) fn part(face: f64, back: f64, aside: f64) -> Part {
        let recess = |key: &str, side, depth: f64, x: f64| {
            let shape = Contour::rectangle(point(20.0 + x, 20.0), point(60.0 + x, 50.0), 0.0);
            let sized = feature(key, FeatureKind::Pocket, shape, 0.0, false);
            Feature {
                key: sized.key,
                kind: sized.kind,
                side,
                shape: sized.shape,
                islands: Vec::new(),
                circle: None,
                depth: Some(Depth::Below(Length::from_mm(depth))),
                left: None,
                relief: None,
                if_unreachable: None,
                leave: None,
                cutter: None,
                waste: None,
                mating: None,
                source: Source::default(),
            }
        };
        Part {
            id: "lid".into(),
            name: None,
            mirrored: false,
            count: 1,
            stock: "ash".into(),
            grain: Grain::AlongX,
            outline: Contour::rectangle(point(0.0, 0.0), point(200.0, 100.0), 0.0),
            outline_relief: None,
            dimensioned: true,
            features: vec![
                recess("front", Side::Face, face, 0.0),
                recess("behind", Side::Back, back, aside),
            ],
            outline_cutter: None,
            source: Source::default(),
            as_drawn: false,
        }
    }

    /// Check finds recesses that meet by itself, whatever planning said. The readings are 18.0 and 18.2 mm with zero on the bed: floors
    /// stand over the bed by the mean of 18.1 less the depth, so between them stay 18 mm less both depths.
    #[test]
    fn recesses_that_meet_between_face_and_back_are_found() {
        let work = Work::new(documents());
        let found = |face, back, aside| face_and_back(&work, &part(face, back, aside)).len();
        assert_eq!(found(9.0, 8.9, 0.0), 0);
        assert_eq!(found(9.0, 9.1, 0.0), 1);
        // Beside each other they do not meet, however deep.
        assert_eq!(found(12.0, 12.0, 45.0), 0);
        assert_eq!(found(12.0, 12.0, 35.0), 1);
    }

    /// A slot 40 mm long and 6 mm wide in the near edge of that part, so deep, and a pocket with round ends in its face behind it. They meet
    /// where the slot reaches the pocket, not where it reaches its box alone, and not beside it or above its floor.
    #[test]
    fn recesses_of_an_edge_that_run_into_others_untold_are_found() {
        let work = Work::new(documents());
        let found = |deep: f64, x: f64, down: f64| {
            let mut part = part(9.0, 0.0, 0.0);
            let round = Contour::circle(point(60.0, 50.0), 20.0);
            part.features.remove(1);
            part.features[0].shape = round;
            let mut slot = part.features[0].clone();
            slot.key = "slot".into();
            slot.side = Side::Near;
            slot.depth = Some(Depth::Below(Length::from_mm(deep)));
            slot.shape = Contour::rectangle(point(x, down), point(x + 40.0, down + 6.0), 0.0);
            part.features.push(slot);
            untold(&work, &part).len()
        };
        assert_eq!(found(29.9, 40.0, 3.0), 0);
        assert_eq!(found(30.2, 40.0, 3.0), 1);
        // Beside the round end it may be deeper: 16 mm aside of the middle the circle begins 8 mm farther in.
        assert_eq!(found(37.9, 76.0, 3.0), 0);
        assert_eq!(found(38.2, 76.0, 3.0), 1);
        // Below the pocket's floor.
        assert_eq!(found(60.0, 40.0, 9.1), 0);
        assert_eq!(found(60.0, 40.0, 8.9), 1);
    }

    /// Slots in an edge and in an end meet where both are deep enough and lie at one height.
    #[test]
    fn recesses_of_an_edge_and_an_end_that_meet_untold_are_found() {
        let work = Work::new(documents());
        let found = |deep: f64, down: f64| {
            let mut part = part(9.0, 0.0, 0.0);
            part.features.truncate(1);
            let of = |key: &str, side, shape, deep| {
                let mut f = part.features[0].clone();
                (f.key, f.side, f.shape) = (key.into(), side, shape);
                f.depth = Some(Depth::Below(Length::from_mm(deep)));
                f
            };
            let edge = Contour::rectangle(point(20.0, 4.0), point(50.0, 10.0), 0.0);
            let end = Contour::rectangle(point(10.0, down), point(40.0, down + 4.0), 0.0);
            part.features = vec![
                of("edge", Side::Near, edge, 15.0),
                of("end", Side::LeftEnd, end, deep),
            ];
            untold(&work, &part).len()
        };
        assert_eq!(found(19.9, 5.0), 0);
        assert_eq!(found(20.1, 5.0), 1);
        assert_eq!(found(40.0, 10.1), 0);
        assert_eq!(found(40.0, 9.9), 1);
    }
}
