//! The first example of docs/joints.md, as a reader copies it.

use grainway_tests::{Made, load_texts, make, root};
use serde_json::{Value, json};

/// The blocks of code of the page, in order.
fn blocks() -> Vec<Value> {
    let page = include_str!("../../../../docs/joints.md");
    let blocks = page.split("```json").skip(1);
    let texts = blocks.map(|b| b.split("```").next().unwrap());
    texts.map(|t| serde_json::from_str(t).unwrap()).collect()
}

fn made(job: &Value, shop: &Value) -> Made {
    make(load_texts(&job.to_string(), &shop.to_string(), &root()).unwrap()).unwrap()
}

/// Height and width of the mortise and its depth, mm.
fn mortise(made: &Made) -> [f64; 3] {
    let leg = made.work.variant("leg").unwrap();
    let f = leg
        .features
        .iter()
        .find(|f| f.key == "rail-in-leg")
        .unwrap();
    let b = f.shape.bounds();
    [b.width(), b.height(), leg.z.depth_of(f.floor)]
}

#[test]
fn the_joint_in_ten_lines_is_ready_and_as_large_as_the_page_says() {
    let all = blocks();
    let (job, mut shop) = (&all[0], all[1].clone());
    let one = made(job, &shop);
    assert_eq!(one.errors(), [""; 0]);
    assert!(one.ready());
    let [long, wide, deep] = mortise(&one);
    assert!(
        (wide - 19.4).abs() < 1e-9 && (deep - 26.0).abs() < 1e-9,
        "{wide} {deep}"
    );
    shop["stocks"]["ash-19"]["thickness"][2] = json!(19.6);
    let thicker = mortise(&made(job, &shop));
    let same = [long, wide + 0.3, deep];
    assert!(
        (0..3).all(|i| (thicker[i] - same[i]).abs() < 1e-9),
        "{thicker:?}"
    );
}

/// The joints of the page's other examples are joints of the format.
#[test]
fn every_joint_of_the_page_can_be_read() {
    let all = blocks();
    let joints: Vec<&Value> = all[2..].iter().filter(|b| !b["joint"].is_null()).collect();
    assert!(joints.len() >= 4, "{}", joints.len());
    for joint in joints {
        let read: Result<grainway_pipeline::doc::JointDoc, _> =
            serde_json::from_value(joint.clone());
        assert!(read.is_ok(), "{joint}: {read:?}");
    }
}
