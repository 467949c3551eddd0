//! The tests' child: a keeper, and workers that go wrong in every way.

use grainway_host::{Frame, Reporter};
use std::io::Write;
use std::process::{Command, ExitCode, Stdio};
use std::sync::{Barrier, Mutex};
use std::time::Duration;

fn main() -> ExitCode {
    let mut arguments = std::env::args_os().skip(1);
    match arguments.next().as_ref().and_then(|a| a.to_str()) {
        Some("keep") => match grainway_host::keep(arguments) {
            Ok(()) => ExitCode::SUCCESS,
            Err(_) => ExitCode::FAILURE,
        },
        Some("run") => parent(
            arguments
                .map(|a| a.to_string_lossy().into_owned())
                .collect(),
        ),
        Some(role) => worker(role),
        None => ExitCode::from(2),
    }
}

/// A parent of its own, to be killed: `run FOLDER ROLE`.
fn parent(arguments: Vec<String>) -> ExitCode {
    let [folder, role] = arguments.as_slice() else {
        return ExitCode::from(2);
    };
    let own = std::ffi::OsString::from("/proc/self/exe");
    let spec = grainway_host::Spec {
        keeper: vec![own.clone(), "keep".into()],
        worker: vec![own, role.into()],
        env: Vec::new(),
        folder: folder.into(),
        limits: grainway_host::Limits::default(),
    };
    match grainway_host::run(&spec, &|| false, &mut |_| {}) {
        Ok(_) => ExitCode::SUCCESS,
        Err(_) => ExitCode::FAILURE,
    }
}

fn forever() -> ! {
    loop {
        std::thread::sleep(Duration::from_secs(60));
    }
}

/// Two threads, each with the lock that the other waits for.
fn deadlocked() -> ! {
    static LOCKS: [Mutex<()>; 2] = [Mutex::new(()), Mutex::new(())];
    static BOTH: Barrier = Barrier::new(2);
    let take = |first: usize| {
        let _held = LOCKS[first].lock();
        BOTH.wait();
        drop(LOCKS[1 - first].lock());
    };
    std::thread::scope(|s| {
        s.spawn(|| take(0));
        s.spawn(|| take(1));
    });
    forever()
}

fn worker(role: &str) -> ExitCode {
    let Ok(line) = Reporter::begin() else {
        return ExitCode::from(70);
    };
    let send = |frame: Frame| line.send(&frame).is_ok();
    let stage = |name: &str, plugin: Option<&str>| {
        send(Frame::Stage {
            name: name.to_string(),
            plugin: plugin.map(str::to_string),
        })
    };
    stage("place", None);
    send(Frame::StageEnd);
    stage("post", Some("sentences"));
    match role {
        "good" => {}
        "slow" => {
            for name in ["a", "b", "c", "d"] {
                stage(name, None);
                std::thread::sleep(Duration::from_millis(600));
            }
        }
        "printing" => {
            let mut out = std::io::stdout();
            for _ in 0..10_000 {
                let _ = out.write_all(b"{\"frame\":\"refused\",\"message\":\"no\"}\n");
            }
            let _ = std::io::stderr().write_all("the end of it: \u{e4}\u{f6}".as_bytes());
        }
        "printing-without-end" => loop {
            let _ = std::io::stdout().write_all(&[b'x'; 65536]);
        },
        "environment" => {
            let mut names: Vec<String> = std::env::vars().map(|(k, _)| k).collect();
            names.sort();
            let _ = std::io::stdout().write_all(names.join(" ").as_bytes());
        }
        "limits" => {
            let text = std::fs::read_to_string("/proc/self/limits").unwrap_or_default();
            let _ = std::io::stdout().write_all(text.as_bytes());
        }
        "input" => {
            let text = std::io::read_to_string(std::io::stdin()).unwrap_or("broken".to_string());
            let _ = write!(std::io::stdout(), "[{text}]");
        }
        "refusing" => {
            send(Frame::Refused {
                message: "the board is green".to_string(),
            });
            return ExitCode::FAILURE;
        }
        "panicking" => {
            send(Frame::Panicked {
                message: "index out of bounds".to_string(),
            });
            return ExitCode::FAILURE;
        }
        "breaking" => {
            send(Frame::Broke {
                message: "returned the unknown code 9".to_string(),
            });
            return ExitCode::FAILURE;
        }
        "aborting" => std::process::abort(),
        "segment" => loop {
            // The standard library's own handler takes the first one for a full stack and steps aside.
            let _ = nix::sys::signal::raise(nix::sys::signal::Signal::SIGSEGV);
        },
        "killed" => {
            let _ = nix::sys::signal::raise(nix::sys::signal::Signal::SIGKILL);
        }
        "hanging" => forever(),
        "deadlocked" => deadlocked(),
        "waiting-for-a-child" => {
            let _ = Command::new("/bin/sh")
                .args(["-c", "while :; do :; done"])
                .status();
        }
        "ignoring" => {
            // Nothing that can be ignored is asked of it; a stopped one must end too.
            let _ = nix::sys::signal::raise(nix::sys::signal::Signal::SIGSTOP);
            forever();
        }
        "spinning" => loop {
            std::hint::spin_loop();
        },
        "hoarding" => {
            let mut all: Vec<Vec<u8>> = Vec::new();
            loop {
                all.push(vec![1; 16 << 20]);
            }
        }
        "silent" => return ExitCode::SUCCESS,
        "leaving" => return ExitCode::from(7),
        "garbage" | "babbling" => {
            let number = std::env::var("GRAINWAY_FRAMES").unwrap_or_default();
            let pipe = std::fs::File::options()
                .write(true)
                .open(format!("/proc/self/fd/{number}"));
            if let Ok(mut pipe) = pipe {
                let _ = pipe.write_all(b"\x7fELF\x02\x01\n");
                while role == "babbling" && pipe.write_all(&[b'x'; 4096]).is_ok() {}
            }
            forever();
        }
        "closing" => {
            for fd in 0..64 {
                let _ = nix::unistd::close(fd);
            }
            forever();
        }
        "closing-and-going" => {
            for fd in 0..64 {
                let _ = nix::unistd::close(fd);
            }
            // Not by return: files of this process would be closed a second time, for which a debug build aborts.
            std::process::exit(0);
        }
        "lingering" => {
            send(Frame::Done);
            forever();
        }
        "threads" => {
            for _ in 0..8 {
                std::thread::spawn(|| {
                    loop {
                        std::hint::spin_loop();
                    }
                });
            }
        }
        "grandchildren" => grandchildren(),
        "grandchildren-and-hanging" => {
            grandchildren();
            let _ = std::fs::File::create_new("ready");
            forever();
        }
        "ending-its-keeper" => {
            grandchildren();
            let _ =
                nix::sys::signal::kill(nix::unistd::getppid(), nix::sys::signal::Signal::SIGKILL);
            forever();
        }
        "large-file" => {
            let _ = std::fs::File::create_new("large").and_then(|mut f| {
                for _ in 0..64 {
                    f.write_all(&[0; 65536])?;
                }
                Ok(())
            });
        }
        "many-files" => {
            let open: Vec<_> = (0..64)
                .map_while(|_| std::fs::File::open("/dev/null").ok())
                .collect();
            let _ = write!(std::io::stdout(), "{} files", open.len());
        }
        _ => return ExitCode::from(71),
    }
    send(Frame::Done);
    ExitCode::SUCCESS
}

/// One in the group, one in a session of its own whose parent is gone, one that holds every pipe. Their argument marks them.
fn grandchildren() {
    let mark = std::env::var("MARK").unwrap_or_else(|_| "600".to_string());
    let sleeping = format!("sleep {mark}");
    let _ = Command::new("/bin/sh")
        .args(["-c", &sleeping])
        .stdin(Stdio::null())
        .spawn();
    for script in [
        format!("(setsid {sleeping} &) &"),
        format!("setsid sh -c '(setsid {sleeping} &) & {sleeping}' >/dev/null 2>&1 &"),
    ] {
        let _ = Command::new("/bin/sh")
            .env("PATH", "/usr/bin:/bin")
            .args(["-c", &script])
            .status();
    }
    // Time to become what they are to be.
    std::thread::sleep(Duration::from_millis(300));
}
