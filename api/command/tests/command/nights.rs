//! Nights: jobs that are made together from common boards, each with a folder of its own.

use crate::bench::{Bench, Run, files};
use serde_json::{Value, json};
use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

/// The files of the sample night, by name.
fn sample_night() -> BTreeMap<String, Vec<u8>> {
    files(&Path::new(env!("CARGO_MANIFEST_DIR")).join("../../jobs/library-night"))
}

/// The sample night in a folder of its own.
fn library() -> Bench {
    let bench = Bench::new();
    for (name, bytes) in sample_night() {
        bench.put(&format!("night/{name}"), bytes);
    }
    bench
}

fn make(bench: &Bench, out: &str, more: &[&str]) -> Run {
    let run = ["make", "night/night.json", "--out", out];
    bench.run(&[&run, more].concat())
}

fn report(bench: &Bench, out: &str) -> Value {
    serde_json::from_str(&bench.read(&format!("{out}/report.json"))).unwrap()
}

/// Changes a document of the night.
fn change(bench: &Bench, name: &str, change: impl FnOnce(&mut Value)) {
    let name = format!("night/{name}");
    let mut document: Value = serde_json::from_str(&bench.read(&name)).unwrap();
    change(&mut document);
    bench.put(&name, document.to_string());
}

fn texts<'v>(list: &'v Value, key: &str) -> Vec<&'v str> {
    let rows = list.as_array().into_iter().flatten();
    rows.filter_map(|r| r[key].as_str()).collect()
}

/// The pieces of each board, by the board's name.
fn boards(report: &Value) -> BTreeMap<&str, BTreeSet<&str>> {
    let setups = report["setups"].as_array().unwrap().iter();
    let boards = setups.filter(|s| s["kind"] == "board");
    boards
        .map(|s| {
            let pieces = texts(&s["placements"], "piece");
            (s["id"].as_str().unwrap(), pieces.into_iter().collect())
        })
        .collect()
}

/// The texts of a board's programs, by their files.
fn programs(bench: &Bench, out: &str, board: &str) -> BTreeMap<String, String> {
    let report = report(bench, out);
    let programs = report["programs"].as_array().unwrap().iter();
    let own = programs.filter(|p| p["setup"] == board);
    own.map(|p| {
        let file = p["file"].as_str().unwrap();
        (file.to_string(), bench.read(&format!("{out}/{file}")))
    })
    .collect()
}

#[test]
fn jobs_of_a_night_share_boards_and_every_piece_is_made_once() {
    let bench = library();
    let run = make(&bench, "out", &[]);
    assert_eq!(run.exit, 0, "{}{}", run.out, run.err);
    assert!(run.out.contains("3 jobs pooled"), "{}", run.out);
    let report = report(&bench, "out");
    let all: Vec<&str> = boards(&report).into_values().flatten().collect();
    let once: BTreeSet<&str> = all.iter().copied().collect();
    assert_eq!(all.len(), once.len());
    // Two benches of 4, three stools of 4, two racks of 3.
    let mut wanted = BTreeSet::new();
    let mut pieces = |part: &str, n: u32| {
        wanted.insert(part.to_string());
        wanted.extend((2..=n).map(|i| format!("{part}#{i}")));
    };
    for (part, n) in [
        ("benches/end", 4),
        ("benches/seat", 2),
        ("benches/rail", 2),
        ("stools/side", 6),
        ("stools/tread", 3),
        ("stools/shelf", 3),
        ("racks/back", 2),
        ("racks/foot", 4),
    ] {
        pieces(part, n);
    }
    assert_eq!(once, wanted.iter().map(String::as_str).collect());
    let jobs_on = |pieces: &BTreeSet<&str>| -> BTreeSet<String> {
        let jobs = pieces.iter().filter_map(|p| p.split('/').next());
        jobs.map(str::to_string).collect()
    };
    let boards = boards(&report);
    assert!(boards.values().any(|b| jobs_on(b).len() > 1), "{boards:#?}");
    // The head of a program says whose pieces it cuts, and its setup's code.
    for setup in report["setups"].as_array().unwrap() {
        let id = setup["id"].as_str().unwrap();
        let jobs: Vec<String> = jobs_on(&boards[id]).into_iter().collect();
        for text in programs(&bench, "out", id).values() {
            assert!(text.contains(&format!("jobs: {}", jobs.join(", "))), "{id}");
            let code = setup["code"].as_str().unwrap();
            assert!(text.contains(&format!("code: {code}")), "{id}");
        }
    }
    // Joints stay within their job: three kinds of furniture stand, each as often as its job is made.
    let counts: Vec<u64> = report["furniture"]
        .as_array()
        .unwrap()
        .iter()
        .map(|f| f["count"].as_u64().unwrap())
        .collect();
    assert_eq!(counts, [2, 3], "{:#}", report["furniture"]);
}

#[test]
fn each_job_has_a_folder_that_names_the_common_programs_with_their_sums() {
    let bench = library();
    assert_eq!(make(&bench, "out", &[]).exit, 0);
    let report = report(&bench, "out");
    for job in report["night"]["jobs"].as_array().unwrap() {
        let folder = job["folder"].as_str().unwrap();
        let own: BTreeSet<String> = files(&bench.path(&format!("out/{folder}")))
            .into_keys()
            .collect();
        let wanted = [
            "costs.csv",
            "handwork.csv",
            "job-sheet.html",
            "job-sheet.pdf",
            "partslist.csv",
            "programs.csv",
        ];
        assert_eq!(own, wanted.map(str::to_string).into());
        let id = job["id"].as_str().unwrap();
        let list = bench.read(&format!("out/{folder}/programs.csv"));
        let mut pieces = BTreeSet::new();
        for line in list.lines().skip(1) {
            let cells: Vec<&str> = line.split(',').collect();
            let file = cells[0]
                .trim_start_matches('\'')
                .strip_prefix("../../")
                .unwrap();
            assert_eq!(report["files"][file], cells[1], "{line}");
            assert!(
                cells[4]
                    .split(' ')
                    .all(|p| p.starts_with(&format!("{id}/")))
            );
            pieces.extend(cells[4].split(' ').map(str::to_string));
        }
        assert_eq!(
            pieces.len() as u64,
            job["pieces"].as_u64().unwrap(),
            "{list}"
        );
        let parts = bench.read(&format!("out/{folder}/partslist.csv"));
        assert!(
            parts
                .lines()
                .skip(1)
                .all(|l| l.starts_with(&format!("{id}/")))
        );
        let sheet = bench.read(&format!("out/{folder}/job-sheet.html"));
        let others = ["benches/", "stools/", "racks/"];
        for other in others.iter().filter(|o| **o != format!("{id}/")) {
            assert!(!sheet.contains(other), "{id} tells of {other}");
        }
    }
}

/// The shares of the jobs add up to the price of the night, and those of a job's parts to the job's share.
#[test]
fn a_night_costs_what_its_jobs_cost() {
    let bench = library();
    assert_eq!(make(&bench, "out", &[]).exit, 0);
    let costs = report(&bench, "out")["costs"].clone();
    let hundredths = |v: &Value| (v.as_f64().unwrap() * 100.0).round() as i64;
    let sum = |rows: &Value, key: &str| -> i64 {
        let rows = rows.as_array().unwrap().iter();
        rows.map(|r| hundredths(&r[key])).sum()
    };
    assert_eq!(sum(&costs["jobs"], "total"), hundredths(&costs["total"]));
    let seconds = |rows: &Value, key: &str| -> u64 {
        let rows = rows.as_array().unwrap().iter();
        rows.map(|r| r[key].as_u64().unwrap()).sum()
    };
    for (key, whole) in [("machine-seconds", "machine"), ("hand-seconds", "hand")] {
        let all = costs[whole]["seconds"].as_u64().unwrap();
        assert_eq!(seconds(&costs["jobs"], key), all, "{key}");
        assert_eq!(seconds(&costs["parts"], key), all, "{key}");
    }
    for job in costs["jobs"].as_array().unwrap() {
        let id = format!("{}/", job["job"].as_str().unwrap());
        let parts = costs["parts"].as_array().unwrap().iter();
        let own = parts.filter(|p| p["part"].as_str().unwrap().starts_with(&id));
        let own: Vec<&Value> = own.collect();
        for key in ["wood", "machine", "hand", "surcharge", "total"] {
            let parts: i64 = own.iter().map(|p| hundredths(&p[key])).sum();
            assert_eq!(hundredths(&job[key]), parts, "{id} {key}");
        }
    }
    let list = bench.read("out/costs.csv");
    let last = list.lines().last().unwrap();
    assert!(last.starts_with("all,,,1,"), "{last}");
    let total = format!("{:.2}", costs["total"].as_f64().unwrap());
    assert!(last.contains(&total), "{last}");
    let quote = bench.run(&["quote", "night/night.json"]);
    assert_eq!(quote.exit, 0, "{}{}", quote.out, quote.err);
    assert!(quote.out.contains(&total), "{}", quote.out);
    assert!(quote.out.contains("stools"), "{}", quote.out);
}

/// A stool is measured again in the morning: boards without a stool stand as they were.
#[test]
fn a_measured_job_changes_its_own_boards_only() {
    let bench = library();
    assert_eq!(make(&bench, "out", &[]).exit, 0);
    let before = report(&bench, "out");
    change(&bench, "stools.json", |job| {
        job["parts"][2]["blank"]["width"] = json!(144);
    });
    let run = make(&bench, "new", &["--keep", "out"]);
    assert_eq!(run.exit, 0, "{}{}", run.out, run.err);
    let after = report(&bench, "new");
    let changed = |piece: &&str| piece.starts_with("stools/shelf");
    let mut kept = Vec::new();
    for (board, pieces) in boards(&before) {
        if pieces.iter().any(changed) {
            continue;
        }
        kept.push(board);
        assert_eq!(boards(&after).get(board), Some(&pieces), "{board}");
        let (old, new) = (
            programs(&bench, "out", board),
            programs(&bench, "new", board),
        );
        assert_eq!(old, new, "{board}");
    }
    assert!(
        kept.len() >= 2 && kept.len() < boards(&before).len(),
        "{kept:?}"
    );
    let told: BTreeSet<&str> = after["night"]["kept"]
        .as_array()
        .unwrap()
        .iter()
        .filter_map(Value::as_str)
        .collect();
    assert!(kept.iter().all(|k| told.contains(k)), "{told:?}, {kept:?}");
    let line = format!("{} of {} setups kept", told.len(), boards(&after).len());
    assert!(run.out.contains(&line), "{}", run.out);
    let sheet = bench.read("new/setup-sheet.html");
    assert!(sheet.contains("Made from a former night"));
    let all = |report: &Value| -> Vec<String> {
        let mut all: Vec<String> = boards(report)
            .into_values()
            .flatten()
            .map(str::to_string)
            .collect();
        all.sort();
        all
    };
    assert_eq!(all(&before), all(&after));
}

#[test]
fn a_cancelled_job_leaves_the_boards_of_the_others() {
    let bench = library();
    assert_eq!(make(&bench, "out", &[]).exit, 0);
    change(&bench, "night.json", |night| {
        night["jobs"].as_array_mut().unwrap().remove(0);
    });
    let run = make(&bench, "new", &["--keep", "out"]);
    assert_eq!(run.exit, 0, "{}{}", run.out, run.err);
    let (before, after) = (report(&bench, "out"), report(&bench, "new"));
    let mut kept = 0;
    for (board, pieces) in boards(&before) {
        if pieces.iter().all(|p| !p.starts_with("benches/")) {
            kept += 1;
            let (old, new) = (
                programs(&bench, "out", board),
                programs(&bench, "new", board),
            );
            assert_eq!(old, new, "{board}");
        }
    }
    assert!(kept > 0);
    let pieces: Vec<&str> = boards(&after).into_values().flatten().collect();
    assert!(pieces.iter().all(|p| !p.starts_with("benches/")));
    assert_eq!(pieces.len(), 18);
}

#[test]
fn a_night_that_did_not_change_keeps_every_program() {
    let bench = library();
    assert_eq!(make(&bench, "out", &[]).exit, 0);
    let run = make(&bench, "new", &["--keep", "out"]);
    assert_eq!(run.exit, 0, "{}{}", run.out, run.err);
    let of = |out: &str| files(&bench.path(&format!("{out}/programs")));
    assert!(of("out") == of("new"));
    // Kept from what was kept.
    assert_eq!(make(&bench, "out", &["--keep", "new"]).exit, 0);
    assert!(of("out") == of("new"));
}

#[test]
fn only_the_folder_of_a_released_night_can_be_kept_from() {
    let bench = library();
    assert_eq!(bench.make().exit, 0);
    let of_job = make(&bench, "new", &["--keep", "out"]);
    assert_eq!(of_job.exit, 2);
    assert!(
        of_job.err.contains("only a night's boards are kept"),
        "{}",
        of_job.err
    );
    let none = make(&bench, "new", &["--keep", "nothing"]);
    assert_eq!(none.exit, 2, "{}", none.err);
    assert_eq!(make(&bench, "out", &[]).exit, 0);
    let for_job = bench.run(&["make", "job/job.json", "--out", "new", "--keep", "out"]);
    assert_eq!(for_job.exit, 2);
    assert!(
        for_job.err.contains("give a night document"),
        "{}",
        for_job.err
    );
    let report = report(&bench, "out");
    let first = report["programs"][0]["file"].as_str().unwrap();
    bench.put(&format!("out/{first}"), "another text");
    let edited = make(&bench, "new", &["--keep", "out"]);
    assert_eq!(edited.exit, 2);
    assert!(edited.err.contains(first), "{}", edited.err);
}

fn coded<'r>(report: &'r Value, code: &str) -> Vec<&'r Value> {
    let findings = report["findings"].as_array().unwrap().iter();
    findings.filter(|f| f["code"] == code).collect()
}

#[test]
fn what_jobs_say_of_the_whole_chain_is_said_by_the_night() {
    let bench = library();
    change(&bench, "stools.json", |job| {
        job["settings"] = json!({ "place": { "strip": 12, "margin": 40 } });
    });
    change(&bench, "racks.json", |job| {
        job["machine"] = json!("lathe");
        job["chain"] = json!(["drawing", "fit"]);
    });
    assert_eq!(make(&bench, "out", &[]).exit, 1);
    let told = report(&bench, "out");
    let mut places = texts(&json!(coded(&told, "night-differs")), "pointer")
        .into_iter()
        .map(str::to_string)
        .collect::<Vec<_>>();
    places.sort();
    let wanted = [
        "racks.json#/chain",
        "racks.json#/machine",
        "stools.json#/settings/place/strip",
    ];
    assert_eq!(places, wanted);
    // What the night says, holds; the job that says otherwise is told.
    change(&bench, "racks.json", |job| {
        job.as_object_mut().unwrap().remove("chain");
        job["machine"] = json!("router");
    });
    change(&bench, "night.json", |night| {
        night["machine"] = json!("router");
        night["settings"]["place"]["strip"] = json!(12);
    });
    assert_eq!(make(&bench, "out", &[]).exit, 0);
    let told = report(&bench, "out");
    let notes = coded(&told, "night-setting");
    assert_eq!(notes.len(), 1, "{notes:#?}");
    assert_eq!(notes[0]["pointer"], "stools.json#/settings/place/margin");
}

#[test]
fn a_job_that_is_another_one_now_is_refused() {
    let bench = library();
    assert_eq!(make(&bench, "out", &[]).exit, 0);
    let sums = report(&bench, "out")["night"]["jobs"].clone();
    change(&bench, "night.json", |night| {
        for (i, job) in night["jobs"].as_array_mut().unwrap().iter_mut().enumerate() {
            job["sha256"] = sums[i]["sha256"].clone();
        }
    });
    assert_eq!(make(&bench, "out", &[]).exit, 0);
    change(&bench, "racks.json", |job| job["sets"] = json!(3));
    assert_eq!(make(&bench, "out", &[]).exit, 1);
    let report = report(&bench, "out");
    let told = coded(&report, "night-job-changed");
    assert_eq!(
        texts(&json!(told), "pointer"),
        ["night.json#/jobs/2/sha256"]
    );
}

#[test]
fn what_is_wrong_is_told_in_the_file_where_it_stands() {
    let bench = library();
    change(&bench, "stools.json", |job| {
        job["parts"][1]["stock"] = json!("ash-23");
        job["parts"][0]["blank"]["width"] = json!(-3);
    });
    change(&bench, "racks.json", |job| {
        job["only"] = json!({ "fot": 1 });
    });
    change(&bench, "night.json", |night| {
        night["jobs"][0]["file"] = json!("bench.json");
        night["jobs"][1]["id"] = json!("racks");
    });
    assert_eq!(make(&bench, "out", &[]).exit, 1);
    let report = report(&bench, "out");
    let places: BTreeSet<&str> = texts(&report["findings"], "pointer").into_iter().collect();
    for place in [
        "stools.json#/parts/0/blank/width",
        "night.json#/jobs/0/file",
        "night.json#/jobs/2/id",
    ] {
        assert!(places.contains(place), "{place}: {places:#?}");
    }
    let bench = library();
    change(&bench, "stools.json", |job| {
        job["parts"][1]["stock"] = json!("ash-23");
    });
    change(&bench, "racks.json", |job| {
        job["only"] = json!({ "fot": 1 });
    });
    assert_eq!(make(&bench, "out", &[]).exit, 1);
    let report = self::report(&bench, "out");
    let places: BTreeSet<&str> = texts(&report["findings"], "pointer").into_iter().collect();
    for place in ["stools.json#/parts/1/stock", "racks.json#/only/fot"] {
        assert!(places.contains(place), "{place}: {places:#?}");
    }
}

/// Files of a job are named from the job's own folder, and parts of its drawings under its id.
#[test]
fn a_job_in_a_folder_of_its_own_finds_its_drawing() {
    let bench = library();
    let sample = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../jobs/newspaper-rack");
    for name in ["job.json", "rack.svg"] {
        bench.put(
            &format!("night/shelf/{name}"),
            std::fs::read(sample.join(name)).unwrap(),
        );
    }
    let boards = json!([{ "id": "half-sheet", "length": 800, "width": 500 }]);
    change(&bench, "shelf/job.json", |job| {
        job["stocks"] =
            json!({ "ply-12": { "wood": "birch-plywood", "thickness": [12.0], "boards": boards } });
        job["drawings"][0]["layers"][4]
            .as_object_mut()
            .unwrap()
            .remove("cutter");
        job["drawings"][0]["parts"]["rack/1"]["eased"] = json!(0.5);
    });
    change(&bench, "night.json", |night| {
        night["jobs"] = json!([{ "id": "wall", "file": "shelf/job.json" }]);
    });
    let run = make(&bench, "out", &[]);
    assert_eq!(run.exit, 0, "{}{}", run.out, run.err);
    let told = report(&bench, "out");
    assert_eq!(
        texts(&told["parts"], "id"),
        ["wall/side-left", "wall/side-right"]
    );
    assert_eq!(told["drawings"][0]["file"], "shelf/rack.svg");
    change(&bench, "shelf/job.json", |job| {
        let part = &mut job["drawings"][0]["parts"]["rack/1"];
        part["features"] = json!([{ "kind": "pocket", "shape": { "circle": { "at": [900, 10], "diameter": 20 } }, "depth": 3 }]);
    });
    make(&bench, "out", &[]);
    let told = report(&bench, "out");
    let place = "shelf/job.json#/drawings/0/parts/rack~11/features/0";
    let places = texts(&told["findings"], "pointer");
    assert!(places.iter().any(|p| p.starts_with(place)), "{places:#?}");
}

/// A job's own readings stay its own: its wood is another board.
#[test]
fn a_job_with_wood_of_its_own_is_cut_from_it() {
    let bench = library();
    let boards = json!([{ "id": "thin", "length": 900, "width": 400, "count": 2 }]);
    change(&bench, "stools.json", |job| {
        job["stocks"] =
            json!({ "oak-18": { "wood": "oak-white", "thickness": [17.4], "boards": boards } });
    });
    let run = make(&bench, "out", &[]);
    assert_eq!(run.exit, 0, "{}{}", run.out, run.err);
    let told = report(&bench, "out");
    let setups = told["setups"].as_array().unwrap().iter();
    let own: Vec<&Value> = setups.filter(|s| s["stock"] == "stools/oak-18").collect();
    assert_eq!(own.len(), 1);
    assert_eq!(own[0]["thickness"], json!([17.4, 17.4, 17.4]));
    assert_eq!(texts(&own[0]["placements"], "piece").len(), 3);
    // The same readings are the same wood.
    change(&bench, "stools.json", |job| {
        job["stocks"]["oak-18"]["thickness"] = json!([18.0, 18.1]);
    });
    assert_eq!(make(&bench, "out", &[]).exit, 0);
    let told = report(&bench, "out");
    let stocks: BTreeSet<&str> = texts(&told["setups"], "stock").into_iter().collect();
    assert_eq!(stocks, BTreeSet::from(["ash-22", "oak-18"]));
}
