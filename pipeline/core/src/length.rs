//! Lengths in documents: numbers in the document's own unit, or strings that name theirs.

use schemars::{JsonSchema, Schema, SchemaGenerator, json_schema};
use serde::{Deserialize, Deserializer, Serialize, Serializer};
use std::borrow::Cow;
use std::cell::Cell;

/// Millimetres or inches.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize, JsonSchema)]
pub enum Unit {
    /// Millimetres.
    #[default]
    #[serde(rename = "mm")]
    Mm,
    /// Inches of 25.4 mm.
    #[serde(rename = "in")]
    Inch,
}

impl Unit {
    /// Millimetres in one of it.
    pub const fn mm(self) -> f64 {
        match self {
            Unit::Mm => 1.0,
            Unit::Inch => 25.4,
        }
    }
    /// `mm` or `in`.
    pub const fn word(self) -> &'static str {
        match self {
            Unit::Mm => "mm",
            Unit::Inch => "in",
        }
    }
    /// A length as a person measures it, without its unit: to a tenth of a millimetre or a hundredth of an inch.
    pub fn measured(self, mm: f64) -> String {
        let digits = match self {
            Unit::Mm => 10.0,
            Unit::Inch => 100.0,
        };
        ((mm / self.mm() * digits).round() / digits + 0.0).to_string()
    }
}

thread_local! {
    /// The unit of the document being deserialised on this thread. serde hands no context down, and two families of types, one
    /// with units and one without, would be worse. Only [`in_unit`] sets it.
    static DOCUMENT_UNIT: Cell<Unit> = const { Cell::new(Unit::Mm) };
}

/// Runs `f` while plain numbers read as [`Length`] on this thread count as `unit`.
pub fn in_unit<T>(unit: Unit, f: impl FnOnce() -> T) -> T {
    struct Restore(Unit);
    impl Drop for Restore {
        fn drop(&mut self) {
            DOCUMENT_UNIT.set(self.0);
        }
    }
    let _restore = Restore(DOCUMENT_UNIT.replace(unit));
    f()
}

/// A length: a number in the document's own unit, or a string with a unit such as "19.2mm", "3/4in", "1 1/4in". Held in mm.
#[derive(Clone, Copy, Debug, Default, PartialEq, PartialOrd)]
pub struct Length(f64);

impl Length {
    /// A length of so many millimetres.
    pub const fn from_mm(mm: f64) -> Length {
        Length(mm)
    }
    /// In millimetres.
    pub const fn mm(self) -> f64 {
        self.0
    }
    /// Reads "19.2mm", "3/4in", "1 1/4in", "-2 mm".
    pub fn parse(text: &str) -> Result<Length, String> {
        let t = text.trim();
        let (number, unit) = if let Some(n) = t.strip_suffix("mm") {
            (n, Unit::Mm)
        } else if let Some(n) = t.strip_suffix("in") {
            (n, Unit::Inch)
        } else {
            return Err(format!(
                "\"{text}\" names no unit; write a number with mm or in, such as \"19.2mm\" or \"3/4in\""
            ));
        };
        let bad = || {
            format!(
                "\"{text}\" is not a length; write a number with mm or in, such as \"19.2mm\" or \"1 1/4in\""
            )
        };
        let number = number.trim();
        let (negative, number) = match number.strip_prefix('-') {
            Some(rest) => (true, rest.trim_start()),
            None => (false, number),
        };
        let plain = |s: &str| -> Option<f64> {
            let digits = s.chars().all(|c| c.is_ascii_digit() || c == '.')
                && s.chars().any(|c| c.is_ascii_digit());
            if digits { s.parse::<f64>().ok() } else { None }
        };
        let mut sum = 0.0;
        let words: Vec<&str> = number.split_whitespace().collect();
        if words.is_empty() || words.len() > 2 {
            return Err(bad());
        }
        for (i, word) in words.iter().enumerate() {
            sum += match word.split_once('/') {
                Some((above, below)) if i + 1 == words.len() => {
                    let (a, b) = (plain(above).ok_or_else(bad)?, plain(below).ok_or_else(bad)?);
                    if b <= 0.0 {
                        return Err(bad());
                    }
                    a / b
                }
                None if i == 0 => plain(word).ok_or_else(bad)?,
                _ => return Err(bad()),
            };
        }
        let mm = sum * unit.mm();
        if mm.is_finite() {
            Ok(Length(if negative { -mm } else { mm }))
        } else {
            Err(bad())
        }
    }
}

impl<'de> Deserialize<'de> for Length {
    fn deserialize<D: Deserializer<'de>>(d: D) -> Result<Self, D::Error> {
        #[derive(Deserialize)]
        #[serde(untagged)]
        enum Raw {
            Number(f64),
            Text(String),
        }
        match Raw::deserialize(d)? {
            Raw::Number(n) => Ok(Length(n * DOCUMENT_UNIT.get().mm())),
            Raw::Text(t) => Length::parse(&t).map_err(serde::de::Error::custom),
        }
    }
}

/// Written as a number of millimetres, which is read back inside `in_unit(Unit::Mm, …)`.
impl Serialize for Length {
    fn serialize<S: Serializer>(&self, s: S) -> Result<S::Ok, S::Error> {
        s.serialize_f64(self.0)
    }
}

/// What a string length looks like; numbers with an optional fraction and the unit.
const PATTERN: &str = r"^\s*-?\s*([0-9]*\.?[0-9]+|[0-9]+\.?|[0-9]+\s*/\s*[0-9]+|[0-9]+\s+[0-9]+/[0-9]+)\s*(mm|in)\s*$";

impl JsonSchema for Length {
    fn schema_name() -> Cow<'static, str> {
        "Length".into()
    }
    fn json_schema(_: &mut SchemaGenerator) -> Schema {
        json_schema!({
            "description": "A length: a number in the document's own unit, or a string with a unit such as \"19.2mm\", \"3/4in\", \"1 1/4in\".",
            "anyOf": [{ "type": "number" }, { "type": "string", "pattern": PATTERN }]
        })
    }
}

/// How deep: a length below the face, or "through".
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Depth {
    /// Below the face.
    Below(Length),
    /// Through the wood.
    Through,
}

impl<'de> Deserialize<'de> for Depth {
    fn deserialize<D: Deserializer<'de>>(d: D) -> Result<Self, D::Error> {
        #[derive(Deserialize)]
        #[serde(untagged)]
        enum Raw {
            Number(f64),
            Text(String),
        }
        match Raw::deserialize(d)? {
            Raw::Number(n) => Ok(Depth::Below(Length(n * DOCUMENT_UNIT.get().mm()))),
            Raw::Text(t) if t == "through" => Ok(Depth::Through),
            Raw::Text(t) => Length::parse(&t)
                .map(Depth::Below)
                .map_err(serde::de::Error::custom),
        }
    }
}

impl Serialize for Depth {
    fn serialize<S: Serializer>(&self, s: S) -> Result<S::Ok, S::Error> {
        match self {
            Depth::Below(l) => l.serialize(s),
            Depth::Through => s.serialize_str("through"),
        }
    }
}

impl JsonSchema for Depth {
    fn schema_name() -> Cow<'static, str> {
        "Depth".into()
    }
    fn json_schema(_: &mut SchemaGenerator) -> Schema {
        json_schema!({
            "description": "How deep: a length below the face, or \"through\".",
            "anyOf": [{ "type": "number" }, { "type": "string", "pattern": PATTERN }, { "const": "through" }]
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lengths_with_units() {
        for (text, mm) in [
            ("19.2mm", 19.2),
            ("19.2 mm", 19.2),
            ("3/4in", 19.05),
            ("1 1/4in", 31.75),
            ("1in", 25.4),
            ("-2mm", -2.0),
            (" .5 in ", 12.7),
            ("1.5in", 38.1),
        ] {
            assert!(
                (Length::parse(text).unwrap().mm() - mm).abs() < 1e-12,
                "{text}"
            );
        }
        for text in [
            "19.2",
            "",
            "mm",
            "3/0in",
            "1 2 3/4in",
            "1/2 3in",
            "1e3mm",
            "nanmm",
            "infin",
            "3/4/5in",
            "--1mm",
        ] {
            assert!(Length::parse(text).is_err(), "{text}");
        }
    }

    #[test]
    fn numbers_take_the_documents_unit() {
        let read = |u| in_unit(u, || serde_json::from_str::<Length>("2").unwrap().mm());
        assert_eq!((read(Unit::Inch), read(Unit::Mm)), (50.8, 2.0));
    }
}
