//! A small reader of four languages and of RS-274, written here by hand from the descriptions in `tests/cases/dialect/README.md`. It
//! shares nothing with the dialects' own readers and knows only what the checked programs may hold; anything else is a panic.

/// Chords of an arc lie at most this far from it, mm.
const SAGITTA_MM: f64 = 0.0001;
/// Between pecks a cycle comes down fast to this far above the last bottom, mm.
const BACK_OFF_MM: f64 = 0.254;

pub type Place = [f64; 3];

/// How a language of words says things.
#[derive(Clone, Copy, Default)]
pub struct Words {
    /// Whole numbers are thousandths of a millimetre.
    pub counts: bool,
    /// Fractions stand behind a comma.
    pub comma: bool,
    /// Remarks run from ; to the end of the line.
    pub semicolon: bool,
    /// Arcs are said by their radius, under half a turn.
    pub radius: bool,
}

/// The cuts of a program, in order: the ends of straight pieces, each with where it began.
#[derive(Default)]
pub struct Cuts(pub Vec<(Place, Place)>);

struct Machine {
    at: [Option<f64>; 3],
    cuts: Cuts,
    motion: u32,
    cycle: [f64; 3],
}

impl Machine {
    fn new() -> Machine {
        Machine {
            at: [None; 3],
            cuts: Cuts::default(),
            motion: 99,
            cycle: [0.0; 3],
        }
    }
    fn place(&self) -> Place {
        self.at
            .map(|v| v.expect("a cut from a place that is not known"))
    }
    fn fast(&mut self, to: [Option<f64>; 3]) {
        for (now, to) in self.at.iter_mut().zip(to) {
            *now = to.or(*now);
        }
    }
    fn cut(&mut self, to: [Option<f64>; 3]) {
        let from = self.place();
        self.fast(to);
        self.cuts.0.push((from, self.place()));
    }
    fn arc(&mut self, to: [Option<f64>; 3], centre: [f64; 2], left: bool) {
        let from = self.place();
        let end = [0, 1, 2].map(|i| to[i].unwrap_or(from[i]));
        let [rx, ry] = [from[0] - centre[0], from[1] - centre[1]];
        let radius = rx.hypot(ry);
        let begin = ry.atan2(rx);
        let turned = (end[1] - centre[1]).atan2(end[0] - centre[0]) - begin;
        let turn = std::f64::consts::TAU;
        let mut sweep = if left { turned } else { -turned }.rem_euclid(turn);
        if sweep < 1e-9 {
            sweep = turn;
        }
        let most = 2.0 * (1.0 - (SAGITTA_MM / radius).min(1.0)).acos();
        let pieces = (sweep / most).ceil().max(1.0) as u32;
        for k in 1..=pieces {
            let share = f64::from(k) / f64::from(pieces);
            let angle = begin + share * if left { sweep } else { -sweep };
            let (sin, cos) = angle.sin_cos();
            let on = [centre[0] + radius * cos, centre[1] + radius * sin];
            let z = from[2] + share * (end[2] - from[2]);
            let next = if k == pieces { end } else { [on[0], on[1], z] };
            self.cut(next.map(Some));
        }
    }
    fn drill(&mut self, x: Option<f64>, y: Option<f64>, peck: bool) {
        let [bottom, retract, bite] = self.cycle;
        self.fast([x, y, None]);
        self.fast([None, None, Some(retract)]);
        let mut depth = retract;
        loop {
            depth = if peck {
                (depth - bite).max(bottom)
            } else {
                bottom
            };
            self.cut([None, None, Some(depth)]);
            self.fast([None, None, Some(retract)]);
            if depth <= bottom + 1e-6 {
                return;
            }
            self.fast([None, None, Some((depth + BACK_OFF_MM).min(retract))]);
        }
    }
}

/// The words of a line: letters and numbers.
fn words(line: &str, how: Words) -> Vec<(char, f64)> {
    let line = match how.semicolon {
        true => line.split(';').next().unwrap(),
        false => line,
    };
    let line: String = match line.starts_with('(') {
        true => String::new(),
        false => line.chars().filter(|c| !c.is_whitespace()).collect(),
    };
    let mut words = Vec::new();
    let mut rest = line.as_str();
    while let Some(letter) = rest.chars().next() {
        assert!(letter.is_ascii_uppercase(), "{line}");
        let number = &rest[1..];
        let end = number
            .find(|c: char| c.is_ascii_uppercase())
            .unwrap_or(number.len());
        let digits = &number[..end];
        assert!(
            !digits.contains(if how.comma { '.' } else { ',' }),
            "{line}"
        );
        let length = "XYZIJRQ".contains(letter);
        assert!(!(how.counts && length && digits.contains('.')), "{line}");
        let value: f64 = digits.replace(',', ".").parse().unwrap();
        let value = if how.counts && length {
            value / 1000.0
        } else {
            value
        };
        words.push((letter, value));
        rest = &number[end..];
    }
    words
}

/// Traces a program of words in millimetres.
pub fn trace_words(text: &str, how: Words) -> Cuts {
    let mut m = Machine::new();
    for line in text.lines() {
        if line == "%" || line.starts_with('O') {
            continue;
        }
        let words = words(line, how);
        let word = |letter: char| {
            let found = words.iter().find(|w| w.0 == letter);
            found.map(|w| w.1)
        };
        let has = |letter: char, code: f64| words.contains(&(letter, code));
        if has('G', 65.0) {
            // The length's macro: where the cutter stands after it is not known.
            m.at = [None; 3];
            continue;
        }
        if has('G', 4.0) {
            continue;
        }
        if has('G', 53.0) || has('G', 28.0) {
            assert_eq!((word('X'), word('Y'), word('Z')), (None, None, Some(0.0)));
            m.at[2] = Some(f64::INFINITY);
            m.motion = 99;
            continue;
        }
        if has('M', 6.0) || has('M', 0.0) {
            m.at = [None; 3];
        }
        for code in [0, 1, 2, 3, 80, 81, 83] {
            if has('G', f64::from(code)) {
                m.motion = code;
            }
        }
        for (slot, letter) in ['Z', 'R', 'Q'].into_iter().enumerate() {
            if m.motion > 80 && m.motion < 99 {
                m.cycle[slot] = word(letter).unwrap_or(m.cycle[slot]);
            }
        }
        let to = [word('X'), word('Y'), word('Z')];
        if to.iter().all(Option::is_none) {
            continue;
        }
        match m.motion {
            0 => m.fast(to),
            1 => m.cut(to),
            2 | 3 => {
                let left = m.motion == 3;
                let from = m.place();
                let centre = match how.radius {
                    true => {
                        let end = [to[0].unwrap_or(from[0]), to[1].unwrap_or(from[1])];
                        middle([from[0], from[1]], end, word('R').unwrap(), left)
                    }
                    false => [
                        from[0] + word('I').unwrap_or(0.0),
                        from[1] + word('J').unwrap_or(0.0),
                    ],
                };
                m.arc(to, centre, left);
            }
            81 => m.drill(to[0], to[1], false),
            83 => m.drill(to[0], to[1], true),
            other => panic!("{line}: a place after G{other}"),
        }
    }
    m.cuts
}

/// The centre of an arc under half a turn.
fn middle(from: [f64; 2], to: [f64; 2], radius: f64, left: bool) -> [f64; 2] {
    let chord = [to[0] - from[0], to[1] - from[1]];
    let half = 0.5 * chord[0].hypot(chord[1]);
    let height = (radius * radius - half * half).max(0.0).sqrt();
    let side = if left { height } else { -height } / (2.0 * half);
    [
        from[0] + 0.5 * chord[0] - side * chord[1],
        from[1] + 0.5 * chord[1] + side * chord[0],
    ]
}

/// Traces a program of the pen language with heights, in units of 0.01 mm.
pub fn trace_pen(text: &str) -> Cuts {
    let mut m = Machine::new();
    let (mut up, mut down) = (None, None);
    let mut ended = false;
    for line in text.lines() {
        assert!(!ended, "{line} after the end");
        if line.starts_with("CM \"") {
            assert!(line.ends_with("\";"), "{line}");
            continue;
        }
        for instruction in line.split_terminator(';') {
            let (word, numbers) = instruction.split_at(2);
            let numbers: Vec<f64> = numbers
                .split([',', ' '])
                .filter(|n| !n.is_empty())
                .map(|n| f64::from(n.parse::<i32>().unwrap()) / 100.0)
                .collect();
            match (word, numbers.as_slice()) {
                ("IN" | "PA" | "VS" | "VZ" | "RS" | "WT", _) => {}
                ("NR", []) => ended = true,
                ("ZH", [z]) => up = Some(*z),
                ("ZL", [z]) => down = Some(*z),
                ("PU", []) => m.fast([None, None, up]),
                ("PU", [x, y]) => {
                    assert_eq!(m.at[2], up, "{line}");
                    m.fast([Some(*x), Some(*y), None]);
                }
                ("PD", []) if m.at[2] == down => {}
                ("PD", []) => m.cut([None, None, down]),
                ("PD", [x, y]) => {
                    assert_eq!(m.at[2], down, "{line}");
                    m.cut([Some(*x), Some(*y), None]);
                }
                _ => panic!("{line}"),
            }
        }
    }
    assert!(ended);
    m.cuts
}

/// Every place of `one` is passed by `other` in this order, within `near` mm; the sentence says where it is not.
pub fn follows(one: &Cuts, other: &Cuts, near: f64) -> Result<f64, String> {
    let mut worst = 0.0_f64;
    let mut at = (0, 0.0);
    for (i, (from, to)) in one.0.iter().enumerate() {
        let middle = [0, 1, 2].map(|k| 0.5 * (from[k] + to[k]));
        for p in [from, &middle, to] {
            let found = (at.0..other.0.len()).find_map(|j| {
                let since = if j == at.0 { at.1 } else { 0.0 };
                let (t, d) = nearest(*p, other.0[j], since);
                (d <= near).then_some((j, t, d))
            });
            let Some((j, t, d)) = found else {
                let (_, d) = nearest(*p, other.0[at.0], at.1);
                return Err(format!(
                    "cut {i} of {}: {p:?} does not come after cut {} of {}, {:?}, which is {d} mm away",
                    one.0.len(),
                    at.0,
                    other.0.len(),
                    other.0[at.0]
                ));
            };
            at = (j, t);
            // Where it is passed is near the first place that is near enough.
            let about = &other.0[j..other.0.len().min(j + 40)];
            let nearby = about.iter().map(|piece| nearest(*p, *piece, 0.0).1);
            worst = worst.max(nearby.fold(d, f64::min));
        }
    }
    Ok(worst)
}

/// The share at or after `since` at which a straight piece is nearest to a place, and how near.
fn nearest(p: Place, (from, to): (Place, Place), since: f64) -> (f64, f64) {
    let along = [0, 1, 2].map(|k| to[k] - from[k]);
    let length: f64 = along.iter().map(|v| v * v).sum();
    let dot: f64 = (0..3).map(|k| (p[k] - from[k]) * along[k]).sum();
    let t = if length > 0.0 { dot / length } else { 0.0 }.clamp(since, 1.0);
    let off: f64 = (0..3)
        .map(|k| (from[k] + t * along[k] - p[k]).powi(2))
        .sum();
    (t, off.sqrt())
}
