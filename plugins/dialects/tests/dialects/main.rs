//! Tests of the dialects from outside: published checks, round trips, an independent grammar, faults.

// The whole binary is a test; the lints' leave for tests covers marked functions only.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::float_cmp
)]

mod cases;
mod conforming;
mod faults;
mod grammar;
mod pen;
mod published;
mod round_trip;
mod writing;

use grainway_dialects::{built_in, from_json};
use grainway_pipeline::dialect::{Action, Dialect, ProgramHead, ReadEnd, ReadMove, Written};
use grainway_pipeline::doc::Unit;
use grainway_pipeline::motion::Item;
use std::ops::ControlFlow;

/// The events of a text.
pub fn read(dialect: &dyn Dialect, text: &str) -> Vec<ReadMove> {
    let mut events = Vec::new();
    let end = dialect
        .reader()
        .unwrap()
        .read(&mut text.as_bytes(), &mut |m| {
            events.push(m);
            ControlFlow::Continue(())
        });
    assert!(matches!(end, ReadEnd::Complete { .. }), "{end:?}");
    events
}

/// The events of a text in a built-in dialect. Published programs leave the path mode to the controller, so it is not asked for here.
pub fn read_as(name: &str, text: &str) -> Vec<ReadMove> {
    let any_path = format!(
        r#"{{"format": "grainway.dialect/1", "name": "{name}", "version": 1, "extends": "{name}", "summary": "", "path-mode": null}}"#
    );
    match name {
        "rs274-ngc" => read(from_json(&any_path).unwrap().as_ref(), text),
        _ => read(built_in().get(name).unwrap(), text),
    }
}

/// Faults among events, as (line, code).
pub fn faults(events: &[ReadMove]) -> Vec<(u64, &'static str)> {
    events
        .iter()
        .filter_map(|e| match &e.action {
            Action::Fault { code, .. } => Some((e.line, *code)),
            _ => None,
        })
        .collect()
}

/// A program's text and what the writer said of it.
pub fn write(dialect: &dyn Dialect, unit: Unit, items: &[Item]) -> (String, Written) {
    let head = ProgramHead {
        name: "01-board-1".into(),
        number: 1,
        remarks: vec!["job: reading bench (café)".into()],
        unit,
        safe_z: 25.0,
    };
    let mut out = Vec::new();
    let written = dialect
        .write(&head, &mut items.iter().cloned(), &mut out)
        .unwrap();
    (String::from_utf8(out).unwrap(), written)
}
