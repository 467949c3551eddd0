//! Puts the workingsteps of every setup in order.
//!
//! What must come before what is fixed by practice (pilots, then the pause for screws; inside before outside; outlines last);
//! among the orders that keep to it one with the fewest cutter changes is taken, and among the steps of one cutter a short way
//! through the air.

mod cutters;
mod route;

use crate::hold::{Pilot, Screw};
use cutters::Class;
use grainway_geom::{Point, point};
use grainway_pipeline::motion::Move;
use grainway_pipeline::stage::{Cx, Description, Stop, TypedStage};
use grainway_pipeline::work::{
    BlobId, Entry, Hold, Operation, Setup, SizedFeature, StepRef, Variant, Work,
};
pub use route::{Leg, route};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// Settings of the sequence stage.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields, default)]
pub struct SequenceSettings {
    /// How many changes of the way through the air are tried for each step; 0 leaves the nearest-neighbour order. A count.
    pub improve: u32,
}

impl Default for SequenceSettings {
    fn default() -> Self {
        SequenceSettings { improve: 8 }
    }
}

/// The sequence stage.
#[derive(Clone, Copy, Debug, Default)]
pub struct Sequence;

impl TypedStage for Sequence {
    type Settings = SequenceSettings;
    fn describe(&self) -> Description {
        Description {
            name: "sequence",
            version: 3,
            summary: "Puts the workingsteps of every setup in order.",
            needs: &["held"],
            gives: &["ordered"],
            spoils: &["programs", "verified", "reported"],
        }
    }
    fn run(&self, work: &mut Work, settings: &Self::Settings, cx: &Cx<'_>) -> Result<(), Stop> {
        let park = work.documents.machine().map_or(point(0.0, 0.0), |(_, m)| {
            point(m.park[0].mm(), m.park[1].mm())
        });
        let mut ends = Ends {
            work,
            known: BTreeMap::new(),
        };
        let mut orders = Vec::new();
        for (i, setup) in work.setups.iter().enumerate() {
            cx.check()?;
            cx.progress.at("sequence", i, work.setups.len());
            orders.push(order(work, setup, settings, park, &mut ends));
        }
        for (setup, order) in work.setups.iter_mut().zip(orders) {
            setup.order = order;
        }
        Ok(())
    }
}

/// Where moves begin and end, read once for each block of moves.
struct Ends<'w> {
    work: &'w Work,
    known: BTreeMap<BlobId, Option<(Point, Point)>>,
}

impl Ends<'_> {
    /// First and last place of the moves; `None` when there are none.
    fn of(&mut self, id: &BlobId) -> Option<(Point, Point)> {
        if let Some(found) = self.known.get(id) {
            return *found;
        }
        let moves = self.work.moves(id);
        let first = moves.iter().find_map(|m| match *m {
            Move::Rapid { to } | Move::Line { to, .. } => Some(to.xy()),
            Move::Hole { at, .. } => Some(at),
            Move::Arc { .. } => None,
        });
        let last = moves
            .iter()
            .try_fold(None, |at: Option<grainway_geom::Point3>, m| {
                Some(Some(m.end(at.unwrap_or_default())))
            })
            .flatten();
        let found = first.zip(last.map(|p| p.xy()));
        self.known.insert(id.clone(), found);
        found
    }
}

/// A step that is to be put in order.
#[derive(Clone, Debug)]
struct Task {
    step: StepRef,
    cutter: String,
    leg: Leg,
}

/// Where an operation stands among those of one cutter: what is finest and most inside comes first.
fn rank(operation: Operation) -> u32 {
    match operation {
        Operation::LocatingLine => 0,
        Operation::Pilot => 1,
        Operation::Engrave => 2,
        Operation::Drill => 3,
        Operation::Clear => 4,
        Operation::FinishWall => 5,
        Operation::Rest => 6,
        Operation::Cutout => 7,
        Operation::Outline => 8,
    }
}

/// Sizes that differ by less than this factor (in area) count as equal for "small before large".
const SIZE_FACTOR: f64 = 4.0;

/// Which size a piece or an opening counts as.
fn size_bin(area: f64) -> u32 {
    area.max(1.0).log(SIZE_FACTOR).floor() as u32
}

/// A piece's step as it will be run: cutter, operation, moves.
fn effective<'a>(
    setup: &'a Setup,
    placement: usize,
    variant: &'a Variant,
    step: usize,
) -> (&'a str, Operation, &'a BlobId) {
    let p = &setup.placements[placement];
    if let Some((_, other)) = p.replaced.iter().find(|(i, _)| *i == step) {
        return (&other.cutter, other.operation, &other.moves);
    }
    let own = &variant.steps[step];
    let moves = p
        .tabbed
        .iter()
        .find(|(i, _)| *i == step)
        .map_or(&own.moves, |(_, m)| m);
    (&own.cutter, own.operation, moves)
}

/// The running order of one setup.
fn order(
    work: &Work,
    setup: &Setup,
    settings: &SequenceSettings,
    park: Point,
    ends: &mut Ends<'_>,
) -> Vec<Entry> {
    let mut entries = Vec::new();
    let mut cutter: Option<String> = None;
    let mut at = park;
    // The setup's own steps come first, and after pilots the pause for their screws.
    for operation in [Operation::LocatingLine, Operation::Pilot] {
        for (i, step) in setup.own_steps.iter().enumerate() {
            if step.operation == operation {
                change(&mut entries, &mut cutter, &step.cutter);
                entries.push(Entry::Step(StepRef::Own(i)));
            }
        }
    }
    if let Some(message) = screw_message(work, setup, 1) {
        entries.push(Entry::Pause { number: 1, message });
        at = park;
    }
    let (classes, members) = classes(work, setup);
    let first = cutter.clone();
    for block in cutters::plan(&classes, first.as_deref()) {
        let tasks = tasks(work, setup, &block, &members, ends);
        if tasks.is_empty() {
            continue;
        }
        if cutter.as_deref() != Some(block.cutter.as_str()) {
            at = park;
        }
        change(&mut entries, &mut cutter, &block.cutter);
        let legs: Vec<Leg> = tasks.iter().map(|t| t.leg).collect();
        for i in route(&legs, at, Some(park), settings.improve) {
            debug_assert_eq!(tasks[i].cutter, block.cutter);
            entries.push(Entry::Step(tasks[i].step));
            at = tasks[i].leg.to;
        }
    }
    entries
}

/// The steps of a block, on every placement that has them.
fn tasks(
    work: &Work,
    setup: &Setup,
    block: &cutters::Block,
    members: &[Vec<usize>],
    ends: &mut Ends<'_>,
) -> Vec<Task> {
    let mut tasks = Vec::new();
    let mut standings: BTreeMap<usize, Standings<'_>> = BTreeMap::new();
    for &(class, step) in &block.steps {
        for &placement in &members[class] {
            let Some(variant) = work.variant(&setup.placements[placement].variant) else {
                continue;
            };
            let standings = standings
                .entry(class)
                .or_insert_with(|| Standings::of(variant));
            let (id, operation, moves) = effective(setup, placement, variant, step);
            let Some((from, to)) = ends.of(moves) else {
                continue;
            };
            let placing = setup.placements[placement].placing;
            tasks.push(Task {
                step: StepRef::Placed(placement, step),
                cutter: id.to_string(),
                leg: Leg {
                    group: standings.group(step, operation),
                    from: placing.point(from),
                    to: placing.point(to),
                },
            });
        }
    }
    tasks
}

/// What the steps of a variant have to do with each other.
struct Standings<'v> {
    variant: &'v Variant,
    /// For each step the highest rank and the number of the steps of its feature before it.
    earlier: Vec<(u32, u32)>,
    features: BTreeMap<&'v str, &'v SizedFeature>,
}

impl<'v> Standings<'v> {
    fn of(variant: &'v Variant) -> Standings<'v> {
        let mut so_far: BTreeMap<&str, (u32, u32)> = BTreeMap::new();
        let earlier = variant
            .steps
            .iter()
            .map(|step| {
                let of_feature = so_far.entry(&step.feature).or_default();
                let before = *of_feature;
                *of_feature = (before.0.max(rank(step.operation)), before.1 + 1);
                before
            })
            .collect();
        // Of equal keys the first counts.
        let by_key = variant.features.iter().rev();
        Standings {
            variant,
            earlier,
            features: by_key.map(|f| (f.key.as_str(), f)).collect(),
        }
    }
    /// Where a step that is run as this operation stands among those of its cutter: its rank, the size of what it cuts loose, and its
    /// turn. Steps of one feature keep their order, whatever their operations.
    fn group(&self, step: usize, operation: Operation) -> (u32, u32, u32) {
        let size = match operation {
            Operation::Outline => size_bin(self.variant.outline.area().abs()),
            Operation::Cutout => {
                let feature = self.variant.steps[step].feature.as_str();
                let feature = self.features.get(feature);
                feature.map_or(0, |f| size_bin(f.shape.area().abs()))
            }
            _ => 0,
        };
        let (before, turn) = self.earlier[step];
        (before.max(rank(operation)), size, turn)
    }
}

fn change(entries: &mut Vec<Entry>, cutter: &mut Option<String>, to: &str) {
    if cutter.as_deref() != Some(to) {
        entries.push(Entry::Cutter(to.to_string()));
        *cutter = Some(to.to_string());
    }
}

/// What makes placements alike: the variant, and which steps are replaced by which cutter.
type Alike<'a> = (&'a str, Vec<(usize, &'a str)>);

/// Placements that are cut alike make one class: the same variant with the same steps replaced.
fn classes(work: &Work, setup: &Setup) -> (Vec<Class>, Vec<Vec<usize>>) {
    let mut index: BTreeMap<Alike<'_>, usize> = BTreeMap::new();
    let mut classes: Vec<Class> = Vec::new();
    let mut members: Vec<Vec<usize>> = Vec::new();
    for (p, placement) in setup.placements.iter().enumerate() {
        let Some(variant) = work.variant(&placement.variant) else {
            continue;
        };
        let replaced = placement
            .replaced
            .iter()
            .map(|(i, s)| (*i, s.cutter.as_str()))
            .collect();
        let class = *index
            .entry((placement.variant.as_str(), replaced))
            .or_insert_with(|| {
                let steps = (0..variant.steps.len())
                    .map(|i| {
                        let (cutter, operation, _) = effective(setup, p, variant, i);
                        (
                            cutter.to_string(),
                            operation,
                            variant.steps[i].feature.clone(),
                        )
                    })
                    .collect();
                classes.push(Class { steps });
                members.push(Vec::new());
                classes.len() - 1
            });
        members[class].push(p);
    }
    (classes, members)
}

/// Which screws to drive when the pilots are drilled or their places marked, in the unit of the program.
fn screw_message(work: &Work, setup: &Setup, number: u32) -> Option<String> {
    let screws: Vec<&Hold> = setup
        .holds
        .iter()
        .filter(|h| h.after_pause == Some(number) && h.kind.wants_pilot())
        .collect();
    let first = screws.first()?;
    let screw = Screw::of(work, setup, first)?;
    let unit = work
        .documents
        .machine()
        .map(|(_, m)| m.program_unit)
        .unwrap_or_default();
    let places: Vec<String> = screws
        .iter()
        .map(|h| format!("({}, {})", unit.measured(h.at.x), unit.measured(h.at.y)))
        .collect();
    let many = format!(
        "{} screw{}, {}",
        screws.len(),
        if screws.len() == 1 { "" } else { "s" },
        screw.size(unit)
    );
    let places = places.join(" ");
    let sunk = match first.head_above <= 0.0 {
        true => ", heads sunk",
        false => "",
    };
    Some(match screw.pilot {
        Pilot::ByHand => {
            format!("Drill pilots by hand at the marks and drive {many}, at {places}{sunk}")
        }
        Pilot::Drilled | Pilot::None => format!("Drive {many}, into the pilots at {places}{sunk}"),
    })
}

#[cfg(test)]
mod tests;
