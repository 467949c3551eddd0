//! The sample jobs, each a readable example and a golden test at once.

use grainway_tests::{SAMPLES, load, make, sample};

#[test]
fn every_sample_is_ready() {
    for name in SAMPLES {
        let made = make(load(&sample(name)).unwrap()).unwrap();
        assert!(made.ready(), "{name}: {:#?}", made.errors());
    }
}
