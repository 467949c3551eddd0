//! Blanks, boards and holds that were placed, told or held wrongly.

use grainway_pipeline::doc::{CutterChangeBy, Length, ThicknessReading, ZZero};
use grainway_pipeline::finding::Severity;
use grainway_pipeline::motion::{Item, Move};
use grainway_pipeline::work::{Entry, HoldKind, Operation, SetupKind};
use grainway_plan::program_items::{Can, FIRST_DOWN_MM, items};
use grainway_tests::{Loaded, Made, load, make, root};

fn loaded(case: &str) -> Loaded {
    let job = root().join("tests/cases/placing").join(case);
    load(&job.join("job.json")).unwrap()
}

fn made(case: &str) -> Made {
    make(loaded(case)).unwrap()
}

/// Everything the user is told, for a failed assertion.
fn told(made: &Made) -> Vec<String> {
    made.work.findings.iter().map(ToString::to_string).collect()
}

/// The case with another dialect, zero and way of changing cutters.
fn with(case: &str, dialect: &str, zero: ZZero, change: CutterChangeBy) -> Made {
    let mut loaded = loaded(case);
    for machine in loaded.work.documents.shop.machines.values_mut() {
        machine.dialect = dialect.to_string();
        machine.z_zero = zero;
        machine.cutter_change = change;
    }
    make(loaded).unwrap()
}

#[test]
fn locating_lines_are_ready_in_every_dialect_with_zero_on_the_bed_and_on_top() {
    let all = grainway_dialects::built_in();
    let dialects = all
        .names()
        .filter(|n| all.get(n).is_some_and(|d| d.about().pen.is_none()));
    let mut count = 0;
    for dialect in dialects {
        for zero in [ZZero::Bed, ZZero::Top] {
            let made = with(
                "locating-lines-withheld",
                dialect,
                zero,
                CutterChangeBy::Hand,
            );
            assert!(made.ready(), "{dialect} {zero:?}: {:?}", told(&made));
            let setups: Vec<(SetupKind, u32)> = made
                .work
                .setups
                .iter()
                .map(|s| (s.kind, s.repeats))
                .collect();
            // One line for the three equal rails, in a program of its own that needs no pause.
            assert_eq!(setups, [(SetupKind::Lines, 1), (SetupKind::Blank, 3)]);
            assert_eq!(made.work.programs.len(), 2);
            let order = &made.work.setups[0].order;
            assert!(!order.iter().any(|e| matches!(e, Entry::Pause { .. })));
            let sheet = text_of(&made, "setup-sheet.html");
            let anew = sheet.contains("Z zero: set it anew, on the upper face of the blank");
            assert_eq!(anew, zero == ZZero::Top, "{dialect}");
            count += 1;
        }
    }
    assert!(count >= 10, "{count}");
}

/// A file of the made job.
fn text_of(made: &Made, name: &str) -> String {
    made.text(&made.work.files[name])
}

#[test]
fn a_line_deeper_than_its_place_allows_is_withheld() {
    // The plan's own moves, a millimetre lower than the line may go: the text is what verify judges.
    let made = made("locating-lines-withheld");
    let setup = &made.work.setups[0];
    let step = &setup.own_steps[0];
    let allowed = step.allowed.iter().map(|a| a.1).fold(0.0, f64::min);
    assert!((step.lowest - allowed).abs() < 1e-9 && step.lowest < -1.0);
    let program = &made.work.programs[0];
    let text = made.text(&program.text);
    let deep = format!("Z-{}", (-step.lowest * 1e3).round() / 1e3);
    let deep = deep.trim_end_matches('0');
    assert!(text.contains(deep), "{deep} in {text}");
    let lower = text.replace(deep, "Z-2.5875");
    let judge = |text: &str| made.safe_of(program, text).unwrap();
    assert!(judge(&text).passed);
    let verdict = judge(&lower);
    assert!(!verdict.passed);
    assert!(
        verdict
            .findings
            .iter()
            .any(|f| f.code == "verify-spoilboard"),
        "{:?}",
        verdict.findings
    );
}

#[test]
fn the_first_way_down_after_a_change_by_hand_ends_high_over_the_wood() {
    for change in [CutterChangeBy::Hand, CutterChangeBy::Pause] {
        let made = with(
            "inches-told-in-millimetres",
            "rs274-ngc",
            ZZero::Top,
            change,
        );
        assert!(made.ready(), "{change:?}: {:?}", told(&made));
        let dialects = grainway_dialects::built_in();
        let about = dialects.get("rs274-ngc").unwrap().about();
        let can = Can::of(made.work.documents.machine().map(|(_, m)| m), about);
        let mut first_ways = 0;
        for program in &made.work.programs {
            let setup = made.setup_of(program).unwrap();
            let high = setup.z.highest_top() + FIRST_DOWN_MM;
            let mut untried = true;
            let mut at = setup.safe_z;
            for item in items(&made.work, setup, program.entries, can) {
                match item {
                    Item::Pause { message } if message.contains("Put in cutter") => untried = true,
                    Item::Move(Move::Rapid { to }) => {
                        if untried && to.z < at {
                            assert!(to.z >= high - 1e-9, "{} in {}", to.z, program.name);
                        }
                        at = to.z;
                    }
                    Item::Move(Move::Line { to, .. }) => {
                        first_ways += usize::from(untried && to.z < high);
                        untried &= to.z >= high;
                        at = to.z;
                    }
                    Item::Move(Move::Hole { .. }) => {
                        assert!(!untried, "a hole comes down fast in {}", program.name);
                    }
                    _ => {}
                }
            }
        }
        // The drill and the mill.
        assert_eq!(first_ways, 2, "{change:?}");
    }
}

#[test]
fn the_touch_off_place_is_named_and_never_cut() {
    let made = with(
        "inches-told-in-millimetres",
        "rs274-ngc",
        ZZero::Top,
        CutterChangeBy::Pause,
    );
    let setup = &made.work.setups[0];
    let place = setup.touch_off.expect("a place that stays whole");
    for hold in &setup.holds {
        assert!(hold.at.distance(place) >= hold.head_radius + 6.0);
    }
    // Every cut of every step, from the moves that are posted.
    let dialects = grainway_dialects::built_in();
    let about = dialects.get("rs274-ngc").unwrap().about();
    let can = Can::of(made.work.documents.machine().map(|(_, m)| m), about);
    let top = setup.z.highest_top();
    for program in &made.work.programs {
        let mut at = place.at_z(1e6);
        for item in items(&made.work, setup, program.entries, can) {
            let Item::Move(m) = item else { continue };
            let to = m.end(at);
            let low = match m {
                Move::Hole { bottom, .. } => bottom,
                _ => to.z.min(at.z),
            };
            if low < top {
                let path = grainway_geom::Segment::Line {
                    a: at.xy(),
                    b: to.xy(),
                };
                assert!(path.distance(place) > 6.0 + 3.0, "{m:?}");
            }
            at = to;
        }
    }
    let (x, y) = (place.x, place.y);
    let named = |digits: f64, v: f64| ((v / 25.4 * digits).round() / digits).to_string();
    let sheet = text_of(&made, "setup-sheet.html");
    assert!(
        sheet.contains(&format!(
            "Set Z zero at X {} Y {}",
            named(1e4, x),
            named(1e4, y)
        )),
        "{sheet}"
    );
    let texts: String = made
        .work
        .programs
        .iter()
        .map(|p| made.text(&p.text))
        .collect();
    let touch = format!("anew at [{}, {}]", named(1e4, x), named(1e4, y));
    assert!(texts.contains(&touch), "{touch} in {texts}");
    // With zero on the bed there is nothing to touch on the wood.
    let bed = with(
        "inches-told-in-millimetres",
        "rs274-ngc",
        ZZero::Bed,
        CutterChangeBy::Pause,
    );
    assert!(bed.work.setups[0].touch_off.is_none());
    assert!(!text_of(&bed, "setup-sheet.html").contains("Set Z zero at X"));
}

/// Where a text names millimetres, with what stands before it.
fn millimetres(text: &str) -> Vec<String> {
    let words: Vec<&str> = text
        .split(|c: char| c.is_whitespace() || "<>(),;:\"[]".contains(c))
        .filter(|w| !w.is_empty())
        .collect();
    words
        .iter()
        .enumerate()
        .filter(|(_, w)| {
            let w = w.trim_end_matches('.');
            w == "mm" || w.ends_with("-mm") || w.starts_with("mm/") || w == "mm²" || w == "mm2"
        })
        .map(|(i, _)| words[i.saturating_sub(4)..=i].join(" "))
        .collect()
}

/// What a PDF shows as text: the strings between parentheses of its uncompressed pages.
fn shown_by_pdf(made: &Made) -> String {
    let mut bytes = Vec::new();
    let id = &made.work.files["setup-sheet.pdf"];
    let mut pdf = grainway_pipeline::stage::Spool::open(&made.spool, id).unwrap();
    std::io::Read::read_to_end(&mut pdf, &mut bytes).unwrap();
    String::from_utf8_lossy(&bytes).into_owned()
}

#[test]
fn an_inch_job_names_no_millimetre_anywhere() {
    for change in [CutterChangeBy::Hand, CutterChangeBy::Pause] {
        let made = with(
            "inches-told-in-millimetres",
            "rs274-ngc",
            ZZero::Top,
            change,
        );
        assert!(made.ready(), "{:?}", told(&made));
        let mut read = 0;
        for name in made.work.files.keys() {
            let text = match name.rsplit('.').next() {
                // Its stylesheet has sizes on paper.
                Some("html") => {
                    let page = text_of(&made, name);
                    page[page.find("<body").unwrap()..].to_string()
                }
                Some("csv" | "ngc") => text_of(&made, name),
                Some("pdf") => shown_by_pdf(&made),
                _ => continue,
            };
            read += 1;
            assert_eq!(millimetres(&text), Vec::<String>::new(), "{name}");
        }
        assert!(read >= 6, "{read} files");
        for setup in &made.work.setups {
            for entry in &setup.order {
                if let Entry::Pause { message, .. } = entry {
                    assert_eq!(millimetres(message), Vec::<String>::new());
                    for hold in setup.holds.iter().filter(|h| h.after_pause.is_some()) {
                        let inches = |v: f64| ((v / 25.4 * 100.0).round() / 100.0).to_string();
                        let place = format!("({}, {})", inches(hold.at.x), inches(hold.at.y));
                        assert!(message.contains(&place), "{place} in {message}");
                    }
                }
            }
        }
        let report = text_of(&made, "report.json");
        let report: serde_json::Value = serde_json::from_str(&report).unwrap();
        for finding in report["findings"].as_array().unwrap() {
            let text = format!("{} {}", finding["message"], finding["remedy"]);
            assert_eq!(millimetres(&text), Vec::<String>::new());
        }
    }
    // The same check finds the figures of a job in millimetres.
    let made = made("thin-wood-withheld");
    assert!(millimetres(&text_of(&made, "boards.csv")).len() >= 5);
    assert!(millimetres(&text_of(&made, "setup-sheet.html")).len() > 10);
}

#[test]
fn screws_are_told_with_length_and_pilot_and_keep_off_ends() {
    let made = made("inches-told-in-millimetres");
    let setup = &made.work.setups[0];
    let sheet = text_of(&made, "setup-sheet.html");
    // Wood of 0.995 to 1.005 in on 0.75 in of spoilboard: two diameters of 4 mm into it, and 3 mm of it left.
    assert!(
        sheet.contains("0.16 in thick, 1.38 to 1.63 in long"),
        "{sheet}"
    );
    assert!(sheet.contains("pilot drilled by the program"));
    let margin: Vec<_> = setup
        .holds
        .iter()
        .filter(|h| h.kind == HoldKind::MarginScrew)
        .collect();
    assert!(margin.len() >= 4);
    let report: serde_json::Value = serde_json::from_str(&text_of(&made, "report.json")).unwrap();
    for (i, hold) in setup.holds.iter().enumerate() {
        if hold.kind != HoldKind::MarginScrew {
            continue;
        }
        let end = hold.at.x.min(setup.size.x - hold.at.x);
        let edge = hold.at.y.min(setup.size.y - hold.at.y);
        assert!(edge >= 2.5 * 4.0 - 0.1, "{:?}", hold.at);
        let pilot = report["setups"][0]["holds"][i]["screw"]["pilot"].as_str();
        let wanted = if end < 5.0 * 4.0 - 0.1 {
            "by-hand"
        } else {
            "none"
        };
        assert_eq!(pilot, Some(wanted), "{:?}", hold.at);
    }
}

#[test]
fn tabs_keep_off_the_shoulders_of_tenons_however_long_these_are() {
    let made = made("tabs-on-shoulders");
    assert!(made.ready(), "{:?}", told(&made));
    let placement = &made.work.setups[0].placements[0];
    let variant = made.work.variant(&placement.variant).unwrap();
    let cut = variant
        .steps
        .iter()
        .filter(|s| s.operation == Operation::Outline)
        .find_map(|s| s.profile.as_ref())
        .unwrap();
    let path = &cut.loops.last().unwrap().path;
    assert!(placement.tabs.len() >= 4);
    let bounds = variant.outline.bounds();
    for tab in &placement.tabs {
        let (at, _) = path.at_length(tab.along).unwrap();
        // Tenons are 22 mm long: what lies as far in at an end is a shoulder or a cheek. Only the tenon's end lies beyond.
        let from_end = (at.x - bounds.min.x).min(bounds.max.x - at.x);
        assert!(!(0.0..=25.5).contains(&from_end), "a tab at {at:?}");
    }
}

#[test]
fn thin_wood_is_held_or_the_maker_is_told_what_to_do() {
    // 3 mm is the thinnest that bears a tab of 2.2 mm with something left to cut over it; thinner wood lies on a skin, where Z zero is
    // on the bed.
    for (thickness, zero, held) in [
        (5.0, ZZero::Bed, true),
        (3.0, ZZero::Bed, true),
        (2.9, ZZero::Bed, true),
        (2.9, ZZero::Top, false),
    ] {
        let mut loaded = loaded("thin-wood-withheld");
        for machine in loaded.work.documents.shop.machines.values_mut() {
            machine.z_zero = zero;
        }
        for stock in loaded.work.documents.shop.stocks.values_mut() {
            stock.thickness = vec![ThicknessReading::Plain(Length::from_mm(thickness))];
        }
        let made = make(loaded).unwrap();
        assert_eq!(made.ready(), held, "{thickness} mm: {:?}", told(&made));
        let skinned = made.work.setups.iter().flat_map(|s| &s.placements);
        let skinned = skinned.filter(|p| p.hold.skin().is_some()).count();
        assert_eq!(skinned > 0, held && thickness < 3.0, "{thickness} mm");
        for error in made
            .work
            .findings
            .iter()
            .filter(|f| f.severity == Severity::Error)
        {
            assert!(!error.remedy.contains("eport the failure"), "{error}");
        }
    }
}

/// Wood of 22 mm; stops stay 3 mm below its face.
#[test]
fn the_sheet_says_how_high_stops_may_stand() {
    let job = root().join("tests/cases/numbers/blanks/job.json");
    let made = make(load(&job).unwrap()).unwrap();
    let sheet = text_of(&made, "setup-sheet.html");
    let said = "stop; at most 19 mm high over the spoilboard; holds the board";
    assert!(sheet.contains(said), "{sheet}");
}
