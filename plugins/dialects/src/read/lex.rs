//! One line of text into a block of words (NISTIR 6556, 3.3 and appendix E).

use super::expression::{Cursor, Parameters, whole};
use super::{Fault, Words, fault};
use crate::file::{Characters, CommentStyle, DialectFile, Lengths, Macro, MacroDeed, Separator};

/// Letters that begin words in the published language (section 3.3.2).
const PUBLISHED_LETTERS: &[u8] = b"abcdfghijklmnpqrstxyz";
/// A comment stood here; it may stand between words, not inside one.
const MARK: u8 = 1;
/// Words of this size and more are refused: no machine is that large, and what is computed from them stays finite. The writer's
/// largest number has ten digits.
const TOO_LARGE: f64 = 1e10;
/// G4, in tenths.
const DWELL: u16 = 40;
/// Largest number of a program: eight digits, as in ISO 6983 (from memory).
const LARGEST_PROGRAM: i64 = 99_999_999;
/// Most M words on a line (3.3.5).
const MOST_M: usize = 4;

/// The modal groups of G codes (table 4), and 0.
pub fn g_group(tenths: u16) -> Option<u8> {
    Some(match tenths {
        0 | 10 | 20 | 30 | 382 | 800 | 810 | 820 | 830 | 840 | 850 | 860 | 870 | 880 | 890 => 1,
        170 | 180 | 190 => 2,
        900 | 910 => 3,
        930 | 940 => 5,
        // Inches and millimetres are 70 and 71 in ISO 6983-1 (from memory).
        200 | 210 | 700 | 710 => 6,
        400 | 410 | 420 => 7,
        430 | 490 => 8,
        980 | 990 => 10,
        540 | 550 | 560 | 570 | 580 | 590 | 591 | 592 | 593 => 12,
        610 | 611 | 640 => 13,
        40 | 100 | 280 | 300 | 530 | 920 | 921 | 922 | 923 => 0,
        _ => return None,
    })
}

/// The modal groups of M codes (table 4).
pub fn m_group(code: u16) -> Option<u8> {
    Some(match code {
        0 | 1 | 2 | 30 | 60 => 4,
        6 => 6,
        3..=5 => 7,
        7..=9 => 8,
        48 | 49 => 9,
        _ => return None,
    })
}

/// A call of one of the controller's macros.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Call {
    /// What it does.
    pub does: MacroDeed,
    /// The argument that holds the cutter's number, where the macro takes one; `None` where the line lacks it.
    pub cutter: Option<Option<f64>>,
}

/// A line's words, read but not yet judged together.
#[derive(Debug, Default)]
pub struct Block {
    /// By letter, a = 0.
    values: [f64; 26],
    present: u32,
    /// G code in tenths by modal group.
    pub g: [Option<u16>; 14],
    /// M code by modal group; coolant has a second place, since M7 and M8 may stand together.
    pub m: [Option<u16>; 11],
    /// The text of the last comment.
    pub comment: String,
    /// There was a comment.
    pub has_comment: bool,
    /// The line began with /.
    pub deletable: bool,
    /// Nothing but spaces.
    pub blank: bool,
    /// Words or settings stood on the line.
    pub says: bool,
    /// The line is the program's number: O and digits.
    pub program_number: bool,
    /// The time of G4, in whatever letter the dialect says it.
    pub dwell: Option<f64>,
    /// A macro is called.
    pub call: Option<Call>,
    /// A parameter was set that moves the origin or the home position.
    pub moves_origin: bool,
    /// For settings, kept to be made after the whole line was read.
    settings: Vec<(usize, f64)>,
    clean: Vec<u8>,
}

impl Block {
    /// The value of a word.
    pub fn word(&self, letter: u8) -> Option<f64> {
        self.has(letter)
            .then(|| self.values[usize::from(letter - b'a')])
    }
    /// The word stands on the line.
    pub fn has(&self, letter: u8) -> bool {
        self.present & (1 << (letter - b'a')) != 0
    }
    /// The value of a word, which is then no longer on the line.
    fn take(&mut self, letter: u8) -> Option<f64> {
        let value = self.word(letter);
        self.present &= !(1 << (letter - b'a'));
        value
    }
    fn clear(&mut self) {
        self.present = 0;
        self.g = [None; 14];
        self.m = [None; 11];
        self.comment.clear();
        self.has_comment = false;
        self.deletable = false;
        self.blank = true;
        self.says = false;
        self.program_number = false;
        self.dwell = None;
        self.call = None;
        self.moves_origin = false;
        self.settings.clear();
        self.clean.clear();
    }
}

/// The line is % and nothing else.
pub fn is_percent(line: &[u8]) -> bool {
    let mut bytes = line.iter().filter(|b| !matches!(b, b' ' | b'\t'));
    bytes.next() == Some(&b'%') && bytes.next().is_none()
}

/// Reads a line into `block`.
pub fn lex(
    line: &[u8],
    file: &DialectFile,
    words: &Words,
    parameters: &mut Parameters,
    block: &mut Block,
) -> Result<(), Fault> {
    block.clear();
    let characters = file.lines.characters;
    if characters != Characters::Printable
        && let Some(b) = line.iter().find(|b| **b != b'\t' && !characters.holds(**b))
    {
        return fault(
            "bad-character",
            format!("\"{}\" is no character of the dialect", char::from(*b)),
        );
    }
    strip(line, file.comments, block)?;
    let clean = std::mem::take(&mut block.clean);
    let result = match called(&clean, file) {
        Some((called, at)) => arguments(&clean, at, called, file, parameters, block),
        None => items(&clean, file, words, parameters, block),
    };
    block.clean = clean;
    result?;
    if block.g[0] == Some(DWELL) {
        let letter = file.dwell.as_ref().map_or('P', |d| d.letter);
        // The same letter on any other line is a place or a feed.
        block.dwell = block.take(letter.to_ascii_lowercase() as u8);
    }
    // All values on a line were computed with the parameters before it (3.3.3).
    for (index, value) in block.settings.drain(..) {
        parameters.set(index, value);
        block.moves_origin |= (5161..=5399).contains(&index);
    }
    Ok(())
}

/// The macro that a stripped line calls, and where its arguments begin.
fn called<'f>(clean: &[u8], file: &'f DialectFile) -> Option<(&'f Macro, usize)> {
    if file.macros.is_empty() {
        return None;
    }
    let at = match clean {
        [b'n', rest @ ..] => 1 + rest.iter().take_while(|b| b.is_ascii_digit()).count(),
        _ => 0,
    };
    let calls = |m: &&Macro| {
        let call = m
            .call
            .bytes()
            .filter(|b| *b != b' ')
            .map(|b| b.to_ascii_lowercase());
        let call: Vec<u8> = call.collect();
        let rest = clean[at..].strip_prefix(call.as_slice())?;
        // G65 P9001 is not called by G65 P90010.
        let apart = rest
            .first()
            .is_none_or(|b| !b.is_ascii_digit() && *b != b'.');
        (apart && !call.is_empty()).then_some(at + call.len())
    };
    file.macros.iter().find_map(|m| calls(&m).map(|at| (m, at)))
}

/// The arguments of a macro: a letter and a number each.
fn arguments(
    clean: &[u8],
    at: usize,
    called: &Macro,
    file: &DialectFile,
    parameters: &Parameters,
    block: &mut Block,
) -> Result<(), Fault> {
    let mut c = cursor(clean, file, parameters);
    c.at = at;
    let mut cutter = called.cutter.map(|_| None);
    loop {
        pass_over(&mut c, file);
        let Some(letter) = c.peek() else { break };
        c.at += 1;
        if !letter.is_ascii_lowercase() {
            return fault(
                "bad-macro",
                "an argument of a macro is a letter and a number",
            );
        }
        let value = c.value()?;
        if called
            .cutter
            .is_some_and(|l| l.to_ascii_lowercase() as u8 == letter)
        {
            cutter = Some(Some(value));
        }
    }
    block.says = true;
    block.call = Some(Call {
        does: called.does,
        cutter,
    });
    Ok(())
}

fn cursor<'a>(clean: &'a [u8], file: &DialectFile, parameters: &'a Parameters) -> Cursor<'a> {
    Cursor {
        bytes: clean,
        at: 0,
        parameters,
        expressions: file.language.expressions,
        allow_parameters: file.language.parameters,
        depth: 0,
        said_point: false,
        mark: file.numbers.mark.byte(),
    }
}

/// Takes comments out and spaces away.
fn strip(line: &[u8], style: CommentStyle, block: &mut Block) -> Result<(), Fault> {
    let mut at = 0;
    while at < line.len() {
        let b = line[at];
        at += 1;
        match b {
            b' ' | b'\t' => {}
            b'(' if style == CommentStyle::Parentheses => {
                let rest = &line[at..];
                let Some(end) = rest.iter().position(|b| *b == b')') else {
                    return fault("bad-comment", "a comment is not closed on its line");
                };
                if rest[..end].contains(&b'(') {
                    return fault("bad-comment", "a comment stands inside a comment");
                }
                block.comment.clear();
                block
                    .comment
                    .push_str(&String::from_utf8_lossy(&rest[..end]));
                block.has_comment = true;
                block.blank = false;
                block.clean.push(MARK);
                at += end + 1;
            }
            b';' if style == CommentStyle::Semicolon => {
                block.comment.clear();
                block
                    .comment
                    .push_str(&String::from_utf8_lossy(&line[at..]));
                block.has_comment = true;
                block.blank = false;
                return Ok(());
            }
            b'(' | b')' => {
                return fault(
                    "bad-comment",
                    "a parenthesis that neither opens nor closes a comment",
                );
            }
            0x21..=0x7e => {
                block.blank = false;
                block.clean.push(b.to_ascii_lowercase());
            }
            _ => {
                return fault(
                    "bad-character",
                    format!("the byte {b} is no character of the language"),
                );
            }
        }
    }
    Ok(())
}

/// Reads what stands on a stripped line.
fn items(
    clean: &[u8],
    file: &DialectFile,
    words: &Words,
    parameters: &Parameters,
    block: &mut Block,
) -> Result<(), Fault> {
    let mut c = cursor(clean, file, parameters);
    if let Some(mark) = file.language.program_number
        && c.peek() == Some(mark as u8)
    {
        c.at += 1;
        block.says = true;
        return program_number(&mut c, block);
    }
    beginning(&mut c, file, words, block)?;
    loop {
        pass_over(&mut c, file);
        let Some(letter) = c.peek() else {
            return Ok(());
        };
        c.at += 1;
        block.says = true;
        match letter {
            b'#' => setting(&mut c, block)?,
            b'n' => {
                return fault(
                    "bad-line-number",
                    "a line number stands first on its line, and once",
                );
            }
            b'o' if words.letter(b'o') => program_number(&mut c, block)?,
            b'a'..=b'z' => word(&mut c, letter, file, words, block)?,
            b'%' => return fault("percent", "% stands alone on its line"),
            other => {
                return fault(
                    "bad-character",
                    format!("\"{}\" begins no word", char::from(other)),
                );
            }
        }
    }
}

/// Passes over the places where comments stood.
fn skip_marks(c: &mut Cursor<'_>) {
    while c.peek() == Some(MARK) {
        c.at += 1;
    }
}

/// Passes over what separates words.
fn pass_over(c: &mut Cursor<'_>, file: &DialectFile) {
    skip_marks(c);
    while file.lines.separator == Separator::Comma && c.peek() == Some(b',') {
        c.at += 1;
        skip_marks(c);
    }
}

/// What may stand only at a line's beginning: the mark of a line that may be skipped, and the line's number.
fn beginning(
    c: &mut Cursor<'_>,
    file: &DialectFile,
    words: &Words,
    block: &mut Block,
) -> Result<(), Fault> {
    skip_marks(c);
    if c.peek() == Some(b'/') && c.at == 0 {
        c.at += 1;
        if !file.language.block_delete {
            return fault(
                "not-in-dialect",
                "the dialect has no lines that begin with /",
            );
        }
        block.deletable = true;
        skip_marks(c);
    }
    if c.peek() == Some(b'n') {
        line_number(c, words)?;
    }
    Ok(())
}

/// A parameter that is set, after its #.
fn setting(c: &mut Cursor<'_>, block: &mut Block) -> Result<(), Fault> {
    let index = c.parameter_index()?;
    if c.peek() != Some(b'=') {
        return fault("bad-parameter", "\"=\" is expected after a parameter");
    }
    c.at += 1;
    let value = c.value()?;
    block.settings.push((index, value));
    Ok(())
}

/// The number of the program, after its O, alone on its line. Not in the published language, but in many controls.
fn program_number(c: &mut Cursor<'_>, block: &mut Block) -> Result<(), Fault> {
    let alone = block.present == 0 && block.g.iter().all(Option::is_none);
    let number = whole(c.value()?).filter(|n| (0..=LARGEST_PROGRAM).contains(n));
    skip_marks(c);
    if !alone || number.is_none() || c.peek().is_some() {
        return fault(
            "program-number",
            "a program's number is O (or what the dialect has for it) and up to eight digits, alone on its line",
        );
    }
    block.program_number = true;
    Ok(())
}

/// A word, after its letter.
fn word(
    c: &mut Cursor<'_>,
    letter: u8,
    file: &DialectFile,
    words: &Words,
    block: &mut Block,
) -> Result<(), Fault> {
    let shown = char::from(letter).to_ascii_uppercase();
    if !PUBLISHED_LETTERS.contains(&letter) {
        return fault("unknown-word", format!("{shown} begins no word"));
    }
    if !words.letter(letter) {
        return fault("not-in-dialect", format!("the dialect has no word {shown}"));
    }
    let value = c.value()?;
    let counts = file.numbers.lengths == Lengths::Counts;
    if counts && b"xyzijkrq".contains(&letter) && c.said_point {
        return fault(
            "point-in-count",
            format!("{shown} has a point, although lengths are whole numbers of the least step"),
        );
    }
    if value.abs() >= TOO_LARGE {
        return fault("bad-value", format!("the value {value} is too large"));
    }
    if file.language.point_required && b"xyzijkrq".contains(&letter) && !c.said_point {
        return fault(
            "no-point",
            format!("{shown} has no point: the controller would count it in its least step"),
        );
    }
    match letter {
        b'g' => g_word(value, words, block),
        b'm' => m_word(value, words, block),
        _ if block.has(letter) => {
            fault("repeated-word", format!("{shown} stands twice on the line"))
        }
        _ => {
            block.present |= 1 << (letter - b'a');
            block.values[usize::from(letter - b'a')] = value;
            Ok(())
        }
    }
}

/// N and one to five digits, nothing else.
fn line_number(c: &mut Cursor<'_>, words: &Words) -> Result<(), Fault> {
    if !words.letter(b'n') {
        return fault("not-in-dialect", "the dialect has no line numbers");
    }
    c.at += 1;
    let begin = c.at;
    while c.peek().is_some_and(|b| b.is_ascii_digit()) {
        c.at += 1;
    }
    let digits = c.at - begin;
    if digits == 0 || digits > 5 || c.peek() == Some(b'.') {
        return fault(
            "bad-line-number",
            "a line number is N and one to five digits",
        );
    }
    Ok(())
}

fn g_word(value: f64, words: &Words, block: &mut Block) -> Result<(), Fault> {
    let tenths = whole(value * 10.0).and_then(|v| u16::try_from(v).ok());
    let Some((tenths, group)) = tenths.and_then(|t| Some((t, g_group(t)?))) else {
        return fault("unknown-word", format!("there is no G{value}"));
    };
    if !words.g(tenths) {
        return fault(
            "not-in-dialect",
            format!("the dialect has no G{}", f64::from(tenths) / 10.0),
        );
    }
    let slot = &mut block.g[usize::from(group)];
    if let Some(other) = slot {
        return fault(
            "two-of-one-group",
            format!(
                "G{} and G{} exclude each other on one line",
                f64::from(*other) / 10.0,
                f64::from(tenths) / 10.0
            ),
        );
    }
    *slot = Some(tenths);
    Ok(())
}

fn m_word(value: f64, words: &Words, block: &mut Block) -> Result<(), Fault> {
    let code = whole(value).and_then(|v| u16::try_from(v).ok());
    let group = |c: u16| words.spindle.group(c).or_else(|| m_group(c));
    let Some((code, group)) = code.and_then(|c| Some((c, group(c)?))) else {
        return fault("unknown-word", format!("there is no M{value}"));
    };
    if !words.m(code) {
        return fault("not-in-dialect", format!("the dialect has no M{code}"));
    }
    // M7 and M8 may be on together (table 4).
    let group = if code == 8 { 10 } else { usize::from(group) };
    if let Some(other) = block.m[group] {
        return fault(
            "two-of-one-group",
            format!("M{other} and M{code} exclude each other on one line"),
        );
    }
    if code == 9 && block.m[10].is_some() || code == 8 && block.m[8] == Some(9) {
        return fault(
            "two-of-one-group",
            "M8 and M9 exclude each other on one line",
        );
    }
    if block.m.iter().flatten().count() == MOST_M {
        return fault("too-many-m", "a line holds at most four M words");
    }
    block.m[group] = Some(code);
    Ok(())
}
