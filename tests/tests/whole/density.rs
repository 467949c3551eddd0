//! Layouts of the search, judged by shapely (GEOS): nothing overlaps and all lies inside.

use grainway_tests::density::{Instance, WIDTH_MM, job_of};
use serde_json::json;

/// Shapes of our own: brackets that hook into each other, frames whose openings take smaller ones, wedges.
fn instance(name: &str, pieces: serde_json::Value) -> Instance {
    let text = json!({ "name": name, "strip_width": 100.0, "pieces": pieces });
    Instance::read(&text.to_string()).unwrap()
}

fn brackets() -> Instance {
    instance(
        "brackets",
        json!([
            { "count": 6, "rotations_deg": [0, 180], "outline": [[0, 0], [40, 0], [40, 12], [12, 12], [12, 45], [0, 45]] },
            { "count": 5, "rotations_deg": [0, 90, 180, 270], "outline": [[0, 0], [30, 0], [0, 18]] },
            { "count": 8, "rotations_deg": [0], "outline": [[0, 0], [9, 0], [9, 9], [0, 9]] }
        ]),
    )
}

fn wedges() -> Instance {
    instance(
        "wedges",
        json!([
            { "count": 7, "rotations_deg": [0, 180], "outline": [[0, 0], [50, 0], [35, 20], [10, 20]] },
            { "count": 4, "rotations_deg": [0, 180], "outline": [[0, 0], [20, 15], [0, 30], [8, 15]] },
            { "count": 3, "outline": [[0, 0], [33, 0], [33, 33], [0, 33], [0, 22], [11, 22], [11, 11], [0, 11]] }
        ]),
    )
}

/// A square of 100 cut into four, which fill a strip as wide without a gap.
fn jigsaw() -> Instance {
    instance(
        "jigsaw",
        json!([
            { "count": 1, "outline": [[0, 0], [60, 0], [40, 50], [0, 30]] },
            { "count": 1, "outline": [[60, 0], [100, 0], [100, 70], [40, 50]] },
            { "count": 1, "outline": [[0, 30], [40, 50], [30, 100], [0, 100]] },
            { "count": 1, "outline": [[40, 50], [100, 70], [100, 100], [30, 100]] }
        ]),
    )
}

#[test]
fn nothing_overlaps_and_all_lies_inside() {
    for instance in [brackets(), wedges(), jigsaw()] {
        let plain = instance.bottom_left();
        let strip = instance.searched(20_000).unwrap();
        let complaints = instance.complaints(&strip).unwrap();
        assert_eq!(complaints, "", "{}", instance.name);
        assert!(strip.length <= plain + 1e-6, "{}", instance.name);
        assert!(instance.density(strip.length) <= 100.0 + 1e-3);
    }
}

#[test]
fn a_jigsaw_is_put_together() {
    let strip = jigsaw().searched(60_000).unwrap();
    assert!(strip.length <= 1.02 * WIDTH_MM, "{}", strip.length);
}

#[test]
fn shapely_sees_what_overlaps_and_what_sticks_out() {
    let instance = brackets();
    let mut strip = instance.searched(0).unwrap();
    strip.lying[3] = strip.lying[2];
    assert!(instance.complaints(&strip).unwrap().contains("overlap"));
    let mut strip = instance.searched(0).unwrap();
    strip.length -= 5.0;
    assert!(
        instance
            .complaints(&strip)
            .unwrap()
            .contains("leaves the strip")
    );
}

#[test]
fn the_same_layout_comes_out_with_any_number_of_threads() {
    let of = |threads| {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build();
        pool.unwrap()
            .install(|| brackets().searched(5_000).unwrap())
    };
    let one = of(1);
    assert_eq!(one, of(2));
    assert_eq!(one, of(5));
}

/// Steps grow with the parts and hardly faster; and every part of the many lies somewhere.
#[test]
fn the_work_of_a_layout_grows_with_its_parts() {
    let (few, many) = (job_of(100, 100), job_of(900, 100));
    let growth = (many.steps as f64 / few.steps as f64).ln() / 9.0_f64.ln();
    assert!(growth < 1.1, "{growth}: {} and {}", few.steps, many.steps);
    let laid = |s: &grainway_nest::Sheets| s.sheets.iter().map(|s| s.lying.len()).sum::<usize>();
    assert_eq!((laid(&few), laid(&many)), (100, 900));
    assert!(few.left.is_empty() && many.left.is_empty());
}
