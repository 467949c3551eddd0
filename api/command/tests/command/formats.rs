//! The formats: schemas that are checked in, and a document of every past version.

use crate::bench::Bench;

#[test]
fn the_schemas_checked_in_are_the_types() {
    let bench = Bench::new();
    for document in [
        "job", "shop", "report", "dialect", "list", "openapi", "serve",
    ] {
        let run = bench.run(&["schema", document]);
        let path = format!("{}/../schema/{document}.json", env!("CARGO_MANIFEST_DIR"));
        let checked_in = std::fs::read_to_string(&path).unwrap();
        assert!(
            run.out == checked_in,
            "run `grainway schema {document} > schema/{document}.json`"
        );
    }
}

/// A fixture of every version that was ever released stays here and migrates to one that reads without a problem.
#[test]
fn documents_of_every_version_migrate() {
    let fixtures = format!("{}/tests/command/formats", env!("CARGO_MANIFEST_DIR"));
    let mut seen = 0;
    for entry in std::fs::read_dir(fixtures).unwrap() {
        let path = entry.unwrap().path();
        let name = path.file_name().unwrap().to_str().unwrap().to_string();
        let bench = Bench::new();
        bench.put(&name, std::fs::read_to_string(&path).unwrap());
        let run = bench.run(&["migrate", &name]);
        assert_eq!(run.exit, 0, "{name}: {}", run.err);
        let text = bench.read(&name);
        let read = if name.starts_with("shop") {
            grainway_pipeline::doc::read_shop(text.as_bytes()).map(|_| ())
        } else {
            grainway_pipeline::doc::read_job(text.as_bytes()).map(|_| ())
        };
        assert_eq!(read, Ok(()), "{name}");
        // Canonical form stays what it is.
        let again = bench.run(&["migrate", &name]);
        assert!(again.out.contains("already"), "{}", again.out);
        assert_eq!(bench.read(&name), text);
        seen += 1;
    }
    assert_eq!(seen, 2);
}

#[test]
fn a_document_with_problems_is_left_alone() {
    let bench = Bench::new();
    let text =
        "{\"format\": \"grainway.job/1\", \"name\": \"x\", \"shop\": \"shop.json\", \"prats\": []}";
    bench.put("job.json", text);
    let run = bench.run(&["migrate", "job.json"]);
    assert_eq!(run.exit, 1, "{}", run.err);
    assert!(run.err.contains("did you mean \"parts\"?"), "{}", run.err);
    assert_eq!(bench.read("job.json"), text);
}
