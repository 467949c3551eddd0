//! The walk through `plugins/README-native.md`: every block is taken out and run, in order.

use std::path::{Path, PathBuf};
use std::process::Command;

/// The fenced blocks of a text: (language, text).
fn blocks(text: &str) -> Vec<(String, String)> {
    let mut all = Vec::new();
    let mut open: Option<(String, String)> = None;
    for line in text.lines() {
        match (&mut open, line.strip_prefix("```")) {
            (None, Some(language)) => open = Some((language.to_string(), String::new())),
            (Some(_), Some(_)) => all.extend(open.take()),
            (Some((_, block)), None) => {
                block.push_str(line);
                block.push('\n');
            }
            (None, None) => {}
        }
    }
    assert!(open.is_none(), "a block has no end");
    all
}

/// Without building grainway once more: the same program, as these tests have it already.
const CONFORMANCE: &str = "cargo run --release --manifest-path \"$GRAINWAY/Cargo.toml\" -p grainway-host --example conformance --";

#[test]
fn every_block_of_the_walk_works_slow() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("../..")
        .canonicalize()
        .unwrap();
    let text = std::fs::read_to_string(root.join("plugins/README-native.md")).unwrap();
    let blocks = blocks(&text);
    let kinds: Vec<&str> = blocks.iter().map(|b| b.0.as_str()).collect();
    assert_eq!(
        kinds,
        [
            "bash", "rust", "rust", "rust", "rust", "rust", "bash", "bash", "bash"
        ]
    );
    assert_eq!(text.matches(CONFORMANCE).count(), 2);
    // Outside the workspace, since `cargo new` would add the crate to it.
    let folder = std::env::temp_dir().join(format!("grainway-walk-{}", std::process::id()));
    std::fs::create_dir_all(&folder).unwrap();
    let krate = folder.join("table-dialect");
    let run = |block: &str, at: &Path| {
        let mut program = std::env::current_exe().unwrap();
        program.pop();
        program.pop();
        let program = program.join("examples/conformance");
        let block = block.replace(CONFORMANCE, &format!("'{}'", program.display()));
        let run = Command::new("bash")
            .args(["-euo", "pipefail", "-c", &block])
            .current_dir(at)
            .env("GRAINWAY", &root)
            .env("CARGO_NET_OFFLINE", "true")
            .env_remove("CARGO_TARGET_DIR")
            .env_remove("RUSTFLAGS")
            .output()
            .unwrap();
        let said = format!(
            "{}{}",
            String::from_utf8_lossy(&run.stdout),
            String::from_utf8_lossy(&run.stderr)
        );
        assert!(run.status.success(), "{block}\n{said}");
        said
    };
    let mut source = String::new();
    let mut said = Vec::new();
    for (language, block) in &blocks {
        if language == "rust" {
            source.push_str(block);
            source.push('\n');
            #[allow(clippy::disallowed_methods, reason = "a test's own temporary file")]
            std::fs::write(krate.join("src/lib.rs"), &source).unwrap();
            continue;
        }
        let first = !krate.exists();
        said.push(run(block, if first { &folder } else { &krate }));
        if first {
            // What its dependencies are built into is kept between runs, and their versions are grainway's.
            let cache = PathBuf::from(env!("CARGO_TARGET_TMPDIR")).join("walk");
            std::fs::create_dir_all(&cache).unwrap();
            std::os::unix::fs::symlink(cache, krate.join("target")).unwrap();
            std::fs::copy(root.join("Cargo.lock"), krate.join("Cargo.lock")).unwrap();
        }
    }
    std::fs::remove_dir_all(&folder).unwrap();
    assert!(
        said[1].contains("a_line_is_written_and_read ... ok"),
        "{}",
        said[1]
    );
    for (text, name) in [(&said[2], "tab-separated"), (&said[3], "plain-sentences-c")] {
        assert!(text.contains(&format!("passed  dialect {name}")), "{text}");
        assert!(text.contains("read-back"), "{text}");
        assert!(
            !text.contains("FAILED") && !text.contains("skipped"),
            "{text}"
        );
    }
}
