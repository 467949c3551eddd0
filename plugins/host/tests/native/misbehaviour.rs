//! Plugins that go wrong without ending the process: each is told apart, named, and costs its own call only.

use crate::{built, head, read};
use grainway_geom::point;
use grainway_host::{Library, load};
use grainway_pipeline::dialect::{Dialect, DialectError, ReadEnd, Written};
use grainway_pipeline::doc::Unit;
use grainway_pipeline::motion::{Item, Move};
use grainway_pipeline::stage::Cancel;
use misbehaving::{DIALECTS, FINE, KILLERS};
use std::io::Write;
use std::sync::Arc;
use std::time::{Duration, Instant};

fn library() -> Library {
    load(&built("misbehaving")).unwrap()
}

fn dialect(library: &Library, name: &str) -> Arc<dyn Dialect> {
    let mut all = library.dialects().into_iter();
    all.find(|d| d.about().name == name).unwrap()
}

fn items() -> Vec<Item> {
    vec![Item::Move(Move::rapid(point(1.0, 2.0).at_z(3.0)))]
}

fn written(dialect: &dyn Dialect) -> (Result<Written, DialectError>, Vec<u8>) {
    let mut text = Vec::new();
    let written = dialect.write(&head(Unit::Mm), &mut items().into_iter(), &mut text);
    (written, text)
}

#[test]
fn each_misbehaviour_is_named_and_costs_its_call_only() {
    let library = library();
    let fine = dialect(&library, FINE);
    let place = "of plugin misbehaving (libmisbehaving.so) ";
    for (name, what) in [
        ("counts-badly", "says that it wrote 3 lines; it wrote 2"),
        (
            "endless",
            "writes without end: more than 4194304 bytes for 0 items",
        ),
        ("ends-early", "writes text that is not UTF-8"),
        ("garbage", "writes text that is not UTF-8"),
        ("no-figures", "returned without figures of the text"),
        ("other-thread", "says that the host failed; it did not"),
        ("panics", "panicked: on purpose"),
        ("panics-at-end", "panicked when its instance ended"),
        ("unknown-code", "returned the unknown code 99"),
        ("unknown-kind", "writes something of the unknown kind 77"),
    ] {
        let (result, _) = written(dialect(&library, name).as_ref());
        match result {
            Err(DialectError::Plugin(said)) => {
                assert_eq!(said, format!("dialect {name} {place}{what}"));
            }
            other => panic!("{name}: {other:?}"),
        }
        let (after, text) = written(fine.as_ref());
        assert!(after.is_ok() && !text.is_empty(), "after {name}: {after:?}");
    }
}

#[test]
fn readers_that_misbehave_are_named() {
    let library = library();
    for (name, what) in [
        (
            "reads-badly",
            "reports something of the unknown kind 4711 in line 0",
        ),
        ("reads-nan", "reports a position of NaN in line 1"),
        (
            "reads-undeclared",
            "reports a fault \"never-named\" in line 1 that its description does not name",
        ),
    ] {
        let (_, end) = read(dialect(&library, name).as_ref(), "a line\n");
        match end {
            ReadEnd::Io(said) => assert!(said.ends_with(what), "{said}"),
            other => panic!("{name}: {other:?}"),
        }
    }
    assert!(dialect(&library, "panics").reader().is_none());
}

/// A disk that is full.
struct Full;

impl Write for Full {
    fn write(&mut self, _: &[u8]) -> std::io::Result<usize> {
        Err(std::io::ErrorKind::StorageFull.into())
    }
    fn flush(&mut self) -> std::io::Result<()> {
        Ok(())
    }
}

#[test]
fn a_full_disk_counts_even_when_the_plugin_does_not_care() {
    let library = library();
    for name in [FINE, "ignores-errors"] {
        let dialect = dialect(&library, name);
        let result = dialect.write(&head(Unit::Mm), &mut items().into_iter(), &mut Full);
        match result {
            Err(DialectError::Io(e)) => assert_eq!(e.kind(), std::io::ErrorKind::StorageFull),
            other => panic!("{name}: {other:?}"),
        }
    }
}

#[test]
fn a_panic_of_the_host_goes_through_to_the_host() {
    let library = library();
    let fine = dialect(&library, FINE);
    let mut items = std::iter::from_fn(|| -> Option<Item> { panic!("the host's own") });
    let caught = std::panic::catch_unwind(std::panic::AssertUnwindSafe(|| {
        fine.write(&head(Unit::Mm), &mut items, &mut Vec::new())
    }));
    let words = caught.unwrap_err();
    assert_eq!(words.downcast_ref::<&str>(), Some(&"the host's own"));
    assert!(written(fine.as_ref()).0.is_ok());
}

#[test]
fn cancel_ends_a_program_that_never_ends() {
    let library = library();
    let cancel = Arc::new(Cancel::default());
    let mut all = library.dialects_with(&cancel).into_iter();
    let fine = all.find(|d| d.about().name == FINE).unwrap();
    let flag = Arc::clone(&cancel);
    let setter = std::thread::spawn(move || {
        std::thread::sleep(Duration::from_millis(50));
        flag.set();
        Instant::now()
    });
    let mut endless = std::iter::repeat_with(|| items().remove(0));
    let result = fine.write(&head(Unit::Mm), &mut endless, &mut std::io::sink());
    let took = setter.join().unwrap().elapsed();
    assert!(
        matches!(&result, Err(DialectError::Io(e)) if e.to_string() == "cancelled"),
        "{result:?}"
    );
    assert!(took < Duration::from_secs(1), "{took:?}");
}

#[test]
fn every_dialect_of_the_library_is_described_and_known() {
    let library = library();
    let names: Vec<String> = library
        .dialects()
        .iter()
        .map(|d| d.about().name.clone())
        .collect();
    assert_eq!(names, DIALECTS);
    assert!(KILLERS.iter().all(|k| DIALECTS.contains(k)));
}
