//! The formats: schemas that are checked in, and a document of every past version.

use crate::bench::Bench;

#[test]
fn the_schemas_checked_in_are_the_types() {
    let bench = Bench::new();
    for document in [
        "job", "night", "shop", "report", "dialect", "list", "openapi", "serve",
    ] {
        let run = bench.run(&["schema", document]);
        let path = format!(
            "{}/../../schema/{document}.json",
            env!("CARGO_MANIFEST_DIR")
        );
        let checked_in = std::fs::read_to_string(&path).unwrap();
        assert!(
            run.out == checked_in,
            "run `grainway schema {document} > schema/{document}.json`"
        );
    }
}

/// A fixture of every version that was ever released stays here and reads without a problem.
#[test]
fn documents_of_every_version_are_read() {
    let fixtures = format!("{}/tests/command/formats", env!("CARGO_MANIFEST_DIR"));
    let mut seen = 0;
    for entry in std::fs::read_dir(fixtures).unwrap() {
        let path = entry.unwrap().path();
        let name = path.file_name().unwrap().to_str().unwrap().to_string();
        let bytes = std::fs::read(&path).unwrap();
        let read = if name.starts_with("shop") {
            grainway_pipeline::doc::read_shop(&bytes).map(|_| ())
        } else if name.starts_with("night") {
            let night = grainway_pipeline::doc::read_night_as_far_as_possible(&bytes);
            night.document.map(|_| ()).ok_or(night.problems)
        } else {
            grainway_pipeline::doc::read_job(&bytes).map(|_| ())
        };
        assert_eq!(read, Ok(()), "{name}");
        seen += 1;
    }
    assert_eq!(seen, 3);
}
