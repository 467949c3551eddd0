//! The judge itself: it accepts what the samples give and refuses faults. Faults of measure are planted by making another job's texts
//! and judging them by the sample's documents; faults of a controller's kind are planted in the texts.

use super::judge::{Case, judge};
use super::{Out, jobs, sample};
use grainway_tests::{load_texts, make, root};
use serde_json::{Value, json};
use std::path::PathBuf;

fn read(file: PathBuf) -> Value {
    serde_json::from_slice(&std::fs::read(file).unwrap()).unwrap()
}

/// A sample's documents. Of the reading bench most tests need the rail and the ledge alone, on one board.
fn documents(name: &str) -> (Value, Value, PathBuf) {
    let (sample, part) = name.split_once('/').unwrap_or((name, ""));
    let folder = root().join("jobs").join(sample);
    let mut job = read(folder.join("job.json"));
    if part == "rail" {
        job["only"] = json!({ "rail": 1, "ledge": 1 });
    }
    (job, read(folder.join("shop.json")), folder)
}

/// The texts of a sample whose documents were changed first.
fn made(name: &str, change: impl Fn(&mut Value, &mut Value)) -> Case {
    let (job, mut shop, folder) = documents(name);
    let mut changed = job.clone();
    change(&mut changed, &mut shop);
    let loaded = load_texts(&changed.to_string(), &shop.to_string(), &folder).unwrap();
    let made = make(loaded).unwrap();
    let out = Out::of(&made.work, &made.spool);
    assert!(out.ready, "{:#?}", made.errors());
    Case::of(name.to_string(), job, &folder, &out)
}

fn faults(case: Case) -> Vec<String> {
    judge(&[case]).into_values().next().unwrap()
}

/// The judge finds a fault of this kind.
#[track_caller]
fn refused(case: Case, kind: &str) {
    let found = faults(case);
    assert!(
        found.iter().any(|f| f.starts_with(kind)),
        "no {kind}: {found:#?}"
    );
}

fn unchanged(_: &mut Value, _: &mut Value) {}

/// A sample's texts with one of them edited as lines.
fn edited(name: &str, program: usize, edit: impl Fn(&mut Vec<String>)) -> Case {
    let mut case = made(name, unchanged);
    let mut lines: Vec<String> = case.programs[program]
        .1
        .lines()
        .map(str::to_string)
        .collect();
    let before = lines.clone();
    edit(&mut lines);
    assert_ne!(before, lines, "nothing was planted");
    case.programs[program].1 = lines.join("\n") + "\n";
    case
}

/// The lines of a step: after its remark, up to the next one.
fn step(lines: &[String], label: &str) -> std::ops::Range<usize> {
    let from = lines.iter().position(|l| l.contains(label)).unwrap() + 1;
    let length = lines[from..]
        .iter()
        .position(|l| l.starts_with("(step"))
        .unwrap();
    from..from + length
}

/// A word's number in a line, changed.
fn with_word(line: &str, letter: char, change: impl Fn(f64) -> f64) -> String {
    let words = line.split(' ').map(|w| match w.strip_prefix(letter) {
        Some(n) if !line.starts_with('(') && !line.contains("G53") => n
            .parse()
            .map_or_else(|_| w.to_string(), |v| format!("{letter}{:.4}", change(v))),
        _ => w.to_string(),
    });
    words.collect::<Vec<_>>().join(" ")
}

#[test]
fn the_judge_accepts_every_sample_slow() {
    let cases: Vec<Case> = jobs()
        .into_iter()
        .map(|job| {
            let sample = sample(job);
            Case::of(
                sample.name.clone(),
                read(sample.job.clone()),
                sample.job.parent().unwrap(),
                &sample.out,
            )
        })
        .collect();
    for (name, faults) in judge(&cases) {
        assert!(faults.is_empty(), "{name}: {faults:#?}");
    }
}

#[test]
fn the_judge_refuses_a_hole_aside() {
    let aside = |job: &mut Value, _: &mut Value| {
        job["parts"][1]["features"][0]["shape"]["circles"]["at"][1] = json!([500.2, 50]);
    };
    refused(made("reading-bench/rail", aside), "cut into: rail");
}

#[test]
fn the_judge_refuses_a_pocket_too_deep() {
    let deeper =
        |job: &mut Value, _: &mut Value| job["parts"][2]["features"][1]["depth"] = json!(3.2);
    refused(made("reading-bench/rail", deeper), "cut into: ledge");
}

#[test]
fn the_judge_refuses_a_pocket_too_shallow() {
    let shallow =
        |job: &mut Value, _: &mut Value| job["parts"][2]["features"][1]["depth"] = json!(2.8);
    refused(
        made("reading-bench/rail", shallow),
        "feature missing: ledge",
    );
}

#[test]
fn the_judge_refuses_a_missing_feature() {
    let without = |job: &mut Value, _: &mut Value| {
        job["parts"][1]["features"][0]["shape"]["circles"]["at"]
            .as_array_mut()
            .unwrap()
            .pop();
    };
    refused(made("reading-bench/rail", without), "feature missing: rail");
}

#[test]
fn the_judge_refuses_a_feature_too_many() {
    let more = |job: &mut Value, _: &mut Value| {
        let at = job["parts"][1]["features"][0]["shape"]["circles"]["at"].as_array_mut();
        at.unwrap().push(json!([900, 50]));
    };
    refused(made("reading-bench/rail", more), "cut into: rail");
}

#[test]
fn the_judge_refuses_a_piece_too_many() {
    let more = |job: &mut Value, _: &mut Value| job["only"]["rail"] = json!(2);
    refused(
        made("reading-bench/rail", more),
        "count: rail is made 2 times",
    );
}

#[test]
fn the_judge_refuses_a_missing_piece_slow() {
    let fewer = |job: &mut Value, _: &mut Value| {
        job["drawings"][0]["parts"]["end/1"]["count"] = json!(1);
    };
    refused(
        made("reading-bench", fewer),
        "count: bench-end is made 1 times",
    );
}

#[test]
fn the_judge_refuses_a_missing_program() {
    let mut case = made("reading-bench/rail", unchanged);
    case.programs.pop();
    refused(case, "count: ledge is made 0 times");
}

#[test]
fn the_judge_refuses_a_program_that_is_there_twice() {
    let mut case = made("reading-bench/rail", unchanged);
    let (_, text) = case.programs[0].clone();
    let other = |t: &str| t.replace("board-1", "board-4").replace("01-", "04-");
    case.programs
        .push(("04-board-4.ngc".to_string(), other(&text)));
    refused(case, "count: rail is made 2 times");
}

/// The tenon of the bench's rail, which a joint makes.
fn rail_tenon(job: &mut Value) -> &mut Value {
    &mut job["joints"][2]["joint"]["mortise-and-tenon"]["tenon"]
}

#[test]
fn the_judge_refuses_a_tenon_too_wide() {
    let wide = |job: &mut Value, _: &mut Value| {
        rail_tenon(job)["width"] = json!(70.3);
    };
    refused(made("reading-bench/rail", wide), "wood left: rail");
}

#[test]
fn the_judge_refuses_a_tenon_too_narrow() {
    let narrow = |job: &mut Value, _: &mut Value| {
        rail_tenon(job)["width"] = json!(69.7);
    };
    refused(made("reading-bench/rail", narrow), "cut into: rail");
}

#[test]
fn the_judge_refuses_a_mortise_without_relief_slow() {
    let without = |job: &mut Value, _: &mut Value| {
        job["drawings"][0]["layers"][1]["relief"] = json!({ "kind": "none" });
        // Tenons with rounded edges go into it all the same.
        job["parts"][0]["eased"] = json!(3.2);
        job["parts"][1]["eased"] = json!(3.2);
    };
    refused(made("reading-bench", without), "relief missing: bench-end");
}

#[test]
fn the_judge_refuses_relief_into_a_cheek_slow() {
    let across = |job: &mut Value, _: &mut Value| {
        job["drawings"][0]["layers"][1]["relief"]["way"] = json!("into-long");
    };
    refused(made("reading-bench", across), "cut into: bench-end");
}

#[test]
fn the_judge_refuses_a_pocket_without_its_island() {
    let without = |job: &mut Value, _: &mut Value| {
        job["parts"][2]["features"][1]
            .as_object_mut()
            .unwrap()
            .remove("islands");
    };
    refused(made("reading-bench/rail", without), "cut into: ledge");
}

#[test]
fn the_judge_refuses_a_part_that_is_scaled() {
    let scaled = |job: &mut Value, _: &mut Value| {
        job["parts"][2]["blank"]["length"] = json!("36.02in");
    };
    refused(made("reading-bench/rail", scaled), "wood left: ledge");
}

#[test]
fn the_judge_refuses_a_cutter_of_another_diameter() {
    let thicker = |_: &mut Value, shop: &mut Value| {
        shop["cutters"]["mill-6"]["diameter"] = json!(6.2);
    };
    refused(made("reading-bench/rail", thicker), "unreadable: cutter");
}

#[test]
fn the_judge_refuses_a_wrong_cutter_called() {
    let other = edited("reading-bench/rail", 0, |lines| {
        for line in lines {
            *line = line.replace("T1 M6", "T2 M6").replace("G43 H1", "G43 H2");
        }
    });
    refused(other, "count: rail is made 0 times");
}

#[test]
fn the_judge_refuses_a_wrong_cutter_in_the_head() {
    let other = edited("step-stool", 0, |lines| {
        for line in lines {
            *line = line.replace("mill-quarter [number 1]", "mill-eighth [number 2]");
        }
    });
    refused(other, "unreadable");
}

#[test]
fn the_judge_refuses_the_wrong_side_of_a_contour_slow() {
    // The cutter goes round the slot as it would round a piece: farther out by its diameter.
    let outside = edited("reading-bench", 0, |lines| {
        let own = step(lines, "seat / slot-for-cards");
        let xs: Vec<f64> = lines[own.clone()]
            .iter()
            .filter(|l| !l.starts_with('('))
            .flat_map(|l| {
                l.split(' ')
                    .filter_map(|w| w.strip_prefix('X')?.parse().ok())
            })
            .collect();
        let middle = (xs.iter().fold(f64::MAX, |a, b| a.min(*b))
            + xs.iter().fold(0.0, |a: f64, b| a.max(*b)))
            / 2.0;
        for line in &mut lines[own] {
            *line = with_word(line, 'X', |x| if x > middle { x + 6.0 } else { x - 6.0 });
        }
    });
    refused(outside, "cut into: seat");
}

#[test]
fn the_judge_refuses_a_step_that_is_left_out() {
    let without = edited("reading-bench/rail", 0, |lines| {
        let own = step(lines, "rail / dowel.2");
        lines.drain(own.start - 1..own.end);
    });
    refused(without, "feature missing: rail");
}

#[test]
fn the_judge_refuses_an_outline_without_tabs() {
    let without = edited("reading-bench/rail", 0, |lines| {
        let from = lines
            .iter()
            .position(|l| l.contains("rail / outline"))
            .unwrap();
        for line in &mut lines[from..] {
            *line = with_word(line, 'Z', |z| if z < 6.0 { -0.3 } else { z });
        }
    });
    refused(without, "not held: rail");
}

#[test]
fn the_judge_refuses_an_outline_that_is_not_cut_through() {
    let shallow = edited("reading-bench/rail", 0, |lines| {
        for line in lines {
            *line = with_word(line, 'Z', |z| if z < 0.0 { 0.2 } else { z });
        }
    });
    refused(shallow, "wood left: rail");
}

#[test]
fn the_judge_refuses_a_cut_through_the_spoilboard() {
    let deep = edited("reading-bench/rail", 0, |lines| {
        for line in lines {
            *line = with_word(line, 'Z', |z| if z < 0.0 { -2.0 } else { z });
        }
    });
    refused(deep, "too deep");
}

#[test]
fn the_judge_refuses_a_piece_over_the_boards_edge() {
    let over = edited("reading-bench/rail", 0, |lines| {
        for line in lines {
            *line = with_word(line, 'X', |x| x + 300.0);
        }
    });
    refused(over, "board");
}

#[test]
fn the_judge_refuses_mirrored_texts() {
    let mirrored = edited("step-stool", 3, |lines| {
        for line in lines {
            *line = with_word(line, 'X', |x| 15.0 - x);
            *line = with_word(line, 'I', |i| -i);
            *line = match line.get(..3) {
                Some("G2 ") => line.replacen("G2", "G3", 1),
                Some("G3 ") => line.replacen("G3", "G2", 1),
                _ => continue,
            };
        }
    });
    refused(mirrored, "cut into: side");
}

#[test]
fn the_judge_refuses_a_rapid_through_wood() {
    let low = edited("reading-bench/rail", 0, |lines| {
        for line in lines {
            *line = with_word(line, 'Z', |z| if z > 30.0 { 20.0 } else { z });
        }
    });
    refused(low, "rapid into wood");
}

#[test]
fn the_judge_refuses_waste_that_nothing_holds_slow() {
    let loose = edited("reading-bench", 0, |lines| {
        lines.retain(|l| !l.contains("Drive"));
    });
    refused(loose, "not held: seat: the waste");
}

#[test]
fn the_judge_refuses_another_thickness_in_the_head() {
    let thick = edited("reading-bench/rail", 0, |lines| {
        for line in lines {
            *line = line.replace("21.9 to 22.1", "18.9 to 19.1");
        }
    });
    refused(thick, "head of a program");
}

#[test]
fn the_judge_refuses_other_pen_heights() {
    let low = edited("bench-template", 0, |lines| {
        lines[0] = lines[0].replace("down 2.517", "down 2.317");
    });
    refused(low, "cut into: bench-end");
}

#[test]
fn the_judge_refuses_lines_that_lie_elsewhere() {
    let aside = edited("step-stool", 1, |lines| {
        for line in lines {
            *line = with_word(line, 'X', |x| x + 0.01);
        }
    });
    refused(aside, "locating lines");
}

#[test]
fn the_judge_refuses_a_label_of_another_piece() {
    let other = edited("reading-bench/rail", 0, |lines| {
        for line in lines {
            *line = line.replace("rail / outline", "ledge / outline");
        }
    });
    refused(other, "label: board-1: rail");
}

#[test]
fn the_judge_refuses_a_blank_that_is_run_once_too_often() {
    let mut case = made("step-stool", unchanged);
    let blank = case.report["setups"].as_array_mut().unwrap().last_mut();
    blank.unwrap()["repeats"] = json!(3);
    refused(case, "count: side is made 3 times");
}

#[test]
fn the_judge_refuses_a_feature_on_the_wrong_side() {
    let face = |job: &mut Value, _: &mut Value| {
        job["parts"][0]["features"][3]["side"] = json!("face");
    };
    refused(made("card-index-cabinet", face), "cut into: side");
}

#[test]
fn the_judge_refuses_the_wrong_hand() {
    let other = |job: &mut Value, _: &mut Value| {
        job["parts"][0]["mirrored"] = json!(0);
        job["parts"][0]["count"] = json!(2);
    };
    refused(
        made("card-index-cabinet", other),
        "count: side~mirrored is made 0 times",
    );
}

#[test]
fn the_judge_refuses_a_sheet_that_turns_a_piece_otherwise() {
    let mut case = made("card-index-cabinet", unchanged);
    let mut setups = case.report["setups"].as_array_mut().unwrap().iter_mut();
    let side = setups.find(|s| s["turned"]["part"] == "side").unwrap();
    side["turned"]["over-end"] = json!(false);
    refused(case, "paper: turned");
}

#[test]
fn the_judge_refuses_a_sheet_with_a_screw_in_a_cut() {
    let mut case = made("reading-bench/rail", unchanged);
    case.report["setups"][0]["holds"][0]["at"] = json!([500, 177]);
    refused(case, "paper: holds");
}

#[test]
fn the_judge_refuses_a_sheet_with_another_place_of_a_piece() {
    let mut case = made("reading-bench/rail", unchanged);
    case.report["setups"][0]["placements"][0]["at"] = json!([31, 30]);
    refused(case, "paper: placements");
}

#[test]
fn the_judge_refuses_a_running_order_with_another_line() {
    let mut case = made("reading-bench/rail", unchanged);
    let list = case.lists.get_mut("running-order.csv").unwrap();
    *list = list.replacen("01-board-1.ngc,", "01-board-1.ngc,1", 1);
    refused(case, "paper: running order");
}

#[test]
fn the_judge_refuses_a_board_list_with_another_count() {
    let mut case = made("reading-bench/rail", unchanged);
    let list = case.lists.get_mut("boards.csv").unwrap();
    *list = list.replace("board-1,board,1", "board-1,board,2");
    refused(case, "paper: board list");
}

#[test]
fn the_judge_refuses_a_mortise_aside_in_an_edge() {
    let aside = |job: &mut Value, _: &mut Value| {
        job["parts"][2]["features"][1]["shape"]["rectangle"]["at"] = json!([80, 17.3]);
    };
    refused(made("card-index-cabinet", aside), "cut into: leg");
}
