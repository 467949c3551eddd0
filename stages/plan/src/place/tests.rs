use super::*;
use crate::trial::{errors, job, made, shop, with_code};
use serde_json::json;

fn rail(id: &str, count: u32, length: f64, width: f64) -> serde_json::Value {
    json!({ "id": id, "count": count, "stock": "wood", "blank": { "length": length, "width": width } })
}

fn boxes(work: &Work, setup: &Setup) -> Vec<Bounds> {
    setup
        .placements
        .iter()
        .map(|p| {
            work.variant(&p.variant)
                .unwrap()
                .outline
                .placed(&p.placing)
                .bounds()
        })
        .collect()
}

#[test]
fn every_copy_is_laid_once_and_apart() {
    let mut s = shop("bed", &[12.0]);
    s["stocks"]["wood"]["boards"] =
        json!([{ "id": "b", "length": 1000, "width": 450, "count": 3 }]);
    let j = job(json!([
        rail("long", 3, 700.0, 60.0),
        rail("short", 7, 200.0, 110.0),
        rail("slat", 9, 310.0, 35.0)
    ]));
    let work = made(&j, &s);
    assert_eq!(errors(&work), Vec::<String>::new());
    let mut names: Vec<&str> = work
        .setups
        .iter()
        .flat_map(|s| s.placements.iter().map(|p| p.piece.as_str()))
        .collect();
    names.sort_unstable();
    assert_eq!(names.len(), 19);
    names.dedup();
    assert_eq!(names.len(), 19);
    assert!(names.contains(&"slat") && names.contains(&"slat#9"));
    for (k, setup) in work.setups.iter().enumerate() {
        assert_eq!(setup.id, format!("board-{}", k + 1));
        let all = boxes(&work, setup);
        for (i, a) in all.iter().enumerate() {
            // Ends unused by 30 mm; a waste frame of at least 12 mm along the sides.
            assert!(a.min.x >= 30.0 - 1e-9 && a.max.x <= 970.0 + 1e-9);
            assert!(a.min.y >= 18.0 && a.max.y <= 450.0 - 18.0);
            for b in &all[i + 1..] {
                // Two kerfs of at least 6 mm and 12 mm of waste between neighbours.
                assert!(!a.grown(23.9).touches(*b), "{a:?} {b:?}");
            }
        }
    }
}

#[test]
fn the_grain_runs_along_x() {
    let work = made(
        &job(json!([rail("long", 2, 400.0, 60.0)])),
        &shop("bed", &[12.0]),
    );
    for b in boxes(&work, &work.setups[0]) {
        assert!((b.width() - 400.0).abs() < 1e-9);
    }
    // 700 mm along the grain do not fit across a board of 450, nor along one of 600.
    let mut s = shop("bed", &[12.0]);
    s["stocks"]["wood"]["boards"] = json!([{ "id": "b", "length": 600, "width": 900 }]);
    let work = made(&job(json!([rail("long", 1, 700.0, 60.0)])), &s);
    assert_eq!(
        with_code(&work, "part-too-large").len(),
        1,
        "{:?}",
        work.findings
    );
    assert!(work.setups.is_empty());
}

#[test]
fn boards_that_run_out_are_named_with_what_is_missing() {
    let work = made(
        &job(json!([rail("panel", 5, 430.0, 180.0)])),
        &shop("bed", &[12.0]),
    );
    let short = with_code(&work, "boards-short");
    assert_eq!(short.len(), 1, "{:?}", work.findings);
    // Two rows of two on the one board; one of 430 × 180 mm, 0.077 m², is left.
    assert!(short[0].message.contains("1 of 5") && short[0].message.contains("1 × panel"));
    assert!(short[0].message.contains("0.077"), "{}", short[0].message);
    assert_eq!(work.setups[0].placements.len(), 4);
}

#[test]
fn the_travel_limits_what_a_board_takes() {
    let mut s = shop("bed", &[12.0]);
    s["machines"]["router"]["travel"] = json!([500, 400, 120]);
    let j = job(json!([rail("a", 2, 400.0, 60.0)]));
    let work = made(&j, &s);
    assert_eq!(errors(&work), Vec::<String>::new());
    for b in boxes(&work, &work.setups[0]) {
        assert!(b.max.x + 3.0 <= 500.0 + 1e-9, "{b:?}");
    }
    let work = made(&job(json!([rail("a", 1, 480.0, 60.0)])), &s);
    assert_eq!(with_code(&work, "part-too-large").len(), 1);
}

#[test]
fn equal_blanks_share_a_setup_against_stops() {
    let j = job(json!([{ "id": "side", "count": 4, "stock": "wood",
        "blank": { "length": 380, "width": 220, "dimensioned": true },
        "features": [{ "id": "h", "kind": "cutout", "shape": { "rectangle": { "at": [150, 80], "size": [90, 60], "corner": 6 } } }] }]));
    let work = made(&j, &shop("top", &[19.0]));
    assert_eq!(errors(&work), Vec::<String>::new());
    let setup = &work.setups[0];
    assert_eq!(
        (setup.id.as_str(), setup.kind, setup.repeats),
        ("blank-1", SetupKind::Blank, 4)
    );
    assert_eq!(setup.placements.len(), 1);
    let kinds = |k| setup.holds.iter().filter(|h| h.kind == k).count();
    use grainway_pipeline::work::HoldKind;
    assert_eq!(kinds(HoldKind::Stop), 3);
    assert!(kinds(HoldKind::Clamp) >= 2);
    for h in &setup.holds {
        match h.kind {
            // Stops touch the near or the left edge.
            HoldKind::Stop => {
                assert!(
                    (h.at.x + h.head_radius).abs() < 1e-9 || (h.at.y + h.head_radius).abs() < 1e-9
                );
            }
            HoldKind::Clamp => assert!(setup.safe_z >= h.head_above + 5.0),
            _ => {}
        }
    }
}

fn side(count: u32) -> serde_json::Value {
    json!({ "id": "side", "count": count, "stock": "wood",
        "blank": { "length": 380, "width": 220, "dimensioned": true } })
}

fn in_lines(parts: serde_json::Value) -> serde_json::Value {
    let mut j = job(parts);
    j["settings"] = json!({ "place": { "locate": "lines" } });
    j
}

#[test]
fn blanks_of_a_size_lie_in_one_line_that_is_cut_before_them() {
    let mut back = side(3);
    back["id"] = json!("back");
    let mut rail = side(1);
    rail["id"] = json!("rail");
    rail["blank"]["width"] = json!(60);
    let j = in_lines(json!([side(2), rail, back]));
    for zero in ["bed", "top"] {
        let work = made(&j, &shop(zero, &[19.0]));
        assert_eq!(errors(&work), Vec::<String>::new());
        let order: Vec<(&str, Option<&str>)> = work
            .setups
            .iter()
            .map(|s| (s.id.as_str(), s.lines.as_deref()))
            .collect();
        assert_eq!(
            order,
            [
                ("lines-1", None),
                ("blank-1", Some("lines-1")),
                ("blank-3", Some("lines-1")),
                ("lines-2", None),
                ("blank-2", Some("lines-2"))
            ]
        );
        let lines = &work.setups[0];
        assert_eq!(lines.kind, SetupKind::Lines);
        assert!(lines.placements.is_empty() && lines.holds.is_empty());
        // Zero is on the spoilboard whatever the machine has, and 1/16 in goes into it.
        let step = &lines.own_steps[0];
        assert!((step.lowest + 25.4 / 16.0).abs() < 1e-12, "{}", step.lowest);
        for blank in [&work.setups[1], &work.setups[2]] {
            use grainway_pipeline::work::HoldKind;
            assert!(blank.own_steps.is_empty());
            assert!(blank.holds.iter().all(|h| h.kind == HoldKind::Clamp));
            assert!(blank.holds.iter().all(|h| h.after_pause.is_none()));
        }
    }
}

/// The places at which the lines' cutter is down.
fn line_path(work: &Work) -> Vec<Point> {
    let step = &work.setups[0].own_steps[0];
    work.moves(&step.moves)
        .iter()
        .filter_map(|m| match m {
            Move::Line { to, .. } => Some(to.xy()),
            _ => None,
        })
        .collect()
}

#[test]
fn the_inner_wall_of_a_line_is_the_edge_of_the_blank() {
    let j = in_lines(json!([side(1)]));
    let mut s = shop("top", &[19.0]);
    // A cutter of 6 mm runs 3 mm outside, all round where the machine reaches it.
    let work = made(&j, &s);
    let r = 3.0;
    let round = [
        (-r, -r),
        (380.0 + r, -r),
        (380.0 + r, 220.0 + r),
        (-r, 220.0 + r),
        (-r, -r),
    ];
    assert_eq!(line_path(&work), round.map(|(x, y)| point(x, y)));
    // One millimetre of travel less than that, and the near and left sides must do.
    s["machines"]["router"]["travel"] = json!([385, 900, 120]);
    let work = made(&j, &s);
    assert_eq!(errors(&work), Vec::<String>::new());
    assert_eq!(
        line_path(&work),
        [(-r, 200.0), (-r, -r), (360.0, -r)].map(|(x, y)| point(x, y))
    );
}

#[test]
fn locating_lines_need_a_cutter_that_plunges() {
    let mut s = shop("top", &[19.0]);
    s["cutters"]["mill"]["centre-cutting"] = json!(false);
    let work = made(&in_lines(json!([side(1)])), &s);
    assert_eq!(with_code(&work, "lines-need-cutter").len(), 1);
    let blank = &work.setups[0];
    assert_eq!((blank.id.as_str(), &blank.lines), ("blank-1", &None));
    use grainway_pipeline::work::HoldKind;
    assert!(blank.holds.iter().any(|h| h.kind == HoldKind::Stop));
}

#[test]
fn locating_lines_leave_wood_of_the_spoilboard() {
    let mut s = shop("bed", &[19.0]);
    s["machines"]["router"]["spoilboard"] = json!(4.5);
    let work = made(&in_lines(json!([side(1)])), &s);
    assert_eq!(with_code(&work, "spoilboard-thin").len(), 1);
}

/// Parts as a drawing would have left them.
fn drawn(gap: f64, board: Option<[f64; 2]>) -> Work {
    let mut j = job(json!([
        rail("a", 1, 200.0, 100.0),
        rail("b", 1, 200.0, 100.0)
    ]));
    let mut layout =
        json!({ "id": "d", "file": "d.dxf", "stock": "wood", "layout": "as-drawn", "layers": [] });
    if let Some([l, w]) = board {
        layout["board"] = json!({ "length": l, "width": w });
    }
    j["chain"] = json!([
        "drawing", "fit", "relief", "mark", "drill", "pocket", "profile"
    ]);
    let mut work = made(&j, &shop("bed", &[12.0]));
    work.documents.job.drawings = vec![serde_json::from_value(layout).unwrap()];
    for (k, part) in work.parts.iter_mut().enumerate() {
        part.as_drawn = true;
        part.source.drawing = Some("d".to_string());
        part.source.sheet = 1;
        part.source.at = point(1000.0 + (200.0 + gap) * k as f64, 500.0);
    }
    work.documents.job.chain = Some(vec!["place".to_string()]);
    crate::trial::run(&mut work);
    work
}

#[test]
fn drawn_parts_keep_their_places() {
    let work = drawn(31.5, None);
    assert_eq!(errors(&work), Vec::<String>::new());
    let setup = &work.setups[0];
    let all = boxes(&work, setup);
    assert_eq!(all[0].min, point(30.0, 30.0));
    assert!((all[1].min.x - all[0].max.x - 31.5).abs() < 1e-9);
    assert!((setup.size.x - 491.5).abs() < 1e-9 && (setup.size.y - 160.0).abs() < 1e-9);
}

#[test]
fn drawn_parts_too_near_or_off_the_board_are_named() {
    let near = drawn(4.0, None);
    let found = with_code(&near, "parts-too-close");
    assert_eq!(found.len(), 1, "{:?}", near.findings);
    assert!(
        found[0].message.contains("4.00 mm apart"),
        "{}",
        found[0].message
    );
    let over = drawn(-50.0, None);
    assert_eq!(with_code(&over, "parts-too-close").len(), 1);
    let small = drawn(31.5, Some([400.0, 160.0]));
    assert_eq!(
        with_code(&small, "part-too-large").len(),
        2,
        "{:?}",
        small.findings
    );
}

#[test]
fn stops_without_room_are_named() {
    // As if housings ran out over the near edge from end to end.
    let j = job(
        json!([{ "id": "side", "stock": "wood", "blank": { "length": 100, "width": 220, "dimensioned": true } }]),
    );
    let mut j = j;
    j["chain"] = json!([
        "drawing", "fit", "relief", "mark", "drill", "pocket", "profile"
    ]);
    let mut work = made(&j, &shop("bed", &[19.0]));
    let moves = [
        Move::rapid(point(-10.0, 0.0).at_z(30.0)),
        Move::line(point(-10.0, 0.0).at_z(10.0), 100.0),
        Move::line(point(110.0, 0.0).at_z(10.0), 100.0),
    ];
    let id = work.blobs.put_moves(&moves);
    work.variants[0]
        .steps
        .push(grainway_pipeline::work::Workingstep {
            stage: "profile".to_string(),
            feature: "h".to_string(),
            operation: grainway_pipeline::work::Operation::Clear,
            cutter: "mill".to_string(),
            rpm: 18_000.0,
            feed: 100.0,
            plunge: 100.0,
            lowest: 10.0,
            moves: id,
            profile: None,
        });
    work.documents.job.chain = Some(vec!["place".to_string()]);
    crate::trial::run(&mut work);
    assert_eq!(with_code(&work, "no-room-for-stops").len(), 1);
}
