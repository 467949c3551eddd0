//! Heights: where zero is, and where the wood is over it.

use crate::doc::ZZero;
use serde::{Deserialize, Serialize};

/// The heights of a piece of wood in its machine's Z, mm, upwards positive. Thickness varies between readings; each question below
/// says which reading answers it.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct ZFrame {
    /// Where Z is zero.
    pub zero: ZZero,
    /// Thinnest reading, mm.
    pub thinnest: f64,
    /// Mean reading, mm.
    pub mean: f64,
    /// Thickest reading, mm.
    pub thickest: f64,
}

impl ZFrame {
    /// The face of wood of mean thickness.
    pub fn top(&self) -> f64 {
        match self.zero {
            ZZero::Bed => self.mean,
            ZZero::Top => 0.0,
        }
    }
    /// The highest the face can be: first passes start here, rapids stay above.
    pub fn highest_top(&self) -> f64 {
        match self.zero {
            ZZero::Bed => self.thickest,
            ZZero::Top => 0.0,
        }
    }
    /// The lowest the underside can be: through cuts go below this. (It is the spoilboard's surface where zero is on the bed.)
    pub fn lowest_underside(&self) -> f64 {
        match self.zero {
            ZZero::Bed => 0.0,
            ZZero::Top => -self.thickest,
        }
    }
    /// The highest the underside can be: tabs are measured from here, so that they are thick enough in the thinnest wood.
    pub fn highest_underside(&self) -> f64 {
        match self.zero {
            ZZero::Bed => 0.0,
            ZZero::Top => -self.thinnest,
        }
    }
    /// The floor of a cut `depth` mm below the face of wood of mean thickness.
    pub fn floor_below(&self, depth: f64) -> f64 {
        self.top() - depth
    }
    /// The floor of a cut that leaves `left` mm of wood (of mean thickness, where zero is on top).
    pub fn floor_leaving(&self, left: f64) -> f64 {
        match self.zero {
            ZZero::Bed => left,
            ZZero::Top => left - self.mean,
        }
    }
    /// The bottom of a cut right through, `into` mm into the spoilboard under the thickest wood.
    pub fn through(&self, into: f64) -> f64 {
        self.lowest_underside() - into
    }
    /// The upper side of a tab or skin that is at least `height` mm thick in the thinnest wood.
    pub fn tab_top(&self, height: f64) -> f64 {
        self.highest_underside() + height
    }
    /// The least wood between the floor of a recess in the face and that of one in the back behind it, each in the machine's Z while its
    /// own side lies up. With zero on the bed each floor stands over the other side's plane whatever the thickness, so the thickest wood
    /// decides; with zero on top depths are true and the thinnest does.
    pub fn between_floors(&self, face: f64, back: f64) -> f64 {
        match self.zero {
            ZZero::Bed => face + back - self.thickest,
            ZZero::Top => self.thinnest + face + back,
        }
    }
    /// How deep below the face (mean thickness) the height `z` lies.
    pub fn depth_of(&self, z: f64) -> f64 {
        self.top() - z
    }
    /// How far a cut to `z` reaches into the spoilboard at worst (under the thinnest wood), mm; 0 or less when it does not.
    pub fn into_spoilboard(&self, z: f64) -> f64 {
        self.highest_underside() - z
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn both_zeros_agree_about_mean_wood() {
        let f = |zero| ZFrame {
            zero,
            thinnest: 18.4,
            mean: 19.0,
            thickest: 19.6,
        };
        let (bed, top) = (f(ZZero::Bed), f(ZZero::Top));
        let close = |a: f64, b: f64| assert!((a - b).abs() < 1e-12, "{a} is not {b}");
        close(bed.floor_below(5.0) - bed.mean, top.floor_below(5.0));
        close(bed.through(0.3), -0.3);
        close(top.through(0.3), -19.9);
        close(bed.tab_top(3.0), 3.0);
        close(top.tab_top(3.0), -15.4);
        close(top.into_spoilboard(top.through(0.3)), 1.5);
    }
}
