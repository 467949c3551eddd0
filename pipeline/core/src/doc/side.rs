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
}

impl Side {
    /// The word in documents.
    pub const fn word(self) -> &'static str {
        match self {
            Side::Face => "face",
            Side::Back => "back",
            Side::Near => "near edge",
            Side::Far => "far edge",
        }
    }
    /// One of the long edges: the piece stands on the other.
    pub fn is_edge(self) -> bool {
        matches!(self, Side::Near | Side::Far)
    }
    /// The side where this one comes to be when a piece is mirrored across its grain.
    pub fn mirrored_across(self) -> Side {
        match self {
            Side::Near => Side::Far,
            Side::Far => Side::Near,
            same => same,
        }
    }
    /// Nothing needs to be said of it.
    pub fn is_face(&self) -> bool {
        *self == Side::Face
    }
}
