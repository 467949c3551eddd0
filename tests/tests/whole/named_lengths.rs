//! Lengths that are counted against an independent evaluator: `tests/python/judge/lengths.py`, Python's own parser over exact fractions.

use grainway_pipeline::doc::read_job;
use grainway_tests::{python, root};
use serde_json::{Value, json};
use std::io::Write;
use std::process::Stdio;

/// So many texts in each unit.
const TEXTS: usize = 1_000;
/// Below this, in mm or none, floating point may be far from exact fractions, or see another sign of a divisor.
const DOUBTFUL_DIVISOR: f64 = 1e-3;
/// Lengths beyond it are refused when a document is read, mm.
const LARGEST_MM: f64 = 100_000.0;
const NAMES: [(&str, f64); 4] = [
    ("top", 340.0),
    ("top-rail", 62.5),
    ("leg_2", 45.3),
    ("stock.ash-22", 22.1),
];

/// A seeded sequence (SplitMix64, Steele and others 2014).
struct Seeded(u64);

impl Seeded {
    fn below(&mut self, n: u64) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        (z ^ (z >> 31)) % n
    }
    fn space(&mut self) -> &'static str {
        ["", " ", "  "][self.below(3) as usize]
    }
    fn one(&mut self) -> String {
        let n = self.below(400);
        match self.below(9) {
            0 | 1 => format!("{}.{}mm", n, self.below(100)),
            2 => format!("{}/{}in", 1 + n % 31, 1 << self.below(6)),
            3 => format!("{} {}/8in", n % 20, self.below(9)),
            4 => format!("{}", n % 12),
            5 => format!("{}.5", n % 6),
            _ => NAMES[self.below(4) as usize].0.to_string(),
        }
    }
    /// A text that often comes to a length; units are wrong now and then.
    fn text(&mut self, depth: u64) -> String {
        if depth == 0 {
            return self.one();
        }
        let a = self.text(depth - 1);
        let (before, after) = (self.space(), self.space());
        match self.below(12) {
            0..=2 => format!("{a}{before}+{after}{}", self.text(depth - 1)),
            // Before a minus there is a space: the rule of names.
            3 | 4 => format!("{a} -{after}{}", self.text(depth - 1)),
            5 | 6 => format!("{a}{before}*{after}{}", self.one()),
            7 => format!("{a}{before}/{after}{}", self.one()),
            8 => format!("({a}){before}*{after}{}", self.below(5)),
            9 => format!("-{after}({a})"),
            10 => format!("min({a},{after}{})", self.text(depth - 1)),
            _ => format!("max({a}{before},{}, {})", self.one(), self.text(depth - 1)),
        }
    }
}

/// What a job in `unit` comes to for a text; `None` where it is refused.
fn counted(text: &str, unit: &str) -> Option<f64> {
    let mut lengths = json!({ "asked": text });
    for (name, mm) in NAMES.iter().filter(|(n, _)| !n.starts_with("stock.")) {
        lengths[*name] = json!(format!("{mm}mm"));
    }
    let job = json!({
        "format": "grainway.job/1", "name": "counted", "shop": "shop.json", "unit": unit, "lengths": lengths,
        "stocks": { "ash-22": { "wood": "ash", "thickness": ["21.9mm", "22.1mm"] } },
        "parts": [{ "id": "rail", "stock": "ash-22", "blank": { "length": "600mm", "width": "60mm" } }]
    });
    let job = read_job(job.to_string().as_bytes()).ok()?;
    Some(job.lengths["asked"].mm())
}

/// mm, and the divisor nearest to 0, by the reference.
fn reference(texts: &[String], unit: &str) -> Vec<(Option<f64>, Option<f64>)> {
    let names: Value = NAMES
        .iter()
        .map(|(n, mm)| (n.to_string(), json!(mm)))
        .collect();
    let mut child = python()
        .arg(root().join("tests/python/lengths_reference.py"))
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    let asked = json!({ "unit": unit, "names": names, "texts": texts });
    let mut to = child.stdin.take().unwrap();
    to.write_all(asked.to_string().as_bytes()).unwrap();
    drop(to);
    let output = child.wait_with_output().unwrap();
    assert!(output.status.success());
    serde_json::from_slice(&output.stdout).unwrap()
}

#[test]
fn lengths_are_counted_as_exact_fractions_are() {
    let mut seeded = Seeded(14);
    for unit in ["mm", "in"] {
        let texts: Vec<String> = (0..TEXTS).map(|i| seeded.text(i as u64 % 4)).collect();
        let (mut lengths, mut refused, mut doubtful) = (0, 0, 0);
        for (text, (exact, divisor)) in texts.iter().zip(reference(&texts, unit)) {
            if divisor.is_some_and(|d| d < DOUBTFUL_DIVISOR && exact.is_some()) {
                doubtful += 1;
                continue;
            }
            let exact = exact.filter(|mm| mm.abs() <= LARGEST_MM);
            let own = counted(text, unit);
            match (own, exact) {
                (Some(own), Some(exact)) => {
                    let off = (own - exact).abs();
                    assert!(
                        off <= 1e-9 * exact.abs().max(1.0),
                        "{text}: {own}, not {exact}"
                    );
                    lengths += 1;
                }
                (None, None) => refused += 1,
                // What is 0 exactly may be a little beside it.
                (Some(_), None) if divisor == Some(0.0) => doubtful += 1,
                _ => panic!("{text} in {unit}: {own:?}, not {exact:?}"),
            }
        }
        assert!(
            lengths > TEXTS / 3 && refused > TEXTS / 20,
            "{lengths} {refused}"
        );
        assert!(doubtful < TEXTS / 50, "{doubtful}");
    }
}
