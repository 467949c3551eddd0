//! Native stages in a chain: what they may add, and what is refused.

use crate::example;
use crate::whole_job::{Folder, made};
use grainway_pipeline::chain::Stages;
use grainway_pipeline::doc::{Pointer, Unit};
use grainway_pipeline::finding::Severity;
use grainway_pipeline::stage::{Cancel, Cx, Dialects, MemorySpool, Settings, Silent, Stage, Stop};
use grainway_pipeline::work::{Entry, Work};
use serde_json::{Value, json};
use std::sync::Arc;

fn dialects() -> Dialects {
    let mut all = Dialects::default();
    for dialect in example("sentences_rust").dialects() {
        all.add(dialect);
    }
    all
}

/// The built-in stages with `stage` before `before`, or at the end.
fn with(stage: Box<dyn Stage>, before: &str) -> Stages {
    let mut all = Stages::default();
    let stage: Arc<dyn Stage> = Arc::from(stage);
    let mut added = false;
    for s in grainway_stages::built_in().iter() {
        if s.about().name == before {
            all.add(Arc::clone(&stage));
            added = true;
        }
        all.add(Arc::clone(s));
    }
    assert!(added, "{before}");
    all
}

fn only_stage(library: &str) -> Box<dyn Stage> {
    let mut stages = example(library).stages();
    assert_eq!(stages.len(), 1);
    stages.remove(0)
}

#[test]
fn zones_are_named_for_each_setup() {
    let (work, _) = made(
        &with(only_stage("stage_rust"), "report"),
        &dialects(),
        "plain-sentences",
    );
    let open: Vec<_> = work
        .findings
        .iter()
        .filter(|f| f.code == "vacuum-zones/open")
        .collect();
    assert_eq!(open.len(), work.setups.len());
    for (finding, setup) in open.iter().zip(&work.setups) {
        assert_eq!(finding.setup.as_deref(), Some(setup.id.as_str()));
        assert_eq!(finding.severity, Severity::Note);
        assert_eq!(finding.remedy, "Open these zones and close the others.");
        // Reckoned anew: a bed of 1200 by 600 in 3 by 2 zones, so each is 400 by 300. The panel is 1250 by 520, so it covers the
        // lower row wholly and 220 of 300 of the upper one, less than 0.8.
        let mut zones = std::collections::BTreeSet::new();
        for p in &setup.placements {
            let outline = &work.variant(&p.variant).unwrap().outline;
            let corners = outline.vertices.iter().map(|v| p.placing.point(v.at));
            let (mut low, mut high) = ((f64::MAX, f64::MAX), (f64::MIN, f64::MIN));
            for c in corners {
                low = (low.0.min(c.x), low.1.min(c.y));
                high = (high.0.max(c.x), high.1.max(c.y));
            }
            for i in 0..3 {
                let (x, y) = (f64::from(i) * 400.0, 0.0);
                if low.0 < x + 400.0 && high.0 > x && low.1 < y + 300.0 {
                    zones.insert(format!("{}1", ["A", "B", "C"][i as usize]));
                }
            }
        }
        let list: Vec<String> = zones.into_iter().collect();
        let wanted = format!(
            "Open zones {} of the bed's 3 by 2; pieces lie over them.",
            list.join(", ")
        );
        assert_eq!(finding.message, wanted, "{}", setup.id);
    }
    // The moves that it looks at come from blocks on request: outlines are cut through over these zones.
    assert!(
        work.findings
            .iter()
            .any(|f| f.code == "vacuum-zones/cut-through"),
        "{:?}",
        work.findings
    );
    assert!(work.facts.contains("vacuum-zones"));
    assert!(work.facts.contains("reported"));
}

#[test]
fn settings_are_read_with_their_unit() {
    let stage = only_stage("stage_rust");
    let layer = json!({ "bed-length": 40, "bed-width": "20in", "rows": 3 });
    let read = stage
        .read_settings(&layer, Unit::Inch, &Pointer::default())
        .unwrap();
    assert_eq!(
        read,
        json!({ "bed-length": 1016.0, "bed-width": 508.0, "rows": 3 })
    );
    let read = stage
        .read_settings(&layer, Unit::Mm, &Pointer::default())
        .unwrap();
    assert_eq!(
        read,
        json!({ "bed-length": 40.0, "bed-width": 508.0, "rows": 3 })
    );
    let layer = json!({ "bed-lenght": 40, "rows": 300, "bed-width": "20 ells" });
    let problems = stage
        .read_settings(
            &layer,
            Unit::Mm,
            &Pointer::from("shop#/settings/vacuum-zones"),
        )
        .unwrap_err();
    let told: Vec<String> = problems
        .iter()
        .map(|p| format!("{}: {}", p.pointer, p.message))
        .collect();
    assert_eq!(told.len(), 3, "{told:?}");
    assert!(told[0].contains("did you mean \"bed-length\"?"), "{told:?}");
    assert!(
        told.iter()
            .any(|t| t.contains("/rows: 300 should be between 1 and 26")),
        "{told:?}"
    );
    assert!(
        told.iter()
            .any(|t| t.contains("/bed-width: ") && t.contains("20 ells")),
        "{told:?}"
    );
}

#[test]
fn the_schema_is_one_and_the_example_follows_it() {
    // Against jsonschema, a validator that is not ours.
    for name in ["stage_rust", "misbehaving"] {
        let stage = only_stage(name);
        let about = stage.about();
        assert!(jsonschema::meta::is_valid(&about.schema), "{name}");
        let validator = jsonschema::validator_for(&about.schema).unwrap();
        assert!(validator.is_valid(&about.example), "{name}");
        let mut spoiled = about.example.clone();
        spoiled["never-heard-of"] = json!(1);
        assert!(!validator.is_valid(&spoiled), "{name}");
    }
}

/// A work with an order, and what the misbehaving stage does to it.
fn done(work: &mut Work, deed: &str) -> Result<(), Stop> {
    let stage = only_stage("misbehaving");
    let (spool, cancel) = (MemorySpool::default(), Cancel::default());
    let cx = Cx {
        files: &Folder("no such folder".into()),
        dialects: &Dialects::default(),
        spool: &spool,
        progress: &Silent,
        cancel: &cancel,
    };
    stage.run(work, &Settings(json!({ "do": deed })), &cx)
}

#[test]
fn a_patch_is_held_to_what_was_declared() {
    let (work, _) = made(&grainway_stages::built_in(), &dialects(), "plain-sentences");
    for (deed, words) in [
        (
            "finds-undeclared",
            "gave a finding \"never-named\" that its description does not name",
        ),
        (
            "talks-of-nobody",
            "gave a finding for a part \"nobody\" that does not exist",
        ),
        ("points-nowhere", "gave a patch that cannot be read: "),
        (
            "gives-hand-work",
            "gave a patch with \"hand-work\", which its description does not name in `may`",
        ),
        (
            "shortens-order",
            "cannot be taken: the steps before the first pause are others",
        ),
        (
            "swaps-cutters",
            "cannot be taken: a step would run with another cutter than its own",
        ),
        ("panics", "panicked: on purpose"),
        ("no-such-deed", "refused at /do: no such deed"),
    ] {
        let mut after = work.clone();
        match done(&mut after, deed) {
            Err(Stop::Fault(fault)) => {
                let said = fault.to_string();
                assert!(
                    said.starts_with("stage misbehaves of plugin misbehaving (libmisbehaving.so) "),
                    "{said}"
                );
                assert!(said.contains(words), "{deed}: {said}");
            }
            other => panic!("{deed}: {other:?}"),
        }
        assert!(after == work, "{deed} changed the work");
    }
    let mut after = work.clone();
    done(&mut after, "finds-nothing").unwrap();
    assert!(after == work);
}

#[test]
fn a_new_order_is_taken_and_its_programs_are_verified_anew() {
    let mut plain = Value::Null;
    let mut reversed = Value::Null;
    for (deed, out) in [
        ("finds-nothing", &mut plain),
        ("reverses-order", &mut reversed),
    ] {
        struct Always(Box<dyn Stage>, &'static str);
        impl Stage for Always {
            fn about(&self) -> &grainway_pipeline::stage::About {
                self.0.about()
            }
            fn run(&self, work: &mut Work, _: &Settings, cx: &Cx<'_>) -> Result<(), Stop> {
                self.0.run(work, &Settings(json!({ "do": self.1 })), cx)
            }
            fn read_settings(
                &self,
                layer: &Value,
                unit: Unit,
                pointer: &Pointer,
            ) -> Result<Value, Vec<grainway_pipeline::doc::Problem>> {
                self.0.read_settings(layer, unit, pointer)
            }
        }
        let stage = Box::new(Always(only_stage("misbehaving"), deed));
        let (work, _) = made(&with(stage, "post"), &dialects(), "plain-sentences");
        assert!(work.facts.contains("verified"));
        let steps = |w: &Work| -> Vec<Vec<String>> {
            let of =
                |e: &Entry| matches!(e, Entry::Step(_)).then(|| serde_json::to_string(e).unwrap());
            w.setups
                .iter()
                .map(|s| s.order.iter().filter_map(of).collect())
                .collect()
        };
        for p in &work.programs {
            assert!(p.as_planned.as_ref().unwrap().passed, "{}", p.name);
        }
        *out = json!(steps(&work));
    }
    assert_ne!(plain, reversed);
    let sorted = |v: &Value| {
        let mut all: Vec<String> = v[0]
            .as_array()
            .unwrap()
            .iter()
            .map(ToString::to_string)
            .collect();
        all.sort();
        all
    };
    assert_eq!(sorted(&plain), sorted(&reversed));
}
