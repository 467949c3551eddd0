//! Stocks: wood of one kind with its boards and thickness readings, and which readings look like a slip of the pen.

use super::Length;
use grainway_geom::{Bounds, point};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// Readings of one stock that lie further apart look like a slip, mm. Boards planed together differ by some tenths: common practice,
/// no source.
pub const WIDEST_SPREAD_MM: f64 = 1.5;
/// A reading that differs from the reading it replaces by more than this share of it looks like a slip: common practice, no source.
pub const UNLIKE_SHARE: f64 = 0.08;
/// Readings come with a few decimals; a difference of less is none, mm.
const SAME_READING_MM: f64 = 1e-6;

/// Wood of one kind and thickness.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct Stock {
    /// A wood of the built-in table (see the schema's `woods`) or of the shop's `woods`.
    pub wood: String,
    /// Thickness as measured: one reading or several over the board. A joint is fitted to the thickest, tabs to the thinnest.
    /// Readings more than 1.5 mm apart, and a job's reading more than 8 % off the shop's for the same stock, are refused unless
    /// they are confirmed: `{ "thickness": 18, "confirmed": true }`.
    #[schemars(length(min = 1))]
    pub thickness: Vec<ThicknessReading>,
    /// The boards at hand. A board is cut from this stock; leave it out for blanks that are already dimensioned.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub boards: Vec<Board>,
    /// Cup or bow that the boards show at most.
    #[serde(default)]
    pub cup: Length,
    /// Moisture of the wood when it is machined, percent of its dry weight, from 3 to 30, as measured. How parts move over the year is counted
    /// from it; when left out they may be joined in the driest weeks of the place or in the dampest.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub moisture: Option<f64>,
}

/// Boards of one size. The grain runs along the length, which lies along the machine's x.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct Board {
    /// Id, e.g. "a".
    pub id: String,
    /// Along the grain.
    pub length: Length,
    /// Across the grain.
    pub width: Length,
    /// How many of them; 1 when not given.
    #[serde(default = "default_one")]
    pub count: u32,
    /// Its own thickness as measured, where it was measured by itself: it counts for the parts whose `place` names this board, and no other
    /// part is cut from it. A board with readings of its own is one board.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub thickness: Vec<ThicknessReading>,
    /// Where no part may lie: knots, cracks, sapwood. A board that has any is one board.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub defects: Vec<Defect>,
}

/// A place of a board that no part may have.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct Defect {
    /// Its lower left corner: along the grain from the board's left end, and across it from the near edge, with the show face up.
    pub at: [Length; 2],
    /// Along the grain and across it.
    pub size: [Length; 2],
}

impl Defect {
    /// The rectangle, mm.
    pub fn bounds(&self) -> Bounds {
        let corner = |p: [Length; 2]| point(p[0].mm(), p[1].mm());
        let at = corner(self.at);
        Bounds::of([at, at + corner(self.size)])
    }
}

fn default_one() -> u32 {
    1
}

/// A thickness as measured.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(untagged)]
pub enum ThicknessReading {
    /// The length.
    Plain(Length),
    /// The length, and whether somebody looked again.
    Confirmed(ConfirmedReading),
}

/// A reading with more to say.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct ConfirmedReading {
    /// As measured.
    pub thickness: Length,
    /// The reading is right although it lies more than 1.5 mm from another of its stock, or differs by more than 8 % from the
    /// reading that it replaces.
    #[serde(default)]
    pub confirmed: bool,
}

impl ThicknessReading {
    /// As measured, mm.
    pub fn mm(&self) -> f64 {
        match self {
            ThicknessReading::Plain(l) => l.mm(),
            ThicknessReading::Confirmed(r) => r.thickness.mm(),
        }
    }
    /// Somebody looked again.
    pub fn is_confirmed(&self) -> bool {
        matches!(self, ThicknessReading::Confirmed(r) if r.confirmed)
    }
}

impl Stock {
    /// Least, mean and greatest reading, mm.
    pub fn readings_mm(&self) -> (f64, f64, f64) {
        let mm = || self.thickness.iter().map(ThicknessReading::mm);
        (
            mm().fold(f64::INFINITY, f64::min),
            mm().sum::<f64>() / self.thickness.len().max(1) as f64,
            mm().fold(f64::NEG_INFINITY, f64::max),
        )
    }

    /// The places in the list of the thinnest and the thickest reading, those of the two that nobody confirmed; empty when the
    /// readings lie within [`WIDEST_SPREAD_MM`].
    pub fn too_far_apart(&self) -> Vec<usize> {
        let (low, _, high) = self.readings_mm();
        if high - low <= WIDEST_SPREAD_MM + SAME_READING_MM {
            return Vec::new();
        }
        let mm = |i: &usize| self.thickness[*i].mm();
        let places = || 0..self.thickness.len();
        let thinnest = places().min_by(|a, b| mm(a).total_cmp(&mm(b)));
        let thickest = places().max_by(|a, b| mm(a).total_cmp(&mm(b)));
        let mut ends: Vec<usize> = [thinnest, thickest]
            .into_iter()
            .flatten()
            .filter(|i| !self.thickness[*i].is_confirmed())
            .collect();
        ends.sort_unstable();
        ends
    }

    /// The places in the list of readings that nobody confirmed and that differ by more than [`UNLIKE_SHARE`] from every reading of
    /// `before`, whose place they take.
    pub fn unlike(&self, before: &Stock) -> Vec<usize> {
        let (low, _, high) = before.readings_mm();
        (0..self.thickness.len())
            .filter(|i| {
                let reading = self.thickness[*i];
                !reading.is_confirmed()
                    && (reading.mm() < low * (1.0 - UNLIKE_SHARE) - SAME_READING_MM
                        || reading.mm() > high * (1.0 + UNLIKE_SHARE) + SAME_READING_MM)
            })
            .collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::doc::{Unit, in_unit};

    fn stock(thickness: &str) -> Stock {
        serde_json::from_str(&format!(r#"{{ "wood": "ash", "thickness": {thickness} }}"#)).unwrap()
    }

    #[test]
    fn a_spread_beyond_the_limit_asks_for_both_ends() {
        let asked = |thickness: &str| stock(thickness).too_far_apart();
        assert_eq!(asked("[18, 19.5]"), [0; 0]);
        assert_eq!(asked("[18, 19.51]"), [0, 1]);
        assert_eq!(asked("[18, 6, 18.1, 18.2]"), [1, 3]);
        let sure = r#"{ "thickness": 6, "confirmed": true }"#;
        assert_eq!(asked(&format!("[18, {sure}, 18.1]")), [2]);
        assert_eq!(
            asked(&format!("[{sure}, {}]", sure.replace('6', "18"))),
            [0; 0]
        );
        assert_eq!(
            asked(&format!("[{}, 18]", sure.replace("true", "false"))),
            [0, 1]
        );
    }

    #[test]
    fn a_reading_unlike_the_one_before_asks() {
        let before = stock("[20, 20.5]");
        let asked = |thickness: &str| stock(thickness).unlike(&before);
        // 8 % below 20 mm is 18.4 mm, 8 % above 20.5 mm is 22.14 mm.
        assert_eq!(asked("[18.4, 20.2, 22.14]"), [0; 0]);
        assert_eq!(asked("[18.39, 20.2, 22.15]"), [0, 2]);
        assert_eq!(
            asked(r#"[{ "thickness": "25mm", "confirmed": true }]"#),
            [0; 0]
        );
    }

    #[test]
    fn readings_are_written_as_they_are_read() {
        let text = r#"{ "wood": "ash", "thickness": [0.75, "3/4in", { "thickness": 0.25, "confirmed": true }] }"#;
        let read: Stock = in_unit(Unit::Inch, || serde_json::from_str(text)).unwrap();
        let mm: Vec<f64> = read.thickness.iter().map(ThicknessReading::mm).collect();
        assert!(
            mm.iter()
                .zip([19.05, 19.05, 6.35])
                .all(|(a, b)| (a - b).abs() < 1e-9),
            "{mm:?}"
        );
        let written = serde_json::to_string(&read).unwrap();
        assert_eq!(serde_json::from_str::<Stock>(&written).unwrap(), read);
    }
}
