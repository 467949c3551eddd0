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
    tasks: Vec<Task<'a>>,
    classes: usize,
}

/// A step of a class.
struct Task<'a> {
    class: usize,
    step: usize,
    cutter: &'a str,
    rank: u32,
    /// The step of the same feature before this one, which must be done first.
    previous: Option<usize>,
    /// An edge: it waits for all of the class that is inside.
    edge: bool,
    /// The edges of its class wait for it. They cannot wait for what comes after an edge of its own feature: nothing would ever start.
    inside: bool,
    /// An outline, or what comes after it: it waits for all that is neither.
    outline: bool,
}

/// How many steps still hold others up.
struct Waiting {
    inside_of_class: Vec<usize>,
    not_outline: usize,
}

/// The order in blocks; `first` is the cutter in the spindle already.
pub(super) fn plan(classes: &[Class], first: Option<&str>) -> Vec<Block> {
    let problem = Problem::new(classes);
    let series = problem.shortest(first);
    problem.blocks(&series)
}

impl<'a> Problem<'a> {
    fn new(classes: &'a [Class]) -> Problem<'a> {
        let mut tasks: Vec<Task<'a>> = Vec::new();
        for (c, class) in classes.iter().enumerate() {
            // The last step of each feature so far, and whether a cutout or an outline was among its steps.
            let mut features: BTreeMap<&str, (usize, bool, bool)> = BTreeMap::new();
            for (s, (cutter, operation, feature)) in class.steps.iter().enumerate() {
                let before = features.get(feature.as_str()).copied();
                let (cutout, outline) = before.map_or((false, false), |(_, c, o)| (c, o));
                let edge = matches!(operation, Operation::Cutout | Operation::Outline);
                let is_outline = *operation == Operation::Outline;
                let is_cutout = *operation == Operation::Cutout;
                features.insert(
                    feature,
                    (tasks.len(), cutout || is_cutout, outline || is_outline),
                );
                tasks.push(Task {
                    class: c,
                    step: s,
                    cutter,
                    rank: super::rank(*operation),
                    previous: before.map(|(previous, _, _)| previous),
                    edge,
                    inside: !edge && !cutout && !outline,
                    outline: is_outline || outline,
                });
            }
        }
        Problem {
            tasks,
            classes: classes.len(),
        }
    }
    /// Tasks that may be run, in order.
    fn ready(&self, done: &Done) -> impl Iterator<Item = usize> {
        let mut waiting = Waiting {
            inside_of_class: vec![0; self.classes],
            not_outline: 0,
        };
        for (task, _) in self.tasks.iter().zip(done).filter(|(_, done)| !**done) {
            waiting.inside_of_class[task.class] += usize::from(task.inside);
            waiting.not_outline += usize::from(!task.outline);
        }
        (0..self.tasks.len()).filter(move |&t| {
            let task = &self.tasks[t];
            !done[t]
                && (!task.outline || waiting.not_outline == 0)
                && (!task.edge || waiting.inside_of_class[task.class] == 0)
                && task.previous.is_none_or(|p| done[p])
        })
    }
    /// Runs all that one cutter may; gives the tasks in the order in which they became possible.
    fn run(&self, done: &mut Done, cutter: &str) -> Vec<usize> {
        let mut ran = Vec::new();
        loop {
            let own = |t: &usize| self.tasks[*t].cutter == cutter;
            let ready: Vec<usize> = self.ready(done).filter(own).collect();
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
        let mut best: BTreeMap<&str, u32> = BTreeMap::new();
        for task in self.ready(done).map(|t| &self.tasks[t]) {
            let rank = best.entry(task.cutter).or_insert(u32::MAX);
            *rank = (*rank).min(task.rank);
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
        let present = first.and_then(|f| self.tasks.iter().map(|t| t.cutter).find(|c| *c == f));
        if let Some(cutter) = present.filter(|c| !self.run(&mut start, c).is_empty()) {
            series.push(cutter);
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
                    .map(|t| (self.tasks[t].class, self.tasks[t].step))
                    .collect(),
            })
            .collect();
        // Steps that wait for each other in a circle are run as they are listed: nothing is lost.
        let left = self.tasks.iter().zip(done).filter(|(_, done)| !done);
        for (task, _) in left {
            blocks.push(Block {
                cutter: task.cutter.to_string(),
                steps: vec![(task.class, task.step)],
            });
        }
        blocks
    }
}
