//! A job made several times over: every piece once in each set, numbered through, joined within its set.

use crate::joints::{fits, together};
use crate::sabotage::{chain, tamper, tamper_with_parts};
use grainway_pipeline::stage::Stage;
use grainway_pipeline::work::{Placement, SetupKind, Work};
use grainway_tests::{Made, load, load_texts, root, run, sample};
use serde_json::json;
use std::collections::BTreeSet;
use std::sync::Arc;

/// Two frames of two long rails, two short ones and four legs, with a stage more after one of the chain's.
fn two_frames(extra: Vec<(&str, Arc<dyn Stage>)>) -> Made {
    let (parts, joints) = together::parts_and_joints_of_frame(2, 330.0);
    let job = json!({ "format": "grainway.job/1", "name": "frames", "shop": "s", "sets": 2, "parts": parts, "joints": joints });
    let loaded = load_texts(&job.to_string(), &fits::shop().to_string(), &root()).unwrap();
    run(loaded, &chain(extra), &grainway_dialects::built_in()).unwrap()
}

#[test]
fn every_set_has_its_own_pieces_and_they_are_numbered_through() {
    let made = two_frames(Vec::new());
    assert!(made.ready(), "{:?}", made.errors());
    let boards = made
        .work
        .setups
        .iter()
        .filter(|s| s.kind == SetupKind::Board);
    let pieces: BTreeSet<&str> = boards
        .flat_map(|s| &s.placements)
        .map(|p| p.piece.as_str())
        .collect();
    let wanted = [
        "long", "long#2", "long#3", "long#4", "short", "short#2", "short#3", "short#4",
    ];
    assert_eq!(pieces, BTreeSet::from(wanted));
    let counts: Vec<(&str, u32)> = made
        .work
        .parts
        .iter()
        .map(|p| (p.id.as_str(), p.count))
        .collect();
    assert_eq!(
        counts,
        [("leg", 4), ("leg~mirrored", 4), ("long", 4), ("short", 4)]
    );
    // One frame stands for both.
    let [frame] = made.work.furniture.as_slice() else {
        panic!("{:#?}", made.work.furniture)
    };
    assert_eq!((frame.count, frame.pieces.len()), (2, 8));
}

#[test]
fn a_piece_of_a_set_that_is_lost_or_made_twice_is_caught() {
    let caught = |what: &str, made: Made, words: &str| {
        let told = made.with_code("verify-pieces");
        assert!(
            told.iter().any(|f| f.message.contains(words)),
            "{what}: {told:?}"
        );
        assert!(!made.ready(), "{what} is released");
    };
    let last_rail = |work: &mut Work, change: fn(&mut Vec<Placement>, usize)| {
        for setup in &mut work.setups {
            if let Some(i) = setup.placements.iter().position(|p| p.piece == "long#4") {
                change(&mut setup.placements, i);
            }
        }
    };
    let lost = tamper("change", move |work| {
        last_rail(work, |placed, i| drop(placed.remove(i)));
    });
    let words = "of 3 pieces of long; the documents ask for 4";
    caught("a lost rail", two_frames(vec![("place", lost)]), words);
    let twice = tamper("change", move |work| {
        last_rail(work, |placed, i| placed[i].piece = "long".to_string());
    });
    let words = "The piece long is made twice";
    caught(
        "a rail made twice",
        two_frames(vec![("place", twice)]),
        words,
    );
    // A plan that knows nothing of sets.
    let once = tamper_with_parts("change", |work: &mut Work| {
        for part in &mut work.parts {
            part.count /= 2;
        }
    });
    let words = "the documents ask for 4";
    caught(
        "one frame for two",
        two_frames(vec![("drawing", once)]),
        words,
    );
}

/// Three legs a set: two sets have six, of which one frame could take four.
#[test]
fn no_set_borrows_from_another() {
    let (parts, joints) = together::parts_and_joints_of_frame(0, 330.0);
    let mut parts = parts;
    parts[0]["count"] = json!(3);
    let job = json!({ "format": "grainway.job/1", "name": "joints", "shop": "s", "sets": 2, "parts": parts, "joints": joints });
    let made = fits::job_in(&fits::shop(), &job);
    assert!(
        !made.with_code("joints-apart").is_empty(),
        "{:?}",
        made.errors()
    );
    assert!(
        made.work
            .furniture
            .iter()
            .all(|f| f.count % 2 == 0 && f.pieces.len() <= 7)
    );
}

#[test]
fn sets_multiply_what_is_made_alone() {
    let mut loaded = load(&sample("reading-bench")).unwrap();
    let job = &mut loaded.work.documents.job;
    job.sets = 3;
    job.only = [("rail".to_string(), 2)].into();
    let made = run(loaded, &chain(Vec::new()), &grainway_dialects::built_in()).unwrap();
    assert!(made.ready(), "{:?}", made.errors());
    let counts: Vec<(&str, u32)> = made
        .work
        .parts
        .iter()
        .map(|p| (p.id.as_str(), p.count))
        .collect();
    assert_eq!(counts, [("rail", 6)]);
}

/// A count that only sets make senseless.
#[test]
fn more_pieces_than_anybody_cuts_are_refused() {
    let mut loaded = load(&sample("reading-bench")).unwrap();
    let job = &mut loaded.work.documents.job;
    (job.sets, job.parts[0].count) = (10_000, 10_000);
    let made = run(loaded, &chain(Vec::new()), &grainway_dialects::built_in()).unwrap();
    let told = made.with_code("bad-number");
    assert!(
        told.iter().any(|f| f.message.contains("in 10000 sets")),
        "{told:?}"
    );
}
