//! Labels: one for each piece, in cut order, with its place on the sheet, its furniture and its code.

use crate::bench::Bench;
use serde_json::{Value, json};
use std::path::Path;

fn table(text: &str) -> Vec<std::collections::BTreeMap<String, String>> {
    let mut reader = csv_rows(text);
    let header = reader.remove(0);
    let named = |row: Vec<String>| header.iter().cloned().zip(row).collect();
    reader.into_iter().map(named).collect()
}

/// Rows of a table whose cells may stand in quotes.
fn csv_rows(text: &str) -> Vec<Vec<String>> {
    let row = |line: &str| {
        let (mut cells, mut quoted) = (vec![String::new()], false);
        for c in line.chars() {
            match c {
                '"' => quoted = !quoted,
                ',' if !quoted => cells.push(String::new()),
                c => cells.last_mut().unwrap().push(c),
            }
        }
        cells
    };
    text.lines().map(row).collect()
}

fn sample(bench: &Bench, name: &str, change: impl FnOnce(&mut Value, &mut Value)) {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("../../jobs")
        .join(name);
    let read = |file: &str| -> Value {
        serde_json::from_slice(&std::fs::read(folder.join(file)).unwrap()).unwrap()
    };
    let (mut job, mut shop) = (read("job.json"), read("shop.json"));
    change(&mut job, &mut shop);
    bench.put("job/job.json", job.to_string());
    bench.put("job/shop.json", shop.to_string());
}

#[test]
fn every_piece_has_one_label_in_the_order_in_which_pieces_come_free() {
    let bench = Bench::new();
    sample(&bench, "folio-stand", |job, _| job["sets"] = json!(2));
    let run = bench.make();
    assert_eq!(run.exit, 0, "{}{}", run.out, run.err);
    let report = bench.report();
    let labels = table(&bench.read("out/labels.csv"));
    let pieces: u64 = report["parts"]
        .as_array()
        .unwrap()
        .iter()
        .map(|p| p["count"].as_u64().unwrap())
        .sum();
    assert_eq!(labels.len() as u64, pieces);
    let mut names: Vec<&str> = labels.iter().map(|l| l["piece"].as_str()).collect();
    names.sort_unstable();
    names.dedup();
    assert_eq!(names.len() as u64, pieces);
    // Setups in running order.
    let order: Vec<&str> = report["setups"]
        .as_array()
        .unwrap()
        .iter()
        .map(|s| s["id"].as_str().unwrap())
        .collect();
    let places: Vec<usize> = labels
        .iter()
        .map(|l| order.iter().position(|o| *o == l["setup"]).unwrap())
        .collect();
    assert!(places.is_sorted(), "{places:?}");
    // Each letter of the furniture in each set once.
    let furniture = &report["furniture"][0];
    let mut marks: Vec<String> = labels
        .iter()
        .map(|l| l["mark"].clone())
        .filter(|m| !m.is_empty())
        .collect();
    marks.sort();
    let letters = furniture["pieces"].as_array().unwrap().iter();
    let letters: Vec<&str> = letters.map(|p| p["letter"].as_str().unwrap()).collect();
    let mut wanted: Vec<String> = (1..=2)
        .flat_map(|set| letters.iter().map(move |l| format!("set {set}, {l}")))
        .collect();
    wanted.sort();
    assert_eq!(marks, wanted);
    let code = report["code"].as_str().unwrap();
    assert!(
        labels
            .iter()
            .all(|l| l["code"] == format!("{code} {}", l["piece"]))
    );
}

/// The last cut of a piece frees it: on a board pieces have labels in the order of their outlines.
#[test]
fn on_a_board_labels_follow_the_outlines() {
    let bench = Bench::new();
    assert_eq!(bench.make().exit, 0);
    let order = table(&bench.read("out/running-order.csv"));
    let outlines: Vec<&str> = order
        .iter()
        .filter(|r| r["feature"] == "outline")
        .map(|r| r["piece"].as_str())
        .collect();
    let labels = table(&bench.read("out/labels.csv"));
    let mut last: Vec<&str> = outlines.iter().rev().copied().collect();
    let mut seen = Vec::new();
    last.retain(|p| {
        let new = !seen.contains(p);
        seen.push(*p);
        new
    });
    last.reverse();
    let labelled: Vec<&str> = labels.iter().map(|l| l["piece"].as_str()).collect();
    assert_eq!(labelled, last);
}

#[test]
fn the_shop_says_where_labels_lie_and_what_their_codes_say() {
    let bench = Bench::new();
    let mut shop: Value = serde_json::from_str(&bench.read("job/shop.json")).unwrap();
    shop["labels"] = json!({
        "page": [70, 100], "label": [60, 40], "first": [5, 6], "step": [65, 50], "address": "http://router.local:4750/"
    });
    bench.put("job/shop.json", shop.to_string());
    assert_eq!(bench.make().exit, 0);
    let labels = table(&bench.read("out/labels.csv"));
    let at: Vec<[&str; 3]> = labels
        .iter()
        .map(|l| [&l["page"], &l["right-mm"], &l["down-mm"]].map(String::as_str))
        .collect();
    // One column; the second label would reach to 96 mm of 100.
    assert_eq!(at, [["1", "5", "6"], ["1", "5", "56"]]);
    let code = bench.report()["code"].as_str().unwrap().to_string();
    let mut texts: Vec<&str> = labels.iter().map(|l| l["code"].as_str()).collect();
    texts.sort_unstable();
    let wanted = ["front", "front%232"].map(|p| format!("http://router.local:4750/#{code}/{p}"));
    assert_eq!(texts, wanted);
    let svg = bench.read("out/labels.svg");
    assert!(svg.contains("width=\"70mm\" height=\"100mm\""), "{svg}");
    assert_eq!(svg.matches("<g transform").count(), 2);
    shop["labels"]["page"] = json!([70, 90]);
    bench.put("job/shop.json", shop.to_string());
    assert_eq!(bench.make().exit, 0);
    assert!(bench.read("out/labels-2.svg").contains("page 2"));
    // Labels that lie in one another, and a page that holds none.
    for (key, value, place) in [
        ("step", json!([59, 50]), "shop.json#/labels/step/0"),
        ("page", json!([70, 45]), "shop.json#/labels/page/1"),
    ] {
        let mut wrong = shop.clone();
        wrong["labels"][key] = value;
        bench.put("job/shop.json", wrong.to_string());
        assert_eq!(bench.make().exit, 1);
        let report = bench.report();
        let mut findings = report["findings"].as_array().unwrap().iter();
        assert!(findings.any(|f| f["pointer"] == place), "{report:#}");
    }
}
