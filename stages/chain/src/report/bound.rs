//! How near a job's cuts come to the least time that its wood, cutters and feeds ask for.
//!
//! The **bound** is computed by the same model as the estimate, on an ideal path at the feed that cutter and wood give before
//! anything slows it: recesses as their volume ÷ (0.4 · diameter · pass depth · feed); cutouts and outlines as one lap a level, one
//! closing lap, and one more where a finishing allowance stands; holes with their pecks, milled ones as one falling helix with a
//! closing turn; engraved lines as one run a level and, as a hole's peck, a stroke down to the first level and out of the wood. It stands beside the time below the safe height, entries, retracts and air
//! included. Pauses, cutter changes, spin-up and the ways at safe height are no part of either.

use super::document::{BoundRow, DifferenceRow, FeedRow, KindRow};
use super::show::tenth;
use super::times::{Clock, Drive, Seconds, rest_to_rest};
use grainway_geom::{Contour, Notes, Placing, Point, Point3, Region, Segment, opening};
use grainway_pipeline::doc::{Cutter, CutterKind, FeatureKind, Machine};
use grainway_pipeline::motion::Move;
use grainway_pipeline::tolerance::SAME_LEVEL_MM;
use grainway_pipeline::work::{
    Operation, ProfileCut, Setup, SizedFeature, StepView, Variant, Work,
};
use grainway_plan::{feeds, reach};
use std::collections::BTreeMap;
use std::f64::consts::TAU;

/// Width that a recess's path clears, as a share of the cutter's diameter (common practice, no source).
const STEPOVER: f64 = 0.4;
/// The last through pass is at most this deep, mm (common practice, no source).
const LAST_PASS_MM: f64 = 1.5;
/// The steepest helix, degrees (common practice, no source: 2 to 5).
const HELIX_DEGREES: f64 = 5.0;
/// A helix on a path wider than this many cutter radii would leave a core: such holes are recesses.
const HELIX_CORE: f64 = 0.95;
/// A hole within this of its cutter's diameter is bored straight, mm.
const STRAIGHT_MM: f64 = 0.05;
/// A depth more than a whole number of passes by less than this asks for no further pass, mm.
const LEVEL_MM: f64 = 1e-3;
/// A way into the wood is at least this steep, rise over run; what slopes less cuts as a level lap does (1.5°, half the usual ramp).
const ENTRY_SLOPE: f64 = 0.026;

/// A height counts as a level of a recess when the cutter goes more than this share of its longest level there: links are no levels.
const FAIR_PART: f64 = 0.3;

/// Adds up bounds and what the difference to the estimate is made of.
pub(super) struct Bounds<'w> {
    work: &'w Work,
    machine: Option<&'w Machine>,
    /// By kind of feature, in the order of their names.
    kinds: BTreeMap<String, Sum>,
    feeds: BTreeMap<(String, String), f64>,
    /// The bound of a variant's step, which many pieces have.
    known: BTreeMap<(String, usize, u64), f64>,
}

/// Seconds of one kind.
#[derive(Clone, Copy, Default)]
struct Sum {
    below_safe: f64,
    bound: f64,
    entries: f64,
    air: f64,
    slowdowns: f64,
    levels: f64,
    widening: f64,
}

impl Sum {
    fn add(&mut self, o: &Sum, times: f64) {
        self.below_safe += times * o.below_safe;
        self.bound += times * o.bound;
        self.entries += times * o.entries;
        self.air += times * o.air;
        self.slowdowns += times * o.slowdowns;
        self.levels += times * o.levels;
        self.widening += times * o.widening;
    }
    /// Its seconds as they are told; sums are made of these.
    fn told(&self) -> Sum {
        Sum {
            below_safe: tenth(self.below_safe),
            bound: tenth(self.bound),
            entries: tenth(self.entries),
            air: tenth(self.air),
            slowdowns: tenth(self.slowdowns),
            levels: tenth(self.levels),
            widening: tenth(self.widening),
        }
    }
    fn difference(&self) -> DifferenceRow {
        let named = self.entries + self.air + self.slowdowns + self.levels + self.widening;
        DifferenceRow {
            entries: tenth(self.entries),
            air: tenth(self.air),
            slowdowns: tenth(self.slowdowns),
            levels: tenth(self.levels),
            widening: tenth(self.widening),
            paths: tenth(self.below_safe - self.bound - named),
        }
    }
    fn ratio(&self) -> f64 {
        match self.bound > 0.0 {
            true => (1000.0 * self.below_safe / self.bound).round() / 1000.0,
            false => 0.0,
        }
    }
}

impl<'w> Bounds<'w> {
    pub(super) fn new(work: &'w Work) -> Bounds<'w> {
        Bounds {
            work,
            machine: work.documents.machine().map(|(_, m)| m),
            kinds: BTreeMap::new(),
            feeds: BTreeMap::new(),
            known: BTreeMap::new(),
        }
    }

    /// Takes in a step as it is run, with the time of each of its moves.
    pub(super) fn add(
        &mut self,
        setup: &Setup,
        step: &StepView<'_>,
        moves: &[Move],
        each: &[Seconds],
    ) {
        let (Some(machine), Some(cutter)) = (self.machine, self.work.documents.cutter(step.cutter))
        else {
            return;
        };
        let variant = step.placement.and_then(|p| self.work.variant(&p.variant));
        let own = variant.and_then(|v| v.steps.get(step.index?));
        let feature = variant.and_then(|v| v.features.iter().find(|f| f.key == step.feature));
        let wood = feeds::wood_of(&self.work.documents, &setup.stock);
        let feed = match (variant, wood) {
            (Some(_), Some(wood)) => feeds::feeds(cutter, &wood, machine, step.operation).feed,
            _ => step.feed,
        };
        if variant.is_some() && cutter.kind != CutterKind::Drill {
            let key = (step.cutter.to_string(), setup.stock.clone());
            self.feeds.insert(key, feed);
        }
        let ideal = Ideal {
            drive: Drive::of(machine),
            cutter,
            feed,
            top: setup.z.highest_top(),
            thick: feature
                .and_then(|f| self.work.documents.cutter(f.cutter.as_deref()?))
                .map(Cutter::radius_mm),
        };
        let moves: Vec<Move> = moves
            .iter()
            .map(|m| m.placed(&Placing::default(), setup.safe_z))
            .collect();
        let run = Run {
            from: stands(&moves),
            moves: &moves,
            each,
            top: setup.z.highest_top(),
            safe_z: setup.safe_z,
        };
        // Where hold has put another step in a cutout's place, all of its waste goes.
        let profile = own.and_then(|o| o.profile.as_ref().filter(|_| !step.replaced));
        let floor = match step.operation {
            Operation::Outline => step.placement.and_then(|p| p.hold.skin()),
            _ => None,
        };
        let floor = floor.map_or(f64::NEG_INFINITY, |skin| setup.z.lowest_underside() + skin);
        let known = (
            variant.map(|v| v.id.clone()).unwrap_or_default(),
            step.index.unwrap_or(usize::MAX),
            floor.to_bits() ^ u64::from(step.replaced),
        );
        let mut sum = run.parts(profile, feed);
        match (variant, feature, own) {
            (Some(variant), Some(feature), Some(own)) => {
                let cut = CutFeature {
                    variant,
                    feature,
                    profile,
                    floor: feature.floor.max(floor),
                };
                let bound = self.known.entry(known);
                sum.bound = *bound.or_insert_with(|| ideal.of(&cut, own.operation, &run));
                sum.levels = run.more_levels(&ideal, &cut);
            }
            _ => sum.bound = run.as_it_is(),
        }
        let milled = cutter.kind != CutterKind::Drill;
        let kind = match feature {
            Some(f) if f.kind == FeatureKind::Hole && milled => "hole, milled",
            Some(f) => f.kind.word(),
            None => step.operation.word(),
        };
        let times = f64::from(setup.repeats.max(1));
        let kind = self.kinds.entry(kind.to_string()).or_default();
        kind.add(&sum, times);
    }

    /// The rows of the report.
    pub(super) fn row(&self) -> BoundRow {
        let kinds: Vec<(&String, Sum)> = self.kinds.iter().map(|(k, s)| (k, s.told())).collect();
        let mut all = Sum::default();
        for (_, sum) in &kinds {
            all.add(sum, 1.0);
        }
        BoundRow {
            below_safe: tenth(all.below_safe),
            bound: tenth(all.bound),
            ratio: all.ratio(),
            difference: all.difference(),
            kinds: kinds
                .into_iter()
                .map(|(kind, sum)| KindRow {
                    kind: kind.clone(),
                    below_safe: sum.below_safe,
                    bound: sum.bound,
                    ratio: sum.ratio(),
                    difference: sum.difference(),
                })
                .collect(),
            feeds: self
                .feeds
                .iter()
                .map(|((cutter, stock), feed)| FeedRow {
                    cutter: cutter.clone(),
                    stock: stock.clone(),
                    feed: *feed,
                })
                .collect(),
        }
    }
}

/// What the ideal path of a step is run with.
struct Ideal<'a> {
    drive: Drive,
    cutter: &'a Cutter,
    /// As cutter and wood give it, mm/min.
    feed: f64,
    /// The highest the face can be.
    top: f64,
    /// Radius of the feature's own cutter, mm.
    thick: Option<f64>,
}

/// How many passes of at most `most` a depth takes: a thousandth more asks for none.
fn levels(depth: f64, most: f64) -> f64 {
    ((depth - LEVEL_MM) / most).ceil().max(1.0)
}

/// A feature as a step cuts it.
struct CutFeature<'a> {
    variant: &'a Variant,
    feature: &'a SizedFeature,
    /// Its loops, where it is cut along its contour.
    profile: Option<&'a ProfileCut>,
    /// Where the cut ends, machine Z.
    floor: f64,
}

impl Ideal<'_> {
    fn of(&self, cut: &CutFeature<'_>, operation: Operation, run: &Run<'_>) -> f64 {
        let CutFeature {
            variant,
            feature,
            profile,
            floor,
        } = *cut;
        match operation {
            Operation::Cutout | Operation::Outline => match profile {
                Some(cut) => self.contour(cut, floor),
                None => self.volume(feature.region().area(), self.top - floor),
            },
            Operation::Drill => self.hole(feature, run),
            Operation::Engrave => {
                let depths = run.levels().max(1);
                self.laps(&[(&feature.shape, depths as f64)]) + run.strokes(self.drive)
            }
            Operation::FinishWall => {
                let centres = self.wanted(variant, feature, -self.cutter.radius_mm());
                let paths: Vec<(&Contour, f64)> = centres
                    .iter()
                    .flat_map(Region::contours)
                    .map(|c| (c, 1.0))
                    .collect();
                self.laps(&paths)
            }
            Operation::Rest => {
                self.volume(self.rest_area(variant, feature), variant.z.top() - floor)
            }
            _ => {
                let area: f64 = self
                    .wanted(variant, feature, 0.0)
                    .iter()
                    .map(Region::area)
                    .sum();
                self.volume(area, variant.z.top() - floor)
            }
        }
    }

    fn wanted(&self, variant: &Variant, feature: &SizedFeature, by: f64) -> Vec<Region> {
        let mut notes = Notes::default();
        let wanted = reach::required(variant, feature, self.cutter.radius_mm(), &mut notes);
        match by {
            0.0 => wanted,
            by => reach::centres(&wanted, -by, &mut notes),
        }
    }

    /// What the thick cutter of the feature leaves and this one does not, mm².
    fn rest_area(&self, variant: &Variant, feature: &SizedFeature) -> f64 {
        let Some(thick) = self.thick else { return 0.0 };
        let mut notes = Notes::default();
        let wanted = self.wanted(variant, feature, 0.0);
        let mut opened = |r: f64| -> f64 {
            wanted
                .iter()
                .flat_map(|w| opening(w, r, &mut notes))
                .map(|r| r.area())
                .sum()
        };
        (opened(self.cutter.radius_mm()) - opened(thick)).max(0.0)
    }

    fn volume(&self, area: f64, depth: f64) -> f64 {
        let section = STEPOVER * self.cutter.diameter.mm() * self.cutter.pass_depth_mm();
        area * depth.max(0.0) / (section * self.feed / 60.0)
    }

    /// Levels of a cut through: the last one thin.
    fn levels_of_contour(&self, floor: f64) -> f64 {
        let depth = self.top - floor;
        let most = self.cutter.pass_depth_mm();
        let last = LAST_PASS_MM.min(most);
        match depth > last + LEVEL_MM {
            true => levels(depth - last, most) + 1.0,
            false => 1.0,
        }
    }

    fn contour(&self, cut: &ProfileCut, floor: f64) -> f64 {
        let Some(rough) = cut.loops.iter().rfind(|l| !l.finishing) else {
            return 0.0;
        };
        // A shop that takes more at once than practice has its own levels.
        let laps = self.levels_of_contour(floor).min(rough.passes.len() as f64) + 1.0;
        let mut paths = vec![(&rough.path, laps)];
        paths.extend(
            cut.loops
                .iter()
                .filter(|l| l.finishing)
                .map(|l| (&l.path, 1.0)),
        );
        self.laps(&paths)
    }

    fn hole(&self, feature: &SizedFeature, run: &Run<'_>) -> f64 {
        let Some((at, diameter)) = feature.circle else {
            return run.as_it_is();
        };
        let d = self.cutter.diameter.mm();
        if self.cutter.kind == CutterKind::Drill || diameter - d <= STRAIGHT_MM {
            return run.pecks(self.drive);
        }
        let path = 0.5 * (diameter - d);
        if path > HELIX_CORE * 0.5 * d {
            return self.volume(feature.region().area(), self.top - feature.floor);
        }
        let drop = TAU * path * HELIX_DEGREES.to_radians().tan();
        let turns = (self.top - feature.floor) / drop.min(self.cutter.pass_depth_mm()) + 1.0;
        self.laps(&[(&Contour::circle(at, path), turns)])
    }

    /// Seconds for paths one after the other, each from rest to rest and run so many times without a stop.
    fn laps(&self, paths: &[(&Contour, f64)]) -> f64 {
        let mut clock = Clock::new(self.drive);
        for (path, laps) in paths {
            let Some(start) = path.start() else { continue };
            // The first move only says where the cutter stands.
            clock.run(&Move::rapid(start.at_z(0.0)));
            clock.stop();
            let segments: Vec<Segment> = path.segments().filter(|s| s.length() > 1e-9).collect();
            let back: Vec<Segment> = segments.iter().rev().map(Segment::reversed).collect();
            let mut left = laps * path.length();
            for lap in 0..laps.ceil() as usize {
                let there = path.closed || lap % 2 == 0;
                for s in if there { &segments } else { &back } {
                    let piece = s.piece(0.0, (left / s.length()).clamp(0.0, 1.0));
                    left -= piece.length();
                    clock.run(&self.at_feed(&piece));
                }
            }
        }
        clock.take().cutting
    }

    fn at_feed(&self, s: &Segment) -> Move {
        match *s {
            Segment::Line { b, .. } => Move::line(b.at_z(0.0), self.feed),
            Segment::Arc { centre, sweep, .. } => Move::Arc {
                centre,
                sweep,
                dz: 0.0,
                feed: self.feed,
            },
        }
    }
}

/// A step's moves as they are run, with their times.
struct Run<'a> {
    moves: &'a [Move],
    each: &'a [Seconds],
    from: Point3,
    top: f64,
    safe_z: f64,
}

/// Where the cutter stands before the first move: over the place where that begins.
fn stands(moves: &[Move]) -> Point3 {
    moves
        .first()
        .map_or(Point3::default(), |m| m.end(Point3::default()))
}

impl Run<'_> {
    /// Each move with where it begins and ends and its time.
    fn walk(&self) -> impl Iterator<Item = (&Move, Point3, Point3, f64)> {
        self.moves
            .iter()
            .zip(self.each)
            .scan(self.from, |at, (m, t)| {
                let from = *at;
                *at = m.end(from);
                Some((m, from, *at, t.total()))
            })
    }
    fn below_safe(&self, from: Point3, to: Point3) -> bool {
        from.z.min(to.z) < self.safe_z - SAME_LEVEL_MM
    }
    /// Seconds of the step itself below the face.
    fn as_it_is(&self) -> f64 {
        self.walk()
            .filter(|(m, from, to, _)| match m {
                Move::Rapid { .. } => false,
                Move::Hole { .. } => true,
                _ => from.z.min(to.z) < self.top,
            })
            .map(|w| w.3)
            .sum()
    }
    /// Seconds of the drilled holes from their retract heights on, and of strokes straight down and up again.
    fn pecks(&self, drive: Drive) -> f64 {
        let mut clock = Clock::new(drive);
        let mut other = 0.0;
        for (m, from, to, t) in self.walk() {
            match *m {
                Move::Hole { at, retract, .. } => {
                    clock.run(&Move::rapid(at.at_z(retract)));
                    clock.stop();
                    clock.run(m);
                }
                Move::Rapid { .. } => {}
                _ if from.z.min(to.z) < self.top => other += t,
                _ => {}
            }
        }
        clock.take().total() + other
    }
    /// Seconds of the ways straight down into the wood from the height that the cutter comes down to fast, and of the ways back up there.
    fn strokes(&self, drive: Drive) -> f64 {
        let into = self.walk().filter(|(m, from, to, _)| {
            let straight = run_of(m, *from, *to) <= SAME_LEVEL_MM;
            !matches!(m, Move::Rapid { .. }) && straight && from.z > self.top && to.z < self.top
        });
        into.map(|(_, from, to, t)| {
            t + rest_to_rest(from.z - to.z, drive.rapid, drive.acceleration)
        })
        .sum()
    }
    /// How many levels the cutter moves at in the wood: heights at which it goes a fair part of the way that it goes at any.
    fn levels(&self) -> usize {
        let mut ways: Vec<(f64, f64)> = Vec::new();
        let level = |w: &(&Move, Point3, Point3, f64)| {
            let rapid = matches!(w.0, Move::Rapid { .. } | Move::Hole { .. });
            !rapid && (w.1.z - w.2.z).abs() <= SAME_LEVEL_MM && w.2.z < self.top
        };
        for (m, from, to, _) in self.walk().filter(level) {
            let way = run_of(m, from, to);
            match ways.iter_mut().find(|w| (w.0 - to.z).abs() <= LEVEL_MM) {
                Some(w) => w.1 += way,
                None => ways.push((to.z, way)),
            }
        }
        let most = ways.iter().map(|w| w.1).fold(0.0, f64::max);
        ways.iter().filter(|w| w.1 > FAIR_PART * most).count()
    }
    /// What the time below safe height is made of, as far as the moves tell.
    fn parts(&self, profile: Option<&ProfileCut>, full: f64) -> Sum {
        let mut sum = Sum::default();
        for (m, from, to, t) in self.walk().filter(|w| self.below_safe(w.1, w.2)) {
            sum.below_safe += t;
            let down = from.z - to.z;
            let along = run_of(m, from, to);
            let feed = match *m {
                Move::Line { feed, .. } | Move::Arc { feed, .. } => feed,
                Move::Hole { .. } => continue,
                Move::Rapid { .. } => {
                    sum.air += t;
                    continue;
                }
            };
            if from.z.min(to.z) >= self.top - SAME_LEVEL_MM {
                sum.air += t;
            } else if down.abs() > ENTRY_SLOPE * along {
                sum.entries += t;
            } else if profile.is_some_and(|cut| widens(cut, to.xy())) {
                sum.widening += t;
            } else if feed < full {
                sum.slowdowns += (60.0 * along * (1.0 / feed - 1.0 / full)).min(t);
            }
        }
        sum
    }
    /// Seconds at levels beyond those that the depth asks for.
    fn more_levels(&self, ideal: &Ideal<'_>, cut: &CutFeature<'_>) -> f64 {
        let CutFeature {
            variant,
            feature,
            profile,
            floor,
        } = *cut;
        let pass = ideal.cutter.pass_depth_mm();
        if let Some(cut) = profile {
            let Some(rough) = cut.loops.iter().rfind(|l| !l.finishing) else {
                return 0.0;
            };
            let more = rough.passes.len() as f64 - ideal.levels_of_contour(floor);
            return more.max(0.0) * ideal.laps(&[(&rough.path, 1.0)]);
        }
        if !feature.kind.is_cleared() {
            return 0.0;
        }
        let levels = self.levels() as f64;
        let asked = (variant.z.top() - floor) / pass;
        let level: f64 = self
            .walk()
            .filter(|(m, from, to, _)| {
                !matches!(m, Move::Rapid { .. }) && (from.z - to.z).abs() <= SAME_LEVEL_MM
            })
            .map(|w| w.3)
            .sum();
        match levels > asked && levels > 0.0 {
            true => level * (1.0 - asked / levels),
            false => 0.0,
        }
    }
}

/// Length of a move seen from above, mm.
fn run_of(m: &Move, from: Point3, to: Point3) -> f64 {
    match *m {
        Move::Arc { centre, sweep, .. } => from.xy().distance(centre) * sweep.abs(),
        _ => from.xy().distance(to.xy()),
    }
}

/// The place lies on a loop that only widens the kerf.
fn widens(cut: &ProfileCut, at: Point) -> bool {
    let rough = cut.loops.iter().filter(|l| !l.finishing).count();
    let on = |c: &Contour| c.distance(at) < 1e-3;
    rough > 1
        && cut.loops[..rough - 1].iter().any(|l| on(&l.path))
        && !cut.loops[rough - 1..].iter().any(|l| on(&l.path))
}
