//! `grainway quote`: the price of a job or of a parts list, and when there is none.

use crate::bench::Bench;
use serde_json::{Value, json};
use std::path::Path;

fn prices() -> Value {
    json!({ "currency": "EUR", "machine-hour": 40, "hand-hour": 30, "surcharge-percent": 10,
        "wood": { "wood": { "per-board": 12.5 } }, "minutes": { "setup": 6, "piece": 2 } })
}

/// A stock of the shop, by id.
fn a_stock(shop: &Value) -> String {
    let mut ids = shop["stocks"].as_object().unwrap().keys();
    ids.next().unwrap().clone()
}

/// A small job whose shop has these prices.
fn bench(prices: Value) -> Bench {
    let bench = Bench::new();
    let mut shop: Value = serde_json::from_str(&bench.read("job/shop.json")).unwrap();
    let stock = a_stock(&shop);
    if !prices.is_null() {
        shop["prices"] = prices;
    }
    if let Some(wood) = shop.pointer_mut("/prices/wood")
        && let Some(price) = wood.as_object_mut().unwrap().remove("wood")
    {
        wood[stock] = price;
    }
    bench.put("job/shop.json", shop.to_string());
    bench
}

fn quoted(bench: &Bench, arguments: &[&str]) -> Value {
    let run = bench.run(&[&["quote", "--json"], arguments].concat());
    let said: Value =
        serde_json::from_str(&run.out).unwrap_or_else(|e| panic!("{e}: {}{}", run.out, run.err));
    assert_eq!(said["exit"], run.exit, "{said}");
    said
}

/// An amount in hundredths.
fn cents(amount: &Value) -> i64 {
    (amount.as_f64().unwrap() * 100.0).round() as i64
}

#[test]
fn a_job_is_quoted_and_nothing_is_written() {
    let bench = bench(prices());
    let before = bench.entries();
    let run = bench.run(&["quote", "job/job.json"]);
    assert_eq!(run.exit, 0, "{}{}", run.out, run.err);
    for words in [
        "Wood, ",
        "1 board",
        "12.50 EUR",
        "Machine: about",
        "By hand",
        "Price",
        "estimate",
        "Shares of the parts",
    ] {
        assert!(run.out.contains(words), "{words} is missing in {}", run.out);
    }
    assert_eq!(bench.entries(), before);
    // By the formulas of docs/costs.md, from the seconds that are told.
    let said = quoted(&bench, &["job/job.json"]);
    let costs = &said["jobs"][0]["costs"];
    let half_up = |v: f64| (v + 1e-9).round() as i64;
    let machine = half_up(4000.0 * costs["machine"]["seconds"].as_f64().unwrap() / 3600.0);
    let hand = half_up(3000.0 * costs["hand"]["seconds"].as_f64().unwrap() / 3600.0);
    let surcharge = half_up((1250 + machine + hand) as f64 / 10.0);
    assert_eq!(cents(&costs["machine"]["cost"]), machine);
    assert_eq!(cents(&costs["hand"]["cost"]), hand);
    assert_eq!(cents(&costs["total"]), 1250 + machine + hand + surcharge);
    let parts = costs["parts"].as_array().unwrap();
    assert_eq!(
        parts.iter().map(|p| cents(&p["total"])).sum::<i64>(),
        cents(&costs["total"])
    );
}

#[test]
fn sets_and_another_shop_are_taken_from_the_command() {
    let bench = bench(json!(null));
    let dear = self::bench(prices());
    bench.put("dear.json", dear.read("job/shop.json"));
    let none = bench.run(&["quote", "job/job.json"]);
    assert_eq!(none.exit, 1);
    assert!(
        none.out.contains("the shop has no `prices`"),
        "{}",
        none.out
    );
    let one = quoted(&bench, &["job/job.json", "--shop", "dear.json"]);
    let three = quoted(
        &bench,
        &["job/job.json", "--shop", "dear.json", "--sets", "3"],
    );
    let count = |said: &Value| {
        said["jobs"][0]["costs"]["parts"][0]["count"]
            .as_u64()
            .unwrap()
    };
    assert_eq!((count(&one), count(&three)), (2, 6));
    assert_eq!(three["jobs"][0]["costs"]["sets"], 3);
    assert_eq!((&one["exit"], &three["exit"]), (&json!(0), &json!(0)));
    assert_eq!(bench.run(&["quote", "job/job.json", "--sets", "0"]).exit, 2);
    assert_eq!(
        bench
            .run(&["quote", "job/job.json", "--shop", "nowhere.json"])
            .exit,
        2
    );
}

#[test]
fn what_has_no_price_and_what_cannot_be_cut_is_said() {
    let bench = bench(json!({ "currency": "EUR", "machine-hour": 40 }));
    let run = bench.run(&["quote", "job/job.json"]);
    assert_eq!(run.exit, 1, "{}{}", run.out, run.err);
    assert!(run.out.contains("Price, incomplete"), "{}", run.out);
    assert!(
        run.out.contains("Not in the price: The wood of "),
        "{}",
        run.out
    );
    // Too few boards: the job is not planned to its end.
    let run = bench.run(&["quote", "job/job.json", "--sets", "500"]);
    assert_eq!(run.exit, 1);
    assert!(
        run.out
            .contains("No price: not everything could be planned"),
        "{}",
        run.out
    );
    assert!(run.err.contains("boards-short"), "{}", run.err);
    assert_eq!(bench.run(&["quote", "job/none.json"]).exit, 2);
    bench.put("job/job.json", "{ no job");
    let run = bench.run(&["quote", "job/job.json"]);
    assert_eq!(run.exit, 1, "{}{}", run.out, run.err);
}

/// Planned to its end and withheld by its checks: there is a price, and it is said what it is worth.
#[test]
fn a_withheld_job_has_the_price_of_a_job_that_cannot_be_cut_yet() {
    let bench = bench(json!({ "currency": "EUR", "machine-hour": 40 }));
    let mut job: Value = serde_json::from_str(&bench.read("job/job.json")).unwrap();
    let narrow = json!({ "rectangle": { "at": [20, 20], "size": [20, 1] } });
    let features = job["parts"][0]["features"].as_array_mut().unwrap();
    features.push(json!({ "id": "narrow", "kind": "pocket", "shape": narrow, "depth": 3 }));
    bench.put("job/job.json", job.to_string());
    let run = bench.run(&["quote", "job/job.json"]);
    assert_eq!(run.exit, 1, "{}{}", run.out, run.err);
    assert!(
        run.out
            .contains("the price of a job that cannot be cut yet"),
        "{}",
        run.out
    );
    assert!(run.err.contains("error "), "{}", run.err);
}

#[test]
fn prices_that_make_no_sense_are_refused_with_their_places() {
    for (pointer, prices) in [
        ("/prices/currency", json!({ "currency": " " })),
        (
            "/prices/machine-hour",
            json!({ "currency": "EUR", "machine-hour": -1 }),
        ),
        (
            "/prices/hand-hour",
            json!({ "currency": "EUR", "hand-hour": 12.345 }),
        ),
        (
            "/prices/wood/ash/per-m3",
            json!({ "currency": "EUR", "wood": { "ash": { "per-m3": 2e6 } } }),
        ),
        (
            "/prices/wood/ash/per-tree",
            json!({ "currency": "EUR", "wood": { "ash": { "per-tree": 2 } } }),
        ),
        (
            "/prices/minutes/turn",
            json!({ "currency": "EUR", "minutes": { "turn": 1500 } }),
        ),
        (
            "/prices/surcharge-percent",
            json!({ "currency": "EUR", "surcharge-percent": 1001 }),
        ),
        (
            "/prices/hand-our",
            json!({ "currency": "EUR", "hand-our": 1 }),
        ),
    ] {
        let said = quoted(&bench(prices), &["job/job.json"]);
        assert_eq!(said["exit"], 1, "{pointer}");
        let findings = said["jobs"][0]["findings"].as_array().unwrap();
        let places: Vec<&str> = findings
            .iter()
            .filter_map(|f| f["pointer"].as_str())
            .collect();
        assert!(
            places.iter().any(|p| p.ends_with(pointer)),
            "{pointer}: {findings:#?}"
        );
    }
}

const LIST: &str = "job,sets,part,count,stock,length,width\nracks,2,rail,2,STOCK,200,60\nstools,,top,1,STOCK,200,120\n";

#[test]
fn a_parts_list_is_quoted_with_the_sum_of_its_jobs() {
    let bench = bench(prices());
    let shop: Value = serde_json::from_str(&bench.read("job/shop.json")).unwrap();
    let stock = a_stock(&shop);
    let list = LIST.replace("STOCK", &stock);
    bench.put("job/list.csv", &list);
    let said = quoted(&bench, &["job/list.csv"]);
    assert_eq!(said["exit"], 0, "{said}");
    let jobs = said["jobs"].as_array().unwrap();
    let totals: Vec<i64> = jobs.iter().map(|j| cents(&j["costs"]["total"])).collect();
    assert_eq!(
        (totals.len(), totals.iter().sum::<i64>()),
        (2, cents(&said["sum"]["total"]))
    );
    assert_eq!(jobs[0]["costs"]["parts"][0]["count"], 4);
    assert_eq!(jobs[1]["costs"]["parts"][0]["count"], 1);
    let run = bench.run(&["quote", "job/list.csv"]);
    assert!(
        run.out.contains("as if it alone had the boards"),
        "{}",
        run.out
    );
    // A fault is told by its row, in both forms.
    bench.put("job/list.csv", list.replace(",200,60", ",200,x"));
    let run = bench.run(&["quote", "job/list.csv"]);
    assert_eq!(run.exit, 1);
    assert!(run.err.contains("row 2, width: "), "{}", run.err);
    let said = quoted(&bench, &["job/list.csv"]);
    assert_eq!(said["rows"][0]["row"], 2);
    // So is what only planning finds.
    bench.put("job/list.csv", list.replace(",200,60", ",2000,60"));
    let run = bench.run(&["quote", "job/list.csv"]);
    assert_eq!(run.exit, 1);
    assert!(run.out.contains("No sum of the jobs"), "{}", run.out);
}

/// The sample as the README names it: twelve benches of a spreadsheet.
#[test]
fn twelve_benches_are_quoted_from_a_spreadsheet_slow() {
    let list =
        Path::new(env!("CARGO_MANIFEST_DIR")).join("../../jobs/twelve-benches/reading-benches.csv");
    let said = quoted(&Bench::new(), &[list.to_str().unwrap()]);
    assert_eq!(said["exit"], 0, "{said}");
    let costs = &said["jobs"][0]["costs"];
    assert_eq!(
        (&costs["sets"], costs["parts"].as_array().unwrap().len()),
        (&json!(12), 4)
    );
    assert!(costs["wood"][0]["boards"].as_u64().unwrap() > 0);
    assert_eq!(costs.get("missing"), None);
}
