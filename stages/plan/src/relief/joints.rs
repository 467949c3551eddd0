//! Corners of joints: what becomes of them follows from what the mate covers.
//!
//! A tenon with square arrises needs more room than a mortise with round corners gives, and the fillet at its shoulder stands in the way
//! of the mortise's mouth. Everything that can be done at each end of the mortise and at each edge of the tenon's root is weighed, and
//! the best of what lets the joint close is taken: see [`Cost`].

mod choice;

use super::ReliefSettings;
use choice::{AtEnd, AtRoot, Mouth, Root};
use grainway_geom::{Bounds, Contour, Point, point};
use grainway_pipeline::doc::{
    End, FeatureKind, Joint, MortiseAndTenon, MortiseOf, ReliefKind, Side, TenonOf,
};
use grainway_pipeline::work::{
    Documents, Feature, HandWork, Part, SizedFeature, Variant, Wall, Work,
};
use std::collections::BTreeMap;

/// A longer mortise keeps at least so much wood to the part's edge and to the next cut, mm. Common practice, no source.
const KEEP_MM: f64 = 3.0;
/// Places that differ by less than this are the same, mm.
const SAME_PLACE_MM: f64 = 1e-6;

/// What becomes of a corner of a joint.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Way {
    /// The fillet stays, and the mate has room for it.
    Covered,
    /// It is squared by hand.
    ByHand,
    /// A lobe goes into the edge that runs along the part.
    IntoAlong,
    /// A lobe goes into the edge that runs across the part.
    IntoAcross,
    /// A lobe goes into both edges.
    DogBone,
}

/// What becomes of the corner at a place, or of all corners.
type Answer = (Option<Point>, Way);

/// The corners of joints that are answered here, by part and feature.
#[derive(Debug, Default)]
pub(super) struct Ways(BTreeMap<(String, String), Vec<Answer>>);

impl Ways {
    /// What becomes of a corner.
    pub(super) fn of(&self, variant: &Variant, feature: &SizedFeature, at: Point) -> Option<Way> {
        let key = (variant.part.clone(), feature.key.clone());
        let near = |p: &Option<Point>| p.is_none_or(|p| p.distance(at) < SAME_PLACE_MM);
        let found = self.0.get(&key)?.iter().find(|(p, _)| near(p));
        found.map(|(_, way)| *way)
    }
    fn put(&mut self, part: &str, feature: &str, at: Option<Point>, way: Way) {
        let key = (part.to_string(), feature.to_string());
        self.0.entry(key).or_default().push((at, way));
    }
}

/// Makes mortises longer where shoulders cover them, and says what becomes of the corners of joints.
pub(super) fn settle(work: &Work, variants: &mut [Variant], settings: &ReliefSettings) -> Ways {
    let mut ways = Ways::default();
    for joint in &work.documents.job.joints {
        match &joint.joint {
            Joint::MortiseAndTenon(j) => {
                let settling = Settling {
                    work,
                    settings,
                    joint: &joint.id,
                };
                settling.tenon(j, variants, &mut ways);
            }
            Joint::LooseTenon(j) => {
                // Its own edges are rounded, as such tenons are: round ends go into round ends.
                for of in [&j.first, &j.second] {
                    for (part, key) in mortises(work, of, &joint.id) {
                        ways.put(&part, &key, None, Way::Covered);
                    }
                }
            }
            Joint::Hinge(_) | Joint::Lock(_) => fitting(work, &joint.id, variants, &mut ways),
            _ => {}
        }
    }
    ways
}

/// A recess follows the corners of its hardware where the cutter can; sharper ones are squared by hand. The mortise for
/// what stands behind a plate goes on by the cutter's radius at either end, under the plate.
fn fitting(work: &Work, joint: &str, variants: &mut [Variant], ways: &mut Ways) {
    for variant in variants {
        let Some(part) = work.part(&variant.part) else {
            continue;
        };
        let of_joint = |f: &&Feature| f.mating.as_ref().is_some_and(|m| m.joint == joint);
        for feature in part.features.iter().filter(of_joint) {
            let (outline, id) = (variant.outline.clone(), variant.part.clone());
            let own = variant.features.iter_mut().find(|f| f.key == feature.key);
            let (Some(sized), Some(mating)) = (own, &feature.mating) else {
                continue;
            };
            let cutter = sized.cutter.as_deref();
            let Some(cutter) = cutter.and_then(|id| work.documents.cutter(id)) else {
                continue;
            };
            if feature.kind == FeatureKind::Mortise {
                let by = match mating.walls[0] == Wall::End {
                    true => point(cutter.radius_mm(), 0.0),
                    false => point(0.0, cutter.radius_mm()),
                };
                let b = sized.shape.bounds();
                sized.shape = Contour::rectangle(b.min - by, b.max + by, 0.0);
                sized.corners = super::inside_corners(sized, &outline);
                ways.put(&id, &feature.key, None, Way::Covered);
            } else if mating.corner >= cutter.radius_mm() - SAME_PLACE_MM {
                let b = sized.shape.bounds();
                let inside = |at: Point| outline.contains(at);
                sized.shape = Contour::rectangle_rounded_at(b.min, b.max, mating.corner, inside);
                sized.corners = super::inside_corners(sized, &outline);
            } else if feature.relief.is_none() {
                ways.put(&id, &feature.key, None, Way::ByHand);
            }
        }
    }
}

/// What lies beyond an end of a mortise.
#[derive(Clone, Copy)]
struct Around {
    /// How far the shoulder goes on beside the tenon, mm.
    shoulder: f64,
    /// How far the mortise may reach at most, for the sake of the next one of the joint, mm.
    reach: f64,
}

struct Settling<'a> {
    work: &'a Work,
    settings: &'a ReliefSettings,
    joint: &'a str,
}

impl Settling<'_> {
    fn tenon(&self, j: &MortiseAndTenon, variants: &mut [Variant], ways: &mut Ways) {
        let keys = mortises(self.work, &j.mortise, self.joint);
        let mouths: Vec<Mouth> = keys
            .iter()
            .filter_map(|key| self.mouth(j, key, variants))
            .collect();
        let chosen = choice::best(&self.root(j, &mouths, variants), &mouths);
        for (mouth, ends) in mouths.iter().zip(chosen.ends) {
            self.answer_mouth(mouth, ends, variants, ways);
        }
        let documents = &self.work.documents;
        for part in self.hands(&j.tenon.part) {
            for end in j.tenon.end.ends() {
                let root = root(&j.tenon, *end, part, documents);
                for (at, edge) in root {
                    if let Some(way) = chosen.root[edge].way() {
                        ways.put(&part.id, "outline", Some(at), way);
                    }
                }
            }
        }
    }

    /// A mortise as it is before anything is done about its corners.
    fn mouth(
        &self,
        j: &MortiseAndTenon,
        (part, key): &(String, String),
        variants: &[Variant],
    ) -> Option<Mouth> {
        let documents = &self.work.documents;
        let radius = radius_of(documents, variants, part, key)?;
        let feature = self.work.part(part)?;
        let feature = feature.features.iter().find(|f| f.key == *key)?;
        let along = feature.mating.as_ref()?.walls[0] == Wall::End;
        let own = variants.iter().filter(|v| v.part == *part);
        let sized: Vec<(&Variant, usize)> = own
            .filter_map(|v| Some((v, v.features.iter().position(|f| f.key == *key)?)))
            .collect();
        let (variant, index) = sized.first()?;
        let size = variant.features[*index].shape.bounds();
        let [long, thick] = both_ways(along, size);
        let around = self.around(j, feature, variant, *index);
        let wide = j.tenon.width.mm()
            + match feature.mating.as_ref()?.haunch {
                true => j.tenon.beside().iter().sum(),
                false => 0.0,
            };
        // Where the tenon is not made now, it is taken to be cut as its mortise is.
        let fillet = radius_of(documents, variants, &j.tenon.part, "outline").unwrap_or(radius);
        let mut mouth = Mouth {
            part: part.clone(),
            key: key.clone(),
            along,
            radius,
            fillet,
            margin: self.margin(radius),
            end_room: (long - wide) / 2.0,
            thick,
            shoulder: around.map(|a| a.shoulder),
            mate_eased: documents.eased(&j.tenon.part).unwrap_or(0.0),
            entry: documents.seen(part, feature.side),
            exit: j
                .through
                .then(|| documents.seen(part, feature.side.opposite())),
            most_reach: [0.0; 2],
        };
        let has_wood = |end: usize, by: f64| {
            by <= around[end].reach
                && sized.iter().all(|(v, i)| {
                    let room = mouth.grown(v.features[*i].shape.bounds(), end, by);
                    self.has_wood(v, room)
                })
        };
        // The most that any answer asks for and the part has the wood for.
        let wanted = mouth.reaches();
        let most = [0, 1].map(|end| {
            let fitting = wanted.iter().copied().filter(|by| has_wood(end, *by));
            fitting.fold(0.0, f64::max)
        });
        mouth.most_reach = most;
        Some(mouth)
    }

    /// What lies beyond the two ends of a mortise of this joint.
    fn around(
        &self,
        j: &MortiseAndTenon,
        feature: &Feature,
        variant: &Variant,
        index: usize,
    ) -> [Around; 2] {
        let along = feature
            .mating
            .as_ref()
            .is_some_and(|m| m.walls[0] == Wall::End);
        let span = |f: &SizedFeature| {
            let b = f.shape.bounds();
            match along {
                true => [b.min.x, b.max.x],
                false => [b.min.y, b.max.y],
            }
        };
        let outer = shoulder(&j.tenon, &self.work.documents).unwrap_or(0.0);
        let [low, high] = span(&variant.features[index]);
        let mut around = [Around {
            shoulder: outer,
            reach: f64::INFINITY,
        }; 2];
        let others = variant.features.iter().enumerate();
        for (_, other) in others.filter(|(i, f)| *i != index && self.is_ours(variant, f)) {
            let [from, to] = span(other);
            let apart = [low - to, from - high];
            let past = [low - from, to - high];
            for (end, a) in around.iter_mut().enumerate() {
                if apart[end] > 0.0 {
                    // Beside another tenon: the web between them is covered, and both may take of it.
                    a.shoulder = j.tenon.gap.map_or(0.0, |g| g.mm());
                    a.reach = a.reach.min((apart[end] - KEEP_MM) / 2.0);
                } else if past[end] > SAME_PLACE_MM {
                    // Under the haunch.
                    a.shoulder += past[end];
                }
            }
        }
        around
    }

    fn is_ours(&self, variant: &Variant, feature: &SizedFeature) -> bool {
        let part = self.work.part(&variant.part);
        let own = part.and_then(|p| p.features.iter().find(|f| f.key == feature.key));
        own.and_then(|f| f.mating.as_ref())
            .is_some_and(|m| m.joint == self.joint)
    }

    /// The part keeps enough wood round a feature of this joint that takes this room.
    fn has_wood(&self, variant: &Variant, room: Bounds) -> bool {
        // Exactly as much as is kept is enough.
        let kept = room.grown(KEEP_MM - SAME_PLACE_MM);
        let corners = [
            kept.min,
            point(kept.max.x, kept.min.y),
            kept.max,
            point(kept.min.x, kept.max.y),
        ];
        let others = variant.features.iter();
        let mut others = others.filter(|f| f.key != "outline" && !self.is_ours(variant, f));
        corners.iter().all(|c| variant.outline.contains(*c))
            && others.all(|f| !f.shape.bounds().touches(kept))
    }

    fn margin(&self, radius: f64) -> f64 {
        self.settings.margin.mm().clamp(0.0, 0.5 * radius)
    }

    /// What may become of the corners at the tenon's root.
    fn root(&self, j: &MortiseAndTenon, mouths: &[Mouth], variants: &[Variant]) -> Root {
        let documents = &self.work.documents;
        let own = radius_of(documents, variants, &j.tenon.part, "outline");
        let radius = own
            .or_else(|| mouths.first().map(|m| m.fillet))
            .unwrap_or(0.0);
        let shoulders = width_of(&j.tenon, documents).map(|w| j.tenon.shoulders(w));
        let between = j.tenon.count > 1;
        let beside = j.tenon.beside();
        let has_corner = [0, 1].map(|edge| {
            let outer = shoulders.is_some_and(|s| s[edge] > SAME_PLACE_MM);
            outer || shoulders.is_some() && (between || beside[edge] > 0.0)
        });
        let part = self.work.part(&j.tenon.part);
        let asked = part.and_then(|p| p.outline_relief.as_ref());
        let answers = |edge: usize| {
            if !has_corner[edge] {
                return vec![AtRoot::AsAsked];
            }
            // Beside a narrow shoulder the cutter cannot come to the corner along it: a lobe would cut into it.
            let outer = shoulders.map_or(0.0, |s| s[edge]);
            let narrow = outer > SAME_PLACE_MM && outer < radius;
            match asked {
                None if narrow => vec![AtRoot::Stays, AtRoot::ByHand],
                None => AtRoot::OPEN.to_vec(),
                Some(r) if r.kind == ReliefKind::None && !r.by_hand => vec![AtRoot::Stays],
                Some(_) => vec![AtRoot::AsAsked],
            }
        };
        Root {
            radius,
            margin: self.margin(radius),
            width: j.tenon.width.mm(),
            shoulders: match between {
                // Beside another tenon it goes on.
                true => [f64::INFINITY; 2],
                false => shoulders.unwrap_or([f64::INFINITY; 2]),
            },
            answers: [answers(0), answers(1)],
            mate_eased: documents.eased(&j.mortise.part).unwrap_or(0.0),
            seen: [Side::Face, Side::Back].map(|s| documents.seen(&j.tenon.part, s)),
            most_loss: self.settings.most_loss,
        }
    }

    /// The part and its other hand, as far as the job leaves open what becomes of their outlines' corners.
    fn hands(&self, id: &str) -> impl Iterator<Item = &Part> {
        let id = id.to_string();
        let parts = self.work.parts.iter();
        parts.filter(move |p| base(&p.id) == id && p.outline_relief.is_none())
    }

    /// Makes a mortise as long as was chosen at each end, and says what becomes of its corners.
    fn answer_mouth(
        &self,
        mouth: &Mouth,
        ends: [AtEnd; 2],
        variants: &mut [Variant],
        ways: &mut Ways,
    ) {
        for variant in variants.iter_mut().filter(|v| v.part == mouth.part) {
            let outline = variant.outline.clone();
            let Some(feature) = variant.features.iter_mut().find(|f| f.key == mouth.key) else {
                continue;
            };
            let mut b = feature.shape.bounds();
            for (end, answer) in ends.iter().enumerate() {
                b = mouth.grown(b, end, mouth.longer(*answer));
            }
            if b != feature.shape.bounds() {
                feature.shape = Contour::rectangle(b.min, b.max, 0.0);
                feature.corners = super::inside_corners(feature, &outline);
            }
            for (end, answer) in ends.iter().enumerate() {
                for at in mouth.corners(b, end) {
                    ways.put(&mouth.part, &mouth.key, Some(at), answer.way(mouth.along));
                }
            }
        }
    }
}

/// What is to be rounded by hand before it is joined.
pub(super) fn eased(work: &Work) -> Vec<HandWork> {
    let line = |p: &Part, radius: f64| HandWork {
        part: p.id.clone(),
        count: p.count,
        feature: None,
        at: None,
        what: format!(
            "round all edges, those of its tenons and mortises too, to at least {radius:.2} mm before it is joined"
        ),
        why: "the job says that its edges are eased, so its mates keep the cutter's fillets"
            .to_string(),
        pieces: Vec::new(),
    };
    let eased = |p: &Part| work.documents.eased(base(&p.id));
    let parts = work.parts.iter();
    parts.filter_map(|p| Some(line(p, eased(p)?))).collect()
}

/// The part without the word for its other hand.
fn base(id: &str) -> &str {
    id.strip_suffix(Part::MIRRORED).unwrap_or(id)
}

/// The mortises of a joint in a part and in its other hand, by part and key.
fn mortises(work: &Work, of: &MortiseOf, joint: &str) -> Vec<(String, String)> {
    let parts = work.parts.iter().filter(|p| base(&p.id) == of.part);
    let mine = |p: &Part| {
        let found = p.features.iter().filter(|f| f.relief.is_none());
        let found = found.filter(|f| f.mating.as_ref().is_some_and(|m| m.joint == joint));
        found
            .map(|f| (p.id.clone(), f.key.clone()))
            .collect::<Vec<_>>()
    };
    parts.flat_map(mine).collect()
}

fn radius_of(documents: &Documents, variants: &[Variant], part: &str, key: &str) -> Option<f64> {
    let of = variants.iter().filter(|v| v.part == part);
    let feature = of.flat_map(|v| &v.features).find(|f| f.key == *key)?;
    let cutter = documents.cutter(feature.cutter.as_deref()?)?;
    Some(cutter.radius_mm())
}

/// The narrower shoulder of a tenon, mm; `None` where it has none on one of its edges.
fn shoulder(tenon: &TenonOf, documents: &Documents) -> Option<f64> {
    let [near, far] = tenon.shoulders(width_of(tenon, documents)?);
    let least = near.min(far);
    (least > SAME_PLACE_MM).then_some(least)
}

/// How wide the part of a tenon is, mm, where it is described as a blank.
fn width_of(tenon: &TenonOf, documents: &Documents) -> Option<f64> {
    let part = documents.job.parts.iter().find(|p| p.id == tenon.part)?;
    Some(part.blank.as_ref()?.at_hand().width.mm())
}

/// The corners at the roots of tenons, in the part's frame, each with the edge of its tenon (0 near, 1 far); none at an edge without a
/// shoulder.
fn root(tenon: &TenonOf, end: End, part: &Part, documents: &Documents) -> Vec<(Point, usize)> {
    let Some(whole) = width_of(tenon, documents) else {
        return Vec::new();
    };
    let size = part.outline.bounds().max;
    let place = |y: f64, before: f64| {
        let x = tenon.length.mm() - before;
        let x = match end {
            End::Left => x,
            End::Right => size.x - x,
        };
        let y = if part.mirrored { size.y - y } else { y };
        point(x, y)
    };
    let beside = tenon.beside();
    let haunch = tenon.haunch.map_or(0.0, |h| h.length.mm());
    let mut corners = Vec::new();
    for low in tenon.places(whole) {
        let edges = [low, low + tenon.width.mm()];
        let outer = [edges[0] - beside[0], edges[1] + beside[1]];
        for edge in [0, 1] {
            if outer[edge] > SAME_PLACE_MM && outer[edge] < whole - SAME_PLACE_MM {
                corners.push((place(outer[edge], 0.0), edge));
            }
            if beside[edge] > 0.0 {
                corners.push((place(edges[edge], haunch), edge));
            }
        }
    }
    corners
}

/// A box's extent along the way in which a mortise lies, and across it.
fn both_ways(along: bool, b: Bounds) -> [f64; 2] {
    match along {
        true => [b.width(), b.height()],
        false => [b.height(), b.width()],
    }
}
