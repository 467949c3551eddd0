//! Joints: features of two parts that must go together.
//!
//! A joint names the parts and where they meet, and makes the features of both: a tenon at an end, and the mortise that it goes into.
//! How large these are follows from the mate's measured thickness and the fit.

use super::{CleatJoint, Edge, End, HingeJoint, Length, LockJoint, LongWay, Side};
use grainway_geom::{Point, point};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// Two parts that go together.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct JointDoc {
    /// Id, unique in the job: letters, digits, `-`, `_`, `.`, at most 80. The features that it makes are called by it.
    pub id: String,
    /// What kind of joint, and where its parts meet.
    pub joint: Joint,
    /// How tightly the cheeks go together. The settings of the fit stage give each fit its clearance.
    #[serde(default)]
    pub fit: Fit,
}

/// How tightly a joint's cheeks go together.
#[derive(
    Clone,
    Copy,
    Debug,
    Default,
    PartialEq,
    Eq,
    PartialOrd,
    Ord,
    Hash,
    Serialize,
    Deserialize,
    JsonSchema,
)]
#[serde(rename_all = "kebab-case")]
pub enum Fit {
    /// Driven together.
    Tight,
    /// Pushed together by hand, room for a film of glue.
    #[default]
    Push,
    /// Slides without force.
    Sliding,
    /// Falls together.
    Loose,
}

impl Joint {
    /// The parts that it names, each with the keys that lead to its name.
    pub fn parts(&self) -> [(&str, [&'static str; 2]); 2] {
        match self {
            Joint::MortiseAndTenon(j) => [
                (&j.tenon.part, ["mortise-and-tenon", "tenon"]),
                (&j.mortise.part, ["mortise-and-tenon", "mortise"]),
            ],
            Joint::Housing(j) => [
                (&j.panel.part, ["housing", "panel"]),
                (&j.housing.part, ["housing", "housing"]),
            ],
            Joint::Rebate(j) => [
                (&j.panel.part, ["rebate", "panel"]),
                (&j.rebate.part, ["rebate", "rebate"]),
            ],
            Joint::Halving(j) => [
                (&j.first.part, ["halving", "first"]),
                (&j.second.part, ["halving", "second"]),
            ],
            Joint::EdgeHalving(j) => [
                (&j.first.part, ["edge-halving", "first"]),
                (&j.second.part, ["edge-halving", "second"]),
            ],
            Joint::LooseTenon(j) => [
                (&j.first.part, ["loose-tenon", "first"]),
                (&j.second.part, ["loose-tenon", "second"]),
            ],
            Joint::Dowels(j) => [
                (&j.first.part, ["dowels", "first"]),
                (&j.second.part, ["dowels", "second"]),
            ],
            Joint::Hinge(j) => [
                (&j.first.part, ["hinge", "first"]),
                (&j.second.part, ["hinge", "second"]),
            ],
            Joint::Lock(j) => [
                (&j.lock.part, ["lock", "lock"]),
                (&j.keep.part, ["lock", "keep"]),
            ],
            Joint::Cleat(j) => [
                (&j.cleat.part, ["cleat", "cleat"]),
                (&j.onto.part, ["cleat", "onto"]),
            ],
        }
    }
    /// The names of its parts, in the order of [`Joint::parts`].
    pub(crate) fn parts_mut(&mut self) -> [&mut String; 2] {
        match self {
            Joint::MortiseAndTenon(j) => [&mut j.tenon.part, &mut j.mortise.part],
            Joint::Housing(j) => [&mut j.panel.part, &mut j.housing.part],
            Joint::Rebate(j) => [&mut j.panel.part, &mut j.rebate.part],
            Joint::Halving(j) => [&mut j.first.part, &mut j.second.part],
            Joint::EdgeHalving(j) => [&mut j.first.part, &mut j.second.part],
            Joint::LooseTenon(j) => [&mut j.first.part, &mut j.second.part],
            Joint::Dowels(j) => [&mut j.first.part, &mut j.second.part],
            Joint::Hinge(j) => [&mut j.first.part, &mut j.second.part],
            Joint::Lock(j) => [&mut j.lock.part, &mut j.keep.part],
            Joint::Cleat(j) => [&mut j.cleat.part, &mut j.onto.part],
        }
    }
    /// The word in documents.
    pub fn word(&self) -> &'static str {
        self.parts()[0].1[0]
    }
}

impl Fit {
    /// All of them, the tightest first.
    pub const ALL: [Fit; 4] = [Fit::Tight, Fit::Push, Fit::Sliding, Fit::Loose];

    /// The word in documents.
    pub const fn word(self) -> &'static str {
        match self {
            Fit::Tight => "tight",
            Fit::Push => "push",
            Fit::Sliding => "sliding",
            Fit::Loose => "loose",
        }
    }
}

/// The kinds of joint.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub enum Joint {
    /// A tenon at the end of one part in a mortise of the other. The tenon is as thick as its part.
    MortiseAndTenon(MortiseAndTenon),
    /// An end or edge of a panel in a band across (housing, dado) or along (groove) the other part.
    Housing(HousingJoint),
    /// An end or edge of a panel in a band along the other part's edge or end (rebate, rabbet).
    Rebate(RebateJoint),
    /// Two parts that cross or meet flush, each cut away by half.
    Halving(HalvingJoint),
    /// Two panels on edge that cross, each slotted from one edge.
    EdgeHalving(EdgeHalvingJoint),
    /// A separate tenon in a mortise of each part.
    LooseTenon(LooseTenonJoint),
    /// Dowels in holes of both parts.
    Dowels(DowelJoint),
    /// A hinge with a leaf on each part.
    Hinge(HingeJoint),
    /// A lock in one part and its keep in the other.
    Lock(LockJoint),
    /// A cleat across the grain of the other part, screwed to it through slots.
    Cleat(CleatJoint),
}

/// A tenon and its mortise.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct MortiseAndTenon {
    /// The tenon: which part has it, at which end, and how large it is.
    pub tenon: TenonOf,
    /// Where it goes in.
    pub mortise: MortiseOf,
    /// The mortise goes through. Otherwise it is deeper than the tenon is long by the setting `glue-room` of the fit stage.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub through: bool,
}

/// A tenon at the end of a part. Where the part is described by a blank that is cut from a board, the joint makes the tenon; a drawn
/// outline has it already.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct TenonOf {
    /// The part's id.
    pub part: String,
    /// Which end, or both: then the tenon at the other end goes into another piece of the same part, or into its other hand.
    pub end: TenonEnd,
    /// From its tip to the shoulder; the blank's length counts it in.
    pub length: Length,
    /// Across the grain, from edge to edge; what is left of the part's width are its shoulders.
    pub width: Length,
    /// From the near edge (y = 0) to the tenon's near edge; centred when left out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub offset: Option<Length>,
    /// So many tenons beside one another, each as wide as `width`, in as many mortises: a double tenon, where one wide mortise would weaken
    /// its part. `offset` is that of the first; together they are centred when it is left out.
    #[serde(default = "one", skip_serializing_if = "is_one")]
    pub count: u32,
    /// Between two tenons of a `count`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub gap: Option<Length>,
    /// A short piece beside the tenon, which keeps the part from twisting where the mortise must end before the tenon's part does. The
    /// mortise gets a shallow part for it: it is stepped.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub haunch: Option<Haunch>,
    /// Between its cheeks, where it is thinner than its part: a rebate across the end, cut from the face, leaves so much wood and a shoulder
    /// on the face. As thick as its part when left out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub thickness: Option<Length>,
    /// How deep a shoulder on the back is, cut in a second setup. Without it a thinner tenon has its shoulder on the face alone.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub back_shoulder: Option<Length>,
}

fn one() -> u32 {
    1
}

fn is_one(n: &u32) -> bool {
    *n == 1
}

/// A short piece beside a tenon.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct Haunch {
    /// At which edge of the tenon. The near one lies towards the lower coordinate of the part with the mortise.
    pub edge: Edge,
    /// Across the grain, from the tenon's edge.
    pub width: Length,
    /// From its tip to the shoulder; shorter than the tenon.
    pub length: Length,
}

impl TenonOf {
    /// The most tenons beside one another.
    pub const MOST: u32 = 12;

    /// From one tenon to the next of a `count`, mm.
    fn step(&self) -> f64 {
        self.width.mm() + self.gap.map_or(0.0, |g| g.mm())
    }
    /// From the near edge of the first tenon to the far edge of the last, mm.
    pub fn together(&self) -> f64 {
        self.width.mm() + f64::from(self.count.saturating_sub(1)) * self.step()
    }
    /// From its part's near edge to the near edge of each of the tenons, mm; the part is so wide.
    pub fn places(&self, whole: f64) -> Vec<f64> {
        let step = self.step();
        let centred = (whole - self.together()) / 2.0;
        let first = self.offset.map_or(centred, |o| o.mm());
        (0..self.count.min(TenonOf::MOST))
            .map(|i| first + f64::from(i) * step)
            .collect()
    }
    /// How far a haunch goes on beside its near and its far edge, mm.
    pub fn beside(&self) -> [f64; 2] {
        match self.haunch {
            Some(h) if h.edge == Edge::Near => [h.width.mm(), 0.0],
            Some(h) => [0.0, h.width.mm()],
            None => [0.0; 2],
        }
    }
    /// How wide the shoulders at its part's near and far edge are, mm; the part is so wide.
    pub fn shoulders(&self, whole: f64) -> [f64; 2] {
        let places = self.places(whole);
        let low = places.first().copied().unwrap_or_default();
        let high = places.last().copied().unwrap_or_default() + self.width.mm();
        let [near, far] = self.beside();
        [low - near, whole - high - far]
    }
}

/// The end of a part that a tenon is made at.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum TenonEnd {
    /// At x = 0.
    Left,
    /// At x = length.
    Right,
    /// The same tenon at either end.
    Both,
}

impl TenonEnd {
    /// One end after the other.
    pub const fn ends(self) -> &'static [End] {
        match self {
            TenonEnd::Left => &[End::Left],
            TenonEnd::Right => &[End::Right],
            TenonEnd::Both => &[End::Left, End::Right],
        }
    }
}

/// Where a tenon goes into a part.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct MortiseOf {
    /// The part's id.
    pub part: String,
    /// The side that the tenon goes into.
    #[serde(default, skip_serializing_if = "Side::is_face")]
    pub side: Side,
    /// Where the middle of the tenon comes to lie, in the frame in which features of this side are described. Give this and `lies`, or
    /// `feature`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub at: Option<[Length; 2]>,
    /// Which way the tenon's width lies.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub lies: Option<LongWay>,
    /// A rectangular mortise that the part has already, drawn or described: its middle and direction stay, and its size becomes what the
    /// tenon needs, at most 1 mm away from what it was.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub feature: Option<String>,
}

/// A panel that goes into another part, as thick as it is.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct PanelOf {
    /// The part's id.
    pub part: String,
    /// What of it goes in: a housing with two closed ends must be as long as that.
    #[serde(default)]
    pub by: PanelBy,
}

/// What of a panel goes in.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum PanelBy {
    /// An end, as long as the panel is wide.
    #[default]
    End,
    /// A long edge, as long as the panel.
    Edge,
}

/// A panel in a housing or groove.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct HousingJoint {
    /// The panel, and whether it goes in with an end or with an edge.
    pub panel: PanelOf,
    /// Where it goes in.
    pub housing: HousingOf,
}

/// Where a panel goes into a part.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct HousingOf {
    /// The part's id.
    pub part: String,
    /// The side that it is cut from, face or back.
    #[serde(default, skip_serializing_if = "Side::is_face")]
    pub side: Side,
    /// The middle of the panel's thickness: x where it lies across, y where it lies along.
    pub at: Length,
    /// Across the part (a housing) or along it (a groove).
    pub lies: LongWay,
    /// How deep the panel goes in.
    pub depth: Length,
    /// Where it starts, when it does not run out over the near edge or the left end.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub from: Option<Length>,
    /// Where it stops, when it does not run out over the far edge or the right end.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub to: Option<Length>,
}

/// A panel in a rebate.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct RebateJoint {
    /// The panel that lies in the rebate.
    pub panel: RebatedPanel,
    /// Where it goes in.
    pub rebate: RebateOf,
}

/// A panel that lies in a rebate, which is as wide as the panel is thick.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct RebatedPanel {
    /// The part's id.
    pub part: String,
}

/// The rebate that a panel goes into. Give `end` or `edge`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct RebateOf {
    /// The part's id.
    pub part: String,
    /// The side that it is cut from, face or back.
    #[serde(default, skip_serializing_if = "Side::is_face")]
    pub side: Side,
    /// It runs along this end.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub end: Option<End>,
    /// It runs along this edge.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub edge: Option<Edge>,
    /// How deep the panel goes in.
    pub depth: Length,
}

/// Two parts halved into one another, flush at the first part's side and the second part's other side.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct HalvingJoint {
    /// It is cut from its face.
    pub first: HalvedPart,
    /// It is cut from its back. Its faces and those of the first part come to lie flush.
    pub second: HalvedPart,
    /// How deep the first is cut; half the thickness of the second part's wood when left out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub depth: Option<Length>,
}

/// A part of a halved joint and where the other crosses it. Give `at` or `end`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct HalvedPart {
    /// The part's id.
    pub part: String,
    /// x of the other part's middle, where it is crossed.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub at: Option<Length>,
    /// The end that meets the other part, in a corner or a T.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub end: Option<End>,
}

/// Two panels on edge, slotted into one another.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct EdgeHalvingJoint {
    /// The one panel. Together the slots are at least as deep as the narrower panel is wide, so that the edges come to lie flush.
    pub first: SlottedPart,
    /// The other panel, whose slot opens towards the first one's.
    pub second: SlottedPart,
}

/// A panel of an edge halving.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct SlottedPart {
    /// The part's id.
    pub part: String,
    /// The edge that the slot is open to.
    pub edge: Edge,
    /// x of the slot's middle.
    pub at: Length,
    /// How deep, from the edge; half of the part's width when left out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub depth: Option<Length>,
}

/// A separate tenon and its two mortises.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct LooseTenonJoint {
    /// The tenon, with rounded edges or square ones, made by other means.
    pub tenon: LooseTenonOf,
    /// The part that takes one half of the tenon's length.
    pub first: MortiseOf,
    /// The part that takes the other half of the tenon.
    pub second: MortiseOf,
}

/// A tenon that is a piece of its own.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct LooseTenonOf {
    /// The stock that it is made of, whose thickness it has.
    pub stock: String,
    /// The long way of its section, which lies along the mortises.
    pub width: Length,
    /// From tip to tip.
    pub length: Length,
}

/// Dowels between two parts.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct DowelJoint {
    /// Diameter of the holes, that of the dowels.
    pub diameter: Length,
    /// Length of a dowel.
    pub length: Length,
    /// The part that takes one half of the dowels.
    pub first: DowelsOf,
    /// The other part, with as many places in the same order.
    pub second: DowelsOf,
}

/// The dowel holes of one part.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct DowelsOf {
    /// The part's id.
    pub part: String,
    /// The side that they go into.
    #[serde(default, skip_serializing_if = "Side::is_face")]
    pub side: Side,
    /// The middles of the holes, in the frame in which features of this side are described. Give this or `row`.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub at: Vec<[Length; 2]>,
    /// Holes in a row, half of them to either side of its middle: it looks the same from both its ends.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub row: Option<DowelRow>,
    /// How deep the holes are; half of the dowel's length and half of the setting `glue-room` when left out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub depth: Option<Length>,
}

/// Dowel holes in a row.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct DowelRow {
    /// How many.
    pub count: u32,
    /// From the middle of one hole to that of the next.
    pub spacing: Length,
    /// Which way the row lies.
    #[serde(default)]
    pub lies: LongWay,
    /// The middle of the row. On an end it may be left out: then the row lies in the middle of the end as it measures, and a piece that was
    /// stood up turned about gets its holes in the same places.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub middle: Option<[Length; 2]>,
}

impl DowelRow {
    /// The most holes in a row.
    pub const MOST: u32 = 50;
}

impl DowelsOf {
    /// How many holes there are.
    pub fn count(&self) -> usize {
        self.row.map_or(self.at.len(), |r| r.count as usize)
    }
    /// The middles of the holes; `end`: the middle of the end that a row without one lies in, mm.
    pub fn places(&self, end: Point) -> Vec<[Length; 2]> {
        let Some(row) = self.row else {
            return self.at.clone();
        };
        let middle = row.middle.map_or(end, |[x, y]| point(x.mm(), y.mm()));
        let count = row.count.min(DowelRow::MOST);
        let from = f64::from(count.saturating_sub(1)) / 2.0;
        let place = |i: u32| {
            let by = (f64::from(i) - from) * row.spacing.mm();
            let p = match row.lies {
                LongWay::Along => middle + point(by, 0.0),
                LongWay::Across => middle + point(0.0, by),
            };
            [p.x, p.y].map(Length::from_mm)
        };
        (0..count).map(place).collect()
    }
}
