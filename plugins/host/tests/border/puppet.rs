//! A plugin whose every word and deed comes from bytes, linked in instead of loaded, so that a fuzzer can try the border.
//!
//! It keeps the two promises that nobody can check: pointers are null, askew or good, and it stays on its thread. In everything
//! else it does what the bytes say. Only built with the feature `puppet`.
#![allow(unsafe_code, reason = "the other side of the border")]
#![allow(
    clippy::panic,
    reason = "a broken promise ends the run, which is how a fuzzer hears of it"
)]

use crate::conformance::sample_work;
use crate::frames::{Frame, Lines, MAX_FRAME};
use crate::library::described;
use crate::library_about::{DialectEntry, FindingEntry, LibraryAbout, May, StageEntry};
use crate::native::{Failed, Handing, Inner, NativeDialect, NativeStage, describe};
use crate::outcome;
use grainway_abi as abi;
use grainway_geom::point;
use grainway_pipeline::dialect::{Action, DialectAbout, ProgramHead, ReadMove};
use grainway_pipeline::doc::Unit;
use grainway_pipeline::finding::Severity;
use grainway_pipeline::motion::{CutterChange, Item, Move, Spindle, StepStart};
use grainway_pipeline::stage::{Cancel, Stage};
use grainway_pipeline::work::Work;
use serde_json::json;
use std::cell::RefCell;
use std::ffi::c_void;
use std::ops::ControlFlow;
use std::path::{Path, PathBuf};
use std::sync::{Arc, OnceLock};

/// Most things that the puppet does in one call.
const MOST_DEEDS: usize = 200;

/// Takes bytes across the border in every way; panics when the host breaks a promise. The first byte chooses the way.
pub fn take(bytes: &[u8]) {
    let Some((way, rest)) = bytes.split_first() else {
        return;
    };
    match way % 5 {
        0 => frames(rest),
        1 => description(rest),
        2 => writing(rest),
        3 => reading(rest),
        _ => stage(rest),
    }
    let _ = outcome::take();
}

/// Words that mean something at the border.
pub const WORDS: [&str; 24] = [
    "{\"frame\":\"stage\",\"name\":\"",
    "{\"frame\":\"progress\"",
    "{\"frame\":\"done\"}\n",
    "\"frame\"",
    "\n",
    "{\"lines\":1,\"moves\":0,\"restarts\":[],\"rounding_mm\":0}",
    "{\"lines\":0,\"ended\":true}",
    "{\"message\":\"no\"}",
    "{\"findings\":[{\"code\":\"word\",\"message\":\"x\"}]}",
    "\"hand-work\"",
    "\"order\"",
    "{\"order\":{\"board-1\":[]}}",
    "\"em6\"",
    "\"rail\"",
    "\"requires\"",
    "\"stages\"",
    "\"dialects\"",
    "\"schema\"",
    "\"$ref\"",
    "\"#/$defs/Length\"",
    "\"anyOf\"",
    "\"example\"",
    "1e999",
    "\u{fffd}",
];

/// First inputs: one of each way that goes well.
pub fn seeds() -> Vec<Vec<u8>> {
    let with = |way: u8, rest: &[&[u8]]| [&[way], rest.concat().as_slice()].concat();
    let say = |kind: u8, text: &str| [&[1, kind, text.len() as u8], text.as_bytes()].concat();
    let about = serde_json::to_vec(&about()).unwrap_or_default();
    let written = say(
        3,
        r#"{"lines":1,"moves":0,"restarts":[[1,1]],"rounding_mm":0.001}"#,
    );
    let order = r#"{"order":{"board-1":[{"cutter":"em6"},{"step":{"placed":[0,0]}}]}}"#;
    vec![
        with(0, &[&[7], b"{\"frame\":\"stage\",\"name\":\"post\"}\n{\"frame\":\"stage-end\"}\n{\"frame\":\"done\"}\n"]),
        with(1, &[&about]),
        // An ability with a control character once came into a finding as it was.
        with(1, &[b"{\"name\":\"puppet\",\"requires\":[\"bl\x7fbs\"]}"]),
        with(2, &[&[2, 6], &say(2, "G0 X1\n"), &[2], &written, &[0, 0]]),
        with(2, &[&say(6, r#"{"message":"no arcs","what":"arcs","remedy":"none"}"#), &[0, 2]]),
        with(3, &[&[3, 4, 3, 1, 63, 8, 0, 2, 63, 8, 0, 3, 255, 9, 1, 3], &say(4, r#"{"lines":3,"ended":true}"#), &[0, 0]]),
        with(4, &[&[5, 6], &say(5, r#"{"findings":[{"code":"word","message":"look here","part":"rail"}]}"#), &[0, 0]]),
        with(4, &[&say(5, order), &[0, 0]]),
        // A name with a control character once came into a finding as it was.
        with(4, &[&say(5, "{\"\u{7f}rder\":{}}"), &[0, 0]]),
        with(4, &[&say(5, r#"{"hand-work":[{"part":"rail","what":"sand it"}]}"#), &[0, 0]]),
    ]
}

// ---- the ways

/// What the worker's pipe brings is frames or one sentence, however it is cut.
fn frames(bytes: &[u8]) {
    let Some((size, bytes)) = bytes.split_first() else {
        return;
    };
    let all = |size: usize| {
        let (mut lines, mut got) = (Lines::default(), Vec::new());
        let pieces = bytes.chunks(size.max(1));
        let end = pieces
            .map(|piece| lines.push(piece, &mut got))
            .find(Result::is_err);
        (got, end.is_some_and(|e| e.is_err()))
    };
    let (got, failed) = all(usize::from(*size));
    let (whole, failed_whole) = all(bytes.len());
    if bytes.len() <= MAX_FRAME {
        assert_eq!(
            (&got, failed),
            (&whole, failed_whole),
            "cut otherwise, heard otherwise"
        );
    }
    for frame in got {
        let line = serde_json::to_vec(&frame).unwrap_or_else(|e| panic!("{e}"));
        let again: Frame = serde_json::from_slice(&line).unwrap_or_else(|e| panic!("{e}"));
        assert_eq!(again, frame);
    }
    if let Err(why) = Lines::default().push(bytes, &mut Vec::new()) {
        one_line(&why);
    }
}

/// A description is refused, or is one that the rest of the host can live with.
fn description(bytes: &[u8]) {
    match described(Path::new("puppet"), bytes) {
        Err(e) => one_line(&e.to_string()),
        Ok(about) => {
            let json = serde_json::to_vec(&about).unwrap_or_else(|e| panic!("{e}"));
            let again = described(Path::new("puppet"), &json);
            assert_eq!(again.ok().as_ref(), Some(&about), "a kept description");
            // Facts and names of stages are kept for ever, so only what needs no keeping is tried here.
            for entry in &about.stages {
                let schema = crate::native::with_lengths(&entry.schema);
                let read = crate::native::read_layer(
                    &entry.example,
                    Unit::Inch,
                    &grainway_pipeline::doc::Pointer::default(),
                    &schema,
                );
                assert!(read.is_ok(), "an accepted example: {read:?}");
            }
        }
    }
    // The same by the plugin's own function.
    set(bytes);
    if let Err(what) = describe(&TABLE) {
        one_line(&what);
    }
}

fn writing(bytes: &[u8]) {
    set(bytes);
    let items = items();
    let mut out = Vec::new();
    let head = ProgramHead {
        name: "01-board".into(),
        number: 1,
        remarks: vec!["oak".into()],
        unit: Unit::Mm,
        safe_z: 25.0,
    };
    let cancel = Arc::new(Cancel::default());
    let dialect = NativeDialect::new(inner(), &about().dialects[0], &cancel);
    let done = dialect.write_as(&head, &mut items.into_iter(), &mut out, Handing::default());
    match done {
        Ok(written) => {
            let text = String::from_utf8(out).unwrap_or_else(|e| panic!("{e}"));
            assert_eq!(written.lines, text.lines().count() as u64, "{text:?}");
            assert!(written.rounding_mm >= 0.0 && written.rounding_mm.is_finite());
            assert!(
                written
                    .restarts
                    .iter()
                    .all(|(_, l)| (1..=written.lines).contains(l))
            );
        }
        Err(failed) => fails_well(&failed),
    }
}

fn reading(bytes: &[u8]) {
    set(bytes);
    let cancel = Arc::new(Cancel::default());
    let dialect = NativeDialect::new(inner(), &about().dialects[0], &cancel);
    let mut heard = 0;
    let done = dialect.read_as(&mut &b"G21 G90\nG0 X1\nM2\n"[..], &mut |m| {
        sensible(&m);
        heard += 1;
        match heard < 40 {
            true => ControlFlow::Continue(()),
            false => ControlFlow::Break(()),
        }
    });
    assert!(heard <= 40, "moves after the receiver had enough");
    if let Err(failed) = done {
        fails_well(&failed);
    }
}

fn stage(bytes: &[u8]) {
    static WORK: OnceLock<Work> = OnceLock::new();
    static STAGE: OnceLock<NativeStage> = OnceLock::new();
    let before = WORK.get_or_init(|| sample_work().unwrap_or_else(|e| panic!("{e}")));
    let stage = STAGE.get_or_init(|| NativeStage::new(inner(), &about().stages[0]));
    set(bytes);
    let mut work = before.clone();
    let patch = stage.patch(&work, &json!({}), &Cancel::default());
    let refused = match patch {
        Err(failed) => {
            fails_well(&failed);
            true
        }
        Ok(patch) => match stage.apply(patch, &mut work) {
            Err(what) => {
                one_line(&what);
                true
            }
            Ok(()) => false,
        },
    };
    if refused {
        assert!(work == *before, "a refused patch changed the work");
        return;
    }
    for f in &work.findings[before.findings.len()..] {
        one_line(&f.to_string());
        assert!(f.code.starts_with(stage.about().name), "{f:?}");
    }
    for (a, b) in work.setups.iter().zip(&before.setups) {
        let steps = |order: &[grainway_pipeline::work::Entry]| {
            let words = order.iter().filter_map(|e| match e {
                grainway_pipeline::work::Entry::Cutter(_) => None,
                other => Some(format!("{other:?}")),
            });
            let mut all: Vec<String> = words.collect();
            all.sort();
            all
        };
        assert_eq!(steps(&a.order), steps(&b.order), "another running order");
    }
}

/// A failure is one line for people.
fn fails_well(failed: &Failed) {
    one_line(&failed.sentence());
}

fn one_line(text: &str) {
    assert!(!text.trim().is_empty(), "a failure without words");
    assert!(
        !text.chars().any(char::is_control),
        "not one line: {text:?}"
    );
    assert!(text.len() < 20_000, "no sentence: {} bytes", text.len());
}

/// What was let in has finite numbers, but for the height of the machine's top.
fn sensible(m: &ReadMove) {
    let finite = |v: Option<f64>| v.is_none_or(f64::is_finite);
    for k in [&m.from, &m.to] {
        let top = k.z.is_none_or(|z| z.is_finite() || z > 0.0 && !z.is_nan());
        assert!(finite(k.x) && finite(k.y) && top, "{m:?}");
    }
    assert!(finite(m.feed) && finite(m.spindle.map(|s| s.rpm)), "{m:?}");
    match &m.action {
        Action::Arc {
            centre,
            sweep,
            radius_mismatch,
        } => {
            let good = centre.is_finite() && sweep.is_finite() && radius_mismatch.is_finite();
            assert!(good && sweep.abs() > 0.0, "{m:?}");
        }
        Action::Dwell { seconds } => assert!(seconds.is_finite(), "{m:?}"),
        Action::Fault { code, .. } => assert!(["odd", "bad-word"].contains(code), "{m:?}"),
        _ => {}
    }
}

// ---- what the puppet is

fn about() -> LibraryAbout {
    let schema = json!({ "type": "object", "properties": { "gap": { "$ref": "#/$defs/Length" } } });
    LibraryAbout {
        name: "puppet".into(),
        version: "1".into(),
        summary: "Does what bytes say.".into(),
        requires: vec!["blobs".into()],
        uses: vec![],
        dialects: vec![DialectEntry {
            about: DialectAbout {
                name: "puppet".into(),
                version: 1,
                summary: "Any.".into(),
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
                line_length: 0,
                most_lines: 0,
                length_by_change: false,
                numbering: None,
                speed_by_hand: false,
                coarse: None,
                corner_tolerance_mm: None,
                pen: None,
                numbered_files: false,
            },
            reads: true,
            faults: vec!["odd".into(), "bad-word".into()],
        }],
        stages: vec![StageEntry {
            name: "puppet".into(),
            version: 1,
            summary: "Any.".into(),
            needs: vec!["ordered".into()],
            gives: vec!["puppet".into()],
            spoils: ["programs", "verified", "reported"]
                .map(String::from)
                .to_vec(),
            may: vec![May::Findings, May::HandWork, May::Order],
            findings: vec![FindingEntry {
                word: "word".into(),
                severity: Severity::Warning,
                about: "Any.".into(),
                remedy: "None.".into(),
            }],
            schema,
            example: json!({ "gap": 1 }),
        }],
    }
}

fn inner() -> &'static Arc<Inner> {
    static INNER: OnceLock<Arc<Inner>> = OnceLock::new();
    INNER.get_or_init(|| {
        Arc::new(Inner {
            table: TABLE,
            path: PathBuf::from("puppet"),
            about: about(),
            cancel: Arc::new(Cancel::default()),
        })
    })
}

/// One item of each kind.
fn items() -> Vec<Item> {
    let at = point(1.0, 2.0);
    vec![
        Item::RetractFull { safe_z: 25.0 },
        Item::Cutter(CutterChange {
            number: 1,
            id: "em6".into(),
            label: "6 mm \u{2300}".into(),
            by_hand: false,
        }),
        Item::Spindle(Some(Spindle {
            rpm: 18_000.0,
            clockwise: true,
        })),
        Item::Dwell { seconds: 1.0 },
        Item::Step(StepStart {
            number: 1,
            label: "rail / outline".into(),
        }),
        Item::Move(Move::rapid(at.at_z(25.0))),
        Item::Move(Move::line(at.at_z(1.0), 300.0)),
        Item::Move(Move::Arc {
            centre: point(0.0, 0.0),
            sweep: -1.0,
            dz: 0.5,
            feed: 300.0,
        }),
        Item::Move(Move::Hole {
            at,
            retract: 21.0,
            bottom: 1.0,
            peck: Some(3.0),
            feed: 300.0,
        }),
        Item::Label(String::new()),
        Item::Spindle(None),
        Item::Pause {
            message: "Drive 4 screws".into(),
        },
    ]
}

// ---- what the puppet does

thread_local! {
    static SCRIPT: RefCell<(Vec<u8>, usize)> = const { RefCell::new((Vec::new(), 0)) };
}

fn set(bytes: &[u8]) {
    SCRIPT.with_borrow_mut(|s| *s = (bytes.to_vec(), 0));
}

/// The next byte of the script; 0 when there is none.
fn byte() -> u8 {
    SCRIPT.with_borrow_mut(|(bytes, at)| {
        let b = bytes.get(*at).copied().unwrap_or(0);
        *at += 1;
        b
    })
}

fn some(n: usize) -> Vec<u8> {
    SCRIPT.with_borrow_mut(|(bytes, at)| {
        let from = (*at).min(bytes.len());
        let to = (from + n).min(bytes.len());
        *at = to;
        bytes[from..to].to_vec()
    })
}

fn number() -> f64 {
    const NUMBERS: [f64; 12] = [
        0.0,
        -0.0,
        1.0,
        -12.5,
        25.0,
        1e9,
        1e308,
        f64::NAN,
        f64::INFINITY,
        f64::NEG_INFINITY,
        f64::MIN_POSITIVE,
        std::f64::consts::TAU,
    ];
    NUMBERS[usize::from(byte()) % NUMBERS.len()]
}

fn span() -> abi::Span {
    const EDGES: [u32; 4] = [0, 1, 7, u32::MAX];
    let edge = |b: u8| match b {
        0..200 => u32::from(b) % 16,
        b => EDGES[usize::from(b) % 4],
    };
    abi::Span {
        at: edge(byte()),
        len: edge(byte()),
    }
}

fn lent(bytes: &[u8]) -> abi::Bytes {
    abi::Bytes {
        data: bytes.as_ptr(),
        len: bytes.len(),
    }
}

static TABLE: abi::Plugin = abi::Plugin {
    magic: abi::MAGIC,
    major: abi::MAJOR,
    minor: abi::MINOR,
    size: size_of::<abi::Plugin>(),
    describe: Some(on_describe),
    create: Some(on_create),
    destroy: Some(on_destroy),
    dialect_write: Some(on_dialect_write),
    dialect_read: Some(on_dialect_read),
    stage_run: Some(on_stage_run),
};

unsafe extern "C" fn on_describe(host: *const abi::Host) -> i32 {
    // SAFETY: the host's table for this call.
    unsafe { act(host) }
}

unsafe extern "C" fn on_create(
    _: *const abi::Host,
    _: u32,
    _: abi::Bytes,
    _: abi::Bytes,
    instance: *mut *mut c_void,
) -> i32 {
    // The address of a static stands for an instance: it is never followed.
    let standing_in = (&raw const TABLE).cast_mut().cast();
    // SAFETY: the host's own place for the pointer.
    unsafe { instance.write(standing_in) };
    abi::CODE_OK
}

unsafe extern "C" fn on_destroy(instance: *mut c_void) -> i32 {
    assert_eq!(
        instance.cast_const(),
        (&raw const TABLE).cast(),
        "another's instance"
    );
    match byte() {
        b @ 250.. => i32::from(b),
        _ => abi::CODE_OK,
    }
}

unsafe extern "C" fn on_dialect_write(
    _: *mut c_void,
    host: *const abi::Host,
    head: abi::Bytes,
) -> i32 {
    assert!(
        !head.data.is_null() && head.len > 2,
        "a head of {} bytes",
        head.len
    );
    // SAFETY: the host's table for this call.
    unsafe { act(host) }
}

unsafe extern "C" fn on_dialect_read(_: *mut c_void, host: *const abi::Host) -> i32 {
    // SAFETY: the host's table for this call.
    unsafe { act(host) }
}

unsafe extern "C" fn on_stage_run(_: *mut c_void, host: *const abi::Host, work: abi::Bytes) -> i32 {
    assert!(
        !work.data.is_null() && work.len > 2,
        "a work of {} bytes",
        work.len
    );
    // SAFETY: the host's table for this call.
    unsafe { act(host) }
}

/// Does what the script says, and returns the code that it says.
///
/// # Safety
/// `host` is the table that the host gave for this call.
unsafe fn act(host: *const abi::Host) -> i32 {
    // SAFETY: the caller vouches for it; the table is plain data.
    let host = unsafe { host.read() };
    for _ in 0..MOST_DEEDS {
        let deed = byte() % 8;
        if deed == 0 {
            break;
        }
        // SAFETY: the table of this call.
        unsafe { do_one(deed, &host) };
    }
    match byte() {
        b @ 0..8 => i32::from(b),
        255 => -1,
        _ => abi::CODE_OK,
    }
}

/// # Safety
/// `host` is the table of this call.
unsafe fn do_one(deed: u8, host: &abi::Host) {
    // SAFETY: the caller vouches for it.
    unsafe {
        match deed {
            1 => write(host),
            2 => ask_for_items(host),
            3 => ask_for_text(host),
            4 => report_moves(host),
            5 => ask_for_blob(host),
            6 => ask_whether_cancelled(host),
            _ => at_no_place(host),
        }
    }
}

/// # Safety
/// `host` is the table of this call.
unsafe fn write(host: &abi::Host) {
    let (kind, n) = (u32::from(byte()), usize::from(byte()));
    let bytes = some(n);
    if let Some(write) = host.write {
        // SAFETY: lent for the call.
        known(unsafe { write(host.context, kind, lent(&bytes)) });
    }
}

/// # Safety
/// `host` is the table of this call.
unsafe fn ask_for_items(host: &abi::Host) {
    let Some(items) = host.items else { return };
    let mut batch = abi::Items {
        items: std::ptr::null(),
        count: 0,
        texts: lent(&[]),
    };
    // SAFETY: our own place for the batch.
    let code = unsafe { items(host.context, &raw mut batch) };
    known(code);
    if code == abi::CODE_OK {
        // SAFETY: lent by the host until the next batch is asked for.
        unsafe { looked_at(&batch) };
    }
}

/// # Safety
/// `host` is the table of this call.
unsafe fn ask_for_text(host: &abi::Host) {
    let Some(read) = host.read else { return };
    let mut piece = lent(&[]);
    // SAFETY: our own place for the piece.
    known(unsafe { read(host.context, &raw mut piece) });
    assert!(
        piece.len == 0 || !piece.data.is_null(),
        "a piece at no place"
    );
}

/// # Safety
/// `host` is the table of this call.
unsafe fn report_moves(host: &abi::Host) {
    let moves: Vec<abi::ReadMove> = (0..byte() % 6).map(|_| a_move()).collect();
    let texts = *b"oddbad-word \xffx";
    let Some(receive) = host.receive else { return };
    let batch = abi::ReadMoves {
        moves: moves.as_ptr(),
        count: moves.len(),
        texts: lent(&texts),
    };
    // SAFETY: lent for the call.
    known(unsafe { receive(host.context, &raw const batch) });
}

/// # Safety
/// `host` is the table of this call.
unsafe fn ask_for_blob(host: &abi::Host) {
    let n = usize::from(byte());
    let name = some(n);
    let Some(blob) = host.blob else { return };
    let mut block = abi::Numbers {
        data: std::ptr::null(),
        len: 0,
    };
    // SAFETY: the name is lent for the call, the place is ours.
    known(unsafe { blob(host.context, lent(&name), &raw mut block) });
}

/// # Safety
/// `host` is the table of this call.
unsafe fn ask_whether_cancelled(host: &abi::Host) {
    if let Some(cancelled) = host.cancelled {
        // SAFETY: no argument but the context.
        assert_eq!(unsafe { cancelled(host.context) }, 0, "nobody cancelled");
    }
}

fn known(code: i32) {
    let all = [
        abi::CODE_OK,
        abi::CODE_REFUSED,
        abi::CODE_CANCELLED,
        abi::CODE_HOST,
    ];
    assert!(all.contains(&code), "the host returned {code}");
}

/// Hands over null pointers with a length, lengths beyond memory and pointers that lie askew.
///
/// # Safety
/// `host` is the table of this call.
unsafe fn at_no_place(host: &abi::Host) {
    let askew = std::ptr::without_provenance::<u8>(1);
    let bytes = match byte() % 3 {
        0 => abi::Bytes {
            data: std::ptr::null(),
            len: 5,
        },
        1 => abi::Bytes {
            data: std::ptr::null(),
            len: usize::MAX,
        },
        _ => abi::Bytes {
            data: askew,
            len: usize::MAX,
        },
    };
    if let Some(write) = host.write {
        // SAFETY: the host checks for null and for the length before it follows a pointer.
        let code = unsafe { write(host.context, 2, bytes) };
        assert_ne!(code, abi::CODE_OK, "bytes from nowhere");
    }
    if let Some(receive) = host.receive {
        let batch = abi::ReadMoves {
            moves: askew.cast(),
            count: 1 + usize::from(byte()),
            texts: lent(&[]),
        };
        // SAFETY: the host checks alignment before it follows a pointer.
        let code = unsafe { receive(host.context, &raw const batch) };
        assert_ne!(code, abi::CODE_OK, "moves from nowhere");
    }
    if let Some(items) = host.items {
        // SAFETY: the host checks for null.
        let code = unsafe { items(host.context, std::ptr::null_mut()) };
        assert_ne!(code, abi::CODE_OK, "a batch into nowhere");
    }
}

/// The texts of a batch lie in it, and are UTF-8.
///
/// # Safety
/// The batch is lent by the host and was not given back.
unsafe fn looked_at(batch: &abi::Items) {
    if batch.count == 0 {
        return;
    }
    // SAFETY: the caller vouches for it.
    let items = unsafe { std::slice::from_raw_parts(batch.items, batch.count) };
    let texts: &[u8] = match batch.texts.len {
        0 => &[],
        // SAFETY: the caller vouches for it.
        len => unsafe { std::slice::from_raw_parts(batch.texts.data, len) },
    };
    for item in items {
        for s in [item.text, item.more] {
            let (from, len) = (s.at as usize, s.len as usize);
            let text = texts.get(from..from + len).map(std::str::from_utf8);
            assert!(matches!(text, Some(Ok(_))), "{item:?}");
        }
        let numbers = [item.x, item.y, item.z, item.a, item.b, item.feed];
        assert!(numbers.iter().all(|v| v.is_finite()), "{item:?}");
    }
}

fn a_move() -> abi::ReadMove {
    let line = u64::from(byte());
    let kind = match byte() {
        200 => u32::MAX,
        b => u32::from(b % 14),
    };
    let mut m = abi::ReadMove {
        line,
        kind,
        flags: u32::from(byte()) | u32::from(byte()) << 8,
        cutter: u32::from(byte()),
        text: span(),
        code: span(),
        ..abi::ReadMove::default()
    };
    let all = m.from.iter_mut().chain(&mut m.to).chain(&mut m.centre);
    for v in all.chain([
        &mut m.feed,
        &mut m.rpm,
        &mut m.sweep,
        &mut m.mismatch,
        &mut m.seconds,
    ]) {
        *v = number();
    }
    m
}
