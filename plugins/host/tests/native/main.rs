//! Native plugins, loaded for real: what they write, what they refuse, and what the host makes of bad ones.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod both;
mod conformance;
mod misbehaviour;
mod readme;
mod refusals;
mod sentences;
mod stages;
mod whole_job;

use grainway_host::{Library, load};
use grainway_pipeline::dialect::{Dialect, DialectError, ProgramHead, ReadEnd, ReadMove, Written};
use grainway_pipeline::doc::Unit;
use grainway_pipeline::motion::Item;
use std::ops::ControlFlow;
use std::path::PathBuf;
use std::sync::Arc;

/// The file of an example that cargo built for these tests: libraries lie beside the tests' own program.
pub(crate) fn built(name: &str) -> PathBuf {
    let mut path = std::env::current_exe().unwrap();
    path.pop();
    path.push(format!("lib{name}.so"));
    assert!(path.is_file(), "{} was not built", path.display());
    path
}

pub(crate) fn example(name: &str) -> Library {
    load(&built(name)).unwrap()
}

pub(crate) fn only_dialect(library: &Library) -> Arc<dyn Dialect> {
    let mut dialects = library.dialects();
    assert_eq!(dialects.len(), 1);
    dialects.remove(0)
}

pub(crate) fn head(unit: Unit) -> ProgramHead {
    ProgramHead {
        name: "01-board-1".into(),
        number: 1,
        remarks: vec![
            "zero: X0 Y0 at the lower left corner of the wood".into(),
            "\"quoted\" \\ and\ttabs, marks: ä × °, a\nline".into(),
        ],
        unit,
        safe_z: grainway_host::programs::SAFE,
    }
}

pub(crate) fn write(
    dialect: &dyn Dialect,
    unit: Unit,
    items: &[Item],
) -> Result<(String, Written), DialectError> {
    let mut text = Vec::new();
    let written = dialect.write(&head(unit), &mut items.iter().cloned(), &mut text)?;
    Ok((String::from_utf8(text).unwrap(), written))
}

pub(crate) fn read(dialect: &dyn Dialect, text: &str) -> (Vec<ReadMove>, ReadEnd) {
    let mut seen = Vec::new();
    let end = dialect
        .reader()
        .unwrap()
        .read(&mut text.as_bytes(), &mut |m| {
            seen.push(m);
            ControlFlow::Continue(())
        });
    (seen, end)
}
