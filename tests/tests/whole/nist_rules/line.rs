//! One line of the language: sections 3.3 to 3.3.6 of the report, and the values of section 3.3.2.

use super::Refusal;
use std::collections::BTreeMap;

/// Longest line, characters (3.3).
const LONGEST: usize = 256;
/// Most digits of a line number (3.3.1).
const NUMBER_DIGITS: usize = 5;
/// Figures that a value keeps (appendix E); a number with more says something that no controller of the report can hold.
const FIGURES: usize = 17;
/// Where an integer is required, this close to one is one (3.3.2.1).
const NEAR_INTEGER: f64 = 0.0001;
/// The last parameter (3.2.1).
const LAST_PARAMETER: f64 = 5399.0;

/// The values of parameters; one that was never set is 0 (table 2), but for the active coordinate system.
pub type Parameters = BTreeMap<u32, f64>;

/// What stands on a line.
#[derive(Debug, Default)]
pub struct Line {
    /// A lone %.
    pub percent: bool,
    /// It begins with /.
    pub deletable: bool,
    /// Its words but the line number, as they stand.
    pub words: Vec<(char, f64)>,
    /// Its comments, without parentheses.
    pub comments: Vec<String>,
    /// Parameters that it sets.
    pub settings: Vec<(u32, f64)>,
}

impl Line {
    /// The value of a word of which a line has at most one.
    pub fn word(&self, letter: char) -> Option<f64> {
        self.words.iter().find(|w| w.0 == letter).map(|w| w.1)
    }
    /// Whether it has such a word.
    pub fn has(&self, letter: char) -> bool {
        self.word(letter).is_some()
    }
    /// Nothing stands on it that a controller would do.
    pub fn is_idle(&self) -> bool {
        self.words.is_empty() && self.settings.is_empty()
    }
}

/// `value` as the integer that it must be.
pub fn integer(value: f64) -> Option<i64> {
    let near = value.round();
    ((value - near).abs() < NEAR_INTEGER).then_some(near as i64)
}

fn refuse<T>(rule: &'static str, why: impl Into<String>) -> Result<T, Refusal> {
    Err(Refusal {
        line: 0,
        rule,
        why: why.into(),
    })
}

/// Reads a line, given without its end.
pub fn read(text: &str, parameters: &Parameters) -> Result<Line, Refusal> {
    if text.chars().count() > LONGEST {
        return refuse("line-length", format!("{} characters", text.len()));
    }
    let mut line = Line::default();
    let packed = without_comments(text, &mut line)?;
    if packed == "%" {
        line.percent = true;
        return Ok(line);
    }
    let mut rest = Rest {
        left: packed.chars().collect(),
        parameters,
    };
    // An optional /, an optional line number, then the rest in any order (3.3).
    line.deletable = rest.take_if('/');
    if rest.take_if('N') {
        let digits = rest.digits();
        if digits.is_empty() || digits.len() > NUMBER_DIGITS || rest.next() == Some('.') {
            return refuse(
                "line-number",
                format!("N{digits} is not N and one to five digits"),
            );
        }
    }
    while let Some(c) = rest.next() {
        rest.left.pop_front();
        match c {
            // 3.3.2: the letters of words; E, O, U, V and W begin none, N only stands first.
            'A'..='D' | 'F'..='M' | 'P'..='T' | 'X'..='Z' => {
                let value = rest.value()?;
                line.words.push((c, value));
            }
            '#' => {
                let index = rest.index()?;
                if !rest.take_if('=') {
                    return refuse("setting", format!("#{index} without ="));
                }
                let value = rest.value()?;
                line.settings.push((index, value));
            }
            'N' => return refuse("line-number", "a line number stands first"),
            'E' | 'O' | 'U' | 'V' | 'W' => {
                return refuse("letter", format!("{c} begins no word"));
            }
            other => return refuse("character", format!("{other:?} begins no word")),
        }
    }
    Ok(line)
}

/// Takes out comments (3.3.4), spaces and tabs, and makes letters large, which means nothing outside comments (3.3).
fn without_comments(text: &str, line: &mut Line) -> Result<String, Refusal> {
    let mut packed = String::new();
    let mut comment: Option<String> = None;
    let mut ends_word = false;
    for c in text.chars() {
        if !matches!(c, ' '..='~' | '\t') {
            return refuse("character", format!("{c:?} is not printable ASCII"));
        }
        match (&mut comment, c) {
            (Some(_), '(') => return refuse("comment", "a comment inside a comment"),
            (Some(inside), ')') => {
                line.comments.push(std::mem::take(inside));
                comment = None;
            }
            (Some(inside), c) => inside.push(c),
            (None, '(') => {
                comment = Some(String::new());
                ends_word = true;
            }
            (None, ')') => return refuse("comment", "a comment ends that never began"),
            (None, ' ' | '\t') => {}
            (None, c) => {
                // A comment is an item of its own, so the number before it has ended.
                if ends_word && (c.is_ascii_digit() || c == '.') {
                    return refuse("comment", "a comment inside a word");
                }
                ends_word = false;
                packed.push(c.to_ascii_uppercase());
            }
        }
    }
    match comment {
        Some(_) => refuse("comment", "a comment is not closed on its line"),
        None => Ok(packed),
    }
}

/// What is left of a line.
struct Rest<'a> {
    left: std::collections::VecDeque<char>,
    /// As they were before the line: settings act after the whole line was read (3.3.3).
    parameters: &'a Parameters,
}

impl Rest<'_> {
    fn next(&self) -> Option<char> {
        self.left.front().copied()
    }
    fn take_if(&mut self, wanted: char) -> bool {
        let found = self.next() == Some(wanted);
        if found {
            self.left.pop_front();
        }
        found
    }
    fn take_word(&mut self, wanted: &str) -> bool {
        let found = self
            .left
            .iter()
            .take(wanted.len())
            .copied()
            .eq(wanted.chars());
        if found {
            self.left.drain(..wanted.len());
        }
        found
    }
    fn digits(&mut self) -> String {
        let mut digits = String::new();
        while let Some(c) = self.next().filter(char::is_ascii_digit) {
            self.left.pop_front();
            digits.push(c);
        }
        digits
    }
    /// A real value (3.3.2): a number, an expression, a parameter's value or a function of an expression.
    fn value(&mut self) -> Result<f64, Refusal> {
        let value = match self.next() {
            Some('[') => self.expression()?,
            Some('#') => {
                self.left.pop_front();
                let index = self.index()?;
                let unset = if index == 5220 { 1.0 } else { 0.0 };
                self.parameters.get(&index).copied().unwrap_or(unset)
            }
            Some('A'..='Z') => self.function()?,
            _ => self.number()?,
        };
        if value.is_finite() {
            Ok(value)
        } else {
            refuse("value", "a value that is no number")
        }
    }
    /// Optional sign, digits, at most one point, digits; one digit in all (3.3.2.1). No exponent.
    fn number(&mut self) -> Result<f64, Refusal> {
        let mut text = String::new();
        if self.take_if('-') {
            text.push('-');
        } else {
            self.take_if('+');
        }
        text.push_str(&self.digits());
        if self.take_if('.') {
            text.push('.');
            text.push_str(&self.digits());
        }
        let digits: String = text.chars().filter(char::is_ascii_digit).collect();
        if digits.trim_start_matches('0').len() > FIGURES {
            return refuse("number", format!("{text} has too many figures"));
        }
        match text.parse() {
            Ok(value) if !digits.is_empty() => Ok(value),
            _ => refuse("number", format!("{text:?} is no number")),
        }
    }
    fn index(&mut self) -> Result<u32, Refusal> {
        let value = self.value()?;
        match integer(value) {
            Some(n) if (1.0..=LAST_PARAMETER).contains(&value.round()) => Ok(n as u32),
            _ => refuse("parameter", format!("there is no parameter {value}")),
        }
    }
    /// 3.3.2.3: ** before * / MOD before + - OR XOR AND, each from left to right.
    fn expression(&mut self) -> Result<f64, Refusal> {
        const LEVELS: [&[&str]; 3] = [&["+", "-", "OR", "XOR", "AND"], &["*", "/", "MOD"], &["**"]];
        if !self.take_if('[') {
            return refuse("expression", "[ is missing");
        }
        // Values and the operations between them, then the tighter levels are reduced first.
        let mut values = vec![self.value()?];
        let mut operations: Vec<&str> = Vec::new();
        while !self.take_if(']') {
            // "**" is tried before "*".
            let all = LEVELS.iter().rev().flat_map(|l| l.iter());
            let mut found = None;
            for operation in all {
                if self.take_word(operation) {
                    found = Some(*operation);
                    break;
                }
            }
            let Some(operation) = found else {
                return refuse("expression", "neither an operation nor ]");
            };
            operations.push(operation);
            values.push(self.value()?);
        }
        for level in LEVELS.iter().rev() {
            let mut k = 0;
            while k < operations.len() {
                if level.contains(&operations[k]) {
                    let right = values.remove(k + 1);
                    values[k] = operate(operations.remove(k), values[k], right);
                } else {
                    k += 1;
                }
            }
        }
        Ok(values[0])
    }
    /// 3.3.2.4; angles are degrees.
    fn function(&mut self) -> Result<f64, Refusal> {
        type Function = fn(f64) -> f64;
        let functions: [(&str, Function); 12] = [
            ("ABS", f64::abs),
            ("ACOS", |v| v.acos().to_degrees()),
            ("ASIN", |v| v.asin().to_degrees()),
            ("COS", |v| v.to_radians().cos()),
            ("EXP", f64::exp),
            ("FIX", f64::floor),
            ("FUP", f64::ceil),
            ("LN", f64::ln),
            ("ROUND", f64::round),
            ("SIN", |v| v.to_radians().sin()),
            ("SQRT", f64::sqrt),
            ("TAN", |v| v.to_radians().tan()),
        ];
        if self.take_word("ATAN") {
            let y = self.expression()?;
            if !self.take_if('/') {
                return refuse("expression", "ATAN of one value");
            }
            let x = self.expression()?;
            return Ok(y.atan2(x).to_degrees());
        }
        for (name, of) in functions {
            if self.take_word(name) {
                return Ok(of(self.expression()?));
            }
        }
        refuse("expression", "an unknown function")
    }
}

fn operate(operation: &str, a: f64, b: f64) -> f64 {
    let as_number = f64::from;
    let (yes_a, yes_b) = (a.abs() > 0.0, b.abs() > 0.0);
    match operation {
        "+" => a + b,
        "-" => a - b,
        "*" => a * b,
        "/" => a / b,
        "**" => a.powf(b),
        "MOD" => a - b * (a / b).floor(),
        "OR" => as_number(yes_a || yes_b),
        "XOR" => as_number(yes_a != yes_b),
        _ => as_number(yes_a && yes_b),
    }
}
