//! Offsets near a limit, in many steps about it, and of large outlines; single figures from outside stand in `cases`.

// The whole binary is a test; the lints' leave for tests covers marked functions only.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use grainway_geom::{Contour, Notes, Point, PolySet, Region, Vertex, offset, point, self_crossing};
use std::f64::consts::PI;

fn ring(xyb: &[(f64, f64, f64)]) -> Contour {
    Contour {
        vertices: xyb
            .iter()
            .map(|&(x, y, bulge)| Vertex {
                at: point(x, y),
                bulge,
            })
            .collect(),
        closed: true,
    }
}

fn area(regions: &[Region]) -> f64 {
    regions.iter().map(Region::area).sum()
}

/// Two rooms joined by a neck of twice the offset and a little: within the tolerance there is no way through, whatever the
/// kernel thinks; beyond it there is.
#[test]
fn necks_within_the_tolerance_are_closed() {
    let d = 3.175;
    for off in [
        -0.1, -0.004, -0.001, -1e-6, 0.0, 1e-6, 1e-5, 1e-4, 1e-3, 0.002, 0.004, 0.006, 0.01, 0.1,
    ] {
        let h = d + 0.5 * off;
        let dumbbell = ring(&[
            (0.0, -20.0, 0.0),
            (40.0, -20.0, 0.0),
            (40.0, -h, 0.0),
            (60.0, -h, 0.0),
            (60.0, -20.0, 0.0),
            (100.0, -20.0, 0.0),
            (100.0, 20.0, 0.0),
            (60.0, 20.0, 0.0),
            (60.0, h, 0.0),
            (40.0, h, 0.0),
            (40.0, 20.0, 0.0),
            (0.0, 20.0, 0.0),
        ]);
        let mut notes = Notes::default();
        let inner = offset(&Region::inside(dumbbell), -d, &mut notes);
        let open = off > 0.005;
        assert_eq!(
            inner.len(),
            if open { 1 } else { 2 },
            "neck {off}, {notes:?}"
        );
        // Each room shrinks to (40 − 2d)² and keeps the mouth of its neck up to the two corners: 2dh less two quarter discs.
        let room = (40.0 - 2.0 * d) * (40.0 - 2.0 * d);
        let mouth = 2.0 * d * h - 0.5 * PI * d * d;
        let corridor = if open { 20.0 * off } else { 0.0 };
        let right = 2.0 * (room + mouth) + corridor;
        let slack = 0.01 + 2.0 * (-off).max(0.0) * d;
        let found = area(&inner);
        assert!((found - right).abs() < slack, "{off}: {found} {right}");
    }
}

/// An island whose gap to the wall is just twice the offset: the level is an outer loop and a hole, or a single loop around
/// both, and never one loop that touches itself.
#[test]
fn island_at_a_gap_of_twice_the_offset() {
    let d = 3.175;
    for off in [
        -0.05, -0.002, -1e-4, -1e-6, 0.0, 1e-6, 1e-4, 1e-3, 0.003, 0.05,
    ] {
        let gap = 2.0 * d + off;
        for round in [false, true] {
            let island = if round {
                Contour::circle(point(30.0, gap + 8.0), 8.0)
            } else {
                Contour::rectangle(point(20.0, gap), point(50.0, gap + 12.0), 0.0)
            };
            let region = Region {
                outer: Contour::rectangle(point(0.0, 0.0), point(100.0, 60.0), 0.0),
                holes: vec![island.oriented(false)],
            };
            let mut notes = Notes::default();
            let inner = offset(&region, -d, &mut notes);
            assert_eq!(inner.len(), 1, "{off} {round} {notes:?}");
            for c in inner[0].contours() {
                assert_eq!(self_crossing(c), None, "{off} {round}");
            }
            let p = point(30.0, gap + 6.0);
            assert!(!inner[0].contains(p), "{off} {round}: the island is lost");
            let (island_area, length) = if round {
                (PI * (8.0 + d) * (8.0 + d), 0.0)
            } else {
                (30.0 * 12.0 + 84.0 * d + PI * d * d, 30.0)
            };
            let rest = (100.0 - 2.0 * d) * (60.0 - 2.0 * d) - island_area;
            // What the neck rule may close at most: the strip, and along a round island the sliver on both sides.
            let slack = 0.01 + off.abs() * (length + 4.0);
            assert!(
                (area(&inner) - rest).abs() < slack,
                "{off} {round}: {} {rest}",
                area(&inner)
            );
        }
    }
}

/// A noisy outline of many short sides takes bounded time and keeps its distance.
#[test]
fn noisy_outline_of_many_sides() {
    let n = 3_000;
    let outline = Contour::polygon((0..n).map(|k| {
        let k = f64::from(k);
        let far = 300.0 + 0.7 * (1.7 * k).sin() + 0.4 * (0.37 * k * k).cos();
        Point::unit(2.0 * PI * k / f64::from(n)) * far
    }));
    assert_eq!(self_crossing(&outline), None);
    let region = Region::inside(outline);
    let mut notes = Notes::default();
    let inner = offset(&region, -3.175, &mut notes);
    assert_eq!(inner.len(), 1, "{notes:?}");
    for v in inner[0].outer.vertices.iter().step_by(7) {
        assert!((region.distance(v.at) - 3.175).abs() < 0.02, "{notes:?}");
    }
    let polygons = PolySet::from_regions(std::slice::from_ref(&region), 1e-3).offset(-3.175);
    assert!((polygons.area() - area(&inner)).abs() < 0.02 * inner[0].outer.length());
}

/// Polygons: a frame with a piece in its hole, counted, measured and asked for points.
#[test]
fn polygons_of_a_frame_with_a_piece_in_it() {
    let rectangle = |a: f64, b: f64| Contour::rectangle(point(a, a), point(b, b), 0.0);
    let frame = Region {
        outer: rectangle(0.0, 100.0),
        holes: vec![rectangle(10.0, 90.0).oriented(false)],
    };
    let piece = Region::inside(rectangle(40.0, 60.0));
    let set = PolySet::from_regions(&[frame, piece], 1e-3);
    assert!((set.area() - (10_000.0 - 6_400.0 + 400.0)).abs() < 1e-9);
    let mut areas: Vec<f64> = set.pieces().iter().map(|p| p.area).collect();
    areas.sort_by(f64::total_cmp);
    assert_eq!(areas.len(), 2);
    assert!((areas[0] - 400.0).abs() < 1e-9 && (areas[1] - 3_600.0).abs() < 1e-9);
    for p in set.pieces() {
        assert!(set.contains(p.inside) && p.bounds.contains(p.inside));
    }
    assert!(set.contains(point(50.0, 50.0)) && !set.contains(point(20.0, 50.0)));
    let hole = PolySet::from_contour(&rectangle(10.0, 90.0), 1e-3);
    assert!((set.intersection(&hole).area() - 400.0).abs() < 1e-9);
    assert!((set.difference(&hole).area() - 3_600.0).abs() < 1e-9);
    assert!((set.union(&hole).area() - 10_000.0).abs() < 1e-9);
}

/// A curve drawn as 20,000 lines of 0.1 mm, which meet at next to no angle where it changes from hollow to round: the arc kernel's level
/// is taken, since the polygon kernel costs a hundred times as much.
#[test]
fn a_curve_of_very_many_lines_is_moved_by_the_arc_kernel() {
    let count = 20_000;
    let at = |i: usize| {
        let turn = i as f64 / f64::from(count) * 2.0 * PI;
        point(400.0, 400.0) + Point::unit(turn) * (300.0 + 20.0 * (7.0 * turn).sin())
    };
    let curve = Region::inside(Contour::polygon((0..count as usize).map(at)));
    for by in [7.0, 3.0, -3.0] {
        let mut notes = Notes::default();
        let moved = offset(&curve, by, &mut notes);
        assert_eq!(notes.0, [], "by {by}");
        assert_eq!(moved.len(), 1);
        assert_eq!(self_crossing(&moved[0].outer), None);
    }
}
