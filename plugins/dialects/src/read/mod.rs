//! Reads programs back, as a controller of the language would: nothing is taken from the writer but the data file.
//!
//! [`lex`] turns a line into a block of words, [`expression`] computes its numbers, [`run`] does what the block says.
//! [`roles`] holds a data file's words against what their keys say, [`lines`] its lines against what they may do.

mod expression;
mod lex;
mod lines;
mod roles;
mod run;

use crate::file::DialectFile;
use grainway_pipeline::dialect::{ReadEnd, ReadMove};
use grainway_pipeline::doc::Problem;
use std::io::BufRead;
use std::ops::ControlFlow;

/// What a data file's words and lines do that they must not.
pub fn problems(file: &DialectFile) -> Vec<Problem> {
    let mut found = roles::problems(file);
    for problem in lines::problems(file) {
        // One sentence about a word is enough.
        if found.iter().all(|p| p.pointer != problem.pointer) {
            found.push(problem);
        }
    }
    found
}

/// Longest line that is kept; the rest of a longer one is counted and dropped. Far above any language's limit.
const KEPT: usize = 8192;

/// What the dialect's data file allows, ready to look up.
#[derive(Debug)]
pub struct Words {
    /// Bit n is set when the n-th letter of the alphabet begins words.
    letters: u32,
    /// G codes in tenths, sorted.
    g: Vec<u16>,
    /// M codes, sorted.
    m: Vec<u16>,
    /// What switches the spindle.
    spindle: roles::SpindleCodes,
}

impl Words {
    /// Of a data file.
    pub fn of(file: &DialectFile) -> Words {
        let mut g: Vec<u16> = file
            .language
            .g
            .iter()
            .filter_map(|text| text.parse::<f64>().ok())
            .map(|v| (v * 10.0).round() as u16)
            .collect();
        g.sort_unstable();
        let mut m = file.language.m.clone();
        m.sort_unstable();
        let letters = file
            .language
            .letters
            .bytes()
            .filter(u8::is_ascii_uppercase)
            .fold(0, |set, b| set | 1 << (b - b'A'));
        Words {
            letters,
            g,
            m,
            spindle: roles::SpindleCodes::of(file),
        }
    }
    fn letter(&self, letter: u8) -> bool {
        self.letters & (1 << (letter - b'a')) != 0
    }
    fn g(&self, tenths: u16) -> bool {
        self.g.binary_search(&tenths).is_ok()
    }
    /// The dialect has a word that ends a program.
    fn ends(&self) -> bool {
        self.m(2) || self.m(30)
    }
    fn m(&self, code: u16) -> bool {
        self.m.binary_search(&code).is_ok()
    }
}

/// Something that the language does not allow or this reader refuses.
#[derive(Clone, Debug, PartialEq)]
struct Fault {
    code: &'static str,
    message: String,
}

/// A fault with a sentence.
fn fault<T>(code: &'static str, message: impl Into<String>) -> Result<T, Fault> {
    Err(Fault {
        code,
        message: message.into(),
    })
}

/// Where a text stands between its marks.
#[derive(Clone, Copy, PartialEq)]
enum Frame {
    /// Nothing but blank lines so far.
    Start,
    /// Inside a program that began with %.
    Marked,
    /// Inside a program that did not.
    Plain,
    /// After the second %.
    Closed,
}

/// Reads a text to its end or until the receiver breaks.
pub fn read(
    file: &DialectFile,
    words: &Words,
    text: &mut dyn BufRead,
    receive: &mut dyn FnMut(ReadMove) -> ControlFlow<()>,
) -> ReadEnd {
    let mut lines = LineReader::new(text);
    let mut reading = Reading {
        file,
        words,
        run: run::Run::new(file, words.spindle, receive),
        block: lex::Block::default(),
        parameters: expression::Parameters::default(),
        frame: Frame::Start,
        begun: false,
    };
    loop {
        match lines.next() {
            Ok(true) => {}
            Ok(false) => break,
            Err(e) => return ReadEnd::Io(e.to_string()),
        }
        reading.run.line = lines.number;
        reading.line(&lines);
        if reading.run.stopped {
            return ReadEnd::Stopped;
        }
    }
    reading.run.line = lines.number;
    reading.end();
    if reading.run.stopped {
        return ReadEnd::Stopped;
    }
    ReadEnd::Complete {
        lines: lines.number,
        ended: reading.run.ended,
    }
}

/// A text that is being read.
struct Reading<'a> {
    file: &'a DialectFile,
    words: &'a Words,
    run: run::Run<'a>,
    block: lex::Block,
    parameters: expression::Parameters,
    frame: Frame,
    /// Words were said.
    begun: bool,
}

impl Reading<'_> {
    fn line(&mut self, lines: &LineReader<'_>) {
        if self.frame == Frame::Closed {
            return;
        }
        let limit = match self.file.lines.length {
            0 => KEPT,
            length => length.min(KEPT),
        };
        if lines.length > limit {
            let length = lines.length;
            self.run.complain(
                "line-too-long",
                format!("the line has {length} characters, {limit} are allowed"),
            );
        } else if lex::is_percent(&lines.line) {
            self.percent();
        } else {
            self.words_of(&lines.line);
        }
    }

    /// A line of % begins the program, or ends it.
    fn percent(&mut self) {
        if !self.file.language.percent {
            self.run
                .complain("not-in-dialect", "the dialect has no lines of %");
            return;
        }
        match self.frame {
            Frame::Start => self.frame = Frame::Marked,
            Frame::Marked => {
                if !self.run.ended && self.words.ends() {
                    self.run.complain(
                        "no-end",
                        "the program is not ended by M2 or M30 before its last line of %",
                    );
                }
                self.run.end();
                self.frame = Frame::Closed;
            }
            Frame::Plain | Frame::Closed => self.run.complain(
                "percent",
                "a line of % although the text did not begin with one",
            ),
        }
    }

    fn words_of(&mut self, line: &[u8]) {
        let end = self.file.lines.block_end;
        let trimmed = line.trim_ascii_end();
        let (line, ended) = match (end, trimmed) {
            (Some(end), [block @ .., last]) if u32::from(*last) == u32::from(end) => (block, true),
            _ => (line, end.is_none()),
        };
        let read = lex::lex(
            line,
            self.file,
            self.words,
            &mut self.parameters,
            &mut self.block,
        );
        if self.frame == Frame::Start && (read.is_err() || !self.block.blank) {
            self.frame = Frame::Plain;
        }
        let begun = self.begun;
        self.begun |= self.block.says;
        if read.is_ok() && !ended && self.block.says && !self.block.program_number {
            self.run.complain(
                "no-block-end",
                "a block does not end as blocks of the dialect do",
            );
        }
        match read {
            Ok(()) if self.block.program_number && begun => self.run.complain(
                "program-number",
                "a program's number stands before all its words, and once",
            ),
            Ok(()) => self.run.block(&self.block),
            Err(f) => self.run.fault(f),
        }
    }

    /// After the last line.
    fn end(&mut self) {
        match self.frame {
            Frame::Marked => self.run.complain(
                "percent",
                "the text begins with a line of % and must end with another",
            ),
            Frame::Plain | Frame::Start if !self.run.ended => self.run.complain(
                "no-end",
                "the program does not end: neither M2 nor M30, nor lines of % around it",
            ),
            _ => {}
        }
    }
}

/// Lines that end with CR, LF or both, each kept up to a limit so that a text without line ends cannot fill the memory.
pub(crate) struct LineReader<'a> {
    text: &'a mut dyn BufRead,
    pub(crate) line: Vec<u8>,
    /// Characters of the line, kept or not.
    pub(crate) length: usize,
    pub(crate) number: u64,
    /// The last line ended with CR; an LF that follows belongs to it.
    after_cr: bool,
}

impl<'a> LineReader<'a> {
    pub(crate) fn new(text: &'a mut dyn BufRead) -> LineReader<'a> {
        LineReader {
            text,
            line: Vec::with_capacity(256),
            length: 0,
            number: 0,
            after_cr: false,
        }
    }
    /// The next line; `false` at the end.
    pub(crate) fn next(&mut self) -> std::io::Result<bool> {
        self.line.clear();
        self.length = 0;
        loop {
            let bytes = match self.text.fill_buf() {
                Ok(bytes) => bytes,
                Err(e) if e.kind() == std::io::ErrorKind::Interrupted => continue,
                Err(e) => return Err(e),
            };
            if bytes.is_empty() {
                let some = self.length > 0;
                self.number += u64::from(some);
                return Ok(some);
            }
            if self.after_cr {
                self.after_cr = false;
                if bytes[0] == b'\n' {
                    self.text.consume(1);
                    continue;
                }
            }
            let end = bytes.iter().position(|b| *b == b'\n' || *b == b'\r');
            let part = &bytes[..end.unwrap_or(bytes.len())];
            let room = (KEPT + 1).saturating_sub(self.line.len());
            self.line.extend_from_slice(&part[..part.len().min(room)]);
            self.length += part.len();
            let used = match end {
                Some(at) => {
                    self.after_cr = bytes[at] == b'\r';
                    at + 1
                }
                None => part.len(),
            };
            self.text.consume(used);
            if end.is_some() {
                self.number += 1;
                return Ok(true);
            }
        }
    }
}
