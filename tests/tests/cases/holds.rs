//! What holds a piece, and what wood, zero and cutter must bear, on whole jobs.

use grainway_geom::{Point, point};
use grainway_pipeline::finding::{Finding, Severity};
use grainway_pipeline::work::Verdict;
use grainway_tests::{Made, load, load_texts, make, root, sample};
use serde_json::{Value, json};

fn told(verdict: &Verdict) -> Vec<String> {
    verdict.findings.iter().map(ToString::to_string).collect()
}

#[test]
fn slender_strips_are_told_with_what_holds_their_middle() {
    let job = root().join("tests/cases/holds/slender-strips/job.json");
    let made = make(load(&job).unwrap()).unwrap();
    let found = made.with_code("verify-slender");
    assert_eq!(found.len(), 3, "{:?}", made.work.findings);
    for (f, strip) in found.iter().zip(["strip", "strip#2", "strip#3"]) {
        assert_eq!(f.part.as_deref(), Some(strip), "{f}");
        assert!(f.message.contains("83 to 1"), "{f}");
        assert!(f.message.contains("tabs and screws hold it"), "{f}");
        assert!(f.severity != Severity::Error && f.line.is_some(), "{f}");
    }
}

/// One shelf of 400 × 120 mm on a board, held by tabs alone.
fn shelf() -> Made {
    shelf_with(json!({}))
}

fn shelf_with(hold: Value) -> Made {
    let shop = std::fs::read_to_string(root().join("tests/cases/holds/slender-strips/shop.json"));
    let job = json!({ "format": "grainway.job/1", "name": "Shelf of the card-index cabinet", "shop": "s",
        "settings": { "hold": hold }, "parts": [ { "id": "shelf", "stock": "ash", "blank": { "length": 400, "width": 120 } } ] });
    let loaded = load_texts(&job.to_string(), &shop.unwrap(), &root()).unwrap();
    let made = make(loaded).unwrap();
    assert!(made.ready(), "{:?}", made.errors());
    assert_eq!(made.work.programs.len(), 1);
    made
}

/// The text with the lifts over these of its tabs taken out, counted in the order in which the text comes to them.
fn without_tabs(made: &Made, text: &str, gone: impl Fn(usize) -> bool) -> String {
    let placement = &made.work.setups[0].placements[0];
    let (count, top) = (placement.tabs.len(), placement.tabs[0].top);
    let word = |line: &str, letter: char| {
        let mut words = line.split_whitespace();
        let number = words.find_map(|w| w.strip_prefix(letter));
        number.and_then(|n| n.parse::<f64>().ok())
    };
    let mut at = point(0.0, 0.0);
    let mut seen: Vec<Point> = Vec::new();
    let mut kept = Vec::new();
    for line in text.lines() {
        at = point(
            word(line, 'X').unwrap_or(at.x),
            word(line, 'Y').unwrap_or(at.y),
        );
        let lift = word(line, 'Z').is_some_and(|z| (z - top).abs() < 1e-9);
        if lift && !line.contains('X') {
            // The lifts of one tab lie within its own length of each other, whatever the pass.
            let tab = seen.iter().position(|p| p.distance(at) < 30.0);
            let tab = tab.unwrap_or_else(|| {
                seen.push(at);
                seen.len() - 1
            });
            if gone(tab) {
                continue;
            }
        }
        kept.push(line);
    }
    assert_eq!(seen.len(), count, "{text}");
    kept.join("\n") + "\n"
}

#[test]
fn a_shelf_that_loses_its_tabs_in_the_text_is_not_safe() {
    let made = shelf();
    let program = &made.work.programs[0];
    let text = made.text(&program.text);
    let tabs = made.work.setups[0].placements[0].tabs.len();
    assert!(tabs >= 3);
    let whole = made.safe_of(program, &text).unwrap();
    assert!(whole.passed, "{:?}", told(&whole));
    for kept in 0..tabs {
        let verdict = made
            .safe_of(program, &without_tabs(&made, &text, |i| i != kept))
            .unwrap();
        let one = |f: &&Finding| f.code == "verify-loose" && f.message.contains("held by 1 tabs");
        let loose = verdict.findings.iter().find(one);
        let loose = loose.unwrap_or_else(|| panic!("tab {kept} alone: {:?}", told(&verdict)));
        assert!(!verdict.passed && loose.line.is_some(), "{loose}");
    }
}

/// A table with suction, tape, cams of the shop's own: the program knows nothing of it. It holds the board; the shelf is held by its tabs.
#[test]
fn what_a_person_vouches_for_holds_the_board_and_nothing_else() {
    let made = shelf_with(json!({ "first": "other" }));
    let told_so = made.with_code("held-otherwise");
    assert_eq!(told_so.len(), 1, "{:?}", made.work.findings);
    assert_eq!(told_so[0].severity, Severity::Warning);
    assert!(made.work.setups[0].holds.is_empty());
    let sheet = made.text(&made.work.files["setup-sheet.html"]);
    assert!(sheet.contains("Vouched for by (name)"), "{sheet}");
    let program = &made.work.programs[0];
    let text = made.text(&program.text);
    assert!(made.safe_of(program, &text).unwrap().passed);
    let verdict = made
        .safe_of(program, &without_tabs(&made, &text, |_| true))
        .unwrap();
    let loose = |f: &Finding| f.code == "verify-loose" && f.part.as_deref() == Some("shelf");
    assert!(verdict.findings.iter().any(loose), "{:?}", told(&verdict));
    assert!(!verdict.passed);
}

/// The reading bench with a setting of its verify stage.
fn bench(key: &str, value: Value) -> Result<Made, String> {
    let folder = sample("reading-bench").parent().unwrap().to_path_buf();
    let read = |name: &str| std::fs::read_to_string(folder.join(name)).unwrap();
    let mut job: Value = serde_json::from_str(&read("job.json")).unwrap();
    job["settings"]["verify"][key] = value;
    make(load_texts(&job.to_string(), &read("shop.json"), &folder)?)
}

#[test]
fn a_zero_that_the_cuts_do_not_bear_withholds_the_job() {
    // Through cuts go 0.3 mm below the wood.
    let bears = bench("z-error", json!(0.3)).unwrap();
    assert!(bears.ready(), "{:?}", bears.errors());
    let made = bench("z-error", json!(0.35)).unwrap();
    assert!(!made.ready());
    let found = made.with_code("verify-extremes");
    let of_outline = |f: &&&Finding| f.feature.as_deref() == Some("outline") && f.line.is_some();
    assert!(found.iter().any(|f| of_outline(&f)), "{:?}", made.errors());
}

#[test]
fn a_cutter_error_of_millimetres_is_refused() {
    for (key, value) in [("cutter-error", 5), ("z-error", 2)] {
        let told = match bench(key, json!(value)) {
            Err(message) => message,
            Ok(made) => {
                assert!(made.work.programs.is_empty());
                made.errors().join("\n")
            }
        };
        assert!(told.contains(&format!("{key} is {value} mm")), "{told}");
    }
    let made = bench("cutter-error", json!(0.3)).unwrap();
    assert!(made.ready(), "{:?}", made.errors());
    let warned = made.with_code("verify-extremes");
    assert!(!warned.is_empty(), "the bench has mortises");
    for f in warned {
        assert_eq!(f.severity, Severity::Warning, "{f}");
    }
}

#[test]
fn a_dust_shoe_that_nothing_is_checked_against_is_no_key() {
    let folder = sample("reading-bench").parent().unwrap().to_path_buf();
    let read = |name: &str| std::fs::read_to_string(folder.join(name)).unwrap();
    let mut shop: Value = serde_json::from_str(&read("shop.json")).unwrap();
    shop["machines"]["router"]["dust-shoe-diameter"] = json!(300);
    let refused = load_texts(&read("job.json"), &shop.to_string(), &folder).err();
    assert!(refused.is_some_and(|e| e.contains("dust-shoe-diameter")));
}
