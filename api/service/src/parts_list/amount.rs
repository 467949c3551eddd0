//! Lengths in cells: numbers of the list's unit, or with one of their own.

use super::grid::{plain, settled};
use super::options::Decimal;
use grainway_pipeline::doc::{Length, Unit};
use serde_json::Value;

/// How numbers of a list are written.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Writing {
    /// The unit of the job document.
    pub document: Unit,
    /// The unit of plain numbers in this column.
    pub unit: Unit,
    pub decimal: Decimal,
}

/// A length, as the job document will have it.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Amount {
    /// A number in the document's unit, or a text with its unit.
    pub value: Value,
    mm: f64,
    /// In the document's unit, when it is a plain number.
    number: Option<f64>,
}

impl Amount {
    /// A plain number of the column's unit.
    pub(super) fn number(n: f64, writing: Writing) -> Amount {
        let n = settled(n);
        match writing.unit == writing.document {
            true => Amount {
                value: number(n),
                mm: n * writing.unit.mm(),
                number: Some(n),
            },
            false => Amount {
                value: Value::String(format!("{}{}", plain(n), writing.unit.word())),
                mm: n * writing.unit.mm(),
                number: None,
            },
        }
    }

    /// `self` less half of `size`: from a middle to where it begins.
    pub(super) fn less_half(&self, size: &Amount) -> Value {
        match (self.number, size.number) {
            (Some(at), Some(size)) => number(settled(at - size / 2.0)),
            _ => {
                let mm = ((self.mm - size.mm / 2.0) * 1e6).round() / 1e6;
                Value::String(format!("{mm}mm"))
            }
        }
    }
}

/// Whole numbers are written without a point.
pub(super) fn number(n: f64) -> Value {
    match n.fract() == 0.0 && n.abs() < 1e15 {
        true => Value::from(n as i64),
        false => Value::from(n),
    }
}

/// A number written as text: digits with at most one decimal mark.
pub(super) fn parse_number(text: &str, decimal: Decimal) -> Result<f64, String> {
    let (sign, digits) = match text.strip_prefix('-') {
        Some(rest) => (-1.0, rest),
        None => (1.0, text),
    };
    let wrong = || format!("\"{text}\" is not a number.");
    if digits.is_empty()
        || digits.len() > 30
        || !digits
            .bytes()
            .all(|b| b.is_ascii_digit() || matches!(b, b'.' | b','))
    {
        return Err(wrong());
    }
    let (mark, other) = match decimal {
        Decimal::Point => ('.', ','),
        Decimal::Comma => (',', '.'),
    };
    let read = match (digits.contains(mark), digits.contains(other)) {
        (_, false) => digits.replace(mark, "."),
        (false, true) if decimal == Decimal::Comma && !thousands(digits, other) => {
            // "19.2" among commas can mean one thing only.
            digits.to_string()
        }
        (false, true) if decimal == Decimal::Comma => {
            return Err(format!(
                "\"{text}\" may be a thousand or a decimal; write it without a point, or set the option `decimal`."
            ));
        }
        (false, true) => {
            return Err(format!(
                "\"{text}\" has a comma; write decimals with a point, or set the option `decimal` to \"comma\"."
            ));
        }
        (true, true) => {
            return Err(format!(
                "\"{text}\" has points and commas; write it without thousands marks."
            ));
        }
    };
    match read.parse::<f64>() {
        Ok(n) if n.is_finite() && read.bytes().any(|b| b.is_ascii_digit()) => Ok(sign * n),
        _ => Err(wrong()),
    }
}

/// Digits in threes: 1.200, 12.000.000.
fn thousands(digits: &str, mark: char) -> bool {
    let mut parts = digits.split(mark);
    let first = parts.next().unwrap_or_default();
    (1..=3).contains(&first.len()) && first != "0" && parts.all(|p| p.len() == 3)
}

/// A length: `1000`, `19,2`, `3/4`, `1 1/4in`, `19.2 mm`, `3/4"`.
pub(super) fn parse_amount(text: &str, writing: Writing) -> Result<Amount, String> {
    let text = text.trim();
    let lower = text.to_lowercase();
    let (digits, unit) = ["mm", "in", "\"", "″", "”"]
        .iter()
        .find_map(|u| lower.strip_suffix(u).map(|d| (d, Some(*u))))
        .unwrap_or((lower.as_str(), None));
    let digits = digits.trim();
    let unit = unit.map(|u| if u == "mm" { Unit::Mm } else { Unit::Inch });
    let wrong = || {
        format!(
            "\"{text}\" is not a length; write a number, or one with its unit: 19.2mm, 1 1/4in."
        )
    };
    if !digits.contains('/') {
        let n = match digits.is_empty() {
            true => return Err(wrong()),
            false => parse_number(digits, writing.decimal).map_err(|e| {
                match e.ends_with("is not a number.") {
                    true => wrong(),
                    false => e,
                }
            })?,
        };
        return Ok(Amount::number(
            n,
            Writing {
                unit: unit.unwrap_or(writing.unit),
                ..writing
            },
        ));
    }
    // A fraction keeps its form: the document reads it exactly, and people find it again.
    let unit = unit.unwrap_or(writing.unit);
    let joined = digits.replace(" /", "/").replace("/ ", "/");
    let told = format!("{joined}{}", unit.word());
    let mm = Length::parse(&told).map_err(|_| wrong())?.mm();
    Ok(Amount {
        value: Value::String(told),
        mm,
        number: None,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    fn writing(document: Unit, decimal: Decimal) -> Writing {
        Writing {
            document,
            unit: document,
            decimal,
        }
    }

    #[test]
    fn lengths_of_cells() {
        let mm = writing(Unit::Mm, Decimal::Point);
        let comma = writing(Unit::Mm, Decimal::Comma);
        let inch = writing(Unit::Inch, Decimal::Point);
        for (text, w, value) in [
            ("1000", mm, json!(1000)),
            ("19.2", mm, json!(19.2)),
            ("19.2 mm", mm, json!(19.2)),
            ("19.2mm", inch, json!("19.2mm")),
            ("3/4in", mm, json!("3/4in")),
            ("1 1/4\"", mm, json!("1 1/4in")),
            ("1 1/4″", inch, json!("1 1/4in")),
            ("1 1/4", inch, json!("1 1/4in")),
            ("0.75in", inch, json!(0.75)),
            ("19,2", comma, json!(19.2)),
            ("19.2", comma, json!(19.2)),
            ("0.125", comma, json!(0.125)),
            ("1200", comma, json!(1200)),
            ("-3,5", comma, json!(-3.5)),
            (".5", mm, json!(0.5)),
        ] {
            assert_eq!(parse_amount(text, w).map(|a| a.value), Ok(value), "{text}");
        }
        for (text, w) in [
            ("1.200", comma),
            ("12.000.000", comma),
            ("1.200,5", comma),
            ("1,200", mm),
            ("19,2", mm),
            ("1e3", mm),
            ("", mm),
            ("mm", mm),
            (".", mm),
            ("1.2.3", mm),
            ("3/0in", mm),
            ("1/2/3", mm),
            ("nan", mm),
            ("inf", mm),
            ("--1", mm),
        ] {
            assert!(parse_amount(text, w).is_err(), "{text}");
        }
    }

    #[test]
    fn from_a_middle_to_where_it_begins() {
        let mm = writing(Unit::Mm, Decimal::Point);
        let amount = |text| parse_amount(text, mm).unwrap();
        assert_eq!(amount("95").less_half(&amount("70")), json!(60));
        assert_eq!(amount("244.9").less_half(&amount("70")), json!(209.9));
        assert_eq!(amount("1in").less_half(&amount("1/2in")), json!("19.05mm"));
        // 1/3 in is 8.466666… mm; the rest is far below what any machine knows.
        assert_eq!(
            amount("10").less_half(&amount("2/3in")),
            json!("1.533333mm")
        );
    }
}
