//! The profile stage on outlines and openings made by hand, and on random ones.

use super::*;
use grainway_geom::{Point3, Segment, Vertex, point};
use grainway_pipeline::doc::{self, ZZero};
use grainway_pipeline::stage::{Cancel, Dialects, FileProblem, Files, MemorySpool, Silent};
use grainway_pipeline::work::{Corner, CornerAnswer, Source, Tab, ZFrame};
use std::f64::consts::{FRAC_PI_2, PI};

struct NoFiles;

impl Files for NoFiles {
    fn read(&self, name: &str) -> Result<Vec<u8>, FileProblem> {
        Err(FileProblem::Missing(name.to_string()))
    }
}

/// Work with one stock `ash-22` and the cutters given as JSON.
pub(crate) fn work(cutters: &str) -> Work {
    let shop = format!(
        r#"{{"format":"grainway.shop/1","machines":{{"router":{{"dialect":"none","travel":[1300,900,160],"z-zero":"bed","max-feed":6000,
        "max-plunge":1500,"rapid":10000,"acceleration":500,"min-rpm":8000,"max-rpm":24000,"spoilboard":18}}}},
        "cutters":{cutters},"stocks":{{"ash-22":{{"wood":"ash","thickness":[21.9,22.0,22.1]}}}}}}"#
    );
    let job = r#"{"format":"grainway.job/1","name":"test","shop":"shop.json","parts":[{"id":"end","stock":"ash-22","blank":{"length":400,"width":200}}]}"#;
    Work::new(Documents {
        job: doc::read_job(job.as_bytes()).unwrap(),
        shop: doc::read_shop(shop.as_bytes()).unwrap(),
        hash: String::new(),
        night: None,
    })
}

pub(crate) const MILL_6: &str =
    r#"{"mill":{"kind":"end-mill","number":1,"diameter":6,"cutting-length":28,"max-rpm":24000}}"#;

pub(crate) fn frame() -> ZFrame {
    ZFrame {
        zero: ZZero::Bed,
        thinnest: 21.9,
        mean: 22.0,
        thickest: 22.1,
    }
}

pub(crate) fn feature(key: &str, kind: FeatureKind, shape: Contour, floor: f64) -> SizedFeature {
    SizedFeature {
        key: key.to_string(),
        kind,
        shape,
        islands: Vec::new(),
        circle: None,
        floor,
        through: floor < 0.0,
        relief: None,
        corners: Vec::new(),
        if_unreachable: IfUnreachable::Refuse,
        leave: None,
        cutter_wanted: None,
        cutter: None,
        waste: None,
        source: Source::default(),
    }
}

pub(crate) fn variant(outline: Contour, mut features: Vec<SizedFeature>) -> Variant {
    features.push(feature(
        "outline",
        FeatureKind::Outline,
        outline.clone(),
        -0.3,
    ));
    Variant {
        id: "end".to_string(),
        part: "end".to_string(),
        side: Default::default(),
        turn: Default::default(),
        stock: "ash-22".to_string(),
        z: frame(),
        outline,
        dimensioned: false,
        features,
        steps: Vec::new(),
    }
}

pub(crate) fn run_stage<T: TypedStage>(stage: &T, work: &mut Work, settings: &T::Settings) {
    let cx = Cx {
        files: &NoFiles,
        dialects: &Dialects::default(),
        spool: &MemorySpool::default(),
        progress: &Silent,
        cancel: &Cancel::default(),
    };
    stage.run(work, settings, &cx).unwrap();
}

fn profiled(cutters: &str, variant: Variant, settings: &ProfileSettings) -> Work {
    let mut w = work(cutters);
    w.variants.push(variant);
    run_stage(&Profile, &mut w, settings);
    w
}

fn codes(work: &Work) -> Vec<&str> {
    work.findings.iter().map(|f| f.code.as_str()).collect()
}

fn only_rough() -> ProfileSettings {
    ProfileSettings {
        finish_allowance: Length::from_mm(0.0),
        widen_deeper_than: 99.0,
        ..Default::default()
    }
}

/// Points of the cutting moves, at most `step` mm apart.
pub(crate) fn sampled(moves: &[Move], step: f64) -> Vec<Point3> {
    let mut at = point(0.0, 0.0).at_z(SAFE_Z);
    let mut out = Vec::new();
    for m in moves {
        let end = m.end(at);
        let (way, dz) = match *m {
            Move::Line { to, .. } => (
                Segment::Line {
                    a: at.xy(),
                    b: to.xy(),
                },
                to.z - at.z,
            ),
            Move::Arc {
                centre, sweep, dz, ..
            } => (Segment::arc_about(centre, at.xy(), sweep), dz),
            _ => {
                at = end;
                continue;
            }
        };
        let n = (way.length().max(dz.abs()) / step).ceil().max(1.0);
        out.extend((0..=n as usize).map(|i| {
            let t = i as f64 / n;
            way.at(t).at_z(at.z + dz * t)
        }));
        at = end;
    }
    out
}

/// A corner of the space outside an outline (or inside an opening), square, with its edges' directions.
fn square_corner(at: Point, before: Point, after: Point, answer: CornerAnswer) -> Corner {
    Corner {
        at,
        angle: FRAC_PI_2,
        before,
        after,
        lengths: [20.0, 20.0],
        answer,
    }
}

fn bulge(degrees: f64) -> f64 {
    (degrees.to_radians() / 4.0).tan()
}

#[test]
fn centre_path_of_the_published_offset_pair() {
    // NISTIR 6556, Tables 12 and 13: the part's edge, and the path of a cutter of unit diameter outside it:
    // all radii 1.5, length 12 + 3π = 21.424778, area 24 + 2.25π = 31.068583.
    let v = |x, y, bulge| Vertex {
        at: point(x, y),
        bulge,
    };
    // Clockwise as printed; the arcs are those of a 4 × 6 … shape with corners of radius 1.
    let q = -bulge(90.0);
    let turn = |from: Point, to: Point| {
        let half = (from.distance(to) / 2.0).asin();
        -(half / 2.0).tan()
    };
    let edge = Contour {
        vertices: vec![
            v(2.0, 3.0, q),
            v(3.0, 2.0, 0.0),
            v(3.0, -1.0, q),
            v(2.0, -2.0, 0.0),
            v(
                -2.0,
                -2.0,
                -(PI - turn_angle()).abs().mul_add(0.25, 0.0).tan(),
            ),
            v(-2.6, -0.2, 0.0),
            v(1.4, 2.8, turn(point(1.4, 2.8), point(2.0, 3.0))),
        ],
        closed: true,
    };
    assert!(
        (edge.length() - 18.283_185).abs() < 1e-5,
        "{}",
        edge.length()
    );
    assert!((-edge.area() - 21.141_593).abs() < 1e-5, "{}", edge.area());
    let paths = path::centre_paths(&Region::inside(edge), true, 0.5, &mut Notes::default());
    assert_eq!(paths.len(), 1);
    let path = path::directed(paths[0].path.clone(), true, true);
    assert!(
        (path.length() - 21.424_778).abs() < 1e-5,
        "{}",
        path.length()
    );
    assert!((-path.area() - 31.068_583).abs() < 1e-5, "{}", path.area());
    for s in path.segments() {
        if let Segment::Arc { radius, .. } = s {
            assert!((radius - 1.5).abs() < 1e-6);
        }
    }
    for (x, y) in [
        (2.0, 3.5),
        (3.5, 2.0),
        (3.5, -1.0),
        (2.0, -2.5),
        (-2.0, -2.5),
        (-2.9, 0.2),
        (1.1, 3.2),
    ] {
        // Two of the arcs lie on one circle, so not every printed point need be a joint.
        let near = path.distance(point(x, y));
        assert!(near < 1e-6, "({x}, {y}) is {near} from the path");
    }
}

/// The turn of the arc from (−2, −2) to (−2.6, −0.2) with radius 1: chord √(0.6² + 1.8²), taken the long way (more than 90°).
fn turn_angle() -> f64 {
    let chord = (0.6_f64 * 0.6 + 1.8 * 1.8).sqrt();
    PI - 2.0 * (chord / 2.0).asin()
}

#[test]
fn climb_runs_clockwise_outside_and_counter_clockwise_inside() {
    // By geometry, from the sense of rotation.
    let outline = Contour::rectangle(point(0.0, 0.0), point(300.0, 200.0), 0.0);
    let hole = Contour::rectangle(point(100.0, 60.0), point(200.0, 140.0), 10.0);
    let v = variant(
        outline,
        vec![feature("window", FeatureKind::Cutout, hole, -0.3)],
    );
    let w = profiled(MILL_6, v, &ProfileSettings::default());
    assert!(w.findings.is_empty(), "{:?}", w.findings);
    let steps = &w.variants[0].steps;
    assert_eq!(
        steps.iter().map(|s| s.operation).collect::<Vec<_>>(),
        [Operation::Cutout, Operation::Outline]
    );
    for (step, sign) in steps.iter().zip([1.0, -1.0]) {
        let cut = step.profile.as_ref().unwrap();
        let (rough, finish) = (&cut.loops[0], cut.loops.last().unwrap());
        assert!(!rough.finishing && finish.finishing);
        assert!(finish.path.area() * sign > 0.0, "climb");
        assert!(rough.path.area() * sign < 0.0, "conventional");
        assert!((step.lowest - -0.3).abs() < 1e-12);
        // 22.1 mm of wood under a 6 mm cutter are more than three diameters; the finishing loop gives the kerf its room.
        assert_eq!(cut.loops.len(), 2);
        let gap = cut.loops[0].path.distance(finish.path.start().unwrap());
        assert!((gap - 0.4).abs() < 1e-6, "{gap}");
    }
}

/// Three diameters of wood, not of cut: 17.9 mm and the spoilboard's 0.3 need no room for a 6 mm cutter, 18.1 do (practice: below three
/// diameters of wood a kerf needs no more room than a finishing allowance taken in one loop already gives).
#[test]
fn a_deep_kerf_gets_room_once_and_only_where_no_finishing_loop_gives_it() {
    let outline = Contour::rectangle(point(0.0, 0.0), point(300.0, 200.0), 0.0);
    let cut = |thick: f64, allowance: f64| {
        let mut v = variant(outline.clone(), Vec::new());
        (v.z.thinnest, v.z.mean, v.z.thickest) = (thick, thick, thick);
        let settings = ProfileSettings {
            finish_allowance: Length::from_mm(allowance),
            ..Default::default()
        };
        let w = profiled(MILL_6, v, &settings);
        let step = &w.variants[0].steps[0];
        let told = codes(&w).iter().filter(|c| **c == "kerf-widened").count();
        (step.profile.clone().unwrap(), w.moves(&step.moves), told)
    };
    for (thick, allowance, loops) in [(17.9, 0.0, 1), (18.1, 0.4, 2), (18.1, 0.0, 2)] {
        let (cut, moves, told) = cut(thick, allowance);
        assert_eq!(cut.loops.len(), loops, "{thick}, {allowance}");
        let widens = loops == 2 && allowance < 0.1;
        assert_eq!(told, usize::from(widens));
        if widens {
            let [wide, main] = cut.loops.as_slice() else {
                panic!("{cut:?}")
            };
            assert_eq!(wide.passes.len(), 1);
            assert!(thick - wide.passes[0] <= 18.0 && main.passes.contains(&wide.passes[0]));
            // One lap on it, 0.4 mm farther out, and none lower.
            let on: Vec<Point3> = sampled(&moves, 0.5)
                .into_iter()
                .filter(|p| wide.path.distance(p.xy()) < 1e-6)
                .collect();
            // The way out at the end crosses it.
            let lower = on.iter().filter(|p| p.z < wide.passes[0] - 1e-9);
            assert!(lower.count() <= 1);
            assert!(wide.path.distance(main.path.start().unwrap()) - 0.4 < 1e-6);
            let way = 0.5 * on.len() as f64;
            assert!(
                (wide.path.length()..1.05 * wide.path.length()).contains(&way),
                "{way}"
            );
        }
    }
}

#[test]
fn reliefs_of_an_outline_are_visited_and_left() {
    // A notched outline; both inside corners get dog-bones, the second notch's T-bones.
    let r = 3.0;
    let outline = Contour::polygon([
        point(0.0, 0.0),
        point(200.0, 0.0),
        point(200.0, 120.0),
        point(120.0, 120.0),
        point(120.0, 80.0),
        point(80.0, 80.0),
        point(80.0, 120.0),
        point(0.0, 120.0),
    ]);
    let (left, right) = (point(80.0, 80.0), point(120.0, 80.0));
    let dog = left + point(1.0, 1.0) * (r / 2.0_f64.sqrt());
    // T-bone into the notch's wall, tangent to its bottom: corner + r · inward normal of the bottom edge.
    let tee = right + point(0.0, 1.0) * r;
    let lobe = |dog_bone, centre, from| CornerAnswer::Lobe {
        dog_bone,
        into_before: false,
        centre,
        radius: r,
        from,
    };
    let mut v = variant(outline.clone(), Vec::new());
    v.features[0].corners = vec![
        square_corner(
            right,
            point(0.0, 1.0),
            point(-1.0, 0.0),
            lobe(false, tee, right + point(-r, r)),
        ),
        square_corner(
            left,
            point(1.0, 0.0),
            point(0.0, 1.0),
            lobe(true, dog, left + point(r, r)),
        ),
    ];
    for settings in [only_rough(), ProfileSettings::default()] {
        let w = profiled(MILL_6, v.clone(), &settings);
        assert!(w.findings.is_empty(), "{:?}", w.findings);
        let moves = w.moves(&w.variants[0].steps[0].moves);
        let floor = sampled(&moves, 0.02);
        for centre in [dog, tee] {
            let near = floor
                .iter()
                .filter(|p| p.z < -0.29)
                .map(|p| p.xy().distance(centre))
                .fold(f64::INFINITY, f64::min);
            assert!(near < 1e-6, "{near}");
        }
        for p in &floor {
            let d = outline.distance(p.xy());
            let in_lobe = [dog, tee].iter().any(|c| c.distance(p.xy()) < 3.0 * r);
            assert!(d > r - 1e-3 || in_lobe, "{p:?} is {d} from the outline");
        }
    }
}

#[test]
fn corners_that_keep_their_fillet_are_not_told_of_and_others_are() {
    let outline = Contour::polygon([
        point(0.0, 0.0),
        point(200.0, 0.0),
        point(200.0, 60.0),
        point(80.0, 60.0),
        point(80.0, 150.0),
        point(0.0, 150.0),
    ]);
    let mut v = variant(outline, Vec::new());
    // As relief leaves it: the cutter is decided, and the choice's own look at reach does not come before the path's.
    v.features[0].cutter = Some("mill".to_string());
    let w = profiled(MILL_6, v.clone(), &ProfileSettings::default());
    assert_eq!(codes(&w), ["unreachable"]);
    let at = w.findings[0].at.unwrap();
    assert!(at.distance(point(80.0, 60.0)) < 0.6, "{at:?}");
    // Calculated: r(1/sin φ − 1), 0.414214 r at 90°.
    assert!(
        w.findings[0].message.contains("1.243 mm"),
        "{}",
        w.findings[0].message
    );
    v.features[0].corners = vec![square_corner(
        point(80.0, 60.0),
        point(1.0, 0.0),
        point(0.0, 1.0),
        CornerAnswer::Fillet,
    )];
    let w = profiled(MILL_6, v.clone(), &ProfileSettings::default());
    assert!(w.findings.is_empty(), "{:?}", w.findings);
    v.features[0].corners.clear();
    v.features[0].if_unreachable = IfUnreachable::Hand;
    let w = profiled(MILL_6, v, &ProfileSettings::default());
    assert!(w.findings.is_empty());
    assert_eq!(w.hand_work.len(), 1);
}

#[test]
fn a_curve_tighter_than_the_cutter_is_named_with_its_place() {
    // A scoop of radius 2 in the upper edge.
    let v = |x, y, bulge| Vertex {
        at: point(x, y),
        bulge,
    };
    let outline = Contour {
        vertices: vec![
            v(0.0, 0.0, 0.0),
            v(150.0, 0.0, 0.0),
            v(150.0, 80.0, 0.0),
            v(77.0, 80.0, -1.0),
            v(73.0, 80.0, 0.0),
            v(0.0, 80.0, 0.0),
        ],
        closed: true,
    };
    let mut v = variant(outline, Vec::new());
    v.features[0].cutter = Some("mill".to_string());
    let w = profiled(MILL_6, v, &ProfileSettings::default());
    assert!(
        codes(&w).iter().all(|c| *c == "unreachable") && !w.findings.is_empty(),
        "{:?}",
        w.findings
    );
    let at = w.findings[0].at.unwrap();
    assert!(at.distance(point(75.0, 78.0)) < 1.0, "{at:?}");
}

#[test]
fn openings_narrower_than_the_cutter_and_as_wide_as_it() {
    let outline = Contour::rectangle(point(0.0, 0.0), point(300.0, 200.0), 0.0);
    let slot = |w: f64| {
        let r = w / 2.0;
        let v = |x, y, bulge| Vertex {
            at: point(x, y),
            bulge,
        };
        Contour {
            vertices: vec![
                v(100.0, 50.0 - r, 0.0),
                v(150.0, 50.0 - r, 1.0),
                v(150.0, 50.0 + r, 0.0),
                v(100.0, 50.0 + r, 1.0),
            ],
            closed: true,
        }
    };
    let with = |shape: Contour| {
        variant(
            outline.clone(),
            vec![feature("slot", FeatureKind::Cutout, shape, -0.3)],
        )
    };
    let w = profiled(MILL_6, with(slot(5.9)), &ProfileSettings::default());
    assert_eq!(codes(&w), ["cutter-too-large"]);
    let at = w.findings[0].at.unwrap();
    assert!(
        (at.y - 50.0).abs() < 0.2 && at.x > 99.0 && at.x < 151.0,
        "{at:?}"
    );
    for width in [5.995, 6.0, 6.005] {
        let w = profiled(MILL_6, with(slot(width)), &ProfileSettings::default());
        assert!(w.findings.is_empty(), "{width}: {:?}", w.findings);
        let step = &w.variants[0].steps[0];
        let points = sampled(&w.moves(&step.moves), 0.1);
        for p in &points {
            assert!(
                (p.y - 50.0).abs() < 0.006 && p.x > 99.98 && p.x < 150.02,
                "{p:?}"
            );
        }
        let ends = points
            .iter()
            .filter(|p| p.z < -0.29)
            .fold((f64::INFINITY, 0.0_f64), |(a, b), p| {
                (a.min(p.x), b.max(p.x))
            });
        assert!(
            (ends.0 - 100.0).abs() < 0.012 && (ends.1 - 150.0).abs() < 0.012,
            "{ends:?}"
        );
        assert_eq!(step.profile.as_ref().unwrap().loops.len(), 1);
    }
    // A round opening of the cutter's own size: straight down, in pecks.
    let w = profiled(
        MILL_6,
        with(Contour::circle(point(60.0, 60.0), 3.0)),
        &ProfileSettings::default(),
    );
    assert!(w.findings.is_empty(), "{:?}", w.findings);
    let step = &w.variants[0].steps[0];
    assert!(step.profile.is_none());
    assert!(
        sampled(&w.moves(&step.moves), 0.1)
            .iter()
            .all(|p| p.xy().distance(point(60.0, 60.0)) < 1e-4)
    );
}

#[test]
fn cutting_length_of_25_for_26_deep_is_too_short() {
    let short = r#"{"mill":{"kind":"end-mill","number":1,"diameter":6,"cutting-length":25,"max-rpm":24000}}"#;
    let mut v = variant(
        Contour::rectangle(point(0.0, 0.0), point(300.0, 200.0), 0.0),
        Vec::new(),
    );
    v.z.thickest = 25.7;
    for chosen in [None, Some("mill".to_string())] {
        v.features[0].cutter = chosen;
        let w = profiled(short, v.clone(), &ProfileSettings::default());
        assert_eq!(codes(&w), ["cutter-too-short"]);
        assert!(
            w.findings[0].message.contains("25.000 mm")
                && w.findings[0].message.contains("26.000 mm"),
            "{}",
            w.findings[0].message
        );
        assert!(w.variants[0].steps.is_empty());
    }
}

#[test]
fn only_flat_cutters_cut_walls() {
    let ball = r#"{"ball":{"kind":"ball-nose","number":1,"diameter":6,"cutting-length":28,"max-rpm":24000}}"#;
    let mut v = variant(
        Contour::rectangle(point(0.0, 0.0), point(300.0, 200.0), 0.0),
        Vec::new(),
    );
    v.features[0].cutter = Some("ball".to_string());
    assert_eq!(
        codes(&profiled(ball, v, &ProfileSettings::default())),
        ["cutter-unfit"]
    );
}

#[test]
fn compression_cutter_starts_below_its_tip_or_says_so() {
    let mill = |tip: f64| {
        format!(
            r#"{{"mill":{{"kind":"end-mill","flutes":"compression","up-cut-length":{tip},"number":1,"diameter":6,"cutting-length":28,"max-rpm":24000}}}}"#
        )
    };
    let v = || {
        variant(
            Contour::rectangle(point(0.0, 0.0), point(300.0, 200.0), 0.0),
            Vec::new(),
        )
    };
    let w = profiled(&mill(4.0), v(), &ProfileSettings::default());
    assert!(w.findings.is_empty(), "{:?}", w.findings);
    let cut = w.variants[0].steps[0].profile.as_ref().unwrap();
    assert!(
        (cut.loops[0].passes[0] - (22.1 - 4.5)).abs() < 1e-9,
        "{:?}",
        cut.loops[0].passes
    );
    let w = profiled(&mill(8.0), v(), &ProfileSettings::default());
    assert_eq!(codes(&w), ["compression-tip"]);
}

#[test]
fn tabs_may_sit_only_where_they_should() {
    // A rail 400 × 90 with a tenon 40 long, 50 wide at its left end, a housing across at x 300 … 322 that meets both long edges.
    let outline = Contour::polygon([
        point(40.0, 0.0),
        point(400.0, 0.0),
        point(400.0, 90.0),
        point(40.0, 90.0),
        point(40.0, 70.0),
        point(0.0, 70.0),
        point(0.0, 20.0),
        point(40.0, 20.0),
    ]);
    let housing = feature(
        "h",
        FeatureKind::Housing,
        Contour::rectangle(point(300.0, -5.0), point(322.0, 95.0), 0.0),
        14.0,
    );
    let mut v = variant(outline.clone(), vec![housing]);
    let fillet = |at, before, after| square_corner(at, before, after, CornerAnswer::Fillet);
    v.features[1].corners = vec![
        fillet(point(40.0, 70.0), point(0.0, 1.0), point(-1.0, 0.0)),
        fillet(point(40.0, 20.0), point(-1.0, 0.0), point(0.0, -1.0)),
    ];
    let w = profiled(MILL_6, v, &ProfileSettings::default());
    assert!(w.findings.is_empty(), "{:?}", w.findings);
    let cut = w.variants[0].steps[0].profile.as_ref().unwrap();
    let path = &cut.loops.last().unwrap().path;
    let length = path.length();
    assert!(!cut.tab_spans.is_empty());
    let mut long = 0;
    for span in &cut.tab_spans {
        assert!(
            span.from >= 0.0
                && span.from < length
                && span.to > span.from
                && span.to - span.from < length
        );
        for i in 0..=200 {
            let s = span.from + (span.to - span.from) * f64::from(i) / 200.0;
            let (p, d) = path.at_length(s.rem_euclid(length)).unwrap();
            for corner in [
                point(40.0, 0.0),
                point(400.0, 0.0),
                point(400.0, 90.0),
                point(40.0, 90.0),
            ] {
                assert!(p.distance(corner) > 25.0, "{p:?} near {corner:?}");
            }
            assert!(
                !(p.x > 298.0 && p.x < 324.0),
                "{p:?} on the housing's mouth"
            );
            assert!(p.x > 40.0, "{p:?} on the tenon");
            assert_eq!(span.long_grain, d.x.abs() > d.y.abs());
        }
        long += usize::from(span.long_grain);
    }
    // Each long edge is parted by the housing; the right end has 90 − 50 mm.
    assert_eq!((cut.tab_spans.len(), long), (5, 4), "{:?}", cut.tab_spans);
}

#[test]
fn small_parts_say_what_their_tabs_lack() {
    let w = profiled(
        MILL_6,
        variant(
            Contour::rectangle(point(0.0, 0.0), point(45.0, 40.0), 0.0),
            Vec::new(),
        ),
        &ProfileSettings::default(),
    );
    assert_eq!(codes(&w), ["tab-near-corner"]);
    let cut = w.variants[0].steps[0].profile.as_ref().unwrap();
    assert!(cut.tab_spans.len() >= 3);
    let w = profiled(
        MILL_6,
        variant(
            Contour::rectangle(point(0.0, 0.0), point(12.0, 12.0), 0.0),
            Vec::new(),
        ),
        &ProfileSettings::default(),
    );
    assert_eq!(codes(&w), ["no-tab-place"]);
    // A small disc: nothing but a tight curve.
    let w = profiled(
        MILL_6,
        variant(Contour::circle(point(20.0, 20.0), 20.0), Vec::new()),
        &ProfileSettings::default(),
    );
    assert!(codes(&w).contains(&"tab-near-corner"), "{:?}", w.findings);
    assert!(
        !w.variants[0].steps[0]
            .profile
            .as_ref()
            .unwrap()
            .tab_spans
            .is_empty()
    );
}

#[test]
fn curves_against_the_grain_are_noted_once() {
    let v = variant(Contour::circle(point(200.0, 200.0), 200.0), Vec::new());
    let w = profiled(MILL_6, v, &ProfileSettings::default());
    assert_eq!(codes(&w), ["against-grain"]);
    // Climbing clockwise, the tooth at the wall moves counter-clockwise: against the grain where it leads into the wood, which is
    // half of the circle, the quarters upper right and lower left (from the end up to the long side), less 5° at each end of a quarter.
    let quarter = 203.0 * (90.0_f64 - 2.0 * 0.087_f64.to_degrees()).to_radians();
    let said: f64 = w.findings[0]
        .message
        .split(' ')
        .next()
        .unwrap()
        .parse()
        .unwrap();
    assert!((said - 2.0 * quarter).abs() < 6.0, "{said} {quarter}");
    let at = w.findings[0].at.unwrap() - point(200.0, 200.0);
    assert!(at.x * at.y > 0.0, "{at:?}");
}

/// A generator of numbers that every run repeats (SplitMix64).
struct Numbers(u64);

impl Numbers {
    fn next(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        ((z ^ (z >> 31)) >> 11) as f64 / (1_u64 << 53) as f64
    }
    fn between(&mut self, a: f64, b: f64) -> f64 {
        a + (b - a) * self.next()
    }
}

/// A star-shaped outline of straight and curved edges with its inside corners answered by dog-bones or fillets.
fn random_outline(n: &mut Numbers, r: f64) -> (Contour, Vec<Corner>) {
    let count = 5 + (n.next() * 6.0) as usize;
    let points: Vec<Point> = (0..count)
        .map(|i| {
            let angle = std::f64::consts::TAU * (i as f64 + n.between(-0.2, 0.2)) / count as f64;
            point(300.0, 300.0) + Point::unit(angle) * n.between(130.0, 260.0)
        })
        .collect();
    let outline = Contour::polygon(points.clone());
    let mut corners = Vec::new();
    for i in 0..count {
        let (p, q, s) = (
            points[(i + count - 1) % count],
            points[i],
            points[(i + 1) % count],
        );
        let (before, after) = ((p - q).normalized().unwrap(), (s - q).normalized().unwrap());
        let turn = (-before).cross(after);
        if turn < 0.0 {
            let angle = before.dot(after).clamp(-1.0, 1.0).acos();
            let bisector = (before + after).normalized().unwrap();
            let answer = if n.next() < 0.5 {
                CornerAnswer::Lobe {
                    dog_bone: true,
                    into_before: false,
                    centre: q + bisector * r,
                    radius: r,
                    from: q + bisector * (r / (0.5 * angle).sin()),
                }
            } else {
                CornerAnswer::Fillet
            };
            corners.push(Corner {
                at: q,
                angle,
                before,
                after,
                lengths: [p.distance(q), s.distance(q)],
                answer,
            });
        }
    }
    (outline, corners)
}

#[test]
fn random_outlines_are_cut_to_their_line_and_tabs_leave_their_neck() {
    let mut n = Numbers(20_261_125);
    let r = 3.0;
    let mut lobes = 0;
    let mut least = f64::INFINITY;
    for round in 0..30_usize {
        let (outline, corners) = random_outline(&mut n, r);
        let mut v = variant(outline.clone(), Vec::new());
        v.features[0].corners.clone_from(&corners);
        let settings = if round % 2 == 0 {
            only_rough()
        } else {
            ProfileSettings::default()
        };
        let w = profiled(MILL_6, v, &settings);
        assert!(!w.has_errors(), "{round}: {:?}", w.findings);
        let step = &w.variants[0].steps[0];
        let cut = step.profile.as_ref().unwrap();
        let path = &cut.loops.last().unwrap().path;
        let lobed: Vec<(Point, Point)> = corners
            .iter()
            .filter_map(|c| match c.answer {
                CornerAnswer::Lobe { centre, from, .. } => Some((centre, from)),
                _ => None,
            })
            .collect();
        path_keeps_its_distance(round, path, &outline, &lobed, r);
        let points = sampled(&w.moves(&step.moves), 0.3);
        nothing_goes_into_the_part(round, &points, &outline, &lobed, r);
        passes_reach_the_floor(&points, step, cut);
        for (centre, _) in &lobed {
            lobes += 1;
            let near = cut.loops.iter().map(|l| l.path.distance(*centre));
            let near = near.fold(f64::INFINITY, f64::min);
            assert!(
                near < 1e-6,
                "{round}: lobe at {centre:?} is {near} from the paths"
            );
        }
        least = least.min(tabs_leave_their_neck(round, cut, path, r));
    }
    assert!(lobes >= 6, "{lobes}");
    assert!(least < 8.5, "no tab was measured");
}

/// The path lies the radius beside the outline, but near lobes.
fn path_keeps_its_distance(
    round: usize,
    path: &Contour,
    outline: &Contour,
    lobed: &[(Point, Point)],
    r: f64,
) {
    for s in path.segments() {
        for i in 0..=20 {
            let p = s.at(f64::from(i) / 20.0);
            let off = outline.distance(p) - r;
            let lobe = lobed.iter().any(|(c, _)| c.distance(p) < 12.0 * r);
            assert!(lobe || off.abs() < 1e-3, "{round}: {p:?} off by {off}");
        }
    }
}

/// Nothing that the cutter does, leads and links included, goes into the part, but for the lobes.
fn nothing_goes_into_the_part(
    round: usize,
    points: &[Point3],
    outline: &Contour,
    lobed: &[(Point, Point)],
    r: f64,
) {
    for p in points.iter().filter(|p| p.z < v_top()) {
        let p = p.xy();
        let off = outline.distance(p);
        let in_lobe = || {
            lobed
                .iter()
                .any(|(b, a)| Segment::Line { a: *a, b: *b }.distance(p) < 1e-3)
        };
        let gouge = if outline.contains(p) {
            r + off
        } else {
            r - off
        };
        assert!(
            gouge < 1e-3 || in_lobe(),
            "{round}: {p:?} gouges by {gouge}"
        );
    }
}

/// No pass is deeper than it may be, and the last one reaches the floor.
fn passes_reach_the_floor(points: &[Point3], step: &Workingstep, cut: &ProfileCut) {
    let lowest = points.iter().map(|p| p.z).fold(f64::INFINITY, f64::min);
    assert!((lowest - step.lowest).abs() < 1e-9 && (lowest + 0.3).abs() < 1e-9);
    for l in cut.loops.iter().filter(|l| !l.finishing) {
        let mut z = v_top();
        for f in &l.passes {
            assert!(z - f > 0.0 && z - f <= 3.0 + 1e-9);
            z = *f;
        }
        assert!((z + 0.3).abs() < 1e-9);
    }
}

/// A tab in the middle of each span: the wood between the discs below its top is at least the neck wide. Gives the least width.
fn tabs_leave_their_neck(round: usize, cut: &ProfileCut, path: &Contour, r: f64) -> f64 {
    let mut least = f64::INFINITY;
    let tabs: Vec<Tab> = cut
        .tab_spans
        .iter()
        .map(|s| Tab {
            along: (0.5 * (s.from + s.to)).rem_euclid(path.length()),
            neck: 8.0,
            top: 3.0,
        })
        .collect();
    assert!(!tabs.is_empty(), "{round}");
    let low: Vec<Point3> = sampled(&profile_moves(cut, &tabs, 24.1), 0.05)
        .into_iter()
        .filter(|p| p.z < 3.0 - 1e-9)
        .collect();
    for tab in &tabs {
        let (middle, d) = path.at_length(tab.along).unwrap();
        // Across the kerf at every offset, the bridge spans ± neck / 2 along the path's direction.
        for p in low.iter().filter(|p| p.xy().distance(middle) < 12.0) {
            let along = (p.xy() - middle).dot(d).abs();
            least = least.min(2.0 * (along - r));
            // Path lengths and straight distances differ a little where the edge bends by a degree or two.
            assert!(
                along - r >= 4.0 - 0.01,
                "{round}: {p:?} leaves {}",
                2.0 * (along - r)
            );
        }
    }
    least
}

fn v_top() -> f64 {
    frame().highest_top()
}
