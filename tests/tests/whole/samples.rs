//! The sample jobs, each a readable example and a golden test at once.

use grainway_tests::{SAMPLES, load, make, sample};

#[test]
fn every_sample_is_ready() {
    for name in SAMPLES {
        let made = make(load(&sample(name)).unwrap()).unwrap();
        assert!(made.ready(), "{name}: {:#?}", made.errors());
    }
}

#[test]
fn an_impossible_order_is_refused_before_anything_runs() {
    let mut loaded = load(&sample(SAMPLES[0])).unwrap();
    let order = ["drawing", "pocket", "fit", "relief"]
        .map(String::from)
        .to_vec();
    loaded.work.documents.job.chain = Some(order);
    let refused = make(loaded).err().unwrap();
    assert!(
        refused.contains("chain-order") && refused.contains("job#/chain/1"),
        "{refused}"
    );
    // It names the stage, what it lacks and who gives that.
    assert!(
        refused.contains("Stage pocket needs \"corners\", which stage relief gives"),
        "{refused}"
    );
}
