//! Each piece of a board has the hold that fits it: cutting sheets, and faults planted in their texts and claims.

use grainway_pipeline::finding::Finding;
use grainway_pipeline::work::{PieceHold, Placement, Verdict, Work};
use grainway_tests::{
    CUTTING_SHEET_JOB, Made, cutting_sheet_shop, drawings, load_texts, make, sheets_beside,
};
use serde_json::{Value, json};
use std::collections::BTreeMap;
use std::path::PathBuf;

/// The cutting sheets, as drawn, and the tests' own laid closer together.
fn sheets() -> Vec<(String, PathBuf)> {
    let mut sheets = vec![(CUTTING_SHEET_JOB.to_string(), drawings())];
    sheets.extend(sheets_beside());
    sheets
}

fn sheet(job: &str, folder: &std::path::Path, zero: &str, change: impl Fn(&mut Value)) -> Made {
    let mut shop: Value = serde_json::from_str(&cutting_sheet_shop(6.0)).unwrap();
    shop["machines"]["router"]["z-zero"] = json!(zero);
    shop["cutters"]["drill"] = json!({ "kind": "drill", "number": 2, "diameter": 3, "cutting-length": 40,
        "usable-length": 45, "max-rpm": 9000 });
    let mut job: Value = serde_json::from_str(job).unwrap();
    change(&mut job);
    make(load_texts(&job.to_string(), &shop.to_string(), folder).unwrap()).unwrap()
}

fn placements(work: &Work) -> impl Iterator<Item = &Placement> {
    work.setups.iter().flat_map(|s| &s.placements)
}

fn count(made: &Made) -> BTreeMap<&'static str, usize> {
    let mut counts = BTreeMap::new();
    for p in placements(&made.work) {
        *counts.entry(p.hold.word()).or_insert(0) += 1;
    }
    counts
}

fn loose_of<'v>(verdict: &'v Verdict, piece: &str) -> Vec<&'v Finding> {
    let of = |f: &&Finding| f.code == "verify-loose" && f.part.as_deref() == Some(piece);
    verdict.findings.iter().filter(of).collect()
}

fn told(verdict: &Verdict) -> Vec<String> {
    verdict.findings.iter().map(ToString::to_string).collect()
}

/// With zero on the bed only the pieces without room for tabs lie on a skin.
#[test]
fn a_skin_is_left_under_the_pieces_without_room_for_tabs_alone() {
    for (job, folder) in sheets() {
        let made = sheet(&job, &folder, "bed", |_| {});
        println!("zero on the bed, as drawn: {:?}", count(&made));
        for f in made.with_code("no-room-for-tabs") {
            println!("    {f}");
        }
        assert!(made.ready(), "{:#?}", made.errors());
        let counts = count(&made);
        assert!(counts["tabs"] >= 3 && counts["skin"] >= 1, "{counts:?}");
        assert_eq!(counts["tabs"] + counts["skin"], 10);
        let found = made.with_code("no-room-for-tabs");
        let sheet = made.text(&made.work.files["setup-sheet.html"]);
        let list = made.text(&made.work.files["handwork.csv"]);
        for p in placements(&made.work) {
            let skinned = p.hold.skin().is_some();
            assert_eq!(p.tabs.is_empty(), skinned, "{}", p.piece);
            let named = |f: &&&Finding| f.message.contains(&format!("{} (", p.piece));
            assert_eq!(found.iter().any(|f| named(&f)), skinned, "{found:?}");
            let row = list.lines().find(|l| {
                l.starts_with(&p.piece)
                    && l.contains(if skinned {
                        "cut the skin"
                    } else {
                        "cut the tabs"
                    })
            });
            assert!(row.is_some(), "{list}");
        }
        let line = |what: &str| {
            let at = sheet.find(what).unwrap_or_else(|| panic!("{what}"));
            sheet[at..]
                .split('<')
                .next()
                .unwrap()
                .replace("&#x2f;", "/")
        };
        let tabs = line("Tabs, to be cut and trimmed:");
        let skins = line("to be cut with a knife and trimmed:");
        for p in placements(&made.work) {
            let here = if p.hold.skin().is_some() {
                &skins
            } else {
                &tabs
            };
            assert!(here.contains(&p.piece), "{} in {here}", p.piece);
        }
    }
}

/// With zero on top, where no skin can be had: bridges to neighbours; screws where the job allows them; a refusal of that piece alone.
#[test]
fn without_a_skin_pieces_are_bridged_screwed_or_refused_one_by_one() {
    for (job, folder) in sheets() {
        let made = sheet(&job, &folder, "top", |_| {});
        println!("zero on top, as drawn: {:?}", count(&made));
        let refused = made.with_code("not-held");
        for f in made.with_code("no-room-for-tabs").iter().chain(&refused) {
            println!("    {f}");
        }
        let open = |p: &&Placement| p.hold == PieceHold::Nothing;
        let open: Vec<&Placement> = placements(&made.work).filter(open).collect();
        assert_eq!(refused.len(), open.len());
        for (f, p) in refused.iter().zip(&open) {
            assert!(
                f.message
                    .starts_with(&format!("Nothing holds {}.", p.piece)),
                "{f}"
            );
        }
        // No other piece is refused for them.
        for f in made.with_code("verify-loose") {
            let of_open = |p: &&Placement| f.part.as_deref() == Some(p.piece.as_str());
            assert!(open.iter().any(of_open), "{f}");
        }
        if open.is_empty() {
            assert!(made.ready(), "{:#?}", made.errors());
        }
        // Screws through all parts.
        let allowed = sheet(&job, &folder, "top", |job| {
            let parts =
                (1..=10).map(|n| (format!("cabinet/{n}"), json!({ "screws-through": true })));
            let sheets =
                (1..=10).map(|n| (format!("cabinet-1/{n}"), json!({ "screws-through": true })));
            job["drawings"][0]["parts"] = match made.work.parts[0].id.starts_with("cabinet-1/") {
                true => sheets.collect::<serde_json::Map<_, _>>().into(),
                false => parts.collect::<serde_json::Map<_, _>>().into(),
            };
        });
        println!("the same, screws allowed: {:?}", count(&allowed));
        assert!(allowed.ready(), "{:#?}", allowed.errors());
    }
}

/// The tests' sheet with zero on the bed: pieces on tabs and pieces on a skin.
fn mixed() -> Made {
    let made = sheet(CUTTING_SHEET_JOB, &drawings(), "bed", |_| {});
    assert!(made.ready(), "{:#?}", made.errors());
    assert_eq!(made.work.programs.len(), 1);
    made
}

#[test]
fn a_skin_where_the_plan_has_tabs_is_not_safe() {
    let mut made = mixed();
    let text = made.text(&made.work.programs[0].text);
    let program = made.work.programs[0].clone();
    assert!(made.safe_of(&program, &text).unwrap().passed);
    let skinned = |p: &Placement| p.hold.skin().is_some();
    let at = made.work.setups[0]
        .placements
        .iter()
        .position(skinned)
        .unwrap();
    let piece = made.work.setups[0].placements[at].piece.clone();
    made.work.setups[0].placements[at].hold = PieceHold::Tabs;
    let verdict = made.safe_of(&program, &text).unwrap();
    let loose = loose_of(&verdict, &piece);
    assert!(!verdict.passed && !loose.is_empty(), "{:?}", told(&verdict));
    assert!(verdict.findings.iter().any(|f| f.code == "verify-leftover"));
    // The same claim with nobody to cut it.
    made.work.setups[0].placements[at].hold = PieceHold::Skin(0.4);
    assert!(made.safe_of(&program, &text).unwrap().passed);
    made.work.hand_work.clear();
    let verdict = made.safe_of(&program, &text).unwrap();
    let unlisted = loose_of(&verdict, &piece);
    assert!(
        unlisted
            .iter()
            .any(|f| f.message.contains("hand-work list")),
        "{:?}",
        told(&verdict)
    );
}

/// The text without the lifts over the tabs of one piece.
fn without_lifts(made: &Made, text: &str, placement: &Placement) -> String {
    let variant = made.work.variant(&placement.variant).unwrap();
    let near = variant
        .outline
        .placed(&placement.placing)
        .bounds()
        .grown(4.0);
    let top = placement.tabs[0].top;
    let mut at = [f64::NAN; 2];
    let mut kept = Vec::new();
    for line in text.lines() {
        let word = |letter: char| {
            let mut words = line.split_whitespace();
            let number = words.find_map(|w| w.strip_prefix(letter));
            number.and_then(|n| n.parse::<f64>().ok())
        };
        at = [word('X').unwrap_or(at[0]), word('Y').unwrap_or(at[1])];
        let lift = word('Z').is_some_and(|z| (z - top).abs() < 1e-9) && word('X').is_none();
        if !(lift && near.contains(grainway_geom::point(at[0], at[1]))) {
            kept.push(line);
        }
    }
    assert!(kept.len() < text.lines().count());
    kept.join("\n") + "\n"
}

#[test]
fn tabs_lost_beside_pieces_on_a_skin_are_missed() {
    let made = mixed();
    let program = &made.work.programs[0];
    let text = made.text(&program.text);
    let tabbed = |p: &&Placement| p.hold == PieceHold::Tabs;
    for p in placements(&made.work).filter(tabbed).take(3) {
        let verdict = made
            .safe_of(program, &without_lifts(&made, &text, p))
            .unwrap();
        let loose = loose_of(&verdict, &p.piece);
        assert!(
            !verdict.passed && !loose.is_empty(),
            "{}: {:?}",
            p.piece,
            told(&verdict)
        );
    }
}
