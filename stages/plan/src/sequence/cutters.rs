//! The fewest cutter changes that keep to what must come before what.
//!
//! Within a piece: the steps of one feature in their order; cutouts after everything inside the piece; and within the board:
//! outlines after everything else, so that laps, housings and run-outs are cut while the waste behind their edges stands.
//! With a cutter in the spindle, everything that may be run is run: that never closes a way. So an order is a series of
//! cutters, and the shortest series is found by a search in breadth.

use grainway_pipeline::work::Operation;
use std::collections::{BTreeMap, BTreeSet, VecDeque};

/// Pieces that are cut alike.
#[derive(Clone, Debug)]
pub(super) struct Class {
    /// Cutter, operation and feature of each step.
    pub(super) steps: Vec<(String, Operation, String)>,
}

/// What is run with one cutter before the next: (class, step).
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Block {
    pub(super) cutter: String,
    pub(super) steps: Vec<(usize, usize)>,
}

/// States looked at before the search settles for the next best cutter at each change.
const STATES: usize = 5_000;

/// Which steps are done.
type Done = Vec<bool>;

struct Problem<'a> {
    /// (class, step) of each task.
    tasks: Vec<(usize, usize)>,
    cutter: Vec<&'a str>,
    rank: Vec<u32>,
    /// Tasks that must be done before each task.
    before: Vec<Vec<usize>>,
    /// Outlines: they wait for all that are none.
    outline: Vec<bool>,
}

/// The order in blocks; `first` is the cutter in the spindle already.
pub(super) fn plan(classes: &[Class], first: Option<&str>) -> Vec<Block> {
    let problem = Problem::new(classes);
    let series = problem.shortest(first);
    problem.blocks(&series)
}

impl<'a> Problem<'a> {
    fn new(classes: &'a [Class]) -> Problem<'a> {
        let mut p = Problem {
            tasks: Vec::new(),
            cutter: Vec::new(),
            rank: Vec::new(),
            before: Vec::new(),
            outline: Vec::new(),
        };
        for (c, class) in classes.iter().enumerate() {
            let base = p.tasks.len();
            for (s, (cutter, operation, feature)) in class.steps.iter().enumerate() {
                // What comes after an edge of its own feature cannot be waited for by edges: nothing would ever start.
                let follows = |i: usize, edge: Operation| {
                    class.steps[..i]
                        .iter()
                        .any(|(_, o, f)| *o == edge && *f == class.steps[i].2)
                };
                let edge = matches!(operation, Operation::Cutout | Operation::Outline);
                let before = class
                    .steps
                    .iter()
                    .enumerate()
                    .filter(|(o, (_, other, same))| {
                        let inside = !matches!(other, Operation::Cutout | Operation::Outline)
                            && !follows(*o, Operation::Cutout)
                            && !follows(*o, Operation::Outline);
                        (*o < s && same == feature) || (edge && inside && *o != s)
                    })
                    .map(|(o, _)| base + o)
                    .collect();
                p.tasks.push((c, s));
                p.cutter.push(cutter);
                p.rank.push(super::rank(*operation));
                p.before.push(before);
                p.outline
                    .push(*operation == Operation::Outline || follows(s, Operation::Outline));
            }
        }
        p
    }
    /// Runs all that one cutter may; gives the tasks in the order in which they became possible.
    fn run(&self, done: &mut Done, cutter: &str) -> Vec<usize> {
        let mut ran = Vec::new();
        loop {
            let inside_done = (0..self.tasks.len()).all(|t| done[t] || self.outline[t]);
            let ready: Vec<usize> = (0..self.tasks.len())
                .filter(|&t| {
                    !done[t]
                        && self.cutter[t] == cutter
                        && (!self.outline[t] || inside_done)
                        && self.before[t].iter().all(|&b| done[b])
                })
                .collect();
            if ready.is_empty() {
                return ran;
            }
            for &t in &ready {
                done[t] = true;
            }
            ran.extend(ready);
        }
    }
    /// The cutters that could run something, the one with the finest work first.
    fn choices(&self, done: &Done) -> Vec<&'a str> {
        let inside_done = (0..self.tasks.len()).all(|t| done[t] || self.outline[t]);
        let mut best: BTreeMap<&str, u32> = BTreeMap::new();
        for t in 0..self.tasks.len() {
            let ready = !done[t]
                && (!self.outline[t] || inside_done)
                && self.before[t].iter().all(|&b| done[b]);
            if ready {
                let rank = best.entry(self.cutter[t]).or_insert(u32::MAX);
                *rank = (*rank).min(self.rank[t]);
            }
        }
        let mut list: Vec<(u32, &str)> = best.into_iter().map(|(c, r)| (r, c)).collect();
        list.sort();
        list.into_iter().map(|(_, c)| c).collect()
    }
    /// The shortest series of cutters that runs everything.
    fn shortest(&self, first: Option<&str>) -> Vec<&'a str> {
        let mut start: Done = vec![false; self.tasks.len()];
        let mut series = Vec::new();
        // What the cutter already in the spindle can do costs no change.
        let present = first.and_then(|f| self.cutter.iter().find(|c| **c == f));
        if let Some(cutter) = present.filter(|c| !self.run(&mut start, c).is_empty()) {
            series.push(*cutter);
        }
        let mut seen: BTreeSet<Done> = BTreeSet::from([start.clone()]);
        let mut queue: VecDeque<(Done, Vec<&'a str>)> =
            VecDeque::from([(start.clone(), series.clone())]);
        while let Some((done, series)) = queue.pop_front() {
            if done.iter().all(|d| *d) {
                return series;
            }
            if seen.len() > STATES {
                break;
            }
            for cutter in self.choices(&done) {
                let mut next = done.clone();
                self.run(&mut next, cutter);
                if seen.insert(next.clone()) {
                    let mut longer = series.clone();
                    longer.push(cutter);
                    queue.push_back((next, longer));
                }
            }
        }
        // Too many ways: always the cutter with the finest work.
        let mut done = start;
        while let Some(cutter) = self.choices(&done).first().copied() {
            self.run(&mut done, cutter);
            series.push(cutter);
        }
        series
    }
    fn blocks(&self, series: &[&'a str]) -> Vec<Block> {
        let mut done: Done = vec![false; self.tasks.len()];
        let mut blocks: Vec<Block> = series
            .iter()
            .map(|cutter| Block {
                cutter: (*cutter).to_string(),
                steps: self
                    .run(&mut done, cutter)
                    .into_iter()
                    .map(|t| self.tasks[t])
                    .collect(),
            })
            .collect();
        // Steps that wait for each other in a circle are run as they are listed: nothing is lost.
        for (t, task) in self.tasks.iter().enumerate().filter(|(t, _)| !done[*t]) {
            blocks.push(Block {
                cutter: self.cutter[t].to_string(),
                steps: vec![*task],
            });
        }
        blocks
    }
}
