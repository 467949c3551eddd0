//! Lengths as written.

use svgtypes::LengthUnit;

/// Millimetres in a CSS pixel: 1/96 in.
pub(super) const PIXEL_MM: f64 = 25.4 / 96.0;

/// A length as written: its number and the millimetres of its unit (`None` for a bare number). `Err` for what is no length here.
pub(super) fn length(text: &str) -> Option<(f64, Option<f64>)> {
    let l: svgtypes::Length = text.trim().parse().ok()?;
    let unit = match l.unit {
        LengthUnit::None => None,
        LengthUnit::Px => Some(PIXEL_MM),
        LengthUnit::Mm => Some(1.0),
        LengthUnit::Cm => Some(10.0),
        LengthUnit::In => Some(25.4),
        LengthUnit::Pt => Some(25.4 / 72.0),
        LengthUnit::Pc => Some(25.4 / 6.0),
        LengthUnit::Em | LengthUnit::Ex | LengthUnit::Percent => return None,
    };
    l.number.is_finite().then_some((l.number, unit))
}

/// A coordinate or size of an element in user units.
pub(super) fn coordinate(text: &str) -> Option<f64> {
    // Absolute units on an element count 96 user units an inch, whatever the page's own scale.
    length(text).map(|(n, unit)| unit.map_or(n, |mm| n * mm / PIXEL_MM))
}
