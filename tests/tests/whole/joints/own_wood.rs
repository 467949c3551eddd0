//! Boards and blanks that were measured by themselves: joints, depths and heights follow the wood at hand, and nothing else changes.

use super::fits::{job_in, joined, shop};
use grainway_pipeline::doc::Side;
use grainway_tests::{Made, load_texts, root};
use serde_json::{Value, json};
use std::collections::BTreeMap;

/// Two rails in two legs. The first rail is cut from the board `straight`, which was measured by itself where `own` says so; the leg `b` too.
fn two(board: Option<&[f64]>, leg: Option<&[f64]>) -> (Value, Value) {
    let mut shop = shop();
    let mut straight = json!({ "id": "straight", "length": 900, "width": 200 });
    if let Some(own) = board {
        straight["thickness"] = json!(own);
    }
    let boards = &mut shop["stocks"]["rails"]["boards"];
    boards.as_array_mut().unwrap().push(straight);
    let rail =
        |id: &str| json!({ "id": id, "stock": "rails", "blank": { "length": 500, "width": 80 } });
    let leg_of = |id: &str| json!({ "id": id, "stock": "board-45", "blank": { "length": 500, "width": 45, "dimensioned": true } });
    let joint = |id: &str, rail: &str, leg: &str| {
        json!({ "id": id, "joint": { "mortise-and-tenon": {
            "tenon": { "part": rail, "end": "left", "width": 60, "length": 24 },
            "mortise": { "part": leg, "at": [250, 22.5], "lies": "along" } } } })
    };
    let mut first = rail("first");
    first["place"] = json!({ "board": "straight" });
    let mut b = leg_of("b");
    // A housing in its back, by what stays.
    b["features"] = json!([{ "id": "seat", "kind": "housing", "side": "back", "left": 40,
        "shape": { "across": { "at": 60, "width": 20 } } }]);
    if let Some(own) = leg {
        b["blank"]["measured"] = json!({ "thickness": own });
    }
    let job = json!({ "format": "grainway.job/1", "name": "own wood", "shop": "s",
        "parts": [first, rail("second"), leg_of("a"), b],
        "joints": [joint("one", "first", "a"), joint("two", "second", "b")] });
    (shop, job)
}

fn made(board: Option<&[f64]>, leg: Option<&[f64]>) -> Made {
    let (shop, job) = two(board, leg);
    let made = job_in(&shop, &job);
    assert!(made.ready(), "{:?}", made.errors());
    made
}

fn mortise(made: &Made, leg: &str, joint: &str) -> f64 {
    let variant = made.work.variant(leg).unwrap();
    let feature = variant.features.iter().find(|f| f.key == joint).unwrap();
    feature.shape.bounds().height()
}

/// The texts of programs, without the code of the documents, by what they cut.
fn programs(made: &Made) -> BTreeMap<String, String> {
    let code = made.work.documents.code();
    let of = |setup: &str| -> String {
        let setup = made.work.setups.iter().find(|s| s.id == setup).unwrap();
        let pieces: Vec<&str> = setup.placements.iter().map(|p| p.piece.as_str()).collect();
        format!("{} {}", pieces.join(", "), setup.side.word())
    };
    let programs = made.work.programs.iter();
    programs
        .map(|p| (of(&p.setup), made.text(&p.text).replace(&code, "")))
        .collect()
}

#[test]
fn a_board_measured_by_itself_changes_what_is_cut_from_it_and_its_mate_alone() {
    let plain = made(None, None);
    let own = made(Some(&[18.6, 18.7]), None);
    // The thickest reading of the rails is 19.3 mm, of that board 18.7 mm; a push fit has 0.1 mm more.
    let widths = |made: &Made| [mortise(made, "a", "one"), mortise(made, "b", "two")];
    let near = |a: [f64; 2], b: [f64; 2]| a.iter().zip(b).all(|(a, b)| (a - b).abs() < 1e-9);
    assert!(near(widths(&plain), [19.4, 19.4]), "{:?}", widths(&plain));
    assert!(near(widths(&own), [18.8, 19.4]), "{:?}", widths(&own));
    let (before, after) = (programs(&plain), programs(&own));
    let changed: Vec<&String> = before
        .iter()
        .filter(|(what, text)| after.get(*what) != Some(text))
        .map(|(what, _)| what)
        .collect();
    assert_eq!(changed, ["a face", "first face"]);
    assert_eq!(before.len(), after.len());
    // Its own joint closes on the wood that it is cut from, and no other part comes onto that board.
    let first = own
        .work
        .setups
        .iter()
        .find(|s| s.board.as_deref() == Some("straight"));
    let first = first.unwrap();
    assert_eq!(first.stock, "rails@straight");
    assert!((first.z.thickest - 18.7).abs() < 1e-9, "{:?}", first.z);
    let pieces: Vec<&str> = first.placements.iter().map(|p| p.piece.as_str()).collect();
    assert_eq!(pieces, ["first"]);
    for joint in &own.work.joints {
        assert!(joint.open <= 0.0, "{joint:?}");
    }
}

#[test]
fn a_blank_measured_by_itself_has_its_own_heights() {
    let own = made(None, Some(&[44.5, 44.6]));
    let z = |part: &str| own.work.variants.iter().find(|v| v.part == part).unwrap().z;
    assert!((z("b").thickest - 44.6).abs() < 1e-9);
    assert!((z("a").thickest - 45.0).abs() < 1e-9);
    // What stays is 40 mm of whatever the leg measures.
    let back = own
        .work
        .variants
        .iter()
        .find(|v| v.part == "b" && v.side == Side::Back);
    let back = back.unwrap();
    let seat = back.features.iter().find(|f| f.key == "seat").unwrap();
    assert!(
        (back.z.depth_of(seat.floor) - 4.55).abs() < 1e-9,
        "{seat:?}"
    );
    let key = joined(&own, "b", "two");
    assert_eq!(key.side, Side::Face);
}

#[test]
fn lengths_count_on_boards_and_blanks_by_their_own_readings() {
    let (shop, mut job) = two(Some(&[18.6, 18.7]), Some(&[44.5, 44.6]));
    job["stocks"] = json!({ "rails": shop["stocks"]["rails"] });
    job["lengths"] = json!({ "rail": "stock.rails.board.straight", "thin": "stock.rails.board.straight.thinnest",
        "leg": "stock.board-45.blank.b", "every": "stock.rails" });
    job["parts"][1]["features"] = json!([{ "id": "slot", "kind": "pocket", "depth": "thin / 3",
        "shape": { "rectangle": { "at": ["rail", "20mm"], "size": ["leg", "every"], "corner": 4 } } }]);
    let made = job_in(&shop, &job);
    assert!(made.ready(), "{:?}", made.errors());
    let bounds = joined(&made, "second", "slot").shape.bounds();
    let sizes = [bounds.min.x, bounds.width(), bounds.height()];
    let wanted = [18.7, 44.6, 19.3];
    assert!(
        sizes.iter().zip(wanted).all(|(a, b)| (a - b).abs() < 1e-9),
        "{sizes:?}"
    );
    // A board without readings of its own is measured as its stock.
    let boards = job["stocks"]["rails"]["boards"].as_array_mut().unwrap();
    boards[1].as_object_mut().unwrap().remove("thickness");
    let refused = load_texts(&job.to_string(), &shop.to_string(), &root());
    assert!(
        refused
            .err()
            .unwrap()
            .contains("stock.rails.board.straight")
    );
}

/// 25 mm where the stock has about 19 is a slip of the pen, or the wrong board.
#[test]
fn a_board_unlike_its_stock_asks() {
    let (shop, job) = two(Some(&[25.0]), Some(&[50.0]));
    let made = job_in(&shop, &job);
    assert!(!made.ready());
    let told = made.with_code("reading-unlike-shop");
    let of = |words: &str| told.iter().find(|f| f.message.contains(words));
    let board = of("The board straight of the stock rails has a thickness of 25 mm").unwrap();
    assert!(
        board
            .pointer
            .as_ref()
            .is_some_and(|p| p.place().ends_with("/stocks/rails/boards")),
        "{board:?}"
    );
    let blank = of("The blank b of the stock board-45 has a thickness of 50 mm").unwrap();
    assert!(
        blank
            .pointer
            .as_ref()
            .is_some_and(|p| p.place().ends_with("/parts/3/blank/measured/thickness/0")),
        "{blank:?}"
    );
    let (mut shop, mut job) = two(Some(&[25.0]), Some(&[50.0]));
    shop["stocks"]["rails"]["boards"][1]["thickness"] =
        json!([{ "thickness": 25, "confirmed": true }]);
    job["parts"][3]["blank"]["measured"]["thickness"] =
        json!([{ "thickness": 50, "confirmed": true }]);
    assert_eq!(
        job_in(&shop, &job).with_code("reading-unlike-shop").len(),
        0
    );
    // A board with readings of its own is one board.
    shop["stocks"]["rails"]["boards"][1]["count"] = json!(2);
    let refused = load_texts(&job.to_string(), &shop.to_string(), &root());
    assert!(
        refused
            .err()
            .unwrap()
            .contains("a thickness of its own is one board")
    );
}
