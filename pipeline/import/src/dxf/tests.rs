use super::read;
use crate::entity::{Entity, Refusal, What};
use grainway_geom::{Contour, Segment, point};
use grainway_pipeline::doc::Unit;

/// A file of these entities, each a list of "code value" words; values hold no blanks.
fn file(header: &str, tables: &str, blocks: &str, entities: &str) -> String {
    let section = |name: &str, words: &str| format!("0 SECTION 2 {name} {words} 0 ENDSEC ");
    let all = format!(
        "{}{}{}{}0 EOF",
        section("HEADER", header),
        section("TABLES", tables),
        section("BLOCKS", blocks),
        section("ENTITIES", entities)
    );
    let words: Vec<&str> = all.split_whitespace().collect();
    words
        .chunks(2)
        .map(|w| format!("{}\n{}\n", w[0], w[1]))
        .collect()
}

const MM: &str = "9 $INSUNITS 70 4";

fn entities(blocks: &str, entities: &str) -> Vec<Entity> {
    read(file(MM, "", blocks, entities).as_bytes(), None)
        .unwrap()
        .entities
}

fn contour(e: &Entity) -> Contour {
    let What::Run(run) = &e.what else {
        panic!("{e:?}")
    };
    Contour::from_segments(&run.segments, run.closed)
}

fn only_arc(e: &Entity) -> Segment {
    let What::Run(run) = &e.what else {
        panic!("{e:?}")
    };
    assert_eq!(run.segments.len(), 1);
    run.segments[0]
}

#[test]
fn bulges_of_the_reference() {
    // docs/references.md, section DXF.
    let found = entities(
        "",
        "0 LWPOLYLINE 8 a 90 2 70 0 10 0 20 0 42 1 10 10 20 0
         0 LWPOLYLINE 8 a 90 2 70 0 10 0 20 0 42 -0.414213562 10 10 20 0
         0 LWPOLYLINE 8 a 90 2 70 1 10 0 20 0 42 1 10 20 20 0 42 1
         0 LWPOLYLINE 8 a 90 8 70 1 10 10 20 0 10 90 20 0 42 0.414213562373 10 100 20 10 10 100 20 40 42 0.414213562373
           10 90 20 50 10 10 20 50 42 0.414213562373 10 0 20 40 10 0 20 10 42 0.414213562373",
    );
    let Segment::Arc { centre, radius, .. } = only_arc(&found[0]) else {
        panic!()
    };
    assert!(centre.distance(point(5.0, 0.0)) < 1e-9 && (radius - 5.0).abs() < 1e-9);
    assert!(only_arc(&found[0]).at(0.5).distance(point(5.0, -5.0)) < 1e-9);
    let Segment::Arc { centre, radius, .. } = only_arc(&found[1]) else {
        panic!()
    };
    assert!(centre.distance(point(5.0, -5.0)) < 1e-6 && (radius - 7.071_068).abs() < 1e-6);
    assert!(only_arc(&found[1]).at(0.5).distance(point(5.0, 2.071_068)) < 1e-6);
    assert!((contour(&found[2]).area() - 314.159_265).abs() < 1e-6);
    assert!((contour(&found[3]).area() - 4_914.159_265).abs() < 1e-6);
    assert!((contour(&found[3]).length() - 282.831_853).abs() < 1e-6);
}

#[test]
fn extrusion_downwards_mirrors() {
    // docs/references.md, section DXF: ARC c (10,5) r 3, 0° to 90°, extrusion (0,0,−1): centre (−10,5), ends (−10,8) and (−13,5).
    let found = entities(
        "",
        "0 ARC 8 a 10 10 20 5 30 0 40 3 50 0 51 90 210 0 220 0 230 -1
         0 LWPOLYLINE 8 a 90 2 70 0 10 0 20 0 42 1 10 10 20 0 210 0 220 0 230 -1",
    );
    let s = only_arc(&found[0]);
    let Segment::Arc { centre, sweep, .. } = s else {
        panic!()
    };
    assert!(centre.distance(point(-10.0, 5.0)) < 1e-9);
    assert!(
        s.start().distance(point(-13.0, 5.0)) < 1e-9 && s.end().distance(point(-10.0, 8.0)) < 1e-9
    );
    assert!(
        (sweep + std::f64::consts::FRAC_PI_2).abs() < 1e-9,
        "seen from above it runs clockwise: {sweep}"
    );
    // The bulge's sign flips: the arc from (0,0) to (−10,0) still passes below.
    assert!(only_arc(&found[1]).at(0.5).distance(point(-5.0, -5.0)) < 1e-9);
}

#[test]
fn insertions() {
    let block = "0 BLOCK 2 part 10 1 20 1 30 0 0 CIRCLE 8 0 10 3 20 1 40 1 0 LINE 8 own 10 1 20 1 11 2 21 1 0 ENDBLK
                 0 BLOCK 2 pair 10 0 20 0 30 0 0 INSERT 8 0 2 PART 10 0 20 0 41 -1 42 1 0 ENDBLK";
    let found = entities(
        block,
        "0 INSERT 8 a 2 part 10 100 20 50 41 2 42 2 50 90 70 2 71 1 44 10
         0 INSERT 8 a 2 pair 10 0 20 0
         0 INSERT 8 a 2 part 10 0 20 0 41 3 42 1
         0 INSERT 8 a 2 none 10 0 20 0",
    );
    let kinds: Vec<(&str, &str)> = found
        .iter()
        .map(|e| (e.kind.as_ref(), e.layer.as_ref()))
        .collect();
    let expected = [
        ("CIRCLE", "a"),
        ("LINE", "own"),
        ("CIRCLE", "a"),
        ("LINE", "own"),
        ("INSERT", "a"),
        ("CIRCLE", "a"),
        ("LINE", "own"),
        ("INSERT", "a"),
        ("INSERT", "a"),
        ("CIRCLE", "a"),
        ("LINE", "own"),
        ("INSERT", "a"),
        ("INSERT", "a"),
    ];
    assert_eq!(kinds, expected);
    // insertion + Rot(90°)·(2·((3,1) − (1,1)) + (10·column, 0)): (100, 54), next column (100, 64), r 2. Spacing is not scaled.
    let centre = |e: &Entity| {
        let c = contour(e);
        (c.bounds().centre(), c.bounds().width() / 2.0)
    };
    let (c, r) = centre(&found[0]);
    assert!(c.distance(point(100.0, 54.0)) < 1e-9 && (r - 2.0).abs() < 1e-9);
    assert!(centre(&found[2]).0.distance(point(100.0, 64.0)) < 1e-9);
    // Mirrored and nested: (3,1) − base (1,1) → (2,0) → (−2,0).
    assert!(centre(&found[5]).0.distance(point(-2.0, 0.0)) < 1e-9);
    // Stretched: a circle becomes an ellipse of 3 and 1, area 3π.
    assert!((contour(&found[9]).area().abs() - 3.0 * std::f64::consts::PI).abs() < 0.1);
    assert!(matches!(&found[12].what, What::Broken(why) if why.contains("none")));
}

#[test]
fn a_turned_insertion_in_a_stretched_one_is_sheared() {
    let blocks = "0 BLOCK 2 hinge 10 5 20 3 0 LINE 8 a 10 0 20 0 11 20 21 8 0 CIRCLE 8 a 10 5 20 3 40 10 0 ENDBLK
        0 BLOCK 2 pair 10 -2 20 1 0 INSERT 8 a 2 hinge 10 10 20 0 41 -1 50 30 0 ENDBLK";
    let found = entities(
        blocks,
        "0 INSERT 8 a 2 pair 10 0 20 350 41 1.3 42 0.8 210 0 220 0 230 -1",
    );
    // By hand: (0,0) − base → (−5,−3) → mirrored (5,−3) → turned (5.830127, −0.098076) → + (10,0) − base (−2,1) = (17.830127,
    // −1.098076) → stretched (23.179165, −0.878461) → + (0,350), x turned round: (−23.179165, 349.121539). (20,8) likewise.
    let What::Run(run) = &found[0].what else {
        panic!()
    };
    assert!(
        run.segments[0]
            .start()
            .distance(point(-23.179_165, 349.121_539))
            < 1e-6
    );
    assert!(
        run.segments[0]
            .end()
            .distance(point(4.537_495, 346.664_102))
            < 1e-6
    );
    // The circle's area is scaled by the two factors: 1.3 · 0.8 · 100π.
    assert!((contour(&found[1]).area().abs() - 104.0 * std::f64::consts::PI).abs() < 0.7);
}

#[test]
fn blocks_in_themselves_and_bombs() {
    let found = entities(
        "0 BLOCK 2 a 10 0 20 0 0 INSERT 8 0 2 a 10 0 20 0 0 ENDBLK",
        "0 INSERT 8 l 2 a 10 0 20 0",
    );
    assert!(matches!(&found[0].what, What::Broken(why) if why.contains("itself")));
    let nest = |n: usize| {
        format!(
            "0 BLOCK 2 b{n} 10 0 20 0 0 INSERT 8 0 2 b{} 10 0 20 0 70 100 71 100 44 1 45 1 0 ENDBLK ",
            n + 1
        )
    };
    let blocks: String = (0..10).map(nest).collect::<String>()
        + "0 BLOCK 2 b10 10 0 20 0 0 LINE 8 0 10 0 20 0 11 1 21 1 0 ENDBLK";
    let bomb = file(MM, "", &blocks, "0 INSERT 8 l 2 b0 10 0 20 0");
    assert!(
        matches!(read(bomb.as_bytes(), None), Err(Refusal::Damaged(why)) if why.contains("entities"))
    );
}

#[test]
fn what_the_format_leaves_out_and_what_is_not_cut() {
    let tables = "0 TABLE 2 LAYER 0 LAYER 2 cold 70 1 62 7 0 LAYER 2 dark 70 0 62 -3 0 LAYER 2 lit 70 4 62 3 0 ENDTAB";
    let blocks = "0 BLOCK 2 b 10 0 20 0 0 LINE 8 lit 10 0 20 0 11 1 21 0 0 LINE 8 0 10 0 20 0 11 1 21 0 0 ENDBLK
                  0 BLOCK 2 *Paper_Space0 10 0 20 0 0 LINE 8 lit 10 0 20 0 11 1 21 0 0 ENDBLK";
    let words = "0 LINE 8 Cold 10 0 20 0 11 1 21 0 0 LINE 8 DARK 10 0 20 0 11 1 21 0 0 LINE 8 lit 10 0 20 0 11 1 21 0
        0 LINE 8 lit 67 1 10 0 20 0 11 1 21 0 0 INSERT 8 cold 2 b 10 0 20 0 0 INSERT 8 dark 2 b 10 0 20 0
        0 TEXT 8 lit 10 4 20 5 1 words 0 HATCH 8 lit 10 0 20 0 0 SOMETHING_NEW 8 lit 10 0 20 0
        0 POLYLINE 8 lit 66 1 70 8 0 VERTEX 8 lit 10 0 20 0 30 0 0 VERTEX 8 lit 10 1 20 0 30 9 0 SEQEND
        0 POLYLINE 8 lit 66 1 70 64 0 SEQEND 0 LINE 8 lit 10 0 20 0 30 0 11 1 21 0 31 5
        0 CIRCLE 8 lit 10 0 20 0 40 3 210 1 220 0 230 0 0 LINE 8 lit 10 x 20 0 11 1 21 0 0 LINE 8 lit 10 0 20 0
        0 CIRCLE 8 lit 10 0 20 0 40 -3 0 LINE 8 lit 10 1 20 1 11 1 21 1 0 LINE 8 lit 10 1e9 20 1 11 1 21 1
        0 INSERT 8 lit 2 b 10 0 20 0 66 1 0 ATTRIB 8 lit 10 0 20 0 1 note 0 SEQEND";
    let found = read(file(MM, tables, blocks, words).as_bytes(), None)
        .unwrap()
        .entities;
    let show = |e: &Entity| match (&e.hidden, &e.what) {
        (Some(h), _) => (*h).to_string(),
        (None, What::Run(_)) => "run".to_string(),
        (None, What::Container) => "container".to_string(),
        (None, What::Other(w)) => format!("other {w}"),
        (None, What::Broken(w)) => format!("broken {w}"),
    };
    let shown: Vec<String> = found
        .iter()
        .map(|e| format!("{} {}", e.kind, show(e)))
        .collect();
    let expected = [
        "LINE frozen",
        "LINE off",
        "LINE run",
        "LINE paper space",
        "LINE frozen",
        "LINE frozen",
        "INSERT frozen",
        "LINE run",
        "LINE off",
        "INSERT off",
        "TEXT other is a text",
        "HATCH other is a filled area",
        "SOMETHING_NEW other is of a type that is not read",
        "POLYLINE broken is a polyline in space",
        "POLYLINE other is a mesh",
        "LINE broken does not lie flat in the drawing's plane",
        "CIRCLE broken does not lie flat in the drawing's plane",
        "LINE broken has a value 10 that is not a finite number",
        "LINE broken lacks its value 11",
        "CIRCLE broken has the radius -3",
        "LINE other has no length",
        "LINE broken lies more than 100 m from the origin",
        "LINE run",
        "LINE run",
        "INSERT container",
        "ATTRIB other is a text",
        "LINE paper space",
    ];
    assert_eq!(shown, expected);
}

#[test]
fn units() {
    let read_in = |header: &str, job: Option<Unit>| {
        let words = "0 LINE 8 a 10 0 20 0 11 2 21 0";
        read(file(header, "", "", words).as_bytes(), job).map(|c| contour(&c.entities[0]).length())
    };
    let insunits = |n: i32| format!("9 $INSUNITS 70 {n}");
    // $INSUNITS of the published reference.
    for (n, mm) in [
        (1, 50.8),
        (2, 609.6),
        (4, 2.0),
        (5, 20.0),
        (6, 2000.0),
        (9, 0.0508),
        (13, 0.002),
        (14, 200.0),
        (21, 609.601_219_2),
    ] {
        assert!(
            (read_in(&insunits(n), None).unwrap() - mm).abs() < 1e-6 * mm,
            "{n}"
        );
    }
    assert!((read_in(&insunits(0), Some(Unit::Inch)).unwrap() - 50.8).abs() < 1e-9);
    assert!((read_in("", Some(Unit::Mm)).unwrap() - 2.0).abs() < 1e-9);
    for (header, job) in [
        ("", None),
        (insunits(0).as_str(), None),
        (insunits(4).as_str(), Some(Unit::Inch)),
        (insunits(20).as_str(), None),
    ] {
        assert!(
            matches!(read_in(header, job), Err(Refusal::Unit(_))),
            "{header}"
        );
    }
}

#[test]
fn names_in_code_pages_and_escapes() {
    let layer = |version: &str, page: &str, name: &[u8]| {
        let header = format!("9 $ACADVER 1 {version} 9 $DWGCODEPAGE 3 {page} {MM}");
        let text = file(&header, "", "", "0 LINE 8 NAME 10 0 20 0 11 2 21 0");
        let at = text.find("NAME").unwrap();
        let mut bytes = text.as_bytes()[..at].to_vec();
        bytes.extend_from_slice(name);
        bytes.extend_from_slice(&text.as_bytes()[at + 4..]);
        read(&bytes, None).unwrap().entities[0].layer.to_string()
    };
    assert_eq!(
        layer("AC1015", "ANSI_1252", b"fr\xE4sen \\U+00D8"),
        "fräsen Ø"
    );
    assert_eq!(layer("AC1009", "ANSI_1251", b"\xEF\xE0\xE7"), "паз");
    assert_eq!(layer("AC1015", "ANSI_932", b"\x96\xD8"), "木");
    assert_eq!(layer("AC1027", "ANSI_1252", "fräsen".as_bytes()), "fräsen");
}

#[test]
fn damaged_and_cut_off_files_are_sentences() {
    let whole = file(
        MM,
        "",
        "",
        "0 LINE 8 a 10 0 20 0 11 2 21 0 0 CIRCLE 8 a 10 5 20 5 40 2",
    );
    assert!(read(whole.as_bytes(), None).is_ok());
    assert!(read(whole.replace('\n', "\r\n").as_bytes(), None).is_ok());
    assert!(read(whole.replace('\n', "\r").as_bytes(), None).is_ok());
    // Cut off anywhere, it is refused; only its last line end may be missing.
    for end in 0..whole.len() - 4 {
        assert!(
            matches!(
                read(&whole.as_bytes()[..end], None),
                Err(Refusal::Damaged(_))
            ),
            "cut off at {end}"
        );
    }
    for garbage in [
        &b"\x00\xFF\x13garbage"[..],
        b"",
        b"0",
        b"%PDF-1.4\n1 0 obj\n",
        &[b'9'; 4000],
    ] {
        assert!(matches!(read(garbage, None), Err(Refusal::Damaged(_))));
    }
    // Every single line replaced by nonsense either reads, with the loss named, or is refused; nothing panics.
    let lines: Vec<&str> = whole.lines().collect();
    for i in 0..lines.len() {
        for nonsense in ["", "x", "-1", "999999999999", "1e400", "nan"] {
            let mut changed = lines.clone();
            changed[i] = nonsense;
            let _ = read(changed.join("\n").as_bytes(), Some(Unit::Mm));
        }
    }
}
