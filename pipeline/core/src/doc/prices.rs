//! Prices of the shop, for costs and quotes. Nothing of them reaches a program.

use schemars::JsonSchema;
use serde::{Deserialize, Deserializer, Serialize, Serializer};
use std::collections::BTreeMap;
use std::fmt;

/// An amount of money in whole hundredths of the shop's currency, so that sums are exact.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, JsonSchema)]
#[schemars(with = "f64")]
pub struct Money(pub i64);

impl Money {
    /// The nearest hundredth; prices of documents have no more decimals than two.
    pub fn of(price: f64) -> Money {
        Money((price * 100.0).round() as i64)
    }
    /// The amount `times` over and divided by `by`, to the nearest hundredth, a half upwards. `by` is more than 0.
    pub fn times(self, times: i128, by: i128) -> Money {
        let twice = 2 * i128::from(self.0) * times + by;
        let whole = twice.div_euclid(2 * by);
        Money(i64::try_from(whole).unwrap_or(i64::MAX))
    }
    /// The amount in shares as large as the weights, which add up to it exactly: each has the hundredths that it has in full, and those
    /// left go one by one to the shares that lost the largest remainders, the first among equals. Equal shares where nothing has a weight.
    pub fn divided(self, weights: &[u64]) -> Vec<Money> {
        let sum: i128 = weights.iter().map(|w| i128::from(*w)).sum();
        let weight = |i: usize| if sum == 0 { 1 } else { i128::from(weights[i]) };
        let by = if sum == 0 { weights.len() as i128 } else { sum };
        let product = |i: usize| i128::from(self.0) * weight(i);
        let mut shares: Vec<i64> = (0..weights.len())
            .map(|i| i64::try_from(product(i).div_euclid(by)).unwrap_or(i64::MAX))
            .collect();
        let mut order: Vec<usize> = (0..weights.len()).collect();
        order.sort_by_key(|i| std::cmp::Reverse(product(*i).rem_euclid(by)));
        let left = self.0 - shares.iter().sum::<i64>();
        for i in order.into_iter().take(usize::try_from(left).unwrap_or(0)) {
            shares[i] += 1;
        }
        shares.into_iter().map(Money).collect()
    }
}

impl std::ops::Add for Money {
    type Output = Money;
    fn add(self, other: Money) -> Money {
        Money(self.0.saturating_add(other.0))
    }
}

impl std::iter::Sum for Money {
    fn sum<I: Iterator<Item = Money>>(each: I) -> Money {
        each.fold(Money::default(), |a, b| a + b)
    }
}

/// `1234.50`, with two decimals always.
impl fmt::Display for Money {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let sign = if self.0 < 0 { "-" } else { "" };
        let (whole, rest) = (self.0.unsigned_abs() / 100, self.0.unsigned_abs() % 100);
        write!(f, "{sign}{whole}.{rest:02}")
    }
}

impl Serialize for Money {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_f64(self.0 as f64 / 100.0)
    }
}

impl<'de> Deserialize<'de> for Money {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        f64::deserialize(deserializer).map(Money::of)
    }
}

/// What wood and time cost a customer. Reports and sheets have costs when the shop has it, and `grainway quote` prints them;
/// `docs/costs.md` has every formula. Prices are from 0 to 1000000 and have two decimals at most.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct Prices {
    /// The word that stands behind amounts, such as "EUR"; nothing is converted.
    pub currency: String,
    /// The price of each stock's wood, by the stock's id.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub wood: BTreeMap<String, WoodPrice>,
    /// Who pays for what is left of a board.
    #[serde(default)]
    pub offcuts: OffcutsPaid,
    /// An hour of the machine (currency an hour) with the person who stands by it while it cuts, moves, spins up or changes cutters.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub machine_hour: Option<f64>,
    /// An hour of a person's work by hand (currency an hour); `minutes` says what is counted.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub hand_hour: Option<f64>,
    /// How long work by hand takes.
    #[serde(default)]
    pub minutes: HandMinutes,
    /// Put on top of wood and time, percent, from 0 to 1000, two decimals at most; 0 when not given.
    #[serde(default)]
    pub surcharge_percent: f64,
}

/// The price of a stock's wood, in the currency of the prices.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum WoodPrice {
    /// For a cubic metre: a board's length × width × mean thickness reading, a blank's rough size.
    PerM3(f64),
    /// For a board foot, 144 cubic inches, of the same volume.
    PerBoardFoot(f64),
    /// For a square metre: a board's length × width, a blank's rough length × width.
    PerM2(f64),
    /// For each board, whatever its size. Blanks that come dimensioned have no price then, which is told.
    PerBoard(f64),
}

/// Who pays for offcuts: the rectangles of a board that are left and large enough to be listed.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum OffcutsPaid {
    /// The job pays for whole boards.
    #[default]
    Job,
    /// The shop keeps listed offcuts, and the job pays for the rest of each board, by area.
    Shop,
}

/// Minutes of work by hand, each from 0 to 1440; 0, or left out, counts nothing.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields, default)]
pub struct HandMinutes {
    /// To lay a board or a blank on the machine, hold it and set zero: once for each time that wood is laid.
    pub setup: f64,
    /// On top of that, where the piece lies with another side than its face up: to turn it and see that it lies right.
    pub turn: f64,
    /// To change a cutter by hand.
    pub cutter_change: f64,
    /// To drive one hold-down screw and take it out again.
    pub screw: f64,
    /// To serve a pause of a program, beyond what `screw` counts.
    pub pause: f64,
    /// For each piece in each line of the hand-work list, such as tabs to be cut or corners to be squared.
    pub hand_work: f64,
    /// To sand or clean up a piece, once for every piece, beyond what the hand-work list has.
    pub piece: f64,
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn amounts_round_to_the_nearest_hundredth_and_a_half_upwards() {
        // 10.00 × 1 / 3 = 3.333; × 2 / 3 = 6.667; 0.05 / 2 = 0.025; 0.01 × 1 / 3 is nothing.
        for (price, times, by, wanted) in [
            (10.0, 1, 3, "3.33"),
            (10.0, 2, 3, "6.67"),
            (0.05, 1, 2, "0.03"),
            (0.01, 1, 3, "0.00"),
            (1.15, 100, 1, "115.00"),
            (999_999.99, 1_000_000_000, 1_000_000_000, "999999.99"),
        ] {
            let amount = Money::of(price).times(times, by);
            assert_eq!(amount.to_string(), wanted, "{price} × {times} / {by}");
        }
        // Floats that are not what they are written as: 1.005 is less, 2.675 too, 0.29 × 100 is 28.999….
        assert_eq!(Money::of(0.29), Money(29));
        assert_eq!(Money::of(4.35), Money(435));
        assert_eq!(Money(-5).to_string(), "-0.05");
    }

    #[test]
    fn shares_add_up_to_the_hundredth() {
        let shares = |amount: i64, weights: &[u64]| -> Vec<i64> {
            let shares = Money(amount).divided(weights);
            shares.into_iter().map(|m| m.0).collect()
        };
        // 100 by 3 equal ones, by 1 : 2 : 4 (14.29, 28.57, 57.14), and by nothing.
        assert_eq!(shares(100, &[1, 1, 1]), [34, 33, 33]);
        assert_eq!(shares(100, &[1, 2, 4]), [14, 29, 57]);
        assert_eq!(shares(5, &[0, 0]), [3, 2]);
        assert_eq!(shares(5, &[0, 7]), [0, 5]);
        assert_eq!(shares(7, &[]), [0; 0]);
        for amount in 0..500 {
            let sum: i64 = shares(amount, &[3, 0, 17, 5, 5, 1]).iter().sum();
            assert_eq!(sum, amount);
        }
    }

    #[test]
    fn amounts_come_back_as_they_were_written() {
        for hundredths in [0, 1, 29, 435, 100_001, 99_999_999_999] {
            let text = serde_json::to_string(&Money(hundredths)).unwrap();
            let back: Money = serde_json::from_str(&text).unwrap();
            assert_eq!(back, Money(hundredths), "{text}");
        }
    }
}
