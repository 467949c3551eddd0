//! A fresh folder for one run of the command.

use std::path::{Path, PathBuf};
use std::process::{Command, Output};

/// A fresh folder that goes away at the end.
pub struct Fresh(pub PathBuf);

impl Fresh {
    pub fn new(name: &str) -> Fresh {
        let path = std::env::temp_dir().join(format!("grainway-{}-{name}", std::process::id()));
        let _ = std::fs::remove_dir_all(&path);
        std::fs::create_dir_all(&path).unwrap();
        Fresh(path)
    }
    pub fn put(&self, name: &str, bytes: impl AsRef<[u8]>) {
        std::io::Write::write_all(
            &mut std::fs::File::create(self.0.join(name)).unwrap(),
            bytes.as_ref(),
        )
        .unwrap();
    }
    /// `grainway make job.json --out out` here.
    pub fn make(&self) -> Output {
        self.run(&["make", "job.json", "--out", "out"])
    }
    /// The command with any arguments, here.
    pub fn run(&self, arguments: &[&str]) -> Output {
        Command::new(env!("CARGO_BIN_EXE_grainway"))
            .args(arguments)
            .current_dir(&self.0)
            .output()
            .unwrap()
    }
}

impl Drop for Fresh {
    fn drop(&mut self) {
        let _ = std::fs::remove_dir_all(&self.0);
    }
}

/// The folder exists and holds something.
pub fn has_files(folder: &Path) -> bool {
    std::fs::read_dir(folder).is_ok_and(|mut d| d.next().is_some())
}
