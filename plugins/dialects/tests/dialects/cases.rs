//! Data files that once passed and would have spoiled wood, in `tests/cases/dialect`: each is refused when it is loaded, at the key that is
//! wrong, or works.

use grainway_dialects::conformance::{Outcome, conformance};
use grainway_dialects::from_json;
use grainway_pipeline::doc::Problem;

pub fn case(name: &str) -> String {
    let folder = concat!(env!("CARGO_MANIFEST_DIR"), "/../../tests/cases/dialect");
    std::fs::read_to_string(format!("{folder}/{name}.json")).unwrap()
}

fn refused(name: &str) -> Vec<Problem> {
    let problems = from_json(&case(name)).err();
    problems.unwrap_or_else(|| panic!("{name} is taken"))
}

/// One problem at each of the places, with words that say why.
fn refused_at(name: &str, wanted: &[(&str, &str)]) {
    let problems = refused(name);
    assert_eq!(problems.len(), wanted.len(), "{problems:#?}");
    for ((pointer, words), p) in wanted.iter().zip(&problems) {
        assert_eq!(p.pointer, *pointer, "{p:?}");
        assert!(p.message.contains(words), "{p:?}");
    }
}

#[test]
fn a_spindle_stopped_at_each_step_is_refused() {
    refused_at(
        "spindle-stopped-at-each-step",
        &[("/step-start/1", "switches the spindle")],
    );
}

#[test]
fn a_plunge_at_each_step_is_refused() {
    refused_at(
        "plunge-at-each-step",
        &[("/step-start/1", "moves the cutter")],
    );
}

#[test]
fn feeds_a_second_under_g94_are_refused() {
    let why = "G94 makes feeds lengths a minute";
    refused_at(
        "feed-per-second-under-g94",
        &[("/safe-start/0", why), ("/step-start/0", why)],
    );
}

#[test]
fn g64_where_the_path_is_to_be_exact_is_refused() {
    let why = "G64 lets the controller round corners";
    refused_at(
        "corners-rounded-by-g64",
        &[("/safe-start/0", why), ("/step-start/0", why)],
    );
}

/// With its tolerance it is taken, and the description tells it to whoever makes the setup sheet.
#[test]
fn g64_with_its_tolerance_is_taken_and_told() {
    let declared = |tolerance: &str| {
        let mode = format!("\"path-mode\": {{\"continuous\": {{\"tolerance-mm\": {tolerance}}}}},");
        case("corners-rounded-by-g64").replacen('{', &format!("{{{mode}"), 1)
    };
    let dialect = from_json(&declared("0.05")).unwrap();
    assert_eq!(dialect.about().corner_tolerance_mm, Some(0.05));
    let table = conformance(dialect.as_ref());
    assert!(table.passed(), "{:?}", table.failed());
    for (tolerance, taken) in [
        ("0.001", true),
        ("0.0009", false),
        ("0.1", true),
        ("0.11", false),
    ] {
        assert_eq!(
            from_json(&declared(tolerance)).is_ok(),
            taken,
            "{tolerance}"
        );
    }
    // Without any word for it the controller's own setting would hold.
    let unsaid = case("corners-rounded-by-g64").replace(" G64", "");
    let table = conformance(from_json(&unsaid).unwrap().as_ref());
    assert!(
        table.failed().contains(&"straight-moves"),
        "{:?}",
        table.failed()
    );
}

#[test]
fn a_machine_change_without_a_length_is_refused_unless_the_change_calls_it() {
    refused_at(
        "machine-change-without-length",
        &[("/length-offset", "nothing calls their lengths")],
    );
    let said =
        case("machine-change-without-length").replacen('{', "{\"length-by-change\": true,", 1);
    let dialect = from_json(&said).unwrap();
    assert!(dialect.about().length_by_change);
    let built_in = grainway_dialects::built_in();
    let told = |name: &str| built_in.get(name).unwrap().about().length_by_change;
    assert!(told("iso6983") && !told("rs274-ngc") && !told("rs274-lean"));
}

#[test]
fn a_word_that_the_language_lacks_is_refused() {
    let why = "the dialect has no G80";
    refused_at(
        "words-missing-from-language",
        &[("/safe-start/0", why), ("/step-start/0", why)],
    );
}

#[test]
fn a_dwell_in_x_works() {
    let dialect = from_json(&case("dwell-in-x")).unwrap();
    let table = conformance(dialect.as_ref());
    assert!(table.passed(), "{:#?}", table.rows);
    let dwell = table.rows.iter().find(|r| r.check == "dwell").unwrap();
    assert_eq!(dwell.detail, "4.25 s");
    let other = case("dwell-in-x").replace("\"X\"", "\"G\"");
    assert_eq!(from_json(&other).err().unwrap()[0].pointer, "/dwell/letter");
}

/// The starting line that the manual of the keys names.
#[test]
fn a_program_number_works_where_the_language_has_it() {
    let file = |letters: &str| {
        format!(
            r#"{{"format": "grainway.dialect/1", "name": "numbered-programs", "version": 1, "extends": "rs274-lean",
                "summary": "As rs274-lean, with a program's number in a line of its own.", "start": ["O{{{{ number }}}}"],
                "language": {{"letters": "{letters}"}}}}"#
        )
    };
    let table = conformance(from_json(&file("FGIJMOPSXYZ")).unwrap().as_ref());
    assert!(table.passed(), "{:#?}", table.rows);
    let problems = from_json(&file("FGIJMPSXYZ")).err().unwrap();
    assert_eq!(problems[0].pointer, "/start/0");
    assert!(
        problems[0].message.contains("O begins no word"),
        "{problems:?}"
    );
}

/// Words that stand alone, and letters before numbers.
#[test]
fn a_word_of_a_key_that_the_language_lacks_is_refused() {
    let problems = |keys: &str| {
        let text = format!(
            r#"{{"format": "grainway.dialect/1", "name": "odd", "version": 1, "extends": "rs274-ngc", "summary": "x", {keys}}}"#
        );
        let found = from_json(&text).err().unwrap_or_default();
        found.into_iter().map(|p| p.pointer).collect::<Vec<_>>()
    };
    let without = |g: &str| {
        let all = [
            "0", "1", "2", "3", "4", "17", "20", "21", "40", "43", "49", "53", "54", "61", "80",
            "81", "83", "90", "94", "99",
        ];
        let kept: Vec<String> = all
            .iter()
            .filter(|c| **c != g)
            .map(|c| format!("\"{c}\""))
            .collect();
        problems(&format!("\"language\": {{\"g\": [{}]}}", kept.join(", ")))
    };
    assert_eq!(without("none"), [""; 0]);
    for (code, pointer) in [
        ("0", "/motion/rapid"),
        ("3", "/motion/counter-clockwise"),
        ("4", "/dwell/word"),
        ("20", "/units/inch"),
        ("43", "/length-offset"),
        ("53", "/retract-full"),
        ("83", "/cycles/peck"),
        ("99", "/cycles/return-low"),
    ] {
        assert!(
            without(code).contains(&pointer.into()),
            "{code}: {:?}",
            without(code)
        );
    }
    assert_eq!(
        problems(r#""language": {"m": [0, 2, 3, 4, 6]}"#),
        ["/spindle/stop"]
    );
    assert_eq!(
        problems(r#""language": {"letters": "FGHIJKMPRSTXYZ"}"#),
        ["/language/letters"]
    );
    assert_eq!(
        problems(r#""retract-full": ["G0 Z50."]"#),
        ["/retract-full"]
    );
}

/// Controllers whose manuals ask for properties that no built-in dialect has; README.md there names them.
const BY_MANUALS: [&str; 4] = [
    "counts-and-radii",
    "decimal-comma",
    "short-numbered-files",
    "pen-with-heights",
];

#[test]
fn files_written_by_manuals_conform() {
    for name in BY_MANUALS {
        let text = case(name);
        assert!(text.lines().count() < 40, "{name}");
        let dialect = from_json(&text).unwrap_or_else(|p| panic!("{name}: {p:#?}"));
        let table = conformance(dialect.as_ref());
        let failed = table.rows.iter().filter(|r| r.outcome == Outcome::Failed);
        let failed: Vec<_> = failed.collect();
        assert!(failed.is_empty(), "{name}: {failed:#?}");
    }
}

/// The walk in `plugins/README.md` shows one of them as it is.
#[test]
fn the_walk_shows_a_case() {
    let readme = concat!(env!("CARGO_MANIFEST_DIR"), "/../README.md");
    let readme = std::fs::read_to_string(readme).unwrap();
    assert!(readme.contains(&case("decimal-comma")));
}
