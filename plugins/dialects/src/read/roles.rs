//! Words of a data file whose role is fixed, against what a controller does at them.
//!
//! A slip here would show late or never: with a remark for the clockwise arc's word the last motion stays in force, and a word that
//! ends drilling and changes the unit too is noticed where the next cut goes.

use super::expression::Parameters;
use super::{Words, lex};
use crate::file::DialectFile;
use crate::template;
use grainway_pipeline::doc::Problem;

/// Coolant's codes; shops switch dust extraction with them, so they may stand beside the spindle's.
const BESIDE_SPINDLE: [u16; 3] = [7, 8, 9];
/// G98, in tenths.
const HIGH_RETURN: u16 = 980;

/// The codes that switch the spindle: those of the file, and the published ones beside them.
#[derive(Clone, Copy, Debug)]
pub struct SpindleCodes {
    clockwise: Option<u16>,
    counter_clockwise: Option<u16>,
    stop: Option<u16>,
}

/// Modal group of M3, M4 and M5 (NISTIR 6556, table 4).
const SPINDLE_GROUP: u8 = 7;

impl SpindleCodes {
    pub(super) fn of(file: &DialectFile) -> SpindleCodes {
        let code = |words: &str| {
            let codes = words
                .split_ascii_whitespace()
                .filter_map(|w| w.strip_prefix('M')?.parse::<u16>().ok());
            codes.into_iter().find(|c| !BESIDE_SPINDLE.contains(c))
        };
        let words = file.spindle.as_ref();
        SpindleCodes {
            clockwise: words.and_then(|w| code(&w.clockwise)),
            counter_clockwise: words.and_then(|w| code(w.counter_clockwise.as_ref()?)),
            stop: words.and_then(|w| code(&w.stop)),
        }
    }

    /// The group of a code that only this file has for the spindle.
    pub(super) fn group(self, code: u16) -> Option<u8> {
        let own = [self.clockwise, self.counter_clockwise, self.stop];
        (own.contains(&Some(code)) && lex::m_group(code).is_none()).then_some(SPINDLE_GROUP)
    }

    /// What a code of the spindle's group makes of it: turning clockwise or not, or standing.
    pub(super) fn turning(self, code: u16) -> Option<bool> {
        if Some(code) == self.stop {
            None
        } else if Some(code) == self.clockwise {
            Some(true)
        } else if Some(code) == self.counter_clockwise {
            Some(false)
        } else {
            (code != 5).then_some(code == 3)
        }
    }
}

/// Words that do something else than their keys say.
pub fn problems(file: &DialectFile) -> Vec<Problem> {
    let mut found = Vec::new();
    let mut check =
        |pointer: &str, words: Option<&str>, letter: char, codes: &[u16], beside: &[u16]| {
            let Some(words) = words else { return };
            if !says(words, letter, codes, beside) {
                let allowed: Vec<String> = codes.iter().map(|c| format!("{letter}{c}")).collect();
                found.push(Problem::new(
                    pointer,
                    format!(
                        "\"{words}\" does something else; the word here is {}",
                        allowed.join(" or ")
                    ),
                ));
            }
        };
    let motion = &file.motion;
    check("/motion/rapid", Some(&motion.rapid), 'G', &[0], &[]);
    check("/motion/line", Some(&motion.line), 'G', &[1], &[]);
    // A dialect without arcs may inherit any words for them.
    if file.arcs.is_some() {
        check("/motion/clockwise", Some(&motion.clockwise), 'G', &[2], &[]);
        let word = &motion.counter_clockwise;
        check("/motion/counter-clockwise", Some(word), 'G', &[3], &[]);
    }
    let units = &file.units;
    check("/units/mm", units.mm.as_deref(), 'G', &[21, 71], &[]);
    check("/units/inch", units.inch.as_deref(), 'G', &[20, 70], &[]);
    if let Some(cycles) = &file.cycles {
        check("/cycles/drill", Some(&cycles.drill), 'G', &[81], &[]);
        check("/cycles/peck", cycles.peck.as_deref(), 'G', &[83], &[]);
        check("/cycles/end", Some(&cycles.end), 'G', &[80], &[]);
        let low = cycles.return_low.as_deref();
        check("/cycles/return-low", low, 'G', &[99], &[]);
    }
    if let Some(spindle) = &file.spindle {
        let own = SpindleCodes::of(file);
        // A code that the published language lacks may mean anything, but one thing only.
        let codes = |published: u16, code: Option<u16>, others: [Option<u16>; 2]| {
            let free = code.filter(|c| lex::m_group(*c).is_none() && !others.contains(&Some(*c)));
            [Some(published), free]
                .into_iter()
                .flatten()
                .collect::<Vec<u16>>()
        };
        let (right, left, stop) = (own.clockwise, own.counter_clockwise, own.stop);
        for (pointer, words, codes) in [
            (
                "/spindle/clockwise",
                Some(spindle.clockwise.as_str()),
                codes(3, right, [left, stop]),
            ),
            (
                "/spindle/counter-clockwise",
                spindle.counter_clockwise.as_deref(),
                codes(4, left, [right, stop]),
            ),
            (
                "/spindle/stop",
                Some(spindle.stop.as_str()),
                codes(5, stop, [right, left]),
            ),
        ] {
            check(pointer, words, 'M', &codes, &BESIDE_SPINDLE);
        }
    }
    let dwell = file.dwell.as_ref().map(|d| d.word.as_str());
    check("/dwell/word", dwell, 'G', &[4], &[]);
    let pause = file.pause.as_ref().map(|p| p.word.as_str());
    // Not M1, at which a controller stops only when its switch is on.
    check("/pause/word", pause, 'M', &[0, 60], &[]);
    if file.cycles.as_ref().is_some_and(|c| c.return_low.is_none()) {
        found.extend(high_returns(file));
    }
    found
}

/// Lines that switch the return of cycles to the height before them. The writer of a language without a word for the low return counts
/// on holes that end at their own retract height, and would go on from there.
fn high_returns(file: &DialectFile) -> Vec<Problem> {
    let words = Words::of(file);
    let says = |line: &str, known: &[&str]| {
        // What cannot be filled in or read is told elsewhere.
        let mut block = lex::Block::default();
        let text = template::sample(line, known, file).unwrap_or_default();
        let read = lex::lex(
            text.as_bytes(),
            file,
            &words,
            &mut Parameters::default(),
            &mut block,
        );
        read.is_ok() && block.g.contains(&Some(HIGH_RETURN))
    };
    let mut found = Vec::new();
    for (pointer, line, known) in file.templates() {
        // After its end a program drills nothing.
        if !pointer.starts_with("/end") && says(line, known) {
            found.push(Problem::new(
                pointer,
                "G98 makes holes end at the height before them; leave it out, or give the word of the low return in cycles/return-low",
            ));
        }
    }
    found
}

/// The words are one of `codes`, once, and nothing else but codes that may stand beside it.
fn says(words: &str, letter: char, codes: &[u16], beside: &[u16]) -> bool {
    let mut times = 0;
    for word in words.split_ascii_whitespace() {
        let digits = word.strip_prefix(letter).unwrap_or_default();
        let plain = digits.bytes().all(|b| b.is_ascii_digit());
        match digits.parse::<u16>() {
            Ok(code) if plain && codes.contains(&code) => times += 1,
            Ok(code) if plain && beside.contains(&code) => {}
            _ => return false,
        }
    }
    times == 1
}
