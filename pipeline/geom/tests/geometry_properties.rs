//! What must hold for any shape: seeded random regions against exact distances and area identities.
//!
//! The yardstick is the definition itself, not another kernel: a point belongs to the offset of a region exactly when its own
//! distance from the boundary says so.

// The whole binary is a test; the lints' leave for tests covers marked functions only.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use grainway_geom::{
    Bounds, Capsule, Contour, Notes, Point, PolySet, Region, Segment, SegmentIndex, Vertex,
    difference, insets, intersection, intersections, offset, opening, point, pole,
    segment_distance, self_crossing, swept, union,
};
use std::f64::consts::{PI, TAU};

/// Splitmix64: small, and the same on every machine.
struct Dice(u64);

impl Dice {
    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }
    fn within(&mut self, lo: f64, hi: f64) -> f64 {
        lo + (hi - lo) * (self.next() >> 11) as f64 / (1u64 << 53) as f64
    }
    fn below(&mut self, n: u64) -> u64 {
        self.next() % n
    }
    fn point(&mut self, b: Bounds) -> Point {
        point(self.within(b.min.x, b.max.x), self.within(b.min.y, b.max.y))
    }
}

fn star(dice: &mut Dice, centre: Point, size: f64, corners: u64, bulged: bool) -> Contour {
    let n = corners.max(3);
    let vertices = (0..n)
        .map(|i| {
            let angle = TAU * (i as f64 + dice.within(0.1, 0.9)) / n as f64;
            let bulge = match (bulged, dice.below(3)) {
                (true, 0) => dice.within(-0.15, 0.15),
                _ => 0.0,
            };
            Vertex {
                at: centre + Point::unit(angle) * dice.within(0.5 * size, size),
                bulge,
            }
        })
        .collect();
    Contour {
        vertices,
        closed: true,
    }
}

/// A region of one of several kinds that parts and pockets have.
fn region(dice: &mut Dice) -> Region {
    let (w, h) = (dice.within(20.0, 200.0), dice.within(20.0, 120.0));
    let corner = |dice: &mut Dice| match dice.below(3) {
        0 => 0.0,
        1 => 3.175,
        _ => dice.within(0.5, 9.0),
    };
    match dice.below(8) {
        5 => {
            // Rounded with the offset's own radius, corners a little off tangent, and islands close to the walls.
            let quarter = (PI / 8.0).tan() + [0.0, 1e-4, -1e-4, 4e-5][dice.below(4) as usize];
            let mut outer = Contour::rectangle(point(0.0, 0.0), point(w, h), 3.175);
            for v in &mut outer.vertices {
                if v.bulge > 0.0 {
                    v.bulge = quarter;
                }
            }
            let gap = 6.35 + dice.within(-1e-3, 1e-3);
            let island = Contour::circle(point(0.5 * w, gap + 2.5), 2.5).oriented(false);
            Region {
                outer,
                holes: vec![island],
            }
        }
        6 => {
            // Repeats, collinear corners and edges of a hundredth.
            let mut c = star(dice, point(0.0, 0.0), w, 12, false);
            let mut vertices = Vec::new();
            for (k, v) in c.vertices.iter().enumerate() {
                let next = c.vertices[(k + 1) % c.vertices.len()].at;
                vertices.push(*v);
                match dice.below(4) {
                    0 => vertices.push(*v),
                    1 => vertices.push(Vertex {
                        at: v.at.lerp(next, 0.4),
                        bulge: 0.0,
                    }),
                    2 => vertices.push(Vertex {
                        at: v.at + point(dice.within(-0.01, 0.01), dice.within(-0.01, 0.01)),
                        bulge: 0.0,
                    }),
                    _ => {}
                }
            }
            c.vertices = vertices;
            Region::inside(c)
        }
        7 => {
            // Rooms in a row, joined by necks about as wide as the cutters.
            let mut rooms = Vec::new();
            let mut x = 0.0;
            for _ in 0..2 + dice.below(4) {
                let (rw, rh) = (dice.within(12.0, 40.0), dice.within(12.0, 60.0));
                rooms.push(Region::inside(Contour::rectangle(
                    point(x, -0.5 * rh),
                    point(x + rw, 0.5 * rh),
                    0.0,
                )));
                let d = [1.5, 3.175, 6.35][dice.below(3) as usize];
                let off = [0.0, 1e-6, 1e-4, 1e-3, 1e-2, 0.1][dice.below(6) as usize];
                let half = d + if dice.below(2) == 0 { off } else { -off };
                rooms.push(Region::inside(Contour::rectangle(
                    point(x + rw - 1.0, -half),
                    point(x + rw + 10.0, half),
                    0.0,
                )));
                x += rw + 8.0;
            }
            let mut rooms = union(&rooms);
            rooms.swap_remove(0)
        }
        0 => {
            let r = corner(dice);
            let mut outer = vec![Region::inside(Contour::rectangle(
                point(0.0, 0.0),
                point(w, h),
                r,
            ))];
            let notches: Vec<Region> = (0..1 + dice.below(4))
                .map(|_| {
                    let at = point(dice.within(-5.0, w), dice.within(-5.0, h));
                    let size = point(dice.within(1.0, 15.0), dice.within(1.0, 15.0));
                    Region::inside(Contour::rectangle(at, at + size, 0.0))
                })
                .collect();
            outer = difference(&outer, &notches);
            outer.swap_remove(0)
        }
        1 => {
            let r = corner(dice);
            let outer = Contour::rectangle(point(0.0, 0.0), point(w, h), r);
            let hole = Contour::circle(
                point(dice.within(0.3, 0.7) * w, dice.within(0.3, 0.7) * h),
                dice.within(0.02, 0.25) * w.min(h),
            );
            Region {
                outer,
                holes: vec![hole.oriented(false)],
            }
        }
        2 => {
            let n = 5 + dice.below(60);
            Region::inside(star(dice, point(0.0, 0.0), w, n, false))
        }
        3 => {
            let n = 5 + dice.below(20);
            Region::inside(star(dice, point(0.0, 0.0), w, n, true))
        }
        _ => {
            let parts: Vec<Region> = (0..2 + dice.below(4))
                .map(|_| {
                    let at = point(dice.within(0.0, w), dice.within(0.0, h));
                    Region::inside(Contour::circle(at, dice.within(4.0, 25.0)))
                })
                .collect();
            let mut parts = union(&parts);
            parts.sort_by(|a, b| b.area().total_cmp(&a.area()));
            parts.swap_remove(0)
        }
    }
}

fn usable(r: &Region) -> bool {
    r.contours().all(|c| self_crossing(c).is_none())
}

fn sound(regions: &[Region], what: &str) {
    for r in regions {
        assert!(r.outer.area() > 0.0, "{what}: outer runs clockwise");
        for c in r.contours() {
            assert!(c.closed && c.is_finite() && c.vertices.len() >= 2, "{what}");
        }
        for h in &r.holes {
            assert!(h.area() < 0.0, "{what}: hole runs counter-clockwise");
        }
        assert!(r.area() > 0.0, "{what}: more hole than region");
    }
}

fn area(regions: &[Region]) -> f64 {
    regions.iter().map(Region::area).sum()
}

/// Positive inside.
fn depth(r: &Region, index: &SegmentIndex, p: Point) -> f64 {
    let d = index
        .distance_to_point(p, f64::INFINITY)
        .map_or(f64::INFINITY, |x| x.0);
    if r.contains(p) { d } else { -d }
}

fn index(r: &Region) -> SegmentIndex {
    SegmentIndex::new(r.contours().flat_map(|c| c.segments()))
}

#[test]
fn offsets_are_where_distance_says() {
    let (mut made, mut asked) = (0, 0);
    for seed in 0..600 {
        let mut dice = Dice(seed);
        let r = region(&mut dice);
        if !usable(&r) {
            continue;
        }
        let grid = index(&r);
        for by in [-6.35, -3.175, -1.5, 3.175] {
            let mut notes = Notes::default();
            let out = offset(&r, by, &mut notes);
            let what = format!("seed {seed}, offset {by}, {notes:?}");
            sound(&out, &what);
            for s in out
                .iter()
                .flat_map(|o| o.contours())
                .flat_map(|c| c.segments())
            {
                for t in [0.0, 0.13, 0.5, 0.77] {
                    let d = depth(&r, &grid, s.at(t));
                    assert!((d + by).abs() < 0.02, "{what}: {d} at {:?}", s.at(t));
                }
            }
            let area_around = r.bounds().grown(by.max(0.0) + 1.0);
            for _ in 0..150 {
                let p = dice.point(area_around);
                let d = depth(&r, &grid, p);
                if (d + by).abs() > 0.02 {
                    let inside = out.iter().any(|o| o.contains(p));
                    assert_eq!(inside, d > -by, "{what}: {p:?} is {d} deep");
                    asked += 1;
                }
            }
            made += 1;
        }
    }
    assert!(
        made > 1_000 && asked > 100_000,
        "{made} offsets, {asked} points"
    );
}

#[test]
fn levels_shrink_until_nothing_is_left() {
    for seed in 0..60 {
        let mut dice = Dice(1_000 + seed);
        let r = region(&mut dice);
        if !usable(&r) {
            continue;
        }
        let grid = index(&r);
        let mut notes = Notes::default();
        let (first, step) = (3.175, 2.0);
        let levels = insets(&r, first, step, &mut notes);
        let deepest = pole(&r, 1e-3).map_or(0.0, |x| x.1);
        // The last level is no more than a step short of the deepest point.
        let last = first + step * (levels.len() as f64 - 1.0);
        if deepest > first + 0.01 {
            assert!(
                last <= deepest + 0.02 && deepest <= last + step + 0.02,
                "seed {seed}: {} levels, deepest {deepest}, {notes:?}",
                levels.len()
            );
        }
        let mut before = r.area();
        for (k, level) in levels.iter().enumerate() {
            let by = first + step * k as f64;
            let what = format!("seed {seed}, level {k}, {notes:?}");
            sound(level, &what);
            assert!(area(level) < before, "{what}");
            before = area(level);
            for _ in 0..40 {
                let p = dice.point(r.bounds());
                let d = depth(&r, &grid, p);
                if (d - by).abs() > 0.03 {
                    let inside = level.iter().any(|o| o.contains(p));
                    assert_eq!(inside, d > by, "{what}: {p:?} is {d} deep");
                }
            }
        }
    }
}

#[test]
fn openings_hold_what_a_disc_reaches() {
    for seed in 0..80 {
        let mut dice = Dice(2_000 + seed);
        let region = region(&mut dice);
        if !usable(&region) {
            continue;
        }
        let r = 3.0;
        let mut notes = Notes::default();
        let open = opening(&region, r, &mut notes);
        sound(&open, &format!("seed {seed} {notes:?}"));
        // Nothing outside the region is reached, and every disc that fits is.
        let outside = difference(&open, std::slice::from_ref(&region));
        assert!(area(&outside) < 0.05, "seed {seed}: {}", area(&outside));
        let grid = index(&region);
        for _ in 0..60 {
            let c = dice.point(region.bounds());
            if depth(&region, &grid, c) > r + 0.01 {
                let p = c + Point::unit(dice.within(0.0, TAU)) * (r - 0.01);
                assert!(
                    open.iter().any(|o| o.contains(p)),
                    "seed {seed}: {p:?} {notes:?}"
                );
            }
        }
        let polygons = PolySet::from_regions(std::slice::from_ref(&region), 1e-3).opening(r);
        assert!(
            (polygons.area() - area(&open)).abs()
                < 0.01 * region.contours().map(Contour::length).sum::<f64>(),
            "seed {seed}: {} {}",
            polygons.area(),
            area(&open)
        );
    }
}

#[test]
fn boolean_areas_add_up_and_members_are_right() {
    for seed in 0..300 {
        let mut dice = Dice(3_000 + seed);
        let a = region(&mut dice);
        let b = region(&mut dice);
        if !usable(&a) || !usable(&b) {
            continue;
        }
        let (a, b) = ([a], [b]);
        let (u, i) = (union(&[a[0].clone(), b[0].clone()]), intersection(&a, &b));
        let (d, e) = (difference(&a, &b), difference(&b, &a));
        for (name, x) in [
            ("union", &u),
            ("intersection", &i),
            ("difference", &d),
            ("other", &e),
        ] {
            sound(x, &format!("seed {seed} {name}"));
        }
        let off = area(&u) - (area(&a) + area(&b) - area(&i));
        assert!(off.abs() < 0.02, "seed {seed}: |A∪B| off by {off} mm²");
        let off = area(&d) - (area(&a) - area(&i));
        assert!(off.abs() < 0.02, "seed {seed}: |A−B| off by {off} mm²");
        let off = area(&e) - (area(&b) - area(&i));
        assert!(off.abs() < 0.02, "seed {seed}: |B−A| off by {off} mm²");
        let around = a[0].bounds().union(b[0].bounds());
        for _ in 0..80 {
            let p = dice.point(around);
            if a[0].distance(p).min(b[0].distance(p)) < 0.005 {
                continue;
            }
            let (in_a, in_b) = (a[0].contains(p), b[0].contains(p));
            let has = |x: &[Region]| x.iter().any(|r| r.contains(p));
            assert_eq!(has(&u), in_a || in_b, "seed {seed} union {p:?}");
            assert_eq!(has(&i), in_a && in_b, "seed {seed} intersection {p:?}");
            assert_eq!(has(&d), in_a && !in_b, "seed {seed} difference {p:?}");
        }
    }
}

#[test]
fn booleans_keep_arcs() {
    // Two circles of radius 10, centres 10 apart: the lens is 2r²·acos(d/2r) − d/2·√(4r²−d²) = 122.836969… (closed form).
    let a = [Region::inside(Contour::circle(point(0.0, 0.0), 10.0))];
    let b = [Region::inside(Contour::circle(point(10.0, 0.0), 10.0))];
    let lens = 200.0 * (0.5f64).acos() - 5.0 * 300f64.sqrt();
    assert!((lens - 122.836_969_8).abs() < 1e-6);
    let i = intersection(&a, &b);
    assert!((area(&i) - lens).abs() < 1e-6);
    assert_eq!(i[0].outer.vertices.len(), 2);
    let u = union(&[a[0].clone(), b[0].clone()]);
    assert!((area(&u) - (200.0 * PI - lens)).abs() < 1e-6);
    assert_eq!(difference(&a, &a), vec![]);
    assert!((area(&union(&[a[0].clone(), a[0].clone()])) - 100.0 * PI).abs() < 1e-6);
    // A rectangle that touches another along an edge joins it.
    let left = Region::inside(Contour::rectangle(point(0.0, 0.0), point(10.0, 10.0), 0.0));
    let right = Region::inside(Contour::rectangle(point(10.0, 0.0), point(30.0, 10.0), 0.0));
    let both = union(&[left, right]);
    assert_eq!(both.len(), 1);
    assert!((area(&both) - 300.0).abs() < 1e-9);
}

fn segment(dice: &mut Dice, size: f64) -> Segment {
    let b = Bounds::of([point(-size, -size), point(size, size)]);
    match dice.below(3) {
        0 => Segment::Line {
            a: dice.point(b),
            b: dice.point(b),
        },
        1 => Segment::from_bulge(dice.point(b), dice.point(b), dice.within(-3.0, 3.0)),
        _ => Segment::arc_about(dice.point(b), dice.point(b), dice.within(-TAU, TAU)),
    }
}

#[test]
fn segment_distances_are_least() {
    let mut dice = Dice(4_000);
    for round in 0..3_000 {
        let (a, b) = (segment(&mut dice, 10.0), segment(&mut dice, 10.0));
        let (d, p, q) = segment_distance(&a, &b);
        assert!(a.distance(p) < 1e-6 && b.distance(q) < 1e-6);
        assert!((p.distance(q) - d).abs() < 1e-6);
        // Nearest point by sampling one side and refining around the best sample.
        let mut best = (f64::INFINITY, 0.0);
        for i in 0..=400 {
            let t = f64::from(i) / 400.0;
            let x = b.distance(a.at(t));
            if x < best.0 {
                best = (x, t);
            }
        }
        let mut width = 1.0 / 400.0;
        for _ in 0..40 {
            for k in -4..=4 {
                let t = (best.1 + width * f64::from(k) / 4.0).clamp(0.0, 1.0);
                let x = b.distance(a.at(t));
                if x < best.0 {
                    best = (x, t);
                }
            }
            width *= 0.6;
        }
        assert!(
            d <= best.0 + 1e-6,
            "round {round}: {d} against {} {a:?} {b:?}",
            best.0
        );
        for x in intersections(&a, &b) {
            assert!(a.distance(x) < 1e-6 && b.distance(x) < 1e-6);
        }
    }
}

#[test]
fn index_finds_what_a_search_of_all_finds() {
    let mut dice = Dice(5_000);
    for _ in 0..40 {
        let n = 1 + dice.below(120);
        let all: Vec<Segment> = (0..n)
            .map(|_| {
                let size = dice.within(0.1, 40.0);
                let shift = point(dice.within(-100.0, 100.0), dice.within(-30.0, 30.0));
                let s = segment(&mut dice, size);
                match s {
                    Segment::Line { a, b } => Segment::Line {
                        a: a + shift,
                        b: b + shift,
                    },
                    Segment::Arc {
                        a, centre, sweep, ..
                    } => Segment::arc_about(centre + shift, a + shift, sweep),
                }
            })
            .collect();
        let index = SegmentIndex::new(all.iter().copied());
        for _ in 0..60 {
            let p = point(dice.within(-300.0, 300.0), dice.within(-200.0, 200.0));
            let right = all
                .iter()
                .map(|s| s.distance(p))
                .fold(f64::INFINITY, f64::min);
            let found = index.distance_to_point(p, f64::INFINITY).map(|x| x.0);
            assert!((found.unwrap_or(-1.0) - right).abs() < 1e-9);
            let limited = index.distance_to_point(p, 5.0).map(|x| x.0);
            assert_eq!(limited.is_some(), right <= 5.0);
            let s = Segment::arc_about(
                p,
                p + point(dice.within(1.0, 30.0), 0.0),
                dice.within(-6.0, 6.0),
            );
            let right = all
                .iter()
                .map(|x| segment_distance(&s, x).0)
                .fold(f64::INFINITY, f64::min);
            let found = index.distance_to_segment(&s, f64::INFINITY).map(|x| x.0);
            assert!((found.unwrap_or(-1.0) - right).abs() < 1e-9);
            let limited = index.distance_to_segment(&s, 5.0);
            assert_eq!(limited.is_some(), right <= 5.0);
        }
    }
}

#[test]
fn sweeps_cover_what_discs_pass() {
    for seed in 0..40 {
        let mut dice = Dice(6_000 + seed);
        let capsules: Vec<Capsule> = (0..1 + dice.below(30))
            .map(|_| Capsule {
                segment: segment(&mut dice, 20.0),
                radius: dice.within(0.5, 6.0),
            })
            .collect();
        let covered = swept(&capsules);
        for _ in 0..500 {
            let p = point(dice.within(-60.0, 60.0), dice.within(-60.0, 60.0));
            let deep = capsules
                .iter()
                .map(|c| c.radius - c.segment.distance(p))
                .fold(f64::NEG_INFINITY, f64::max);
            if deep < -2e-6 {
                assert!(
                    !covered.contains(p),
                    "seed {seed}: {p:?} is {} outside",
                    -deep
                );
            }
            if deep > 1.1e-3 {
                assert!(covered.contains(p), "seed {seed}: {p:?} is {deep} inside");
            }
        }
        for piece in covered.pieces() {
            assert!(piece.area > 0.0 && covered.contains(piece.inside));
        }
    }
    // docs/references.md, section Geometry: a slot is 2rL + πr²; L 30, r 5 is 378.539816.
    let slot = swept(&[Capsule {
        segment: Segment::Line {
            a: point(0.0, 0.0),
            b: point(30.0, 0.0),
        },
        radius: 5.0,
    }]);
    assert!((slot.area() - 378.539_816).abs() < 0.03 && slot.area() < 378.539_817);
}

#[test]
fn poles_are_deepest_points() {
    let circle = Region::inside(Contour::circle(point(3.0, 4.0), 7.0));
    let (p, d) = pole(&circle, 1e-4).unwrap();
    assert!(p.distance(point(3.0, 4.0)) < 2e-4 && (d - 7.0).abs() < 1e-4);
    let strip = Region::inside(Contour::rectangle(point(0.0, 0.0), point(800.0, 12.0), 0.0));
    assert!((pole(&strip, 1e-3).unwrap().1 - 6.0).abs() < 1e-3);
    for seed in 0..60 {
        let mut dice = Dice(7_000 + seed);
        let r = region(&mut dice);
        if !usable(&r) {
            continue;
        }
        let (p, d) = pole(&r, 1e-2).unwrap();
        let grid = index(&r);
        assert!((depth(&r, &grid, p) - d).abs() < 1e-9);
        for _ in 0..400 {
            assert!(
                depth(&r, &grid, dice.point(r.bounds())) <= d + 1e-2,
                "seed {seed}"
            );
        }
    }
}

#[test]
fn useless_input_gives_nothing_and_no_panic() {
    let ring = |points: &[(f64, f64)]| Contour::polygon(points.iter().map(|p| point(p.0, p.1)));
    let cases = [
        Contour::default(),
        Contour {
            vertices: vec![],
            closed: true,
        },
        ring(&[(0.0, 0.0)]),
        ring(&[(0.0, 0.0), (10.0, 0.0)]),
        ring(&[(1.0, 1.0); 7]),
        ring(&[(0.0, 0.0), (10.0, 0.0), (20.0, 0.0)]),
        ring(&[(0.0, 0.0), (10.0, 0.0), (0.0, 0.0), (10.0, 0.0)]),
        ring(&[(0.0, 0.0), (f64::NAN, 0.0), (10.0, 10.0)]),
        ring(&[(0.0, 0.0), (f64::INFINITY, 0.0), (10.0, 10.0)]),
        ring(&[(0.0, 0.0), (1e300, 0.0), (10.0, 1e300)]),
        ring(&[(0.0, 0.0), (1e-7, 0.0), (0.0, 1e-7)]),
        Contour {
            vertices: vec![
                Vertex {
                    at: point(0.0, 0.0),
                    bulge: f64::NAN,
                },
                Vertex {
                    at: point(5.0, 0.0),
                    bulge: 1.0,
                },
            ],
            closed: true,
        },
        Contour::open([point(0.0, 0.0), point(10.0, 0.0), point(10.0, 10.0)]),
    ];
    let square = Region::inside(Contour::rectangle(point(0.0, 0.0), point(50.0, 50.0), 0.0));
    for (k, c) in cases.into_iter().enumerate() {
        let r = Region {
            outer: c.clone(),
            holes: vec![],
        };
        let holed = Region {
            outer: square.outer.clone(),
            holes: vec![c.clone()],
        };
        let mut notes = Notes::default();
        for by in [-3.0, 0.0, 3.0, f64::NAN, f64::INFINITY, f64::NEG_INFINITY] {
            assert_eq!(offset(&r, by, &mut notes), vec![], "case {k} by {by}");
        }
        assert!(insets(&r, 1.0, 1.0, &mut notes).is_empty(), "case {k}");
        assert!(opening(&r, 1.0, &mut notes).is_empty(), "case {k}");
        assert!(union(std::slice::from_ref(&r)).is_empty(), "case {k}");
        assert!(
            PolySet::from_regions(std::slice::from_ref(&r), 1e-3).is_empty(),
            "case {k}"
        );
        assert!(PolySet::from_contour(&c, 1e-3).area() < 1e-9, "case {k}");
        let _ = pole(&r, 0.01);
        let _ = self_crossing(&c);
        let _ = offset(&holed, -1.0, &mut notes);
        let left = difference(std::slice::from_ref(&square), std::slice::from_ref(&r));
        assert!((area(&left) - 2_500.0).abs() < 1e-9, "case {k}");
    }
    assert!(swept(&[]).is_empty());
    let bad = [
        Capsule {
            segment: Segment::Line {
                a: point(0.0, 0.0),
                b: point(f64::NAN, 0.0),
            },
            radius: 1.0,
        },
        Capsule {
            segment: Segment::Line {
                a: point(0.0, 0.0),
                b: point(1.0, 0.0),
            },
            radius: -1.0,
        },
    ];
    assert!(swept(&bad).is_empty());
    assert!(
        SegmentIndex::new([])
            .distance_to_point(point(0.0, 0.0), 1.0)
            .is_none()
    );
}

#[test]
fn crossings_are_found() {
    let bow = Contour::polygon([
        point(0.0, 0.0),
        point(10.0, 10.0),
        point(10.0, 0.0),
        point(0.0, 10.0),
    ]);
    assert!(self_crossing(&bow).unwrap().distance(point(5.0, 5.0)) < 1e-9);
    assert_eq!(self_crossing(&Contour::circle(point(0.0, 0.0), 5.0)), None);
    assert_eq!(
        self_crossing(&Contour::rectangle(point(0.0, 0.0), point(5.0, 4.0), 1.0)),
        None
    );
    // A corner that touches a side, and a spike that runs back on itself.
    let touch = Contour::polygon([
        point(0.0, 0.0),
        point(10.0, 0.0),
        point(10.0, 10.0),
        point(5.0, 0.0),
        point(0.0, 10.0),
    ]);
    assert!(self_crossing(&touch).unwrap().distance(point(5.0, 0.0)) < 1e-9);
    let spike = Contour::polygon([
        point(0.0, 0.0),
        point(10.0, 0.0),
        point(20.0, 0.0),
        point(10.0, 0.0),
        point(10.0, 10.0),
    ]);
    assert!(self_crossing(&spike).is_some());
}

/// Regions that touch at a point: no ring of a result passes a point twice.
#[test]
fn touching_regions_give_simple_rings() {
    let square = |x: f64, y: f64, size: f64| {
        Region::inside(Contour::rectangle(
            point(x, y),
            point(x + size, y + size),
            0.0,
        ))
    };
    let simple = |regions: &[Region], what: &str| {
        sound(regions, what);
        for c in regions.iter().flat_map(|r| r.contours()) {
            assert_eq!(self_crossing(c), None, "{what}: {c:?}");
        }
    };
    let corners = union(&[square(0.0, 0.0, 10.0), square(10.0, 10.0, 10.0)]);
    simple(&corners, "two corners");
    assert_eq!(corners.len(), 2);
    // A hole whose corner touches the middle of the outer side, and two holes that touch each other.
    let diamond = |x: f64, y: f64, r: f64| {
        Region::inside(Contour::polygon([
            point(x - r, y),
            point(x, y - r),
            point(x + r, y),
            point(x, y + r),
        ]))
    };
    let touched = difference(&[square(0.0, 0.0, 20.0)], &[diamond(10.0, 5.0, 5.0)]);
    simple(&touched, "hole at the side");
    assert!((area(&touched) - 350.0).abs() < 1e-9);
    let pair = difference(
        &[square(0.0, 0.0, 40.0)],
        &[diamond(12.0, 20.0, 5.0), diamond(22.0, 20.0, 5.0)],
    );
    simple(&pair, "two holes");
    assert!((area(&pair) - 1_500.0).abs() < 1e-9);
    // Four squares around a gap, each touching the next: the gap is no part of any.
    let ring = union(&[
        square(10.0, 0.0, 10.0),
        square(20.0, 10.0, 10.0),
        square(10.0, 20.0, 10.0),
        square(0.0, 10.0, 10.0),
    ]);
    simple(&ring, "four squares");
    assert!((area(&ring) - 400.0).abs() < 1e-9);
    assert!(!ring.iter().any(|r| r.contains(point(15.0, 15.0))));
    // Circles that touch.
    let circles = union(&[
        Region::inside(Contour::circle(point(0.0, 0.0), 5.0)),
        Region::inside(Contour::circle(point(10.0, 0.0), 5.0)),
    ]);
    simple(&circles, "two circles");
    assert!((area(&circles) - 50.0 * PI).abs() < 1e-6);
}

/// A path of short and long pieces, straight and round, that goes on and turns back, as capsules of one disc.
fn path(dice: &mut Dice, radius: f64) -> Vec<Capsule> {
    let mut at = point(0.0, 0.0);
    let mut way = 0.0;
    let fine = dice.below(3);
    (0..20 + dice.below(200))
        .map(|_| {
            way += match dice.below(10) {
                0 => dice.within(-3.2, 3.2),
                1 => 0.0,
                _ => dice.within(-0.02, 0.02),
            };
            let long = match fine {
                0 => dice.within(0.001, 0.02),
                1 => dice.within(0.05, 1.0),
                _ => dice.within(0.5, 12.0),
            };
            let segment = if dice.below(4) == 0 {
                let round = dice.within(0.2, 9.0).copysign(dice.within(-1.0, 1.0));
                let centre = at + Point::unit(way).left() * round;
                let s = Segment::arc_about(centre, at, long.min(4.0 * round.abs()) / round);
                way = s.direction(1.0).unwrap().angle();
                s
            } else {
                Segment::Line {
                    a: at,
                    b: at + Point::unit(way) * long,
                }
            };
            at = segment.end();
            Capsule { segment, radius }
        })
        .collect()
}

#[test]
fn paths_are_swept_as_their_pieces_are() {
    for seed in 0..60 {
        let mut dice = Dice(8_000 + seed);
        let radius = dice.within(0.5, 6.0);
        let capsules = path(&mut dice, radius);
        let whole = swept(&capsules);
        let bounds = whole.bounds().grown(1.0);
        for _ in 0..400 {
            let p = dice.point(bounds);
            let deep = capsules
                .iter()
                .map(|c| c.radius - c.segment.distance(p))
                .fold(f64::NEG_INFINITY, f64::max);
            assert!(
                deep > -2e-6 || !whole.contains(p),
                "seed {seed}: {p:?} {deep}"
            );
            assert!(
                deep < 2.1e-3 || whole.contains(p),
                "seed {seed}: {p:?} {deep}"
            );
        }
        // One by one, in no order of a path, so that nothing goes on from anything: no slit may be left between the pieces of a path.
        let apart = capsules.iter().map(|c| swept(std::slice::from_ref(c)));
        let apart = apart.fold(PolySet::default(), |all, one| all.union(&one));
        let slits = apart.difference(&whole).offset(-1.1e-3);
        assert!(slits.is_empty(), "seed {seed}: {slits:?}");
        assert!(whole.difference(&apart).offset(-1.1e-3).is_empty());
        assert_eq!(whole.0.len(), apart.0.len(), "seed {seed}: one shape");
        let holes = |s: &PolySet| s.0.iter().map(Vec::len).sum::<usize>();
        assert!(holes(&whole) <= holes(&apart) + 1, "seed {seed}: no slits");
    }
}

#[test]
fn a_finely_drawn_ring_is_swept_by_as_few_corners_as_its_shape_needs() {
    let corners = |n: usize| {
        let at = |i: usize| {
            let turn = std::f64::consts::TAU * (i % n) as f64 / n as f64;
            Point::unit(turn) * (300.0 + 20.0 * (7.0 * turn).sin())
        };
        let ring: Vec<Capsule> = (0..n)
            .map(|i| Capsule {
                segment: Segment::Line {
                    a: at(i),
                    b: at(i + 1),
                },
                radius: 3.0,
            })
            .collect();
        let band = swept(&ring);
        // The area of a band is the length of its middle line times its width.
        let length: f64 = ring.iter().map(|c| c.segment.length()).sum();
        assert!((band.area() - 6.0 * length).abs() < 0.001 * 6.0 * length);
        assert_eq!(
            (band.0.len(), band.0[0].len()),
            (1, 2),
            "a ring with one hole"
        );
        band.0[0].iter().map(Vec::len).sum::<usize>()
    };
    assert!(corners(16_000) < 2 * corners(4_000));
}
