//! What texts come to, and what is said of those that come to nothing.

use super::super::{Reading, ShopStocks, read_job, read_job_as_far_as_possible, read_shop};
use super::*;
use serde_json::json;

/// A rail that counts on names and on a stock of the job.
fn job(lengths: Value) -> Value {
    json!({
        "format": "grainway.job/1", "name": "Reading bench", "shop": "shop.json", "lengths": lengths,
        "stocks": { "ash-22": { "wood": "ash", "thickness": [21.9, 22.1, "22mm"] } },
        "parts": [{
            "id": "rail", "stock": "ash-22",
            "blank": {
                "length": "bench - 2 * inset", "width": "max(rail, 60mm)",
                "tenons": [{ "end": "left", "length": "stock.ash-22", "width": "rail - 2 * 15mm", "offset": "15" }]
            },
            "features": [{
                "kind": "mortise", "depth": "stock.ash-22.thinnest - 6mm",
                "shape": { "rectangle": { "at": ["inset / 2", "rail / 2 - 5"], "size": [40, "10mm"] } }
            }]
        }]
    })
}

fn good() -> Value {
    let mut job = job(json!({ "rail": "inset", "bench": "40in", "inset": 80 }));
    job["parts"][0]["blank"]["tenons"][0]["offset"] = json!(15);
    job
}

fn read(job: &Value) -> Reading<Job> {
    read_job_as_far_as_possible(job.to_string().as_bytes(), ShopStocks::NONE)
}

/// What reading a job says: the pointer and the message of each problem.
fn problems(job: &Value) -> Vec<(String, String)> {
    let told = |p: Problem| (p.pointer.to_string(), p.message);
    read(job).problems.into_iter().map(told).collect()
}

/// What a text comes to in a document in `unit`, with width 340 mm, a-b 3 mm and ash-22 of 21.9 to 22.1 mm.
fn count_in(unit: Unit, text: &str) -> Result<f64, String> {
    let mut names = Names {
        unit,
        ..Names::default()
    };
    for (name, mm) in [("width", 340.0), ("a-b", 3.0), ("zero", 0.0)] {
        names.known.insert(name.to_string(), Some(mm));
    }
    let readings = [21.9, 22.1].map(|mm| ThicknessReading::Plain(Length::from_mm(mm)));
    names.add_stock("ash-22", Some(&readings));
    names
        .mm(text, &Pointer::default())
        .map_err(|wrong| match wrong {
            Wrong::Said(message) => message,
            Wrong::Follows => "follows".to_string(),
        })
}

fn count(text: &str) -> Result<f64, String> {
    count_in(Unit::Mm, text)
}

#[test]
fn lengths_are_counted_by_the_rules_of_arithmetic() {
    for (text, mm) in [
        ("width", 340.0),
        ("width / 8", 42.5),
        ("width - 2 * 20mm", 300.0),
        ("(width - 20mm) * 2", 640.0),
        ("width - 20mm - 10mm", 310.0),
        ("width / 2 / 2", 85.0),
        ("-width + 400mm", 60.0),
        ("width * -1 + 400mm", 60.0),
        ("2 * width / 4", 170.0),
        ("width * (width / 170mm)", 680.0),
        ("min(width, 100mm, 4in)", 100.0),
        ("max(width, 20in) / 2", 254.0),
        ("min(3, 2) * 1mm", 2.0),
        ("3/4in + 1 1/4in", 50.8),
        ("1 1/2 in*2", 76.2),
        (".5in+1.mm", 13.7),
        ("0.1mm + 0.2mm", 0.3),
        ("  width\t", 340.0),
        // A hyphen between letters or digits is part of the name; behind a number or a unit it subtracts.
        ("a-b", 3.0),
        ("a-b - a-b", 0.0),
        ("a-b*2", 6.0),
        ("10mm-4mm", 6.0),
        ("10mm-a-b", 7.0),
        ("(5-3)*1mm", 2.0),
        ("width -5mm", 335.0),
        ("stock.ash-22", 22.1),
        ("stock.ash-22.thinnest", 21.9),
        ("stock.ash-22 - stock.ash-22.thinnest", 0.2),
    ] {
        assert_eq!(count(text), Ok(mm), "{text}");
    }
}

#[test]
fn plain_numbers_are_lengths_of_the_documents_unit_beside_a_length_alone() {
    assert_eq!(count_in(Unit::Mm, "width + 2 * 3"), Ok(346.0));
    assert_eq!(count_in(Unit::Inch, "width + 2 * 3"), Ok(492.4));
    assert_eq!(count_in(Unit::Inch, "max(1, 20mm)"), Ok(25.4));
    assert_eq!(count_in(Unit::Inch, "2 * 20mm"), Ok(40.0));
    // Nobody can tell what is meant by the rest.
    let said = count_in(Unit::Inch, "2 * 3").unwrap_err();
    assert!(
        said.contains("names no unit") && said.contains("\"6in\""),
        "{said}"
    );
    let said = count("width + width / 10mm").unwrap_err();
    assert!(
        said.contains("character 7") && said.contains("do not go together"),
        "{said}"
    );
}

#[test]
fn what_comes_to_no_length_is_told_at_its_character() {
    for (text, at, said) in [
        ("", 1, "there is no length"),
        ("width *", 8, "missing at the end"),
        ("width * * 2", 9, "missing before \"*\""),
        ("(width + 2mm", 13, "character 1 is not closed"),
        ("width) + 2mm", 6, "\")\" does not go on"),
        ("width 2mm", 7, "a number does not go on"),
        ("3 mmm", 3, "\"mmm\" is no unit; units are mm and in"),
        ("width + 3 a-b", 11, "\"a-b\" is no unit"),
        ("width * width", 7, "area"),
        ("width * 3mm", 7, "area"),
        ("2 / width", 3, "no length"),
        (
            "2mm + 3 / 4in",
            9,
            "A fraction of an inch has no spaces: 3/4in",
        ),
        (
            "width / 20mm",
            1,
            "a length divided by a length, and no length",
        ),
        ("width / (5 - 5)", 7, "divided by 0"),
        ("1mm + width / zero", 13, "divided by 0"),
        ("widht / 2", 1, "did you mean \"width\"?"),
        (
            "2 * elsewhere-9",
            5,
            "there are a-b, stock.ash-22, width, zero",
        ),
        ("width-5mm", 1, "write \"width - 5mm\""),
        ("a-b-2", 1, "write \"a-b - 2\""),
        ("stock.ash-2", 1, "did you mean \"stock.ash-22\"?"),
        (
            "board.a.length - 3mm",
            1,
            "known only once parts are laid on boards",
        ),
        (
            "place.rail.x",
            1,
            "known only once parts are laid on boards",
        ),
        ("min(width)", 1, "two lengths or more"),
        ("max width", 5, "in parentheses"),
        ("sqrt(width)", 1, "there is no length \"sqrt\""),
        ("width ^ 2", 7, "means nothing here"),
        ("2 × width", 3, "means nothing here"),
        ("1.2.3 * width", 1, "\"1.2.3\" is no number"),
        (
            "width * 99999999999999999999999999999999999999999999 * 99999999999999999999999999999999999999999999 * 99999999999999999999999999999999999999999999 * 99999999999999999999999999999999999999999999 * 99999999999999999999999999999999999999999999 * 99999999999999999999999999999999999999999999 * 99999999999999999999999999999999999999999999",
            289,
            "more than can be counted",
        ),
    ] {
        let message = count(text).unwrap_err();
        assert!(message.contains(said), "{text}: {message}");
        assert!(
            message.contains(&format!(", character {at}: ")),
            "{text}: {message}"
        );
    }
    for deep in [
        "(".repeat(100_000),
        "-".repeat(100_000),
        "min(".repeat(100_000),
    ] {
        assert!(count(&deep).unwrap_err().contains("inside each other"));
    }
}

#[test]
fn a_job_holds_plain_lengths_once_it_is_read() {
    assert_eq!(problems(&good()), []);
    let job = read_job(good().to_string().as_bytes()).unwrap();
    let mm: Vec<f64> = job.lengths.values().map(|l| l.mm()).collect();
    assert_eq!(
        mm,
        [1016.0, 80.0, 80.0],
        "in the order of names: bench, inset, rail"
    );
    let written = serde_json::to_value(&job).unwrap();
    let blank = &written["parts"][0]["blank"];
    assert_eq!(blank["length"], json!(856.0));
    assert_eq!(blank["width"], json!(80.0));
    assert_eq!(blank["tenons"][0]["length"], json!(22.1));
    assert_eq!(blank["tenons"][0]["width"], json!(50.0));
    let feature = &written["parts"][0]["features"][0];
    assert_eq!(feature["depth"], json!(15.9));
    assert_eq!(feature["shape"]["rectangle"]["at"], json!([40.0, 35.0]));
}

#[test]
fn what_depends_on_a_name_moves_with_it_and_nothing_else_does() {
    let read =
        |job: &Value| serde_json::to_value(read_job(job.to_string().as_bytes()).unwrap()).unwrap();
    let mut grown = good();
    grown["lengths"]["inset"] = json!("80mm + 2in");
    let (before, after) = (read(&good()), read(&grown));
    let mut moved = Vec::new();
    differences(&before, &after, "", &mut moved);
    assert_eq!(
        moved,
        [
            ("/lengths/inset".to_string(), 50.8),
            ("/lengths/rail".to_string(), 50.8),
            ("/parts/0/blank/length".to_string(), -101.6),
            ("/parts/0/blank/tenons/0/width".to_string(), 50.8),
            ("/parts/0/blank/width".to_string(), 50.8),
            ("/parts/0/features/0/shape/rectangle/at/0".to_string(), 25.4),
            ("/parts/0/features/0/shape/rectangle/at/1".to_string(), 25.4),
        ]
    );
    let mut thicker = good();
    thicker["stocks"]["ash-22"]["thickness"] = json!([22.4, 22.2]);
    let mut moved = Vec::new();
    differences(&before["parts"], &read(&thicker)["parts"], "", &mut moved);
    assert_eq!(
        moved,
        [
            ("/0/blank/tenons/0/length".to_string(), 0.3),
            ("/0/features/0/depth".to_string(), 0.3)
        ]
    );
}

/// Numbers that differ, each with its place and by how much.
fn differences(a: &Value, b: &Value, at: &str, out: &mut Vec<(String, f64)>) {
    match (a, b) {
        (Value::Object(a), Value::Object(b)) => {
            let keys: BTreeSet<&String> = a.keys().chain(b.keys()).collect();
            for k in keys {
                differences(&a[k], &b[k], &format!("{at}/{k}"), out);
            }
        }
        (Value::Array(a), Value::Array(b)) => {
            assert_eq!(a.len(), b.len());
            for (i, (a, b)) in a.iter().zip(b).enumerate() {
                differences(a, b, &format!("{at}/{i}"), out);
            }
        }
        (Value::Number(x), Value::Number(y)) if a != b => {
            let by = y.as_f64().unwrap() - x.as_f64().unwrap();
            out.push((at.to_string(), (by * 1e9).round() / 1e9));
        }
        _ => assert_eq!(a, b, "{at}"),
    }
}

#[test]
fn each_mistake_is_told_once_at_its_place() {
    let only = |job: &Value| {
        let found = problems(job);
        assert_eq!(found.len(), 1, "{found:?}");
        found.into_iter().next().unwrap()
    };
    let with = |pointer: &str, to: Value| {
        let mut job = good();
        *job.pointer_mut(pointer).unwrap() = to;
        job
    };
    // A name that is wrong is told, and not once more wherever it is used.
    let (at, said) = only(&with("/lengths/inset", json!("80mn")));
    assert_eq!(at, "/lengths/inset");
    assert!(said.contains("\"mn\" is no unit"), "{said}");
    let (at, said) = only(&with("/lengths/inset", json!("rail - 2mm")));
    assert_eq!(at, "/lengths/inset");
    assert!(said.contains("inset → rail → inset"), "{said}");
    let (at, said) = only(&with("/lengths/bench", json!("bench")));
    assert_eq!(at, "/lengths/bench");
    assert!(said.contains("bench → bench"), "{said}");
    let (at, said) = only(&with("/parts/0/blank/length", json!("bench - 2 * insett")));
    assert_eq!(at, "/parts/0/blank/length");
    assert!(
        said.contains("character 13") && said.contains("did you mean \"inset\"?"),
        "{said}"
    );
    let (at, said) = only(&with("/parts/0/features/0/depth", json!("throuhg")));
    assert_eq!(at, "/parts/0/features/0/depth");
    assert!(said.contains("did you mean \"through\"?"), "{said}");
    // A length that must not be negative.
    let (at, said) = only(&with("/parts/0/blank/length", json!("inset - bench")));
    assert_eq!(at, "/parts/0/blank/length");
    assert!(
        said.contains("-936 mm should be more than 0")
            && said.contains("counted from \"inset - bench\""),
        "{said}"
    );
    // Places may be negative.
    let place = "/parts/0/features/0/shape/rectangle/at/0";
    assert_eq!(problems(&with(place, json!("-inset"))), []);
    // What was measured is not counted.
    let (at, said) = only(&with("/stocks/ash-22/thickness/1", json!("inset / 4")));
    assert_eq!(at, "/stocks/ash-22/thickness/1");
    assert!(said.contains("somebody measured"), "{said}");
    let (at, _) = only(&with("/lengths/bench", json!({ "mm": 3 })));
    assert_eq!(at, "/lengths/bench");
}

#[test]
fn names_are_told_from_units_words_and_minus() {
    for name in [
        "in",
        "max",
        "stock",
        "through",
        "2nd",
        "top rail",
        "top.rail",
        "top-",
        "top--rail",
        "-top",
        "",
        "höhe",
    ] {
        let mut bad = good();
        bad["lengths"][name] = json!(3);
        let found = problems(&bad);
        assert!(
            found.len() == 1 && found[0].0 == format!("/lengths/{name}"),
            "{name}: {found:?}"
        );
    }
    for name in ["top-rail", "top_rail", "w2", "inner", "mm2", "minimum"] {
        let mut named = good();
        named["lengths"][name] = json!("100mm");
        named["parts"][0]["blank"]["width"] = json!(format!("{name} -0.5mm"));
        assert_eq!(problems(&named), [], "{name}");
    }
}

#[test]
fn the_shops_stocks_are_counted_on_and_the_jobs_replace_them() {
    let shop = read_shop(
        json!({
            "format": "grainway.shop/1", "unit": "in",
            "machines": { "router": {
                "dialect": "x", "travel": [48, 32, 4], "z-zero": "bed", "max-feed": 160, "max-plunge": 36, "rapid": 200,
                "acceleration": 12, "min-rpm": 8000, "max-rpm": 24000, "spoilboard": "18mm"
            } },
            "cutters": {}, "stocks": { "ash-22": { "wood": "ash", "thickness": ["30mm"] }, "oak-19": { "wood": "oak", "thickness": ["3/4in", "19.3mm"] } }
        })
        .to_string()
        .as_bytes(),
    )
    .unwrap();
    let known = ShopStocks {
        stocks: &shop.stocks,
        complete: true,
    };
    let mut job = good();
    job["lengths"]["housing"] = json!("stock.oak-19 + stock.ash-22");
    let text = job.to_string();
    let reading = read_job_as_far_as_possible(text.as_bytes(), known);
    assert_eq!(reading.problems, []);
    assert!((reading.document.unwrap().lengths["housing"].mm() - 41.4).abs() < 1e-9);
    // Without the shop there is nothing to say of it, and no length.
    let reading = read_job_as_far_as_possible(text.as_bytes(), ShopStocks::UNKNOWN);
    assert_eq!(reading.problems, []);
    assert!(!reading.document.unwrap().lengths.contains_key("housing"));
    let said = read_job(text.as_bytes()).unwrap_err();
    assert!(
        said.len() == 1
            && said[0]
                .message
                .contains("there is no length \"stock.oak-19\""),
        "{said:?}"
    );
}

#[test]
fn a_shop_has_no_names_to_count_on() {
    let shop = json!({ "format": "grainway.shop/1", "machines": {}, "stocks": { "ash": { "wood": "ash", "thickness": ["2 * 9mm"] } } });
    let wrong = read_shop(shop.to_string().as_bytes()).unwrap_err();
    assert!(
        wrong.iter().any(|p| p.message.contains("is not a length")),
        "{wrong:?}"
    );
}

#[test]
fn a_name_on_which_nothing_counts_is_known() {
    let mut job = good();
    job["lengths"]["left-over"] = json!(3);
    job["lengths"]["margin"] = json!(4);
    job["settings"] = json!({ "place": { "margin": "margin * 2" } });
    assert_eq!(read(&job).unused, [Pointer::from("/lengths/left-over")]);
    let job = read(&job).document.unwrap();
    assert!(settings_count(&job));
    assert!(!settings_count(&read(&good()).document.unwrap()));
}

#[test]
fn a_long_chain_of_names_is_counted() {
    let mut lengths = serde_json::Map::new();
    lengths.insert("n0".to_string(), json!("1mm"));
    for i in 1..20_000 {
        lengths.insert(format!("n{i}"), json!(format!("n{} + 1mm", i - 1)));
    }
    let mut job = good();
    job["parts"][0]["blank"] = json!({ "length": "n19999", "width": 50 });
    job["parts"][0]["features"] = json!([]);
    job["lengths"] = Value::Object(lengths);
    let job = read_job(job.to_string().as_bytes()).unwrap();
    let length = job.parts[0].blank.as_ref().unwrap().length.mm();
    assert!((length - 20_000.0).abs() < 1e-9, "{length}");
}
