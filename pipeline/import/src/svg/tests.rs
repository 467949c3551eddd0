use super::{SVG, read};
use crate::entity::{Entity, Refusal, What};
use grainway_geom::{Contour, point};
use grainway_pipeline::doc::Unit;
use grainway_pipeline::tolerance::IMPORT_MM;
use std::f64::consts::PI;

fn entities(svg: &str, unit: Option<Unit>) -> Vec<Entity> {
    read(svg.as_bytes(), unit).unwrap().entities
}

fn page_of(inner: &str) -> String {
    format!(
        r#"<svg xmlns="http://www.w3.org/2000/svg" width="200mm" height="100mm" viewBox="0 0 200 100">{inner}</svg>"#
    )
}

fn contour(e: &Entity) -> Contour {
    let What::Run(run) = &e.what else {
        panic!("{e:?}")
    };
    Contour::from_segments(&run.segments, run.closed).without_repeats(1e-9)
}

#[test]
fn physical_size() {
    let micro = |v: f64| (v * 1e6).round() as i64;
    let rect = |head: &str, unit: Option<Unit>| {
        let svg = format!(
            r#"<svg xmlns="http://www.w3.org/2000/svg" {head}><rect id="r" x="10" y="20" width="30" height="40"/></svg>"#
        );
        read(svg.as_bytes(), unit).map(|c| {
            let b = contour(&c.entities[0]).bounds();
            [b.min.x, b.min.y, b.max.x, b.max.y].map(micro)
        })
    };
    // CSS Values 4, section 6.2: 1in = 2.54cm = 96px, 1pt = 1/72in, 1pc = 1/6in.
    assert_eq!(
        rect(
            r#"width="100mm" height="100mm" viewBox="0 0 100 100""#,
            None
        )
        .unwrap(),
        [10.0, 40.0, 40.0, 80.0].map(micro)
    );
    assert_eq!(
        rect(
            r#"width="100mm" height="100mm" viewBox="0 0 200 200""#,
            None
        )
        .unwrap(),
        [5.0, 70.0, 20.0, 90.0].map(micro)
    );
    assert_eq!(
        rect(r#"width="4in" height="4in" viewBox="0 0 96 96""#, None).unwrap(),
        [10.583333, 38.1, 42.333333, 80.433333].map(micro)
    );
    assert_eq!(
        rect(r#"width="96px" height="96px""#, None).unwrap(),
        [2.645833, 9.525, 10.583333, 20.108333].map(micro)
    );
    assert_eq!(
        rect(r#"width="96" height="96""#, None).unwrap(),
        [2.645833, 9.525, 10.583333, 20.108333].map(micro)
    );
    assert_eq!(
        rect(r#"width="96" height="96""#, Some(Unit::Mm)).unwrap(),
        [10.0, 36.0, 40.0, 76.0].map(micro)
    );
    assert_eq!(
        rect(r#"viewBox="0 0 100 100""#, Some(Unit::Inch)).unwrap(),
        [254.0, 1016.0, 1016.0, 2032.0].map(micro)
    );
    assert_eq!(
        rect(
            r#"width="100%" height="100%" viewBox="5 5 100 100""#,
            Some(Unit::Mm)
        )
        .unwrap(),
        [5.0, 45.0, 35.0, 85.0].map(micro)
    );
    assert_eq!(
        rect(r#"width="1in" height="1in" viewBox="0 0 72 72""#, None).unwrap()[0],
        micro(3.527778)
    );
    assert!(matches!(
        rect(r#"viewBox="0 0 100 100""#, None),
        Err(Refusal::Unit(_))
    ));
    assert!(matches!(
        rect(r#"width="100mm" height="100mm""#, Some(Unit::Inch)),
        Err(Refusal::Unit(_))
    ));
}

#[test]
fn path_arcs_and_circles_are_true_arcs() {
    let found = entities(
        &page_of(
            r#"<g id="a"><circle cx="20" cy="30" r="8"/>
            <path d="M 60 50 A 10 10 0 0 1 80 50 A 10 10 0 0 1 60 50 Z"/>
            <path d="M 100 50 a 10 10 0 1 0 20 0 a 10 10 0 1 0 -20 0 z"/>
            <rect x="130" y="10" width="30" height="20" rx="5"/></g>"#,
        ),
        None,
    );
    assert!(found.iter().all(|e| e.layer.as_ref() == "a"));
    for (e, area) in
        found
            .iter()
            .zip([PI * 64.0, PI * 100.0, PI * 100.0, 600.0 - (4.0 - PI) * 25.0])
    {
        let c = contour(e);
        assert!((c.area().abs() - area).abs() < 1e-6, "{} {area}", c.area());
        assert!(c.closed && c.vertices.len() <= 8);
    }
    assert!(
        contour(&found[1])
            .as_circle(IMPORT_MM)
            .unwrap()
            .0
            .distance(point(70.0, 50.0))
            < 1e-9
    );
}

#[test]
fn bezier_circles_come_back_as_circles() {
    // The usual four cubics with handles of 0.5522847498 r: off a circle by 0.00027 r (calculation), 0.003 mm here.
    let k = 0.552_284_749_8 * 10.0;
    let d = format!(
        "M 60 50 C 60 {0} {1} 60 50 60 S 40 {0} 40 50 S {2} 40 50 40 S 60 {3} 60 50 Z",
        50.0 + k,
        50.0 + k,
        50.0 - k,
        50.0 - k
    );
    let found = entities(&page_of(&format!(r#"<path id="p" d="{d}"/>"#)), None);
    let (centre, diameter) = contour(&found[0]).as_circle(IMPORT_MM).unwrap();
    assert!(centre.distance(point(50.0, 50.0)) < 1e-6 && (diameter - 20.0).abs() < 1e-6);
}

#[test]
fn transforms_layers_use_and_what_is_not_cut() {
    let found = entities(
        &page_of(
            r##"<defs><g id="plate"><rect width="10" height="5"/></g></defs>
            <g id="outer" transform="translate(10 10)"><g><path d="M0 0 h10 v5 h-10 z m20 0 l5 5"/></g>
              <g id="inner" transform="scale(2 1) rotate(90)"><circle cx="5" cy="5" r="2"/></g></g>
            <use href="#plate" x="100" y="50"/>
            <line id="loose" x1="0" y1="0" x2="1in" y2="0"/>
            <g id="notes"><text x="5" y="6">note</text><image/></g>
            <g display="none"><circle r="4"/></g><path style="display:none" d="M0 0 L 5 5"/>
            <ellipse rx="10" ry="5" cx="50" cy="50"/><polygon points="0,0 10,0 5,8"/>"##,
        ),
        None,
    );
    let summary: Vec<(String, String)> = found
        .iter()
        .map(|e| (e.kind.to_string(), e.layer.to_string()))
        .collect();
    let expected = [
        ("path", "outer"),
        ("path", "outer"),
        ("circle", "inner"),
        ("rect", "plate"),
        ("line", "loose"),
        ("text", "notes"),
        ("image", "notes"),
        ("circle", ""),
        ("path", ""),
        ("ellipse", ""),
        ("polygon", ""),
    ];
    assert_eq!(
        summary,
        expected.map(|(a, b)| (a.to_string(), b.to_string()))
    );
    assert!((contour(&found[0]).area().abs() - 50.0).abs() < 1e-9);
    // scale(2 1) makes the circle an ellipse of 4 and 2: area 8π, within the tolerance along its edge of 19.4 mm.
    assert!((contour(&found[2]).area().abs() - 8.0 * PI).abs() < 19.4 * 0.01);
    let b = contour(&found[3]).bounds();
    assert!(b.min.distance(point(100.0, 45.0)) < 1e-9 && b.max.distance(point(110.0, 50.0)) < 1e-9);
    // An inch on an element is 96 user units.
    assert!((contour(&found[4]).length() - 96.0).abs() < 1e-9);
    assert!(found[7].hidden.is_some() && found[8].hidden.is_some() && found[6].hidden.is_none());
    assert!((contour(&found[9]).area().abs() - 50.0 * PI).abs() < 0.5);
}

#[test]
fn damaged_files_are_sentences() {
    for bad in [
        "",
        "no xml",
        "<svg",
        "<svg xmlns='http://www.w3.org/2000/svg' width='1mm'><g></svg>",
        "<html/>",
        "<svg xmlns='http://www.w3.org/2000/svg' viewBox='0 0 1'/>",
    ] {
        assert!(
            matches!(
                read(bad.as_bytes(), Some(Unit::Mm)),
                Err(Refusal::Damaged(_))
            ),
            "{bad}"
        );
    }
    assert!(matches!(
        read(&[0xFF, 0xFE, 0x00], None),
        Err(Refusal::Damaged(_))
    ));
    let deep = format!("<svg xmlns='{SVG}' width='1mm'>{}", "<g>".repeat(100_000));
    assert!(matches!(
        read(deep.as_bytes(), None),
        Err(Refusal::Damaged(_))
    ));
    let itself = entities(
        &page_of(r##"<g id="a"><use href="#a"/></g><use href="#none"/><path d="M 0 0 L 5 x"/>"##),
        None,
    );
    assert!(
        itself.iter().all(|e| matches!(e.what, What::Broken(_))),
        "{itself:?}"
    );
}
