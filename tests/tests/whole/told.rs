//! What lists and sheets say of programs, steps, tabs and drawings, altered between two stages: it is caught where it is not what
//! moves, texts and files are, and where check has a figure of its own it does not come out at all.

use crate::sabotage::{chain, tamper, tamper_with_parts};
use grainway_geom::point;
use grainway_pipeline::motion::Move;
use grainway_pipeline::work::{Entry, Operation, PieceHold, ProfileCut, SetupKind, Tab, Work};
use grainway_tests::{Made, load, make, run, sample};

fn changed(
    job: &str,
    after: &'static str,
    change: impl Fn(&mut Work) + Send + Sync + 'static,
) -> Made {
    let loaded = load(&sample(job)).unwrap();
    // Only who gives the parts may change what is told of drawings.
    let stage = match after {
        "drawing" => tamper_with_parts("change", change),
        _ => tamper("change", change),
    };
    let stages = chain(vec![(after, stage)]);
    run(loaded, &stages, &grainway_dialects::built_in()).unwrap()
}

/// A fault by its name.
type Fault<T> = (&'static str, fn(&mut T));

/// The rack is drawn, has tabs on its outlines and waits once.
const RACK: &str = "newspaper-rack";

fn caught(
    what: &str,
    after: &'static str,
    code: &str,
    change: impl Fn(&mut Work) + Send + Sync + 'static,
) {
    caught_in(RACK, what, after, code, change);
}

fn caught_in(
    job: &str,
    what: &str,
    after: &'static str,
    code: &str,
    change: impl Fn(&mut Work) + Send + Sync + 'static,
) {
    let made = changed(job, after, change);
    assert!(
        !made.with_code(code).is_empty(),
        "{what}: {:?}",
        made.errors()
    );
    assert!(!made.ready(), "{what}");
}

#[test]
fn programs_that_are_told_otherwise_are_caught() {
    let of_the_job = "verify-pieces";
    let of_a_setup = "verify-wanted";
    caught("a name", "post", of_a_setup, |w| {
        w.programs[0].name.push('x')
    });
    caught("a name of another setup", "post", of_a_setup, |w| {
        w.programs[0].name = w.programs[0].name.replace("board-1", "board-2");
    });
    caught("a part of the order", "post", of_a_setup, |w| {
        w.programs[0].entries.1 -= 1;
    });
    caught("a sum", "post", of_the_job, |w| {
        w.programs[0].sha256.replace_range(..1, "x");
    });
    caught("a setup's name", "sequence", of_the_job, |w| {
        w.setups[0].id = "side".to_string();
    });
    caught("a cutter", "post", of_a_setup, |w| {
        let program = w.programs[0].cutter.clone();
        let mut ids = w.documents.shop.cutters.keys();
        w.programs[0].cutter = ids.find(|id| Some(*id) != program.as_ref()).cloned();
    });
    // Two programs in the wrong order.
    let made = changed("step-stool", "post", |w| w.programs.swap(0, 1));
    assert!(!made.with_code(of_the_job).is_empty() && !made.ready());
}

/// How long a text is, how many moves it makes and where a run can be taken up is read from it.
#[test]
fn what_was_read_of_a_text_is_told_of_it() {
    let plain = make(load(&sample(RACK)).unwrap()).unwrap();
    let made = changed(RACK, "post", |w| {
        for program in &mut w.programs {
            program.written.lines += 7;
            program.written.moves += 7;
            program.written.rounding_mm = 7.0;
            program.written.restarts.remove(1);
            program.written.restarts[0].1 += 1;
        }
    });
    assert!(made.ready());
    assert_eq!(made.work.files, plain.work.files);
    for program in &plain.work.programs {
        let text = plain.text(&program.text);
        assert_eq!(program.written.lines, text.lines().count() as u64);
        // The sample's dialect writes a remark where a step begins.
        let begins = |line: &(u32, u64)| {
            let text = text.lines().nth(line.1 as usize - 1).unwrap_or_default();
            text.to_lowercase().contains(&format!("step {}:", line.0))
        };
        assert!(program.written.restarts.len() > 1);
        assert!(program.written.restarts.iter().all(begins));
    }
}

#[test]
fn drawings_that_are_told_otherwise_are_caught() {
    let code = "verify-pieces";
    caught("entities used", "drawing", code, |w| {
        w.balances[0].used += 1
    });
    caught("entities of a layer", "drawing", code, |w| {
        let b = &mut w.balances[0];
        (b.read, b.used) = (b.read + 1, b.used + 1);
        (b.layers[0].1, b.layers[0].2) = (b.layers[0].1 + 1, b.layers[0].2 + 1);
    });
    caught("no drawing", "drawing", code, |w| w.balances.clear());
}

#[test]
fn steps_that_are_told_otherwise_are_caught() {
    let code = "verify-wanted";
    caught("what is done", "profile", code, |w| {
        let mut steps = w.variants.iter_mut().flat_map(|v| &mut v.steps);
        let clear = steps.find(|s| s.operation == Operation::Clear).unwrap();
        clear.operation = Operation::FinishWall;
    });
    caught("a feature of the same piece", "profile", code, |w| {
        for v in &mut w.variants {
            let clears =
                |s: &&mut grainway_pipeline::work::Workingstep| s.operation == Operation::Clear;
            let mut steps = v.steps.iter_mut().filter(clears);
            if let (Some(a), Some(b)) = (steps.next(), steps.next()) {
                b.feature.clone_from(&a.feature);
            }
        }
    });
    let faults: [Fault<ProfileCut>; 4] = [
        ("a path", |p| {
            let path = &mut p.loops[0].path;
            *path = path.shifted(point(0.5, 0.0));
        }),
        ("a pass", |p| p.loops[0].passes[0] += 0.4),
        ("a cutter's diameter", |p| p.cutter_diameter += 1.0),
        ("the side that stays", |p| p.keeps_inside = !p.keeps_inside),
    ];
    for (what, fault) in faults {
        caught(what, "profile", code, move |w| {
            let steps = w.variants.iter_mut().flat_map(|v| &mut v.steps);
            steps.filter_map(|s| s.profile.as_mut()).for_each(fault);
        });
    }
}

#[test]
fn tabs_that_are_told_otherwise_are_caught() {
    let faults: [Fault<Vec<Tab>>; 6] = [
        ("a tab's place", |t| t[0].along += 12.0),
        ("a tab's width", |t| t[0].neck += 3.0),
        ("a tab's height", |t| t[0].top += 0.5),
        ("a tab too few", |t| t.truncate(t.len() - 1)),
        ("a tab told twice", |t| t.push(t[0])),
        ("a tab too many", |t| {
            let more = Tab {
                along: (t[0].along + t[1].along) / 2.0,
                ..t[0]
            };
            t.push(more);
        }),
    ];
    for (what, fault) in faults {
        caught(what, "hold", "verify-wanted", move |w| {
            let placed = w.setups.iter_mut().flat_map(|s| &mut s.placements);
            placed
                .map(|p| &mut p.tabs)
                .filter(|t| t.len() > 1)
                .for_each(fault);
        });
    }
}

/// The message is the one that the plan has, and the text says it; but the person would leave a screw out, or drive it elsewhere.
#[test]
fn a_pause_that_tells_other_screws_is_caught() {
    let faults: [Fault<String>; 2] = [
        ("a screw too few", |m| {
            *m = m.replacen("drive 4", "drive 3", 1)
        }),
        ("another place", |m| {
            let from = m.find('(').unwrap();
            m.replace_range(from..=from, "(1");
        }),
    ];
    for (what, fault) in faults {
        caught(what, "sequence", "verify-pause", move |w| {
            let entries = w.setups.iter_mut().flat_map(|s| &mut s.order);
            for entry in entries {
                if let Entry::Pause { message, .. } = entry {
                    let before = message.clone();
                    fault(message);
                    assert_ne!(*message, before, "{what}");
                }
            }
        });
    }
}

/// The stool has screws in the board's margin, a place to set zero at, and locating lines.
const STOOL: &str = "step-stool";

#[test]
fn what_holds_and_guides_the_wood_is_where_it_can() {
    let hold = "verify-hold";
    caught_in(STOOL, "a screw on the edge", "hold", hold, |w| {
        w.setups[0].holds[0].at.x = 1.0;
    });
    caught_in(STOOL, "zero on the edge", "hold", hold, |w| {
        w.setups[0].touch_off.as_mut().unwrap().x = 0.0;
    });
    caught_in(STOOL, "zero where a cut goes", "hold", hold, |w| {
        let placed = &w.setups[0].placements[0];
        let outline = &w
            .variants
            .iter()
            .find(|v| v.id == placed.variant)
            .unwrap()
            .outline;
        w.setups[0].touch_off = Some(placed.placing.point(outline.vertices[0].at));
    });
    let aside = changed(STOOL, "place", |w| {
        let lines = w
            .setups
            .iter()
            .position(|s| s.kind == SetupKind::Lines)
            .unwrap();
        let mut moves = w.moves(&w.setups[lines].own_steps[0].moves);
        if let Some(Move::Line { to, .. }) = moves.get_mut(5) {
            to.y += 0.5;
        }
        w.setups[lines].own_steps[0].moves = w.blobs.put_moves(&moves);
    });
    let told = aside.with_code("verify-wanted");
    assert!(
        told.iter().any(|f| f.message.contains("locating lines")),
        "{told:#?}"
    );
    assert!(!aside.ready());
}

#[test]
fn features_that_are_told_twice_or_deeper_are_caught() {
    let wanted = "verify-wanted";
    caught("a hole told deeper", "drill", wanted, |w| {
        let features = w.variants.iter_mut().flat_map(|v| &mut v.features);
        features.filter(|f| f.through).for_each(|f| f.floor -= 0.1);
    });
    caught("a feature told twice", "sequence", wanted, |w| {
        let features = &mut w.variants[0].features;
        features.push(features[0].clone());
    });
}

/// Whatever is said of a name that two things have is said of either.
#[test]
fn two_variants_of_one_name_end_the_chain() {
    let loaded = load(&sample(STOOL)).unwrap();
    let stage = tamper("change", |w| {
        let first = w.variants[0].id.clone();
        w.variants[1].id = first;
    });
    let stages = chain(vec![("fit", stage)]);
    let Err(why) = run(loaded, &stages, &grainway_dialects::built_in()) else {
        panic!("the chain went on");
    };
    assert!(why.contains("left two variants that are called"), "{why}");
}

#[test]
fn names_and_cutters_that_are_told_otherwise_are_caught() {
    let wanted = "verify-wanted";
    caught("a variant's name", "relief", wanted, |w| {
        w.variants[0].id.push('x');
    });
    caught(
        "variants in another order",
        "sequence",
        "verify-pieces",
        |w| {
            w.variants.reverse();
        },
    );
    caught_in(
        "reading-bench",
        "the cutter of a line",
        "mark",
        wanted,
        |w| {
            let mut steps = w.variants.iter_mut().flat_map(|v| &mut v.steps);
            let line = steps.find(|s| s.operation == Operation::Engrave).unwrap();
            line.cutter = "mill-6".to_string();
        },
    );
    caught("what a setup's own step does", "sequence", wanted, |w| {
        w.setups[0].own_steps[0].operation = Operation::Clear;
    });
    caught_in(
        "card-index-cabinet",
        "the cutter of pilots",
        "post",
        wanted,
        |w| {
            w.setups[0].own_steps[0].cutter = "mill-3".to_string();
        },
    );
    caught("what holds a piece", "sequence", wanted, |w| {
        w.setups[0].placements[0].hold = PieceHold::Nothing;
    });
    caught_in("reading-bench", "a hole's middle", "profile", wanted, |w| {
        let features = w.variants.iter_mut().flat_map(|v| &mut v.features);
        for circle in features.filter_map(|f| f.circle.as_mut()) {
            circle.1 = -circle.1;
        }
    });
}
