//! Runs the drawing and fit stages over texts, for the tests of both.

use grainway_pipeline::doc::read_shop;
use grainway_pipeline::finding::Finding;
use grainway_pipeline::stage::{
    Cancel, Cx, Dialects, FileProblem, Files, MemorySpool, Silent, TypedStage,
};
use grainway_pipeline::work::{Documents, Work};
use std::collections::BTreeMap;

/// Files in memory.
#[derive(Default)]
pub(crate) struct Held(pub BTreeMap<String, Vec<u8>>);

impl Files for Held {
    fn read(&self, name: &str) -> Result<Vec<u8>, FileProblem> {
        self.0
            .get(name)
            .cloned()
            .ok_or_else(|| FileProblem::Missing(name.to_string()))
    }
}

pub(crate) const SHOP: &str = r#"{
  "format": "grainway.shop/1", "unit": "mm",
  "machines": { "router": {
    "dialect": "rs274-ngc", "travel": [1500, 1500, 120], "z-zero": "bed", "max-feed": 6000, "max-plunge": 1500,
    "rapid": 10000, "acceleration": 500, "min-rpm": 8000, "max-rpm": 24000, "spoilboard": 18 } },
  "cutters": { "mill-6": { "kind": "end-mill", "number": 1, "diameter": 6, "cutting-length": 22, "max-rpm": 24000 } },
  "stocks": { "ply-12": { "wood": "birch-plywood", "thickness": [12] }, "ash-22": { "wood": "ash", "thickness": [21.9, 22, 22.1] } }
}"#;

/// The work after the drawing stage and, when `fit`, the fit stage.
pub(crate) fn run(job: &str, shop: &str, files: Held, fit: bool) -> Work {
    // Without the reader's own checks, which would keep from the stage what it must bear all the same.
    let job = serde_json::from_str(job).unwrap();
    let shop = read_shop(shop.as_bytes()).unwrap();
    let mut work = Work::new(Documents {
        job,
        shop,
        hash: String::new(),
        night: None,
    });
    let (spool, cancel, dialects) = (
        MemorySpool::default(),
        Cancel::default(),
        Dialects::default(),
    );
    let cx = Cx {
        files: &files,
        dialects: &dialects,
        spool: &spool,
        progress: &Silent,
        cancel: &cancel,
    };
    super::Drawing
        .run(&mut work, &Default::default(), &cx)
        .unwrap();
    if fit {
        crate::fit::Fit
            .run(&mut work, &Default::default(), &cx)
            .unwrap();
    }
    grainway_pipeline::finding::sort(&mut work.findings);
    work
}

/// The cutting sheet of `tests/drawings`, whose README has its figures.
pub(crate) fn cutting_sheet() -> Held {
    let above = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).ancestors();
    let file = "tests/drawings/card-index-sheet.dxf";
    let path = above.map(|a| a.join(file)).find(|p| p.is_file()).unwrap();
    let bytes = std::fs::read(path).unwrap();
    Held(BTreeMap::from([("card-index-sheet.dxf".into(), bytes)]))
}

/// Lines of findings with this code.
pub(crate) fn with_code<'w>(work: &'w Work, word: &str) -> Vec<&'w Finding> {
    work.findings.iter().filter(|f| f.code == word).collect()
}
