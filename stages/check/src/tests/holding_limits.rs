//! Limits of the layers that hold, bear and clear: each with a text or a placement just inside, which raises nothing of its code, and
//! one just outside, which does. What is moved is the text or the place, never the setting.

use super::*;
use grainway_pipeline::doc::Length;
use grainway_pipeline::work::Verdict;

/// A board or a blank with its text.
type Case = (Work, String);

/// One row of the table.
struct Limit {
    /// What is limited, and by how much.
    limit: &'static str,
    code: &'static str,
    inside: fn() -> Case,
    outside: fn() -> Case,
}

/// What it takes to hold, to pause and to keep clear of holds.
const HOLDING: &[Limit] = &[
    Limit {
        limit: "keep-out of screws: 4 mm from the head (less 0.02)",
        code: "verify-hold",
        inside: || screw_beside_the_outline(46.0),
        outside: || screw_beside_the_outline(46.03),
    },
    Limit {
        limit: "rapid over a screw's head: 1 mm",
        code: "verify-hold",
        inside: || over_a_head("R - - 21.2\nR 12 12 21.2\n"),
        outside: || over_a_head("R - - 21.15\nR 12 12 21.15\n"),
    },
    Limit {
        limit: "cut over a screw's head with the zero low: 0.2 mm",
        code: "verify-hold",
        inside: || over_a_head("R - - 22\nL - - 20.4 600\nL 12 12 20.4 1800\nL - - 22 600\n"),
        outside: || over_a_head("R - - 22\nL - - 20.35 600\nL 12 12 20.35 1800\nL - - 22 600\n"),
    },
    Limit {
        limit: "pilot beside its screw: 0.3 mm",
        code: "verify-hold",
        inside: || (slug_work(point(135.28, 57.5)), slug_text()),
        outside: || (slug_work(point(135.32, 57.5)), slug_text()),
    },
    Limit {
        limit: "cutter raised in a pause: 1 mm above all that stands",
        code: "verify-pause",
        inside: || pause_at("21.2"),
        outside: || pause_at("21.15"),
    },
    Limit {
        limit: "a pause for each that the order has",
        code: "verify-pause",
        inside: || (slug_work(point(135.0, 57.5)), slug_text()),
        outside: || {
            (
                slug_work(point(135.0, 57.5)),
                without(&slug_text(), "P drive", 0),
            )
        },
    },
];

/// What comes free, and what still holds it then.
const LOOSE: &[Limit] = &[
    Limit {
        limit: "tabs of a piece: 2",
        code: "verify-loose",
        inside: || board(200.0, 120.0, &[(160.0, FAR), (160.0, NEAR)], 4.0),
        outside: || board(200.0, 120.0, &[(160.0, FAR)], 4.0),
    },
    Limit {
        limit: "tabs on opposite sides: more than 117 degrees between their directions",
        code: "verify-loose",
        inside: || board(200.0, 120.0, &[(105.0, FAR), (215.0, NEAR)], 4.0),
        outside: || board(200.0, 120.0, &[(105.0, FAR), (215.0, FAR)], 4.0),
    },
    Limit {
        limit: "gap between tabs seen from the middle: 240 degrees",
        code: "verify-loose",
        inside: || board(200.0, 60.0, &[(160.0, NEAR), (212.0, FAR)], 4.0),
        outside: || board(200.0, 60.0, &[(160.0, NEAR), (227.0, FAR)], 4.0),
    },
    Limit {
        limit: "height of a tab with the zero low: 2 + 0.2 mm (less 0.02)",
        code: "verify-loose",
        inside: || board(200.0, 120.0, TWO, 2.21),
        outside: || board(200.0, 120.0, TWO, 2.17),
    },
    Limit {
        limit: "neck of a tab: 4 mm (less 0.15)",
        code: "verify-loose",
        inside: || board_with_necks(4.05),
        outside: || board_with_necks(3.75),
    },
    Limit {
        limit: "wood that a tab ends in: 4 mm wide",
        code: "verify-loose",
        inside: || kerf_beyond_a_tab(193.05),
        outside: || kerf_beyond_a_tab(192.9),
    },
    Limit {
        limit: "wood that a tab ends in: held without the piece",
        code: "verify-loose",
        inside: || strip_beyond_a_tab(true),
        outside: || strip_beyond_a_tab(false),
    },
    Limit {
        limit: "screws in waste: joined to the piece that they are to hold",
        code: "verify-loose",
        inside: || one_tab_and_screws_in_the_waste(true),
        outside: || one_tab_and_screws_in_the_waste(false),
    },
    Limit {
        limit: "screws of waste longer than three times its width: 2",
        code: "verify-loose",
        inside: || (slug_work(point(135.0, 57.5)), slug_text()),
        outside: || {
            let (mut work, text) = (slug_work(point(135.0, 57.5)), slug_text());
            work.setups[0].holds.pop();
            (work, text)
        },
    },
    Limit {
        limit: "middle of long waste beyond its holds: a quarter of its length, here 30 mm",
        code: "verify-loose",
        inside: || (slug_work(point(71.0, 57.5)), slug_text()),
        outside: || (slug_work(point(69.0, 57.5)), slug_text()),
    },
    Limit {
        limit: "tabs of waste without a screw: on opposite sides",
        code: "verify-loose",
        inside: || waste_on_tabs(&[(100.0, NEAR), (100.0, FAR)]),
        outside: || waste_on_tabs(&[(70.0, NEAR), (130.0, NEAR)]),
    },
    Limit {
        limit: "skin with the zero low: 0.2 + 0.2 mm",
        code: "verify-loose",
        inside: || board_on_a_skin("0.4"),
        outside: || board_on_a_skin("0.38"),
    },
    Limit {
        limit: "loose bit: 16 mm2",
        code: "verify-loose",
        inside: || bit_of(3.4),
        outside: || bit_of(4.6),
    },
    Limit {
        limit: "stretch of a slender piece without a hold: 25 times its width",
        code: "verify-slender",
        inside: || board(240.0, 9.7, &[(180.0, NEAR), (180.0, FAR)], 4.0),
        outside: || board(240.0, 4.7, &[(180.0, NEAR), (180.0, FAR)], 4.0),
    },
];

/// What wood, zero and spoilboard must bear.
const EXTREMES: &[Limit] = &[
    Limit {
        limit: "cut below the thickest wood: 0.2 mm",
        code: "verify-extremes",
        inside: || outline_at("-0.2"),
        outside: || outline_at("-0.19"),
    },
    Limit {
        limit: "cut into the spoilboard: 0.5 mm (and 0.02)",
        code: "verify-spoilboard",
        inside: || outline_at("-0.5"),
        outside: || outline_at("-0.53"),
    },
    Limit {
        limit: "spoilboard left under a pilot with the zero low: 1 mm",
        code: "verify-spoilboard",
        inside: || deep_pilots("-16.8"),
        outside: || deep_pilots("-16.85"),
    },
    Limit {
        limit: "pilot deeper than its own limit: 6 mm (and 0.02)",
        code: "verify-spoilboard",
        inside: || pilots("-6.01", -6.0),
        outside: || pilots("-6.03", -6.0),
    },
    Limit {
        limit: "wood under a floor with the zero low: 0.2 mm",
        code: "verify-extremes",
        inside: || pocket_to(0.21),
        outside: || pocket_to(0.19),
    },
    Limit {
        limit: "rapid over a board that stands 1 mm higher by its cup, zero low: 1.2 mm",
        code: "verify-extremes",
        inside: || cupped("19.4"),
        outside: || cupped("19.35"),
    },
];

/// Where rapids run.
const RAPIDS: &[Limit] = &[
    Limit {
        limit: "sideways rapid above the wood: 1 mm",
        code: "verify-rapid",
        inside: || pocket_and("R - - 19.2\nR 100 50 19.2\n"),
        outside: || pocket_and("R - - 19.15\nR 100 50 19.15\n"),
    },
    Limit {
        limit: "rapid down over wood: 0.5 mm",
        code: "verify-rapid",
        inside: || pocket_and("TOP\nR 150 50 -\nR - - 18.7\n"),
        outside: || pocket_and("TOP\nR 150 50 -\nR - - 18.65\n"),
    },
    Limit {
        limit: "rapid down into cleared room: to its floor (less 0.02)",
        code: "verify-rapid",
        inside: || pocket_and("TOP\nR 70 50 -\nR - - 12.09\n"),
        outside: || pocket_and("TOP\nR 70 50 -\nR - - 12.07\n"),
    },
    Limit {
        limit: "rapid down beside wood not cleared: nothing",
        code: "verify-rapid",
        inside: || pocket_and("TOP\nR 53.01 50 -\nR - - 12.1\n"),
        outside: || pocket_and("TOP\nR 52.95 50 -\nR - - 12.1\n"),
    },
    Limit {
        limit: "rapid down beside the blank: 0.5 mm over the spoilboard",
        code: "verify-rapid",
        inside: || pocket_and("TOP\nR 250 50 -\nR - - 0.5\n"),
        outside: || pocket_and("TOP\nR 250 50 -\nR - - 0.45\n"),
    },
];

/// What must be gone.
const LEFTOVER: &[Limit] = &[
    Limit {
        limit: "wood left at a wall: 0.04 mm",
        code: "verify-leftover",
        inside: || far_wall("56.98"),
        outside: || far_wall("56.95"),
    },
    Limit {
        limit: "wood left on a floor: 0.02 mm",
        code: "verify-leftover",
        inside: || pocket_cut_to("12.115"),
        outside: || pocket_cut_to("12.125"),
    },
    Limit {
        limit: "length of a tab: 60 mm",
        code: "verify-leftover",
        inside: || board_with_necks(54.0),
        outside: || board_with_necks(58.0),
    },
    Limit {
        limit: "tabs of the placement: as many bridges",
        code: "verify-leftover",
        inside: || board(200.0, 120.0, TWO, 4.0),
        outside: || {
            let (mut work, text) = board(200.0, 120.0, TWO, 4.0);
            work.setups[0].placements[0].tabs.pop();
            (work, text)
        },
    },
];

fn check_table(table: &[Limit]) {
    let mut wrong = Vec::new();
    for row in table {
        let raised = |(work, text): Case| -> Vec<String> {
            let verdict = verify(&work, &text);
            let of_code = verdict.safe.findings.iter().filter(|f| f.code == row.code);
            of_code
                .filter(|f| f.severity != Severity::Note)
                .map(|f| f.to_string())
                .collect()
        };
        let (inside, outside) = (raised((row.inside)()), raised((row.outside)()));
        if !inside.is_empty() {
            wrong.push(format!("{}: inside raises {inside:#?}", row.limit));
        }
        if outside.is_empty() {
            wrong.push(format!("{}: outside raises no {}", row.limit, row.code));
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

#[test]
fn limits_of_holds_from_both_sides() {
    check_table(HOLDING);
}

#[test]
fn limits_of_what_comes_free_from_both_sides() {
    check_table(LOOSE);
}

#[test]
fn limits_of_extremes_from_both_sides() {
    check_table(EXTREMES);
}

#[test]
fn limits_of_rapids_from_both_sides() {
    check_table(RAPIDS);
}

#[test]
fn limits_of_leftover_wood_from_both_sides() {
    check_table(LEFTOVER);
}

#[test]
fn a_slender_strip_is_named() {
    let said = |length: f64, width: f64| {
        let (work, text) = board(length, width, &[(180.0, NEAR), (180.0, FAR)], 4.0);
        let verdict = verify(&work, &text);
        let mut found = verdict.safe.findings.into_iter();
        found.find(|f| f.code == "verify-slender")
    };
    // 25 to 1 is not slender; 26 to 1 is, and its holds are told; where they are too far apart it is a warning.
    assert!(said(240.0, 9.7).is_none());
    let note = said(240.0, 9.2).unwrap();
    assert_eq!(note.severity, Severity::Note, "{note}");
    assert!(note.message.contains("26 to 1"), "{note}");
    assert!(note.message.contains("2 tabs and screws"), "{note}");
    assert!(note.message.contains("120 mm"), "{note}");
    let warning = said(240.0, 4.7).unwrap();
    assert_eq!(warning.severity, Severity::Warning, "{warning}");
}

#[test]
fn an_error_of_the_cutter_is_told_where_it_matters() {
    let told = |kind: FeatureKind, error: f64| {
        let mut work = pocket_work();
        work.variants[0].features[0].kind = kind;
        let settings = VerifySettings {
            cutter_error: Length::from_mm(error),
            ..VerifySettings::default()
        };
        let verdict = verify_with(&work, &pocket_text(), &settings);
        assert!(verdict.safe.passed, "a wall's move withholds nothing");
        let figure = "walls move with an error of the cutter's diameter by";
        let moved = verdict.safe.figures.iter().find(|f| f.what == figure);
        assert!((moved.unwrap().value - error / 2.0).abs() < 1e-9);
        let mut found = verdict.safe.findings.iter();
        found.any(|f| f.code == "verify-extremes" && f.feature.as_deref() == Some("p1"))
    };
    assert!(told(FeatureKind::Mortise, 0.21));
    assert!(!told(FeatureKind::Mortise, 0.2));
    assert!(!told(FeatureKind::Pocket, 0.5));
}

#[test]
fn errors_that_nobody_makes_are_refused_as_settings() {
    let read = |key: &str, mm: f64| {
        in_unit(Unit::Mm, || {
            serde_json::from_value::<VerifySettings>(serde_json::json!({ key: mm }))
        })
    };
    for (key, most) in [("cutter-error", 0.5), ("z-error", 1.0)] {
        assert!(read(key, most).is_ok() && read(key, 0.0).is_ok(), "{key}");
        for wrong in [most + 0.01, -0.01, 5.0] {
            let message = read(key, wrong).unwrap_err().to_string();
            assert!(message.contains(key), "{message}");
        }
    }
}

fn verify_with(work: &Work, text: &str, settings: &VerifySettings) -> SetupVerdict {
    let mut bytes = text.as_bytes();
    let mut texts = [Text {
        name: "01-board-1.txt",
        by_hand: Default::default(),
        planned: None,
        text: &mut bytes,
    }];
    let wanted = wanted_by(work);
    let models = Models::of(work, &work.setups, wanted, Allowed::default());
    verify_setup(
        work,
        &work.setups[0],
        &models,
        &mut texts,
        &Plain::new(),
        settings,
    )
}

// Boards with one piece at (60, 60), cut out by a 6 mm cutter, with tabs on its long sides.

/// A tab on the upper long side.
const FAR: bool = true;
/// A tab on the lower long side.
const NEAR: bool = false;
const TWO: &[(f64, bool)] = &[(160.0, NEAR), (160.0, FAR)];
/// Necks of tabs, mm.
const NECK: f64 = 8.0;
/// Depths of the passes.
const PASSES: [f64; 7] = [15.2, 12.2, 9.2, 6.2, 3.2, 1.0, -0.3];

fn board_work(length: f64, width: f64, tabs: usize) -> Work {
    let outline = Contour::rectangle(point(0.0, 0.0), point(length, width), 0.0);
    let f = feature("outline", FeatureKind::Outline, outline, -0.3, true);
    let mut w = work(
        vec![f],
        false,
        point(length, width),
        point(length + 120.0, width + 120.0),
    );
    w.setups[0].placements[0].tabs = vec![
        Tab {
            along: 0.0,
            neck: NECK,
            top: 4.0,
        };
        tabs
    ];
    w
}

/// A ring about a rectangle, clockwise, its passes below `top` lifted over tabs at these places of the long sides.
fn ring_with_tabs(min: Point, max: Point, tabs: &[(f64, bool)], neck: f64, top: f64) -> String {
    let half = neck / 2.0 + 3.0;
    let mut t = format!("R {} {} -\nR - - 40\nR - - 20\n", min.x, min.y);
    for z in PASSES {
        let side = |far: bool| {
            let (y, way) = if far { (max.y, 1.0) } else { (min.y, -1.0) };
            let mut at: Vec<f64> = tabs.iter().filter(|t| t.1 == far).map(|t| t.0).collect();
            at.sort_by(|a, b| (way * a).total_cmp(&(way * b)));
            let lift = |x: &f64| {
                let (a, b) = (x - way * half, x + way * half);
                format!(
                    "L {a} {y} {z} 1800\nL {a} {y} {top} 600\nL {b} {y} {top} 1800\nL {b} {y} {z} 600\n"
                )
            };
            if z < top {
                at.iter().map(lift).collect()
            } else {
                String::new()
            }
        };
        let middle = (min.y + max.y) / 2.0;
        t += &format!(
            "L {x} {middle} {z} 600\nL {x} {} {z} 1800\nL {x} {} {z} 1800\n",
            min.y,
            max.y,
            x = min.x
        );
        t += &side(FAR);
        t += &format!(
            "L {} {} {z} 1800\nL {} {} {z} 1800\n",
            max.x, max.y, max.x, min.y
        );
        t += &side(NEAR);
        t += &format!("L {} {} {z} 1800\n", min.x, min.y);
    }
    t
}

fn program(cuts: &str) -> String {
    format!("TOP\nT 1\nTOP\nS 18000\nW 4\n{cuts}TOP\nS 0\nW 4\nR 0 0 -\nEND\n")
}

/// Cuts put in before the end of a text.
fn and(text: &str, cuts: &str) -> String {
    text.replacen(
        "TOP\nS 0\nW 4\nR 0 0 -\nEND",
        &format!("{cuts}TOP\nS 0\nW 4\nR 0 0 -\nEND"),
        1,
    )
}

fn cut_out(length: f64, width: f64, tabs: &[(f64, bool)], neck: f64, top: f64) -> Case {
    let (min, max) = (point(57.0, 57.0), point(63.0 + length, 63.0 + width));
    let text = program(&ring_with_tabs(min, max, tabs, neck, top));
    (board_work(length, width, tabs.len()), text)
}

fn board(length: f64, width: f64, tabs: &[(f64, bool)], top: f64) -> Case {
    cut_out(length, width, tabs, NECK, top)
}

fn board_with_necks(neck: f64) -> Case {
    cut_out(200.0, 120.0, TWO, neck, 4.0)
}

fn outline_at(z: &str) -> Case {
    let text = outline_text(true).replace(" -0.3 ", &format!(" {z} "));
    (outline_work(2), text)
}

fn screw_beside_the_outline(x: f64) -> Case {
    let mut work = outline_work(2);
    work.setups[0].holds[0].at = point(x, 100.0);
    (work, outline_text(true))
}

fn over_a_head(moves: &str) -> Case {
    (outline_work(2), and(&outline_text(true), moves))
}

/// Another kerf through the waste along the far tab, its middle at this height.
fn kerf_beyond_a_tab(y: f64) -> Case {
    let kerf = format!("TOP\nR 140 {y} -\nR - - 20\nL 140 {y} -0.3 600\nL 180 {y} -0.3 1800\n");
    (outline_work(2), and(&outline_text(true), &kerf))
}

/// A kerf round the waste that the far tab ends in, open at one side or closed all round.
fn strip_beyond_a_tab(open: bool) -> Case {
    // From the outline's own kerf up, along, and down to it again, or nearly so.
    let kerf = format!(
        "TOP\nR 120 183 -\nR - - 20\nL 120 183 -0.3 600\nL 120 205 -0.3 1800\nL 205 205 -0.3 1800\nL 205 {} -0.3 1800\n",
        if open { 196.0 } else { 183.0 }
    );
    (outline_work(2), and(&outline_text(true), &kerf))
}

/// A piece on one tab, with an opening whose waste is screwed down and, `joined` or not, still part of the piece.
fn one_tab_and_screws_in_the_waste(joined: bool) -> Case {
    let slug = slug_work(point(135.0, 57.5));
    let mut work = board_work(200.0, 120.0, 1);
    let mut opening = slug.variants[0].features[0].clone();
    opening.key = "c1".to_string();
    work.variants[0].features.push(opening);
    let setup = &mut work.setups[0];
    let shift = point(60.0, 60.0);
    for hold in slug.setups[0].holds.iter().filter(|h| h.of.is_some()) {
        setup.holds.push(Hold {
            at: hold.at + shift,
            ..hold.clone()
        });
    }
    setup.order = slug.setups[0].order.clone();
    let mut text = String::from("P drive two screws\nTOP\nT 1\nTOP\nS 18000\nW 4\n");
    let tabs: &[(f64, bool)] = if joined {
        &[(160.0, NEAR), (160.0, FAR)]
    } else {
        &[]
    };
    text += &ring_with_tabs(point(103.0, 103.0), point(217.0, 132.0), tabs, NECK, 4.0);
    text += "TOP\n";
    text += &ring_with_tabs(
        point(57.0, 57.0),
        point(263.0, 183.0),
        &[(160.0, FAR)],
        NECK,
        4.0,
    );
    (work, text + "TOP\nS 0\nW 4\nR 0 0 -\nEND\n")
}

/// An opening's waste without screws, its last passes lifted over these tabs.
fn waste_on_tabs(tabs: &[(f64, bool)]) -> Case {
    let mut work = slug_work(point(135.0, 57.5));
    let setup = &mut work.setups[0];
    setup.holds.truncate(1);
    setup.order.clear();
    setup.placements[0].waste.clear();
    let ring = ring_with_tabs(point(43.0, 43.0), point(157.0, 72.0), tabs, NECK, 4.0);
    (work, program(&ring))
}

fn board_on_a_skin(z: &str) -> Case {
    let mut work = outline_work(0);
    give_skin(&mut work);
    let text = outline_text(false).replace(" -0.3 ", &format!(" {z} "));
    (work, text)
}

/// A square bit of waste of this side, cut free.
fn bit_of(side: f64) -> Case {
    let (min, max) = (point(20.0, 112.0), point(26.0 + side, 118.0 + side));
    let ring = format!(
        "TOP\nR 20 112 -\nR - - 20\nL 20 112 -0.3 600\n{}",
        ring(min, max, -0.3)
    );
    (outline_work(2), and(&outline_text(true), &ring))
}

fn pilots(z: &str, allowed: f64) -> Case {
    let mut work = slug_work(point(135.0, 57.5));
    for place in &mut work.setups[0].own_steps[0].allowed {
        place.1 = allowed;
    }
    let text = slug_text().replace(" 57.5 -6 300", &format!(" 57.5 {z} 300"));
    (work, text)
}

fn deep_pilots(z: &str) -> Case {
    pilots(z, -17.0)
}

fn pause_at(z: &str) -> Case {
    let text = slug_text().replacen(
        "TOP\nS 0\nW 4\nR 0 0 -\nP drive",
        &format!("R - - {z}\nS 0\nW 4\nP drive"),
        1,
    );
    (slug_work(point(135.0, 57.5)), text)
}

fn pocket_and(moves: &str) -> Case {
    (pocket_work(), and(&pocket_text(), moves))
}

fn pocket_cut_to(z: &str) -> Case {
    let text = pocket_text().replace(" 12.1 ", &format!(" {z} "));
    (pocket_work(), text)
}

/// A pocket that is meant to be so deep: its floor is this high.
fn pocket_to(floor: f64) -> Case {
    let (mut work, text) = pocket_cut_to(&floor.to_string());
    work.variants[0].features[0].floor = floor;
    (work, text)
}

fn far_wall(y: &str) -> Case {
    let text = pocket_text()
        .replace("L 87 57 12.1", &format!("L 87 {y} 12.1"))
        .replace("L 53 57 12.1", &format!("L 53 {y} 12.1"));
    (pocket_work(), text)
}

fn cupped(z: &str) -> Case {
    let (mut work, text) = pocket_and(&format!("R - - {z}\nR 100 50 {z}\n"));
    let stocks = &mut work.documents.shop.stocks;
    stocks.get_mut("ash").unwrap().cup = Length::from_mm(1.0);
    (work, text)
}

/// The text of a board on a skin, and its work with another claim.
fn skin_with(change: impl Fn(&mut Work)) -> Verdict {
    let (mut work, text) = board_on_a_skin("0.4");
    change(&mut work);
    verify(&work, &text).safe
}

fn loose(verdict: &Verdict) -> Vec<&str> {
    let of = |f: &&grainway_pipeline::finding::Finding| f.code == "verify-loose";
    let found = verdict.findings.iter().filter(of);
    found.map(|f| f.message.as_str()).collect()
}

#[test]
fn a_skin_with_zero_on_top_is_refused() {
    assert!(loose(&skin_with(|_| {})).is_empty());
    let on_top = skin_with(|work| work.setups[0].z.zero = grainway_pipeline::doc::ZZero::Top);
    let told = loose(&on_top);
    assert!(
        told.iter().any(|m| m.contains("Z zero is on top")),
        "{told:?}"
    );
}

#[test]
fn a_skin_that_nobody_is_to_cut_or_that_the_plan_does_not_have_is_refused() {
    let unlisted = skin_with(|work| work.hand_work.clear());
    let told = loose(&unlisted);
    assert!(
        told.iter().any(|m| m.contains("hand-work list")),
        "{told:?}"
    );
    let tabs = skin_with(|work| work.setups[0].placements[0].hold = PieceHold::Tabs);
    let told = loose(&tabs);
    assert!(
        told.iter().any(|m| m.contains("held by 0 tabs")),
        "{told:?}"
    );
    assert!(tabs.findings.iter().any(|f| f.code == "verify-leftover"));
}

/// The skin stands along one side only: the others are cut through.
#[test]
fn a_skin_on_one_side_is_a_hinge() {
    let (work, text) = board_on_a_skin("0.4");
    // The ring's lines to its right, far and left side go through; the near one keeps its skin.
    let (x0, y0, x1, y1) = (57.0, 57.0, 263.0, 183.0);
    let through = format!(
        "TOP\nR {x1} {y0} -\nR - - 20\nL {x1} {y0} -0.3 600\nL {x1} {y1} -0.3 1800\nL {x0} {y1} -0.3 1800\nL {x0} {y0} -0.3 1800\n"
    );
    let verdict = verify(&work, &and(&text, &through)).safe;
    let told = loose(&verdict);
    assert!(
        told.iter()
            .any(|m| m.contains("does not hold it all round")),
        "{told:?}"
    );
}
