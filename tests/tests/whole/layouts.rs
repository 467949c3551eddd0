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

/// One part of 500 × 200 mm in the corner of a board of 1250 × 520, margins of 30 mm: right of its kerf, and above it, wood is left.
#[test]
fn what_is_left_of_a_board_is_listed() {
    let shop = sample("card-index-cabinet").with_file_name("shop.json");
    let shop = std::fs::read_to_string(shop).unwrap();
    let job = json!({ "format": "grainway.job/1", "name": "shelf", "shop": "s", "parts": [
        { "id": "shelf", "stock": "oak-18", "blank": { "length": 500, "width": 200 } }] });
    let made = make(load_texts(&job.to_string(), &shop, &root()).unwrap()).unwrap();
    assert!(made.ready(), "{:#?}", made.errors());
    let list = made.text(&made.work.files["boards.csv"]);
    let mut lines = list.lines().map(|l| l.split(',').collect::<Vec<_>>());
    let at = lines.next().unwrap();
    let at = at.iter().position(|c| *c == "offcuts-mm").unwrap();
    let sizes: Vec<f64> = lines.next().unwrap()[at]
        .split([';', 'x'])
        .map(|v| v.trim().parse().unwrap())
        .collect();
    let [right, whole, left, above] = sizes[..] else {
        panic!("{list}");
    };
    // The kerf of a 6 mm cutter with its finishing allowance is 6 to 7 mm wide.
    let kerf = 1250.0 - 530.0 - right;
    assert!((6.0..7.0).contains(&kerf), "{list}");
    assert!((whole - 520.0).abs() < 1e-6, "{list}");
    assert!((left - (530.0 + kerf)).abs() < 0.01, "{list}");
    assert!((above - (520.0 - 230.0 - kerf)).abs() < 0.01, "{list}");
    let sheet = made.text(&made.work.files["setup-sheet.html"]);
    assert!(sheet.contains("Left of the boards"), "the sheet lists it");
}
