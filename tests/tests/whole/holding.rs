//! Holding: what common shop practice (no source) demands, checked on whole jobs.

use grainway_geom::point;
use grainway_pipeline::chain::Stages;
use grainway_pipeline::doc::WasteBy;
use grainway_pipeline::motion::Move;
use grainway_pipeline::stage::{Cx, Description, Stop, Typed, TypedStage};
use grainway_pipeline::work::Work;
use grainway_tests::{Made, NoSettings, load_texts, make, root, run};
use std::sync::Arc;

fn shop(zero: &str, thickness: &str) -> String {
    format!(
        r#"{{
  "format": "grainway.shop/1", "unit": "mm",
  "machines": {{ "router": {{
    "dialect": "rs274-ngc", "travel": [1500, 900, 120], "z-zero": "{zero}", "max-feed": 6000, "max-plunge": 1500,
    "rapid": 10000, "acceleration": 500, "min-rpm": 8000, "max-rpm": 24000, "cutter-change": "machine", "spoilboard": 18 }} }},
  "cutters": {{
    "mill": {{ "kind": "end-mill", "number": 1, "diameter": 6, "cutting-length": 32, "usable-length": 40, "max-rpm": 24000 }},
    "drill": {{ "kind": "drill", "number": 2, "diameter": 3, "cutting-length": 40, "usable-length": 45, "max-rpm": 9000 }} }},
  "stocks": {{ "wood": {{ "wood": "oak-white", "thickness": {thickness}, "boards": [{{ "id": "b", "length": 1000, "width": 450 }}] }} }}
}}"#
    )
}

fn two_parts(zero: &str) -> Made {
    let job = r#"{ "format": "grainway.job/1", "name": "Two shelves", "shop": "s", "parts": [
        { "id": "shelf", "count": 2, "stock": "wood", "blank": { "length": 400, "width": 120 } } ] }"#;
    make(load_texts(job, &shop(zero, "[18.4, 19.0, 19.6]"), &root()).unwrap()).unwrap()
}

#[test]
fn tabs_hold_in_the_thinnest_wood_and_kerfs_part_the_thickest() {
    for zero in ["bed", "top"] {
        let made = two_parts(zero);
        assert!(made.ready(), "{zero}: {:#?}", made.errors());
        let setup = &made.work.setups[0];
        assert_eq!(setup.placements.len(), 2);
        let outlines: Vec<_> = setup
            .placements
            .iter()
            .map(|p| {
                made.work
                    .variant(&p.variant)
                    .unwrap()
                    .outline
                    .placed(&p.placing)
            })
            .collect();
        for (i, placement) in setup.placements.iter().enumerate() {
            let variant = made.work.variant(&placement.variant).unwrap();
            assert!(placement.tabs.len() >= 3, "{zero}: {:?}", placement.tabs);
            let (index, blob) = &placement.tabbed[0];
            let profile = variant.steps[*index].profile.as_ref().unwrap();
            let path = &profile.loops.last().unwrap().path;
            for tab in &placement.tabs {
                assert!(
                    tab.top - variant.z.highest_underside() >= 2.0,
                    "{zero}: {tab:?}"
                );
                // Nothing of the other part within the kerf and a neck's width outwards of the tab.
                let at = placement
                    .placing
                    .point(path.at_length(tab.along).unwrap().0);
                let other = &outlines[1 - i];
                assert!(
                    other.distance(at) > 6.0 / 2.0 + tab.neck,
                    "{zero}: a tab towards the other part at {at:?}"
                );
            }
            let lowest = made
                .work
                .moves(blob)
                .iter()
                .fold(f64::INFINITY, |z, m| match m {
                    Move::Line { to, .. } | Move::Rapid { to } => z.min(to.z),
                    _ => z,
                });
            assert!(
                lowest < variant.z.lowest_underside() - 0.1,
                "{zero}: reaches {lowest} only"
            );
        }
    }
}

const BENCH_END: &str = r#"{ "format": "grainway.job/1", "name": "Bench end", "shop": "s", "parts": [
    { "id": "end", "stock": "wood", "blank": { "length": 600, "width": 300 }, "features": [
        { "id": "first", "kind": "cutout", "shape": { "rectangle": { "at": [60, 60], "size": [120, 35], "corner": 5 } } },
        { "id": "second", "kind": "cutout", "shape": { "rectangle": { "at": [220, 200], "size": [300, 30], "corner": 5 } } },
        { "id": "third", "kind": "cutout", "shape": { "rectangle": { "at": [300, 80], "size": [25, 25], "corner": 5 } } } ] } ],
    "settings": { "hold": { "screw-diameter": 4, "head-diameter": 8 } } }"#;

#[test]
fn waste_is_held_or_becomes_chips_by_its_size() {
    let made = make(load_texts(BENCH_END, &shop("bed", "[22]"), &root()).unwrap()).unwrap();
    assert!(made.ready(), "{:#?}", made.errors());
    let waste = &made.work.setups[0].placements[0].waste;
    let of = |key: &str| {
        waste
            .iter()
            .find(|w| w.feature == key)
            .unwrap_or_else(|| panic!("{key} in {waste:?}"))
    };
    let first = of("first");
    assert!(
        first.screws.len() == 2 || (first.screws.len() == 1 && !first.tabs.is_empty()),
        "{first:?}"
    );
    assert_eq!(of("second").screws.len(), 2, "{:?}", of("second"));
    assert_eq!(of("third").by, WasteBy::Chips, "{:?}", of("third"));
}

/// Moves a screw of the second opening across its slug, after hold has planned it, and keeps everything else.
struct MoveScrew(f64);

impl TypedStage for MoveScrew {
    type Settings = NoSettings;
    fn describe(&self) -> Description {
        Description {
            name: "move-screw",
            version: 1,
            summary: "Moves one hold-down screw.",
            needs: &["held"],
            gives: &[],
            spoils: &[],
        }
    }
    fn run(&self, work: &mut Work, _: &NoSettings, _: &Cx<'_>) -> Result<(), Stop> {
        let hold = work.setups[0]
            .holds
            .iter_mut()
            .find(|h| {
                h.of.as_ref()
                    .is_some_and(|(_, feature)| feature == "second")
            })
            .expect("the second opening's waste is held by a screw");
        hold.at = hold.at + point(0.0, self.0);
        Ok(())
    }
}

#[test]
fn a_screw_moved_ten_millimetres_fails_verification() {
    let mut stages = Stages::default();
    for stage in grainway_stages::built_in().iter() {
        stages.add(stage.clone());
        if stage.about().name == "hold" {
            stages.add(Arc::new(Typed::new(MoveScrew(10.0))));
        }
    }
    let loaded = load_texts(BENCH_END, &shop("bed", "[22]"), &root()).unwrap();
    let made = run(loaded, &stages, &grainway_dialects::built_in()).unwrap();
    assert!(!made.ready());
    assert!(
        made.work
            .programs
            .iter()
            .any(|p| p.safe.as_ref().is_some_and(|v| !v.passed)),
        "{:#?}",
        made.errors()
    );
}
