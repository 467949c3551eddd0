//! What sheets and lists say of programs: their names, their numbers, their cutters and the part of the running order that each runs.

use grainway_pipeline::dialect::{DialectAbout, Numbering};
use grainway_pipeline::doc::FormerNight;
use grainway_pipeline::finding::{Finding, code};
use grainway_pipeline::work::{
    Entry, Operation, PieceHold, Program, Setup, SetupKind, Work, step_view,
};
use std::collections::{BTreeMap, BTreeSet};

/// Over all setups: their names, and programs in running order, each text under its own sum.
pub(super) fn job(work: &Work) -> Vec<Finding> {
    let mut findings = names(work);
    // What a night no longer has leaves its numbers free.
    let gaps = work.documents.former().is_some();
    let mut next = work.programs.first().map_or(0, |p| p.number);
    for program in &work.programs {
        let number = program.number;
        let in_order = number == next || gaps && number > next;
        next = number.saturating_add(1);
        let same_text = program.sha256 == program.text.0;
        let known = work.setups.iter().any(|s| s.id == program.setup);
        if !in_order || !same_text || !known {
            let message = format!("{} is not the program that it is listed as.", program.name);
            findings.push(Finding::new(&code::VERIFY_PIECES, message).setup(&program.setup));
        }
    }
    findings
}

/// Setups are called by what lies there, and numbered.
fn names(work: &Work) -> Vec<Finding> {
    let mut counts: BTreeMap<&str, usize> = BTreeMap::new();
    for setup in &work.setups {
        *counts.entry(word(setup.kind)).or_default() += 1;
    }
    let mut known = BTreeSet::new();
    let wrong = work.setups.iter().filter(|setup| {
        let kind = word(setup.kind);
        let number = setup
            .id
            .strip_prefix(kind)
            .and_then(|n| n.strip_prefix('-'));
        let number = number.and_then(|n| n.parse::<usize>().ok());
        let former = work.documents.former().map_or(0, |f| f.greatest(kind));
        let most = counts[kind].max(former);
        let fine = number.is_some_and(|n| (1..=most).contains(&n));
        !known.insert(&setup.id) || !fine
    });
    wrong
        .map(|setup| {
            let message = format!(
                "A setup is called {}; {} are called {}-1, {}-2 and so on.",
                setup.id,
                match setup.kind {
                    SetupKind::Board => "boards",
                    SetupKind::Blank => "blanks",
                    SetupKind::Lines => "locating lines",
                },
                word(setup.kind),
                word(setup.kind)
            );
            Finding::new(&code::VERIFY_PIECES, message).setup(&setup.id)
        })
        .collect()
}

fn word(kind: SetupKind) -> &'static str {
    match kind {
        SetupKind::Board => "board",
        SetupKind::Blank => "blank",
        SetupKind::Lines => "lines",
    }
}

/// The programs of a setup run all of its order, each is named for what it is, and says its cutter where it has one.
pub(super) fn setup(work: &Work, setup: &Setup, about: &DialectAbout) -> Vec<Finding> {
    let mut programs: Vec<&Program> = work.programs.iter().collect();
    programs.retain(|p| p.setup == setup.id);
    let mut findings = Vec::new();
    let mut say = |message: String| {
        findings.push(Finding::new(&code::VERIFY_WANTED, message).setup(&setup.id));
    };
    let mut from = 0;
    for program in &programs {
        let (begins, ends) = program.entries;
        let cutters = cutters(setup, begins, ends);
        let one = match &program.cutter {
            Some(id) => cutters.iter().all(|c| *c == id),
            None => cutters.len() != 1 || programs.len() > 1,
        };
        if begins != from || ends <= begins || !one {
            say(format!(
                "{} is told to run another part of {}, or with another cutter, than it does.",
                program.name, setup.id
            ));
        }
        let former = work.documents.former().map_or(0, FormerNight::digits);
        let digits = work.programs.len().to_string().len().max(2).max(former);
        if !is_named(program, setup, digits, about) {
            say(format!("{} is not named for what it is.", program.name));
        }
        from = ends;
    }
    for view in other_cutters(work, setup) {
        say(format!(
            "{view} is told to be cut with another cutter than is in."
        ));
    }
    let own = match setup.kind {
        SetupKind::Lines => Operation::LocatingLine,
        SetupKind::Board | SetupKind::Blank => Operation::Pilot,
    };
    if setup.own_steps.iter().any(|s| s.operation != own) {
        say(format!(
            "A step of {} is told to be another than it is.",
            setup.id
        ));
    }
    for placement in &setup.placements {
        let tabs = matches!(placement.hold, PieceHold::Tabs | PieceHold::Bridges(_));
        let told = match placement.tabs.is_empty() {
            true => !tabs,
            false => tabs || placement.hold == PieceHold::Screws,
        };
        if !told {
            let piece = &placement.piece;
            say(format!("{piece} is told to be held otherwise than it is."));
        }
    }
    if !programs.is_empty() && from != setup.order.len() {
        say(format!(
            "The programs of {} do not run all of its cuts.",
            setup.id
        ));
    }
    findings
}

/// Steps that are told to be cut with another cutter than the one that went in last.
fn other_cutters(work: &Work, setup: &Setup) -> Vec<String> {
    let mut present: Option<&String> = None;
    let mut wrong = Vec::new();
    for entry in &setup.order {
        match entry {
            Entry::Cutter(id) => present = Some(id),
            Entry::Pause { .. } => {}
            Entry::Step(step) => {
                let view = step_view(work, setup, *step);
                let other = view.filter(|v| present.is_some_and(|id| id != v.cutter));
                wrong.extend(other.map(|v| v.label()));
            }
        }
    }
    wrong
}

/// The cutters that are in the spindle while a part of the order runs.
fn cutters(setup: &Setup, from: usize, to: usize) -> BTreeSet<&String> {
    let to = to.min(setup.order.len());
    let part = &setup.order[from.min(to)..to];
    let of = |e: &'_ Entry| matches!(e, Entry::Cutter(_));
    let before = match part.iter().find(|e| of(e) || matches!(e, Entry::Step(_))) {
        Some(Entry::Step(_)) => setup.order[..from.min(to)].iter().rev().find(|e| of(e)),
        _ => None,
    };
    part.iter()
        .chain(before)
        .filter_map(|e| match e {
            Entry::Cutter(id) => Some(id),
            _ => None,
        })
        .collect()
}

/// A file is called by its number alone, or by number of at least so many digits, setup, cutter and, where they are divided, its part.
fn is_named(program: &Program, setup: &Setup, least: usize, about: &DialectAbout) -> bool {
    let Some(name) = program.name.strip_suffix(about.ending.as_str()) else {
        return false;
    };
    if about.numbered_files {
        let digits = usize::from(about.numbering.unwrap_or(Numbering::USUAL).digits);
        return name == format!("{:01$}", program.number, digits);
    }
    let start = format!("{:0least$}-{}", program.number, plain(&setup.id));
    let Some(mut rest) = name.strip_prefix(start.as_str()) else {
        return false;
    };
    if let Some(cutter) = &program.cutter {
        let cutter = format!("-{}", plain(cutter));
        rest = rest.strip_prefix(cutter.as_str()).unwrap_or(rest);
    }
    for word in ["-setting-", "-part-"] {
        if let Some(after) = rest.strip_prefix(word) {
            rest = after.trim_start_matches(|c: char| c.is_ascii_digit());
        }
    }
    rest.is_empty()
}

/// A name as files have it.
fn plain(name: &str) -> String {
    let kept = |c: char| c.is_ascii_alphanumeric() || "._-".contains(c);
    name.chars()
        .map(|c| if kept(c) { c } else { '-' })
        .collect()
}
