//! What a pen language's keys say that cannot be right.

use super::{MOST_CHORD_MM, Pen, PenFile};
use crate::complaints::{Common, Complaints};
use grainway_pipeline::dialect::PenAbout;
use grainway_pipeline::doc::Problem;

/// Capital letters and digits, at least one, a letter first.
fn is_word(text: &str) -> bool {
    text.starts_with(|c: char| c.is_ascii_uppercase())
        && text
            .chars()
            .all(|c| c.is_ascii_uppercase() || c.is_ascii_digit())
        && text.len() <= 16
}

/// A word to which a number is joined, so it has no digits.
fn is_name(text: &str) -> bool {
    is_word(text) && text.chars().all(|c| c.is_ascii_uppercase())
}

/// What is wrong with a whole instruction.
const INSTRUCTION: &str =
    "must be capital letters and digits, without the terminator, such as \"IN\"";

impl PenFile {
    /// All of them at once.
    pub(crate) fn problems(&self) -> Vec<Problem> {
        let mut found = Complaints::default();
        let common = Common {
            format: &self.format,
            name: &self.name,
            ending: &self.ending,
            usual_ending: ".plt",
            blocks_per_second: self.blocks_per_second,
            axes: self.axes,
            files: self.files,
        };
        common.check(&mut found);
        found.unless(
            (0.0005..=MOST_CHORD_MM).contains(&self.chord_tolerance_mm),
            "/chord-tolerance-mm",
            "must be 0.0005 to 0.002 mm: the rest of what verify allows is for rounding",
        );
        self.pen.check_numbers(&mut found);
        self.pen.check_instructions(&mut found);
        self.pen.check_names(&mut found);
        self.pen.check_marks(&mut found);
        self.pen.check_remark(&mut found);
        found.all()
    }
}

impl Pen {
    fn check_numbers(&self, found: &mut Complaints) {
        found.unless(
            (0.001..=PenAbout::COARSEST_MM).contains(&self.unit_mm),
            "/pen/unit-mm",
            "must be 0.001 to 0.025 mm: rounding to a coarser unit takes more than the 0.02 mm that verify allows",
        );
        found.unless(
            self.largest >= 1000,
            "/pen/largest",
            "must be at least 1000 units",
        );
        let down = self.heights.as_ref().and_then(|h| h.feed.as_ref());
        for (key, speed) in [("speed", self.speed.as_ref()), ("heights/feed", down)] {
            let Some(speed) = speed else { continue };
            found.unless(
                (0.01..=1000.0).contains(&speed.unit_mm_per_second),
                &format!("/pen/{key}/unit-mm-per-second"),
                "must be 0.01 to 1000 mm/s",
            );
            found.unless(
                speed.decimals <= 4,
                &format!("/pen/{key}/decimals"),
                "must be at most 4",
            );
        }
        found.unless(
            self.heights.is_none() || self.speed.is_some(),
            "/pen/speed",
            "must be a word where words set the heights",
        );
        found.unless(
            self.wait.as_ref().is_none_or(|w| w.unit.seconds() <= 1.0),
            "/pen/wait/unit",
            "must not be minutes: waits are whole numbers of at most a second",
        );
        if let Some(spindle) = &self.spindle {
            found.unless(is_word(&spindle.stop), "/pen/spindle/stop", INSTRUCTION);
        }
    }

    /// Instructions that stand as they are: at the start, at each workingstep, at the end.
    fn check_instructions(&self, found: &mut Complaints) {
        let lists = [("start", &self.start), ("step-start", &self.step_start)];
        for (key, words) in lists {
            for (i, word) in words.iter().enumerate() {
                found.unless(is_word(word), &format!("/pen/{key}/{i}"), INSTRUCTION);
            }
            found.unless(
                words.contains(&self.absolute),
                &format!("/pen/{key}"),
                "must hold the word for absolute coordinates, or places mean nothing",
            );
        }
        found.unless(is_word(&self.end), "/pen/end", INSTRUCTION);
        found.unless(
            self.end != self.absolute
                && !self.start.contains(&self.end)
                && !self.step_start.contains(&self.end),
            "/pen/end",
            "must not stand anywhere but at the end",
        );
    }

    /// Words to which numbers are joined, by key.
    fn names(&self) -> Vec<(&'static str, &str)> {
        let mut names = vec![
            ("absolute", self.absolute.as_str()),
            ("up", &self.up),
            ("down", &self.down),
        ];
        if let Some(speed) = &self.speed {
            names.push(("speed/word", &speed.word));
        }
        if let Some(heights) = &self.heights {
            names.push(("heights/up", &heights.up));
            names.push(("heights/down", &heights.down));
            if let Some(feed) = &heights.feed {
                names.push(("heights/feed/word", &feed.word));
            }
        }
        if let Some(spindle) = &self.spindle {
            names.push(("spindle/word", &spindle.word));
        }
        if let Some(wait) = &self.wait {
            names.push(("wait/word", &wait.word));
        }
        names
    }

    /// Every instruction that stands as it is.
    fn instructions(&self) -> impl Iterator<Item = &String> {
        self.start.iter().chain(&self.step_start).chain([&self.end])
    }

    /// Names can be told apart from each other and from whole instructions.
    fn check_names(&self, found: &mut Complaints) {
        let names = self.names();
        for (i, (key, name)) in names.iter().enumerate() {
            let pointer = format!("/pen/{key}");
            found.unless(is_name(name), &pointer, "must be capital letters");
            let alone = |other: &str| !other.starts_with(name) && !name.starts_with(other);
            found.unless(
                names[..i].iter().all(|(_, other)| alone(other)),
                &pointer,
                "must not begin like another word, or they cannot be told apart",
            );
            let begins = |word: &String| word.starts_with(name) && *word != self.absolute;
            found.unless(
                !self.instructions().any(begins),
                &pointer,
                "must not be how an instruction of start, step-start or end begins",
            );
        }
    }

    fn check_marks(&self, found: &mut Complaints) {
        found.unless(
            ",".contains(self.separator) || self.separator == ' ',
            "/pen/separator",
            "must be a comma or a space",
        );
        found.unless(
            ";:!".contains(self.terminator),
            "/pen/terminator",
            "must be ; or : or !",
        );
    }

    fn check_remark(&self, found: &mut Complaints) {
        let close = self.remark.close.as_bytes();
        found.unless(
            matches!(close, [b'"' | b'\'' | b'|' | b'}' | b']']),
            "/pen/remark/close",
            "must be one of \" ' | } ]",
        );
        let open = self.remark.open.as_str();
        let printing = (1..=8).contains(&open.len())
            && open.bytes().all(|b| (0x20..0x7f).contains(&b))
            && !open.starts_with(' ')
            && !open.contains(self.terminator);
        let told_from_names = self
            .names()
            .iter()
            .all(|(_, n)| !open.starts_with(n) && !n.starts_with(open));
        let told_from_instructions = self.instructions().all(|w| !w.starts_with(open));
        found.unless(
            printing && told_from_names && told_from_instructions,
            "/pen/remark/open",
            "must be 1 to 8 printing characters or spaces, no space first, that begin like no other instruction, without the terminator",
        );
    }
}
