//! How wood moves over the year, derived for check alone.

use grainway_pipeline::doc;
use grainway_pipeline::work::Documents;

/// Moisture contents, percent, between which a share for each percent tells the movement (Wood Handbook, FPL-GTR-190, equation 13-2).
const LINEAR: [f64; 2] = [6.0, 14.0];

/// Moisture that wood comes to rest at, percent, kept between [`LINEAR`]: Wood Handbook (FPL-GTR-190), equation 4-5 with temperature in °C,
/// a model of one layer of water that the wood binds fast and more that it dissolves.
pub fn moisture(celsius: f64, humidity: f64) -> f64 {
    let square = celsius.powi(2);
    let polynomial = |a: f64, b: f64, c: f64| a + b * celsius + c * square;
    // Per cent for one molecule of water at each place that binds one.
    let per_molecule = 1800.0 / polynomial(349.0, 1.29, 0.0135);
    let active = polynomial(0.805, 0.000736, -0.00000273) * humidity / 100.0;
    let first = polynomial(6.27, -0.00938, -0.000303) * active;
    let second = first * polynomial(1.91, 0.0407, -0.000293) * active;
    let bound = (first + 2.0 * second) / (1.0 + first + second);
    let dissolved = active / (1.0 - active);
    (per_molecule * (dissolved + bound)).clamp(LINEAR[0], LINEAR[1])
}

/// The share by which a described part becomes wider or narrower at most once it is joined, for flat sawn boards: from its measured moisture to
/// the farther end of the season, or from end to end. `None` where it is not known how its wood moves.
pub(super) fn share(documents: &Documents, part: &str, [dry, damp]: [f64; 2]) -> Option<f64> {
    let part = documents.job.parts.iter().find(|p| p.id == part)?;
    let stock = documents.stock(&part.stock)?;
    let each = match documents.shop.woods.get(&stock.wood) {
        Some(own) => own.movement,
        None => doc::wood(&stock.wood)?.movement,
    };
    let from = stock.moisture.map_or(vec![dry, damp], |m| vec![m]);
    let changes = from.iter().flat_map(|m| [damp - m, dry - m]);
    Some(each? * changes.fold(0.0, |most, c| f64::max(most, c.abs())))
}

#[cfg(test)]
mod tests {
    use super::moisture;

    /// Wood Handbook (FPL-GTR-190), Table 4-2, cells at 70 °F; beyond the ends it stays at them.
    #[test]
    fn moisture_is_that_of_the_handbooks_table() {
        let celsius = 38.0 / 1.8;
        for (humidity, percent) in [
            (30.0, 6.2),
            (50.0, 9.2),
            (65.0, 12.0),
            (5.0, 6.0),
            (95.0, 14.0),
        ] {
            let m = moisture(celsius, humidity);
            assert!((m - percent).abs() < 0.07, "{humidity} %: {m}");
        }
    }
}
