//! What planning claims, held against the documents: each row of the table of claims with faults that break it, planted between two
//! stages of a running chain, where a third-party stage writes.

use crate::sabotage::{chain, tamper};
use grainway_geom::point;
use grainway_pipeline::finding::{Finding, code};
use grainway_pipeline::work::{CornerAnswer, HoldKind, Setup, Work};
use grainway_tests::{Made, SAMPLES, load, make, run, sample};
use std::sync::OnceLock;

/// The job made with one change after a stage. `Err`: the chain itself refused the change.
fn changed(name: &str, after: &'static str, change: fn(&mut Work)) -> Result<Made, String> {
    let stage = tamper("change", change);
    let stages = chain(vec![(after, stage)]);
    let loaded = load(&sample(name)).unwrap();
    run(loaded, &stages, &grainway_dialects::built_in())
}

/// Names and sums of a job's programs, and its setups.
type Plain = (Vec<(String, String)>, Vec<Setup>);

/// One of the samples at least shows the fault, none releases it, and a finding with this code is among what is told.
fn caught(what: &str, after: &'static str, code: &str, change: fn(&mut Work)) {
    // Texts and setups of the samples as they are, made once for all faults.
    static PLAIN: [OnceLock<Plain>; 3] = [const { OnceLock::new() }; 3];
    let texts = |m: &Made| -> Vec<(String, String)> {
        let all = m.work.programs.iter();
        all.map(|p| (p.name.clone(), p.sha256.clone())).collect()
    };
    let mut told = 0;
    for (name, plain) in SAMPLES.into_iter().zip(&PLAIN) {
        let made = changed(name, after, change).unwrap();
        let plain = plain.get_or_init(|| {
            let plain = make(load(&sample(name)).unwrap()).unwrap();
            (texts(&plain), plain.work.setups)
        });
        if made.with_code(code).is_empty() {
            let same = texts(&made) == plain.0 && made.work.setups == plain.1;
            assert!(!made.ready() || same, "{what}: {name} is released");
        } else {
            assert!(!made.ready(), "{what}: {name} is released");
            told += 1;
        }
    }
    assert!(told > 0, "{what}: no sample tells {code}");
}

/// Caught although the stage says that it gives the parts.
fn caught_where_parts_are_given(what: &str, change: fn(&mut Work)) {
    for name in SAMPLES {
        let stage = crate::sabotage::tamper_with_parts("change", change);
        let stages = chain(vec![("drawing", stage)]);
        let loaded = load(&sample(name)).unwrap();
        let made = run(loaded, &stages, &grainway_dialects::built_in()).unwrap();
        assert!(
            !made.with_code("verify-pieces").is_empty(),
            "{what}: {name}"
        );
        assert!(!made.ready(), "{what}: {name} is released");
    }
}

/// The chain itself refuses the change.
fn refused(what: &str, after: &'static str, words: &str, change: fn(&mut Work)) {
    // The stool has no hand work that could be taken back.
    for name in SAMPLES.into_iter().filter(|n| *n != "step-stool") {
        match changed(name, after, change) {
            Err(why) => assert!(why.contains(words), "{what}: {name}: {why}"),
            Ok(_) => panic!("{what}: {name} was made"),
        }
    }
}

fn first_recess(work: &mut Work) -> Option<&mut grainway_pipeline::work::SizedFeature> {
    let mut features = work.variants.iter_mut().flat_map(|v| &mut v.features);
    features.find(|f| !f.through && f.kind.is_cleared())
}

#[test]
fn a_plan_that_is_not_what_the_documents_ask_for_is_caught() {
    let wanted = "verify-wanted";
    caught("a floor 6 mm too deep", "fit", wanted, |work| {
        if let Some(f) = first_recess(work) {
            f.floor -= 6.0;
        }
    });
    caught("a floor a tenth too high", "fit", wanted, |work| {
        if let Some(f) = first_recess(work) {
            f.floor += 0.1;
        }
    });
    caught(
        "a feature moved by half a millimetre",
        "fit",
        wanted,
        |work| {
            for v in &mut work.variants {
                if let Some(f) = v.features.iter_mut().find(|f| f.kind.is_cleared()) {
                    f.shape = f.shape.shifted(point(0.5, 0.0));
                }
            }
        },
    );
    caught("a feature lost", "fit", wanted, |work| {
        for v in &mut work.variants {
            v.features
                .truncate(v.features.len().saturating_sub(1).max(1));
        }
    });
    caught("an outline wider", "fit", wanted, |work| {
        for v in &mut work.variants {
            let b = v.outline.bounds();
            for corner in v.outline.vertices.iter_mut() {
                corner.at.y *= (b.height() + 1.0) / b.height();
            }
        }
    });
    caught("heights of other wood", "fit", wanted, |work| {
        for v in &mut work.variants {
            v.z.thickest += 1.0;
        }
    });
    caught("a setup's heights of other wood", "place", wanted, |work| {
        for s in &mut work.setups {
            s.z.thinnest -= 2.0;
        }
    });
    caught("a board that nobody has", "place", wanted, |work| {
        for s in &mut work.setups {
            s.size.x += 50.0;
        }
    });
    caught("a piece across the grain", "hold", wanted, |work| {
        for p in work.setups.iter_mut().flat_map(|s| &mut s.placements) {
            p.placing.angle += 0.5;
        }
    });
    caught("a piece turned across the grain", "hold", wanted, |work| {
        for p in work.setups.iter_mut().flat_map(|s| &mut s.placements) {
            p.placing.angle += std::f64::consts::FRAC_PI_2;
        }
    });
    caught(
        "a piece laid over another",
        "hold",
        "verify-gouge",
        |work| {
            for s in &mut work.setups {
                let first = s.placements.first().map(|p| p.placing.at);
                if let (Some(at), Some(second)) = (first, s.placements.get_mut(1)) {
                    second.placing.at = at + point(40.0, 15.0);
                }
            }
        },
    );
    caught("screws with smaller heads", "hold", wanted, |work| {
        for h in work.setups.iter_mut().flat_map(|s| &mut s.holds) {
            h.head_radius /= 2.0;
        }
    });
    caught("a screw that is there too early", "hold", wanted, |work| {
        for h in work.setups.iter_mut().flat_map(|s| &mut s.holds) {
            if h.kind == HoldKind::WasteScrew {
                h.after_pause = None;
            }
        }
    });
    caught(
        "a cutter that the shop does not have",
        "relief",
        wanted,
        |work| {
            for f in work.variants.iter_mut().flat_map(|v| &mut v.features) {
                f.cutter = Some("em99".to_string());
            }
        },
    );
    caught("a lobe forgotten", "relief", wanted, |work| {
        for f in work.variants.iter_mut().flat_map(|v| &mut v.features) {
            for c in &mut f.corners {
                if matches!(c.answer, CornerAnswer::Lobe { .. }) {
                    c.answer = CornerAnswer::Fillet;
                }
            }
        }
    });
    caught("a lobe where none is allowed", "relief", wanted, |work| {
        let radius = 3.0;
        for f in work.variants.iter_mut().flat_map(|v| &mut v.features) {
            for c in &mut f.corners {
                if !matches!(c.answer, CornerAnswer::Lobe { .. })
                    && let Some(bisector) = (c.before + c.after).normalized()
                {
                    c.answer = CornerAnswer::Lobe {
                        dog_bone: true,
                        into_before: false,
                        centre: c.at + bisector * radius,
                        radius,
                        from: c.at + bisector * (radius * std::f64::consts::SQRT_2),
                    };
                }
            }
        }
    });
    caught("a corner where there is none", "relief", wanted, |work| {
        for f in work.variants.iter_mut().flat_map(|v| &mut v.features) {
            for c in &mut f.corners {
                c.at = c.at + point(5.0, 0.0);
            }
        }
    });
}

#[test]
fn what_paper_says_of_steps_and_holds_is_what_they_do() {
    let wanted = "verify-wanted";
    caught("a step told shallower", "profile", wanted, |work| {
        for s in work.variants.iter_mut().flat_map(|v| &mut v.steps) {
            s.lowest += 0.5;
        }
    });
    caught(
        "steps told of each other's features",
        "profile",
        wanted,
        |work| {
            for v in &mut work.variants {
                let mut names: Vec<String> = v.steps.iter().map(|s| s.feature.clone()).collect();
                names.rotate_left(1);
                for (s, name) in v.steps.iter_mut().zip(names) {
                    s.feature = name;
                }
            }
        },
    );
    caught(
        "a screw told to hold something else",
        "sequence",
        wanted,
        |work| {
            for h in work.setups.iter_mut().flat_map(|s| &mut s.holds) {
                if let Some((_, feature)) = &mut h.of {
                    *feature = "outline".to_string();
                }
            }
        },
    );
}

#[test]
fn pieces_are_counted_from_the_documents() {
    let pieces = "verify-pieces";
    caught("a piece lost", "hold", pieces, |work| {
        if let Some(s) = work.setups.last_mut() {
            s.placements.pop();
        }
    });
    caught("a setup lost", "place", pieces, |work| {
        work.setups.pop();
    });
    caught("a setup made twice", "place", pieces, |work| {
        let mut again = work.setups[0].clone();
        again.id = "board-99".to_string();
        work.setups.push(again);
    });
    caught("one blank too many", "place", pieces, |work| {
        for s in &mut work.setups {
            if s.kind == grainway_pipeline::work::SetupKind::Blank {
                s.repeats += 1;
            }
        }
    });
    caught("a program lost", "post", pieces, |work| {
        let last = work.programs.last().map(|p| p.setup.clone());
        work.programs.retain(|p| Some(&p.setup) != last.as_ref());
    });
    caught_where_parts_are_given("a part of another name", |work| {
        work.parts[0].name = Some("Shelf".to_string());
    });
    caught_where_parts_are_given("a part more often", |work| {
        work.parts[0].count += 1;
    });
    caught(
        "one part cut for another",
        "place",
        "verify-wanted",
        |work| {
            let other = work.variants[0].id.clone();
            for p in work.setups.iter_mut().flat_map(|s| &mut s.placements) {
                p.variant.clone_from(&other);
            }
        },
    );
}

#[test]
fn what_changes_after_verify_is_not_released() {
    let seal = "verify-seal";
    caught("a text swapped", "verify", seal, |work| {
        if let [first, .., last] = work.programs.as_mut_slice() {
            std::mem::swap(&mut first.text, &mut last.text);
        }
    });
    caught("a screw told elsewhere", "verify", seal, |work| {
        if let Some(h) = work.setups.iter_mut().flat_map(|s| &mut s.holds).next() {
            h.at.x += 3.0;
        }
    });
    caught("a line of hand work more", "verify", seal, |work| {
        work.hand_work.extend(work.hand_work.first().cloned());
    });
    caught(
        "another cutter for a change by hand",
        "verify",
        seal,
        |work| {
            for p in &mut work.programs {
                p.cutter = Some("other".to_string());
            }
        },
    );
}

#[test]
fn what_was_told_is_not_taken_back() {
    refused("documents", "fit", "changed the documents", |work| {
        for stock in work.documents.job.stocks.values_mut() {
            stock.wood = "pine".to_string();
        }
        for stock in work.documents.shop.stocks.values_mut() {
            stock.wood = "pine".to_string();
        }
    });
    refused("parts", "drawing", "changed the parts", |work| {
        work.parts[0].count += 1;
    });
    refused("a finding", "report", "removed a finding", |work| {
        work.findings.clear();
    });
    refused("hand work", "report", "removed hand work", |work| {
        work.hand_work.clear();
        work.find(Finding::new(&code::DRILL_FAST, "more"));
    });
}
