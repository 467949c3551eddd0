//! The conformance run: whether a native library keeps the rules that make it safe to install.
//!
//! It loads the library into the process that runs it, so run it in a child process with limits of its own: a library that crashes
//! there has failed. Checks run on a thread of their own with a deadline, so that a library that hangs is a row that says so and
//! not a run that never ends. Two runs in two processes must give the same [`Conformance::digest`].

use crate::library::{Library, LoadError, load};
use crate::native::{self, Failed, Handing, Instance, NativeDialect, NativeStage};
use crate::programs::{Random, SAFE, cut_by, farthest, planned, program};
use grainway_abi as abi;
use grainway_pipeline::dialect::{
    Action, Dialect, DialectError, ProgramHead, ReadEnd, ReadMove, Written,
};
use grainway_pipeline::doc::{Unit, ZZero, read_job, read_shop};
use grainway_pipeline::geom::{Contour, Placing, Point, Vertex, point};
use grainway_pipeline::motion::{Item, Move, Spindle, StepStart};
use grainway_pipeline::stage::{Cancel, Stage};
use grainway_pipeline::work::{
    Blobs, Documents, Entry, Grain, Operation, Part, Placement, Setup, SetupKind, Source, StepRef,
    Variant, Work, Workingstep, ZFrame, sha256_hex,
};
use serde::{Deserialize, Serialize};
use serde_json::json;
use std::cell::Cell;
use std::collections::{BTreeMap, BTreeSet};
use std::io::{self, BufRead, Read, Write};
use std::ops::ControlFlow;
use std::path::Path;
use std::sync::mpsc::{RecvTimeoutError, channel};
use std::sync::{Arc, Mutex, PoisonError};
use std::thread;
use std::time::{Duration, Instant};

/// A check that takes longer has hung.
pub const DEADLINE: Duration = Duration::from_secs(60);
/// How soon a call must end after it was cancelled.
const CANCEL_WITHIN: Duration = Duration::from_secs(1);
/// How long the cancel check waits for a plugin that does not hear it before it gives up.
const CANCEL_PATIENCE: Duration = Duration::from_secs(3);
/// Time that one description may take.
const DESCRIBE_WITHIN: Duration = Duration::from_millis(100);
/// Moves of the huge program.
const HUGE: u64 = 1_000_000;
/// Memory that the huge program may add at its peak, kB: neither its items (80 MB) nor its text fit in.
const HUGE_KB: u64 = 32 * 1024;
/// Runs over which memory is watched, and what it may grow by, kB.
const RUNS: u32 = 1_000;
const GROWTH_KB: u64 = 8 * 1024;
/// What a text may lie beside its plan besides its own rounding, mm: the project's limit on text against plan.
const READ_BACK_MM: f64 = grainway_pipeline::tolerance::TEXT_AGAINST_PLAN_MM;

/// How a check ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Verdict {
    /// The rule is kept.
    Passed,
    /// The rule is broken; the library is not fit for use.
    Failed,
    /// Does not apply, or could not be run; the detail says why.
    Skipped,
}

/// One check.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Row {
    /// What was checked: `library`, `dialect NAME`, `stage NAME`.
    pub subject: String,
    /// A stable word.
    pub check: String,
    /// How it ended.
    pub verdict: Verdict,
    /// One sentence.
    pub detail: String,
}

/// What the run found.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Conformance {
    /// The library's name; empty when it could not be loaded.
    pub library: String,
    /// The library's own version.
    pub version: String,
    /// SHA-256 over everything that it wrote for the fixed inputs. Two runs, in two processes, must agree.
    pub digest: String,
    /// The checks in the order in which they ran.
    pub rows: Vec<Row>,
}

impl Conformance {
    /// No check failed.
    pub fn passed(&self) -> bool {
        self.rows.iter().all(|r| r.verdict != Verdict::Failed)
    }
    /// The checks that failed.
    pub fn failed(&self) -> impl Iterator<Item = &Row> {
        self.rows.iter().filter(|r| r.verdict == Verdict::Failed)
    }
}

/// The outcome of a check's work: a detail, or what is wrong.
type Found = Result<String, String>;

/// Rows as they come.
struct Trial {
    subject: String,
    rows: Vec<Row>,
    /// Hashes of what was written for fixed inputs.
    hashes: Vec<String>,
    /// When a check has hung.
    deadline: Duration,
    /// A call never returned; nothing more can be asked of the library.
    stuck: bool,
}

impl Trial {
    fn new(subject: String, deadline: Duration) -> Trial {
        Trial {
            subject,
            rows: Vec::new(),
            hashes: Vec::new(),
            deadline,
            stuck: false,
        }
    }

    fn row(&mut self, check: &str, verdict: Verdict, detail: impl Into<String>) {
        self.rows.push(Row {
            subject: self.subject.clone(),
            check: check.into(),
            verdict,
            detail: detail.into(),
        });
    }

    /// Runs a check on a thread of its own; when it does not end in time, the thread is left behind and the trial is over.
    fn check<T: Send + 'static>(
        &mut self,
        check: &str,
        within: Duration,
        work: impl FnOnce() -> Result<(String, T), String> + Send + 'static,
    ) -> Option<T> {
        if self.stuck {
            self.row(check, Verdict::Skipped, "an earlier call never returned");
            return None;
        }
        let (done, result) = channel();
        let runner = thread::Builder::new()
            .name("conformance".into())
            .spawn(move || {
                // Nobody listens any more once the deadline has passed.
                let _ = done.send(work());
            });
        let runner = match runner {
            Ok(runner) => runner,
            Err(e) => {
                self.row(
                    check,
                    Verdict::Skipped,
                    format!("no thread could be started: {e}"),
                );
                return None;
            }
        };
        match result.recv_timeout(within) {
            Ok(found) => {
                let _ = runner.join();
                match found {
                    Ok((detail, value)) => {
                        self.row(check, Verdict::Passed, detail);
                        Some(value)
                    }
                    Err(what) => {
                        self.row(check, Verdict::Failed, what);
                        None
                    }
                }
            }
            Err(RecvTimeoutError::Timeout) => {
                self.stuck = true;
                let seconds = within.as_secs_f64();
                self.row(
                    check,
                    Verdict::Failed,
                    format!("did not return within {seconds} s"),
                );
                None
            }
            Err(RecvTimeoutError::Disconnected) => {
                let _ = runner.join();
                self.row(check, Verdict::Failed, "the check itself panicked");
                None
            }
        }
    }

    fn plain(&mut self, check: &str, work: impl FnOnce() -> Found + Send + 'static) {
        self.check(check, self.deadline, move || {
            work().map(|detail| (detail, ()))
        });
    }
}

/// Loads the library at `path` and checks it. Call it in a process of its own. A check that takes longer than `deadline` has hung
/// ([`DEADLINE`] is enough for any machine).
pub fn run(path: &Path, deadline: Duration) -> Conformance {
    let mut trial = Trial::new("library".into(), deadline);
    let (before_threads, before_files) = (threads(), descriptors());
    let path = path.to_path_buf();
    let loaded = trial.check("version", deadline, move || {
        let library = load(&path).map_err(|e: LoadError| e.to_string())?;
        let detail = format!("speaks version {}", crate::library::version());
        Ok((detail, library))
    });
    let Some(library) = loaded else {
        return Conformance {
            rows: trial.rows,
            ..Conformance::default()
        };
    };
    library_rows(&library, &mut trial);
    for dialect in library.native_dialects(&Arc::new(Cancel::default())) {
        trial.subject = format!("dialect {}", dialect.about().name);
        let dialect = Arc::new(dialect);
        generic_rows(&(Arc::clone(&dialect) as Arc<dyn Dialect>), &mut trial);
        native_rows(&library, &dialect, &mut trial);
    }
    for stage in library.native_stages() {
        trial.subject = format!("stage {}", stage.about().name);
        stage_rows(&library, &Arc::new(stage), &mut trial);
    }
    trial.subject = "library".into();
    describe_rows(&library, "describe-after", &mut trial);
    left_rows(&before_threads, &before_files, &mut trial);
    Conformance {
        library: library.about().name.clone(),
        version: library.about().version.clone(),
        digest: sha256_hex(trial.hashes.join("\n").as_bytes()),
        rows: trial.rows,
    }
}

/// The checks that hold for any dialect, native or not; and the digest of what it wrote.
pub fn dialect_rows(dialect: &Arc<dyn Dialect>) -> (Vec<Row>, String) {
    let mut trial = Trial::new(format!("dialect {}", dialect.about().name), DEADLINE);
    generic_rows(dialect, &mut trial);
    (trial.rows, sha256_hex(trial.hashes.join("\n").as_bytes()))
}

// ---- the library

fn describe_rows(library: &Library, name: &str, trial: &mut Trial) {
    let table = library.inner.table;
    let about = library.about().clone();
    trial.plain(name, move || {
        let start = Instant::now();
        let first = native::describe(&table)?;
        for _ in 0..99 {
            if native::describe(&table)? != first {
                return Err("two descriptions differ".into());
            }
        }
        let each = start.elapsed() / 100;
        if each > DESCRIBE_WITHIN {
            return Err(format!("takes {} ms", each.as_millis()));
        }
        let again: crate::LibraryAbout =
            serde_json::from_slice(&first).map_err(|e| e.to_string())?;
        match again == about {
            true => Ok("the same a hundred times, and quick".into()),
            false => Err("is no longer what it was when the library was loaded".into()),
        }
    });
}

/// The plugin refused, as it should.
fn must_refuse<T>(what: &str, result: Result<T, Failed>) -> Result<(), String> {
    match result {
        Err(Failed::Refused(reason))
            if reason.message != "it gave no reason" || what.starts_with("a host") =>
        {
            Ok(())
        }
        Err(Failed::Refused(_)) => Err(format!("refuses {what} without a reason")),
        Err(other) => Err(format!("{what}: {}", other.sentence())),
        Ok(_) => Err(format!("takes {what}")),
    }
}

fn library_rows(library: &Library, trial: &mut Trial) {
    describe_rows(library, "describe", trial);
    let stages: Vec<_> = library.about().stages.clone();
    trial.plain("schemas", move || {
        for s in &stages {
            if let Some(what) = native::schema_complaint(&s.schema) {
                return Err(format!("stage {}: {what}", s.name));
            }
            let schema = native::with_lengths(&s.schema);
            native::read_layer(&s.example, Unit::Mm, "", &schema).map_err(|problems| {
                let words: Vec<String> = problems
                    .iter()
                    .map(|p| format!("{} {}", p.pointer, p.message))
                    .collect();
                format!("stage {}: {}", s.name, words.join(" "))
            })?;
        }
        Ok(format!(
            "{} of stages, each with an example that follows it",
            stages.len()
        ))
    });
    let table = library.inner.table;
    trial.plain("unknown-names", move || {
        for (what, name) in [
            (abi::MAKE_DIALECT, &b"there-is-no-such-thing"[..]),
            (abi::MAKE_STAGE, b"there-is-no-such-thing"),
            (abi::MAKE_DIALECT, b""),
            (abi::MAKE_DIALECT, b"\xff\xfe"),
            (abi::MAKE_STAGE, &[b'x'; 100_000]),
            (77, b"of-no-kind"),
        ] {
            let made = Instance::new(&table, what, name, b"{}");
            must_refuse("an unknown name", made.and_then(Instance::end))?;
        }
        Ok("unknown names are refused".into())
    });
    let mut things: Vec<(u32, String)> = Vec::new();
    let about = library.about();
    things.extend(
        about
            .dialects
            .iter()
            .map(|d| (abi::MAKE_DIALECT, d.about.name.clone())),
    );
    things.extend(
        about
            .stages
            .iter()
            .map(|s| (abi::MAKE_STAGE, s.name.clone())),
    );
    trial.plain("bad-settings", move || {
        for (what, name) in &things {
            for settings in [
                &b""[..],
                b"nonsense",
                b"[]",
                b"{",
                b"{\"never-heard-of\": 1}",
                b"\xff\xfe",
                b"{\"a\": 1e999}",
            ] {
                let made = Instance::new(&table, *what, name.as_bytes(), settings);
                let shown = String::from_utf8_lossy(settings).into_owned();
                must_refuse(
                    &format!("the settings {shown:?} for {name}"),
                    made.and_then(Instance::end),
                )?;
            }
        }
        Ok("bad settings are refused".into())
    });
}

/// Names of the process's threads by number.
fn threads() -> BTreeSet<String> {
    names("/proc/self/task")
}

/// Open descriptors by number, less the one that reads the list.
fn descriptors() -> BTreeSet<String> {
    let mut open = BTreeMap::new();
    for name in names("/proc/self/fd") {
        if let Ok(target) = std::fs::read_link(format!("/proc/self/fd/{name}")) {
            open.insert(name, target.display().to_string());
        }
    }
    open.into_iter()
        .map(|(n, t)| format!("{n} ({t})"))
        .collect()
}

fn names(folder: &str) -> BTreeSet<String> {
    let entries = std::fs::read_dir(folder).into_iter().flatten().flatten();
    entries
        .filter_map(|e| e.file_name().into_string().ok())
        .collect()
}

fn left_rows(
    threads_before: &BTreeSet<String>,
    files_before: &BTreeSet<String>,
    trial: &mut Trial,
) {
    if trial.stuck {
        trial.row(
            "threads",
            Verdict::Skipped,
            "an earlier call never returned",
        );
        trial.row(
            "descriptors",
            Verdict::Skipped,
            "an earlier call never returned",
        );
        return;
    }
    let mut left: Vec<String> = Vec::new();
    // The system takes a thread off its list a moment after it was joined.
    for _ in 0..50 {
        left = threads().difference(threads_before).cloned().collect();
        if left.is_empty() {
            break;
        }
        thread::sleep(Duration::from_millis(20));
    }
    match left.len() {
        0 => trial.row("threads", Verdict::Passed, "no thread is left"),
        n => trial.row("threads", Verdict::Failed, format!("{n} threads are left")),
    }
    let now = descriptors();
    let opened: Vec<&str> = now.difference(files_before).map(String::as_str).collect();
    let closed: Vec<&str> = files_before.difference(&now).map(String::as_str).collect();
    match (opened.as_slice(), closed.as_slice()) {
        ([], []) => trial.row(
            "descriptors",
            Verdict::Passed,
            "no descriptor is left or lost",
        ),
        _ => {
            let say = |what: &str, list: &[&str]| match list.len() {
                0 => String::new(),
                n => format!("{n} descriptors {what}: {}. ", list[..n.min(3)].join(", ")),
            };
            let text = say("left open", &opened) + &say("closed that were not its own", &closed);
            trial.row("descriptors", Verdict::Failed, text.trim_end());
        }
    }
}

/// Memory of the process, kB: what is resident now, and the most that ever was.
fn memory_kb() -> (u64, u64) {
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    let of = |key: &str| {
        let line = status.lines().find_map(|l| l.strip_prefix(key));
        line.and_then(|l| l.trim().trim_end_matches(" kB").parse().ok())
            .unwrap_or(0)
    };
    (of("VmRSS:"), of("VmHWM:"))
}

// ---- dialects

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
            vec![Item::Move(Move::Rapid {
                to: point(10.0, 20.0).at_z(SAFE),
            })],
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
        Item::Move(Move::Rapid {
            to: point(0.0, 0.0).at_z(SAFE),
        }),
    ];
    start.into_iter().chain((0..moves).map(|k| {
        let (row, column) = (k / 1000, k % 1000);
        Item::Move(Move::Line {
            to: point(column as f64 * 0.5, row as f64 * 0.25).at_z(-1.0),
            feed: 2400.0,
        })
    }))
}

fn both_units() -> [Unit; 2] {
    [Unit::Mm, Unit::Inch]
}

fn generic_rows(dialect: &Arc<dyn Dialect>, trial: &mut Trial) {
    let d = Arc::clone(dialect);
    let texts = trial.check("programs", trial.deadline, move || {
        let mut texts = Vec::new();
        for unit in both_units() {
            for (name, items) in item_sets(d.about().cutter_change) {
                let place = format!("{name} in {}", unit.word());
                let (text, written) = match written(d.as_ref(), unit, &items) {
                    Ok(done) => done,
                    Err(e) if may_lack(d.as_ref(), &e) => continue,
                    Err(e) => return Err(format!("{place}: {e}")),
                };
                let lines = std::str::from_utf8(&text)
                    .map_err(|_| format!("{place}: the text is not UTF-8"))?
                    .lines()
                    .count();
                if lines as u64 != written.lines {
                    return Err(format!(
                        "{place}: says {} lines, wrote {lines}",
                        written.lines
                    ));
                }
                texts.push((place, unit, items, text, written));
            }
        }
        match texts.is_empty() {
            true => Err("not one program could be written".into()),
            false => Ok((format!("{} programs written", texts.len()), texts)),
        }
    });
    let Some(texts) = texts else {
        trial.row("same-bytes", Verdict::Skipped, "no program was written");
        trial.row("read-back", Verdict::Skipped, "no program was written");
        return;
    };
    trial.hashes.extend(texts.iter().map(|t| sha256_hex(&t.3)));
    let texts = Arc::new(texts);
    let (d, t) = (Arc::clone(dialect), Arc::clone(&texts));
    trial.plain("same-bytes", move || {
        let again = |d: &dyn Dialect| {
            for (place, unit, items, text, figures) in t.iter() {
                let (now, now_figures) =
                    written(d, *unit, items).map_err(|e| format!("{place}: {e}"))?;
                if now != *text || now_figures != *figures {
                    return Err(format!("{place}: the same input gave another text"));
                }
            }
            Ok(())
        };
        again(d.as_ref())?;
        thread::scope(|s| {
            let others: Vec<_> = (0..2).map(|_| s.spawn(|| again(d.as_ref()))).collect();
            others
                .into_iter()
                .try_for_each(|o| o.join().unwrap_or(Err("a thread panicked".into())))
        })?;
        Ok("the same input gave the same bytes, on three threads".into())
    });
    let d = Arc::clone(dialect);
    trial.plain("huge", move || {
        let count = Counting::default();
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
        let mut count = count;
        let start = Instant::now();
        let done = d.write(&head(Unit::Mm), &mut items, &mut count);
        drop(items);
        if let Err(e) = done {
            if may_lack(d.as_ref(), &e) {
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
    });
    let (d, t) = (Arc::clone(dialect), Arc::clone(&texts));
    trial.plain("full-disk", move || {
        for (place, unit, items, text, _) in t.iter() {
            for room in [0, text.len() / 2, text.len() - 1] {
                let mut disk = FullAfter(room);
                match d.write(&head(*unit), &mut items.iter().cloned(), &mut disk) {
                    Err(DialectError::Io(_)) => {}
                    Err(e) => return Err(format!("{place}: a full disk became: {e}")),
                    Ok(_) => return Err(format!("{place}: a full disk was not noticed")),
                }
            }
        }
        Ok("a full disk ends the program".into())
    });
    if dialect.reader().is_none() {
        for check in ["read-back", "damaged-texts"] {
            let why = "its texts cannot be read back: programs are withheld unless the shop accepts them unverified";
            trial.row(check, Verdict::Skipped, why);
        }
        return;
    }
    let (d, t) = (Arc::clone(dialect), Arc::clone(&texts));
    trial.plain("read-back", move || {
        let mut worst: f64 = 0.0;
        for (place, _, items, text, written) in t.iter() {
            let off = read_back(d.as_ref(), items, text, written)
                .map_err(|what| format!("{place}: {what}"))?;
            worst = worst.max(off);
        }
        Ok(format!(
            "every text reads back; the farthest point lies {worst:.4} mm off its plan"
        ))
    });
    let (d, t) = (Arc::clone(dialect), texts);
    trial.plain("damaged-texts", move || {
        let mut r = Random::new(11);
        let mut cases = 0;
        for (place, _, _, text, _) in t.iter() {
            for _ in 0..40 {
                let damaged = damaged(text, &mut r);
                cases += 1;
                if let (_, ReadEnd::Io(what)) = read(d.as_ref(), &damaged) {
                    return Err(format!("{place}, damaged: {what}"));
                }
            }
        }
        Ok(format!("{cases} damaged texts were read to their ends"))
    });
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
            all.push(Item::Move(Move::Rapid { to: at(k) }));
            all.push(Item::Move(Move::Line {
                to: at(k),
                feed: 900.0,
            }));
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
            Item::Move(Move::Line {
                to: point(1.0, 1.0).at_z(1.0),
                feed: bad,
            }),
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
fn native_rows(library: &Library, dialect: &Arc<NativeDialect>, trial: &mut Trial) {
    let start = || {
        vec![
            Item::RetractFull { safe_z: SAFE },
            Item::Move(Move::Rapid {
                to: point(1.0, 2.0).at_z(SAFE),
            }),
        ]
    };
    let d = Arc::clone(dialect);
    trial.plain("bad-head", move || {
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
            let mut items = start().into_iter();
            let result = d.write_as(&head(Unit::Mm), &mut items, &mut io::sink(), handing);
            let shown: String = String::from_utf8_lossy(bytes).chars().take(100).collect();
            must_refuse(&format!("the head {shown:?}"), result)?;
        }
        Ok("heads that cannot be read are refused".into())
    });
    let d = Arc::clone(dialect);
    trial.plain("wrong-size", move || {
        for size in [0, 8, 24] {
            let handing = Handing {
                size: Some(size),
                ..Handing::default()
            };
            let mut items = start().into_iter();
            let result = d.write_as(&head(Unit::Mm), &mut items, &mut io::sink(), handing);
            must_refuse(&format!("a host's table of {size} bytes"), result)?;
        }
        let handing = Handing {
            torn: true,
            ..Handing::default()
        };
        let label = Item::Label("a text that lies nowhere".into());
        let mut items = start().into_iter().chain([label]);
        let result = d.write_as(&head(Unit::Mm), &mut items, &mut io::sink(), handing);
        must_refuse("a text outside its batch", result)?;
        Ok("a table too small and a text outside its batch are refused".into())
    });
    let d = Arc::clone(dialect);
    trial.plain("not-finite", move || {
        let handing = Handing {
            raw: true,
            ..Handing::default()
        };
        for item in not_finite() {
            let mut items = start().into_iter().chain([item.clone()]);
            match d.write_as(&head(Unit::Mm), &mut items, &mut io::sink(), handing) {
                Err(Failed::Refused(_) | Failed::Unsupported(_)) => {}
                Err(other) => return Err(format!("{item:?}: {}", other.sentence())),
                Ok(_) => return Err(format!("writes {item:?}")),
            }
        }
        Ok("numbers that are not finite are refused".into())
    });
    let d = Arc::clone(dialect);
    trial.plain("stops-when-told", move || {
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
    });
    cancel_rows(library, &dialect.about().name, trial);
    let d = Arc::clone(dialect);
    trial.plain("memory", move || {
        let run = || {
            let items = program(1, d.about().cutter_change, 4);
            let done = written(d.as_ref(), Unit::Mm, &items);
            if let Ok((text, _)) = done
                && d.reader().is_some()
            {
                let _ = read(d.as_ref(), &text);
            }
        };
        grows(run)
    });
}

/// Memory over many runs.
fn grows(mut run: impl FnMut()) -> Found {
    for _ in 0..RUNS / 10 {
        run();
    }
    let (before, _) = memory_kb();
    for _ in 0..RUNS {
        run();
    }
    let (after, _) = memory_kb();
    match after.saturating_sub(before) {
        kb if kb > GROWTH_KB => Err(format!("{kb} kB more after {RUNS} runs")),
        _ => Ok(format!("bounded over {RUNS} runs")),
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

// ---- stages

/// A small work: one board with one part cut from it, as it is before programs are written.
pub fn sample_work() -> Result<Work, String> {
    let shop = json!({
        "format": "grainway.shop/1",
        "machines": { "router": {
            "dialect": "any", "travel": [1200, 800, 100], "z-zero": "bed", "max-feed": 4000, "max-plunge": 900, "rapid": 5000,
            "acceleration": 300, "min-rpm": 8000, "max-rpm": 24000, "spoilboard": 18
        } },
        "cutters": { "em6": { "kind": "end-mill", "number": 1, "diameter": 6, "cutting-length": 25, "max-rpm": 24000 } },
        "stocks": { "ash": { "wood": "ash", "thickness": [19.2], "boards": [{ "id": "a", "length": 1200, "width": 200 }] } }
    });
    let job = json!({
        "format": "grainway.job/1", "name": "Reading bench", "shop": "shop.json",
        "parts": [{ "id": "rail", "stock": "ash", "count": 1, "blank": { "length": 600, "width": 60 } }]
    });
    let words = |problems: Vec<grainway_pipeline::doc::Problem>| {
        let all: Vec<String> = problems.into_iter().map(|p| p.message).collect();
        all.join(" ")
    };
    let mut work = Work::new(Documents {
        job: read_job(job.to_string().as_bytes()).map_err(words)?,
        shop: read_shop(shop.to_string().as_bytes()).map_err(words)?,
        hash: sha256_hex(b"sample"),
    });
    let z = ZFrame {
        zero: ZZero::Bed,
        thinnest: 19.2,
        mean: 19.2,
        thickest: 19.2,
    };
    let around = [
        (-3.0, -3.0),
        (603.0, -3.0),
        (603.0, 63.0),
        (-3.0, 63.0),
        (-3.0, -3.0),
    ];
    let mut moves = vec![
        Move::Rapid {
            to: point(-3.0, -3.0).at_z(grainway_pipeline::motion::SAFE_Z),
        },
        Move::Line {
            to: point(-3.0, -3.0).at_z(-0.3),
            feed: 300.0,
        },
    ];
    moves.extend(around.map(|(x, y)| Move::Line {
        to: point(x, y).at_z(-0.3),
        feed: 2000.0,
    }));
    let moves = work.blobs.put_moves(&moves);
    let corners = [(0.0, 0.0), (600.0, 0.0), (600.0, 60.0), (0.0, 60.0)];
    let outline = Contour {
        vertices: corners
            .iter()
            .map(|(x, y)| Vertex {
                at: point(*x, *y),
                bulge: 0.0,
            })
            .collect(),
        closed: true,
    };
    work.parts.push(Part {
        id: "rail".into(),
        name: None,
        count: 1,
        stock: "ash".into(),
        grain: Grain::AlongX,
        outline: outline.clone(),
        outline_relief: None,
        dimensioned: false,
        features: Vec::new(),
        outline_cutter: None,
        source: Source::default(),
        as_drawn: false,
    });
    work.variants.push(Variant {
        id: "rail".into(),
        part: "rail".into(),
        stock: "ash".into(),
        z,
        outline,
        dimensioned: false,
        features: Vec::new(),
        steps: vec![Workingstep {
            feature: "outline".into(),
            operation: Operation::Outline,
            cutter: "em6".into(),
            rpm: 18000.0,
            feed: 2000.0,
            plunge: 300.0,
            lowest: -0.3,
            moves,
            profile: None,
            feed_reason: String::new(),
        }],
    });
    work.setups.push(Setup {
        id: "board-1".into(),
        kind: SetupKind::Board,
        stock: "ash".into(),
        size: point(1200.0, 200.0),
        z,
        placements: vec![Placement {
            piece: "rail".into(),
            variant: "rail".into(),
            placing: Placing::shift(point(50.0, 40.0)),
            tabs: Vec::new(),
            waste: Vec::new(),
            tabbed: Vec::new(),
            replaced: Vec::new(),
        }],
        holds: Vec::new(),
        skin: 0.0,
        safe_z: SAFE,
        own_steps: Vec::new(),
        order: vec![
            Entry::Cutter("em6".into()),
            Entry::Step(StepRef::Placed(0, 0)),
        ],
        repeats: 1,
    });
    Ok(work)
}

/// The work without parts, variants or setups.
fn empty_work(work: &Work) -> Work {
    Work::new(work.documents.clone())
}

fn stage_rows(library: &Library, stage: &Arc<NativeStage>, trial: &mut Trial) {
    let sample = match sample_work() {
        Ok(work) => Arc::new(work),
        Err(what) => {
            trial.row(
                "works",
                Verdict::Skipped,
                format!("the sample work cannot be read: {what}"),
            );
            return;
        }
    };
    let (s, w) = (Arc::clone(stage), Arc::clone(&sample));
    let patches = trial.check("works", trial.deadline, move || {
        let settings = &s.about().example;
        let mut patches = Vec::new();
        for (name, work) in [("empty", empty_work(&w)), ("sample", (*w).clone())] {
            let patch = s.patch(&work, settings, &Cancel::default());
            let patch = patch.map_err(|f| format!("the {name} work: {}", f.sentence()))?;
            patches.push(patch.to_string());
            let mut work = work;
            s.apply(patch, &mut work)
                .map_err(|what| format!("the {name} work: {what}"))?;
        }
        Ok((
            "an empty and a small work were run and their patches taken".into(),
            patches,
        ))
    });
    if let Some(patches) = &patches {
        trial
            .hashes
            .extend(patches.iter().map(|p| sha256_hex(p.as_bytes())));
    }
    let (s, w) = (Arc::clone(stage), Arc::clone(&sample));
    trial.plain("same-bytes", move || {
        let Some(patches) = patches else {
            return Err("no patch to compare with".into());
        };
        for _ in 0..10 {
            for (work, patch) in [empty_work(&w), (*w).clone()].iter().zip(&patches) {
                let now = s.patch(work, &s.about().example, &Cancel::default());
                if now.map_err(|f| f.sentence())? != *patch {
                    return Err("the same work gave another patch".into());
                }
            }
        }
        Ok("the same work gave the same patch".into())
    });
    let (table, s) = (library.inner.table, Arc::clone(stage));
    trial.plain("bad-work", move || {
        let about = s.about();
        for header in [
            &b""[..],
            b"nonsense",
            b"[]",
            b"\xff\xfe",
            b"{\"setups\": 7}",
            b"{",
        ] {
            let result = native::run(
                &table,
                about.name,
                &about.example,
                header,
                &Blobs::default(),
                &Cancel::default(),
            );
            let shown = String::from_utf8_lossy(header).into_owned();
            must_refuse(&format!("the work {shown:?}"), result)?;
        }
        Ok("works that cannot be read are refused".into())
    });
    let (s, w) = (Arc::clone(stage), Arc::clone(&sample));
    trial.plain("missing-blocks", move || {
        let mut work = (*w).clone();
        work.blobs = Blobs::default();
        match s.patch(&work, &s.about().example, &Cancel::default()) {
            Ok(_) => Ok("a work without its blocks of numbers does no harm".into()),
            Err(Failed::Refused(_)) => Ok("a work without its blocks of numbers is refused".into()),
            Err(other) => Err(other.sentence()),
        }
    });
    let (s, w) = (Arc::clone(stage), Arc::clone(&sample));
    trial.check("cancel", CANCEL_PATIENCE, move || {
        // Many setups, so that a stage that never asks is seen to go on.
        let mut work = (*w).clone();
        let setup = work.setups[0].clone();
        work.setups = (0..20_000)
            .map(|i| Setup {
                id: format!("board-{i}"),
                ..setup.clone()
            })
            .collect();
        let cancel = Cancel::default();
        cancel.set();
        let start = Instant::now();
        let result = s.patch(&work, &s.about().example, &cancel);
        let took = start.elapsed();
        if took > CANCEL_WITHIN {
            return Err(format!(
                "takes {} ms though it was cancelled",
                took.as_millis()
            ));
        }
        match result {
            Ok(_) | Err(Failed::Cancelled) => {
                Ok((format!("ends after {} ms", took.as_millis()), ()))
            }
            Err(other) => Err(other.sentence()),
        }
    });
    let (s, w) = (Arc::clone(stage), sample);
    trial.plain("memory", move || {
        grows(|| {
            let _ = s.patch(&w, &s.about().example, &Cancel::default());
        })
    });
}
