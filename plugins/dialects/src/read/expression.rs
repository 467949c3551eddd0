//! Numbers, parameters and expressions (NISTIR 6556, 3.3.2).

use super::{Fault, fault};

/// Highest parameter (NISTIR 6556, 3.2.1 and table 2).
const LAST_PARAMETER: usize = 5399;
/// Where a whole number is required, a decimal this close to one is accepted (3.3.2.1).
const WHOLE: f64 = 0.0001;
/// Digits that fit a 64-bit count exactly below 2^53, so that count / 10^n is rounded once and correctly.
const EXACT_DIGITS: usize = 15;

/// Expressions inside expressions and parameters of parameters; a line of the published length has no room for more. A longer line
/// must not use up the stack.
const DEEPEST: usize = 128;

/// The controller's numbered values, all zero at first but for the active coordinate system.
#[derive(Debug, Default)]
pub struct Parameters {
    values: std::collections::BTreeMap<usize, f64>,
}

impl Parameters {
    /// The value of a parameter.
    pub fn get(&self, index: usize) -> f64 {
        let default = if index == 5220 { 1.0 } else { 0.0 };
        self.values.get(&index).copied().unwrap_or(default)
    }
    /// Sets a parameter.
    pub fn set(&mut self, index: usize, value: f64) {
        self.values.insert(index, value);
    }
}

/// A line without its spaces and comments, lower case, being read.
pub struct Cursor<'a> {
    /// What is left is `bytes[at..]`.
    pub bytes: &'a [u8],
    /// Where.
    pub at: usize,
    /// The parameters before this line's settings.
    pub parameters: &'a Parameters,
    /// Brackets and functions are allowed.
    pub expressions: bool,
    /// Parameters are allowed.
    pub allow_parameters: bool,
    /// Values that are being read inside each other; 0 at first.
    pub depth: usize,
    /// The number read last had a point.
    pub said_point: bool,
    /// The point, or what stands for it.
    pub mark: u8,
}

/// `value` as a whole number, when it is one within the published tolerance.
pub fn whole(value: f64) -> Option<i64> {
    let near = value.round();
    ((value - near).abs() <= WHOLE && near.abs() < 1e15).then_some(near as i64)
}

impl Cursor<'_> {
    /// The next byte.
    pub fn peek(&self) -> Option<u8> {
        self.bytes.get(self.at).copied()
    }
    /// Steps over `text` when it comes next.
    fn eat(&mut self, text: &str) -> bool {
        let next = self.bytes[self.at..].starts_with(text.as_bytes());
        if next {
            self.at += text.len();
        }
        next
    }
    fn rest(&self) -> String {
        String::from_utf8_lossy(&self.bytes[self.at..])
            .chars()
            .take(12)
            .filter(|c| !c.is_control())
            .collect()
    }

    /// A number, a parameter's value, an expression or a function of one.
    pub fn value(&mut self) -> Result<f64, Fault> {
        if self.depth == DEEPEST {
            return fault(
                "bad-expression",
                format!("more than {DEEPEST} values inside each other"),
            );
        }
        self.depth += 1;
        let value = self.some_value();
        self.depth -= 1;
        let value = value?;
        if value.is_finite() {
            Ok(value)
        } else {
            fault("bad-expression", "the value is not a finite number")
        }
    }

    fn some_value(&mut self) -> Result<f64, Fault> {
        match self.peek() {
            Some(b'[') => self.expression(),
            Some(b'#') => {
                self.at += 1;
                let index = self.parameter_index()?;
                Ok(self.parameters.get(index))
            }
            Some(b'a'..=b'z') => self.function(),
            _ => self.number(),
        }
    }

    /// A plain number: sign, digits, at most one point, at least one digit, no exponent.
    pub fn number(&mut self) -> Result<f64, Fault> {
        let begin = self.at;
        let negative = self.peek() == Some(b'-');
        if matches!(self.peek(), Some(b'+' | b'-')) {
            self.at += 1;
        }
        let (mut count, mut digits, mut after_point, mut point) = (0u64, 0usize, 0usize, false);
        while let Some(b) = self.peek() {
            match b {
                b'0'..=b'9' => {
                    if digits < EXACT_DIGITS {
                        count = count * 10 + u64::from(b - b'0');
                    }
                    digits += 1;
                    after_point += usize::from(point);
                }
                b if b == self.mark && !point => point = true,
                _ => break,
            }
            self.at += 1;
        }
        self.said_point = point;
        if digits == 0 {
            self.at = begin;
            return fault(
                "bad-number",
                format!("a number is expected at \"{}\"", self.rest()),
            );
        }
        let value = if digits <= EXACT_DIGITS {
            count as f64 / 10f64.powi(after_point as i32)
        } else {
            let text = String::from_utf8_lossy(&self.bytes[begin..self.at]);
            let text = text.replace(char::from(self.mark), ".");
            match text.trim_start_matches(['+', '-']).parse() {
                Ok(v) => v,
                Err(_) => return fault("bad-number", format!("\"{text}\" is not a number")),
            }
        };
        Ok(if negative { -value } else { value })
    }

    /// The index after a #.
    pub fn parameter_index(&mut self) -> Result<usize, Fault> {
        if !self.allow_parameters {
            return fault("not-in-dialect", "the dialect has no parameters");
        }
        let value = self.value()?;
        match whole(value).and_then(|v| usize::try_from(v).ok()) {
            Some(index) if (1..=LAST_PARAMETER).contains(&index) => Ok(index),
            _ => fault(
                "bad-parameter",
                format!("there is no parameter {value}; they go from 1 to {LAST_PARAMETER}"),
            ),
        }
    }

    fn expression(&mut self) -> Result<f64, Fault> {
        if !self.expressions {
            return fault("not-in-dialect", "the dialect has no expressions");
        }
        if !self.eat("[") {
            return fault(
                "bad-expression",
                format!("\"[\" is expected at \"{}\"", self.rest()),
            );
        }
        let value = self.level(1)?;
        if self.eat("]") {
            Ok(value)
        } else {
            fault(
                "bad-expression",
                format!("\"]\" or an operation is expected at \"{}\"", self.rest()),
            )
        }
    }

    /// Operations of this level and tighter ones, from left to right: 1 holds + - and logic, 2 holds * / mod, 3 holds **.
    fn level(&mut self, level: u8) -> Result<f64, Fault> {
        if level > 3 {
            return self.value();
        }
        let mut left = self.level(level + 1)?;
        loop {
            let operation = match level {
                1 if self.eat("+") => '+',
                1 if self.eat("-") => '-',
                1 if self.eat("or") => '|',
                1 if self.eat("xor") => '^',
                1 if self.eat("and") => '&',
                2 if !self.bytes[self.at..].starts_with(b"**") && self.eat("*") => '*',
                2 if self.eat("/") => '/',
                2 if self.eat("mod") => '%',
                3 if self.eat("**") => 'p',
                _ => return Ok(left),
            };
            let right = self.level(level + 1)?;
            let truth = |v: f64| v.abs() > 0.0;
            let number = |b: bool| f64::from(u8::from(b));
            left = match operation {
                '+' => left + right,
                '-' => left - right,
                '|' => number(truth(left) || truth(right)),
                '^' => number(truth(left) != truth(right)),
                '&' => number(truth(left) && truth(right)),
                '*' => left * right,
                '/' => left / right,
                // The result has the divisor's sign, so it is never negative for a positive divisor.
                '%' => left - right * (left / right).floor(),
                _ => left.powf(right),
            };
            if !left.is_finite() {
                return fault("bad-expression", "the value is not a finite number");
            }
        }
    }

    fn function(&mut self) -> Result<f64, Fault> {
        if !self.expressions {
            return fault("not-in-dialect", "the dialect has no functions");
        }
        const NAMES: [&str; 13] = [
            "abs", "acos", "asin", "atan", "cos", "exp", "fix", "fup", "ln", "round", "sin",
            "sqrt", "tan",
        ];
        let Some(name) = NAMES.into_iter().find(|n| self.eat(n)) else {
            return fault(
                "bad-expression",
                format!("no function is known at \"{}\"", self.rest()),
            );
        };
        let v = self.expression()?;
        Ok(match name {
            "abs" => v.abs(),
            "acos" => v.acos().to_degrees(),
            "asin" => v.asin().to_degrees(),
            "atan" => {
                if !self.eat("/") {
                    return fault("bad-expression", "atan needs two values: atan[1]/[2]");
                }
                let x = self.expression()?;
                v.atan2(x).to_degrees()
            }
            "cos" => v.to_radians().cos(),
            "exp" => v.exp(),
            "fix" => v.floor(),
            "fup" => v.ceil(),
            "ln" => v.ln(),
            "round" => v.round(),
            "sin" => v.to_radians().sin(),
            "sqrt" => v.sqrt(),
            _ => v.to_radians().tan(),
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn value(text: &str) -> Result<f64, Fault> {
        let clean: Vec<u8> = text
            .bytes()
            .filter(|b| *b != b' ')
            .map(|b| b.to_ascii_lowercase())
            .collect();
        let mut parameters = Parameters::default();
        parameters.set(1, 7.0);
        parameters.set(7, 11.0);
        let mut c = Cursor {
            bytes: &clean,
            at: 0,
            parameters: &parameters,
            expressions: true,
            allow_parameters: true,
            depth: 0,
            said_point: false,
            mark: b'.',
        };
        let v = c.value()?;
        assert_eq!(c.at, clean.len(), "all of {text} is read");
        Ok(v)
    }

    /// NISTIR 6556, appendix C.2 and sections 3.3.2.3 and 3.3.2.4.
    #[test]
    fn published_expressions() {
        for (text, want) in [
            ("[1+2*3-4/5]", 6.2),
            ("[15 MOD 4.0]", 3.0),
            ("[2 or 2]", 1.0),
            ("atan[1.7321]/[1.0]", 60.0),
            ("round[-0.5001]", -1.0),
            ("fix[-0.499]", -1.0),
            ("fup[-0.5001]", 0.0),
            ("FIX[-2.8]", -3.0),
            ("FUP[-2.8]", -2.0),
            ("[2.0/3*1.5-5.5/11.0]", 0.5),
            (
                "[2+asin[1/2.1+-0.345]/[atan[fix[4.4]*2.1*sqrt[16.8]]/[-18]]**2]",
                2.000_545_078,
            ),
            ("##1", 11.0),
            ("[#1+2]", 9.0),
            ("[6-[4*3/2]]", 0.0),
            ("asin[0.5]", 30.0),
            // Arithmetic, by hand: the same level runs from left to right.
            ("[2**3**2]", 64.0),
            ("[7-2-1]", 4.0),
            ("[1 xor 1]", 0.0),
            ("[1 and 0]", 0.0),
        ] {
            let got = value(text).unwrap();
            // "60" is given for tan 60° to four decimals.
            let tolerance = if text.contains("1.7321") { 1e-3 } else { 1e-9 };
            assert!((got - want).abs() < tolerance, "{text}: {got}");
        }
    }

    #[test]
    fn bad_expressions() {
        for (text, code) in [
            ("[1/0]", "bad-expression"),
            ("sqrt[-1]", "bad-expression"),
            ("ln[0]", "bad-expression"),
            ("[1+", "bad-number"),
            ("[1", "bad-expression"),
            ("atan[1]", "bad-expression"),
            ("cot[1]", "bad-expression"),
            ("#0", "bad-parameter"),
            ("#5400", "bad-parameter"),
            ("#1.5", "bad-parameter"),
            ("--1", "bad-number"),
            (".", "bad-number"),
            ("", "bad-number"),
        ] {
            assert_eq!(value(text).unwrap_err().code, code, "{text}");
        }
    }

    #[test]
    fn numbers_are_exact() {
        for text in [
            "0.1",
            "-12.345",
            "+7.",
            ".5",
            "123456789.123456",
            "0.30000000000000004",
        ] {
            assert_eq!(
                value(text).unwrap().to_bits(),
                text.parse::<f64>().unwrap().to_bits(),
                "{text}"
            );
        }
    }
}
