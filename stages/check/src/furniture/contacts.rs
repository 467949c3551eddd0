//! Where pieces touch each other in their joints.

use super::super::Wanted;
use grainway_geom::{Point, point};
use grainway_pipeline::doc::{
    CleatJoint, DowelJoint, DowelsOf, Edge, EdgeHalvingJoint, End, FittedPart, HalvedPart,
    HalvingJoint, HingeJoint, HousingJoint, Joint, JointDoc, LockJoint, LongWay, LooseTenonJoint,
    MortiseAndTenon, PanelBy, RebateJoint, Side, SlottedPart,
};
use grainway_pipeline::work::{Documents, Feature, Part, Wall};

/// A place or a direction: along, across, and up from the back of a piece, mm.
pub(super) type Place = [f64; 3];

const X: Place = [1.0, 0.0, 0.0];
const Y: Place = [0.0, 1.0, 0.0];
const Z: Place = [0.0, 0.0, 1.0];
/// A panel goes into a rebate with the side that is as long as the rebate, within this, mm.
const AS_LONG_MM: f64 = 2.0;

/// One piece's share of a joint: it is closed when the mate's lies on it, the two looking at each other.
#[derive(Clone, Copy, Debug)]
pub(super) struct Contact {
    /// The first of the joints that are made alike between the same parts: their mates may be exchanged.
    pub(super) family: usize,
    /// Its number in the job.
    pub(super) joint: usize,
    /// It takes the mate, as a mortise does.
    pub(super) takes: bool,
    pub(super) at: Place,
    /// Towards the mate.
    pub(super) out: Place,
    /// Along its width. The mate may also lie the other way round, unless `exact`.
    pub(super) width: Place,
    pub(super) exact: bool,
    /// The mate may also slide out against `width`, and along it.
    pub(super) slides: [bool; 2],
    /// It was made for a mate. A panel has two ends, and may go in with one of them only.
    pub(super) must: bool,
}

pub(super) fn minus(a: Place) -> Place {
    a.map(|v| -v)
}

/// The contacts of a part.
pub(super) fn of(part: &Part, wanted: &Wanted, documents: &Documents) -> Vec<Contact> {
    let joints = &documents.job.joints;
    let Some(own) = Own::of(part, documents) else {
        return Vec::new();
    };
    let mut all = Vec::new();
    for (number, joint) in joints.iter().enumerate() {
        let family = joints.iter().position(|j| alike(j, joint, wanted));
        let one = One {
            own: &own,
            wanted,
            documents,
            joint,
            number,
            family: family.unwrap_or(number),
        };
        all.extend(one.contacts().unwrap_or_default());
    }
    all
}

/// Length, width and thickness of a part, mm.
pub(super) fn size(part: &Part, documents: &Documents) -> Option<Place> {
    Some(Own::of(part, documents)?.size)
}

/// Mates of the one go into the other as well.
fn alike(a: &JointDoc, b: &JointDoc, wanted: &Wanted) -> bool {
    let stock = |id: &str| wanted.part(id).map(|p| &p.stock);
    match (&a.joint, &b.joint) {
        (Joint::MortiseAndTenon(p), Joint::MortiseAndTenon(q)) => {
            stock(&p.tenon.part) == stock(&q.tenon.part)
                && p.mortise.part == q.mortise.part
                && p.tenon.width == q.tenon.width
                && p.tenon.length == q.tenon.length
                && (p.tenon.count, p.tenon.gap, p.tenon.haunch)
                    == (q.tenon.count, q.tenon.gap, q.tenon.haunch)
                && (p.tenon.thickness, p.tenon.back_shoulder)
                    == (q.tenon.thickness, q.tenon.back_shoulder)
                && (p.through, a.fit) == (q.through, b.fit)
        }
        (Joint::Housing(p), Joint::Housing(q)) => {
            p.panel == q.panel
                && p.housing.part == q.housing.part
                && p.housing.depth == q.housing.depth
                && a.fit == b.fit
        }
        _ => a.id == b.id,
    }
}

/// A part with its size.
struct Own<'a> {
    part: &'a Part,
    /// Its id in documents, that of its other hand too.
    base: &'a str,
    size: Place,
}

impl<'a> Own<'a> {
    fn of(part: &'a Part, documents: &Documents) -> Option<Own<'a>> {
        let far = part.outline.bounds().max;
        let thickness = documents.stock(&part.stock)?.readings_mm().1;
        let id = part.id.as_str();
        Some(Own {
            part,
            base: id.strip_suffix(Part::MIRRORED).unwrap_or(id),
            size: [far.x, far.y, thickness],
        })
    }
    /// A place across, in this hand.
    fn across(&self, y: f64) -> f64 {
        if self.part.mirrored {
            self.size[1] - y
        } else {
            y
        }
    }
    fn side(&self, side: Side) -> Side {
        if self.part.mirrored {
            side.mirrored_across()
        } else {
            side
        }
    }
    /// A place on a side, in the frame in which its features are described, and the ways along the frame's axes and out of the wood.
    fn on(&self, side: Side, p: Point) -> (Place, [Place; 3]) {
        let [length, width, thick] = self.size;
        match side {
            Side::Face => ([p.x, p.y, thick], [X, Y, Z]),
            Side::Back => ([p.x, p.y, 0.0], [X, Y, minus(Z)]),
            Side::Near => ([p.x, 0.0, thick - p.y], [X, minus(Z), minus(Y)]),
            Side::Far => ([p.x, width, thick - p.y], [X, minus(Z), Y]),
            Side::LeftEnd => ([0.0, p.x, thick - p.y], [Y, minus(Z), minus(X)]),
            Side::RightEnd => ([length, p.x, thick - p.y], [Y, minus(Z), X]),
        }
    }
    /// The middle of an end, and the way out of it.
    fn end(&self, end: End) -> (Place, Place) {
        let [length, width, thick] = self.size;
        match end {
            End::Left => ([0.0, width / 2.0, thick / 2.0], minus(X)),
            End::Right => ([length, width / 2.0, thick / 2.0], X),
        }
    }
    fn edge(&self, edge: Edge) -> (Place, Place) {
        let [length, width, thick] = self.size;
        match edge {
            Edge::Near => ([length / 2.0, 0.0, thick / 2.0], minus(Y)),
            Edge::Far => ([length / 2.0, width, thick / 2.0], Y),
        }
    }
}

/// A joint seen from one part.
struct One<'a> {
    own: &'a Own<'a>,
    wanted: &'a Wanted,
    documents: &'a Documents,
    joint: &'a JointDoc,
    number: usize,
    family: usize,
}

impl One<'_> {
    fn contacts(&self) -> Option<Vec<Contact>> {
        match &self.joint.joint {
            Joint::MortiseAndTenon(j) => self.tenoned(j),
            Joint::Housing(j) => self.housed(j),
            Joint::Rebate(j) => self.rebated(j),
            Joint::Halving(j) => self.halved(j),
            Joint::EdgeHalving(j) => self.slotted(j),
            Joint::LooseTenon(j) => self.loose(j),
            Joint::Dowels(j) => self.dowelled(j),
            Joint::Hinge(j) => self.hinged(j),
            Joint::Lock(j) => self.locked(j),
            Joint::Cleat(j) => self.cleated(j),
        }
    }

    fn contact(&self, takes: bool, at: Place, out: Place, width: Place) -> Contact {
        Contact {
            family: self.family,
            joint: self.number,
            takes,
            at,
            out,
            width,
            exact: false,
            slides: [false; 2],
            must: true,
        }
    }

    fn is(&self, id: &str) -> bool {
        self.own.base == id
    }

    fn size_of(&self, id: &str) -> Option<Place> {
        Some(Own::of(self.wanted.part(id)?, self.documents)?.size)
    }

    /// The features that the joint makes in this part, or takes for its own.
    fn features(&self) -> impl Iterator<Item = &Feature> {
        let of_joint = |f: &&Feature| f.mating.as_ref().is_some_and(|m| m.joint == self.joint.id);
        self.own.part.features.iter().filter(of_joint)
    }

    /// A mortise or a band, at a depth below the surface that it is cut from: its middle, the way out, and the way along its cheeks.
    fn socket(&self, f: &Feature, deep: f64) -> (Place, Place, Place) {
        let middle = f.shape.bounds().centre();
        let (at, [u, v, out]) = self.own.on(f.side, middle);
        let walls = f.mating.as_ref().map_or([Wall::Open; 4], |m| m.walls);
        let along = walls[2] == Wall::Cheek || walls[3] == Wall::Cheek;
        let at = std::array::from_fn(|i| at[i] - deep * out[i]);
        (at, out, if along { u } else { v })
    }

    fn tenoned(&self, j: &MortiseAndTenon) -> Option<Vec<Contact>> {
        let mut all = Vec::new();
        let t = &j.tenon;
        // With a haunch its near edge lies towards the lower coordinate, so that the mate lies one way round.
        let exact = t.haunch.is_some();
        let mirrored = |width: Place| {
            if self.own.part.mirrored {
                minus(width)
            } else {
                width
            }
        };
        if self.is(&t.part) {
            let low = t.places(self.own.size[1]).first().copied()?;
            // Its cheeks lie over the back as its shoulder there is deep.
            let cheeks = t.thickness.map(|thick| {
                let back = t.back_shoulder.map_or(0.0, |b| b.mm());
                back + thick.mm() / 2.0
            });
            for end in t.end.ends() {
                let (mut at, out) = self.own.end(*end);
                at[0] -= out[0] * t.length.mm();
                at[1] = self.own.across(low + t.together() / 2.0);
                at[2] = cheeks.unwrap_or(at[2]);
                all.push(Contact {
                    exact,
                    ..self.contact(false, at, out, mirrored(Y))
                });
            }
        }
        if self.is(&j.mortise.part) {
            let deep = |f: &&Feature| f.mating.as_ref().is_some_and(|m| !m.haunch);
            let mut mortises = self.features().filter(deep);
            let first = self.socket(mortises.next()?, 0.0);
            // Between the first of several and the last.
            let last = mortises.last().map_or(first.0, |f| self.socket(f, 0.0).0);
            let at = std::array::from_fn(|i| (first.0[i] + last[i]) / 2.0);
            let width = if first.2 == Y { mirrored(Y) } else { first.2 };
            all.push(Contact {
                exact,
                ..self.contact(true, at, first.1, width)
            });
        }
        Some(all)
    }

    fn housed(&self, j: &HousingJoint) -> Option<Vec<Contact>> {
        let mut all = Vec::new();
        if self.is(&j.panel.part) {
            all.extend(self.panel(j.panel.by));
        }
        let h = &j.housing;
        if self.is(&h.part) {
            let panel = self.size_of(&j.panel.part)?;
            let long = match j.panel.by {
                PanelBy::End => panel[1],
                PanelBy::Edge => panel[0],
            };
            for f in self.features() {
                let (mut at, out, width) = self.socket(f, h.depth.mm());
                let i = usize::from(h.lies == LongWay::Across);
                let middle = match (h.from, h.to) {
                    (Some(from), _) => from.mm() + long / 2.0,
                    (None, Some(to)) => to.mm() - long / 2.0,
                    (None, None) => self.own.size[i] / 2.0,
                };
                at[i] = if i == 1 {
                    self.own.across(middle)
                } else {
                    middle
                };
                let open = [h.from.is_none(), h.to.is_none()];
                let turned = i == 1 && self.own.part.mirrored;
                all.push(Contact {
                    slides: if turned { [open[1], open[0]] } else { open },
                    ..self.contact(true, at, out, width)
                });
            }
        }
        Some(all)
    }

    /// Both ends of a panel, or both of its edges: it may go in with either.
    fn panel(&self, by: PanelBy) -> [Contact; 2] {
        let places = match by {
            PanelBy::End => [End::Left, End::Right].map(|e| (self.own.end(e), Y)),
            PanelBy::Edge => [Edge::Near, Edge::Far].map(|e| (self.own.edge(e), X)),
        };
        places.map(|((at, out), width)| Contact {
            must: false,
            ..self.contact(false, at, out, width)
        })
    }

    fn rebated(&self, j: &RebateJoint) -> Option<Vec<Contact>> {
        let r = &j.rebate;
        let mut all = Vec::new();
        if self.is(&j.panel.part) {
            let taker = self.size_of(&r.part)?;
            let long = taker[usize::from(r.end.is_some())];
            let by_edge = (self.own.size[0] - long).abs() <= AS_LONG_MM
                && (self.own.size[1] - long).abs() > AS_LONG_MM;
            all.extend(self.panel(if by_edge { PanelBy::Edge } else { PanelBy::End }));
        }
        if self.is(&r.part) {
            let thick = self.size_of(&j.panel.part)?[2];
            let middle = match (r.end, r.edge) {
                (Some(end), _) => {
                    let (at, out) = self.own.end(end);
                    point(at[0] - out[0] * thick / 2.0, at[1])
                }
                (_, Some(edge)) => {
                    let (at, out) = self.own.edge(edge);
                    point(at[0], self.own.across(at[1] - out[1] * thick / 2.0))
                }
                _ => return None,
            };
            let (at, [u, v, out]) = self.own.on(r.side, middle);
            let at = std::array::from_fn(|i| at[i] - r.depth.mm() * out[i]);
            all.push(Contact {
                slides: [true; 2],
                ..self.contact(true, at, out, if r.end.is_some() { v } else { u })
            });
        }
        Some(all)
    }

    fn halved(&self, j: &HalvingJoint) -> Option<Vec<Contact>> {
        let mut all = Vec::new();
        let middle = |h: &HalvedPart, mate: &str| {
            let wide = self.size_of(mate)?[1];
            let length = self.own.size[0];
            let x = match (h.at, h.end) {
                (Some(at), _) => at.mm(),
                (None, Some(End::Left)) => wide / 2.0,
                (None, Some(End::Right)) => length - wide / 2.0,
                (None, None) => return None,
            };
            Some([x, self.own.size[1] / 2.0, self.own.size[2]])
        };
        if self.is(&j.first.part) {
            let at = middle(&j.first, &j.second.part)?;
            all.push(self.contact(true, at, Z, X));
        }
        if self.is(&j.second.part) {
            let at = middle(&j.second, &j.first.part)?;
            all.push(self.contact(false, at, minus(Z), Y));
        }
        Some(all)
    }

    fn slotted(&self, j: &EdgeHalvingJoint) -> Option<Vec<Contact>> {
        let [_, wide, thick] = self.own.size;
        // The bottoms of the two slots meet.
        let bottom = |s: &SlottedPart| {
            let deep = s.depth.map_or(wide / 2.0, |d| d.mm());
            let (y, out) = match s.edge {
                Edge::Near => (deep, minus(Y)),
                Edge::Far => (wide - deep, Y),
            };
            let out = if self.own.part.mirrored {
                minus(out)
            } else {
                out
            };
            ([s.at.mm(), self.own.across(y), thick / 2.0], out)
        };
        let mut all = Vec::new();
        if self.is(&j.first.part) {
            let (at, out) = bottom(&j.first);
            all.push(self.contact(true, at, out, X));
        }
        if self.is(&j.second.part) {
            let (at, out) = bottom(&j.second);
            all.push(self.contact(false, at, out, Z));
        }
        Some(all)
    }

    fn loose(&self, j: &LooseTenonJoint) -> Option<Vec<Contact>> {
        let halves = [(true, &j.first), (false, &j.second)];
        let mut features = self.features();
        let own = halves.into_iter().filter(|(_, m)| self.is(&m.part));
        Some(
            own.filter_map(|(takes, _)| {
                let (at, out, width) = self.socket(features.next()?, 0.0);
                Some(self.contact(takes, at, out, width))
            })
            .collect(),
        )
    }

    /// The leaves of a hinge lie on each other while it is closed, with the gap between what they lie on: as seen from the first part, the
    /// second leaves it the way it faces, or to either side of the pin.
    fn hinged(&self, j: &HingeJoint) -> Option<Vec<Contact>> {
        let let_in = j.recessed.both().iter().filter(|r| **r).count() as f64;
        let flush = j.leaf.closed_mm() - let_in * j.leaf.thickness.mm();
        let gap = j.gap.map_or(flush.max(0.0), |g| g.mm());
        let mut all = Vec::new();
        for (takes, of) in [(true, &j.first), (false, &j.second)] {
            if !self.is(&of.part) {
                continue;
            }
            let thick = self.own.size[2];
            let front = match (of.is_low()?, of.side.is_flat()) {
                (true, _) => 0.0,
                (false, true) => self.own.size[1],
                (false, false) => thick,
            };
            // From the leaf's middle on to the pin.
            let towards = if of.is_low()? { -1.0 } else { 1.0 };
            let (at, [_, _, out]) = self.described(of.side, [of.at.mm(), front]);
            let (beyond, _) = self.described(of.side, [of.at.mm(), front + towards]);
            let width = std::array::from_fn(|i| beyond[i] - at[i]);
            all.push(self.fitting(takes, (at, out, width), gap, true));
        }
        Some(all)
    }

    fn locked(&self, j: &LockJoint) -> Option<Vec<Contact>> {
        let both = [(true, &j.lock), (false, &j.keep)];
        let own = both.into_iter().filter(|(_, of)| self.is(&of.part));
        let contact = |(takes, of): (bool, &FittedPart)| {
            let middle = of.at.map(|l| l.mm());
            let (at, [u, v, out]) = self.described(of.side, middle);
            let across = if of.lies == LongWay::Along { v } else { u };
            self.fitting(takes, (at, out, across), j.gap.mm(), false)
        };
        Some(own.map(contact).collect())
    }

    /// A cleat lies on its mate where the round hole is, its right end towards the higher y.
    fn cleated(&self, j: &CleatJoint) -> Option<Vec<Contact>> {
        let mut all = Vec::new();
        if self.is(&j.onto.part) {
            let at = j.onto.at.map(|l| l.mm());
            let (at, [_, _, out]) = self.described(j.onto.side, at);
            let higher = if self.own.part.mirrored { minus(Y) } else { Y };
            all.push(Contact {
                exact: true,
                ..self.contact(true, at, out, higher)
            });
        }
        if self.is(&j.cleat.part) {
            let at = [j.cleat.fixed.mm(), self.own.size[1] / 2.0];
            let (at, [u, _, out]) = self.described(j.cleat.side.opposite(), at);
            all.push(Contact {
                exact: true,
                ..self.contact(false, at, out, u)
            });
        }
        Some(all)
    }

    /// Hardware on a piece: the mate stands off by a gap, and may leave to either side.
    fn fitting(
        &self,
        takes: bool,
        (at, out, width): (Place, Place, Place),
        gap: f64,
        exact: bool,
    ) -> Contact {
        let off = if takes { gap } else { 0.0 };
        let at = std::array::from_fn(|i| at[i] + off * out[i]);
        Contact {
            exact,
            slides: [true; 2],
            ..self.contact(takes, at, out, width)
        }
    }

    /// A place that the job gives on a side, in this hand, and the ways along the frame's axes and out of the wood.
    fn described(&self, side: Side, [x, y]: [f64; 2]) -> (Place, [Place; 3]) {
        let p = match side {
            Side::Face | Side::Back => point(x, self.own.across(y)),
            Side::Near | Side::Far => point(x, y),
            Side::LeftEnd | Side::RightEnd => point(self.own.across(x), y),
        };
        self.own.on(self.own.side(side), p)
    }

    fn dowelled(&self, j: &DowelJoint) -> Option<Vec<Contact>> {
        let halves = [(true, &j.first), (false, &j.second)];
        let own = halves.into_iter().filter(|(_, d)| self.is(&d.part));
        Some(own.filter_map(|(takes, d)| self.dowels(takes, d)).collect())
    }

    fn dowels(&self, takes: bool, d: &DowelsOf) -> Option<Contact> {
        let [_, width, thick] = self.own.size;
        let places = d.places(point(width / 2.0, thick / 2.0));
        let mut all = places
            .iter()
            .map(|at| self.described(d.side, at.map(|l| l.mm())));
        let (first, [u, _, out]) = all.next()?;
        let way = all.next().map(|(second, _)| {
            let d: Place = std::array::from_fn(|i| second[i] - first[i]);
            let long = d.iter().map(|v| v * v).sum::<f64>().sqrt();
            d.map(|v| v / long)
        });
        Some(Contact {
            exact: way.is_some(),
            ..self.contact(takes, first, out, way.unwrap_or(u))
        })
    }
}
