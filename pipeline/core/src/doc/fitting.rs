//! Hardware, each described by its own measures: hinges, locks and their keeps that are let into wood, and the screws of cleats.

use super::{Length, LongWay, Relief, Side};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// Two parts that a hinge of two leaves holds: a recess for each leaf, and pilots for its screws.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct HingeJoint {
    /// The hinge, as it measures.
    pub leaf: Leaf,
    /// Between the two parts while the hinge is closed; the recesses are as deep as that asks for. When left out the leaves lie flush.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub gap: Option<Length>,
    /// Which leaf lies in a recess. The other one is screwed onto its part.
    #[serde(default)]
    pub recessed: Recessed,
    /// What becomes of the recesses' corners, where the leaf's own corners are sharper than the cutter makes them; they are squared by hand
    /// when left out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub relief: Option<Relief>,
    /// The part with the one leaf.
    pub first: HingedPart,
    /// The part with the other leaf.
    pub second: HingedPart,
}

/// A hinge of two equal leaves.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct Leaf {
    /// Of a leaf, along the pin.
    pub length: Length,
    /// From the pin's axis to the leaf's edge.
    pub width: Length,
    /// Of one leaf.
    pub thickness: Length,
    /// Diameter of the knuckle.
    pub knuckle: Length,
    /// Over both leaves while they lie on each other; the knuckle's diameter when left out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub closed: Option<Length>,
    /// How far the pin's axis stands before the wood; half of the knuckle's diameter when left out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub stands_out: Option<Length>,
    /// Radius of the leaf's corners. Where the cutter's radius is no larger the recess is cut with it.
    #[serde(default)]
    pub corner: Length,
    /// Its screws. A place is counted along the leaf from its middle, where the screw stands on both sides of it, and across from the pin's
    /// axis.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub screws: Option<FittingScrews>,
}

impl Leaf {
    /// Over both leaves while they lie on each other, mm.
    pub fn closed_mm(&self) -> f64 {
        self.closed.unwrap_or(self.knuckle).mm()
    }
    /// How far the pin's axis stands before the wood, mm.
    pub fn stands_out_mm(&self) -> f64 {
        self.stands_out
            .map_or(self.knuckle.mm() / 2.0, |out| out.mm())
    }
}

/// Pilots for the screws of hardware.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct FittingScrews {
    /// Diameter of the pilots.
    pub pilot: Length,
    /// How deep a pilot goes below what the hardware lies on.
    pub depth: Length,
    /// Along and across the hardware.
    pub at: Vec<[Length; 2]>,
}

/// Which leaf of a hinge lies in a recess.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Recessed {
    /// Either leaf, both equally deep.
    #[default]
    Both,
    /// That of the first part alone.
    First,
    /// That of the second part alone.
    Second,
}

impl Recessed {
    /// Whether the first part has a recess, and whether the second has one.
    pub const fn both(self) -> [bool; 2] {
        match self {
            Recessed::Both => [true, true],
            Recessed::First => [true, false],
            Recessed::Second => [false, true],
        }
    }
}

/// Where a leaf of a hinge lies.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct HingedPart {
    /// The part's id.
    pub part: String,
    /// The side that the leaf lies on.
    #[serde(default, skip_serializing_if = "Side::is_face")]
    pub side: Side,
    /// The side beside it that the knuckle stands before: `near` or `far` where the leaf lies on the face or the back, `face` or `back` where it
    /// lies on an edge or an end.
    pub knuckle: Side,
    /// The middle of the leaf: x in the frame in which features of its side are described.
    pub at: Length,
}

impl HingedPart {
    /// The knuckle stands where y is 0 in the frame of the leaf's side; otherwise at the other end of y. `None` where it cannot stand there.
    pub fn is_low(&self) -> Option<bool> {
        match (self.side.is_flat(), self.knuckle) {
            (true, Side::Near) | (false, Side::Face) => Some(true),
            (true, Side::Far) | (false, Side::Back) => Some(false),
            _ => None,
        }
    }
}

/// A lock in one part and its keep in the other: recesses for their plates, mortises for what stands behind them, and pilots.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct LockJoint {
    /// Between the two parts while they are closed.
    #[serde(default)]
    pub gap: Length,
    /// What becomes of the corners of the plates' recesses, where the plates' own corners are sharper than the cutter makes them; they are
    /// squared by hand when left out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub relief: Option<Relief>,
    /// The part with the lock.
    pub lock: FittedPart,
    /// The part that the bolt goes into.
    pub keep: FittedPart,
}

/// What is let into a part for a lock or its keep.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct FittedPart {
    /// The part's id.
    pub part: String,
    /// The side that it is let into.
    #[serde(default, skip_serializing_if = "Side::is_face")]
    pub side: Side,
    /// The middle of its plate, in the frame in which features of this side are described.
    pub at: [Length; 2],
    /// Which way its plate lies.
    #[serde(default)]
    pub lies: LongWay,
    /// Its plate, which comes to lie flush.
    pub plate: Plate,
    /// What stands behind the plate: the case of a lock, the room for its bolt.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub body: Option<Body>,
    /// Its screws; places are counted from the plate's middle.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub screws: Option<FittingScrews>,
}

/// A plate that lies flush in its recess.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct Plate {
    /// The long way.
    pub length: Length,
    /// The short way.
    pub width: Length,
    /// How deep its recess is.
    pub thickness: Length,
    /// Radius of its corners. Where the cutter's radius is no larger the recess is cut with it.
    #[serde(default)]
    pub corner: Length,
}

/// What stands behind a plate.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct Body {
    /// Along the plate. Its mortise is longer by the setting `end-room` of the fit stage at each end.
    pub length: Length,
    /// Across the plate. The fit says how much wider its mortise is.
    pub width: Length,
    /// Below the surface of the wood. Its mortise is deeper by the setting `glue-room` of the fit stage.
    pub depth: Length,
    /// From the plate's middle to its own, along the plate.
    #[serde(default)]
    pub offset: Length,
}

/// A cleat that lies across the grain of another part and is screwed to it. The other part moves across its grain over the year and the
/// cleat does not: one screw stands in a round hole, the others in slots.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct CleatJoint {
    /// The cleat and its holes, in the middle of its width.
    pub cleat: CleatOf,
    /// What it is screwed to.
    pub onto: CleatedPart,
    /// The screws.
    pub screws: CleatScrews,
}

/// A cleat: screws go through its thickness.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct CleatOf {
    /// The part's id.
    pub part: String,
    /// The side that the heads are on, `face` or `back`; with the other one it lies on its mate.
    #[serde(default, skip_serializing_if = "Side::is_face")]
    pub side: Side,
    /// x of the round hole: there the two parts keep their places. In the middle of a top it halves the way of both edges.
    pub fixed: Length,
    /// x of the slots, which lie along the cleat.
    pub slots: Vec<Length>,
    /// How far a screw can go in its slot from the middle to each end. When left out it is as far as the mate moves there, between the
    /// driest and the dampest of the settings `humidity` of the fit stage, in steps of 0.1 mm.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub travel: Option<Length>,
}

impl CleatOf {
    /// How far the slots lie from the round hole at most, mm.
    pub fn farthest(&self) -> f64 {
        let apart = self.slots.iter().map(|x| (x.mm() - self.fixed.mm()).abs());
        apart.fold(0.0, f64::max)
    }
}

/// What a cleat is screwed to.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct CleatedPart {
    /// The part's id.
    pub part: String,
    /// The side that the cleat lies on, `face` or `back`. Its right end lies towards the higher y.
    #[serde(default, skip_serializing_if = "Side::is_face")]
    pub side: Side,
    /// Where the middle of the cleat's round hole comes to lie.
    pub at: [Length; 2],
}

/// The screws of a cleat.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct CleatScrews {
    /// Diameter of the hole that the shank goes through, and width of the slots.
    pub clearance: Length,
    /// Diameter of the counterbore for the head, and width of those over slots.
    pub head: Length,
    /// How deep the counterbores are.
    pub sunk: Length,
    /// Diameter of the pilots in the mate.
    pub pilot: Length,
    /// How deep the pilots are.
    pub pilot_depth: Length,
}
