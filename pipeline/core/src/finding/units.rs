//! Figures in the unit in which their reader thinks.
//!
//! Stages reckon in millimetres and write their messages in them. Where a message is shown, its lengths, areas and feeds are
//! turned into the unit that the job declares.

use crate::length::Unit;

/// What a number in a text measures.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Measure {
    Length,
    Area,
    Feed,
    /// Of a cutting edge through the wood; metres a minute.
    Speed,
}

/// How each measure is written in millimetres, longest first where one begins like another; by how much it is divided, and what is
/// written instead.
const WORDS: [(&str, Measure, f64, &str); 5] = [
    (" mm/min", Measure::Feed, 25.4, " in/min"),
    (" mm²", Measure::Area, 25.4 * 25.4, " in²"),
    (" mm2", Measure::Area, 25.4 * 25.4, " in²"),
    (" m/min", Measure::Speed, 0.3048, " ft/min"),
    (" mm", Measure::Length, 25.4, " in"),
];
/// What stands between figures that share one unit: "20 × 30 mm", "3 to 5 mm".
const BETWEEN: [&str; 6] = [" × ", " x ", " to ", " and ", " or ", " of "];
/// Limits of lengths are told without their unit: "4 mm above the wood; 10 are asked".
const LIMITS: [&str; 3] = [" are asked", " is asked", " are wanted"];

/// The text with its figures in `unit`: numbers before `mm`, `mm²`, `mm/min` or `m/min`, numbers that share such a unit, pairs of
/// coordinates such as `(12.5, 30)`, and limits that are "asked" or "wanted". Everything else stays as it is.
pub fn in_unit(text: &str, unit: Unit) -> String {
    if unit == Unit::Mm {
        return text.to_string();
    }
    let mut out = String::with_capacity(text.len());
    let mut rest = text;
    // What came before decides whether digits begin a number and whether it is the second of a pair.
    let mut before = ' ';
    let mut pair = false;
    while let Some(c) = rest.chars().next() {
        let begins = !(before.is_alphanumeric() || "_.#-/\"".contains(before));
        let number = if begins { number_at(rest) } else { None };
        let Some((value, length)) = number else {
            if c == '(' {
                pair = is_pair(&rest[1..]);
            } else if c == ')' {
                pair = false;
            }
            out.push(c);
            before = c;
            rest = &rest[c.len_utf8()..];
            continue;
        };
        let after = &rest[length..];
        let measure = if pair {
            Some(Measure::Length)
        } else {
            measure_of(after)
        };
        match measure {
            Some(measure) => out.push_str(&shown(value, measure)),
            None => out.push_str(&rest[..length]),
        }
        rest = after;
        before = '0';
        if let Some((word, _, _, instead)) = unit_at(after) {
            out.push_str(instead);
            rest = &after[word.len()..];
            before = 'm';
        }
    }
    out
}

/// The number at the start of a text, and how many bytes it takes.
fn number_at(text: &str) -> Option<(f64, usize)> {
    let sign = usize::from(text.starts_with('-'));
    let digits = |s: &str| s.bytes().take_while(u8::is_ascii_digit).count();
    let whole = digits(&text[sign..]);
    if whole == 0 {
        return None;
    }
    let mut length = sign + whole;
    if text[length..].starts_with('.') {
        let more = digits(&text[length + 1..]);
        if more > 0 {
            length += 1 + more;
        }
    }
    Some((text[..length].parse().ok()?, length))
}

/// `12.5, 30)`: the inside of a pair of coordinates.
fn is_pair(text: &str) -> bool {
    let second = number_at(text).and_then(|(_, n)| text[n..].strip_prefix(", "));
    second
        .and_then(|s| number_at(s).map(|(_, n)| s[n..].starts_with(')')))
        .unwrap_or(false)
}

/// The unit that a text begins with.
fn unit_at(text: &str) -> Option<(&'static str, Measure, f64, &'static str)> {
    WORDS.into_iter().find(|(word, ..)| {
        text.strip_prefix(word)
            .is_some_and(|after| !after.starts_with(|c: char| c.is_alphanumeric()))
    })
}

/// What the number before this text measures.
fn measure_of(after: &str) -> Option<Measure> {
    if let Some((_, measure, ..)) = unit_at(after) {
        return Some(measure);
    }
    if LIMITS.iter().any(|l| after.starts_with(l)) {
        return Some(Measure::Length);
    }
    BETWEEN.iter().find_map(|between| {
        let next = after.strip_prefix(between)?;
        let (_, n) = number_at(next)?;
        measure_of(&next[n..])
    })
}

/// Four decimals at most: a ten-thousandth of an inch is finer than anything told.
fn shown(value: f64, measure: Measure) -> String {
    let divisor = WORDS
        .iter()
        .find(|(_, m, ..)| *m == measure)
        .map_or(1.0, |w| w.2);
    let digits = match measure {
        Measure::Length | Measure::Area => 1e4,
        Measure::Feed | Measure::Speed => 10.0,
    };
    ((value / divisor * digits).round() / digits + 0.0).to_string()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Inches of 25.4 mm: reckoned by hand.
    #[test]
    fn figures_of_messages_are_told_in_inches() {
        for (mm, inches) in [
            ("a wall of 12.7 mm stays", "a wall of 0.5 in stays"),
            ("(25.4 mm)", "(1 in)"),
            ("1270 mm/min", "50 in/min"),
            ("645.16 mm², 1290.32 mm2 in all", "1 in², 2 in² in all"),
            ("fits 254.0 × 508.0 mm only", "fits 10 × 20 in only"),
            ("between 2.54 and 25.4 mm", "between 0.1 and 1 in"),
            (
                "only 2 of 3 screws at (25.4, -50.8)",
                "only 2 of 3 screws at (1, -2)",
            ),
            (
                "0.254 mm above the wood; 2.54 are asked.",
                "0.01 in above the wood; 0.1 are asked.",
            ),
            ("304.8 m/min", "1000 ft/min"),
        ] {
            assert_eq!(in_unit(mm, Unit::Inch), inches);
            assert_eq!(in_unit(mm, Unit::Mm), mm);
        }
    }

    #[test]
    fn names_counts_and_lengths_as_the_user_wrote_them_stay() {
        for text in [
            "leg#2 / m1",
            "the stock \"19.2mm\"",
            "board-1 (2 of 3)",
            "line 12, 3 mmx",
            "3 screws",
            "19.2mm",
            "step 1.5.2",
            "(7, a)",
        ] {
            assert_eq!(in_unit(text, Unit::Inch), text);
        }
    }
}
