//! The stage as a whole, on the real cutting sheet and on small drawings.

use super::trial::{Held, SHOP, run, shared, with_code};
use grainway_pipeline::finding::Severity;
use grainway_pipeline::work::Work;
use std::collections::BTreeMap;

const SHEET_JOB: &str = r#"{ "format": "grainway.job/1", "name": "sheet", "shop": "s", "drawings": [ {
  "id": "cabinet", "file": "cabinet-sheet.dxf", "stock": "ply-12", "layout": "as-drawn", SHEETS "sheet-gap": 100,
  "layers": [
    { "layer": "0", "ignore": true },
    { "layer": "00[-_]NOPRINT_.*|BOARD_.*", "ignore": true },
    { "layer": "TOP-CUT-OUTSIDE_(?P<depth>[0-9.]+)MM", "make": "outline" },
    { "layer": "TOP-CUT-INSIDE_(?P<depth>[0-9.]+)MM", "make": "cutout" },
    { "layer": "TOP-HOLE-(?P<diameter>[0-9.]+)MM-DIAM_(?P<depth>[0-9.]+)MM", "make": "hole" },
    { "layer": "TOP-POCKET-INSIDE_(?P<depth>[0-9.]+)MM", "make": "pocket" },
    { "layer": "TOP-POCKET-ONLINE-(?P<depth>[0-9.]+)MM", "make": "engraving" }
  ] } ] }"#;

fn sheet(sheets: &str) -> Work {
    let bytes = std::fs::read(shared().join("drawings/cabinet-sheet.dxf")).unwrap();
    let files = Held(BTreeMap::from([("cabinet-sheet.dxf".to_string(), bytes)]));
    run(&SHEET_JOB.replace("SHEETS", sheets), SHOP, files, true)
}

#[test]
fn cutting_sheet_one_layout() {
    let work = sheet(r#""sheets": [1],"#);
    for f in &work.findings {
        println!("{f}");
    }
    println!("{:#?}", work.balances);
    for p in &work.parts {
        println!(
            "{} {:?} {} features",
            p.id,
            p.outline.bounds().max,
            p.features.len()
        );
    }
    let errors: Vec<_> = work
        .findings
        .iter()
        .filter(|f| f.severity == Severity::Error)
        .collect();
    assert!(errors.is_empty(), "{errors:#?}");
    assert_eq!(work.parts.len(), 10);
    assert!(
        work.parts
            .iter()
            .all(|p| p.as_drawn && p.count == 1 && p.outline.bounds().min.length() < 1e-9)
    );
    let sized = with_code(&work, "captured-size");
    assert!(
        sized
            .iter()
            .any(|f| f.message.contains("16.063") && f.message.contains("16.771")),
        "{sized:?}"
    );
}
