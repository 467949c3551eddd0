//! Woods of which density and hardness are published.

use super::WoodFigures;

/// A row of the built-in table.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Wood {
    /// Name in documents.
    pub name: &'static str,
    /// Specific gravity at 12 % moisture.
    pub density: f64,
    /// Side hardness, pounds-force as printed.
    pub hardness_lbf: f64,
    /// Change of width of a flat sawn board, a share for each percent of moisture (dimensional change coefficient C_T).
    pub movement: Option<f64>,
}

/// Newtons in a pound-force.
const NEWTON_PER_LBF: f64 = 4.448_22;

impl Wood {
    /// In the form that documents use.
    pub fn figures(&self) -> WoodFigures {
        WoodFigures {
            density: self.density,
            hardness: self.hardness_lbf * NEWTON_PER_LBF,
            movement: self.movement,
            source: "FPL-GTR-282, Tables 5-3b and 5-5b".to_string(),
        }
    }
}

const fn row(name: &'static str, density: f64, hardness_lbf: f64, movement: Option<f64>) -> Wood {
    Wood {
        name,
        density,
        hardness_lbf,
        movement,
    }
}

/// Specific gravity and side hardness at 12 % moisture: FPL-GTR-282 (Wood Handbook), Tables 5-3b and 5-5b, read in an open data
/// transcription. Mahogany and teak: the table gives specific gravity on green volume only. Birch plywood: no published row; the
/// figures of yellow birch are taken. Movement across the grain: C_T of FPL-GTR-190, Table 13-5; hickory, poplar, Douglas fir, white
/// pine, mahogany and teak from memory of the same table. None is published for khaya, and plywood hardly moves.
pub const WOODS: &[Wood] = &[
    row("ash", 0.60, 1320.0, Some(0.00274)),
    row("basswood", 0.37, 410.0, Some(0.00330)),
    row("beech", 0.64, 1300.0, Some(0.00431)),
    row("birch", 0.62, 1260.0, Some(0.00338)),
    row("birch-plywood", 0.62, 1260.0, None),
    row("cherry", 0.50, 950.0, Some(0.00248)),
    row("douglas-fir", 0.48, 710.0, Some(0.00267)),
    row("elm", 0.50, 830.0, Some(0.00338)),
    row("hickory", 0.72, 1880.0, Some(0.00411)),
    row("khaya", 0.42, 830.0, None),
    row("mahogany", 0.45, 800.0, Some(0.00238)),
    row("maple-hard", 0.63, 1450.0, Some(0.00353)),
    row("maple-red", 0.54, 950.0, Some(0.00289)),
    row("maple-silver", 0.47, 700.0, Some(0.00252)),
    row("oak-red", 0.63, 1290.0, Some(0.00369)),
    row("oak-white", 0.68, 1360.0, Some(0.00365)),
    row("pine-white", 0.35, 380.0, Some(0.00212)),
    row("poplar", 0.42, 540.0, Some(0.00289)),
    row("teak", 0.55, 1000.0, Some(0.00186)),
    row("walnut", 0.55, 1010.0, Some(0.00274)),
];

/// The row named `name`.
pub fn wood(name: &str) -> Option<&'static Wood> {
    WOODS.iter().find(|w| w.name == name)
}
