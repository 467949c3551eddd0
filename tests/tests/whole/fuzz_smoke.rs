//! The fuzz targets over mutated inputs, without a fuzzer: a few seconds that show that the targets work and that the ordinary slips
//! are taken. `./test fuzz` runs them for as long as one likes.

use grainway_tests::fuzz::{TARGETS, Target};
use grainway_tests::fuzz_seeds::{Random, mutated, seeds};
use std::panic::{AssertUnwindSafe, catch_unwind};

/// Takes the target through its seeds and so many changes of them.
fn smoke(name: &str, runs: u64) {
    let target: &Target = TARGETS.iter().find(|t| t.name == name).unwrap();
    let inputs = seeds(name).unwrap();
    assert!(inputs.len() >= 3, "{name} has {} seeds", inputs.len());
    for seed in &inputs {
        (target.run)(seed);
    }
    for n in 0..runs {
        let bytes = mutated(&inputs, target.words, &mut Random::new(n));
        let done = catch_unwind(AssertUnwindSafe(|| (target.run)(&bytes)));
        assert!(
            done.is_ok(),
            "{name}, change {n}: {}",
            String::from_utf8_lossy(&bytes)
        );
    }
}

#[test]
fn dialect_files_are_taken_or_refused() {
    smoke("dialect_file", 8_000);
}

#[test]
fn programs_are_read_whatever_they_hold() {
    smoke("program_reader", 20_000);
}

#[test]
fn drawings_are_read_whatever_they_hold() {
    smoke("drawing", 2_000);
}

#[test]
fn documents_are_read_whatever_they_hold() {
    smoke("job_json", 2_000);
}

#[test]
fn plugins_are_borne_whatever_they_do() {
    smoke("plugin_boundary", 20_000);
}

/// Random bytes, which no seed resembles.
#[test]
fn noise_is_refused() {
    for target in TARGETS {
        for n in 0..200 {
            let noise =
                [vec![0u8], n.to_string().into_bytes(), vec![b'['; 9000]].map(|v| v.repeat(n % 3));
            (target.run)(&mutated(&noise, target.words, &mut Random::new(n as u64)));
        }
    }
}

/// The fuzz targets are a workspace of their own, which nothing else builds: their manifest names the crates that their code uses.
#[test]
fn the_fuzz_targets_need_what_they_use() {
    let root = grainway_tests::root();
    let manifest = std::fs::read_to_string(root.join("tests/fuzz/Cargo.toml")).unwrap();
    let code = std::fs::read_to_string(root.join("tests/src/fuzz.rs")).unwrap();
    let used: std::collections::BTreeSet<String> = code
        .split(|c: char| !(c.is_alphanumeric() || c == '_'))
        .filter(|w| w.starts_with("grainway_"))
        .map(|w| w.replace('_', "-"))
        .collect();
    assert!(used.len() >= 4, "{used:?}");
    for name in used {
        assert!(
            manifest.contains(&format!("\n{name} = ")),
            "{name} is missing"
        );
    }
}
