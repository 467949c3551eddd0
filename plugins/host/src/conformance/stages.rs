//! Checks of stages.

use super::{CANCEL_PATIENCE, CANCEL_WITHIN, Trial, Verdict, grows, must_refuse};
use crate::library::Library;
use crate::native::{self, Failed, NativeStage};
use crate::programs::SAFE;
use grainway_geom::{Contour, Placing, Vertex, point};
use grainway_pipeline::doc::{ZZero, read_job, read_shop};
use grainway_pipeline::motion::Move;
use grainway_pipeline::stage::{Cancel, Stage};
use grainway_pipeline::work::{
    Blobs, Documents, Entry, Grain, Operation, Part, Placement, Setup, SetupKind, Source, StepRef,
    Variant, Work, Workingstep, ZFrame, sha256_hex,
};
use serde_json::json;
use std::sync::Arc;
use std::time::Instant;

/// A small work: one board with one part cut from it, as it is before programs are written.
pub fn sample_work() -> Result<Work, String> {
    let shop = json!({
        "format": "grainway.shop/1",
        "machines": { "router": {
            "dialect": "any", "travel": [1200, 800, 100], "z-zero": "bed", "max-feed": 4000, "max-plunge": 900, "rapid": 5000,
            "acceleration": 300, "min-rpm": 8000, "max-rpm": 24000, "spoilboard": 18
        } },
        "cutters": { "em6": { "kind": "end-mill", "number": 1, "diameter": 6, "cutting-length": 25, "max-rpm": 24000 } },
        "stocks": { "ash": { "wood": "ash", "thickness": [19.2], "boards": [{ "id": "a", "length": 1200, "width": 200 }] } }
    });
    let job = json!({
        "format": "grainway.job/1", "name": "Reading bench", "shop": "shop.json",
        "parts": [{ "id": "rail", "stock": "ash", "count": 1, "blank": { "length": 600, "width": 60 } }]
    });
    let words = |problems: Vec<grainway_pipeline::doc::Problem>| {
        let all: Vec<String> = problems.into_iter().map(|p| p.message).collect();
        all.join(" ")
    };
    let mut work = Work::new(Documents {
        job: read_job(job.to_string().as_bytes()).map_err(words)?,
        shop: read_shop(shop.to_string().as_bytes()).map_err(words)?,
        hash: sha256_hex(b"sample"),
    });
    let z = ZFrame {
        zero: ZZero::Bed,
        thinnest: 19.2,
        mean: 19.2,
        thickest: 19.2,
    };
    let around = [
        (-3.0, -3.0),
        (603.0, -3.0),
        (603.0, 63.0),
        (-3.0, 63.0),
        (-3.0, -3.0),
    ];
    let mut moves = vec![
        Move::Rapid {
            to: point(-3.0, -3.0).at_z(grainway_pipeline::motion::SAFE_Z),
        },
        Move::Line {
            to: point(-3.0, -3.0).at_z(-0.3),
            feed: 300.0,
        },
    ];
    moves.extend(around.map(|(x, y)| Move::Line {
        to: point(x, y).at_z(-0.3),
        feed: 2000.0,
    }));
    let moves = work.blobs.put_moves(&moves);
    let corners = [(0.0, 0.0), (600.0, 0.0), (600.0, 60.0), (0.0, 60.0)];
    let outline = Contour {
        vertices: corners
            .iter()
            .map(|(x, y)| Vertex {
                at: point(*x, *y),
                bulge: 0.0,
            })
            .collect(),
        closed: true,
    };
    work.parts.push(Part {
        id: "rail".into(),
        name: None,
        count: 1,
        stock: "ash".into(),
        grain: Grain::AlongX,
        outline: outline.clone(),
        outline_relief: None,
        dimensioned: false,
        features: Vec::new(),
        outline_cutter: None,
        source: Source::default(),
        as_drawn: false,
    });
    work.variants.push(Variant {
        id: "rail".into(),
        part: "rail".into(),
        stock: "ash".into(),
        z,
        outline,
        dimensioned: false,
        features: Vec::new(),
        steps: vec![Workingstep {
            stage: "drill".to_string(),
            feature: "outline".into(),
            operation: Operation::Outline,
            cutter: "em6".into(),
            rpm: 18000.0,
            feed: 2000.0,
            plunge: 300.0,
            lowest: -0.3,
            moves,
            profile: None,
            feed_reason: String::new(),
        }],
    });
    work.setups.push(Setup {
        id: "board-1".into(),
        kind: SetupKind::Board,
        stock: "ash".into(),
        size: point(1200.0, 200.0),
        z,
        placements: vec![Placement {
            piece: "rail".into(),
            variant: "rail".into(),
            placing: Placing::shift(point(50.0, 40.0)),
            tabs: Vec::new(),
            waste: Vec::new(),
            tabbed: Vec::new(),
            replaced: Vec::new(),
        }],
        holds: Vec::new(),
        skin: 0.0,
        safe_z: SAFE,
        own_steps: Vec::new(),
        order: vec![
            Entry::Cutter("em6".into()),
            Entry::Step(StepRef::Placed(0, 0)),
        ],
        repeats: 1,
    });
    Ok(work)
}

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
    let patches = trial.check("works", trial.deadline, move || {
        let settings = &s.about().example;
        let mut patches = Vec::new();
        for (name, work) in [("empty", empty_work(&w)), ("sample", (*w).clone())] {
            let patch = s.patch(&work, settings, &Cancel::default());
            let patch = patch.map_err(|f| format!("the {name} work: {}", f.sentence()))?;
            patches.push(patch.to_string());
            let mut work = work;
            s.apply(patch, &mut work)
                .map_err(|what| format!("the {name} work: {what}"))?;
        }
        Ok((
            "an empty and a small work were run and their patches taken".into(),
            patches,
        ))
    });
    if let Some(patches) = &patches {
        trial
            .hashes
            .extend(patches.iter().map(|p| sha256_hex(p.as_bytes())));
    }
    let (s, w) = (Arc::clone(stage), Arc::clone(&sample));
    trial.plain("same-bytes", move || {
        let Some(patches) = patches else {
            return Err("no patch to compare with".into());
        };
        for _ in 0..10 {
            for (work, patch) in [empty_work(&w), (*w).clone()].iter().zip(&patches) {
                let now = s.patch(work, &s.about().example, &Cancel::default());
                let now = now.map_err(|f| f.sentence())?.to_string();
                if now != *patch {
                    return Err("the same work gave another patch".into());
                }
            }
        }
        Ok("the same work gave the same patch".into())
    });
    let (table, s) = (library.inner.table, Arc::clone(stage));
    trial.plain("bad-work", move || {
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
                &table,
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
    });
    let (s, w) = (Arc::clone(stage), Arc::clone(&sample));
    trial.plain("missing-blocks", move || {
        let mut work = (*w).clone();
        work.blobs = Blobs::default();
        match s.patch(&work, &s.about().example, &Cancel::default()) {
            Ok(_) => Ok("a work without its blocks of numbers does no harm".into()),
            Err(Failed::Refused(_)) => Ok("a work without its blocks of numbers is refused".into()),
            Err(other) => Err(other.sentence()),
        }
    });
    // Many setups, handed over as they are, so that the time is the stage's own.
    let mut many = (*sample).clone();
    let setup = many.setups[0].clone();
    many.setups = (0..2_000)
        .map(|i| Setup {
            id: format!("board-{i}"),
            ..setup.clone()
        })
        .collect();
    let header = serde_json::to_vec(&many).unwrap_or_default();
    let (table, s) = (library.inner.table, Arc::clone(stage));
    trial.check("cancel", CANCEL_PATIENCE, move || {
        let (about, cancel) = (s.about(), Cancel::default());
        cancel.set();
        let start = Instant::now();
        let result = native::run(
            &table,
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
            Ok(_) | Err(Failed::Cancelled) => {
                Ok((format!("ends after {} ms", took.as_millis()), ()))
            }
            Err(other) => Err(other.sentence()),
        }
    });
    let (s, w) = (Arc::clone(stage), sample);
    trial.plain("memory", move || {
        grows(|| {
            let _ = s.patch(&w, &s.about().example, &Cancel::default());
        })
    });
}
