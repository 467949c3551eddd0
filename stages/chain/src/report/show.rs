//! How lengths, areas and feeds are shown.

use super::document::ReportDocument;
use grainway_pipeline::doc::Unit;
use grainway_pipeline::finding;
use grainway_pipeline::work::Work;

/// "1 h 12 min", "4 min 10 s".
pub(super) fn duration(seconds: f64) -> String {
    let s = seconds.round().max(0.0) as u64;
    match (s / 3600, s / 60 % 60, s % 60) {
        (0, 0, s) => format!("{s} s"),
        (0, m, s) => format!("{m} min {s} s"),
        (h, m, _) => format!("{h} h {m} min"),
    }
}

/// Lengths as the sheet shows them: in the unit of the programs, which is what the controller shows.
#[derive(Clone, Copy)]
pub(super) struct Show(pub Unit);

impl Show {
    /// The unit of the programs of the job's machine.
    pub(super) fn of(work: &Work) -> Show {
        let unit = work.documents.machine().map(|(_, m)| m.program_unit);
        Show(unit.unwrap_or(work.documents.job.unit))
    }
    /// The same of a report.
    pub(super) fn of_report(report: &ReportDocument) -> Show {
        let unit = report.machine.as_ref().map(|m| m.program_unit);
        Show(unit.unwrap_or_default())
    }
    /// A text with its figures in this unit; stages write them in millimetres.
    pub(super) fn text(self, text: &str) -> String {
        finding::in_unit(text, self.0)
    }
    /// Square metres of boards, as wood is sold.
    pub(super) fn area(self, square_metres: f64) -> String {
        match self.0 {
            Unit::Mm => format!("{square_metres} m²"),
            Unit::Inch => format!("{:.1} ft²", square_metres / SQUARE_FOOT),
        }
    }
    /// Litres of wood, as wood is sold.
    pub(super) fn volume(self, litres: f64) -> String {
        match self.0 {
            Unit::Mm => format!("{litres} litres"),
            Unit::Inch => format!("{:.1} board feet", litres / BOARD_FOOT),
        }
    }
    /// A length without its unit: three decimals of a millimetre, four of an inch.
    pub(super) fn len(self, mm: f64) -> String {
        let digits = match self.0 {
            Unit::Mm => 1e3,
            Unit::Inch => 1e4,
        };
        ((mm / self.0.mm() * digits).round() / digits + 0.0).to_string()
    }
    /// A length with its unit.
    pub(super) fn with(self, mm: f64) -> String {
        format!("{} {}", self.len(mm), self.word())
    }
    /// `mm` or `in`.
    pub(super) fn word(self) -> &'static str {
        self.0.word()
    }
    /// Feeds, least to greatest.
    pub(super) fn feeds(self, r: [f64; 2]) -> String {
        match self.0 {
            Unit::Mm => range(r),
            Unit::Inch => range(r.map(|v| v / self.0.mm())),
        }
    }
}

/// A foot of 12 inches of 25.4 mm squared, m².
const SQUARE_FOOT: f64 = 0.3048 * 0.3048;
/// A square foot one inch thick, litres.
const BOARD_FOOT: f64 = SQUARE_FOOT * 25.4;

/// Whole numbers, least to greatest.
pub(super) fn range(r: [f64; 2]) -> String {
    let (a, b) = (r[0].round(), r[1].round());
    if (a - b).abs() < 0.5 {
        a.to_string()
    } else {
        format!("{a} to {b}")
    }
}

/// Seconds of an estimate, to a tenth: it is no better than that.
pub(super) fn tenth(seconds: f64) -> f64 {
    (10.0 * seconds).round() / 10.0 + 0.0
}

/// Three decimals: what a person can measure, and equal on every machine.
pub(super) fn round3(v: f64) -> f64 {
    (v * 1000.0).round() / 1000.0 + 0.0
}
