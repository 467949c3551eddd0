//! Named lengths of a job, and the plain arithmetic in which lengths count on them.
//!
//! Texts are counted once, when the document is read; what is read holds plain lengths. `docs/lengths.md` has the rules. The parser is our
//! own: units and the place of a mistake are the point here, and general expression crates (exmex, fasteval) know neither.

use super::own_wood::{Own, own_wood};
use super::problem::Problem;
use super::{Job, Length, Stock, ThicknessReading, Unit, in_unit};
use crate::pointer::Pointer;
use crate::spelling::{nearest, shown};
use Quantity::{Number, Ratio};
use serde_json::Value;
use std::cell::RefCell;
use std::collections::{BTreeMap, BTreeSet};

/// The stocks of the shop of a job, on whose readings its lengths may count.
#[derive(Clone, Copy, Debug)]
pub struct ShopStocks<'a> {
    /// The shop's stocks that could be read, by id.
    pub stocks: &'a BTreeMap<String, Stock>,
    /// These are all. Otherwise the shop is not known, or not wholly: what counts on a stock that is not among them is set aside, and
    /// the document good for findings only.
    pub complete: bool,
}

static NO_STOCKS: BTreeMap<String, Stock> = BTreeMap::new();

impl ShopStocks<'_> {
    /// The shop has none.
    pub const NONE: ShopStocks<'static> = ShopStocks {
        stocks: &NO_STOCKS,
        complete: true,
    };
    /// The shop is not known.
    pub const UNKNOWN: ShopStocks<'static> = ShopStocks {
        stocks: &NO_STOCKS,
        complete: false,
    };
}

/// Parentheses, signs and calls inside each other beyond this are refused: nobody reads them.
const DEEPEST: u32 = 32;
/// Results are rounded to so many parts of a mm, so that 0.1 mm + 0.2 mm is the 0.3 mm that somebody would have typed.
const PARTS_OF_A_MM: f64 = 1e9;
/// Beyond this, mm, rounding would lose more than it mends; such a length is refused anyway.
const LARGEST_ROUNDED_MM: f64 = 1e6;
/// Words that cannot be names: they have a meaning of their own where lengths stand.
const TAKEN: [&str; 6] = ["min", "max", "mm", "in", "through", "stock"];

/// What the lengths of a document may count on.
#[derive(Debug, Default)]
pub(crate) struct Names {
    unit: Unit,
    /// In mm. `None` where it is wrong itself: what counts on it is no mistake of its own.
    known: BTreeMap<String, Option<f64>>,
    /// The shop's stocks are not all known.
    partial: bool,
    used: RefCell<BTreeSet<String>>,
}

/// Why a text is no length.
#[derive(Debug, PartialEq)]
pub(super) enum Wrong {
    /// One sentence, or two.
    Said(String),
    /// It follows from a mistake that is told elsewhere.
    Follows,
}

/// What is wrong at a character of a text, counted from 1.
#[derive(Debug)]
struct Fault {
    at: usize,
    wrong: Wrong,
}

fn fault<T>(at: usize, message: impl Into<String>) -> Result<T, Fault> {
    let wrong = Wrong::Said(message.into());
    Err(Fault { at, wrong })
}

/// The name of a stock's thickest reading; that of its thinnest has `.thinnest` behind it.
fn of_stock(id: &str) -> String {
    match own_wood(id) {
        None => format!("stock.{id}"),
        Some((stock, Own::Board(board))) => format!("stock.{stock}.board.{board}"),
        Some((stock, Own::Blank(part))) => format!("stock.{stock}.blank.{part}"),
    }
}

impl Names {
    /// The names of a document that is still to be checked, and what is wrong with the names themselves.
    pub(super) fn of_document(
        document: &Value,
        unit: Unit,
        shop: ShopStocks<'_>,
    ) -> (Names, Vec<Problem>) {
        let mut names = Names {
            unit,
            partial: !shop.complete,
            ..Names::default()
        };
        for (id, stock) in shop.stocks {
            names.add_stock(id, Some(&stock.thickness));
            let own = stock.boards.iter().filter(|b| !b.thickness.is_empty());
            for board in own {
                names.add_stock(&Own::Board(&board.id).of(id), Some(&board.thickness));
            }
        }
        let mut add = |id: &str, measured: &Value| {
            let readings = measured.get("thickness").cloned().unwrap_or_default();
            let readings: Option<Vec<ThicknessReading>> =
                in_unit(unit, || serde_json::from_value(readings)).ok();
            names.add_stock(id, readings.as_deref());
        };
        let list = |of: Option<&Value>| of.and_then(Value::as_array).cloned().unwrap_or_default();
        let text = |v: &Value, key: &str| v.get(key).and_then(Value::as_str).map(str::to_string);
        for (id, stock) in entries(document.get("stocks")) {
            add(id, stock);
            for board in list(stock.get("boards")) {
                if let (Some(own), true) = (text(&board, "id"), board.get("thickness").is_some()) {
                    add(&Own::Board(&own).of(id), &board);
                }
            }
        }
        for part in list(document.get("parts")) {
            let measured = part.pointer("/blank/measured");
            let measured = measured.filter(|m| m.get("thickness").is_some());
            let (id, stock) = (text(&part, "id"), text(&part, "stock"));
            if let (Some(id), Some(stock), Some(measured)) = (id, stock, measured) {
                add(&Own::Blank(&id).of(&stock), measured);
            }
        }
        let lengths: BTreeMap<&str, &Value> = entries(document.get("lengths"))
            .map(|(name, value)| (name.as_str(), value))
            .collect();
        let at = Pointer::default().step("lengths");
        let mut problems: Vec<Problem> = lengths
            .keys()
            .filter_map(|name| Some(Problem::new(at.step(name), unfit(name)?)))
            .collect();
        names.count_all(&lengths, &mut problems);
        (names, problems)
    }

    /// The names of documents that were read.
    pub(crate) fn of(job: &Job, stocks: &BTreeMap<String, Stock>) -> Names {
        let mut names = Names {
            unit: job.unit,
            ..Names::default()
        };
        for (id, stock) in stocks.iter().chain(&job.stocks) {
            names.add_stock(id, Some(&stock.thickness));
        }
        let lengths = job.lengths.iter().map(|(n, l)| (n.clone(), Some(l.mm())));
        names.known.extend(lengths);
        names
    }

    fn add_stock(&mut self, id: &str, readings: Option<&[ThicknessReading]>) {
        let mm = || readings.into_iter().flatten().map(ThicknessReading::mm);
        let name = of_stock(id);
        let thinnest = mm().min_by(f64::total_cmp);
        self.known.insert(format!("{name}.thinnest"), thinnest);
        self.known.insert(name, mm().max_by(f64::total_cmp));
    }

    /// Counts named lengths, each after those that it counts on. Names that count on each other in a circle are told.
    fn count_all(&mut self, lengths: &BTreeMap<&str, &Value>, problems: &mut Vec<Problem>) {
        let mut needs: BTreeMap<&str, BTreeSet<&str>> = BTreeMap::new();
        let mut needed_by: BTreeMap<&str, Vec<&str>> = BTreeMap::new();
        for (name, value) in lengths {
            let own: BTreeSet<&str> = value
                .as_str()
                .map(names_in)
                .unwrap_or_default()
                .into_iter()
                .filter_map(|n| lengths.get_key_value(n).map(|(k, _)| *k))
                .collect();
            for need in &own {
                needed_by.entry(need).or_default().push(name);
            }
            needs.insert(name, own);
        }
        let free = needs.iter().filter(|(_, needs)| needs.is_empty());
        let mut ready: Vec<&str> = free.map(|(name, _)| *name).collect();
        while !needs.is_empty() {
            if ready.is_empty() {
                let circle = circle(&needs);
                let first = circle.first().copied().unwrap_or_default();
                let way = circle.join(" → ");
                problems.push(Problem::new(
                    Pointer::default().step("lengths").step(first),
                    format!("\"{first}\" counts on itself: {way} → {first}. Give one of them a length of its own."),
                ));
                for name in circle {
                    self.known.insert(name.to_string(), None);
                    needs.insert(name, BTreeSet::new());
                    ready.push(name);
                }
            }
            while let Some(name) = ready.pop() {
                needs.remove(name);
                if !self.known.contains_key(name) {
                    let mm = lengths.get(name).and_then(|value| self.value_mm(value));
                    self.known.insert(name.to_string(), mm);
                }
                for other in needed_by.get(name).into_iter().flatten() {
                    if let Some(left) = needs.get_mut(other)
                        && left.remove(name)
                        && left.is_empty()
                    {
                        ready.push(other);
                    }
                }
            }
        }
    }

    fn value_mm(&self, value: &Value) -> Option<f64> {
        match value {
            Value::Number(n) => n.as_f64().map(|n| n * self.unit.mm()),
            Value::String(text) => match Length::parse(text) {
                Ok(length) => Some(length.mm()),
                Err(_) => self.count(text).ok(),
            },
            _ => None,
        }
    }

    /// The length that the text at a place comes to, mm.
    pub(super) fn mm(&self, text: &str, place: &Pointer) -> Result<f64, Wrong> {
        if is_reading(place) {
            return Err(Wrong::Said(format!(
                "{} is no plain length. This is what somebody measured: write the figure, such as \"19.2mm\".",
                shown(text)
            )));
        }
        self.count(text)
    }

    fn count(&self, text: &str) -> Result<f64, Wrong> {
        let counted = tokens(text).and_then(|tokens| {
            let mut count = Count {
                names: self,
                tokens: &tokens,
                next: 0,
                depth: 0,
                end: text.chars().count() + 1,
            };
            count.whole()
        });
        match counted {
            Ok(mm) => Ok(rounded(mm)),
            Err(Fault {
                wrong: Wrong::Follows,
                ..
            }) => Err(Wrong::Follows),
            Err(Fault {
                at,
                wrong: Wrong::Said(message),
            }) => Err(Wrong::Said(format!(
                "{}, character {at}: {message}",
                shown(text)
            ))),
        }
    }

    /// The value of a name.
    fn named(&self, name: &str, at: usize) -> Result<f64, Fault> {
        self.used.borrow_mut().insert(name.to_string());
        match self.known.get(name) {
            Some(Some(mm)) => return Ok(*mm),
            Some(None) => {
                return Err(Fault {
                    at,
                    wrong: Wrong::Follows,
                });
            }
            None => {}
        }
        if self.partial && name.starts_with("stock.") {
            return Err(Fault {
                at,
                wrong: Wrong::Follows,
            });
        }
        fault(at, self.unknown(name))
    }

    fn unknown(&self, name: &str) -> String {
        const LATER: [&str; 5] = ["board", "sheet", "setup", "piece", "place"];
        let head = name.split('.').next().unwrap_or(name);
        if name.contains('.') && LATER.contains(&head) {
            return format!(
                "\"{name}\" is known only once parts are laid on boards, and lengths are counted before. Count on a stock's reading, as \"stock.ID\", or on a length of `lengths`."
            );
        }
        // A minus without a space before it.
        let known = |n: &str| self.known.contains_key(n);
        let split = name.match_indices('-').map(|(i, _)| name.split_at(i));
        if let Some((before, after)) = split.into_iter().find(|(before, _)| known(before)) {
            let after = &after[1..];
            return format!(
                "there is no length \"{name}\". A hyphen between letters or digits belongs to the name; to subtract, write \"{before} - {after}\"."
            );
        }
        let all = self.known.keys().map(String::as_str);
        match nearest(name, all.clone()) {
            Some(near) => format!("there is no length \"{name}\"; did you mean \"{near}\"?"),
            None => {
                let some: Vec<&str> = all.filter(|n| !n.ends_with(".thinnest")).take(12).collect();
                match some.is_empty() {
                    true => format!(
                        "there is no length \"{name}\", since the job names none. Name it in `lengths`."
                    ),
                    false => format!(
                        "there is no length \"{name}\"; there are {}.",
                        some.join(", ")
                    ),
                }
            }
        }
    }

    /// Names of the document's `lengths` that nothing counted on so far.
    pub(super) fn unused(&self, document: &Value) -> Vec<Pointer> {
        let in_settings = document
            .get("settings")
            .map(names_below)
            .unwrap_or_default();
        let used = self.used.borrow();
        entries(document.get("lengths"))
            .map(|(name, _)| name.as_str())
            .filter(|name| !used.contains(*name) && !in_settings.contains(*name))
            .map(|name| Pointer::default().step("lengths").step(name))
            .collect()
    }
}

/// Alters the definitions of a schema of a document whose lengths may count on named ones. The shop's, whose lengths are plain, stay.
pub fn allow_counting(definitions: &mut Value) {
    const COUNTED: &str = "A length: a number in the document's own unit, a text with a unit such as \"19.2mm\", \"3/4in\", \"1 1/4in\", or a text that counts on \
         named lengths and readings of stocks with + - * / ( ) min max, such as \"width / 2 - 5mm\" or \"stock.ash-22 + 0.2mm\". What is measured is plain.";
    const PATTERN: &str = r"^(?!\s*through\s*$)[A-Za-z0-9_.+*/(),\s-]+$";
    for (name, about) in [
        ("Length", COUNTED.to_string()),
        (
            "Depth",
            format!("How deep: \"through\", or a length below the face. {COUNTED}"),
        ),
    ] {
        let Some(length) = definitions.get_mut(name) else {
            continue;
        };
        length["description"] = about.into();
        length["anyOf"][1]["pattern"] = PATTERN.into();
    }
}

/// A place of what somebody measured.
fn is_reading(place: &Pointer) -> bool {
    let steps: Vec<&str> = place.place().split('/').collect();
    matches!(
        steps.as_slice(),
        ["", "stocks", _, "thickness", ..]
            | ["", "stocks", _, "boards", _, "thickness", ..]
            | ["", "parts", _, "blank", "measured", ..]
    )
}

fn entries(value: Option<&Value>) -> impl Iterator<Item = (&String, &Value)> {
    value.and_then(Value::as_object).into_iter().flatten()
}

/// Why a name is none; `None` for a good one.
fn unfit(name: &str) -> Option<String> {
    if TAKEN.contains(&name) {
        return Some(format!(
            "\"{name}\" has a meaning of its own where lengths stand; give another name."
        ));
    }
    let ended = name.ends_with('-') || name.contains("--");
    let good =
        name_at(name).is_some_and(|n| n.len() == name.len()) && !name.contains('.') && !ended;
    let rule = "a name begins with a letter and has letters, digits, _, and - between them";
    (!good).then(|| format!("{} cannot be the name of a length: {rule}.", shown(name)))
}

/// The shortest way from a name back to itself; every name left needs another one that is left.
fn circle<'d>(needs: &BTreeMap<&'d str, BTreeSet<&'d str>>) -> Vec<&'d str> {
    let mut way: Vec<&str> = Vec::new();
    let mut at = needs.keys().next().copied();
    while let Some(name) = at {
        if let Some(begin) = way.iter().position(|w| *w == name) {
            return way.split_off(begin);
        }
        way.push(name);
        at = needs.get(name).and_then(|n| n.first().copied());
    }
    way
}

/// The names in a text, as far as it can be read.
fn names_in(text: &str) -> Vec<&str> {
    let tokens = tokens(text).unwrap_or_default();
    let names = tokens.into_iter().filter_map(|t| match t.token {
        Token::Name(name) => Some(name),
        _ => None,
    });
    names.collect()
}

/// The names in every text below a value.
fn names_below(value: &Value) -> BTreeSet<&str> {
    match value {
        Value::String(text) => names_in(text).into_iter().collect(),
        Value::Array(items) => items.iter().flat_map(names_below).collect(),
        Value::Object(map) => map.values().flat_map(names_below).collect(),
        _ => BTreeSet::new(),
    }
}

/// The settings of a job count on one of its named lengths, so that two jobs may differ in these alone.
pub fn settings_count(job: &Job) -> bool {
    let mut names = job.settings.values().flat_map(names_below);
    names.any(|name| job.lengths.contains_key(name))
}

fn rounded(mm: f64) -> f64 {
    if mm.abs() > LARGEST_ROUNDED_MM {
        return mm;
    }
    (mm * PARTS_OF_A_MM).round() / PARTS_OF_A_MM + 0.0
}

#[derive(Clone, Copy, Debug, PartialEq)]
enum Token<'t> {
    /// A number with its unit, mm.
    Length(f64),
    Number(f64),
    Name(&'t str),
    Sign(char),
}

#[derive(Debug)]
struct Placed<'t> {
    token: Token<'t>,
    /// Its first character, from 1.
    at: usize,
}

fn tokens(text: &str) -> Result<Vec<Placed<'_>>, Fault> {
    let mut all = Vec::new();
    let (mut rest, mut at) = (text, 1);
    while let Some(first) = rest.chars().next() {
        let (token, bytes) = if first.is_whitespace() {
            (None, first.len_utf8())
        } else if let Some((mm, bytes)) = length_at(rest) {
            (Some(Token::Length(mm)), bytes)
        } else if first.is_ascii_digit() || first == '.' {
            let end = rest.find(|c: char| !c.is_ascii_digit() && c != '.');
            let digits = &rest[..end.unwrap_or(rest.len())];
            match digits.parse::<f64>() {
                Ok(n) if n.is_finite() => (Some(Token::Number(n)), digits.len()),
                _ => return fault(at, format!("{} is no number.", shown(digits))),
            }
        } else if let Some(name) = name_at(rest) {
            (Some(Token::Name(name)), name.len())
        } else if "+-*/(),".contains(first) {
            (Some(Token::Sign(first)), 1)
        } else {
            return fault(
                at,
                format!(
                    "{first:?} means nothing here; lengths are counted with + - * / ( ) min and max."
                ),
            );
        };
        all.extend(token.map(|token| Placed { token, at }));
        at += rest[..bytes].chars().count();
        rest = &rest[bytes..];
    }
    Ok(all)
}

/// A length as it is written alone, such as 19.2mm, 3/4in or 1 1/4in, and how many bytes it has.
fn length_at(text: &str) -> Option<(f64, usize)> {
    let digits = |c: char| c.is_ascii_digit() || ". /".contains(c);
    if !text.starts_with(|c: char| c.is_ascii_digit() || c == '.') {
        return None;
    }
    let unit = text.find(|c| !digits(c))?;
    let word = name_at(&text[unit..])?;
    // A hyphen behind a unit subtracts.
    let word = word.split('-').next().unwrap_or(word);
    if word != "mm" && word != "in" {
        return None;
    }
    let bytes = unit + word.len();
    Some((Length::parse(&text[..bytes]).ok()?.mm(), bytes))
}

/// The name that a text begins with. A hyphen belongs to it when a letter or a digit stands on either side.
fn name_at(text: &str) -> Option<&str> {
    let plain = |c: char| c.is_ascii_alphanumeric() || c == '_' || c == '.';
    if !text.starts_with(|c: char| c.is_ascii_alphabetic()) {
        return None;
    }
    let mut end = 0;
    let mut letters = text.char_indices().peekable();
    while let Some((i, c)) = letters.next() {
        let joins = c == '-'
            && letters
                .peek()
                .is_some_and(|(_, next)| next.is_ascii_alphanumeric());
        if !plain(c) && !joins {
            break;
        }
        end = i + c.len_utf8();
    }
    Some(&text[..end])
}

/// What part of a text comes to.
#[derive(Clone, Copy, Debug)]
enum Quantity {
    /// Plain numbers alone: a length of the document's unit beside a length.
    Number(f64),
    /// A length divided by a length: never a length.
    Ratio(f64),
    /// mm.
    Length(f64),
}

/// Counts a text from left to right.
struct Count<'n, 't> {
    names: &'n Names,
    tokens: &'t [Placed<'t>],
    next: usize,
    depth: u32,
    /// The place behind the last character.
    end: usize,
}

impl<'t> Count<'_, 't> {
    fn whole(&mut self) -> Result<f64, Fault> {
        if self.tokens.is_empty() {
            return fault(
                1,
                "there is no length. Write one, such as \"19.2mm\", or count on named ones.",
            );
        }
        let all = self.sum()?;
        if let Some(more) = self.tokens.get(self.next) {
            return fault(more.at, self.unexpected(more));
        }
        match all {
            Quantity::Length(mm) => Ok(mm),
            Number(n) => fault(
                1,
                format!(
                    "it comes to the number {n}, which names no unit. Write the unit, such as \"{n}{}\".",
                    self.names.unit.word()
                ),
            ),
            Ratio(n) => fault(
                1,
                format!("it comes to the number {n}, a length divided by a length, and no length."),
            ),
        }
    }

    fn unexpected(&self, token: &Placed<'_>) -> String {
        let what = match token.token {
            Token::Name(name) => shown(name),
            Token::Sign(sign) => format!("{:?}", sign.to_string()),
            Token::Length(_) | Token::Number(_) => "a number".to_string(),
        };
        let follows_number = self.next.checked_sub(1).and_then(|i| self.tokens.get(i));
        match (follows_number.map(|t| t.token), token.token) {
            (Some(Token::Number(_)), Token::Name(_)) => {
                format!("{what} is no unit; units are mm and in. To multiply, write * before it.")
            }
            _ => format!(
                "{what} does not go on from what stands before it; write one of + - * / between them."
            ),
        }
    }

    fn here(&self) -> usize {
        self.tokens.get(self.next).map_or(self.end, |t| t.at)
    }

    fn sign(&mut self, among: &str) -> Option<(char, usize)> {
        let Placed {
            token: Token::Sign(sign),
            at,
        } = self.tokens.get(self.next)?
        else {
            return None;
        };
        let found = among.contains(*sign).then_some((*sign, *at));
        self.next += usize::from(found.is_some());
        found
    }

    fn sum(&mut self) -> Result<Quantity, Fault> {
        let mut all = self.product()?;
        while let Some((sign, at)) = self.sign("+-") {
            let next = self.product()?;
            let next = if sign == '-' { negative(next) } else { next };
            all = self.joined(all, next, at, |a, b| a + b)?;
        }
        Ok(all)
    }

    fn product(&mut self) -> Result<Quantity, Fault> {
        let mut all = self.one()?;
        while let Some((sign, at)) = self.sign("*/") {
            let next = self.one()?;
            all = match sign {
                '*' => times(all, next, at)?,
                _ => divided(all, next, at)?,
            };
        }
        Ok(all)
    }

    fn one(&mut self) -> Result<Quantity, Fault> {
        let at = self.here();
        if self.depth == DEEPEST {
            return fault(
                at,
                format!(
                    "more than {DEEPEST} parentheses or signs stand inside each other. Give parts of it names in `lengths`."
                ),
            );
        }
        self.depth += 1;
        let one = self.one_inside(at);
        self.depth -= 1;
        one
    }

    fn one_inside(&mut self, at: usize) -> Result<Quantity, Fault> {
        if self.sign("-").is_some() {
            return self.one().map(negative);
        }
        if self.sign("(").is_some() {
            let inside = self.sum()?;
            self.closed(at)?;
            return Ok(inside);
        }
        let Some(Placed { token, .. }) = self.tokens.get(self.next) else {
            return fault(at, "a length or a number is missing at the end.");
        };
        self.next += 1;
        match *token {
            Token::Length(mm) => Ok(Quantity::Length(mm)),
            Token::Number(n) => Ok(Number(n)),
            Token::Name(word @ ("min" | "max")) => self.choice(word, at),
            Token::Name(name) => self.names.named(name, at).map(Quantity::Length),
            Token::Sign(sign) => fault(
                at,
                format!(
                    "a length or a number is missing before {:?}.",
                    sign.to_string()
                ),
            ),
        }
    }

    fn closed(&mut self, opened: usize) -> Result<(), Fault> {
        match self.sign(")") {
            Some(_) => Ok(()),
            None => fault(
                self.here(),
                format!("the parenthesis of character {opened} is not closed here; write \")\"."),
            ),
        }
    }

    /// `min(a, b)` and `max(a, b)`, of two or more.
    fn choice(&mut self, word: &str, at: usize) -> Result<Quantity, Fault> {
        let opened = self.here();
        if self.sign("(").is_none() {
            return fault(
                opened,
                format!("{word} wants its lengths in parentheses, as {word}(40mm, width / 8)."),
            );
        }
        let mut best = self.sum()?;
        let mut several = false;
        while self.sign(",").is_some() {
            several = true;
            let next = self.sum()?;
            let pick = if word == "min" { f64::min } else { f64::max };
            best = self.joined(best, next, at, pick)?;
        }
        self.closed(opened)?;
        match several {
            true => Ok(best),
            false => fault(
                at,
                format!("{word} wants two lengths or more, with a comma between them."),
            ),
        }
    }

    /// Two quantities of one kind, brought together. A plain number is a length of the document's unit beside a length.
    fn joined(
        &self,
        a: Quantity,
        b: Quantity,
        at: usize,
        by: fn(f64, f64) -> f64,
    ) -> Result<Quantity, Fault> {
        use Quantity::Length;
        let unit = self.names.unit.mm();
        match (a, b) {
            (Length(a), Length(b)) => Ok(Length(by(a, b))),
            (Length(a), Number(n)) => Ok(Length(by(a, n * unit))),
            (Number(n), Length(b)) => Ok(Length(by(n * unit, b))),
            (Number(a), Number(b)) => Ok(Number(by(a, b))),
            (Ratio(a) | Number(a), Ratio(b) | Number(b)) => Ok(Ratio(by(a, b))),
            (Length(_), Ratio(_)) | (Ratio(_), Length(_)) => {
                fault(at, "a length and a length divided by a length do not go together; multiply the second with a length.")
            }
        }
        .and_then(|q| finite(q, at))
    }
}

fn negative(quantity: Quantity) -> Quantity {
    match quantity {
        Quantity::Length(mm) => Quantity::Length(-mm),
        Number(n) => Number(-n),
        Ratio(n) => Ratio(-n),
    }
}

fn times(a: Quantity, b: Quantity, at: usize) -> Result<Quantity, Fault> {
    use Quantity::Length;
    let product = match (a, b) {
        (Length(_), Length(_)) => {
            return fault(
                at,
                "a length times a length is an area, and no length; multiply with a number.",
            );
        }
        (Length(mm), Number(n) | Ratio(n)) | (Number(n) | Ratio(n), Length(mm)) => Length(mm * n),
        (Number(a), Number(b)) => Number(a * b),
        (Ratio(a) | Number(a), Ratio(b) | Number(b)) => Ratio(a * b),
    };
    finite(product, at)
}

fn divided(a: Quantity, b: Quantity, at: usize) -> Result<Quantity, Fault> {
    use Quantity::Length;
    let (Length(below) | Number(below) | Ratio(below)) = b;
    if below == 0.0 {
        return fault(at, "it is divided by 0 here.");
    }
    let quotient = match (a, b) {
        (Length(a), Length(b)) => Ratio(a / b),
        (Length(mm), Number(n) | Ratio(n)) => Length(mm / n),
        (Number(_) | Ratio(_), Length(_)) => {
            return fault(
                at,
                "a number divided by a length is no length. A fraction of an inch has no spaces: 3/4in.",
            );
        }
        (Number(a), Number(b)) => Number(a / b),
        (Ratio(a) | Number(a), Ratio(b) | Number(b)) => Ratio(a / b),
    };
    finite(quotient, at)
}

fn finite(quantity: Quantity, at: usize) -> Result<Quantity, Fault> {
    let (Quantity::Length(v) | Number(v) | Ratio(v)) = quantity;
    match v.is_finite() {
        true => Ok(quantity),
        false => fault(at, "this comes to more than can be counted."),
    }
}

#[cfg(test)]
mod tests;
