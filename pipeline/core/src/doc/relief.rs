//! What happens in inside corners.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// The shape of a relief.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum ReliefKind {
    /// Leave the fillet.
    None,
    /// A lobe on the corner's bisector.
    #[default]
    DogBone,
    /// A lobe into one of the corner's two edges, tangent to the other.
    TBone,
}

/// Into which edge a T-bone's lobe goes.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum ReliefWay {
    /// The shorter of the corner's two edges (the ends of a mortise), so that the long cheeks stay whole.
    #[default]
    IntoShort,
    /// The longer of the corner's two edges.
    IntoLong,
    /// The edge that runs more along the grain (x).
    IntoAlong,
    /// The edge that runs more across the grain (y).
    IntoAcross,
}

/// What happens in the inside corners of a feature.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct Relief {
    /// Its shape.
    #[serde(default)]
    pub kind: ReliefKind,
    /// For T-bones: into which edge.
    #[serde(default)]
    pub way: ReliefWay,
    /// Only corners whose inside angle is at most this many degrees; 170 by default.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub up_to_angle: Option<f64>,
    /// Square the corners by hand: no lobe, and a line in the hand-work list.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub by_hand: bool,
}
