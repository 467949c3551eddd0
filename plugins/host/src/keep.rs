//! The keeper: a small process between the parent and the worker that leaves no process behind.
//!
//! Whatever the worker starts, in whatever group or session, becomes a child of the keeper when its own parent dies; so the keeper
//! can find and end all of it. It ends everything when the worker ends, when the parent says so, and when the parent is gone: all
//! three are seen without waiting. Its standard input is the line to the parent, its output the pipe for frames, its error output
//! the pipe for whatever is printed.

use crate::frames::{FRAMES, KEEPER};
use crate::limits::Limits;
use crate::processes::{Process, process, processes};
use nix::errno::Errno;
use nix::fcntl::{FcntlArg, fcntl};
use nix::poll::{PollFd, PollFlags, PollTimeout, poll};
use nix::sys::prctl;
use nix::sys::resource::{UsageWho, getrusage};
use nix::sys::signal::{SigSet, Signal, kill, killpg};
use nix::sys::signalfd::{SfdFlags, SignalFd};
use nix::sys::wait::{Id, WaitPidFlag, WaitStatus, waitid, waitpid};
use nix::unistd::{Pid, close, dup2_stderr, dup2_stdout, getpgrp, setsid};
use serde::{Deserialize, Serialize};
use std::ffi::OsString;
use std::fs::File;
use std::io::{Read, Write};
use std::os::fd::{AsFd, BorrowedFd, OwnedFd};
use std::os::unix::net::UnixStream;
use std::os::unix::process::CommandExt;
use std::process::{Command, Stdio};
use std::time::Duration;

/// What the keeper tells the parent, one line each.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub(crate) enum Word {
    /// The worker runs.
    Started(i32),
    /// No worker could be started.
    NotStarted(String),
    /// Everything has ended.
    Ended {
        /// The worker's exit code.
        code: Option<i32>,
        /// The signal that ended it.
        signal: Option<i32>,
        /// The most memory it really held, KiB.
        memory_kib: i64,
        /// Processes that it had started and left.
        left: u32,
    },
}

/// Runs the keeper in this process, which must have one thread. Arguments: the limits as JSON, then the worker's program and its
/// arguments. The error is one sentence; it goes to the parent too.
pub fn keep(arguments: impl IntoIterator<Item = OsString>) -> Result<(), String> {
    let mut line = std::io::stdin()
        .as_fd()
        .try_clone_to_owned()
        .map(UnixStream::from)
        .map_err(|e| format!("standard input: {e}"))?;
    let kept = start(arguments).and_then(|keeper| {
        let started = Word::Started(keeper.worker.as_raw());
        // A parent that cannot be told is gone; that is seen at the first look.
        let _ = say(&mut line, &started);
        keeper.watch(&line)
    });
    let last = match &kept {
        Ok(word) => word.clone(),
        Err(why) => Word::NotStarted(why.clone()),
    };
    let _ = say(&mut line, &last);
    kept.map(|_| ())
}

fn say(line: &mut UnixStream, word: &Word) -> std::io::Result<()> {
    let mut text = serde_json::to_vec(word)?;
    text.push(b'\n');
    line.write_all(&text)
}

struct Keeper {
    worker: Pid,
    deaths: SignalFd,
}

fn words(what: &'static str) -> impl Fn(Errno) -> String {
    move |e| format!("{what}: {}", e.desc())
}

fn start(arguments: impl IntoIterator<Item = OsString>) -> Result<Keeper, String> {
    let mut arguments = arguments.into_iter();
    let limits = arguments.next().ok_or("there are no limits")?;
    let limits = Limits::from_json(&limits.to_string_lossy()).map_err(|e| e.to_string())?;
    let program = arguments.next().ok_or("there is no program to start")?;
    // Out of the terminal's session: an interrupt there is the parent's business. Refused only to one that leads a group already.
    let _ = setsid();
    prctl::set_child_subreaper(true).map_err(words("orphans cannot be taken over"))?;
    let mut deaths = SigSet::empty();
    deaths.add(Signal::SIGCHLD);
    deaths
        .thread_block()
        .map_err(words("signals cannot be held"))?;
    let deaths = SignalFd::with_flags(&deaths, SfdFlags::SFD_CLOEXEC | SfdFlags::SFD_NONBLOCK)
        .map_err(words("signals cannot be read"))?;
    limits.apply().map_err(|e| e.to_string())?;

    // A duplicate without "close on exec" is what the worker inherits.
    let frames = fcntl(std::io::stdout().as_fd(), FcntlArg::F_DUPFD(3))
        .map_err(words("the pipe for frames cannot be passed on"))?;
    let copy = |fd: BorrowedFd<'_>| -> Result<OwnedFd, String> {
        fd.try_clone_to_owned()
            .map_err(|e| format!("the pipe for what is printed: {e}"))
    };
    let printed = std::io::stderr();
    let worker = Command::new(&program)
        .args(arguments)
        .env(FRAMES, frames.to_string())
        .env(KEEPER, std::process::id().to_string())
        .stdin(Stdio::null())
        .stdout(Stdio::from(copy(printed.as_fd())?))
        .stderr(Stdio::from(copy(printed.as_fd())?))
        .process_group(0)
        .spawn()
        .map_err(|e| format!("{} cannot be started: {e}", program.to_string_lossy()))?;
    // Both pipes are to end with the worker, so the keeper lets go of them.
    let nothing = File::options()
        .write(true)
        .open("/dev/null")
        .map_err(|e| format!("/dev/null: {e}"))?;
    close(frames).map_err(words("the pipe for frames"))?;
    dup2_stdout(&nothing).map_err(words("the pipe for frames"))?;
    dup2_stderr(&nothing).map_err(words("the pipe for what is printed"))?;
    let worker = i32::try_from(worker.id()).map_err(|e| e.to_string())?;
    Ok(Keeper {
        worker: Pid::from_raw(worker),
        deaths,
    })
}

impl Keeper {
    /// Waits until the worker ends or the parent wants an end, and ends all that is left.
    fn watch(&self, line: &UnixStream) -> Result<Word, String> {
        let mut line = line;
        loop {
            let mut both = [
                PollFd::new(line.as_fd(), PollFlags::POLLIN),
                PollFd::new(self.deaths.as_fd(), PollFlags::POLLIN),
            ];
            match poll(&mut both, PollTimeout::NONE) {
                Ok(_) | Err(Errno::EINTR) => {}
                Err(e) => return Err(words("waiting failed")(e)),
            }
            let [from_parent, death] = both.map(|p| p.any().unwrap_or(false));
            if death {
                while let Ok(Some(_)) = self.deaths.read_signal() {}
                self.reap_strays();
                if self.worker_ended() {
                    return self.end();
                }
            }
            if from_parent {
                // Nothing is ever asked but the end: by closing, by dying, by any byte.
                let _ = line.read(&mut [0; 16]);
                return self.end();
            }
        }
    }

    /// Has the worker ended? It stays unreaped, so that its number stays its own.
    fn worker_ended(&self) -> bool {
        let look = WaitPidFlag::WEXITED | WaitPidFlag::WNOHANG | WaitPidFlag::WNOWAIT;
        !matches!(
            waitid(Id::Pid(self.worker), look),
            Ok(WaitStatus::StillAlive)
        )
    }

    /// Reaps orphans that ended while the worker still runs.
    fn reap_strays(&self) {
        let worker = self.worker.as_raw();
        for stray in children().into_iter().filter(|c| c.id != worker) {
            let _ = waitpid(Pid::from_raw(stray.id), Some(WaitPidFlag::WNOHANG));
        }
    }

    fn end(&self) -> Result<Word, String> {
        // The group at once, so that nothing in it can start more; then whatever went into a group of its own.
        let _ = killpg(self.worker, Signal::SIGKILL);
        let mut status = (None, None);
        let mut left = 0;
        loop {
            end_all(children());
            match waitpid(None, Some(WaitPidFlag::WNOHANG)) {
                Ok(WaitStatus::Exited(pid, code)) if pid == self.worker => status.0 = Some(code),
                Ok(WaitStatus::Signaled(pid, signal, _)) if pid == self.worker => {
                    status.1 = Some(signal as i32);
                }
                Ok(WaitStatus::Exited(..) | WaitStatus::Signaled(..)) => left += 1,
                // Not a wait without end: one that was started a moment ago may not have been seen yet.
                Ok(_) | Err(Errno::EINTR) => std::thread::sleep(Duration::from_millis(1)),
                Err(Errno::ECHILD) => break,
                Err(e) => return Err(words("waiting failed")(e)),
            }
        }
        let memory_kib = getrusage(UsageWho::RUSAGE_CHILDREN).map_or(0, |u| u.max_rss());
        Ok(Word::Ended {
            code: status.0,
            signal: status.1,
            memory_kib,
            left,
        })
    }
}

/// The processes whose parent this one is, which has one thread. One that starts or ends meanwhile may be missing.
fn children() -> Vec<Process> {
    let own = std::process::id();
    // A list of children is not in every kernel; to look through all processes takes long where there are many.
    let mut all = match std::fs::read_to_string(format!("/proc/{own}/task/{own}/children")) {
        Ok(list) => {
            let numbers = list.split_ascii_whitespace();
            numbers
                .filter_map(|n| process(n.parse().ok()?))
                .collect::<Vec<_>>()
        }
        Err(_) => processes(),
    };
    let own = i32::try_from(own).unwrap_or(0);
    all.retain(|p| p.parent == own);
    all
}

/// Ends them with their groups: a signal to a group also meets what its members are just starting.
fn end_all(children: Vec<Process>) {
    let own = getpgrp().as_raw();
    for child in children {
        if child.group > 1 && child.group != own {
            let _ = killpg(Pid::from_raw(child.group), Signal::SIGKILL);
        }
        let _ = kill(Pid::from_raw(child.id), Signal::SIGKILL);
    }
}
