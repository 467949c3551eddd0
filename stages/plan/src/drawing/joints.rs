//! Features that joints make in their parts, as large as the mate that goes in: fit gives them room.

mod fittings;

use super::parts;
use super::{Made, unknown};
use grainway_geom::tolerance::SAME_POINT_MM;
use grainway_geom::{Bounds, Contour, Point, point};
use grainway_import::shapes::{Problems, show};
use grainway_pipeline::doc::{
    AcrossShape, AlongShape, AtEdgeShape, AtEndShape, CirclesShape, Depth, DowelsOf, Edge, End,
    FeatureDoc, FeatureKind, HalvedPart, HousingJoint, Joint, JointDoc, Length, LongWay,
    MortiseAndTenon, MortiseOf, PanelBy, Pointer, RebateJoint, RectangleShape, Relief, ReliefKind,
    ReliefWay, Shape, Side, SlottedPart, TenonOf, ZZero,
};
use grainway_pipeline::finding::code;
use grainway_pipeline::tolerance::IMPORT_MM;
use grainway_pipeline::work::{Feature, Mating, Part, Wall};

/// The size of a mortise that the part has already changes by no more than this, mm: a larger difference is a mistake in one of the two.
const MOST_MOVE_MM: f64 = 1.0;
/// Cheeks left and right, ends near and far.
const CHEEKS_ACROSS: [Wall; 4] = [Wall::Cheek, Wall::Cheek, Wall::End, Wall::End];
/// Ends left and right, cheeks near and far.
const CHEEKS_ALONG: [Wall; 4] = [Wall::End, Wall::End, Wall::Cheek, Wall::Cheek];

/// A feature that a joint asks for in one of its parts.
#[derive(Clone)]
struct Asked {
    part: String,
    /// Where the joint names it.
    pointer: Pointer,
    what: What,
    mating: Mating,
}

#[derive(Clone)]
enum What {
    /// The joint makes it.
    Made(Box<FeatureDoc>),
    /// The part has it already; the mate is so wide and so thick, mm, and the mortise so deep.
    Named {
        key: String,
        size: [f64; 2],
        depth: Depth,
    },
}

/// Adds the features of all joints to the parts that were read.
pub(super) fn apply(made: &mut Made<'_>) {
    for (i, joint) in made.documents.job.joints.iter().enumerate() {
        let pointer = Pointer::job().step("joints").step(i);
        let mut problems = Problems::default();
        let asking = Asking {
            made,
            joint,
            pointer: pointer.step("joint"),
        };
        let asked = asking.asked(&mut problems);
        made.findings.append(&mut problems.findings);
        for a in asked {
            put(a, made);
        }
    }
}

impl Asked {
    /// The name of what the joint makes.
    fn id(&self) -> Option<&str> {
        match &self.what {
            What::Made(doc) => doc.id.as_deref(),
            What::Named { .. } => None,
        }
    }
    /// The same for something whose rectangle grows and moves along the way in which the mate's width lies: low and high end, mm.
    fn stretched(&self, [low, high]: [f64; 2], id: &str) -> Asked {
        let mut what = match &self.what {
            What::Made(doc) => doc.clone(),
            What::Named { .. } => return self.clone(),
        };
        let way = usize::from(self.mating.walls[0] != Wall::End);
        if let Shape::Rectangle(r) = &mut what.shape {
            r.at[way] = Length::from_mm(r.at[way].mm() + low);
            r.size[way] = Length::from_mm(r.size[way].mm() + high - low);
        }
        what.id = Some(format!("{}.{id}", self.mating.joint));
        Asked {
            what: What::Made(what),
            ..self.clone()
        }
    }
}

/// The mortises for all tenons of a joint, and for their haunch, from the one in the middle of them.
fn mortises(tenon: &TenonOf, one: Asked) -> Vec<Asked> {
    let step = tenon.width.mm() + tenon.gap.map_or(0.0, |g| g.mm());
    if tenon.count > 1 {
        let middle = f64::from(tenon.count - 1) / 2.0;
        let each = (0..tenon.count).map(|i| {
            let by = (f64::from(i) - middle) * step;
            one.stretched([by, by], &format!("{}", i + 1))
        });
        return each.collect();
    }
    let Some(haunch) = &tenon.haunch else {
        return vec![one];
    };
    let [near, far] = tenon.beside();
    let mut shallow = one.stretched([-near, far], "haunch");
    shallow.mating.haunch = true;
    shallow.mating.glue = 1.0;
    if let What::Made(doc) = &mut shallow.what {
        doc.depth = Some(Depth::Below(haunch.length));
    }
    vec![one, shallow]
}

struct Asking<'a, 'd> {
    made: &'a Made<'d>,
    joint: &'d JointDoc,
    pointer: Pointer,
}

impl Asking<'_, '_> {
    fn asked(&self, problems: &mut Problems) -> Vec<Asked> {
        let [a, b] = self.joint.joint.parts();
        let mut here = Vec::new();
        for (id, keys) in [a, b] {
            let at = keys.iter().fold(self.pointer.clone(), |p, k| p.step(*k));
            if self.part(id).is_none() && !self.is_broken(id) {
                let known = self.made.parts.iter().map(|p| p.id.as_str());
                problems
                    .findings
                    .push(unknown("part", id, known).pointer(at.step("part")));
            }
            here.push(at);
        }
        let (Some(first), Some(second)) = (self.part(a.0), self.part(b.0)) else {
            return Vec::new();
        };
        let asked = match &self.joint.joint {
            Joint::MortiseAndTenon(j) => self.tenoned(j, first, &here, problems),
            Joint::Housing(j) => {
                self.panel_goes_in(j, first, &here[1], problems);
                vec![self.housing(j, first, &here[1])]
            }
            Joint::Rebate(j) => self.rebate(j, first, &here[1]).into_iter().collect(),
            Joint::Halving(j) => {
                let depth = j
                    .depth
                    .unwrap_or_else(|| half(Length::from_mm(self.readings(&second.stock).1)));
                let one = self.halved(&j.first, &here[0], second, (Some(depth), Side::Face));
                let other = self.halved(&j.second, &here[1], first, (None, Side::Back));
                let other = other.map(|mut a| {
                    if let What::Made(doc) = &mut a.what {
                        doc.left = Some(depth);
                    }
                    a
                });
                one.into_iter().chain(other).collect()
            }
            Joint::EdgeHalving(j) => {
                let slots = [(&j.first, first), (&j.second, second)];
                self.slots_meet(slots, &here[1], problems);
                vec![
                    self.slotted(&j.first, &here[0], first, second),
                    self.slotted(&j.second, &here[1], second, first),
                ]
            }
            Joint::LooseTenon(j) => {
                if self.made.documents.stock(&j.tenon.stock).is_none() {
                    let stocks = self.made.documents.stocks();
                    let at = self.pointer.step("loose-tenon").step("tenon").step("stock");
                    let finding = unknown("stock", &j.tenon.stock, stocks.keys().copied());
                    problems.findings.push(finding.pointer(at));
                    return Vec::new();
                }
                let deep = (Depth::Below(half(j.tenon.length)), 0.5);
                let (thin, _, thick) = self.readings(&j.tenon.stock);
                [(&j.first, &here[0]), (&j.second, &here[1])]
                    .into_iter()
                    .filter_map(|(of, at)| self.mortise(of, at, j.tenon.width, (thin, thick), deep))
                    .collect()
            }
            Joint::Dowels(j) => vec![
                self.dowels((&j.first, first), &here[0], j.diameter, j.length),
                self.dowels((&j.second, second), &here[1], j.diameter, j.length),
            ],
            Joint::Hinge(j) => self.hinged(j, [first, second], &here),
            Joint::Lock(j) => self.locked(j, &here),
            Joint::Cleat(j) => self.cleated(j, first, &here),
        };
        self.told_apart(asked)
    }

    /// Two features of a joint in one part get names of their own.
    fn told_apart(&self, mut asked: Vec<Asked>) -> Vec<Asked> {
        if let [a, b] = asked.as_mut_slice()
            && a.part == b.part
            && a.id() == b.id()
        {
            for (n, asked) in [(1, a), (2, b)] {
                if let What::Made(doc) = &mut asked.what {
                    doc.id = Some(format!("{}.{n}", self.joint.id));
                }
            }
        }
        asked
    }

    fn part(&self, id: &str) -> Option<&Part> {
        self.made.parts.iter().find(|p| p.id == id)
    }

    /// The job describes the part, but it could not be read.
    fn is_broken(&self, id: &str) -> bool {
        self.made.documents.job.parts.iter().any(|p| p.id == id)
    }

    fn readings(&self, stock: &str) -> (f64, f64, f64) {
        let stock = self.made.documents.stock(stock);
        stock.map_or((0.0, 0.0, 0.0), |s| s.readings_mm())
    }

    /// How a feature takes a mate that is at least `thin` and at most `thick` mm thick between its cheeks.
    fn mating(&self, walls: [Wall; 4], (thin, thick): (f64, f64), glue: f64) -> Mating {
        Mating {
            joint: self.joint.id.clone(),
            walls,
            mate: thick,
            spread: thick - thin,
            glue,
            haunch: false,
            corner: 0.0,
            slides: None,
        }
    }

    fn doc(&self, kind: FeatureKind, side: Side, shape: Shape) -> FeatureDoc {
        FeatureDoc {
            id: Some(self.joint.id.clone()),
            kind,
            side,
            along_from: Default::default(),
            across_from: Default::default(),
            shape,
            islands: Vec::new(),
            depth: None,
            left: None,
            relief: None,
            if_unreachable: None,
            leave: None,
            cutter: None,
            waste: None,
        }
    }

    fn made_in(&self, part: &str, pointer: &Pointer, doc: FeatureDoc, mating: Mating) -> Asked {
        Asked {
            part: part.to_string(),
            pointer: pointer.clone(),
            what: What::Made(Box::new(doc)),
            mating,
        }
    }

    /// The mortises of a tenon, and the rebates that make it thinner.
    fn tenoned(
        &self,
        j: &MortiseAndTenon,
        part: &Part,
        here: &[Pointer],
        problems: &mut Problems,
    ) -> Vec<Asked> {
        let depth = match j.through {
            true => Depth::Through,
            false => Depth::Below(j.tenon.length),
        };
        let glue = if j.through { 0.0 } else { 1.0 };
        let Some(span) = self.tenon_span(&j.tenon, part, &here[0], problems) else {
            return Vec::new();
        };
        let width = j.tenon.width;
        let mortise = self.mortise(&j.mortise, &here[1], width, span, (depth, glue));
        let mortises = mortise.map_or_else(Vec::new, |m| mortises(&j.tenon, m));
        let shoulders = self.face_shoulders(&j.tenon, &here[0]);
        mortises.into_iter().chain(shoulders).collect()
    }

    /// How thick a tenon is at its thinnest and thickest, mm; `None` where its wood is no thicker.
    fn tenon_span(
        &self,
        tenon: &TenonOf,
        part: &Part,
        pointer: &Pointer,
        problems: &mut Problems,
    ) -> Option<(f64, f64)> {
        let (thin, mean, thick) = self.readings(&part.stock);
        let Some(wanted) = tenon.thickness else {
            return Some((thin, thick));
        };
        let wanted = wanted.mm();
        let back = tenon.back_shoulder.map_or(0.0, |b| b.mm());
        if wanted + back >= thin - SAME_POINT_MM {
            let message = format!(
                "The tenon is {} thick and has a shoulder of {} on its back; its wood is {} thick, which leaves nothing for a shoulder on its face.",
                show(wanted),
                show(back),
                show(thin)
            );
            problems.say(&code::BAD_NUMBER, &pointer.step("thickness"), message);
            return None;
        }
        let frame = self.made.documents.z_frame(&part.stock)?;
        Some(match (frame.zero, tenon.back_shoulder) {
            // The floor stands over the bed whatever the wood.
            (ZZero::Bed, None) => (wanted, wanted),
            // Both floors stand over the bed: thinner wood has more between them.
            (ZZero::Bed, Some(_)) => (wanted + mean - thick, wanted + mean - thin),
            // Depths are true: thinner wood has less under them.
            (ZZero::Top, _) => (wanted + thin - mean, wanted + thick - mean),
        })
    }

    /// The rebates that leave a tenon thinner than its part.
    fn face_shoulders(&self, tenon: &TenonOf, pointer: &Pointer) -> Vec<Asked> {
        let Some(thickness) = tenon.thickness else {
            return Vec::new();
        };
        let back = tenon.back_shoulder;
        let left = Length::from_mm(thickness.mm() + back.map_or(0.0, |b| b.mm()));
        let mut all = Vec::new();
        for end in tenon.end.ends() {
            let shape = Shape::AtEnd(AtEndShape {
                end: *end,
                length: tenon.length,
            });
            let word = match end {
                End::Left => "left",
                End::Right => "right",
            };
            let of = |side: Side| {
                let mut doc = self.doc(FeatureKind::Rebate, side, shape.clone());
                doc.id = Some(format!("{}.{word}-{}", self.joint.id, side.word()));
                doc
            };
            let mut face = of(Side::Face);
            face.left = Some(left);
            let behind = back.map(|depth| {
                let mut doc = of(Side::Back);
                doc.depth = Some(Depth::Below(depth));
                doc
            });
            for doc in std::iter::once(face).chain(behind) {
                let mating = self.mating([Wall::Open; 4], (0.0, 0.0), 0.0);
                all.push(self.made_in(&tenon.part, pointer, doc, mating));
            }
        }
        all
    }

    /// The mortise for a tenon of this width, so thick at its thinnest and thickest.
    fn mortise(
        &self,
        of: &MortiseOf,
        pointer: &Pointer,
        width: Length,
        (thin, thick): (f64, f64),
        (depth, glue): (Depth, f64),
    ) -> Option<Asked> {
        let (at, lies) = match (of.at, of.lies, &of.feature) {
            (Some([x, y]), Some(lies), None) => (point(x.mm(), y.mm()), lies),
            (None, None, Some(key)) => {
                return Some(Asked {
                    part: of.part.clone(),
                    pointer: pointer.step("feature"),
                    what: What::Named {
                        key: key.clone(),
                        size: [width.mm(), thick],
                        depth,
                    },
                    mating: self.mating(CHEEKS_ALONG, (thin, thick), glue),
                });
            }
            _ => return None,
        };
        let (size, walls) = match lies {
            LongWay::Along => (point(width.mm(), thick), CHEEKS_ALONG),
            LongWay::Across => (point(thick, width.mm()), CHEEKS_ACROSS),
        };
        let low = at - size * 0.5;
        let shape = Shape::Rectangle(RectangleShape {
            at: [Length::from_mm(low.x), Length::from_mm(low.y)],
            size: [Length::from_mm(size.x), Length::from_mm(size.y)],
            corner: Length::from_mm(0.0),
            angle: 0.0,
        });
        let mut doc = self.doc(FeatureKind::Mortise, of.side, shape);
        doc.depth = Some(depth);
        Some(self.made_in(
            &of.part,
            pointer,
            doc,
            self.mating(walls, (thin, thick), glue),
        ))
    }

    /// A housing with two closed ends is as long as what goes in.
    fn panel_goes_in(
        &self,
        j: &HousingJoint,
        panel: &Part,
        pointer: &Pointer,
        problems: &mut Problems,
    ) {
        let (Some(from), Some(to)) = (j.housing.from, j.housing.to) else {
            return;
        };
        let size = panel.outline.bounds().max;
        let (what, long) = match j.panel.by {
            PanelBy::End => ("end", size.y),
            PanelBy::Edge => ("edge", size.x),
        };
        let room = to.mm() - from.mm();
        if long > room + SAME_POINT_MM {
            let message = format!(
                "The {what} of {} is {} long, and the housing {} from stop to stop.",
                panel.id,
                show(long),
                show(room)
            );
            problems.say(&code::BAD_NUMBER, &pointer.step("to"), message);
        }
    }

    fn housing(&self, j: &HousingJoint, panel: &Part, pointer: &Pointer) -> Asked {
        let (thin, _, thick) = self.readings(&panel.stock);
        let of = &j.housing;
        let width = Length::from_mm(thick);
        let stop = |l: Option<Length>| if l.is_some() { Wall::End } else { Wall::Open };
        let (from, to) = (stop(of.from), stop(of.to));
        let (kind, shape, walls) = match of.lies {
            LongWay::Across => (
                FeatureKind::Housing,
                Shape::Across(AcrossShape {
                    at: of.at,
                    width,
                    from: of.from,
                    to: of.to,
                }),
                [Wall::Cheek, Wall::Cheek, from, to],
            ),
            LongWay::Along => (
                FeatureKind::Groove,
                Shape::Along(AlongShape {
                    at: of.at,
                    width,
                    from: of.from,
                    to: of.to,
                }),
                [from, to, Wall::Cheek, Wall::Cheek],
            ),
        };
        let mut doc = self.doc(kind, of.side, shape);
        doc.depth = Some(Depth::Below(of.depth));
        if kind == FeatureKind::Groove && walls.contains(&Wall::End) {
            // A groove of its own keeps its fillets; the corners of a panel need room.
            doc.relief = Some(Relief::default());
        }
        self.made_in(
            &of.part,
            pointer,
            doc,
            self.mating(walls, (thin, thick), 0.0),
        )
    }

    fn rebate(&self, j: &RebateJoint, panel: &Part, pointer: &Pointer) -> Option<Asked> {
        let (thin, _, thick) = self.readings(&panel.stock);
        let of = &j.rebate;
        let size = Length::from_mm(thick);
        let open = Wall::Open;
        let (shape, walls) = match (of.end, of.edge) {
            (Some(end), None) => (
                Shape::AtEnd(AtEndShape { end, length: size }),
                match end {
                    End::Left => [open, Wall::Cheek, open, open],
                    End::Right => [Wall::Cheek, open, open, open],
                },
            ),
            (None, Some(edge)) => (
                Shape::AtEdge(AtEdgeShape { edge, width: size }),
                match edge {
                    Edge::Near => [open, open, open, Wall::Cheek],
                    Edge::Far => [open, open, Wall::Cheek, open],
                },
            ),
            _ => return None,
        };
        let mut doc = self.doc(FeatureKind::Rebate, of.side, shape);
        doc.depth = Some(Depth::Below(of.depth));
        let mating = self.mating(walls, (thin, thick), 0.0);
        Some(self.made_in(&of.part, pointer, doc, mating))
    }

    /// The lap of a halved part, as wide as the part that it takes.
    fn halved(
        &self,
        of: &HalvedPart,
        pointer: &Pointer,
        mate: &Part,
        (depth, side): (Option<Length>, Side),
    ) -> Option<Asked> {
        let width = Length::from_mm(mate.outline.bounds().height());
        let open = Wall::Open;
        let (shape, walls) = match (of.at, of.end) {
            (Some(at), None) => (
                Shape::Across(AcrossShape {
                    at,
                    width,
                    from: None,
                    to: None,
                }),
                [Wall::Cheek, Wall::Cheek, open, open],
            ),
            (None, Some(end)) => (
                Shape::AtEnd(AtEndShape { end, length: width }),
                match end {
                    End::Left => [open, Wall::Cheek, open, open],
                    End::Right => [Wall::Cheek, open, open, open],
                },
            ),
            _ => return None,
        };
        let mut doc = self.doc(FeatureKind::Lap, side, shape);
        doc.depth = depth.map(Depth::Below);
        Some(self.made_in(
            &of.part,
            pointer,
            doc,
            self.mating(walls, (width.mm(), width.mm()), 0.0),
        ))
    }

    /// Two slots take their panels as far as their edges.
    fn slots_meet(
        &self,
        slots: [(&SlottedPart, &Part); 2],
        pointer: &Pointer,
        problems: &mut Problems,
    ) {
        let deep: f64 = slots.iter().map(|(of, part)| slot_depth(of, part)).sum();
        let wide = slots.map(|(_, part)| part.outline.bounds().height());
        let narrower = wide[0].min(wide[1]);
        if deep < narrower - SAME_POINT_MM {
            let message = format!(
                "The two slots are {} deep together, and the narrower panel is {} wide: their edges would not come to lie flush.",
                show(deep),
                show(narrower)
            );
            problems.say(&code::BAD_NUMBER, &pointer.step("depth"), message);
        }
    }

    /// The slot of a panel on edge, as wide as the other panel is thick.
    fn slotted(&self, of: &SlottedPart, pointer: &Pointer, part: &Part, mate: &Part) -> Asked {
        let (thin, _, thick) = self.readings(&mate.stock);
        let whole = part.outline.bounds().height();
        let depth = slot_depth(of, part);
        let (cheek, open) = (Wall::Cheek, Wall::Open);
        let (from, to, walls) = match of.edge {
            Edge::Near => (None, Some(depth), [cheek, cheek, open, Wall::Bottom]),
            Edge::Far => (
                Some(whole - depth),
                None,
                [cheek, cheek, Wall::Bottom, open],
            ),
        };
        let shape = Shape::Across(AcrossShape {
            at: of.at,
            width: Length::from_mm(thick),
            from: from.map(Length::from_mm),
            to: to.map(Length::from_mm),
        });
        let mut doc = self.doc(FeatureKind::Lap, Side::Face, shape);
        doc.depth = Some(Depth::Through);
        // Lobes go on along the slot, where the mate covers them, and never into its cheeks.
        doc.relief = Some(Relief {
            kind: ReliefKind::TBone,
            way: ReliefWay::IntoAlong,
            ..Relief::default()
        });
        self.made_in(
            &of.part,
            pointer,
            doc,
            self.mating(walls, (thin, thick), 0.0),
        )
    }

    fn dowels(
        &self,
        (of, part): (&DowelsOf, &Part),
        pointer: &Pointer,
        diameter: Length,
        length: Length,
    ) -> Asked {
        let end = point(part.outline.bounds().height(), self.readings(&part.stock).1);
        let shape = Shape::Circles(CirclesShape {
            at: of.places(end * 0.5),
            diameter,
        });
        let mut doc = self.doc(FeatureKind::Hole, of.side, shape);
        doc.depth = Some(Depth::Below(of.depth.unwrap_or_else(|| half(length))));
        let glue = if of.depth.is_some() { 0.0 } else { 0.5 };
        self.made_in(
            &of.part,
            pointer,
            doc,
            self.mating([Wall::Open; 4], (0.0, 0.0), glue),
        )
    }
}

/// How deep a slot is from its edge, mm.
fn slot_depth(of: &SlottedPart, part: &Part) -> f64 {
    let whole = part.outline.bounds().height();
    of.depth.map_or(whole / 2.0, |d| d.mm())
}

fn half(length: Length) -> Length {
    Length::from_mm(length.mm() / 2.0)
}

/// Puts the feature into its part, and its mirror image into the part's other hand.
fn put(asked: Asked, made: &mut Made<'_>) {
    let Some(index) = made.parts.iter().position(|p| p.id == asked.part) else {
        return;
    };
    let mut problems = Problems {
        findings: Vec::new(),
        part: Some(asked.part.clone()),
    };
    let part = made.parts[index].clone();
    let features = match &asked.what {
        What::Made(doc) => new_features(doc, &asked, &part, made, &mut problems),
        What::Named { key, size, depth } => {
            let found = named(key, *size, *depth, &asked, &part, &mut problems);
            let other = part.features.iter().filter(|f| f.key != *key).cloned();
            found.map(|f| other.chain([f]).collect())
        }
    };
    for finding in &mut problems.findings {
        // A size that the joint makes has no place of its own in the document.
        finding.pointer = Some(asked.pointer.clone());
    }
    made.findings.append(&mut problems.findings);
    let Some(features) = features else {
        return;
    };
    let with = Part {
        features: parts::finish(features),
        ..part
    };
    let id = format!("{}{}", with.id, Part::MIRRORED);
    if let Some(other) = made.parts.iter_mut().find(|p| p.id == id) {
        *other = parts::other_hand(&with, other.count);
    }
    made.parts[index] = with;
}

/// The part's features with those that the joint makes.
fn new_features(
    doc: &FeatureDoc,
    asked: &Asked,
    part: &Part,
    made: &mut Made<'_>,
    problems: &mut Problems,
) -> Option<Vec<Feature>> {
    // A described outline has the frame in which it was drawn; drawn parts begin at zero.
    let drawn_at = match part.source.drawing {
        Some(_) => Point::default(),
        None => part.source.at,
    };
    let own = part.outline.bounds();
    let face = Bounds {
        min: own.min + drawn_at,
        max: own.max + drawn_at,
    };
    let frame = made.frames(face, &part.stock).of(doc.side);
    let new = parts::feature(doc, &asked.pointer, frame, made.run_out, problems);
    if let Some(taken) = new
        .iter()
        .find(|n| part.features.iter().any(|f| f.key == n.key))
    {
        let message = format!(
            "The joint makes a feature {} in {}, which has one of that name already.",
            taken.key, part.id
        );
        problems.say(&code::DUPLICATE_ID, &asked.pointer, message);
        return None;
    }
    let new: Vec<Feature> = new
        .into_iter()
        .map(|f| Feature {
            mating: Some(asked.mating.clone()),
            ..parts::moved(f, -drawn_at)
        })
        .collect();
    parts::check_edges(&new, &part.outline, &asked.pointer, problems);
    let whole = !new.is_empty();
    whole.then(|| part.features.iter().cloned().chain(new).collect())
}

/// The mortise that the part has, as large as its mate.
fn named(
    key: &str,
    size: [f64; 2],
    depth: Depth,
    asked: &Asked,
    part: &Part,
    problems: &mut Problems,
) -> Option<Feature> {
    let Some(feature) = part.features.iter().find(|f| f.key == *key) else {
        let mut finding = unknown("feature", key, part.features.iter().map(|f| f.key.as_str()));
        finding.part = Some(part.id.clone());
        problems
            .findings
            .push(finding.pointer(asked.pointer.clone()));
        return None;
    };
    let own = feature.shape.bounds();
    let rectangle = Contour::rectangle(own.min, own.max, 0.0);
    let square = feature.shape.area().abs() > rectangle.area().abs() - IMPORT_MM;
    if !square || feature.kind != FeatureKind::Mortise || feature.mating.is_some() {
        let message = format!(
            "The {} {key} cannot take the tenon: it must be a rectangular mortise along or across its part, and in no other joint.",
            feature.kind.word()
        );
        problems.say(&code::DOCUMENT_INVALID, &asked.pointer, message);
        return None;
    }
    let [wide, thick] = size;
    let along = own.width() > own.height();
    let (new, walls) = match along {
        true => (point(wide, thick), CHEEKS_ALONG),
        false => (point(thick, wide), CHEEKS_ACROSS),
    };
    let moved = (own.width() - new.x)
        .abs()
        .max((own.height() - new.y).abs());
    if moved > MOST_MOVE_MM {
        let message = format!(
            "The mortise {key} is {} by {}, and the tenon {} by {}: more than {} apart.",
            show(own.width().max(own.height())),
            show(own.width().min(own.height())),
            show(wide),
            show(thick),
            show(MOST_MOVE_MM)
        );
        problems.say(&code::BAD_NUMBER, &asked.pointer, message);
        return None;
    }
    let (middle, half) = (own.centre(), new * 0.5);
    Some(Feature {
        shape: Contour::rectangle(middle - half, middle + half, 0.0),
        depth: Some(depth),
        left: None,
        mating: Some(Mating {
            walls,
            ..asked.mating.clone()
        }),
        ..feature.clone()
    })
}
