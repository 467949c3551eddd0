//! How pieces stand together in the furniture.

use serde::{Deserialize, Serialize};

/// Pieces that joints hold together, and the order in which they are put together.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub struct Furniture {
    /// The pieces, the one in whose frame the others stand first.
    pub pieces: Vec<Stood>,
    /// The first comes first.
    pub steps: Vec<Closing>,
    /// The job makes so many alike.
    pub count: u32,
}

/// A piece in its place.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub struct Stood {
    /// The part's id.
    pub part: String,
    /// Which copy of the part, from 1.
    pub number: u32,
    /// Its place and direction in the furniture.
    pub pose: Pose,
}

/// Two groups of pieces that are brought together.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub struct Closing {
    /// The pieces that move, as numbers in `pieces`.
    pub moved: Vec<usize>,
    /// The pieces that they are brought to.
    pub onto: Vec<usize>,
    /// The way in which they move.
    pub along: [f64; 3],
    /// Ids of the joints that close.
    pub joints: Vec<String>,
}

/// Where a piece's own frame (along, across, up from its back) lies.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub struct Pose {
    /// Where its x, y and z point.
    pub axes: [[f64; 3]; 3],
    /// Where its origin lies, mm.
    pub at: [f64; 3],
}

impl Pose {
    /// Where it was made.
    pub const OWN: Pose = Pose {
        axes: [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]],
        at: [0.0; 3],
    };
    /// A direction of the piece, in the furniture.
    pub fn direction(&self, d: [f64; 3]) -> [f64; 3] {
        std::array::from_fn(|i| (0..3).map(|k| self.axes[k][i] * d[k]).sum())
    }
    /// A place of the piece, in the furniture.
    pub fn place(&self, p: [f64; 3]) -> [f64; 3] {
        let turned = self.direction(p);
        std::array::from_fn(|i| turned[i] + self.at[i])
    }
    /// A place of the furniture, in the piece.
    pub fn inverse(&self, p: [f64; 3]) -> [f64; 3] {
        self.inverse_direction(std::array::from_fn(|i| p[i] - self.at[i]))
    }
    /// A direction of the furniture, in the piece.
    pub fn inverse_direction(&self, d: [f64; 3]) -> [f64; 3] {
        self.axes.map(|axis| (0..3).map(|i| axis[i] * d[i]).sum())
    }
    /// The same, so much farther on.
    pub fn moved(&self, by: [f64; 3]) -> Pose {
        Pose {
            at: std::array::from_fn(|i| self.at[i] + by[i]),
            ..*self
        }
    }
}
