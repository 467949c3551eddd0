//! The chain runner: refuses impossible orders, merges settings, runs stages, validates and saves between them.

use crate::doc::{Job, Names, Pointer, Problem, Shop, Unit, count_settings_layer, in_unit};
use crate::finding::{self, Finding, code};
pub use crate::spelling::nearest;
use crate::stage::{About, Cx, Dialects, Settings, Stage, Stop, Typed, TypedStage};
use crate::work::{Balance, Documents, HandWork, Part, Work};
use serde_json::Value;
use std::collections::BTreeSet;
use std::sync::Arc;

/// The stages that are installed, in the order of the built-in chain.
#[derive(Default, Clone)]
pub struct Stages(Vec<Arc<dyn Stage>>);

impl Stages {
    /// Adds one at the end.
    pub fn add(&mut self, stage: Arc<dyn Stage>) {
        self.0.push(stage);
    }
    /// In order.
    pub fn iter(&self) -> impl Iterator<Item = &Arc<dyn Stage>> {
        self.0.iter()
    }
    /// The facts that a need stands for, each with the stage that gives it: of a family, those that the built-in stages give.
    fn behind(&self, need: &'static str) -> Vec<(&'static str, Option<&'static str>)> {
        let given = |fact: &str| {
            let mut givers = self.iter().map(|s| s.about());
            givers.find(|a| a.gives.contains(&fact)).map(|a| a.name)
        };
        let members: Vec<_> = self
            .standard()
            .flat_map(|s| s.about().gives)
            .filter(|f| **f != need && covers(need, f))
            .map(|f| (*f, given(f)))
            .collect();
        match members.is_empty() {
            true => vec![(need, given(need))],
            false => members,
        }
    }
    /// Those of the built-in chain: what a job runs that names no chain. A plugin's stage runs only where it is named.
    pub fn standard(&self) -> impl Iterator<Item = &Arc<dyn Stage>> {
        self.0.iter().filter(|s| s.origin().is_empty())
    }
    /// The stage of a name.
    pub fn get(&self, name: &str) -> Option<&Arc<dyn Stage>> {
        self.0.iter().find(|s| s.about().name == name)
    }
}

/// A chain whose order was found possible, with each stage's settings.
pub struct Chain {
    steps: Vec<(Arc<dyn Stage>, Settings)>,
}

/// What a saved state is filed under: the stages run so far, by name, version, plugin and settings, over one documents' hash.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct StateKey(pub String);

/// Sees the work after every stage, to save it.
pub trait Keep {
    /// The work after the stage with this index (from 0) and name.
    fn keep(&mut self, index: usize, name: &str, key: &StateKey, work: &Work) -> Result<(), Stop>;
}

/// Keeps nothing.
pub struct KeepNothing;

impl Keep for KeepNothing {
    fn keep(&mut self, _: usize, _: &str, _: &StateKey, _: &Work) -> Result<(), Stop> {
        Ok(())
    }
}

impl Chain {
    /// The chain of the job, the shop, or the built-in one, with merged settings. All problems at once.
    pub fn plan(stages: &Stages, work: &Work) -> Result<Chain, Vec<Finding>> {
        let mut findings = Vec::new();
        let (job, shop) = (&work.documents.job, &work.documents.shop);
        let (names, place): (Vec<&str>, Pointer) = match (&job.chain, &shop.chain) {
            (Some(names), _) => (
                names.iter().map(String::as_str).collect(),
                Pointer::job().step("chain"),
            ),
            (None, Some(names)) => (
                names.iter().map(String::as_str).collect(),
                Pointer::shop().step("chain"),
            ),
            (None, None) => (
                stages.standard().map(|s| s.about().name).collect(),
                Pointer::default(),
            ),
        };
        let mut steps = Vec::new();
        let mut facts: std::collections::BTreeSet<&str> =
            work.facts.iter().map(String::as_str).collect();
        for (i, name) in names.iter().enumerate() {
            let Some(stage) = stages.get(name) else {
                let known = stages.iter().map(|s| s.about().name);
                let near = nearest(name, known)
                    .map(|n| format!("; did you mean \"{n}\"?"))
                    .unwrap_or_default();
                findings.push(
                    Finding::new(
                        &code::UNKNOWN_NAME,
                        format!("No stage is called \"{name}\"{near}"),
                    )
                    .pointer(place.step(i)),
                );
                continue;
            };
            for need in stage.about().needs {
                for (fact, giver) in stages.behind(need) {
                    if facts.contains(fact) {
                        continue;
                    }
                    let from = giver
                        .map(|g| format!(", which stage {g} gives"))
                        .unwrap_or_default();
                    findings.push(
                        Finding::new(
                            &code::CHAIN_ORDER,
                            format!("Stage {name} needs \"{fact}\"{from}; nothing before it in the chain gives it."),
                        )
                        .pointer(place.step(i)),
                    );
                }
            }
            for gone in stage.about().spoils {
                facts.retain(|f| !covers(gone, f));
            }
            facts.extend(stage.about().gives);
            match merged(stage.as_ref(), &work.documents) {
                Ok(settings) => steps.push((Arc::clone(stage), settings)),
                Err(problems) => {
                    findings.extend(problems.into_iter().map(|p| {
                        Finding::new(&code::DOCUMENT_INVALID, p.message).pointer(p.pointer)
                    }))
                }
            }
        }
        findings.extend(for_no_stage(stages, job, shop));
        if findings.is_empty() {
            Ok(Chain { steps })
        } else {
            Err(findings)
        }
    }

    /// Stages with their merged settings, in order.
    pub fn steps(&self) -> impl Iterator<Item = (&dyn Stage, &Settings)> {
        self.steps
            .iter()
            .map(|(s, settings)| (s.as_ref(), settings))
    }

    /// The key of the state after each stage: documents, the plugin that the machine's dialect comes from, and every stage so far
    /// with its version, its plugin and its settings.
    pub fn keys(&self, documents: &Documents, dialects: &Dialects) -> Vec<StateKey> {
        let dialect = documents
            .machine()
            .and_then(|(_, machine)| dialects.get(&machine.dialect))
            .map_or("", |d| d.origin());
        let mut text = format!(
            "grainway {} {} {dialect}",
            env!("CARGO_PKG_VERSION"),
            documents.hash
        );
        self.steps
            .iter()
            .map(|(stage, settings)| {
                let about = stage.about();
                let origin = stage.origin();
                text = format!(
                    "{text}\n{} {} {origin} {}",
                    about.name, about.version, settings.0
                );
                StateKey(crate::work::sha256_hex(text.as_bytes()))
            })
            .collect()
    }

    /// Runs the stages from index `from` on. After each, findings are sorted, the work is validated and offered to `keep`.
    /// A stage that leaves errors behind does not end the chain by itself: later stages run as far as what they need holds,
    /// so that one run names all mistakes.
    pub fn run(
        &self,
        work: &mut Work,
        from: usize,
        cx: &Cx<'_>,
        keep: &mut dyn Keep,
    ) -> Result<(), Stop> {
        let keys = self.keys(&work.documents, cx.dialects);
        let documents = work.documents.clone();
        for (i, (stage, settings)) in self.steps.iter().enumerate().skip(from) {
            cx.check()?;
            let about = stage.about();
            cx.progress.at(about.name, 0, 1);
            let before = Told::of(work);
            stage.run(work, settings, cx)?;
            for gone in about.spoils {
                work.facts.retain(|f| !covers(gone, f));
            }
            work.facts
                .extend(about.gives.iter().map(|f| (*f).to_string()));
            finding::sort(&mut work.findings);
            before.still_there(work, &documents, about)?;
            validate(work, about.name)?;
            cx.progress.at(about.name, 1, 1);
            keep.keep(i, about.name, &keys[i], work)?;
        }
        Ok(())
    }
}

/// Settings for stages that are not installed.
fn for_no_stage(stages: &Stages, job: &Job, shop: &Shop) -> Vec<Finding> {
    let documents = [
        (Pointer::shop(), &shop.settings),
        (Pointer::job(), &job.settings),
    ];
    let mut findings = Vec::new();
    for (doc, settings) in documents {
        for name in settings.keys().filter(|n| stages.get(n).is_none()) {
            let known = stages.iter().map(|s| s.about().name);
            let near = nearest(name, known)
                .map(|n| format!("; did you mean \"{n}\"?"))
                .unwrap_or_default();
            let message = format!("Settings for a stage \"{name}\" that is not installed{near}");
            let finding = Finding::new(&code::UNKNOWN_NAME, message);
            findings.push(finding.pointer(doc.step("settings").step(name)));
        }
    }
    findings
}

/// What was told before a stage ran. A stage may add to it, and takes nothing back: what a person is to know or do must reach them.
struct Told {
    findings: Vec<Finding>,
    hand_work: Vec<HandWork>,
    balances: Vec<Balance>,
    parts: Vec<Part>,
}

impl Told {
    fn of(work: &Work) -> Told {
        Told {
            findings: work.findings.clone(),
            hand_work: work.hand_work.clone(),
            balances: work.balances.clone(),
            parts: work.parts.clone(),
        }
    }

    /// The documents are what the chain began with, and everything told is still there. Findings are sorted before and after.
    fn still_there(&self, work: &Work, documents: &Documents, about: &About) -> Result<(), Stop> {
        let fault = |what: &str| {
            let message = format!("stage {} {what}", about.name);
            Err(Stop::Fault(crate::stage::Fault::new(message)))
        };
        if work.documents != *documents {
            return fault("changed the documents");
        }
        if !about.gives.contains(&"parts")
            && (work.parts != self.parts || work.balances != self.balances)
        {
            return fault(
                "changed the parts as they were drawn, without saying that it gives \"parts\"",
            );
        }
        let mut now = work.findings.iter();
        if !self.findings.iter().all(|f| now.any(|n| n == f)) {
            return fault("changed or removed a finding of a stage before it");
        }
        if !work.hand_work.starts_with(&self.hand_work) {
            return fault("changed or removed hand work that a stage before it listed");
        }
        match twice(work) {
            Some((what, name)) => fault(&format!("left two {what} that are called {name}")),
            None => Ok(()),
        }
    }
}

/// A name that two variants, two setups or two programs have: whatever is said of it is said of either.
fn twice(work: &Work) -> Option<(&'static str, &str)> {
    let variants = work.variants.iter().map(|v| ("variants", v.id.as_str()));
    let setups = work.setups.iter().map(|s| ("setups", s.id.as_str()));
    let programs = work.programs.iter().map(|p| ("programs", p.name.as_str()));
    let mut names = BTreeSet::new();
    let mut all = variants.chain(setups).chain(programs);
    all.find(|name| !names.insert(*name))
}

/// What every stage must leave true, whoever wrote it.
fn validate(work: &Work, stage: &str) -> Result<(), Stop> {
    let fault = |what: String| {
        Err(Stop::Fault(crate::stage::Fault::new(format!(
            "stage {stage}: {what}"
        ))))
    };
    for variant in &work.variants {
        if !variant.outline.is_finite() {
            return fault(format!(
                "the outline of {} holds a number that is not finite",
                variant.id
            ));
        }
        for step in &variant.steps {
            let Some(columns) = work.blobs.get(&step.moves) else {
                return fault(format!(
                    "a step of {} names moves that do not exist",
                    variant.id
                ));
            };
            match crate::motion::decode(columns) {
                Some(moves) if moves.iter().all(crate::motion::Move::is_finite) => {}
                _ => {
                    return fault(format!(
                        "moves of {} / {} are not finite numbers",
                        variant.id, step.feature
                    ));
                }
            }
        }
    }
    for setup in &work.setups {
        for placement in &setup.placements {
            if work.variant(&placement.variant).is_none() {
                return fault(format!(
                    "{} places a variant {} that does not exist",
                    setup.id, placement.variant
                ));
            }
        }
    }
    Ok(())
}

/// The fact is the named one, or a member of the family of that name: `steps` covers `steps.drill`.
fn covers(named: &str, fact: &str) -> bool {
    fact.strip_prefix(named)
        .is_some_and(|rest| rest.is_empty() || rest.starts_with('.'))
}

/// Defaults, then the shop's layer, then the job's.
fn merged(stage: &dyn Stage, documents: &Documents) -> Result<Settings, Vec<Problem>> {
    let name = stage.about().name;
    let (job, shop) = (&documents.job, &documents.shop);
    let names = Names::of(job, &shop.stocks);
    let mut value = stage.about().example.clone();
    let mut problems = Vec::new();
    for (doc, layer, unit) in [
        (Pointer::shop(), shop.settings.get(name), shop.unit),
        (Pointer::job(), job.settings.get(name), job.unit),
    ] {
        let Some(layer) = layer else { continue };
        let place = doc.step("settings").step(name);
        let plain = match doc == Pointer::job() {
            true => count_settings_layer(layer, &place, &stage.about().schema, &names),
            false => Ok(layer.clone()),
        };
        match plain.and_then(|layer| stage.read_settings(&layer, unit, &place)) {
            Ok(layer) => overlay(&mut value, &layer),
            Err(found) => problems.extend(found),
        }
    }
    if problems.is_empty() {
        Ok(Settings(value))
    } else {
        Err(problems)
    }
}

/// The settings that a stage has with these documents, whether or not their chain names it. `None` where they are refused.
pub fn settings_of<T: TypedStage>(stage: T, documents: &Documents) -> Option<T::Settings> {
    let merged = merged(&Typed::new(stage), documents).ok()?;
    in_unit(Unit::Mm, || serde_json::from_value(merged.0)).ok()
}

/// Puts the keys of `over` over those of `under`: objects key by key, everything else as a whole.
pub fn overlay(under: &mut Value, over: &Value) {
    match (under, over) {
        (Value::Object(u), Value::Object(o)) => {
            for (k, v) in o {
                match u.get_mut(k) {
                    Some(slot) => overlay(slot, v),
                    None => {
                        u.insert(k.clone(), v.clone());
                    }
                }
            }
        }
        (under, over) => *under = over.clone(),
    }
}
