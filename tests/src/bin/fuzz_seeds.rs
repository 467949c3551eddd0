//! Writes what fuzzing begins with: `corpus/TARGET/*` and `dictionaries/TARGET`, in the folder that is named or in `tests/fuzz`.

#![allow(
    clippy::disallowed_methods,
    reason = "seeds for a fuzzer are no artifacts of a job"
)]

use grainway_tests::fuzz::TARGETS;
use grainway_tests::{fuzz_seeds::seeds, root};
use std::path::PathBuf;

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let folder = std::env::args()
        .nth(1)
        .map_or_else(|| root().join("tests/fuzz"), PathBuf::from);
    let dictionaries = folder.join("dictionaries");
    std::fs::create_dir_all(&dictionaries)?;
    for target in TARGETS {
        let corpus = folder.join("corpus").join(target.name);
        std::fs::create_dir_all(&corpus)?;
        for (n, seed) in seeds(target.name)?.iter().enumerate() {
            std::fs::write(corpus.join(format!("seed-{n:03}")), seed)?;
        }
        // libFuzzer's form: a word a line in double quotes, other characters by their code.
        let quoted = |word: &str| -> String {
            let inner: String = word
                .bytes()
                .map(|b| match b {
                    b'"' | b'\\' | 0..0x20 | 0x7f.. => format!("\\x{b:02x}"),
                    _ => char::from(b).to_string(),
                })
                .collect();
            format!("\"{inner}\"\n")
        };
        let words: String = target.words.iter().map(|w| quoted(w)).collect();
        std::fs::write(dictionaries.join(target.name), words)?;
    }
    Ok(())
}
