//! A plugin that goes wrong in every way the host must bear. For tests; nothing in it is an example of anything else.
//!
//! **By dialect.** Each dialect of [`DIALECTS`] misbehaves as its name says, when it writes (those named `reads-…`, when they read;
//! they write like [`FINE`]). Those in [`KILLERS`] take the process along or never return, and are for a child process only.
//!
//! **By stage.** The stage [`STAGE`] does what its setting `do` says, one of [`DEEDS`].
//!
//! **By library.** What is wrong with a library as a whole is switched on by the end of its file: a copy with the line
//! `misbehave=WORD`, one of [`MODES`], appended is loaded like any other, since a loader does not look behind the last section.
//! So the switch survives a copy to a store under another name. `only:DIALECT` leaves that one dialect and no stage:
//!
//! ```text
//! cp libmisbehaving.so x.so; printf '\nmisbehave=wrong-major\n' >> x.so
//! ```
#![allow(
    clippy::panic,
    clippy::print_stdout,
    clippy::print_stderr,
    clippy::disallowed_methods,
    reason = "misbehaves on purpose"
)]

use grainway_sdk::abi;
use grainway_sdk::{
    Action, Description, Dialect, DialectAbout, Head, Item, Items, Lines, Out, Patch, Plugin,
    ReadEnd, ReadMove, Seen, Stage, StageAbout, StageFinding, StageHost, Stop, Value, Written,
    json,
};
use std::cell::Cell;
use std::ffi::{CStr, c_void};
use std::io::{Read, Seek, SeekFrom};
use std::sync::OnceLock;
use std::sync::atomic::{AtomicU32, Ordering};

/// The dialect that does nothing wrong.
pub const FINE: &str = "behaves";

/// The dialects.
pub const DIALECTS: [&str; 31] = [
    FINE,
    "aborts",
    "changes",
    "closes-descriptors",
    "counts-badly",
    "crashes",
    "deadlocks",
    "deaf",
    "eats-memory",
    "ends-early",
    "endless",
    "endless-deaf",
    "exits",
    "garbage",
    "hangs",
    "ignores-errors",
    "leaks",
    "leaves-descriptors",
    "leaves-threads",
    "no-figures",
    "other-thread",
    "panics",
    "panics-at-end",
    "prints",
    "reads-badly",
    "reads-nan",
    "reads-undeclared",
    "reads-wrongly",
    "unknown-code",
    "unknown-kind",
    "writes-anything",
];

/// Dialects that end the process, harm it for good, or never return.
pub const KILLERS: [&str; 9] = [
    "aborts",
    "closes-descriptors",
    "crashes",
    "deadlocks",
    "deaf",
    "eats-memory",
    "endless-deaf",
    "exits",
    "hangs",
];

/// The stage.
pub const STAGE: &str = "misbehaves";

/// What the stage's setting `do` can be.
pub const DEEDS: [&str; 14] = [
    "aborts",
    "crashes",
    "deadlocks",
    "eats-memory",
    "finds-nothing",
    "finds-undeclared",
    "gives-hand-work",
    "hangs",
    "panics",
    "points-nowhere",
    "reverses-order",
    "shortens-order",
    "swaps-cutters",
    "talks-of-nobody",
];

/// What a library's last line can be.
pub const MODES: [&str; 14] = [
    "crashes-at-load",
    "crashes-in-describe",
    "endless-description",
    "garbage-description",
    "gives-others-facts",
    "hangs-in-describe",
    "no-describe",
    "no-table",
    "panics-in-describe",
    "requires-unknown",
    "small",
    "uses-unknown",
    "wrong-magic",
    "wrong-major",
];

// ---- the library

/// The word at the end of this library's file.
fn mode() -> &'static str {
    static MODE: OnceLock<String> = OnceLock::new();
    MODE.get_or_init(|| {
        let tail = own_tail().unwrap_or_default();
        let word = tail.rsplit_once("\nmisbehave=").map_or("", |(_, w)| w);
        word.trim_end().to_string()
    })
}

/// The last bytes of the file that this code was loaded from.
fn own_tail() -> Option<String> {
    // SAFETY: all zero is a value of this plain struct.
    let mut info: libc::Dl_info = unsafe { std::mem::zeroed() };
    // SAFETY: an address of this library, and a struct of ours.
    let found = unsafe { libc::dladdr(grainway_plugin_1 as *const c_void, &raw mut info) };
    if found == 0 || info.dli_fname.is_null() {
        return None;
    }
    // SAFETY: the loader's own name of the file, which lives as long as the library.
    let path = unsafe { CStr::from_ptr(info.dli_fname) }.to_str().ok()?;
    let mut file = std::fs::File::open(path).ok()?;
    file.seek(SeekFrom::End(-64)).ok()?;
    let mut tail = Vec::new();
    file.read_to_end(&mut tail).ok()?;
    Some(String::from_utf8_lossy(&tail).into_owned())
}

extern "C" fn at_load() {
    if mode() == "crashes-at-load" {
        crash();
    }
}

// SAFETY: functions in this section run when the library is loaded; this one needs nothing that is not there yet.
#[unsafe(link_section = ".init_array")]
#[used]
static AT_LOAD: extern "C" fn() = at_load;

/// The plugin's one function.
// SAFETY: no other function of this library has this name.
#[unsafe(no_mangle)]
pub extern "C" fn grainway_plugin_1() -> *const abi::Plugin {
    static TABLE: OnceLock<abi::Plugin> = OnceLock::new();
    let table = TABLE.get_or_init(|| {
        let mut t = grainway_sdk::table::<Library>();
        t.dialect_write = Some(dialect_write);
        t.dialect_read = Some(dialect_read);
        match mode() {
            "wrong-major" => t.major = 2,
            "wrong-magic" => t.magic = *b"GRAINAWY",
            "small" => t.size = 16,
            "no-describe" => t.describe = None,
            "garbage-description" => t.describe = Some(garbage_description),
            "endless-description" => t.describe = Some(endless_description),
            _ => {}
        }
        t
    });
    if mode() == "no-table" {
        return std::ptr::null();
    }
    table
}

unsafe extern "C" fn garbage_description(host: *const abi::Host) -> i32 {
    // SAFETY: the host's table.
    unsafe { put(host, abi::WRITE_DESCRIPTION, b"{\"name\": \xff\xfe") }
}

unsafe extern "C" fn endless_description(host: *const abi::Host) -> i32 {
    loop {
        // SAFETY: the host's table.
        let code = unsafe { put(host, abi::WRITE_DESCRIPTION, &[b' '; 4096]) };
        if code != abi::CODE_OK {
            return code;
        }
    }
}

/// Writes something past the safe side.
///
/// # Safety
/// `host` is the table of a call that goes on.
unsafe fn put(host: *const abi::Host, kind: u32, bytes: &[u8]) -> i32 {
    // SAFETY: the caller's.
    let host = unsafe { host.read() };
    let bytes = abi::Bytes {
        data: bytes.as_ptr(),
        len: bytes.len(),
    };
    // SAFETY: the host's own function and context.
    host.write.map_or(abi::CODE_INTERNAL, |w| unsafe {
        w(host.context, kind, bytes)
    })
}

struct Library;

impl Plugin for Library {
    fn describe() -> Description {
        match mode() {
            "panics-in-describe" => panic!("on purpose, in describe"),
            "crashes-in-describe" => crash(),
            "hangs-in-describe" => hang(),
            _ => {}
        }
        let only = mode().strip_prefix("only:");
        let word = |m: &str, w: &str| match mode() == m {
            true => vec![w.to_string()],
            false => Vec::new(),
        };
        Description {
            name: "misbehaving".into(),
            version: "0".into(),
            summary: "Goes wrong on purpose.".into(),
            requires: word("requires-unknown", "fourth-axis"),
            uses: word("uses-unknown", "fourth-axis"),
            dialects: DIALECTS
                .iter()
                .filter(|n| only.is_none_or(|o| o == **n))
                .map(|n| about(n))
                .collect(),
            stages: match only {
                Some(_) => Vec::new(),
                None => vec![stage_about()],
            },
        }
    }
    fn dialect(name: &str) -> Option<Box<dyn Dialect>> {
        let name = DIALECTS.into_iter().find(|d| *d == name)?;
        MADE.set(name);
        Some(Box::new(Bad(name)))
    }
    fn stage(name: &str, settings: &Value) -> Result<Option<Box<dyn Stage>>, Stop> {
        let deed = settings.get("do").and_then(Value::as_str);
        let deed = deed.and_then(|d| DEEDS.into_iter().find(|k| *k == d));
        let deed = deed.ok_or_else(|| Stop::refused("/do", "no such deed"))?;
        Ok((name == STAGE).then(|| Box::new(BadStage(deed)) as _))
    }
}

fn about(name: &str) -> DialectAbout {
    DialectAbout {
        name: name.into(),
        version: 1,
        summary: "For tests.".into(),
        ending: ".txt".into(),
        arcs: true,
        helices: true,
        cycles: true,
        cutter_change: true,
        pauses: true,
        spindle: true,
        straight_rapids: true,
        decimals_mm: 3,
        decimals_inch: 4,
        blocks_per_second: 100.0,
        reads: name.starts_with("reads-"),
        faults: vec!["unknown-line".into()],
        ..DialectAbout::default()
    }
}

// ---- deeds

fn crash() -> ! {
    // SAFETY: none; that is the point.
    unsafe { std::ptr::null_mut::<u8>().wrapping_add(8).write_volatile(1) };
    std::process::abort()
}

fn hang() -> ! {
    loop {
        std::thread::sleep(std::time::Duration::from_secs(1));
    }
}

/// Waits for a lock that it holds itself: for ever, and without the processor.
fn deadlock() -> ! {
    static LOCK: std::sync::Mutex<()> = std::sync::Mutex::new(());
    let held = LOCK.lock();
    let waits = std::thread::spawn(|| drop(LOCK.lock()));
    let _ = waits.join();
    drop(held);
    hang()
}

fn eat_memory() -> ! {
    loop {
        std::mem::forget(std::hint::black_box(vec![1u8; 1 << 24]));
    }
}

thread_local! {
    /// The dialect that was made last on this thread; an instance serves one call, so it is the one in use.
    static MADE: Cell<&'static str> = const { Cell::new("") };
}

/// What goes past the safe side stands here; everything else goes on to it.
unsafe extern "C" fn dialect_write(
    instance: *mut c_void,
    host: *const abi::Host,
    head: abi::Bytes,
) -> i32 {
    // SAFETY: the host's table, as everywhere below.
    let put = |kind, bytes: &[u8]| unsafe { put(host, kind, bytes) };
    match MADE.get() {
        "unknown-code" => 99,
        "no-figures" => put(abi::WRITE_TEXT, b"a line\n"),
        "unknown-kind" => put(77, b"?"),
        "garbage" => {
            let code = put(abi::WRITE_TEXT, b"a line \xff\xfe\n");
            if code == abi::CODE_OK {
                put(abi::WRITE_WRITTEN, FIGURES)
            } else {
                code
            }
        }
        "ends-early" => {
            // The first byte of a character of two, and no second.
            put(abi::WRITE_TEXT, b"a line\n\xc3");
            put(abi::WRITE_WRITTEN, FIGURES)
        }
        "ignores-errors" => {
            for _ in 0..100 {
                put(abi::WRITE_TEXT, b"a line\n");
            }
            put(
                abi::WRITE_WRITTEN,
                br#"{"lines": 100, "moves": 0, "restarts": [], "rounding_mm": 0.0}"#,
            );
            abi::CODE_OK
        }
        "endless-deaf" => loop {
            put(abi::WRITE_TEXT, &[b'x'; 4096]);
        },
        "other-thread" => {
            let at = host as usize;
            let other = std::thread::spawn(move || {
                // SAFETY: the call that lent the table waits for this thread.
                unsafe { self::put(at as *const abi::Host, abi::WRITE_TEXT, b"from elsewhere\n") }
            });
            let code = other.join().unwrap_or(abi::CODE_INTERNAL);
            if code == abi::CODE_OK {
                put(abi::WRITE_WRITTEN, FIGURES)
            } else {
                code
            }
        }
        _ => match grainway_sdk::table::<Library>().dialect_write {
            // SAFETY: handed on.
            Some(write) => unsafe { write(instance, host, head) },
            None => abi::CODE_INTERNAL,
        },
    }
}

/// Figures of a text of one line.
const FIGURES: &[u8] = br#"{"lines": 1, "moves": 0, "restarts": [], "rounding_mm": 0.0}"#;

unsafe extern "C" fn dialect_read(instance: *mut c_void, host: *const abi::Host) -> i32 {
    if MADE.get() == "reads-badly" {
        let bad = abi::ReadMove {
            kind: 4711,
            ..abi::ReadMove::default()
        };
        let batch = abi::ReadMoves {
            moves: &raw const bad,
            count: 1,
            texts: abi::Bytes {
                data: std::ptr::null(),
                len: 0,
            },
        };
        // SAFETY: the host's table, function and context.
        return unsafe {
            let host = host.read();
            host.receive
                .map_or(abi::CODE_INTERNAL, |r| r(host.context, &raw const batch))
        };
    }
    match grainway_sdk::table::<Library>().dialect_read {
        // SAFETY: handed on.
        Some(read) => unsafe { read(instance, host) },
        None => abi::CODE_INTERNAL,
    }
}

struct Bad(&'static str);

impl Drop for Bad {
    fn drop(&mut self) {
        if self.0 == "panics-at-end" {
            panic!("on purpose, at the end");
        }
    }
}

static CALLS: AtomicU32 = AtomicU32::new(0);

impl Dialect for Bad {
    fn write(
        &mut self,
        head: &Head,
        items: &mut Items<'_>,
        out: &mut Out<'_>,
    ) -> Result<Written, Stop> {
        let calls = CALLS.fetch_add(1, Ordering::Relaxed);
        match self.0 {
            "aborts" => std::process::abort(),
            "crashes" => crash(),
            "exits" => std::process::exit(0),
            "deadlocks" => deadlock(),
            "hangs" => hang(),
            "eats-memory" => eat_memory(),
            "panics" => panic!("on purpose"),
            "prints" => {
                println!("a plugin prints to the standard output");
                eprintln!("a plugin prints to the standard error");
            }
            "changes" => out.line(&format!("call {calls}"))?,
            "leaks" => std::mem::forget(std::hint::black_box(vec![1u8; 1 << 16])),
            "endless" => loop {
                out.line("and on it goes")?;
            },
            // Asks nobody whether it is to stop.
            "deaf" => loop {
                std::hint::spin_loop();
            },
            "leaves-threads" => {
                std::thread::spawn(|| hang());
            }
            "leaves-descriptors" => {
                let file = std::fs::File::open("/dev/null");
                std::mem::forget(file);
            }
            "closes-descriptors" => {
                for fd in 0..64 {
                    // SAFETY: none; that is the point.
                    unsafe { libc::close(fd) };
                }
            }
            _ => {}
        }
        let mut written = Written::default();
        out.line(&head.name.replace(char::is_control, " "))?;
        while let Some(item) = items.next()? {
            let finite = match item {
                Item::Move(m) => m.is_finite(),
                Item::Spindle(Some(s)) => s.rpm.is_finite(),
                Item::Dwell { seconds } => seconds.is_finite(),
                _ => true,
            };
            if !finite && self.0 != "writes-anything" {
                return Err(Stop::refused("", "a number that is not finite"));
            }
            if let Item::Move(m) = item {
                written.moves += 1;
                out.line(&format!("{m:?}"))?;
            }
        }
        written.lines = out.lines();
        if self.0 == "counts-badly" {
            written.lines += 1;
        }
        Ok(written)
    }

    fn read(&mut self, lines: &mut Lines<'_>, seen: &mut Seen<'_>) -> Result<ReadEnd, Stop> {
        let mut m = ReadMove {
            line: 1,
            from: [None; 3],
            to: [Some(1.0), Some(2.0), Some(3.0)],
            action: Action::Rapid,
            feed: None,
            spindle: None,
            cutter: None,
        };
        match self.0 {
            "reads-nan" => m.to[1] = Some(f64::NAN),
            "reads-undeclared" => {
                m.action = Action::Fault {
                    code: "never-named",
                    message: "?".into(),
                }
            }
            _ => {}
        }
        seen.report(&m)?;
        while lines.next()?.is_some() {}
        Ok(ReadEnd {
            lines: lines.count(),
            ended: true,
        })
    }
}

// ---- the stage

fn stage_about() -> StageAbout {
    StageAbout {
        name: STAGE.into(),
        version: 1,
        summary: "Does what its setting says.".into(),
        needs: vec!["ordered".into()],
        gives: match mode() {
            "gives-others-facts" => vec!["verified".into()],
            _ => Vec::new(),
        },
        spoils: ["programs", "verified", "reported"]
            .map(String::from)
            .to_vec(),
        may: ["findings", "order"].map(String::from).to_vec(),
        findings: vec![StageFinding {
            word: "named".into(),
            severity: "note".into(),
            about: "For tests.".into(),
            remedy: "None.".into(),
        }],
        schema: json!({
            "type": "object", "additionalProperties": false,
            "properties": { "do": { "type": "string", "enum": DEEDS } },
        }),
        example: json!({ "do": "finds-nothing" }),
    }
}

struct BadStage(&'static str);

/// The first setup's id and order, as the work has them.
fn order(work: &Value) -> Option<(String, Vec<Value>)> {
    let setup = work.pointer("/setups/0")?;
    Some((
        setup.get("id")?.as_str()?.to_string(),
        setup.get("order")?.as_array()?.clone(),
    ))
}

impl Stage for BadStage {
    fn run(&mut self, work: &Value, _: &StageHost<'_>) -> Result<Patch, Stop> {
        let mut patch = Patch::default();
        let finding = |patch: &mut Patch, value: Value| patch.findings.push(value);
        let changed = |patch: &mut Patch, change: &dyn Fn(&mut Vec<Value>)| {
            if let Some((id, mut entries)) = order(work) {
                change(&mut entries);
                patch.order.insert(id, entries);
            }
        };
        let is_step = |e: &Value| e.get("step").is_some();
        match self.0 {
            "aborts" => std::process::abort(),
            "crashes" => crash(),
            "deadlocks" => deadlock(),
            "hangs" => hang(),
            "eats-memory" => eat_memory(),
            "panics" => panic!("on purpose"),
            "finds-undeclared" => {
                finding(&mut patch, json!({ "code": "never-named", "message": "?" }));
            }
            "talks-of-nobody" => finding(
                &mut patch,
                json!({ "code": "named", "message": "?", "part": "nobody" }),
            ),
            "points-nowhere" => finding(
                &mut patch,
                json!({ "code": "named", "message": "?", "at": [null, 0] }),
            ),
            "gives-hand-work" => patch.hand_work.push(json!({
                "part": "end", "count": 1, "feature": null, "at": null, "what": "?", "why": "?"
            })),
            "shortens-order" => changed(&mut patch, &|entries| {
                if let Some(i) = entries.iter().position(is_step) {
                    entries.remove(i);
                }
            }),
            // Steps of each run of one cutter the other way round: a change that may be taken.
            "reverses-order" => changed(&mut patch, &|entries| {
                let mut from = 0;
                while from < entries.len() {
                    let n = entries[from..].iter().take_while(|e| is_step(e)).count();
                    entries[from..from + n].reverse();
                    from += n.max(1);
                }
            }),
            // Every cutter before every step.
            "swaps-cutters" => changed(&mut patch, &|entries| {
                entries.sort_by_key(|e| e.get("cutter").is_none());
            }),
            _ => {}
        }
        Ok(patch)
    }
}
