//! The parent's side: starts a job's process, hears it, keeps its deadlines, ends it and says how it ended.

use crate::frames::{Frame, Lines};
use crate::keep::Word;
use crate::limits::Limits;
use crate::processes::{processes, work_below};
use nix::fcntl::{FcntlArg, OFlag, fcntl};
use nix::poll::{PollFd, PollFlags, PollTimeout, poll};
use nix::sys::signal::{Signal, kill, killpg};
use nix::unistd::Pid;
use serde::{Deserialize, Serialize};
use std::collections::VecDeque;
use std::ffi::OsString;
use std::io::{PipeReader, Read};
use std::os::fd::{AsFd, OwnedFd};
use std::os::unix::net::UnixStream;
use std::path::PathBuf;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

/// How often a wish to cancel is looked for.
const LOOK: Duration = Duration::from_millis(50);
/// How long a worker may take to end after it said that it was done, or after it closed its pipe.
const GRACE: Duration = Duration::from_secs(5);
/// How long the keeper may take to end everything.
const KEEPER_GRACE: Duration = Duration::from_secs(20);
/// How much of what is printed is kept: the last bytes.
const TAIL: usize = 8 * 1024;
/// The share of the memory limit above which a death by other means counts as want of memory.
const MEMORY_SHARE: f64 = 0.8;
/// What counts against the limit without being held, MiB: the program itself, stacks, reserves of the allocator. Measured: 114.
const NOT_HELD: f64 = 128.0;

/// What to start.
pub struct Spec {
    /// A program and arguments that end in [`crate::keep`]; the limits and the worker's command are added.
    pub keeper: Vec<OsString>,
    /// The worker's program and arguments.
    pub worker: Vec<OsString>,
    /// The whole environment of both; nothing else is passed on.
    pub env: Vec<(OsString, OsString)>,
    /// Where it runs.
    pub folder: PathBuf,
    /// What it may use.
    pub limits: Limits,
}

/// How a worker ended.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum End {
    /// It did its work.
    Ok,
    /// A plugin refused what it was given: one sentence.
    Refused(String),
    /// A plugin panicked and said so: one sentence.
    Panicked(String),
    /// A plugin did not keep to its interface, or failed inside, and the worker saw it: one sentence.
    Broke(String),
    /// A signal ended it.
    Signal(i32),
    /// A stage, or all of them together, took longer than allowed.
    TimeOut {
        /// What was exceeded.
        limit: TimeLimit,
        /// How much is allowed, seconds.
        seconds: u64,
    },
    /// It wanted more memory than allowed.
    Memory {
        /// How much is allowed, MiB.
        mib: u64,
    },
    /// It did not keep to the protocol, or could not.
    Protocol(String),
    /// The user wanted an end.
    Cancelled,
    /// It ended by itself with this code and without a word.
    Exit(i32),
}

/// Which time.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum TimeLimit {
    /// Of one stage, by the clock.
    Stage,
    /// Of the processor, over the whole job.
    Processor,
    /// Without any use of the processor, by the clock.
    Idle,
}

impl End {
    /// One sentence for a finding, without the point.
    pub fn sentence(&self) -> String {
        match self {
            End::Ok => "it did its work".to_string(),
            End::Refused(why) | End::Panicked(why) | End::Broke(why) => why.clone(),
            End::Signal(number) => match Signal::try_from(*number) {
                Ok(Signal::SIGXFSZ) => "it wrote a larger file than allowed".to_string(),
                Ok(Signal::SIGKILL) => {
                    "it was killed from outside (signal 9), by somebody or by a system short of memory".to_string()
                }
                Ok(signal) => format!("the system ended it with signal {number} ({signal})"),
                Err(_) => format!("the system ended it with signal {number}"),
            },
            End::TimeOut {
                limit: TimeLimit::Stage,
                seconds,
            } => {
                format!("it was still at work after {seconds} s, the longest that a stage may take")
            }
            End::TimeOut {
                limit: TimeLimit::Processor,
                seconds,
            } => format!("it used {seconds} s of processor time, the most that a job may take"),
            End::TimeOut {
                limit: TimeLimit::Idle,
                seconds,
            } => {
                format!("it did nothing for {seconds} s, the longest that it may wait for anything")
            }
            End::Memory { mib } => format!("it wanted more than the {mib} MiB of memory allowed"),
            End::Protocol(why) => format!("it broke the protocol between processes: {why}"),
            End::Cancelled => "it was cancelled".to_string(),
            End::Exit(code) => format!("it ended by itself with code {code} and without a word"),
        }
    }
}

/// Where a worker was.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub struct StageAt {
    /// The stage.
    pub name: String,
    /// The plugin whose code ran in it.
    pub plugin: Option<String>,
}

/// A process that has ended, with everything it had started.
#[derive(Clone, Debug)]
pub struct Ended {
    /// How.
    pub end: End,
    /// The stage it was in, or the last it began.
    pub stage: Option<StageAt>,
    /// The end of what it printed, at most 8 KiB.
    pub printed: String,
    /// Processes that it had started and left; they were ended.
    pub left: u32,
}

/// Why no process was started.
#[derive(Debug, thiserror::Error)]
pub enum NotStarted {
    /// The machine has no room for it: no process, no open file, no program.
    #[error("the job's process cannot be started: {0}")]
    Machine(String),
    /// It was lost before it began.
    #[error("the job's process cannot be started: {0}")]
    Lost(String),
}

/// Starts the process and stays with it until it and all it started have ended. `frame` hears stages and progress; `cancelled` is
/// asked twenty times a second.
pub fn run(
    spec: &Spec,
    cancelled: &dyn Fn() -> bool,
    frame: &mut dyn FnMut(&Frame),
) -> Result<Ended, NotStarted> {
    let mut running = Running::start(spec).map_err(NotStarted::Machine)?;
    running.attend(cancelled, frame);
    running.finish(frame)
}

struct Running<'s> {
    limits: &'s Limits,
    keeper: Child,
    line: UnixStream,
    heard: Vec<u8>,
    frames: Option<PipeReader>,
    lines: Lines,
    printed: Option<PipeReader>,
    tail: VecDeque<u8>,
    worker: Option<i32>,
    stage: Option<StageAt>,
    said: Option<Frame>,
    verdict: Option<End>,
    word: Option<Word>,
    deadline: Instant,
    activity: Activity,
    ending: bool,
}

/// When the job's processes were last seen at work.
struct Activity {
    /// Processor time of all of them so far, clock ticks.
    ticks: u64,
    looked: Instant,
    worked: Instant,
}

/// Looks at the processes' work in the time that they may be idle.
const LOOKS: u32 = 10;
/// Ticks between two looks that are no work: the system's own, for a process that only waits.
const WAITING_TICKS: u64 = 1;

impl Activity {
    fn now() -> Activity {
        let now = Instant::now();
        Activity {
            ticks: 0,
            looked: now,
            worked: now,
        }
    }
    /// Nothing has been done for so long by the processes that descend from `keeper`.
    fn idle_for(&mut self, allowed: Duration, keeper: i32) -> bool {
        let now = Instant::now();
        if now < self.looked + allowed / LOOKS {
            return false;
        }
        self.looked = now;
        let work = work_below(keeper);
        let more = work.ticks.saturating_sub(self.ticks);
        self.ticks = work.ticks;
        if work.busy || more > WAITING_TICKS {
            self.worked = now;
        }
        now >= self.worked + allowed
    }
}

fn words(what: &'static str) -> impl Fn(std::io::Error) -> String {
    move |e| format!("{what}: {e}")
}

impl<'s> Running<'s> {
    fn start(spec: &'s Spec) -> Result<Running<'s>, String> {
        let limits = serde_json::to_string(&spec.limits).map_err(|e| e.to_string())?;
        let (program, arguments) = spec.keeper.split_first().ok_or("there is no keeper")?;
        let (line, theirs) = UnixStream::pair().map_err(words("no socket"))?;
        let (frames, frames_in) = std::io::pipe().map_err(words("no pipe"))?;
        let (printed, printed_in) = std::io::pipe().map_err(words("no pipe"))?;
        line.set_nonblocking(true).map_err(words("no socket"))?;
        for pipe in [&frames, &printed] {
            fcntl(pipe, FcntlArg::F_SETFL(OFlag::O_NONBLOCK))
                .map_err(|e| format!("no pipe: {}", e.desc()))?;
        }
        let keeper = Command::new(program)
            .args(arguments)
            .arg(limits)
            .args(&spec.worker)
            .env_clear()
            .envs(spec.env.iter().map(|(k, v)| (k, v)))
            .current_dir(&spec.folder)
            .stdin(Stdio::from(OwnedFd::from(theirs)))
            .stdout(Stdio::from(frames_in))
            .stderr(Stdio::from(printed_in))
            .spawn()
            .map_err(|e| format!("{}: {e}", program.to_string_lossy()))?;
        Ok(Running {
            limits: &spec.limits,
            keeper,
            line,
            heard: Vec::new(),
            frames: Some(frames),
            lines: Lines::default(),
            printed: Some(printed),
            tail: VecDeque::new(),
            worker: None,
            stage: None,
            said: None,
            verdict: None,
            word: None,
            deadline: Instant::now() + Duration::from_secs(spec.limits.stage_seconds),
            activity: Activity::now(),
            ending: false,
        })
    }

    /// Until the keeper has said its last word or is lost.
    fn attend(&mut self, cancelled: &dyn Fn() -> bool, frame: &mut dyn FnMut(&Frame)) {
        while self.word.is_none() {
            if !self.ending {
                if cancelled() {
                    self.give_up(End::Cancelled);
                } else if Instant::now() >= self.deadline {
                    let late = self.late();
                    self.give_up(late);
                } else if self.idle() {
                    let idle = End::TimeOut {
                        limit: TimeLimit::Idle,
                        seconds: self.limits.idle_seconds,
                    };
                    self.give_up(idle);
                }
            } else if Instant::now() >= self.deadline {
                return;
            }
            let left = self.deadline.saturating_duration_since(Instant::now());
            let wait = PollTimeout::try_from(left.min(LOOK)).unwrap_or(PollTimeout::ZERO);
            let mut fds = vec![PollFd::new(self.line.as_fd(), PollFlags::POLLIN)];
            for pipe in [&self.frames, &self.printed].into_iter().flatten() {
                fds.push(PollFd::new(pipe.as_fd(), PollFlags::POLLIN));
            }
            // An interrupted wait is a short one.
            let _ = poll(&mut fds, wait);
            self.hear_frames(frame);
            self.hear_printed();
            if !self.hear_keeper() {
                return;
            }
        }
    }

    /// It waits for something that never comes. What ends after its last word has a deadline of its own.
    fn idle(&mut self) -> bool {
        let allowed = Duration::from_secs(self.limits.idle_seconds);
        let keeper = i32::try_from(self.keeper.id()).unwrap_or(0);
        self.said.is_none() && self.frames.is_some() && self.activity.idle_for(allowed, keeper)
    }

    /// What running past the deadline means here.
    fn late(&self) -> End {
        match &self.said {
            Some(_) => End::Protocol("it did not end after it said that it would".to_string()),
            None if self.frames.is_none() => {
                End::Protocol("it closed its line to grainway and went on".to_string())
            }
            None => End::TimeOut {
                limit: TimeLimit::Stage,
                seconds: self.limits.stage_seconds,
            },
        }
    }

    /// The first verdict stands; everything is ended.
    fn give_up(&mut self, end: End) {
        self.verdict.get_or_insert(end);
        if !self.ending {
            self.ending = true;
            self.deadline = Instant::now() + KEEPER_GRACE;
            // The keeper takes the closed line as the wish for an end. If it is gone, that is seen when its words are read.
            let _ = self.line.shutdown(std::net::Shutdown::Write);
        }
    }

    fn hear_frames(&mut self, frame: &mut dyn FnMut(&Frame)) {
        let mut bytes = [0; 16 * 1024];
        let Some(pipe) = &mut self.frames else { return };
        match pipe.read(&mut bytes) {
            Ok(0) => {
                self.frames = None;
                if !self.ending {
                    self.deadline = self.deadline.min(Instant::now() + GRACE);
                }
            }
            Ok(n) => {
                let mut frames = Vec::new();
                let whole = self.lines.push(&bytes[..n], &mut frames);
                for f in frames {
                    self.take(f, frame);
                }
                if let Err(why) = whole {
                    // What is on the pipe no longer makes sense; it is closed so that it cannot fill anything.
                    self.frames = None;
                    self.give_up(End::Protocol(why));
                }
            }
            Err(e) if would_wait(&e) => {}
            Err(e) => {
                self.frames = None;
                self.give_up(End::Protocol(e.to_string()));
            }
        }
    }

    fn take(&mut self, heard: Frame, frame: &mut dyn FnMut(&Frame)) {
        frame(&heard);
        let now = Instant::now();
        self.activity.worked = now;
        let stage_time = Duration::from_secs(self.limits.stage_seconds);
        match heard {
            Frame::Progress { .. } => {}
            _ if self.said.is_some() => {
                self.give_up(End::Protocol("it spoke after its last word".to_string()));
            }
            Frame::Stage { name, plugin } => {
                self.stage = Some(StageAt { name, plugin });
                self.put_off(now + stage_time);
            }
            Frame::StageEnd => self.put_off(now + stage_time),
            Frame::Panicked { .. } | Frame::Refused { .. } | Frame::Broke { .. } | Frame::Done => {
                self.said = Some(heard);
                self.put_off(now + GRACE);
            }
        }
    }

    fn put_off(&mut self, deadline: Instant) {
        if !self.ending {
            self.deadline = deadline;
        }
    }

    fn hear_printed(&mut self) {
        let mut bytes = [0; 64 * 1024];
        let Some(pipe) = &mut self.printed else {
            return;
        };
        match pipe.read(&mut bytes) {
            Ok(0) => self.printed = None,
            Ok(n) => {
                let new = &bytes[n.saturating_sub(TAIL)..n];
                let over = (self.tail.len() + new.len()).saturating_sub(TAIL);
                self.tail.drain(..over);
                self.tail.extend(new);
            }
            Err(e) if would_wait(&e) => {}
            Err(_) => self.printed = None,
        }
    }

    /// `false` when the keeper is lost.
    fn hear_keeper(&mut self) -> bool {
        let mut bytes = [0; 4096];
        match self.line.read(&mut bytes) {
            Ok(0) => return false,
            Ok(n) => self.heard.extend_from_slice(&bytes[..n]),
            Err(e) if would_wait(&e) => {}
            Err(_) => return false,
        }
        while let Some(at) = self.heard.iter().position(|b| *b == b'\n') {
            let line: Vec<u8> = self.heard.drain(..=at).collect();
            match serde_json::from_slice(&line) {
                Ok(Word::Started(worker)) => self.worker = Some(worker),
                Ok(word) => self.word = Some(word),
                Err(_) => return false,
            }
        }
        true
    }

    /// Hears the rest, makes sure that nothing is left, and judges.
    fn finish(mut self, frame: &mut dyn FnMut(&Frame)) -> Result<Ended, NotStarted> {
        if self.word.is_none() {
            self.end_without_keeper();
        }
        // Everybody who could write is gone: what the pipes hold is finite.
        while self.frames.is_some() && readable(self.frames.as_ref()) {
            self.hear_frames(frame);
        }
        while self.printed.is_some() && readable(self.printed.as_ref()) {
            self.hear_printed();
        }
        let _ = self.keeper.wait();
        let printed = String::from_utf8_lossy(self.tail.make_contiguous()).into_owned();
        let (end, left) = match self.word.take() {
            Some(Word::NotStarted(why)) => return Err(NotStarted::Lost(why)),
            Some(Word::Ended {
                code,
                signal,
                memory_kib,
                left,
            }) => (self.judge(code, signal, memory_kib, &printed), left),
            _ if self.worker.is_none() && self.verdict.is_none() => {
                return Err(NotStarted::Lost(format!(
                    "its keeper ended before it began. {}",
                    printed.trim()
                )));
            }
            _ => {
                let lost = End::Protocol("the process that keeps it was ended".to_string());
                (self.verdict.take().unwrap_or(lost), 0)
            }
        };
        Ok(Ended {
            end,
            stage: self.stage.take(),
            printed,
            left,
        })
    }

    /// Somebody ended the keeper, or it hangs. The worker dies with it by the system's own means; what else is in its session is
    /// ended here.
    fn end_without_keeper(&mut self) {
        let _ = self.keeper.kill();
        if let Some(worker) = self.worker {
            let _ = killpg(Pid::from_raw(worker), Signal::SIGKILL);
        }
        let Ok(session) = i32::try_from(self.keeper.id()) else {
            return;
        };
        // The keeper is not reaped yet, so the number of its session cannot be another's. A signal takes a moment to work.
        let until = Instant::now() + GRACE;
        while Instant::now() < until {
            let mut rest = processes();
            rest.retain(|p| p.session == session && p.id != session && !p.zombie);
            if rest.is_empty() {
                return;
            }
            for process in rest {
                let _ = kill(Pid::from_raw(process.id), Signal::SIGKILL);
            }
            std::thread::sleep(Duration::from_millis(2));
        }
    }

    fn judge(
        &mut self,
        code: Option<i32>,
        signal: Option<i32>,
        memory_kib: i64,
        printed: &str,
    ) -> End {
        if let Some(verdict) = self.verdict.take() {
            return verdict;
        }
        match (self.said.take(), code, signal) {
            (Some(Frame::Panicked { message }), _, _) => End::Panicked(message),
            (Some(Frame::Refused { message }), _, _) => End::Refused(message),
            (Some(Frame::Broke { message }), _, _) => End::Broke(message),
            (Some(_), Some(0), _) => End::Ok,
            (_, _, Some(signal)) if signal == Signal::SIGXCPU as i32 => End::TimeOut {
                limit: TimeLimit::Processor,
                seconds: self.limits.cpu_seconds,
            },
            (_, _, Some(signal)) if self.wanted_memory(signal, memory_kib, printed) => {
                End::Memory {
                    mib: self.limits.memory_mib,
                }
            }
            (_, _, Some(signal)) => End::Signal(signal),
            (None, Some(0), _) => {
                End::Protocol("it ended without saying that it was done".to_string())
            }
            (_, Some(code), _) => End::Exit(code),
            (_, None, None) => End::Protocol("it was lost".to_string()),
        }
    }

    /// The system has no signal for "no more memory". An allocator that is refused aborts and says so; code that does not look at
    /// what it was given runs into nothing. (A kill alone says nothing of memory: people and systems kill for other reasons too.)
    fn wanted_memory(&self, signal: i32, memory_kib: i64, printed: &str) -> bool {
        let aborted = signal == Signal::SIGABRT as i32
            && (printed.contains("memory allocation of") || printed.contains("bad_alloc"));
        let limit = self.limits.memory_mib as f64;
        let full = memory_kib as f64 / 1024.0 >= (MEMORY_SHARE * limit).min(limit - NOT_HELD);
        aborted || full
    }
}

fn would_wait(e: &std::io::Error) -> bool {
    matches!(
        e.kind(),
        std::io::ErrorKind::WouldBlock | std::io::ErrorKind::Interrupted
    )
}

fn readable(pipe: Option<&PipeReader>) -> bool {
    let Some(pipe) = pipe else { return false };
    let mut fd = [PollFd::new(pipe.as_fd(), PollFlags::POLLIN)];
    poll(&mut fd, PollTimeout::ZERO).is_ok_and(|n| n > 0)
}

impl Drop for Running<'_> {
    /// A parent that unwinds takes its job's process with it: the closed line is the keeper's sign.
    fn drop(&mut self) {
        let _ = self.line.shutdown(std::net::Shutdown::Both);
        let _ = self.keeper.wait();
    }
}
