//! What a cell says of features, in a few words: `8 deep 14 at 200 x 50 and 500 x 50; 5 through at 20 x 20`.
//!
//! One form for all: a size, how deep, and where the middle lies. What a column has no use for is refused, so that nothing that
//! somebody wrote is passed over.

use super::amount::{Amount, Writing, parse_amount};
use super::options::Column;
use serde_json::{Map, Value, json};

/// One entry of a cell, not yet known to make sense for its column.
#[derive(Debug, Default)]
struct Entry {
    size: Vec<Amount>,
    depth: Option<(&'static str, Value)>,
    places: Vec<At>,
    from: Option<Amount>,
    to: Option<Amount>,
    round: Option<Amount>,
    /// As a job document writes it.
    side: Option<&'static str>,
}

#[derive(Debug)]
enum At {
    One(Amount),
    Pair(Amount, Amount),
    Side(&'static str),
}

const SIDES: [&str; 4] = ["left", "right", "near", "far"];
const WORDS: [&str; 14] = [
    "x", "deep", "leaving", "through", "at", "and", "from", "to", "round", "on", "left", "right",
    "near", "far",
];
/// The sides of a part: how a cell calls each, a second word that may follow, and how a job document writes it.
const ON: [(&str, &str, &str); 6] = [
    ("face", "", "face"),
    ("back", "", "back"),
    ("near", "edge", "near"),
    ("far", "edge", "far"),
    ("left", "end", "left-end"),
    ("right", "end", "right-end"),
];

/// The features of a cell.
pub(super) fn features(column: Column, text: &str, writing: Writing) -> Result<Vec<Value>, String> {
    let mut made = Vec::new();
    for entry in entries(text, writing)? {
        made.push(feature(column, entry)?);
    }
    Ok(made)
}

/// The tenons of a cell.
pub(super) fn tenons(end: &str, text: &str, writing: Writing) -> Result<Vec<Value>, String> {
    let mut made = Vec::new();
    for mut entry in entries(text, writing)? {
        entry.only(&["at"])?;
        if entry.side.is_some() {
            return Err("\"on\" has no meaning here; leave it out.".to_string());
        }
        let [length, width] = entry.pair("length x width")?;
        let mut tenon = Map::new();
        tenon.insert("end".to_string(), json!(end));
        tenon.insert("length".to_string(), length.value);
        match entry.places.len() {
            0 => {}
            1 => {
                let at = entry.one_place("one place across the grain")?;
                tenon.insert("offset".to_string(), at.less_half(&width));
            }
            _ => {
                return Err(
                    "Write every tenon as an entry of its own, with ; between them.".to_string(),
                );
            }
        }
        tenon.insert("width".to_string(), width.value);
        made.push(Value::Object(tenon));
    }
    Ok(made)
}

fn feature(column: Column, mut entry: Entry) -> Result<Value, String> {
    let (kind, shape) = match column {
        Column::Holes => ("hole", holes(&mut entry)?),
        Column::Mortises => ("mortise", rectangle(&mut entry, &["depth", "at", "round"])?),
        Column::Pockets => ("pocket", rectangle(&mut entry, &["depth", "at", "round"])?),
        Column::Cutouts => ("cutout", rectangle(&mut entry, &["at", "round"])?),
        Column::Grooves => ("groove", json!({ "along": strip(&mut entry)? })),
        Column::Housings => ("housing", json!({ "across": strip(&mut entry)? })),
        Column::Rebates => ("rebate", rebate(&mut entry)?),
        Column::Laps => ("lap", lap(&mut entry)?),
        _ => return Err("The column has no features.".to_string()),
    };
    let mut made = json!({ "kind": kind, "shape": shape });
    if let Some(side) = entry.side {
        made["side"] = json!(side);
    }
    match (entry.depth, column) {
        (Some((key, depth)), _) => made[key] = depth,
        (None, Column::Cutouts) => {}
        (None, _) => {
            return Err("It does not say how deep: deep 14, leaving 6, or through.".to_string());
        }
    }
    Ok(made)
}

fn holes(entry: &mut Entry) -> Result<Value, String> {
    entry.only(&["depth", "at"])?;
    let diameter = entry.single("a diameter")?;
    let mut at = Vec::new();
    for place in std::mem::take(&mut entry.places) {
        let At::Pair(x, y) = place else {
            return Err("Each hole has a place along and across: at 200 x 50.".to_string());
        };
        at.push(json!([x.value, y.value]));
    }
    match at.as_slice() {
        [] => Err("It does not say where: at 200 x 50.".to_string()),
        [one] => Ok(json!({ "circle": { "at": one, "diameter": diameter.value } })),
        all => Ok(json!({ "circles": { "at": all, "diameter": diameter.value } })),
    }
}

fn rectangle(entry: &mut Entry, allowed: &[&str]) -> Result<Value, String> {
    entry.only(allowed)?;
    let [along, across] = entry.pair("length x width")?;
    let (x, y) = match entry.places.as_slice() {
        [At::Pair(x, y)] => (x, y),
        [] => return Err("It does not say where its middle is: at 200 x 50.".to_string()),
        _ => {
            return Err(
                "Its middle is one place along and across (at 200 x 50); write every one as an entry of its own, with ; between them."
                    .to_string(),
            );
        }
    };
    let mut shape = json!({
        "at": [x.less_half(&along), y.less_half(&across)],
        "size": [along.value, across.value],
    });
    if let Some(round) = &entry.round {
        shape["corner"] = round.value.clone();
    }
    Ok(json!({ "rectangle": shape }))
}

/// A groove or a housing.
fn strip(entry: &mut Entry) -> Result<Value, String> {
    entry.only(&["depth", "at", "from", "to"])?;
    let width = entry.single("a width")?;
    let at = entry.one_place("one place for its middle")?;
    Ok(band(at, width, entry))
}

fn rebate(entry: &mut Entry) -> Result<Value, String> {
    entry.only(&["depth", "at"])?;
    let width = entry.single("a width")?;
    match entry.places.as_slice() {
        [At::Side(edge @ ("near" | "far"))] => {
            Ok(json!({ "at-edge": { "edge": edge, "width": width.value } }))
        }
        _ => Err("It does not say along which edge: at near, or at far.".to_string()),
    }
}

fn lap(entry: &mut Entry) -> Result<Value, String> {
    entry.only(&["depth", "at", "from", "to"])?;
    let size = entry.single("a width")?;
    if let [At::Side(end @ ("left" | "right"))] = entry.places.as_slice() {
        if entry.from.is_some() || entry.to.is_some() {
            return Err(
                "A lap at an end goes over the whole width: leave out from and to.".to_string(),
            );
        }
        return Ok(json!({ "at-end": { "end": end, "length": size.value } }));
    }
    let at = entry.one_place("one place: at left, at right, or a length for its middle")?;
    Ok(json!({ "across": band(at, size, entry) }))
}

fn band(at: Amount, width: Amount, entry: &Entry) -> Value {
    let mut shape = json!({ "at": at.value, "width": width.value });
    if let Some(from) = &entry.from {
        shape["from"] = from.value.clone();
    }
    if let Some(to) = &entry.to {
        shape["to"] = to.value.clone();
    }
    shape
}

impl Entry {
    /// Refuses words that this column has no use for.
    fn only(&self, allowed: &[&str]) -> Result<(), String> {
        let said = [
            ("depth", self.depth.is_some()),
            ("at", !self.places.is_empty()),
            ("from", self.from.is_some()),
            ("to", self.to.is_some()),
            ("round", self.round.is_some()),
        ];
        match said
            .iter()
            .find(|(word, said)| *said && !allowed.contains(word))
        {
            None => Ok(()),
            Some(("depth", _)) => {
                Err("It needs no depth; leave out deep, leaving and through.".to_string())
            }
            Some((word, _)) => Err(format!("\"{word}\" has no meaning here; leave it out.")),
        }
    }

    fn single(&mut self, what: &str) -> Result<Amount, String> {
        match std::mem::take(&mut self.size).as_slice() {
            [one] => Ok(one.clone()),
            _ => Err(format!("It begins with {what}, one length.")),
        }
    }

    fn pair(&mut self, what: &str) -> Result<[Amount; 2], String> {
        match std::mem::take(&mut self.size).as_slice() {
            [a, b] => Ok([a.clone(), b.clone()]),
            _ => Err(format!("It begins with {what}: 70 x 22.")),
        }
    }

    fn one_place(&self, what: &str) -> Result<Amount, String> {
        match self.places.as_slice() {
            [At::One(at)] => Ok(at.clone()),
            [] => Err(format!("It does not say where; after at comes {what}.")),
            _ => Err(format!("After at comes {what}.")),
        }
    }
}

/// Entries stand between semicolons or on lines of their own.
fn entries(text: &str, writing: Writing) -> Result<Vec<Entry>, String> {
    text.split([';', '\n', '\r'])
        .filter(|part| !part.trim().is_empty())
        .map(|part| entry(part, writing).map_err(|why| format!("\"{}\": {why}", part.trim())))
        .collect()
}

#[derive(Debug, PartialEq)]
enum Token {
    Word(String),
    Length(String),
}

/// Words and lengths: a length is digits with their marks, a fraction behind them, and a unit.
fn tokens(text: &str) -> Result<Vec<Token>, String> {
    let text = text
        .to_lowercase()
        .replace('×', "x")
        .replace(['″', '”'], "\"");
    let mut tokens = Vec::new();
    let mut rest = text.trim_start();
    let number = |c: char| c.is_ascii_digit() || matches!(c, '.' | ',' | '/');
    while let Some(first) = rest.chars().next() {
        if first.is_ascii_digit() || matches!(first, '.' | ',' | '-') {
            let signed = usize::from(first == '-');
            let mut end = signed + leading(&rest[signed..], number);
            // "1 1/4": a whole number and a fraction are one length.
            let after = rest[end..].trim_start_matches(' ');
            let fraction = &after[..leading(after, number)];
            if rest[signed..end].bytes().all(|b| b.is_ascii_digit())
                && after.len() < rest.len() - end
                && fraction.contains('/')
            {
                end = rest.len() - after.len() + fraction.len();
            }
            let mut length = rest[..end].to_string();
            let after = rest[end..].trim_start_matches(' ');
            let unit = ["mm", "in", "\""].into_iter().find(|u| {
                after.strip_prefix(u).is_some_and(|next| {
                    *u == "\"" || !next.starts_with(|c: char| c.is_alphabetic() && c != 'x')
                })
            });
            if let Some(unit) = unit {
                length.push_str(unit);
                end = rest.len() - after.len() + unit.len();
            }
            tokens.push(Token::Length(length));
            rest = rest[end..].trim_start();
        } else if first.is_alphabetic() {
            let end = leading(rest, char::is_alphabetic);
            tokens.push(Token::Word(rest[..end].to_string()));
            rest = rest[end..].trim_start();
        } else {
            return Err(format!("the character {first:?} has no meaning here."));
        }
    }
    Ok(tokens)
}

/// How many bytes at the front are of this kind.
fn leading(text: &str, of: impl Fn(char) -> bool) -> usize {
    text.find(|c| !of(c)).unwrap_or(text.len())
}

struct Reading {
    tokens: std::iter::Peekable<std::vec::IntoIter<Token>>,
    writing: Writing,
}

fn entry(text: &str, writing: Writing) -> Result<Entry, String> {
    let mut reading = Reading {
        tokens: tokens(text)?.into_iter().peekable(),
        writing,
    };
    let mut entry = Entry::default();
    entry.size.push(reading.length("a size")?);
    while reading.took("x") {
        entry.size.push(reading.length("a length")?);
    }
    while let Some(token) = reading.tokens.next() {
        let word = match token {
            Token::Word(word) => word,
            Token::Length(length) => {
                return Err(format!("there should be a word before {length}."));
            }
        };
        let twice = match word.as_str() {
            "deep" => {
                let depth = reading.length("a length")?.value;
                entry.depth.replace(("depth", depth)).is_some()
            }
            "leaving" => {
                let left = reading.length("a length")?.value;
                entry.depth.replace(("left", left)).is_some()
            }
            "through" => entry.depth.replace(("depth", json!("through"))).is_some(),
            "at" => {
                let twice = !entry.places.is_empty();
                entry.places.push(reading.place()?);
                while reading.took("and") {
                    entry.places.push(reading.place()?);
                }
                twice
            }
            "from" => entry.from.replace(reading.length("a length")?).is_some(),
            "to" => entry.to.replace(reading.length("a length")?).is_some(),
            "round" => entry.round.replace(reading.length("a length")?).is_some(),
            "on" => entry.side.replace(reading.side()?).is_some(),
            other => {
                let offer = grainway_pipeline::chain::nearest(other, WORDS)
                    .map(|w| format!(" Did you mean \"{w}\"?"))
                    .unwrap_or_default();
                return Err(format!("\"{other}\" has no meaning here.{offer}"));
            }
        };
        if twice {
            return Err(
                match entry.depth.is_some()
                    && ["deep", "leaving", "through"].contains(&word.as_str())
                {
                    true => "it says twice how deep.".to_string(),
                    false => format!("it says \"{word}\" twice."),
                },
            );
        }
    }
    Ok(entry)
}

impl Reading {
    fn took(&mut self, word: &str) -> bool {
        self.tokens
            .next_if(|t| matches!(t, Token::Word(w) if w == word))
            .is_some()
    }

    fn length(&mut self, what: &str) -> Result<Amount, String> {
        match self.tokens.next() {
            Some(Token::Length(text)) => parse_amount(&text, self.writing),
            Some(Token::Word(word)) => Err(format!("{what} should stand where \"{word}\" is.")),
            None => Err(format!("{what} is missing at its end.")),
        }
    }

    fn side(&mut self) -> Result<&'static str, String> {
        for (word, second, side) in ON {
            if self.took(word) {
                self.took(second);
                return Ok(side);
            }
        }
        Err(
            "after on comes a side: face, back, near edge, far edge, left end or right end."
                .to_string(),
        )
    }

    fn place(&mut self) -> Result<At, String> {
        for side in SIDES {
            if self.took(side) {
                return Ok(At::Side(side));
            }
        }
        let first = self.length("a length")?;
        match self.took("x") {
            true => Ok(At::Pair(first, self.length("a length")?)),
            false => Ok(At::One(first)),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::options::Decimal;
    use super::*;
    use grainway_pipeline::doc::Unit;

    const MM: Writing = Writing {
        document: Unit::Mm,
        unit: Unit::Mm,
        decimal: Decimal::Point,
    };

    #[test]
    fn every_columns_example_is_a_feature_of_the_job_document() {
        for column in Column::ALL.into_iter().filter(|c| c.is_feature()) {
            let made = features(column, column.example(), MM).unwrap();
            assert_eq!(made.len(), 1);
            let feature: grainway_pipeline::doc::FeatureDoc =
                serde_json::from_value(made[0].clone())
                    .unwrap_or_else(|e| panic!("{column:?}: {e}"));
            let word = column.word();
            assert!(word.starts_with(feature.kind.word()), "{word}");
        }
        let made = tenons("left", Column::TenonLeft.example(), MM).unwrap();
        assert_eq!(
            made,
            [json!({ "end": "left", "length": 22, "width": 70, "offset": 15 })]
        );
    }

    #[test]
    fn a_side_is_called_as_people_call_it() {
        for (text, side) in [
            ("8 deep 20 at 35 x 11 on left end", "left-end"),
            ("8 on right deep 20 at 35 x 11", "right-end"),
            ("8 deep 20 at 35 x 11 on near edge", "near"),
            ("8 deep 20 at 35 x 11 on far", "far"),
            ("8 deep 9 at 35 x 11 on back", "back"),
        ] {
            let made = features(Column::Holes, text, MM).unwrap();
            assert_eq!(made[0]["side"], side, "{text}");
            serde_json::from_value::<grainway_pipeline::doc::FeatureDoc>(made[0].clone()).unwrap();
        }
        let why = features(Column::Holes, "8 deep 20 at 35 x 11 on top", MM).unwrap_err();
        assert!(why.contains("after on comes a side"), "{why}");
        let why = tenons("left", "22 x 70 at 50 on back", MM).unwrap_err();
        assert!(why.contains("\"on\" has no meaning here"), "{why}");
    }

    #[test]
    fn spaces_and_signs_do_not_matter() {
        let wanted = features(Column::Mortises, "70 x 22 through at 120 x 60", MM).unwrap();
        for text in [
            "70x22 through at 120x60",
            "70 × 22 THROUGH at 120×60 ;",
            "\n70mm x 22mm through at 120x60mm",
        ] {
            assert_eq!(
                features(Column::Mortises, text, MM).unwrap(),
                wanted,
                "{text}"
            );
        }
        let inches = features(
            Column::Holes,
            "5mm deep 1/2in at 1 1/4in x 2in and 3\"x1 1/2\"",
            MM,
        )
        .unwrap();
        let circles = json!({ "at": [["1 1/4in", "2in"], ["3in", "1 1/2in"]], "diameter": 5 });
        assert_eq!(
            inches,
            [json!({ "kind": "hole", "shape": { "circles": circles }, "depth": "1/2in" })]
        );
        let comma = Writing {
            decimal: Decimal::Comma,
            ..MM
        };
        let made = features(Column::Grooves, "12,5 deep 6 at 50,5", comma).unwrap();
        assert_eq!(
            made[0]["shape"],
            json!({ "along": { "at": 50.5, "width": 12.5 } })
        );
    }

    #[test]
    fn what_is_not_understood_is_refused_with_its_reason() {
        for (column, text, word) in [
            (Column::Holes, "8 deep 14", "where"),
            (Column::Holes, "8 at 20 x 20", "how deep"),
            (Column::Holes, "8 deep 14 at 20", "along and across"),
            (Column::Holes, "8 deap 14 at 20 x 20", "\"deep\""),
            (Column::Holes, "8 deep 14 through at 20 x 20", "twice"),
            (Column::Holes, "8 deep 14 at 20 x 20 from 3", "\"from\""),
            (Column::Holes, "deep 14 at 20 x 20", "a size"),
            (Column::Holes, "8 x 8 deep 14 at 20 x 20", "diameter"),
            (Column::Holes, "8 deep at 20 x 20", "\"at\""),
            (Column::Holes, "8 deep 14 at 20 x", "missing"),
            (Column::Holes, "8 deep 14 at 20 x 20 30", "a word before 30"),
            (Column::Holes, "8 deep 14 at 20 x 20 (see sketch)", "'('"),
            (Column::Mortises, "70 through at 20 x 20", "length x width"),
            (
                Column::Mortises,
                "70 x 22 through at 20 x 20 and 40 x 20",
                "own",
            ),
            (Column::Cutouts, "70 x 22 through at 20 x 20", "no depth"),
            (Column::Rebates, "10 deep 6 at left", "edge"),
            (Column::Rebates, "10 deep 6", "edge"),
            (Column::Laps, "50 deep 9 at right from 3", "whole width"),
            (Column::Laps, "50 deep 9", "where"),
            (Column::Housings, "19 deep 9 at 10 and 20", "one place"),
            (Column::Grooves, "1,2 deep 9 at 10", "comma"),
        ] {
            let told = features(column, text, MM).unwrap_err();
            assert!(told.contains(word), "{text}: {told}");
        }
        assert!(
            tenons("left", "22 x 70 at 30 and 80", MM)
                .unwrap_err()
                .contains("own")
        );
        assert!(
            tenons("left", "22", MM)
                .unwrap_err()
                .contains("length x width")
        );
        assert!(
            tenons("left", "22 x 70 deep 3", MM)
                .unwrap_err()
                .contains("no depth")
        );
    }
}
