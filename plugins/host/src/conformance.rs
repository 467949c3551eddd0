//! The conformance run: whether a native library keeps the rules that make it safe to install.
//!
//! It loads the library into the process that runs it, so run it in a child process with limits of its own: a library that crashes
//! there has failed. Checks run on a thread of their own with a deadline, so that a library that hangs is a row that says so and
//! not a run that never ends. Two runs in two processes must give the same [`Conformance::digest`].

mod captured_output;
mod dialects;
mod sample;
mod stages;

pub use dialects::item_sets;
pub use sample::sample_work;

use crate::library::{Library, LoadError, load};
use crate::native::{self, Failed, Instance};
use captured_output::CapturedOutput;
use dialects::{generic_rows, native_rows};
use grainway_abi as abi;
use grainway_pipeline::dialect::Dialect;
use grainway_pipeline::doc::{Pointer, Unit};
use grainway_pipeline::stage::{Cancel, Stage};
use grainway_pipeline::work::sha256_hex;
use serde::{Deserialize, Serialize};
use stages::stage_rows;
use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;
use std::sync::Arc;
use std::sync::mpsc::{RecvTimeoutError, channel};
use std::thread;
use std::time::{Duration, Instant};

/// A check that takes longer has hung.
pub const DEADLINE: Duration = Duration::from_secs(60);
/// How soon a call must end after it was cancelled.
const CANCEL_WITHIN: Duration = Duration::from_secs(1);
/// How long the cancel check waits for a plugin that does not hear it before it gives up.
const CANCEL_PATIENCE: Duration = Duration::from_secs(10);
/// Time that one description may take.
const DESCRIBE_WITHIN: Duration = Duration::from_millis(100);
/// Runs over which memory is watched, and what it may grow by, kB.
const RUNS: u32 = 1_000;
const GROWTH_KB: u64 = 8 * 1024;

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
    let output = CapturedOutput::begin();
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
    match output.and_then(CapturedOutput::end) {
        Ok(said) if said.is_empty() => trial.row("silent", Verdict::Passed, "printed nothing"),
        Ok(said) => {
            let first: String = said
                .lines()
                .next()
                .unwrap_or("")
                .chars()
                .take(100)
                .collect();
            let what = format!("printed {} bytes, first {first:?}", said.len());
            trial.row("silent", Verdict::Failed, what);
        }
        Err(e) => trial.row(
            "silent",
            Verdict::Skipped,
            format!("could not be watched: {e}"),
        ),
    }
    Conformance {
        library: library.about().name.clone(),
        version: library.about().version.clone(),
        digest: sha256_hex(trial.hashes.join("\n").as_bytes()),
        rows: trial.rows,
    }
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
            native::read_layer(&s.example, Unit::Mm, &Pointer::default(), &schema).map_err(
                |problems| {
                    let words: Vec<String> = problems
                        .iter()
                        .map(|p| format!("{} {}", p.pointer, p.message))
                        .collect();
                    format!("stage {}: {}", s.name, words.join(" "))
                },
            )?;
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
