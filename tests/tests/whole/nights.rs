//! A night is one job of several: what it must make follows from the jobs, whatever planning makes of them.

use crate::sabotage::{chain, tamper, tamper_with_parts};
use grainway_pipeline::doc::{self, Job, Night, PooledJob, PooledNight, Shop};
use grainway_pipeline::stage::Stage;
use grainway_pipeline::work::{Documents, SetupKind, Work};
use grainway_tests::{Folder, Loaded, Made, root, run};
use serde_json::{Value, json};
use std::collections::BTreeMap;
use std::path::PathBuf;
use std::sync::Arc;

fn folder() -> PathBuf {
    root().join("jobs/library-night")
}

fn read(name: &str) -> Vec<u8> {
    std::fs::read(folder().join(name)).unwrap()
}

/// The sample night, with a change of its jobs.
fn library(change: impl Fn(&mut Job, &mut PooledJob)) -> Loaded {
    library_from(&read("shop.json"), change)
}

/// The same from another shop.
fn library_from(shop: &[u8], change: impl Fn(&mut Job, &mut PooledJob)) -> Loaded {
    let shop: Shop = doc::read_shop(shop).unwrap();
    let night: Night = doc::read_night_as_far_as_possible(&read("night.json"))
        .document
        .unwrap();
    let jobs = night.jobs.iter().map(|named| {
        let mut job = doc::read_job(&read(&named.file)).unwrap();
        let mut about = PooledJob {
            id: named.id.clone(),
            name: job.name.clone(),
            file: named.file.clone(),
            sha256: String::new(),
            sets: named.sets,
            only: BTreeMap::new(),
        };
        change(&mut job, &mut about);
        (about, job)
    });
    let (job, jobs, origins) = night.pooled(&shop.stocks, jobs.collect());
    Loaded {
        work: Work::new(Documents {
            job,
            shop,
            hash: "0".repeat(64),
            night: Some(PooledNight {
                jobs,
                origins,
                former: None,
            }),
        }),
        files: Box::new(Folder(folder())),
    }
}

fn made(loaded: Loaded, extra: Vec<(&str, Arc<dyn Stage>)>) -> Made {
    run(loaded, &chain(extra), &grainway_dialects::built_in()).unwrap()
}

fn as_it_is(extra: Vec<(&str, Arc<dyn Stage>)>) -> Made {
    made(library(|_, _| {}), extra)
}

#[test]
fn the_pieces_of_every_job_are_counted_by_the_documents() {
    let night = as_it_is(Vec::new());
    assert!(night.ready(), "{:?}", night.errors());
    let caught = |what: &str, made: Made, words: &str| {
        let told = made.with_code("verify-pieces");
        assert!(
            told.iter().any(|f| f.message.contains(words)),
            "{what}: {told:?}"
        );
        assert!(!made.ready(), "{what} is released");
    };
    let lost = tamper("change", |work: &mut Work| {
        for setup in &mut work.setups {
            setup.placements.retain(|p| p.piece != "stools/tread#3");
        }
    });
    let words = "of 2 pieces of stools/tread; the documents ask for 3";
    caught("a lost tread", as_it_is(vec![("place", lost)]), words);
    // A plan that makes each job once.
    let once = tamper_with_parts("change", |work: &mut Work| {
        for part in &mut work.parts {
            part.count /= work.documents.sets_of(&part.id);
        }
    });
    let words = "of stools/tread; the documents ask for 3";
    caught("one stool", as_it_is(vec![("drawing", once)]), words);
    // A piece under the name of another job's.
    let renamed = tamper("change", |work: &mut Work| {
        for placed in work.setups.iter_mut().flat_map(|s| &mut s.placements) {
            if placed.piece == "racks/foot#4" {
                placed.piece = "benches/foot".to_string();
            }
        }
    });
    let other = as_it_is(vec![("place", renamed)]);
    assert!(!other.ready(), "a piece of another job is released");
}

/// What alone is made of one job leaves the others whole.
#[test]
fn only_of_one_job_is_not_only_of_the_night() {
    let loaded = library(|job, about| {
        if about.id == "benches" {
            job.only = [("rail".to_string(), 1)].into();
        }
    });
    let made = made(loaded, Vec::new());
    assert!(made.ready(), "{:?}", made.errors());
    let parts = made.work.parts.iter();
    let counts: Vec<(&str, u32)> = parts.map(|p| (p.id.as_str(), p.count)).collect();
    let wanted = [
        ("benches/rail", 2),
        ("racks/back", 2),
        ("racks/foot", 4),
        ("stools/shelf", 3),
        ("stools/side", 6),
        ("stools/tread", 3),
    ];
    assert_eq!(counts, wanted);
    // A rail that is made again goes into a bench that stands.
    assert_eq!(made.work.furniture.len(), 1);
}

/// A number may be left free only by a night that was made before.
#[test]
fn programs_are_numbered_without_gaps() {
    let gap = tamper("change", |work: &mut Work| {
        let last = work.setups.iter_mut().rfind(|s| s.kind == SetupKind::Board);
        if let Some(last) = last {
            last.id = "board-99".to_string();
        }
    });
    let made = as_it_is(vec![("place", gap)]);
    let told = made.with_code("verify-pieces");
    assert!(
        told.iter().any(|f| f.message.contains("board-99")),
        "{told:?}"
    );
    assert!(!made.ready());
}

/// Enough boards for 40 benches, 120 stools and 60 racks: three sizes of ash and two of oak, and 64 boards with a knot.
fn many_boards() -> Vec<u8> {
    let mut shop: Value = serde_json::from_slice(&read("shop.json")).unwrap();
    let board = |id: &str, size: [u32; 2], count: u32| json!({ "id": id, "length": size[0], "width": size[1], "count": count });
    let knotty = |n: u32, size: [u32; 2]| {
        let id = format!("knotty-{n}");
        json!({
            "id": id, "length": size[0], "width": size[1],
            "defects": [{ "at": [140 + 90 * (n % 10), 60 + 40 * (n % 5)], "size": [90, 70] }]
        })
    };
    let mut ash = vec![
        board("wide", [1250, 500], 160),
        board("widest", [1250, 620], 80),
        board("short", [1000, 420], 80),
    ];
    ash.extend((0..40).map(|n| knotty(n, [1250, 420])));
    let mut oak = vec![
        board("panel", [1100, 400], 160),
        board("large", [1250, 600], 80),
    ];
    oak.extend((0..24).map(|n| knotty(n, [1100, 400])));
    shop["stocks"]["ash-22"]["boards"] = json!(ash);
    shop["stocks"]["oak-18"]["boards"] = json!(oak);
    shop.to_string().into_bytes()
}

/// 40 benches, 120 stools and 60 racks in one night. It prints what they take.
#[test]
fn a_full_night_is_ready_slow() {
    let started = std::time::Instant::now();
    let loaded = library_from(&many_boards(), |job, about| {
        job.sets = 1;
        about.sets = match about.id.as_str() {
            "benches" => 40,
            "stools" => 120,
            _ => 60,
        };
    });
    let made = made(loaded, Vec::new());
    assert!(made.ready(), "{:?}", made.errors());
    let pieces: u32 = made.work.parts.iter().map(|p| p.count).sum();
    assert_eq!(pieces, 40 * 4 + 120 * 4 + 60 * 3);
    let report: Value = serde_json::from_str(&made.text(&made.work.files["report.json"])).unwrap();
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    let peak = status.lines().find(|l| l.starts_with("VmHWM"));
    println!(
        "{pieces} pieces, {} programs, {:.1} h at the machine, {} {}, {:.1} s, {}",
        report["programs"].as_array().unwrap().len(),
        report["times"]["total"].as_f64().unwrap() / 3600.0,
        report["costs"]["total"],
        report["costs"]["currency"],
        started.elapsed().as_secs_f64(),
        peak.unwrap_or_default()
    );
    for wood in report["wood"].as_array().unwrap() {
        println!(
            "{}: {} boards, {} %",
            wood["stock"], wood["boards"], wood["yield-percent"]
        );
    }
}
