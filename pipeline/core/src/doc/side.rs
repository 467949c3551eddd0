//! Sides, ends and edges of a piece.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// An end of a piece along its grain.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum End {
    /// At x = 0.
    Left,
    /// At x = length.
    Right,
}

/// A long edge of a piece.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Edge {
    /// At y = 0.
    Near,
    /// At y = width.
    Far,
}

/// A side of a piece that lies up while it is cut.
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
pub enum Side {
    /// The side that is up first; a part's frame is seen from it.
    #[default]
    Face,
    /// The side behind it: the piece is turned over.
    Back,
    /// The long edge at y = 0: the piece stands on its far edge.
    Near,
    /// The long edge at y = width: the piece stands on its near edge.
    Far,
    /// The end at x = 0: the piece stands upright on its right end.
    LeftEnd,
    /// The end at x = length: the piece stands upright on its left end.
    RightEnd,
}

impl Side {
    /// All six, in the order in which their setups follow one another.
    pub const ALL: [Side; 6] = [
        Side::Face,
        Side::Back,
        Side::Near,
        Side::Far,
        Side::LeftEnd,
        Side::RightEnd,
    ];

    /// On paper and in findings.
    pub const fn word(self) -> &'static str {
        match self {
            Side::Face => "face",
            Side::Back => "back",
            Side::Near => "near edge",
            Side::Far => "far edge",
            Side::LeftEnd => "left end",
            Side::RightEnd => "right end",
        }
    }
    /// Face or back: places on it are those of the part's own frame.
    pub const fn is_flat(self) -> bool {
        matches!(self, Side::Face | Side::Back)
    }
    /// One of the long edges: the piece stands on the other.
    pub const fn is_edge(self) -> bool {
        matches!(self, Side::Near | Side::Far)
    }
    /// One of the ends: the piece stands upright on the other.
    pub const fn is_end(self) -> bool {
        matches!(self, Side::LeftEnd | Side::RightEnd)
    }
    /// The side where this one comes to be when a piece is mirrored across its grain.
    pub fn mirrored_across(self) -> Side {
        match self {
            Side::Near => Side::Far,
            Side::Far => Side::Near,
            same => same,
        }
    }
    /// The side on the other side of the wood.
    pub fn opposite(self) -> Side {
        match self {
            Side::Face => Side::Back,
            Side::Back => Side::Face,
            Side::Near => Side::Far,
            Side::Far => Side::Near,
            Side::LeftEnd => Side::RightEnd,
            Side::RightEnd => Side::LeftEnd,
        }
    }
    /// Nothing needs to be said of it.
    pub fn is_face(&self) -> bool {
        *self == Side::Face
    }
}

/// Which way something long lies on a part.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum LongWay {
    /// Along the part (x); on an end, along the part's width.
    #[default]
    Along,
    /// Across the part (y); on an edge or an end, across its thickness.
    Across,
}

/// How much a side is seen once the piece of furniture stands.
#[derive(
    Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, JsonSchema,
)]
#[serde(rename_all = "kebab-case")]
pub enum Seen {
    /// Never: relief may show there.
    Hidden,
    /// When a door or drawer is open, or from below: relief may show there where nothing but hand work would hide it, as little of it as
    /// possible.
    Inside,
    /// Always: no relief shows there.
    #[default]
    Show,
}

/// How much each side of a part is seen: `show` where nothing is said. What becomes of the corners of its mortises and tenons follows
/// from it.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields, default)]
pub struct SeenSides {
    /// The face.
    #[serde(skip_serializing_if = "Seen::is_show")]
    pub face: Seen,
    /// The back.
    #[serde(skip_serializing_if = "Seen::is_show")]
    pub back: Seen,
    /// The near edge.
    #[serde(skip_serializing_if = "Seen::is_show")]
    pub near: Seen,
    /// The far edge.
    #[serde(skip_serializing_if = "Seen::is_show")]
    pub far: Seen,
    /// The left end.
    #[serde(skip_serializing_if = "Seen::is_show")]
    pub left_end: Seen,
    /// The right end.
    #[serde(skip_serializing_if = "Seen::is_show")]
    pub right_end: Seen,
}

impl Seen {
    /// Nothing needs to be said of it.
    fn is_show(&self) -> bool {
        *self == Seen::Show
    }
}

impl SeenSides {
    /// How much one side is seen.
    pub fn of(&self, side: Side) -> Seen {
        match side {
            Side::Face => self.face,
            Side::Back => self.back,
            Side::Near => self.near,
            Side::Far => self.far,
            Side::LeftEnd => self.left_end,
            Side::RightEnd => self.right_end,
        }
    }
    /// Nothing needs to be said of them.
    pub fn are_shown(&self) -> bool {
        *self == SeenSides::default()
    }
}
