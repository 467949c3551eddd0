//! The example dialect in Rust and in C: two builds of one language must write the same bytes and read the same moves.

use crate::{example, only_dialect, read, write};
use grainway_host::programs::{Random, program};
use grainway_host::{Library, load};
use grainway_pipeline::dialect::{Dialect, DialectError};
use grainway_pipeline::doc::Unit;
use grainway_pipeline::motion::Item;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::{Arc, OnceLock};

/// The C example, built with the script that its authors use.
pub(crate) fn c_file(name: &str) -> PathBuf {
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("../examples/sentences-c/build");
    let folder = PathBuf::from(env!("CARGO_TARGET_TMPDIR"));
    // Tests may run in processes and threads of their own: each builds under a name of its own.
    let out = folder.join(format!("{name}-{}.so", std::process::id()));
    let run = Command::new(script).arg(&out).output().unwrap();
    assert!(
        run.status.success(),
        "{}",
        String::from_utf8_lossy(&run.stderr)
    );
    out
}

fn c_library() -> Library {
    static LOADED: OnceLock<Library> = OnceLock::new();
    let loaded = LOADED.get_or_init(|| {
        let file = c_file("sentences-c");
        let library = load(&file).unwrap();
        crate::refusals::remove(&file);
        library
    });
    loaded.clone()
}

fn both() -> [Arc<dyn Dialect>; 2] {
    [
        only_dialect(&example("sentences_rust")),
        only_dialect(&c_library()),
    ]
}

/// Every kind of item stands in the programs that are compared.
fn kinds(items: &[Item]) -> std::collections::BTreeSet<String> {
    let name = |i: &Item| match i {
        Item::Move(m) => format!("{m:?}")
            .split([' ', '{'])
            .next()
            .unwrap()
            .to_string(),
        Item::Spindle(None) => "stop".into(),
        other => format!("{other:?}")
            .split([' ', '(', '{'])
            .next()
            .unwrap()
            .to_string(),
    };
    items.iter().map(name).collect()
}

#[test]
fn they_write_the_same_bytes_and_read_the_same_moves() {
    let [rust, c] = both();
    let mut all = std::collections::BTreeSet::new();
    for unit in [Unit::Mm, Unit::Inch] {
        for seed in 1..=20 {
            let items = program(seed, seed % 2 == 0, 12);
            all.extend(kinds(&items));
            let (text, written) = write(rust.as_ref(), unit, &items).unwrap();
            let (text_c, written_c) = write(c.as_ref(), unit, &items).unwrap();
            assert_eq!(text, text_c, "{unit:?} seed {seed}");
            assert_eq!(written, written_c, "{unit:?} seed {seed}");
            assert_eq!(
                read(rust.as_ref(), &text),
                read(c.as_ref(), &text),
                "{unit:?} seed {seed}"
            );
        }
    }
    let wanted = [
        "Arc",
        "Cutter",
        "Dwell",
        "Hole",
        "Label",
        "Line",
        "Pause",
        "Rapid",
        "RetractFull",
        "Spindle",
        "Step",
        "stop",
    ];
    assert_eq!(all.iter().map(String::as_str).collect::<Vec<_>>(), wanted);
}

#[test]
fn they_find_the_same_faults_in_damaged_texts() {
    let [rust, c] = both();
    let items = program(2, true, 4);
    let (text, _) = write(rust.as_ref(), Unit::Mm, &items).unwrap();
    let mut r = Random::new(7);
    let mut faults = 0;
    for case in 0..400 {
        let mut bytes = text.clone().into_bytes();
        for _ in 0..=r.below(3) {
            let at = r.below(bytes.len() as u64) as usize;
            match r.below(5) {
                0 => bytes[at] = b'\n',
                1 => bytes[at] = (32 + r.below(95)) as u8,
                2 => bytes[at] = r.below(256) as u8,
                3 => {
                    bytes.remove(at);
                }
                _ => bytes.truncate(at.max(1)),
            }
        }
        if case % 40 == 0 {
            let at = bytes.len().min(100);
            bytes.splice(at..at, std::iter::repeat_n(b'x', 5000));
        }
        let moves = |d: &dyn Dialect| {
            let mut seen = Vec::new();
            let end = d.reader().unwrap().read(&mut bytes.as_slice(), &mut |m| {
                seen.push(m);
                std::ops::ControlFlow::Continue(())
            });
            (seen, end)
        };
        let (a, b) = (moves(rust.as_ref()), moves(c.as_ref()));
        assert_eq!(a, b, "case {case}");
        faults +=
            a.0.iter()
                .filter(|m| format!("{:?}", m.action).starts_with("Fault"))
                .count();
    }
    assert!(faults > 200, "{faults}");
}

#[test]
fn they_refuse_the_same() {
    let [rust, c] = both();
    let mut items = program(1, false, 2);
    items.push(items[2].clone());
    for dialect in [rust, c] {
        match write(dialect.as_ref(), Unit::Mm, &items) {
            Err(DialectError::Unsupported { what, remedy, .. }) => {
                assert_eq!(what, "a cutter change by hand inside a program");
                assert_eq!(remedy, "write one program a cutter");
            }
            other => panic!("{other:?}"),
        }
    }
}
