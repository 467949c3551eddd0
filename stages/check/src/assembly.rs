//! Puts joints together from the shapes that the texts cut: how much room there is, whether the mate goes in, and what stays open to
//! the eye.
//!
//! A mate is seen as sections square to the way in which it goes in. The cavity is what the texts sweep at each depth. Sections are
//! polygons whose arcs are chords within [`KERNEL_MM`], so figures are good to a hundredth of a millimetre.

use super::figures::mm;
use super::fits::{least_shoulder, siblings};
use super::motions::Motion;
use super::opened::at_heights;
use super::wanted::{laid_over, part_frame};
use super::{Models, Scene};
use grainway_geom::{Bounds, Capsule, Contour, Point, PolySet, Region, Vertex, point, swept};
use grainway_pipeline::doc::{
    CutterKind, Depth, End, FeatureKind, Joint, JointDoc, MortiseAndTenon, Seen, Side,
};
use grainway_pipeline::finding::{Finding, code};
use grainway_pipeline::tolerance::{KERNEL_MM, TEXT_AGAINST_PLAN_MM};
use grainway_pipeline::work::{
    CornerAnswer, Documents, Feature, JointFigure, JointVerdict, Mating, Part, Wall, Work, ZFrame,
};
use std::collections::BTreeMap;

/// Contact is no interference: sections are drawn in by so much before they are compared, mm.
const CONTACT_MM: f64 = 0.01;
/// Less overlap than this is flattening, mm².
const NOTHING_MM2: f64 = 1e-3;
/// What lies no farther from the mate than this is the gap of the fit itself, mm.
const GAP_MM: f64 = 1.0;
/// Sections are measured in strips of this width, mm. Nearest to its shoulder a tenon's fillet runs out nine times as far as the strip is wide.
const STRIP_MM: f64 = 0.0005;
/// Sections near a shoulder lie so far from it, mm: its fillets are there.
const NEAR_SHOULDER_MM: [f64; 12] = [0.02, 0.1, 0.2, 0.4, 0.7, 1.0, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0];
/// Farther sections are so far apart, mm.
const SECTION_STEP_MM: f64 = 3.0;
/// A side is looked at so far below its surface, mm.
const SURFACE_MM: f64 = 0.02;
/// A figure of a joint shows so much round what the mate covers, mm.
const FIGURE_MM: f64 = 8.0;
/// Of a long joint a figure shows one end, so many mm of it.
const FIGURE_MOST_MM: f64 = 110.0;
/// A lobe at a tenon's root is looked for so far from its corner, mm.
const NOTCH_MM: f64 = 12.0;
/// A window round a tenon in which its wood is looked at, mm beside it.
const BESIDE_TENON_MM: f64 = 25.0;

/// What the texts of a setup cut in a piece that belongs to a joint.
#[derive(Clone, Debug, PartialEq)]
pub struct PieceCuts {
    part: String,
    side: Side,
    /// Moves in the part's own frame, each with its cutter's radius.
    cuts: Vec<(Motion, f64)>,
}

/// The cuts of the pieces that belong to joints.
pub(super) fn cuts(scene: &Scene<'_>, models: &Models) -> Vec<PieceCuts> {
    let documents = &scene.work.documents;
    let joints = &documents.job.joints;
    let joined = |part: &str| {
        let base = part.strip_suffix(Part::MIRRORED).unwrap_or(part);
        let mut of = joints.iter().flat_map(|j| j.joint.parts());
        of.any(|(id, _)| id == base)
    };
    let mut out: Vec<PieceCuts> = Vec::new();
    for piece in &scene.pieces {
        let variant = &piece.model.variant;
        let Some(part) = models.wanted.part(&variant.part).filter(|p| joined(&p.id)) else {
            continue;
        };
        let cut = |m: &Motion| {
            let tool = scene.recorded.tool(m)?;
            let flat = matches!(tool.cutter.kind, CutterKind::EndMill | CutterKind::Drill);
            let at = |at: Point, bulge: f64| Vertex { at, bulge };
            let line = Contour {
                vertices: vec![at(m.path.start(), m.path.bulge()), at(m.path.end(), 0.0)],
                closed: false,
            };
            let path = laid_over(&line, variant, part, documents)?
                .segments()
                .next()?;
            flat.then_some((Motion { path, ..*m }, tool.radius))
        };
        let near = super::leftover::moves_near(scene, piece);
        out.push(PieceCuts {
            part: part.id.clone(),
            side: variant.side,
            cuts: near.iter().filter_map(|(_, m)| cut(m)).collect(),
        });
    }
    out
}

impl PieceCuts {
    /// Those that reach into a box.
    fn within(&self, room: Bounds) -> PieceCuts {
        let reaches = |(m, r): &&(Motion, f64)| m.bounds().grown(*r).touches(room);
        PieceCuts {
            cuts: self.cuts.iter().filter(reaches).copied().collect(),
            ..self.clone()
        }
    }
    /// What cuts at this height, each once: passes lie over each other.
    fn capsules(&self, z: f64) -> Vec<Capsule> {
        let capsule = |(m, radius): &(Motion, f64)| {
            let path = m.path_below(z)?;
            let (a, b) = (path.start(), path.end());
            let bits = [a.x, a.y, b.x, b.y, path.bulge(), *radius].map(f64::to_bits);
            Some((
                bits,
                Capsule {
                    segment: path,
                    radius: *radius,
                },
            ))
        };
        let all: BTreeMap<_, _> = self.cuts.iter().filter_map(capsule).collect();
        all.into_values().collect()
    }
    /// What is swept at this height.
    fn swept(&self, z: f64) -> PolySet {
        swept(&self.capsules(z))
    }
    /// The lowest height that is cut at a place; infinite where nothing is.
    fn floor(&self, place: Point) -> f64 {
        let over = self.cuts.iter().filter_map(|(m, radius)| {
            let (nearest, share) = m.path.nearest(place);
            let height = m.z[0] + share * (m.z[1] - m.z[0]);
            (nearest.distance(place) <= *radius).then_some(height)
        });
        over.fold(f64::INFINITY, f64::min)
    }
    /// The same cuts within what a text may differ from its plan.
    fn is_like(&self, other: &PieceCuts) -> bool {
        let mut pairs = self.cuts.iter().zip(&other.cuts);
        self.cuts.len() == other.cuts.len()
            && pairs.all(|((m, r), (n, q))| r.total_cmp(q).is_eq() && m.is_like(n))
    }
}

/// Each of what is alike once.
fn once<T>(all: impl Iterator<Item = T>, alike: impl Fn(&T, &T) -> bool) -> Vec<T> {
    let mut out: Vec<T> = Vec::new();
    for one in all {
        if !out.iter().any(|o| alike(o, &one)) {
            out.push(one);
        }
    }
    out
}

/// Every joint whose parts were all cut, put together.
pub(super) fn joints(
    work: &Work,
    models: &Models,
    cut: &[PieceCuts],
) -> (Vec<JointVerdict>, Vec<Finding>) {
    let mut verdicts = Vec::new();
    let mut findings = Vec::new();
    for joint in &work.documents.job.joints {
        for part in &models.wanted.parts {
            for feature in &part.features {
                let Some(mating) = feature.mating.as_ref().filter(|m| m.joint == joint.id) else {
                    continue;
                };
                // The mortise of the tenon is put together with its haunch.
                if mating.walls == [Wall::Open; 4] || mating.haunch {
                    continue;
                }
                let socket = Socket {
                    work,
                    models,
                    joint,
                    part,
                    feature,
                    mating,
                };
                if let Some(verdict) = socket.joined(cut) {
                    findings.extend(socket.findings(&verdict));
                    verdicts.push(verdict);
                }
            }
        }
    }
    (verdicts, findings)
}

/// A feature that takes a mate.
struct Socket<'a> {
    work: &'a Work,
    models: &'a Models,
    joint: &'a JointDoc,
    part: &'a Part,
    feature: &'a Feature,
    mating: &'a Mating,
}

/// What a piece leaves open for a mate.
struct Cavities {
    /// Of each depth at which the mate is looked at, its mouth eased.
    sections: Vec<(f64, PolySet)>,
    mouth: PolySet,
    /// How deep it lies, mm, and what is open there.
    exit: (f64, PolySet),
}

/// What was measured of one piece with one mate.
struct Measured {
    cheeks: Option<[f64; 2]>,
    ends: Option<[f64; 2]>,
    open: f64,
    visible: [f64; 3],
    figure: JointFigure,
}

impl Socket<'_> {
    fn documents(&self) -> &Documents {
        &self.work.documents
    }

    fn joined(&self, cut: &[PieceCuts]) -> Option<JointVerdict> {
        // What goes through is cut from the face, from the near edge or from the left end.
        let side = match (self.feature.depth, self.feature.side) {
            (Some(Depth::Through), Side::Back) => Side::Face,
            (Some(Depth::Through), Side::Far) => Side::Near,
            (Some(Depth::Through), Side::RightEnd) => Side::LeftEnd,
            (_, side) => side,
        };
        let room = self.near(self.mate());
        let own = cut
            .iter()
            .filter(|c| c.part == self.part.id && c.side == side);
        let own = once(own.map(|c| c.within(room)), PieceCuts::is_like);
        let tenons = match &self.joint.joint {
            Joint::MortiseAndTenon(j) => {
                let own = || cut.iter().filter(|c| c.part == j.tenon.part);
                let back = own().find(|c| c.side == Side::Back);
                let made = own().filter(|c| c.side == Side::Face);
                let all = made.flat_map(|c| self.tenons(j, c, back));
                once(all, Tenon::is_like)
            }
            _ => Vec::new(),
        };
        // A mate that is not made now is as large as the documents say.
        let mates: Vec<Option<&Tenon>> = match tenons.is_empty() {
            true => vec![None],
            false => tenons.iter().map(Some).collect(),
        };
        let mut all: Option<Measured> = None;
        for piece in &own {
            let cavities = self.cavities(piece)?;
            for tenon in &mates {
                let one = self.measure(&cavities, *tenon);
                all = Some(match all {
                    Some(before) => before.with(one),
                    None => one,
                });
            }
        }
        let m = all?;
        let root = tenons.iter().map(Tenon::root).min_by(f64::total_cmp);
        let [first, second] = self.joint.joint.parts().map(|p| p.0);
        let base = self
            .part
            .id
            .strip_suffix(Part::MIRRORED)
            .unwrap_or(&self.part.id);
        let goes = match &self.joint.joint {
            Joint::LooseTenon(j) => j.tenon.stock.as_str(),
            Joint::Hinge(_) => "leaf",
            Joint::Lock(_) if base == first => "lock",
            Joint::Lock(_) => "keep",
            _ if base == first => second,
            _ => first,
        };
        Some(JointVerdict {
            joint: self.joint.id.clone(),
            goes: goes.to_string(),
            into: self.part.id.clone(),
            fit: self.joint.fit,
            cheeks: m.cheeks,
            ends: m.ends,
            open: m.open,
            visible: m.visible,
            root,
            figure: m.figure,
        })
    }

    /// The tenons at the ends of a piece.
    fn tenons(&self, j: &MortiseAndTenon, cut: &PieceCuts, back: Option<&PieceCuts>) -> Vec<Tenon> {
        let part = self.models.wanted.part(&j.tenon.part);
        let size = part.map_or(Point::default(), |p| p.outline.bounds().max);
        let places = j.tenon.places(size.y);
        let all = j.tenon.end.ends().iter();
        let all = all.flat_map(|end| places.iter().map(move |low| (*end, *low)));
        all.map(|(end, low)| Tenon::of(j, (end, low, size), (cut, back), self))
            .collect()
    }

    /// The mate's section without room, in the part's frame.
    fn mate(&self) -> Bounds {
        let b = self.feature.shape.bounds();
        let whole = self.box_of_side();
        Bounds {
            min: point(b.min.x.max(whole.min.x), b.min.y.max(whole.min.y)),
            max: point(b.max.x.min(whole.max.x), b.max.y.min(whole.max.y)),
        }
    }

    fn box_of_side(&self) -> Bounds {
        let size = self.part.outline.bounds().max;
        let stock = self.documents().stock(&self.part.stock);
        let thick = stock.map_or(0.0, |s| s.readings_mm().1);
        let far = match self.feature.side {
            Side::Face | Side::Back => size,
            Side::Near | Side::Far => point(size.x, thick),
            Side::LeftEnd | Side::RightEnd => point(size.y, thick),
        };
        Bounds::of([Point::default(), far])
    }

    /// The cheeks run along x.
    fn along(&self) -> bool {
        self.mating.walls[2] == Wall::Cheek || self.mating.walls[3] == Wall::Cheek
    }

    /// How deep the mate goes in, mm.
    fn depth(&self) -> Option<f64> {
        let z = part_frame(self.documents(), self.part, self.feature.side)?;
        let glue = self.mating.glue * self.models.allowed.rooms.glue;
        Some(match (self.feature.depth, self.feature.left) {
            (Some(Depth::Below(d)), _) => d.mm() - glue,
            (Some(Depth::Through), _) => z.mean,
            (None, Some(left)) => z.mean - left,
            (None, None) => return None,
        })
    }

    /// The part seen from the side that the mate goes into.
    fn wood_of_side(&self) -> PolySet {
        let outline = match self.feature.side.is_flat() {
            true => self.part.outline.clone(),
            false => rectangle(self.box_of_side()),
        };
        PolySet::from_contour(&outline, KERNEL_MM)
    }

    /// The radius to which the mouth is eased, and that of the mate's edges, mm.
    fn eased(&self) -> (f64, f64) {
        let eased = |id: &str| {
            let base = id.strip_suffix(Part::MIRRORED).unwrap_or(id);
            self.documents().eased(base).unwrap_or(0.0)
        };
        let mate = match &self.joint.joint {
            Joint::MortiseAndTenon(j) => eased(&j.tenon.part),
            Joint::LooseTenon(_) => self.mating.mate / 2.0,
            _ => self.mating.corner,
        };
        (eased(&self.part.id), mate)
    }

    /// What a piece leaves open for the mate. `None` where the mate lies outside its part, which is told elsewhere.
    fn cavities(&self, piece: &PieceCuts) -> Option<Cavities> {
        let z = part_frame(self.documents(), self.part, self.feature.side)?;
        let depth = self.depth()?;
        let mate = self.mate();
        if mate.width() <= 0.0 || mate.height() <= 0.0 {
            return None;
        }
        // Neither above nor below it what lies on the floor under a haunch.
        let floor = self.haunch().map(|h| h + self.models.allowed.rooms.glue);
        let on_floor = |s: f64| floor.is_some_and(|f| (s - f).abs() < 2.0 * SURFACE_MM);
        let plate = self.plate().map_or(0.0, |(_, deep)| deep);
        let mut sections = sections(depth, self.haunch());
        sections.retain(|s| !on_floor(*s) && *s > plate);
        let at_exit = depth - SURFACE_MM;
        let height = |s: f64| z.top() - s;
        let heights: Vec<f64> = sections.iter().copied().map(height).collect();
        let at_mouth = plate + SURFACE_MM;
        let ends = [height(at_mouth), height(at_exit)];
        let swept = at_heights(&piece.cuts, &[&heights[..], &ends].concat());
        let own = self.others().next().is_some().then(|| self.own_room(mate));
        let own = own.map(|room| PolySet::from_contour(&rectangle(room), KERNEL_MM));
        let squared = self.squared_round();
        let cut = |s: f64| {
            let mut open = swept.get(&height(s).to_bits()).cloned().unwrap_or_default();
            for (corners, _) in squared.iter().filter(|(_, deep)| s < *deep) {
                open = open.union(corners);
            }
            match &own {
                Some(own) => open.intersection(own),
                None => open,
            }
        };
        let (mouth, _) = self.eased();
        let cavity = |s: f64| {
            let open = cut(s);
            let left = (mouth - s).max(0.0);
            let wider = mouth - (mouth * mouth - left * left).max(0.0).sqrt();
            if wider > 0.0 {
                open.offset(wider)
            } else {
                open
            }
        };
        Some(Cavities {
            mouth: cut(at_mouth),
            exit: (at_exit, cut(at_exit)),
            sections: sections.into_iter().map(|s| (s, cavity(s))).collect(),
        })
    }

    fn measure(&self, piece: &Cavities, tenon: Option<&Tenon>) -> Measured {
        let through = self.feature.depth == Some(Depth::Through);
        let mate = self.mate();
        let wood = self.wood_of_side();
        let (_, round) = self.eased();
        let mut m = Measured {
            cheeks: None,
            ends: None,
            open: 0.0,
            visible: [0.0; 3],
            figure: JointFigure::default(),
        };
        for (s, cavity) in &piece.sections {
            let section = match tenon {
                Some(t) => t.section(*s, mate, self.along()),
                None => mate,
            };
            let body = PolySet::from_contour(&rounded(section, round), KERNEL_MM);
            let body = body.intersection(&wood).offset(-CONTACT_MM);
            if body.difference(cavity).area() > NOTHING_MM2 {
                m.open = s.max(m.open);
            }
            self.rooms(cavity, section, &mut m);
        }
        let (at_exit, open) = &piece.exit;
        let tip = || match tenon {
            Some(t) => t.section(*at_exit, mate, self.along()),
            None => self.cover(mate),
        };
        let exit = through.then(|| seen(open, tip(), self.gap(), &wood));
        self.looked_at(&piece.mouth, exit, &wood, (mate, round), &mut m);
        m.visible[2] = tenon.map_or(0.0, |t| something(t.notches().area()));
        m
    }

    /// What is seen of the joint: how much stays open, and a figure of it.
    fn looked_at(
        &self,
        mouth: &PolySet,
        exit: Option<PolySet>,
        wood: &PolySet,
        (mate, round): (Bounds, f64),
        m: &mut Measured,
    ) {
        let covers = self.cover(mate);
        let open: Vec<PolySet> = std::iter::once(seen(mouth, covers, self.gap(), wood))
            .chain(exit)
            .collect();
        for (visible, open) in m.visible.iter_mut().zip(&open) {
            *visible = something(open.area());
        }
        let window = covers.grown(FIGURE_MM);
        let far = window.min + point(FIGURE_MOST_MM, FIGURE_MOST_MM);
        let near = Bounds {
            min: window.min,
            max: point(window.max.x.min(far.x), window.max.y.min(far.y)),
        };
        let window = PolySet::from_contour(&rectangle(near), KERNEL_MM);
        let within = |p: &PolySet| outlines(&p.intersection(&window));
        let of = |c: Contour| within(&PolySet::from_contour(&c, KERNEL_MM));
        m.figure = JointFigure {
            cavity: within(mouth),
            mate: of(rounded(mate, round)),
            cover: of(rectangle(covers)),
            open: open.iter().flat_map(within).collect(),
        };
    }

    /// What the hand-work list has squared of this mortise and of that of its haunch, and how deep, mm.
    fn squared_round(&self) -> Vec<(PolySet, f64)> {
        let others = self.others();
        let haunches = others.filter(|f| f.mating.as_ref().is_some_and(|m| m.haunch));
        let own = std::iter::once((self.feature, f64::INFINITY));
        let deep = |f: &Feature| match f.depth {
            Some(Depth::Below(d)) => d.mm(),
            _ => f64::INFINITY,
        };
        own.chain(haunches.map(|f| (f, deep(f))))
            .filter_map(|(f, deep)| {
                let (corners, shape) = self.squared(&self.part.id, &f.key)?;
                Some((corners.intersection(&shape), deep))
            })
            .collect()
    }

    /// Squares about the corners of a feature that the hand-work list has squared, and what the feature's shape holds, both in the part's
    /// frame.
    fn squared(&self, part: &str, key: &str) -> Option<(PolySet, PolySet)> {
        let variants = self.models.variants.iter().map(|m| &m.variant);
        let found = variants.filter(|v| v.part == part).find_map(|v| {
            let feature = v.features.iter().find(|f| f.key == key)?;
            Some((v, feature))
        });
        let (variant, feature) = found?;
        let radius = self
            .documents()
            .cutter(feature.cutter.as_deref()?)?
            .radius_mm();
        let part = self.models.wanted.part(part)?;
        let flat = |c: &Contour| {
            let own = laid_over(c, variant, part, self.documents())?;
            Some(PolySet::from_contour(&own.oriented(true), KERNEL_MM))
        };
        let by_hand = feature
            .corners
            .iter()
            .filter(|c| c.answer == CornerAnswer::ByHand);
        let mut squares = PolySet::default();
        for corner in by_hand {
            let reach = point(radius, radius) * 1.05;
            let square = Contour::rectangle(corner.at - reach, corner.at + reach, 0.0);
            squares = squares.union(&flat(&square)?);
        }
        (!squares.is_empty()).then_some((squares, flat(&feature.shape)?))
    }

    /// The room between the mate's section and the cavity's walls, as far as the cavity is open there.
    fn rooms(&self, cavity: &PolySet, section: Bounds, m: &mut Measured) {
        let [left, right, near, far] = self.mating.walls;
        let (sides, ends) = match self.along() {
            true => ([near, far], [left, right]),
            false => ([left, right], [near, far]),
        };
        let across = !self.along();
        let spread = self.mating.spread;
        // Where the mate's own corners are round it has no cheeks.
        let long = if across {
            section.height()
        } else {
            section.width()
        };
        let least = (self.mating.corner / long).clamp(0.1, 0.5);
        for share in [least, 0.5, 1.0 - least] {
            if let Some(room) = clear(cavity, section, across, share) {
                let total: f64 = (0..2)
                    .filter(|i| sides[*i] == Wall::Cheek)
                    .map(|i| room[i])
                    .sum();
                if sides.contains(&Wall::Cheek) {
                    m.cheeks = Some(wider(m.cheeks, [total, total + spread]));
                }
            }
        }
        if let Some(room) = clear(cavity, section, !across, 0.5) {
            for i in 0..2 {
                if ends[i] == Wall::End {
                    m.ends = Some(wider(m.ends, [room[i], room[i]]));
                }
            }
        }
    }

    /// The other mortises of the joint in the same part.
    fn others(&self) -> impl Iterator<Item = &Feature> {
        let several = matches!(self.joint.joint, Joint::MortiseAndTenon(_));
        siblings(self.feature, self.part).filter(move |_| several)
    }

    /// The plate that what goes in stands behind: what of the side it covers, and how deep its recess is, mm.
    fn plate(&self) -> Option<(Bounds, f64)> {
        let is_body = self.feature.kind == FeatureKind::Mortise;
        if !is_body || !matches!(self.joint.joint, Joint::Lock(_)) {
            return None;
        }
        let mut others = siblings(self.feature, self.part);
        let plate = others.find(|f| f.kind == FeatureKind::Pocket)?;
        match plate.depth {
            Some(Depth::Below(deep)) => Some((plate.shape.bounds(), deep.mm())),
            _ => None,
        }
    }

    /// The length of the haunch, mm.
    fn haunch(&self) -> Option<f64> {
        match &self.joint.joint {
            Joint::MortiseAndTenon(j) => j.tenon.haunch.map(|h| h.length.mm()),
            _ => None,
        }
    }

    /// What lies round the mate and its haunch.
    fn near(&self, mate: Bounds) -> Bounds {
        let haunches = self
            .others()
            .filter(|f| f.mating.as_ref().is_some_and(|m| m.haunch));
        let shapes = haunches.map(|f| f.shape.bounds());
        shapes.fold(mate, Bounds::union).grown(BESIDE_TENON_MM)
    }

    /// What of the part is looked at for this mate alone: half way to the next one of the joint.
    fn own_room(&self, mate: Bounds) -> Bounds {
        let mut room = self.near(mate);
        for other in self.others() {
            let next = other.shape.bounds();
            let between = |a: f64, b: f64| (a < b).then_some(0.5 * (a + b));
            if let Some(x) = between(mate.max.x, next.min.x) {
                room.max.x = room.max.x.min(x);
            }
            if let Some(x) = between(next.max.x, mate.min.x) {
                room.min.x = room.min.x.max(x);
            }
            if let Some(y) = between(mate.max.y, next.min.y) {
                room.max.y = room.max.y.min(y);
            }
            if let Some(y) = between(next.max.y, mate.min.y) {
                room.min.y = room.min.y.max(y);
            }
        }
        room
    }

    /// What the mate covers of the side that it goes into.
    fn cover(&self, mate: Bounds) -> Bounds {
        let others = self.others().map(|f| f.shape.bounds());
        let mate = others.fold(mate, Bounds::union);
        if let Some((plate, _)) = self.plate() {
            return mate.union(plate);
        }
        let shoulder = match &self.joint.joint {
            Joint::MortiseAndTenon(j) => least_shoulder(&j.tenon, self.documents()),
            // The other panel goes on over the whole height of this one.
            Joint::EdgeHalving(_) => self.part.outline.bounds().height(),
            _ => 0.0,
        };
        let out = match self.along() {
            true => point(shoulder, 0.0),
            false => point(0.0, shoulder),
        };
        Bounds {
            min: mate.min - out,
            max: mate.max + out,
        }
    }

    /// What lies no farther from the mate than this is the gap of the fit itself, mm.
    fn gap(&self) -> f64 {
        GAP_MM.max(self.models.allowed.rooms.end)
    }

    fn findings(&self, v: &JointVerdict) -> impl Iterator<Item = Finding> {
        let open = (v.open > 0.0).then(|| {
            format!(
                "The joint {} does not close: {} stops {} mm short of {}, on wood that the cutter leaves at its root or in the corners.",
                v.joint,
                v.goes,
                mm(v.open),
                v.into
            )
        });
        let shown = self.shown(v).map(|(area, part)| {
            format!(
                "The joint {} leaves {} mm² open to the eye on a side of {part} that is always seen.",
                v.joint,
                mm(area)
            )
        });
        let (part, key) = (self.part.id.clone(), self.feature.key.clone());
        open.into_iter().chain(shown).map(move |message| {
            Finding::new(&code::VERIFY_JOINT, message)
                .part(&part)
                .feature(&key)
        })
    }

    /// What of a mortise and tenon shows on a side that is always seen, mm², and of which part, where the documents leave open what
    /// becomes of its corners: there it could have been squared by hand.
    fn shown(&self, v: &JointVerdict) -> Option<(f64, String)> {
        let Joint::MortiseAndTenon(j) = &self.joint.joint else {
            return None;
        };
        let documents = self.documents();
        let shows = |part: &str, side: Side| documents.seen(part, side) == Seen::Show;
        let tenon = self.models.wanted.part(&j.tenon.part);
        let at_tenon = tenon.is_some_and(|p| p.outline_relief.is_none())
            && [Side::Face, Side::Back]
                .iter()
                .any(|s| shows(&j.tenon.part, *s));
        let own = self.feature.relief.is_none();
        let side = self.feature.side;
        let [entry, exit, shoulder] = v.visible;
        let here = [(entry, side), (exit, side.opposite())];
        let mut all: Vec<(f64, &str)> = here
            .into_iter()
            .filter(|(_, side)| own && shows(&self.part.id, *side))
            .map(|(area, _)| (area, self.part.id.as_str()))
            .collect();
        all.extend(at_tenon.then_some((shoulder, j.tenon.part.as_str())));
        let found = all.into_iter().find(|(area, _)| *area > 0.0);
        found.map(|(area, part)| (area, part.to_string()))
    }
}

impl Measured {
    /// The worse of two.
    fn with(self, other: Measured) -> Measured {
        let both = |a: Option<[f64; 2]>, b: Option<[f64; 2]>| match (a, b) {
            (a, Some(b)) => Some(wider(a, b)),
            (a, None) => a,
        };
        Measured {
            cheeks: both(self.cheeks, other.cheeks),
            ends: both(self.ends, other.ends),
            open: self.open.max(other.open),
            visible: [0, 1, 2].map(|i| self.visible[i].max(other.visible[i])),
            figure: self.figure,
        }
    }
}

fn wider(span: Option<[f64; 2]>, with: [f64; 2]) -> [f64; 2] {
    span.map_or(with, |[a, b]| [a.min(with[0]), b.max(with[1])])
}

fn rectangle(b: Bounds) -> Contour {
    Contour::rectangle(b.min, b.max, 0.0)
}

fn rounded(b: Bounds, by: f64) -> Contour {
    let most = 0.5 * b.width().min(b.height()) - CONTACT_MM;
    Contour::rectangle(b.min, b.max, by.clamp(0.0, most.max(0.0)))
}

/// Depths at which a mate is looked at; a haunch ends at one of them.
fn sections(depth: f64, haunch: Option<f64>) -> Vec<f64> {
    let deepest = depth - SURFACE_MM;
    let near = NEAR_SHOULDER_MM.into_iter();
    let far = (2..).map(|i| f64::from(i) * SECTION_STEP_MM);
    let mut all: Vec<f64> = near.chain(far.take_while(|s| *s < deepest)).collect();
    if let Some(tip) = haunch {
        all.extend(NEAR_SHOULDER_MM.map(|s| tip + s));
        all.push(tip - SURFACE_MM);
        all.sort_by(f64::total_cmp);
    }
    all.retain(|s| *s < deepest);
    all.push(deepest);
    all
}

/// How far the cavity goes on beyond both sides of a section: across it (left and right) or along it (near and far), at a share of its
/// other extent. `None` where the cavity does not reach the section's middle.
fn clear(cavity: &PolySet, section: Bounds, x: bool, share: f64) -> Option<[f64; 2]> {
    let middle = section.centre();
    let at = match x {
        true => point(middle.x, section.min.y + share * section.height()),
        false => point(section.min.x + share * section.width(), middle.y),
    };
    let far = 1e4;
    let strip = match x {
        true => Bounds {
            min: at - point(far, STRIP_MM / 2.0),
            max: at + point(far, STRIP_MM / 2.0),
        },
        false => Bounds {
            min: at - point(STRIP_MM / 2.0, far),
            max: at + point(STRIP_MM / 2.0, far),
        },
    };
    let open = cavity.intersection(&PolySet::from_contour(&rectangle(strip), KERNEL_MM));
    let holding = open
        .0
        .into_iter()
        .map(|s| PolySet(vec![s]))
        .find(|p| p.contains(at))?;
    let b = holding.bounds();
    Some(match x {
        true => [section.min.x - b.min.x, b.max.x - section.max.x],
        false => [section.min.y - b.min.y, b.max.y - section.max.y],
    })
}

/// What stays open beside what covers it.
fn seen(cavity: &PolySet, cover: Bounds, gap: f64, wood: &PolySet) -> PolySet {
    let covered = PolySet::from_contour(&rectangle(cover.grown(gap)), KERNEL_MM);
    cavity.intersection(wood).difference(&covered)
}

/// An area, unless it is flattening.
fn something(area: f64) -> f64 {
    if area > NOTHING_MM2 { area } else { 0.0 }
}

fn outlines(area: &PolySet) -> Vec<Contour> {
    let regions = area.to_regions();
    let all = regions.iter().flat_map(Region::contours);
    all.map(Contour::clone).collect()
}

/// The wood of a tenon as it was cut.
struct Tenon {
    wood: PolySet,
    /// The outline of its part as it is wanted, drawn in by [`CONTACT_MM`].
    part: PolySet,
    /// Where its shoulder lies, and whether its tip lies to the right of it.
    shoulder: f64,
    right: bool,
    /// From the near edge to its near edge, and how wide and long it is, mm.
    low: f64,
    width: f64,
    length: f64,
    /// Where its haunch ends, mm from its shoulder.
    haunch: Option<f64>,
    /// What makes it thinner than its part.
    thinned: Option<Thinned>,
}

/// The cuts that make a tenon thinner than its part.
struct Thinned {
    z: ZFrame,
    face: PieceCuts,
    back: Option<PieceCuts>,
    /// In the wood that makes it thickest it is so much thicker than in the mean, mm.
    thickest: f64,
}

impl Thinned {
    /// How thick the wood is at a place, mm.
    fn at(&self, place: Point) -> f64 {
        let deep = |cuts: &PieceCuts| (self.z.top() - cuts.floor(place)).max(0.0);
        let behind = self.back.as_ref().map_or(0.0, deep);
        self.z.mean - deep(&self.face) - behind + self.thickest
    }
}

impl Tenon {
    /// The tenon at this end, so far from the near edge of its part, mm, which is so large.
    fn of(
        j: &MortiseAndTenon,
        (end, low, size): (End, f64, Point),
        (cut, back): (&PieceCuts, Option<&PieceCuts>),
        socket: &Socket<'_>,
    ) -> Tenon {
        let part = socket.models.wanted.part(&j.tenon.part);
        let (length, width) = (j.tenon.length.mm(), j.tenon.width.mm());
        let right = end == End::Right;
        let shoulder = if right { size.x - length } else { length };
        let tip = if right { size.x } else { 0.0 };
        let ends = [
            point(shoulder.min(tip), low),
            point(shoulder.max(tip), low + width),
        ];
        let window = Bounds::of(ends).grown(BESIDE_TENON_MM);
        let cut = cut.within(window);
        let z = part.and_then(|p| part_frame(socket.documents(), p, Side::Face));
        let thinned = z.zip(j.tenon.thickness).map(|(z, thickness)| Thinned {
            z,
            face: cut.clone(),
            back: back.map(|b| b.within(window)),
            thickest: socket.mating.mate - thickness.mm(),
        });
        // Half way down, or a little below its cheek: tabs stand lower.
        let half = z.map_or(0.0, |z| {
            let cheek = j.tenon.thickness.map(|t| t.mm());
            let left = cheek.map(|t| t + j.tenon.back_shoulder.map_or(0.0, |b| b.mm()));
            let share = left.map_or(0.5, |left| 0.75 * left / z.mean);
            z.highest_underside() + share * (z.top() - z.highest_underside())
        });
        let gone = cut.swept(half);
        let mut wood = PolySet::from_contour(&rectangle(window), KERNEL_MM).difference(&gone);
        if let Some((corners, outline)) = socket.squared(&j.tenon.part, "outline") {
            wood = wood.difference(&corners.difference(&outline));
        }
        Tenon {
            wood,
            part: part.map_or_else(PolySet::default, |p| {
                PolySet::from_contour(&p.outline, KERNEL_MM).offset(-CONTACT_MM)
            }),
            shoulder,
            right,
            low,
            width,
            length,
            haunch: j.tenon.haunch.map(|h| h.length.mm()),
            thinned,
        }
    }

    /// Where it is so far from its shoulder.
    fn along(&self, s: f64) -> f64 {
        match self.right {
            true => self.shoulder + s,
            false => self.shoulder - s,
        }
    }

    /// How thick the thickest is, so far from its shoulder, mm; `None` where it is as thick as its part.
    fn thickness(&self, s: f64) -> Option<f64> {
        let thinned = self.thinned.as_ref()?;
        let places = [0.1, 0.5, 0.9].map(|share| self.low + share * self.width);
        let all = places.map(|y| thinned.at(point(self.along(s), y)));
        Some(all.into_iter().fold(0.0, f64::max))
    }

    /// What is gone of the wood behind its shoulder, beside its root: it is seen on the face of its part.
    fn notches(&self) -> PolySet {
        let inwards = if self.right { -1.0 } else { 1.0 };
        let mut beside = PolySet::default();
        for edge in [self.low, self.low + self.width] {
            let x = |by: f64| self.shoulder + inwards * by;
            let box_of = Bounds::of([
                point(x(0.0), edge - NOTCH_MM),
                point(x(NOTCH_MM), edge + NOTCH_MM),
            ]);
            beside = beside.union(&PolySet::from_contour(&rectangle(box_of), KERNEL_MM));
        }
        beside.intersection(&self.part).difference(&self.wood)
    }

    /// Places near its shoulder, and near the tip of its haunch, at which it is measured.
    fn near_shoulder(&self) -> impl Iterator<Item = f64> {
        let length = self.length;
        let near = NEAR_SHOULDER_MM.into_iter();
        let from = std::iter::once(0.0).chain(self.haunch);
        from.flat_map(move |from| near.clone().map(move |s| from + s))
            .filter(move |s| *s < length)
    }

    /// As wide as another everywhere.
    fn is_like(&self, other: &Tenon) -> bool {
        let same = |a: f64, b: f64| (a - b).abs() <= TEXT_AGAINST_PLAN_MM;
        let alike = |s| {
            let (a, b) = (self.across(s), other.across(s));
            let thick = [self, other].map(|t| t.thickness(s).unwrap_or_default());
            same(a.0, b.0) && same(a.1, b.1) && same(thick[0], thick[1])
        };
        self.right == other.right && sections(self.length, self.haunch).into_iter().all(alike)
    }

    /// Its extent across, so far from its shoulder.
    fn across(&self, s: f64) -> (f64, f64) {
        let middle = self.low + self.width / 2.0;
        let at = point(self.along(s), middle);
        let nothing = Bounds { min: at, max: at };
        let room = clear(&self.wood, nothing, false, 0.5).unwrap_or([0.0, 0.0]);
        (middle - room[0], middle + room[1])
    }

    /// Its section so far from its shoulder, where it stands in its mortise.
    fn section(&self, s: f64, mate: Bounds, along: bool) -> Bounds {
        let (from, to) = self.across(s);
        let middle = self.low + self.width / 2.0;
        let (low, high) = (from - middle, to - middle);
        let c = mate.centre();
        let [_, thick] = match along {
            true => [mate.width(), mate.height()],
            false => [mate.height(), mate.width()],
        };
        let half = self.thickness(s).unwrap_or(thick) / 2.0;
        let (min, max) = (point(low, -half), point(high, half));
        let turned = |p: Point| if along { c + p } else { c + point(p.y, p.x) };
        Bounds {
            min: turned(min),
            max: turned(max),
        }
    }

    /// The share of its bending section that it keeps where it is narrowest near its shoulder.
    fn root(&self) -> f64 {
        let near = self.near_shoulder().map(|s| self.across(s));
        let least = near.map(|(a, b)| b - a).fold(self.width, f64::min);
        (least / self.width).powi(2).clamp(0.0, 1.0)
    }
}
