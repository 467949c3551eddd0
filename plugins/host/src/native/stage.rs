//! Stages of libraries, and the patches that they may put into a work.

use super::Inner;
use super::{Failed, kept, noted, read_layer, run, with_lengths};
use crate::library_about::{FindingEntry, May, StageEntry};
use crate::one_line::one_line;
use crate::outcome;
use grainway_geom::Point;
use grainway_pipeline::doc::{Pointer, Problem, Unit};
use grainway_pipeline::finding::Finding;
use grainway_pipeline::stage::{About, Cancel, Cx, Fact, Fault, Settings, Stage, Stop};
use grainway_pipeline::work::{Entry, HandWork, Setup, Work, step_view};
use serde::Deserialize;
use serde_json::Value;
use std::collections::BTreeMap;
use std::sync::Arc;

/// Most findings that a stage may add.
const MOST_FINDINGS: usize = 10_000;

/// A stage of a library.
pub(crate) struct NativeStage {
    library: Arc<Inner>,
    about: About,
    may: Vec<May>,
    findings: Vec<FindingEntry>,
}

/// A finding as a patch has it.
#[derive(Debug, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
struct PatchFinding {
    code: String,
    message: String,
    pointer: Option<String>,
    part: Option<String>,
    feature: Option<String>,
    setup: Option<String>,
    line: Option<u64>,
    at: Option<Point>,
    remedy: Option<String>,
}

/// What a stage adds.
#[derive(Debug, Default, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
struct Patch {
    #[serde(default)]
    findings: Vec<PatchFinding>,
    #[serde(default)]
    hand_work: Vec<HandWork>,
    #[serde(default)]
    order: BTreeMap<String, Vec<Entry>>,
}

impl NativeStage {
    pub(crate) fn new(library: &Arc<Inner>, entry: &StageEntry) -> NativeStage {
        let facts = |words: &[String]| -> &'static [Fact] {
            // Leaked once a library, as the words are: libraries never unload.
            Box::leak(words.iter().map(|w| kept(w)).collect())
        };
        NativeStage {
            library: Arc::clone(library),
            about: About {
                name: kept(&entry.name),
                version: entry.version,
                summary: kept(&entry.summary),
                needs: facts(&entry.needs),
                gives: facts(&entry.gives),
                spoils: facts(&entry.spoils),
                schema: with_lengths(&entry.schema),
                example: entry.example.clone(),
            },
            may: entry.may.clone(),
            findings: entry.findings.clone(),
        }
    }

    fn named(&self, what: &str) -> String {
        format!(
            "stage {} of {} {what}",
            self.about.name,
            self.library.shown()
        )
    }

    /// The patch over a work, as the plugin gave it.
    pub(crate) fn patch(
        &self,
        work: &Work,
        settings: &Value,
        cancel: &Cancel,
    ) -> Result<Value, Failed> {
        let header = serde_json::to_vec(work)
            .map_err(|e| Failed::Plan(format!("the work cannot be handed over: {e}")))?;
        run(
            &self.library.table,
            self.about.name,
            settings,
            &header,
            &work.blobs,
            cancel,
        )
    }

    /// Puts a patch into the work; the first thing that is wrong with it otherwise.
    pub(crate) fn apply(&self, patch: Value, work: &mut Work) -> Result<(), String> {
        let patch: Patch = serde_json::from_value(patch)
            .map_err(|e| one_line(&format!("gave a patch that cannot be read: {e}")))?;
        for (may, has, what) in [
            (May::Findings, !patch.findings.is_empty(), "findings"),
            (May::HandWork, !patch.hand_work.is_empty(), "hand-work"),
            (May::Order, !patch.order.is_empty(), "order"),
        ] {
            if has && !self.may.contains(&may) {
                return Err(format!(
                    "gave a patch with \"{what}\", which its description does not name in `may`"
                ));
            }
        }
        if patch.findings.len() > MOST_FINDINGS || patch.hand_work.len() > MOST_FINDINGS {
            return Err(format!(
                "gave more than {MOST_FINDINGS} entries of one kind"
            ));
        }
        let findings: Vec<Finding> = patch
            .findings
            .into_iter()
            .map(|f| self.finding(f, work))
            .collect::<Result<_, _>>()?;
        for h in &patch.hand_work {
            if work.part(&h.part).is_none() {
                return Err(format!(
                    "gave hand work for a part \"{}\" that does not exist",
                    one_line(&h.part)
                ));
            }
            if h.what.trim().is_empty() || h.at.is_some_and(|p| !p.is_finite()) {
                return Err("gave hand work without words or at no place".into());
            }
        }
        for (id, entries) in &patch.order {
            let Some(setup) = work.setups.iter().find(|s| s.id == *id) else {
                return Err(format!(
                    "gave an order for a setup \"{}\" that does not exist",
                    one_line(id)
                ));
            };
            reordered(work, setup, entries).map_err(|why| {
                format!("gave an order for setup {id} that cannot be taken: {why}")
            })?;
        }
        work.findings.extend(findings);
        work.hand_work.extend(patch.hand_work);
        for (id, entries) in patch.order {
            if let Some(setup) = work.setups.iter_mut().find(|s| s.id == id) {
                setup.order = entries;
            }
        }
        Ok(())
    }

    fn finding(&self, f: PatchFinding, work: &Work) -> Result<Finding, String> {
        let Some(entry) = self.findings.iter().find(|e| e.word == f.code) else {
            return Err(format!(
                "gave a finding \"{}\" that its description does not name",
                one_line(&f.code)
            ));
        };
        if f.message.trim().is_empty() {
            return Err(format!("gave a finding \"{}\" without words", entry.word));
        }
        if let Some(part) = &f.part
            && work.part(part).is_none()
        {
            return Err(format!(
                "gave a finding for a part \"{}\" that does not exist",
                one_line(part)
            ));
        }
        if let Some(setup) = &f.setup
            && !work.setups.iter().any(|s| s.id == *setup)
        {
            return Err(format!(
                "gave a finding for a setup \"{}\" that does not exist",
                one_line(setup)
            ));
        }
        if f.at.is_some_and(|p| !p.is_finite()) {
            return Err(format!("gave a finding \"{}\" at no place", entry.word));
        }
        let line = |text: Option<String>| text.map(|t| one_line(&t));
        let mut finding = Finding {
            severity: entry.severity,
            code: format!("{}/{}", self.about.name, entry.word),
            pointer: line(f.pointer).map(Pointer::from),
            part: f.part,
            feature: line(f.feature),
            setup: f.setup,
            line: f.line,
            at: None,
            message: one_line(&f.message),
            remedy: one_line(f.remedy.as_ref().unwrap_or(&entry.remedy)),
            count: 1,
        };
        if let Some(at) = f.at {
            finding = finding.at(at);
        }
        Ok(finding)
    }
}

/// A new order may only bring the same entries into another sequence, with every step under its own cutter and on its own side of
/// every pause: what a person does in a pause is meant for what comes after it.
fn reordered(work: &Work, setup: &Setup, entries: &[Entry]) -> Result<(), String> {
    let key = |e: &Entry| serde_json::to_string(e).unwrap_or_default();
    /// The steps between two pauses, and the pause at their end.
    fn stretches(entries: &[Entry]) -> Vec<(Vec<&Entry>, Option<&Entry>)> {
        let mut all = vec![(Vec::new(), None)];
        for e in entries {
            match (e, all.last_mut()) {
                (Entry::Pause { .. }, Some(last)) => {
                    last.1 = Some(e);
                    all.push((Vec::new(), None));
                }
                (Entry::Step(_), Some(last)) => last.0.push(e),
                _ => {}
            }
        }
        all
    }
    let sorted = |entries: &[&Entry]| {
        let mut keys: Vec<String> = entries.iter().map(|e| key(e)).collect();
        keys.sort();
        keys
    };
    let (old, new) = (stretches(&setup.order), stretches(entries));
    if old.len() != new.len() {
        return Err("it has another number of pauses".into());
    }
    for (i, ((was, pause), (is, new_pause))) in old.iter().zip(&new).enumerate() {
        if pause.map(key) != new_pause.map(key) {
            return Err(format!("pause {} is another", i + 1));
        }
        if sorted(was) != sorted(is) {
            return Err(format!(
                "the steps {} are others",
                match i {
                    0 => "before the first pause".to_string(),
                    i => format!("after pause {i}"),
                }
            ));
        }
    }
    let mut cutter = None;
    for e in entries {
        match e {
            Entry::Cutter(id) => {
                if work.documents.cutter(id).is_none() {
                    return Err(format!("there is no cutter {}", one_line(id)));
                }
                cutter = Some(id.as_str());
            }
            Entry::Step(step) => {
                let wanted = step_view(work, setup, *step).map(|v| v.cutter);
                if wanted != cutter {
                    return Err("a step would run with another cutter than its own".into());
                }
            }
            Entry::Pause { .. } => {}
        }
    }
    Ok(())
}

impl Stage for NativeStage {
    fn about(&self) -> &About {
        &self.about
    }
    fn run(&self, work: &mut Work, settings: &Settings, cx: &Cx<'_>) -> Result<(), Stop> {
        cx.check()?;
        let patch = self
            .patch(work, &settings.0, cx.cancel)
            .map_err(|failed| match failed {
                Failed::Cancelled => Stop::Cancelled,
                other => Fault::new(self.named(&noted(&other))).into(),
            })?;
        self.apply(patch, work).map_err(|what| {
            outcome::broke(&what);
            Fault::new(self.named(&what)).into()
        })
    }
    fn read_settings(
        &self,
        layer: &Value,
        unit: Unit,
        pointer: &Pointer,
    ) -> Result<Value, Vec<Problem>> {
        read_layer(layer, unit, pointer, &self.about.schema)
    }
}
