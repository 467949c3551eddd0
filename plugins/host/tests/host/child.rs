//! The process that holds one job.

use grainway_host::child::TimeLimit;
use grainway_host::{End, Ended, Frame, Limits, Spec, run};
use std::ffi::OsString;
use std::path::PathBuf;
use std::sync::atomic::{AtomicU32, Ordering};
use std::time::{Duration, Instant};

const CHILD: &str = env!("CARGO_BIN_EXE_grainway-host-child");
static NEXT: AtomicU32 = AtomicU32::new(0);

/// A folder of its own, and a number no other test's processes bear.
struct Place {
    folder: PathBuf,
    mark: String,
}

impl Place {
    fn new() -> Place {
        let n = NEXT.fetch_add(1, Ordering::Relaxed);
        let own = std::process::id();
        let folder = std::env::temp_dir().join(format!("grainway-child-{own}-{n}"));
        let _ = std::fs::remove_dir_all(&folder);
        std::fs::create_dir_all(&folder).unwrap();
        Place {
            folder,
            mark: format!("{}.{own}", 600 + n),
        }
    }
    fn spec(&self, role: &str, limits: Limits) -> Spec {
        Spec {
            keeper: vec![CHILD.into(), "keep".into()],
            worker: vec![CHILD.into(), role.into()],
            env: vec![("MARK".into(), OsString::from(&self.mark))],
            folder: self.folder.clone(),
            limits,
        }
    }
    /// Processes that were started here and still run: by the mark in their arguments, or by their folder.
    fn left(&self) -> Vec<String> {
        let mut found = Vec::new();
        for entry in std::fs::read_dir("/proc").unwrap().flatten() {
            let path = entry.path();
            let line = std::fs::read(path.join("cmdline")).unwrap_or_default();
            let line = String::from_utf8_lossy(&line).replace('\0', " ");
            let here = std::fs::read_link(path.join("cwd")).is_ok_and(|f| f == self.folder);
            if here || line.contains(&self.mark) {
                found.push(format!("{} {line}", entry.file_name().to_string_lossy()));
            }
        }
        found
    }
}

impl Drop for Place {
    fn drop(&mut self) {
        let _ = std::fs::remove_dir_all(&self.folder);
    }
}

fn limits() -> Limits {
    Limits {
        memory_mib: 512,
        cpu_seconds: 20,
        stage_seconds: 20,
        ..Limits::default()
    }
}

/// Runs a role, and nothing is left of it, whatever it did.
fn ended(role: &str, limits: Limits) -> (Ended, Duration) {
    let place = Place::new();
    let begin = Instant::now();
    let ended = run(&place.spec(role, limits), &|| false, &mut |_| {}).unwrap();
    let took = begin.elapsed();
    assert_eq!(place.left(), Vec::<String>::new(), "{role}");
    (ended, took)
}

fn in_post(ended: &Ended) {
    let stage = ended.stage.as_ref().unwrap();
    assert_eq!(
        (stage.name.as_str(), stage.plugin.as_deref()),
        ("post", Some("sentences"))
    );
}

#[test]
fn a_good_worker_is_heard_and_ends_well() {
    let place = Place::new();
    let mut heard = Vec::new();
    let ended = run(&place.spec("good", limits()), &|| false, &mut |f| {
        heard.push(f.clone());
    })
    .unwrap();
    assert_eq!(ended.end, End::Ok);
    let stage = |name: &str, plugin: Option<&str>| Frame::Stage {
        name: name.to_string(),
        plugin: plugin.map(str::to_string),
    };
    let expected = [
        stage("place", None),
        Frame::StageEnd,
        stage("post", Some("sentences")),
        Frame::Done,
    ];
    assert_eq!(heard, expected);
    in_post(&ended);
    assert_eq!(place.left(), Vec::<String>::new());
}

#[test]
fn every_end_has_its_own_word() {
    let segment = nix::sys::signal::Signal::SIGSEGV as i32;
    let abort = nix::sys::signal::Signal::SIGABRT as i32;
    let kill = nix::sys::signal::Signal::SIGKILL as i32;
    for (role, end) in [
        ("good", End::Ok),
        ("threads", End::Ok),
        ("refusing", End::Refused("the board is green".to_string())),
        (
            "panicking",
            End::Panicked("index out of bounds".to_string()),
        ),
        (
            "breaking",
            End::Broke("returned the unknown code 9".to_string()),
        ),
        ("aborting", End::Signal(abort)),
        ("segment", End::Signal(segment)),
        ("killed", End::Signal(kill)),
        ("hoarding", End::Memory { mib: 512 }),
        (
            "silent",
            End::Protocol("it ended without saying that it was done".to_string()),
        ),
        ("leaving", End::Exit(7)),
        (
            "garbage",
            End::Protocol(r#"it sent "\u{7f}ELF\u{2}\u{1}""#.to_string()),
        ),
        (
            "closing-and-going",
            End::Protocol("it ended without saying that it was done".to_string()),
        ),
    ] {
        let (ended, took) = ended(role, limits());
        assert_eq!(ended.end, end, "{role}: {}", ended.printed);
        assert!(!ended.end.sentence().is_empty());
        in_post(&ended);
        assert!(took < Duration::from_secs(5), "{role} took {took:?}");
    }
}

#[test]
fn a_stage_that_takes_too_long_is_ended() {
    let limits = Limits {
        stage_seconds: 1,
        ..limits()
    };
    for role in ["hanging", "ignoring", "spinning", "printing-without-end"] {
        let (ended, took) = ended(role, limits.clone());
        let late = End::TimeOut {
            limit: TimeLimit::Stage,
            seconds: 1,
        };
        assert_eq!(ended.end, late, "{role}");
        in_post(&ended);
        assert!(took >= Duration::from_secs(1), "{role} took {took:?}");
        assert!(took < Duration::from_secs(6), "{role} took {took:?}");
    }
    // Four stages of 0.6 s: each has a time of its own.
    assert_eq!(ended("slow", limits).0.end, End::Ok);
}

/// Nobody has to wait for the end of a stage's time when nothing is done any more.
#[test]
fn a_worker_that_does_nothing_is_ended() {
    let quick = Limits {
        idle_seconds: 1,
        ..limits()
    };
    for role in ["deadlocked", "hanging", "ignoring"] {
        let (ended, took) = ended(role, quick.clone());
        let idle = End::TimeOut {
            limit: TimeLimit::Idle,
            seconds: 1,
        };
        assert_eq!(ended.end, idle, "{role}");
        assert!(ended.end.sentence().contains("did nothing for 1 s"));
        in_post(&ended);
        assert!(took >= Duration::from_secs(1), "{role} took {took:?}");
        assert!(took < Duration::from_secs(6), "{role} took {took:?}");
    }
    // Waits that are shorter; and work, its own or that of a process that it waits for, goes on until another limit.
    assert_eq!(ended("slow", quick.clone()).0.end, End::Ok);
    let late = End::TimeOut {
        limit: TimeLimit::Stage,
        seconds: 3,
    };
    let until_late = Limits {
        stage_seconds: 3,
        ..quick
    };
    for role in ["spinning", "waiting-for-a-child"] {
        assert_eq!(ended(role, until_late.clone()).0.end, late, "{role}");
    }
}

#[test]
fn processor_time_is_limited() {
    let limits = Limits {
        cpu_seconds: 1,
        ..limits()
    };
    let (ended, took) = ended("spinning", limits);
    let used = End::TimeOut {
        limit: TimeLimit::Processor,
        seconds: 1,
    };
    assert_eq!(ended.end, used);
    assert!(took < Duration::from_secs(10), "{took:?}");
}

#[test]
fn a_worker_that_closes_its_line_or_lingers_is_ended() {
    for (role, says) in [
        ("closing", "closed its line"),
        ("lingering", "did not end after it said"),
        ("babbling", "it sent"),
    ] {
        let (ended, took) = ended(role, limits());
        let End::Protocol(why) = &ended.end else {
            panic!("{role}: {:?}", ended.end)
        };
        assert!(why.contains(says), "{role}: {why}");
        assert!(took < Duration::from_secs(8), "{role} took {took:?}");
    }
}

#[test]
fn what_is_printed_disturbs_nothing_and_its_end_is_kept() {
    let (ended, _) = ended("printing", limits());
    assert_eq!(ended.end, End::Ok);
    assert!(ended.printed.len() <= 8192 + 3, "{}", ended.printed.len());
    assert!(ended.printed.ends_with("the end of it: äö"));
}

#[test]
fn no_environment_and_no_input_reach_it() {
    let (heard, _) = ended("environment", limits());
    assert_eq!(heard.printed, "GRAINWAY_FRAMES GRAINWAY_KEEPER MARK");
    let (heard, _) = ended("input", limits());
    assert_eq!(heard.printed, "[]");
}

#[test]
fn limits_hold_in_the_worker() {
    let limits = Limits {
        file_mib: 1,
        open_files: 32,
        ..limits()
    };
    let (shown, _) = ended("limits", limits.clone());
    for (name, value) in [
        ("Max address space", 512 << 20),
        ("Max cpu time", 20),
        ("Max file size", 1 << 20),
        ("Max open files", 32),
        ("Max core file size", 0),
    ] {
        let row = shown.printed.lines().find(|l| l.starts_with(name)).unwrap();
        let soft = row[name.len()..].split_whitespace().next().unwrap();
        assert_eq!(soft, value.to_string(), "{row}");
    }
    let (large, _) = ended("large-file", limits.clone());
    assert_eq!(large.end.sentence(), "it wrote a larger file than allowed");
    let (many, _) = ended("many-files", limits);
    let open: u32 = many.printed.split(' ').next().unwrap().parse().unwrap();
    assert!((20..32).contains(&open), "{}", many.printed);
}

#[test]
fn processes_that_it_starts_end_with_it() {
    let (ended, took) = ended("grandchildren", limits());
    assert_eq!(ended.end, End::Ok);
    // A shell and its sleep may be one process or two; at least the three sleeps were there.
    assert!(ended.left >= 3, "{}", ended.left);
    assert!(took < Duration::from_secs(5), "{took:?}");
}

#[test]
fn a_worker_that_ends_its_keeper_is_ended_with_all_it_started() {
    let place = Place::new();
    let begin = Instant::now();
    let ended = run(
        &place.spec("ending-its-keeper", limits()),
        &|| false,
        &mut |_| {},
    )
    .unwrap();
    let lost = End::Protocol("the process that keeps it was ended".to_string());
    assert_eq!(ended.end, lost);
    assert!(begin.elapsed() < Duration::from_secs(5));
    // What went into a session of its own is out of reach once the keeper is gone; the worker and its own session are not.
    let left = place.left();
    for line in &left {
        let id: i32 = line.split(' ').next().unwrap().parse().unwrap();
        let _ = nix::sys::signal::kill(
            nix::unistd::Pid::from_raw(id),
            nix::sys::signal::Signal::SIGKILL,
        );
    }
    assert!(
        !left.iter().any(|l| l.contains("grainway-host-child")),
        "{left:?}"
    );
}

#[test]
fn a_wish_to_cancel_ends_it_at_once() {
    let place = Place::new();
    let begin = Instant::now();
    let cancelled = || begin.elapsed() > Duration::from_millis(700);
    let spec = place.spec("grandchildren-and-hanging", limits());
    let ended = run(&spec, &cancelled, &mut |_| {}).unwrap();
    assert_eq!(ended.end, End::Cancelled);
    assert!(
        begin.elapsed() < Duration::from_secs(4),
        "{:?}",
        begin.elapsed()
    );
    assert_eq!(place.left(), Vec::<String>::new());
}

/// A program that ends with its test, however that ends.
struct Ends(std::process::Child);

impl Drop for Ends {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

#[test]
fn a_killed_parent_takes_everything_with_it() {
    let place = Place::new();
    let parent = std::process::Command::new(CHILD)
        .args([
            "run",
            place.folder.to_str().unwrap(),
            "grandchildren-and-hanging",
        ])
        .current_dir(&place.folder)
        .spawn()
        .unwrap();
    let parent = Ends(parent);
    let begin = Instant::now();
    while !place.folder.join("ready").exists() && begin.elapsed() < Duration::from_secs(20) {
        std::thread::sleep(Duration::from_millis(20));
    }
    // The parent, the keeper, the worker and at least three sleepers stand in the folder.
    assert!(place.left().len() >= 6, "{:?}", place.left());
    drop(parent);
    let begin = Instant::now();
    while !place.left().is_empty() && begin.elapsed() < Duration::from_secs(5) {
        std::thread::sleep(Duration::from_millis(10));
    }
    assert_eq!(place.left(), Vec::<String>::new());
}

#[test]
fn what_cannot_start_is_said() {
    let place = Place::new();
    let mut spec = place.spec("good", limits());
    spec.worker = vec!["/no/such/program".into()];
    let problem = run(&spec, &|| false, &mut |_| {}).unwrap_err().to_string();
    assert!(
        problem.contains("/no/such/program cannot be started"),
        "{problem}"
    );
    let mut spec = place.spec("good", limits());
    spec.keeper = vec!["/no/such/keeper".into()];
    let problem = run(&spec, &|| false, &mut |_| {}).unwrap_err().to_string();
    assert!(problem.contains("/no/such/keeper"), "{problem}");
    let mut spec = place.spec("good", limits());
    spec.keeper = vec!["/bin/true".into()];
    let problem = run(&spec, &|| false, &mut |_| {}).unwrap_err().to_string();
    assert!(problem.contains("keeper ended"), "{problem}");
    let spec = place.spec(
        "good",
        Limits {
            memory_mib: 1,
            ..limits()
        },
    );
    let problem = run(&spec, &|| false, &mut |_| {}).unwrap_err().to_string();
    assert!(problem.contains("memory-mib is 1"), "{problem}");
}

#[test]
fn many_at_a_time_do_not_disturb_each_other() {
    let workers: Vec<_> = [
        "good",
        "segment",
        "grandchildren",
        "printing",
        "leaving",
        "good",
    ]
    .into_iter()
    .map(|role| std::thread::spawn(move || ended(role, limits()).0.end))
    .collect();
    let ends: Vec<End> = workers.into_iter().map(|w| w.join().unwrap()).collect();
    let segment = nix::sys::signal::Signal::SIGSEGV as i32;
    assert_eq!(
        ends,
        [
            End::Ok,
            End::Signal(segment),
            End::Ok,
            End::Ok,
            End::Exit(7),
            End::Ok
        ]
    );
}
