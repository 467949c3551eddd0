//! What an author relies on: a dialect can be tried without a host, and a build that aborts on panic is refused.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use grainway_sdk::{
    Dialect, Head, Item, Items, Lines, Move, Out, ReadEnd, Seen, Stop, Unit, Written,
};
use std::path::Path;
use std::process::Command;

struct Counts;

impl Dialect for Counts {
    fn write(
        &mut self,
        head: &Head,
        items: &mut Items<'_>,
        out: &mut Out<'_>,
    ) -> Result<Written, Stop> {
        let mut written = Written::default();
        while let Some(item) = items.next()? {
            if let Item::Move(_) = item {
                written.moves += 1;
            }
        }
        out.line(&format!("{} moves in {}", written.moves, head.name))?;
        written.lines = out.lines();
        Ok(written)
    }
    fn read(&mut self, lines: &mut Lines<'_>, _: &mut Seen<'_>) -> Result<ReadEnd, Stop> {
        while lines.next()?.is_some() {}
        Ok(ReadEnd {
            lines: lines.count(),
            ended: false,
        })
    }
}

#[test]
fn a_dialect_is_tried_without_a_host() {
    let head = Head {
        name: "01".into(),
        number: 1,
        remarks: Vec::new(),
        unit: Unit::Mm,
        safe_z: 20.0,
    };
    let mut items = [
        Item::Label("start"),
        Item::Move(Move::Rapid {
            to: [1.0, 2.0, 3.0],
        }),
        Item::Move(Move::Rapid {
            to: [4.0, 2.0, 3.0],
        }),
    ]
    .into_iter();
    let mut text = Vec::new();
    let mut take = |piece: &[u8]| text.extend_from_slice(piece);
    let mut out = Out::given(&mut take);
    let written = Counts
        .write(&head, &mut Items::given(&mut items), &mut out)
        .unwrap();
    out.flush().unwrap();
    assert_eq!((written.moves, written.lines), (2, 1));
    assert_eq!(text, b"2 moves in 01\n");
}

#[test]
fn lines_end_where_they_end() {
    let text = b"one\r\ntwo\n\nfour";
    let mut lines = Lines::given(text);
    let mut seen = Vec::new();
    while let Some(line) = lines.next().unwrap() {
        seen.push((
            line.number,
            String::from_utf8(line.bytes.to_vec()).unwrap(),
            line.cut,
        ));
    }
    let wanted = [(1, "one"), (2, "two"), (3, ""), (4, "four")];
    assert_eq!(seen, wanted.map(|(n, l)| (n, l.to_string(), false)));
    let long = vec![b'x'; Lines::LONGEST + 5];
    let mut lines = Lines::given(&long);
    let line = lines.next().unwrap().unwrap();
    assert!(line.cut);
    assert_eq!(line.bytes.len(), Lines::LONGEST);
    assert!(lines.next().unwrap().is_none());
}

#[test]
fn a_build_that_aborts_on_panic_is_refused() {
    let source = Path::new(env!("CARGO_MANIFEST_DIR")).join("src/unwind.rs");
    let built = |panic: &str| {
        let rustc = std::env::var("RUSTC").unwrap_or_else(|_| "rustc".into());
        let run = Command::new(rustc)
            .args([
                "--edition=2024",
                "--crate-type=rlib",
                "--emit=metadata",
                "-Adead_code",
                "-C",
            ])
            .arg(format!("panic={panic}"))
            .arg("--out-dir")
            .arg(env!("CARGO_TARGET_TMPDIR"))
            .arg(&source)
            .output()
            .unwrap();
        (run.status.success(), String::from_utf8(run.stderr).unwrap())
    };
    assert_eq!(built("unwind"), (true, String::new()));
    let (done, words) = built("abort");
    assert!(!done);
    assert!(
        words.contains("must be built with panic = \"unwind\""),
        "{words}"
    );
}
