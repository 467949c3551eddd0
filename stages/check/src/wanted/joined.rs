//! What joints ask for: the features of both parts, as large as the mate, and how much room a fit may give them.

use super::halves::{Cut, Half, Mates, Span, feature, half, walls};
use super::{both_hands, described, fitted, shifted, with_keys};
use grainway_geom::{Bounds, Contour, Point, point};
use grainway_pipeline::doc::{
    AcrossShape, AlongShape, AtEdgeShape, AtEndShape, CirclesShape, Depth, DowelJoint, DowelsOf,
    Edge, End, FeatureDoc, FeatureKind, HalvedPart, HalvingJoint, HousingJoint, Joint, JointDoc,
    Length, LongWay, MortiseAndTenon, MortiseOf, RebateJoint, RectangleShape, Relief, ReliefKind,
    ReliefWay, Shape, Side, SlottedPart, TenonOf,
};
use grainway_pipeline::work::{Documents, Feature, Mating, Part, Wall};
use std::collections::BTreeMap;

/// Gives the parts what the joints make in them.
pub(super) fn add(parts: &mut BTreeMap<String, Part>, documents: &Documents, run_out: f64) {
    for joint in &documents.job.joints {
        for half in halves(joint, parts, documents) {
            let Some(part) = parts.get(half.part).cloned() else {
                continue;
            };
            let whole = match half.cut {
                Cut::Named(key, size, depth) => resized(&part, key, size, depth, &half.mating),
                Cut::New(doc) => with_new(&part, *doc, half.mating, documents, run_out),
            };
            let other = parts.get(&format!("{}{}", part.id, Part::MIRRORED));
            let mirrored = other.map_or(0, |p| p.count);
            for hand in both_hands(whole, mirrored) {
                parts.insert(hand.id.clone(), hand);
            }
        }
    }
}

fn halves<'d>(
    joint: &'d JointDoc,
    parts: &BTreeMap<String, Part>,
    documents: &Documents,
) -> Vec<Half<'d>> {
    let mates = Mates { parts, documents };
    let mut halves = match &joint.joint {
        Joint::MortiseAndTenon(j) => tenoned(joint, j, &mates),
        Joint::LooseTenon(j) => {
            let depth = Depth::Below(Length::from_mm(0.5 * j.tenon.length.mm()));
            let span = mates.of_stock(&j.tenon.stock);
            let of = |m| mortise(joint, m, j.tenon.width, span, depth, 0.5);
            both(of(&j.first), of(&j.second))
        }
        Joint::Housing(j) => housed(joint, j, &mates).map(|h| vec![h]),
        Joint::Rebate(j) => rebated(joint, j, &mates).map(|h| vec![h]),
        Joint::Halving(j) => halving(joint, j, &mates),
        Joint::EdgeHalving(j) => {
            let of = |s: &'d SlottedPart, mate: &str| {
                Some(slotted(
                    joint,
                    s,
                    mates.wide(&s.part)?,
                    mates.of_part(mate)?,
                ))
            };
            both(of(&j.first, &j.second.part), of(&j.second, &j.first.part))
        }
        Joint::Dowels(j) => {
            let of = |d: &'d DowelsOf| dowelled(joint, j, d, &mates);
            both(of(&j.first), of(&j.second))
        }
        Joint::Hinge(j) => fitted::hinge(joint, j, &mates),
        Joint::Lock(j) => Some(fitted::lock(joint, j)),
        Joint::Cleat(j) => fitted::cleat(joint, j, &mates),
    }
    .unwrap_or_default();
    // Two features in one part are told apart by a number.
    if halves.len() == 2 && halves[0].part == halves[1].part && halves[0].is_called_like(&halves[1])
    {
        for (n, half) in halves.iter_mut().enumerate() {
            if let Cut::New(doc) = &mut half.cut {
                doc.id = Some(format!("{}.{}", joint.id, n + 1));
            }
        }
    }
    halves
}

fn both<T>(a: Option<T>, b: Option<T>) -> Option<Vec<T>> {
    Some(vec![a?, b?])
}

fn tenoned<'d>(
    joint: &JointDoc,
    j: &'d MortiseAndTenon,
    mates: &Mates<'_>,
) -> Option<Vec<Half<'d>>> {
    let depth = match j.through {
        true => Depth::Through,
        false => Depth::Below(j.tenon.length),
    };
    let span = mates.of_tenon(&j.tenon)?;
    let mut halves = mortised(joint, j, depth, span)?;
    halves.extend(thinned(joint, &j.tenon));
    Some(halves)
}

/// The rebates across the ends of a part whose tenon is thinner.
fn thinned<'d>(joint: &JointDoc, tenon: &'d TenonOf) -> Vec<Half<'d>> {
    let Some(thickness) = tenon.thickness else {
        return Vec::new();
    };
    let mut halves = Vec::new();
    for end in tenon.end.ends() {
        let name = if *end == End::Left { "left" } else { "right" };
        let mut across = |side: Side, depth: Option<Depth>, left: Option<Length>| {
            let shape = Shape::AtEnd(AtEndShape {
                end: *end,
                length: tenon.length,
            });
            let mut doc = feature(joint, FeatureKind::Rebate, side, shape, depth);
            doc.id = Some(format!("{}.{name}-{}", joint.id, side.word()));
            doc.left = left;
            let open = [Wall::Open; 4];
            halves.push(half(joint, &tenon.part, doc, open, (0.0, 0.0), 0.0));
        };
        let behind = tenon.back_shoulder.unwrap_or_default();
        let stays = Length::from_mm(thickness.mm() + behind.mm());
        across(Side::Face, None, Some(stays));
        if tenon.back_shoulder.is_some() {
            across(Side::Back, Some(Depth::Below(behind)), None);
        }
    }
    halves
}

fn mortised<'d>(
    joint: &JointDoc,
    j: &'d MortiseAndTenon,
    depth: Depth,
    span: Span,
) -> Option<Vec<Half<'d>>> {
    let share = f64::from(u8::from(!j.through));
    let one = |of: &'d MortiseOf, width| mortise(joint, of, width, span, depth, share);
    let t = &j.tenon;
    if t.count > 1 {
        let pitch = t.width.mm() + t.gap?.mm();
        let from_middle = |i: u32| pitch * (f64::from(i) - 0.5 * f64::from(t.count - 1));
        let each = (0..t.count).map(|i| {
            let half = one(&j.mortise, t.width)?;
            Some(half.beside(from_middle(i), 0.0, format!("{}.{}", joint.id, i + 1)))
        });
        return each.collect();
    }
    let deep = one(&j.mortise, t.width)?;
    let Some(haunch) = &t.haunch else {
        return Some(vec![deep]);
    };
    // Round the tenon and its haunch, whose middle lies beside that of the tenon.
    let wide = haunch.width.mm();
    let aside = match haunch.edge {
        Edge::Near => -0.5 * wide,
        Edge::Far => 0.5 * wide,
    };
    let round = one(&j.mortise, t.width)?;
    let mut round = round.beside(aside, wide, format!("{}.haunch", joint.id));
    (round.mating.haunch, round.mating.glue) = (true, 1.0);
    if let Cut::New(doc) = &mut round.cut {
        doc.depth = Some(Depth::Below(haunch.length));
    }
    Some(vec![deep, round])
}

fn housed<'d>(joint: &JointDoc, j: &'d HousingJoint, mates: &Mates<'_>) -> Option<Half<'d>> {
    let span = mates.of_part(&j.panel.part)?;
    let h = &j.housing;
    let (at, width, from, to) = (h.at, Length::from_mm(span.1), h.from, h.to);
    let (kind, shape) = match h.lies {
        LongWay::Across => (
            FeatureKind::Housing,
            Shape::Across(AcrossShape {
                at,
                width,
                from,
                to,
            }),
        ),
        LongWay::Along => (
            FeatureKind::Groove,
            Shape::Along(AlongShape {
                at,
                width,
                from,
                to,
            }),
        ),
    };
    let stop = |l: Option<Length>| l.map_or(Wall::Open, |_| Wall::End);
    let ends = [stop(from), stop(to)];
    let walls = walls(h.lies == LongWay::Along, [Wall::Cheek; 2], ends);
    let mut doc = feature(joint, kind, h.side, shape, Some(Depth::Below(h.depth)));
    // The corners of a panel get room in a groove that stops, as in a housing.
    if kind == FeatureKind::Groove && (from.is_some() || to.is_some()) {
        doc.relief = Some(Relief::default());
    }
    Some(half(joint, &h.part, doc, walls, span, 0.0))
}

fn rebated<'d>(joint: &JointDoc, j: &'d RebateJoint, mates: &Mates<'_>) -> Option<Half<'d>> {
    let span = mates.of_part(&j.panel.part)?;
    let r = &j.rebate;
    let size = Length::from_mm(span.1);
    let (shape, along) = match (r.end, r.edge) {
        (Some(end), None) => (Shape::AtEnd(AtEndShape { end, length: size }), false),
        (None, Some(edge)) => (Shape::AtEdge(AtEdgeShape { edge, width: size }), true),
        _ => return None,
    };
    let high = r.end == Some(End::Left) || r.edge == Some(Edge::Near);
    let walls = walls(along, one(high), [Wall::Open; 2]);
    let depth = Some(Depth::Below(r.depth));
    let doc = feature(joint, FeatureKind::Rebate, r.side, shape, depth);
    Some(half(joint, &r.part, doc, walls, span, 0.0))
}

fn halving<'d>(joint: &JointDoc, j: &'d HalvingJoint, mates: &Mates<'_>) -> Option<Vec<Half<'d>>> {
    let depth = match j.depth {
        Some(depth) => depth,
        None => {
            let stock = &mates.parts.get(&j.second.part)?.stock;
            Length::from_mm(mates.documents.stock(stock)?.readings_mm().1 / 2.0)
        }
    };
    let mut one = halved(joint, &j.first, mates.wide(&j.second.part)?, Side::Face)?;
    let mut other = halved(joint, &j.second, mates.wide(&j.first.part)?, Side::Back)?;
    if let (Cut::New(a), Cut::New(b)) = (&mut one.cut, &mut other.cut) {
        a.depth = Some(Depth::Below(depth));
        b.left = Some(depth);
    }
    Some(vec![one, other])
}

fn dowelled<'d>(
    joint: &JointDoc,
    j: &DowelJoint,
    d: &'d DowelsOf,
    mates: &Mates<'_>,
) -> Option<Half<'d>> {
    let thick = mates.thick(&d.part).unwrap_or_default();
    let shape = Shape::Circles(CirclesShape {
        at: d.places(point(mates.wide(&d.part)? / 2.0, thick / 2.0)),
        diameter: j.diameter,
    });
    let (depth, share) = match d.depth {
        Some(depth) => (depth, 0.0),
        None => (Length::from_mm(0.5 * j.length.mm()), 0.5),
    };
    let depth = Some(Depth::Below(depth));
    let doc = feature(joint, FeatureKind::Hole, d.side, shape, depth);
    let open = [Wall::Open; 4];
    Some(half(joint, &d.part, doc, open, (0.0, 0.0), share))
}

/// One cheek only: the farther one, or the nearer.
fn one(far: bool) -> [Wall; 2] {
    match far {
        true => [Wall::Open, Wall::Cheek],
        false => [Wall::Cheek, Wall::Open],
    }
}

fn mortise<'d>(
    joint: &JointDoc,
    of: &'d MortiseOf,
    width: Length,
    span: Span,
    depth: Depth,
    glue: f64,
) -> Option<Half<'d>> {
    let ends = [Wall::End; 2];
    let lies = of.lies.unwrap_or(LongWay::Along) == LongWay::Along;
    let walls = walls(lies, [Wall::Cheek; 2], ends);
    if let (Some(key), None, None) = (&of.feature, of.at, of.lies) {
        let empty = feature(
            joint,
            FeatureKind::Mortise,
            of.side,
            Shape::Circles(CirclesShape {
                at: Vec::new(),
                diameter: width,
            }),
            None,
        );
        let half = half(joint, &of.part, empty, walls, span, glue);
        return Some(Half {
            cut: Cut::Named(key, [width.mm(), span.1], depth),
            ..half
        });
    }
    let ([x, y], None) = (of.at?, &of.feature) else {
        return None;
    };
    of.lies?;
    let thick = Length::from_mm(span.1);
    let size = if lies { [width, thick] } else { [thick, width] };
    let from = |middle: Length, size: Length| Length::from_mm(middle.mm() - size.mm() / 2.0);
    let shape = Shape::Rectangle(RectangleShape {
        at: [from(x, size[0]), from(y, size[1])],
        size,
        corner: Length::from_mm(0.0),
        angle: 0.0,
    });
    let doc = feature(joint, FeatureKind::Mortise, of.side, shape, Some(depth));
    Some(half(joint, &of.part, doc, walls, span, glue))
}

fn halved<'d>(joint: &JointDoc, of: &'d HalvedPart, mate: f64, side: Side) -> Option<Half<'d>> {
    let width = Length::from_mm(mate);
    let (shape, sides) = match (of.at, of.end) {
        (Some(at), None) => (
            Shape::Across(AcrossShape {
                at,
                width,
                from: None,
                to: None,
            }),
            [Wall::Cheek; 2],
        ),
        (None, Some(end)) => (
            Shape::AtEnd(AtEndShape { end, length: width }),
            one(end == End::Left),
        ),
        _ => return None,
    };
    let walls = walls(false, sides, [Wall::Open; 2]);
    let doc = feature(joint, FeatureKind::Lap, side, shape, None);
    Some(half(joint, &of.part, doc, walls, (mate, mate), 0.0))
}

fn slotted<'d>(joint: &JointDoc, of: &'d SlottedPart, whole: f64, span: Span) -> Half<'d> {
    let deep = of.depth.map_or(whole / 2.0, |d| d.mm());
    let (from, to, ends) = match of.edge {
        Edge::Near => (None, Some(deep), [Wall::Open, Wall::Bottom]),
        Edge::Far => (Some(whole - deep), None, [Wall::Bottom, Wall::Open]),
    };
    let shape = Shape::Across(AcrossShape {
        at: of.at,
        width: Length::from_mm(span.1),
        from: from.map(Length::from_mm),
        to: to.map(Length::from_mm),
    });
    let mut doc = feature(
        joint,
        FeatureKind::Lap,
        Side::Face,
        shape,
        Some(Depth::Through),
    );
    doc.relief = Some(Relief {
        kind: ReliefKind::TBone,
        way: ReliefWay::IntoAlong,
        ..Relief::default()
    });
    half(
        joint,
        &of.part,
        doc,
        walls(false, [Wall::Cheek; 2], ends),
        span,
        0.0,
    )
}

/// The part with a feature of a joint.
fn with_new(
    part: &Part,
    doc: FeatureDoc,
    mating: Mating,
    documents: &Documents,
    run_out: f64,
) -> Part {
    // A described outline is described where it was drawn; a part of a drawing has its corner at zero.
    let corner = match part.source.drawing {
        None => part.source.at,
        Some(_) => Point::default(),
    };
    let own = part.outline.bounds();
    let face = Bounds::of([corner, corner + own.max]);
    let thickness = documents
        .stock(&part.stock)
        .map_or(0.0, |s| s.readings_mm().1);
    let made = described::features(&[doc], face, thickness, run_out);
    let made = made.into_iter().map(|f| Feature {
        mating: Some(mating.clone()),
        ..shifted(f, -corner)
    });
    let features = part.features.iter().cloned().chain(made).collect();
    Part {
        features: with_keys(features),
        ..part.clone()
    }
}

/// The part with its own mortise as large as the mate; as it was where the mortise is not there.
fn resized(part: &Part, key: &str, [wide, thick]: [f64; 2], depth: Depth, mating: &Mating) -> Part {
    let mut part = part.clone();
    if let Some(f) = part.features.iter_mut().find(|f| f.key == key) {
        let b = f.shape.bounds();
        let along = b.width() > b.height();
        let half = match along {
            true => point(wide / 2.0, thick / 2.0),
            false => point(thick / 2.0, wide / 2.0),
        };
        f.shape = Contour::rectangle(b.centre() - half, b.centre() + half, 0.0);
        (f.depth, f.left) = (Some(depth), None);
        f.mating = Some(Mating {
            walls: walls(along, [Wall::Cheek; 2], [Wall::End; 2]),
            ..mating.clone()
        });
    }
    part
}
