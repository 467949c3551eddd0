//! Runs jobs through the built-in chain up to sequencing, for the tests of placing, holding and sequencing.

use crate::{drawing, drill, fit, hold, mark, place, pocket, profile, relief, sequence};
use grainway_pipeline::chain::{Chain, KeepNothing, Stages};
use grainway_pipeline::doc;
use grainway_pipeline::finding::Severity;
use grainway_pipeline::stage::{
    Cancel, Cx, Dialects, FileProblem, Files, MemorySpool, Silent, Typed,
};
use grainway_pipeline::work::{Documents, Work};
use serde_json::{Value, json};
use std::sync::Arc;

struct NoFiles;

impl Files for NoFiles {
    fn read(&self, name: &str) -> Result<Vec<u8>, FileProblem> {
        Err(FileProblem::Missing(name.to_string()))
    }
}

/// A shop with a 6 mm end mill, a 3 mm drill and boards of 1000 × 450 mm.
pub(crate) fn shop(zero: &str, thickness: &[f64]) -> Value {
    json!({
        "format": "grainway.shop/1", "unit": "mm",
        "machines": { "router": {
            "dialect": "rs274-ngc", "travel": [1500, 900, 120], "z-zero": zero, "max-feed": 6000, "max-plunge": 1500,
            "rapid": 10000, "acceleration": 500, "min-rpm": 8000, "max-rpm": 24000, "cutter-change": "machine",
            "spoilboard": 18 } },
        "cutters": {
            "mill": { "kind": "end-mill", "number": 1, "diameter": 6, "cutting-length": 32, "usable-length": 40,
                "max-rpm": 24000 },
            "drill": { "kind": "drill", "number": 2, "diameter": 3, "cutting-length": 40, "usable-length": 45,
                "max-rpm": 9000 } },
        "stocks": { "wood": { "wood": "oak-white", "thickness": thickness,
            "boards": [{ "id": "b", "length": 1000, "width": 450 }] } }
    })
}

/// A job of these parts.
pub(crate) fn job(parts: Value) -> Value {
    json!({ "format": "grainway.job/1", "name": "Trial", "shop": "s", "parts": parts })
}

/// Work that holds the documents.
pub(crate) fn work(job: &Value, shop: &Value) -> Work {
    let mut job = job.clone();
    if job.get("chain").is_none() {
        job["chain"] = json!([
            "drawing", "fit", "relief", "mark", "drill", "pocket", "profile", "place", "hold",
            "sequence"
        ]);
    }
    let read = doc::read_job(job.to_string().as_bytes()).unwrap();
    let shop = doc::read_shop(shop.to_string().as_bytes()).unwrap();
    Work::new(Documents {
        job: read,
        shop,
        hash: grainway_pipeline::work::sha256_hex(job.to_string().as_bytes()),
        night: None,
    })
}

/// The planning stages up to sequencing.
fn stages() -> Stages {
    let mut stages = Stages::default();
    stages.add(Arc::new(Typed::new(drawing::Drawing)));
    stages.add(Arc::new(Typed::new(fit::Fit)));
    stages.add(Arc::new(Typed::new(relief::ReliefStage)));
    stages.add(Arc::new(Typed::new(mark::Mark)));
    stages.add(Arc::new(Typed::new(drill::DrillStage)));
    stages.add(Arc::new(Typed::new(pocket::Pocket)));
    stages.add(Arc::new(Typed::new(profile::Profile)));
    stages.add(Arc::new(Typed::new(place::Place)));
    stages.add(Arc::new(Typed::new(hold::HoldStage)));
    stages.add(Arc::new(Typed::new(sequence::Sequence)));
    stages
}

/// Runs the stages over work.
pub(crate) fn run(work: &mut Work) {
    let spool = MemorySpool::default();
    let cancel = Cancel::default();
    let cx = Cx {
        files: &NoFiles,
        dialects: &Dialects::default(),
        spool: &spool,
        progress: &Silent,
        cancel: &cancel,
    };
    let chain = Chain::plan(&stages(), work)
        .map_err(|f| f.iter().map(|f| format!("{f}\n")).collect::<String>())
        .unwrap();
    chain.run(work, 0, &cx, &mut KeepNothing).unwrap();
}

/// Runs a job through.
pub(crate) fn made(job: &Value, shop: &Value) -> Work {
    let mut work = work(job, shop);
    run(&mut work);
    work
}

/// Codes of the findings that are errors.
pub(crate) fn errors(work: &Work) -> Vec<String> {
    work.findings
        .iter()
        .filter(|f| f.severity == Severity::Error)
        .map(ToString::to_string)
        .collect()
}

/// Findings with this code.
pub(crate) fn with_code<'w>(
    work: &'w Work,
    code: &str,
) -> Vec<&'w grainway_pipeline::finding::Finding> {
    work.findings.iter().filter(|f| f.code == code).collect()
}
