//! `grainway watch` as people run it: the real binary, its lines, and its page asked over a plain socket.

use crate::bench::{Bench, job, shop};
use serde_json::{Value, json};
use std::io::{BufRead, BufReader, Read, Write};
use std::net::TcpStream;
use std::process::{Child, ChildStdout, Command, Stdio};

/// A watch at work.
struct Watching {
    child: Child,
    lines: BufReader<ChildStdout>,
    address: String,
}

impl Watching {
    /// Begins; what it makes stands below `tmp` of the bench.
    fn begin(bench: &Bench, job: &str) -> Watching {
        std::fs::create_dir_all(bench.path("tmp")).unwrap();
        let mut child = Command::new(env!("CARGO_BIN_EXE_grainway"))
            .args(["--json", "watch", job])
            .current_dir(&bench.root)
            .env("TMPDIR", bench.path("tmp"))
            .env_remove("RUST_BACKTRACE")
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        let lines = BufReader::new(child.stdout.take().unwrap());
        let mut watching = Watching {
            child,
            lines,
            address: String::new(),
        };
        let first = watching.line();
        let address = first["listening"].as_str().unwrap();
        watching.address = address.strip_prefix("http://").unwrap().to_string();
        assert!(watching.address.starts_with("127.0.0.1:"), "{first}");
        watching
    }
    fn line(&mut self) -> Value {
        let mut line = String::new();
        self.lines.read_line(&mut line).unwrap();
        serde_json::from_str(&line).unwrap_or_else(|e| panic!("{line:?}: {e}"))
    }
    /// The HTTP status and the body of a path of the watch's page.
    fn get(&self, path: &str) -> (u16, String) {
        self.get_as(path, &self.address)
    }
    fn get_as(&self, path: &str, host: &str) -> (u16, String) {
        let mut stream = TcpStream::connect(&self.address).unwrap();
        write!(
            stream,
            "GET {path} HTTP/1.1\r\nHost: {host}\r\nConnection: close\r\n\r\n"
        )
        .unwrap();
        let mut answer = Vec::new();
        stream.read_to_end(&mut answer).unwrap();
        let answer = String::from_utf8_lossy(&answer).into_owned();
        let (head, body) = answer.split_once("\r\n\r\n").unwrap();
        let status = head.split(' ').nth(1).unwrap().parse().unwrap();
        (status, body.to_string())
    }
    fn state(&self) -> Value {
        // The page is told right after the line.
        serde_json::from_str(&self.get("/state").1).unwrap()
    }
    /// The page's state once it knows of this make.
    fn state_of(&self, make: u64) -> Value {
        loop {
            let state = self.state();
            if state["make"] == make {
                return state;
            }
            std::thread::yield_now();
        }
    }
    fn interrupt(mut self) -> Option<i32> {
        let id = self.child.id().to_string();
        let sent = Command::new("kill").args(["-INT", &id]).status().unwrap();
        assert!(sent.success());
        self.child.wait().unwrap().code()
    }
}

impl Drop for Watching {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

fn codes(findings: &Value) -> Vec<&str> {
    let all = findings.as_array().unwrap();
    all.iter().map(|f| f["code"].as_str().unwrap()).collect()
}

#[test]
fn a_changed_job_is_made_again_and_a_broken_one_leaves_the_old_page_stale() {
    let bench = Bench::new();
    let mut watching = Watching::begin(&bench, "job/job.json");
    let first = watching.line();
    assert_eq!(
        (&first["make"], &first["verdict"]),
        (&json!(1), &json!("ready")),
        "{first}"
    );
    assert!(first["seconds"].as_f64().unwrap() > 0.0 && first["seconds-before"].is_null());
    let state = watching.state_of(1);
    assert_eq!(
        (&state["stale"], &state["shown"]["make"]),
        (&Value::Null, &json!(1))
    );
    assert!(watching.get("/").1.contains("made.js"));
    assert_eq!(watching.get("/made.js").0, 200);
    let (status, sheet) = watching.get("/made/setup-sheet.html");
    assert!(status == 200 && sheet.contains("Card-index cabinet"));
    let files = state["shown"]["files"].as_array().unwrap();
    let program = files
        .iter()
        .filter_map(Value::as_str)
        .find(|f| f.starts_with("programs/"));
    let program = format!("/made/{}", program.unwrap());
    assert_eq!(watching.get(&program).0, 200);

    // Twice as many pieces, one hole too near the edge: more time, and a finding.
    let mut other = job();
    other["parts"][0]["count"] = json!(4);
    other["parts"][0]["features"][0]["shape"]["circle"]["at"] = json!([11, 50.8]);
    bench.put("job/job.json", other.to_string());
    let second = watching.line();
    assert_eq!(second["seconds-before"], first["seconds"], "{second}");
    assert!(
        second["seconds"].as_f64() > first["seconds"].as_f64(),
        "{second}"
    );
    assert!(codes(&second["new"]).contains(&"wall-thin"), "{second}");
    watching.state_of(2);
    let made = watching.get("/made/setup-sheet.html").1;
    assert_ne!(made, sheet);

    // Half of it is saved.
    let text = other.to_string();
    bench.put("job/job.json", &text[..text.len() / 2]);
    let third = watching.line();
    assert_eq!(third["verdict"], "refused", "{third}");
    assert_eq!(codes(&third["new"]), ["document-invalid"], "{third}");
    assert!(codes(&third["gone"]).contains(&"wall-thin"), "{third}");
    let state = watching.state_of(3);
    assert!(
        state["stale"].as_str().unwrap().contains("make 2"),
        "{state}"
    );
    assert_eq!(state["shown"]["make"], 2, "{state}");
    assert_eq!(watching.get("/made/setup-sheet.html"), (200, made));
    let (status, words) = watching.get(&program);
    assert!(status == 409 && words.contains("stale"), "{status} {words}");

    // The shop counts as well.
    bench.put("job/job.json", job().to_string());
    let fourth = watching.line();
    assert_eq!(
        (&fourth["verdict"], &fourth["seconds"]),
        (&json!("ready"), &first["seconds"])
    );
    let mut slower = shop();
    slower["machines"]["router"]["max-feed"] = json!(1500);
    bench.put("job/shop.json", slower.to_string());
    let fifth = watching.line();
    assert!(
        fifth["seconds"].as_f64() > fourth["seconds"].as_f64(),
        "{fifth}"
    );
    assert_eq!(watching.state_of(5)["stale"], Value::Null);
    assert_eq!(watching.get(&program).0, 200);

    assert_eq!(watching.interrupt(), Some(130));
    assert_eq!(bench.entries(), ["job", "tmp"]);
    assert!(!bench.has_files("tmp"), "what was made goes with the watch");
}

#[test]
fn a_changed_drawing_is_a_change_and_other_files_are_none() {
    let bench = Bench::new();
    let sample = concat!(env!("CARGO_MANIFEST_DIR"), "/../../jobs/newspaper-rack");
    for name in ["job.json", "rack.svg", "shop.json"] {
        let text = std::fs::read(format!("{sample}/{name}")).unwrap();
        bench.put(&format!("rack/{name}"), text);
    }
    let mut watching = Watching::begin(&bench, "rack/job.json");
    let first = watching.line();
    assert_eq!(first["verdict"], "ready", "{first}");
    bench.put("rack/notes.txt", "of no account");
    let text = bench.read("rack/rack.svg");
    bench.put("rack/rack.svg", format!("{text}<!-- moved -->\n"));
    let second = watching.line();
    assert_eq!(
        (&second["make"], &second["verdict"]),
        (&json!(2), &json!("ready"))
    );
    assert_eq!(second["seconds"], first["seconds"]);
    assert_eq!((&second["new"], &second["gone"]), (&json!([]), &json!([])));
    assert_eq!(watching.interrupt(), Some(130));
}

#[test]
fn the_page_answers_this_machine_alone_and_gives_out_what_was_made_alone() {
    let bench = Bench::new();
    let mut watching = Watching::begin(&bench, "job/job.json");
    watching.line();
    watching.state_of(1);
    for host in ["elsewhere.example", "elsewhere.example:80", "192.0.2.1"] {
        assert_eq!(watching.get_as("/state", host).0, 421, "{host}");
    }
    assert_eq!(watching.get_as("/state", "localhost").0, 200);
    for path in [
        "/made/../job/job.json",
        "/made/%2e%2e/job.json",
        "/made/report.jso",
        "/made//etc/passwd",
        "/report.json",
    ] {
        assert_eq!(watching.get(path).0, 404, "{path}");
    }
}

#[test]
fn a_job_that_cannot_be_watched_is_bad_usage() {
    let bench = Bench::new();
    let run = bench.run(&["watch", "nowhere/job.json"]);
    assert_eq!(run.exit, 2, "{}", run.err);
}
