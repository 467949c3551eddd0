//! The shapes on which an exact offset kernel was measured to fail (ids 358, 363, 332 of the kernel trial; areas by the exact
//! construction there), as real parts through the whole chain: right areas, bounded time, no panic text.

use grainway_geom::{Contour, Notes, Region, Vertex, point};
use grainway_tests::{load_texts, make, root};
use serde_json::{Value, json};
use std::time::Instant;

type Ring = &'static [(f64, f64, f64)];

struct Case {
    id: &'static str,
    outer: Ring,
    holes: &'static [Ring],
    /// Area after insets of 3.175 and 2.8575 mm, mm².
    area: f64,
}

const CASES: [Case; 3] = [
    Case {
        id: "358",
        outer: &[
            (20.487_740_1, 0.0, 0.0),
            (162.281_566_1, 0.0, 0.414_172_141),
            (162.281_566_1, 69.010_997_3, 0.0),
            (20.487_740_1, 69.010_997_3, 0.414_172_141),
        ],
        holes: &[
            &[
                (108.448_599_4, 54.627_796_0, -1.0),
                (100.842_323_2, 60.860_553_1, -1.0),
            ],
            &[(89.479_159_9, 3.01, 0.0), (45.652_473_6, 3.01, -1.0)],
        ],
        area: 7270.03,
    },
    Case {
        id: "363",
        outer: &[
            (0.0, 20.724_602_1, 0.414_172_141),
            (84.138_672_8, 256.737_959_1, 0.414_172_141),
            (0.0, 256.737_959_1, 0.0),
        ],
        holes: &[&[
            (8.268_928_5, 43.996_519_5, 0.0),
            (8.268_928_5, 40.158_662_5, -1.0),
        ]],
        area: 16_252.09,
    },
    Case {
        id: "332",
        outer: &[
            (3.175, 0.0, 0.0),
            (248.671_841_5, 3.175, 0.0),
            (245.496_841_5, 201.170_936_3, 0.0),
            (3.175, 201.170_936_3, 0.414_213_562),
        ],
        holes: &[
            &[
                (34.202_573_3, 194.820_936_3, 0.0),
                (59.615_055_7, 194.820_936_3, 0.0),
                (34.202_573_3, 134.420_959_5, 0.0),
            ],
            &[
                (138.698_185_5, 26.087_541_8, -1.0),
                (132.272_703_8, 6.869_837_4, -1.0),
            ],
        ],
        area: 46_829.18,
    },
];

fn contour(ring: Ring) -> Contour {
    let vertices = ring
        .iter()
        .map(|&(x, y, bulge)| Vertex {
            at: point(x, y),
            bulge,
        })
        .collect();
    Contour {
        vertices,
        closed: true,
    }
}

fn region(case: &Case) -> Region {
    let mut region = Region::inside(contour(case.outer));
    region.holes = case
        .holes
        .iter()
        .map(|h| contour(h).oriented(false))
        .collect();
    region
}

#[test]
fn two_levels_have_the_exact_construction_s_area() {
    for case in &CASES {
        let started = Instant::now();
        let mut notes = Notes::default();
        let first = grainway_geom::offset(&region(case), -3.175, &mut notes);
        let second = grainway_geom::offset_all(&first, -2.8575, &mut notes);
        let area: f64 = second.iter().map(Region::area).sum();
        // The printed areas have two decimals; the boundary is about 500 mm long.
        assert!(
            (area - case.area).abs() < 0.6,
            "{}: {area} is not {}",
            case.id,
            case.area
        );
        assert!(started.elapsed().as_secs() < 5, "{}", case.id);
    }
}

fn shape(ring: Ring, shift: f64) -> Value {
    let points: Vec<Value> = ring
        .iter()
        .map(|&(x, y, b)| json!({ "at": [x + shift, y + shift], "bulge": b }))
        .collect();
    json!({ "contour": { "points": points } })
}

#[test]
fn as_pockets_they_are_made_and_verified() {
    let shop = r#"{
      "format": "grainway.shop/1", "unit": "mm",
      "machines": { "router": {
        "dialect": "rs274-ngc", "travel": [1500, 900, 120], "z-zero": "bed", "max-feed": 6000, "max-plunge": 1500,
        "rapid": 10000, "acceleration": 500, "min-rpm": 8000, "max-rpm": 24000, "cutter-change": "machine", "spoilboard": 18 } },
      "cutters": { "mill": { "kind": "end-mill", "number": 1, "diameter": 6.35, "cutting-length": 25, "usable-length": 34, "max-rpm": 24000 } },
      "stocks": { "ash": { "wood": "ash", "thickness": [20], "boards": [{ "id": "b", "length": 1000, "width": 450 }] } }
    }"#;
    for case in &CASES {
        let started = Instant::now();
        let islands: Vec<Value> = case.holes.iter().map(|h| shape(h, 60.0)).collect();
        let job = json!({
            "format": "grainway.job/1", "name": case.id, "shop": "s",
            "parts": [{ "id": "p", "stock": "ash", "blank": { "length": 420, "width": 390 }, "features": [{
                "id": "field", "kind": "pocket", "shape": shape(case.outer, 60.0), "islands": islands, "depth": 5,
                "if-unreachable": "hand" }] }]
        });
        let made = make(load_texts(&job.to_string(), shop, &root()).unwrap()).unwrap();
        assert!(made.ready(), "{}: {:#?}", case.id, made.errors());
        assert!(started.elapsed().as_secs() < 30, "{}", case.id);
        for f in &made.work.findings {
            assert!(!f.message.contains("panicked"), "{f}");
        }
    }
}
