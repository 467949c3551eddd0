//! Parts that are laid freely: as many boards as a drawing takes for them, held and verified.

use grainway_pipeline::work::SetupKind;
use grainway_tests::{
    CUTTING_SHEET_JOB, Made, cutting_sheet_shop, drawings, load_texts, make, root, sample,
    sheets_beside,
};
use serde_json::{Value, json};
use std::path::{Path, PathBuf};

/// A job with a drawn sheet and its shop: as drawn, and with the parts laid freely on boards of the drawn one's size.
fn both_ways(job: &str, shop: &str, folder: &Path) -> (Made, Made) {
    let drawn = make(load_texts(job, shop, folder).unwrap()).unwrap();
    let size = drawn.work.setups[0].size;
    let (mut job, mut shop): (Value, Value) = (
        serde_json::from_str(job).unwrap(),
        serde_json::from_str(shop).unwrap(),
    );
    let drawing = job["drawings"][0].as_object_mut().unwrap();
    drawing.remove("layout");
    let stock = drawing["stock"].as_str().unwrap().to_string();
    shop["stocks"][stock.as_str()]["boards"] =
        json!([{ "id": "as-drawn", "length": size.x, "width": size.y, "count": 3 }]);
    let laid = load_texts(&job.to_string(), &shop.to_string(), folder).unwrap();
    (drawn, make(laid).unwrap())
}

fn boards(made: &Made) -> usize {
    let setups = made.work.setups.iter();
    setups.filter(|s| s.kind == SetupKind::Board).count()
}

/// The sheets of `tests/drawings` and of the newspaper rack, and real ones where they stand beside the project.
#[test]
fn a_sheet_that_was_drawn_on_one_board_is_laid_on_one() {
    let rack = sample("newspaper-rack");
    let rack_folder = rack.parent().map(PathBuf::from).unwrap_or_else(root);
    let text = |name: &str| std::fs::read_to_string(rack_folder.join(name)).unwrap();
    let mut sheets = vec![
        (
            CUTTING_SHEET_JOB.to_string(),
            cutting_sheet_shop(6.0),
            drawings(),
        ),
        (text("job.json"), text("shop.json"), rack_folder.clone()),
    ];
    sheets.extend(
        sheets_beside()
            .into_iter()
            .map(|(job, folder)| (job, cutting_sheet_shop(6.0), folder)),
    );
    for (job, shop, folder) in sheets {
        let (drawn, laid) = both_ways(&job, &shop, &folder);
        assert_eq!(boards(&drawn), 1);
        assert_eq!(boards(&laid), 1, "{folder:?}: {:#?}", laid.work.findings);
        assert!(laid.ready(), "{folder:?}: {:#?}", laid.errors());
    }
}
