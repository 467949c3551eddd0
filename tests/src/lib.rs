//! Shared ground of the whole-job tests: samples, an in-process run of the chain, and where things stand.

pub mod density;
#[cfg(feature = "service")]
pub mod fuzz;
#[cfg(feature = "service")]
pub mod fuzz_seeds;
pub mod minutes;
#[cfg(feature = "service")]
pub mod queue_bench;
pub mod sizes;
pub mod speed;

use grainway_pipeline::chain::{Chain, KeepNothing, Stages};
use grainway_pipeline::doc;
use grainway_pipeline::finding::Finding;
use grainway_pipeline::stage::{
    Cancel, Cx, Dialects, FileProblem, Files, MemorySpool, Silent, SpoolId,
};
use grainway_pipeline::work::{Documents, Program, Setup, Verdict, Work};
use grainway_stages::verify::{self, Models, SetupVerdict, Text, VerifySettings, verify_program};
use std::io::Read;
use std::path::{Path, PathBuf};
use std::sync::OnceLock;

/// The project's root folder.
pub fn root() -> PathBuf {
    let mut path = PathBuf::from(env!("CARGO_MANIFEST_DIR"));
    path.pop();
    path
}

/// Real cutting sheets, when some stand in a folder `shared/drawings` beside the project: jobs over them run in addition to the
/// project's own. Their layers are read by the words in their names.
pub fn sheets_beside() -> Vec<(String, PathBuf)> {
    let above = root();
    let mut beside = above.ancestors().skip(1).map(|a| a.join("shared/drawings"));
    let Some(folder) = beside.find(|p| p.is_dir()) else {
        return Vec::new();
    };
    let files = std::fs::read_dir(&folder).into_iter().flatten().flatten();
    let mut names: Vec<String> = files
        .filter_map(|f| f.file_name().into_string().ok())
        .filter(|n| n.ends_with(".dxf"))
        .collect();
    names.sort();
    let layers = serde_json::json!([
        { "layer": "(?i).*outside.*?(?P<depth>[0-9.]+)mm", "make": "outline" },
        { "layer": "(?i).*cut-inside.*?(?P<depth>[0-9.]+)mm", "make": "cutout" },
        { "layer": "(?i).*hole.*?(?P<diameter>[0-9.]+)mm.*?(?P<depth>[0-9.]+)mm", "make": "hole" },
        { "layer": "(?i).*pocket-inside.*?(?P<depth>[0-9.]+)mm", "make": "pocket" },
        { "layer": "(?i).*online.*?(?P<depth>[0-9.]+)mm", "make": "engraving" },
        { "layer": ".*", "ignore": true }
    ]);
    let job = |name: String| {
        let mut job: serde_json::Value =
            serde_json::from_str(CUTTING_SHEET_JOB).unwrap_or_default();
        job["drawings"][0]["layers"] = layers.clone();
        job["drawings"][0]["file"] = name.into();
        (job.to_string(), folder.clone())
    };
    names.into_iter().map(job).collect()
}

/// The sample jobs that are run as they are: (name, folder).
pub const SAMPLES: [&str; 3] = ["reading-bench", "step-stool", "newspaper-rack"];

/// The sample for a pen language, which the others are too much for; it is too little for what is asked of every sample.
pub const PEN_SAMPLE: &str = "bench-template";

/// Files of one folder, and nothing above it.
pub struct Folder(pub PathBuf);

impl Files for Folder {
    fn read(&self, name: &str) -> Result<Vec<u8>, FileProblem> {
        if Path::new(name).is_absolute() || name.split('/').any(|p| p == "..") {
            return Err(FileProblem::Outside(name.to_string()));
        }
        std::fs::read(self.0.join(name)).map_err(|_| FileProblem::Missing(name.to_string()))
    }
}

/// A job with its folder, loaded and not yet run.
pub struct Loaded {
    /// Work that holds the documents.
    pub work: Work,
    /// Where its drawings are.
    pub files: Box<dyn Files>,
}

/// A job that was run.
pub struct Made {
    /// The work as the chain left it.
    pub work: Work,
    /// Its texts.
    pub spool: MemorySpool,
    /// Where its drawings are.
    pub files: Box<dyn Files>,
    /// What its texts are held against, made when somebody first asks.
    models: OnceLock<Models>,
}

impl Made {
    /// A job that a chain was run over.
    pub fn new(work: Work, spool: MemorySpool, files: Box<dyn Files>) -> Made {
        Made {
            work,
            spool,
            files,
            models: OnceLock::new(),
        }
    }
    /// A spooled text.
    pub fn text(&self, id: &SpoolId) -> String {
        let mut text = String::new();
        if let Ok(mut reader) = grainway_pipeline::stage::Spool::open(&self.spool, id) {
            let _ = reader.read_to_string(&mut text);
        }
        text
    }
    /// The setup of a program.
    pub fn setup_of(&self, program: &Program) -> Option<&Setup> {
        self.work.setups.iter().find(|s| s.id == program.setup)
    }
    /// What verify says of these texts of a setup, in running order, each with the program that it was; `edited` ones are not compared
    /// with the plan. `None` for a dialect that is not built in.
    pub fn verdict(
        &self,
        setup: &Setup,
        texts: &[(&Program, String)],
        edited: bool,
        settings: &VerifySettings,
    ) -> Option<SetupVerdict> {
        let dialects = grainway_dialects::built_in();
        let dialect = dialects.get(&self.work.documents.machine()?.1.dialect)?;
        let models = || verify::models(&self.work, self.files.as_ref());
        let models = self.models.get_or_init(models);
        let mut readers: Vec<&[u8]> = texts.iter().map(|(_, text)| text.as_bytes()).collect();
        let mut texts: Vec<Text<'_>> = texts
            .iter()
            .zip(&mut readers)
            .map(|((program, _), text)| Text {
                name: &program.name,
                program: Some(program),
                text,
            })
            .collect();
        Some(verify_program(
            &self.work, setup, &mut texts, models, dialect, edited, settings,
        ))
    }
    /// What `safe` says of texts that were edited by hand.
    pub fn safe_alone(&self, setup: &Setup, edited: &[(&Program, String)]) -> Option<Verdict> {
        let settings = VerifySettings::default();
        Some(self.verdict(setup, edited, true, &settings)?.safe)
    }
    /// The same of the text of one program.
    pub fn safe_of(&self, program: &Program, text: &str) -> Option<Verdict> {
        self.safe_alone(self.setup_of(program)?, &[(program, text.to_string())])
    }
    /// Findings with this code.
    pub fn with_code(&self, code: &str) -> Vec<&Finding> {
        self.work
            .findings
            .iter()
            .filter(|f| f.code == code)
            .collect()
    }
    /// Findings that are errors.
    pub fn errors(&self) -> Vec<String> {
        let error = grainway_pipeline::finding::Severity::Error;
        self.work
            .findings
            .iter()
            .filter(|f| f.severity == error)
            .map(ToString::to_string)
            .collect()
    }
    /// Every program passed both verdicts, and nothing else was wrong.
    pub fn ready(&self) -> bool {
        let passed =
            |v: &Option<grainway_pipeline::work::Verdict>| v.as_ref().is_some_and(|v| v.passed);
        !self.work.programs.is_empty()
            && self
                .work
                .programs
                .iter()
                .all(|p| passed(&p.as_planned) && passed(&p.safe))
            && !self.work.has_errors()
    }
}

/// Loads a job file with its shop. The hash is over the job's bytes; tests of resuming use the real command.
pub fn load(job: &Path) -> Result<Loaded, String> {
    let folder = job.parent().ok_or("a job file has a folder")?.to_path_buf();
    let bytes = std::fs::read(job).map_err(|e| e.to_string())?;
    let read = doc::read_job(&bytes).map_err(|p| format!("{p:?}"))?;
    let shop = std::fs::read(folder.join(&read.shop)).map_err(|e| e.to_string())?;
    let shop = doc::read_shop(&shop).map_err(|p| format!("{p:?}"))?;
    let hash = grainway_pipeline::work::sha256_hex(&bytes);
    Ok(Loaded {
        work: Work::new(Documents {
            job: read,
            shop,
            hash,
            night: None,
        }),
        files: Box::new(Folder(folder)),
    })
}

/// Loads a job and its shop from texts; drawings come from `folder`.
pub fn load_texts(job: &str, shop: &str, folder: &Path) -> Result<Loaded, String> {
    let read = doc::read_job(job.as_bytes()).map_err(|p| format!("{p:?}"))?;
    let shop = doc::read_shop(shop.as_bytes()).map_err(|p| format!("{p:?}"))?;
    let hash = grainway_pipeline::work::sha256_hex(job.as_bytes());
    Ok(Loaded {
        work: Work::new(Documents {
            job: read,
            shop,
            hash,
            night: None,
        }),
        files: Box::new(Folder(folder.to_path_buf())),
    })
}

/// Runs all of `stages` over a loaded job.
pub fn run(loaded: Loaded, stages: &Stages, dialects: &Dialects) -> Result<Made, String> {
    let mut work = loaded.work;
    let spool = MemorySpool::default();
    let cancel = Cancel::default();
    let cx = Cx {
        files: loaded.files.as_ref(),
        dialects,
        spool: &spool,
        progress: &Silent,
        cancel: &cancel,
    };
    let chain = Chain::plan(stages, &work)
        .map_err(|f| f.iter().map(|f| format!("{f}\n")).collect::<String>())?;
    chain
        .run(&mut work, 0, &cx, &mut KeepNothing)
        .map_err(|e| e.to_string())?;
    Ok(Made::new(work, spool, loaded.files))
}

/// Runs the built-in chain over a loaded job.
pub fn make(loaded: Loaded) -> Result<Made, String> {
    run(
        loaded,
        &grainway_stages::built_in(),
        &grainway_dialects::built_in(),
    )
}

/// The path of a sample's job.
pub fn sample(name: &str) -> PathBuf {
    root().join("jobs").join(name).join("job.json")
}

/// The Python that has the reference libraries, set by `./test`.
pub fn python() -> std::process::Command {
    std::process::Command::new(
        std::env::var("GRAINWAY_PYTHON").unwrap_or_else(|_| "python3".to_string()),
    )
}

/// The job over the cutting sheet of `tests/drawings`.
pub const CUTTING_SHEET_JOB: &str = include_str!("../jobs/card-index-sheet.json");

/// The folder of that drawing.
pub fn drawings() -> PathBuf {
    root().join("tests/drawings")
}

/// A shop for the cutting sheet, with one end mill of `diameter` mm.
pub fn cutting_sheet_shop(diameter: f64) -> String {
    format!(
        r#"{{
  "format": "grainway.shop/1", "unit": "mm",
  "machines": {{ "router": {{
    "dialect": "rs274-ngc", "travel": [1500, 1500, 120], "z-zero": "bed", "max-feed": 6000, "max-plunge": 1500,
    "rapid": 10000, "acceleration": 500, "min-rpm": 8000, "max-rpm": 24000, "cutter-change": "machine", "spoilboard": 18 }} }},
  "cutters": {{ "mill": {{
    "kind": "end-mill", "number": 1, "diameter": {diameter}, "cutting-length": 22, "usable-length": 30, "max-rpm": 24000 }} }},
  "stocks": {{ "ply-12": {{ "wood": "birch-plywood", "thickness": [12] }} }}
}}"#
    )
}

/// Settings of test stages that have none.
#[derive(Default, serde::Serialize, serde::Deserialize, schemars::JsonSchema)]
pub struct NoSettings {}
