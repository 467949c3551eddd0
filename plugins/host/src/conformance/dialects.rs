//! Checks of dialects: those that hold for any, and those of the C interface.

use super::{CANCEL_PATIENCE, CANCEL_WITHIN, Found, Trial, Verdict, grows, memory_kb, must_refuse};
use crate::library::Library;
use crate::native::{Failed, Handing, NativeDialect};
use crate::programs::{Random, SAFE, cut_by, farthest, planned, program};
use grainway_dialects::conformance::Outcome;
use grainway_geom::{Point, point};
use grainway_pipeline::dialect::{
    Action, Dialect, DialectError, ProgramHead, ReadEnd, ReadMove, Written,
};
use grainway_pipeline::doc::Unit;
use grainway_pipeline::motion::{Item, Move, Spindle, StepStart};
use grainway_pipeline::stage::Cancel;
use grainway_pipeline::work::sha256_hex;
use std::cell::Cell;
use std::io::{self, BufRead, Read, Write};
use std::ops::ControlFlow;
use std::sync::{Arc, Mutex, PoisonError};
use std::thread;
use std::time::{Duration, Instant};

/// What a text may lie beside its plan besides its own rounding, mm: the project's limit on text against plan.
const READ_BACK_MM: f64 = grainway_pipeline::tolerance::TEXT_AGAINST_PLAN_MM;
/// Moves of the huge program.
const HUGE: u64 = 1_000_000;
/// Memory that the huge program may add at its peak, kB: neither its items (80 MB) nor its text fit in.
const HUGE_KB: u64 = 32 * 1024;

fn head(unit: Unit) -> ProgramHead {
    ProgramHead {
        name: "01-board-1".into(),
        number: 1,
        remarks: vec![
            "zero: X0 Y0 at the lower left corner of the wood".into(),
            "\"quoted\", (brackets); a % sign, \\ and\ta tab, ä × °, two\nlines".into(),
            String::new(),
            "long ".repeat(100),
        ],
        unit,
        safe_z: SAFE,
    }
}

/// Programs that every dialect is tried with, by name. `by_machine`: cutters are changed by the machine.
pub fn item_sets(by_machine: bool) -> Vec<(&'static str, Vec<Item>)> {
    let mut sets = vec![
        ("empty", Vec::new()),
        (
            "one-move",
            vec![Item::Move(Move::rapid(point(10.0, 20.0).at_z(SAFE)))],
        ),
    ];
    for seed in 1..=6 {
        sets.push(("every-kind", program(seed, by_machine, 8)));
    }
    sets
}

fn written(
    dialect: &dyn Dialect,
    unit: Unit,
    items: &[Item],
) -> Result<(Vec<u8>, Written), DialectError> {
    let mut text = Vec::new();
    let written = dialect.write(&head(unit), &mut items.iter().cloned(), &mut text)?;
    Ok((text, written))
}

/// Counts what is written and keeps none of it.
#[derive(Default)]
struct Counting(Arc<Mutex<u64>>);

impl Write for Counting {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        let mut count = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        *count += bytes.len() as u64;
        Ok(bytes.len())
    }
    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

/// A disk that is full after so many bytes.
struct FullAfter(usize);

impl Write for FullAfter {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        if self.0 == 0 {
            return Err(io::ErrorKind::StorageFull.into());
        }
        let n = bytes.len().min(self.0);
        self.0 -= n;
        Ok(n)
    }
    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

/// A program of many short lines.
fn huge(moves: u64) -> impl Iterator<Item = Item> {
    let start = [
        Item::RetractFull { safe_z: SAFE },
        Item::Spindle(Some(Spindle {
            rpm: 18000.0,
            clockwise: true,
        })),
        Item::Step(StepStart {
            number: 1,
            label: "huge".into(),
        }),
        Item::Move(Move::rapid(point(0.0, 0.0).at_z(SAFE))),
    ];
    start.into_iter().chain((0..moves).map(|k| {
        let (row, column) = (k / 1000, k % 1000);
        Item::Move(Move::line(
            point(column as f64 * 0.5, row as f64 * 0.25).at_z(-1.0),
            2400.0,
        ))
    }))
}

fn both_units() -> [Unit; 2] {
    [Unit::Mm, Unit::Inch]
}

/// A program of the checks, and what was written of it.
struct Text {
    /// Its name and unit, for people.
    place: String,
    unit: Unit,
    items: Vec<Item>,
    bytes: Vec<u8>,
    written: Written,
}

type Texts = Arc<Vec<Text>>;

pub(super) fn generic_rows(dialect: &Arc<dyn Dialect>, trial: &mut Trial) {
    let d = Arc::clone(dialect);
    let texts = trial.check("programs", trial.deadline, move || {
        let texts = programs(d.as_ref())?;
        Ok((format!("{} programs written", texts.len()), texts))
    });
    let Some(texts) = texts else {
        trial.row("same-bytes", Verdict::Skipped, "no program was written");
        trial.row("read-back", Verdict::Skipped, "no program was written");
        return;
    };
    let hashes = texts.iter().map(|t| sha256_hex(&t.bytes));
    trial.hashes.extend(hashes);
    let texts: Texts = Arc::new(texts);
    type Check = fn(&dyn Dialect, &[Text]) -> Found;
    let mut checks: Vec<(&str, Check)> = vec![
        ("same-bytes", same_bytes),
        ("huge", |d, _| huge_program(d)),
        ("full-disk", full_disk),
    ];
    let reading: [(&str, Check); 3] = [
        ("read-back", all_read_back),
        ("language", |d, _| language(d)),
        ("damaged-texts", damaged_texts),
    ];
    let reads = dialect.reader().is_some();
    if reads {
        checks.extend(reading);
    }
    for (check, found) in checks {
        let (d, t) = (Arc::clone(dialect), Arc::clone(&texts));
        trial.plain(check, move || found(d.as_ref(), &t));
    }
    if !reads {
        for (check, _) in reading {
            let why = "its texts cannot be read back: programs are withheld unless the shop accepts them unverified";
            trial.row(check, Verdict::Skipped, why);
        }
    }
}

/// Every program of the checks, written in both units.
fn programs(d: &dyn Dialect) -> Result<Vec<Text>, String> {
    let mut texts = Vec::new();
    for unit in both_units() {
        for (name, items) in item_sets(d.about().cutter_change) {
            let place = format!("{name} in {}", unit.word());
            let (bytes, written) = match written(d, unit, &items) {
                Ok(done) => done,
                Err(e) if may_lack(d, &e) => continue,
                Err(e) => return Err(format!("{place}: {e}")),
            };
            let lines = std::str::from_utf8(&bytes)
                .map_err(|_| format!("{place}: the text is not UTF-8"))?
                .lines()
                .count();
            if lines as u64 != written.lines {
                return Err(format!(
                    "{place}: says {} lines, wrote {lines}",
                    written.lines
                ));
            }
            texts.push(Text {
                place,
                unit,
                items,
                bytes,
                written,
            });
        }
    }
    match texts.is_empty() {
        true => Err("not one program could be written".into()),
        false => Ok(texts),
    }
}

fn same_bytes(d: &dyn Dialect, texts: &[Text]) -> Found {
    let again = || {
        texts.iter().try_for_each(|t| {
            let place = &t.place;
            let (now, figures) =
                written(d, t.unit, &t.items).map_err(|e| format!("{place}: {e}"))?;
            match now == t.bytes && figures == t.written {
                true => Ok(()),
                false => Err(format!("{place}: the same input gave another text")),
            }
        })
    };
    again()?;
    thread::scope(|s| {
        let others: Vec<_> = (0..2).map(|_| s.spawn(again)).collect();
        others
            .into_iter()
            .try_for_each(|o| o.join().unwrap_or(Err("a thread panicked".into())))
    })?;
    Ok("the same input gave the same bytes, on three threads".into())
}

/// A program of a million moves is written while it is read, and not held.
fn huge_program(d: &dyn Dialect) -> Found {
    let mut count = Counting::default();
    let early = Arc::clone(&count.0);
    let mut handed = 0u64;
    let mut streams = false;
    let mut items = huge(HUGE).inspect(|_| {
        handed += 1;
        if handed == HUGE / 2 {
            streams = *early.lock().unwrap_or_else(PoisonError::into_inner) > 0;
        }
    });
    let (_, peak_before) = memory_kb();
    let start = Instant::now();
    let done = d.write(&head(Unit::Mm), &mut items, &mut count);
    drop(items);
    if let Err(e) = done {
        if may_lack(d, &e) {
            return Ok(format!("cannot be tried: {e}"));
        }
        return Err(e.to_string());
    }
    let (_, peak) = memory_kb();
    if !streams {
        return Err(
            "holds the whole program: not a byte came before half of its items were asked for"
                .into(),
        );
    }
    let grown = peak.saturating_sub(peak_before);
    if grown > HUGE_KB {
        return Err(format!("takes {grown} kB of memory for a million moves"));
    }
    Ok(format!(
        "a million moves in {:.1} s, memory bounded",
        start.elapsed().as_secs_f64()
    ))
}

fn full_disk(d: &dyn Dialect, texts: &[Text]) -> Found {
    for t in texts {
        let place = &t.place;
        for room in [0, t.bytes.len() / 2, t.bytes.len() - 1] {
            let mut disk = FullAfter(room);
            match d.write(&head(t.unit), &mut t.items.iter().cloned(), &mut disk) {
                Err(DialectError::Io(_)) => {}
                Err(e) => return Err(format!("{place}: a full disk became: {e}")),
                Ok(_) => return Err(format!("{place}: a full disk was not noticed")),
            }
        }
    }
    Ok("a full disk ends the program".into())
}

fn all_read_back(d: &dyn Dialect, texts: &[Text]) -> Found {
    let mut worst: f64 = 0.0;
    for t in texts {
        let off = read_back(d, &t.items, &t.bytes, &t.written)
            .map_err(|what| format!("{}: {what}", t.place))?;
        worst = worst.max(off);
    }
    Ok(format!(
        "every text reads back; the farthest point lies {worst:.4} mm off its plan"
    ))
}

/// The checks that a dialect as data passes too.
fn language(d: &dyn Dialect) -> Found {
    let table = grainway_dialects::conformance::conformance(d);
    let failed = table.rows.iter().filter(|r| r.outcome == Outcome::Failed);
    let wrong: Vec<String> = failed
        .map(|r| format!("{}: {}", r.check, r.detail))
        .collect();
    match wrong.is_empty() {
        true => Ok(format!(
            "{} checks that a dialect as data passes too",
            table.rows.len()
        )),
        false => Err(wrong.join("; ")),
    }
}

fn damaged_texts(d: &dyn Dialect, texts: &[Text]) -> Found {
    let mut r = Random::new(11);
    let mut cases = 0;
    for t in texts {
        for _ in 0..40 {
            let damaged = damaged(&t.bytes, &mut r);
            cases += 1;
            if let (_, ReadEnd::Io(what)) = read(d, &damaged) {
                return Err(format!("{}, damaged: {what}", t.place));
            }
        }
    }
    Ok(format!("{cases} damaged texts were read to their ends"))
}

/// The error only says what the description says already.
fn may_lack(dialect: &dyn Dialect, error: &DialectError) -> bool {
    let about = dialect.about();
    let whole = about.pauses && about.spindle && about.decimals_inch > 0;
    matches!(error, DialectError::Unsupported { .. }) && !whole
}

fn read(dialect: &dyn Dialect, text: &[u8]) -> (Vec<ReadMove>, ReadEnd) {
    let mut seen = Vec::new();
    let Some(reader) = dialect.reader() else {
        return (seen, ReadEnd::Io("there is no reader".into()));
    };
    let end = reader.read(&mut &*text, &mut |m| {
        seen.push(m);
        ControlFlow::Continue(())
    });
    (seen, end)
}

/// Reads a text and compares it with what it was written from; the largest distance of a planned point from what was read, mm.
fn read_back(
    dialect: &dyn Dialect,
    items: &[Item],
    text: &[u8],
    written: &Written,
) -> Result<f64, String> {
    let (seen, end) = read(dialect, text);
    match end {
        ReadEnd::Complete { lines, ended } if lines == written.lines && ended => {}
        other => return Err(format!("reading ended with {other:?}")),
    }
    for m in &seen {
        match &m.action {
            Action::Fault { code, message } => {
                return Err(format!("line {}: {code}: {message}", m.line));
            }
            Action::Line | Action::Arc { .. }
                if m.from.point().is_none() || m.to.point().is_none() =>
            {
                return Err(format!("line {}: cuts with an unknown position", m.line));
            }
            Action::Line | Action::Arc { .. } if m.feed.is_none_or(|f| f <= 0.0) => {
                return Err(format!("line {}: cuts without a feed", m.line));
            }
            _ => {}
        }
    }
    let steps: Vec<(u32, u64)> = seen
        .iter()
        .filter_map(|m| match m.action {
            Action::Step { number } => Some((number, m.line)),
            _ => None,
        })
        .collect();
    let wanted = items.iter().filter(|i| matches!(i, Item::Step(_))).count();
    if steps != written.restarts || steps.len() != wanted {
        return Err("the steps that were read are not those that were written".into());
    }
    let pauses = |seen: &[ReadMove]| {
        seen.iter()
            .filter(|m| matches!(m.action, Action::Pause { .. }))
            .count()
    };
    let wanted = items
        .iter()
        .filter(|i| matches!(i, Item::Pause { .. }))
        .count();
    if pauses(&seen) < wanted {
        return Err(format!("{} pauses were read of {wanted}", pauses(&seen)));
    }
    // Read paths are sampled at this step, so a point of a path lies at most half a step from a sample.
    let step = 0.01;
    let (plan, cut) = (planned(items, 0.7), cut_by(&seen, step));
    let off = farthest(&plan, &cut).max(farthest(&cut_by(&seen, 0.7), &planned(items, step)));
    let allowed = (READ_BACK_MM + written.rounding_mm).hypot(step / 2.0);
    match off <= allowed {
        true => Ok(off),
        false => Err(format!(
            "the text lies {off:.4} mm off its plan, more than {allowed:.4}"
        )),
    }
}

fn damaged(text: &[u8], r: &mut Random) -> Vec<u8> {
    let mut bytes = text.to_vec();
    for _ in 0..=r.below(4) {
        if bytes.is_empty() {
            break;
        }
        let at = r.below(bytes.len() as u64) as usize;
        match r.below(6) {
            0 => bytes[at] = b'\n',
            1 => bytes[at] = (32 + r.below(95)) as u8,
            2 => bytes[at] = r.below(256) as u8,
            3 => {
                bytes.remove(at);
            }
            4 => {
                bytes.splice(at..at, std::iter::repeat_n(b'9', 400));
            }
            _ => bytes.truncate(at),
        }
    }
    bytes
}

/// A text without an end.
struct Endless {
    text: Vec<u8>,
    at: usize,
}

impl Read for Endless {
    fn read(&mut self, into: &mut [u8]) -> io::Result<usize> {
        let piece = self.fill_buf()?;
        let n = piece.len().min(into.len());
        into[..n].copy_from_slice(&piece[..n]);
        self.consume(n);
        Ok(n)
    }
}

impl BufRead for Endless {
    fn fill_buf(&mut self) -> io::Result<&[u8]> {
        if self.at >= self.text.len() {
            self.at = 0;
        }
        Ok(&self.text[self.at..])
    }
    fn consume(&mut self, n: usize) {
        self.at += n;
    }
}

/// Moves and other items, each with one number that is not finite.
fn not_finite() -> Vec<Item> {
    let mut all = Vec::new();
    for bad in [f64::NAN, f64::INFINITY, f64::NEG_INFINITY] {
        let at = |k: usize| {
            let mut p = [10.0, 20.0, 5.0];
            p[k] = bad;
            point(p[0], p[1]).at_z(p[2])
        };
        for k in 0..3 {
            all.push(Item::Move(Move::rapid(at(k))));
            all.push(Item::Move(Move::line(at(k), 900.0)));
        }
        let arc = |centre: Point, sweep: f64, dz: f64, feed: f64| {
            Item::Move(Move::Arc {
                centre,
                sweep,
                dz,
                feed,
            })
        };
        let hole = |at: Point, retract: f64, bottom: f64, peck: f64, feed: f64| {
            Item::Move(Move::Hole {
                at,
                retract,
                bottom,
                peck: Some(peck),
                feed,
            })
        };
        let p = point(10.0, 20.0);
        all.extend([
            Item::Move(Move::line(point(1.0, 1.0).at_z(1.0), bad)),
            arc(point(bad, 0.0), 1.0, 0.0, 900.0),
            arc(point(0.0, bad), 1.0, 0.0, 900.0),
            arc(p, bad, 0.0, 900.0),
            arc(p, 1.0, bad, 900.0),
            arc(p, 1.0, 0.0, bad),
            hole(point(bad, 0.0), 5.0, -5.0, 2.0, 300.0),
            hole(point(0.0, bad), 5.0, -5.0, 2.0, 300.0),
            hole(p, bad, -5.0, 2.0, 300.0),
            hole(p, 5.0, bad, 2.0, 300.0),
            hole(p, 5.0, -5.0, bad, 300.0),
            hole(p, 5.0, -5.0, 2.0, bad),
            Item::Spindle(Some(Spindle {
                rpm: bad,
                clockwise: true,
            })),
            Item::Dwell { seconds: bad },
        ]);
    }
    all
}

/// What a dialect of the C interface must bear besides.
pub(super) fn native_rows(library: &Library, dialect: &Arc<NativeDialect>, trial: &mut Trial) {
    type Check = fn(&NativeDialect) -> Found;
    let checks: [(&str, Check); 4] = [
        ("bad-head", bad_head),
        ("wrong-size", wrong_size),
        ("not-finite", refuses_not_finite),
        ("stops-when-told", stops_when_told),
    ];
    for (check, found) in checks {
        let d = Arc::clone(dialect);
        trial.plain(check, move || found(&d));
    }
    cancel_rows(library, &dialect.about().name, trial);
    let d = Arc::clone(dialect);
    trial.plain("memory", move || {
        grows(|| {
            let items = program(1, d.about().cutter_change, 4);
            let done = written(d.as_ref(), Unit::Mm, &items);
            if let Ok((text, _)) = done
                && d.reader().is_some()
            {
                let _ = read(d.as_ref(), &text);
            }
        })
    });
}

/// Writes a program of two items and more, handed over in a way that the plugin must notice.
fn write_handed(
    d: &NativeDialect,
    more: Option<Item>,
    handing: Handing<'_>,
) -> Result<Written, Failed> {
    let start = [
        Item::RetractFull { safe_z: SAFE },
        Item::Move(Move::rapid(point(1.0, 2.0).at_z(SAFE))),
    ];
    let mut items = start.into_iter().chain(more);
    d.write_as(&head(Unit::Mm), &mut items, &mut io::sink(), handing)
}

fn bad_head(d: &NativeDialect) -> Found {
    let longer = format!("{{\"name\": \"{}\"", "x".repeat(100_000));
    let heads = [
        &b""[..],
        b"nonsense",
        b"[]",
        b"{}",
        b"{\"name\": \"a\", \"number\": 1, \"remarks\": [], \"unit\": \"ell\", \"safe_z\": 1.0}",
        b"{\"name\": \"a\", \"number\": -1, \"remarks\": [], \"unit\": \"mm\", \"safe_z\": 1.0}",
        b"{\"name\": \"a\", \"number\": 1, \"remarks\": [], \"unit\": \"mm\", \"safe_z\": null}",
        b"\xff\xfe",
        longer.as_bytes(),
    ];
    for bytes in heads {
        let handing = Handing {
            head: Some(bytes),
            ..Handing::default()
        };
        let shown: String = String::from_utf8_lossy(bytes).chars().take(100).collect();
        must_refuse(
            &format!("the head {shown:?}"),
            write_handed(d, None, handing),
        )?;
    }
    Ok("heads that cannot be read are refused".into())
}

fn wrong_size(d: &NativeDialect) -> Found {
    for size in [0, 8, 24] {
        let handing = Handing {
            size: Some(size),
            ..Handing::default()
        };
        must_refuse(
            &format!("a host's table of {size} bytes"),
            write_handed(d, None, handing),
        )?;
    }
    let handing = Handing {
        torn: true,
        ..Handing::default()
    };
    let label = Item::Label("a text that lies nowhere".into());
    must_refuse(
        "a text outside its batch",
        write_handed(d, Some(label), handing),
    )?;
    Ok("a table too small and a text outside its batch are refused".into())
}

fn refuses_not_finite(d: &NativeDialect) -> Found {
    let handing = Handing {
        raw: true,
        ..Handing::default()
    };
    for item in not_finite() {
        match write_handed(d, Some(item.clone()), handing) {
            Err(Failed::Refused(_) | Failed::Unsupported(_)) => {}
            Err(other) => return Err(format!("{item:?}: {}", other.sentence())),
            Ok(_) => return Err(format!("writes {item:?}")),
        }
    }
    Ok("numbers that are not finite are refused".into())
}

fn stops_when_told(d: &NativeDialect) -> Found {
    let deaf = Cell::new(0);
    let handing = Handing {
        deaf: Some(&deaf),
        ..Handing::default()
    };
    let mut items = huge(100_000);
    let result = d.write_as(&head(Unit::Mm), &mut items, &mut FullAfter(10_000), handing);
    match (result, deaf.get()) {
        (Err(Failed::Io(_)), 0) => Ok("a failed callback ends the call at once".into()),
        (Err(Failed::Io(_)), n) => Err(format!("goes on {n} times after a callback failed")),
        (Err(other), _) => Err(other.sentence()),
        (Ok(_), _) => Err("a full disk was not noticed".into()),
    }
}

/// Cancelling a program without an end, and the reading of a text without one.
fn cancel_rows(library: &Library, name: &str, trial: &mut Trial) {
    let native = |cancel: &Arc<Cancel>| {
        let mut all = library.native_dialects(cancel).into_iter();
        all.find(|d| d.about().name == name)
    };
    let cancel = Arc::new(Cancel::default());
    if let Some(d) = native(&cancel) {
        trial.check("cancel-writing", CANCEL_PATIENCE, move || {
            let mut endless = (0..).flat_map(|_| huge(1000));
            let h = head(Unit::Mm);
            let took = cancelled(&cancel, || {
                d.write_as(&h, &mut endless, &mut io::sink(), Handing::default())
                    .map(|_| ())
            })?;
            Ok((took, ()))
        });
    }
    let cancel = Arc::new(Cancel::default());
    if let Some(d) = native(&cancel).filter(|d| d.reader().is_some()) {
        trial.check("cancel-reading", CANCEL_PATIENCE, move || {
            // Texts of one program after the other: much of it is faults, all of it must be read.
            let items = program(1, d.about().cutter_change, 8);
            let plain = written(&d, Unit::Mm, &items);
            let (text, _) = plain.map_err(|e| e.to_string())?;
            let mut endless = Endless { text, at: 0 };
            let took = cancelled(&cancel, || {
                d.read_as(&mut endless, &mut |_| ControlFlow::Continue(()))
            })?;
            Ok((took, ()))
        });
    }
}

/// Sets the flag after a moment, and says how soon the call ended after that.
fn cancelled(
    cancel: &Arc<Cancel>,
    call: impl FnOnce() -> Result<(), Failed>,
) -> Result<String, String> {
    let flag = Arc::clone(cancel);
    let setter = thread::spawn(move || {
        thread::sleep(Duration::from_millis(50));
        flag.set();
        Instant::now()
    });
    let result = call();
    let took = setter.join().map_or(Duration::ZERO, |set| set.elapsed());
    match result {
        Err(Failed::Cancelled) if took <= CANCEL_WITHIN => Ok(format!(
            "ends {} ms after it was cancelled",
            took.as_millis()
        )),
        Err(Failed::Cancelled) => Err(format!(
            "ends {} ms after it was cancelled",
            took.as_millis()
        )),
        Err(other) => Err(other.sentence()),
        Ok(()) => Err("says that something without an end is done".into()),
    }
}
