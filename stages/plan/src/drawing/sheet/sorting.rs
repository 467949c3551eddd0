//! What each entity of a drawing is: a line to make something of, left out by a rule, or something to tell the user.

use super::{Fate, Reading};
use crate::drawing::layers::{Making, Meaning, Rules};
use grainway_import::entity::{Entity, Run, What};
use grainway_import::join;
use grainway_pipeline::finding::{Severity, code};
use grainway_pipeline::tolerance::IMPORT_MM;
use std::collections::BTreeMap;
use std::sync::Arc;

/// Layers of which contours are made, each with the entities on it.
pub(super) type Candidates<'d> = BTreeMap<Arc<str>, (Making<'d>, Vec<usize>)>;
type Meanings<'d> = BTreeMap<Arc<str>, Meaning<'d>>;

/// What could not be read: layer, type, whether it is broken, and why.
type Unread = (Arc<str>, Arc<str>, bool, String);

/// Entities by what becomes of them.
#[derive(Default)]
struct Sorted<'d> {
    make: Candidates<'d>,
    /// On layers that no rule matches.
    unmatched: BTreeMap<Arc<str>, Vec<usize>>,
    unread: BTreeMap<Unread, Vec<usize>>,
    /// Left out with a block that was inserted on an ignored layer, by that layer and their own.
    buried: BTreeMap<(Arc<str>, Arc<str>), Vec<usize>>,
}

impl<'d> Sorted<'d> {
    /// Puts one entity where it belongs. `None` when something is to be made of it.
    fn put(&mut self, i: usize, e: &Entity, meanings: &Meanings<'d>) -> Option<Fate> {
        let ignores = |l: &Arc<str>| matches!(meanings.get(l), Some(Meaning::Ignored));
        let meaning = meanings.get(&e.layer);
        let container = matches!(e.what, What::Container);
        if e.hidden.is_some() {
            return Some(Fate::Ignored);
        }
        if let Some(outer) = e.around.iter().find(|l| ignores(l)) {
            if matches!(meaning, Some(Meaning::Make(_))) && !container {
                let place = (outer.clone(), e.layer.clone());
                self.buried.entry(place).or_default().push(i);
            }
            return Some(Fate::Ignored);
        }
        if ignores(&e.layer) {
            return Some(Fate::Ignored);
        }
        if container {
            return Some(Fate::Used);
        }
        match (meaning, &e.what) {
            (Some(Meaning::Make(making)), What::Run(_)) => {
                let layer = self.make.entry(e.layer.clone());
                let (_, list) = layer.or_insert_with(|| (making.clone(), Vec::new()));
                list.push(i);
                return None;
            }
            (Some(Meaning::Make(_)), What::Other(why) | What::Broken(why)) => {
                let broken = matches!(e.what, What::Broken(_));
                let what = (e.layer.clone(), e.kind.clone(), broken, why.clone());
                self.unread.entry(what).or_default().push(i);
            }
            (Some(Meaning::Unusable), _) => {}
            _ => self.unmatched.entry(e.layer.clone()).or_default().push(i),
        }
        Some(Fate::Warned)
    }
}

impl<'d> Reading<'_, '_, 'd> {
    /// Decides about everything that is not a contour to make; gives the rest by layer.
    pub(super) fn sort_out(&mut self, rules: &Rules<'d>) -> Candidates<'d> {
        let content = self.content;
        let meanings = self.meanings(rules);
        let mut sorted = Sorted::default();
        for (i, e) in content.entities.iter().enumerate() {
            self.fates[i] = sorted.put(i, e, &meanings);
        }
        self.tell_unmatched(sorted.unmatched);
        self.tell_unread(sorted.unread);
        for ((outer, layer), list) in sorted.buried {
            let message = format!(
                "{} on the layer {layer} lie in a block inserted on the ignored layer {outer}, and were ignored with it.",
                count_kinds(&content.entities, &list)
            );
            let at = content.entities[list[0]].at;
            self.find(&code::BLOCK_IGNORED, at, message);
        }
        sorted.make
    }

    fn meanings(&mut self, rules: &Rules<'d>) -> Meanings<'d> {
        let mut meanings = Meanings::new();
        for e in &self.content.entities {
            for layer in std::iter::once(&e.layer).chain(&e.around) {
                if !meanings.contains_key(layer) {
                    // A layer that only holds insertions or things left out need not have a meaning that can be used.
                    let unit = self.content.unit_mm;
                    let meaning = rules.meaning(layer, unit, &mut self.made.findings);
                    meanings.insert(layer.clone(), meaning);
                }
            }
        }
        meanings
    }

    fn tell_unmatched(&mut self, unmatched: BTreeMap<Arc<str>, Vec<usize>>) {
        let content = self.content;
        let known: Vec<&str> = self.doc.layers.iter().map(|r| r.layer.as_str()).collect();
        let known = if known.is_empty() {
            "none".to_string()
        } else {
            known.join(", ")
        };
        for (layer, list) in unmatched {
            let closed = closed(&content.entities, &list);
            // What is closed may be something to cut; nobody said that it is not.
            let (severity, uncut) = match closed {
                0 => (Severity::Warning, String::new()),
                1 => (
                    Severity::Error,
                    " A closed contour is among them.".to_string(),
                ),
                n => (
                    Severity::Error,
                    format!(" {n} closed contours are among them."),
                ),
            };
            let message = format!(
                "No rule matches the layer {layer}, which holds {}; they were left out.{uncut} Rules: {known}.",
                count_kinds(&content.entities, &list)
            );
            let at = content.entities[list[0]].at;
            self.find(&code::LAYER_UNMATCHED, at, message).severity = severity;
        }
    }

    fn tell_unread(&mut self, unread: BTreeMap<Unread, Vec<usize>>) {
        let content = self.content;
        for ((layer, kind, broken, why), list) in unread {
            let message = match list.len() {
                1 => format!("A {kind} on the layer {layer} {why}; it was left out."),
                n => format!(
                    "{n} of type {kind} on the layer {layer} were left out: each {why}. The first is named here."
                ),
            };
            let severity = if broken {
                Severity::Error
            } else {
                Severity::Warning
            };
            let at = content.entities[list[0]].at;
            self.find(&code::ENTITY_NOT_READ, at, message).severity = severity;
        }
    }
}

/// How many closed contours the lines among these entities make.
fn closed(entities: &[Entity], list: &[usize]) -> usize {
    let runs: Vec<(usize, &Run)> = list
        .iter()
        .filter_map(|i| match &entities[*i].what {
            What::Run(run) => Some((*i, run)),
            _ => None,
        })
        .collect();
    let joined = join::join(&runs, IMPORT_MM).joined;
    joined.iter().filter(|j| j.contour.closed).count()
}

/// "3 LINE, 1 TEXT".
fn count_kinds(entities: &[Entity], list: &[usize]) -> String {
    let mut counts: BTreeMap<&str, usize> = BTreeMap::new();
    for i in list {
        *counts.entry(&entities[*i].kind).or_default() += 1;
    }
    counts
        .into_iter()
        .map(|(k, n)| format!("{n} {k}"))
        .collect::<Vec<_>>()
        .join(", ")
}
