//! What several tests of the service need.

use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU32, Ordering};

/// A folder of a test's own, gone when dropped.
pub struct Fresh(PathBuf);

impl Fresh {
    /// An empty folder.
    pub fn new() -> Fresh {
        Fresh::below(Path::new(env!("CARGO_TARGET_TMPDIR")))
    }

    /// An empty folder in another.
    pub fn below(folder: &Path) -> Fresh {
        static NEXT: AtomicU32 = AtomicU32::new(0);
        let n = NEXT.fetch_add(1, Ordering::Relaxed);
        let path = folder.join(format!("grainway-{}-{n}", std::process::id()));
        let _ = std::fs::remove_dir_all(&path);
        std::fs::create_dir_all(&path).unwrap();
        Fresh(path)
    }
}

impl std::ops::Deref for Fresh {
    type Target = Path;
    fn deref(&self) -> &Path {
        &self.0
    }
}

impl Drop for Fresh {
    fn drop(&mut self) {
        let _ = std::fs::remove_dir_all(&self.0);
    }
}

/// One of the example jobs.
pub fn example(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("../../jobs")
        .join(name)
}

/// A Python that has these modules (`"a, b"`). `None`: there is none, which only a run without `./test` may say.
pub fn python_with(modules: &str) -> Option<String> {
    let python = std::env::var("GRAINWAY_PYTHON").unwrap_or_else(|_| "python3".to_string());
    let has = std::process::Command::new(&python)
        .args(["-c", &format!("import {modules}")])
        .output();
    if has.is_ok_and(|o| o.status.success()) {
        return Some(python);
    }
    assert!(
        std::env::var_os("GRAINWAY_PYTHON").is_none(),
        "{python} lacks {modules}: see tests/python/requirements.txt"
    );
    println!("skipped: set GRAINWAY_PYTHON to a Python with {modules}");
    None
}

/// Whether a program is installed. `./test` installs it and sets `wanted`, so that its absence is no way around the tests.
pub fn installed(program: &str, wanted: &str, package: &str) -> bool {
    let there = std::process::Command::new(program)
        .arg("--version")
        .output()
        .is_ok_and(|o| o.status.success());
    if !there {
        assert!(
            std::env::var_os(wanted).is_none(),
            "{program} is missing: install {package}"
        );
        println!("skipped: {program} is not installed (Debian: {package})");
    }
    there
}

/// A program that holds the process of a job: the command where it is built with the tests, else an example of the same crate.
pub fn job_program() -> PathBuf {
    match option_env!("CARGO_BIN_EXE_grainway") {
        Some(command) => command.into(),
        None => {
            let own = std::env::current_exe().unwrap();
            let built = own.parent().and_then(Path::parent).unwrap();
            let program = built.join("examples/job-process");
            assert!(program.is_file(), "{} is not built", program.display());
            program
        }
    }
}

/// Random numbers of a seed (SplitMix64, from memory).
pub struct Dice(pub u64);

impl Dice {
    /// 0 up to one less than `sides`.
    pub fn roll(&mut self, sides: u64) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        (z ^ (z >> 31)) % sides
    }

    /// One of them.
    pub fn pick<T: Clone>(&mut self, from: &[T]) -> Option<T> {
        match from.len() {
            0 => None,
            n => Some(from[self.roll(n as u64) as usize].clone()),
        }
    }
}
