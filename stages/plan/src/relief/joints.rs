//! Corners of joints: what becomes of them follows from what the mate covers.
//!
//! A tenon with square arrises needs more room than a mortise with round corners gives, and the fillet at its shoulder stands in the way
//! of the mortise's mouth. Where the shoulder covers it, the mortise is made longer by both radii and nothing shows. Where edges are
//! eased by hand to at least the cutter's radius, the fillets stay. Else the tenon's shoulder gets a lobe into its edge, as long as
//! the root keeps its strength, and the corners of a through mortise are squared by hand, since lobes show at its exit.

use super::ReliefSettings;
use grainway_geom::{Bounds, Contour, Point, point};
use grainway_pipeline::doc::{End, Joint, MortiseAndTenon, MortiseOf, TenonOf};
use grainway_pipeline::work::{Documents, HandWork, Part, SizedFeature, Variant, Wall, Work};
use std::collections::BTreeMap;

/// The shoulder goes on at least so far past a mortise that it covers, mm. Common practice, no source: 1 to 2 mm.
const COVER_MM: f64 = 1.5;
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
    /// A lobe goes into the tenon's edge.
    IntoTenon,
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
            _ => {}
        }
    }
    ways
}

struct Settling<'a> {
    work: &'a Work,
    settings: &'a ReliefSettings,
    joint: &'a str,
}

impl Settling<'_> {
    fn tenon(&self, j: &MortiseAndTenon, variants: &mut [Variant], ways: &mut Ways) {
        let documents = &self.work.documents;
        let shoulder = shoulder(&j.tenon, documents);
        let fillet = match shoulder {
            Some(_) => radius_of(documents, variants, &j.tenon.part, "outline"),
            None => Some(0.0),
        };
        let eased = |part: &str| documents.eased(part).unwrap_or(0.0);
        let mortises = mortises(self.work, &j.mortise, self.joint);
        let mut roomy = !mortises.is_empty();
        for (part, key) in mortises {
            let Some(radius) = radius_of(documents, variants, &part, &key) else {
                continue;
            };
            // Where the tenon is not made now, it is taken to be cut as its mortise is.
            let by = radius + fillet.unwrap_or(radius);
            let longer = !j.through
                && shoulder.is_some_and(|s| self.lengthen(variants, (&part, &key), by, s));
            roomy &= longer;
            if longer || eased(&j.tenon.part) >= radius {
                ways.put(&part, &key, None, Way::Covered);
            } else if j.through {
                ways.put(&part, &key, None, Way::ByHand);
            }
        }
        let fillet = fillet.unwrap_or(0.0);
        let covered = roomy || fillet == 0.0 || eased(base(&j.mortise.part)) >= fillet;
        let lost = 1.0
            - ((j.tenon.width.mm() - 2.0 * fillet) / j.tenon.width.mm())
                .max(0.0)
                .powi(2);
        let way = match covered {
            true => Way::Covered,
            false if lost <= self.settings.most_loss => Way::IntoTenon,
            false => Way::ByHand,
        };
        for part in self.hands(&j.tenon.part) {
            for end in j.tenon.end.ends() {
                let root = root(&j.tenon, *end, part, documents);
                for at in root.into_iter().flatten() {
                    ways.put(&part.id, "outline", Some(at), way);
                }
            }
        }
    }

    /// The part and its other hand, as far as the job leaves open what becomes of their outlines' corners.
    fn hands(&self, id: &str) -> impl Iterator<Item = &Part> {
        let id = id.to_string();
        let parts = self.work.parts.iter();
        parts.filter(move |p| base(&p.id) == id && p.outline_relief.is_none())
    }

    /// Makes a mortise longer at both ends, where the shoulder covers it and the part has the wood.
    fn lengthen(
        &self,
        variants: &mut [Variant],
        (part, key): (&str, &str),
        by: f64,
        shoulder: f64,
    ) -> bool {
        let walls = self
            .work
            .part(part)
            .and_then(|p| p.features.iter().find(|f| f.key == *key))
            .and_then(|f| f.mating.as_ref())
            .map(|m| m.walls);
        let Some(walls) = walls else {
            return false;
        };
        let along = walls[0] == Wall::End;
        let mut done = false;
        for variant in variants.iter_mut().filter(|v| v.part == part) {
            let Some(index) = variant.features.iter().position(|f| f.key == *key) else {
                continue;
            };
            let own = variant.features[index].shape.bounds();
            let width = own.width().max(own.height());
            let out = if along {
                point(by, 0.0)
            } else {
                point(0.0, by)
            };
            let longer = Bounds {
                min: own.min - out,
                max: own.max + out,
            };
            // The room at the end is in the mortise already.
            let covered = by + self.end_room(width) + COVER_MM <= shoulder + SAME_PLACE_MM;
            if !covered || !has_wood(variant, index, longer) {
                continue;
            }
            let feature = &mut variant.features[index];
            feature.shape = Contour::rectangle(longer.min, longer.max, 0.0);
            feature.corners = super::inside_corners(feature, &variant.outline);
            done = true;
        }
        done
    }

    /// The room at each end of a mortise of this length.
    fn end_room(&self, length: f64) -> f64 {
        let joints = self.work.documents.job.joints.iter();
        let tenon = joints
            .filter(|j| j.id == self.joint)
            .find_map(|j| match &j.joint {
                Joint::MortiseAndTenon(j) => Some(j.tenon.width.mm()),
                _ => None,
            });
        tenon.map_or(0.0, |w| (length - w).max(0.0) / 2.0)
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
    let (near, far) = shoulders(tenon, documents)?;
    let least = near.min(far);
    (least > SAME_PLACE_MM).then_some(least)
}

/// How wide the shoulders at the near and at the far edge are, mm.
fn shoulders(tenon: &TenonOf, documents: &Documents) -> Option<(f64, f64)> {
    let part = documents.job.parts.iter().find(|p| p.id == tenon.part)?;
    let whole = part.blank.as_ref()?.at_hand().width.mm();
    let near = tenon
        .offset
        .map_or((whole - tenon.width.mm()) / 2.0, |o| o.mm());
    Some((near, whole - near - tenon.width.mm()))
}

/// The corners at the root of a tenon, in the part's frame; none at an edge without a shoulder.
fn root(tenon: &TenonOf, end: End, part: &Part, documents: &Documents) -> [Option<Point>; 2] {
    let Some((near, far)) = shoulders(tenon, documents) else {
        return [None, None];
    };
    let size = part.outline.bounds().max;
    let x = match end {
        End::Left => tenon.length.mm(),
        End::Right => size.x - tenon.length.mm(),
    };
    let (low, high) = match part.mirrored {
        true => (far, near),
        false => (near, far),
    };
    let at = |shoulder: f64, y: f64| (shoulder > SAME_PLACE_MM).then(|| point(x, y));
    [at(low, low), at(high, size.y - high)]
}

/// The part keeps enough wood round a feature that takes this room.
fn has_wood(variant: &Variant, index: usize, room: Bounds) -> bool {
    let kept = room.grown(KEEP_MM);
    let corners = [
        kept.min,
        point(kept.max.x, kept.min.y),
        kept.max,
        point(kept.min.x, kept.max.y),
    ];
    let inside = corners.iter().all(|c| variant.outline.contains(*c));
    let mut others = variant.features.iter().enumerate();
    inside
        && others.all(|(i, f)| i == index || f.key == "outline" || !f.shape.bounds().touches(kept))
}
