//! The verify stage: gives check the texts, what each was to do, and what the person does while it runs.

use grainway_check::season::moisture;
use grainway_check::{
    Allowed, HoldSize, PieceCuts, PlannedMotions, Rooms, Wanted, verify_job, verify_setup,
};
use grainway_pipeline::chain::settings_of;
use grainway_pipeline::dialect::Dialect;
use grainway_pipeline::doc::{FeatureKind, Fit};
use grainway_pipeline::finding::{Finding, Severity, code};
use grainway_pipeline::stage::{Cx, Description, Fault, Files, Stop, TypedStage};
use grainway_pipeline::work::{ByHand, Documents, Program, Seal, Setup, Work};
use grainway_plan::drawing::Drawing;
use grainway_plan::fit::Fit as FitStage;
use grainway_plan::hold::{FirstHold, HoldStage};
use grainway_plan::mark::Mark;
use grainway_plan::place::Place;
use grainway_plan::program_items::{Can, Changes, by_hand, items};
use grainway_plan::relief::ReliefStage;
use rayon::prelude::*;
use std::collections::BTreeSet;
use std::io::BufRead;

pub use grainway_check::{Models, SetupVerdict, VerifySettings};

/// A text of a setup.
pub struct Text<'a> {
    /// Its file name, for findings.
    pub name: &'a str,
    /// What the work knows of it: its cutter and its part of the order. `None` for a text that the work does not know.
    pub program: Option<&'a Program>,
    /// The text.
    pub text: &'a mut dyn BufRead,
}

/// What a job's texts are held against, made once for all its setups.
pub fn models(work: &Work, files: &dyn Files) -> Models {
    let documents = &work.documents;
    let run_out = settings_of(Drawing, documents).map_or(0.0, |s| s.run_out.mm());
    let wanted = Wanted::of(documents, files, run_out);
    Models::of(work, &work.setups, wanted, allowed(documents))
}

/// Checks the texts of one setup, given in running order: wood carries over from one to the next. `edited` texts are not compared
/// with the plan.
pub fn verify_program(
    work: &Work,
    setup: &Setup,
    texts: &mut [Text<'_>],
    models: &Models,
    dialect: &dyn Dialect,
    edited: bool,
    settings: &VerifySettings,
) -> SetupVerdict {
    let about = dialect.about();
    let can = Can::of(work.documents.machine().map(|(_, m)| m), about);
    let order: Vec<Option<(u32, &str)>> = texts
        .iter()
        .map(|t| t.program.map(|p| (p.number, p.name.as_str())))
        .collect();
    let mut texts: Vec<grainway_check::Text<'_>> = texts
        .iter_mut()
        .map(|t| {
            let by_hand = t.program.map(|p| by_hand_at(work, setup, p, can));
            let planned = t.program.filter(|_| !edited);
            grainway_check::Text {
                name: t.name,
                by_hand: by_hand.unwrap_or_default(),
                planned: planned.map(|p| PlannedMotions::new(items(work, setup, p.entries, can))),
                text: &mut *t.text,
            }
        })
        .collect();
    let mut verdict = verify_setup(work, setup, models, &mut texts, dialect, settings);
    out_of_order(&order, &mut verdict);
    verdict
}

/// Programs of a setup run in the order of their numbers: each is planned on what those before it leave.
fn out_of_order(programs: &[Option<(u32, &str)>], verdict: &mut SetupVerdict) {
    let mut last: Option<(u32, &str)> = None;
    let setup = &verdict.setup;
    for (program, as_planned) in programs.iter().zip(&mut verdict.as_planned) {
        let Some((number, name)) = *program else {
            continue;
        };
        if let (Some((before, other)), Some(verdict)) = (last, as_planned)
            && before > number
        {
            let what = format!("{name} runs after {other}; it is planned to run before it.");
            let finding = Finding::new(&code::VERIFY_AS_PLANNED, what).setup(setup);
            verdict.findings.push(finding);
            verdict.passed = false;
        }
        last = Some((number, name));
    }
}

/// What the job and the shop say in the settings of other stages.
fn allowed(documents: &Documents) -> Allowed {
    let relief = settings_of(ReliefStage, documents).unwrap_or_default();
    let hold = settings_of(HoldStage, documents).unwrap_or_default();
    let place = settings_of(Place, documents).unwrap_or_default();
    let fit = settings_of(FitStage, documents).unwrap_or_default();
    let relieved = [
        FeatureKind::Mortise,
        FeatureKind::Housing,
        FeatureKind::Pocket,
        FeatureKind::Rebate,
        FeatureKind::Groove,
        FeatureKind::Lap,
        FeatureKind::Cutout,
        FeatureKind::Outline,
    ];
    Allowed {
        relief: relieved.map(|k| (k, relief.of(k).clone())).into(),
        relief_margin: relief.margin.mm(),
        rooms: Rooms {
            cheeks: Fit::ALL
                .map(|f| (f, fit.room(f)))
                .map(|(f, r)| (f, (r.least.mm(), r.greatest.mm())))
                .into(),
            end: fit.end_room.mm(),
            glue: fit.glue_room.mm(),
            slot: fit.slot_room.mm(),
            moisture: fit.humidity.map(|h| moisture(fit.temperature, h)),
        },
        engraving: settings_of(Mark, documents).unwrap_or_default().cutter,
        held_otherwise: hold.first == FirstHold::Other,
        board_margin: place.margin.mm(),
        screw: Some(HoldSize {
            radius: hold.head_diameter.mm() / 2.0,
            shaft: hold.screw_diameter.mm(),
            above: match hold.heads_sunk {
                true => 0.0,
                false => hold.head_height.mm(),
            },
        }),
        clamp: Some(HoldSize {
            radius: hold.clamp_size.mm() * std::f64::consts::FRAC_1_SQRT_2,
            shaft: 0.0,
            above: hold.clamp_height.mm(),
        }),
        stop: Some(HoldSize {
            radius: place.stop_radius.mm(),
            shaft: 0.0,
            above: -place.stop_below.mm(),
        }),
        line_depth: place.line_depth.mm(),
    }
}

/// What a person does at a program, as its record tells.
fn by_hand_at(work: &Work, setup: &Setup, program: &Program, can: Can) -> ByHand {
    let hand = by_hand(work, setup, program.entries, can);
    // Before a pause in which the first cutter goes in, none is known.
    let first = match can.changes {
        Changes::Pause => hand.first,
        Changes::Machine | Changes::Before => program.cutter.clone().or(hand.first),
    };
    ByHand { first, ..hand }
}

/// The verify stage.
#[derive(Clone, Copy, Debug, Default)]
pub struct Verify;

impl TypedStage for Verify {
    type Settings = VerifySettings;
    fn describe(&self) -> Description {
        Description {
            name: "verify",
            version: 3,
            summary: "Reads the written programs back and checks them against the parts.",
            needs: &["programs"],
            gives: &["verified"],
            spoils: &["reported"],
        }
    }
    fn run(&self, work: &mut Work, settings: &Self::Settings, cx: &Cx<'_>) -> Result<(), Stop> {
        cx.check()?;
        let Some((_, machine)) = work.documents.machine() else {
            return Ok(());
        };
        let Some(dialect) = cx.dialects.get(&machine.dialect) else {
            let finding = Finding::new(
                &code::UNKNOWN_NAME,
                format!(
                    "dialect {} is not installed, so nothing could be read back.",
                    machine.dialect
                ),
            );
            work.find(finding);
            return Ok(());
        };
        let models = models(work, cx.files);
        let done = std::sync::atomic::AtomicUsize::new(0);
        let total = work.setups.len();
        let verdicts: Vec<Result<Option<SetupVerdict>, Stop>> = work
            .setups
            .par_iter()
            .map(|setup| {
                cx.check()?;
                let mut programs: Vec<&Program> = work
                    .programs
                    .iter()
                    .filter(|p| p.setup == setup.id)
                    .collect();
                programs.sort_by_key(|p| p.number);
                if programs.is_empty() {
                    return Ok(None);
                }
                let mut readers = Vec::new();
                for p in &programs {
                    readers.push(cx.spool.open(&p.text).map_err(|e| {
                        Fault::new(format!(
                            "the text of {} cannot be read from the spool: {e}",
                            p.name
                        ))
                    })?);
                }
                let mut texts: Vec<Text<'_>> = programs
                    .iter()
                    .zip(&mut readers)
                    .map(|(p, r)| Text {
                        name: &p.name,
                        program: Some(p),
                        text: r,
                    })
                    .collect();
                let verdict =
                    verify_program(work, setup, &mut texts, &models, dialect, false, settings);
                let n = done.fetch_add(1, std::sync::atomic::Ordering::Relaxed) + 1;
                cx.progress.at("verify", n, total);
                Ok(Some(verdict))
            })
            .collect();
        let refused = refused(work);
        let verdicts: Vec<SetupVerdict> = verdicts
            .into_iter()
            .filter_map(Result::transpose)
            .collect::<Result<_, Stop>>()?;
        let cuts: Vec<PieceCuts> = verdicts.iter().flat_map(|v| v.cuts.clone()).collect();
        let whole = verify_job(work, &models, &cuts);
        work.joints = whole.joints;
        work.furniture = whole.furniture;
        for mut v in verdicts {
            v.safe.findings.retain(|f| !follows(f, &refused));
            settle(work, v);
        }
        // A part that was refused, or for which no board was left, is told by the stage that gave it up.
        if !work.has_errors() {
            work.findings.extend(whole.findings);
        }
        work.seal = Some(Seal::of(work));
        Ok(())
    }
}

/// Parts and features that were refused before anything was written.
fn refused(work: &Work) -> BTreeSet<(String, String)> {
    let errors = work
        .findings
        .iter()
        .filter(|f| f.severity == Severity::Error);
    errors
        .filter_map(|f| f.part.clone().zip(f.feature.clone()))
        .collect()
}

/// Wood that a refused feature keeps follows from the refusal.
fn follows(finding: &Finding, refused: &BTreeSet<(String, String)>) -> bool {
    let part = finding
        .part
        .as_deref()
        .map(|p| p.split('#').next().unwrap_or(p));
    let of_the_feature = [&code::VERIFY_LEFTOVER, &code::VERIFY_WANTED];
    of_the_feature.iter().any(|c| finding.code == c.word)
        && part
            .zip(finding.feature.as_deref())
            .is_some_and(|(p, f)| refused.contains(&(p.to_string(), f.to_string())))
}

/// Writes a verdict into the work.
fn settle(work: &mut Work, verdict: SetupVerdict) {
    let mut order: Vec<usize> = (0..work.programs.len())
        .filter(|i| work.programs[*i].setup == verdict.setup)
        .collect();
    order.sort_by_key(|i| work.programs[*i].number);
    work.findings.extend(verdict.safe.findings.iter().cloned());
    for (i, read) in order.iter().zip(verdict.read) {
        let written = &mut work.programs[*i].written;
        (written.lines, written.moves) = (read.lines, read.moves);
        // A language without remarks says of no step where it begins: the writer alone knows.
        if !read.starts.is_empty() {
            written.restarts = read.starts;
        }
    }
    for (i, as_planned) in order.into_iter().zip(verdict.as_planned) {
        if let Some(v) = &as_planned {
            work.findings.extend(v.findings.iter().cloned());
        }
        let program = &mut work.programs[i];
        program.unverified = verdict.unverified;
        program.as_planned = as_planned;
        program.safe = (!verdict.unverified).then(|| verdict.safe.clone());
    }
}
