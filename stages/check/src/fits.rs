//! Sizes of joints' features: a cut size lies between the mate's reading with the least and with the greatest room of its fit.

use super::figures::mm;
use super::season;
use super::wanted::laid_over;
use super::{Allowed, Wanted};
use grainway_geom::{Bounds, Contour, Point, point};
use grainway_pipeline::doc::{
    Depth, Edge, End, FeatureKind, Joint, JointDoc, Length, Relief, ReliefKind, ReliefWay, Seen,
    Side, Tenon, TenonOf,
};
use grainway_pipeline::work::{
    Corner, Documents, Feature, Mating, Part, SizedFeature, Variant, Wall, Work,
};

/// Sizes that differ by less than this are the same, mm.
const SAME_MM: f64 = 1e-4;
/// The end of a mortise goes past the tenon by no more than the radii of the cutters that round its own corners and the tenon's shoulder,
/// and this, mm.
const PAST_FILLETS_MM: f64 = 0.1;
/// A slot is longer than it must be by no more than this at each end, mm.
const LONGER_SLOT_MM: f64 = 0.1 + SAME_MM;
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
        if let Some((apart, mate)) = &mating.slides {
            let judged = self.slot(claim, wanted, *apart, mate);
            if judged.is_ok() {
                wanted.shape.clone_from(&claim.shape);
                wanted.circle = None;
            }
            return Some(judged);
        }
        if mating.walls == [Wall::Open; 4] {
            return None;
        }
        let documents = &self.work.documents;
        let joint = documents.job.joints.iter().find(|j| j.id == mating.joint)?;
        let cut = laid_over(&claim.shape, self.side, self.part, documents)?;
        let judged = self.judge(&cut, feature, mating, joint, claim);
        if judged.is_ok() {
            wanted.shape.clone_from(&claim.shape);
        }
        Some(judged)
    }

    fn judge(
        &self,
        cut: &Contour,
        feature: &Feature,
        mating: &Mating,
        joint: &JointDoc,
        claim: &SizedFeature,
    ) -> Result<(), String> {
        let mate = feature.shape.bounds();
        let own = cut.bounds();
        let square = own.width() * own.height();
        let is_square = (cut.area().abs() - square).abs() <= SAME_MM * own.width().max(1.0);
        if !is_square && !self.follows_corners(cut, feature.side, mating.corner) {
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
        if of(Wall::End).any(|g| g < rooms.end - SAME_MM) {
            return Err(format!(
                "has less than {} mm of room at an end",
                mm(rooms.end)
            ));
        }
        for (wall, (kind, g)) in walls().enumerate() {
            if *kind == Wall::End && g - rooms.end > SAME_MM {
                self.past(g - rooms.end, wall, feature, joint, claim)?;
            }
        }
        Ok(())
    }

    /// A slot goes on along its part, to both sides of its screw, as far as the mate moves there over the year, and hardly farther.
    fn slot(
        &self,
        claim: &SizedFeature,
        round: &SizedFeature,
        apart: f64,
        mate: &str,
    ) -> Result<(), String> {
        let (own, hole) = (claim.shape.bounds(), round.shape.bounds());
        let travel = (own.width() - hole.width()) / 2.0;
        let drawn = Contour::rectangle(own.min, own.max, own.height() / 2.0);
        if own.centre().distance(hole.centre()) > SAME_MM
            || (own.height() - hole.height()).abs() > SAME_MM
            || !super::curves::same_curve(&claim.shape.clone().oriented(true), &drawn)
        {
            return Err("is no slot along its part, about its screw and as wide as it".to_string());
        }
        let season = self.allowed.rooms.moisture;
        let documents = &self.work.documents;
        let moves = season::share(documents, mate, season).map_or(0.0, |s| apart * s);
        match travel >= moves - SAME_MM && travel <= moves + LONGER_SLOT_MM {
            true => Ok(()),
            false => Err(format!(
                "leaves a screw {} mm to either side; over the year {mate} moves there by {} mm",
                mm(travel),
                mm(moves)
            )),
        }
    }

    /// The recess of hardware with round corners has the same corners inside its part.
    fn follows_corners(&self, cut: &Contour, side: Side, corner: f64) -> bool {
        let Some(wood) = self.side_box(side).filter(|_| corner > 0.0) else {
            return false;
        };
        let own = cut.bounds();
        let inside =
            |p: Point| p.x > wood.min.x && p.y > wood.min.y && p.x < wood.max.x && p.y < wood.max.y;
        let round = Contour::rectangle_rounded_at(own.min, own.max, corner, inside);
        super::curves::same_curve(&cut.clone().oriented(true), &round)
    }

    /// A side as it lies in the frame in which its features are described; a piece without an end of its own is a box.
    fn side_box(&self, side: Side) -> Option<Bounds> {
        let size = self.part.outline.bounds().max;
        let stock = self.work.documents.stock(&self.part.stock)?;
        let thick = stock.readings_mm().1;
        let far = match side {
            Side::Face | Side::Back => size,
            Side::Near | Side::Far => point(size.x, thick),
            Side::LeftEnd | Side::RightEnd => point(size.y, thick),
        };
        Some(Bounds::of([Point::default(), far]))
    }

    /// A mortise may go on past its tenon where the tenon's shoulder covers it or nobody minds, as far as round corners ask for.
    fn past(
        &self,
        past: f64,
        wall: usize,
        feature: &Feature,
        joint: &JointDoc,
        claim: &SizedFeature,
    ) -> Result<(), String> {
        let longer = format!("is {} mm longer at an end than its fit says", mm(past));
        let documents = &self.work.documents;
        let cutter = |id: &String| documents.cutter(id).map(|c| c.radius_mm());
        let own = claim.cutter.as_ref().and_then(cutter).unwrap_or(0.0);
        let j = match &joint.joint {
            Joint::MortiseAndTenon(j) => j,
            // Behind a plate nobody sees it.
            Joint::Lock(_) if past <= own + PAST_FILLETS_MM => return Ok(()),
            _ => return Err(longer),
        };
        let side = feature.side;
        let seen = |side: Side| documents.seen(&self.part.id, side) == Seen::Show;
        if j.through && seen(side.opposite()) {
            return Err(longer);
        }
        let shoulder = self.work.variants.iter().filter(|v| v.part == j.tenon.part);
        let outline = shoulder
            .flat_map(|v| &v.features)
            .find(|f| f.key == "outline")
            .and_then(|f| cutter(f.cutter.as_ref()?));
        // A tenon that is not made now is taken to be cut as its mortise is.
        let fillets = own + outline.unwrap_or(own);
        let eased = documents.eased(&j.tenon.part).unwrap_or(0.0);
        let shoulder = self.shoulder_at(wall, feature, &j.tenon) - eased;
        let covered = past <= shoulder - self.allowed.rooms.end - COVER_MM + SAME_MM;
        match past <= fillets + PAST_FILLETS_MM && (covered || !seen(side)) {
            true => Ok(()),
            false => Err(longer),
        }
    }

    /// How far the tenon's shoulder goes on past a wall (left, right, near, far) of its mortise, mm: to the next tenon of the joint, or
    /// over the haunch to the edge of its part.
    fn shoulder_at(&self, wall: usize, feature: &Feature, tenon: &TenonOf) -> f64 {
        let reach = |f: &Feature| {
            let b = f.shape.bounds();
            [-b.min.x, b.max.x, -b.min.y, b.max.y]
        };
        let opposite = wall ^ 1;
        let own = reach(feature)[wall];
        let others = siblings(feature, self.part).map(reach);
        let (mut next, mut haunch) = (f64::INFINITY, 0.0);
        for theirs in others {
            match -theirs[opposite] - own {
                web if web > 0.0 => next = web.min(next),
                _ => haunch = (theirs[wall] - own).max(haunch),
            }
        }
        match next.is_finite() {
            true => next,
            false => least_shoulder(tenon, &self.work.documents) + haunch,
        }
    }
}

/// The other features of its joint in the same part.
pub(super) fn siblings<'a>(
    feature: &'a Feature,
    part: &'a Part,
) -> impl Iterator<Item = &'a Feature> {
    let joint = |f: &'a Feature| f.mating.as_ref().map(|m| &m.joint);
    let others = part.features.iter().filter(|f| f.key != feature.key);
    others.filter(move |f| joint(f).is_some() && joint(f) == joint(feature))
}

/// The lobes that a corner of a joint may get: at its shoulder a tenon gives way, by a lobe into its edge or one into both, and a mortise
/// gives way at its ends, never at its cheeks. `None` where the documents say it.
pub(super) fn lobe_of(feature: &SizedFeature, part: &Part, dog_bone: bool) -> Option<Relief> {
    let (kind, way) = match feature.kind {
        FeatureKind::Outline if dog_bone => (ReliefKind::DogBone, ReliefWay::IntoAlong),
        FeatureKind::Outline => (ReliefKind::TBone, ReliefWay::IntoAlong),
        FeatureKind::Mortise => {
            let own = part.features.iter().find(|f| f.key == feature.key)?;
            let walls = own.mating.as_ref()?.walls;
            let way = match walls[0] == Wall::End {
                true => ReliefWay::IntoAcross,
                false => ReliefWay::IntoAlong,
            };
            (ReliefKind::TBone, way)
        }
        _ => return None,
    };
    Some(Relief {
        kind,
        way,
        ..Relief::default()
    })
}

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
    let tenons = documents.job.tenons_by_joints(id, size.y);
    let mut roots = tenons.flat_map(|(_, t)| roots(&t, size));
    roots.any(|at| {
        let y = if part.mirrored { size.y - at.y } else { at.y };
        corner.at.distance(point(at.x, y)) < SAME_MM
    })
}

/// Where a tenon of a part of this size, and its haunch, have their corners.
fn roots(tenon: &Tenon, size: Point) -> Vec<Point> {
    let low = tenon
        .offset
        .map_or((size.y - tenon.width.mm()) / 2.0, |o| o.mm());
    let high = low + tenon.width.mm();
    let from_tip = |at: f64| match tenon.end {
        End::Left => at,
        End::Right => size.x - at,
    };
    let shoulder = from_tip(tenon.length.mm());
    let mut corners = vec![point(shoulder, low), point(shoulder, high)];
    if let Some(h) = tenon.haunch {
        let step = from_tip(tenon.length.mm() - h.length.mm());
        let (edge, outer) = match h.edge {
            Edge::Near => (low, low - h.width.mm()),
            Edge::Far => (high, high + h.width.mm()),
        };
        corners.extend([point(step, edge), point(shoulder, outer)]);
    }
    corners
}

/// The narrower of a tenon's two shoulders, mm, as the documents give them; 0 where they give none.
pub(super) fn least_shoulder(tenon: &TenonOf, documents: &Documents) -> f64 {
    let part = documents.job.parts.iter().find(|p| p.id == tenon.part);
    let Some(blank) = part.and_then(|p| p.blank.as_ref()) else {
        return 0.0;
    };
    let [near, far] = tenon.shoulders(blank.at_hand().width.mm());
    near.min(far)
}
