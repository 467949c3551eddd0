//! A sample job through the whole chain with a native dialect: its programs must pass verify as those of any other dialect.

use crate::example;
use grainway_pipeline::chain::{Chain, KeepNothing, Stages};
use grainway_pipeline::doc;
use grainway_pipeline::stage::{
    Cancel, Cx, Dialects, FileProblem, Files, MemorySpool, Silent, Spool,
};
use grainway_pipeline::work::{Documents, Work, sha256_hex};
use std::io::Read;
use std::path::{Path, PathBuf};

/// The files of a job's folder.
pub(crate) struct Folder(pub(crate) PathBuf);

impl Files for Folder {
    fn read(&self, name: &str) -> Result<Vec<u8>, FileProblem> {
        std::fs::read(self.0.join(name)).map_err(|_| FileProblem::Missing(name.into()))
    }
}

/// Runs a sample job, its machine reading `dialect`, with these stages and dialects.
pub(crate) fn made(stages: &Stages, dialects: &Dialects, dialect: &str) -> (Work, MemorySpool) {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../jobs/reading-bench");
    let job = std::fs::read(folder.join("job.json")).unwrap();
    let read = doc::read_job(&job).unwrap();
    let mut shop = doc::read_shop(&std::fs::read(folder.join(&read.shop)).unwrap()).unwrap();
    for machine in shop.machines.values_mut() {
        machine.dialect = dialect.to_string();
    }
    let mut work = Work::new(Documents {
        job: read,
        shop,
        hash: sha256_hex(&job),
        night: None,
    });
    let (spool, cancel) = (MemorySpool::default(), Cancel::default());
    let cx = Cx {
        files: &Folder(folder),
        dialects,
        spool: &spool,
        progress: &Silent,
        cancel: &cancel,
    };
    let chain = Chain::plan(stages, &work).unwrap_or_else(|f| panic!("{f:?}"));
    chain.run(&mut work, 0, &cx, &mut KeepNothing).unwrap();
    (work, spool)
}

#[test]
fn a_jobs_sentences_pass_verify() {
    let mut dialects = Dialects::default();
    for dialect in example("sentences_rust").dialects() {
        dialects.add(dialect);
    }
    let stages = grainway_stages::built_in();
    let (work, spool) = made(&stages, &dialects, "plain-sentences");
    assert!(!work.programs.is_empty());
    for p in &work.programs {
        for verdict in [&p.as_planned, &p.safe] {
            let v = verdict.as_ref().unwrap();
            assert!(v.passed, "{}: {:?}", p.name, v.findings);
        }
        assert!(p.name.ends_with(".txt"), "{}", p.name);
        let mut text = String::new();
        let mut reader = spool.open(&p.text).unwrap();
        reader.read_to_string(&mut text).unwrap();
        assert!(text.starts_with("program "), "{text}");
        assert!(text.contains("\ncut straight to x "), "{text}");
    }
    assert!(!work.has_errors(), "{:?}", work.findings);
}
