//! Parts that are laid freely: as many boards as a drawing takes for them, held and verified.

use crate::sabotage::{chain, tamper};
use grainway_geom::{Bounds, point};
use grainway_pipeline::finding::Severity;
use grainway_pipeline::work::{Placement, SetupKind, Work};
use grainway_tests::{
    CUTTING_SHEET_JOB, Loaded, Made, cutting_sheet_shop, drawings, load_texts, make, root, run,
    sample, sheets_beside,
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

/// A board of 1250 × 520 mm with a knot near its lower left corner, and a second one without.
fn with_knot(parts: &Value) -> Loaded {
    let shop = sample("card-index-cabinet").with_file_name("shop.json");
    let mut shop: Value = serde_json::from_str(&std::fs::read_to_string(shop).unwrap()).unwrap();
    shop["stocks"]["oak-18"]["boards"] = json!([
        { "id": "knotty", "length": 1250, "width": 520, "defects": [{ "at": [150, 90], "size": [40, 30] }] },
        { "id": "clear", "length": 1250, "width": 520, "count": 2 }
    ]);
    let job = json!({ "format": "grainway.job/1", "name": "shelves", "shop": "s", "parts": parts });
    load_texts(&job.to_string(), &shop.to_string(), &root()).unwrap()
}

fn shelf(id: &str, place: Option<Value>) -> Value {
    let mut part = json!({ "id": id, "stock": "oak-18", "blank": { "length": 500, "width": 200 } });
    if let Some(place) = place {
        part["place"] = place;
    }
    part
}

/// Where pieces lie: the board's id, and the boxes of the pieces by their names.
fn lying(made: &Made) -> Vec<(String, String, Bounds)> {
    let setups = made.work.setups.iter();
    let all = setups.flat_map(|s| s.placements.iter().map(move |p| (s, p)));
    all.map(|(s, p)| {
        let outline = &made.work.variant(&p.variant).unwrap().outline;
        let at = outline.placed(&p.placing).bounds();
        (s.board.clone().unwrap_or_default(), p.piece.clone(), at)
    })
    .collect()
}

fn knot() -> Bounds {
    Bounds::of([point(150.0, 90.0), point(190.0, 120.0)])
}

#[test]
fn no_part_lies_on_a_knot() {
    let made = make(with_knot(&json!([
        shelf("a", None),
        shelf("b", None),
        shelf("c", None)
    ])))
    .unwrap();
    assert!(made.ready(), "{:#?}", made.errors());
    let pieces = lying(&made);
    assert_eq!(pieces.len(), 3);
    for (board, name, at) in &pieces {
        assert!(board != "knotty" || !at.touches(knot()), "{name}: {at:?}");
    }
    // The knotty board comes first and has room beside its knot.
    assert!(
        pieces.iter().any(|(board, ..)| board == "knotty"),
        "{pieces:?}"
    );
    let sheet = made.text(&made.work.files["setup-sheet.html"]);
    assert!(sheet.contains("The board is knotty, "), "{sheet}");
}

#[test]
fn a_part_lies_where_the_job_places_it() {
    let parts = json!([
        shelf(
            "front",
            Some(json!({ "board": "clear", "at": [320, 150.5] }))
        ),
        shelf("other", Some(json!({ "board": "clear" }))),
        shelf("free", None)
    ]);
    let made = make(with_knot(&parts)).unwrap();
    assert!(made.ready(), "{:#?}", made.errors());
    let pieces = lying(&made);
    let of = |name: &str| pieces.iter().find(|(_, n, _)| n == name).unwrap();
    let (board, _, at) = of("front");
    assert_eq!(board, "clear");
    assert!((at.min.x - 320.0).abs() < 1e-9 && (at.min.y - 150.5).abs() < 1e-9);
    assert_eq!(of("other").0, "clear");
    for setup in &made.work.setups {
        let names = setup.placements.iter().map(|p| &p.piece);
        let boxes: Vec<Bounds> = names.map(|name| of(name).2).collect();
        for (i, one) in boxes.iter().enumerate() {
            assert!(!boxes[i + 1..].iter().any(|b| b.touches(*one)), "{boxes:?}");
        }
    }
}

#[test]
fn a_chosen_place_that_cannot_be_is_told() {
    let told = |place: Value| {
        let made = make(with_knot(&json!([shelf("front", Some(place))]))).unwrap();
        assert!(!made.ready());
        let errors = made
            .work
            .findings
            .iter()
            .filter(|f| f.severity == Severity::Error);
        let first = errors.clone().next().unwrap();
        let place = first.pointer.as_ref().map(ToString::to_string);
        (first.code.clone(), place.unwrap_or_default())
    };
    let at = |code: &str, key: &str| (code.to_string(), format!("job#/parts/0/place/{key}"));
    assert_eq!(told(json!({ "board": "nut" })), at("unknown-name", "board"));
    let taken = at("place-taken", "at");
    assert_eq!(told(json!({ "board": "clear", "at": [800, 100] })), taken);
    assert_eq!(told(json!({ "board": "clear", "at": [2, 100] })), taken);
    assert_eq!(told(json!({ "board": "knotty", "at": [100, 80] })), taken);
    let two = json!([
        shelf("a", Some(json!({ "board": "clear", "at": [60, 60] }))),
        shelf("b", Some(json!({ "board": "clear", "at": [562, 60] })))
    ]);
    let made = make(with_knot(&two)).unwrap();
    assert_eq!(
        made.with_code("place-taken").len(),
        1,
        "{:#?}",
        made.errors()
    );
}

/// Each fault is planted between two stages, and check tells it from the documents.
#[test]
fn parts_moved_onto_a_knot_or_from_their_place_are_caught() {
    let parts = json!([
        shelf(
            "front",
            Some(json!({ "board": "knotty", "at": [690, 150] }))
        ),
        shelf("free", Some(json!({ "board": "knotty" })))
    ]);
    let with = |change: fn(&mut Work)| {
        let stages = chain(vec![("place", tamper("moved", change))]);
        let made = run(with_knot(&parts), &stages, &grainway_dialects::built_in()).unwrap();
        assert!(!made.ready());
        let told = made.with_code("verify-pieces");
        told.iter().map(|f| f.message.clone()).collect::<Vec<_>>()
    };
    type Change = fn(&mut Work);
    let moved: [(&str, Change); 4] = [
        ("front is to lie at (690, 150)", |w| {
            first(w, "front").placing.at.x += 0.5;
        }),
        ("free lies on the defect", |w| {
            first(w, "free").placing.at = point(20.0, 20.0);
        }),
        ("is to be cut from board knotty", |w| {
            w.setups[0].board = Some("clear".to_string());
        }),
        ("There is no board nut", |w| {
            w.setups[0].board = Some("nut".to_string());
        }),
    ];
    for (words, change) in moved {
        let told = with(change);
        assert!(told.iter().any(|t| t.contains(words)), "{words}: {told:?}");
    }
}

fn first<'w>(work: &'w mut Work, piece: &str) -> &'w mut Placement {
    let mut all = work.setups.iter_mut().flat_map(|s| &mut s.placements);
    all.find(|p| p.piece == piece).unwrap()
}
