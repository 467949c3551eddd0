//! Parts lists: what rows become, and what is said of rows that become nothing.

use super::help::{Dice, Fresh, example};
use grainway_pipeline::stage::{Cancel, Silent};
use grainway_runner::{MakeRequest, Registries, make};
use grainway_service::parts_list::{
    Column, ListJob, ListKind, ListOptions, RowProblem, read, read_options,
};
use grainway_stages::report::JobVerdict;
use serde_json::{Value, json};

pub(super) fn options(more: Value) -> ListOptions {
    let mut all = json!({ "format": "grainway.list/1", "shop": "shop.json" });
    for (key, value) in more.as_object().unwrap() {
        all[key] = value.clone();
    }
    read_options(&all).unwrap()
}

fn csv(text: &str, more: Value) -> Result<Vec<ListJob>, Vec<RowProblem>> {
    read(text.as_bytes(), ListKind::Text, "list", &options(more))
}

fn documents(jobs: &[ListJob]) -> Vec<Value> {
    jobs.iter()
        .map(|j| serde_json::from_slice(&j.document).unwrap())
        .collect()
}

fn places(problems: &[RowProblem]) -> Vec<(Option<u32>, Option<&str>, &str)> {
    problems
        .iter()
        .map(|p| (p.row, p.column.as_deref(), p.code))
        .collect()
}

const PLAIN: &str = "part,count,stock,length,width\nrail,2,ash-22,1000,100\n";

#[test]
fn a_row_is_a_part_of_the_job_document() {
    let text = "part,name,count,stock,length,width,tenon-left,tenon-right,holes,groove,rebates,laps,housings\n\
        rail,Stretcher rail,2,ash-22,1000,100,22 x 70,22 x 70 at 50,8 deep 14 at 200 x 50 and 500 x 50,12 leaving 6 at 50 from 60,10 deep 6 at far,50 leaving 9 at right; 20 deep 5 at 300,\"19,3\"\n";
    // A comma in a cell of a list separated by commas is in quotation marks, and no decimal mark.
    let wrong = csv(text, json!({})).unwrap_err();
    assert_eq!(places(&wrong), [(Some(2), Some("housings"), "bad-cell")]);
    let jobs = csv(
        &text.replace("\"19,3\"", "19.3 deep 9 at 400 from 20 to 80"),
        json!({}),
    )
    .unwrap();
    let wanted = json!({
        "format": "grainway.job/1", "name": "list", "unit": "mm", "shop": "shop.json",
        "parts": [{
            "id": "rail", "name": "Stretcher rail", "count": 2, "stock": "ash-22",
            "blank": { "length": 1000, "width": 100, "tenons": [
                { "end": "left", "length": 22, "width": 70 },
                { "end": "right", "length": 22, "width": 70, "offset": 15 },
            ] },
            "features": [
                { "kind": "hole", "shape": { "circles": { "at": [[200, 50], [500, 50]], "diameter": 8 } }, "depth": 14 },
                { "kind": "groove", "shape": { "along": { "at": 50, "width": 12, "from": 60 } }, "left": 6 },
                { "kind": "housing", "shape": { "across": { "at": 400, "width": 19.3, "from": 20, "to": 80 } }, "depth": 9 },
                { "kind": "rebate", "shape": { "at-edge": { "edge": "far", "width": 10 } }, "depth": 6 },
                { "kind": "lap", "shape": { "at-end": { "end": "right", "length": 50 } }, "left": 9 },
                { "kind": "lap", "shape": { "across": { "at": 300, "width": 20 } }, "depth": 5 },
            ],
        }],
    });
    assert_eq!(documents(&jobs), [wanted]);
    let again = csv(
        &text.replace("\"19,3\"", "19.3 deep 9 at 400 from 20 to 80"),
        json!({}),
    )
    .unwrap();
    assert_eq!(again, jobs);
}

#[test]
fn lists_are_read_in_every_encoding_and_with_every_separator() {
    let wanted = csv(
        "part,name,count,stock,length,width\nrail,Träger ½,2,ash-22,1000.5,100\n",
        json!({}),
    )
    .unwrap();
    let rows = "part;name;count;stock;length;width\r\nrail;Träger ½;2;ash-22;1000,5;100\r\n";
    let tabs = rows.replace(';', "\t").replace("1000,5", "1000.5");
    let utf16: Vec<u8> = [0xff, 0xfe]
        .into_iter()
        .chain(tabs.encode_utf16().flat_map(u16::to_le_bytes))
        .collect();
    let western: Vec<u8> = rows
        .chars()
        .map(|c| u8::try_from(u32::from(c)).unwrap())
        .collect();
    let marked = [b"\xef\xbb\xbf", rows.as_bytes()].concat();
    for (what, bytes) in [
        ("UTF-8", rows.as_bytes().to_vec()),
        ("with mark", marked),
        ("UTF-16", utf16),
        ("Windows-1252", western),
    ] {
        let jobs = read(&bytes, ListKind::Text, "list", &options(json!({})))
            .unwrap_or_else(|e| panic!("{what}: {e:?}"));
        assert_eq!(documents(&jobs), documents(&wanted), "{what}");
    }
    let pointed = "part;count;stock;length;width\nrail;2;ash-22;1.200;100\n";
    let wrong = csv(pointed, json!({})).unwrap_err();
    assert_eq!(places(&wrong), [(Some(2), Some("length"), "bad-cell")]);
    let jobs = csv(pointed, json!({ "decimal": "point" })).unwrap();
    assert_eq!(documents(&jobs)[0]["parts"][0]["blank"]["length"], 1.2);
}

#[test]
fn titles_comments_empty_rows_and_columns_left_out_are_passed_over() {
    let text = "Village library\n\n# a remark,of two cells\n,Part , Count,STOCK,Length (in),width,#price,\n\n,rail,2,ash-22,10,100,3.50,\n#,seat,1,ash-22,10,100,,\n,,,,,,7.00,sum\n,board,0,,,,,\n";
    let jobs = csv(text, json!({})).unwrap();
    let document = &documents(&jobs)[0];
    assert_eq!(document["parts"].as_array().unwrap().len(), 1);
    assert_eq!(document["parts"][0]["blank"]["length"], "10in");
    let place = jobs[0].place(&"/parts/0/blank/length/x".into()).unwrap();
    assert_eq!((place.row, place.column.as_str()), (6, "Length (in)"));
}

#[test]
fn headings_of_the_shops_own_and_what_holds_for_all_rows() {
    let text = "Bauteil;Stück;Länge;Breite\nrail;2;1000;100\n";
    let more = json!({
        "columns": { "Bauteil": "part", "stück": "count", "LÄNGE": "length", "Breite": "width" },
        "defaults": { "stock": "ash-22", "dimensioned": "yes" }, "machine": "router", "unit": "in",
        "stocks": { "ash-22": { "wood": "ash", "thickness": ["22mm"] } }, "settings": { "place": {} },
    });
    let document = &documents(&csv(text, more).unwrap())[0];
    assert_eq!(
        document["parts"][0]["blank"],
        json!({ "length": 1000, "width": 100, "dimensioned": true })
    );
    assert_eq!(
        (&document["machine"], &document["unit"]),
        (&json!("router"), &json!("in"))
    );
    assert_eq!(document["stocks"]["ash-22"]["wood"], "ash");
}

#[test]
fn a_column_divides_a_list_into_jobs() {
    let text = "job,part,stock,length,width\nbenches,rail,ash,100,50\nstools,rail,ash,100,50\nbenches,seat,ash,100,50\nBenches!,x,ash,100,50\n";
    let jobs = csv(text, json!({ "name": "May" })).unwrap();
    let told: Vec<(&str, &str, usize)> = jobs
        .iter()
        .zip(documents(&jobs))
        .map(|(j, d)| {
            (
                j.name.as_str(),
                j.document_name.as_str(),
                d["parts"].as_array().unwrap().len(),
            )
        })
        .collect();
    assert_eq!(
        told,
        [
            ("May, benches", "job-benches.json", 2),
            ("May, stools", "job-stools.json", 1),
            ("May, Benches!", "job-benches-2.json", 1)
        ]
    );
    let wrong = csv(
        "job,part,stock,length,width\nbenches,rail,ash,100,50\n,seat,ash,100,50\n",
        json!({}),
    )
    .unwrap_err();
    assert_eq!(places(&wrong), [(Some(3), Some("job"), "bad-cell")]);
}

#[test]
fn rows_that_name_drawings() {
    let rules = json!([{ "layer": "^outline$", "make": "outline", "depth": "through" }]);
    let more = json!({ "layers": rules, "drawings": { "rack.svg": { "layout": "as-drawn", "unit": "mm" } } });
    let whole = csv(
        "part,count,stock,drawing\nend,2,ash,bench-end.dxf\nrack,1,ash,rack.svg\n",
        more.clone(),
    )
    .unwrap();
    assert_eq!(whole[0].drawings, ["bench-end.dxf", "rack.svg"]);
    assert_eq!(
        documents(&whole)[0]["drawings"],
        json!([
            { "id": "end", "file": "bench-end.dxf", "stock": "ash", "layers": rules, "copies": 2 },
            { "id": "rack", "file": "rack.svg", "stock": "ash", "layers": rules, "layout": "as-drawn", "unit": "mm" },
        ])
    );
    assert!(documents(&whole)[0].get("only").is_none());

    let single = "part,name,count,stock,length,width,drawing,drawing-part,holes\n\
        left,Left,2,ash,,,rack.svg,1,5 through at 20 x 20\nright,,1,ash,,,rack.svg,2/3,\nrail,,3,ash,100,50,,,\n";
    let jobs = csv(single, more.clone()).unwrap();
    let document = &documents(&jobs)[0];
    let hole = json!([{ "kind": "hole", "shape": { "circle": { "at": [20, 20], "diameter": 5 } }, "depth": "through" }]);
    assert_eq!(
        document["drawings"][0]["parts"],
        json!({ "rack/1": { "id": "left", "name": "Left", "count": 2, "features": hole }, "rack-2/3": { "id": "right", "count": 1 } })
    );
    assert_eq!(
        document["only"],
        json!({ "left": 2, "right": 1, "rail": 3 })
    );
    let place = jobs[0].place(&"/drawings/0/parts/rack~11".into()).unwrap();
    assert_eq!((place.row, place.column.as_str()), (2, "drawing-part"));

    let mixed = csv(
        "part,stock,drawing,drawing-part\na,ash,rack.svg,1\nb,ash,rack.svg,\n",
        more.clone(),
    )
    .unwrap_err();
    assert_eq!(
        places(&mixed),
        [(Some(3), Some("drawing"), "whole-drawing")]
    );
    let wrong = "part,stock,length,drawing,drawing-part\na,ash,100,rack.svg,1\nb,ash,,../rack.svg,1\nc,ash,,rack.svg,x\nd,ash,,rack.svg,1\n";
    let wrong = csv(wrong, more).unwrap_err();
    assert_eq!(
        places(&wrong),
        [
            (Some(2), Some("length"), "bad-cell"),
            (Some(3), Some("drawing"), "bad-cell"),
            (Some(4), Some("drawing-part"), "bad-cell"),
            (Some(5), Some("drawing-part"), "bad-cell"),
        ]
    );
    let no_rules = csv("part,stock,drawing\na,ash,rack.svg\n", json!({})).unwrap_err();
    assert!(
        no_rules[0].message.contains("layers of rack.svg"),
        "{no_rules:?}"
    );
}

#[test]
fn all_mistakes_of_a_list_are_told_at_once_by_row_and_column() {
    let text = "Village library\npart,count,stock,lenght,width,quantity,holes,dimensioned\n\
        rail,two,ash,1000,100,,8 deap 14 at 20 x 20,maybe\n\
        rail,1,ash,1000,wide,,,\n\
        seat rail,1,,1000,100,,,\n\
        seat,1.5,ash,1000,-100,,,\n";
    let wrong = csv(text, json!({})).unwrap_err();
    let told = places(&wrong);
    for place in [
        (Some(2), Some("lenght"), "unknown-column"),
        (Some(2), Some("quantity"), "unknown-column"),
        (Some(2), None, "missing-column"),
        (Some(3), Some("count"), "bad-cell"),
        (Some(3), Some("holes"), "bad-cell"),
        (Some(3), Some("dimensioned"), "bad-cell"),
        (Some(4), Some("width"), "bad-cell"),
        (Some(5), Some("part"), "bad-cell"),
        (Some(5), Some("stock"), "missing-cell"),
        (Some(6), Some("count"), "bad-cell"),
    ] {
        assert!(told.contains(&place), "{place:?} is missing in {wrong:#?}");
    }
    let said = |row, column| {
        let found = wrong
            .iter()
            .find(|p| p.row == Some(row) && p.column.as_deref() == Some(column));
        found.unwrap().to_string()
    };
    assert!(
        said(2, "lenght").contains("\"length\""),
        "{}",
        said(2, "lenght")
    );
    assert!(said(2, "quantity").contains("\"count\""));
    assert!(said(3, "holes").contains("\"deep\""));
    assert!(said(5, "part").contains("seat-rail"));
    // With the heading right, what the document's own check finds has its row too.
    let text = text
        .replace("lenght", "length")
        .replace("quantity", "#")
        .replace("1.5", "2");
    let wrong = csv(&text, json!({})).unwrap_err();
    let told = places(&wrong);
    assert!(
        told.contains(&(Some(6), Some("width"), "bad-number")),
        "{wrong:#?}"
    );
    for problem in &wrong {
        assert!(!problem.message.is_empty() && !problem.remedy.is_empty());
        assert!(!problem.to_string().contains('\n'));
    }
}

#[test]
fn parts_named_twice_and_lists_without_headings_or_parts_are_refused() {
    let twice = csv(&format!("{PLAIN}rail,1,ash-22,10,10\n"), json!({})).unwrap_err();
    assert_eq!(places(&twice), [(Some(3), Some("part"), "bad-cell")]);
    assert!(twice[0].message.contains("Row 2"));
    for (text, code) in [
        ("", "no-headings"),
        ("rail,2,ash,10,10\n", "no-headings"),
        ("part,count,stock,length,width\n", "no-parts"),
        ("count,stock,length,width\n1,ash,2,3\n", "missing-column"),
        (
            "part,part,stock,length,width\na,b,ash,2,3\n",
            "repeated-column",
        ),
    ] {
        let wrong = csv(text, json!({})).unwrap_err();
        assert_eq!(wrong[0].code, code, "{text}: {wrong:?}");
    }
    let no_shop = read(
        PLAIN.as_bytes(),
        ListKind::Text,
        "list",
        &ListOptions::default(),
    )
    .unwrap_err();
    assert_eq!(no_shop[0].code, "no-shop");
}

#[test]
fn lists_beyond_the_limits_are_refused_and_large_ones_are_read() {
    let row = |i: u32| format!("rail-{i},1,ash,100,50\n");
    let mut text = "part,count,stock,length,width\n".to_string();
    text.extend((2..=20_000).map(row));
    let jobs = csv(&text, json!({})).unwrap();
    assert_eq!(
        documents(&jobs)[0]["parts"].as_array().unwrap().len(),
        19_999
    );
    let wrong = csv(&(text + &row(20_001)), json!({})).unwrap_err();
    assert_eq!(places(&wrong), [(Some(20_001), None, "list-too-large")]);
    let wide = format!("{}{}x\n", PLAIN, ",".repeat(256));
    assert_eq!(
        places(&csv(&wide, json!({})).unwrap_err()),
        [(Some(3), Some("IW"), "list-too-large")]
    );
    let long = format!("{PLAIN}{},1,ash,10,10\n", "x".repeat(5000));
    assert_eq!(csv(&long, json!({})).unwrap_err()[0].code, "list-too-large");
    let many = format!(
        "part,count,stock,length,width\n{}",
        "x,y,z,a,b\n".repeat(2000)
    );
    let wrong = csv(&many, json!({})).unwrap_err();
    assert!(wrong.len() <= 401, "{}", wrong.len());
    assert!(wrong.iter().any(|p| p.code == "more-problems"));
}

/// The `csv` crate as reference: cells of seeded texts, quotation marks and line ends included.
#[test]
fn cells_are_those_of_a_reader_in_use() {
    let pieces = [
        "a",
        " b ",
        "\"x,y\"",
        "\"say \"\"so\"\"\"",
        "\"two\nlines\"",
        "",
        "1.5",
        "é½",
        "\"\"",
        "c\"d",
    ];
    let mut dice = Dice(7);
    let mut next = |n: usize| dice.roll(n as u64) as usize;
    for _ in 0..2000 {
        // Every row has a part, so that both see the same rows; its cells come back in the name.
        let (width, rows) = (1 + next(4), 1 + next(5));
        let mut text = "part,stock,length,width,name\n".to_string();
        for row in 0..rows {
            let cells: Vec<&str> = (0..width).map(|_| pieces[next(pieces.len())]).collect();
            let name = cells[0];
            text.push_str(&format!(
                "p{row},ash,10,10,{name}{}",
                ["\n", "\r\n"][next(2)]
            ));
        }
        let mut reference = csv::ReaderBuilder::new()
            .flexible(true)
            .from_reader(text.as_bytes());
        let wanted: Vec<Option<String>> = reference
            .records()
            .map(|r| {
                let r = r.unwrap();
                let name = r.get(4).unwrap_or_default();
                let words: Vec<&str> = name.split_whitespace().collect();
                (!words.is_empty()).then(|| words.join(" "))
            })
            .collect();
        let jobs = self::csv(&text, json!({})).unwrap();
        let parts = documents(&jobs)[0]["parts"].as_array().unwrap().clone();
        let names: Vec<Option<String>> = parts
            .iter()
            .map(|p| p["name"].as_str().map(str::to_string))
            .collect();
        assert_eq!(names, wanted, "{text:?}");
    }
}

/// How many changes a test makes; GRAINWAY_CHANGES has it make more.
pub(super) fn changes(usual: u32) -> u32 {
    std::env::var("GRAINWAY_CHANGES").map_or(usual, |n| n.parse().unwrap())
}

#[test]
fn damaged_texts_are_never_a_panic() {
    let text = std::fs::read(example("from-a-sheet").join("card-index-cabinet.csv")).unwrap();
    let mut dice = Dice(11);
    let mut next = |n: usize| dice.roll(n as u64) as usize;
    let (mut good, mut refused) = (0, 0);
    for _ in 0..changes(3000) {
        let mut bytes = text.clone();
        for _ in 0..1 + next(6) {
            if bytes.len() < 50 {
                break;
            }
            let at = next(bytes.len());
            match next(4) {
                0 => bytes[at] = next(256) as u8,
                1 => drop(bytes.drain(at..(at + next(40)).min(bytes.len()))),
                2 => bytes.insert(at, b"\"\0,;\n\r#xat."[next(11)]),
                _ => bytes.truncate(at.max(20)),
            }
        }
        match read(&bytes, ListKind::Text, "list", &options(json!({}))) {
            Ok(_) => good += 1,
            Err(problems) => {
                assert!(!problems.is_empty());
                refused += 1;
            }
        }
    }
    assert!(good > 50 && refused > 500, "{good} {refused}");
}

/// The sample list, made as the command makes jobs: its programs pass.
#[test]
fn the_sample_list_is_ready_slow() {
    let folder = example("from-a-sheet");
    let text = std::fs::read(folder.join("card-index-cabinet.csv")).unwrap();
    let told = std::fs::read(folder.join("card-index-cabinet.json")).unwrap();
    let told = read_options(&serde_json::from_slice(&told).unwrap()).unwrap();
    let jobs = read(&text, ListKind::Text, "list", &told).unwrap();
    assert_eq!(jobs.len(), 2);
    let fresh = Fresh::new();
    std::fs::copy(folder.join("shop.json"), fresh.join("shop.json")).unwrap();
    for job in jobs {
        std::fs::write(fresh.join(&job.document_name), &job.document).unwrap();
        let request = MakeRequest {
            job: fresh.join(&job.document_name),
            out: Some(fresh.join(format!("out-{}", job.document_name))),
            ..MakeRequest::default()
        };
        let built_in = Registries::built_in();
        let made = make(&request, &built_in, &Silent, &Cancel::default()).unwrap();
        assert_eq!(
            made.report.verdict,
            JobVerdict::Ready,
            "{:?}",
            made.report.findings
        );
    }
}

/// The page about lists says what the code reads: every column, with its example.
#[test]
fn the_page_names_every_column_with_its_example() {
    let page = std::fs::read_to_string(
        std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("../../docs/parts-list.md"),
    )
    .unwrap();
    for column in Column::ALL {
        let row = format!("| `{}` | `{}` |", column.word(), column.example());
        assert!(page.contains(&row), "{row}");
    }
}

/// The options name lengths and set readings; cells, layer rules and settings count on them.
#[test]
fn cells_count_on_named_lengths_and_readings() {
    let text = "part,stock,length,width\nrail,ash-22,bench - 2 * inset,stock.ash-22 * 4\nseat,ash-22,1000,\"max(inset, 300)\"\n";
    let with = |thickness: f64| {
        json!({
            "lengths": { "bench": "40in", "inset": 30 }, "settings": { "place": { "margin": "inset / 2" } },
            "layers": [{ "layer": "^p$", "make": "pocket", "depth": "stock.ash-22 / 3" }],
            "stocks": { "ash-22": { "wood": "ash", "thickness": [thickness] } }
        })
    };
    for (thickness, width) in [(22.0, 88.0), (21.7, 86.8)] {
        let jobs = csv(text, with(thickness)).unwrap();
        let job = grainway_pipeline::doc::read_job(&jobs[0].document).unwrap();
        let size = |i: usize| {
            let blank = job.parts[i].blank.as_ref().unwrap();
            (blank.length.mm(), blank.width.mm())
        };
        assert_eq!((size(0), size(1)), ((956.0, width), (1000.0, 300.0)));
    }
    // A stock of the shop is looked for when the job is handed in.
    let jobs = csv(text, json!({ "lengths": { "bench": "40in", "inset": 30 } })).unwrap();
    assert_eq!(
        documents(&jobs)[0]["parts"][0]["blank"]["width"],
        "stock.ash-22 * 4"
    );
    let wrong = csv(&text.replace("- 2", "* bench - 2"), with(22.0)).unwrap_err();
    assert_eq!(places(&wrong), [(Some(2), Some("length"), "bad-cell")]);
    let wrong = read_options(&json!({ "format": "grainway.list/1", "lengths": { "a": "b + 1" } }));
    assert_eq!(wrong.unwrap_err()[0].pointer, "/lengths/a");
}

/// `sets` of a job stand in one of its rows, in all of them, or in the options for the whole list.
#[test]
fn a_job_is_made_so_many_times_as_its_rows_say() {
    let text = "job,sets,part,stock,length,width\nbench,12,seat,ash-22,1000,340\nbench,,rail,ash-22,1000,100\nstool,,top,ash-22,300,300\n";
    let sets = |text: &str, more: Value| -> Vec<Value> {
        let jobs = csv(text, more).unwrap();
        documents(&jobs).iter().map(|d| d["sets"].clone()).collect()
    };
    assert_eq!(sets(text, json!({})), [json!(12), Value::Null]);
    let defaults = json!({ "defaults": { "sets": "3" } });
    assert_eq!(
        sets(&text.replace(",12,", ",,"), defaults),
        [json!(3), json!(3)]
    );
    for cell in ["0", "1.5", "many", "10001"] {
        let wrong = csv(&text.replace(",12,", &format!(",{cell},")), json!({})).unwrap_err();
        assert_eq!(
            places(&wrong),
            [(Some(2), Some("sets"), "bad-cell")],
            "{cell}"
        );
    }
    let wrong = csv(&text.replace("bench,,", "bench,11,"), json!({})).unwrap_err();
    assert_eq!(places(&wrong), [(Some(3), Some("sets"), "bad-cell")]);
    assert!(wrong[0].message.contains("row 2 for 12"), "{wrong:?}");
}
