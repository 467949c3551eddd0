//! An example of a native dialect: programs as plain sentences, which a table of words cannot describe.
//!
//! ```text
//! program 01-board-1, number 1, lengths in millimetres.
//! step 1: leg / m1.
//! turn the spindle clockwise at 18000 a minute.
//! rise to the top.
//! go over to x 12.5000 y 3.0000.
//! go to height z 25.0000.
//! cut straight to x 12.5000 y 3.0000 z -2.0000 at 900.0 a minute.
//! cut left about x 20.0000 y 3.0000 through 180.000000 degrees to x 27.5000 y 3.0000 z -2.0000 at 1200.0 a minute.
//! drill at x 40.0000 y 3.0000 from z 2.0000 down to z -9.0000 in pecks of 3.0000 at 300.0 a minute.
//! wait for the person: Turn the board over.
//! the program is done.
//! ```
//!
//! One sentence a line. Nothing stays in force but the position, the spindle and the cutter. An arc says how far it turns and where
//! it ends, so that whole turns and small rounded arcs stay unambiguous. The invented language is the example's own.

mod reader;
mod writer;

use grainway_sdk::{
    Description, Dialect, DialectAbout, Head, Items, Lines, Out, Plugin, ReadEnd, Seen, Stop,
    Written,
};

/// Name of the dialect.
pub const NAME: &str = "plain-sentences";

/// The faults that the reader reports, sorted.
pub const FAULTS: [&str; 8] = [
    "after-end",
    "arc-angle",
    "bad-depth",
    "line-too-long",
    "no-unit",
    "not-utf-8",
    "unknown-position",
    "unknown-sentence",
];

/// The dialect.
#[derive(Clone, Copy, Debug, Default)]
pub struct Sentences;

impl Dialect for Sentences {
    fn write(
        &mut self,
        head: &Head,
        items: &mut Items<'_>,
        out: &mut Out<'_>,
    ) -> Result<Written, Stop> {
        let mut writer = writer::Writer::new(head)?;
        writer.open(head, out)?;
        while let Some(item) = items.next()? {
            writer.item(&item, out)?;
        }
        writer.close(out)
    }
    fn read(&mut self, lines: &mut Lines<'_>, seen: &mut Seen<'_>) -> Result<ReadEnd, Stop> {
        let mut reader = reader::Reader::default();
        while let Some(line) = lines.next()? {
            reader.line(&line, seen)?;
        }
        Ok(ReadEnd {
            lines: lines.count(),
            ended: reader.ended(),
        })
    }
}

/// The library.
pub struct Library;

impl Plugin for Library {
    fn describe() -> Description {
        Description {
            name: "sentences-rust".into(),
            version: env!("CARGO_PKG_VERSION").into(),
            summary: "Programs as plain sentences; an example of a native dialect in Rust.".into(),
            uses: vec!["dialect-read".into()],
            dialects: vec![about(NAME)],
            ..Description::default()
        }
    }
    fn dialect(name: &str) -> Option<Box<dyn Dialect>> {
        (name == NAME).then(|| Box::new(Sentences) as _)
    }
}

/// The description of the dialect.
pub fn about(name: &str) -> DialectAbout {
    DialectAbout {
        name: name.into(),
        version: 1,
        summary: "Programs as plain English sentences, one a line. The controller must know absolute positions, arcs and \
            helices by centre, angle and end, drilling in pecks, a spindle and cutters that the program changes, and a \
            machine that knows its own top. Rapid moves go straight."
            .into(),
        ending: ".txt".into(),
        arcs: true,
        helices: true,
        cycles: true,
        cutter_change: true,
        pauses: true,
        spindle: true,
        straight_rapids: true,
        decimals_mm: 4,
        decimals_inch: 5,
        blocks_per_second: 200.0,
        reads: true,
        faults: FAULTS.map(String::from).to_vec(),
        ..DialectAbout::default()
    }
}

grainway_sdk::plugin!(Library);
