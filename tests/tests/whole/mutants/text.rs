//! Words of a text, and chance that can be replayed.

/// A linear congruential generator (Knuth's MMIX constants), begun by a word.
pub struct Random(u64);

impl Random {
    pub fn of(word: &str) -> Random {
        // FNV-1a.
        let seed = word.bytes().fold(0xcbf2_9ce4_8422_2325_u64, |h, b| {
            (h ^ u64::from(b)).wrapping_mul(0x0100_0000_01b3)
        });
        Random(seed)
    }
    fn next(&mut self) -> u64 {
        self.0 = self
            .0
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        self.0 >> 33
    }
    /// From 0 to before `n`.
    pub fn below(&mut self, n: usize) -> usize {
        (self.next() % n.max(1) as u64) as usize
    }
    pub fn one<'a, T>(&mut self, all: &'a [T]) -> Option<&'a T> {
        all.get(self.below(all.len()))
    }
    /// 0.05 to 10, as often small as large, with either sign.
    pub fn step(&mut self) -> f64 {
        let steps = [0.05, 0.06, 0.1, 0.2, 0.5, 1.0, 3.0, 10.0];
        let sign = if self.below(2) == 0 { -1.0 } else { 1.0 };
        sign * steps[self.below(steps.len())]
    }
}

/// A word of a line: letter and number, and where it stands.
#[derive(Clone, Copy, Debug)]
pub struct Word {
    pub letter: char,
    pub value: f64,
    pub from: usize,
    pub to: usize,
}

/// A line outside its remarks.
#[derive(Clone, Debug)]
pub struct Line {
    pub words: Vec<Word>,
    /// Nothing but a remark.
    pub remark: bool,
}

impl Line {
    pub fn of(text: &str) -> Line {
        let mut words: Vec<Word> = Vec::new();
        let mut inside = false;
        let bytes = text.as_bytes();
        let mut i = 0;
        while i < bytes.len() {
            match bytes[i] {
                b'(' => inside = true,
                b')' => inside = false,
                c if !inside && c.is_ascii_alphabetic() => {
                    let number = |b: &u8| b.is_ascii_digit() || b".-+".contains(b);
                    let digits = bytes[i + 1..].iter().take_while(|b| number(b)).count();
                    let to = i + 1 + digits;
                    if let Ok(value) = text[i + 1..to].parse() {
                        words.push(Word {
                            letter: char::from(c).to_ascii_uppercase(),
                            value,
                            from: i,
                            to,
                        });
                        i = to;
                        continue;
                    }
                }
                _ => {}
            }
            i += 1;
        }
        Line {
            remark: words.is_empty() && text.starts_with('('),
            words,
        }
    }
    pub fn word(&self, letter: char) -> Option<Word> {
        self.words.iter().find(|w| w.letter == letter).copied()
    }
    pub fn has(&self, letter: char, value: f64) -> bool {
        self.words
            .iter()
            .any(|w| w.letter == letter && (w.value - value).abs() < 1e-9)
    }
    pub fn has_any(&self, letter: char, values: &[f64]) -> bool {
        values.iter().any(|v| self.has(letter, *v))
    }
    pub fn moves(&self) -> bool {
        "XYZ".chars().any(|l| self.word(l).is_some())
    }
}

/// What is in force before a line.
#[derive(Clone, Copy, Debug, Default)]
pub struct Force {
    /// 0 to 3, or a cycle's number.
    pub motion: f64,
    pub at: [f64; 3],
    /// rev/min; 0 while the spindle stands.
    pub rpm: f64,
    pub feed: f64,
    pub inch: bool,
    pub cutter: f64,
}

/// The lines with what is in force before each.
pub fn read(lines: &[String]) -> Vec<(Line, Force)> {
    let mut force = Force {
        at: [f64::NAN; 3],
        ..Force::default()
    };
    let mut speed = 0.0;
    let mut out = Vec::with_capacity(lines.len());
    for text in lines {
        let line = Line::of(text);
        out.push((line.clone(), force));
        let machine = line.has('G', 53.0);
        for w in &line.words {
            match w.letter {
                'G' if w.value <= 3.0 || (w.value > 79.0 && w.value < 90.0) => {
                    force.motion = w.value;
                }
                'G' if [20.0, 70.0].contains(&w.value) => force.inch = true,
                'F' => force.feed = w.value,
                'S' => speed = w.value,
                'T' => force.cutter = w.value,
                'M' if (w.value - 3.0).abs() < 1e-9 => force.rpm = speed,
                'M' if [5.0, 6.0].contains(&w.value) => force.rpm = 0.0,
                'X' => force.at[0] = w.value,
                'Y' => force.at[1] = w.value,
                'Z' if machine => force.at[2] = f64::INFINITY,
                'Z' => force.at[2] = w.value,
                _ => {}
            }
        }
        if line.has('M', 0.0) || line.has('M', 6.0) {
            force.at = [f64::NAN; 3];
        }
    }
    out
}

/// The text with a word's number replaced.
pub fn with(text: &str, word: Word, number: &str) -> String {
    format!("{}{number}{}", &text[..=word.from], &text[word.to..])
}

/// A number as texts write it: a point always, no zeros behind it.
pub fn number(v: f64) -> String {
    let text = format!("{v:.5}");
    text.trim_end_matches('0').to_string()
}

/// The text with one line replaced by others.
pub fn replaced(lines: &[String], at: usize, by: &[String]) -> Vec<String> {
    let (before, after) = lines.split_at(at);
    [before, by, &after[1..]].concat()
}
