//! A job in a fresh folder, and the binary to run on it.

use serde_json::{Value, json};
use std::path::{Path, PathBuf};
use std::process::{Command, Output};
use std::sync::atomic::{AtomicU32, Ordering};

/// A folder of its own, gone when dropped.
pub struct Bench {
    pub root: PathBuf,
}

static NEXT: AtomicU32 = AtomicU32::new(0);

impl Bench {
    /// With a small job of one drilled part.
    pub fn new() -> Bench {
        let n = NEXT.fetch_add(1, Ordering::Relaxed);
        let root =
            std::env::temp_dir().join(format!("grainway-command-{}-{n}", std::process::id()));
        let _ = std::fs::remove_dir_all(&root);
        std::fs::create_dir_all(root.join("job")).unwrap();
        let bench = Bench {
            root: root.canonicalize().unwrap(),
        };
        bench.put("job/job.json", job().to_string());
        bench.put("job/shop.json", shop().to_string());
        bench
    }
    pub fn path(&self, name: &str) -> PathBuf {
        self.root.join(name)
    }
    pub fn put(&self, name: &str, bytes: impl AsRef<[u8]>) {
        let path = self.path(name);
        std::fs::create_dir_all(path.parent().unwrap()).unwrap();
        std::io::Write::write_all(&mut std::fs::File::create(path).unwrap(), bytes.as_ref())
            .unwrap();
    }
    pub fn read(&self, name: &str) -> String {
        std::fs::read_to_string(self.path(name)).unwrap_or_else(|e| panic!("{name}: {e}"))
    }
    pub fn run(&self, arguments: &[&str]) -> Run {
        let output = Command::new(env!("CARGO_BIN_EXE_grainway"))
            .args(arguments)
            .current_dir(&self.root)
            .env_remove("RUST_BACKTRACE")
            .output()
            .unwrap();
        Run::of(output)
    }
    pub fn make(&self) -> Run {
        self.run(&["make", "job/job.json", "--out", "out"])
    }
    /// The folder exists and holds something.
    pub fn has_files(&self, folder: &str) -> bool {
        std::fs::read_dir(self.path(folder)).is_ok_and(|mut d| d.next().is_some())
    }
    pub fn report(&self) -> Value {
        serde_json::from_str(&self.read("out/report.json")).unwrap()
    }
    /// Everything that stands in the root, sorted.
    pub fn entries(&self) -> Vec<String> {
        let mut names: Vec<String> = std::fs::read_dir(&self.root)
            .unwrap()
            .map(|e| e.unwrap().file_name().to_string_lossy().into_owned())
            .collect();
        names.sort();
        names
    }
}

impl Drop for Bench {
    fn drop(&mut self) {
        let _ = std::fs::remove_dir_all(&self.root);
    }
}

pub struct Run {
    pub exit: i32,
    pub out: String,
    pub err: String,
}

impl Run {
    fn of(output: Output) -> Run {
        let run = Run {
            exit: output.status.code().unwrap_or(-1),
            out: String::from_utf8(output.stdout).unwrap(),
            err: String::from_utf8(output.stderr).unwrap(),
        };
        assert!(!run.err.contains("panicked"), "{}", run.err);
        run
    }
}

/// All files under a folder with their bytes, by name.
pub fn files(folder: &Path) -> std::collections::BTreeMap<String, Vec<u8>> {
    let mut out = std::collections::BTreeMap::new();
    let mut open = vec![folder.to_path_buf()];
    while let Some(at) = open.pop() {
        for entry in std::fs::read_dir(&at).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                open.push(path);
            } else {
                let name = path
                    .strip_prefix(folder)
                    .unwrap()
                    .to_string_lossy()
                    .into_owned();
                out.insert(name, std::fs::read(&path).unwrap());
            }
        }
    }
    out
}

pub fn job() -> Value {
    json!({
        "format": "grainway.job/1", "name": "Card-index cabinet", "shop": "shop.json",
        "parts": [{
            "id": "front", "name": "Drawer front", "count": 2, "stock": "ash-12",
            "outline": { "rectangle": { "at": [0, 0], "size": [180, 90], "corner": 8 } },
            "features": [{ "id": "pull", "kind": "hole", "shape": { "circle": { "at": [90, 45], "diameter": 20 } }, "depth": "through" }]
        }]
    })
}

pub fn shop() -> Value {
    json!({
        "format": "grainway.shop/1",
        "machines": { "router": {
            "dialect": "rs274-ngc", "travel": [1200, 800, 120], "z-zero": "bed", "max-feed": 4000, "max-plunge": 1200, "rapid": 6000,
            "acceleration": 400, "min-rpm": 6000, "max-rpm": 24000, "spoilboard": 18
        } },
        "cutters": {
            "mill-6": { "kind": "end-mill", "number": 1, "diameter": 6, "cutting-length": 25, "usable-length": 32, "max-rpm": 24000 }
        },
        "stocks": { "ash-12": { "wood": "ash", "thickness": [12.1, 12.0], "boards": [{ "id": "a", "length": 600, "width": 200, "count": 3 }] } }
    })
}
