//! Checks of stages.

use super::sample::sample_work;
use super::{CANCEL_PATIENCE, CANCEL_WITHIN, Found, Trial, Verdict, grows, must_refuse};
use crate::library::Library;
use crate::native::{self, Failed, NativeStage};
use grainway_abi as abi;
use grainway_pipeline::stage::{Cancel, Stage};
use grainway_pipeline::work::{Blobs, Setup, Work, sha256_hex};
use std::sync::Arc;
use std::time::Instant;

/// The work without parts, variants or setups.
fn empty_work(work: &Work) -> Work {
    Work::new(work.documents.clone())
}

pub(super) fn stage_rows(library: &Library, stage: &Arc<NativeStage>, trial: &mut Trial) {
    let sample = match sample_work() {
        Ok(work) => Arc::new(work),
        Err(what) => {
            trial.row(
                "works",
                Verdict::Skipped,
                format!("the sample work cannot be read: {what}"),
            );
            return;
        }
    };
    let (s, w) = (Arc::clone(stage), Arc::clone(&sample));
    let patches = trial.check("works", trial.deadline, move || works(&s, &w));
    if let Some(patches) = &patches {
        trial
            .hashes
            .extend(patches.iter().map(|p| sha256_hex(p.as_bytes())));
    }
    let (s, w) = (Arc::clone(stage), Arc::clone(&sample));
    trial.plain("same-bytes", move || {
        let patches = patches.ok_or("no patch to compare with")?;
        same_patches(&s, &w, &patches)
    });
    let (table, s) = (library.inner.table, Arc::clone(stage));
    trial.plain("bad-work", move || bad_work(&table, &s));
    let (s, w) = (Arc::clone(stage), Arc::clone(&sample));
    trial.plain("missing-blocks", move || missing_blocks(&s, &w));
    let (table, s, w) = (library.inner.table, Arc::clone(stage), Arc::clone(&sample));
    trial.check("cancel", CANCEL_PATIENCE, move || {
        cancelled_before(&table, &s, &w).map(|detail| (detail, ()))
    });
    let (s, w) = (Arc::clone(stage), sample);
    trial.plain("memory", move || {
        grows(|| {
            let _ = s.patch(&w, &s.about().example, &Cancel::default());
        })
    });
}

/// An empty and a small work are run, and their patches taken.
fn works(s: &NativeStage, sample: &Work) -> Result<(String, Vec<String>), String> {
    let mut patches = Vec::new();
    for (name, mut work) in [("empty", empty_work(sample)), ("sample", sample.clone())] {
        let patch = s
            .patch(&work, &s.about().example, &Cancel::default())
            .map_err(|f| format!("the {name} work: {}", f.sentence()))?;
        patches.push(patch.to_string());
        s.apply(patch, &mut work)
            .map_err(|what| format!("the {name} work: {what}"))?;
    }
    let detail = "an empty and a small work were run and their patches taken";
    Ok((detail.into(), patches))
}

fn same_patches(s: &NativeStage, sample: &Work, patches: &[String]) -> Found {
    let works = [empty_work(sample), sample.clone()];
    for _ in 0..10 {
        for (work, patch) in works.iter().zip(patches) {
            let now = s.patch(work, &s.about().example, &Cancel::default());
            let now = now.map_err(|f| f.sentence())?.to_string();
            if now != *patch {
                return Err("the same work gave another patch".into());
            }
        }
    }
    Ok("the same work gave the same patch".into())
}

fn bad_work(table: &abi::Plugin, s: &NativeStage) -> Found {
    let about = s.about();
    for header in [
        &b""[..],
        b"nonsense",
        b"[]",
        b"\xff\xfe",
        b"{\"setups\": 7}",
        b"{",
    ] {
        let result = native::run(
            table,
            about.name,
            &about.example,
            header,
            &Blobs::default(),
            &Cancel::default(),
        );
        let shown = String::from_utf8_lossy(header).into_owned();
        must_refuse(&format!("the work {shown:?}"), result)?;
    }
    Ok("works that cannot be read are refused".into())
}

fn missing_blocks(s: &NativeStage, sample: &Work) -> Found {
    let mut work = sample.clone();
    work.blobs = Blobs::default();
    match s.patch(&work, &s.about().example, &Cancel::default()) {
        Ok(_) => Ok("a work without its blocks of numbers does no harm".into()),
        Err(Failed::Refused(_)) => Ok("a work without its blocks of numbers is refused".into()),
        Err(other) => Err(other.sentence()),
    }
}

/// A call that was cancelled before it began ends soon.
fn cancelled_before(table: &abi::Plugin, s: &NativeStage, sample: &Work) -> Found {
    // Many setups, handed over as they are, so that the time is the stage's own.
    let mut many = sample.clone();
    let setup = many.setups[0].clone();
    many.setups = (0..2_000)
        .map(|i| Setup {
            id: format!("board-{i}"),
            ..setup.clone()
        })
        .collect();
    let header = serde_json::to_vec(&many).unwrap_or_default();
    let (about, cancel) = (s.about(), Cancel::default());
    cancel.set();
    let start = Instant::now();
    let result = native::run(
        table,
        about.name,
        &about.example,
        &header,
        &many.blobs,
        &cancel,
    );
    let took = start.elapsed();
    if took > CANCEL_WITHIN {
        return Err(format!(
            "takes {} ms though it was cancelled",
            took.as_millis()
        ));
    }
    match result {
        Ok(_) | Err(Failed::Cancelled) => Ok(format!("ends after {} ms", took.as_millis())),
        Err(other) => Err(other.sentence()),
    }
}
