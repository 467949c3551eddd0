//! Problems of a data file as they are found, and the checks of the keys that both forms have.

use crate::file::{Axes, DIALECT_FORMAT, Files};
use grainway_pipeline::doc::Problem;

/// Most digits of a program's number: eight, as in ISO 6983 (from memory).
const MOST_NUMBER_DIGITS: u8 = 8;

/// Problems of a data file as they are found.
#[derive(Default)]
pub(crate) struct Complaints(Vec<Problem>);

impl Complaints {
    pub(crate) fn add(&mut self, pointer: &str, message: impl Into<String>) {
        self.0.push(Problem::new(pointer, message));
    }
    pub(crate) fn unless(&mut self, good: bool, pointer: &str, message: &str) {
        if !good {
            self.add(pointer, message);
        }
    }
    pub(crate) fn all(self) -> Vec<Problem> {
        self.0
    }
}

/// The keys that both forms of data file have.
pub(crate) struct Common<'a> {
    pub(crate) format: &'a str,
    pub(crate) name: &'a str,
    pub(crate) ending: &'a str,
    /// An ending as an example.
    pub(crate) usual_ending: &'a str,
    pub(crate) blocks_per_second: f64,
    pub(crate) axes: Axes,
    pub(crate) files: Files,
}

impl Common<'_> {
    pub(crate) fn check(&self, found: &mut Complaints) {
        found.unless(
            self.format == DIALECT_FORMAT,
            "/format",
            "must be \"grainway.dialect/1\"",
        );
        let plain = |c: char| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '-';
        found.unless(
            !self.name.is_empty() && self.name.chars().all(plain),
            "/name",
            "must be lower-case letters, digits and hyphens",
        );
        let letters = self.ending.strip_prefix('.').unwrap_or_default();
        if letters.is_empty() || !letters.chars().all(|c| c.is_ascii_alphanumeric()) {
            let usual = self.usual_ending;
            found.add(
                "/ending",
                format!("must be a point and letters or digits, such as \"{usual}\""),
            );
        }
        found.unless(
            self.blocks_per_second > 0.0,
            "/blocks-per-second",
            "must be more than 0",
        );
        found.unless(
            self.axes.x.place().0 != self.axes.y.place().0,
            "/axes",
            "x and y must go along different axes",
        );
        let digits = self.files.number_digits.unwrap_or(MOST_NUMBER_DIGITS);
        let room = 10u64.pow(u32::from(digits.min(MOST_NUMBER_DIGITS)));
        found.unless(
            (1..=MOST_NUMBER_DIGITS).contains(&digits) && u64::from(self.files.first_number) < room,
            "/files/number-digits",
            "must be 1 to 8, and enough for first-number",
        );
        found.unless(
            self.files.most_lines == 0 || self.files.most_lines >= 100,
            "/files/most-lines",
            "must be 0 (no limit) or at least 100",
        );
    }
}
