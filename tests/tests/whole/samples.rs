//! The sample jobs, each a readable example and a golden test at once.

use grainway_pipeline::doc::Unit;
use grainway_tests::{Made, SAMPLES, load, make, run, sample};

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

/// Every sample in every built-in dialect, in both units: written, read back, verified.
#[test]
fn every_sample_is_ready_in_every_dialect_that_can_hold_it() {
    let dialects = grainway_dialects::built_in();
    for name in SAMPLES {
        // What a pen language does with them stands in pen.rs.
        let able = |d: &&str| dialects.get(d).is_some_and(|d| d.about().pen.is_none());
        for dialect in dialects.names().filter(able) {
            for unit in [Unit::Mm, Unit::Inch] {
                let place = format!("{name} in {dialect}, {unit:?}");
                let mut loaded = load(&sample(name)).unwrap();
                for machine in loaded.work.documents.shop.machines.values_mut() {
                    machine.dialect = dialect.to_string();
                    machine.program_unit = unit;
                }
                let made = make(loaded).unwrap();
                assert!(made.ready(), "{place}: {:#?}", made.errors());
                assert!(!made.work.programs.is_empty(), "{place}");
            }
        }
    }
}

/// Ways of saying arcs, axes, lengths and the way up that no built-in dialect uses, in both units.
#[test]
fn samples_are_ready_with_arcs_by_radius_and_turned_axes() {
    let keys = [
        r#""arcs": {"centre": "radius", "largest-sweep": 90.0}, "language": {"letters": "FGMPRSXYZ", "radius-arcs": true}"#,
        r#""axes": {"x": "-Y", "y": "-X"}, "arcs": {"centre": "absolute", "shortest-mm": 0.05}"#,
        r#""arcs": {"centre": "absolute", "one-quadrant": true}, "lines": {"length": 40, "separator": "none"},
            "numbers": {"lengths": "counts", "point-always": false},
            "home": {"g": 28, "through": "named"}, "retract-full": ["G28 Z{{ safe }}"],
            "language": {"g": ["0", "1", "2", "3", "4", "17", "20", "21", "28", "54", "90", "94"]}"#,
        r#""axes": {"x": "-X", "y": "Y"}, "numbers": {"feed-per": "second", "feed-decimals-mm": 2, "feed-decimals-inch": 4},
            "safe-start": ["{{ units }} G17 G54 G90"], "step-start": ["{{ units }} G17 G54 G90"]"#,
    ];
    for keys in keys {
        let own = grainway_dialects::from_json(&format!(
            r#"{{"format": "grainway.dialect/1", "name": "own", "version": 1, "extends": "rs274-lean", "summary": "x", {keys}}}"#
        ))
        .unwrap();
        let mut dialects = grainway_dialects::built_in();
        dialects.add(own);
        for name in SAMPLES {
            for unit in [Unit::Mm, Unit::Inch] {
                let mut loaded = load(&sample(name)).unwrap();
                for machine in loaded.work.documents.shop.machines.values_mut() {
                    machine.dialect = "own".to_string();
                    machine.program_unit = unit;
                }
                let made = run(loaded, &grainway_stages::built_in(), &dialects).unwrap();
                assert!(
                    made.ready(),
                    "{name}, {unit:?}, {keys}: {:#?}",
                    made.errors()
                );
            }
        }
    }
}

/// What no text says and no check of it sees is a finding, and so stands on the setup sheet: lengths that a change calls, corners rounded.
#[test]
fn what_is_left_to_the_controller_is_told() {
    let rounded = grainway_dialects::from_json(
        r#"{"format": "grainway.dialect/1", "name": "rounded", "version": 1, "extends": "rs274-ngc", "summary": "x",
            "path-mode": {"continuous": {"tolerance-mm": 0.05}},
            "safe-start": ["{{ units }} G17 G40 G49 G54 G64 G80 G90 G94"], "step-start": ["{{ units }} G17 G40 G54 G64 G80 G90 G94"]}"#,
    )
    .unwrap();
    let mut dialects = grainway_dialects::built_in();
    dialects.add(rounded);
    let told = |dialect: &str| {
        let mut loaded = load(&sample("reading-bench")).unwrap();
        for machine in loaded.work.documents.shop.machines.values_mut() {
            machine.dialect = dialect.to_string();
        }
        let made = run(loaded, &grainway_stages::built_in(), &dialects).unwrap();
        assert!(made.ready(), "{dialect}: {:#?}", made.errors());
        let found = made.with_code("left-to-controller");
        found.iter().map(|f| f.message.clone()).collect::<Vec<_>>()
    };
    // Cutters are changed by the machine in this sample.
    let [lengths] = &told("iso6983")[..] else {
        panic!("not one finding")
    };
    assert!(
        lengths.contains("measure every cutter into the table"),
        "{lengths}"
    );
    let [corners] = &told("rounded")[..] else {
        panic!("not one finding")
    };
    assert!(corners.contains("by at most 0.05 mm"), "{corners}");
    for dialect in ["rs274-ngc", "rs274-lean"] {
        assert_eq!(told(dialect), [""; 0], "{dialect}");
    }
}

/// The reading bench in a dialect whose files hold so many lines.
fn in_short_files(most_lines: u64) -> Made {
    let short = grainway_dialects::from_json(&format!(
        r#"{{"format": "grainway.dialect/1", "name": "short-files", "version": 1, "extends": "rs274-ngc", "summary": "Short files.",
            "files": {{"numbered": true, "most-lines": {most_lines}}}}}"#,
    ))
    .unwrap();
    let mut dialects = grainway_dialects::built_in();
    dialects.add(short);
    let mut loaded = load(&sample("reading-bench")).unwrap();
    for machine in loaded.work.documents.shop.machines.values_mut() {
        machine.dialect = "short-files".to_string();
    }
    run(loaded, &grainway_stages::built_in(), &dialects).unwrap()
}

/// The programs are divided, each is whole in itself, and together they are verified.
#[test]
fn long_programs_are_divided_where_steps_begin() {
    const MOST: u64 = 2000;
    let made = in_short_files(MOST);
    assert!(made.ready(), "{:#?}", made.errors());
    let plain = make(load(&sample("reading-bench")).unwrap()).unwrap();
    assert!(made.work.programs.len() > plain.work.programs.len());
    for (i, program) in made.work.programs.iter().enumerate() {
        assert!(program.written.lines <= MOST, "{}", program.name);
        assert_eq!(program.name, format!("{:04}.ngc", i + 1));
        assert!(made.text(&program.text).contains("M6"), "{}", program.name);
    }
}

#[test]
fn a_step_longer_than_a_file_is_named() {
    let made = in_short_files(400);
    assert!(!made.ready());
    let named = made.with_code("program-not-written");
    assert!(
        named
            .iter()
            .any(|f| f.message.contains("alone has more lines than the 400")),
        "{named:#?}"
    );
}
