//! Sizes of joints' features: a cut size lies between the mate's reading with the least and with the greatest room of its fit.

use super::figures::mm;
use super::wanted::laid_over;
use super::{Allowed, Wanted};
use grainway_geom::{Bounds, Contour, point};
use grainway_pipeline::doc::{
    Depth, End, FeatureKind, Joint, JointDoc, Length, Relief, ReliefKind, ReliefWay, TenonOf,
};
use grainway_pipeline::work::{Corner, Documents, Mating, Part, SizedFeature, Variant, Wall, Work};

/// Sizes that differ by less than this are the same, mm.
const SAME_MM: f64 = 1e-4;
/// The end of a mortise goes past the tenon by no more than the radii of the cutters that round its own corners and the tenon's shoulder,
/// and this, mm.
const PAST_FILLETS_MM: f64 = 0.1;
/// A shoulder covers a mortise that ends at least this far before the shoulder does, mm. Common practice, no source: 1 to 2 mm.
const COVER_MM: f64 = 1.0;

impl Wanted {
    /// Blind tenons have room for glue below their tips.
    pub(super) fn with_glue(mut self, glue: f64) -> Wanted {
        for f in self.parts.iter_mut().flat_map(|p| &mut p.features) {
            if let (Some(m), Some(Depth::Below(d))) = (&f.mating, f.depth) {
                f.depth = Some(Depth::Below(Length::from_mm(d.mm() + m.glue * glue)));
            }
        }
        self
    }
}

/// What is said of a feature's size.
pub(super) struct Claim<'a> {
    pub(super) work: &'a Work,
    pub(super) allowed: &'a Allowed,
    pub(super) part: &'a Part,
    /// The side of the part as the documents want it.
    pub(super) side: &'a Variant,
}

impl Claim<'_> {
    /// Takes over the planned size of a joint's feature where its fit allows it. `None` for features of no joint.
    pub(super) fn take_over(
        &self,
        claim: &SizedFeature,
        wanted: &mut SizedFeature,
    ) -> Option<Result<(), String>> {
        let feature = self.part.features.iter().find(|f| f.key == wanted.key)?;
        let mating = feature.mating.as_ref()?;
        if mating.walls == [Wall::Open; 4] {
            return None;
        }
        let documents = &self.work.documents;
        let joint = documents.job.joints.iter().find(|j| j.id == mating.joint)?;
        let cut = laid_over(&claim.shape, self.side, self.part, documents)?;
        let judged = self.judge(&cut, feature.shape.bounds(), mating, joint, claim);
        if judged.is_ok() {
            wanted.shape.clone_from(&claim.shape);
        }
        Some(judged)
    }

    fn judge(
        &self,
        cut: &Contour,
        mate: Bounds,
        mating: &Mating,
        joint: &JointDoc,
        claim: &SizedFeature,
    ) -> Result<(), String> {
        let own = cut.bounds();
        if (cut.area().abs() - own.width() * own.height()).abs() > SAME_MM * own.width().max(1.0) {
            return Err("is no rectangle along its part".to_string());
        }
        let grown = [
            mate.min.x - own.min.x,
            own.max.x - mate.max.x,
            mate.min.y - own.min.y,
            own.max.y - mate.max.y,
        ];
        let walls = || mating.walls.iter().zip(grown);
        let of = |wall: Wall| walls().filter(move |(w, _)| **w == wall).map(|(_, g)| g);
        let rooms = &self.allowed.rooms;
        let cheeks: Vec<f64> = of(Wall::Cheek).collect();
        if let [a, b] = cheeks[..]
            && (a - b).abs() > SAME_MM
        {
            return Err("does not have its mate in its middle".to_string());
        }
        let room: f64 = cheeks.iter().sum();
        let (least, greatest) = rooms.cheeks.get(&joint.fit).copied().unwrap_or_default();
        if !cheeks.is_empty() && !(least - SAME_MM..=greatest + SAME_MM).contains(&room) {
            return Err(format!(
                "has {} mm of room between its cheeks; a {} fit has {} to {} mm",
                mm(room),
                joint.fit.word(),
                mm(least),
                mm(greatest)
            ));
        }
        if of(Wall::Open).any(|g| g.abs() > SAME_MM)
            || of(Wall::Bottom).any(|g| (g - 0.5 * rooms.slot).abs() > SAME_MM)
        {
            return Err("runs out farther, or less far, than the documents say".to_string());
        }
        let past = of(Wall::End).fold(0.0_f64, |most, g| most.max(g - rooms.end));
        if of(Wall::End).any(|g| g < rooms.end - SAME_MM) {
            return Err(format!(
                "has less than {} mm of room at an end",
                mm(rooms.end)
            ));
        }
        if past > SAME_MM {
            self.past(past, joint, claim)?;
        }
        Ok(())
    }

    /// A mortise may go on past its tenon where the tenon's shoulder covers it, as far as round corners ask for.
    fn past(&self, past: f64, joint: &JointDoc, claim: &SizedFeature) -> Result<(), String> {
        let longer = format!("is {} mm longer at an end than its fit says", mm(past));
        let Joint::MortiseAndTenon(j) = &joint.joint else {
            return Err(longer);
        };
        if j.through {
            return Err(longer);
        }
        let documents = &self.work.documents;
        let radius = |id: Option<&String>| {
            id.and_then(|id| documents.cutter(id))
                .map(|c| c.radius_mm())
        };
        let shoulder = self.work.variants.iter().filter(|v| v.part == j.tenon.part);
        let outline = shoulder
            .flat_map(|v| &v.features)
            .find(|f| f.key == "outline")
            .and_then(|f| radius(f.cutter.as_ref()));
        let own = radius(claim.cutter.as_ref()).unwrap_or(0.0);
        // A tenon that is not made now is taken to be cut as its mortise is.
        let fillets = own + outline.unwrap_or(own);
        let covered = least_shoulder(&j.tenon, documents) - self.allowed.rooms.end - COVER_MM;
        match past <= fillets + PAST_FILLETS_MM && past <= covered + SAME_MM {
            true => Ok(()),
            false => Err(longer),
        }
    }
}

/// At its shoulder a tenon gives way: the lobe goes into its edge, never into the shoulder.
pub(super) const INTO_TENON: Relief = Relief {
    kind: ReliefKind::TBone,
    way: ReliefWay::IntoAlong,
    up_to_angle: None,
    by_hand: false,
};

/// The corner is one of a joint's feature, or of a tenon's root, and the documents leave open what becomes of it.
pub(super) fn is_joined(
    corner: &Corner,
    feature: &SizedFeature,
    part: &Part,
    documents: &Documents,
) -> bool {
    let features = &part.features;
    let own = features.iter().find(|f| f.key == feature.key);
    if own.is_some_and(|f| f.mating.is_some() && f.relief.is_none()) {
        return true;
    }
    if feature.kind != FeatureKind::Outline || part.outline_relief.is_some() {
        return false;
    }
    let id = part.id.strip_suffix(Part::MIRRORED).unwrap_or(&part.id);
    let size = part.outline.bounds().max;
    let whole = size.y;
    documents.job.tenons_by_joints(id).any(|(_, tenon)| {
        let low = tenon
            .offset
            .map_or((whole - tenon.width.mm()) / 2.0, |o| o.mm());
        let high = low + tenon.width.mm();
        let x = match tenon.end {
            End::Left => tenon.length.mm(),
            End::Right => size.x - tenon.length.mm(),
        };
        let ys = match part.mirrored {
            true => [whole - low, whole - high],
            false => [low, high],
        };
        ys.iter()
            .any(|y| corner.at.distance(point(x, *y)) < SAME_MM)
    })
}

/// The narrower of a tenon's two shoulders, mm, as the documents give them; 0 where they give none.
pub(super) fn least_shoulder(tenon: &TenonOf, documents: &Documents) -> f64 {
    let part = documents.job.parts.iter().find(|p| p.id == tenon.part);
    let Some(blank) = part.and_then(|p| p.blank.as_ref()) else {
        return 0.0;
    };
    let rest = blank.at_hand().width.mm() - tenon.width.mm();
    let near = tenon.offset.map_or(rest / 2.0, |o| o.mm());
    near.min(rest - near)
}
